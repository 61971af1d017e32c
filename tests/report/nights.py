"""Nights at an invented lookout whose every level is known: a band job of the station's own, fed
with sweeps that are made here, committed to a real archive.

What a report says of them can be worked out again from the same levels with plain numpy.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from acqd.archive.layout import ledger_path
from acqd.archive.ledger import Ledger
from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import GapRecord
from acqd.archive.writer import ArchiveWriter
from acqd.config.load import parse_config
from acqd.drivers.registry import load_drivers
from acqd.plan.downtime import plan_to_json
from acqd.report.source import JobSource
from acqd.station.build import build
from acqd.station.job import JobRunner, Taken
from acqd.station.tell import Teller
from acqd.sweep import Capabilities, Identity, LevelUnit, Reported, Sweep, SweepFlag, SweepRequest

START_S = 1_780_347_600.0
"""2026-06-01T21:00:00Z, 22:00 at the lookout."""
ZONE = "Europe/London"
BOOT = "00000000-0000-4000-8000-000000000000"
POINTS = 201
START_HZ, STOP_HZ = 156.6e6, 157.0e6

CHANNELS = """\
title = "Three channels"
edition = "made for this"
source = "made for this"

[[channel]]
name = "12"
centre = "156.7 MHz"
width = "25 kHz"

[[channel]]
name = "16"
centre = "156.8 MHz"
width = "25 kHz"

[[channel]]
name = "67"
centre = "156.9 MHz"
width = "25 kHz"
"""

STATION = """\
[station]
name = "gannet-ledge"
title = "Gannet Ledge Lookout"
archive = "archive"
keep_free = "1 MB"
time_zone = "Europe/London"

[mqtt]
broker = "none"

[sweeper.mast]
driver = "sim"
address = "sim:mast"
level_accuracy = "1.5 dB"
options = {{ scene = "none.toml" }}

[chain.aerial]
title = "the aerial socket"

[[chain.aerial.part]]
kind = "cable"
name = "lead-in"
loss = "2 dB"
uncertainty = "0.3 dB"

[job.{name}]
kind = "band"
sweeper = "mast"
chain = "aerial"
start = "156.6 MHz"
stop = "157 MHz"
points = 201
rbw = "3 kHz"
when = {when}

[job.{name}.band]
{band}
"""

BAND = """\
false_alarm = 1e-7
channels = "channels.toml"
"""


class Stopped:
    """A clock that is put."""

    boot_id = BOOT

    def __init__(self, at_s: float) -> None:
        self.at_s = at_s

    def wall_s(self) -> float:
        return self.at_s

    monotonic_s = boottime_s = steady_s = wall_s

    def synchronised(self) -> bool | None:
        return True


@dataclass
class Kept:
    """One sweep as it went in: levels at the input."""

    at_s: float
    level: np.ndarray[Any, Any]
    flags: SweepFlag


@dataclass
class Night:
    """One band job. ``rng`` makes its noise; what was kept is in ``kept``, in order."""

    folder: Path
    name: str = "marine-vhf"
    every_s: float = 10.0
    band: str = BAND
    when: str = '{ every = "10 s" }'
    start_s: float = START_S
    points: int = POINTS
    kept: list[Kept] = field(default_factory=list)
    step: float = 0.01
    channels: str = CHANNELS
    burst: int = 1
    """Sweeps of a pass, a second apart; due times are those of passes."""
    sweep_s: float | None = 0.5
    """How long a sweep takes; None: nobody says, and nobody timed it, as in some logs."""
    noise_bandwidth_ratio: float | None = None

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / "channels.toml").write_text(self.channels)
        text = STATION.format(name=self.name, band=self.band, when=self.when)
        config = parse_config(text, self.folder / "station.toml")
        self.built = build(config, load_drivers())
        (self.spec,) = self.built.jobs
        self.rng = np.random.default_rng(7)
        self.axis_hz = np.linspace(START_HZ, STOP_HZ, self.points)
        self.clock = Stopped(self.start_s)

    # -- levels ----------------------------------------------------------------------------------

    def noise(self, *, floor_dbm: float = -110.0, averages: int = 10) -> np.ndarray[Any, Any]:
        """Noise of so many averaged samples a point, in steps of the sweeper, as float32."""
        power = self.rng.gamma(averages, 1.0 / averages, self.points)
        level = floor_dbm + 10.0 * np.log10(power)
        return self.stepped(level)

    def stepped(self, level: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        return np.asarray(np.rint(level / self.step) * self.step, dtype=np.float32)

    def with_carrier(
        self, level: np.ndarray[Any, Any], hz: float, dbm: float
    ) -> np.ndarray[Any, Any]:
        """A carrier behind the Gaussian 3 kHz filter put onto ``level``."""
        away = 2.0 * (self.axis_hz - hz) / 3e3
        skirt = dbm - 3.0103 * away**2
        return self.stepped(10.0 * np.log10(10.0 ** (level / 10.0) + 10.0 ** (skirt / 10.0)))

    # -- running ---------------------------------------------------------------------------------

    def run(
        self,
        count: int,
        make: Callable[[int], np.ndarray[Any, Any] | None],
        *,
        flags: Callable[[int], SweepFlag] = lambda number: SweepFlag(0),
        reason: str = "sweeper lost",
        seal: bool = True,
        plan: bool = True,
        axis_hz: Callable[[int], np.ndarray[Any, Any]] | None = None,
        gap: tuple[float, float, int] | None = None,
    ) -> Night:
        """``count`` due times; ``make`` gives the levels of each, None where it is missed.

        Args:
            gap: first and last due time and count of a gap before all that.
            seal: into files; else all stays in the journal.
        """
        asyncio.run(self._run(count, make, flags, reason, seal, axis_hz, gap))
        if plan:
            self.plan()
        return self

    async def _run(
        self, count: int, make: Any, flags: Any, reason: str, seal: bool, axis_hz: Any, gap: Any
    ) -> None:
        writer = self.writer()
        runner = self.runner(writer)
        writer.begin([self.spec.feed.checkpoint(self.name, runner.state, next_finding=1)])
        waiting: list[Taken] = []
        missed: list[float] = []
        try:
            if gap is not None:
                await runner.gap(self._gap([gap[0], gap[1]], reason, gap[2]))
            for number in range(count):
                due_s = self.start_s + number // self.burst * self.every_s
                at_s = due_s + number % self.burst
                self.clock.at_s = at_s
                level = make(number)
                if level is None:
                    if waiting:
                        await runner.keep(waiting)
                        waiting = []
                    missed.append(due_s)
                    continue
                if missed:
                    await runner.gap(self._gap(missed, reason, len(missed)))
                    missed = []
                axis = self.axis_hz if axis_hz is None else axis_hz(number)
                taken = self._taken(at_s, level, flags(number), axis)
                first = number % self.burst == 0
                waiting.append(replace(taken, due_s=due_s, first_of_pass=first))
                # The station turns an hour before what comes after it.
                if len(waiting) == 40 or (at_s + self.every_s) % 3600.0 < self.every_s:
                    await runner.keep(waiting)
                    waiting = []
            if waiting:
                await runner.keep(waiting)
            if missed:
                await runner.gap(self._gap(missed, reason, len(missed)))
            await runner.turn_hours(self.start_s + count // self.burst * self.every_s)
            await runner.settled(30.0)
        finally:
            last = self.spec.feed.checkpoint(
                self.name, runner.state, next_finding=runner.last_finding + 1
            )
            writer.close([last] if seal else (), seal=seal, within_s=20.0)

    def _gap(self, due: list[float], reason: str, count: int) -> GapRecord:
        return GapRecord(
            job=self.name, from_s=due[0], to_s=due[-1], count=count, reason=reason, detail=""
        )

    def _taken(
        self, at_s: float, level: np.ndarray[Any, Any], flags: SweepFlag, axis: Any
    ) -> Taken:
        if not np.isfinite(level).all():
            flags |= SweepFlag.NOT_FINITE
        self.kept.append(Kept(at_s=at_s, level=level, flags=flags))
        return Taken(
            sweep=Sweep(
                request=SweepRequest(
                    start_hz=START_HZ, stop_hz=STOP_HZ, points=self.points, rbw_hz=3e3
                ),
                reported=Reported(rbw_hz=3e3, sweep_time_s=self.sweep_s),
                frequency_hz=axis,
                level=level,
                unit=LevelUnit.DBM,
                resolution=self.step,
                started_s=at_s,
                monotonic_s=at_s,
                took_s=self.sweep_s or 0.0,
                boot_id=BOOT,
                clock_synchronised=True,
                identity=Identity(maker="GANNET", model="LOOKOUT 1", serial_number="GL0017"),
                flags=flags,
            ),
            capabilities=Capabilities(
                start_hz=1e5, stop_hz=1e9, noise_bandwidth_ratio=self.noise_bandwidth_ratio
            ),
            step=0,
            due_s=at_s,
            first_of_pass=True,
        )

    def writer(self) -> ArchiveWriter:
        return ArchiveWriter.open(
            self.folder / "archive",
            station="gannet-ledge",
            run_id="run",
            clock=self.clock,
            keep_free_bytes=1 << 20,
            software={},
        )  # fmt: skip (a line a setting)

    def runner(self, writer: ArchiveWriter) -> JobRunner:
        teller = Teller(
            station="gannet-ledge",
            title="",
            run_id="run",
            clock=self.clock,
            topics_root="acqd",
            trace_points=100,
            sweepers=["mast"],
            drivers={},
            jobs=[self.name],
        )  # fmt: skip (a line a setting)
        return JobRunner(
            self.spec,
            archive=writer,
            teller=teller,
            clock=self.clock,
            run_id="run",
            state=self.spec.feed.start(),
        )  # fmt: skip (a line a setting)

    # -- what people say later -------------------------------------------------------------------

    def plan(self, **station: str) -> None:
        """Keep the plan as a station does at its start."""
        told = {"name": "gannet-ledge", "title": "Gannet Ledge Lookout", "time_zone": ZONE}
        ledger = Ledger(ledger_path(self.folder / "archive"))
        text = plan_to_json([self.spec.planned], self.start_s, station=told | station)
        ledger.add_plan(text, self.start_s)
        ledger.close()

    def note(self, at_s: float, text: str, who: str = "Ada") -> None:
        ledger = Ledger(ledger_path(self.folder / "archive"))
        ledger.add_overlay(
            "note", job=self.name, from_s=at_s, to_s=None, body={"text": text}, who=who, at_s=at_s
        )
        ledger.close()

    # -- what came of it -------------------------------------------------------------------------

    @property
    def root(self) -> Path:
        return self.folder / "archive"

    @property
    def archive(self) -> Archive:
        return open_archive(self.root)

    def source(self, start_s: float | None = None, stop_s: float | None = None) -> JobSource:
        end_s = max((one.at_s for one in self.kept), default=self.start_s) + self.every_s
        return JobSource(
            self.archive,
            self.name,
            start_s=self.start_s if start_s is None else start_s,
            stop_s=end_s if stop_s is None else stop_s,
            zone=ZONE,
        )

    def levels(self, chosen: Iterable[Kept] | None = None) -> np.ndarray[Any, Any]:
        """(sweeps, points) of those kept, at the far end of 2 dB of cable, float64."""
        kept = self.kept if chosen is None else list(chosen)
        return np.array([one.level for one in kept], dtype=np.float64) + 2.0
