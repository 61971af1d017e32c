"""Return loss, magnitude, SWR and mismatch loss, and what a bridge's errors make of a magnitude.

Return loss is positive for a passive load: −20 log10(magnitude). A magnitude above 1 stays as it
is; its return loss is negative and its SWR infinite. Nothing is clipped.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "NEPER_PER_DB",
    "cable_loss_from_far_end_db",
    "check_limits",
    "magnitude_from_return_loss_db",
    "magnitude_from_vswr",
    "mean_reference_db",
    "mismatch_loss_db",
    "return_loss_db",
    "shapes_differ",
    "shown_limits",
    "true_limits",
    "vswr",
]

Float = NDArray[np.float64]

NEPER_PER_DB = math.log(10.0) / 20.0
"""One dB of a voltage ratio, as a natural logarithm."""


def return_loss_db(magnitude: ArrayLike) -> Float:
    """−20 log10 of a magnitude: 0 gives inf, above 1 is negative, NaN stays NaN. Definition."""
    with np.errstate(divide="ignore"):
        # The + 0.0 makes a plain zero of the −0.0 of a total reflection.
        return np.asarray(-20.0 * np.log10(np.asarray(magnitude, dtype=np.float64)) + 0.0)


def magnitude_from_return_loss_db(loss_db: ArrayLike) -> Float:
    """Magnitude of a return loss; a negative one gives a magnitude above 1. Definition."""
    return np.asarray(np.exp(np.asarray(loss_db, dtype=np.float64) * -NEPER_PER_DB))


def vswr(magnitude: ArrayLike) -> Float:
    """(1 + ρ)/(1 − ρ); infinite for ρ ≥ 1, where no finite ratio exists. NaN stays NaN."""
    rho = np.asarray(magnitude, dtype=np.float64)
    below = np.where(rho < 1.0, rho, 0.0)
    ratio = np.where(rho >= 1.0, np.inf, (1.0 + below) / (1.0 - below))
    return np.asarray(np.where(np.isnan(rho), np.nan, ratio))


def magnitude_from_vswr(ratio: ArrayLike) -> Float:
    """(S − 1)/(S + 1); infinite gives 1, below 1 (which no wave has) gives NaN."""
    swr = np.asarray(ratio, dtype=np.float64)
    finite = np.where(np.isinf(swr), 1.0, swr)
    rho = np.where(np.isinf(swr), 1.0, (finite - 1.0) / (finite + 1.0))
    return np.asarray(np.where(swr >= 1.0, rho, np.nan))


def mismatch_loss_db(magnitude: ArrayLike) -> Float:
    """−10 log10(1 − ρ²), the power that does not go in; inf at 1, NaN above (none goes in)."""
    rho = np.asarray(magnitude, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(-10.0 * np.log10(1.0 - rho * rho) + 0.0)


def shown_limits(
    magnitude: ArrayLike, *, directivity: ArrayLike, source_match: ArrayLike = 0.0
) -> tuple[Float, Float]:
    """(low, high) of what a bridge shows of a true reflection, over all phases.

    ρ/(1 ± s·ρ) ± d, in the first order ρ ± d ± ρ²·s, the usual textbook form. All are magnitudes;
    low is never below 0, high is infinite where s·ρ ≥ 1. Source: derived.
    """
    rho, d, s = _floats(magnitude, directivity, source_match)
    low = np.maximum(0.0, rho / (1.0 + s * rho) - d)
    return low, _amplified(rho, s) + d


def true_limits(
    shown: ArrayLike, *, directivity: ArrayLike, source_match: ArrayLike = 0.0
) -> tuple[Float, Float]:
    """(low, high) of the true reflection behind a shown one: the inverse of :func:`shown_limits`.

    With x = shown ± d: x/(1 ± s·x). Low is 0 where the reading lies below the directivity, high
    infinite where s·(shown + d) ≥ 1. Source: derived.
    """
    m, d, s = _floats(shown, directivity, source_match)
    x = np.maximum(0.0, m - d)
    return x / (1.0 + s * x), _amplified(m + d, s)


def _amplified(rho: Float, s: Float) -> Float:
    """ρ/(1 − s·ρ), infinite where the two feed each other."""
    rest = 1.0 - s * rho
    out = np.where(rest > 0.0, rho / np.where(rest > 0.0, rest, 1.0), np.inf)
    return np.asarray(np.where(np.isnan(rho + s), np.nan, out))


def mean_reference_db(open_db: ArrayLike | None, short_db: ArrayLike | None) -> Float:
    """Level of a total reflection: the mean of open and short *in dB*, or the one there is.

    A bridge shows an open as |1/(1 − s) + d| and a short as |1/(1 + s) − d|: ripples of opposite
    sign. The mean in dB is the root of the product, √|(1 − 2·s·d)/(1 − s²) − d²|: its error is
    (s + d)²/2 at most and 0 in the mean over phases. The mean in voltage is off by up to s² + d²/2
    and reads high in the mean (derived).

    Raises:
        ValueError: neither is given, or their shapes differ.
    """
    if open_db is None and short_db is None:
        raise ValueError("an open or a short reference is needed, better both")
    if open_db is None or short_db is None:
        return np.array(open_db if short_db is None else short_db, dtype=np.float64)
    first, second = _floats(open_db, short_db)
    if first.shape != second.shape:
        raise ValueError(shapes_differ("open_db", first.shape, "short_db", second.shape))
    return np.asarray(0.5 * (first + second))


def cable_loss_from_far_end_db(
    open_return_loss_db: ArrayLike, short_return_loss_db: ArrayLike | None = None
) -> Float:
    """One-way loss of a cable whose far end is open, shorted, or first one and then the other.

    Half the return loss seen through it, mean of open and short in dB. Trade practice.

    Raises:
        ValueError: the shapes of the two differ.
    """
    return 0.5 * mean_reference_db(open_return_loss_db, short_return_loss_db)


def _floats(*values: ArrayLike) -> tuple[Float, ...]:
    return tuple(np.asarray(value, dtype=np.float64) for value in values)


def check_limits(**limits: float | None) -> None:
    """Raise ValueError for a named limit that is below 0 or NaN; None passes."""
    for name, value in limits.items():
        if value is not None and not value >= 0.0:
            raise ValueError(f"{name} must not be below 0, got {value}")


def shapes_differ(
    name: str, shape: tuple[int, ...], other: str, other_shape: tuple[int, ...]
) -> str:
    """The sentence for two arrays that do not belong together."""
    return f"{name} and {other} must have one shape, got {shape} and {other_shape}"
