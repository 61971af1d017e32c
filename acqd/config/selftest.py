"""``[sweeper.NAME.self_test]``: what a sweeper can be tested against, and how.

The same tables stand in a file of their own where there is no config (``acqd once --expect``).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, ClassVar

import numpy as np
from pydantic import BeforeValidator, Field, PlainSerializer, ValidationError

from acqd.chain import MARGIN_DB, Chain, ChainPart, PartKind
from acqd.config.bench import FrequencyRange, Margin
from acqd.config.curves import Loss, LossCurve
from acqd.config.problems import in_file_order
from acqd.config.quantity import DIFFERENCE, FREQUENCY, Level, Ppm, Quantity, refusal
from acqd.config.reading import parse_toml, read_text
from acqd.config.tables import Count, DetectorName, ExactlyOne, KeyRule, Misfit, Table, Unwelcome
from acqd.errors import ConfigError
from acqd.measure.selftestnoise import NoiseIs, NoiseStated

__all__ = ["CarrierTestTable", "LoopTestTable", "NoiseTestTable", "SelfTestTable", "load_expected"]

TESTS_MOST = 16
"""Noise tables, and carrier tables, of one sweeper."""

PositiveFrequency = Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")]
Attenuation = Annotated[float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="120 dB")]
Within = Annotated[float, Quantity(dimension=DIFFERENCE, above="0 dB", at_most="60 dB")]
Vswr = Annotated[float, Field(strict=True, ge=1.0, le=100.0)]
Points = Annotated[Count, Field(ge=51, le=100_000)]
Sweeps = Annotated[Count, Field(ge=2, le=100)]


def _noise_is(given: object) -> NoiseIs:
    try:
        return NoiseIs(str(given))
    except ValueError as exc:
        known = ", ".join(f'"{one}"' for one in NoiseIs)
        raise refusal("unknown kind of noise figure", accepted=f"one of {known}") from exc


class NoiseTestTable(Table):
    """``[[sweeper.NAME.self_test.noise]]``: the noise of a terminated input in one range."""

    range_hz: FrequencyRange | None = Field(default=None, alias="range")
    danl_dbm: Level | None = Field(default=None, alias="danl")
    danl_rbw_hz: PositiveFrequency = Field(default=1.0, alias="danl_rbw")
    danl_is: Annotated[
        NoiseIs, BeforeValidator(_noise_is), PlainSerializer(str, return_type=str)
    ] = NoiseIs.LOG
    danl_attenuation_db: Attenuation = Field(default=0.0, alias="danl_attenuation")
    tolerance_db: Within | None = Field(default=None, alias="tolerance")
    rbw_hz: PositiveFrequency | None = Field(default=None, alias="rbw")
    attenuation_db: Attenuation | None = Field(default=None, alias="attenuation")
    detector: DetectorName | None = None
    points: Points = 401
    sweeps: Sweeps = 5

    @property
    def stated(self) -> NoiseStated:
        """What the sweeper is said to have."""
        return NoiseStated(
            danl_dbm=self.danl_dbm,
            rbw_hz=self.danl_rbw_hz,
            noise_is=self.danl_is,
            attenuation_db=self.danl_attenuation_db,
            tolerance_db=self.tolerance_db,
        )


def _frequencies(given: object) -> object:
    return [given] if isinstance(given, str) else given


class LoopTestTable(Table):
    """``[sweeper.NAME.self_test.source]``: the sweeper's source, joined to its input."""

    level_dbm: Level = Field(alias="level", description='of the source, such as "-30 dBm"')
    at_hz: Annotated[
        tuple[PositiveFrequency, ...],
        BeforeValidator(_frequencies),
        Field(min_length=1, max_length=64),
    ] = Field(alias="at", description='a frequency, or a list such as ["100 MHz", "400 MHz"]')
    loss_db: Loss | None = Field(default=None, alias="loss")
    loss_at: LossCurve | None = None
    loss_uncertainty_db: Within = Field(default=0.5, alias="loss_uncertainty")
    accuracy_db: Within | None = Field(default=None, alias="accuracy")
    tolerance_db: Within | None = Field(default=None, alias="tolerance")
    margin_db: Margin = Field(default=MARGIN_DB, alias="margin")
    rbw_hz: PositiveFrequency | None = Field(default=None, alias="rbw")
    attenuation_db: Attenuation | None = Field(default=None, alias="attenuation")
    sweeps: Sweeps = 3

    rules: ClassVar[tuple[KeyRule, ...]] = (
        ExactlyOne(
            (("loss",), ("loss_at",)),
            "nothing says what lies between source and input",
        ),
        Unwelcome(
            "gain",
            "an amplifier between a source and an input is no known loss",
            "`loss` of cables and pads alone",
        ),
    )

    def loss_at_hz(self, frequency_hz: float) -> float:
        """The known loss between source and input, in dB."""
        if self.loss_at is None:
            return self.loss_db or 0.0
        at_hz, loss_db = zip(*self.loss_at, strict=True)
        return float(np.interp(frequency_hz, at_hz, loss_db))

    def to_chain(self) -> Chain:
        """What lies between source and input, as the rest of acqd works with it."""
        at_hz, loss_db = zip(*(self.loss_at or ((0.0, self.loss_db or 0.0),)), strict=True)
        part = ChainPart(
            kind=PartKind.CABLE,
            name="the cable from source to input",
            frequency_hz=at_hz,
            gain_db=tuple(-one for one in loss_db),
            uncertainty_db=self.loss_uncertainty_db,
        )
        return Chain((part,))


class CarrierTestTable(Table):
    """``[[sweeper.NAME.self_test.carrier]]``: a carrier whose frequency is known."""

    frequency_hz: PositiveFrequency = Field(
        alias="frequency", description='of the carrier, such as "10 MHz"'
    )
    what: str = Field(default="", max_length=200)
    uncertainty_ppm: Ppm = Field(default=0.5, alias="uncertainty")
    tolerance_ppm: Ppm | None = Field(default=None, alias="tolerance")
    level_dbm: Level | None = Field(default=None, alias="level")
    level_uncertainty_db: Within = Field(default=1.0, alias="level_uncertainty")
    level_tolerance_db: Within | None = Field(default=None, alias="level_tolerance")
    most_dbm: Level | None = Field(default=None, alias="most")
    margin_db: Margin = Field(default=MARGIN_DB, alias="margin")
    span_hz: PositiveFrequency = Field(default=20e3, alias="span")
    rbw_hz: PositiveFrequency | None = Field(default=None, alias="rbw")
    attenuation_db: Attenuation | None = Field(default=None, alias="attenuation")
    points: Points = 201
    sweeps: Sweeps = 5

    def misfits(self) -> Iterator[Misfit]:
        if self.span_hz >= 2.0 * self.frequency_hz:
            yield Misfit(
                key="span",
                problem="the sweep around the carrier would reach below 0 Hz",
                accepted="less than twice `frequency`",
            )
        if self.level_dbm is None and self.level_tolerance_db is not None:
            yield Misfit(
                key="level_tolerance",
                problem="the carrier's level is not known",
                accepted="`level_tolerance` with `level`",
            )
        known = self.most_dbm is not None and self.level_dbm is not None
        if known and (self.most_dbm or 0.0) < (self.level_dbm or 0.0):
            yield Misfit(
                key="most",
                problem="less than the level that the carrier has",
                accepted="the strongest that can come in, at least `level`",
            )


class SelfTestTable(Table):
    """``[sweeper.NAME.self_test]``."""

    noise: Annotated[tuple[NoiseTestTable, ...], Field(max_length=TESTS_MOST)] = ()
    source: LoopTestTable | None = None
    carrier: Annotated[tuple[CarrierTestTable, ...], Field(max_length=TESTS_MOST)] = ()
    input_vswr: Vswr | None = None


def load_expected(path: str) -> SelfTestTable:
    """The tables of a self-test in a file of their own, without ``sweeper.NAME.self_test``.

    Raises:
        ConfigError: it cannot be read, or with all that is wrong with it.
    """
    file = Path(path).expanduser()
    data, text = parse_toml(str(file), read_text(file))
    try:
        return SelfTestTable.model_validate(data)
    except ValidationError as exc:
        wrong = text.problems_of(exc, table=(), model=SelfTestTable, data=data)
        raise ConfigError(in_file_order(wrong)) from exc
