"""The part that a soak adds to each summary: how far it is, and how its limits stand."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from acqd.measure.running import Excursion, Reading
from acqd.measure.soak_settings import SoakLimit, SoakSettings
from acqd.measure.soak_state import FigureTrack, SoakState

__all__ = ["soak_part"]


def soak_part(settings: SoakSettings, state: SoakState, at_s: float) -> dict[str, Any]:
    """Plain data, the fields of the message's part; a soak that has begun only.

    Drifts and contexts are as of the last hour, or of the end.
    """
    assert state.start_s is not None
    ends_s = state.start_s + settings.length_s
    over = state.ended_s is not None or state.over_s is not None
    until_s = min(at_s, ends_s)
    trends: tuple[Mapping[str, Any], ...] = state.trends or ({},) * len(settings.limits)
    verdict = state.verdict
    return {
        "label": settings.label,
        "state": "ended" if verdict is not None else "closing" if over else "running",
        "started_s": state.start_s,
        "ends_s": ends_s,
        "elapsed_s": round(max(0.0, until_s - state.start_s), 3),
        "left_s": 0.0 if over else round(max(0.0, ends_s - until_s), 3),
        "first_seq": state.first_seq,
        "sweeps_stored": state.stored,
        "sweeps_due": state.due,
        "coverage": _share(state.coverage),
        "listening": _share(state.listening),
        "findings": sum(state.findings.values()),
        "passes": dict(state.passes),
        "references": state.references,
        "reference_change_db": _rounded(state.reference_db),
        "limits": [
            _limit_part(limit, track, trend)
            for limit, track, trend in zip(settings.limits, state.figures, trends, strict=True)
        ],
        "verdict": None if verdict is None else verdict["verdict"],
    }


def _limit_part(limit: SoakLimit, track: FigureTrack, trend: Mapping[str, Any]) -> dict[str, Any]:
    totals = track.series.totals
    return {
        "figure": limit.figure,
        "unit": limit.unit,
        "of": limit.of,
        "at_most": limit.high,
        "at_least": limit.low,
        "drift_at_most": limit.drift,
        "readings": totals.count,
        "missing": totals.missing,
        "last": _value(totals.last),
        "mean": _rounded(totals.mean),
        "least": _value(totals.least),
        "greatest": _value(totals.greatest),
        "outside": totals.outside,
        "first_outside": _excursion(totals.first_outside),
        "worst_outside": _excursion(totals.worst_outside),
        "drift_per_h": trend.get("drift_per_h"),
        "drift_per_h_low": trend.get("drift_per_h_low"),
        "drift_per_h_high": trend.get("drift_per_h_high"),
        "drift_reason": trend.get("drift_reason"),
        "contexts": list(trend.get("contexts", ())),
    }


def _excursion(one: Excursion | None) -> dict[str, Any] | None:
    if one is None:
        return None
    reading = one.reading
    return {
        "seq": reading.seq,
        "at_s": reading.at_s,
        "value": _rounded(reading.value),
        "beyond": _rounded(one.beyond),
    }


def _value(one: Reading | None) -> float | None:
    return None if one is None else _rounded(one.value)


def _rounded(value: float) -> float | None:
    return round(value, 6) if math.isfinite(value) else None


def _share(value: float | None) -> float | None:
    return None if value is None else round(value, 6)
