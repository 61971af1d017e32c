"""What the clocks of a run showed, and what a clock that becomes synchronised proves of the rest.

Each run keeps, with the plan that it goes by, a mark of its clocks at its start and whenever the
wall clock is set, the host has slept, or the clock becomes synchronised or ceases to be. Between
two marks the wall clock ran evenly beside monotonic time. So the marks of a boot, over all its
runs, say what its clock showed at each moment; and where it becomes synchronised at last they say
what it should have shown since the boot.

A stretch without a step proves nothing where the clock was synchronised in a part of it: it ran
free since and wandered off, nobody knows how. Nor does a step that a free-running clock could have
needed. And what comes before a stretch in which it said it was synchronised is that clock's own
affair.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from acqd.archive.timing import BY_STATION, TimeCorrection, TimePiece

__all__ = ["STEP_S", "ClockLog", "ClockMark", "marks_of_boot", "proven", "stretches"]

STEP_S = 0.5
"""A wall clock that moves by this much against monotonic time was stepped, not slewed."""

MARKS_MOST = 400
"""Marks kept of one run: a laptop that sleeps every hour has as many in two weeks. Beyond, the
oldest but the first go, and what lies between is known less well by the sleep in it."""

WANDERS = 500e-6
"""No clock that runs free is off by more of the time that it does: the most that the kernel lets a
time service trim it by (adjtimex(2), ADJ_FREQUENCY), and many times what quartz usually does."""

QUARTZ = 100e-6
"""What the oscillator of a cheap computer may be off by, of the time that it is counted on."""

SET_TO_S = 0.1
"""How well a clock that has just become synchronised is taken to be set."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockMark:
    """The clocks at a moment, and what had been committed by then.

    ``slept_s`` is for how long the host had slept since its boot. ``synchronised`` holds from here
    to the next mark. ``event`` is the ordinal of the last event that was committed.
    """

    monotonic_s: float
    wall_s: float
    slept_s: float
    synchronised: bool | None
    event: int

    @property
    def shows_s(self) -> float:
        """Wall time minus monotonic time."""
        return self.wall_s - self.monotonic_s

    def stepped_s(self, later: ClockMark) -> float:
        """How far the clock was set between this mark and a later one of the same boot."""
        return (later.shows_s - self.shows_s) - (later.slept_s - self.slept_s)

    def to_json(self) -> list[Any]:
        return [self.monotonic_s, self.wall_s, self.slept_s, self.synchronised, self.event]

    @classmethod
    def from_json(cls, data: Sequence[Any]) -> ClockMark:
        monotonic_s, wall_s, slept_s, synchronised, event = data
        return cls(
            monotonic_s=float(monotonic_s),
            wall_s=float(wall_s),
            slept_s=float(slept_s),
            synchronised=None if synchronised is None else bool(synchronised),
            event=int(event),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockLog:
    """The marks of one run, in order; at least one. ``first_seq`` is the next number of each job at
    its start."""

    boot: str
    marks: tuple[ClockMark, ...]
    first_seq: Mapping[str, int]

    def with_mark(self, mark: ClockMark) -> ClockLog:
        marks = (*self.marks, mark)
        if len(marks) > MARKS_MOST:
            marks = (marks[0], *marks[len(marks) - MARKS_MOST + 1 :])
        return replace(self, marks=marks)

    def to_json(self) -> dict[str, Any]:
        """Plain JSON data, kept with the plan; :meth:`from_json` reads it back."""
        return {
            "boot": self.boot,
            "marks": [mark.to_json() for mark in self.marks],
            "first_seq": dict(self.first_seq),
        }

    @classmethod
    def from_json(cls, data: Any) -> ClockLog | None:
        """None for what is no log; nothing hangs on it but what it could have said."""
        try:
            marks = tuple(ClockMark.from_json(one) for one in data["marks"])
            first = {str(job): int(seq) for job, seq in data["first_seq"].items()}
            return cls(boot=str(data["boot"]), marks=marks, first_seq=first) if marks else None
        except (AttributeError, KeyError, TypeError, ValueError):
            return None


def marks_of_boot(logs: Iterable[ClockLog], boot: str) -> tuple[ClockMark, ...]:
    """The marks of all runs of a boot, in order."""
    found = [mark for log in logs if log.boot == boot for mark in log.marks]
    return tuple(sorted(found, key=lambda mark: (mark.monotonic_s, mark.event)))


def stretches(marks: Sequence[ClockMark]) -> list[list[ClockMark]]:
    """Marks of a boot, parted where the clock was set; sleep parts none, nor does synchronism."""
    found: list[list[ClockMark]] = []
    for mark in marks:
        if found and abs(found[-1][-1].stepped_s(mark)) < STEP_S:
            found[-1].append(mark)
        else:
            found.append([mark])
    return found


def proven(boot: str, marks: Sequence[ClockMark]) -> TimeCorrection | None:
    """What the last of a boot's marks, where it says that the clock is synchronised, proves of the
    time before; None where that is nothing.

    Its number is 0: it has none yet.
    """
    now = marks[-1] if marks else None
    if now is None or now.synchronised is not True:
        return None
    parts = stretches(marks)
    # The last stretch is the one that the clock is right in.
    ends = parts[-1][0]
    free_s = 0.0
    pieces: list[TimePiece] = []
    for part in reversed(parts[:-1]):
        if any(mark.synchronised is not False for mark in part):
            free_s = ends.monotonic_s
            break
        pieces = [*_pieces(part, ends, now), *pieces]
        ends = part[0]
    could_wander_s = WANDERS * (now.monotonic_s - free_s) + STEP_S
    if not pieces or max(abs(piece.shift_s) for piece in pieces) <= could_wander_s:
        return None
    lasted_s = now.monotonic_s - ends.monotonic_s
    return TimeCorrection(
        number=0,
        boot=boot,
        pieces=tuple(pieces),
        uncertainty_s=round(SET_TO_S + QUARTZ * lasted_s, 3),
        how=BY_STATION,
        reason="",
        who="the station",
        at_s=now.wall_s,
    )


def _pieces(part: Sequence[ClockMark], ends: ClockMark, now: ClockMark) -> list[TimePiece]:
    """One stretch, parted where the host slept, against what the clock shows now."""
    found: list[TimePiece] = []
    for mark, after in zip(part, [*part[1:], ends], strict=True):
        offset_s = now.shows_s - (now.slept_s - mark.slept_s)
        last = found[-1] if found else None
        if last is not None and abs(last.offset_s - offset_s) < STEP_S:
            found[-1] = replace(last, to_monotonic_s=after.monotonic_s, last_event=after.event)
            continue
        found.append(
            TimePiece(
                from_monotonic_s=mark.monotonic_s,
                to_monotonic_s=after.monotonic_s,
                was_s=mark.shows_s,
                offset_s=offset_s,
                first_event=mark.event + 1,
                last_event=after.event,
            )
        )
    return [piece for piece in found if piece.to_monotonic_s != piece.from_monotonic_s]
