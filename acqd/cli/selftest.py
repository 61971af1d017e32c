"""What ``acqd once --self-test`` asks for and shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from acqd.station.selftestbench import Tester

__all__ = ["run_self_test"]


def run_self_test(
    name: str,
    *,
    config: str | None,
    driver: str | None,
    options: Mapping[str, Any],
    expect: str | None,
    parts: Sequence[str],
    yes: bool,
    as_json: bool,
) -> int:
    """Test a sweeper part by part; the exit code.

    Raises:
        AcqdError: what could not be done. What was taken before that is kept.
    """
    import json

    from acqd.cli.run import EXIT_CODES
    from acqd.measure.verdict import Verdict, combine
    from acqd.station.selftestbench import TestBench

    bench = TestBench.of_sweeper(name, config=config, driver=driver, options=options, expect=expect)
    taken: list[Mapping[str, Any]] = []
    with bench.opened() as tester:
        begun = tester.begin()
        try:
            chosen = _chosen(begun["parts"], parts)
            _say(f"{begun['identity']}, by {tester.text}")
            for part in chosen:
                one = _part(tester, part, yes=yes, quiet=as_json)
                taken.append(one)
        finally:
            _put_back(tester, yes=yes)
    verdict = combine(Verdict(figure["verdict"]) for one in taken for figure in one["figures"])
    if as_json:
        told = {
            "sweeper": name,
            "identity": begun["identity"],
            "verdict": verdict.value,
            "kept": bench.archive is not None,
            "parts": taken,
        }
        click.echo(json.dumps(told, indent=2, ensure_ascii=False))
    else:
        kept = "kept in the archive" if bench.archive is not None else "not kept: no config"
        click.echo(f"{verdict.value} ({kept})")
    return EXIT_CODES[verdict.value]


def _say(text: str) -> None:
    click.echo(text, err=True)


def _chosen(there: Sequence[str], wanted: Sequence[str]) -> list[str]:
    """The parts that were asked for, in their order: by their key, or all of a kind."""
    from acqd.errors import WrongUsage

    for one in wanted:
        if not any(part == one or part.startswith(f"{one}-") for part in there):
            raise WrongUsage(f"--part {one}: this self-test has {', '.join(there)}")
    return [
        part
        for part in there
        if not wanted or any(part == one or part.startswith(f"{one}-") for one in wanted)
    ]


def _part(tester: Tester, part: str, *, yes: bool, quiet: bool) -> Mapping[str, Any]:
    """Ask for what is to be connected, take the part and show its figures."""
    _say("")
    _say(f"{part}: {tester.check(part)}")
    if not yes:
        _wait_for_enter("Then press Enter (Ctrl-C to leave): ")
    told = tester.take(part, _say)
    if not quiet:
        for figure in told["figures"]:
            click.echo(f"{figure['title']}: {figure['text']}")
            if figure["key"] in told["moved"]:
                click.echo(f"  {told['moved'][figure['key']]}")
        for note in told["notes"]:
            click.echo(f"  note: {note}")
    return told


def _put_back(tester: Tester, *, yes: bool) -> None:
    """Let jobs go on, where some wait; not before what they listen with is connected again."""
    if not tester.holds_jobs:
        tester.end()
        return
    try:
        if not yes:
            _say("")
            _say("The test is over. Connect everything as it was: its jobs sweep after that.")
            _wait_for_enter("Then press Enter: ")
    finally:
        tester.end()


def _wait_for_enter(text: str) -> None:
    import sys

    from acqd.errors import WrongUsage

    click.echo(text, nl=False, err=True)
    if not sys.stdin.readline():
        click.echo(err=True)
        raise WrongUsage("nobody is there to press Enter; give --yes where all is connected")
