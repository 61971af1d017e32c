"""References of logs: files that the map names, read as the logs are, kept as live ones are.

What a log of a source's sweeps is compared with was swept on the same bench, and is a log too. All
sweeps of its file make one reference, by :func:`acqd.station.references.reference_from`; whether it
fits is judged as for a live one, setup by setup.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from acqd.archive.writer import ArchiveWriter
from acqd.errors import ConfigError
from acqd.ingest.bad import Bad, BadRow
from acqd.ingest.logged import Logged, LogReader
from acqd.ingest.maps import LogMap
from acqd.ingest.scan import LogFile, Scan, scan_files
from acqd.ingest.sweeps import SweepMaker
from acqd.measure.meter import Role
from acqd.station.noting import user_name
from acqd.station.references import ReferenceRecord, newest, reference_from, references_in
from acqd.sweep import Sweep

__all__ = ["LoggedReference", "keep_references", "read_references"]

SWEEPS_MOST = 1000
"""Of one reference: they are held at the same time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedReference:
    """A reference and the file that it is from."""

    record: ReferenceRecord
    file: LogFile


def read_references(
    told: LogMap,
    job: str,
    maker: Callable[[], SweepMaker],
    *,
    now_s: float,
    on_bad: Callable[[Bad], None],
) -> list[LoggedReference]:
    """The references that a map names.

    Args:
        maker: makes what turns rows into sweeps of the job, anew for each file.
        now_s: times after it are refused.
        on_bad: told of each row that cannot be read; what it raises is raised.

    Raises:
        ConfigError: a file is not there, or its sweeps make no reference; with the map's line.
        ArchiveError: a file cannot be read.
    """
    found = []
    for role, path in told.reference_files().items():
        if not path.is_file():
            raise _wrong(told, role, f"there is no file {path}")
        scan = scan_files(told, [path], now_s=now_s, is_known=lambda _: False, on_bad=on_bad)
        if scan.at_us.size > SWEEPS_MOST:
            raise _wrong(told, role, f"{path}: {scan.at_us.size} sweeps, at most {SWEEPS_MOST}")
        try:
            record = reference_from(job, Role(role), _sweeps(told, scan, maker(), on_bad))
        except ValueError as exc:
            raise _wrong(told, role, f"{path}: {exc}") from exc
        found.append(LoggedReference(record=record, file=scan.files[0]))
    return found


def _sweeps(
    told: LogMap, scan: Scan, maker: SweepMaker, on_bad: Callable[[Bad], None]
) -> list[Sweep]:
    found = []
    with LogReader(told, scan) as reader:
        for number in scan.in_time().tolist():
            one = reader.read(number)
            if isinstance(one, Logged):
                try:
                    found.append(maker.taken(one).sweep)
                    continue
                except BadRow as bad:
                    one = reader.bad(number, bad.what, bad.expected)
            on_bad(one)
    return found


def _wrong(told: LogMap, role: str, problem: str) -> ConfigError:
    accepted = "a log of one or more sweeps, alike in settings and frequencies"
    return ConfigError((told.places.problem(("reference", role), problem, accepted=accepted),))


def keep_references(
    archive: ArchiveWriter, job: str, given: Sequence[LoggedReference]
) -> dict[str, ReferenceRecord]:
    """Keep those that the archive has not got; the newest of each role that the job has now.

    Raises:
        ArchiveError: one could not be kept. The archive must not have begun.
    """
    overlays = archive.recovery.overlays
    held = [one.body for one in overlays if one.kind == "reference" and one.job == job]
    known = references_in(overlays).get(job, {})
    for one in given:
        body = one.record.to_body()
        if body not in held:
            archive.add_overlay_now(
                "reference", body=body, who=user_name(), job=job, from_s=one.record.at_s
            )
    return newest([*known.values(), *(one.record for one in given)]).get(job, {})
