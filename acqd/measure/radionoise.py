"""External radio noise: the medians of Rec. ITU-R P.372-17, and the figure behind a noise floor.

The external noise figure F_a is the noise power from a lossless aerial over k·T0·b, T0 = 290 K.
P.372 gives its median over places and hours of man-made noise by four kinds of surroundings, and of
galactic noise: F_am = c − d·log10(f/MHz). The medians hold in stated ranges of frequency; outside
them there is no figure here.

Values of the table: P.372-17 Part 6, eq. 17 with tables 1 and 2, read in two independent
implementations that name the edition, not in the Recommendation. That the spread with location is
a decile like that with time is from memory. Not covered: noise of the atmosphere (lightning), which
rules below 20 MHz or so by night and near storms, and of single sources nearby.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.chain import Chain, PartKind
from acqd.measure.bandpower import without_floor_db
from acqd.measure.words import frequency_text, number_text
from acqd.units import THERMAL_DENSITY_DBM_PER_HZ, db_from_ratio, ratio_from_db

__all__ = [
    "DECILE_SIGMAS",
    "LEAST_OVER_OWN_DB",
    "Antenna",
    "Comparison",
    "Environment",
    "ExternalNoise",
    "Median",
    "compare",
    "decile_sigma_db",
    "external_noise_figure",
    "field_strength_dbuv_per_m",
    "figure_from_level_db",
    "level_dbm",
    "median",
    "median_curve_db",
    "noise_gain_db",
    "system_figure_db",
]

DECILE_SIGMAS = 1.28155
"""A decile of a normal distribution lies this many standard deviations from its median."""

LEAST_OVER_OWN_DB = 3.0
"""A floor nearer than this to what the station makes itself is taken as its own (practice)."""


class Environment(StrEnum):
    """Surroundings as P.372 tells them apart, and the sky."""

    CITY = "city"
    RESIDENTIAL = "residential"
    RURAL = "rural"
    QUIET_RURAL = "quiet rural"
    GALACTIC = "galactic"


@dataclass(frozen=True, slots=True)
class _Curve:
    c_db: float
    d_db: float
    start_hz: float
    stop_hz: float
    upper_db: float | None
    lower_db: float | None
    location_db: float | None


_CURVES = {
    Environment.CITY: _Curve(76.8, 27.7, 0.3e6, 250e6, 11.0, 6.7, 8.4),
    Environment.RESIDENTIAL: _Curve(72.5, 27.7, 0.3e6, 250e6, 10.6, 5.3, 5.8),
    Environment.RURAL: _Curve(67.2, 27.7, 0.3e6, 250e6, 9.2, 4.6, 6.8),
    Environment.QUIET_RURAL: _Curve(53.6, 28.6, 0.3e6, 30e6, None, None, None),
    Environment.GALACTIC: _Curve(52.0, 23.0, 10e6, 100e6, 2.0, 2.0, None),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Median:
    """The median external noise figure, or why there is none.

    ``upper_decile_db`` and ``lower_decile_db`` are how far the deciles over time lie from it,
    ``location_decile_db`` that over places of one kind; None where P.372 prints none (quiet rural).
    """

    environment: Environment
    frequency_hz: float
    figure_db: float | None
    reason: str | None
    upper_decile_db: float | None
    lower_decile_db: float | None
    location_decile_db: float | None

    def spread_db(self) -> tuple[float, float] | None:
        """(below, above): what 80 % of times and places lie within, time and place combined by
        root of the sum of squares; None without deciles."""
        if self.upper_decile_db is None or self.lower_decile_db is None:
            return None
        place_db = self.location_decile_db or 0.0
        return math.hypot(self.lower_decile_db, place_db), math.hypot(
            self.upper_decile_db, place_db
        )


def median(environment: Environment, frequency_hz: float) -> Median:
    """F_am at one frequency; None and a reason outside the curve's range. P.372-17, see above."""
    curve = _CURVES[environment]
    figure_db, reason = None, None
    if curve.start_hz <= frequency_hz <= curve.stop_hz:
        figure_db = float(median_curve_db(environment, frequency_hz))
    else:
        start = frequency_text(curve.start_hz)
        reason = (
            f"the {environment} curve of P.372 holds from {start} to "
            f"{frequency_text(curve.stop_hz)}, not at {frequency_text(frequency_hz)}"
        )
    return Median(
        environment=environment,
        frequency_hz=frequency_hz,
        figure_db=figure_db,
        reason=reason,
        upper_decile_db=curve.upper_db,
        lower_decile_db=curve.lower_db,
        location_decile_db=curve.location_db,
    )


def median_curve_db(environment: Environment, frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """F_am against frequency, of its shape; NaN outside the range in which the curve holds."""
    curve = _CURVES[environment]
    at_hz = np.asarray(frequency_hz, dtype=np.float64)
    inside = (at_hz >= curve.start_hz) & (at_hz <= curve.stop_hz)
    log_mhz = np.log10(np.where(inside, at_hz, 1e6) / 1e6)
    return np.asarray(np.where(inside, curve.c_db - curve.d_db * log_mhz, np.nan))


def decile_sigma_db(decile_db: float) -> float:
    """Standard deviation of a normal half with this decile: D/1.28155 (derived)."""
    return decile_db / DECILE_SIGMAS


# --- level, figure, field -------------------------------------------------------------------------


def level_dbm(figure_db: ArrayLike, bandwidth_hz: float) -> NDArray[np.float64]:
    """Noise power from a lossless matched aerial: F_a + 10 log10(k·T0·b) (definition)."""
    return np.asarray(np.add(figure_db, _thermal_dbm(bandwidth_hz)))


def figure_from_level_db(level: ArrayLike, bandwidth_hz: float) -> NDArray[np.float64]:
    """The inverse of :func:`level_dbm`: all of the level counts as external."""
    return np.asarray(np.subtract(level, _thermal_dbm(bandwidth_hz)))


def system_figure_db(external_db: ArrayLike, receiver_db: ArrayLike) -> NDArray[np.float64]:
    """f = f_a − 1 + f_r: external noise and a receiver (its feeder included) at 290 K together."""
    total = ratio_from_db(external_db) - 1.0 + ratio_from_db(receiver_db)
    return db_from_ratio(total)


class Antenna(StrEnum):
    """Aerials for which P.372 ties the noise figure to a field strength."""

    SHORT_MONOPOLE = "short vertical monopole on perfect ground"
    HALF_WAVE_DIPOLE = "half-wave dipole in free space"


_FIELD_DB = {Antenna.SHORT_MONOPOLE: -95.5, Antenna.HALF_WAVE_DIPOLE: -98.9}


def field_strength_dbuv_per_m(
    figure_db: ArrayLike, *, frequency_hz: float, bandwidth_hz: float, antenna: Antenna
) -> NDArray[np.float64]:
    """Rms field strength of the noise in ``bandwidth_hz``, in dB over 1 µV/m.

    F_a + 20 log10(f/MHz) + 10 log10(b/Hz) − 95.5 (short monopole) or − 98.9 (dipole). Source:
    P.372 from memory; both constants agree with first principles to 0.01 dB (derived).

    Raises:
        ValueError: a frequency or bandwidth that is not above 0.
    """
    _check_positive(frequency_hz=frequency_hz, bandwidth_hz=bandwidth_hz)
    scale_db = 20.0 * math.log10(frequency_hz / 1e6) + 10.0 * math.log10(bandwidth_hz)
    return np.asarray(np.add(figure_db, scale_db + _FIELD_DB[antenna]))


# --- the figure behind a floor --------------------------------------------------------------------


def noise_gain_db(chain: Chain, frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Gain of a chain for noise from all around: its aerials left out, which by their directive
    gain collect no more of it."""
    parts = tuple(part for part in chain.parts if part.kind is not PartKind.ANTENNA)
    return Chain(parts).gain_db(frequency_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExternalNoise:
    """The external noise figure behind a floor, or why it cannot be told.

    ``over_own_db`` is how far the floor lies above what the station would read with a resistor at
    290 K in place of the aerial. ``parts_db`` are standard uncertainties of the figure by cause.
    """

    frequency_hz: float
    figure_db: float | None
    reason: str | None
    over_own_db: float
    own_figure_db: float
    """Noise figure of the station from the aerial on."""
    parts_db: tuple[tuple[str, float], ...]

    @property
    def u_db(self) -> float | None:
        """Combined standard uncertainty, root of the sum of squares (JCGM 100:2008 5.1.2)."""
        if self.figure_db is None:
            return None
        return math.sqrt(sum(u * u for _, u in self.parts_db))

    @property
    def expanded_db(self) -> float | None:
        """U at k = 2, for about 95 %."""
        return None if self.u_db is None else 2.0 * self.u_db


@dataclass(frozen=True, slots=True, kw_only=True)
class _Inputs:
    """What the figure follows from, all in dB, so that sensitivities can be had by moving each."""

    floor_dbm: float
    own_dbm: float
    gain_db: float
    chain_figure_db: float | None
    thermal_dbm: float

    def station_figure(self) -> float:
        """Noise factor from the aerial on: chain, then the sweeper behind its gain (Friis)."""
        gain = _ratio(self.gain_db)
        chain = 1.0 / gain if self.chain_figure_db is None else _ratio(self.chain_figure_db)
        return chain + (_ratio(self.own_dbm - self.thermal_dbm) - 1.0) / gain

    def external_db(self) -> float:
        """10 log10 f_a by f = f_a − 1 + f_r; NaN where nothing remains."""
        total = _ratio(self.floor_dbm - self.thermal_dbm - self.gain_db)
        external = total + 1.0 - self.station_figure()
        return 10.0 * math.log10(external) if external > 0.0 else math.nan


def external_noise_figure(
    *,
    floor_dbm: float,
    enb_hz: float,
    frequency_hz: float,
    instrument_floor_dbm: float | None = None,
    instrument_figure_db: float | None = None,
    chain_gain_db: float = 0.0,
    chain_figure_db: float | None = None,
    antenna_loss_db: float = 0.0,
    floor_u_db: float = 0.0,
    instrument_u_db: float = 0.0,
    level_u_db: float = 0.0,
    chain_u_db: float = 0.0,
    antenna_u_db: float = 0.0,
    enb_u_db: float = 0.0,
) -> ExternalNoise:
    """External noise figure from a floor read at the sweeper's input, own noise taken out.

    Args:
        floor_dbm: mean *power* of the noise in the equivalent noise bandwidth ``enb_hz``, with the
            aerial on, between signals. Averages of dB readings must have been corrected before.
        instrument_floor_dbm: the same with the sweeper's input terminated, same settings; or else
        instrument_figure_db: its noise figure at those settings.
        chain_gain_db: from aerial to sweeper, losses negative, without the aerial's directive gain
            (:func:`noise_gain_db`).
        chain_figure_db: noise figure of that chain. None: passive at 290 K, so its loss. Needed
            where there is gain.
        antenna_loss_db: ohmic and mismatch loss of the aerial, at 290 K.
        floor_u_db, instrument_u_db, chain_u_db, antenna_u_db, enb_u_db: standard uncertainties,
            independent of each other.
        level_u_db: that of the sweeper's level scale. It moves both floors where both were read.

    Returns:
        A figure, or None and the reason: a floor within :data:`LEAST_OVER_OWN_DB` of the station's
        own noise, or an amplifier of unknown noise. So a figure is always above 0 dB: a sky colder
        than 290 K, as at UHF, cannot be told this way.

    Raises:
        ValueError: not exactly one of the instrument's figures; values that are not finite; losses
            or uncertainties below 0; a bandwidth or frequency that is not above 0.

    Source: P.372, f = f_a − 1 + f_c·f_t·f_r with all at 290 K (derived); amplifiers by Friis' rule.
    """
    _check_positive(enb_hz=enb_hz, frequency_hz=frequency_hz)
    _check_not_negative(
        antenna_loss_db=antenna_loss_db,
        floor_u_db=floor_u_db,
        instrument_u_db=instrument_u_db,
        level_u_db=level_u_db,
        chain_u_db=chain_u_db,
        antenna_u_db=antenna_u_db,
        enb_u_db=enb_u_db,
    )
    thermal_dbm = _thermal_dbm(enb_hz)
    if (instrument_floor_dbm is None) == (instrument_figure_db is None):
        raise ValueError("state either instrument_floor_dbm or instrument_figure_db")
    own_dbm = instrument_floor_dbm
    if own_dbm is None:
        own_dbm = thermal_dbm + float(instrument_figure_db or 0.0)
    needed = (floor_dbm, own_dbm, chain_gain_db, chain_figure_db or 0.0)
    if not all(map(math.isfinite, needed)):
        raise ValueError(f"levels, gains and figures must be finite, got {needed}")
    if chain_figure_db is not None:
        chain_figure_db += antenna_loss_db
    inputs = _Inputs(
        floor_dbm=floor_dbm,
        own_dbm=own_dbm,
        gain_db=chain_gain_db - antenna_loss_db,
        chain_figure_db=chain_figure_db,
        thermal_dbm=thermal_dbm,
    )
    own_figure_db = 10.0 * math.log10(inputs.station_figure())
    over_db = floor_dbm - (own_figure_db + thermal_dbm + inputs.gain_db)
    reason = _why_not(over_db, chain_gain_db, chain_figure_db)
    parts: tuple[tuple[str, float], ...] = ()
    if reason is None:
        causes = {
            "floor": (floor_u_db, ("floor_dbm",)),
            "instrument's own floor": (instrument_u_db, ("own_dbm",)),
            # A stated noise figure does not move with the level scale; a floor read by it does.
            "level scale": (
                level_u_db,
                ("floor_dbm",) if instrument_floor_dbm is None else ("floor_dbm", "own_dbm"),
            ),
            "chain": (chain_u_db, ("gain_db",)),
            "aerial": (antenna_u_db, ("gain_db",)),
            "noise bandwidth": (
                enb_u_db,
                ("thermal_dbm", "own_dbm") if instrument_floor_dbm is None else ("thermal_dbm",),
            ),
        }
        parts = tuple(
            (name, abs(_sensitivity(inputs, moved)) * u) for name, (u, moved) in causes.items()
        )
    return ExternalNoise(
        frequency_hz=frequency_hz,
        figure_db=inputs.external_db() if reason is None else None,
        reason=reason,
        over_own_db=over_db,
        own_figure_db=own_figure_db,
        parts_db=parts,
    )


def _why_not(over_db: float, chain_gain_db: float, chain_figure_db: float | None) -> str | None:
    if chain_gain_db > 0.0 and chain_figure_db is None:
        return "the chain amplifies: its noise figure is needed to take its noise out"
    if without_floor_db(over_db) is None:
        return (
            f"the floor lies {number_text(over_db, 1)} dB over what the station makes itself, "
            f"less than {number_text(LEAST_OVER_OWN_DB, 0)} dB: it is the instrument's own"
        )
    return None


def _sensitivity(inputs: _Inputs, moved: tuple[str, ...], step_db: float = 1e-3) -> float:
    """dB of the figure per dB of the named inputs moved together, by a central difference."""

    def at(by_db: float) -> float:
        change = {name: getattr(inputs, name) + by_db for name in moved}
        return replace(inputs, **change).external_db()

    return (at(step_db) - at(-step_db)) / (2.0 * step_db)


# --- against the curves ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """A measured figure beside the median of one kind of surroundings."""

    median: Median
    over_median_db: float | None
    usual: bool | None
    """Within what 80 % of times and places lie within; None where there is nothing to tell by."""

    def __str__(self) -> str:
        if self.over_median_db is None or self.median.figure_db is None:
            return str(self.median.reason)
        side = "above" if self.over_median_db >= 0.0 else "below"
        median_text = f"{number_text(self.median.figure_db, 1)} dB"
        return (
            f"{number_text(abs(self.over_median_db), 1)} dB {side} the {self.median.environment} "
            f"median ({median_text} at {frequency_text(self.median.frequency_hz)})"
        )


def compare(figure_db: float, frequency_hz: float) -> tuple[Comparison, ...]:
    """A figure against every curve, in the order of :class:`Environment`.

    P.372's medians are over hours and places. One reading of one place above a median says how it
    stands among such places, not that something is wrong.
    """
    found = []
    for environment in Environment:
        middle = median(environment, frequency_hz)
        over_db, usual = None, None
        if middle.figure_db is not None:
            over_db = figure_db - middle.figure_db
            spread = middle.spread_db()
            usual = None if spread is None else -spread[0] <= over_db <= spread[1]
        found.append(Comparison(median=middle, over_median_db=over_db, usual=usual))
    return tuple(found)


# --- arguments ------------------------------------------------------------------------------------


def _thermal_dbm(bandwidth_hz: float) -> float:
    _check_positive(bandwidth_hz=bandwidth_hz)
    return THERMAL_DENSITY_DBM_PER_HZ + 10.0 * math.log10(bandwidth_hz)


def _ratio(level_db: float) -> float:
    return float(10.0 ** (level_db / 10.0))


def _check_positive(**values: float) -> None:
    for name, value in values.items():
        if not (value > 0.0 and math.isfinite(value)):
            raise ValueError(f"{name} must be above 0 and finite, got {value}")


def _check_not_negative(**values: float) -> None:
    for name, value in values.items():
        if not (value >= 0.0 and math.isfinite(value)):
            raise ValueError(f"{name} must not be below 0, got {value}")
