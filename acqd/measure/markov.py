"""Occupancy of a channel whose visits depend on each other: the two-state Markov estimate.

Where the revisit time is short against a channel's on and off times, successive visits say nearly
the same, and an interval that takes them for independent is too narrow. Here a channel is a chain
of two states, free and busy. The four counts of what followed what are all that is kept, so any
number of visits fits into four integers a channel, and counts of two periods simply add up.

The chain is stationary: the occupancy meant is the one in the long run of a channel that goes on
as it did, not the share of the time that happened to be looked at.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.statistics import normal_quantile

__all__ = [
    "MarkovFit",
    "Transitions",
    "count_transitions",
    "fit_markov",
    "hours_more",
    "occupancy_interval",
    "visits_needed",
]

Float = NDArray[np.float64]
Int = NDArray[np.int64]

LARGEST_RHO = 1.0 - 1e-6
"""Keeps the factor finite where a chain hardly ever changed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Transitions:
    """How often a visit was followed by which: int64 (channels,) each; ``busy_free`` counts a busy
    visit followed by a free one. Pairs with a gap in between are in none of them."""

    free_free: Int
    free_busy: Int
    busy_free: Int
    busy_busy: Int

    @classmethod
    def none_yet(cls, channels: int) -> Transitions:
        zeros = np.zeros(channels, dtype=np.int64)
        return cls(free_free=zeros, free_busy=zeros, busy_free=zeros, busy_busy=zeros)

    @property
    def pairs(self) -> Int:
        return self.free_free + self.free_busy + self.busy_free + self.busy_busy

    def __add__(self, other: Transitions) -> Transitions:
        return Transitions(
            free_free=self.free_free + other.free_free,
            free_busy=self.free_busy + other.free_busy,
            busy_free=self.busy_free + other.busy_free,
            busy_busy=self.busy_busy + other.busy_busy,
        )


def count_transitions(
    busy: NDArray[np.bool_],
    *,
    judged: NDArray[np.bool_] | None = None,
    at_s: Float | None = None,
    longest_step_s: float = math.inf,
) -> Transitions:
    """Counts of successive visits.

    Args:
        busy: (visits, channels) in order of time.
        judged: (visits, channels) False where a visit does not count; it breaks the chain there.
        at_s: (visits,) time of each; a step longer than ``longest_step_s`` breaks the chain.

    Returns:
        Zeros where there are fewer than two visits.

    Raises:
        ValueError: ``busy`` is not two-dimensional.
    """
    if busy.ndim != 2:
        raise ValueError(f"busy must be (visits, channels), got {busy.ndim} dimensions")
    before, after = busy[:-1], busy[1:]
    linked = np.ones(after.shape, dtype=np.bool_)
    if judged is not None:
        linked &= judged[:-1] & judged[1:]
    if at_s is not None and len(at_s) > 1:
        linked &= (np.diff(at_s) <= longest_step_s)[:, None]

    def count(which: NDArray[np.bool_]) -> Int:
        return np.asarray(np.count_nonzero(which & linked, axis=0), dtype=np.int64)

    return Transitions(
        free_free=count(~before & ~after),
        free_busy=count(~before & after),
        busy_free=count(before & ~after),
        busy_busy=count(before & after),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkovFit:
    """What the counts say of each channel, float64 (channels,) each, NaN where they say nothing.

    ``share`` is the occupancy of the chain, ``rho`` its correlation from one visit to the next with
    standard uncertainty ``rho_u``. ``factor`` = (1 + ρ)/(1 − ρ) is how many visits are worth an
    independent one; ``factor_safe`` the same one standard uncertainty of ρ higher, never below 1.
    ``mean_on_s`` and ``mean_off_s`` allow for what went unseen between visits; NaN where ρ is not
    above 0 by its standard uncertainty: then they are shorter than this revisit time can tell.
    """

    share: Float
    rho: Float
    rho_u: Float
    factor: Float
    factor_safe: Float
    mean_on_s: Float
    mean_off_s: Float


def fit_markov(counts: Transitions, *, revisit_s: float = math.nan) -> MarkovFit:
    """The chain that the counts come from.

    Args:
        counts: of visits ``revisit_s`` apart on the mean; NaN leaves the on and off times NaN.

    With a the share of free visits that a busy one followed, b of busy ones that a free one
    followed: ρ = 1 − a − b, share a/(a + b), and for mean on and off times T1 and T0
    ρ = exp(−T_R·(1/T1 + 1/T0)). Its uncertainty is that of two binomial shares, with half a count
    added to each cell so that a chain that changed but once is not taken for certain. A channel
    that never changed gives NaN all over: how long it stays as it is nobody has seen.

    Source: derived (two-state Markov chain).
    """
    free_busy, busy_free = counts.free_busy, counts.busy_free
    changed = (free_busy + busy_free) > 0
    rise = _smoothed(free_busy, counts.free_free)
    fall = _smoothed(busy_free, counts.busy_busy)
    variance = rise * (1.0 - rise) / (counts.free_free + free_busy + 2.0)
    variance += fall * (1.0 - fall) / (counts.busy_busy + busy_free + 2.0)
    rho_u = np.sqrt(variance)
    with np.errstate(divide="ignore", invalid="ignore"):
        rise_seen = free_busy / (free_busy + counts.free_free)
        fall_seen = busy_free / (busy_free + counts.busy_busy)
        both = np.isfinite(rise_seen) & np.isfinite(fall_seen)
        # One state that was seen once and at the end only has no share of its own to leave it.
        rise_seen = np.where(both, rise_seen, rise)
        fall_seen = np.where(both, fall_seen, fall)
        share = rise_seen / (rise_seen + fall_seen)
        rho = np.minimum(1.0 - rise_seen - fall_seen, LARGEST_RHO)
        safe = np.minimum(rho + rho_u, LARGEST_RHO)
        told = changed & (rho > rho_u)
        rate_hz = np.where(told, -np.log(np.where(told, rho, 0.5)), np.nan) / revisit_s
        mean_on_s = 1.0 / (rate_hz * (1.0 - share))
        mean_off_s = 1.0 / (rate_hz * share)

    def known(value: Float) -> Float:
        return np.where(changed, value, np.nan)

    return MarkovFit(
        share=known(share),
        rho=known(rho),
        rho_u=known(rho_u),
        factor=known((1.0 + rho) / (1.0 - rho)),
        factor_safe=known(np.maximum(1.0, (1.0 + safe) / (1.0 - safe))),
        mean_on_s=mean_on_s,
        mean_off_s=mean_off_s,
    )


def _smoothed(left: Int, stayed: Int) -> Float:
    return np.asarray((left + 0.5) / (left + stayed + 1.0))


def occupancy_interval(
    hits: Int, visits: Int, factor: Float, *, confidence: float = 0.95
) -> tuple[Float, Float]:
    """Wilson score interval (low, high) of each share, of ``visits`` / ``factor`` independent ones.

    Args:
        hits: (channels,) busy visits, ``visits`` (channels,) all of them.
        factor: (channels,) :attr:`MarkovFit.factor_safe`; NaN gives NaN: where the dependence is
            not known, neither is the interval. A factor below 1 is taken as 1.

    Returns:
        Each (channels,), 0..1; no visit gives NaN.

    Source: Wilson (1927) with the effective number of visits; derived.
    """
    z2 = normal_quantile(0.5 + confidence / 2.0) ** 2
    visits = np.asarray(visits)
    with np.errstate(divide="ignore", invalid="ignore"):
        n = visits / np.maximum(factor, 1.0)
        share = np.asarray(hits) / np.where(visits > 0, visits, np.nan)
        centre = (share + z2 / (2.0 * n)) / (1.0 + z2 / n)
        half = np.sqrt(z2 * share * (1.0 - share) / n + z2 * z2 / (4.0 * n * n)) / (1.0 + z2 / n)
    low = np.where(share == 0.0, np.where(np.isnan(n), np.nan, 0.0), centre - half)
    high = np.where(share == 1.0, np.where(np.isnan(n), np.nan, 1.0), centre + half)
    return np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)


def visits_needed(
    share: Float,
    factor: Float,
    *,
    relative: float | None = None,
    absolute: float | None = None,
    confidence: float = 0.95,
) -> Float:
    """Visits for the share to be known within an error: z²(1 − p)/(δ²p) or z²p(1 − p)/ε², · factor.

    Args:
        share: (channels,); a relative error of nothing, and NaN, give NaN.
        factor: (channels,) :attr:`MarkovFit.factor`.

    Raises:
        ValueError: not exactly one of the two errors, or one that is not above 0.

    Source: normal approximation, derived; (1 + ρ)/(1 − ρ) for the dependence, derived.
    """
    given = [error for error in (relative, absolute) if error is not None]
    if len(given) != 1 or not given[0] > 0:
        raise ValueError("exactly one of relative and absolute is needed, above 0")
    z2 = normal_quantile(0.5 + confidence / 2.0) ** 2
    share = np.asarray(share, dtype=np.float64)
    usable = np.where((share > 0.0) & (share < 1.0), share, np.nan)
    error = given[0] * (usable if relative is not None else 1.0)
    return np.asarray(z2 * usable * (1.0 - usable) / error**2 * np.maximum(factor, 1.0))


def hours_more(needed: Float, visits: Int, revisit_s: float) -> Float:
    """Hours of watching that are still missing at this revisit time; 0 where there is enough."""
    return np.asarray(np.maximum(needed - visits, 0.0) * revisit_s / 3600.0)
