"""A whole station through a cold boot: a process whose wall clock a test sets.

What the clock shows and what the kernel says of it is put in the place of the machine's answers,
which is left alone; all else is a station as it runs, with a sweeper behind a socket. (By
libfaketime and its file a station now and then saw the time of before a step for a moment more.)
"""

from __future__ import annotations

import json
import subprocess
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.daytimes import day_times
from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import GapRecord, SweepRecord
from station_bench import ACQD

EVERY_S = 0.25
JOB = "marine-vhf"
LOST_DAY = "1970-01-12"
LOST_S = 1_000_000.0

KERNEL = """
import acqd.clock, pathlib, time
acqd.clock.SystemClock.wall_s = lambda self: time.time() + float(
    pathlib.Path({offset!r}).read_text()
)
acqd.clock._kernel_clock_synchronised = lambda: pathlib.Path({file!r}).read_text() == "yes"
acqd.clock._boot_id = lambda: {boot!r}
"""


class Machine:
    """A machine that is switched off and on: a wall clock, a boot, and what its kernel says."""

    def __init__(self, folder: Path) -> None:
        self._offset, self._said = folder / "offset", folder / "synchronised"
        self.boot = "boot-1"
        self.off_s = 0.0
        self.set(0.0, synchronised=True)

    @property
    def first(self) -> str:
        """What a child process does first."""
        return KERNEL.format(file=str(self._said), offset=str(self._offset), boot=self.boot)

    def set(self, off_s: float, *, synchronised: bool) -> None:
        """The clock is ahead by so much from now on."""
        self.off_s = off_s
        for path, text in (
            (self._offset, f"{off_s:+.3f}\n"),
            (self._said, "yes" if synchronised else "no"),
        ):
            new = path.with_suffix(".new")
            new.write_text(text)
            new.replace(path)

    def cold_boot(self, boot: str, shows_s: float) -> None:
        self.boot = boot
        self.set(shows_s - time.time(), synchronised=False)


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    """A machine of the test's own."""
    return Machine(tmp_path)


def swept(bench: Any, count: int) -> None:
    """Wait until so many more sweeps are committed."""

    def last() -> int:
        try:
            archive = open_archive(bench.archive, amended=False)
            return int(archive.sweeps(JOB).sequence.values[-1])
        except Exception:
            return 0

    before = last()
    bench.wait_for(f"{count} sweeps", lambda: last() >= before + count)


def acqd(*words: str) -> str:
    done = subprocess.run([*ACQD, *words], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return done.stdout


def accounted(archive: Archive) -> tuple[int, float]:
    """Sweeps taken and missed, and how many were due from the first to the last, in true time."""
    at_s, count = [], 0
    for event in archive.events(JOB):
        if isinstance(event, SweepRecord):
            at_s.append(event.due_s)
            count += 1
        elif isinstance(event, GapRecord) and event.count:
            at_s += [event.from_s, event.to_s]
            count += event.count
    return count, (max(at_s) - min(at_s)) / EVERY_S + 1


@pytest.mark.slow
def test_a_power_cut_a_start_in_1970_a_kill_and_a_time_server(bench: Any, machine: Machine) -> None:
    """Every due sweep is stored or accounted for, once, and read at its true time; the clock's word
    is kept, the years between are nobody's, and a report of the night can be made."""
    sim = bench.sim()
    config = bench.config(sim.addresses, [bench.job(JOB, when='every = "250 ms"')])
    run = bench.run(config, first=machine.first)
    run.until("sweeper_present")
    swept(bench, 8)
    run.kill()
    machine.cold_boot("boot-2", LOST_S)
    # Killed once more before the clock is right, in the same boot.
    run = bench.run(config, first=machine.first)
    run.until("sweeper_present")
    swept(bench, 8)
    run.kill()
    run = bench.run(config, first=machine.first)
    run.until("sweeper_present")
    swept(bench, 4)
    machine.set(0.0, synchronised=False)
    run.until("clock_stepped")
    swept(bench, 4)
    machine.set(0.0, synchronised=True)
    run.until("clock_corrected")
    swept(bench, 4)
    run.stop()

    archive = open_archive(bench.archive)
    count, due = accounted(archive)
    assert count == pytest.approx(due, abs=12)
    found = archive.sweeps(JOB)
    assert found.sequence.values.tolist() == list(range(1, found.sizes["sweep"] + 1))
    starts_s = found.started.values
    assert (np.diff(starts_s) > 0).all()
    assert starts_s[-1] - starts_s[0] < 120.0 and abs(starts_s[-1] - time.time()) < 60.0
    raw = open_archive(bench.archive, amended=False)
    assert np.count_nonzero(raw.sweeps(JOB).started.values < LOST_S + 1000.0) >= 12
    # No gap of years: not in what is read, and not in what was recorded.
    assert max(gap.count for gap in raw.gaps(JOB)) < 500
    assert len(raw.hourly(JOB)) <= 6
    words = [one.what for one in archive.findings("station")]
    assert words.count("clock_corrected") == 1 and words.count("clock_stepped") == 1
    assert {one.day for one in day_times(bench.archive, JOB, None, time.time())
            if not one.is_trusted} >= {LOST_DAY}  # fmt: skip
    assert all(
        one.is_trusted for one in day_times(bench.archive, JOB, archive.times(), time.time())
    )
    listed = json.loads(acqd("clock", "show", "--archive", str(bench.archive), "--json"))
    assert listed[0]["boot_id"] == "boot-1"
    assert any(row["corrected"] != "–" for row in listed)
    page = bench.folder / "night.html"
    acqd("report", str(bench.archive), "--output", str(page))
    assert "clock was wrong in" in page.read_text("utf-8")
    assert "equal" in acqd("replay", str(bench.archive), JOB, "--check")
