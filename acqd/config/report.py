"""``[job.NAME.report]``: a job that has a report made of each of its nights."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import BeforeValidator, Field

from acqd.config.quantity import refusal
from acqd.config.tables import Count, Table

__all__ = ["ReportTable", "ReportWish"]

_HOUR = re.compile(r"([01]\d|2[0-3]):([0-5]\d)")


def _hour(given: object) -> str:
    if not isinstance(given, str) or _HOUR.fullmatch(given) is None:
        accepted = 'an hour of the day on the station\'s clock, such as "07:00"'
        raise refusal("not an hour of the day", accepted=accepted)
    return given


class ReportTable(Table):
    """``report = true`` is this with nothing in it.

    A report is made after each window's end; of a job without windows, or that is open all day,
    each day at ``at``; of a soak at its end.
    """

    at: Annotated[str, BeforeValidator(_hour)] = "07:00"
    keep: Annotated[Count, Field(ge=1, le=10_000)] = 60

    @property
    def at_s(self) -> int:
        """``at`` as seconds after midnight."""
        hour, minute = self.at.split(":")
        return int(hour) * 3600 + int(minute) * 60


def _wish(given: object) -> object:
    if given is True:
        return {}
    if given is False or given is None:
        return None
    if not isinstance(given, dict | ReportTable):
        accepted = 'true, or a table such as { at = "07:00", keep = 60 }'
        raise refusal("neither a switch nor a table", accepted=accepted)
    return given


ReportWish = Annotated[ReportTable | None, BeforeValidator(_wish)]
