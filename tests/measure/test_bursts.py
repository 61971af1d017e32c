"""Zero span: bursts, their lengths and how often they come."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.bursts import find_bursts, pulse_loss_db, repetition, rise_time_s

STEP_S = 1e-4


def trace(
    rng: np.random.Generator,
    *bursts: tuple[float, float],
    length_s: float = 0.5,
    level: float = -60.0,
) -> NDArray[np.float64]:
    """Bursts (start, length) of a steady level over noise of ten averages at −100."""
    time_s = np.arange(round(length_s / STEP_S)) * STEP_S
    power = 1e-10 * rng.gamma(10.0, size=time_s.size) / 10.0
    for start_s, lasts_s in bursts:
        power[(time_s >= start_s) & (time_s < start_s + lasts_s)] += 10.0 ** (level / 10.0)
    return 10.0 * np.log10(power)


def test_lengths_and_gaps_are_known_within_a_point(rng: np.random.Generator) -> None:
    """Three bursts; the power of each and the gaps between."""
    level = trace(rng, (0.05, 0.01), (0.1, 0.02), (0.3, 0.005))
    found = find_bursts(level, step_s=STEP_S, threshold=-90.0)
    assert [burst.length_s for burst in found.bursts] == pytest.approx(
        [0.01, 0.02, 0.005], abs=STEP_S
    )
    assert found.gaps_s == pytest.approx([0.04, 0.18], abs=STEP_S)
    assert [burst.level for burst in found.bursts] == pytest.approx([-60.0] * 3, abs=0.05)
    assert found.duty == pytest.approx(0.035 / 0.5, abs=1e-3)
    assert found.shortest_s == 2 * STEP_S and found.whole_lengths_s.size == 3


def test_a_slow_filter_does_not_lengthen_a_burst() -> None:
    """Behind a 1 kHz RBW edges take 0.7 ms; half the voltage is where they were."""
    time_s = np.arange(1000) * STEP_S
    sigma_s = math.sqrt(math.log(2.0)) / (math.pi * 1e3)
    rise = np.vectorize(lambda t: 0.5 * math.erfc(-t / (sigma_s * math.sqrt(2.0))))
    voltage = rise(time_s - 0.02) * rise(0.05 - time_s)
    level = 20.0 * np.log10(np.maximum(voltage, 1e-4)) - 40.0
    found = find_bursts(level, step_s=STEP_S, threshold=-70.0, rbw_hz=1e3)
    (burst,) = found.bursts
    assert burst.length_s == pytest.approx(0.03, abs=0.3 * STEP_S)
    assert burst.start_s == pytest.approx(0.02, abs=0.3 * STEP_S)
    assert found.shortest_s == pytest.approx(rise_time_s(1e3))


def test_bursts_at_the_ends_say_that_they_are_cut(rng: np.random.Generator) -> None:
    """On at the start, still on at the end, and one that runs into a hole."""
    level = trace(rng, (0.0, 0.01), (0.2, 0.01), (0.49, 0.02))
    first, middle, last = find_bursts(level, step_s=STEP_S, threshold=-90.0).bursts
    assert first.cut_at_start and not first.cut_at_end and not first.is_whole
    assert middle.is_whole
    assert last.cut_at_end and last.length_s == pytest.approx(0.01, abs=STEP_S)
    level[2095:2110] = np.nan
    cut = find_bursts(level, step_s=STEP_S, threshold=-90.0).bursts[1]
    assert cut.cut_at_end


def test_one_burst_all_along_is_cut_twice() -> None:
    """A steady signal is no burst of this length."""
    (burst,) = find_bursts(np.full(50, -30.0), step_s=STEP_S, threshold=-60.0).bursts
    assert burst.cut_at_start and burst.cut_at_end
    assert burst.length_s == pytest.approx(50 * STEP_S)


@pytest.mark.parametrize("level", [np.empty(0), np.full(20, np.nan)], ids=["empty", "missing"])
def test_nothing_gives_nothing(level: NDArray[np.float64]) -> None:
    """No bursts, no duty, no repetition."""
    found = find_bursts(level, step_s=STEP_S, threshold=-60.0)
    assert found.bursts == () and math.isnan(found.duty)
    assert repetition(level, step_s=STEP_S) is None
    with pytest.raises(ValueError, match="step_s"):
        find_bursts(level, step_s=0.0, threshold=-60.0)


@pytest.mark.parametrize("rate_hz", [17.3, 100.0, 123.456, 400.0])
@pytest.mark.parametrize("over_db", [40.0, 12.0])
def test_a_repetition_rate_is_found_within_its_uncertainty(
    rng: np.random.Generator, rate_hz: float, over_db: float
) -> None:
    """Two-millisecond bursts of lamp hash, also near the noise: three standard uncertainties."""
    starts = np.arange(0.0, 0.5, 1.0 / rate_hz) + 0.3 / rate_hz
    width_s = min(2e-3, 0.3 / rate_hz)
    level = trace(rng, *((start, width_s) for start in starts), level=-100.0 + over_db)
    found = repetition(level, step_s=STEP_S)
    assert found is not None
    assert abs(found.rate_hz - rate_hz) < 3.0 * found.rate_u_hz + 1e-4 * rate_hz
    assert found.rate_u_hz < 0.02 * rate_hz
    assert found.harmonics[0].frequency_hz == found.rate_hz


def test_rates_of_random_scenes_lie_within_their_uncertainty(rng: np.random.Generator) -> None:
    """200 traces of any length, rate, duty, level and averaging: 93 to 100 % within U, k = 2."""
    errors = []
    for _ in range(200):
        points, step_s = int(rng.integers(500, 5000)), rng.uniform(5e-5, 5e-4)
        period_s = rng.uniform(12 * step_s, points * step_s / 3.2)
        time_s = np.arange(points) * step_s + rng.uniform(0.0, period_s)
        averages = rng.choice([1.0, 3.0, 10.0])
        power = rng.gamma(averages, size=points) / averages
        on = time_s % period_s < rng.uniform(0.15, 0.5) * period_s
        power[on] += 10.0 ** rng.uniform(1.0, 4.0)
        found = repetition(10.0 * np.log10(power), step_s=step_s)
        assert found is not None
        errors.append((found.rate_hz - 1.0 / period_s) / found.rate_u_hz)
    held = np.mean(np.abs(errors) < 2.0)
    assert 0.93 <= held <= 1.0
    assert np.median(np.abs(errors)) > 0.2  # and the uncertainty is no blanket


def test_jitter_is_that_of_the_starts(rng: np.random.Generator) -> None:
    """Starts that wander by 0.5 ms around 100 Hz."""
    starts = 0.005 + np.arange(0.0, 0.48, 0.01) + rng.normal(0.0, 5e-4, size=48)
    level = trace(rng, *((start, 2e-3) for start in starts))
    bursts = find_bursts(level, step_s=STEP_S, threshold=-90.0)
    found = repetition(level, step_s=STEP_S, bursts=bursts)
    assert found is not None and found.jitter_s is not None
    assert found.rate_hz == pytest.approx(100.0, rel=0.02)
    assert found.jitter_s == pytest.approx(math.sqrt(2.0) * 5e-4, rel=0.3)


def test_unequal_pairs_repeat_with_the_pair(rng: np.random.Generator) -> None:
    """A lamp that flares differently in each half of the mains period repeats at 50 Hz."""
    starts = np.arange(0.002, 0.49, 0.02)
    level = trace(rng, *((start, 2e-3) for start in starts))
    power = 10 ** (level / 10)
    power += 10 ** (trace(rng, *((start + 0.01, 6e-3) for start in starts)) / 10)
    found = repetition(10 * np.log10(power), step_s=STEP_S)
    assert found is not None and found.rate_hz == pytest.approx(50.0, rel=1e-3)


def test_noise_and_lone_bursts_do_not_repeat(rng: np.random.Generator) -> None:
    """Neither has a rate."""
    for _ in range(50):
        assert repetition(trace(rng), step_s=STEP_S) is None
    assert repetition(trace(rng, (0.2, 0.05)), step_s=STEP_S) is None


def test_a_pulse_of_no_length_is_lost() -> None:
    """Infinitely far below its level; a long one not at all."""
    assert math.isinf(pulse_loss_db(0.0, 1e3))
    assert pulse_loss_db(1.0, 1e3) == pytest.approx(0.0, abs=1e-12)
