"""The server driven by PyVISA with PyVISA-py: a client that nobody here wrote.

Over a raw socket and over a pseudo-terminal as a serial port. A misunderstanding that our own
driver and our own server shared would show here.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import pyvisa
from acqd_sim.server import SimServer
from pyvisa.resources import MessageBasedResource

IDENTITY = {"tcp": "GANNET,LOOKOUT 1,GL0017,1.04", "pty": "GANNET,SOAK 30,GL0042,2.10"}


@pytest.fixture(params=["tcp", "pty"])
def instrument(
    request: pytest.FixtureRequest, serve: Callable[..., SimServer], tmp_path: Path
) -> Iterator[MessageBasedResource]:
    """The mast over a socket, the bench over a terminal, opened by PyVISA."""
    if request.param == "tcp":
        server = serve(tcp={"mast": ("127.0.0.1", 0)})
        port = server.address("mast").rsplit(":", 1)[1]
        name = f"TCPIP::127.0.0.1::{port}::SOCKET"
    else:
        path = tmp_path / "bench"
        serve(pty={"bench": str(path)})
        name = f"ASRL{path}::INSTR"
    with warnings.catch_warnings():
        # PyVISA-py warns that optional bus libraries are not there; they are not wanted here
        warnings.simplefilter("ignore", UserWarning)
        manager = pyvisa.ResourceManager("@py")
    opened: Any = manager.open_resource(name, read_termination="\n", write_termination="\n")
    opened.timeout = 5000
    opened.write("*CLS;:INIT:CONT 0")
    yield opened
    opened.close()
    manager.close()


@pytest.fixture
def kind(instrument: MessageBasedResource) -> str:
    return "tcp" if instrument.resource_name.startswith("TCPIP") else "pty"


def swept(instrument: MessageBasedResource, points: int) -> None:
    """Take one sweep of so many points around 20 MHz."""
    instrument.write(f"FREQ:CENT 20E6;SPAN 1E6;:BAND 10E3;:SWE:POIN {points}")
    assert instrument.query("INIT:IMM;*OPC?") == "1"


def test_it_says_who_it_is(instrument: MessageBasedResource, kind: str) -> None:
    """Four fields."""
    assert instrument.query("*IDN?") == IDENTITY[kind]
    assert instrument.query("SYST:VERS?") == "1999.0"


def test_settings_make_the_round_trip(instrument: MessageBasedResource) -> None:
    """In long form, with suffix units and several in a message."""
    instrument.write("SENSe:FREQuency:STARt 18.5 MHZ;STOP 21500 KHZ")
    instrument.write(":SENSe1:BANDwidth:RESolution 3 KHZ;:SENSe:SWEep:POINts 251")
    instrument.write("INPut:ATTenuation 10 DB;:DETector SAMPle")
    answer = instrument.query("FREQ:STAR?;STOP?;:BAND?;:SWE:POIN?;:INP:ATT?;:DET?")
    start, stop, rbw, points, attenuation, detector = answer.split(";")
    assert (float(start), float(stop)) == (18.5e6, 21.5e6)
    assert (float(rbw), int(points), float(attenuation)) == (3e3, 251, 10.0)
    assert detector == "SAMP"
    assert instrument.query("SYST:ERR?") == '0,"No error"'


def test_an_ascii_trace_is_read(instrument: MessageBasedResource) -> None:
    """As many values as points, all of them levels."""
    swept(instrument, 201)
    level = instrument.query_ascii_values("TRAC? TRACE1")
    assert len(level) == 201
    assert all(-160.0 < value < 0.0 for value in level)


@pytest.mark.parametrize("bits", [32, 64])
@pytest.mark.parametrize("order", ["NORM", "SWAP"])
def test_blocks_are_read(instrument: MessageBasedResource, bits: int, order: str) -> None:
    """REAL,32 and REAL,64 in both byte orders agree with the ASCII trace."""
    swept(instrument, 401)
    expected = instrument.query_ascii_values("TRAC? TRACE1")
    instrument.write(f"FORM REAL,{bits};:FORM:BORD {order}")
    level = instrument.query_binary_values(
        "TRAC? TRACE1",
        datatype="f" if bits == 32 else "d",
        is_big_endian=order == "NORM",
        expect_termination=True,
    )
    assert level == pytest.approx(expected, abs=1e-4)
    assert instrument.query("*OPC?") == "1"


def test_line_feeds_inside_a_block_do_not_end_it(instrument: MessageBasedResource) -> None:
    """In volts any byte may occur, 0x0A too; the block is read by its length."""
    instrument.write("UNIT:POW V;:FORM REAL,32")
    for _ in range(4):
        swept(instrument, 801)
        instrument.write("TRAC? TRACE1")
        # 2 + 4 bytes of header, the data, and the line feed after it
        data = instrument.read_bytes(6 + 3204 + 1)
        assert data.startswith(b"#43204")
        assert data.endswith(b"\n")
        if b"\n" in data[6:-1]:
            break
    else:
        # half of the bytes are as good as random: once in 10^10 runs
        pytest.fail("no trace with 0x0A in four")
    level_v = instrument.query_binary_values("TRAC? TRACE1", datatype="f", is_big_endian=True)
    assert len(level_v) == 801
    assert all(0.0 < value < 1.0 for value in level_v)
    assert instrument.query("*OPC?") == "1"


def test_the_error_queue_is_read_dry(instrument: MessageBasedResource) -> None:
    """In the order of the mistakes."""
    instrument.write("FREQ:STARR 1")
    instrument.write("SWE:POIN 1E9")
    errors = []
    while not (entry := instrument.query("SYST:ERR?")).startswith("0,"):
        errors.append(int(entry.split(",")[0]))
    assert errors == [-113, -222]
    assert int(instrument.query("*ESR?")) & 48 == 48


def test_no_answer_is_a_timeout(instrument: MessageBasedResource) -> None:
    """A command that is none gives no answer to its query, and the next query is answered."""
    instrument.timeout = 100
    instrument.write("NONSENSE?")
    with pytest.raises(pyvisa.VisaIOError) as caught:
        instrument.read()
    assert caught.value.error_code == pyvisa.constants.StatusCode.error_timeout
    instrument.timeout = 5000
    assert instrument.query("SYST:ERR?").startswith("-113")
