"""Receivers for interference by CISPR 16-1-1: bands, bandwidths, and how long a scan has to take.

What a sweeper needs to know of them: which RBW comes next to the receiver's, and how slow a scan
has to be that means to be compared with theirs. The receivers' weighting of pulses is not in here:
no swept trace gives a quasi-peak value. What a peak reading says of a quasi-peak limit is in
:mod:`acqd.measure.limit_reading`.

Bandwidths and ends of bands were read in texts that restate CISPR 16-1-1, scan times are from
memory of CISPR 16-2: check the edition before any claim rests on them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from acqd.measure.limit_profile import LimitDetector, WidthKind
from acqd.measure.limit_reading import width_as

__all__ = ["BANDS", "CisprBand", "band_of", "least_scan_s"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CisprBand:
    """One band: ``bandwidth_hz`` counted as ``kind`` says, scan times per Hz of span.

    ``peak_s_per_hz`` and ``quasi_peak_s_per_hz`` are None where no figure was at hand: in band E,
    which has no quasi-peak detector.
    """

    name: str
    start_hz: float
    stop_hz: float
    bandwidth_hz: float
    kind: WidthKind
    peak_s_per_hz: float | None = None
    quasi_peak_s_per_hz: float | None = None

    @property
    def rbw_hz(self) -> float:
        """3 dB width of the Gaussian RBW filter that is as wide: 84.85 kHz for 120 kHz at 6 dB.

        Receivers' filters need not be Gaussian; the standard only bounds their shape.
        """
        return width_as(self.bandwidth_hz, self.kind, WidthKind.DB_3)

    def scan_s_per_hz(self, detector: LimitDetector) -> float | None:
        """Least scan time per Hz with a detector; None where there is no figure for it."""
        return {
            LimitDetector.PEAK: self.peak_s_per_hz,
            LimitDetector.QUASI_PEAK: self.quasi_peak_s_per_hz,
        }.get(detector)


BANDS = (
    CisprBand(
        name="A",
        start_hz=9e3,
        stop_hz=150e3,
        bandwidth_hz=200.0,
        kind=WidthKind.DB_6,
        peak_s_per_hz=0.1 / 1e3,
        quasi_peak_s_per_hz=20.0 / 1e3,
    ),
    CisprBand(
        name="B",
        start_hz=150e3,
        stop_hz=30e6,
        bandwidth_hz=9e3,
        kind=WidthKind.DB_6,
        peak_s_per_hz=0.1 / 1e6,
        quasi_peak_s_per_hz=200.0 / 1e6,
    ),
    CisprBand(
        name="C",
        start_hz=30e6,
        stop_hz=300e6,
        bandwidth_hz=120e3,
        kind=WidthKind.DB_6,
        peak_s_per_hz=1e-3 / 1e6,
        quasi_peak_s_per_hz=20.0 / 1e6,
    ),
    CisprBand(
        name="D",
        start_hz=300e6,
        stop_hz=1e9,
        bandwidth_hz=120e3,
        kind=WidthKind.DB_6,
        peak_s_per_hz=1e-3 / 1e6,
        quasi_peak_s_per_hz=20.0 / 1e6,
    ),
    CisprBand(name="E", start_hz=1e9, stop_hz=18e9, bandwidth_hz=1e6, kind=WidthKind.IMPULSE),
)
"""Rising, each beginning where the last ends. The end of E is from memory."""


def band_of(frequency_hz: float) -> CisprBand | None:
    """The band that a frequency lies in; None below 9 kHz, above 18 GHz and for NaN.

    Where two bands meet the upper one counts, but 1 GHz belongs to D: limits for E begin above it.
    """
    if frequency_hz == BANDS[-1].start_hz:
        return BANDS[-2]
    for band in reversed(BANDS):
        if band.start_hz <= frequency_hz <= band.stop_hz:
            return band
    return None


def least_scan_s(start_hz: float, stop_hz: float, detector: LimitDetector) -> float:
    """Least time of one scan from ``start_hz`` to ``stop_hz`` with a peak or quasi-peak detector.

    In seconds, summed over the bands. Peak 100 ms/kHz in A, 100 ms/MHz in B and 1 ms/MHz in C and
    D; quasi-peak 20 s/kHz, 200 s/MHz and 20 s/MHz. It is enough for what is there all the time:
    pulses need a dwell at each point that is longer than the time between them.

    Raises:
        ValueError: the range does not rise, reaches beyond the bands, or reaches where there is no
            figure for the detector: above 1 GHz, or another detector than these two.

    Source: CISPR 16-2, from memory.
    """
    if not BANDS[0].start_hz <= start_hz < stop_hz <= BANDS[-1].stop_hz:
        raise ValueError(
            f"expected a range that rises between 9 kHz and 18 GHz, got {start_hz} to {stop_hz} Hz"
        )
    total_s = []
    for band in BANDS:
        span_hz = min(stop_hz, band.stop_hz) - max(start_hz, band.start_hz)
        if span_hz <= 0.0:
            continue
        per_hz = band.scan_s_per_hz(detector)
        if per_hz is None:
            raise ValueError(
                f"no scan time is known for the detector {detector.value} in band {band.name}; "
                "peak and quasi-peak from 9 kHz to 1 GHz have one"
            )
        total_s.append(span_hz * per_hz)
    return math.fsum(total_s)
