"""Columns, rows and codes of the night sheet, against arithmetic that is written out here."""

from __future__ import annotations

import math
from itertools import count, pairwise
from typing import Any

import numpy as np
import pytest

from acqd.dash.reading import TraceRead
from acqd.dash.sheet import BINS, ROWS_MOST, UNHEARD, Sheet, grid_of, mask_of_words, rows_of
from acqd.publish.reduce import reduce_trace
from acqd.sweep import SweepFlag

AT_S = 1_795_617_000.0


def trace_of(level: Any, *, at_s: float = AT_S, seq: int = 1, **changes: Any) -> TraceRead:
    values = np.asarray(level, dtype=np.float64)
    facts: dict[str, Any] = {
        "job": "marine-vhf",
        "seq": seq,
        "step": 0,
        "at_s": at_s,
        "unit": "dBm",
        "start_hz": 156e6,
        "stop_hz": 157e6,
        "source_points": values.size,
        "frequency_hz": None,
        "level": values,
    }
    return TraceRead(**(facts | changes))


def sheet_for(trace: TraceRead) -> Sheet:
    grid = grid_of(trace)
    return Sheet(grid, 0, rows_of(trace, grid.rows), count(1).__next__)


def shown(sheet: Sheet, span_s: float, now_s: float) -> dict[int, Any]:
    found = sheet.columns(span_s, np.zeros(BINS, dtype=np.int64), now_s, BINS)
    if found is None:
        return {}
    codes = np.frombuffer(found.codes, dtype=np.uint8).reshape(-1, sheet.grid.rows)
    level = np.where(codes > 0, sheet.low_db + (codes - 1.0) * sheet.step_db, np.nan)
    return dict(zip(found.numbers, level, strict=True))


def test_an_even_trace_has_a_row_for_each_point() -> None:
    level = np.linspace(-120.0, -60.0, 200)
    assert rows_of(trace_of(level), 200).tolist() == level.tolist()


def test_runs_of_a_reduced_trace_become_rows_wherever_their_peaks_lie() -> None:
    rng = np.random.default_rng(3)
    axis = np.linspace(156e6, 157e6, 1221)
    whole = rng.normal(-110.0, 3.0, axis.size)
    whole[[0, 700, 1220]] = -50.0
    reduced = reduce_trace(axis, whole, 200)
    trace = trace_of(reduced.level, frequency_hz=reduced.frequency_hz, source_points=axis.size)
    rows = rows_of(trace, 200)
    edges = np.arange(201) * axis.size // 200
    expected = [whole[a:b].max() for a, b in pairwise(edges)]
    assert rows.tolist() == expected


def test_more_points_than_rows_keep_their_peaks() -> None:
    level = np.full(2000, -110.0)
    level[[0, 999, 1999]] = (-50.0, -60.0, -70.0)
    rows = rows_of(trace_of(level), ROWS_MOST)
    assert rows.shape == (ROWS_MOST,)
    assert rows[[0, 249, 499]].tolist() == [-50.0, -60.0, -70.0]
    assert (np.delete(rows, [0, 249, 499]) == -110.0).all()


def test_rows_between_uneven_points_take_the_nearest_and_none_stays_empty() -> None:
    at_hz = np.array([156.0e6, 156.1e6, 156.9e6, 157.0e6])
    trace = trace_of([-100.0, -80.0, -90.0, -70.0], frequency_hz=at_hz, source_points=50)
    rows = rows_of(trace, 10)
    assert rows.tolist() == [-100.0, -80.0, -80.0, -80.0, -80.0, -90.0, -90.0, -90.0, -90.0, -70.0]


def test_two_peaks_in_one_row_show_the_higher() -> None:
    at_hz = np.array([156.0e6, 156.01e6, 156.02e6, 157.0e6])
    trace = trace_of([-100.0, -60.0, -90.0, -70.0], frequency_hz=at_hz, source_points=500)
    assert rows_of(trace, 4)[0] == -60.0


def test_a_row_without_a_reading_is_not_a_number() -> None:
    rows = rows_of(trace_of([-100.0, np.nan, -90.0]), 3)
    assert np.isnan(rows).tolist() == [False, True, False]
    sheet = sheet_for(trace_of([-100.0, np.nan, -90.0]))
    sheet.add(AT_S, rows)
    (column,) = shown(sheet, 600.0, AT_S).values()
    assert np.isnan(column).tolist() == [False, True, False]


@pytest.mark.parametrize("span_s", [600.0, 3600.0, 21_600.0, 43_200.0])
def test_a_column_holds_the_highest_of_its_time_and_gaps_stay_gaps(span_s: float) -> None:
    bin_s = span_s / BINS
    start_s = np.ceil(AT_S / bin_s) * bin_s
    sheet = sheet_for(trace_of([-100.0, -100.0]))
    for place, level in ((0.0, (-100.0, -90.0)), (0.5, (-80.0, -95.0)), (5.25, (-70.0, -71.0))):
        sheet.add(float(start_s + place * bin_s), np.array(level))
    first = round(start_s / bin_s)
    found = shown(sheet, span_s, float(start_s + 6 * bin_s))
    assert {number - first: column.tolist() for number, column in found.items()} == {
        0: [-80.0, -90.0],
        5: [-70.0, -71.0],
    }


def test_a_ring_shows_its_span_and_nothing_older() -> None:
    sheet = sheet_for(trace_of([-100.0]))
    for second in range(1500):
        sheet.add(AT_S + second, np.array([-100.0 + second / 50.0]))
    found = shown(sheet, 600.0, AT_S + 1499)
    assert sorted(found) == [int(AT_S) + second for second in range(900, 1500)]
    # Half an hour later none of it is within ten minutes, all of it within the hour.
    assert shown(sheet, 600.0, AT_S + 1499 + 1800) == {}
    assert len(shown(sheet, 3600.0, AT_S + 1499 + 1800)) == 250


def test_sweeps_of_the_past_go_into_their_own_columns_in_any_order() -> None:
    sheet = sheet_for(trace_of([-100.0]))
    for second in (500, 3, 499, 2000, 1700):
        sheet.add(AT_S + second, np.array([-90.0]))
    sheet.add(AT_S + 1400, np.array([-95.0]))  # where 2000 is: too old for ten minutes
    assert sorted(shown(sheet, 600.0, AT_S + 2000)) == [int(AT_S) + 1700, int(AT_S) + 2000]
    assert len(shown(sheet, 3600.0, AT_S + 2000)) == 5


def test_levels_are_within_half_a_step() -> None:
    rng = np.random.default_rng(5)
    level = rng.uniform(-120.0, -40.0, 300)
    trace = trace_of(level)
    sheet = sheet_for(trace)
    sheet.add_live(trace, AT_S)
    (column,) = shown(sheet, 600.0, AT_S).values()
    assert np.abs(column - level).max() <= 0.25
    assert sheet.line.tolist() == level.astype(np.float32).tolist()
    held = np.frombuffer(sheet.held(600.0, AT_S), dtype="<f4")
    assert (held >= sheet.line).all()
    assert (held - level).max() <= 0.26


def test_a_level_beyond_the_scale_moves_it_and_keeps_the_columns() -> None:
    sheet = sheet_for(trace_of([-120.0, -118.0]))
    sheet.add(AT_S, np.array([-120.0, -60.0]))
    epoch, low_db = sheet.epoch, sheet.low_db
    assert low_db == -140.0
    sheet.add(AT_S + 1, np.array([-119.0, 3.0]))
    assert sheet.epoch > epoch
    assert sheet.low_db > low_db
    found = shown(sheet, 600.0, AT_S + 1)
    before, after = (found[int(AT_S) + second].tolist() for second in (0, 1))
    assert before[1] == -60.0
    assert after[1] == 3.0
    # What lies below the new scale is told as its lowest level, not as nothing swept.
    assert before[0] == max(-120.0, sheet.low_db)


def test_a_level_far_beyond_the_scale_is_still_shown() -> None:
    sheet = sheet_for(trace_of([-120.0]))
    sheet.add(AT_S, np.array([400.0]))
    (column,) = shown(sheet, 600.0, AT_S).values()
    assert abs(column[0] - 400.0) <= 0.25


@pytest.mark.parametrize("unit", ["digit", "1"])
def test_units_without_decibels_get_steps_that_fit(unit: str) -> None:
    trace = trace_of(np.linspace(10.0, 4000.0, 100), unit=unit)
    sheet = sheet_for(trace)
    sheet.add_live(trace, AT_S)
    (column,) = shown(sheet, 600.0, AT_S).values()
    assert np.abs(column - trace.level).max() <= sheet.step_db / 2 + 1e-9
    assert sheet.step_db <= 2 * 4000.0 / 254


def test_held_follows_the_span() -> None:
    sheet = sheet_for(trace_of([-100.0]))
    sheet.add(AT_S, np.array([-50.0]))
    for second in range(1, 700):
        sheet.add_live(trace_of([-100.0], at_s=AT_S + second, seq=second), AT_S + second)
    now_s = AT_S + 699
    assert np.frombuffer(sheet.held(600.0, now_s), dtype="<f4").tolist() == [-100.0]
    assert np.frombuffer(sheet.held(3600.0, now_s), dtype="<f4").tolist() == [-50.0]


def test_a_sweep_of_the_future_is_a_line_and_no_column() -> None:
    sheet = sheet_for(trace_of([-100.0]))
    sheet.add_live(trace_of([-100.0], seq=1), AT_S)
    sheet.add_live(trace_of([-90.0], at_s=AT_S + 7200.0, seq=2), AT_S)
    assert list(shown(sheet, 600.0, AT_S)) == [int(AT_S)]
    assert (sheet.seq, sheet.line.tolist()) == (2, [-90.0])


def test_memory_is_as_stated() -> None:
    trace = trace_of(np.zeros(2000))
    assert sheet_for(trace).bytes <= 1.25 * 2**20


def test_columns_say_which_flags_of_no_listening_their_sweeps_have() -> None:
    """Whatever the order in which they come; others flags are no matter, a new bin begins anew."""
    sheet = sheet_for(trace_of([-100.0]))
    keyed, aside, late = SweepFlag.TRANSMITTING, SweepFlag.SET_ASIDE, SweepFlag.LATE
    first = math.floor(AT_S / 6.0)
    for second, flags in ((0, keyed), (3, aside), (6, keyed | aside), (12, late), (18, keyed)):
        sheet.add(first * 6.0 + second, np.array([-100.0]), int(flags))
    both = int(keyed | aside)
    now_s = first * 6.0 + 20.0
    assert sheet.deaf_runs(3600.0, now_s) == [
        [first, first + 1, both],
        [first + 3, first + 3, int(keyed)],
    ]
    assert sheet.deaf_runs(3600.0, now_s + 3600.0) == []
    sheet.add(first * 6.0 + 3600.0, np.array([-100.0]))
    assert [first, first + 1, both] not in sheet.deaf_runs(3600.0, now_s)
    assert mask_of_words(["transmitting", "set_aside", "set_aside", "new", 5]) == both
    assert mask_of_words(None) == 0


def test_what_nobody_heard_is_barred_from_when_it_last_was() -> None:
    """Columns that were there already too, when it turns out."""
    sheet = sheet_for(trace_of([-100.0]))
    first = math.floor(AT_S / 6.0)
    for number in range(4):
        sheet.add((first + number) * 6.0 + 1.0, np.array([-100.0]))
    sheet.unheard_since((first + 1) * 6.0 + 1.0)
    sheet.add((first + 4) * 6.0 + 1.0, np.array([-100.0]), UNHEARD)
    now_s = (first + 5) * 6.0
    assert sheet.deaf_runs(3600.0, now_s) == [[first + 2, first + 4, UNHEARD]]
