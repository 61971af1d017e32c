"""A sealed hour: how small it is, how long sealing took, and how fast a night reads back."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
from numpy.typing import NDArray

import acqd
from acqd.archive.layout import list_days, list_files
from acqd.archive.records import Batch, SetupRecord, SweepRecord
from acqd.archive.writer import ArchiveWriter
from acqd.canonical import canonical_levels
from acqd.clock import SystemClock
from acqd.sweep import SweepFlag
from bench_parts.figures import Figure, Report, Samples, Target, rounds
from bench_parts.material import JOB, POINTS, START_HZ, STATION, STEP_DB, STOP_HZ, noise_dbm

__all__ = ["bench_overview", "bench_sealing", "entropy_bits"]

SEGMENT_SWEEPS = 3600
NIGHT_SWEEPS = 28_800
BATCH_SWEEPS = 50
SEAL_WITHIN_S = 120.0
STARTED_S = 1_780_300_000.0
SETUP = "0123456789abcdef"


def entropy_bits(codes: NDArray[np.integer]) -> float:
    """Mean over the columns of (sweeps, points) codes of their order-0 entropy, in bits.

    Of the codes as they are: with some thousand sweeps it lies about a tenth of a bit below that
    of the law they were drawn from, for lack of rare values.
    """
    total = 0.0
    low = int(codes.min())
    for column in (codes - low).T:
        counts = np.bincount(column.astype(np.int64))
        share = counts[counts > 0] / column.size
        total -= float(np.sum(share * np.log2(share)))
    return total / int(codes.shape[1])


class _Sealed:
    """An archive into which levels are committed and sealed, a part at a time."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.archive = ArchiveWriter.open(
            root, station=STATION, run_id="bench", clock=SystemClock()
        )
        self.archive.begin([])
        self._seq = 0
        self._known = False

    def fill(self, level: NDArray[np.float64], *, every_s: float = 1.0) -> None:
        """Commit (sweeps, points) of levels into the journal."""
        waiting = []
        for at in range(0, len(level), BATCH_SWEEPS):
            sweeps = tuple(self._record(row, every_s) for row in level[at : at + BATCH_SWEEPS])
            setups = () if self._known else (_setup(level.shape[1]),)
            self._known = True
            waiting.append(self.archive.commit(Batch(setups=setups, sweeps=sweeps)))
            if len(waiting) > 8:
                waiting.pop(0).result()
        for one in waiting:
            one.result()

    def seal(self) -> float:
        """Turn the journal into a segment; seconds that the sealer says it took."""
        before = self.archive.statistics().sealed_journals
        self.archive.rotate([]).result()
        until_s = time.monotonic() + SEAL_WITHIN_S
        while time.monotonic() < until_s:
            now = self.archive.statistics()
            if now.problem:
                raise RuntimeError(now.problem)
            if now.sealed_journals > before and now.last_seal_took_s is not None:
                return now.last_seal_took_s
            time.sleep(0.002)
        raise RuntimeError(f"nothing was sealed within {SEAL_WITHIN_S:g} s")

    def close(self) -> None:
        self.archive.close((), seal=False)

    def files(self) -> list[Path]:
        """Segments and volumes, oldest first."""
        return [
            path for day in list_days(self.root, JOB) for path, _ in list_files(self.root, JOB, day)
        ]

    def _record(self, row: NDArray[np.float64], every_s: float) -> SweepRecord:
        self._seq += 1
        at_s = STARTED_S + every_s * self._seq
        return SweepRecord(
            job=JOB,
            step=0,
            setup=SETUP,
            seq=self._seq,
            pass_id=self._seq,
            run_id="bench",
            due_s=at_s,
            started_s=at_s,
            monotonic_s=at_s - STARTED_S,
            took_s=0.5,
            boot_id="bench",
            sweeper_time_s=None,
            flags=SweepFlag(0),
            level=canonical_levels(row, STEP_DB),
            columns={"floor_dbm": -100.0, "peak_dbm": -90.0},
            summary={"floor_dbm": -100.0, "peak_dbm": -90.0, "signals_count": 0},
        )


def _setup(points: int) -> SetupRecord:
    return SetupRecord(
        setup=SETUP,
        job=JOB,
        step=0,
        sweeper="bench",
        kind="band",
        frequency_hz=np.linspace(START_HZ, STOP_HZ, points),
        unit="dBm",
        resolution=STEP_DB,
        chain_gain_db=None,
        details={"asked": {}, "reported": {}, "identity": {}, "measuring": {}},
    )


def bench_sealing(report: Report, folder: Path, *, sweeps: int, repeat: int) -> None:
    """Bits per point of a segment of ``sweeps``, and the time it took to seal, ``repeat`` times."""
    level = noise_dbm(sweeps, POINTS, shaped=True)
    codes = np.rint(level / STEP_DB).astype(np.int64)
    sealed = _Sealed(folder / "archive")
    try:
        found = rounds(
            repeat,
            {
                "us": lambda: _filled_and_sealed(sealed, level),
                "script": _uncompressed(folder / "script.h5", level),
            },
            warm=repeat > 1,
        )
        sizes = [_sizes_of(path) for path in sealed.files()]
    finally:
        sealed.close()
    entropy = entropy_bits(codes)
    points = sweeps * POINTS
    report.figures += [
        Figure(
            name="bits per point",
            what=f"levels of a segment of {sweeps} x {POINTS}; target is entropy + 1.1",
            unit="bit",
            samples=Samples(tuple(8.0 * stored / points for stored, _ in sizes)),
            baseline="order-0 entropy per frequency",
            base=Samples((entropy,) * len(sizes)),
            targets=(Target(round(entropy + 1.1, 2), of="figure"),),
        ),
        Figure(
            name="bits per point, file",
            what="the same, all that the file holds",
            unit="bit",
            samples=Samples(tuple(8.0 * whole / points for _, whole in sizes)),
        ),
        Figure(
            name="sealing",
            what=f"segment of {sweeps} x {POINTS} sealed, read back, compared",
            unit="ms",
            samples=found["us"],
            baseline="h5py float32, uncompressed, fsync",
            base=found["script"],
            targets=(Target(4.0), Target(2.0)),
        ),
    ]


def _filled_and_sealed(sealed: _Sealed, level: NDArray[np.float64]) -> float:
    sealed.fill(level)
    return sealed.seal() * 1e3


def _sizes_of(path: Path) -> tuple[int, int]:
    """Stored bytes of the levels, and of the file."""
    with h5py.File(path, "r") as file:
        stored = sum(
            dataset.id.get_storage_size()
            for name, dataset in file.items()
            if name.startswith("level") and dataset.ndim == 2
        )
    return stored, path.stat().st_size


def _uncompressed(path: Path, level: NDArray[np.float64]) -> Callable[[], float]:
    block = level.astype(np.float32)

    def measure() -> float:
        path.unlink(missing_ok=True)
        started_s = time.perf_counter()
        with h5py.File(path, "w") as file:
            file.create_dataset("level", data=block)
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
        return (time.perf_counter() - started_s) * 1e3

    return measure


def bench_overview(report: Report, folder: Path, *, sweeps: int, repeat: int) -> None:
    """A night as largest, mean and smallest level per frequency, against one read by h5py."""
    sealed = _Sealed(folder / "archive")
    try:
        for at in range(0, sweeps, SEGMENT_SWEEPS):
            part = min(SEGMENT_SWEEPS, sweeps - at)
            sealed.fill(noise_dbm(part, POINTS, seed=at + 1, shaped=True))
            sealed.seal()
        # Two days on, so that the day has surely ended and its segments become one volume.
        sealed.archive.merge_due(STARTED_S + 2 * 86_400.0).result()
        paths = sealed.files()
    finally:
        sealed.close()
    found = rounds(
        repeat,
        {"us": lambda: _overview(folder / "archive", sweeps), "h5py": lambda: _plain_read(paths)},
    )
    report.figures.append(
        Figure(
            name="overview",
            what=f"night of {sweeps:,} x {POINTS}: max, mean, min by open_archive",
            unit="ms",
            samples=found["us"],
            baseline=f"plain h5py read of the same {len(paths)} file(s)",
            base=found["h5py"],
            targets=(Target(0.5),),
        )
    )


def _overview(root: Path, sweeps: int) -> float:
    started_s = time.perf_counter()
    with acqd.open_archive(root) as archive:
        level = archive.sweeps(JOB).level
        largest, smallest = np.full(POINTS, -math.inf), np.full(POINTS, math.inf)
        total, seen = np.zeros(POINTS), 0
        for at in range(0, level.shape[0], 4096):
            block = level[at : at + 4096].values
            np.maximum(largest, block.max(axis=0), out=largest)
            np.minimum(smallest, block.min(axis=0), out=smallest)
            total += block.sum(axis=0, dtype=np.float64)
            seen += len(block)
    took_ms = (time.perf_counter() - started_s) * 1e3
    if seen != sweeps or not bool((smallest < total / seen).all()):
        raise RuntimeError(f"the overview saw {seen} of {sweeps} sweeps")
    return took_ms


def _plain_read(paths: list[Path]) -> float:
    started_s = time.perf_counter()
    for path in paths:
        with h5py.File(path, "r") as file:
            file["level"][:]
    return (time.perf_counter() - started_s) * 1e3
