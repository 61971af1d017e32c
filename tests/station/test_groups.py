"""Passes that share a commit, and a medium that is slow to sync."""

from __future__ import annotations

import random
import time
from typing import Any

import pytest

from acqd.archive.reader import open_archive
from acqd.errors import ArchiveError
from acqd.station.slowmedium import advice

SLOW = """\
import time, acqd.archive.journal as j
real = j.Journal.commit
def slow(self, batches):
    time.sleep(0.12)
    return real(self, batches)
j.Journal.commit = slow
"""
"""Commits of a station take so much longer before they begin, as on a memory card that is slow to
sync: the process is a real one, the slowness is made in it."""

JOBS = ("marine-vhf", "calling", "airband")


def config_of(bench: Any, sim: Any, **more: Any) -> Any:
    jobs = [bench.job(name, "mast", 'every = "600 ms"') for name in JOBS]
    return bench.config(sim.addresses, jobs, station_more='commit_within = "1 s"', **more)


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_what_is_published_is_stored_also_where_passes_share_a_commit(bench: Any) -> None:
    """Killed at random moments on a slow medium: nobody has heard of a pass that is not there."""
    sim = bench.sim()
    broker = bench.broker()
    ear = bench.ear(broker.port)
    config = config_of(bench, sim, broker=broker.url)
    chance = random.Random(20260621)
    for _ in range(3):
        before = len(ear.heard("/summary"))
        run = bench.run(config, first=SLOW)
        ear.until("/summary", before + 4)
        time.sleep(chance.uniform(0.0, 1.2))
        run.kill()
        archive = open_archive(bench.archive)
        for job in JOBS:
            heard = {one["seq"] for one in ear.heard(f"/{job}/summary")}
            if heard:
                assert heard <= set(archive.sweeps(job).sequence.values.tolist())
    assert len(ear.heard("/summary")) >= 12


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_waiting_for_others_makes_no_job_miss_its_times(bench: Any) -> None:
    """A job waits for others half its interval at the most, whatever commit_within allows."""
    sim = bench.sim()
    jobs = [bench.job("marine-vhf", when='every = "200 ms"')]
    config = bench.config(sim.addresses, jobs, station_more='commit_within = "1 s"')
    run = bench.run(config)
    run.until("sweeper_present")
    bench.wait_for("forty sweeps", lambda: stored(bench) >= 40)
    run.stop()
    covered = open_archive(bench.archive).coverage("marine-vhf")
    # With commits of a second each four of five would be missed.
    assert covered.missed.get("overrun", 0) < covered.stored / 4


def stored(bench: Any) -> int:
    try:
        return int(open_archive(bench.archive).coverage("marine-vhf").stored)
    except ArchiveError:
        return 0


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_a_slow_medium_is_told_once_with_what_helps(bench: Any) -> None:
    """In the log, when enough commits were timed."""
    sim = bench.sim()
    jobs = [bench.job(name, when='every = "300 ms"') for name in JOBS]
    config = bench.config(sim.addresses, jobs)
    run = bench.run(config, first=SLOW)
    told = run.until("commits_slow")
    assert told["median_s"] >= 0.05
    assert "share commits with commit_within" in told["text"]
    run.stop()
    assert len(run.log("commits_slow")) == 1


def test_the_advice_fits_what_there_is() -> None:
    """Of one job passes share nothing, and what is set already is not advised."""
    alone = advice(0.2, a_second=2.0, within_s=0.0, jobs=1)
    assert alone == (
        "the medium is slow: a commit takes 200 ms (the median of the last), 40 % of the time by "
        "now; sweep less often, or put the archive on another medium"
    )
    assert "commit_within" in advice(0.2, a_second=2.0, within_s=0.0, jobs=3)
    assert "commit_within" not in advice(0.2, a_second=9.0, within_s=1.0, jobs=3)
    assert "100 %" in advice(0.2, a_second=9.0, within_s=1.0, jobs=3)
