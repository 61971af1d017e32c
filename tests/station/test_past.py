"""What a start makes of the run before: jobs that left the config, durations that were learnt, a
clock that was wrong, who was swept; and an archive that has trouble while it runs."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

import acqd.archive.sealer
import acqd.station.service
import acqd.station.upkeep
from acqd.archive.reader import open_archive
from acqd.archive.records import GapRecord, SweepRecord
from acqd.archive.recovery import Recovery
from acqd.archive.writer import ArchiveWriter
from acqd.drivers.contract import Trace
from acqd.station.feed import CONFIG_CHANGED, JobState
from acqd.station.job import JobSpec
from acqd.station.keptplan import KeptPlan
from acqd.station.past import Past, look_back
from acqd.station.watch import ArchiveWatch
from acqd.sweep import SweepRequest
from acqd.testing.clock import ManualClock
from acqd.testing.sweepers import ScriptedDriver

EVERY_S = 10.0
HOUR_S = 3600.0


async def sweep(here: Any, clock: ManualClock, count: int) -> None:
    """Let ``count`` due times go by, each swept."""
    for _ in range(count):
        clock.advance(EVERY_S)
        before = {name: job.last_seq for name, job in here.station._jobs.items()}
        here.station._sweepers[0]._wake.set()
        await here.until(
            "a sweep of each",
            lambda before=before: all(
                job.last_seq > before[name] for name, job in here.station._jobs.items()
            ),
        )


@pytest.mark.parametrize("killed", [False, True], ids=["started well", "killed while starting"])
async def test_what_a_job_missed_is_known_when_it_has_left_the_config(
    inside: Any,
    job_table: Any,
    check_accounts: Callable[..., list[int]],
    monkeypatch: pytest.MonkeyPatch,
    killed: bool,
) -> None:
    """An hour down, and in the morning one of two jobs is taken out, later put back: what was due
    of it up to then is accounted for once, over every start, and its meter begins afresh."""
    clock = ManualClock()
    both = [job_table(name, when='every = "10 s"') for name in ("marine-vhf", "calling")]

    async def run(jobs: list[str]) -> Any:
        async with inside({"mast": ScriptedDriver()}, jobs, clock=clock) as here:
            await here.until("presence", lambda: here.events("sweeper_present"))
            await sweep(here, clock, 3)
        clock.advance(HOUR_S)
        return here

    await run(both)
    if killed:

        def broken(*_: Any) -> None:
            raise RuntimeError("as good as killed")

        with monkeypatch.context() as patch:
            patch.setattr(KeptPlan, "record", broken)
            cut_short = inside({"mast": ScriptedDriver()}, both[:1], clock=clock)
            with pytest.raises(RuntimeError):
                await cut_short.__aenter__()
        # The job was not due any more, but the plan that says so never came to be.
        clock.advance(300.0)
    away_s = clock.wall_s()
    here = await run(both[:1])
    (gone,) = here.events("job_gone")
    assert gone["job"] == "calling"
    await run(both[:1])
    back_s = clock.wall_s()
    here = await run(both)
    assert not here.events("job_gone")

    archive = open_archive(here.archive)
    check_accounts(archive, "marine-vhf", every_s=EVERY_S)
    events = list(archive.events("calling"))
    before = [e for e in events if isinstance(e, GapRecord | SweepRecord) and _at_s(e) < back_s]
    due: list[int] = []
    for event in before:
        if isinstance(event, SweepRecord):
            due.append(round(event.due_s / EVERY_S))
        elif event.count:
            due += range(round(event.from_s / EVERY_S), round(event.to_s / EVERY_S) + 1)
    assert due == list(range(due[0], due[0] + len(due)))
    assert 0.0 <= away_s - due[-1] * EVERY_S <= EVERY_S
    marks = [e.detail for e in events if isinstance(e, GapRecord) and e.reason == CONFIG_CHANGED]
    feed = here.built.jobs[1].feed
    assert marks == ["", feed.config]
    states = [state for state, _, _ in feed.replay(feed.start(), events)]
    live = here.built.jobs[1].feed.recovered(_recovery(here, clock).job("calling"))
    assert feed.checkpoint("calling", states[-1], next_finding=0) == feed.checkpoint(
        "calling", live, next_finding=0
    )


def _at_s(event: GapRecord | SweepRecord) -> float:
    return event.due_s if isinstance(event, SweepRecord) else event.from_s


def _recovery(here: Any, clock: ManualClock) -> Recovery:
    writer = ArchiveWriter.open(here.archive, station="lookout", run_id="x", clock=clock)
    try:
        return writer.recovery
    finally:
        writer.close((), seal=False)


class Slow(ScriptedDriver):
    """Sweeps that take ten seconds of the station's clock."""

    def __init__(self, clock: ManualClock) -> None:
        super().__init__()
        self._clock = clock

    def next_trace(self, request: SweepRequest, context: Any) -> Trace:
        self._clock.advance(EVERY_S)
        return super().next_trace(request, context)


async def test_time_down_is_counted_by_what_a_pass_really_takes(
    inside: Any, job_table: Any
) -> None:
    """Back to back nothing is due: an hour down is as many sweeps as were learnt to fit in it, also
    where the run before it was too short to learn anything."""
    clock = ManualClock()
    jobs = [job_table("marine-vhf", when="back_to_back = true")]
    for sweeps in (6, 0, 3):
        driver = Slow(clock)
        async with inside({"mast": driver}, jobs, clock=clock) as here:
            await here.until("sweeps", lambda n=sweeps, d=driver: len(d.swept) >= n)
        clock.advance(HOUR_S)
    archive = open_archive(here.archive)
    gaps = [gap for gap in archive.gaps("marine-vhf") if gap.to_s - gap.from_s > HOUR_S / 2]
    assert len(gaps) == 2
    for gap in gaps:
        assert gap.count == pytest.approx((gap.to_s - gap.from_s) / EVERY_S, rel=0.02)
    # What was learnt takes the place of what was assumed, in the plan of the same start.
    assert len(archive.plans()) == 3


async def test_a_setup_of_another_length_is_not_expected_to_take_as_long(
    inside: Any, job_table: Any
) -> None:
    """What was learnt of a job holds as long as its config does."""
    clock = ManualClock()
    job = job_table("marine-vhf", when="back_to_back = true")
    driver = Slow(clock)
    async with inside({"mast": driver}, [job], clock=clock) as here:
        await here.until("sweeps", lambda: len(driver.swept) >= 4)
    recovery = _recovery(here, clock)
    (spec,) = here.built.jobs
    past = look_back(recovery, [spec])
    assert past.estimate_s(spec) == pytest.approx(EVERY_S)
    edited: JobSpec = replace(spec, feed=replace(spec.feed, config="another"))
    assert look_back(recovery, [edited]).estimate_s(edited) == spec.planned.estimate_s


# ---- a clock that was wrong ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("accounted_s", "noted_s", "due"),
    [(1000.0, 1005.0, 5), (1000.0, 995.0, 5), (9000.0, 1000.0, 5), (None, 1000.0, 25)],
    ids=["in order", "noted a while before", "was ahead and set back", "nothing came of it"],
)
async def test_time_down_is_counted_from_a_clock_that_was_right(
    inside: Any, job_table: Any, accounted_s: float | None, noted_s: float, due: int
) -> None:
    """The last due time accounted for may be of a clock that was hours ahead; when the station last
    noted that it runs says so."""
    here = inside({"mast": ScriptedDriver()}, [job_table("marine-vhf", when='every = "10 s"')])
    (spec,) = here.built.jobs
    past = Past(
        jobs={},
        planned={spec.name: spec.planned},
        gone={},
        carried=(),
        plan_s=800.0,
        noted_s=noted_s,
    )
    state = JobState(meter=None, config="", accounted_s=accounted_s)
    gaps = past.down(spec.name, past.since_s(state), 1050.0)
    assert sum(gap.count for gap in gaps) == due - (1 if accounted_s is not None else 0)


async def test_a_clock_set_back_while_the_sweeper_is_away_is_followed(
    inside: Any, job_table: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """Five hours ahead, set back, an hour down: all that was due under the right clock is there."""
    clock, driver = ManualClock(), ScriptedDriver()
    jobs = [job_table("marine-vhf", when='every = "10 s"')]
    async with inside({"mast": driver}, jobs, clock=clock) as here:
        await here.until("presence", lambda: here.events("sweeper_present"))
        await sweep(here, clock, 3)
        driver.is_unplugged = True
        clock.step_wall(-5 * HOUR_S)
        here.station._look_at_clocks()
        right_s = clock.wall_s()
        for _ in range(10):
            clock.advance(EVERY_S)
            here.station._sweepers[0]._wake.set()
            await asyncio.sleep(0.02)
    clock.advance(HOUR_S)
    driver = ScriptedDriver()
    async with inside({"mast": driver}, jobs, clock=clock) as here:
        await here.until("presence", lambda: here.events("sweeper_present"))
        await sweep(here, clock, 3)
    events = [
        event
        for event in open_archive(here.archive).events("marine-vhf")
        if isinstance(event, GapRecord | SweepRecord)
        and right_s <= _at_s(event) < right_s + 2 * HOUR_S
    ]
    due: list[int] = []
    for event in events:
        if isinstance(event, SweepRecord):
            due.append(round(event.due_s / EVERY_S))
        elif event.count:
            due += range(round(event.from_s / EVERY_S), round(event.to_s / EVERY_S) + 1)
    assert due == list(range(due[0], due[0] + len(due)))
    assert len(due) >= 370


# ---- who was swept -------------------------------------------------------------------------------


async def test_a_start_reads_its_past_beside_the_loop(
    inside: Any, job_table: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing that reads the disk holds up the loop; and who was swept last is known by then."""
    jobs = [job_table("marine-vhf")]
    driver = ScriptedDriver()
    async with inside({"mast": driver}, jobs) as here:
        await here.until("sweeps", lambda: len(driver.swept) >= 2)
    threads: list[threading.Thread] = []
    found: list[Past] = []

    def watched(*args: Any) -> Past:
        threads.append(threading.current_thread())
        found.append(look_back(*args))
        return found[0]

    monkeypatch.setattr(acqd.station.service, "look_back", watched)
    async with inside({"mast": ScriptedDriver()}, jobs) as here:
        await here.until("presence", lambda: here.events("sweeper_present"))
    assert threads and threads[0] is not threading.main_thread()
    identity = found[0].identity(["marine-vhf"])
    assert identity is not None
    assert str(identity) == here.events("sweeper_present")[0]["identity"]


# ---- an archive that has trouble -----------------------------------------------------------------


class Told:
    """Stands where the station's findings go."""

    def __init__(self) -> None:
        self.said: list[tuple[str, str]] = []

    async def tell(self, what: str, text: str, figures: Any = None) -> None:
        self.said.append((what, text))


async def test_trouble_is_told_when_it_comes_and_when_it_goes() -> None:
    """Once, not at every look; another wording of it now and then."""
    clock, told = ManualClock(), Told()
    watch = ArchiveWatch(told, clock)
    for problem in (None, "2 MiB free", "2 MiB free", "1 MiB free", None, None):
        await watch.look(problem)
        clock.advance(5.0)
    assert told.said == [
        ("archive_trouble", "the archive has trouble: 2 MiB free"),
        ("archive_well", "sealing and merging go on"),
    ]
    for minutes in range(0, 130, 5):
        await watch.look(f"{130 - minutes} MiB free")
        clock.advance(300.0)
    assert [what for what, _ in told.said[2:]] == ["archive_trouble"] * 3


@pytest.mark.slow
async def test_an_archive_that_cannot_seal_is_told_of(
    inside: Any, job_table: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A finding of the station's and its health say so while it lasts; no sweep is lost by it."""

    def broken(*_: Any) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(acqd.station.upkeep, "ARCHIVE_LOOK_S", 0.05)
    driver = ScriptedDriver()
    here = inside({"mast": driver}, [job_table("marine-vhf")])
    here.station._built = replace(here.built, seal_every_s=0.2)
    with monkeypatch.context() as patch:
        patch.setattr(acqd.archive.sealer, "seal_journal", broken)
        async with here:
            await here.until("the finding", lambda: here.events("archive_trouble"))
            watch = here.station.health_watch
            health = watch.health()
            assert health.archive_problem is not None
            assert "Input/output error" in health.archive_problem
            patch.undo()
            await here.until("the end of it", lambda: here.events("archive_well"))
            assert watch.health().archive_problem is None
            stored = here.station._jobs["marine-vhf"].last_seq
    findings = open_archive(here.archive).findings("station")
    assert [one.what for one in findings] == ["archive_trouble", "archive_well"]
    assert "journal" in findings[0].text and "Input/output error" in findings[0].text
    assert open_archive(here.archive).sweeps("marine-vhf").sizes["sweep"] >= stored
