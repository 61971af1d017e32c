"""That a driver is honest about what its sweeper can do: every limit it advertises is tried."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import Any, Final

import numpy as np

from acqd.drivers.checks import settings_that_differ
from acqd.drivers.host import SweeperHost
from acqd.errors import RequestRefused, SweepInvalid
from acqd.sweep import Capabilities, SourceRequest, SweepRequest
from acqd.testing.bench import (
    SEE_THE_ERROR,
    Bench,
    asking,
    broke,
    capabilities_of,
    must,
    skip,
    swept,
)
from acqd.testing.checks.sweeping import shown_setting

__all__ = ["LimitChecks"]

TRIED_MOST: Final = 12
"""So many steps of one setting are tried: the ends, and evenly between."""

NARROWER: Final = "Advertise less in capabilities(), or make the sweeper do it."


class LimitChecks:
    """capabilities() against what the sweeper does."""

    def test_sweeps_from_its_lowest_to_its_highest_frequency(self, bench: Bench) -> None:
        """At either end of the range, and over all of it."""

        async def run() -> None:
            async with bench.opened() as host:
                can = capabilities_of(host)
                span_hz = min(bench.request.span_hz, can.stop_hz - can.start_hz)
                for start_hz, stop_hz, what in (
                    (can.start_hz, can.start_hz + span_hz, "start_hz"),
                    (can.stop_hz - span_hz, can.stop_hz, "stop_hz"),
                    (can.start_hz, can.stop_hz, "start_hz and stop_hz"),
                ):
                    request = replace(bench.request, start_hz=start_hz, stop_hz=stop_hz)
                    asks = (
                        f"It sweeps at its limits; {what} says {start_hz:.0f} to {stop_hz:.0f} Hz."
                    )
                    name = f"the range {start_hz:.0f} to {stop_hz:.0f} Hz"
                    await swept(bench, host, request, name, asks, NARROWER)

        asyncio.run(run())

    def test_takes_each_number_of_points_that_it_advertises(self, bench: Bench) -> None:
        """The fewest, the most, each allowed one; and more than the most in hops, or refused."""

        async def run() -> None:
            async with bench.opened() as host:
                can = capabilities_of(host)
                sizes = can.points_allowed or (can.points_min, can.points_max)
                for points in chosen(sorted(set(sizes))):
                    request = _of_points(bench.request, int(points))
                    asks = f"It takes {points} points, as capabilities() says."
                    sweep = await swept(bench, host, request, f"{points} points", asks, NARROWER)
                    must(
                        sweep is None or sweep.level.size == points,
                        asks,
                        f"it gave {sweep.level.size if sweep else 0}",
                        NARROWER,
                    )
                await _more_than_the_most(bench, host, max(sizes) + 1)

        asyncio.run(run())

    def test_takes_each_rbw_that_it_advertises(self, bench: Bench) -> None:
        """Each step, or the narrowest and the widest."""

        def values(can: Capabilities) -> list[Any]:
            ends = [one for one in (can.rbw_min_hz, can.rbw_max_hz) if one is not None]
            return sorted(can.rbw_steps_hz, reverse=True) or ends

        asyncio.run(_try_each(bench, "rbw_hz", values))

    def test_has_each_detector_that_it_advertises(self, bench: Bench) -> None:
        """All of them."""
        asyncio.run(_try_each(bench, "detector", lambda can: list(can.detectors)))

    def test_has_each_attenuation_that_it_advertises(self, bench: Bench) -> None:
        """From the most to the least: an input is never opened up at once."""

        def values(can: Capabilities) -> list[Any]:
            return sorted(can.attenuation_steps_db, reverse=True)

        asyncio.run(_try_each(bench, "attenuation_db", values))

    def test_averages_as_often_as_it_advertises(self, bench: Bench) -> None:
        """Once and most often; where that takes too long, as often as there is time."""

        async def run() -> None:
            async with bench.opened() as host:
                most = capabilities_of(host).averages_max
                with asking("estimate_s() answers for any averages.", SEE_THE_ERROR):
                    while most > 2:
                        request = replace(bench.request, averages=most)
                        estimate_s = await host.estimate_s(request)
                        if estimate_s is None or estimate_s <= bench.patience_s:
                            break
                        most //= 4
                for averages in sorted({1, most}):
                    await _try_one(bench, host, "averages", averages)

        asyncio.run(run())

    def test_its_source_goes_as_far_as_it_advertises(self, bench: Bench) -> None:
        """At its least level, at its lowest and highest frequency; never above what is allowed."""
        allowed = bench.source_request
        if allowed is None or allowed.level_dbm is None:
            skip(bench, "source", "this bench allows no source to be turned on")
        most_dbm: float = allowed.level_dbm

        async def run() -> None:
            async with bench.opened() as host:
                can = capabilities_of(host)
                must(
                    can.source,
                    "Capabilities.source says whether there is a source.",
                    "the bench has one, and it says that there is none",
                    "Set source=True.",
                )
                levels = [
                    one for one in (can.source_min_dbm, can.source_max_dbm) if one is not None
                ]
                tried = [level for level in levels if level <= most_dbm] or [most_dbm]
                if can.source_max_dbm is None:
                    bench.say("it does not say how strong its source is at most")
                elif can.source_max_dbm > most_dbm:
                    bench.say(
                        f"its source goes to {can.source_max_dbm:g} dBm; "
                        f"no more than the {most_dbm:g} dBm that are allowed was tried"
                    )
                for request, level_dbm in _source_sweeps(bench.request, can, tried):
                    asks = f"Its source is on at {level_dbm:g} dBm while a sweep asks for it."
                    await swept(bench, host, request, "the source", asks, NARROWER)

        asyncio.run(run())


def chosen(values: list[Any]) -> list[Any]:
    """At most TRIED_MOST of ``values``: both ends, and evenly between."""
    if len(values) <= TRIED_MOST:
        return values
    places = np.linspace(0, len(values) - 1, TRIED_MOST).round().astype(int)
    return [values[place] for place in places]


def _of_points(request: SweepRequest, points: int) -> SweepRequest:
    """``request`` with so many points: a single one has no span."""
    stop_hz = request.start_hz if points == 1 else request.stop_hz
    return replace(request, points=points, stop_hz=stop_hz)


async def _more_than_the_most(bench: Bench, host: SweeperHost, points: int) -> None:
    """The host takes them in hops on the exact grid, which an axis of the sweeper's own forbids."""
    if not host.is_open:
        await host.open()
    try:
        estimate_s = await host.estimate_s(replace(bench.request, points=points))
        if estimate_s is not None and estimate_s <= bench.patience_s:
            sweep = await host.sweep(replace(bench.request, points=points))
            assert sweep.level.size == points
    except (RequestRefused, SweepInvalid) as error:
        bench.say(f"more than {points - 1} points cannot be swept in hops: {error}")


async def _try_each(bench: Bench, name: str, values: Any) -> None:
    async with bench.opened() as host:
        for value in chosen(values(capabilities_of(host))):
            await _try_one(bench, host, name, value)


async def _try_one(bench: Bench, host: SweeperHost, name: str, value: Any) -> None:
    """A sweep with a setting that is advertised: it comes back, and with that setting."""
    request = replace(bench.request, **{name: value})
    what = shown_setting(name, value)
    asks = f"It has {what}, as capabilities() says."
    sweep = await swept(bench, host, request, what, asks, NARROWER)
    if sweep is not None and name in settings_that_differ(request, sweep.reported):
        broke(asks, f"it took {getattr(sweep.reported, name)}", NARROWER)


def _source_sweeps(
    request: SweepRequest, can: Capabilities, levels: list[float]
) -> list[tuple[SweepRequest, float]]:
    """Each level where the bench sweeps, and the least at either end of the source's range."""
    low_hz = max(can.start_hz, can.source_start_hz or can.start_hz)
    high_hz = min(can.stop_hz, can.source_stop_hz or can.stop_hz)
    span_hz = min(request.span_hz, high_hz - low_hz)
    in_range = low_hz <= request.start_hz and request.stop_hz <= high_hz
    here = request if in_range else replace(request, start_hz=low_hz, stop_hz=low_hz + span_hz)
    found = [(here, level) for level in levels]
    found += [
        (replace(request, start_hz=start_hz, stop_hz=start_hz + span_hz), min(levels))
        for start_hz in (low_hz, high_hz - span_hz)
    ]
    return [
        (replace(each, source=SourceRequest(on=True, level_dbm=level)), level)
        for each, level in found
    ]
