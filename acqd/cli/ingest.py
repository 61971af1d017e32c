"""``acqd ingest``: sweeps that people already have, as text, brought into an archive."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acqd.cli.progress import ProgressLine

if TYPE_CHECKING:
    from acqd.ingest.bad import Bad
    from acqd.ingest.run import Ingested, Task

__all__ = ["command"]

NAMED_MOST = 20
"""Bad rows that are named on the terminal; all are in the archive's own account of them."""


@click.command("ingest")
@click.argument("files", nargs=-1, required=True, metavar="FILE…")
@click.option(
    "--map", "map_file", required=True, type=click.Path(), help="How they are written: a TOML file."
)
@click.option("--archive", type=click.Path(), help="The folder of the archive; made if need be.")
@click.option("--config", type=click.Path(), help="A station's config: its archive, and its job.")
@click.option("--job", help="The job that the sweeps become; of the map, or of the config.")
@click.option(
    "--on-bad",
    type=click.Choice(["stop", "skip"]),
    default="stop",
    show_default=True,
    help="What to do with a row that cannot be read.",
)
@click.option("--dry-run", is_flag=True, help="Read and check everything, keep nothing.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def command(
    files: tuple[str, ...],
    map_file: str,
    archive: str | None,
    config: str | None,
    job: str | None,
    on_bad: str,
    dry_run: bool,
    as_json: bool,
) -> None:
    """Bring the sweeps of text logs into an archive.

    Each FILE is a log, plain or .gz, or a folder of logs. The map says how they are written and
    what job they become. Sweeps go through the checks, the measurement and the archive of live
    ones, in order of their clocks, with what is known of where they come from. What is there
    already is left out, so a run that was cut short is simply run again. Exit code 1 where
    something was refused.
    """
    from acqd.cli.logs import set_up_logs
    from acqd.ingest.run import ingest
    from acqd.ingest.scan import find_files

    if archive is not None and config is not None:
        raise click.UsageError("--archive and --config: leave one of the two out")
    if archive is None and config is None and not dry_run:
        raise click.UsageError(
            "into which archive? give --archive with a folder, or --config; or --dry-run"
        )
    task = _task(map_file, archive, config, job, skip_bad=on_bad == "skip", dry_run=dry_run)
    task = _with_files(task, find_files(files, task.told.file.files))
    for note in task.told.notes():
        click.echo(f"note: {note}", err=True)
    set_up_logs(errors_only=True)
    with ProgressLine() as line:
        names = _Names(line)
        try:
            done = ingest(task, on_bad=names.tell, progress=line.show)
        except KeyboardInterrupt:
            line.clear()
            click.echo(
                "stopped: what was kept stays; the same command goes on from there", err=True
            )
            raise click.Abort from None
        names.rest()
    if as_json:
        _print_json(done)
    else:
        _show(done, task)
    raise SystemExit(int(done.refused > 0))


def _task(
    map_file: str,
    archive: str | None,
    config: str | None,
    job: str | None,
    *,
    skip_bad: bool,
    dry_run: bool,
) -> Task:
    from acqd.config.load import find_config, load_config
    from acqd.errors import WrongUsage
    from acqd.ingest.maps import load_map
    from acqd.ingest.run import Task

    told = load_map(Path(map_file))
    station, name = None, told.job(job) if config is None else job
    if config is not None:
        station = load_config(find_config(config))
        jobs = ", ".join(station.jobs) or "none"
        if name is None and len(station.jobs) == 1:
            (name,) = station.jobs
        if name is None:
            raise WrongUsage(f"which job of {station.path}? give --job with one of: {jobs}")
        if name not in station.jobs:
            raise WrongUsage(f"{station.path}: no job {name!r}; jobs there: {jobs}")
    assert name is not None
    folder = Path(archive) if archive is not None else None if station is None else station.archive
    return Task(
        told=told,
        paths=(),
        archive=folder,
        job=name,
        config=station,
        skip_bad=skip_bad,
        dry_run=dry_run,
    )


def _with_files(task: Task, paths: list[Path]) -> Task:
    from dataclasses import replace

    # A map that lies among the logs is none of them, and neither is a reference.
    named = (task.told.path, *task.told.reference_files().values())
    own = {path.resolve() for path in named}
    return replace(task, paths=[path for path in paths if path.resolve() not in own])


class _Names:
    """Names bad rows on standard error, the first of them."""

    def __init__(self, line: ProgressLine) -> None:
        self._line = line
        self._count = 0

    def tell(self, bad: Bad) -> None:
        self._count += 1
        if self._count <= NAMED_MOST:
            self._line.clear()
            click.echo(f"passed over: {bad}", err=True)

    def rest(self) -> None:
        if self._count > NAMED_MOST:
            self._line.clear()
            click.echo(f"and {self._count - NAMED_MOST:,} rows more", err=True)


# ---- what is shown ---------------------------------------------------------------------------


def _print_json(done: Ingested) -> None:
    import json
    from dataclasses import asdict

    shown: dict[str, Any] = asdict(done)
    for key in ("archive", "provenance"):
        shown[key] = None if shown[key] is None else str(shown[key])
    shown["from"], shown["to"] = _utc(done.from_s), _utc(done.to_s)
    click.echo(json.dumps(shown, indent=2, ensure_ascii=False))


def _utc(at_s: float | None) -> str | None:
    from datetime import UTC, datetime

    return (
        None
        if at_s is None
        else datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds")
    )


def _show(done: Ingested, task: Task) -> None:
    from acqd.look.times import range_text

    zone = task.told.time.zone
    click.echo(_sentence(done))
    if done.from_s is not None and done.to_s is not None:
        points = ", ".join(str(one) for one in done.points[:6]) + (
            " …" if len(done.points) > 6 else ""
        )
        click.echo(f"{range_text(done.from_s, done.to_s, zone)}; {points} points; {done.levels}")
    if done.older:
        click.echo(
            f"{_count(done.older, 'sweep')} older than what the archive holds of job {done.job} "
            f"cannot be put in between; --job with another name takes them as a job of their own"
        )
    if done.provenance is not None:
        click.echo(f"where they came from: {done.provenance}")
    if done.sweeps and not done.is_dry:
        click.echo(f"next: acqd report {done.archive} --job {done.job}")


def _sentence(done: Ingested) -> str:
    """All counts in one sentence."""
    what = "would be kept" if done.is_dry else "kept"
    found = [f"{_count(done.sweeps, 'sweep')} of {_count(done.files, 'file')} {what}"]
    if done.known:
        found.append(f"{_count(done.known, 'file')} not read again, all of it is there")
    if done.held:
        found.append(f"{_count(done.held, 'sweep')} there already")
    if done.older:
        found.append(f"{_count(done.older, 'sweep')} too old")
    if done.twice:
        found.append(f"{_count(done.twice, 'sweep')} of a time that another has left out")
    if done.refused:
        found.append(f"{_count(done.refused, 'row')} refused")
    if done.missed:
        found.append(f"{_count(done.missed, 'due sweep')} not in the files")
    if done.findings:
        found.append(_count(done.findings, "finding"))
    return ", ".join(found) + f" (job {done.job}, {done.took_s:.1f} s)"


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"
