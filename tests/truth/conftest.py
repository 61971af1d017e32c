"""A laboratory for judging what is stated: simulated sweepers with errors of our choice, and time.

The scene, the receiver and the things under test are the simulator's, driver and host are those of
a station, and every figure comes out of the summary that ``acqd once`` would print. Nothing here
shares a formula with what is measured. Three things are ours:

* the clock: a sweep takes no real time;
* the receiver's errors, drawn over the whole of what its data sheet states (the simulator's own
  keep to a part of it), with a scale error and reflecting ports, which it has none of;
* what is connected may be changed between two sweeps, as a hand at the bench does.
"""

from __future__ import annotations

import asyncio
import math
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from acqd_sim.devices import Device
from acqd_sim.devices import Path as Devices
from acqd_sim.driver import SimSweeper
from acqd_sim.emissions import NoiseFloor
from acqd_sim.model import Model, Settings
from acqd_sim.receiver import Hookup, Reading, Receiver
from acqd_sim.scene import Scene
from numpy.typing import NDArray

from acqd.archive.records import CONTEXT, SweepRecord
from acqd.config.load import load_config
from acqd.drivers.checks import check_trace
from acqd.drivers.contract import Driver, FindContext, OpenContext
from acqd.drivers.host import SweeperHost
from acqd.drivers.registry import Registry, load_drivers
from acqd.measure.meter import Output, Role
from acqd.station.build import build
from acqd.station.feed import SetupView
from acqd.station.job import JobSpec
from acqd.station.references import ReferenceRecord, reference_from
from acqd.station.setup import SetupMaker
from acqd.station.single import One, take_one
from acqd.sweep import Identity, Sweep

Float = NDArray[np.float64]

SCENES = 200
START_S = 1_790_000_000.0 // 3600.0 * 3600.0
"""A full hour to start from."""

QUIET = NoiseFloor(key=1, c_db=0.0, d_db=0.0)


class Hours:
    """A clock that goes on only when somebody waits, and the token that waiting is done with."""

    boot_id = "00000000-0000-4000-8000-000000000000"

    def __init__(self, at_s: float = START_S) -> None:
        self.at_s = at_s

    def wall_s(self) -> float:
        return self.at_s

    now_s = monotonic_s = boottime_s = steady_s = wall_s

    def synchronised(self) -> bool | None:
        return True

    def real_s(self, scene_s: float) -> float:
        return scene_s

    def is_set(self) -> bool:
        return False

    def wait(self, seconds: float, cancel: object = None) -> bool:
        self.at_s += max(0.0, seconds)
        return False


@dataclass(kw_only=True)
class Errors:
    """What is wrong with one sweeper. Levels in dB, as a function of frequency and attenuation."""

    level_db: Callable[[Float, float], Float] = lambda hz, attenuation_db: np.zeros(hz.shape)
    scale_db: Callable[[Float], Float] = lambda level_dbm: np.zeros(level_dbm.shape)
    """By the level at the input."""
    frequency_ppm: float = 0.0


class FlawedReceiver(Receiver):
    """The simulated receiver with errors that are known."""

    def __init__(self, model: Model, hookup: Hookup, *, seed: int, errors: Errors) -> None:
        super().__init__(model, hookup, seed=seed)
        self.errors = errors

    @property
    def frequency_error_ppm(self) -> float:
        return self.errors.frequency_ppm

    def level_error_db(self, frequency_hz: Float, attenuation_db: float) -> Float:
        return self.errors.level_db(frequency_hz, attenuation_db)

    def sweep(self, settings: Settings, *, start_s: float, counter: int) -> Reading:
        reading = super().sweep(settings, start_s=start_s, counter=counter)
        level_dbm = reading.level_dbm + self.errors.scale_db(reading.level_dbm)
        step_db = self.model.level_step_db
        return replace(reading, level_dbm=np.rint(level_dbm / step_db) * step_db)


class _Driver(Driver):
    def __init__(self, receiver: Receiver, clock: Hours) -> None:
        self._receiver, self._clock = receiver, clock

    def open(self, context: OpenContext) -> SimSweeper:
        return SimSweeper(self._receiver, self._clock, self._clock)

    def find(self, context: FindContext) -> tuple[()]:
        return ()


@dataclass(frozen=True, kw_only=True)
class PadBetween(Device):
    """A pad between a thing and an input that both reflect, its own ends do too (0: no pad).

    The gain is that of the whole flow graph over matched ends, with phases that lines would turn.
    """

    loss_db: float
    source: float = 0.0
    load: float = 0.0
    ends: float = 0.0
    phases: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)
    delays_s: tuple[float, ...] = (1e-9, 2e-9, 1e-9, 3e-9)

    def gain_db(self, frequency_hz: Float) -> Float:
        hz = np.asarray(frequency_hz)
        source, near, far, load = (
            size * np.exp(1j * (phase - 2.0 * np.pi * hz * delay_s))
            for size, phase, delay_s in zip(
                (self.source, self.ends, self.ends, self.load),
                self.phases,
                self.delays_s,
                strict=True,
            )
        )
        through = 10.0 ** (-self.loss_db / 20.0)
        if self.loss_db == 0.0:
            near, far = near * 0.0, far * 0.0
        loops = (1.0 - source * near) * (1.0 - load * far) - source * load * through**2
        return np.asarray(20.0 * np.log10(through / np.abs(loops)))


@dataclass(kw_only=True)
class Bench:
    """One sweeper, with what is connected to it, and the jobs of one config."""

    jobs: Mapping[str, JobSpec]
    model: Model
    errors: Errors
    seed: int
    scene: Scene = field(default_factory=lambda: Scene(floor=QUIET))
    path: tuple[Device, ...] = ()
    source_path: tuple[Device, ...] | None = None
    clock: Hours = field(default_factory=Hours)
    references: dict[str, ReferenceRecord] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)

    def receiver(self) -> FlawedReceiver:
        source = None if self.source_path is None else Devices(devices=self.source_path)
        hookup = Hookup(scene=self.scene, path=Devices(devices=self.path), source_path=source)
        return FlawedReceiver(self.model, hookup, seed=self.seed, errors=self.errors)

    def host(self) -> SweeperHost:
        return SweeperHost(
            name="bench",
            driver=_Driver(self.receiver(), self.clock),
            address="sim:bench",
            options={},
            clock=self.clock,
        )

    def refer(self, job: str, role: Role, *, sweeps: int = 1) -> None:
        """Take a reference of what is connected now."""

        async def taken() -> list[Sweep]:
            host = self.host()
            await host.open()
            try:
                return [await host.sweep(self.jobs[job].request) for _ in range(sweeps)]
            finally:
                await host.close()

        self.references[str(role)] = reference_from(job, role, asyncio.run(taken()))
        self.clock.wait(60.0)

    def once(self, job: str) -> One:
        """One pass of a job, as ``acqd once`` does it."""
        spec = self.jobs[job]
        return asyncio.run(
            take_one(self.host(), spec, references=self.references, say=self.said.append)
        )

    def watch(
        self, job: str, *, sweeps: int, every_s: float, context: Mapping[str, Float] | None = None
    ) -> list[Output]:
        """Sweeps of a job at their due times, told to its meter as a station tells them.

        ``context``: for each name a value per sweep.
        """
        spec = self.jobs[job]
        sweeper = SimSweeper(self.receiver(), self.clock, self.clock)
        maker = SetupMaker(spec.facts, references=self.references)
        state, outputs = spec.feed.start(), []
        first_s = self.clock.at_s
        for number in range(sweeps):
            due_s = first_s + number * every_s
            self.clock.at_s = max(self.clock.at_s, due_s)
            for hour_s in spec.feed.hours_before(state, self.clock.at_s):
                state, output = spec.feed.hour(state, hour_s)
                outputs.append(output)
            sweep = self._swept(sweeper, spec)
            setup = maker.setup_of(sweep, sweeper.capabilities(), step=0)
            record = _record(job, sweep, setup.setup, number + 1, due_s)
            if context is not None:
                told = {f"{CONTEXT}{name}": float(of[number]) for name, of in context.items()}
                record = replace(record, columns=told)
            state, more = spec.feed.sweep(state, record, SetupView.of(setup, sweep.started_s))
            outputs += more
        return outputs

    def _swept(self, sweeper: SimSweeper, spec: JobSpec) -> Sweep:
        """One sweep as a host stamps it, without the host's thread: there are thousands of them."""
        started_s, capabilities = self.clock.at_s, sweeper.capabilities()
        trace = sweeper.sweep(spec.request)
        checked = check_trace(trace, spec.request, capabilities)
        return Sweep(
            request=spec.request,
            reported=checked.reported,
            frequency_hz=checked.frequency_hz,
            level=checked.level,
            unit=trace.unit,
            resolution=checked.resolution,
            started_s=started_s,
            monotonic_s=started_s,
            took_s=self.clock.at_s - started_s,
            boot_id=self.clock.boot_id,
            clock_synchronised=True,
            identity=sweeper.identify(),
            flags=checked.flags,
        )


def _record(job: str, sweep: Sweep, setup: str, seq: int, due_s: float) -> SweepRecord:
    return SweepRecord(
        job=job,
        step=0,
        setup=setup,
        seq=seq,
        pass_id=seq,
        run_id="truth",
        due_s=due_s,
        started_s=sweep.started_s,
        monotonic_s=sweep.monotonic_s,
        took_s=sweep.took_s,
        boot_id=sweep.boot_id,
        sweeper_time_s=sweep.sweeper_time_s,
        flags=sweep.flags,
        level=sweep.level,
    )


class Tally:
    """How often a truth lay within its U, and how large the errors are against it."""

    def __init__(self) -> None:
        self.inside: Counter[str] = Counter()
        self.count: Counter[str] = Counter()
        self.bounds: Counter[str] = Counter()
        self.bounds_held: Counter[str] = Counter()
        self.errors: defaultdict[str, list[float]] = defaultdict(list)
        self.expanded: defaultdict[str, list[float]] = defaultdict(list)

    def value(self, name: str, value: float | None, expanded: float | None, truth: float) -> None:
        """A figure with its U; one that is not given does not count."""
        if value is None or expanded is None:
            return
        self.count[name] += 1
        self.inside[name] += abs(value - truth) <= expanded
        self.errors[name].append(value - truth)
        self.expanded[name].append(expanded)

    def interval(self, name: str, low: float | None, high: float | None, truth: float) -> None:
        """A figure given as an interval; an end that is None is open."""
        least = -math.inf if low is None else low
        most = math.inf if high is None else high
        self.count[name] += 1
        self.inside[name] += least <= truth <= most

    def bound(self, name: str, holds: bool) -> None:
        """An "at most" or "at least"."""
        self.bounds[name] += 1
        self.bounds_held[name] += holds

    def holds(
        self, name: str, *, least: float = 0.88, most: float = 0.999, padded: float | None = 3.0
    ) -> None:
        """Demand that U held the truth at a rate between two, and is not wide without sense.

        ``padded``: most that U may be over the rms error; None where it is wide on purpose.
        """
        assert least <= self.share(name) <= most, f"{name}: {self.share(name):.4f}{self.text()}"
        if padded is not None and self.errors[name]:
            assert self.padded(name) <= padded, f"{name}: {self.padded(name):.2f}{self.text()}"

    def binds(self, name: str, *, least: float = 1.0) -> None:
        """Demand that a bound held at least so often."""
        share = self.bounds_held[name] / self.bounds[name]
        assert share >= least, f"{name}: {share:.4f}{self.text()}"

    def share(self, name: str) -> float:
        return self.inside[name] / self.count[name]

    def padded(self, name: str) -> float:
        """U over the rms error, each error against its own U: 2 where U says what happens."""
        relative = np.array(self.errors[name]) / np.array(self.expanded[name])
        return 1.0 / float(np.sqrt(np.mean(relative**2)))

    def text(self) -> str:
        rows = []
        for name in sorted(self.count):
            row = f"{name}: {self.inside[name]} of {self.count[name]} = {self.share(name):.3f}"
            if self.errors[name]:
                mean, padded = float(np.mean(self.errors[name])), self.padded(name)
                row += f", mean U {np.mean(self.expanded[name]):.4g}, mean error {mean:.3g}"
                row += f", U over rms error {padded:.2f}"
            rows.append(row)
        rows += [
            f"{name}: bound held {self.bounds_held[name]} of {self.bounds[name]}"
            for name in sorted(self.bounds)
        ]
        return "\n" + "\n".join(rows)


@dataclass
class Laboratory:
    """Makes benches from the text of a config."""

    folder: Path
    registry: Registry = field(default_factory=load_drivers)

    def bench(
        self, jobs: str, model: Model, *, seed: int, errors: Errors | None = None, **rest: Any
    ) -> Bench:
        """A bench whose sweeper ``bench`` states its data sheet; ``jobs`` are the job tables."""
        text = "\n".join(
            (
                '[station]\nname = "truth"\narchive = "archive"',
                '[mqtt]\nbroker = "none"',
                '[sweeper.bench]\ndriver = "sim"\naddress = "sim:bench"\nabsolute_max = "30 dBm"',
                jobs,
            )
        )
        path = self.folder / "station.toml"
        path.write_text(text, "utf-8")
        built = build(load_config(path), self.registry, broker="none")
        return Bench(
            jobs={job.name: job for job in built.jobs},
            model=model,
            errors=errors or Errors(),
            seed=seed,
            **rest,
        )

    @staticmethod
    def model(**change: Any) -> Model:
        """A sweeper without residual responses, whose source is a plain one."""
        fields: dict[str, Any] = {
            "identity": Identity(
                maker="GANNET", model="TRUTH 1", serial_number="GL0900", firmware="1.0"
            ),
            "residuals": 0,
            "absolute_max_dbm": 30.0,
            "points_max": 10001,
            "rbw_min_hz": 100.0,
            "danl_dbm_per_hz": -150.0,
        }
        return Model(**{**fields, **change})

    pad = staticmethod(PadBetween)
    errors = staticmethod(Errors)
    tally = staticmethod(Tally)


@pytest.fixture
def laboratory(tmp_path: Path) -> Laboratory:
    return Laboratory(tmp_path)
