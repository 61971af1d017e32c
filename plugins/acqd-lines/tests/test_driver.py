"""The driver on a small sweeper of its own kind, over sockets and pseudo-terminals."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from acqd_lines import LinesDriver
from acqd_lines.sweeper import profile_of

from acqd.clock import SystemClock
from acqd.drivers.contract import Certainty, Named, SerialPort
from acqd.drivers.host import SweeperHost
from acqd.drivers.transport import open_transport
from acqd.errors import (
    PortBusy,
    ProtocolViolation,
    RequestRefused,
    SweeperError,
    SweeperReported,
    SweepInvalid,
    TransportTimeout,
)
from acqd.sweep import Detector, SourceRequest, SweepFlag, SweepRequest
from acqd.testing.conformance import Bench, DriverConformance
from peers import wait_for

from .conftest import Peer, Serve
from .lookout import PROFILE, Lookout

REQUEST = SweepRequest(start_hz=156e6, stop_hz=157e6, points=101, rbw_hz=10e3)
Make = Callable[..., SweeperHost]


@pytest.fixture
def profile(tmp_path: Path) -> Callable[..., str]:
    """Writes the profile, with texts replaced, and gives its path."""

    def write(*changes: tuple[str, str], more: str = "") -> str:
        text = PROFILE
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new, 1)
        path = tmp_path / "toy.toml"
        path.write_text(text + more, "utf-8")
        return str(path)

    return write


@pytest.fixture
def host_of() -> Make:
    """Makes hosts."""

    def make(address: str, profile: str, **options: Any) -> SweeperHost:
        return SweeperHost(
            name="toy",
            driver=LinesDriver(),
            address=address,
            options={"profile": profile, **options},
            clock=SystemClock(),
            deadline_s=10.0,
        )

    return make


def toy(**more: Any) -> tuple[Lookout, Peer]:
    device = Lookout(**more)
    return device, Peer(device.answer)


async def swept(host: SweeperHost, request: SweepRequest = REQUEST) -> Any:
    """One sweep of a host that is opened and closed for it."""
    try:
        await host.open()
        return await host.sweep(request)
    finally:
        await host.close()


def is_last(peer: Peer, last: tuple[bytes, ...]) -> bool:
    said = [line for line in list(peer.asked) if line != b"who"]
    return said[-len(last) :] == list(last)


def heard(peer: Peer, *last: bytes) -> None:
    """Wait until the peer's last commands, who it is left out, are ``last``."""
    wait_for(f"{last!r}", lambda: is_last(peer, last))


class TestConformanceOverTcp(DriverConformance):
    """The kit, over a socket."""

    @pytest.fixture
    def bench(self, serve: Serve, profile: Callable[..., str]) -> Bench:
        """A toy with a source."""
        return _bench(serve, profile(), "tcp")


class TestConformanceOverATerminal(DriverConformance):
    """The kit, over a pseudo-terminal."""

    @pytest.fixture
    def bench(self, serve: Serve, profile: Callable[..., str]) -> Bench:
        """A toy with a source."""
        return _bench(serve, profile(), "serial")


def _bench(serve: Serve, profile: str, kind: str) -> Bench:
    device, peer = toy()
    link = serve(peer, kind)
    return Bench(
        driver=LinesDriver(),
        address=link.address,
        options={"profile": profile},
        request=REQUEST,
        source_request=SourceRequest(on=True, level_dbm=-20.0),
        source_is_on=lambda: device.source != "off",
    )


@pytest.mark.parametrize("kind", ["tcp", "serial"])
async def test_a_sweep_is_all_that_the_profile_says(
    serve: Serve, profile: Callable[..., str], host_of: Make, kind: str
) -> None:
    """Settings in order, check, start, poll, fetch; identity, levels, report and flags."""
    _, peer = toy(hot=True)
    host = host_of(serve(peer, kind).address, profile())
    sweep = await swept(host, replace(REQUEST, detector=Detector.POSITIVE, averages=4))
    assert str(sweep.identity) == "Gannet 1, serial number SN7"
    assert sweep.level[:3].tolist() == [-90.0, -90.25, -90.5]
    assert sweep.level.dtype == np.float32
    assert sweep.resolution == 0.01
    assert sweep.flags & SweepFlag.OVERLOAD
    assert sweep.reported.rbw_hz == 10e3
    assert sweep.reported.detector is Detector.POSITIVE
    assert sweep.reported.averages == 4
    assert set(sweep.reported.assumed) == {"detector", "averages"}
    lines = [line.decode() for line in peer.asked]
    assert lines[:3] == ["gen off", "who", "who"]
    begun = lines.index("lo 156000")
    assert lines[begun : begun + 6] == [
        "lo 156000", "hi 157000", "n 101", "bw 10", "det P", "avg 4",
    ]  # fmt: skip
    assert lines[begun + 6 : begun + 12] == ["ok", "bw", "run", "busy", "busy", "data"]
    assert lines[-2:] == ["gen off", "who"]


async def test_each_of_several_lines_may_be_answered(
    serve: Serve, profile: Callable[..., str], host_of: Make
) -> None:
    """And must then fit, the first as the last; else the answer to the first is out of step."""
    device, peer = toy()

    def answer(line: bytes) -> bytes | None:
        said = device.answer(line)
        return b"ok\n" if line[:3] in (b"lo ", b"hi ") else said

    peer.answer = answer
    lines = 'send = ["lo {start:kHz:d}", "hi {stop:kHz:d}"]'
    each = f"{lines}\nanswer = {{ kind = \"line\", each = true }}\nexpect = '^ok$'"
    sweep = await swept(host_of(serve(peer).address, profile((lines, each))), REQUEST)
    assert sweep.level.size == REQUEST.points
    device.answers[b"lo 156000"] = b"no\n"
    peer.answer = lambda line: b"no\n" if line.startswith(b"lo ") else answer(line)
    host = host_of(serve(peer).address, profile((lines, each)))
    with pytest.raises(ProtocolViolation, match="an answer to lo 156000 that fits"):
        await swept(host, REQUEST)


async def test_what_it_was_not_asked_for_goes_back_to_the_default(
    serve: Serve, profile: Callable[..., str], host_of: Make
) -> None:
    """A job that says nothing of a setting does not get that of the job before."""
    device, peer = toy()
    host = host_of(serve(peer).address, profile())
    await host.open()
    await host.sweep(replace(REQUEST, rbw_hz=3e3, detector=Detector.POSITIVE, averages=4))
    assert device.settings == {
        "lo": "156000", "hi": "157000", "n": "101", "bw": "3", "det": "P", "avg": "4",
    }  # fmt: skip
    sweep = await host.sweep(replace(REQUEST, rbw_hz=None))
    await host.close()
    assert {device.settings[name] for name in ("bw", "det", "avg")} == {"10", "S", "1"}
    assert sweep.reported.rbw_hz == 10e3


async def test_only_what_changed_is_sent_where_the_profile_says_so(
    serve: Serve, profile: Callable[..., str], host_of: Make
) -> None:
    """The second sweep asks for data and nothing else."""
    _, peer = toy()
    path = profile(("[sweep]\n", '[sweep]\nresend = "changed"\n'))
    host = host_of(serve(peer).address, path)
    await host.open()
    await host.sweep(REQUEST)
    peer.asked.clear()
    await host.sweep(REQUEST)
    await host.sweep(replace(REQUEST, rbw_hz=3e3))
    await host.close()
    lines = [line.decode() for line in peer.asked if line != b"busy"]
    assert lines == ["run", "data", "bw 3", "ok", "bw", "run", "data", "gen off", "who"]


async def test_rounding_to_what_the_sweeper_counts_in_shows_in_the_axis(
    serve: Serve, profile: Callable[..., str], host_of: Make
) -> None:
    """It was told whole kHz; the axis is the one that it swept."""
    _, peer = toy()
    request = replace(REQUEST, start_hz=156e6 + 400, stop_hz=156.1e6 + 400, points=101)
    sweep = await swept(host_of(serve(peer).address, profile()), request)
    assert sweep.frequency_hz[0] == 156e6
    assert sweep.frequency_hz[-1] == 156.1e6


LIES: list[tuple[dict[bytes, bytes | None], type[Exception], str]] = [
    ({b"who": b"LOKO 1\n"}, ProtocolViolation, 'the sweeper of the profile "a lookout\'s toy"'),
    ({b"who": b""}, TransportTimeout, "who: no answer in time"),
    ({b"who": b"LOOK"}, TransportTimeout, "who: only 4 bytes came in time"),
    ({b"who": b"LOOK 1 SN7\nLOOK 1 SN7\n"}, ProtocolViolation, "expected nothing before who"),
    ({b"who": b"BAD 3 asleep\n"}, SweeperReported, "the sweeper reports 3 asleep"),
    ({b"ok": b"not fine\n"}, ProtocolViolation, "an answer to ok that fits '^fine$'"),
    ({b"n 101": b"BAD 4 too many\n"}, SweeperReported, "the sweeper reports 4 too many"),
    ({b"bw": b"wide\n"}, ProtocolViolation, "an answer to bw that fits"),
    ({b"busy": b"1\n"}, TransportTimeout, "busy: the sweep is not done in time; it says '1'"),
    ({b"data": b"-90,-91\n.\n"}, SweepInvalid, "asked for 101 points, got 2"),
    ({b"data": b"-90,x\n.\n"}, ProtocolViolation, "expected a number as value 2, got 'x'"),
    ({b"data": b"-90"}, TransportTimeout, "data: only 3 bytes came in time"),
    ({b"data": None}, SweeperError, "the other end closed the link"),
    ({b"data": b"BAD 5 no data\n"}, SweeperReported, "the sweeper reports 5 no data"),
]


@pytest.mark.parametrize(("lies", "raised", "said"), LIES, ids=[said for _, _, said in LIES])
async def test_what_is_not_as_it_should_be_is_raised(
    serve: Serve,
    profile: Callable[..., str],
    host_of: Make,
    lies: dict[bytes, bytes | None],
    raised: type[Exception],
    said: str,
) -> None:
    """Never repaired; one line says what was expected and what came."""
    device, peer = toy()
    device.answers = lies
    with pytest.raises(raised) as caught:
        await swept(host_of(serve(peer).address, profile()))
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)
    if b"data" not in lies or lies[b"data"] is not None:
        heard(peer, b"gen off")


@pytest.mark.parametrize("kind", ["tcp", "serial"])
async def test_a_late_answer_never_reaches_the_next_question(
    serve: Serve, profile: Callable[..., str], host_of: Make, kind: str
) -> None:
    """It comes after the deadline, even after opening anew, and is thrown away."""
    device, peer = toy()
    device.answers = {b"data": b""}
    link = serve(peer, kind)
    host = host_of(link.address, profile(('recover = "0 s"', 'recover = "2 s"')))
    await host.open()
    with pytest.raises(TransportTimeout):
        await host.sweep(REQUEST)
    assert not host.is_open
    device.answers = {}
    if kind == "serial":
        link.say(b"-1,-2\r\n.\r\n")
    await host.open()
    sweep = await host.sweep(REQUEST)
    await host.close()
    assert sweep.level[0] == -90.0


async def test_a_sweep_that_still_runs_on_opening_is_waited_for(
    serve: Serve, profile: Callable[..., str], host_of: Make
) -> None:
    """What is left of it comes in place of the identity; that is asked again."""
    device, peer = toy()
    said = iter([b"-1,-2\n", b"-3,-4\n.\nLOOK 1 SN7\nLOOK 1 SN7\n"])
    plain = device.answer
    peer.answer = lambda line: next(said, None) or plain(line) if line == b"who" else plain(line)
    host = host_of(serve(peer, "serial").address, profile(('recover = "0 s"', 'recover = "5 s"')))
    sweep = await swept(host)
    assert sweep.level[0] == -90.0


async def test_it_falls_silent_before_it_is_asked(
    serve: Serve, profile: Callable[..., str], host_of: Make
) -> None:
    """A greeting is read away; one that never ends is told."""
    _, peer = toy()
    peer.greeting = b"hello\r\nready\r\n"
    link = serve(peer)
    path = profile(('quiet = "30 ms"', 'quiet = "150 ms"\nquiet_limit = "300 ms"'))
    host = host_of(link.address, path)
    await swept(host)

    async def chatter() -> None:
        while True:
            await asyncio.sleep(0.02)
            try:
                link.say(b"tick\n")
            except (AssertionError, OSError):
                pass  # nobody is connected at this moment

    task = asyncio.create_task(chatter())
    with pytest.raises(ProtocolViolation, match=r"silence within 0\.3 s"):
        await host.open()
    task.cancel()
    await host.close()


class Streaming:
    """A toy that sweeps on and on once it is told to ``run``, until ``stop``."""

    def __init__(self, link: Any, device: Lookout) -> None:
        self.is_on = True
        self.link, self.device = link, device

    def answer(self, line: bytes) -> bytes | None:
        """As the toy, but for what starts and stops the stream."""
        if line in (b"stop", b"data"):
            self.is_on = line == b"data"
            return b""
        return self.device.answer(line)

    async def go_on(self) -> None:
        """Sweep after sweep."""
        while True:
            await asyncio.sleep(0.01)
            if self.is_on:
                try:
                    self.link.say(self.device.answer(b"data"))
                except (AssertionError, OSError):
                    pass  # nobody is connected at this moment


async def test_a_sweeper_that_never_stops_by_itself_is_stopped(
    serve: Serve, profile: Callable[..., str], host_of: Make
) -> None:
    """Before the first question by ``begin``, and after each sweep by ``halt``."""
    device, peer = toy()
    link = serve(peer)
    streaming = Streaming(link, device)
    peer.answer = streaming.answer
    path = profile(
        ('quiet = "30 ms"', 'quiet = "30 ms"\nquiet_limit = "300 ms"\nbegin = ["stop\\n"]'),
        ("abort =", "halt ="),
    )
    host = host_of(link.address, path)
    task = asyncio.create_task(streaming.go_on())
    try:
        await host.open()
        for _ in range(3):
            sweep = await host.sweep(REQUEST)
            assert sweep.level.size == 101
            assert not streaming.is_on
    finally:
        task.cancel()
        await host.close()


COLUMNS = ('separator = ","', 'columns = ["frequency", "level"]\nfrequency_unit = "kHz"')


def pairs(first_khz: float, step_khz: float) -> bytes:
    rows = [f"{first_khz + step_khz * at:.3f} -9{at % 7}.5" for at in range(101)]
    return "\n".join([*rows, ".\n"]).encode()


async def test_frequencies_in_the_answer_are_held_against_those_asked_for(
    serve: Serve, profile: Callable[..., str], host_of: Make
) -> None:
    """The same: the even axis; a third of a step off: the sweeper's own; more: no sweep."""
    device, peer = toy()
    host = host_of(serve(peer).address, profile(COLUMNS))
    await host.open()
    device.answers = {b"data": pairs(156e3, 10.0)}
    assert (await host.sweep(REQUEST)).frequency_hz[0] == 156e6
    device.answers = {b"data": pairs(156e3 + 3.25, 10.0)}
    assert (await host.sweep(REQUEST)).frequency_hz[0] == 156003250.0
    device.answers = {b"data": pairs(156e3 + 20, 10.0)}
    with pytest.raises(SweepInvalid, match=r"156020000 Hz at point 0: asked for 156000000 Hz"):
        await host.sweep(REQUEST)
    await host.close()


async def test_an_axis_can_be_asked_for_by_itself(
    serve: Serve, profile: Callable[..., str], host_of: Make
) -> None:
    """In a unit of its own; another number of frequencies than levels is no sweep."""
    device, peer = toy()
    path = profile(
        more='\n[sweep.axis]\nsource = "asked"\nunit = "MHz"\n'
        'ask = { send = "axis", answer = { kind = "line" } }\n'
    )
    axis_mhz = ",".join(f"{156.002 + 0.01 * at:.3f}" for at in range(101)).encode()
    device.answers = {b"axis": axis_mhz + b"\r\n"}
    host = host_of(serve(peer).address, path)
    assert (await swept(host)).frequency_hz[0] == 156.002e6
    device.answers = {b"axis": b"156,157\r\n"}
    with pytest.raises(SweepInvalid, match="got 101 levels for 2 frequencies"):
        await swept(host)


async def test_complex_levels_come_through(
    serve: Serve, profile: Callable[..., str], host_of: Make
) -> None:
    """As ratios, for sweepers that measure phase too."""
    device, peer = toy()
    path = profile(
        ('separator = ","', 'columns = ["real", "imaginary"]'),
        ('unit = "dBm"\n\n[timing]', 'unit = "1"\n\n[timing]'),
        ("resolution = 0.01\n", ""),
    )
    device.answers = {b"data": b"0.5 -0.25\n" * 101 + b".\n"}
    sweep = await swept(host_of(serve(peer).address, path))
    assert sweep.level[0] == 0.5 - 0.25j
    assert str(sweep.unit) == "1"


async def test_a_block_is_asked_for_and_checked(
    serve: Serve, profile: Callable[..., str], host_of: Make
) -> None:
    """Of as many values as points; one that says another length is refused at once."""
    device, peer = toy()
    path = profile(
        ('separator = ","', 'type = "i16"\norder = "little"\nscale = 0.01'),
        ('kind = "lines", end = ".", ignore = \'^hot$\'', 'kind = "block", length = "definite"'),
    )
    host = host_of(serve(peer).address, path)
    await host.open()
    data = np.arange(-9000, -8899, dtype="<i2").tobytes()
    device.answers = {b"data": b"#3202" + data + b"\n"}
    sweep = await host.sweep(REQUEST)
    assert sweep.level[:2].tolist() == pytest.approx([-90.0, -89.99])
    assert sweep.resolution == 0.01
    device.answers = {b"data": b"BAD 6 cold\n"}
    with pytest.raises(SweeperReported, match="6 cold"):
        await host.sweep(REQUEST)
    device.answers = {b"data": b"#3200" + data}
    with pytest.raises(ProtocolViolation, match="a block of 202 bytes, got 'one that states 200'"):
        await host.sweep(REQUEST)
    await host.close()


async def test_the_source_is_on_for_its_sweep_only(
    serve: Serve, profile: Callable[..., str], host_of: Make
) -> None:
    """On at its level before the settings, off after it, whether it came to anything or not."""
    device, peer = toy()
    host = host_of(serve(peer).address, profile())
    await host.open()
    source = SourceRequest(on=True, level_dbm=-20.0)
    sweep = await host.sweep(replace(REQUEST, source=source))
    assert sweep.reported.source_level_dbm == -20.0
    heard(peer, b"data", b"gen off")
    assert device.source == "off"
    assert b"gen -20.0" in peer.asked
    device.answers = {b"data": b""}
    with pytest.raises(TransportTimeout):
        await host.sweep(replace(REQUEST, source=source))
    heard(peer, b"stop", b"gen off")
    assert device.source == "off"
    await host.close()


OPTIONS: list[tuple[dict[str, Any], str]] = [
    ({}, "option profile: nothing is not accepted; accepted: the path or the name of a profile"),
    ({"profile": 7}, "option profile: 7 is not accepted"),
    ({"profile": "turn"}, "did you mean 'tern'?"),
    ({"profile": "no/such.toml"}, "no/such.toml: the file: there is no such file"),
    (
        {"profil": "tern"},
        "option profil: 'tern' is not accepted; accepted: known options; did",
    ),
]


@pytest.mark.parametrize(("options", "said"), OPTIONS, ids=[said for _, said in OPTIONS])
def test_options_that_cannot_be_used_are_told(options: dict[str, Any], said: str) -> None:
    """In one line, before anything is opened."""
    with pytest.raises(RequestRefused) as caught:
        profile_of(options)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_profile_with_problems_is_told_with_its_line(profile: Callable[..., str]) -> None:
    """And how many more there are."""
    path = profile(("separator =", "seperator ="), ('per_point = "100 µs"', "per_point = 1"))
    with pytest.raises(RequestRefused) as caught:
        profile_of({"profile": path})
    assert "unknown key `seperator`; did you mean `separator`?" in str(caught.value)
    assert "the first of its 2: " in str(caught.value)


async def test_the_links_settings_are_the_profiles_unless_the_config_has_its_own(
    profile: Callable[..., str],
) -> None:
    """What the link is opened with."""
    seen: list[dict[str, Any]] = []

    def open_link(address: str, options: Any) -> Any:
        seen.append(dict(options))
        raise PortBusy("busy")

    path = profile(("[talk]", '[link]\nbaud = 9600\nparity = "even"\n\n[talk]'))
    host = SweeperHost(
        name="toy",
        driver=LinesDriver(),
        address="serial:/dev/null",
        options={"profile": path, "baud": 57600},
        clock=SystemClock(),
        open_link=open_link,
    )
    with pytest.raises(PortBusy):
        await host.open()
    assert seen == [{"profile": path, "baud": 57600, "parity": "even"}]


class Look:
    """A FindContext."""

    def __init__(
        self, *, probe: bool = False, named: tuple[Named, ...] = (), ports: Any = ()
    ) -> None:
        self.probe = probe
        self.named = named
        self.addresses = [one.address for one in named]
        self.opened: list[str] = []
        self._ports = ports

    def serial_ports(self) -> Any:
        return self._ports

    def usb_devices(self) -> Any:
        return ()

    def services(self) -> Any:
        return ()

    def connect(self, address: str, options: Any = None) -> Any:
        self.opened.append(address)
        return open_transport(address, options)


USB = '\n[[usb]]\nvid = 0x1209\npid = 0x0001\nproduct = "Lookout"\n'


@pytest.fixture
def at_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder of the user's own for profiles."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "home" / "acqd" / "profiles"
    folder.mkdir(parents=True)
    return folder


def test_ports_are_found_by_the_usb_ids_of_known_profiles(at_home: Path) -> None:
    """Listed with the profile that a config would name; nothing is opened."""
    (at_home / "toy.toml").write_text(PROFILE + USB, "utf-8")
    (at_home / "broken.toml").write_text("title = 1", "utf-8")
    ports = [
        SerialPort(device="/dev/ttyACM3", vid=0x1209, pid=1, description="Lookout 1 CDC"),
        SerialPort(device="/dev/ttyACM4", vid=0x1209, pid=1, description="a keyboard"),
        SerialPort(device="/dev/ttyS0"),
    ]
    look = Look(ports=ports)
    (found,) = LinesDriver().find(look)
    assert (found.address, found.certainty) == ("serial:/dev/ttyACM3", Certainty.LISTED)
    assert found.options == {"profile": "toy"}
    assert found.what == "a lookout's toy, by its USB ids"
    assert look.opened == []


@pytest.mark.parametrize("probe", [False, True])
def test_what_the_user_named_is_asked_only_with_probe(
    serve: Serve, profile: Callable[..., str], at_home: Path, probe: bool
) -> None:
    """By the profile of its options; then it says who it is."""
    _, peer = toy()
    link = serve(peer)
    options = {"profile": profile()}
    look = Look(probe=probe, named=(Named(address=link.address, options=options),))
    (found,) = LinesDriver().find(look)
    assert found.options == options
    assert bool(peer.asked) is probe
    if probe:
        assert found.certainty is Certainty.ANSWERED
        assert found.what == "Gannet 1, serial number SN7"
    else:
        assert found.certainty is Certainty.LISTED


def test_a_port_that_does_not_answer_as_it_should_is_told(
    serve: Serve, profile: Callable[..., str], at_home: Path
) -> None:
    """Busy, silent, something else, and a profile that cannot be used."""
    device, peer = toy()
    device.answers = {b"who": b"hello\n"}
    link = serve(peer, "serial")
    named = Named(address=link.address, options={"profile": profile()})
    (found,) = LinesDriver().find(Look(probe=True, named=(named,)))
    assert found.certainty is Certainty.LISTED
    assert found.what.startswith(
        'something else answers: expected the sweeper of the profile "a look'
    )
    held = open_transport(link.address)
    (found,) = LinesDriver().find(Look(probe=True, named=(named,)))
    held.close()
    assert found.certainty is Certainty.BUSY
    device.answers = {b"who": b""}
    (found,) = LinesDriver().find(Look(probe=True, named=(named,)))
    assert found.what == "does not answer: who: no answer in time"
    wrong = replace(named, options={"profile": "turn"})
    (found,) = LinesDriver().find(Look(named=(wrong,)))
    assert "did you mean 'tern'?" in found.what
    bare = Named(address=link.address)
    assert list(LinesDriver().find(Look(named=(bare,)))) == []
