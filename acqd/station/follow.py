"""A finding asks for a closer look: whether it gets one, and what the pass then asks for.

    finding, committed ──► rules of the job ──budget──► plan ──► pass ──► sweeps, kept like others
                                └─ passed over: counted, told with the next look

Nothing here survives a restart: looks that wait are forgotten, and budgets begin anew. A look that
the sweeper refuses is told of once and not asked for again until it is opened anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import count
from typing import TYPE_CHECKING

import structlog

from acqd.archive.records import FindingRecord
from acqd.clock import Clock
from acqd.errors import RequestRefused, TransportClosed
from acqd.measure.closerlook_request import look_requests
from acqd.measure.closerlook_settings import (
    Follows,
    LookKind,
    LookSettings,
    frequency_of,
    level_of,
    look_step,
)
from acqd.measure.meter import FindingDraft, Pass, PassStep
from acqd.plan.budget import Budget, Granted
from acqd.sweep import Capabilities, SweepRequest

if TYPE_CHECKING:
    from acqd.station.job import JobRunner

__all__ = ["FollowRule", "Follower"]

LATE_TOLD_S = 10.0
"""A look so much later than its finding is logged with it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowRule:
    """One look of a job: after which findings, how, and how often at most."""

    words: tuple[str, ...]
    look: LookSettings
    at_most: int
    per_s: float
    share: float
    hold_off_s: float
    within_s: float
    only_above_dbm: float | None

    def near_hz(self, request: SweepRequest) -> float:
        """How near two findings are to be of one place: a zoom on the one shows the other."""
        least_hz = max(2.0 * request.step_hz, request.rbw_hz or 0.0)
        return max(least_hz, (self.look.span_hz or 0.0) / 4.0)

    def estimate_s(self, sweep_s: float) -> float:
        """How long a look takes before one was timed."""
        each_s = self.look.sweep_time_s or sweep_s
        return self.look.count * max(each_s, 1.0 if self.look.look is LookKind.ZERO else 0.0)


@dataclass(slots=True, kw_only=True)
class _Asked:
    """One look that waits or is under way."""

    index: int
    finding: FindingRecord
    at_hz: float | None
    granted: Granted
    follows: Follows | None = None


class Follower:
    """The looks of one job. ``ask`` lets a pass wait in the plan: ticket, until when it may start,
    and how long it takes; False where it cannot."""

    def __init__(
        self, job: JobRunner, *, clock: Clock, ask: Callable[[int, float, float], bool]
    ) -> None:
        spec = job.spec
        self._job = job
        self._rules = spec.follow
        self._clock = clock
        self._ask = ask
        self._watched_hz = spec.watched_hz
        self._budgets = tuple(
            Budget(
                at_most=rule.at_most,
                per_s=rule.per_s,
                share=rule.share,
                hold_off_s=rule.hold_off_s,
                near_hz=rule.near_hz(spec.request),
            )
            for rule in spec.follow
        )
        self._takes_s: dict[int, float] = {}
        self._passed_over = [0] * len(spec.follow)
        self._asked: dict[int, _Asked] = {}
        self._tickets = count(1)
        self._refused: set[int] = set()
        self._log = structlog.get_logger().bind(job=job.name)

    # -- what was found -------------------------------------------------------------------------

    def hear(self, findings: Sequence[FindingRecord]) -> None:
        """Findings were committed."""
        for finding in findings:
            for index, rule in enumerate(self._rules):
                if finding.what in rule.words:
                    self._wish(index, rule, finding)

    def _wish(self, index: int, rule: FollowRule, finding: FindingRecord) -> None:
        level = level_of(finding.figures)
        if rule.only_above_dbm is not None and (level is None or level < rule.only_above_dbm):
            return
        at_hz = frequency_of(
            self._job.spec.kind, finding.what, finding.figures, watched_hz=self._watched_hz
        )
        why = self._why_not(index, rule, at_hz)
        if why is None:
            now_s = self._clock.wall_s()
            granted = self._budgets[index].ask(now_s, at_hz, self._estimate_s(index))
            if isinstance(granted, Granted):
                ticket = next(self._tickets)
                self._asked[ticket] = _Asked(
                    index=index, finding=finding, at_hz=at_hz, granted=granted
                )
                if self._ask(ticket, now_s + rule.within_s, self._estimate_s(index)):
                    return
                self._forget(ticket)
                why = "too many wait"
            else:
                why = granted
        self._pass_over(index, finding, why)

    def _why_not(self, index: int, rule: FollowRule, at_hz: float | None) -> str | None:
        if index in self._refused:
            return "the sweeper cannot do it"
        if rule.look.look.needs_frequency and at_hz is None:
            return "the finding has no frequency"
        return None

    def _estimate_s(self, index: int) -> float:
        known_s = self._takes_s.get(index)
        if known_s is not None:
            return known_s
        spec = self._job.spec
        last = self._job.last_due
        sweep_s = spec.planned.estimate_s if last is None else last.sweep.took_s
        return self._rules[index].estimate_s(sweep_s)

    def _pass_over(self, index: int, finding: FindingRecord, why: str) -> None:
        self._passed_over[index] += 1
        self._log.info(
            "no_closer_look", finding=finding.number, look=self._rules[index].look.look, why=why
        )

    # -- the pass ---------------------------------------------------------------------------------

    def begin(self, ticket: int, capabilities: Capabilities | None) -> Pass:
        """The pass of a look that the plan has started.

        Raises:
            RequestRefused: the sweeper cannot do what it asks.
            TransportClosed: its link broke since the plan was asked.
        """
        asked = self._asked[ticket]
        look = self._rules[asked.index].look
        if capabilities is None:
            raise TransportClosed("its link is broken")
        last = self._job.last_due
        requests = look_requests(
            look,
            self._job.spec.request,
            capabilities,
            at_hz=asked.at_hz,
            attenuation_db=None if last is None else last.sweep.reported.attenuation_db,
        )
        asked.follows = Follows(
            number=asked.finding.number,
            at_hz=asked.at_hz,
            level=level_of(asked.finding.figures),
            passed_over=self._passed_over[asked.index],
        )
        late_s = self._clock.wall_s() - asked.granted.at_s
        self._log.info(
            "looking_closer",
            finding=asked.finding.number,
            look=look.look,
            **({"late_s": round(late_s, 1)} if late_s > LATE_TOLD_S else {}),
        )
        return _series(asked.index, look, requests)

    def follows(self, ticket: int) -> Follows | None:
        """What the sweeps of a look that has begun follow."""
        return self._asked[ticket].follows

    def finished(self, ticket: int, took_s: float | None) -> None:
        """A look is over; ``took_s`` where it was whole."""
        asked = self._asked.pop(ticket, None)
        if asked is not None and took_s is not None:
            # What is told with a look counts from the next one on; one that failed told nobody.
            told = 0 if asked.follows is None else asked.follows.passed_over
            self._passed_over[asked.index] -= told
            asked.granted.took_s = took_s
            self._takes_s[asked.index] = took_s

    def dropped(self, ticket: int, why: str = "it came too late") -> None:
        """A look was not taken."""
        asked = self._asked.get(ticket)
        if asked is not None:
            self._forget(ticket)
            self._pass_over(asked.index, asked.finding, why)

    def refused(self, ticket: int, exc: RequestRefused) -> FindingDraft | None:
        """The sweeper cannot do a look: what is to be told of it, the first time."""
        asked = self._asked.get(ticket)
        if asked is None or asked.index in self._refused:
            return None
        self._refused.add(asked.index)
        look = self._rules[asked.index].look.look
        return FindingDraft(
            what="look_refused",
            at_s=self._clock.wall_s(),
            text=f"no closer look ({look.value}) at finding {asked.finding.number}, nor at later "
            f"ones: {exc}",
            figures={"finding": asked.finding.number, "look": look.value},
        )

    def opened_anew(self) -> None:
        """The sweeper was opened anew: what it refused may be asked again."""
        self._refused.clear()

    def _forget(self, ticket: int) -> None:
        asked = self._asked.pop(ticket)
        self._budgets[asked.index].give_back(asked.granted)


def _series(index: int, look: LookSettings, requests: Sequence[SweepRequest]) -> Pass:
    for request, step in _steps(index, look, requests):
        yield PassStep(request=replace(request), step=step)


def _steps(
    index: int, look: LookSettings, requests: Sequence[SweepRequest]
) -> Iterator[tuple[SweepRequest, int]]:
    """The sweeps of a look in their order: those with more attenuation in turn with the others, so
    that a signal that fades in between shows."""
    for _ in range(look.sweeps):
        for place, request in enumerate(requests):
            yield request, look_step(index, second=place > 0)
