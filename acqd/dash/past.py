"""The hours before the page was opened, out of archives that are at hand.

Read in a thread of its own, a block of sweeps at a time and the newest first, so that the live
sweeps and the viewers wait for nothing. What came live and what the archive has of the same time go
into the same columns, so it does not matter if both have a sweep.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from acqd.clock import Clock
from acqd.dash.files import reports_in
from acqd.dash.job import Job
from acqd.dash.reading import NotUnderstood, TraceRead, is_level
from acqd.dash.sheet import SPANS_S, Grid, rows_of
from acqd.dash.state import SHEETS_MOST, State
from acqd.errors import AcqdError, ArchiveError
from acqd.publish.settings import EventLog
from acqd.publish.topics import topic_level

if TYPE_CHECKING:
    from acqd.archive.reader import Archive
    from acqd.archive.records import SetupRecord

__all__ = ["Past"]

BLOCK = 100
"""Sweeps that are read and then shown at a time."""
HOURS_S = 86_400.0
"""How far findings and occupancy go back."""
POINTS = 200
"""Points that a station publishes of a trace if nobody tells it otherwise."""
LOOK_EVERY_S = 2.0
"""Between two looks for jobs whose sheet is new."""
BREATH_S = 0.02
"""Between two blocks."""

Floats = NDArray[np.float64]


class Past:
    """Fills ``state`` from archives.

    Args:
        folders: of the archives.
        archives: by their station's name, those that are known already; the others are put there.
        stations: those that are shown; empty for all.
    """

    def __init__(
        self,
        state: State,
        folders: Sequence[Path],
        *,
        archives: dict[str, Path],
        clock: Clock,
        log: EventLog,
        news: Callable[[], None] = lambda: None,
        stations: Sequence[str] = (),
    ) -> None:
        self._state = state
        self._folders = folders
        self._archives = archives
        self._stations = frozenset(stations)
        self._mute: list[Path] = []
        self._clock = clock
        self._log = log
        self._news = news
        self.sweeps = 0
        """Sweeps that were read."""

    @property
    def has_any(self) -> bool:
        """Whether there is anything to read, or may be."""
        return bool(self._archives or self._mute)

    async def open(self) -> None:
        """See whose the archives are. One that does not say it yet, and one that is not there yet
        where its folder would be, is asked again later: its station is about to run first.

        Raises:
            ArchiveError: one is no archive, and will hardly become one.
            AcqdError: one is of a station that is not shown.
        """
        for folder in self._folders:
            if not folder.exists() and folder.absolute().parent.is_dir():
                self._wait_for(folder, "there is none yet; it is read once a station makes it")
            elif (name := await asyncio.to_thread(_station_of, folder)) is None:
                self._wait_for(
                    folder, "it does not say yet which station's it is; it is read once it does"
                )
            else:
                self._put(name, folder)

    def _wait_for(self, folder: Path, reason: str) -> None:
        self._mute.append(folder)
        self._log.warning("archive_is_waited_for", archive=str(folder), reason=reason)

    def _put(self, name: str, folder: Path) -> None:
        if self._stations and name not in self._stations:
            raise AcqdError(
                f"--archive {folder}: of the station {name}, which is not among those of "
                f"--station; leave one of both out"
            )
        self._archives[name] = folder

    async def _ask_again(self) -> None:
        """The past of those that say by now whose they are."""
        for folder in tuple(self._mute):
            try:
                name = await asyncio.to_thread(_station_of, folder)
            except Exception:
                name = None  # It is being made: it can be read next time.
            if name is None:
                continue
            self._mute.remove(folder)
            try:
                self._put(name, folder)
            except AcqdError as exc:
                # The page goes on without it: it shows more than this.
                self._log.warning("past_not_read", archive=str(folder), reason=str(exc)[:300])
            else:
                await self._tables(name, folder)

    async def run(self) -> None:
        """Read what there is, then the past of each sheet that begins; until cancelled."""
        for station, root in self._archives.items():
            await self._tables(station, root)
        while True:
            await self._ask_again()
            for station, root in self._archives.items():
                known = self._state.stations.get(station)
                for job in list(known.jobs.values()) if known is not None else ():
                    if job.past_wanted and job.sheet is not None:
                        job.past_wanted = False
                        # An emission check looks elsewhere each time: its sheet has no past.
                        if job.kind != "emission":
                            await self._sweeps(root, job)
            await asyncio.sleep(LOOK_EVERY_S)

    async def _tables(self, station: str, root: Path) -> None:
        """Findings, hours and reports; and a sheet for each job, if none has begun."""
        now_s = self._clock.wall_s()
        found = None
        with self._told(root):
            found = await asyncio.to_thread(_tables_of, root, now_s)
        if found is None:
            return
        for data in found.findings:
            if data.get("station") == station:
                try:
                    self._state.add_past_finding(station, data)
                except NotUnderstood as exc:
                    self._log.debug("past_finding", reason=str(exc))
        for name, hours in found.hours.items():
            job = self._state.past_job(station, name)
            for hour in hours if job is not None else ():
                if job is not None and hour["hour_start_s"] not in job.hours:
                    job.take_occupancy(hour)
        for report in reports_in(root):
            job = self._state.past_job(station, _job_of(report["file"], found.setups))
            if job is not None and report["file"] not in job.reports:
                url = f"/reports/{station}/{report['file']}"
                job.take_report(report | {"title": report["file"]}, url)
        for name, setup in found.setups.items():
            job = self._state.past_job(station, name)
            if job is not None and job.sheet is None and setup.kind != "emission":
                job.kind = job.kind or setup.kind
                with self._told(root, name):
                    await self._begin(root, job, setup, now_s)
        if station in self._state.stations:
            self._state.stations[station].archive = True
        self._state.changed()
        self._news()

    async def _begin(self, root: Path, job: Job, setup: SetupRecord, now_s: float) -> None:
        """A sheet from the newest sweep of a setup, as its station would publish it."""
        axis = np.sort(setup.frequency_hz)
        if axis.size < 2 or not axis[0] < axis[-1]:
            return
        grid = Grid(
            unit=setup.unit,
            start_hz=float(axis[0]),
            stop_hz=float(axis[-1]),
            source_points=int(axis.size),
            points=min(POINTS, int(axis.size)),
        )
        blocks = _Blocks(root, job.name, setup.step, grid, grid.rows, now_s)
        first = await asyncio.to_thread(blocks.next)
        if first is not None and job.sheet is None:
            trace = TraceRead(
                job=job.name,
                seq=int(first.seq[-1]),
                step=setup.step,
                at_s=float(first.at_s[-1]),
                unit=setup.unit,
                start_hz=grid.start_hz,
                stop_hz=grid.stop_hz,
                source_points=grid.source_points,
                frequency_hz=None,
                level=first.rows[-1],
            )
            if job.make_sheet(trace, may_grow=self._state.sheets < SHEETS_MOST) and job.sheet:
                job.unit = job.unit or setup.unit
                job.sheet.add_live(trace, now_s)

    async def _sweeps(self, root: Path, job: Job) -> None:
        """The past of a job's sheet, the newest block first, while the sheet is the same one."""
        sheet = job.sheet
        assert sheet is not None
        blocks = _Blocks(
            root, job.name, sheet.step, sheet.grid, sheet.grid.rows, self._clock.wall_s()
        )
        with self._told(root, job.name):
            while job.sheet is sheet:
                block = await asyncio.to_thread(blocks.next)
                if block is None:
                    return
                told = zip(block.at_s.tolist(), block.rows, block.flags.tolist(), strict=True)
                for at_s, rows, flags in told:
                    sheet.add(at_s, rows, flags)
                self.sweeps += block.at_s.size
                self._news()
                await asyncio.sleep(BREATH_S)

    @contextmanager
    def _told(self, root: Path, job: str | None = None) -> Iterator[None]:
        """An archive that was taken away, or that the libraries cannot make sense of, costs its
        hours and a line in the log: the page goes on with what comes live."""
        try:
            yield
        except Exception as exc:
            reason = (str(exc) or repr(exc))[:300]
            self._log.warning("past_not_read", archive=str(root), job=job, reason=reason)


class _Block:
    """Sweeps in rising order of time."""

    def __init__(
        self, seq: NDArray[np.int64], at_s: Floats, rows: Floats, flags: NDArray[np.int64]
    ) -> None:
        self.seq, self.at_s, self.rows, self.flags = seq, at_s, rows, flags


class _Blocks:
    """Blocks of a job's sweeps, newest first. Called in a thread, one call at a time."""

    def __init__(
        self, root: Path, job: str, step: int, grid: Grid, rows: int, now_s: float
    ) -> None:
        self._root, self._job, self._step = root, job, step
        self._grid, self._rows = grid, rows
        self._now_s = now_s
        self._made: Iterator[_Block] | None = None

    def next(self) -> _Block | None:
        """The next block, or None after the last."""
        if self._made is None:
            self._made = self._all()
        return next(self._made, None)

    def _all(self) -> Iterator[_Block]:
        from acqd.archive.reader import open_archive

        # By the chain that was published with: the live traces beside them go by that too.
        with open_archive(self._root, amended=False) as archive:
            for setup in reversed(archive.setups(self._job)):
                if setup.step == self._step and _fits(setup, self._grid):
                    yield from self._of_setup(archive, setup)

    def _of_setup(self, archive: Archive, setup: SetupRecord) -> Iterator[_Block]:
        try:
            sweeps = archive.sweeps(
                self._job,
                self._now_s - max(SPANS_S),
                self._now_s + 1.0,
                step=self._step,
                setup=setup.setup,
                plane="far end",
            )
        except ArchiveError:
            return  # none of this setup in these hours
        at_s = np.asarray(sweeps["started"].values, dtype=np.float64)
        seq = np.asarray(sweeps["sequence"].values, dtype=np.int64)
        flags = np.asarray(sweeps["flags"].values, dtype=np.int64)
        axis = np.asarray(sweeps["frequency"].values, dtype=np.float64)
        order = np.argsort(axis, kind="stable")
        for stop in range(at_s.size, 0, -BLOCK):
            part = slice(max(0, stop - BLOCK), stop)
            level = np.asarray(sweeps["level"][part].values)
            level = np.abs(level) if np.iscomplexobj(level) else level
            rows = _rows_of_block(axis[order], level[:, order].astype(np.float64), self._rows)
            yield _Block(seq[part], at_s[part], rows, flags[part])


class _Tables:
    """What an archive has beside sweeps, as messages would tell it."""

    def __init__(self) -> None:
        self.findings: list[dict[str, Any]] = []
        self.hours: dict[str, list[dict[str, Any]]] = {}
        self.setups: dict[str, SetupRecord] = {}


def _tables_of(root: Path, now_s: float) -> _Tables:
    from acqd.archive.reader import open_archive

    found = _Tables()
    with open_archive(root) as archive:
        jobs = [job for job in archive.jobs() if is_level(job)]
        for job in dict.fromkeys((*jobs, "station")):
            for record in archive.findings(job, now_s - HOURS_S)[-200:]:
                found.findings.append(json.loads(record.message))
        for job in jobs:
            setups = archive.setups(job)
            if setups:
                least = min(one.step for one in setups)
                found.setups[job] = [one for one in setups if one.step == least][-1]
            hours = [
                _hour(one.hour_start_s, one.figures)
                for one in archive.hourly(job, now_s - HOURS_S)
                if "fbo" in one.figures and "due" in one.figures
            ]
            if hours:
                found.hours[job] = hours
    found.findings.sort(key=lambda one: float(one.get("at_s", 0.0)))
    return found


def _hour(start_s: float, figures: Any) -> dict[str, Any]:
    """An hour of the archive as the message of it."""
    names = ("due", "stored", "coverage", "fbo", "sro")
    return {
        "hour_start_s": start_s,
        "hour_end_s": start_s + 3600.0,
        "confidence": 0.95,
        **{name: figures.get(name) for name in names},
        "channels": [
            {
                "channel": topic_level(str(one["channel"])),
                "name": str(one["channel"]),
                **{name: one.get(name) for name in ("fco", "fco_low", "fco_high")},
            }
            for one in figures.get("channels", ())
        ],
    }


def _station_of(folder: Path) -> str | None:
    """Whose archive it is, by its plan, or an older one by its findings or its files.

    Returns: None where it does not say, as that of a station that has not begun to run.

    Raises:
        ArchiveError: there is none.
    """
    from acqd.archive.reader import open_archive

    with open_archive(folder) as archive:
        for _, plan in reversed(archive.plans()):
            station = json.loads(plan).get("station")
            name = station.get("name") if isinstance(station, dict) else None
            if is_level(name):
                return str(name)
        for job in (*archive.jobs(), "station"):
            for record in archive.findings(job)[-1:]:
                name = json.loads(record.message).get("station")
                if is_level(name):
                    return str(name)
    return None


def _fits(setup: SetupRecord, grid: Grid) -> bool:
    axis = setup.frequency_hz
    return (
        setup.unit == grid.unit
        and axis.size == grid.source_points
        and bool(np.isclose(axis.min(), grid.start_hz, rtol=1e-9, atol=0.5))
        and bool(np.isclose(axis.max(), grid.stop_hz, rtol=1e-9, atol=0.5))
    )


def _rows_of_block(axis: Floats, level: Floats, rows: int) -> Floats:
    """(sweeps, rows) of (sweeps, points) levels on a rising axis, as traces would give them."""
    steps = np.diff(axis)
    if np.allclose(steps, steps.mean(), rtol=1e-3, atol=0.0):
        if axis.size < rows:
            return np.asarray(level[:, np.arange(rows) * axis.size // rows])
        edges = np.arange(rows) * axis.size // rows
        return np.asarray(np.fmax.reduceat(level, edges, axis=1))
    made = partial(
        TraceRead,
        job="",
        seq=1,
        step=0,
        at_s=0.0,
        unit="",
        start_hz=float(axis[0]),
        stop_hz=float(axis[-1]),
        source_points=axis.size,
        frequency_hz=axis,
    )
    return np.stack([rows_of(made(level=one), rows) for one in level])


def _job_of(file: str, jobs: Any) -> str:
    """The job that a report's name begins with; the longest, for one may begin like another."""
    fitting = [job for job in jobs if file.startswith(job)]
    return max(fitting, key=len, default="")
