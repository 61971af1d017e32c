"""Amplitude probability distribution against the Rayleigh distributed envelope of Gaussian noise.

All values are derived: P(level > ℓ) = exp(−10^(ℓ/10)) with ℓ in dB over the mean power.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from acqd.measure.distribution import (
    LevelCounts,
    bins_of,
    classes_of,
    count_levels,
    exceeded_level,
    exceeded_share,
    rms_over_mean_db,
)

STEP = 0.5


@pytest.fixture(scope="module")
def rayleigh() -> LevelCounts:
    """A million readings, one at each probability (i + ½)/n: the distribution without chance."""
    n = 1_000_000
    power = -np.log((np.arange(n) + 0.5) / n)
    level = 10.0 * np.log10(power)[:, None]
    return count_levels(classes_of(level, STEP), bins_of(1), step=STEP)


@pytest.mark.source("Rayleigh envelope of Gaussian noise", "derived")
@pytest.mark.parametrize(
    ("level_db", "share"),
    [
        (-20.0, 0.990050),
        (-10.0, 0.904837),
        (0.0, 0.367879),
        (3.0, 0.135978),
        (6.0, 0.0186656),
        (10.0, 4.53999e-5),
    ],
)
def test_share_of_noise_above_a_level(rayleigh: LevelCounts, level_db: float, share: float) -> None:
    """Shares are exact at borders of classes: levels shifted by half a class put one there."""
    power_db = 10.0 * np.log10(-np.log((np.arange(1_000_000) + 0.5) / 1_000_000))
    shifted = power_db[:, None] - level_db + STEP / 2
    counts = count_levels(classes_of(shifted, STEP), bins_of(1), step=STEP)
    levels, shares = exceeded_share(counts)
    (at,) = np.flatnonzero(np.abs(levels - STEP / 2) < 1e-9)
    assert shares[at] == pytest.approx(share, abs=1e-6)
    assert math.exp(-(10.0 ** (level_db / 10.0))) == pytest.approx(share, rel=5e-6)
    # Between borders the curve of the unshifted counts passes there as well.
    levels, shares = exceeded_share(rayleigh)
    between = float(np.interp(level_db, levels, shares))
    assert between == pytest.approx(share, rel=0.03, abs=2e-5)


@pytest.mark.source("Rayleigh envelope of Gaussian noise", "derived")
@pytest.mark.parametrize(
    ("percent", "level_db"),
    [(1.0, 6.632), (10.0, 3.622), (50.0, -1.592), (90.0, -9.773), (99.0, -19.978)],
)
def test_levels_exceeded(rayleigh: LevelCounts, percent: float, level_db: float) -> None:
    """L1, L10, L50, L90, L99 of noise re its mean power, to a tenth of the 0.5 dB class."""
    assert exceeded_level(rayleigh, [percent])[0, 0] == pytest.approx(level_db, abs=0.05)


@pytest.mark.source("Rayleigh envelope of Gaussian noise", "derived")
def test_spans_between_percentiles(rayleigh: LevelCounts) -> None:
    """L10 − L50 = 5.214 dB, L50 − L90 = 8.181 dB."""
    l10, l50, l90 = exceeded_level(rayleigh, [10, 50, 90])[:, 0]
    assert l10 - l50 == pytest.approx(5.214, abs=0.06)
    assert l50 - l90 == pytest.approx(8.181, abs=0.06)


@pytest.mark.source("Rayleigh envelope of Gaussian noise", "derived")
def test_rms_over_mean_of_white_noise(rayleigh: LevelCounts) -> None:
    """V_d = 1.0491 dB."""
    assert rms_over_mean_db(rayleigh)[0] == pytest.approx(1.0491, abs=0.002)
