"""``acqd export``: an archive as tidy CSV, as netCDF or Parquet, a sweep as Touchstone."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import PurePath
from typing import IO, TYPE_CHECKING, Any

import click

from acqd.cli.moments import moment

if TYPE_CHECKING:
    import xarray as xr

    from acqd.archive.reader import Archive

__all__ = ["command", "level_lines", "summary_lines"]

STATION = "station"
"""Findings of the station itself are found under this name, which no job may have."""

ROWS_AT_ONCE = 64
"""Sweeps that are held in memory at a time."""


FORMATS = {
    ".csv": "csv",
    ".nc": "netcdf",
    ".parquet": "parquet",
    ".s1p": "touchstone",
    ".s2p": "touchstone",
}
"""Formats by what the name of a file ends in."""


@click.command("export")
@click.argument("archive", type=click.Path())
@click.option("--job", help="The job; may be left out where there is only one.")
@click.option("--from", "start", callback=moment, help="First moment, ISO 8601 with a zone.")
@click.option("--to", "stop", callback=moment, help="End of the range, not included.")
@click.option("--setup", help="One setup, by the beginning of its digest.")
@click.option(
    "--plane",
    type=click.Choice(["input", "far-end"]),
    default="far-end",
    show_default=True,
    help="Levels at the sweeper's input as they were measured, or at the far end of the chain.",
)
@click.option(
    "--what",
    type=click.Choice(["levels", "summary", "findings", "gaps"]),
    default="levels",
    show_default=True,
    help="A row a point of each sweep; a row a sweep; a row a finding; a row a gap.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(sorted(set(FORMATS.values()))),
    help="What to write; by the name of the output where it tells, else csv.",
)
@click.option("--seq", type=click.IntRange(1), help="The sweep of a Touchstone file; the last one.")
@click.option("-o", "--output", type=click.Path(), help="A file, instead of standard output.")
def command(
    archive: str,
    job: str | None,
    start: datetime | None,
    stop: datetime | None,
    setup: str | None,
    plane: str,
    what: str,
    form: str | None,
    seq: int | None,
    output: str | None,
) -> None:
    """Write what ARCHIVE holds: as comma-separated values, one observation a row, or as a file of
    another format."""
    from acqd.archive.reader import open_archive

    form = form or FORMATS.get(PurePath(output or "").suffix.lower(), "csv")
    _refuse_misfits(form, what, seq, output)
    with open_archive(archive) as opened:
        job = _job(job, opened.jobs(), archive, findings=what == "findings")
        figures = what in ("summary", "findings") or form in ("netcdf", "parquet")
        _with_amended_chain(opened, job, (start, stop), figures=figures, levels=what != "gaps")
        if form == "csv" and what in ("findings", "gaps"):
            lines = _findings(opened.findings(job, start, stop))
            if what == "gaps":
                lines = _gaps(opened.gaps(job, start, stop))
            _put(lines, output)
            return
        far_end = plane == "far-end" and form != "touchstone"
        data = opened.sweeps(job, start, stop, setup=setup, plane="far end" if far_end else "input")
        for text in data.attrs.get("clock_correction", ()):
            click.echo(f"clock corrected: {text}", err=True)
        if what == "summary" and form != "csv":
            data = data.drop_vars("level")
        if form == "csv":
            _put(level_lines(data) if what == "levels" else summary_lines(data), output)
        elif form == "touchstone":
            _touchstone(opened, job, data, seq, output)
        else:
            _whole_file(form, data, str(output))


def _with_amended_chain(
    archive: Archive,
    job: str,
    when: tuple[datetime | None, datetime | None],
    *,
    figures: bool,
    levels: bool,
) -> None:
    """Where the chain was amended: have figures measured again if any are written, and say so."""
    import math

    amendments = archive.amendments(job)
    start_s = -math.inf if when[0] is None else when[0].timestamp()
    stop_s = math.inf if when[1] is None else when[1].timestamp()
    reach = amendments.reach(start_s, stop_s) if amendments else ()
    if not reach or not (figures or levels):
        return
    from acqd.archive.amendments import amendment_text
    from acqd.cli.progress import ProgressLine
    from acqd.station.again import measure_again

    for one in reach:
        click.echo(f"chain amended: {amendment_text(one)}", err=True)
    if figures:
        with ProgressLine() as line:
            again = measure_again(archive, job, start_s, stop_s, line.sweeps)
        for text in () if again is None else again.limits:
            click.echo(text, err=True)


def _refuse_misfits(form: str, what: str, seq: int | None, output: str | None) -> None:
    """Options that do not go together."""
    if form in ("netcdf", "parquet") and output is None:
        raise click.UsageError(f"--format {form} is no text: name a file with --output")
    if form in ("netcdf", "parquet") and what in ("findings", "gaps"):
        raise click.UsageError(f"--what {what} goes with --format csv")
    if form == "touchstone" and what != "levels":
        raise click.UsageError(f"--what {what} has no S-parameters; leave it out")
    if form != "touchstone" and seq is not None:
        raise click.UsageError("--seq is for --format touchstone; --from and --to choose sweeps")


def _put(lines: Iterator[str], output: str | None) -> None:
    """Text to standard output or into a file."""
    if output is None:
        _write(lines, sys.stdout)
        return
    try:
        with open(output, "w", encoding="utf-8", newline="") as file:
            _write(lines, file)
    except OSError as exc:
        raise click.FileError(output, exc.strerror or str(exc)) from exc


def _whole_file(form: str, data: xr.Dataset, output: str) -> None:
    from acqd.cli.export_files import published, write_netcdf, write_parquet

    with published(output) as path:
        (write_netcdf if form == "netcdf" else write_parquet)(data, path)


def _touchstone(
    archive: Archive, job: str, data: xr.Dataset, seq: int | None, output: str | None
) -> None:
    from acqd.cli.export_files import published
    from acqd.cli.export_touchstone import suffix_of, touchstone_of

    suffix, given = suffix_of(data.attrs["kind"], job), PurePath(output or "").suffix.lower()
    if given in (".s1p", ".s2p") and given != suffix:
        raise click.UsageError(
            f"job {job} is of kind {data.attrs['kind']}: the name of its file ends in {suffix}"
        )
    made = touchstone_of(archive, job, data, seq)
    if output is None:
        _write(iter((made.text,)), sys.stdout)
        return
    with published(output) as path:
        path.write_text(made.text, "ascii")


def _job(job: str | None, jobs: list[str], archive: str, *, findings: bool) -> str:
    """The job that is meant; the only one where none is named."""
    if job is None and len(jobs) == 1:
        return jobs[0]
    if job in jobs or (findings and job == STATION):
        return str(job)
    have = ", ".join(jobs) or "none"
    problem = "--job is needed" if job is None else f"no job {job!r}"
    raise click.UsageError(f"{archive}: {problem}; jobs here: {have}")


def _write(lines: Iterator[str], file: IO[str]) -> None:
    for line in lines:
        file.write(line)
    file.flush()


def _times(data: xr.Dataset) -> list[str]:
    return [f"{time}Z" for time in _moments(data["time"].values)]


def _moments(values: Any) -> list[str]:
    """ISO 8601 texts in UTC, to the millisecond, without a zone."""
    import numpy as np

    return [str(text) for text in np.datetime_as_string(values, unit="ms")]


def level_lines(data: xr.Dataset) -> Iterator[str]:
    """A head and a row a point of each sweep, as comma-separated values."""
    unit = data["level"].attrs.get("units", "1")
    is_complex = data["level"].dtype.kind == "c"
    names = ("level_real", "level_imag") if is_complex else ("level",)
    unit = "1" if unit == "ratio" else unit
    heads = ",".join(f"{name} [{unit}]" for name in names)
    yield f"time [UTC],sequence [1],frequency [Hz],{heads}\n"
    frequency = [f"{value:.12g}" for value in data["frequency"].values.tolist()]
    for first in range(0, data.sizes["sweep"], ROWS_AT_ONCE):
        block = data.isel(sweep=slice(first, first + ROWS_AT_ONCE))
        times, numbers = _times(block), block["sequence"].values.tolist()
        levels = block["level"].values
        columns = [levels.real, levels.imag] if is_complex else [levels]
        for at, (time, number) in enumerate(zip(times, numbers, strict=True)):
            head = f"{time},{number},"
            values = zip(*(_texts(column[at]) for column in columns), strict=True)
            yield "".join(
                f"{head}{hz},{','.join(cells)}\n"
                for hz, cells in zip(frequency, values, strict=True)
            )


def _texts(values: Any) -> list[str]:
    """Shortest texts that read back to the same bits; empty where there is no number."""
    if values.dtype.kind == "M":
        return [f"{at}Z" if at != "NaT" else "" for at in _moments(values)]
    if values.dtype.kind == "f" and values.dtype.itemsize == 8:
        # What was worked out in float64 has no more than this to say: a tenth of a microdecibel.
        values = values.round(7)
    return ["" if value != value else str(value) for value in values]


UNITS = {"hz": "Hz", "s": "s", "dbm": "dBm", "dbuv": "dBµV", "dbfs": "dBFS", "digit": "digit"}


def summary_lines(data: xr.Dataset) -> Iterator[str]:
    """A head and a row a sweep, as comma-separated values."""
    names = [
        name
        for name in data.variables
        if data[name].dims == ("sweep",) and name not in ("time", "sequence", "sweep")
    ]
    heads = []
    for name in map(str, names):
        stem, _, suffix = name.rpartition("_")
        unit = UNITS.get(suffix) if stem else None
        unit = unit or data[name].attrs.get("units", "1")
        head = stem if stem and suffix in UNITS else name
        if data[name].dtype.kind == "M":
            unit = "UTC"
        elif name == "started":
            unit = "s since 1970-01-01Z"
        heads.append(f"{head} [{unit}]")
    yield ",".join(("time [UTC]", "sequence [1]", *heads)) + "\n"
    times, numbers = _times(data), data["sequence"].values.tolist()
    columns = [_texts(data[name].values) for name in names]
    for time, number, *cells in zip(times, numbers, *columns, strict=True):
        yield ",".join((time, str(number), *cells)) + "\n"


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


def _utc(at_s: float) -> str:
    from datetime import UTC, datetime

    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds")[:-6] + "Z"


def _findings(findings: Any) -> Iterator[str]:
    yield "time [UTC],number [1],sequence [1],what,text\n"
    for one in findings:
        seq = "" if one.seq is None else one.seq
        yield f"{_utc(one.at_s)},{one.number},{seq},{one.what},{_quoted(one.text)}\n"


def _gaps(gaps: Any) -> Iterator[str]:
    yield "from [UTC],to [UTC],sweeps [1],reason,detail\n"
    for one in gaps:
        detail = _quoted(one.detail) if one.detail else ""
        yield f"{_utc(one.from_s)},{_utc(one.to_s)},{one.count},{one.reason},{detail}\n"
