"""What a report says of a carrier job: frequency and level over time, drift, steps, stability.

Figures are the columns of the sweeps. A drift is a straight line through the readings of the range
that count: none that was overloaded, keyed or the same bits again, and none before the last step.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.records import FindingRecord
from acqd.measure.carrier_meter import SPOILT
from acqd.measure.drift import HOUR_S, Drift, least_squares_drift, serial_spread
from acqd.measure.words import duration_text, frequency_text, number_text, unit_suffix
from acqd.report.asked import asked_facts
from acqd.report.kinds import KindParts
from acqd.report.kinds.common import (
    at_text,
    context_charts,
    number,
    pm,
    sweep_text,
    trend,
    value_text,
)
from acqd.report.kinds.kept import Kept
from acqd.report.kinds.plain import coverage_text
from acqd.report.shapes import Line, Mark, Section, Table, TrendChart
from acqd.report.source import JobSource
from acqd.report.words import count_text, percent
from acqd.sweep import LevelUnit

__all__ = ["parts"]

Float = NDArray[np.float64]

DRIFT_POINTS = 2048
"""Readings that a line is laid through; of more of them means of neighbours."""

OPEN_END = 100.0
"""Times the deviation: an interval whose upper end lies beyond has none worth telling."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """The readings of the range, (sweeps,), NaN where the carrier was not heard."""

    expected_hz: float
    unit: LevelUnit
    offset_hz: Float
    offset_u_hz: Float
    level: Float
    level_u_db: Float
    counts: NDArray[np.bool_]
    """What may lie on a straight line."""
    steps: tuple[FindingRecord, ...]

    @property
    def heard(self) -> NDArray[np.bool_]:
        return np.isfinite(self.offset_hz)

    def since(self, at_s: Float, what: str) -> NDArray[np.bool_]:
        """What counts towards a drift: after the last step of that figure."""
        last = [one.at_s for one in self.steps if one.what == what]
        return self.counts & (at_s >= max(last)) if last else self.counts


def parts(source: JobSource) -> KindParts:
    """The parts of a carrier job."""
    kept, asked = Kept(source), asked_facts(source)
    if not kept.size:
        return KindParts(
            headline=f"Nothing was swept in this time: {coverage_text(source)}.",
            asked=asked,
            limits=("There is no sweep in this range: nothing can be said of the carrier.",),
        )
    summary = source.last_summary or {}
    read = _read(kept, summary)
    limits = _limits(kept, read)
    if not read.heard.any():
        why = summary.get("not_heard_because") or "no sweep says why"
        where = frequency_text(read.expected_hz)
        count = count_text(kept.size, "sweep")
        return KindParts(
            headline=f"The carrier at {where} was heard in none of {count}: {why}.",
            asked=asked,
            sections=_beside(kept, read),
            limits=limits,
        )
    drift_hz = _drift(kept, read, read.offset_hz, "frequency_step")
    drift_db = _drift(kept, read, read.level, "level_step")
    sections = (
        _frequency(kept, read, drift_hz),
        _level(kept, read, drift_db),
        _figures(kept, read, summary, (drift_hz, drift_db)),
        *_steadiness(source),
        *_beside(kept, read),
    )
    return KindParts(
        headline=_headline(kept, read, drift_hz), asked=asked, sections=sections, limits=limits
    )


# --- reading --------------------------------------------------------------------------------------


def _read(kept: Kept, summary: Mapping[str, Any]) -> _Read:
    setup = kept.event(kept.size - 1)
    suffix = unit_suffix(setup.unit)
    axis = setup.grid.frequency_hz
    expected_hz = number(summary.get("expected_hz")) or float(axis[0] + axis[-1]) / 2.0
    steps = tuple(
        one for one in kept.source.finding_records if one.what in ("frequency_step", "level_step")
    )
    offset_hz = kept.column("frequency_hz") - expected_hz
    return _Read(
        expected_hz=expected_hz,
        unit=setup.unit,
        offset_hz=offset_hz,
        offset_u_hz=kept.column("frequency_expanded_hz"),
        level=kept.column(f"level_{suffix}"),
        level_u_db=kept.column("level_expanded_db"),
        counts=np.isfinite(offset_hz) & ((kept.flags & int(SPOILT)) == 0),
        steps=steps,
    )


def _drift(kept: Kept, read: _Read, value: Float, what: str) -> Drift:
    counts = read.since(kept.at_s, what) & np.isfinite(value)
    at_s, y = kept.at_s[counts], value[counts]
    if at_s.size > DRIFT_POINTS:
        by = math.ceil(at_s.size / DRIFT_POINTS)
        whole = at_s.size // by
        at_s = at_s[: whole * by].reshape(whole, by).mean(axis=1)
        y = y[: whole * by].reshape(whole, by).mean(axis=1)
    return least_squares_drift(at_s, y)


# --- over time ------------------------------------------------------------------------------------


def _frequency(kept: Kept, read: _Read, drift: Drift) -> Section:
    where = frequency_text(read.expected_hz, resolution_hz=1.0)
    line = _line_of(kept, read, read.offset_hz, drift, "frequency_step")
    chart = trend(
        kept,
        title=f"Frequency, less {where}",
        unit="Hz",
        name="frequency",
        value=read.offset_hz,
        expanded=read.offset_u_hz,
        marks=_marks(kept, read.steps, "frequency_step", read.offset_hz, "Hz"),
        more=line,
    )
    charts = [] if chart is None else [chart]
    rest = _residuals(kept, read, drift)
    charts += [] if rest is None else [rest]
    lead = (
        f"{_drift_text(drift, 'Hz')} ± U of a reading is the sweeper's own frequency accuracy for "
        "the most part, which moves slowly if at all."
    )
    return Section(key="frequency", title="Frequency over time", lead=lead, charts=tuple(charts))


def _level(kept: Kept, read: _Read, drift: Drift) -> Section:
    unit = str(read.unit)
    chart = trend(
        kept,
        title=f"Level at {kept.source.plane}",
        unit=unit,
        name="level",
        value=read.level,
        expanded=read.level_u_db,
        marks=_marks(kept, read.steps, "level_step", read.level, "dB"),
        more=_line_of(kept, read, read.level, drift, "level_step"),
    )
    charts = () if chart is None else (chart,)
    return Section(
        key="level", title="Level over time", lead=_drift_text(drift, "dB"), charts=charts
    )


def _line_of(kept: Kept, read: _Read, value: Float, drift: Drift, what: str) -> tuple[Line, ...]:
    """The straight line through the readings that it was laid through."""
    if not math.isfinite(drift.slope_per_hour):
        return ()
    counts = read.since(kept.at_s, what) & np.isfinite(value)
    at_s = kept.at_s[counts]
    ends = np.array([at_s.min(), at_s.max()])
    y = drift.intercept + drift.slope_per_hour * (ends - ends[0]) / HOUR_S
    name = f"straight line, {count_text(int(counts.sum()), 'reading')}"
    return (
        Line(
            name=name, x=ends, y=y, role="reference", sweeps=kept.range_of(np.flatnonzero(counts))
        ),
    )


def _residuals(kept: Kept, read: _Read, drift: Drift) -> TrendChart | None:
    """What is left of the frequency beside its line; None where there is no line."""
    if not math.isfinite(drift.residual_sd):
        return None
    counts = read.since(kept.at_s, "frequency_step")
    first_s = float(kept.at_s[counts].min())
    line = drift.intercept + drift.slope_per_hour * (kept.at_s - first_s) / HOUR_S
    left = np.where(counts, read.offset_hz - line, np.nan)
    sd = number_text(drift.residual_sd, _places(drift.residual_sd))
    return trend(
        kept,
        title=f"Frequency beside its straight line, standard deviation {sd} Hz",
        unit="Hz",
        name="reading less line",
        value=left,
    )


def _marks(
    kept: Kept, steps: Sequence[FindingRecord], what: str, value: Float, unit: str
) -> tuple[Mark, ...]:
    found = []
    for one in steps:
        if one.what != what:
            continue
        size = float(one.figures[f"step_{unit.lower()}"])
        u = float(one.figures[f"step_expanded_{unit.lower()}"])
        at = min(int(np.searchsorted(kept.at_s, one.at_s)), kept.size - 1)
        way = "up" if size > 0 else "down"
        text = f"{way} {pm(abs(size), u, unit)}"
        if math.isfinite(value[at]):
            found.append(Mark(x=one.at_s, y=float(value[at]), text=text))
    return tuple(found)


def _places(value: float) -> int:
    return 2 if not value > 0 else max(0, min(4, 1 - math.floor(math.log10(value))))


def _drift_text(drift: Drift, unit: str) -> str:
    if not math.isfinite(drift.slope_per_hour):
        return "No drift can be told: there are no two readings at different times."
    serial = drift.serial
    if serial is None:
        why = drift.reason or "too few readings"
        return f"A straight line runs at {_slope(drift.slope_per_hour, unit)}; {why}."
    low, high = serial.low_per_hour, serial.high_per_hour
    drifts = "It drifts" if not low <= 0.0 <= high else "No drift can be seen: the line runs"
    return (
        f"{drifts} at {_slope(drift.slope_per_hour, unit)} (95 %: {_bare(low, high)} to "
        f"{_bare(high, low)}), by {count_text(drift.samples, 'reading')} in "
        f"{duration_text(drift.span_s)}."
    )


def _slope(value: float, unit: str) -> str:
    sign = "+" if value > 0 else ""
    return f"{sign}{number_text(value, _places(abs(value)))} {unit}/h"


def _bare(value: float, other: float) -> str:
    return number_text(value, _places(max(abs(value), abs(other))))


# --- figures --------------------------------------------------------------------------------------


def _figures(
    kept: Kept, read: _Read, summary: Mapping[str, Any], drifts: tuple[Drift, Drift]
) -> Section:
    heard = np.flatnonzero(read.heard)
    sweeps = kept.range_of(heard)
    unit = str(read.unit)
    rows = [
        _figure_row("frequency less expected", "Hz", read.offset_hz, read.offset_u_hz),
        _figure_row("level", unit, read.level, read.level_u_db),
    ]
    table = Table(
        title="Readings",
        heads=("figure", "unit", "mean", "U (k = 2)", "first", "last", "least", "greatest"),
        units=("",) * 8,
        places=(None, None, 3, 3, 3, 3, 3, 3),
        rows=tuple(row for row in rows if row is not None),
        note=(
            f"Expected at {frequency_text(read.expected_hz, resolution_hz=1.0)}. U of a mean is "
            "that of the least sure reading, and beside it how well the mean is known; the "
            "sweeper's own error does not average out."
        ),
        sweeps=sweeps,
    )
    lines = [
        _drift_row("frequency, this range", "Hz/h", drifts[0]),
        _drift_row("level, this range", "dB/h", drifts[1]),
        *_published_rows(summary),
    ]
    drift = Table(
        title="Drift, from straight lines",
        heads=("figure", "unit", "drift", "95 % from", "95 % to", "readings", "note"),
        units=("",) * 7,
        places=(None, None, 4, 4, 4, 0, None),
        rows=tuple(lines),
        note="Intervals allow for readings that are like their neighbours.",
        sweeps=sweeps,
    )
    steps = Table(
        title="Steps",
        heads=("when", "what", "step", "U (95 %)", "sweep"),
        units=("", "", "", "", ""),
        places=(None, None, 3, 3, 0),
        rows=tuple(_step_row(one, kept.source.zone) for one in read.steps),
        sweeps=sweeps,
    )
    last = int(heard[-1])
    tables = (table, drift, *((steps,) if read.steps else ()))
    return Section(
        key="figures",
        title="Figures",
        lead=f"The last reading is of {sweep_text(kept, last)}: {_last_text(kept, read, last)}.",
        tables=tables,
    )


def _last_text(kept: Kept, read: _Read, at: int) -> str:
    frequency = frequency_text(float(kept.column("frequency_hz")[at]), resolution_hz=1.0)
    u_hz, level, u_db = read.offset_u_hz[at], float(read.level[at]), float(read.level_u_db[at])
    return f"{frequency} ± {number_text(float(u_hz), 0)} Hz, {pm(level, u_db, str(read.unit))}"


def _figure_row(
    name: str, unit: str, value: Float, expanded: Float
) -> tuple[str | float | None, ...] | None:
    known = value[np.isfinite(value)]
    if not known.size:
        return None
    sure = expanded[np.isfinite(expanded)]
    u_mean = serial_spread(known[: 1 << 15]).u_mean
    u = math.hypot(float(sure.max()), 2.0 * (0.0 if math.isnan(u_mean) else u_mean))
    ends = (float(known[0]), float(known[-1]), float(known.min()), float(known.max()))
    return (name, unit, float(known.mean()), u if sure.size else None, *ends)


def _drift_row(name: str, unit: str, drift: Drift) -> tuple[str | float | None, ...]:
    serial = drift.serial
    return (
        name,
        unit,
        number(drift.slope_per_hour),
        None if serial is None else serial.low_per_hour,
        None if serial is None else serial.high_per_hour,
        float(drift.samples),
        drift.reason or "",
    )


def _published_rows(summary: Mapping[str, Any]) -> list[tuple[str | float | None, ...]]:
    """The drifts as the last summary has them: of all readings since they may lie on a line."""
    drift = summary.get("drift")
    if not drift:
        return []
    rows: list[tuple[str | float | None, ...]] = []
    for name, key, unit in (
        ("frequency, as published", "hz_per_h", "Hz/h"),
        ("frequency, as published", "ppm_per_h", "ppm/h"),
        ("level, as published", "db_per_h", "dB/h"),
    ):
        reason = "level_reason" if key.startswith("db") else "frequency_reason"
        figures = [number(drift[each]) for each in (key, f"{key}_low", f"{key}_high")]
        rows.append((name, unit, *figures, float(drift["readings"]), drift[reason] or ""))
    return rows


def _step_row(one: FindingRecord, zone: str) -> tuple[str | float | None, ...]:
    unit = "Hz" if one.what == "frequency_step" else "dB"
    size, u = one.figures[f"step_{unit.lower()}"], one.figures[f"step_expanded_{unit.lower()}"]
    what = f"{'frequency' if unit == 'Hz' else 'level'}, {unit}"
    seq = None if one.seq is None else float(one.seq)
    return (at_text(one.at_s, zone), what, number(size), number(u), seq)


def _steadiness(source: JobSource) -> tuple[Section, ...]:
    """The Allan deviation, as the last hour that has it was told; of all readings up to then."""
    for hour in reversed(source.hours):
        rows = hour.figures.get("allan") or []
        if rows:
            break
    else:
        return ()
    ends = [_allan_ends(row) for row in rows]
    note = (
        f"Of all readings up to {at_text(hour.hour_start_s + HOUR_S, source.zone)}, also those "
        "before this range, drift and warm-up included; the sweeper's own unsteadiness is in it."
    )
    if any(high is None for _, _, high in ends):
        note += " No upper end: too few readings to tell one."
    table = Table(
        title="Overlapping Allan deviation of the fractional frequency",
        heads=("over", "deviation", "95 % from", "95 % to"),
        units=("s", "1e-9", "1e-9", "1e-9"),
        places=(1, 3, 3, 3),
        rows=tuple(
            (number(row["tau_s"]), *(None if one is None else 1e9 * one for one in some))
            for row, some in zip(rows, ends, strict=True)
        ),
        note=note,
        sweeps=source.range_of(),
    )
    return (Section(key="steadiness", title="Steadiness", tables=(table,)),)


def _allan_ends(row: Mapping[str, Any]) -> tuple[float | None, float | None, float | None]:
    """Deviation and its interval; no upper end where that is so far off that it says nothing."""
    deviation, low, high = (number(row[key]) for key in ("deviation", "low", "high"))
    if deviation is not None and high is not None and high > OPEN_END * deviation:
        high = None
    return deviation, low, high


def _beside(kept: Kept, read: _Read) -> tuple[Section, ...]:
    """The floor under it, and the context."""
    suffix = unit_suffix(read.unit)
    floor = trend(
        kept,
        title="Floor: mean power of the noise",
        unit=str(read.unit),
        name="floor",
        value=kept.column(f"floor_{suffix}"),
    )
    charts = (*(() if floor is None else (floor,)), *context_charts(kept))
    return (Section(key="beside", title="What stood beside it", charts=charts),) if charts else ()


def _limits(kept: Kept, read: _Read) -> tuple[str, ...]:
    found = []
    heard = int(read.heard.sum())
    spoilt = heard - int(read.counts.sum())
    if spoilt:
        found.append(
            f"{count_text(spoilt, 'reading')} overloaded, keyed, with a part missing or the same "
            "bits again: shown, and left out of drift and steadiness."
        )
    if heard == 1:
        found.append("One reading: nothing can be said of drift or steadiness.")
    setups = {one.setup for one in kept.index.setups}
    if len(setups) > 1:
        found.append(
            f"The way of sweeping changed within the range ({len(setups)} setups): readings under "
            "different ways need not be comparable."
        )
    return tuple(found)


def _headline(kept: Kept, read: _Read, drift: Drift) -> str:
    heard = int(read.heard.sum())
    mean_hz = read.expected_hz + float(np.nanmean(read.offset_hz))
    share = percent(heard / kept.size)
    said = (
        f"The carrier was heard in {heard} of {count_text(kept.size, 'sweep')} ({share}) at "
        f"{frequency_text(mean_hz, resolution_hz=10.0)}, {_mean_level(read)} in the mean"
    )
    serial = drift.serial
    if serial is not None and not serial.low_per_hour <= 0.0 <= serial.high_per_hour:
        said += f", drifting at {_slope(drift.slope_per_hour, 'Hz')}"
    steps = len(read.steps)
    return f"{said}, with {count_text(steps, 'step')}." if steps else f"{said}."


def _mean_level(read: _Read) -> str:
    return value_text(float(np.nanmean(read.level)), str(read.unit), decimals=1)
