"""What a receiver's converter would give: complex samples of a scene around one frequency.

The levels are those that the same receiver shows when it sweeps, its fixed errors of level and
frequency included, at 0 dB attenuation: a carrier of −60 dBm is a complex exponential 60 dB below
1 mW, noise has the density that a sweep shows. What is ``full_scale_dbm`` has magnitude 1 in the
samples.

Samples are made one block after the other, each from the instant of its first sample:

* noise from a spectrum of independent Gaussian bins, shaped as the densities are at the block's
  middle, so its blocks do not hang together;
* carriers with a phase that runs on, their frequency and keying looked up every
  :data:`GRID_SAMPLES` samples: an edge of keying is hard, and right to that grid;
* voices and data as carriers of constant envelope whose frequency wanders with the stated spread,
  no faster than a sixth of the stated rate (most of what speech has is there): no words, no
  symbols;
* combs line by line (:data:`LINES_MOST` at most), each with the spread of its jitter;
* impulses as single samples that a filter of the reference bandwidth would show at their peak.

Not there: the receiver's own residual responses, products of overdrive and its own source, which
are matters of its mixer; images, a line at the centre and unequal branches, of which a modelled
converter is free. What is beyond full scale is clipped.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

import numpy as np
from numpy.typing import NDArray

from acqd.config.quantity import (
    FREQUENCY,
    Dimension,
    QuantityError,
    parse_level,
    parse_quantity,
)
from acqd.units import THERMAL_DENSITY_DBM_PER_HZ, LevelUnit
from acqd_sim.chance import generator, normal, stream_key
from acqd_sim.emissions import Comb, Impulses, Tone, milliwatt
from acqd_sim.keying import Keying, On
from acqd_sim.receiver import Receiver

__all__ = ["IqSettings", "IqSource", "WrongIq"]

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

GRID_SAMPLES: Final = 32
LINES_MOST: Final = 200
DENSITIES_MOST: Final = 2048
"""Frequencies at which the densities of noise are worked out; straight lines between."""
SLOWER: Final = 6.0
"""Highest rate of a voice or of data over the rate at which its frequency wanders here."""
IMPULSE_PER_RBW: Final = 1.5054
"""Impulse bandwidth of a Gaussian filter over its 3 dB width, √(π/(2 ln 2)) (derived)."""
RATE_LIMITS_HZ: Final = (1e3, 50e6)

_TYPE: Final = re.compile(r"c(f32|f64|i32|i16|i8|u16|u8)(?:_(le|be))?")
_TYPES_TEXT: Final = "cf32, cf64, ci32, ci16 or cu16 with _le or _be, or ci8 or cu8"
_RATE: Final = Dimension(
    what="a sample rate with its unit",
    example="2 MS/s",
    units={unit: Decimal(10**n) for unit, n in (("S/s", 0), ("kS/s", 3), ("MS/s", 6))},
    other_words={"hz": "S/s", "khz": "kS/s", "mhz": "MS/s"},
)


class WrongIq(ValueError):
    """Settings that cannot be; the text says which and what would do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IqSettings:
    """What the samples are to be."""

    rate_hz: float
    centre_hz: float
    type: str = "ci16_le"
    full_scale_dbm: float = -20.0

    def __post_init__(self) -> None:
        found = _TYPE.fullmatch(self.type)
        if found is None or (found[1][1:] == "8") is not (found[2] is None):
            raise WrongIq(f"there are no samples of type {self.type!r}; accepted: {_TYPES_TEXT}")
        low_hz, high_hz = RATE_LIMITS_HZ
        if not low_hz <= self.rate_hz <= high_hz:
            raise WrongIq(f"a rate is {low_hz:g} to {high_hz:g} samples a second")

    @classmethod
    def from_texts(cls, texts: Mapping[str, str]) -> IqSettings:
        """Settings as people write them: rate, centre, type, full_scale.

        Raises:
            WrongIq: one is missing, unknown or cannot be read.
        """
        accepted = "rate and centre, and if wanted type and full_scale"
        unknown = [key for key in texts if key not in ("rate", "centre", "type", "full_scale")]
        if unknown:
            raise WrongIq(f"there is no {unknown[0]!r}; accepted: {accepted}")
        try:
            given = {
                "rate_hz": parse_quantity(texts["rate"], _RATE),
                "centre_hz": parse_quantity(texts["centre"], FREQUENCY),
            }
            if "full_scale" in texts:
                given["full_scale_dbm"], unit = parse_level(texts["full_scale"])
                if unit is not LevelUnit.DBM:
                    raise WrongIq(
                        f"full_scale: accepted: a level in dBm, got {texts['full_scale']}"
                    )
        except KeyError as exc:
            raise WrongIq(f"{exc.args[0]} is missing; accepted: {accepted}") from exc
        except QuantityError as exc:
            raise WrongIq(str(exc)) from exc
        return cls(**given, type=texts.get("type", "ci16_le"))

    @property
    def number(self) -> np.dtype[np.generic]:
        """Type of one component."""
        found = _TYPE.fullmatch(self.type)
        assert found is not None, "checked when it was made"
        width = int(found[1][1:]) // 8
        return np.dtype(f"{'>' if found[2] == 'be' else '<'}{found[1][0]}{width}")

    @property
    def frame_bytes(self) -> int:
        return 2 * self.number.itemsize

    def encoded(self, samples: Complex) -> bytes:
        """Samples with full scale at 1 as bytes; what is beyond it is clipped."""
        number = self.number
        parts = np.ascontiguousarray(samples).view(np.float64)
        if number.kind == "f":
            return np.clip(parts, -1.0, 1.0).astype(number).tobytes()
        half = 2.0 ** (8 * number.itemsize - 1)
        counts = np.clip(np.rint(parts * half), -half, half - 1.0)
        return (counts + half if number.kind == "u" else counts).astype(number).tobytes()


@dataclass(slots=True, kw_only=True)
class _Line:
    """One carrier of constant envelope, with the phase that it has come to."""

    name: str
    tone: Tone
    gain: float
    key: int
    phase: float = 0.0

    def field(self, at_s: Float, settings: IqSettings, error: float) -> Complex | None:
        """Amplitude at each sample; ``at_s`` is their instants, on an even grid. None while off."""
        tone = self.tone
        coarse_s, last_s = at_s[::GRID_SAMPLES], float(at_s[-1])
        if tone.keying.is_silent(float(at_s[0]), last_s):
            return None
        power = tone.power_mw * self.gain * tone.gain(coarse_s)
        if not power.any():
            return None
        knots_s = np.append(coarse_s, last_s + 1.0 / settings.rate_hz)
        away_hz = tone.carrier_hz(knots_s) * error - settings.centre_hz
        frequency_hz = np.interp(at_s, knots_s, away_hz)
        if tone.spread_hz > 0.0:
            frequency_hz = frequency_hz + self._wander_hz(at_s)
        # A carrier that has left the band must not come back in at its other end.
        inside = np.abs(frequency_hz) < settings.rate_hz / 2.0
        turns = np.cumsum(frequency_hz) / settings.rate_hz
        phase, self.phase = self.phase + turns, float((self.phase + turns[-1]) % 1.0)
        amplitude = np.repeat(np.sqrt(power), GRID_SAMPLES)[: at_s.size] * inside
        return np.asarray(amplitude * np.exp(2j * np.pi * phase))

    def _wander_hz(self, at_s: Float) -> Float:
        """A Gaussian course of the stated spread, the same at one instant whoever asks."""
        rate_hz = max(self.tone.rate_hz, 1.0) / SLOWER
        place = at_s * rate_hz
        knot = np.floor(place)
        first = int(knot[0])
        numbers = normal(self.key, np.arange(first, int(knot[-1]) + 2))
        index = knot.astype(np.int64) - first
        # Sine and cosine, not straight lines between: they keep the variance where it is.
        turn = (place - knot) * (np.pi / 2.0)
        wander = np.cos(turn) * numbers[index] + np.sin(turn) * numbers[index + 1]
        return np.asarray(np.clip(wander * self.tone.spread_hz, -self._peak_hz, self._peak_hz))

    @property
    def _peak_hz(self) -> float:
        return self.tone.peak_hz or 4.0 * self.tone.spread_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scaled(Keying):
    """A comb's keying and level drift, for one of its lines."""

    comb: Comb
    number: int

    @property
    def longest_s(self) -> float:
        return self.comb.keying.longest_s

    def gain(self, at_s: Float) -> Float:
        number = np.full_like(at_s, float(self.number))
        return self.comb.power_mw(number, at_s)

    def since(self, at_s: Float) -> Float:
        return self.comb.keying.since(at_s)

    def intervals(self, start_s: float, stop_s: float) -> list[On]:
        return self.comb.keying.intervals(start_s, stop_s)


class IqSource:
    """Makes the samples of one receiver from an instant on. Used by one thread.

    Args:
        start_s: scene time of the first sample.
    """

    def __init__(self, receiver: Receiver, settings: IqSettings, *, start_s: float) -> None:
        self.settings = settings
        self._receiver = receiver
        self._start_s = start_s
        self._number = 0
        self._shapes: dict[int, tuple[Float, Float, Float]] = {}
        self._error = 1.0 - receiver.frequency_error_ppm * 1e-6
        self._lines = [*self._tones(), *self._comb_lines()]
        middle = np.array([settings.centre_hz])
        self._path_gain = 10.0 ** (float(receiver.hookup.path.gain_db(middle)[0]) / 10.0)

    @property
    def next_s(self) -> float:
        """Scene time of the next sample."""
        return self._start_s + self._number / self.settings.rate_hz

    def skip(self, count: int) -> None:
        """Leave samples out. The phases of carriers jump, as they do for who missed them."""
        self._number += count

    def block(self, count: int) -> bytes:
        """The next samples, as bytes of the type."""
        samples = self.field(count) / np.sqrt(milliwatt(self.settings.full_scale_dbm))
        return self.settings.encoded(samples)

    def field(self, count: int) -> Complex:
        """The next samples as amplitudes, |·|² in mW at the input."""
        rate_hz = self.settings.rate_hz
        start_s = self.next_s
        at_s = start_s + np.arange(count) / rate_hz
        rng = generator(self._receiver.seed, "iq", round(self._start_s * 1e6), self._number)
        self._number += count
        total = self._noise(rng, count, start_s + count / rate_hz / 2.0)
        for line in self._lines:
            part = line.field(at_s, self.settings, self._error)
            if part is not None:
                total += part
        for source in self._receiver.hookup.scene.impulses:
            self._strike(total, source, start_s)
        return total

    def _error_gain(self, frequency_hz: Float) -> Float:
        """The receiver's error of level, as a factor of power."""
        return np.asarray(10.0 ** (self._receiver.level_error_db(frequency_hz, 0.0) / 10.0))

    def _noise(self, rng: np.random.Generator, count: int, at_s: float) -> Complex:
        settings, hookup = self.settings, self._receiver.hookup
        reach_hz = settings.rate_hz / 2.0
        grid_hz, fixed, gain = self._shape(min(count, DENSITIES_MOST))
        density = fixed
        for one in hookup.scene.densities:
            if one.touches(settings.centre_hz - reach_hz, settings.centre_hz + reach_hz):
                instants_s = np.full(grid_hz.size, at_s)
                density = density + one.density_mw_per_hz(grid_hz, instants_s) * gain
        power = density * settings.rate_hz / count
        if grid_hz.size < count:
            frequency_hz = settings.centre_hz - reach_hz + np.arange(count) * (2 * reach_hz / count)
            power = np.interp(frequency_hz, grid_hz, power)
        bins = rng.standard_normal((2, count)) * np.sqrt(power / 2.0)
        return np.asarray(np.fft.ifft(np.fft.ifftshift(bins[0] + 1j * bins[1])) * count)

    def _shape(self, count: int) -> tuple[Float, Float, Float]:
        """At ``count`` frequencies over the rate: these, the noise that is always there as it is
        shown, and what scales all else that comes in through the path. Worked out once."""
        known = self._shapes.get(count)
        if known is not None:
            return known
        settings, hookup = self.settings, self._receiver.hookup
        reach_hz = settings.rate_hz / 2.0
        frequency_hz = np.linspace(-reach_hz, reach_hz, count, endpoint=False)
        frequency_hz = np.maximum(settings.centre_hz + frequency_hz, 1.0)
        path_gain = 10.0 ** (hookup.path.gain_db(frequency_hz) / 10.0)
        fixed: Float = np.full(count, milliwatt(self._receiver.model.danl_dbm_per_hz))
        fixed = fixed + hookup.path.added_noise_mw_per_hz(frequency_hz)
        if hookup.scene.floor is None:
            fixed = fixed + milliwatt(THERMAL_DENSITY_DBM_PER_HZ) * path_gain
        error = self._error_gain(frequency_hz)
        self._shapes.clear()
        self._shapes[count] = frequency_hz, fixed * error, path_gain * error
        return self._shapes[count]

    def _gain_at(self, frequency_hz: float) -> float:
        at_hz = np.array([frequency_hz])
        path_db = float(self._receiver.hookup.path.gain_db(at_hz)[0])
        return float(10.0 ** (path_db / 10.0) * self._error_gain(at_hz)[0])

    def _tones(self) -> list[_Line]:
        receiver, settings = self._receiver, self.settings
        found = []
        for tone in receiver.hookup.scene.tones:
            if abs(tone.frequency_hz - settings.centre_hz) > settings.rate_hz + tone.reach_hz:
                continue
            key = stream_key(receiver.seed, receiver.hookup.scene.name, tone.name, "iq")
            gain = self._gain_at(tone.frequency_hz)
            found.append(_Line(name=tone.name, tone=tone, gain=gain, key=key))
        return found

    def _comb_lines(self) -> list[_Line]:
        receiver, settings = self._receiver, self.settings
        reach_hz = settings.rate_hz / 2.0
        found = []
        for comb in receiver.hookup.scene.combs:
            low = max(1, int(np.ceil((settings.centre_hz - reach_hz) / comb.fundamental_hz)))
            high = int((settings.centre_hz + reach_hz) / comb.fundamental_hz)
            for number in range(low, min(high, low + LINES_MOST - 1) + 1):
                spread_hz = number * comb.jitter_hz
                tone = Tone(
                    name=f"{comb.name}, line {number}",
                    kind="comb",
                    frequency_hz=number * comb.fundamental_hz,
                    power_dbm=0.0,
                    keying=_Scaled(comb=comb, number=number),
                    spread_hz=spread_hz,
                    rate_hz=SLOWER * spread_hz / 4.0,
                    drift=comb.drift,
                    order=number,
                )
                key = stream_key(receiver.seed, receiver.hookup.scene.name, tone.name, "iq")
                gain = self._gain_at(tone.frequency_hz)
                found.append(_Line(name=tone.name, tone=tone, gain=gain, key=key))
        return found

    def _strike(self, total: Complex, source: Impulses, start_s: float) -> None:
        settings = self.settings
        if not source.start_hz <= settings.centre_hz <= source.stop_hz:
            return
        stop_s = start_s + total.size / settings.rate_hz
        if source.keying.is_silent(start_s, stop_s):
            return
        strikes = source.strikes(start_s, stop_s)
        # All of an impulse falls into one sample, and spreads over the whole rate.
        scale = settings.rate_hz / (IMPULSE_PER_RBW * source.reference_hz)
        amplitude = 10.0 ** (strikes.peak_dbm / 20.0) * scale * np.sqrt(self._path_gain)
        number = ((strikes.at_s - start_s) * settings.rate_hz).astype(np.int64)
        np.add.at(total, np.clip(number, 0, total.size - 1), amplitude)
