"""Plots in text: heights follow the values, peaks stay, gaps stay gaps."""

from __future__ import annotations

import io
import math

import numpy as np
import pytest

from acqd.look.textplot import bar, can_show, reduced, sparkline, spectrum_lines


def test_a_sparkline_climbs_with_its_values() -> None:
    """Lowest to highest over all eight blocks; a gap is a space."""
    assert sparkline(range(8), 8) == "▁▂▃▄▅▆▇█"
    assert sparkline([0.0, math.nan, 7.0], 8) == "▁ █"
    assert sparkline(range(8), 8, ascii_only=True) == "_.-:=+*#"


def test_a_sparkline_on_a_given_scale_stops_at_its_ends() -> None:
    """So that several may be compared."""
    assert sparkline([-5.0, 0.0, 50.0, 100.0, 500.0], 9, low=0.0, high=100.0) == "▁▁▅██"


def test_values_that_are_alike_stand_half_high() -> None:
    """And none at all are none."""
    assert sparkline([3.0, 3.0, math.nan, 3.0], 9) == "▄▄ ▄"
    assert sparkline([], 9) == ""
    assert sparkline([math.nan, math.inf], 9) == "  "
    assert sparkline([1.0], 0) == ""


@pytest.mark.parametrize("width", [1, 7, 64, 999])
def test_reducing_loses_no_peak(width: int) -> None:
    """One high value of a thousand is in the column that stands for its place."""
    for place in (0, 1, 500, 998, 999):
        values = np.zeros(1000)
        values[place] = 1.0
        found = reduced(values, width)
        assert found.size == width
        assert np.flatnonzero(found == 1.0).tolist() == [
            max(at for at in range(width) if at * 1000 // width <= place)
        ]


def test_a_stretch_of_gaps_alone_is_a_gap() -> None:
    """One value among them is enough to show it."""
    values = np.full(100, np.nan)
    values[37] = 5.0
    found = reduced(values, 10)
    assert found[3] == 5.0
    assert np.isnan(np.delete(found, 3)).all()


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0.0, "    "),
        (1.0, "████"),
        (0.5, "██  "),
        (0.53125, "██▏ "),
        (0.001, "▏   "),
        (0.999, "███▉"),
        (-1.0, "    "),
        (7.0, "████"),
        (None, "····"),
        (math.nan, "····"),
    ],
)
def test_a_bar_is_as_long_as_its_share(share: float | None, text: str) -> None:
    """Something is never nothing, and nearly all is never all."""
    assert bar(share, 4) == text


def test_a_bar_in_ascii_says_the_same() -> None:
    """To a whole column."""
    assert [bar(one, 4, ascii_only=True) for one in (0.0, 0.01, 0.5, 0.99, 1.0, None)] == [
        "----", "#---", "##--", "###-", "####", "....",
    ]  # fmt: skip


def spectrum() -> tuple[np.ndarray, np.ndarray]:
    """Noise at −118 dBm with a carrier on channel 16."""
    hz = np.linspace(156e6, 162.1e6, 1001)
    level = -118.0 + np.random.default_rng(1).normal(0.0, 2.0, 1001)
    level[int(np.argmin(np.abs(hz - 156.8e6)))] = -71.0
    return hz, level


@pytest.mark.parametrize("width", [40, 79, 100])
def test_a_spectrum_has_its_scale_and_its_carrier(width: int) -> None:
    """Within the width; the carrier's column alone reaches the top row."""
    hz, level = spectrum()
    lines = spectrum_lines(hz, level, width, 8, threshold=-104.0)
    assert len(lines) == 10
    assert max(map(len, lines)) <= width
    assert "dBm" in lines[0] and lines[0].count("−") == 1
    assert lines[-1].split()[0] == "156.00" and lines[-1].endswith("162.10 MHz")
    edge = lines[0].index("┤")
    columns = len(lines[-2]) - edge - 1
    filled = [at for at, one in enumerate(lines[0][edge + 1 :]) if one != " "]
    assert filled == [int(0.8 / 6.1 * columns)]
    marked = [at for at, line in enumerate(lines) if line.endswith("◂")]
    top, bottom = -70.0, -120.0
    (row,) = marked
    assert top - (row + 1) * (top - bottom) / 8 <= -104.0 <= top - row * (top - bottom) / 8


def test_losses_grow_downwards() -> None:
    """The notch of a filter is where there are no blocks."""
    hz = np.linspace(60e6, 180e6, 601)
    loss = 1.0 + 60.0 * (np.abs(hz - 97e6) < 4e6)
    lines = spectrum_lines(hz, loss, 79, 6, unit="dB", upside_down=True)
    assert lines[0].split()[:2] == ["0", "dB"]
    edge = lines[0].index("┤")
    columns = len(lines[-2]) - edge - 1
    notch = edge + 1 + int(37 / 120 * columns)
    assert lines[0][notch] == " " and lines[4][notch] == " "
    assert lines[4][edge + 5] == "█"


def test_a_spectrum_without_levels_or_room_has_no_lines() -> None:
    """One of one level has."""
    hz, level = spectrum()
    assert spectrum_lines(hz, np.full(1001, np.nan), 79, 8) == []
    assert spectrum_lines(hz, level, 12, 8) == []
    assert spectrum_lines(hz, level, 79, 1) == []
    assert len(spectrum_lines([156.8e6], [-71.0], 79, 4)) == 6


def test_gaps_of_a_spectrum_stay_empty() -> None:
    """Where nothing was measured no column has a block."""
    hz, level = spectrum()
    level[500:700] = np.nan
    lines = spectrum_lines(hz, level, 79, 5)
    edge = lines[0].index("┤")
    columns = len(lines[-2]) - edge - 1
    inside = slice(edge + 1 + int(0.52 * columns), edge + 1 + int(0.68 * columns))
    assert all(line[inside].strip() == "" for line in lines[:5])


def test_ascii_alone_is_drawn_where_the_stream_takes_no_blocks() -> None:
    """And a stream without an encoding is taken for such a one."""
    utf8 = io.TextIOWrapper(io.BytesIO(), encoding="utf-8")
    plain = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    western = io.TextIOWrapper(io.BytesIO(), encoding="latin-1")
    assert can_show(utf8)
    assert not can_show(plain) and not can_show(western) and not can_show(io.BytesIO())
    hz, level = spectrum()
    lines = spectrum_lines(hz, level, 79, 8, threshold=-104.0, ascii_only=True)
    assert "\n".join(lines).isascii()
    assert any(line.endswith(" <") for line in lines)
