"""VXI-11 records and calls, byte by byte, and PyVISA-py's client at the server.

The bytes are those of RFC 5531 and of VXI-11 revision 1.0, from memory.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterator
from typing import Any

import pytest
from acqd_sim.scenefile import load_world
from acqd_sim.server import Served, SimServer
from acqd_sim.vxi11 import (
    CORE,
    PORTMAPPER,
    Broken,
    Call,
    Error,
    Garbage,
    Proc,
    Reader,
    Reason,
    Records,
    opaque,
    reply,
    words,
)


def call(program: int, version: int, procedure: int, arguments: bytes, xid: int = 9) -> bytes:
    """A record of one call without credentials, written out anew here."""
    body = struct.pack(">10I", xid, 0, 2, program, version, procedure, 0, 0, 0, 0) + arguments
    return struct.pack(">I", 0x8000_0000 | len(body)) + body


def test_a_record_may_come_in_fragments_and_pieces() -> None:
    """The highest bit marks the last fragment; the stream may be cut anywhere."""
    whole = call(CORE, 1, Proc.READ, b"\0\0\0\7")
    body = whole[4:]
    parts = struct.pack(">I", 8) + body[:8] + struct.pack(">I", 0x8000_0000 | len(body) - 8)
    records = Records()
    found = [one for byte in parts + body[8:] for one in records.feed(bytes([byte]))]
    assert found == [Call(9, CORE, 1, Proc.READ, b"\0\0\0\7")] == list(Records().feed(whole))


def test_texts_are_filled_up_to_words() -> None:
    """XDR: length, bytes, zeros."""
    assert opaque(b"inst0") == b"\0\0\0\5inst0\0\0\0"
    reader = Reader(opaque(b"inst0") + words(7))
    assert (reader.opaque(), reader.word(), reader.rest()) == (b"inst0", 7, b"")
    with pytest.raises(Garbage):
        reader.word()


def test_a_reply_is_accepted_with_its_calls_number() -> None:
    """RFC 5531: xid, REPLY, MSG_ACCEPTED, no verifier, SUCCESS, results."""
    made = reply(Call(9, CORE, 1, Proc.CLEAR, b""), words(0))
    assert made == struct.pack(">8I", 0x8000_0000 | 28, 9, 1, 0, 0, 0, 0, 0)


@pytest.mark.parametrize(
    "stream",
    [b"\xff\xff\xff\xffGET", b"\x80\0\0\4\0\0\0\0", call(CORE, 1, 12, b"")[:12] + bytes(40)],
)
def test_what_is_no_call_is_told(stream: bytes) -> None:
    """Too long, too short, or a reply."""
    with pytest.raises(Broken):
        list(Records().feed(stream))


@pytest.fixture(scope="module")
def server() -> Iterator[SimServer]:
    """One instrument behind VXI-11."""
    with SimServer(load_world(), Served(vxi11={"mast": ("127.0.0.1", 0)})) as made:
        yield made


class Client:
    """One connection."""

    def __init__(self, server: SimServer) -> None:
        port: Any = server.ports("mast")[0]
        self.port = int(port.port)
        self.socket = socket.create_connection(("127.0.0.1", self.port), 5)

    def do(self, program: int, version: int, procedure: int, arguments: bytes) -> bytes:
        """What follows the header of the reply, its status first."""
        self.socket.sendall(call(program, version, procedure, arguments))
        (word,) = struct.unpack(">I", self.socket.recv(4, socket.MSG_WAITALL))
        body = self.socket.recv(word & 0x7FFF_FFFF, socket.MSG_WAITALL)
        assert body[:20] == struct.pack(">5I", 9, 1, 0, 0, 0)
        return body[20:]

    def core(self, procedure: int, arguments: bytes) -> Reader:
        body = self.do(CORE, 1, procedure, arguments)
        assert body[:4] == words(0)
        return Reader(body[4:])

    def link(self) -> int:
        made = self.core(Proc.CREATE_LINK, words(1, 0, 0) + opaque(b"inst0"))
        assert made.word() == Error.NONE
        return made.word()

    def read(self, link: int, size: int = 1000, wait_ms: int = 2000) -> tuple[int, int, bytes]:
        got = self.core(Proc.READ, words(link, size, wait_ms, 0, 0, 0))
        return got.word(), got.word(), got.opaque()

    def write(self, link: int, text: bytes, flags: int = 8) -> int:
        return self.core(Proc.WRITE, words(link, 2000, 0, flags) + opaque(text)).word()


@pytest.fixture
def client(server: SimServer) -> Iterator[Client]:
    """A connection, closed again."""
    made = Client(server)
    yield made
    made.socket.close()


def test_a_question_is_answered_to_its_end(client: Client) -> None:
    """END comes with the last byte; what was not fetched stays; a message may come in parts."""
    link = client.link()
    assert client.write(link, b"*I", flags=0) == client.write(link, b"DN?\n") == Error.NONE
    assert client.read(link, size=6) == (Error.NONE, Reason.COUNT, b"GANNET")
    error, reason, rest = client.read(link)
    assert (error, reason, rest) == (Error.NONE, Reason.END, b",LOOKOUT 1,GL0017,1.04\n")


def test_a_read_gives_up_in_its_time_and_loses_nothing(server: SimServer, client: Client) -> None:
    """io_timeout; the answer comes with a later read."""
    link = client.link()
    server.tell("mast late 0.2")
    client.write(link, b"*OPC?\n")
    assert client.read(link, wait_ms=20) == (Error.TIMEOUT, 0, b"")
    server.tell("mast late 0")
    assert client.read(link) == (Error.NONE, Reason.END, b"1\n")


def test_a_term_char_ends_a_read_where_it_is_asked_for(client: Client) -> None:
    """Flag 128 and its character."""
    link = client.link()
    client.write(link, b"*IDN?\n")
    got = client.core(Proc.READ, words(link, 1000, 2000, 0, 128, ord(",")))
    assert (got.word(), got.word() & Reason.CHARACTER, got.opaque()) == (0, 2, b"GANNET,")
    client.read(link)


def test_a_device_clear_throws_away_what_waits(client: Client) -> None:
    """Half a message and an unread answer."""
    link = client.link()
    client.write(link, b"*IDN?\n")
    client.write(link, b"SWE:", flags=0)
    assert client.core(Proc.CLEAR, words(link, 0, 0, 100)).word() == Error.NONE
    assert client.read(link, wait_ms=20)[0] == Error.TIMEOUT
    client.write(link, b"*OPC?\n")
    assert client.read(link)[2] == b"1\n"


def test_a_waiting_read_can_be_aborted_from_beside(server: SimServer, client: Client) -> None:
    """DEVICE_ABORT over another connection: error 23."""
    link = client.link()
    beside = Client(server)
    client.socket.sendall(call(CORE, 1, Proc.READ, words(link, 10, 10_000, 0, 0, 0)))
    client.socket.settimeout(0.1)
    with pytest.raises(TimeoutError):
        client.socket.recv(1)
    client.socket.settimeout(5)
    assert beside.do(0x0607B0, 1, Proc.ABORT, words(link)) == words(0, Error.NONE)
    record = client.socket.recv(44, socket.MSG_WAITALL)
    assert struct.unpack(">I", record[28:32]) == (Error.ABORTED,)
    beside.socket.close()


def test_the_portmapper_knows_this_port(client: Client) -> None:
    """For the core program over TCP; for others 0."""
    for program, port in ((CORE, client.port), (100_003, 0)):
        found = client.do(PORTMAPPER, 2, Proc.GET_PORT, words(program, 1, 6, 0))
        assert found == words(0, port)


REFUSED = {
    "another program": (100_003, 1, 12, b"", words(1)),
    "another version": (CORE, 2, 12, b"", words(2, 1, 1)),
    "another procedure": (CORE, 1, 99, b"", words(3)),
    "too few arguments": (CORE, 1, Proc.CREATE_LINK, b"", words(4)),
}


@pytest.mark.parametrize(
    ("program", "version", "procedure", "arguments", "says"), REFUSED.values(), ids=REFUSED
)
def test_what_cannot_be_called_is_said_so(
    client: Client, program: int, version: int, procedure: int, arguments: bytes, says: bytes
) -> None:
    """RFC 5531: program, version and procedure unavailable, garbage."""
    assert client.do(program, version, procedure, arguments) == says


def test_a_lock_holds_others_off(server: SimServer, client: Client) -> None:
    """Error 11 for the other one; what is not held cannot be given back."""
    link = client.link()
    other = Client(server)
    others = other.link()
    assert client.core(Proc.LOCK, words(link, 0, 0)).word() == Error.NONE
    assert other.core(Proc.LOCK, words(others, 0, 0)).word() == Error.LOCKED
    assert other.write(others, b"*CLS\n") == Error.LOCKED
    assert other.core(Proc.UNLOCK, words(others)).word() == Error.NOT_LOCKED
    assert client.core(Proc.UNLOCK, words(link)).word() == Error.NONE
    assert other.write(others, b"*CLS\n") == Error.NONE
    other.socket.close()


def test_links_and_devices_that_are_not_there_are_errors(client: Client) -> None:
    """Errors 3 and 4; what the simulator does not do is error 8."""
    assert client.core(Proc.CREATE_LINK, words(1, 0, 0) + opaque(b"gpib0,9")).word() == 3
    assert client.write(4711, b"*CLS\n") == Error.NO_LINK
    assert client.read(4711)[0] == Error.NO_LINK
    assert client.core(Proc.CREATE_INTERRUPT, b"").word() == Error.NOT_SUPPORTED
    link = client.link()
    assert client.core(Proc.DESTROY_LINK, words(link)).word() == Error.NONE
    assert client.write(link, b"*CLS\n") == Error.NO_LINK


def test_pyvisa_talks_to_it(server: SimServer) -> None:
    """Somebody else's client: questions, status byte, device clear, a long trace, a timeout."""
    import pyvisa

    manager = pyvisa.ResourceManager("@py")
    resource: Any = manager.open_resource(server.address("mast"), timeout=10_000)
    assert resource.query("*IDN?").startswith("GANNET,LOOKOUT")
    resource.write("*OPC?")
    assert resource.read() == "1\n" and resource.read_stb() & 16 == 0
    resource.clear()
    resource.write("INIT:CONT 0;:SWE:POIN 1001;:FORM REAL,32;:INIT;*WAI")
    levels = resource.query_binary_values("TRAC? TRACE1", datatype="f", is_big_endian=True)
    assert len(levels) == 1001
    resource.timeout = 100
    with pytest.raises(pyvisa.errors.VisaIOError, match="TMO"):
        resource.read()
    resource.close()
    manager.close()
