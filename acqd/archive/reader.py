"""Reading an archive, also while a station writes it.

    with acqd.open_archive("archive") as archive:
        night = archive.sweeps("marine-vhf", "2026-06-01T21:00Z", "2026-06-02T05:00Z")
        night.level.max("sweep")

Nothing is opened for writing, nothing stays open between calls, and levels are read when they are
looked at. Each sweep is seen once, wherever it lies. Chains are those that people said later they
were, unless it is asked for what was recorded (``amended=False``); levels at the input are the same
either way. Where a clock was wrong and it is known by how much, times and ranges are true ones,
unless it is asked for those of the station's clock. Times are seconds since 1970-01-01T00:00:00Z,
aware datetimes, or ISO 8601 texts with a zone; ranges hold their start and not their stop. What is
damaged is left out of every answer, with a warning; :meth:`Archive.damage` lists it.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from acqd.archive.copies import setups_in
from acqd.archive.coverage import Coverage, coverage_of
from acqd.archive.damage import Damage, damage_text, find_damage, warn_of
from acqd.archive.index import Wanted, find_pieces, retried
from acqd.archive.kept import KeptRows, kept_between, removed_text
from acqd.archive.layout import (
    ledger_path,
    list_jobs,
    list_journals,
    sweeps_folder,
)
from acqd.archive.ledgerreader import LedgerReader, Time, range_s, seconds_of
from acqd.archive.records import (
    FindingRecord,
    SetupRecord,
)
from acqd.archive.recovery import RecordedEvent
from acqd.archive.replay import SweepWithSetup, sweep_events
from acqd.archive.tables import (
    SETUP_COLUMNS,
    finding_of,
    gap_of,
    hourly_of,
    setup_of,
)
from acqd.errors import ArchiveDamaged, ArchiveError

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Archive", "Plane", "Time", "open_archive"]

Plane = Literal["input", "far end", "far-end"]


def open_archive(
    path: str | Path, *, amended: bool = True, true_times: bool | None = None
) -> Archive:
    """Open an archive for reading; where not ``amended`` with the chains as they were recorded.

    Times are true ones, as far as corrections of clocks go, where ``true_times``; where it is not
    given they are where ``amended``.

    Raises:
        ArchiveError: there is no archive at ``path``.
    """
    return Archive(Path(path), amended=amended, true_times=true_times)


class Archive(LedgerReader):
    """An archive as a reader sees it. A context manager, though nothing is held open."""

    def __init__(self, root: Path, *, amended: bool = True, true_times: bool | None = None) -> None:
        """Raises ArchiveError where there is no archive."""
        super().__init__(
            root.absolute(),
            amended=amended,
            true_times=amended if true_times is None else true_times,
        )
        try:
            is_archive = (
                ledger_path(self.root).exists()
                or bool(list_journals(self.root))
                or sweeps_folder(self.root).is_dir()
            )
        except OSError as exc:  # A file, or a folder of somebody else's.
            raise ArchiveError(
                f"{root}: no archive that can be read: {exc.strerror}; expected a folder, as the "
                f"config's archive names it"
            ) from exc
        if not is_archive:
            raise ArchiveError(
                f"{root}: no archive here; expected a folder with ledger.sqlite, journals/ or "
                f"sweeps/, as the config's archive names it"
            )

    def __enter__(self) -> Archive:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Nothing is held open; here for symmetry."""

    # -- what there is ---------------------------------------------------------------------------

    def jobs(self) -> list[str]:
        """Jobs that have sweeps, gaps or hourly figures, in alphabetical order."""
        names: set[str] = set()
        for found in self._of_journals(lambda view: view.jobs()):
            names |= found
        names |= set(list_jobs(self.root))
        for table in ("gap", "hourly"):
            names |= {job for (job,) in self._ledger_rows(f"SELECT DISTINCT job FROM {table}")}
        if strange := {name for name in names if not isinstance(name, str)}:
            warn_of(ArchiveDamaged(f"{self.root}: {len(strange)} rows are of a job without a name"))
        return sorted(names - strange)

    def setups(self, job: str) -> list[SetupRecord]:
        """Setups of a job, in the order in which they were first used as far as it is known.

        As they were recorded, whatever was amended: which sweeps an amendment is about hangs on
        when they began.
        """
        found: dict[tuple[int, str], SetupRecord] = {}
        late: list[SetupRecord] = []
        for setups in self._of_journals(lambda view: view.setups(job)):
            late += setups
        rows = self._ledger_rows(
            f"SELECT {SETUP_COLUMNS} FROM setup WHERE job = ? ORDER BY rowid", (job,)
        )
        if not self._has_ledger():
            late = [*setups_in(self.root, job), *late]
        for record in [setup_of(row) for row in rows] + late:
            found.setdefault((record.step, record.setup), record)
        return list(found.values())

    # -- sweeps ----------------------------------------------------------------------------------

    def sweeps(
        self,
        job: str,
        start: Time | None = None,
        stop: Time | None = None,
        *,
        step: int = 0,
        setup: str | None = None,
        plane: Plane = "input",
    ) -> xr.Dataset:
        """Sweeps of a job as an xarray Dataset, levels lazy.

        Args:
            setup: one setup, by its digest or the beginning of it; without it all that share one
                grid and unit are joined.
            plane: ``input`` gives the levels as they were measured; ``far end`` takes off the
                gain of the chain that is stored with them or was amended, in float64. ``far-end``,
                as the command line writes it, is the same.

        Returns:
            ``level(sweep, frequency)``, ``(sweep, point)`` where the axis is not strictly
            monotonic; coordinates ``time``, ``sequence``, ``frequency``, ``setup``; the summary
            columns and what else a sweep has. Where a clock was corrected ``clock_correction`` has
            the number of the correction of each sweep's times, 0 for none, and ``clock_shift`` what
            they were moved by; the attribute says what each is. Where the chain was amended,
            ``chain_amendment`` has the number of the last amendment that is in a sweep's chain, 0
            for none, and the attribute of that name says what each is. Where sweeps of the range
            cannot be read the attribute ``damage`` says which, a line each.

        Raises:
            ArchiveError: no such sweeps; or setups with different grids, which are named.
        """
        from acqd.archive.dataset import dataset_of

        if plane not in ("input", "far end", "far-end"):
            raise ArchiveError(f"plane {plane!r}: expected 'input' or 'far end'")
        wanted = Wanted(
            root=self.root,
            job=job,
            start_s=seconds_of(start, -np.inf),
            stop_s=seconds_of(stop, np.inf),
            step=step,
            setup=self._whole_digest(job, step, setup),
            amendments=self.amendments(job),
            again=self.again(job),
            times=self.times(),
        )
        pieces = find_pieces(wanted)
        if not pieces:
            self._say_none(job, step, wanted)
        data = dataset_of(wanted, pieces, far_end=plane != "input")
        damaged = [one for one in self.damage(job, start, stop) if one.step in (step, None)]
        if damaged:
            data.attrs["damage"] = [damage_text(one) for one in damaged]
        return data

    def coverage(self, job: str, start: Time | None = None, stop: Time | None = None) -> Coverage:
        """What is stored over what was due in a range of time, and why the rest is missing.

        Due are the sweeps of step 0, each of a burst by itself; what else a pass sweeps hangs on
        what was seen.
        """
        start_s, stop_s = seconds_of(start, -np.inf), seconds_of(stop, np.inf)
        steps = {record.step for record in self.setups(job)} or {0}
        flags, sweeps, stored, times = [], 0, 0, self.times()
        for step in sorted(steps):
            wanted = Wanted(
                root=self.root, job=job, start_s=start_s, stop_s=stop_s, step=step, times=times
            )
            for piece in find_pieces(wanted):
                flags.append(piece.core["flags"])
                sweeps += int(piece.place.size)
                stored += int(piece.place.size) if step == 0 else 0
        gaps = self._records("gap", gap_of, job, -np.inf, np.inf)
        removed = [kept for kept in self.removed(job, start_s, stop_s) if kept.step == 0]
        damaged = [one for one in self.damage(job, start_s, stop_s) if one.step == 0]
        return coverage_of(
            job=job,
            stored=stored,
            sweeps=sweeps,
            flags=np.concatenate(flags) if flags else np.empty(0, dtype=np.int32),
            gaps=gaps,
            start_s=start_s,
            stop_s=stop_s,
            removed=sum(kept.within(start_s, stop_s) for kept in removed),
            damaged=sum(one.within(start_s, stop_s) for one in damaged),
        )

    def damage(
        self,
        job: str,
        start: Time | None = None,
        stop: Time | None = None,
        *,
        thorough: bool = False,
    ) -> list[Damage]:
        """What cannot be read of a job's sweeps in a range of time, and journals that cannot be.

        Files that are damaged, missing or set aside, and blocks of levels that somebody in this
        process has met; with ``thorough`` every byte is read for them. Sweeps that another file
        has too are no damage. Times of lost sweeps are those around them, about.
        """
        start_s, stop_s = range_s(start, stop)
        times = self.times()
        spans = [(start_s, stop_s)] if times is None else times.shown_spans(start_s, stop_s)
        found = retried(f"job {job}", lambda: find_damage(self.root, job, spans, thorough=thorough))
        return [
            one
            for one in found
            if one.job is None or any(one.within(low_s, high_s) for low_s, high_s in spans)
        ]

    def removed(
        self, job: str, start: Time | None = None, stop: Time | None = None
    ) -> list[KeptRows]:
        """What is left of volumes of a job that had sweeps in a range of time and were removed by
        retention; their sweeps are in no answer here, findings and hours are.

        Raises:
            ArchiveDamaged: what was kept of one cannot be read.
        """
        return retried(f"job {job}", lambda: kept_between(self.root, job, *range_s(start, stop)))

    # -- replay ----------------------------------------------------------------------------------

    def events(
        self, job: str, start: Time | None = None, stop: Time | None = None
    ) -> Iterator[RecordedEvent]:
        """Everything a meter was told of, in order, with canonical levels, a block at a time.

        Setups come before their first sweep and wherever they change. A range takes sweeps, gaps
        and hours by the time at which they begin.
        """
        start_s, stop_s = range_s(start, stop)
        yield from self._in_order(self._streams(job, start_s, stop_s))

    def events_and_findings(
        self, job: str, start: Time | None = None, stop: Time | None = None
    ) -> Iterator[RecordedEvent | FindingRecord]:
        """:meth:`events`, and after what was committed together the findings committed with it.

        Findings are those of all times: what one is about may lie long before its commit.
        """
        start_s, stop_s = range_s(start, stop)
        findings = self._table_events("finding", finding_of, job, -np.inf, np.inf)
        yield from self._in_order([*self._streams(job, start_s, stop_s), findings])

    def _streams(self, job: str, start_s: float, stop_s: float) -> list[Iterator[tuple[int, Any]]]:
        """Sweeps with their setups, gaps and hours of a job, each with their ordinals."""
        return [
            sweep_events(
                self.root,
                job,
                start_s,
                stop_s,
                amendments=self.amendments(job),
                again=self.again(job),
                times=self.times(),
            ),
            self._table_events("gap", gap_of, job, start_s, stop_s),
            self._table_events("hourly", hourly_of, job, start_s, stop_s),
        ]

    @staticmethod
    def _in_order(streams: list[Iterator[tuple[int, Any]]]) -> Iterator[Any]:
        told: dict[int, str] = {}
        for _, told_of in heapq.merge(*streams, key=lambda item: item[0]):
            if not isinstance(told_of, SweepWithSetup):
                yield told_of
                continue
            sweep = told_of.sweep
            if told.get(sweep.step) != sweep.setup:
                told[sweep.step] = sweep.setup
                yield told_of.setup
            yield sweep

    def software(self, job: str) -> list[dict[str, str]]:
        """What measured a job: programs, libraries and machine with their versions, each once.

        Taken from every setup of every file and journal, as its first sweep had it.
        """
        found: list[dict[str, str]] = []
        records = [
            one for setups in self._of_journals(lambda view: view.setups(job)) for one in setups
        ]
        for record in (*setups_in(self.root, job), *records):
            one = dict(record.details.get("software") or {})
            if one not in found:
                found.append(one)
        return found

    # -- inside ----------------------------------------------------------------------------------

    def _whole_digest(self, job: str, step: int, setup: str | None) -> str | None:
        if setup is None:
            return None
        there = sorted({record.setup for record in self.setups(job) if record.step == step})
        known = [digest for digest in there if digest.startswith(setup)]
        if len(known) != 1:
            fits = "fits several" if known else "fits none"
            raise ArchiveError(
                f"job {job}, step {step}: setup {setup!r} {fits}; there is "
                f"{', '.join(known or there) or 'none'}"
            )
        return known[0]

    def _say_none(self, job: str, step: int, wanted: Wanted) -> None:
        jobs = self.jobs()
        if job not in jobs:
            raise ArchiveError(
                f"{self.root}: no job {job!r} here; there is {', '.join(jobs) or 'none'}"
            )
        gone = removed_text(self.removed(job, wanted.start_s, wanted.stop_s))
        if gone:
            raise ArchiveError(f"{self.root}: job {job}: {gone}")
        damaged = self.damage(job, wanted.start_s, wanted.stop_s)
        if damaged:
            raise ArchiveDamaged(f"{self.root}: job {job}: {damage_text(damaged[0])}")
        raise ArchiveError(f"{self.root}: job {job} has no sweeps of step {step} in that time")
