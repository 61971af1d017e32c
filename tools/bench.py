"""tools/bench: medians, spreads and ratios against bare baselines taken in the same run."""

from __future__ import annotations

import argparse
import json
import logging
import platform
import shutil
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from bench_parts.figures import Report
from bench_parts.table import lines_of

# Each part is imported when it is run: the memory of a child process must not hold them all.


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """How much is done of everything."""

    rounds: int
    sweeps: int
    segment: int
    messages: int
    memory: int
    starts: int
    kernel_s: float
    night: int
    report: int
    rehearsal_s: float
    links: int
    samples: int
    logs: int
    looks: int


SIZES = {
    "tiny": Size(
        rounds=1,
        sweeps=20,
        segment=64,
        messages=10,
        memory=300,
        starts=2,
        kernel_s=0.01,
        night=300,
        report=240,
        rehearsal_s=60.0,
        links=3,
        samples=200_000,
        logs=20,
        looks=20,
    ),
    "quick": Size(
        rounds=7,
        sweeps=200,
        segment=3600,
        messages=200,
        memory=10_000,
        starts=15,
        kernel_s=0.05,
        night=28_800,
        report=7_200,
        rehearsal_s=600.0,
        links=100,
        samples=10_000_000,
        logs=1_000,
        looks=200,
    ),
    "full": Size(
        rounds=15,
        sweeps=500,
        segment=3600,
        messages=600,
        memory=100_000,
        starts=30,
        kernel_s=0.2,
        night=28_800,
        report=28_800,
        rehearsal_s=3600.0,
        links=300,
        samples=10_000_000,
        logs=1_000,
        looks=500,
    ),
}


def _sweep(report: Report, folder: Path, size: Size) -> None:
    from bench_parts.sweep import bench_sweep

    bench_sweep(report, folder, count=size.sweeps, repeat=size.rounds)


def _seal(report: Report, folder: Path, size: Size) -> None:
    from bench_parts.disk import bench_sealing

    bench_sealing(report, folder, sweeps=size.segment, repeat=min(size.rounds, 7))


def _latency(report: Report, folder: Path, size: Size) -> None:
    from bench_parts.latency import bench_latency

    bench_latency(report, folder, count=size.messages, repeat=min(size.rounds, 7))


def _memory(report: Report, folder: Path, size: Size) -> None:
    from bench_parts.memory import bench_memory

    bench_memory(report, folder, sweeps=size.memory)


def _start(report: Report, folder: Path, size: Size) -> None:
    from bench_parts.start import bench_start

    bench_start(report, repeat=size.starts)


def _kernel(report: Report, folder: Path, size: Size) -> None:
    from bench_parts.kernel import bench_kernel

    bench_kernel(report, repeat=size.rounds, seconds=size.kernel_s)


def _dash(report: Report, folder: Path, size: Size) -> None:
    from bench_parts.dash import bench_dash

    bench_dash(report, count=min(size.messages, 60), repeat=max(1, min(size.rounds // 2, 5)))


def _overview(report: Report, folder: Path, size: Size) -> None:
    from bench_parts.disk import bench_overview

    bench_overview(report, folder, sweeps=size.night, repeat=min(size.rounds, 7))


def _report(report: Report, folder: Path, size: Size) -> None:
    from bench_parts.report import bench_report

    bench_report(report, folder, sweeps=size.report, repeat=max(1, min(size.rounds // 2, 3)))


def _rehearsal(report: Report, folder: Path, size: Size) -> None:
    from bench_parts.rehearsal import bench_rehearsal

    bench_rehearsal(
        report, folder, length_s=size.rehearsal_s, repeat=max(1, min(size.rounds // 2, 3))
    )


def _links(report: Report, folder: Path, size: Size) -> None:
    from bench_parts.links import bench_links

    bench_links(report, folder, count=size.links, repeat=min(size.rounds, 7))


def _iq(report: Report, folder: Path, size: Size) -> None:
    from bench_parts.iq import bench_iq

    bench_iq(report, folder, samples=size.samples, repeat=max(1, min(size.rounds // 2, 5)))


def _ingest(report: Report, folder: Path, size: Size) -> None:
    from bench_parts.ingest import bench_ingest

    repeat = max(1, min(size.rounds // 2, 5))
    bench_ingest(report, folder, wide=2 * size.logs, files=size.logs, repeat=repeat)


def _plug(report: Report, folder: Path, size: Size) -> None:
    from bench_parts.plug import bench_plug

    bench_plug(report, folder, looks=size.looks, repeat=min(size.rounds, 7))


def _isolation(report: Report, folder: Path, size: Size) -> None:
    from bench_parts.isolation import bench_isolation

    bench_isolation(
        report, count=size.sweeps, openings=min(size.starts, 5), repeat=min(size.rounds, 7)
    )


PARTS: dict[str, tuple[str, Callable[[Report, Path, Size], None]]] = {
    "sweep": ("one sweep through the whole path, alone and in tens", _sweep),
    "seal": ("bits per point of a segment, time to seal it", _seal),
    "latency": ("sweep committed to message received, over mosquitto", _latency),
    "memory": ("resident memory of a station, idle and as sweeps go by", _memory),
    "start": ("acqd --help", _start),
    "kernel": ("arithmetic of kind band at 1001, 10,001 and 100,001 points", _kernel),
    "dash": ("the live page: 20 sweeps a second of 8 jobs, 4 viewers", _dash),
    "report": ("acqd report of a night, and of a quarter of it", _report),
    "rehearsal": ("acqd rehearse of a band job", _rehearsal),
    "links": ("a sweep through each driver from a peer that answers at once", _links),
    "iq": ("a sweep from samples beside SciPy", _iq),
    "ingest": ("old logs into an archive beside csv and NumPy", _ingest),
    "isolation": ("a driver in a process of its own beside one in a thread", _isolation),
    "plug": ("looking for what is plugged in", _plug),
    "overview": ("reading a night back; only with --full or by name", _overview),
}


def main(arguments: list[str] | None = None) -> int:
    """Measure what was asked for and print it; 0 unless a part failed."""
    options = _options().parse_args(arguments)
    size = SIZES[options.size]
    if options.sweeps:
        size = replace(size, memory=options.sweeps)
    wanted = options.only or [
        name for name in PARTS if name != "overview" or options.size == "full"
    ]
    _quiet_logs()
    report = Report()
    options.folder.mkdir(parents=True, exist_ok=True)
    started_s = time.monotonic()
    with tempfile.TemporaryDirectory(dir=options.folder, prefix="run-") as scratch:
        for name in wanted:
            print(f"bench: {PARTS[name][0]}", file=sys.stderr, flush=True)
            folder = Path(scratch, name)
            folder.mkdir()
            try:
                PARTS[name][1](report, folder, size)
            except Exception as exc:
                # The others are worth having; the exit code says that one is missing.
                traceback.print_exc()
                report.failed[name] = f"{type(exc).__name__}: {exc}"
            shutil.rmtree(folder, ignore_errors=True)
    took_s = time.monotonic() - started_s
    if options.json:
        print(json.dumps(_as_json(report, options.size, took_s), indent=2, ensure_ascii=False))
    else:
        print("\n".join(lines_of(report)))
        print(f"\n{options.size}, {took_s:.0f} s; {_machine()}; scratch on {options.folder}")
    return 1 if report.failed else 0


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="tools/bench", description=__doc__)
    sizes = parser.add_mutually_exclusive_group()
    for name, text in (
        ("quick", "some two minutes (the default)"),
        ("full", "some minutes: more rounds, 100,000 sweeps, a night read back"),
        ("tiny", "a few seconds, to see that it runs; the figures mean nothing"),
    ):
        sizes.add_argument(f"--{name}", dest="size", action="store_const", const=name, help=text)
    parts = "; ".join(f"{name}: {text}" for name, (text, _) in PARTS.items())
    parser.add_argument(
        "--only",
        action="append",
        metavar="NAME",
        choices=list(PARTS),
        help=f"this part; may be given several times. {parts}",
    )
    parser.add_argument(
        "--sweeps",
        type=_count,
        metavar="N",
        help="sweeps of the memory part (default 10,000; 100,000 with --full)",
    )
    parser.add_argument("--json", action="store_true", help="print JSON instead of a table")
    parser.add_argument(
        "--folder",
        type=Path,
        default=Path("var/bench"),
        help="where scratch files go: the disk that is measured (default var/bench)",
    )
    parser.set_defaults(size="quick")
    return parser


def _count(text: str) -> int:
    count = int(text)
    if count < 100:
        raise argparse.ArgumentTypeError(f"at least 100 sweeps show anything, got {count}")
    return count


def _quiet_logs() -> None:
    import structlog

    structlog.configure(
        wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
    )


def _machine() -> str:
    import os

    return f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}"


def _as_json(report: Report, size: str, took_s: float) -> dict[str, object]:
    return {
        "size": size,
        "took_s": round(took_s, 1),
        "machine": _machine(),
        "figures": [figure.to_json() for figure in report.figures],
        "skipped": report.skipped,
        "failed": report.failed,
        "notes": report.notes,
    }


if __name__ == "__main__":
    sys.exit(main())
