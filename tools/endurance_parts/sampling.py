"""How large a station is at a moment: looked at from outside, in /proc and in the archive's folder.

Samples are written one JSON object a line, each at once, so that a run that is cut short has lost
nothing but what was still to come.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from acqd.archive.layout import journals_folder, ledger_path

__all__ = ["FIGURES", "Sample", "look", "memory_bytes", "read_samples", "write_sample"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One look. None where nobody could say.

    Attributes:
        at_s: seconds on the station's clock since the first look.
        real_s: the same on the clock of this machine.
        wall_s: what the station's clock showed.
        rss_bytes: what of the process is in RAM; ``heap_bytes`` of it belongs to no file.
        handles, threads: of the process.
        journal_bytes, journals: the journals, without what is still in their write-ahead log.
        wal_bytes: write-ahead logs of journal and ledger together.
        ledger_bytes: of the ledger.
        answer_s: how long the station took to answer a question over its socket.
        archive_waiting, outbox_waiting, live_dropped, sweeps: as its status says.
        sent: messages that its publisher has sent.
        broker_rss_bytes: of the broker.
    """

    at_s: float
    real_s: float
    wall_s: float
    rss_bytes: int | None = None
    heap_bytes: int | None = None
    handles: int | None = None
    threads: int | None = None
    journal_bytes: int | None = None
    journals: int | None = None
    wal_bytes: int | None = None
    ledger_bytes: int | None = None
    answer_s: float | None = None
    archive_waiting: int | None = None
    outbox_waiting: int | None = None
    live_dropped: int | None = None
    sweeps: int | None = None
    sent: int | None = None
    broker_rss_bytes: int | None = None


FIGURES = tuple(one.name for one in fields(Sample) if one.name not in ("at_s", "real_s", "wall_s"))


def look(
    pid: int,
    archive: Path,
    *,
    at_s: float,
    real_s: float,
    wall_s: float,
    more: Mapping[str, Any] | None = None,
) -> Sample:
    """Look at the process and at its archive; ``more`` are figures that others have.

    Raises:
        ProcessLookupError: there is no such process any more.
    """
    return Sample(
        at_s=round(at_s, 3),
        real_s=round(real_s, 3),
        wall_s=round(wall_s, 3),
        **_process(pid),
        **_files(archive),
        **dict(more or {}),
    )


def memory_bytes(pid: int, name: str = "VmRSS") -> int | None:
    """A size of a process, by the kernel's name for it; None where there is no such process."""
    try:
        return _sizes(pid).get(name)
    except ProcessLookupError:
        return None


def _process(pid: int) -> dict[str, int | None]:
    sizes = _sizes(pid)
    try:
        handles = len(os.listdir(f"/proc/{pid}/fd"))
        threads = len(os.listdir(f"/proc/{pid}/task"))
    except FileNotFoundError:
        raise ProcessLookupError(pid) from None
    if pid == os.getpid():
        # The folder that is being listed is one of them.
        handles -= 1
    return {
        "rss_bytes": sizes.get("VmRSS"),
        "heap_bytes": sizes.get("RssAnon"),
        "handles": handles,
        "threads": threads,
    }


def _sizes(pid: int) -> dict[str, int]:
    try:
        lines = Path(f"/proc/{pid}/status").read_text("ascii").splitlines()
    except FileNotFoundError:
        raise ProcessLookupError(pid) from None
    found = {}
    for line in lines:
        name, _, value = line.partition(":")
        if value.endswith(" kB"):
            found[name] = int(value.split()[0]) * 1024
    if "VmRSS" not in found:
        # It has ended, and nobody has asked yet how.
        raise ProcessLookupError(pid)
    return found


def _files(archive: Path) -> dict[str, int]:
    journals = [_size(path) for path in _listed(journals_folder(archive), ".sqlite")]
    wals = [*_listed(journals_folder(archive), "-wal"), *_listed(archive, "-wal")]
    return {
        "journal_bytes": sum(journals),
        "journals": len(journals),
        "wal_bytes": sum(_size(path) for path in wals),
        "ledger_bytes": _size(ledger_path(archive)),
    }


def _listed(folder: Path, end: str) -> list[Path]:
    try:
        return [folder / name for name in os.listdir(folder) if name.endswith(end)]
    except FileNotFoundError:
        return []


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except FileNotFoundError:
        # A journal that was sealed meanwhile.
        return 0


def write_sample(path: Path, sample: Sample) -> None:
    """Add it to the file; on the disk, as far as a kill of this process can tell, on return."""
    known = {name: value for name, value in asdict(sample).items() if value is not None}
    with path.open("a", encoding="ascii") as file:
        file.write(json.dumps(known) + "\n")


def read_samples(path: Path) -> list[Sample]:
    """All that were written; a last line that was cut short is left out.

    Raises:
        ValueError: a line within the file is none of ours.
    """
    return list(_read(path))


def _read(path: Path) -> Iterator[Sample]:
    lines = path.read_text("ascii").split("\n")
    for number, line in enumerate(lines[:-1], 1):
        try:
            yield Sample(**json.loads(line))
        except (TypeError, ValueError) as exc:
            raise ValueError(f"{path}, line {number}: no sample of this tool: {exc}") from exc
