"""What a soak remembers, and how each event adds to it. Of bounded size, and pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.finding_words import HEARING_WORDS
from acqd.measure.meter import GapSeen, Output, Reference, SetupChanged, SweepSeen
from acqd.measure.report import end_s
from acqd.measure.running import Series, append, new_series
from acqd.measure.soak_reading import figure_reading
from acqd.measure.soak_settings import SoakLimit, SoakSettings
from acqd.sweep import SweepFlag

__all__ = [
    "FigureTrack",
    "ReferenceMark",
    "SoakState",
    "begun",
    "counted_gap",
    "counted_sweep",
    "with_findings",
    "with_reference",
    "with_setup",
]

Float = NDArray[np.float64]

FIGURE_BUCKETS = 1024
"""Of each figure and context: 65 kB, 90 kB in a checkpoint."""

DEAF = SweepFlag.REPEATED | SweepFlag.TRANSMITTING | SweepFlag.SET_ASIDE | SweepFlag.OVERLOAD
"""Sweeps that are stored and neither listened nor read: they could not hear, or heard too much."""

WORDS_MOST = 64
REFERENCE_BLOCKS = 8
"""Pieces of a reference that are compared by their means: a tilt shows, single points do not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureTrack:
    """One figure over the soak. ``u_…`` are U at k = 2 of the greatest and the least reading, and
    the largest and the latest of all; NaN where the summary states none."""

    series: Series
    u_greatest: float = math.nan
    u_least: float = math.nan
    u_largest: float = math.nan
    is_told: bool = False
    """The first excursion was told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceMark:
    """A reference of the closing role, as means of its pieces in dB."""

    at_s: float
    grid: str
    means_db: Float


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakState:
    """From the first sweep on; ``start_s`` is None before it.

    ``reference_db`` is the largest change between one reference and the next, ``references`` how
    many were seen. ``over_s`` is set while the end waits for its closing reference.
    """

    start_s: float | None = None
    start_due_s: float = 0.0
    first_seq: int = 0
    last_seq: int = 0
    last_s: float = 0.0
    last_end_s: float = 0.0
    stored: int = 0
    listened: int = 0
    missed: int = 0
    figures: tuple[FigureTrack, ...] = ()
    contexts: tuple[Series, ...] = ()
    findings: Mapping[str, int] = field(default_factory=dict)
    passes: Mapping[str, int] = field(default_factory=dict)
    read: int = 0
    """Sweeps that brought figures."""
    absent: tuple[str, ...] = ()
    """Figures of which was told that there are none such."""
    way: str = ""
    ways: int = 0
    """How often the way of sweeping changed."""
    middle_hz: float = math.nan
    mark: ReferenceMark | None = None
    references: int = 0
    reference_db: float = math.nan
    asked_s: float = -math.inf
    over_s: float | None = None
    trends: tuple[Mapping[str, Any], ...] = ()
    """Drift and correlations of each figure, as of the last hour."""
    ended_s: float | None = None
    verdict: Mapping[str, Any] | None = None

    @property
    def due(self) -> int:
        return self.stored + self.missed

    @property
    def coverage(self) -> float | None:
        """Stored over due."""
        return self.stored / self.due if self.due else None

    @property
    def listening(self) -> float | None:
        """Listening over due."""
        return self.listened / self.due if self.due else None


def begun(settings: SoakSettings, state: SoakState, sweep: SweepSeen, usual_s: float) -> SoakState:
    """The soak begins with this sweep."""
    width_s = max(usual_s, 1e-3)

    def series(limit: SoakLimit | None = None) -> Series:
        return new_series(
            width_s=width_s,
            most=FIGURE_BUCKETS,
            low=None if limit is None else limit.low,
            high=None if limit is None else limit.high,
        )

    return replace(
        state,
        start_s=sweep.started_s,
        start_due_s=sweep.due_s,
        first_seq=sweep.seq,
        figures=tuple(FigureTrack(series=series(limit)) for limit in settings.limits),
        contexts=tuple(series() for _ in settings.contexts),
    )


def counted_sweep(
    settings: SoakSettings,
    state: SoakState,
    sweep: SweepSeen,
    output: Output,
    *,
    is_deaf: bool = False,
) -> SoakState:
    """With one more sweep, the figures that it brought and the context beside it; ``is_deaf``: the
    kind's meter knows that nobody heard."""
    is_due = sweep.step == 0
    spoilt = DEAF & ~SweepFlag.REPEATED if settings.may_repeat else DEAF
    is_deaf = is_deaf or bool(sweep.flags & spoilt)
    state = replace(
        state,
        stored=state.stored + is_due,
        listened=state.listened + (is_due and not is_deaf),
        last_seq=sweep.seq,
        last_s=sweep.started_s,
        last_end_s=end_s(sweep),
    )
    if is_deaf or output.summary is None:
        return state
    figures = tuple(
        _with_reading(track, sweep, *figure_reading(limit, output))
        for limit, track in zip(settings.limits, state.figures, strict=True)
    )
    contexts = tuple(
        append(series, sweep.started_s, sweep.context.get(one.name, math.nan), sweep.seq)
        for one, series in zip(settings.contexts, state.contexts, strict=True)
    )
    return replace(state, figures=figures, contexts=contexts, read=state.read + 1)


def _with_reading(track: FigureTrack, sweep: SweepSeen, value: float, u: float) -> FigureTrack:
    series = append(track.series, sweep.started_s, value, sweep.seq)
    if not math.isfinite(value):
        return replace(track, series=series)
    totals = series.totals
    assert totals.greatest is not None
    assert totals.least is not None
    larger = u if not track.u_largest >= u else track.u_largest
    return replace(
        track,
        series=series,
        u_greatest=u if totals.greatest.seq == sweep.seq else track.u_greatest,
        u_least=u if totals.least.seq == sweep.seq else track.u_least,
        u_largest=track.u_largest if math.isnan(u) else larger,
    )


def counted_gap(settings: SoakSettings, state: SoakState, gap: GapSeen) -> SoakState:
    """With the due sweeps of a gap that lie within the soak, taken as evenly spread over it."""
    if state.start_s is None or gap.count <= 0:
        return state
    first_s, end_s = state.start_due_s, state.start_due_s + settings.length_s
    if gap.to_s <= gap.from_s:
        inside = gap.count if first_s <= gap.from_s < end_s else 0
        return replace(state, missed=state.missed + inside)
    apart_s = (gap.to_s - gap.from_s) / max(1, gap.count - 1)
    before_end = _how_many(gap, apart_s, end_s)
    before_start = _how_many(gap, apart_s, first_s)
    return replace(state, missed=state.missed + before_end - before_start)


def _how_many(gap: GapSeen, apart_s: float, until_s: float) -> int:
    """Due times of a gap before a moment; a microsecond is rounding."""
    if until_s <= gap.from_s:
        return 0
    return min(gap.count, math.floor((until_s - gap.from_s - 1e-6) / apart_s) + 1)


def with_findings(state: SoakState, output: Output) -> SoakState:
    """With the kind's own findings and the verdict of a pass. That nobody heard is no fault of what
    is on soak; it is counted as time not listened."""
    findings, passes = state.findings, state.passes
    for one in output.findings:
        if one.what in HEARING_WORDS:
            continue
        if one.what in findings or len(findings) < WORDS_MOST:
            findings = {**findings, one.what: findings.get(one.what, 0) + 1}
    if output.verdict is not None:
        word = str(output.verdict["verdict"])
        passes = {**passes, word: passes.get(word, 0) + 1}
    return replace(state, findings=findings, passes=passes)


def with_setup(state: SoakState, event: SetupChanged) -> SoakState:
    """With another way of sweeping; only those of step 0 count."""
    if event.step != 0:
        return state
    frequency_hz = event.grid.frequency_hz
    way = " ".join(
        (event.grid.digest, str(event.rbw_hz), str(event.attenuation_db), event.identity)
    )
    changed = state.way not in ("", way) and state.start_s is not None
    middle_hz = float(frequency_hz[0] + frequency_hz[-1]) / 2.0
    return replace(state, way=way, ways=state.ways + changed, middle_hz=middle_hz)


def with_reference(settings: SoakSettings, state: SoakState, event: SetupChanged) -> SoakState:
    """With a new reference of the closing role, if the setup brings one that can be used."""
    role = settings.closing_reference
    reference = None if role is None else event.references.get(role.value)
    if reference is None or event.step != 0 or not reference.is_usable:
        return state
    if state.mark is not None and reference.at_s <= state.mark.at_s:
        return state
    mark = _mark(reference, event.grid.digest)
    if mark is None:
        return state
    change_db = state.reference_db
    if state.mark is not None and state.mark.grid == mark.grid and state.start_s is not None:
        moved_db = float(np.max(np.abs(mark.means_db - state.mark.means_db)))
        change_db = moved_db if math.isnan(change_db) else max(change_db, moved_db)
    return replace(state, mark=mark, references=state.references + 1, reference_db=change_db)


def _mark(reference: Reference, grid: str) -> ReferenceMark | None:
    level = reference.level
    if level is None:
        return None
    if np.iscomplexobj(level):
        with np.errstate(divide="ignore"):
            level = 20.0 * np.log10(np.abs(level))
    known = np.asarray(level, dtype=np.float64)
    known = known[np.isfinite(known)]
    if known.size < REFERENCE_BLOCKS:
        return None
    edges = np.arange(REFERENCE_BLOCKS + 1) * known.size // REFERENCE_BLOCKS
    sums: Float = np.add.reduceat(known, edges[:-1])
    return ReferenceMark(at_s=reference.at_s, grid=grid, means_db=sums / np.diff(edges))
