"""Reflection through a bridge: magnitude, return loss and SWR, each with the bounds that hold.

A scalar bridge shows, relative to an open or a short, the size of one sum of phasors:

    shown = | d + ρ / (1 − s·ρ) |

ρ is the load's reflection, d what leaks past the bridge (directivity), s what the bridge's test
port sends back once more (source match). All have phases that nobody sees, so a figure without
bounds is worth little below the directivity. The bounds here hold for every phase.

A magnitude above 1 stays as it is: nothing is clipped. Its return loss is negative, its SWR
infinite, and a note says so.

Limits: standards are taken as perfect opens and shorts half a turn apart; their fringing and loss
are not modelled. References are taken as made at the bridge's test port, so that a cable beyond it
counts in the load until its loss is taken out; the cable's own mismatch is not.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.measure.returnloss import (
    NEPER_PER_DB,
    check_limits,
    magnitude_from_return_loss_db,
    mean_reference_db,
    mismatch_loss_db,
    return_loss_db,
    shapes_differ,
    shown_limits,
    true_limits,
    vswr,
)
from acqd.measure.words import number_text

__all__ = [
    "ASSUMED_DIRECTIVITY_DB",
    "ASSUMED_LOAD_RETURN_LOSS_DB",
    "ASSUMED_SOURCE_MATCH_DB",
    "OPEN_SHORT_WARN_DB",
    "Reflection",
    "TermFrom",
    "reflection",
    "vector_reflection",
]

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

ASSUMED_DIRECTIVITY_DB = 20.0
"""Taken where nobody states or measures the directivity: wide on purpose."""

ASSUMED_SOURCE_MATCH_DB = 15.0
"""Taken where nobody states how well the bridge's test port is matched: wide on purpose."""

ASSUMED_LOAD_RETURN_LOSS_DB = 30.0
"""Taken for a load reference whose own return loss nobody states."""

OPEN_SHORT_WARN_DB = 3.0
"""Open and short further apart than this are worth a look at the connection: a source match of
17 dB with a directivity of 30 dB would just do it."""

LEAST_REST = 1e-9
"""What is left of 1 − s at a test port that sends everything back: no bound in all but name, and
still a number to count with."""


class TermFrom(StrEnum):
    """Where a property of the bridge is from."""

    LOAD = "measured with a load"
    CHECKED = "stated, and the load agrees"
    RIPPLE = "seen between open and short"
    STATED = "stated"
    ASSUMED = "assumed"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reflection:
    """A reflection against frequency with its worst-case bounds; arrays are (points,), float64.

    Return losses and SWRs follow from the magnitudes, bounds swapped as they must be: the lowest
    magnitude belongs to the highest return loss.
    """

    magnitude: Float
    magnitude_low: Float
    magnitude_high: Float
    parts: Mapping[str, Float]
    """Standard uncertainty of the magnitude by cause (JCGM 100:2008 4.3; phases nobody sees are
    U-shaped, limits rectangular). For magnitudes well above the directivity; below, use bounds."""
    shown: Float
    """What the bridge showed relative to its references, cable loss left in."""
    directivity_db: Float
    """The least that the directivity can be, as the bounds use it."""
    directivity_from: TermFrom
    source_match_db: float
    source_match_from: TermFrom
    cable_loss_db: Float
    floor_limited: Bool
    """True where the reading lies within 3 dB of the sweeper's floor."""
    notes: tuple[str, ...]

    @property
    def magnitude_u(self) -> Float:
        """Combined standard uncertainty of the magnitude, root of the sum of squares."""
        total = np.zeros(self.magnitude.shape)
        for part in self.parts.values():
            total = total + part * part
        return np.asarray(np.sqrt(total))

    @property
    def magnitude_interval(self) -> tuple[Float, Float]:
        """(low, high) of ± 2u, cut to the bounds, which nothing exceeds.

        A lone U-shaped cause reaches no further than 1.41 u, so this holds more than 95 % where
        one such cause dominates: about 99 % in simulated scenes.
        """
        twice = 2.0 * self.magnitude_u
        low = np.maximum(self.magnitude_low, self.magnitude - twice)
        return low, np.minimum(self.magnitude_high, self.magnitude + twice)

    @property
    def at_least(self) -> Bool:
        """True where the return loss has no upper bound: the reading is below the directivity."""
        return np.asarray(self.magnitude_low == 0.0)

    @property
    def over_unity(self) -> Bool:
        """True where as much comes back as arrives, or more (return loss ≤ 0)."""
        return np.asarray(self.magnitude >= 1.0)

    @property
    def return_loss_db(self) -> Float:
        return return_loss_db(self.magnitude)

    @property
    def return_loss_low_db(self) -> Float:
        return return_loss_db(self.magnitude_high)

    @property
    def return_loss_high_db(self) -> Float:
        """Infinite where :attr:`at_least`."""
        return return_loss_db(self.magnitude_low)

    @property
    def return_loss_u_db(self) -> Float:
        """Standard uncertainty of the return loss; NaN where the return loss is only "at least"."""
        with np.errstate(divide="ignore", invalid="ignore"):
            u_db = self.magnitude_u / self.magnitude / NEPER_PER_DB
        return np.asarray(np.where(self.at_least, np.nan, u_db))

    @property
    def vswr(self) -> Float:
        return vswr(self.magnitude)

    @property
    def vswr_low(self) -> Float:
        return vswr(self.magnitude_low)

    @property
    def vswr_high(self) -> Float:
        return vswr(self.magnitude_high)

    @property
    def mismatch_loss_db(self) -> Float:
        return mismatch_loss_db(self.magnitude)


def reflection(
    dut_db: ArrayLike,
    *,
    open_db: ArrayLike | None = None,
    short_db: ArrayLike | None = None,
    load_db: ArrayLike | None = None,
    floor_db: ArrayLike | None = None,
    cable_loss_db: ArrayLike = 0.0,
    cable_loss_limit_db: float = 0.0,
    directivity_db: float | None = None,
    source_match_db: float | None = None,
    load_return_loss_db: float | None = None,
    linearity_limit_db: float = 0.0,
) -> Reflection:
    """A load's reflection from levels read through a scalar bridge.

    Args:
        dut_db: (points,) levels with the load on the bridge, in dB over any power. NaN gives NaN.
        open_db, short_db: the same with an open and a short at the bridge's test port; one of them
            does, but then its ripple, ± (d + s), stays in every bound.
        load_db: the same with a matched load: it measures the directivity, down to what the load
            itself reflects (``load_return_loss_db``, or :data:`ASSUMED_LOAD_RETURN_LOSS_DB`).
        floor_db: mean power of the sweeper's own noise. Counted at twice its rms amplitude, which
            one sample in 55 exceeds, and averaged readings hardly ever.
        cable_loss_db: one-way loss between bridge and load, taken out: + 2·A on the magnitude.
        cable_loss_limit_db: that loss is right within ± this.
        directivity_db, source_match_db: as stated for the bridge; None: assumed, which is said.
        linearity_limit_db: two levels of this sweeper differ rightly within ± this.

    Returns:
        See :class:`Reflection`. The directivity's worst magnitude is load reading + load's own
        reflection. A stated one that the load does not contradict is kept where it is better. The
        source match is never better than open and short show it. No points give empty arrays.

    Raises:
        ValueError: no open and no short; shapes that differ; a loss or limit below 0.
    """
    dut = np.asarray(dut_db, dtype=np.float64)
    check_limits(
        cable_loss_limit_db=cable_loss_limit_db,
        linearity_limit_db=linearity_limit_db,
        directivity_db=directivity_db,
        source_match_db=source_match_db,
        load_return_loss_db=load_return_loss_db,
    )
    given = {"open_db": open_db, "short_db": short_db, "load_db": load_db}
    for name, value in given.items():
        if value is not None and np.shape(value) != dut.shape:
            raise ValueError(shapes_differ("dut_db", dut.shape, name, np.shape(value)))
    with np.errstate(invalid="ignore"):
        reference_db = mean_reference_db(open_db, short_db)
        shown = magnitude_from_return_loss_db(reference_db - dut)
    notes: list[str] = []
    stated_s = ASSUMED_SOURCE_MATCH_DB if source_match_db is None else source_match_db
    bridge = _directivity(
        None if load_db is None else np.subtract(load_db, reference_db, dtype=np.float64),
        stated_db=directivity_db,
        load_return_loss_db=load_return_loss_db,
        shape=dut.shape,
        notes=notes,
    )
    s, s_from = float(magnitude_from_return_loss_db(stated_s)), TermFrom.STATED
    if source_match_db is None:
        s_from = TermFrom.ASSUMED
        notes.append(f"source match assumed: {number_text(stated_s, 0)} dB")
    if open_db is not None and short_db is not None:
        apart_db = np.abs(np.subtract(open_db, short_db, dtype=np.float64))
        s, s_from = _source_match_seen(apart_db, bridge.worst, (s, s_from), notes)
        unity = _unity_of_pair(bridge, s)
    else:
        unity = _unity_of_one(bridge, s)
        notes.append("only one of open and short: its ripple stays in the bounds")
    noise, floor_limited = _noise(dut, reference_db, floor_db)
    return _bounded(
        shown,
        bridge=bridge,
        source=(s, s_from),
        unity=unity,
        noise=noise,
        floor_limited=floor_limited,
        linearity_limit_db=linearity_limit_db,
        cable_loss_db=_cable(cable_loss_db, dut.shape),
        cable_loss_limit_db=cable_loss_limit_db,
        notes=notes,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Bridge:
    """What leaks past a bridge: the most it can be, and its standard uncertainty as a phasor."""

    worst: Float
    u: Float
    source: TermFrom


def _directivity(
    load_over_reference_db: Float | None,
    *,
    stated_db: float | None,
    load_return_loss_db: float | None,
    shape: tuple[int, ...],
    notes: list[str],
) -> _Bridge:
    """The directivity by whatever is known of it, and where from."""
    if load_over_reference_db is None:
        source = TermFrom.ASSUMED if stated_db is None else TermFrom.STATED
        used_db = ASSUMED_DIRECTIVITY_DB if stated_db is None else stated_db
        if stated_db is None:
            notes.append(f"directivity assumed: {number_text(used_db, 0)} dB")
        worst = np.full(shape, float(magnitude_from_return_loss_db(used_db)))
        return _Bridge(worst=worst, u=worst / math.sqrt(2.0), source=source)
    own_db = ASSUMED_LOAD_RETURN_LOSS_DB if load_return_loss_db is None else load_return_loss_db
    if load_return_loss_db is None:
        notes.append(f"return loss of the load itself assumed: {number_text(own_db, 0)} dB")
    own = float(magnitude_from_return_loss_db(own_db))
    read = magnitude_from_return_loss_db(-load_over_reference_db)
    # read = |d + own·e^jφ|, so d is at most the sum, and in the mean over phases d² = read² + own².
    measured = _Bridge(worst=read + own, u=np.sqrt((read**2 + own**2) / 2.0), source=TermFrom.LOAD)
    if stated_db is None:
        return measured
    stated = float(magnitude_from_return_loss_db(stated_db))
    refuted = int(np.count_nonzero(stated < read - own))
    if refuted:
        notes.append(
            f"the load shows a directivity worse than the stated {number_text(stated_db, 0)} dB "
            f"at {refuted} of {read.size} points: the load's figures are used"
        )
        return measured
    worst = np.where(np.isnan(read), np.nan, np.minimum(measured.worst, stated))
    return _Bridge(
        worst=worst, u=np.minimum(measured.u, worst / math.sqrt(2.0)), source=TermFrom.CHECKED
    )


def _source_match_seen(
    apart_db: Float,
    directivity: Float,
    known: tuple[float, TermFrom],
    notes: list[str],
) -> tuple[float, TermFrom]:
    """The source match, worse than known where open and short differ by more than that allows.

    |open − short|/(open + short) is at most s + d, in voltage and but for s².
    """
    ripple = np.tanh(0.5 * apart_db * NEPER_PER_DB)
    finite = np.isfinite(ripple)
    if not finite.any():
        return known
    most_db = float(apart_db[finite].max())
    if most_db > OPEN_SHORT_WARN_DB:
        notes.append(
            f"open and short differ by up to {number_text(most_db, 1)} dB: look at the connections"
        )
    shown = np.where(finite, ripple - directivity, np.nan)
    worst = float(np.nanmax(shown)) if np.isfinite(shown).any() else 0.0
    if worst <= known[0]:
        return known
    loss_db = float(return_loss_db(worst))
    notes.append(
        f"open and short show a source match of {number_text(loss_db, 1)} dB, worse than "
        f"{known[1]}: that is used"
    )
    return worst, TermFrom.RIPPLE


def _noise(dut: Float, reference_db: Float, floor_db: ArrayLike | None) -> tuple[Float, Bool]:
    """Rms amplitude of the floor relative to the reference, and where readings lie near it."""
    if floor_db is None:
        return np.zeros(dut.shape), np.zeros(dut.shape, dtype=np.bool_)
    floor = np.broadcast_to(np.asarray(floor_db, dtype=np.float64), dut.shape)
    near = np.asarray(dut - floor < 3.0)
    return magnitude_from_return_loss_db(reference_db - floor), near


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Unity:
    """What the references count as 1: its limits, and its relative standard uncertainty."""

    low: Float
    high: Float
    u: Float


def _unity_of_one(bridge: _Bridge, s: float) -> _Unity:
    """An open or a short alone: off by both phasors in the first order."""
    low, high = shown_limits(1.0, directivity=bridge.worst, source_match=min(s, 1.0 - LEAST_REST))
    return _Unity(low=low, high=high, u=np.hypot(bridge.u, s / math.sqrt(2.0)))


def _unity_of_pair(bridge: _Bridge, s: float) -> _Unity:
    """The mean of open and short in dB: √|(1 − 2·s·d)/(1 − s²) − d²| over all phases."""
    d = bridge.worst
    low = np.sqrt(np.maximum(0.0, (1.0 - 2.0 * s * d) / (1.0 + s * s) - d * d))
    high = np.sqrt((1.0 + 2.0 * s * d) / max(1.0 - s * s, LEAST_REST) + d * d)
    return _Unity(low=low, high=high, u=(high - low) / math.sqrt(12.0))


def _unity_of_vectors(shape: tuple[int, ...], s: float) -> _Unity:
    """Half the difference of a complex open and short: 1/(1 − s²), from which d falls out."""
    low = np.full(shape, 1.0 / (1.0 + s * s))
    high = np.full(shape, 1.0 / max(1.0 - s * s, LEAST_REST))
    return _Unity(low=low, high=high, u=(high - low) / math.sqrt(12.0))


def _bounded(
    shown: Float,
    *,
    bridge: _Bridge,
    source: tuple[float, TermFrom],
    unity: _Unity,
    noise: Float,
    floor_limited: Bool,
    linearity_limit_db: float,
    cable_loss_db: Float,
    cable_loss_limit_db: float,
    notes: list[str],
) -> Reflection:
    """Bounds, uncertainties and notes around what a bridge showed."""
    s, s_from = source
    d = bridge.worst
    scale = math.exp(linearity_limit_db * NEPER_PER_DB)
    low, _ = true_limits(
        np.maximum(0.0, shown - 2.0 * noise) / scale * unity.low, directivity=d, source_match=s
    )
    _, high = true_limits((shown + 2.0 * noise) * scale * unity.high, directivity=d, source_match=s)
    through = np.exp(2.0 * NEPER_PER_DB * cable_loss_db)
    doubt = math.exp(2.0 * NEPER_PER_DB * cable_loss_limit_db)
    magnitude = shown * through
    parts = {
        "directivity": bridge.u * through,
        "source match": shown * shown * s / math.sqrt(2.0) * through,
        "references": magnitude * unity.u,
        "linearity": magnitude * (NEPER_PER_DB * linearity_limit_db / math.sqrt(3.0)),
        "cable loss": magnitude * (2.0 * NEPER_PER_DB * cable_loss_limit_db / math.sqrt(3.0)),
        "floor": noise / math.sqrt(2.0) * through,
    }
    low, high = low * through / doubt, high * through * doubt
    return Reflection(
        magnitude=magnitude,
        magnitude_low=low,
        magnitude_high=high,
        parts=parts,
        shown=shown,
        directivity_db=return_loss_db(d),
        directivity_from=bridge.source,
        source_match_db=float(return_loss_db(s)),
        source_match_from=s_from,
        cable_loss_db=cable_loss_db,
        floor_limited=floor_limited,
        notes=(*notes, *_unity_notes(magnitude, low), *_floor_notes(floor_limited)),
    )


def _unity_notes(magnitude: Float, low: Float) -> list[str]:
    surely = int(np.count_nonzero(low > 1.0))
    about = int(np.count_nonzero(magnitude >= 1.0)) - surely
    notes = []
    if surely:
        notes.append(
            f"at {surely} of {magnitude.size} points it reflects more than arrives: an amplifying "
            "load, a wrong reference or noise"
        )
    if about > 0:
        notes.append(
            f"at {about} of {magnitude.size} points it reflects everything, within what the "
            "bridge can tell"
        )
    return notes


def _floor_notes(floor_limited: Bool) -> list[str]:
    count = int(np.count_nonzero(floor_limited))
    if not count:
        return []
    return [f"at {count} of {floor_limited.size} points the reading is the sweeper's own floor"]


def vector_reflection(
    s11: NDArray[np.complexfloating],
    *,
    directivity_db: float,
    source_match_db: float,
    terms_from: TermFrom = TermFrom.STATED,
    pair: bool = True,
    cable_loss_db: ArrayLike = 0.0,
    cable_loss_limit_db: float = 0.0,
    linearity_limit_db: float = 0.0,
) -> Reflection:
    """Figures and bounds of a complex S11, (points,).

    Args:
        s11: from :func:`vector_ratio`, with the bridge's own directivity and source match; or from
            :meth:`OnePortTerms.corrected`, where what remains of both is the load standard's
            return loss (exactly, for an ideal open and short; derived).
        pair: False for a ratio to an open or a short alone.
        cable_loss_db: one-way, taken out of the magnitude; the phase of ``s11`` is not looked at.

    Raises:
        ValueError: a loss or limit below 0, or a cable loss of another shape.
    """
    check_limits(
        cable_loss_limit_db=cable_loss_limit_db,
        linearity_limit_db=linearity_limit_db,
        directivity_db=directivity_db,
        source_match_db=source_match_db,
    )
    shown = np.abs(np.asarray(s11, dtype=np.complex128))
    worst = np.full(shown.shape, float(magnitude_from_return_loss_db(directivity_db)))
    s = float(magnitude_from_return_loss_db(source_match_db))
    bridge = _Bridge(worst=worst, u=worst / math.sqrt(2.0), source=terms_from)
    return _bounded(
        shown,
        bridge=bridge,
        source=(s, terms_from),
        unity=_unity_of_vectors(shown.shape, s) if pair else _unity_of_one(bridge, s),
        noise=np.zeros(shown.shape),
        floor_limited=np.zeros(shown.shape, dtype=np.bool_),
        linearity_limit_db=linearity_limit_db,
        cable_loss_db=_cable(cable_loss_db, shown.shape),
        cable_loss_limit_db=cable_loss_limit_db,
        notes=[],
    )


def _cable(loss_db: ArrayLike, shape: tuple[int, ...]) -> Float:
    loss = np.asarray(loss_db, dtype=np.float64)
    if loss.ndim and loss.shape != shape:
        raise ValueError(shapes_differ("the trace", shape, "cable_loss_db", loss.shape))
    if (loss < 0.0).any():
        raise ValueError(f"cable_loss_db must not be below 0, got {float(loss.min())}")
    return np.broadcast_to(loss, shape)
