"""Clocks that jump, hosts that sleep, boots without a date: in the station's process alone."""

from __future__ import annotations

import time
from collections.abc import Callable

from acqd.archive.reader import open_archive
from acqd.archive.records import SweepRecord
from faults_parts.bench import JOBS, FaultBench, NotHere
from faults_parts.registry import fault
from faults_parts.showing import ShownClock
from peers import wait_for

HOUR_S = 3600.0
LOST_S = 1_000_000.0
"""In January 1970: what a machine without a battery shows."""
TRUE_WITHIN_S = 0.5


def _clock(bench: FaultBench) -> ShownClock:
    if bench.clock is None:
        raise NotHere("no clock of its own")
    return bench.clock


def _noticed(bench: FaultBench, event: str) -> Callable[[], object]:
    """Waits until the station has logged one more of an event."""
    station = bench.start()
    before = sum(f'"event": "{event}"' in line for line in station.lines)
    return lambda: wait_for(
        f"the station to say {event}",
        lambda: station.logged(event, before + 1) or not station.is_up,
        said=bench.words,
    )


def _step(bench: FaultBench, by_s: float) -> None:
    _clock(bench).step(by_s, _noticed(bench, "clock_stepped"))


def _all_heard(bench: FaultBench) -> None:
    since = len(bench.record.heard)
    for job in JOBS:
        bench.until_heard(since, job=job.name)


@fault(
    "clock-seconds",
    "the wall clock is set forwards by some seconds, and back again",
    guarantees=("G5",),
    strikes="station clock",
    kit="clock",
    times=(1, 4),
)
def seconds(bench: FaultBench) -> None:
    by_s = bench.chance.uniform(1.5, 5.0)
    _step(bench, by_s)
    _all_heard(bench)
    _step(bench, -by_s)


@fault(
    "clock-seconds-back",
    "the wall clock is set back by some seconds, and forwards again",
    guarantees=("G5",),
    strikes="station clock",
    kit="clock",
    times=(0, 3),
)
def seconds_back(bench: FaultBench) -> None:
    by_s = bench.chance.uniform(1.5, 5.0)
    _step(bench, -by_s)
    bench.sleep(0.0, 3.0)
    _step(bench, by_s)


@fault(
    "clock-hours",
    "the wall clock is set forwards by an hour or two, and back again",
    guarantees=("G5",),
    strikes="station clock",
    kit="clock",
    times=(1, 3),
)
def hours(bench: FaultBench) -> None:
    by_s = bench.chance.uniform(0.5, 2.0) * HOUR_S
    _step(bench, by_s)
    _all_heard(bench)
    _step(bench, -by_s)


@fault(
    "clock-hours-back",
    "the wall clock is set back by an hour or two, and forwards again",
    guarantees=("G5",),
    strikes="station clock",
    kit="clock",
    times=(0, 3),
)
def hours_back(bench: FaultBench) -> None:
    by_s = bench.chance.uniform(0.5, 2.0) * HOUR_S
    _step(bench, -by_s)
    _all_heard(bench)
    _step(bench, by_s)


@fault(
    "host-asleep",
    "the machine is suspended for an hour, as its clocks tell when it is back",
    guarantees=("G5",),
    strikes="station clock",
    kit="clock",
    times=(1, 3),
)
def asleep(bench: FaultBench) -> None:
    by_s = bench.chance.uniform(0.5, 1.5) * HOUR_S
    _clock(bench).sleep(by_s, _noticed(bench, "host_slept"))
    _all_heard(bench)
    # The bench has not slept: its clock is what the station's is compared with.
    _step(bench, -by_s)


@fault(
    "cold-boot",
    "the power fails, the machine starts with a date of 1970, and its clock is set right later",
    guarantees=("G1", "G5"),
    strikes="station clock",
    kit="clock",
    times=(1, 3),
)
def cold_boot(bench: FaultBench) -> None:
    clock = _clock(bench)
    bench.kill()
    bench.sleep(0.0, 1.0)

    def start() -> None:
        bench.first = f"{bench.plain_first}\n{clock.first}"
        bench.start()
        _all_heard(bench)

    # No two show the same time: which of them a sweep is of would not be known from its label.
    clock.cold_boot(LOST_S + 86_400.0 * clock.boots + bench.chance.uniform(0.0, HOUR_S), start)
    bench.sleep(0.5, 2.0)
    corrected = _noticed(bench, "clock_corrected")
    clock.set_right(_noticed(bench, "clock_stepped"))
    bench.sleep(0.0, 1.0)
    clock.say(synchronised=True)
    corrected()
    bench.wrong += _true(bench, clock.boot)


def _true(bench: FaultBench, boot: str) -> list[str]:
    """Sweeps of a boot are read at the times at which they were taken, whatever it showed."""
    true_off_s = time.time() - time.monotonic()
    wrong = []
    with open_archive(bench.archive) as archive:
        for job in JOBS:
            of_boot = [
                one
                for one in archive.events(job.name)
                if isinstance(one, SweepRecord) and one.boot_id == boot
            ]
            off_s = [abs(one.started_s - (one.monotonic_s + true_off_s)) for one in of_boot]
            if not off_s:
                wrong.append(f"{job.name}: no sweep of the cold boot is there")
            elif max(off_s) > TRUE_WITHIN_S:
                wrong.append(f"{job.name}: a sweep of the cold boot is {max(off_s):.1f} s off")
    return wrong
