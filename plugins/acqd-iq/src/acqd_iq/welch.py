"""Welch's estimate: overlapping windowed segments, and how their bins become points.

P. D. Welch, "The use of fast Fourier transform for the estimation of power spectra", IEEE Trans.
Audio Electroacoust. 15, 1967. One segment of N samples under the window w gives, at each bin,

    P = |Σ w·x·e^(−jωn)|² / (Σ w)²

the power behind a filter of the window's equivalent noise bandwidth that is tuned there ("spectrum"
scaling: a line reads its power). No mean or trend is taken off. The transform may be padded with
zeros, which puts more bins between and changes nothing at those that were there.

0 dBFS is the power of a complex exponential of magnitude 1, or of a real sine of amplitude 1. Real
samples have a one-sided spectrum: each bin counts twice but for those at 0 and at half the rate,
and the power of their full-scale sine, 1/2, is divided out.

A point takes in the bins of its cell (borders halfway between points) from all the segments of the
sweep, by the detector:

========  ==================================================================
rms       mean power of all of them
positive  the greatest
negative  the least
average   mean of their levels in dB: 2.51 dB below rms on Gaussian noise
sample    the bin nearest to the point, of the last segment
========  ==================================================================

Averages are sweeps one after the other: their mean is of powers for rms, of levels in dB for all
else.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.sweep import Detector
from acqd_iq.datatypes import Samples
from acqd_iq.windows import Window

__all__ = ["LEAST_POWER", "Bins", "Cells", "Segments", "estimate", "spectra"]

Float = NDArray[np.float64]

LEAST_POWER = 1e-20
"""−200 dBFS: what a stretch of nothing but zeros reads, which has no level."""

BLOCK_SAMPLES = 1 << 18
"""Padded samples that are transformed at once: 4 MiB of complex128. Longer segments go singly."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Segments:
    """How a sweep of one tuning is cut: ``count`` segments a group, one group an average."""

    window: Window
    length: int
    hop: int
    count: int
    pad: int = 1
    groups: int = 1
    group_samples: int = 0
    """Samples from the start of one group to that of the next; at least what a group needs."""

    @property
    def transform(self) -> int:
        """Length of the transform, zeros included."""
        return self.length * self.pad

    @property
    def spanned(self) -> int:
        """Samples from the first to the last that a group's segments touch."""
        return self.length + (self.count - 1) * self.hop

    @property
    def samples(self) -> int:
        """Samples of the whole sweep."""
        return self.groups * max(self.group_samples, self.spanned)

    def enbw_hz(self, rate_hz: float) -> float:
        """Equivalent noise bandwidth."""
        return self.window.enbw_bins * rate_hz / self.length


@dataclass(frozen=True, slots=True, kw_only=True)
class Bins:
    """The bins of one tuning's transform, in rising order: frequencies, and which are kept."""

    frequency_hz: Float
    is_complex: bool
    keep: NDArray[np.bool_] | None = None
    """False where a bin is left out; None keeps all."""
    bridge: tuple[int, int] | None = None
    """First and last bin that a straight line from their neighbours takes the place of."""

    @classmethod
    def of(cls, segments: Segments, *, centre_hz: float, rate_hz: float, is_complex: bool) -> Bins:
        """Those of a tuning, all kept."""
        length = segments.transform
        number = np.arange(-(length // 2), length - length // 2)
        if not is_complex:
            number = np.arange(length // 2 + 1)
        frequency_hz = centre_hz + number.astype(np.float64) * (rate_hz / length)
        return cls(frequency_hz=frequency_hz, is_complex=is_complex)


@dataclass(frozen=True, kw_only=True)
class Cells:
    """A run of neighbouring points, and which bins belong to each.

    ``starts`` is (points,), the first bin of each cell within ``part``, the bins of all of them; a
    cell ends where the next begins. ``nearest`` is (points,), the bin next to each point, of all.
    """

    points: slice
    part: slice
    starts: NDArray[np.intp]
    nearest: NDArray[np.intp]

    @classmethod
    def of(cls, points: slice, frequency_hz: Float, step_hz: float, bins: Bins) -> Cells:
        """The cells of ``frequency_hz`` (points of the run), ``step_hz`` wide."""
        grid_hz, last = bins.frequency_hz, bins.frequency_hz.size - 1
        borders_hz = np.append(frequency_hz - step_hz / 2.0, frequency_hz[-1] + step_hz / 2.0)
        edges = np.searchsorted(grid_hz, borders_hz, side="left")
        # At the end of a spectrum a cell may hold no bin: it takes the last one there is.
        first = np.minimum(edges[:-1], last)
        stop = max(int(edges[-1]), int(first[-1]) + 1)
        after = np.clip(np.searchsorted(grid_hz, frequency_hz), 1, last)
        nearer = frequency_hz - grid_hz[after - 1] <= grid_hz[after] - frequency_hz
        return cls(
            points=points,
            part=slice(int(first[0]), stop),
            starts=first - first[0],
            nearest=np.where(nearer, after - 1, after),
        )

    def reduced(self, ufunc: np.ufunc, values: Float) -> Float:
        """(…, points) of ``ufunc`` over the bins of each cell; ``values`` is (…, bins of part)."""
        return np.asarray(ufunc.reduceat(values, self.starts, axis=-1))


def spectra(samples: Samples, segments: Segments, bins: Bins) -> Float:
    """Power at each bin of each segment in ``samples``, full scale 1, float64 (segments, bins)."""
    weights = segments.window.weights(segments.length)
    view = np.lib.stride_tricks.sliding_window_view(samples, segments.length)[:: segments.hop]
    weighed = view * weights.astype(samples.real.dtype)
    norm = float(weights.sum()) ** 2
    if bins.is_complex:
        found = np.fft.fftshift(np.fft.fft(weighed, segments.transform, axis=1), axes=1)
        return _power(found) / norm
    power = _power(np.fft.rfft(weighed, segments.transform, axis=1)) * (4.0 / norm)
    power[:, 0] /= 2.0
    if segments.transform % 2 == 0:
        power[:, -1] /= 2.0
    return power


def _power(found: NDArray[np.complexfloating]) -> Float:
    real, imaginary = found.real.astype(np.float64), found.imag.astype(np.float64)
    return np.asarray(real * real + imaginary * imaginary)


class _Group:
    """What the segments of one group come to at the points of one run of cells."""

    def __init__(self, cells: Cells, bins: Bins, detector: Detector) -> None:
        self._cells, self._detector = cells, detector
        self._keep = None if bins.keep is None else bins.keep[cells.part].astype(np.float64)
        points = cells.nearest.size
        start = {Detector.POSITIVE: -np.inf, Detector.NEGATIVE: np.inf}.get(detector, 0.0)
        self._held = np.full(points, start)
        self._segments = 0
        kept = np.ones(cells.part.stop - cells.part.start) if self._keep is None else self._keep
        self._bins: Float = cells.reduced(np.add, kept)

    def add(self, power: Float) -> None:
        """Take in segments: (segments, all bins)."""
        cells, detector, keep = self._cells, self._detector, self._keep
        self._segments += power.shape[0]
        if detector is Detector.SAMPLE:
            self._held = power[-1, cells.nearest]
            return
        # Over the segments first: that leaves one row to be reduced to points.
        values = power[:, cells.part]
        if detector is Detector.POSITIVE:
            row = values.max(axis=0)
            if keep is not None:
                row = np.where(keep > 0, row, -np.inf)
            self._held = np.maximum(self._held, cells.reduced(np.maximum, row))
        elif detector is Detector.NEGATIVE:
            row = values.min(axis=0)
            if keep is not None:
                row = np.where(keep > 0, row, np.inf)
            self._held = np.minimum(self._held, cells.reduced(np.minimum, row))
        else:
            row = (_db(values) if detector is Detector.AVERAGE else values).sum(axis=0)
            self._held += cells.reduced(np.add, row if keep is None else row * keep)

    def level_db(self) -> Float:
        """The group's reading in dBFS, NaN where all bins of a point are left out."""
        held = self._held
        if self._detector in (Detector.RMS, Detector.AVERAGE):
            held = held / (np.maximum(self._bins, 1.0) * self._segments)
        level = held if self._detector is Detector.AVERAGE else _db(held)
        left_out = self._bins == 0.0
        if self._detector is Detector.SAMPLE and self._keep is not None:
            left_out = self._keep[self._cells.nearest - self._cells.part.start] == 0.0
        return np.asarray(np.where(left_out, np.nan, level))


def _db(power: Float) -> Float:
    return np.asarray(10.0 * np.log10(np.clip(power, LEAST_POWER, None)))


def _batches(segments: Segments) -> Iterator[tuple[int, int]]:
    """First segment and number of segments of each block."""
    size = max(1, BLOCK_SAMPLES // segments.transform)
    for first in range(0, segments.count, size):
        yield first, min(size, segments.count - first)


def estimate(
    read: Callable[[int, int], Samples],
    segments: Segments,
    bins: Bins,
    runs: list[Cells],
    detector: Detector,
) -> list[Float]:
    """Levels in dBFS of each run's points, float64 (points,) each.

    Args:
        read: gives so many samples from a place of the sweep on; may raise to end it.
    """
    totals = [np.zeros(run.nearest.size) for run in runs]
    for number in range(segments.groups):
        groups = [_Group(run, bins, detector) for run in runs]
        begin = number * max(segments.group_samples, segments.spanned)
        for first, count in _batches(segments):
            wanted = segments.length + (count - 1) * segments.hop
            power = spectra(read(begin + first * segments.hop, wanted), segments, bins)
            _bridge(power, bins.bridge)
            for group in groups:
                group.add(power)
        for total, group in zip(totals, groups, strict=True):
            level = group.level_db()
            total += 10.0 ** (level / 10.0) if detector is Detector.RMS else level
    means = [total / segments.groups for total in totals]
    return [_db(mean) if detector is Detector.RMS else mean for mean in means]


def _bridge(power: Float, bridge: tuple[int, int] | None) -> None:
    """Put a straight line in the place of some bins, between the two that are next to them."""
    if bridge is None:
        return
    first, last = bridge
    end = power.shape[1] - 1
    left = power[:, max(0, first - 1)] if first > 0 else power[:, min(end, last + 1)]
    right = power[:, min(end, last + 1)] if last < end else left
    share = (np.arange(first, last + 1) - (first - 1)) / (last - first + 2)
    power[:, first : last + 1] = left[:, None] + (right - left)[:, None] * share
