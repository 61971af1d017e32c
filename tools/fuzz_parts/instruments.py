"""What instruments send, and what clients send to the simulated ones."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from acqd.drivers.usbports import UsbIdentity
from acqd.drivers.visa_names import parse_visa
from acqd.errors import AcqdError, ProtocolViolation, RequestRefused
from fuzz_parts.target import Target

__all__ = ["TARGETS"]

CAP_BYTES = 1024


def _scpi_answers(data: bytes) -> None:
    """In pieces as long as the first byte says; what comes out is read in every way there is."""
    from acqd_scpi.parser import (
        Block,
        ResponseParser,
        decode_reals,
        error_entry,
        identity,
        number,
        numbers,
    )

    piece = 1 + data[0] % 64 if data else 1
    parser = ResponseParser(CAP_BYTES, has_end=bool(data and data[0] & 64))
    for at in range(0, len(data), piece):
        try:
            parser.feed(data[at : at + piece])
            while (response := parser.next_response()) is not None:
                if isinstance(response, Block):
                    for width in (4, 8):
                        _refusable(decode_reals, response.payload, width=width, byte_order=None)
                    continue
                for read in (number, numbers, identity, error_entry):
                    _refusable(read, response.text)
        except ProtocolViolation:
            parser.reset()
        if len(parser.pending) > CAP_BYTES:
            raise AssertionError(f"it holds {len(parser.pending)} bytes; {CAP_BYTES} are its most")


def _refusable(read: Any, *args: Any, **more: Any) -> None:
    try:
        read(*args, **more)
    except AcqdError as exc:
        _is_one_line(exc)


def _is_one_line(exc: AcqdError) -> None:
    text = str(exc)
    if not text or "\n" in text or not text.isprintable() or len(text) > 2000:
        raise AssertionError(f"not one plain line: {text[:300]!r}")


@lru_cache(maxsize=1)
def _instrument() -> Any:
    from acqd_sim.instrument import Instrument
    from acqd_sim.scenefile import load_world

    clock = _jumping_clock()
    return Instrument("mast", load_world().receiver("mast"), clock), clock


def _jumping_clock() -> Any:
    """A clock of a scene that jumps to whatever is waited for."""
    from acqd_sim.simclock import SceneClock

    class Jumping(SceneClock):
        at_s = 1000.0

        def now_s(self) -> float:
            return 1.78e9 + self.at_s

        def steady_s(self) -> float:
            return self.at_s

    return Jumping()


def _scpi_commands(data: bytes) -> None:
    from acqd_sim.interpreter import run

    instrument, clock = _instrument()
    for message in data.split(b"\n")[:8]:
        steps = run(instrument, message)
        for _ in range(1000):
            try:
                clock.at_s = max(clock.at_s, next(steps)) + 1e-6
            except StopIteration:
                break
        else:
            raise AssertionError(f"{message!r} never ends")


def _frames(data: bytes) -> None:
    """The first byte chooses how the answer is framed, the second the pieces that it comes in."""
    from acqd_lines.framing import parser_of
    from acqd_lines.values import decode

    framings = _framings()
    if len(data) < 2:
        return
    framing, values = framings[data[0] % len(framings)]
    parser = parser_of(framing, echo=b"", prompt=b"> ", cap_bytes=CAP_BYTES)
    assert parser is not None
    piece, rest = 1 + data[1] % 64, data[2:]
    try:
        for at in range(0, len(rest), piece):
            parser.receive_data(rest[at : at + piece])
            frame = parser.next_frame()
            if frame is None:
                continue
            _refusable(decode, frame.lines, frame.payload, values)
            return
    except ProtocolViolation as exc:
        _is_one_line(exc)
    if parser.buffered_bytes > 2 * CAP_BYTES:
        raise AssertionError(f"it holds {parser.buffered_bytes} bytes; {CAP_BYTES} are its most")


@lru_cache(maxsize=1)
def _framings() -> list[tuple[Any, Any]]:
    from acqd_lines.checksums import Checksum
    from acqd_lines.frames import BlockFraming, LengthField, LineFraming
    from acqd_lines.values import ValueFormat

    text = ValueFormat(separators=(",", " "), columns=("frequency", "level"), missing=("---",))
    plain = ValueFormat(decimal_comma=True, separators=(";",))
    words = ValueFormat(type="i16", order="little")
    real = ValueFormat(type="f32")
    return [
        (LineFraming(count=3), text),
        (LineFraming(end="END"), plain),
        (LineFraming(until_prompt=True, skip=1), text),
        (LineFraming(count=2, checksum=Checksum(kind="sum8")), plain),
        (BlockFraming(length=16), words),
        (BlockFraming(length="definite"), real),
        (BlockFraming(length=LengthField(at=0, width=2), sync=b"\xaa\x55", header_bytes=4), words),
    ]


def _addresses(data: bytes) -> None:
    text = data.decode("utf-8", "replace")
    for read in (parse_visa, UsbIdentity.parse):
        try:
            read(text)
        except RequestRefused as exc:
            _is_one_line(exc)


TARGETS = (
    Target(
        name="scpi answers",
        what="answers of a sweeper that speaks SCPI, in pieces, and every way to read one",
        run=_scpi_answers,
        seeds=lambda: [
            b"@-101.2,-99.8,-1.0E+2\n",
            b"\x01#216" + bytes(16) + b"\n",
            b"?GULL,LEDGE 30,SN17,1.2\n",
            b'\x40-113,"Undefined header"\n#HFF\n#10\n#0abc\n',
            b"\x7f9.91E37,NAN,INF,-9.9E37\r\n",
        ],
        words=(b"#0", b"#9", b"#10", b"NAN", b"INF", b"9.9E37", b"E+999", b"\r\n", b"#H", b"#B"),
    ),
    Target(
        name="scpi commands",
        what="program messages to the simulated sweeper, by itself",
        run=_scpi_commands,
        seeds=lambda: [
            b"*IDN?\nSENS:FREQ:STAR 144 MHZ;STOP 146 MHZ;:INIT:IMM;*OPC?\n",
            b"FREQ:CENT 145E6;SPAN 2E6;:SWE:POIN 101;:TRAC? TRACE1\n",
            b"SYST:ERR?;*ESR?;*STB?\nFORM REAL,32;:BAND 10 KHZ\n",
        ],
        words=(
            b"*RST",
            b"?",
            b";:",
            b"MAX",
            b"MIN",
            b"DEF",
            b"INIT:CONT ON",
            b"1E999",
            b"#10",
            b'"',
        ),
    ),
    Target(
        name="lines and blocks",
        what="answers of a sweeper with a protocol of its own, framed in seven ways",
        run=_frames,
        seeds=lambda: [
            b"\x00\x05144000000 -101.2\n145000000,-99\n146000000 ---\n",
            b"\x01\x10-101,5;-99,5\nEND\n",
            b"\x02\x03head\n144000000 -100\n> ",
            b"\x03\x20-10;-20 1F\n-30;-40 2A\n",
            b"\x04\x08" + bytes(range(16)),
            b"\x05\x08#216" + bytes(16),
            b"\x06\x08\xaa\x55\x10\x00\x00\x00" + bytes(16),
        ],
        words=(b"> ", b"END", b"\xaa\x55", b"#9", b"---", b"1e308", b"\r\r\n", b"nan", b"inf"),
    ),
    Target(
        name="addresses",
        what="VISA resource strings and identities on USB",
        run=_addresses,
        seeds=lambda: [
            b"TCPIP0::192.0.2.7::hislip0::INSTR",
            b"USB0::0x1234::0x5678::GL0017::INSTR",
            b"ASRL/dev/ttyACM0::INSTR",
            b"GPIB0::7::INSTR",
            b"usb:1234:5678/GL0017@1-1.2",
        ],
        words=(b"::", b"INSTR", b"SOCKET", b"0x", b"usb:", b"@", b"[::1]", b"\xc2\xb2"),
    ),
)
