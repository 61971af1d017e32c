"""What a band meter has beside signals and occupancy: references, trials, checks, external noise.

Figures of the hour come as plain JSON data, in which what is not known is None.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.band_check import IS_OWN, CheckedSignal, LookedAt, check_signals
from acqd.measure.band_findings import made_inside
from acqd.measure.band_references import quiet_floor
from acqd.measure.band_state import (
    BandState,
    CheckSeen,
    CheckSetup,
    Suspect,
    TrialSeen,
)
from acqd.measure.band_sums import SPOILT
from acqd.measure.band_sweep import Seen
from acqd.measure.band_work import AerialNoise, BandSettings, BandWork
from acqd.measure.linearity import Origin
from acqd.measure.meter import FindingDraft, Output, Role, SetupChanged, SweepSeen
from acqd.measure.radionoise import compare, external_noise_figure
from acqd.measure.trial import OpenBlock, carried_on, compare_ambient, on_minus_off, range_powers
from acqd.sweep import LevelUnit

__all__ = [
    "ambient_figures",
    "before_check",
    "check_figures",
    "check_setup",
    "checked",
    "external_noise_figures",
    "gain_in_the_middle_db",
    "reference_fields",
    "residual_figures",
    "trial_figures",
    "trial_seen",
]

BLOCKS_LIMIT = 256
"""Most blocks of a trial that are kept, the newest."""

CHECKS_TO_TELL = 3
"""A signal has to fall in so many checks, one after the other, before it is told."""

SUSPECTS_LIMIT = 64


def _rounded(value: float | None, digits: int = 3) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, digits)


# --- references -----------------------------------------------------------------------------------


def reference_fields(event: SetupChanged) -> dict[str, Any]:
    """What a setup keeps of its references; those that cannot be used are as good as none."""
    fields: dict[str, Any] = {
        "quiet": None,
        "quiet_at_s": None,
        "ambient": None,
        "ambient_at_s": None,
        "ambient_u_db": 0.0,
    }
    for role, name in ((Role.QUIET, "quiet"), (Role.AMBIENT, "ambient")):
        reference = event.references.get(str(role))
        if reference is None or not reference.is_usable or reference.level is None:
            continue
        if np.iscomplexobj(reference.level):
            continue
        fields[name] = np.asarray(reference.level, dtype=np.float64)
        fields[f"{name}_at_s"] = reference.at_s
        if role is Role.AMBIENT and reference.repeatability_db is not None:
            fields["ambient_u_db"] = reference.repeatability_db / math.sqrt(reference.sweeps)
    return fields


def gain_in_the_middle_db(event: SetupChanged) -> float | None:
    """The chain's gain at the middle point of the sweep; None without a chain."""
    return None if event.gain_db is None else float(event.gain_db[event.gain_db.size // 2])


def residual_figures(work: BandWork, state: BandState) -> list[dict[str, Any]]:
    """Residual responses of the hour: where, how strong, in what share of the sweeps."""
    visits = max(1, state.hour.visits)
    return [
        {
            "peak_hz": one.peak_hz,
            f"peak_{work.suffix}": _rounded(one.peak),
            "sweeps": one.sweeps,
            "share": min(1.0, one.sweeps / visits),
        }
        for one in sorted(state.hour.residuals, key=lambda one: one.peak_hz)
    ]


# --- external noise -------------------------------------------------------------------------------


def external_noise_figures(
    settings: BandSettings, work: BandWork, state: BandState
) -> dict[str, Any] | None:
    """The external noise figure in the middle of the band, from the median floor of the hour; None
    where nobody described the aerial. Refused, with the reason, where it cannot be told."""
    aerial = settings.aerial
    if aerial is None:
        return None
    floors = sorted(state.hour.floors)
    refusal = _no_external_noise(aerial, work, floors)
    if refusal is not None or work.enb_hz is None or work.model is None:
        return {"figure_db": None, "reason": refusal}
    setup = work.setup
    to_input_db = setup.gain_db or 0.0
    own_dbm = None
    if aerial.instrument_figure_db is None and setup.quiet is not None:
        floor, _ = quiet_floor(setup.quiet)
        own_dbm = floor + (work.model.mean_to_power_db or 0.0) + to_input_db
    middle_hz = float(setup.frequency_hz[setup.frequency_hz.size // 2])
    low, high = (floors[int(share * (len(floors) - 1))] for share in (0.16, 0.84))
    median = (floors[(len(floors) - 1) // 2] + floors[len(floors) // 2]) / 2.0
    found = external_noise_figure(
        floor_dbm=median + to_input_db,
        enb_hz=work.enb_hz,
        frequency_hz=middle_hz,
        instrument_floor_dbm=own_dbm,
        instrument_figure_db=aerial.instrument_figure_db,
        chain_gain_db=aerial.chain_gain_db,
        chain_figure_db=aerial.chain_figure_db,
        antenna_loss_db=aerial.antenna_loss_db,
        floor_u_db=(high - low) / 2.0,
        instrument_u_db=aerial.instrument_u_db,
        level_u_db=setup.level_accuracy_db / math.sqrt(3.0),
        chain_u_db=aerial.chain_u_db,
        antenna_u_db=aerial.antenna_u_db,
    )
    figures: dict[str, Any] = {
        "frequency_hz": middle_hz,
        "figure_db": _rounded(found.figure_db),
        "expanded_db": _rounded(found.expanded_db),
        "reason": found.reason,
        "over_own_db": _rounded(found.over_own_db),
        "parts_db": {name: _rounded(u) for name, u in found.parts_db},
    }
    if found.figure_db is not None:
        figures["medians"] = [
            {
                "environment": str(one.median.environment),
                "median_db": _rounded(one.median.figure_db),
                "over_median_db": _rounded(one.over_median_db),
                "usual": one.usual,
            }
            for one in compare(found.figure_db, middle_hz)
        ]
    return figures


def _no_external_noise(aerial: AerialNoise, work: BandWork, floors: list[float]) -> str | None:
    if work.unit is not LevelUnit.DBM:
        return f"levels are in {work.unit.value}: the noise figure needs dBm"
    if work.enb_hz is None:
        return "the RBW is not known"
    if work.model is None or work.model.mean_to_power_db is None:
        return "the floor of this detector is no power"
    if not floors:
        return "there was no floor in this hour"
    if aerial.instrument_figure_db is None and work.setup.quiet is None:
        return "neither a quiet reference nor the sweeper's noise figure says what its own noise is"
    if aerial.instrument_figure_db is None and work.setup.quiet is not None:
        floor, _ = quiet_floor(work.setup.quiet)
        return None if math.isfinite(floor) else "the quiet reference holds no level"
    return None


# --- on and off -----------------------------------------------------------------------------------


def trial_seen(
    settings: BandSettings, trial: TrialSeen, work: BandWork, event: SweepSeen
) -> TrialSeen:
    """The trial, and the sums for the ambient comparison, with one more sweep."""
    ambient = work.setup.ambient is not None
    if not (settings.trial or ambient) or not work.logarithmic:
        return trial
    powers = range_powers(event.level, work.grid, work.ranges)
    hour = trial.hour
    if ambient:
        hour = OpenBlock.fresh(True, powers.size) if hour is None else hour
        hour = hour.with_sweep(event.started_s, powers)
    if not settings.trial:
        return replace(trial, hour=hour)
    value = event.context.get(settings.trial)
    on = None if value is None or math.isnan(value) else value > settings.trial_over
    block, ended = carried_on(trial.open, on, event.started_s, powers, settle=settings.trial_settle)
    blocks, dropped = trial.blocks, trial.dropped
    if ended is not None:
        blocks = (*blocks, ended)
        dropped += max(0, len(blocks) - BLOCKS_LIMIT)
        blocks = blocks[-BLOCKS_LIMIT:]
    return TrialSeen(blocks=blocks, dropped=dropped, open=block, hour=hour)


def trial_figures(
    settings: BandSettings, work: BandWork, state: BandState
) -> dict[str, Any] | None:
    """On minus off per range since the setup changed; None without a trial."""
    if not settings.trial or not work.logarithmic:
        return None
    trial, suffix = state.trial, work.suffix
    last = None if trial.open is None else trial.open.closed()
    blocks = trial.blocks if last is None else (*trial.blocks, last)
    result = on_minus_off(blocks, work.ranges)
    return {
        "context": settings.trial,
        "switchings": result.switchings,
        "on_blocks": result.on_blocks,
        "off_blocks": result.off_blocks,
        "blocks_dropped": trial.dropped,
        "from_s": blocks[0].from_s if blocks else None,
        "confidence": 0.95,
        "ranges": [
            {
                "range": one.name,
                "start_hz": piece.start_hz,
                "stop_hz": piece.stop_hz,
                f"on_{suffix}": _rounded(one.on),
                f"off_{suffix}": _rounded(one.off),
                "change_db": _rounded(one.change_db),
                "low_db": _rounded(one.low_db),
                "high_db": _rounded(one.high_db),
                f"own_{suffix}": _rounded(one.own),
                "pairs": one.pairs,
                "told": one.is_told,
            }
            for one, piece in zip(result.differences, work.ranges, strict=True)
        ],
    }


def ambient_figures(
    settings: BandSettings, work: BandWork, state: BandState
) -> dict[str, Any] | None:
    """The hour's ranges beside the ambient reference; None without one, or without a sweep."""
    ambient, block = work.setup.ambient, state.trial.hour
    closed = None if block is None else block.closed()
    if ambient is None or closed is None:
        return None
    suffix = work.suffix
    reference = range_powers(ambient, work.grid, work.ranges)
    found = compare_ambient(
        closed,
        reference,
        work.ranges,
        ambient_u_db=_range_u_db(work),
        drift_u_db=settings.ambient_drift_db,
    )
    return {
        "reference_at_s": work.setup.ambient_at_s,
        "sweeps": closed.sweeps,
        "confidence": 0.95,
        "ranges": [
            {
                "range": one.name,
                "start_hz": piece.start_hz,
                "stop_hz": piece.stop_hz,
                f"now_{suffix}": _rounded(one.now),
                f"ambient_{suffix}": _rounded(one.ambient),
                "change_db": _rounded(one.change_db),
                "low_db": _rounded(one.low_db),
                "high_db": _rounded(one.high_db),
            }
            for one, piece in zip(found, work.ranges, strict=True)
        ],
    }


def _range_u_db(work: BandWork) -> NDArray[np.float64]:
    """Uncertainty of the reference in each range: that of a point over its independent points."""
    axis_hz = work.setup.frequency_hz
    inside = [
        np.count_nonzero((axis_hz >= piece.start_hz) & (axis_hz <= piece.stop_hz))
        for piece in work.ranges
    ]
    worth = np.maximum(1.0, np.array(inside) * work.independent)
    return np.asarray(work.setup.ambient_u_db / np.sqrt(worth))


# --- the overload check ---------------------------------------------------------------------------


def check_setup(check: CheckSeen, event: SetupChanged) -> CheckSeen:
    """How check sweeps are taken from here on; steps beyond the first belong to no check."""
    if event.step != 1 or event.unit is LevelUnit.RATIO:
        return check
    setup = CheckSetup(
        attenuation_db=event.attenuation_db,
        frequency_hz=event.grid.frequency_hz,
        unit=event.unit,
        rbw_hz=event.rbw_hz,
    )
    return replace(check, setup=setup, suspects=())


def before_check(check: CheckSeen, event: SweepSeen, seen: Seen) -> CheckSeen:
    """Keep what a check after this sweep would need; nothing where no check was ever taken."""
    if check.setup is None:
        return check
    before = LookedAt.of(event.started_s, seen.floor, seen.signals)
    return replace(check, before=before)


def checked(settings: BandSettings, state: BandState, event: SweepSeen) -> tuple[BandState, Output]:
    """The state after a check sweep, and what it brought out."""
    check, work = state.check, state.work
    before, setup = check.before, check.setup
    if before is None or setup is None or work is None or event.step != 1 or not work.logarithmic:
        return state, Output()
    added_db = (setup.attenuation_db or 0.0) - (work.setup.attenuation_db or 0.0)
    comparable = (
        setup.attenuation_db is not None
        and work.setup.attenuation_db is not None
        and (setup.unit, setup.rbw_hz) == (work.unit, work.setup.rbw_hz)
        and np.array_equal(setup.frequency_hz, work.setup.frequency_hz)
    )
    if not comparable or not added_db > 0 or event.flags & SPOILT:
        return replace(state, check=replace(check, before=None)), Output()
    model = work.model
    found = check_signals(
        before,
        event.level,
        work.setup.frequency_hz,
        added_db=added_db,
        averages=1.0 if model is None else model.shape,
        to_power_db=0.0 if model is None else model.mean_to_power_db or 0.0,
        near_hz=work.tolerance_hz / 2.0,
        tolerance_db=settings.check_tolerance_db,
    )
    suspects, findings = _suspected(settings, work, check.suspects, found, event, added_db)
    origins = [one.test.origin for one in found]
    counts = tuple(
        count + origins.count(origin) for count, origin in zip(check.counts, Origin, strict=True)
    )
    new = replace(check, before=None, suspects=suspects, checks=check.checks + 1, counts=counts)
    return replace(state, check=new), Output(findings=tuple(findings))


def _suspected(
    settings: BandSettings,
    work: BandWork,
    suspects: tuple[Suspect, ...],
    found: tuple[CheckedSignal, ...],
    event: SweepSeen,
    added_db: float,
) -> tuple[tuple[Suspect, ...], list[FindingDraft]]:
    """Suspects after a check: one that is real is none any more, one that was not there stays."""
    left = list(suspects)
    findings = []
    for one in found:
        i = next((i for i, old in enumerate(left) if _same_place(work, old, one)), -1)
        origin = one.test.origin
        if origin not in IS_OWN:
            if i >= 0 and origin is Origin.REAL:
                del left[i]
            continue
        old = (
            left.pop(i)
            if i >= 0
            else Suspect(
                channel=one.channel, peak_hz=one.peak_hz, checks=0, since_s=event.started_s
            )
        )
        new = replace(old, checks=old.checks + 1, peak_hz=one.peak_hz)
        if new.checks >= CHECKS_TO_TELL and not new.told:
            new = replace(new, told=True)
            findings.append(
                made_inside(
                    settings,
                    work,
                    one,
                    added_db=added_db,
                    checks=new.checks,
                    since_s=new.since_s,
                    seq=event.seq,
                )
            )
        left.append(new)
    return tuple(left[-SUSPECTS_LIMIT:]), findings


def _same_place(work: BandWork, old: Suspect, one: CheckedSignal) -> bool:
    if old.channel != one.channel:
        return False
    return one.channel >= 0 or abs(old.peak_hz - one.peak_hz) <= work.tolerance_hz


def check_figures(work: BandWork, state: BandState) -> dict[str, Any] | None:
    """What the hour's overload checks said; None where there was none."""
    check = state.check
    if not check.checks:
        return None
    return {
        "checks": check.checks,
        "signals": {str(origin): n for origin, n in zip(Origin, check.counts, strict=True)},
        "made_inside": [
            {"peak_hz": one.peak_hz, "checks": one.checks, "since_s": one.since_s}
            for one in check.suspects
            if one.told
        ],
    }
