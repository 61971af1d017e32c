"""Clocks that jump, hosts that sleep, disks that fill, meters that fail: told and accounted for.

The clock of the machine is left alone: the station is given one that a test moves.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pytest

import acqd.station.sweepers
from acqd.archive.reader import open_archive
from acqd.archive.records import GapRecord, SweepRecord
from acqd.clock import SystemClock
from acqd.measure.meter import Event, GapSeen, HourTurned, SweepSeen
from acqd.station.watch import ClockWatch
from acqd.sweep import Capabilities, LevelUnit, Reported, SweepFlag
from acqd.testing.clock import ManualClock
from acqd.testing.sweepers import ScriptedDriver

EVERY_S = 0.05


@pytest.fixture
def job_table(job_table: Callable[..., str]) -> Callable[..., str]:
    """Makes the table of a job that is due twenty times a second, unless told otherwise."""
    return partial(job_table, when='every = "50 ms"')


class MovableClock(SystemClock):
    """The machine's clocks, moved by a test."""

    def __init__(self, wall_s: float = 0.0) -> None:
        self.wall_off_s, self.boot_off_s = wall_s, 0.0

    def wall_s(self) -> float:
        return time.time() + self.wall_off_s

    def boottime_s(self) -> float:
        return super().boottime_s() + self.boot_off_s

    def step(self, seconds: float) -> None:
        self.wall_off_s += seconds

    def suspend(self, seconds: float) -> None:
        self.wall_off_s += seconds
        self.boot_off_s += seconds


# ---- looking at the clocks ---------------------------------------------------------------------

MOVES: dict[str, tuple[list[tuple[str, float]], float, float]] = {
    "time passes": ([("advance", 7200.0)], 0.0, 0.0),
    "slewed": ([("advance", 100.0), ("step_wall", 0.05)], 0.0, 0.0),
    "set forwards": ([("advance", 1.0), ("step_wall", 30.0)], 30.0, 0.0),
    "set back": ([("advance", 1.0), ("step_wall", -0.6)], -0.6, 0.0),
    "slept": ([("advance", 1.0), ("suspend", 3600.0)], 0.0, 3600.0),
    "slept and set": ([("suspend", 10.0), ("step_wall", -2.0)], -2.0, 10.0),
}


@pytest.mark.parametrize(("moves", "stepped_s", "slept_s"), MOVES.values(), ids=MOVES)
def test_steps_and_sleep_are_told_apart(
    moves: list[tuple[str, float]], stepped_s: float, slept_s: float
) -> None:
    """Wall against monotonic against boot time, from one look to the next; each is news once."""
    clock = ManualClock()
    watch = ClockWatch(clock)
    before_s = clock.wall_s()
    for how, seconds in moves:
        getattr(clock, how)(seconds)
    news = watch.look()
    if not stepped_s and not slept_s:
        assert news is None
    else:
        assert news is not None
        assert news.stepped_s == pytest.approx(stepped_s)
        assert news.slept_s == pytest.approx(slept_s)
        assert news.to_s == clock.wall_s()
        passed_s = sum(seconds for how, seconds in moves if how == "advance")
        assert news.from_s == pytest.approx(before_s + passed_s)
    assert watch.look() is None


class Stalled(ManualClock):
    """A clock of a machine that is so busy that a second passes between two readings of it."""

    stalls = 0

    def wall_s(self) -> float:
        if self.stalls:
            self.stalls -= 1
            self.advance(1.0)
        return super().wall_s()


def test_a_busy_machine_is_no_step_of_its_clock() -> None:
    """A second between the readings of two clocks is time that passed, not one that was set."""
    clock = Stalled()
    watch = ClockWatch(clock)
    clock.stalls = 3
    assert watch.look() is None
    assert watch.look() is None


# ---- a station whose clock is moved --------------------------------------------------------------


@pytest.mark.slow
async def test_a_clock_set_forwards_is_a_gap_with_that_reason(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """Due times that were jumped over are clock stepped, not overrun; the next sweep is flagged."""
    clock, driver = MovableClock(), ScriptedDriver()
    async with inside({"mast": driver}, [job_table("marine-vhf")], clock=clock) as here:
        await here.until("sweeps", lambda: len(driver.swept) >= 10)
        clock.step(30.0)
        await here.until("the news", lambda: here.events("clock_stepped"))
        seen = len(driver.swept)
        await here.until("more sweeps", lambda: len(driver.swept) >= seen + 10)
        await here.stop()
    archive = open_archive(here.archive)
    check_accounts(archive, "marine-vhf", every_s=EVERY_S)
    missed: dict[str, int] = {}
    for gap in archive.gaps("marine-vhf"):
        missed[gap.reason] = missed.get(gap.reason, 0) + gap.count
    assert 595 <= missed.pop("clock stepped") <= 601
    assert sum(missed.values()) < 40
    (finding,) = archive.findings("station")
    assert finding.what == "clock_stepped"
    assert finding.figures["stepped_s"] == pytest.approx(30.0, abs=0.1)
    flagged = [
        e
        for e in archive.events("marine-vhf")
        if isinstance(e, SweepRecord) and e.flags & SweepFlag.CLOCK_STEPPED
    ]
    assert len(flagged) == 1


@pytest.mark.slow
async def test_a_clock_set_back_a_little_sweeps_nothing_twice(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """What was swept stands; sweeping goes on where the clock passes it again."""
    clock, driver = MovableClock(), ScriptedDriver()
    async with inside({"mast": driver}, [job_table("marine-vhf")], clock=clock) as here:
        await here.until("sweeps", lambda: len(driver.swept) >= 10)
        clock.step(-1.5)
        await here.until("the news", lambda: here.events("clock_stepped"))
        seen = len(driver.swept)
        await here.until("more sweeps", lambda: len(driver.swept) >= seen + 10)
        await here.stop()
    archive = open_archive(here.archive)
    check_accounts(archive, "marine-vhf", every_s=EVERY_S)
    (finding,) = archive.findings("station")
    assert finding.what == "clock_stepped" and "back" in finding.text


@pytest.mark.slow
async def test_a_clock_set_back_far_does_not_make_the_station_deaf(
    inside: Any, job_table: Any
) -> None:
    """A day back: sweeping goes on at once, and so it does after a restart with a clock that is
    right at last."""
    clock, driver = MovableClock(86_400.0), ScriptedDriver()
    jobs = [job_table("marine-vhf")]
    async with inside({"mast": driver}, jobs, clock=clock) as here:
        await here.until("sweeps", lambda: len(driver.swept) >= 10)
        clock.step(-43_200.0)
        await here.until("the news", lambda: here.events("clock_stepped"))
        seen = len(driver.swept)
        await here.until("more sweeps", lambda: len(driver.swept) >= seen + 10, 3.0)
    again = ScriptedDriver()
    async with inside({"mast": again}, jobs, clock=MovableClock()) as here:
        await here.until("sweeps", lambda: len(again.swept) >= 10, 3.0)
    third = ScriptedDriver()
    async with inside({"mast": third}, jobs, clock=MovableClock(5.0)) as here:
        await here.until("sweeps", lambda: len(third.swept) >= 10, 8.0)
    archive = open_archive(here.archive)
    events = list(archive.events("marine-vhf"))
    down = [e for e in events if isinstance(e, GapRecord) and e.reason == "station down"]
    # The 5 s between the last two runs are accounted for, though later times were before.
    assert down[-2 if down[-1].count < 60 else -1].count == pytest.approx(100, abs=40)
    seqs = [e.seq for e in events if isinstance(e, SweepRecord)]
    assert seqs == list(range(1, len(seqs) + 1))


@pytest.mark.slow
async def test_a_host_that_slept_is_a_gap_with_that_reason(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """Boot time ran on while monotonic time stood still."""
    clock, driver = MovableClock(), ScriptedDriver()
    async with inside({"mast": driver}, [job_table("marine-vhf")], clock=clock) as here:
        await here.until("sweeps", lambda: len(driver.swept) >= 10)
        clock.suspend(3600.0)
        await here.until("the news", lambda: here.events("host_slept"))
        seen = len(driver.swept)
        await here.until("more sweeps", lambda: len(driver.swept) >= seen + 5)
        await here.stop()
    archive = open_archive(here.archive)
    check_accounts(archive, "marine-vhf", every_s=EVERY_S)
    asleep = sum(g.count for g in archive.gaps("marine-vhf") if g.reason == "host asleep")
    assert 71_990 <= asleep <= 72_001
    (finding,) = archive.findings("station")
    assert finding.what == "host_asleep" and "3600 s" in finding.text


@pytest.mark.slow
async def test_every_hour_of_an_outage_has_its_figures(inside: Any, job_table: Any) -> None:
    """Five hours asleep: each hour that ended says how little of it was heard."""
    clock, driver = MovableClock(), ScriptedDriver()
    async with inside({"mast": driver}, [job_table("marine-vhf")], clock=clock) as here:
        await here.until("sweeps", lambda: len(driver.swept) >= 5)
        clock.suspend(5 * 3600.0)
        await here.until("the news", lambda: here.events("host_slept"))
        seen = len(driver.swept)
        await here.until("more sweeps", lambda: len(driver.swept) >= seen + 5)
    hours = open_archive(here.archive).hourly("marine-vhf")
    starts = [hour.hour_start_s for hour in hours]
    assert starts == [starts[0] + 3600.0 * at for at in range(5)]
    for hour in hours[1:]:
        assert hour.figures["stored"] == 0
        assert hour.figures["due"] == pytest.approx(72_000, abs=2)
        assert hour.figures["coverage"] == 0.0


# ---- a meter that fails --------------------------------------------------------------------------


class Sulking:
    """A meter that works but for some events."""

    def __init__(self, meter: Any, fails: Callable[[Event], bool]) -> None:
        self._meter, self._fails = meter, fails
        self.version = meter.version

    def __getattr__(self, name: str) -> Any:
        return getattr(self._meter, name)

    def step(self, state: Any, event: Event) -> Any:
        if self._fails(event):
            raise ArithmeticError("a floor of nothing" + "!" * 5000)
        return self._meter.step(state, event)


def _with_meter(here: Any, fails: Callable[[Event], bool]) -> None:
    specs = tuple(
        replace(spec, feed=replace(spec.feed, meter=Sulking(spec.feed.meter, fails)))
        for spec in here.built.jobs
    )
    here.station._built = replace(here.built, jobs=specs)


@pytest.mark.slow
async def test_sweeps_whose_measurement_fails_are_kept_as_they_came(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """Flagged, told once, raw levels whole; what comes after is measured again."""
    driver = ScriptedDriver()
    given: list[Any] = []
    plain = driver.next_trace

    def noted(*words: Any) -> Any:
        trace = plain(*words)
        given.append(trace.level)
        return trace

    driver.next_trace = noted
    here = inside({"mast": driver}, [job_table("marine-vhf")])
    _with_meter(here, lambda event: isinstance(event, SweepSeen) and 4 <= event.seq <= 9)
    async with here:
        await here.until("sweeps", lambda: len(driver.swept) >= 15)
    archive = open_archive(here.archive)
    events = [e for e in archive.events("marine-vhf") if isinstance(e, SweepRecord)]
    failed = [e.seq for e in events if e.flags & SweepFlag.METER_FAILED]
    assert failed == [4, 5, 6, 7, 8, 9]
    for event in events:
        assert np.array_equal(event.level, given[event.seq - 1].astype(np.float32))
        assert (event.summary is None) == (event.seq in failed)
    (finding,) = [f for f in archive.findings("marine-vhf") if f.what == "meter_failed"]
    assert finding.seq == 4 and "a floor of nothing" in finding.text
    assert len(finding.text) <= 1000
    check_accounts(archive, "marine-vhf", every_s=EVERY_S)


@pytest.mark.slow
async def test_a_meter_that_fails_at_gaps_and_hours_does_not_end_the_station(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """They are kept, the station goes on, and a replay comes to the same state."""
    clock, driver = MovableClock(), ScriptedDriver()
    here = inside({"mast": driver}, [job_table("marine-vhf")], clock=clock)
    _with_meter(here, lambda event: isinstance(event, GapSeen | HourTurned))
    async with here:
        await here.until("sweeps", lambda: len(driver.swept) >= 5)
        clock.suspend(3600.0)
        await here.until("the news", lambda: here.events("host_slept"))
        seen = len(driver.swept)
        await here.until("more sweeps", lambda: len(driver.swept) >= seen + 5)
        await here.stop()
    archive = open_archive(here.archive)
    check_accounts(archive, "marine-vhf", every_s=EVERY_S)
    assert len(archive.hourly("marine-vhf")) == 1
    assert [f.what for f in archive.findings("marine-vhf")].count("meter_failed") == 1
    feed = here.station._built.jobs[0].feed
    replayed = [
        outputs[-1].summary
        for _, event, outputs in feed.replay(feed.start(), archive.events("marine-vhf"))
        if isinstance(event, SweepRecord)
    ]
    kept = [e.summary for e in archive.events("marine-vhf") if isinstance(e, SweepRecord)]
    assert replayed == kept


@pytest.mark.slow
@pytest.mark.parametrize("burst", [1, 3])
async def test_a_vector_sweeper_under_a_job_that_wants_levels_is_kept_unmeasured(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]], burst: int
) -> None:
    """Complex ratios have no floor; the sweeps are kept whole and a finding says why."""
    driver = ScriptedDriver(
        capabilities=Capabilities(start_hz=0.0, stop_hz=3e9, is_complex=True, unit=LevelUnit.RATIO)
    )
    random = np.random.default_rng(3)

    def vector(request: Any, context: Any) -> Any:
        from acqd.drivers.contract import Trace

        driver.swept.append(request)
        level = random.normal(size=request.points) + 1j * random.normal(size=request.points)
        return Trace(level=level, unit=LevelUnit.RATIO, reported=Reported())

    driver.next_trace = vector
    when = f'every = "100 ms", burst = {burst}'
    async with inside({"mast": driver}, [job_table("marine-vhf", when=when)]) as here:
        await here.until("sweeps", lambda: len(driver.swept) >= 12)
    archive = open_archive(here.archive)
    check_accounts(archive, "marine-vhf", every_s=0.1, burst=burst)
    events = [e for e in archive.events("marine-vhf") if isinstance(e, SweepRecord)]
    assert all(e.flags & SweepFlag.METER_FAILED and np.iscomplexobj(e.level) for e in events)
    (finding,) = archive.findings("marine-vhf")
    assert finding.what == "meter_failed" and "ratio" in finding.text


# ---- a disk that fills ---------------------------------------------------------------------------


@pytest.fixture
def full_disk(full_disk: Any, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Full or not is looked at every tenth of a second."""
    monkeypatch.setattr(acqd.station.sweepers, "NO_ROOM_RETRY_S", 0.1)
    return full_disk


@pytest.mark.slow
async def test_a_full_disk_pauses_sweeping_and_is_told_when_there_is_room(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]], full_disk: Any
) -> None:
    """Nothing is swept for the bin, each due time says disk full, numbers stay without a gap."""
    driver = ScriptedDriver()
    jobs = [job_table(name) for name in ("marine-vhf", "calling")]
    async with inside({"mast": driver}, jobs) as here:
        await here.until("sweeps", lambda: len(driver.swept) >= 10)
        full_disk.free_bytes = 100
        await here.until("the complaint", lambda: here.events("cannot_keep"))
        before = len(driver.swept)
        started_s = time.monotonic()
        await here.until("a second", lambda: time.monotonic() > started_s + 1.0)
        # One try now and then, not twenty a second from each job.
        assert len(driver.swept) - before <= 12
        assert len(here.events("cannot_keep")) == 1
        full_disk.free_bytes = 1 << 40
        seen = len(driver.swept)
        await here.until("more sweeps", lambda: len(driver.swept) >= seen + 10)
        await here.stop()
    archive = open_archive(here.archive)
    words = [one.what for one in archive.findings("station")]
    assert words == ["cannot_keep", "room_again"]
    for job in ("marine-vhf", "calling"):
        check_accounts(archive, job, every_s=EVERY_S)
        full = sum(g.count for g in archive.gaps(job) if g.reason == "disk full")
        assert full >= 15
        events = [e for e in archive.events(job) if isinstance(e, SweepRecord)]
        assert [e.seq for e in events] == list(range(1, len(events) + 1))


@pytest.mark.slow
async def test_a_station_starts_on_a_full_disk_and_waits_for_room(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]], full_disk: Any
) -> None:
    """Time down before it is accounted for when there is room, config change and all."""
    jobs = [job_table("marine-vhf")]
    driver = ScriptedDriver()
    async with inside({"mast": driver}, jobs) as here:
        await here.until("sweeps", lambda: len(driver.swept) >= 5)
    # Room to begin a journal with, less than what is to be left alone.
    full_disk.free_bytes = 3_000_000
    edited = [jobs[0].replace("10 dB", "11 dB")]
    driver = ScriptedDriver()
    clock = MovableClock(2.0)
    async with inside({"mast": driver}, edited, keep_free="5 MB", clock=clock) as here:
        await here.until("the complaint", lambda: here.events("cannot_keep"))
        full_disk.free_bytes = 1 << 40
        await here.until("sweeps", lambda: here.station._jobs["marine-vhf"].last_seq >= 12)
    archive = open_archive(here.archive)
    check_accounts(archive, "marine-vhf", every_s=EVERY_S)
    reasons = [gap.reason for gap in archive.gaps("marine-vhf")]
    # One marker ends the old config, before time that nobody measured; one begins the new.
    markers = [at for at, reason in enumerate(reasons) if reason == "config changed"]
    assert markers[0] < reasons.index("station down") < markers[-1]
    assert "disk full" in reasons
    feed = here.built.jobs[0].feed
    mine = [
        (event.summary, outputs[-1].summary)
        for state, event, outputs in feed.replay(feed.start(), archive.events("marine-vhf"))
        if isinstance(event, SweepRecord) and state.config == feed.config
    ]
    assert len(mine) >= 5
    assert all(kept == replayed for kept, replayed in mine)
    assert math.isfinite(mine[-1][0]["floor_dbm"])
