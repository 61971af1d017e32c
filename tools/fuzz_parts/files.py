"""Archives with bytes changed: whole files, journals, ledger, manifest; read in a process apart.

A reader may say that a file is damaged, or give what is there; it may not end the process, hang,
take memory without bound, or raise what is no answer. What it gave that was not written is counted;
where a file of sweeps or a manifest was changed, ``acqd verify`` has to find it. SQLite has no
checksums: a changed number in a journal or the ledger may be nobody's to find.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import random
import resource
import shutil
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from fuzz_parts.engines import Tried

__all__ = ["NAME", "by_mutations", "make_archive", "read_in_a_row"]

NAME = "archive"
START_S = 1_780_012_800.0 - 600.0
"""Ten minutes before a UTC midnight, so that there are two days."""
DAY_S = 86_400.0
POINTS = 61
INPUT_S = 30.0
MEMORY_BYTES = 3 << 30
JOBS = ("harbour", "calling")


def make_archive(root: Path) -> None:
    """Volumes of one day, segments of the next, a journal, findings, gaps and hours."""
    from acqd.archive.records import Batch, FindingRecord, GapRecord, MeterState
    from acqd.archive.writer import ArchiveWriter
    from acqd.testing.clock import ManualClock

    clock = ManualClock(START_S)
    writer = ArchiveWriter.open(
        root, station="lookout", run_id="fuzz", clock=clock, keep_free_bytes=0
    )
    writer.begin([])
    seq = 0
    for part in range(4):
        for _ in range(60):
            seq += 1
            for job in JOBS:
                sweep = _sweep(job, seq)
                finding = FindingRecord(
                    job=job,
                    number=seq // 20,
                    what="signal_appeared",
                    at_s=sweep.started_s,
                    seq=seq,
                    text=f"finding {seq}",
                    figures={"level_dbm": -80.5},
                    message=b'{"seq": %d}' % seq,
                )
                gap = GapRecord(
                    job=job,
                    from_s=sweep.started_s + 4.0,
                    to_s=sweep.started_s + 5.0,
                    count=0,
                    reason="overrun",
                    detail="",
                )
                found, gaps = ((finding,), (gap,)) if seq % 20 == 0 else ((), ())
                batch = Batch(setups=(_setup(job),), sweeps=(sweep,), findings=found, gaps=gaps)
                writer.commit(batch).result(30)
        if part < 3:
            meters = [
                MeterState(
                    job=job,
                    version="count 1",
                    after_seq=seq,
                    next_finding=seq // 20 + 1,
                    state=b"state",
                )
                for job in JOBS
            ]
            writer.rotate(meters).result(30)
    writer.merge_due(START_S + 1300.0).result(60)
    writer.close((), seal=False)


def _setup(job: str) -> Any:
    from acqd.archive.records import SetupRecord

    return SetupRecord(
        setup="aa11",
        job=job,
        step=0,
        sweeper="mast",
        kind="band",
        frequency_hz=np.linspace(156e6, 157e6, POINTS),
        unit="dBm",
        resolution=0.01,
        chain_gain_db=None,
        details={"identity": {"maker": "GANNET", "serial_number": "7"}, "asked": {}},
    )


def _sweep(job: str, seq: int) -> Any:
    from acqd.archive.records import SweepRecord
    from acqd.sweep import SweepFlag

    rng = np.random.default_rng(seq)
    codes = np.rint((-100 + 10 * np.log10(rng.exponential(size=POINTS))) * 100)
    at_s = START_S + 5.0 * seq
    return SweepRecord(
        job=job,
        step=0,
        setup="aa11",
        seq=seq,
        pass_id=seq,
        run_id="fuzz",
        due_s=at_s,
        started_s=at_s + 0.125,
        monotonic_s=float(seq),
        took_s=0.5,
        boot_id="boot-1",
        sweeper_time_s=None,
        flags=SweepFlag(0),
        columns={"floor_dbm": -100.0 - seq % 3},
        summary={"seq": seq, "word": "Möwe"},
        level=(codes * 0.01).astype(np.float32),
    )


def by_mutations(*, inputs: int, seconds: float, seed: int, folder: Path) -> Tried:
    """Copies of one archive, each with something changed, read one after the other."""
    draw = random.Random(seed)
    begun_s = time.monotonic()
    within = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    counts = dict.fromkeys(("as it was", "refused", "told", "otherwise"), 0)
    problems: list[tuple[str, bytes]] = []
    tried = 0
    with tempfile.TemporaryDirectory(prefix="acqd-fuzz-", dir=within) as scratch:
        whole, copy = Path(scratch) / "whole", Path(scratch) / "copy"
        make_archive(whole)
        files = sorted(path for path in whole.rglob("*") if _is_read(path))
        reader = _Reader(whole)
        try:
            while tried < inputs and time.monotonic() - begun_s < seconds and len(problems) < 20:
                tried += 1
                shutil.copytree(whole, copy)
                path = draw.choice(files)
                target = copy / path.relative_to(whole)
                change = _change(draw, target)
                outcome = reader.read(copy)
                if outcome == "otherwise" and path.suffix in (".nc", ".json"):
                    outcome = _verified(copy)
                if outcome in counts:
                    counts[outcome] += 1
                else:
                    kept = target.read_bytes() if target.exists() else b""
                    problems.append((f"{path.relative_to(whole)}, {change}: {outcome}", kept))
                shutil.rmtree(copy)
        finally:
            reader.close()
    for problem, data in problems:
        name = hashlib.sha256(data).hexdigest()[:12]
        (folder / f"{NAME}-{name}").write_bytes(data)
        (folder / f"{NAME}-{name}.txt").write_text(problem)
    told = ", ".join(f"{count} {word}" for word, count in counts.items())
    return Tried(
        target=NAME,
        engine=f"mutations ({told})",
        inputs=tried,
        took_s=time.monotonic() - begun_s,
        problem="" if not problems else f"{len(problems)}: {problems[0][0]}"[:400],
        kept=folder if problems else None,
    )


def _verified(root: Path) -> str:
    """Whether what reads otherwise is found by those whose task it is."""
    from acqd.archive.verify import verify_archive

    found = not verify_archive(root).is_whole
    return "otherwise" if found else "it reads otherwise, and acqd verify finds nothing"


def _is_read(path: Path) -> bool:
    return (
        path.is_file() and path.name not in ("lock", "ballast") and not path.name.endswith("-shm")
    )


def _change(draw: random.Random, path: Path) -> str:
    """Change a file; says how."""
    data = bytearray(path.read_bytes())
    what = draw.choice(
        ("bits", "bits", "bytes", "zeros", "cut", "longer", "empty", "gone", "moved")
    )
    at = draw.randrange(len(data)) if data else 0
    if what == "gone":
        path.unlink()
        return what
    if what == "empty" or not data:
        data = bytearray()
    elif what == "bits":
        # Near the beginning is what a format hangs on.
        at = draw.choice((at, at % 512, at % 4096))
        data[at % len(data)] ^= 1 << draw.randrange(8)
    elif what == "bytes":
        data[at : at + 8] = draw.randbytes(8)
    elif what == "zeros":
        data[at : at + 4096] = bytes(min(4096, len(data) - at))
    elif what == "cut":
        del data[at:]
    elif what == "longer":
        data += draw.randbytes(1 + at % 4096)
    else:
        piece = data[at : at + 512]
        to = draw.randrange(len(data))
        data[to : to + len(piece)] = piece
    path.write_bytes(data)
    return f"{what} at {at}"


class _Reader:
    """A process that reads archives; another one where it came to an end."""

    def __init__(self, whole: Path) -> None:
        self._whole = whole
        self._process: subprocess.Popen[str] | None = None
        self._original = self.read(whole)
        if self._original != "as it was":
            raise AssertionError(f"the archive as it was written: {self._original}")

    def read(self, root: Path) -> str:
        if self._process is None:
            self._process = subprocess.Popen(
                [sys.executable, __file__, str(self._whole)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])},
            )
        process = self._process
        assert process.stdin is not None
        assert process.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            process.stdin.write(f"{root}\n")
            process.stdin.flush()
        said = process.stdout.readline()
        if said:
            return str(json.loads(said))
        code = process.wait()
        self._process = None
        process.stdin.close()
        process.stdout.close()
        return f"the reader ended with {code}"

    def close(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.communicate()


def read_in_a_row(whole: Path) -> None:
    """The process: a path a line comes in, a word a line goes out."""
    import signal

    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    written = list(_everything(whole))
    for line in sys.stdin:
        # Whoever hangs is ended by this.
        signal.alarm(int(INPUT_S))
        print(json.dumps(_word(Path(line.rstrip("\n")), written)), flush=True)
        signal.alarm(0)


def _word(root: Path, written: list[Any]) -> str:
    from acqd.errors import ArchiveError

    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        try:
            found = list(_everything(root))
        except ArchiveError as exc:
            text = str(exc)
            plain = bool(text) and "\n" not in text and text.isprintable()
            return "refused" if plain else f"not one plain line: {text[:200]!r}"
        except Exception as exc:
            import traceback

            at = [one for one in traceback.extract_tb(exc.__traceback__) if "acqd" in one.filename]
            where = f"{Path(at[-1].filename).name}:{at[-1].lineno}" if at else "?"
            return f"{type(exc).__name__} at {where}: {str(exc)[:200]}"
    if said:
        return "told"
    return "as it was" if found == written else "otherwise"


def _everything(root: Path) -> Iterator[Any]:
    """All that is read of an archive, as plain values."""
    from acqd.archive.reader import open_archive

    with open_archive(root) as archive:
        for job in archive.jobs():
            data = archive.sweeps(job)
            yield job, hashlib.sha256(data.level.values.tobytes()).hexdigest()
            for name in ("time", "sequence", "flags"):
                yield name, hashlib.sha256(data[name].values.tobytes()).hexdigest()
            yield [(one.number, one.text, one.at_s) for one in archive.findings(job)]
            yield [(one.from_s, one.to_s, one.count, one.reason) for one in archive.gaps(job)]
            yield len(archive.hourly(job))
            coverage = archive.coverage(job)
            yield coverage.stored, coverage.missed
            yield sum(1 for _ in archive.events(job))


if __name__ == "__main__":
    read_in_a_row(Path(sys.argv[1]))
