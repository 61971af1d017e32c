"""``[job.NAME.band]``: how a band is watched."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from acqd.config.bench import FrequencyRange
from acqd.config.quantity import DIFFERENCE, DURATION, Quantity, format_quantity
from acqd.config.tables import AtMostOne, Count, KeyRule, Misfit, PathText, Table

__all__ = ["DEFAULT_FALSE_ALARM", "AerialTable", "BandTable"]

DEFAULT_FALSE_ALARM = 1e-7
"""Wanted probability that noise alone passes the threshold, per sample: a thousand points every two
seconds then raise about four false alarms a day."""

MOST_RANGES = 32
"""As many as a trial tells apart."""

Closing = Annotated[float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="60 dB")]
Margin = Annotated[float, Quantity(dimension=DIFFERENCE, above="0 dB", at_most="100 dB")]
Uncertainty = Annotated[float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="30 dB")]


class AerialTable(Table):
    """``[job.NAME.band.aerial]``: what an external noise figure needs to know."""

    noise_figure_db: Closing | None = Field(default=None, alias="chain_noise_figure")
    loss_db: Closing = Field(default=0.0, alias="aerial_loss")
    loss_uncertainty_db: Uncertainty = Field(default=1.0, alias="aerial_uncertainty")
    figure_uncertainty_db: Uncertainty = Field(default=2.0, alias="figure_uncertainty")


class BandTable(Table):
    """``[job.NAME.band]``: how a band is watched."""

    false_alarm: Annotated[float, Field(strict=True, ge=1e-15, le=0.1)] | None = None
    margin_db: Margin | None = Field(default=None, alias="margin")
    closing_db: Closing = Field(default=3.0, alias="closing")
    min_duration_s: Annotated[float, Quantity(dimension=DURATION, at_most="1 d")] = Field(
        default=0.0, alias="min_duration"
    )
    channels: PathText | None = None
    floor: Literal["flat", "learnt"] = "flat"
    learn_s: Annotated[float, Quantity(dimension=DURATION, above="0 s", at_most="7 d")] = Field(
        default=600.0, alias="learn"
    )
    floor_step_db: Margin = Field(default=3.0, alias="floor_step")
    flapping_s: Annotated[float, Quantity(dimension=DURATION, at_most="1 d")] = Field(
        default=60.0, alias="flapping"
    )

    neighbour_db: Margin = Field(default=3.0, alias="neighbour")
    residual_db: Closing = Field(default=6.0, alias="residual")
    check_attenuation_db: (
        Annotated[float, Quantity(dimension=DIFFERENCE, at_least="1 dB", at_most="60 dB")] | None
    ) = Field(default=None, alias="check_attenuation")
    check_every: Annotated[Count, Field(ge=1, le=1_000_000)] = 100
    trial: str | None = Field(default=None, description="the NAME of a [context.NAME]")
    trial_over: Annotated[float, Field(strict=True)] = 0.5
    trial_settle: Annotated[Count, Field(ge=0, le=10_000)] = 1
    ranges: Annotated[dict[str, FrequencyRange], Field(max_length=MOST_RANGES)] = Field(
        default_factory=dict
    )
    ambient_drift_db: Closing = Field(default=0.0, alias="ambient_drift")
    aerial: AerialTable | None = None
    region: Annotated[Count, Field(ge=1, le=3)] = 1

    rules: ClassVar[tuple[KeyRule, ...]] = (AtMostOne(("false_alarm", "margin")),)

    def misfits(self) -> Iterator[Misfit]:
        for name, (start_hz, stop_hz) in self.ranges.items():
            if stop_hz <= start_hz:
                yield Misfit(
                    key="ranges",
                    problem=f"`{name}` is no range: its end is not above its beginning",
                    accepted='ranges with names, such as { low = "150 kHz..500 kHz" }',
                )
        # The default gives way to a small margin by itself; what is asked for does not.
        is_asked = "closing_db" in self.model_fields_set
        if self.margin_db is not None and is_asked and self.closing_db >= self.margin_db:
            margin = format_quantity(self.margin_db, DIFFERENCE)
            yield Misfit(
                key="closing",
                problem=f"the closing threshold, {format_quantity(self.closing_db, DIFFERENCE)} "
                f"below the opening one, is not above the noise floor",
                accepted=f"`closing` smaller than `margin` ({margin})",
            )

    @property
    def opening_probability(self) -> float | None:
        """Wanted false-alarm probability per sample; None where a margin is given instead."""
        return None if self.margin_db is not None else self.false_alarm or DEFAULT_FALSE_ALARM
