"""Power, heat, and updates that start the machine anew.

Limits: what the kernel tells. Under-voltage is seen by its alarms in hwmon and by the flags that
the firmware of some card-sized computers hands out through sysfs (bits from memory: 0 under-voltage
now, 2 throttled now, 16 and 18 the same since the start).
"""

from __future__ import annotations

import re
from typing import Final

from acqd.host.checks import HostCheck, good, to_do, unknown
from acqd.host.here import Here

__all__ = ["apt_values", "heat", "mains", "updates"]

MAINS: Final = "power"
HEAT: Final = "heat"
UPDATES: Final = "restarts for updates"

FIRMWARE_FLAGS: Final = "/sys/devices/platform/soc/soc:firmware/get_throttled"
UNDER_VOLTAGE_NOW, THROTTLED_NOW = 1 << 0, 1 << 2
UNDER_VOLTAGE_SEEN, THROTTLED_SEEN = 1 << 16, 1 << 18
NEAR_TRIP_K: Final = 5.0
BETTER_SUPPLY: Final = (
    "take a stronger supply and a short, thick cable, and give sweepers on USB a hub with a "
    "supply of its own"
)


def _firmware_flags(here: Here) -> int:
    try:
        return int(here.line(FIRMWARE_FLAGS) or "0", 16)
    except ValueError:
        return 0


def _voltage_alarm(here: Here) -> str:
    """The first alarm of a supply's voltage that is set."""
    for sensor in here.names("/sys/class/hwmon"):
        folder = f"/sys/class/hwmon/{sensor}"
        for name in here.names(folder):
            if re.fullmatch(r"in[0-9]+_(lcrit|min)_alarm", name) and here.number(
                f"{folder}/{name}"
            ):
                return f"{here.line(f'{folder}/name') or sensor} {name.partition('_')[0]}"
    return ""


def mains(here: Here) -> HostCheck:
    """Under-voltage, and running from a battery."""
    flags, alarm = _firmware_flags(here), _voltage_alarm(here)
    if flags & UNDER_VOLTAGE_NOW or alarm:
        of = f" (sensor {alarm})" if alarm else ""
        return to_do(MAINS, f"the supply's voltage is, or was, too low{of}", BETTER_SUPPLY)
    if flags & UNDER_VOLTAGE_SEEN:
        return to_do(
            MAINS, "the supply's voltage was too low at some time since the start", BETTER_SUPPLY
        )
    kinds = {name: here.line(f"/sys/class/power_supply/{name}/type") for name in _supplies(here)}
    outside = [name for name, kind in kinds.items() if kind in ("Mains", "USB")]
    on = [name for name in outside if here.number(f"/sys/class/power_supply/{name}/online")]
    batteries = [name for name, kind in kinds.items() if kind == "Battery" and _powers(here, name)]
    if batteries and not on and (outside or _drains(here, batteries)):
        left = here.number(f"/sys/class/power_supply/{batteries[0]}/capacity")
        charge = "" if left is None else f", {left} % left"
        return to_do(MAINS, f"running from the battery{charge}", "plug the charger in")
    if batteries:
        return good(MAINS, "on mains, with a battery for a power cut")
    return good(MAINS, "nothing tells of a battery or of too low a voltage")


def _supplies(here: Here) -> list[str]:
    return here.names("/sys/class/power_supply")


def _powers(here: Here, name: str) -> bool:
    """Whether it is the machine's own battery, not that of a mouse."""
    return here.line(f"/sys/class/power_supply/{name}/scope") != "Device"


def _drains(here: Here, batteries: list[str]) -> bool:
    return any(
        here.line(f"/sys/class/power_supply/{name}/status") == "Discharging" for name in batteries
    )


def heat(here: Here) -> HostCheck:
    """Slowed down by heat, or near it."""
    flags = _firmware_flags(here)
    cooler = "give it air or a heat sink, and keep it out of the sun"
    if flags & THROTTLED_NOW:
        return to_do(HEAT, "the processor is slowed down now", cooler)
    zones = [one for one in here.names("/sys/class/thermal") if one.startswith("thermal_zone")]
    read = {zone: here.number(f"/sys/class/thermal/{zone}/temp") for zone in zones}
    for zone, temperature in read.items():
        trip = _lowest_trip(here, zone)
        if temperature is not None and trip is not None:
            below_k = (trip - temperature) / 1000.0
            if below_k < NEAR_TRIP_K:
                return to_do(
                    HEAT,
                    f"{here.line(f'/sys/class/thermal/{zone}/type') or zone} is at "
                    f"{temperature / 1000.0:.0f} °C; at {trip / 1000.0:.0f} °C it is slowed down",
                    cooler,
                )
    if flags & THROTTLED_SEEN:
        return to_do(HEAT, "the processor was slowed down at some time since the start", cooler)
    known = [value for value in read.values() if value is not None]
    if not known:
        return unknown(HEAT, "this machine tells of no temperature")
    return good(HEAT, f"at most {max(known) / 1000.0:.0f} °C")


def _lowest_trip(here: Here, zone: str) -> int | None:
    """Where the kernel slows down, in thousandths of a degree; None where it never does."""
    folder = f"/sys/class/thermal/{zone}"
    trips = []
    for name in here.names(folder):
        match = re.fullmatch(r"trip_point_([0-9]+)_type", name)
        if match and here.line(f"{folder}/{name}") in ("passive", "hot", "critical"):
            at = here.number(f"{folder}/trip_point_{match[1]}_temp")
            if at is not None and at > 0:
                trips.append(at)
    return min(trips, default=None)


_APT = re.compile(
    r'//[^\n]*|/\*.*?\*/|#[^\n]*|"(?P<text>[^"]*)"|(?P<mark>[{};])|(?P<name>[^\s{};"]+)', re.DOTALL
)


def apt_values(text: str) -> dict[str, str]:
    """The values of a file in the form of apt.conf(5), by their whole names in small letters.

    Lists keep their last entry, which is all that is asked of them here.
    """
    found: dict[str, str] = {}
    scopes: list[str] = []
    name, value = "", None
    for match in _APT.finditer(text):
        if match["name"]:
            name, value = match["name"], None
        elif match["text"] is not None:
            value = match["text"]
        elif match["mark"] == "{":
            scopes.append(name)
            name, value = "", None
        else:
            if value is not None and name:
                found["::".join([*filter(None, scopes), name]).lower()] = value
            if match["mark"] == "}" and scopes:
                scopes.pop()
            name, value = "", None
    return found


def updates(here: Here) -> HostCheck:
    """Whether unattended updates start the machine anew in the night."""
    settings: dict[str, str] = {}
    folder = "/etc/apt/apt.conf.d"
    files = [
        f"{folder}/{name}"
        for name in here.names(folder)
        if "." not in name or name.endswith(".conf")
    ]
    for file in files:
        settings |= apt_values(here.text(file) or "")
    if files:
        runs = settings.get("apt::periodic::unattended-upgrade", "0") not in ("0", "")
        restarts = settings.get("unattended-upgrade::automatic-reboot", "false").lower()
        if runs and restarts in ("true", "1", "yes", "on", "with"):
            at = settings.get("unattended-upgrade::automatic-reboot-time", "now")
            return to_do(
                UPDATES,
                f"updates may start this machine anew by themselves (at: {at})",
                "`echo 'Unattended-Upgrade::Automatic-Reboot \"false\";' | sudo tee "
                "/etc/apt/apt.conf.d/99acqd`; with the service of acqd it costs minutes",
            )
        said = "they are installed by themselves, without a restart" if runs else "none by itself"
        return good(UPDATES, f"updates: {said}")
    other = here.text("/etc/dnf/automatic.conf")
    if other is not None:
        match = re.search(r"^\s*reboot\s*=\s*(\S+)", other, re.MULTILINE)
        if match and match[1] != "never":
            return to_do(
                UPDATES,
                f"updates may start this machine anew by themselves (reboot = {match[1]})",
                "`reboot = never` in /etc/dnf/automatic.conf",
            )
        return good(UPDATES, "updates start nothing anew by themselves")
    return unknown(UPDATES, "what updates do by themselves is not known on this system")
