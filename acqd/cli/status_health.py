"""How ``acqd status`` words the health of a station that runs: its verdict first, then figures."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

__all__ = ["judged", "station_lines", "sweeper_lines"]

SAID = {"well": "It is well", "limping": "It limps", "not sweeping": "IT DOES NOT SWEEP"}
REASONS_MOST = 3
"""Reasons for lost sweeps that are told of one sweeper."""


def judged(health: Mapping[str, Any]) -> Iterator[str]:
    """The verdict in one line with its worst reason, and the other reasons below it."""
    word = health.get("word")
    if word not in SAID:
        return
    first, *rest = health.get("reasons") or ("",)
    if word == "well" and first:
        # What is worth knowing is no reason for it.
        first, rest = "", [first, *rest]
    yield f"{SAID[word]}: {first}" if first else f"{SAID[word]}."
    for reason in rest:
        yield f"  {reason}"


def sweeper_lines(
    health: Mapping[str, Any], sweeper: str, zone: str, now_s: float
) -> Iterator[str]:
    """When it last swept, what is late and what was lost."""
    from acqd.look.times import clock, duration

    told = next((one for one in health.get("sweepers", ()) if one["sweeper"] == sweeper), None)
    if told is None:
        return
    said = []
    if told["swept_s"] is not None:
        at, ago_s = clock(told["swept_s"], zone, seconds=True), max(0.0, now_s - told["swept_s"])
        said.append(f"last sweep at {at}, {duration(float(round(ago_s)))} ago")
    if told["late"]:
        passes = "1 pass" if told["late"] == 1 else f"{told['late']} passes"
        said.append(f"{passes} due for up to {duration(float(round(told['late_s'])))}")
    if said:
        yield "; ".join(said)
    lost = [one for one in told["lost"] if one["run"] or one["day"]]
    if lost:
        run, day = (sum(one[key] for one in lost) for key in ("run", "day"))
        worst = sorted(lost, key=lambda one: -one["day"])[:REASONS_MOST]
        reasons = ", ".join(f"{one['day']} {one['reason']}" for one in worst)
        more = ", …" if len(lost) > REASONS_MOST else ""
        yield f"lost in 24 h: {day} sweeps, {run} of them in this run ({reasons}{more})"


def station_lines(health: Mapping[str, Any], zone: str, now_s: float) -> Iterator[str]:
    """Counts, disk, archive and broker."""
    said = [
        f"{health.get('sweeps', 0)} sweeps and {health.get('findings', 0)} findings in this run"
    ]
    yield "; ".join([*said, *_disk(health), *_memory(health)])
    waits = [*_queues(health)]
    if waits:
        yield "; ".join(waits)
    if health.get("archive_problem"):
        yield f"archive: {health['archive_problem']}"
    yield from _broker(health, zone, now_s)


def _disk(health: Mapping[str, Any]) -> Iterator[str]:
    from acqd.cli.tables import quantity
    from acqd.look.times import duration

    if health.get("disk_free_bytes") is not None:
        yield f"{quantity(health['disk_free_bytes'], 'B')} of disk free"
    if health.get("disk_days_left") is not None:
        left_s = health["disk_days_left"] * 86_400.0
        yield f"enough for {duration(left_s)} as it goes now"


def _memory(health: Mapping[str, Any]) -> Iterator[str]:
    from acqd.cli.tables import quantity

    if health.get("rss_bytes") is not None:
        yield f"{quantity(health['rss_bytes'], 'B')} of memory"


def _queues(health: Mapping[str, Any]) -> Iterator[str]:
    """What waits; nothing is said of a queue that is empty, or that is never quite."""
    for key, one, more in (
        ("outbox_waiting", "finding waits for the broker", "findings wait for the broker"),
        ("alerts_waiting", "alert is to go out", "alerts are to go out"),
        ("journals_waiting", "journal is being written out", "journals wait to be written out"),
        ("days_unmerged", "day that has ended is not merged yet", "days are not merged yet"),
    ):
        if health.get(key):
            yield f"{health[key]} {one if health[key] == 1 else more}"
    if health.get("archive_waiting", 0) > 1:
        yield f"{health['archive_waiting']} commits wait for the disk"


def _broker(health: Mapping[str, Any], zone: str, now_s: float) -> Iterator[str]:
    from acqd.look.times import duration

    if health.get("broker") not in ("connected", "away"):
        return
    since_s = health.get("broker_since_s")
    said = f"broker {health['broker']}"
    if since_s is not None:
        said += f" for {duration(float(round(max(0.0, now_s - since_s))))}"
    if health.get("reconnects"):
        said += f", connected anew {health['reconnects']} times"
    yield said
