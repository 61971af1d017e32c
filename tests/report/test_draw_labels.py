"""Where labels go, how rasters become colours, and where axes put their marks."""

from __future__ import annotations

import base64
import io
from itertools import pairwise

import numpy as np
import pytest
from PIL import Image

from acqd.look.palette import level_colours
from acqd.report.draw.axes import Axis, frequency_axis, thinned, value_ticks, with_gaps
from acqd.report.draw.board import Board, Box, text_width
from acqd.report.draw.labels import grouped, place_near, shortened, spread, wrapped
from acqd.report.draw.raster import data_uri, evened, rgba, steps_of
from acqd.report.shapes import GapShown


@pytest.mark.parametrize("seed", range(6))
def test_spread_labels_never_touch_and_keep_their_order(seed: int) -> None:
    """And stay where they want to be if nobody is in the way."""
    rng = np.random.default_rng(seed)
    wanted = sorted(rng.uniform(0.0, 300.0, 15).tolist())
    sizes = rng.uniform(4.0, 18.0, 15).tolist()
    placed = spread(wanted, sizes, 0.0, 300.0)
    for (one, one_size), (other, other_size) in pairwise(zip(placed, sizes, strict=True)):
        assert other - one >= (one_size + other_size) / 2 - 1e-9
    assert placed[0] - sizes[0] / 2 >= -1e-9 and placed[-1] + sizes[-1] / 2 <= 300 + 1e-9
    assert spread([10.0, 150.0, 290.0], [5.0] * 3, 0.0, 300.0) == [10.0, 150.0, 290.0]
    assert spread([], [], 0.0, 1.0) == []


def test_spread_labels_move_as_little_as_they_can() -> None:
    """Two that want the same place part evenly; at an edge they lean on it."""
    assert spread([100.0, 100.0], [10.0, 10.0], 0.0, 200.0) == [95.0, 105.0]
    assert spread([2.0, 2.0], [10.0, 10.0], 0.0, 200.0) == [5.0, 15.0]


def test_numbers_that_would_touch_become_one_label() -> None:
    """Runs with a dash, others with a comma; far ones stay alone."""
    found = grouped([1, 2, 3, 5, 9], [10, 12, 14, 16, 200], size=12, low=0, high=300)
    assert [one.text for one in found] == ["1–3, 5", "9"]
    assert found[0].x == (10, 12, 14, 16)
    assert [one.text for one in grouped([4, 5], [0, 1], size=12, low=0, high=300)] == ["4, 5"]


def test_a_label_finds_room_beside_curves_and_other_labels() -> None:
    """None where there is none."""
    board = Board(width=400, height=300)
    board.text(110, 100, "in the way", "ink")
    within = Box(0, 0, 400, 300)
    curve = np.column_stack([np.linspace(0, 400, 100), np.full(100, 90.0)])
    found = place_near(board, 100, 100, ["16", "−70 dBm"], within=within, size=10, busy=curve)
    assert found is not None
    box = found[1]
    assert board.is_free(box) and box.within(within)
    assert not ((curve[:, 1] > box.y0) & (curve[:, 1] < box.y1)).any()
    nowhere = Box(95, 95, 105, 105)
    assert place_near(board, 100, 100, ["too long"], within=nowhere, size=10, busy=curve) is None


def test_texts_are_cut_or_broken_to_a_width() -> None:
    """An ellipsis where something is missing; a number and its unit stay together."""
    assert shortened("short", 400, 10) == "short"
    cut = shortened("a sentence that is too long", 60, 10)
    assert cut.endswith("…") and text_width(cut, 10) <= 60
    assert shortened("W", 1, 10) == ""
    lines = wrapped("took 0.32\N{NO-BREAK SPACE}s of the night", 50, 10)
    assert any("0.32\N{NO-BREAK SPACE}s" in line for line in lines)
    assert " ".join(lines) == "took 0.32\N{NO-BREAK SPACE}s of the night"


# --- rasters --------------------------------------------------------------------------------------


def decoded(uri: str) -> np.ndarray:
    """(height, width, 4) of a data URI, by another program's reader."""
    head, data = uri.split(",")
    assert head == "data:image/png;base64"
    with Image.open(io.BytesIO(base64.b64decode(data))) as image:
        assert image.mode == "P"
        return np.asarray(image.convert("RGBA"))


def test_a_raster_has_the_colours_of_the_levels() -> None:
    """Transparent where nothing was swept; the ends of the scale beyond it."""
    level = np.array([[-110.0, -100.0, np.nan], [-85.0, -60.0, 0.0]], dtype=np.float32)
    steps = steps_of(level, -110.0, -60.0)
    assert steps.tolist() == [[1, 51, 0], [128, 255, 255]]
    shown = decoded(data_uri(steps))
    assert np.array_equal(shown, rgba(steps))
    colours = level_colours()
    assert shown[0, 1].tolist() == [*colours[51].tolist(), 255]
    assert shown[0, 2, 3] == 0


def test_a_raster_of_noise_stays_small_and_within_a_few_steps() -> None:
    """Steps are joined as far as needed; gaps stay transparent."""
    rng = np.random.default_rng(2)
    steps = rng.integers(1, 256, (500, 900)).astype(np.uint8)
    steps[:, 300:310] = 0
    uri = data_uri(steps)
    assert len(uri) < 400_000
    shown = decoded(uri)
    assert (shown[:, 300:310, 3] == 0).all() and (shown[:, :300, 3] == 255).all()
    away = np.abs(shown[..., :3].astype(int) - rgba(steps)[..., :3].astype(int))
    assert away.max() <= 16


def test_columns_of_other_widths_are_brought_to_one_width() -> None:
    """Each the highest of what it covers, nothing of nothing."""
    level = np.array([[-90.0], [np.nan], [-70.0], [-100.0]], dtype=np.float32)
    edges = np.array([0.0, 1.0, 2.0, 2.5, 4.0])
    assert np.array_equal(
        evened(level, edges, 4)[:, 0], np.float32([-90.0, np.nan, -70.0, -100.0]), equal_nan=True
    )
    assert evened(level, edges, 2)[:, 0].tolist() == [-90.0, -70.0]
    same = np.arange(12, dtype=np.float32)[:, None]
    assert evened(same, np.arange(13.0), 3)[:, 0].tolist() == [3.0, 7.0, 11.0]
    assert evened(same, np.arange(13.0), 12) is same


# --- axes -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low", "high", "texts"),
    [
        (-110.3, -68.0, ("−110", "−100", "−90", "−80", "−70")),
        (-0.05, 0.05, ("−0.04", "−0.02", "0.00", "0.02", "0.04")),
        (0.0, 1.0, ("0.0", "0.2", "0.4", "0.6", "0.8", "1.0")),
    ],
)
def test_marks_are_round(low: float, high: float, texts: tuple[str, ...]) -> None:
    """With a real minus sign, and none before a zero."""
    assert value_ticks(Axis(low, high, 0, 100), 5).texts == texts


def test_marks_by_ratios_are_powers() -> None:
    """Written as people write them where they are small or large."""
    assert value_ticks(Axis(4e-12, 9e-10, 0, 100, True), 5).texts == (
        "5·10⁻¹²", "10⁻¹¹", "2·10⁻¹¹", "5·10⁻¹¹", "10⁻¹⁰", "2·10⁻¹⁰", "5·10⁻¹⁰",
    )  # fmt: skip
    assert value_ticks(Axis(9e-2, 2e5, 0, 100, True), 5).texts == (
        "0.1", "1", "10", "100", "1000", "10000", "10⁵",
    )  # fmt: skip


def test_frequencies_have_the_unit_that_fits() -> None:
    """Zero span has one mark."""
    ticks, unit = frequency_axis(Axis(156e6, 162.1e6, 0, 100), 7)
    assert unit == "MHz" and ticks.texts == tuple(str(mhz) for mhz in range(156, 163))
    assert frequency_axis(Axis(9e3, 150e3, 0, 100), 3)[1] == "kHz"
    assert frequency_axis(Axis(1e9, 6e9, 0, 100), 3)[1] == "GHz"
    ticks, unit = frequency_axis(Axis(156.8e6 - 0.5, 156.8e6 + 0.5, 0, 100), 7)
    assert ticks.texts == ("156.8",) and unit == "MHz"


def test_a_thinned_curve_keeps_its_peaks_and_its_gaps() -> None:
    """Two points a pixel at most."""
    x = np.arange(100_000.0)
    y = np.zeros(100_000)
    y[77_777], y[33_333] = 9.0, -9.0
    y[50_000:60_000] = np.nan
    few_x, few_y = thinned(x, y, Axis(0.0, 100_000.0, 0.0, 500.0))
    assert few_x.size <= 1000
    assert np.nanmax(few_y) == 9.0 and np.nanmin(few_y) == -9.0
    inside = (few_x > 50_200) & (few_x < 59_800)
    assert np.isnan(few_y[inside]).all() and inside.any()
    short = thinned(x[:10], y[:10], Axis(0.0, 10.0, 0.0, 500.0))
    assert np.array_equal(short[0], x[:10])


def test_a_gap_is_put_between_the_points_that_it_lies_between() -> None:
    """However it was recorded."""
    gap = GapShown(from_s=4.0, to_s=6.0, count=2, reason="", text="")
    x, y = with_gaps(np.array([1.0, 3.0, 7.0]), np.array([1.0, 1.0, 1.0]), [gap])
    assert x.tolist() == [1.0, 3.0, 5.0, 7.0]
    assert np.isnan(y).tolist() == [False, False, True, False]
