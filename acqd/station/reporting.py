"""Has reports made when a job's night is over, by a process of its own.

A report reads a night of sweeps and draws them: minutes of work, and libraries that a daemon does
well without. So the command ``acqd report`` does it, one at a time, at low priority and within a
stated time; it reads the archive as anybody may, and what becomes of it cannot harm the station.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import signal
import sys
from collections.abc import Awaitable, Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import structlog

from acqd.clock import Clock
from acqd.look.times import range_text
from acqd.plan.jobs import PlannedJob
from acqd.publish.processes import let_go
from acqd.publish.threads import OwnThreads
from acqd.station.reportshelf import FOLDER, Period, ReportRule, ReportShelf, finished_period
from acqd.station.tell import one_line

__all__ = ["PROGRAM", "ReportedJob", "Reports"]

PROGRAM = (sys.executable, "-m", "acqd", "report")
"""What makes a report; archive, job, range and where to put it follow."""
LOOK_S = 5.0
GRACE_S = 5.0
"""After the end of a window, and twice as long as a pass takes: its last sweep is kept by then."""
TAKES_MOST_S = 1800.0
NICENESS = 10
SAID_BYTES = 4096
"""Of what the program says on standard error: its end is kept."""
KILLED_S = 0.5
MAKING = ".making"
"""Folder within ``reports`` for what is being made; a leftover of another run is thrown away."""


class _Spec(Protocol):
    @property
    def ends(self) -> bool: ...

    @property
    def planned(self) -> PlannedJob: ...

    @property
    def report(self) -> ReportRule | None: ...


class ReportedJob(Protocol):
    """What is asked of a job's runner."""

    @property
    def name(self) -> str: ...

    @property
    def spec(self) -> _Spec: ...

    @property
    def ended(self) -> tuple[float, str] | None: ...

    @property
    def verdict(self) -> Mapping[str, Any] | None: ...


@dataclass(slots=True)
class _Job:
    """One job that wants reports, and how far they are."""

    runner: ReportedJob
    rule: ReportRule
    shelf: ReportShelf
    since_s: float | None = None
    """None until its shelf has been looked at."""
    done_s: float | None = None
    """End of the newest period that was reported on, or given up."""

    @property
    def name(self) -> str:
        return self.runner.name

    @property
    def ends(self) -> bool:
        return self.runner.spec.ends

    def due(self, now_s: float) -> Period | None:
        """What it should have a report of and has not."""
        if self.ends:
            verdict = self.runner.verdict if self.runner.ended else None
            if verdict is None:
                return None
            period = Period(float(verdict["since_s"]), float(verdict["at_s"]))
        else:
            planned = self.runner.spec.planned
            by_s = now_s - GRACE_S - 2.0 * planned.estimate_s
            found = finished_period(planned.schedule, at_s=self.rule.at_s, now_s=by_s)
            if found is None:
                return None
            period = found
        known_s = max(self.since_s or 0.0, self.done_s or 0.0)
        return period if period.to_s > known_s else None


class Reports:
    """All reports of a station.

    Args:
        archive: its folder.
        jobs: all jobs; those that want no reports are left alone.
        zone: of the station's clock.
        tell: told of each report by its job's name.
        finding: keeps a finding of the station.
        made: called after each report that was made or given up.
        program: see :data:`PROGRAM`; without one none is made.
    """

    def __init__(
        self,
        archive: Path,
        jobs: Iterable[ReportedJob],
        *,
        run_id: str,
        zone: str,
        clock: Clock,
        tell: Callable[[str, Mapping[str, Any]], None],
        finding: Callable[[str, str, Mapping[str, Any]], Awaitable[None]],
        made: Callable[[], None],
        program: Sequence[str] = PROGRAM,
    ) -> None:
        self._archive = archive
        self._folder = archive / FOLDER
        self._making = self._folder / MAKING / run_id
        self._jobs = tuple(
            _Job(job, rule, ReportShelf(self._folder, job.name, rule, zone))
            for job in jobs
            if program and (rule := job.spec.report) is not None
        )
        self._zone = zone
        self._clock = clock
        self._publish = tell
        self._tell = finding
        self._made = made
        self._program = tuple(program)
        self._threads = OwnThreads("reports")
        self._wake = asyncio.Event()
        self._log = structlog.get_logger()

    def look(self) -> None:
        """Look at once whether a report is due: a job has ended."""
        self._wake.set()

    def owes(self, names: Collection[str]) -> bool:
        """Whether one of these jobs has ended and its report is still to come."""
        now_s = self._clock.wall_s()
        return any(
            job.ends and job.name in names and (job.since_s is None or job.due(now_s) is not None)
            for job in self._jobs
        )

    async def run(self) -> None:
        """Until cancelled; a report that is being made then ends with it."""
        if not self._jobs:
            return
        for job in self._jobs:
            await self._begin(job)
        self._made()
        while True:
            for job in self._jobs:
                period = job.due(self._clock.wall_s())
                if period is not None:
                    await self._report(job, period)
            self._wake.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOK_S):
                    await self._wake.wait()

    async def _begin(self, job: _Job) -> None:
        """Find out what there is, and tell the newest again: a broker may have lost it."""
        now_s = self._clock.wall_s()
        job.since_s = now_s
        try:
            since_s, made = await self._threads.run(partial(job.shelf.begin, now_s))
            await self._threads.run(partial(_throw_away, self._making.parent))
        except OSError as exc:
            # What cannot be written to now fails with its reason when a report is due.
            self._log.warning("reports_not_read", job=job.name, problem=_reason(exc))
            return
        # A soak that goes on over a restart is told of once it has ended, whenever that is.
        job.since_s = min(since_s, now_s)
        if made:
            job.done_s = float(made[-1]["to_s"])
            self._publish(job.name, made[-1])

    async def _report(self, job: _Job, period: Period) -> None:
        began_s = self._clock.monotonic_s()
        try:
            entry = await self._make(job, period)
        except (OSError, _NotMade) as exc:
            await self._say_failed(job, period, _reason(exc))
        else:
            took_s = round(self._clock.monotonic_s() - began_s, 1)
            self._log.info("report_made", job=job.name, file=entry["file"], took_s=took_s)
            self._publish(job.name, entry)
        job.done_s = period.to_s
        self._made()

    async def _say_failed(self, job: _Job, period: Period, reason: str) -> None:
        text = range_text(period.from_s, period.to_s, self._zone)
        self._log.error("report_failed", job=job.name, problem=reason)
        await self._tell(
            "report_failed",
            f"the report of job {job.name} for {text} was not made: {reason}",
            {"job": job.name, "from_s": period.from_s, "to_s": period.to_s},
        )

    async def _make(self, job: _Job, period: Period) -> dict[str, Any]:
        """Have it made and put in its place.

        Raises:
            OSError: a file or a process cannot be had.
            _NotMade: the program failed, or took too long.
        """
        page, numbers = (self._making / f"{job.name}.{end}" for end in ("html", "json"))
        await self._threads.run(partial(self._making.mkdir, parents=True, exist_ok=True))
        try:
            await self._run_program(
                *(str(self._archive), "--job", job.name),
                *("--from", _iso(period.from_s), "--to", _iso(period.to_s)),
                *("-o", str(page), "--json", str(numbers)),
            )
            return await self._threads.run(
                lambda: job.shelf.put(
                    page, period, at_s=self._clock.wall_s(), headline=_headline(numbers)
                )
            )
        finally:
            # Not in a thread: a stop must find nothing half made, and it is two files at most.
            _throw_away(self._making)

    async def _run_program(self, *arguments: str) -> None:
        process = await asyncio.create_subprocess_exec(
            *(*self._program, *arguments),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
            # Ctrl-C on a terminal goes to the whole group: the station says when it ends.
            start_new_session=True,
        )
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, process.pid, NICENESS)
        try:
            async with asyncio.timeout(TAKES_MOST_S):
                said = await _last_words(process)
                code = await process.wait()
        except TimeoutError:
            raise _NotMade(f"it took longer than {TAKES_MOST_S / 60.0:g} min") from None
        finally:
            await _kill(process)
        if code != 0:
            raise _NotMade(said or f"it ended with code {code} and said nothing")


class _NotMade(Exception):
    """The program made no report; the text is the reason, one line."""


async def _last_words(process: asyncio.subprocess.Process) -> str:
    """The last line that it says, read until it closes standard error."""
    assert process.stderr is not None
    kept = b""
    while chunk := await process.stderr.read(SAID_BYTES):
        kept = (kept + chunk)[-SAID_BYTES:]
    lines = [line.strip() for line in kept.decode("utf-8", "replace").splitlines()]
    last = next((line for line in reversed(lines) if line), "")
    return one_line(last.removeprefix("acqd: ").removeprefix("Error: "))


async def _kill(process: asyncio.subprocess.Process) -> None:
    """End it and what it started, which are a session of their own; nothing where it has ended."""
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(KILLED_S):
                await process.wait()
    let_go(process)


def _throw_away(folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)


def _headline(numbers: Path) -> str:
    """What the report's numbers say of the job first; empty where they do not."""
    try:
        told = json.loads(numbers.read_text("utf-8"))["report"]["jobs"][0]["headline"]
    except (OSError, ValueError, KeyError, IndexError, TypeError):
        return ""
    return one_line(told) if isinstance(told, str) else ""


def _reason(exc: Exception) -> str:
    if isinstance(exc, OSError) and exc.strerror:
        return f"{exc.strerror}: {exc.filename}" if exc.filename else exc.strerror
    return str(exc)


def _iso(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).isoformat().replace("+00:00", "Z")
