"""What ``acqd plot`` draws, from an archive: single sweeps, a range, the sheet, one channel.

Levels are at the job's reference plane, or at the sweeper's input where that is asked for.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches

import numpy as np
from numpy.typing import NDArray

from acqd.archive.kept import removed_text
from acqd.archive.records import SetupRecord
from acqd.errors import WrongUsage
from acqd.look.times import clock, range_text
from acqd.measure.channels import Channel
from acqd.measure.words import frequency_text, number_text, unit_suffix
from acqd.report.blocks import Block
from acqd.report.kinds.band import read_night, sheet_of, spectrum_chart, spectrum_lines
from acqd.report.occupancy import Occupancy, plan_of
from acqd.report.picture import Picture, TimeBins, colour_scale
from acqd.report.places import placed
from acqd.report.shapes import (
    Chart,
    FindingShown,
    HeatChart,
    Line,
    Mark,
    Sheet,
    SpectrumChart,
    Strip,
    SweepRange,
)
from acqd.report.signals import heard_signals
from acqd.report.source import JobSource
from acqd.report.spectra import Spectra
from acqd.report.words import count_text, percent
from acqd.sweep import Grid
from acqd.units import LevelUnit

__all__ = ["SWEEPS_MOST", "Plotted", "channel_plot", "range_plot", "sheet_plot", "sweeps_plot"]

Float = NDArray[np.float64]

SWEEPS_MOST = 8
"""Single sweeps in one picture: more cannot be told apart."""

PEAKS_MOST = 12
INPUT = "the sweeper's input"
NEIGHBOURHOOD = 4.0
"""Widths of a channel to each side of it that its picture shows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plotted:
    """A chart with its range, and what it is of in a few words."""

    chart: Chart
    start_s: float
    stop_s: float
    about: str
    findings: tuple[FindingShown, ...] = ()


# --- levels ---------------------------------------------------------------------------------------


def _in_decibels(block: Block) -> Block:
    """Ratios as their magnitude in dB; all else as it is."""
    if not np.iscomplexobj(block.level):
        return block
    with np.errstate(divide="ignore"):
        level = 20.0 * np.log10(np.abs(block.level))
    return replace(block, level=np.where(np.isfinite(level), level, np.nan))


def _unit_of(setup: SetupRecord) -> str:
    return "dB" if setup.unit == str(LevelUnit.RATIO) else setup.unit


def _gain_db(setup: SetupRecord) -> Float:
    """(points,) rising: what the chain adds between the plane and the input."""
    grid = Grid.from_axis(setup.frequency_hz)
    if setup.chain_gain_db is None:
        return np.zeros(grid.points)
    return np.asarray(grid.rising(setup.chain_gain_db), dtype=np.float64)


def _suffix_of(setup: SetupRecord) -> str | None:
    """The end of a band's names of levels; None of a unit that has none."""
    try:
        return unit_suffix(LevelUnit(setup.unit))
    except (KeyError, ValueError):
        return None


def _plane_of(source: JobSource, at_input: bool) -> str:
    return INPUT if at_input else source.plane


# --- single sweeps --------------------------------------------------------------------------------


def sweeps_plot(source: JobSource, seqs: Sequence[int], *, at_input: bool = False) -> Plotted:
    """Levels of one sweep with its threshold and its signals named, or of several, overlaid.

    ``source`` has to reach over all times that the numbers may be of.

    Raises:
        WrongUsage: no such sweep, too many, or sweeps of different units.
    """
    if len(seqs) > SWEEPS_MOST:
        raise WrongUsage(
            f"{len(seqs)} sweeps in one picture: at most {SWEEPS_MOST} can be told apart"
        )
    found = [_in_decibels(_sweep(source, seq)) for seq in dict.fromkeys(seqs)]
    units = {_unit_of(one.setup) for one in found}
    if len(units) > 1:
        raise WrongUsage(
            f"sweeps with levels in {' and in '.join(sorted(units))} have no common axis"
        )
    lines = [_sweep_line(source, one, at_input) for one in found]
    first = found[0]
    marks: tuple[Mark, ...] = ()
    if len(found) == 1:
        lines += _threshold_line(first, at_input)
        marks = _peaks(first, lines[0])
    numbers = [int(one.seq[0]) for one in found]
    about = _told_sweeps(source, found)
    chart = SpectrumChart(
        title=f"Levels of {'sweep' if len(found) == 1 else 'sweeps'} {_joined(numbers)}",
        unit=units.pop(),
        plane=_plane_of(source, at_input),
        lines=tuple(lines),
        level_u=source.level_u(first.setup),
        sweeps=SweepRange(
            job=source.job, first_seq=min(numbers), last_seq=max(numbers), count=len(numbers)
        ),
        alt=f"{about}: {_highest_text(first)}.",
        marks=marks,
    )
    starts = [float(one.started_s[0]) for one in found]
    ends = [float(one.started_s[0] + one.took_s[0]) for one in found]
    return Plotted(
        chart=chart, start_s=min(starts), stop_s=max(ends), about=about + _rehearsed(source)
    )


def _sweep(source: JobSource, seq: int) -> Block:
    there: list[int] = []
    for step in (*source.steps, *source.look_steps):
        found = source.sweep(seq, step)
        if found is not None:
            return found
        index = source.sweeps(step)
        there += [int(index.seq[0]), int(index.seq[-1])] if len(index) else []
    have = f"it has {min(there)} to {max(there)}" if there else "it has none"
    near = "" if not there or not min(there) < seq < max(there) else " with numbers left out"
    raise WrongUsage(f"{source.archive.root}: job {source.job} has no sweep {seq}; {have}{near}")


def _sweep_line(source: JobSource, block: Block, at_input: bool) -> Line:
    level = np.asarray(block.level[0], dtype=np.float64)
    at_s = float(block.started_s[0])
    return Line(
        name=f"sweep {int(block.seq[0])}, {clock(at_s, source.zone, seconds=True)}",
        x=block.frequency_hz,
        y=level + _gain_db(block.setup) if at_input else level,
    )


def _threshold_line(block: Block, at_input: bool) -> list[Line]:
    """The opening threshold that was kept with a sweep; at the input it bends with the chain."""
    suffix = _suffix_of(block.setup)
    value = math.nan if suffix is None else float(block.column(f"threshold_{suffix}")[0])
    if not math.isfinite(value):
        return []
    y = np.full(block.frequency_hz.size, value)
    y = y + _gain_db(block.setup) if at_input else y
    return [Line(name="threshold", x=block.frequency_hz, y=y, role="threshold")]


def _peaks(block: Block, line: Line) -> tuple[Mark, ...]:
    """The signals that were kept with a sweep, the strongest, at the curve."""
    summary, suffix = block.summary(0) or {}, _suffix_of(block.setup)
    signals = summary.get("signals")
    if suffix is None or not isinstance(signals, list):
        return ()
    marks = []
    for one in signals[:PEAKS_MOST]:
        hz = float(one["peak_hz"])
        y = float(line.y[int(np.argmin(np.abs(line.x - hz)))])
        name = one.get("channel") or frequency_text(hz)
        marks.append(Mark(x=hz, y=y, text=f"{name}\n{number_text(y, 1)} {block.setup.unit}"))
    return tuple(marks)


def _highest_text(block: Block) -> str:
    level = np.asarray(block.level[0], dtype=np.float64)
    if not np.isfinite(level).any():
        return "no level"
    at = int(np.nanargmax(level))
    where = frequency_text(float(block.frequency_hz[at]))
    return f"highest {number_text(float(level[at]), 1)} {_unit_of(block.setup)} at {where}"


def _told_sweeps(source: JobSource, found: Sequence[Block]) -> str:
    if len(found) == 1:
        return (
            f"sweep {int(found[0].seq[0])}, took {float(found[0].took_s[0]):.3g}\N{NO-BREAK SPACE}s"
        )
    return f"sweeps {_joined([int(one.seq[0]) for one in found])}"


def _joined(numbers: Sequence[int]) -> str:
    return ", ".join(str(one) for one in numbers)


# --- ranges ---------------------------------------------------------------------------------------


def _refuse_empty(source: JobSource) -> None:
    if not len(source.sweeps()):
        when = range_text(source.start_s, source.stop_s, source.zone)
        gone = removed_text(source.removed)
        raise WrongUsage(
            f"{source.archive.root}: job {source.job} has no sweep in {when}"
            + (f": {gone}" if gone else "")
        )


def range_plot(source: JobSource, *, at_input: bool = False) -> Plotted:
    """Highest, mean power, median with its neighbours and lowest of all sweeps of a range.

    Raises:
        WrongUsage: no sweep in the range.
    """
    _refuse_empty(source)
    if source.kind == "band" and not at_input:
        night = read_night(source)
        if night.spectra:
            one = night.spectra[0]
            about = f"{count_text(one.sweeps, 'sweep')} that listened"
            chart = spectrum_chart(night, one, "Levels of a range", night.spectra_sweeps)
            return _of_range(source, chart, about)
    spectra: dict[bytes, Spectra] = {}
    units: dict[bytes, str] = {}
    for raw in source.blocks():
        block = _in_decibels(raw)
        key = block.frequency_hz.tobytes() + _unit_of(block.setup).encode()
        level = block.level + _gain_db(block.setup) if at_input else block.level
        setup = replace(block.setup, unit=_unit_of(block.setup))
        spectra.setdefault(key, Spectra(setup)).take(setup, level)
        units[key] = setup.unit
    key = max(spectra, key=lambda one: spectra[one].sweeps)
    spectrum = spectra[key].spectrum()
    about = count_text(spectrum.sweeps, "sweep")
    others = len(source.sweeps()) - spectrum.sweeps
    if others:
        about += f"; {count_text(others, 'sweep')} of another grid left out"
    chart = SpectrumChart(
        title="Levels of a range",
        unit=units[key],
        plane=_plane_of(source, at_input),
        lines=spectrum_lines(spectrum, source.range_of()),
        level_u=source.level_u(),
        sweeps=source.range_of(),
        alt=f"Levels of {about}.",
    )
    return _of_range(source, chart, about)


def _of_range(
    source: JobSource, chart: Chart, about: str, findings: tuple[FindingShown, ...] = ()
) -> Plotted:
    return Plotted(
        chart=chart,
        start_s=source.start_s,
        stop_s=source.stop_s,
        about=about + _rehearsed(source),
        findings=findings,
    )


def _rehearsed(source: JobSource) -> str:
    return "; a rehearsal, its sweepers simulated" if source.is_rehearsed else ""


def sheet_plot(source: JobSource) -> Plotted:
    """The night sheet of a band; of another kind its levels over time and frequency.

    Raises:
        WrongUsage: no sweep in the range.
    """
    _refuse_empty(source)
    coverage = source.coverage
    about = f"kept {coverage.stored} of {coverage.due} sweeps"
    if source.kind == "band":
        sheet = sheet_of(read_night(source), heard_signals(source))
    else:
        sheet = _plain_sheet(source)
    return _of_range(source, sheet, about, placed(source.findings))


def _plain_sheet(source: JobSource) -> Sheet:
    """Levels as they are at the plane: no floor, no channels."""
    index = source.sweeps()
    bins = TimeBins(source.start_s, source.stop_s, source.interval_s)
    picture = Picture(bins, index.setups)
    spectra: Spectra | None = None
    for raw in source.blocks():
        block = _in_decibels(raw)
        picture.take(block)
        setup = replace(block.setup, unit=_unit_of(block.setup))
        spectra = spectra or Spectra(setup)
        if np.array_equal(block.frequency_hz, spectra.frequency_hz):
            spectra.take(setup, block.level)
    assert spectra is not None
    assert source.setup is not None
    level, spectrum = picture.finish(index.started_s, index.took_s), spectra.spectrum()
    unit = _unit_of(source.setup)
    low, high = colour_scale(level, is_db=unit.startswith("dB"))
    return Sheet(
        job=source.job,
        column_edges_s=bins.edges_s,
        row_edges_hz=picture.row_edges_hz,
        level=level,
        unit=unit,
        plane=source.plane,
        colour_low=low,
        colour_high=high,
        level_u=source.level_u(),
        frequency_hz=spectrum.frequency_hz,
        highest=spectrum.highest,
        median=spectrum.median,
        lowest=spectrum.lowest,
        threshold=math.nan,
        marked_hz=(),
        channel_edges=(),
        floor=None,
        occupancy=None,
        sweeps=source.range_of(),
        alt=f"Levels of {count_text(len(index), 'sweep')} over time and frequency.",
    )


# --- one channel ----------------------------------------------------------------------------------


def channel_plot(
    source: JobSource, *, name: str | None = None, at_hz: float | None = None
) -> Plotted:
    """One channel, by its name or by a frequency in it: levels about it, the highest in it over
    time, and how busy it was by hour. Where the plan has no channel there, it is the points within
    a resolution bandwidth of the frequency, and no occupancy.

    Raises:
        WrongUsage: no sweep in the range, a job that is no band, no such channel, a frequency that
            was not swept.
    """
    _refuse_empty(source)
    if source.kind != "band":
        raise WrongUsage(
            f"job {source.job} is of kind {source.kind or 'unknown'}: it has no channels"
        )
    channel, in_plan = _channel(source, name, at_hz)
    low_hz = channel.centre_hz - NEIGHBOURHOOD * channel.width_hz
    high_hz = channel.centre_hz + NEIGHBOURHOOD * channel.width_hz
    peak = np.full(len(source.sweeps()), np.nan)

    def also(block: Block) -> None:
        inside = _points_of(block, channel)
        if inside.any():
            with np.errstate(invalid="ignore"):
                peak[block.place] = np.fmax.reduce(block.level[:, inside], axis=1)

    night = read_night(source, low_hz=low_hz, high_hz=high_hz, also=also)
    if not np.isfinite(peak).any():
        swept = ""
        if source.setup is not None:
            axis_hz = source.setup.frequency_hz
            ends = (float(axis_hz.min()), float(axis_hz.max()))
            swept = f"; it swept {' to '.join(map(frequency_text, ends))}"
        raise WrongUsage(
            f"job {source.job} did not sweep {frequency_text(channel.centre_hz)}{swept}"
        )
    sheet = sheet_of(night, heard_signals(source))
    occupancy = night.occupancy if in_plan else None
    statement = _channel_statement(source, channel, peak, occupancy)
    heat = (
        None if sheet.occupancy is None or not in_plan else _one_row(sheet.occupancy, channel.name)
    )
    inside = (sheet.frequency_hz >= low_hz) & (sheet.frequency_hz <= high_hz)
    sheet = replace(
        sheet,
        frequency_hz=sheet.frequency_hz[inside],
        highest=sheet.highest[inside],
        median=sheet.median[inside],
        lowest=sheet.lowest[inside],
        marked_hz=((channel.centre_hz, channel.name),),
        channel_edges=((channel.start_hz, channel.stop_hz, channel.name),),
        floor=Strip(
            title=f"highest {'in' if in_plan else 'at'} {_called(channel, in_plan)}",
            unit=source.unit,
            at_s=source.sweeps().started_s,
            value=peak,
            statement=statement,
        ),
        occupancy=heat,
        alt=f"{_called(channel, in_plan)} over time: {statement}.",
    )
    findings = tuple(
        one
        for one in source.findings
        if one.frequency_hz is not None and channel.start_hz <= one.frequency_hz <= channel.stop_hz
    )
    about = _called(channel, in_plan)
    about += f", {frequency_text(channel.centre_hz)}" if in_plan else ""
    return _of_range(source, sheet, about, placed(findings))


def _points_of(block: Block, channel: Channel) -> NDArray[np.bool_]:
    """Points in a channel; the one nearest to its centre where the steps are wider than it."""
    hz = block.frequency_hz
    inside = (hz >= channel.start_hz) & (hz <= channel.stop_hz)
    nearest = int(np.argmin(np.abs(hz - channel.centre_hz)))
    step = float(np.diff(hz).max()) if hz.size > 1 else channel.width_hz
    if not inside.any() and abs(float(hz[nearest]) - channel.centre_hz) <= step / 2:
        inside[nearest] = True
    return np.asarray(inside)


def _channel(source: JobSource, name: str | None, at_hz: float | None) -> tuple[Channel, bool]:
    plan = plan_of(source.setup)
    channels = () if plan is None else plan.channels
    if name is not None:
        return _channel_named(source, channels, name), True
    assert at_hz is not None
    holding = [one for one in channels if one.start_hz <= at_hz <= one.stop_hz]
    if holding:
        return min(holding, key=lambda one: abs(one.centre_hz - at_hz)), True
    told = source.details.get("measuring") or {}
    width_hz = 2.0 * float(told.get("rbw_hz") or 5e3)
    return Channel(name=frequency_text(at_hz), centre_hz=at_hz, width_hz=width_hz), False


def _channel_named(source: JobSource, channels: Sequence[Channel], name: str) -> Channel:
    if not channels:
        raise WrongUsage(f"job {source.job} has no channel plan; give --at with a frequency")
    by_name = {one.name.casefold(): one for one in channels}
    by_name.update({one.key.casefold(): one for one in channels if one.key not in by_name})
    found = by_name.get(name.casefold()) or by_name.get(name.casefold().zfill(2))
    if found is not None:
        return found
    near = get_close_matches(name.casefold(), list(by_name), n=3, cutoff=0.5)
    names = list(dict.fromkeys(by_name[one].name for one in near))
    if names:
        hint = f"did you mean {' or '.join(names)}?"
    else:
        shown = ", ".join(one.name for one in channels[:12])
        hint = f"it has {shown}{', …' if len(channels) > 12 else ''}"
    raise WrongUsage(f"the channel plan of job {source.job} has no channel {name!r}; {hint}")


def _called(channel: Channel, in_plan: bool) -> str:
    return f"channel {channel.name}" if in_plan and channel.name[:1].isdigit() else channel.name


def _channel_statement(
    source: JobSource, channel: Channel, peak: Float, occupancy: Occupancy | None
) -> str:
    at = int(np.nanargmax(peak))
    highest = (
        f"highest {number_text(float(peak[at]), 1)} {source.unit} at "
        f"{clock(float(source.sweeps().started_s[at]), source.zone, seconds=True)}"
    )
    if occupancy is None:
        return highest
    total = occupancy.total()
    place = [one.name for one in occupancy.channels].index(channel.name)
    share, low, high = (float(one[place]) for one in (total.share, total.low, total.high))
    if math.isnan(share):
        return f"{highest}; nobody can tell how busy it was"
    told = f"busy in {percent(share)} of {count_text(int(total.visits[place]), 'sweep')}"
    if math.isfinite(low + high):
        told += f" ({percent(low)} to {percent(high)}, 95 %)"
    return f"{told}; {highest}"


def _one_row(heat: HeatChart, name: str) -> HeatChart | None:
    """The heat of one channel; None where it was not among the busy ones."""
    if name not in heat.rows:
        return None
    at = [heat.rows.index(name)]
    return replace(heat, rows=(name,), share=heat.share[at], low=heat.low[at], high=heat.high[at])
