"""``[job.NAME.soak]``: a job that runs for a stated time and ends with a verdict."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from acqd.config.quantity import DURATION, Quantity
from acqd.config.tables import Table

__all__ = ["SoakTable"]


class SoakTable(Table):
    """``[job.NAME.soak]``: how long, and what must hold."""

    length_s: Annotated[float, Quantity(dimension=DURATION, above="0 s", at_most="366 d")] = Field(
        alias="length"
    )
    label: str = Field(default="", max_length=100)
