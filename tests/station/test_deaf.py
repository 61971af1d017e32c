"""A station whose sweeper goes deaf behind its SCPI port: what it says, also after a kill in the
middle of it, and when it hears again."""

from __future__ import annotations

import json
from typing import Any

from acqd.archive.reader import open_archive
from acqd.archive.records import SweepRecord
from acqd.station.replay import Replay
from acqd.station.replay_check import Check

JOB = "marine-vhf"
MORE = 'witness = [{ frequency = "156.8 MHz", within = "2 s" }]'


def states(ear: Any) -> list[dict[str, Any]]:
    return [one for one in ear.heard(f"/job/{JOB}/state") if one["schema"] == "state/1"]


def until(bench: Any, ear: Any, state: str, run_id: str = "") -> dict[str, Any]:
    """The first message that says so, of another run than ``run_id``."""
    found: dict[str, Any] = bench.wait_for(
        f"state {state}",
        lambda: next(
            (s for s in states(ear) if s["state"] == state and s["run_id"] != run_id), None
        ),
    )
    return found


def test_a_cable_that_falls_off_is_said_since_when_also_after_a_kill(bench: Any) -> None:
    """State and channels on MQTT, the report of the running station, the archive; and the same
    since when a second run takes over in the middle of it."""
    sim, broker = bench.sim(), bench.broker()
    config = bench.config(sim.addresses, [bench.job(JOB, more=MORE)], broker=broker.url)
    ear = bench.ear(broker.port)
    run = bench.run(config)
    until(bench, ear, "listening")
    run.until("sweeper_present", sweeper="mast")
    bench.wait_for("the beacon", lambda: len(ear.heard(f"/job/{JOB}/summary")) > 10)
    sim.tell("mast", "cable-off")
    deaf = until(bench, ear, "deaf")
    finding = run.until("finding", what="deaf")
    assert (
        "nothing of 156.800 MHz (within 2 s), which should be heard in that time"
        in (finding["text"])
    )
    assert deaf["reason"].startswith("nothing of 156.800 MHz")
    run.kill()

    run = bench.run(config)
    again = until(bench, ear, "deaf", deaf["run_id"])
    assert again["since_s"] == deaf["since_s"]
    sim.tell("mast", "heal")
    run.until("finding", what="hears_again")
    bench.wait_for(
        "listening again",
        lambda: states(ear)[-1]["state"] == "listening",
    )
    run.stop()

    archive = open_archive(bench.archive)
    told = [one for one in archive.findings(JOB) if one.what in ("deaf", "hears_again")]
    assert [one.what for one in told] == ["deaf", "hears_again"]
    from_s = told[0].figures["from_s"]
    assert told[0].at_s == from_s == deaf["since_s"] == told[1].figures["from_s"]
    assert json.loads(told[0].message)["figures"]["cause"] == "witnesses"
    kept = [one for one in archive.events(JOB) if isinstance(one, SweepRecord)]
    heard = [one for one in kept if one.started_s <= from_s]
    assert heard[-1].started_s == from_s
    noticed_s = told[0].figures["noticed_s"]
    said = [one.summary for one in kept if noticed_s <= one.started_s < told[1].at_s]
    assert said
    assert {one["listening"] for one in said if one} == {False}
    check = Check(same_place=True)
    for event in Replay(archive=archive, job=JOB).run():
        check.take(event)
    assert check.is_exact, check.differ
