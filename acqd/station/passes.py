"""Taking one pass of a job: its sweeps are asked for, looked at, and handed on to be kept.

What did not come is accounted for with its reason (G5). What a failure leads to beyond its pass (a
link that is opened anew, a job that pauses) is for the one that supervises the sweeper.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

import structlog

from acqd.archive.records import GapRecord
from acqd.clock import Clock
from acqd.drivers.host import SweeperHost
from acqd.errors import (
    InputUnsafe,
    NotReady,
    RequestRefused,
    SourceLost,
    SweeperError,
    SweeperReported,
    SweepInvalid,
)
from acqd.measure.closerlook_settings import Follows
from acqd.measure.meter import PASS_CUT_SHORT, Figure, FindingDraft, Pass, PassStep
from acqd.measure.words import level_text
from acqd.plan.sharing import Due
from acqd.station.inputs import nearing_maximum
from acqd.station.job import JobRunner, Taken
from acqd.station.jobspec import JobSpec
from acqd.station.keeping import Keeper
from acqd.station.readiness import Readiness
from acqd.station.setup import absolute_max_dbm
from acqd.station.tell import one_line
from acqd.sweep import LevelUnit, SourceRequest, Sweep, SweepFlag, SweepRequest

__all__ = ["Failed", "PassOutcome", "PassTaker"]

T = TypeVar("T")

BAD_IN_A_ROW = 3
"""Sweeps that fail one after the other, before the link is opened anew."""
KEEP_WITHIN_S = 1.0
"""Sweeps of a long burst are committed after this long, not only at its end."""


@dataclass(frozen=True, slots=True)
class Failed:
    """Why a sweep that was asked for did not come or was the last one, and what that leads to."""

    reason: str
    detail: str
    lost: str | None = None
    """Why the link is to be opened anew; None where it is good."""
    refused: RequestRefused | None = None
    """What keeps the job from starting until the next opening."""


@dataclass(frozen=True, slots=True)
class PassOutcome:
    """How many due sweeps came, and what ended the pass before its end."""

    done: int
    failed: Failed | None = None
    taken: int = 0
    """Sweeps that came, also such as were not due."""


class PassTaker:
    """Takes the passes of one sweeper's jobs, one after the other.

    ``swept`` is awaited with each good sweep, before the next is asked for. ``stop`` takes a job
    out of the plan for good, for this reason. ``context`` and ``marks`` are the sweeper's, and
    ``readiness`` asks the world around the passes of jobs that want it.
    """

    def __init__(
        self,
        *,
        name: str,
        host: SweeperHost,
        clock: Clock,
        keeper: Keeper,
        context: Callable[[], Mapping[str, float]],
        marks: Callable[[JobSpec, float], SweepFlag],
        readiness: Readiness | None,
        swept: Callable[[Sweep], Awaitable[None]],
        stop: Callable[[JobRunner, str], None],
    ) -> None:
        self._name = name
        self._host = host
        self._clock = clock
        self._keeper = keeper
        self._context = context
        self._marks = marks
        self._readiness = readiness
        self._swept = swept
        self._stop = stop
        self._bad_in_a_row = 0
        self._clock_stepped = False
        self.source_lost: str | None = None
        """Why nobody knows whether the source went off; the link is to be opened anew."""
        self._log = structlog.get_logger().bind(sweeper=name)

    def opened_anew(self) -> None:
        """The link is a new one: what failed on the old one does not count."""
        self._bad_in_a_row = 0
        self.source_lost = None

    def clock_stepped(self) -> None:
        """The station's clock was set: the next sweep is marked with it."""
        self._clock_stepped = True

    async def take(self, job: JobRunner, due: Due) -> PassOutcome:
        """Take one pass. What failed of it is accounted for, what came is on its way to be kept."""
        refusal = self._unsafe(job)
        if refusal is not None:
            _lose(job, due, due.sweeps, "refused", str(refusal))
            return PassOutcome(0, Failed("refused", str(refusal), refused=refusal))
        try:
            return await self.made_ready(job, partial(self._take_ready, job, due))
        except NotReady as exc:
            _lose(job, due, due.sweeps, "not ready", str(exc))
            return PassOutcome(0)
        except SourceLost as exc:
            _lose(job, due, due.sweeps, "sweep failed", str(exc))
            return PassOutcome(0, Failed("sweep failed", str(exc), lost=str(exc)))

    async def made_ready(self, job: JobRunner, work: Callable[[], Awaitable[T]]) -> T:
        """Have ``work`` done in the world that a job asks for, which is put back afterwards.

        The sweeper's source is off while the world changes. Where this is cancelled the station
        stops, and puts back what is left when its sweepers are closed.

        Raises:
            NotReady: the world is not as asked for, and nothing was done.
            SourceLost: the sweeper's source cannot be turned off, and nothing was done.
            Exception: whatever ``work`` raises.
        """
        ready = self._readiness
        if ready is None or not ready.asks(job.name):
            return await work()
        await self._source_off()
        try:
            why = await ready.make_ready(job.name)
            if why is not None:
                raise NotReady(f"{job.name}: {why}")
            result = await work()
        except asyncio.CancelledError:
            raise
        except BaseException:
            await self._put_back(ready, job)
            raise
        await self._put_back(ready, job)
        return result

    async def put_back_owed(self) -> None:
        """Put back what could not be after earlier passes, with the source off."""
        if self._readiness is None:
            return
        try:
            await self._source_off()
        except SourceLost as exc:
            self._readiness.lost(self._name)
            self.source_lost = str(exc)
        else:
            await self._readiness.opened(self._name)

    async def _put_back(self, ready: Readiness, job: JobRunner) -> None:
        try:
            await self._source_off()
        except SourceLost as exc:
            ready.lost(self._name)
            self.source_lost = str(exc)
        await ready.put_back(job.name)

    async def _source_off(self) -> None:
        capabilities = self._host.capabilities
        if capabilities is None:
            raise SourceLost("its link is broken")
        if capabilities.source:
            try:
                await self._host.set_source(SourceRequest(on=False))
            except SweeperError as exc:
                raise SourceLost(f"its source did not go off: {exc}") from exc

    async def _take_ready(self, job: JobRunner, due: Due) -> PassOutcome:
        try:
            series = self._series(job, due)
        except RequestRefused as exc:
            return PassOutcome(0, Failed("refused", str(exc), refused=exc))
        except SweeperError as exc:
            return PassOutcome(0, Failed("sweep failed", str(exc), lost=str(exc)))
        taken: list[Taken] = []
        # Due are the sweeps of step 0; what else a pass asks for hangs on what it saw.
        done, count = 0, 0
        failed: Failed | None = None
        kept_s = self._clock.monotonic_s()
        step: PassStep | None = None
        try:
            step, failed = self._next(job, lambda: next(series))
            while step is not None:
                one = await self._one(job, due, step, first=count == 0)
                if isinstance(one, Failed):
                    failed = one
                    break
                taken.append(one)
                count += 1
                done += step.step == 0
                failed = await self._too_strong(job, one)
                if failed is not None:
                    break
                step, failed = self._next(job, partial(series.send, partial(job.answer, one)))
                if failed is not None:
                    break
                if step is None or self._clock.monotonic_s() - kept_s > KEEP_WITHIN_S:
                    batch, taken, kept_s = taken, [], self._clock.monotonic_s()
                    await self._keeper.keep(job, batch)
            if taken:
                batch, taken = taken, []
                await self._keeper.keep(job, batch)
        except asyncio.CancelledError:
            # The station stops; what has come is worth keeping, the rest is accounted for after it.
            if taken:
                await self._keeper.keep_at_stop(job, taken)
            if step is not None or done < due.sweeps:
                _lose_rest(job, due, done, "station down", "the station was stopping")
            raise
        finally:
            series.close()
        if failed is not None:
            _lose_rest(job, due, done, failed.reason, failed.detail)
        elif done < due.sweeps:
            _lose(job, due, due.sweeps - done, "sweep failed", "the pass asked for no more")
        return PassOutcome(done, failed, count)

    def _next(
        self, job: JobRunner, ask: Callable[[], PassStep]
    ) -> tuple[PassStep | None, Failed | None]:
        """What a pass asks for next; None at its end, or where it cannot go on."""
        try:
            return ask(), None
        except StopIteration:
            return None, None
        except Exception as exc:
            # As with a meter: what measuring makes of a sweep costs this pass alone.
            self._log.error("pass_failed", job=job.name, exc_info=exc)
            return None, Failed("sweep failed", f"the pass could not go on: {exc}")

    async def _one(
        self, job: JobRunner, due: Due, step: PassStep, *, first: bool
    ) -> Taken | Failed:
        capabilities, context = self._host.capabilities, self._context()
        sweep = await self._sweep(job, step.request)
        if isinstance(sweep, Failed):
            return sweep
        assert capabilities is not None, "only an open sweeper sweeps"
        return Taken(
            sweep=self._flagged(job, sweep),
            capabilities=capabilities,
            step=step.step,
            due_s=due.due_s,
            first_of_pass=first,
            context=context,
            follows=_followed(job, due),
        )

    def _series(self, job: JobRunner, due: Due) -> Pass:
        """What the job asks for when it is due, or what a finding of it asked for."""
        if due.extra is None or job.follower is None:
            return job.spec.make_pass(job.spec.request, due.sweeps)
        return job.follower.begin(due.extra, self._host.capabilities)

    async def _sweep(self, job: JobRunner, request: SweepRequest) -> Sweep | Failed:
        try:
            sweep = await self._host.sweep(request)
        except RequestRefused as exc:
            return Failed("refused", str(exc), refused=exc)
        except (SweeperReported, SweepInvalid) as exc:
            self._bad_in_a_row += 1
            self._log.warning("sweep_failed", job=job.name, problem=str(exc))
            lost = None
            if self._bad_in_a_row >= BAD_IN_A_ROW:
                lost = f"{BAD_IN_A_ROW} sweeps failed one after the other: {exc}"
            return Failed("sweep failed", str(exc), lost=lost)
        except SweeperError as exc:
            return Failed("sweep failed", str(exc), lost=str(exc))
        self._bad_in_a_row = 0
        await self._swept(sweep)
        return sweep

    def _flagged(self, job: JobRunner, sweep: Sweep) -> Sweep:
        flags = sweep.flags | self._marks(job.spec, sweep.monotonic_s)
        if self._clock_stepped:
            self._clock_stepped = False
            flags |= SweepFlag.CLOCK_STEPPED
        return sweep if flags == sweep.flags else replace(sweep, flags=flags)

    def _unsafe(self, job: JobRunner) -> RequestRefused | None:
        """Why this job must not start with what can arrive at its input (G7)."""
        safety, capabilities = job.spec.safety, self._host.capabilities
        if not safety.is_concerned or capabilities is None:
            return None
        problem = safety.refusal(absolute_max_dbm(job.spec.facts.absolute_max_dbm, capabilities))
        return None if problem is None else InputUnsafe(problem)

    async def _too_strong(self, job: JobRunner, taken: Taken) -> Failed | None:
        """Stop a job whose levels come near to what the input stands; its source goes off first."""
        most_dbm = absolute_max_dbm(job.spec.facts.absolute_max_dbm, taken.capabilities)
        level_dbm = nearing_maximum(taken.sweep, most_dbm)
        if most_dbm is None or level_dbm is None:
            return None
        text = (
            f"{level_text(level_dbm, LevelUnit.DBM)} at the input of {self._name}, which stands "
            f"{level_text(most_dbm, LevelUnit.DBM)}: this job is stopped until the station is "
            "started anew; look at the chain first"
        )
        lost = None
        try:
            await self._host.set_source(SourceRequest(on=False))
        except SweeperError as exc:
            lost = f"its source did not go off: {exc}"
        self._stop(job, text)
        self._log.error("input_near_maximum", job=job.name, level_dbm=level_dbm)
        figures: dict[str, Figure] = {
            "level_dbm": round(level_dbm, 2),
            "absolute_max_dbm": most_dbm,
        }
        draft = FindingDraft(
            what="input_near_maximum", at_s=self._clock.wall_s(), text=text, figures=figures
        )
        await self._keeper.finding(job, draft)
        return Failed("paused", text, lost=lost)


def _lose_rest(job: JobRunner, due: Due, done: int, reason: str, detail: str) -> None:
    """Account for what a pass did not bring, be it only steps that nobody counts."""
    missing = due.sweeps - done
    if missing > 0:
        _lose(job, due, missing, reason, detail)
    else:
        _lose(job, due, 0, PASS_CUT_SHORT, f"{reason}: {detail}")


def _followed(job: JobRunner, due: Due) -> Follows | None:
    """The finding that a pass was asked for by; None for one that is due."""
    if due.extra is None or job.follower is None:
        return None
    return job.follower.follows(due.extra)


def _lose(job: JobRunner, due: Due, count: int, reason: str, detail: str) -> None:
    if due.extra is not None:
        return  # it was due to nobody
    job.note_gap(
        GapRecord(
            job=job.name,
            from_s=due.due_s,
            to_s=due.due_s,
            count=count,
            reason=reason,
            detail=one_line(detail),
        )
    )
