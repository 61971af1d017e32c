"""The serial ports that a station of the bench sees: terminals that look as if on a USB bus.

A pseudo-terminal is on no bus, so nobody could follow it from port to port. What the operating
system would list is therefore read from a file; all that is done with the list is acqd's own.
"""

from __future__ import annotations

import json
from pathlib import Path

__all__ = ["FIRST", "USB", "Desk"]

USB = {"vid": 0x1209, "pid": 0x0001, "serial_number": "GL0042", "location": "1-2"}
"""Of the sweeper on the terminal: ids for tests of a list of ids that is open to all."""

FIRST = """\
import json, os
import acqd.drivers.usbports as usbports
from acqd.drivers.contract import SerialPort

def _listed():
    with open(os.environ["ACQD_FAULTS_DESK"], encoding="utf-8") as file:
        return [SerialPort(**port) for port in json.load(file)]

usbports.serial_ports = _listed
usbports.usb_devices = list
usbports.signature = lambda *_, **__: os.stat(os.environ["ACQD_FAULTS_DESK"]).st_ino
"""
"""What a station does before it starts, in the place of the machine's own lists."""


class Desk:
    """What is plugged in: nothing, or the sweeper at one port."""

    def __init__(self, folder: Path) -> None:
        self._file = folder / "desk.json"
        self.home = folder / "ports" / "acm-0"
        self._moves = 0
        self.nothing()

    @property
    def env(self) -> dict[str, str]:
        return {"ACQD_FAULTS_DESK": str(self._file)}

    @property
    def address(self) -> str:
        """For a config: by who it is, not by where."""
        return f"usb:{USB['vid']:04x}:{USB['pid']:04x}/{USB['serial_number']}"

    def nothing(self) -> None:
        self._write([])

    def at(self, port: Path) -> None:
        self._write([{"device": str(port), **USB}])

    def another(self) -> Path:
        """A port where it was never before."""
        self._moves += 1
        return self.home.with_name(f"acm-{self._moves}")

    def _write(self, ports: list[dict[str, object]]) -> None:
        # By a new file: a list is never seen half, and its number tells that it changed.
        temporary = self._file.with_suffix(".new")
        temporary.write_text(json.dumps(ports), "utf-8")
        temporary.replace(self._file)
