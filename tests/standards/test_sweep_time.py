"""Sweep time, carriers in too fast a sweep, and what looks now and then catch.

Sources: the sweep time rule of makers' primers on swept analysis (read); the rest derived, a linear
sweep through a Gaussian filter and looks at a uniform phase.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from acqd.measure.occupancy import channel_occupancy
from acqd.measure.sweeptime import caught_share, fast_sweep, least_sweep_s, seen_share


@pytest.mark.source("makers' primers on swept analysis, k·span/RBW²", "read")
@pytest.mark.parametrize(
    ("span_hz", "rbw_hz", "sweep_s"), [(1e6, 3e3, 0.27778), (10e6, 10e3, 0.25)]
)
def test_least_sweep_time(span_hz: float, rbw_hz: float, sweep_s: float) -> None:
    """k = 2.5; a video filter of a tenth of the RBW makes it ten times as long."""
    assert least_sweep_s(span_hz, rbw_hz) == pytest.approx(sweep_s, abs=5e-6)
    slow_s = least_sweep_s(span_hz, rbw_hz, vbw_hz=rbw_hz / 10.0)
    assert slow_s == pytest.approx(10.0 * sweep_s, rel=2e-5)
    assert least_sweep_s(span_hz, rbw_hz, vbw_hz=rbw_hz * 3.0) == least_sweep_s(span_hz, rbw_hz)


def swept_through(rate: float) -> tuple[float, float]:
    """(loss in dB, width) of a carrier, by Fourier transform of a chirp through a 1 Hz filter."""
    seconds, count = 80.0, 1 << 16
    time_s = (np.arange(count) - count / 2) * seconds / count
    # A window that opens and shuts slowly, far from the filter, so that the ends do not ring.
    swept_hz = rate * time_s
    gate = 0.5 * (np.tanh((swept_hz + 6.0) * 4.0) - np.tanh((swept_hz - 6.0) * 4.0))
    chirp = gate * np.exp(1j * math.pi * rate * time_s**2)
    frequency_hz = np.fft.fftfreq(count, seconds / count)
    voltage_gain = 2.0 ** (-0.5 * (2.0 * frequency_hz) ** 2)
    out = np.abs(np.fft.ifft(np.fft.fft(chirp) * voltage_gain))
    above = swept_hz[out > out.max() / math.sqrt(2.0)]
    return -20.0 * math.log10(float(out.max())), float(above[-1] - above[0])


@pytest.mark.source("a linear sweep through a Gaussian filter", "derived")
@pytest.mark.parametrize(
    ("rate", "loss_db", "widened"),
    [(0.4, 0.0666, 1.0155), (1.0, 0.3863, 1.0930), (5.0, 3.8425, 2.4224)],
)
def test_too_fast_a_sweep(rate: float, loss_db: float, widened: float) -> None:
    """5 log10(1 + 0.194720·s²), √(1 + 0.194720·s²), and the same by Fourier transform."""
    found = fast_sweep(rate * 3e3**2, 3e3, sweep_s=1.0)
    assert found.rate == pytest.approx(rate)
    assert found.loss_db == pytest.approx(loss_db, abs=5.1e-5)
    assert found.widened == pytest.approx(widened, abs=5.1e-5)
    seen_loss_db, seen_width = swept_through(rate)
    assert seen_loss_db == pytest.approx(found.loss_db, abs=2e-3)
    assert seen_width == pytest.approx(found.widened, abs=0.02)


@pytest.mark.source("rule and loss of too fast a sweep together", "derived")
def test_rule_keeps_the_loss_small() -> None:
    """A sweep by the rule has s = 1/k = 0.4 and reads 0.0666 dB low."""
    found = fast_sweep(5e6, 3e3, sweep_s=least_sweep_s(5e6, 3e3))
    assert (found.rate, found.loss_db) == pytest.approx((0.4, 0.0666), abs=5.1e-5)
    still = fast_sweep(0.0, 3e3, sweep_s=1.0)
    assert (still.loss_db, still.widened) == (0.0, 1.0)


@pytest.mark.source("uniform phase of a burst between two looks", "derived")
@pytest.mark.parametrize(
    ("burst_s", "revisit_s", "bursts", "share"),
    [(0.3, 1.0, 1, 0.3), (0.3, 1.0, 5, 0.83193), (1.5, 1.0, 1, 1.0), (0.3, 1.0, 0, 0.0)],
)
def test_catching_a_burst(burst_s: float, revisit_s: float, bursts: int, share: float) -> None:
    """min(1, τ/T_R), and 1 − 0.7⁵ for five."""
    assert caught_share(burst_s, revisit_s, bursts=bursts) == pytest.approx(share, abs=5e-6)


@pytest.mark.source("looks of some length at a periodic signal", "derived")
def test_looks_of_some_length_read_high() -> None:
    """2 s on, 8 s off, 0.5 s of listening: 0.25 and not 0.20; counted visits agree."""
    assert seen_share(2.0, 8.0, listen_s=0.0) == 0.20
    assert seen_share(2.0, 8.0, listen_s=0.5) == 0.25
    start_s = np.random.default_rng(1880).uniform(0.0, 10.0, 40_000)
    busy = (start_s < 2.0) | (start_s + 0.5 > 10.0)
    counted = channel_occupancy(np.array([busy.sum()]), np.array([busy.size]))
    assert counted[0] == pytest.approx(0.25, abs=4.0 * math.sqrt(0.25 * 0.75 / 40_000))
    assert caught_share(2.0, 10.0, listen_s=0.5) == 0.25


@pytest.mark.source("limits of the definitions", "derived")
@pytest.mark.parametrize(
    ("on_s", "off_s", "listen_s", "share"),
    [(0.0, 5.0, 1.0, 0.0), (5.0, 0.0, 0.0, 1.0), (1.0, 2.0, 2.0, 1.0), (1.0, 2.0, 9.0, 1.0)],
)
def test_share_at_its_ends(on_s: float, off_s: float, listen_s: float, share: float) -> None:
    """Never on, always on, and looks longer than every pause."""
    assert seen_share(on_s, off_s, listen_s=listen_s) == share


@pytest.mark.source("what the functions say they refuse", "derived")
def test_what_makes_no_sense_is_refused() -> None:
    """Named in the error, with what was given."""
    with pytest.raises(ValueError, match="rbw_hz must be above 0 and finite, got 0"):
        least_sweep_s(1e6, 0.0)
    with pytest.raises(ValueError, match="span_hz must be finite and not below 0, got -1"):
        fast_sweep(-1.0, 1e3, sweep_s=1.0)
    with pytest.raises(ValueError, match="sweep_s must be above 0"):
        fast_sweep(1.0, 1e3, sweep_s=math.nan)
    with pytest.raises(ValueError, match="revisit_s must be above 0"):
        caught_share(1.0, 0.0)
    with pytest.raises(ValueError, match="on_s_and_off_s must be above 0"):
        seen_share(0.0, 0.0, listen_s=1.0)
