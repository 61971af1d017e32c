"""A swept receiver in front of a scene: what it shows, point by point, at each point's own instant.

One sweep goes through these steps, all of them vectorised over the points:

1. ``_Looks``: the instants and the tuned frequencies of each point's looks. The filter moves on
   inside a point, so a carrier between two points is not lost to a peak detector.
2. Noise: the receiver's own, what comes through the path, residual impulses excepted. (points,)
3. Signals: the field behind the filter, summed with random phases, (points, looks); only the points
   that a signal reaches are touched.
4. Detector and video filter (:mod:`acqd_sim.detect`), averaging over sweeps.
5. Imperfections: level error, compression, quantisation.

Not modelled: phase noise of the local oscillator, the image and other spurious responses, mismatch
between path and input, settling of a filter that is swept too fast (sweep times are kept slow
enough instead).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from acqd.sweep import Detector
from acqd.units import THERMAL_DENSITY_DBM_PER_HZ
from acqd_sim.chance import generator, normal, stream_key, unit
from acqd_sim.detect import DB_PER_NEPER, Sampling, noise_db, signal_db
from acqd_sim.devices import Path
from acqd_sim.emissions import Comb, Impulses, Tone, milliwatt
from acqd_sim.model import ENB_PER_RBW, Model, Settings
from acqd_sim.overdrive import Product, products_of
from acqd_sim.scene import Scene
from acqd_sim.troubles import Kind, Trouble, in_trouble

__all__ = ["Hookup", "Reading", "Receiver"]

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

SIGMA_PER_RBW = 1.0 / (2.0 * np.sqrt(2.0 * np.log(2.0)))
"""Standard deviation of the power response G = 2^−(2f/B)² over its 3 dB width B."""
REACH = 3.1
"""How many 3 dB widths away a signal is still computed: the filter is 115 dB down there."""
CACHED_LOOKS = 6
CACHED_SLICES = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Hookup:
    """What is connected: a scene through ``path``, the receiver's own source through another."""

    scene: Scene = field(default_factory=Scene)
    path: Path = field(default_factory=Path)
    source_path: Path | None = None
    path_names: tuple[str, ...] = ()
    """What the devices of ``path`` are called; empty where nobody says."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One sweep as shown: levels in dBm (points,), and whether the input was overdriven."""

    level_dbm: Float
    overload: bool


class _Looks:
    """Everything that depends on the settings alone; kept for the next sweep with the same."""

    def __init__(self, model: Model, hookup: Hookup, settings: Settings) -> None:
        self.settings = settings
        self.frequency_hz = np.linspace(settings.start_hz, settings.stop_hz, settings.points)
        self.bucket_s = settings.sweep_time_s / settings.points
        enb_hz = ENB_PER_RBW * settings.rbw_hz
        self.enb_hz = enb_hz
        self.sampling = Sampling(
            detector=settings.detector,
            samples=max(1, round(enb_hz * self.bucket_s)),
            video=max(1, round(settings.rbw_hz / settings.vbw_hz)),
        )
        looks = self.sampling.looks
        inside = (np.arange(looks) + 0.5) / looks
        self.middles_s: Float = self.bucket_s * (np.arange(settings.points, dtype=np.float64) + 0.5)
        self.offset_s: Float = self.bucket_s * (np.arange(settings.points)[:, None] + inside)
        self.tuned_hz = self.frequency_hz[:, None] + settings.step_hz * (inside - 0.5)
        self.sigma_hz = SIGMA_PER_RBW * settings.rbw_hz
        self.path_gain = 10.0 ** (hookup.path.gain_db(self.frequency_hz) / 10.0)
        attenuation = 10.0 ** (settings.attenuation_db / 10.0)
        own = milliwatt(model.danl_dbm_per_hz) * attenuation
        self.own_noise_mw = enb_hz * (own + hookup.path.added_noise_mw_per_hz(self.frequency_hz))
        if hookup.scene.floor is None:
            thermal = milliwatt(THERMAL_DENSITY_DBM_PER_HZ)
            self.own_noise_mw = self.own_noise_mw + enb_hz * thermal * self.path_gain
        self.source_field = self._source_field(model, hookup, settings)
        self.level_error_db: Float | None = None
        """What the receiver adds; filled in by it."""
        self._slices: dict[tuple[float, float], slice] = {}

    def _source_field(self, model: Model, hookup: Hookup, settings: Settings) -> Float | None:
        """Amplitude of the tracking source at each point, and zero outside its range."""
        if not settings.source_on or settings.source_hz is not None:
            return None
        gain_db = np.full(settings.points, -np.inf)
        if hookup.source_path is not None:
            gain_db = hookup.source_path.gain_db(self.frequency_hz)
        power = 10.0 ** ((settings.source_dbm + gain_db) / 10.0)
        inside = (self.frequency_hz >= model.source_start_hz) & (
            self.frequency_hz <= model.source_stop_hz
        )
        return np.asarray(np.sqrt(power) * inside)

    def slice_of(self, low_hz: float, high_hz: float) -> slice:
        """The points that something between two frequencies reaches through the filter."""
        known = self._slices.get((low_hz, high_hz))
        if known is not None:
            return known
        reach_hz = REACH * self.settings.rbw_hz + self.settings.step_hz
        low, high = np.searchsorted(
            self.frequency_hz, (low_hz - reach_hz, high_hz + reach_hz), side="left"
        )
        if len(self._slices) >= CACHED_SLICES:
            self._slices.clear()
        found = self._slices[(low_hz, high_hz)] = slice(int(low), int(high))
        return found


class Receiver:
    """A receiver of one model and seed, connected to something.

    Its errors (level, frequency, residual responses) are fixed by the seed, as a real instrument's
    are by its making. Noise of a sweep comes from (seed, counter, start).
    """

    def __init__(self, model: Model, hookup: Hookup, *, seed: int) -> None:
        self.model = model
        self.hookup = hookup
        self.seed = seed
        self._key = stream_key(seed, "receiver", model.identity.serial_number)
        self._looks: dict[Settings, _Looks] = {}
        self._broken_db = self._broken_ppm = 0.0
        self._ordered: tuple[Trouble, ...] = ()
        self._others: dict[tuple[Trouble, ...], Receiver] = {}
        self._shown: tuple[Settings, Reading] | None = None
        scene = hookup.scene
        centres_hz = np.array([tone.frequency_hz for tone in scene.tones], dtype=np.float64)
        gains = 10.0 ** (hookup.path.gain_db(centres_hz) / 10.0)
        self._tones = tuple(
            (tone, float(gain)) for tone, gain in zip(scene.tones, gains, strict=True)
        )
        middle_hz = np.array([(i.start_hz + i.stop_hz) / 2.0 for i in scene.impulses])
        self._impulses = tuple(zip(scene.impulses, hookup.path.gain_db(middle_hz), strict=True))

    def misread(self, *, level_db: float, frequency_ppm: float) -> None:
        """From now on levels read, and frequencies are shown, so much too high, on top of what it
        is off by itself. Beyond its data sheet: it is broken."""
        self._broken_db, self._broken_ppm = level_db, frequency_ppm

    def trouble(self, ordered: tuple[Trouble, ...]) -> None:
        """From now on these troubles are there, beside those that its scene has at this hour."""
        self._ordered = ordered

    def troubles(self, at_s: float) -> tuple[Trouble, ...]:
        """Those that are there at an instant of scene time."""
        if not (self._ordered or self.model.troubles):
            return ()
        return (*(one for one in self.model.troubles if one.is_on(at_s)), *self._ordered)

    @property
    def frequency_error_ppm(self) -> float:
        """Its frequency error: within the stated accuracy, unless it was told to misread."""
        # Shown too high is tuned too low: the carrier seems to lie higher.
        return self._own_error_ppm - self._broken_ppm

    @cached_property
    def _own_error_ppm(self) -> float:
        share = float(unit(self._key, 1)) * 2.0 - 1.0
        return 0.8 * share * self.model.frequency_accuracy_ppm

    @cached_property
    def residuals(self) -> tuple[Tone, ...]:
        """Its own residual responses, as tones at the mixer."""
        even = unit(self._key, np.arange(self.model.residuals), 7)
        level = normal(self._key, np.arange(self.model.residuals), 8)
        span_hz = self.model.stop_hz - self.model.start_hz
        return tuple(
            Tone(
                name=f"residual {i + 1}",
                kind="residual",
                frequency_hz=self.model.start_hz + float(even[i]) * span_hz,
                power_dbm=self.model.residual_dbm - 3.0 * abs(float(level[i])),
            )
            for i in range(self.model.residuals)
        )

    def level_error_db(self, frequency_hz: Float, attenuation_db: float) -> Float:
        """Its fixed level error, always within 0.8 of the stated accuracy."""
        phase = unit(self._key, np.arange(3), 11)
        decades = np.log10(np.maximum(frequency_hz, 1.0))
        ripple = np.zeros_like(decades)
        for i, (share, turns) in enumerate(((0.35, 0.7), (0.2, 2.3), (0.05, 9.1))):
            ripple += share * np.cos(2.0 * np.pi * (turns * decades + phase[i]))
        step = float(unit(self._key, round(attenuation_db * 10), 12)) * 2.0 - 1.0
        return np.asarray(self.model.level_accuracy_db * (ripple + 0.2 * step))

    def sweep(self, settings: Settings, *, start_s: float, counter: int) -> Reading:
        """What it shows for one sweep, averages and all.

        Args:
            start_s: scene time at which the sweep starts.
            counter: number of the sweep; the noise of two numbers is unrelated.
        """
        there = self.troubles(start_s)
        if any(one.kind is Kind.FROZEN for one in there):
            if self._shown is not None and self._shown[0] == settings:
                return self._shown[1]
            there = tuple(one for one in there if one.kind is not Kind.FROZEN)
        reading = self._with(there)._swept(settings, start_s=start_s, counter=counter)
        self._shown = settings, reading
        return reading

    def _with(self, there: tuple[Trouble, ...]) -> Receiver:
        """The same receiver, connected as it is in these troubles."""
        if not there:
            return self
        found = self._others.get(there)
        if found is None:
            if len(self._others) >= CACHED_LOOKS:
                self._others.clear()
            found = Receiver(self.model, in_trouble(self.hookup, there), seed=self.seed)
            self._others[there] = found
        found.misread(level_db=self._broken_db, frequency_ppm=self._broken_ppm)
        return found

    def _swept(self, settings: Settings, *, start_s: float, counter: int) -> Reading:
        """What the receiver shows as it is connected."""
        looks = self._looks_for(settings)
        rng = generator(self.seed, "sweep", self._key, counter, round(start_s * 1e6))
        total, overload = np.zeros(settings.points), False
        for number in range(settings.averages):
            one_s = start_s + number * settings.sweep_time_s
            level, over = self._once(looks, rng, one_s)
            overload |= over
            total += 10.0 ** (level / 10.0) if settings.detector is Detector.RMS else level
        mean = total / settings.averages
        level_dbm = 10.0 * np.log10(mean) if settings.detector is Detector.RMS else mean
        if looks.level_error_db is None:
            error_db = self.level_error_db(looks.frequency_hz, settings.attenuation_db)
            looks.level_error_db = error_db
        level_dbm = level_dbm + (looks.level_error_db + self._broken_db)
        step = self.model.level_step_db
        return Reading(level_dbm=np.rint(level_dbm / step) * step, overload=overload)

    def _looks_for(self, settings: Settings) -> _Looks:
        looks = self._looks.get(settings)
        if looks is None:
            looks = _Looks(self.model, self.hookup, settings)
            while len(self._looks) >= CACHED_LOOKS:
                self._looks.pop(next(iter(self._looks)))
            self._looks[settings] = looks
        return looks

    def _once(self, looks: _Looks, rng: np.random.Generator, start_s: float) -> tuple[Float, bool]:
        at_s = start_s + looks.offset_s
        noise_mw = self._noise_mw(looks, start_s)
        level = DB_PER_NEPER * np.log(noise_mw)
        level += noise_db(rng, looks.settings.points, looks.sampling)
        field = _Field(looks, rng)
        heard = self._add_tones(field, looks, at_s)
        self._add_rest(field, looks, at_s, start_s)
        drive = self._drive_mw(looks, heard, start_s)
        for product in products_of(self.model, looks.settings, heard, noise_mw):
            field.add_product(product, at_s)
        if field.touched.any():
            rows = np.flatnonzero(field.touched)
            level[rows] = signal_db(rng, field.rows(rows), noise_mw[rows], looks.sampling)
            self._keep_noise_peaks(level, rows, looks, rng, noise_mw)
        overload = False
        if drive is not None:
            limit_mw = milliwatt(self.model.compression_dbm)
            level -= 10.0 * np.log10(1.0 + drive / limit_mw * (10.0**0.1 - 1.0))
            overload = bool(drive.max() > limit_mw)
        return level, overload

    @staticmethod
    def _keep_noise_peaks(
        level: Float, rows: NDArray[np.intp], looks: _Looks, rng: np.random.Generator, noise: Float
    ) -> None:
        """A peak detector also sees the samples that were not made one by one."""
        sampling = looks.sampling
        rest = sampling.samples - sampling.looks
        if sampling.detector is Detector.POSITIVE and rest > 0 and not sampling.uses_video:
            others = Sampling(detector=Detector.POSITIVE, samples=rest, video=1)
            peaks = DB_PER_NEPER * np.log(noise[rows]) + noise_db(rng, rows.size, others)
            level[rows] = np.maximum(level[rows], peaks)

    def _noise_mw(self, looks: _Looks, start_s: float) -> Float:
        """Mean noise power behind the filter at each point, by its instant."""
        settings = looks.settings
        at_s = looks.middles_s + start_s
        total: Float = looks.own_noise_mw
        for density in self.hookup.scene.densities:
            if density.touches(settings.start_hz, settings.stop_hz):
                external = density.density_mw_per_hz(looks.frequency_hz, at_s)
                total = total + looks.enb_hz * external * looks.path_gain
        return total

    def _add_tones(self, field: _Field, looks: _Looks, at_s: Float) -> list[tuple[Tone, float]]:
        """Add every tone in reach; returns those that were on anywhere in the sweep."""
        settings = looks.settings
        strongest = milliwatt(settings.attenuation_db - 60.0)
        middles_s = looks.middles_s + float(at_s[0, 0] - looks.offset_s[0, 0])
        heard = []
        first_s, last_s = float(at_s[0, 0]), float(at_s[-1, -1])
        # With a margin, as the middles are a rounding away from the looks.
        first_s, last_s = first_s - looks.bucket_s, last_s + looks.bucket_s
        for tone, gain in self._tones:
            if tone.keying.is_silent(first_s, last_s):
                continue
            if tone.power_mw * gain > strongest and tone.gain(middles_s).any():
                heard.append((tone, gain))
            field.add_tone(tone, gain, at_s, self.frequency_error_ppm)
        own = 10.0 ** (settings.attenuation_db / 10.0)
        for residual in self.residuals:
            field.add_tone(residual, own, at_s, 0.0)
        return heard

    def _add_rest(self, field: _Field, looks: _Looks, at_s: Float, start_s: float) -> None:
        for comb in self.hookup.scene.combs:
            field.add_comb(comb, looks.path_gain, at_s)
        stop_s = start_s + looks.settings.sweep_time_s
        for source, gain_db in self._impulses:
            if source.keying.is_silent(start_s, stop_s):
                continue
            field.add_impulses(source, float(gain_db), start_s)
        settings = looks.settings
        if not settings.source_on:
            return
        leak = np.sqrt(milliwatt(settings.source_dbm - self.model.source_isolation_db))
        error_db = self.model.source_accuracy_db * 0.8 * (2.0 * float(unit(self._key, 21)) - 1.0)
        factor = 10.0 ** (error_db / 20.0)
        if looks.source_field is not None:
            field.add_everywhere(factor * looks.source_field, leak)
        elif settings.source_hz is not None and self.hookup.source_path is not None:
            at_hz = np.array([settings.source_hz])
            gain = float(10.0 ** (self.hookup.source_path.gain_db(at_hz)[0] / 10.0))
            fixed = Tone(
                name="source",
                kind="source",
                frequency_hz=settings.source_hz,
                power_dbm=settings.source_dbm + error_db,
            )
            field.add_tone(fixed, gain, at_s, 0.0)

    def _drive_mw(
        self, looks: _Looks, heard: list[tuple[Tone, float]], start_s: float
    ) -> Float | None:
        """Total power at the mixer at each point's instant, or None where it is far too small.

        The whole input range counts, whatever the span shows.
        """
        settings = looks.settings
        pad = 10.0 ** (-settings.attenuation_db / 10.0)
        most = sum(tone.power_mw * gain for tone, gain in heard) * pad
        source = looks.source_field
        most += 0.0 if source is None else float(source.max() ** 2) * pad
        # bursts may be up to 2.5 spreads stronger than their mean; 20 dB below there is no effect
        if most < milliwatt(self.model.compression_dbm - 30.0):
            return None
        at_s = looks.middles_s + start_s
        total = np.zeros(settings.points) if source is None else source**2 * pad
        for tone, gain in heard:
            total = total + tone.power_mw * gain * pad * tone.gain(at_s)
        return total


class _Field:
    """The sum of signals behind the filter: complex amplitudes (points, looks), |·|² in mW."""

    def __init__(self, looks: _Looks, rng: np.random.Generator) -> None:
        self.looks = looks
        self.rng = rng
        self.touched = np.zeros(looks.settings.points, dtype=np.bool_)
        self._sum: Complex | None = None

    def rows(self, rows: NDArray[np.intp]) -> Complex:
        return self._whole()[rows]

    def _whole(self) -> Complex:
        if self._sum is None:
            self._sum = np.zeros(self.looks.tuned_hz.shape, dtype=np.complex128)
        return self._sum

    def _add(self, part: slice, amplitude: Float) -> None:
        """Add amplitudes with a phase of each look's own: looks are independent of each other."""
        phase = self.rng.random(amplitude.shape) * (2.0 * np.pi)
        self._whole()[part] += amplitude * np.exp(1j * phase)
        self.touched[part] |= amplitude.any(axis=1)

    def add_tone(self, tone: Tone, gain: float, at_s: Float, error_ppm: float) -> None:
        reach_hz = tone.reach_hz + abs(error_ppm) * 1e-6 * tone.frequency_hz
        low_hz, high_hz = tone.frequency_hz - reach_hz, tone.frequency_hz + reach_hz
        part = self.looks.slice_of(low_hz, high_hz)
        if part.start >= part.stop:
            return
        at = at_s[part]
        power = tone.power_mw * gain * tone.gain(at)
        if power.any():
            error = 1.0 - error_ppm * 1e-6
            centre_hz = tone.carrier_hz(at) * error
            self._add_moving(part, power, centre_hz, tone.spread_hz, tone.peak_hz, tone.rate_hz)

    def add_product(self, product: Product, at_s: Float) -> None:
        part = self.looks.slice_of(
            product.frequency_hz - product.reach_hz, product.frequency_hz + product.reach_hz
        )
        if part.start < part.stop:
            at = at_s[part]
            power = product.power_mw(at)
            self._add_moving(
                part, power, product.carrier_hz(at), product.spread_hz, product.reach_hz, 0.0
            )

    def _add_moving(
        self,
        part: slice,
        power: Float,
        centre_hz: Float,
        spread_hz: float,
        peak_hz: float,
        rate_hz: float,
    ) -> None:
        """A constant envelope whose frequency moves: followed, or seen as noise of its spectrum."""
        sigma_hz = self.looks.sigma_hz
        away_hz = self.looks.tuned_hz[part] - centre_hz
        if spread_hz > 0.0 and self.looks.settings.rbw_hz >= rate_hz:
            moved = self.rng.standard_normal(away_hz.shape) * spread_hz
            away_hz = away_hz - np.clip(moved, -peak_hz, peak_hz)
            self._add(part, np.sqrt(power) * np.exp(-((away_hz / sigma_hz) ** 2) / 4.0))
        elif spread_hz > 0.0:
            both = sigma_hz**2 + spread_hz**2
            share = sigma_hz / np.sqrt(both) * np.exp(-(away_hz**2) / (2.0 * both))
            envelope = np.sqrt(self.rng.standard_exponential(away_hz.shape))
            self._add(part, np.sqrt(power * share) * envelope)
        else:
            self._add(part, np.sqrt(power) * np.exp(-((away_hz / sigma_hz) ** 2) / 4.0))

    def add_comb(self, comb: Comb, path_gain: Float, at_s: Float) -> None:
        """The three lines nearest to each look: the others are too far away to be seen."""
        part = self.looks.slice_of(comb.fundamental_hz * 0.5, comb.stop_hz)
        if part.start >= part.stop:
            return
        at, tuned_hz = at_s[part], self.looks.tuned_hz[part]
        spacing_hz = comb.spacing_hz(at)
        nearest = np.rint(tuned_hz / spacing_hz)
        for number in (nearest - 1.0, nearest, nearest + 1.0):
            both = self.looks.sigma_hz**2 + (number * comb.jitter_hz) ** 2
            away_hz = tuned_hz - number * spacing_hz
            share = self.looks.sigma_hz / np.sqrt(both) * np.exp(-(away_hz**2) / (2.0 * both))
            power = comb.power_mw(number, at) * share * path_gain[part, None]
            self._add(part, np.sqrt(power))

    def add_impulses(self, source: Impulses, gain_db: float, start_s: float) -> None:
        """Each impulse falls into one look of the point that was open then, or between two."""
        looks = self.looks
        settings = looks.settings
        strikes = source.strikes(start_s, start_s + settings.sweep_time_s)
        point = np.floor((strikes.at_s - start_s) / looks.bucket_s).astype(np.int64)
        point = np.clip(point, 0, settings.points - 1)
        frequency_hz = looks.frequency_hz[point]
        inside = (frequency_hz >= source.start_hz) & (frequency_hz <= source.stop_hz)
        count = looks.tuned_hz.shape[1]
        if settings.detector is Detector.SAMPLE:
            # of all samples in the point only the last is shown
            inside &= self.rng.random(point.size) < 1.0 / looks.sampling.samples
        point, peak_dbm = point[inside], strikes.peak_dbm[inside]
        if not point.size:
            return
        scale_db = 20.0 * np.log10(settings.rbw_hz / source.reference_hz)
        amplitude = 10.0 ** ((peak_dbm + gain_db + scale_db) / 20.0)
        look = self.rng.integers(0, count, point.size)
        phase = np.exp(2j * np.pi * self.rng.random(point.size))
        np.add.at(self._whole(), (point, look), amplitude * phase)
        self.touched[point] = True

    def add_everywhere(self, amplitude: Float, leak: float) -> None:
        """The tracking source: through its path (points,), and a little past it."""
        turn = np.exp(2j * np.pi * self.looks.frequency_hz * 3e-9)
        self._whole()[...] += (amplitude + leak * turn)[:, None]
        self.touched[:] = True
