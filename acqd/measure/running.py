"""Days of readings in bounded memory: exact totals, and a series that grows coarser as it grows.

A soak of a week at one reading a second is 600 000 readings. A :class:`Series` keeps

* exactly: count, mean, variance, least and greatest with their sweeps, and excursions beyond
  limits (first, worst, how many);
* the course over time in at most N buckets of equal width in time. When the readings outgrow them
  the width doubles and neighbours are merged, so between N/2 and N buckets cover the whole span.
  What happened within one width is lost but for its mean, variance, least and greatest.

A series is a value: :func:`append` gives a new one and leaves the old as it was, so that a meter
can hold it in its state (see :mod:`acqd.measure.meter`). The same readings in the same order give
the same bits, also with a checkpoint in between (:mod:`acqd.measure.checkpoint`). Filled buckets
are packed in arrays that the old and the new series share, so one reading costs a few numbers.

Drift, steps and deviations are worked out from :func:`course` and :func:`even_course`; what that
costs is said there.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Bucket",
    "Course",
    "Excursion",
    "PackedBuckets",
    "Reading",
    "Series",
    "Totals",
    "append",
    "course",
    "even_course",
    "new_series",
]

Float = NDArray[np.float64]
Whole = NDArray[np.int64]

PACK = 64
"""Buckets in one packed array: the most that is copied for one reading, but for a doubling."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One value, when it was taken and in which sweep."""

    at_s: float
    value: float
    seq: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Excursion:
    """A reading beyond a limit: by how much, in the unit of the value."""

    reading: Reading
    limit: float
    beyond: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """Of all readings, exactly. NaN and None before the first.

    ``missing`` counts readings without a value (not finite), which change nothing else;
    ``backwards`` those with a time before the one before.
    """

    count: int = 0
    missing: int = 0
    backwards: int = 0
    mean: float = math.nan
    m2: float = 0.0
    """Sum of squared distances from the mean."""
    first: Reading | None = None
    last: Reading | None = None
    least: Reading | None = None
    greatest: Reading | None = None
    outside: int = 0
    """Readings beyond a limit."""
    first_outside: Excursion | None = None
    worst_outside: Excursion | None = None

    @property
    def sd(self) -> float:
        """Standard deviation (n - 1); NaN below two readings."""
        return math.sqrt(self.m2 / (self.count - 1)) if self.count > 1 else math.nan

    @property
    def span_s(self) -> float:
        if self.first is None or self.last is None:
            return 0.0
        return self.last.at_s - self.first.at_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Bucket:
    """Readings of one stretch of time, number ``index`` of the present width."""

    index: int
    count: int
    mean_at_s: float
    """Mean time after the series' origin."""
    mean: float
    m2: float
    least: float
    greatest: float
    first_seq: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedBuckets:
    """The same as columns, one row a bucket. Never changed once made."""

    index: Whole
    count: Whole
    mean_at_s: Float
    mean: Float
    m2: Float
    least: Float
    greatest: Float
    first_seq: Whole


COLUMNS = tuple(field.name for field in dataclasses.fields(PackedBuckets))


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Totals and the course so far. Make one with :func:`new_series`.

    ``origin_s`` lies half the first width before the first reading, so that evenly spaced readings
    fall in the middle of buckets of their spacing and jitter does not move them to the next.
    """

    most: int
    width_s: float
    low: float | None
    high: float | None
    origin_s: float = math.nan
    totals: Totals = Totals()
    packed: tuple[PackedBuckets, ...] = ()
    filled: tuple[Bucket, ...] = ()
    open: Bucket | None = None

    @property
    def buckets(self) -> int:
        full = sum(part.index.size for part in self.packed)
        return full + len(self.filled) + (self.open is not None)


def new_series(
    *,
    width_s: float,
    most: int = 4096,
    low: float | None = None,
    high: float | None = None,
) -> Series:
    """An empty series whose buckets are ``width_s`` wide at first: best the readings' spacing.

    Args:
        most: buckets to keep, at least 2. 4096 take about 260 kB, and 360 kB in a checkpoint.
        low, high: limits, for the excursions; a reading on a limit is inside.

    Raises:
        ValueError: a width that is not above 0 and finite, too few buckets, or limits crossed.
    """
    if not (width_s > 0 and math.isfinite(width_s)):
        raise ValueError(f"the width must be above 0 s and finite, got {width_s}")
    if most < 2:
        raise ValueError(f"a series needs 2 buckets or more, got {most}")
    if low is not None and high is not None and not low < high:
        raise ValueError(f"the lower limit must lie below the upper, got {low} and {high}")
    return Series(most=most, width_s=width_s, low=low, high=high)


# --- one reading ----------------------------------------------------------------------------------


def append(series: Series, at_s: float, value: float, seq: int) -> Series:
    """``series`` with one more reading. A value that is not finite is counted as missing.

    A time before that of the last reading (a clock that was set back) counts to the last bucket.

    Raises:
        ValueError: a time that is not finite.
    """
    if not math.isfinite(at_s):
        raise ValueError(f"sweep {seq}: the time must be finite, got {at_s}")
    totals = series.totals
    if not math.isfinite(value):
        totals = dataclasses.replace(totals, missing=totals.missing + 1)
        return dataclasses.replace(series, totals=totals)
    reading = Reading(at_s=float(at_s), value=float(value), seq=int(seq))
    if series.open is None:
        origin_s = reading.at_s - series.width_s / 2.0
        series = dataclasses.replace(series, origin_s=origin_s)
    elif _number(series, at_s) >= series.most:
        series = _wider(series, at_s)
    return _placed(series, reading, _added(totals, reading, series.low, series.high))


def _number(series: Series, at_s: float) -> int:
    return math.floor((at_s - series.origin_s) / series.width_s)


def _added(totals: Totals, reading: Reading, low: float | None, high: float | None) -> Totals:
    """Welford's update, and the records that ``reading`` breaks; the first of equals stays."""
    count = totals.count + 1
    least, greatest, last = totals.least, totals.greatest, totals.last
    before = totals.mean if totals.count else reading.value
    mean = before + (reading.value - before) / count
    excursion = _excursion(reading, low, high)
    worst = totals.worst_outside
    if excursion is not None and (worst is None or excursion.beyond > worst.beyond):
        worst = excursion
    return Totals(
        count=count,
        missing=totals.missing,
        backwards=totals.backwards + (last is not None and reading.at_s < last.at_s),
        mean=mean,
        m2=totals.m2 + (reading.value - before) * (reading.value - mean),
        first=totals.first or reading,
        last=reading,
        least=reading if least is None or reading.value < least.value else least,
        greatest=reading if greatest is None or reading.value > greatest.value else greatest,
        outside=totals.outside + (excursion is not None),
        first_outside=totals.first_outside or excursion,
        worst_outside=worst,
    )


def _excursion(reading: Reading, low: float | None, high: float | None) -> Excursion | None:
    if high is not None and reading.value > high:
        return Excursion(reading=reading, limit=high, beyond=reading.value - high)
    if low is not None and reading.value < low:
        return Excursion(reading=reading, limit=low, beyond=low - reading.value)
    return None


def _placed(series: Series, reading: Reading, totals: Totals) -> Series:
    now = Bucket(
        index=_number(series, reading.at_s),
        count=1,
        mean_at_s=reading.at_s - series.origin_s,
        mean=reading.value,
        m2=0.0,
        least=reading.value,
        greatest=reading.value,
        first_seq=reading.seq,
    )
    packed, filled = series.packed, series.filled
    if series.open is not None and now.index <= series.open.index:
        now = _merged(series.open, now, series.open.index)
    elif series.open is not None:
        filled = (*filled, series.open)
        if len(filled) == PACK:
            packed, filled = (*packed, _pack(filled)), ()
    return dataclasses.replace(series, totals=totals, packed=packed, filled=filled, open=now)


def _merged(one: Bucket, other: Bucket, index: int) -> Bucket:
    """Two neighbours as one, the earlier first (Chan's rule for the squares)."""
    count = one.count + other.count
    share = other.count / count
    apart = other.mean - one.mean
    return Bucket(
        index=index,
        count=count,
        mean_at_s=one.mean_at_s + (other.mean_at_s - one.mean_at_s) * share,
        mean=one.mean + apart * share,
        m2=one.m2 + other.m2 + apart * apart * one.count * share,
        least=min(one.least, other.least),
        greatest=max(one.greatest, other.greatest),
        first_seq=one.first_seq,
    )


def _pack(buckets: tuple[Bucket, ...]) -> PackedBuckets:
    columns = {name: np.array([getattr(bucket, name) for bucket in buckets]) for name in COLUMNS}
    for name in ("index", "count", "first_seq"):
        columns[name] = columns[name].astype(np.int64)
    return PackedBuckets(**columns)


def _unpacked(series: Series) -> list[Bucket]:
    """All buckets in order of time."""
    found = []
    for part in series.packed:
        rows = zip(*(getattr(part, name).tolist() for name in COLUMNS), strict=True)
        found += [Bucket(**dict(zip(COLUMNS, row, strict=True))) for row in rows]
    found += series.filled
    return found if series.open is None else [*found, series.open]


def _wider(series: Series, at_s: float) -> Series:
    """Buckets doubled in width as often as it takes for ``at_s`` to fit."""
    width_s, doublings = series.width_s, 0
    while math.floor((at_s - series.origin_s) / width_s) >= series.most:
        width_s *= 2.0
        doublings += 1
    merged: list[Bucket] = []
    for bucket in _unpacked(series):
        index = bucket.index >> doublings
        if merged and merged[-1].index == index:
            merged[-1] = _merged(merged[-1], bucket, index)
        else:
            merged.append(dataclasses.replace(bucket, index=index))
    *rest, last = merged
    whole = len(rest) // PACK * PACK
    packed = [_pack(tuple(rest[at : at + PACK])) for at in range(0, whole, PACK)]
    return dataclasses.replace(
        series, width_s=width_s, packed=tuple(packed), filled=tuple(rest[whole:]), open=last
    )


# --- what can be read from it ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The course over time, one row a bucket that holds a reading, in order of time.

    ``at_s`` is the mean time of its readings, ``sd`` their spread (n - 1; NaN for a single one).
    """

    width_s: float
    at_s: Float
    count: Whole
    mean: Float
    sd: Float
    least: Float
    greatest: Float
    first_seq: Whole


def course(series: Series) -> Course:
    """The buckets as arrays, the one still open included; empty arrays for an empty series.

    For a drift hand over ``at_s`` and ``mean``: the slope is that of the readings but for buckets
    with fewer readings than others, which weigh as much as those. For steps hand over ``mean``: an
    onset is known to one ``width_s``, and its sweep is at or after ``first_seq``.
    """
    buckets = _unpacked(series)
    packed = _pack(tuple(buckets))
    many = packed.count > 1
    sd = np.full(len(buckets), math.nan)
    sd[many] = np.sqrt(packed.m2[many] / (packed.count[many] - 1))
    return Course(
        width_s=series.width_s,
        at_s=series.origin_s + packed.mean_at_s if buckets else np.empty(0),
        count=packed.count,
        mean=packed.mean,
        sd=sd,
        least=packed.least,
        greatest=packed.greatest,
        first_seq=packed.first_seq,
    )


def even_course(series: Series) -> Float:
    """Bucket means every ``width_s`` from the first on, NaN where a bucket has too few readings.

    For deviations of the Allan family: τ0 is ``series.width_s``, shorter averaging times are lost.
    A bucket with less than half of the usual count is as good as missing (a definition of ours):
    its mean would not stand for its time. The last one, still open, is left out for the same cause
    until it has as many. No readings give no values.
    """
    found = course(series)
    if found.count.size == 0:
        return np.empty(0)
    index = np.concatenate(
        [part.index for part in series.packed]
        + [np.array([b.index for b in (*series.filled, series.open) if b], dtype=np.int64)]
    )
    usual = float(np.median(found.count))
    enough = 2 * found.count >= usual
    values = np.full(int(index[-1]) + 1, math.nan)
    values[index[enough]] = found.mean[enough]
    return values
