"""A carrier's frequency and level over time: what is remembered, and what is worked out of it.

Remembered are two series of bounded size (:mod:`acqd.measure.running`), the watches for steps, and
the sums of the hour. What costs more than a few numbers (drifts, deviations, the warm-up) is worked
out when an hour turns and when the readings have doubled in number, never with each sweep.

A drift is a straight line, so it counts from where the readings may lie on one: from the first of
them, from the end of the warm-up, or from the last step, whichever came last.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.carrier_look import CarrierSettings
from acqd.measure.carrier_steps import SeenStep, TrendWatch, trend_step, trend_watch
from acqd.measure.drift import Drift, fit_warm_up, least_squares_drift
from acqd.measure.running import Series, append, course, even_course, new_series
from acqd.measure.stability import DeviationKind, deviations

__all__ = [
    "CarrierTrend",
    "DriftFigures",
    "HourSums",
    "WarmUpFigures",
    "allan_rows",
    "drift_figures",
    "is_due",
    "new_trend",
    "read",
    "settle",
    "worked_out",
]

Float = NDArray[np.float64]

BUCKETS = 2048
"""Of each series: 130 kB, and 180 kB in a checkpoint."""

FIRST_DUE = 16
"""Readings after which drifts are worked out for the first time; then at each doubling."""

WARM_UP_POINTS = 512
WARM_UP_WITHIN_S = 86400.0
"""What settles later than a day after the first reading is no warm-up."""

WARM_UP_FALSE_ALARM = 1e-4
"""Of each look; there are about two dozen looks in a day."""

ALLAN_MOST = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class HourSums:
    """The readings of the running hour, of one figure."""

    count: int = 0
    total: float = 0.0
    least: float = math.inf
    greatest: float = -math.inf

    def with_reading(self, value: float) -> HourSums:
        return HourSums(
            count=self.count + 1,
            total=self.total + value,
            least=min(self.least, value),
            greatest=max(self.greatest, value),
        )

    def told(self) -> dict[str, float | None]:
        if not self.count:
            return {"mean": None, "min": None, "max": None}
        return {"mean": self.total / self.count, "min": self.least, "max": self.greatest}


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftFigures:
    """Drift of frequency and level, with the 95 % intervals that allow for serial correlation.

    NaN where nobody can tell; ``…_reason`` then says why.
    """

    at_s: float
    from_s: float
    readings: int
    hz_per_h: float
    hz_per_h_low: float
    hz_per_h_high: float
    frequency_reason: str | None
    db_per_h: float
    db_per_h_low: float
    db_per_h_high: float
    level_reason: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class WarmUpFigures:
    """A warm-up of the frequency that is over."""

    from_s: float
    settled_s: float
    amplitude_hz: float
    u_amplitude_hz: float
    tau_s: float
    u_tau_s: float
    within_hz: float

    @property
    def gone_s(self) -> float:
        """When a tenth of what was left at ``settled_s`` is left: it no longer bends a line."""
        return self.settled_s + math.log(10.0) * self.tau_s


@dataclass(frozen=True, slots=True, kw_only=True)
class CarrierTrend:
    """All that is remembered of the readings under one setup. ``frequency`` holds offsets in Hz."""

    usual_s: float
    frequency: Series
    level: Series
    frequency_steps: TrendWatch
    level_steps: TrendWatch
    steps: int = 0
    last_step_s: float | None = None
    drift: DriftFigures | None = None
    warm_up: WarmUpFigures | None = None
    hour_hz: HourSums = field(default_factory=HourSums)
    hour_level: HourSums = field(default_factory=HourSums)

    @property
    def readings(self) -> int:
        return self.frequency.totals.count


def new_trend(settings: CarrierSettings, *, usual_s: float, resolution: float) -> CarrierTrend:
    """Nothing read yet; ``usual_s`` is the interval of the readings, ``resolution`` the levels'."""
    half = settings.false_alarms_a_day / 2.0
    learn = settings.learn
    return CarrierTrend(
        usual_s=usual_s,
        frequency=new_series(width_s=usual_s, most=BUCKETS),
        level=new_series(width_s=usual_s, most=BUCKETS),
        frequency_steps=trend_watch(usual_s=usual_s, false_alarms_a_day=half, learn=learn),
        level_steps=trend_watch(
            usual_s=usual_s, false_alarms_a_day=half, learn=learn, resolution=resolution
        ),
    )


def read(
    trend: CarrierTrend, *, at_s: float, offset_hz: float, level: float, seq: int
) -> tuple[CarrierTrend, SeenStep | None, SeenStep | None]:
    """The trend after one more reading, and the steps that it showed: in frequency, in level.

    A level that is NaN (no bound) leaves the level's series alone.
    """
    watch_hz, step_hz = trend_step(trend.frequency_steps, at_s, offset_hz, seq)
    watch_db, step_db = trend_step(trend.level_steps, at_s, level, seq)
    known = math.isfinite(level)
    return (
        replace(
            trend,
            frequency=append(trend.frequency, at_s, offset_hz, seq),
            level=append(trend.level, at_s, level, seq),
            frequency_steps=watch_hz,
            level_steps=watch_db,
            hour_hz=trend.hour_hz.with_reading(offset_hz),
            hour_level=trend.hour_level.with_reading(level) if known else trend.hour_level,
        ),
        step_hz,
        step_db,
    )


def settle(trend: CarrierTrend, step: SeenStep) -> CarrierTrend:
    """With a step that was told: drifts count from it."""
    return replace(trend, steps=trend.steps + 1, last_step_s=step.onset_s)


def is_due(trend: CarrierTrend) -> bool:
    """Whether the readings have just doubled in number."""
    count = trend.readings
    return count >= FIRST_DUE and count & (count - 1) == 0


def worked_out(settings: CarrierSettings, trend: CarrierTrend) -> tuple[CarrierTrend, bool]:
    """With drifts, and the warm-up where it is over; whether that is news.

    Costs some 20 ms once the series are full, ten times that while a warm-up is sought.
    """
    first, last = trend.frequency.totals.first, trend.frequency.totals.last
    if first is None or last is None:
        return trend, False
    warm_up = trend.warm_up
    is_sought = settings.warm_up and warm_up is None and trend.last_step_s is None
    if is_sought and last.at_s - first.at_s <= WARM_UP_WITHIN_S:
        warm_up = _warm_up(trend.frequency)
    is_news = warm_up is not None and trend.warm_up is None
    trend = replace(trend, warm_up=warm_up)
    return replace(trend, drift=drift_figures(trend)), is_news


def drift_figures(trend: CarrierTrend) -> DriftFigures | None:
    """Drifts of frequency and level, as of the last reading; None without any reading."""
    first, last = trend.frequency.totals.first, trend.frequency.totals.last
    if first is None or last is None:
        return None
    from_s = max(
        first.at_s,
        -math.inf if trend.warm_up is None else min(last.at_s, trend.warm_up.gone_s),
        -math.inf if trend.last_step_s is None else trend.last_step_s,
    )
    by_hz, readings = _drift(trend.frequency, from_s)
    by_db, _ = _drift(trend.level, from_s)
    hz, db = _interval(by_hz), _interval(by_db)
    return DriftFigures(
        at_s=last.at_s,
        from_s=from_s,
        readings=readings,
        hz_per_h=hz[0],
        hz_per_h_low=hz[1],
        hz_per_h_high=hz[2],
        frequency_reason=by_hz.reason,
        db_per_h=db[0],
        db_per_h_low=db[1],
        db_per_h_high=db[2],
        level_reason=by_db.reason,
    )


def _drift(series: Series, from_s: float) -> tuple[Drift, int]:
    found = course(series)
    late = found.at_s >= from_s
    return least_squares_drift(found.at_s[late], found.mean[late]), int(found.count[late].sum())


def _interval(drift: Drift) -> tuple[float, float, float]:
    if drift.serial is None:
        return drift.slope_per_hour, math.nan, math.nan
    return drift.slope_per_hour, drift.serial.low_per_hour, drift.serial.high_per_hour


def _warm_up(series: Series) -> WarmUpFigures | None:
    """A warm-up that has come within one standard deviation of its end; None where there is none
    yet, or the readings do not show one."""
    found = course(series)
    at_s, mean = _thinned(found.at_s, WARM_UP_POINTS), _thinned(found.mean, WARM_UP_POINTS)
    if at_s.size < FIRST_DUE:
        return None
    fit = fit_warm_up(at_s, mean, false_alarm=WARM_UP_FALSE_ALARM)
    if not (fit.seen and fit.reached):
        return None
    within_hz = max(fit.residual_sd, abs(fit.amplitude) / 100.0)
    settled_s = float(at_s[0]) + fit.settled_after_s(within_hz)
    if settled_s > float(at_s[-1]):
        return None
    return WarmUpFigures(
        from_s=float(at_s[0]),
        settled_s=settled_s,
        amplitude_hz=fit.amplitude,
        u_amplitude_hz=fit.u_amplitude,
        tau_s=fit.tau_s,
        u_tau_s=fit.u_tau_s,
        within_hz=within_hz,
    )


def _thinned(values: Float, most: int) -> Float:
    """Means of nearly equal runs, at most so many."""
    if values.size <= most:
        return values
    edges = np.arange(most + 1) * values.size // most
    sums: Float = np.add.reduceat(values, edges[:-1])
    return sums / np.diff(edges)


def allan_rows(trend: CarrierTrend, expected_hz: float) -> list[dict[str, Any]]:
    """Overlapping Allan deviation of the fractional frequency, with its 95 % interval, at octaves
    of the series' width; of all readings so far, drift and warm-up included."""
    y = even_course(trend.frequency) / expected_hz
    if y.size < 3:
        return []
    rows = deviations(DeviationKind.OVERLAPPING, y, tau0_s=trend.frequency.width_s)
    return [
        {
            "tau_s": point.tau_s,
            "deviation": _digits(point.deviation),
            "low": _digits(point.low),
            "high": _digits(point.high),
            "coverage": round(point.coverage, 4),
        }
        for point in rows[:ALLAN_MOST]
    ]


def _digits(value: float) -> float | None:
    """Four figures: an interval says how many of them count."""
    return float(f"{value:.4g}") if math.isfinite(value) else None
