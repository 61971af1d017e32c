"""Occupancy against worked definitions and intervals.

Terms: Rec. ITU-R SM.1880-2 and Report ITU-R SM.2256-1 (definitions as restated elsewhere; the texts
themselves were not at hand). Worked values are derived from those definitions.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from acqd.measure import markov, occupancy
from acqd.measure.channels import Channel
from acqd.measure.statistics import normal_quantile, wilson_interval
from acqd.sweep import Grid


@pytest.mark.source("Rec. ITU-R SM.1880-2, its definitions", "read elsewhere")
@pytest.mark.source("worked example", "derived")
def test_fco_and_sro_of_five_sweeps() -> None:
    """5 sweeps × 4 channels, hits 4, 0, 1, 3: FCO 0.8, 0, 0.2, 0.6 and SRO 0.4."""
    fco = occupancy.channel_occupancy(np.array([4, 0, 1, 3]), np.array([5, 5, 5, 5]))
    assert fco.tolist() == [0.8, 0.0, 0.2, 0.6]
    assert occupancy.resource_occupancy(fco) == pytest.approx(0.4)


@pytest.mark.source("Rec. ITU-R SM.1880-2, its definitions", "read elsewhere")
@pytest.mark.source("worked example", "derived")
def test_a_signal_that_does_not_fill_its_channel() -> None:
    """3 channels × 4 steps, A active in half the sweeps in 2 of its 4 steps.

    FCO 0.5, 0, 0; SRO 0.16667; FBO 0.08333: FBO ≤ SRO wherever a signal leaves steps free.
    """
    grid = Grid.from_axis(np.arange(12.0))
    channels = [Channel(name=n, centre_hz=1.5 + 4 * i, width_hz=4.0) for i, n in enumerate("ABC")]
    above = np.zeros((10, 12), dtype=np.bool_)
    above[::2, 1:3] = True
    index = occupancy.index_channels(grid, channels)
    busy, judged = occupancy.channel_visits(above, index)
    fco = occupancy.channel_occupancy(busy.sum(axis=0), judged.sum(axis=0))
    assert fco.tolist() == [0.5, 0.0, 0.0]
    assert occupancy.resource_occupancy(fco) == pytest.approx(0.16667, abs=5e-6)
    assert occupancy.band_occupancy(above) == pytest.approx(0.08333, abs=5e-6)


@pytest.mark.source("Wilson's interval", "derived")
@pytest.mark.parametrize(
    ("hits", "trials", "low", "high"),
    [(30, 300, 0.070948, 0.139166), (0, 300, 0.0, 0.012643), (5, 50, 0.043476, 0.213602)],
)
def test_wilson_intervals(hits: int, trials: int, low: float, high: float) -> None:
    """95 % (derived)."""
    assert wilson_interval(hits, trials) == pytest.approx((low, high), abs=5.1e-7)


@pytest.mark.source("interval of Clopper and Pearson", "derived")
@pytest.mark.source("SciPy, stats.binomtest", "compared")
@pytest.mark.parametrize(
    ("hits", "trials", "low", "high"),
    [(30, 300, 0.068492, 0.139673), (0, 300, 0.0, 0.012221), (5, 50, 0.033275, 0.218135)],
)
def test_wilson_beside_the_exact_interval(hits: int, trials: int, low: float, high: float) -> None:
    """Wilson's is the shorter one away from 0, and stays within 0.011 of the exact one."""
    exact = stats.binomtest(hits, trials).proportion_ci(0.95, method="exact")
    assert (exact.low, exact.high) == pytest.approx((low, high), abs=5.1e-7)
    found = wilson_interval(hits, trials)
    assert found == pytest.approx((low, high), abs=0.011)
    assert (found[1] - found[0] < high - low) == (hits > 0)


@pytest.mark.source("standard normal distribution", "derived")
@pytest.mark.parametrize(
    ("confidence", "z"), [(0.95, 1.959964), (0.90, 1.644854), (0.99, 2.575829)]
)
def test_normal_quantiles(confidence: float, z: float) -> None:
    """Two-sided."""
    assert normal_quantile((1.0 + confidence) / 2.0) == pytest.approx(z, abs=5.1e-7)


SHARES = [0.01, 0.05, 0.10, 0.15, 0.20, 0.30, 0.50, 0.70, 0.90]


@pytest.mark.source("normal approximation of a proportion", "derived")
@pytest.mark.parametrize(
    ("error", "counts"),
    [
        ({"relative": 0.1}, [38031, 7299, 3458, 2177, 1537, 897, 385, 165, 43]),
        ({"relative": 0.2}, [9508, 1825, 865, 545, 385, 225, 97, 42, 11]),
        ({"absolute": 0.01}, [381, 1825, 3458, 4898, 6147, 8068, 9604, 8068, 3458]),
    ],
    ids=["10 % of it", "20 % of it", "1 % absolute"],
)
def test_samples_needed(error: dict[str, float], counts: list[int]) -> None:
    """n = z²(1 − p)/(δ²p) and z²p(1 − p)/ε², 95 % (derived, normal approximation)."""
    assert [occupancy.samples_needed(share, **error) for share in SHARES] == counts


@pytest.mark.source("two-state Markov channel", "derived")
@pytest.mark.parametrize(
    ("on_s", "off_s", "revisit_s", "factor", "samples"),
    [
        (10.0, 90.0, 4.0, 4.57383, 15814),
        (10.0, 40.0, 4.0, 4.08299, 6274),
        (10.0, 90.0, 30.0, 1.07399, 3714),
    ],
)
def test_dependent_samples_need_more(
    on_s: float, off_s: float, revisit_s: float, factor: float, samples: int
) -> None:
    """(1 + ρ)/(1 − ρ) of a two-state Markov channel (derived)."""
    found = occupancy.dependent_factor(revisit_s, on_s, off_s)
    assert found == pytest.approx(factor, abs=5.1e-6)
    share = on_s / (on_s + off_s)
    independent = 1.959964**2 * (1 - share) / (0.01 * share)
    assert found * independent == pytest.approx(samples, abs=1.0)


@pytest.mark.source("two-state Markov channel", "derived")
@pytest.mark.parametrize(
    ("on_s", "off_s", "revisit_s", "rho", "samples", "hours"),
    [
        (10.0, 90.0, 4.0, 0.641180, 15_814, 17.57),
        (10.0, 40.0, 4.0, 0.606531, 6_274, 6.97),
        (10.0, 90.0, 30.0, 0.035674, 3_714, 30.94),
        (10.0, 90.0, 1.0, 0.894839, 62_296, 17.30),
    ],
)
def test_campaigns_of_dependent_visits(
    on_s: float, off_s: float, revisit_s: float, rho: float, samples: int, hours: float
) -> None:
    """δ = 10 %, 95 % (derived). Sampling faster does not shorten a campaign much."""
    share = on_s / (on_s + off_s)
    pairs = 10_000_000
    leaves = round(pairs * share * (1 - share) * (1 - rho))
    counts = markov.Transitions(
        free_free=np.array([round(pairs * (1 - share)) - leaves]),
        free_busy=np.array([leaves]),
        busy_free=np.array([leaves]),
        busy_busy=np.array([round(pairs * share) - leaves]),
    )
    fit = markov.fit_markov(counts, revisit_s=revisit_s)
    assert fit.rho[0] == pytest.approx(rho, abs=2e-6)
    assert fit.mean_on_s[0] == pytest.approx(on_s, rel=1e-4)
    assert fit.mean_off_s[0] == pytest.approx(off_s, rel=1e-4)
    needed = markov.visits_needed(fit.share, fit.factor, relative=0.1)
    assert needed[0] == pytest.approx(samples, abs=2.0)
    assert markov.hours_more(needed, np.zeros(1), revisit_s)[0] == pytest.approx(hours, abs=6e-3)


@pytest.mark.source("busy hour of Rec. ITU-R SM.1880-2", "from memory")
@pytest.mark.source("worked example", "derived")
def test_busy_hour_begins_at_any_slot() -> None:
    """15-minute slots: clock hours 42.5 and 27.5 %, the busy hour 60 % (derived)."""
    slots = np.array([10.0, 20.0, 60.0, 80.0, 70.0, 30.0, 10.0, 0.0]) / 100.0
    assert slots.reshape(2, 4).mean(axis=1).tolist() == pytest.approx([0.425, 0.275])
    found = occupancy.busy_hour(slots)
    assert (found.first, found.share) == (2, pytest.approx(0.60))
