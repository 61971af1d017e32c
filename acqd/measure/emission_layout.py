"""Where the sweeps of an emission check are laid: harmonics, widths, pieces of a search.

All of it hangs on the settings and on the first look, in steps coarse enough that a carrier which
drifts asks for the very same sweeps from pass to pass.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from acqd.measure.emission_readings import Look
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.passmeter import Seen
from acqd.measure.products import harmonic_window
from acqd.measure.words import frequency_text
from acqd.sweep import SweepRequest

__all__ = [
    "AGAIN",
    "EDGE_RBWS",
    "LAST",
    "LOOK",
    "POINTS_MOST",
    "SEARCH",
    "STEPS_PER_RBW",
    "WIDTH",
    "ZOOM",
    "Asked",
    "Piece",
    "around",
    "harmonics_of",
    "pieces_of",
    "reach_hz",
    "width_request",
]

LOOK, WIDTH, ZOOM, SEARCH, AGAIN, LAST = 0, 1, 30, 100, 400, 500
"""Steps of a pass; harmonic n is step n."""

PIECES_MOST = 250
POINTS_LEAST, POINTS_MOST = 101, 10_001
HARMONICS_MOST = 20

STEPS_PER_RBW = 4.0
"""Points in an RBW where a product is measured: an rms detector then reads a line 0.06 dB low."""

EDGE_RBWS = 10.0
"""RBWs of plain floor to either side of where a product may lie."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A harmonic that is asked for: its sweep and where it may lie, or why it cannot be had."""

    order: int
    frequency_hz: float
    within_hz: tuple[float, float]
    request: SweepRequest | None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A piece of a range that is searched; without a request it lies out of reach."""

    step: int
    start_hz: float
    stop_hz: float
    request: SweepRequest | None


def reach_hz(settings: EmissionSettings, first: Seen) -> tuple[float, float]:
    """From where to where can be measured, and is to be."""
    low, high = first.setup.range_hz or (0.0, math.inf)
    return low, high if settings.up_to_hz is None else min(high, settings.up_to_hz)


def _points(span_hz: float, step_hz: float, otherwise: int) -> int:
    if not step_hz > 0:
        return max(POINTS_LEAST, otherwise)
    return min(POINTS_MOST, max(POINTS_LEAST, math.ceil(span_hz / step_hz) + 1))


def around(
    settings: EmissionSettings, centre_hz: float, half_hz: float, rbw_hz: float | None, per: float
) -> SweepRequest:
    """A sweep about a frequency, in whole hertz."""
    start_hz, stop_hz = max(0.0, round(centre_hz - half_hz)), round(centre_hz + half_hz)
    step_hz = 0.0 if rbw_hz is None else rbw_hz / per
    return replace(
        settings.request,
        start_hz=float(start_hz),
        stop_hz=float(stop_hz),
        points=_points(stop_hz - start_hz, step_hz, settings.request.points),
        rbw_hz=rbw_hz,
        vbw_hz=None,
        sweep_time_s=None,
    )


def _slack_hz(settings: EmissionSettings, first: Seen) -> float:
    """How far the fundamental may lie from where its sweeps are laid, either side."""
    rbw_hz = first.setup.rbw_hz or first.setup.grid.cell_hz.max()
    about_hz = settings.expected_hz or float(first.setup.grid.frequency_hz[-1])
    own_hz = 2.0 * about_hz * first.setup.frequency_accuracy_ppm * 1e-6
    half_hz = (settings.necessary_hz or 0.0) / 2.0
    return float(max(settings.frequency_tolerance_hz or 0.0, half_hz, 2.0 * rbw_hz, own_hz))


def _laid_hz(settings: EmissionSettings, look: Look, first: Seen) -> tuple[float, float]:
    """Where the sweeps are laid out from, and how far the fundamental may be from it.

    The expected frequency, or a raster: so that a carrier that drifts does not change the setup of
    every sweep from pass to pass.
    """
    assert look.fundamental is not None
    found_hz = look.fundamental.centre_hz
    slack_hz = _slack_hz(settings, first)
    expected_hz = settings.expected_hz
    if expected_hz is not None and abs(found_hz - expected_hz) <= slack_hz:
        return expected_hz, slack_hz
    return round(found_hz / (2.0 * slack_hz)) * 2.0 * slack_hz, slack_hz


def harmonics_of(settings: EmissionSettings, look: Look, first: Seen) -> tuple[Asked, ...]:
    """The harmonics that are asked for, in order; none beyond the reach where nobody named a
    number."""
    laid_hz, slack_hz = _laid_hz(settings, look, first)
    low_hz, high_hz = reach_hz(settings, first)
    count = settings.harmonics
    reachable = int(high_hz // laid_hz) - 1 if math.isfinite(high_hz) else HARMONICS_MOST
    orders = range(2, 2 + (max(0, min(HARMONICS_MOST, reachable)) if count is None else count))
    rbw_hz = settings.harmonic_rbw_hz or settings.request.rbw_hz
    found = []
    for order in orders:
        window = harmonic_window(
            laid_hz,
            order,
            fundamental_u_hz=slack_hz / 2.0,
            sweeper_ppm=first.setup.frequency_accuracy_ppm,
            occupied_hz=settings.necessary_hz or 0.0,
            rbw_hz=rbw_hz or first.setup.rbw_hz or 0.0,
        )
        half_hz = 1.25 * window.span_hz / 2.0 + EDGE_RBWS * (rbw_hz or first.setup.rbw_hz or 0.0)
        within = (window.start_hz, window.stop_hz)
        request, reason = None, ""
        if within[1] > high_hz or within[0] < low_hz:
            reason = f"beyond {frequency_text(high_hz)}"
        else:
            request = around(settings, window.centre_hz, half_hz, rbw_hz, STEPS_PER_RBW)
            request = replace(
                request,
                start_hz=max(low_hz, request.start_hz),
                stop_hz=min(high_hz, request.stop_hz),
            )
        if request is None and count is None:
            continue
        found.append(
            Asked(
                order=order,
                frequency_hz=order * laid_hz,
                within_hz=within,
                request=request,
                reason=reason,
            )
        )
    return tuple(found)


def width_request(settings: EmissionSettings, look: Look, first: Seen) -> SweepRequest | None:
    """The sweep for bandwidths and neighbours; None where nobody says how wide it should be."""
    laid_hz, slack_hz = _laid_hz(settings, look, first)
    rbw_hz = settings.bandwidth_rbw_hz or settings.request.rbw_hz
    half_hz = 1.5 * (settings.necessary_hz or 0.0)
    if settings.channel_hz is not None and settings.spacing_hz is not None:
        half_hz = max(half_hz, 1.1 * (settings.spacing_hz + settings.channel_hz / 2.0))
    if not half_hz:
        return None
    request = around(settings, laid_hz, half_hz + min(slack_hz, half_hz / 2.0), rbw_hz, 3.0)
    low_hz, high_hz = first.setup.range_hz or (0.0, math.inf)
    if request.start_hz < low_hz or request.stop_hz > high_hz:
        return None
    return replace(request, detector=settings.bandwidth_detector or request.detector)


def pieces_of(settings: EmissionSettings, first: Seen) -> tuple[Piece, ...]:
    """The ranges to search in pieces of one sweep each; parts out of reach are pieces without."""
    low_hz, high_hz = reach_hz(settings, first)
    rbw_hz = settings.search_rbw_hz or settings.request.rbw_hz
    most = min(POINTS_MOST, max(1001, first.setup.points_max or 1001))
    pieces: list[Piece] = []
    step = SEARCH
    for start_hz, stop_hz in settings.search:
        low, high = max(start_hz, low_hz), min(stop_hz, high_hz)
        beyond = ((start_hz, min(stop_hz, low_hz)), (max(start_hz, high_hz), stop_hz))
        pieces += [
            Piece(step=-1, start_hz=begin, stop_hz=end, request=None)
            for begin, end in beyond
            if begin < end
        ]
        if low >= high:
            continue
        step_hz = (high - low) / most if rbw_hz is None else rbw_hz / 2.0
        points = max(POINTS_LEAST, math.ceil((high - low) / step_hz) + 1)
        count = math.ceil(points / most)
        edges = np.linspace(low, high, count + 1)
        for begin, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            reached = step < SEARCH + PIECES_MOST
            request = replace(
                settings.request,
                start_hz=begin,
                stop_hz=end,
                points=max(POINTS_LEAST, math.ceil(points / count)),
                rbw_hz=rbw_hz,
                detector=settings.search_detector or settings.request.detector,
                vbw_hz=None,
                sweep_time_s=None,
            )
            pieces.append(
                Piece(
                    step=step if reached else -1,
                    start_hz=begin,
                    stop_hz=end,
                    request=request if reached else None,
                )
            )
            step += 1
    return tuple(pieces)
