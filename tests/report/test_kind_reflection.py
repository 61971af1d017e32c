"""The report of a whip on a bridge: what is told equals what was published, and raw levels."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from acqd.measure.meter import Role
from acqd.report.kinds import KindParts, parts_of
from acqd.report.kinds.reflection import parts
from acqd.report.kinds.soakagain import count_again
from acqd.sweep import SweepFlag
from found_parts import chart, row, section, table

SCENE = """\
seed = 3

[device.bridge]
kind = "bridge"
load = "whip"
directivity = "36 dB"

[device.whip]
kind = "antenna"
resonance = "157 MHz"
resistance = 42
q = 6

[device.fallen-bridge]
kind = "bridge"
load = "fallen"
directivity = "36 dB"

[device.fallen]
kind = "antenna"
resonance = "152 MHz"
resistance = 30
q = 16

[device.bridge-open]
kind = "bridge"
load = "open"
directivity = "36 dB"

[device.bridge-short]
kind = "bridge"
load = "short"
directivity = "36 dB"

[device.bridge-load]
kind = "bridge"
load = "load"
directivity = "36 dB"

[device.open]
kind = "open"

[device.short]
kind = "short"

[device.load]
kind = "load"

[instrument.shack]
serial_number = "GL0103"
points_max = 10001
residuals = 0
danl = "-150 dBm"
accuracy = "1 dB"
source_min = "-40 dBm"
source_max = "0 dBm"
"""

JOB = """\
[job.whip]
kind = "reflection"
sweeper = "shack"
start = "150 MHz"
stop = "164 MHz"
points = 141
rbw = "10 kHz"
detector = "rms"
when = { every = "1 min" }
source = { level = "-20 dBm", radiates = true, licensed = ["150 MHz..164 MHz"] }

[job.whip.reflection]
installed = "whip on the roof"
directivity = "36 dB"
source_match = "28 dB"
named = { ch16 = "156.8 MHz" }
range = "156 MHz..158 MHz"
max_swr = 2.0
max_swr_at = { ch16 = 1.7 }
"""


@pytest.fixture(scope="module")
def watch(watches: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """An open alone; the whip falls after the third of seven passes."""
    one = watches.Watch(tmp_path_factory.mktemp("whip"), SCENE, JOB, source_path=("bridge",))
    one.refer(Role.OPEN, "bridge-open", sweeps=2)

    def before(number: int) -> None:
        one.source_path = ("bridge",) if number < 3 else ("fallen-bridge",)

    return one.run(
        7,
        before=before,
        flags=lambda number: SweepFlag.TRANSMITTING if number == 1 else SweepFlag(0),
    )


@pytest.fixture(scope="module")
def told(watch: Any) -> KindParts:
    return parts_of(watch.source())


def test_return_loss_and_swr_are_those_of_the_raw_levels(watch: Any, told: KindParts) -> None:
    """With an open alone and no cable the return loss is open less whip, and the SWR follows."""
    raw = np.asarray(watch.archive.sweeps("whip").level.values, dtype=np.float64)
    opened = np.asarray(watch.references["open"].level, dtype=np.float64)
    losses, ratios = chart(told, "match", "Return loss"), chart(told, "match", "SWR")
    assert losses.upside_down and not ratios.upside_down
    for at, which in ((0, 0), (-1, -1)):
        loss_db = opened - raw[at]
        np.testing.assert_allclose(losses.lines[which].y, loss_db, atol=1e-9)
        rho = 10.0 ** (-loss_db / 20.0)
        swr = np.where(rho < 1.0, (1.0 + rho) / (1.0 - rho), np.inf)
        np.testing.assert_allclose(ratios.lines[which].y, np.minimum(swr, 10.0), rtol=1e-9)
    assert [one.role for one in losses.lines] == ["first", "last"]


def test_worst_case_bounds_are_the_band(watch: Any, told: KindParts) -> None:
    """At the named frequency, which is a point, they are the published ones."""
    (ch16,) = watch.summaries[-1]["named"]
    losses, ratios = chart(told, "match", "Return loss"), chart(told, "match", "SWR")
    at = int(np.flatnonzero(losses.lines[-1].x == 156.8e6)[0])
    shown = (losses.lines[-1].low[at], losses.lines[-1].y[at], losses.lines[-1].high[at])
    keys = ("return_loss_low_db", "return_loss_db", "return_loss_high_db")
    assert shown == pytest.approx([ch16[key] for key in keys], abs=1e-3)
    shown = (ratios.lines[-1].low[at], ratios.lines[-1].y[at])
    assert shown == pytest.approx([ch16["swr_low"], ch16["swr"]], abs=1e-4)
    assert (ratios.lines[-1].high <= 10.0).all() and (losses.lines[-1].high <= 60.0).all()


def test_marks_and_limits_stand_where_they_were_computed(watch: Any, told: KindParts) -> None:
    summary = watch.summaries[-1]
    ratios, losses = chart(told, "match", "SWR"), chart(told, "match", "Return loss")
    best = summary["best"]
    mark = next(one for one in ratios.marks if one.text.startswith("best match"))
    assert (mark.x, mark.y) == (best["frequency_hz"], best["swr"])
    assert sum(one.text.startswith("dip") for one in ratios.marks) == 0
    ends = {(one.x, one.y) for one in ratios.marks if one.text.startswith("SWR ")}
    reached = [one for one in best["bandwidths"] if one["reached"]]
    assert ends == {
        (one[key], one["swr"])
        for one in reached
        for key in ("low_hz", "high_hz")
        if one[key] is not None
    }
    limit = next(one for one in ratios.limits if one.name == "SWR at most 2")
    assert (limit.start, limit.stop, limit.level, limit.side) == (156e6, 158e6, 2.0, "below")
    judged = next(one for one in watch.verdicts[-1]["judgements"] if one["limit"] == 2.0)
    assert limit.guard == pytest.approx(judged["expanded"] or 0.0)
    in_db = next(one for one in losses.limits if one.name == "SWR at most 2")
    assert in_db.side == "above" and in_db.level == pytest.approx(9.5424, abs=1e-3)


def test_figures_and_verdict_are_the_published_ones(watch: Any, told: KindParts) -> None:
    summary, last = watch.summaries[-1], watch.verdicts[-1]
    best = summary["best"]
    shown = row(table(told, "figures", "Reflections"), "best match")
    assert shown[2:] == tuple(
        best[key]
        for key in (
            "return_loss_db", "return_loss_low_db", "return_loss_high_db", "swr", "swr_low",
            "swr_high",
        )
    )  # fmt: skip
    widths = table(told, "figures", "Widths").rows
    assert [one[0] for one in widths] == [one["swr"] for one in best["bandwidths"]]
    assert told.verdict is not None and told.verdict.judgements is not None
    assert (told.verdict.verdict, told.verdict.text) == (last["verdict"], last["text"])
    assert told.verdict.verdict == "fail"
    assert [one[5] for one in told.verdict.judgements.rows] == [
        one["text"] for one in last["judgements"]
    ]
    words = [one["verdict"] for one in watch.verdicts]
    assert words.count("incomplete") == 1
    assert told.headline.endswith(
        f"; 7 verdicts: 4 fail, 1 incomplete and {words.count('pass')} pass."
    )


def test_what_moved_since_installation_is_told(watch: Any, told: KindParts) -> None:
    change = watch.summaries[-1]["change"]
    lead = section(told, "change").lead
    assert lead.startswith(f"Compared with sweep {change['since_seq']}, “whip on the roof”: ")
    moved = row(table(told, "change", "Since"), "shift of the match, kHz")
    assert moved[1] == pytest.approx(change["match_shift_hz"] / 1e3)
    assert moved[2] == pytest.approx(change["match_shift_low_hz"] / 1e3)
    assert moved[1] < -3000.0


def test_drift_is_the_columns_with_their_bounds(watch: Any, told: KindParts) -> None:
    data = watch.archive.sweeps("whip")
    trend = chart(told, "drift", "Return loss of the best match")
    np.testing.assert_array_equal(trend.lines[0].y, data.best_return_loss_db.values)
    np.testing.assert_array_equal(trend.lines[0].low, data.best_return_loss_low_db.values)
    match = chart(told, "drift", "Best match, less")
    hz = data.best_match_hz.values
    np.testing.assert_allclose(match.lines[0].y, (hz - hz[0]) / 1e3)
    assert match.unit == "kHz" and "worst-case bounds" in match.lines[0].name


def test_what_it_rests_on_and_what_is_not_known(watch: Any, told: KindParts) -> None:
    rests = section(told, "rests-on")
    assert rests.lead.startswith("Measured as scalar. Directivity 36.0 dB (stated).")
    assert [one[0] for one in rests.tables[0].rows] == ["open"]
    assert any("`quiet` reference" in one for one in told.limits)
    assert any(one.startswith("1 sweep overloaded or with a transmitter") for one in told.limits)


# --- what cannot be said --------------------------------------------------------------------------


def test_without_an_open_it_says_what_helps(watches: ModuleType, tmp_path: Path) -> None:
    one = watches.Watch(tmp_path, SCENE, JOB, source_path=("bridge",)).run(2)
    found = parts_of(one.source())
    assert found.headline.startswith("No reflection was measured: there is no open reference")
    assert "`acqd reference whip open`" in found.limits[0]
    assert found.verdict is None and not found.sections


def test_one_sweep_has_no_drift_and_says_so(watches: ModuleType, tmp_path: Path) -> None:
    one = watches.Watch(tmp_path, SCENE, JOB, source_path=("bridge",))
    one.refer(Role.OPEN, "bridge-open")
    found = parts_of(one.run(1).source())
    assert "One sweep was measured: nothing can be said of drift." in found.limits
    assert {"drift", "change"}.isdisjoint({each.key for each in found.sections})
    assert [line.role for line in chart(found, "match", "SWR").lines] == ["now"]


def test_a_load_that_reflects_all_is_drawn_to_the_edge(watches: ModuleType, tmp_path: Path) -> None:
    """Nothing is infinite in what is drawn, and nothing fails."""
    one = watches.Watch(tmp_path, SCENE, JOB, source_path=("bridge-short",))
    one.refer(Role.OPEN, "bridge-open")
    found = parts_of(one.run(2).source())
    for line in chart(found, "match", "SWR").lines:
        assert np.isfinite(line.y).all() and line.y.max() == 10.0
    assert found.verdict is not None and found.verdict.verdict == "fail"


def test_an_empty_range_is_a_sentence(watch: Any) -> None:
    found = parts(watch.source(start_s=watch.clock.at_s + 10.0, stop_s=watch.clock.at_s + 20.0))
    assert found.limits == (
        "There is no sweep in this range: nothing can be said of the reflection.",
    )


def test_a_soak_of_a_whip_is_counted_again(watches: ModuleType, tmp_path: Path) -> None:
    """Figures that stand in no column, those of named frequencies, too."""
    soak = """
[job.whip.soak]
length = "5 min"

[[job.whip.soak.limit]]
figure = "swr_ch16"
at_most = 1.5

[[job.whip.soak.limit]]
figure = "best_match_hz"
at_least = "155 MHz"
drift_at_most = "1 MHz"
"""
    one = watches.Watch(tmp_path, SCENE, JOB + soak, source_path=("bridge",))
    one.refer(Role.OPEN, "bridge-open", sweeps=2)
    one.run(6)
    then = next(each for each in one.verdicts if each["of"] == "soak")
    source = one.source()
    assert count_again(source, one.summaries[-1]["soak"]["started_s"]).verdict == then
    found = parts_of(source)
    assert found.verdict is not None and found.verdict.text == then["text"]
    swr = chart(found, "soak", "swr_ch16").lines[0]
    published = [each["named"][0]["swr"] for each in one.summaries[:5]]
    np.testing.assert_array_equal(swr.y[np.isfinite(swr.y)], published)
