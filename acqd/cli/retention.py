"""``acqd retention``: which old sweeps the station would remove now, and why. Removes nothing."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import click

from acqd.cli.options import takes_config

if TYPE_CHECKING:
    from acqd.archive.removing import RemovedDay
    from acqd.archive.retention import ArchiveDay, Retention, RetentionPlan
    from acqd.config.whole import StationConfig

__all__ = ["command"]

ROWS_MOST = 30


@click.command("retention")
@takes_config
@click.option("--removed", is_flag=True, help="List what was removed so far instead.")
@click.option("--now", is_flag=True, help="Remove it at once, where no station runs.")
@click.option("--json", "as_json", is_flag=True, help="As JSON, day by day.")
def command(config: str | None, removed: bool, now: bool, as_json: bool) -> None:
    """Show which old sweeps the station of CONFIG would remove now, by its [retention], and why.

    Nothing is removed: the running station does that by itself, every ten minutes, and sooner where
    the disk is short of room. With --now it is done here, where no station runs. Findings, gaps and
    hourly figures of removed nights stay for ever. Exit code 1 where --now could not remove all.
    """
    import json

    from acqd.archive.removing import listed_removed
    from acqd.archive.retention import retention_of
    from acqd.config.load import find_config, load_config
    from acqd.errors import WrongUsage

    if removed and now:
        raise WrongUsage("--removed lists, --now removes: give one of them")
    loaded = load_config(find_config(config))
    limits = retention_of(loaded.retention)
    if removed:
        days = listed_removed(loaded.archive)
        if as_json:
            click.echo(json.dumps({"removed": [_removed_json(one) for one in days]}, indent=2))
        else:
            _show_removed(days)
        return
    if now:
        raise SystemExit(_remove(loaded, limits, as_json=as_json))
    plan, age_counts = _planned(loaded, limits)
    if as_json:
        click.echo(json.dumps(_plan_json(plan, age_counts), indent=2, ensure_ascii=False))
    else:
        _show(loaded, limits, plan, age_counts)


def _planned(loaded: StationConfig, limits: Retention) -> tuple[RetentionPlan, bool]:
    """What would go now, and whether the clock is right enough for ages."""
    from acqd.archive.reader import open_archive
    from acqd.archive.removing import look_at_days, wanted_for_floor
    from acqd.archive.retention import plan_retention
    from acqd.clock import SystemClock

    open_archive(loaded.archive)
    clock = SystemClock()
    age_counts = clock.synchronised() is True
    days = look_at_days(loaded.archive, now_s=clock.wall_s())
    wanted = wanted_for_floor(loaded.archive, days, floor_bytes=loaded.station.keep_free_bytes)
    plan = plan_retention(
        days, limits, now_s=clock.wall_s(), wanted_bytes=wanted, age_counts=age_counts
    )
    return plan, age_counts


def _show(loaded: StationConfig, limits: Retention, plan: RetentionPlan, age_counts: bool) -> None:
    from acqd.archive.durable import free_bytes
    from acqd.cli.retention_words import limits_text
    from acqd.cli.tables import quantity

    click.echo(f"{loaded.station.title or loaded.station.name}: {limits_text(limits)}")
    free = quantity(float(free_bytes(loaded.archive)), "B")
    floor = quantity(float(loaded.station.keep_free_bytes), "B")
    size = quantity(float(plan.size_bytes), "B")
    click.echo(f"{size} of sweeps in {loaded.archive}; {free} free, sweeping stops below {floor}")
    if limits.removes_anything and not age_counts:
        click.echo(
            "the clock is not known to be right: nothing goes for its age until it follows a time "
            "source"
        )
    click.echo()
    if plan.going:
        click.echo(f"would go now: {quantity(float(plan.going_bytes), 'B')}")
        _table((one.day, one.why) for one in plan.going)
    else:
        click.echo("nothing would go now")
    if plan.staying:
        click.echo("\nwould go, but stays")
        _table((one.day, one.why) for one in plan.staying)
    if plan.short_bytes:
        short = quantity(float(plan.short_bytes), "B")
        click.echo(f"\nno more may go, and the limits are missed by {short} even so")


def _table(days: Iterable[tuple[ArchiveDay, str]]) -> None:
    from acqd.cli.tables import quantity, table

    rows = [
        (job, kind, span, str(count), quantity(float(size), "B"), why)
        for job, kind, span, count, size, why in _grouped(days)
    ]
    head = ("job", "kind", "UTC days", "days", "size", "why")
    click.echo(table(head, rows[:ROWS_MOST], right=(3, 4)))
    if len(rows) > ROWS_MOST:
        click.echo(f"and {len(rows) - ROWS_MOST} more lines; --json lists each day")


def _grouped(
    days: Iterable[tuple[ArchiveDay, str]],
) -> Iterable[tuple[str, str, str, int, int, str]]:
    """Days of one job and reason that follow each other in the list, together."""
    from itertools import groupby

    def key(one: tuple[ArchiveDay, str]) -> tuple[str, str, str]:
        return one[0].job, one[0].kind, one[1]

    for (job, kind, why), group in groupby(sorted(days, key=key), key=key):
        here = sorted((one for one, _ in group), key=lambda day: day.day)
        span = here[0].day if len(here) == 1 else f"{here[0].day} to {here[-1].day}"
        yield job, kind, span, len(here), sum(one.size_bytes for one in here), why


def _plan_json(plan: RetentionPlan, age_counts: bool) -> dict[str, Any]:
    return {
        "would_go": [_day_json(one.day, one.why) for one in plan.going],
        "stays": [_day_json(one.day, one.why) for one in plan.staying],
        "size_bytes": plan.size_bytes,
        "would_go_bytes": plan.going_bytes,
        "missed_bytes": plan.short_bytes,
        "age_counts": age_counts,
    }


def _day_json(day: ArchiveDay, why: str) -> dict[str, Any]:
    return {
        "job": day.job,
        "day": day.day,
        "kind": day.kind,
        "soak": day.is_soak,
        "size_bytes": day.size_bytes,
        "why": why,
    }


def _removed_json(day: RemovedDay) -> dict[str, Any]:
    return {
        "job": day.job,
        "day": day.day,
        "sweeps": day.sweeps,
        "size_bytes": day.size_bytes,
        "why": day.why,
    }


def _show_removed(days: list[RemovedDay]) -> None:
    from acqd.cli.tables import quantity, table

    if not days:
        click.echo("no sweeps were ever removed from this archive")
        return
    rows = [
        (day.job, day.day, str(day.sweeps), quantity(float(day.size_bytes), "B"), day.why)
        for day in days
    ]
    click.echo(table(("job", "UTC day", "sweeps", "size", "why"), rows, right=(2, 3)))
    click.echo("their findings, gaps and hourly figures are in the archive")


def _remove(loaded: StationConfig, limits: Retention, *, as_json: bool) -> int:
    """Remove it here; the exit code. The lock of the archive is held meanwhile."""
    import json

    from acqd.archive.reader import open_archive
    from acqd.archive.writer import ArchiveWriter
    from acqd.clock import SystemClock

    open_archive(loaded.archive)
    clock = SystemClock()
    writer = ArchiveWriter.open(
        loaded.archive,
        station=loaded.station.name,
        run_id="retention",
        clock=clock,
        keep_free_bytes=loaded.station.keep_free_bytes,
        retention=limits,
    )
    removed: list[RemovedDay] = []
    try:
        is_more = True
        while is_more:
            done = writer.retain_now(clock.wall_s(), age_counts=clock.synchronised() is True)
            removed += done.removed
            is_more = done.is_more
    finally:
        writer.close((), seal=False)
    if as_json:
        told = {"removed": [_removed_json(one) for one in removed], "problem": done.problem}
        click.echo(json.dumps(told, indent=2, ensure_ascii=False))
    elif removed:
        _show_removed(removed)
    else:
        click.echo("nothing was to be removed")
    if done.problem:
        click.echo(f"acqd: {done.problem}", err=True)
    return int(done.problem is not None)
