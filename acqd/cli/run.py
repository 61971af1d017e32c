"""``acqd run``: the station, until Ctrl-C, SIGTERM or SIGHUP."""

from __future__ import annotations

import os
import secrets
import signal
import sys
import time
from collections.abc import Mapping
from contextlib import AbstractContextManager, nullcontext
from typing import TYPE_CHECKING, Any

import click

from acqd.cli.options import takes_config

if TYPE_CHECKING:
    from acqd.config.whole import StationConfig
    from acqd.publish.settings import EventLog
    from acqd.station.build import Built

__all__ = ["EXIT_CODES", "command", "ending_signals", "leave_quietly"]

EXIT_CODES = {"pass": 0, "fail": 3, "cannot tell": 4, "incomplete": 5}
"""Of a run that ended with its soaks: the worst of them, in the order fail, incomplete, cannot
tell."""


@click.command("run")
@takes_config
@click.option(
    "--broker",
    type=click.Choice(["local", "embedded", "none"]),
    help="Instead of the config's: a local mosquitto, the embedded broker (for trials), or none.",
)
@click.option(
    "--until-verdict",
    "until",
    metavar="JOB",
    multiple=True,
    help="End by itself when this soak has ended, with an exit code for its verdict.",
)
@click.option("-v", "--verbose", is_flag=True, help="Log details as well.")
def command(config: str | None, broker: str | None, until: tuple[str, ...], verbose: bool) -> None:
    """Run the station of CONFIG until Ctrl-C, SIGTERM or SIGHUP, or until its soaks have ended.

    Ends cleanly within two seconds; a second Ctrl-C leaves at once. What was committed is safe
    either way.
    """
    import asyncio

    import structlog

    from acqd.cli.logs import set_up_logs
    from acqd.clock import SystemClock
    from acqd.config.environment import forget_secrets
    from acqd.config.load import find_config, load_config
    from acqd.drivers.registry import load_drivers
    from acqd.host.notify import Notifier
    from acqd.station.build import build
    from acqd.station.service import Station
    from acqd.station.surroundings import Surroundings

    # First of all: nothing that is started from here on may speak in this process's name.
    ear = Notifier.taken_from(os.environ)
    # Until the station runs, and takes its signals itself, there is nothing to end.
    for number in ending_signals():
        signal.signal(number, leave_quietly)
    set_up_logs(verbose=verbose)
    log = structlog.get_logger()
    path = find_config(config)
    loaded = load_config(path)
    registry = load_drivers()
    for broken in registry.broken:
        log.warning("driver_broken", problem=str(broken))
    built = build(loaded, registry, broker=broker)
    forget_secrets(loaded)
    _refuse_endless(built, until)
    log.info("config", file=str(path), station=built.name)
    for note in loaded.notes():
        log.warning("config_note", note=note)
    clock = SystemClock()
    run_id = (
        f"{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime(clock.wall_s()))}-{secrets.token_hex(3)}"
    )
    around = Surroundings(ear=ear)
    station = Station(built, clock=clock, run_id=run_id, until=until, around=around)
    with _awake(loaded, log):
        asyncio.run(_until_told(station))
    outcome = station.outcome()
    code = 0 if outcome is None else _told(outcome)
    if station.left_behind:
        # A thread hangs in the disk: an interpreter that takes its modules down under it may crash.
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    sys.exit(code)


def _awake(config: StationConfig, log: EventLog) -> AbstractContextManager[object]:
    """Holds the machine awake while the station runs, unless the config says otherwise."""
    if not config.station.keep_awake:
        return nullcontext()
    from acqd.host.awake import KeepAwake

    return KeepAwake(why=f"{config.station.title or config.station.name} is listening", log=log)


def _refuse_endless(built: Built, until: tuple[str, ...]) -> None:
    from acqd.errors import WrongUsage

    ending = [spec.name for spec in built.jobs if spec.ends]
    for name in until:
        if name not in ending:
            known = ", ".join(ending) or "none"
            raise WrongUsage(
                f"--until-verdict {name}: no enabled job of this name is a soak; there is {known}"
            )


def _told(outcome: Mapping[str, Mapping[str, Any]]) -> int:
    """Print what the soaks came to; the exit code for all of them."""
    from acqd.measure.verdict import Verdict, combine

    for job, verdict in outcome.items():
        click.echo(f"{job}: {verdict['verdict']}")
        click.echo(f"  {verdict['text']}")
        for row in verdict["judgements"]:
            click.echo(f"  {row['text']}")
    if not outcome:
        return 0
    return EXIT_CODES[combine(Verdict(one["verdict"]) for one in outcome.values()).value]


def ending_signals() -> tuple[signal.Signals, ...]:
    """The signals that end the station. SIGHUP, sent when a terminal closes, is one of them unless
    whoever started us had it ignored, as nohup does."""
    if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
        return (signal.SIGINT, signal.SIGTERM)
    return (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


def leave_quietly(number: int, frame: object) -> None:
    """End where there is nothing to end yet: a handler of signals."""
    raise SystemExit(0)


async def _until_told(station: object) -> None:
    from acqd.station.service import Station
    from acqd.station.stopping import AskedToStop

    assert isinstance(station, Station)
    AskedToStop(station.stop).by(ending_signals())
    try:
        await station.run()
    except BaseExceptionGroup as group:
        # What left the task group first is what happened; the rest followed from it.
        raise group.exceptions[0] from group
