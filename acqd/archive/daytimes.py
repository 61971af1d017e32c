"""Which true time the sweeps in a day's folder are of, and whether that can be believed.

A folder is named by the day that the clock showed. A clock that started with an old date, or with
one that is yet to come, leaves folders of days that never were; who removes nights by their age
must not take one for an old night. Three things make a day doubtful: it lies before there were
stations (:data:`acqd.clock.EARLIEST_S`), it has yet to come, or its sweeps are numbered as if they
were of another time than their neighbours (numbers of a job never go back, so days should not
either). A correction of the clock (:mod:`acqd.archive.timing`) gives a folder the time that is
true; a doubt that it leaves is one about that.

Where two files of a job contradict each other both are doubtful, since either clock may have been
the wrong one, until somebody says which it was (``acqd clock``).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from acqd.archive.layout import DAY_S, day_start_s, list_days, list_files
from acqd.archive.sweepfile import SweepFile
from acqd.archive.timing import TimeCorrection, TimeCorrections
from acqd.clock import EARLIEST_S

__all__ = ["DayTime", "day_times", "true_range_of"]

AHEAD_S = DAY_S
"""A day that begins later than so long from now has yet to come, whatever the time zone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DayTime:
    """The folder of a day, the true time that its sweeps are of, and why not to believe it."""

    day: str
    from_s: float
    to_s: float
    doubt: str | None = None

    @property
    def is_trusted(self) -> bool:
        return self.doubt is None


@dataclass(frozen=True, slots=True)
class _File:
    day: str
    first_seq: int
    from_s: float
    to_s: float


def day_times(root: Path, job: str, times: TimeCorrections | None, now_s: float) -> list[DayTime]:
    """All days of a job that have files, in the order of their names.

    Args:
        times: the corrections that stand: ``TimeCorrections.among(overlays)``. Files of days that
            none is about are not opened.
        now_s: the time by a clock that can be trusted.

    Raises:
        ArchiveError: a file cannot be read.
    """
    files = [one for day in list_days(root, job) for one in _files_of(root, job, day, times)]
    doubtful = {one: why for one in files if (why := _absurd(one, now_s)) is not None}
    rest = sorted((one for one in files if one not in doubtful), key=lambda one: one.first_seq)
    out_of_order = "its sweeps are numbered as if they were of another time"
    doubtful |= dict.fromkeys(_contradicted(rest), out_of_order)
    found: dict[str, DayTime] = {}
    for one in files:
        known = found.get(one.day)
        found[one.day] = DayTime(
            day=one.day,
            from_s=one.from_s if known is None else min(known.from_s, one.from_s),
            to_s=one.to_s if known is None else max(known.to_s, one.to_s),
            doubt=doubtful.get(one) or (None if known is None else known.doubt),
        )
    return list(found.values())


def true_range_of(
    root: Path, job: str, day: str, times: TimeCorrections | None, now_s: float
) -> DayTime | None:
    """One of :func:`day_times`; None where the day has no file. For many days ask for all."""
    found = day_times(root, job, times, now_s)
    return next((one for one in found if one.day == day), None)


def _files_of(root: Path, job: str, day: str, times: TimeCorrections | None) -> Iterable[_File]:
    start_s = day_start_s(day)
    moved = times is not None and times.true_spans(start_s, start_s + DAY_S)
    for path, name in list_files(root, job, day):
        from_s, to_s = start_s, start_s + DAY_S
        if moved and times is not None:
            try:
                from_s, to_s = _read(path, times.made) or (from_s, to_s)
            except FileNotFoundError:
                continue
        yield _File(day, name.first_seq, from_s, to_s)


@lru_cache(maxsize=20_000)
def _read(path: Path, made: tuple[TimeCorrection, ...]) -> tuple[float, float] | None:
    """The true time of a file's sweeps; None where none of them was moved. A file is written once,
    so it need not be read again."""
    with SweepFile(path) as file:
        time = file.core("time")
        moved = TimeCorrections(made).of_sweeps(file.names_of("boot"), file.core("monotonic"), time)
        if moved is None:
            return None
        time = time + moved.shift_s
        return float(time.min()), float((time + file.core("duration")).max())


def _absurd(one: _File, now_s: float) -> str | None:
    if one.from_s < EARLIEST_S:
        return "its date is before there were stations: the clock had lost the date"
    if one.from_s > now_s + AHEAD_S:
        return "its date has yet to come: the clock was ahead"
    return None


def _contradicted(files: list[_File]) -> set[_File]:
    """Files, in the order of their numbers, all of which is later than one that comes after, or
    earlier than one that comes before. Of a file that was not corrected only the day is known, in
    which one that was may begin."""
    found: set[_File] = set()
    latest_s = -math.inf
    for one in files:
        if one.to_s <= latest_s:
            found.add(one)
        latest_s = max(latest_s, one.from_s)
    earliest_s = math.inf
    for one in reversed(files):
        if one.from_s >= earliest_s:
            found.add(one)
        earliest_s = min(earliest_s, one.to_s)
    return found
