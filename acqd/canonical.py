"""Canonical levels: the one value that live measuring, the archive and every replay agree on.

A level enters measurement as the float that reading the archive will give back, and the archive
stores that float exactly: as a scaled integer where the sweeper's own step allows, else as it is.
So the type is settled here, once, before anything is measured or stored (guarantees G2 and G4).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["STEPS", "canonical_levels", "codes_from_levels", "finest_step", "levels_from_codes"]

STEPS = (1.0, 0.5, 0.25, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)
"""Steps tried where a sweeper does not say how finely it quantises, coarse ones first."""

MISSING_CODE = {2: -(2**15), 4: -(2**31)}
"""The integer that stands for NaN, by width in bytes."""


def levels_from_codes(codes: NDArray[Any], step: float) -> NDArray[np.float32]:
    """float32 levels of integer codes; the missing code of their width becomes NaN.

    The product is taken in float64 and rounded once: with that, a decimal text of the same value
    parsed to float32 gives the same bits for every code at the steps above.
    """
    level = (codes.astype(np.float64) * step).astype(np.float32)
    level[codes == MISSING_CODE[codes.dtype.itemsize]] = np.nan
    return level


def codes_from_levels(level: NDArray[np.floating], step: float) -> NDArray[Any] | None:
    """Integer codes (int16, else int32) that give back ``level`` exactly, or None.

    Exactly means: :func:`levels_from_codes` returns the same float32 bits, NaN where there was NaN.
    """
    if level.dtype != np.float32:
        return None
    missing = np.isnan(level)
    any_missing = bool(missing.any())
    scaled = np.rint((np.where(missing, 0.0, level) if any_missing else level) / np.float64(step))
    largest = float(np.abs(scaled).max(initial=0.0))
    if not largest <= 2**31 - 2:
        return None
    codes = scaled.astype(np.int16 if largest <= 2**15 - 2 else np.int32)
    if any_missing:
        codes[missing] = MISSING_CODE[codes.dtype.itemsize]
    # By their bits: a −0.0 equals the 0.0 that its code gives back, and is not the same.
    back = levels_from_codes(codes, step).view(np.uint32)
    given = np.ascontiguousarray(level).view(np.uint32)
    same = back == given
    return codes if bool((same | missing if any_missing else same).all()) else None


def finest_step(level: NDArray[np.floating], declared: float | None = None) -> float | None:
    """The coarsest step that holds all of ``level`` exactly as float32, or None.

    The sweeper's declared step is tried first, then :data:`STEPS`.
    """
    single = level.astype(np.float32)
    for step in (*((declared,) if declared else ()), *STEPS):
        if codes_from_levels(single, step) is not None:
            return float(step)
    return None


def canonical_levels(
    level: NDArray[Any], resolution: float | None = None
) -> NDArray[np.float32] | NDArray[np.float64] | NDArray[np.complex64] | NDArray[np.complex128]:
    """``level`` in the type that the archive will hold it in, without losing anything.

    Args:
        level: (points,) levels as the driver gave them; real or complex.
        resolution: the sweeper's declared step, where it has one.

    Returns:
        (points,) float32 where every value is a float32 already, or where all values lie on the
        declared step or on one of :data:`STEPS` within rounding of float64 (then the float32
        nearest to ``code · step``); else float64. Complex data likewise complex64 or complex128.
        A real −0.0 becomes 0.0: the sign of no level means nothing, and integers have none.
    """
    if np.iscomplexobj(level):
        narrow = level.astype(np.complex64)
        whole = level.astype(np.complex128)
        exact = np.array_equal(narrow.astype(np.complex128), whole, equal_nan=True)
        return narrow if exact else whole
    if level.dtype == np.float32:
        return np.ascontiguousarray(level) + np.float32(0.0)
    wide = level.astype(np.float64)
    # The declared step first: it nearly always fits, and where a float32 fits too both are equal.
    if resolution and (on_step := _on_step(wide, resolution)) is not None:
        return on_step
    narrow_real = wide.astype(np.float32)
    if np.array_equal(narrow_real.astype(np.float64), wide, equal_nan=True):
        return narrow_real + np.float32(0.0)
    for step in STEPS:
        if (on_step := _on_step(wide, step)) is not None:
            return on_step
    return wide + 0.0


def _on_step(wide: NDArray[np.float64], step: float) -> NDArray[np.float32] | None:
    """The float32 nearest to ``code · step`` where all of ``wide`` is that, or NaN; else None."""
    stepped = np.rint(wide / step)
    stepped *= step
    fits = np.abs(stepped - wide) <= 4e-16 * np.abs(wide) + 1e-300
    if bool(fits.all()) or bool((fits | np.isnan(wide)).all()):
        return (stepped + 0.0).astype(np.float32)
    return None
