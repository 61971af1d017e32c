"""What values beside the sweeps have to be: the conditions that a job's config sets.

``flag_while``: sweeps during which one held at any time carry the flag ``SET_ASIDE``.
``only_while``: the job sweeps only while all of them hold, and waits else. A pass that has begun
goes on, and its sweeps from there on are set aside.

A value that nobody knows (none has come, or the last is too old) sets nothing aside: nothing is
known against those sweeps. It lets an ``only_while`` wait: whoever asks for it wants no sweep that
might be a wrong one. That is unlike a lost key (:mod:`acqd.station.ptt`), which comes by itself
from a transmitter that is near, and must not keep a station deaf.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import structlog

from acqd.clock import Clock

if TYPE_CHECKING:
    from acqd.station.context import ContextStore

__all__ = ["KEYED", "Condition", "OnlyRules", "OnlyWhile", "TellJob", "keyed"]

KEYED = 0.5
"""From here on a value means on."""
STEADY_S = 1.0
"""An ``only_while`` has to hold so long before its job goes on: no flood of pauses at an edge."""
UNKNOWN_TOLD_S = 60.0
"""A job that waits for a value which nobody knows is told of after this long."""

TellJob = Callable[[str, str, str], Awaitable[None]]
"""Keeps a finding of a job: its word, the sentence, the job's name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """Between which bounds a context's value lies. ``broken``: what is asked is the contrary."""

    context: str
    above: float | None = None
    at_least: float | None = None
    below: float | None = None
    at_most: float | None = None
    unit: str = ""
    broken: bool = False

    def holds(self, value: float) -> bool:
        """Whether a value that is known is as asked for."""
        inside = (
            (self.above is None or value > self.above)
            and (self.at_least is None or value >= self.at_least)
            and (self.below is None or value < self.below)
            and (self.at_most is None or value <= self.at_most)
        )
        return inside is not self.broken

    def contrary(self) -> Condition:
        """The condition that holds whenever a known value breaks this one."""
        return replace(self, broken=not self.broken)

    @property
    def text(self) -> str:
        """``supply is below 11 V``, for sentences."""
        if self == keyed(self.context):
            return f"{self.context} is on"
        said = (
            ("above", self.above),
            ("at least", self.at_least),
            ("below", self.below),
            ("at most", self.at_most),
        )
        bounds = [
            f"{word} {f'{bound:g} {self.unit}'.strip()}".replace("-", "−")
            for word, bound in said
            if bound is not None
        ]
        return f"{self.context} is {' and '.join(bounds)}"


def keyed(context: str) -> Condition:
    """The condition of a key that is pressed, of anything that is on."""
    return Condition(context=context, at_least=KEYED)


@dataclass(frozen=True, slots=True, kw_only=True)
class OnlyWhile:
    """A condition that a job waits for; ``or_unknown``: it also sweeps while nobody knows."""

    condition: Condition
    or_unknown: bool = False


class OnlyRules:
    """Which jobs wait for a condition, and for which.

    Args:
        store: where the contexts' values are.
        rules: of each job, by its name.
        tell: keeps a finding of a job.
        clock: the store's.
    """

    def __init__(
        self,
        store: ContextStore,
        rules: Mapping[str, Sequence[OnlyWhile]],
        *,
        tell: TellJob,
        clock: Clock,
    ) -> None:
        self._store = store
        self._rules = {job: tuple(given) for job, given in rules.items() if given}
        self._tell = tell
        self._clock = clock
        self._why: dict[str, tuple[str, float]] = {}
        """Why a job waits, and until when that was last seen."""
        self._unknown_s: dict[str, float] = {}
        """Since when a job waits for what nobody knows."""
        self._told: set[str] = set()
        self._log = structlog.get_logger()

    @property
    def jobs(self) -> tuple[str, ...]:
        return tuple(self._rules)

    def why(self, job: str) -> str | None:
        """Why it has to wait now; None where it may sweep, or has no rules."""
        now_s = self._clock.monotonic_s()
        known, unknown = self._found(job)
        if unknown is None:
            self._unknown_s.pop(job, None)
        else:
            self._unknown_s.setdefault(job, now_s)
        why = known or unknown
        if why is not None:
            self._why[job] = (why, now_s)
            return why
        before, until_s = self._why.get(job, ("", 0.0))
        if not before or now_s - until_s >= STEADY_S:
            self._why.pop(job, None)
            return None
        return before

    def _found(self, job: str) -> tuple[str | None, str | None]:
        """What is known to be otherwise than asked for, and what nobody knows."""
        known: list[str] = []
        unknown: list[str] = []
        for rule in self._rules.get(job, ()):
            value = self._store.value(rule.condition.context)
            if value is None:
                if not rule.or_unknown:
                    unknown.append(rule.condition.text)
            elif not rule.condition.holds(value):
                known.append(rule.condition.text)
        return (
            f"it sweeps only while {' and '.join(known)}" if known else None,
            f"it sweeps only while {' and '.join(unknown)}, which nobody knows"
            if unknown
            else None,
        )

    async def tell(self) -> None:
        """Say once of each job that it waits for what nobody knows, and once that this is over."""
        now_s = self._clock.monotonic_s()
        for job in self._rules:
            since_s = self._unknown_s.get(job)
            if since_s is None:
                if job in self._told and self.why(job) is None:
                    self._told.discard(job)
                    await self._tell("ready_again", "what this job waits for is known again", job)
            elif job not in self._told and now_s - since_s >= UNKNOWN_TOLD_S:
                self._told.add(job)
                why, _ = self._why[job]
                self._log.warning("job_waits_for_unknown", job=job, why=why)
                await self._tell(
                    "not_ready", f"this job does not sweep: {why}, for {now_s - since_s:.0f} s", job
                )
