"""Whether a job's floor is up by so much over that of the last hour, the last night, or all hours.

The floor now is the median of the last few passes; what it is compared with are means in decibels
of clock hours of UTC. While it is up the base stays what it was, or a rise that lasts would become
its own base within the hour. Another setup is another floor, and begins anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

from acqd.alerts.news import PassNews

__all__ = ["Floors", "Rise", "heard_floor", "not_heard_since"]

HOUR_S = 3600.0
NOW_PASSES = 9
"""The floor now is the median of so many passes."""
HOUR_PASSES = 10
"""An hour of fewer passes is no base."""
HOURS_MOST = 168
"""A week of hours is learnt from."""
LEARNT_HOURS = 6
"""So many are needed before anything is learnt."""
BACK_DB = 1.0
"""So far below the bound it is down again, so that it does not come and go at it."""

UNITS = {"floor_dbm": "dBm", "floor_dbuv": "dBµV", "floor_dbfs": "dBFS"}
"""A floor in plain digits has no decibels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Floors:
    """What is known of one job's floor."""

    setup: str = ""
    recent: tuple[float, ...] = ()
    hour_s: float = 0.0
    """The hour that is being summed."""
    total: float = 0.0
    count: int = 0
    hours: tuple[tuple[float, float], ...] = ()
    """Start and mean of the hours before, oldest first."""
    is_up: bool = False
    base: float = 0.0
    """What it rose above, while it is up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rise:
    """How the floor stands to its base."""

    rise_db: float
    level_text: str


def heard_floor(
    floors: Floors, news: PassNews, *, over: str, by_db: float
) -> tuple[Floors, Rise | None]:
    """What is known after one more pass; no rise where there is nothing to compare with yet."""
    found = next(((name, news.values[name]) for name in UNITS if name in news.values), None)
    if found is None or not news.is_listening or news.summary.get("floor_trusted") is False:
        return floors, None
    name, level = found
    if news.setup != floors.setup:
        floors = Floors(setup=news.setup, is_up=floors.is_up, base=floors.base)
    floors = _summed(floors, news.at_s, level)
    floors = replace(floors, recent=(*floors.recent, level)[-NOW_PASSES:])
    if len(floors.recent) < NOW_PASSES:
        return floors, None
    now = median(floors.recent)
    base = floors.base if floors.is_up else _base(floors, over)
    if base is None:
        return floors, None
    limit_db = by_db - BACK_DB if floors.is_up else by_db
    is_up = now - base >= limit_db
    rise = Rise(rise_db=now - base, level_text=f"{now:.1f} {UNITS[name]}".replace("-", "−"))
    return replace(floors, is_up=is_up, base=base if is_up else 0.0), rise


def not_heard_since(floors: Floors, from_s: float) -> Floors:
    """What is known without the hours in which nobody heard, as it turned out; or the sweeper's own
    floor would be the base, and a cable that is put back a rise."""
    hours = tuple(one for one in floors.hours if one[0] + HOUR_S <= from_s)
    return replace(floors, recent=(), hours=hours, total=0.0, count=0)


def _summed(floors: Floors, at_s: float, level: float) -> Floors:
    hour_s = at_s - at_s % HOUR_S
    if hour_s != floors.hour_s:
        hours = floors.hours
        if floors.count >= HOUR_PASSES:
            hours = (*hours, (floors.hour_s, floors.total / floors.count))[-HOURS_MOST:]
        floors = replace(floors, hours=hours, hour_s=hour_s, total=0.0, count=0)
    return replace(floors, total=floors.total + level, count=floors.count + 1)


def _base(floors: Floors, over: str) -> float | None:
    """The mean of the hour before, of the same hour a day before (or one beside it), or the median
    of the hours of a week."""
    hours = floors.hours
    if over == "last hour":
        return _at(hours, floors.hour_s - HOUR_S, within_s=HOUR_S)
    if over == "last night":
        return _at(hours, floors.hour_s - 24 * HOUR_S, within_s=HOUR_S)
    if len(hours) < LEARNT_HOURS:
        return None
    return median(mean for _, mean in hours)


def _at(hours: Sequence[tuple[float, float]], wanted_s: float, *, within_s: float) -> float | None:
    near = [(abs(at_s - wanted_s), mean) for at_s, mean in hours]
    off_s, mean = min(near, default=(within_s + 1.0, 0.0))
    return mean if off_s <= within_s else None
