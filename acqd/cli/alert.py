"""``acqd alert test`` and ``acqd alert list``: whether alerts arrive, and what there is of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from acqd.alerts.plan import AlertPlan
    from acqd.alerts.sending import Outcome
    from acqd.alerts.store import Left
    from acqd.alerts.ways import Way
    from acqd.config.whole import StationConfig

__all__ = ["command"]


@click.group("alert")
def command() -> None:
    """When somebody is told of something: the rules and ways of a config, and a test of them."""


@command.command("test")
@click.argument("names", nargs=-1, metavar="[WAY|ALERT]...")
@click.option("--config", type=click.Path(), help="The station's config.")
def _test(names: tuple[str, ...], config: str | None) -> None:
    """Send a test by each way, or by the ways named, now; of an alert by the ways that it goes.

    It goes out from here, whether the station runs or not, and says what came back. Exit code 1
    where one was not sent. That a service took it does not say that it reached the phone: look.
    """
    import asyncio
    import time

    from acqd.alerts.sending import send
    from acqd.alerts.ways import ways_of
    from acqd.alerts.wording import trial_message
    from acqd.config.load import find_config, load_config

    loaded = load_config(find_config(config))
    chosen = _chosen(loaded, names)
    ways = ways_of(loaded, only=chosen)
    if not ways:
        click.echo("acqd: the config has no way to tell anybody: no enabled [way.NAME]", err=True)
        raise SystemExit(1)
    voice = _voice(loaded)

    async def attempt(way: Way) -> tuple[Way, Outcome, float]:
        began_s = time.monotonic()
        message = trial_message(voice, at_s=time.time(), to=(way.name,), rule=chosen[way.name])
        outcome = await send(way, message.payload(number=0), zone=voice.zone)
        return way, outcome, time.monotonic() - began_s

    async def all_of_them() -> int:
        failed = 0
        for one in asyncio.as_completed([attempt(way) for way in ways]):
            way, outcome, took_s = await one
            failed += not outcome.is_sent
            said = "sent" if outcome.is_sent else f"NOT sent: {outcome.problem}"
            click.echo(f"{way.name} ({_kind(way)}): {said} ({took_s:.1f} s)")
        return failed

    raise SystemExit(1 if asyncio.run(all_of_them()) else 0)


def _chosen(loaded: StationConfig, names: Sequence[str]) -> dict[str, str]:
    """The ways to test, each with the name of the alert that it is a test of."""
    from acqd.config.problems import near_miss
    from acqd.errors import WrongUsage

    if not names:
        return dict.fromkeys(loaded.ways, "test")
    chosen: dict[str, str] = {}
    for name in names:
        if name in loaded.ways:
            if not loaded.ways[name].enabled:
                raise WrongUsage(f"way {name} is not enabled in {loaded.path}")
            chosen.setdefault(name, "test")
        elif name in loaded.alerts:
            for way in loaded.alerts[name].to or loaded.ways:
                chosen.setdefault(way, name)
        else:
            known = [*loaded.ways, *loaded.alerts]
            listed = ", ".join(known) or "none"
            raise WrongUsage(
                f"no way and no alert {name!r}{near_miss(name, known)}; the config has {listed}"
            )
    return chosen


def _voice(loaded: StationConfig) -> Any:
    from acqd.alerts.wording import Voice

    station = loaded.station
    return Voice(station=station.name, title=station.title or station.name, zone=station.time_zone)


def _kind(way: Way) -> str:
    if way.kind == "command":
        return f"command {way.command[0]}"
    count = f", {len(way.urls)} addresses" if len(way.urls) > 1 else ""
    return ("Apprise" if way.kind == "apprise" else "HTTP POST") + count


@command.command("list")
@click.option("--config", type=click.Path(), help="The station's config.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def _list(config: str | None, as_json: bool) -> None:
    """Show the alerts of the config, when each told something last, and what waits for its way."""
    import json

    from acqd.alerts.plan import alert_plan
    from acqd.alerts.store import read_left
    from acqd.config.load import find_config, load_config

    loaded = load_config(find_config(config))
    left = read_left(loaded.archive)
    plan = alert_plan(loaded)
    rules, ways = _rules(loaded, plan, left), _ways(loaded, left)
    if as_json:
        shown = {"alerts": rules, "ways": ways}
        click.echo(json.dumps(shown, indent=2, ensure_ascii=False))
        return
    if not loaded.alerts:
        click.echo(
            f"no alerts: {loaded.path} has no [alert.NAME]; docs/alerts.md shows how to have some"
        )
        return
    _show(rules, ways, loaded.station.time_zone)


def _rules(loaded: StationConfig, plan: AlertPlan | None, left: Left) -> list[dict[str, Any]]:
    from acqd.alerts.engine import Engine

    told: dict[str, Any] = {}
    if plan is not None:
        engine = Engine(plan.rules, voice=plan.voice)
        engine.load(left.rules, left.marks)
        told = {rule.name: engine.state(rule.name) for rule in plan.rules}
    return [
        {
            "alert": name,
            "on": one.on,
            "of": _of(one.model_dump(mode="json", by_alias=True, exclude_unset=True)),
            "to": list(one.to or loaded.ways),
            "enabled": one.enabled and name in told,
            "last_told_s": told[name].last_s if name in told else None,
            "lasts": [spell.headline for spell in told[name].spells.values()]
            if name in told
            else [],
            "held": len(told[name].held) + told[name].held_more if name in told else 0,
            "not_told": told[name].more if name in told else 0,
        }
        for name, one in loaded.alerts.items()
    ]


def _of(given: Mapping[str, Any]) -> str:
    """What narrows an alert down, in few words."""
    keys = ("what", "job", "channel", "frequency", "sweeper", "verdict", "by", "over", "below")
    parts = []
    for key in keys:
        value = given.get(key)
        if value:
            parts.append(", ".join(value) if isinstance(value, list | tuple) else str(value))
    return "; ".join(parts)


def _ways(loaded: StationConfig, left: Left) -> list[dict[str, Any]]:
    from acqd.alerts.store import Sent

    found = []
    for name, way in loaded.ways.items():
        sent = left.sent.get(name, Sent())
        kind = next(key for key in ("apprise", "post", "command") if getattr(way, key) is not None)
        found.append(
            {
                "way": name,
                "kind": kind,
                "enabled": way.enabled,
                "waiting": sum(one.way == name for one in left.waiting),
                "lost": left.lost.get(name, 0),
                "last_sent_s": sent.last_s,
                "failures": sent.failures,
                "problem": sent.problem,
            }
        )
    return found


def _show(rules: Sequence[Mapping[str, Any]], ways: Sequence[Mapping[str, Any]], zone: str) -> None:
    from acqd.cli.tables import table, when

    rows = []
    for one in rules:
        said = "never" if one["last_told_s"] is None else when(one["last_told_s"], zone)
        now = list(one["lasts"])
        now += [f"{one['held']} held for quiet hours"] if one["held"] else []
        now += [f"{one['not_told']} more, not told yet"] if one["not_told"] else []
        name = one["alert"] if one["enabled"] else f"{one['alert']} (off)"
        to = ", ".join(one["to"])
        rows.append((name, one["on"], one["of"], to, said, "; ".join(now) or "–"))
    heads = ("alert", "on", "of", "to", f"last told ({zone})", "now")
    click.echo(table(heads, rows))
    click.echo()
    beside = []
    for one in ways:
        said = "never" if one["last_sent_s"] is None else when(one["last_sent_s"], zone)
        problem = f"{one['problem']} ({one['failures']} times)" if one["problem"] else "–"
        name = one["way"] if one["enabled"] else f"{one['way']} (off)"
        lost = f", {one['lost']} lost" if one["lost"] else ""
        beside.append((name, one["kind"], f"{one['waiting']}{lost}", said, problem))
    click.echo(table(("way", "by", "waiting", f"last sent ({zone})", "problem"), beside))
