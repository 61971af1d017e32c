"""tools/nights: a month of simulated nights, and what a station notices of its troubles."""

from __future__ import annotations

import argparse
import json
import logging
import multiprocessing
import shutil
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import structlog

# The parts are imported when they run: wrong options are told at once.

NIGHTS_MOST = 30
EVERY_LEAST_S, EVERY_MOST_S = 1.0, 60.0


def main() -> int:
    """Exit code 1 where something went unnoticed, was told for nothing or has no account."""
    options = _parser().parse_args()
    folder = Path(tempfile.mkdtemp(prefix="acqd-nights-", dir=options.folder))
    try:
        return _run(options, folder)
    finally:
        if options.keep:
            print(f"kept: {folder}", file=sys.stderr)
        else:
            shutil.rmtree(folder, ignore_errors=True)


def _row(folder: Path, row: range, seed: int, every_s: float) -> tuple[Any, float]:
    """What a row of nights came to, and its time on a core. In a process of its own, where there
    are several."""
    from nights_parts.drawing import draw
    from nights_parts.judging import judge
    from nights_parts.living import JOBS, live_through, write_config

    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    began_s = time.process_time()
    folder.mkdir()
    troubles = draw(row, seed)
    config = write_config(folder, seed=seed, every_s=every_s, troubles=list(troubles.values()))
    live_through(config, nights=row, troubles=troubles)
    judged = judge(folder, nights=row, every_s=every_s, troubles=troubles, jobs=JOBS)
    return judged, time.process_time() - began_s


def _run(options: argparse.Namespace, folder: Path) -> int:
    from nights_parts.drawing import rows_of
    from nights_parts.telling import failures, lines_of, plain_of

    began_s = time.monotonic()
    rows = rows_of(options.nights)
    tasks = [
        (folder / f"row-{number}", row, options.seed, options.every)
        for number, row in enumerate(rows, 1)
    ]
    if len(tasks) == 1:
        done = [_row(*tasks[0])]
    else:
        with ProcessPoolExecutor(len(tasks), multiprocessing.get_context("spawn")) as pool:
            done = list(pool.map(_row, *zip(*tasks, strict=True)))
    judged = done[0][0]
    for other, _ in done[1:]:
        judged += other
    took_s, core_s = time.monotonic() - began_s, sum(one for _, one in done)
    if options.json:
        plain = plain_of(judged)
        plain |= {"nights": options.nights, "seed": options.seed, "every_s": options.every}
        print(json.dumps(plain | {"took_s": took_s, "cpu_s": core_s}, indent=1))
    else:
        free = options.nights - len(judged.jobs[0].seen)
        print(
            f"{options.nights} nights of 9 h, seed {options.seed}, a sweep of each job every "
            f"{options.every:g} s; {len(rows)} rows; {free} nights without trouble; "
            f"{core_s:.0f} s on a core, {took_s:.0f} s in all\n"
        )
        print("\n".join(lines_of(judged)))
    return 1 if failures(judged) else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="tools/nights",
        description="Lets a station live through simulated nights with cables that fall off, "
        "sweepers that freeze, a keyed transmitter, clocks that are set and a host that sleeps, "
        "on a clock of its own, and says what it noticed.",
    )
    parser.add_argument("--nights", type=_nights, default=NIGHTS_MOST, help="1 to 30 (30)")
    parser.add_argument("--seed", type=int, default=1, help="of the scene and the troubles (1)")
    parser.add_argument(
        "--every", type=_every, default=30.0, help="seconds from sweep to sweep, 1 to 60 (30)"
    )
    parser.add_argument("--json", action="store_true", help="plain data instead of the table")
    parser.add_argument("--folder", type=Path, help="where scratch files go, instead of /tmp")
    parser.add_argument("--keep", action="store_true", help="leave the archive of the nights")
    return parser


def _nights(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= NIGHTS_MOST:
        raise argparse.ArgumentTypeError(f"{text!r}: expected a whole number from 1 to 30")
    return int(text)


def _every(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    # Nights are whole hours: a grid that does not fit would count a sweep of the day.
    if not EVERY_LEAST_S <= value <= EVERY_MOST_S or 3600.0 % value:
        raise argparse.ArgumentTypeError(
            f"{text!r}: expected seconds from 1 to 60 that divide an hour, such as 20"
        )
    return value


if __name__ == "__main__":
    sys.exit(main())
