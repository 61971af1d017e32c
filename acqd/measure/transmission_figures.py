"""The figures of one sweep of a two-port, each with its U, as a summary holds them.

Lists are cut to what a message bears; the whole numbers stand beside them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from acqd.measure.edges import Edge, EdgePair
from acqd.measure.groupdelay import group_delay
from acqd.measure.losscurve import (
    LossInRange,
    NamedLoss,
    Role,
    loss_in_range,
    named_losses,
    rejection,
    separation,
)
from acqd.measure.report import rounded
from acqd.measure.response import Kind, Notch, Passband, Response, recognise
from acqd.measure.transmission_settings import TransmissionSettings
from acqd.measure.transmission_sweep import Losses
from acqd.measure.transmission_uncertainty import LossUncertainty
from acqd.sweep import Grid

__all__ = ["NOTCHES_MOST", "PASSBANDS_MOST", "View", "figures", "view_of"]

PASSBANDS_MOST = 8
NOTCHES_MOST = 8
DECIMALS_DB = 4
DECIMALS_HZ = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """A recognised response, and which of its parts the bare figures are of.

    ``main`` is the passband that the stated one lies in, else the one of least loss; ``notch`` the
    deepest. Of a band-stop the notch gives edges, centre and width, of all else the passband.
    """

    response: Response
    losses: Losses
    main: Passband | None
    notch: Notch | None

    @property
    def pair(self) -> EdgePair | None:
        """The edges that the bare figures are of."""
        if self.response.kind is Kind.BAND_STOP and self.notch is not None:
            return self.notch.edges[0]
        return None if self.main is None else self.main.edges[0]

    @property
    def pass_db(self) -> float | None:
        """The loss from which the levels of :attr:`pair` count."""
        if self.response.kind is Kind.BAND_STOP and self.notch is not None:
            return self.notch.pass_db
        return None if self.main is None else self.main.least_db

    @property
    def noise_db(self) -> float:
        """Typical noise of one point, where the points themselves do not say."""
        found = self.response.scatter_db
        return found if math.isfinite(found) else 0.0


def view_of(losses: Losses, settings: TransmissionSettings) -> View:
    """What a loss curve shows."""
    response = recognise(
        losses.curve,
        edge_levels_db=settings.edge_levels_db,
        notch_depths_db=settings.notch_levels_db,
    )
    deepest = max(response.notches, key=lambda notch: notch.depth_db, default=None)
    return View(
        response=response,
        losses=losses,
        main=_main(response.passbands, settings),
        notch=deepest,
    )


def _main(passbands: tuple[Passband, ...], settings: TransmissionSettings) -> Passband | None:
    aim = settings.passband
    if aim is not None:
        within = [one for one in passbands if aim.start_hz <= one.least_hz <= aim.stop_hz]
        around = [one for one in passbands if _reaches(one, aim.start_hz, aim.stop_hz)]
        passbands = tuple(within or around) or passbands
    return min(passbands, key=lambda one: one.least_db, default=None)


def _reaches(one: Passband, start_hz: float, stop_hz: float) -> bool:
    """Whether a passband, as far as it was seen, and a range have anything in common."""
    low, high = one.edges[0].lower, one.edges[0].upper
    low_hz = low.frequency_hz or low.limit_hz or one.least_hz
    high_hz = high.frequency_hz or high.limit_hz or one.least_hz
    return low_hz <= stop_hz and high_hz >= start_hz


def _db(value: float | None) -> float | None:
    return rounded(value, DECIMALS_DB)


def _hz(value: float | None) -> float | None:
    return rounded(value, DECIMALS_HZ)


def figures(
    view: View, grid: Grid, settings: TransmissionSettings, u: LossUncertainty
) -> dict[str, Any]:
    """All figures of a sweep as plain JSON data, under the names of the summary."""
    response = view.response
    named = named_losses(view.losses.curve, [one.named for one in settings.named])
    return {
        "passbands_count": len(response.passbands),
        "passbands": [
            _passband(one, view, settings, u)
            for one in _first(response.passbands, PASSBANDS_MOST, view.main)
        ],
        "notches_count": len(response.notches),
        "notches": [_notch(one, u) for one in _first(response.notches, NOTCHES_MOST, view.notch)],
        "passband": _stated_passband(view, settings, u),
        "pad": _pad(view, settings, u),
        "stopbands": _stopbands(view, settings, u),
        "named": [_named(one, view, u) for one in named],
        "separation": _separation(named, u),
        "delay": _delay(view, grid, settings),
    }


def _first(found: tuple[Any, ...], most: int, main: Any) -> list[Any]:
    """The best ones in order of frequency: what is main, then those of least loss or most depth."""
    if len(found) <= most:
        return list(found)
    ranked = sorted(
        found,
        key=lambda one: (
            one is not main,
            one.least_db if isinstance(one, Passband) else -one.depth_db,
        ),
    )
    kept = {id(one) for one in ranked[:most]}
    return [one for one in found if id(one) in kept]


# --- passbands and notches ------------------------------------------------------------------------


def _pair(pair: EdgePair, pass_db: float, u: LossUncertainty) -> dict[str, Any]:
    return {
        "below_db": pair.below_db,
        **_edge("lower", pair.lower, pass_db, u),
        **_edge("upper", pair.upper, pass_db, u),
        "centre_hz": _hz(pair.centre_hz),
        "centre_expanded_hz": _hz(u.centre(pair, pass_db)),
        "width_hz": _hz(pair.bandwidth_hz),
        "width_expanded_hz": _hz(u.width(pair, pass_db)),
    }


def _edge(name: str, edge: Edge, pass_db: float, u: LossUncertainty) -> dict[str, Any]:
    return {
        f"{name}_hz": _hz(edge.frequency_hz),
        f"{name}_expanded_hz": _hz(u.edge(edge, pass_db)),
        f"{name}_text": str(edge),
    }


def _passband(
    one: Passband, view: View, settings: TransmissionSettings, u: LossUncertainty
) -> dict[str, Any]:
    u_width_hz = u.width(one.edges[0], one.least_db)
    width_hz = one.edges[0].bandwidth_hz
    at_centre = one.at_centre
    return {
        "main": one is view.main,
        "least_loss_db": _db(one.least_db),
        "least_loss_expanded_db": _db(u.least(one.least_db, one.u_least_db).expanded),
        "least_loss_hz": _hz(one.least_hz),
        "centre_loss_db": None if at_centre is None else _db(at_centre.loss_db),
        "edges": [_pair(pair, one.least_db, u) for pair in one.edges],
        "q": rounded(one.q, 3),
        "q_expanded": None
        if one.q is None or u_width_hz is None or not width_hz
        else rounded(one.q * u_width_hz / width_hz, 3),
        "shape_factors": _shape_factors(one, settings, u),
    }


def _shape_factors(
    one: Passband, settings: TransmissionSettings, u: LossUncertainty
) -> list[dict[str, Any]]:
    """The widest level over each of the others."""
    *narrow, wide = one.edges
    found = []
    for pair in narrow:
        factor = one.shape_factor(wide.below_db, pair.below_db)
        expanded = None
        if factor is not None:
            parts = [
                (u.width(each, one.least_db) or 0.0) / (each.bandwidth_hz or math.inf)
                for each in (wide, pair)
            ]
            expanded = factor * math.hypot(*parts)
        found.append(
            {
                "wide_db": wide.below_db,
                "narrow_db": pair.below_db,
                "factor": rounded(factor, 4),
                "expanded": rounded(expanded, 4),
            }
        )
    return found


def _notch(one: Notch, u: LossUncertainty) -> dict[str, Any]:
    depth = u.difference(one.pass_db, one.pass_db + one.depth_db, one.u_depth_db)
    return {
        "depth_db": _db(one.depth_db),
        "depth_expanded_db": _db(depth.expanded),
        "at_least": one.at_least,
        "deepest_hz": _hz(one.deepest_hz),
        "pass_db": _db(one.pass_db),
        "edges": [_pair(pair, one.pass_db, u) for pair in one.edges],
    }


# --- ranges ---------------------------------------------------------------------------------------


def _range(found: LossInRange) -> dict[str, Any]:
    return {
        "start_hz": _hz(found.start_hz),
        "stop_hz": _hz(found.stop_hz),
        "points": found.points,
        "covered": rounded(found.covered, 6),
        "at_least": found.at_least,
    }


def _flatness(found: LossInRange, u: LossUncertainty) -> float:
    noise_db = found.noise_flatness_db or 0.0
    return u.flatness(found.least_db, found.largest_db, noise_db).expanded


def _u_of(found: float | None, view: View) -> float:
    """Noise of a figure, or that of a point where nobody said."""
    return view.noise_db if found is None else found


def _stated_passband(
    view: View, settings: TransmissionSettings, u: LossUncertainty
) -> dict[str, Any] | None:
    aim = settings.passband
    if aim is None:
        return None
    found = loss_in_range(view.losses.curve, start_hz=aim.start_hz, stop_hz=aim.stop_hz)
    if found is None:
        return None
    return {
        **_range(found),
        "least_loss_db": _db(found.least_db),
        "largest_loss_db": _db(found.largest_db),
        "largest_loss_hz": _hz(found.largest_hz),
        "largest_loss_expanded_db": _db(u.loss(found.largest_db, view.noise_db).expanded),
        "ripple_db": _db(found.flatness_db),
        "ripple_expanded_db": _db(_flatness(found, u)),
        "noise_ripple_db": _db(found.noise_flatness_db),
    }


def _pad(view: View, settings: TransmissionSettings, u: LossUncertainty) -> dict[str, Any] | None:
    if settings.pad is None:
        return None
    aim = settings.passband
    low_hz, high_hz = view.response.start_hz, view.response.stop_hz
    found = loss_in_range(
        view.losses.curve,
        start_hz=low_hz if aim is None else aim.start_hz,
        stop_hz=high_hz if aim is None else aim.stop_hz,
    )
    if found is None:
        return None
    noise_db = _u_of(found.u_mean_db, view)
    return {
        **_range(found),
        "nominal_db": settings.pad.value_db,
        "value_db": _db(found.mean_db),
        "value_expanded_db": _db(u.loss(found.mean_db, noise_db).expanded),
        "deviation_db": _db(found.mean_db - settings.pad.value_db),
        "flatness_db": _db(found.flatness_db),
        "flatness_expanded_db": _db(_flatness(found, u)),
        "noise_flatness_db": _db(found.noise_flatness_db),
        "slope_db_per_mhz": rounded(found.slope_db_per_hz * 1e6, 6),
    }


def _stopbands(
    view: View, settings: TransmissionSettings, u: LossUncertainty
) -> list[dict[str, Any]]:
    found = []
    for aim in settings.stopbands:
        if view.main is None:
            continue
        one = rejection(
            view.losses.curve,
            start_hz=aim.start_hz,
            stop_hz=aim.stop_hz,
            pass_db=view.main.least_db,
            u_pass_db=view.main.u_least_db,
        )
        expanded = None
        if one.value_db is not None:
            pass_db = view.main.least_db
            noise_db = _u_of(one.u_db, view)
            expanded = u.difference(pass_db, pass_db + one.value_db, noise_db).expanded
        found.append(
            {
                "name": aim.name,
                "start_hz": _hz(one.start_hz),
                "stop_hz": _hz(one.stop_hz),
                "covered": rounded(one.covered, 6),
                "rejection_db": _db(one.value_db),
                "rejection_expanded_db": _db(expanded),
                "at_least": one.at_least,
                "at_hz": _hz(one.at_hz),
                "reason": one.reason,
            }
        )
    return found


def _named(one: NamedLoss, view: View, u: LossUncertainty) -> dict[str, Any]:
    loss_db, expanded, reject_db, reject_expanded = one.found.loss_db, None, None, None
    if loss_db is not None:
        noise_db = _u_of(one.found.u_db, view)
        expanded = u.loss(loss_db, noise_db).expanded
        if one.role is Role.STOP and view.main is not None:
            pass_db, u_pass_db = view.main.least_db, view.main.u_least_db
            reject_db = loss_db - pass_db
            noise_db = math.hypot(noise_db, u_pass_db)
            reject_expanded = u.difference(pass_db, loss_db, noise_db).expanded
    return {
        "name": one.name,
        "role": one.role.value,
        "frequency_hz": _hz(one.found.frequency_hz),
        "loss_db": _db(loss_db),
        "loss_expanded_db": _db(expanded),
        "at_least": one.found.at_least,
        "rejection_db": _db(reject_db),
        "rejection_expanded_db": _db(reject_expanded),
        "text": str(one),
    }


def _separation(named: tuple[NamedLoss, ...], u: LossUncertainty) -> dict[str, Any] | None:
    """How far the worst stop frequency lies under the worst pass one; None without both."""
    if {one.role for one in named} != set(Role):
        return None
    found = separation(named)
    expanded = None
    if found.value_db is not None:
        passed = max(one.found.loss_db or 0.0 for one in named if one.role is Role.PASS)
        expanded = u.difference(passed, passed + found.value_db, found.u_db or 0.0).expanded
    return {
        "value_db": _db(found.value_db),
        "expanded_db": _db(expanded),
        "at_least": found.at_least,
        "reason": found.reason,
    }


# --- group delay ----------------------------------------------------------------------------------


def _delay(view: View, grid: Grid, settings: TransmissionSettings) -> dict[str, Any] | None:
    """Of a vector sweeper: at the centre, and least and largest within the passband."""
    s21, axis = view.losses.s21, grid.frequency_hz
    if s21 is None or axis.size < 2 or not (np.diff(axis) > 0).all():
        return None
    aperture_hz, notes = settings.aperture_hz, []
    step_hz = float(np.diff(axis).min())
    if aperture_hz is not None and aperture_hz < step_hz:
        notes.append("the aperture asked for is below the step of the sweep: two steps are taken")
        aperture_hz = None
    noise_db = None if view.losses.curve.u_db is None else view.noise_db
    found = group_delay(axis, s21, aperture_hz=aperture_hz, u_db=noise_db)
    low_hz, high_hz = _delay_range(view, settings)
    inside = (axis >= low_hz) & (axis <= high_hz) & np.isfinite(found.delay_s)
    delays = found.delay_s[inside]
    centre_hz = math.sqrt(max(low_hz, 0.0) * high_hz)
    at = int(np.abs(axis - centre_hz).argmin())
    known = bool(np.isfinite(found.delay_s[at]))
    u_s = None if found.u_delay_s is None or not known else float(found.u_delay_s[at])
    return {
        "start_hz": _hz(low_hz),
        "stop_hz": _hz(high_hz),
        "centre_hz": _hz(float(axis[at])),
        "centre_s": rounded(float(found.delay_s[at]), 15) if known else None,
        "centre_noise_expanded_s": None if u_s is None else rounded(2.0 * u_s, 15),
        "least_s": rounded(float(delays.min()), 15) if delays.size else None,
        "largest_s": rounded(float(delays.max()), 15) if delays.size else None,
        "aperture_hz": _hz(float(found.aperture_hz[at])),
        "longest_s": rounded(found.longest_delay_s, 15),
        "notes": [*notes, *found.notes],
    }


def _delay_range(view: View, settings: TransmissionSettings) -> tuple[float, float]:
    """The stated passband, else between the main passband's edges as far as they were seen."""
    aim = settings.passband
    if aim is not None:
        return aim.start_hz, aim.stop_hz
    low_hz, high_hz = view.response.start_hz, view.response.stop_hz
    if view.main is not None:
        pair = view.main.edges[0]
        low_hz = pair.lower.frequency_hz or low_hz
        high_hz = pair.upper.frequency_hz or high_hz
    return low_hz, high_hz
