"""The relay lets bytes through, breaks off, falls silent, and comes back at its address."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import tty
from collections.abc import Iterator

import pytest

from acqd.drivers.transport import Link, open_transport
from acqd.errors import PortBusy, TransportClosed, TransportError, TransportTimeout
from acqd.testing.relay import PtyRelay, Relay, TcpRelay, is_pseudo_terminal, relay_for


class EchoPeer:
    """Sends back what it gets, on a socket or on a pseudo-terminal."""

    def __init__(self, *, over_a_terminal: bool) -> None:
        if over_a_terminal:
            self._master, self._slave = os.openpty()
            tty.setraw(self._slave)
            self.address = f"serial:{os.ttyname(self._slave)}"
            target = self._echo_terminal
        else:
            self._server = socket.create_server(("127.0.0.1", 0))
            self.address = f"tcp://127.0.0.1:{self._server.getsockname()[1]}"
            target = self._echo_socket
        self._over_a_terminal = over_a_terminal
        self._thread = threading.Thread(target=target, daemon=True)
        self._thread.start()

    def _echo_terminal(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(self._master, 65536):
                if data == b"\x04stop":
                    return
                os.write(self._master, data)

    def _echo_socket(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._server.accept()
                with client, contextlib.suppress(OSError):
                    while data := client.recv(65536):
                        client.sendall(data)

    def stop(self) -> None:
        if self._over_a_terminal:
            os.write(self._slave, b"\x04stop")
            self._thread.join(2)
            os.close(self._slave)
            os.close(self._master)
        else:
            self._server.shutdown(socket.SHUT_RDWR)
            self._server.close()
            self._thread.join(2)


@pytest.fixture(params=[False, True], ids=["tcp", "pty"])
def peer(request: pytest.FixtureRequest) -> Iterator[EchoPeer]:
    """A peer of either kind."""
    made = EchoPeer(over_a_terminal=request.param)
    yield made
    made.stop()


@pytest.fixture
def relay(peer: EchoPeer) -> Iterator[Relay]:
    """The relay that fits it."""
    made = relay_for(peer.address, {})
    assert made is not None
    yield made
    made.close()
    made.close()


def heard(link: Link, size: int) -> bytes:
    """So many bytes from a link."""
    got = b""
    while len(got) < size:
        got += link.read(timeout_s=5.0)
    return got


def test_bytes_go_through_unchanged(relay: Relay) -> None:
    """All 256 of them, many at once."""
    data = bytes(range(256)) * (4 if relay.address.startswith("serial") else 2000)
    link = open_transport(relay.address)
    link.write(data)
    assert heard(link, len(data)) == data
    link.close()


def test_unplugging_breaks_the_link_and_replugging_brings_it_back(relay: Relay) -> None:
    """At the same address; while it is out nothing can be opened."""
    address = relay.address
    link = open_transport(address)
    relay.unplug()
    with pytest.raises(TransportError) as broken:
        link.read(timeout_s=5.0)
    assert not isinstance(broken.value, TransportTimeout)
    link.close()
    with pytest.raises(TransportError):
        open_transport(address)
    relay.unplug()
    relay.replug()
    relay.replug()
    link = open_transport(address)
    link.write(b"back")
    assert heard(link, 4) == b"back"
    link.close()


def test_what_is_held_back_comes_when_it_is_released(relay: Relay) -> None:
    """In order, and nothing of it is lost."""
    link = open_transport(relay.address)
    relay.hold()
    link.write(b"one")
    with pytest.raises(TransportTimeout):
        link.read(timeout_s=0.05)
    link.write(b"two")
    relay.release()
    assert heard(link, 6) == b"onetwo"
    link.close()


def test_it_holds_the_sweepers_port_as_a_station_would(relay: Relay, peer: EchoPeer) -> None:
    """Nobody else can open it meanwhile, and a second relay is refused."""
    with pytest.raises(PortBusy):
        open_transport(peer.address)
    with pytest.raises(PortBusy):
        relay_for(peer.address, {})
    relay.close()
    open_transport(peer.address).close()


def test_a_peer_that_goes_away_takes_the_link_with_it() -> None:
    """Over TCP, as without a relay."""
    server = socket.create_server(("127.0.0.1", 0))
    relay = TcpRelay(f"tcp://127.0.0.1:{server.getsockname()[1]}")
    link = open_transport(relay.address)
    client, _ = server.accept()
    client.close()
    with pytest.raises(TransportClosed):
        link.read(timeout_s=5.0)
    link.close()
    server.close()
    link = open_transport(relay.address)
    with pytest.raises(TransportError):
        link.read(timeout_s=5.0)
    link.close()
    relay.close()


def test_only_what_it_can_stand_for_gets_a_relay() -> None:
    """A real serial port has lines and rates that would be lost; other addresses are no streams."""
    assert not is_pseudo_terminal("serial:/dev/ttyACM0")
    for address in ("sim:shack", "serial:/dev/ttyACM0", "TCPIP0::192.0.2.17::hislip0::INSTR"):
        assert relay_for(address, {}) is None


def test_a_terminal_that_is_not_there_is_said() -> None:
    """With its address."""
    with pytest.raises(TransportError, match="serial:/dev/pts/9999: cannot open"):
        PtyRelay("serial:/dev/pts/9999", {})
