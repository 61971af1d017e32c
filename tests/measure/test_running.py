"""Days of readings in bounded memory: exact totals, honest buckets, the same bits again."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from acqd.measure import drift, running, stability
from acqd.measure.checkpoint import dump_state, load_state
from acqd.measure.running import Series

Float = NDArray[np.float64]
START_S = 1_780_000_000.0


def fed(series: Series, t: Float, y: Float, first_seq: int = 0) -> Series:
    for seq, (at_s, value) in enumerate(zip(t.tolist(), y.tolist(), strict=True), first_seq):
        series = running.append(series, at_s, value, seq)
    return series


def test_totals_are_exact(rng: np.random.Generator) -> None:
    """Count, mean and spread as numpy has them, after many doublings."""
    y = -60.0 + 0.01 * rng.standard_normal(10_000)
    t = START_S + np.arange(10_000.0)
    totals = fed(running.new_series(width_s=1.0, most=64), t, y).totals
    assert totals.count == 10_000
    assert totals.mean == pytest.approx(float(y.mean()), rel=1e-14)
    assert totals.sd == pytest.approx(float(y.std(ddof=1)), rel=1e-10)
    assert totals.least is not None and totals.greatest is not None
    assert (totals.least.seq, totals.least.value) == (int(y.argmin()), float(y.min()))
    assert (totals.greatest.seq, totals.greatest.at_s) == (int(y.argmax()), t[y.argmax()])
    assert totals.span_s == 9999.0
    assert totals.outside == 0


@pytest.mark.parametrize("most", [2, 3, 64, 1000])
def test_buckets_stay_bounded_and_hold_every_reading(most: int, rng: np.random.Generator) -> None:
    """Width doubles; counts, means, spread, extremes and first sweeps are those of the readings."""
    y = rng.standard_normal(3000)
    t = START_S + np.arange(3000) * 10.0
    series = running.new_series(width_s=10.0, most=most)
    for seq, (at_s, value) in enumerate(zip(t.tolist(), y.tolist(), strict=True)):
        series = running.append(series, at_s, value, seq)
        assert series.buckets <= most
    course = running.course(series)
    assert series.buckets > most // 2 or most == 2
    assert series.width_s == 10.0 * 2.0 ** math.ceil(math.log2(3000 / most))
    edges = np.concatenate(([0], np.cumsum(course.count)))
    assert edges[-1] == 3000
    for i, (first, stop) in enumerate(itertools.pairwise(edges.tolist())):
        part = y[first:stop]
        assert course.first_seq[i] == first
        assert course.mean[i] == pytest.approx(part.mean(), abs=1e-12)
        assert course.at_s[i] == pytest.approx(t[first:stop].mean(), abs=1e-5)
        assert course.least[i] == part.min()
        assert course.greatest[i] == part.max()
        if part.size > 1:
            assert course.sd[i] == pytest.approx(part.std(ddof=1), rel=1e-9)
        else:
            assert math.isnan(course.sd[i])


def test_buckets_without_readings_are_not_kept(rng: np.random.Generator) -> None:
    """A night without sweeps takes no room; it shows as NaN in the even course."""
    t = START_S + np.r_[np.arange(0.0, 50.0), np.arange(450.0, 500.0)]
    series = fed(running.new_series(width_s=1.0, most=1024), t, np.arange(100.0))
    assert series.buckets == 100
    even = running.even_course(series)
    assert even.size == 500
    assert np.isnan(even[50:450]).all()
    assert even[450:].tolist() == np.arange(50.0, 100.0).tolist()


def test_jitter_does_not_move_readings_to_the_next_bucket(rng: np.random.Generator) -> None:
    """1000 readings up to 0.4 of a spacing early or late: each in a bucket of its own."""
    t = START_S + np.arange(1000) * 10.0 + rng.uniform(-4.0, 4.0, 1000)
    t[0] = START_S
    series = fed(running.new_series(width_s=10.0), t, np.arange(1000.0))
    assert running.even_course(series).tolist() == np.arange(1000.0).tolist()


def test_excursions_are_named_with_their_sweeps() -> None:
    """First and worst beyond the limits, both ways; on a limit is inside; the first of equals."""
    y = np.array([0.0, 1.0, 1.2, -1.5, 3.0, -3.0, 0.5])
    series = running.new_series(width_s=1.0, low=-1.0, high=1.0)
    totals = fed(series, START_S + np.arange(7.0), y, first_seq=40).totals
    assert totals.first_outside is not None and totals.worst_outside is not None
    assert (totals.first_outside.reading.seq, totals.first_outside.limit) == (42, 1.0)
    assert totals.first_outside.beyond == pytest.approx(0.2)
    assert (totals.worst_outside.reading.seq, totals.worst_outside.beyond) == (44, 2.0)
    assert totals.outside == 4
    low = fed(running.new_series(width_s=1.0, low=-1.0), START_S + np.arange(7.0), y).totals
    assert low.worst_outside is not None and low.worst_outside.limit == -1.0
    assert low.outside == 2


def test_missing_values_are_counted_and_change_nothing_else() -> None:
    """NaN and infinities, also as the very first."""
    series = running.new_series(width_s=1.0, high=0.0)
    for seq, value in enumerate([math.nan, 1.0, math.inf, 2.0, -math.inf]):
        series = running.append(series, START_S + seq, value, seq)
    assert (series.totals.count, series.totals.missing) == (2, 3)
    assert series.totals.mean == 1.5
    assert series.totals.first is not None and series.totals.first.seq == 1


def test_clock_set_back_keeps_the_order() -> None:
    """Readings before the last one's time go in the last bucket and are counted."""
    series = running.new_series(width_s=1.0)
    for seq, at_s in enumerate([0.0, 1.0, 2.0, 0.5, -100.0, 3.0]):
        series = running.append(series, START_S + at_s, float(seq), seq)
    course = running.course(series)
    assert course.count.tolist() == [1, 1, 3, 1]
    assert series.totals.backwards == 2
    assert series.totals.count == 6


def test_clock_set_far_ahead_takes_one_step() -> None:
    """Ten years in a 16-bucket series: as many doublings as it takes, nothing lost."""
    series = running.new_series(width_s=1.0, most=16)
    for seq in range(40):
        series = running.append(series, START_S + seq, 1.0, seq)
    series = running.append(series, START_S + 3.2e8, 2.0, 40)
    course = running.course(series)
    assert course.count.tolist() == [40, 1]
    assert series.totals.count == 41


def test_empty_and_single() -> None:
    """Nothing has no course; one reading has a mean and no spread."""
    series = running.new_series(width_s=1.0)
    assert running.course(series).at_s.size == 0
    assert running.even_course(series).size == 0
    assert math.isnan(series.totals.mean) and math.isnan(series.totals.sd)
    assert series.totals.span_s == 0.0
    one = running.append(series, START_S, 5.0, 7)
    assert running.course(one).mean.tolist() == [5.0]
    assert running.course(one).first_seq.tolist() == [7]
    assert math.isnan(one.totals.sd)
    assert running.even_course(one).tolist() == [5.0]


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(-5.0, 500.0),
            st.floats(-1e3, 1e3) | st.just(math.nan),
        ),
        max_size=120,
    ),
    st.integers(2, 9),
    st.integers(0, 120),
)
def test_checkpoints_change_no_bit(readings: list[tuple[float, float]], most: int, at: int) -> None:
    """Stored and loaded anywhere on the way, and the old series is left as it was."""
    series = again = running.new_series(width_s=1.0, most=most, low=-10.0, high=10.0)
    time_s = START_S
    for seq, (step_s, value) in enumerate(readings):
        time_s += step_s
        if seq == at:
            again = load_state("s/1", Series, dump_state("s/1", again))
        before = dump_state("s/1", series)
        old, series = series, running.append(series, time_s, value, seq)
        assert dump_state("s/1", old) == before
        again = running.append(again, time_s, value, seq)
    assert dump_state("s/1", series) == dump_state("s/1", again)
    assert int(running.course(series).count.sum()) == series.totals.count
    assert series.buckets <= most


def test_packed_arrays_are_shared_not_copied() -> None:
    """One reading more costs no array: the old packs are in the new series as they are."""
    series = fed(running.new_series(width_s=1.0), START_S + np.arange(1000.0), np.zeros(1000))
    more = running.append(series, START_S + 1000.0, 0.0, 1000)
    assert len(series.packed) == 15
    assert all(a is b for a, b in zip(series.packed, more.packed, strict=False))


def test_checkpoint_of_a_full_series_is_as_large_as_stated() -> None:
    """4096 buckets: 360 kB, within a fifth."""
    t = START_S + np.arange(4096.0)
    data = dump_state("s/1", fed(running.new_series(width_s=1.0), t, np.sin(t)))
    assert len(data) == pytest.approx(360_000, rel=0.2)


def test_drift_from_buckets_is_the_drift_of_the_readings(rng: np.random.Generator) -> None:
    """20 000 readings in at most 256 buckets: the slope within a quarter of its uncertainty."""
    t = START_S + np.arange(20_000.0)
    y = 0.3 * (t - START_S) / 3600.0 + rng.standard_normal(t.size)
    course = running.course(fed(running.new_series(width_s=1.0, most=256), t, y))
    whole = drift.least_squares_drift(t, y)
    found = drift.least_squares_drift(course.at_s, course.mean)
    assert whole.plain is not None and found.plain is not None
    assert found.slope_per_hour == pytest.approx(
        whole.slope_per_hour, abs=0.25 * whole.plain.u_per_hour
    )
    assert found.plain.u_per_hour == pytest.approx(whole.plain.u_per_hour, rel=0.25)


def test_deviations_from_buckets_are_those_of_the_readings(rng: np.random.Generator) -> None:
    """From the bucket's width on the Allan deviation is the same."""
    y = rng.standard_normal(8192)
    series = fed(running.new_series(width_s=1.0, most=1024), START_S + np.arange(8192.0), y)
    assert series.width_s == 8.0
    even = running.even_course(series)
    kind = stability.DeviationKind.ALLAN
    for m in (1, 4, 16):
        coarse = stability.deviation(kind, even, tau0_s=8.0, averages=m)
        fine = stability.deviation(kind, y, tau0_s=1.0, averages=8 * m)
        assert coarse.deviation == pytest.approx(fine.deviation, rel=1e-9)
        assert coarse.tau_s == fine.tau_s


def test_bucket_with_few_readings_does_not_stand_for_its_time() -> None:
    """A quarter of the usual count: left out of the even course, kept in the other."""
    t = START_S + np.concatenate((np.arange(0.0, 22.0), [25.0], np.arange(26.0, 34.0)))
    series = fed(running.new_series(width_s=4.0, most=100), t, np.arange(t.size, dtype=float))
    assert running.course(series).count.tolist() == [2, 4, 4, 4, 4, 4, 1, 4, 4]
    assert np.flatnonzero(np.isnan(running.even_course(series))).tolist() == [6]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"width_s": 0.0}, "width"),
        ({"width_s": math.inf}, "width"),
        ({"width_s": 1.0, "most": 1}, "2 buckets"),
        ({"width_s": 1.0, "low": 1.0, "high": 1.0}, "below the upper"),
    ],
)
def test_impossible_series_are_refused(arguments: dict[str, Any], words: str) -> None:
    """Width, size, limits."""
    with pytest.raises(ValueError, match=words):
        running.new_series(**arguments)


def test_readings_without_a_time_are_refused() -> None:
    """The sweep is named."""
    with pytest.raises(ValueError, match="sweep 7"):
        running.append(running.new_series(width_s=1.0), math.nan, 0.0, 7)
