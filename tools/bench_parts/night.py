"""A night of a band job in an archive, as a station would have kept it: measured sweep by sweep by
the job's own meter, an hour a segment, merged in the morning. Made much faster than it would pass.

On a level floor of noise there is what a marine band has in a night: AIS bursts on both channels,
calls on channel 16 that move to working channels, and a weak carrier outside the plan.
"""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from acqd.archive.layout import list_days, list_files
from acqd.archive.writer import ArchiveWriter
from acqd.canonical import canonical_levels
from acqd.clock import SystemClock
from acqd.config.load import parse_config
from acqd.drivers.registry import load_drivers
from acqd.station.build import build
from acqd.station.job import JobRunner, Taken
from acqd.station.tell import Teller
from acqd.sweep import Capabilities, Detector, Identity, LevelUnit, Reported, Sweep, SweepRequest
from bench_parts.material import JOB, POINTS, RBW_HZ, START_HZ, STEP_DB, STOP_HZ, noise_dbm

__all__ = ["HOUR_SWEEPS", "KeptNight", "kept_night"]

START_S = 1_780_347_600.0
"""2026-06-01T21:00:00Z."""

HOUR_SWEEPS = 3600
TOGETHER = 50
SEAL_WITHIN_S = 120.0

AIS_HZ = (161.975e6, 162.025e6)
AIS_SHARE = 0.15
CALLING_HZ = 156.8e6
WORKING_HZ = (156.3e6, 156.375e6, 156.45e6, 156.625e6, 156.7e6)
CALLS_AN_HOUR = 8
CARRIER_HZ = 158.337e6

CONFIG = """
[station]
name = "bench"
title = "Bench"
archive = "{archive}"
time_zone = "Europe/London"

[mqtt]
broker = "none"

[sweeper.bench]
driver = "sim"
address = "sim:shack"
level_accuracy = "1.5 dB"

[job.marine-vhf]
kind = "band"
sweeper = "bench"
start = "156 MHz"
stop = "162.1 MHz"
points = 1001
rbw = "10 kHz"
detector = "rms"
when = {{ every = "1 s" }}
band = {{ channels = "marine-vhf", false_alarm = 1e-6, min_duration = "3 s" }}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptNight:
    """Where it is, from when to when, and how long it took to make."""

    root: Path
    start_s: float
    stop_s: float
    sweeps: int
    took_s: float

    def files(self) -> list[Path]:
        """With the sweeps, oldest first."""
        return [
            path for day in list_days(self.root, JOB) for path, _ in list_files(self.root, JOB, day)
        ]


def kept_night(folder: Path, *, sweeps: int) -> KeptNight:
    """Make a night of ``sweeps``, one a second."""
    began_s = time.monotonic()
    folder.mkdir(parents=True, exist_ok=True)
    root = folder / "archive"
    asyncio.run(_keep(folder, root, sweeps))
    return KeptNight(
        root=root,
        start_s=START_S,
        stop_s=START_S + sweeps,
        sweeps=sweeps,
        took_s=time.monotonic() - began_s,
    )


async def _keep(folder: Path, root: Path, sweeps: int) -> None:
    config = parse_config(CONFIG.format(archive=root), folder / "station.toml")
    (spec,) = build(config, load_drivers()).jobs
    clock = SystemClock()
    archive = ArchiveWriter.open(root, station="bench", run_id="bench", clock=clock)
    teller = Teller(
        station="bench",
        title="Bench",
        run_id="bench",
        clock=clock,
        topics_root="acqd",
        trace_points=512,
        sweepers=["bench"],
        drivers={"bench": "sim"},
        jobs=[JOB],
    )
    runner = JobRunner(
        spec,
        archive=archive,
        teller=teller,
        clock=clock,
        run_id="bench",
        state=spec.feed.start(),
    )
    archive.begin([spec.feed.checkpoint(JOB, runner.state, next_finding=1)])
    try:
        for at in range(0, sweeps, HOUR_SWEEPS):
            level = _levels(at, min(HOUR_SWEEPS, sweeps - at))
            for first in range(0, len(level), TOGETHER):
                rows = level[first : first + TOGETHER]
                await runner.keep([_taken(at + first + n, row) for n, row in enumerate(rows)])
            await runner.turn_hours(START_S + at + len(level))
            await _seal(archive, runner)
        archive.merge_due(START_S + 2 * 86_400.0).result()
    finally:
        archive.close((), seal=False)


async def _seal(archive: ArchiveWriter, runner: JobRunner) -> None:
    before = archive.statistics().sealed_journals
    point = runner.spec.feed.checkpoint(JOB, runner.state, next_finding=runner.last_finding + 1)
    archive.rotate([point]).result()
    runner.rekeep_setups()
    until_s = time.monotonic() + SEAL_WITHIN_S
    while archive.statistics().sealed_journals == before:
        problem = archive.statistics().problem
        if problem or time.monotonic() > until_s:
            raise RuntimeError(problem or f"nothing was sealed within {SEAL_WITHIN_S:g} s")
        await asyncio.sleep(0.01)


def _levels(at: int, count: int) -> NDArray[np.float64]:
    """(count, points) of noise with the signals of the sweeps from ``at`` on."""
    random = np.random.default_rng([at, 5])
    level = noise_dbm(count, POINTS, seed=at + 1)
    axis_hz = np.linspace(START_HZ, STOP_HZ, POINTS)
    for hz in AIS_HZ:
        _put(level, axis_hz, hz, np.flatnonzero(random.random(count) < AIS_SHARE), -75.0)
    for _ in range(max(1, round(CALLS_AN_HOUR * count / HOUR_SWEEPS))):
        from_row, long = int(random.integers(count)), int(random.integers(8, 20))
        _put(level, axis_hz, CALLING_HZ, _rows(from_row, long, count), -70.0)
        hz, longer = float(random.choice(WORKING_HZ)), int(random.integers(30, 120))
        _put(level, axis_hz, hz, _rows(from_row + long + 5, longer, count), -72.0)
    _put(level, axis_hz, CARRIER_HZ, _rows(0, count, count), -88.0)
    return np.asarray(np.round(level / STEP_DB) * STEP_DB)


def _rows(first: int, long: int, count: int) -> NDArray[np.intp]:
    return np.arange(min(first, count), min(first + long, count), dtype=np.intp)


def _put(
    level: NDArray[np.float64],
    axis_hz: NDArray[np.float64],
    hz: float,
    rows: NDArray[np.intp],
    dbm: float,
) -> None:
    """A steady signal behind a Gaussian filter, as far down as it matters."""
    shape = dbm - 3.0103 * (2.0 * (axis_hz - hz) / RBW_HZ) ** 2
    near = np.flatnonzero(shape > -120.0)
    cells = np.ix_(rows, near)
    level[cells] = 10.0 * np.log10(10.0 ** (level[cells] / 10.0) + 10.0 ** (shape[near] / 10.0))


def _taken(number: int, row: NDArray[np.float64]) -> Taken:
    at_s = START_S + number
    return Taken(
        sweep=Sweep(
            request=SweepRequest(
                start_hz=START_HZ,
                stop_hz=STOP_HZ,
                points=POINTS,
                rbw_hz=RBW_HZ,
                detector=Detector.RMS,
            ),
            reported=Reported(rbw_hz=RBW_HZ, detector=Detector.RMS, sweep_time_s=0.5),
            frequency_hz=np.linspace(START_HZ, STOP_HZ, POINTS),
            level=canonical_levels(row, STEP_DB),
            unit=LevelUnit.DBM,
            resolution=STEP_DB,
            started_s=at_s,
            monotonic_s=at_s - START_S,
            took_s=0.5,
            boot_id="bench",
            clock_synchronised=True,
            identity=Identity(maker="GANNET", model="BENCH", serial_number="B0001"),
        ),
        capabilities=Capabilities(start_hz=0.0, stop_hz=3e9),
        step=0,
        due_s=at_s,
        first_of_pass=True,
    )
