"""The server over real sockets and terminals, well-behaved and not."""

from __future__ import annotations

import os
import struct
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import serial
from acqd_sim.server import PortTaken, Served, SimServer

Connect = Callable[[str], Any]
SET_UP = "ABOR;INIT:CONT 0;:FREQ:STAR 156E6;STOP 157E6;:BAND 10E3;:SWE:POIN 101"


def ready(connect: Connect, server: SimServer) -> Any:
    """A client of the mast, set up for a short sweep."""
    client = connect(server.address("mast"))
    client.send(SET_UP)
    assert client.ask("*CLS;*OPC?") == "1"
    return client


def ended(client: Any) -> bool:
    """Whether the server has hung up, in order or not."""
    try:
        return client.read(1) == b""
    except ConnectionError:
        return True


def test_a_client_gets_a_sweep_in_both_formats(connect: Connect, mast: SimServer) -> None:
    """Identity, sweep, ASCII, block, terminators with and without carriage return."""
    client = ready(connect, mast)
    assert client.ask("*IDN?\r") == "GANNET,LOOKOUT 1,GL0017,1.04"
    assert client.ask("INIT:IMM;*OPC?") == "1"
    ascii_dbm = [float(text) for text in client.ask("TRAC? TRACE1").split(",")]
    client.send("FORM REAL,32;:TRAC? TRACE1")
    assert client.read(5) == b"#3404"
    assert struct.unpack(">101f", client.read(404)) == pytest.approx(ascii_dbm, abs=1e-4)
    assert client.read(1) == b"\n"


def test_messages_may_come_in_pieces_and_together(connect: Connect, mast: SimServer) -> None:
    """Byte by byte, or several in one packet."""
    client = ready(connect, mast)
    for byte in b"SWE:POIN?\n":
        client.link.sendall(bytes([byte]))
    assert client.line() == b"101\n"
    client.link.sendall(b"SWE:POIN 151\n\n  \nSWE:POIN?\n")
    assert client.line() == b"151\n"


def test_sweeps_take_their_time(connect: Connect, serve: Callable[..., SimServer]) -> None:
    """At real speed *OPC? comes after the sweep time and not much later."""
    server = serve(tcp={"mast": ("127.0.0.1", 0)}, time_scale=1.0)
    client = ready(connect, server)
    client.send("FREQ:SPAN 4E6")
    sweep_s = float(client.ask("SWE:TIME?"))
    before_s = time.monotonic()
    client.ask("INIT;*OPC?")
    took_s = time.monotonic() - before_s
    assert sweep_s == pytest.approx(0.2)
    assert sweep_s <= took_s < sweep_s + 2.0


def test_two_clients_see_one_instrument(connect: Connect, mast: SimServer) -> None:
    """Settings are the instrument's, answers each client's own."""
    one, two = ready(connect, mast), connect(mast.address("mast"))
    one.send("SWE:POIN 77")
    assert one.ask("SWE:POIN?") == "77"
    assert two.ask("SWE:POIN?") == "77"


def test_a_query_overtaken_by_another_is_interrupted(connect: Connect, mast: SimServer) -> None:
    """The answer that was not waited for is lost, and error -410 says so."""
    client = ready(connect, mast)
    client.send("FREQ:SPAN 6E6;:BAND 1E3;:INIT;*OPC?")
    time.sleep(0.02)
    assert client.ask("ABOR;:SYST:ERR?") == '-410,"Query INTERRUPTED"'
    assert client.ask("SYST:ERR?") == '0,"No error"'


def test_an_endless_message_is_thrown_away(connect: Connect, mast: SimServer) -> None:
    """Beyond 64 KiB without a line feed: error -363, and the next message is heard."""
    client = ready(connect, mast)
    client.link.sendall(b"X" * 100_000 + b"\n")
    assert client.ask("SYST:ERR?").startswith("-363")


def test_mute_means_no_answer_until_healed(connect: Connect, mast: SimServer) -> None:
    """Everything is taken in; nothing comes back."""
    client = ready(connect, mast)
    mast.tell("mast stop-answering")
    client.link.settimeout(0.2)
    client.send("*IDN?")
    with pytest.raises(TimeoutError):
        client.link.recv(1)
    assert "mute" in mast.tell("mast status")
    mast.tell("mast heal")
    client.link.settimeout(5.0)
    assert connect(mast.address("mast")).ask("*OPC?") == "1"


def test_late_means_late(connect: Connect, mast: SimServer) -> None:
    """The answer comes, after the stated time."""
    client = ready(connect, mast)
    mast.tell("mast late 0.2")
    before_s = time.monotonic()
    assert client.ask("*OPC?") == "1"
    assert time.monotonic() - before_s >= 0.2


def test_an_answer_can_stop_halfway_or_lack_its_end(connect: Connect, mast: SimServer) -> None:
    """Once each; the next is whole."""
    client = ready(connect, mast)
    for order, comes in (
        ("half-line", b"GANNET,LOOKOUT"),
        ("no-end", b"GANNET,LOOKOUT 1,GL0017,1.04"),
    ):
        mast.tell(f"mast {order}")
        client.send("*IDN?")
        assert client.read(len(comes)) == comes
    assert client.ask("*OPC?") == "1"


def test_a_cut_block_stops_halfway(connect: Connect, mast: SimServer) -> None:
    """Half of it, then silence; the identity is not cut, and the next trace is whole."""
    client = ready(connect, mast)
    client.ask("FORM REAL,32;:INIT;*OPC?")
    mast.tell("mast cut-block")
    assert client.ask("*IDN?").startswith("GANNET")
    client.send("TRAC? TRACE1")
    assert client.read(204)[:5] == b"#3404"
    client.link.settimeout(0.1)
    with pytest.raises(TimeoutError):
        client.link.recv(1)
    other = connect(mast.address("mast"))
    other.send("TRAC? TRACE1")
    assert len(other.read(410)) == 410


def test_a_long_block_has_more_than_it_says(connect: Connect, mast: SimServer) -> None:
    """Sixteen bytes between the announced end and the line feed."""
    client = ready(connect, mast)
    client.ask("FORM REAL,32;:INIT;*OPC?")
    mast.tell("mast long-block")
    client.send("TRAC? TRACE1")
    data = client.read(5 + 404 + 16 + 1)
    assert data.startswith(b"#3404")
    assert data.endswith(b"\x03\n")


def test_drop_hangs_up_instead_of_answering(connect: Connect, mast: SimServer) -> None:
    """The connection ends; a new one works."""
    client = ready(connect, mast)
    mast.tell("mast drop")
    client.send("*IDN?")
    assert ended(client)
    assert connect(mast.address("mast")).ask("*OPC?") == "1"


def test_garbage_is_no_answer(connect: Connect, mast: SimServer) -> None:
    """Bytes that are not even text, as often as told."""
    client = ready(connect, mast)
    mast.tell("mast garbage 2")
    for _ in range(2):
        client.send("*OPC?")
        assert client.line().startswith(b"\x00\xff")
    assert client.ask("*OPC?") == "1"


@pytest.mark.parametrize("form", ["ASC", "REAL,32", "REAL,64"])
def test_nan_is_what_the_standard_calls_not_a_number(
    connect: Connect, mast: SimServer, form: str
) -> None:
    """9.91E37 at every tenth point, in every format."""
    client = ready(connect, mast)
    client.ask(f"FORM {form};:INIT;*OPC?")
    mast.tell("mast nan")
    client.send("TRAC? TRACE1")
    if form == "ASC":
        values = [float(text) for text in client.line().split(b",")]
    else:
        size = 404 if form == "REAL,32" else 808
        client.read(5)
        values = list(struct.unpack(f">101{'f' if size == 404 else 'd'}", client.read(size)))
    assert [i for i, value in enumerate(values) if value > 9e37] == list(range(0, 101, 10))
    assert values[0] == pytest.approx(9.91e37, rel=1e-6)


def test_other_length_gives_other_points(connect: Connect, mast: SimServer) -> None:
    """More or fewer than asked for."""
    client = ready(connect, mast)
    client.ask("INIT;*OPC?")
    for off, expected in ((5, 106), (-5, 96)):
        mast.tell(f"mast points {off}")
        assert len(client.ask("TRAC? TRACE1").split(",")) == expected
    assert len(client.ask("TRAC? TRACE1").split(",")) == 101


def test_frozen_gives_the_same_trace_again(connect: Connect, mast: SimServer) -> None:
    """Sweep after sweep, bit for bit."""
    client = ready(connect, mast)
    client.ask("INIT;*OPC?")
    first = client.ask("TRAC? TRACE1")
    mast.tell("mast freeze")
    client.ask("INIT;*OPC?")
    assert client.ask("TRAC? TRACE1") == first
    mast.tell("mast heal")
    client.ask("INIT;*OPC?")
    assert client.ask("TRAC? TRACE1") != first


def test_another_identity(connect: Connect, mast: SimServer) -> None:
    """As after an update, or when another one was plugged in."""
    client = ready(connect, mast)
    mast.tell("mast identity GANNET,LOOKOUT 2,0,2.00")
    assert client.ask("*IDN?") == "GANNET,LOOKOUT 2,0,2.00"


@pytest.mark.parametrize(("order", "left"), [("3", 3), ("endless", 40)])
def test_spurious_errors(connect: Connect, mast: SimServer, order: str, left: int) -> None:
    """A number of them, or a queue that is never empty."""
    client = ready(connect, mast)
    mast.tell(f"mast errors {order}")
    for _ in range(left):
        assert client.ask("SYST:ERR?").startswith("-310")
    assert client.ask("SYST:ERR?").startswith("-310" if order == "endless" else "0,")


def test_a_power_cycle_loses_settings_and_says_so(connect: Connect, mast: SimServer) -> None:
    """The connection breaks, PON is set, the settings are those of the start."""
    ready(connect, mast)
    mast.tell("mast power-cycle")
    client = connect(mast.address("mast"))
    assert int(client.ask("*ESR?")) & 128
    assert client.ask("SWE:POIN?") != "101"


def test_unplugged_is_gone_and_replugged_is_back(connect: Connect, mast: SimServer) -> None:
    """Refused meanwhile; at the same address again, restarted."""
    ready(connect, mast)
    mast.tell("mast unplug")
    with pytest.raises(ConnectionRefusedError):
        connect(mast.address("mast"))
    mast.tell("mast replug")
    assert int(connect(mast.address("mast")).ask("*ESR?")) & 128


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ("", "expected: NAME ORDER"),
        ("boat freeze", "no instrument 'boat'; there are: mast"),
        ("mast dance", "no order 'dance'"),
        ("mast late soon", "expected seconds"),
        ("mast late", "expected: mast late SECONDS"),
        ("mast freeze now", "takes no argument"),
        ("mast cut-block often", "expected a count"),
        ("mast path no-such", "no device 'no-such'; there are: preamplifier"),
    ],
)
def test_orders_that_make_no_sense_are_refused(mast: SimServer, line: str, problem: str) -> None:
    """With what would have been accepted."""
    with pytest.raises(ValueError, match=problem):
        mast.tell(line)


def test_the_control_port_speaks_lines(connect: Connect, mast: SimServer) -> None:
    """ok or error, one line each."""
    control = connect(mast.address("control"))
    assert control.ask("list") == "ok mast"
    assert control.ask("mast freeze") == "ok"
    assert control.ask("mast status") == "ok faults: frozen; errors queued: 0"
    assert control.ask("mast dance").startswith("error no order")


def test_devices_can_be_changed_while_it_runs(
    connect: Connect, serve: Callable[..., SimServer]
) -> None:
    """The whip comes off the bridge, an open goes on: 20 dB and more between them."""
    server = serve(tcp={"shack": ("127.0.0.1", 0)})
    client = connect(server.address("shack"))
    client.send("*CLS;:INIT:CONT 0;:SOUR:POW -10;:OUTP 1")
    client.send("FREQ:CENT 157.2E6;SPAN 1E6;:SWE:POIN 101")
    seen = {}
    for devices in ("bridge-open", "bridge-load"):
        server.tell(f"shack source-path {devices}")
        client.ask("INIT;*OPC?")
        seen[devices] = float(client.ask("TRAC? TRACE1").split(",")[50])
    assert client.ask("SYST:ERR?") == '0,"No error"'
    assert seen["bridge-open"] == pytest.approx(-22.0, abs=2.5)
    assert seen["bridge-open"] - seen["bridge-load"] > 25.0


def test_a_terminal_survives_clients_that_come_and_go(
    serve: Callable[..., SimServer], tmp_path: Path
) -> None:
    """Opened, closed and opened again by pyserial, exclusively each time."""
    server = serve(pty={"bench": str(tmp_path / "deep" / "bench")})
    path = server.address("bench").removeprefix("serial:")
    for _ in range(3):
        with serial.Serial(path, timeout=5.0, exclusive=True) as port:
            port.write(b"*IDN?\n")
            assert port.readline() == b"GANNET,SOAK 30,GL0042,2.10\n"
            port.write(b"INIT:CONT 0;:SWE:POIN 801;:FORM REAL,64;:INIT;*OPC?\n")
            assert port.readline() == b"1\n"
            port.write(b"TRAC? TRACE1\n")
            assert len(port.read(6 + 6408 + 1)) == 6415


def test_it_may_take_another_grid_than_told(connect: Connect, mast: SimServer) -> None:
    """It says so when it is asked, and takes what it is told again once it is healed."""
    client = ready(connect, mast)
    mast.tell("mast grid-off 30000")
    client.send("FREQ:STAR 156 MHZ")
    client.send("FREQ:STOP 157 MHZ")
    assert float(client.ask("FREQ:STAR?")) == 156.03e6
    assert float(client.ask("FREQ:STOP?")) == 157.03e6
    mast.tell("mast heal")
    client.send("FREQ:STAR 156 MHZ")
    assert float(client.ask("FREQ:STAR?")) == 156e6


def test_a_terminal_unplugged_hangs_up_and_comes_back(
    serve: Callable[..., SimServer], tmp_path: Path
) -> None:
    """The link is gone, the open port fails; after the replug it is there again."""
    path = tmp_path / "bench"
    server = serve(pty={"bench": str(path)})
    with serial.Serial(str(path), timeout=2.0) as port:
        port.write(b"*OPC?\n")
        assert port.readline() == b"1\n"
        server.tell("bench unplug")
        assert not path.is_symlink()
        with pytest.raises(OSError, match=r"Input/output error|returned no data"):
            port.read(1)
    server.tell("bench replug")
    with serial.Serial(str(path), timeout=2.0) as port:
        port.write(b"*ESR?\n")
        assert int(port.readline()) & 128


def test_a_terminal_may_come_back_elsewhere(
    serve: Callable[..., SimServer], tmp_path: Path
) -> None:
    """At another path it is there, at the old one no more; a socket has no path to be at."""
    path, other = tmp_path / "bench", tmp_path / "other"
    server = serve(pty={"bench": str(path)}, tcp={"mast": ("127.0.0.1", 0)})
    server.tell("bench unplug")
    server.tell(f"bench replug {other}")
    assert not path.is_symlink()
    assert server.address("bench") == f"serial:{other}"
    with serial.Serial(str(other), timeout=2.0) as port:
        port.write(b"*ESR?\n")
        assert int(port.readline()) & 128
    with pytest.raises(ValueError, match="mast has 0 terminals"):
        server.tell(f"mast replug {other}")


def test_the_link_replaces_a_stale_one_and_nothing_else(
    serve: Callable[..., SimServer], world: Any, tmp_path: Path
) -> None:
    """A link left over by a killed server is replaced; a file of somebody's is not."""
    stale = tmp_path / "bench"
    stale.symlink_to("/dev/pts/999999")
    serve(pty={"bench": str(stale)})
    assert os.path.exists(stale)
    file = tmp_path / "notes"
    file.write_text("mine")
    with (
        pytest.raises(PortTaken, match="is not a symbolic link"),
        SimServer(world, Served(pty={"bench": str(file)})),
    ):
        pass
    assert file.read_text() == "mine"


def test_a_link_is_removed_at_the_end(world: Any, tmp_path: Path) -> None:
    """Nothing is left behind."""
    path = tmp_path / "bench"
    with SimServer(world, Served(pty={"bench": str(path)})):
        assert path.is_symlink()
    assert list(tmp_path.iterdir()) == []


def test_a_port_in_use_is_named(world: Any, mast: SimServer) -> None:
    """And what was opened before it is closed again."""
    port = int(mast.address("mast").rsplit(":", 1)[1])
    with (
        pytest.raises(PortTaken, match=f"127.0.0.1:{port}: it is taken"),
        SimServer(world, Served(tcp={"mast": ("127.0.0.1", port)})),
    ):
        pass


def test_only_loopback_is_listened_on(world: Any) -> None:
    """A simulator is nobody else's business."""
    with pytest.raises(PortTaken, match="loopback only"):
        SimServer(world, Served(tcp={"mast": ("0.0.0.0", 0)}))
