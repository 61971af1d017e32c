"""The part of a summary that a carrier job makes, as plain data."""

from __future__ import annotations

import math
from typing import Any

from acqd.measure.budget import Budget
from acqd.measure.carrier_look import Heard
from acqd.measure.carrier_trend import CarrierTrend, DriftFigures, WarmUpFigures
from acqd.measure.meter import SetupChanged
from acqd.measure.report import rounded
from acqd.measure.words import unit_suffix

__all__ = ["drift_told", "expanded", "peak_figures", "reading_told", "warm_up_told"]


def expanded(budget: Budget | None) -> float:
    """U at k = 2; NaN without a budget."""
    return math.nan if budget is None else budget.expanded


def peak_figures(setup: SetupChanged, heard: Heard) -> dict[str, Any]:
    """What a finding has of the reading."""
    return {
        "frequency_hz": round(heard.peak.frequency_hz, 4),
        f"level_{unit_suffix(setup.unit)}": round(heard.peak.level_db, 3),
    }


def reading_told(heard: Heard | None, expected_hz: float, suffix: str) -> dict[str, Any]:
    """The reading itself: figures, what noise and place leave open, bias, U, and U in words."""
    peak = None if heard is None else heard.peak
    offset_hz = None if peak is None else peak.frequency_hz - expected_hz
    level = None if heard is None else heard.level
    frequency = None if heard is None else heard.frequency
    return {
        "frequency_hz": rounded(None if peak is None else peak.frequency_hz, 4),
        "offset_hz": rounded(offset_hz, 4),
        "offset_ppm": rounded(None if offset_hz is None else 1e6 * offset_hz / expected_hz, 6),
        "frequency_expanded_hz": rounded(expanded(frequency), 4),
        "frequency_u_hz": rounded(None if peak is None else peak.u_hz, 4),
        "frequency_bias_hz": rounded(None if peak is None else peak.bias_hz, 4),
        f"level_{suffix}": rounded(None if peak is None else peak.level_db, 4),
        "level_expanded_db": rounded(expanded(level), 4),
        "level_u_db": rounded(None if peak is None else peak.u_db, 4),
        "level_bias_low_db": rounded(None if peak is None else peak.bias_low_db, 4),
        "level_bias_high_db": rounded(None if peak is None else peak.bias_high_db, 4),
        "width_hz": rounded(None if peak is None else peak.width_hz, 3),
        "interpolated": False if peak is None else peak.interpolated,
        "note": None if peak is None else peak.reason,
        "frequency_uncertainty": None if frequency is None else frequency.sentence(),
        "level_uncertainty": None if level is None else level.sentence(),
    }


def drift_told(trend: CarrierTrend | None, expected_hz: float) -> dict[str, Any] | None:
    """Drifts in Hz, ppm and dB an hour; None before they were worked out."""
    found: DriftFigures | None = None if trend is None else trend.drift
    if found is None:
        return None
    ppm = 1e6 / expected_hz
    return {
        "at_s": found.at_s,
        "from_s": found.from_s,
        "readings": found.readings,
        "hz_per_h": rounded(found.hz_per_h, 6),
        "hz_per_h_low": rounded(found.hz_per_h_low, 6),
        "hz_per_h_high": rounded(found.hz_per_h_high, 6),
        "ppm_per_h": rounded(found.hz_per_h * ppm, 9),
        "ppm_per_h_low": rounded(found.hz_per_h_low * ppm, 9),
        "ppm_per_h_high": rounded(found.hz_per_h_high * ppm, 9),
        "frequency_reason": found.frequency_reason,
        "db_per_h": rounded(found.db_per_h, 6),
        "db_per_h_low": rounded(found.db_per_h_low, 6),
        "db_per_h_high": rounded(found.db_per_h_high, 6),
        "level_reason": found.level_reason,
    }


def warm_up_told(found: WarmUpFigures | None) -> dict[str, Any] | None:
    """A warm-up that is over; the droop is how far the frequency moved until it settled."""
    if found is None:
        return None
    return {
        "from_s": found.from_s,
        "settled_s": found.settled_s,
        "droop_hz": rounded(-found.amplitude_hz, 3),
        "droop_u_hz": rounded(found.u_amplitude_hz, 3),
        "tau_s": rounded(found.tau_s, 3),
        "tau_u_s": rounded(found.u_tau_s, 3),
        "within_hz": rounded(found.within_hz, 3),
    }
