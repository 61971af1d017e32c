"""A bench for a driver that nobody has written one for: from its address and what it says."""

from __future__ import annotations

import asyncio
import contextlib
import shlex
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import pytest

from acqd.drivers.host import Opened, SweeperHost
from acqd.errors import SweeperError
from acqd.sweep import Capabilities, SourceRequest, SweepRequest
from acqd.testing.bench import Bench
from acqd.testing.relay import Relay, relay_for
from acqd.testing.suite.summary import HAS_NONE
from acqd.testing.suite.told import Told

__all__ = ["AtBench", "at_bench", "ordinary_request"]

POINTS: Final = 201
SPAN_LEAST_HZ: Final = 1e6
SPAN_SHARE: Final = 0.01
SLOW_S: Final = (1.0, 60.0)
QUICK_S: Final = 2.0
COMMAND_LIMIT_S: Final = 30.0

RELAYED: Final = (
    "a relay does it for tcp:// addresses and for pseudo-terminals, unless --no-relay is given"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AtBench:
    """A bench for all tests, and who stands on it."""

    bench: Bench
    who: str
    remarks: tuple[str, ...] = ()


@contextlib.contextmanager
def at_bench(told: Told) -> Iterator[AtBench]:
    """Opens the sweeper once to learn what it can do. Ends pytest where it cannot be opened."""
    try:
        relay = relay_for(told.address, told.options) if told.relay else None
    except (SweeperError, OSError) as error:
        pytest.exit(f"{error}; nothing was tested", returncode=pytest.ExitCode.USAGE_ERROR)
    try:
        yield _made(told, relay)
    finally:
        if relay is not None:
            relay.close()


def _made(told: Told, relay: Relay | None) -> AtBench:
    bench = Bench(
        driver=told.entry.factory(),
        address=told.address if relay is None else relay.address,
        request=SweepRequest(start_hz=0.0, stop_hz=1.0, points=2),
        options=told.options,
        deadline_s=told.deadline_s,
        patience_s=told.patience_s,
        sweeps=told.sweeps,
        endurance_s=told.endurance_s,
        levels_vary=told.levels_vary,
        isolation=told.isolation,
    )
    if relay is not None:
        bench = replace(bench, hold=relay.hold, release=relay.release)
        bench = replace(bench, unplug=relay.unplug, replug=relay.replug)
    if told.unplug_by is not None:
        command = told.unplug_by
        bench = replace(
            bench, unplug=lambda: _ran(command, "off"), replug=lambda: _ran(command, "on")
        )
    try:
        return asyncio.run(_looked_at(told, bench))
    except SweeperError as error:
        trace = "".join(getattr(error, "__notes__", ()))
        where = f"{told.entry.name} at {told.address}"
        pytest.exit(
            f"{where} cannot be opened: {type(error).__name__}: {error}; nothing was tested"
            + (f"\n{trace}" if trace else ""),
            returncode=pytest.ExitCode.TESTS_FAILED,
        )


async def _looked_at(told: Told, bench: Bench) -> AtBench:
    """The bench with its requests, from what the sweeper says of itself."""
    host = bench.host()
    opened = await host.open()
    remarks = []
    try:
        request = ordinary_request(told, opened.capabilities)
        estimate_s = await host.estimate_s(request)
        if estimate_s is not None and estimate_s > QUICK_S:
            remarks.append(
                f"an ordinary sweep takes {estimate_s:.3g} s here; --start, --stop and --points "
                f"can make it quicker"
            )
        slow = None if bench.hold else await _slow_request(host, request)
    finally:
        await host.close()
    bench = replace(bench, request=request, slow_request=slow)
    bench = _with_source(told, bench, opened.capabilities)
    return AtBench(
        bench=replace(bench, why_not=_why_not(opened)),
        who=f"the driver {told.entry.name} of {told.entry.distribution} {told.entry.version} at "
        f"{told.address} ({opened.identity})",
        remarks=tuple(remarks),
    )


def ordinary_request(told: Told, can: Capabilities) -> SweepRequest:
    """The sweep that the command line names; else a hundredth of the range, from its middle."""
    width_hz = can.stop_hz - can.start_hz
    span_hz = min(width_hz, max(SPAN_LEAST_HZ, SPAN_SHARE * width_hz))
    middle_hz = can.start_hz + width_hz / 2
    start_hz, stop_hz = middle_hz - span_hz / 2, middle_hz + span_hz / 2
    if told.start_hz is not None and told.stop_hz is not None:
        start_hz, stop_hz = told.start_hz, told.stop_hz
    points = max(can.points_min, min(told.points or POINTS, can.points_max))
    if can.points_allowed and told.points is None:
        points = min(can.points_allowed, key=lambda one: abs(one - POINTS))
    return SweepRequest(
        start_hz=max(start_hz, 0.0), stop_hz=stop_hz, points=points, rbw_hz=told.rbw_hz
    )


async def _slow_request(host: SweeperHost, request: SweepRequest) -> SweepRequest | None:
    """A sweep of a second or more by the driver's own estimate, where it has one and tells."""
    least_s, most_s = SLOW_S
    time_s = 2.0
    for _ in range(3):
        slow = replace(request, sweep_time_s=time_s)
        try:
            estimate_s = await host.estimate_s(slow)
        except SweeperError:
            if not host.is_open:
                await host.open()
            return None
        if estimate_s is None or estimate_s <= 0.0:
            return None
        if least_s <= estimate_s <= most_s:
            return slow
        # It runs on a time of its own, or takes several sweeps.
        time_s *= 2.0 / estimate_s
    return None


def _with_source(told: Told, bench: Bench, can: Capabilities) -> Bench:
    seen_by = told.source_seen_by
    if told.source_dbm is None or not can.source:
        return bench
    level = told.source_dbm if can.source_max_dbm is None else can.source_max_dbm
    least = can.source_min_dbm if can.source_min_dbm is not None else told.source_dbm
    if least > told.source_dbm:
        pytest.exit(
            f"--source-dbm {told.source_dbm:g} is below the {least:g} dBm that its source has at "
            f"least; nothing was tested",
            returncode=pytest.ExitCode.USAGE_ERROR,
        )
    wanted = SourceRequest(on=True, level_dbm=min(told.source_dbm, level))
    bench = replace(bench, source_request=wanted)
    if seen_by is None:
        return bench
    return replace(bench, source_is_on=lambda: _is_on(seen_by))


def _why_not(opened: Opened) -> dict[str, str]:
    source = (
        "--source-dbm LEVEL allows it, into a load or an input that stands it"
        if opened.capabilities.source
        else HAS_NONE
    )
    return {
        "unplug": f"{RELAYED}; else --unplug-by COMMAND",
        "hold": RELAYED,
        "slow": f"it takes no sweep_time_s, or makes no estimate; {RELAYED}",
        "source": source,
        "source seen": "--source-seen-by COMMAND looks at it",
    }


def _ran(command: str, word: str) -> None:
    _output(command, word)


def _is_on(command: str) -> bool:
    said = _output(command).strip().lower()
    if said not in ("on", "off"):
        pytest.fail(f"--source-seen-by {command}: printed {said!r:.60}, expected on or off", False)
    return said == "on"


def _output(command: str, *words: str) -> str:
    """What the user's command prints; its failing fails the check, with what it says."""
    try:
        done = subprocess.run(
            [*shlex.split(command), *words],
            capture_output=True,
            text=True,
            timeout=COMMAND_LIMIT_S,
            check=False,
        )
    except (OSError, ValueError, subprocess.TimeoutExpired) as error:
        pytest.fail(f"{command} {' '.join(words)}: {error}", pytrace=False)
    if done.returncode:
        said = (done.stderr or done.stdout).strip() or "nothing"
        pytest.fail(f"{command} {' '.join(words)}: exit code {done.returncode}, said {said}", False)
    return done.stdout
