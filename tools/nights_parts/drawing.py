"""Which night has which trouble, and when: everything follows from the seed.

A night has one trouble or none. Many nights are two rows, each of them a station that begins anew,
and every kind comes once in a row: of thirty nights sixteen have none. The first three of a long
row have none: what is learnt needs a day of listening.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum

__all__ = ["DEAF", "LOST_AGE_S", "NIGHT_S", "Kind", "Over", "Trouble", "draw", "night_s", "rows_of"]

FIRST_NIGHT = datetime(2026, 6, 1, 21, tzinfo=UTC)
NIGHT_S = 9 * 3600.0
LEARNING_NIGHTS = 3
LONG_ROW = 10
"""From so many nights on the first ones are left for learning."""
STEP_S = 95.0
STEPPED_FOR_S = 3000.0
ASLEEP_S = 1200.0
LOST_AGE_S = 300.0
"""A word of the key is believed for so long: the config's ``max_age``."""


class Kind(StrEnum):
    """What goes wrong, in the order in which few nights are filled."""

    AERIAL = "cable off at the aerial"
    FROZEN = "sweeper frozen"
    INPUT = "cable off at the input"
    SUPPLY = "amplifier without supply"
    KEYED = "own transmitter, key lost"
    STEPPED = "clock set wrong"
    ASLEEP = "host asleep"


DEAF = (Kind.AERIAL, Kind.INPUT, Kind.FROZEN, Kind.SUPPLY)
"""Those that are to be noticed as deafness."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Over:
    """The own transmitter on the air; of the last of a night the word that it ended never comes."""

    from_s: float
    to_s: float
    is_lost: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """One trouble, by the true time: ``by_s`` is the step of a clock at ``from_s``, that is put
    right at ``to_s``."""

    night: int
    kind: Kind
    from_s: float
    to_s: float
    by_s: float = 0.0
    overs: tuple[Over, ...] = ()


def night_s(night: int) -> float:
    """When a night begins, at 21:00 UTC; nights count from 1."""
    return (FIRST_NIGHT + timedelta(days=night - 1)).timestamp()


def rows_of(nights: int) -> list[range]:
    """The numbers of the nights of each row."""
    half = nights // 2
    if half < LONG_ROW:
        return [range(1, nights + 1)]
    return [range(1, half + 1), range(half + 1, nights + 1)]


def draw(row: range, seed: int) -> dict[int, Trouble]:
    """Troubles by night. Clocks are put forwards in the first row, back in another."""
    chance = random.Random(f"{seed} {row[0]}")
    free = LEARNING_NIGHTS if len(row) >= LONG_ROW else 0
    places = list(row)[free:]
    kinds = list(Kind)[: max(1, len(places) * 7 // 12)]
    chosen = sorted(chance.sample(places, len(kinds)))
    chance.shuffle(kinds)
    again = row[0] > 1
    return {
        night: _one(chance, night, kind, again=again)
        for night, kind in zip(chosen, kinds, strict=True)
    }


def _one(chance: random.Random, night: int, kind: Kind, *, again: bool) -> Trouble:
    """Somewhere in the night; a cable lies there for three hours, as nobody looks before morning.
    Troubles do not begin with a sweep: a tenth of a second apart nobody swept."""
    lasts_s = 10_800.0
    if kind is Kind.FROZEN:
        lasts_s = round(chance.uniform(900.0, 3600.0))
    elif kind is Kind.STEPPED:
        lasts_s = STEPPED_FOR_S
    elif kind is Kind.ASLEEP:
        lasts_s = ASLEEP_S
    elif kind is Kind.KEYED:
        lasts_s = 2400.0
    from_s = night_s(night) + round(chance.uniform(3600.0, NIGHT_S - lasts_s - 1800.0)) + 0.7
    step_s = -STEP_S if again else STEP_S
    return Trouble(
        night=night,
        kind=kind,
        from_s=from_s,
        to_s=from_s + lasts_s,
        by_s=step_s if kind is Kind.STEPPED else 0.0,
        overs=_overs(chance, from_s, from_s + lasts_s) if kind is Kind.KEYED else (),
    )


def _overs(chance: random.Random, from_s: float, to_s: float) -> tuple[Over, ...]:
    found: list[Over] = []
    at_s = from_s
    while at_s < to_s:
        ends_s = at_s + round(chance.uniform(20.0, 90.0))
        found.append(Over(from_s=at_s, to_s=ends_s))
        at_s = ends_s + round(chance.uniform(30.0, 180.0))
    last = found[-1]
    return (*found[:-1], Over(from_s=last.from_s, to_s=last.to_s, is_lost=True))
