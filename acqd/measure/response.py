"""What kind of filter a loss curve shows, and its figures: passbands, notches, rejection.

A passband is where the loss has a minimum that the loss around it exceeds by 6 dB or more; a notch
is a maximum between two passbands of a sweep that starts or ends in one. What lies beyond the sweep
or under the floor is said, not guessed: a band-pass filter of which the sweep shows only one flank
looks like a low-pass.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from acqd.measure.edges import Edge, EdgePair, EdgeState, edge_pair
from acqd.measure.leastloss import least_loss, scatter_db, steadied
from acqd.measure.losscurve import LossAt, LossCurve, largest_normal
from acqd.measure.words import frequency_text, number_text, range_text

__all__ = [
    "Kind",
    "Notch",
    "Passband",
    "Response",
    "loss_of_finite_q_db",
    "recognise",
]

Float = NDArray[np.float64]

SWING_DB = 6.0
"""Passbands and notches differ from what is around them by at least this much. Ours."""

PASSBAND_WITHIN_DB = 10.0
"""A minimum with so much more loss than the best one is a leak of the stop band. Ours."""

FLAT_DB = 3.0
"""A loss that varies by no more than this is flat: no −3 dB edge can be in it."""

NOISY_DB = 1.0
"""Noise of single points above which a 3 dB edge cannot be told from it, however many there are."""

SURE = 9.0
"""Standard deviations by which a noisy point has to stand out to be a passband: more than the range
of thousands of points of noise."""


class Kind(StrEnum):
    """Shape of a response, as far as the sweep shows it."""

    BAND_PASS = "band-pass"
    BAND_STOP = "band-stop"
    LOW_PASS = "low-pass"
    HIGH_PASS = "high-pass"
    FLAT = "flat"
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True, kw_only=True)
class Passband:
    """A range that passes.

    ``least_db`` at ``least_hz`` is the least loss, from which the edges count; where noise can be
    told from shape it is that of a parabola through the points around, so that the luckiest reading
    does not set it. ``noise_db`` is the standard deviation of single points there. ``edges`` are in
    the order of the levels asked for; the first (3 dB unless asked otherwise) gives centre and Q. A
    level deeper than the dip between two passbands encloses both. ``at_centre`` is the loss at the
    geometric centre, None where an edge was not seen.
    """

    least_db: float
    u_least_db: float
    least_hz: float
    noise_db: float
    edges: tuple[EdgePair, ...]
    at_centre: LossAt | None

    def at(self, below_db: float) -> EdgePair:
        """The edges at a level that was asked for.

        Raises:
            KeyError: a level that was not.
        """
        for pair in self.edges:
            if pair.below_db == below_db:
                return pair
        raise KeyError(f"edges at {below_db} dB were not asked for")

    @property
    def q(self) -> float | None:
        """Geometric centre over bandwidth, both at the first level."""
        centre_hz, width_hz = self.edges[0].centre_hz, self.edges[0].bandwidth_hz
        return None if centre_hz is None or not width_hz else centre_hz / width_hz

    @property
    def u_q(self) -> float | None:
        """Standard uncertainty of Q; that of the bandwidth rules, that of the centre is small."""
        width_hz, u_hz = self.edges[0].bandwidth_hz, self.edges[0].u_bandwidth_hz
        if self.q is None or u_hz is None or not width_hz:
            return None
        return self.q * u_hz / width_hz

    def shape_factor(self, wide_db: float, narrow_db: float) -> float | None:
        """Bandwidth at ``wide_db`` over that at ``narrow_db``; None where either was not seen."""
        wide_hz, narrow_hz = self.at(wide_db).bandwidth_hz, self.at(narrow_db).bandwidth_hz
        return None if wide_hz is None or not narrow_hz else wide_hz / narrow_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Notch:
    """A maximum of the loss between two passbands; between those of a band-pass filter it is its
    stop band, and no notch.

    ``pass_db`` is the larger least loss of the two, from which ``depth_db`` and the levels of
    ``edges`` count. Where the floor hides the bottom the depth is ``at_least`` so much and
    ``deepest_hz`` None. ``edges`` are in the order of the depths asked for, NOT_REACHED where the
    notch is not that deep; the first (3 dB) gives the centre.
    """

    pass_db: float
    depth_db: float
    u_depth_db: float
    at_least: bool
    deepest_hz: float | None
    edges: tuple[EdgePair, ...]

    @property
    def centre_hz(self) -> float | None:
        """Geometric mean of the edges at the first depth."""
        return self.edges[0].centre_hz

    def at(self, depth_db: float) -> EdgePair:
        """The edges at a depth that was asked for.

        Raises:
            KeyError: a depth that was not.
        """
        for pair in self.edges:
            if pair.below_db == depth_db:
                return pair
        raise KeyError(f"widths at {depth_db} dB were not asked for")


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """What :func:`recognise` sees. ``notes`` are sentences about what it could not tell.

    ``scatter_db`` is the typical standard deviation of a point by noise, ``scatter_stated`` False
    where it was estimated from the curve itself.
    """

    kind: Kind
    start_hz: float
    stop_hz: float
    passbands: tuple[Passband, ...]
    notches: tuple[Notch, ...]
    variation_db: float
    scatter_db: float
    scatter_stated: bool
    notes: tuple[str, ...]

    def __str__(self) -> str:
        """One line: band-pass, centre 145.000 MHz, 3 dB width 4.000 MHz, Q 36.3, loss 1.2 dB."""
        if not self.passbands:
            return f"{self.kind}, {range_text(self.start_hz, self.stop_hz)}"
        texts = [_passband_text(self.kind, band) for band in self.passbands]
        texts += [_notch_text(notch) for notch in self.notches]
        return f"{self.kind}: " + "; ".join(texts)


def _passband_text(kind: Kind, band: Passband) -> str:
    pair = band.edges[0]
    loss = f"least loss {number_text(band.least_db, 2)} dB at {frequency_text(band.least_hz)}"
    if pair.centre_hz is not None and pair.bandwidth_hz is not None and band.q is not None:
        width = f"{number_text(-pair.below_db, 0)} dB width {frequency_text(pair.bandwidth_hz)}"
        return f"centre {frequency_text(pair.centre_hz)}, {width}, Q {band.q:.1f}, {loss}"
    if kind is Kind.FLAT:
        return loss
    return f"{pair.lower}, {pair.upper}, {loss}"


def _notch_text(notch: Notch) -> str:
    least = "at least " if notch.at_least else ""
    place = notch.centre_hz if notch.centre_hz is not None else notch.deepest_hz
    where = "" if place is None else f" at {frequency_text(place)}"
    return f"notch{where}, {least}{number_text(notch.depth_db, 1)} dB deep"


def recognise(
    curve: LossCurve,
    *,
    edge_levels_db: Sequence[float] = (3.0, 6.0, 60.0),
    notch_depths_db: Sequence[float] = (3.0, 20.0, 30.0, 40.0),
    u_linearity_db: float = 0.0,
) -> Response:
    """Kind of a response, its passbands with their edges and its notches with their widths.

    Args:
        curve: losses over frequency. Its ``u_db`` says how noisy each point is; without it the
            noise is estimated from the curve (:func:`acqd.measure.leastloss.scatter_db`).
        edge_levels_db: how far below the least loss edges are sought, at least one.
        notch_depths_db: how far below the pass level notches are measured, at least one.
        u_linearity_db: standard uncertainty of a difference of two levels of the sweeper, which
            moves every edge by u/slope.

    Returns:
        Kind ``unclear`` with a note where the curve has fewer than 5 points, where everything is
        hidden by the floor, where the noise of single points is above 1 dB in a passband, where
        the loss varies by more than 3 and less than 6 dB or only at single points, or where it
        starts in a passband, ends in a stop band and has more than one passband. An empty curve is
        unclear from 0 to 0 Hz.

    A notch or passband narrower than the step of the sweep is not seen. A long cable whose loss
    grows by more than 6 dB over the sweep is a low-pass, as far as its sweep goes.

    Source: definition ours; levels and walk as in :func:`acqd.measure.edges.edge_pair`.
    """
    noise = scatter_db(curve) if curve.u_db is None else steadied(curve.u_db)
    notes = []
    if curve.left_out:
        notes.append(f"{curve.left_out} points without a level are left out")
    if curve.points < 5 or curve.at_least.all():
        few = curve.points < 5
        notes.append("fewer than 5 points" if few else "the floor hides everything")
        return _response(curve, noise, Kind.UNCLEAR, (), (), notes)
    tops, bottoms = _passbands_and_dips(curve, noise)
    passbands = tuple(_passband(curve, noise, top, edge_levels_db, u_linearity_db) for top in tops)
    notches = tuple(
        _notch(curve, noise, bottom, passbands[i : i + 2], notch_depths_db, u_linearity_db)
        for i, bottom in enumerate(bottoms)
    )
    kind, note = _kind(curve, passbands, noise)
    if kind is Kind.BAND_PASS:
        notches = ()
    if note:
        notes.append(note)
    if curve.u_db is None:
        notes.append("the floor is not known: what looks like a deep stop band may be floor")
    return _response(curve, noise, kind, passbands, notches, notes)


def _response(
    curve: LossCurve,
    noise: Float,
    kind: Kind,
    passbands: tuple[Passband, ...],
    notches: tuple[Notch, ...],
    notes: list[str],
) -> Response:
    known = curve.loss_db
    return Response(
        kind=kind,
        start_hz=float(curve.frequency_hz[0]) if curve.points else 0.0,
        stop_hz=float(curve.frequency_hz[-1]) if curve.points else 0.0,
        passbands=passbands,
        notches=notches,
        variation_db=float(known.max() - known.min()) if known.size else math.nan,
        scatter_db=float(np.median(noise)) if noise.size else math.nan,
        scatter_stated=curve.u_db is not None,
        notes=tuple(notes),
    )


def _kind(
    curve: LossCurve, passbands: tuple[Passband, ...], noise: Float
) -> tuple[Kind, str | None]:
    """From whether the sweep starts and ends in a passband, and how many there are."""
    worst_db = max(band.noise_db for band in passbands)
    if worst_db > NOISY_DB:
        text = number_text(worst_db, 1)
        return (
            Kind.UNCLEAR,
            f"noise of {text} dB hides the shape: average more sweeps or raise the source",
        )
    variation_db = float(curve.loss_db.max() - min(band.least_db for band in passbands))
    near = curve.loss_db <= curve.loss_db.min() + PASSBAND_WITHIN_DB
    typical_db = float(np.sqrt((noise[near] ** 2).mean()))
    variation_db -= typical_db * largest_normal(float(np.count_nonzero(near)))
    if variation_db < SWING_DB and not curve.at_least.any():
        if variation_db <= FLAT_DB:
            return Kind.FLAT, None
        note = f"the loss varies by {number_text(variation_db, 1)} dB: too much for flat"
        if not _seen(passbands[0].edges[0].lower, passbands[0].edges[0].upper):
            return Kind.UNCLEAR, f"{note}, too little for a filter"
    falls = passbands[0].edges[0].lower.state is not EdgeState.BEYOND_SWEEP
    rises = passbands[-1].edges[0].upper.state is not EdgeState.BEYOND_SWEEP
    if falls and rises:
        return Kind.BAND_PASS, None
    if not falls and not rises:
        return _neither(passbands, variation_db)
    if len(passbands) > 1:
        end = "ends" if rises else "starts"
        return Kind.UNCLEAR, f"{len(passbands)} passbands, and the sweep {end} in a stop band"
    return (Kind.LOW_PASS if rises else Kind.HIGH_PASS), None


def _neither(passbands: tuple[Passband, ...], variation_db: float) -> tuple[Kind, str | None]:
    """A sweep that starts and ends in a passband."""
    if len(passbands) > 1:
        return Kind.BAND_STOP, None
    if variation_db <= FLAT_DB:
        return Kind.FLAT, None
    text = number_text(variation_db, 1)
    return Kind.UNCLEAR, f"the loss varies by {text} dB, but only at single points or in the floor"


def _seen(*edges: Edge) -> bool:
    return all(edge.state is EdgeState.SEEN for edge in edges)


# --- where it passes and where it does not --------------------------------------------------------


def _passbands_and_dips(curve: LossCurve, noise: Float) -> tuple[list[int], list[int]]:
    """Indices of the least losses of the passbands, and of the largest losses between them."""
    loss = _with_plateaus(curve)
    turns = _minima(loss, np.maximum(SWING_DB, SURE * noise))
    real = [index for index in turns if not curve.at_least[index]]
    if not real:
        seen = np.where(curve.at_least, np.inf, curve.loss_db)
        real = [int(seen.argmin())]
    best = min(float(loss[index]) for index in real)
    tops = [index for index in real if loss[index] <= best + PASSBAND_WITHIN_DB]
    dips = [a + int(loss[a : b + 1].argmax()) for a, b in pairwise(tops)]
    return tops, dips


def _with_plateaus(curve: LossCurve) -> Float:
    """Losses with each run of lower limits at its highest: no shape is read out of the floor."""
    loss = curve.loss_db.copy()
    change = np.flatnonzero(np.diff(np.concatenate(([False], curve.at_least, [False]))))
    for first, stop in change.reshape(-1, 2).tolist():
        loss[first:stop] = loss[first:stop].max()
    return loss


def _minima(loss: Float, swing: Float) -> list[int]:
    """Minima that the loss leaves by ``swing`` of theirs to both sides, or to the end of it."""
    found: list[int] = []
    low = high = 0
    seeking_low: bool | None = None
    for i, value in enumerate(loss.tolist()):
        if value < loss[low]:
            low = i
        if value > loss[high]:
            high = i
        if seeking_low is not False and value - loss[low] >= swing[low]:
            found.append(low)
            seeking_low, high = False, i
        elif seeking_low is not True and loss[high] - value >= swing[i]:
            seeking_low, low = True, i
    if seeking_low is not False:
        found.append(low)
    return found


def _passband(
    curve: LossCurve, noise: Float, top: int, levels_db: Sequence[float], u_linearity_db: float
) -> Passband:
    least_db, u_least_db, least_hz = least_loss(curve, noise, top)
    u_level_db = math.hypot(u_least_db, u_linearity_db)
    pairs = tuple(
        edge_pair(
            curve,
            noise,
            inside=top,
            level_db=least_db + level,
            below_db=level,
            u_level_db=u_level_db,
        )
        for level in levels_db
    )
    centre_hz = pairs[0].centre_hz
    return Passband(
        least_db=least_db,
        u_least_db=u_least_db,
        least_hz=least_hz,
        noise_db=float(noise[top]),
        edges=pairs,
        at_centre=None if centre_hz is None else curve.at(centre_hz),
    )


def _notch(
    curve: LossCurve,
    noise: Float,
    bottom: int,
    beside: tuple[Passband, ...],
    depths_db: Sequence[float],
    u_linearity_db: float,
) -> Notch:
    worse = max(beside, key=lambda band: band.least_db)
    between = (curve.frequency_hz >= beside[0].least_hz) & (
        curve.frequency_hz <= beside[1].least_hz
    )
    limited = between & curve.at_least
    at_least = bool(limited.any())
    if at_least:
        bottom = int(np.where(limited, curve.loss_db, -np.inf).argmax())
    u_level_db = math.hypot(worse.u_least_db, u_linearity_db)
    return Notch(
        pass_db=worse.least_db,
        depth_db=float(curve.loss_db[bottom]) - worse.least_db,
        u_depth_db=math.hypot(float(noise[bottom]), u_level_db),
        at_least=at_least,
        deepest_hz=None if at_least else float(curve.frequency_hz[bottom]),
        edges=tuple(
            edge_pair(
                curve,
                noise,
                inside=bottom,
                level_db=worse.least_db + depth,
                below_db=depth,
                u_level_db=u_level_db,
                rising=False,
            )
            for depth in depths_db
        ),
    )


# --- figures of a filter --------------------------------------------------------------------------


def loss_of_finite_q_db(loaded_q: float, unloaded_q: float) -> float:
    """Least loss of a resonator in midband: −20 log10(1 − QL/QU). Derived.

    Raises:
        ValueError: a loaded Q that is not between 0 and the unloaded one.
    """
    if not 0.0 < loaded_q < unloaded_q:
        raise ValueError(f"loaded Q must lie between 0 and {unloaded_q}, got {loaded_q}")
    return -20.0 * math.log10(1.0 - loaded_q / unloaded_q)
