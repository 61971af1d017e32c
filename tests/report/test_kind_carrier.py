"""The report of a carrier: frequency, level, drift and steps equal what was published."""

from __future__ import annotations

import math
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from acqd.report.kinds import KindParts, common, parts_of
from acqd.report.kinds.carrier import parts
from acqd.sweep import SweepFlag
from found_parts import chart, row, section, table

SCENE = """\
seed = 7

[scene.harbour]
[[scene.harbour.carrier]]
name = "beacon"
frequency = "{frequency}"
power = "{power}"

[instrument.shack]
scene = "harbour"
serial_number = "GL0017"
residuals = 0
accuracy = "1.5 dB"
"""

JOB = """\
[job.beacon]
kind = "carrier"
sweeper = "shack"
start = "156.79 MHz"
stop = "156.81 MHz"
points = 81
rbw = "1 kHz"
detector = "sample"
when = { every = "1 min" }
carrier = { expected = "156.8 MHz", window = "16 kHz", learn = 32, frequency_step = "20 Hz" }

[context.bench]
file = "bench"
unit = "°C"
"""

PASSES, STEP, DRIFT_HZ, STEP_HZ, HOLE = 150, 90, 2.0, 1500.0, 20


def scene(offset_hz: float = 0.0, power: str = "-61.5 dBm") -> str:
    return SCENE.format(frequency=f"{156_800_000.0 + offset_hz:.1f} Hz", power=power)


@pytest.fixture(scope="module")
def watch(watches: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Two hours and a half of a carrier that rises by 2 Hz a minute and steps once; one sweep is
    missed, and one was overloaded."""
    one = watches.Watch(tmp_path_factory.mktemp("beacon"), scene(), JOB)

    def before(number: int) -> None:
        one.now_there(scene(DRIFT_HZ * number + (STEP_HZ if number >= STEP else 0.0)))

    return one.run(
        PASSES,
        before=before,
        missing=frozenset({HOLE}),
        context=lambda number: {"bench": 20.0 + number / 60.0},
        flags=lambda number: SweepFlag.OVERLOAD if number == 60 else SweepFlag(0),
    )


@pytest.fixture(scope="module")
def told(watch: Any) -> KindParts:
    return parts_of(watch.source())


def test_frequency_and_level_are_the_columns_with_their_u(watch: Any, told: KindParts) -> None:
    data = watch.archive.sweeps("beacon")
    trend = chart(told, "frequency", "Frequency, less 156.800000 MHz")
    line = trend.lines[0]
    known = np.isfinite(line.y)
    np.testing.assert_array_equal(line.y[known], data.frequency_hz.values - 156.8e6)
    np.testing.assert_allclose(
        (line.high - line.y)[known], data.frequency_expanded_hz.values, atol=1e-6
    )
    np.testing.assert_array_equal(line.x[known], data.started.values)
    (hole,) = np.flatnonzero(~known)
    assert line.x[hole - 1] < line.x[hole] < line.x[hole + 1]
    level = chart(told, "level", "Level at the sweeper's input")
    np.testing.assert_array_equal(level.lines[0].y[known], data.level_dbm.values)
    assert level.unit == "dBm" and level.lines[0].sweeps.count == PASSES - 1


def test_the_drift_is_a_straight_line_after_the_step(watch: Any, told: KindParts) -> None:
    """numpy's own line through the readings after it gives the same slope, and the truth is in the
    interval."""
    data = watch.archive.sweeps("beacon")
    (step,) = (one for one in watch.archive.findings("beacon") if one.what == "frequency_step")
    late = data.started.values >= step.at_s
    at_h = (data.started.values[late] - data.started.values[late][0]) / 3600.0
    slope, _ = np.polyfit(at_h, data.frequency_hz.values[late] - 156.8e6, 1)
    shown = row(table(told, "figures", "Drift"), "frequency, this range")
    assert shown[2] == pytest.approx(slope, rel=1e-6)
    assert shown[3] <= 60.0 * DRIFT_HZ <= shown[4] and shown[5] == late.sum()
    line = chart(told, "frequency", "Frequency, less").lines[1]
    assert line.role == "reference"
    assert line.sweeps.first_seq == int(data.sequence.values[late][0])
    rise = (line.y[1] - line.y[0]) / (line.x[1] - line.x[0]) * 3600.0
    assert rise == pytest.approx(slope, rel=1e-6)
    assert ", drifting at +" in told.headline and told.headline.endswith(", with 1 step.")


def test_what_was_published_stands_beside_it(watch: Any, told: KindParts) -> None:
    drift = watch.summaries[-1]["drift"]
    shown = row(table(told, "figures", "Drift"), "frequency, as published")
    assert shown[2:6] == (
        drift["hz_per_h"],
        drift["hz_per_h_low"],
        drift["hz_per_h_high"],
        float(drift["readings"]),
    )


def test_the_scatter_is_what_is_left_beside_the_line(watch: Any, told: KindParts) -> None:
    rest = chart(told, "frequency", "Frequency beside its straight line")
    left = rest.lines[0].y[np.isfinite(rest.lines[0].y)]
    assert abs(left.mean()) < 1e-3
    sd = math.sqrt(float((left**2).sum()) / (left.size - 2))
    shown = float(rest.title.split("standard deviation ")[1].removesuffix(" Hz"))
    assert shown == pytest.approx(sd, rel=0.06)


def test_a_step_is_marked_and_listed(watch: Any, told: KindParts) -> None:
    (step,) = (one for one in watch.archive.findings("beacon") if one.what == "frequency_step")
    assert abs(step.figures["step_hz"] - STEP_HZ) <= 1.3 * step.figures["step_expanded_hz"] < 100.0
    data = watch.archive.sweeps("beacon")
    offset = data.frequency_hz.values - 156.8e6
    after = data.sequence.values >= step.seq
    assert offset[~after].max() < STEP_HZ / 2.0 < STEP_HZ < offset[after].min()
    (mark,) = chart(told, "frequency", "Frequency, less").marks
    assert mark.x == step.at_s and mark.text.startswith("up ")
    (listed,) = table(told, "figures", "Steps").rows
    assert listed[1:] == (
        "frequency, Hz",
        step.figures["step_hz"],
        step.figures["step_expanded_hz"],
        float(step.seq),
    )


def test_means_and_ends_are_those_of_the_columns(watch: Any, told: KindParts) -> None:
    data = watch.archive.sweeps("beacon")
    offset = data.frequency_hz.values - 156.8e6
    shown = row(table(told, "figures", "Readings"), "frequency less expected")
    assert shown[2] == pytest.approx(offset.mean())
    assert shown[4:] == (offset[0], offset[-1], offset.min(), offset.max())
    assert shown[3] >= data.frequency_expanded_hz.values.max()


def test_steadiness_is_the_last_hour_that_was_told(watch: Any, told: KindParts) -> None:
    hour = watch.archive.hourly("beacon")[-1]
    rows = table(told, "steadiness", "Overlapping Allan").rows
    assert [one[0] for one in rows] == [each["tau_s"] for each in hour.figures["allan"]]
    assert rows[0][1] == pytest.approx(1e9 * hour.figures["allan"][0]["deviation"])


def test_the_context_lies_on_the_same_time_axis(watch: Any, told: KindParts) -> None:
    bench = chart(told, "beside", "Bench")
    assert bench.unit == "°C"
    frequency = chart(told, "frequency", "Frequency, less")
    np.testing.assert_array_equal(bench.lines[0].x, frequency.lines[0].x)
    assert bench.lines[0].y[0] == 20.0


def test_what_does_not_count_is_said(told: KindParts) -> None:
    assert any(one.startswith("1 reading overloaded") for one in told.limits)


def test_a_long_watch_is_drawn_as_means(watch: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """More points than a page is wide: means, with a band around all readings and their U."""
    monkeypatch.setattr(common, "TREND_POINTS", 40)
    line = chart(parts_of(watch.source()), "frequency", "Frequency, less").lines[0]
    data = watch.archive.sweeps("beacon")
    assert line.y.size == 40 and "means of" in line.name
    offset, u = data.frequency_hz.values - 156.8e6, data.frequency_expanded_hz.values
    first = offset[data.started.values < line.x[0] + (line.x[1] - line.x[0]) / 2.0]
    assert line.y[0] == pytest.approx(first.mean())
    assert np.nanmax(line.high) == pytest.approx((offset + u).max())
    assert np.nanmin(line.low) == pytest.approx((offset - u).min())
    assert line.sweeps is not None and line.sweeps.count == offset.size


# --- what cannot be said --------------------------------------------------------------------------


def test_a_carrier_that_is_not_there_is_a_sentence(watches: ModuleType, tmp_path: Path) -> None:
    one = watches.Watch(tmp_path, scene(power="-160 dBm"), JOB).run(4)
    found = parts_of(one.source())
    assert found.headline.startswith("The carrier at 156.800 MHz was heard in none of 4 sweeps: ")
    assert one.summaries[-1]["not_heard_because"] in found.headline
    assert [each.key for each in found.sections] == ["beside"]


def test_one_reading_says_nothing_of_drift(watches: ModuleType, tmp_path: Path) -> None:
    found = parts_of(watches.Watch(tmp_path, scene(), JOB).run(1).source())
    assert "One reading: nothing can be said of drift or steadiness." in found.limits
    assert section(found, "frequency").lead.startswith("No drift can be told")
    assert len(chart(found, "frequency", "Frequency, less").lines) == 1


def test_an_empty_range_is_a_sentence(watch: Any) -> None:
    found = parts(watch.source(start_s=watch.clock.at_s + 10.0, stop_s=watch.clock.at_s + 20.0))
    assert found.limits == ("There is no sweep in this range: nothing can be said of the carrier.",)
