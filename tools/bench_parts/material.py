"""What is measured with: sweeps of noise, and a job that takes them through the station's own code.

The noise is what an analyser shows of Gaussian noise when it averages the power of eleven
independent readings in each point: a spread of 1.3 dB, quantised to 0.01 dB. Its floor is level, as
a flat floor wants it, or differs from frequency to frequency. With ``carriers`` two of them stand
in channels of the plan all the time.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.writer import ArchiveWriter
from acqd.chain import Chain, ChainPart, PartKind
from acqd.clock import SystemClock
from acqd.config.channels import load_channel_plan
from acqd.drivers.checks import check_trace
from acqd.drivers.contract import Trace
from acqd.measure.band import BandMeter, BandSettings, band_pass
from acqd.measure.channels import ChannelPlan
from acqd.plan.jobs import PlannedJob
from acqd.plan.schedule import Schedule
from acqd.publish.client import Publisher
from acqd.publish.settings import BrokerSettings, Endpoint
from acqd.station.feed import Feed
from acqd.station.job import JobRunner, JobSpec, Taken
from acqd.station.outbox import ArchiveOutbox
from acqd.station.setup import SetupFacts
from acqd.station.tell import Teller
from acqd.sweep import Capabilities, Detector, Identity, LevelUnit, Reported, Sweep, SweepRequest

__all__ = [
    "JOB",
    "POINTS",
    "STATION",
    "STEP_DB",
    "Material",
    "Running",
    "channel_plan",
    "noise_dbm",
    "running",
]

STATION = "bench"
JOB = "marine-vhf"
POINTS = 1001
STEP_DB = 0.01
AVERAGES = 11
START_HZ, STOP_HZ = 156.0e6, 162.1e6
RBW_HZ = 10e3
CARRIERS_HZ = (156.8e6, 161.975e6)
NOWHERE = Endpoint(host="127.0.0.1", port=1)
"""Where no broker is; a publisher that is not run never asks."""


def channel_plan() -> ChannelPlan:
    """The marine VHF plan that comes with acqd."""
    return load_channel_plan("marine-vhf", Path.cwd())


def noise_dbm(
    sweeps: int, points: int, *, seed: int = 1, shaped: bool = False
) -> NDArray[np.float64]:
    """(sweeps, points) of noise on whole steps of 0.01 dB; ``shaped`` on a floor over 4 dB."""
    random = np.random.default_rng(seed)
    floor = np.full(points, -100.0)
    if shaped:
        floor += 1.5 * np.sin(np.linspace(0.0, 9.0, points)) + np.linspace(0.0, 2.0, points)
    level = random.gamma(AVERAGES, 1.0 / AVERAGES, (sweeps, points))
    np.log10(level, out=level)
    level *= 10.0
    level += floor
    return np.round(level / STEP_DB) * STEP_DB


class Material:
    """Traces as a driver gives them, made beforehand, given out one after the other."""

    def __init__(self, *, points: int = POINTS, traces: int = 64, carriers: bool = False) -> None:
        self.request = SweepRequest(
            start_hz=START_HZ,
            stop_hz=STOP_HZ,
            points=points,
            rbw_hz=RBW_HZ,
            detector=Detector.RMS,
        )
        self.capabilities = Capabilities(
            start_hz=0.0,
            stop_hz=3e9,
            points_max=max(points, 1001),
            resolution=STEP_DB,
            level_accuracy_db=1.5,
            frequency_accuracy_ppm=2.0,
        )
        self.identity = Identity(maker="GANNET", model="BENCH", serial_number="B0001")
        level = noise_dbm(traces, points)
        if carriers:
            axis = self.request.frequencies_hz()
            for at_hz in CARRIERS_HZ:
                shape = -3.0 * ((axis - at_hz) / (RBW_HZ / 2)) ** 2
                level = np.maximum(level, np.round((-60.0 + shape) / STEP_DB) * STEP_DB)
        reported = Reported(rbw_hz=RBW_HZ, detector=Detector.RMS, sweep_time_s=0.02)
        self.traces = [
            Trace(level=row, unit=LevelUnit.DBM, reported=reported, resolution=STEP_DB)
            for row in level
        ]
        self._next = 0
        self._clock = SystemClock()

    def trace(self) -> Trace:
        """The next trace, unchecked."""
        self._next += 1
        return self.traces[self._next % len(self.traces)]

    def taken(self) -> Taken:
        """The next trace, checked and stamped as the sweeper's host does it."""
        trace = self.trace()
        checked = check_trace(trace, self.request, self.capabilities)
        clock, now_s = self._clock, self._clock.wall_s()
        sweep = Sweep(
            request=self.request,
            reported=trace.reported,
            frequency_hz=checked.frequency_hz,
            level=checked.level,
            unit=trace.unit,
            resolution=checked.resolution,
            started_s=now_s,
            monotonic_s=clock.monotonic_s(),
            took_s=0.0,
            boot_id=clock.boot_id,
            clock_synchronised=clock.synchronised(),
            identity=self.identity,
            flags=checked.flags,
        )
        return Taken(
            sweep=sweep,
            capabilities=self.capabilities,
            step=0,
            due_s=now_s,
            first_of_pass=True,
        )

    def spec(self) -> JobSpec:
        """The job, as a config would describe it."""
        settings = BandSettings(
            false_alarm=1e-6, min_duration_s=3.0, channels=channel_plan(), plane="the aerial socket"
        )
        meter = BandMeter(settings)
        cable = ChainPart(
            kind=PartKind.CABLE,
            name="12 m of coaxial cable",
            frequency_hz=(100e6, 200e6),
            gain_db=(-0.7, -1.1),
        )
        return JobSpec(
            name=JOB,
            kind="band",
            sweeper="bench",
            request=self.request,
            planned=PlannedJob(name=JOB, schedule=Schedule(back_to_back=True)),
            feed=Feed(meter=meter, version=meter.version, config=""),
            facts=SetupFacts(
                job=JOB,
                kind="band",
                sweeper="bench",
                plane="the aerial socket",
                config={},
                config_digest="",
                interval_s=None,
                chain=Chain((cable,)),
                level_accuracy_db=None,
                frequency_accuracy_ppm=None,
                detector=None,
                averages=None,
                software={},
            ),
            make_pass=band_pass,
            channel_keys={channel.name: channel.key for channel in channel_plan().channels},
        )


class Running:
    """One job on an archive of its own, with a publisher that is there and, unless asked, not run.

    ``committed_s`` holds, where ``watch`` was asked for, the time at which each sweep was on the
    disk, by its sequence number.
    """

    def __init__(
        self, folder: Path, material: Material, *, broker: Endpoint | None, watch: bool
    ) -> None:
        self.material = material
        self.committed_s: dict[int, float] = {}
        self.messages = 0
        """Live messages that were made, where no broker takes them."""
        self._sends = broker is not None
        clock = SystemClock()
        self.archive = ArchiveWriter.open(folder, station=STATION, run_id="bench", clock=clock)
        self.teller = Teller(
            station=STATION,
            title="Bench",
            run_id="bench",
            clock=clock,
            topics_root="acqd",
            trace_points=512,
            sweepers=["bench"],
            drivers={"bench": "bench"},
            jobs=[JOB],
        )
        settings = BrokerSettings(address=broker or NOWHERE)
        publisher = self.teller.connect(settings, ArchiveOutbox(self.archive, self.teller))
        assert publisher is not None
        self.publisher: Publisher = publisher
        self.archive.begin([])
        spec = material.spec()
        archive: Any = _Watched(self.archive, self.committed_s) if watch else self.archive
        self.job = JobRunner(
            spec,
            archive=archive,
            teller=self.teller,
            clock=clock,
            run_id="bench",
            state=spec.feed.start(),
        )

    async def keep(self, sweeps: int = 1) -> None:
        """Take, check, measure, commit and tell of ``sweeps`` sweeps in one pass."""
        await self.keep_taken([self.material.taken() for _ in range(sweeps)])

    async def keep_taken(self, taken: list[Taken]) -> None:
        """Measure, commit and tell of what was taken.

        Without a broker its messages are made all the same, as if one took each at once: at the
        next turn of the loop, so after this and beside what comes next, as a connection does it.
        """
        await self.job.keep(taken)
        if not self._sends:
            asyncio.get_running_loop().call_soon(self._take_messages)

    def _take_messages(self) -> None:
        while self.publisher.next_live() is not None:
            self.messages += 1


class _Watched:
    """The archive, with the time of each commit noted in the thread that made it."""

    def __init__(self, archive: ArchiveWriter, committed_s: dict[int, float]) -> None:
        self._archive = archive
        self._committed_s = committed_s

    def commit(self, batch: Any, **more: Any) -> Any:
        sequence = [sweep.seq for sweep in batch.sweeps]
        future = self._archive.commit(batch, **more)

        def note(_: object) -> None:
            now_s = time.monotonic()
            self._committed_s.update((seq, now_s) for seq in sequence)

        future.add_done_callback(note)
        return future


@asynccontextmanager
async def running(
    folder: Path,
    material: Material,
    *,
    broker: Endpoint | None = None,
    watch: bool = False,
) -> AsyncIterator[Running]:
    """A :class:`Running` job, closed at the end; what it wrote stays for who looks at it."""
    one = Running(folder, material, broker=broker, watch=watch)
    try:
        yield one
    finally:
        one.archive.close((), seal=False)
