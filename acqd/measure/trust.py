"""What no verdict may rest on: sweeps by what is said of them, and places without levels.

A sweep that did not hear shows nothing, which looks like a thing that has nothing to show. So what
was not heard is not measured, neither kept nor lost.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from acqd.measure.words import range_text
from acqd.sweep import SweepFlag

__all__ = ["SPOILT", "SPOILT_NOISE", "hole_text", "holes_hz", "spoilt_by"]

Float = NDArray[np.float64]

SPOILT: Mapping[SweepFlag, str] = {
    SweepFlag.OVERLOAD: "the sweeper reported an overload",
    SweepFlag.TRANSMITTING: "a transmitter nearby was keyed",
    SweepFlag.SET_ASIDE: "the job's conditions set the sweep aside",
}

SPOILT_NOISE: Mapping[SweepFlag, str] = {
    **SPOILT,
    SweepFlag.REPEATED: "the sweep equals the one before to the last bit",
}
"""Where there is noise. A strong level on a coarse scale does repeat."""

HIDES_RBW = 0.5 * (1.0 + 1e-6)
"""A line between two readings so many RBWs apart reads 0.75 dB low at most (Gaussian filter); it
cannot hide there."""


def spoilt_by(flags: SweepFlag, reasons: Mapping[SweepFlag, str] = SPOILT) -> str | None:
    """Why nothing of a sweep counts towards a limit, in words; None where nothing is said."""
    return next((why for flag, why in reasons.items() if flags & flag), None)


def holes_hz(
    frequency_hz: Float,
    level: Float,
    *,
    rbw_hz: float | None,
    within_hz: tuple[float, float] | None = None,
    excluded_hz: Sequence[tuple[float, float]] = (),
) -> tuple[tuple[float, float], ...]:
    """Places without a level in which a line could hide.

    Args:
        frequency_hz: (points,) rising.
        level: (points,) of any unit, NaN where there is none.
        rbw_hz: a hole narrower than half of it hides nothing; None: every hole does.
        within_hz: where to look; everywhere if None.
        excluded_hz: where holes do not matter.

    Returns:
        First and last frequency of each, in rising order.

    Source: definition ours.
    """
    matters = np.ones(frequency_hz.size, dtype=bool)
    if within_hz is not None:
        matters = (frequency_hz >= within_hz[0]) & (frequency_hz <= within_hz[1])
    for low_hz, high_hz in excluded_hz:
        matters &= (frequency_hz < low_hz) | (frequency_hz > high_hz)
    gone = np.concatenate(([False], ~np.isfinite(level), [False]))
    begins, ends = np.flatnonzero(np.diff(gone.astype(np.int8))).reshape(-1, 2).T
    found = []
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        at = np.flatnonzero(matters[begin:end]) + begin
        at_end = begin == 0 or end == frequency_hz.size
        if not at.size:
            continue
        if not at_end and rbw_hz is not None:
            between_hz = float(frequency_hz[end] - frequency_hz[begin - 1])
            if between_hz <= HIDES_RBW * rbw_hz:
                continue
        found.append((float(frequency_hz[at[0]]), float(frequency_hz[at[-1]])))
    return tuple(found)


def hole_text(holes: Sequence[tuple[float, float]]) -> str:
    """The first hole in words, and that there are more."""
    more = f" and at {len(holes) - 1} more places" if len(holes) > 1 else ""
    return f"the sweep has no levels {range_text(*holes[0])}{more}"
