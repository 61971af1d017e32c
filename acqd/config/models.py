"""The tables of a station's config: station, sweepers and chains; and the others by name."""

from __future__ import annotations

import re
from collections.abc import Iterator
from difflib import get_close_matches
from typing import Annotated, Any, ClassVar, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, Field

from acqd.chain import Chain, ChainPart, PartKind
from acqd.config.alerts import AlertTable, WayTable
from acqd.config.bench import NearbyTable
from acqd.config.context import ContextTable
from acqd.config.curves import GainCurve, Loss, LossCurve, Pair, Rising
from acqd.config.jobs import BandTable, JobTable, WhenTable
from acqd.config.mqtt import Endpoint, MqttTable
from acqd.config.quantity import (
    ANGLE,
    BYTES,
    DENSITY,
    DIFFERENCE,
    DURATION,
    FREQUENCY,
    POWER,
    TEMPERATURE,
    Level,
    LevelDifference,
    Ppm,
    Quantity,
    refusal,
)
from acqd.config.selftest import SelfTestTable
from acqd.config.tables import (
    Count,
    DetectorName,
    ExactlyOne,
    KeyRule,
    Misfit,
    PathText,
    Switch,
    Table,
    Together,
)
from acqd.drivers.usbports import USB_FORMS, UsbIdentity, is_usb_address
from acqd.errors import RequestRefused

__all__ = [
    "AlertTable",
    "BandTable",
    "ChainTable",
    "ContextTable",
    "Endpoint",
    "JobTable",
    "MqttTable",
    "NearbyTable",
    "PartTable",
    "StationTable",
    "SweeperTable",
    "TimeZoneName",
    "TopicLevel",
    "WayTable",
    "WhenTable",
    "is_topic_level",
]

TOPIC_LEVEL = "1 to 32 of a-z 0-9 _ -"
_TOPIC_LEVEL = re.compile(r"[a-z0-9_-]{1,32}")
_LOGIN = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*://[^/@]*@")

UNCERTAINTY_DB = {
    "cable": 0.5,
    "pad": 0.5,
    "coupler": 0.5,
    "amplifier": 1.0,
    "filter": 1.0,
    "limiter": 1.0,
    "other": 1.0,
    "aerial": 3.0,
}
"""Half-widths (k = 2) taken where a part's figure is given without one. Definition ours: wide on
purpose, about what a part from a drawer does against its label."""

KindWord = Literal["cable", "pad", "amplifier", "filter", "coupler", "limiter", "aerial", "other"]


def is_topic_level(text: str) -> bool:
    """Whether ``text`` can be a name: it becomes a level of topics and a part of file names."""
    return _TOPIC_LEVEL.fullmatch(text) is not None


def _topic_level(text: str) -> str:
    if not is_topic_level(text):
        raise refusal("not fit for a topic", accepted=TOPIC_LEVEL)
    return text


def _time_zone(text: str) -> str:
    try:
        ZoneInfo(text)
    except (KeyError, ValueError, OSError) as exc:
        lower = {name.casefold(): name for name in available_timezones()}
        near = get_close_matches(text.casefold(), lower, n=1)
        hint = f"; did you mean `{lower[near[0]]}`?" if near else ""
        accepted = 'a name of the IANA time zone database, such as "Europe/Dublin"'
        raise refusal(f"unknown time zone{hint}", accepted=accepted) from exc
    return text


TopicLevel = Annotated[str, AfterValidator(_topic_level)]
"""A name that can be a level of topics and a part of file names."""
TimeZoneName = Annotated[str, AfterValidator(_time_zone)]
"""A name of the IANA time zone database."""


class StationTable(Table):
    """``[station]``: who and where the station is, and how it keeps what it hears."""

    name: TopicLevel = Field(description=TOPIC_LEVEL)
    title: str = Field(default="", max_length=200)
    archive: PathText = Field(description="a folder, relative to this file's own")
    time_zone: TimeZoneName = "UTC"
    latitude_deg: (
        Annotated[float, Quantity(dimension=ANGLE, at_least="-90 deg", at_most="90 deg")] | None
    ) = Field(default=None, alias="latitude")
    longitude_deg: (
        Annotated[float, Quantity(dimension=ANGLE, at_least="-180 deg", at_most="180 deg")] | None
    ) = Field(default=None, alias="longitude")
    seal_every_s: Annotated[float, Quantity(dimension=DURATION, at_least="10 s", at_most="1 h")] = (
        Field(default=300.0, alias="seal_every")
    )
    commit_within_s: Annotated[float, Quantity(dimension=DURATION, at_most="1 s")] = Field(
        default=0.0, alias="commit_within"
    )
    keep_free_bytes: Annotated[int, Quantity(dimension=BYTES)] = Field(
        default=1_000_000_000, alias="keep_free"
    )
    hot_plug: Switch = True
    keep_awake: Switch = True

    rules: ClassVar[tuple[KeyRule, ...]] = (Together(("latitude", "longitude")),)


PhaseNoise = Annotated[
    tuple[
        Annotated[
            tuple[
                Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")],
                Annotated[float, Quantity(dimension=DENSITY)],
            ],
            Pair,
        ],
        ...,
    ],
    Rising,
]


def _address(text: str) -> str:
    """Drivers know the forms of their addresses; that of ``usb:…`` is everybody's."""
    if _LOGIN.match(text):
        raise refusal(
            "user and password have no place in an address, which is shown wherever it fails",
            accepted="an address without them; what a driver needs of that goes into `options`, "
            'such as password = { env = "NAME" }',
        )
    if is_usb_address(text):
        try:
            UsbIdentity.parse(text)
        except RequestRefused as exc:
            raise refusal("not an identity on USB", accepted=USB_FORMS) from exc
    return text


class SweeperTable(Table):
    """``[sweeper.NAME]``: one attached instrument."""

    driver: str = Field(
        min_length=1, max_length=64, description='the name of a driver, such as "scpi"'
    )
    address: Annotated[str, AfterValidator(_address)] = Field(
        min_length=1,
        max_length=1024,
        description='where it is, such as "tcp://127.0.0.1:5025" or "serial:/dev/ttyACM0"',
    )
    options: dict[str, Any] = Field(default_factory=dict)
    maker: str = Field(default="", max_length=200)
    model: str = Field(default="", max_length=200)
    serial_number: str = Field(default="", max_length=200)
    location: str = Field(default="", max_length=200)
    deadline_s: Annotated[float, Quantity(dimension=DURATION, at_least="1 s", at_most="1 h")] = (
        Field(default=30.0, alias="deadline")
    )
    absolute_max_dbm: Level | None = Field(default=None, alias="absolute_max")
    level_accuracy_db: (
        Annotated[float, Quantity(dimension=DIFFERENCE, above="0 dB", at_most="60 dB")] | None
    ) = Field(default=None, alias="level_accuracy")
    frequency_accuracy_ppm: Ppm | None = Field(default=None, alias="frequency_accuracy")
    detector: DetectorName | None = None
    averages: Annotated[Count, Field(ge=1, le=100_000)] | None = None
    noise_figure_db: (
        Annotated[float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="100 dB")] | None
    ) = Field(default=None, alias="noise_figure")
    noise_bandwidth_ratio: Annotated[float, Field(strict=True, ge=0.5, le=2.0)] | None = Field(
        default=None, alias="noise_bandwidth"
    )
    shape_factor: Annotated[float, Field(strict=True, gt=1.0, le=1000.0)] | None = None
    phase_noise_at: PhaseNoise | None = None
    stopband_db: (
        Annotated[float, Quantity(dimension=DIFFERENCE, at_least="20 dB", at_most="200 dB")] | None
    ) = Field(default=None, alias="stopband")
    may_repeat: Switch | None = None
    isolation: Literal["thread", "process"] | None = None
    self_test: SelfTestTable | None = None
    enabled: Switch = True


class PartTable(Table):
    """``[[chain.NAME.part]]``: one thing between what is measured and the sweeper's input."""

    kind: KindWord = Field(description='what the part is, such as "cable"')
    name: str = Field(default="", max_length=200)
    loss_db: Loss | None = Field(default=None, alias="loss")
    gain_db: LevelDifference | None = Field(default=None, alias="gain")
    loss_at: LossCurve | None = None
    gain_at: GainCurve | None = None
    given_uncertainty_db: (
        Annotated[float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="60 dB")] | None
    ) = Field(default=None, alias="uncertainty")
    rated_w: Annotated[float, Quantity(dimension=POWER, above="0 W")] | None = Field(
        default=None, alias="rated"
    )
    max_c: Annotated[float, Quantity(dimension=TEMPERATURE, above="25 °C")] | None = Field(
        default=None, alias="max_temperature"
    )
    reverse_gain_db: LevelDifference | None = Field(default=None, alias="reverse_gain")

    rules: ClassVar[tuple[KeyRule, ...]] = (
        ExactlyOne(
            (("loss",), ("gain",), ("loss_at",), ("gain_at",)),
            "nothing says what the part does to a level",
        ),
    )

    @property
    def uncertainty_db(self) -> float:
        """Half-width of the interval that the part's figure is good for, in dB."""
        given = self.given_uncertainty_db
        return UNCERTAINTY_DB[self.kind] if given is None else given

    @property
    def gain_points(self) -> tuple[tuple[float, float], ...]:
        """(frequency in Hz, gain in dB), rising; a loss is negative. One point at 0 Hz where the
        gain does not depend on frequency."""
        if self.loss_at is not None:
            return tuple((frequency_hz, -loss_db) for frequency_hz, loss_db in self.loss_at)
        if self.gain_at is not None:
            return self.gain_at
        return ((0.0, self.gain_db if self.gain_db is not None else -(self.loss_db or 0.0)),)

    def to_part(self) -> ChainPart:
        """The part as the rest of acqd works with it."""
        frequency_hz, gain_db = zip(*self.gain_points, strict=True)
        return ChainPart(
            kind=PartKind.ANTENNA if self.kind == "aerial" else PartKind(self.kind),
            name=self.name or self.kind,
            frequency_hz=frequency_hz,
            gain_db=gain_db,
            uncertainty_db=self.uncertainty_db,
            rated_w=self.rated_w,
            max_c=self.max_c,
            reverse_gain_db=self.reverse_gain_db,
        )


class ChainTable(Table):
    """``[chain.NAME]``: parts in order, from what is measured to the sweeper's input."""

    title: str = Field(default="", max_length=200)
    part: tuple[PartTable, ...] = Field(description="at least one [[chain.NAME.part]]")
    ambient_c: Annotated[float, Quantity(dimension=TEMPERATURE, at_most="200 °C")] = Field(
        default=25.0, alias="ambient"
    )

    def misfits(self) -> Iterator[Misfit]:
        if not self.part:
            yield Misfit(key="part", problem="a chain without parts", accepted="at least one part")

    def to_chain(self) -> Chain:
        """The chain as the rest of acqd works with it."""
        return Chain(tuple(part.to_part() for part in self.part))
