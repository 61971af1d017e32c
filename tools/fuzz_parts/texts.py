"""Files that somebody writes: configs, profiles, plans, maps, logs."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from acqd.errors import AcqdError, ConfigError
from fuzz_parts.target import Target

__all__ = ["TARGETS"]

ROOT = Path(__file__).parents[2]
CONFIGS = ROOT / "configs"

WORDS = (
    *(b'= "', b"[[", b"]]", b"[job.x]", b"'''", b'"""', b"= {", b"= []", b"nan", b"inf", b"-inf"),
    *(b'"1e400 dBm"', b'"0 Hz"', b"9999999999999999999", b"2026-11-29T00:00:00Z", b"\\u0000"),
    *(b"\xff\xfe", b"\xef\xbb\xbf", b"\r", b"..", b"/", b"#", b'"dBm"', b'"1 s"', b"true", b"="),
)


def _checked(read: Callable[[str], Any], data: bytes) -> None:
    """Problems name a file and, where there is one, a line of it, each in one line."""
    text = data.decode("utf-8", "replace")
    try:
        read(text)
    except ConfigError as exc:
        if not exc.problems:
            raise AssertionError("refused without a reason") from exc
        last = text.count("\n") + 2
        for problem in exc.problems:
            told = str(problem)
            if "\n" in told or not problem.problem or not problem.accepted:
                raise AssertionError(f"not one whole line: {told[:300]!r}") from exc
            if problem.line is not None and not 1 <= problem.line <= last:
                raise AssertionError(f"line {problem.line} of {last}") from exc
    except AcqdError as exc:
        if not str(exc) or "\n" in str(exc):
            raise AssertionError(f"not one line: {exc!r}") from exc


def _config(text: str) -> Any:
    from acqd.config.load import parse_config

    return parse_config(text, CONFIGS / "fuzzed.toml")


def _profile(text: str) -> Any:
    from acqd_lines.profile import parse_profile

    return parse_profile(text, "fuzzed.toml")


def _map(text: str) -> Any:
    from acqd.ingest.maps import parse_map

    return parse_map(text, CONFIGS / "maps" / "fuzzed.toml")


def _scene(text: str) -> Any:
    from acqd_sim.scenefile import world_from_text

    return world_from_text(text, "fuzzed.toml")


def _plan(text: str) -> Any:
    from acqd.config.channels import parse_channel_plan

    return parse_channel_plan(text, CONFIGS / "channels" / "fuzzed.toml")


def _limits(text: str) -> Any:
    from acqd.config.limits import parse_limit_profile

    return parse_limit_profile(text, CONFIGS / "limits" / "fuzzed.toml")


def _small(data: bytes) -> None:
    """The small texts that are typed: quantities, moments, what is pasted."""
    from acqd.config import quantity
    from acqd.config.quantity import Dimension, parse_frequency_range, parse_level, parse_quantity
    from acqd.publish.sharing_line import JoinLine
    from acqd.tonight.hookup import parse_between, parse_pads
    from acqd.tonight.moments import next_end_s

    text = data.decode("utf-8", "replace")
    reads: list[Callable[[str], Any]] = [
        parse_level,
        parse_frequency_range,
        JoinLine.parse,
        parse_pads,
        parse_between,
        partial(next_end_s, zone="Europe/London", now_s=1.8e9),
        *(
            partial(parse_quantity, dimension=one)
            for one in vars(quantity).values()
            if isinstance(one, Dimension)
        ),
    ]
    for read in reads:
        try:
            read(text)
        except (AcqdError, ValueError) as exc:
            if not str(exc):
                raise AssertionError(f"{read} refuses without a word") from exc


def _files(*patterns: str) -> Callable[[], list[bytes]]:
    return lambda: [path.read_bytes() for one in patterns for path in sorted(ROOT.glob(one))]


TARGETS = (
    Target(
        name="config",
        what="the config of a station",
        run=partial(_checked, _config),
        seeds=_files("configs/*.toml"),
        words=WORDS,
        most_bytes=16384,
    ),
    Target(
        name="profile",
        what="the profile of a sweeper with a protocol of its own",
        run=partial(_checked, _profile),
        seeds=_files("plugins/acqd-lines/**/profiles/*.toml", "plugins/acqd-lines/**/*.toml"),
        words=WORDS,
        most_bytes=16384,
    ),
    Target(
        name="plan of channels",
        what="a plan of channels",
        run=partial(_checked, _plan),
        seeds=_files("configs/channels/*.toml"),
        words=WORDS,
        most_bytes=16384,
    ),
    Target(
        name="limit profile",
        what="a profile of limits",
        run=partial(_checked, _limits),
        seeds=_files("configs/limits/*.toml"),
        words=WORDS,
        most_bytes=16384,
    ),
    Target(
        name="map of a log",
        what="how to read a log of sweeps",
        run=partial(_checked, _map),
        seeds=_files("configs/maps/*.toml"),
        words=WORDS,
        most_bytes=16384,
    ),
    Target(
        name="scene",
        what="the scene of a simulated sweeper",
        run=partial(_checked, _scene),
        seeds=_files("configs/scenes/*.toml", "plugins/acqd-sim/**/*.toml"),
        words=WORDS,
        most_bytes=16384,
    ),
    Target(
        name="what is typed",
        what="quantities, ranges, moments, pads, the line that joins a shack",
        run=_small,
        seeds=lambda: [
            b"144 MHz..146 MHz",
            b"-101.5 dBm",
            b"2.5 kHz",
            b"2026-11-29 07:00",
            b"yesterday 22:00",
            b"20 dB 5 W, 3 dB",
            b"1 h 30 min",
        ],
        words=(b"MHz", b"dB", b"..", b"-", b"\xe2\x88\x92", b"1e999", b"now", b"00:60", b"\x00"),
        most_bytes=256,
    ),
)
