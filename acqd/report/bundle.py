"""A report as evidence: a zip of page, numbers, tables and checksums.

The same report gives the same bytes: members stand in one order, under one date, and nothing of the
machine or of the hour is written. What is large is written row by row.
"""

from __future__ import annotations

import csv
import hashlib
import io
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path
from typing import Any

from acqd.look.times import range_text
from acqd.report.jsonout import as_json
from acqd.report.page import html
from acqd.report.page_words import slug
from acqd.report.shapes import JobReport, Report, Table

__all__ = ["bundle"]

FIRST_DAY = (1980, 1, 1, 0, 0, 0)
"""The date of every member: the first that a zip can hold."""
CHUNK = 1 << 20

Rows = Iterable[str]


def bundle(
    report: Report,
    path: Path,
    *,
    extra: Iterable[tuple[str, Rows]] = (),
    with_picture: bool = False,
) -> None:
    """Write the zip to ``path``: README.txt, report.html, report.json, CSV of every table, of
    findings, gaps, spells and notes, ``extra`` members (name and texts), the archive's checksums,
    and SHA256SUMS over all of them.

    Raises:
        OSError: it cannot be written; what is there of it then has to be removed.
    """
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as file:
        sums = [
            _put(file, name, texts) for name, texts in (*_members(report, with_picture), *extra)
        ]
        _put(file, "SHA256SUMS", ["".join(f"{digest}  {name}\n" for name, digest in sums)])


def _put(file: zipfile.ZipFile, name: str, texts: Rows) -> tuple[str, str]:
    """A member from its texts; its name and SHA-256."""
    info = zipfile.ZipInfo(name, FIRST_DAY)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.create_system = 3  # As on Unix, wherever it is made.
    info.external_attr = 0o100644 << 16
    digest = hashlib.sha256()
    # A night's levels may be more than a plain zip can hold, and nobody knows before.
    with file.open(info, "w", force_zip64=True) as member:
        for block in _blocks(texts):
            digest.update(block)
            member.write(block)
    return name, digest.hexdigest()


def _blocks(texts: Rows) -> Iterator[bytes]:
    held, size = [], 0
    for text in texts:
        held.append(text)
        size += len(text)
        if size >= CHUNK:
            yield "".join(held).encode()
            held, size = [], 0
    yield "".join(held).encode()


def _members(report: Report, with_picture: bool) -> Iterator[tuple[str, Rows]]:
    yield "README.txt", [_readme(report)]
    yield "report.html", [html(report)]
    yield "report.json", [as_json(report, with_picture=with_picture)]
    if report.station_findings:
        yield "station/findings.csv", _findings(report.station_findings)
    for job in report.jobs:
        folder = folder_of(job)
        yield f"{folder}/findings.csv", _findings(job.findings)
        yield f"{folder}/gaps.csv", _gaps(job)
        yield f"{folder}/spells.csv", _spells(job)
        yield f"{folder}/notes.csv", _notes(job)
        yield from _tables(job, folder)
        sums = [f"{digest}  {name}\n" for name, digest in job.files if digest]
        yield f"{folder}/ARCHIVE-SHA256SUMS", sums
    for sweeper in report.sweepers:
        parts = (sweeper.station and slug(sweeper.station), "sweepers", slug(sweeper.sweeper))
        folder = "/".join(filter(None, parts))
        for section in sweeper.sections:
            for table in section.tables:
                yield f"{folder}/{slug(table.title)}.csv", _table(table)


def folder_of(job: JobReport) -> str:
    """The folder of a job's members: ``marine-vhf``, with the station where there are two."""
    return "/".join(filter(None, (job.station and slug(job.station), slug(job.job))))


def _tables(job: JobReport, folder: str) -> Iterator[tuple[str, Rows]]:
    names: dict[str, int] = {}
    judged = job.verdict.judgements if job.verdict else None
    tables = [("verdict", judged)] if judged else []
    tables += [(section.key, table) for section in job.sections for table in section.tables]
    for key, table in tables:
        name = f"{slug(key)}-{slug(table.title)}"
        names[name] = names.get(name, 0) + 1
        suffix = f"-{names[name]}" if names[name] > 1 else ""
        yield f"{folder}/{name}{suffix}.csv", _table(table)


def _table(table: Table) -> Iterator[str]:
    """Its numbers in full, as far as floats go: the page rounds them."""
    yield _line(
        f"{head} [{unit}]" if unit else head
        for head, unit in zip(table.heads, table.units, strict=True)
    )
    for row in table.rows:
        yield _line(_cell(value) for value in row)


def _findings(findings: Sequence[Any]) -> Iterator[str]:
    yield _line(("time [UTC]", "number", "place", "sequence", "what", "frequency [Hz]", "text"))
    for one in findings:
        yield _line(
            (
                _utc(one.at_s),
                one.number,
                _cell(one.place),
                _cell(one.seq),
                one.what,
                _cell(one.frequency_hz),
                one.text,
            )
        )


def _gaps(job: JobReport) -> Iterator[str]:
    yield _line(("from [UTC]", "to [UTC]", "sweeps", "reason", "text"))
    for one in job.gaps:
        yield _line((_utc(one.from_s), _utc(one.to_s), one.count, one.reason, one.text))


def _spells(job: JobReport) -> Iterator[str]:
    yield _line(("from [UTC]", "to [UTC]", "sweeps", "what", "listening", "text"))
    for one in job.spells:
        listening = "yes" if one.is_listening else "no"
        times = _utc(one.from_s), _utc(one.to_s)
        yield _line((*times, one.sweeps, one.what, listening, one.text))


def _notes(job: JobReport) -> Iterator[str]:
    yield _line(("time [UTC]", "who", "text"))
    for one in job.notes:
        yield _line((_utc(one.at_s), one.who, one.text))


def _cell(value: object) -> object:
    if value is None or (isinstance(value, float) and not isfinite(value)):
        return ""
    return value


def _line(cells: Iterable[object]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(list(cells))
    return text.getvalue()


def _utc(at_s: float) -> str:
    with suppress(ValueError, OverflowError):
        return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds")[:-6] + "Z"
    return ""


def _readme(report: Report) -> str:
    """What it is, and how to see that it is whole, for somebody who has none of the software."""
    jobs = [
        f"  {folder_of(one)}/  {one.job} on {one.sweeper or 'no sweeper'}: kept "
        f"{one.coverage.stored} of {one.coverage.due} sweeps. {one.headline}\n"
        for one in report.jobs
    ]
    unsealed = sum(not digest for one in report.jobs for _, digest in one.files)
    return README.format(
        title=report.title,
        range=range_text(report.start_s, report.stop_s, report.zone),
        start=_utc(report.start_s),
        stop=_utc(report.stop_s),
        made=_utc(report.made_at_s),
        version=report.version,
        jobs="".join(jobs) or "  (no job)\n",
        unsealed=(
            f"{unsealed} of these sweeps' files were not finished when this was made and are not "
            f"in the list.\n"
            if unsealed
            else ""
        ),
    )


README = """\
{title}
{range}
from {start} to {stop}, which is not in it

A report made by acqd {version} at {made}, with its numbers.

report.html    the report; any browser opens it, it asks nobody for anything
report.json    all its numbers, unrounded
SHA256SUMS     checksums of all that is here: sha256sum -c SHA256SUMS
{jobs}
In each job's folder are its tables, findings, gaps, spells and notes as comma-separated values in
UTF-8, times in UTC. ARCHIVE-SHA256SUMS has the checksums of the files of the archive that hold the
raw sweeps: copied into the archive's folder, sha256sum -c ARCHIVE-SHA256SUMS tells whether they are
still those that this report was made from.
{unsealed}"""
