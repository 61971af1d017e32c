"""Whose archive it is: the station's name, title and clock, as the archive itself knows them."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from acqd.archive.layout import list_days, list_files, list_jobs
from acqd.archive.reader import Archive
from acqd.archive.sweepfile import SweepFile
from acqd.errors import ArchiveDamaged
from acqd.plan.downtime import plan_from_json, plan_station

__all__ = ["Whose", "whose"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Whose:
    """``zone`` is an IANA name. ``limits`` say what had to be guessed."""

    name: str
    title: str
    zone: str
    limits: tuple[str, ...] = ()


def whose(archive: Archive) -> Whose:
    """By the newest plan in the ledger that says it; an older archive knows the zone of its plan's
    windows and the name in its files; one without either goes by its folder, and by UTC."""
    plans = [plan for _, plan in reversed(archive.plans())]
    for plan in plans:
        told = _station(plan)
        if told.get("name"):
            zone = told.get("time_zone") or "UTC"
            known = _is_zone(zone)
            return Whose(
                name=told["name"],
                title=told.get("title") or told["name"],
                zone=zone if known else "UTC",
                limits=() if known else (_unknown_zone(zone),),
            )
    name = _name_in_files(archive) or archive.root.name
    zone = next((found for plan in plans if (found := _zone_of_windows(plan))), "")
    if zone and _is_zone(zone):
        return Whose(name=name, title=name, zone=zone)
    limit = "The archive does not say on which clock the station goes: times are in UTC."
    return Whose(name=name, title=name, zone="UTC", limits=(limit,))


def _unknown_zone(zone: str) -> str:
    return f"This machine knows no time zone {zone!r}: times are in UTC."


def _is_zone(zone: str) -> bool:
    try:
        ZoneInfo(zone)
    except (KeyError, ValueError, OSError):
        return False
    return True


def _station(plan: str) -> dict[str, str]:
    try:
        return plan_station(plan)
    except ValueError:
        return {}


def _zone_of_windows(plan: str) -> str:
    """The zone that a plan's windows are told in, which is the station's."""
    try:
        zones = {job.schedule.zone for job in plan_from_json(plan)}
    except ValueError:
        return ""
    return zones.pop() if len(zones) == 1 else ""


def _name_in_files(archive: Archive) -> str:
    for job in list_jobs(archive.root):
        for day in reversed(list_days(archive.root, job)):
            for path, _ in list_files(archive.root, job, day):
                try:
                    with SweepFile(path) as file:
                        return str(file.attribute("station") or "")
                except (FileNotFoundError, ArchiveDamaged):
                    continue
    return ""
