"""Gathering a report: from an archive to plain values, job by job. Nothing is drawn here."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from acqd import __version__
from acqd.archive.damage import damage_sentence
from acqd.archive.kept import removed_text
from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import FindingRecord
from acqd.clock import SystemClock
from acqd.errors import WrongUsage
from acqd.look.times import clock, date
from acqd.plan.downtime import plan_from_json
from acqd.report.amended import amended_facts, amended_limits, amended_notes
from acqd.report.footer import files_of, footer_facts
from acqd.report.kinds import KindParts, parts_of
from acqd.report.places import placed
from acqd.report.range import default_range, extent_s
from acqd.report.shapes import FindingShown, JobReport, Report, Section, Sheet
from acqd.report.source import STATION, JobSource, finding_shown
from acqd.report.sweepers import extent_of_tests_s, sweeper_reports
from acqd.report.whose import Whose, whose

__all__ = ["gather", "same_colours"]

Progress = Callable[[int, int, str], None]
MeasureAgain = Callable[[Archive, str, float, float, Progress | None], Any]
"""Lets an archive show a job's figures in a range as they are with the amended chain."""


def gather(
    archive_path: str | Path | Archive,
    *,
    jobs: Sequence[str] | None = None,
    start_s: float | None = None,
    stop_s: float | None = None,
    zone: str | None = None,
    finding: int | None = None,
    progress: Progress | None = None,
    now_s: float | None = None,
    again: MeasureAgain | None = None,
) -> Report:
    """All that one page says of an archive, also while a station writes it.

    Args:
        jobs: of the page, in this order; where None all that have something in the range, in the
            order of the config, as the newest plan that names them has it.
        start_s, stop_s: the range, which does not hold its stop; where both are None the jobs' last
            window (:func:`~acqd.report.range.default_range`), where one is, that end of it.
        zone: that times are told in; the station's where None.
        finding: number of a finding of the one job: its own sheet, ten minutes before and after.
        progress: told how many sweeps are read, of how many, and of which job.
        now_s: when it is made, for those who have another clock than the machine's.
        again: measures a job again where its chain was amended, so that figures are those of the
            amended chain; without it they are those that were published, and it is said.

    Raises:
        ArchiveError: there is no archive, or it cannot be read.
        WrongUsage: an unknown job or finding, or a range that ends before it begins.
    """
    archive = archive_path if isinstance(archive_path, Archive) else open_archive(archive_path)
    station = whose(archive)
    zone = zone or station.zone
    names = _known(archive, jobs)
    told = _Progress(progress)
    made_at_s = SystemClock().wall_s() if now_s is None else now_s
    if finding is not None:
        return _of_finding(archive, station, names, finding, zone, made_at_s, told, again)
    asked = stop_s is not None
    start_s, stop_s, limits = _range(archive, names, start_s, stop_s, zone)
    if asked:
        stop_s, limits = _not_to_come(archive, names, start_s, stop_s, made_at_s, zone, limits)
    if again is not None:
        for job in names:
            again(archive, job, start_s, stop_s, progress)
    sources = [
        JobSource(archive, job, start_s=start_s, stop_s=stop_s, zone=zone, progress=told)
        for job in names
    ]
    if jobs is None:
        sources = [one for one in sources if _has_anything(one)] or sources
    told.expect(sources)
    reports = tuple(_job_report(source, told) for source in sources)
    return Report(
        station=station.name,
        title=station.title,
        zone=zone,
        start_s=start_s,
        stop_s=stop_s,
        made_at_s=made_at_s,
        version=__version__,
        jobs=same_colours(reports),
        station_findings=_station_findings(archive, start_s, stop_s),
        limits=(*station.limits, *limits),
        sweepers=sweeper_reports(
            archive, zone=zone, only=None if jobs is None else {one.sweeper for one in sources}
        ),
    )


def _known(archive: Archive, jobs: Sequence[str] | None) -> list[str]:
    there = archive.jobs()
    if jobs is None:
        return _in_plans_order(archive, there)
    for job in jobs:
        if job not in there:
            raise WrongUsage(
                f"{archive.root}: no job {job!r} here; there is {', '.join(there) or 'none'}"
            )
    return list(dict.fromkeys(jobs))


def _in_plans_order(archive: Archive, jobs: list[str]) -> list[str]:
    """Those of the newest plan, then those that only older ones name, then the rest by name."""
    left, found = set(jobs), []
    for _, plan in reversed(archive.plans()):
        if not left:
            break
        try:
            named = [one.name for one in plan_from_json(plan) if one.name in left]
        except ValueError:  # Of another version: it says nothing.
            continue
        found += named
        left -= set(named)
    return found + sorted(left)


def _range(
    archive: Archive, jobs: Sequence[str], start_s: float | None, stop_s: float | None, zone: str
) -> tuple[float, float, tuple[str, ...]]:
    limits: tuple[str, ...] = ()
    if start_s is None or stop_s is None:
        found = default_range(archive, jobs, zone)
        tested_s = extent_of_tests_s(archive) if found.stop_s == 0.0 else None
        if tested_s is not None:
            # Nothing was swept but by self-tests.
            found = replace(found, start_s=tested_s[0], stop_s=tested_s[1] + 60.0)
        if start_s is None and stop_s is None:
            limits = found.limits
        start_s = found.start_s if start_s is None else start_s
        stop_s = found.stop_s if stop_s is None else stop_s
    if not (math.isfinite(start_s) and math.isfinite(stop_s)) or stop_s < start_s:
        raise WrongUsage("the range ends before it begins; give --from the earlier time of the two")
    return start_s, stop_s, limits


def _not_to_come(
    archive: Archive,
    jobs: Sequence[str],
    start_s: float,
    stop_s: float,
    now_s: float,
    zone: str,
    limits: tuple[str, ...],
) -> tuple[float, tuple[str, ...]]:
    """The range without what is still to come: nobody has failed to sweep that.

    By the clock of this machine, or by the archive where that is ahead, as a rehearsal's is.
    """
    if stop_s <= now_s:
        return stop_s, limits
    ends = [found[1] for job in jobs if (found := extent_s(archive, job)) is not None]
    until_s = max(now_s, start_s, *ends)
    if stop_s <= until_s:
        return stop_s, limits
    said = f"Asked for until {clock(stop_s, zone)} on {date(stop_s, zone)}, which is still to come."
    return until_s, (*limits, said)


def _has_anything(source: JobSource) -> bool:
    return bool(len(source.sweeps()) or source.gap_records or source.finding_records)


def _job_report(source: JobSource, told: _Progress) -> JobReport:
    told.begin(source)
    report = _put_together(source, parts_of(source))
    told.end()
    return report


def _put_together(source: JobSource, parts: KindParts, first: int | None = None) -> JobReport:
    """The report of a job; finding ``first`` has a place on the sheet in any case."""
    files = files_of(source)
    limits = list(parts.limits)
    if source.is_rehearsed:
        limits.append(
            "This was a rehearsal: its sweepers were simulated, on a clock of its own. Nothing "
            "here was measured."
        )
    if any(not digest for _, digest in files):
        limits.append(
            "Some of these sweeps lie in journals that are not sealed yet: they have no checksum."
        )
    limits += amended_limits(source)
    gone = removed_text(source.removed)
    broken = damage_sentence(source.damage)
    if broken:
        limits.insert(0, broken)
    if gone:
        limits.insert(0, f"{gone[0].upper()}{gone[1:]}. What is made from sweeps alone is missing.")
    elif not len(source.sweeps()) and not broken:
        limits.insert(0, "No sweep was kept in this time.")
    return JobReport(
        job=source.job,
        kind=source.kind or "unknown",
        sweeper=source.sweeper,
        headline=parts.headline,
        asked=parts.asked,
        coverage=source.coverage,
        gaps=source.gaps,
        spells=source.spells,
        notes=tuple(sorted((*source.notes, *amended_notes(source)), key=lambda one: one.at_s)),
        findings=placed(source.findings, first=first),
        verdict=parts.verdict,
        sections=parts.sections,
        footer=(*footer_facts(source), *amended_facts(source)),
        files=files,
        limits=tuple(limits),
    )


def _station_findings(archive: Archive, start_s: float, stop_s: float) -> tuple[FindingShown, ...]:
    found = archive.findings(STATION, start_s, stop_s)
    return tuple(finding_shown(one) for one in sorted(found, key=lambda one: one.at_s))


# --- one finding's own sheet ----------------------------------------------------------------------


def _of_finding(
    archive: Archive,
    station: Whose,
    jobs: Sequence[str],
    number: int,
    zone: str,
    made_at_s: float,
    told: _Progress,
    again: MeasureAgain | None,
) -> Report:
    from acqd.report.event import event_parts, range_of_event

    record = _the_finding(archive, jobs, number)
    start_s, stop_s = range_of_event(archive, record)
    if again is not None:
        again(archive, record.job, start_s, stop_s, None)
    source = JobSource(
        archive, record.job, start_s=start_s, stop_s=stop_s, zone=zone, progress=told
    )
    told.expect([source])
    told.begin(source)
    report = _put_together(source, event_parts(source, record), number)
    told.end()
    return Report(
        station=station.name,
        title=station.title,
        zone=zone,
        start_s=start_s,
        stop_s=stop_s,
        made_at_s=made_at_s,
        version=__version__,
        jobs=(report,),
        station_findings=_station_findings(archive, start_s, stop_s),
        finding=next((one for one in report.findings if one.number == number), None)
        or finding_shown(record),
        limits=station.limits,
    )


def _the_finding(archive: Archive, jobs: Sequence[str], number: int) -> FindingRecord:
    found = {
        job: record for job in jobs for record in archive.findings(job) if record.number == number
    }
    if len(found) == 1:
        return next(iter(found.values()))
    if found:
        raise WrongUsage(
            f"finding {number}: jobs {', '.join(found)} each have one of this number; "
            f"name the job with --job"
        )
    highest = {job: max((one.number for one in archive.findings(job)), default=0) for job in jobs}
    there = ", ".join(f"{job} has 1 to {most}" for job, most in highest.items() if most)
    raise WrongUsage(f"no finding {number}; {there or 'there are no findings'}")


# --- what all jobs of a page share ----------------------------------------------------------------


def same_colours(reports: tuple[JobReport, ...]) -> tuple[JobReport, ...]:
    """The same level has the same colour across a page: one scale for each unit."""
    sheets = [
        chart
        for report in reports
        for section in report.sections
        for chart in section.charts
        if isinstance(chart, Sheet)
    ]
    scales = {
        unit: (
            min(one.colour_low for one in sheets if one.unit == unit),
            max(one.colour_high for one in sheets if one.unit == unit),
        )
        for unit in {one.unit for one in sheets}
    }
    return tuple(
        replace(report, sections=tuple(_coloured(one, scales) for one in report.sections))
        for report in reports
    )


def _coloured(section: Section, scales: dict[str, tuple[float, float]]) -> Section:
    charts = tuple(
        replace(one, colour_low=scales[one.unit][0], colour_high=scales[one.unit][1])
        if isinstance(one, Sheet)
        else one
        for one in section.charts
    )
    return replace(section, charts=charts)


class _Progress:
    """One count over all jobs of a page, that never goes back."""

    def __init__(self, told: Progress | None) -> None:
        self._told = told
        self._total = self._before = self._mine = 0
        self._done = -1
        self._job = ""

    def expect(self, sources: Sequence[JobSource]) -> None:
        if self._told is not None:
            self._total = sum(len(one.sweeps()) for one in sources)

    def begin(self, source: JobSource) -> None:
        self._job, self._mine = source.job, len(source.sweeps())
        self._tell(self._before, f"reading {source.job}")

    def end(self) -> None:
        self._before += self._mine
        self._tell(self._before, f"read {self._job}")

    def __call__(self, done: int, total: int, text: str) -> None:
        # A kind may read its sweeps again, or sweeps of other steps.
        self._tell(self._before + min(done, self._mine), f"reading {self._job}")

    def _tell(self, done: int, text: str) -> None:
        if self._told is not None and done > self._done:
            self._done = done
            self._told(done, self._total, text)
