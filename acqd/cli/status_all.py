"""All stations of a broker, as `acqd status --all` tells of them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from acqd.config.whole import StationConfig
    from acqd.publish.gathering import StationTold

__all__ = ["as_json", "gathered", "lines_of", "word_of"]

REASONS_MOST = 10

TODAY_S = 12 * 3600.0
"""A time nearer than this needs no date beside it."""


def gathered(loaded: StationConfig) -> list[StationTold]:
    """The stations of the config's broker.

    Raises:
        BrokerError: it cannot be reached.
        WrongUsage: there is none.
    """
    import asyncio
    import os

    from acqd.errors import WrongUsage
    from acqd.publish.gathering import gather
    from acqd.station.build import broker_settings

    settings = broker_settings(loaded, os.environ)
    if settings is None:
        raise WrongUsage(
            f'{loaded.path}: with broker = "none" nobody is told of, and nobody tells; leave --all '
            "out"
        )
    return asyncio.run(gather(settings))


def as_json(stations: list[StationTold]) -> list[dict[str, Any]]:
    """As plain data."""
    return [
        {
            "station": one.station,
            "online": one.is_online,
            "lost": one.was_lost,
            "status": one.status,
            "sweepers": list(one.sweepers.values()),
            "jobs": list(one.jobs.values()),
        }
        for one in stations
    ]


def word_of(one: StationTold) -> str:
    """In a word how a station stands by what it said last; empty where it does not say."""
    health = (one.status or {}).get("health")
    return _text(health, "word") if one.is_online and isinstance(health, Mapping) else ""


def lines_of(stations: list[StationTold], *, zone: str, now_s: float) -> Iterator[str]:
    """What there is to say of each, in its last words."""
    for one in stations:
        yield ""
        yield _head(one, zone, now_s)
        if not one.is_online:
            continue
        for reason in _reasons((one.status or {}).get("health")):
            yield f"  {reason}"
        for name in sorted(one.sweepers):
            yield f"  {name:<16} {_sweeper(one.sweepers[name], zone)}"
        for name in sorted(one.jobs):
            yield from _job(name, one.jobs[name], zone)


def _head(one: StationTold, zone: str, now_s: float) -> str:
    from acqd.look.times import duration

    status = one.status or {}
    since = _time(status, "since_s", zone)
    if not one.is_online:
        if one.was_lost:
            return (
                f"{one.station}: SILENT: it was lost and did not say goodbye; it ran since {since}"
            )
        return f"{one.station}: stopped at {_time(status, 'at_s', zone)}"
    said = f"{one.station}: online since {since}"
    since_s = _number(status, "since_s")
    if since_s is not None:
        said += f", {duration(max(0.0, now_s - since_s))}"
    return "; ".join([said, *_health(status.get("health"))])


def _health(health: Any) -> Iterator[str]:
    from acqd.cli.tables import quantity

    if not isinstance(health, Mapping):
        return
    if word := _text(health, "word"):
        yield word
    if (sweeps := _number(health, "sweeps")) is not None:
        yield f"{sweeps:.0f} sweeps"
    if (findings := _number(health, "findings")) is not None:
        yield f"{findings:.0f} findings"
    if (free := _number(health, "disk_free_bytes")) is not None:
        yield f"{quantity(free, 'B')} of disk free"
    if waiting := _number(health, "outbox_waiting"):
        yield f"{waiting:.0f} findings wait for the broker"
    if health.get("archive_problem"):
        yield f"archive: {_text(health, 'archive_problem')}"


def _reasons(health: Any) -> Iterator[str]:
    """Why it is not well, or what is worth knowing."""
    reasons = health.get("reasons") if isinstance(health, Mapping) else None
    if isinstance(reasons, list):
        for reason in reasons[:REASONS_MOST]:
            if said := _text({"said": reason}, "said"):
                yield said


def _sweeper(said: Mapping[str, Any], zone: str) -> str:
    line = f"{_text(said, 'state')} since {_time(said, 'since_s', zone)}"
    identity = said.get("identity")
    if isinstance(identity, Mapping):
        keys = ("maker", "model", "serial_number")
        who = " ".join(filter(None, (_text(identity, key) for key in keys)))
        line += f": {who}" if who else ""
    return line + (f" ({_text(said, 'last_error')})" if said.get("last_error") else "")


def _job(name: str, said: Mapping[str, Any], zone: str) -> Iterator[str]:
    line = f"  {name}, {_text(said, 'kind')} on {_text(said, 'sweeper')}: {_text(said, 'state')}"
    line += f" since {_time(said, 'since_s', zone)}"
    if said.get("reason"):
        line += f", {_text(said, 'reason')}"
    due, stored = _number(said, "due"), _number(said, "stored")
    if due and stored is not None:
        line += f"; kept {stored:.0f} of {due:.0f} due in this hour, {100 * stored / due:.1f} %"
    yield line
    number = _number(said, "last_finding")
    if number:
        what = _text(said, "finding")
        at = f", {_time(said, 'finding_at_s', zone)}" if said.get("finding_at_s") else ""
        yield f"    finding {number:.0f}{at}" + (f": {what}" if what else " (of an earlier run)")


def _text(said: Mapping[str, Any], key: str) -> str:
    """A text that somebody else sent: one line, nothing that steers a terminal."""
    from acqd.config.problems import printable

    value = said.get(key)
    return printable(" ".join(value.split())[:300]) if isinstance(value, str) else ""


def _number(said: Mapping[str, Any], key: str) -> float | None:
    value = said.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) and abs(value) < 1e15 else None


def _time(said: Mapping[str, Any], key: str, zone: str) -> str:
    import time

    from acqd.look.times import clock, date

    at_s = _number(said, key)
    if at_s is None or not 0 <= at_s < 2e11:
        return "an unknown time"
    if abs(time.time() - at_s) < TODAY_S:
        return clock(at_s, zone)
    return f"{date(at_s, zone)}, {clock(at_s, zone)}"
