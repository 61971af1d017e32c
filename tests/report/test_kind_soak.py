"""The report of soaks of several kinds: verdict, judgements, figures and context as they were."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from acqd.measure.meter import Role
from acqd.report.kinds import KindParts, parts_of
from acqd.report.kinds.soakagain import count_again
from acqd.sweep import SweepFlag
from found_parts import chart, row, section, table

SCENE = """\
seed = 7

[scene.harbour]
[[scene.harbour.carrier]]
name = "line of the converter"
frequency = "156.8 MHz"
power = "{power}"

[device.pad]
kind = "pad"
loss = "{loss}"

[instrument.shack]
scene = "harbour"
serial_number = "GL0017"
residuals = 0
accuracy = "1.5 dB"
source_min = "-40 dBm"
source_max = "0 dBm"
"""

SWEEP = """\
[job.lamp]
kind = "{kind}"
sweeper = "shack"
start = "156.7 MHz"
stop = "156.9 MHz"
points = 101
rbw = "10 kHz"
detector = "{detector}"
when = {{ every = "1 min" }}
{more}

[job.lamp.soak]
length = "1 h"
label = "night 1"
coverage_at_least = "{coverage}"
context = {{ bench = 1.0 }}

[[job.lamp.soak.limit]]
figure = "{figure}"
{limit}

[context.bench]
file = "bench"
unit = "°C"
title = "bench temperature"
"""

BAND = {
    "kind": "band",
    "detector": "sample",
    "more": 'band = { margin = "10 dB" }',
    "figure": "strongest_dbm",
    "limit": 'at_most = "-50 dBm"\ndrift_at_most = "3 dB"',
    "coverage": "80 %",
}
CARRIER = BAND | {
    "kind": "carrier",
    "more": 'carrier = { window = "50 kHz" }',
    "figure": "level_dbm",
    "limit": 'at_most = "-50 dBm"',
}
LOSS = BAND | {
    "kind": "transmission",
    "detector": "rms",
    "more": 'source = { level = "-20 dBm" }\ntransmission = { pad = { value = "6 dB" } }',
    "figure": "pad_db",
    "limit": 'at_most = "9 dB"\nat_least = "3 dB"',
}

PASSES, LENGTH, HOLE = 66, 60, range(20, 25)
TOO_LOUD = 30


def scene(power: str = "-61.5 dBm", loss: str = "6 dB") -> str:
    return SCENE.format(power=power, loss=loss)


def job(**fields: str) -> str:
    return SWEEP.format(**fields)


def soaked(watches: ModuleType, folder: Path, text: str, passes: int = PASSES) -> Any:
    """Sweeps of a lamp, one of them far louder, five missed; a bench that warms up."""
    one = watches.Watch(folder, scene(), text, source_path=("pad",))

    def before(number: int) -> None:
        one.now_there(scene("-41.5 dBm" if number == TOO_LOUD else "-61.5 dBm"))

    if 'kind = "transmission"' in text:
        one.refer(Role.THROUGH, sweeps=2)
    return one.run(
        passes,
        before=before,
        missing=frozenset(HOLE),
        context=lambda number: {"bench": 20.0 + number / 10.0},
        flags=lambda number: SweepFlag.OVERLOAD if number == 10 else SweepFlag(0),
    )


@pytest.fixture(scope="module")
def watch(watches: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Any:
    return soaked(watches, tmp_path_factory.mktemp("lamp"), job(**BAND))


@pytest.fixture(scope="module")
def told(watch: Any) -> KindParts:
    return parts_of(watch.source())


def soak_verdict(watch: Any) -> Any:
    (found,) = (one for one in watch.verdicts if one["of"] == "soak")
    return found


# --- what is kept and counted again is what was given then ---------------------------------------


@pytest.mark.parametrize(
    ("fields", "word"),
    [
        (BAND, "fail"),
        (BAND | {"limit": 'at_most = "-30 dBm"'}, "pass"),
        (BAND | {"limit": 'at_most = "-41.0 dBm"'}, "cannot tell"),
        (BAND | {"limit": 'at_most = "-30 dBm"', "coverage": "99 %"}, "incomplete"),
        (BAND | {"figure": "no_such_dbm"}, "incomplete"),
        (CARRIER, "fail"),
        (CARRIER | {"figure": "offset_hz", "limit": 'at_most = "5 kHz"'}, "pass"),
        (LOSS, "pass"),
        (LOSS | {"limit": 'at_most = "5 dB"'}, "cannot tell"),
    ],
    ids=[
        "band-fail", "band-pass", "band-cannot-tell", "band-uncovered", "band-no-figure",
        "carrier-fail", "carrier-offset", "loss-pass", "loss-cannot-tell",
    ],
)  # fmt: skip
def test_the_judgements_counted_again_are_those_of_then(
    watches: ModuleType, tmp_path: Path, fields: dict[str, str], word: str
) -> None:
    """To the last bit, of each kind: values, U, texts, and the verdict."""
    one = soaked(watches, tmp_path, job(**fields))
    then = soak_verdict(one)
    assert then["verdict"] == word, then["text"]
    source = one.source()
    started_s = one.summaries[-1]["soak"]["started_s"]
    again = count_again(source, started_s)
    assert again.verdict == then
    found = parts_of(source)
    assert found.verdict is not None and found.verdict.judgements is not None
    assert (found.verdict.verdict, found.verdict.text) == (word, then["text"])
    assert (found.verdict.of, found.verdict.at_s) == ("soak", then["at_s"])
    assert [(one[4], one[5]) for one in found.verdict.judgements.rows] == [
        (each["verdict"], each["text"]) for each in then["judgements"]
    ]
    assert not any("Counted again" in each for each in found.limits)


def test_the_headline_says_it_in_words(watch: Any, told: KindParts) -> None:
    worst = watch.summaries[-1]["soak"]["limits"][0]["worst_outside"]["value"]
    assert told.headline == (
        "The soak “night 1” of 1 h failed; strongest_dbm left its limit once, furthest in sweep "
        f"{TOO_LOUD - len(HOLE) + 1} with −{abs(worst):.2f} dBm."
    )


def test_the_worst_excursion_is_when_how_much_and_where(watch: Any, told: KindParts) -> None:
    (limit,) = watch.summaries[-1]["soak"]["limits"]
    worst = limit["worst_outside"]
    lead = section(told, "soak").lead
    assert f"in sweep {worst['seq']} at 22:30:0" in lead
    assert f"furthest by {worst['beyond']:.2f} dB" in lead
    figure = chart(told, "soak", "strongest_dbm")
    (mark,) = figure.marks
    assert (mark.x, mark.y) == (worst["at_s"], worst["value"])


def test_the_figure_under_limit_is_the_published_one_over_time(watch: Any, told: KindParts) -> None:
    """Its values and U; holes where it was missed or could not hear; its limit with the guard."""
    figure = chart(told, "soak", "strongest_dbm, at most −50.00 dBm, drift at most 3.00 dB/h")
    data = watch.archive.sweeps("lamp")
    line = figure.lines[0]
    expected = np.round(data.peak_dbm.values, 3)
    length = int((data.started.values < data.started.values[0] + 3600.0).sum())
    expected[length:] = np.nan
    expected[data.flags.values & int(SweepFlag.OVERLOAD) != 0] = np.nan
    hole = np.isin(line.x, data.started.values)
    np.testing.assert_array_equal(line.y[hole], expected)
    assert np.isnan(line.y[~hole]).all() and (~hole).sum() == 1
    (limit,) = figure.limits
    judged = soak_verdict(watch)["judgements"][0]
    assert (limit.level, limit.side, limit.guard) == (-50.0, "below", judged["expanded"])
    assert limit.stop - limit.start == 3600.0


def test_the_context_shares_the_time_axis(watch: Any, told: KindParts) -> None:
    bench, figure = chart(told, "soak", "Bench temperature"), chart(told, "soak", "strongest")
    assert bench.unit == "°C"
    np.testing.assert_array_equal(bench.lines[0].x, figure.lines[0].x)
    beside = table(told, "soak", "Figures and what stood beside them").rows
    contexts = watch.summaries[-1]["soak"]["limits"][0]["contexts"]
    assert [one[1:] for one in beside] == [
        (each["name"], each["slope"], each["slope_low"], each["slope_high"], each["correlation"],
         each["span"], each["text"])
        for each in contexts
    ]  # fmt: skip


def test_what_was_tested_is_told_against_what_was_due(watch: Any, told: KindParts) -> None:
    part = watch.summaries[-1]["soak"]
    tested, counted = table(told, "tested", "What was tested"), table(told, "tested", "What was c")
    assert row(counted, "sweeps due")[1] == part["sweeps_due"] == LENGTH
    assert row(counted, "sweeps stored")[1] == part["sweeps_stored"] == LENGTH - len(HOLE)
    assert counted.places == (None, 0), "a count has no decimals"
    assert row(tested, "listened of due")[1] == pytest.approx(100.0 * part["listening"])
    assert "as good as 54 min; of the rest nothing is known" in section(told, "tested").lead


def test_the_parts_of_the_kind_follow(told: KindParts) -> None:
    keys = [one.key for one in told.sections]
    assert keys[:2] == ["soak", "tested"] and len(keys) > 2


def test_a_soak_of_a_filter_has_the_filters_parts_and_its_last_pass(
    watches: ModuleType, tmp_path: Path
) -> None:
    limited = 'transmission = { pad = { value = "6 dB", within = "3 dB" } }'
    more = f'source = {{ level = "-20 dBm" }}\n{limited}'
    one = soaked(watches, tmp_path, job(**LOSS | {"more": more}))
    found = parts_of(one.source())
    keys = [each.key for each in found.sections]
    assert {"loss", "drift", "last-pass"} <= set(keys)
    passed = [each for each in one.verdicts if each["of"] == "pass"]
    counts = one.summaries[-1]["soak"]["passes"]
    assert row(table(found, "tested", "What was counted"), "passes, pass")[1] == counts["pass"]
    assert passed[0]["verdict"] == "pass"
    assert section(found, "last-pass").lead.startswith("Pass: ")
    np.testing.assert_array_equal(
        chart(found, "soak", "pad_db").lines[0].x, chart(found, "drift", "Value of").lines[0].x
    )


# --- a soak that is not over, or not there --------------------------------------------------------


def test_one_that_still_runs_says_how_far_it_is(watches: ModuleType, tmp_path: Path) -> None:
    one = soaked(watches, tmp_path, job(**BAND), passes=19)
    found = parts_of(one.source())
    assert found.headline == (
        "The soak “night 1” still runs: 18 min of 1 h; no reading left its limits so far."
    )
    assert found.verdict is not None and found.verdict.judgements is not None
    assert found.verdict.verdict == "incomplete" and found.verdict.text == found.headline
    assert found.verdict.judgements.title == "Each limit, as if it ended here"
    assert found.verdict.judgements.rows[0][4] == "pass"
    assert found.limits[0].startswith("The soak has no verdict yet: 42 min were left")


def test_a_range_that_ends_in_the_middle_sees_it_running(watch: Any, watches: ModuleType) -> None:
    """What came later is not known there."""
    found = parts_of(watch.source(stop_s=watches.START_S + 1210.0))
    assert "still runs: 19 min of 1 h; no reading left its limits so far" in found.headline
    assert found.verdict is not None and found.verdict.verdict == "incomplete"


def test_what_is_beyond_its_limit_is_said_while_it_runs(
    watches: ModuleType, tmp_path: Path
) -> None:
    one = soaked(watches, tmp_path, job(**BAND), passes=40)
    found = parts_of(one.source())
    assert "still runs: 39 min of 1 h; strongest_dbm left its limit once" in found.headline
    assert found.verdict is not None and found.verdict.judgements is not None
    assert found.verdict.judgements.rows[0][4] == "fail"


def test_what_was_told_stands_where_counting_again_differs(
    watch: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of another acqd, say: it is said, and the words of then are shown."""
    source = watch.source()
    (finding,) = source.verdict_findings
    monkeypatch.setitem(
        source.__dict__, "verdict_findings", (replace(finding, text="told otherwise"),)
    )
    found = parts_of(source)
    assert found.verdict is not None and found.verdict.text == "told otherwise"
    assert any(one.startswith("Counted again from what is kept") for one in found.limits)


def test_a_range_without_the_soak_is_a_sentence(watch: Any) -> None:
    late = watch.source(start_s=watch.clock.at_s + 10.0, stop_s=watch.clock.at_s + 20.0)
    found = parts_of(late)
    assert found.limits[0] == "Nothing can be said of the soak: nothing was swept in this range."
    assert found.verdict is None


def test_an_old_config_leaves_what_was_told(watch: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    source = watch.source()
    setup = source.setup
    assert setup is not None
    monkeypatch.setitem(setup.details["config"], "soak", {"no_such_key": 1})
    found = parts_of(source)
    assert found.verdict is not None and found.verdict.verdict == "fail"
    assert found.verdict.judgements is None
    assert any(one.startswith("The judgements cannot be worked out again") for one in found.limits)
    assert row(table(found, "soak", "Figures under limit"), "strongest_dbm")[10] == 1.0
