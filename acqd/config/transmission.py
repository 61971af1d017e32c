"""``[job.NAME.transmission]``: what a filter, a pad or a cable is measured for."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field

from acqd.config.bench import FrequencyRange
from acqd.config.quantity import (
    DIFFERENCE,
    DURATION,
    FREQUENCY,
    Level,
    LevelDifference,
    Quantity,
    format_quantity,
    refusal,
)
from acqd.config.tables import Misfit, Table
from acqd.measure.losscurve import Role
from acqd.measure.transmission_settings import (
    MAX_AGE_S,
    NamedAim,
    PadAim,
    PassbandAim,
    StopbandAim,
    TransmissionSettings,
)

__all__ = [
    "NamedFrequencyTable",
    "PadTable",
    "PassbandTable",
    "StopbandTable",
    "TransmissionTable",
]

NAMES_MOST = 32
_NAME = re.compile(r"[a-z0-9_-]{1,24}")
_NAME_TEXT = "1 to 24 of a-z 0-9 _ -"

PositiveFrequency = Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")]
Positive = Annotated[float, Quantity(dimension=DIFFERENCE, above="0 dB", at_most="200 dB")]
Spread = Annotated[float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="60 dB")]
Vswr = Annotated[float, Field(strict=True, ge=1.0, le=100.0)]


def _name(text: str) -> str:
    if _NAME.fullmatch(text) is None:
        raise refusal("not fit for a topic", accepted=_NAME_TEXT)
    return text


def _role(given: object) -> Role:
    try:
        return Role(given if isinstance(given, str) else "")
    except ValueError as exc:
        accepted = ", ".join(f'"{role}"' for role in Role)
        raise refusal("neither of the two roles", accepted=f"one of {accepted}") from exc


def _rising(levels: tuple[float, ...]) -> tuple[float, ...]:
    if any(after <= before for before, after in pairwise(levels)):
        raise refusal("the levels do not rise", accepted='levels such as ["3 dB", "6 dB", "60 dB"]')
    return levels


def _as_table(key: str) -> Any:
    """A text that stands for the table with that one key."""

    def table(given: object) -> object:
        return {key: given} if isinstance(given, str) else given

    return BeforeValidator(table)


def _tables(given: object) -> object:
    """One table by itself for a list of one; texts for the range of a table."""
    many = [given] if isinstance(given, str | Mapping) else given
    if not isinstance(many, list | tuple):
        return many
    return [{"range": one} if isinstance(one, str) else one for one in many]


Name = Annotated[str, AfterValidator(_name)]
RoleWord = Annotated[Role, BeforeValidator(_role)]
Levels = Annotated[tuple[Positive, ...], AfterValidator(_rising), Field(min_length=1, max_length=8)]


class PassbandTable(Table):
    """``passband``: the range that should pass."""

    range_hz: FrequencyRange = Field(
        alias="range", description='two frequencies, such as "156 MHz..162.1 MHz"'
    )
    loss_at_most_db: LevelDifference | None = Field(default=None, alias="loss_at_most")
    ripple_at_most_db: Positive | None = Field(default=None, alias="ripple_at_most")


class StopbandTable(Table):
    """An entry of ``stopband``: a range that should be kept down."""

    range_hz: FrequencyRange = Field(
        alias="range", description='two frequencies, such as "87.5 MHz..108 MHz"'
    )
    name: Annotated[str, Field(max_length=60)] = ""
    at_least_db: Positive | None = Field(default=None, alias="at_least")


class NamedFrequencyTable(Table):
    """An entry of ``frequency``: one that is reported each time."""

    name: Name = Field(description=_NAME_TEXT)
    at_hz: PositiveFrequency = Field(alias="at", description='a frequency, such as "156.8 MHz"')
    role: RoleWord = Role.PASS
    at_most_db: LevelDifference | None = Field(default=None, alias="at_most")
    at_least_db: Positive | None = Field(default=None, alias="at_least")

    def misfits(self) -> Iterator[Misfit]:
        if self.at_most_db is not None and self.role is not Role.PASS:
            yield Misfit(
                key="at_most",
                problem="a most loss where the thing should stop",
                accepted='`at_least`, or role = "pass"',
            )
        if self.at_least_db is not None and self.role is not Role.STOP:
            yield Misfit(
                key="at_least",
                problem="a least rejection where the thing should pass",
                accepted='`at_most`, or role = "stop"',
            )


class PadTable(Table):
    """``pad``: the thing is a pad, and what it should be."""

    value_db: LevelDifference = Field(alias="value", description='a loss, such as "20 dB"')
    within_db: Positive | None = Field(default=None, alias="within")
    flatness_at_most_db: Positive | None = Field(default=None, alias="flatness_at_most")


class TransmissionTable(Table):
    """``[job.NAME.transmission]``."""

    passband: Annotated[PassbandTable, _as_table("range")] | None = None
    stopband: Annotated[
        tuple[StopbandTable, ...], BeforeValidator(_tables), Field(max_length=NAMES_MOST)
    ] = ()
    pad: Annotated[PadTable, _as_table("value")] | None = None
    frequency: Annotated[
        tuple[NamedFrequencyTable, ...], BeforeValidator(_tables), Field(max_length=NAMES_MOST)
    ] = ()
    edge_levels_db: Levels = Field(default=(3.0, 6.0, 60.0), alias="edge_levels")
    notch_levels_db: Levels = Field(default=(3.0, 20.0, 30.0, 40.0), alias="notch_levels")
    floor_dbm: Level | None = Field(default=None, alias="floor")
    max_reference_age_s: Annotated[
        float, Quantity(dimension=DURATION, above="0 s", at_most="366 d")
    ] = Field(default=MAX_AGE_S, alias="max_reference_age")
    temperature: str | None = Field(default=None, description="the NAME of a [context.NAME]")
    source_vswr: Vswr | None = None
    load_vswr: Vswr | None = None
    device_vswr: Vswr | None = None
    scale_accuracy_db: Spread | None = Field(default=None, alias="scale_accuracy")
    repeatability_db: Spread | None = Field(default=None, alias="repeatability")
    delay_aperture_hz: PositiveFrequency | None = Field(default=None, alias="delay_aperture")
    guard: Annotated[float, Field(strict=True, ge=0.0, le=5.0)] = 1.0

    def misfits(self) -> Iterator[Misfit]:
        for key, names in (
            ("frequency", [one.name for one in self.frequency]),
            ("stopband", [one.name for one in self._stopbands()]),
        ):
            twice = next((name for name in names if names.count(name) > 1), None)
            if twice is not None:
                yield Misfit(
                    key=key,
                    problem=f"two entries of one name, `{twice}`",
                    accepted="a name of its own for each",
                )

    def _stopbands(self) -> tuple[StopbandAim, ...]:
        return tuple(
            StopbandAim(
                name=one.name or f"stopband {number}",
                start_hz=one.range_hz[0],
                stop_hz=one.range_hz[1],
                at_least_db=one.at_least_db,
            )
            for number, one in enumerate(self.stopband, 1)
        )

    def settings(self, job: str) -> TransmissionSettings:
        """What the meter of the job is told."""
        passed, pad = self.passband, self.pad
        return TransmissionSettings(
            job=job,
            passband=None
            if passed is None
            else PassbandAim(
                start_hz=passed.range_hz[0],
                stop_hz=passed.range_hz[1],
                loss_at_most_db=passed.loss_at_most_db,
                ripple_at_most_db=passed.ripple_at_most_db,
            ),
            stopbands=self._stopbands(),
            pad=None
            if pad is None
            else PadAim(
                value_db=pad.value_db,
                within_db=pad.within_db,
                flatness_at_most_db=pad.flatness_at_most_db,
            ),
            named=tuple(
                NamedAim(
                    name=one.name,
                    frequency_hz=one.at_hz,
                    role=one.role,
                    at_most_db=one.at_most_db,
                    at_least_db=one.at_least_db,
                )
                for one in self.frequency
            ),
            edge_levels_db=self.edge_levels_db,
            notch_levels_db=self.notch_levels_db,
            floor_dbm=self.floor_dbm,
            max_age_s=self.max_reference_age_s,
            temperature=self.temperature,
            source_vswr=self.source_vswr,
            load_vswr=self.load_vswr,
            device_vswr=self.device_vswr,
            scale_db=self.scale_accuracy_db,
            repeatability_db=self.repeatability_db,
            aperture_hz=self.delay_aperture_hz,
            guard=self.guard,
        )

    def outside(self, start_hz: float, stop_hz: float) -> Iterator[str]:
        """Sentences about what the job's sweep does not reach."""
        sweep = f"{format_quantity(start_hz, FREQUENCY)} to {format_quantity(stop_hz, FREQUENCY)}"
        ranges = [(f"stopband `{one.name}`", one) for one in self._stopbands()]
        for what, one in ranges:
            if not start_hz <= one.start_hz <= one.stop_hz <= stop_hz:
                yield f"the {what} does not lie whole within the sweep of {sweep}"
        if self.passband is not None:
            low_hz, high_hz = self.passband.range_hz
            if not start_hz <= low_hz <= high_hz <= stop_hz:
                yield f"the passband does not lie whole within the sweep of {sweep}"
        for named in self.frequency:
            if not start_hz <= named.at_hz <= stop_hz:
                at = format_quantity(named.at_hz, FREQUENCY)
                yield f"the frequency `{named.name}` ({at}) is beyond the sweep of {sweep}"
