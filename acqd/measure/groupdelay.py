"""Group delay of complex S21: how long a band of frequencies takes to come through."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "AMBIGUOUS_STEP_RAD",
    "GroupDelay",
    "group_delay",
]

Float = NDArray[np.float64]

AMBIGUOUS_STEP_RAD = math.pi / 2
"""Phase between two points beyond which the turns can no longer be counted safely. At π they are
lost; half of it leaves room for noise and for delay that varies."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupDelay:
    """Group delay per point, all arrays (points,).

    ``delay_s`` is NaN where the aperture reaches beyond the sweep, over a missing level, or over a
    step that turns the phase by more than 90° (``undersampled``). ``aperture_hz`` is what each
    value was taken over. ``u_delay_s`` by noise alone, None where that is not known.
    ``longest_delay_s`` is what the widest step can carry before it turns by 90°: a longer delay
    may come out as a shorter or a negative one without any sign of it.
    """

    frequency_hz: Float
    delay_s: Float
    aperture_hz: Float
    undersampled: NDArray[np.bool_]
    u_delay_s: Float | None
    longest_delay_s: float
    notes: tuple[str, ...]


def group_delay(
    frequency_hz: ArrayLike,
    s21: ArrayLike,
    *,
    aperture_hz: float | None = None,
    u_db: ArrayLike | None = None,
) -> GroupDelay:
    """τ = −Δφ / (2π·Δf), the phase unwrapped from point to point.

    Args:
        frequency_hz: (points,) strictly rising, at least two.
        s21: (points,) complex; NaN or exact 0 where there is none.
        aperture_hz: the Δf, centred on each point, phases between points by a straight line. A
            wide one lowers noise as 1/Δf and flattens what is narrower than it. None: from the
            point before to the point after, at the ends one step.
        u_db: standard uncertainty of the magnitude by noise, one number or (points,). The same
            noise turns the phase by u·ln 10/20 rad.

    Returns:
        The delay; where most steps are undersampled a note says that a finer step is needed, where
        the median delay is negative, which no passive line shows, that turns were probably lost.

    Raises:
        ValueError: shapes that differ, fewer than two points, frequencies that do not rise, or an
            aperture below the smallest step.

    Source: definition −dφ/dω; the two-frequency form and the word aperture are practice.
    """
    axis = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    ratio = np.atleast_1d(np.asarray(s21, dtype=np.complex128))
    if axis.shape != ratio.shape or axis.ndim != 1 or axis.size < 2:
        raise ValueError(
            f"frequency_hz and s21 must be one-dimensional, of one length and hold two points or "
            f"more, got {axis.shape} and {ratio.shape}"
        )
    steps_hz = np.diff(axis)
    if not (np.isfinite(axis).all() and (steps_hz > 0).all()):
        raise ValueError("frequency_hz must be finite and rise from point to point")
    if aperture_hz is not None and not aperture_hz >= steps_hz.min() * (1 - 1e-9):
        raise ValueError(
            f"aperture_hz must not be below the step of {steps_hz.min():.6g} Hz, got {aperture_hz}"
        )
    phase, turned = _unwrapped(ratio)
    low_hz, high_hz = _ends(axis, aperture_hz)
    width_hz = high_hz - low_hz
    delay = -(np.interp(high_hz, axis, phase) - np.interp(low_hz, axis, phase))
    delay = delay / (2.0 * math.pi * width_hz)
    unsafe = np.abs(turned) > AMBIGUOUS_STEP_RAD
    undersampled = _crossed(axis, low_hz, high_hz, unsafe)
    missing = _crossed(axis, low_hz, high_hz, np.isnan(turned))
    edge_hz = 1e-6 * float(steps_hz.min())
    outside = (low_hz < axis[0] - edge_hz) | (high_hz > axis[-1] + edge_hz)
    delay[undersampled | missing | outside] = np.nan
    return GroupDelay(
        frequency_hz=axis,
        delay_s=delay,
        aperture_hz=width_hz,
        undersampled=undersampled,
        u_delay_s=None if u_db is None else _u_delay_s(axis, low_hz, high_hz, u_db),
        longest_delay_s=AMBIGUOUS_STEP_RAD / (2.0 * math.pi * float(steps_hz.max())),
        notes=_notes(delay, unsafe, np.isnan(turned)),
    )


def _unwrapped(ratio: NDArray[np.complex128]) -> tuple[Float, Float]:
    """Phase that goes on from point to point, and its turn at each step; NaN turns where a level is
    missing, over which the phase stays as it was."""
    known = np.isfinite(ratio) & (ratio != 0)
    phase = np.where(known, np.angle(np.where(known, ratio, 1.0)), np.nan)
    turned = np.diff(phase)
    turned = turned - 2.0 * math.pi * np.round(turned / (2.0 * math.pi))
    return np.concatenate(([0.0], np.cumsum(np.nan_to_num(turned)))), turned


def _ends(axis: Float, aperture_hz: float | None) -> tuple[Float, Float]:
    if aperture_hz is not None:
        return axis - aperture_hz / 2.0, axis + aperture_hz / 2.0
    low = np.concatenate((axis[:1], axis[:-1]))
    return low, np.concatenate((axis[1:], axis[-1:]))


def _crossed(
    axis: Float, low_hz: Float, high_hz: Float, flagged: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Whether any flagged step lies, with any part, between the two ends, per point."""
    counted = np.concatenate(([0], np.cumsum(flagged)))
    first = np.clip(np.searchsorted(axis, low_hz, side="right") - 1, 0, flagged.size)
    stop = np.clip(np.searchsorted(axis, high_hz, side="left"), 0, flagged.size)
    return np.asarray(counted[np.maximum(stop, first)] > counted[first])


def _u_delay_s(axis: Float, low_hz: Float, high_hz: Float, u_db: ArrayLike) -> Float:
    """Both ends' phases carry noise; between points it is taken as large as at the points."""
    u_rad = np.broadcast_to(np.asarray(u_db, dtype=np.float64), axis.shape) * math.log(10.0) / 20.0
    both = np.hypot(np.interp(low_hz, axis, u_rad), np.interp(high_hz, axis, u_rad))
    return np.asarray(both / (2.0 * math.pi * (high_hz - low_hz)))


def _notes(delay: Float, unsafe: NDArray[np.bool_], missing: NDArray[np.bool_]) -> tuple[str, ...]:
    notes = []
    flagged = int(np.count_nonzero(unsafe))
    judged = int(unsafe.size - np.count_nonzero(missing))
    if flagged > judged / 2:
        notes.append("most steps turn the phase by more than 90°: sweep with a finer step")
    elif flagged:
        notes.append(f"{flagged} steps turn the phase by more than 90°: no delay is given there")
    known = delay[np.isfinite(delay)]
    if known.size and float(np.median(known)) < 0:
        notes.append("the median delay is negative: whole turns were probably lost between points")
    return tuple(notes)
