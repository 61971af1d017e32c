"""Shared by the archive's tests: records to write, and checks that nothing leaks."""

from __future__ import annotations

import gc
import importlib.util
import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from acqd.archive.inspector import Inspector
from acqd.archive.records import Batch, FindingRecord, MeterState, SetupRecord, SweepRecord
from acqd.archive.writer import ArchiveWriter
from acqd.sweep import SweepFlag
from acqd.testing.clock import ManualClock

START_S = 1_780_000_000.0
POINTS = 31


class Scribe:
    """Makes records, and writers on one archive that are closed when the test ends."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.clock = ManualClock(START_S)
        self.writers: list[ArchiveWriter] = []
        self.start_s = START_S

    def open(self, **options: Any) -> ArchiveWriter:
        """A writer that has not begun."""
        given = {"station": "lookout", "run_id": "run-1", "clock": self.clock} | options
        given.setdefault("keep_free_bytes", 0)
        writer = ArchiveWriter.open(self.root, **given)
        self.writers.append(writer)
        return writer

    def begun(self, meters: tuple[MeterState, ...] = (), **options: Any) -> ArchiveWriter:
        writer = self.open(**options)
        writer.begin(meters)
        return writer

    def setup(self, **fields: Any) -> SetupRecord:
        given: dict[str, Any] = {
            "setup": "aa11",
            "job": "harbour",
            "step": 0,
            "sweeper": "mast",
            "kind": "band",
            "frequency_hz": np.linspace(156e6, 157e6, POINTS),
            "unit": "dBm",
            "resolution": 0.01,
            "chain_gain_db": None,
            "details": {
                "identity": {"maker": "GANNET", "serial_number": "7"},
                "asked": {"start_hz": 156e6, "rbw_hz": None},
            },
        }
        return SetupRecord(**given | fields)

    def level(self, seq: int, points: int = POINTS, step: float = 0.01) -> Any:
        rng = np.random.default_rng(seq)
        codes = np.rint((-100 + 10 * np.log10(rng.exponential(size=points))) / step)
        return (codes * step).astype(np.float32)

    def sweep(self, seq: int, **fields: Any) -> SweepRecord:
        at_s = START_S + seq
        given: dict[str, Any] = {
            "job": "harbour",
            "step": 0,
            "setup": "aa11",
            "seq": seq,
            "pass_id": seq,
            "run_id": "run-1",
            "due_s": at_s,
            "started_s": at_s + 0.125,
            "monotonic_s": float(seq),
            "took_s": 0.5,
            "boot_id": "boot-1",
            "sweeper_time_s": None,
            "flags": SweepFlag(0),
            "columns": {"floor_dbm": -100.0 - seq % 3},
            "summary": {"seq": seq, "word": "Möwe"},
        }
        record = given | fields
        if "level" not in record:
            record["level"] = self.level(seq)
        return SweepRecord(**record)

    def finding(self, number: int, **fields: Any) -> FindingRecord:
        given: dict[str, Any] = {
            "job": "harbour",
            "number": number,
            "what": "signal_appeared",
            "at_s": START_S + number,
            "seq": None,
            "text": f"finding {number}",
            "figures": {"level_dbm": -80.5},
            "message": b"\x00message %d" % number,
        }
        return FindingRecord(**given | fields)

    def meter(self, seq: int, finding: int = 0, job: str = "harbour") -> MeterState:
        return MeterState(
            job=job,
            version="count 1",
            after_seq=seq,
            next_finding=finding + 1,
            state=b"state %d" % seq,
        )

    def batch(self, first: int, last: int, **fields: Any) -> Batch:
        """Sweeps ``first`` to ``last`` of the usual setup."""
        sweeps = tuple(self.sweep(seq) for seq in range(first, last + 1))
        return Batch(**{"setups": (self.setup(),), "sweeps": sweeps} | fields)

    def seal(self, writer: ArchiveWriter, *, seq: int = 0) -> None:
        """Rotate, and wait until every journal but the new one is sealed."""
        writer.rotate([self.meter(seq)]).result(timeout=10)
        self.wait_sealed(writer)

    def wait_sealed(self, writer: ArchiveWriter, *, forgiving: bool = False) -> None:
        """Until one journal is left; a problem ends the wait, unless it may go away."""
        for _ in range(2000):
            statistics = writer.statistics()
            if statistics.journals == 1 and statistics.problem is None:
                return
            assert forgiving or statistics.problem is None, statistics.problem
            time.sleep(0.002)
        raise AssertionError(f"not sealed in time: {statistics}")

    def files(self, pattern: str = "*.nc") -> list[Path]:
        return sorted(self.root.glob(f"sweeps/*/*/{pattern}"))


@pytest.fixture
def scribe(tmp_path: Path) -> Iterator[Scribe]:
    """Records and writers on an archive of the test's own."""
    one = Scribe(tmp_path / "archive")
    yield one
    for writer in one.writers:
        writer.close((), seal=False)


@pytest.fixture(scope="session")
def scribe_on() -> Callable[[Path], Scribe]:
    """Makes a scribe of an archive that several tests share."""
    return Scribe


@pytest.fixture(scope="session")
def victim() -> ModuleType:
    """The module that the killed processes run, for the records that they write."""
    path = Path(__file__).with_name("victim.py")
    spec = importlib.util.spec_from_file_location("victim", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def leaks() -> Callable[[], tuple[set[str], list[str]]]:
    """Files that are open and threads of ours that run, to be compared before and after."""

    def look() -> tuple[set[str], list[str]]:
        gc.collect()
        held = set()
        for name in os.listdir("/proc/self/fd"):
            try:
                target = os.readlink(f"/proc/self/fd/{name}")
            except OSError:
                continue
            if "archive" in target:
                held.add(target)
        threads = [thread.name for thread in threading.enumerate() if "acqd" in thread.name]
        return held, threads

    return look


READ_S = 4.0
"""A file that HDF5 does not come to an end with has so long here."""


@pytest.fixture(scope="module")
def inspector() -> Iterator[Inspector]:
    """One reader for all of these: it takes a second to begin, and is replaced where it dies."""
    with Inspector(least_s=READ_S) as one:
        yield one
