"""Power, heat and updates, on invented machines."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from acqd.host.checks import State
from acqd.host.here import Here
from acqd.host.power import apt_values, heat, mains, updates

Machine = Callable[..., Here]

FLAGS = "/sys/devices/platform/soc/soc:firmware/get_throttled"
SUPPLY = "/sys/class/power_supply"
ZONE = "/sys/class/thermal/thermal_zone0"


@pytest.mark.parametrize(
    ("flags", "power", "hot"),
    [
        ("0", State.GOOD, State.CANNOT_TELL),
        ("1", State.TO_DO, State.CANNOT_TELL),
        ("10000", State.TO_DO, State.CANNOT_TELL),
        ("4", State.GOOD, State.TO_DO),
        ("40000", State.GOOD, State.TO_DO),
        ("50005", State.TO_DO, State.TO_DO),
        ("nonsense", State.GOOD, State.CANNOT_TELL),
    ],
)
def test_the_firmwares_flags(machine: Machine, flags: str, power: State, hot: State) -> None:
    """Under-voltage and slowing down, now and since the start."""
    here = machine({FLAGS: f"{flags}\n"})
    assert mains(here).state is power
    assert heat(here).state is hot


def test_an_alarm_of_the_supply_is_told_of(machine: Machine) -> None:
    """Of a sensor with a name."""
    sensor = "/sys/class/hwmon/hwmon1"
    here = machine({f"{sensor}/name": "supply\n", f"{sensor}/in0_lcrit_alarm": "1\n"})
    assert mains(here).state is State.TO_DO
    assert "sensor supply in0" in mains(here).found
    quiet = machine({f"{sensor}/name": "supply\n", f"{sensor}/in0_lcrit_alarm": "0\n"})
    assert mains(quiet).state is State.GOOD


def supplies(online: str, status: str, *, mouse: bool = False) -> dict[str, str]:
    files = {
        f"{SUPPLY}/AC/type": "Mains\n",
        f"{SUPPLY}/AC/online": f"{online}\n",
        f"{SUPPLY}/BAT0/type": "Battery\n",
        f"{SUPPLY}/BAT0/status": f"{status}\n",
        f"{SUPPLY}/BAT0/capacity": "64\n",
    }
    return files | ({f"{SUPPLY}/BAT0/scope": "Device\n"} if mouse else {})


def test_a_night_on_the_battery_is_told_of(machine: Machine) -> None:
    """That of a mouse is not the machine's."""
    check = mains(machine(supplies("0", "Discharging")))
    assert check.state is State.TO_DO
    assert check.found == "running from the battery, 64 % left"
    assert mains(machine(supplies("1", "Full"))).state is State.GOOD
    assert mains(machine(supplies("0", "Discharging", mouse=True))).state is State.GOOD


@pytest.mark.parametrize(
    ("now", "kind", "state"),
    [
        ("60000", "passive", State.GOOD),
        ("78000", "passive", State.TO_DO),
        ("78000", "active", State.GOOD),
        ("x", "passive", State.CANNOT_TELL),
    ],
)
def test_near_the_temperature_where_it_slows_down(
    machine: Machine, now: str, kind: str, state: State
) -> None:
    """A fan that begins to turn is no trouble."""
    files = {
        f"{ZONE}/type": "cpu-thermal\n",
        f"{ZONE}/temp": f"{now}\n",
        f"{ZONE}/trip_point_0_type": f"{kind}\n",
        f"{ZONE}/trip_point_0_temp": "80000\n",
    }
    check = heat(machine(files))
    assert check.state is state
    if state is State.TO_DO:
        assert check.found == "cpu-thermal is at 78 °C; at 80 °C it is slowed down"


def test_apt_files_are_read_in_both_their_forms() -> None:
    """Names in one piece or nested, with comments of every kind, unfinished ones too."""
    text = """\
// "Unattended-Upgrade::Automatic-Reboot" "no";
# A::B "no";
/* C::D "no"; */
APT::Periodic::Unattended-Upgrade "1";
Unattended-Upgrade {
  Allowed-Origins { "x:y"; "z"; };
  Automatic-Reboot "true";  // yes
};
Last::One "kept
"""
    values = apt_values(text)
    assert values["apt::periodic::unattended-upgrade"] == "1"
    assert values["unattended-upgrade::automatic-reboot"] == "true"
    assert not any(value == "no" for value in values.values())


@pytest.mark.parametrize(
    ("runs", "reboot", "state"),
    [("1", "true", State.TO_DO), ("1", "false", State.GOOD), ("0", "true", State.GOOD)],
)
def test_updates_that_start_the_machine_anew(
    machine: Machine, runs: str, reboot: str, state: State
) -> None:
    """Only where they are installed by themselves at all."""
    here = machine(
        {
            "/etc/apt/apt.conf.d/20auto": f'APT::Periodic::Unattended-Upgrade "{runs}";\n',
            "/etc/apt/apt.conf.d/50un": f'Unattended-Upgrade::Automatic-Reboot "{reboot}";\n'
            'Unattended-Upgrade::Automatic-Reboot-Time "02:00";\n',
            "/etc/apt/apt.conf.d/50un.bak": 'Unattended-Upgrade::Automatic-Reboot "true";\n',
        }
    )
    check = updates(here)
    assert check.state is state
    if state is State.TO_DO:
        assert "(at: 02:00)" in check.found


def test_updates_of_other_systems(machine: Machine) -> None:
    """Where the other usual file is, and where nothing is known."""
    never = machine({"/etc/dnf/automatic.conf": "[commands]\nreboot = never\n"})
    needed = machine({"/etc/dnf/automatic.conf": "[commands]\nreboot = when-needed\n"})
    assert updates(never).state is State.GOOD
    assert updates(needed).state is State.TO_DO
    assert updates(machine({})).state is State.CANNOT_TELL
