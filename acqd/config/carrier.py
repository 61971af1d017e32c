"""``[job.NAME.carrier]``: which carrier is followed, and what of it is told."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from pydantic import BeforeValidator, Field

from acqd.config.quantity import DIFFERENCE, FREQUENCY, Quantity, refusal
from acqd.config.tables import Count, Misfit, Switch, Table
from acqd.measure.bandpower import FilterShape

__all__ = ["CarrierTable"]

PositiveFrequency = Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")]
Vswr = Annotated[float, Field(strict=True, ge=1.0, le=100.0)]


def _filter(given: object) -> FilterShape:
    try:
        return FilterShape(str(given))
    except ValueError as exc:
        known = ", ".join(f'"{shape}"' for shape in FilterShape)
        raise refusal("unknown shape of an RBW filter", accepted=f"one of {known}") from exc


class CarrierTable(Table):
    """``[job.NAME.carrier]``."""

    expected_hz: PositiveFrequency | None = Field(default=None, alias="expected")
    window_hz: PositiveFrequency | None = Field(default=None, alias="window")
    least_over_floor_db: Annotated[
        float, Quantity(dimension=DIFFERENCE, at_least="3 dB", at_most="100 dB")
    ] = Field(default=10.0, alias="least_over_floor")
    filter: Annotated[FilterShape, BeforeValidator(_filter)] = FilterShape.GAUSSIAN
    learn: Annotated[Count, Field(ge=32, le=1000)] = 100
    false_alarms_a_day: Annotated[float, Field(strict=True, ge=1e-6, le=100.0)] = 0.1
    level_step_db: Annotated[
        float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="100 dB")
    ] = Field(default=0.5, alias="level_step")
    frequency_step_hz: Annotated[float, Quantity(dimension=FREQUENCY)] = Field(
        default=0.0, alias="frequency_step"
    )
    warm_up: Switch = True
    source_vswr: Vswr | None = None
    input_vswr: Vswr | None = None

    def misfits(self) -> Iterator[Misfit]:
        if self.expected_hz is None or self.window_hz is None:
            return
        if self.window_hz >= 2.0 * self.expected_hz:
            yield Misfit(
                key="window",
                problem="the window around the expected frequency reaches below 0 Hz",
                accepted="less than twice `expected`",
            )
