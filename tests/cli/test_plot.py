"""``acqd plot``: the right levels in the right file; one clear line for what cannot be meant."""

from __future__ import annotations

import importlib.util
import re
import sys
import xml.etree.ElementTree as ET
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from PIL import Image

from acqd.report.draw.plots import channel_plot, range_plot, sheet_plot, sweeps_plot
from acqd.report.shapes import Sheet, SpectrumChart

SWEEPS = 90
SPACE = "{http://www.w3.org/2000/svg}"


def _nights() -> ModuleType:
    """What makes nights of known levels, from beside the tests of reports."""
    full = "acqd_test_nights"
    if full not in sys.modules:
        path = Path(__file__).parents[1] / "report" / "nights.py"
        spec = importlib.util.spec_from_file_location(full, path)
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[full] = module
        spec.loader.exec_module(module)
    return sys.modules[full]


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Fifteen minutes with a carrier on channel 16 in the middle third, and a short gap."""
    night = _nights().Night(tmp_path_factory.mktemp("night"))

    def make(number: int) -> Any:
        if 70 <= number < 75:
            return None
        level = night.noise()
        return night.with_carrier(level, 156.8e6, -70.0) if 30 <= number < 60 else level

    night.run(SWEEPS, make)
    night.note(night.start_s + 120.0, "lamp off")
    return night


def texts(path: Path) -> list[str]:
    """What stands in an SVG."""
    return [one.text or "" for one in ET.fromstring(path.read_text("utf-8")).iter(f"{SPACE}text")]


# --- what is drawn --------------------------------------------------------------------------------


def test_a_sweep_has_its_own_levels_threshold_and_signals(night: Any) -> None:
    """At the plane those of the archive's reader, at the input those that went in."""
    source = night.source()
    seq = int(source.sweeps().seq[40])
    chart = sweeps_plot(source, [seq]).chart
    assert isinstance(chart, SpectrumChart)
    line, threshold = chart.lines
    with night.archive as archive:
        data = archive.sweeps(night.name, plane="far end")
        expected = data["level"].values[40]
    assert np.allclose(line.y, expected, atol=1e-9)
    (mark,) = chart.marks
    assert mark.x == pytest.approx(156.8e6, abs=2e3)
    assert mark.y == pytest.approx(float(np.nanmax(expected)))
    assert mark.text.splitlines() == ["16", f"−{-mark.y:.1f} dBm"]
    assert threshold.role == "threshold"
    assert threshold.y[0] == pytest.approx(source.sweeps().column("threshold_dbm")[40])
    at_input = sweeps_plot(source, [seq], at_input=True).chart
    assert isinstance(at_input, SpectrumChart)
    assert np.allclose(at_input.lines[0].y, night.kept[40].level, atol=1e-4)
    assert at_input.plane == "the sweeper's input" and chart.plane == "the aerial socket"
    assert np.allclose(at_input.lines[1].y - threshold.y, at_input.lines[0].y - line.y)


def test_a_range_has_the_extremes_of_all_its_sweeps(night: Any) -> None:
    """Highest and lowest point by point; at the input 2 dB of cable lower."""
    source = night.source()
    chart = range_plot(source).chart
    assert isinstance(chart, SpectrumChart)
    lines = {one.name: one for one in chart.lines}
    levels = night.levels()
    assert np.allclose(lines["highest"].y, levels.max(axis=0), atol=1e-4)
    assert np.allclose(lines["lowest"].y, levels.min(axis=0), atol=1e-4)
    at_input = range_plot(source, at_input=True).chart
    assert isinstance(at_input, SpectrumChart)
    assert np.allclose(lines["highest"].y - at_input.lines[0].y, 2.0, atol=1e-4)


def test_a_channel_has_its_highest_level_over_time_and_its_share(night: Any) -> None:
    """The same by its name and by a frequency in it."""
    source = night.source()
    sheet = channel_plot(source, name="16").chart
    assert isinstance(sheet, Sheet) and sheet.floor is not None and sheet.occupancy is not None
    inside = np.abs(night.axis_hz - 156.8e6) <= 12.5e3 + 1
    assert np.allclose(sheet.floor.value, night.levels()[:, inside].max(axis=1), atol=1e-4)
    assert sheet.occupancy.rows == ("16",)
    assert f"of {SWEEPS - 5} sweeps" in sheet.floor.statement
    share = 30 / (SWEEPS - 5)
    assert f"busy in {100 * share:.1f} %" in sheet.floor.statement
    assert sheet.row_edges_hz[0] >= 156.8e6 - 0.11e6
    same = channel_plot(source, at_hz=156.805e6).chart
    assert isinstance(same, Sheet) and same.floor is not None
    assert np.array_equal(same.floor.value, sheet.floor.value)


def test_a_frequency_outside_the_plan_has_no_share(night: Any) -> None:
    """But its levels."""
    plotted = channel_plot(night.source(), at_hz=156.75e6)
    assert isinstance(plotted.chart, Sheet) and plotted.chart.floor is not None
    assert plotted.chart.occupancy is None
    assert plotted.chart.floor.title == "highest at 156.750 MHz"


def test_the_sheet_is_that_of_the_report(night: Any) -> None:
    """The same cells, the same floor."""
    sheet = sheet_plot(night.source()).chart
    assert isinstance(sheet, Sheet) and sheet.floor is not None
    assert float(np.nanmax(sheet.level)) == pytest.approx(float(night.levels().max()), abs=1e-3)
    columns = np.searchsorted(sheet.column_edges_s, night.start_s + np.array([725.0])) - 1
    assert np.isnan(sheet.level[columns]).all()


# --- the command ----------------------------------------------------------------------------------


def test_a_picture_is_named_by_job_and_time(acqd: Any, night: Any, tmp_path: Path) -> None:
    """Where nobody names it, in the folder that one is in; it says what it wrote."""
    answer = acqd("plot", str(night.root), folder=tmp_path)
    assert answer.code == 0 and not answer.out
    (path,) = tmp_path.iterdir()
    assert re.fullmatch(r"marine-vhf-sheet-2026-06-01-22\d{4}\.png", path.name)
    assert answer.err == f"wrote {path.name}\n"
    with Image.open(path) as image:
        assert image.width == 1920


def test_an_svg_of_the_sheet_tells_the_night(acqd: Any, night: Any, tmp_path: Path) -> None:
    """Station and job above, notes and findings with it, on the station's clock."""
    out = tmp_path / "night.svg"
    words = ("--from", "22:00", "--to", "22:15", "-o", str(out))
    assert acqd("plot", str(night.root), *words).code == 0
    told = texts(out)
    assert told[0] != "" and "marine-vhf, Gannet Ledge Lookout" in told
    assert any(
        "1 June 2026, 22:00 to 1 June 2026, 22:15" in one or "22:00 to 22:15" in one for one in told
    )
    assert "lamp off" in told and "BST" in told and "UTC" in told
    assert any("channel 16" in one for one in told)


def test_each_way_of_looking_is_drawn(acqd: Any, night: Any, tmp_path: Path) -> None:
    """By the options alone; a file of that name is written anew."""
    out = tmp_path / "it.svg"
    for words, said in (
        (("--seq", "last"), f"sweep {SWEEPS - 5},"),
        (("--seq", "12, 14"), "sweep 14,"),
        (("--what", "range", "--plane", "input"), "at the sweeper's input"),
        (("--channel", "16", "--dark"), "channel 16, 156.800"),
        (("--at", "156.9 MHz", "--width", "phone"), "67"),
    ):
        assert acqd("plot", str(night.root), *words, "-o", str(out)).code == 0
        assert any(said in one for one in texts(out)), words


WRONG: dict[str, tuple[tuple[str, ...], str]] = {
    "another ending": (("-o", "night.gif"), "ends in .png or .svg"),
    "an unknown job": (("--job", "marine-vfh"), "did you mean 'marine-vhf'?"),
    "no such sweep": (("--seq", "4000"), "has no sweep 4000; it has 1 to 85"),
    "no number": (("--seq", "first"), "expected numbers of sweeps such as 812"),
    "too many": (("--seq", "1,2,3,4,5,6,7,8,9"), "at most 8"),
    "no such channel": (("--channel", "61"), "no channel '61'; did you mean 67"),
    "nothing like a channel": (("--channel", "harbour"), "it has 12, 16, 67"),
    "a frequency without a unit": (("--at", "156.8"), "unit"),
    "a frequency that was not swept": (("--at", "433 MHz"), "did not sweep 433.000 MHz"),
    "twice the same": (("--channel", "16", "--at", "156.8 MHz"), "leave one out"),
    "sweeps of a range": (("--seq", "3", "--from", "22:00"), "leave --from and --to out"),
    "a sheet at the input": (("--plane", "input"), "--what sweep and range"),
    "no sweep at all": (("--what", "sweep"), "needs --seq"),
    "no channel at all": (("--what", "channel"), "needs --channel"),
    "a channel of a range": (("--what", "range", "--channel", "16"), "are for --what channel"),
    "sweeps of a sheet": (("--what", "sheet", "--seq", "3"), "--seq is for --what sweep"),
    "an empty range": (
        ("--from", "2026-06-01T12:00Z", "--to", "2026-06-01T13:00Z"),
        "has no sweep in 1 June 2026, 13:00 to 14:00",
    ),
    "backwards": (("--from", "2026-06-02T12:00Z", "--to", "2026-06-01T13:00Z"), "ends before"),
    "no time": (("--from", "yesterday"), "is no time"),
    "no zone": (("--zone", "Europe/Gannet"), "no time zone here"),
}


@pytest.mark.parametrize(("words", "says"), WRONG.values(), ids=WRONG)
def test_words_that_cannot_be_meant(
    acqd: Any, night: Any, tmp_path: Path, words: tuple[str, ...], says: str
) -> None:
    """Exit code 2, what and what to do, and no file."""
    answer = acqd("plot", str(night.root), *words, folder=tmp_path)
    assert answer.code == 2
    assert says in answer.err.splitlines()[-1]
    assert not list(tmp_path.iterdir())


def test_no_archive(acqd: Any, tmp_path: Path) -> None:
    """One line, exit code 1."""
    answer = acqd("plot", str(tmp_path / "nowhere"))
    assert answer.code == 1 and "nowhere" in answer.complaint


def test_one_pass_is_shown_as_a_spectrum(acqd: Any, served: Any) -> None:
    """Below its figures, in characters that the output can take, with the carrier on top."""
    words = ("once", "156MHz..157MHz", "--sweeper", served.address("mast"), "--points", "101")
    answer = acqd(*words, encoding="ascii")
    assert answer.code == 0
    rows = [line for line in answer.out.splitlines() if " |" in line]
    assert len(rows) == 8 and "dBm" in rows[0]
    edge = rows[0].index("|")
    axis = answer.out.splitlines()[-1]
    assert axis.split()[0] == "156.00" and axis.endswith("157.00 MHz")
    columns = len(answer.out.splitlines()[-2]) - edge - 1
    peak = rows[1].index("#", edge + 1) - edge - 1
    assert peak / columns == pytest.approx(0.8, abs=0.03)
