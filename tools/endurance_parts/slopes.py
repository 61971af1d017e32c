"""Whether a figure grows with running time: its slope, with an interval, and a word for it.

Slope and interval are those of a soak's drift (:func:`acqd.measure.drift.least_squares_drift`):
least squares after a warm-up, and an interval from the means of blocks that are long enough to be
independent, since the size of a process or of a journal now has much to do with what it was a
moment ago. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from acqd.measure.drift import Drift, least_squares_drift
from endurance_parts.sampling import Sample

__all__ = ["BOUNDED", "Bounded", "Slope", "Word", "slopes_of"]

Float = NDArray[np.float64]

MB = 1e6
CONFIDENCE = 0.95
HOUR_S = 3600.0


class Word(StrEnum):
    """What a slope comes to.

    * flat: all of the interval lies below the bound, and it is no fall; or it never moved by as
      much as the bound.
    * grows: the interval lies above zero, and the slope above the bound.
    * falls: the interval lies below zero, and the slope below the negative bound.
    * cannot tell: there is no interval, or it is so wide that a growth beyond the bound may hide in
      it.
    """

    FLAT = "flat"
    GROWS = "grows"
    FALLS = "falls"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounded:
    """A figure that must not grow with running time.

    Attributes:
        name: of the sample's field.
        what: for people.
        unit, scale: a value divided by ``scale`` is in ``unit``.
        most: the largest growth that is called flat, in ``unit``, over all of the time that is
            judged; or that ``share`` of its largest value, where that is more: a journal
            fills and is begun anew.
        least_of: of so many neighbouring samples the least is taken: for what work under way makes
            larger now and then. What leaks lifts the least as well.
    """

    name: str
    what: str
    unit: str
    scale: float
    most: float
    share: float = 0.0
    least_of: int = 1


BOUNDED = (
    Bounded(name="rss_bytes", what="memory (RSS)", unit="MB", scale=MB, most=2.0),
    Bounded(name="heap_bytes", what="memory of no file", unit="MB", scale=MB, most=2.0),
    Bounded(name="handles", what="file handles", unit="", scale=1.0, most=1.0, least_of=12),
    Bounded(name="threads", what="threads", unit="", scale=1.0, most=1.0, least_of=12),
    Bounded(name="journal_bytes", what="journals", unit="MB", scale=MB, most=0.5, share=0.5),
    Bounded(name="wal_bytes", what="write-ahead logs", unit="MB", scale=MB, most=0.5, share=0.5),
    Bounded(name="answer_s", what="time to an answer", unit="ms", scale=1e-3, most=5.0, least_of=6),
    Bounded(name="archive_waiting", what="batches to commit", unit="", scale=1.0, most=0.5),
    Bounded(name="outbox_waiting", what="findings to send", unit="", scale=1.0, most=0.5),
    Bounded(name="broker_rss_bytes", what="the broker's memory", unit="MB", scale=MB, most=2.0),
)
"""``most`` is over the whole time that is judged, so a longer run is held to a smaller slope."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """A figure over time, in its unit.

    Attributes:
        first, last: means over the first and the last tenth of what is judged.
        least, greatest: over all of it.
        per_hour, low_per_hour, high_per_hour: the slope and its 95 % interval; None where there is
            none, and ``reason`` says why.
        bound_per_hour: a slope nearer to zero is flat.
    """

    figure: Bounded
    samples: int
    span_s: float
    first: float
    last: float
    least: float
    greatest: float
    per_hour: float
    low_per_hour: float | None
    high_per_hour: float | None
    bound_per_hour: float
    word: Word
    reason: str = ""


def slopes_of(
    samples: Sequence[Sample], *, warm_up_s: float, bounded: Sequence[Bounded] = BOUNDED
) -> list[Slope]:
    """The slope of each figure that was sampled, over the time after ``warm_up_s``.

    A figure with fewer than 3 known samples there is left out.
    """
    found = [_slope(samples, warm_up_s, figure) for figure in bounded]
    return [one for one in found if one is not None]


def _slope(samples: Sequence[Sample], warm_up_s: float, figure: Bounded) -> Slope | None:
    known = [
        (one.at_s, value / figure.scale)
        for one in samples
        if one.at_s >= warm_up_s and (value := getattr(one, figure.name)) is not None
    ]
    if len(known) < 3:
        return None
    at_s, values = _least(np.array(known).T, figure.least_of)
    span_s = float(at_s[-1] - at_s[0])
    drift = least_squares_drift(at_s, values, confidence=CONFIDENCE)
    low, high, reason = _interval(values, drift)
    tenth = max(1, values.size // 10)
    most = max(figure.most, figure.share * float(values.max()))
    bound = most / (span_s / HOUR_S)
    return Slope(
        figure=figure,
        samples=values.size,
        span_s=span_s,
        first=float(values[:tenth].mean()),
        last=float(values[-tenth:].mean()),
        least=float(values.min()),
        greatest=float(values.max()),
        per_hour=drift.slope_per_hour,
        low_per_hour=low,
        high_per_hour=high,
        bound_per_hour=bound,
        word=Word.FLAT if np.ptp(values) < most else _word(drift.slope_per_hour, low, high, bound),
        reason=reason,
    )


def _least(known: Float, of: int) -> Float:
    """The least value of each ``of`` neighbours, at their mean time; a rest is left out. Where that
    would leave fewer than three, all of them."""
    whole = known.shape[1] // of * of
    if of == 1 or whole < 3 * of:
        return known
    at_s, values = known[:, :whole].reshape(2, -1, of)
    return np.array([at_s.mean(axis=1), values.min(axis=1)])


def _interval(values: Float, drift: Drift) -> tuple[float | None, float | None, str]:
    if np.ptp(values) == 0.0:
        # It never moved: how its readings hang together need not be asked.
        return 0.0, 0.0, ""
    if drift.serial is None:
        return None, None, drift.reason or ""
    return drift.serial.low_per_hour, drift.serial.high_per_hour, ""


def _word(slope: float, low: float | None, high: float | None, bound: float) -> Word:
    if low is None or high is None:
        return Word.CANNOT_TELL
    if high < 0.0 and slope < -bound:
        return Word.FALLS
    if high <= bound:
        return Word.FLAT
    return Word.GROWS if low > 0.0 and slope > bound else Word.CANNOT_TELL
