"""On and off: what a thing adds to the spectrum when it runs, and what a change of it does.

A trial switches a thing on and off again and again while everything else stays. Sweeps between two
switchings make a block. Each block of "on" is compared with the blocks of "off" next to it, so that
a slow drift of the room, or of the sweeper, falls out; the scatter of these differences says how
sure the result is. One comparison with a stored reference (the thing off, all else the same) has no
such defence and says so by its interval.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.drift import student_quantile
from acqd.sweep import Grid
from acqd.units import db_from_ratio, ratio_from_db

__all__ = [
    "Ambient",
    "Block",
    "Difference",
    "Trial",
    "TrialRange",
    "blocks_of",
    "compare_ambient",
    "effective_number",
    "on_minus_off",
    "range_powers",
]

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialRange:
    """A piece of the sweep that a figure is wanted for."""

    name: str
    start_hz: float
    stop_hz: float


def range_powers(level_db: Float, grid: Grid, ranges: Sequence[TrialRange]) -> Float:
    """Mean power per point of each range, linear: (ranges,) or (sweeps, ranges).

    Args:
        level_db: (points,) or (sweeps, points), readings averaged in power; NaN is left out.

    A range that no point lies in, or in which every level is missing, gives NaN. Weighted by the
    width of the points' cells.
    """
    power = ratio_from_db(level_db)
    frequency_hz, cell_hz = grid.frequency_hz, np.maximum(grid.cell_hz, 1e-9)
    found = []
    for piece in ranges:
        first = int(np.searchsorted(frequency_hz, piece.start_hz, side="left"))
        stop = int(np.searchsorted(frequency_hz, piece.stop_hz, side="right"))
        part, width_hz = power[..., first:stop], cell_hz[first:stop]
        known = np.isfinite(part)
        total_hz = (known * width_hz).sum(axis=-1)
        with np.errstate(divide="ignore", invalid="ignore"):
            found.append(np.where(known, part, 0.0) @ width_hz / total_hz)
    shape = (*np.shape(level_db)[:-1], len(ranges))
    return np.stack(found, axis=-1) if found else np.empty(shape)


def effective_number(value: Float) -> float:
    """How many independent values a series is worth: n·(1 − ρ)/(1 + ρ), from 1 to n.

    ρ is the lag-one autocorrelation, which a short series underestimates: (1 + 3ρ)/n is added back,
    and a negative one counts as none. Fewer than three values, or none that differ, count as 1.

    Source: first-order autoregression; bias from Kendall (1954), from memory.
    """
    n = value.size
    away = value - value.mean() if n else value
    power = float(away @ away)
    if n < 3 or power <= 0.0:
        return 1.0
    rho = float(away[1:] @ away[:-1]) / power
    rho = min(0.999, max(0.0, rho + (1.0 + 3.0 * rho) / n))
    return max(1.0, n * (1.0 - rho) / (1.0 + rho))


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """The sweeps between two switchings: ``power`` (ranges,) the mean of their range powers;
    ``power_u`` (ranges,) its standard uncertainty from their scatter, NaN where nobody knows."""

    on: bool
    from_s: float
    to_s: float
    sweeps: int
    power: Float
    power_u: Float


def blocks_of(
    on: Sequence[bool | None], at_s: Float, powers: Float, *, settle: int = 1
) -> tuple[Block, ...]:
    """Cut a trial into blocks.

    Args:
        on: (sweeps,) whether the thing was on; None where nobody knows, which ends a block.
        at_s: (sweeps,) their starts.
        powers: (sweeps, ranges) from :func:`range_powers`.
        settle: sweeps left out after each change of ``on``: the switching fell into the first one,
            and a thing may need more to settle.

    Returns:
        Blocks of at least one sweep. A range that is missing in all sweeps of a block is NaN there.
    """
    blocks = []
    first = 0
    for i in range(1, len(on) + 1):
        if i < len(on) and on[i] is on[first]:
            continue
        state = on[first]
        start = first + (settle if first else 0)
        if state is not None and start < i:
            blocks.append(_block(bool(state), at_s[start:i], powers[start:i]))
        first = i
    return tuple(blocks)


def _block(on: bool, at_s: Float, powers: Float) -> Block:
    means, spreads = [], []
    for column in powers.T:
        known = column[np.isfinite(column)]
        means.append(float(known.mean()) if known.size else math.nan)
        spread = float(known.std(ddof=1)) if known.size > 1 else math.nan
        spreads.append(spread / math.sqrt(effective_number(known)))
    return Block(
        on=on,
        from_s=float(at_s[0]),
        to_s=float(at_s[-1]),
        sweeps=at_s.size,
        power=np.array(means),
        power_u=np.array(spreads),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """What the thing does to one range.

    ``on`` and ``off`` are mean levels in the unit of the sweep, ``change_db`` the one over the
    other with the interval ``low_db`` to ``high_db`` at the confidence asked for. ``own`` is the
    power that the thing adds, as a level: None where on is not above off by its interval.
    ``pairs`` comparisons went into it; ``dof`` are the degrees of freedom of the interval. Where it
    cannot be found its ends are NaN.
    """

    name: str
    on: float
    off: float
    change_db: float
    low_db: float
    high_db: float
    own: float | None
    pairs: int
    dof: float

    @property
    def is_told(self) -> bool:
        """Whether the interval leaves no change out."""
        return self.low_db > 0.0 or self.high_db < 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """The result of a trial: one :class:`Difference` a range, ``switchings`` counted between
    blocks of both kinds that follow each other."""

    differences: tuple[Difference, ...]
    switchings: int
    on_blocks: int
    off_blocks: int


def on_minus_off(
    blocks: Sequence[Block], ranges: Sequence[TrialRange], *, confidence: float = 0.95
) -> Trial:
    """On minus off per range, each block of on against the blocks of off beside it.

    The level in a block of on is compared with the mean in dB of the off before and after it, so
    that an even drift falls out; where there is only one, at the ends or where two blocks of on
    follow each other, with that. Differences are in dB, and their mean has a t interval. With three
    or more comparisons it comes from their
    scatter; where two share a block of off they are correlated by 1/6, as for equal scatter of on
    and off, and the interval is the wider for it. With fewer it comes from the scatter inside the
    blocks and cannot know of drift: then every fault of the room is the thing's.

    Args:
        blocks: in order of time; NaN powers leave a comparison out.
        ranges: as the powers are in order of.
    """
    pairs = _pairs(blocks)
    switchings = sum(a.on is not b.on for a, b in itertools.pairwise(blocks))
    on_blocks = sum(block.on for block in blocks)
    return Trial(
        differences=tuple(
            _difference(piece.name, [(on, offs) for on, offs in pairs], i, confidence)
            for i, piece in enumerate(ranges)
        ),
        switchings=switchings,
        on_blocks=on_blocks,
        off_blocks=len(blocks) - on_blocks,
    )


def _pairs(blocks: Sequence[Block]) -> list[tuple[Block, tuple[Block, ...]]]:
    pairs = []
    for i, block in enumerate(blocks):
        if not block.on:
            continue
        beside = (*blocks[max(0, i - 1) : i], *blocks[i + 1 : i + 2])
        offs = tuple(other for other in beside if not other.on)
        if offs:
            pairs.append((block, offs))
    return pairs


def _difference(
    name: str,
    pairs: Sequence[tuple[Block, tuple[Block, ...]]],
    i: int,
    confidence: float,
) -> Difference:
    on: list[float] = []
    off: list[float] = []
    u2: list[float] = []
    used: list[tuple[Block, tuple[Block, ...]]] = []
    for block, offs in pairs:
        power, others = float(block.power[i]), np.array([other.power[i] for other in offs])
        if not (power > 0 and (others > 0).all()):
            continue
        on.append(power)
        off.append(math.exp(float(np.log(others).mean())))
        parts = np.array([other.power_u[i] for other in offs]) / others / len(offs)
        u2.append((float(block.power_u[i]) / power) ** 2 + float((parts**2).sum()))
        used.append((block, offs))
    if not on:
        nan = math.nan
        return Difference(
            name=name,
            on=nan,
            off=nan,
            change_db=nan,
            low_db=nan,
            high_db=nan,
            own=None,
            pairs=0,
            dof=0.0,
        )
    change_db = db_from_ratio(np.array(on)) - db_from_ratio(np.array(off))
    mean_db = float(change_db.mean())
    if len(on) >= 3:
        dof = len(on) - 1.0
        shared = sum(a[1][-1] is b[1][0] for a, b in itertools.pairwise(used))
        widened = 1.0 + shared / (3.0 * len(on))
        u_db = float(change_db.std(ddof=1)) * math.sqrt(widened / len(on))
    else:
        sweeps = sum(block.sweeps + sum(other.sweeps for other in offs) for block, offs in used)
        dof = max(1.0, sweeps - 2.0 * len(on))
        u_db = 10.0 / math.log(10.0) * math.sqrt(sum(u2)) / len(on)
    half_db = student_quantile(0.5 + confidence / 2.0, dof) * u_db
    mean_off = float(np.mean(off))
    gained = mean_off * math.expm1(mean_db / 10.0 * math.log(10.0))
    return Difference(
        name=name,
        on=float(db_from_ratio(np.mean(on))),
        off=float(db_from_ratio(mean_off)),
        change_db=mean_db,
        low_db=mean_db - half_db,
        high_db=mean_db + half_db,
        own=float(db_from_ratio(gained)) if mean_db - half_db > 0 else None,
        pairs=len(on),
        dof=dof,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Ambient:
    """A range against the ambient reference: level now and then, the change and its interval."""

    name: str
    now: float
    ambient: float
    change_db: float
    low_db: float
    high_db: float


def compare_ambient(
    powers: Float,
    ambient: Float,
    ranges: Sequence[TrialRange],
    *,
    ambient_u_db: Float | float = 0.0,
    drift_u_db: float = 0.0,
    confidence: float = 0.95,
) -> tuple[Ambient, ...]:
    """What a range has more, or less, than in the reference: thing off, all else the same.

    Args:
        powers: (sweeps, ranges) from :func:`range_powers`; one sweep gives NaN for the interval.
        ambient: (ranges,) the same of the reference.
        ambient_u_db: standard uncertainty of the reference's levels, from its own scatter.
        drift_u_db: how far the room and the sweeper may have moved since, as a standard
            uncertainty; nothing in the data tells it, so it has to be stated.

    The scatter of the sweeps counts for as many as are independent (:func:`effective_number`).
    """
    reference_u_db = np.broadcast_to(np.asarray(ambient_u_db, dtype=np.float64), (len(ranges),))
    found = []
    for i, piece in enumerate(ranges):
        known = powers[:, i][np.isfinite(powers[:, i])]
        mean = float(known.mean()) if known.size else math.nan
        n = effective_number(known)
        half_db = math.nan
        if known.size > 1 and mean > 0:
            own_db = 10.0 / math.log(10.0) * float(known.std(ddof=1)) / mean / math.sqrt(n)
            u_db = math.hypot(own_db, float(reference_u_db[i]), drift_u_db)
            # Welch and Satterthwaite: only the scatter seen here is short of degrees.
            dof = max(1.0, n - 1.0) * (u_db / own_db) ** 4 if own_db > 0 else 1e6
            half_db = student_quantile(0.5 + confidence / 2.0, dof) * u_db
        now, then = float(db_from_ratio(mean)), float(db_from_ratio(ambient[i]))
        found.append(
            Ambient(
                name=piece.name,
                now=now,
                ambient=then,
                change_db=now - then,
                low_db=now - then - half_db,
                high_db=now - then + half_db,
            )
        )
    return tuple(found)
