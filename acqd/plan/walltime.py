"""Seconds, microseconds and what the clock on the wall says in a time zone.

The plan reckons in whole microseconds since 1970-01-01T00:00:00Z, as integers, so that nothing
drifts; seconds as floats come in and go out at its edge only. A float of seconds tells
microseconds apart until the year 2242.

Where a wall time is needed as an instant:

* a wall time that the clock leaps over (the spring night) means the instant of the leap;
* a wall time that comes twice (the autumn night) means its first coming.

Both rules are the same for the start and the end of a window, so windows that touch on the wall
touch in time, also on those nights.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

__all__ = [
    "DAY_S",
    "EPOCH_ORDINAL",
    "FOREVER_US",
    "US",
    "OffsetPiece",
    "ceil_us",
    "check_zone",
    "floor_us",
    "local_day",
    "offset_pieces",
    "seconds",
    "wall_us",
]

US = 1_000_000
"""Microseconds in a second."""
DAY_S = 86_400
FOREVER_US = 2**62
"""Later than any time that is planned; its negative is earlier than any."""

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
EPOCH_ORDINAL = date(1970, 1, 1).toordinal()
PROBE_S = 7 * DAY_S
"""Zones change their offset less often than weekly, so a weekly look misses no change."""


def floor_us(time_s: float) -> int:
    """The last microsecond that is not after ``time_s``."""
    micros = round(time_s * 1e6)
    while micros / US > time_s:
        micros -= 1
    while (micros + 1) / US <= time_s:
        micros += 1
    return micros


def ceil_us(time_s: float) -> int:
    """The first microsecond that is not before ``time_s``."""
    micros = floor_us(time_s)
    return micros if micros / US == time_s else micros + 1


def seconds(micros: int) -> float:
    """Seconds of whole microseconds; :func:`floor_us` and :func:`ceil_us` turn it back exactly."""
    return micros / US


def check_zone(zone: str) -> None:
    """Raise ValueError where ``zone`` is not the name of an IANA time zone."""
    try:
        ZoneInfo(zone)
    except (LookupError, ValueError, OSError) as exc:
        raise ValueError(
            f"time zone {zone!r} is not known; expected an IANA name such as Europe/London"
        ) from exc


def local_day(zone: str, time_us: int) -> date:
    """The date on the wall in ``zone`` at an instant."""
    return (EPOCH + timedelta(microseconds=time_us)).astimezone(ZoneInfo(zone)).date()


def wall_us(zone: str, day: date, second: int) -> int:
    """The instant at which the wall clock shows ``second`` of ``day``, in microseconds.

    ``second`` counts from midnight on the wall, 0 to 86400. See the module for leapt and doubled
    wall times.
    """
    wall = datetime(day.year, day.month, day.day) + timedelta(seconds=second)
    first = wall.replace(tzinfo=ZoneInfo(zone))
    utc_s = _utc_s(first)
    if _offset_s(zone, utc_s) == _utcoffset_s(first):
        return utc_s * US
    # Leapt over: with fold 0 the offset is the one before the leap, with fold 1 the one after.
    early_s = _utc_s(first.replace(fold=1))
    return _change_s(zone, min(early_s, utc_s), max(early_s, utc_s)) * US


@dataclass(frozen=True, slots=True)
class OffsetPiece:
    """A span of time in which the zone's offset from UTC stays the same; whole seconds."""

    start_s: int
    end_s: int
    offset_s: int
    before_s: int
    """The offset just before ``start_s``; another one where the clock changes there."""


def offset_pieces(zone: str, from_s: int, to_s: int) -> Iterator[OffsetPiece]:
    """The pieces that make up the time from ``from_s`` to ``to_s``; they may reach beyond it."""
    year = (EPOCH + timedelta(seconds=from_s)).year
    while True:
        for piece in _pieces_of_year(zone, year):
            if piece.start_s >= to_s:
                return
            if piece.end_s > from_s:
                yield piece
        year += 1


@lru_cache(maxsize=512)
def _pieces_of_year(zone: str, year: int) -> tuple[OffsetPiece, ...]:
    start_s, end_s = _year_start_s(year), _year_start_s(year + 1)
    pieces = []
    at_s, offset_s, before_s = start_s, _offset_s(zone, start_s), _offset_s(zone, start_s - 1)
    probe_s = start_s
    while probe_s < end_s:
        next_s = min(probe_s + PROBE_S, end_s)
        if next_s < end_s and _offset_s(zone, next_s) == offset_s:
            probe_s = next_s
            continue
        if _offset_s(zone, next_s - 1) == offset_s:
            probe_s = next_s
            if next_s < end_s:
                pieces.append(OffsetPiece(at_s, next_s, offset_s, before_s))
                at_s, before_s, offset_s = next_s, offset_s, _offset_s(zone, next_s)
            continue
        change_s = _change_s(zone, probe_s, next_s - 1)
        pieces.append(OffsetPiece(at_s, change_s, offset_s, before_s))
        at_s, before_s, offset_s = change_s, offset_s, _offset_s(zone, change_s)
        probe_s = change_s
    pieces.append(OffsetPiece(at_s, end_s, offset_s, before_s))
    return tuple(pieces)


def _change_s(zone: str, low_s: int, high_s: int) -> int:
    """The second in (low, high] at which the offset becomes another than at ``low_s``."""
    offset_s = _offset_s(zone, low_s)
    while high_s - low_s > 1:
        middle_s = (low_s + high_s) // 2
        if _offset_s(zone, middle_s) == offset_s:
            low_s = middle_s
        else:
            high_s = middle_s
    return high_s


def _year_start_s(year: int) -> int:
    return (date(year, 1, 1).toordinal() - EPOCH_ORDINAL) * DAY_S


def _utc_s(aware: datetime) -> int:
    return (aware - EPOCH) // timedelta(seconds=1)


def _offset_s(zone: str, utc_s: int) -> int:
    return _utcoffset_s((EPOCH + timedelta(seconds=utc_s)).astimezone(ZoneInfo(zone)))


def _utcoffset_s(aware: datetime) -> int:
    offset = aware.utcoffset()
    return 0 if offset is None else offset // timedelta(seconds=1)
