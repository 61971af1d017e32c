"""Is an archive as it was written? Reads all of it, changes nothing, says what is wrong where.

    journals and ledger ─► each job, day by day: files against manifest, ledger and themselves
      ─► numbers without holes, times that rise, what was due against what there is
      ─► copies of the ledger in the volumes against the ledger, findings by their numbers

Also of an archive that a station writes meanwhile, and on a medium that cannot be written. What a
kill leaves behind, and what retention removed, is no damage.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from pathlib import Path

import numpy as np

from acqd.archive.damage import listed_in_ledger
from acqd.archive.database import error_of
from acqd.archive.inspector import Inspector
from acqd.archive.layout import (
    folder_of_job,
    ledger_path,
    list_days,
    list_files,
    list_jobs,
    sweeps_folder,
)
from acqd.archive.lock import holder_of
from acqd.archive.setaside import SET_ASIDE
from acqd.archive.verified import Problem, Verified, counted, named
from acqd.archive.verify_checks import (
    DueCount,
    Fall,
    Hole,
    Run,
    holes,
    is_explained,
    joined_runs,
    runs_of,
    used_twice,
)
from acqd.archive.verify_databases import Databases, InJournals, LedgerRows, look_at_databases
from acqd.archive.verify_days import DayFound, DayLook
from acqd.errors import ArchiveError
from acqd.look.times import range_text
from acqd.plan.downtime import plan_from_json
from acqd.plan.jobs import PlannedJob

__all__ = ["Problem", "Verified", "verify_archive"]

Progress = Callable[[int, int, str], None]
"""Told how many bytes are done, of how many, and what is looked at."""

LOOKS_MOST = 10
SETTLE_S = 0.3
"""A day that a station is at work on is looked at again after so long, where it seems wrong."""

CLOCK_NEAR_S = 120.0
"""A finding about the clock explains times that fall within this of it."""

FEW = 3

MAY_HAVE_HAD = "a lost ledger or a damaged journal may have had what explains it"

IN_ROOT = {
    "ballast",
    "lock",
    "plan.json",
    "journals",
    "sweeps",
    "reports",
    "ingested",
    "rehearsal.json",
    SET_ASIDE,
}


def verify_archive(
    root: Path,
    *,
    job: str | None = None,
    progress: Progress | None = None,
    inspector: Inspector | None = None,
) -> Verified:
    """Read all of an archive, or of one job of it, and say whether it is as it was written.

    Args:
        inspector: has the files read, and stays open; without one it is one of its own.

    Raises:
        ArchiveError: there is no archive, or no such job; or it would not hold still.
    """
    root = root.absolute()
    out = Verified(holder=holder_of(root))
    known = look_at_databases(root, out)
    jobs = _jobs(root, known)
    if job is not None:
        if job not in jobs:
            raise ArchiveError(f"{root}: no job {job!r}; there is {', '.join(jobs) or 'none'}")
        jobs = [job]
    walk = _Walk(root, out, known, jobs, progress)
    with ExitStack() as stack:
        reader = inspector or stack.enter_context(Inspector())
        for name in jobs:
            walk.job(name, reader)
    if job is None:
        _finding_numbers(out, known)
        _leftovers(root, out)
    return out


def _jobs(root: Path, known: Databases) -> list[str]:
    listed = {
        str(facts["job"]) for files in listed_in_ledger(root).values() for facts in files.values()
    }
    return sorted({*list_jobs(root), *known.journals, *listed})


class _Walk:
    """Job by job, day by day."""

    def __init__(
        self,
        root: Path,
        out: Verified,
        known: Databases,
        jobs: Iterable[str],
        progress: Progress | None,
    ) -> None:
        self._root, self._out, self._known = root, out, known
        self._progress = progress
        self._total = sum(_size_of(root, job) for job in jobs) if progress else 0

    def job(self, name: str, inspector: Inspector) -> None:
        out, known = self._out, self._known
        out.jobs.add(name)
        account = _Account(name, known)
        in_ledger = listed_in_ledger(self._root, name)
        home = folder_of_job(self._root, name)
        days = {*list_days(self._root, name), *(place.rpartition("/")[2] for place in in_ledger)}
        for day in sorted(days):
            if self._progress is not None:
                self._progress(out.size_bytes, self._total, f"{name}, {day}")
            found = self._day(name, day, account, inspector)
            account.take(day, found)
            self._copies(found)
        _strange_folders(self._root, home, days, out)
        account.judge(out)

    def _day(self, job: str, day: str, account: _Account, inspector: Inspector) -> DayFound:
        """Looked at until it holds still: files may be merged or removed under us."""
        for turn in range(LOOKS_MOST):
            part = Verified(holder=self._out.holder)
            look = self._look_at(job, day, account, inspector)
            try:
                found = look.look(part)
            except FileNotFoundError:
                if not look.folder.exists() and turn > 2:
                    break
                continue
            settled = self._out.holder is None or turn > 2 or not (part.wrong or part.notes)
            if settled:
                self._out.take(part)
                return found
            time.sleep(SETTLE_S)
        raise ArchiveError(
            f"{self._root}: {job} of {day} did not hold still while it was read; is something else "
            f"removing files from the archive?"
        )

    def _look_at(self, job: str, day: str, account: _Account, inspector: Inspector) -> DayLook:
        place = (folder_of_job(self._root, job) / day).relative_to(self._root).as_posix()
        return DayLook(
            self._root,
            job,
            day,
            inspector=inspector,
            in_ledger=listed_in_ledger(self._root, job).get(place, {}),
            has_ledger=self._known.has_ledger,
            in_journals=account.in_journals,
            is_written=self._out.holder is not None,
        )

    def _copies(self, found: DayFound) -> None:
        """Each row that a volume has a copy of is in the ledger, and equal."""
        if not self._known.has_ledger or not found.copies:
            return
        path = ledger_path(self._root)
        try:
            differing = list(LedgerRows(self._root).differing(found.copies))
        except sqlite3.Error as exc:
            raise error_of(exc, path) from exc
        by_place: dict[tuple[str, str, bool], list[int]] = {}
        for where, table, key, is_there in differing:
            by_place.setdefault((where, table, is_there), []).append(key)
        for (where, table, is_there), keys in by_place.items():
            rows = "1 row" if len(keys) == 1 else f"{len(keys):,} rows"
            which = named(str(key) for key in keys)
            self._out.add_wrong(
                where="ledger.sqlite",
                what=f"{rows} of {table} ({which}) {'are other' if is_there else 'are missing'}",
                expected=f"those that {where} has a copy of",
                advice="restore it from a copy, or acqd verify --rebuild-ledger takes them from "
                "the files",
            )


class _Account:
    """What one job's sweeps come to, gathered day by day."""

    def __init__(self, job: str, known: Databases) -> None:
        self._job, self._known = job, known
        self._gaps = [gap for _, gap in sorted(known.gaps.items()) if gap.job == job]
        mine = known.journals.get(job, InJournals())
        empty = np.empty(0, np.int64)
        self.in_journals = np.concatenate([empty, *mine.sequence])
        times = np.concatenate([np.empty(0), *mine.time_s])
        self._journal_runs = runs_of(self.in_journals, times)
        self._days: list[tuple[str, list[Run]]] = []
        self._accounted: list[tuple[int, int]] = []
        self._unknown_s: list[tuple[float, float]] = []
        self._falls: list[tuple[str, Fall]] = []
        self._due = DueCount(_plans_of(job, known.plans))
        self._journal_due_s = np.concatenate([np.empty(0), *mine.due_s])
        self._journal_due_seq = np.concatenate([empty, *mine.due_seq])

    def take(self, day: str, found: DayFound) -> None:
        self._days.append((day, runs_of(found.sequence, found.time_s)))
        self._accounted += found.accounted
        self._unknown_s += found.unknown_s
        self._falls += [(day, fall) for fall in found.falls]
        self._due.add(found.due_s)
        # Sealed already, and in a journal still: counted once.
        left = ~np.isin(self._journal_due_seq, found.due_seq)
        self._journal_due_seq = self._journal_due_seq[left]
        self._journal_due_s = self._journal_due_s[left]

    def judge(self, out: Verified) -> None:
        self._due.add(self._journal_due_s)
        runs = self._runs()
        out.sweeps += sum(run.last - run.first + 1 for run in runs)
        for day, other, first, last in used_twice(self._days):
            out.add_wrong(
                where=f"sweeps/{self._job}",
                what=f"sweeps {first} to {last} are in {day} and in {other}",
                expected="each number once",
                advice="one of the files is a copy: move it elsewhere",
                job=self._job,
            )
        self._holes(out, runs)
        self._times(out)
        self._shortages(out)

    def _runs(self) -> list[Run]:
        return joined_runs([*self._journal_runs, *(run for _, some in self._days for run in some)])

    def _holes(self, out: Verified, runs: list[Run]) -> None:
        found = holes(runs)
        last = runs[-1].last if runs else 0
        mark = self._known.marks.get(self._job, (0, 0))[0]
        if mark > last:
            at_s = runs[-1].to_s if runs else float("-inf")
            found.append(Hole(last + 1, mark, at_s, float("inf")))
        for hole in found:
            # After the last sweep, and before the first, no gap says anything of numbers.
            is_inside = np.isfinite(hole.after_s) and np.isfinite(hole.before_s)
            if is_explained(hole, self._gaps if is_inside else (), self._accounted):
                continue
            self._unknown_s.append((hole.after_s, hole.before_s))
            self._told_hole(out, hole, is_inside=bool(is_inside))

    def _told_hole(self, out: Verified, hole: Hole, *, is_inside: bool) -> None:
        which = f"sweep {hole.first}" if hole.count == 1 else f"sweeps {hole.first} to {hole.last}"
        when = f", between {range_text(hole.after_s, hole.before_s, 'UTC')}" if is_inside else ""
        about = {"where": f"sweeps/{self._job}", "job": self._job, "sweeps": hole.count}
        verb = "is" if hole.count == 1 else "are"
        if self._known.lost_rows or not self._known.has_ledger:
            out.add_note(
                what=f"{which} {verb} in no file{when}: {MAY_HAVE_HAD}",
                **about,
            )
            return
        out.add_wrong(
            what=f"{which} {verb} in no file{when}, and no gap is recorded",
            expected="numbers without holes, or a gap that explains them",
            advice="restore the missing files from a copy",
            **about,
        )

    def _times(self, out: Verified) -> None:
        for day, fall in self._falls:
            near = any(abs(at_s - fall.at_s) <= CLOCK_NEAR_S for at_s in self._known.clock_s)
            reasons = ("clock stepped", "host asleep")
            near = near or any(
                gap.reason in reasons and gap.from_s - 1.0 <= fall.at_s <= gap.to_s + CLOCK_NEAR_S
                for gap in self._gaps
            )
            if near and not fall.is_monotonic:
                continue
            clock = "the steady clock falls" if fall.is_monotonic else "times fall"
            out.add_wrong(
                where=f"sweeps/{self._job}/{day}",
                what=f"{clock} by {fall.by_s:.3f} s at sweep {fall.seq}",
                expected="times that rise, or a clock that is told to have been set",
                advice="acqd notes tells how times are put right; compare with a copy",
                job=self._job,
                day=day,
            )

    def _shortages(self, out: Verified) -> None:
        if not self._known.has_ledger:
            return
        for short in self._due.shortages(self._gaps, self._unknown()):
            span = range_text(short.from_s, short.to_s, "UTC")
            text = (
                f"{counted(short.count, 'due sweep')} of {span} neither stored nor accounted for "
                f"({short.due:,} due, {short.stored:,} stored, {short.accounted:,} in gaps)"
            )
            about = {"where": f"sweeps/{self._job}", "job": self._job}
            if self._known.lost_rows:
                out.add_note(
                    what=f"{text}: a lost ledger or a damaged journal may have had it", **about
                )
            else:
                out.add_wrong(
                    what=text,
                    expected="each due sweep stored, or in a gap with a reason",
                    advice="compare with a copy of the archive",
                    sweeps=short.count,
                    **about,
                )

    def _unknown(self) -> list[tuple[float, float]]:
        """Stretches of time that files which are not good had sweeps of."""
        runs = self._runs()
        found = list(self._unknown_s)
        for first, last in self._accounted:
            before = [run.to_s for run in runs if run.last < first]
            after = [run.from_s for run in runs if run.first > last]
            inside = [
                at for r in runs if r.first <= last and r.last >= first for at in (r.from_s, r.to_s)
            ]
            low_s = max(before, default=float("-inf"))
            high_s = min(after, default=float("inf"))
            found.append((min([low_s, *inside]), max([high_s, *inside])))
        return found


def _plans_of(
    job: str, plans: Iterable[tuple[float, str]]
) -> list[tuple[float, PlannedJob | None]]:
    found: list[tuple[float, PlannedJob | None]] = []
    for at_s, text in plans:
        try:
            planned = {one.name: one for one in plan_from_json(text)}
        except ValueError:
            planned = {}
        found.append((at_s, planned.get(job)))
    return found


def _finding_numbers(out: Verified, known: Databases) -> None:
    """Findings of a job are numbered from 1 without holes."""
    if not known.has_ledger:
        return
    for job in sorted({*known.findings, *known.marks}):
        numbers = known.findings.get(job, set())
        last = max([*numbers, known.marks.get(job, (0, 0))[1]], default=0)
        count = last - len(numbers)
        if count <= 0:
            continue
        # The first few that are missing cannot lie beyond all that there are.
        near = range(1, min(last, len(numbers) + FEW) + 1)
        gone = [str(number) for number in near if number not in numbers][:FEW]
        more = f" and {count - len(gone):,} more" if count > len(gone) else ""
        what = f"findings of {job} are missing: {', '.join(gone)}{more}"
        if known.lost_rows:
            out.add_note(where="ledger.sqlite", what=f"{what}; a ledger was lost before", job=job)
        else:
            out.add_wrong(
                where="ledger.sqlite",
                what=what,
                expected=f"numbers 1 to {last} without holes",
                advice="restore it from a copy, or acqd verify --rebuild-ledger takes what the "
                "files have",
                job=job,
            )


# -- what does not belong --------------------------------------------------------------------------


def _leftovers(root: Path, out: Verified) -> None:
    known = {*IN_ROOT, *(f"ledger.sqlite{side}" for side in ("", "-wal", "-shm", "-journal"))}
    for path in sorted(root.iterdir()):
        if path.name in known or path.name.startswith((".", "alert", "control")):
            continue
        if path.name.startswith("ledger.sqlite.making"):
            what, advice = (
                "a ledger that was being made when a kill came",
                "the next start clears it",
            )
            out.add_note(where=path.name, what=what, advice=advice)
        elif path.is_file():
            out.add_note(
                where=path.name, what="is no file of an archive", advice="move it elsewhere"
            )
    homes = {folder_of_job(root, job).name for job in list_jobs(root)}
    for folder in _entries(sweeps_folder(root)):
        if folder.name not in homes:
            where = folder.relative_to(root).as_posix()
            out.add_note(where=where, what="is no folder of a job", advice="move it elsewhere")


def _strange_folders(root: Path, home: Path, days: set[str], out: Verified) -> None:
    for path in _entries(home):
        if path.name not in days:
            where = path.relative_to(root).as_posix()
            out.add_note(where=where, what="is no folder of a day", advice="move it elsewhere")


def _entries(folder: Path) -> list[Path]:
    try:
        return sorted(folder.iterdir())
    except (FileNotFoundError, NotADirectoryError):
        return []


def _size_of(root: Path, job: str) -> int:
    total = 0
    for day in list_days(root, job):
        for path, _ in list_files(root, job, day):
            try:
                total += path.stat().st_size
            except FileNotFoundError:
                continue
    return total
