"""The report of a hand-held's check: products, spectra, verdicts equal what was published."""

from __future__ import annotations

import math
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from acqd.report.kinds import KindParts, parts_of
from acqd.report.kinds.emission import parts
from acqd.report.kinds.soakagain import count_again
from acqd.report.shapes import BarChart, CurveChart
from found_parts import chart, row, section, table

SCENE = """\
seed = 20260614

[scene.hand-held]
[[scene.hand-held.transmitter]]
name = "hand-held"
frequency = "156.8 MHz"
power = "{power}"
harmonics = ["{second}", "58 dB", "66 dB"]

[device.power-pad]
kind = "pad"
loss = "50 dB"

[instrument.shack]
scene = "hand-held"
path = ["power-pad"]
serial_number = "GL0104"
residuals = 0
attenuation_step = "5 dB"
danl = "-150 dBm"
points_max = 10001
rbw_min = "300 Hz"
accuracy = "1 dB"
sweep_factor = 1.0
shi = "55 dBm"
toi = "25 dBm"
"""

JOB = """\
[chain.load]
title = "the hand-held's socket"
[[chain.load.part]]
kind = "pad"
name = "power pad"
loss = "50 dB"
uncertainty = "0.3 dB"
rated = "10 W"

[job.handheld]
kind = "emission"
sweeper = "shack"
chain = "load"
centre = "156.8 MHz"
span = "200 kHz"
points = 401
rbw = "3 kHz"
detector = "rms"
attenuation = "10 dB"
when = {{ every = "1 min" }}
transmitter = {{ power = "5 W", margin = "20 dB" }}

[job.handheld.emission]
expected = "156.8 MHz"
designator = "16K0F3E"
bandwidth_rbw = "300 Hz"
harmonics = 3
harmonic_rbw = "3 kHz"
search = ["170 MHz..180 MHz"]
search_rbw = "100 kHz"
key_within = "20 s"
{limits}
"""

LIMITED = JOB.format(limits='limits = "us-97-307-vhf"')
FREE = JOB.format(limits="")

NOT_KEYED, CLEAN, CUT, LAST = 0, 2, 3, 4


def scene(power: str = "37 dBm", second: str = "45 dB") -> str:
    return SCENE.format(power=power, second=second)


@pytest.fixture(scope="module")
def watch(watches: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Five passes: not keyed, with a loud second harmonic, without it, cut short, loud again."""
    one = watches.Watch(tmp_path_factory.mktemp("handheld"), scene(), LIMITED)

    def before(number: int) -> None:
        quiet = "75 dB" if number == CLEAN else "45 dB"
        one.now_there(scene("-140 dBm" if number == NOT_KEYED else "37 dBm", quiet))

    return one.run(5, before=before, cut_at={CUT: 3})


@pytest.fixture(scope="module")
def told(watch: Any) -> KindParts:
    return parts_of(watch.source())


def steps(watch: Any) -> dict[int, Any]:
    """The last sweep of each step, raw."""
    found = {}
    for one in watch.archive.setups("handheld"):
        data = watch.archive.sweeps("handheld", step=one.step, plane="far end")
        found[one.step] = data.isel(sweep=-1)
    return found


def test_each_product_stands_beside_its_limit(watch: Any, told: KindParts) -> None:
    """Bars, whiskers, limits and verdicts are those of the published summary."""
    bars = chart(told, "limits", "Products beside")
    assert isinstance(bars, BarChart)
    products = watch.summaries[-1]["products"]
    assert len(products) >= 3
    assert [
        (one.name, one.x, one.value, one.expanded, one.verdict, one.bound) for one in bars.bars
    ] == [
        (
            each["name"],
            each["frequency_hz"],
            each["level_dbm"],
            each["expanded_db"],
            each["verdict"] or "",
            each["bound"],
        )
        for each in products
    ]
    for bar, each in zip(bars.bars, products, strict=True):
        if each["margin_db"] is not None:
            assert bar.limit == pytest.approx(each["level_dbm"] + each["margin_db"])
        assert bar.sweeps is not None and bar.sweeps.first_seq == each["seq"]
        assert each["seq"] in watch.archive.sweeps("handheld", step=bar.sweeps.step).sequence
    listed = table(told, "limits", "Products").rows
    assert [(one[2], one[3], one[7], one[9]) for one in listed] == [
        (each["level_dbm"], each["expanded_db"], each["verdict"] or "no limit", float(each["seq"]))
        for each in products
    ]
    assert [one[0] for one in listed] == [
        f"{each['name']}, at most" if each["bound"] else each["name"] for each in products
    ]


def test_the_limit_line_is_the_tables(watch: Any, told: KindParts) -> None:
    """25 µW for a transmitter of 5 W (47 CFR 97.307(e)): at the harmonic and where was searched."""
    second = chart(told, "spectra", "Harmonic 2")
    (limit,) = second.limits
    product = next(one for one in watch.summaries[-1]["products"] if one["order"] == 2)
    assert (limit.start, limit.stop) == (second.lines[0].x[0], second.lines[0].x[-1])
    assert (
        limit.level == pytest.approx(10.0 * math.log10(0.025), abs=1e-9) and limit.side == "below"
    )
    assert limit.guard == product["expanded_db"]
    searched = chart(told, "spectra", "What was searched")
    assert {round(one.level, 1) for one in searched.limits} == {-16.0}


def test_the_spectra_are_the_raw_levels_at_the_plane(watch: Any, told: KindParts) -> None:
    """Pads taken out by numpy: each step's sweep of the last pass, point for point."""
    raw = steps(watch)
    second = chart(told, "spectra", "Harmonic 2")
    assert isinstance(second, CurveChart) and second.title == "Harmonic 2, RBW 3 kHz"
    line = second.lines[0]
    np.testing.assert_array_equal(line.x, raw[2].frequency.values)
    np.testing.assert_allclose(line.y, raw[2].level.values, atol=1e-9)
    assert "attenuation 10 dB" in line.name
    carrier = chart(told, "spectra", "Carrier")
    np.testing.assert_allclose(carrier.lines[0].y, raw[0].level.values, atol=1e-9)
    np.testing.assert_allclose(carrier.lines[1].y, raw[500].level.values, atol=1e-9)
    assert [one.role for one in carrier.lines] == ["first", "last"]
    width = chart(told, "spectra", "Bandwidth")
    occupied = watch.summaries[-1]["occupied"]
    assert width.title.endswith("RBW 300 Hz")
    assert (width.bands[0].start, width.bands[0].stop) == (occupied["low_hz"], occupied["high_hz"])


def test_a_spectrum_that_is_thinned_keeps_its_highest_levels(watch: Any, told: KindParts) -> None:
    (line,) = chart(told, "limits", "Products beside").lines
    raw = steps(watch)
    for step in (2, 3, 4, 100):
        axis, level = raw[step].frequency.values, raw[step].level.values
        here = (line.x >= axis[0]) & (line.x <= axis[-1])
        assert np.isfinite(line.y[here]).sum() == min(120, level.size)
        assert np.nanmax(line.y[here]) == level.max()
        assert line.x[here][int(np.nanargmax(line.y[here]))] == axis[int(level.argmax())]
    assert np.isnan(line.y).sum() == 4, "no line from one sweep to the next"


def test_carrier_and_widths_are_the_published_ones(watch: Any, told: KindParts) -> None:
    carrier, occupied = watch.summaries[-1]["fundamental"], watch.summaries[-1]["occupied"]
    figures = table(told, "carrier", "Carrier")
    assert row(figures, "level")[1:4] == (carrier["level_dbm"], "dBm", carrier["expanded_db"])
    shown = row(figures, "frequency")
    assert shown[1] == pytest.approx(carrier["frequency_hz"] / 1e6)
    assert shown[3] == carrier["frequency_expanded_hz"]
    width = next(one for one in figures.rows if str(one[0]).startswith("width, 99"))
    assert width[1] == pytest.approx(occupied["width_hz"] / 1e3)
    assert width[3] == occupied["expanded_hz"]


def test_the_verdict_is_the_one_that_was_given(watch: Any, told: KindParts) -> None:
    last = watch.verdicts[-1]
    assert told.verdict is not None and told.verdict.judgements is not None
    assert (told.verdict.verdict, told.verdict.text) == (last["verdict"], last["text"])
    assert told.verdict.verdict == "fail"
    assert told.verdict.at_s == last["at_s"] and list(told.verdict.against) == last["against"]
    assert told.headline.startswith("Fail: ") and "harmonic 2" in told.headline
    judged = {one["figure"]: one for one in last["judgements"]}
    shown = row(told.verdict.judgements, "harmonic 2")
    assert shown[4] == judged["harmonic 2"]["verdict"] == "fail"
    name = f"limit {last['against'][0]}"
    for one in told.verdict.judgements.rows:
        said = judged[one[0]]["text"]
        assert name in said, "the name of the one limit stands above, and in no row again"
        assert (one[4], one[5]) == (judged[one[0]]["verdict"], said.replace(name, "the limit"))
    assert shown[0] == told.verdict.judgements.rows[0][0], "the worst comes first"


def test_how_verdicts_went_over_the_passes(watch: Any, told: KindParts) -> None:
    """Margins are the columns; not keyed, keyed and cut short are counted."""
    margins = chart(told, "over-time", "Least margin")
    data = watch.archive.sweeps("handheld", step=500)
    known = np.isfinite(margins.lines[0].y)
    np.testing.assert_allclose(margins.lines[0].y[known], data.worst_margin_db.values, atol=1e-4)
    assert known.sum() == 3 and margins.limits[0].level == 0.0
    second = chart(told, "over-time", "Level of harmonic 2").lines[0]
    assert second.y[np.isfinite(second.y)][1] < second.y[np.isfinite(second.y)][0] - 20.0
    assert section(told, "passes").lead.startswith("5 passes: 3 keyed, 1 not keyed")
    listed = table(told, "passes", "Passes that saw it keyed").rows
    assert [one[3] for one in listed] == [one["verdict"] for one in watch.verdicts[:2]] + ["fail"]
    assert any(one.startswith("1 pass cut short") for one in told.limits)


def test_without_limits_it_is_measured_and_not_judged(watches: ModuleType, tmp_path: Path) -> None:
    found = parts_of(watches.Watch(tmp_path, scene(), FREE).run(1).source())
    assert found.verdict is None
    assert found.headline.endswith(" at 156.800 MHz, without limits to judge by.")
    assert "No limit is asked for, so there is no verdict." in found.limits
    bars = chart(found, "limits", "Products beside")
    assert bars.limits == () and {one.limit for one in bars.bars} == {None}
    assert any("nothing can be said of how it goes over time" in one for one in found.limits)


# --- what cannot be said --------------------------------------------------------------------------


def test_nobody_keyed_is_a_sentence(watches: ModuleType, tmp_path: Path) -> None:
    found = parts_of(watches.Watch(tmp_path, scene("-140 dBm"), LIMITED).run(2).source())
    assert found.headline.startswith("Nothing was measured in 2 passes: ")
    assert "key the transmitter" in found.headline
    assert found.verdict is None and [one.key for one in found.sections] == ["passes"]


def test_a_pass_that_was_cut_short_alone_is_a_sentence(watches: ModuleType, tmp_path: Path) -> None:
    one = watches.Watch(tmp_path, scene(), LIMITED).run(1, cut_at={0: 3})
    found = parts_of(one.source())
    assert found.headline == "Nothing was measured in 1 pass: no pass was finished."
    assert found.limits[0].startswith("1 pass cut short or not finished within the range")


def test_an_empty_range_is_a_sentence(watch: Any) -> None:
    found = parts(watch.source(start_s=watch.clock.at_s + 10.0, stop_s=watch.clock.at_s + 20.0))
    assert found.limits == ("There is no pass in this range: nothing can be said of the emission.",)


def test_a_soak_of_passes_of_many_sweeps_is_counted_again(
    watches: ModuleType, tmp_path: Path
) -> None:
    """Verdict and counts of failed passes are what live gave, bit for bit."""
    soak = """
[job.handheld.soak]
length = "5 min"
coverage_at_least = "50 %"
failed_passes_at_most = 1

[[job.handheld.soak.limit]]
figure = "worst_margin_db"
at_least = "-20 dB"
"""
    one = watches.Watch(tmp_path, scene(), LIMITED + soak).run(6)
    then = next(each for each in one.verdicts if each["of"] == "soak")
    source = one.source()
    assert count_again(source, one.summaries[-1]["soak"]["started_s"]).verdict == then
    assert {each["figure"] for each in then["judgements"]} >= {"worst_margin_db", "failed_passes"}
    found = parts_of(source)
    assert found.verdict is not None and found.verdict.text == then["text"]
    margins = chart(found, "soak", "worst_margin_db")
    assert np.isfinite(margins.lines[0].y).sum() == 5
    assert {"limits", "spectra", "last-pass"} <= {each.key for each in found.sections}
