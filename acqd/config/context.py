"""``[context.NAME]``: a number from elsewhere that is kept beside the sweeps."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, ClassVar

from pydantic import AfterValidator, BeforeValidator, Field

from acqd.config.quantity import DURATION, Quantity, refusal
from acqd.config.tables import ExactlyOne, KeyRule, PathText, Table

__all__ = ["WORDS", "ContextTable", "Topic"]

WORDS: Mapping[str, float] = {"on": 1.0, "off": 0.0, "true": 1.0, "false": 0.0}
"""What words mean that come instead of numbers, in any case of letters."""


def _topic(text: str) -> str:
    if "+" in text or "#" in text or "\0" in text or text.startswith("$"):
        raise refusal("not one topic", accepted='a topic without wildcards, "shack/bench/degrees"')
    return text


Topic = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_topic)]
"""One topic of a broker, without wildcards."""


def _finite(given: object) -> object:
    if isinstance(given, bool) or not isinstance(given, int | float) or not math.isfinite(given):
        raise refusal("not a number", accepted="a number, such as 0.001")
    return float(given)


class ContextTable(Table):
    """One number that goes with the sweeps: a temperature, a supply voltage, a key."""

    title: str = Field(default="", max_length=200)
    topic: Topic | None = None
    file: PathText | None = None
    key: Annotated[str, Field(max_length=200)] = ""
    unit: Annotated[str, Field(max_length=20)] = ""
    scale: Annotated[float, BeforeValidator(_finite)] = 1.0
    words: dict[str, Annotated[float, BeforeValidator(_finite)]] = Field(default_factory=dict)
    max_age_s: Annotated[float, Quantity(dimension=DURATION, at_least="1 s", at_most="31 d")] = (
        Field(default=600.0, alias="max_age")
    )

    rules: ClassVar[tuple[KeyRule, ...]] = (
        ExactlyOne((("topic",), ("file",)), "nothing says where it comes from"),
    )
