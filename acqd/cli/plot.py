"""``acqd plot``: a sweep, a range, the sheet or one channel of an archive, as a picture."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acqd.cli.progress import ProgressLine

if TYPE_CHECKING:
    from acqd.archive.reader import Archive
    from acqd.report.draw.plots import Plotted
    from acqd.report.source import JobSource

__all__ = ["command"]

WHATS = ("sheet", "range", "sweep", "channel")
SUFFIXES = (".png", ".svg")


@click.command("plot")
@click.argument("archive", type=click.Path())
@click.option("--job", help="The job; may be left out where there is only one.")
@click.option("--from", "start", help="First moment: 21:00 on the station's clock, or ISO 8601.")
@click.option("--to", "stop", help="End of the range, not included.")
@click.option("--zone", help="Time zone to tell times in (IANA); else the station's.")
@click.option(
    "--what",
    type=click.Choice(WHATS),
    help="The sheet of a range; its spectra; single sweeps; one channel. By the other options, "
    "else the sheet.",
)
@click.option("--seq", metavar="N[,M...]", help="Numbers of sweeps, overlaid; 'last' is the last.")
@click.option(
    "--finding", type=click.IntRange(1), help="The sweeps of the closer look at this finding."
)
@click.option("--channel", help="A channel by its name in the plan.")
@click.option("--at", "frequency", help='A frequency instead, such as "156.8 MHz".')
@click.option(
    "--plane",
    type=click.Choice(["input", "far-end"]),
    default="far-end",
    show_default=True,
    help="Of --what sweep and range: levels at the sweeper's input, or at the chain's far end.",
)
@click.option(
    "--width",
    type=click.Choice(["page", "phone"]),
    default="page",
    show_default=True,
    help="What it is laid out for.",
)
@click.option("--dark", is_flag=True, help="Light on dark.")
@click.option(
    "--dpi", type=click.IntRange(48, 600), default=192, show_default=True, help="Of a PNG."
)
@click.option(
    "-o", "--output", type=click.Path(), help="A .png or .svg; else named by job and time."
)
def command(**options: Any) -> None:
    """Draw what ARCHIVE holds of a job: the night sheet, or with other options a range, single
    sweeps, one channel.

    Without a range it is the job's last window by the plan, or the last 24 hours.
    """
    asked = _Asked(**options)
    what = _what(asked)
    _refuse_misfits(asked, what)
    from acqd.archive.reader import open_archive
    from acqd.report.amended import amended_facts, amended_notes
    from acqd.report.draw import save
    from acqd.report.whose import whose

    with ProgressLine() as line:
        archive = open_archive(asked.archive)
        station = whose(archive)
        job, zone = _job(asked, archive), asked.zone or station.zone
        source = _source(asked, archive, job, zone, what, line)
        plotted = _plotted(asked, what, source)
        path = (
            Path(asked.output) if asked.output else Path(_name_of(job, what, plotted.start_s, zone))
        )
        is_sheet = what in ("sheet", "channel")
        line.say("drawing")
        save(
            plotted.chart,
            path,
            start_s=plotted.start_s,
            stop_s=plotted.stop_s,
            zone=zone,
            width="phone" if asked.width == "phone" else "page",
            dark=asked.dark,
            dpi=float(asked.dpi),
            gaps=source.gaps if is_sheet else (),
            spells=source.spells if is_sheet else (),
            findings=plotted.findings,
            notes=(*source.notes, *amended_notes(source)) if is_sheet else (),
            heading=_heading(job, station.title, plotted, zone),
        )
        told = [one.text for one in amended_facts(source) if one.name == "chain amended"]
    for text in told:
        click.echo(f"chain amended: {text}", err=True)
    click.echo(f"wrote {path}", err=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """The words of the command."""

    archive: str
    job: str | None
    start: str | None
    stop: str | None
    zone: str | None
    what: str | None
    seq: str | None
    finding: int | None
    channel: str | None
    frequency: str | None
    plane: str
    width: str
    dark: bool
    dpi: int
    output: str | None


def _what(asked: _Asked) -> str:
    """What is drawn, where nobody says it."""
    if asked.what is not None:
        return asked.what
    if asked.seq is not None or asked.finding is not None:
        return "sweep"
    return "channel" if asked.channel is not None or asked.frequency is not None else "sheet"


def _refuse_misfits(asked: _Asked, what: str) -> None:
    """Options that do not go together, before anything is read."""
    if asked.output is not None and Path(asked.output).suffix.lower() not in SUFFIXES:
        raise click.UsageError(f"--output {asked.output}: a picture's name ends in .png or .svg")
    if asked.output is not None:
        from acqd.cli.export_files import refuse_unwritable

        refuse_unwritable(asked.output)
    for name, given in (("--seq", asked.seq), ("--finding", asked.finding)):
        if given is not None and what != "sweep":
            raise click.UsageError(f"{name} is for --what sweep, not {what}")
    if asked.seq is not None and asked.finding is not None:
        raise click.UsageError("--seq and --finding both name sweeps; leave one out")
    if what == "sweep" and asked.seq is None and asked.finding is None:
        raise click.UsageError("--what sweep needs --seq with the number of a sweep, or 'last'")
    if what == "sweep" and (asked.start or asked.stop):
        named = "--seq" if asked.finding is None else "--finding"
        raise click.UsageError(f"{named} names its sweeps; leave --from and --to out")
    if asked.channel is not None and asked.frequency is not None:
        raise click.UsageError("--channel and --at name the same thing twice; leave one out")
    if what == "channel" and asked.channel is None and asked.frequency is None:
        raise click.UsageError("--what channel needs --channel with a name, or --at a frequency")
    if what != "channel" and (asked.channel is not None or asked.frequency is not None):
        raise click.UsageError(f"--channel and --at are for --what channel, not {what}")
    if asked.plane == "input" and what not in ("sweep", "range"):
        raise click.UsageError(f"--plane input is for --what sweep and range, not {what}")
    if asked.zone is not None:
        from zoneinfo import ZoneInfo

        try:
            ZoneInfo(asked.zone)
        except (KeyError, ValueError, OSError):
            raise click.UsageError(
                f"--zone {asked.zone!r} is no time zone here; expected a name such as Europe/London"
            ) from None


def _job(asked: _Asked, archive: Archive) -> str:
    """The job that is meant; the only one where none is named."""
    from difflib import get_close_matches

    jobs = archive.jobs()
    if asked.job is None and len(jobs) == 1:
        return jobs[0]
    if asked.job in jobs:
        return str(asked.job)
    have = ", ".join(jobs) or "none"
    if asked.job is None:
        raise click.UsageError(f"{asked.archive}: --job is needed; jobs here: {have}")
    near = get_close_matches(asked.job, jobs, n=1)
    hint = f"did you mean {near[0]!r}? " if near else ""
    raise click.UsageError(f"{asked.archive}: no job {asked.job!r}; {hint}jobs here: {have}")


def _source(
    asked: _Asked, archive: Archive, job: str, zone: str, what: str, line: ProgressLine
) -> JobSource:
    """The job in the range that is meant; single sweeps are looked for at all times."""
    import numpy as np

    from acqd.report.range import default_range, extent_s, moment_in, refuse_backwards
    from acqd.report.source import JobSource
    from acqd.station.again import measure_again

    extent = extent_s(archive, job)
    end_s = time.time() if extent is None else extent[1]
    if what == "sweep":
        begin_s = 0.0 if extent is None else extent[0]
        source = JobSource(archive, job, start_s=begin_s, stop_s=end_s + 1.0, zone=zone)
        at_s = source.sweeps().started_s[np.isin(source.sweeps().seq, _seqs(asked, source))]
        if not at_s.size or not measure_again(
            archive, job, float(at_s.min()), float(at_s.max()) + 1e-3, line.sweeps
        ):
            return source
        return JobSource(archive, job, start_s=begin_s, stop_s=end_s + 1.0, zone=zone)
    start_s = None if asked.start is None else moment_in(asked.start, zone, end_s)
    stop_s = None if asked.stop is None else moment_in(asked.stop, zone, end_s, after_s=start_s)
    refuse_backwards(start_s, stop_s, ends_s=end_s, zone=zone)
    found = default_range(archive, [job], zone)
    start_s = found.start_s if start_s is None else start_s
    stop_s = found.stop_s if stop_s is None else stop_s
    if stop_s <= start_s:
        raise click.UsageError("the range ends before it begins; give --from the earlier time")
    measure_again(archive, job, start_s, stop_s, line.sweeps)
    return JobSource(archive, job, start_s=start_s, stop_s=stop_s, zone=zone, progress=line.sweeps)


def _plotted(asked: _Asked, what: str, source: JobSource) -> Plotted:
    from acqd.report.draw.plots import channel_plot, range_plot, sheet_plot, sweeps_plot

    at_input = asked.plane == "input"
    if what == "sweep":
        return sweeps_plot(source, _seqs(asked, source), at_input=at_input)
    if what == "range":
        return range_plot(source, at_input=at_input)
    if what == "sheet":
        return sheet_plot(source)
    at_hz = None if asked.frequency is None else _frequency(asked.frequency)
    return channel_plot(source, name=asked.channel, at_hz=at_hz)


def _seqs(asked: _Asked, source: JobSource) -> list[int]:
    """Sweeps by number, or those of the closer look at a finding, as many as one picture holds."""
    from acqd.report.closerlook import seqs_of_looks
    from acqd.report.draw.plots import SWEEPS_MOST

    if asked.finding is None:
        return _numbers(str(asked.seq), source)
    found = seqs_of_looks(source, asked.finding)
    if not found:
        raise click.UsageError(
            f"{asked.archive}: job {source.job}: finding {asked.finding} has no closer look; "
            "those that have one are told of as looked_closer"
        )
    return found[:SWEEPS_MOST]


def _numbers(text: str, source: JobSource) -> list[int]:
    numbers = []
    for part in text.split(","):
        word = part.strip()
        index = source.sweeps()
        if word == "last" and len(index):
            numbers.append(int(index.seq[-1]))
        elif word.isdecimal() and int(word) > 0:
            numbers.append(int(word))
        else:
            raise click.UsageError(
                f"--seq {text!r}: expected numbers of sweeps such as 812 or 812,1040, or 'last'"
            )
    return numbers


def _frequency(text: str) -> float:
    from acqd.config.quantity import FREQUENCY, parse_quantity

    try:
        return float(parse_quantity(text, FREQUENCY))
    except ValueError as exc:
        raise click.UsageError(f"--at: {exc}") from exc


def _heading(job: str, title: str, plotted: Plotted, zone: str) -> tuple[str, ...]:
    from acqd.look.times import clock, date, range_text, zone_text

    at_s = plotted.start_s
    when = range_text(at_s, plotted.stop_s, zone)
    if clock(at_s, zone, seconds=True) == clock(plotted.stop_s, zone, seconds=True):
        when = f"{date(at_s, zone)}, {clock(at_s, zone, seconds=True)} ({zone_text(at_s, zone)})"
    return f"{job}, {title}", f"{when}; {plotted.about}"


def _name_of(job: str, what: str, start_s: float, zone: str) -> str:
    """``marine-vhf-sheet-2026-06-14-210000.png``, on the zone's clock. The job may be of somebody
    else's archive, and be called anything: the name stays one of a file here."""
    from datetime import UTC, datetime
    from zoneinfo import ZoneInfo

    from acqd.publish.topics import topic_level

    local = datetime.fromtimestamp(start_s, UTC).astimezone(ZoneInfo(zone))
    return f"{topic_level(job)}-{what}-{local:%Y-%m-%d-%H%M%S}.png"
