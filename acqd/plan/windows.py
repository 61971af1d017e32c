"""Windows: when a job may sweep at all, as open spans of time without overlap.

A window belongs to the local date on which it starts. ``21:00..06:00`` of 24 October starts on the
24th and ends on the 25th, and it starts at all only where the 24th lies in the job's first to last
day. Rules for wall times on the nights on which the clock changes: :mod:`acqd.plan.walltime`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache

from acqd.plan.twilight import dark_s, night_number
from acqd.plan.walltime import DAY_S, FOREVER_US, US, local_day, wall_us

__all__ = ["ClockWindow", "DuskToDawn", "Opening", "Window", "window_from_text"]

LONGEST_SHUT_DAYS = 400
"""Where nothing opens for this long nothing ever will: every date and every season was there."""
LOOK_BACK_DAYS = 2
"""A window that started this long ago may still be open: dusk to dawn across a date line."""

CLOCK = re.compile(r"([0-2]?\d):([0-5]\d)(?::([0-5]\d))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockWindow:
    """From one wall time to another, over midnight where the end is not after the start.

    Seconds of the day: ``start_s`` 0 to 86399, ``end_s`` 0 to 86400. The end does not belong to it.
    """

    start_s: int
    end_s: int

    def __post_init__(self) -> None:
        if not (0 <= self.start_s < DAY_S and 0 <= self.end_s <= DAY_S):
            raise ValueError(f"a window must lie in 00:00..24:00, got {self}")
        if self.start_s == self.end_s:
            raise ValueError(
                f"window {self} starts and ends at the same time; "
                "for the whole day leave the window out or write 00:00..24:00"
            )

    @classmethod
    def from_text(cls, text: str) -> ClockWindow:
        """A window as a config writes it: ``21:00..06:00``, seconds allowed.

        Raises:
            ValueError: the text is not a window; says what is accepted.
        """
        start, dots, end = text.strip().partition("..")
        if not dots:
            raise ValueError(f"a window is written 21:00..06:00 or dusk..dawn, got {text!r}")
        return cls(start_s=_clock_s(start), end_s=_clock_s(end))

    def __str__(self) -> str:
        return f"{_clock_text(self.start_s)} to {_clock_text(self.end_s)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class DuskToDawn:
    """From civil dusk to civil dawn at the station's position."""

    def __str__(self) -> str:
        return "dusk to dawn"


Window = ClockWindow | DuskToDawn


def window_from_text(text: str) -> Window:
    """A window from ``21:00..06:00`` or ``dusk..dawn``. Raises ValueError as from_text does."""
    if re.fullmatch(r"dusk\s*\.\.\s*dawn", text.strip().lower()):
        return DuskToDawn()
    return ClockWindow.from_text(text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """When something is open: windows, their zone and position, first and last local day."""

    windows: tuple[Window, ...]
    zone: str
    position: tuple[float, float] | None
    first_day: date | None
    last_day: date | None

    def spans(self, from_us: int) -> Iterator[tuple[int, int]]:
        """Open spans [start, end) in µs that end after ``from_us``, in order, without overlap.

        Spans may touch. The first may start before ``from_us``. Without windows it is one span,
        without dates as well it reaches from −FOREVER_US to FOREVER_US.
        """
        if not self.windows:
            yield from self._whole_days(from_us)
            return
        covered_us = -FOREVER_US
        for start_us, end_us in self._ordered(from_us):
            start_us = max(start_us, covered_us)
            covered_us = max(covered_us, end_us)
            if end_us > max(start_us, from_us):
                yield start_us, end_us

    def _whole_days(self, from_us: int) -> Iterator[tuple[int, int]]:
        start_us, end_us = -FOREVER_US, FOREVER_US
        if self.first_day is not None:
            start_us = wall_us(self.zone, self.first_day, 0)
        if self.last_day is not None:
            end_us = wall_us(self.zone, self.last_day, DAY_S)
        if end_us > max(start_us, from_us):
            yield start_us, end_us

    def _ordered(self, from_us: int) -> Iterator[tuple[int, int]]:
        """Spans in order of their start; they may overlap."""
        day = local_day(self.zone, from_us) - timedelta(days=LOOK_BACK_DAYS)
        if self.first_day is not None:
            day = max(day, self.first_day)
        waiting: list[tuple[int, int]] = []
        shut_days = 0
        while shut_days < LONGEST_SHUT_DAYS:
            if self.last_day is not None and day > self.last_day:
                break
            found = _spans_of_day(self.windows, self.zone, self.position, day)
            shut_days = 0 if found else shut_days + 1
            waiting = sorted([*waiting, *found])
            day += timedelta(days=1)
            # Windows of later days start no earlier than the next midnight on the wall.
            midnight_us = wall_us(self.zone, day, 0)
            while waiting and waiting[0][0] < midnight_us:
                yield waiting.pop(0)
        yield from waiting


@lru_cache(maxsize=8192)
def _spans_of_day(
    windows: tuple[Window, ...], zone: str, position: tuple[float, float] | None, day: date
) -> tuple[tuple[int, int], ...]:
    found = []
    for window in windows:
        if isinstance(window, ClockWindow):
            start_us = wall_us(zone, day, window.start_s)
            over = timedelta(days=1 if window.end_s <= window.start_s else 0)
            span = (start_us, wall_us(zone, day + over, window.end_s))
        else:
            assert position is not None, "Schedule refuses dusk to dawn without a position"
            night = night_number(position[1], wall_us(zone, day, DAY_S // 2) / US)
            dark = dark_s(*position, night)
            if dark is None:
                continue
            span = (dark[0] * US, dark[1] * US)
        if span[1] > span[0]:  # a window wholly inside a leap of the clock has no time in it
            found.append(span)
    return tuple(found)


def _clock_s(text: str) -> int:
    match = CLOCK.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"a time of day is written 21:00 or 21:00:30, got {text.strip()!r}")
    hour, minute, second = (int(part or 0) for part in match.groups())
    return hour * 3600 + minute * 60 + second


def _clock_text(second: int) -> str:
    text = f"{second // 3600:02d}:{second // 60 % 60:02d}"
    return text if second % 60 == 0 else f"{text}:{second % 60:02d}"
