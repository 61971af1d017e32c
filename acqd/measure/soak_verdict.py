"""What a soak comes to: each limit judged, the coverage, and one verdict for all.

U of a figure is what its summary states for the reading that is judged (k = 2); where it states
none, twice the spread of the readings around their straight line. To that comes the sweeper's own
drift: the largest change between one reference and the next, as limits (JCGM 100:2008, 4.3.7).
Without a closing reference a wide drift is assumed, and the verdict says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from acqd.measure.budget import decimals_for, figure_text
from acqd.measure.drift import HOUR_S, Drift, serial_spread
from acqd.measure.meter import Figure
from acqd.measure.running import Excursion, course
from acqd.measure.soak_settings import SoakLimit, SoakSettings, drift_unit
from acqd.measure.soak_state import FigureTrack, SoakState
from acqd.measure.soak_trend import drift_of
from acqd.measure.uncertainty import (
    ASSUMED_DRIFT_DB_PER_H,
    ASSUMED_DRIFT_DB_PER_K,
    ASSUMED_DRIFT_MOST_DB,
    ASSUMED_TEMPERATURE_K,
)
from acqd.measure.verdict import Judgement, Verdict, combine, judge
from acqd.measure.words import duration_text, number_text

__all__ = ["ASSUMED_FREQUENCY_DRIFT_PPM_PER_H", "OwnDrift", "own_drift", "soak_verdict", "utc_text"]

ASSUMED_FREQUENCY_DRIFT_PPM_PER_H = 0.1
"""Limits of a sweeper's own frequency, warmed up, from one hour to the next (definition ours)."""

ASSUMED_FREQUENCY_DRIFT_MOST_PPM = 2.0
"""An assumed drift stops here: a quartz wanders within its accuracy (definition ours)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnDrift:
    """Half-width of what the sweeper itself may have drifted over the soak, and how that is known.

    ``db`` for levels, ``hz`` for frequencies; the latter no reference bounds.
    """

    db: float
    hz: float
    is_assumed: bool
    text: str

    def half_width(self, unit: str) -> float:
        """In the unit of a figure's change; none for shares and counts."""
        if unit.startswith("dB"):
            return self.db
        return self.hz if unit == "Hz" else 0.0


def own_drift(settings: SoakSettings, state: SoakState, *, is_closed: bool) -> OwnDrift:
    """The sweeper's own drift: as its references bound it, else as it is assumed."""
    hours = _hours(state)
    ppm = min(ASSUMED_FREQUENCY_DRIFT_PPM_PER_H * hours, ASSUMED_FREQUENCY_DRIFT_MOST_PPM)
    hz = 0.0 if math.isnan(state.middle_hz) else ppm * 1e-6 * state.middle_hz
    if is_closed and not math.isnan(state.reference_db):
        role = settings.closing_reference
        changed = number_text(state.reference_db, 2)
        text = f"between its {role} references the sweeper changed by {changed} dB at most"
        return OwnDrift(db=state.reference_db, hz=hz, is_assumed=False, text=text)
    aged_db = min(ASSUMED_DRIFT_DB_PER_H * hours, ASSUMED_DRIFT_MOST_DB)
    db = math.hypot(aged_db, ASSUMED_DRIFT_DB_PER_K * ASSUMED_TEMPERATURE_K)
    why = "no closing reference" if settings.closing_reference else "no reference"
    text = f"{why} bounds the sweeper's own drift: ± {number_text(db, 2)} dB are assumed"
    return OwnDrift(db=db, hz=hz, is_assumed=True, text=text)


def _hours(state: SoakState) -> float:
    return max(0.0, state.last_s - (state.start_s or state.last_s)) / HOUR_S


def utc_text(at_s: float) -> str:
    """2026-06-14 21:05:12 UTC."""
    return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


# --- one limit ------------------------------------------------------------------------------------


def _with_drift(expanded: float | None, half_width: float) -> float | None:
    """U with limits ± ``half_width`` beside what it holds already."""
    if expanded is None:
        return None
    return math.hypot(expanded, 2.0 * half_width / math.sqrt(3.0))


def _scatter(drift: Drift) -> float | None:
    """U of one reading where the summary states none: twice the spread around the line."""
    sd = drift.residual_sd
    return 2.0 * sd if drift.samples >= 8 and math.isfinite(sd) else None


def _judged(
    limit: SoakLimit, track: FigureTrack, drift: Drift, own: OwnDrift, *, above: bool
) -> dict[str, Any]:
    """Judge one side: ``above`` where the figure must stay above ``low``."""
    totals = track.series.totals
    bound = limit.low if above else limit.high
    assert bound is not None
    reading = totals.least if above else totals.greatest
    stated = track.u_least if above else track.u_greatest
    value = None if reading is None else reading.value
    seq = None if reading is None else reading.seq
    if limit.of == "mean":
        value, stated, seq = _mean(track)
    expanded = stated if math.isfinite(stated) else _scatter(drift)
    expanded = _with_drift(expanded, own.half_width(drift_unit(limit.unit)))
    found = judge(
        value,
        limit=bound,
        expanded=expanded,
        side="above" if above else "below",
        guard=limit.guard,
        unit=limit.unit,
    )
    row = _row(limit.figure, found, seq=seq)
    row["text"] = f"{limit.figure}, {limit.of}: {found.text}{_excursions(track, bound)}"
    return row


def _mean(track: FigureTrack) -> tuple[float | None, float, int | None]:
    """Mean of all readings and its U: that of a reading, and beside it how well a mean is known."""
    totals = track.series.totals
    if not totals.count:
        return None, math.nan, None
    u_mean = serial_spread(course(track.series).mean).u_mean
    expanded = math.hypot(track.u_largest, 2.0 * u_mean)
    return totals.mean, (2.0 * u_mean if math.isnan(expanded) else expanded), None


def _excursions(track: FigureTrack, bound: float) -> str:
    """Where a figure left its limits first and furthest; empty where it never did."""
    first, worst = track.series.totals.first_outside, track.series.totals.worst_outside
    if first is None or worst is None or bound not in (first.limit, worst.limit):
        return ""
    count = track.series.totals.outside
    times = "once" if count == 1 else f"{count} times"
    told = f"; beyond it {times}, first {_where(first)}"
    return told if first == worst else f"{told}, furthest {_where(worst)}"


def _where(one: Excursion) -> str:
    reading = one.reading
    return f"in sweep {reading.seq} at {utc_text(reading.at_s)} ({number_text(reading.value, 2)})"


def _judged_drift(limit: SoakLimit, drift: Drift, own: OwnDrift, hours: float) -> dict[str, Any]:
    """The size of the drift per hour against its limit; U holds the sweeper's own."""
    assert limit.drift is not None
    unit = drift_unit(limit.unit)
    expanded, value = None, None
    if drift.serial is not None:
        value = abs(drift.slope_per_hour)
        half = (drift.serial.high_per_hour - drift.serial.low_per_hour) / 2.0
        own_per_h = own.half_width(unit) / hours if hours > 0 else math.inf
        expanded = _with_drift(half, own_per_h)
    found = judge(value, limit=limit.drift, expanded=expanded, guard=limit.guard, unit=f"{unit}/h")
    row = _row(limit.figure, found)
    why = "" if drift.serial is not None else f" ({drift.reason})"
    row["text"] = f"{limit.figure}, drift: {found.text}{why}"
    return row


def _row(figure: str, found: Judgement, *, seq: int | None = None) -> dict[str, Any]:
    return {
        "figure": figure,
        "value": found.value,
        "unit": found.unit,
        "bound": found.bound,
        "limit": found.limit,
        "side": found.side,
        "expanded": None
        if found.expanded is None or math.isinf(found.expanded)
        else found.expanded,
        "verdict": found.verdict.value,
        "text": found.text,
        "seq": seq,
    }


def _limit_rows(settings: SoakSettings, state: SoakState, own: OwnDrift) -> list[dict[str, Any]]:
    rows = []
    for at, (limit, track) in enumerate(zip(settings.limits, state.figures, strict=True)):
        if not track.series.totals.count:
            rows.append(_absent(limit))
            continue
        drift = drift_of(state, at)
        if limit.high is not None:
            rows.append(_judged(limit, track, drift, own, above=False))
        if limit.low is not None:
            rows.append(_judged(limit, track, drift, own, above=True))
        if limit.drift is not None:
            rows.append(_judged_drift(limit, drift, own, _hours(state)))
    return rows


def _absent(limit: SoakLimit) -> dict[str, Any]:
    """A figure that never had a value: nothing was measured, so going on may give an answer."""
    bound = next(one for one in (limit.high, limit.low, limit.drift) if one is not None)
    found = judge(None, limit=bound, expanded=None, unit=limit.unit)
    row = _row(limit.figure, replace(found, verdict=Verdict.INCOMPLETE))
    row["text"] = f"{limit.figure}: no sweep brought this figure"
    return row


# --- counts and coverage --------------------------------------------------------------------------


def _count_row(name: str, count: int, most: int, text: str) -> dict[str, Any]:
    found = judge(float(count), limit=float(most), expanded=0.0, unit="1")
    row = _row(name, found)
    row["text"] = f"{text}: {count} of {most} at most: {found.verdict.value}"
    return row


def _count_rows(settings: SoakSettings, state: SoakState) -> list[dict[str, Any]]:
    rows = []
    if settings.findings_at_most is not None:
        words = settings.findings_of or tuple(state.findings)
        count = sum(state.findings.get(word, 0) for word in words)
        which = ", ".join(settings.findings_of) or "all"
        rows.append(_count_row("findings", count, settings.findings_at_most, f"findings ({which})"))
    if settings.failed_passes_at_most is not None:
        failed = state.passes.get(Verdict.FAIL.value, 0)
        rows.append(
            _count_row("failed_passes", failed, settings.failed_passes_at_most, "failed passes")
        )
    return rows


def _coverage_row(settings: SoakSettings, state: SoakState) -> dict[str, Any]:
    """Listening over due sweeps: too few make a soak incomplete, never a failure."""
    share = state.listening
    wanted = settings.coverage_at_least
    found = judge(share, limit=wanted, expanded=0.0, side="above", unit="1")
    is_enough = found.verdict is Verdict.PASS
    verdict = Verdict.PASS if is_enough else Verdict.INCOMPLETE
    row = _row("coverage", replace(found, verdict=verdict))
    shown = "nothing was due" if share is None else f"{number_text(100.0 * share, 1)} %"
    row["text"] = (
        f"coverage: {shown} of {number_text(100.0 * wanted, 1)} % at least "
        f"({state.listened} sweeps listened, {state.stored} stored, {state.due} due): "
        f"{verdict.value}"
    )
    return row


# --- all of it ------------------------------------------------------------------------------------


def soak_verdict(settings: SoakSettings, state: SoakState, *, is_closed: bool) -> dict[str, Any]:
    """The verdict of a soak that is over, as plain data (the fields of a verdict message).

    It is of the time from the start of its first sweep to the end of its last one, however much
    later it is given. ``is_closed``: a closing reference was taken in time.
    """
    own = own_drift(settings, state, is_closed=is_closed)
    rows = [
        *_limit_rows(settings, state, own),
        *_count_rows(settings, state),
        _coverage_row(settings, state),
    ]
    outcome = combine(Verdict(row["verdict"]) for row in rows)
    notes = [own.text] if any(_has_levels(limit) for limit in settings.limits) else []
    if state.ways:
        notes.append(f"the way of sweeping changed {state.ways} times meanwhile")
    return {
        "of": "soak",
        "verdict": outcome.value,
        "text": _summed_up(settings, outcome, rows, notes),
        "at_s": state.last_end_s,
        "since_s": state.start_s,
        "first_seq": state.first_seq or None,
        "last_seq": state.last_seq or None,
        "coverage": None if state.coverage is None else round(state.coverage, 6),
        "against": [],
        "judgements": rows,
    }


def _has_levels(limit: SoakLimit) -> bool:
    return limit.unit.startswith("dB")


def _summed_up(
    settings: SoakSettings, outcome: Verdict, rows: Sequence[dict[str, Any]], notes: Sequence[str]
) -> str:
    """One sentence: what it came to, what decided it, and what was taken for granted."""
    told = f"{settings.name} of {duration_text(settings.length_s)} has ended: {outcome.value}"
    decided = [row["text"] for row in rows if row["verdict"] == outcome.value]
    if outcome is not Verdict.PASS and decided:
        told += f"; {decided[0]}"
        if len(decided) > 1:
            told += f"; and {len(decided) - 1} more"
    return "; ".join([told, *notes])


def excursion_text(limit: SoakLimit, one: Excursion) -> str:
    """The sentence for a figure that left its limits for the first time."""
    decimals = decimals_for(0.0, limit.unit)
    value = figure_text(one.reading.value, max(2, decimals))
    way = "above" if one.reading.value > one.limit else "below"
    return (
        f"{limit.figure} is {value} {limit.unit}, {way} its limit of "
        f"{figure_text(one.limit, max(1, decimals))} {limit.unit} for the first time in this soak"
    )


def excursion_figures(limit: SoakLimit, one: Excursion) -> dict[str, Figure]:
    """The same as numbers."""
    return {
        "figure": limit.figure,
        "value": one.reading.value,
        "limit": one.limit,
        "beyond": one.beyond,
    }
