"""What a pass of an emission check asks for next, given what it has seen.

    0  look    the job's own request around the fundamental: keyed or not
    1  width   the emission itself, finely, for bandwidths and neighbours
    2 … 21     harmonic n in a sweep of its own
    30 … 37    what a search found, each in a sweep of its own
    100 …      pieces of the ranges that are searched
    400 + s    step s again with more attenuation
    500        a last look: still keyed?

The order is: look, width, harmonics and those again that are suspicious, then the search, what it
found, and that again. :func:`next_step` is all there is to it: the pass that asks for sweeps and
the meter that sees them both go by it, so a replay knows when a pass was complete.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from acqd.measure.emission_limits import limit_dbm_along
from acqd.measure.emission_origin import harder_db, is_suspicious
from acqd.measure.emission_readings import (
    Look,
    Product,
    averages_of,
    floor_along,
    level_dbm,
    limited_over_db,
    look_at,
    reading_of,
)
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.meter import Pass, PassStep
from acqd.measure.passmeter import Seen
from acqd.measure.products import harmonic_window
from acqd.measure.spurious import SpuriousProduct, SpuriousSearch, spurious_search
from acqd.measure.words import frequency_text
from acqd.sweep import SweepRequest

__all__ = [
    "AGAIN",
    "LAST",
    "LOOK",
    "SEARCH",
    "WIDTH",
    "ZOOM",
    "ZOOMS_MOST",
    "Asked",
    "Piece",
    "asked_of",
    "emission_pass",
    "excluded_hz",
    "found_in_search",
    "harmonics_of",
    "next_step",
    "overran",
    "pieces_of",
    "searched",
    "zoomed",
]

Float = NDArray[np.float64]

LOOK, WIDTH, ZOOM, SEARCH, AGAIN, LAST = 0, 1, 30, 100, 400, 500

ZOOMS_MOST = 8
"""Products of a search that get a sweep of their own, those most above their limit first."""

PIECES_MOST = 250
POINTS_LEAST, POINTS_MOST = 101, 10_001
HARMONICS_MOST = 20

STEPS_PER_RBW = 4.0
"""Points in an RBW where a product is measured: an rms detector then reads a line 0.06 dB low."""

NEAR_LIMIT_DB = 10.0
"""What a search finds is told from here below the limit on."""

EDGE_RBWS = 10.0
"""RBWs of plain floor to either side of where a product may lie."""


# --- what is asked for ----------------------------------------------------------------------------


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


def _reach_hz(settings: EmissionSettings, first: Seen) -> tuple[float, float]:
    low, high = first.setup.range_hz or (0.0, math.inf)
    return low, high if settings.up_to_hz is None else min(high, settings.up_to_hz)


def _points(span_hz: float, step_hz: float, otherwise: int) -> int:
    if not step_hz > 0:
        return max(POINTS_LEAST, otherwise)
    return min(POINTS_MOST, max(POINTS_LEAST, math.ceil(span_hz / step_hz) + 1))


def _around(
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
    low_hz, high_hz = _reach_hz(settings, first)
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
            request = _around(settings, window.centre_hz, half_hz, rbw_hz, STEPS_PER_RBW)
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


def _width_request(settings: EmissionSettings, look: Look, first: Seen) -> SweepRequest | None:
    """The sweep for bandwidths and neighbours; None where nobody says how wide it should be."""
    laid_hz, slack_hz = _laid_hz(settings, look, first)
    rbw_hz = settings.bandwidth_rbw_hz or settings.request.rbw_hz
    half_hz = 1.5 * (settings.necessary_hz or 0.0)
    if settings.channel_hz is not None and settings.spacing_hz is not None:
        half_hz = max(half_hz, 1.1 * (settings.spacing_hz + settings.channel_hz / 2.0))
    if not half_hz:
        return None
    request = _around(settings, laid_hz, half_hz + min(slack_hz, half_hz / 2.0), rbw_hz, 3.0)
    low_hz, high_hz = first.setup.range_hz or (0.0, math.inf)
    if request.start_hz < low_hz or request.stop_hz > high_hz:
        return None
    return replace(request, detector=settings.bandwidth_detector or request.detector)


# --- the search -----------------------------------------------------------------------------------


def pieces_of(settings: EmissionSettings, first: Seen) -> tuple[Piece, ...]:
    """The ranges to search in pieces of one sweep each; parts out of reach are pieces without."""
    low_hz, high_hz = _reach_hz(settings, first)
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


def excluded_hz(
    settings: EmissionSettings, look: Look | None, first: Seen
) -> tuple[tuple[float, float], ...]:
    """What a search leaves out: the emission with the filter's skirts, and its harmonics."""
    if look is None or look.fundamental is None:
        return ()
    rbw_hz = settings.search_rbw_hz or settings.request.rbw_hz or first.setup.rbw_hz or 0.0
    width_hz = settings.necessary_hz or look.fundamental.high_hz - look.fundamental.low_hz
    half_hz = width_hz / 2.0 + 5.0 * rbw_hz
    found_hz = look.fundamental.centre_hz
    out = [(found_hz - half_hz, found_hz + half_hz)]
    for one in harmonics_of(settings, look, first):
        if one.request is not None:
            skirt_hz = 3.0 * rbw_hz
            out.append((one.within_hz[0] - skirt_hz, one.within_hz[1] + skirt_hz))
    return tuple(out)


def searched(
    settings: EmissionSettings, look: Look | None, first: Seen, seen: Seen
) -> tuple[SpuriousSearch, Float, Float]:
    """What one piece of a search shows, with the floor and the threshold along it, (points,)."""
    level, frequency = level_dbm(seen), seen.setup.grid.frequency_hz
    averages = averages_of(seen, level)
    floor = floor_along(level, averages)
    over_db = limited_over_db(level.size, averages)
    carrier_hz = None if look is None or look.fundamental is None else look.fundamental.centre_hz
    limit = limit_dbm_along(settings, frequency, carrier_hz)
    wanted = np.where(np.isfinite(limit), limit - NEAR_LIMIT_DB, floor + over_db)
    threshold = np.fmax(wanted, floor + over_db)
    found = spurious_search(
        frequency,
        level,
        threshold_dbm=threshold,
        floor_dbm=floor,
        rbw_hz=seen.setup.rbw_hz,
        excluded_hz=excluded_hz(settings, look, first),
        averages=averages,
    )
    return found, floor, threshold


def found_in_search(
    settings: EmissionSettings, look: Look | None, by_step: Mapping[int, Seen]
) -> tuple[tuple[Seen, SpuriousProduct], ...]:
    """All that the pieces show, those most above their threshold first."""
    first = by_step[LOOK]
    steps = [one.step for one in pieces_of(settings, first) if one.request is not None]
    pieces = [by_step[step] for step in steps if step in by_step]
    if not settings.keyed:
        pieces.insert(0, first)
    found = [
        (piece, one)
        for piece in pieces
        for one in searched(settings, look, first, piece)[0].products
    ]
    found.sort(key=lambda pair: (-pair[1].over_threshold_db, pair[1].frequency_hz))
    return tuple(found)


def _finer_hz(settings: EmissionSettings, rbw_hz: float, half_hz: float) -> float:
    """RBW in which a product of a search is looked at: that of the harmonics, which shows a line
    further above the floor, unless that would take too many points."""
    finer_hz = settings.harmonic_rbw_hz or settings.request.rbw_hz or rbw_hz
    points = 2.0 * STEPS_PER_RBW * (half_hz + EDGE_RBWS * finer_hz) / finer_hz
    return finer_hz if finer_hz < rbw_hz and points < POINTS_MOST else rbw_hz


def zoomed(
    settings: EmissionSettings, look: Look | None, by_step: Mapping[int, Seen]
) -> tuple[tuple[int, SweepRequest, tuple[float, float]], ...]:
    """Step, sweep and place of each product of the search that gets a sweep of its own.

    In order of frequency, so that the same products keep their steps from pass to pass.
    """
    rbw_hz = settings.search_rbw_hz or settings.request.rbw_hz
    if rbw_hz is None:
        return ()
    low_hz, high_hz = _reach_hz(settings, by_step[LOOK])
    best = found_in_search(settings, look, by_step)[:ZOOMS_MOST]
    asked = []
    for number, (_, one) in enumerate(sorted(best, key=lambda pair: pair[1].frequency_hz)):
        centre_hz = round(one.frequency_hz / rbw_hz) * rbw_hz
        half_hz = 2.0 * rbw_hz + max(0.0, (one.width_hz - rbw_hz) / 2.0)
        finer_hz = _finer_hz(settings, rbw_hz, half_hz)
        edge_hz = EDGE_RBWS * finer_hz
        request = _around(settings, centre_hz, half_hz + edge_hz, finer_hz, STEPS_PER_RBW)
        request = replace(
            request,
            start_hz=max(low_hz, request.start_hz),
            stop_hz=min(high_hz, request.stop_hz),
            detector=settings.search_detector or request.detector,
        )
        asked.append((ZOOM + number, request, (centre_hz - half_hz, centre_hz + half_hz)))
    return tuple(asked)


# --- the order ------------------------------------------------------------------------------------


def asked_of(
    settings: EmissionSettings, look: Look | None, by_step: Mapping[int, Seen]
) -> Iterator[PassStep]:
    """Every step after the first in its order. Later ones hang on what earlier ones brought: the
    next may be asked for only when the sweep of the one before is in ``by_step``."""
    first = by_step[LOOK]
    if look is not None:
        width = _width_request(settings, look, first)
        if width is not None:
            yield PassStep(request=width, step=WIDTH)
        harmonics = [h for h in harmonics_of(settings, look, first) if h.request is not None]
        for one in harmonics:
            assert one.request is not None
            yield PassStep(request=one.request, step=one.order)
        for one in harmonics:
            seen = by_step[one.order]
            product = reading_of(
                seen, name="", order=one.order, within_hz=_inside(one.within_hz, seen)
            )
            yield from _again(settings, product, look, first, seen, one.request)
    for piece in pieces_of(settings, first):
        if piece.request is not None:
            yield PassStep(request=piece.request, step=piece.step)
    for step, request, within in zoomed(settings, look, by_step):
        yield PassStep(request=request, step=step)
        product = reading_of(by_step[step], name="", order=None, within_hz=within)
        yield from _again(settings, product, look, first, by_step[step], request)
    if look is not None:
        yield PassStep(request=settings.request, step=LAST)


def _inside(within: tuple[float, float], seen: Seen) -> tuple[float, float]:
    frequency = seen.setup.grid.frequency_hz
    return max(within[0], float(frequency[0])), min(within[1], float(frequency[-1]))


def _again(
    settings: EmissionSettings,
    product: Product | str,
    look: Look | None,
    first: Seen,
    seen: Seen,
    request: SweepRequest | None,
) -> Iterator[PassStep]:
    """The sweep with more attenuation of a product that is suspicious."""
    if isinstance(product, str) or request is None:
        return
    harder = harder_db(settings, seen)
    if harder is not None and is_suspicious(settings, product, look, first):
        yield PassStep(
            request=replace(request, attenuation_db=harder), step=AGAIN + seen.sweep.step
        )


def overran(settings: EmissionSettings, seen: tuple[Seen, ...]) -> bool:
    """Whether the transmitter has been keyed as long as it may be, by the sweeps so far."""
    if not settings.keyed:
        return False
    last = seen[-1].sweep
    return last.started_s + last.took_s - seen[0].sweep.started_s > settings.keyed_most_s


def next_step(settings: EmissionSettings, seen: tuple[Seen, ...]) -> PassStep | None:
    """What the pass asks for after ``seen``, its sweeps so far in order; None where it is done.

    Not keyed: nothing more. When the time for which it may be keyed is over, the last look alone.
    """
    if not seen:
        return PassStep(request=settings.request, step=LOOK)
    by_step = {one.sweep.step: one for one in seen}
    look = None
    if settings.keyed:
        look = look_at(settings, seen[0])
        if not look.keyed or LAST in by_step:
            return None
        if overran(settings, seen):
            return PassStep(request=settings.request, step=LAST)
    for asked in asked_of(settings, look, by_step):
        if asked.step not in by_step:
            return asked
    return None


def emission_pass(settings: EmissionSettings, passes: int = 1) -> Pass:
    """Passes one after the other, each asking by :func:`next_step` until there is no more."""
    for _ in range(passes):
        seen: tuple[Seen, ...] = ()
        step = next_step(settings, seen)
        while step is not None:
            answer = (yield step)()
            seen = (*seen, Seen(setup=answer.setup, sweep=answer.sweep))
            step = next_step(settings, seen)
