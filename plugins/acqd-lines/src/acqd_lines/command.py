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

    ADDRESS is serial:/dev/…, usb:VID:PID, tcp://host:port, or the bare path of a port. Nothing is
    swept but one short range, and no source is turned on. Exit code 1: something does not match,
    or the port cannot be had; 2: the profile has problems.
    """
    from acqd_lines.check_command import run_check

    raise SystemExit(
        run_check(file, port=port, swept=swept, options=options, whole=whole, as_json=as_json)
    )


@command.command("learn")
@click.option("--port", metavar="ADDRESS", required=True, help="Where the sweeper is.")
@click.option("--out", metavar="FILE", help="Where to write the profile; else it is printed.")
@click.option("--yes", is_flag=True, help="Consent to what it will do, and take first guesses.")
@click.option("--try", "tries", multiple=True, metavar="LINE", help="Ask this too, and first.")
@click.option("--end", type=click.Choice(["lf", "cr", "crlf"]), help="How lines to it end.")
@click.option("--identify", metavar="LINE", help="The line that asks who it is.")
@click.option("--range", "swept", metavar="RANGE", help='What to sweep, such as "156MHz..158MHz".')
@click.option("--points", help="With how many points.")
@click.option(
    "--set", "sets", multiple=True, metavar="NAME=LINE", help="What sets frequency or points."
)
@click.option("--sweep", "sweeps", multiple=True, metavar="LINE", help="Answered with a sweep.")
@click.option(
    "--carrier",
    "carriers",
    multiple=True,
    metavar="FREQ@LEVEL",
    help="What is connected and known.",
)
@click.option(
    "--peak", "peaks", multiple=True, metavar="POINT", help="Which point each carrier is, from 0."
)
@click.option("--choose", metavar="NUMBER", help="Which of the guesses it is; else the first.")
@click.option("--limits", metavar="RANGE", help="From its lowest to its highest frequency.")
@click.option("--points-limits", metavar="LEAST..MOST", help="Fewest and most points.")
@click.option(
    "--option", "options", multiple=True, metavar="KEY=VALUE", help="An option of the link."
)
@click.option("--pause", default="1 s", show_default=True, help="Listen so long before asking.")
@click.option("--wait", default="700 ms", show_default=True, help="Wait so long for an answer.")
@click.option("--sweep-wait", default="20 s", show_default=True, help="Wait so long for a sweep.")
@click.option("--no-check", is_flag=True, help="Do not try the profile afterwards.")
def learn(
    port: str,
    out: str | None,
    yes: bool,
    tries: tuple[str, ...],
    end: str | None,
    identify: str | None,
    swept: str | None,
    points: str | None,
    sets: tuple[str, ...],
    sweeps: tuple[str, ...],
    carriers: tuple[str, ...],
    peaks: tuple[str, ...],
    choose: str | None,
    limits: str | None,
    points_limits: str | None,
    options: tuple[str, ...],
    pause: str,
    wait: str,
    sweep_wait: str,
    no_check: bool,
) -> None:
    """Learn a profile from a sweeper that nobody has a profile of.

    It says what it will send and asks for consent. Then it listens, asks harmless questions, and
    asks you for the lines of the manual: what sets the range (--set "frequency=SPAN {start:kHz:d}
    {stop:kHz:d}"), what sets the points, and what is answered with a sweep. Connect a carrier whose
    frequency and level you know. Exit code 1: it did not come to a profile that passes its check.
    """
    from acqd_lines.learn_command import run_learn

    given = dict(click.get_current_context().params)
    raise SystemExit(run_learn(given))
