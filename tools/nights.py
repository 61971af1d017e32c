"""tools/nights: a month of simulated nights, and what a station notices of its troubles."""

from __future__ import annotations

import argparse
import json
import logging
import shutil
import sys
import tempfile
import time
from pathlib import Path

import structlog

# The parts are imported when they run: wrong options are told at once.

NIGHTS_MOST = 30
EVERY_LEAST_S, EVERY_MOST_S = 1.0, 60.0


def main() -> int:
    """Exit code 1 where something went unnoticed, was told for nothing or has no account."""
    options = _parser().parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    folder = Path(tempfile.mkdtemp(prefix="acqd-nights-", dir=options.folder))
    try:
        return _run(options, folder)
    finally:
        if options.keep:
            print(f"kept: {folder}", file=sys.stderr)
        else:
            shutil.rmtree(folder, ignore_errors=True)


def _run(options: argparse.Namespace, folder: Path) -> int:
    from nights_parts.drawing import draw
    from nights_parts.judging import judge
    from nights_parts.living import JOBS, live_through, write_config
    from nights_parts.telling import failures, lines_of, plain_of

    began_s, on_core_s = time.monotonic(), time.process_time()
    troubles = draw(options.nights, options.seed)
    config = write_config(
        folder, seed=options.seed, every_s=options.every, troubles=list(troubles.values())
    )
    live_through(config, nights=options.nights, troubles=troubles)
    judged = judge(
        folder, nights=options.nights, every_s=options.every, troubles=troubles, jobs=JOBS
    )
    took_s, core_s = time.monotonic() - began_s, time.process_time() - on_core_s
    if options.json:
        plain = plain_of(judged)
        plain |= {"nights": options.nights, "seed": options.seed, "every_s": options.every}
        print(json.dumps(plain | {"took_s": took_s, "cpu_s": core_s}, indent=1))
    else:
        free = options.nights - len(troubles)
        print(
            f"{options.nights} nights of 9 h, seed {options.seed}, a sweep of each job every "
            f"{options.every:g} s; {free} nights without trouble; "
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
