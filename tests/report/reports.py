"""Reports made of invented numbers, with every kind of chart: an autumn night at Gannet Ledge.

The night is that of the change from summer time: 24 to 25 October 2026, when the clock of the
station shows 01:00 to 02:00 twice. Nothing here was measured; what the page, the figures and the
JSON make of it can be checked to the last digit.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.report.shapes import (
    Band,
    Bar,
    BarChart,
    CoverageShown,
    CurveChart,
    Fact,
    FindingShown,
    GapShown,
    HeatChart,
    JobReport,
    Limit,
    Line,
    Mark,
    NoteShown,
    Report,
    Section,
    Sheet,
    SpectrumChart,
    Spell,
    Strip,
    SweepRange,
    Table,
    TrendChart,
    VerdictShown,
)

ZONE = "Europe/London"
START_S = 1792872000.0
"""2026-10-24T20:00:00Z, 21:00 in London."""
STOP_S = START_S + 10 * 3600.0
"""06:00 in London, which is UTC by then."""
GAP = (START_S + 2.0 * 3600, START_S + 2.0 * 3600 + 1200)
DEAF = (START_S + 7.0 * 3600, START_S + 7.0 * 3600 + 600)
KEYED = (START_S + 8.5 * 3600, START_S + 8.5 * 3600 + 90)
ROSE_S = START_S + 5.0 * 3600 + 600
"""The lamp converter begins to hiss: 01:10 in London, the second time."""
COLUMNS, ROWS, POINTS = 600, 305, 1001
BAND_HZ = (156.0e6, 162.1e6)

CHANNELS = {
    "06": 156.3e6,
    "16": 156.8e6,
    "67": 156.375e6,
    "AIS 1": 161.975e6,
    "AIS 2": 162.025e6,
}


def _sweeps(job: str = "marine-vhf", first: int = 812, last: int = 18_211) -> SweepRange:
    return SweepRange(job=job, first_seq=first, last_seq=last, count=last - first + 1)


def _level(edges_s: NDArray[Any], rows_hz: NDArray[Any]) -> NDArray[np.float32]:
    """(columns, rows): a floor that bends and rises, a carrier, bursts on channels, a gap."""
    chance = np.random.default_rng(14)
    at = (edges_s[:-1] + edges_s[1:]) / 2
    floor = -103.5 + 1.2 * np.exp(-(((rows_hz - 159.2e6) / 1.1e6) ** 2))
    level = floor[None, :] + chance.gumbel(0.0, 0.9, (len(at), len(rows_hz)))
    hiss = 3.1 * np.exp(-(((rows_hz - 159.2e6) / 0.9e6) ** 2))
    level[at >= ROSE_S] += hiss

    def put(where_hz: float, columns: NDArray[Any], level_dbm: float) -> None:
        row = int(np.argmin(np.abs(rows_hz - where_hz)))
        level[columns, row] = np.maximum(level[columns, row], level_dbm)

    drift_hz = 158.40e6 + 11e3 * (at - START_S) / 3600
    for column, where_hz in enumerate(drift_hz):
        put(float(where_hz), np.array([column]), -92.0)
    for name, share, level_dbm in (
        ("AIS 1", 0.55, -74.0),
        ("AIS 2", 0.5, -76.0),
        ("16", 0.06, -70),
    ):
        put(CHANNELS[name], np.flatnonzero(chance.random(len(at)) < share), level_dbm)
    for name, begin, end, level_dbm in (
        ("16", 1.87, 2.02, -69.8), ("06", 5.1, 5.3, -80.0), ("06", 8.0, 8.2, -79.0),
    ):  # fmt: skip
        put(CHANNELS[name], _between(at, START_S + begin * 3600, START_S + end * 3600), level_dbm)
    put(157.55e6, _between(at, START_S + 1500, START_S + 1750), -74.1)
    level[_between(at, *DEAF)] = -109.0 + chance.normal(0, 0.4, (1, len(rows_hz)))
    level[_between(at, *GAP)] = np.nan
    return np.asarray(level, dtype=np.float32)


def _between(at: NDArray[Any], begin_s: float, end_s: float) -> NDArray[Any]:
    return np.flatnonzero((at >= begin_s) & (at < end_s))


def _floor() -> Strip:
    at = np.linspace(START_S, STOP_S, 600)
    value = -103.6 + 0.8 * np.sin((at - START_S) / 3600 * 0.6 + 0.4)
    value[at >= ROSE_S] += 0.9
    for begin, end in (GAP, DEAF, KEYED):
        value[(at >= begin) & (at < end)] = np.nan
    return Strip(
        title="noise floor",
        unit="dBm",
        at_s=at,
        value=value,
        low=value - 0.4,
        high=value + 0.4,
        statement="+0.9 dB over the whole range from 01:10",
    )


def _heat() -> HeatChart:
    chance = np.random.default_rng(3)
    mean = np.array([0.03, 0.05, 0.007, 0.33, 0.31])[:, None]
    share = np.clip(mean * chance.uniform(0.5, 1.4, (5, 10)), 0, 1)
    share[:, 3] = np.nan
    wide = np.where(np.isnan(share), np.nan, 0.004 + 0.05 * np.sqrt(share))
    return HeatChart(
        title="Occupancy by hour",
        rows=tuple(CHANNELS),
        column_edges_s=START_S + 3600.0 * np.arange(11),
        share=share,
        low=np.clip(share - wide, 0, 1),
        high=np.clip(share + wide, 0, 1),
        sweeps=_sweeps(),
        alt="Occupancy of five channels in ten hours; AIS 1 and AIS 2 about a third of the time.",
    )


def _sheet() -> Sheet:
    edges_s = np.linspace(START_S, STOP_S, COLUMNS + 1)
    edges_hz = np.linspace(*BAND_HZ, ROWS + 1)
    rows_hz = (edges_hz[:-1] + edges_hz[1:]) / 2
    level = _level(edges_s, rows_hz)
    frequency = np.linspace(*BAND_HZ, POINTS)
    return Sheet(
        job="marine-vhf",
        column_edges_s=edges_s,
        row_edges_hz=edges_hz,
        level=level,
        unit="dBm",
        plane="the aerial socket",
        colour_low=-106.0,
        colour_high=-70.0,
        level_u=1.9,
        frequency_hz=frequency,
        highest=np.interp(frequency, rows_hz, np.nanmax(level, axis=0)),
        median=np.interp(frequency, rows_hz, np.nanmedian(level, axis=0)),
        lowest=np.interp(frequency, rows_hz, np.nanmin(level, axis=0)),
        threshold=-95.5,
        marked_hz=(
            (156.3e6, "06"),
            (156.8e6, "16"),
            (157.55e6, "157.550"),
            (158.45e6, "158.45"),
            (161.975e6, "AIS 1"),
            (162.025e6, "AIS 2"),
        ),
        channel_edges=tuple((hz - 12.5e3, hz + 12.5e3, name) for name, hz in CHANNELS.items()),
        floor=_floor(),
        occupancy=_heat(),
        sweeps=_sweeps(),
        alt=(
            "The night from 21:00 to 06:00 between 156.000 and 162.100 MHz. AIS on both channels "
            "all night, channel 16 now and then; between 158 and 160.5 MHz the floor is 3.1 dB "
            "higher from 01:10 on. Nothing was swept from 23:00 to 23:20."
        ),
    )


def _spectrum(sheet: Sheet) -> SpectrumChart:
    x = sheet.frequency_hz
    return SpectrumChart(
        title="Levels over the night",
        unit="dBm",
        plane="the aerial socket",
        lines=(
            Line(name="highest", x=x, y=sheet.highest, role="held"),
            Line(name="90 % of the time below", x=x, y=sheet.median + 1.4, role="first"),
            Line(name="median", x=x, y=sheet.median, role="now"),
            Line(name="lowest", x=x, y=sheet.lowest, role="low"),
        ),
        bands=tuple(
            Band(name=name, start=begin, stop=end) for begin, end, name in sheet.channel_edges
        ),
        threshold=-95.5,
        level_u=1.9,
        sweeps=_sweeps(),
        alt="Highest, median and lowest level over frequency.",
    )


def _finding(place: int, at_s: float, what: str, text: str, hz: float | None) -> FindingShown:
    return FindingShown(
        job="marine-vhf",
        number=place + 3,
        what=what,
        at_s=at_s,
        text=text,
        seq=812 + round((at_s - START_S) / 2),
        place=place,
        frequency_hz=hz,
        figures={"peak_dbm": -74.1 + place},
    )


def _findings() -> tuple[FindingShown, ...]:
    return (
        _finding(1, START_S + 1500, "signal_ended", "157.550 MHz, which is no channel of the plan, "
                 "busy 4 min 10 s, peak −74.1 dBm at the aerial socket", 157.55e6),
        _finding(2, START_S + 6732, "signal_ended", "channel 16 (156.800 MHz) busy 9 min 12 s, "
                 "peak −69.8 dBm at the aerial socket", 156.8e6),
        _finding(3, GAP[0], "sweeper_away", "mast away 20 min (cable), came back as itself", None),
        _finding(4, ROSE_S, "floor_rose", "floor rose 3.1 dB between 157.900 and 160.500 MHz and "
                 "stayed, now −101.4 dBm at the aerial socket", 159.2e6),
        _finding(5, START_S + 22980, "carrier_drifts", "carrier near 158.400 MHz drifts +11 kHz "
                 "an hour", 158.45e6),
    )  # fmt: skip


def _tables() -> tuple[Table, Table]:
    signals = Table(
        title="Signals",
        heads=("Frequency", "Channel", "First", "Last", "Busy", "Times", "Peak", "± (k = 2)"),
        units=("MHz", "", "", "", "s", "", "dBm", "dB"),
        places=(3, None, None, None, 1, 0, 1, 1),
        rows=(
            (156.8, "16", "21:04:10", "05:48:32", 1904.0, 212.0, -69.8, 1.9),
            (161.975, "AIS 1", "21:00:02", "05:59:58", 11512.5, 9000.0, -73.9, 1.9),
            (157.55, None, "21:25:00", "21:29:10", 250.0, 1.0, -74.1, 1.9),
            (158.45, None, "21:00:02", "05:59:58", 31200.0, 1.0, -92.0, None),
        ),
        note="Strongest first. A time is that of the first and of the last sweep that heard it.",
        sweeps=_sweeps(),
    )
    occupied = Table(
        title="Occupancy of the whole night",
        heads=("Channel", "Frequency", "Occupied", "from", "to", "Visits"),
        units=("", "MHz", "%", "%", "%", ""),
        places=(None, 3, 1, 1, 1, 0),
        rows=tuple(
            (name, hz / 1e6, share, share - 0.6, share + 0.7, 17_400.0)
            for (name, hz), share in zip(CHANNELS.items(), (3.1, 5.4, 0.7, 33.4, 31.0), strict=True)
        ),
        note="Intervals hold the true share with a confidence of 95 %.",
        sweeps=_sweeps(),
    )
    return signals, occupied


def band_job() -> JobReport:
    """The night watch, with a gap, a deaf time, a note and five findings."""
    sheet = _sheet()
    signals, occupied = _tables()
    heat = sheet.occupancy
    assert heat is not None
    return JobReport(
        job="marine-vhf",
        kind="band",
        sweeper="mast",
        headline=(
            "AIS all night on both channels, channel 16 called 212 times, and from 01:10 a hiss "
            "between 157.9 and 160.5 MHz that stayed."
        ),
        asked=(
            Fact(name="range", text="156.000 to 162.100 MHz, 1001 points"),
            Fact(name="RBW", text="10 kHz"),
            Fact(name="when", text="every 2 s, from 21:00 to 06:00"),
            Fact(name="levels", text="at the aerial socket, ± 1.9 dB (k = 2)"),
        ),
        coverage=CoverageShown(
            due=18_000, stored=17_400, listened=17_055,
            missed={"sweeper away": 600}, flagged={"deaf": 300, "transmitting": 45},
        ),
        gaps=(
            GapShown(from_s=GAP[0], to_s=GAP[1], count=600, reason="sweeper away",
                     text="mast away 20 min"),
        ),
        spells=(
            Spell(from_s=DEAF[0], to_s=DEAF[1], what="deaf", sweeps=300,
                  text="deaf 10 min: the floor fell to that of the bare input"),
            Spell(from_s=KEYED[0], to_s=KEYED[1], what="transmitting", sweeps=45,
                  text="own transmitter keyed 1 min 30 s"),
        ),
        notes=(
            NoteShown(at_s=ROSE_S + 900, text="lamp <b>off</b> & on again: no change", who="Maud"),
        ),
        findings=_findings(),
        sections=(
            Section(key="sheet", title="The night", charts=(sheet,)),
            Section(key="levels", title="Levels", charts=(_spectrum(sheet),),
                    lead="Highest, median and lowest level at each frequency."),
            Section(key="occupancy", title="Occupancy", charts=(heat,), tables=(occupied,)),
            Section(key="signals", title="Signals", tables=(signals,)),
        ),
        footer=(
            Fact(name="sweeper", text="Gannet Works, Simulated Sweeper, GL0017, 1.0"),
            Fact(name="chain", text="aerial: cable 1.5 dB ± 0.2 dB"),
            Fact(name="references", text="none used"),
            Fact(name="software", text="acqd 0.1.0, numpy 2.1"),
            Fact(name="config", text="e3b0c44298fc1c149afbf4c8996fb92427ae41e4"),
        ),
        files=(
            ("2026/10/24/marine-vhf-0-1a2b3c4d.nc", "9f86d081884c7d659a2feaa0c55ad015" * 2),
            ("2026/10/25/marine-vhf-0-1a2b3c4d.nc", ""),
        ),
        limits=("A transmission shorter than 2.1 s may have been missed.",),
    )  # fmt: skip


def _harmonics() -> BarChart:
    x = np.linspace(156.7e6, 156.9e6, 301)
    near = -60 + 70 * np.exp(-(((x - 156.8e6) / 8e3) ** 2))
    bars = (
        Bar(name="2nd", x=313.6e6, value=-41.2, expanded=1.8, limit=-36.0, verdict="pass"),
        Bar(name="3rd", x=470.4e6, value=-34.8, expanded=2.1, limit=-36.0, verdict="cannot tell",
            text="within the guard band"),
        Bar(name="4th", x=627.2e6, value=-71.0, expanded=None, limit=-36.0, verdict="pass",
            bound="at most"),
    )  # fmt: skip
    return BarChart(
        title="Harmonics beside the limit",
        x_unit="Hz",
        y_unit="dBm",
        y_name="power",
        bars=bars,
        lines=(Line(name="carrier", x=x, y=near, role="now"),),
        limits=(Limit(name="spurious", start=200e6, stop=1e9, level=-36.0, side="below", guard=2),),
        sweeps=_sweeps("hand-held & charger", 1, 96),
        alt="Second to fourth harmonic beside the limit of −36 dBm.",
    )


def _curves() -> CurveChart:
    x = np.linspace(100e6, 500e6, 401)
    loss = 0.8 + 30 / (1 + np.exp(-(x - 260e6) / 12e6))
    return CurveChart(
        title="Loss of the low-pass",
        x_unit="Hz",
        y_unit="dB",
        y_name="insertion loss",
        lines=(
            Line(
                name="first", x=x, y=loss, role="first", sweeps=_sweeps("hand-held & charger", 1, 1)
            ),
            Line(name="last", x=x, y=loss + 0.1, low=loss - 0.2, high=loss + 0.4, role="last"),
        ),
        marks=(Mark(x=255e6, y=3.0, text="−3 dB at 255.0 MHz", expanded=0.4),),
        limits=(Limit(name="stop", start=300e6, stop=500e6, level=25.0, side="above", guard=0.5),),
        bands=(Band(name="pass", start=100e6, stop=180e6),),
        upside_down=True,
        sweeps=_sweeps("hand-held & charger", 1, 96),
        alt="Loss over frequency, first and last sweep.",
    )


def _drift() -> TrendChart:
    x = np.linspace(START_S, STOP_S, 96)
    y = 0.02 * np.sin((x - START_S) / 3000)
    y[20:24] = np.nan
    return TrendChart(
        title="Drift of the carrier's power",
        unit="dB",
        lines=(Line(name="power less first", x=x, y=y, low=y - 0.01, high=y + 0.01),),
        limits=(Limit(name="drift", start=START_S, stop=STOP_S, level=0.5, side="below"),),
        gaps=(GapShown(from_s=GAP[0], to_s=GAP[1], count=4, reason="sweeper away", text="away"),),
        sweeps=_sweeps("hand-held & charger", 1, 96),
        alt="Power less that of the first check over the night.",
    )


def emission_job() -> JobReport:
    """A hand-held on soak that nobody can prove to pass; its name has to be escaped."""
    judged = Table(
        title="Against the limit",
        heads=("Figure", "Value", "± (k = 2)", "Limit", "Verdict"),
        units=("", "dBm", "dB", "dBm", ""),
        places=(None, 1, 1, 1, None),
        rows=(
            ("2nd harmonic", -41.2, 1.8, -36.0, "pass"),
            ("3rd harmonic", -34.8, 2.1, -36.0, "cannot tell"),
            ("4th harmonic", -71.0, None, -36.0, "pass"),
        ),
    )
    return JobReport(
        job="hand-held & charger",
        kind="emission",
        sweeper="workbench",
        headline="96 checks; the third harmonic lies within its uncertainty of the limit.",
        asked=(Fact(name="carrier", text="156.800 MHz"), Fact(name="when", text="every 5 min")),
        coverage=CoverageShown(
            due=100, stored=96, listened=96, missed={"sweeper busy": 4}, flagged={},
        ),
        gaps=(
            GapShown(from_s=GAP[0], to_s=GAP[1], count=4, reason="sweeper busy",
                     text="workbench did other work 20 min"),
        ),
        verdict=VerdictShown(
            verdict="cannot tell",
            text="the 3rd harmonic, −34.8 dBm ± 2.1 dB, is too near to its limit of −36 dBm",
            of="soak",
            at_s=STOP_S,
            judgements=judged,
            against=("marine-hand-held",),
        ),
        sections=(
            Section(key="harmonics", title="Harmonics", charts=(_harmonics(),), tables=(judged,)),
            Section(key="filter", title="The filter in front", charts=(_curves(),)),
            Section(key="drift", title="Drift", charts=(_drift(),)),
        ),
        footer=(Fact(name="sweeper", text="Gannet Works, Simulated Sweeper, GL0042, 1.0"),),
    )  # fmt: skip


def sample_report(*, jobs: int = 2) -> Report:
    """One or two jobs of the night."""
    return Report(
        station="gannet-ledge",
        title="Gannet Ledge Lookout",
        zone=ZONE,
        start_s=START_S,
        stop_s=STOP_S,
        made_at_s=STOP_S + 300,
        version="0.1.0",
        jobs=(band_job(), emission_job())[:jobs],
        station_findings=(
            FindingShown(
                job="station", number=1, what="clock_stepped", at_s=START_S + 10_000,
                text="the clock was set back 1.2 s", seq=None, place=None, frequency_hz=None,
            ),
        ),
    )  # fmt: skip


def empty_report() -> Report:
    """A range in which there is nothing."""
    nothing = CoverageShown(due=0, stored=0, listened=0, missed={}, flagged={})
    job = JobReport(
        job="marine-vhf",
        kind="band",
        sweeper="mast",
        headline="Nothing was due and nothing was swept in this range.",
        asked=(),
        coverage=nothing,
        limits=("There is no sweep in this range.",),
    )
    return replace(sample_report(), jobs=(job,), station_findings=())
