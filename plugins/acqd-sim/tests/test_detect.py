"""Statistics of noise behind detectors, against closed forms of textbook statistics."""

from __future__ import annotations

import numpy as np
import pytest
from acqd_sim.detect import LOOKS_MAX, Sampling, noise_db, shape_for, signal_db

from acqd.sweep import Detector

POINTS = 60_000

SAMPLE, RMS, AVERAGE = Detector.SAMPLE, Detector.RMS, Detector.AVERAGE
POSITIVE, NEGATIVE = Detector.POSITIVE, Detector.NEGATIVE


def drawn(detector: Detector, samples: int, video: int = 1) -> np.ndarray:
    """Readings of noise alone, the short way."""
    sampling = Sampling(detector=detector, samples=samples, video=video)
    return noise_db(np.random.default_rng(1), POINTS, sampling)


def made(detector: Detector, samples: int, video: int = 1, signal: float = 0.0) -> np.ndarray:
    """Readings of noise of power 1 made look by look, with a steady signal power."""
    sampling = Sampling(detector=detector, samples=samples, video=video)
    field = np.full((POINTS // 4, sampling.looks), np.sqrt(signal), dtype=np.complex128)
    return signal_db(np.random.default_rng(2), field, np.ones(POINTS // 4), sampling)


# Mean of dB readings below true power 10·γ/ln 10 = 2.50682 dB, standard deviation of one dB reading
# (10/ln 10)·π/√6 = 5.57004 dB, highest and lowest of N: closed forms for exponential power
# (textbook statistics, computed in double precision).
MEANS = [
    pytest.param(SAMPLE, 1, 1, -2.507, 5.570, id="sample"),
    pytest.param(SAMPLE, 40, 1, -2.507, 5.570, id="sample of many"),
    pytest.param(POSITIVE, 2, 1, 0.503, None, id="peak of 2"),
    pytest.param(POSITIVE, 5, 1, 2.997, None, id="peak of 5"),
    pytest.param(POSITIVE, 10, 1, 4.299, None, id="peak of 10"),
    pytest.param(NEGATIVE, 2, 1, -5.517, 5.570, id="lowest of 2"),
    pytest.param(NEGATIVE, 10, 1, -12.507, 5.570, id="lowest of 10"),
    pytest.param(AVERAGE, 10, 1, -2.507, 5.570 / np.sqrt(10), id="mean of 10 dB readings"),
    pytest.param(SAMPLE, 10, 10, -2.507, 5.570 / np.sqrt(10), id="video filter of 10"),
    pytest.param(SAMPLE, 50, 3, -2.507, 5.570 / np.sqrt(3), id="video filter of 3"),
]


@pytest.mark.parametrize(("detector", "samples", "video", "mean_db", "sigma_db"), MEANS)
def test_noise_reads_as_the_closed_form_says(
    detector: Detector, samples: int, video: int, mean_db: float, sigma_db: float | None
) -> None:
    """Mean and spread of dB readings, drawn at once and made look by look."""
    for readings in (drawn(detector, samples, video), made(detector, samples, video)):
        error_db = 6.0 * readings.std() / np.sqrt(readings.size) + 0.002
        assert readings.mean() == pytest.approx(mean_db, abs=error_db)
        if sigma_db is not None:
            assert readings.std() == pytest.approx(sigma_db, rel=0.03)


@pytest.mark.parametrize("samples", [100, 1000, 10_000])
def test_peak_of_many_needs_no_many_looks(samples: int) -> None:
    """Highest of N for N beyond what is made one by one (means of dB, closed form)."""
    expected_db = {100: 7.028, 1000: 8.683, 10_000: 9.872}[samples]
    assert drawn(POSITIVE, samples).mean() == pytest.approx(expected_db, abs=0.02)


@pytest.mark.parametrize("samples", [1, 3, 16, 64, 500])
def test_rms_reads_the_true_power(samples: int) -> None:
    """Mean power 1 and a spread of 1/√n, however many samples."""
    for readings in (drawn(RMS, samples), made(RMS, samples)):
        power = 10.0 ** (readings / 10.0)
        error = 6.0 / np.sqrt(samples * readings.size)
        assert power.mean() == pytest.approx(1.0, abs=error)
        assert power.std() == pytest.approx(1.0 / np.sqrt(samples), rel=0.05)


def test_noise_around_a_carrier_has_the_spread_of_a_rician() -> None:
    """20 dB over the noise: power mean S + N, and σ of dB about 8.686·√(N/2S)."""
    readings = made(SAMPLE, 1, signal=100.0)
    assert (10.0 ** (readings / 10.0)).mean() == pytest.approx(101.0, rel=0.01)
    assert readings.std() == pytest.approx(8.686 * np.sqrt(1 / 200.0), rel=0.05)


def test_rms_of_a_carrier_keeps_its_variance_beyond_the_looks() -> None:
    """2,000 samples in 64 looks: variance of the mean 2S/n + 1/n, not that of 64 samples."""
    samples = 2000
    readings = 10.0 ** (made(RMS, samples, signal=4.0) / 10.0)
    assert readings.mean() == pytest.approx(5.0, rel=0.003)
    assert readings.var() == pytest.approx((2.0 * 4.0 + 1.0) / samples, rel=0.1)


@pytest.mark.parametrize("count", [1, 2, 3, 10, 100, 5000])
def test_the_stand_in_for_a_mean_of_logs_has_its_moments(count: int) -> None:
    """ψ′(k) = π²/(6·count), and the mean is −γ: checked with SciPy's polygamma functions."""
    special = pytest.importorskip("scipy.special")
    shape, offset = shape_for(count)
    assert special.polygamma(1, shape) == pytest.approx(np.pi**2 / 6.0 / count, rel=1e-8)
    assert special.digamma(shape) + offset == pytest.approx(-np.euler_gamma, abs=1e-8)


def test_looks_are_bounded() -> None:
    """However long a point lasts, no more looks are made than stated."""
    for detector in Detector:
        assert Sampling(detector=detector, samples=10**6, video=700).looks <= LOOKS_MAX
