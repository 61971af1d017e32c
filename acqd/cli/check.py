"""``acqd check``: what a station would do."""

from __future__ import annotations

from dataclasses import asdict
from itertools import pairwise
from typing import TYPE_CHECKING

import click

from acqd.cli.options import takes_config

if TYPE_CHECKING:
    from acqd.station.build import Built
    from acqd.station.forecast import Forecast, SweeperForecast

__all__ = ["command"]

NEXT_SHOWN = 3


@click.command("check")
@takes_config
@click.option("--host", is_flag=True, help="Look at the machine instead: what to do, line by line.")
@click.option("--offline", is_flag=True, help="Do not ask the sweepers anything.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def command(config: str | None, host: bool, offline: bool, as_json: bool) -> None:
    """Show what the station of CONFIG would do: sweepers, jobs, times, disk and messages.

    Sweepers that can be reached are asked who they are and how long each job's sweep takes; no
    sweep is taken, and a running station is left alone. Exit code 1 where something cannot work as
    the config has it: a job beyond its sweeper, a sweeper that there cannot be, no room for files.

    With --host the machine is looked at, also without a config: rights on ports, the clock, the
    disk, sleep, power, the broker. Exit code 1 where there is something to do.
    """
    if host:
        from acqd.cli.check_host import show_host

        show_host(config, offline=offline, as_json=as_json)
    import asyncio
    import json

    from acqd.alerts.sending import unusable
    from acqd.cli.check_shack import shack_lines
    from acqd.clock import SystemClock
    from acqd.config.load import find_config, load_config
    from acqd.drivers.registry import load_drivers
    from acqd.station.amending import described_wrongly
    from acqd.station.build import build
    from acqd.station.forecast import forecast

    path = find_config(config)
    loaded = load_config(path)
    registry = load_drivers()
    for broken in registry.broken:
        click.echo(f"acqd: {broken}", err=True)
    built = build(loaded, registry)
    seen = asyncio.run(forecast(built, clock=SystemClock(), ask=not offline))
    mute = unusable(loaded)
    if as_json:
        wrong = described_wrongly(loaded, now_s=SystemClock().wall_s())
        shown = {"config": str(path), "notes": loaded.notes(), "amended": wrong, "alerts": mute}
        shown |= asdict(seen)
        click.echo(json.dumps(shown, indent=2, ensure_ascii=False))
        raise SystemExit(int(seen.is_wrong or bool(mute)))
    click.echo(f"{built.title} ({built.name}), from {path}")
    _show(built, seen)
    for line in shack_lines(loaded, now_s=SystemClock().wall_s()):
        click.echo(line)
    for sentence in described_wrongly(loaded, now_s=SystemClock().wall_s()):
        click.echo(f"warning: {sentence}")
    for sentence in mute:
        click.echo(f"alerts: {sentence}")
    for note in loaded.notes():
        click.echo(f"note: {note}")
    raise SystemExit(int(seen.is_wrong or bool(mute)))


def _show(built: Built, seen: Forecast) -> None:
    import os
    import shutil

    from acqd.cli.tables import number, quantity, table, when

    click.echo("\nsweepers")
    click.echo(
        table(
            ("name", "driver", "runs in", "address", "who answers"),
            [
                (one.name, one.driver, _runs_in(one), one.address, one.state)
                for one in seen.sweepers
            ],
        )
    )
    click.echo("\njobs")
    rows = []
    for job in seen.jobs:
        shown = job.next_due_s[:NEXT_SHOWN]
        tenths = any(after_s - at_s < 1.0 for at_s, after_s in pairwise(shown))
        due = [when(at_s, built.time_zone, tenths=tenths) for at_s in shown]
        rows.append(
            (
                job.name,
                job.sweeper,
                job.rhythm,
                str(job.points),
                f"{quantity(job.sweep_s, 's')} ({job.sweep_s_from})",
                f"{number(100 * job.share, 0)} %",
                str(job.due),
                str(job.missed),
                f"{quantity(job.bytes_a_day, 'B')}",
                ", ".join([due[0], *(text.split(" ", 1)[1] for text in due[1:])]) if due else "–",
            )
        )
    heads = (
        "name",
        "sweeper",
        "when",
        "points",
        "a sweep takes",
        "share",
        "due a day",
        "missed",
        "disk a day",
        f"next due ({built.time_zone})",
    )
    click.echo(table(heads, rows, right=(3, 5, 6, 7, 8)))
    _explain(seen)
    _show_inputs(seen)
    _show_wishes(seen)
    click.echo("\nconflicts")
    for sentence in seen.conflicts or ("none",):
        click.echo(sentence)
    if seen.archive_problem:
        click.echo(f"\narchive   cannot be used: {seen.archive_problem}")
    folder = built.archive
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    free = shutil.disk_usage(folder).free if os.access(folder, os.R_OK) else None
    left = "" if free is None else f"; {quantity(float(free), 'B')} free"
    if free is not None and free <= built.keep_free_bytes:
        kept = quantity(float(built.keep_free_bytes), "B")
        left += f", less than the {kept} that `keep_free` leaves alone: nothing would be stored"
    elif free is not None and seen.bytes_a_day > 0:
        days = (free - built.keep_free_bytes) / seen.bytes_a_day
        left += f", enough for about {number(days, 0)} days" if days < 36500 else ""
    if not seen.archive_problem:
        click.echo(f"\narchive   {built.archive}")
    click.echo(f"disk      about {quantity(seen.bytes_a_day, 'B')} a day{left}")
    _show_retention(built, seen, free)
    rate = f"about {number(seen.messages_a_second, 1)} a second"
    click.echo(f"messages  {'none: the config names no broker' if built.mqtt is None else rate}")
    if seen.simulated_s < seen.to_s - seen.from_s:
        hours = number(seen.simulated_s / 3600)
        click.echo(f"(the plan was run for the first {hours} hours; the rest is in proportion)")


def _runs_in(sweeper: SweeperForecast) -> str:
    where = {"thread": "the station", "process": "a process"}[sweeper.isolation]
    return where if sweeper.isolation_why != "as the config says" else f"{where} (config)"


def _show_retention(built: Built, seen: Forecast, free: int | None) -> None:
    """What will become of old sweeps."""
    from acqd.archive.layout import day_of
    from acqd.archive.retention import ArchiveDay
    from acqd.cli.retention_words import foreseen_lines

    specs = {spec.name: spec for spec in built.jobs}
    a_day = [
        ArchiveDay(
            job=job.name,
            day=day_of(seen.from_s),
            kind=specs[job.name].kind,
            size_bytes=int(job.bytes_a_day),
            is_soak=specs[job.name].ends,
        )
        for job in seen.jobs
    ]
    room = None if free is None else float(free - built.keep_free_bytes)
    for at, line in enumerate(foreseen_lines(built.retention, a_day, room_bytes=room)):
        click.echo(f"{'retention' if at == 0 else '':<10}{line}")


def _show_inputs(seen: Forecast) -> None:
    """What can arrive at the inputs, and what the kinds can say beforehand."""
    concerned = [job for job in seen.jobs if job.inputs or job.foreseen]
    if not concerned:
        return
    click.echo("\ninputs and limits")
    for job in concerned:
        for sentence in (*job.inputs, *job.foreseen):
            click.echo(f"{job.name}: {sentence}")
    if any(job.inputs for job in concerned):
        click.echo(
            "Software protects no input: what protects it is the pads in the chain. Check them, "
            "their ratings and their order before anything is keyed, at lowest power first; keep "
            "to your licence and to local rules (docs/safety.md)."
        )


def _show_wishes(seen: Forecast) -> None:
    """What jobs wait for, and what will be published for them."""
    told = [f"{job.name}: {sentence}" for job in seen.jobs for sentence in job.wishes]
    if not told:
        return
    click.echo("\nwhat jobs want of the world")
    for sentence in told:
        click.echo(sentence)
    if any("before each pass" in sentence for sentence in told):
        click.echo(
            "A relay that did not move may join a transmitter to an input: what must never be "
            "connected belongs behind an interlock of hardware (docs/ready.md)."
        )


def _explain(seen: Forecast) -> None:
    """What the table of jobs has no room for."""
    reasons: dict[str, list[str]] = {}
    for job in seen.jobs:
        if job.sweep_s_from == "assumed" and not job.problem:
            reasons.setdefault(job.assumed_why, []).append(job.name)
    for why, names in reasons.items():
        click.echo(
            f"assumed for {', '.join(names)}: {why}; share, missed and disk hang on it "
            "(`sweep_time` in the job would say it)"
        )
    if any(job.sweep_s_from == "archive" for job in seen.jobs):
        click.echo("archive: what the last sweep in the running station's archive took")
    for job in seen.jobs:
        if job.problem:
            click.echo(f"{job.name}: cannot be done: {job.problem}")
