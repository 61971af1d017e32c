"""Kind ``carrier``: one carrier's level and frequency over time.

Each pass is one sweep: the line is found and read with both budgets (:mod:`.carrier_look`). Over
time its drift, stability, steps and warm-up are followed (:mod:`.carrier_trend`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

from acqd.errors import UnitMismatch
from acqd.measure.budget import decimals_for, figure_text
from acqd.measure.carrier_look import (
    CarrierLook,
    CarrierSettings,
    Heard,
    averages_of,
    look_for_carrier,
    noise_spread,
)
from acqd.measure.carrier_steps import SeenStep
from acqd.measure.carrier_summary import (
    drift_told,
    expanded,
    peak_figures,
    reading_told,
    warm_up_told,
)
from acqd.measure.carrier_trend import (
    CarrierTrend,
    HourSums,
    WarmUpFigures,
    allan_rows,
    new_trend,
    read,
    settle,
    worked_out,
)
from acqd.measure.carrier_trend import is_due as is_trend_due
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
from acqd.measure.report import rounded
from acqd.measure.trust import SPOILT_NOISE, hole_text, holes_hz, spoilt_by
from acqd.measure.words import (
    duration_text,
    frequency_text,
    unit_suffix,
)
from acqd.sweep import LevelUnit, SweepFlag, SweepRequest

__all__ = ["CarrierMeter", "CarrierState", "carrier_pass"]

IN_A_ROW = 3
"""Sweeps that a carrier must be away, or back, before it is told."""

CHANGES_AN_HOUR = 6
"""After so many a carrier that comes and goes is told of once, until the hour turns."""

SPREADS_MOST = 32
"""Sweeps of which the noise's spread is averaged before N is taken as known."""

SPOILT = (
    SweepFlag.OVERLOAD
    | SweepFlag.TRANSMITTING
    | SweepFlag.SET_ASIDE
    | SweepFlag.REPEATED
    | SweepFlag.HOP_FAILED
)
"""Sweeps that are read and do not count in drift, stability and steps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CarrierState:
    """What is remembered beside the counts of the hour.

    ``up`` is what holds since ``since_s``, None before anything does; ``maybe`` what the last
    ``run`` sweeps say instead, since ``run_s``. ``spread`` is the mean noise of ``spreads`` sweeps.
    ``hour_turned``: the warm-up is to be looked at with the next reading.
    """

    trend: CarrierTrend | None = None
    alike: str = ""
    """What of the setup the trend's readings have in common."""
    up: bool | None = None
    maybe: bool | None = None
    run: int = 0
    run_s: float = 0.0
    run_seq: int = 0
    since_s: float = 0.0
    changes: int = 0
    spread: float = 0.0
    spreads: int = 0
    heard_hour: int = 0
    read_hour: int = 0
    lost_hour: int = 0
    steps_hour: int = 0
    hour_turned: bool = False


@dataclass(frozen=True)
class CarrierMeter(PassMeter[CarrierState]):
    """Meter of kind ``carrier``. Sweeps must be in decibels."""

    settings: CarrierSettings = field(default_factory=CarrierSettings)

    version: ClassVar[str] = "carrier/2"
    kind_type: ClassVar[type[Any]] = CarrierState
    figures: ClassVar[Mapping[str, str]] = {
        "frequency_hz": "Hz",
        "offset_hz": "Hz",
        "level_dbm": "dBm",
        "level_dbuv": "dBµV",
        "level_dbfs": "dBFS",
        "over_floor_db": "dB",
        "floor_dbm": "dBm",
        "floor_dbuv": "dBµV",
        "floor_dbfs": "dBFS",
        "width_hz": "Hz",
    }
    """Figures that may be named elsewhere, and their units."""

    def fresh(self) -> CarrierState:
        return CarrierState()

    # -- the setup --------------------------------------------------------------------------------

    def on_setup(self, kind: CarrierState, event: SetupChanged) -> tuple[CarrierState, Output]:
        """Readings under another grid, RBW, chain or sweeper are not compared: the trend begins
        anew. A new reference alone changes nothing."""
        if event.unit in (LevelUnit.RATIO, LevelUnit.DIGIT):
            raise UnitMismatch(what="kind carrier", needs="dBm, dBµV or dBFS", got=str(event.unit))
        alike = _alike(event)
        if alike == kind.alike:
            return kind, Output()
        return replace(kind, alike=alike, trend=None, spread=0.0, spreads=0), Output()

    # -- a pass -----------------------------------------------------------------------------------

    def measure(
        self, kind: CarrierState, seen: tuple[Seen, ...], *, complete: bool
    ) -> tuple[CarrierState, Output]:
        setup, sweep = seen[0].setup, seen[0].sweep
        kind = _with_spread(kind, noise_spread(sweep.level, setup.resolution))
        look = look_for_carrier(
            self.settings,
            setup,
            sweep.level,
            averages=averages_of(setup, kind.spread if kind.spreads else None),
            started_s=sweep.started_s,
            took_s=sweep.took_s,
        )
        deaf = None if look.heard is not None else self._deaf(setup, sweep)
        kind = replace(
            kind,
            read_hour=kind.read_hour + (deaf is None),
            heard_hour=kind.heard_hour + (look.heard is not None),
        )
        if deaf is None:
            kind, findings = self._presence(kind, setup, look, sweep.started_s, sweep.seq)
        else:
            # Nobody can tell whether it is there: no sweep in a row of those that could.
            look, kind, findings = replace(look, reason=deaf), replace(kind, maybe=None), []
        if look.heard is not None and look.heard.is_bounded and not sweep.flags & SPOILT:
            kind, more = self._followed(kind, setup, look.heard, sweep.seq, sweep.took_s)
            findings += more
        return kind, Output(
            summary=self._summary(kind, setup, look),
            columns=self._columns(setup, look),
            values=self._values(setup, look),
            findings=tuple(findings),
        )

    def _deaf(self, setup: SetupChanged, sweep: SweepSeen) -> str | None:
        """Why a carrier that is there might not have been heard; None where it would have been."""
        why = spoilt_by(sweep.flags, SPOILT_NOISE)
        if why is not None:
            return why
        within = None
        if self.settings.window_hz is not None:
            middle_hz, half_hz = self.settings.expected_in(setup), self.settings.window_hz / 2.0
            within = (middle_hz - half_hz, middle_hz + half_hz)
        axis = setup.grid.frequency_hz
        holes = holes_hz(axis, sweep.level, rbw_hz=setup.rbw_hz, within_hz=within)
        return hole_text(holes) if holes else None

    def _followed(
        self, kind: CarrierState, setup: SetupChanged, heard: Heard, seq: int, took_s: float
    ) -> tuple[CarrierState, list[FindingDraft]]:
        trend = kind.trend
        if trend is None:
            usual_s = setup.interval_s or max(took_s, 1e-3)
            trend = new_trend(self.settings, usual_s=usual_s, resolution=setup.resolution or 0.0)
        trend, in_hz, in_db = read(
            trend,
            at_s=heard.at_s,
            offset_hz=heard.peak.frequency_hz - self.settings.expected_in(setup),
            level=heard.peak.level_db if heard.level is not None else math.nan,
            seq=seq,
        )
        findings = []
        if in_hz is not None and abs(in_hz.size) >= max(
            self.settings.frequency_step_hz, in_hz.expanded
        ):
            trend = settle(trend, in_hz)
            findings.append(self._step_finding("frequency_step", in_hz, "Hz", setup))
        if in_db is not None and abs(in_db.size) >= max(
            self.settings.level_step_db, in_db.expanded
        ):
            trend = settle(trend, in_db)
            findings.append(self._step_finding("level_step", in_db, "dB", setup))
        kind = replace(kind, trend=trend, steps_hour=kind.steps_hour + len(findings))
        if kind.hour_turned or is_trend_due(trend):
            kind, more = self._work_out(replace(kind, hour_turned=False))
            findings += more
        return kind, findings

    def _work_out(self, kind: CarrierState) -> tuple[CarrierState, list[FindingDraft]]:
        assert kind.trend is not None
        trend, is_news = worked_out(self.settings, kind.trend)
        kind = replace(kind, trend=trend)
        if not is_news or trend.warm_up is None:
            return kind, []
        return kind, [_settled_finding(trend.warm_up, trend)]

    # -- here and gone ----------------------------------------------------------------------------

    def _presence(
        self,
        kind: CarrierState,
        setup: SetupChanged,
        look: CarrierLook,
        at_s: float,
        seq: int,
    ) -> tuple[CarrierState, list[FindingDraft]]:
        """What is told of a carrier that went or came back, after three sweeps in a row."""
        is_up = look.heard is not None
        if is_up == kind.up:
            return replace(kind, maybe=None), []
        if is_up != kind.maybe:
            kind = replace(kind, maybe=is_up, run=0, run_s=at_s, run_seq=seq)
        kind = replace(kind, run=kind.run + 1)
        if kind.run < IN_A_ROW:
            return kind, []
        return self._turned(kind, setup, look, is_up)

    def _turned(
        self, kind: CarrierState, setup: SetupChanged, look: CarrierLook, is_up: bool
    ) -> tuple[CarrierState, list[FindingDraft]]:
        before, since_s = kind.up, kind.since_s
        at_s, seq = kind.run_s, kind.run_seq
        changes = kind.changes + (before is not None)
        kind = replace(
            kind,
            up=is_up,
            maybe=None,
            since_s=at_s,
            changes=changes,
            lost_hour=kind.lost_hour + (not is_up),
        )
        if (is_up and before is None) or changes > CHANGES_AN_HOUR:
            return kind, []
        what = "carrier_back" if is_up else "carrier_lost"
        where = frequency_text(self.settings.expected_in(setup))
        if changes == CHANGES_AN_HOUR:
            text = (
                f"the carrier at {where} comes and goes, {changes} changes this hour; it is "
                "told of again after the turn of the hour"
            )
            return kind, [FindingDraft(what="carrier_flapping", at_s=at_s, text=text, seq=seq)]
        figures: dict[str, Any] = {}
        if is_up:
            assert look.heard is not None
            away_s = at_s - since_s
            figures = {"away_s": round(away_s, 3), **peak_figures(setup, look.heard)}
            text = f"the carrier at {where} is back after {duration_text(away_s)}"
        else:
            begun = "is not heard" if before is None else "is not heard any more"
            text = f"the carrier at {where} {begun}: {look.reason}"
        return kind, [FindingDraft(what=what, at_s=at_s, text=text, seq=seq, figures=figures)]

    def _step_finding(
        self, what: str, step: SeenStep, unit: str, setup: SetupChanged
    ) -> FindingDraft:
        decimals = decimals_for(step.expanded, unit)
        size = figure_text(abs(step.size), decimals)
        way = "rose" if step.size > 0 else "fell"
        thing = "frequency" if unit == "Hz" else "level"
        where = frequency_text(self.settings.expected_in(setup))
        suffix = unit.lower()
        return FindingDraft(
            what=what,
            at_s=step.onset_s,
            seq=step.onset_seq,
            text=f"the {thing} of the carrier at {where} {way} by {size} {unit} "
            f"± {figure_text(step.expanded, decimals)} in one step",
            figures={
                f"step_{suffix}": step.size,
                f"step_expanded_{suffix}": step.expanded,
                "noticed_seq": step.seq,
            },
        )

    # -- the hour ---------------------------------------------------------------------------------

    def on_hour(
        self, kind: CarrierState, event: HourTurned
    ) -> tuple[CarrierState, Mapping[str, Any]]:
        figures: dict[str, Any] = {
            "heard": kind.heard_hour,
            "read": kind.read_hour,
            "lost": kind.lost_hour,
            "steps": kind.steps_hour,
            **self._hour_of_trend(kind),
        }
        trend = kind.trend
        if trend is not None:
            trend, _ = worked_out(replace(self.settings, warm_up=False), trend)
            trend = replace(trend, hour_hz=HourSums(), hour_level=HourSums())
        kind = replace(
            kind,
            trend=trend,
            changes=0,
            heard_hour=0,
            read_hour=0,
            lost_hour=0,
            steps_hour=0,
            hour_turned=True,
        )
        figures["drift"] = drift_told(trend, self._expected(trend, kind))
        return kind, figures

    def _expected(self, trend: CarrierTrend | None, kind: CarrierState) -> float:
        if self.settings.expected_hz is not None:
            return self.settings.expected_hz
        return float(kind.alike.split(" ", 1)[0]) if kind.alike else math.nan

    def _hour_of_trend(self, kind: CarrierState) -> dict[str, Any]:
        trend = kind.trend
        hz = HourSums() if trend is None else trend.hour_hz
        db = HourSums() if trend is None else trend.hour_level
        suffix = kind.alike.rsplit(" ", 1)[-1] if kind.alike else "dbm"
        told: dict[str, Any] = {}
        for name, value in hz.told().items():
            told[f"offset_{name}_hz"] = None if value is None else round(value, 4)
        for name, value in db.told().items():
            told[f"level_{name}_{suffix}"] = None if value is None else round(value, 4)
        told["allan"] = [] if trend is None else allan_rows(trend, self._expected(trend, kind))
        return told

    # -- figures ----------------------------------------------------------------------------------

    def _columns(self, setup: SetupChanged, look: CarrierLook) -> dict[str, float]:
        suffix, heard = unit_suffix(setup.unit), look.heard
        nan = math.nan
        return {
            "frequency_hz": nan if heard is None else heard.peak.frequency_hz,
            "frequency_expanded_hz": nan if heard is None else expanded(heard.frequency),
            f"level_{suffix}": nan if heard is None else heard.peak.level_db,
            "level_expanded_db": nan if heard is None else expanded(heard.level),
            f"floor_{suffix}": look.floor,
            f"strongest_{suffix}": look.strongest,
        }

    def _values(self, setup: SetupChanged, look: CarrierLook) -> dict[str, float]:
        suffix, heard = unit_suffix(setup.unit), look.heard
        found = {f"floor_{suffix}": look.floor}
        if heard is not None:
            offset_hz = heard.peak.frequency_hz - self.settings.expected_in(setup)
            found |= {
                "frequency_hz": round(heard.peak.frequency_hz, 4),
                "offset_hz": round(offset_hz, 4),
                f"level_{suffix}": round(heard.peak.level_db, 4),
                "over_floor_db": round(heard.over_floor_db, 3),
            }
            if heard.peak.width_hz is not None:
                found["width_hz"] = round(heard.peak.width_hz, 3)
        return {name: value for name, value in found.items() if math.isfinite(value)}

    def _summary(
        self, kind: CarrierState, setup: SetupChanged, look: CarrierLook
    ) -> dict[str, Any]:
        suffix, expected_hz = unit_suffix(setup.unit), self.settings.expected_in(setup)
        trend = kind.trend
        return {
            "unit": str(setup.unit),
            "plane": self.settings.plane,
            "expected_hz": expected_hz,
            "heard": look.heard is not None,
            "not_heard_because": look.reason,
            f"floor_{suffix}": rounded(look.floor, 3),
            f"strongest_{suffix}": rounded(look.strongest, 3),
            "over_floor_db": None if look.heard is None else round(look.heard.over_floor_db, 3),
            **reading_told(look.heard, expected_hz, suffix),
            "readings": 0 if trend is None else trend.readings,
            "steps": 0 if trend is None else trend.steps,
            "drift": drift_told(trend, expected_hz),
            "warm_up": None if trend is None else warm_up_told(trend.warm_up),
            "assumed": list(setup.assumed),
        }


def carrier_pass(request: SweepRequest, sweeps: int) -> Pass:
    """One sweep for each that is due."""
    for _ in range(sweeps):
        yield PassStep(request=request)


# --- what the setup has in common -----------------------------------------------------------------


def _alike(setup: SetupChanged) -> str:
    """What makes readings comparable, in one word; it begins with the middle of the sweep and ends
    with the unit."""
    frequency_hz = setup.grid.frequency_hz
    gain = "" if setup.gain_db is None else f"{float(setup.gain_db.sum()):.6f}"
    parts = (
        f"{float(frequency_hz[0] + frequency_hz[-1]) / 2.0!r}",
        setup.grid.digest,
        str(setup.rbw_hz),
        str(setup.detector),
        str(setup.averages),
        str(setup.attenuation_db),
        gain,
        setup.identity.replace(" ", "_"),
        unit_suffix(setup.unit),
    )
    return " ".join(parts)


def _with_spread(kind: CarrierState, spread: float | None) -> CarrierState:
    if spread is None or kind.spreads >= SPREADS_MOST:
        return kind
    count = kind.spreads + 1
    return replace(kind, spreads=count, spread=kind.spread + (spread - kind.spread) / count)


# --- a sentence ---


def _settled_finding(warm_up: WarmUpFigures, trend: CarrierTrend) -> FindingDraft:
    last = trend.frequency.totals.last
    assert last is not None
    moved_hz = -warm_up.amplitude_hz
    decimals = decimals_for(abs(warm_up.within_hz), "Hz")
    way = "rose" if moved_hz > 0 else "fell"
    return FindingDraft(
        what="warm_up_over",
        at_s=warm_up.settled_s,
        seq=last.seq,
        text=f"warm-up over: the frequency {way} by {figure_text(abs(moved_hz), decimals)} Hz with "
        f"a time constant of {duration_text(warm_up.tau_s)}, and was within "
        f"{figure_text(warm_up.within_hz, decimals)} Hz of its end after "
        f"{duration_text(warm_up.settled_s - warm_up.from_s)}",
        figures={
            "droop_hz": moved_hz,
            "tau_s": warm_up.tau_s,
            "settled_after_s": warm_up.settled_s - warm_up.from_s,
        },
    )
