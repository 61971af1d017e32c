"""A wall clock of the bench's own in the place of the machine's, and what it showed when.

The station asks :mod:`acqd.clock` for the time and nobody else; there a file answers, which is read
and replaced as a whole. (By libfaketime and its file a station now and then saw the time of before
a step for a moment more.) What the kernel says of its clock, the name of the boot and the time that
the host slept come from there as well; monotonic time is the machine's.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from math import ceil, floor
from pathlib import Path

from acqd.plan.sharing import SERVED_STANDS_S
from acqd.publish.messages import rfc3339
from faults_parts.bench import Job
from faults_parts.counting import Run, by_number
from faults_parts.kept import Kept

__all__ = ["ShownClock", "Stay", "accounts_as_shown", "newest_due"]

FIRST = """
import acqd.clock, json, pathlib, time

def _told():
    return json.loads(pathlib.Path({file!r}).read_text("utf-8"))

acqd.clock.SystemClock.wall_s = lambda self: time.time() + _told()["ahead_s"]
acqd.clock.SystemClock.boottime_s = lambda self: (
    time.clock_gettime(time.CLOCK_BOOTTIME) + _told()["slept_s"]
)
acqd.clock._kernel_clock_synchronised = lambda: _told()["synchronised"]
acqd.clock._boot_id = lambda: {boot!r}
"""

EDGE_S = 3.0
"""A station looks at its clock each second: what was due that near to a step may go by the time
before it or after it."""


@dataclass(slots=True, kw_only=True)
class Stay:
    """A stretch of what the clock showed, in each second of which all that was due has an account.

    It goes on over steps forwards, which are jumped over with a reason, and over small ones back,
    after which nothing is swept twice. Each edge lies somewhere between two times.
    """

    from_s: tuple[float, float]
    to_s: tuple[float, float] = (float("inf"), float("inf"))
    since_s: float = 0.0
    """Monotonic time from which it is surely shown."""
    highest_s: float = float("-inf")
    """The latest time that it showed before it was set back by little, and accounts reach to."""

    def surely(self, at_s: float) -> bool:
        return self.from_s[1] < at_s < self.to_s[0]

    def maybe(self, at_s: float) -> bool:
        return self.from_s[0] <= at_s <= self.to_s[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """From a true time on the clock was ahead by so much."""

    true_s: float
    ahead_s: float


@dataclass(slots=True)
class _Told:
    """What the station reads."""

    ahead_s: float = 0.0
    slept_s: float = 0.0
    synchronised: bool = True


class ShownClock:
    """The station's wall clock."""

    def __init__(self, folder: Path) -> None:
        self._file = folder / "clock.json"
        self.boots = 1
        self._told = _Told()
        began_s = time.time()
        self.stays = [Stay(from_s=(began_s, began_s))]
        self._pieces = [_Piece(true_s=began_s, ahead_s=0.0)]
        self._write()

    @property
    def ahead_s(self) -> float:
        return self._told.ahead_s

    @property
    def boot(self) -> str:
        return f"boot-{self.boots}"

    @property
    def first(self) -> str:
        """What a station does first."""
        return FIRST.format(file=str(self._file), boot=self.boot)

    def shows_s(self) -> float:
        return time.time() + self.ahead_s

    def say(self, *, synchronised: bool) -> None:
        """What the kernel says of the clock from now on."""
        self._told.synchronised = synchronised
        self._write()

    def step(self, by_s: float, until_noticed: Callable[[], object]) -> None:
        """Set it while the station runs."""
        before_s = self.shows_s()
        self._to(self.ahead_s + by_s)
        after_s = self.shows_s()
        try:
            until_noticed()
        finally:
            if by_s < -SERVED_STANDS_S:
                self._leave(before_s, after_s)
            elif by_s < 0.0:
                self.stays[-1].highest_s = max(self.stays[-1].highest_s, before_s)

    def sleep(self, for_s: float, until_noticed: Callable[[], object]) -> None:
        """As after a suspend: the wall clock and the time since the boot have gone on."""
        self._told.slept_s += for_s
        self._to(self.ahead_s + for_s)
        until_noticed()

    def cold_boot(self, shows_s: float, until_heard: Callable[[], object]) -> None:
        """The next boot shows an old date, and the kernel does not call it right; the station is
        down, and ``until_heard`` starts it."""
        self.boots += 1
        self._told.slept_s = 0.0
        self._told.synchronised = False
        true_s = self.shows_s()
        self._to(shows_s - time.time())
        began_s = self.shows_s()
        try:
            until_heard()
        finally:
            # What was due while it was down ends where it began, which is known when the clock is.
            heard_s = self.shows_s()
            self.stays[-1].to_s = (true_s, true_s + (heard_s - began_s))
            self._stay(began_s, heard_s)

    def set_right(self, until_noticed: Callable[[], object]) -> None:
        """After a cold boot."""
        before_s = self.shows_s()
        self._to(0.0)
        after_s = self.shows_s()
        try:
            until_noticed()
        finally:
            self._leave(before_s, after_s)

    def true_s(self, shown_s: float) -> float:
        """When it showed that; of a time that it jumped over, when it did."""
        jumped_s = None
        for piece, after in zip(self._pieces, [*self._pieces[1:], None], strict=True):
            first_s = piece.true_s + piece.ahead_s
            last_s = float("inf") if after is None else after.true_s + piece.ahead_s
            if first_s <= shown_s < last_s:
                return shown_s - piece.ahead_s
            if after is not None and last_s <= shown_s < after.true_s + after.ahead_s:
                jumped_s = jumped_s or after.true_s
        return jumped_s or shown_s

    def changes_s(self, true_s: Iterable[float]) -> list[float]:
        """What it showed at any of these times or when it was set, whichever setting was current:
        between two of these :meth:`true_s` goes on evenly and meets none of the times."""
        at_s = [*true_s, *(piece.true_s for piece in self._pieces)]
        ahead_s = {piece.ahead_s for piece in self._pieces}
        return sorted({one + by for one in at_s for by in ahead_s})

    def _leave(self, before_s: float, after_s: float) -> None:
        """It no longer goes by what it showed, and the station has noticed."""
        self.stays[-1].to_s = (before_s - EDGE_S, before_s + EDGE_S)
        self._stay(after_s - EDGE_S, self.shows_s() + EDGE_S)

    def _stay(self, earliest_s: float, latest_s: float) -> None:
        self.stays.append(Stay(from_s=(earliest_s, latest_s), since_s=time.monotonic()))

    def _to(self, ahead_s: float) -> None:
        self._told.ahead_s = round(ahead_s, 3)
        self._pieces.append(_Piece(true_s=time.time(), ahead_s=self._told.ahead_s))
        self._write()

    def _write(self) -> None:
        new = self._file.with_suffix(".new")
        new.write_text(json.dumps(asdict(self._told)), "utf-8")
        new.replace(self._file)


def accounts_as_shown(
    kept: Kept, job: Job, stays: Sequence[Stay], first: int, now_s: float
) -> list[str]:
    """Each due time has as many accounts as the clock showed it in different stays.

    Args:
        first: number of the first due time that the station was there for.
        now_s: what the clock shows.

    Of what is due after the newest sweep no more is said than that it is not there too often.
    """
    counted = by_number(kept, job)
    wrong, found = counted.wrong, counted.due
    began_s = (first - 0.5) * job.every_s
    bounds = [replace(stays[0], from_s=(began_s, began_s)), *stays[1:]]
    bounds[-1] = replace(bounds[-1], to_s=(now_s, max(now_s, stays[-1].highest_s)))
    last = newest_due(kept, job, bounds[-1]) - 1
    edges_s = [at_s for one in bounds for at_s in (*one.from_s, *one.to_s)]
    # Just before an edge, at it and just after it are one thing each.
    cuts = [n for s in edges_s for n in (ceil(s / job.every_s), floor(s / job.every_s) + 1)]
    bad: list[tuple[Run, int, int]] = []
    for run in found.runs([*cuts, last + 1]):
        at_s = run.first * job.every_s
        # The pass after the newest sweep may be there, whole or not.
        open_end = run.first > last and bounds[-1].maybe(at_s)
        least = sum(one.surely(at_s) for one in bounds) - open_end
        most = sum(one.maybe(at_s) for one in bounds)
        if not least * job.burst <= run.each <= most * job.burst:
            bad.append((run, least * job.burst, most * job.burst))
    if bad:
        run, least, most = bad[0]
        wrong.append(
            f"{job.name}: {sum(one.length for one, _, _ in bad)} due times are accounted for more "
            f"or less often than the clock showed them; from {rfc3339(run.first * job.every_s)} to "
            f"{rfc3339(run.last * job.every_s)} {run.each} times, not {least} to {most}"
        )
    return wrong


def newest_due(kept: Kept, job: Job, stay: Stay) -> int:
    """The number of what was due last and swept while it stayed so; where nothing was, of its
    beginning."""
    due_s = [
        one.due_s
        for one in kept.sweeps.values()
        if one.monotonic_s >= stay.since_s and stay.maybe(one.due_s)
    ]
    return round(max(due_s, default=stay.from_s[1]) / job.every_s)
