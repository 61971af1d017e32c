"""Old logs into an archive: what a sweep costs beside reading the same text with csv and NumPy.

Two kinds: one file of wide rows, and a folder of files of one sweep each, a point a row. The
baseline reads the same files to arrays of levels and clocks, and keeps nothing.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from bench_parts.children import Spent, in_child
from bench_parts.figures import Figure, Report, Samples, rounds

__all__ = ["bench_ingest"]

POINTS = 401
START_MHZ, STEP_MHZ = 156.0, 0.0125
FIRST = datetime(2025, 3, 14, 21, 0, 0, tzinfo=UTC)
EVERY_S = 2

WIDE_MAP = """
[file]
layout = "wide"
separator = "semicolon"

[time]
zone = "UTC"
columns = "time"

[frequency]
unit = "MHz"

[level]
unit = "dBm"

[gaps]
every = "2 s"

[job.calling]
band = { margin = "15 dB" }
"""
LONG_MAP = r"""
[file]
layout = "long"
separator = "semicolon"
header = false

[time]
zone = "UTC"
name = 'sweep_(?P<time>\d{8}T\d{6})'

[frequency]
column = 1
unit = "MHz"

[level]
column = 2
unit = "dBm"

[job.bench]
band = { margin = "15 dB" }
"""
WHAT = {
    "wide": "one file, a row a sweep",
    "files": "a file a sweep, a row a point",
}


def bench_ingest(report: Report, folder: Path, *, wide: int, files: int, repeat: int) -> None:
    """``repeat`` rounds of ``wide`` rows and of ``files`` files."""
    counts = {"wide": wide, "files": files}
    logs = {"wide": _wide(folder, wide), "files": _files(folder, files)}
    maps = {"wide": folder / "wide.toml", "files": folder / "files.toml"}
    maps["wide"].write_text(WIDE_MAP, "utf-8")
    maps["files"].write_text(LONG_MAP, "utf-8")
    spent: dict[str, list[Spent]] = {}
    contestants: dict[str, Callable[[], float]] = {}

    def enter(name: str, count: int, prepare: Callable[..., Any], *arguments: Any) -> None:
        runs = spent[name] = []

        def measure() -> float:
            archive = folder / f"archive-{name.replace(' ', '-')}-{len(runs)}"
            runs.append(in_child(prepare, *arguments, archive))
            if runs[-1].result != count:
                raise RuntimeError(f"{name}: {runs[-1].result} sweeps of {count}")
            return runs[-1].cpu_s / count * 1e6

        contestants[name] = measure

    for kind in WHAT:
        enter(kind, counts[kind], ingest_of, maps[kind], logs[kind])
        enter(f"{kind} bare", counts[kind], bare_of, kind, logs[kind])
    found = rounds(repeat, contestants, warm=False)
    for kind, what in WHAT.items():
        _tell(report, kind, f"{counts[kind]:,} sweeps of {POINTS} points, {what}", found, spent)


def _tell(
    report: Report,
    kind: str,
    what: str,
    found: dict[str, Samples],
    spent: dict[str, list[Spent]],
) -> None:
    baseline = "csv and NumPy read the same text, and keep nothing"
    bare = f"{kind} bare"
    report.figures += [
        Figure(
            name=f"ingest {kind} CPU",
            what=f"acqd ingest of {what}: a sweep's share, without starting",
            unit="µs",
            samples=found[kind],
            baseline=baseline,
            base=found[bare],
        ),
        Figure(
            name=f"ingest {kind} RSS",
            what="the same, largest resident memory",
            unit="MB",
            samples=Samples(tuple(one.peak_mb for one in spent[kind])),
            baseline=baseline,
            base=Samples(tuple(one.peak_mb for one in spent[bare])),
        ),
    ]


# --- logs -------------------------------------------------------------------------------------


def _levels(sweeps: int) -> np.ndarray:
    return np.random.default_rng(7).normal(-105.0, 1.5, (sweeps, POINTS))


def _axis() -> list[str]:
    return [f"{START_MHZ + STEP_MHZ * number:.4f}" for number in range(POINTS)]


def _wide(folder: Path, sweeps: int) -> list[Path]:
    path = folder / "wide.csv"
    with path.open("w", encoding="utf-8") as file:
        file.write(";".join(["time", *_axis()]) + "\n")
        for number, level in enumerate(_levels(sweeps)):
            at = FIRST + timedelta(seconds=EVERY_S * number)
            file.write(f"{at:%Y-%m-%d %H:%M:%S};" + ";".join(f"{one:.1f}" for one in level) + "\n")
    return [path]


def _files(folder: Path, sweeps: int) -> list[Path]:
    inside = folder / "files"
    inside.mkdir()
    axis, paths = _axis(), []
    for number, level in enumerate(_levels(sweeps)):
        at = FIRST + timedelta(seconds=EVERY_S * number)
        paths.append(inside / f"sweep_{at:%Y%m%dT%H%M%S}.txt")
        rows = (f"{mhz};{one:.1f}\n" for mhz, one in zip(axis, level, strict=True))
        paths[-1].write_text("".join(rows), "utf-8")
    return paths


# --- in a process of its own ------------------------------------------------------------------


def ingest_of(map_file: Path, logs: list[Path], archive: Path) -> Callable[[], int]:
    """Ingests; the sweeps that were kept."""
    import h5py  # noqa: F401 (it is loaded for the first segment: not what is timed)

    from acqd.ingest.maps import load_map
    from acqd.ingest.run import Task, ingest

    told = load_map(map_file)
    task = Task(told=told, paths=logs, archive=archive, job=told.job(None))
    return lambda: ingest(task).sweeps


def bare_of(kind: str, logs: list[Path], archive: Path) -> Callable[[], int]:
    """Reads clocks and levels; the sweeps that were found."""
    del archive

    def wide() -> int:
        found = 0
        with logs[0].open(newline="", encoding="utf-8") as file:
            rows = csv.reader(file, delimiter=";")
            axis_hz = np.array(next(rows)[1:], dtype=float) * 1e6
            for row in rows:
                datetime.fromisoformat(row[0]).replace(tzinfo=UTC).timestamp()
                level = np.array(row[1:], dtype=float)
                found += level.size == axis_hz.size
        return found

    def files() -> int:
        found = 0
        for path in logs:
            at = datetime.strptime(path.stem, "sweep_%Y%m%dT%H%M%S").replace(tzinfo=UTC)
            with path.open(newline="", encoding="utf-8") as file:
                table = np.array(list(csv.reader(file, delimiter=";")), dtype=float)
            found += at.timestamp() > 0 and len(table) == POINTS
        return found

    return wide if kind == "wide" else files
