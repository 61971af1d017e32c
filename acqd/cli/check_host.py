"""``acqd check --host``: the machine, a line a check, and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NoReturn

import click

if TYPE_CHECKING:
    from collections.abc import Sequence

    from acqd.config.whole import StationConfig
    from acqd.host.checks import HostCheck
    from acqd.host.needs import Needs

__all__ = ["show_host"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """What a config asks of the machine; nothing where there is none."""

    path: str | None = None
    needs: Needs | None = None
    is_running: bool = False
    checks: tuple[HostCheck, ...] = ()


def show_host(config: str | None, *, offline: bool, as_json: bool) -> NoReturn:
    """Look at the machine and end with 1 where there is something to do, else with 0.

    A config that is named must be right; of one that merely lies in the usual places it is said
    where it is not.
    """
    import json
    from dataclasses import asdict

    from acqd.host.checks import State
    from acqd.host.looking import look

    asked = _asked(config, offline=offline)
    checks = (*asked.checks, *look(asked.needs, is_running=asked.is_running))
    left = sum(one.state is State.TO_DO for one in checks)
    if as_json:
        shown = {"config": asked.path, "to_do": left, "checks": [asdict(one) for one in checks]}
        click.echo(json.dumps(shown, indent=2, ensure_ascii=False))
    else:
        _show(asked.path, checks, left)
    raise SystemExit(int(left > 0))


def _asked(config: str | None, *, offline: bool) -> _Asked:
    from acqd.archive.lock import holder_of
    from acqd.config.load import find_config, load_config
    from acqd.errors import AcqdError, ConfigError
    from acqd.host.checks import to_do

    try:
        path = find_config(config)
    except ConfigError:
        if config is not None:
            raise
        return _Asked()
    try:
        loaded = load_config(path)
        return _Asked(
            path=str(path),
            needs=_needs(loaded, offline=offline),
            is_running=holder_of(loaded.archive) is not None,
        )
    except AcqdError as exc:
        if config is not None:
            raise
        first = str(exc).split("\n")[0]
        found = f"it cannot be used, and the machine is looked at without it: {first}"
        return _Asked(path=str(path), checks=(to_do("config", found, f"`acqd check {path}`"),))


def _needs(config: StationConfig, *, offline: bool) -> Needs:
    """What a config asks; what its jobs write is told by the forecast of ``acqd check``."""
    import asyncio

    from acqd.clock import SystemClock
    from acqd.drivers.registry import load_drivers
    from acqd.host.needs import Needs
    from acqd.station.build import build
    from acqd.station.forecast import forecast

    built = build(config, load_drivers())
    seen = asyncio.run(forecast(built, clock=SystemClock(), ask=not offline))
    passes = sum((job.due - job.missed) / job.burst for job in seen.jobs)
    return Needs.of_config(
        config,
        bytes_a_day=seen.bytes_a_day,
        commits_a_second=passes / (seen.to_s - seen.from_s),
    )


def _show(path: str | None, checks: Sequence[HostCheck], left: int) -> None:
    import sys

    from acqd.cli.wrapping import fitted, width_of
    from acqd.config.problems import printable

    beside = f"with what {path} asks of it" if path else "without a config"
    click.echo(f"this machine, {beside}\n")
    width, columns = max(len(one.name) for one in checks), width_of(sys.stdout)
    for one in checks:
        head = f"{one.state.value:<11}  {one.name:<{width}}  "
        # On a narrow terminal what was found would be a column of single words.
        rest = " " * (len(head) if columns is None or columns >= 2 * len(head) else 13)
        click.echo(fitted(printable(one.found), columns, first=head, rest=rest))
        if one.do:
            do = " " * 13 + "do: "
            click.echo(fitted(printable(one.do), columns, first=do, rest=" " * len(do)))
    click.echo(f"\n{left} to do" if left else "\nnothing to do")
