"""Will this machine stay awake: lid, idle suspend, sleep as such.

The login manager's settings are read as logind.conf(5) and sleep.conf(5) of systemd say (from
memory: main file first, then drop-ins of all folders in the order of their names, /etc before /run
before /usr for one name).

Limits: of a desktop's own idle suspend only what ``gsettings`` tells is known, and that of the user
who asks; other desktops are not read. A lid that a firmware acts on by itself is nobody's to see.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from acqd.host.checks import HostCheck, good, to_do, unknown
from acqd.host.here import Here
from acqd.host.needs import Needs

__all__ = ["MASK", "ini_values", "lid", "never_sleeps", "sleeps", "unit_settings"]

LID: Final = "lid"
SLEEP: Final = "sleep"

FOLDERS: Final = ("/etc/systemd", "/run/systemd", "/usr/local/lib/systemd", "/usr/lib/systemd")
SLEEP_TARGETS: Final = ("sleep.target", "suspend.target", "hibernate.target", "hybrid-sleep.target")
MASK: Final = f"`sudo systemctl mask {' '.join(SLEEP_TARGETS)}`"
HARMLESS: Final = frozenset({"ignore", "lock"})


def ini_values(text: str, section: str) -> dict[str, str]:
    """The keys of one section of a file in systemd's form; the last of a key holds, and an empty
    value takes back what was said before."""
    found: dict[str, str] = {}
    inside = False
    for raw in text.splitlines():
        line = raw.strip()
        if not line or line[0] in "#;":
            continue
        if line.startswith("["):
            inside = line == f"[{section}]"
        elif inside and "=" in line:
            key, _, value = line.partition("=")
            found[key.strip()] = value.strip()
    return found


def unit_settings(here: Here, name: str, section: str) -> Mapping[str, str]:
    """What ``NAME.conf`` and its drop-ins come to."""
    files = [f"{folder}/{name}" for folder in FOLDERS if here.text(f"{folder}/{name}") is not None][
        :1
    ]
    dropped: dict[str, str] = {}
    for folder in FOLDERS:
        for one in here.names(f"{folder}/{name}.d"):
            if one.endswith(".conf"):
                dropped.setdefault(one, f"{folder}/{name}.d/{one}")
    files += [dropped[one] for one in sorted(dropped)]
    settings: dict[str, str] = {}
    for file in files:
        settings |= ini_values(here.text(file) or "", section)
    return {key: value for key, value in settings.items() if value}


def _has_lid(here: Here) -> bool | None:
    if here.names("/proc/acpi/button/lid"):
        return True
    inputs = here.text("/proc/bus/input/devices")
    if inputs is not None:
        return "Lid Switch" in inputs
    return None


def lid(here: Here) -> HostCheck:
    """What happens when the lid is closed."""
    has_lid = _has_lid(here)
    if has_lid is None:
        return unknown(LID, "this system does not say whether there is a lid")
    if not has_lid:
        return good(LID, "no lid")
    if never_sleeps(here):
        return good(LID, "there is a lid, and sleep is switched off")
    settings = unit_settings(here, "logind.conf", "Login")
    on_battery = settings.get("HandleLidSwitch", "suspend")
    on_mains = settings.get("HandleLidSwitchExternalPower", on_battery)
    if on_battery in HARMLESS and on_mains in HARMLESS:
        return good(LID, f"closing the lid does nothing ({on_battery})")
    return to_do(
        LID,
        f"closing the lid means {on_mains} on mains and {on_battery} on battery",
        "leave it open, or `sudo mkdir -p /etc/systemd/logind.conf.d`, `printf "
        "'[Login]\\nHandleLidSwitch=ignore\\nHandleLidSwitchExternalPower=ignore\\n' | sudo tee "
        "/etc/systemd/logind.conf.d/acqd.conf`, and restart the machine; while `acqd run` keeps "
        "the machine awake the lid is held off too",
    )


def _masked(here: Here) -> bool:
    """Whether none of the ways to sleep can be taken."""
    return all(
        any(
            here.link(f"{folder}/{target}") == "/dev/null"
            for folder in ("/etc/systemd/system", "/run/systemd/system")
        )
        for target in ("suspend.target", "hibernate.target", "hybrid-sleep.target")
    )


def never_sleeps(here: Here) -> str:
    """Why this machine never sleeps, whoever asks; empty where it can."""
    states = here.text("/sys/power/state")
    if states is not None and not states.split():
        return "the kernel of this machine knows no sleep"
    if states is None and here.exists("/sys/kernel"):
        return "the kernel of this machine was built without sleep"
    if _masked(here):
        return "the sleep targets are masked"
    if unit_settings(here, "sleep.conf", "Sleep").get("AllowSuspend", "").lower() in (
        "no",
        "false",
    ):
        return "suspend is not allowed (AllowSuspend=no)"
    return ""


def sleeps(here: Here, needs: Needs, *, held: bool | None = None) -> HostCheck:
    """Whether it may fall asleep, and whether a station can hold it awake.

    ``held`` says whether this user was just allowed to; None where that was not tried.
    """
    why = never_sleeps(here)
    if why:
        return good(SLEEP, why)
    when = _when_idle(here)
    if needs.keep_awake and held:
        return good(SLEEP, f"{when}; while it runs `acqd run` keeps the machine awake")
    if not needs.keep_awake:
        return to_do(
            SLEEP,
            f"{when}, and `keep_awake = false` leaves it so",
            f"`keep_awake = true` in [station], or {MASK}",
        )
    if held is None:
        return unknown(SLEEP, f"{when}; whether acqd may keep it awake was not tried", MASK)
    return to_do(
        SLEEP,
        f"{when}, and this user may not keep the machine awake (it can be so over ssh, and of a "
        f"service of a user who is not logged in)",
        f"{MASK}, on a machine that need not sleep",
    )


def _when_idle(here: Here) -> str:
    said = []
    action = unit_settings(here, "logind.conf", "Login").get("IdleAction", "ignore")
    if action not in HARMLESS:
        said.append(f"left idle it would {action}")
    desktop = _desktop_suspends_after_s(here)
    if desktop:
        said.append(f"the desktop suspends it after {desktop / 60:.0f} min without anybody there")
    return " and ".join(said) or "it can be put to sleep"


def _desktop_suspends_after_s(here: Here) -> int:
    """After how long on mains the desktop of this user suspends; 0 where it does not, or is not
    known."""
    if not here.environ.get("DBUS_SESSION_BUS_ADDRESS"):
        return 0
    schema = "org.gnome.settings-daemon.plugins.power"
    kind = here.asked(["gsettings", "get", schema, "sleep-inactive-ac-type"]) or ""
    after = here.asked(["gsettings", "get", schema, "sleep-inactive-ac-timeout"]) or ""
    number = re.search(r"\d+", after)
    return int(number[0]) if "nothing" not in kind and kind and number else 0
