"""``acqd profile``: check a profile, and learn one from a sweeper that nobody has a profile of."""

from __future__ import annotations

import click

__all__ = ["command"]


@click.group("profile")
def command() -> None:
    """Profiles of sweepers: check one against its sweeper, or learn one."""


@command.command("check")
@click.argument("file")
@click.option("--port", metavar="ADDRESS", help="Run it there, step by step.")
@click.option("--range", "swept", metavar="RANGE", help='What to sweep, such as "156MHz..158MHz".')
@click.option(
    "--option", "options", multiple=True, metavar="KEY=VALUE", help="An option of the link."
)
@click.option("--all", "whole", is_flag=True, help="Show all bytes, also of long answers.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def check(
    file: str,
    port: str | None,
    swept: str | None,
    options: tuple[str, ...],
    whole: bool,
    as_json: bool,
) -> None:
    """Check the profile FILE, a path or the name of a known one; with --port also its sweeper.

    ADDRESS is serial:/dev/…, tcp://host:port, or the bare path of a port. Nothing is swept but one
    short range, and no source is turned on. Exit code 1: something does not match, or the port
    cannot be had; 2: the profile has problems.
    """
    from acqd_lines.check_command import run_check

    raise SystemExit(
        run_check(file, port=port, swept=swept, options=options, whole=whole, as_json=as_json)
    )
