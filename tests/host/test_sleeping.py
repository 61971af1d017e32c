"""Whether a machine stays awake, by the settings of its login manager."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from acqd.host.checks import State
from acqd.host.here import Here
from acqd.host.needs import Needs
from acqd.host.sleeping import ini_values, lid, never_sleeps, sleeps, unit_settings

Machine = Callable[..., Here]

CAN_SLEEP = {"/sys/power/state": "freeze mem disk\n"}
HAS_LID = {**CAN_SLEEP, "/proc/acpi/button/lid/LID0/state": "state: open\n"}
ANY = Needs()


def test_a_section_is_read_as_systemd_does() -> None:
    """Comments, other sections and lines that say nothing are passed over; the last one holds."""
    text = (
        "[Login]\n#HandleLidSwitch=suspend\n; no\nHandleLidSwitch = lock\nHandleLidSwitch=ignore\n"
    )
    text += "[Other]\nHandleLidSwitch=suspend\nnothing\n[Login]\nIdleAction=\n"
    assert ini_values(text, "Login") == {"HandleLidSwitch": "ignore", "IdleAction": ""}


def test_drop_ins_win_in_the_order_of_their_names(machine: Machine) -> None:
    """Of one name that of /etc alone counts; an empty value takes back what was said."""
    here = machine(
        {
            "/etc/systemd/logind.conf": "[Login]\nHandleLidSwitch=lock\nIdleAction=suspend\n",
            "/usr/lib/systemd/logind.conf": "[Login]\nHandleLidSwitchDocked=lock\n",
            "/usr/lib/systemd/logind.conf.d/90-last.conf": "[Login]\nHandleLidSwitch=ignore\n",
            "/usr/lib/systemd/logind.conf.d/10-x.conf": "[Login]\nHandleLidSwitch=poweroff\n",
            "/etc/systemd/logind.conf.d/10-x.conf": "[Login]\nIdleAction=\n",
            "/etc/systemd/logind.conf.d/95-not.txt": "[Login]\nHandleLidSwitch=reboot\n",
        }
    )
    assert unit_settings(here, "logind.conf", "Login") == {"HandleLidSwitch": "ignore"}


def test_a_lid_means_sleep_unless_somebody_said_otherwise(machine: Machine) -> None:
    """The default of the login manager is no comment in its file."""
    check = lid(machine({**HAS_LID, "/etc/systemd/logind.conf": "[Login]\n#HandleLidSwitch=x\n"}))
    assert check.state is State.TO_DO
    assert check.found == "closing the lid means suspend on mains and suspend on battery"
    assert "HandleLidSwitch=ignore" in check.do


@pytest.mark.parametrize(
    ("settings", "state"),
    [
        ("HandleLidSwitch=ignore", State.GOOD),
        ("HandleLidSwitch=lock", State.GOOD),
        ("HandleLidSwitch=ignore\nHandleLidSwitchExternalPower=suspend", State.TO_DO),
        ("HandleLidSwitchExternalPower=ignore", State.TO_DO),
    ],
)
def test_lid_settings(machine: Machine, settings: str, state: State) -> None:
    """On mains and on battery."""
    here = machine({**HAS_LID, "/etc/systemd/logind.conf.d/a.conf": f"[Login]\n{settings}\n"})
    assert lid(here).state is state


def test_without_a_lid_there_is_nothing_to_do(machine: Machine) -> None:
    """By the kernel's list of inputs; without that nobody knows."""
    assert lid(machine({"/proc/bus/input/devices": 'N: Name="Power"\n'})).state is State.GOOD
    assert lid(machine({"/proc/bus/input/devices": 'N: Name="Lid Switch"\n'})).state is State.TO_DO
    assert lid(machine({})).state is State.CANNOT_TELL


def masked(*targets: str) -> dict[str, str]:
    return {f"/etc/systemd/system/{one}.target": "->/dev/null" for one in targets}


def test_a_machine_that_cannot_sleep_is_good(machine: Machine) -> None:
    """Masked, not allowed, or not known to the kernel; one way left is a way."""
    every = masked("suspend", "hibernate", "hybrid-sleep")
    assert never_sleeps(machine({**CAN_SLEEP, **every})) == "the sleep targets are masked"
    assert never_sleeps(machine({**CAN_SLEEP, **masked("suspend", "hibernate")})) == ""
    no = {"/etc/systemd/sleep.conf": "[Sleep]\nAllowSuspend=no\n"}
    assert "not allowed" in never_sleeps(machine({**CAN_SLEEP, **no}))
    assert never_sleeps(machine({"/sys/power/state": "\n"}))
    assert never_sleeps(machine({"/sys/kernel/": ""}))
    assert lid(machine({**HAS_LID, **every})).state is State.GOOD


def test_what_follows_from_whether_it_can_be_held(machine: Machine) -> None:
    """Held: good. Refused: masked targets are what is left. Not wanted: said."""
    here = machine(CAN_SLEEP)
    assert sleeps(here, ANY, held=True).state is State.GOOD
    refused = sleeps(here, ANY, held=False)
    assert refused.state is State.TO_DO
    assert "systemctl mask sleep.target suspend.target" in refused.do
    assert sleeps(here, ANY, held=None).state is State.CANNOT_TELL
    unwanted = sleeps(here, Needs(keep_awake=False), held=True)
    assert unwanted.state is State.TO_DO
    assert "`keep_awake = true`" in unwanted.do


def test_idle_action_is_told(machine: Machine) -> None:
    """Left alone for a night it would go to sleep."""
    idle = {"/etc/systemd/logind.conf": "[Login]\nIdleAction=suspend\n"}
    assert "left idle it would suspend" in sleeps(machine({**CAN_SLEEP, **idle}), ANY).found
