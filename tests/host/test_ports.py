"""Rights on ports, and who else sends bytes to them, on invented machines."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

import pytest

from acqd.host.checks import State
from acqd.host.here import Here
from acqd.host.needs import Needs
from acqd.host.ports import parse_groups, ports_here, rights, strangers

Machine = Callable[..., Here]

MINE = os.getegid()
"""Files of a test belong to this group; on an invented machine it has another name."""
GROUP = f"root:x:{10**6}:\ndialout:x:{MINE}:gull,watch\nplugdev:x:46:\nbroken line\nadm:x:x:\n"
STRANGER = 4_000_000
"""A user who owns nothing here."""

ANY = Needs()


def with_port(machine: Machine, mode: int = 0o660, **more: Any) -> Here:
    files = {"/dev/ttyACM0": "", "/dev/tty1": "", "/etc/group": GROUP, **more.pop("files", {})}
    here = machine(files, uid=STRANGER, **more)
    (here.root / "dev/ttyACM0").chmod(mode)
    return here


def test_groups_are_read_by_number() -> None:
    """Lines that are none are left out."""
    groups = parse_groups(GROUP)
    assert groups[MINE].name == "dialout"
    assert groups[MINE].users == {"gull", "watch"}
    assert len(groups) == 3


def test_only_what_can_be_a_sweeper_is_a_port(machine: Machine) -> None:
    """Consoles are none; instruments on USB are."""
    usb = "/sys/bus/usb/devices/1-2"
    here = machine(
        {
            **{f"/dev/{name}": "" for name in ("ttyUSB3", "ttyACM0", "ttyS0", "tty1", "usbtmc0")},
            "/dev/bus/usb/001/004": "",
            **{
                f"{usb}/{key}": text
                for key, text in {
                    "idVendor": "1209",
                    "idProduct": "0001",
                    "bDeviceClass": "00",
                    "busnum": "1",
                    "devnum": "4",
                }.items()
            },
            f"{usb}/1-2:1.0/bInterfaceClass": "fe",
            f"{usb}/1-2:1.0/bInterfaceSubClass": "03",
            f"{usb}/1-2:1.0/bInterfaceProtocol": "01",
        }
    )
    wanted = ("/dev/ttyACM0", "/dev/ttyUSB3", "/dev/usbtmc0", "/dev/bus/usb/001/004")
    assert ports_here(here, ANY) == wanted
    assert ports_here(here, Needs(ports=("/dev/ttyS0", "/dev/gone"))) == ("/dev/ttyS0",)


def test_a_user_in_the_group_may(machine: Machine) -> None:
    """As the session has it."""
    check = rights(with_port(machine, groups=(MINE,)), ANY)
    assert check.state is State.GOOD
    assert check.found == "watch may open /dev/ttyACM0"


def test_a_user_outside_is_told_the_command(machine: Machine) -> None:
    """The group of the port, not one that is guessed."""
    check = rights(with_port(machine, user="owl"), ANY)
    assert check.state is State.TO_DO
    assert "/dev/ttyACM0 belongs to group dialout; owl is not in group dialout" in check.found
    assert check.do == "`sudo usermod -aG dialout owl`, then log out and in again"


def test_a_session_from_before_has_to_begin_anew(machine: Machine) -> None:
    """In /etc/group already, and not in the session's groups."""
    check = rights(with_port(machine), ANY)
    assert check.state is State.TO_DO
    assert "this session began before that" in check.found
    assert check.do.startswith("log out and in again")


def test_without_a_port_the_usual_group_is_asked_about(machine: Machine) -> None:
    """On Friday evening nothing may be plugged in yet."""
    here = machine({"/etc/group": GROUP}, uid=STRANGER, user="owl")
    assert "usermod -aG dialout owl" in rights(here, ANY).do
    member = machine({"/etc/group": GROUP}, uid=STRANGER, groups=(MINE,))
    assert rights(member, ANY).state is State.GOOD
    other = machine({"/etc/group": "uucp:x:14:\n"}, uid=STRANGER, user="owl")
    assert "usermod -aG uucp owl" in rights(other, ANY).do
    assert rights(machine({}, uid=STRANGER), ANY).state is State.CANNOT_TELL


def test_a_port_for_root_alone_needs_a_rule(machine: Machine) -> None:
    """No group would help."""
    check = rights(with_port(machine, 0o600, groups=(MINE,)), ANY)
    assert check.state is State.TO_DO
    assert "no group of it would help" in check.found


def test_a_usb_device_for_root_alone_gets_its_rule(machine: Machine) -> None:
    """By its own ids, for the group that Debian has for such devices."""
    usb = "/sys/bus/usb/devices/1-2"
    keys = {"idVendor": "1209", "idProduct": "0001", "busnum": "1", "devnum": "4"}
    node = "/dev/bus/usb/001/004"
    here = machine(
        {
            **{f"{usb}/{key}": text for key, text in keys.items()},
            **{
                f"{usb}/1-2:1.0/bInterface{key}": text
                for key, text in {"Class": "fe", "SubClass": "03", "Protocol": "00"}.items()
            },
            node: "",
            "/etc/group": GROUP,
        },
        uid=STRANGER,
    )
    (here.root / node.lstrip("/")).chmod(0o644)
    check = rights(here, ANY)
    assert check.state is State.TO_DO
    assert 'ATTR{idVendor}=="1209", ATTR{idProduct}=="0001", GROUP="plugdev"' in check.do
    assert "udevadm control --reload" in check.do


def test_root_may(machine: Machine) -> None:
    """Whatever the modes."""
    assert rights(machine({}, uid=0), ANY).state is State.GOOD


def test_a_config_without_ports_asks_nothing(machine: Machine) -> None:
    """All its sweepers are on the network."""
    here = with_port(machine)
    for check in (rights(here, Needs(ports=())), strangers(here, Needs(ports=()))):
        assert check.state is State.GOOD
        assert "no sweeper of the config" in check.found


# -- who else is there -----------------------------------------------------------------------------


def running(*names: str, words: str = "") -> dict[str, str]:
    files = {"/proc/1/comm": "init\n"}
    for at, name in enumerate(names, 200):
        files |= {f"/proc/{at}/comm": f"{name}\n", f"/proc/{at}/cmdline": words.replace(" ", "\0")}
    return files


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("ModemManager", "ModemManager.service"),
        ("brltty", "brltty.service"),
        ("gpsd", "gpsd.socket"),
    ],
)
def test_what_probes_ports_is_told_of(machine: Machine, name: str, unit: str) -> None:
    """With the command that ends it for good."""
    check = strangers(machine(running(name)), ANY)
    assert check.state is State.TO_DO
    assert "process 200" in check.found
    assert f"sudo systemctl disable --now {unit}" in check.do


def test_nobody_is_nobody(machine: Machine) -> None:
    """Other programs run everywhere."""
    check = strangers(machine(running("cat", "python3")), ANY)
    assert check.state is State.GOOD
    assert strangers(machine({}), ANY).state is State.CANNOT_TELL


def modem_machine(machine: Machine, said: str = "") -> Here:
    usb = "/sys/devices/pci/usb1/1-2"
    return machine(
        {
            **running("ModemManager"),
            "/dev/ttyACM0": "",
            f"{usb}/idVendor": "1209",
            f"{usb}/idProduct": "0001",
            f"{usb}/dev": "189:5\n",
            f"{usb}/1-2:1.0/bInterfaceClass": "02",
            f"{usb}/1-2:1.0/bInterfaceSubClass": "02",
            f"{usb}/1-2:1.0/bInterfaceProtocol": "01",
            f"{usb}/1-2:1.0/tty/ttyACM0/dev": "166:0\n",
            f"{usb}/1-2:1.0/tty/ttyACM0/device": "->../../../1-2:1.0",
            "/sys/class/tty/ttyACM0": "->../../devices/pci/usb1/1-2/1-2:1.0/tty/ttyACM0",
            "/sys/bus/usb/devices/1-2": "->../../../devices/pci/usb1/1-2",
            "/run/udev/data/c189:5": said,
        },
        uid=STRANGER,
        groups=(MINE,),
    )


def test_a_modem_manager_can_be_told_to_spare_the_sweeper(machine: Machine) -> None:
    """A rule for its ids; once that is in udev's database there is nothing to do."""
    check = strangers(modem_machine(machine), ANY)
    assert check.state is State.TO_DO
    rule = 'ATTRS{idVendor}=="1209", ATTRS{idProduct}=="0001", ENV{ID_MM_DEVICE_IGNORE}="1"'
    assert rule in check.do
    spared = modem_machine(machine, "E:ID_BUS=usb\nE:ID_MM_DEVICE_IGNORE=1\n")
    assert strangers(spared, ANY).state is State.GOOD


def test_a_login_prompt_on_the_port_is_told_of(machine: Machine) -> None:
    """As card-sized computers have one on their own serial port."""
    here = machine(
        {**running("agetty", words="/sbin/agetty -L ttyAMA0 115200"), "/dev/ttyAMA0": ""}
    )
    check = strangers(here, ANY)
    assert check.state is State.TO_DO
    assert "a login prompt runs on /dev/ttyAMA0 (process 200)" in check.found
    assert "serial-getty@ttyAMA0.service" in check.do


def test_who_has_the_port_open_is_named(machine: Machine) -> None:
    """Unless it is a station of ours."""
    files = {**running("terminal"), "/dev/ttyUSB0": ""}
    here = machine({**files, "/proc/200/fd/": ""})
    (here.root / "proc/200/fd/3").symlink_to("/dev/ttyUSB0")
    check = strangers(here, ANY)
    assert check.state is State.TO_DO
    assert check.found == "/dev/ttyUSB0 is open in terminal, process 200"
    (here.root / "proc/200/comm").write_text("acqd\n")
    assert strangers(here, ANY).state is State.GOOD
