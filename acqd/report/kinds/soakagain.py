"""A soak counted again from what the archive keeps: its limits as they stand, with U.

The archive has what a soak said (one finding, and a part of each summary), not the judgements
behind it. They are worked out anew by the soak's own meter, which is handed the summaries, columns
and findings as they were kept instead of a kind's. Where what comes out is not what was told, that
is said, and what was told stands.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.records import CONTEXT, FindingRecord, GapRecord, SetupRecord, SweepRecord
from acqd.archive.views import SetupView, sweep_seen
from acqd.config.recorded import recorded_config
from acqd.config.told import soak_settings
from acqd.config.whole import StationConfig
from acqd.measure.carrier_meter import CarrierMeter
from acqd.measure.emission_summary import COLUMNS, values_of
from acqd.measure.meter import Event, FindingDraft, GapSeen, HourTurned, Output
from acqd.measure.soak_meter import SoakMeter, SoakMeterState
from acqd.measure.soak_reading import figure_reading
from acqd.measure.soak_settings import SoakSettings
from acqd.measure.soak_state import SoakState
from acqd.measure.soak_verdict import soak_verdict
from acqd.report.kinds.transmission import verdict_of_pass
from acqd.report.source import HOUR_S, JobSource
from acqd.sweep import SweepFlag

__all__ = ["Again", "count_again"]

Float = NDArray[np.float64]

CONFIG_CHANGED = "config changed"
"""The reason of the gap of no sweeps that marks where a config did."""

TOLD_EVERY = 256
"""Sweeps from one word of progress to the next; a thousand take about a second."""

NOT_THE_KINDS = frozenset(
    {
        "input_near_maximum", "meter_failed", "not_put_back", "not_ready", "ready_again",
        "reference_wanted", "refused", "soak_excursion", "soak_no_figure", "soak_verdict",
    }
)  # fmt: skip
"""Findings that the soak itself or the station made."""


@dataclass(slots=True, kw_only=True)
class Again:
    """A soak as it stands at the end of the range.

    ``readings`` are time, value and U of each limit's figure, one a sweep that counted; ``seq`` the
    numbers of the passes they came from.
    """

    settings: SoakSettings
    state: SoakState
    verdict: Mapping[str, Any] | None
    """As the soak gave it; None while it runs."""
    readings: tuple[list[tuple[int, float, float]], ...]
    """For each limit: number of the pass, value, U."""

    @property
    def standing(self) -> Mapping[str, Any]:
        """The verdict, else what it would be if the soak ended here."""
        if self.verdict is not None:
            return self.verdict
        return soak_verdict(self.settings, self.state, is_closed=False)

    def on(self, pass_id: NDArray[np.int64], at: int) -> tuple[Float, Float]:
        """Value and U of limit number ``at``, (sweeps,), for the sweeps of these passes."""
        value, u = np.full(pass_id.size, np.nan), np.full(pass_id.size, np.nan)
        row_of = {seq: row for row, seq in enumerate(pass_id.tolist())}
        for seq, reading, expanded in self.readings[at]:
            row = row_of.get(seq)
            if row is not None:
                value[row], u[row] = reading, expanded
        return value, u


@dataclass(slots=True)
class _Recorded:
    """Stands where a kind's meter does, and gives what the kind gave then."""

    output: Output = field(default_factory=Output)
    version: str = "recorded"

    def start(self) -> None:
        return None

    def step(self, state: None, event: Event) -> tuple[None, Output]:
        return None, self.output

    def dump(self, state: None) -> bytes:
        return b""

    def load(self, data: bytes) -> None:
        return None


def count_again(source: JobSource, started_s: float) -> Again:
    """The soak that began at ``started_s``, up to the end of the range.

    Raises:
        ArchiveDamaged: its config cannot be read by this acqd.
        ArchiveError: the archive cannot be read.
    """
    config = recorded_config(source.job, source.config)
    settings = soak_settings(config, source.job, _units(source.kind))
    inner = _Recorded()
    meter = SoakMeter(inner, settings)
    state = meter.start()
    total = sum(len(source.sweeps(step)) for step in source.steps)
    readings: tuple[list[tuple[int, float, float]], ...] = tuple([] for _ in settings.limits)
    done = 0
    for happened in _happened(source, started_s):
        done += isinstance(happened.record, SweepRecord)
        if source.progress is not None and done % TOLD_EVERY == 1:
            source.progress(min(done, total), total, "counting the soak again")
        if _is_mark(happened.record):
            state = meter.start()
            continue
        inner.output = happened.output(config, source)
        before = state.soak
        state, _ = meter.step(state, happened.event)
        if isinstance(happened.record, SweepRecord) and state.soak.read > before.read:
            for at, limit in enumerate(settings.limits):
                value, u = figure_reading(limit, inner.output)
                readings[at].append((happened.record.pass_id, value, u))
    return _again(settings, state, readings)


def _again(settings: SoakSettings, state: SoakMeterState, readings: Any) -> Again:
    soak = state.soak
    return Again(settings=settings, state=soak, verdict=soak.verdict, readings=readings)


def _units(kind: str) -> Mapping[str, str]:
    """Units of the figures of kinds that name theirs, as the station takes them."""
    return CarrierMeter.figures if kind == "carrier" else {}


# --- what happened --------------------------------------------------------------------------------


@dataclass(slots=True)
class _Happened:
    """One event, and the kind's findings that were committed with it."""

    event: Event
    record: Any
    found: list[FindingRecord] = field(default_factory=list)

    def output(self, config: StationConfig, source: JobSource) -> Output:
        """What the kind gave, as far as a soak looks at it."""
        findings = tuple(
            FindingDraft(what=one.what, at_s=one.at_s, text=one.text, seq=one.seq)
            for one in self.found
        )
        if not isinstance(self.record, SweepRecord) or self.record.summary is None:
            return Output(findings=findings)
        record, summary = self.record, self.record.summary
        columns = {
            name: value for name, value in record.columns.items() if not name.startswith(CONTEXT)
        }
        word = _word(source.kind, config, source.job, summary, record.flags)
        return Output(
            summary=summary,
            columns=columns,
            values=_values(source.kind, summary, columns),
            findings=findings,
            verdict=None if word is None else {"verdict": word},
        )


def _happened(source: JobSource, started_s: float) -> Iterator[_Happened]:
    """Everything from the hour of the soak's start on, each with its findings."""
    views: dict[str, SetupView] = {}
    waiting: _Happened | None = None
    first_s = math.floor(started_s / HOUR_S) * HOUR_S
    for record in source.archive.events_and_findings(source.job, first_s, source.stop_s):
        if isinstance(record, FindingRecord):
            if waiting is not None and record.what not in NOT_THE_KINDS:
                waiting.found.append(record)
            continue
        if waiting is not None:
            yield waiting
            waiting = None
        if isinstance(record, SetupRecord):
            if record.setup not in views:
                views[record.setup] = SetupView.of(record, started_s)
            yield _Happened(views[record.setup].event, record)
            continue
        if isinstance(record, SweepRecord):
            event: Event = sweep_seen(record, views[record.setup])
        elif isinstance(record, GapRecord):
            event = GapSeen(
                from_s=record.from_s, to_s=record.to_s, count=record.count, reason=record.reason
            )
        else:
            hour_s = record.hour_start_s
            event = HourTurned(hour_start_s=hour_s, hour_end_s=hour_s + HOUR_S)
        waiting = _Happened(event, record)
    if waiting is not None:
        yield waiting


def _is_mark(record: Any) -> bool:
    return isinstance(record, GapRecord) and record.reason == CONFIG_CHANGED


def _word(
    kind: str, config: StationConfig, job: str, summary: Mapping[str, Any], flags: SweepFlag
) -> str | None:
    """The verdict of a pass; None of a kind that gives none."""
    if kind == "transmission":
        return verdict_of_pass(config, job, summary, flags)
    word = summary.get("verdict")
    return None if word is None else str(word)


def _values(
    kind: str, summary: Mapping[str, Any], columns: Mapping[str, float]
) -> Mapping[str, float]:
    """The bare figures of a pass, rounded as they were published."""
    if kind == "emission":
        return values_of({**dict.fromkeys(COLUMNS, math.nan), **columns})
    if kind == "band":
        return dict(_band_values(columns))
    if kind == "carrier":
        return {
            name: float(summary[name])
            for name in CarrierMeter.figures
            if not name.startswith("floor_") and isinstance(summary.get(name), int | float)
        }
    if kind == "reflection":
        named = {f"swr_{one['name']}": one["swr"] for one in summary["named"]}
        return {name: float(value) for name, value in named.items() if value is not None}
    return {}


def _band_values(columns: Mapping[str, float]) -> Iterator[tuple[str, float]]:
    for name, value in columns.items():
        stem, _, suffix = name.rpartition("_")
        if stem == "floor":
            yield name, round(value, 3)
        elif stem == "peak" and suffix != "hz":
            yield f"strongest_{suffix}", round(value, 3)
        elif name == "occupied_fraction":
            yield name, round(value, 6)
