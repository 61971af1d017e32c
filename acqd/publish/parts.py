"""What the models of messages are made of: types of their fields, and the ground of their parts."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from acqd.publish.topics import LEVEL_PATTERN

__all__ = [
    "Count",
    "Figure",
    "Fraction",
    "Level",
    "Number",
    "Part",
    "Text",
    "TimeText",
    "Unit",
    "VerdictWord",
]

Level = Annotated[str, Field(pattern=LEVEL_PATTERN)]
Fraction = Annotated[float, Field(ge=0.0, le=1.0)]
Count = Annotated[int, Field(ge=0)]
Number = Annotated[int, Field(ge=1)]
Text = Annotated[str, Field(max_length=2000)]
Unit = Literal["dBm", "dBµV", "dBFS", "digit", "1"]
TimeText = Annotated[
    str,
    Field(
        pattern=r"^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d{1,6})?Z$",
        json_schema_extra={"format": "date-time"},
    ),
]
Figure = float | int | str | bool | None
VerdictWord = Literal["pass", "fail", "cannot tell", "incomplete"]


class Part(BaseModel):
    """A piece of a message."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        allow_inf_nan=False,
        use_attribute_docstrings=True,
        defer_build=True,
    )
