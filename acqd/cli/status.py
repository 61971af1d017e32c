"""``acqd status``: how the station stands, in a few lines."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

from acqd.cli.options import takes_config

if TYPE_CHECKING:
    from acqd.archive.reader import Archive
    from acqd.config.whole import StationConfig

__all__ = ["EXIT_CODES", "command"]

EXIT_CODES = {"well": 0, "limping": 3, "not sweeping": 4}
"""Of a station that runs, by its word; 1 where none does."""

BAR_WIDTH = 12
CURVE_WIDTH = 40


@click.command("status")
@takes_config
@click.option("--all", "with_all", is_flag=True, help="All stations that the broker knows.")
@click.option("--broker", "by_broker", is_flag=True, help="This station, by what the broker holds.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def command(config: str | None, with_all: bool, by_broker: bool, as_json: bool) -> None:
    """Show how the station of CONFIG stands: sweepers, jobs, what they kept and found last.

    Asks the running station on this machine, over its socket; no broker is needed. Where none runs,
    its archive tells when it last did. Exit code 0 where it runs and is well, 3 where it limps, 4
    where it does not sweep though it should, 1 where none runs. With --broker it is told by what
    the broker holds of it, from any machine; with --all, and where the station serves its broker to
    others or uses another one's and there are several, all stations of the broker.
    """
    import json
    import time

    from acqd.archive.reader import open_archive
    from acqd.config.load import find_config, load_config
    from acqd.errors import ArchiveError
    from acqd.station.standing import figures_of, left_by, standing

    path = find_config(config)
    loaded = load_config(path)
    if with_all or by_broker:
        only = None if with_all else loaded.station.name
        raise SystemExit(_all(loaded, only=only, as_json=as_json))
    told = standing(loaded.archive)
    runs = told is not None
    now_s = time.time()
    try:
        archive: Archive | None = open_archive(loaded.archive)
    except ArchiveError:
        archive = None
    if told is None:
        told = {"jobs": []} if archive is None else left_by(archive, now_s=now_s)
    for job in told["jobs"]:
        job["figure"] = None if archive is None else figures_of(archive, job["job"], now_s=now_s)
    tested = {} if archive is None else _tested(archive)
    told = {"runs": runs, "config": str(path), "now_s": now_s, **told, "self_tests": tested}
    if as_json:
        click.echo(json.dumps(_finite(told), indent=2, ensure_ascii=False))
    elif runs:
        _show_running(told)
    else:
        _show_left(loaded, told)
    if not as_json:
        _show_others(loaded)
    word = str((told.get("health") or {}).get("word", ""))
    raise SystemExit(EXIT_CODES.get(word, 0) if runs else 1)


def _all(loaded: StationConfig, *, only: str | None, as_json: bool) -> int:
    """All stations of the broker, or one; the exit code: 1 where one of them was lost or there is
    none, or the one is not online; else that of the worst word."""
    import json
    import time

    from acqd.cli import status_all

    stations = [one for one in status_all.gathered(loaded) if only in (None, one.station)]
    if as_json:
        told = _finite(status_all.as_json(stations))
        click.echo(json.dumps({"stations": told}, indent=2, ensure_ascii=False))
    else:
        said = {0: "no station", 1: "1 station"}.get(len(stations), f"{len(stations)} stations")
        if only is not None:
            said = f"station {only}" if stations else f"no station {only}"
        click.echo(f"the broker {loaded.mqtt.endpoint} knows {said}")
        zone = loaded.station.time_zone
        for line in status_all.lines_of(stations, zone=zone, now_s=time.time()):
            click.echo(line)
    is_away = only is not None and not all(one.is_online for one in stations)
    if not stations or is_away or any(one.was_lost for one in stations):
        return 1
    return max(EXIT_CODES.get(status_all.word_of(one), 0) for one in stations)


def _show_others(loaded: StationConfig) -> None:
    """The other stations of a broker that several may use; what cannot be reached is said."""
    import time

    from acqd.cli import status_all
    from acqd.errors import BrokerError

    if loaded.mqtt.serve is None and loaded.mqtt.place != "url":
        return
    try:
        stations = status_all.gathered(loaded)
    except BrokerError as exc:
        click.echo(f"\nother stations: not known, {exc}")
        return
    others = [one for one in stations if one.station != loaded.station.name]
    for line in status_all.lines_of(others, zone=loaded.station.time_zone, now_s=time.time()):
        click.echo(line)


def _show_running(told: Mapping[str, Any]) -> None:
    from acqd.cli import status_health
    from acqd.look.times import clock, date, duration

    zone, now_s = told["zone"], told["now_s"]
    since_s = told["since_s"]
    click.echo(
        f"{told['title']} ({told['station']}) runs since {date(since_s, zone)}, "
        f"{clock(since_s, zone)} ({zone}): {duration(now_s - since_s)}"
    )
    health = told["health"] or {}
    for line in status_health.judged(health):
        click.echo(line)
    click.echo()
    for sweeper in told["sweepers"]:
        click.echo(f"  {sweeper['sweeper']:<16} {_sweeper(sweeper, zone)}")
        for line in status_health.sweeper_lines(health, sweeper["sweeper"], zone, now_s):
            click.echo(f"  {'':<16} {line}")
        if sweeper["sweeper"] in told["self_tests"]:
            test = told["self_tests"][sweeper["sweeper"]]
            click.echo(f"  {'':<16} {_self_test(test, zone)}")
    _show_jobs(told, zone)
    click.echo()
    for line in status_health.station_lines(health, zone, now_s):
        click.echo(line)


def _tested(archive: Archive) -> dict[str, dict[str, Any]]:
    """The last self-test of each sweeper that was ever tested: what was worst of it."""
    from acqd.archive.selftests import stored_tests
    from acqd.measure.verdict import combine

    try:
        tests = stored_tests(archive.overlays())
    except (KeyError, TypeError, ValueError):
        return {}  # Of another version: it says nothing.
    found = {}
    for name in sorted({one.sweeper for one in tests}):
        mine = [one for one in tests if one.sweeper == name]
        last_s = max(one.test_s for one in mine)
        newest = [one for one in mine if one.test_s == last_s]
        figures = [figure for one in newest for figure in one.figures]
        verdict = combine(figure.verdict for figure in figures)
        worst = next((one for one in figures if one.verdict is verdict), None)
        moved = [f"{key} {text}" for one in newest for key, text in one.moved.items()]
        found[name] = {
            "at_s": newest[-1].at_s,
            "identity": str(newest[-1].identity),
            "verdict": verdict.value,
            "worst": "" if worst is None else f"{worst.title}: {worst.text}",
            "moved": moved,
        }
    return found


def _self_test(test: Mapping[str, Any], zone: str) -> str:
    """When it was tested last and what came of it; of a pass no figure."""
    from acqd.look.times import clock, date

    said = f"self-test {date(test['at_s'], zone)}, {clock(test['at_s'], zone)}: {test['verdict']}"
    if test["verdict"] != "pass":
        said += f": {test['worst']}"
    if test["moved"]:
        said += f"; {'; '.join(test['moved'])}"
    return said


def _sweeper(sweeper: Mapping[str, Any], zone: str) -> str:
    from acqd.look.times import clock

    identity = sweeper["identity"] or {}
    who = " ".join(
        identity[key] for key in ("maker", "model", "serial_number") if identity.get(key)
    )
    said = f"{sweeper['state']} since {clock(sweeper['since_s'], zone)}"
    if who:
        said += f": {who}"
    if identity.get("doubtful"):
        said += ", of no usable serial number"
    if sweeper["last_error"]:
        said += f" ({sweeper['last_error']})"
    return said


def _show_jobs(told: Mapping[str, Any], zone: str) -> None:
    for job in told["jobs"]:
        click.echo()
        for line in _job(job, zone, told["now_s"]):
            click.echo(line)


def _job(job: Mapping[str, Any], zone: str, now_s: float) -> list[str]:
    """What a job does, what it kept in this hour, its figure of the last hour, what it found."""
    from acqd.look.times import clock, duration

    lines = []
    head = f"  {job['job']}"
    if job.get("kind"):
        head += f", {job['kind']} on {job['sweeper']}"
    if job.get("state"):
        since = f" since {clock(job['since_s'], zone)}" if job["state"] == "deaf" else ""
        head += f": {job['state']}{since}"
        head += f", {job['reason']}" if job.get("reason") else ""
    if job.get("verdict"):
        head += f"; last verdict: {job['verdict']}"
    lines.append(head)
    if job.get("due"):
        share = job["stored"] / job["due"]
        lines.append(
            f"    kept               {_bar(share)} {job['stored']} of {job['due']} "
            f"due in this hour, {100 * share:.1f} %"
        )
    if job.get("swept_s"):
        at = clock(job["swept_s"], zone, seconds=True)
        ago = duration(max(0.0, now_s - job["swept_s"]))
        lines.append(f"    last               sweep {job['last_seq']} at {at}, {ago} ago")
    if job.get("figure"):
        lines.append(f"    {_curve(job['figure'])}")
    if job.get("finding"):
        at = clock(job["finding_s"], zone)
        lines.append(f"    finding            {job['last_finding']}, {at}: {job['finding']}")
    return lines


def _bar(share: float) -> str:
    from acqd.look.textplot import bar

    return bar(share, BAR_WIDTH)


def _curve(figure: Mapping[str, Any]) -> str:
    """The last hour of a figure as one line, with its ends and its last value."""
    import math

    from acqd.cli.tables import number, quantity
    from acqd.look.textplot import sparkline

    values = [value for value in figure["values"] if math.isfinite(value)]
    if not values:
        return f"{figure['name']}: nothing in the last hour"
    unit = figure["column"].rpartition("_")[2]
    if unit == "hz":
        ends = [quantity(one, "Hz") for one in (min(values), max(values), figure["last"])]
    else:
        unit = {"dbm": "dBm", "dbuv": "dBµV", "dbfs": "dBFS", "db": "dB"}.get(unit, unit)
        ends = [f"{number(one)} {unit}" for one in (min(values), max(values), figure["last"])]
    line = sparkline(figure["values"], CURVE_WIDTH)
    return f"{figure['name']:<18} {line} {ends[2]} (last hour {ends[0]} to {ends[1]})"


def _show_left(loaded: StationConfig, told: Mapping[str, Any]) -> None:
    from acqd.look.times import clock, date

    zone = loaded.station.time_zone
    swept = [job["swept_s"] for job in told["jobs"] if job.get("swept_s")]
    name = loaded.station.title or loaded.station.name
    if not swept:
        click.echo(f"{name} does not run, and its archive {loaded.archive} holds no sweeps yet")
        _show_tests(told, zone)
        return
    last_s = max(swept)
    click.echo(
        f"{name} does not run; its last sweep was on {date(last_s, zone)}, {clock(last_s, zone)} "
        f"({zone}). Start it with acqd run {told['config']}"
    )
    _show_tests(told, zone)
    _show_jobs(told, zone)


def _show_tests(told: Mapping[str, Any], zone: str) -> None:
    for name, test in told["self_tests"].items():
        click.echo(f"  {name:<16} {_self_test(test, zone)}")


def _finite(told: Any) -> Any:
    import math

    if isinstance(told, float):
        return told if math.isfinite(told) else None
    if isinstance(told, Mapping):
        return {key: _finite(value) for key, value in told.items()}
    if isinstance(told, list | tuple):
        return [_finite(value) for value in told]
    return told
