"""That a sweep is the one asked for: its points, settings, levels and time."""

from __future__ import annotations

import asyncio
import math
import time
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from acqd.drivers.checks import settings_that_differ
from acqd.drivers.host import SweeperHost
from acqd.errors import RequestRefused, SweeperError
from acqd.sweep import Capabilities, LevelUnit, Sweep, SweepFlag, SweepRequest
from acqd.testing.bench import SEE_THE_ERROR, Bench, asking, broke, capabilities_of, must, swept

__all__ = ["SweepChecks", "advertised_values", "shown_setting"]

COMES_BACK: Final = "A sweep within the limits comes back."
WITHIN: Final = "Sweep it, or state a limit in capabilities() that keeps such requests away."

ESTIMATE_FAR: Final = (30.0, 10.0)
"""An estimate beyond so many times what the sweep took, and so many seconds more, is no estimate: a
driver that hangs would hold the sweeper for three times as long."""

SANE: Final = {LevelUnit.DBM: (-200.0, 40.0), LevelUnit.DBUV: (-93.0, 147.0)}
"""Where the median of a sweep lies on any input that a sweeper survives."""

STEP_TOLERANCE: Final = 0.02
VALUES_FOR_STEP: Final = 20
"""So many different levels say what step they lie on; fewer may lie on a coarser one by chance."""

CLOCK_OFF_S: Final = 60.0


class SweepChecks:
    """What comes back from sweep()."""

    def test_a_sweep_is_the_one_asked_for(self, bench: Bench) -> None:
        """Points, range and unit are as asked, nearly all levels are numbers, times are stamped."""

        async def run() -> None:
            async with bench.opened() as host:
                before_s = time.time()
                with asking(COMES_BACK, SEE_THE_ERROR):
                    sweep = await host.sweep(bench.request)
                capabilities = capabilities_of(host)
                assert sweep.request == bench.request
                assert sweep.unit is capabilities.unit
                share = float(np.isfinite(sweep.level).mean())
                must(
                    share > 0.5,
                    "Nearly all levels of an ordinary sweep are numbers.",
                    f"{1 - share:.0%} of the levels are not",
                    "Look at how the answer is decoded: byte order, scale, separators.",
                )
                assert before_s - 0.001 <= sweep.started_s <= time.time() + 0.001
                assert sweep.took_s >= 0.0
                assert not sweep.flags & SweepFlag.HOP_FAILED

        asyncio.run(run())

    def test_goes_back_and_forth_between_requests(self, bench: Bench) -> None:
        """Another job's sweep between two of ours does not change ours."""
        other = replace(
            bench.request,
            stop_hz=bench.request.start_hz + bench.request.span_hz / 2,
        )

        async def run() -> None:
            async with bench.opened() as host:
                with asking(COMES_BACK, SEE_THE_ERROR):
                    sweeps = [
                        await host.sweep(each) for each in (bench.request, other, bench.request)
                    ]
            axes = [sweep.frequency_hz for sweep in sweeps]
            asks = "A sweep is that of its own request, whatever was swept before."
            must(
                np.array_equal(axes[0], axes[2]) and axes[1].max() < axes[0].max(),
                asks,
                f"ranges ended at {', '.join(f'{axis.max():.0f}' for axis in axes)} Hz, where "
                f"{bench.request.stop_hz:.0f} Hz, {other.stop_hz:.0f} Hz and the first again were "
                f"asked for",
                "Send every setting that may differ from the sweep before.",
            )
            reports = [replace(sweeps[place].reported, assumed=()) for place in (0, 2)]
            must(
                reports[0] == reports[1],
                asks,
                f"it reported {reports[0]}, and after another sweep {reports[1]}",
                "Set anew, and read back anew, what the sweep between may have changed.",
            )

        asyncio.run(run())

    def test_an_estimate_is_a_time_or_none(self, bench: Bench) -> None:
        """estimate_s is None or a time in seconds that is not far off, and no sweep exceeds it."""

        async def run() -> None:
            async with bench.opened() as host:
                with asking("estimate_s() answers, and does no harm to the sweep.", SEE_THE_ERROR):
                    estimate_s = await host.estimate_s(bench.request)
                    await host.sweep(bench.request)
                    sweep = await host.sweep(bench.request)
            if estimate_s is None:
                bench.say("it makes no estimate: a sweep may take as long as the config's deadline")
                return
            asks = "estimate_s() says how long a sweep takes; the host gives up at three times it."
            did = f"it estimated {estimate_s:.3g} s, and the sweep took {sweep.took_s:.3g} s"
            must(
                sweep.took_s <= 3 * estimate_s + 2.0,
                asks,
                did,
                "Estimate more, or return None where nobody can say.",
            )
            times, seconds = ESTIMATE_FAR
            must(
                estimate_s <= times * sweep.took_s + seconds,
                asks,
                did,
                "Estimate less: a sweeper that hangs is held for three times the estimate.",
            )

        asyncio.run(run())

    def test_levels_are_sane(self, bench: Bench) -> None:
        """Levels lie where levels can be, differ from point to point and from sweep to sweep."""

        async def run() -> None:
            async with bench.opened() as host:
                with asking(COMES_BACK, SEE_THE_ERROR):
                    sweeps = [await host.sweep(bench.request) for _ in range(4)]
            first = sweeps[0]
            low, high = SANE.get(first.unit, (-math.inf, math.inf))
            median = float(np.nanmedian(np.abs(first.level) if _is_complex(first) else first.level))
            must(
                low <= median <= high,
                f"Levels are what arrives at the input, in {first.unit}.",
                f"the median level is {median:.4g} {first.unit}",
                "Look at scale, offset and unit of the answer.",
            )
            must(
                first.level.size < 3 or np.unique(first.level).size > 1,
                "Levels are what was swept.",
                f"all {first.level.size} levels are {first.level[0]:.6g} {first.unit}",
                "Read the trace after the sweep is done, and from the right place.",
            )
            repeated = [bool(sweep.flags & SweepFlag.REPEATED) for sweep in sweeps[1:]]
            must(
                not all(repeated) or not bench.levels_vary,
                "Each call of sweep() takes a sweep; noise is never the same twice.",
                "four sweeps in a row were the same, bit for bit",
                "Start a new sweep in each call, and wait for its end before reading the trace.",
            )

        asyncio.run(run())

    def test_levels_lie_on_the_step_that_it_states(self, bench: Bench) -> None:
        """Where a resolution is stated, levels are whole multiples of it and of nothing coarser."""

        async def run() -> None:
            async with bench.opened() as host:
                with asking(COMES_BACK, SEE_THE_ERROR):
                    sweeps = [await host.sweep(bench.request) for _ in range(3)]
            step = sweeps[0].resolution
            if step is None or _is_complex(sweeps[0]):
                return
            level = np.concatenate([np.asarray(sweep.level, np.float64) for sweep in sweeps])
            codes = level[np.isfinite(level)] / step
            off = np.abs(codes - np.round(codes))
            asks = "resolution is the step of the levels: the archive keeps them as whole numbers."
            must(
                bool((off < STEP_TOLERANCE).all()),
                asks,
                f"it states {step:g}, and {level[np.isfinite(level)][int(off.argmax())]:.6f} is no "
                f"multiple of it",
                "State the true step, or None where there is none.",
            )
            whole = np.round(codes).astype(np.int64)
            common = int(np.gcd.reduce(whole)) if whole.size else 1
            must(
                common <= 1 or np.unique(whole).size < VALUES_FOR_STEP,
                asks,
                f"it states {step:g}, and all levels lie on steps of {common * step:g}",
                f"State {common * step:g}.",
            )

        asyncio.run(run())

    def test_says_when_it_swept_where_it_says_so(self, bench: Bench) -> None:
        """gives_time is true just where traces carry the sweeper's own time."""

        async def run() -> None:
            async with bench.opened() as host:
                with asking(COMES_BACK, SEE_THE_ERROR):
                    sweep = await host.sweep(bench.request)
                promised = capabilities_of(host).gives_time
            has = sweep.sweeper_time_s is not None
            must(
                has == promised,
                "gives_time says whether a sweep carries the sweeper's own time.",
                f"gives_time is {promised}, and the trace has {'one' if has else 'none'}",
                "Set gives_time, or sweeper_time_s, so that the two agree.",
            )
            if sweep.sweeper_time_s is not None:
                off_s = sweep.sweeper_time_s - sweep.started_s
                if abs(off_s) > CLOCK_OFF_S:
                    bench.say(f"its clock is {off_s:+.0f} s off that of this machine")

        asyncio.run(run())

    def test_what_was_set_is_what_it_reports(self, bench: Bench) -> None:
        """Each setting that it advertises is taken, and comes back reported, or as a difference."""

        async def run() -> None:
            async with bench.opened() as host:
                offered = advertised_values(capabilities_of(host))
                for name, values in offered.items():
                    medians = await _set_and_read(bench, host, name, values)
                    _say_if_deaf(bench, name, medians)
                await _say_what_is_ignored(bench, host, offered)

        asyncio.run(run())


def advertised_values(capabilities: Capabilities) -> dict[str, list[Any]]:
    """Up to three values of each setting that a sweeper says it has, by name of the setting."""
    rbw_hz = list(capabilities.rbw_steps_hz) or [
        one for one in (capabilities.rbw_min_hz, capabilities.rbw_max_hz) if one is not None
    ]
    found: dict[str, list[Any]] = {
        "rbw_hz": _three(sorted(rbw_hz)),
        "detector": list(capabilities.detectors[:3]),
        "attenuation_db": _three(sorted(capabilities.attenuation_steps_db)),
        "averages": [2] if capabilities.averages_max >= 2 else [],
    }
    return {name: values for name, values in found.items() if values}


def shown_setting(name: str, value: Any) -> str:
    """As a check calls a setting: ``rbw_hz 10000``."""
    return f"{name} {value:.10g}" if isinstance(value, float) else f"{name} {value}"


def _three(values: list[float]) -> list[float]:
    """The last two and the middle, without doubles: the first may be too slow for a check."""
    chosen = {values[-1], values[-2], values[len(values) // 2]} if len(values) > 1 else set(values)
    return sorted(chosen, reverse=True)


async def _set_and_read(
    bench: Bench, host: SweeperHost, name: str, values: list[Any]
) -> dict[Any, float]:
    """Take a sweep with each of ``values``; the median level of each, where it is a number."""
    medians: dict[Any, float] = {}
    reported: set[Any] = set()
    for value in values:
        request = replace(bench.request, **{name: value})
        asks = f"What is asked for ({shown_setting(name, value)}) is set, and reported as it is."
        sweep = await swept(bench, host, request, shown_setting(name, value), asks, WITHIN)
        if sweep is None:
            continue
        got = getattr(sweep.reported, name)
        must(
            got is not None,
            asks,
            f"{shown_setting(name, value)} was asked for, and the trace reports none",
            f"Read it back, or report what was set and name {name} in Reported.assumed.",
        )
        differs = name in settings_that_differ(request, sweep.reported)
        if differs and not sweep.flags & SweepFlag.SETTINGS_DIFFER:
            broke(asks, f"{value} became {got} and nobody said so", "Report what was read back.")
        reported.add(got)
        if not _is_complex(sweep):
            medians[value] = float(np.nanmedian(sweep.level))
    must(
        len(reported) > 1 or len(medians) < 2,
        "What is asked for is set, and reported as it is.",
        f"{name} was asked to be {', '.join(map(str, medians))}, and was reported as "
        f"{', '.join(map(str, reported))} each time",
        f"Set {name} before the sweep, or advertise only what the sweeper has.",
    )
    return medians


def _say_if_deaf(bench: Bench, name: str, medians: dict[Any, float]) -> None:
    """Noise rises by 10 dB for ten times the RBW; where it does not, a reader should look."""
    if name != "rbw_hz" or len(medians) < 2:
        return
    narrow, wide = min(medians), max(medians)
    if wide / narrow >= 10 and abs(medians[wide] - medians[narrow]) < 1.0:
        bench.say(
            f"the median level hardly differs between an RBW of {narrow:g} Hz and one of "
            f"{wide:g} Hz; noise would: is it really set?"
        )


async def _say_what_is_ignored(
    bench: Bench, host: SweeperHost, offered: dict[str, list[Any]]
) -> None:
    """Settings that it does not advertise: refused is best, reported is good, silence is said."""
    asked: dict[str, Any] = {"rbw_hz": 10e3, "attenuation_db": 10.0, "sweep_time_s": 0.1}
    ignored = []
    for name, value in asked.items():
        if name in offered:
            continue
        request: SweepRequest = replace(bench.request, **{name: value})
        try:
            if not host.is_open:
                await host.open()
            sweep = await host.sweep(request)
        except RequestRefused:
            continue
        except SweeperError:
            continue  # said elsewhere, or a fact of this sweeper
        if getattr(sweep.reported, name) is None:
            ignored.append(name)
    if ignored:
        bench.say(
            f"a wish for {' or '.join(ignored)} is passed over in silence; raise RequestRefused, "
            f"or report what was taken"
        )


def _is_complex(sweep: Sweep) -> bool:
    level: NDArray[Any] = sweep.level
    return level.dtype.kind == "c"
