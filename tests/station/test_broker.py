"""Brokers that die, are taken, missing or away: said in one line, and no sweep is lost to them."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from acqd.archive.reader import open_archive
from acqd.publish.child import free_port

LIMIT_S = 20.0


def _numbers(messages: list[dict[str, Any]]) -> list[int]:
    """Numbers of findings in the order in which they were first heard."""
    return list(dict.fromkeys(one["number"] for one in messages))


@pytest.mark.slow
def test_findings_of_an_outage_come_in_order_when_the_broker_is_back(bench: Any) -> None:
    """The listener's session outlives the broker: it must have every number, rising."""
    sim = bench.sim()
    broker = bench.broker(remembers=True)
    session = ("-c", "-i", "listener")
    ear = bench.ear(broker.port, *session)
    run = bench.run(bench.config(sim.addresses, [bench.job("marine-vhf")], broker=broker.url))
    ear.until("/marine-vhf/finding")
    ear.end()
    broker.end(kill=False)
    run.until("broker_away")
    for number in (2, 3):
        sim.tell("mast", "hang-up")
        run.until("sweeper_present", number)
    broker.start()
    run.until("broker_connected", 2)
    ear = [ear, bench.ear(broker.port, *session)]
    archive = open_archive(bench.archive)
    kept = {job: archive.findings(job)[-1].number for job in ("marine-vhf", "station")}
    assert kept["station"] == 4

    def heard(topic: str) -> list[int]:
        return _numbers([one for each in ear for one in each.heard(topic)])

    bench.wait_for("the station's findings", lambda: len(heard("lookout/finding")) >= 4)
    bench.wait_for(
        "the job's findings", lambda: len(heard("/marine-vhf/finding")) >= kept["marine-vhf"]
    )
    run.stop()
    assert heard("lookout/finding") == [1, 2, 3, 4]
    numbers = heard("/marine-vhf/finding")
    assert numbers == list(range(1, len(numbers) + 1))
    # Nobody but the broker was away: the archive noticed nothing.
    seqs = archive.sweeps("marine-vhf").sequence.values.tolist()
    assert seqs == list(range(1, len(seqs) + 1))


@pytest.mark.slow
def test_the_retained_state_is_back_after_the_broker_lost_its_memory(bench: Any) -> None:
    """Killed without a word, started again empty: a new listener finds the state of things."""
    sim = bench.sim()
    broker = bench.broker()
    run = bench.run(bench.config(sim.addresses, [bench.job("marine-vhf")], broker=broker.url))
    run.until("sweeper_present")
    bench.ear(broker.port).until("/marine-vhf/state")
    broker.end()
    run.until("broker_away")
    broker.start()
    run.until("broker_connected", 2)
    base = "acqd/lookout"
    wanted = {f"{base}/status", f"{base}/sweeper/mast", f"{base}/job/marine-vhf/state"}
    wanted.add(f"{base}/job/marine-vhf/value/floor_dbm")
    ear = bench.wait_for("all of it", lambda: _finds(bench.ear(broker.port), wanted))
    assert ear.heard("/status")[0]["state"] == "online"
    assert ear.heard("/sweeper/mast")[0]["state"] == "present"
    assert ear.heard("/marine-vhf/state")[0]["state"] == "listening"
    run.stop()


def _finds(ear: Any, wanted: set[str]) -> Any:
    """The listener, if the broker had all that is wanted for it when it came; else it is ended."""
    ear.until("/status")
    ear.until("/sweeper/mast")
    ear.until("/marine-vhf/state")
    if wanted <= {topic for kept, topic, _ in ear.messages() if kept}:
        return ear
    ear.end()
    return None


@pytest.mark.slow
def test_a_killed_local_broker_is_started_again(bench: Any) -> None:
    """The station's own mosquitto, killed under it; the retained state comes back with it."""
    sim = bench.sim()
    port = free_port("127.0.0.1")
    config = bench.config(sim.addresses, [bench.job("marine-vhf")], broker="local", port=port)
    run = bench.run(config)
    run.until("broker_connected")
    ear = bench.ear(port)
    ear.until("/summary")
    os.kill(_broker_of(run.process.pid), signal.SIGKILL)
    run.until("broker_restarted")
    run.until("broker_connected", 2)
    ear = bench.ear(port)
    ear.until("/summary")
    assert ear.heard("/status")[0]["state"] == "online"
    pid = _broker_of(run.process.pid)
    assert run.stop() < 2.0
    bench.wait_for("the end of the broker", lambda: not Path(f"/proc/{pid}").exists())


def _broker_of(station: int) -> int:
    """The process id of the mosquitto below a station's."""
    children: dict[int, list[int]] = {}
    names: dict[int, str] = {}
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            name, rest = (folder / "stat").read_text().rsplit(")", 1)
        except OSError:
            continue
        names[int(folder.name)] = name.partition("(")[2]
        children.setdefault(int(rest.split()[1]), []).append(int(folder.name))
    below, found = [station], []
    while below:
        pid = below.pop()
        below += children.get(pid, [])
        found += [pid] if names.get(pid) == "mosquitto" else []
    (one,) = found
    return one


@pytest.mark.slow
def test_a_station_without_its_broker_sweeps_and_is_heard_later(bench: Any) -> None:
    """Somebody else's broker is away at the start: said once, and the findings wait."""
    sim = bench.sim()
    broker = bench.broker(started=False)
    run = bench.run(bench.config(sim.addresses, [bench.job("marine-vhf")], broker=broker.url))
    run.until("finding", what="signal_appeared")
    assert len(run.log("broker_away")) == 1
    broker.start()
    ear = bench.ear(broker.port)
    ear.until("/summary")
    run.stop()
    seqs = open_archive(bench.archive).sweeps("marine-vhf").sequence.values.tolist()
    assert seqs == list(range(1, len(seqs) + 1))


@pytest.mark.slow
def test_the_embedded_broker_carries_a_station(bench: Any) -> None:
    """Asked for by name, for trials: state, summaries and findings arrive by MQTT 3.1.1."""
    pytest.importorskip("iotcore")
    sim = bench.sim()
    port = free_port("127.0.0.1", 2)
    config = bench.config(sim.addresses, [bench.job("marine-vhf")], broker="local", port=port)
    run = bench.run(config, "--broker", "embedded")
    started = run.until("station_started")
    assert "embedded" in started["broker"] and "trial" in started["broker"]
    run.until("broker_connected")
    ear = bench.ear(port, "-V", "311")
    ear.until("/summary", 3)
    ear.until("/marine-vhf/state")
    run.stop()
    stored = set(open_archive(bench.archive).sweeps("marine-vhf").sequence.values.tolist())
    assert {one["seq"] for one in ear.heard("/summary")} <= stored


@pytest.mark.slow
def test_a_port_that_is_taken_is_one_line(bench: Any) -> None:
    """Exit code 1, which port and what to do; no traceback, and nothing of the station is left."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        config = bench.config(
            {"mast": "sim:mast"}, [bench.job("marine-vhf")], broker="local", port=port
        )
        run = bench.run(config)
        assert run.wait() == 1
    lines = [line for line in run.text.splitlines() if not line.startswith("{")]
    assert len(lines) == 1
    assert lines[0].startswith("acqd: ") and f"127.0.0.1:{port}" in lines[0]
    assert "address" in lines[0]
    # The archive is free again.
    run = bench.run(config, "--broker", "none")
    run.until("station_started")
    run.stop()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("module", "hide", "says"),
    [
        ("local", "import acqd.publish.broker as b; b.MOSQUITTO_PLACES = ()", "apt install"),
        ("embedded", "import sys; sys.modules['iotcore'] = None", "embedded"),
    ],
)
def test_a_broker_that_is_not_installed_is_one_line(
    bench: Any, module: str, hide: str, says: str
) -> None:
    """It says how to get one, or what else there is."""
    port = free_port("127.0.0.1", 2)
    config = bench.config(
        {"mast": "sim:mast"}, [bench.job("marine-vhf")], broker="local", port=port
    )
    code = f"{hide}; from acqd.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, "run", str(config), "--broker", module],
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
        env={**os.environ, "PATH": str(bench.folder)},
    )
    assert done.returncode == 1
    lines = [line for line in done.stderr.splitlines() if not line.startswith("{")]
    assert len(lines) == 1, done.stderr
    assert lines[0].startswith("acqd: ") and says in lines[0]
