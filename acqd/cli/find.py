"""``acqd find``: what is attached."""

from __future__ import annotations

from dataclasses import asdict

import click

__all__ = ["command"]


@click.command("find")
@click.argument("addresses", nargs=-1)
@click.option("--config", type=click.Path(), help="Also ask what the sweepers of this config are.")
@click.option("--probe", is_flag=True, help="Ask ports that nobody named who they are.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def command(addresses: tuple[str, ...], config: str | None, probe: bool, as_json: bool) -> None:
    """List sweepers that are attached, or that answer at ADDRESSES (tcp://host:port, serial:PORT).

    Without --probe nothing is written to a port that nobody named.
    """
    import json

    from acqd.cli.tables import table
    from acqd.drivers.finding import look_for
    from acqd.drivers.registry import load_drivers

    registry = load_drivers()
    for broken in registry.broken:
        click.echo(f"acqd: {broken}", err=True)
    named: dict[str, list[str]] = {name: list(addresses) for name in registry.drivers}
    if config is not None:
        from acqd.config.load import find_config, load_config

        loaded = load_config(find_config(config))
        for name, sweeper in loaded.sweepers.items():
            named.setdefault(sweeper.driver, []).append(loaded.address(name))
    result = look_for(registry, addresses=named, probe=probe)
    for problem in result.problems:
        click.echo(f"acqd: {problem}", err=True)
    if as_json:
        found = [asdict(candidate) for candidate in result.candidates]
        click.echo(json.dumps(found, indent=2, ensure_ascii=False, default=str))
        return
    if not result.candidates:
        click.echo("no sweeper found", err=True)
        if not probe:
            click.echo("(--probe also asks serial ports that nobody named)", err=True)
        return
    rows = [
        (str(one.certainty), one.driver, one.address, one.what or str(one.identity or ""))
        for one in result.candidates
    ]
    click.echo(table(("sure", "driver", "address", "what it is"), rows))
