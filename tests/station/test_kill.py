"""``kill -9`` of a station at random moments: nothing published is lost (G1), no gap silent (G5).

``ACQD_KILLS`` sets how often it is killed; a dozen times without it.
"""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from acqd.archive.reader import Archive, open_archive

KILLS = int(os.environ.get("ACQD_KILLS", "12"))
EVERY_S = {"marine-vhf": 0.1, "calling": 1.0}
BURST = {"marine-vhf": 1, "calling": 3}


def _stored(archive: Archive, job: str) -> list[int]:
    seqs: list[int] = archive.sweeps(job).sequence.values.tolist()
    return seqs


@pytest.mark.slow
@pytest.mark.timeout(60 + 10 * KILLS)
def test_killed_at_random_moments_it_loses_nothing_and_hides_nothing(
    bench: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """A dozen kills of one station while somebody else's broker and listener write all down."""
    sim = bench.sim({"mast": "tcp", "bench": "tcp"})
    broker = bench.broker()
    ear = bench.ear(broker.port)
    jobs = [
        bench.job("marine-vhf", when='every = "100 ms"'),
        # 3 sweeps of 0.55 s: committed in two parts, and a kill may come between.
        bench.job("calling", "bench", 'every = "1 s", burst = 3', more='sweep_time = "27.5 s"'),
    ]
    config = bench.config(sim.addresses, jobs, broker=broker.url)
    chance = random.Random(20260614)
    before = 0
    for at in range(KILLS):
        run = bench.run(config)
        run.until("station_started")
        if at % 4 != 3:
            # Every fourth is killed while it is still starting.
            run.until("sweeper_present")
        time.sleep(chance.uniform(0.0, 2.0))
        run.kill()
        archive = open_archive(bench.archive)
        jobs_there = archive.jobs()
        for job in EVERY_S:
            heard = [one["seq"] for one in ear.heard(f"/{job}/summary")]
            if heard:
                assert set(heard) <= set(_stored(archive, job))
        if "marine-vhf" in jobs_there:
            stored = len(_stored(archive, "marine-vhf"))
            assert stored >= before
            before = stored

    last = bench.run(config)
    carried = last.until("carrying_on")
    assert carried["due_while_down"] > 0
    last.until("sweeper_present", sweeper="mast")
    seen = len(ear.heard("/marine-vhf/summary"))
    ear.until("/marine-vhf/summary", seen + 5)
    last.stop()

    archive = open_archive(bench.archive)
    for job in EVERY_S:
        seqs = _stored(archive, job)
        assert seqs == list(range(1, len(seqs) + 1))
        summaries = ear.heard(f"/{job}/summary")
        assert {one["seq"] for one in summaries} <= set(seqs)
        check_accounts(archive, job, every_s=EVERY_S[job], burst=BURST[job])
        assert "station down" in {gap.reason for gap in archive.gaps(job)}
    assert len(ear.heard("/marine-vhf/summary")) > 2 * KILLS
    _check_peaks(archive, ear)
    _check_findings(archive, ear)


@pytest.mark.slow
def test_killed_before_anything_was_swept_its_time_is_accounted_for_all_the_same(
    bench: Any, check_accounts: Callable[..., list[int]]
) -> None:
    """The sweeper was away from the first moment; the plan says since when something was due."""
    sim = bench.sim()
    sim.end()
    config = bench.config(sim.addresses, [bench.job("marine-vhf")])
    for _ in range(2):
        run = bench.run(config)
        run.until("sweeper_away")
        time.sleep(0.3)
        run.kill()
    sim.restart()
    run = bench.run(config)
    run.until("finding")
    run.stop()
    archive = open_archive(bench.archive)
    numbers = check_accounts(archive, "marine-vhf", every_s=0.1)
    began_s = archive.plans()[0][0]
    assert began_s <= numbers[0] * 0.1 < began_s + 0.1001


def _check_peaks(archive: Archive, ear: Any) -> None:
    """What a message said of a sweep is what the archive has under its number."""
    sweeps = archive.sweeps("marine-vhf")
    peaks = dict(zip(sweeps.sequence.values.tolist(), sweeps.level.values.max(1), strict=True))
    for one in ear.heard("/marine-vhf/summary"):
        assert np.isclose(one["band"]["peak_dbm"], peaks[one["seq"]], rtol=0, atol=1e-3)


def _check_findings(archive: Archive, ear: Any) -> None:
    """Findings are numbered without a gap, and each got out at least once, also over a kill."""
    for job, topic in (("marine-vhf", "/marine-vhf/finding"), ("station", "lookout/finding")):
        kept = {one.number: one.message for one in archive.findings(job)}
        assert sorted(kept) == list(range(1, len(kept) + 1))
        heard = {one["number"] for one in ear.heard(topic)}
        assert heard == set(kept)
