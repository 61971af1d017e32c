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
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from acqd.measure.student import student_quantile
from acqd.sweep import Grid
from acqd.units import db_from_ratio, ratio_from_db

__all__ = [
    "Ambient",
    "Block",
    "Difference",
    "OpenBlock",
    "Trial",
    "TrialRange",
    "blocks_of",
    "carried_on",
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
    frequency_hz, cell_hz = grid.frequency_hz, np.maximum(grid.cell_hz, 1e-9)
    found = []
    for piece in ranges:
        first = int(np.searchsorted(frequency_hz, piece.start_hz, side="left"))
        stop = int(np.searchsorted(frequency_hz, piece.stop_hz, side="right"))
        part, width_hz = ratio_from_db(level_db[..., first:stop]), cell_hz[first:stop]
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
    away = value - value.mean() if value.size else value
    return _worth(value.size, float(away @ away), float(away[1:] @ away[:-1]))


def _worth(n: int, square: float, product: float) -> float:
    """:func:`effective_number` by sums of squares, and of products of neighbours."""
    if n < 3 or square <= 0.0:
        return 1.0
    rho = product / square
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


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenBlock:
    """A block under way, as sums (ranges,): so any number of sweeps fits. ``skip`` more sweeps are
    left out before it begins, and none is in it while ``on`` is None: nobody knows. ``first`` and
    ``last`` are the powers at its ends."""

    on: bool | None
    skip: int
    from_s: float
    to_s: float
    sweeps: int
    count: NDArray[np.int64]
    total: Float
    square: Float
    product: Float
    first: Float
    last: Float

    @classmethod
    def fresh(cls, on: bool | None, ranges: int, *, skip: int = 0) -> OpenBlock:
        zeros, nothing = np.zeros(ranges), np.full(ranges, np.nan)
        return cls(
            on=on,
            skip=skip,
            from_s=math.nan,
            to_s=math.nan,
            sweeps=0,
            count=np.zeros(ranges, dtype=np.int64),
            total=zeros,
            square=zeros,
            product=zeros,
            first=nothing,
            last=nothing,
        )

    def with_sweep(self, at_s: float, powers: Float) -> OpenBlock:
        """With one more sweep's ``powers`` (ranges,); NaN is left out."""
        if self.on is None:
            return self
        if self.skip:
            return replace(self, skip=self.skip - 1)
        known = np.isfinite(powers)
        power = np.where(known, powers, 0.0)
        return OpenBlock(
            on=self.on,
            skip=0,
            from_s=self.from_s if self.sweeps else at_s,
            to_s=at_s,
            sweeps=self.sweeps + 1,
            count=self.count + known,
            total=self.total + power,
            square=self.square + power * power,
            product=self.product + power * np.nan_to_num(self.last),
            first=np.where(np.isnan(self.first), powers, self.first),
            last=np.where(known, powers, self.last),
        )

    def closed(self) -> Block | None:
        """The block; None where no sweep is in it."""
        if self.on is None or not self.sweeps:
            return None
        powers, spreads = [], []
        for n, total, square, product, first, last in zip(
            self.count.tolist(),
            self.total.tolist(),
            self.square.tolist(),
            self.product.tolist(),
            self.first.tolist(),
            self.last.tolist(),
            strict=True,
        ):
            mean = total / n if n else math.nan
            powers.append(mean)
            scatter = max(0.0, square - n * mean * mean) if n > 1 else math.nan
            beside = product - mean * (2.0 * total - first - last) + (n - 1) * mean * mean
            worth = _worth(n, scatter, beside)
            spreads.append(math.sqrt(scatter / (n - 1) / worth) if n > 1 else math.nan)
        return Block(
            on=self.on,
            from_s=self.from_s,
            to_s=self.to_s,
            sweeps=self.sweeps,
            power=np.array(powers),
            power_u=np.array(spreads),
        )


def carried_on(
    block: OpenBlock | None, on: bool | None, at_s: float, powers: Float, *, settle: int = 1
) -> tuple[OpenBlock, Block | None]:
    """A trial with one more sweep: the block under way, and the one that ended with it, if any.

    The first block of a trial begins at once; after every change ``settle`` sweeps are left out.
    """
    if block is not None and block.on is on:
        return block.with_sweep(at_s, powers), None
    ended = None if block is None else block.closed()
    fresh = OpenBlock.fresh(on, powers.size, skip=0 if block is None else settle)
    return fresh.with_sweep(at_s, powers), ended


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
    block: OpenBlock | None = None
    for state, time_s, power in zip(on, at_s.tolist(), powers, strict=True):
        block, ended = carried_on(block, state, time_s, power, settle=settle)
        if ended is not None:
            blocks.append(ended)
    last = None if block is None else block.closed()
    return tuple(blocks) if last is None else (*blocks, last)


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
    block: Block,
    ambient: Float,
    ranges: Sequence[TrialRange],
    *,
    ambient_u_db: Float | float = 0.0,
    drift_u_db: float = 0.0,
    confidence: float = 0.95,
) -> tuple[Ambient, ...]:
    """What a range has more, or less, than in the reference: thing off, all else the same.

    Args:
        block: the sweeps now (:meth:`OpenBlock.closed`); a single one gives NaN for the interval.
        ambient: (ranges,) range powers of the reference.
        ambient_u_db: standard uncertainty of the reference's levels, from its own scatter.
        drift_u_db: how far the room and the sweeper may have moved since, as a standard
            uncertainty; nothing in the data tells it, so it has to be stated.
    """
    reference_u_db = np.broadcast_to(np.asarray(ambient_u_db, dtype=np.float64), (len(ranges),))
    found = []
    for i, piece in enumerate(ranges):
        now, then = float(db_from_ratio(block.power[i])), float(db_from_ratio(ambient[i]))
        half_db = math.nan
        own_db = 10.0 / math.log(10.0) * float(block.power_u[i]) / float(block.power[i])
        if math.isfinite(own_db):
            u_db = math.hypot(own_db, float(reference_u_db[i]), drift_u_db)
            # Welch and Satterthwaite: only the scatter seen here is short of degrees.
            dof = max(1.0, block.sweeps - 1.0) * (u_db / own_db) ** 4 if own_db > 0 else 1e6
            half_db = student_quantile(0.5 + confidence / 2.0, min(dof, 1e6)) * u_db
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
