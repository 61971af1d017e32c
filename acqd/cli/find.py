"""``acqd find``: what is attached."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from acqd.drivers.contract import Candidate

__all__ = ["command"]


@click.command("find")
@click.argument("addresses", nargs=-1)
@click.option("--config", type=click.Path(), help="Also ask what the sweepers of this config are.")
@click.option("--probe", is_flag=True, help="Ask ports that nobody named who they are.")
@click.option("--drivers", is_flag=True, help="List the installed drivers instead.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def command(
    addresses: tuple[str, ...], config: str | None, probe: bool, drivers: bool, as_json: bool
) -> None:
    """List sweepers that are attached, or that answer at ADDRESSES (tcp://host:port, serial:PORT).

    Without --probe nothing is opened. The sweepers of a CONFIG whose station runs are left alone.
    """
    import json

    from acqd.cli.tables import table
    from acqd.drivers.finding import look_for
    from acqd.drivers.registry import load_drivers

    registry = load_drivers()
    if drivers:
        installed = [(one.name, one.distribution, one.version) for one in registry.drivers.values()]
        click.echo(table(("driver", "distribution", "version"), installed))
        for broken in registry.broken:
            click.echo(f"acqd: {broken}", err=True)
        return
    for broken in registry.broken:
        click.echo(f"acqd: {broken}", err=True)
    held: list[Candidate] = []
    named: dict[str, list[str]] = {name: list(addresses) for name in registry.drivers}
    if config is not None:
        from acqd.archive.lock import holder_of
        from acqd.config.load import find_config, load_config

        loaded = load_config(find_config(config))
        holder = holder_of(loaded.archive) if probe else None
        for name, sweeper in loaded.sweepers.items():
            address = loaded.address(name)
            if holder is None:
                named.setdefault(sweeper.driver, []).append(address)
                continue
            named = {key: [one for one in have if one != address] for key, have in named.items()}
            held.append(_busy(sweeper.driver, address, holder))
    result = look_for(registry, addresses=named, probe=probe)
    for problem in result.problems:
        click.echo(f"acqd: {problem}", err=True)
    found = _with_held(result.candidates, held)
    unknown = [one for one in addresses if one not in {each.address for each in found}]
    if as_json:
        shown = [asdict(candidate) for candidate in found]
        click.echo(json.dumps(shown, indent=2, ensure_ascii=False, default=str))
    elif found:
        rows = [
            (str(one.certainty), one.driver, one.address, one.what or str(one.identity or ""))
            for one in found
        ]
        click.echo(table(("sure", "driver", "address", "what it is"), rows))
    else:
        click.echo("no sweeper found", err=True)
        if not probe:
            click.echo("(--probe also asks serial ports that nobody named)", err=True)
    for address in unknown:
        click.echo(f"acqd: {_why_unknown(address)}", err=True)
    if unknown:
        raise SystemExit(2)


def _busy(driver: str, address: str, holder: str) -> Candidate:
    from acqd.drivers.contract import Candidate, Certainty

    what = f"in use by {holder}"
    return Candidate(driver=driver, address=address, what=what, certainty=Certainty.BUSY)


def _with_held(found: Sequence[Candidate], held: Sequence[Candidate]) -> list[Candidate]:
    """What was found, with what a station holds in place of what drivers made of it."""
    taken = {one.address for one in held}
    return [*(one for one in found if one.address not in taken), *held]


def _why_unknown(address: str) -> str:
    """Why no driver took an address that somebody named."""
    from acqd.drivers.transport import check_address
    from acqd.errors import RequestRefused

    try:
        check_address(address)
    except RequestRefused as exc:
        hint = ""
        if ":" not in address and address.startswith("/dev/"):
            hint = f"; did you mean serial:{address}?"
        elif address.rpartition(":")[2].isdigit() and "//" not in address:
            hint = f"; did you mean tcp://{address}?"
        scheme = address.partition(":")[0].lower()
        limit = exc.limit if scheme in ("tcp", "serial") else f"{exc.limit}, or sim:NAME"
        return f"{address}: no address that a driver knows{hint}; accepted: {limit}"
    return f"{address}: no driver looked there"
