"""Links by VISA resource strings, against the simulator's HiSLIP, VXI-11 and USB.

PyVISA-py speaks to a server of somebody else's understanding, over real sockets; USB has a bus of
this process in the place where pyusb looks for a backend, and bytes as on a cable.
"""

from __future__ import annotations

import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import usb.backend.libusb1
from acqd_scpi.client import MessageLink, ScpiClient
from acqd_scpi.parser import Block
from acqd_scpi.visa_link import CLEAR_AFTER_TIMEOUT_S, VisaLink
from acqd_sim.hislip import HEADER, Frame, Kind
from acqd_sim.scenefile import load_world
from acqd_sim.server import Served, SimServer
from acqd_sim.usbbus import SimulatedBus

from acqd.drivers.contract import Transport
from acqd.drivers.transport import Link, open_transport
from acqd.drivers.worker import Interruptible
from acqd.errors import (
    PortBusy,
    ProtocolViolation,
    RequestRefused,
    TransportClosed,
    TransportError,
    TransportTimeout,
)

ANY = ("127.0.0.1", 0)
KINDS = ("HiSLIP", "VXI-11", "USBTMC")
LOAD_S = 1.0
"""What a busy machine may add to any wait."""

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def bus() -> Iterator[SimulatedBus]:
    """A USB bus where pyusb looks for libusb."""
    made = SimulatedBus()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(usb.backend.libusb1, "get_backend", lambda *args, **kwargs: made)
        yield made


@pytest.fixture(scope="module")
def server(bus: SimulatedBus) -> Iterator[SimServer]:
    """One instrument with three sockets."""
    ways = Served(hislip={"mast": ANY}, vxi11={"mast": ANY}, usb={"mast": bus}, tcp={"mast": ANY})
    with SimServer(load_world(), ways) as made:
        yield made


class Way:
    """One way in: its address, and the device clears that were seen there."""

    def __init__(self, server: SimServer, kind: str) -> None:
        self.server = server
        self.port: Any = server.ports("mast")[1 + KINDS.index(kind)]
        self.address = self.port.address

    @property
    def clears(self) -> int:
        return int(self.port.device.clears if hasattr(self.port, "device") else self.port.clears)

    def tell(self, order: str) -> None:
        self.server.tell(f"mast {order}")


@pytest.fixture(params=KINDS)
def way(request: pytest.FixtureRequest, server: SimServer) -> Iterator[Way]:
    """Each test runs over each kind of link of messages."""
    yield Way(server, request.param)
    server.tell("mast heal")
    server.tell("mast replug")


@pytest.fixture
def link(way: Way) -> Iterator[Any]:
    """An open link."""
    made = open_transport(way.address)
    yield made
    made.close()


def ask(link: Transport, question: str, timeout_s: float = 3.0) -> bytes:
    """The answer to ``question``."""
    link.write(question.encode() + b"\n")
    return link.read(timeout_s=timeout_s)


def later(act: Callable[[], Any], seconds: float = 0.1) -> threading.Timer:
    """Do it from another thread in a moment."""
    timer = threading.Timer(seconds, act)
    timer.start()
    return timer


def test_is_a_transport_that_keeps_messages_apart(link: Any) -> None:
    """What drivers are promised, what the host needs, and what a SCPI client makes use of."""
    assert isinstance(link, Transport) and isinstance(link, Interruptible)
    assert isinstance(link, MessageLink)


def test_an_answer_comes_with_its_end(link: Any) -> None:
    """The end is told with the last byte and not before, also where it is fetched in pieces."""
    link.write(b"*IDN?\n")
    assert (link.read(3, timeout_s=3), link.at_end) == (b"GAN", False)
    rest = b""
    while not link.at_end:
        rest += link.read(timeout_s=3)
    assert rest == b"NET,LOOKOUT 1,GL0017,1.04\n"


def test_a_long_answer_is_whole(way: Way, link: Any) -> None:
    """Eighty thousand bytes, over packets and frames that it does not fit into evenly."""
    link.write(b"INIT:CONT 0;:SWE:POIN 1001;:FORM REAL,64;:INIT;*WAI;:TRAC? TRACE1\n")
    got = b""
    while not link.at_end:
        got += link.read(timeout_s=10)
    assert got.startswith(b"#48008") and len(got) == 6 + 8008 + 1
    link.write(b"FORM ASC;:TRAC? TRACE1\n")
    text = b""
    while not (link.at_end and text):
        text += link.read(timeout_s=10)
    assert text.count(b",") == 1000 and text.endswith(b"\n")


@pytest.mark.parametrize("size", [*range(494, 502), *range(1006, 1014)])
def test_an_answer_that_fills_its_last_packet_has_an_end_too(
    way: Way, link: Any, size: int
) -> None:
    """With header and padding some of these make whole packets of 512 bytes."""
    way.server.instrument("mast").faults.identity = "x" * size
    link.write(b"*CLS;*IDN?\n")
    got = b""
    while not link.at_end:
        got += link.read(timeout_s=5)
    assert got == b"x" * size + b"\n"
    # Not -410, query interrupted: nothing of the answer was left lying.
    assert ask(link, "SYST:ERR?").startswith(b"0,")


def test_a_message_longer_than_a_packet_goes_over(link: Any) -> None:
    """Six thousand bytes of one message, and the answer to its end."""
    assert ask(link, ";".join(["*CLS"] * 1200 + ["*OPC?"])) == b"1\n"


def test_opening_clears_the_device_first(way: Way) -> None:
    """What an earlier conversation left is gone before the first question."""
    before = way.clears
    open_transport(way.address).close()
    assert way.clears == before + 1


def test_silence_ends_at_the_deadline_with_a_device_clear(way: Way, link: Any) -> None:
    """TransportTimeout, seen at the instrument as one clear, and the link goes on."""
    before = way.clears
    begun_s = time.monotonic()
    link.write(b"FREQ:STAR 1e9\n")
    with pytest.raises(TransportTimeout, match=r"nothing came within 0\.3 s"):
        link.read(timeout_s=0.3)
    assert 0.3 <= time.monotonic() - begun_s < 0.3 + CLEAR_AFTER_TIMEOUT_S + LOAD_S
    assert way.clears == before + 1
    assert ask(link, "*OPC?") == b"1\n"


def test_waiting_without_a_question_clears_nothing(way: Way, link: Any) -> None:
    """Nothing is owed, so nothing is thrown away."""
    assert ask(link, "*OPC?") == b"1\n"
    before = way.clears
    with pytest.raises(TransportTimeout):
        link.read(timeout_s=0.1)
    assert way.clears == before


def test_a_late_answer_never_meets_the_next_question(way: Way, link: Any) -> None:
    """It is thrown away at its source; the questions after it get their own answers."""
    way.tell("late 0.5")
    link.write(b"*IDN?\n")
    with pytest.raises(TransportTimeout):
        link.read(timeout_s=0.15)
    way.tell("late 0")
    until_s = time.monotonic() + 0.8
    while time.monotonic() < until_s:
        assert ask(link, "*OPC?") == b"1\n"
        time.sleep(0.05)


def test_half_an_answer_is_cleared_away_too(way: Way, link: Any) -> None:
    """The first half comes, the rest never; after the timeout the next answer is whole."""
    way.tell("half-line")
    got = ask(link, "*IDN?")
    assert not link.at_end and b"GANNET".startswith(got[:6])
    with pytest.raises(TransportTimeout):
        link.read(timeout_s=0.2)
    assert ask(link, "*IDN?").endswith(b"1.04\n")


def test_discarding_throws_an_unread_answer_away(way: Way, link: Any) -> None:
    """By a device clear; where nothing is owed, nothing is done."""
    link.write(b"*IDN?\n")
    before = way.clears
    assert link.discard_input() == b"" and way.clears == before + 1
    assert link.discard_input() == b"" and way.clears == before + 1
    assert ask(link, "*OPC?") == b"1\n"


def test_an_interrupt_ends_a_waiting_read_and_leaves_the_link_usable(way: Way, link: Any) -> None:
    """At once, not at the deadline; after resume the sweeper can still be told something."""
    way.tell("stop-answering")
    link.write(b"*IDN?\n")
    timer = later(link.interrupt)
    begun_s = time.monotonic()
    with pytest.raises(TransportClosed, match="the host interrupted the call"):
        link.read(timeout_s=20)
    assert time.monotonic() - begun_s < 0.3 + LOAD_S
    timer.join()
    with pytest.raises(TransportClosed):
        link.write(b"*CLS\n")
    way.tell("heal")
    link.resume()
    link.discard_input()
    assert ask(link, "*OPC?") == b"1\n"


def test_closing_wakes_a_waiting_reader_and_frees_the_resource(way: Way, link: Any) -> None:
    """From another thread, in bounded time; then it can be opened again."""
    way.tell("stop-answering")
    link.write(b"*IDN?\n")
    timer = later(link.close)
    begun_s = time.monotonic()
    with pytest.raises(TransportClosed, match="the host closed the link"):
        link.read(timeout_s=20)
    assert time.monotonic() - begun_s < 0.3 + LOAD_S
    timer.join()
    link.close()
    assert link.is_closed
    way.tell("heal")
    again = open_transport(way.address)
    assert ask(again, "*OPC?") == b"1\n"
    again.close()


def test_what_was_written_last_is_still_done(way: Way) -> None:
    """Closing does not swallow the command that turns the source off."""
    link = open_transport(way.address)
    link.write(b"SWE:POIN 77\n")
    link.close()
    again = open_transport(way.address)
    assert ask(again, "SWE:POIN?") == b"77\n"
    again.close()


def test_unplugging_ends_a_waiting_read_and_replugging_brings_it_back(way: Way, link: Any) -> None:
    """The peer is gone: TransportError without waiting for the deadline."""
    way.tell("stop-answering")
    link.write(b"*IDN?\n")
    timer = later(lambda: way.tell("unplug"))
    begun_s = time.monotonic()
    with pytest.raises(TransportError) as broke:
        link.read(timeout_s=20)
    assert not isinstance(broke.value, TransportTimeout)
    assert time.monotonic() - begun_s < 0.5 + LOAD_S
    timer.join()
    link.close()
    with pytest.raises(TransportError):
        open_transport(way.address)
    way.tell("heal")
    way.tell("replug")
    again = open_transport(way.address)
    assert ask(again, "*OPC?") == b"1\n"
    again.close()


def test_a_resource_is_for_one_program_at_a_time(
    way: Way, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also under another spelling and from another process; free again once closed."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    first = open_transport(way.address)
    with pytest.raises(PortBusy, match="has this address open"):
        open_transport(way.address.lower())
    code = f"from acqd.drivers.transport import open_transport; open_transport({way.address!r})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert "PortBusy" in done.stderr
    first.close()
    open_transport(way.address).close()


def test_an_indefinite_block_can_be_read_where_messages_have_ends(way: Way, link: Any) -> None:
    """Binary bytes, newlines among them, up to END; on a stream it is refused."""
    way.server.instrument("mast").faults.identity = "#0\n\x01,\n#9"
    client = ScpiClient(link)
    assert client.query_data("*IDN?") == Block(b"\n\x01,\n#9")
    assert client.query("*OPC?") == "1"
    stream = open_transport(way.server.address("mast"))
    with pytest.raises(ProtocolViolation, match="no end on a stream"):
        ScpiClient(stream).query_data("*IDN?")
    stream.close()


def test_an_answer_needs_no_line_feed_where_messages_have_ends() -> None:
    """END alone ends it."""
    from acqd_scpi.parser import Line, ResponseParser

    parser = ResponseParser(has_end=True)
    parser.feed(b"GANNET,LOOK")
    assert parser.next_response() is None
    parser.feed(b"OUT 1", end=True)
    assert parser.next_response() == Line("GANNET,LOOKOUT 1")
    assert parser.next_response() is None and parser.pending == b""


def test_a_block_that_ends_too_early_is_no_block() -> None:
    """Where END came no more comes: told at once, not at the deadline."""
    from acqd_scpi.parser import ResponseParser

    for cut in (b"#", b"#2", b"#21", b"#212abc"):
        parser = ResponseParser(has_end=True)
        parser.feed(cut, end=True)
        if cut == b"#":
            continue
        with pytest.raises(ProtocolViolation, match="before the message's end"):
            parser.next_response()


# --- peers that are none --------------------------------------------------------------------------


@pytest.fixture
def listener() -> Iterator[socket.socket]:
    """Accepts and says nothing."""
    with socket.create_server(("127.0.0.1", 0)) as made:
        yield made


FORMS = {"HiSLIP": "TCPIP::127.0.0.1::hislip0,{}", "VXI-11": "TCPIP::127.0.0.1,{}::inst0::INSTR"}


@pytest.mark.parametrize("form", FORMS.values(), ids=FORMS)
def test_a_peer_that_says_nothing_is_given_up_in_time(form: str, listener: socket.socket) -> None:
    """It accepts the connection and is silent: a timeout after connect_timeout_s, all in all."""
    address = form.format(listener.getsockname()[1])
    begun_s = time.monotonic()
    with pytest.raises(TransportTimeout):
        open_transport(address, {"connect_timeout_s": 0.3})
    assert time.monotonic() - begun_s < 0.3 + LOAD_S


@pytest.mark.parametrize("form", FORMS.values(), ids=FORMS)
def test_a_peer_that_speaks_something_else_is_told_apart(
    form: str, listener: socket.socket
) -> None:
    """A web server, say: one line, and the connection is closed."""

    def babble() -> None:
        peer, _ = listener.accept()
        with peer:
            peer.sendall(b"\x80\x00\x00\x18HTTP/1.1 400 Bad Request\r\n\r\n" + bytes(64))
            peer.settimeout(5)
            while peer.recv(1024):
                pass

    thread = threading.Thread(target=babble)
    thread.start()
    with pytest.raises(TransportError, match="was not understood") as broke:
        open_transport(form.format(listener.getsockname()[1]), {"connect_timeout_s": 2.0})
    assert "\n" not in str(broke.value)
    thread.join(10)
    assert not thread.is_alive()


@pytest.mark.parametrize("form", FORMS.values(), ids=FORMS)
def test_nobody_there_is_told_with_the_systems_reason(form: str, listener: socket.socket) -> None:
    """Connection refused."""
    port = listener.getsockname()[1]
    listener.close()
    with pytest.raises(TransportError, match="cannot connect: Connection refused"):
        open_transport(form.format(port))


def test_a_device_that_the_server_does_not_have_is_refused(server: SimServer) -> None:
    """HiSLIP and VXI-11 both name what was asked for."""
    hislip, vxi11 = (port.address for port in server.ports("mast")[1:3])
    with pytest.raises(TransportError, match="there is no hislip7 here"):
        open_transport(hislip.replace("hislip0", "hislip7"))
    with pytest.raises(TransportError, match="no link to 'inst7': device not accessible"):
        open_transport(vxi11.replace("inst0", "inst7"))


def test_the_portmapper_is_asked_where_no_port_is_given(
    server: SimServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The simulator's portmapper stands on another port than 111, which belongs to root."""
    from pyvisa_py.protocols import rpc

    port: Any = server.ports("mast")[2]
    monkeypatch.setattr(rpc, "PMAP_PORT", port.port)
    link = open_transport("TCPIP::127.0.0.1::inst0::INSTR")
    assert ask(link, "*IDN?").startswith(b"GANNET")
    link.close()


def test_a_usb_device_that_is_not_there_is_told(server: SimServer, bus: SimulatedBus) -> None:
    """Other ids: is it plugged in? The right ids and another serial number: that one is not."""
    with pytest.raises(TransportError, match="is the sweeper plugged in"):
        open_transport("USB::0x1209::0x0002::GL0017::INSTR")
    with pytest.raises(TransportError, match="none whose serial number is 'GL0018' or that this"):
        open_transport("USB::0x1209::0x0001::GL0018::INSTR")
    with pytest.raises(TransportError, match="its interface 3 is none for USBTMC"):
        open_transport("USB::0x1209::0x0001::GL0017::3::INSTR")


def test_a_usb_device_that_another_program_claimed_is_busy(server: SimServer) -> None:
    """Not one of ours: the kernel, or a program that does not know of our lock."""
    import usb.core
    import usb.util

    device = usb.core.find(idVendor=0x1209)
    usb.util.claim_interface(device, 0)
    try:
        with pytest.raises(PortBusy, match="another program or a driver of the kernel"):
            open_transport(server.ports("mast")[3].address)
    finally:
        usb.util.dispose_resources(device)


def test_gpib_says_what_to_install_where_there_is_no_library() -> None:
    """One line."""
    with pytest.raises(TransportError, match="linux-gpib, or gpib-ctypes") as missing:
        open_transport("GPIB0::18::INSTR")
    assert "\n" not in str(missing.value)


def test_sockets_and_serial_ports_are_the_stations_own_links(
    server: SimServer, tmp_path: Path
) -> None:
    """By resource strings too: exclusive, with the same options."""
    host, port = server.address("mast").removeprefix("tcp://").split(":")
    link = open_transport(f"tcpip::{host}::{port}::socket")
    assert isinstance(link, Link) and ask(link, "*IDN?").startswith(b"GANNET")
    with pytest.raises(PortBusy):
        open_transport(f"tcp://{host}:{port}")
    link.close()
    with pytest.raises(TransportError, match=r"there is no /dev/ttyGANNET9"):
        open_transport("ASRL/dev/ttyGANNET9::INSTR")
    with pytest.raises(RequestRefused, match="option baud"):
        open_transport("ASRL/dev/ttyGANNET9::INSTR", {"baud": "fast"})


def test_a_wrong_option_is_named() -> None:
    """Before anything is opened."""
    with pytest.raises(RequestRefused, match="option connect_timeout_s"):
        open_transport("TCPIP::127.0.0.1::hislip0", {"connect_timeout_s": "long"})


def test_pyvisa_is_not_imported_before_it_is_needed() -> None:
    """Neither by the driver nor by a link that is none of messages."""
    code = (
        "import sys; import acqd_scpi, acqd_scpi.visa; "
        "from acqd.drivers.transport import check_address; "
        "check_address('TCPIP::mast::hislip0'); "
        "print([name for name in ('pyvisa', 'pyvisa_py', 'usb') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.stdout.strip() == "[]", done.stderr


# --- answers that come in drops -------------------------------------------------------------------


def test_a_usb_transfer_that_trickles_in_loses_nothing(
    server: SimServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A packet every 150 ms: longer than a single wait, which would throw away what it had."""
    port: Any = server.ports("mast")[3]
    link = open_transport(port.address)
    server.instrument("mast").faults.identity = "y" * 1400
    take, due_s = port.device.bulk_in, [0.0]

    def drop_by_drop() -> bytes | None:
        if time.monotonic() < due_s[0]:
            return None
        packet = take()
        if packet is not None:
            due_s[0] = time.monotonic() + 0.15
        return packet

    monkeypatch.setattr(port.device, "bulk_in", drop_by_drop)
    got = b""
    link.write(b"*IDN?\n")
    while not link.at_end:
        got += link.read(timeout_s=5)
    link.close()
    server.tell("mast heal")
    assert got == b"y" * 1400 + b"\n"


class Halting:
    """A HiSLIP server that stops within a frame until it is told to go on."""

    def __init__(self, listener: socket.socket, halt_at: int) -> None:
        self.address = f"TCPIP::127.0.0.1::hislip0,{listener.getsockname()[1]}"
        self.halted, self.go_on = threading.Event(), threading.Event()
        self._listener = listener
        self._halt_at = halt_at
        self.thread = threading.Thread(target=self._serve, daemon=True)
        self.thread.start()

    def _serve(self) -> None:
        sync, _ = self._listener.accept()
        with sync:
            self._frame(sync)
            sync.sendall(Frame(Kind.INITIALIZE_RESPONSE, 0, 0x0100_0001).encode())
            beside, _ = self._listener.accept()
            with beside:
                self._frame(beside)
                beside.sendall(Frame(Kind.ASYNC_INITIALIZE_RESPONSE).encode())
                self._frame(beside)
                size = (1 << 20).to_bytes(8, "big")
                beside.sendall(Frame(Kind.ASYNC_MAX_MSG_SIZE_RESPONSE, payload=size).encode())
                self._frame(beside)
                beside.sendall(Frame(Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE).encode())
                self._frame(sync)
                sync.sendall(Frame(Kind.DEVICE_CLEAR_ACKNOWLEDGE).encode())
                self._answer(sync)

    def _answer(self, sync: socket.socket) -> None:
        asked = self._frame(sync)
        data = Frame(Kind.DATA, 0, asked.parameter, b"GAN").encode()
        data += Frame(Kind.DATA_END, 0, asked.parameter, b"NET\n").encode()
        sync.sendall(data[: self._halt_at])
        self.halted.set()
        self.go_on.wait(10)
        sync.sendall(data[self._halt_at :])
        sync.recv(1)

    @staticmethod
    def _frame(source: socket.socket) -> Frame:
        head = source.recv(16, socket.MSG_WAITALL)
        _, kind, control, parameter, size = HEADER.unpack(head)
        payload = source.recv(size, socket.MSG_WAITALL) if size else b""
        return Frame(kind, control, parameter, payload)


@pytest.mark.parametrize("halt_at", [0, 1, 8, 16, 18, 19, 27, 35, 37])
def test_an_interrupt_within_a_frame_does_not_throw_hislip_out_of_step(
    listener: socket.socket, halt_at: int
) -> None:
    """In a header or a payload: after resume the rest comes and the answer is whole."""
    server = Halting(listener, halt_at)
    link = open_transport(server.address)
    link.write(b"*IDN?\n")
    assert server.halted.wait(5)
    got = b""
    timer = later(link.interrupt, 0.05)
    try:
        while True:
            got += link.read(timeout_s=20)
    except TransportClosed:
        timer.join()
    link.resume()
    server.go_on.set()
    while not link.at_end:
        got += link.read(timeout_s=5)
    assert got == b"GANNET\n"
    link.close()
    server.thread.join(5)


# --- what GPIB would use --------------------------------------------------------------------------


@pytest.fixture
def resource_link(server: SimServer) -> Iterator[VisaLink]:
    """The pipe of GPIB on another message-based resource of PyVISA, as no GPIB is at hand."""
    import pyvisa
    from acqd_scpi.visa_gpib import ResourcePipe

    manager = pyvisa.ResourceManager("@py")
    # Not HiSLIP: a device clear within an answer throws PyVISA-py out of step there.
    resource = manager.open_resource(server.ports("mast")[2].address)
    made = VisaLink("GPIB0::18::INSTR", ResourcePipe("here", resource), release=lambda: None)
    yield made
    made.close()
    manager.close()


def test_a_resource_of_pyvisa_is_waited_for_by_its_status_byte(resource_link: VisaLink) -> None:
    """Message available, then the answer to its end, in pieces too; silence is a timeout."""
    assert ask(resource_link, "*OPC?") == b"1\n" and resource_link.at_end
    resource_link.write(b"*IDN?\n")
    assert (resource_link.read(6, timeout_s=3), resource_link.at_end) == (b"GANNET", False)
    resource_link.clear(timeout_s=2)
    resource_link.write(b"*CLS\n")
    with pytest.raises(TransportTimeout):
        resource_link.read(timeout_s=0.2)
    assert ask(resource_link, "*OPC?") == b"1\n"


def test_a_resource_of_pyvisa_can_be_interrupted_between_two_looks(
    server: SimServer, resource_link: VisaLink
) -> None:
    """The wait is ours, not the library's."""
    resource_link.write(b"*CLS\n")
    timer = later(resource_link.interrupt)
    begun_s = time.monotonic()
    with pytest.raises(TransportClosed):
        resource_link.read(timeout_s=20)
    assert time.monotonic() - begun_s < 0.3 + LOAD_S
    timer.join()
    resource_link.resume()
    assert ask(resource_link, "*OPC?") == b"1\n"
