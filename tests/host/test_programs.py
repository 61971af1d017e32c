"""The broker and the libraries that a station leans on."""

from __future__ import annotations

import os
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import structlog

from acqd.host import programs
from acqd.host.checks import State
from acqd.host.here import Here
from acqd.host.needs import Needs
from acqd.host.programs import Requirement, broker, libraries, parse_requirement
from acqd.publish.broker import LocalBroker
from acqd.publish.settings import BrokerSettings, Endpoint

try:
    from acqd.publish.broker import find_mosquitto

    find_mosquitto()
    HAS_MOSQUITTO = True
except Exception:
    HAS_MOSQUITTO = False

needs_mosquitto = pytest.mark.skipif(not HAS_MOSQUITTO, reason="needs mosquitto")


def far(port: int, *, tls: bool = False) -> Needs:
    address = Endpoint(host="127.0.0.1", port=port, tls=tls)
    return Needs(broker_place="url", broker=BrokerSettings(address=address))


@contextmanager
def listening(answer: bytes | None) -> Iterator[int]:
    """Somebody on a port who says ``answer`` to whatever comes; with None, nothing."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            try:
                link, _ = server.accept()
            except OSError:
                return
            with link:
                link.settimeout(20)
                try:
                    link.recv(100)
                    if answer is not None:
                        link.sendall(answer)
                    link.recv(100)
                except OSError:
                    pass

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield server.getsockname()[1]
        server.close()


@needs_mosquitto
async def test_a_broker_that_answers_is_good(tmp_path: Path) -> None:
    """A real one, asked over MQTT."""
    import asyncio

    address = Endpoint(host="127.0.0.1", port=0)
    async with LocalBroker(address, log=structlog.get_logger(), runtime_folder=tmp_path) as running:
        check = await asyncio.to_thread(broker, Here(), far(running.address.port))
    assert check.state is State.GOOD
    assert check.found.endswith("answers")


def test_a_broker_that_wants_a_password_is_there_all_the_same() -> None:
    """Its refusal is an answer: CONNACK with return code 5 (MQTT 3.1.1, 3.2.2.3)."""
    with listening(b"\x20\x02\x00\x05") as port:
        check = broker(Here(), far(port))
    assert check.state is State.GOOD
    assert "does not let this client in" in check.found


def test_what_is_no_broker_is_told_of() -> None:
    """It answers something else."""
    with listening(b"HTTP/1.1 400 Bad Request\r\n\r\n") as port:
        check = broker(Here(), far(port))
    assert check.state is State.TO_DO
    assert "no MQTT broker" in check.found


def test_nobody_at_the_address_is_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    """Refused, or silent for longer than is waited."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    refused = broker(Here(), far(port))
    assert refused.state is State.TO_DO
    assert "Connection refused" in refused.found
    monkeypatch.setattr(programs, "CONNECT_WITHIN_S", 0.2)
    with listening(None) as port:
        silent = broker(Here(), far(port))
    assert silent.state is State.TO_DO
    assert "does not answer" in silent.found


def test_one_without_tls_where_tls_is_wanted_is_told_of() -> None:
    """One line, whatever the library says of it."""
    with listening(b"\x20\x02\x00\x00") as port:
        check = broker(Here(), far(port, tls=True))
    assert check.state is State.TO_DO
    assert ssl.OPENSSL_VERSION and "\n" not in check.found


@needs_mosquitto
def test_a_port_that_is_taken_is_told_of() -> None:
    """As by the broker that a distribution starts by itself when it is installed."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        asks = Needs(
            broker_place="local",
            broker=BrokerSettings(address=Endpoint(host="127.0.0.1", port=port)),
        )
        check = broker(Here(), asks)
        running = broker(Here(), asks, is_running=True)
    assert check.state is State.TO_DO
    assert "another program listens on" in check.found
    assert "systemctl disable --now mosquitto" in check.do
    assert running.state is State.GOOD, "it is our own"
    assert broker(Here(), asks).state is State.GOOD


def test_without_a_program_it_is_said_how_to_get_one(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """And what comes with it."""
    monkeypatch.setenv("PATH", os.fspath(tmp_path))
    monkeypatch.setattr("acqd.publish.broker.MOSQUITTO_PLACES", ())
    check = broker(Here(), Needs(broker_place="local"))
    assert check.state is State.TO_DO
    assert "sudo apt install mosquitto" in check.do


def test_a_config_without_a_broker_needs_none() -> None:
    """Nor does one that tries things out."""
    for place in ("none", "embedded"):
        assert broker(Here(), Needs(broker_place=place)).state is State.GOOD


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        ("h5py>=3.11", Requirement(name="h5py", lowest="3.11")),
        ("numpy", Requirement(name="numpy", lowest="")),
        ("youplot<2,>=1.0", Requirement(name="youplot", lowest="1.0")),
        ("a[b]>=2; sys_platform == 'linux'", Requirement(name="a", lowest="2")),
        ("a>=2; sys_platform == 'win32'", None),
        ('pyarrow>=17; extra == "parquet"', None),
        ("", None),
    ],
)
def test_requirements_are_read(line: str, wanted: Requirement | None) -> None:
    """Those of this system, without extras."""
    assert parse_requirement(line) == wanted


def test_what_is_installed_here_will_do() -> None:
    """With a real look: every library loads."""
    check = libraries(Here())
    assert check.state is State.GOOD, check.found
    assert "h5py" in check.found


def test_what_is_missing_or_old_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """As a distribution's own metadata ask for it."""
    monkeypatch.setattr(programs, "requires", lambda name: ["nowhere>=1", "h5py>=999", "click"])
    check = libraries(Here())
    assert check.state is State.TO_DO
    assert "nowhere is missing" in check.found
    assert "is older than 999" in check.found


def test_a_library_that_ends_the_process_is_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    """As one that was built for another processor does."""
    monkeypatch.setattr(programs, "LOADED", ("os; os.kill(os.getpid(), 4)",))
    check = libraries(Here())
    assert check.state is State.TO_DO
    assert "cannot be loaded" in check.found
