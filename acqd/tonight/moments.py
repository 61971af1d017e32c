"""Until when: ``07:00`` on the local clock, ``8 h``, or a moment with its date."""

from __future__ import annotations

import math
import os
import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

from acqd.config.quantity import DURATION, parse_quantity
from acqd.errors import WrongUsage
from acqd.plan.walltime import US, wall_us

__all__ = ["is_duration", "local_zone", "next_end_s", "window_text"]

LONGEST_S = 31 * 86_400.0
HOUR_S = 3600.0
DAY_S = 86_400.0
_CLOCK = re.compile(r"([01]?\d|2[0-4]):([0-5]\d)(?::([0-5]\d))?")


def local_zone(*, localtime: Path = Path("/etc/localtime")) -> str | None:
    """The IANA name of this machine's time zone, as far as the system says it; None where not."""
    named = os.environ.get("TZ", "").removeprefix(":")
    for name in (named, _linked(localtime), _in_file(Path("/etc/timezone"))):
        if name in ("Etc/UTC", "Etc/UCT", "Universal", "Zulu"):
            return "UTC"
        if name and name in available_timezones():
            return name
    return None


def _linked(path: Path) -> str:
    """Of a link such as ``/usr/share/zoneinfo/Europe/London`` what is behind ``zoneinfo``."""
    try:
        target = os.path.realpath(path)
    except OSError:
        return ""
    return target.partition("/zoneinfo/")[2]


def _in_file(path: Path) -> str:
    try:
        return path.read_text("utf-8")[:100].strip()
    except (OSError, UnicodeDecodeError):
        return ""


def next_end_s(text: str, *, zone: str, now_s: float) -> float:
    """Seconds since 1970 of the end that ``text`` means, after ``now_s``.

    ``07:00`` is the next one on the clock of ``zone``. A time that the clock leaps over is the
    moment of the leap; of one that comes twice it is the next to come. ``8 h`` and ``90 min`` count
    from now. Else ISO 8601; without a zone of its own it is in ``zone``.

    Raises:
        WrongUsage: it is none of these, has passed, or is more than 31 days away.
    """
    plain = text.strip()
    match = _CLOCK.fullmatch(plain)
    if match is not None:
        second = sum(
            int(part or 0) * unit for part, unit in zip(match.groups(), (3600, 60, 1), strict=True)
        )
        if second <= DAY_S:
            return _next_on_clock(second, zone, now_s)
    found = _in_words(plain, zone, now_s)
    if found is None:
        raise WrongUsage(
            f"--until {text!r}: no time; expected the clock's, 07:00 (the next one, {zone}), how "
            'long, "8 h" or 90min, or ISO 8601 such as 2026-06-15T07:00'
        )
    if not now_s < found <= now_s + LONGEST_S:
        why = "has passed" if found <= now_s else "is more than 31 days away"
        raise WrongUsage(f"--until {text!r} {why}; give a time to come, such as 07:00")
    return found


def is_duration(text: str) -> bool:
    """Whether an end is said as how long from now, ``8 h``."""
    try:
        parse_quantity(text.strip(), DURATION)
    except ValueError:
        return False
    return True


def _in_words(text: str, zone: str, now_s: float) -> float | None:
    try:
        return math.ceil(now_s + parse_quantity(text, DURATION))
    except ValueError:
        pass
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    if ":" not in text:
        return None  # a bare date says no time
    return (moment if moment.tzinfo else moment.replace(tzinfo=ZoneInfo(zone))).timestamp()


def _next_on_clock(second: int, zone: str, now_s: float) -> float:
    today = _local(now_s, zone).date()
    found = [
        at_s
        for days in range(-1, 3)
        for at_s in _times_on(second, today + timedelta(days=days), zone)
    ]
    return min(at_s for at_s in found if at_s > now_s)


def _times_on(second: int, day: date, zone: str) -> list[float]:
    """When the clock shows a second of a day: once, twice, or the moment at which it leaps over."""
    first_s = wall_us(zone, day, second) / US
    wall = datetime(day.year, day.month, day.day) + timedelta(seconds=second)
    again = wall.replace(tzinfo=ZoneInfo(zone), fold=1)
    shown = datetime.fromtimestamp(again.timestamp(), UTC).astimezone(ZoneInfo(zone))
    return sorted({first_s, again.timestamp()} if shown.replace(tzinfo=None) == wall else {first_s})


def _local(at_s: float, zone: str) -> datetime:
    return datetime.fromtimestamp(at_s, UTC).astimezone(ZoneInfo(zone))


def window_text(now_s: float, end_s: float, zone: str) -> str | None:
    """The window of a config that is open from now to ``end_s`` and again each night.

    It begins with the hour that it is now, so that a later evening may begin a little earlier.
    None where it would be open all day.
    """
    end = _local(end_s, zone)
    hour, minute = (
        datetime.fromtimestamp(math.floor(now_s / step) * step, UTC).astimezone(ZoneInfo(zone))
        for step in (HOUR_S, 60.0)
    )
    # Zones that are off by half hours have round hours of their own.
    hour = min(_local(now_s, zone).replace(minute=0, second=0, microsecond=0, fold=hour.fold), hour)
    for begin in (hour, minute):
        if 0.0 < end_s - begin.timestamp() < DAY_S - HOUR_S and _text(begin) != _text(end):
            return f"{_text(begin)}..{_text(end)}"
    return None


def _text(at: datetime) -> str:
    return f"{at:%H:%M}" if at.second == 0 else f"{at:%H:%M:%S}"
