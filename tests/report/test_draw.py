"""Figures: they are SVG that a page can take in, say what they show, and no text hides another."""

from __future__ import annotations

import importlib.util
import re
import sys
import warnings
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from PIL import Image

from acqd.errors import WrongUsage
from acqd.look.palette import DARK, LIGHT, contrast, css_variables, level_colours
from acqd.report.draw import board_of, save, svg
from acqd.report.draw.board import Board
from acqd.report.draw.files import headed
from acqd.report.draw.frame import Frame
from acqd.report.draw.strips import DARKEST
from acqd.report.shapes import CurveChart, GapShown, Line, Mark, NoteShown, Spell


def _charts() -> ModuleType:
    path = Path(__file__).with_name("charts.py")
    spec = importlib.util.spec_from_file_location("acqd_test_charts", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["acqd_test_charts"] = module
    spec.loader.exec_module(module)
    return module


charts = _charts()
NIGHT = {"start_s": charts.START_S, "stop_s": charts.START_S + 9 * 3600.0, "zone": "Europe/Berlin"}
NOTHING = np.full(2, np.nan)


def empty_sheet() -> Any:
    """A night of which nothing is there."""
    return replace(
        charts.sheet(),
        level=np.full((180, 120), np.nan, dtype=np.float32),
        frequency_hz=np.array([charts.LOW_HZ, charts.HIGH_HZ]),
        highest=NOTHING,
        median=NOTHING,
        lowest=NOTHING,
        threshold=float("nan"),
        marked_hz=(),
        channel_edges=(),
        floor=None,
        occupancy=None,
        level_u=None,
    )


def one_row() -> Any:
    """Zero span."""
    one = charts.sheet()
    return replace(
        one,
        level=one.level[:, :1],
        row_edges_hz=np.array([156.8e6, 156.8e6]),
        frequency_hz=np.array([156.8e6]),
        highest=np.array([-70.0]),
        median=np.array([-100.0]),
        lowest=np.array([-107.0]),
        marked_hz=((156.8e6, "16"),),
        channel_edges=(),
    )


def one_column() -> Any:
    one = charts.sheet()
    return replace(one, level=one.level[:1], column_edges_s=one.column_edges_s[:2])


def thirty_bars() -> Any:
    """More than have room for their words."""
    one = charts.bars()
    return replace(
        one, bars=tuple(replace(one.bars[at % 6], x=150e6 + at * 7e6) for at in range(30))
    )


def many_marks() -> Any:
    """So near to each other that most of them have to be led to."""
    marks = tuple(
        Mark(x=150e6 + at * 0.7e6, y=10.0, text=f"point number {at}", expanded=0.3)
        for at in range(24)
    )
    return replace(charts.curve(), marks=marks)


def deviation() -> Any:
    """By ratios both ways, and figures far below one."""
    after_s = np.geomspace(1.0, 3e4, 30)
    line = Line(name="frequency", x=after_s, y=1e-9 / np.sqrt(after_s))
    return CurveChart(
        title="Steadiness", x_unit="s", y_unit="1", y_name="Allan deviation", lines=(line,)
    )


CHARTS: dict[str, Any] = {
    "sheet": charts.sheet,
    "sheet of nothing": empty_sheet,
    "sheet of one row": one_row,
    "sheet of one column": one_column,
    "sheet of thirty days": lambda: charts.sheet(hours=720.0, channels=12),
    "sheet of 90 channels": lambda: charts.sheet(channels=90),
    "sheet without channels": lambda: charts.sheet(channels=0),
    "spectrum": charts.spectrum,
    "sweep": charts.sweep,
    "heat": charts.heat,
    "curve": charts.curve,
    "curve the right way up": lambda: charts.curve(upside_down=False),
    "curve of nothing": lambda: replace(charts.curve(), lines=(), marks=(), limits=(), bands=()),
    "trend": charts.trend,
    "trend of nothing": lambda: replace(charts.trend(), lines=(), marks=(), limits=()),
    "bars": charts.bars,
    "bars side by side": lambda: charts.bars(behind=False),
    "thirty bars": lambda: thirty_bars(),
    "curve of 24 marks": lambda: many_marks(),
    "deviation over times": lambda: deviation(),
    "no bars": lambda: replace(charts.bars(behind=False), bars=()),
}


def frame_of(name: str, width: Any, *, findings: int = 7) -> Frame:
    hours = 720.0 if "thirty" in name else 9.0
    more = charts.happened(findings) if "sheet" in name else {}
    stop_s = charts.START_S + hours * 3600.0
    return Frame(start_s=charts.START_S, stop_s=stop_s, zone="Europe/Berlin", width=width, **more)


@pytest.fixture(params=CHARTS)
def name(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.mark.parametrize("width", ["page", "phone"])
def test_no_text_stands_on_another_or_leaves_the_board(name: str, width: Any) -> None:
    """Whatever there is to name, on a page and on a phone."""
    board = board_of(CHARTS[name](), frame_of(name, width))
    assert board.texts
    for one, other in combinations(board.texts, 2):
        assert not one.hits(other, by=-0.5), (one, other)
    for one in board.texts:
        assert one.x0 >= -0.5 and one.x1 <= board.width + 0.5, one
        assert one.y0 >= -0.5 and one.y1 <= board.height + 0.5, one


@pytest.mark.parametrize("count", [1, 40])
def test_numbers_of_findings_share_a_label_where_they_would_touch(count: int) -> None:
    """Each number is told once, alone or within "3–5"."""
    board = board_of(charts.sheet(), frame_of("sheet", "phone", findings=count))
    told: list[int] = []
    for one in board.texts:
        if one.y1 < 26 and re.fullmatch(r"[\d–, ]+", one.text):
            for part in one.text.split(", "):
                first, _, last = part.partition("–")
                told += range(int(first), int(last or first) + 1)
    assert sorted(told) == list(range(1, count + 1))


def test_an_inline_figure_parses_says_what_it_is_and_takes_the_pages_colours(name: str) -> None:
    """Every colour is a property of the page or one of the level colours; both times the same."""
    chart = CHARTS[name]()
    frame = frame_of(name, "page")
    words = {field: getattr(frame, field) for field in ("start_s", "stop_s", "zone", "gaps",
             "spells", "findings", "notes")}  # fmt: skip
    text = svg(chart, **words)
    root = ET.fromstring(text)
    space = "{http://www.w3.org/2000/svg}"
    assert root.get("role") == "img"
    title, desc = root.find(f"{space}title"), root.find(f"{space}desc")
    assert title is not None and desc is not None
    assert title.text and desc.text == (chart.alt or title.text)
    assert root.get("aria-labelledby") == f"{title.get('id')} {desc.get('id')}"
    levels = {f"#{r:02x}{g:02x}{b:02x}" for r, g, b in level_colours()[[0, 255]]}
    outside_data = re.sub(r"base64,[^\"]*", "", text)
    assert set(re.findall(r"#[0-9a-f]{6}\b", outside_data)) <= levels
    known = {part.split(":")[0] for part in css_variables(LIGHT).split(";") if part}
    assert set(re.findall(r"var\((--[a-z]+)\)", text)) <= known
    assert svg(chart, **words) == text
    assert "http" not in outside_data.replace("http://www.w3.org/2000/svg", "")


def test_figures_of_one_page_share_no_id() -> None:
    """Whichever are put together."""
    texts = [
        svg(CHARTS[name](), width=width, **NIGHT)
        for name in ("sheet", "curve", "trend", "bars")
        for width in ("page", "phone")
    ]
    found = [set(re.findall(r'\bid="([^"]+)"', text)) for text in texts]
    for one, other in combinations(found, 2):
        assert not one & other
    for text in texts:
        inside = set(re.findall(r'\bid="([^"]+)"', text))
        assert set(re.findall(r'(?:url\(|href=")#([^")]+)', text)) <= inside


def test_a_page_carries_a_whole_night_in_less_than_half_a_megabyte() -> None:
    """900 columns of 500 rows, most of it noise."""
    text = svg(charts.sheet(columns=900, rows=500), **NIGHT)
    (data,) = [len(one) for one in re.findall(r"base64,([^\"]*)", text) if len(one) > 5000]
    assert data < 400_000
    assert len(text) < 500_000


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_texts_keep_their_contrast(palette: Any) -> None:
    """On paper, on what was not swept, on cells of the heat and on tinted ranges."""

    def mixed(over: str, share: float) -> str:
        pairs = [
            (int(palette.paper[at : at + 2], 16), int(over[at : at + 2], 16)) for at in (1, 3, 5)
        ]
        return "#" + "".join(f"{round(a + (b - a) * share):02x}" for a, b in pairs)

    for role in ("ink", "quiet", "sea", "rust"):
        assert contrast(getattr(palette, role), palette.paper) >= 4.5
    assert contrast(palette.ink, palette.gap) >= 4.5
    assert contrast(palette.ink, mixed(palette.sea, DARKEST)) >= 4.5
    for role in ("ink", "rust", "sea"):
        assert contrast(getattr(palette, role), mixed(palette.sea, 0.08)) >= 4.5
    assert contrast(palette.rust, mixed(palette.rust, 0.12)) >= 4.5


def test_a_png_has_the_levels_where_they_belong(tmp_path: Path) -> None:
    """Cell by cell the colour of its level, and the paper's "not swept" where nothing was."""
    one = charts.sheet(columns=90, rows=40)
    level = np.full((90, 40), -100.0, dtype=np.float32)
    level[10:20, 30:] = -65.0
    level[60:, :10] = -85.0
    level[40:44] = np.nan
    one = replace(one, level=level, marked_hz=(), channel_edges=())
    gap = replace(charts.GAP, from_s=one.column_edges_s[40], to_s=one.column_edges_s[44], text="")
    save(one, tmp_path / "night.png", dpi=96, gaps=(gap,), **NIGHT)
    with Image.open(tmp_path / "night.png") as opened:
        shown = np.asarray(opened.convert("RGB"))
    (picture, _, _), *_ = board_of(one, Frame(**NIGHT, gaps=(gap,))).images
    colours = level_colours()

    def at(column: int, row: int) -> tuple[int, ...]:
        x = picture.x0 + (column + 0.5) / 90 * picture.width
        y = picture.y1 - (row + 0.5) / 40 * picture.height
        return tuple(int(value) for value in shown[int(y), int(x)])

    for column, row in ((3, 3), (12, 35), (15, 20), (75, 5), (75, 25), (12, 3)):
        step = round((float(level[column, row]) + 110.0) / 50.0 * 255)
        assert at(column, row) == tuple(int(value) for value in colours[step])
    assert at(41, 12) == tuple(int(LIGHT.gap[n : n + 2], 16) for n in (1, 3, 5))


@pytest.mark.parametrize("dark", [False, True])
def test_a_picture_file_stands_alone(tmp_path: Path, dark: bool) -> None:
    """An SVG has its colours, its paper and its heading in itself; a PNG its size by dpi."""
    palette = DARK if dark else LIGHT
    heading = ("marine-vhf, Gannet Ledge Lookout", "14 March 2026, 21:00 to 06:00")
    more = charts.happened()
    save(charts.sheet(), tmp_path / "a.svg", dark=dark, heading=heading, **more, **NIGHT)
    text = (tmp_path / "a.svg").read_text("utf-8")
    root = ET.fromstring(text)
    assert "var(" not in text
    assert f"fill: {palette.paper}" in text and palette.ink in text
    told = [one.text for one in root.iter("{http://www.w3.org/2000/svg}text")]
    assert (
        heading[0] in told
        and "What happened" in told
        and any(one and one.startswith("number 3 (finding ") for one in told)
    )
    save(charts.curve(), tmp_path / "b.png", dark=dark, dpi=96, **NIGHT)
    save(charts.curve(), tmp_path / "c.png", dark=dark, dpi=192, **NIGHT)
    with Image.open(tmp_path / "b.png") as small, Image.open(tmp_path / "c.png") as large:
        assert small.width == 960 and large.width == 1920
        corner = small.convert("RGB").getpixel((2, 2))
    assert corner == tuple(int(palette.paper[n : n + 2], 16) for n in (1, 3, 5))


def test_a_heading_moves_what_stands_below_it() -> None:
    """Texts and picture alike."""
    board = board_of(charts.sheet(), Frame(**NIGHT))
    before, height = board.texts[0], board.height
    headed(board, ("A night", "of March"))
    moved = board.height - height
    assert moved > 40
    assert board.texts[0].y0 == pytest.approx(before.y0 + moved)
    image = board.svg_images()["image-0"]
    assert f'y="{board.images[0][0].y0 + moved:.2f}"' in image


def test_a_name_that_is_no_picture_is_refused(tmp_path: Path) -> None:
    """And nothing is left behind; nor where the folder is not there."""
    with pytest.raises(WrongUsage, match=r"ends in \.png or \.svg"):
        save(charts.trend(), tmp_path / "night.gif", **NIGHT)
    with pytest.raises(WrongUsage, match="cannot be written"):
        save(charts.trend(), tmp_path / "nowhere" / "night.svg", **NIGHT)
    assert not list(tmp_path.iterdir())


def test_gaps_are_not_bridged() -> None:
    """A trend whose figures do not say so themselves is broken where a gap is."""
    chart = charts.trend()
    assert np.isfinite(chart.lines[0].y).all()
    broken = svg(chart, **NIGHT)
    whole = svg(replace(chart, gaps=()), **NIGHT)
    curves = [
        max(re.findall(r'd="(M[^"]*)"[^>]*stroke: var\(--sea\)', text), key=len)
        for text in (broken, whole)
    ]
    assert curves[0].count("M") == 2
    assert curves[1].count("M") == 1


def test_a_gap_is_as_long_on_the_picture_as_it_was() -> None:
    """Also where the cells beside it begin before or end after it: it lies over them."""
    start_s, frame = charts.START_S, Frame(**NIGHT)
    columns = 18
    level = np.full((columns, 10), -40.0, dtype=np.float32)
    sheet = replace(
        charts.sheet(channels=0),
        column_edges_s=np.linspace(start_s, frame.stop_s, columns + 1),
        row_edges_hz=np.linspace(charts.LOW_HZ, charts.LOW_HZ + 1e6, 11),
        level=level,
        marked_hz=(),
    )
    gap = GapShown(
        from_s=start_s + 4000.0, to_s=start_s + 8000.0, count=9, reason="paused", text="paused"
    )
    for one, over in ((gap, 2), (replace(gap, to_s=gap.from_s + 60.0), 1)):
        text = svg(sheet, **NIGHT, gaps=(one,))
        after = text[text.index("<image") :]
        assert after.count("var(--gap)") == over, "on the picture, and in the strip below it"


def test_good_levels_on_a_clock_that_nobody_set_stay_in_sight() -> None:
    """What was not listened to is told in words on the picture; the rest below it."""
    hour = 3600.0
    free = Spell(
        from_s=charts.START_S, to_s=charts.START_S + 9 * hour, what="clock_unsynchronised",
        text="the station's clock not known to be synchronised, 9 h", is_listening=True,
    )  # fmt: skip
    keyed = Spell(
        from_s=charts.START_S + 3 * hour, to_s=charts.START_S + 3.4 * hour, what="transmitting",
        text="own transmitter keyed, 24 min",
    )  # fmt: skip
    board = board_of(charts.sheet(), Frame(**NIGHT, spells=(free, keyed)))
    ((picture, _, _),) = board.images[:1]
    inside = [one.text for one in board.texts if one.within(picture)]
    assert inside == [keyed.text]
    below = " ".join(one.text for one in board.texts if one.y0 > picture.y1)
    assert "own transmitter keyed" in below
    assert "bracketed: the station's clock not known to be synchronised" in below


def test_the_text_of_a_note_crosses_the_flag_of_no_other() -> None:
    notes = tuple(
        NoteShown(at_s=charts.START_S + after, text=text, who="Mara")
        for after, text in ((1500.0, "lamp off"), (8 * 3600.0, "a long remark " * 12))
    )
    board = board_of(charts.sheet(), Frame(**NIGHT, notes=notes))
    said = [one.text for one in board.texts]
    assert "lamp off" in said
    (short,) = [one for one in board.texts if one.text == "lamp off"]
    (long,) = [one for one in board.texts if one.text.startswith("a long remark")]
    pole = short.x0 - 9
    assert not (long.x0 <= pole <= long.x1 and long.y0 < short.y0 + 4)


def test_a_sheet_says_how_many_channels_it_leaves_out() -> None:
    """And shows the busiest."""
    board = board_of(charts.sheet(channels=90), Frame(**NIGHT))
    said = " ".join(one.text for one in board.texts)
    assert "the 12 busiest of 90 channels" in said
    assert any(one.text == "89" for one in board.texts)


def test_the_plane_the_scale_and_the_uncertainty_are_told_once() -> None:
    """On page and phone."""
    for width in ("page", "phone"):
        board = board_of(charts.sheet(), frame_of("sheet", width))
        said = " ".join(one.text for one in board.texts)
        assert said.count("± 1.9 dB (k = 2)") == 1
        assert "dBm at the aerial socket" in said


@pytest.mark.parametrize("unit", ["1", ""])
@pytest.mark.parametrize("width", ["page", "phone"])
def test_a_ratio_stands_without_a_unit(unit: str, width: Any) -> None:
    """At axes of curves, bars, trends and strips, and behind their figures."""
    sheet = charts.sheet()
    of_ratios = (
        replace(charts.curve(), y_name="SWR", y_unit=unit),
        replace(charts.curve(), x_unit=unit),
        replace(charts.trend(), title="SWR", unit=unit),
        replace(charts.bars(), y_name="SWR", y_unit=unit),
        replace(charts.bars(behind=False), y_name="SWR", y_unit=unit),
        replace(sheet, floor=replace(sheet.floor, title="SWR", unit=unit)),
    )
    for chart in of_ratios:
        texts = [one.text for one in board_of(chart, frame_of("curve", width)).texts]
        assert "SWR" in texts or chart is of_ratios[1]
        assert not [one for one in texts if re.search(r"\[1?\]|\d 1$", one)]
    assert "loss [dB]" in [
        one.text for one in board_of(charts.curve(), frame_of("curve", width)).texts
    ]


def test_the_clock_of_the_zone_and_utc_stand_below_each_other() -> None:
    """Of a zone on UTC there is but one row; a change of the clock is told where it happens."""

    def texts(zone: str, start_s: float) -> list[str]:
        frame = Frame(start_s=start_s, stop_s=start_s + 9 * 3600.0, zone=zone)
        return [one.text for one in board_of(charts.trend(), frame).texts]

    assert {"CET", "UTC", "22:00", "14 March 2026", "15 March"} <= set(
        texts("Europe/Berlin", charts.START_S)
    )
    assert texts("UTC", charts.START_S).count("UTC") == 1
    assert "GMT from here" in texts("Europe/London", 1792872000.0)


def test_global_settings_of_the_plotting_library_are_left_alone() -> None:
    """Whoever draws beside us sees nothing of it."""
    from matplotlib import rcParams

    before = dict(rcParams)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        svg(charts.spectrum(), **NIGHT)
    assert dict(rcParams) == before
    assert "matplotlib.pyplot" not in sys.modules or "pyplot" not in Board.__module__
