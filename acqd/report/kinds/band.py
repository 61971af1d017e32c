"""Kind ``band``: the night sheet, spectra, occupancy, the floor, signals, what was missed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from acqd.measure.bandpower import step_too_wide
from acqd.measure.words import frequency_text, range_text, unit_suffix
from acqd.report.asked import asked_facts
from acqd.report.blocks import Block
from acqd.report.figures import context_section, hour_tables
from acqd.report.floor import binned, floor_chart, floor_statement, floor_strip
from acqd.report.kinds import KindParts
from acqd.report.kinds.plain import coverage_text
from acqd.report.missed import MissedSums, missed_section
from acqd.report.occupancy import Counts, Occupancy
from acqd.report.picture import Picture, TimeBins, colour_scale
from acqd.report.shapes import (
    Band,
    Fact,
    HeatChart,
    Line,
    Section,
    Sheet,
    SpectrumChart,
    SweepRange,
)
from acqd.report.signals import Heard, heard_signals, signals_table
from acqd.report.source import JobSource
from acqd.report.spectra import Spectra, Spectrum
from acqd.report.words import count_text, joined_text, level, percent
from acqd.units import LevelUnit

__all__ = ["Night", "parts", "read_night", "spectrum_chart", "spectrum_lines"]

Float = NDArray[np.float64]

GRIDS_MOST = 4
"""Grids of one night that get spectra of their own."""

MARKS_MOST = 8
BANDS_MOST = 120
"""Channels drawn behind a spectrum; of more only those that were busy."""


@dataclass(slots=True)
class Night:
    """What one reading of all sweeps gives."""

    source: JobSource
    bins: TimeBins
    picture: Picture | None
    level: NDArray[np.float32]
    """(columns, rows) of the picture."""
    spectra: list[Spectrum] = field(default_factory=list)
    spectra_sweeps: SweepRange | None = None
    occupancy: Occupancy | None = None
    total: Counts | None = None
    missed: MissedSums | None = None
    dropped_grids: int = 0

    @property
    def suffix(self) -> str:
        return unit_suffix(LevelUnit(self.source.unit))

    def column(self, name: str) -> Float:
        """A column of step 0 by the start of its name, NaN in sweeps that did not listen."""
        values = self.source.sweeps().column(f"{name}_{self.suffix}").copy()
        values[self.source.deaf] = np.nan
        return values


def read_night(
    source: JobSource,
    *,
    low_hz: float | None = None,
    high_hz: float | None = None,
    also: Callable[[Block], None] | None = None,
) -> Night:
    """Read every sweep of step 0 once. ``low_hz`` and ``high_hz`` cut the picture; ``also`` is
    given each block as well."""
    index = source.sweeps()
    bins = TimeBins(source.start_s, source.stop_s, _rhythm_s(source))
    if not len(index):
        return Night(source, bins, None, np.full((len(bins), 1), np.nan, dtype=np.float32))
    picture = Picture(bins, index.setups, low_hz=low_hz, high_hz=high_hz)
    occupancy, missed = Occupancy(source), MissedSums(unit_suffix(LevelUnit(source.unit)))
    spectra: dict[tuple[bytes, str], Spectra] = {}
    first: list[int] = []
    last: list[int] = []
    dropped: set[tuple[bytes, str]] = set()
    for block in source.blocks():
        picture.take(block)
        occupancy.take(block)
        listening = ~source.deaf[block.place]
        missed.take(block, listening)
        if also is not None:
            also(block)
        key = (block.frequency_hz.tobytes(), block.setup.unit)
        if key not in spectra and len(spectra) >= GRIDS_MOST:
            dropped.add(key)
            continue
        spectra.setdefault(key, Spectra(block.setup)).take(block.setup, block.level[listening])
        if listening.any():
            first.append(int(block.seq[listening].min()))
            last.append(int(block.seq[listening].max()))
    found = [one.spectrum() for one in spectra.values() if one.sweeps]
    found.sort(key=lambda one: -one.sweeps)
    sweeps = None
    if first:
        count = sum(one.sweeps for one in found)
        sweeps = SweepRange(job=source.job, first_seq=min(first), last_seq=max(last), count=count)
    return Night(
        source=source,
        bins=bins,
        picture=picture,
        level=picture.finish(index.started_s, index.took_s),
        spectra=found,
        spectra_sweeps=sweeps,
        occupancy=occupancy,
        total=occupancy.total(),
        missed=missed,
        dropped_grids=len(dropped),
    )


def _rhythm_s(source: JobSource) -> float:
    """The longer of the planned interval and the one that sweeps came in."""
    steps = np.diff(np.sort(source.sweeps().started_s))
    steps = steps[steps > 0]
    came = float(np.median(steps)) if steps.size else math.nan
    return float(np.nanmax([source.interval_s, came, 0.0]))


# --- the report of a job --------------------------------------------------------------------------


def parts(source: JobSource) -> KindParts:
    """All that a report says of a band job."""
    night = read_night(source)
    heard = heard_signals(source)
    sections: list[Section] = []
    if len(source.sweeps()):
        sections.append(_sheet_section(night, heard))
        if night.spectra:
            sections.append(_spectra_section(night))
        sections += _occupancy_sections(night)
        sections += _floor_sections(night)
    if heard:
        table = signals_table(source, heard)
        sections.append(Section(key="signals", title="Signals", tables=(table,)))
    if len(source.sweeps()):
        sections += missed_section(source, night.missed)
        sections += context_section(source, night.bins)
    sections += hour_tables(source)
    return KindParts(
        headline=_headline(night, heard),
        asked=(*asked_facts(source), *_asked_of_band(source)),
        sections=tuple(sections),
        limits=tuple(_limits(night)),
    )


def _asked_of_band(source: JobSource) -> list[Fact]:
    band = source.config.get("band") or {}
    facts = []
    threshold = []
    if band.get("false_alarm") is not None:
        threshold.append(_false_alarm_text(float(band["false_alarm"])))
    if band.get("margin") is not None:
        threshold.append(f"a margin of {band['margin']} above the floor")
    if threshold:
        facts.append(Fact(name="threshold by", text=joined_text(threshold)))
    plan = source.config.get("channel_plan")
    if plan:
        text = f"{plan.get('title') or plan.get('name')} ({plan.get('edition')})"
        facts.append(Fact(name="channel plan", text=text))
    return facts


def _false_alarm_text(probability: float) -> str:
    """``one false alarm in 10 000 000 points``: what a probability of 1e-7 a point comes to."""
    if not 0.0 < probability < 1.0:
        return f"a false alarm rate of {probability:g} a point"
    return f"one false alarm in {count_text(round(1.0 / probability), 'point')}"


def _limits(night: Night) -> list[str]:
    source, found = night.source, []
    index = source.sweeps()
    if len(index.setups) > 1:
        found.append(
            f"The setup changed within this time: {count_text(len(index.setups), 'setup')}. The "
            f"picture has them all; spectra are told for each grid of frequencies by itself."
        )
    if night.dropped_grids:
        found.append(f"{count_text(night.dropped_grids, 'more grid')} have no spectra here.")
    occupancy = night.occupancy
    if occupancy is not None and occupancy.plan is not None and not occupancy.counts_all:
        found.append(
            "The threshold stands on a floor that was learnt, so occupancy is told for whole hours "
            "only, and for the whole range without an interval."
        )
    if occupancy is not None and occupancy.plan is None and len(index):
        found.append("The job has no channel plan: there is no occupancy by channel.")
    if len(index) and not np.isfinite(night.level).any():
        found.append("Every level of these sweeps is missing: there is nothing to show.")
    coverage = source.coverage
    if coverage.stored > coverage.listened:
        deaf = count_text(coverage.stored - coverage.listened, "sweep")
        told = f"{deaf} did not listen; they are in the picture, and in no spectrum"
        if (
            occupancy is not None
            and occupancy.plan is not None
            and coverage.flagged.get("overload")
        ):
            # The meter judges channels of an overloaded sweep too: it was there to hear them.
            told += " or floor. Those with an overloaded input count in the occupancy all the same."
        else:
            told += ", floor or occupancy."
        found.append(told)
    return found


def _headline(night: Night, heard: list[Heard]) -> str:
    source = night.source
    told = [coverage_text(source)]
    total, occupancy = night.total, night.occupancy
    if total is not None and occupancy is not None and total.hits.any():
        at = occupancy.heard(total)[0]
        name = occupancy.channels[at].name
        name = f"channel {name}" if name[:1].isdigit() else name
        told.append(f"{name} was busiest, in {percent(float(total.share[at]))} of the sweeps")
    if heard:
        outside = [one for one in heard if one.channel is None]
        text = f"{count_text(len(heard), 'place')} with a signal"
        if occupancy is not None and occupancy.plan is not None and outside:
            text += f", {len(outside)} of them outside the channel plan"
        told.append(text)
    elif source.coverage.listened:
        told.append("no signal stood out")
    moved = [one.text for one in source.findings if one.what in ("floor_rose", "floor_fell")]
    if moved:
        told.append(moved[0] + (f" (and {len(moved) - 1} more)" if len(moved) > 1 else ""))
    text = "; ".join(told)
    return text[:1].upper() + text[1:] + "."


# --- the sheet ------------------------------------------------------------------------------------


def _sheet_section(night: Night, heard: list[Heard]) -> Section:
    return Section(key="sheet", title="The night", charts=(sheet_of(night, heard),))


def sheet_of(night: Night, heard: list[Heard]) -> Sheet:
    """The night sheet from what one reading gave."""
    source, picture = night.source, night.picture
    assert picture is not None
    is_db = source.unit.startswith("dB")
    low, high = colour_scale(night.level, is_db=is_db)
    spectrum = night.spectra[0] if night.spectra else None
    nothing = np.full(2, np.nan)
    axis_hz = picture.row_edges_hz[[0, -1]]
    index, sweeps = source.sweeps(), source.range_of()
    floor = night.column("floor")
    found = binned(night.bins, index.started_s, index.took_s, floor)
    statement = floor_statement(source, index.started_s, floor)
    threshold = night.column("threshold")
    known = threshold[np.isfinite(threshold)]
    heat: HeatChart | None = None
    if night.occupancy is not None and night.total is not None:
        heat = night.occupancy.heat(night.total, sweeps)
    return Sheet(
        job=source.job,
        column_edges_s=night.bins.edges_s,
        row_edges_hz=picture.row_edges_hz,
        level=night.level,
        unit=source.unit,
        plane=source.plane,
        colour_low=low,
        colour_high=high,
        level_u=source.level_u(),
        frequency_hz=axis_hz if spectrum is None else spectrum.frequency_hz,
        highest=nothing if spectrum is None else spectrum.highest,
        median=nothing if spectrum is None else spectrum.median,
        lowest=nothing if spectrum is None else spectrum.lowest,
        threshold=float(np.median(known)) if known.size else math.nan,
        marked_hz=_marked(night, heard),
        channel_edges=_channel_edges(night),
        floor=floor_strip(source, found, statement),
        occupancy=heat,
        sweeps=sweeps,
        alt=_sheet_alt(night, heard, statement),
    )


def _marked(night: Night, heard: list[Heard]) -> tuple[tuple[float, str], ...]:
    """The busiest channels, then the strongest signals that are in none, as far as there is room
    for their names."""
    assert night.picture is not None
    wanted: list[tuple[float, str]] = []
    occupancy, total = night.occupancy, night.total
    if occupancy is not None and total is not None:
        wanted += [
            (occupancy.channels[at].centre_hz, occupancy.channels[at].name)
            for at in occupancy.heard(total)[:MARKS_MOST]
        ]
    strongest = sorted(heard, key=lambda one: -one.peak)
    wanted += [
        (one.frequency_hz, one.channel or frequency_text(one.frequency_hz))
        for one in strongest
        if math.isfinite(one.frequency_hz)
    ]
    low_hz, high_hz = night.picture.row_edges_hz[[0, -1]].tolist()
    apart_hz = (high_hz - low_hz) / 45.0
    found: list[tuple[float, str]] = []
    for hz, name in wanted:
        if len(found) >= MARKS_MOST:
            break
        if low_hz <= hz <= high_hz and all(abs(hz - other) >= apart_hz for other, _ in found):
            found.append((hz, name))
    return tuple(sorted(found))


def _channel_edges(night: Night) -> tuple[tuple[float, float, str], ...]:
    occupancy = night.occupancy
    if occupancy is None or night.picture is None:
        return ()
    low_hz, high_hz = night.picture.row_edges_hz[[0, -1]].tolist()
    return tuple(
        (one.start_hz, one.stop_hz, one.name)
        for one in sorted(occupancy.channels, key=lambda one: one.centre_hz)
        if one.stop_hz > low_hz and one.start_hz < high_hz
    )


def _sheet_alt(night: Night, heard: list[Heard], statement: str) -> str:
    assert night.picture is not None
    low_hz, high_hz = night.picture.row_edges_hz[[0, -1]].tolist()
    if night.spectra:
        axis_hz = night.spectra[0].frequency_hz
        low_hz, high_hz = max(low_hz, float(axis_hz[0])), min(high_hz, float(axis_hz[-1]))
    where = range_text(low_hz, high_hz)
    told = [f"Levels over time and {where}; {coverage_text(night.source)}"]
    if night.source.gaps:
        longest = max(night.source.gaps, key=lambda one: one.to_s - one.from_s)
        told.append(f"{count_text(len(night.source.gaps), 'gap')}, the longest: {longest.text}")
    strongest = sorted(heard, key=lambda one: -one.peak)[:5]
    if strongest:
        names = [one.channel or frequency_text(one.frequency_hz) for one in strongest]
        told.append(f"the strongest signals on {joined_text(names)}")
    if statement:
        told.append(statement)
    return "; ".join(told) + "."


# --- spectra, occupancy, floor --------------------------------------------------------------------


def spectrum_lines(one: Spectrum, sweeps: SweepRange | None) -> tuple[Line, ...]:
    """Highest, mean, median with its neighbours, lowest."""
    low, middle, high = one.percentiles
    axis_hz = one.frequency_hz
    return (
        Line(name="highest", x=axis_hz, y=one.highest, role="held", sweeps=sweeps),
        Line(name="mean power", x=axis_hz, y=one.mean, role="mean", sweeps=sweeps),
        Line(
            name="median, and the band from 10 to 90 % of the sweeps",
            x=axis_hz,
            y=middle,
            low=low,
            high=high,
            role="now",
            sweeps=sweeps,
        ),
        Line(name="lowest", x=axis_hz, y=one.lowest, role="low", sweeps=sweeps),
    )


def spectrum_chart(
    night: Night, one: Spectrum, title: str, sweeps: SweepRange | None
) -> SpectrumChart:
    """One grid's spectrum with the channel plan behind it."""
    source = night.source
    threshold = night.column("threshold")
    known = threshold[np.isfinite(threshold)]
    where = range_text(float(one.frequency_hz[0]), float(one.frequency_hz[-1]))
    peak = "no level"
    if np.isfinite(one.highest).any():
        at = int(np.nanargmax(one.highest))
        peak = (
            f"highest {level(float(one.highest[at]))} {source.unit} at "
            f"{frequency_text(float(one.frequency_hz[at]))}"
        )
    return SpectrumChart(
        title=title,
        unit=source.unit,
        plane=source.plane,
        lines=spectrum_lines(one, sweeps),
        bands=_bands(night, one),
        threshold=float(np.median(known)) if known.size else math.nan,
        level_u=source.level_u(),
        sweeps=sweeps,
        alt=f"Levels of {count_text(one.sweeps, 'sweep')} over {where}: {peak}.",
    )


def _bands(night: Night, one: Spectrum) -> tuple[Band, ...]:
    occupancy = night.occupancy
    if occupancy is None:
        return ()
    low_hz, high_hz = float(one.frequency_hz[0]), float(one.frequency_hz[-1])
    inside = [
        at
        for at, channel in enumerate(occupancy.channels)
        if channel.stop_hz > low_hz and channel.start_hz < high_hz
    ]
    if len(inside) > BANDS_MOST and night.total is not None:
        inside = [at for at in inside if night.total.hits[at]]
    chosen = [occupancy.channels[at] for at in inside]
    return tuple(
        Band(name=channel.name, start=channel.start_hz, stop=channel.stop_hz)
        for channel in sorted(chosen, key=lambda channel: channel.centre_hz)
    )


def _spectra_section(night: Night) -> Section:
    charts = []
    for one in night.spectra:
        where = range_text(float(one.frequency_hz[0]), float(one.frequency_hz[-1]))
        sweeps = night.spectra_sweeps if len(night.spectra) == 1 else None
        charts.append(spectrum_chart(night, one, f"Levels over {where}", sweeps))
    first = night.spectra[0]
    precise = "exact to the sweeper's step" if not first.within else f"within {first.within:.2g} dB"
    if not night.source.unit.startswith("dB"):
        precise = precise.replace(" dB", f" {night.source.unit}")
    lead = (
        f"Highest, mean power, median and lowest of {count_text(first.sweeps, 'sweep')} that "
        f"listened, at each frequency; percentiles are {precise}."
    )
    coarse = _too_coarse(night.source)
    return Section(key="spectra", title="Spectra", lead=lead + coarse, charts=tuple(charts))


def _too_coarse(source: JobSource) -> str:
    """A warning where a narrow signal may fall between two points."""
    setup = source.setup
    rbw_hz = (source.details.get("measuring") or {}).get("rbw_hz")
    if setup is None or setup.frequency_hz.size < 2 or not rbw_hz:
        return ""
    steps = np.diff(np.sort(setup.frequency_hz))
    reason = step_too_wide(float(steps.max()), float(rbw_hz))
    return "" if reason is None else f" Powers of signals cannot be summed: {reason}."


def _occupancy_sections(night: Night) -> list[Section]:
    occupancy, total = night.occupancy, night.total
    if occupancy is None or total is None or occupancy.plan is None:
        return []
    sweeps = night.source.range_of()
    table = occupancy.table(total, sweeps)
    if table is None:
        return []
    heat = occupancy.heat(total, sweeps)
    lead = ""
    if not total.hits.any():
        lead = "No channel of the plan was busy in any sweep that listened."
    charts = () if heat is None else (heat,)
    tables = (table,) if table.rows else ()
    lead = lead if table.rows else f"{lead} {table.note}".strip()
    return [Section(key="occupancy", title="Occupancy", lead=lead, charts=charts, tables=tables)]


def _floor_sections(night: Night) -> list[Section]:
    source, index = night.source, night.source.sweeps()
    floor = night.column("floor")
    found = binned(night.bins, index.started_s, index.took_s, floor)
    floor_u = math.nan if night.missed is None else night.missed.floor_u
    chart = floor_chart(source, found, floor_u)
    if chart is None:
        return []
    statement = floor_statement(source, index.started_s, floor)
    lead = statement[:1].upper() + statement[1:] + "."
    u_db = source.level_u()
    if u_db is not None:
        lead += f" All of it may lie ± {u_db:.1f} dB (k = 2) off, by the level accuracy."
    return [Section(key="floor", title="Noise floor", lead=lead, charts=(chart,))]
