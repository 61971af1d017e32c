"""The data model of a sweep: what was asked for, what came back, and what it came from.

Two shapes of the same frequencies exist on purpose. A :class:`Sweep` keeps the axis as the sweeper
gave it: uneven, falling or with duplicates, as real receivers do. A :class:`Grid` is the view that
measures see: the same points in rising order. Everything here is picklable and knows no I/O.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace
from enum import IntFlag, StrEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from acqd.units import LevelUnit

__all__ = [
    "NO_FLAGS",
    "Capabilities",
    "Detector",
    "Grid",
    "Hop",
    "Identity",
    "LevelUnit",
    "Reported",
    "SourceRequest",
    "Sweep",
    "SweepFlag",
    "SweepRequest",
]

Float = NDArray[np.float64]
Levels = NDArray[np.float32] | NDArray[np.float64] | NDArray[np.complex64] | NDArray[np.complex128]


class Detector(StrEnum):
    """How the readings inside one point become one value."""

    POSITIVE = "positive"
    NEGATIVE = "negative"
    SAMPLE = "sample"
    RMS = "rms"
    AVERAGE = "average"
    """Mean of the dB readings: 2.51 dB below the power mean on Gaussian noise."""


class SweepFlag(IntFlag):
    """What is to be known about one sweep before trusting it. Stored with it as CF flag masks."""

    NOT_FINITE = 1
    """At least one level is NaN: the sweeper gave no number there, or a hop failed."""
    HOP_FAILED = 2
    REPEATED = 4
    """Equal to the sweep before, bit for bit: the sweeper may be frozen."""
    SETTINGS_DIFFER = 8
    """The sweeper reports other settings than were asked for."""
    OVERLOAD = 16
    """The sweeper itself reports an overload."""
    CLOCK_UNSYNCHRONISED = 32
    """The station's clock did not claim to be synchronised."""
    CLOCK_STEPPED = 64
    """The wall clock was stepped since the sweep before."""
    POWERED_ON = 128
    """The sweeper had restarted; all settings were applied anew."""
    METER_FAILED = 256
    """The measurement raised; the levels are kept all the same."""
    LATE = 512
    """Started later than half its interval after it was due."""
    TRANSMITTING = 1024
    """A transmitter that is near was keyed during the sweep."""
    SET_ASIDE = 2048
    """What its job asks for was not so during the sweep: kept and drawn, and in no figure."""


NO_FLAGS = SweepFlag(0)

_ALL_ONES = frozenset({"4294967295", "18446744073709551615"})
"""2³² − 1 and 2⁶⁴ − 1. 65535 is left alone: somebody may have made that many."""

_NO_SERIAL = frozenset(
    {"na", "nil", "none", "null", "unknown", "unset", "default", "serial", "serialnumber", "nosn"}
)

_COUNTING = ("0123456789abcdef", "1234567890", "123456789012345678901234567890", "abcdefghij")


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceRequest:
    """What a sweeper's own source should do. Off is the state of rest."""

    on: bool
    level_dbm: float | None = None
    frequency_hz: float | None = None
    """None: the source tracks the sweep."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRequest:
    """One sweep as asked for. None leaves a setting to the sweeper, which reports what it took."""

    start_hz: float
    stop_hz: float
    points: int
    rbw_hz: float | None = None
    vbw_hz: float | None = None
    detector: Detector | None = None
    attenuation_db: float | None = None
    reference_level_dbm: float | None = None
    sweep_time_s: float | None = None
    averages: int | None = None
    source: SourceRequest | None = None

    def __post_init__(self) -> None:
        if not (np.isfinite(self.start_hz) and np.isfinite(self.stop_hz)) or self.start_hz < 0:
            raise ValueError(
                f"start_hz and stop_hz must be finite and not below 0, "
                f"got {self.start_hz} and {self.stop_hz}"
            )
        if self.stop_hz < self.start_hz:
            raise ValueError(f"stop_hz must not be below start_hz, got {self.stop_hz} Hz")
        if self.points < 1:
            raise ValueError(f"points must be at least 1, got {self.points}")
        for name in ("rbw_hz", "vbw_hz", "sweep_time_s"):
            value = getattr(self, name)
            if value is not None and not value > 0:
                raise ValueError(f"{name} must be above 0, got {value}")

    @property
    def span_hz(self) -> float:
        return self.stop_hz - self.start_hz

    @property
    def step_hz(self) -> float:
        """Spacing of the points; 0 for zero span or a single point."""
        return self.span_hz / (self.points - 1) if self.points > 1 else 0.0

    def frequencies_hz(self) -> Float:
        """The even axis asked for, float64 (points,)."""
        return np.linspace(self.start_hz, self.stop_hz, self.points)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reported:
    """The settings that a sweep was really taken with, as the sweeper reports them.

    None where it does not say. ``assumed`` names the fields that nobody reported and that a stated
    default stands in for.
    """

    rbw_hz: float | None = None
    vbw_hz: float | None = None
    detector: Detector | None = None
    attenuation_db: float | None = None
    reference_level_dbm: float | None = None
    sweep_time_s: float | None = None
    averages: int | None = None
    source_level_dbm: float | None = None
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Who a sweeper says it is. Empty where it does not say."""

    maker: str = ""
    model: str = ""
    serial_number: str = ""
    firmware: str = ""
    location: str = ""
    """Where it is plugged in (USB path), for sweepers without a serial number of their own."""

    @property
    def doubt(self) -> str | None:
        """Why the serial number cannot tell this instrument from another; None where it can.

        Nothing, zeros (IEEE 488.2 has "0" answered where there is none, 10.14, from memory), all
        ones (memory that was erased reads so: f, -1, the largest number of 32 bits), one character
        again and again, counting (1234567, abcdef), and words that say that there is none.
        """
        serial = self.serial_number.strip().lower().removeprefix("0x")
        plain = "".join(one for one in serial if one.isalnum())
        if not plain:
            return "it is empty"
        if set(plain) <= {"0"}:
            return "it is all zeros"
        if serial == "-1" or set(plain) <= {"f"} or plain in _ALL_ONES:
            return "it is all ones, as erased memory reads"
        if plain in _NO_SERIAL:
            return "it is a word that stands for none"
        if len(plain) >= 4 and len(set(plain)) == 1:
            return "it is one character again and again"
        if len(plain) >= 6 and any(plain in row for row in _COUNTING):
            return "it only counts up"
        return None

    @property
    def is_doubtful(self) -> bool:
        """True where the serial number tells no instrument from another, see :attr:`doubt`."""
        return self.doubt is not None

    def is_other_than(self, before: Identity) -> bool:
        """Whether this is another instrument than ``before``, as far as anybody can tell.

        Maker, model and serial number tell; a doubtful serial number is no proof, and firmware and
        place are none.
        """
        for name in ("maker", "model"):
            now, was = getattr(self, name), getattr(before, name)
            if now.strip().casefold() != was.strip().casefold():
                return True
        if self.is_doubtful or before.is_doubtful:
            return False
        return self.serial_number != before.serial_number

    def after(self, known: Identity | None) -> Identity:
        """This one by what is known best: a serial number that ``known`` had and that was lost
        since is kept in mind, so that another one after it is noticed."""
        if known is None or known.is_doubtful or not self.is_doubtful or self.is_other_than(known):
            return self
        return replace(self, serial_number=known.serial_number)

    def __str__(self) -> str:
        parts = [part for part in (self.maker, self.model) if part]
        name = " ".join(parts) or "unnamed sweeper"
        serial = f", serial number {self.serial_number}" if self.serial_number else ""
        firmware = f", firmware {self.firmware}" if self.firmware else ""
        return f"{name}{serial}{firmware}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Capabilities:
    """What a sweeper can do. Limits are inclusive; None or an empty tuple means it does not say.

    ``level_accuracy_db`` is the half-width of the maker's stated interval, ``absolute_max_dbm`` the
    largest input that does no damage; unknown (None) forbids jobs with a transmitter (G7).
    """

    start_hz: float
    stop_hz: float
    points_min: int = 2
    points_max: int = 1001
    points_allowed: tuple[int, ...] = ()
    rbw_steps_hz: tuple[float, ...] = ()
    rbw_min_hz: float | None = None
    rbw_max_hz: float | None = None
    noise_bandwidth_ratio: float | None = None
    """Noise bandwidth over what it calls its RBW; None: taken for a Gaussian filter's, 1.0645."""
    detectors: tuple[Detector, ...] = ()
    attenuation_steps_db: tuple[float, ...] = ()
    averages_max: int = 1
    unit: LevelUnit = LevelUnit.DBM
    resolution: float | None = None
    """Step of the levels in their unit where the sweeper quantises, e.g. 0.01 dB."""
    is_complex: bool = False
    level_accuracy_db: float | None = None
    frequency_accuracy_ppm: float | None = None
    absolute_max_dbm: float | None = None
    source: bool = False
    source_start_hz: float | None = None
    source_stop_hz: float | None = None
    source_min_dbm: float | None = None
    source_max_dbm: float | None = None
    gives_time: bool = False
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Hop:
    """One of the pieces that a wide or fine sweep was taken in."""

    first_point: int
    points: int
    started_s: float
    took_s: float
    ok: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """One sweep as it came back, levels at the sweeper's input, times by the station's clocks.

    ``level`` holds canonical values (see :mod:`acqd.canonical`), shape (points,), in ``unit`` and
    in the sweeper's own order of points; ``frequency_hz`` is float64 of the same shape.
    ``started_s`` is wall time (seconds since 1970-01-01T00:00:00Z), ``monotonic_s`` belongs to
    ``boot_id``. ``sweeper_time_s`` is the sweeper's own stamp where it gives one.
    """

    request: SweepRequest
    reported: Reported
    frequency_hz: Float
    level: Levels
    unit: LevelUnit
    resolution: float | None
    started_s: float
    monotonic_s: float
    took_s: float
    boot_id: str
    clock_synchronised: bool | None
    identity: Identity
    sweeper_time_s: float | None = None
    flags: SweepFlag = NO_FLAGS
    hops: tuple[Hop, ...] = ()

    def __post_init__(self) -> None:
        if self.frequency_hz.shape != self.level.shape or self.level.ndim != 1:
            raise ValueError(
                f"frequency_hz and level must be one-dimensional and of one length, "
                f"got {self.frequency_hz.shape} and {self.level.shape}"
            )


@dataclass(frozen=True)
class Grid:
    """Frequencies in rising order, and how to bring a sweep's points into it.

    ``order`` is the stable permutation: ``level[order]`` belongs to ``frequency_hz``. Duplicates
    stay, one after the other, in the order in which the sweeper gave them.
    """

    frequency_hz: Float
    order: NDArray[np.intp] | None = field(default=None, repr=False)

    @classmethod
    def from_axis(cls, frequency_hz: Float) -> Grid:
        """The grid of an axis as a sweeper gave it.

        Raises:
            ValueError: an empty axis, or one with values that are not finite.
        """
        axis = np.asarray(frequency_hz, dtype=np.float64)
        if axis.ndim != 1 or axis.size == 0 or not np.isfinite(axis).all():
            raise ValueError("a frequency axis must be one-dimensional, finite and not empty")
        if axis.size == 1 or bool((np.diff(axis) >= 0).all()):
            return cls(frequency_hz=axis)
        order = np.argsort(axis, kind="stable")
        return cls(frequency_hz=axis[order], order=order)

    def rising(self, level: NDArray[np.generic]) -> NDArray[np.generic]:
        """``level`` in the order of this grid; the same array where it already is."""
        return level if self.order is None else level[self.order]

    @property
    def points(self) -> int:
        return int(self.frequency_hz.size)

    @cached_property
    def is_even(self) -> bool:
        """True where all steps agree within a millionth of the mean step."""
        if self.points < 3:
            return True
        steps = np.diff(self.frequency_hz)
        mean_hz = float(steps.mean())
        return mean_hz > 0 and bool(np.all(np.abs(steps - mean_hz) <= 1e-6 * mean_hz))

    @cached_property
    def cell_hz(self) -> Float:
        """Width of the cell that each point stands for, float64 (points,).

        Cell borders lie halfway between points; the outer cells reach as far out as in.
        """
        if self.points == 1:
            return np.zeros(1)
        middle = (self.frequency_hz[1:] + self.frequency_hz[:-1]) / 2.0
        low = np.concatenate(([2 * self.frequency_hz[0] - middle[0]], middle))
        high = np.concatenate((middle, [2 * self.frequency_hz[-1] - middle[-1]]))
        return np.asarray(high - low)

    @cached_property
    def digest(self) -> str:
        """Short digest of the frequencies and of the order they came in."""
        state = hashlib.sha256(self.frequency_hz.astype("<f8").tobytes())
        if self.order is not None:
            state.update(self.order.astype("<i8").tobytes())
        return state.hexdigest()[:16]
