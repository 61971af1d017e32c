"""Which time a report is about: the last night, unless somebody says otherwise."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass

from acqd.archive.index import Wanted, find_pieces, open_journals
from acqd.archive.layout import list_days, list_files
from acqd.archive.reader import Archive
from acqd.archive.sweepfile import SweepFile
from acqd.errors import ArchiveDamaged, WrongUsage
from acqd.look.times import clock, date, moment_of
from acqd.plan.downtime import plan_from_json
from acqd.plan.jobs import PlannedJob
from acqd.plan.walltime import US

__all__ = ["DAY_S", "RangeFound", "default_range", "extent_s", "moment_in", "refuse_backwards"]

DAY_S = 86400.0

LONGEST_WINDOW_S = 36 * 3600.0
"""What is open for longer is no window that a report would be about, but a job that always runs."""

LONG_S = 600.0
"""Ranges from so long on are told to the minute, and end at one."""

NEAR_S = 60.0
"""An archive that ends, or begins, so near to a window's end, or start, holds all of it."""

LOOK_BACK_S = 14 * DAY_S
"""Windows that ended longer before the archive does are not looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeFound:
    """A range of time, and in words why it is this one. ``limits`` say what is missing of it."""

    start_s: float
    stop_s: float
    why: str
    limits: tuple[str, ...] = ()


def moment_in(text: str, zone: str, near_s: float, *, after_s: float | None = None) -> float:
    """Seconds since 1970 of a moment that a person wrote: ISO 8601, ``now``, or ``21:00``.

    A time of the clock, on that of ``zone``, is the last one not after ``near_s``; with
    ``after_s`` the first one after that moment. Without a zone of its own a date is in ``zone``.

    Raises:
        WrongUsage: it is none of these.
    """
    try:
        if after_s is None or ":" not in text or len(text) > len("21:05:30"):
            return moment_of(text, zone, now_s=near_s)
        # The last such time before the same time of the next day.
        found = moment_of(text, zone, now_s=after_s + DAY_S)
        return found if found > after_s else moment_of(text, zone, now_s=after_s + 1.5 * DAY_S)
    except ValueError as exc:
        raise WrongUsage(str(exc)) from exc


def refuse_backwards(
    start_s: float | None, stop_s: float | None, *, ends_s: float | None, zone: str
) -> None:
    """Refuse a range that ends before it begins, or begins where an archive has ended.

    Raises:
        WrongUsage: with both times on the clock of ``zone``.
    """
    if start_s is not None and stop_s is not None and stop_s < start_s:
        raise WrongUsage(
            f"the range ends before it begins: from {_told(start_s, zone)} to "
            f"{_told(stop_s, zone)}; give --from the earlier time of the two"
        )
    if start_s is not None and stop_s is None and ends_s is not None and start_s > ends_s:
        raise WrongUsage(
            f"--from {_told(start_s, zone)} is after the end of the archive, "
            f"{_told(ends_s, zone)}; give an earlier time"
        )


def _told(at_s: float, zone: str) -> str:
    return f"{clock(at_s, zone)} on {date(at_s, zone)}"


def extent_s(archive: Archive, job: str) -> tuple[float, float] | None:
    """Begin of the first sweep or gap of a job and end of the last one; None where it has none."""
    begins: list[float] = []
    ends: list[float] = []
    if (times := archive.times()) is not None:
        # Neither the first folder nor the last need be where the archive begins and ends.
        for piece in find_pieces(Wanted(root=archive.root, job=job, times=times)):
            begins.append(float(piece.core["time"].min()))
            ends.append(float((piece.core["time"] + piece.core["duration"]).max()))
        return _with_gaps(archive, job, begins, ends)
    with open_journals(archive.root) as views:
        for view in views:
            row = view.connection.execute(
                "SELECT MIN(started_s), MAX(started_s + took_s) FROM sweep WHERE job = ?", (job,)
            ).fetchone()
            if row[0] is not None:
                begins.append(row[0])
                ends.append(row[1])
    days = list_days(archive.root, job)
    for day in {*days[:1], *days[-1:]}:
        for path, _ in list_files(archive.root, job, day):
            with suppress(FileNotFoundError, ArchiveDamaged), SweepFile(path) as file:
                time_s, took_s = file.core("time"), file.core("duration")
                begins.append(float(time_s[0]))
                ends.append(float((time_s + took_s).max()))
    return _with_gaps(archive, job, begins, ends)


def _with_gaps(
    archive: Archive, job: str, begins: list[float], ends: list[float]
) -> tuple[float, float] | None:
    for gap in archive.gaps(job):
        if gap.count:
            begins.append(gap.from_s)
            ends.append(gap.to_s)
    return (min(begins), max(ends)) if begins else None


def default_range(archive: Archive, jobs: Sequence[str], zone: str) -> RangeFound:
    """The last window of the jobs by the plan that was in force, as far as the archive goes.

    Windows of several jobs that overlap the last one are put together with it. Jobs that have no
    window do not count where another has one; without any it is the last day that the archive has,
    or all where that is less. Jobs without anything give an empty range at 1970.
    """
    extents = {job: found for job in jobs if (found := extent_s(archive, job))}
    if not extents:
        return RangeFound(start_s=0.0, stop_s=0.0, why="the archive has nothing of these jobs")
    begin_s = min(begin for begin, _ in extents.values())
    end_s = max(end for _, end in extents.values())
    plans = archive.plans()
    windows = [
        window
        for job, (_, last_s) in extents.items()
        if (window := _last_window(_planned(plans, job), last_s))
    ]
    if not windows:
        if end_s - begin_s <= DAY_S:
            stop_s = _after(end_s, begin_s)
            return RangeFound(start_s=begin_s, stop_s=stop_s, why="all that the archive has")
        why, stop_s = "the last 24 hours that the archive has", _after(end_s, begin_s)
        return RangeFound(start_s=stop_s - DAY_S, stop_s=stop_s, why=why)
    return _clipped(_joined(windows), begin_s, end_s, zone)


def _after(end_s: float, begin_s: float) -> float:
    """The next whole second, of a long range the next whole minute: a range does not hold its
    stop."""
    unit_s = 60.0 if end_s - begin_s > LONG_S else 1.0
    return (math.floor(end_s / unit_s) + 1.0) * unit_s


def _clipped(window: tuple[float, float], begin_s: float, end_s: float, zone: str) -> RangeFound:
    start_s, stop_s = window
    limits = []
    if begin_s > start_s + NEAR_S:
        start_s = begin_s
        limits.append(
            f"The window opened at {clock(window[0], zone)}; the archive begins at "
            f"{clock(begin_s, zone)}."
        )
    if end_s < stop_s - NEAR_S:
        stop_s = _after(end_s, start_s)
        limits.append(
            f"The window is open until {clock(window[1], zone)}; the archive ends at "
            f"{clock(end_s, zone)} on {date(end_s, zone)}."
        )
    return RangeFound(
        start_s=start_s, stop_s=stop_s, why="the last window by the plan", limits=tuple(limits)
    )


def _planned(plans: Iterable[tuple[float, str]], job: str) -> PlannedJob | None:
    """The job as the newest plan that names it has it."""
    for _, text in reversed(list(plans)):
        with suppress(ValueError):
            for planned in plan_from_json(text):
                if planned.name == job:
                    return planned
    return None


def _last_window(planned: PlannedJob | None, last_s: float) -> tuple[float, float] | None:
    """The last open span that began before ``last_s``; spans that touch are one."""
    if planned is None:
        return None
    found: tuple[int, int] | None = None
    for start_us, end_us in planned.schedule.opening.spans(round((last_s - LOOK_BACK_S) * US)):
        if start_us / US > last_s:
            break
        touches = found is not None and start_us <= found[1]
        found = (found[0], end_us) if touches and found else (start_us, end_us)
    if found is None or (found[1] - found[0]) / US > LONGEST_WINDOW_S:
        return None
    return found[0] / US, found[1] / US


def _joined(windows: list[tuple[float, float]]) -> tuple[float, float]:
    """The window that began last, with all that overlap it."""
    start_s, stop_s = max(windows)
    for begin_s, end_s in sorted(windows, reverse=True):
        if end_s > start_s:
            start_s, stop_s = min(start_s, begin_s), max(stop_s, end_s)
    return start_s, stop_s
