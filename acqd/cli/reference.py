"""``acqd reference``: take a sweep that later ones are compared with, or list those there are."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from acqd.station.bench import Bench
    from acqd.station.references import ReferenceRecord

__all__ = ["command"]

SWEEPS = 5


@click.command("reference")
@click.argument("job")
@click.argument("role", required=False)
@click.option("--config", type=click.Path(), help="The station's config.")
@click.option(
    "--sweeps",
    type=click.IntRange(1, 100),
    default=SWEEPS,
    show_default=True,
    help="Sweeps to take the mean of.",
)
@click.option("--temperature", type=float, help="Temperature at the bench, in °C.")
@click.option("-y", "--yes", is_flag=True, help="All is connected: do not wait for Enter.")
@click.option("--as-it-is", is_flag=True, help="What the job asks for is set by hand: ask nobody.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def command(
    job: str,
    role: str | None,
    config: str | None,
    sweeps: int,
    temperature: float | None,
    yes: bool,
    as_it_is: bool,
    as_json: bool,
) -> None:
    """Take the reference ROLE of JOB: through, open, short, load, quiet or ambient.

    Without a ROLE, list the references that JOB has. A running station takes it between its passes.
    """
    import json
    import math

    from acqd.errors import WrongUsage
    from acqd.station.bench import Bench
    from acqd.station.taking import instruction, role_of

    if temperature is not None and not (math.isfinite(temperature) and -273.15 < temperature < 1e3):
        raise WrongUsage(f"--temperature {temperature:g}: a temperature in °C was expected")
    bench = Bench.of_job(job, config=config)
    if role is None:
        _list(bench, as_json=as_json)
        return
    wanted = role_of(bench.spec, role)
    with bench.opened(as_it_is=as_it_is) as taker:
        sweep_s = taker.check(wanted)
        click.echo(instruction(bench.spec, wanted), err=True)
        click.echo(_announced(sweeps, sweep_s, taker.text), err=True)
        if not yes:
            _wait_for_enter()
        told = taker.take(
            wanted,
            sweeps=sweeps,
            temperature_c=temperature,
            say=lambda text: click.echo(text, err=True),
        )
    if as_json:
        click.echo(json.dumps(told, indent=2, ensure_ascii=False))
        return
    _show(told, bench.zone)


def _wait_for_enter() -> None:
    import sys

    from acqd.errors import WrongUsage

    click.echo("Then press Enter (Ctrl-C to leave): ", nl=False, err=True)
    if not sys.stdin.readline():
        click.echo(err=True)
        raise WrongUsage("nobody is there to press Enter; give --yes where all is connected")


def _announced(sweeps: int, sweep_s: float | None, by: str) -> str:
    from acqd.cli.tables import quantity

    count = "1 sweep" if sweeps == 1 else f"{sweeps} sweeps"
    each = "" if sweep_s is None else f" of about {quantity(sweep_s, 's')}"
    return f"{count}{each} by {by}."


def _show(told: Mapping[str, Any], zone: str) -> None:
    """What was stored, what it is beside the one before, and what is doubtful of it."""
    from acqd.cli.tables import number, quantity

    unit = told["unit"]
    taken = "1 sweep" if told["sweeps"] == 1 else f"{told['sweeps']} sweeps"
    click.echo(told["identity"])
    click.echo(
        f"{told['role']} of {told['job']} stored, {_when(told['at_s'], zone)}: {taken}"
        + _at(told["temperature_c"])
    )
    click.echo(
        f"{quantity(told['start_hz'], 'Hz')} to {quantity(told['stop_hz'], 'Hz')}, "
        f"{told['points']} points, {_settings(told['settings'])}"
    )
    level = (
        f"level {number(told['lowest'])} to {number(told['highest'])} {unit}, "
        f"median {number(told['median'])} {unit}"
    )
    if told["over_floor_db"] is not None:
        level += f", {number(told['over_floor_db'])} dB above the floor"
    if told["repeatability_db"] is not None:
        scatter = number(told["repeatability_db"], 2)
        scatter = "less than 0.01" if scatter == "0.00" else scatter
        level += f"; one reading repeats within {scatter} dB"
    click.echo(level)
    click.echo(_beside_last(told, zone))
    for text in told["warnings"]:
        click.echo(f"warning: {text}")


def _beside_last(told: Mapping[str, Any], zone: str) -> str:
    from acqd.cli.tables import number, quantity

    last = told["last"]
    if last is None:
        return f"the first {told['role']} of this job"
    before = f"the one of {_when(last['at_s'], zone)}"
    if last["differs"]:
        return f"not to be compared with {before}: {'; '.join(last['differs'])}"
    if last["mean_db"] is None:
        return f"takes the place of {before}"
    return (
        f"beside {before}: {_signed(last['mean_db'])} dB in the mean, at most "
        f"{_signed(last['largest_db'])} dB, at {quantity(last['largest_hz'], 'Hz')}"
        if number(last["largest_db"], 2) not in ("0.00", "−0.00")
        else f"equal to {before}"
    )


def _signed(value: float) -> str:
    return f"{value:+.2f}".replace("-", "−")


def _at(temperature_c: float | None) -> str:
    from acqd.cli.tables import number

    return "" if temperature_c is None else f" at {number(temperature_c)} °C"


def _when(at_s: float, zone: str) -> str:
    from datetime import UTC, datetime
    from zoneinfo import ZoneInfo

    return datetime.fromtimestamp(at_s, UTC).astimezone(ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M")


def _settings(settings: Mapping[str, Any]) -> str:
    from acqd.cli.tables import number, quantity

    parts = [f"RBW {quantity(settings.get('rbw_hz'), 'Hz')}"]
    if settings.get("source_level_dbm") is not None:
        parts.append(f"source {number(settings['source_level_dbm'])} dBm")
    if settings.get("attenuation_db") is not None:
        parts.append(f"attenuation {number(settings['attenuation_db'], 0)} dB")
    if settings.get("detector"):
        parts.append(f"detector {settings['detector']}")
    if (settings.get("averages") or 1) > 1:
        parts.append(f"{settings['averages']:g} averages")
    return ", ".join(parts)


def _list(bench: Bench, *, as_json: bool) -> None:
    """The newest reference of each role, and which that fit are missing."""
    import json
    import time

    from acqd.cli.tables import number, table
    from acqd.measure.references import age_text

    now_s = time.time()
    found = bench.listed()
    if as_json:
        data = {
            "job": bench.spec.name,
            "references": [_as_data(one, differs, now_s) for one, differs in found],
            "missing": list(bench.missing()),
        }
        click.echo(json.dumps(data, indent=2, ensure_ascii=False))
        return
    rows = [
        (
            one.role.value,
            _when(one.at_s, bench.zone),
            age_text(now_s - one.at_s),
            "–" if one.temperature_c is None else f"{number(one.temperature_c)} °C",
            str(one.sweeps),
            one.identity.get("model") or one.identity.get("serial_number") or "–",
            _settings(one.settings),
            "; ".join(differs) or ("yes" if one.asked else "nobody can tell without a sweep"),
        )
        for one, differs in found
    ]
    if rows:
        heads = (
            "role",
            f"taken ({bench.zone})",
            "age",
            "temperature",
            "sweeps",
            "sweeper",
            "settings",
            "fits the job",
        )
        click.echo(table(heads, rows, right=(2, 3, 4)))
    for role in bench.missing():
        click.echo(f"no {role}: take one with `acqd reference {bench.spec.name} {role}`")


def _as_data(one: ReferenceRecord, differs: tuple[str, ...], now_s: float) -> dict[str, Any]:
    return {
        "role": one.role.value,
        "at_s": one.at_s,
        "age_s": now_s - one.at_s,
        "temperature_c": one.temperature_c,
        "sweeps": one.sweeps,
        "repeatability_db": one.repeatability_db,
        "identity": dict(one.identity),
        "settings": dict(one.settings),
        "start_hz": float(one.frequency_hz.min()),
        "stop_hz": float(one.frequency_hz.max()),
        "points": int(one.frequency_hz.size),
        "unit": one.unit,
        "differs": list(differs),
    }
