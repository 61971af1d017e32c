"""Replay equals live (G4): whatever happened, the same records give the same numbers, bit for bit.

Twice: a job on a clock moved by hand, through random nights with restarts, and a whole station in
a process whose clock runs into the next hour.
"""

from __future__ import annotations

import asyncio
import json
import math
import random
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import GapRecord, HourlyRecord, SetupRecord, SweepRecord
from acqd.archive.writer import ArchiveWriter
from acqd.canonical import canonical_levels
from acqd.config.load import parse_config
from acqd.drivers.registry import load_drivers
from acqd.station.build import build
from acqd.station.feed import CONFIG_CHANGED, JobState
from acqd.station.job import JobRunner, JobSpec, Taken
from acqd.station.past import look_back
from acqd.station.setup import SetupMaker
from acqd.station.tell import Teller
from acqd.sweep import Capabilities, Detector, Identity, LevelUnit, Reported, Sweep, SweepFlag
from acqd.testing.clock import ManualClock

CONFIG = """\
[station]
name = "lookout"
archive = "archive"
keep_free = "1 MB"

[mqtt]
broker = "none"

[sweeper.mast]
driver = "sim"
address = "sim:mast"

[chain.aerial]

[[chain.aerial.part]]
kind = "cable"
loss_at = [["100 MHz", "0.7 dB"], ["200 MHz", "1.1 dB"]]

[job.marine-vhf]
kind = "band"
sweeper = "mast"
chain = "aerial"
start = "156 MHz"
stop = "157 MHz"
step = "5 kHz"
rbw = "10 kHz"
detector = "sample"
when = {{ every = "2 s" }}
band = {{ channels = "marine-vhf", {band} }}
"""

FLAT = 'margin = "8 dB"'
LEARNT = 'margin = "7 dB", floor = "learnt", learn = "40 s"'
OWN = {"meter_failed", "refused"}
"""Findings of the station about a job, not of its meter."""


def spec_of(folder: Path, band: str) -> JobSpec:
    config = parse_config(CONFIG.format(band=band), folder / "station.toml")
    (spec,) = build(config, load_drivers(), broker="none").jobs
    return spec


def plain(data: Any) -> str:
    """Data as the archive keeps it; equal texts are equal bits."""
    return json.dumps(data, sort_keys=True)


class Air:
    """What is on the air: noise, and signals that come and go. The same seed, the same air."""

    def __init__(self, spec: JobSpec, seed: int) -> None:
        self.request = spec.request
        self._random = np.random.default_rng(seed)
        self._up: set[int] = set()
        self.attenuation_db = 0.0
        self.took_s = 0.5
        self.says_sweep_time = True
        self.identity = Identity(maker="ACME", model="SCRIPT", serial_number="7")

    def sweep(self, clock: ManualClock, flags: SweepFlag) -> Sweep:
        chance = self._random
        points = self.request.points
        power = chance.gamma(3.0, 1 / 3.0, points) * 10**-10.5
        for at in chance.choice(points, 6, replace=False).tolist():
            if chance.random() < 0.2:
                self._up ^= {at}
        for at in self._up:
            power[at] += 10 ** chance.normal(-7.5, 0.3)
        level = np.round(10 * np.log10(power), 2)
        if chance.random() < 0.1:
            level[:3] = np.nan
            flags |= SweepFlag.NOT_FINITE
        return Sweep(
            request=self.request,
            reported=Reported(
                rbw_hz=10e3,
                detector=Detector.SAMPLE,
                sweep_time_s=self.took_s if self.says_sweep_time else None,
                attenuation_db=self.attenuation_db,
            ),
            frequency_hz=self.request.frequencies_hz(),
            level=canonical_levels(level, 0.01),
            unit=LevelUnit.DBM,
            resolution=0.01,
            started_s=clock.wall_s(),
            monotonic_s=clock.monotonic_s(),
            took_s=self.took_s,
            boot_id=clock.boot_id,
            clock_synchronised=True,
            identity=self.identity,
            flags=flags,
        )


class Night:
    """One job with its archive, driven by hand; may be left and taken up again at any time."""

    def __init__(self, root: Path, spec: JobSpec, seed: int) -> None:
        self.root, self.spec = root, spec
        self.clock = ManualClock(1_780_002_000.0)
        self.air = Air(spec, seed)
        self._open()

    def _open(self) -> None:
        self.archive = ArchiveWriter.open(
            self.root, station="lookout", run_id="run", clock=self.clock, keep_free_bytes=0
        )
        recovery = self.archive.recovery
        past = look_back(recovery, [self.spec]).jobs[self.spec.name]
        self.job = JobRunner(
            self.spec,
            archive=self.archive,
            teller=Teller(
                station="lookout",
                title="Lookout",
                run_id="run",
                clock=self.clock,
                topics_root="acqd",
                trace_points=100,
                sweepers=["mast"],
                drivers={},
                jobs=[self.spec.name],
            ),
            clock=self.clock,
            run_id="run",
            state=past.state,
            sweep_times_s=past.sweep_times_s,
            next_seq=recovery.next_seq(self.spec.name),
            next_finding=recovery.next_finding(self.spec.name),
        )
        self.archive.begin([self.checkpoint()])

    def checkpoint(self) -> Any:
        job = self.job
        return self.spec.feed.checkpoint(job.name, job.state, next_finding=job.last_finding + 1)

    async def sweeps(self, count: int, flags: SweepFlag) -> None:
        taken = []
        due_s = math.floor(self.clock.wall_s() / 2) * 2.0
        capabilities = Capabilities(start_hz=0.0, stop_hz=3e9, resolution=0.01)
        for at in range(count):
            taken.append(
                Taken(
                    sweep=self.air.sweep(self.clock, flags),
                    capabilities=capabilities,
                    step=0,
                    due_s=due_s,
                    first_of_pass=at == 0,
                )
            )
            self.clock.advance(0.5)
        await self.job.keep(taken)

    async def gap(self, count: int, reason: str) -> None:
        start_s = math.floor(self.clock.wall_s() / 2) * 2.0
        stop_s = start_s + 2.0 * (count - 1)
        self.clock.advance(2.0 * count)
        await self.job.gap(
            GapRecord(job=self.job.name, from_s=start_s, to_s=stop_s, count=count, reason=reason)
        )

    async def rotate(self) -> None:
        await asyncio.wrap_future(self.archive.rotate([self.checkpoint()]))
        self.job.rekeep_setups()

    def restart(self, *, cleanly: bool, spec: JobSpec | None = None) -> None:
        """Ended with a last checkpoint, or left as a kill leaves it."""
        self.archive.close([self.checkpoint()] if cleanly else (), within_s=10.0)
        self.spec = spec or self.spec
        self._open()

    def close(self) -> None:
        self.archive.close([self.checkpoint()], within_s=10.0)


def program(seed: int) -> list[tuple[Any, ...]]:
    """What happens in a night, at random: most of it sweeps."""
    chance = random.Random(seed)
    steps: list[tuple[Any, ...]] = []
    for _ in range(90):
        kind = chance.choices(
            ("sweeps", "gap", "wait", "hour", "rotate", "restart", "kill"),
            (60, 8, 10, 2, 5, 4, 5),
        )[0]
        if kind == "sweeps":
            flags = chance.choice((SweepFlag(0),) * 8 + (SweepFlag.OVERLOAD, SweepFlag.LATE))
            steps.append((kind, chance.choice((1, 1, 1, 2, 3)), flags))
        elif kind == "gap":
            steps.append(
                (kind, chance.choice((1, 3, 40, 3000)), chance.choice(("overrun", "sweeper lost")))
            )
        elif kind == "wait":
            steps.append((kind, chance.uniform(0.5, 90.0)))
        else:
            steps.append((kind,))
    return steps


async def live(night: Night, steps: list[tuple[Any, ...]], *, restarts: bool) -> None:
    for kind, *words in steps:
        match kind:
            case "sweeps":
                await night.sweeps(*words)
            case "gap":
                await night.gap(*words)
            case "wait":
                night.clock.advance(*words)
            case "hour":
                await night.job.turn_hours(night.clock.wall_s() - 30.0)
            case "rotate" if restarts:
                await night.rotate()
            case "restart" | "kill" if restarts:
                night.restart(cleanly=kind == "restart")
    night.close()


def told(archive: Archive, job: str) -> list[str]:
    """All that a job measured, as texts that differ where a bit does. Setup digests left out."""
    out = []
    for event in archive.events(job):
        if isinstance(event, SweepRecord):
            out.append(plain([event.seq, event.summary, dict(event.columns)]))
        elif isinstance(event, HourlyRecord):
            out.append(plain([event.hour_start_s, event.figures]))
    return out + [
        plain([one.number, one.what, one.at_s, one.seq, one.text, one.figures])
        for one in archive.findings(job)
    ]


def replayed(archive: Archive, spec: JobSpec) -> tuple[JobState, int]:
    """Replay a job's events through its feed; each output must be what was kept then."""
    feed = spec.feed
    after = feed.start()
    drafts, checked = [], 0
    ours: list[bool] = []
    for state, event, outputs in feed.replay(after, archive.events(spec.name)):
        after = state
        mine = state.config == feed.config
        if isinstance(event, SweepRecord):
            ours.append(mine)
        for output in outputs:
            drafts += output.findings
        if isinstance(event, SweepRecord) and mine:
            assert not event.flags & SweepFlag.METER_FAILED
            assert plain(outputs[-1].summary) == plain(event.summary), event.seq
            assert plain(outputs[-1].columns) == plain(dict(event.columns)), event.seq
            checked += 1
        elif isinstance(event, HourlyRecord) and mine:
            figures = outputs[0].hourly[0].figures if outputs[0].hourly else {}
            assert plain(figures) == plain(event.figures)
            checked += 1
    kept = [one for one in archive.findings(spec.name) if one.what not in OWN]
    got = [plain([one.what, one.at_s, one.seq, one.text, dict(one.figures)]) for one in drafts]
    had = [plain([one.what, one.at_s, one.seq, one.text, one.figures]) for one in kept]
    if all(ours):
        assert got == had
    elif not ours[0]:
        assert got == had[len(had) - len(got) :]
    else:
        assert got == had[: len(got)]
    return after, checked


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_restarts_change_nothing(tmp_path: Path, seed: int) -> None:
    """A night with kills, restarts and new journals measures what an undisturbed one does, and a
    replay of either gives it again, state and all."""
    steps = program(seed)
    spec = spec_of(tmp_path, LEARNT if seed % 2 else FLAT)
    quiet = Night(tmp_path / "quiet", spec, seed)
    asyncio.run(live(quiet, steps, restarts=False))
    shaken = Night(tmp_path / "shaken", spec, seed)
    asyncio.run(live(shaken, steps, restarts=True))
    first, second = open_archive(tmp_path / "quiet"), open_archive(tmp_path / "shaken")
    assert told(first, spec.name) == told(second, spec.name)
    assert len(first.findings(spec.name)) > 3
    end = quiet.checkpoint().state
    assert shaken.checkpoint().state == end
    for archive in (first, second):
        state, checked = replayed(archive, spec)
        assert checked >= 40
        assert spec.feed.checkpoint(spec.name, state, next_finding=0).state == end


@pytest.mark.slow
@pytest.mark.parametrize("cleanly", [True, False], ids=["stopped", "killed"])
def test_a_changed_config_starts_afresh_live_and_in_a_replay(tmp_path: Path, cleanly: bool) -> None:
    """Each config's part of the archive is what a replay with that config gives; the other is not
    touched by it."""
    old, new = spec_of(tmp_path, FLAT), spec_of(tmp_path, 'margin = "12 dB"')
    night = Night(tmp_path / "archive", old, 5)

    async def through() -> None:
        for _ in range(20):
            await night.sweeps(1, SweepFlag(0))
            night.clock.advance(2.0)
        night.restart(cleanly=cleanly, spec=new)
        # As the station does: time down first, under the old config; then the mark. So long that a
        # meter that is told of it gives up the signals that were up.
        await night.gap(300, "station down")
        await night.job.begin()
        for _ in range(20):
            await night.sweeps(1, SweepFlag(0))
            night.clock.advance(2.0)
        night.restart(cleanly=False)
        await night.sweeps(2, SweepFlag(0))
        night.close()

    asyncio.run(through())
    archive = open_archive(tmp_path / "archive")
    events = [one for one in archive.events(old.name) if isinstance(one, GapRecord)]
    assert [(one.reason, one.detail) for one in events] == [
        (CONFIG_CHANGED, ""),
        ("station down", ""),
        (CONFIG_CHANGED, new.feed.config),
    ]
    _, before = replayed(archive, old)
    state, after = replayed(archive, new)
    assert (before, after) == (20, 22)
    live_state = night.checkpoint().state
    assert new.feed.checkpoint(new.name, state, next_finding=0).state == live_state


@pytest.mark.parametrize("restarts", ["none", "stopped", "killed"])
def test_a_setup_that_comes_back_is_measured_as_before(
    tmp_path: Path, restarts: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sweeper that sets its attenuator and does not say how long a sweep takes: the first sweep
    under a setup says it for all, over new journals and restarts, live and in a replay, be it one
    that forgets setups."""
    spec = spec_of(tmp_path, FLAT)
    night = Night(tmp_path / "archive", spec, 3)
    night.air.says_sweep_time = False

    async def through() -> None:
        for took_s, attenuation_db in ((0.5, 0.0), (0.7, 10.0), (4.0, 0.0), (9.0, 10.0)):
            night.air.took_s, night.air.attenuation_db = took_s, attenuation_db
            for _ in range(8):
                await night.sweeps(1, SweepFlag(0))
                night.clock.advance(10.0)
            await night.rotate()
            if restarts != "none":
                night.restart(cleanly=restarts == "stopped")
        night.close()

    asyncio.run(through())
    archive = open_archive(tmp_path / "archive")
    told = {
        (event.setup, event.details["measuring"]["sweep_time_s"])
        for event in archive.events(spec.name)
        if isinstance(event, SetupRecord)
    }
    assert sorted(time_s for _, time_s in told) == [0.5, 0.7]
    state, checked = replayed(archive, spec)
    assert checked == 32
    assert spec.feed.checkpoint(spec.name, state, next_finding=0).state == night.checkpoint().state
    monkeypatch.setattr("acqd.station.feed.SETUPS_MOST", 1)
    assert replayed(archive, spec)[1] == 32


@pytest.mark.parametrize(
    "said", [{"level_accuracy_db": 1.0}, {"noise_bandwidth_ratio": 1.0}], ids=str
)
def test_what_a_driver_comes_to_say_of_its_sweeper_makes_another_setup(
    tmp_path: Path, said: dict[str, float]
) -> None:
    """A new version of a driver that states a better accuracy is not measured by the old one."""
    spec = spec_of(tmp_path, FLAT)
    sweep = Air(spec, 1).sweep(ManualClock(), SweepFlag(0))
    maker = SetupMaker(spec.facts)
    wide = Capabilities(start_hz=0.0, stop_hz=3e9, level_accuracy_db=3.0)
    setups = [
        maker.setup_of(sweep, capabilities, step=0)
        for capabilities in (wide, replace(wide, **said), wide)
    ]
    assert setups[0].setup == setups[2].setup != setups[1].setup


@pytest.mark.parametrize("how", ["sweeps", "gaps"])
def test_hours_follow_a_clock_that_was_set_back(tmp_path: Path, how: str) -> None:
    """The clock was five hours ahead: the running hour turns at once, and then each as it ends; a
    restart and a replay turn the same ones."""
    spec = spec_of(tmp_path, FLAT)
    night = Night(tmp_path / "archive", spec, 4)
    ahead_s = night.clock.wall_s()
    hours: list[float] = []

    async def through() -> None:
        for at in range(45):
            if at == 15:
                night.clock.step_wall(-5 * 3600.0)
            if at < 15 or how == "sweeps":
                await night.sweeps(1, SweepFlag(0))
                night.clock.advance(300.0)
            else:
                await night.gap(150, "sweeper lost")
            await night.job.turn_hours(night.clock.wall_s() - 30.0)
            if at == 17:
                night.restart(cleanly=False)
        night.close()

    asyncio.run(through())
    archive = open_archive(tmp_path / "archive")
    hours = [
        (event.hour_start_s - ahead_s) / 3600.0
        for event in archive.events(spec.name)
        if isinstance(event, HourlyRecord)
    ]
    first = hours[0]
    assert -1.0 < first <= 0.0
    # One that ended, one that was running, and those of the right time.
    assert hours == [first, first + 1, first - 4, first - 3]
    state, _ = replayed(archive, spec)
    assert spec.feed.checkpoint(spec.name, state, next_finding=0).state == night.checkpoint().state
    assert night.job.state.accounted_s == pytest.approx(night.clock.wall_s(), abs=301.0)


class WrongClock:
    """Moves the wall clock of a station; its monotonic time is the machine's own.

    By a file that it reads as a whole: by libfaketime and its file a station now and then saw the
    time of before a step for a moment more.
    """

    def __init__(self, file: Path) -> None:
        self._file = file
        self.first = (
            "import acqd.clock, pathlib, time\n"
            "acqd.clock.SystemClock.wall_s = lambda self: time.time() + "
            f"float(pathlib.Path({str(file)!r}).read_text())"
        )

    def set(self, text: str) -> None:
        """From now on it shows this, and goes on from there."""
        new = self._file.with_suffix(".new")
        new.write_text(f"{datetime.fromisoformat(text).timestamp() - time.time():+.3f}\n")
        new.replace(self._file)


@pytest.fixture
def wrong_clock(tmp_path: Path) -> WrongClock:
    """A clock of a station that a test sets."""
    return WrongClock(tmp_path / "offset")


@pytest.mark.slow
def test_a_station_over_the_hour_and_over_an_edit_of_its_config(
    bench: Any, wrong_clock: WrongClock
) -> None:
    """`acqd run` through the turn of an hour, with gaps, then with another config; all of it comes
    out of a replay as it was published."""
    sim = bench.sim()

    def config(margin: str) -> Path:
        job = bench.job("marine-vhf").replace('margin = "10 dB"', margin)
        path: Path = bench.config(sim.addresses, [job])
        return path

    path = config('margin = "10 dB", channels = "marine-vhf"')
    first = build(parse_config(path.read_text(), path), load_drivers()).jobs[0]
    wrong_clock.set("2026-06-14T20:30:00+00:00")
    run = bench.run(path, first=wrong_clock.first)
    run.until("sweeper_present")
    sim.tell("mast", "drop")
    run.until("sweeper_lost")
    run.until("sweeper_present", 2)
    wrong_clock.set("2026-06-14T20:59:58.5+00:00")
    run.until("clock_stepped")
    bench.wait_for("the turn of the hour", lambda: open_archive(bench.archive).hourly("marine-vhf"))
    run.stop()

    path = config('margin = "14 dB", channels = "marine-vhf"')
    second = build(parse_config(path.read_text(), path), load_drivers()).jobs[0]
    wrong_clock.set("2026-06-14T21:00:30+00:00")
    run = bench.run(path, first=wrong_clock.first)
    run.until("finding", what="signal_appeared")
    bench.wait_for("a few sweeps", lambda: len(run.log("finding")) >= 1)
    run.kill()

    archive = open_archive(bench.archive)
    reasons = {gap.reason for gap in archive.gaps("marine-vhf")}
    # A clock that nobody kept was never right before it was put: nothing was due between, and there
    # is a gap of the step only where a due time was waiting.
    assert {"sweeper lost", "station down", CONFIG_CHANGED} <= reasons
    flags = archive.sweeps("marine-vhf")["flags"].values
    assert np.count_nonzero(flags & int(SweepFlag.CLOCK_STEPPED)) == 1
    (hour,) = archive.hourly("marine-vhf")
    assert hour.hour_start_s % 3600 == 0 and hour.figures["stored"] > 0
    _, before = replayed(archive, first)
    _, after = replayed(archive, second)
    stored = archive.sweeps("marine-vhf").sizes["sweep"]
    assert before + after == stored + 1
