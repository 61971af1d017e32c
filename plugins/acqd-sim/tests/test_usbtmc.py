"""USBTMC transfers byte by byte against the tables of USBTMC 1.0, and PyVISA-py on a simulated bus.

Tables and sections of "USB Test and Measurement Class Specification", revision 1.0, and of its
USB488 subclass, from memory.
"""

from __future__ import annotations

import errno
from collections.abc import Iterator
from typing import Any

import pytest
import usb.backend.libusb1
import usb.core
from acqd_sim.scenefile import load_world
from acqd_sim.server import Served, SimServer
from acqd_sim.usbbus import SimulatedBus
from acqd_sim.usbtmc import BULK_IN, BULK_OUT, Request, Stalled, UsbtmcDevice


class Bench:
    """A device whose messages and events are kept."""

    def __init__(self, packet_bytes: int = 64) -> None:
        self.messages: list[bytes] = []
        self.cleared = 0
        self.interrupted = 0
        self.device = UsbtmcDevice(
            on_message=self.messages.append,
            on_clear=lambda: setattr(self, "cleared", self.cleared + 1),
            on_interrupted=lambda: setattr(self, "interrupted", self.interrupted + 1),
            status_byte=lambda waits: 16 if waits else 0,
            packet_bytes=packet_bytes,
        )

    def packets(self) -> list[bytes]:
        found = []
        while (packet := self.device.bulk_in()) is not None:
            found.append(packet)
        return found


def message(tag: int, payload: bytes, *, eom: int = 1) -> bytes:
    """DEV_DEP_MSG_OUT (tables 1 and 3), written out anew here."""
    head = bytes([1, tag, 255 - tag, 0]) + len(payload).to_bytes(4, "little")
    return head + bytes([eom, 0, 0, 0]) + payload + bytes(-len(payload) % 4)


def request(tag: int, size: int, term_char: int | None = None) -> bytes:
    """REQUEST_DEV_DEP_MSG_IN (tables 1 and 4)."""
    attributes = 0 if term_char is None else 2
    head = bytes([2, tag, 255 - tag, 0]) + size.to_bytes(4, "little")
    return head + bytes([attributes, term_char or 0, 0, 0])


def test_a_message_is_read_as_the_tables_say() -> None:
    """The example: *IDN? and a line feed are six bytes, filled up to eight."""
    bench = Bench()
    bench.device.bulk_out(bytes.fromhex("01 01 fe 00 06000000 01 000000 2a49444e3f0a 0000"))
    assert bench.messages == [b"*IDN?\n"]


def test_pyvisas_headers_are_the_same_bytes() -> None:
    """Somebody else's reading of the tables."""
    from pyvisa_py.protocols.usbtmc import BulkInMessage, BulkOutMessage

    for size in range(1, 9):
        assert BulkOutMessage.build_array(7, True, b"x" * size) == message(7, b"x" * size)
    assert BulkInMessage.build_array(8, 4000) == request(8, 4000)
    assert BulkInMessage.build_array(9, 4000, 10) == request(9, 4000, 10)


def test_a_message_may_come_in_several_transfers_and_pieces() -> None:
    """Only EOM ends it; a transfer may be cut anywhere on its way."""
    bench = Bench()
    for byte in message(1, b"SWE:", eom=0) + message(2, b"POIN?\n"):
        bench.device.bulk_out(bytes([byte]))
    assert bench.messages == [b"SWE:POIN?\n"]


def test_an_answer_carries_its_requests_tag_and_its_end() -> None:
    """Table 8: MsgID 2, bTag, its inverse, size, EOM; filled up to a multiple of four."""
    bench = Bench()
    bench.device.bulk_out(request(7, 100))
    assert bench.packets() == []
    bench.device.answer(b"GANNET\n")
    assert bench.packets() == [bytes.fromhex("02 07 f8 00 07000000 01 000000") + b"GANNET\n\0"]


def test_an_answer_longer_than_asked_for_comes_in_parts() -> None:
    """EOM with the last one only; each needs a request of its own."""
    bench = Bench()
    bench.device.answer(b"abcdefg")
    got = []
    for tag in (1, 2, 3):
        bench.device.bulk_out(request(tag, 3))
        (packet,) = bench.packets()
        got.append((packet[1], packet[8], packet[12 : 12 + packet[4]]))
    assert got == [(1, 0, b"abc"), (2, 0, b"def"), (3, 1, b"g")]


def test_an_answer_that_fills_its_last_packet_is_followed_by_an_empty_one() -> None:
    """Section 3.3: a short packet ends a transfer."""
    bench = Bench()
    for size, sizes in (
        (52, [64, 0]),
        (51, [64, 0]),
        (48, [60]),
        (53, [64, 4]),
        (116, [64, 64, 0]),
    ):
        bench.device.answer(bytes(size))
        bench.device.bulk_out(request(1, 1000))
        assert [len(packet) for packet in bench.packets()] == sizes


def test_a_term_char_ends_a_transfer_where_it_is_asked_for() -> None:
    """Attribute bit 1 of the request; answered in bit 1, without EOM while there is more."""
    bench = Bench()
    bench.device.answer(b"1,2\n3\n")
    bench.device.bulk_out(request(1, 100, term_char=10))
    (packet,) = bench.packets()
    assert (packet[4], packet[8], packet[12:16]) == (4, 2, b"1,2\n")
    bench.device.bulk_out(request(2, 100, term_char=10))
    (packet,) = bench.packets()
    assert (packet[8], packet[12:14]) == (3, b"3\n")


def test_a_message_before_the_answer_was_read_interrupts() -> None:
    """The old answer is gone, and the instrument is told."""
    bench = Bench()
    bench.device.answer(b"old\n")
    bench.device.bulk_out(message(1, b"*OPC?\n"))
    bench.device.bulk_out(request(2, 100))
    assert bench.packets() == [] and bench.interrupted == 1


WRONG = {
    "bTag 0": bytes([1, 0, 255, 0]),
    "a wrong inverse": bytes([1, 5, 5, 0]),
    "an unknown MsgID": bytes([77, 5, 250, 0]),
}


@pytest.mark.parametrize("head", WRONG.values(), ids=WRONG)
def test_a_header_that_is_none_halts_the_endpoint(head: bytes) -> None:
    """Until the host clears the halt."""
    bench = Bench()
    with pytest.raises(Stalled):
        bench.device.bulk_out(head + bytes(8))
    with pytest.raises(Stalled):
        bench.device.bulk_out(message(1, b"*CLS\n"))
    bench.device.clear_halt()
    bench.device.bulk_out(message(2, b"*CLS\n"))
    assert bench.messages == [b"*CLS\n"]


def test_a_clear_takes_a_while_and_leaves_nothing() -> None:
    """INITIATE_CLEAR, then CHECK_CLEAR_STATUS: pending, then success (4.2.1.6 and 4.2.1.7)."""
    bench = Bench()
    bench.device.bulk_out(message(1, b"half", eom=0))
    bench.device.answer(b"unread\n")
    bench.device.bulk_out(request(2, 100))
    assert bench.device.control(Request.INITIATE_CLEAR, 0) == b"\x01"
    looks = [bench.device.control(Request.CHECK_CLEAR_STATUS, 0) for _ in range(2)]
    assert looks == [b"\x02\x00", b"\x01\x00"]
    assert (bench.cleared, bench.packets()) == (1, [])
    bench.device.bulk_out(message(3, b"*OPC?\n"))
    assert bench.messages == [b"*OPC?\n"]


def test_a_request_that_is_given_up_is_ended_by_a_short_packet() -> None:
    """INITIATE_ABORT_BULK_IN with the tag; nothing to abort is said so (4.2.1.4, table 25)."""
    bench = Bench()
    assert bench.device.control(Request.INITIATE_ABORT_BULK_IN, 7) == b"\x81\x07"
    bench.device.bulk_out(request(7, 100))
    assert bench.device.control(Request.INITIATE_ABORT_BULK_IN, 7) == b"\x01\x07"
    assert bench.packets() == [b""]
    assert bench.device.control(Request.CHECK_ABORT_BULK_IN_STATUS, 0) == b"\x01" + bytes(7)
    bench.device.answer(b"1\n")
    assert bench.packets() == []


def test_half_a_message_can_be_given_up() -> None:
    """INITIATE_ABORT_BULK_OUT says how much of it had come (4.2.1.2 and 4.2.1.3)."""
    bench = Bench()
    bench.device.bulk_out(message(1, b"SWE:POIN 101")[:16])
    assert bench.device.control(Request.INITIATE_ABORT_BULK_OUT, 1) == b"\x01\x01"
    status = bench.device.control(Request.CHECK_ABORT_BULK_OUT_STATUS, 0)
    assert status == b"\x01\x00\x00\x00\x10\x00\x00\x00"
    bench.device.bulk_out(message(2, b"*CLS\n"))
    assert bench.messages == [b"*CLS\n"]


def test_it_says_what_it_can() -> None:
    """GET_CAPABILITIES (table 37 and USB488 table 8): 24 bytes; the rest is reserved and 0."""
    answer = Bench().device.control(Request.GET_CAPABILITIES, 0)
    assert len(answer) == 24
    assert (answer[0], answer[2:4], answer[4], answer[5]) == (1, b"\x00\x01", 4, 1)
    assert (answer[12:14], answer[14], answer[15]) == (b"\x00\x01", 7, 11)


def test_the_status_byte_comes_with_the_tag_of_the_request() -> None:
    """READ_STATUS_BYTE (USB488 4.3.1): no interrupt endpoint, so it is in the answer."""
    bench = Bench()
    assert bench.device.control(Request.READ_STATUS_BYTE, 5) == b"\x01\x05\x00"
    bench.device.answer(b"1\n")
    assert bench.device.control(Request.READ_STATUS_BYTE, 6) == b"\x01\x06\x10"


def test_an_unknown_request_stalls() -> None:
    """As on the bus."""
    with pytest.raises(Stalled):
        Bench().device.control(99, 0)


def test_a_trigger_is_a_message() -> None:
    """USB488 3.2.1.1: MsgID 128."""
    bench = Bench()
    bench.device.bulk_out(bytes([128, 3, 252]) + bytes(9))
    assert bench.messages == [b"*TRG\n"]


# --- on a bus -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def bus() -> Iterator[SimulatedBus]:
    """Where pyusb looks for libusb."""
    made = SimulatedBus()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(usb.backend.libusb1, "get_backend", lambda *args, **kwargs: made)
        yield made


@pytest.fixture(scope="module")
def server(bus: SimulatedBus) -> Iterator[SimServer]:
    """Two instruments on one bus."""
    with SimServer(load_world(), Served(usb={"mast": bus, "shack": bus})) as made:
        yield made


def test_pyusb_finds_them_by_class(server: SimServer) -> None:
    """Descriptors and strings as of any device."""
    found = {one.serial_number: one for one in usb.core.find(find_all=True)}
    assert set(found) == {"GL0017", "GL0103"}
    device = found["GL0017"]
    assert (device.manufacturer, device.product) == ("Gannet Ledge", "Lookout simulator")
    interface = device[0][0, 0]
    classes = (interface.bInterfaceClass, interface.bInterfaceSubClass)
    assert (*classes, interface.bInterfaceProtocol) == (0xFE, 3, 1)
    assert [end.bEndpointAddress for end in interface] == [BULK_OUT, BULK_IN]


def test_pyvisa_talks_usbtmc_to_it(server: SimServer) -> None:
    """PyVISA-py by itself, with nothing of ours on its side: lists, asks, reads a long trace."""
    import pyvisa

    manager = pyvisa.ResourceManager("@py")
    from pyvisa_py.usb import USBInstrSession

    # The manager's own list would ask the whole network as well.
    assert "USB0::4617::1::GL0017::0::INSTR" in USBInstrSession.list_resources()
    resource: Any = manager.open_resource(server.address("mast"), timeout=10_000)
    assert resource.query("*IDN?").startswith("GANNET,LOOKOUT 1,GL0017")
    resource.write("INIT:CONT 0;:SWE:POIN 1001;:FORM REAL,32;:INIT;*WAI")
    levels = resource.query_binary_values("TRAC? TRACE1", datatype="f", is_big_endian=True)
    assert len(levels) == 1001
    resource.close()
    manager.close()


def test_a_read_that_times_out_in_pyvisa_is_aborted_on_the_bus(server: SimServer) -> None:
    """It sends INITIATE_ABORT_BULK_IN, and the next question gets its own answer."""
    import pyvisa

    port: Any = server.ports("shack")[0]
    manager = pyvisa.ResourceManager("@py")
    resource: Any = manager.open_resource(server.address("shack"), timeout=200)
    before = port.device.aborts
    with pytest.raises(pyvisa.errors.VisaIOError, match="TMO"):
        resource.read()
    assert port.device.aborts == before + 1
    assert resource.query("*OPC?") == "1\n"
    resource.close()
    manager.close()


def test_a_device_that_was_pulled_out_is_gone_for_whoever_has_it_open(server: SimServer) -> None:
    """ENODEV, also after it is back: that is another opening."""
    device = usb.core.find(custom_match=lambda one: one.serial_number == "GL0017")
    device[0][0, 0][0].write(message(1, b"*CLS\n"))
    server.tell("mast unplug")
    with pytest.raises(usb.core.USBError) as gone:
        device[0][0, 0][0].write(message(2, b"*CLS\n"))
    assert gone.value.errno == errno.ENODEV
    assert [one.serial_number for one in usb.core.find(find_all=True)] == ["GL0103"]
    server.tell("mast replug")
    with pytest.raises(usb.core.USBError):
        device[0][0, 0][0].write(message(3, b"*CLS\n"))
    assert len(list(usb.core.find(find_all=True))) == 2
