"""The report of a filter and of a pad: what is told equals what was published, and raw levels."""

from __future__ import annotations

import math
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from acqd.measure.meter import Role
from acqd.report.kinds import KindParts, parts_of
from acqd.report.kinds.transmission import parts
from acqd.report.shapes import CurveChart, Line, TrendChart
from acqd.sweep import SweepFlag
from found_parts import chart, row, section, table

SCENE = """\
seed = 11

[device.stop]
kind = "band-stop"
prototype = "chebyshev"
order = 3
ripple = "0.1 dB"
centre = "97 MHz"
width = "24 MHz"
loss = "0.4 dB"
floor = "55 dB"

[device.warm-stop]
kind = "band-stop"
prototype = "chebyshev"
order = 3
ripple = "0.1 dB"
centre = "97.6 MHz"
width = "24 MHz"
loss = "0.7 dB"
floor = "55 dB"

[device.pad-20]
kind = "pad"
loss = "20.3 dB"

[device.nothing]
kind = "open"

[instrument.shack]
serial_number = "GL0103"
points_max = 10001
rbw_min = "300 Hz"
residuals = 0
danl = "-150 dBm"
accuracy = "1 dB"
source_min = "-40 dBm"
source_max = "0 dBm"
"""

SWEEP = """\
[job.filter]
kind = "transmission"
sweeper = "shack"
start = "60 MHz"
stop = "180 MHz"
points = 601
rbw = "10 kHz"
detector = "rms"
attenuation = "10 dB"
source = { level = "-20 dBm" }
when = { every = "1 min" }

"""

FILTER = (
    SWEEP
    + """\
[job.filter.transmission]
passband = { range = "156 MHz..162.1 MHz", loss_at_most = "2 dB", ripple_at_most = "1 dB" }
stopband = { name = "broadcast", range = "92 MHz..102 MHz", at_least = "15 dB" }
frequency = [
    { name = "ch16", at = "156.8 MHz", at_most = "2 dB" },
    { name = "hill-fm", at = "97 MHz", role = "stop", at_least = "40 dB" },
]
source_vswr = 1.1
load_vswr = 1.1
"""
)

PAD = (
    SWEEP
    + """\
[job.filter.transmission]
pad = { value = "20 dB", within = "2.5 dB", flatness_at_most = "2 dB" }
source_vswr = 1.1
load_vswr = 1.1
device_vswr = 1.1
"""
)

HOLE = 3
"""The pass that was missed."""


@pytest.fixture(scope="module")
def watch(watches: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Six passes of a filter that moves after the second, with a gap and an overloaded sweep."""
    one = watches.Watch(tmp_path_factory.mktemp("filter"), SCENE, FILTER, source_path=("stop",))
    one.refer(Role.THROUGH, sweeps=3)

    def before(number: int) -> None:
        one.source_path = ("stop",) if number < 2 else ("warm-stop",)

    return one.run(
        8,
        before=before,
        missing=frozenset({HOLE}),
        flags=lambda number: SweepFlag.OVERLOAD if number == 5 else SweepFlag(0),
    )


@pytest.fixture(scope="module")
def told(watch: Any) -> KindParts:
    return parts_of(watch.source())


def test_the_curve_is_through_less_filter_at_each_point(watch: Any, told: KindParts) -> None:
    """Where no floor is known nothing is corrected: numpy on the raw levels gives the same."""
    curve = chart(told, "loss", "Insertion loss")
    assert isinstance(curve, CurveChart) and curve.upside_down
    raw = watch.archive.sweeps("filter")
    through = np.asarray(watch.references["through"].level, dtype=np.float64)
    for line, at in ((curve.lines[1], 0), (curve.lines[2], -1)):
        expected = through - np.asarray(raw.level.values[at], dtype=np.float64)
        np.testing.assert_array_equal(line.x, raw.frequency.values)
        np.testing.assert_allclose(line.y, expected, atol=1e-9)
    assert [line.role for line in curve.lines] == ["mean", "first", "last"]
    mean = (through - np.asarray(raw.level.values, dtype=np.float64)).mean(axis=0)
    np.testing.assert_allclose(curve.lines[0].y, mean, atol=1e-9)
    assert curve.lines[0].name == "mean of 7 sweeps"


def test_the_band_of_the_curve_is_its_u(watch: Any, told: KindParts) -> None:
    """Where a named frequency lies on a point its U is the published one."""
    line: Line = chart(told, "loss", "Insertion loss").lines[-1]
    (ch16, _) = watch.summaries[-1]["named"]
    at = int(np.flatnonzero(line.x == ch16["frequency_hz"])[0])
    assert line.high is not None and line.low is not None
    assert line.high[at] - line.y[at] == pytest.approx(ch16["loss_expanded_db"], abs=0.01)
    assert line.y[at] == pytest.approx(ch16["loss_db"], abs=1e-4)
    # Deep in the stop band the loss is less sure.
    deep = int(np.nanargmax(line.y))
    assert line.high[deep] - line.y[deep] > line.high[at] - line.y[at]


def test_marks_limits_and_ranges_stand_at_the_computed_places(watch: Any, told: KindParts) -> None:
    curve = chart(told, "loss", "Insertion loss")
    summary = watch.summaries[-1]
    notch, main = summary["notches"][0], next(p for p in summary["passbands"] if p["main"])
    edges = notch["edges"][0]
    marks = {(round(one.x, 1), one.text.split(" ")[0]) for one in curve.marks}
    assert (edges["lower_hz"], "−3") in marks and (edges["upper_hz"], "−3") in marks
    assert (notch["deepest_hz"], "notch") in marks and (main["least_loss_hz"], "least") in marks
    assert {"ch16", "hill-fm"} <= {text for _, text in marks}
    limits = {one.name: one for one in curve.limits}
    passed = limits["loss at most 2.0 dB"]
    assert (passed.start, passed.stop, passed.level, passed.side) == (156e6, 162.1e6, 2.0, "below")
    assert passed.guard == summary["passband"]["largest_loss_expanded_db"]
    stop = limits["broadcast: 15.0 dB below the passband"]
    assert stop.level == pytest.approx(main["least_loss_db"] + 15.0) and stop.side == "above"
    assert stop.guard == summary["stopbands"][0]["rejection_expanded_db"]
    assert [(one.name, one.start) for one in curve.bands] == [
        ("passband", 156e6),
        ("broadcast", 92e6),
    ]


def test_the_figures_are_the_published_ones(watch: Any, told: KindParts) -> None:
    losses, frequencies = (table(told, "figures", name) for name in ("Losses", "Frequencies"))
    summary = watch.summaries[-1]
    main = next(one for one in summary["passbands"] if one["main"])
    least = [
        next(one for one in each["passbands"] if one["main"])["least_loss_db"]
        for each in watch.summaries
    ]
    assert row(losses, "Least loss")[1:] == (
        main["least_loss_db"],
        main["least_loss_expanded_db"],
        min(least),
        max(least),
        7.0,
    )
    edges = summary["notches"][0]["edges"][0]
    assert row(frequencies, "Centre")[1] == pytest.approx(edges["centre_hz"] / 1e6, abs=1e-9)
    assert row(frequencies, "Centre")[2] == pytest.approx(edges["centre_expanded_hz"] / 1e3)
    named = table(told, "figures", "Named")
    ch16 = summary["named"][0]
    assert row(named, "ch16")[3:5] == (ch16["loss_db"], ch16["loss_expanded_db"])
    assert losses.sweeps is not None and (losses.sweeps.count, losses.sweeps.last_seq) == (7, 7)


def test_the_verdict_is_the_one_that_was_given(watch: Any, told: KindParts) -> None:
    """Word, reason and every judgement; and those of all passes are counted."""
    last = watch.verdicts[-1]
    assert told.verdict is not None and told.verdict.judgements is not None
    assert (told.verdict.verdict, told.verdict.text) == (last["verdict"], last["text"])
    assert told.verdict.at_s == last["at_s"] and list(told.verdict.against) == last["against"]
    shown = told.verdict.judgements.rows
    assert [(one[0], one[4], one[5]) for one in shown] == [
        (one["figure"], one["verdict"], one["text"]) for one in last["judgements"]
    ]
    words = [one["verdict"] for one in watch.verdicts]
    assert words.count("incomplete") == 1
    fails, passes = words.count("fail"), words.count("pass")
    assert (fails, passes) == (4, 2)
    assert told.headline.startswith(f"Fail: {last['text']}; band-stop, notch at ")
    assert told.headline.endswith("; 7 verdicts: 4 fail, 1 incomplete and 2 pass.")


def test_drift_is_the_columns_and_gaps_stay_gaps(watch: Any, told: KindParts) -> None:
    trend = chart(told, "drift", "Least loss")
    assert isinstance(trend, TrendChart)
    line = trend.lines[0]
    column = watch.archive.sweeps("filter").least_loss_db.values
    known = np.isfinite(line.y)
    np.testing.assert_array_equal(line.y[known], column)
    hole = np.flatnonzero(~known)
    assert hole.size == 1 and known[hole[0] - 1] and known[hole[0] + 1]
    u = [
        next(one for one in each["passbands"] if one["main"])["least_loss_expanded_db"]
        for each in watch.summaries
    ]
    np.testing.assert_allclose((line.high - line.y)[known], u, atol=1e-9)
    assert [(gap.count, gap.reason) for gap in trend.gaps] == [(1, "sweeper lost")]
    centre = chart(told, "drift", "Centre, less")
    assert centre.unit == "kHz" and centre.lines[0].y[0] == 0.0
    moved = watch.archive.sweeps("filter").centre_hz.values
    assert centre.lines[0].y[-1] == pytest.approx((moved[-1] - moved[0]) / 1e3)
    assert centre.lines[0].y[-1] > 400.0


def test_what_it_rests_on_is_told(watch: Any, told: KindParts) -> None:
    rests = section(told, "rests-on")
    assert rests.lead.startswith("Against a through of 3 sweeps, ")
    budget = watch.summaries[-1]["budget"]
    assert [one[0] for one in rests.tables[0].rows] == [line["name"] for line in budget]
    assert any("floor is not known" in one for one in told.limits)
    assert any(one.startswith("1 sweep overloaded") for one in told.limits)


def test_a_quiet_reference_takes_the_floor_out(watches: ModuleType, tmp_path: Path) -> None:
    """Where the filter is below the floor the loss is a lower limit, and that is said."""
    one = watches.Watch(tmp_path, SCENE.replace("-150 dBm", "-105 dBm"), FILTER, ("stop",))
    one.refer(Role.THROUGH, sweeps=3)
    one.refer(Role.QUIET, "nothing", sweeps=3)
    found = parts_of(one.run(1).source())
    assert not any("floor is not known" in each for each in found.limits)
    at_least = [each for each in found.limits if "the loss is a lower limit" in each]
    assert len(at_least) == 1 and at_least[0].startswith("At ")
    marks = [each.text for each in chart(found, "loss", "Insertion").marks]
    assert any(each.startswith("hill-fm at least ") for each in marks)
    named = table(found, "figures", "Named")
    assert row(named, "hill-fm")[2] == "at least" and one.summaries[-1]["named"][1]["at_least"]


def test_a_pad_is_told_by_its_value(watches: ModuleType, tmp_path: Path) -> None:
    one = watches.Watch(tmp_path, SCENE, PAD, source_path=("pad-20",))
    one.refer(Role.THROUGH, sweeps=3)
    found = parts_of(one.run(1).source())
    pad = one.summaries[-1]["pad"]
    assert found.headline.startswith("Pass: a pad of 20.3 dB ± ")
    assert "20.0 dB by its label" in found.headline
    losses = table(found, "figures", "Losses")
    assert row(losses, "Value of the pad")[1:3] == (pad["value_db"], pad["value_expanded_db"])
    levels = sorted(limit.level for limit in chart(found, "loss", "Insertion").limits)
    assert levels == [17.5, 22.5]


# --- what cannot be said --------------------------------------------------------------------------


def test_without_a_through_it_says_what_helps(watches: ModuleType, tmp_path: Path) -> None:
    one = watches.Watch(tmp_path, SCENE, FILTER, source_path=("stop",)).run(2)
    found = parts_of(one.source())
    assert found.headline.startswith("No loss was measured: there is no through reference")
    assert found.limits[0].startswith("2 sweeps without figures: ")
    assert "`acqd reference filter through`" in found.limits[0]
    assert found.verdict is None and not found.sections


def test_one_sweep_has_no_drift_and_says_so(watches: ModuleType, tmp_path: Path) -> None:
    one = watches.Watch(tmp_path, SCENE, FILTER, source_path=("stop",))
    one.refer(Role.THROUGH)
    found = parts_of(one.run(1).source())
    assert "One sweep was measured: nothing can be said of drift." in found.limits
    assert "drift" not in {each.key for each in found.sections}
    assert [line.role for line in chart(found, "loss", "Insertion").lines] == ["now"]
    assert chart(found, "loss", "Insertion").sweeps.count == 1


def test_an_empty_range_is_a_sentence(watch: Any) -> None:
    found = parts(watch.source(start_s=watch.clock.at_s + 10.0, stop_s=watch.clock.at_s + 20.0))
    assert found.limits == (
        "There is no sweep in this range: neither curve nor figure can be given.",
    )
    assert found.headline.startswith("Nothing was swept in this time: ")


def test_a_config_of_another_acqd_leaves_the_figures(
    watch: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Curve and verdict need it; what was published needs nothing."""
    source = watch.source()
    for setup in source.sweeps().setups:
        monkeypatch.setitem(setup.details["config"], "transmission", {"no_such_key": 1})
    found = parts(source)
    (why,) = (one for one in found.limits if "cannot be read by this acqd" in one)
    assert why.startswith("There is no curve: neither curve nor limits can be given: ")
    assert found.verdict is None and not section(found, "loss").charts
    assert math.isfinite(row(table(found, "figures", "Losses"), "Least loss")[1])
