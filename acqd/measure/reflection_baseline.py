"""What a reflection was at installation, kept to compare later ones with."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.match import Match, best_match
from acqd.measure.reflection import Reflection, TermFrom
from acqd.measure.reflection_change import change_since, match_change
from acqd.measure.words import frequency_text, number_text

__all__ = ["POINTS_MOST", "Baseline", "baseline_of", "change_figures", "nearest_match"]

Float = NDArray[np.float64]

POINTS_MOST = 20_001
"""Points of a baseline: it is part of every checkpoint, 48 bytes a point and a third more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """A reflection as it was first seen; arrays are (points,)."""

    seq: int
    at_s: float
    installed: str
    identity: str
    frequency_hz: Float
    magnitude: Float
    magnitude_low: Float
    magnitude_high: Float
    shown: Float
    floor: Float
    directivity_db: Float
    source_match_db: float
    cable_loss_db: Float
    match: Match

    def trace(self) -> Reflection:
        """The reflection again, as far as a comparison looks at it."""
        return Reflection(
            magnitude=self.magnitude,
            magnitude_low=self.magnitude_low,
            magnitude_high=self.magnitude_high,
            parts={"floor": self.floor},
            shown=self.shown,
            directivity_db=self.directivity_db,
            directivity_from=TermFrom.STATED,
            source_match_db=self.source_match_db,
            source_match_from=TermFrom.STATED,
            cable_loss_db=self.cable_loss_db,
            floor_limited=np.zeros(self.magnitude.shape, dtype=np.bool_),
            notes=(),
        )


def baseline_of(
    frequency_hz: Float,
    trace: Reflection,
    *,
    seq: int,
    at_s: float,
    installed: str,
    identity: str,
    swr_levels: Sequence[float],
) -> Baseline | None:
    """The baseline that a reflection makes; None where it is not fit for one: a level is missing,
    there are too many points, or nothing is matched anywhere (magnitude 1 and above)."""
    if frequency_hz.size > POINTS_MOST or not np.isfinite(trace.magnitude).all():
        return None
    match = best_match(frequency_hz, trace, swr_levels=swr_levels)
    if match is None or match.value.magnitude >= 1.0:
        return None
    return Baseline(
        seq=seq,
        at_s=at_s,
        installed=installed,
        identity=identity,
        frequency_hz=np.array(frequency_hz),
        magnitude=np.array(trace.magnitude),
        magnitude_low=np.array(trace.magnitude_low),
        magnitude_high=np.array(trace.magnitude_high),
        shown=np.array(trace.shown),
        floor=np.array(trace.parts["floor"]),
        directivity_db=np.array(trace.directivity_db),
        source_match_db=trace.source_match_db,
        cable_loss_db=np.array(trace.cable_loss_db),
        match=match,
    )


def nearest_match(matches: Sequence[Match], frequency_hz: float) -> Match:
    """Of several dips the one nearest to a frequency; the first of equals.

    So a dip that was best then is compared with itself, and not with another that is best now.
    """
    return min(matches, key=lambda match: abs(match.frequency_hz - frequency_hz))


def change_figures(
    baseline: Baseline,
    frequency_hz: Float,
    trace: Reflection,
    matches: Sequence[Match],
    *,
    identity: str,
    repeatability_db: float,
) -> dict[str, Any]:
    """The change since installation as plain JSON data; ``refused`` says why there is none.

    Args:
        matches: the best match and all other dips of ``trace``; not empty.
        identity: of the sweeper now. With another one nothing cancels in the comparison.
        repeatability_db: see :func:`acqd.measure.reflection_change.change_since`.
    """
    figures: dict[str, Any] = {
        "since_s": baseline.at_s,
        "since_seq": baseline.seq,
        "installed": baseline.installed,
        "refused": None,
        "same_sweeper": identity == baseline.identity,
        "points": int(trace.magnitude.size),
        "moved_points": None,
        "least_change": None,
        "least_change_hz": None,
        "match_shift_hz": None,
        "match_shift_low_hz": None,
        "match_shift_high_hz": None,
        "match_shifted": None,
        "return_loss_change_db": None,
        "return_loss_change_low_db": None,
        "return_loss_change_high_db": None,
        "text": "",
    }
    if not np.array_equal(frequency_hz, baseline.frequency_hz):
        figures["refused"] = "the frequencies are others than at installation"
        return figures
    then = baseline.trace()
    change = change_since(
        trace, then, same_bridge=figures["same_sweeper"], repeatability_db=repeatability_db
    )
    moved = int(np.count_nonzero(change.moved))
    most = int(np.argmax(change.least_change))
    figures["moved_points"] = moved
    figures["least_change"] = round(float(change.least_change[most]), 6)
    if moved:
        figures["least_change_hz"] = float(frequency_hz[most])
    shift = match_change(nearest_match(matches, baseline.match.frequency_hz), baseline.match)
    figures["match_shift_hz"] = round(shift.shift_hz, 1)
    figures["match_shift_low_hz"] = round(shift.shift_low_hz, 1)
    figures["match_shift_high_hz"] = round(shift.shift_high_hz, 1)
    figures["match_shifted"] = shift.surely_shifted
    for key, value in (
        ("return_loss_change_db", shift.return_loss_change_db),
        ("return_loss_change_low_db", shift.return_loss_low_db),
        ("return_loss_change_high_db", shift.return_loss_high_db),
    ):
        figures[key] = round(value, 3) if math.isfinite(value) else None
    if not moved:
        what = "it may be the same load as then"
    else:
        what = (
            f"it is not as it was: at {moved} of {trace.magnitude.size} points, most at "
            f"{frequency_text(float(frequency_hz[most]))}, where the reflection moved by "
            f"{number_text(figures['least_change'], 2)} at least"
        )
    figures["text"] = f"{shift}; {what}"
    return figures
