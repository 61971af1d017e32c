"""Where a job's reports lie, which time the next one is about, and what is known of those made.

Reports of a job are ``JOB-2026-06-15-0600.html`` in the archive's folder ``reports``, by the
station's clock at the end of the time that they are about. ``JOB.json`` beside them lists those
that the station made, the newest last, and since when it makes them; what is not in it is never
touched.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from acqd.plan.schedule import Schedule
from acqd.plan.walltime import DAY_S, US, ceil_us, floor_us, local_day, seconds, wall_us

__all__ = ["FOLDER", "Period", "ReportRule", "ReportShelf", "finished_period"]

FOLDER = "reports"
LOOK_BACK_S = 14 * 86_400.0
"""A window that ended longer ago gets no report any more."""
LONGEST_WINDOW_S = 26 * 3600.0
"""What is open for longer is no night: its reports are of days. One hour more than a day has where
the clock is put back."""
TEXT_MOST = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportRule:
    """What the config says of a job's reports. ``at_s``: seconds after local midnight."""

    at_s: int
    keep: int
    title: str


@dataclass(frozen=True, slots=True, order=True)
class Period:
    """The time that a report is about, [from_s, to_s) in seconds since 1970."""

    from_s: float
    to_s: float


def finished_period(schedule: Schedule, *, at_s: int, now_s: float) -> Period | None:
    """The newest window of a schedule that has ended by ``now_s``; a day up to ``at_s`` after local
    midnight where it has no windows, or they leave no gap. None where there is none.

    Windows that touch are one. A day in which the schedule was never open does not count.
    """
    if schedule.windows:
        windows = _windows(schedule, now_s)
        if not windows:
            return None
        if windows[-1].to_s - windows[-1].from_s <= LONGEST_WINDOW_S:
            return next((one for one in reversed(windows) if one.to_s <= now_s), None)
    today = local_day(schedule.zone, floor_us(now_s))
    for back in range(2):
        to_us, from_us = (
            wall_us(schedule.zone, today - timedelta(days=days), at_s) for days in (back, back + 1)
        )
        if seconds(to_us) <= now_s:
            period = Period(seconds(from_us), seconds(to_us))
            is_open = schedule.open_between_s(period.from_s, period.to_s) > 0.0
            return period if is_open else None
    return None


def _windows(schedule: Schedule, now_s: float) -> list[Period]:
    """Those that began before now, not too long ago, joined where they touch."""
    low_us, now_us = ceil_us(now_s - LOOK_BACK_S), floor_us(now_s)
    joined: list[tuple[int, int]] = []
    for start_us, end_us in schedule.opening.spans(low_us):
        if joined and start_us == joined[-1][1]:
            joined[-1] = joined[-1][0], end_us
        elif start_us <= now_us:
            joined.append((start_us, end_us))
        if start_us > now_us + DAY_S * US:
            break
    return [Period(seconds(start_us), seconds(end_us)) for start_us, end_us in joined]


class ReportShelf:
    """The reports of one job. All methods go to the disk: not for the loop."""

    def __init__(self, folder: Path, job: str, rule: ReportRule, zone: str) -> None:
        self._folder = folder
        self._job = job
        self._rule = rule
        self._zone = zone
        self._index = folder / f"{job}.json"

    def name_of(self, period: Period) -> str:
        """The file's name, by the station's clock when the time that it is about has ended."""
        ended = datetime.fromtimestamp(period.to_s, UTC).astimezone(ZoneInfo(self._zone))
        return f"{self._job}-{ended:%Y-%m-%d-%H%M}.html"

    def begin(self, now_s: float) -> tuple[float, list[dict[str, Any]]]:
        """Since when reports of the job are made, and those that are there, the newest last.

        Raises:
            OSError: the folder cannot be made, or written to.
        """
        self._folder.mkdir(exist_ok=True)
        kept = self._read()
        if kept is None:
            self._write(now_s, [])
            return now_s, []
        since_s, made = kept
        return since_s, [one for one in made if (self._folder / one["file"]).is_file()]

    def put(self, made: Path, period: Period, *, at_s: float, headline: str) -> dict[str, Any]:
        """Put a report that was made in its place; what is told of it.

        Raises:
            OSError: it cannot be moved, read or listed.
        """
        name = self.name_of(period)
        place = self._folder / name
        os.replace(made, place)
        with place.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        entry = {
            "file": name,
            "at_s": at_s,
            "from_s": period.from_s,
            "to_s": period.to_s,
            "bytes": place.stat().st_size,
            "sha256": digest,
            "title": self._rule.title,
            "headline": headline[:TEXT_MOST],
        }
        since_s, before = self._read() or (at_s, [])
        several = [one for one in before if one["file"] != name] + [entry]
        several.sort(key=lambda one: float(one["to_s"]))
        gone, kept = several[: -self._rule.keep], several[-self._rule.keep :]
        self._write(since_s, kept)
        for one in gone:
            (self._folder / one["file"]).unlink(missing_ok=True)
        return entry

    def _read(self) -> tuple[float, list[dict[str, Any]]] | None:
        """None where there is no list, or nothing that anybody could read."""
        try:
            told = json.loads(self._index.read_text("utf-8"))
            return float(told["since_s"]), [_checked(one) for one in told["reports"]]
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return None

    def _write(self, since_s: float, reports: Sequence[Mapping[str, Any]]) -> None:
        text = json.dumps({"since_s": since_s, "reports": reports}, indent=1, ensure_ascii=False)
        temporary = self._index.with_name(f".{self._index.name}.new")
        temporary.write_text(f"{text}\n", "utf-8")
        os.replace(temporary, self._index)


def _checked(entry: Mapping[str, Any]) -> dict[str, Any]:
    name = str(entry["file"])
    if Path(name).name != name or not name.endswith(".html"):
        raise ValueError(f"no name of a report: {name!r}")
    return {
        "file": name,
        **{key: float(entry[key]) for key in ("at_s", "from_s", "to_s")},
        "bytes": int(entry["bytes"]),
        **{key: str(entry[key]) for key in ("sha256", "title", "headline")},
    }
