"""Times of the clock as a scene file writes them: an hour of the day, or a date with an hour."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, time
from typing import Annotated

from pydantic import BeforeValidator, Field

from acqd.config.quantity import refusal

__all__ = ["Moment", "MomentText", "Moments"]

_CLOCK = re.compile(r"([01]\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?")
ACCEPTED = 'an hour of the day, such as "02:10", or a moment, such as "2026-06-14T22:52:10"'


@dataclass(frozen=True, slots=True)
class Moment:
    """Seconds after midnight of every day, or one date and time; exactly one of the two."""

    daily_s: float | None = None
    when: datetime | None = None


def _moment(given: object) -> Moment:
    if isinstance(given, Moment):
        return given
    if isinstance(given, datetime):
        return Moment(when=given)
    if isinstance(given, time):
        return Moment(daily_s=given.hour * 3600.0 + given.minute * 60.0 + given.second)
    text = given if isinstance(given, str) else ""
    found = _CLOCK.fullmatch(text)
    if found is not None:
        hour, minute, second = (int(part or 0) for part in found.groups())
        return Moment(daily_s=hour * 3600.0 + minute * 60.0 + second)
    try:
        if "T" not in text:
            raise ValueError(text)
        return Moment(when=datetime.fromisoformat(text))
    except ValueError as exc:
        raise refusal("not a time of the clock", accepted=ACCEPTED) from exc


def _moments(given: object) -> object:
    return given if isinstance(given, list | tuple) else (given,)


MomentText = Annotated[Moment, BeforeValidator(_moment)]
Moments = Annotated[tuple[MomentText, ...], BeforeValidator(_moments), Field(max_length=1000)]
"""One moment or several."""
