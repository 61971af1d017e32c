"""One finding's own sheet: what happened, in plain words, and what can be held against it.

Ten minutes before and after, zoomed in on the frequency; the levels before, during and after; the
same thing on earlier nights; the state of the clock; what was watched around it. It is made to be
handed to somebody who was not there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from acqd.archive.reader import Archive
from acqd.archive.records import FindingRecord
from acqd.look.times import clock, date, duration, zone_text
from acqd.measure.words import frequency_text, range_text
from acqd.report.blocks import Block
from acqd.report.closerlook import closer_section
from acqd.report.earlier import earlier_section
from acqd.report.kinds import KindParts, parts_of
from acqd.report.kinds.band import Night, read_night, sheet_of
from acqd.report.kinds.plain import coverage_text
from acqd.report.shapes import Band, Line, Section, SpectrumChart, SweepRange, Table, TrendChart
from acqd.report.signals import heard_signals, same_signal
from acqd.report.source import STATION, JobSource, finding_shown
from acqd.report.spectra import Spectra
from acqd.report.words import count_text, joined_text, level, percent, sentence
from acqd.sweep import SweepFlag

__all__ = ["AROUND_S", "event_parts", "range_of_event"]

Float = NDArray[np.float64]

AROUND_S = 600.0
"""Shown before the event and after it."""

LONGEST_S = 2 * 3600.0
"""An event that lasted longer is shown around the moment that it was told of."""

ZOOM_WIDTHS, ZOOM_LEAST_HZ = 10.0, 50e3
"""Half of the frequencies shown: so many widths of the signal, and this at least."""

CLOCK_AROUND_S = 86400.0
"""What the station told of its clock within so long says something about the clock then."""


def event_time(archive: Archive, record: FindingRecord) -> tuple[float, float]:
    """When it began and ended, as far as anybody told; both are the moment itself where not."""
    since_s = _number(record, "since_s", record.at_s)
    last_s = _number(record, "last_heard_s", record.at_s)
    if record.what == "signal_appeared":
        later = archive.findings(record.job, record.at_s, record.at_s + LONGEST_S + AROUND_S)
        ends = [
            _number(one, "last_heard_s", one.at_s)
            for one in later
            if one.what in ("signal_ended", "signal_flapping") and same_signal(one, record)
        ]
        last_s = min(ends, default=last_s)
    begin_s, end_s = min(since_s, record.at_s), max(last_s, since_s)
    return (begin_s, end_s) if end_s - begin_s <= LONGEST_S else (record.at_s, record.at_s)


def range_of_event(archive: Archive, record: FindingRecord) -> tuple[float, float]:
    """Ten minutes before it to ten minutes after it."""
    begin_s, end_s = event_time(archive, record)
    return begin_s - AROUND_S, end_s + AROUND_S


def event_parts(source: JobSource, record: FindingRecord) -> KindParts:
    """The sheet of one finding. Kinds other than ``band`` are told as ever, with the clock, the
    coverage and earlier nights beside it."""
    begin_s, end_s = event_time(source.archive, record)
    closer = closer_section(source, record)
    around: list[Section] = [
        *(() if closer is None else (closer,)),
        _clock_section(source),
        _coverage_section(source),
        *earlier_section(source, record),
    ]
    words = _words_section(source, record, begin_s, end_s)
    if source.kind != "band" or not len(source.sweeps()):
        inner = parts_of(source)
        return KindParts(
            headline=sentence(record.text),
            asked=inner.asked,
            sections=(words, *inner.sections, *around),
            verdict=inner.verdict,
            limits=inner.limits,
        )
    zoom = _zoom(source, record)
    looked = _Looked(source, zoom, begin_s, end_s)
    night = read_night(
        source,
        low_hz=zoom.low_hz if zoom.is_cut else None,
        high_hz=zoom.high_hz if zoom.is_cut else None,
        also=looked.take,
    )
    sheet = sheet_of(night, heard_signals(source))
    sections = [
        words,
        Section(key="sheet", title="Ten minutes before and after", charts=(sheet,)),
        *looked.sections(night),
        *around,
    ]
    return KindParts(headline=sentence(record.text), sections=tuple(sections))


def _number(record: FindingRecord, name: str, default: float) -> float:
    value = record.figures.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return default
    return float(value)


# --- in plain words -------------------------------------------------------------------------------


def _words_section(
    source: JobSource, record: FindingRecord, begin_s: float, end_s: float
) -> Section:
    zone = source.zone
    figures = record.figures
    rows: list[tuple[str, str]] = [
        ("when", f"{date(begin_s, zone)}, {clock(begin_s, zone, seconds=True)} "
                 f"({zone_text(begin_s, zone)})"),
        ("in UTC", f"{datetime.fromtimestamp(begin_s, UTC):%Y-%m-%d %H:%M:%S}"),
    ]  # fmt: skip
    lasted_s = _number(record, "duration_s", end_s - begin_s)
    if lasted_s > 0:
        rows.append(("how long", _lasted(record, lasted_s)))
    where_hz = finding_shown(record).frequency_hz
    if where_hz is not None:
        channel = figures.get("channel")
        text = frequency_text(where_hz)
        rows.append(("where", f"{text}, channel {channel}" if channel else text))
    elif figures.get("start_hz") is not None and figures.get("stop_hz") is not None:
        text = range_text(_number(record, "start_hz", 0.0), _number(record, "stop_hz", 0.0))
        rows.append(("where", text))
    if _number(record, "width_hz", 0.0) > 0:
        rows.append(("how wide", frequency_text(_number(record, "width_hz", 0.0))))
    rows += _strength(source, record)
    if record.seq is not None:
        rows.append(("sweep", f"number {record.seq} of job {source.job}"))
    rows.append(("told as", f"finding {record.number}: {record.text}"))
    table = Table(
        title="What was found",
        heads=("", ""),
        units=("", ""),
        places=(None, None),
        rows=tuple(rows),
        sweeps=source.range_of(),
    )
    lead = (
        f"{sentence(record.text)} Levels are those at {source.plane}. They say how strong the "
        f"signal was there, not how strong it was sent."
    )
    return Section(key="what", title="What happened", lead=lead, tables=(table,))


def _lasted(record: FindingRecord, lasted_s: float) -> str:
    within_s = _number(record, "duration_within_s", 0.0)
    text = duration(lasted_s)
    return f"{text}, known within {duration(within_s)}" if within_s > 0 else text


def _strength(source: JobSource, record: FindingRecord) -> list[tuple[str, str]]:
    for name, value in record.figures.items():
        if name.startswith("peak_") and name not in ("peak_hz", "peak_seq") and value is not None:
            u_db = source.level_u()
            u_text = "" if u_db is None else f" ± {u_db:.1f} dB (k = 2)"
            return [("how strong", f"{level(float(value))} {source.unit}{u_text} at its strongest")]
    return []


# --- levels ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Zoom:
    """Frequencies shown, and those whose highest level is followed over time."""

    low_hz: float
    high_hz: float
    first_hz: float
    last_hz: float
    is_cut: bool


def _zoom(source: JobSource, record: FindingRecord) -> _Zoom:
    axes = [one.frequency_hz for one in source.sweeps().setups]
    all_low, all_high = min(float(a.min()) for a in axes), max(float(a.max()) for a in axes)
    where_hz = finding_shown(record).frequency_hz
    if where_hz is None:
        return _Zoom(all_low, all_high, all_low, all_high, is_cut=False)
    rbw_hz = float((source.details.get("measuring") or {}).get("rbw_hz") or 0.0)
    width_hz = max(_number(record, "width_hz", 0.0), rbw_hz)
    half_hz = max(ZOOM_WIDTHS * width_hz, ZOOM_LEAST_HZ)
    return _Zoom(
        max(all_low, where_hz - half_hz),
        min(all_high, where_hz + half_hz),
        where_hz - max(width_hz, 1.0),
        where_hz + max(width_hz, 1.0),
        is_cut=True,
    )


class _Looked:
    """Spectra before, during and after, and the level at the frequency in each sweep."""

    def __init__(self, source: JobSource, zoom: _Zoom, begin_s: float, end_s: float) -> None:
        self._source, self._zoom = source, zoom
        # A sweep that began just before has seen it too; one a sweep after the end has not.
        took_s = float(np.median(source.sweeps().took_s))
        self._begin_s, self._end_s = begin_s - took_s, end_s + took_s / 2.0
        self._parts: dict[tuple[int, bytes], Spectra] = {}
        self._numbers: dict[int, list[int]] = {0: [], 1: [], 2: []}
        self._level = np.full(len(source.sweeps()), np.nan)

    def take(self, block: Block) -> None:
        part = (block.started_s >= self._begin_s).astype(int) + (block.started_s > self._end_s)
        listening = ~self._source.deaf[block.place]
        for number in (0, 1, 2):
            here = (part == number) & listening
            if here.any():
                key = (number, block.frequency_hz.tobytes())
                spectra = self._parts.setdefault(key, Spectra(block.setup))
                spectra.take(block.setup, block.level[here])
                self._numbers[number] += block.seq[here].tolist()
        at = self._points(block.frequency_hz)
        if at.size:
            self._level[block.place] = np.fmax.reduce(block.level[:, at], axis=1)

    def _points(self, axis_hz: Float) -> NDArray[np.intp]:
        zoom = self._zoom
        at = np.flatnonzero((axis_hz >= zoom.first_hz) & (axis_hz <= zoom.last_hz))
        if not at.size and axis_hz[0] <= zoom.last_hz and zoom.first_hz <= axis_hz[-1]:
            middle_hz = (zoom.first_hz + zoom.last_hz) / 2.0
            at = np.array([int(np.argmin(np.abs(axis_hz - middle_hz)))])
        return np.asarray(at, dtype=np.intp)

    def sections(self, night: Night) -> list[Section]:
        found = [self._spectra_section(night), self._level_section(night)]
        return [one for one in found if one is not None]

    def _spectra_section(self, night: Night) -> Section | None:
        lines = []
        told = []
        parts: tuple[tuple[int, str, Literal["first", "now", "last"]], ...] = (
            (0, "before", "first"),
            (1, "during", "now"),
            (2, "after", "last"),
        )
        for number, word, role in parts:
            mine = [one for (part, _), one in self._parts.items() if part == number]
            if not mine:
                told.append(f"no sweep {word}")
                continue
            spectrum = max(mine, key=lambda one: one.sweeps).spectrum()
            axis_hz = spectrum.frequency_hz
            here = (axis_hz >= self._zoom.low_hz) & (axis_hz <= self._zoom.high_hz)
            curve = spectrum.highest if number == 1 else spectrum.median
            what = "highest" if number == 1 else "median"
            told.append(f"{count_text(spectrum.sweeps, 'sweep')} {word}")
            lines.append(
                Line(
                    name=f"{word}, {what}",
                    x=axis_hz[here],
                    y=curve[here],
                    role=role,
                    sweeps=self._range(self._numbers[number]),
                )
            )
        if not lines:
            return None
        threshold = night.column("threshold")
        known = threshold[np.isfinite(threshold)]
        source = self._source
        channels = () if night.occupancy is None else night.occupancy.channels
        chart = SpectrumChart(
            title="Before, during and after",
            unit=source.unit,
            plane=source.plane,
            lines=tuple(lines),
            bands=tuple(
                Band(name=one.name, start=one.start_hz, stop=one.stop_hz)
                for one in channels
                if one.stop_hz > self._zoom.low_hz and one.start_hz < self._zoom.high_hz
            ),
            threshold=float(np.median(known)) if known.size else math.nan,
            level_u=source.level_u(),
            sweeps=source.range_of(),
            alt=f"Levels over {range_text(self._zoom.low_hz, self._zoom.high_hz)}: "
            f"{joined_text(told)}.",
        )
        lead = f"From {joined_text(told)} that listened."
        return Section(key="spectra", title="Before, during, after", lead=lead, charts=(chart,))

    def _range(self, numbers: list[int]) -> SweepRange | None:
        if not numbers:
            return None
        return SweepRange(
            job=self._source.job, first_seq=min(numbers), last_seq=max(numbers), count=len(numbers)
        )

    def _level_section(self, night: Night) -> Section | None:
        known = np.isfinite(self._level)
        if not known.any():
            return None
        source, index = self._source, self._source.sweeps()
        order = np.argsort(index.started_s, kind="stable")
        at_s, values = _parted(index.started_s[order], self._level[order], night.bins.hold_s)
        where = range_text(self._zoom.first_hz, self._zoom.last_hz)
        threshold = index.column(f"threshold_{night.suffix}")[order]
        lines = [Line(name="highest level", x=at_s, y=values, role="now", sweeps=source.range_of())]
        if np.isfinite(threshold).any():
            moment_s, curve = _parted(index.started_s[order], threshold, night.bins.hold_s)
            lines.append(Line(name="threshold", x=moment_s, y=curve, role="threshold"))
        high = int(np.nanargmax(self._level))
        chart = TrendChart(
            title=f"Level at {where}",
            unit=source.unit,
            lines=tuple(lines),
            gaps=source.gaps,
            sweeps=source.range_of(),
            alt=f"Highest level over {where} in each sweep: at most "
            f"{level(float(self._level[high]))} {source.unit} at "
            f"{clock(float(index.started_s[high]), source.zone, seconds=True)}.",
        )
        u_db = source.level_u()
        lead = f"The highest level over {where} in each sweep, at {source.plane}"
        lead += "." if u_db is None else f", ± {u_db:.1f} dB (k = 2)."
        return Section(key="level", title="Level over time", lead=lead, charts=(chart,))


def _parted(at_s: Float, values: Float, hold_s: float) -> tuple[Float, Float]:
    """The curve with a NaN in each gap longer than ``hold_s``, so that none is bridged."""
    if hold_s <= 0 or at_s.size < 2:
        return at_s, values
    after = np.flatnonzero(np.diff(at_s) > hold_s) + 1
    middle_s = (at_s[after - 1] + at_s[after]) / 2.0
    return np.insert(at_s, after, middle_s), np.insert(values, after, np.nan)


# --- clock and coverage ---------------------------------------------------------------------------


def _clock_section(source: JobSource) -> Section:
    """Whether the times on this sheet can be relied on."""
    index = source.sweeps()
    told = []
    if not len(index):
        told.append("No sweep here says how the station's clock stood.")
    else:
        free = int(np.count_nonzero(index.flags & int(SweepFlag.CLOCK_UNSYNCHRONISED)))
        steps = int(np.count_nonzero(index.flags & int(SweepFlag.CLOCK_STEPPED)))
        if not free:
            told.append("The station's clock said that it was synchronised in every sweep here.")
        elif free == len(index):
            told.append(
                "The station's clock did not say that it was synchronised: these times may be off "
                "by what nobody knows."
            )
        else:
            told.append(
                f"In {free} of {count_text(len(index), 'sweep')} the station's clock did not say "
                f"that it was synchronised."
            )
        told.append(
            f"It was put {count_text(steps, 'time')} meanwhile."
            if steps
            else "It was not put meanwhile."
        )
    rows = tuple(
        (date(one.at_s, source.zone), clock(one.at_s, source.zone, seconds=True), one.text)
        for one in _about_clock(source)
    )
    table = Table(
        title="What the station told of clocks within a day",
        heads=("day", "time", ""),
        units=("", "", ""),
        places=(None, None, None),
        rows=rows,
    )
    if not rows:
        told.append("Within a day the station told nothing of clocks.")
    return Section(
        key="clock", title="The clock", lead=" ".join(told), tables=(table,) if rows else ()
    )


def _about_clock(source: JobSource) -> list[FindingRecord]:
    start_s, stop_s = source.start_s - CLOCK_AROUND_S, source.stop_s + CLOCK_AROUND_S
    found = [
        one
        for job in (STATION, source.job)
        for one in source.archive.findings(job, start_s, stop_s)
        if "clock" in one.what
    ]
    return sorted(found, key=lambda one: one.at_s)


def _coverage_section(source: JobSource) -> Section:
    coverage = source.coverage
    told = [sentence(coverage_text(source))]
    if coverage.stored:
        share = coverage.listened / coverage.stored
        told.append(
            "All of them listened." if share == 1.0 else f"{percent(share)} of them listened."
        )
    told += [sentence(gap.text) for gap in source.gaps[:6]]
    told += [sentence(spell.text) for spell in source.spells[:6]]
    return Section(key="watched", title="What was watched around it", lead=" ".join(told))
