"""The meter of kind ``reflection``: match, widths, limits, and the change since installation.

One sweep is a pass. Without a usable open reference (or, where a vector sweep has references that
do not fit) there are no figures: the summary says why in ``refused``, and one finding does.

Findings come on changes only: ``limit_exceeded`` and ``limit_met``, ``match_moved``,
``load_changed`` and ``load_as_it_was``, after two passes in a row that have it;
``reference_refused`` and ``reference_accepted`` at once; ``reference_old`` once for each reference.

The first sweep that is fit for it becomes the baseline. It lives in the state, so it lasts until
the job's config changes (its ``installed`` text, say); references may be taken anew meanwhile.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

from acqd.errors import UnitMismatch
from acqd.measure.live_curve import return_loss_curve
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
from acqd.measure.reflection_baseline import Baseline
from acqd.measure.reflection_limits import Judged, Standing, followed, settled
from acqd.measure.reflection_report import bounded_figures, number
from acqd.measure.reflection_sweep import Old, ReflectionSettings, Refused, measured
from acqd.measure.reflection_view import COLUMNS, Told, View, nothing, verdict_of
from acqd.measure.report import (
    finding_on,
    limit_finding,
    reference_accepted,
    reference_old,
    reference_refused,
)
from acqd.measure.verdict import Verdict
from acqd.measure.words import frequency_text, number_text
from acqd.sweep import LevelUnit, SweepFlag, SweepRequest

__all__ = ["ReflectionMeter", "ReflectionState", "reflection_pass"]

DOUBTFUL = (
    SweepFlag.NOT_FINITE
    | SweepFlag.HOP_FAILED
    | SweepFlag.REPEATED
    | SweepFlag.OVERLOAD
    | SweepFlag.TRANSMITTING
    | SweepFlag.SET_ASIDE
)
"""A sweep with one of these is no baseline."""

AS_IT_WAS = "as it was"
CHANGED = "changed"
CHANGED_SHARE = 0.01
"""A load has changed where this share of the points say so: one point may be a passing signal."""

OLD_MOST = 16
"""References whose age was told that are remembered."""


def reflection_pass(request: SweepRequest, sweeps: int = 1) -> Pass:
    """The pass of a reflection job: the same request ``sweeps`` times."""
    for _ in range(sweeps):
        yield PassStep(request=request)


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
    limits: tuple[Standing, ...] = ()
    load: Standing = field(default_factory=lambda: Standing(name="load", told=AS_IT_WAS))
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
        view = View(self.settings, setup, sweep, found)
        kind, findings = self._again(kind, sweep)
        kind, more = self._old(kind, found.old, sweep)
        findings += more
        is_new = kind.baseline is None
        if is_new and not sweep.flags & DOUBTFUL:
            kind = replace(kind, baseline=view.as_baseline())
        change = view.change(kind.baseline, is_new=is_new)
        limits, tell = followed(kind.limits, view.judgements)
        told, moved = view.moved(kind.told, kind.baseline)
        findings += [_limit_finding(one, sweep) for one in tell]
        findings += moved
        load, more = _load(kind.load, change, sweep)
        findings += more
        kind = replace(kind, limits=limits, told=told, load=load, hour=_counted(kind.hour, view))
        output = Output(
            summary=view.summary(change, is_baseline=is_new and kind.baseline is not None),
            columns=view.columns(change),
            values=view.values(change),
            findings=tuple(findings),
            verdict=view.verdict(),
            curve=return_loss_curve(view.frequency_hz, found.trace, view.range_hz, self.settings),
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
            findings.append(reference_refused(sweep, text))
        hour = replace(kind.hour, refused=kind.hour.refused + 1)
        kind = replace(kind, refused=why, hour=hour)
        verdict = None
        if self.settings.has_limits:
            verdict = verdict_of(Verdict.INCOMPLETE, f"not measured: {why}", [], sweep)
        return kind, Output(
            summary={**nothing(why), "verdict": verdict and verdict["verdict"]},
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
        return replace(kind, refused=None), [reference_accepted(sweep, text)]

    def _old(
        self, kind: ReflectionState, old: Sequence[Old], sweep: SweepSeen
    ) -> tuple[ReflectionState, list[FindingDraft]]:
        """Each reference is told of once, however old it gets."""
        known = set(kind.old)
        new = {(one.role.value, one.at_s): one for one in old if one.of_age}
        new = {key: one for key, one in new.items() if key not in known}
        if not new:
            return kind, []
        texts = "; ".join(one.text for one in new.values())
        job = self.settings.job
        text = f"{texts}: take it anew with `acqd reference {job} {next(iter(new))[0]}`"
        kept = (*kind.old, *new)[-OLD_MOST:]
        return replace(kind, old=kept), [reference_old(sweep, text)]


def _load(
    state: Standing, change: Mapping[str, Any] | None, sweep: SweepSeen
) -> tuple[Standing, list[FindingDraft]]:
    """Whether the load is what it was at installation, and the finding where that turns."""
    if change is None or change["moved_points"] is None:
        return state, []
    moved, points = change["moved_points"], change["points"]
    changed = moved > max(1.0, CHANGED_SHARE * points)
    state, is_new = settled(state, CHANGED if changed else AS_IT_WAS)
    if not is_new:
        return state, []
    figures = {key: change[key] for key in ("moved_points", "least_change", "least_change_hz")}
    if not changed:
        text = "the load is again what it was at installation, as far as can be told"
        return state, [finding_on(sweep, "load_as_it_was", text, figures)]
    text = (
        f"the load is not what it was at installation: its reflection moved by "
        f"{number_text(change['least_change'], 2)} at least at "
        f"{frequency_text(change['least_change_hz'])}"
    )
    return state, [finding_on(sweep, "load_changed", text, figures)]


def _limit_finding(one: Judged, sweep: SweepSeen) -> FindingDraft:
    limit = one.row["limit"]
    stands = "above the limit of" if one.verdict is Verdict.FAIL else "again within the limit of"
    return limit_finding(
        one.row,
        f"{one.sentence}: {stands} {limit:g}",
        at_s=sweep.started_s,
        seq=sweep.seq,
        figures={"name": one.name},
    )


def _counted(hour: HourSums, view: View) -> HourSums:
    best_hz = None if view.best is None else number(view.best.frequency_hz, 1)
    best = bounded_figures(None if view.best is None else view.best.value)["return_loss_db"]
    worst = bounded_figures(view.worst.value)["return_loss_db"]
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
