"""tools/endurance: long runs of a whole station: does anything grow, does every sweep count?"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from endurance_parts.sampling import Sample

# The parts are imported when they run: wrong options are told at once.

ROOT = Path(__file__).resolve().parent.parent
SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}
WARM_UP = 0.2
"""Part of a run that is not judged, unless said otherwise."""


def main() -> int:
    """Exit code 1 where something grows, a sweep has no account or cannot be followed."""
    options = _parser().parse_args()
    try:
        return int(options.run(options))
    except (RuntimeError, ValueError, OSError) as exc:
        print(f"tools/endurance: {exc}", file=sys.stderr)
        return 2


# --- the clock of this machine --------------------------------------------------------------------


def _wall(options: argparse.Namespace) -> int:
    from endurance_parts.stations import job_names
    from endurance_parts.wallrun import run_wall

    folder = _empty(options.folder or ROOT / "var" / "endurance" / "wall")
    told = {
        "clock": "wall",
        "jobs": job_names(options.sweepers),
        "every_s": options.sweepers / options.rate,
        "points": options.points,
        "for_s": options.length,
    }
    _write(folder / "run.json", told)
    run_wall(
        folder,
        sweepers=options.sweepers,
        rate=options.rate,
        points=options.points,
        for_s=options.length,
        look_every_s=options.look_every,
        say=_say,
    )
    return _judge(folder, warm_up_s=_warm_up_s(options, options.length), as_json=options.json)


# --- a clock of its own ---------------------------------------------------------------------------


def _days(options: argparse.Namespace) -> int:
    import logging

    import structlog
    from endurance_parts.dayrun import START_S, run_days
    from endurance_parts.stations import job_names

    structlog.configure(
        wrapper_class=structlog.make_filtering_bound_logger(logging.WARNING),
        logger_factory=structlog.WriteLoggerFactory(sys.stderr),
    )
    folder = _empty(options.folder or ROOT / "var" / "endurance" / "days")
    told = {
        "clock": "virtual",
        "jobs": job_names(options.sweepers, options.carriers),
        "every_s": options.every,
        "points": options.points,
        "for_s": options.length,
        "synced": options.synced,
        "seal_every_s": options.seal_every,
        "from_s": START_S,
        "to_s": START_S + options.length - options.every,
    }
    _write(folder / "run.json", told)
    run_days(
        folder,
        sweepers=options.sweepers,
        carriers=options.carriers,
        every_s=options.every,
        points=options.points,
        for_s=options.length,
        seal_every_s=options.seal_every,
        synced=options.synced,
        say=_say,
    )
    return _judge(folder, warm_up_s=_warm_up_s(options, options.length), as_json=options.json)


# --- what came of it ------------------------------------------------------------------------------


def _judged(options: argparse.Namespace) -> int:
    told = json.loads((options.folder / "run.json").read_text("utf-8"))
    warm_up_s = _warm_up_s(options, float(told["for_s"]))
    return _judge(options.folder, warm_up_s=warm_up_s, as_json=options.json)


def _judge(folder: Path, *, warm_up_s: float, as_json: bool) -> int:
    from endurance_parts.accounts import accounts_of
    from endurance_parts.listening import Heard
    from endurance_parts.sampling import read_samples
    from endurance_parts.slopes import slopes_of
    from endurance_parts.telling import account_lines, failures, plain_of, slope_lines

    told = json.loads((folder / "run.json").read_text("utf-8"))
    samples = read_samples(folder / "samples.jsonl")
    if len(samples) < 2:
        raise RuntimeError(f"{folder}: {len(samples)} samples; there is nothing to judge")
    slopes = slopes_of(samples, warm_up_s=warm_up_s)
    # Of those beside the first and the last look nobody can say on which side they fell.
    from_s, to_s = samples[0].wall_s + told["every_s"], samples[-1].wall_s - told["every_s"]
    if (folder / "end.json").exists():
        # It ran to its end, and what was due then is known.
        from_s, to_s = told.get("from_s", from_s), told.get("to_s", to_s)
    accounts = accounts_of(
        folder / "archive",
        Heard.read(folder / "heard.json"),
        jobs=told["jobs"],
        every_s=told["every_s"],
        from_s=from_s,
        to_s=to_s,
        **_end(folder, samples),
    )
    bad = failures(slopes, accounts)
    if as_json:
        real_s = samples[-1].real_s
        plain = {**told, "samples": len(samples), "real_s": real_s, "warm_up_s": warm_up_s}
        print(json.dumps({**plain, **plain_of(slopes, accounts)}, indent=1))
    else:
        print(
            f"{samples[-1].at_s / 3600:,.2f} h on the station's clock in "
            f"{samples[-1].real_s / 60:,.1f} min, {len(samples)} samples, the first "
            f"{warm_up_s / 3600:,.2f} h of them not judged\n"
        )
        print("\n".join([*slope_lines(slopes), "", *account_lines(accounts)]))
        print("\n".join(["", *bad]) if bad else "\nNothing grows, and every due sweep counts.")
    return 1 if bad else 0


def _end(folder: Path, samples: Sequence[Sample]) -> dict[str, int | None]:
    """What its publisher said at the end; else what the station's last status says."""
    path = folder / "end.json"
    if not path.exists():
        return {"live_dropped": samples[-1].live_dropped}
    end = json.loads(path.read_text("ascii"))
    return {"sent": end["sent"], "live_dropped": end["live_dropped"]}


# --- options --------------------------------------------------------------------------------------


def _empty(folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    if any(folder.iterdir()):
        raise RuntimeError(f"{folder}: holds something; name an empty folder with --folder")
    return folder.resolve()


def _write(path: Path, told: dict[str, Any]) -> None:
    path.write_text(json.dumps(told, indent=1) + "\n", "utf-8")


def _say(text: str) -> None:
    if sys.stderr.isatty():
        print(f"\r\x1b[K{text}", end="", file=sys.stderr, flush=True)


def _warm_up_s(options: argparse.Namespace, length_s: float) -> float:
    return WARM_UP * length_s if options.warm_up is None else float(options.warm_up)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="tools/endurance",
        description="Runs a whole station for long, looks at its memory, handles, threads, "
        "journals and queues from outside, and says whether any of them grows and whether every "
        "due sweep is stored or accounted for.",
    )
    runs = parser.add_subparsers(required=True, metavar="wall|days|judge")
    wall = runs.add_parser(
        "wall",
        help="on the clock of this machine, sweepers over TCP",
        description="acqd run, simulated sweepers over TCP, mosquitto and a subscriber, each a "
        "process of its own.",
    )
    wall.add_argument("--for", dest="length", type=_span, default=4500.0, help="75min")
    wall.add_argument("--sweepers", type=_count, default=4, help="with a job each (4)")
    wall.add_argument("--rate", type=_rate, default=20.0, help="sweeps a second of all (20)")
    wall.add_argument("--points", type=_count, default=1001, help="of a sweep (1001)")
    wall.add_argument("--look-every", type=_span, default=10.0, help="10s")
    wall.set_defaults(run=_wall)
    days = runs.add_parser(
        "days",
        help="weeks on a clock of their own",
        description="The whole station on a virtual clock in this process, its sweepers simulated "
        "in it, with a real archive, mosquitto and a subscriber.",
    )
    days.add_argument("--for", dest="length", type=_span, default=30 * SECONDS["d"], help="30d")
    days.add_argument("--sweepers", type=_count, default=8, help="with a job each (8)")
    days.add_argument("--carriers", type=_count, default=2, help="of them follow a carrier (2)")
    days.add_argument("--every", type=_span, default=60.0, help="from pass to pass (60s)")
    days.add_argument("--points", type=_count, default=401, help="of a sweep (401)")
    days.add_argument("--seal-every", type=_span, default=900.0, help="a new journal (15min)")
    days.add_argument("--synced", action="store_true", help="each commit waits for the disk")
    days.set_defaults(run=_days)
    judge = runs.add_parser("judge", help="what a folder of a run says, once more")
    judge.set_defaults(run=_judged)
    for one in (wall, days, judge):
        one.add_argument("--warm-up", type=_span, help="not judged (a fifth of the run)")
        one.add_argument("--json", action="store_true", help="plain data instead of the table")
    wall.add_argument("--folder", type=Path, help="an empty folder; var/endurance/wall")
    days.add_argument("--folder", type=Path, help="an empty folder; var/endurance/days")
    judge.add_argument("folder", type=Path)
    return parser


def _span(text: str) -> float:
    number = text.rstrip("abcdefghijklmnopqrstuvwxyz ")
    try:
        return _positive(float(number)) * SECONDS[text[len(number) :].strip()]
    except (KeyError, ValueError):
        raise argparse.ArgumentTypeError(
            f"{text!r}: expected a time such as 90s, 75min, 2h or 30d"
        ) from None


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r}: expected a whole number from 1 on")
    return int(text)


def _rate(text: str) -> float:
    try:
        return _positive(float(text))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r}: expected a number above 0") from None


def _positive(value: float) -> float:
    if not 0.0 < value < 1e9:
        raise ValueError(value)
    return value


if __name__ == "__main__":
    sys.exit(main())
