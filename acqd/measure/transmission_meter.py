"""The meter of kind ``transmission``: from a sweep and its through to what the device is.

A pass is one sweep. Figures are of that sweep; what is remembered is only what was told last, so
that findings come on change. Without a through that fits there are no figures, and the summary
says why.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

from acqd.errors import UnitMismatch
from acqd.measure.budget import Budget
from acqd.measure.live_curve import loss_curve
from acqd.measure.meter import FindingDraft, Output, Pass, PassStep, Reference, SetupChanged
from acqd.measure.passmeter import PassMeter, Seen
from acqd.measure.references import age_notes
from acqd.measure.report import (
    finding_on,
    judgement_row,
    limit_finding,
    pass_verdict,
    reference_accepted,
    reference_old,
    reference_refused,
    rounded,
)
from acqd.measure.transmission_figures import View, figures, view_of
from acqd.measure.transmission_settings import TransmissionSettings
from acqd.measure.transmission_sweep import losses_of, through_of
from acqd.measure.transmission_text import response_text
from acqd.measure.transmission_uncertainty import LossUncertainty, elapsed, uncertainty_of
from acqd.measure.transmission_verdict import Judged, judged, verdict_text
from acqd.measure.trust import spoilt_by
from acqd.measure.verdict import Verdict, rule_text
from acqd.sweep import LevelUnit, SweepRequest

__all__ = [
    "COLUMNS",
    "SETTLED",
    "TransmissionMeter",
    "TransmissionState",
    "transmission_pass",
]

SETTLED = 3
"""Passes in a row that show another kind of response before that is told."""

COLUMNS = (
    "least_loss_db",
    "centre_hz",
    "width_3db_hz",
    "lower_edge_hz",
    "upper_edge_hz",
    "ripple_db",
    "notch_depth_db",
    "rejection_db",
    "pad_db",
    "flatness_db",
    "delay_s",
)
"""Figures per sweep in the archive, whatever the device is; NaN where there is none."""

NAMED_COLUMN = "loss_{}_db"


def transmission_pass(request: SweepRequest, sweeps: int = 1) -> Pass:
    """The pass of a transmission job: the same request ``sweeps`` times."""
    for _ in range(sweeps):
        yield PassStep(request=request)


@dataclass(frozen=True, slots=True, kw_only=True)
class TransmissionState:
    """What was told last. ``other`` is another kind seen ``other_count`` times in a row."""

    response: str | None = None
    other: str | None = None
    other_count: int = 0
    refused: str | None = None
    old_s: float | None = None
    """When the through was taken whose age was told last."""
    limits: Mapping[str, str] = field(default_factory=dict)


class TransmissionMeter(PassMeter[TransmissionState]):
    """Losses against a through, pass by pass."""

    version: ClassVar[str] = "transmission-1"
    kind_type: ClassVar[type[Any]] = TransmissionState

    def __init__(self, settings: TransmissionSettings) -> None:
        self.settings = settings

    def fresh(self) -> TransmissionState:
        return TransmissionState()

    def on_setup(
        self, kind: TransmissionState, event: SetupChanged
    ) -> tuple[TransmissionState, Output]:
        if not event.unit.is_logarithmic and event.unit is not LevelUnit.RATIO:
            raise UnitMismatch(
                what="a loss", needs="decibels or complex ratios", got=str(event.unit)
            )
        return kind, Output()

    def measure(
        self, kind: TransmissionState, seen: tuple[Seen, ...], *, complete: bool
    ) -> tuple[TransmissionState, Output]:
        one = seen[0]
        through, refused = through_of(one.setup, self.settings.job)
        if refused is not None:
            return self._refused(kind, one, refused)
        return self._losses(kind, one, through)

    # -- without a through -----------------------------------------------------------------------

    def _refused(
        self, kind: TransmissionState, one: Seen, why: str
    ) -> tuple[TransmissionState, Output]:
        findings: tuple[FindingDraft, ...] = ()
        if kind.refused != why:
            findings = (reference_refused(one.sweep, f"no losses are measured: {why}"),)
        kind = replace(kind, refused=why, other=None, other_count=0)
        return kind, Output(
            summary={**_empty(), "refused": why},
            columns=self._columns({}),
            findings=findings,
            verdict=self._no_verdict(one, why) if self.settings.has_limits else None,
        )

    def _no_verdict(self, one: Seen, text: str) -> dict[str, Any]:
        return _verdict(one, Verdict.INCOMPLETE, f"nothing was measured: {text}", [])

    # -- with one --------------------------------------------------------------------------------

    def _losses(
        self, kind: TransmissionState, one: Seen, through: Reference | None
    ) -> tuple[TransmissionState, Output]:
        settings, setup, sweep = self.settings, one.setup, one.sweep
        losses = losses_of(setup, sweep, through, settings)
        view = view_of(losses, settings)
        temperature_c = sweep.context.get(settings.temperature or "")
        u = uncertainty_of(
            setup,
            settings,
            least_db=0.0 if view.main is None else view.main.least_db,
            since=None if through is None else elapsed(through, sweep, temperature_c),
            curve=losses.curve,
        )
        found = figures(view, setup.grid, settings, u)
        ages = self._ages(through, sweep.started_s, temperature_c)
        summary = {
            **_empty(),
            **found,
            "response": view.response.kind.value,
            "text": response_text(view.response.kind.value, found),
            "start_hz": rounded(view.response.start_hz, 1),
            "stop_hz": rounded(view.response.stop_hz, 1),
            "points": losses.curve.points,
            "vector": losses.s21 is not None,
            "floor_from": None if losses.floor is None else losses.floor.origin,
            "dynamic_range_db": rounded(losses.dynamic_range_db, 2),
            "noise_db": rounded(view.noise_db, 4),
            "reference": _reference(through, sweep.started_s),
            "notes": _notes(view, losses.notes, ages),
            **_budget(view, found, settings, u),
        }
        verdicts = judged(found, settings, spoilt=spoilt_by(sweep.flags))
        kind, findings = self._findings(kind, one, summary, through, verdicts)
        values = self._values(view, found)
        return kind, Output(
            summary=summary,
            columns=self._columns(values),
            values=values,
            findings=findings,
            verdict=self._judged(one, verdicts) if settings.has_limits else None,
            curve=loss_curve(view, found, setup.grid, settings),
        )

    def _ages(
        self, through: Reference | None, at_s: float, temperature_c: float | None = None
    ) -> tuple[str, ...]:
        if through is None:
            return ()
        return age_notes(
            through, at_s, max_age_s=self.settings.max_age_s, temperature_c=temperature_c
        )

    def _judged(self, one: Seen, found: tuple[Judged, ...]) -> dict[str, Any]:
        whole, text = verdict_text(found)
        judgements = [
            judgement_row(each.figure, each.judgement, seq=one.sweep.seq) for each in found
        ]
        against = f"limits of the config; {rule_text(self.settings.guard)}"
        return _verdict(one, whole, text, judgements, against=[against])

    def _values(self, view: View, found: Mapping[str, Any]) -> dict[str, float]:
        """The bare figures, those that there are."""
        pair, pad = view.pair, found["pad"] or {}
        rejections = [one["rejection_db"] for one in found["stopbands"]]
        known = [one for one in rejections if one is not None]
        values: dict[str, float | None] = {
            "least_loss_db": None if view.main is None else rounded(view.main.least_db, 4),
            "centre_hz": None if pair is None else rounded(pair.centre_hz, 1),
            "width_3db_hz": None if pair is None else rounded(pair.bandwidth_hz, 1),
            "lower_edge_hz": None if pair is None else rounded(pair.lower.frequency_hz, 1),
            "upper_edge_hz": None if pair is None else rounded(pair.upper.frequency_hz, 1),
            "ripple_db": (found["passband"] or {}).get("ripple_db"),
            "notch_depth_db": None if view.notch is None else rounded(view.notch.depth_db, 4),
            "rejection_db": min(known) if known else None,
            "pad_db": pad.get("value_db"),
            "flatness_db": pad.get("flatness_db"),
            "delay_s": (found["delay"] or {}).get("centre_s"),
        }
        for one in found["named"]:
            values[NAMED_COLUMN.format(one["name"])] = one["loss_db"]
        return {name: value for name, value in values.items() if value is not None}

    def _columns(self, values: Mapping[str, float]) -> dict[str, float]:
        named = (NAMED_COLUMN.format(one.name) for one in self.settings.named)
        return {name: values.get(name, math.nan) for name in (*COLUMNS, *named)}

    # -- what is told ----------------------------------------------------------------------------

    def _findings(
        self,
        kind: TransmissionState,
        one: Seen,
        summary: Mapping[str, Any],
        through: Reference | None,
        verdicts: tuple[Judged, ...],
    ) -> tuple[TransmissionState, tuple[FindingDraft, ...]]:
        kind, about_reference = self._reference_findings(kind, one, through)
        kind, about_response = _response_findings(kind, one, summary)
        kind, about_limits = _limit_findings(kind, one, verdicts)
        return kind, (*about_reference, *about_response, *about_limits)

    def _reference_findings(
        self, kind: TransmissionState, one: Seen, through: Reference | None
    ) -> tuple[TransmissionState, list[FindingDraft]]:
        """Figures again after a refusal; and each through that is too old, once."""
        found = []
        if kind.refused is not None:
            found.append(reference_accepted(one.sweep, "losses are measured again"))
        # A temperature that wanders about its limit would tell it again and again.
        of_age = self._ages(through, one.sweep.started_s)
        old_s = kind.old_s
        if through is not None and of_age and old_s != through.at_s:
            old_s = through.at_s
            command = f"`acqd reference {self.settings.job} {through.role.value}`"
            text = f"{'; '.join(of_age)}: take it anew with {command}"
            found.append(reference_old(one.sweep, text))
        return replace(kind, refused=None, old_s=old_s), found


def _draft(one: Seen, what: str, text: str, **figures: Any) -> FindingDraft:
    return finding_on(one.sweep, what, text, figures)


def _response_findings(
    kind: TransmissionState, one: Seen, summary: Mapping[str, Any]
) -> tuple[TransmissionState, list[FindingDraft]]:
    """Another kind of response is told once it has stayed; the first one is no change."""
    now = str(summary["response"])
    if kind.response is None:
        return replace(kind, response=now), []
    if now == kind.response:
        return replace(kind, other=None, other_count=0), []
    count = kind.other_count + 1 if now == kind.other else 1
    if count < SETTLED:
        return replace(kind, other=now, other_count=count), []
    text = f"was {kind.response}, is now {summary['text']}"
    draft = _draft(one, "response_changed", text, was=kind.response, response=now)
    return replace(kind, response=now, other=None, other_count=0), [draft]


def _limit_findings(
    kind: TransmissionState, one: Seen, verdicts: tuple[Judged, ...]
) -> tuple[TransmissionState, list[FindingDraft]]:
    """Limits exceeded now, and those that are met again. In between nothing can be told."""
    found, limits = [], dict(kind.limits)
    for each in verdicts:
        now, before = each.judgement.verdict, limits.get(each.name)
        if now not in (Verdict.PASS, Verdict.FAIL) or now.value == before:
            continue
        limits[each.name] = now.value
        if now is Verdict.FAIL or before is not None:
            sweep = one.sweep
            row = judgement_row(each.figure, each.judgement, seq=sweep.seq)
            again = "" if now is Verdict.FAIL else " again"
            text = f"{each.figure}{again}: {each.judgement.text}"
            figures = {"name": each.name}
            found.append(
                limit_finding(row, text, at_s=sweep.started_s, seq=sweep.seq, figures=figures)
            )
    return replace(kind, limits=limits), found


# --- parts of a summary ---------------------------------------------------------------------------


def _empty() -> dict[str, Any]:
    """A summary in which nothing was measured."""
    return {
        "refused": None,
        "response": None,
        "text": "",
        "start_hz": None,
        "stop_hz": None,
        "points": 0,
        "vector": False,
        "floor_from": None,
        "dynamic_range_db": None,
        "noise_db": None,
        "reference": None,
        "passbands_count": 0,
        "passbands": [],
        "notches_count": 0,
        "notches": [],
        "passband": None,
        "pad": None,
        "stopbands": [],
        "named": [],
        "separation": None,
        "delay": None,
        "budget_of": None,
        "budget_text": None,
        "budget": [],
        "assumed": [],
        "notes": [],
    }


def _reference(through: Reference | None, at_s: float) -> dict[str, Any] | None:
    if through is None:
        return None
    return {
        "at_s": through.at_s,
        "age_s": rounded(at_s - through.at_s, 1),
        "sweeps": through.sweeps,
        "repeatability_db": rounded(through.repeatability_db, 4),
        "temperature_c": rounded(through.temperature_c, 2),
    }


def _notes(view: View, about: tuple[str, ...], ages: tuple[str, ...]) -> list[str]:
    # That the floor is not known is said once, with what helps.
    own = [note for note in view.response.notes if not note.startswith("the floor is not known")]
    return [*about, *own, *ages]


def _budget(
    view: View,
    found: Mapping[str, Any],
    settings: TransmissionSettings,
    u: LossUncertainty,
) -> dict[str, Any]:
    """The budget of the main figure: of a pad its value, else the least loss."""
    pad = found["pad"]
    budget: Budget | None = None
    name = "pad_db" if pad is not None else "least_loss_db"
    if pad is not None:
        budget = u.loss(pad["value_db"], view.noise_db / math.sqrt(max(1, pad["points"])))
    elif view.main is not None:
        budget = u.least(view.main.least_db, view.main.u_least_db)
    if budget is None:
        return {}
    lines = [
        {
            "name": line["name"],
            "half_width": rounded(line["half_width"], 6),
            "unit": line["unit"],
            "shape": line["shape"],
            "sensitivity": rounded(line["sensitivity"], 6),
            "contribution_db": rounded(line["contribution"], 6),
            "share": rounded(line["share"], 4),
            "assumed": line["assumed"],
            "shrink": line["shrink"],
        }
        for line in budget.lines()
    ]
    return {
        "budget_of": name,
        "budget_text": budget.sentence(),
        "budget": lines,
        "assumed": list(dict.fromkeys(budget.assumed)),
    }


def _verdict(
    one: Seen,
    verdict: Verdict,
    text: str,
    judgements: list[dict[str, Any]],
    *,
    against: Sequence[str] = (),
) -> dict[str, Any]:
    return pass_verdict(verdict, text, judgements, sweeps=[one.sweep], against=against)
