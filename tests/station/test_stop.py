"""A stop has two seconds, whatever hangs; and what a restart tells of before it has swept."""

from __future__ import annotations

import asyncio
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from acqd.archive.reader import open_archive
from acqd.archive.records import SweepRecord
from acqd.measure.meter import FindingDraft
from acqd.publish.child import free_port
from acqd.testing.sweepers import ScriptedDriver

JOB = "marine-vhf"
LIMIT_S = 2.0

RESOLVER_HANGS = """
import socket, time
real = socket.getaddrinfo
def slow(host, *rest, **more):
    if "example" in str(host):
        print('{"event": "hangs"}', file=__import__("sys").stderr, flush=True)
        time.sleep(25)
    return real(host, *rest, **more)
socket.getaddrinfo = slow
"""

STEP_HANGS = """
import sys, time
import {module} as module
def hang(*rest, **more):
    # One write: another thread has something to say at the same time.
    sys.stderr.write('{{"event": "hangs"}}\\n')
    sys.stderr.flush()
    time.sleep(25)
module.{name} = hang
"""


@pytest.mark.slow
def test_a_resolver_that_hangs_does_not_delay_the_end(bench: Any) -> None:
    """A broker by name, looked up for 25 s: the process has ended two seconds after SIGTERM."""
    config = bench.config(
        {"mast": "sim:mast"}, [bench.job(JOB)], broker="mqtt://shack.example:1883"
    )
    run = bench.run(config, first=RESOLVER_HANGS)
    run.until("hangs")
    run.until("sweeper_present")
    assert run.stop() < LIMIT_S


@pytest.mark.slow
@pytest.mark.parametrize(
    ("module", "name", "broker"),
    [
        ("acqd.archive.writer", "ArchiveWriter.open", "none"),
        ("acqd.archive.writer", "ArchiveWriter.begin", "none"),
        ("ssl", "create_default_context", "mqtts://127.0.0.1:8883"),
    ],
    ids=["opening-the-archive", "beginning-a-journal", "reading-certificates"],
)
def test_a_step_of_the_start_that_hangs_does_not_delay_the_end(
    bench: Any, module: str, name: str, broker: str
) -> None:
    """SIGTERM in the middle of it: exit code 0 within two seconds, and the next start is well."""
    config = bench.config({"mast": "sim:mast"}, [bench.job(JOB)], broker=broker)
    run = bench.run(config, first=STEP_HANGS.format(module=module, name=name))
    run.until("hangs")
    assert run.stop() < LIMIT_S
    assert run.log()[-1]["event"] == "stopped"
    run = bench.run(config, "--broker", "none")
    run.until("sweeper_present")
    run.stop()


@pytest.mark.slow
def test_a_broker_that_does_not_come_up_does_not_delay_the_end(bench: Any) -> None:
    """SIGTERM while the station's own broker starts, deaf to everything: code 0, nothing left."""
    port = free_port("127.0.0.1")
    config = bench.config({"mast": "sim:mast"}, [bench.job(JOB)], broker="local", port=port)
    told = bench.folder / "pid"
    program = bench.folder / "mosquitto"
    # Its own child keeps the pipe of its standard error open.
    program.write_text(f"#!/bin/sh\ntrap '' TERM\necho $$ > {told}\nsleep 25\n")
    program.chmod(0o755)
    bench.folder.chmod(0o777)
    told.touch()
    told.chmod(0o666)
    first = (
        f"import acqd.publish.broker as b\n"
        f"b.find_mosquitto = lambda: b.Path({str(program)!r})\n"
        f"b._service_user = lambda: None"
    )
    run = bench.run(config, first=first)
    pid = bench.wait_for("the broker", lambda: told.read_text().strip())
    assert run.stop() < LIMIT_S
    assert run.log()[-1]["event"] == "stopped"
    assert not Path(f"/proc/{pid}").exists()


SEALING_DRAGS = """
import time
import acqd.archive.sealing as sealing
real = sealing.write_sweeps
def dragging(*rest, **more):
    time.sleep({drags_s})
    return real(*rest, **more)
sealing.write_sweeps = dragging
"""


@pytest.mark.slow
@pytest.mark.parametrize("drags_s", [0.5, 30.0], ids=["a busy machine", "a disk that hangs"])
def test_sealing_that_drags_is_left_to_the_next_start(
    bench: Any, check_accounts: Any, drags_s: float
) -> None:
    """A stop commits, and seals what there is time for: the rest is no fault, and in a journal."""
    jobs = [bench.job(f"{JOB}-{at}") for at in range(4)]
    config = bench.config({"mast": "sim:mast"}, jobs)
    run = bench.run(config, first=SEALING_DRAGS.format(drags_s=drags_s))
    run.until("sweeper_present")
    kept = bench.wait_for("sweeps", lambda: _sweeps_of_each(bench.archive, 4))
    # By its own clock: a busy machine takes its time to end a process.
    assert run.stop() < 8.0
    assert run.log("stopped")[0]["took_s"] < LIMIT_S
    assert run.log("sealing_left") or drags_s < 1.0
    assert not run.log("archive_not_closed") and not run.log("no_last_checkpoint")
    assert list((bench.archive / "journals").glob("*.sqlite"))
    run = bench.run(config)
    run.until("sweeper_present")
    bench.wait_for("files", lambda: len(list(bench.archive.glob("sweeps/*/*/*.nc"))) >= 4)
    run.stop()
    archive = open_archive(bench.archive)
    for at in range(4):
        check_accounts(archive, f"{JOB}-{at}", every_s=0.1)
    assert all(_sweeps_of_each(bench.archive, 4)[job] >= count for job, count in kept.items())


def _sweeps_of_each(root: Path, jobs: int) -> dict[str, int]:
    """How many sweeps each job has; nothing while one has none."""
    archive = open_archive(root)
    counts = {
        f"{JOB}-{at}": sum(isinstance(one, SweepRecord) for one in archive.events(f"{JOB}-{at}"))
        for at in range(jobs)
    }
    return counts if all(counts.values()) else {}


class Hung(ScriptedDriver):
    """Works three times, and then never comes back."""

    def next_trace(self, request: Any, context: Any) -> Any:
        if len(self.swept) > 3:
            time.sleep(15.0)
        return super().next_trace(request, context)


@pytest.mark.slow
async def test_all_that_can_hang_at_once_costs_a_stop_no_more_than_its_time(
    bench: Any, inside: Callable[..., Any], job_table: Callable[..., str]
) -> None:
    """A hung driver, the station's own broker stopped in its tracks and a full outbox: within two
    seconds, with the other sweeper's sources off, a last checkpoint, and the broker killed."""
    hung, well = Hung(estimate_s=30.0), ScriptedDriver()
    jobs = [job_table(JOB, "mast", 'every = "200 ms"'), job_table("soak", "bench")]
    port = free_port("127.0.0.1")
    station = inside({"mast": hung, "bench": well}, jobs, broker="local", port=port)
    async with station:
        await station.until("a hung sweep", lambda: len(hung.swept) > 3)
        await station.until("the broker", lambda: station.events("broker_connected"))
        pid = _mosquitto_below(os.getpid())
        os.kill(pid, signal.SIGSTOP)
        for number in range(100):
            draft = FindingDraft(what="test", at_s=float(number), text="a finding")
            await station.station._jobs["soak"].finding(draft)
        took_s = await station.stop()
    assert took_s < LIMIT_S - 0.2
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
    assert station.events("broker_goodbye_failed")
    assert not station.events("no_last_checkpoint")
    assert not station.events("archive_not_closed")
    archive = open_archive(station.archive)
    assert len(archive.findings("soak")) >= 100
    # One that has just begun; the one before it only where there was no time to seal it, as told.
    left = 1 if station.events("sealing_left") else 0
    assert len(list((station.archive / "journals").glob("*.sqlite"))) <= 1 + left


def _mosquitto_below(parent: int) -> int:
    """The process id of the mosquitto that is a child of ours."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            name, rest = (folder / "stat").read_text().rsplit(")", 1)
        except OSError:
            continue
        if name.partition("(")[2] == "mosquitto" and int(rest.split()[1]) == parent:
            found.append(int(folder.name))
    (one,) = found
    return one


@pytest.mark.slow
async def test_findings_of_the_last_moment_are_sent_before_the_goodbye(
    bench: Any, inside: Callable[..., Any], job_table: Callable[..., str]
) -> None:
    """Fifty findings, and the stop with the last of them: all are heard, and then "offline"."""
    broker = bench.broker()
    ear = bench.ear(broker.port)
    station = inside({"mast": ScriptedDriver()}, [job_table(JOB)], broker=broker.url)
    async with station:
        await station.until("a summary", lambda: ear.heard("/summary"))
        station.station._publisher.findings_waiting = lambda: None
        for number in range(50):
            draft = FindingDraft(what="test", at_s=float(number), text="a finding")
            await station.station._jobs[JOB].finding(draft)
        assert await station.stop() < LIMIT_S
    await asyncio.to_thread(
        bench.wait_for, "offline", lambda: ear.heard("/status")[-1]["state"] == "offline"
    )
    topics = [topic for _, topic, _ in ear.messages()]
    kept = [one.number for one in open_archive(station.archive).findings(JOB)]
    assert len(kept) >= 50
    assert [one["number"] for one in ear.heard(f"/{JOB}/finding")] == kept
    last_finding = max(at for at, topic in enumerate(topics) if topic.endswith("/finding"))
    last_status = max(at for at, topic in enumerate(topics) if topic.endswith("/status"))
    assert last_finding < last_status


@pytest.mark.slow
def test_a_restart_tells_the_channels_that_were_heard_before_it(bench: Any) -> None:
    """A broker without memory and a sweeper that is away: channel 16, busy since the first run, is
    there again, as is the one that had been heard; those never heard are not."""
    sim, broker = bench.sim(), bench.broker()
    job = bench.job(JOB).replace("margin", 'channels = "marine-vhf", margin')
    config = bench.config(sim.addresses, [job], broker=broker.url)
    ear = bench.ear(broker.port)
    run = bench.run(config)
    before = ear.until("/channel/16")[-1]
    run.stop()
    told = {one["channel"]: one for one in ear.heard() if one["schema"].startswith("channel")}
    sim.end()
    broker.end()
    broker.start()
    run = bench.run(config)
    run.until("sweeper_away")
    ear = bench.ear(broker.port)
    (again,) = ear.until("/channel/16")
    ear.until("/status")
    run.stop()
    for name in ("state", "since_s", "unit", "name"):
        assert again[name] == before[name], name
    assert again["state"] == "busy"
    assert again["run_id"] != before["run_id"]
    assert again["last_heard_s"] >= before["last_heard_s"]
    heard = {one["channel"] for one in ear.heard() if one["schema"].startswith("channel")}
    assert heard == set(told)
