"""The noise of a sweeper with its input terminated, beside what its data sheet states.

Data sheets state a displayed average noise level (DANL) in one of three kinds and some RBW; levels
come from one of five detectors in another RBW. Both are brought to the same here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.bandpower import enb_hz
from acqd.measure.budget import student_factor
from acqd.measure.floor import dither, spread_of_noise
from acqd.measure.selftest import (
    Facts,
    TestFigure,
    given_or,
    number,
    reads,
    step_u,
    temperature_u,
)
from acqd.measure.statistics import (
    AVERAGES_LIMIT,
    DB_AVERAGE_OF_NOISE_DB,
    DB_PER_NEPER,
    averages_from_spread,
    peak_quantile,
    peaks_from_spread,
    percentile_bias_db,
)
from acqd.measure.verdict import Verdict, judge
from acqd.measure.words import frequency_text
from acqd.sweep import Detector
from acqd.units import THERMAL_DENSITY_DBM_PER_HZ

__all__ = [
    "ASSUMED_RBW_SHARE",
    "NoiseIs",
    "NoiseSeen",
    "NoiseStated",
    "noise_figure",
    "noise_seen",
]

Float = NDArray[np.float64]

ASSUMED_RBW_SHARE = 0.05
"""Limits of an RBW filter's true width over its nominal one (practice)."""

PEAK_DB = 0.5
"""Limits of the mean noise power as told from peak readings: how many peaks go into one has to be
guessed from their spread (computed: 0.27 dB of scatter in five sweeps of 401 points)."""

LEAST_POINTS = 32
"""Fewer show no spread of noise."""

COARSE_STEP_DB = 0.05
"""Levels in steps of this many dB or more are spread over their step first."""


class NoiseIs(StrEnum):
    """What a data sheet's figure of noise is."""

    LOG = "log"
    """Displayed with averaging in dB, or a narrow video filter: 2.51 dB below the mean power."""
    POWER = "power"
    """Displayed as mean power (rms) within the RBW."""
    DENSITY = "density"
    """Mean power per hertz of equivalent noise bandwidth."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseSeen:
    """Mean noise power within the RBW, in dBm; ``u_db`` is its standard uncertainty."""

    power_dbm: float
    u_db: float
    points: int
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseStated:
    """The noise that a sweeper is said to have: in ``rbw_hz`` at ``attenuation_db``."""

    danl_dbm: float | None
    rbw_hz: float = 1.0
    noise_is: NoiseIs = NoiseIs.LOG
    attenuation_db: float = 0.0
    tolerance_db: float | None = None


def noise_seen(
    levels: Sequence[NDArray[Any]],
    *,
    detector: Detector | None,
    independent: float,
    resolution_db: float = 0.0,
) -> NoiseSeen | None:
    """Mean power of the noise of several sweeps of a terminated input; None where nobody can tell.

    Averaged over the sweeps at each frequency first, then the median over frequency is taken, with
    the median's bias put right: residual responses and a stray carrier or two do not count, and how
    many samples go into one reading hardly matters.

    Args:
        levels: (points,) each, in dBm within the RBW; NaN is left out.
        detector: None is taken for a sample detector, and said so.
        independent: share of the points that are independent (step / noise bandwidth, at most 1).
        resolution_db: step of the levels, 0 for none to speak of.

    Returns:
        None for negative peaks, for none or too few levels, and where all sweeps are alike.

    Source: bias by the gamma distribution of averaged noise (:mod:`acqd.measure.statistics`);
    2.5068 dB for averages in dB, and the largest of M exponentials for peaks (derived).
    """
    sweeps = np.stack([np.asarray(one, dtype=np.float64) for one in levels]) if levels else None
    if sweeps is None or detector is Detector.NEGATIVE:
        return None
    if resolution_db >= COARSE_STEP_DB:
        sweeps = sweeps + dither(sweeps.shape[1], resolution_db)
    sweeps = sweeps[:, np.isfinite(sweeps).all(axis=0)]
    spreads = [spread_of_noise(one) for one in sweeps]
    known = [one for one in spreads if one]
    if sweeps.shape[1] < LEAST_POINTS or not known:
        return None
    spread = float(np.median(known))
    assumed = ("detector",) if detector is None else ()
    if detector is Detector.AVERAGE:
        each = [_mean_below(one) for one in sweeps]
        power_dbm = _mean_below(np.mean(sweeps, axis=0)) + DB_AVERAGE_OF_NOISE_DB
    elif detector is Detector.POSITIVE:
        over_db = DB_PER_NEPER * math.log(peak_quantile(peaks_from_spread(spread), 0.5))
        each = [float(np.median(one)) - over_db for one in sweeps]
        power_dbm = float(np.mean(each))
    else:
        averages = min(AVERAGES_LIMIT, max(1.0, averages_from_spread(spread)))
        each = [float(np.median(one)) for one in sweeps]
        mean_db = DB_PER_NEPER * np.log(np.mean(np.exp(sweeps / DB_PER_NEPER), axis=0))
        bias_db = percentile_bias_db(0.5, averages * len(sweeps))
        power_dbm = float(np.median(mean_db)) - bias_db
    return NoiseSeen(
        power_dbm=power_dbm,
        u_db=_noise_u(each, sweeps, min(1.0, max(independent, 1e-6)), detector),
        points=int(sweeps.shape[1]),
        assumed=assumed,
    )


def _mean_below(level_db: Float) -> float:
    """Mean in dB without what stands far above it. Noise in dB has its tail below, which counts."""
    median = float(np.median(level_db))
    sigma = 1.4826 * float(np.median(np.abs(level_db - median)))
    return float(np.mean(level_db[level_db <= median + 4.0 * max(sigma, 1e-6)]))


def _noise_u(
    each: list[float], sweeps: Float, independent: float, detector: Detector | None
) -> float:
    """Standard uncertainty of the mean, by theory from the spread over frequency or by what the
    sweeps differ by, whichever is larger; peaks have the guess of their number on top."""
    sigma = 1.4826 * float(np.median(np.abs(sweeps - np.median(sweeps, axis=1, keepdims=True))))
    # The median of n normal readings has π/2 times the variance of their mean (derived).
    by_theory = sigma * math.sqrt(math.pi / 2.0 / max(1.0, sweeps.size * independent))
    by_scatter = 0.0
    if len(each) >= 2:
        scatter = float(np.std(each, ddof=1)) / math.sqrt(len(each))
        by_scatter = scatter * (student_factor(len(each)) / 2.0 if len(each) > 2 else 1.0)
    guess = PEAK_DB / math.sqrt(3.0) if detector is Detector.POSITIVE else 0.0
    return math.hypot(max(by_theory, by_scatter), guess)


def noise_figure(
    seen: NoiseSeen | None,
    stated: NoiseStated,
    facts: Facts,
    *,
    rbw_hz: float | None,
    attenuation_db: float | None,
    range_hz: tuple[float, float],
    why_not: str = "the noise cannot be told from these levels",
) -> TestFigure:
    """The noise beside what is stated, in the stated form: its RBW, its kind, its attenuation.

    It may be lower; but not lower than a termination at 290 K by itself (−173.98 dBm/Hz, CODATA
    2018) by more than the tolerance and U: then the level scale is wrong, and it fails.
    """
    blank = _no_figure(stated, facts, range_hz, why_not)
    if seen is None:
        return blank
    if rbw_hz is None:
        return replace(blank, text="no noise figure: the sweeper does not say its RBW")
    enb_db = 10.0 * math.log10(enb_hz(1.0, facts.shape, facts.enb_per_rbw))
    padded_db = 0.0 if attenuation_db is None else attenuation_db
    per_hertz = seen.power_dbm - 10.0 * math.log10(rbw_hz) - enb_db - padded_db
    value = per_hertz + stated.attenuation_db + 10.0 * math.log10(stated.rbw_hz)
    value += {NoiseIs.LOG: enb_db - DB_AVERAGE_OF_NOISE_DB, NoiseIs.POWER: enb_db}.get(
        stated.noise_is, 0.0
    )
    parts = [seen.u_db, 0.0 if rbw_hz == stated.rbw_hz else _rbw_u()]
    expanded = 2.0 * math.hypot(*parts, *([] if not facts.level_step_db else [step_u(facts)]))
    repeat = 2.0 * math.hypot(seen.u_db, temperature_u())
    found = replace(blank, value=value, expanded=expanded, repeat=repeat)
    physical = per_hertz + padded_db < (
        THERMAL_DENSITY_DBM_PER_HZ - expanded - facts.level_tolerance_db
    )
    if physical:
        text = (
            f"{reads(found)}: {Verdict.FAIL.value}, less than a termination at 290 K gives by "
            "itself: the level scale is wrong"
        )
        return replace(found, verdict=Verdict.FAIL, text=text)
    if stated.danl_dbm is None:
        return unstated(found, "state `danl` from the data sheet for a verdict")
    tolerance = found.tolerance or 0.0
    judged = judge(value, limit=stated.danl_dbm + tolerance, expanded=expanded, side="below")
    return replace(
        found,
        verdict=judged.verdict,
        text=f"{reads(found)}, stated {number(stated.danl_dbm, expanded)} {found.unit}, at most "
        f"{tolerance:.1f} dB more: {judged.verdict.value}",
    )


def _no_figure(
    stated: NoiseStated, facts: Facts, range_hz: tuple[float, float], why_not: str
) -> TestFigure:
    """All of a figure of noise that is known without any noise."""
    start_hz, stop_hz = range_hz
    return TestFigure(
        key=f"noise {start_hz:.0f} {stop_hz:.0f}",
        title=f"Noise, {frequency_text(start_hz)} to {frequency_text(stop_hz)}",
        unit="dBm/Hz" if stated.rbw_hz == 1.0 else f"dBm in {stated.rbw_hz:g} Hz",
        value=None,
        expected=stated.danl_dbm,
        tolerance=None
        if stated.danl_dbm is None
        else given_or(stated.tolerance_db, facts.level_tolerance_db),
        one_sided=True,
        expanded=None,
        repeat=None,
        verdict=Verdict.CANNOT_TELL,
        text=f"no noise figure: {why_not}",
        frequency_hz=(start_hz + stop_hz) / 2.0,
    )


def _rbw_u() -> float:
    """Standard uncertainty in dB of the noise for the filter's true width."""
    return DB_PER_NEPER * ASSUMED_RBW_SHARE / math.sqrt(3.0)


def unstated(figure: TestFigure, advice: str) -> TestFigure:
    """A figure that nothing is stated to compare with."""
    text = f"{reads(figure)}; nobody says what it should be: {Verdict.CANNOT_TELL.value}, {advice}"
    return replace(figure, text=text)
