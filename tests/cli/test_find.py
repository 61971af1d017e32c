"""``acqd find``: what is attached, and not a byte to a port that nobody named."""

from __future__ import annotations

import os
import pty
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


def test_a_config_that_is_wrong_is_told(acqd: Any, folder: Path) -> None:
    """Exit code 2."""
    (folder / "station.toml").write_text("[station]\n")
    assert acqd("find", "--config", str(folder / "station.toml")).code == 2
