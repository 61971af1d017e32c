"""The loss curve of a sweep as it is drawn: the curve with its U, the computed points, the limits.

Losses are worked out anew from the levels of the sweep and of its through, with what the meter
used, so that the curve is the one that the figures beside it were read from.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.transmission_settings import TransmissionSettings
from acqd.measure.transmission_sweep import Losses, losses_of, through_of
from acqd.measure.transmission_uncertainty import elapsed, uncertainty_of
from acqd.measure.words import frequency_text, number_text
from acqd.report.kinds.common import number
from acqd.report.kinds.kept import Kept
from acqd.report.shapes import Band, Limit, Line, Mark

__all__ = [
    "Curve",
    "Figures",
    "bands_of",
    "figures_of",
    "limits_of",
    "loss_of",
    "main_parts",
    "marks_of",
]

Float = NDArray[np.float64]
Figures = Mapping[str, tuple[float, float]]

MARKED_WITHIN_DB = 6.5
"""Edges further down than this are in the table alone: many lines would cross at the curve."""

LIMIT_SHARE = 0.008
"""Half of the width, as a share of the sweep, at which the limit of one frequency is drawn."""

LOSSES_TRIED = 48


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Loss over frequency, (points,), NaN where there is none; ``expanded`` is U at k = 2 of each
    point, NaN all over where no floor is known and noise cannot be told."""

    frequency_hz: Float
    loss_db: Float
    expanded: Float
    at_least: NDArray[np.bool_]
    losses: Losses

    def line(self, name: str, role: Any, sweeps: Any, *, with_u: bool = False) -> Line:
        """The curve as a line, with U as its band."""
        low = self.loss_db - self.expanded if with_u else None
        high = self.loss_db + self.expanded if with_u else None
        return Line(
            name=name, x=self.frequency_hz, y=self.loss_db, role=role, low=low, high=high,
            sweeps=sweeps,
        )  # fmt: skip


def loss_of(kept: Kept, at: int, settings: TransmissionSettings) -> Curve | str:
    """The losses of one sweep; in a sentence why there are none."""
    setup, sweep = kept.event(at), kept.seen(at)
    through, refused = through_of(setup, settings.job)
    if refused is not None:
        return refused
    losses = losses_of(setup, sweep, through, settings)
    curve = losses.curve
    if not curve.points:
        return "no point of the sweep has a loss"
    least_db = float(curve.loss_db.min())
    temperature_c = sweep.context.get(settings.temperature or "")
    u = uncertainty_of(
        setup,
        settings,
        least_db=least_db,
        since=None if through is None else elapsed(through, sweep, temperature_c),
        curve=curve,
    )
    # U hangs on the loss smoothly: some dozens of budgets do for a thousand points.
    tried = np.linspace(least_db, max(float(curve.loss_db.max()), least_db + 1e-3), LOSSES_TRIED)
    shared = np.interp(curve.loss_db, tried, [u.loss(float(x), 0.0).expanded for x in tried])
    noise = np.zeros(curve.points) if curve.u_db is None else 2.0 * curve.u_db
    holes = np.flatnonzero(curve.broken) + 1
    axis = curve.frequency_hz
    return Curve(
        frequency_hz=np.insert(axis, holes, (axis[holes - 1] + axis[holes]) / 2.0),
        loss_db=np.insert(curve.loss_db, holes, np.nan),
        expanded=np.insert(np.hypot(shared, noise), holes, np.nan),
        at_least=np.insert(curve.at_least, holes, False),
        losses=losses,
    )


# --- the figures of a summary ---------------------------------------------------------------------


def main_parts(
    summary: Mapping[str, Any],
) -> tuple[Mapping[str, Any] | None, Mapping[str, Any] | None]:
    """The main passband and the deepest notch of a summary; None where there is none."""
    main = next((one for one in summary["passbands"] if one["main"]), None)
    notch = max(summary["notches"], key=lambda one: one["depth_db"] or 0.0, default=None)
    return main, notch


def figures_of(summary: Mapping[str, Any]) -> Figures:
    """The bare figures of a summary with their U (NaN where none is stated), by their column."""
    main, notch = main_parts(summary)
    edges = notch if summary["response"] == "band-stop" and notch is not None else main
    pair = {} if edges is None else edges["edges"][0]
    stop = [one for one in summary["stopbands"] if one["rejection_db"] is not None]
    weakest: Mapping[str, Any] = min(stop, key=lambda one: one["rejection_db"], default={})
    delay, pad, stated = summary["delay"] or {}, summary["pad"] or {}, summary["passband"] or {}
    found: dict[str, tuple[Mapping[str, Any], str, str]] = {
        "least_loss_db": (main or {}, "least_loss_db", "least_loss_expanded_db"),
        "centre_hz": (pair, "centre_hz", "centre_expanded_hz"),
        "width_3db_hz": (pair, "width_hz", "width_expanded_hz"),
        "lower_edge_hz": (pair, "lower_hz", "lower_expanded_hz"),
        "upper_edge_hz": (pair, "upper_hz", "upper_expanded_hz"),
        "ripple_db": (stated, "ripple_db", "ripple_expanded_db"),
        "notch_depth_db": (notch or {}, "depth_db", "depth_expanded_db"),
        "rejection_db": (weakest, "rejection_db", "rejection_expanded_db"),
        "pad_db": (pad, "value_db", "value_expanded_db"),
        "flatness_db": (pad, "flatness_db", "flatness_expanded_db"),
        "delay_s": (delay, "centre_s", "centre_noise_expanded_s"),
    }
    for one in summary["named"]:
        found[f"loss_{one['name']}_db"] = (one, "loss_db", "loss_expanded_db")
    out = {}
    for name, (part, value_key, u_key) in found.items():
        value, u = number(part.get(value_key)), number(part.get(u_key))
        if value is not None:
            out[name] = (value, math.nan if u is None else u)
    return out


# --- at the curve ---------------------------------------------------------------------------------


def marks_of(summary: Mapping[str, Any]) -> tuple[Mark, ...]:
    """The computed points of a summary, at the curve; what is not known has no mark."""
    found = []
    for x, y, text, expanded in _marks(summary):
        at_hz, loss_db = number(x), number(y)
        if at_hz is not None and loss_db is not None:
            found.append(Mark(x=at_hz, y=loss_db, text=text, expanded=number(expanded)))
    return tuple(found)


Place = tuple[float | None, float | None, str, float | None]


def _marks(summary: Mapping[str, Any]) -> Iterator[Place]:
    main, notch = main_parts(summary)
    least_db = None if main is None else number(main["least_loss_db"])
    if main is not None and least_db is not None:
        text = f"least loss {number_text(least_db, 2)} dB"
        yield main["least_loss_hz"], least_db, text, main["least_loss_expanded_db"]
    if summary["response"] == "band-stop" and notch is not None:
        depth_db, pass_db = number(notch["depth_db"]), number(notch["pass_db"])
        if depth_db is not None and pass_db is not None:
            text = f"notch {_least(notch)}{number_text(depth_db, 1)} dB deep"
            yield notch["deepest_hz"], pass_db + depth_db, text, notch["depth_expanded_db"]
            yield from _edge_marks(notch, pass_db)
    elif main is not None and least_db is not None:
        yield from _edge_marks(main, least_db)
    for one in summary["stopbands"]:
        weakest_db = number(one["rejection_db"])
        if weakest_db is not None and least_db is not None:
            text = f"weakest of {one['name']}: {_least(one)}{number_text(weakest_db, 1)} dB"
            yield one["at_hz"], least_db + weakest_db, text, one["rejection_expanded_db"]
    for one in summary["named"]:
        loss_db = number(one["loss_db"])
        if loss_db is not None:
            text = f"{one['name']} {_least(one)}{number_text(loss_db, 2)} dB"
            yield one["frequency_hz"], loss_db, text, one["loss_expanded_db"]


def _least(one: Mapping[str, Any]) -> str:
    return "at least " if one["at_least"] else ""


def _edge_marks(part: Mapping[str, Any], pass_db: float) -> Iterator[Place]:
    for pair in part["edges"]:
        if pair["below_db"] > MARKED_WITHIN_DB:
            continue
        for side in ("lower", "upper"):
            at_hz = number(pair[f"{side}_hz"])
            if at_hz is not None:
                text = f"−{pair['below_db']:g} dB {frequency_text(at_hz)}"
                yield at_hz, pass_db + pair["below_db"], text, None


# --- limits and ranges ----------------------------------------------------------------------------


def bands_of(settings: TransmissionSettings) -> tuple[Band, ...]:
    """The ranges that have a name: what should pass, and what should not."""
    found = []
    if settings.passband is not None:
        aim = settings.passband
        found.append(Band(name="passband", start=aim.start_hz, stop=aim.stop_hz))
    found += [
        Band(name=one.name, start=one.start_hz, stop=one.stop_hz) for one in settings.stopbands
    ]
    return tuple(found)


def limits_of(settings: TransmissionSettings, summary: Mapping[str, Any]) -> tuple[Limit, ...]:
    """The limits on losses as the last sweep has them, each with its guard band.

    A rejection counts from the least loss of the passband, so that its limit moves with that; a
    ripple has no place along the curve and is in the table alone.
    """
    return tuple(_limits(settings, summary))


def _limits(settings: TransmissionSettings, summary: Mapping[str, Any]) -> Iterator[Limit]:
    guard = settings.guard
    main, _ = main_parts(summary)
    least_db = None if main is None else number(main["least_loss_db"])
    passband, stated = settings.passband, summary["passband"] or {}
    if passband is not None and passband.loss_at_most_db is not None:
        yield Limit(
            name=f"loss at most {number_text(passband.loss_at_most_db, 1)} dB",
            start=passband.start_hz,
            stop=passband.stop_hz,
            level=passband.loss_at_most_db,
            side="below",
            guard=guard * (number(stated.get("largest_loss_expanded_db")) or 0.0),
        )
    by_name = {one["name"]: one for one in summary["stopbands"]}
    for aim in settings.stopbands:
        if aim.at_least_db is not None and least_db is not None:
            one = by_name.get(aim.name, {})
            yield Limit(
                name=f"{aim.name}: {number_text(aim.at_least_db, 1)} dB below the passband",
                start=aim.start_hz,
                stop=aim.stop_hz,
                level=least_db + aim.at_least_db,
                side="above",
                guard=guard * (number(one.get("rejection_expanded_db")) or 0.0),
            )
    yield from _named_limits(settings, summary, least_db)
    pad, seen = settings.pad, summary["pad"]
    if pad is not None and pad.within_db is not None and seen is not None:
        for sign, side in ((1.0, "below"), (-1.0, "above")):
            yield Limit(
                name=f"{number_text(pad.value_db, 1)} {'+' if sign > 0 else '−'} "
                f"{number_text(pad.within_db, 1)} dB",
                start=seen["start_hz"],
                stop=seen["stop_hz"],
                level=pad.value_db + sign * pad.within_db,
                side="below" if side == "below" else "above",
                guard=guard * (number(seen["value_expanded_db"]) or 0.0),
            )


def _named_limits(
    settings: TransmissionSettings, summary: Mapping[str, Any], least_db: float | None
) -> Iterator[Limit]:
    span_hz = (summary["stop_hz"] or 0.0) - (summary["start_hz"] or 0.0)
    half_hz = LIMIT_SHARE * span_hz
    for aim, one in zip(settings.named, summary["named"], strict=True):
        at_hz = aim.frequency_hz
        if aim.at_most_db is not None:
            yield Limit(
                name=f"{aim.name}: at most {number_text(aim.at_most_db, 1)} dB",
                start=at_hz - half_hz,
                stop=at_hz + half_hz,
                level=aim.at_most_db,
                side="below",
                guard=settings.guard * (number(one["loss_expanded_db"]) or 0.0),
            )
        if aim.at_least_db is not None and least_db is not None:
            yield Limit(
                name=f"{aim.name}: {number_text(aim.at_least_db, 1)} dB below the passband",
                start=at_hz - half_hz,
                stop=at_hz + half_hz,
                level=least_db + aim.at_least_db,
                side="above",
                guard=settings.guard * (number(one["rejection_expanded_db"]) or 0.0),
            )
