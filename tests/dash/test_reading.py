"""What comes from a broker is believed in nothing."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from acqd.dash.figures import figures_of, marks_of
from acqd.dash.judged import read_soak, read_verdict
from acqd.dash.reading import (
    NotUnderstood,
    bounded,
    moment,
    number,
    place_of,
    read_json,
    read_trace,
    text,
    whole,
)

GOOD = {
    "schema": "trace/1",
    "job": "marine-vhf",
    "seq": 3,
    "at_s": 1_795_617_000.0,
    "unit": "dBm",
    "start_hz": 1.0,
    "stop_hz": 2.0,
    "level": [-1.0, None, -3.0],
}


@pytest.mark.parametrize(
    "topic",
    [
        "acqd",
        "acqd/x",
        "acqd/x/",
        "acqd/x/job/y/trace/z",
        "acqd/x/job/y/command",
        "acqd/X/status",
        "acqd/../status",
        "acqd/" + "a" * 33 + "/status",
        "acqd/x/job/y/channel/a b",
        "other/x/status",
        "acqd/x/job//trace",
        "acqd/x/status\n",
    ],
)
def test_topics_of_no_station_are_none(topic: str) -> None:
    assert place_of(topic, "acqd") is None


def test_a_root_of_several_levels() -> None:
    place = place_of("house/shack/acqd/x/job/y/channel/16", "house/shack/acqd")
    assert place is not None
    assert (place.station, place.what, place.job, place.name) == ("x", "channel", "y", "16")


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\xff\xfe",
        b"nonsense",
        b"[1, 2]",
        b"3",
        b'{"schema": "trace/2"}',
        b'{"schema": 7}',
        b'{"schema": "trace/1", "level": [NaN]}',
        b"[" * 100_000,
        b'{"schema": "trace/1", "x": "' + b"a" * 300_000 + b'"}',
    ],
)
def test_what_is_no_message_is_refused(payload: bytes) -> None:
    with pytest.raises(NotUnderstood):
        read_json(payload, "trace/1")


def test_fields_of_a_newer_station_are_passed_over() -> None:
    data = read_json(json.dumps({**GOOD, "colour": {"of": ["the", "sea"]}}).encode(), "trace/1")
    assert read_trace(data).seq == 3


@pytest.mark.parametrize(
    "change",
    [
        {"level": []},
        {"level": None},
        {"level": "many"},
        {"level": [[1.0]]},
        {"level": ["a"]},
        {"level": [0.0] * 2001},
        {"level": [{}]},
        {"frequency_hz": [1.0, 2.0]},
        {"frequency_hz": [1.0, 1.5, 1.2]},
        {"frequency_hz": [1.0, None, 1.2]},
        {"start_hz": 2.0},
        {"start_hz": "1"},
        {"stop_hz": 1e300},
        {"start_hz": -5.0},
        {"at_s": None},
        {"at_s": 1e12},
        {"at_s": -1.0},
        {"seq": 1.5},
        {"seq": True},
        {"seq": -1},
        {"seq": 10**30},
    ],
)
def test_a_trace_that_cannot_be_is_refused(change: dict[str, Any]) -> None:
    with pytest.raises(NotUnderstood):
        read_trace({**GOOD, **change})


CURVE: dict[str, Any] = {
    "figure": "insertion loss",
    "unit": "dB",
    "start_hz": 1.0,
    "stop_hz": 2.0,
    "values": [0.5, None, 40.0, 1e30],
}
LIMIT: dict[str, Any] = {
    "name": "passband", "start_hz": 1.0, "stop_hz": 1.5, "limit": 2.0, "side": "below",
    "unit": "dB",
}  # fmt: skip


@pytest.mark.parametrize(
    "curve",
    [
        None,
        [],
        7,
        {**CURVE, "figure": 7},
        {**CURVE, "values": []},
        {**CURVE, "values": [0.0] * 2001},
        {**CURVE, "values": [[1.0]]},
        {**CURVE, "stop_hz": 0.5},
        {**CURVE, "stop_hz": 1e300},
        {**CURVE, "frequency_hz": [1.0, 2.0]},
        {**CURVE, "frequency_hz": [2.0, 1.5, 1.2, 1.0]},
        {**CURVE, "frequency_hz": [1.0, None, 1.2, 1.3]},
    ],
)
def test_a_curve_that_cannot_be_is_none_and_the_sweep_is_shown(curve: Any) -> None:
    trace = read_trace({**GOOD, "curve": curve, "mask": [LIMIT]})
    assert trace.curve is None
    assert trace.level.size == 3


@pytest.mark.parametrize(
    "limit",
    [
        None,
        "low",
        {},
        {**LIMIT, "start_hz": 3.0},
        {**LIMIT, "start_hz": -1.0},
        {**LIMIT, "limit": None},
        {**LIMIT, "limit": 1e300},
        {**LIMIT, "side": "beside"},
    ],
)
def test_a_limit_that_cannot_be_is_left_out(limit: Any) -> None:
    curve = read_trace({**GOOD, "curve": CURVE, "mask": [limit, LIMIT]}).curve
    assert curve is not None
    assert curve.frequency_hz.tolist() == pytest.approx([1.0, 4 / 3, 5 / 3, 2.0])
    assert np.isnan(curve.values).tolist() == [False, True, False, True]
    assert [one["name"] for one in curve.mask] == ["passband"]
    many = read_trace({**GOOD, "curve": CURVE, "mask": [LIMIT] * 5000}).curve
    assert many is not None
    assert len(many.mask) == 200
    bare = read_trace({**GOOD, "curve": CURVE, "mask": "none"}).curve
    assert bare is not None
    assert bare.mask == ()


def test_a_level_that_no_sweeper_reads_is_no_reading() -> None:
    data = read_json(json.dumps(GOOD).replace("-3.0", "1e999").encode(), "trace/1")
    level = read_trace(data).level
    assert level.tolist()[0] == -1.0
    assert (level[1:] != level[1:]).all()


def test_loose_fields() -> None:
    data = {"a": "x" * 5000, "b": float("inf"), "c": 10**400, "d": True, "e": 2**60, "f": -1}
    assert len(text(data, "a")) == 2000
    assert text(data, "b") == ""
    assert [number(data, key) for key in "bcdx"] == [None, None, None, None]
    assert [whole(data, key) for key in "cdefx"] == [None] * 5


@pytest.mark.parametrize("value", [1e300, -1.0, 4.1e9, 10**30, "12:00", None, True])
def test_a_time_that_no_calendar_has_is_none(value: Any) -> None:
    """A browser's dates would raise at it, and with them the whole page."""
    assert moment({"at_s": value}, "at_s") is None
    assert moment({"at_s": 1.8e9}, "at_s") == 1.8e9


def test_seconds_out_of_all_bounds_are_not_handed_on() -> None:
    given = {"started_s": 1e300, "ends_s": -1e300, "left_s": 60.0, "at_hz": 1e10}
    assert bounded({"soak": given}) == {
        "soak": {"started_s": None, "ends_s": None, "left_s": 60.0, "at_hz": 1e10}
    }


def test_one_level_that_cannot_be_does_not_spoil_the_scale_of_the_sheet() -> None:
    decibels = read_trace({**GOOD, "unit": "dBm", "level": [-1.0, 1e6, 30.0]}).level
    assert np.isnan(decibels).tolist() == [False, True, False]
    assert read_trace({**GOOD, "unit": "digit", "level": [1e6, 1e8, 0.0]}).level.max() == 1e8


def test_verdicts_and_soaks_have_the_types_that_a_page_reckons_with() -> None:
    row = {"figure": 7, "limit": "low", "expanded": [], "seq": 1.5, "new": "kept"}
    verdict = read_verdict({"verdict": "pass", "at_s": "noon", "text": {}, "judgements": [row, 3]})
    assert (verdict["verdict"], verdict["at_s"], verdict["text"]) == ("pass", None, "")
    (judged,) = verdict["judgements"]
    assert judged == {
        "figure": "", "unit": "", "side": "", "verdict": "", "text": "", "bound": "",
        "value": None, "limit": None, "expanded": None, "seq": None, "new": "kept",
    }  # fmt: skip
    limit = {"unit": None, "last": "x", "outside": 2, "first_outside": {"at_s": "x"}}
    soak = read_soak({"label": 5, "elapsed_s": {}, "limits": [limit, None]})
    assert (soak["label"], soak["elapsed_s"], soak["left_s"]) == ("", None, None)
    (one,) = soak["limits"]
    assert (one["unit"], one["last"], one["outside"], one["first_outside"]) == ("", None, 2, None)
    first = read_soak({"limits": [{"first_outside": {"at_s": 1.8e9, "seq": 4}}]})["limits"][0]
    assert first["first_outside"] == {"at_s": 1.8e9, "seq": 4}
    assert read_verdict({"judgements": "none"})["judgements"] == []


def test_what_is_handed_on_is_bounded() -> None:
    deep: Any = 1
    for _ in range(100):
        deep = {"a": deep}
    wide = {str(one): ["x" * 3000] * 1000 for one in range(1000)}
    for value in (deep, wide):
        raw = json.dumps(bounded(value))
        assert len(raw) < 4000 * 2100
    assert bounded({"n": 10**400, "t": "x" * 5000}) == {"n": None, "t": "x" * 2000}
    assert bounded({"a": [1, None, True, "b"]}) == {"a": [1, None, True, "b"]}


@pytest.mark.parametrize("kind", ["band", "carrier", "emission", "transmission", "reflection", "x"])
@pytest.mark.parametrize(
    "part",
    [
        {},
        {"signals": "many", "named": 3, "best": [], "products": [1, None, "a"], "drift": 7},
        {"floor_dbm": "low", "offset_hz": {}, "named": [{"name": 3, "frequency_hz": "x"}]},
        {"passbands": [{"edges": [{"below_db": "3", "lower_hz": 1}]}], "stopbands": [{}]},
    ],
)
def test_figures_of_nonsense_are_none_or_empty(kind: str, part: dict[str, Any]) -> None:
    assert all(one["value"] is None for one in figures_of(kind, part))
    assert all(one["at_hz"] is not None for one in marks_of(kind, part))


def test_a_match_without_an_upper_end_is_a_bound() -> None:
    best = {"swr": 40.0, "swr_low": 12.0, "swr_high": None, "return_loss_db": 0.4,
            "return_loss_low_db": 0.1, "return_loss_high_db": 1.4, "frequency_hz": 1.0}  # fmt: skip
    swr, loss = figures_of("reflection", {"best": best})
    assert (swr["value"], swr["bound"], swr["expanded"]) == (12.0, "at least", None)
    assert (loss["low"], loss["high"], loss["bound"]) == (0.1, 1.4, None)
    assert loss["expanded"] == pytest.approx(1.0)


def test_many_products_are_cut() -> None:
    products = [{"name": f"p{n}", "level_dbm": -1.0, "frequency_hz": 1.0} for n in range(5000)]
    assert len(figures_of("emission", {"products": products})) <= 12
    assert len(marks_of("emission", {"products": products})) <= 48
