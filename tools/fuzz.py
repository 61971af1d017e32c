"""tools/fuzz: made-up input for everything that reads what comes from outside."""

from __future__ import annotations

import argparse
import importlib.util
import json
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from fuzz_parts import files, instruments, live, messages, texts
from fuzz_parts.engines import Tried, by_branches, by_changes, inside
from fuzz_parts.target import Target

TARGETS: tuple[Target, ...] = (*instruments.TARGETS, *texts.TARGETS, *messages.TARGETS)


def main() -> int:
    """Exit code 1 where something did what it must not."""
    if sys.argv[1:2] == ["--inside"]:
        inside(_named([sys.argv[2]])[0], sys.argv[3:])
    options = _parser().parse_args()
    apart = (files.NAME, *live.NAMES)
    names = options.only or [*(target.name for target in TARGETS), *apart]
    targets = _named([name for name in names if name not in apart])
    if options.list:
        for target in TARGETS:
            print(f"{target.name:18} {target.what}")
        print(f"{files.NAME:18} archives with bytes changed, read in a process apart")
        for name, what in live.NAMES.items():
            print(f"{name:18} {what}")
        return 0
    folder = options.folder or Path(tempfile.mkdtemp(prefix="acqd-fuzz-"))
    folder.mkdir(parents=True, exist_ok=True)
    if not options.no_atheris and importlib.util.find_spec("atheris") is None:
        print("atheris is not here (it is made for Linux on x86-64): hypothesis alone")
        options.no_atheris = True
    print(f"seed {options.seed}; what is found is kept in {folder}", flush=True)
    tried: list[Tried] = []
    for target in targets:
        for engine in (by_changes, by_branches):
            if engine is by_branches and (options.no_atheris or not target.guided):
                continue
            done = engine(
                target,
                inputs=options.inputs,
                seconds=options.seconds,
                seed=options.seed,
                folder=folder,
            )
            tried.append(done)
            print(_line(done), flush=True)
    if files.NAME in names:
        tried.append(
            files.by_mutations(
                inputs=options.inputs, seconds=options.seconds, seed=options.seed, folder=folder
            )
        )
        print(_line(tried[-1]), flush=True)
    for name in live.NAMES:
        if name in names:
            tried.append(
                live.by_broker(
                    name, inputs=options.inputs, seconds=options.seconds, seed=options.seed
                )
            )
            print(_line(tried[-1]), flush=True)
    print(f"{sum(one.inputs for one in tried):,} inputs, {_found(tried)}")
    if options.json:
        rows = [{**asdict(one), "kept": one.kept and str(one.kept)} for one in tried]
        options.json.write_text(json.dumps(rows, indent=1))
    return int(any(one.problem for one in tried))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="tools/fuzz", description=__doc__)
    parser.add_argument("--list", action="store_true", help="what there is, and no more")
    parser.add_argument("--only", action="append", metavar="NAME", help="this one; may be repeated")
    parser.add_argument("--inputs", type=int, default=5000, help="of each target and engine")
    parser.add_argument("--seconds", type=float, default=60.0, help="for each target and engine")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--no-atheris", action="store_true", help="hypothesis alone")
    parser.add_argument("--folder", type=Path, help="where what is found is kept")
    parser.add_argument("--json", type=Path, metavar="FILE", help="the table as JSON")
    return parser


def _named(names: Sequence[str]) -> tuple[Target, ...]:
    known = {target.name: target for target in TARGETS}
    unknown = [name for name in names if name not in known]
    if unknown:
        sys.exit(f"tools/fuzz: there is no {unknown[0]!r}; there are {', '.join(known)}")
    return tuple(known[name] for name in names)


def _line(one: Tried) -> str:
    outcome = "well" if not one.problem else f"{one.problem} ({one.kept})"
    return f"{one.target:18} {one.engine:10} {one.inputs:9,} {one.took_s:6.1f} s  {outcome}"


def _found(tried: Sequence[Tried]) -> str:
    found = sum(bool(one.problem) for one in tried)
    return "nothing found" if not found else f"{found} found something"


if __name__ == "__main__":
    sys.exit(main())
