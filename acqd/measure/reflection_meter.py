"""The meter of kind ``reflection``: match, widths, limits, and the change since installation.

One sweep is a pass. Without a usable open reference (or, where a vector sweep has references that
do not fit) there are no figures: the summary says why in ``refused``, and one finding does.

Findings come on changes only: ``swr_limit_passed`` and ``swr_limit_kept``, ``match_moved``, after
two passes in a row that have it; ``reference_refused`` and ``figures_again`` at once;
``reference_old`` once for each reference.

The first sweep that is fit for it becomes the baseline. It lives in the state, so it lasts until
the job's config changes (its ``installed`` text, say); references may be taken anew meanwhile.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

import numpy as np

from acqd.errors import UnitMismatch
from acqd.measure.match import Match, at_frequencies, best_match, bounded_text, resonances
from acqd.measure.meter import (
    FindingDraft,
    HourTurned,
    Output,
    Pass,
    PassStep,
    SetupChanged,
    SweepSeen,
)
from acqd.measure.passmeter import PassMeter, Seen
from acqd.measure.reflection_baseline import (
    POINTS_MOST,
    Baseline,
    baseline_of,
    change_figures,
    nearest_match,
)
from acqd.measure.reflection_change import match_change
from acqd.measure.reflection_limits import (
    PASSES_TO_TELL,
    Judged,
    LimitState,
    Worst,
    followed,
    judged,
    sure,
    worst_in,
)
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
from acqd.measure.reflection_sweep import (
    ASSUMED_REPEATABILITY_DB,
    Measured,
    Old,
    ReflectionSettings,
    Refused,
    measured,
)
from acqd.measure.verdict import Verdict, combine
from acqd.measure.words import frequency_text
from acqd.sweep import LevelUnit, SweepFlag, SweepRequest

__all__ = ["ReflectionMeter", "ReflectionState", "reflection_pass"]

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

DOUBTFUL = (
    SweepFlag.NOT_FINITE
    | SweepFlag.HOP_FAILED
    | SweepFlag.REPEATED
    | SweepFlag.OVERLOAD
    | SweepFlag.TRANSMITTING
)
"""A sweep with one of these is no baseline."""

OLD_MOST = 16
"""References whose age was told that are remembered."""


def reflection_pass(request: SweepRequest, sweeps: int = 1) -> Pass:
    """The pass of a reflection job: the same request ``sweeps`` times."""
    for _ in range(sweeps):
        yield PassStep(request=request)


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Where the best match was told to be last, and how many passes in a row had it elsewhere."""

    match: Match
    passes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class HourSums:
    """What the running hour saw. Ends of ranges are None before the first figure."""

    measured: int = 0
    refused: int = 0
    best_low_hz: float | None = None
    best_high_hz: float | None = None
    best_return_loss_low_db: float | None = None
    best_return_loss_high_db: float | None = None
    worst_return_loss_low_db: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReflectionState:
    """What the kind remembers between passes."""

    baseline: Baseline | None = None
    told: Told | None = None
    limits: tuple[LimitState, ...] = ()
    refused: str | None = None
    old: tuple[tuple[str, float], ...] = ()
    """Role and time of the references whose age was told."""
    hour: HourSums = field(default_factory=HourSums)


class ReflectionMeter(PassMeter[ReflectionState]):
    """Measures what a bridge shows of a load, pass by pass."""

    version: ClassVar[str] = "reflection-1"
    kind_type: ClassVar[type[Any]] = ReflectionState

    def __init__(self, settings: ReflectionSettings) -> None:
        self.settings = settings

    def fresh(self) -> ReflectionState:
        return ReflectionState()

    def on_setup(
        self, kind: ReflectionState, event: SetupChanged
    ) -> tuple[ReflectionState, Output]:
        if not (event.unit.is_logarithmic or event.unit is LevelUnit.RATIO):
            raise UnitMismatch(
                what="kind reflection", needs="levels in dB or complex ratios", got=str(event.unit)
            )
        return kind, Output()

    def measure(
        self, kind: ReflectionState, seen: tuple[Seen, ...], *, complete: bool
    ) -> tuple[ReflectionState, Output]:
        setup, sweep = seen[-1].setup, seen[-1].sweep
        found = measured(self.settings, setup, sweep)
        if isinstance(found, Refused):
            return self._refused(kind, found.why, sweep)
        pass_ = _Pass(self.settings, setup, sweep, found)
        kind, findings = self._again(kind, sweep)
        kind, more = self._old(kind, found.old, sweep)
        findings += more
        is_new = kind.baseline is None
        if is_new and not sweep.flags & DOUBTFUL:
            kind = replace(kind, baseline=pass_.as_baseline())
        change = pass_.change(kind.baseline, is_new=is_new)
        limits, tell = followed(kind.limits, pass_.judgements)
        told, moved = pass_.moved(kind.told, kind.baseline)
        findings += [_limit_finding(one, sweep) for one in tell]
        findings += moved
        kind = replace(kind, limits=limits, told=told, hour=_counted(kind.hour, pass_))
        output = Output(
            summary=pass_.summary(change, is_baseline=is_new and kind.baseline is not None),
            columns=pass_.columns(change),
            values=pass_.values(change),
            findings=tuple(findings),
            verdict=pass_.verdict(),
        )
        return kind, output

    def on_hour(
        self, kind: ReflectionState, event: HourTurned
    ) -> tuple[ReflectionState, Mapping[str, Any]]:
        hour = kind.hour
        figures = {
            "measured": hour.measured,
            "refused": hour.refused,
            "best_match_low_hz": hour.best_low_hz,
            "best_match_high_hz": hour.best_high_hz,
            "best_return_loss_low_db": hour.best_return_loss_low_db,
            "best_return_loss_high_db": hour.best_return_loss_high_db,
            "worst_return_loss_low_db": hour.worst_return_loss_low_db,
        }
        return replace(kind, hour=HourSums()), figures

    # -- what is told besides figures --------------------------------------------------------------

    def _refused(
        self, kind: ReflectionState, why: str, sweep: SweepSeen
    ) -> tuple[ReflectionState, Output]:
        findings = []
        if kind.refused != why:
            text = f"no figures of the reflection: {why}"
            findings.append(_finding("reference_refused", text, sweep))
        hour = replace(kind.hour, refused=kind.hour.refused + 1)
        kind = replace(kind, refused=why, hour=hour)
        verdict = None
        if self.settings.has_limits:
            verdict = _verdict(Verdict.INCOMPLETE, f"not measured: {why}", [], sweep)
        return kind, Output(
            summary={**_nothing(why), "verdict": verdict and verdict["verdict"]},
            columns=dict.fromkeys(COLUMNS, math.nan),
            findings=tuple(findings),
            verdict=verdict,
        )

    def _again(
        self, kind: ReflectionState, sweep: SweepSeen
    ) -> tuple[ReflectionState, list[FindingDraft]]:
        if kind.refused is None:
            return kind, []
        text = "there are figures of the reflection again"
        return replace(kind, refused=None), [_finding("figures_again", text, sweep)]

    def _old(
        self, kind: ReflectionState, old: Sequence[Old], sweep: SweepSeen
    ) -> tuple[ReflectionState, list[FindingDraft]]:
        """Each reference is told of once, however old it gets."""
        known = set(kind.old)
        new = {(one.role.value, one.at_s): one for one in old}
        new = {key: one for key, one in new.items() if key not in known}
        if not new:
            return kind, []
        texts = "; ".join(one.text for one in new.values())
        job = self.settings.job
        text = f"{texts}: take it anew with `acqd reference {job} {next(iter(new))[0]}`"
        kept = (*kind.old, *new)[-OLD_MOST:]
        return replace(kind, old=kept), [_finding("reference_old", text, sweep)]


class _Pass:
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
            worst: Worst = worst_in(self.frequency_hz, trace, *self.range_hz)
            out.append(judged(worst, max_swr=settings.max_swr, guard=settings.guard))
        for one in at_frequencies(self.frequency_hz, trace, settings.named_hz):
            if one.name in settings.max_swr_at:
                most = settings.max_swr_at[one.name]
                out.append(judged(one, max_swr=most, guard=settings.guard))
        return tuple(out)

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
        if baseline is None or self.best is None:
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
            text = f"{since} since installation (it was at {was})"
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
        return Told(match=now), [_finding("match_moved", text, self.sweep, figures)]

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
            **_nothing(None),
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
        text = "; ".join(one.row["text"] for one in of_it)[:2000]
        rows = [{**one.row, "seq": self.sweep.seq} for one in self.judgements]
        return _verdict(whole, text, rows, self.sweep)


# --- plain data -----------------------------------------------------------------------------------


def _nothing(why: str | None) -> dict[str, Any]:
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


def _verdict(
    verdict: Verdict, text: str, rows: list[dict[str, Any]], sweep: SweepSeen
) -> dict[str, Any]:
    return {
        "of": "pass",
        "verdict": verdict.value,
        "text": text,
        "at_s": sweep.started_s,
        "since_s": sweep.started_s,
        "first_seq": sweep.seq,
        "last_seq": sweep.seq,
        "coverage": None,
        "against": [],
        "judgements": rows,
    }


def _finding(
    what: str, text: str, sweep: SweepSeen, figures: Mapping[str, Any] | None = None
) -> FindingDraft:
    return FindingDraft(
        what=what, at_s=sweep.started_s, text=text, seq=sweep.seq, figures=figures or {}
    )


def _limit_finding(one: Judged, sweep: SweepSeen) -> FindingDraft:
    limit = one.row["limit"]
    if one.verdict is Verdict.FAIL:
        what, text = "swr_limit_passed", f"{one.sentence}: above the limit of {limit:g}"
    else:
        what, text = "swr_limit_kept", f"{one.sentence}: within the limit of {limit:g} again"
    figures = {"limit": limit, "swr": one.row["value"], "expanded": one.row["expanded"]}
    return _finding(what, text, sweep, {**figures, "where": one.name})


def _counted(hour: HourSums, pass_: _Pass) -> HourSums:
    best_hz = None if pass_.best is None else number(pass_.best.frequency_hz, 1)
    best = bounded_figures(None if pass_.best is None else pass_.best.value)["return_loss_db"]
    worst = bounded_figures(pass_.worst.value)["return_loss_db"]
    return replace(
        hour,
        measured=hour.measured + 1,
        best_low_hz=_least(hour.best_low_hz, best_hz),
        best_high_hz=_most(hour.best_high_hz, best_hz),
        best_return_loss_low_db=_least(hour.best_return_loss_low_db, best),
        best_return_loss_high_db=_most(hour.best_return_loss_high_db, best),
        worst_return_loss_low_db=_least(hour.worst_return_loss_low_db, worst),
    )


def _least(a: float | None, b: float | None) -> float | None:
    return min((one for one in (a, b) if one is not None), default=None)


def _most(a: float | None, b: float | None) -> float | None:
    return max((one for one in (a, b) if one is not None), default=None)
