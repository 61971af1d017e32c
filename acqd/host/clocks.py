"""Does this machine know what time it is, now and after a power cut?"""

from __future__ import annotations

import re
from typing import Final
from zoneinfo import ZoneInfo

from acqd.host.checks import HostCheck, good, to_do, unknown
from acqd.host.here import Here
from acqd.host.needs import Needs

__all__ = ["clock_is_kept", "machine_zone", "time_is_synchronised", "zone_is_known"]

SYNCHRONISED: Final = "clock synchronised"
BATTERY: Final = "clock across a power cut"
ZONE: Final = "time zone"

TIME_SERVICES: Final = frozenset(
    {"systemd-timesyn", "chronyd", "ntpd", "ntpd-rs-daemon", "openntpd", "ptp4l", "phc2sys"}
)
"""Names of processes, cut at 15 letters as the kernel does, that set clocks by the network."""
OFF_MOST_S: Final = 86_400.0
"""A hardware clock may run in local time, half a day off; more than a day is a wrong one."""
STARTS_WITHOUT: Final = (
    "fit a clock module, or keep a time server in reach; sweeps until then are marked, and can be "
    "told by it"
)


def time_is_synchronised(here: Here) -> HostCheck:
    """The kernel's own word (adjtimex), which every time service sets."""
    synchronised = here.clock.synchronised()
    if synchronised:
        return good(SYNCHRONISED, "the kernel says that its clock is synchronised")
    running = sorted({one.name for one in here.processes()} & TIME_SERVICES)
    if synchronised is None:
        return unknown(SYNCHRONISED, "this system does not say whether its clock is synchronised")
    if running:
        return to_do(
            SYNCHRONISED,
            f"the clock is not synchronised, though a time service runs ({', '.join(running)})",
            "wait a minute after boot; else see whether it reaches a server: `timedatectl "
            "timesync-status`, or that service's own command",
        )
    return to_do(
        SYNCHRONISED,
        "the clock is not synchronised and no time service was seen",
        "`sudo apt install systemd-timesyncd` where it is missing, then `sudo timedatectl set-ntp "
        "true`; without a network set it by hand, and every sweep is marked",
    )


def clock_is_kept(here: Here) -> HostCheck:
    """Whether a clock runs on while the power is off."""
    devices = here.names("/sys/class/rtc")
    if not devices:
        if _is_virtual(here):
            return good(BATTERY, "a virtual machine: its host gives the time at boot")
        if not here.exists("/sys/class"):
            return unknown(BATTERY, "this system does not list its hardware clocks (/sys)")
        return to_do(
            BATTERY,
            "no hardware clock: after a power cut the date is an old one until the network gives "
            "the time",
            STARTS_WITHOUT,
        )
    kept_s = here.number(f"/sys/class/rtc/{devices[0]}/since_epoch")
    off_s = None if kept_s is None else kept_s - here.clock.wall_s()
    if off_s is None:
        return to_do(
            BATTERY,
            f"the hardware clock {devices[0]} holds no time: its battery may be empty, or missing",
            f"change the battery, `sudo hwclock --systohc`; until then: {STARTS_WITHOUT}",
        )
    if abs(off_s) > OFF_MOST_S:
        return to_do(
            BATTERY,
            f"the hardware clock {devices[0]} is {abs(off_s) / 86_400.0:.0f} days off",
            "`sudo hwclock --systohc`; where it is off again after the next boot, its battery is "
            "empty",
        )
    return good(BATTERY, f"the hardware clock {devices[0]} has the date")


def _is_virtual(here: Here) -> bool:
    """Whether the processor says that a hypervisor is under it."""
    flags = re.search(r"^flags\s*:(.*)$", here.text("/proc/cpuinfo") or "", re.MULTILINE)
    return flags is not None and "hypervisor" in flags[1].split()


def machine_zone(here: Here) -> str | None:
    """The time zone of the machine, by its name in the IANA database; None where nobody knows."""
    said = here.environ.get("TZ", "").removeprefix(":")
    link = here.link("/etc/localtime") or ""
    linked = link.partition("zoneinfo/")[2]
    for name in (said, linked, here.line("/etc/timezone")):
        if name and _is_zone(name):
            return name
    return None


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return False
    return True


def zone_is_known(here: Here, needs: Needs) -> HostCheck:
    """Whether the hours on pages are those of the people who read them."""
    zone, wanted = machine_zone(here), needs.time_zone
    if wanted is not None:
        beside = f"; this machine's is {zone}" if zone and zone != wanted else ""
        return good(ZONE, f"the config's pages and windows are in {wanted}{beside}")
    if zone is None:
        return to_do(
            ZONE,
            "this machine has no time zone with a name, so UTC is taken",
            '`sudo timedatectl set-timezone Europe/Dublin` (yours), or `time_zone = "…"` in '
            "[station]",
        )
    return good(ZONE, f"this machine's time zone is {zone}")
