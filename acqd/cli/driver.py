"""``acqd driver``: for authors of drivers."""

from __future__ import annotations

from pathlib import Path

import click

__all__ = ["command"]


@click.group("driver")
def command() -> None:
    """Begin a driver of your own (docs/new-driver.md tells the way from there)."""


@command.command("new")
@click.argument("name")
@click.option(
    "--in",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path(),
    help="Where to put it; here by default.",
)
def new(name: str, folder: Path) -> None:
    """Write a distribution with a small complete driver NAME, its simulated sweeper and its tests.

    It passes the conformance kit as it is; then change it, one method after the other. Nothing that
    is there already is touched.
    """
    from acqd.drivers.registry import load_drivers
    from acqd.errors import WrongUsage
    from acqd.testing.skeleton import write_skeleton

    taken = load_drivers().drivers.get(name)
    if taken is not None:
        raise WrongUsage(
            f"the driver {name!r} of {taken.distribution} is installed here, and two of one name "
            f"are both refused; choose another name"
        )
    target = write_skeleton(name, folder)
    click.echo(f"{target} is written. From here:")
    click.echo(f"  cd {target}")
    click.echo("  pip install -e '.[test]'")
    click.echo("  pytest -x")
    click.echo("README.md there says what to change, in order.")
