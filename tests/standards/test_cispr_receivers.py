"""Bands, bandwidths and scan times of receivers for interference.

Sources: CISPR 16-1-1, bandwidths and ends of bands read elsewhere (texts that restate it); CISPR
16-2, scan times from memory, their arithmetic derived; the trade's practice for the order of
detectors.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from acqd.config.limits import load_limit_profile
from acqd.measure.cispr import BANDS, band_of, least_scan_s
from acqd.measure.limit_profile import LimitDetector, WidthKind
from acqd.measure.limit_reading import compare
from acqd.measure.limits import Allowed, allowed
from acqd.measure.verdict import Verdict
from acqd.sweep import Detector

PEAK, QUASI_PEAK = LimitDetector.PEAK, LimitDetector.QUASI_PEAK


@pytest.mark.source("CISPR 16-1-1, bandwidths", "read elsewhere")
@pytest.mark.parametrize(
    ("frequency_hz", "name", "bandwidth_hz", "kind"),
    [
        (9e3, "A", 200.0, WidthKind.DB_6),
        (149e3, "A", 200.0, WidthKind.DB_6),
        (150e3, "B", 9e3, WidthKind.DB_6),
        (29e6, "B", 9e3, WidthKind.DB_6),
        (30e6, "C", 120e3, WidthKind.DB_6),
        (299e6, "C", 120e3, WidthKind.DB_6),
        (300e6, "D", 120e3, WidthKind.DB_6),
        (1e9, "D", 120e3, WidthKind.DB_6),
        (1.001e9, "E", 1e6, WidthKind.IMPULSE),
    ],
)
def test_band(frequency_hz: float, name: str, bandwidth_hz: float, kind: WidthKind) -> None:
    """200 Hz, 9 kHz and 120 kHz at 6 dB, 1 MHz of impulse bandwidth."""
    band = band_of(frequency_hz)
    assert band is not None
    assert (band.name, band.bandwidth_hz, band.kind) == (name, bandwidth_hz, kind)


@pytest.mark.source("CISPR 16-1-1, ends of bands", "read elsewhere")
@pytest.mark.parametrize("frequency_hz", [0.0, 8.99e3, 18.1e9, float("nan")])
def test_no_band_beyond_their_ends(frequency_hz: float) -> None:
    """Below 9 kHz there is none, nor above what the last is for."""
    assert band_of(frequency_hz) is None
    assert all(low.stop_hz == high.start_hz for low, high in pairwise(BANDS))


@pytest.mark.source("Gaussian filter: 6 dB width over 3 dB width is √2", "derived")
@pytest.mark.parametrize(
    ("frequency_hz", "rbw_hz"), [(50e3, 141.42), (1e6, 6363.96), (100e6, 84_852.8)]
)
def test_rbw_that_is_as_wide(frequency_hz: float, rbw_hz: float) -> None:
    """A 3 dB RBW of 9 kHz is a receiver's filter of 12.7 kHz: it takes 6.36 kHz to have 9."""
    band = band_of(frequency_hz)
    assert band is not None
    assert band.rbw_hz == pytest.approx(rbw_hz, rel=1e-5)


@pytest.mark.source("CISPR 16-1-1, bandwidths", "read elsewhere")
@pytest.mark.parametrize(
    ("profile", "field", "at_hz"),
    [
        ("cispr-15-mains", {}, 100e3), ("cispr-15-mains", {}, 1e6),
        ("us-15-209", {"distance_m": 3.0}, 100e3), ("us-15-209", {"distance_m": 3.0}, 10e6),
        ("us-15-209", {"distance_m": 3.0}, 145e6), ("cispr-32-b", {"distance_m": 3.0}, 500e6),
    ],
)  # fmt: skip
def test_shipped_profiles_have_these_bandwidths(
    profile: str, field: dict[str, float], at_hz: float
) -> None:
    """What a shipped limit refers to is what the receiver of that band has."""
    band = band_of(at_hz)
    found = allowed(load_limit_profile(profile, Path("/")), at_hz=at_hz, **field)
    assert isinstance(found, Allowed)
    assert band is not None
    assert found.reference_bandwidth_hz == band.bandwidth_hz


@pytest.mark.source("CISPR 16-2, least scan times", "from memory")
@pytest.mark.source("rate times span", "derived")
@pytest.mark.parametrize(
    ("start_hz", "stop_hz", "peak_s", "quasi_peak_s"),
    [
        (9e3, 150e3, 14.1, 2820.0),
        (150e3, 30e6, 2.985, 5970.0),
        (30e6, 1e9, 0.97, 19_400.0),
    ],
    ids=["A", "B", "C and D"],
)
def test_least_scan(start_hz: float, stop_hz: float, peak_s: float, quasi_peak_s: float) -> None:
    """100 ms/kHz, 100 ms/MHz, 1 ms/MHz; 20 s/kHz, 200 s/MHz, 20 s/MHz."""
    assert least_scan_s(start_hz, stop_hz, PEAK) == pytest.approx(peak_s)
    assert least_scan_s(start_hz, stop_hz, QUASI_PEAK) == pytest.approx(quasi_peak_s)


@pytest.mark.source("scan times of bands add up", "derived")
def test_scan_across_bands() -> None:
    """From 9 kHz to 1 GHz: the sum of the three; a part of one is its share."""
    assert least_scan_s(9e3, 1e9, PEAK) == pytest.approx(14.1 + 2.985 + 0.97)
    assert least_scan_s(30e6, 88e6, QUASI_PEAK) == pytest.approx(58 * 20.0)


@pytest.mark.source("CISPR 16-2 as far as it is remembered", "from memory")
@pytest.mark.parametrize(
    ("start_hz", "stop_hz", "detector", "words"),
    [
        (30e6, 2e9, PEAK, "band E"),
        (30e6, 1e9, LimitDetector.AVERAGE, "detector average in band C"),
        (1e3, 1e6, PEAK, "between 9 kHz and 18 GHz"),
        (1e6, 1e6, PEAK, "that rises"),
    ],
)
def test_no_scan_time_is_invented(
    start_hz: float, stop_hz: float, detector: LimitDetector, words: str
) -> None:
    """Where no figure is known there is none."""
    with pytest.raises(ValueError, match=words):
        least_scan_s(start_hz, stop_hz, detector)


@pytest.mark.source("peak ≥ quasi-peak ≥ average for any signal", "practice")
@pytest.mark.parametrize(
    ("below_db", "detector", "verdict"),
    [
        (10.0, Detector.POSITIVE, Verdict.PASS),
        (-10.0, Detector.POSITIVE, Verdict.CANNOT_TELL),
        (10.0, Detector.RMS, Verdict.CANNOT_TELL),
    ],
    ids=["peak below", "peak above", "rms below"],
)
def test_what_a_sweep_says_of_a_quasi_peak_limit(
    below_db: float, detector: Detector, verdict: Verdict
) -> None:
    """A peak reading below the limit passes; nothing else that a sweep shows tells anything."""
    limit = allowed(load_limit_profile("cispr-15-mains", Path("/")), at_hz=1e6, detector=QUASI_PEAK)
    assert isinstance(limit, Allowed)
    assert limit.level is not None
    found = compare(limit, level=limit.level - below_db, detector=detector, expanded_db=3.0)
    assert found.judgement.verdict is verdict
    if verdict is Verdict.PASS:
        assert "provided the dwell caught every pulse" in found.conditions
