"""Steps in a value: CUSUM and Page-Hinkley, reading by reading or over a whole series.

CUSUM (tabular form, of standardised z): S = max(0, S + z - k), alarm where S > h, and the mirror
for falling steps. k is half the shift sought, in standard deviations. With k = 0.5 and h = 5 an
undisturbed series of independent readings gives a false alarm every 465 readings on average
(:func:`run_length`): a soak that must not cry wolf for a week at one reading a second needs h 12.5.

Serial correlation makes many more false alarms. So :class:`StepWatch` learns mean, spread and the
number of readings to a block from the first readings by the rule of :mod:`acqd.measure.drift`, and
runs the CUSUM over means of such blocks: an onset is known to a block. A mean learnt from few
readings is off by its own uncertainty, and the run lengths with it: learn from 100 blocks or more.
A steady drift ends in an alarm sooner or later; take it out first where it is known.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.measure.drift import serial_spread
from acqd.measure.student import student_quantile

__all__ = [
    "Baseline",
    "CusumAlarm",
    "CusumState",
    "Direction",
    "PageHinkleyState",
    "Step",
    "StepWatch",
    "cusum",
    "cusum_step",
    "find_steps",
    "learn_baseline",
    "page_hinkley",
    "page_hinkley_step",
    "run_length",
    "step_watch",
    "watch_step",
]

Float = NDArray[np.float64]


class Direction(StrEnum):
    RISING = "rising"
    FALLING = "falling"


# --- CUSUM of standardised values -----------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class CusumState:
    """Two one-sided sums. ``seen`` counts values, those that were missing included.

    ``…_from`` is the number of the first value after the sum was last 0, ``…_used`` how many were
    added since.
    """

    k: float = 0.5
    h: float = 5.0
    seen: int = 0
    rising: float = 0.0
    rising_from: int = 0
    rising_used: int = 0
    falling: float = 0.0
    falling_from: int = 0
    falling_used: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class CusumAlarm:
    """A sum passed h with value number ``at``; the step began, as estimated, with ``onset``.

    ``shift`` is the estimate ±(k + S/values since onset), in standard deviations; the wait for an
    alarm picks lucky runs, so small shifts read large.
    """

    at: int
    onset: int
    direction: Direction
    total: float
    shift: float


def cusum_step(state: CusumState, z: float) -> tuple[CusumState, CusumAlarm | None]:
    """The sums after one more standardised value; after an alarm both start again from 0.

    A value that is not finite is counted and changes nothing else. Where both sums pass h at once
    the larger one counts.

    Raises:
        ValueError: k negative or h not above 0.
    """
    if not (state.k >= 0 and state.h > 0):
        raise ValueError(f"k must be 0 or more and h above 0, got {state.k} and {state.h}")
    at = state.seen
    if not math.isfinite(z):
        return dataclasses.replace(state, seen=at + 1), None
    rising, rising_from, rising_used = _summed(
        state.rising, state.rising_from, state.rising_used, z - state.k, at
    )
    falling, falling_from, falling_used = _summed(
        state.falling, state.falling_from, state.falling_used, -z - state.k, at
    )
    alarm = None
    if max(rising, falling) > state.h:
        up = rising >= falling
        total, onset, used = (
            (rising, rising_from, rising_used) if up else (falling, falling_from, falling_used)
        )
        size = state.k + total / used
        alarm = CusumAlarm(
            at=at,
            onset=onset,
            direction=Direction.RISING if up else Direction.FALLING,
            total=total,
            shift=size if up else -size,
        )
        return CusumState(k=state.k, h=state.h, seen=at + 1), alarm
    return (
        CusumState(
            k=state.k,
            h=state.h,
            seen=at + 1,
            rising=rising,
            rising_from=rising_from,
            rising_used=rising_used,
            falling=falling,
            falling_from=falling_from,
            falling_used=falling_used,
        ),
        alarm,
    )


def _summed(total: float, start: int, used: int, change: float, at: int) -> tuple[float, int, int]:
    if total == 0.0:
        start, used = at, 0
    total = max(0.0, total + change)
    return (total, start, used + 1) if total > 0.0 else (0.0, at, 0)


def cusum(z: Iterable[float], *, k: float = 0.5, h: float = 5.0) -> tuple[CusumAlarm, ...]:
    """All alarms of a series of standardised values."""
    state, alarms = CusumState(k=k, h=h), []
    for value in z:
        state, alarm = cusum_step(state, float(value))
        if alarm is not None:
            alarms.append(alarm)
    return tuple(alarms)


def run_length(*, k: float = 0.5, h: float = 5.0, shift: float = 0.0) -> float:
    """Mean number of values to an alarm of the two-sided CUSUM, from sums of 0.

    For independent normal values whose mean lies ``shift`` standard deviations off; at 0 it is
    the mean time between false alarms: 167.7 at h = 4, 465.4 at h = 5. Solves Page's integral
    equation at 64 Gauss points; 1/L = 1/L_rising + 1/L_falling. Infinite from about 1e13 on.

    Raises:
        ValueError: k negative or h not above 0.
    """
    if not (k >= 0 and h > 0):
        raise ValueError(f"k must be 0 or more and h above 0, got {k} and {h}")
    rates = [1.0 / _one_sided(k, h, sign * shift) for sign in (1.0, -1.0)]
    return 1.0 / sum(rates) if sum(rates) > 0 else math.inf


def _one_sided(k: float, h: float, shift: float) -> float:
    """L(0) where L(u) = 1 + L(0)·Φ(k-u-δ) + ∫₀ʰ L(x)·φ(x+k-u-δ) dx."""
    nodes, weights = np.polynomial.legendre.leggauss(64)
    x = np.concatenate(([0.0], 0.5 * h * (nodes + 1.0)))
    w = np.concatenate(([0.0], 0.5 * h * weights))
    away = x[None, :] + k - x[:, None] - shift
    kernel = np.exp(-0.5 * away**2) / math.sqrt(2.0 * math.pi) * w[None, :]
    back = k - x - shift
    kernel[:, 0] += [0.5 * math.erfc(-value / math.sqrt(2.0)) for value in back.tolist()]
    found = float(np.linalg.solve(np.eye(x.size) - kernel, np.ones(x.size))[0])
    return found if 0.0 < found < 1e13 else math.inf


# --- Page-Hinkley ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class PageHinkleyState:
    """Sum of distances from the running mean, both ways; needs no baseline.

    ``delta`` is the shift that is let pass and ``threshold`` what the sum may rise, both in the
    unit of the values. ``…_from`` is the number of the value after the extreme of the sum.
    """

    delta: float
    threshold: float
    seen: int = 0
    used: int = 0
    mean: float = 0.0
    up: float = 0.0
    lowest: float = math.inf
    up_from: int = 0
    down: float = 0.0
    highest: float = -math.inf
    down_from: int = 0

    @property
    def rising(self) -> float:
        """PH for a rise: the sum over its least."""
        return self.up - self.lowest if self.used else 0.0

    @property
    def falling(self) -> float:
        """PH for a fall: the sum under its greatest."""
        return self.highest - self.down if self.used else 0.0


def page_hinkley_step(
    state: PageHinkleyState, x: float
) -> tuple[PageHinkleyState, CusumAlarm | None]:
    """The state after one more value: m += x - x̄ - δ, alarm where m - min m > threshold.

    x̄ is the mean of all values since the last alarm, x included; the mirror (m += x - x̄ + δ) looks
    for falls. After an alarm all starts anew. ``shift`` of the alarm is ±(δ + PH/values since
    onset), in the unit of x. A value that is not finite is counted and changes nothing else.

    Raises:
        ValueError: delta negative or threshold not above 0.
    """
    if not (state.delta >= 0 and state.threshold > 0):
        raise ValueError(
            f"delta must be 0 or more and the threshold above 0, got {state.delta} "
            f"and {state.threshold}"
        )
    at = state.seen
    if not math.isfinite(x):
        return dataclasses.replace(state, seen=at + 1), None
    mean = state.mean + (x - state.mean) / (state.used + 1)
    up, down = state.up + x - mean - state.delta, state.down + x - mean + state.delta
    lower, higher = up <= state.lowest, down >= state.highest
    now = dataclasses.replace(
        state,
        seen=at + 1,
        used=state.used + 1,
        mean=mean,
        up=up,
        lowest=up if lower else state.lowest,
        up_from=at + 1 if lower else state.up_from,
        down=down,
        highest=down if higher else state.highest,
        down_from=at + 1 if higher else state.down_from,
    )
    if max(now.rising, now.falling) <= state.threshold:
        return now, None
    rises = now.rising >= now.falling
    onset = now.up_from if rises else now.down_from
    total = max(now.rising, now.falling)
    size = state.delta + total / (at - onset + 1)
    alarm = CusumAlarm(
        at=at,
        onset=onset,
        direction=Direction.RISING if rises else Direction.FALLING,
        total=total,
        shift=size if rises else -size,
    )
    return PageHinkleyState(delta=state.delta, threshold=state.threshold, seen=at + 1), alarm


def page_hinkley(x: Iterable[float], *, delta: float, threshold: float) -> tuple[CusumAlarm, ...]:
    """All alarms of a series."""
    state, alarms = PageHinkleyState(delta=delta, threshold=threshold), []
    for value in x:
        state, alarm = page_hinkley_step(state, float(value))
        if alarm is not None:
            alarms.append(alarm)
    return tuple(alarms)


# --- steps with a baseline that is learnt ---------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """What is usual: ``mean`` ± ``u_mean``, and the ``sd`` of means of ``block`` readings.

    Where the readings wander too slowly to tell, ``reason`` says so, ``sd`` is NaN and no step can
    be found.
    """

    mean: float
    sd: float
    u_mean: float
    block: int
    samples: int
    reason: str | None


def learn_baseline(values: ArrayLike, *, resolution: float = 0.0) -> Baseline:
    """Mean and spread of undisturbed readings in order of time, NaN left out.

    ``sd`` holds what correlation is left between blocks too, as √((1+ρ)/(1-ρ)), so that their sums
    spread as those of independent values. It is at least the ``resolution``/√12 of the readings:
    equal readings in coarse steps do not say that nothing moves.

    Raises:
        ValueError: a resolution below 0.
    """
    if not resolution >= 0.0:
        raise ValueError(f"the resolution must be 0 or more, got {resolution}")
    spread = serial_spread(values)
    if spread.reason is not None:
        nan = math.nan
        return Baseline(
            mean=spread.mean,
            sd=nan,
            u_mean=nan,
            block=1,
            samples=spread.samples,
            reason=spread.reason,
        )
    rho = spread.correlation
    sd = max(spread.sd * math.sqrt((1.0 + rho) / (1.0 - rho)), resolution / math.sqrt(12.0))
    reason = None if sd > 0 else "cannot tell: all readings are equal, state their resolution"
    return Baseline(
        mean=spread.mean,
        sd=sd if sd > 0 else math.nan,
        u_mean=spread.u_mean,
        block=spread.block,
        samples=spread.samples,
        reason=reason,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A value moved from ``before`` to ``after``: ``size`` ± ``expanded``, in its unit.

    ``at`` and ``onset`` are the numbers (or sweeps) of the readings with which it was noticed and
    began, as estimated, to a block. ``expanded`` is the half width of the interval at the stated
    confidence; it does not hold the choice of the onset, which makes small steps read large.
    """

    at: int
    onset: int
    direction: Direction
    before: float
    after: float
    size: float
    expanded: float
    readings_after: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StepWatch:
    """State of a watch for steps; make one with :func:`step_watch`, feed :func:`watch_step`.

    At most ``learn`` readings are kept, while it learns. ``since_…`` are the sums of the blocks
    since each one-sided sum was 0, from which a step's size comes.
    """

    learn: int
    resolution: float
    confidence: float
    cusum: CusumState
    learning: tuple[float, ...] = ()
    baseline: Baseline | None = None
    block_sum: float = 0.0
    block_count: int = 0
    block_seq: int = 0
    rising_sum: float = 0.0
    rising_seq: int = 0
    falling_sum: float = 0.0
    falling_seq: int = 0


def step_watch(
    *,
    learn: int = 100,
    k: float = 0.5,
    h: float = 5.0,
    resolution: float = 0.0,
    confidence: float = 0.95,
) -> StepWatch:
    """A watch that learns the usual from the first ``learn`` readings, and anew after each step.

    Steps within the first ``learn`` readings are taken for usual spread.

    Raises:
        ValueError: fewer than 16 readings to learn from, k or h as in :func:`cusum_step`, or a
            confidence outside 0..1.
    """
    if learn < 16:
        raise ValueError(f"16 readings or more are needed to learn from, got {learn}")
    if not (k >= 0 and h > 0):
        raise ValueError(f"k must be 0 or more and h above 0, got {k} and {h}")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must lie between 0 and 1, got {confidence}")
    return StepWatch(
        learn=learn, resolution=resolution, confidence=confidence, cusum=CusumState(k=k, h=h)
    )


def watch_step(watch: StepWatch, value: float, seq: int) -> tuple[StepWatch, Step | None]:
    """The watch after one more reading, and the step that it showed. NaN changes nothing.

    A baseline that could not be told (too slow a wander) is learnt anew from the next readings.
    """
    if not math.isfinite(value):
        return watch, None
    value = float(value)
    baseline = watch.baseline
    if baseline is None:
        return _learning(watch, value), None
    if watch.block_count == 0:
        watch = dataclasses.replace(watch, block_seq=int(seq))
    watch = dataclasses.replace(
        watch, block_sum=watch.block_sum + value, block_count=watch.block_count + 1
    )
    if watch.block_count < baseline.block:
        return watch, None
    return _block_done(watch, baseline, int(seq))


def _learning(watch: StepWatch, value: float) -> StepWatch:
    learning = (*watch.learning, value)
    if len(learning) < watch.learn:
        return dataclasses.replace(watch, learning=learning)
    baseline = learn_baseline(np.array(learning), resolution=watch.resolution)
    return dataclasses.replace(
        watch, learning=(), baseline=baseline if baseline.reason is None else None
    )


def _block_done(watch: StepWatch, baseline: Baseline, seq: int) -> tuple[StepWatch, Step | None]:
    mean = watch.block_sum / watch.block_count
    before = watch.cusum
    # A sum that is 0 starts here: what it gathered before belongs to no step.
    rising = (watch.rising_sum, watch.rising_seq) if before.rising > 0 else (0.0, watch.block_seq)
    falling = (
        (watch.falling_sum, watch.falling_seq) if before.falling > 0 else (0.0, watch.block_seq)
    )
    sums, alarm = cusum_step(before, (mean - baseline.mean) / baseline.sd)
    if alarm is None:
        return dataclasses.replace(
            watch,
            cusum=sums,
            block_sum=0.0,
            block_count=0,
            rising_sum=rising[0] + mean,
            rising_seq=rising[1],
            falling_sum=falling[0] + mean,
            falling_seq=falling[1],
        ), None
    total, onset = rising if alarm.direction is Direction.RISING else falling
    blocks = alarm.at - alarm.onset + 1
    after = (total + mean) / blocks
    u = math.hypot(baseline.u_mean, baseline.sd / math.sqrt(blocks))
    dof = max(1.0, baseline.samples / baseline.block - 1.0)
    step = Step(
        at=seq,
        onset=onset,
        direction=alarm.direction,
        before=baseline.mean,
        after=after,
        size=after - baseline.mean,
        expanded=student_quantile(0.5 + watch.confidence / 2.0, dof) * u,
        readings_after=blocks * baseline.block,
    )
    fresh = StepWatch(
        learn=watch.learn,
        resolution=watch.resolution,
        confidence=watch.confidence,
        cusum=CusumState(k=watch.cusum.k, h=watch.cusum.h),
    )
    return fresh, step


def find_steps(
    values: ArrayLike,
    *,
    learn: int = 100,
    k: float = 0.5,
    h: float = 5.0,
    resolution: float = 0.0,
    confidence: float = 0.95,
) -> tuple[Step, ...]:
    """Steps in a whole series (numbered by position), as a :class:`StepWatch` notices them.

    Their means are then taken from all readings: ``before`` since the last step's onset, ``after``
    to the next one's; ``expanded`` allows for the serial correlation of both. Where one side has
    too few readings to tell, what the watch itself said stays.
    """
    y = np.asarray(values, dtype=np.float64)
    watch = step_watch(learn=learn, k=k, h=h, resolution=resolution, confidence=confidence)
    found = []
    for seq, value in enumerate(y.tolist()):
        watch, step = watch_step(watch, value, seq)
        if step is not None:
            found.append(step)
    edges = [0, *(step.onset for step in found), y.size]
    return tuple(
        _refined(step, y[edges[i] : edges[i + 1]], y[edges[i + 1] : edges[i + 2]], confidence)
        for i, step in enumerate(found)
    )


def _refined(step: Step, before: Float, after: Float, confidence: float) -> Step:
    one, other = serial_spread(before), serial_spread(after)
    if one.reason is not None or other.reason is not None:
        return step
    u = math.hypot(one.u_mean, other.u_mean)
    dof = min(one.dof, other.dof)
    if u > 0:  # Welch and Satterthwaite: two means whose spreads need not be equal
        dof = u**4 / (one.u_mean**4 / one.dof + other.u_mean**4 / other.dof)
    return dataclasses.replace(
        step,
        before=one.mean,
        after=other.mean,
        size=other.mean - one.mean,
        expanded=student_quantile(0.5 + confidence / 2.0, dof) * u,
        readings_after=other.samples,
    )
