"""All checks of the machine, in the order in which somebody would want to know."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from acqd.host import clocks, disk, ports, power, programs, sleeping
from acqd.host.checks import HostCheck, State, unknown
from acqd.host.here import Here
from acqd.host.loginmanager import may_keep_awake
from acqd.host.needs import Needs

__all__ = ["look", "short_lines"]

SHORT_MOST = 6


def look(
    needs: Needs | None = None,
    *,
    here: Here | None = None,
    measure: bool = True,
    is_running: bool = False,
) -> tuple[HostCheck, ...]:
    """Look at this machine, for a station that needs ``needs``.

    Takes a second or two, longer where the disk is slow or a broker does not answer; every wait is
    limited. Not to be called in an event loop.

    Args:
        needs: what is asked of the machine; None where nobody knows yet.
        here: another machine than this one, for tests.
        measure: also write to the disk to time it, and try whether sleep may be held off.
        is_running: the station of ``needs`` runs already, and with it its own broker.
    """
    asks, there = needs or Needs(), here or Here()
    held = may_keep_awake() if measure and there.is_real else None
    checks: list[tuple[str, Callable[[], HostCheck]]] = [
        (ports.RIGHTS, lambda: ports.rights(there, asks)),
        (ports.PROBED, lambda: ports.strangers(there, asks)),
        (clocks.SYNCHRONISED, lambda: clocks.time_is_synchronised(there)),
        (clocks.BATTERY, lambda: clocks.clock_is_kept(there)),
        (clocks.ZONE, lambda: clocks.zone_is_known(there, asks)),
        (disk.KIND, lambda: disk.file_system(there, asks)),
        (disk.SPACE, lambda: disk.free_space(there, asks)),
        (sleeping.SLEEP, lambda: sleeping.sleeps(there, asks, held=held)),
        (sleeping.LID, lambda: sleeping.lid(there)),
        (power.MAINS, lambda: power.mains(there)),
        (power.HEAT, lambda: power.heat(there)),
        (power.UPDATES, lambda: power.updates(there)),
        (programs.BROKER, lambda: programs.broker(there, asks, is_running=is_running)),
        (programs.LIBRARIES, lambda: programs.libraries(there)),
    ]
    if measure:
        checks.insert(7, (disk.SPEED, lambda: disk.synced_writes(there, asks)))
    return tuple(_looked(name, check) for name, check in checks)


def _looked(name: str, check: Callable[[], HostCheck]) -> HostCheck:
    """What the system denies to one check is no reason to leave out the others."""
    try:
        return check()
    except OSError as exc:
        return unknown(name, f"this system does not let it be seen: {exc.strerror or exc}")


def short_lines(checks: Iterable[HostCheck], *, most: int = SHORT_MOST) -> tuple[str, ...]:
    """What there is to do, a line each, for somebody who is about to begin; empty where nothing.

    Where there are more than ``most``, the last line says how many are left out.
    """
    lines = [f"{one.name}: {one.found}; {one.do}" for one in checks if one.state is State.TO_DO]
    if len(lines) <= most:
        return tuple(lines)
    return (*lines[: most - 1], f"and {len(lines) - most + 1} more: `acqd check --host`")
