"""Due times without windows: every so often from the epoch, or by cron in a time zone.

A grid answers for a span [low, high) of microseconds: how many due times, the first, the last, all
of them. Spans may be infinite on the right for ``first`` only.

Cron on the nights on which the clock changes:

* Minute or hour starts with ``*`` ("each"), or the expression has seconds: a due time is whenever
  the wall clock matches. A doubled hour has them twice, a leapt hour has none: the rhythm goes on.
* Otherwise ("at"): a leapt wall time is due once, at the instant of the leap; a doubled one is due
  at its first coming only. So a daily pass stays daily.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from datetime import date, datetime
from functools import lru_cache
from typing import Protocol

from acqd.plan.walltime import DAY_S, EPOCH_ORDINAL, US, OffsetPiece, offset_pieces

__all__ = ["CronGrid", "EveryGrid", "Grid"]

CRON_HORIZON_S = 30 * 366 * DAY_S
"""A cron expression that has not come due in 30 years (29 February on a given weekday comes every
28) is taken to be never due."""


class Grid(Protocol):
    """Due times on the time line; microseconds."""

    def count(self, low_us: int, high_us: int) -> int: ...

    def first(self, low_us: int, high_us: int) -> int | None: ...

    def last(self, low_us: int, high_us: int) -> int | None: ...

    def between(self, low_us: int, high_us: int) -> Iterator[int]: ...


class EveryGrid:
    """Multiples of a step, counted from the epoch."""

    __slots__ = ("step_us",)

    def __init__(self, step_us: int) -> None:
        self.step_us = step_us

    def count(self, low_us: int, high_us: int) -> int:
        step_us = self.step_us
        return max(0, (high_us - 1) // step_us - (low_us - 1) // step_us)

    def first(self, low_us: int, high_us: int) -> int | None:
        due_us = -(-low_us // self.step_us) * self.step_us
        return due_us if due_us < high_us else None

    def last(self, low_us: int, high_us: int) -> int | None:
        due_us = (high_us - 1) // self.step_us * self.step_us
        return due_us if due_us >= low_us else None

    def between(self, low_us: int, high_us: int) -> Iterator[int]:
        return iter(range(-(-low_us // self.step_us) * self.step_us, high_us, self.step_us))


class CronGrid:
    """A cron expression of five fields, or six with seconds first, on the wall of a zone.

    The fields are read and days matched by cronsim; the clock's changes are ours (module).

    Raises:
        ValueError: the expression cannot be read; says which field.
    """

    __slots__ = ("_days", "_fixed", "_times_s", "_zone")

    def __init__(self, expression: str, zone: str) -> None:
        self._zone = zone
        self._days = _CronDays(expression)
        self._times_s = self._days.times_s
        minute, hour = expression.split()[-5:-3]
        self._fixed = len(expression.split()) == 5 and not (minute[0] == "*" or hour[0] == "*")

    def count(self, low_us: int, high_us: int) -> int:
        total = 0
        for _offset_s, from_s, to_s, extra_s in self._walls(low_us, high_us):
            total += (extra_s is not None) + self._count_wall(from_s, to_s)
        return total

    def first(self, low_us: int, high_us: int) -> int | None:
        horizon_us = min(high_us, low_us + CRON_HORIZON_S * US)
        for due_us in self.between(low_us, horizon_us):
            return due_us
        return None

    def last(self, low_us: int, high_us: int) -> int | None:
        for offset_s, from_s, to_s, extra_s in reversed(list(self._walls(low_us, high_us))):
            wall_s = self._last_wall(from_s, to_s)
            if wall_s is not None:
                return (wall_s - offset_s) * US
            if extra_s is not None:
                return extra_s * US
        return None

    def between(self, low_us: int, high_us: int) -> Iterator[int]:
        for offset_s, from_s, to_s, extra_s in self._walls(low_us, high_us):
            if extra_s is not None:
                yield extra_s * US
            for day in range(from_s // DAY_S, -(-to_s // DAY_S)):
                low, high = self._within(day, from_s, to_s)
                for at in range(low, high):
                    yield (day * DAY_S + self._times_s[at] - offset_s) * US

    def _walls(self, low_us: int, high_us: int) -> Iterator[tuple[int, int, int, int | None]]:
        """(offset, first wall second, end wall second, instant due for a leapt wall time)."""
        low_s, high_s = -(-low_us // US), -(-high_us // US)
        if high_s <= low_s:
            return
        for piece in offset_pieces(self._zone, low_s, high_s):
            from_s = max(piece.start_s, low_s) + piece.offset_s
            to_s = min(piece.end_s, high_s) + piece.offset_s
            extra_s = None
            if self._fixed and piece.before_s > piece.offset_s:
                from_s = max(from_s, piece.start_s + piece.before_s)
            if self._fixed and low_s <= piece.start_s and self._leapt(piece):
                extra_s = piece.start_s
            yield piece.offset_s, from_s, max(from_s, to_s), extra_s

    def _leapt(self, piece: OffsetPiece) -> bool:
        """Whether a due time was leapt over, and none falls on the instant of the leap itself."""
        before_s, after_s = piece.start_s + piece.before_s, piece.start_s + piece.offset_s
        if after_s <= before_s or self._count_wall(after_s, after_s + 1):
            return False
        return self._count_wall(before_s, after_s) > 0

    def _count_wall(self, from_s: int, to_s: int) -> int:
        total = 0
        for day in range(from_s // DAY_S, -(-to_s // DAY_S)):
            low, high = self._within(day, from_s, to_s)
            total += high - low
        return total

    def _last_wall(self, from_s: int, to_s: int) -> int | None:
        for day in range(-(-to_s // DAY_S) - 1, from_s // DAY_S - 1, -1):
            low, high = self._within(day, from_s, to_s)
            if high > low:
                return day * DAY_S + self._times_s[high - 1]
        return None

    def _within(self, day: int, from_s: int, to_s: int) -> tuple[int, int]:
        """Which of the times of a day lie in [from, to): positions in the day's times."""
        if not self._days.matches(day):
            return 0, 0
        start_s = day * DAY_S
        if start_s >= from_s and start_s + DAY_S <= to_s:
            return 0, len(self._times_s)
        low = bisect_left(self._times_s, from_s - start_s)
        return low, max(low, bisect_left(self._times_s, to_s - start_s))


class _CronDays:
    """The days and the times of day of a cron expression."""

    def __init__(self, expression: str) -> None:
        from cronsim import CronSim, CronSimError

        try:
            self._cron = CronSim(expression, datetime(2000, 1, 1))
        except CronSimError as exc:
            raise ValueError(
                f"cron expression {expression!r}: {str(exc).lower()}; expected five fields "
                "(minute hour day month weekday), or six with seconds first"
            ) from exc
        self.times_s = tuple(
            hour * 3600 + minute * 60 + second
            for hour in sorted(self._cron.hours)
            for minute in sorted(self._cron.minutes)
            for second in sorted(self._cron.seconds)
        )
        self.matches = lru_cache(maxsize=4096)(self._matches)

    def _matches(self, day: int) -> bool:
        at = date.fromordinal(EPOCH_ORDINAL + day)
        return at.month in self._cron.months and bool(self._cron.match_day(at))
