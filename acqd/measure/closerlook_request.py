"""What a closer look asks of the sweeper, worked out from what its job asks and the sweeper can.

A look never asks for less attenuation than its job, and never for a source. What a sweeper does not
say it can do is asked for all the same, and refused where it cannot.
"""

from __future__ import annotations

import math
from dataclasses import replace

from acqd.errors import RequestRefused
from acqd.measure.closerlook_settings import LookKind, LookSettings
from acqd.sweep import Capabilities, SweepRequest

__all__ = ["look_requests"]

SPAN_IN_RBW = 20.0
"""A zoom is so many of the job's RBWs wide: neighbours stay in sight, and all of a signal."""

RBW_OF_SPAN = 100.0
"""The RBW of a zoom is its span over this: a trace of a few hundred points shows the shape."""

FINER = 10.0
"""A finer RBW is this part of the job's."""

POINTS_AN_RBW = 2.0
POINTS_LEAST = 101
ZERO_TIME_S = 1.0
ZERO_POINTS = 401

CENTRES_A_SPAN = 20.0
"""Centres lie on a grid of the span over this, so that a signal that comes again is looked at with
the same settings, and one setup holds for all its looks."""

LEAST_ADDED_DB = 5.0
"""With less attenuation more, what is made inside cannot be told from what scatters."""


def look_requests(
    look: LookSettings,
    job: SweepRequest,
    can: Capabilities,
    *,
    at_hz: float | None,
    attenuation_db: float | None,
) -> tuple[SweepRequest, ...]:
    """The sweep of a look; of "more attenuation" two, as the job sweeps and with more.

    Args:
        job: what the job asks for.
        at_hz: the finding's frequency.
        attenuation_db: what the job's last sweep was taken with, where the sweeper says so.

    Raises:
        RequestRefused: there is no frequency where one is needed, or no more attenuation.
    """
    least_db = _least_attenuation_db(job, attenuation_db)
    base = replace(
        job,
        source=None,
        detector=look.detector or job.detector,
        attenuation_db=least_db if can.attenuation_steps_db or job.attenuation_db else None,
    )
    if look.look is LookKind.HARDER:
        return _harder(look, base, can, least_db)
    base = replace(base, vbw_hz=None)
    if look.look is LookKind.FINER:
        return (_finer(look, base, can),)
    if at_hz is None:
        raise RequestRefused(
            setting="centre", asked=f"{look.look} at a finding's frequency", limit="it has none"
        )
    one = _zoom(look, base, can, at_hz) if look.look is LookKind.ZOOM else _zero(look, base, at_hz)
    return (one,)


def _least_attenuation_db(job: SweepRequest, taken_db: float | None) -> float | None:
    known = [one for one in (job.attenuation_db, taken_db) if one is not None]
    return max(known, default=None)


def _harder(
    look: LookSettings, base: SweepRequest, can: Capabilities, least_db: float | None
) -> tuple[SweepRequest, ...]:
    if least_db is None:
        raise RequestRefused(
            setting="attenuation",
            asked=f"{look.added_db:g} dB more",
            limit="nobody says what it sweeps with",
        )
    steps = can.attenuation_steps_db
    wanted_db = least_db + look.added_db
    found_db = min((one for one in steps if one >= wanted_db - 1e-9), default=max(steps, default=0))
    if not steps:
        found_db = wanted_db
    if found_db < least_db + min(LEAST_ADDED_DB, look.added_db):
        raise RequestRefused(
            setting="attenuation", asked=f"{wanted_db:g} dB", limit=f"{found_db:g} dB at most"
        )
    first = replace(base, attenuation_db=least_db)
    return first, replace(first, attenuation_db=found_db)


def _finer(look: LookSettings, base: SweepRequest, can: Capabilities) -> SweepRequest:
    wanted_hz = look.rbw_hz
    if wanted_hz is None and base.rbw_hz is not None:
        wanted_hz = base.rbw_hz / FINER
    rbw_hz = _rbw_hz(wanted_hz, can, is_asked=look.rbw_hz is not None)
    points = look.points or _points(base.span_hz, rbw_hz, can, least=base.points)
    return replace(base, rbw_hz=rbw_hz, points=points, sweep_time_s=look.sweep_time_s)


def _zoom(look: LookSettings, base: SweepRequest, can: Capabilities, at_hz: float) -> SweepRequest:
    span_hz = look.span_hz
    if span_hz is None:
        span_hz = SPAN_IN_RBW * max(base.rbw_hz or 0.0, base.step_hz)
        if base.span_hz > 0:
            span_hz = min(span_hz, base.span_hz) if span_hz > 0 else base.span_hz
    if not span_hz > 0:
        raise RequestRefused(
            setting="span", asked="a zoom", limit="the job has neither RBW nor span to go by"
        )
    # Past the ends of what the sweeper sweeps a zoom is moved, not cut.
    span_hz = min(span_hz, can.stop_hz - can.start_hz)
    grid_hz = span_hz / CENTRES_A_SPAN
    start_hz = round(at_hz / grid_hz) * grid_hz - span_hz / 2.0
    start_hz = min(max(start_hz, can.start_hz), can.stop_hz - span_hz)
    wanted_hz = look.rbw_hz
    if wanted_hz is None and base.rbw_hz is not None:
        wanted_hz = min(span_hz / RBW_OF_SPAN, base.rbw_hz)
    rbw_hz = _rbw_hz(wanted_hz, can, is_asked=look.rbw_hz is not None)
    return replace(
        base,
        start_hz=start_hz,
        stop_hz=start_hz + span_hz,
        rbw_hz=rbw_hz,
        points=look.points or _points(span_hz, rbw_hz, can, least=POINTS_LEAST),
        sweep_time_s=look.sweep_time_s,
    )


def _zero(look: LookSettings, base: SweepRequest, at_hz: float) -> SweepRequest:
    return replace(
        base,
        start_hz=at_hz,
        stop_hz=at_hz,
        rbw_hz=look.rbw_hz or base.rbw_hz,
        points=look.points or max(POINTS_LEAST, min(base.points, ZERO_POINTS)),
        sweep_time_s=look.sweep_time_s or ZERO_TIME_S,
        averages=None,
    )


def _rbw_hz(wanted_hz: float | None, can: Capabilities, *, is_asked: bool) -> float | None:
    """The RBW that comes nearest from below, else the narrowest; one asked for stays as it is."""
    if wanted_hz is None or is_asked:
        return wanted_hz
    if can.rbw_steps_hz:
        below = [one for one in can.rbw_steps_hz if one <= wanted_hz * (1 + 1e-9)]
        return max(below, default=min(can.rbw_steps_hz))
    return max(wanted_hz, can.rbw_min_hz or 0.0)


def _points(span_hz: float, rbw_hz: float | None, can: Capabilities, *, least: int) -> int:
    """Points close enough for the RBW, as many as the sweeper has in one go at most."""
    wanted = least
    if rbw_hz is not None:
        wanted = max(least, math.ceil(POINTS_AN_RBW * span_hz / rbw_hz) + 1)
    if can.points_allowed:
        enough = [one for one in can.points_allowed if one >= wanted]
        return min(enough, default=max(can.points_allowed))
    return max(can.points_min, min(wanted, max(least, can.points_max)))
