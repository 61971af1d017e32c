"""One sweep of a reflection looked at from all sides: figures, limits, and what has moved."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from acqd.measure.match import Match, at_frequencies, best_match, bounded_text, resonances
from acqd.measure.meter import FindingDraft, SetupChanged, SweepSeen
from acqd.measure.reflection_baseline import (
    POINTS_MOST,
    Baseline,
    baseline_of,
    change_figures,
    nearest_match,
)
from acqd.measure.reflection_change import MatchChange, match_change
from acqd.measure.reflection_limits import PASSES_TO_TELL, Judged, judged, sure, worst_in
from acqd.measure.reflection_report import (
    RESONANCES_MOST,
    bounded_figures,
    budget_of,
    budget_rows,
    match_figures,
    named_figures,
    number,
    of_bridge,
    reference_rows,
    unique,
    worst_figures,
)
from acqd.measure.reflection_sweep import ASSUMED_REPEATABILITY_DB, Measured, ReflectionSettings
from acqd.measure.report import finding_on, pass_verdict
from acqd.measure.trust import spoilt_by
from acqd.measure.verdict import Verdict, combine
from acqd.measure.words import frequency_text, number_text

__all__ = ["COLUMNS", "Told", "View", "nothing", "verdict_of"]

COLUMNS = (
    "best_match_hz",
    "best_return_loss_db",
    "best_return_loss_low_db",
    "best_swr",
    "worst_return_loss_db",
    "worst_swr",
    "match_shift_hz",
    "return_loss_change_db",
)
"""Figures that stand beside each sweep in the archive; NaN where there is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Where the best match was told to be last, and how many passes in a row had it elsewhere."""

    match: Match
    passes: int = 0


class View:
    """One measured sweep, looked at from all sides."""

    def __init__(
        self,
        settings: ReflectionSettings,
        setup: SetupChanged,
        sweep: SweepSeen,
        found: Measured,
    ) -> None:
        self.settings = settings
        self.setup = setup
        self.sweep = sweep
        self.found = found
        self.frequency_hz = setup.grid.frequency_hz
        trace = found.trace
        self.best = best_match(self.frequency_hz, trace, swr_levels=settings.swr_levels)
        self.dips = resonances(
            self.frequency_hz,
            trace,
            largest_swr=settings.swr_levels[-1],
            swr_levels=settings.swr_levels,
        )
        start_hz, stop_hz = settings.range_hz or (
            float(self.frequency_hz[0]),
            float(self.frequency_hz[-1]),
        )
        self.range_hz = (start_hz, stop_hz)
        self.named = at_frequencies(self.frequency_hz, trace, settings.named_hz)
        self.worst = worst_in(self.frequency_hz, trace, start_hz, stop_hz)
        self.spoilt = spoilt_by(sweep.flags)
        self.judgements = self._judged()

    @property
    def matches(self) -> tuple[Match, ...]:
        """The best match first, then the other dips."""
        return () if self.best is None else (self.best, *self.dips)

    def _judged(self) -> tuple[Judged, ...]:
        """The limits in the order of the config, by the ± 2u interval."""
        settings = self.settings
        if not settings.has_limits:
            return ()
        trace = sure(self.found.trace)
        out = []
        if settings.max_swr is not None:
            worst = worst_in(self.frequency_hz, trace, *self.range_hz)
            out.append(judged(worst, max_swr=settings.max_swr, guard=settings.guard))
        for one in at_frequencies(self.frequency_hz, trace, settings.named_hz):
            if one.name in settings.max_swr_at:
                most = settings.max_swr_at[one.name]
                out.append(judged(one, max_swr=most, guard=settings.guard))
        if self.spoilt is None:
            return tuple(out)
        # Nothing that it shows keeps a limit, or passes one.
        said = {"verdict": Verdict.INCOMPLETE.value, "text": self.spoilt}
        return tuple(
            replace(one, verdict=Verdict.INCOMPLETE, row={**one.row, **said}) for one in out
        )

    # -- since installation ------------------------------------------------------------------------

    def as_baseline(self) -> Baseline | None:
        return baseline_of(
            self.frequency_hz,
            self.found.trace,
            seq=self.sweep.seq,
            at_s=self.sweep.started_s,
            installed=self.settings.installed,
            identity=self.setup.identity,
            swr_levels=self.settings.swr_levels,
        )

    def change(self, baseline: Baseline | None, *, is_new: bool) -> dict[str, Any] | None:
        if baseline is None or is_new or self.best is None:
            return None
        stated = self.settings.repeatability_db
        return change_figures(
            baseline,
            self.frequency_hz,
            self.found.trace,
            self.matches,
            identity=self.setup.identity,
            repeatability_db=ASSUMED_REPEATABILITY_DB if stated is None else stated,
        )

    def moved(
        self, told: Told | None, baseline: Baseline | None
    ) -> tuple[Told | None, list[FindingDraft]]:
        """Where the best match is told to be, and the finding where it is surely elsewhere."""
        if baseline is None or self.best is None or self.spoilt is not None:
            return told, []
        told = told or Told(match=baseline.match)
        now = nearest_match(self.matches, told.match.frequency_hz)
        if not match_change(now, told.match).surely_shifted:
            return replace(told, passes=0), []
        if told.passes + 1 < PASSES_TO_TELL:
            return replace(told, passes=told.passes + 1), []
        since = match_change(now, baseline.match)
        was = frequency_text(baseline.match.frequency_hz)
        if since.surely_shifted:
            text = (
                f"best match moved from {was} at installation to "
                f"{frequency_text(now.frequency_hz)}: by {_shift_text(since)}"
            )
        else:
            text = f"best match is back where it was at installation ({was})"
        figures = {
            "match_hz": number(now.frequency_hz, 1),
            "was_hz": number(told.match.frequency_hz, 1),
            "installed_hz": number(baseline.match.frequency_hz, 1),
            "shift_hz": number(since.shift_hz, 1),
            "shift_low_hz": number(since.shift_low_hz, 1),
            "shift_high_hz": number(since.shift_high_hz, 1),
        }
        return Told(match=now), [finding_on(self.sweep, "match_moved", text, figures)]

    # -- what goes out -----------------------------------------------------------------------------

    def summary(self, change: dict[str, Any] | None, *, is_baseline: bool) -> dict[str, Any]:
        found, best = self.found, self.best
        notes = [*(f"{one.text}" for one in found.old), *found.notes]
        if is_baseline:
            notes.append("this sweep is kept as what it was at installation")
        if self.frequency_hz.size > POINTS_MOST:
            notes.append(f"no change since installation: that needs {POINTS_MOST} points or fewer")
        if best is None:
            notes.append("no level in the sweep can be compared with the references")
        elif best.at_edge:
            notes.append("the best match is at the end of the sweep: it may be better beyond")
        budget = None if best is None else budget_of(found, self._best_index)
        dominant = None if budget is None else budget.dominant
        words = [one.verdict for one in self.judgements]
        return {
            **nothing(None),
            "way": found.way.value,
            "best": None if best is None else match_figures(best),
            "best_text": "" if best is None else bounded_text(best.value),
            "best_magnitude_u": None if budget is None else number(budget.u_combined, 7),
            "budget": [] if budget is None else budget_rows(budget),
            "dominant": None if dominant is None else dominant.component.name,
            "resonances": [match_figures(one) for one in self._strongest()],
            "resonances_count": len(self.dips),
            "named": [named_figures(one) for one in self.named],
            "worst": worst_figures(self.worst),
            "change": change,
            **of_bridge(found.trace),
            "floor_known": found.floor_known,
            "scale_limit_db": number(found.scale_limit_db, 3),
            "drift_limit_db": number(found.drift_limit_db, 3),
            "assumed": list(found.assumed),
            "references": reference_rows(found, self.sweep.started_s),
            "notes": unique(notes),
            "verdict": combine(words).value if words else None,
        }

    @property
    def _best_index(self) -> int:
        return int(np.nanargmin(self.found.trace.magnitude))

    def _strongest(self) -> list[Match]:
        """The best dips, in rising order of frequency."""
        best = sorted(self.dips, key=lambda dip: (dip.value.magnitude, dip.frequency_hz))
        return sorted(best[:RESONANCES_MOST], key=lambda dip: dip.frequency_hz)

    def columns(self, change: Mapping[str, Any] | None) -> dict[str, float]:
        figures = self._figures(change)
        return {name: math.nan if figures[name] is None else figures[name] for name in COLUMNS}

    def values(self, change: Mapping[str, Any] | None) -> dict[str, float]:
        figures = self._figures(change)
        for one in self.named:
            figures[f"swr_{one.name}"] = bounded_figures(one.value)["swr"]
        return {name: value for name, value in figures.items() if value is not None}

    def _figures(self, change: Mapping[str, Any] | None) -> dict[str, Any]:
        best = bounded_figures(None if self.best is None else self.best.value)
        worst = bounded_figures(self.worst.value)
        since = change or {}
        return {
            "best_match_hz": None if self.best is None else number(self.best.frequency_hz, 1),
            "best_return_loss_db": best["return_loss_db"],
            "best_return_loss_low_db": best["return_loss_low_db"],
            "best_swr": best["swr"],
            "worst_return_loss_db": worst["return_loss_db"],
            "worst_swr": worst["swr"],
            "match_shift_hz": since.get("match_shift_hz"),
            "return_loss_change_db": since.get("return_loss_change_db"),
        }

    def verdict(self) -> dict[str, Any] | None:
        if not self.judgements:
            return None
        whole = combine(one.verdict for one in self.judgements)
        of_it = [one for one in self.judgements if one.verdict is whole]
        text = "; ".join(dict.fromkeys(one.row["text"] for one in of_it))[:2000]
        rows = [{**one.row, "seq": self.sweep.seq} for one in self.judgements]
        return verdict_of(whole, text, rows, self.sweep)


def _shift_text(change: MatchChange) -> str:
    """−5.53 MHz (−6.90 to −4.20); −620 kHz (−700 to −540)."""
    scale, unit, decimals = (1e6, "MHz", 2) if abs(change.shift_hz) >= 1e6 else (1e3, "kHz", 0)
    shift, low, high = (
        number_text(hz / scale, decimals)
        for hz in (change.shift_hz, change.shift_low_hz, change.shift_high_hz)
    )
    return f"{shift} {unit} ({low} to {high})"


def nothing(why: str | None) -> dict[str, Any]:
    """A summary without figures."""
    return {
        "refused": why,
        "way": None,
        "best": None,
        "best_text": "",
        "best_magnitude_u": None,
        "budget": [],
        "dominant": None,
        "resonances": [],
        "resonances_count": 0,
        "named": [],
        "worst": None,
        "change": None,
        "directivity_db": None,
        "directivity_from": None,
        "source_match_db": None,
        "source_match_from": None,
        "cable_loss_db": None,
        "points": 0,
        "missing_points": 0,
        "over_unity_points": 0,
        "surely_over_unity_points": 0,
        "at_least_points": 0,
        "floor_limited_points": 0,
        "floor_known": False,
        "scale_limit_db": None,
        "drift_limit_db": None,
        "assumed": [],
        "references": [],
        "notes": [],
        "verdict": None,
    }


def verdict_of(
    verdict: Verdict, text: str, rows: list[dict[str, Any]], sweep: SweepSeen
) -> dict[str, Any]:
    return pass_verdict(verdict, text, rows, sweeps=[sweep])
