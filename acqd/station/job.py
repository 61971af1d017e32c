"""One job: takes its sweeps through the meter into the archive, and only then tells of them.

Order is everything here. Under the job's lock: the meter makes a new state from the old one, the
archive commits what came out, and only when it has does the new state become the state and the
messages go out (G1, G4). A commit that fails leaves state and archive as they were; what it was
about is accounted for as a gap. Gaps wait here, and nothing later of the job is committed before
them: so the last due time that is accounted for never passes one over (G5).
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, Protocol, runtime_checkable

import structlog

from acqd.archive.records import (
    FindingRecord,
    GapRecord,
    HourlyRecord,
    MeterState,
    SweepRecord,
)
from acqd.archive.writer import ArchiveWriter
from acqd.clock import Clock
from acqd.errors import ArchiveError
from acqd.measure.closerlook_settings import is_look
from acqd.measure.deafness import Deaf
from acqd.measure.meter import Answer, FindingDraft, Output
from acqd.station.drafts import Draft, committed_or_failed, due_of, gap_reason, not_kept
from acqd.station.feed import (
    CONFIG_CHANGED,
    CONTEXT,
    HOUR_S,
    JobState,
    SetupView,
    config_ended,
    following,
    sweep_seen,
)
from acqd.station.follow import Follower
from acqd.station.gaps import Waiting, WaitingGaps
from acqd.station.jobspec import JobSpec, Taken
from acqd.station.references import ReferenceRecord
from acqd.station.setup import SetupMaker
from acqd.station.tell import Teller, one_line
from acqd.sweep import SweepFlag

__all__ = ["JobRunner", "JobSpec", "Taken", "gap_reason"]

COMMIT_AT_STOP_S = 1.0
"""How long a stopping station waits for a commit that is on its way."""

VIEWS_MOST = 64
"""Setups of a job that are held ready: a pass of many steps has one for each."""

METER_FAILED_EVERY = 1000
"""A meter that goes on failing is told of again after this many failed sweeps."""


@runtime_checkable
class _Ends(Protocol):
    """A meter whose job ends by itself."""

    def ended(self, state: Any) -> tuple[float, str] | None: ...

    def over_from(self, state: Any) -> float | None: ...

    def verdict(self, state: Any) -> Mapping[str, Any] | None: ...


class JobRunner:
    """The running side of one job. All methods belong to the event loop."""

    def __init__(
        self,
        spec: JobSpec,
        *,
        archive: ArchiveWriter,
        teller: Teller,
        clock: Clock,
        run_id: str,
        state: JobState,
        next_seq: int = 1,
        next_finding: int = 1,
        sweep_times_s: Mapping[str, float] | None = None,
        references: Mapping[str, ReferenceRecord] | None = None,
    ) -> None:
        self.spec = spec
        self.lock = asyncio.Lock()
        self.state = state
        self._archive = archive
        self._teller = teller
        self._clock = clock
        self._run_id = run_id
        self._next_seq = next_seq
        self._next_finding = next_finding
        self._pass_id = next_seq
        self._setups = SetupMaker(spec.facts, sweep_times_s, references)
        self._views: dict[str, SetupView] = {}
        self._kept_setups: set[str] = set()
        self._meter_failures = 0
        self._tell_failed = False
        self._gaps = WaitingGaps()
        self.follower: Follower | None = None
        """Who has the job's findings looked at, where somebody does."""
        self.last_due: Taken | None = None
        """The last sweep of step 0 that was measured."""
        self._under_way: set[asyncio.Future[None]] = set()
        self._log = structlog.get_logger().bind(job=spec.name)

    @property
    def name(self) -> str:
        return self.spec.name

    @property
    def _ending_meter(self) -> _Ends | None:
        meter = self.spec.feed.meter
        return meter if self.spec.ends and isinstance(meter, _Ends) else None

    @property
    def ended(self) -> tuple[float, str] | None:
        """Since when a job that ends by itself is over, and in which words; None while it runs."""
        meter = self._ending_meter
        return None if meter is None else meter.ended(self.state.meter)

    @property
    def deaf(self) -> Deaf | None:
        """The deafness under way, where its meter noticed one."""
        of_meter = getattr(self.spec.feed.meter, "deaf", None)
        found: Deaf | None = None if of_meter is None else of_meter(self.state.meter)
        return found

    def may_end(self, now_s: float) -> bool:
        """Whether the next sweep may be the one that ends it."""
        meter = self._ending_meter
        over_s = None if meter is None else meter.over_from(self.state.meter)
        return over_s is not None and now_s >= over_s

    def hour_after(self, at_s: float) -> bool:
        """Whether the hour of ``at_s`` has turned."""
        return self.state.hour_s is None or self.state.hour_s > at_s

    @property
    def verdict(self) -> Mapping[str, Any] | None:
        """The last verdict, where the job gives any."""
        meter = self._ending_meter
        return None if meter is None else meter.verdict(self.state.meter)

    @property
    def last_seq(self) -> int:
        return self._next_seq - 1

    @property
    def last_finding(self) -> int:
        return self._next_finding - 1

    def answer(self, taken: Taken) -> Answer:
        """What a pass is told of a sweep before it asks for its next: what the meter will see.

        The sweep has no number yet: that comes when it is kept.
        """
        setup = self._setups.setup_of(taken.sweep, taken.capabilities, step=taken.step)
        view = self._view_of(setup, taken.sweep.started_s)
        record = self._record_of(taken, setup.setup, seq=0)
        return Answer(setup=view.event, sweep=sweep_seen(record, view))

    @property
    def references(self) -> Mapping[str, ReferenceRecord]:
        """The newest reference of each role."""
        return self._setups.references

    def refer_to(self, reference: ReferenceRecord) -> None:
        """From the next sweep on ``reference`` is the newest of its role; the archive has it."""
        self._setups.refer_to(reference)

    def forget_reference(self, role: str) -> None:
        """From the next sweep on there is no reference of ``role``: it was undone."""
        self._setups.forget(role)

    async def keep(self, batch: Sequence[Taken]) -> None:
        """Measure, commit and tell of sweeps, in their order. All of them are kept, or none.

        Gaps that wait are committed before them.

        Raises:
            ArchiveError: no sweep was kept; the state is as it was before, and a gap waits.
        """
        await (await self.keep_soon(batch))

    async def keep_soon(self, batch: Sequence[Taken]) -> asyncio.Task[None]:
        """Begin to keep sweeps; the task ends as :meth:`keep` would.

        Returns when nothing of this job can come in between any more, so that the next sweep can
        be taken while this one is committed. Gaps that are noted from then on come after it.
        """
        await self.lock.acquire()
        before = self._gaps.take()
        return asyncio.create_task(self._keep(batch, before), name=f"keep {self.name}")

    async def _keep(self, batch: Sequence[Taken], before: list[Waiting]) -> None:
        try:
            await self._keep_gaps(before)
            await self._mark_config()
            if not is_look(batch[0].step):
                await self._turn_hours(batch[0].sweep.started_s)
            draft = self._draft()
            for taken in batch:
                self._add_sweep(draft, taken)
            await self._commit(draft)
        except ArchiveError as exc:
            # Before the lock is given up: a gap of later due times may be waiting for it.
            self._lost(batch, exc)
            raise
        finally:
            self.lock.release()

    def note_gap(self, record: GapRecord) -> None:
        """Account for due sweeps that were not taken, with the next commit of this job."""
        self._gaps.add(record)

    async def gap(self, record: GapRecord) -> None:
        """:meth:`note_gap` and :meth:`keep_gaps` in one."""
        self.note_gap(record)
        await self.keep_gaps()

    @property
    def gaps_wait(self) -> bool:
        return len(self._gaps) > 0

    @property
    def waiting_gaps(self) -> tuple[GapRecord, ...]:
        """The gaps that wait for their commit."""
        return self._gaps.records

    async def keep_gaps(self) -> None:
        """Commit the gaps that wait.

        Raises:
            ArchiveError: some could not be kept; they go on waiting.
        """
        async with self.lock:
            await self._keep_gaps()

    async def settled(self, within_s: float) -> bool:
        """Whether all that was to be committed is, or has failed, within that time.

        Only then is the state what the archive holds, and a checkpoint of it true.
        """
        try:
            async with asyncio.timeout(within_s):
                async with self.lock:
                    await self.nothing_under_way()
        except TimeoutError:
            return False
        return True

    async def nothing_under_way(self) -> None:
        """Wait for commits whose task was cancelled; for who holds the lock."""
        while self._under_way:
            await asyncio.wait(set(self._under_way))

    async def begin(self) -> None:
        """Commit the gaps that wait, and mark a change of config if there was one: from here on the
        meter is a fresh one.

        Raises:
            ArchiveError: it could not be marked; the first sweep that is kept does it then.
        """
        async with self.lock:
            await self._keep_gaps()
            await self._mark_config()

    async def turn_hours(self, now_s: float) -> None:
        """Tell the meter of hours that have ended, where no sweep or gap has done so already."""
        async with self.lock:
            await self._keep_gaps()
            await self._turn_hours(now_s)

    async def finding(self, draft: FindingDraft) -> None:
        """Keep and tell a finding of the station's own about this job."""
        async with self.lock:
            pending = self._draft()
            self._add_finding(pending, draft)
            await self._commit(pending)

    def channel_key(self, name: str) -> str:
        """The topic level of a channel of this job's plan."""
        return self.spec.channel_keys.get(name, name)

    def checkpoint(self) -> MeterState:
        """The state as the archive keeps it. Under the job's lock, or before anything is taken."""
        return self.spec.feed.checkpoint(self.name, self.state, next_finding=self.last_finding + 1)

    def rekeep_setups(self) -> None:
        """A new journal has begun: it needs the setups of its sweeps again."""
        self._kept_setups.clear()

    # -- inside the lock ------------------------------------------------------------------------

    async def _keep_gaps(self, before: list[Waiting] | None = None) -> None:
        """Commit gaps in their order, all that wait or those given; where an hour ends between two
        of them it is turned there."""
        rest = self._gaps.take() if before is None else before
        try:
            while rest:
                draft, at = self._draft(), 0
                while at < len(rest) and not self._hour_ends(draft.state, rest[at].gap):
                    self._add_gap(draft, rest[at])
                    at += 1
                if at:
                    rest = rest[at:]
                    await self._commit(draft)
                else:
                    await self._turn_hours(rest[0].gap.from_s)
        finally:
            self._gaps.put_back(rest)

    def _hour_ends(self, state: JobState, gap: GapRecord) -> bool:
        of_this_config = state.config == self.spec.feed.config
        return of_this_config and any(True for _ in self.spec.feed.hours_before(state, gap.from_s))

    def _add_gap(self, draft: Draft, waiting: Waiting) -> None:
        gap = waiting.gap
        ended = None
        if draft.state.config != self.spec.feed.config:
            # Time down before the config changed: the meter of that config is gone.
            ended = config_ended(draft.state, gap)
        if ended is not None:
            draft.gaps.append(ended)
            draft.state = self.spec.feed.reconfigured(draft.state, ended)
        draft.gaps.append(gap)
        draft.waiting.append(waiting)
        if draft.state.config != self.spec.feed.config:
            draft.state = self.spec.feed.passed_over(draft.state, gap)
        else:
            self._add_told(draft, gap)

    def _draft(self) -> Draft:
        return Draft(state=self.state, seq=self._next_seq, finding=self._next_finding)

    async def _mark_config(self) -> None:
        if self.state.config == self.spec.feed.config:
            return
        now_s = self._clock.wall_s()
        marker = GapRecord(
            job=self.name,
            from_s=now_s,
            to_s=now_s,
            count=0,
            reason=CONFIG_CHANGED,
            detail=self.spec.feed.config,
        )
        draft = self._draft()
        draft.state = self.spec.feed.reconfigured(draft.state, marker)
        draft.gaps.append(marker)
        await self._commit(draft)

    async def _turn_hours(self, at_s: float) -> None:
        draft = self._draft()
        for start_s in self.spec.feed.hours_before(self.state, at_s):
            hour = HourlyRecord(job=self.name, hour_start_s=start_s, figures={})
            output = self._add_told(draft, hour)
            if output.hourly:
                hour = replace(hour, figures=dict(output.hourly[0].figures))
            draft.hourly.append(hour)
        if draft.hourly:
            await self._commit(draft)

    def _view_of(self, setup: Any, at_s: float) -> SetupView:
        view = self._views.get(setup.setup)
        if view is None:
            view = SetupView.of(setup, at_s)
            if len(self._views) >= VIEWS_MOST:
                self._views.clear()
            self._views[setup.setup] = view
        return view

    def _add_sweep(self, draft: Draft, taken: Taken) -> None:
        sweep = taken.sweep
        if taken.step == 0:
            self.last_due = taken
        setup = self._setups.setup_of(sweep, taken.capabilities, step=taken.step)
        if setup.setup not in self._kept_setups:
            draft.setups.append(setup)
        if taken.first_of_pass:
            self._pass_id = draft.seq
        record = self._record_of(taken, setup.setup, seq=draft.seq)
        draft.seq += 1
        try:
            view = self._view_of(setup, sweep.started_s)
            draft.state, outputs = self.spec.feed.sweep(draft.state, record, view)
        except Exception as exc:
            # The raw sweep is worth keeping whatever the measurement thinks of it. What failed is
            # told once, and again every METER_FAILED_EVERY sweeps: a night of it is no flood.
            record = replace(record, flags=record.flags | SweepFlag.METER_FAILED)
            draft.state = self.spec.feed.skip(draft.state, record)
            draft.sweeps.append(record)
            self._meter_failed(draft, record.started_s, record.seq, exc)
            return
        summary = next((o.summary for o in reversed(outputs) if o.summary is not None), None)
        columns = outputs[-1].columns
        record = replace(record, summary=summary, columns={**columns, **record.columns})
        draft.sweeps.append(record)
        for output in outputs:
            self._add_output(draft, record, view, output)

    def _record_of(self, taken: Taken, setup: str, *, seq: int) -> SweepRecord:
        sweep = taken.sweep
        return SweepRecord(
            job=self.name,
            step=taken.step,
            setup=setup,
            seq=seq,
            pass_id=self._pass_id,
            run_id=self._run_id,
            due_s=taken.due_s,
            started_s=sweep.started_s,
            monotonic_s=sweep.monotonic_s,
            took_s=sweep.took_s,
            boot_id=sweep.boot_id,
            sweeper_time_s=sweep.sweeper_time_s,
            flags=sweep.flags | self._late(taken),
            level=sweep.level,
            columns={
                **{f"{CONTEXT}{name}": value for name, value in taken.context.items()},
                **({} if taken.follows is None else following(taken.follows)),
            },
            hops=sweep.hops,
        )

    def _late(self, taken: Taken) -> SweepFlag:
        interval_s = self.spec.interval_s
        late_s = taken.sweep.started_s - taken.due_s
        is_due = taken.first_of_pass and taken.follows is None
        if interval_s is not None and is_due and late_s > interval_s / 2:
            return SweepFlag.LATE
        return SweepFlag(0)

    def _add_told(self, draft: Draft, event: GapRecord | HourlyRecord) -> Output:
        """Tell the meter of a gap or an hour; where it fails nothing but its figures is lost."""
        feed = self.spec.feed
        try:
            if isinstance(event, GapRecord):
                draft.state, output = feed.gap(draft.state, event)
            else:
                draft.state, output = feed.hour(draft.state, event.hour_start_s)
        except Exception as exc:
            draft.state = feed.unmeasured(draft.state, event)
            at_s = event.to_s if isinstance(event, GapRecord) else event.hour_start_s + HOUR_S
            self._meter_failed(draft, at_s, None, exc)
            return Output()
        self._add_output(draft, None, None, output)
        return output

    def _meter_failed(self, draft: Draft, at_s: float, seq: int | None, exc: Exception) -> None:
        failures = self._meter_failures + draft.meter_failures
        if failures % METER_FAILED_EVERY == 0:
            self._log.error("measurement_failed", seq=seq, exc_info=exc)
            self._add_finding(
                draft,
                FindingDraft(
                    what="meter_failed",
                    at_s=at_s,
                    seq=seq,
                    text=f"the measurement failed and the sweeps are kept unmeasured: {exc}",
                    figures={"failures": failures + 1},
                ),
            )
        draft.meter_failures += 1

    def _add_output(
        self,
        draft: Draft,
        record: SweepRecord | None,
        view: SetupView | None,
        output: Output,
    ) -> None:
        for finding in output.findings:
            self._add_finding(draft, finding)
        draft.told.append((record, view, output))

    def _add_finding(self, draft: Draft, finding: FindingDraft) -> None:
        number = draft.finding
        draft.finding += 1
        finding = replace(finding, text=one_line(finding.text))
        draft.findings.append(
            FindingRecord(
                job=self.name,
                number=number,
                what=finding.what,
                at_s=finding.at_s,
                seq=finding.seq,
                text=finding.text,
                figures=dict(finding.figures),
                message=self._teller.finding_message(self.name, number, finding),
            )
        )

    async def _commit(self, draft: Draft) -> None:
        if draft.is_empty:
            return
        committed = self._archive.commit(draft.batch(), waits_s=self.spec.commit_waits_s)
        try:
            await committed_or_failed(committed)
        except asyncio.CancelledError:
            # Once a batch is in the writer's queue it will be committed, and the state must follow
            # it before the lock is given up, even if this task is being cancelled.
            late = asyncio.wrap_future(committed)
            self._under_way.add(late)
            late.add_done_callback(partial(self._install_late, draft))
            await asyncio.wait([late], timeout=COMMIT_AT_STOP_S)
            raise
        problem = committed.exception()
        if problem is not None:
            self._gaps.put_back(draft.waiting)
            raise problem
        self._install(draft)

    def _install_late(self, draft: Draft, committed: asyncio.Future[None]) -> None:
        self._under_way.discard(committed)
        if not committed.cancelled() and committed.exception() is None:
            self._install(draft)
            return
        self._gaps.put_back(draft.waiting)
        if draft.sweeps:
            exc = None if committed.cancelled() else committed.exception()
            self._lost(draft.sweeps, exc)

    def _lost(self, sweeps: Sequence[Taken | SweepRecord], exc: BaseException | None) -> None:
        """Account for sweeps that could not be kept; those of a closer look were due to nobody."""
        if is_look(sweeps[0].step):
            self._log.warning("closer_look_not_kept", problem=str(exc or "it was given up"))
            return
        self.note_gap(not_kept(self.name, sweeps[0].due_s, due_of(sweeps), exc))

    def _install(self, draft: Draft) -> None:
        """What was committed becomes the state, and is told."""
        self.state = draft.state
        self._meter_failures += draft.meter_failures
        self._next_seq, self._next_finding = draft.seq, draft.finding
        self._kept_setups.update(setup.setup for setup in draft.setups)
        for finding in draft.findings:
            self._log.info("finding", number=finding.number, what=finding.what, text=finding.text)
        try:
            self._teller.tell(
                self,
                draft.told,
                hourly=draft.hourly,
                findings=draft.findings,
                gaps=draft.gaps,
            )
        except Exception as exc:
            # What is told never costs what is kept: a message that cannot be made is a fault of
            # ours, said once a job, and the night goes on. Findings are in the outbox already.
            if not self._tell_failed:
                self._tell_failed = True
                self._log.error("message_not_made", exc_info=exc)
        if draft.findings and self.follower is not None:
            self.follower.hear(draft.findings)
