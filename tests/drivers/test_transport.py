"""Links over real sockets and pseudo-terminals: deadlines, waking, busy ports, lost peers."""

from __future__ import annotations

import os
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from acqd.drivers.contract import SerialPort, Transport
from acqd.drivers.portlock import lock_folder
from acqd.drivers.transport import Link, open_transport
from acqd.errors import (
    PortBusy,
    RequestRefused,
    TransportClosed,
    TransportError,
    TransportTimeout,
)


class Ends:
    """A link and how to act on its far end, whichever kind it is."""

    def __init__(self, link: Link, send: Callable[[bytes], Any], cut: Callable[[], Any]) -> None:
        self.link = link
        self.send = send
        self.cut = cut


@pytest.fixture(params=["tcp", "serial"])
def ends(request: pytest.FixtureRequest) -> Any:
    """The same tests run over a socket and over a pseudo-terminal."""
    if request.param == "tcp":
        listener = request.getfixturevalue("listener")
        link = open_transport(f"tcp://127.0.0.1:{listener.getsockname()[1]}")
        far, _ = listener.accept()
        with far:
            yield Ends(link, far.sendall, far.close)
            link.close()
        return
    terminal = request.getfixturevalue("terminal")
    link = open_transport(f"serial:{terminal.path}")
    yield Ends(link, lambda data: os.write(terminal.far, data), terminal.unplug)
    link.close()


def later(act: Callable[[], Any], seconds: float = 0.05) -> threading.Thread:
    """Do it from another thread in a moment."""
    thread = threading.Timer(seconds, act)
    thread.start()
    return thread


def test_keeps_the_contract_of_a_transport(ends: Ends) -> None:
    """A link is what drivers are promised."""
    assert isinstance(ends.link, Transport)


def test_reads_what_is_there_without_waiting_for_more(ends: Ends) -> None:
    """A read comes back with the first bytes, at most as many as asked for."""
    ends.send(b"abcdef")
    assert ends.link.read(4, timeout_s=1) == b"abcd"
    assert ends.link.read(4, timeout_s=1) == b"ef"


def test_a_silent_peer_times_out_by_the_deadline(ends: Ends) -> None:
    """A read without bytes raises TransportTimeout, which is also a TimeoutError, in time."""
    begun_s = time.monotonic()
    with pytest.raises(TransportTimeout):
        ends.link.read(timeout_s=0.05)
    assert 0.045 <= time.monotonic() - begun_s < 0.5


def test_close_wakes_a_waiting_reader_and_frees_the_port(ends: Ends) -> None:
    """A reader in another thread gets TransportClosed at once when the host closes the link."""
    later(ends.link.close)
    begun_s = time.monotonic()
    with pytest.raises(TransportClosed, match="host closed"):
        ends.link.read(timeout_s=10)
    assert time.monotonic() - begun_s < 1
    with pytest.raises(TransportClosed):
        ends.link.write(b"x")
    ends.link.close()
    assert ends.link.is_closed


def test_an_interrupt_ends_the_call_and_leaves_the_link_usable(ends: Ends) -> None:
    """After interrupt and resume the same link reads on: the sweeper can be left well."""
    later(ends.link.interrupt)
    with pytest.raises(TransportClosed, match="interrupted"):
        ends.link.read(timeout_s=10)
    with pytest.raises(TransportClosed):
        ends.link.write(b"x")
    ends.link.resume()
    ends.send(b"still here")
    assert ends.link.read(timeout_s=1) == b"still here"


def test_resume_does_not_open_a_closed_link(ends: Ends) -> None:
    """Closed is for good."""
    ends.link.close()
    ends.link.resume()
    with pytest.raises(TransportClosed):
        ends.link.read(timeout_s=0.1)


def test_a_lost_peer_breaks_the_link(ends: Ends) -> None:
    """Cutting the far end raises a TransportError in the reader, which is also an OSError."""
    later(ends.cut)
    with pytest.raises(TransportError) as caught:
        ends.link.read(timeout_s=5)
    assert not isinstance(caught.value, TransportTimeout)
    assert isinstance(caught.value, OSError)


def write_until_refused(link: Link) -> None:
    """What goes out first may still be taken, and refused by the peer's machine."""
    for _ in range(100):
        link.write(b"*IDN?\n")
        time.sleep(0.01)


@pytest.mark.parametrize("how", ["ends", "resets"])
def test_a_peer_that_closes_is_told_so_however_it_does(listener: socket.socket, how: str) -> None:
    """A peer that goes with something unread says it by a reset, reading or writing."""
    link = open_transport(f"tcp://127.0.0.1:{listener.getsockname()[1]}")
    far, _ = listener.accept()
    if how == "resets":
        far.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    far.close()
    with pytest.raises(TransportClosed, match="the other end closed the link"):
        link.read(timeout_s=5)
    with pytest.raises(TransportClosed, match="the other end closed the link"):
        write_until_refused(link)
    link.close()


def test_a_lost_peers_link_can_be_interrupted_and_closed(ends: Ends) -> None:
    """Closing in a hurry, with the far end gone, raises nothing and frees everything."""
    ends.cut()
    ends.link.interrupt()
    ends.link.close()
    assert ends.link.is_closed


def test_discarding_takes_all_that_waits_and_does_not_wait(ends: Ends) -> None:
    """A greeting is thrown away; with nothing there it returns at once."""
    ends.send(b"welcome\r\n")
    time.sleep(0.02)
    assert ends.link.discard_input() == b"welcome\r\n"
    begun_s = time.monotonic()
    assert ends.link.discard_input() == b""
    assert time.monotonic() - begun_s < 0.1


def test_a_peer_that_takes_nothing_times_out_the_writer(ends: Ends) -> None:
    """A write that does not fit into the buffers raises and says how much went out."""
    with pytest.raises(TransportTimeout, match=r"took only \d+ of 30000000 bytes"):
        ends.link.write(bytes(30_000_000), timeout_s=0.1)


def test_no_descriptor_is_left_after_closing(terminal: Any, listener: socket.socket) -> None:
    """Opening and closing many times keeps no file open."""
    port = listener.getsockname()[1]

    def open_files() -> int:
        return len(os.listdir("/proc/self/fd"))

    before = open_files()
    for _ in range(5):
        link = open_transport(f"tcp://127.0.0.1:{port}")
        far, _ = listener.accept()
        far.close()
        link.close()
        open_transport(f"serial:{terminal.path}").close()
    assert open_files() == before


def test_a_serial_port_is_opened_exclusively(terminal: Any) -> None:
    """A second opener is told that the port is busy; after closing it gets it."""
    first = open_transport(f"serial:{terminal.path}")
    with pytest.raises(PortBusy, match="another program holds this port"):
        open_transport(f"serial:{terminal.path}")
    first.close()
    open_transport(f"serial:{terminal.path}").close()


def test_a_serial_port_can_be_named_by_a_link_in_this_folder(
    terminal: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Symbolic links and relative paths are ports too."""
    monkeypatch.chdir(tmp_path)
    Path("bench").symlink_to(terminal.path)
    link = open_transport("serial:bench", {"baud": 9600, "dtr": False, "rts": False})
    os.write(terminal.far, b"hello")
    assert link.read(timeout_s=1) == b"hello"
    link.close()


def test_what_was_written_last_still_goes_out_before_closing(terminal: Any) -> None:
    """Closing a serial port does not swallow the command that turns the source off."""
    link = open_transport(f"serial:{terminal.path}")
    link.write(b"OUTP 0\n")
    link.close()
    assert os.read(terminal.far, 100) == b"OUTP 0\n"


UNOPENABLE = {
    "no such port": ("serial:/dev/ttyGANNET9", TransportError, "is the sweeper plugged in"),
    "a plain file": ("serial:/etc/hostname", TransportError, "is no serial port"),
    "no path": ("serial:", RequestRefused, "serial:/dev/"),
    "no port": ("tcp://mast.local", RequestRefused, "port of 1 to 65535"),
    "port too large": ("tcp://mast.local:70000", RequestRefused, "port of 1 to 65535"),
    "a path behind": ("tcp://mast.local:5025/x", RequestRefused, "tcp://host:port"),
    "VISA socket": ("TCPIP0::mast::socket", RequestRefused, "TCPIP0::mast::PORT::SOCKET"),
    "VISA serial": ("ASRL3::INSTR", RequestRefused, "ASRL/dev/ttyACM0::INSTR: numbered"),
    "VISA USB": ("USB0::0x1234::SN1::INSTR", RequestRefused, "two USB ids in hexadecimal"),
    "no identity": ("usb:beacon", RequestRefused, "usb:1209:0001"),
    "not plugged in": ("usb:1209:fff1/GL0017", TransportError, "no serial port of this identity"),
    "no scheme": ("mast", RequestRefused, "tcp://host:port, serial:/dev/"),
}


@pytest.mark.parametrize(("address", "error", "says"), UNOPENABLE.values(), ids=UNOPENABLE)
def test_an_address_that_cannot_be_opened_says_why(
    address: str, error: type[Exception], says: str
) -> None:
    """One line: what was given, and what is accepted or what to do."""
    with pytest.raises(error, match=says):
        open_transport(address)


@pytest.fixture
def plugged_in(monkeypatch: pytest.MonkeyPatch) -> list[SerialPort]:
    """What is listed as plugged in: a test says."""
    ports: list[SerialPort] = []
    monkeypatch.setattr("acqd.drivers.transport.serial_ports", lambda: ports)
    return ports


def test_an_identity_on_usb_is_opened_at_its_port(
    terminal: Any, plugged_in: list[SerialPort]
) -> None:
    """Exclusively, with the options of a serial port, as by the name of the port."""
    plugged_in += [
        SerialPort(device="/dev/ttyGANNET9", vid=0x1209, pid=1, serial_number="GL0001"),
        SerialPort(device=terminal.path, vid=0x1209, pid=1, serial_number="GL0017"),
    ]
    link = open_transport("usb:1209:0001/GL0017", {"baud": 9600})
    os.write(terminal.far, b"here\n")
    assert link.read(timeout_s=2.0) == b"here\n"
    with pytest.raises(PortBusy):
        open_transport("usb:1209:0001/GL0017")
    link.close()
    with pytest.raises(RequestRefused, match="option baud"):
        open_transport("usb:1209:0001/GL0017", {"baud": "fast"})


def test_an_identity_that_two_have_or_that_cannot_be_looked_up_is_not_opened(
    plugged_in: list[SerialPort], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What would tell them apart is said."""
    plugged_in += [
        SerialPort(device="/dev/ttyGANNET1", vid=0x1209, pid=1, serial_number="GL0001"),
        SerialPort(device="/dev/ttyGANNET2", vid=0x1209, pid=1, serial_number="GL0002"),
    ]
    with pytest.raises(TransportError, match=r"2 serial ports fit: .*GL0002.*add the serial"):
        open_transport("usb:1209:0001")

    def hangs() -> list[SerialPort]:
        raise OSError("ports come and go")

    monkeypatch.setattr("acqd.drivers.transport.serial_ports", hangs)
    with pytest.raises(TransportError, match="cannot be listed: ports come and go"):
        open_transport("usb:1209:0001")


def test_a_closed_tcp_port_says_that_it_cannot_connect(listener: socket.socket) -> None:
    """Nobody listening is a TransportError with the system's reason."""
    port = listener.getsockname()[1]
    listener.close()
    with pytest.raises(TransportError, match="cannot connect"):
        open_transport(f"tcp://127.0.0.1:{port}")


BAD_OPTIONS = {
    "baud as text": ({"baud": "fast"}, "option baud"),
    "baud true": ({"baud": True}, "option baud"),
    "unknown parity": ({"parity": "mark"}, "one of none, even, odd"),
    "unknown flow": ({"flow_control": "some"}, "rts-cts"),
    "dtr as number": ({"dtr": 1}, "one of true, false"),
}


@pytest.mark.parametrize(("options", "says"), BAD_OPTIONS.values(), ids=BAD_OPTIONS)
def test_a_wrong_option_is_named(terminal: Any, options: dict[str, Any], says: str) -> None:
    """The option, what was given, what is accepted."""
    with pytest.raises(RequestRefused, match=says):
        open_transport(f"serial:{terminal.path}", options)


def test_a_tcp_address_is_for_one_program_at_a_time(
    listener: socket.socket, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second opener, here or in another process, is told who has it; nothing is connected."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    address = f"tcp://127.0.0.1:{listener.getsockname()[1]}"
    first = open_transport(address)
    with pytest.raises(PortBusy, match=f"process {os.getpid()} has this address open"):
        open_transport(address)
    code = f"from acqd.drivers.transport import open_transport; open_transport({address!r})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=20)
    assert "PortBusy" in done.stderr
    listener.accept()[0].close()
    listener.settimeout(0.05)
    with pytest.raises(TimeoutError):
        listener.accept()
    first.close()
    open_transport(address).close()


def test_an_address_is_free_again_after_a_connection_that_failed(
    listener: socket.socket, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A station that tries again must not find its own lock."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    address = f"tcp://127.0.0.1:{listener.getsockname()[1]}"
    listener.close()
    for _ in range(2):
        with pytest.raises(TransportError, match="cannot connect"):
            open_transport(address)


def test_without_a_folder_for_locks_links_open_all_the_same(
    listener: socket.socket, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lock is advice; its want costs no sweep."""
    (tmp_path / "acqd").write_text("in the way")
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    assert lock_folder() is None
    address = f"tcp://127.0.0.1:{listener.getsockname()[1]}"
    first, second = open_transport(address), open_transport(address)
    first.close()
    second.close()


def test_an_ipv6_address_is_written_in_brackets() -> None:
    """tcp://[::1]:port reaches a listener on the IPv6 loopback."""
    try:
        listener = socket.create_server(("::1", 0), family=socket.AF_INET6)
    except OSError:
        pytest.skip("this machine has no IPv6 loopback")
    with listener:
        link = open_transport(f"tcp://[::1]:{listener.getsockname()[1]}")
        far, _ = listener.accept()
        far.sendall(b"6")
        assert link.read(timeout_s=1) == b"6"
        far.close()
        link.close()
