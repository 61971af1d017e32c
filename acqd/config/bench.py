"""Tables about power: the sweeper's source, transmitters on the input and near the aerial."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, ClassVar, Literal

from pydantic import BeforeValidator, Field, PlainSerializer

from acqd.chain import MARGIN_DB
from acqd.config.quantity import (
    DIFFERENCE,
    FRACTION,
    FREQUENCY,
    LENGTH,
    POWER,
    Frequency,
    Level,
    Quantity,
    format_quantity,
    parse_frequency_range,
    refusal,
)
from acqd.config.tables import AtMostOne, KeyRule, Misfit, Switch, Table, Together
from acqd.safety import coupling_at_distance

__all__ = [
    "FrequencyRange",
    "Margin",
    "NearbyTable",
    "SourceTable",
    "TransmitterTable",
    "ranges_or_one",
]

LEAST_MARGIN = "10 dB"
"""The least that a config may ask for (G7)."""

Margin = Annotated[float, Quantity(dimension=DIFFERENCE, at_least=LEAST_MARGIN, at_most="100 dB")]
Gain = Annotated[float, Quantity(dimension=DIFFERENCE, at_least="-30 dB", at_most="60 dB")]
Power = Annotated[float, Quantity(dimension=POWER, above="0 W")]


def _range(given: object) -> object:
    accepted = 'two frequencies with .. between them, such as "144 MHz..146 MHz"'
    if not isinstance(given, str):
        raise refusal("not a range of frequencies", accepted=accepted)
    try:
        return parse_frequency_range(given)
    except ValueError as exc:
        why = str(exc).split(" (given", 1)[0]  # given and accepted are told once, by the refusal
        raise refusal(f"not a range of frequencies: {why}", accepted=accepted) from exc


def _range_text(pair: tuple[float, float]) -> str:
    return "..".join(format_quantity(hz, FREQUENCY) for hz in pair)


FrequencyRange = Annotated[
    tuple[float, float], BeforeValidator(_range), PlainSerializer(_range_text, return_type=str)
]
"""``"144 MHz..146 MHz"`` as start and stop in Hz."""


def ranges_or_one(given: object) -> object:
    """A list of ranges, or one of them by itself."""
    return [given] if isinstance(given, str) else given


Ranges = Annotated[tuple[FrequencyRange, ...], BeforeValidator(ranges_or_one), Field(max_length=64)]


class SourceTable(Table):
    """``[job.NAME.source]``: the sweeper's own source tracks the sweep."""

    level_dbm: Level = Field(alias="level")
    gain_db: Annotated[float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="100 dB")] = (
        Field(default=0.0, alias="gain")
    )
    margin_db: Margin = Field(default=MARGIN_DB, alias="margin")
    radiates: Switch = False
    licensed: Ranges = ()

    def misfits(self) -> Iterator[Misfit]:
        if self.radiates and not self.licensed:
            yield Misfit(
                key="radiates",
                problem="a source that feeds an aerial transmits, and nothing says where that is "
                "licensed",
                accepted='`licensed`, the ranges in which you may, such as ["144 MHz..146 MHz"]; '
                "a load or a screened box needs no licence",
            )
        if self.licensed and not self.radiates:
            yield Misfit(
                key="licensed",
                problem="has no meaning where nothing is radiated",
                accepted="`licensed` with radiates = true",
            )


class TransmitterTable(Table):
    """``[job.NAME.transmitter]``: a transmitter is joined to what the job measures."""

    power_w: Power = Field(alias="power")
    start_hz: Frequency | None = Field(default=None, alias="start")
    stop_hz: Frequency | None = Field(default=None, alias="stop")
    margin_db: Margin = Field(default=MARGIN_DB, alias="margin")
    duty: Annotated[float, Quantity(dimension=FRACTION, above="0 %")] = 1.0

    rules: ClassVar[tuple[KeyRule, ...]] = (Together(("start", "stop")),)


class NearbyTable(Table):
    """``[transmitter.NAME]``: a transmitter near an aerial that a job listens with."""

    title: str = Field(default="", max_length=200)
    power_w: Power = Field(alias="power")
    start_hz: Annotated[float, Quantity(dimension=FREQUENCY)] = Field(alias="start")
    stop_hz: Annotated[float, Quantity(dimension=FREQUENCY)] = Field(alias="stop")
    near: str = Field(description="the NAME of the [chain.NAME] whose aerial it is near")
    isolation_db: (
        Annotated[float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="200 dB")] | None
    ) = Field(default=None, alias="isolation")
    distance_m: Annotated[float, Quantity(dimension=LENGTH, above="0 m")] | None = Field(
        default=None, alias="distance"
    )
    transmit_gain_db: Gain = Field(default=3.0, alias="transmit_gain")
    receive_gain_db: Gain = Field(default=3.0, alias="receive_gain")
    margin_db: Margin = Field(default=MARGIN_DB, alias="margin")
    ptt: str | None = Field(default=None, description="the NAME of a [context.NAME]")
    while_keyed: Literal["flag", "hold"] = "flag"

    rules: ClassVar[tuple[KeyRule, ...]] = (AtMostOne(("isolation", "distance")),)

    def misfits(self) -> Iterator[Misfit]:
        if self.distance_m is not None and self.stop_hz > self.start_hz > 0:
            try:
                self.between_db(aerial_in_chain=True)
            except ValueError as exc:
                accepted = "`isolation`, as measured, or neither: then none is counted on"
                yield Misfit(key="distance", problem=str(exc), accepted=accepted)
        if self.stop_hz <= self.start_hz:
            yield Misfit(
                key="stop",
                problem="the stop frequency is not above the start frequency",
                accepted="the range in which it may transmit",
            )
        if self.ptt is None and self.while_keyed != "flag":
            yield Misfit(
                key="while_keyed",
                problem="nothing says when it is keyed",
                accepted="`while_keyed` with `ptt`",
            )

    def between_db(self, *, aerial_in_chain: bool) -> float:
        """What lies between its output and the near aerial's socket, in dB, never below 0."""
        if self.distance_m is None:
            return self.isolation_db or 0.0
        return coupling_at_distance(
            self.power_w,
            distance_m=self.distance_m,
            start_hz=self.start_hz,
            transmit_gain_dbi=self.transmit_gain_db,
            receive_gain_dbi=0.0 if aerial_in_chain else self.receive_gain_db,
        ).isolation_db
