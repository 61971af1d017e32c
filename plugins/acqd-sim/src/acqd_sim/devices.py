"""What stands between a source and an input: pads, cables, amplifiers, filters, a bridge.

A device passes power (``gain_db``) and reflects (``reflection``, complex, at its near port with the
far port terminated). Filters follow the low-pass prototypes: Butterworth A = 10 log10(1 + x^2n),
Chebyshev A = 10 log10(1 + ε²·T_n²(x)), with x as each kind maps frequency (textbook forms).
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from acqd.units import THERMAL_DENSITY_DBM_PER_HZ

__all__ = [
    "Amplifier",
    "Antenna",
    "Bridge",
    "Cable",
    "Device",
    "Filter",
    "Pad",
    "Passband",
    "Path",
    "Prototype",
    "Termination",
    "band_edges_hz",
    "prototype_loss_db",
]

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

C_M_PER_S = 299_792_458.0
REFERENCE_OHM = 50.0


class Device(ABC):
    """A two-port. ``noise_figure_db`` is None for a passive one: then it is its loss (290 K)."""

    noise_figure_db: float | None = None

    @abstractmethod
    def gain_db(self, frequency_hz: Float) -> Float:
        """Power gain in dB, negative for a loss; shape of ``frequency_hz``."""

    def reflection(self, frequency_hz: Float) -> Complex:
        """Reflection factor at the near port; matched unless the device knows better."""
        return np.zeros(np.shape(frequency_hz), dtype=np.complex128)


@dataclass(frozen=True, kw_only=True)
class Pad(Device):
    """An attenuator with a slope of ``flatness_db`` from 0 to ``flat_to_hz``."""

    loss_db: float
    flatness_db: float = 0.0
    flat_to_hz: float = 1e9

    def gain_db(self, frequency_hz: Float) -> Float:
        return np.asarray(-self.loss_db - self.flatness_db * frequency_hz / self.flat_to_hz)


@dataclass(frozen=True, kw_only=True)
class Cable(Device):
    """A line whose loss grows with the square root of frequency, as skin effect has it."""

    loss_db: float
    at_hz: float
    length_m: float = 0.0
    velocity_factor: float = 0.66

    def gain_db(self, frequency_hz: Float) -> Float:
        return np.asarray(-self.loss_db * np.sqrt(np.maximum(frequency_hz, 0.0) / self.at_hz))

    def turn(self, frequency_hz: Float) -> Complex:
        """Phase factor of one way through it."""
        delay_s = self.length_m / (self.velocity_factor * C_M_PER_S)
        return np.asarray(np.exp(-2j * np.pi * frequency_hz * delay_s))


@dataclass(frozen=True, kw_only=True)
class Amplifier(Device):
    """Gain falling to −3 dB at both ends of its range; its noise figure is at 290 K."""

    amplification_db: float
    noise_figure_db: float | None = 3.0
    start_hz: float = 1e5
    stop_hz: float = 2e9

    def gain_db(self, frequency_hz: Float) -> Float:
        low = self.start_hz / np.maximum(frequency_hz, 1.0)
        high = frequency_hz / self.stop_hz
        return np.asarray(
            self.amplification_db - 10.0 * np.log10(1.0 + low**4) - 10.0 * np.log10(1.0 + high**4)
        )


class Prototype(StrEnum):
    BUTTERWORTH = "butterworth"
    CHEBYSHEV = "chebyshev"


class Passband(StrEnum):
    LOW = "low-pass"
    HIGH = "high-pass"
    BAND = "band-pass"
    STOP = "band-stop"


def prototype_loss_db(x: Float, *, prototype: Prototype, order: int, ripple_db: float) -> Float:
    """Loss of a low-pass prototype at x = f/f_c, in dB, ≥ 0.

    Butterworth has 3.01 dB at x = 1, Chebyshev ``ripple_db``. Beyond 600 dB it stays there.
    """
    size = np.minimum(np.abs(x), 10.0 ** (30.0 / order))
    if prototype is Prototype.BUTTERWORTH:
        return np.asarray(10.0 * np.log10(1.0 + size ** (2 * order)))
    ripple = 10.0 ** (ripple_db / 10.0) - 1.0
    inside = np.cos(order * np.arccos(np.minimum(size, 1.0)))
    outside = np.cosh(order * np.arccosh(np.maximum(size, 1.0)))
    polynomial = np.where(size <= 1.0, inside, outside)
    return np.asarray(10.0 * np.log10(1.0 + ripple * polynomial**2))


def band_edges_hz(centre_hz: float, width_hz: float) -> tuple[float, float]:
    """Edges f1 and f2 of a band by its geometric centre (f1·f2 = f0²) and its width f2 − f1."""
    middle_hz = float(np.hypot(centre_hz, width_hz / 2.0))
    return middle_hz - width_hz / 2.0, middle_hz + width_hz / 2.0


@dataclass(frozen=True, kw_only=True)
class Filter(Device):
    """A filter from a prototype, lossless but for ``insertion_loss_db``, leaking at ``floor_db``.

    ``low_hz`` and ``high_hz`` are its edges: a low-pass has only ``high_hz``, a high-pass only
    ``low_hz``. The floor is what goes round it: no real filter's stop-band has no bottom.
    """

    passband: Passband
    prototype: Prototype = Prototype.BUTTERWORTH
    order: int = 3
    ripple_db: float = 0.1
    low_hz: float = 0.0
    high_hz: float = 0.0
    insertion_loss_db: float = 0.0
    floor_db: float = 90.0

    def mapped(self, frequency_hz: Float) -> Float:
        """x of the low-pass prototype at each frequency."""
        frequency = np.maximum(np.asarray(frequency_hz, dtype=np.float64), 1e-3)
        if self.passband is Passband.LOW:
            return np.asarray(frequency / self.high_hz)
        if self.passband is Passband.HIGH:
            return np.asarray(self.low_hz / frequency)
        centre_hz = np.sqrt(self.low_hz * self.high_hz)
        width_hz = self.high_hz - self.low_hz
        x = centre_hz / width_hz * np.abs(frequency / centre_hz - centre_hz / frequency)
        return np.asarray(x if self.passband is Passband.BAND else 1.0 / np.maximum(x, 1e-12))

    def lossless_db(self, frequency_hz: Float) -> Float:
        """Loss of the prototype alone."""
        return prototype_loss_db(
            self.mapped(frequency_hz),
            prototype=self.prototype,
            order=self.order,
            ripple_db=self.ripple_db,
        )

    def gain_db(self, frequency_hz: Float) -> Float:
        through = 10.0 ** (-(self.lossless_db(frequency_hz) + self.insertion_loss_db) / 10.0)
        return np.asarray(10.0 * np.log10(through + 10.0 ** (-self.floor_db / 10.0)))

    def reflection(self, frequency_hz: Float) -> Complex:
        """What does not pass a lossless filter comes back; the phase turns with the mapping."""
        passed = 10.0 ** (-self.lossless_db(frequency_hz) / 10.0)
        size = np.sqrt(np.maximum(1.0 - passed, 0.0))
        return np.asarray(size * np.exp(-2j * np.arctan(self.mapped(frequency_hz))))


@dataclass(frozen=True, kw_only=True)
class Termination(Device):
    """The end of a line: ``open``, ``short`` or ``load`` (with its own ``return_loss_db``)."""

    state: str = "load"
    return_loss_db: float = 46.0

    def gain_db(self, frequency_hz: Float) -> Float:
        return np.full(np.shape(frequency_hz), -np.inf)

    def reflection(self, frequency_hz: Float) -> Complex:
        size = {"open": 1.0, "short": -1.0, "load": 10.0 ** (-self.return_loss_db / 20.0)}
        return np.full(np.shape(frequency_hz), size[self.state], dtype=np.complex128)


@dataclass(frozen=True, kw_only=True)
class Antenna(Device):
    """A whip as a series resonator: Z = R·(1 + jQ(f/f0 − f0/f)), R at resonance."""

    resonance_hz: float
    q: float
    resistance_ohm: float = 42.0

    def gain_db(self, frequency_hz: Float) -> Float:
        return np.full(np.shape(frequency_hz), -np.inf)

    def reflection(self, frequency_hz: Float) -> Complex:
        ratio = np.maximum(frequency_hz, 1.0) / self.resonance_hz
        impedance = self.resistance_ohm * (1.0 + 1j * self.q * (ratio - 1.0 / ratio))
        return np.asarray((impedance - REFERENCE_OHM) / (impedance + REFERENCE_OHM))


@dataclass(frozen=True, kw_only=True)
class Bridge(Device):
    """A return-loss bridge: what passes it is what its test port reflects.

    Seen is Γ·c² + d at an unknown phase: ``directivity_db`` says how far below a full reflection
    the leak d is; ``source_match_db`` how well the test port itself is matched; ``cable`` stands
    between the port and ``load`` and is passed twice.
    """

    load: Device
    loss_db: float = 12.0
    directivity_db: float = 35.0
    source_match_db: float = 30.0
    leak_delay_s: float = 1.3e-9
    cable: Cable | None = None

    def seen(self, frequency_hz: Float) -> Complex:
        """Reflection factor that the bridge shows."""
        gamma = self.load.reflection(frequency_hz)
        if self.cable is not None:
            both_ways = 10.0 ** (2.0 * self.cable.gain_db(frequency_hz) / 20.0)
            gamma = gamma * both_ways * self.cable.turn(frequency_hz) ** 2
        turn = np.exp(-2j * np.pi * frequency_hz * self.leak_delay_s)
        match = 10.0 ** (-self.source_match_db / 20.0) * turn
        leak = 10.0 ** (-self.directivity_db / 20.0) * turn.conj()
        return np.asarray(gamma / (1.0 - match * gamma) + leak)

    def gain_db(self, frequency_hz: Float) -> Float:
        size = np.maximum(np.abs(self.seen(frequency_hz)), 1e-9)
        return np.asarray(20.0 * np.log10(size) - self.loss_db)


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """Devices in order, from what is measured to the input."""

    devices: tuple[Device, ...] = ()

    def gain_db(self, frequency_hz: Float) -> Float:
        total = np.zeros(np.shape(frequency_hz))
        for device in self.devices:
            total = total + device.gain_db(frequency_hz)
        return total

    def added_noise_mw_per_hz(self, frequency_hz: Float) -> Float:
        """Noise density at the far end that the devices themselves add (Friis, 290 K)."""
        thermal = 10.0 ** (THERMAL_DENSITY_DBM_PER_HZ / 10.0)
        total = np.zeros(np.shape(frequency_hz))
        for device in self.devices:
            gain = 10.0 ** (device.gain_db(frequency_hz) / 10.0)
            figure = device.noise_figure_db
            own = (1.0 - gain) if figure is None else (10.0 ** (figure / 10.0) - 1.0) * gain
            total = total * gain + thermal * np.maximum(own, 0.0)
        return total
