"""A reading beside a limit: what detector and bandwidth of the reading let one say.

A swept reading is seldom taken with the detector and bandwidth that a limit is for. What can be
said all the same rests on two bounds: a reading that is surely not less than what the limit means
may show that it is below; one that is surely not more may show that it is above. Everything else
is "cannot tell". Below or above is meant of one limit in one edition, nothing more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from acqd.measure.bandpower import enb_ratio
from acqd.measure.limit_profile import LimitDetector, ReferenceBandwidth, WidthKind
from acqd.measure.limits import Allowed
from acqd.measure.verdict import Bound, Judgement, Side, Verdict, judge, stands
from acqd.sweep import Detector

__all__ = [
    "Bandwidths",
    "Comparison",
    "bandwidths",
    "compare",
    "width_as",
]

SAME_WIDTH = 0.1
"""Widths that differ by less count as the same: 0.4 dB of noise, 0.8 dB of impulses (practice)."""


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
    rbw_hz: float,
    reference: ReferenceBandwidth,
    *,
    kind: WidthKind = WidthKind.DB_3,
    enb_per_rbw: float | None = None,
) -> Bandwidths:
    """Compare an RBW, by default a 3 dB width, with a reference bandwidth. Gaussian filters.

    A reference whose text does not say how it is counted is taken as a noise bandwidth: it is the
    bandwidth that a power is referred to. Where ``enb_per_rbw`` states the noise bandwidth over the
    RBW, it is the Gaussian filter of that noise bandwidth which is compared, whatever ``kind``.

    Raises:
        ValueError: a width that is not above 0.
    """
    wanted = reference.kind or WidthKind.NOISE
    if enb_per_rbw is not None:
        rbw_hz, kind = rbw_hz * enb_per_rbw, WidthKind.NOISE
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


_SAME = {Detector.POSITIVE: LimitDetector.PEAK, Detector.RMS: LimitDetector.RMS}
"""Detectors of both lists that are the same thing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """A reading beside a limit.

    ``conditions`` have to hold for the verdict; ``reasons`` are why there is no better one.
    ``text`` ends "below limit X, edition Y" or the like, with either of them.
    """

    judgement: Judgement
    text: str
    conditions: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()

    @property
    def verdict(self) -> Verdict:
        return self.judgement.verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bounds:
    """What the reading is surely not less and not more than, and what that hangs on."""

    at_least: bool = True
    at_most: bool = True
    conditions: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()


def compare(
    limit: Allowed,
    *,
    level: float | None = None,
    down_db: float | None = None,
    detector: Detector | None,
    expanded_db: float | None,
    guard: float = 1.0,
    bound: Bound | None = None,
    caught_every_pulse: bool | None = None,
    widths: Bandwidths | None = None,
    steady_carrier: bool = False,
) -> Comparison:
    """Judge a reading by a limit, as far as its detector and bandwidth allow.

    By the rule of :func:`~acqd.measure.verdict.judge`; but it passes only where the reading is
    surely not less than what the limit means, and fails only where it is surely not more. Peak ≥
    quasi-peak ≥ average, so a peak reading below a quasi-peak limit passes, and one above it cannot
    tell.

    Args:
        level: in the limit's unit, at its plane and distance; or instead
        down_db: dB below the carrier.
        detector: of the sweep; None where nobody knows. A limit that names no detector is compared
            with any.
        expanded_db: U at k = 2 of the reading; None where nobody knows.
        guard: guard band as a multiple of U.
        bound: the true figure is "at least" or "at most" what was read, as with a floor that hides
            the rest.
        caught_every_pulse: whether the dwell was longer than the time between pulses. None leaves
            it as a condition; False takes the word of a peak detector's "below".
        widths: None where the bandwidths are the same, or the limit has none.
        steady_carrier: the product is one, well above the floor and narrower than both bandwidths:
            all detectors read the same then, in any bandwidth.

    A reading of NaN cannot tell.

    Raises:
        ValueError: not exactly one of level and down_db, or the limit has no such figure.

    Source: order of the detectors: trade practice.
    """
    value, goal = _figures(limit, level, down_db)
    found = _Bounds()
    if not steady_carrier:
        found = _with_widths(_bounds(limit, detector, caught_every_pulse), widths)
    side: Side = "below" if down_db is None else "above"
    own = _bound(found, side)
    both = own if bound is None else bound
    judged = judge(
        value,
        limit=goal,
        expanded=expanded_db,
        side=side,
        guard=guard,
        bound=both,
        unit=str(limit.unit) if down_db is None else "dB",
    )
    said, _, why = judged.text.partition(": ")
    why = why.partition(", ")[2] if both == bound else ""
    if (None not in (own, bound) and own != bound) or not (found.at_least or found.at_most):
        judged = replace(judged, verdict=Verdict.CANNOT_TELL, text=f"{said}: cannot tell")
        why = ""
    conditions: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()
    if judged.verdict is Verdict.PASS:
        conditions = found.conditions
    elif judged.verdict is Verdict.CANNOT_TELL:
        reasons = (why, *found.reasons) if why else found.reasons
    stand = stands(judged.verdict, limit=limit.title, edition=limit.edition)
    text = ", ".join((f"{said}: {stand}", *conditions, *reasons))
    return Comparison(judgement=judged, text=text, conditions=conditions, reasons=reasons)


def _figures(limit: Allowed, level: float | None, down_db: float | None) -> tuple[float, float]:
    if level is not None and down_db is None and limit.level is not None:
        return level, limit.level
    if down_db is not None and level is None and limit.down_db is not None:
        return down_db, limit.down_db
    raise ValueError(
        "exactly one of level and down_db must be given, and the limit must have that figure; "
        f"got level {level} and down_db {down_db}, the limit is {limit.text}"
    )


def _bound(found: _Bounds, side: Side) -> Bound | None:
    """The reading as a bound of what the limit means; None where it is that, or says nothing."""
    if found.at_least == found.at_most:
        return None
    return "at most" if found.at_least == (side == "below") else "at least"


def _bounds(limit: Allowed, detector: Detector | None, caught: bool | None) -> _Bounds:
    wanted = limit.detector
    if wanted is None:
        return _Bounds()
    if detector is None:
        reason = "nobody stated the sweep's detector"
        return _Bounds(at_least=False, at_most=False, reasons=(reason,))
    at_least = wanted in _AT_LEAST.get(detector, ())
    at_most = wanted in _AT_MOST.get(detector, ())
    reasons: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    if detector is Detector.POSITIVE and caught is False:
        at_least, reasons = False, ("pulses may have been missed",)
    elif detector is Detector.POSITIVE and caught is None:
        conditions = ("provided the dwell caught every pulse",)
    if wanted is not _SAME.get(detector):
        reasons += (f"the limit is for {wanted}, the sweep's detector is {detector}",)
    return _Bounds(at_least=at_least, at_most=at_most, conditions=conditions, reasons=reasons)


def _with_widths(found: _Bounds, widths: Bandwidths | None) -> _Bounds:
    if widths is None or widths.same:
        return found
    reason = f"the RBW is {widths.ratio:.3g} times the limit's reference bandwidth"
    return replace(
        found,
        at_least=found.at_least and widths.reads_at_least,
        at_most=found.at_most and widths.reads_at_most,
        reasons=(*found.reasons, reason),
    )
