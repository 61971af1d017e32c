"""``acqd find``: what is attached, and not a byte to a port that nobody named."""

from __future__ import annotations

import os
import pty
import re
from pathlib import Path
from typing import Any

import pytest
from acqd_sim.scenefile import world_from_text
from acqd_sim.server import Served, SimServer

from acqd.config.load import parse_config
from acqd.drivers.contract import SerialPort, Service
from acqd.drivers.usbports import Holder
from acqd.publish.child import free_port
from gear import MAST, SOAK

SCENE = (
    'seed = 7\n[scene.harbour]\n[instrument.mast]\nscene = "harbour"\nserial_number = "GL0017"\n'
)
HEAD = '[station]\nname = "lookout"\narchive = "archive"\n\n[mqtt]\nbroker = "none"\n\n'
BUSY = SerialPort(device="/dev/ttyUSB90", vid=0x1209, pid=0x0002, location="1-4")
TEXT = {"Manufacturer": "GANNET", "Model": "LOOKOUT 9", "SerialNumber": "GL0900"}
SERVICES = [
    Service(kind=kind, name="mast", host="192.0.2.7", port=port, text=TEXT)
    for kind, port in (("_hislip._tcp", 4880), ("_scpi-raw._tcp", 5025), ("_lxi._tcp", 80))
]


@pytest.fixture(autouse=True)
def quiet_network(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody announces anything: listening would take two seconds a test."""
    monkeypatch.setattr("acqd.drivers.mdns.browse", list)


@pytest.fixture
def desk(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine with a port, one that somebody holds, a USBTMC device, and a network."""
    held = {BUSY.device: Holder(pid=77, command="term")}
    monkeypatch.setattr("acqd.drivers.usbports.serial_ports", lambda: [MAST, BUSY])
    monkeypatch.setattr("acqd.drivers.usbports.usb_devices", lambda: [SOAK])
    monkeypatch.setattr("acqd.drivers.usbports.holders", lambda paths: held)
    monkeypatch.setattr("acqd.drivers.mdns.browse", lambda: SERVICES)


def test_an_instrument_that_answers_is_named(acqd: Any, served: SimServer) -> None:
    """Driver, address and who it says it is, the surest first."""
    answer = acqd("find", served.address("mast"), "--probe")
    assert answer.code == 0
    first = answer.out.splitlines()[1]
    assert first.split()[:3] == ["answered", "scpi", served.address("mast")]
    assert "GANNET LOOKOUT 1, serial number GL0017" in first


def test_json_has_the_same(acqd: Any, served: SimServer) -> None:
    """As objects, with the identity in its parts."""
    found = acqd("find", "--json", "--probe", served.address("mast")).json
    (mast,) = [one for one in found if one["address"] == served.address("mast")]
    assert mast["certainty"] == "answered"
    assert mast["identity"]["serial_number"] == "GL0017"


def test_without_a_probe_nothing_is_asked(acqd: Any) -> None:
    """A terminal that is named is listed; whoever sits at its other end hears nothing."""
    ours, theirs = pty.openpty()
    os.set_blocking(ours, False)
    try:
        address = f"serial:{os.ttyname(theirs)}"
        found = acqd("find", "--json", address).json
        assert [one["certainty"] for one in found if one["address"] == address] == ["listed"]
        with pytest.raises(BlockingIOError):
            os.read(ours, 1)
    finally:
        os.close(ours)
        os.close(theirs)


def test_the_sweepers_of_a_config_are_listed(acqd: Any, folder: Path) -> None:
    """Beside what is attached."""
    answer = acqd("find", "--config", str(folder / "station.toml"))
    assert answer.code == 0
    assert "sim:mast" in answer.out


def test_an_address_where_nobody_is_does_not_fail(acqd: Any) -> None:
    """It is listed, and said not to answer."""
    answer = acqd("find", "--probe", "tcp://127.0.0.1:1")
    assert answer.code == 0
    (line,) = [line for line in answer.out.splitlines() if "tcp://127.0.0.1:1" in line]
    assert "does not answer" in line


NOT_KNOWN = {
    "a word": ("foo_bar", "accepted: tcp://host:port, serial:/dev/…, usb:VID:PID or a VISA"),
    "no scheme": ("192.0.2.7:5025", "did you mean tcp://192.0.2.7:5025?"),
    "a path alone": ("/dev/ttyACM0", "did you mean serial:/dev/ttyACM0?"),
    "port beyond": ("tcp://127.0.0.1:99999", "with a port of 1 to 65535"),
}


@pytest.mark.parametrize("probe", [(), ("--probe",)], ids=["listed", "probed"])
@pytest.mark.parametrize(("address", "says"), NOT_KNOWN.values(), ids=NOT_KNOWN)
def test_an_address_that_is_none_is_refused(
    acqd: Any, address: str, says: str, probe: tuple[str, ...]
) -> None:
    """Exit code 2, with what would be one; it is not listed."""
    answer = acqd("find", address, *probe)
    assert answer.code == 2
    assert f"acqd: {address}: no address that a driver knows" in answer.err and says in answer.err
    assert f" {address} " not in answer.out


@pytest.mark.parametrize("probe", [(), ("--probe",)], ids=["listed", "probed"])
def test_a_serial_port_that_there_is_not_is_said(acqd: Any, probe: tuple[str, ...]) -> None:
    """Whether or not it may be opened."""
    answer = acqd("find", "serial:/dev/nosuch", *probe)
    assert answer.code == 0 and "there is no /dev/nosuch" in answer.out


def test_installed_drivers_are_listed(acqd: Any) -> None:
    """With the distribution that each comes from."""
    answer = acqd("find", "--drivers")
    assert answer.code == 0
    lines = [line.split() for line in answer.out.splitlines()]
    assert ["scpi", "acqd-scpi"] in [line[:2] for line in lines]
    assert ["sim", "acqd-sim"] in [line[:2] for line in lines]


@pytest.mark.slow
def test_the_sweepers_of_a_running_station_are_not_probed(
    acqd: Any, start: Any, folder: Path, served: SimServer
) -> None:
    """By its config it is said who has them; by address alone that somebody has them."""
    config, address = folder / "station.toml", served.address("mast")
    text = config.read_text().replace(
        '"sim"\naddress = "sim:mast"', f'"scpi"\naddress = "{address}"'
    )
    config.write_text(re.sub(r"(?m)^options = .*$", "", text))
    station = start(config)
    station.until("sweeper_present")
    found = acqd("find", "--probe", "--json", "--config", str(config)).json
    (mast,) = [one for one in found if one["address"] == address]
    assert mast["certainty"] == "busy" and f"process {station.process.pid}" in mast["what"]
    found = acqd("find", "--probe", "--json", address).json
    (mast,) = [one for one in found if one["address"] == address]
    assert mast["certainty"] == "busy"
    assert acqd("once", "156MHz..157MHz", "--sweeper", address).code == 1
    assert station.stop() == 0
    assert not any("sweeper_lost" in line for line in station.lines)


def test_a_config_that_is_wrong_is_told(acqd: Any, folder: Path) -> None:
    """Exit code 2."""
    (folder / "station.toml").write_text("[station]\n")
    assert acqd("find", "--config", str(folder / "station.toml")).code == 2


def rows(out: str) -> dict[str, list[str]]:
    """The cells of the table by address, those of one address one after the other."""
    found: dict[str, list[str]] = {}
    for line in out.partition("\n\n")[0].splitlines()[1:]:
        cells = [cell.strip() for cell in line.split("  ") if cell.strip()]
        found.setdefault(cells[2], []).append(" | ".join(cells))
    return found


def test_everything_at_the_desk_is_listed(acqd: Any, desk: None) -> None:
    """What drivers know, what nobody knows and who holds it; nothing is opened."""
    answer = acqd("find")
    assert answer.code == 0
    found = rows(answer.out)
    (tmc,) = found["USB0::0x1209::0x00A1::GL0099::INSTR"]
    assert tmc.startswith("likely | scpi") and "Gannet Soak 30, by USBTMC" in tmc
    assert "1209:00a1, serial number GL0099 at 1-7" in tmc
    (port,) = found[f"serial:{MAST.device}"]
    assert port.startswith("unknown | –") and "Gannet Lookout" in port
    (busy,) = found[f"serial:{BUSY.device}"]
    assert busy.startswith("busy | –") and "in use by term, process 77" in busy
    assert "same as TCPIP0::192.0.2.7::hislip0::INSTR" in found["tcp://192.0.2.7:5025"][0]
    (advice,) = [line for line in answer.err.splitlines() if "ttyACM90" in line]
    assert f"acqd profile learn --port serial:{MAST.device}" in advice and "--probe" in advice
    assert "ttyUSB90" not in answer.err


def test_the_lines_that_are_printed_load_in_a_config(acqd: Any, desk: None, tmp_path: Path) -> None:
    """As they stand: one table for each instrument, not for each way in to it."""
    out = acqd("find").out
    text = HEAD + out.partition("\n\n")[2]
    sweepers = parse_config(text, tmp_path / "station.toml").sweepers
    assert {name: (one.driver, one.address) for name, one in sweepers.items()} == {
        "gannet-soak-30": ("scpi", "USB0::0x1209::0x00A1::GL0099::INSTR"),
        "mast": ("scpi", "TCPIP0::192.0.2.7::hislip0::INSTR"),
    }


def test_a_simulated_sweeper_is_shown_where_nothing_else_is_found(
    acqd: Any, monkeypatch: pytest.MonkeyPatch, served: SimServer
) -> None:
    """With its lines; beside something it stands only where it is named."""
    monkeypatch.setattr("acqd.drivers.usbports.serial_ports", list)
    monkeypatch.setattr("acqd.drivers.usbports.usb_devices", list)
    alone = acqd("find").out
    assert "sim:shack" in rows(alone) and "[sweeper.sim]" in alone
    address = served.address("mast")
    assert "sim:" not in acqd("find", address).out
    assert set(rows(acqd("find", address, "sim:mast").out)) == {address, "sim:mast"}


def test_what_answered_is_pinned_in_its_lines(acqd: Any, served: SimServer, tmp_path: Path) -> None:
    """The serial number that it says is the one that the config takes."""
    address = served.address("mast")
    out = acqd("find", "--local", "--probe", address).out
    sweepers = parse_config(HEAD + out.partition("\n\n")[2], tmp_path / "s.toml").sweepers
    (mast,) = [one for one in sweepers.values() if one.address == address]
    assert mast.serial_number == "GL0017"


def test_what_the_config_has_is_not_printed_again(acqd: Any, folder: Path) -> None:
    """Its names are not given to others either."""
    config = folder / "station.toml"
    config.write_text(config.read_text().replace("[sweeper.mast]", "[sweeper.sim]").replace(
        'sweeper = "mast"', 'sweeper = "sim"'))  # fmt: skip
    out = acqd("find", "--local", "--config", str(config)).out
    lines = out.partition("\n\n")[2]
    assert 'address = "sim:mast"' not in lines and "[sweeper.sim]" not in lines


def test_an_identity_on_usb_leads_to_its_port(acqd: Any, desk: None) -> None:
    """Named, it is the port that has it; else what was seen is told; a wrong one is refused."""
    answer = acqd("find", "--local", "usb:1209:0001/GL0017")
    (port,) = rows(answer.out)[f"serial:{MAST.device}"]
    assert answer.code == 0 and port.startswith("named | scpi")
    answer = acqd("find", "--local", "usb:1209:0009")
    assert answer.code == 0 and "no serial port of this identity is plugged in" in answer.err
    answer = acqd("find", "--local", "usb:12")
    assert answer.code == 2 and "usb:12 is not accepted" in answer.err


def test_of_a_host_the_registered_ports_are_shown_and_with_a_probe_tried(acqd: Any) -> None:
    """One line of what to try; or of why nothing answered."""
    answer = acqd("find", "--local", "192.0.2.7")
    assert answer.code == 0 and "192.0.2.7" not in answer.out
    assert "TCPIP0::192.0.2.7::hislip0::INSTR or tcp://192.0.2.7:5025" in answer.err
    answer = acqd("find", "--local", "--probe", "127.0.0.1")
    assert answer.code == 0 and "127.0.0.1" not in answer.out
    (line,) = [line for line in answer.err.splitlines() if "127.0.0.1:" in line]
    assert "no sweeper answers there" in line and "Connection refused" in line


def test_a_host_is_asked_at_its_registered_port(
    acqd: Any, served: SimServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where one answers it is listed like any other."""
    port = int(served.address("mast").rpartition(":")[2])
    monkeypatch.setattr("acqd.drivers.mdns.RAW_PORT", port)
    answer = acqd("find", "--local", "--probe", "127.0.0.1")
    (row,) = rows(answer.out)[served.address("mast")]
    assert row.startswith("answered | scpi") and "no sweeper answers" not in answer.err


def test_a_port_that_somebody_holds_is_not_probed(
    acqd: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program need not have asked to be alone: it is asked whether it has the port open."""
    ours, theirs = pty.openpty()
    os.set_blocking(ours, False)
    port = SerialPort(device=os.ttyname(theirs))
    held = {port.device: Holder(pid=77, command="term")}
    monkeypatch.setattr("acqd.drivers.usbports.serial_ports", lambda: [port])
    monkeypatch.setattr("acqd.drivers.usbports.holders", lambda paths: held)
    try:
        answer = acqd("find", "--local", "--probe")
        (row,) = rows(answer.out)[f"serial:{port.device}"]
        assert row.startswith("busy") and "in use by term, process 77" in row
        with pytest.raises(BlockingIOError):
            os.read(ours, 1)
    finally:
        os.close(ours)
        os.close(theirs)


def test_a_network_that_cannot_be_asked_is_a_line(
    acqd: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is attached is listed all the same; --local does not ask."""

    def broken() -> list[Service]:
        raise OSError("no multicast here")

    monkeypatch.setattr("acqd.drivers.mdns.browse", broken)
    answer = acqd("find")
    assert answer.code == 0 and "acqd: no multicast here" in answer.err and "sim:" in answer.out
    assert "multicast" not in acqd("find", "--local").err


def test_json_has_the_lines_and_the_ways_in(acqd: Any, desk: None) -> None:
    """For programs: what is unknown has no driver, what is the same says so."""
    found = acqd("find", "--json").json
    by_address = {(one["driver"], one["address"]): one for one in found}
    hislip = by_address["scpi", "TCPIP0::192.0.2.7::hislip0::INSTR"]
    assert hislip["config"].startswith("[sweeper.") and hislip["service"]["kind"] == "_hislip._tcp"
    raw = by_address["scpi", "tcp://192.0.2.7:5025"]
    assert raw["same_as"] == hislip["address"] and raw["config"] is None
    port = by_address["", f"serial:{MAST.device}"]
    assert port["certainty"] == "unknown" and port["usb"]["serial_number"] == "GL0017"
    assert by_address["", f"serial:{BUSY.device}"]["held_by"] == "term, process 77"


def test_where_something_is_named_nothing_else_is_probed(
    acqd: Any, served: SimServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another port hears nothing, and the network is not asked; it is asked where nothing is named.

    A port that nobody answers at is said to have been asked only where it was.
    """
    ours, theirs = pty.openpty()
    os.set_blocking(ours, False)
    port = SerialPort(device=os.ttyname(theirs))
    asked: list[str] = []
    monkeypatch.setattr("acqd.drivers.usbports.serial_ports", lambda: [port])
    monkeypatch.setattr("acqd.drivers.mdns.browse", lambda: asked.append("network") or [])
    try:
        answer = acqd("find", "--probe", served.address("mast"))
        assert answer.code == 0 and port.device not in answer.out + answer.err and asked == []
        with pytest.raises(BlockingIOError):
            os.read(ours, 1)
        answer = acqd("find", "--probe")
        assert os.read(ours, 100) and asked == ["network"]
        assert "it answered none" in answer.err
    finally:
        os.close(ours)
        os.close(theirs)


@pytest.mark.slow
def test_one_instrument_that_answers_by_two_ways_is_one(acqd: Any, tmp_path: Path) -> None:
    """By HiSLIP first; the raw socket says that it is the same, and one table is printed."""
    port = free_port("127.0.0.1")
    ways = Served(
        tcp={"mast": ("127.0.0.1", 0)}, hislip={"mast": ("127.0.0.1", port)}, time_scale=0.02
    )
    hislip = f"TCPIP0::127.0.0.1::hislip0,{port}::INSTR"
    with SimServer(world_from_text(SCENE), ways) as served:
        # Of two ways in a server names the first.
        raw = served.address("mast")
        answer = acqd("find", "--probe", raw, hislip)
    assert [line.split()[:3] for line in answer.out.splitlines()[1:3]] == [
        ["answered", "scpi", hislip],
        ["answered", "scpi", raw],
    ]
    assert f"same as {hislip}" in rows(answer.out)[raw][0]
    sweepers = parse_config(HEAD + answer.out.partition("\n\n")[2], tmp_path / "s.toml").sweepers
    (mast,) = [one for one in sweepers.values() if one.driver == "scpi"]
    assert (mast.address, mast.serial_number) == (hislip, "GL0017")
