"""Rules for udev: what they say, and that udev itself reads them."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acqd.drivers.usbports import UsbIdentity
from acqd.errors import WrongUsage
from acqd.host.udev import Named, rules_file, rules_text


def usb(serial: str = "", location: str = "") -> UsbIdentity:
    return UsbIdentity(vid=0x1209, pid=0x0001, serial_number=serial, location=location)


MAST = Named(name="mast", identity=usb("GL0017"))
HUT = Named(name="hut", identity=usb(location="1-2.3"))
STRANGE = 'a"b*?[c]|d\\e$f%g\n' + "Möwe"

WORD = re.compile(r'[A-Z]+(?:\{[A-Za-z]+\})?(==|=|\+=)"([^"\\*\[\]|\n]*)"')


def rules(text: str) -> list[str]:
    return [line for line in text.splitlines() if line and not line.startswith("#")]


def test_a_sweeper_gets_a_name_and_a_group_by_its_serial_number() -> None:
    """Its port and the device itself; the head says where the file goes."""
    text = rules_text([MAST], station="lookout", group="dialout")
    assert rules(text) == [
        'SUBSYSTEM=="tty", ATTRS{idVendor}=="1209", ATTRS{idProduct}=="0001", '
        'ATTRS{serial}=="GL0017", SYMLINK+="acqd/mast", GROUP="dialout", MODE="0660"',
        'SUBSYSTEM=="usb", ENV{DEVTYPE}=="usb_device", ATTR{idVendor}=="1209", '
        'ATTR{idProduct}=="0001", ATTR{serial}=="GL0017", SYMLINK+="acqd/mast-usb", '
        'GROUP="dialout", MODE="0660"',
    ]
    assert rules_file("lookout") == "/etc/udev/rules.d/70-acqd-lookout.rules"
    assert rules_file("lookout") in text and "udevadm control --reload" in text


def test_without_a_number_it_is_known_by_its_place() -> None:
    assert 'KERNELS=="1-2.3"' in rules(rules_text([HUT], station="x", group="uucp"))[0]
    assert 'KERNEL=="1-2.3"' in rules(rules_text([HUT], station="x", group="uucp"))[1]


def test_two_ports_of_one_device_are_told_apart() -> None:
    """By the interface, which is the device's own."""
    second = Named(name="mast", identity=usb("GL0017", ":1.2"))
    port, device = rules(rules_text([second], station="x", group="g"))
    assert 'ENV{ID_USB_INTERFACE_NUM}=="02"' in port and "INTERFACE" not in device


def test_without_either_it_is_said_that_two_would_share_it() -> None:
    bare = Named(name="mast", identity=usb())
    assert "two of a kind would share the name" in rules_text([bare], station="x", group="g")


@given(st.text(min_size=1, max_size=60))
def test_no_serial_number_becomes_a_rule_of_its_own(serial: str) -> None:
    """Whatever an instrument says of itself: two lines, each of words of one form."""
    one = Named(name="mast", identity=usb(serial))
    found = rules(rules_text([one], station="lookout", group="dialout"))
    assert len(found) == 2
    for line in found:
        assert (
            all(WORD.fullmatch(word) for word in re.split(r", (?=[A-Z])", line)) or ", " in serial
        )
        assert line.count('"') % 2 == 0 and line.isascii() and line.isprintable()


@pytest.mark.parametrize("group", ["", "Dial Out", 'x", RUN+="/bin/sh', "-x", "g" * 33])
def test_a_group_that_can_be_none_is_refused(group: str) -> None:
    with pytest.raises(WrongUsage, match="--group"):
        rules_text([MAST], station="lookout", group=group)


def why_not() -> str:
    if os.geteuid() != 0 or not shutil.which("udevadm") or not shutil.which("unshare"):
        return "needs root, udevadm and unshare"
    tried = subprocess.run(["unshare", "-m", "true"], capture_output=True)
    return "" if tried.returncode == 0 else "no mounts of its own are allowed here"


READ = """\
set -e
mount --make-rprivate /
mkdir -p /etc/udev/rules.d /run/udev
mount -t tmpfs tmpfs /etc/udev/rules.d
mount -t tmpfs tmpfs /run/udev
cp "$1" /etc/udev/rules.d/70-acqd-lookout.rules
exec udevadm --debug test --action=add /sys/devices/virtual/net/lo
"""


@pytest.mark.skipif(bool(why_not()), reason=why_not() or "it can be tried")
@pytest.mark.parametrize("is_spoilt", [False, True])
def test_udev_reads_them_without_a_complaint(tmp_path: Path, is_spoilt: bool) -> None:
    """In a folder of its own over ``/etc``; with a quotation mark more it does complain."""
    strange = Named(name="bench", identity=usb(STRANGE))
    text = rules_text([MAST, HUT, strange], station="lookout", group="root")
    file = tmp_path / "rules"
    file.write_text(text.replace('"GL0017"', '"GL"0017"') if is_spoilt else text)
    done = subprocess.run(
        ["unshare", "-m", "sh", "-c", READ, "-", str(file)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    said = done.stdout + done.stderr
    if "70-acqd-lookout.rules" not in said:
        pytest.skip(f"udev tells nothing of its rules here: {said[-300:]}")
    complaints = [
        line
        for line in said.splitlines()
        if re.search(r"70-acqd-lookout\.rules:\d+", line) and re.search("nvalid|gnor", line)
    ]
    assert bool(complaints) is is_spoilt, said
