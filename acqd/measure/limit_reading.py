"""A reading beside a limit: what detector and bandwidth of the reading let one say.

A swept reading is seldom taken with the detector and bandwidth that a limit is for. What can be
said all the same rests on two bounds: a reading that is surely not less than what the limit means
may show that it is below; one that is surely not more may show that it is above. Everything else
is "cannot tell". Below or above is meant of one limit in one edition, nothing more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from acqd.measure.bandpower import enb_ratio
from acqd.measure.limit_profile import LimitDetector, ReferenceBandwidth, WidthKind
from acqd.measure.limits import Allowed
from acqd.measure.words import number_text
from acqd.sweep import Detector

__all__ = [
    "Bandwidths",
    "Comparison",
    "Standing",
    "bandwidths",
    "compare",
    "width_as",
]

SAME_WIDTH = 0.1
"""Widths that differ by less count as the same: 0.4 dB of noise, 0.8 dB of impulses (practice)."""


class Standing(StrEnum):
    """Where a reading stands to a limit."""

    BELOW = "below"
    ABOVE = "above"
    CANNOT_TELL = "cannot tell"


_PER_DB_3 = {
    WidthKind.DB_3: 1.0,
    WidthKind.DB_6: math.sqrt(2.0),
    WidthKind.NOISE: enb_ratio(),
    WidthKind.IMPULSE: math.sqrt(2.0) * enb_ratio(),
}
"""Widths of a Gaussian filter over its 3 dB width (derived); 1.4142, 1.0645 and 1.5054."""


def width_as(width_hz: float, kind: WidthKind, wanted: WidthKind) -> float:
    """The width of a Gaussian filter counted another way: 9 kHz at 3 dB is 12.73 kHz at 6 dB.

    Other shapes differ: four synchronous poles have a ratio of 1.48 where this has 1.4142.

    Raises:
        ValueError: a width that is not above 0.
    """
    if not width_hz > 0.0:
        raise ValueError(f"a bandwidth must be above 0 Hz, got {width_hz}")
    return width_hz * _PER_DB_3[wanted] / _PER_DB_3[kind]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bandwidths:
    """A sweep's RBW beside a limit's reference bandwidth.

    ``noise_db`` and ``impulse_db`` are what to add to a reading to have it in the reference
    bandwidth, on condition that the product is noise that is flat over both, or short pulses whose
    spectrum is. A steady carrier needs nothing. Which of them a product is, nobody can tell from
    one reading, so :func:`compare` adds none of them.
    """

    ratio: float
    """RBW over reference bandwidth, both counted the same way."""
    noise_db: float
    impulse_db: float

    @property
    def same(self) -> bool:
        return abs(self.ratio - 1.0) <= SAME_WIDTH

    @property
    def reads_at_least(self) -> bool:
        """True where the reading is not less than it would be in the reference bandwidth."""
        return self.same or self.ratio > 1.0

    @property
    def reads_at_most(self) -> bool:
        """True where the reading is not more than it would be in the reference bandwidth."""
        return self.same or self.ratio < 1.0


def bandwidths(
    rbw_hz: float, reference: ReferenceBandwidth, *, kind: WidthKind = WidthKind.DB_3
) -> Bandwidths:
    """Compare an RBW, by default a 3 dB width, with a reference bandwidth. Gaussian filters.

    A reference whose text does not say how it is counted is taken as a noise bandwidth: it is the
    bandwidth that a power is referred to.

    Raises:
        ValueError: a width that is not above 0.
    """
    wanted = reference.kind or WidthKind.NOISE
    ratio = width_as(rbw_hz, kind, wanted) / reference.width_hz
    db = -10.0 * math.log10(ratio)
    return Bandwidths(ratio=ratio, noise_db=db, impulse_db=2.0 * db)


_AT_LEAST: dict[Detector, frozenset[LimitDetector]] = {
    Detector.POSITIVE: frozenset(LimitDetector),
    Detector.RMS: frozenset({LimitDetector.RMS, LimitDetector.AVERAGE}),
}
"""Limit's detectors that a sweep's detector surely reads not less than, for any signal: the peak is
the largest of all; mean power is not less than the mean envelope (practice, and Jensen)."""

_AT_MOST: dict[Detector, frozenset[LimitDetector]] = {
    Detector.POSITIVE: frozenset({LimitDetector.PEAK}),
    Detector.RMS: frozenset({LimitDetector.RMS, LimitDetector.PEAK}),
    # The mean of dB readings lies below the mean envelope, and that below everything but the least.
    Detector.AVERAGE: frozenset(LimitDetector),
    Detector.NEGATIVE: frozenset(LimitDetector),
    Detector.SAMPLE: frozenset({LimitDetector.PEAK}),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """A reading beside a limit. ``margin_db`` is how far below the limit the reading lies.

    ``conditions`` have to hold for what is said; ``reasons`` are why nothing can be.
    """

    standing: Standing
    margin_db: float
    expanded_db: float
    text: str
    conditions: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()


def compare(
    limit: Allowed,
    *,
    level: float | None = None,
    down_db: float | None = None,
    detector: Detector | None,
    expanded_db: float = 0.0,
    caught_every_pulse: bool | None = None,
    widths: Bandwidths | None = None,
    narrow: bool = False,
) -> Comparison:
    """Whether a reading is below a limit, above it, or nobody can tell.

    It is below where reading + ``expanded_db`` is not above the limit and the reading is surely not
    less than what the limit means; above where reading − ``expanded_db`` exceeds the limit and the
    reading is surely not more. Peak ≥ quasi-peak ≥ average, so a peak reading below a quasi-peak
    limit is below, and one above it cannot tell.

    Args:
        level: in the limit's unit, at its plane and distance; or instead
        down_db: dB below the carrier.
        detector: of the sweep; None where nobody knows. A limit that names no detector is compared
            with any.
        expanded_db: half-width of the interval that holds the true value (U at k = 2).
        caught_every_pulse: whether the dwell was longer than the time between pulses. None leaves
            it as a condition; False takes the word of a peak detector's "below".
        widths: None where the bandwidths are the same, or the limit has none.
        narrow: the product is a steady carrier, narrower than both bandwidths: they do not matter.

    A reading of NaN cannot tell.

    Raises:
        ValueError: not exactly one of level and down_db, or the limit has no such figure.

    Source: order of detectors: practice; guard band of U: as JCGM 106:2012 8.3.2.
    """
    margin_db, said = _margin(limit, level, down_db)
    at_least, at_most, reasons, conditions = _bounds(limit, detector, caught_every_pulse)
    if widths is not None and not narrow:
        at_least &= widths.reads_at_least
        at_most &= widths.reads_at_most
        reasons += _words_on_widths(widths)
    standing = Standing.CANNOT_TELL
    if margin_db >= expanded_db and at_least:
        standing = Standing.BELOW
    elif -margin_db > expanded_db and at_most:
        standing = Standing.ABOVE
    elif not abs(margin_db) > expanded_db:
        near = f"within the uncertainty of ± {number_text(expanded_db, 1)} dB"
        reasons = ("no level was read" if math.isnan(margin_db) else near, *reasons)
    below = standing is Standing.BELOW
    given = conditions if below else ()
    why = reasons if standing is Standing.CANNOT_TELL else ()
    tail = "".join(f", {each}" for each in (given or why))
    said = f"{said} ± {number_text(expanded_db, 1)}" if expanded_db else said
    verdict = f"cannot tell from {limit.cited}" if why else f"{standing} {limit.cited}"
    return Comparison(
        standing=standing,
        margin_db=margin_db,
        expanded_db=expanded_db,
        text=f"{said}: {verdict}{tail}",
        conditions=given,
        reasons=why,
    )


def _margin(limit: Allowed, level: float | None, down_db: float | None) -> tuple[float, str]:
    """How far below the limit, and the two figures in words."""
    if level is not None and down_db is None and limit.level is not None:
        figures = f"{number_text(level, 1)} of {number_text(limit.level, 1)} {limit.unit}"
        return limit.level - level, figures
    if down_db is not None and level is None and limit.down_db is not None:
        figures = f"{number_text(down_db, 1)} of {number_text(limit.down_db, 1)} dB"
        return down_db - limit.down_db, figures
    raise ValueError(
        "exactly one of level and down_db must be given, and the limit must have that figure; "
        f"got level {level} and down_db {down_db}, the limit is {limit.text}"
    )


def _bounds(
    limit: Allowed, detector: Detector | None, caught: bool | None
) -> tuple[bool, bool, tuple[str, ...], tuple[str, ...]]:
    """Whether the reading is surely not less, surely not more; why not; on what condition."""
    wanted = limit.detector
    if wanted is None:
        return True, True, (), ()
    if detector is None:
        return False, False, ("nobody stated the sweep's detector",), ()
    at_least = wanted in _AT_LEAST.get(detector, ())
    at_most = wanted in _AT_MOST.get(detector, ())
    reasons: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    if detector is Detector.POSITIVE:
        if caught is False:
            at_least, reasons = False, ("pulses may have been missed",)
        elif caught is None:
            conditions = ("provided the dwell caught every pulse",)
    if not (at_least and at_most):
        reasons += (f"the limit is for {wanted}, the sweep's detector is {detector}",)
    return at_least, at_most, reasons, conditions


def _words_on_widths(widths: Bandwidths) -> tuple[str, ...]:
    if widths.same:
        return ()
    factor = f"{widths.ratio:.3g}"
    return (f"the RBW is {factor} times the limit's reference bandwidth",)
