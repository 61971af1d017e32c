"""Nights as people name them: from noon to noon of a zone's clock.

The night of a date is the one that begins on its evening. ``last night`` is the one of yesterday,
also while it still goes on after midnight.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from acqd.look.times import clock, moment_of
from acqd.look.times import date as date_text

__all__ = ["LAST_NIGHT", "night_of", "span_text", "when_of"]

LAST_NIGHT = "last night"
TONIGHT = "tonight"
NOON = time(12, 0)


def night_of(text: str, zone: str, *, now_s: float) -> tuple[float, float]:
    """Begin and end of a night: ``last night``, ``tonight`` or a date, "2026-06-14".

    Raises:
        ValueError: it is none of these; the text says what was expected.
    """
    today = datetime.fromtimestamp(now_s, UTC).astimezone(ZoneInfo(zone)).date()
    if text == LAST_NIGHT:
        day = today - timedelta(days=1)
    elif text == TONIGHT:
        day = today
    else:
        try:
            day = date.fromisoformat(text)
        except ValueError:
            raise ValueError(
                f"{text!r} is no night; expected last night, tonight, or the date on which it "
                f"begins, such as 2026-06-14"
            ) from None
    return _noon_s(day, zone), _noon_s(day + timedelta(days=1), zone)


def when_of(text: str, zone: str, *, now_s: float) -> float:
    """A time as people write it, as :func:`~acqd.look.times.moment_of` reads it, and also ``last
    night 21:05``: that time of the clock in the night before this day.

    Raises:
        ValueError: it is none of these.
    """
    if not text.startswith(f"{LAST_NIGHT} "):
        return moment_of(text, zone, now_s=now_s)
    begin_s, end_s = night_of(LAST_NIGHT, zone, now_s=now_s)
    # The last such time before the noon that the night ends at.
    found = moment_of(text.removeprefix(LAST_NIGHT).strip(), zone, now_s=end_s - 1.0)
    if not begin_s <= found < end_s:
        raise ValueError(f"{text!r}: a time of the clock belongs behind it: last night 21:05")
    return found


def span_text(from_s: float | None, to_s: float | None, zone: str) -> str:
    """``14 June 2026, 21:05 to 23:40``; a bound that is missing in words."""

    def said(at_s: float, *, day: bool = True) -> str:
        time_text = clock(at_s, zone, seconds=at_s % 60.0 != 0.0)
        return f"{date_text(at_s, zone)}, {time_text}" if day else time_text

    if from_s is None and to_s is None:
        return "all of its sweeps"
    if from_s is None or to_s is None:
        return f"from {said(from_s)} on" if from_s is not None else f"up to {said(to_s or 0.0)}"
    same_day = date_text(from_s, zone) == date_text(to_s, zone)
    return f"{said(from_s)} to {said(to_s, day=not same_day)}"


def _noon_s(day: date, zone: str) -> float:
    return datetime.combine(day, NOON, ZoneInfo(zone)).timestamp()
