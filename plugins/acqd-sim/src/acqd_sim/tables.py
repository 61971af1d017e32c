"""The tables of a scene file, as pydantic models: what may stand in it and in which bounds.

Unknown keys are refused. Quantities are texts with units (:mod:`acqd.config.quantity`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Annotated, ClassVar, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, Field

from acqd.config.quantity import (
    DURATION,
    FREQUENCY,
    Duration,
    Fraction,
    Frequency,
    Level,
    LevelDifference,
    Ppm,
    Quantity,
    refusal,
)
from acqd.config.tables import (
    AtMostOne,
    Count,
    DetectorName,
    KeyRule,
    Misfit,
    Switch,
    Table,
    Together,
)
from acqd.sweep import Detector
from acqd_sim.model import rbw_steps_hz
from acqd_sim.moments import Moments, MomentText

__all__ = [
    "AnyDevice",
    "AwayTable",
    "CarrierTable",
    "CombTable",
    "DataTable",
    "FileTable",
    "HumpTable",
    "ImpulsesTable",
    "InstrumentTable",
    "KeyedTable",
    "NoiseTable",
    "QuietTable",
    "SceneTable",
    "SpellTable",
    "ToneTable",
    "TransmitterTable",
    "TroubleTable",
    "VoiceTable",
    "WarmTable",
]

Positive = Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")]
Lasting = Annotated[float, Quantity(dimension=DURATION, at_least="1 ms")]
_HOUR = re.compile(r"([01]\d|2[0-3]):([0-5]\d)")


def _hour(text: str) -> str:
    if _HOUR.fullmatch(text) is None:
        raise refusal("not an hour of the day", accepted='an hour of the day, such as "22:00"')
    return text


def _zone(text: str) -> str:
    try:
        ZoneInfo(text)
    except (KeyError, ValueError, OSError) as exc:
        accepted = 'a name of the IANA time zone database, such as "Europe/Dublin"'
        raise refusal("unknown time zone", accepted=accepted) from exc
    return text


Hour = Annotated[str, AfterValidator(_hour)]
Ohm = Annotated[float, Field(strict=True, gt=0.0, le=1e6)]


class QuietTable(Table):
    """Hours of the day with less going on."""

    start: Hour = Field(alias="from", description='an hour of the day, such as "22:00"')
    stop: Hour = Field(alias="to", description='an hour of the day, such as "06:00"')
    share: Fraction = Field(description='the share of bursts that are left, such as "20 %"')

    @staticmethod
    def hours(text: str) -> float:
        hour, minute = text.split(":")
        return int(hour) + int(minute) / 60.0


class SpellTable(Table):
    """``from`` and ``until``: hours of every day, also over midnight, or two moments."""

    since: MomentText | None = Field(default=None, alias="from")
    until: MomentText | None = None

    def misfits(self) -> Iterator[Misfit]:
        if self.since is None or self.until is None:
            if self.until is not None:
                yield Misfit(key="until", problem="`until` without `from`", accepted="both")
            elif self.since is not None and self.since.daily_s is not None:
                accepted = "`until` with it; only a moment with its date may be without end"
                yield Misfit(key="from", problem="every day from then on", accepted=accepted)
        elif (self.since.daily_s is None) != (self.until.daily_s is None):
            accepted = "two hours of the day, or two moments with their dates"
            yield Misfit(key="until", problem="of another kind than `from`", accepted=accepted)
        elif self.since.daily_s is not None and self.since == self.until:
            yield Misfit(key="until", problem="the same as `from`", accepted="another hour")


class AwayTable(SpellTable):
    """When an instrument is unplugged."""

    since: MomentText = Field(alias="from", description='an hour, such as "00:00"')


class TroubleTable(SpellTable):
    """What goes wrong with an instrument, and when."""

    what: Literal["cable off", "frozen", "no supply"] = Field(
        description='what goes wrong, such as "cable off"'
    )
    since: MomentText = Field(alias="from", description='an hour, such as "01:12"')
    device: str | None = None
    loss: LevelDifference | None = None

    def misfits(self) -> Iterator[Misfit]:
        yield from super().misfits()
        if self.loss is not None and self.what != "no supply":
            accepted = 'only with `what = "no supply"`'
            yield Misfit(key="loss", problem=f"means nothing to `{self.what}`", accepted=accepted)


class KeyedTable(SpellTable):
    """What every emission says: its name and when it is on."""

    name: str = Field(min_length=1, description="a name")
    at: Moments = ()
    lasts: Annotated[
        float | None, Quantity(dimension=DURATION, at_least="1 ms", at_most="24 h")
    ] = Field(default=None, alias="for")
    on: Lasting | None = None
    off: Lasting | None = None
    least_on: Duration = 0.0
    slot: Lasting | None = None
    duty: Fraction | None = None
    fill: Fraction = 0.95
    spread: LevelDifference = 0.0
    quiet: QuietTable | None = None

    rules: ClassVar[tuple[KeyRule, ...]] = (
        Together(("on", "off")),
        Together(("slot", "duty")),
        Together(("at", "for")),
        AtMostOne(("on", "slot", "at")),
        AtMostOne(("at", "from")),
    )

    @property
    def ends(self) -> bool:
        """Whether it goes off again each time it went on."""
        spell = self.since is not None and self.until is not None
        return spell or any(one is not None for one in (self.on, self.slot, self.lasts))

    def misfits(self) -> Iterator[Misfit]:
        yield from super().misfits()
        if self.on is not None and self.least_on >= self.on:
            accepted = "a `least_on` below the mean time `on`"
            yield Misfit(key="least_on", problem="not below `on`", accepted=accepted)


class DriftTable(Table):
    """A slow wander in frequency."""

    swing: Frequency
    period: Lasting


class LevelDriftTable(Table):
    """A slow wander in level."""

    swing: LevelDifference
    period: Lasting


class WarmTable(Table):
    """How far it moves as it warms up, 1 − exp(−t/``time``) of the way, each time it goes on."""

    shift: Frequency
    time: Lasting
    down: Switch = False


class ToneTable(KeyedTable):
    """``creep``: how far it moves in each hour that it is on; back where it was the next time."""

    frequency: Positive
    power: Level
    drift: DriftTable | None = None
    creep: Frequency = 0.0
    creep_down: Switch = False

    def misfits(self) -> Iterator[Misfit]:
        yield from super().misfits()
        if self.creep and not self.ends:
            accepted = "times with an end, such as `from` and `until`: it counts from their start"
            yield Misfit(key="creep", problem="without an end", accepted=accepted)


class CarrierTable(ToneTable):
    warm: WarmTable | None = None


class VoiceTable(ToneTable):
    """Frequency modulation by a voice. ``deviation`` is the peak."""

    deviation: Positive = 5e3


class DataTable(ToneTable):
    """Constant-envelope data; ``bandwidth`` is what holds 99 % of the power."""

    bandwidth: Positive
    rate: Positive = 9.6e3


class TransmitterTable(ToneTable):
    """A carrier with harmonics that drifts as it warms; ``harmonics`` below the carrier, from 2."""

    harmonics: tuple[LevelDifference, ...] = Field(default=(), max_length=20)
    warm_shift: Ppm = 0.0
    warm_down: Switch = True
    warm_droop: LevelDifference = 0.0
    warm_time: Lasting = 120.0


class HumpTable(KeyedTable):
    """Noise over part of the spectrum: ``power`` in each ``per``."""

    start: Frequency
    stop: Positive
    power: Level
    per: Positive
    edge: Positive
    drift: LevelDriftTable | None = None


class CombTable(KeyedTable):
    """The harmonics of a switching converter, up to ``stop``; ``slope`` a decade."""

    fundamental: Positive
    power: Level
    slope: LevelDifference
    jitter: Frequency
    stop: Positive
    drift: DriftTable | None = None
    level_drift: LevelDriftTable | None = None


class ImpulsesTable(KeyedTable):
    """Broadband impulses; ``peak`` is what a peak detector shows in ``per``."""

    start: Frequency
    stop: Positive
    peak: Level
    per: Positive
    rate: Positive


class NoiseTable(Table):
    """External noise F_a = c − d·log10(f/MHz), with a course over the day."""

    c: LevelDifference
    d: LevelDifference
    course: LevelDifference = 0.0
    peak: Hour = "18:00"
    flutter: LevelDifference = 0.0
    drift: LevelDriftTable | None = None


class SceneTable(Table):
    noise: NoiseTable | None = None
    carrier: tuple[CarrierTable, ...] = ()
    voice: tuple[VoiceTable, ...] = ()
    data: tuple[DataTable, ...] = ()
    transmitter: tuple[TransmitterTable, ...] = ()
    hump: tuple[HumpTable, ...] = ()
    comb: tuple[CombTable, ...] = ()
    impulses: tuple[ImpulsesTable, ...] = ()


class PadTable(Table):
    kind: Literal["pad"]
    loss: LevelDifference


class CableTable(Table):
    kind: Literal["cable"]
    loss: LevelDifference
    at: Positive
    length: float = Field(default=0.0, ge=0.0, le=1000.0, description="a length in metres")


class AmplifierTable(Table):
    kind: Literal["amplifier"]
    gain: LevelDifference
    noise_figure: LevelDifference = 3.0
    start: Positive = 1e5
    stop: Positive = 2e9


class FilterTable(Table):
    """``edge`` for a low-pass or a high-pass, ``centre`` and ``width`` for the others."""

    kind: Literal["low-pass", "high-pass", "band-pass", "band-stop"]
    prototype: Literal["butterworth", "chebyshev"] = "butterworth"
    order: Count = Field(default=3, ge=1, le=15)
    ripple: LevelDifference = 0.1
    edge: Positive | None = None
    centre: Positive | None = None
    width: Positive | None = None
    loss: LevelDifference = 0.0
    floor: LevelDifference = 90.0

    def misfits(self) -> Iterator[Misfit]:
        one = self.kind in ("low-pass", "high-pass")
        given = (self.edge is not None, self.centre is not None, self.width is not None)
        if given != ((True, False, False) if one else (False, True, True)):
            accepted = "`edge` alone" if one else "`centre` and `width`"
            yield Misfit(key="", problem=f"the wrong edges for a {self.kind}", accepted=accepted)


class TerminationTable(Table):
    kind: Literal["open", "short", "load"]
    return_loss: LevelDifference = 46.0


class AntennaTable(Table):
    kind: Literal["antenna"]
    resonance: Positive
    q: float = Field(gt=0.0, le=10_000.0)
    resistance: Ohm = 42.0


class BridgeTable(Table):
    """``load`` names a device; ``cable`` one between the test port and it."""

    kind: Literal["bridge"]
    load: str
    cable: str | None = None
    loss: LevelDifference = 12.0
    directivity: LevelDifference = 35.0
    source_match: LevelDifference = 30.0


AnyDevice = Annotated[
    PadTable
    | CableTable
    | AmplifierTable
    | FilterTable
    | TerminationTable
    | AntennaTable
    | BridgeTable,
    Field(discriminator="kind"),
]


class InstrumentTable(Table):
    """One instrument: who it is, what it can do, and what it is connected to."""

    maker: str = "GANNET"
    model: str = "LOOKOUT 1"
    serial_number: str = "0"
    firmware: str = "1.0"
    scene: str | None = None
    path: tuple[str, ...] = ()
    source_path: tuple[str, ...] | None = None
    start: Frequency = 100e3
    stop: Positive = 960e6
    points_min: Count = Field(default=51, ge=2)
    points_max: Count = Field(default=1001, ge=2, le=100_001)
    rbw_min: Positive = 1e3
    rbw_max: Positive = 1e6
    detectors: tuple[DetectorName, ...] = Field(default=tuple(Detector), min_length=1)
    attenuation_max: LevelDifference = 30.0
    attenuation_step: LevelDifference = 10.0
    danl: Level = -148.0
    accuracy: LevelDifference = 1.5
    step: LevelDifference = 0.01
    frequency_accuracy: Ppm = 2.5
    compression: Level = 0.0
    toi: Level = 10.0
    shi: Level = 35.0
    residuals: Count = Field(default=4, ge=0, le=50)
    residual: Level = -100.0
    sweep_factor: float = Field(default=2.5, ge=1.0, le=1000.0)
    sweep_min: Lasting = 0.02
    away: tuple[AwayTable, ...] = Field(default=(), max_length=100)
    trouble: tuple[TroubleTable, ...] = Field(default=(), max_length=100)
    absolute_max: Level = 10.0
    source_min: Level | None = None
    source_max: Level | None = None

    rules: ClassVar[tuple[KeyRule, ...]] = (Together(("source_min", "source_max")),)

    def misfits(self) -> Iterator[Misfit]:
        for low, high in (("start", "stop"), ("points_min", "points_max"), ("rbw_min", "rbw_max")):
            if getattr(self, low) > getattr(self, high):
                accepted = f"a `{low}` below `{high}`"
                yield Misfit(key=low, problem=f"above `{high}`", accepted=accepted)
        if not rbw_steps_hz(self.rbw_min, self.rbw_max):
            accepted = "limits with a step of 1-3-10 between them, such as 1 kHz to 1 MHz"
            yield Misfit(key="rbw_min", problem="no step up to `rbw_max`", accepted=accepted)
        if self.attenuation_step <= 0.0:
            accepted = "an `attenuation_step` above 0 dB"
            yield Misfit(key="attenuation_step", problem="no step", accepted=accepted)
        if not 0.0 < self.step <= 1.0:
            accepted = "a `step` above 0 dB, at most 1 dB"
            yield Misfit(key="step", problem="out of bounds", accepted=accepted)


class FileTable(Table):
    title: str = ""
    time_zone: Annotated[str, AfterValidator(_zone)] = "UTC"
    seed: Count = Field(ge=0, lt=2**63, description="a whole number: the same seed, the same scene")
    scene: dict[str, SceneTable] = Field(default_factory=dict)
    device: dict[str, AnyDevice] = Field(default_factory=dict)
    instrument: dict[str, InstrumentTable] = Field(min_length=1, description="an instrument")
