"""HiSLIP frames against the layout of IVI-6.1, and the server against a client made of bytes."""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterator
from typing import Any

import pytest
from acqd_sim.hislip import (
    PAYLOAD_MOST,
    Broken,
    Frame,
    Frames,
    Kind,
    answer_frames,
)
from acqd_sim.ports import PortTaken
from acqd_sim.scenefile import load_world
from acqd_sim.server import Served, SimServer

FIRST = 0xFFFF_FF00


def test_a_frame_is_laid_out_as_the_standard_says() -> None:
    """IVI-6.1, table 4 (from memory): HS, type, control code, parameter, length, payload."""
    data = Frame(Kind.DATA_END, 1, 0xFFFF_FF02, b"*IDN?\n").encode()
    assert data == bytes.fromhex("4853 07 01 ffffff02 0000000000000006") + b"*IDN?\n"
    assert len(data) == 16 + 6


def test_the_numbers_of_the_messages_are_pyvisas() -> None:
    """Somebody else's table of the same standard."""
    from pyvisa_py.protocols import hislip

    for kind in Kind:
        name = "".join(part.capitalize() for part in kind.name.split("_"))
        assert hislip.MESSAGETYPE[name] == kind
    assert struct.calcsize(hislip.HEADER_FORMAT) == 16


def test_frames_are_cut_wherever_the_stream_is_cut() -> None:
    """Byte by byte, and all at once: the same frames."""
    sent = [Frame(Kind.DATA, 0, 1, b"abc"), Frame(Kind.TRIGGER, 1, 3), Frame(Kind.DATA_END, 0, 5)]
    stream = b"".join(frame.encode() for frame in sent)
    frames = Frames()
    assert [one for byte in stream for one in frames.feed(bytes([byte]))] == sent
    assert list(Frames().feed(stream)) == sent


def test_a_payload_beyond_the_limit_is_thrown_away_and_told() -> None:
    """Its bytes are not kept, and the next frame is read again."""
    head = struct.pack("!2sBBIQ", b"HS", Kind.DATA, 0, 7, PAYLOAD_MOST + 3)
    frames = Frames()
    (large,) = frames.feed(head)
    assert large.too_large and large.parameter == 7
    assert list(frames.feed(bytes(PAYLOAD_MOST))) == []
    assert list(frames.feed(b"abc" + Frame(Kind.TRIGGER).encode())) == [Frame(Kind.TRIGGER)]


@pytest.mark.parametrize("stream", [b"GET / HTTP/1.1\r\n", b"X", b"HX"])
def test_what_does_not_begin_as_a_frame_is_none(stream: bytes) -> None:
    """At its first wrong byte."""
    with pytest.raises(Broken):
        list(Frames().feed(stream))


def test_an_answer_is_cut_to_the_clients_size_and_ends_once() -> None:
    """Data, Data, DataEnd; where the end is left out, Data to the last."""
    frames = list(answer_frames(b"abcdefg", 9, most=16 + 3, ends=True))
    assert [(one.kind, one.payload) for one in frames] == [
        (Kind.DATA, b"abc"),
        (Kind.DATA, b"def"),
        (Kind.DATA_END, b"g"),
    ]
    assert {one.parameter for one in frames} == {9}
    assert list(answer_frames(b"a", 9, most=64, ends=False)) == [Frame(Kind.DATA, 0, 9, b"a")]


# --- the server, by bytes -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def server() -> Iterator[SimServer]:
    """One instrument behind HiSLIP."""
    with SimServer(load_world(), Served(hislip={"mast": ("127.0.0.1", 0)})) as made:
        yield made


class Client:
    """Two sockets and the frames on them."""

    def __init__(self, server: SimServer, device: bytes = b"hislip0") -> None:
        port: Any = server.ports("mast")[0]
        self.place = (port.host, port.port)
        self.sync = socket.create_connection(self.place, 5)
        self.send(self.sync, Frame(Kind.INITIALIZE, 0, 0x0100_0000 | 0x7878, device))
        self.first = self.receive(self.sync)
        self.beside = socket.create_connection(self.place, 5)

    def join(self) -> Frame:
        number = self.first.parameter & 0xFFFF
        self.send(self.beside, Frame(Kind.ASYNC_INITIALIZE, 0, number))
        return self.receive(self.beside)

    @staticmethod
    def send(to: socket.socket, frame: Frame) -> None:
        to.sendall(frame.encode())

    @staticmethod
    def receive(source: socket.socket) -> Frame:
        head = source.recv(16, socket.MSG_WAITALL)
        assert len(head) == 16, "the server hung up"
        _, kind, control, parameter, size = struct.unpack("!2sBBIQ", head)
        payload = source.recv(size, socket.MSG_WAITALL) if size else b""
        return Frame(kind, control, parameter, payload)

    def ask(self, text: bytes, number: int, delivered: int = 1) -> Frame:
        self.send(self.sync, Frame(Kind.DATA_END, delivered, number, text))
        return self.receive(self.sync)

    def beside_ask(self, frame: Frame) -> Frame:
        self.send(self.beside, frame)
        return self.receive(self.beside)

    def close(self) -> None:
        self.sync.close()
        self.beside.close()


@pytest.fixture
def client(server: SimServer) -> Iterator[Client]:
    """A client that is initialized."""
    made = Client(server)
    made.join()
    yield made
    made.close()


def test_the_two_connections_find_together(server: SimServer) -> None:
    """Version 1.0 and a number for the session; synchronized mode; then the second connection."""
    client = Client(server)
    assert (client.first.kind, client.first.control) == (Kind.INITIALIZE_RESPONSE, 0)
    assert client.first.parameter >> 16 == 0x0100 and client.first.parameter & 0xFFFF
    joined = client.join()
    assert (joined.kind, joined.control) == (Kind.ASYNC_INITIALIZE_RESPONSE, 0)
    assert client.ask(b"*OPC?\n", FIRST) == Frame(Kind.DATA_END, 0, FIRST, b"1\n")
    client.close()


def test_a_message_ends_where_its_frame_says_so(client: Client) -> None:
    """In several frames, and without a line feed."""
    client.send(client.sync, Frame(Kind.DATA, 0, FIRST, b"*I"))
    answer = client.ask(b"DN?", FIRST + 2)
    assert answer.parameter == FIRST + 2 and answer.payload.startswith(b"GANNET,")


def test_an_answer_keeps_to_the_clients_largest_message(client: Client) -> None:
    """256 bytes with header and all; the server says its own largest."""
    told = client.beside_ask(Frame(Kind.ASYNC_MAX_MSG_SIZE, payload=struct.pack("!Q", 256)))
    assert told.payload == struct.pack("!Q", PAYLOAD_MOST)
    client.send(client.sync, Frame(Kind.DATA_END, 0, FIRST, b":FREQ:STAR?;" * 40 + b"*OPC?"))
    got = []
    while not got or got[-1].kind == Kind.DATA:
        got.append(client.receive(client.sync))
    assert [len(one.payload) for one in got[:-1]] == [240] * (len(got) - 1) and len(got) > 1


def test_a_device_clear_ends_what_runs_and_throws_away_what_waits(
    server: SimServer, client: Client
) -> None:
    """Acknowledged on both connections; what is sent in between is not carried out."""
    client.send(client.sync, Frame(Kind.DATA_END, 0, FIRST, b"SWE:TIME 30;:INIT:CONT 0;:INIT"))
    client.send(client.sync, Frame(Kind.DATA_END, 0, FIRST + 2, b"*OPC?"))
    cleared = client.beside_ask(Frame(Kind.ASYNC_DEVICE_CLEAR))
    assert cleared == Frame(Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE)
    client.send(client.sync, Frame(Kind.DATA_END, 0, FIRST + 4, b"SWE:POIN 77"))
    client.send(client.sync, Frame(Kind.DEVICE_CLEAR_COMPLETE))
    assert client.receive(client.sync) == Frame(Kind.DEVICE_CLEAR_ACKNOWLEDGE)
    assert client.ask(b"SWE:POIN?", FIRST).payload != b"77\n"
    client.ask(b"ABOR;*RST;*OPC?", FIRST + 2)


def test_the_status_byte_says_whether_an_answer_was_read(client: Client) -> None:
    """Message available until the client says that it was delivered."""
    client.ask(b"*CLS;*OPC?", FIRST)
    waiting = client.beside_ask(Frame(Kind.ASYNC_STATUS_QUERY, 0, FIRST))
    assert (waiting.kind, waiting.control & 16) == (Kind.ASYNC_STATUS_RESPONSE, 16)
    delivered = client.beside_ask(Frame(Kind.ASYNC_STATUS_QUERY, 1, FIRST))
    assert delivered.control & 16 == 0


def test_asking_on_before_the_answer_was_read_interrupts(client: Client) -> None:
    """Told on both connections, and a query error -410 in the queue (IEEE 488.2)."""
    client.ask(b"*CLS;*OPC?", FIRST)
    interrupted = client.ask(b"SYST:ERR?", FIRST + 2, delivered=0)
    assert interrupted == Frame(Kind.INTERRUPTED, 0, FIRST + 2)
    assert client.receive(client.beside) == Frame(Kind.ASYNC_INTERRUPTED, 0, FIRST + 2)
    assert client.receive(client.sync).payload.startswith(b"-410,")


def test_one_client_can_have_the_instrument_alone(server: SimServer, client: Client) -> None:
    """Others wait for it, or are told that they did not get it; hanging up frees it."""
    other = Client(server)
    other.join()
    assert client.beside_ask(Frame(Kind.ASYNC_LOCK, 1, 100)).control == 1
    assert client.beside_ask(Frame(Kind.ASYNC_LOCK_INFO)) == Frame(
        Kind.ASYNC_LOCK_INFO_RESPONSE, 1, 1
    )
    assert other.beside_ask(Frame(Kind.ASYNC_LOCK, 1, 20)).control == 0
    assert other.beside_ask(Frame(Kind.ASYNC_LOCK, 0)).control == 3
    other.send(other.sync, Frame(Kind.DATA_END, 0, FIRST, b"*OPC?"))
    other.sync.settimeout(0.1)
    with pytest.raises(TimeoutError):
        other.sync.recv(1)
    other.sync.settimeout(5)
    assert client.ask(b"*OPC?", FIRST).payload == b"1\n"
    client.close()
    assert other.receive(other.sync).payload == b"1\n"
    other.close()


def test_a_lock_can_be_shared_under_a_word(server: SimServer, client: Client) -> None:
    """The same word gets in, another one does not."""
    others = [Client(server), Client(server)]
    for one in others:
        one.join()
    assert client.beside_ask(Frame(Kind.ASYNC_LOCK, 1, 20, b"lamp")).control == 2
    assert others[0].beside_ask(Frame(Kind.ASYNC_LOCK, 1, 20, b"lamp")).control == 2
    assert others[1].beside_ask(Frame(Kind.ASYNC_LOCK, 1, 20, b"whip")).control == 0
    assert client.beside_ask(Frame(Kind.ASYNC_LOCK_INFO)).parameter == 2
    assert client.beside_ask(Frame(Kind.ASYNC_LOCK, 0)).control == 2
    for one in others:
        one.close()


def test_remote_control_and_trigger_are_taken(client: Client) -> None:
    """There is no front panel to lock; a trigger is *TRG."""
    answer = client.beside_ask(Frame(Kind.ASYNC_REMOTE_LOCAL_CONTROL, 3))
    assert answer.kind == Kind.ASYNC_REMOTE_LOCAL_RESPONSE
    client.ask(b"*CLS;*OPC?", FIRST)
    client.send(client.sync, Frame(Kind.TRIGGER, 1, FIRST + 2))
    # The simulated instrument has no *TRG: that it was asked for it shows in its error queue.
    assert client.ask(b"SYST:ERR?", FIRST + 4, delivered=0).payload.startswith(b"-113,")


WRONG_FIRST = {
    "no frame": (b"GET / HTTP/1.0\r\n\r\n", 1),
    "data first": (Frame(Kind.DATA_END, 0, FIRST, b"*IDN?").encode(), 3),
    "a device that is not there": (Frame(Kind.INITIALIZE, 0, 0, b"hislip1").encode(), 3),
    "a session that is not there": (Frame(Kind.ASYNC_INITIALIZE, 0, 60000).encode(), 3),
}


@pytest.mark.parametrize(("data", "code"), WRONG_FIRST.values(), ids=WRONG_FIRST)
def test_a_wrong_beginning_is_fatal(server: SimServer, data: bytes, code: int) -> None:
    """FatalError with its code and a text, then the connection is closed."""
    port: Any = server.ports("mast")[0]
    with socket.create_connection((port.host, port.port), 5) as link:
        link.sendall(data)
        fatal = Client.receive(link)
        assert (fatal.kind, fatal.control) == (Kind.FATAL_ERROR, code) and fatal.payload
        assert link.recv(1) == b""


def test_data_before_the_second_connection_is_fatal(server: SimServer) -> None:
    """Both channels have to be there."""
    client = Client(server)
    fatal = client.ask(b"*IDN?", FIRST)
    assert (fatal.kind, fatal.control) == (Kind.FATAL_ERROR, 2)
    client.close()


def test_what_is_not_known_is_an_error_and_the_connection_stays(client: Client) -> None:
    """On either connection; a message that is too large is thrown away."""
    client.send(client.sync, Frame(99))
    assert client.receive(client.sync).control == 1
    assert client.beside_ask(Frame(99)).kind == Kind.ERROR
    head = struct.pack("!2sBBIQ", b"HS", Kind.DATA_END, 0, FIRST, PAYLOAD_MOST + 1)
    client.sync.sendall(head + bytes(PAYLOAD_MOST + 1))
    too_large = client.receive(client.sync)
    assert (too_large.kind, too_large.control) == (Kind.ERROR, 4)
    assert client.ask(b"*OPC?", FIRST + 2).payload == b"1\n"


def test_pyvisa_talks_to_it(server: SimServer) -> None:
    """Somebody else's client: questions, status byte, device clear, keepalive, a long trace."""
    import pyvisa

    manager = pyvisa.ResourceManager("@py")
    resource: Any = manager.open_resource(server.address("mast"), timeout=10_000)
    assert resource.query("*IDN?").startswith("GANNET,LOOKOUT")
    assert resource.read_stb() & 16 == 0
    resource.clear()
    resource.write("INIT:CONT 0;:SWE:POIN 1001;:FORM REAL,32;:INIT;*WAI")
    levels = resource.query_binary_values("TRAC? TRACE1", datatype="f", is_big_endian=True)
    assert len(levels) == 1001
    assert resource.query("SYST:ERR?").startswith("0,")
    resource.close()
    manager.close()


def test_it_listens_on_loopback_alone() -> None:
    """As every port of the simulator."""
    with pytest.raises(PortTaken, match="loopback only"):
        SimServer(load_world(), Served(hislip={"mast": ("0.0.0.0", 0)}))
