"""``acqd export``: an archive as tidy CSV, units in the head line."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import datetime
from typing import IO, TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["command"]

STATION = "station"
"""Findings of the station itself are found under this name, which no job may have."""

ROWS_AT_ONCE = 64
"""Sweeps that are held in memory at a time."""


def _moment(ctx: click.Context, option: click.Parameter, text: str | None) -> datetime | None:
    """A moment as people write it."""
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise click.BadParameter(
            f"{text!r} is no moment; expected ISO 8601 with a zone, such as 2026-06-01T21:00Z"
        )
    return moment


@click.command("export")
@click.argument("archive", type=click.Path())
@click.option("--job", help="The job; may be left out where there is only one.")
@click.option("--from", "start", callback=_moment, help="First moment, ISO 8601 with a zone.")
@click.option("--to", "stop", callback=_moment, help="End of the range, not included.")
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
@click.option("-o", "--output", type=click.Path(), help="A file, instead of standard output.")
def command(
    archive: str,
    job: str | None,
    start: datetime | None,
    stop: datetime | None,
    setup: str | None,
    plane: str,
    what: str,
    output: str | None,
) -> None:
    """Write what ARCHIVE holds as comma-separated values, one observation a row."""
    from acqd.archive.reader import open_archive

    with open_archive(archive) as opened:
        job = _job(job, opened.jobs(), archive, findings=what == "findings")
        if what == "findings":
            lines = _findings(opened.findings(job, start, stop))
        elif what == "gaps":
            lines = _gaps(opened.gaps(job, start, stop))
        else:
            far_end = plane == "far-end"
            data = opened.sweeps(
                job, start, stop, setup=setup, plane="far end" if far_end else "input"
            )
            lines = _levels(data) if what == "levels" else _summaries(data)
        if output is None:
            _write(lines, sys.stdout)
            return
        try:
            with open(output, "w", encoding="utf-8", newline="") as file:
                _write(lines, file)
        except OSError as exc:
            raise click.FileError(output, exc.strerror or str(exc)) from exc


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


def _levels(data: xr.Dataset) -> Iterator[str]:
    names = ("level",) if "level" in data else ("level_real", "level_imag")
    unit = data[names[0]].attrs.get("units", "1")
    heads = ",".join(f"{name} [{unit}]" for name in names)
    yield f"time [UTC],sequence [1],frequency [Hz],{heads}\n"
    frequency = [f"{value:.12g}" for value in data["frequency"].values.tolist()]
    for first in range(0, data.sizes["sweep"], ROWS_AT_ONCE):
        block = data.isel(sweep=slice(first, first + ROWS_AT_ONCE))
        times, numbers = _times(block), block["sequence"].values.tolist()
        columns = [block[name].values for name in names]
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


def _summaries(data: xr.Dataset) -> Iterator[str]:
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
