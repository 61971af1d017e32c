"""What is shown of names and answers cannot steer a terminal; what cannot be written is said."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from acqd.cli.tables import table
from acqd.drivers.transport import open_transport
from acqd.errors import RequestRefused, TransportError

STEERS = "\x1b]0;owned\x07\x9b2J"


def test_a_table_shows_letters_only() -> None:
    """Whatever a sweeper or the network says of itself."""
    lines = table(("what", "it is"), [(STEERS, "a\nb")]).split("\n")
    assert len(lines) == 2
    assert all(line.isprintable() for line in lines)


def test_what_is_found_is_shown_in_letters_only(acqd: Any, tmp_path: Path) -> None:
    """A recording's file can have any name; the line to paste has it as it is."""
    (tmp_path / f"{STEERS}.sigmf-meta").write_text("{}")
    ran = acqd("find", "--local", f"iq:{tmp_path}")
    assert STEERS not in ran.out
    assert all(line.isprintable() for line in (ran.out + ran.err).split("\n"))


def test_an_error_is_shown_in_letters_only(acqd: Any) -> None:
    """With names that somebody else gave."""
    ran = acqd("find", "--local", STEERS)
    assert all(line.isprintable() for line in (ran.out + ran.err).split("\n"))
    ran = acqd("ingest", STEERS, "--map", "configs/maps/gannet-wide.toml", "--dry-run")
    assert ran.code == 2
    assert all(line.isprintable() for line in ran.err.split("\n"))


def test_a_folder_that_takes_no_driver_is_said(acqd: Any) -> None:
    """Nothing can be made under /proc, by nobody."""
    ran = acqd("driver", "new", "gannet-line", "--in", "/proc")
    assert ran.code == 2
    assert "/proc/acqd-gannet-line/pyproject.toml cannot be written" in ran.err


@pytest.mark.parametrize("path", ["/dev/null", __file__])
def test_what_is_no_serial_port_is_said(path: str) -> None:
    """Not in the system's numbers."""
    with pytest.raises(TransportError, match=f"serial:{path}: {path} is no serial port$"):
        open_transport(f"serial:{path}", {})


def test_a_limit_is_a_number_that_can_be_typed() -> None:
    """Four million, not 4e+06."""
    with pytest.raises(RequestRefused, match="a number from 50 to 4000000"):
        open_transport("serial:/dev/null", {"baud": "fast"})


def test_a_link_whose_distribution_quits_on_import_costs_itself_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Named with whose it is; the process goes on."""
    (tmp_path / "gannet_link.py").write_text("import sys\nsys.exit(3)\n")
    info = tmp_path / "gannet_link-1.5.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: gannet-link\nVersion: 1.5\n")
    (info / "entry_points.txt").write_text("[acqd.links]\ngannet = gannet_link:opened\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    with pytest.raises(TransportError, match=r"of gannet-link 1\.5 cannot be loaded: SystemExit"):
        open_transport("gannet:mast", {})
