"""Sentences of a report that several of its parts use."""

from __future__ import annotations

import math

from acqd.look.times import duration

__all__ = [
    "DEAF_WORDS",
    "FLAG_WORDS",
    "NOT_LISTENED",
    "capital",
    "count_text",
    "gap_text",
    "joined_text",
    "level",
    "percent",
    "sentence",
]

FLAG_WORDS = {
    "deaf": "not listening",
    "not_finite": "levels missing",
    "hop_failed": "a part of the sweep failed",
    "repeated": "the same levels again, bit for bit: the sweeper may be frozen",
    "settings_differ": "the sweeper took other settings than asked for",
    "overload": "input overloaded",
    "clock_unsynchronised": "the station's clock not known to be synchronised",
    "clock_stepped": "the station's clock was put",
    "powered_on": "the sweeper had restarted",
    "meter_failed": "the measurement failed; levels are kept",
    "late": "started late",
    "transmitting": "own transmitter keyed",
    "set_aside": "set aside by the job's conditions",
}
"""What a flag of sweeps says, in the words of a watchkeeper."""

DEAF_WORDS = {
    "frozen": "deaf: the sweeper gave old sweeps",
    "floor": "deaf: the floor fell to what is left without the aerial",
    "witnesses": "deaf: nothing was heard of any witness",
}
"""What a job was deaf by, as its finding has it."""

NOT_LISTENED = frozenset({"deaf", "transmitting", "set_aside", "overload", "repeated"})
"""What keeps a sweep from counting as listened."""

REASONS = {
    "sweeper lost": "{sweeper} away {lasted}",
    "station down": "station down {lasted}",
    "paused": "paused {lasted}",
    "paused by command": "paused by command {lasted}",
    "disk full": "disk full, {lasted}",
    "host asleep": "computer asleep {lasted}",
    "clock stepped": "clock put, {lasted} left out",
    "sweep failed": "{count} failed within {lasted}",
    "overrun": "{count} left out: no time for them, {lasted}",
    "refused": "refused, {lasted}",
    "not ready": "not made ready, {lasted}",
}


def gap_text(reason: str, lasted_s: float, count: int, *, sweeper: str = "") -> str:
    """``mast away 20 min``; a reason that is not known stands as it is."""
    words = REASONS.get(reason, "{reason}, {lasted}")
    return words.format(
        sweeper=sweeper or "sweeper",
        lasted=duration(max(0.0, lasted_s)),
        count=count_text(count, "sweep"),
        reason=reason,
    )


def count_text(count: int, what: str) -> str:
    """``1 sweep``, ``28 800 sweeps``: thousands parted by a thin space."""
    return f"{count:,} {what}{'' if count == 1 else 's'}".replace(",", "\u2009")


def capital(text: str) -> str:
    """The text with a capital first; the rest stays as it is."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """The text with a capital first and one full stop last."""
    return f"{capital(text).rstrip('.')}."


def joined_text(parts: list[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def level(value: float, decimals: int = 1) -> str:
    """A number with a minus sign of typography; ``unknown`` for NaN."""
    if not math.isfinite(value):
        return "unknown"
    text = f"{value:.{decimals}f}"
    return (text.lstrip("-") if float(text) == 0.0 else text).replace("-", "−")


def percent(share: float, decimals: int = 1) -> str:
    """``96.2 %``; never 100 % of what is not whole, nor 0 % of what is not nothing."""
    if not math.isfinite(share):
        return "unknown"
    if share in (0.0, 1.0):
        return f"{100 * share:.0f} %"
    least = 10.0**-decimals
    return f"{min(max(100 * share, least), 100 - least):.{decimals}f} %"
