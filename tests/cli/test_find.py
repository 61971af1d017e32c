"""``acqd find``: what is attached, and not a byte to a port that nobody named."""

from __future__ import annotations

import os
import pty
import re
from pathlib import Path
from typing import Any

import pytest
from acqd_sim.server import SimServer


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
    "a word": ("foo_bar", "accepted: tcp://host:port, serial:/dev/… or a VISA"),
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
