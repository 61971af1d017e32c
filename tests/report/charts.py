"""Charts of invented numbers: a night at Gannet Ledge, a filter, a hand-held's harmonics."""

from __future__ import annotations

from typing import Any

import numpy as np

from acqd.report.shapes import (
    Band,
    Bar,
    BarChart,
    CurveChart,
    FindingShown,
    GapShown,
    HeatChart,
    Limit,
    Line,
    Mark,
    NoteShown,
    Sheet,
    SpectrumChart,
    Spell,
    Strip,
    TrendChart,
)

START_S = 1_773_522_000.0
"""2026-03-14T21:00:00Z."""
HOUR_S = 3600.0
LOW_HZ, HIGH_HZ = 156.0e6, 162.1e6
GAP = GapShown(
    from_s=START_S + 3 * HOUR_S,
    to_s=START_S + 3 * HOUR_S + 1200,
    count=600,
    reason="sweeper lost",
    text="mast away 20 min",
)


def sheet(*, hours: float = 9.0, columns: int = 180, rows: int = 120, channels: int = 60) -> Sheet:
    """Noise near −104 dBm, channel 16 and AIS, twenty minutes missing after three hours."""
    rng = np.random.default_rng(3)
    edges = np.linspace(START_S, START_S + hours * HOUR_S, columns + 1)
    hz = np.linspace(LOW_HZ, HIGH_HZ, rows + 1)
    level = (-104.0 + rng.gumbel(0.0, 1.2, (columns, rows))).astype(np.float32)
    for where in (156.8e6, 161.975e6, 162.025e6):
        busy = rng.random(columns) < 0.3
        level[busy, int(np.searchsorted(hz, where)) - 1] = -70.0
    middle = (edges[1:] + edges[:-1]) / 2
    level[(middle > GAP.from_s) & (middle < GAP.to_s)] = np.nan
    axis = np.linspace(LOW_HZ, HIGH_HZ, 401)
    marked = (
        (156.3e6, "06"), (156.6e6, "12"), (156.625e6, "72"), (156.65e6, "13"), (156.8e6, "16"),
        (157.55e6, "157.550 MHz"), (161.975e6, "AIS 1"), (162.025e6, "AIS 2"),
    )  # fmt: skip
    return Sheet(
        job="marine-vhf",
        column_edges_s=edges,
        row_edges_hz=hz,
        level=level,
        unit="dBm",
        plane="the aerial socket",
        colour_low=-110.0,
        colour_high=-60.0,
        level_u=1.9,
        frequency_hz=axis,
        highest=-95.0 + rng.normal(0.0, 1.0, 401),
        median=np.full(401, -104.0),
        lowest=-110.0 + rng.normal(0.0, 1.0, 401),
        threshold=-95.5,
        marked_hz=marked,
        channel_edges=tuple((one - 12.5e3, one + 12.5e3, name) for one, name in marked),
        floor=floor(hours),
        occupancy=heat(channels=channels, hours=max(int(hours), 1)),
        sweeps=None,
        alt="The night of 14 March: channel 16 and AIS were heard.",
    )


def floor(hours: float = 9.0) -> Strip:
    at_s = np.arange(START_S, START_S + hours * HOUR_S, max(hours * 4.0, 1.0))
    value = -104.0 + 0.5 * np.sin((at_s - START_S) / HOUR_S)
    value[(at_s >= GAP.from_s) & (at_s < GAP.to_s)] = np.nan
    return Strip(
        title="floor",
        unit="dBm",
        at_s=at_s,
        value=value,
        low=value - 0.4,
        high=value + 0.4,
        statement="the whole band, 156.000 to 162.100 MHz: between −104.5 and −103.5 dBm",
    )


def heat(*, channels: int = 60, hours: int = 9) -> HeatChart:
    rng = np.random.default_rng(4)
    share = rng.random((channels, hours)) ** 4 * 0.4
    if channels:
        share[0, 0] = np.nan
        share[-1] = 0.8
    return HeatChart(
        title="Occupied, by hour",
        rows=tuple(f"{at:02d}" for at in range(channels)),
        column_edges_s=np.linspace(START_S, START_S + hours * HOUR_S, hours + 1),
        share=share,
        low=share * 0.8,
        high=np.minimum(share * 1.2 + 0.002, 1.0),
        alt="Occupancy by hour.",
    )


def happened(count: int = 7) -> dict[str, Any]:
    """Gaps, spells, findings and notes of the night, as :func:`acqd.report.draw.svg` takes them."""
    findings = tuple(
        FindingShown(
            job="marine-vhf",
            number=40 + at,
            what="signal_ended",
            at_s=START_S + HOUR_S * (0.4 + at * 8.0 / max(count, 1)) - 1500.0 * (at % 3 == 2),
            text=f"number {at + 1}",
            seq=None,
            place=at + 1,
            frequency_hz=LOW_HZ + (at % 6) * 1e6,
        )
        for at in range(count)
    )
    spells = (
        Spell(
            from_s=START_S + 1.2 * HOUR_S,
            to_s=START_S + 1.6 * HOUR_S,
            what="deaf",
            text="deaf 24 min",
        ),
        Spell(
            from_s=START_S + 6.4 * HOUR_S,
            to_s=START_S + 6.41 * HOUR_S,
            what="transmitting",
            text="own transmitter keyed",
        ),
    )
    notes = tuple(
        NoteShown(at_s=START_S + after, text=text, who="Mara")
        for after, text in (
            (1500.0, "lamp off"),
            (2600.0, "kettle on; a window rattles"),
            (8.8 * HOUR_S, "relieved by Tom, all quiet"),
        )
    )
    return {"gaps": (GAP,), "spells": spells, "findings": findings, "notes": notes}


def spectrum() -> SpectrumChart:
    one = sheet()
    axis = one.frequency_hz
    return SpectrumChart(
        title="Levels",
        unit="dBm",
        plane="the aerial socket",
        lines=(
            Line(name="highest", x=axis, y=one.highest, role="held"),
            Line(name="mean power", x=axis, y=one.median + 1.0, role="mean"),
            Line(
                name="median, and the band from 10 to 90 % of the sweeps",
                x=axis,
                y=one.median,
                low=one.median - 2.0,
                high=one.median + 2.0,
            ),
            Line(name="lowest", x=axis, y=one.lowest, role="low"),
        ),
        bands=tuple(Band(name=n, start=a, stop=b) for a, b, n in one.channel_edges),
        threshold=-95.5,
        level_u=1.9,
        alt="Levels of a night.",
    )


def sweep() -> SpectrumChart:
    """One sweep with twelve signals, near to each other."""
    axis = np.linspace(LOW_HZ, HIGH_HZ, 401)
    y = -110.0 + np.random.default_rng(5).normal(0.0, 2.0, 401)
    marks = []
    for at in range(12):
        y[200 + 4 * at] = -70.0 - at
        text = f"{axis[200 + 4 * at] / 1e6:.3f} MHz\n{-70 - at}.0 dBm"
        marks.append(Mark(x=float(axis[200 + 4 * at]), y=-70.0 - at, text=text))
    return SpectrumChart(
        title="Levels of sweep 812",
        unit="dBm",
        plane="the sweeper's input",
        lines=(Line(name="sweep 812, 21:05:10", x=axis, y=y),),
        threshold=-100.0,
        marks=tuple(marks),
        alt="One sweep.",
    )


def curve(*, upside_down: bool = True) -> CurveChart:
    """A band-pass filter with marks, limits on both sides, and two named ranges."""
    hz = np.linspace(140e6, 180e6, 801)
    loss = 10.0 * np.log10(1.0 + np.abs((hz - 156.8e6) / 3.1e6) ** 6) + 1.2
    least = int(np.argmin(loss))
    edges = [int(np.argmax(loss < 4.2)), 800 - int(np.argmax(loss[::-1] < 4.2))]
    marks = (
        Mark(x=float(hz[least]), y=float(loss[least]), text="least loss 1.20 dB", expanded=0.2),
        *(
            Mark(x=float(hz[at]), y=float(loss[at]), text=f"−3 dB: {hz[at] / 1e6:.2f} MHz")
            for at in edges
        ),
    )
    return CurveChart(
        title="Transmission of the duplex filter",
        x_unit="Hz",
        y_unit="dB",
        y_name="loss",
        lines=(
            Line(name="first, 21:02", x=hz, y=loss, role="first"),
            Line(name="last, 05:58", x=hz, y=loss + 0.1, role="last", low=loss - 0.2, high=loss),
        ),
        marks=marks,
        limits=(
            Limit(
                name="at most 2.5 dB", start=155.5e6, stop=158e6, level=2.5, side="below", guard=0.4
            ),
            Limit(
                name="at least 30 dB", start=170e6, stop=180e6, level=30.0, side="above", guard=0.8
            ),
        ),
        bands=(
            Band(name="marine VHF", start=156e6, stop=162.1e6),
            Band(name="2 m", start=144e6, stop=146e6),
        ),
        upside_down=upside_down,
        alt="A band-pass filter.",
    )


def trend() -> TrendChart:
    at_s = np.arange(START_S, START_S + 9 * HOUR_S, 30.0)
    y = 0.05 * (at_s - START_S) / HOUR_S
    return TrendChart(
        title="drift of the least loss",
        unit="dB",
        lines=(Line(name="least loss, ± U", x=at_s, y=y, low=y - 0.08, high=y + 0.08),),
        marks=(Mark(x=START_S + 8.9 * HOUR_S, y=0.45, text="worst: +0.45 dB", expanded=0.08),),
        limits=(
            Limit(
                name="at most 0.6 dB",
                start=START_S,
                stop=START_S + 9 * HOUR_S,
                level=0.6,
                side="below",
                guard=0.1,
            ),
        ),
        gaps=(GAP,),
        alt="The least loss drifts.",
    )


def bars(*, behind: bool = True) -> BarChart:
    """Harmonics and two spurious near to each other; with a spectrum behind, or side by side."""
    told = (
        ("2nd harmonic", 313.6e6, -42.1, "pass", None),
        ("3rd harmonic", 470.4e6, -35.2, "fail", None),
        ("4th harmonic", 627.2e6, -61.0, "pass", None),
        ("5th harmonic", 784.0e6, -71.0, "pass", "at most"),
        ("spurious", 159.3e6, -38.0, "cannot tell", None),
        ("spurious", 162.2e6, -55.0, "pass", None),
    )
    hz = np.linspace(100e6, 900e6, 801)
    return BarChart(
        title="Emission of a hand-held",
        x_unit="Hz",
        y_unit="dBm",
        y_name="power",
        bars=tuple(
            Bar(name=name, x=x, value=value, expanded=2.1, limit=-36.0, verdict=word, bound=bound)
            for name, x, value, word, bound in told
        ),
        lines=(Line(name="highest of 20 sweeps", x=hz, y=np.full(801, -75.0), role="held"),)
        if behind
        else (),
        limits=(
            Limit(name="−36 dBm", start=100e6, stop=900e6, level=-36.0, side="below", guard=2.1),
        ),
        alt="Two products are at their limit.",
    )
