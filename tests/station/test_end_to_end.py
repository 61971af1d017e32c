"""One evening at a small station: simulated sweeper, plan, archive, broker, and who listens."""

from __future__ import annotations

import json
import math
import signal
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from acqd_sim.scenefile import load_world

from acqd.archive.reader import Archive, open_archive
from acqd.publish.messages import MESSAGES
from acqd.publish.topics import Topics
from acqd.units import mean_power_db

TOPICS = Topics("lookout")
JOB = "marine-vhf"


@dataclass
class Evening:
    """What is left of two runs."""

    archive: Archive
    messages: list[tuple[bool, str, str]]
    split: int
    """Messages of the first run."""
    took_s: list[float]
    logs: list[list[dict[str, Any]]]
    scene: str
    files: list[str]
    """Files of the archive after the first run."""

    def heard(self, topic: str) -> list[dict[str, Any]]:
        return [json.loads(payload) for _, its, payload in self.messages if its == topic]


@pytest.fixture(scope="module")
def evening(module_bench: Any) -> Evening:
    """Two runs of one station: the first ended by SIGTERM, the second by Ctrl-C."""
    bench = module_bench
    sim = bench.sim()
    port = bench.broker().port
    config = bench.config(sim.addresses, [bench.job(JOB)], broker=f"mqtt://127.0.0.1:{port}")
    ear = bench.ear(port)
    took_s, logs, split, files = [], [], 0, []
    for number in (signal.SIGTERM, signal.SIGINT):
        run = bench.run(config)
        run.until("broker_connected")
        run.until("finding", what="signal_appeared")
        ear.until("/summary", len(ear.heard("/summary")) + 12)
        took_s.append(run.stop(number))
        logs.append(run.log())
        if not split:
            split = len(ear.messages())
            files = [str(path.relative_to(bench.archive)) for path in bench.archive.rglob("*.*")]
    return Evening(
        archive=open_archive(bench.archive),
        messages=ear.messages(),
        split=split,
        took_s=took_s,
        logs=logs,
        scene=str(bench.folder / "scene.toml"),
        files=files,
    )


@pytest.mark.slow
def test_everything_heard_fits_its_model(evening: Evening) -> None:
    """Each message is on a stated topic and one of the models stated for it reads it whole."""
    models = {model.__name__: model for model in MESSAGES}
    seen = set()
    for _, topic, payload in evening.messages:
        spec = TOPICS.spec_of(topic)
        assert spec is not None, topic
        seen.add(spec.name)
        if spec.name == "value":
            assert math.isfinite(float(payload))
            continue
        kinds = [models[name] for name in spec.messages]
        schema = json.loads(payload)["schema"]
        (model,) = [kind for kind in kinds if kind.model_fields["schema_"].default == schema]
        model.model_validate_json(payload)
    assert {"status", "sweeper", "state", "summary", "trace", "finding", "value"} <= seen


@pytest.mark.slow
def test_everything_heard_fits_the_published_contract(evening: Evening) -> None:
    """The schemas of the AsyncAPI document accept what was really sent (JSON Schema 2020-12)."""
    asyncapi = pytest.importorskip("acqd.publish.asyncapi")
    from jsonschema import Draft202012Validator

    document = asyncapi.asyncapi_document()
    schemas = document["components"]["schemas"]
    checked = 0
    for _, topic, payload in evening.messages:
        spec = TOPICS.spec_of(topic)
        assert spec is not None
        if spec.name == "value":
            continue
        told = json.loads(payload)
        names = [
            name
            for name in spec.messages
            if told["schema"] in json.dumps(schemas[name]["properties"]["schema"])
        ]
        assert len(names) == 1
        whole = {**schemas[names[0]], "components": {"schemas": schemas}}
        Draft202012Validator(whole).validate(told)
        checked += 1
    assert checked > 40


@pytest.mark.slow
def test_every_sweep_that_was_heard_of_is_in_the_archive_with_its_levels(evening: Evening) -> None:
    """The trace's peaks are the archive's, point for point; nothing was published that is not."""
    sweeps = evening.archive.sweeps(JOB)
    stored = {int(seq): at for at, seq in enumerate(sweeps.sequence.values)}
    traces = evening.heard(TOPICS.trace(JOB))
    assert len(traces) >= 20
    for trace in traces:
        level = sweeps.level.values[stored[trace["seq"]]]
        # 101 points fit in the message whole, rounded to the hundredth that the sweeper gives.
        assert trace["points"] == trace["source_points"] == level.size
        assert np.allclose(trace["level"], level, rtol=0, atol=0.0051)
    for summary in evening.heard(TOPICS.summary(JOB)):
        at = stored[summary["seq"]]
        peak = float(sweeps.level.values[at].max())
        assert summary["band"]["peak_dbm"] == pytest.approx(peak, abs=1e-3)
        started_s = sweeps.time.values[at].astype("datetime64[us]").astype(float) / 1e6
        assert summary["at_s"] == pytest.approx(started_s, abs=1e-5)


@pytest.mark.slow
def test_the_carriers_of_the_scene_come_back_within_the_stated_accuracy(evening: Evening) -> None:
    """Power mean of what was stored against what the scene had on the air: accuracy + one step."""
    world = load_world(evening.scene)
    model = world.models["mast"]
    sweeps = evening.archive.sweeps(JOB)
    start_s = float(sweeps.time.values[0].astype("datetime64[s]").astype(float))
    truth = {one.name: one for one in world.scenes["harbour"].truth(start_s, start_s + 60.0)}
    for name in ("beacon", "marker"):
        carrier = truth[name]
        at = int(np.abs(sweeps.frequency.values - carrier.frequency_hz).argmin())
        measured = mean_power_db(sweeps.level.values[:, at].astype(float))
        allowed = model.level_accuracy_db + model.level_step_db
        assert abs(measured - carrier.power_dbm) <= allowed, name


@pytest.mark.slow
def test_a_stop_seals_what_was_swept_and_is_quick(evening: Evening) -> None:
    """SIGTERM and Ctrl-C end it within two seconds, and segments are there afterwards."""
    assert max(evening.took_s) < 2.0
    assert [name for name in evening.files if name.endswith(".nc")]
    assert len([name for name in evening.files if name.startswith("journals/")]) == 1
    assert not [name for name in evening.files if name.endswith(".tmp")]
    assert all(log[-1]["event"] == "stopped" for log in evening.logs)


@pytest.mark.slow
def test_the_second_run_carries_on(evening: Evening) -> None:
    """Sequence and finding numbers rise without a gap; the track is not found a second time."""
    seqs = evening.archive.sweeps(JOB).sequence.values.tolist()
    assert seqs == list(range(1, len(seqs) + 1))
    runs = [one["run_id"] for one in evening.heard(TOPICS.summary(JOB))]
    assert len(set(runs)) == 2
    findings = evening.archive.findings(JOB)
    assert [one.number for one in findings] == list(range(1, len(findings) + 1))
    carrying_on = [one for one in evening.logs[1] if one["event"] == "carrying_on"]
    assert carrying_on[0]["due_while_down"] >= 1
    beacon = [one for one in findings if one.what == "signal_appeared" and "156.800" in one.text]
    assert len(beacon) == 1


@pytest.mark.slow
def test_findings_are_heard_as_they_are_kept(evening: Evening) -> None:
    """Every finding of the archive was received, with the very bytes that were stored."""
    for job, topic in ((JOB, TOPICS.finding(JOB)), ("station", TOPICS.station_finding)):
        sent = {
            json.loads(payload)["number"]: payload
            for _, its, payload in evening.messages
            if its == topic
        }
        kept = {one.number: one.message.decode() for one in evening.archive.findings(job)}
        assert sent == kept


@pytest.mark.slow
def test_coming_and_going_is_told(evening: Evening) -> None:
    """The status says online, then offline with the reason, for each run."""
    told = [(one["state"], one["reason"]) for one in evening.heard(TOPICS.status)]
    assert [state for state, _ in told].count("offline") >= 2
    assert told[-1] == ("offline", "stopped")
    states = [one["state"] for one in evening.heard(TOPICS.sweeper("mast"))]
    assert states[0] == "away" and "present" in states
    online = [one for one in evening.heard(TOPICS.status) if one["state"] == "online"]
    assert all(one["health"]["disk_free_bytes"] > 0 for one in online)
    assert all(one["sweepers"] == ["mast"] and one["jobs"] == [JOB] for one in online)
