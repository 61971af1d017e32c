"""Commands over a real mosquitto to a real station, and the same verbs from its own machine."""

from __future__ import annotations

import json
import secrets
import shutil
import subprocess
import time
from typing import Any

import pytest

from acqd.archive.reader import open_archive
from acqd.archive.records import GapRecord
from acqd.cli import main
from acqd.config.load import load_config
from acqd.errors import ConfigError
from acqd.station.commanding import command_rules

pytestmark = pytest.mark.slow

TOPIC = "acqd/lookout/command"
ALLOWED = """
[commands]
verbs = ["pause", "resume", "sweep"]
jobs = ["marine-vhf", "rare"]
at_most = 8
"""


def say(port: int, verb: str, job: str, *more: str, **given: Any) -> str:
    """Publish a command as anybody would; its id."""
    fields = {"schema": "command/1", "id": secrets.token_hex(4), "verb": verb, "job": job}
    message = {**fields, "at_s": time.time(), "who": "Ida", **given}
    say_raw(port, json.dumps(message), *more)
    return str(message["id"])


def say_raw(port: int, payload: str, *more: str) -> None:
    program = shutil.which("mosquitto_pub")
    assert program is not None
    words = [program, "-h", "127.0.0.1", "-p", str(port), "-t", TOPIC, "-q", "1", "-m", payload]
    subprocess.run([*words, *more], check=True, timeout=30)


def answer_of(bench: Any, ear: Any, wanted: str) -> dict[str, Any]:
    def there() -> dict[str, Any] | None:
        found = [one for one in ear.heard("command/answer") if one["id"] == wanted]
        return found[-1] if found else None

    found = bench.wait_for(f"the answer to {wanted}", there)
    assert isinstance(found, dict)
    return found


@pytest.fixture
def station(bench: Any) -> Any:
    """A station that lets commands, its broker and somebody who hears all of it."""
    sim = bench.sim()
    broker = bench.broker()
    ear = bench.ear(broker.port)
    config = bench.config(
        sim.addresses,
        [
            bench.job("marine-vhf"),
            bench.job("rare", when='every = "6 h"'),
            bench.job("other"),
            ALLOWED,
        ],
        broker=broker.url,
    )
    run = bench.run(config)
    run.until("commands_heard")
    ear.until("job/marine-vhf/summary")
    return bench, broker, ear, run, config


def test_pause_resume_and_sweep(station: Any) -> None:
    """Each answered, kept as a finding and told in the state; what is missed has its reason; a
    pass that is asked for is taken though none is due."""
    bench, broker, ear, run, _ = station
    done = answer_of(bench, ear, say(broker.port, "pause", "marine-vhf"))
    assert (done["outcome"], done["text"]) == ("done", "marine-vhf is paused")
    bench.wait_for(
        "the state",
        lambda: [
            one["reason"]
            for one in ear.heard("job/marine-vhf/state")
            if one["state"] == "paused" and "Ida" in one["reason"]
        ],
    )
    time.sleep(0.5)  # due times go by
    done = answer_of(bench, ear, say(broker.port, "resume", "marine-vhf"))
    assert (done["outcome"], done["text"]) == ("done", "marine-vhf goes on")
    assert not ear.heard("job/rare/summary")
    done = answer_of(bench, ear, say(broker.port, "sweep", "rare"))
    assert (done["outcome"], done["text"]) == ("done", "a pass of rare is due now")
    ear.until("job/rare/summary")
    assert run.stop() < 5.0 and run.wait() == 0
    archive = open_archive(bench.archive)
    gaps = [one for one in archive.events("marine-vhf") if isinstance(one, GapRecord)]
    assert sum(one.count for one in gaps if one.reason == "paused by command") >= 3
    assert archive.sweeps("rare").sizes["sweep"] == 1
    said = [one for one in archive.findings("station") if one.what == "commanded"]
    assert [one.figures["verb"] for one in said] == ["pause", "resume", "sweep"]
    assert all("Ida, as they say, over MQTT" in one.text for one in said)


def test_what_is_not_let_changes_nothing(station: Any) -> None:
    """Another job, an old command, a retained one, one that comes twice, garbage and a flood: the
    station sweeps on, and says what it did."""
    bench, broker, ear, run, _ = station
    refused = answer_of(bench, ear, say(broker.port, "pause", "other"))
    assert (refused["outcome"], refused["text"]) == ("refused", "no commands are let for other")
    old = answer_of(bench, ear, say(broker.port, "pause", "marine-vhf", at_s=time.time() - 99.0))
    assert old["outcome"] == "refused" and " s old; 30 s are let" in old["text"]
    twice = say(broker.port, "sweep", "rare")
    assert answer_of(bench, ear, twice)["outcome"] == "done"
    say(broker.port, "sweep", "rare", id=twice)
    bench.wait_for(
        "the second answer", lambda: answer_of(bench, ear, twice)["outcome"] == "done before"
    )
    for _ in range(20):
        say_raw(broker.port, "pause everything!")
    run.until("command_not_looked_at")
    asked = len(ear.heard("command/answer"))
    ear.until("job/marine-vhf/summary", len(ear.heard("job/marine-vhf/summary")) + 5)
    assert len(ear.heard("command/answer")) == asked
    assert not [one for one in ear.heard("job/marine-vhf/state") if one["state"] == "paused"]
    assert run.stop() < 5.0
    said = open_archive(bench.archive).findings("station")
    assert sum(one.what == "commanded" for one in said) <= 5


def test_a_retained_command_is_done_at_no_connection(station: Any) -> None:
    """Not when it is said, and not by a station that starts later."""
    bench, broker, ear, run, config = station
    say(broker.port, "pause", "marine-vhf", "-r", at_s=time.time() + 20.0, id="first")
    assert answer_of(bench, ear, "first")["outcome"] == "done", "to who listens it is not retained"
    assert run.stop() < 5.0
    again = bench.run(config)
    again.until("commands_heard")
    again.until("command_not_looked_at")
    before = len(ear.heard("job/marine-vhf/summary"))
    ear.until("job/marine-vhf/summary", before + 5)
    assert not again.log("commanded")


def test_the_same_verbs_from_the_stations_own_machine(
    station: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without any allow-list: who may use the socket may stop the station as well."""
    bench, broker, ear, run, config = station

    def acqd(*words: str) -> str:
        code: object = 0
        try:
            main([*words, "--config", str(config)])
        except SystemExit as ended:
            code = ended.code or 0
        out, err = capsys.readouterr()
        return f"{code}: {(out + err).strip()}"

    assert acqd("pause", "other") == "0: other is paused"
    assert acqd("pause", "other") == "0: other was paused already"
    assert "other does not sweep now: paused by command of " in acqd("sweep", "other")
    assert acqd("resume", "other") == "0: other goes on"
    assert acqd("resume", "other") == "0: other was not paused by a command"
    assert acqd("sweep", "rare") == "0: a pass of rare is due now"
    ear.until("job/rare/summary")
    assert acqd("pause", "nothing").startswith("2: ")
    assert answer_of(bench, ear, say(broker.port, "pause", "rare"))["outcome"] == "done"
    assert acqd("pause", "rare") == "0: rare was paused already"
    refused = answer_of(bench, ear, say(broker.port, "resume", "rare"))
    assert refused["outcome"] == "refused" and "goes on from there alone" in refused["text"]
    assert acqd("resume", "rare") == "0: rare goes on"
    assert run.stop() < 5.0
    assert "1: " in acqd("pause", "other") and run.wait() == 0


def test_without_the_table_nobody_is_heard(bench: Any) -> None:
    """Off by default: nothing subscribes, nothing answers."""
    sim, broker = bench.sim(), bench.broker()
    ear = bench.ear(broker.port)
    jobs = [bench.job("marine-vhf")]
    run = bench.run(bench.config(sim.addresses, jobs, broker=broker.url))
    ear.until("job/marine-vhf/summary")
    say(broker.port, "pause", "marine-vhf")
    ear.until("job/marine-vhf/summary", len(ear.heard("job/marine-vhf/summary")) + 5)
    assert not ear.heard("command/answer") and not run.log("commands_heard")


@pytest.mark.parametrize(
    ("table", "problem"),
    [
        ('verbs = ["pause"]', "jobs"),
        ('jobs = ["marine-vhf"]', "verbs"),
        ('verbs = ["source"]\njobs = ["marine-vhf"]', "verbs"),
        ('verbs = ["pause"]\njobs = ["marine-vfh"]', "did you mean `marine-vhf`?"),
        ('verbs = ["pause", "pause"]\njobs = ["marine-vhf"]', "one is said twice"),
        ('verbs = ["pause"]\njobs = ["marine-vhf"]\nat_most = 1000', "at_most"),
        ('verbs = ["pause"]\njobs = ["marine-vhf"]\nstale_after = "1 d"', "stale_after"),
    ],
)
def test_a_table_that_cannot_be_meant_is_refused(bench: Any, table: str, problem: str) -> None:
    config = bench.config({"mast": "sim:mast"}, [bench.job("marine-vhf"), f"[commands]\n{table}\n"])
    with pytest.raises(ConfigError, match="commands") as wrong:
        load_config(config)
    assert problem in str(wrong.value)


def test_a_transmitter_at_the_input_is_one_whatever_is_measured(bench: Any) -> None:
    """A band job may have a table for it as well: somebody keys it for each pass."""
    keyed = bench.job("marine-vhf", more='transmitter = { power = "5 W" }')
    table = '[commands]\nverbs = ["sweep"]\njobs = ["marine-vhf"]\n'
    rules = command_rules(load_config(bench.config({"mast": "sim:mast"}, [keyed, table])))
    assert rules is not None and rules.quiet == {"marine-vhf"}


def test_jobs_that_act_on_the_world_are_not_swept_by_strangers(bench: Any) -> None:
    """Those with a source or a transmitter, or for which something is asked around a pass; unless
    the config says so."""
    from pathlib import Path

    demo = Path(__file__).parents[2] / "configs" / "demo.toml"
    table = '[commands]\nverbs = ["sweep"]\njobs = ["marine-vhf", "stop-filter", "hand-held"]\n'
    for more, quiet in (("", {"stop-filter", "hand-held"}), ("with_source = true\n", set())):
        config = demo.with_name(f"test-commands-{secrets.token_hex(4)}.toml")
        config.write_text(demo.read_text("utf-8") + f"\n{table}{more}", "utf-8")
        try:
            rules = command_rules(load_config(config))
        finally:
            config.unlink()
        assert rules is not None and rules.quiet == quiet
