"""One ingest from files to archive: scanned, put in order, read, checked, measured, kept, told."""

from __future__ import annotations

import asyncio
import secrets
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from acqd import __version__
from acqd.archive.layout import ledger_path
from acqd.archive.lock import holder_of
from acqd.archive.reader import open_archive
from acqd.archive.writer import KEEP_FREE_BYTES, ArchiveWriter
from acqd.clock import Clock, SystemClock
from acqd.config.whole import StationConfig
from acqd.errors import ArchiveLocked
from acqd.ingest.bad import NAMED_MOST, Bad, BadRow, Stopped
from acqd.ingest.feeding import CLOSE_S, Feeder, Whose, missed_between
from acqd.ingest.held import Held, Left, held_of, left_of, refuse_unreadable
from acqd.ingest.logged import Logged, LogReader
from acqd.ingest.maps import LogMap, Span
from acqd.ingest.moments import US
from acqd.ingest.provenance import ingested_files, write_provenance
from acqd.ingest.references import LoggedReference, keep_references, read_references
from acqd.ingest.scan import LogFile, Progress, Scan, scan_files
from acqd.ingest.sweeps import SweepMaker, resolution_of
from acqd.ingest.values import conversion_of
from acqd.report.whose import whose
from acqd.station.build import job_spec
from acqd.station.job import JobSpec, Taken
from acqd.station.noting import NOTE_MOST, note_text, user_name
from acqd.station.software import software_here
from acqd.sweep import Capabilities, Identity

__all__ = ["Ingested", "Task", "ingest"]

LOOKED_AT = 50
"""Sweeps, the first of a job, that tell on which step its levels lie."""
TELL_EVERY = 64
"""Sweeps from one word on how far it is to the next."""
NO_PLACE = "files"
"""Stands for where the instrument is plugged in: these sweeps came from files."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What is to be ingested, and into what.

    Attributes:
        archive: None where there is none, which only a dry run may have.
        config: where the job is one of a station's config, not of the map.
        skip_bad: pass bad rows over; else the first one stops the run.
        dry_run: read and check everything, keep nothing.
    """

    told: LogMap
    paths: Sequence[Path]
    archive: Path | None
    job: str
    config: StationConfig | None = None
    skip_bad: bool = False
    dry_run: bool = False


@dataclass(slots=True, kw_only=True)
class Ingested:
    """What came of it.

    Attributes:
        files, known: how many were read; how many were not, being in the job already, whole.
        found: sweeps in the files that were read.
        sweeps: those that were kept now; in a dry run those that would be.
        twice, held, older: those left out: of one time with another in the files; the archive has
            one of that time; the archive has later ones.
        refused: rows that could not be taken; the first of them are in ``named``.
        missed: due sweeps that are not in the files.
        from_s, to_s: beginnings of the first and the last sweep kept; None where none was.
        setups: how many different settings and grids there are among them.
        provenance: the file that says where it all came from; None where none was written.
    """

    job: str
    archive: Path | None
    is_dry: bool
    files: int = 0
    known: int = 0
    found: int = 0
    sweeps: int = 0
    twice: int = 0
    held: int = 0
    older: int = 0
    refused: int = 0
    named: list[Bad] = field(default_factory=list)
    missed: int = 0
    findings: int = 0
    from_s: float | None = None
    to_s: float | None = None
    points: tuple[int, ...] = ()
    levels: str = ""
    provenance: Path | None = None
    took_s: float = 0.0


def ingest(
    task: Task,
    *,
    clock: Clock | None = None,
    on_bad: Callable[[Bad], None] | None = None,
    progress: Progress | None = None,
) -> Ingested:
    """Bring the sweeps of logs into an archive.

    Args:
        clock: of now; what is later is refused.
        on_bad: told of each row that is passed over.
        progress: told the share that is done, and a few words.

    Raises:
        Stopped: a bad row, where they are not to be skipped.
        ConfigError: the map and what the files hold do not go together.
        ArchiveLocked: a station runs on the archive.
        ArchiveError: archive or files cannot be read or written.
    """
    return _Ingest(task, clock or SystemClock(), on_bad, progress or _silent).run()


def _silent(share: float, text: str) -> None:
    pass


class _Ingest:
    def __init__(
        self,
        task: Task,
        clock: Clock,
        on_bad: Callable[[Bad], None] | None,
        progress: Progress,
    ) -> None:
        self._task, self._told, self._clock = task, task.told, clock
        self._say_bad, self._progress = on_bad, progress
        self._done = Ingested(job=task.job, archive=task.archive, is_dry=task.dry_run)
        self._done.levels = conversion_of(task.told.level.unit).describe()
        self._points: set[int] = set()
        self._last_s: float | None = None
        """When the last sweep that the archive holds began."""
        at = datetime.fromtimestamp(self._clock.wall_s(), UTC)
        self._run_id = f"ingest-{at:%Y%m%dT%H%M%S}-{secrets.token_hex(2)}"
        self._kept: NDArray[np.int64] = np.zeros(0, dtype=np.int64)
        self._references: list[LoggedReference] = []

    def run(self) -> Ingested:
        began_s = time.monotonic()
        task, done = self._task, self._done
        archive = task.archive
        if archive is not None:
            self._look_at(archive)
        is_known = self._is_known(archive)
        scan = scan_files(
            self._told,
            task.paths,
            now_s=self._clock.wall_s(),
            is_known=is_known,
            on_bad=self._bad,
            progress=self._progress,
        )
        held = held_of(archive, task.job)
        left = left_of(scan, held)
        done.files, done.known = len(scan.files), len(scan.known)
        done.found = int(scan.at_us.size)
        done.twice, done.held, done.older = left.twice, left.held, left.older
        self._kept = np.zeros(len(scan.files), dtype=np.int64)
        with LogReader(self._told, scan) as reader:
            if left.order.size:
                self._last_s = None if held.last_us is None else held.last_us / US
                self._read(reader, scan, left, held)
        done.points = tuple(sorted(self._points))
        is_there = archive is not None and ledger_path(archive).exists()
        if archive is not None and is_there and not task.dry_run and scan.files:
            self._tell_where_from(archive, scan)
        done.took_s = time.monotonic() - began_s
        return done

    def _look_at(self, archive: Path) -> None:
        """See that the archive can be used before minutes of reading."""
        holder = holder_of(archive)
        if holder is not None and not self._task.dry_run:
            raise ArchiveLocked(
                f"{archive}: {holder} writes this archive; stop that station first, or ingest "
                f"into another archive"
            )
        refuse_unreadable(archive)

    def _is_known(self, archive: Path | None) -> Callable[[LogFile], bool]:
        """Whether the job has all of a file already."""
        known = frozenset() if archive is None else ingested_files(archive, self._task.job)
        if self._told.time.name is not None:
            return lambda file: (file.sha256, file.name) in known
        digests = {sha256 for sha256, _ in known}
        return lambda file: file.sha256 in digests

    def _bad(self, bad: Bad) -> None:
        if not self._task.skip_bad:
            raise Stopped(bad)
        self._done.refused += 1
        if len(self._done.named) < NAMED_MOST:
            self._done.named.append(bad)
        if self._say_bad is not None:
            self._say_bad(bad)

    # -- what the sweeps are of ------------------------------------------------------------------

    def _read(self, reader: LogReader, scan: Scan, left: Left, held: Held) -> None:
        first = _first_of(reader, left)
        if first is None:
            # Not one can be read: say why, of each.
            self._through(reader, scan, left, None)
            return
        spec = self._spec(first, held)
        maker = self._maker(spec, first, held)
        self._references = read_references(
            self._told,
            self._task.job,
            lambda: self._maker(spec, first, held),
            now_s=self._clock.wall_s(),
            on_bad=self._bad,
        )
        if self._task.dry_run or self._task.archive is None:
            self._through(reader, scan, left, maker)
        else:
            asyncio.run(self._keep(self._task.archive, reader, scan, left, spec, maker))

    def _spec(self, first: Sequence[Logged], held: Held) -> JobSpec:
        """The job, ready to run."""
        config, job = self._task.config, self._task.job
        if config is None:
            span = held.span
            if span is None or self._told.says_span(job):
                axis_hz = first[0].frequency_hz
                span = Span(float(axis_hz.min()), float(axis_hz.max()), int(axis_hz.size))
            config = self._told.config(job, span)
        told = self._told
        conversion = conversion_of(told.level.unit).describe()
        software = {
            **software_here(),
            "ingest": f"map {told.path.name} (SHA-256 {told.digest[:16]}), {conversion}",
        }
        return job_spec(config, job, software)

    def _maker(self, spec: JobSpec, first: Sequence[Logged], held: Held) -> SweepMaker:
        told, level = self._told, self._told.level
        resolution = level.resolution
        if resolution is None and held.setup is not None:
            resolution = held.setup.resolution
        elif resolution is None:
            resolution = resolution_of([one.level for one in first])
        unit = conversion_of(level.unit).unit
        return SweepMaker(
            request=spec.request,
            unit=unit,
            resolution=resolution,
            capabilities=Capabilities(
                start_hz=spec.request.start_hz,
                stop_hz=spec.request.stop_hz,
                points_max=spec.request.points,
                unit=unit,
                resolution=resolution,
            ),
            identity=self._identity(spec.sweeper),
            synchronised=told.time.synchronised,
        )

    def _identity(self, sweeper: str) -> Identity:
        known = self._told.identity(sweeper)
        serial = known.serial_number
        if self._task.config is not None and not serial:
            serial = self._task.config.sweepers[sweeper].serial_number
        return Identity(
            maker=known.maker,
            model=known.model,
            serial_number=serial,
            firmware=known.firmware,
            location=known.location or NO_PLACE,
        )

    # -- the second pass -------------------------------------------------------------------------

    def _good(
        self, reader: LogReader, scan: Scan, left: Left, maker: SweepMaker | None
    ) -> Iterator[tuple[int, Taken, int]]:
        """Sweeps that can be taken, with their file and the number of rows refused before each."""
        refused = 0
        for at, number in enumerate(left.order.tolist()):
            if at % TELL_EVERY == 0:
                self._progress(at / left.order.size, f"{at} of {left.order.size} sweeps")
            place = int(scan.file[number])
            found = reader.read(number)
            if isinstance(found, Logged) and maker is not None:
                try:
                    taken = maker.taken(found)
                except BadRow as bad:
                    found = reader.bad(number, bad.what, bad.expected)
                else:
                    yield place, taken, refused
                    self._note(found.started_s, found.frequency_hz.size)
                    refused = 0
            if isinstance(found, Bad):
                refused += 1
                scan.files[place].refused += 1
                self._bad(found)

    def _through(self, reader: LogReader, scan: Scan, left: Left, maker: SweepMaker | None) -> None:
        """Read and check everything, and keep nothing."""
        gaps, last_s = self._told.gaps, self._last_s
        for _, taken, _ in self._good(reader, scan, left, maker):
            at_s = taken.sweep.started_s
            self._done.sweeps += 1
            self._done.missed += missed_between(
                last_s, at_s, every_s=gaps.every_s, off_after_s=gaps.off_after_s
            )
            last_s = at_s

    async def _keep(
        self,
        root: Path,
        reader: LogReader,
        scan: Scan,
        left: Left,
        spec: JobSpec,
        maker: SweepMaker,
    ) -> None:
        whose_it_is = self._whose(root)
        archive = self._open(root, spec, whose_it_is)
        try:
            feeder = Feeder.opened(
                archive,
                spec,
                run_id=self._run_id,
                first_s=reader.at_s(int(left.order[0])),
                last_s=self._last_s,
                whose=whose_it_is,
                every_s=self._told.gaps.every_s,
                off_after_s=self._told.gaps.off_after_s,
                teller_drivers={spec.sweeper: "ingest"},
                references=keep_references(archive, spec.name, self._references),
            )
            try:
                await self._feed(feeder, reader, scan, left, maker)
            finally:
                self._done.sweeps, self._done.missed = feeder.sweeps, feeder.missed
            self._done.findings = (
                feeder.runner.last_finding - archive.recovery.next_finding(spec.name) + 1
            )
            await asyncio.to_thread(self._note_it, archive, scan)
        finally:
            await asyncio.to_thread(archive.close, (), within_s=CLOSE_S)

    async def _feed(
        self, feeder: Feeder, reader: LogReader, scan: Scan, left: Left, maker: SweepMaker
    ) -> None:
        try:
            for place, taken, refused in self._good(reader, scan, left, maker):
                await feeder.take(taken, refused=refused)
                self._kept[place] += 1
        except Stopped:
            await feeder.flush()
            raise
        self._progress(1.0, "sealing")
        await feeder.end(self._clock.wall_s())

    def _note(self, at_s: float, points: int) -> None:
        done = self._done
        done.from_s = at_s if done.from_s is None else done.from_s
        done.to_s = at_s
        self._points.add(points)

    # -- the archive -----------------------------------------------------------------------------

    def _open(self, root: Path, spec: JobSpec, whose_it_is: Whose) -> ArchiveWriter:
        config = self._task.config
        return ArchiveWriter.open(
            root,
            station=whose_it_is.name,
            run_id=self._run_id,
            clock=self._clock,
            keep_free_bytes=KEEP_FREE_BYTES if config is None else config.station.keep_free_bytes,
            software=spec.facts.software,
        )

    def _whose(self, root: Path) -> Whose:
        """Whose the archive is: as it says itself, else as the config or the map does."""
        if ledger_path(root).exists():
            with open_archive(root) as archive:
                if archive.plans():
                    known = whose(archive)
                    return Whose(name=known.name, title=known.title, zone=known.zone)
        config = self._task.config
        if config is None:
            logs = self._told.logs
            return Whose(name=logs.name, title=logs.title or logs.name, zone=self._told.time.zone)
        station = config.station
        return Whose(name=station.name, title=station.title or station.name, zone=station.time_zone)

    def _note_it(self, archive: ArchiveWriter, scan: Scan) -> None:
        """A remark on every sheet of it."""
        done = self._done
        if not done.sweeps:
            return
        files = "1 file" if len(scan.files) == 1 else f"{len(scan.files)} files"
        first = scan.files[0]
        text = (
            f"{done.sweeps} sweeps from {files} ({first.name}"
            f"{' and others' if len(scan.files) > 1 else ''}, SHA-256 {first.sha256[:16]}), "
            f"read with the map {self._told.path.name} (SHA-256 {self._told.digest[:16]}) by "
            f"acqd {__version__}; details in ingested/ of the archive"
        )
        archive.add_overlay(
            "note",
            body={"text": note_text(text[:NOTE_MOST])},
            who=user_name(),
            job=done.job,
            from_s=done.from_s,
        ).result()

    def _tell_where_from(self, archive: Path, scan: Scan) -> None:
        done, told = self._done, self._told
        config = self._task.config
        done.provenance = write_provenance(
            archive,
            {
                "acqd": __version__,
                "run_id": self._run_id,
                "job": done.job,
                "map": {"name": told.path.name, "sha256": told.digest, "text": told.text},
                "config": None
                if config is None
                else {"name": config.path.name, "digest": config.digest},
                "levels": done.levels,
                "from_s": done.from_s,
                "to_s": done.to_s,
                "counts": {
                    name: getattr(done, name)
                    for name in ("found", "sweeps", "twice", "held", "older", "refused", "missed")
                },
                "files": [
                    {
                        "name": file.name,
                        "path": str(file.path.absolute()),
                        "bytes": file.size_bytes,
                        "sha256": file.sha256,
                        "first_line": file.lines[0],
                        "last_line": file.lines[1],
                        "found": file.sweeps,
                        "kept": int(self._kept[at]),
                        "refused": file.refused,
                    }
                    for at, file in enumerate(scan.files)
                ],
                "references": [
                    {
                        "role": str(one.record.role),
                        "name": one.file.name,
                        "path": str(one.file.path.absolute()),
                        "sha256": one.file.sha256,
                        "sweeps": one.record.sweeps,
                    }
                    for one in self._references
                ],
                "refused": [asdict(bad) for bad in done.named],
            },
            at_s=self._clock.wall_s(),
        )


def _first_of(reader: LogReader, left: Left) -> list[Logged] | None:
    """Some sweeps, the first ones that can be read; None where none can."""
    found = []
    for number in left.order.tolist():
        one = reader.read(number)
        if isinstance(one, Logged):
            found.append(one)
            if len(found) == LOOKED_AT:
                break
    return found or None
