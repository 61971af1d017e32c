"""Whether a sweeper can do what is asked, in how many pieces, and how the pieces are joined. Pure.

The rules, which docs/drivers.md repeats for users:

* A frequency, RBW, detector, attenuation, number of averages or source setting that the sweeper
  does not have is refused with the limit named. Nothing is rounded to what it has: an RBW within
  1 % of a step passes, any other is refused and the steps are listed.
* Fewer points than the sweeper's least are refused: sweeping more and dropping some would miss
  what lies between, and giving back more would not be what was asked.
* Zero span with more points than its most is refused: moments cannot be joined without gaps.
* More points than its most, or a number that it cannot set, are taken in hops on the exact grid
  asked for. Hops are of equal size; where that does not come out even the last hop overlaps the one
  before, and of points swept twice the earlier are kept. A sweep time asked for is shared out among
  the hops by their points.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from acqd.errors import RequestRefused, SweepInvalid
from acqd.sweep import Capabilities, Float, Levels, SourceRequest, SweepRequest

__all__ = [
    "MAX_HOPS",
    "PlannedHop",
    "check_joinable",
    "check_request",
    "check_source",
    "joined_levels",
    "plan_hops",
]

MAX_HOPS = 1000
"""More hops than this in one sweep are refused: it would be hours old when it is done."""

RBW_TOLERANCE = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedHop:
    """One request to the sweeper, and where its points go.

    ``request`` covers points ``first_point − overlap`` to ``first_point + points − 1`` of the grid
    asked for; the first ``overlap`` of them are known from the hop before and dropped.
    """

    request: SweepRequest
    first_point: int
    points: int
    overlap: int = 0


def plan_hops(request: SweepRequest, capabilities: Capabilities) -> tuple[PlannedHop, ...]:
    """The pieces to take ``request`` in, one or more, in rising order.

    Raises:
        RequestRefused: beyond the limits; nothing was sent.
    """
    check_request(request, capabilities)
    size = _hop_points(request.points, capabilities)
    if size == request.points:
        return (PlannedHop(request=request, first_point=0, points=size),)
    if request.span_hz == 0:
        # Points of zero span are moments: pieces of them cannot be joined without gaps.
        raise _refused("points at zero span", f"{request.points}", f"{size} in one sweep")
    if size < 2 or -(-request.points // size) > MAX_HOPS:
        raise _refused("points", f"{request.points}", f"{MAX_HOPS} hops of {size} points")
    grid_hz = request.frequencies_hz()
    hops = []
    done = 0
    while done < request.points:
        first = min(done, request.points - size)
        time_s = request.sweep_time_s
        part = replace(
            request,
            start_hz=float(grid_hz[first]),
            stop_hz=float(grid_hz[first + size - 1]),
            points=size,
            sweep_time_s=None if time_s is None else time_s * size / request.points,
        )
        new = first + size - done
        hops.append(PlannedHop(request=part, first_point=done, points=new, overlap=done - first))
        done += new
    return tuple(hops)


def _hop_points(points: int, capabilities: Capabilities) -> int:
    """How many points each hop has."""
    if capabilities.points_allowed:
        fitting = [size for size in capabilities.points_allowed if size <= points]
        if not fitting:
            raise _refused("points", f"{points}", _listed(capabilities.points_allowed, ""))
        # The least number of hops, and of the sizes that need no more, the smallest.
        hops = -(-points // max(fitting))
        return min(size for size in fitting if -(-points // size) <= hops)
    if points < capabilities.points_min:
        raise _refused("points", f"{points}", f"at least {capabilities.points_min}")
    hops = -(-points // max(1, capabilities.points_max))
    return max(-(-points // hops), min(capabilities.points_min, points))


def check_request(request: SweepRequest, capabilities: Capabilities) -> None:
    """All but the number of points, which :func:`plan_hops` sees to.

    Raises:
        RequestRefused: naming the setting, what was asked for and the limit.
    """
    low_hz, high_hz = capabilities.start_hz, capabilities.stop_hz
    slack_hz = 1e-9 * high_hz
    if request.start_hz < low_hz - slack_hz or request.stop_hz > high_hz + slack_hz:
        raise _refused(
            "frequency",
            f"{_hz(request.start_hz)} to {_hz(request.stop_hz)}",
            f"{_hz(low_hz)} to {_hz(high_hz)}",
        )
    _check_rbw(request, capabilities)
    detectors = capabilities.detectors
    if request.detector is not None and detectors and request.detector not in detectors:
        raise _refused("detector", request.detector, ", ".join(detectors))
    _check_attenuation(request, capabilities)
    if request.averages is not None and not 1 <= request.averages <= capabilities.averages_max:
        raise _refused("averages", f"{request.averages}", f"1 to {capabilities.averages_max}")
    if request.source is not None:
        check_source(request.source, capabilities, request)


def _check_rbw(request: SweepRequest, capabilities: Capabilities) -> None:
    rbw_hz = request.rbw_hz
    if rbw_hz is None:
        return
    steps = capabilities.rbw_steps_hz
    if steps:
        if min(abs(rbw_hz / step - 1) for step in steps) > RBW_TOLERANCE:
            raise _refused("rbw", _hz(rbw_hz), "one of " + ", ".join(_hz(step) for step in steps))
        return
    low_hz, high_hz = capabilities.rbw_min_hz, capabilities.rbw_max_hz
    too_low = low_hz is not None and rbw_hz < low_hz * (1 - RBW_TOLERANCE)
    too_high = high_hz is not None and rbw_hz > high_hz * (1 + RBW_TOLERANCE)
    if too_low or too_high:
        raise _refused(
            "rbw",
            _hz(rbw_hz),
            f"{'any' if low_hz is None else _hz(low_hz)} to "
            f"{'any' if high_hz is None else _hz(high_hz)}",
        )


def _check_attenuation(request: SweepRequest, capabilities: Capabilities) -> None:
    asked, steps = request.attenuation_db, capabilities.attenuation_steps_db
    if asked is None or not steps:
        return
    if min(abs(asked - step) for step in steps) > 0.01:
        raise _refused("attenuation", f"{asked:g} dB", _listed(steps, " dB"))


def check_source(
    source: SourceRequest, capabilities: Capabilities, request: SweepRequest | None = None
) -> None:
    """A source setting against the sweeper's source. Switching off is never refused."""
    if not source.on:
        return
    if not capabilities.source:
        raise _refused("source", "on", "no source")
    low, high = capabilities.source_min_dbm, capabilities.source_max_dbm
    level = source.level_dbm
    if level is not None and (
        not np.isfinite(level)
        or (low is not None and level < low)
        or (high is not None and level > high)
    ):
        raise _refused(
            "source level",
            f"{level:g} dBm",
            f"{'any' if low is None else f'{low:g} dBm'} to "
            f"{'any' if high is None else f'{high:g} dBm'}",
        )
    lowest, highest = source.frequency_hz, source.frequency_hz
    if source.frequency_hz is None and request is not None:
        lowest, highest = request.start_hz, request.stop_hz
    start_hz, stop_hz = capabilities.source_start_hz, capabilities.source_stop_hz
    if lowest is None or highest is None or start_hz is None or stop_hz is None:
        return
    if lowest < start_hz or highest > stop_hz:
        raise _refused(
            "source frequency",
            f"{_hz(lowest)} to {_hz(highest)}",
            f"{_hz(start_hz)} to {_hz(stop_hz)}",
        )


def _refused(setting: str, asked: str, limit: str) -> RequestRefused:
    return RequestRefused(setting=setting, asked=asked, limit=limit)


def _listed(values: tuple[float, ...] | tuple[int, ...], unit: str) -> str:
    return "one of " + ", ".join(f"{value:g}{unit}" for value in values)


def _hz(value: float) -> str:
    for factor, unit in ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz")):
        if abs(value) >= factor:
            return f"{value / factor:.9g} {unit}"
    return f"{value:.9g} Hz"


def check_joinable(hop: PlannedHop, frequency_hz: Float) -> None:
    """A hop must bring the points asked for: others cannot be put on the grid.

    Raises:
        SweepInvalid: another number of points, or an axis more than 1 % of a step off the grid.
    """
    asked_hz = hop.request.frequencies_hz()
    why = "a sweeper with an axis of its own cannot be swept in hops"
    if frequency_hz.size != asked_hz.size:
        raise SweepInvalid(
            f"a hop of {asked_hz.size} points came back with {frequency_hz.size}; {why}"
        )
    off_hz = float(np.abs(frequency_hz - asked_hz).max())
    if off_hz > max(0.01 * hop.request.step_hz, 1e-6 * hop.request.stop_hz):
        raise SweepInvalid(f"a hop's axis is {off_hz:.0f} Hz off the grid asked for; {why}")


def joined_levels(points: int, pieces: Iterable[tuple[PlannedHop, Levels]]) -> Levels:
    """(points,) levels of all ``pieces`` in their places, NaN where there is none. Read-only."""
    known = list(pieces)
    kind = np.result_type(*(level.dtype for _, level in known))
    whole: Levels = np.full(points, np.nan, dtype=kind)
    for hop, level in known:
        whole[hop.first_point : hop.first_point + hop.points] = level[hop.overlap :]
    whole.flags.writeable = False
    return whole
