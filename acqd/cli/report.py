"""``acqd report``: what an archive holds of a night, as a page, as JSON, as a bundle."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acqd.cli.progress import ProgressLine

if TYPE_CHECKING:
    import xarray as xr

    from acqd.archive.reader import Archive
    from acqd.report.shapes import Report

__all__ = ["command"]

STANDARD_OUTPUT = "-"


@click.command("report")
@click.argument("archives", type=click.Path(), nargs=-1, required=True, metavar="ARCHIVE...")
@click.option("--job", "jobs", multiple=True, help="Only this job; may be given several times.")
@click.option("--from", "start", help="First moment: 21:00 on the station's clock, or ISO 8601.")
@click.option("--to", "stop", help="End of the range, not included.")
@click.option("--zone", help="Time zone to tell times in (IANA); else the station's.")
@click.option("--finding", type=click.IntRange(1), help="One finding's own sheet, by its number.")
@click.option("-o", "--output", type=click.Path(), help="The page; else named by job and date.")
@click.option(
    "--json",
    "json_file",
    type=click.Path(),
    is_flag=False,
    flag_value=STANDARD_OUTPUT,
    metavar="[FILE]",
    help="All numbers as JSON, to standard output where no FILE is named.",
)
@click.option("--bundle", type=click.Path(), help="A zip of page, numbers, CSV and checksums.")
@click.option("--with-picture", is_flag=True, help="The sheet's cells too, in the JSON.")
@click.option("--with-levels", is_flag=True, help="All levels of all sweeps too, in the bundle.")
def command(**options: Any) -> None:
    """Tell a night from ARCHIVE: one HTML page that opens anywhere, offline.

    Without a range it is the jobs' last window by the plan, or the last 24 hours. Several archives
    make one page of several stations. With --json or --bundle there is a page only where -o asks
    for it.
    """
    asked = _Asked(**options)
    _refuse_misfits(asked)
    began_s = time.monotonic()
    with ProgressLine() as line:
        report, archives = _gathered(asked, line)
        written = list(_written(asked, report, archives, line))
    took = _lasting(time.monotonic() - began_s)
    for path in written:
        click.echo(f"wrote {path}, {_size(path)}, in {took}", err=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """The words of the command."""

    archives: tuple[str, ...]
    jobs: tuple[str, ...]
    start: str | None
    stop: str | None
    zone: str | None
    finding: int | None
    output: str | None
    json_file: str | None
    bundle: str | None
    with_picture: bool
    with_levels: bool


def _refuse_misfits(asked: _Asked) -> None:
    """Options that do not go together, and files that cannot be made."""
    from acqd.cli.export_files import refuse_unwritable

    twice = [one for one in asked.archives if _is_again(one, asked.archives)]
    if twice:
        raise click.UsageError(f"{twice[0]} is named twice; once is enough")
    if asked.finding is not None and (asked.start or asked.stop):
        raise click.UsageError("--finding has its own range; leave --from and --to out")
    if asked.finding is not None and (len(asked.archives) > 1 or len(asked.jobs) > 1):
        raise click.UsageError("--finding is of one job of one archive")
    if asked.with_picture and asked.json_file is None and asked.bundle is None:
        raise click.UsageError("--with-picture is for --json and --bundle")
    if asked.with_levels and asked.bundle is None:
        raise click.UsageError("--with-levels is for --bundle")
    if asked.zone is not None:
        _refuse_unknown(asked.zone)
    for path in (asked.output, asked.json_file, asked.bundle):
        if path is not None and path != STANDARD_OUTPUT:
            refuse_unwritable(path)


def _is_again(path: str, archives: tuple[str, ...]) -> bool:
    return sum(Path(path).resolve() == Path(one).resolve() for one in archives) > 1


def _written(
    asked: _Asked, report: Report, archives: dict[str, Archive], line: ProgressLine
) -> Iterator[Path]:
    """What was asked for, file by file."""
    if asked.json_file is not None:
        from acqd.report.jsonout import as_json

        yield from _put(as_json(report, with_picture=asked.with_picture), asked.json_file)
    if asked.bundle is not None:
        line.say("putting the bundle together")
        yield _bundled(asked, report, archives)
    if asked.output is not None or (asked.json_file is None and asked.bundle is None):
        from acqd.report.page import html

        line.say("drawing the page")
        page = html(report, progress=lambda done, of: _show_drawn(line, done, of))
        yield from _put(page, asked.output or _name_of(report))


def _show_drawn(line: ProgressLine, done: int, of: int) -> None:
    line.show(done / of, f"{done} of {of} figures drawn")


def _gathered(asked: _Asked, line: ProgressLine) -> tuple[Report, dict[str, Archive]]:
    """The report of all archives, over the range and on the clock of the first; the archives by
    what their station is called in it."""
    from acqd.archive.reader import open_archive
    from acqd.report.gather import gather
    from acqd.report.together import labels, together
    from acqd.station.again import measure_again

    archives = [open_archive(path) for path in asked.archives]
    start_s, stop_s = _range(archives[0], asked)
    zone = asked.zone
    reports: list[Report] = []
    used: list[Archive] = []
    for archive in archives:
        there = [job for job in asked.jobs if job in archive.jobs()]
        if reports and asked.jobs and not there:
            continue  # The first one has them.
        made = gather(
            archive,
            jobs=there or list(asked.jobs) or None,
            start_s=start_s,
            stop_s=stop_s,
            zone=zone,
            finding=asked.finding,
            progress=line.sweeps,
            again=measure_again,
        )
        start_s, stop_s, zone = made.start_s, made.stop_s, made.zone
        reports.append(made)
        used.append(archive)
    return together(reports), dict(zip(labels(reports), used, strict=True))


def _refuse_unknown(zone: str) -> None:
    from zoneinfo import ZoneInfo

    try:
        ZoneInfo(zone)
    except (KeyError, ValueError, OSError):
        raise click.UsageError(
            f"--zone {zone!r} is no time zone here; expected a name such as Europe/London"
        ) from None


def _range(archive: Archive, asked: _Asked) -> tuple[float | None, float | None]:
    """What --from and --to mean: a time of the clock is the last one before the archive ends, of
    --to the first one after --from."""
    if asked.start is None and asked.stop is None:
        return None, None
    from acqd.report.range import extent_s, moment_in, refuse_backwards
    from acqd.report.whose import whose

    zone = asked.zone or whose(archive).zone
    there = [job for job in archive.jobs() if not asked.jobs or job in asked.jobs]
    ends = [found[1] for job in there if (found := extent_s(archive, job)) is not None]
    near_s = max(ends, default=time.time())
    start_s = None if asked.start is None else moment_in(asked.start, zone, near_s)
    stop_s = None if asked.stop is None else moment_in(asked.stop, zone, near_s, after_s=start_s)
    refuse_backwards(start_s, stop_s, ends_s=max(ends, default=None), zone=zone)
    return start_s, stop_s


def _put(text: str, path: str) -> list[Path]:
    """Text into a file that appears when it is whole; to standard output for ``-``."""
    from acqd.cli.export_files import published

    if path == STANDARD_OUTPUT:
        # Page and JSON are UTF-8 by what they say of themselves, whatever the terminal takes.
        click.echo(text.encode("utf-8"), nl=False)
        return []
    with published(path) as beside:
        beside.write_text(text, "utf-8")
    return [Path(path)]


def _bundled(asked: _Asked, report: Report, archives: dict[str, Archive]) -> Path:
    from acqd.cli.export_files import published
    from acqd.report.bundle import bundle

    path = str(asked.bundle)
    with published(path) as beside:
        sweeps = _sweeps(report, archives, asked.with_levels)
        bundle(report, beside, extra=sweeps, with_picture=asked.with_picture)
    return Path(path)


def _sweeps(
    report: Report, archives: dict[str, Archive], with_levels: bool
) -> Iterator[tuple[str, Iterable[str]]]:
    """A row a sweep for each setup of each job, and on request a row a point at the input."""
    from acqd.cli.export import level_lines, summary_lines
    from acqd.report.bundle import folder_of

    for job in report.jobs:
        archive = archives[job.station]
        for name, data in _datasets(archive, job.job, report.start_s, report.stop_s):
            yield f"{folder_of(job)}/sweeps-{name}.csv", summary_lines(data)
            if with_levels:
                yield f"{folder_of(job)}/levels-{name}.csv", level_lines(data)


def _datasets(
    archive: Archive, job: str, start_s: float, stop_s: float
) -> Iterator[tuple[str, xr.Dataset]]:
    """The sweeps of the range by setup, under the step and the beginning of the setup's digest."""
    from acqd.errors import ArchiveError

    for one in archive.setups(job):
        try:
            data = archive.sweeps(job, start_s, stop_s, step=one.step, setup=one.setup)
        except ArchiveError:
            continue  # None of this setup in the range.
        yield f"{one.step}-{one.setup[:8]}", data


def _name_of(report: Report) -> str:
    """``marine-vhf-2026-06-14.html``: the job, else the station, and the day it begins."""
    from datetime import UTC, datetime
    from zoneinfo import ZoneInfo

    from acqd.report.page_words import slug

    if report.finding is not None:
        return f"{slug(report.finding.job)}-finding-{report.finding.number}.html"
    day = datetime.fromtimestamp(report.start_s, UTC).astimezone(ZoneInfo(report.zone)).date()
    name = report.jobs[0].job if len(report.jobs) == 1 else report.station
    return f"{slug(name)}-{day.isoformat()}.html"


def _size(path: Path) -> str:
    size = path.stat().st_size
    return f"{size / 1e6:.1f} MB" if size >= 1e6 else f"{size / 1e3:.0f} kB"


def _lasting(seconds: float) -> str:
    from acqd.look.times import duration

    return duration(round(seconds, 1))
