"""The invented languages over real terminals and sockets, well-behaved and not."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import serial
from acqd_sim.dialects.skua import DBUV_PER_DBM, crc16
from acqd_sim.scenefile import World, load_world
from acqd_sim.server import PortTaken, Served, SimServer

ROOT = Path(__file__).parents[3]
SPEAK = {"hut": "tern", "rail": "skua", "loft": "dunlin"}
CARRIER_HZ, CARRIER_DBM, WITHIN_DB = 156.8e6, -40.0, 0.6
"""The test carrier of the scene, and what the receivers state of their accuracy, rounded up."""


@pytest.fixture(scope="module")
def voices() -> World:
    """The scene with an instrument for each language."""
    return load_world(str(ROOT / "configs" / "scenes" / "gannet-voices.toml"))


@pytest.fixture
def server(voices: World, tmp_path: Path) -> Iterator[SimServer]:
    """All three on terminals, ten times as fast as in life."""
    pty = {name: str(tmp_path / name) for name in SPEAK}
    with SimServer(voices, Served(pty=pty, speak=SPEAK, time_scale=0.1)) as running:
        yield running


def ended(client: Any) -> bool:
    """Whether the server has hung up, in order or not."""
    try:
        return bool(client.read(1) == b"")
    except ConnectionError:
        return True


class Port:
    """A serial port and what is asked over it, with a deadline."""

    def __init__(self, path: str) -> None:
        self.serial = serial.Serial(path, exclusive=True, timeout=5.0)

    def ask(self, line: bytes, end: bytes) -> bytes:
        self.serial.write(line)
        return self.serial.read_until(end)

    def nothing_comes(self, within_s: float = 0.15) -> bool:
        self.serial.timeout = within_s
        got = self.serial.read(1)
        self.serial.timeout = 5.0
        return got == b""


@pytest.fixture
def port(server: SimServer) -> Iterator[Callable[[str], Port]]:
    """Opens the terminal of an instrument; the prompt is waited for where there is one."""
    with ExitStack() as stack:

        def opened(name: str) -> Port:
            one = Port(server.address(name).removeprefix("serial:"))
            stack.callback(one.serial.close)
            if name == "loft":
                assert one.serial.read_until(b"dunlin> ").endswith(b"help.\r\ndunlin> ")
            return one

        yield opened


def test_tern_answers_pairs_with_a_sum_that_holds(port: Callable[[str], Port]) -> None:
    """Axis, carrier, count and sum of a sweep."""
    hut = port("hut")
    assert hut.ask(b"name\r\n", b"\r\n") == b"TERN;GL-0031;2.4\r\n"
    assert hut.ask(b"SPAN 156300 157300 101\r\n", b"\r\n") == b"OK\r\n"
    assert hut.ask(b"RBW 12\r\n", b"\r\n") == b"OK\r\n"
    assert hut.ask(b"RBW?\r\n", b"\r\n") == b"RBW 10\r\n"
    hut.serial.write(b"READ\r\n")
    lines = [hut.serial.readline() for _ in range(101)]
    end = hut.serial.readline()
    assert end == f"END 101 {sum(b''.join(lines)) % 256:02X}\r\n".encode()
    at_khz, level_dbm = np.array([line.split(b"=") for line in lines], dtype=float).T
    np.testing.assert_allclose(at_khz, np.linspace(156300, 157300, 101))
    assert at_khz[np.argmax(level_dbm)] == CARRIER_HZ / 1e3
    assert abs(level_dbm.max() - CARRIER_DBM) <= WITHIN_DB


def test_tern_ends_lines_with_both_characters_only(port: Callable[[str], Port]) -> None:
    """A line feed alone is part of the next command, as a wrong line end is in life."""
    hut = port("hut")
    hut.serial.write(b"NAME\n")
    assert hut.nothing_comes()
    assert hut.ask(b"NAME\r\n", b"\r\n") == b"TERN;GL-0031;2.4\r\n"
    hut.serial.write(b"*IDN?\n")
    assert hut.nothing_comes()
    assert hut.ask(b"NAME\r\n", b"\r\n").startswith(b"NO 11 unknown: *IDN?")


def test_skua_answers_words_of_hundredths_with_a_crc(port: Callable[[str], Port]) -> None:
    """Framing, scale and CRC of a block; settings answer what they have become."""
    rail = port("rail")
    assert rail.ask(b"v\r", b"\r") == b"v=7031\r"
    assert rail.ask(b"f 156300000 157300000\r", b"\r") == b"f=156300000 157300000\r"
    assert rail.ask(b"n 101\r", b"\r") == b"n=101\r"
    assert rail.ask(b"b 12000\r", b"\r") == b"b=10000\r"
    rail.serial.write(b"g\r")
    block = rail.serial.read(2 + 2 + 202 + 2)
    assert block[:4] == b"\xa5\x5a\x65\x00"
    assert int.from_bytes(block[-2:], "little") == crc16(block[2:-2])
    level_dbm = np.frombuffer(block[4:-2], "<u2") * 0.01 - 40.0 - DBUV_PER_DBM
    assert np.argmax(level_dbm) == 50
    assert abs(level_dbm.max() - CARRIER_DBM) <= WITHIN_DB
    took_ms = int(rail.ask(b"t\r", b"\r")[2:])
    assert took_ms == 25


def test_the_crc_is_the_one_that_is_described() -> None:
    """Check value of polynomial 0x1021, start 0xFFFF, high bit first, over 123456789."""
    assert crc16(b"123456789") == 0x29B1
    assert pytest.approx(106.99, abs=0.005) == DBUV_PER_DBM


def test_dunlin_echoes_prompts_and_says_levels_in_words(port: Callable[[str], Port]) -> None:
    """Echo, prompt, read-back, one list of levels."""
    loft = port("loft")
    assert loft.ask(b"range 156.3 157.3\r", b"> ") == b"range 156.3 157.3\r\ndunlin> "
    loft.ask(b"points 101\r", b"> ")
    loft.ask(b"width 10\r", b"> ")
    assert loft.ask(b"range\r", b"> ") == (
        b"range\r\nrange is 156.300000 to 157.300000 MHz\r\ndunlin> "
    )
    text = loft.ask(b"go\r", b"> ").decode()
    found = re.fullmatch(r"go\r\n(.*)\r\ndunlin> ", text)
    assert found is not None
    levels = [word.removesuffix(" dBm") for word in found[1].split(", ")]
    assert len(levels) == 101
    assert levels.index(max(levels, key=float)) == 50
    assert abs(max(map(float, levels)) - CARRIER_DBM) <= WITHIN_DB


def test_dunlin_hears_nothing_while_it_starts(voices: World, tmp_path: Path) -> None:
    """What is written right after opening is lost; so it is on every opening."""
    pty = {"loft": str(tmp_path / "loft")}
    with SimServer(voices, Served(pty=pty, speak={"loft": "dunlin"})) as running:
        path = running.address("loft").removeprefix("serial:")
        for _ in range(2):
            one = Port(path)
            time.sleep(0.1)  # until the simulator has noticed: it looks every 10 ms
            one.serial.write(b"who\r")
            assert one.serial.read_until(b"> ").startswith(b"\r\nDunlin is awake.")
            assert one.nothing_comes()
            assert b"number 0042" in one.ask(b"who\r", b"> ")
            one.serial.close()
            time.sleep(0.1)


def test_dunlins_source_goes_on_and_off(port: Callable[[str], Port], server: SimServer) -> None:
    """With a level, within limits."""
    loft = port("loft")
    assert loft.ask(b"source on -20\r", b"> ") == b"source on -20\r\ndunlin> "
    assert server.instrument("loft").sweeping.panel.source_dbm == -20.0
    assert b"source is on at -20.0 dBm" in loft.ask(b"source\r", b"> ")
    assert b"\r\n? source level beyond" in loft.ask(b"source on 5\r", b"> ")
    loft.ask(b"source off\r", b"> ")
    assert not server.instrument("loft").sweeping.panel.source_on


def test_the_abort_character_ends_a_sweep(port: Callable[[str], Port]) -> None:
    """At once, with the prompt; and what was typed is forgotten."""
    loft = port("loft")
    loft.ask(b"range 1 300\r", b"> ")
    loft.ask(b"width 1\r", b"> ")
    loft.serial.write(b"go\r")
    assert loft.nothing_comes() is False  # the echo
    time.sleep(0.05)
    began_s = time.monotonic()
    assert loft.ask(b"wh\x18", b"> ").endswith(b"\r\nstopped\r\ndunlin> ")
    assert time.monotonic() - began_s < 5.0  # the sweep would take minutes
    assert b"number 0042" in loft.ask(b"who\r", b"> ")


@pytest.mark.parametrize(
    ("name", "line", "says"),
    [
        ("hut", b"LOOK\r\n", b"NO 11 unknown: LOOK\r\n"),
        ("hut", b"SPAN 1 2\r\n", b"NO 12 expected lowest kHz, highest kHz, points\r\n"),
        ("hut", b"SPAN 2000 1000 101\r\n", b"NO 12 expected lowest kHz, highest kHz, points\r\n"),
        ("hut", b"SPAN 200 1000 5\r\n", b"NO 21 points beyond 51 to 1001\r\n"),
        ("hut", b"ATT 99\r\n", b"NO 21 attenuation_db beyond 0 to 30 dB\r\n"),
        ("hut", b"RBW x\r\n", b"NO 12 expected kHz, 0 for automatic\r\n"),
        ("hut", b"\xff\r\n", b"NO 10 not a letter\r\n"),
        ("rail", b"z\r", b"!11\r"),
        ("rail", b"f 1 2\r", b"!21\r"),
        ("rail", b"n nan\r", b"!12\r"),
        ("rail", b"n 101.5\r", b"!12\r"),
        ("loft", b"look\r", b"look\r\n? unknown: look\r\n"),
        ("loft", b"source up\r", b"source up\r\n? expected source on and a level in dBm, or "),
    ],
)
def test_what_cannot_be_done_is_refused(
    port: Callable[[str], Port], name: str, line: bytes, says: bytes
) -> None:
    """In the words of the language."""
    one = port(name)
    one.serial.write(line)
    assert one.serial.read(len(says)) == says


@pytest.mark.parametrize(
    ("order", "line", "says"),
    [
        ("hut garbage", b"NAME\r\n", b"\x00\xff?\x07\n\r4.2;1300-LG;NRET\r\n"),
        ("hut half-line", b"NAME\r\n", b"TERN;GL-0"),
        ("hut no-end", b"NAME\r\n", b"TERN;GL-0031;2.4"),
        ("hut stop-answering", b"NAME\r\n", b""),
        ("hut identity LARK;1;1", b"NAME\r\n", b"LARK;1;1\r\n"),
        ("rail identity 0", b"v\r", b"0\r"),
        ("loft no-end", b"pad\r", b"pad\r\npad is 0 dB\r\n"),
        ("loft stop-answering", b"who\r", b""),
    ],
)
def test_faults_strike_in_every_language(
    port: Callable[[str], Port], server: SimServer, order: str, line: bytes, says: bytes
) -> None:
    """Junk, half a line, a missing end, silence; and it is well again after."""
    name = order.split()[0]
    one = port(name)
    server.tell(order)
    one.serial.write(line)
    one.serial.timeout = 0.3
    assert one.serial.read(1000) == says


def sweep(one: Port, name: str) -> bytes:
    """A sweep of 51 points, whatever comes within a while."""
    set_up = {
        "hut": (b"SPAN 156300 157300 51\r\n", b"READ\r\n"),
        "rail": (b"n 51\r", b"g\r"),
        "loft": (b"points 51\r", b"go\r"),
    }[name]
    one.serial.timeout = 0.4
    one.serial.write(set_up[0])
    one.serial.read(1000)
    one.serial.write(set_up[1])
    one.serial.timeout = 0.8
    return one.serial.read(5000)


def test_traces_break_in_their_own_ways(port: Callable[[str], Port], server: SimServer) -> None:
    """A wrong sum, a missing end, half of it, another number of points."""
    hut, rail, loft = port("hut"), port("rail"), port("loft")
    server.tell("hut wrong-sum")
    *lines, end = sweep(hut, "hut").splitlines(keepends=True)
    assert end == f"END 51 {(sum(b''.join(lines)) + 1) % 256:02X}\r\n".encode()
    hut.serial.timeout = 0.4
    server.tell("hut no-end")
    hut.serial.write(b"READ\r\n")
    assert hut.serial.read(5000).count(b"=") == 51
    server.tell("rail wrong-sum")
    block = sweep(rail, "rail")
    assert int.from_bytes(block[-2:], "little") == crc16(block[2:-2]) ^ 1
    server.tell("rail cut-block")
    assert len(sweep(rail, "rail")) == (2 + 2 + 102 + 2) // 2
    server.tell("rail points -1")
    assert len(sweep(rail, "rail")) == 2 + 2 + 100 + 2
    server.tell("rail nan")
    assert sweep(rail, "rail")[4:6] == b"\xff\xff"
    server.tell("loft long-block")
    assert sweep(loft, "loft").count(b"dBm") > 51


def test_a_language_works_over_tcp_too(voices: World, connect: Callable[[str], Any]) -> None:
    """Each connection is a conversation of its own, and a dropped one is over."""
    tcp = {"hut": ("127.0.0.1", 0), "loft": ("127.0.0.1", 0)}
    speak = {"hut": "tern", "loft": "dunlin"}
    with SimServer(voices, Served(tcp=tcp, speak=speak, time_scale=0.1)) as running:
        hut = connect(running.address("hut"))
        hut.link.sendall(b"NAME\r\n")
        assert hut.line() == b"TERN;GL-0031;2.4\r\n"
        loft = connect(running.address("loft"))
        assert loft.read(39).endswith(b"dunlin> ")
        running.tell("hut drop")
        hut.link.sendall(b"NAME\r\n")
        assert ended(hut)


def test_a_power_cut_brings_the_banner(port: Callable[[str], Port], server: SimServer) -> None:
    """And default settings."""
    loft = port("loft")
    loft.ask(b"points 77\r", b"> ")
    server.tell("loft power-cycle")
    assert loft.serial.read_until(b"> ").startswith(b"\r\nDunlin is awake.")
    assert b"points are 401" in loft.ask(b"points\r", b"> ")


@pytest.mark.parametrize(
    ("speak", "problem"),
    [
        ({"hut": "lark"}, "'hut' cannot speak 'lark'; there are: scpi, tern, skua, dunlin"),
        ({"rail": "skua"}, "'rail' is to speak skua, and is not served"),
    ],
)
def test_a_language_that_cannot_be_is_one_line(
    voices: World, speak: dict[str, str], problem: str
) -> None:
    """Before any port is opened."""
    with pytest.raises(PortTaken, match=re.escape(problem)):
        SimServer(voices, Served(tcp={"hut": ("127.0.0.1", 0)}, speak=speak))


def test_the_page_lists_every_word() -> None:
    """Commands of the three languages in docs/simulator.md."""
    from acqd_sim.dialects import DIALECTS

    page = (ROOT / "docs" / "simulator.md").read_text(encoding="utf-8")
    world = load_world(str(ROOT / "configs" / "scenes" / "gannet-voices.toml"))
    with SimServer(world, Served(tcp={"hut": ("127.0.0.1", 0)})) as running:
        instrument = running.instrument("hut")
        for name, dialect in DIALECTS.items():
            section = page.split(f"**`{name}`**")[1].split("\n**`")[0]
            words = set(re.findall(r"`([A-Za-z]+\??)[ `]", section))
            assert set(dialect(instrument).commands()) <= words
