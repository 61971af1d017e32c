"""A soak around any kind's meter: it runs for a stated time and comes to a verdict.

The kind's meter is fed every event as it would be alone; its figures, findings and verdicts of
passes are what the soak looks at. It begins with the first sweep. It is over with the first event
(a sweep, a gap, an hour) at or after its length, or, where a closing reference is asked for, when
that was taken or is given up. Then it gives one verdict and one finding, and stays as it is: what
comes later passes through to the kind alone.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from acqd.measure.checkpoint import dump_state, load_state
from acqd.measure.deafness import Deaf
from acqd.measure.meter import (
    Event,
    FindingDraft,
    GapSeen,
    HourTurned,
    Output,
    SetupChanged,
    SweepSeen,
)
from acqd.measure.soak_settings import SoakSettings
from acqd.measure.soak_state import (
    SoakState,
    begun,
    counted_gap,
    counted_sweep,
    with_findings,
    with_reference,
    with_setup,
)
from acqd.measure.soak_summary import soak_part
from acqd.measure.soak_trend import trends_of
from acqd.measure.soak_verdict import (
    excursion_figures,
    excursion_text,
    soak_verdict,
    utc_text,
)
from acqd.measure.words import duration_text

__all__ = ["InnerMeter", "SoakMeter", "SoakMeterState"]

FIGURES_WAIT = 3
"""Sweeps with figures after which one that never came is told of."""


class InnerMeter(Protocol):
    """The kind's own meter."""

    @property
    def version(self) -> str: ...

    def start(self) -> Any: ...

    def step(self, state: Any, event: Event) -> tuple[Any, Output]: ...

    def dump(self, state: Any) -> bytes: ...

    def load(self, data: bytes) -> Any: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakMeterState:
    """The kind's state, and the soak's."""

    inner: Any
    soak: SoakState = field(default_factory=SoakState)
    usual_s: float | None = None
    """Interval of the sweeps, from the setup."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    inner: str
    soak: SoakState
    usual_s: float | None


@dataclass(frozen=True)
class SoakMeter:
    """A kind's meter inside a soak. Pure, as every meter."""

    inner: InnerMeter
    settings: SoakSettings

    @property
    def version(self) -> str:
        return f"soak/1 {self.inner.version}"

    def start(self) -> SoakMeterState:
        return SoakMeterState(inner=self.inner.start())

    def dump(self, state: SoakMeterState) -> bytes:
        inner = base64.b64encode(self.inner.dump(state.inner)).decode("ascii")
        return dump_state(self.version, _Kept(inner=inner, soak=state.soak, usual_s=state.usual_s))

    def load(self, data: bytes) -> SoakMeterState:
        kept = load_state(self.version, _Kept, data)
        inner = self.inner.load(base64.b64decode(kept.inner))
        return SoakMeterState(inner=inner, soak=kept.soak, usual_s=kept.usual_s)

    # -- what the station asks --------------------------------------------------------------------

    def ended(self, state: SoakMeterState) -> tuple[float, str] | None:
        """When the soak ended, and the reason that its job is paused for; None while it runs."""
        soak = state.soak
        if soak.verdict is None or soak.ended_s is None:
            return None
        return soak.ended_s, f"{self.settings.name} has ended: {soak.verdict['verdict']}"

    def over_from(self, state: SoakMeterState) -> float | None:
        """From when on a sweep may end it; None before its first sweep."""
        return None if state.soak.start_s is None else self._end_s(state.soak)

    def verdict(self, state: SoakMeterState) -> Mapping[str, Any] | None:
        """The last verdict: the soak's, else that of the kind's last pass."""
        if state.soak.verdict is not None:
            return state.soak.verdict
        of_kind = getattr(self.inner, "verdict", None)
        found: Mapping[str, Any] | None = None if of_kind is None else of_kind(state.inner)
        return found

    def channel_states(self, state: SoakMeterState) -> Mapping[str, Mapping[str, Any]]:
        """Those of the kind, where it knows channels."""
        of_kind = getattr(self.inner, "channel_states", None)
        if of_kind is None:
            return {}
        found: Mapping[str, Mapping[str, Any]] = of_kind(state.inner)
        return found

    def deaf(self, state: SoakMeterState) -> Deaf | None:
        """The kind's deafness under way."""
        of_kind = getattr(self.inner, "deaf", None)
        found: Deaf | None = None if of_kind is None else of_kind(state.inner)
        return found

    # -- one event --------------------------------------------------------------------------------

    def step(self, state: SoakMeterState, event: Event) -> tuple[SoakMeterState, Output]:
        """The state after ``event``; raises what the kind's meter raises."""
        inner, output = self.inner.step(state.inner, event)
        state = replace(state, inner=inner)
        soak = state.soak
        if soak.verdict is not None:
            # What is told later must not take the place of the soak's own verdict.
            return state, self._shown(soak, replace(output, verdict=None), event)
        findings: list[FindingDraft] = []
        if isinstance(event, SetupChanged):
            if event.step == 0:
                state = replace(state, usual_s=event.interval_s or event.sweep_time_s)
            soak = with_reference(self.settings, with_setup(soak, event), event)
        elif isinstance(event, SweepSeen):
            is_deaf = self.deaf(state) is not None
            soak, findings = self._sweep(soak, event, output, state.usual_s, is_deaf=is_deaf)
        elif isinstance(event, GapSeen):
            if soak.over_s is None:
                soak = counted_gap(self.settings, soak, event)
                soak = with_findings(soak, output)
            soak, findings = self._maybe_over(soak, event.to_s)
        else:
            soak = self._hour(soak)
            soak, findings = self._maybe_over(soak, event.hour_end_s)
        output = replace(output, findings=(*output.findings, *findings))
        if soak.verdict is not None:
            output = replace(output, verdict=soak.verdict)
        return replace(state, soak=soak), self._shown(soak, output, event)

    def _sweep(
        self,
        soak: SoakState,
        sweep: SweepSeen,
        output: Output,
        usual_s: float | None,
        *,
        is_deaf: bool,
    ) -> tuple[SoakState, list[FindingDraft]]:
        if soak.start_s is None:
            if sweep.step != 0:
                return soak, []
            soak = begun(self.settings, soak, sweep, usual_s or max(sweep.took_s, 1e-3))
        if soak.over_s is not None or sweep.started_s >= self._end_s(soak):
            return self._maybe_over(soak, sweep.started_s)
        soak = counted_sweep(self.settings, soak, sweep, output, is_deaf=is_deaf)
        soak = with_findings(soak, output)
        soak, findings = self._first_excursions(soak, sweep)
        soak, absent = self._absent_figures(soak, sweep)
        soak, asked = self._fresh_reference(soak, sweep.started_s)
        return soak, [*findings, *absent, *asked]

    def _hour(self, soak: SoakState) -> SoakState:
        if soak.start_s is None or soak.over_s is not None:
            return soak
        return replace(soak, trends=trends_of(self.settings, soak))

    # -- what is told meanwhile -------------------------------------------------------------------

    def _first_excursions(
        self, soak: SoakState, sweep: SweepSeen
    ) -> tuple[SoakState, list[FindingDraft]]:
        findings, figures = [], list(soak.figures)
        for at, (limit, track) in enumerate(zip(self.settings.limits, figures, strict=True)):
            first = track.series.totals.first_outside
            if first is None or track.is_told:
                continue
            figures[at] = replace(track, is_told=True)
            findings.append(
                FindingDraft(
                    what="soak_excursion",
                    at_s=first.reading.at_s,
                    seq=first.reading.seq,
                    text=excursion_text(limit, first),
                    figures=excursion_figures(limit, first),
                )
            )
        return (replace(soak, figures=tuple(figures)) if findings else soak), findings

    def _absent_figures(
        self, soak: SoakState, sweep: SweepSeen
    ) -> tuple[SoakState, list[FindingDraft]]:
        """Told once: figures that nothing bears the name of."""
        if soak.read != FIGURES_WAIT:
            return soak, []
        absent = tuple(
            limit.figure
            for limit, track in zip(self.settings.limits, soak.figures, strict=True)
            if not track.series.totals.count and limit.figure not in soak.absent
        )
        findings = [
            FindingDraft(
                what="soak_no_figure",
                at_s=sweep.started_s,
                seq=sweep.seq,
                text=f"there is no figure {name} so far: the soak cannot judge it; the figures "
                "stand in the summary",
                figures={"figure": name},
            )
            for name in absent
        ]
        return replace(soak, absent=(*soak.absent, *absent)), findings

    def _fresh_reference(
        self, soak: SoakState, at_s: float
    ) -> tuple[SoakState, list[FindingDraft]]:
        every_s, role = self.settings.fresh_reference_every_s, self.settings.closing_reference
        if every_s is None or role is None:
            return soak, []
        taken_s = -math.inf if soak.mark is None else soak.mark.at_s
        since_s = max(taken_s, soak.asked_s, soak.start_s or at_s)
        if at_s - since_s < every_s:
            return soak, []
        last = "none was taken yet" if soak.mark is None else f"the last is of {utc_text(taken_s)}"
        draft = FindingDraft(
            what="reference_wanted",
            at_s=at_s,
            text=f"take a fresh {role} ({last}): acqd reference {self.settings.job} {role}",
            figures={"role": role.value},
        )
        return replace(soak, asked_s=at_s), [draft]

    # -- the end ----------------------------------------------------------------------------------

    def _end_s(self, soak: SoakState) -> float:
        assert soak.start_s is not None
        return soak.start_s + self.settings.length_s

    def _is_closed(self, soak: SoakState) -> bool:
        """A reference of the closing role was taken near the end, and another one before it."""
        if soak.start_s is None or soak.mark is None or math.isnan(soak.reference_db):
            return False
        return soak.mark.at_s >= self._end_s(soak) - self.settings.closing_within_s

    def _maybe_over(self, soak: SoakState, at_s: float) -> tuple[SoakState, list[FindingDraft]]:
        """The verdict, if it is time for it; before it the request for a closing reference."""
        if soak.start_s is None or at_s < self._end_s(soak):
            return soak, []
        role, end_s = self.settings.closing_reference, self._end_s(soak)
        is_closed = self._is_closed(soak)
        waits = role is not None and not is_closed
        if waits and at_s < end_s + self.settings.closing_within_s:
            return self._closing(soak, at_s)
        return self._concluded(soak, at_s, is_closed=is_closed)

    def _closing(self, soak: SoakState, at_s: float) -> tuple[SoakState, list[FindingDraft]]:
        if soak.over_s is not None:
            return soak, []
        role = self.settings.closing_reference
        within = duration_text(self.settings.closing_within_s)
        draft = FindingDraft(
            what="reference_wanted",
            at_s=at_s,
            text=f"{self.settings.name} is over; take the closing {role} within {within}: "
            f"acqd reference {self.settings.job} {role}",
            figures={"role": str(role)},
        )
        return replace(soak, over_s=at_s), [draft]

    def _concluded(
        self, soak: SoakState, at_s: float, *, is_closed: bool
    ) -> tuple[SoakState, list[FindingDraft]]:
        soak = replace(soak, trends=trends_of(self.settings, soak))
        verdict = soak_verdict(self.settings, soak, is_closed=is_closed)
        draft = FindingDraft(
            what="soak_verdict",
            at_s=at_s,
            seq=verdict["last_seq"],
            text=verdict["text"],
            figures={"verdict": verdict["verdict"], "coverage": verdict["coverage"]},
        )
        return replace(soak, ended_s=at_s, verdict=verdict), [draft]

    def _shown(self, soak: SoakState, output: Output, event: Event) -> Output:
        """The kind's output with the soak's part in it."""
        if soak.start_s is None:
            return output
        at_s = event.started_s if isinstance(event, SweepSeen) else soak.last_s
        if output.summary is not None:
            part = soak_part(self.settings, soak, at_s)
            output = replace(output, summary={**output.summary, "soak": part})
        if isinstance(event, HourTurned) and output.hourly:
            part = soak_part(self.settings, soak, event.hour_end_s)
            rows = tuple(
                replace(one, figures={**one.figures, "soak": part}) for one in output.hourly
            )
            output = replace(output, hourly=rows)
        return output
