"""Zero span: one frequency over time. How long bursts are, and how often they come.

The sweeper stays at one frequency and its points are moments. A burst is what lies above a
threshold; it begins and ends where the level passes half the voltage of the burst, which an RBW
filter leaves where it was, however slow it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.signals import find_runs
from acqd.units import db_from_ratio, ratio_from_db

__all__ = [
    "Burst",
    "Bursts",
    "EnvelopeLine",
    "Repetition",
    "find_bursts",
    "pulse_loss_db",
    "repetition",
    "rise_time_s",
    "shortest_burst_s",
]

Float = NDArray[np.float64]

BURSTS_LIMIT = 4096

HALF_VOLTAGE_DB = 20.0 * math.log10(2.0)

RISE_NORMAL = 1.2815515655446004
"""The standard normal passes 10 and 90 % this far from its middle."""

LEAST_CYCLES = 3.0
"""A repetition is told where at least so many periods fit into the trace."""

LEAST_LIKENESS = 0.3
"""Autocorrelation of the envelope at its period below which nothing repeats."""

FIRST_PEAK = 0.85
"""The first peak of the autocorrelation that comes so near to the highest is that of the period."""

HARMONICS = 10


def rise_time_s(rbw_hz: float) -> float:
    """10 to 90 % rise time of the envelope behind a Gaussian RBW filter: 0.6793/B3.

    As a low pass the filter has half the 3 dB width, which gives the familiar 0.34 over that.
    Source: derived from the Gaussian filter's step response.
    """
    return 2.0 * RISE_NORMAL * math.sqrt(math.log(2.0)) / (math.pi * rbw_hz)


def pulse_loss_db(length_s: float, rbw_hz: float) -> float:
    """How far a lone rectangular pulse reads below its level (≥ 0), Gaussian filter.

    −20 log10 erf(π·B3·τ/(2·√(2·ln 2))): nothing for long pulses, and 20 log10(1.5054·B3·τ) for
    short ones, 1.5054·B3 being the impulse bandwidth. Infinite for a length of nothing.

    Source: derived.
    """
    reached = math.erf(math.pi * rbw_hz * length_s / (2.0 * math.sqrt(2.0 * math.log(2.0))))
    return math.inf if reached <= 0.0 else -20.0 * math.log10(reached)


def shortest_burst_s(step_s: float, rbw_hz: float | None) -> float:
    """Shortest burst whose length is told: two points, or the filter's rise time if longer.

    Shorter ones are seen, weaker than they are (:func:`pulse_loss_db`) and as long as this.
    """
    return max(2.0 * step_s, 0.0 if rbw_hz is None else rise_time_s(rbw_hz))


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """One burst. Times from the first point of the trace; ``peak`` and ``level`` (power mean) in
    the unit of the trace. ``cut_at_start`` and ``cut_at_end``: it was on already, or still, so that
    ``length_s`` is only what was seen of it."""

    start_s: float
    length_s: float
    peak: float
    level: float
    cut_at_start: bool
    cut_at_end: bool

    @property
    def is_whole(self) -> bool:
        return not (self.cut_at_start or self.cut_at_end)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bursts:
    """The bursts of one trace, in order of time.

    ``gaps_s`` (bursts − 1,) from the end of each to the start of the next. ``duty`` is the share of
    known points above the threshold, NaN where there are none. ``step_s`` is the time between
    points; ``shortest_s`` what a length is at least, whatever the burst's. ``dropped`` counts
    weaker bursts beyond the limit of 4096.
    """

    bursts: tuple[Burst, ...]
    gaps_s: Float
    duty: float
    length_s: float
    step_s: float
    shortest_s: float
    dropped: int

    @property
    def whole_lengths_s(self) -> Float:
        """Lengths of the bursts that lie wholly inside, (whole bursts,)."""
        return np.array([burst.length_s for burst in self.bursts if burst.is_whole])


def find_bursts(
    level: Float,
    *,
    step_s: float,
    threshold: float,
    closing: float | None = None,
    rbw_hz: float | None = None,
) -> Bursts:
    """Bursts of a zero-span trace.

    Args:
        level: (points,) in dB, a point every ``step_s`` (sweep time over points); NaN ends a burst.
        threshold: what a burst has to exceed; it goes on down to ``closing``.
        rbw_hz: 3 dB width, for ``shortest_s``; None leaves the filter out of it.

    Edges lie at half the voltage of the burst's power mean, or at the closing threshold if that is
    higher, straight between points. A trace without any level gives no bursts and a duty of NaN.

    Raises:
        ValueError: a step that is not above 0.
    """
    if not step_s > 0:
        raise ValueError(f"step_s must be above 0, got {step_s}")
    low = threshold if closing is None else min(closing, threshold)
    runs = find_runs(level, opening=threshold, closing=low, limit=BURSTS_LIMIT)
    found = [
        _burst(level, int(first), int(last), low, step_s)
        for first, last in zip(runs.first, runs.last, strict=True)
    ]
    ends_s = np.array([burst.start_s + burst.length_s for burst in found])
    starts_s = np.array([burst.start_s for burst in found])
    known = int(np.count_nonzero(np.isfinite(level)))
    on = int((runs.last - runs.first + 1).sum()) if len(runs) else 0
    return Bursts(
        bursts=tuple(found),
        gaps_s=np.maximum(starts_s[1:] - ends_s[:-1], 0.0),
        duty=on / known if known else math.nan,
        length_s=level.size * step_s,
        step_s=step_s,
        shortest_s=shortest_burst_s(step_s, rbw_hz),
        dropped=runs.dropped,
    )


def _burst(level: Float, first: int, last: int, low: float, step_s: float) -> Burst:
    run = level[first : last + 1]
    peak = float(run.max())
    # The top only: slopes of a short burst would draw the mean down, and the edges with it.
    top = run[run > peak - HALF_VOLTAGE_DB]
    mean = peak + float(db_from_ratio(np.mean(ratio_from_db(top - peak))))
    edge = max(low, mean - HALF_VOLTAGE_DB)
    inside = np.flatnonzero(run > edge)
    one, other = (first + int(inside[0]), first + int(inside[-1])) if inside.size else (first, last)
    begins, cut_at_start = _edge(level, one, -1, edge)
    ends, cut_at_end = _edge(level, other, 1, edge)
    return Burst(
        start_s=begins * step_s,
        length_s=(ends - begins) * step_s,
        peak=peak,
        level=mean,
        cut_at_start=cut_at_start,
        cut_at_end=cut_at_end,
    )


def _edge(level: Float, at: int, step: int, edge: float) -> tuple[float, bool]:
    """Where between ``at`` and its outer neighbour the level passes ``edge``, in points; True where
    there is no neighbour, so that nobody saw it."""
    beyond = at + step
    if not 0 <= beyond < level.size or not math.isfinite(float(level[beyond])):
        return at + 0.5 * step, True
    inner, outer = float(level[at]), float(level[beyond])
    share = (inner - edge) / (inner - outer) if inner > outer else 0.5
    return at + step * min(1.0, max(0.0, share)), False


# --- how often ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class EnvelopeLine:
    """A line of the envelope's spectrum: ``number`` times the repetition rate, and how strong the
    envelope (power over time) swings there, amplitude over its mean: 1 for a full sine."""

    number: int
    frequency_hz: float
    depth: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Repetition:
    """How regularly bursts come.

    ``rate_hz`` with its standard uncertainty ``rate_u_hz``; ``likeness`` is the autocorrelation of
    the envelope at one period, 1 for perfect repetition. ``jitter_s`` is the standard deviation of
    the intervals between starts, None with fewer than three bursts. ``harmonics`` begin with the
    rate itself, as far as the points reach, ten at most.
    """

    rate_hz: float
    rate_u_hz: float
    likeness: float
    jitter_s: float | None
    harmonics: tuple[EnvelopeLine, ...]


def repetition(level: Float, *, step_s: float, bursts: Bursts | None = None) -> Repetition | None:
    """The rate at which a zero-span trace repeats, with its harmonics; None where it does not.

    Args:
        level: (points,) in dB, a point every ``step_s``. NaN is taken as nothing there.
        bursts: from :func:`find_bursts` of the same trace, for the jitter.

    The first peak of the envelope's autocorrelation that comes within 15 % of its highest is the
    period, so that twice the period is not taken for it; it has to reach 0.3, and three periods
    have to fit into the trace. Where two kinds of burst alternate, the period is that of both.
    The top of the peak is found between points by a parabola; the uncertainty is a fifth of a point
    over the number of periods that the lag could be followed for, and over the square of the
    likeness: 400 simulated traces lay within twice that in 97 % of cases.

    The envelope is taken in dB, so that no single strong burst decides, and from 40 dB below its
    largest or from its 20 % point on, whichever is higher, so that holes do not. Definition ours.
    """
    if level.size < 8 or not np.isfinite(level).any():
        return None
    likeness = _likeness(_limited(level))
    longest = int(level.size / LEAST_CYCLES)
    lag = _first_peak(likeness[: longest + 2])
    if lag is None:
        return None
    # Once the period is known roughly, its multiples tell it ever more finely.
    periods, finest = 1, _top(likeness, lag)
    while (2 * periods) * finest / periods < level.size / 2.0:
        guess = round(2 * periods * finest / periods)
        near = likeness[max(1, guess - 2) : guess + 3]
        if near.size < 5 or near.max() < LEAST_LIKENESS / 2.0:
            break
        periods, finest = 2 * periods, _top(likeness, max(1, guess - 2) + int(near.argmax()))
    period_s = finest / periods * step_s
    likeness_at = min(1.0, float(likeness[lag]))
    starts_s = [] if bursts is None else [b.start_s for b in bursts.bursts if not b.cut_at_start]
    return Repetition(
        rate_hz=1.0 / period_s,
        rate_u_hz=0.2 * step_s / likeness_at**2 / periods / period_s**2,
        likeness=likeness_at,
        jitter_s=float(np.std(np.diff(starts_s), ddof=1)) if len(starts_s) >= 3 else None,
        harmonics=_harmonics(level, step_s, 1.0 / period_s),
    )


def _limited(level: Float) -> Float:
    """Levels from the 20 % point, or 40 dB below the largest, on; less their mean."""
    known = level[np.isfinite(level)]
    low = max(float(np.quantile(known, 0.2)), float(known.max()) - 40.0)
    kept = np.maximum(np.where(np.isfinite(level), level, -np.inf), low)
    return np.asarray(kept - kept.mean())


def _likeness(value: Float) -> Float:
    """Autocorrelation at lags 0 …, each by as many products as there are: 1 at lag 0."""
    n = value.size
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(value, size)
    raw = np.fft.irfft(spectrum * spectrum.conj(), size)[:n]
    raw /= np.arange(n, 0, -1)
    return np.asarray(raw / raw[0]) if raw[0] > 0 else np.zeros(n)


def _first_peak(likeness: Float) -> int | None:
    inner = likeness[1:-1]
    # Up from below and not the slope of lag 0: behind the first dip.
    dip = int(np.argmax(likeness < LEAST_LIKENESS / 2.0))
    if likeness[dip] >= LEAST_LIKENESS / 2.0:
        return None
    peaks = 1 + np.flatnonzero((inner >= likeness[:-2]) & (inner > likeness[2:]))
    peaks = peaks[peaks > dip]
    if not peaks.size or likeness[peaks].max() < LEAST_LIKENESS:
        return None
    # A sharp peak between two points loses height; of three points together it loses less.
    height = likeness[peaks - 1] + 2.0 * likeness[peaks] + likeness[peaks + 1]
    first = int(peaks[int(np.argmax(height >= FIRST_PEAK * height.max()))])
    # Noise makes many small peaks on a broad one: the highest near by is its top.
    stop = min(likeness.size - 1, max(first + 2, math.ceil(1.2 * first)))
    return first + int(np.argmax(likeness[first:stop]))


def _top(likeness: Float, lag: int) -> float:
    """The lag of the top of the parabola through three points."""
    if not 0 < lag < likeness.size - 1:
        return float(lag)
    left, middle, right = (float(likeness[lag + i]) for i in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    return lag + (0.5 * (left - right) / bend if bend < 0 else 0.0)


def _harmonics(level: Float, step_s: float, rate_hz: float) -> tuple[EnvelopeLine, ...]:
    """Lines of the power's Fourier series over a whole number of periods."""
    whole = math.floor(level.size * step_s * rate_hz)
    used = min(level.size, round(whole / rate_hz / step_s))
    power = ratio_from_db(level[:used] - np.nanmax(level))
    power = np.where(np.isfinite(power), power, 0.0)
    mean = float(power.mean())
    time_s = np.arange(used) * step_s
    lines = []
    for number in range(1, HARMONICS + 1):
        frequency_hz = number * rate_hz
        if frequency_hz * step_s > 0.5 or mean <= 0.0:
            break
        turn = np.exp(-2j * math.pi * frequency_hz * time_s)
        depth = 2.0 * abs(complex(np.mean(power * turn))) / mean
        lines.append(EnvelopeLine(number=number, frequency_hz=frequency_hz, depth=depth))
    return tuple(lines)
