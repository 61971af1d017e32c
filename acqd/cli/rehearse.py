"""``acqd rehearse``: a night of a config on a clock of its own, in minutes."""

from __future__ import annotations

import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acqd.cli.options import takes_config
from acqd.cli.progress import ProgressLine

if TYPE_CHECKING:
    from acqd.config.whole import StationConfig
    from acqd.rehearsal.outcome import Outcome
    from acqd.rehearsal.run import Progress

__all__ = ["command"]

SEED_MOST = 2**63 - 1
DAY_S = 86400.0
TOLD_AFTER_S = 5.0
"""How long one waits for a guess at how long it will take."""


@click.command("rehearse")
@takes_config
@click.option(
    "--from",
    "start",
    metavar="TIME",
    help="When it begins: 21:00 (the next one, station's clock), or ISO 8601. "
    "Else with the next window of any job.",
)
@click.option("--for", "length", default="10h", show_default=True, help="How long a night it is.")
@click.option(
    "--archive",
    type=click.Path(),
    help="Keep what was swept in this folder, empty or new. Else it is thrown away.",
)
@click.option("--scene", type=click.Path(), help="A scene file for all the simulated sweepers.")
@click.option(
    "--seed", type=click.IntRange(1, SEED_MOST), help="Another night of the same scene: a number."
)
@click.option("--report", type=click.Path(), help="The sample report; else CONFIG-rehearsal.html.")
@click.option("--no-report", is_flag=True, help="Make no report.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def command(
    config: str | None,
    start: str | None,
    length: str,
    archive: str | None,
    scene: str | None,
    seed: int | None,
    report: str | None,
    no_report: bool,
    as_json: bool,
) -> None:
    """Rehearse a night of CONFIG before leaving it alone.

    Runs the station itself, with simulated sweepers on a clock of its own, as fast as the machine
    goes. Says what each job will keep and lose to whom, what it takes of the disk, how much it will
    say, and makes the report of it. No sweeper and no broker is asked anything. Ctrl-C ends it
    early, with what was rehearsed by then. Exit code 1 where a job was due and kept nothing.
    """
    from acqd.cli.export_files import refuse_unwritable
    from acqd.cli.logs import set_up_logs
    from acqd.clock import SystemClock
    from acqd.config.load import find_config, load_config
    from acqd.drivers.registry import load_drivers
    from acqd.rehearsal.outcome import outcome_of
    from acqd.rehearsal.run import rehearse

    if report is not None and no_report:
        raise click.UsageError("--report and --no-report: leave one of the two out")
    path = find_config(config)
    loaded = load_config(path)
    length_s = _length_s(length)
    from_s = _from_s(loaded, start, SystemClock().wall_s())
    where = report or f"{path.stem}-rehearsal.html"
    if not no_report:
        refuse_unwritable(where)
    set_up_logs(errors_only=True)
    began_s, zone = time.monotonic(), loaded.station.time_zone
    with _folder(archive) as folder, ProgressLine() as line:
        line.say("setting the station up")
        done = rehearse(
            loaded,
            load_drivers(),
            from_s=from_s,
            length_s=length_s,
            archive=folder,
            scene=None if scene is None else Path(scene),
            seed=seed,
            progress=lambda told: _show_progress(line, told, zone, began_s),
        )
        outcome = outcome_of(done)
        page = None
        if not no_report:
            line.say("making the report")
            page = _reported(folder, outcome, where, line)
    if as_json:
        _print_json(str(path), outcome, archive, page)
    else:
        _show(str(path), outcome, archive, page)
    raise SystemExit(int(any(job.due and not job.kept for job in outcome.jobs)))


def _length_s(text: str) -> float:
    from acqd.config.quantity import DURATION, QuantityError, parse_quantity

    try:
        return parse_quantity(text, DURATION)
    except QuantityError as exc:
        raise click.UsageError(f"--for {text!r}: {exc}") from None


def _from_s(config: StationConfig, text: str | None, now_s: float) -> float:
    """The moment that ``--from`` means; of a time of the clock the next one."""
    from acqd.look.times import moment_of
    from acqd.rehearsal.run import default_start_s

    if text is None:
        return default_start_s([config.schedule(job) for job in config.enabled_jobs], now_s)
    zone = config.station.time_zone
    try:
        found = moment_of(text, zone, now_s=now_s)
        if text == "now" or len(text) > len("21:05:30"):
            return found
        # The last such time by tomorrow: a day of the clock may have 23 or 25 hours.
        return moment_of(text, zone, now_s=found + 1.25 * DAY_S)
    except ValueError:
        raise click.UsageError(
            f"--from {text!r} is no time; expected 21:00 (the next one, {zone}), now, or ISO 8601 "
            "such as 2026-11-28T21:00Z"
        ) from None


@contextmanager
def _folder(archive: str | None) -> Iterator[Path]:
    """Where the archive goes: a folder that is kept, or one that goes with the rehearsal."""
    if archive is not None:
        yield Path(archive)
        return
    folder = Path(tempfile.mkdtemp(prefix="acqd-rehearsal-"))
    try:
        yield folder / "archive"
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _show_progress(line: ProgressLine, progress: Progress, zone: str, began_s: float) -> None:
    """The time on the rehearsal's clock, and after some seconds how long the rest may take."""
    from acqd.look.times import clock, duration

    text = clock(progress.at_s, zone)
    gone_s = time.monotonic() - began_s
    if gone_s > TOLD_AFTER_S and progress.done > 0.0:
        left_s = gone_s * (1.0 - progress.done) / progress.done
        text += f", about {duration(float(round(left_s)))} left"
    line.show(progress.done, text)


def _reported(archive: Path, outcome: Outcome, path: str, line: ProgressLine) -> Path:
    from acqd.archive.durable import write_whole
    from acqd.errors import ArchiveError
    from acqd.report.gather import gather
    from acqd.report.page import html

    report = gather(
        archive,
        start_s=outcome.from_s,
        stop_s=outcome.to_s,
        zone=outcome.zone,
        progress=line.sweeps,
    )
    line.say("drawing the report")
    try:
        write_whole(Path(path), html(report).encode())
    except OSError as exc:
        raise ArchiveError(f"{path}: the report cannot be written: {exc.strerror}") from exc
    return Path(path)


# ---- what is shown ---------------------------------------------------------------------------


def _print_json(config: str, outcome: Outcome, archive: str | None, page: Path | None) -> None:
    import json

    def utc(at_s: float) -> str:
        return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="seconds")

    shown: dict[str, Any] = {
        "config": config,
        "from": utc(outcome.from_s),
        "to": utc(outcome.to_s),
        **asdict(outcome),
        "archive": archive,
        "report": None if page is None else str(page),
    }
    click.echo(json.dumps(shown, indent=2, ensure_ascii=False))


def _show(config: str, outcome: Outcome, archive: str | None, page: Path | None) -> None:
    from acqd.look.times import duration, range_text
    from acqd.rehearsal.told import conflicts, disk_lines, message_lines

    click.echo(f"{outcome.title} ({outcome.station}), from {config}")
    asked = range_text(outcome.from_s, outcome.to_s, outcome.zone)
    click.echo(
        f"rehearsed {asked}: {duration(outcome.to_s - outcome.from_s)} in "
        f"{duration(outcome.took_s)}" + ("; cut short by hand" if outcome.is_cut_short else "")
    )
    _show_jobs(outcome)
    click.echo("\nconflicts and losses")
    for sentence in conflicts(outcome) or ["none: all that was due was kept"]:
        click.echo(sentence)
    for label, lines in (("disk", disk_lines(outcome)), ("messages", message_lines(outcome))):
        for at, line in enumerate(lines):
            click.echo(f"{'' if at else chr(10)}{label if not at else '':10}{line}")
    click.echo("\ntaken for granted")
    for sentence in outcome.assumed:
        click.echo(sentence)
    if archive is not None:
        click.echo(f"\narchive   {archive}")
    if page is not None:
        click.echo(f"{'' if archive is not None else chr(10)}report    {page}")


def _show_jobs(outcome: Outcome) -> None:
    from acqd.cli.tables import number, quantity, table
    from acqd.rehearsal.told import missed_text

    rows = [
        (
            job.job,
            job.kind,
            job.sweeper,
            f"{job.due:,}",
            f"{job.kept:,}",
            "–" if job.coverage is None else f"{number(100 * job.coverage, 1)} %",
            f"{number(100 * job.share, 0)} %",
            str(sum(job.findings.values())),
            quantity(float(job.size_bytes), "B"),
            missed_text(job),
        )
        for job in outcome.jobs
    ]
    heads = (
        "job",
        "kind",
        "sweeper",
        "due",
        "kept",
        "coverage",
        "share",
        "findings",
        "disk",
        "missed",
    )
    click.echo()
    click.echo(table(heads, rows, right=(3, 4, 5, 6, 7, 8)))
