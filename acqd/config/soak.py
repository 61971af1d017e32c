"""``[job.NAME.soak]``: a job that runs for a stated time and ends with a verdict."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

from pydantic import BeforeValidator, Field

from acqd.config.quantity import (
    DIFFERENCE,
    DURATION,
    FRACTION,
    FREQUENCY,
    LEVEL,
    POWER,
    PPM,
    TEMPERATURE,
    Dimension,
    Quantity,
    QuantityError,
    parse_quantity,
    refusal,
)
from acqd.config.tables import Count, KeyRule, Misfit, Table
from acqd.measure.meter import Role
from acqd.measure.soak_settings import unit_of_figure

__all__ = ["CONTEXTS_MOST", "SoakLimitTable", "SoakTable"]

LIMITS_MOST = 16
CONTEXTS_MOST = 8
WORDS_MOST = 32

_DIMENSIONS: Mapping[str, Dimension] = {
    "dBm": LEVEL,
    "dB": DIFFERENCE,
    "Hz": replace(FREQUENCY, minimum=None),
    "s": DURATION,
    "W": POWER,
    "ppm": replace(PPM, minimum=None),
    "°C": TEMPERATURE,
    "1": replace(FRACTION, minimum=None, maximum=None),
}
"""By the unit of a figure: in what its limits may be written, beside plain numbers."""


def _number_or_text(given: object) -> object:
    if isinstance(given, bool) or not isinstance(given, int | float | str):
        raise refusal("neither a number nor a text", accepted='a number, or such as "-90 dBm"')
    if isinstance(given, int | float) and not math.isfinite(given):
        raise refusal("not a finite number", accepted='a number, or such as "-90 dBm"')
    return given


def _finite(given: object) -> object:
    if isinstance(given, bool) or not isinstance(given, int | float) or not math.isfinite(given):
        raise refusal("not a number", accepted="a number in the unit of that context, such as 2.0")
    return float(given)


Limit = Annotated[float | str, BeforeValidator(_number_or_text)]
LeastSpan = Annotated[float, BeforeValidator(_finite), Field(ge=0.0)]
Word = Annotated[str, Field(pattern=r"^[a-z0-9_]{1,64}$")]


class SoakLimitTable(Table):
    """``[[job.NAME.soak.limit]]``: what must hold of one figure."""

    figure: Annotated[str, Field(pattern=r"^[a-z0-9_-]{1,64}$")] = Field(
        description='a figure of the summary, such as "floor_dbm"'
    )
    at_most: Limit | None = None
    at_least: Limit | None = None
    drift_at_most: Limit | None = None
    of: Literal["worst", "mean"] = "worst"
    guard: Annotated[float, Field(strict=True, ge=0.0, le=5.0)] = 1.0

    rules: ClassVar[tuple[KeyRule, ...]] = ()

    def misfits(self) -> Iterator[Misfit]:
        given = {key: getattr(self, key) for key in ("at_most", "at_least", "drift_at_most")}
        if all(value is None for value in given.values()):
            yield Misfit(
                key="",
                problem="nothing is asked of this figure",
                accepted="`at_most`, `at_least` or `drift_at_most`",
            )
        wrong = False
        for key, value in given.items():
            try:
                self.number(key, value)
            except QuantityError as exc:
                wrong = True
                yield Misfit(key=key, problem=exc.problem, accepted=exc.accepted)
        if wrong:
            return
        low, high = self.low, self.high
        if low is not None and high is not None and not low < high:
            yield Misfit(
                key="at_least",
                problem="not below `at_most`: no reading could be inside both",
                accepted="a smaller `at_least`",
            )
        if self.drift is not None and not self.drift > 0:
            yield Misfit(
                key="drift_at_most",
                problem="a drift of none at all cannot be shown",
                accepted="more than 0 an hour, either way",
            )

    def number(self, key: str, value: float | str | None) -> float | None:
        """A limit in the unit of the figure; that of a drift of levels is in dB.

        Raises:
            QuantityError: a text that is no such quantity.
        """
        if value is None or not isinstance(value, str):
            return None if value is None else float(value)
        unit = unit_of_figure(self.figure)
        if key == "drift_at_most" and unit.startswith("dB"):
            unit = "dB"
        dimension = _DIMENSIONS.get(unit)
        if dimension is None:
            raise QuantityError(
                given=value,
                problem=f"the figure is in {unit}, for which there are no texts",
                accepted="a plain number",
            )
        return parse_quantity(value, dimension)

    @property
    def high(self) -> float | None:
        return self.number("at_most", self.at_most)

    @property
    def low(self) -> float | None:
        return self.number("at_least", self.at_least)

    @property
    def drift(self) -> float | None:
        """Per hour."""
        return self.number("drift_at_most", self.drift_at_most)


class SoakTable(Table):
    """``[job.NAME.soak]``: how long, and what must hold."""

    length_s: Annotated[float, Quantity(dimension=DURATION, above="0 s", at_most="366 d")] = Field(
        alias="length"
    )
    label: str = Field(default="", max_length=100)
    limit: Annotated[tuple[SoakLimitTable, ...], Field(max_length=LIMITS_MOST)] = ()
    findings_at_most: Annotated[Count, Field(ge=0)] | None = None
    findings_of: Annotated[tuple[Word, ...], Field(max_length=WORDS_MOST)] = ()
    failed_passes_at_most: Annotated[Count, Field(ge=0)] | None = None
    coverage_at_least: Annotated[float, Quantity(dimension=FRACTION)] = 0.95
    context: dict[str, LeastSpan] = Field(default_factory=dict)
    closing_reference: Role | None = None
    closing_within_s: Annotated[
        float, Quantity(dimension=DURATION, at_least="1 s", at_most="7 d")
    ] = Field(default=3600.0, alias="closing_within")
    fresh_reference_every_s: (
        Annotated[float, Quantity(dimension=DURATION, at_least="1 min", at_most="31 d")] | None
    ) = Field(default=None, alias="fresh_reference_every")

    def misfits(self) -> Iterator[Misfit]:
        seen = set()
        for one in self.limit:
            if one.figure in seen:
                yield Misfit(
                    key="limit",
                    problem=f"figure `{one.figure}` has two tables",
                    accepted="one [[limit]] for each figure, with all that is asked of it",
                )
            seen.add(one.figure)
        if self.findings_of and self.findings_at_most is None:
            yield Misfit(
                key="findings_of",
                problem="has no meaning without `findings_at_most`",
                accepted="both",
            )
        if len(self.context) > CONTEXTS_MOST:
            yield Misfit(
                key="context",
                problem=f"{len(self.context)} contexts",
                accepted=f"at most {CONTEXTS_MOST}",
            )
        if self.fresh_reference_every_s is not None and self.closing_reference is None:
            yield Misfit(
                key="fresh_reference_every",
                problem="nothing says which reference is to be taken anew",
                accepted='`closing_reference`, such as "through"',
            )
