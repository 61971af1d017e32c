"""Those beside the sweeping are told after each commit, and cost nothing when they fall."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import structlog

from acqd.alerts.news import FindingNews, HealthNews, JobNews, PassNews, SweeperNews
from acqd.archive.reader import open_archive
from acqd.archive.records import FindingRecord
from acqd.station.listeners import STATION, Listeners


def record(job: str) -> FindingRecord:
    return FindingRecord(
        job=job,
        number=3,
        what="sweeper_lost",
        at_s=1.0,
        seq=None,
        text="gone",
        figures={"sweeper": "mast"},
        message=b"{}",
    )


def test_one_that_falls_is_named_once_and_the_others_are_told() -> None:
    """Whatever it raises."""
    told: list[Any] = []

    def falls(news: Any) -> None:
        raise RuntimeError("a fault of its own")

    listeners = Listeners()
    listeners += [falls, told.append]
    with structlog.testing.capture_logs() as logged:
        listeners._log = structlog.get_logger()
        listeners.finding(record("marine-vhf"))
        listeners.finding(record(STATION))
    assert [news.job for news in told] == ["marine-vhf", None]
    assert [one["event"] for one in logged] == ["listener_failed"]


@pytest.mark.slow
def test_a_station_tells_them_what_it_committed_and_no_sooner(bench: Any, tmp_path: Path) -> None:
    """Passes, findings, states and health, of a station without any broker; a listener that falls
    costs no sweep."""
    heard = tmp_path / "heard"
    first = f"""
import acqd.station.listeners as l
seen = open({str(heard)!r}, "a", buffering=1)
def listen(news):
    seen.write(f"{{type(news).__name__}} {{getattr(news, 'seq', None)}}\\n")
    raise RuntimeError("falls")
made = l.Listeners.__init__
def init(self):
    made(self)
    self.append(listen)
l.Listeners.__init__ = init
"""
    sim = bench.sim()
    run = bench.run(bench.config(sim.addresses, [bench.job("marine-vhf")]), first=first)
    run.until("sweeper_present")
    bench.wait_for("passes", lambda: heard.read_text().count("PassNews") > 10)
    run.kill()
    lines = [line.split() for line in heard.read_text().splitlines()]
    kinds = {name for name, _ in lines}
    news = (FindingNews, HealthNews, JobNews, PassNews, SweeperNews)
    assert {one.__name__ for one in news} <= kinds
    seqs = [int(seq) for name, seq in lines if name == "PassNews"]
    stored = open_archive(bench.archive).sweeps("marine-vhf").sequence.values.tolist()
    assert set(seqs) <= set(stored)
    assert len(run.log("listener_failed")) == 1
