"""When one job is due: a rhythm, and the windows in which it holds.

A schedule is plain data and has no clock: every method is told the time, in seconds since
1970-01-01T00:00:00Z, and the same question always has the same answer. Due times lie on a grid that
does not depend on when the station was started, so a restart keeps the rhythm, and a late pass
delays no later one.

The grid is reckoned in whole microseconds. A job that sweeps back to back has no grid: it is due
whenever it is open.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any

from acqd.plan.grids import CronGrid, EveryGrid, Grid
from acqd.plan.walltime import US, ceil_us, check_zone, floor_us, seconds
from acqd.plan.windows import ClockWindow, DuskToDawn, Opening, Window, window_from_text

__all__ = [
    "EVERY_LEAST_S",
    "EVERY_MOST_S",
    "ClockWindow",
    "DueTail",
    "DuskToDawn",
    "Schedule",
    "Window",
    "window_from_text",
]

EVERY_LEAST_S = 0.001
"""No sweeper sweeps a thousand times a second; a shorter interval is a slip of the pen."""
EVERY_MOST_S = 366 * 86_400.0
BURST_MOST = 100_000
WINDOWS_MOST = 64
HORIZON_US = 3_000 * 86_400 * US
"""How far ahead a due time is looked for where windows shut most of them out: over 8 years, so that
29 February is found also around the year 2100."""
STAYS_OPEN_US = 400 * 86_400 * US
"""A window that does not close for this long is taken never to close."""


@dataclass(frozen=True, slots=True)
class DueTail:
    """The due times of a stretch of time, as far as accounting needs them. Microseconds."""

    count: int
    first_us: int
    before_last_us: int | None
    last_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """When a job is due. Exactly one of ``every_s``, ``cron`` and ``back_to_back``.

    Attributes:
        every_s: interval in seconds, 0.001 to 366 days, read to the microsecond; due times are its
            multiples since the epoch in UTC.
        cron: five fields (minute hour day month weekday), or six with seconds first, on the wall of
            ``zone``. See :mod:`acqd.plan.grids` for the nights on which the clock changes.
        back_to_back: due again as soon as it is done.
        windows: the job is open inside any of these; without windows always.
        zone: IANA name; for windows, dates and cron.
        position: (latitude, longitude) in degrees, north and east positive; for dusk to dawn.
        first_day: first local date; None for no limit. A window belongs to the date it starts on.
        last_day: last local date; a window that starts on it runs to its end after midnight.
        burst: sweeps that one due time asks for, back to back in one pass.

    Raises:
        ValueError: something is missing, contradicts, or is out of range.
    """

    every_s: float | None = None
    cron: str | None = None
    back_to_back: bool = False
    windows: tuple[Window, ...] = ()
    zone: str = "UTC"
    position: tuple[float, float] | None = None
    first_day: date | None = None
    last_day: date | None = None
    burst: int = 1

    def __post_init__(self) -> None:
        rhythms = (self.every_s is not None) + (self.cron is not None) + self.back_to_back
        if rhythms != 1:
            raise ValueError(
                f"a schedule has exactly one of every, cron and back to back, got {rhythms}"
            )
        if self.every_s is not None and not EVERY_LEAST_S <= self.every_s <= EVERY_MOST_S:
            raise ValueError(f"every must be 1 ms to 366 days, got {self.every_s} s")
        if not 1 <= self.burst <= BURST_MOST:
            raise ValueError(f"a burst has 1 to {BURST_MOST} sweeps, got {self.burst}")
        check_zone(self.zone)
        self._check_windows()
        if self.cron is not None:
            _grid(self.every_s, self.cron, self.zone)

    def _check_windows(self) -> None:
        if len(self.windows) > WINDOWS_MOST:
            raise ValueError(f"at most {WINDOWS_MOST} windows, got {len(self.windows)}")
        if self.position is not None:
            latitude_deg, longitude_deg = self.position
            if not (-90 <= latitude_deg <= 90 and -180 <= longitude_deg <= 180):
                raise ValueError(
                    f"position must be latitude −90 to 90 and longitude −180 to 180 degrees, "
                    f"got {self.position}"
                )
        elif any(isinstance(window, DuskToDawn) for window in self.windows):
            raise ValueError("dusk to dawn needs the station's position (latitude, longitude)")
        if self.first_day and self.last_day and self.last_day < self.first_day:
            raise ValueError(f"last day {self.last_day} comes before first day {self.first_day}")

    # -- due times ------------------------------------------------------------------------------

    def next_due(self, after_s: float) -> float | None:
        """The first due time strictly after ``after_s``; None where there is none.

        Looked for 3000 days ahead where windows shut due times out, 30 years for cron alone. Back
        to back, it is the first open moment after ``after_s``.
        """
        due_us = self.next_due_us(floor_us(after_s))
        return None if due_us is None else seconds(due_us)

    def due_between(self, from_s: float, to_s: float) -> Iterator[float]:
        """Due times in [from, to). Raises ValueError for back to back, which has none."""
        grid = self._on_grid()
        low_us, high_us = ceil_us(from_s), ceil_us(to_s)
        for start_us, end_us in self._spans(low_us, high_us):
            for due_us in grid.between(start_us, end_us):
                yield seconds(due_us)

    def count_between(self, from_s: float, to_s: float) -> int:
        """How many due times lie in [from, to), by arithmetic. ValueError for back to back."""
        grid = self._on_grid()
        low_us, high_us = ceil_us(from_s), ceil_us(to_s)
        return sum(grid.count(start, end) for start, end in self._spans(low_us, high_us))

    # -- open and shut --------------------------------------------------------------------------

    def is_open(self, at_s: float) -> bool:
        """Whether ``at_s`` lies in a window and between the first and the last day."""
        return self.span_at_us(floor_us(at_s)) is not None

    def next_open(self, at_s: float) -> float | None:
        """``at_s`` itself where it is open, else when it next opens; None where it never does."""
        at_us = floor_us(at_s)
        for start_us, _ in self.opening.spans(at_us):
            return at_s if start_us <= at_us else seconds(start_us)
        return None

    def open_until(self, at_s: float) -> float | None:
        """When what is open at ``at_s`` closes; None where it is shut or stays open over a year."""
        at_us = floor_us(at_s)
        if self.span_at_us(at_us) is None:
            return None
        closes_us = self.closes_us(at_us, at_us + STAYS_OPEN_US)
        return None if closes_us is None else seconds(closes_us)

    def open_between_s(self, from_s: float, to_s: float) -> float:
        """Seconds of [from, to) in which the schedule is open."""
        return seconds(self.open_us(ceil_us(from_s), ceil_us(to_s)))

    # -- text -----------------------------------------------------------------------------------

    def describe(self) -> str:
        """The schedule in plain words: ``every 2 s, 21:00 to 06:00``."""
        parts = [self._rhythm_text()]
        if self.burst > 1:
            parts.append(f"{self.burst} sweeps each time")
        if self.windows:
            parts.append(" and ".join(str(window) for window in self.windows))
        if self.first_day is not None and self.first_day == self.last_day:
            parts.append(f"on {self.first_day}")
        elif self.first_day is not None and self.last_day is not None:
            parts.append(f"{self.first_day} to {self.last_day}")
        elif self.first_day is not None:
            parts.append(f"from {self.first_day}")
        elif self.last_day is not None:
            parts.append(f"until {self.last_day}")
        return ", ".join(parts)

    def _rhythm_text(self) -> str:
        if self.every_s is not None:
            return f"every {_duration_text(self.every_s)}"
        return "back to back" if self.back_to_back else f"cron {self.cron}"

    def to_json(self) -> dict[str, Any]:
        """The schedule as plain JSON data; :meth:`from_json` gives an equal one."""
        return {
            "every_s": self.every_s,
            "cron": self.cron,
            "back_to_back": self.back_to_back,
            "windows": [
                [window.start_s, window.end_s] if isinstance(window, ClockWindow) else "dusk..dawn"
                for window in self.windows
            ],
            "zone": self.zone,
            "position": None if self.position is None else list(self.position),
            "first_day": None if self.first_day is None else self.first_day.isoformat(),
            "last_day": None if self.last_day is None else self.last_day.isoformat(),
            "burst": self.burst,
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Schedule:
        """The schedule that :meth:`to_json` made ``data`` from. Raises ValueError."""
        try:
            position = data["position"]
            return cls(
                every_s=data["every_s"],
                cron=data["cron"],
                back_to_back=data["back_to_back"],
                windows=tuple(
                    DuskToDawn()
                    if window == "dusk..dawn"
                    else ClockWindow(start_s=window[0], end_s=window[1])
                    for window in data["windows"]
                ),
                zone=data["zone"],
                position=None if position is None else (position[0], position[1]),
                first_day=_day(data["first_day"]),
                last_day=_day(data["last_day"]),
                burst=data["burst"],
            )
        except (KeyError, TypeError, IndexError) as exc:
            raise ValueError(f"not a schedule of this version: {exc!r}") from exc

    # -- in microseconds, for the rest of the plan -------------------------------------------------

    @property
    def opening(self) -> Opening:
        return Opening(
            windows=self.windows,
            zone=self.zone,
            position=self.position,
            first_day=self.first_day,
            last_day=self.last_day,
        )

    @property
    def step_us(self) -> int | None:
        """The interval of ``every_s``, None for the others."""
        return None if self.every_s is None else round(self.every_s * US)

    def next_due_us(self, after_us: int) -> int | None:
        """The first due time strictly after ``after_us``."""
        grid = _grid(self.every_s, self.cron, self.zone)
        for start_us, end_us in self.opening.spans(after_us + 1):
            low_us = max(start_us, after_us + 1)
            due_us = low_us if grid is None else grid.first(low_us, end_us)
            if due_us is not None or start_us > after_us + HORIZON_US:
                return due_us
        return None

    def tail_us(self, after_us: int, until_us: int) -> DueTail | None:
        """Count, first and last two of the due times in (after, until]; None where there is none.

        Only for schedules with a grid.
        """
        grid = self._on_grid()
        count, first_us, before_us, last_us = 0, None, None, None
        for start_us, end_us in self._spans(after_us + 1, until_us + 1):
            found = grid.count(start_us, end_us)
            if found == 0:
                continue
            count += found
            first_us = grid.first(start_us, end_us) if first_us is None else first_us
            before_us, last_us = last_us, grid.last(start_us, end_us)
            if found > 1 and last_us is not None:
                before_us = grid.last(start_us, last_us)
        if first_us is None or last_us is None:
            return None
        return DueTail(count, first_us, before_us, last_us)

    def span_at_us(self, at_us: int) -> tuple[int, int] | None:
        """The open span that holds ``at_us``; others may touch it."""
        for span in self.opening.spans(at_us):
            return span if span[0] <= at_us else None
        return None

    def closes_us(self, at_us: int, limit_us: int) -> int | None:
        """When what is open at ``at_us`` closes, None where it is still open at ``limit_us``."""
        open_to_us = at_us
        for start_us, end_us in self.opening.spans(at_us):
            if start_us > open_to_us:
                break
            open_to_us = end_us
            if open_to_us > limit_us:
                return None
        return open_to_us

    def open_us(self, low_us: int, high_us: int) -> int:
        """Open time in [low, high)."""
        return sum(end_us - start_us for start_us, end_us in self._spans(low_us, high_us))

    def _spans(self, low_us: int, high_us: int) -> Iterator[tuple[int, int]]:
        """Open spans cut to [low, high)."""
        for start_us, end_us in self.opening.spans(low_us):
            if start_us >= high_us:
                return
            yield max(start_us, low_us), min(end_us, high_us)

    def _on_grid(self) -> Grid:
        grid = _grid(self.every_s, self.cron, self.zone)
        if grid is None:
            raise ValueError("back to back has no due times of its own; ask for the open time")
        return grid


@lru_cache(maxsize=256)
def _grid(every_s: float | None, cron: str | None, zone: str) -> Grid | None:
    if every_s is not None:
        return EveryGrid(round(every_s * US))
    return None if cron is None else CronGrid(cron, zone)


def _duration_text(duration_s: float) -> str:
    for size_s, unit in ((86_400.0, "d"), (3_600.0, "h"), (60.0, "min"), (1.0, "s")):
        if duration_s >= size_s and duration_s % size_s == 0:
            return f"{duration_s / size_s:g} {unit}"
    if duration_s < 1:
        return f"{duration_s * 1000:g} ms"
    return f"{duration_s:g} s"


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)
