"""RBW filters in frequency and in time: skirts, shape factors, rise time and impulse bandwidth.

All values are derived from the filters' definitions: Gaussian G(f) = 2^−(2f/B3)², n equal poles.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from acqd.measure.bursts import pulse_loss_db, rise_time_s
from acqd.measure.neighbours import GAUSSIAN_SHAPE_FACTOR, poles_of, skirt_db


@pytest.mark.source("Gaussian filter, G(f) = 2^−(2f/B3)²", "derived")
@pytest.mark.parametrize(
    ("rbw_hz", "offset_hz", "rejection_db"),
    [(10e3, 12.5e3, 18.8), (3e3, 12.5e3, 209.0), (10e3, 5e3, 3.0103)],
)
def test_gaussian_skirt(rbw_hz: float, offset_hz: float, rejection_db: float) -> None:
    """3.0103·(2Δf/B3)² dB: what leaks from a neighbouring channel of a 12.5 kHz raster."""
    found = float(skirt_db(np.array(offset_hz), rbw_hz))
    assert found == pytest.approx(rejection_db, rel=1e-3)


@pytest.mark.source("n equal poles; Gaussian filter", "derived")
@pytest.mark.parametrize(
    ("shape_factor", "poles"), [(12.722, 4.0), (9.993, 5.0), (999.9995, 1.0), (4.4645, math.inf)]
)
def test_shape_factors(shape_factor: float, poles: float) -> None:
    """60 dB over 3 dB width of four, five and one poles, and of a Gaussian filter."""
    assert poles_of(shape_factor) == pytest.approx(poles, rel=1e-4)
    width = float(skirt_db(np.array(shape_factor / 2.0), 1.0, poles))
    assert width == pytest.approx(60.0, abs=0.01)
    assert pytest.approx(4.4645, abs=5e-5) == GAUSSIAN_SHAPE_FACTOR


@pytest.mark.source("Gaussian filter, G(f) = 2^−(2f/B3)²", "derived")
def test_rise_time_of_a_gaussian_filter() -> None:
    """0.34 over the half width, by convolving a step with the filter's own response."""
    rbw_hz, step_s = 1e3, 1e-6
    frequency_hz = np.fft.rfftfreq(1 << 16, step_s)
    gain = 2.0 ** (-((2.0 * frequency_hz / rbw_hz) ** 2) / 2.0)  # in voltage
    step = np.zeros(1 << 16)
    step[1 << 14 : 3 << 14] = 1.0
    rise = np.fft.irfft(np.fft.rfft(step) * gain)[: 1 << 15]
    ten, ninety = (int(np.argmax(rise > share)) for share in (0.1, 0.9))
    assert rise_time_s(rbw_hz) == pytest.approx((ninety - ten) * step_s, rel=5e-3)
    assert rise_time_s(rbw_hz) * rbw_hz / 2.0 == pytest.approx(0.3396, abs=1e-4)


@pytest.mark.source("Gaussian filter, G(f) = 2^−(2f/B3)²", "derived")
@pytest.mark.parametrize("length_s", [1e-6, 1e-5])
def test_short_pulses_read_low_by_the_impulse_bandwidth(length_s: float) -> None:
    """20 log10(B_imp·τ) with B_imp = 1.5054·B3."""
    rbw_hz = 5e3
    expected = -20.0 * math.log10(1.5054 * rbw_hz * length_s)
    assert pulse_loss_db(length_s, rbw_hz) == pytest.approx(expected, abs=0.02)
