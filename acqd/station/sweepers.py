"""One sweeper: opened, asked for what the plan says, and opened anew when it was lost.

    away ──open──► present ──sweep fails badly──► away (close, back off, open)
                      │
                      └─ another instrument answers ──► refused until it is the right one again

Whatever a driver does stays here: it costs this sweeper's sweeps, each of them accounted for with
its reason, and nothing else (G5, G6).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import structlog
from numpy.typing import NDArray

from acqd.archive.records import GapRecord
from acqd.clock import Clock
from acqd.drivers.host import Opened, SweeperHost
from acqd.errors import (
    ArchiveError,
    DriverFault,
    IdentityChanged,
    PortBusy,
    RequestRefused,
    SweeperError,
    SweeperReported,
    SweepInvalid,
    UnitMismatch,
)
from acqd.measure.meter import Figure, FindingDraft
from acqd.plan.sharing import SERVED_STANDS_S, Due, Missed, PlannedJob, SweeperPlan
from acqd.station.job import COMMIT_AT_STOP_S, JobRunner, Taken, gap_reason, joined
from acqd.station.tell import Teller, one_line
from acqd.station.watch import StationFindings
from acqd.sweep import Identity, Sweep, SweepFlag

__all__ = ["SweeperRunner"]

BACKOFF_FIRST_S = 0.5
BACKOFF_MOST_S = 30.0
BAD_IN_A_ROW = 3
"""Sweeps that fail one after the other, before the link is opened anew."""
GAPS_KEPT_EVERY_S = 20.0
"""Gaps of an outage are joined for this long before they are committed. A kill in between loses
nothing: what is due and neither stored nor accounted for is found at the next start."""
KEEP_WITHIN_S = 1.0
"""Sweeps of a long burst are committed after this long, not only at its end."""
LONGEST_WAIT_S = 5.0
"""The plan is asked at least this often, so that a stepped clock cannot leave it asleep."""
NO_ROOM_RETRY_S = 5.0
CLOCK_DRIFT_S = 2.0
"""A sweeper's own time that wanders from the station's by this much is worth a finding."""


@dataclass(slots=True)
class _Drift:
    first_s: float
    told_s: float = CLOCK_DRIFT_S


class SweeperRunner:
    """Supervises one sweeper. :meth:`run` goes on until it is cancelled."""

    def __init__(
        self,
        *,
        name: str,
        host: SweeperHost,
        jobs: Sequence[JobRunner],
        planned: Sequence[PlannedJob],
        clock: Clock,
        teller: Teller,
        findings: StationFindings,
        now_s: float,
        look_first: Callable[[], None] = lambda: None,
        gaps: Sequence[GapRecord] = (),
        known: Identity | None = None,
    ) -> None:
        self.name = name
        self.host = host
        self.plan = SweeperPlan(
            planned,
            now_s=now_s,
            accounted={
                job.name: accounted_s
                for job in jobs
                # One in the future is of a clock that was wrong: waiting for it would be deaf time.
                if (accounted_s := job.state.accounted_s) is not None
                and accounted_s <= now_s + SERVED_STANDS_S
            },
        )
        self._jobs: Mapping[str, JobRunner] = {job.name: job for job in jobs}
        self._clock = clock
        self._teller = teller
        self._findings = findings
        self._look_first = look_first
        self._known = known
        self._present = False
        self._lost_told = False
        self._stranger: str | None = None
        self._gaps: list[GapRecord] = list(gaps)
        self._gaps_kept_s = clock.monotonic_s()
        self._bad_in_a_row = 0
        self._refused: set[str] = set()
        self._drift: _Drift | None = None
        self._clock_stepped = False
        self._no_room = False
        self._wake = asyncio.Event()
        self._opening: asyncio.Task[None] | None = None
        self._log = structlog.get_logger().bind(sweeper=name)

    @property
    def present(self) -> bool:
        return self._present

    async def run(self) -> None:
        """Open, sweep when due, recover; until cancelled."""
        self.plan.sweeper_away(self._now_s(), "sweeper lost")
        self._tell("away")
        async with asyncio.TaskGroup() as group:
            self._group = group
            self._open_soon(0.0)
            while True:
                await self._once()

    async def close(self) -> None:
        """Close the sweeper and account for what is open. Bounded; raises nothing."""
        await self.host.close()
        for missed in self.plan.drain(self._now_s()):
            self._note(missed, reason="station down")
        await self.keep_gaps()

    def clock_stepped(self, from_s: float, to_s: float) -> None:
        self.plan.clock_stepped(from_s, to_s)
        self._clock_stepped = True
        self._wake.set()

    def asleep(self, from_s: float, to_s: float) -> None:
        self.plan.asleep(from_s, to_s)
        self._wake.set()

    async def turn_hours(self, by_s: float) -> None:
        """Turn the hours that ended by ``by_s`` for jobs that are not at work.

        A pass under way turns them itself when it is kept: what started in an hour belongs to it.
        """
        if self._gaps:
            await self.keep_gaps()
        for job in self._jobs.values():
            if self.plan.running != job.name:
                await job.turn_hours(by_s)

    async def keep_gaps(self) -> None:
        """Commit the gaps that were joined up to now; those that cannot be are kept in mind."""
        self._gaps_kept_s = self._clock.monotonic_s()
        waiting, self._gaps = joined(self._gaps), []
        for at, gap in enumerate(waiting):
            job = self._jobs.get(gap.job)
            if job is None:
                continue
            try:
                await job.gap(gap)
            except ArchiveError as exc:
                self._gaps = waiting[at:] + self._gaps
                self._log.debug("gaps_not_kept", problem=str(exc))
                return

    # -- the loop -------------------------------------------------------------------------------

    async def _once(self) -> None:
        decision = self.plan.ask(self._now_s())
        for missed in decision.missed:
            self._note(missed)
        if self._clock.monotonic_s() - self._gaps_kept_s >= GAPS_KEPT_EVERY_S:
            await self.keep_gaps()
            if self._present:
                for job in self._jobs.values():
                    self._tell_listening(job)
        if decision.start is not None:
            await self._take(decision.start)
            return
        wait_s = LONGEST_WAIT_S
        if decision.wait_until_s is not None:
            wait_s = min(wait_s, max(0.0, decision.wait_until_s - self._clock.wall_s()))
        self._wake.clear()
        try:
            async with asyncio.timeout(wait_s):
                await self._wake.wait()
        except TimeoutError:
            pass

    async def _take(self, due: Due) -> None:
        job = self._jobs[due.job]
        if self._gaps:
            await self.keep_gaps()
        started_s = self._clock.monotonic_s()
        try:
            await self._pass(job, due)
        finally:
            took_s = self._clock.monotonic_s() - started_s
            self.plan.finished(due.job, now_s=self._now_s(), took_s=took_s)

    def _now_s(self) -> float:
        """Wall time for the plan. A step of the clock is made known to it before it sees the time,
        or it would take the jump for an overrun."""
        self._look_first()
        return self._clock.wall_s()

    async def _pass(self, job: JobRunner, due: Due) -> None:
        """Take one pass. What fails of it is accounted for; what came is kept."""
        series = job.spec.make_pass(job.spec.request, due.sweeps)
        taken: list[Taken] = []
        done = 0
        kept_s = self._clock.monotonic_s()
        request = next(series, None)
        while request is not None:
            capabilities = self.host.capabilities
            try:
                sweep = await self._sweep(job, due, request, missing=due.sweeps - done)
            except asyncio.CancelledError:
                # The station stops; what has come is worth keeping.
                if taken:
                    await self._keep(job, taken)
                raise
            if sweep is None:
                series.close()
                break
            assert capabilities is not None, "only an open sweeper sweeps"
            done += 1
            taken.append(
                Taken(
                    sweep=self._flagged(sweep),
                    capabilities=capabilities,
                    step=0,
                    due_s=due.due_s,
                    first_of_pass=done == 1,
                )
            )
            more = due.sweeps - done
            level = self._seen_by_pass(job, taken[-1]) if more else None
            try:
                request = series.send(level)
            except StopIteration:
                request = None
            if request is None or self._clock.monotonic_s() - kept_s > KEEP_WITHIN_S:
                await self._keep(job, taken)
                taken, kept_s = [], self._clock.monotonic_s()
        if taken:
            await self._keep(job, taken)

    @staticmethod
    def _seen_by_pass(job: JobRunner, taken: Taken) -> NDArray[Any] | None:
        """What a pass is shown of its last sweep; nothing where the levels have no magnitude."""
        try:
            return job.level_at_plane(taken)
        except UnitMismatch:
            return None

    async def _sweep(self, job: JobRunner, due: Due, request: Any, *, missing: int) -> Sweep | None:
        """One sweep, or None with its absence accounted for."""
        try:
            sweep = await self.host.sweep(request)
        except RequestRefused as exc:
            self._lose(job, due, missing, "refused", str(exc))
            await self._refuse(job, exc)
            return None
        except (SweeperReported, SweepInvalid) as exc:
            self._lose(job, due, missing, "sweep failed", str(exc))
            self._bad_in_a_row += 1
            self._log.warning("sweep_failed", job=job.name, problem=str(exc))
            if self._bad_in_a_row >= BAD_IN_A_ROW:
                await self._lost(f"{BAD_IN_A_ROW} sweeps failed one after the other: {exc}")
            return None
        except SweeperError as exc:
            self._lose(job, due, missing, "sweep failed", str(exc))
            await self._lost(str(exc))
            return None
        except asyncio.CancelledError:
            self._lose(job, due, missing, "station down", "the station was stopping")
            raise
        self._bad_in_a_row = 0
        self._watch_sweeper_clock(job, sweep)
        return sweep

    def _flagged(self, sweep: Sweep) -> Sweep:
        if not self._clock_stepped:
            return sweep
        self._clock_stepped = False
        return replace(sweep, flags=sweep.flags | SweepFlag.CLOCK_STEPPED)

    async def _keep(self, job: JobRunner, taken: list[Taken]) -> None:
        """Keep what was taken, or account for it, also while the station stops."""
        keeping = asyncio.ensure_future(self._kept(job, taken))
        try:
            problem = await asyncio.shield(keeping)
        except asyncio.CancelledError:
            await asyncio.wait([keeping], timeout=COMMIT_AT_STOP_S)
            raise
        if problem is not None:
            await self._no_room_now(problem)
        elif self._no_room:
            self._no_room = False
            await self._findings.tell("room_again", "there is room again: sweeping goes on")

    async def _kept(self, job: JobRunner, taken: list[Taken]) -> ArchiveError | None:
        try:
            await job.keep(taken)
        except ArchiveError as exc:
            due_s = taken[0].due_s
            self._gaps.append(
                GapRecord(
                    job=job.name,
                    from_s=due_s,
                    to_s=due_s,
                    count=len(taken),
                    reason=gap_reason(exc),
                    detail=one_line(str(exc)),
                )
            )
            return exc
        return None

    async def _no_room_now(self, exc: ArchiveError) -> None:
        """Nothing can be kept: say so once, and do not sweep for a while."""
        if not self._no_room:
            self._no_room = True
            self._log.error("cannot_keep", problem=str(exc))
            await self._findings.tell("cannot_keep", f"sweeps cannot be kept: {exc}")
        self.plan.sweeper_away(self._now_s(), gap_reason(exc))
        await asyncio.sleep(NO_ROOM_RETRY_S)
        if self._present:
            self.plan.sweeper_back(self._now_s())

    # -- lost and found -------------------------------------------------------------------------

    def _open_soon(self, after_s: float) -> None:
        self._opening = self._group.create_task(self._open_until_there(after_s))

    async def _open_until_there(self, after_s: float) -> None:
        wait_s, tried = after_s, 0
        while True:
            await asyncio.sleep(wait_s)
            try:
                opened = await self.host.open()
            except SweeperError as exc:
                tried += 1
                wait_s = min(BACKOFF_MOST_S, BACKOFF_FIRST_S * 2 ** min(tried, 10))
                if tried == 1 or isinstance(exc, IdentityChanged):
                    await self._not_there(exc)
                continue
            await self._there(opened)
            return

    async def _not_there(self, exc: SweeperError) -> None:
        state = "away"
        if isinstance(exc, PortBusy):
            state = "busy"
        elif isinstance(exc, IdentityChanged | DriverFault):
            state = "fault"
        self._tell(state, problem=str(exc))
        if isinstance(exc, IdentityChanged):
            self._lost_told = True
            if self._stranger != str(exc):
                self._stranger = str(exc)
                self._log.warning("sweeper_is_another", problem=str(exc))
                await self._findings.tell(
                    "identity_changed",
                    f"sweeper {self.name} is not used: {exc}",
                    {"sweeper": self.name},
                )
        if not self._lost_told:
            self._lost_told = True
            self._log.warning("sweeper_away", problem=str(exc))
            await self._findings.tell(
                "sweeper_lost", f"sweeper {self.name} is away: {exc}", {"sweeper": self.name}
            )

    async def _there(self, opened: Opened) -> None:
        identity = opened.identity
        was_lost, self._lost_told = self._lost_told, False
        self._present = True
        self._stranger = None
        self._bad_in_a_row = 0
        self._refused.clear()
        self._drift = None
        self._log.info("sweeper_present", identity=str(identity))
        self._tell("present", identity=identity)
        if was_lost:
            await self._findings.tell(
                "sweeper_back", f"sweeper {self.name} is back: {identity}", {"sweeper": self.name}
            )
        await self._compare_identity(identity)
        self.plan.sweeper_back(self._now_s())
        self._wake.set()

    async def _compare_identity(self, identity: Identity) -> None:
        known, self._known = self._known, identity
        if known is not None and known != identity:
            await self._findings.tell(
                "identity_changed",
                f"sweeper {self.name} now says it is {identity}; it was {known}",
                {"sweeper": self.name},
            )
        if identity.is_doubtful and (known is None or not known.is_doubtful):
            await self._findings.tell(
                "identity_doubtful",
                f"sweeper {self.name} has no usable serial number "
                f"({identity.serial_number or 'empty'}): it is known by its address alone",
                {"sweeper": self.name},
            )

    async def _lost(self, problem: str) -> None:
        """The conversation is broken: close, and open anew in the background."""
        if not self._present:
            return
        self._present = False
        self.plan.sweeper_away(self._now_s(), "sweeper lost")
        self._lost_told = True
        self._log.warning("sweeper_lost", problem=problem)
        self._tell("away", problem=problem)
        await self.host.close()
        await self._findings.tell(
            "sweeper_lost", f"sweeper {self.name} was lost: {problem}", {"sweeper": self.name}
        )
        self._open_soon(BACKOFF_FIRST_S)

    async def _refuse(self, job: JobRunner, exc: RequestRefused) -> None:
        """A request beyond the sweeper's limits: said once an opening, not once a sweep."""
        if job.name in self._refused:
            return
        self._refused.add(job.name)
        self._log.error("request_refused", job=job.name, problem=str(exc))
        draft = FindingDraft(
            what="refused",
            at_s=self._clock.wall_s(),
            text=f"{self.name} cannot do what this job asks: {exc}",
        )
        try:
            await job.finding(draft)
        except ArchiveError as problem:
            self._log.error("finding_not_kept", job=job.name, problem=str(problem))

    def _tell(
        self, state: str, *, identity: Identity | None = None, problem: str | None = None
    ) -> None:
        self._teller.sweeper(self.name, state, identity=identity, problem=problem)
        for job in self._jobs.values():
            if state == "present":
                self._tell_listening(job)
            else:
                self._teller.job_state(job, "waiting for its sweeper", problem or "")

    def _tell_listening(self, job: JobRunner) -> None:
        if job.spec.planned.schedule.is_open(self._clock.wall_s()):
            self._teller.job_state(job, "listening")
        else:
            self._teller.job_state(job, "idle", job.spec.planned.schedule.describe())

    # -- accounting -----------------------------------------------------------------------------

    def _note(self, missed: Missed, *, reason: str | None = None) -> None:
        self._gaps.append(
            GapRecord(
                job=missed.job,
                from_s=missed.from_s,
                to_s=missed.to_s,
                count=missed.count,
                reason=reason or missed.reason,
                detail=missed.detail,
            )
        )

    def _lose(self, job: JobRunner, due: Due, count: int, reason: str, detail: str) -> None:
        self._gaps.append(
            GapRecord(
                job=job.name,
                from_s=due.due_s,
                to_s=due.due_s,
                count=count,
                reason=reason,
                detail=one_line(detail),
            )
        )

    def _watch_sweeper_clock(self, job: JobRunner, sweep: Sweep) -> None:
        """Compare a sweeper's own time with the station's; a drift is told as it doubles."""
        if sweep.sweeper_time_s is None:
            return
        offset_s = sweep.sweeper_time_s - sweep.started_s
        if self._drift is None:
            self._drift = _Drift(first_s=offset_s)
            return
        drift_s = offset_s - self._drift.first_s
        if abs(drift_s) < self._drift.told_s:
            return
        self._drift.told_s *= 2
        figures: dict[str, Figure] = {"sweeper": self.name, "drift_s": round(drift_s, 3)}
        self._group.create_task(
            self._findings.tell(
                "sweeper_clock_drift",
                f"the clock of {self.name} has moved {drift_s:+.1f} s against the station's",
                figures,
            )
        )
