"""A clock that was wrong since the boot and is set right: what was swept has its true time then,
and nothing is counted as missed that was not due.

The clock of the machine is left alone: the station is given one that a test moves. A machine that
is started again is a clock with a boot of another name.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import acqd.station.service
import acqd.station.timedown
from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import GapRecord, SweepRecord
from acqd.archive.timing import TimeCorrections
from acqd.sweep import SweepFlag
from acqd.testing.clock import ManualClock
from acqd.testing.sweepers import ScriptedDriver

EVERY_S = 10.0
HOUR_S = 3600.0
NOW_S = 1_795_000_003.0
LOST_S = 1_003.0
"""What a clock shows that has lost its date. Neither is a due time."""
JOB = "marine-vhf"


@pytest.fixture(autouse=True)
def looks_often(monkeypatch: pytest.MonkeyPatch) -> None:
    """The clocks are looked at every hundredth of a second, and a stop leaves no sealer behind: the
    next run is in the same process, which would find the archive locked."""
    monkeypatch.setattr(acqd.station.service, "CLOCK_LOOK_S", 0.01)
    monkeypatch.setattr(acqd.station.service, "LAST_S", 10.0)
    monkeypatch.setattr(acqd.station.service, "SEALER_GRACE_S", 5.0)


@pytest.fixture
def job_table(job_table: Callable[..., str]) -> Callable[..., str]:
    """Makes the table of a job that is due every ten seconds, unless told otherwise."""
    return partial(job_table, when='every = "10 s"')


def free_clock(shows_s: float, boot: str) -> ManualClock:
    """A clock just after a boot, that nobody has set yet."""
    clock = ManualClock(shows_s, boot_id=boot)
    clock.is_synchronised = False
    return clock


class Nights:
    """Runs of one station, each with a clock of its own."""

    def __init__(self, inside: Any, jobs: list[str]) -> None:
        self.inside, self.jobs = inside, jobs
        self.archive_path: Path | None = None

    @contextlib.asynccontextmanager
    async def run(self, clock: ManualClock) -> Any:
        async with self.inside({"mast": ScriptedDriver()}, self.jobs, clock=clock) as here:
            self.archive_path = here.archive
            await here.until("presence", lambda: here.events("sweeper_present"))
            yield here

    @property
    def archive(self) -> Archive:
        assert self.archive_path is not None
        return open_archive(self.archive_path)


@pytest.fixture
def nights(inside: Any, job_table: Callable[..., str]) -> Nights:
    """Runs of one station with one job."""
    return Nights(inside, [job_table(JOB)])


async def sweep(here: Any, clock: ManualClock, count: int) -> None:
    """Let ``count`` due times go by, each swept."""
    for _ in range(count):
        clock.advance(EVERY_S)
        before = here.station._jobs[JOB].last_seq
        here.station._sweepers[0]._wake.set()
        await here.until("a sweep", lambda before=before: here.station._jobs[JOB].last_seq > before)


async def set_right(here: Any, clock: ManualClock, to_s: float) -> None:
    """A time service sets the clock, and says so when it is satisfied."""
    clock.advance(1.0)
    clock.step_wall(to_s - clock.wall_s())
    await here.until("the step", lambda: here.events("clock_stepped"))
    clock.is_synchronised = True
    await here.until("the correction", lambda: here.events("clock_corrected"))


def accounts(archive: Archive) -> list[tuple[float, int]]:
    """When how many sweeps of the job were taken or missed, by true time; each number once."""
    found, seqs = [], []
    for event in archive.events(JOB):
        if isinstance(event, SweepRecord):
            seqs.append(event.seq)
            found.append((event.started_s, 1))
        elif isinstance(event, GapRecord) and event.count:
            found.append((event.from_s, event.count))
    assert seqs == list(range(1, len(seqs) + 1))
    return sorted(found)


def check_all_due(archive: Archive, *, slack: int) -> None:
    """From the first to the last nothing is missing and nothing twice, to ``slack`` due times."""
    found = accounts(archive)
    due = (found[-1][0] - found[0][0]) / EVERY_S + 1
    assert sum(count for _, count in found) == pytest.approx(due, abs=slack)


def missed(archive: Archive) -> dict[str, int]:
    """Sweeps missed, by reason."""
    found: dict[str, int] = {}
    for gap in archive.gaps(JOB):
        if gap.count:
            found[gap.reason] = found.get(gap.reason, 0) + gap.count
    return found


def findings(archive: Archive) -> list[str]:
    return [one.what for one in archive.findings("station")]


# ---- cold boots ----------------------------------------------------------------------------------


async def test_a_first_night_that_began_in_1970_has_its_true_times(nights: Nights) -> None:
    """No gap of years, no hours of years, one finding that says by how much and of what."""
    clock = free_clock(LOST_S, "boot-1")
    async with nights.run(clock) as here:
        await sweep(here, clock, 5)
        await set_right(here, clock, NOW_S)
        await sweep(here, clock, 5)
    archive = nights.archive
    starts_s = archive.sweeps(JOB).started.values
    assert (np.abs(np.diff(starts_s) - EVERY_S) <= 1.01).all()
    assert starts_s[4] == pytest.approx(NOW_S - 1.0, abs=0.01)
    assert sum(missed(archive).values()) <= 1
    check_all_due(archive, slack=1)
    (correction,) = archive.times().made
    assert correction.boot == "boot-1" and correction.uncertainty_s < 1.0
    (told,) = [one for one in archive.findings("station") if one.what == "clock_corrected"]
    assert "20,775 days behind" in told.text and "sweeps 1 to 5 of marine-vhf" in told.text
    assert told.figures["sweeps"] == 5 and told.figures["number"] == 1
    assert told.figures["shift_s"] == pytest.approx(NOW_S - LOST_S - 51.0, abs=0.01)
    raw = open_archive(archive.root, amended=False)
    assert raw.sweeps(JOB).started.values[:5].tolist() == pytest.approx(
        [LOST_S + EVERY_S * n for n in range(1, 6)], abs=0.01
    )
    assert len(raw.hourly(JOB)) <= 2


async def test_the_night_before_and_the_time_down_fit_together(nights: Nights) -> None:
    """Three hours without power: they are counted once it is known that they were three."""
    clock = ManualClock(NOW_S, boot_id="boot-1")
    async with nights.run(clock) as here:
        await sweep(here, clock, 5)
    clock = free_clock(LOST_S, "boot-2")
    async with nights.run(clock) as here:
        await sweep(here, clock, 5)
        assert "station down" not in missed(nights.archive)
        await set_right(here, clock, NOW_S + 3 * HOUR_S)
        await sweep(here, clock, 5)
    archive = nights.archive
    check_all_due(archive, slack=2)
    down = missed(archive)["station down"]
    assert down == pytest.approx((3 * HOUR_S - 100.0) / EVERY_S, abs=2)
    assert sum(missed(archive).values()) <= down + 1
    starts_s = archive.sweeps(JOB).started.values
    assert (np.diff(starts_s) > 4.9).all()
    hours = [one.hour_start_s for one in archive.hourly(JOB)]
    assert len(hours) <= 6 and min(hours) >= NOW_S - HOUR_S


async def test_a_clock_that_went_on_where_it_was_switched_off(nights: Nights) -> None:
    """As of a machine that keeps the time of its last shutdown: eight hours turn out to be down."""
    clock = ManualClock(NOW_S, boot_id="boot-1")
    async with nights.run(clock) as here:
        await sweep(here, clock, 5)
    clock = free_clock(NOW_S + 55.0, "boot-2")
    async with nights.run(clock) as here:
        await sweep(here, clock, 30)
        await set_right(here, clock, clock.wall_s() + 8 * HOUR_S)
        await sweep(here, clock, 5)
    archive = nights.archive
    check_all_due(archive, slack=2)
    assert missed(archive)["station down"] == pytest.approx(8 * HOUR_S / EVERY_S, abs=2)
    assert (np.diff(archive.sweeps(JOB).started.values) > 4.9).all()
    # The sweeps of the wrong hours are found at the right ones, and only there.
    assert archive.coverage(JOB, NOW_S + 60.0, NOW_S + 8 * HOUR_S).stored == 0
    assert archive.coverage(JOB, NOW_S + 8 * HOUR_S, NOW_S + 9 * HOUR_S).stored == 35


async def test_a_clock_that_was_ahead_is_followed_back(nights: Nights) -> None:
    """Two hours too many are counted as down at the start, and are none when it is read."""
    clock = ManualClock(NOW_S, boot_id="boot-1")
    async with nights.run(clock) as here:
        await sweep(here, clock, 5)
    clock = free_clock(NOW_S + 3 * HOUR_S, "boot-2")
    async with nights.run(clock) as here:
        await sweep(here, clock, 5)
        await set_right(here, clock, NOW_S + HOUR_S + 50.0)
        await sweep(here, clock, 5)
    archive = nights.archive
    assert missed(archive)["station down"] == pytest.approx((HOUR_S - 50.0) / EVERY_S, abs=2)
    check_all_due(archive, slack=2)
    assert (np.diff(archive.sweeps(JOB).started.values) > 4.9).all()


async def test_years_ahead_nothing_is_counted_before_the_clock_is_known(nights: Nights) -> None:
    """A date of 2030 at the start makes no gap of years; synchronised, the right one is made."""
    clock = ManualClock(NOW_S, boot_id="boot-1")
    async with nights.run(clock) as here:
        await sweep(here, clock, 5)
    clock = free_clock(NOW_S + 1e8, "boot-2")
    async with nights.run(clock) as here:
        await sweep(here, clock, 5)
        await set_right(here, clock, NOW_S + HOUR_S)
        await sweep(here, clock, 5)
    archive = nights.archive
    raw = open_archive(archive.root, amended=False)
    assert sum(gap.count for gap in raw.gaps(JOB)) < 400
    assert missed(archive)["station down"] == pytest.approx(HOUR_S / EVERY_S - 10, abs=2)
    check_all_due(archive, slack=2)


async def test_a_clock_that_is_never_kept_is_believed_in_the_end(
    nights: Nights, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A winter off, without a network: after a quarter of an hour its date counts."""
    clock = ManualClock(NOW_S, boot_id="boot-1")
    async with nights.run(clock) as here:
        await sweep(here, clock, 5)
    clock = free_clock(NOW_S + 90 * 86400.0, "boot-2")
    async with nights.run(clock) as here:
        await sweep(here, clock, 3)
        assert not missed(nights.archive)
        clock.advance(acqd.station.timedown.WAITS_S)
        await here.until("its patience", lambda: here.events("clock_taken_as_it_is"))
        await sweep(here, clock, 3)
    assert missed(nights.archive)["station down"] == pytest.approx(90 * 8640, abs=10)
    # What the quarter of an hour missed in this test is an overrun: its clock jumped over it.
    check_all_due(nights.archive, slack=2)


async def test_what_waits_for_the_clock_outlives_restarts(nights: Nights) -> None:
    """1970 twice, in two boots, and the second is set right: the first one's time is not known."""
    clock = ManualClock(NOW_S, boot_id="boot-1")
    async with nights.run(clock) as here:
        await sweep(here, clock, 5)
    for boot in ("boot-2", "boot-3"):
        clock = free_clock(LOST_S, boot)
        for _ in range(2):
            async with nights.run(clock) as here:
                await sweep(here, clock, 3)
            clock.advance(30.0)
    async with nights.run(clock) as here:
        await sweep(here, clock, 3)
        await set_right(here, clock, NOW_S + 2 * HOUR_S)
        await sweep(here, clock, 3)
    archive = nights.archive
    (correction,) = archive.times().made
    assert correction.boot == "boot-3"
    found = archive.sweeps(JOB)
    boots = found.boot.values.tolist()
    starts_s = found.started.values
    assert [boot for boot, at_s in zip(boots, starts_s, strict=True) if at_s < 1e6] == [
        "boot-2"
    ] * 6
    known_s = starts_s[starts_s > 1e6]
    assert (np.diff(known_s) > 4.9).all()
    down = [gap for gap in archive.gaps(JOB) if gap.detail.startswith("known when")]
    (gap,) = down
    assert "may have been swept while it was wrong" in gap.detail
    total = sum(missed(archive).values()) + len(starts_s)
    due = (known_s[-1] - known_s[0]) / EVERY_S + 1
    assert total == pytest.approx(due, abs=8)


# ---- restarts, and what proves nothing -----------------------------------------------------------


async def test_a_clock_set_while_the_station_was_stopped_is_noticed_at_its_start(
    nights: Nights,
) -> None:
    """Same boot, two runs: the marks of the first say what it showed."""
    clock = ManualClock(NOW_S, boot_id="boot-1")
    async with nights.run(clock) as here:
        await sweep(here, clock, 5)
    clock = free_clock(LOST_S, "boot-2")
    async with nights.run(clock) as here:
        await sweep(here, clock, 5)
    clock.advance(100.0)
    clock.step_wall(NOW_S + HOUR_S - clock.wall_s())
    clock.is_synchronised = True
    async with nights.run(clock) as here:
        await here.until("the correction", lambda: here.events("clock_corrected"))
        await sweep(here, clock, 5)
    archive = nights.archive
    check_all_due(archive, slack=3)
    assert (np.diff(archive.sweeps(JOB).started.values) > 4.9).all()
    assert findings(archive).count("clock_corrected") == 1
    async with nights.run(clock) as here:
        await sweep(here, clock, 1)
    assert findings(nights.archive).count("clock_corrected") == 1


async def test_a_correction_that_was_taken_back_is_not_made_again(nights: Nights) -> None:
    """Nor by the next run in the same boot, which sees the same marks."""
    clock = free_clock(LOST_S, "boot-1")
    async with nights.run(clock) as here:
        await sweep(here, clock, 3)
        await set_right(here, clock, NOW_S)
        await sweep(here, clock, 3)
        undone = here.station._archive.add_overlay("undo", body={"undoes": 1}, who="watch")
        await here.until("the undoing", undone.done)
    async with nights.run(clock) as here:
        await sweep(here, clock, 2)
    assert nights.archive.times() is None
    assert nights.archive.sweeps(JOB).started.values[0] < 1e6


@pytest.mark.parametrize("step_s", [3 * HOUR_S, -3 * HOUR_S], ids=["forwards", "back"])
async def test_a_step_of_a_clock_that_said_it_was_right_proves_nothing(
    nights: Nights, step_s: float
) -> None:
    """Which of the two times was wrong nobody knows; the command is named."""
    clock = ManualClock(NOW_S, boot_id="boot-1")
    async with nights.run(clock) as here:
        await sweep(here, clock, 3)
        clock.step_wall(step_s)
        await here.until("the step", lambda: here.events("clock_stepped"))
        await sweep(here, clock, 3)
    archive = nights.archive
    assert archive.times() is None
    (told,) = archive.findings("station")
    assert told.what == "clock_stepped" and "acqd clock" in told.text
    if step_s > 0:
        assert missed(archive)["clock stepped"] == pytest.approx(3 * HOUR_S / EVERY_S, abs=2)


async def test_a_clock_set_wrong_by_hand_and_right_by_its_service(nights: Nights) -> None:
    """The kernel takes its word back when somebody sets it: that stretch is proven, no other."""
    clock = ManualClock(NOW_S, boot_id="boot-1")
    async with nights.run(clock) as here:
        await sweep(here, clock, 3)
        clock.advance(1.0)
        clock.is_synchronised = False
        clock.step_wall(-30 * 60.0)
        await here.until("the step", lambda: here.events("clock_stepped"))
        await sweep(here, clock, 3)
        clock.advance(1.0)
        clock.step_wall(30 * 60.0)
        await here.until("the step", lambda: len(here.events("clock_stepped")) == 2)
        clock.is_synchronised = True
        await here.until("the correction", lambda: here.events("clock_corrected"))
        await sweep(here, clock, 3)
    found = nights.archive.sweeps(JOB)
    assert found.clock_correction.values.tolist() == [0, 0, 0, 1, 1, 1, 0, 0, 0]
    assert (np.abs(np.diff(found.started.values) - EVERY_S) <= 1.01).all()


async def test_a_clock_that_wandered_off_is_not_taken_for_one_that_was_wrong(
    nights: Nights,
) -> None:
    """It had been right, ran free for a day and was pulled back by 5 s: when is not known."""
    clock = ManualClock(NOW_S, boot_id="boot-1")
    async with nights.run(clock) as here:
        await sweep(here, clock, 2)
        clock.is_synchronised = False
        await sweep(here, clock, 3)
        clock.step_wall(5.0)
        await here.until("the step", lambda: here.events("clock_stepped"))
        clock.is_synchronised = True
        await sweep(here, clock, 2)
    assert nights.archive.times() is None
    assert findings(nights.archive) == ["clock_stepped"]


async def test_sleep_before_the_clock_is_right_parts_the_correction(nights: Nights) -> None:
    """Monotonic time stands still then; the sweeps of either side come out right."""
    clock = free_clock(LOST_S, "boot-1")
    async with nights.run(clock) as here:
        await sweep(here, clock, 3)
        clock.advance(1.0)
        clock.suspend(HOUR_S)
        await here.until("the sleep", lambda: here.events("host_slept"))
        await sweep(here, clock, 3)
        await set_right(here, clock, NOW_S)
        await sweep(here, clock, 2)
    archive = nights.archive
    starts_s = archive.sweeps(JOB).started.values
    assert starts_s[2] + HOUR_S + 3 * EVERY_S + 2.0 == pytest.approx(NOW_S, abs=0.01)
    assert starts_s[3] - starts_s[2] >= HOUR_S
    (asleep,) = [gap for gap in archive.gaps(JOB) if gap.reason == "host asleep"]
    assert asleep.from_s == pytest.approx(starts_s[2] + EVERY_S, abs=EVERY_S)
    check_all_due(archive, slack=2)
    assert len(TimeCorrections(archive.times().made).made[0].pieces) == 2


async def test_the_first_sweep_after_it_is_flagged(nights: Nights) -> None:
    """And those before it say that the clock was not synchronised."""
    clock = free_clock(LOST_S, "boot-1")
    async with nights.run(clock) as here:
        await sweep(here, clock, 2)
        await set_right(here, clock, NOW_S)
        await sweep(here, clock, 2)
    flags = nights.archive.sweeps(JOB).flags.values
    free = (flags & int(SweepFlag.CLOCK_UNSYNCHRONISED)) > 0
    assert free.tolist() == [True, True, False, False]
    stepped = (flags & int(SweepFlag.CLOCK_STEPPED)) > 0
    assert stepped.tolist() == [False, False, True, False]
