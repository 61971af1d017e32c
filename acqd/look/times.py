"""Times as people read them: a zone's clock in 24 hours, and where the marks of an axis go.

Times are seconds since 1970-01-01T00:00:00Z, zones IANA names. Marks lie on the zone's own round
times, also across a change to or from summer time.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from math import ceil, floor
from zoneinfo import ZoneInfo

__all__ = [
    "TimeMark",
    "clock",
    "date",
    "duration",
    "moment_of",
    "range_text",
    "time_marks",
    "zone_text",
]

CLOCK = re.compile(r"\d\d?:\d\d(:\d\d)?")

STEPS_S = (
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeMark:
    """One mark of a time axis. ``is_day`` where a day begins: the text is then its date."""

    at_s: float
    text: str
    is_day: bool


def _local(at_s: float, zone: str) -> datetime:
    return datetime.fromtimestamp(at_s, UTC).astimezone(ZoneInfo(zone))


def clock(at_s: float, zone: str, *, seconds: bool = False) -> str:
    """``02:10``, or ``02:10:07``; cut off, as clocks do."""
    return _local(at_s, zone).strftime("%H:%M:%S" if seconds else "%H:%M")


def date(at_s: float, zone: str) -> str:
    """``14 March 2026``."""
    local = _local(at_s, zone)
    return f"{local.day} {local:%B %Y}"


def zone_text(at_s: float, zone: str) -> str:
    """``BST, UTC+1``: what the clock of a zone is called then, and how it stands to UTC."""
    local = _local(at_s, zone)
    offset = local.utcoffset() or timedelta()
    minutes = round(offset.total_seconds() / 60)
    hours, rest = divmod(abs(minutes), 60)
    text = "UTC"
    if minutes:
        text += f"{'+' if minutes > 0 else '−'}{hours}" + (f":{rest:02d}" if rest else "")
    name = local.tzname() or ""
    return f"{name}, {text}" if name.isalpha() and name != "UTC" else text


def range_text(start_s: float, stop_s: float, zone: str) -> str:
    """``14 March 2026, 21:00 to 15 March 2026, 06:00 (GMT, UTC)``, as short as it can be said.

    Where the zone's clock changes in between both are named.
    """
    begin, end = _local(start_s, zone), _local(stop_s, zone)
    first = f"{begin.day} {begin:%B}" + (f" {begin.year}" if begin.year != end.year else "")
    seconds = (stop_s - start_s) < 600
    times = clock(start_s, zone, seconds=seconds), clock(stop_s, zone, seconds=seconds)
    zones = list(dict.fromkeys([zone_text(start_s, zone), zone_text(stop_s, zone)]))
    said = " then ".join(zones)
    if begin.date() == end.date():
        return f"{end.day} {end:%B %Y}, {times[0]} to {times[1]} ({said})"
    return f"{first}, {times[0]} to {end.day} {end:%B %Y}, {times[1]} ({said})"


def duration(seconds: float) -> str:
    """``1 h 20 min``, ``4 min 10 s``, ``2.5 s``: the two largest units that say something."""
    if seconds < 10 and seconds != round(seconds):
        return f"{seconds:.1f} s"
    whole = round(seconds)
    parts = [
        (whole // 86400, "d"),
        (whole // 3600 % 24, "h"),
        (whole // 60 % 60, "min"),
        (whole % 60, "s"),
    ]
    first = next((at for at, (count, _) in enumerate(parts) if count), 3)
    said = [f"{count} {unit}" for count, unit in parts[first : first + 2] if count]
    return " ".join(said) or "0 s"


def time_marks(start_s: float, stop_s: float, zone: str, *, most: int = 10) -> list[TimeMark]:
    """At most about ``most`` marks on round local times in [start_s, stop_s]."""
    span_s = max(stop_s - start_s, 1e-9)
    days = 1
    step_s = next((step for step in STEPS_S if span_s / step <= most), None)
    if step_s is None:
        days = ceil(span_s / 86400.0 / most)
        step_s = 86400
    found: dict[float, TimeMark] = {}
    at = _local(start_s, zone)
    # Counted on the zone's own clock from each midnight, so that marks stay round over a change; an
    # hour that the clock shows twice (fold) has its marks twice.
    day = at.replace(hour=0, minute=0, second=0, microsecond=0, fold=0)
    while day.timestamp() <= stop_s:
        for second in _seconds_near(day, start_s, stop_s, step_s):
            for fold in (0, 1):
                wall = (day + timedelta(seconds=second)).replace(fold=fold)
                at_s = wall.timestamp()
                if floor(start_s * 1000) / 1000 <= at_s <= stop_s and _shows(at_s, wall):
                    found[at_s] = _mark(at_s, wall, zone, step_s)
        day += timedelta(days=days)
    return [found[at_s] for at_s in sorted(found)]


def _seconds_near(day: datetime, start_s: float, stop_s: float, step_s: int) -> range:
    """Seconds of the day's clock that may lie in the range: all of a day in which it is changed."""
    if day.utcoffset() != (day + timedelta(days=1)).utcoffset():
        return range(0, 86400, step_s)
    first, last = start_s - day.timestamp(), stop_s - day.timestamp()
    return range(max(0, floor(first / step_s) * step_s), min(86400, floor(last) + 1), step_s)


def _shows(at_s: float, wall: datetime) -> bool:
    """Whether the clock shows this time then: one that it leaves out it never shows."""
    return datetime.fromtimestamp(at_s, wall.tzinfo).replace(tzinfo=None) == wall.replace(
        tzinfo=None
    )


def _mark(at_s: float, wall: datetime, zone: str, step_s: int) -> TimeMark:
    is_day = wall.hour == wall.minute == wall.second == 0
    text = clock(at_s, zone, seconds=step_s < 60)
    if is_day and step_s == 86400:
        text = f"{wall.day} {wall:%b}"
    return TimeMark(at_s=at_s, text=text, is_day=is_day)


def moment_of(text: str, zone: str, *, now_s: float) -> float:
    """Seconds since 1970 of a time as people write it.

    ``21:05`` and ``21:05:30`` are the last such time of the zone's clock that is not after
    ``now_s``; of one that the clock shows twice it is the first. ``now`` is ``now_s``. Else ISO
    8601; without a zone of its own it is in ``zone``.

    Raises:
        ValueError: it is none of these; the text says what was expected.
    """
    if text == "now":
        return now_s
    try:
        wanted = time.fromisoformat(text.zfill(5)) if CLOCK.fullmatch(text) else None
        if wanted is not None:
            return _last_time(wanted, zone, now_s)
        found = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(
            f"{text!r} is no time; expected 21:05 (the last one, {zone}), now, or ISO 8601 such as "
            f"2026-06-01T21:05Z"
        ) from None
    if found.tzinfo is None:
        found = found.replace(tzinfo=ZoneInfo(zone))
    return found.timestamp()


def _last_time(wanted: time, zone: str, now_s: float) -> float:
    today = _local(now_s, zone).date()
    for days in range(3):
        at = datetime.combine(today - timedelta(days=days), wanted, ZoneInfo(zone))
        if at.timestamp() <= now_s and _local(at.timestamp(), zone).time() == wanted:
            return at.timestamp()
    return datetime.combine(today - timedelta(days=1), wanted, ZoneInfo(zone)).timestamp()
