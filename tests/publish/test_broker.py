"""The station's own brokers: started, found deaf, killed, started again, gone with the station."""

from __future__ import annotations

import asyncio
import os
import secrets
import signal
import socket
import struct
import subprocess
import sys
import time
from dataclasses import fields
from pathlib import Path

import aiomqtt
import psutil
import pytest

from acqd.errors import BrokerError
from acqd.publish import link
from acqd.publish.broker import EmbeddedBroker, LocalBroker, find_mosquitto
from acqd.publish.child import BrokerTimings, ChildBroker, Command, claim_ports, free_port
from acqd.publish.settings import BrokerSettings, Endpoint, MqttVersion
from acqd.publish.topics import Topics

ANY_PORT = Endpoint(host="127.0.0.1", port=0)
WITHIN_S = 15.0
"""Room for a link that is left unanswered, and for a busy machine."""
QUICK = BrokerTimings(probe_every_s=0.05, probe_timeout_s=0.25, restart_first_s=0.02)


async def round_trip(address, version, timeout_s):
    """Not by the id of the watch's own probes: two of one id throw each other out."""
    settings = BrokerSettings(address=address, client_id=f"t{secrets.token_hex(6)}")
    return await link.round_trip(address, version, timeout_s, settings=settings)


async def until(condition, timeout_s=8.0):
    ends_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < ends_s
        await asyncio.sleep(0.01)


@pytest.fixture
def make_local(have_mosquitto, log):
    def make(address=ANY_PORT, **changes):
        return LocalBroker(address, log=log, **({"timings": QUICK} | changes))

    return make


@pytest.fixture
def make_embedded(log):
    def make(address=ANY_PORT, **changes):
        return EmbeddedBroker(address, log=log, **({"timings": QUICK} | changes))

    return make


async def test_local_speaks_both_versions_on_one_port(make_local):
    """MQTT 3.1.1 and 5 work on the port that was given."""
    async with make_local() as broker:
        for version in MqttVersion:
            assert await round_trip(broker.address, version, 2.0) < 1.0
        assert str(broker.address) in broker.describe()
        assert broker.pid is not None
    with pytest.raises(BrokerError, match="refused"):
        await round_trip(broker.address, MqttVersion.V5, 1.0)


async def answers(address, version):
    """One round trip in three: this broker now and then leaves a SUBSCRIBE without its answer."""
    for attempt in range(3):
        try:
            return await round_trip(address, version, 2.0)
        except BrokerError:
            if attempt == 2:
                raise
    return None


async def test_embedded_speaks_a_version_a_port(make_embedded):
    """MQTT 3.1.1 on the port that was given, 5 on the next."""
    async with make_embedded() as broker:
        await answers(broker.address, MqttVersion.V311)
        await answers(broker.address_v5, MqttVersion.V5)
        assert broker.address_v5.port == broker.address.port + 1
        assert "trial" in broker.describe()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["make_local", "make_embedded"])
async def test_a_frozen_broker_is_noticed_and_replaced(kind, request, log):
    """Stopped in its tracks: TCP still accepts, nothing answers; the probe has it restarted."""
    make, ups = request.getfixturevalue(kind), []
    async with make(on_up=lambda: ups.append(time.monotonic())) as broker:
        first = broker.pid
        os.kill(first, signal.SIGSTOP)
        await until(lambda: len(ups) == 2)
        assert broker.restarts == 1 and broker.pid != first
        assert not psutil.pid_exists(first)
        await round_trip(broker.address, MqttVersion.V311, 2.0)
    assert "broker_deaf" in log.events("warning")


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["make_local", "make_embedded"])
async def test_a_killed_broker_is_started_again(kind, request, log):
    """A broker that dies is back on the same port."""
    async with request.getfixturevalue(kind)() as broker:
        address = broker.address
        for n in (1, 2):
            os.kill(broker.pid, signal.SIGKILL)
            await until(lambda n=n: broker.restarts >= n)
            await round_trip(address, MqttVersion.V311, 2.0)
    assert "broker_gone" in log.events("warning")


def _connect_and_reset(port: int, client_id: bytes) -> None:
    """CONNECT (MQTT 3.1.1, clean session), then a TCP reset."""
    body = b"\x00\x04MQTT\x04\x02\x00\x3c" + struct.pack(">H", len(client_id)) + client_id
    with socket.create_connection(("127.0.0.1", port), timeout=1) as link:
        link.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        link.sendall(b"\x10" + bytes([len(body)]) + body)


@pytest.mark.slow
async def test_a_deaf_embedded_listener_is_noticed_and_replaced(make_embedded, log):
    """Clients that come back after a reset make its listener go deaf while its process lives."""
    patient = BrokerTimings(probe_every_s=0.5, probe_timeout_s=0.5, restart_first_s=0.02)
    async with make_embedded(timings=patient) as broker:
        for _ in range(400):
            try:
                _connect_and_reset(broker.address.port, b"same-one")
            except OSError:
                await asyncio.sleep(0.01)  # it is being started again
            if broker.restarts or {"broker_deaf", "broker_unsound"} & set(log.events()):
                break
            await asyncio.sleep(0.005)
        await until(lambda: broker.restarts >= 1)
        await round_trip(broker.address, MqttVersion.V311, 2.0)


@pytest.mark.parametrize("kind", ["make_local", "make_embedded"])
async def test_a_port_in_use_is_one_clear_line(kind, request):
    """Nothing is started where another program listens; the error says what to do."""
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        address = Endpoint(host="127.0.0.1", port=other.getsockname()[1])
        broker = request.getfixturevalue(kind)(address)
        with pytest.raises(BrokerError) as caught:
            async with broker:
                pass
    text = str(caught.value)
    assert f"127.0.0.1:{address.port}" in text and "already in use" in text and "address" in text
    assert "\n" not in text
    assert broker.pid is None


def is_free(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) != 0


async def test_embedded_needs_both_ports(make_embedded):
    """The port after the given one counts too."""
    with socket.socket() as other:
        # Two that follow each other and that nobody else is given meanwhile: outside the range that
        # the system gives ports of.
        port = next(at for at in range(20101, 20199, 2) if is_free(at - 1) and is_free(at))
        other.bind(("127.0.0.1", port))
        other.listen()
        with pytest.raises(BrokerError, match=f":{port}: Address already in use"):
            async with make_embedded(Endpoint(host="127.0.0.1", port=port - 1)):
                pass


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.1", "::", "broker.example"])
@pytest.mark.parametrize("kind", [LocalBroker, EmbeddedBroker], ids=["local", "embedded"])
def test_only_loopback_is_accepted(kind, host, log):
    """A broker that lets anybody in is not shown to the network."""
    with pytest.raises(BrokerError, match="loopback"):
        kind(Endpoint(host=host, port=1883), log=log)


def test_a_missing_mosquitto_says_how_to_get_one(monkeypatch):
    """One line with two ways out."""
    monkeypatch.setenv("PATH", "/nowhere")
    monkeypatch.setattr("acqd.publish.broker.MOSQUITTO_PLACES", ())
    with pytest.raises(BrokerError, match=r"apt install mosquitto.*embedded") as caught:
        find_mosquitto()
    assert "\n" not in str(caught.value)


@pytest.mark.usefixtures("have_mosquitto")
def test_mosquitto_is_found_outside_the_path(monkeypatch):
    """Distributions put it in sbin, which a user's PATH often lacks."""
    real = find_mosquitto()
    monkeypatch.setenv("PATH", "/nowhere")
    monkeypatch.setattr("acqd.publish.broker.MOSQUITTO_PLACES", (str(real.parent),))
    assert find_mosquitto() == real


async def test_a_program_that_ends_at_once_is_reported_with_its_words(make_local, folder):
    """What it said on standard error is in the error."""
    program = folder / "mosquitto"
    program.write_text("#!/bin/sh\necho 'Error: no luck today.' >&2\nexit 7\n")
    program.chmod(0o755)
    folder.chmod(0o755)
    with pytest.raises(BrokerError, match=r"code 7.*no luck today"):
        async with make_local(program=program):
            pass


async def test_a_program_that_never_answers_is_given_up(make_local, folder):
    """A start is bounded."""
    program = folder / "mosquitto"
    program.write_text("#!/bin/sh\nexec sleep 60\n")
    program.chmod(0o755)
    folder.chmod(0o755)
    timings = BrokerTimings(start_s=0.2, probe_timeout_s=0.1, end_s=0.2)
    with pytest.raises(BrokerError, match=r"did not answer within 0\.2 s"):
        async with make_local(program=program, timings=timings):
            pass


async def test_websocket_is_served_where_the_build_can(make_local):
    """An MQTT client over WebSocket gets through."""
    websocket = Endpoint(host="127.0.0.1", port=free_port("127.0.0.1"))
    async with make_local(websocket=websocket) as broker:
        if broker.websocket is None:
            pytest.skip("this build of mosquitto has no WebSocket")
        assert str(websocket) in broker.describe()
        async with aiomqtt.Client(
            websocket.host, websocket.port, transport="websockets", timeout=2
        ) as client:
            await client.publish("t", b"x", 1)


async def test_without_websocket_it_goes_on_and_says_so(make_local, folder, log):
    """A build that cannot is started again without, with a warning."""
    program = folder / "mosquitto"
    program.write_text(
        "#!/bin/sh\n"
        "if grep -q websockets \"$2\"; then echo 'Error: Websockets support not available.' >&2; "
        f'exit 3; fi\nexec {find_mosquitto()} "$@"\n'
    )
    program.chmod(0o755)
    folder.chmod(0o755)
    websocket = Endpoint(host="127.0.0.1", port=free_port("127.0.0.1"))
    async with make_local(websocket=websocket, program=program) as broker:
        assert broker.websocket is None
        await round_trip(broker.address, MqttVersion.V5, 2.0)
    assert log.events("warning") == ["broker_without_websocket"]


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="root only")
async def test_root_does_not_run_it_as_root(make_local, folder):
    """Started by root it runs as a service user, though only root may enter the runtime folder."""
    folder.chmod(0o700)
    async with make_local(runtime_folder=folder / "run") as broker:
        assert psutil.Process(broker.pid).uids().real != 0
        assert (folder / "run" / f"mosquitto-{broker.address.port}.conf").exists()


STATION = """
import asyncio, structlog, sys
from acqd.publish.broker import EmbeddedBroker, LocalBroker
from acqd.publish.settings import Endpoint

async def main():
    log = structlog.get_logger()
    async with {kind}(Endpoint(host="127.0.0.1", port=0), log=log) as broker:
        print(broker.pid, broker.address.port, file=sys.__stdout__, flush=True)
        await asyncio.sleep(60)

structlog.configure(logger_factory=structlog.PrintLoggerFactory(sys.stderr))
asyncio.run(main())
"""


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["LocalBroker", "EmbeddedBroker"])
@pytest.mark.usefixtures("have_mosquitto")
def test_the_broker_dies_with_a_killed_station(kind):
    """kill -9 of the station leaves no broker behind, and its port is free."""
    station = subprocess.Popen(
        [sys.executable, "-c", STATION.format(kind=kind)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    with station:
        pid, port = map(int, station.stdout.readline().split())
        assert psutil.pid_exists(pid)
        station.kill()
    # Its threads give the port back one by one, a moment after the process counts as dead.
    ends_s = time.monotonic() + 3.0
    while True:
        try:
            claim_ports("127.0.0.1", [port], hint="")
            break
        except BrokerError:
            assert time.monotonic() < ends_s
            time.sleep(0.01)
    assert not psutil.pid_exists(pid) or psutil.Process(pid).status() == psutil.STATUS_ZOMBIE


@pytest.mark.slow
def test_the_guard_that_stays_kills_when_its_input_ends():
    """The way for systems without the kernel's help: the program goes when the pipe closes."""
    guard = Path(sys.modules["acqd.publish.child"].__file__).with_name("guard.py")
    sleeper = subprocess.Popen(
        [sys.executable, "-I", "-S", str(guard), "pipe", "0", "-", "-", "/bin/sleep", "60"],
        stdin=subprocess.PIPE,
    )
    with sleeper:
        children = []
        ends_s = time.monotonic() + 5.0
        while not children:
            assert time.monotonic() < ends_s
            children = psutil.Process(sleeper.pid).children()
        sleeper.stdin.close()
        assert sleeper.wait(5) != 0
    assert not psutil.pid_exists(children[0].pid)


@pytest.mark.slow
@pytest.mark.usefixtures("have_mosquitto")
async def test_a_watching_guard_does_as_well(folder, log):
    """Without the kernel's help a broker is started, replaced and ended just the same."""
    endpoint = Endpoint(host="127.0.0.1", port=free_port("127.0.0.1"))
    config = folder / "mosquitto.conf"
    config.write_text(f"listener {endpoint.port} 127.0.0.1\nallow_anonymous true\nuser root\n")
    broker = ChildBroker(
        listeners=[(endpoint, MqttVersion.V5)],
        command=Command(arguments=(str(find_mosquitto()), "-c", "@config"), config=config),
        log=log,
        timings=QUICK,
        guard="pipe",
    )
    async with broker:
        for n, how in enumerate((signal.SIGKILL, signal.SIGSTOP), start=1):
            (child,) = psutil.Process(broker.process.pid).children()
            child.send_signal(how)
            await until(lambda n=n: broker.restarts >= n)
            assert not child.is_running()
        (child,) = psutil.Process(broker.process.pid).children()
    assert not child.is_running()


async def test_a_failure_in_the_body_comes_out_as_it_is(make_local):
    """Leaving by an exception neither wraps it nor leaves the broker running."""
    with pytest.raises(KeyError):
        async with make_local() as broker:
            raise KeyError("mine")
    assert broker.pid is None


async def test_round_trip_says_how_far_it_got():
    """Somebody who accepts and says nothing is told from somebody who refuses."""
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        address = Endpoint(host="127.0.0.1", port=silent.getsockname()[1])
        with pytest.raises(BrokerError, match=r"while connecting: no answer.*0\.1 s"):
            await round_trip(address, MqttVersion.V311, 0.1)
    with pytest.raises(BrokerError, match=r"while connecting: .*refused"):
        await round_trip(address, MqttVersion.V311, 0.1)


@pytest.mark.slow
@pytest.mark.parametrize("version", list(MqttVersion), ids=lambda v: f"mqtt-{v}")
@pytest.mark.parametrize("kind", ["make_local", "make_embedded"])
async def test_a_station_and_its_own_broker(
    kind, version, request, make_publisher, make_status, outbox, hear, tasks
):
    """The broker is killed and comes back: state is told anew, findings go on, without a wait.

    What the embedded broker leaves unanswered costs the link that waited, a second later, as in a
    station. So there may be more connections than two, and messages that come twice.
    """
    make, publishers, is_up = request.getfixturevalue(kind), [], asyncio.Event()

    def up():
        is_up.set()
        for one in publishers:
            one.hurry()

    topics = Topics("gannet-ledge")
    # The end of its process is noticed without a probe, and no probe takes a busy machine for it.
    timings = BrokerTimings(restart_first_s=0.02)
    async with make(on_up=up, timings=timings) as broker:
        wanted = broker.adapt(BrokerSettings(address=broker.address, version=version))
        changes = {field.name: getattr(wanted, field.name) for field in fields(wanted)}
        publisher = make_publisher(changes.pop("address"), **changes | {"timeout_s": 1.0})
        # Without the broker's word that it is back, this test would take a minute.
        publisher._backoff = lambda attempt: 0.02 if is_up.is_set() else 60.0
        publishers.append(publisher)
        publisher.retain(topics.status, make_status())
        running = tasks(publisher.run())
        outbox.add(5)
        publisher.findings_waiting()
        heard = await hear(broker.address)
        await heard.until(lambda: outbox.marked == [1, 2, 3, 4, 5], WITHIN_S)
        before = publisher.statistics().reconnects
        is_up.clear()
        os.kill(broker.pid, signal.SIGKILL)
        await heard.until(lambda: publisher.statistics().reconnects > before, WITHIN_S)
        later = await hear(broker.address)
        outbox.add(5)
        publisher.findings_waiting()
        finding = topics.finding("marine-vhf")
        await later.until(lambda: len(set(later.on(finding))) == 5, WITHIN_S)
        assert make_status() in later.on(topics.status)
        assert broker.restarts == 1
        offline = make_status("offline", reason="stopped")
        await publisher.close(offline)
        await running
        await later.until(lambda: offline in later.on(topics.status), WITHIN_S)
