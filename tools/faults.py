"""tools/faults: a real station is hurt in every way there is, and nothing may be lost."""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import shutil
import signal
import sys
import tempfile
import time
from dataclasses import replace
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from multiprocessing.process import BaseProcess

    from faults_parts.legs import Done, Leg
    from faults_parts.registry import Fault

# The parts are imported when they run: wrong options are told at once.

ROOT = Path(__file__).resolve().parent.parent
KILLS, KILLS_FULL, KILLS_MOST = 20, 300, 10_000
LEAVE_S = 30.0
"""A leg that is to end has its station and its brokers to end before."""


def main() -> int:
    """Exit code 0 where nothing was lost, 1 where something was, 2 for wrong usage."""
    options = _parser().parse_args()
    # What stands around a station is what the tests have, too.
    sys.path.insert(0, str(ROOT / "tests" / "helpers"))
    from faults_parts.kits import mounts_of_its_own
    from faults_parts.registry import faults

    known = dict(faults())
    unknown = [name for name in options.only if name not in known]
    if unknown:
        print(f"tools/faults: no fault {unknown[0]!r}; --list shows them", file=sys.stderr)
        return 2
    if options.list:
        for name, one in known.items():
            print(f"{name:<26}{', '.join(one.guarantees):<14}{one.does}")
        return 0
    mounts_of_its_own()
    folder = Path(tempfile.mkdtemp(prefix="acqd-faults-", dir=options.folder))
    try:
        return _run(options, known, folder)
    finally:
        if options.keep:
            print(f"kept: {folder}", file=sys.stderr)
        else:
            shutil.rmtree(folder, ignore_errors=True)


def _run(options: argparse.Namespace, known: dict[str, Fault], folder: Path) -> int:
    from faults_parts.legs import plan_legs
    from faults_parts.table import failures, lines_of, markdown_of, plain_of, rows_of, total_of

    kills = options.kills
    if kills is None:
        kills = KILLS_FULL if options.full else KILLS
    legs = plan_legs(known, seed=options.seed, full=options.full, kills=kills, only=options.only)
    count = sum(len(step) for leg in legs for step in leg.faults)
    print(f"seed {options.seed}: {count} faults in {len(legs)} legs", flush=True)
    began_s = time.monotonic()
    done = _all(legs, folder, options)
    rows, total = rows_of(done, known), total_of(done, known)
    took_s, spent = time.monotonic() - began_s, os.times()
    core_s = spent.user + spent.system + spent.children_user + spent.children_system
    print(
        "\n".join(["", *lines_of(rows, total), f"Took {took_s:.0f} s, {core_s:.0f} s on a core."])
    )
    for line in failures(done):
        print(f"WRONG: {line}")
    if options.json is not None:
        plain = plain_of(rows, total, done)
        plain |= {"seed": options.seed, "took_s": round(took_s, 1), "cpu_s": round(core_s, 1)}
        options.json.write_text(json.dumps(plain, indent=1) + "\n", "utf-8")
    if options.markdown is not None:
        options.markdown.write_text(markdown_of(rows, total), "utf-8")
    return 1 if total.lost else 0


def _all(legs: list[Leg], folder: Path, options: argparse.Namespace) -> list[Done]:
    """Each leg in a process of its own, some at a time, in order of their numbers."""
    done: dict[int, Done] = {}
    at_work: dict[Connection, tuple[Leg, BaseProcess]] = {}
    waiting, context = list(legs), multiprocessing.get_context("fork")
    try:
        while waiting or at_work:
            while waiting and len(at_work) < options.side_by_side:
                leg = waiting.pop(0)
                ours, theirs = context.Pipe(duplex=False)
                process = context.Process(target=_one, args=(leg, folder, options, theirs))
                process.start()
                theirs.close()
                at_work[ours] = leg, process
            for ready in wait(list(at_work)):
                assert isinstance(ready, Connection)
                leg, process = at_work.pop(ready)
                try:
                    done[leg.number] = replace(ready.recv(), leg=leg)
                except EOFError:
                    process.join()
                    text = f"leg {leg.number} has ended with {process.exitcode}, without a result"
                    raise RuntimeError(text) from None
                process.join()
    except KeyboardInterrupt:
        print(f"stopped: what follows is of {len(done)} of {len(legs)} legs", flush=True)
    finally:
        for _, process in at_work.values():
            process.terminate()
        for _, process in at_work.values():
            process.join(LEAVE_S)
            process.kill()
    return [done[number] for number in sorted(done)]


def _one(leg: Leg, folder: Path, options: argparse.Namespace, told: Connection) -> None:
    from faults_parts.legs import run_leg

    # A terminal says it to all at once; who ends a leg is whoever has begun it.
    signal.signal(signal.SIGINT, lambda *_: None)
    signal.signal(signal.SIGTERM, _leave)

    def say(line: str) -> None:
        if not options.quiet or "WRONG" in line:
            print(line, flush=True)

    where = folder / f"leg-{leg.number}"
    try:
        done = run_leg(leg, where, say=say, keep=options.keep)
    except KeyboardInterrupt:
        return
    # The faults of a leg are functions, which no pipe carries; whoever reads has them.
    told.send(replace(done, leg=replace(leg, faults=())))
    if not options.keep:
        shutil.rmtree(where, ignore_errors=True)


def _leave(*_: object) -> None:
    raise KeyboardInterrupt


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="tools/faults",
        description="Runs a real station with its sweepers and its broker, does to each of them "
        "what nights bring, and checks after every fault that nothing published is lost, every due "
        "sweep is accounted for, every finding got out and every file can be read.",
    )
    parser.add_argument("--seed", type=int, default=1, help="of moments and order (1)")
    parser.add_argument(
        "--only", action="append", default=[], metavar="NAME", help="this fault; may be repeated"
    )
    parser.add_argument("--list", action="store_true", help="the faults, and what they test")
    parser.add_argument("--full", action="store_true", help="all of it, half an hour")
    parser.add_argument(
        "--kills", type=_kills, metavar="N", help=f"of the station ({KILLS}; {KILLS_FULL} in full)"
    )
    parser.add_argument(
        "--side-by-side",
        type=int,
        choices=range(1, 9),
        default=min(2, os.cpu_count() or 1),
        metavar="N",
        help="legs at a time (2, or 1 where there is one core)",
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="write plain data there")
    parser.add_argument("--markdown", type=Path, metavar="FILE", help="write the table there")
    parser.add_argument("--folder", type=Path, help="where scratch files go, instead of /tmp")
    parser.add_argument("--keep", action="store_true", help="leave archives and what was heard")
    parser.add_argument("--quiet", action="store_true", help="only the table, and what is wrong")
    return parser


def _kills(text: str) -> int:
    if not text.isdecimal() or int(text) > KILLS_MOST:
        raise argparse.ArgumentTypeError(f"{text!r}: expected a whole number up to {KILLS_MOST}")
    return int(text)


if __name__ == "__main__":
    sys.exit(main())
