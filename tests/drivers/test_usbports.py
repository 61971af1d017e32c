"""What is plugged in, read from tables of the system that are made up here, and who holds it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from acqd.drivers.contract import SerialPort
from acqd.drivers.usbports import (
    USBTMC,
    UsbIdentity,
    clean,
    holders,
    is_usb_address,
    port_at,
    refuse_missing,
    serial_ports,
    signature,
    usb_devices,
    usb_nodes,
)
from acqd.errors import RequestRefused

ACM0 = SerialPort(
    device="/dev/ttyACM0", vid=0x1209, pid=0x0001, serial_number="GL0017", location="1-2:1.0"
)
ACM1 = SerialPort(
    device="/dev/ttyACM1", vid=0x1209, pid=0x0001, serial_number="GL0042", location="1-3:1.0"
)
BARE = SerialPort(device="/dev/ttyUSB0", vid=0x1209, pid=0x0002, location="1-4.1")


def device(root: Path, name: str, *interfaces: tuple[str, str, str], **lines: str) -> Path:
    """A device of a made-up sysfs, its interfaces within it and beside it as links."""
    folder = root / name
    folder.mkdir(parents=True)
    for key, text in {"bDeviceClass": "00", "busnum": "1", "devnum": "7", **lines}.items():
        (folder / key).write_text(f"{text}\n")
    for number, kinds in enumerate(interfaces):
        inside = folder / f"{name}:1.{number}"
        inside.mkdir()
        keys = ("bInterfaceClass", "bInterfaceSubClass", "bInterfaceProtocol")
        for key, kind in zip(keys, kinds, strict=True):
            (inside / key).write_text(f"{kind}\n")
        (root / inside.name).symlink_to(inside)
    return folder


@pytest.fixture
def bus(tmp_path: Path) -> Path:
    """A hub, a USBTMC instrument, one with two serial interfaces, and what is no device."""
    root = tmp_path / "devices"
    device(root, "usb1", idVendor="1d6b", idProduct="0002", bDeviceClass="09")
    device(root, "1-2", idVendor="1d6b", idProduct="0104", bDeviceClass="09")
    tmc = {"idVendor": "1209", "idProduct": "00a1", "serial": "GL0017", "devnum": "12"}
    device(
        root,
        "1-2.3",
        ("fe", "03", "01"),
        **tmc,
        manufacturer="Gannet",
        product="Lookout\x1b[31m 1",
    )
    device(root, "1-4", ("02", "02", "01"), ("0a", "00", "00"), idVendor="1209", idProduct="0001")
    (root / "1-5").mkdir()
    (root / "1-6").mkdir()
    (root / "1-6" / "idVendor").write_text("not hexadecimal\n")
    return root


def test_devices_are_read_with_their_interfaces(bus: Path) -> None:
    """Hubs and folders that hold no device are left out; texts are made printable."""
    first, second = usb_devices(bus)
    assert (first.vid, first.pid, first.serial_number) == (0x1209, 0x00A1, "GL0017")
    assert (first.location, first.manufacturer) == ("1-2.3", "Gannet")
    assert first.product == "Lookout [31m 1"
    assert first.interfaces == ((0xFE, 0x03, 0x01),) and first.interfaces[0][:2] == USBTMC
    assert second.interfaces == ((0x02, 0x02, 0x01), (0x0A, 0, 0)) and second.serial_number == ""


def test_a_machine_without_usb_has_no_devices(tmp_path: Path) -> None:
    """No folder, no devices, no error."""
    assert usb_devices(tmp_path / "nothing") == []


def test_a_device_leads_to_the_files_that_programs_open(bus: Path) -> None:
    """The file of the bus, and that of the kernel's driver where it has the interface."""
    tmc = bus / "1-2.3" / "1-2.3:1.0" / "usbmisc" / "usbtmc0"
    tmc.mkdir(parents=True)
    assert usb_nodes(usb_devices(bus)[0], bus) == ("/dev/bus/usb/001/012", "/dev/usbtmc0")


def test_the_signature_differs_once_a_device_was_pulled_and_came_back(
    bus: Path, tmp_path: Path
) -> None:
    """At the same place it has another number; a file that is made anew has another inode."""
    dev = tmp_path / "dev"
    dev.mkdir()
    (dev / "ttyACM0").touch()
    (dev / "null").touch()
    first = signature(bus, dev)
    assert signature(bus, dev) == first
    (bus / "1-2.3" / "devnum").write_text("13\n")
    second = signature(bus, dev)
    assert second != first
    (dev / "ttyACM1").touch()
    assert signature(bus, dev) != second


FORMS = {
    "ids": ("usb:1209:0001", UsbIdentity(vid=0x1209, pid=1)),
    "serial number": (
        "usb:1209:00A1/GL 0017/a",
        UsbIdentity(vid=0x1209, pid=0xA1, serial_number="GL 0017/a"),
    ),
    "location": ("usb:1209:0001@1-2.3", UsbIdentity(vid=0x1209, pid=1, location="1-2.3")),
    "interface of a location": (
        "usb:1209:0001@1-2.3:1.0",
        UsbIdentity(vid=0x1209, pid=1, location="1-2.3:1.0"),
    ),
    "interface": (
        "usb:1209:0001/GL@:1.2",
        UsbIdentity(vid=0x1209, pid=1, serial_number="GL", location=":1.2"),
    ),
    "a sign in the number": (
        "usb:1209:0001/a@b",
        UsbIdentity(vid=0x1209, pid=1, serial_number="a@b"),
    ),
}


@pytest.mark.parametrize(("address", "known"), FORMS.values(), ids=FORMS)
def test_an_identity_is_read_and_written(address: str, known: UsbIdentity) -> None:
    """In the form that a config has; what is written is read again."""
    assert is_usb_address(address)
    assert UsbIdentity.parse(address) == known
    assert UsbIdentity.parse(known.address) == known


@pytest.mark.parametrize(
    "address",
    ["usb:", "usb:12:34", "usb:1209:0001@", "usb:1209:xyzw", "usb:1209", "usb:1209:00011"],
)
def test_what_is_no_identity_is_refused(address: str) -> None:
    """With the form that would be one."""
    with pytest.raises(RequestRefused, match='accepted: "usb:1209:0001"'):
        UsbIdentity.parse(address)


def test_a_resource_string_is_no_identity() -> None:
    """VISA's names of USB devices begin alike."""
    assert not is_usb_address("USB0::0x1209::0x0001::GL0017::INSTR")
    assert not is_usb_address("USB::0x1209::0x0001::GL0017::INSTR")


def test_an_identity_fits_what_has_all_that_it_names() -> None:
    """Ids, serial number, place; one interface or the whole device."""
    assert UsbIdentity.parse("usb:1209:0001").fits(ACM0)
    assert UsbIdentity.parse("usb:1209:0001/GL0042").fits(ACM1)
    assert not UsbIdentity.parse("usb:1209:0001/GL0042").fits(ACM0)
    assert UsbIdentity.parse("usb:1209:0001@1-2").fits(ACM0)
    assert UsbIdentity.parse("usb:1209:0001@1-2:1.0").fits(ACM0)
    assert not UsbIdentity.parse("usb:1209:0001@1-2:1.2").fits(ACM0)
    assert not UsbIdentity.parse("usb:1209:0001@1-20").fits(ACM0)
    assert not UsbIdentity.parse("usb:1209:0002").fits(SerialPort(device="/dev/ttyS0"))


def test_what_lasts_is_the_serial_number_or_else_the_place() -> None:
    """A number of zeros tells nothing apart."""

    def lasting(port: SerialPort) -> str:
        known = UsbIdentity.of(port)
        assert known is not None
        return known.lasting.address

    assert lasting(ACM0) == "usb:1209:0001/GL0017@:1.0"
    assert lasting(BARE) == "usb:1209:0002@1-4.1"
    zeros = SerialPort(device="x", vid=1, pid=2, serial_number="0000", location="1-1")
    assert lasting(zeros) == "usb:0001:0002@1-1"


def test_it_is_said_what_was_seen_instead() -> None:
    """One line, for none that fits and for several."""
    missing = str(refuse_missing(UsbIdentity.parse("usb:1209:0009"), [ACM0, BARE]))
    assert "no serial port of this identity is plugged in" in missing and "\n" not in missing
    assert "/dev/ttyACM0 (USB 1209:0001, serial number GL0017 at 1-2:1.0)" in missing
    several = str(refuse_missing(UsbIdentity.parse("usb:1209:0001"), [ACM0, ACM1]))
    assert "2 serial ports fit" in several and "/dev/ttyACM1" in several
    nothing = str(refuse_missing(UsbIdentity.parse("usb:1209:0001"), []))
    assert "seen: none on USB" in nothing


def test_a_port_that_is_pulled_out_while_it_is_listed_spoils_one_listing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The next look may be whole; three that are not are an error of the system."""
    from serial.tools import list_ports

    answers: Iterator[Any] = iter([TypeError("int() of None"), []])

    def comports() -> list[Any]:
        answer = next(answers)
        if isinstance(answer, Exception):
            raise answer
        return list(answer)

    monkeypatch.setattr(list_ports, "comports", comports)
    assert serial_ports() == []
    answers = iter([TypeError("int() of None")] * 3)
    with pytest.raises(OSError, match="come and go"):
        serial_ports()


def test_who_holds_a_port_is_told(terminal: Any) -> None:
    """Process and command of another program; not ourselves, and nobody where nobody does."""
    held = "import os, sys, time; os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); print('open'); "
    words = [sys.executable, "-uc", f"{held}time.sleep(60)", terminal.path]
    with subprocess.Popen(words, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None and process.stdout.readline() == b"open\n"
        found = holders([terminal.path, "/dev/nosuch"])
        process.kill()
    assert list(found) == [terminal.path]
    assert found[terminal.path].pid == process.pid
    assert str(found[terminal.path]).endswith(f", process {process.pid}")
    ours = os.open(terminal.path, os.O_RDWR | os.O_NOCTTY)
    assert holders([terminal.path]) == {}
    os.close(ours)


def test_the_program_behind_a_terminal_does_not_hold_it() -> None:
    """What keeps up a pseudo-terminal has both its ends open: it is the sweeper, not its user."""
    code = "import os; print(os.ttyname(os.openpty()[1]), flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        path = process.stdout.readline().strip()
        found = holders([path])
        process.kill()
    assert path.startswith("/dev/pts/") and found == {}


def test_a_link_leads_to_its_port(tmp_path: Path) -> None:
    """Names under /dev/serial are links."""
    there = tmp_path / "ttyACM0"
    there.touch()
    link = tmp_path / "by-id"
    link.symlink_to(there)
    port = SerialPort(device=str(there))
    assert port_at(str(link), [port]) is port and port_at("/dev/nosuch", [port]) is None


def test_texts_of_devices_are_cut_and_printable() -> None:
    """A device may say anything of itself."""
    assert clean("a\x00b\n c\u202e") == "a b c"
    assert len(clean("x" * 5000)) == 200 and clean(None) == ""
