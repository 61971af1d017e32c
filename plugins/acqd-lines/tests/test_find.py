"""Guessing, by the profiles that are known, who is at a port that nobody knows."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from acqd_lines import find
from acqd_sim.server import SimServer

from acqd.cli import main
from acqd.drivers.contract import Certainty, Named, SerialPort
from acqd.drivers.finding import FindResult, look_for
from acqd.drivers.registry import load_drivers

from .conftest import Peer, Serve
from .lookout import PROFILE, Lookout
from .voices import SPEAK

DIALECTS = sorted(SPEAK.items())


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The user's own folder for profiles, empty."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "home" / "acqd" / "profiles"
    folder.mkdir(parents=True)
    return folder


@pytest.fixture
def healed(server: SimServer) -> Iterator[SimServer]:
    """The simulator, healed afterwards."""
    yield server
    for name in SPEAK:
        server.tell(f"{name} heal")


def look(*named: str | Named, ports: tuple[SerialPort, ...] = (), probe: bool = True) -> FindResult:
    """All installed drivers look there, and nowhere else."""
    return look_for(
        load_drivers(),
        addresses=list(named),
        probe=probe,
        only_named=bool(named),
        list_serial=lambda: ports,
        list_usb=list,
        find_holders=lambda paths: {},
    )


def port_of(address: str) -> SerialPort:
    return SerialPort(device=address.partition(":")[2], location="1-2:1.0")


@pytest.mark.parametrize(("name", "language"), DIALECTS, ids=[one[1] for one in DIALECTS])
def test_a_bare_address_is_known_by_who_answers(
    healed: SimServer, name: str, language: str
) -> None:
    """Though SCPI was asked before; with the profile that a config has to name, and once."""
    (found,) = look(healed.address(name)).candidates
    assert (found.driver, found.certainty) == ("lines", Certainty.ANSWERED)
    assert found.options == {"profile": language}
    assert found.identity is not None and found.identity.model == language.upper()
    assert found.what.endswith(f"by the profile {language}")


def test_a_listed_port_is_guessed_at_only_with_a_probe(healed: SimServer) -> None:
    """And has its place in the identity."""
    address = healed.address("rail")
    result = look(ports=(port_of(address),), probe=False)
    assert result.opened == frozenset()
    assert all(one.address != address for one in result.candidates)
    (found,) = look(ports=(port_of(address),)).candidates
    assert found.address == address and found.options == {"profile": "skua"}
    assert found.identity is not None and found.identity.location == "1-2:1.0"


def test_the_lines_to_paste_name_the_profile(
    healed: SimServer, capsys: pytest.CaptureFixture[str]
) -> None:
    """As `acqd find` prints them."""
    main(["find", "--json", "--probe", healed.address("loft")])
    (found,) = json.loads(capsys.readouterr().out)
    assert 'options = { profile = "dunlin" }\nserial_number = "0042"' in found["config"]


def test_who_answers_by_nothing_is_left_and_taught(
    serve: Serve, capsys: pytest.CaptureFixture[str]
) -> None:
    """SCPI's word stays, nothing is to be pasted, and what to do next is said."""
    address = serve(Peer(lambda line: b"what?\n")).address
    main(["find", "--probe", address])
    said = capsys.readouterr()
    assert "no sweeper that speaks SCPI" in said.out and "[sweeper." not in said.out
    assert f"acqd profile learn --port {address}" in said.err


def test_profiles_of_the_user_ask_before_shipped_ones(serve: Serve, folder: Path) -> None:
    """Nothing of the shipped ones is sent to a sweeper that has answered."""
    (folder / "toy.toml").write_text(PROFILE, "utf-8")
    peer = Peer(Lookout().answer)
    (found,) = look(serve(peer).address).candidates
    assert found.options == {"profile": "toy"}
    assert b"*IDN?" in peer.asked and b"who" in peer.asked
    assert not any(b"NAME" in line for line in peer.asked)


@pytest.mark.parametrize("probe", [False, True])
def test_a_port_that_is_named_is_still_known_by_its_usb_ids(
    serve: Serve, folder: Path, probe: bool
) -> None:
    """It is asked by that profile and by nobody else."""
    (folder / "toy.toml").write_text(f"{PROFILE}\n[[usb]]\nvid = 0x1209\npid = 1\n", "utf-8")
    peer = Peer(Lookout().answer)
    address = serve(peer, "serial").address
    port = SerialPort(device=address.partition(":")[2], vid=0x1209, pid=1)
    first = look(address, ports=(port,), probe=probe).candidates[0]
    assert (first.driver, first.options) == ("lines", {"profile": "toy"})
    assert first.certainty is (Certainty.ANSWERED if probe else Certainty.LISTED)
    assert set(peer.asked) == ({b"who"} if probe else set())


@pytest.mark.parametrize("expect", ["who", "^(?P<model>.*)$"])
def test_a_profile_that_takes_anything_for_its_sweeper_does_not_guess(
    serve: Serve, folder: Path, expect: str
) -> None:
    """A console that echoes the question would be one."""
    before = "expect = '"
    line = next(one for one in PROFILE.splitlines() if one.startswith(before))
    (folder / "toy.toml").write_text(PROFILE.replace(line, f"{before}{expect}'"), "utf-8")
    found = look(serve(Peer(lambda line: line + b"\n")).address).candidates
    assert all(one.certainty is Certainty.LISTED for one in found)


def test_silent_ports_cost_a_bounded_time(
    serve: Serve, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However many profiles there are, and ports; what comes after is not opened."""
    now_s, opened = [0.0], []
    for number in range(12):
        (folder / f"toy{number:02}.toml").write_text(PROFILE, "utf-8")

    def answering(profile: Any, link: Any, **more: Any) -> Any:
        opened.append(link.name)
        assert max(profile.talk.pause_s, profile.identify.timeout_s) <= find.ASKED_WITHIN_S
        now_s[0] += 1.0
        raise find.ProtocolViolation(expected="a sweeper", got="")

    monkeypatch.setattr(find, "_answering", answering)
    monkeypatch.setattr(find.time, "monotonic", lambda: now_s[0])
    links = [serve(Peer(lambda line: b"")) for _ in range(3)]
    context = Bounded([Named(address=link.address) for link in links])
    assert list(find.guesses(context)) == []
    assert len(opened) == find.GUESS_WITHIN_S + 1
    assert opened[: find.GUESSED_MAX] == opened[:1] * find.GUESSED_MAX
    assert len(set(opened)) == 2


class Bounded:
    """A FindContext of named addresses alone."""

    probe = True

    def __init__(self, named: list[Named]) -> None:
        self.named = named
        self.addresses = [one.address for one in named]

    def serial_ports(self) -> list[SerialPort]:
        return []

    def usb_devices(self) -> list[Any]:
        return []

    def services(self) -> list[Any]:
        return []

    def connect(self, address: str, options: Any = None) -> Any:
        from acqd.drivers.transport import open_transport

        return open_transport(address, options)


def test_what_a_config_has_a_profile_for_is_asked_by_that_alone(
    serve: Serve, tmp_path: Path
) -> None:
    """Its answer, or why there was none, is what counts."""
    path = tmp_path / "toy.toml"
    path.write_text(PROFILE, "utf-8")
    peer = Peer(lambda line: b"hello\n")
    named = Named(address=serve(peer).address, options={"profile": str(path)})
    registry = load_drivers()
    result = look_for(
        registry,
        addresses={"lines": [named]},
        probe=True,
        only_named=True,
        list_serial=list,
        list_usb=list,
    )
    (found,) = result.candidates
    assert found.what.startswith("something else answers")
    assert set(peer.asked) == {b"who"}


def test_a_profile_that_is_not_there_is_told_while_the_port_is_away(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    edit: Callable[[str], str],
) -> None:
    """By `acqd check`, with where it is wrong; for an identity on USB as for a path."""
    # A machine with other work may take its time.
    monkeypatch.setattr("acqd.station.forecast.ASK_WITHIN_S", 60.0)
    (tmp_path / "bad.toml").write_text("title = 1\n", "utf-8")
    for profile, says in (("dunlim", "did you mean 'dunlin'?"), ("bad.toml", "bad.toml:1: title")):
        (tmp_path / "station.toml").write_text(edit(profile), "utf-8")
        with pytest.raises(SystemExit) as left:
            main(["check", str(tmp_path / "station.toml")])
        said = capsys.readouterr().out
        assert left.value.code == 1
        assert said.count("cannot be used: option profile") == 2 and said.count(says) == 2


@pytest.fixture
def edit() -> Callable[[str], str]:
    """A config of two sweepers that are away, by one profile."""

    def make(profile: str) -> str:
        text = '[station]\nname = "lookout"\narchive = "archive"\n[mqtt]\nbroker = "none"\n'
        for name, address in (("a", "usb:1209:fff1/GL9"), ("b", "serial:/dev/nosuch")):
            text += (
                f'[sweeper.{name}]\ndriver = "lines"\naddress = "{address}"\n'
                f'options = {{ profile = "{profile}" }}\n'
                f'[job.{name}]\nkind = "band"\nsweeper = "{name}"\nstart = "156 MHz"\n'
                'stop = "157 MHz"\npoints = 101\nwhen = { every = "2 s" }\n'
            )
        return text

    return make
