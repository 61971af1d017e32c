"""The figures of an emission check: bars beside their limits, and the spectra of one pass.

Levels are at the reference plane. A spectrum of many points is drawn as the highest level of short
stretches, so that no line is lost.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.emission_layout import AGAIN, LAST, LOOK, SEARCH, WIDTH
from acqd.measure.emission_limits import limit_dbm_along
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.words import frequency_text, number_text
from acqd.report.kinds.checks import HARMONIC_ORDERS, Spectrum
from acqd.report.kinds.common import number
from acqd.report.kinds.kept import Summary
from acqd.report.shapes import (
    Band,
    Bar,
    BarChart,
    CurveChart,
    Limit,
    Line,
    Mark,
    SweepRange,
)

__all__ = ["bar_chart", "limit_segments", "spectrum_charts"]

Float = NDArray[np.float64]

POINTS_MOST = 1500
BEHIND_BARS = 120
"""Points of one spectrum behind the bars."""
LIMIT_POINTS = 4001
LEVEL_DB = 0.25
THINNED = ", the highest of each short stretch"
HARMONICS_SHOWN = 12


def bar_chart(
    summary: Summary,
    spectra: Mapping[int, Spectrum],
    settings: EmissionSettings | None,
    sweeps: SweepRange | None,
    job: str,
) -> BarChart | None:
    """Each product beside its limit; None where nothing was found."""
    step_of = {one.seq: step for step, one in spectra.items()}
    bars = tuple(
        _bar(one, job, step_of.get(one["seq"], 0))
        for one in summary["products"]
        if one["frequency_hz"] is not None
    )
    if not bars:
        return None
    behind = [one for step, one in spectra.items() if _is_behind(step)]
    lines = (_joined(behind, "levels", BEHIND_BARS, sweeps),) if behind else ()
    ends = [*(one.x for one in bars), *(float(one.frequency_hz[0]) for one in behind)]
    ends += [float(one.frequency_hz[-1]) for one in behind]
    over = [bar for bar in bars if bar.verdict == "fail"]
    told = ", ".join(f"{bar.name} {bar.text}" for bar in over or bars[:3])
    return BarChart(
        title="Products beside their limits",
        x_unit="Hz",
        y_unit="dBm",
        y_name="level",
        bars=bars,
        lines=lines,
        limits=limit_segments(settings, _carrier_hz(summary), min(ends), max(ends)),
        sweeps=sweeps,
        alt=f"{'Above the limit: ' if over else 'Levels: '}{told}.",
    )


def _is_behind(step: int) -> bool:
    return step in HARMONIC_ORDERS or SEARCH <= step < AGAIN


def _bar(one: Mapping[str, Any], job: str, step: int) -> Bar:
    """The limit of a bar is in dBm: that of the judged figure, laid beside the level."""
    level, margin = float(one["level_dbm"]), number(one["margin_db"])
    expanded = number(one["expanded_db"])
    bound = "at most" if one["bound"] == "at most" else None
    text = f"{'at most ' if bound else ''}{number_text(level, 1)} dBm"
    if expanded is not None:
        text += f" ± {number_text(expanded, 1)}"
    return Bar(
        name=str(one["name"]),
        x=float(one["frequency_hz"]),
        value=level,
        expanded=expanded,
        limit=None if margin is None else level + margin,
        verdict=str(one["verdict"] or ""),
        bound="at most" if bound else None,
        text=text,
        sweeps=SweepRange(
            job=job, first_seq=int(one["seq"]), last_seq=int(one["seq"]), count=1,
            step=step,
        ),
    )  # fmt: skip


def limit_segments(
    settings: EmissionSettings | None,
    carrier_hz: float | None,
    start_hz: float,
    stop_hz: float,
    *,
    guard: float = 0.0,
) -> tuple[Limit, ...]:
    """The tightest of all limits between two frequencies, as level pieces; none without limits."""
    if settings is None or not settings.limits or not stop_hz >= start_hz:
        return ()
    at_hz = np.linspace(start_hz, stop_hz, LIMIT_POINTS)
    level = limit_dbm_along(settings, at_hz, carrier_hz)
    name = " and ".join(one.title for one in settings.limits)
    return tuple(
        Limit(
            name=name,
            start=float(at_hz[first]),
            stop=float(at_hz[last]),
            level=float(level[first : last + 1].min()),
            side="below",
            guard=guard,
        )
        for first, last in _level_pieces(level)
    )


def _level_pieces(level: Float) -> Iterator[tuple[int, int]]:
    """First and last place of each run that is level within :data:`LEVEL_DB`, NaN left out: a limit
    that slopes comes in steps of that, each at its tightest."""
    first: int | None = None
    for at, value in enumerate(level.tolist()):
        known = math.isfinite(value)
        if first is not None and not (known and abs(value - level[first]) <= LEVEL_DB):
            yield first, at - 1
            first = None
        if first is None and known:
            first = at
    if first is not None:
        yield first, level.size - 1


# --- spectra --------------------------------------------------------------------------------------


def spectrum_charts(
    summary: Summary, spectra: Mapping[int, Spectrum], settings: EmissionSettings | None
) -> Iterator[CurveChart]:
    """The spectra of one pass: the carrier, its width, each harmonic, what was searched."""
    looks = [spectra[step] for step in (LOOK, LAST) if step in spectra]
    if looks:
        yield _carrier_chart(summary, looks)
    if WIDTH in spectra:
        yield _width_chart(summary, spectra[WIDTH])
    orders = [step for step in spectra if step in HARMONIC_ORDERS][:HARMONICS_SHOWN]
    for order in orders:
        yield _harmonic_chart(summary, spectra, order, settings)
    searched = [one for step, one in spectra.items() if SEARCH <= step < AGAIN]
    if searched:
        yield _search_chart(summary, searched, settings)


def _carrier_chart(summary: Summary, looks: Sequence[Spectrum]) -> CurveChart:
    carrier = summary["fundamental"]
    marks = []
    if carrier is not None:
        text = (
            f"{frequency_text(carrier['frequency_hz'])}, {number_text(carrier['level_dbm'], 1)} dBm"
        )
        marks.append(
            Mark(
                x=carrier["frequency_hz"],
                y=carrier["level_dbm"],
                text=text,
                expanded=number(carrier["expanded_db"]),
            )
        )
    names = ["first look", "last look"] if len(looks) > 1 else ["look"]
    roles: tuple[Any, ...] = ("first", "last") if len(looks) > 1 else ("now",)
    lines = [
        _line(one, name, POINTS_MOST, role)
        for one, name, role in zip(looks, names, roles, strict=True)
    ]
    return _chart("Carrier", lines, looks, marks=marks)


def _width_chart(summary: Summary, one: Spectrum) -> CurveChart:
    bands = [
        Band(name=str(width["what"]), start=width["low_hz"], stop=width["high_hz"])
        for width in (summary["occupied"], summary["x_db"])
        if width is not None and width["low_hz"] is not None and width["high_hz"] is not None
    ]
    bands += [
        Band(
            name="lower neighbour" if each["place"] < 0 else "upper neighbour",
            start=each["start_hz"],
            stop=each["stop_hz"],
        )
        for each in summary["adjacent"]
        if each["start_hz"] is not None
    ]
    return _chart("Bandwidth", [_line(one, "sweep", POINTS_MOST, "now")], [one], bands=bands)


def _harmonic_chart(
    summary: Summary,
    spectra: Mapping[int, Spectrum],
    order: int,
    settings: EmissionSettings | None,
) -> CurveChart:
    one, again = spectra[order], spectra.get(AGAIN + order)
    product = next((each for each in summary["products"] if each["order"] == order), None)
    lines = [_line(one, _with_attenuation("sweep", one), POINTS_MOST, "now")]
    if again is not None:
        name = _with_attenuation("again", again)
        lines.append(_line(again, name, POINTS_MOST, "reference"))
    marks, u = [], 0.0
    if product is not None:
        u = number(product["expanded_db"]) or 0.0
        bound = "at most " if product["bound"] else ""
        text = f"{bound}{number_text(product['level_dbm'], 1)} dBm ± {number_text(u, 1)}"
        x, y = product["frequency_hz"], product["level_dbm"]
        marks.append(Mark(x=x, y=y, text=f"{text}, {product['origin']}", expanded=u))
    guard = 0.0 if settings is None else settings.guard * u
    limits = limit_segments(
        settings,
        _carrier_hz(summary),
        float(one.frequency_hz[0]),
        float(one.frequency_hz[-1]),
        guard=guard,
    )
    drawn = [one] if again is None else [one, again]
    return _chart(f"Harmonic {order}", lines, drawn, marks=marks, limits=limits)


def _search_chart(
    summary: Summary, searched: Sequence[Spectrum], settings: EmissionSettings | None
) -> CurveChart:
    each = max(60, POINTS_MOST // len(searched))
    lines = [_joined(searched, "levels", each, None)]
    marks = [
        Mark(
            x=one["frequency_hz"],
            y=one["level_dbm"],
            text=f"{one['name']}, {number_text(one['level_dbm'], 1)} dBm",
            expanded=number(one["expanded_db"]),
        )
        for one in summary["products"]
        if one["order"] is None and one["frequency_hz"] is not None
    ]
    low = min(float(one.frequency_hz[0]) for one in searched)
    high = max(float(one.frequency_hz[-1]) for one in searched)
    limits = limit_segments(settings, _carrier_hz(summary), low, high)
    return _chart("What was searched", lines, searched, marks=marks, limits=limits)


def _chart(
    title: str,
    lines: Sequence[Line],
    spectra: Sequence[Spectrum],
    *,
    marks: Sequence[Mark] = (),
    limits: Sequence[Limit] = (),
    bands: Sequence[Band] = (),
) -> CurveChart:
    rbw = _rbw_text(spectra)
    seqs = [one.seq for one in spectra]
    sweeps = SweepRange(
        job=spectra[0].kept.source.job,
        first_seq=min(seqs),
        last_seq=max(seqs),
        count=len(seqs),
        step=spectra[0].step,
    )
    start, stop = (
        min(float(one.frequency_hz[0]) for one in spectra),
        max(float(one.frequency_hz[-1]) for one in spectra),
    )
    told = "; ".join(one.text for one in marks)
    return CurveChart(
        title=f"{title}, {rbw}" if rbw else title,
        x_unit="Hz",
        y_unit="dBm",
        y_name="level",
        lines=tuple(lines),
        marks=tuple(marks),
        limits=tuple(limits),
        bands=tuple(bands),
        sweeps=sweeps,
        alt=f"{title}: {frequency_text(start)} to {frequency_text(stop)}"
        + (f"; {told}." if told else "."),
    )


def _rbw_text(spectra: Sequence[Spectrum]) -> str:
    widths = {one.rbw_hz for one in spectra if one.rbw_hz is not None}
    if len(widths) != 1:
        return ""
    (rbw_hz,) = widths
    return f"RBW {rbw_hz:g} Hz" if rbw_hz < 1e3 else f"RBW {rbw_hz / 1e3:g} kHz"


def _with_attenuation(name: str, one: Spectrum) -> str:
    if one.attenuation_db is None:
        return name
    return f"{name}, attenuation {one.attenuation_db:g} dB"


def _line(one: Spectrum, name: str, most: int, role: Any = "held") -> Line:
    """The levels of a sweep, as the highest of short stretches where there are many."""
    x, y, is_thinned = _thinned(one, most)
    note = THINNED if is_thinned else ""
    sweeps = one.kept.range_of([one.row])
    return Line(name=f"{name}{note}", x=x, y=y, role=role, sweeps=sweeps)


def _joined(spectra: Sequence[Spectrum], name: str, most: int, sweeps: SweepRange | None) -> Line:
    """Several sweeps as one line by frequency, with a hole between two; ``most`` points of each."""
    parts = [_thinned(one, most) for one in sorted(spectra, key=lambda one: one.frequency_hz[0])]
    x = np.concatenate([np.append(part[0], part[0][-1]) for part in parts])
    y = np.concatenate([np.append(part[1], np.nan) for part in parts])
    note = THINNED if any(part[2] for part in parts) else ""
    return Line(name=f"{name}{note}", x=x, y=y, role="held", sweeps=sweeps)


def _thinned(one: Spectrum, most: int) -> tuple[Float, Float, bool]:
    """Frequencies and levels, ``most`` of them, and whether they are fewer than were swept. Each
    stretch is drawn at its strongest point, so that a line stays where it is."""
    x, y = one.frequency_hz, one.level
    if x.size <= most:
        return x, y, False
    edges = np.arange(most + 1) * x.size // most
    places = [_strongest(y, first, behind) for first, behind in pairwise(edges.tolist())]
    return x[places], y[places], True


def _strongest(level: Float, first: int, behind: int) -> int:
    part = level[first:behind]
    if not np.isfinite(part).any():
        return first + (behind - first) // 2
    return first + int(np.nanargmax(part))


def _carrier_hz(summary: Summary) -> float | None:
    carrier = summary["fundamental"]
    return None if carrier is None else number(carrier["frequency_hz"])
