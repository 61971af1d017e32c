"""Soaks as a station runs them: they end by themselves, with an exit code and a verdict for all."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from typing import Any

import pytest

from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import FindingRecord
from acqd.publish.messages import JobState, Summary, Verdict

MAIN = "from acqd.cli import main; main()"

JOB = """\
[job.{name}]
kind = "{kind}"
sweeper = "mast"
start = "156.7 MHz"
stop = "156.9 MHz"
points = 101
rbw = "10 kHz"
detector = "sample"
when = {{ every = "100 ms" }}
{more}

[job.{name}.soak]
length = "{length}"
label = "{label}"
coverage_at_least = "{coverage}"
{closing}

[[job.{name}.soak.limit]]
figure = "{figure}"
at_most = "{at_most}"
"""


def soak(name: str = "lamp-soak", **more: str) -> str:
    fields = {
        "kind": "band",
        "length": "3 s",
        "label": "night 1",
        "coverage": "50 %",
        "figure": "strongest_dbm",
        "at_most": "-50 dBm",
        "closing": "",
        "more": 'band = { margin = "10 dB" }',
    }
    return JOB.format(name=name, **(fields | more))


def carrier(**more: str) -> str:
    fields = {"kind": "carrier", "figure": "level_dbm", "more": 'carrier = { window = "50 kHz" }'}
    return soak("beacon", **(fields | more))


def verdicts(archive: Archive) -> list[FindingRecord]:
    return [one for one in archive.findings("lamp-soak") if one.what == "soak_verdict"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("job", "word", "code"),
    [
        (soak(at_most="-50 dBm"), "pass", 0),
        (soak(at_most="-75 dBm"), "fail", 3),
        (soak(at_most="-61 dBm"), "cannot tell", 4),
        (soak(figure="no_such_dbm", at_most="-61 dBm"), "incomplete", 5),
        (carrier(at_most="-50 dBm"), "pass", 0),
    ],
    ids=["pass", "fail", "cannot-tell", "incomplete", "carrier"],
)
def test_the_run_ends_by_itself_with_a_code_for_the_verdict(
    bench: Any, job: str, word: str, code: int
) -> None:
    """And prints what decided it."""
    sim = bench.sim()
    run = bench.run(bench.config(sim.addresses, [job]))
    assert run.wait() == code, run.text
    said = run.process.stdout.read()
    assert f": {word}\n" in said
    assert "has ended: " + word in said
    assert "Traceback" not in run.text
    if word == "fail":
        assert "beyond it " in said and "times, first in sweep 1 at 20" in said


@pytest.mark.slow
def test_what_listeners_hear_of_a_soak_and_a_second_run_of_it(bench: Any) -> None:
    """Summaries with its part, one finding, the retained verdict, the paused job; the next run
    says the same at once, and nothing is missed between the two."""
    sim = bench.sim()
    broker = bench.broker()
    ear = bench.ear(broker.port)
    config = bench.config(sim.addresses, [soak(at_most="-75 dBm")], broker=broker.url)
    run = bench.run(config)
    assert run.wait() == 3, run.text
    bench.wait_for("the goodbye", lambda: ear.heard("/status")[-1]["state"] == "offline")
    (verdict,) = ear.heard("/lamp-soak/verdict")
    Verdict.model_validate(verdict)
    assert verdict["verdict"] == "fail" and verdict["of"] == "soak"
    summaries = ear.heard("/lamp-soak/summary")
    for one in summaries:
        Summary.model_validate(one)
    assert summaries[0]["soak"]["state"] == "running"
    assert [one["soak"]["elapsed_s"] for one in summaries] == sorted(
        one["soak"]["elapsed_s"] for one in summaries
    )
    state = ear.heard("/lamp-soak/state")[-1]
    JobState.model_validate(state)
    assert (state["state"], state["reason"]) == ("paused", "the soak “night 1” has ended: fail")
    whats = [one["what"] for one in ear.heard("/lamp-soak/finding")]
    assert whats.count("soak_verdict") == 1 and whats.count("soak_excursion") == 1
    archive = open_archive(bench.archive)
    stored = len(archive.sweeps("lamp-soak").sequence)
    first_s = float(archive.sweeps("lamp-soak")["started"].values[0])

    time.sleep(1.0)
    began_s = time.monotonic()
    again = bench.run(config)
    assert again.wait() == 3, again.text
    assert time.monotonic() - began_s < 30.0
    assert again.process.stdout.read() == run.process.stdout.read() != ""
    archive = open_archive(bench.archive)
    assert len(archive.sweeps("lamp-soak").sequence) == stored
    # On a busy machine a due time passes before the sweeper has answered for the first time.
    missed = [gap for gap in archive.gaps("lamp-soak") if gap.count]
    assert [gap for gap in missed if gap.to_s >= first_s or gap.reason != "sweeper lost"] == []
    # Who comes later hears it too.
    late = bench.ear(broker.port)
    assert late.until("/lamp-soak/verdict")[0]["verdict"] == "fail"
    assert late.heard("/lamp-soak/state")[-1]["state"] == "paused"


@pytest.mark.slow
@pytest.mark.parametrize("how", ["kill", "stop"])
def test_a_soak_goes_on_after_a_restart_in_the_middle(bench: Any, how: str) -> None:
    """One soak, whose time down is in its coverage; its beginning stays where it was."""
    sim = bench.sim()
    job = soak(length="25 s", at_most="-50 dBm", coverage="20 %")
    config = bench.config(sim.addresses, [job])
    run = bench.run(config)
    run.until("sweeper_present")
    time.sleep(2.5)
    if how == "kill":
        run.kill()
    else:
        run.stop(signal.SIGTERM)
        assert run.process.stdout.closed or run.process.stdout.read() == ""
    first = open_archive(bench.archive).sweeps("lamp-soak")
    stored = len(first.sequence)
    assert stored > 3
    time.sleep(1.0)
    again = bench.run(config)
    assert again.wait() == 0, again.text
    archive = open_archive(bench.archive)
    (found,) = verdicts(archive)
    sweeps = archive.sweeps("lamp-soak")
    ran_s = found.at_s - float(first.time.values[0].astype("int64")) / 1e9
    assert 25.0 <= ran_s < 40.0
    assert len(sweeps.sequence) > stored
    assert 0.2 < found.figures["coverage"] < 0.99
    missed = sum(gap.count for gap in archive.gaps("lamp-soak") if gap.reason == "station down")
    assert missed >= 10
    words = [sys.executable, "-c", MAIN, "replay", str(bench.archive), "lamp-soak", "--check"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "equal bit for bit" in done.stdout


@pytest.mark.slow
def test_a_soak_that_ran_out_while_the_station_was_down_ends_at_the_next_start(bench: Any) -> None:
    sim = bench.sim()
    config = bench.config(sim.addresses, [soak(length="4 s", coverage="90 %")])
    run = bench.run(config)
    run.until("sweeper_present")
    time.sleep(1.5)
    run.kill()
    time.sleep(4.0)
    again = bench.run(config)
    assert again.wait() == 5, again.text
    (found,) = [
        one
        for one in open_archive(bench.archive).findings("lamp-soak")
        if one.what == "soak_verdict"
    ]
    assert found.figures["coverage"] < 0.6


@pytest.mark.slow
def test_other_jobs_go_on_and_a_new_label_begins_anew(bench: Any) -> None:
    """The ended job leaves the plan of its sweeper; another soak of it is another label."""
    sim = bench.sim()
    other = bench.job("marine-vhf")
    config = bench.config(sim.addresses, [soak(length="2 s"), other])
    run = bench.run(config)
    run.until("job_ended", job="lamp-soak")
    archive = open_archive(bench.archive)
    before = len(archive.sweeps("marine-vhf").sequence)
    stored = len(archive.sweeps("lamp-soak").sequence)
    time.sleep(2.0)
    run.stop()
    archive = open_archive(bench.archive)
    assert len(archive.sweeps("marine-vhf").sequence) >= before + 5
    assert len(archive.sweeps("lamp-soak").sequence) <= stored + 1
    assert not [gap for gap in archive.gaps("lamp-soak") if gap.count and gap.reason == "paused"]

    config = bench.config(sim.addresses, [soak(length="2 s", label="night 2"), other])
    run = bench.run(config, "--until-verdict", "lamp-soak")
    assert run.wait() == 0, run.text
    found = verdicts(open_archive(bench.archive))
    assert len(found) == 2 and "night 2" in found[1].text


@pytest.mark.slow
def test_the_closing_reference_is_asked_for_and_bounds_the_sweepers_drift(bench: Any) -> None:
    """One before, one when the soak is over, both by the command that people use."""
    sim = bench.sim()
    closing = 'closing_reference = "quiet"\nclosing_within = "1 min"'
    config = bench.config(sim.addresses, [soak(length="2 s", closing=closing)])

    def take() -> None:
        words = [sys.executable, "-c", MAIN, "reference", "lamp-soak", "quiet", "--yes"]
        done = subprocess.run(
            [*words, "--sweeps", "2", "--config", str(config)],
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert done.returncode == 0, done.stderr

    take()
    run = bench.run(config)
    run.until("finding", what="reference_wanted")
    assert "job_ended" not in run.text
    take()
    assert run.wait() == 0, run.text
    said = run.process.stdout.read()
    assert "between its quiet references the sweeper changed by " in said
    assert "assumed" not in said


@pytest.mark.slow
def test_a_job_that_never_ends_cannot_be_waited_for(bench: Any) -> None:
    config = bench.config({"mast": "sim:mast"}, [bench.job("marine-vhf")])
    run = bench.run(config, "--until-verdict", "marine-vhf")
    assert run.wait() == 2
    assert "no enabled job of this name is a soak" in run.text
