"""Whether a machine knows what time it is, on invented ones."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from acqd.host.checks import State
from acqd.host.clocks import clock_is_kept, machine_zone, time_is_synchronised, zone_is_known
from acqd.host.here import Here
from acqd.host.needs import Needs

Machine = Callable[..., Here]
NOW_S = 1.8e9


def test_the_kernels_word_is_taken(machine: Machine) -> None:
    """Synchronised, not, or nobody knows."""
    assert time_is_synchronised(machine(synchronised=True)).state is State.GOOD
    assert time_is_synchronised(machine(synchronised=None)).state is State.CANNOT_TELL
    check = time_is_synchronised(machine(synchronised=False))
    assert check.state is State.TO_DO
    assert "timedatectl set-ntp true" in check.do


def test_a_time_service_that_has_not_got_the_time_is_named(machine: Machine) -> None:
    """Then it is no use to install one."""
    check = time_is_synchronised(machine({"/proc/7/comm": "chronyd\n"}, synchronised=False))
    assert check.state is State.TO_DO
    assert "a time service runs (chronyd)" in check.found
    assert "apt install" not in check.do


def test_a_machine_without_a_hardware_clock_is_told_of(machine: Machine) -> None:
    """As most card-sized computers are: cold it begins with an old date."""
    check = clock_is_kept(machine({"/sys/class/": "", "/proc/cpuinfo": "Features\t: fp asimd\n"}))
    assert check.state is State.TO_DO
    assert "after a power cut the date is an old one" in check.found


def test_a_virtual_machine_gets_the_time_from_its_host(machine: Machine) -> None:
    """It has no hardware clock either."""
    cpu = "processor\t: 0\nflags\t\t: fpu hypervisor sse\n"
    check = clock_is_kept(machine({"/sys/class/": "", "/proc/cpuinfo": cpu}))
    assert check.state is State.GOOD


@pytest.mark.parametrize(
    ("epoch_s", "state"),
    [
        (f"{NOW_S:.0f}", State.GOOD),
        (f"{NOW_S + 3600 * 13:.0f}", State.GOOD),
        ("946684800", State.TO_DO),
        ("", State.TO_DO),
    ],
)
def test_the_hardware_clock_has_the_date_or_an_empty_battery(
    machine: Machine, epoch_s: str, state: State
) -> None:
    """In local time it may be hours off; years are a battery."""
    here = machine({"/sys/class/rtc/rtc0/since_epoch": f"{epoch_s}\n"}, wall_s=NOW_S)
    check = clock_is_kept(here)
    assert check.state is state
    if state is State.TO_DO:
        assert "batter" in check.found + check.do


def test_nothing_known_is_nothing_said(machine: Machine) -> None:
    """Without /sys nobody can tell."""
    assert clock_is_kept(machine({})).state is State.CANNOT_TELL


def test_the_machines_zone_is_found(machine: Machine) -> None:
    """The environment first, then the link, then the file; what is no zone is passed over."""
    link = {"/etc/localtime": "->/usr/share/zoneinfo/Europe/Dublin"}
    file = {"/etc/timezone": "Atlantic/Faroe\n"}
    assert machine_zone(machine(link)) == "Europe/Dublin"
    assert machine_zone(machine({**link, **file})) == "Europe/Dublin"
    assert machine_zone(machine(file)) == "Atlantic/Faroe"
    assert machine_zone(machine(link, environ={"TZ": ":Europe/Lisbon"})) == "Europe/Lisbon"
    assert machine_zone(machine(link, environ={"TZ": "CET-1CEST,x"})) == "Europe/Dublin"
    assert machine_zone(machine({"/etc/timezone": "../../etc/passwd\n"})) is None
    assert machine_zone(machine({})) is None


def test_a_zone_is_asked_for_where_there_is_none(machine: Machine) -> None:
    """Unless the config names one."""
    check = zone_is_known(machine({}), Needs())
    assert check.state is State.TO_DO
    assert "timedatectl set-timezone" in check.do
    named = zone_is_known(machine({}), Needs(time_zone="Europe/London"))
    assert named.state is State.GOOD
    other = machine({"/etc/timezone": "Europe/Dublin\n"})
    assert (
        "this machine's is Europe/Dublin"
        in zone_is_known(other, Needs(time_zone="Europe/London")).found
    )
