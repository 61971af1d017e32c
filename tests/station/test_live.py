"""What is told of every sweep, made without its model, is what the model would have made."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from acqd.archive.records import SetupRecord, SweepRecord
from acqd.config.channels import load_channel_plan
from acqd.measure.band import BandMeter, BandSettings
from acqd.measure.meter import Curve, CurveMask
from acqd.publish.messages import Message, Summary, Trace
from acqd.station.feed import Feed, SetupView
from acqd.station.live import SweepNews
from acqd.sweep import LevelUnit, SweepFlag

AXIS = np.linspace(156e6, 162.1e6, 1001)
AXES = {
    "even": AXIS,
    "falling": AXIS[::-1].copy(),
    "uneven": np.sort(156e6 + 6.1e6 * np.random.default_rng(2).random(1001)),
    "one point": np.array([156.8e6]),
}
CONTENTS = ("noise", "signals", "holes", "one level", "overflow")


def level_on(axis: np.ndarray, content: str) -> np.ndarray:
    """Levels of float32, as the archive gives them back."""
    level = -100.0 + 10.0 * np.log10(np.random.default_rng(3).exponential(size=axis.size))
    if content == "signals":
        level[np.abs(axis - 156.8e6) < 8e3] = -50.0
        level[np.abs(axis - 160.2e6) < 8e3] = -60.0
    if content == "holes":
        level[::3] = np.nan
        level[10:60] = np.nan
    if content == "one level":
        level[1:] = np.nan
    if content == "overflow":
        level[axis.size // 2] = np.inf
    return level.astype(np.float32)


def news_of(axis: np.ndarray, content: str, unit: LevelUnit, trace_points: int) -> SweepNews:
    """The news of the third sweep through a job's own feed."""
    setup = SetupRecord(
        setup="0123456789abcdef",
        job="marine-vhf",
        step=0,
        sweeper="mast",
        kind="band",
        frequency_hz=axis,
        unit=str(unit),
        resolution=None,
        chain_gain_db=np.full(axis.size, -1.5),
        details={
            "measuring": {
                "rbw_hz": 10e3,
                "detector": "rms",
                "averages": None,
                "interval_s": 2.0,
                "sweep_time_s": 0.5,
                "level_accuracy_db": 1.5,
                "frequency_accuracy_ppm": 2.0,
                "assumed": ["averages"],
            }
        },
    )
    meter = BandMeter(BandSettings(channels=load_channel_plan("marine-vhf", Path.cwd())))
    feed = Feed(meter=meter, version=meter.version, config="")
    state, view = feed.start(), SetupView.of(setup, 1780347600.0)
    for seq in (1, 2, 3):
        record = SweepRecord(
            job="marine-vhf",
            step=0,
            setup=setup.setup,
            seq=seq,
            pass_id=seq,
            run_id="r",
            due_s=1780347600.0 + 2 * seq,
            started_s=1780347600.123 + 2 * seq,
            monotonic_s=100.0 + 2 * seq,
            took_s=0.5,
            boot_id="b",
            sweeper_time_s=None,
            flags=SweepFlag.LATE | SweepFlag.OVERLOAD,
            level=level_on(axis, content),
        )
        state, outputs = feed.sweep(state, record, view)
    summary = outputs[-1].summary
    assert summary is not None
    return SweepNews(
        common={"station": "gannet-ledge", "run_id": "r"},
        kind="band",
        sweeper="mast",
        record=record,
        view=view,
        summary=summary,
        trace_points=trace_points,
    )


def same_as_its_model(payload: bytes, model: type[Message]) -> dict[str, object]:
    """The message as data, after the model has taken it strictly and said the same again."""
    told = json.loads(payload)
    assert json.loads(model.model_validate_json(payload).to_json()) == told
    return dict(told)


@pytest.mark.parametrize("unit", [LevelUnit.DBM, LevelUnit.DBUV, LevelUnit.DBFS, LevelUnit.DIGIT])
@pytest.mark.parametrize("content", CONTENTS)
@pytest.mark.parametrize("axis", AXES.values(), ids=AXES)
def test_summary_and_trace_are_what_their_models_make(
    axis: np.ndarray, content: str, unit: LevelUnit
) -> None:
    """All units, axes and contents; nothing is missing that the model would fill in."""
    news = news_of(axis, content, unit, 512)
    summary = same_as_its_model(news.summary_json(), Summary)
    assert summary["flags"] == ["overload", "late"]
    assert summary["at"] == "2026-06-01T21:00:06.123Z"
    trace = same_as_its_model(news.trace_json(), Trace)
    assert trace["points"] == min(512, axis.size)
    assert trace["source_points"] == axis.size


def test_a_trace_keeps_levels_at_the_plane_and_holes_are_null() -> None:
    """Levels to 0.01 dB with the chain taken off; no axis where the points lie evenly."""
    news = news_of(AXIS, "holes", LevelUnit.DBM, 2000)
    trace = json.loads(news.trace_json())
    plane = news.view.at_plane(news.record.level)
    assert trace["frequency_hz"] is None
    assert trace["level"][0] is None
    assert trace["level"][1] == pytest.approx(plane[1], abs=0.0051)
    assert [level is None for level in trace["level"]] == np.isnan(plane).tolist()
    assert (trace["start_hz"], trace["stop_hz"]) == (156e6, 162.1e6)


def curve_on(axis: np.ndarray, *masks: CurveMask) -> Curve:
    """A band-pass with a hole in it, and one value without bound."""
    x = 40.0 * (axis / 159e6 - 159e6 / axis)
    values = 0.8 + 10.0 * np.log10(1.0 + x**6)
    values[5:8] = np.nan
    values[700] = np.inf
    return Curve(figure="insertion loss", unit="dB", frequency_hz=axis, values=values, masks=masks)


@pytest.mark.parametrize("points", [2, 200, 2000])
@pytest.mark.parametrize("name", ["even", "uneven"])
def test_a_curve_and_its_mask_are_what_the_model_makes(name: str, points: int) -> None:
    """Extremes of both sides kept, holes null, limits beside it."""
    axis = AXES[name]
    mask = CurveMask(
        name="passband", start_hz=158e6, stop_hz=160e6, limit=2.0, side="below", unit="dB"
    )
    curve = curve_on(axis, mask)
    news = replace(news_of(axis, "noise", LevelUnit.DBM, points), curve=curve)
    trace = same_as_its_model(news.trace_json(), Trace)
    told = json.loads(json.dumps(trace["curve"]))
    assert trace["mask"] == [
        {
            "name": "passband",
            "start_hz": 158e6,
            "stop_hz": 160e6,
            "limit": 2.0,
            "side": "below",
            "unit": "dB",
        }
    ]
    assert (told["figure"], told["unit"]) == ("insertion loss", "dB")
    assert (told["start_hz"], told["stop_hz"]) == (axis[0], axis[-1])
    assert len(told["values"]) <= points
    if points == 2000:
        assert (told["frequency_hz"] is None) is (name == "even")
        assert [one is None for one in told["values"]] == (~np.isfinite(curve.values)).tolist()
    else:
        at_hz = told["frequency_hz"]
        assert len(at_hz) == len(told["values"])
        known = dict(zip(at_hz, told["values"], strict=True))
        lowest = int(np.nanargmin(curve.values))
        assert known[axis[lowest]] == pytest.approx(curve.values[lowest], abs=0.0006)


def test_without_a_curve_neither_it_nor_a_mask_is_told() -> None:
    """Nobody pays for what a kind has not; a kind without limits has an empty mask."""
    news = news_of(AXIS, "noise", LevelUnit.DBM, 200)
    assert {"curve", "mask"} & set(json.loads(news.trace_json())) == set()
    without = replace(news, curve=curve_on(AXIS))
    assert same_as_its_model(without.trace_json(), Trace)["mask"] == []


def test_a_trace_of_ratios_shows_their_magnitude() -> None:
    """In dB; a ratio of nothing is no number."""
    news = news_of(AXIS, "noise", LevelUnit.DBM, 2000)
    ratio = 10.0 ** (-np.linspace(0.0, 60.0, 1001) / 20.0) * np.exp(1j * np.arange(1001))
    ratio[3] = 0.0
    record = replace(news.record, level=ratio.astype(np.complex64))
    view = replace(news.view, event=replace(news.view.event, unit=LevelUnit.RATIO))
    trace = same_as_its_model(replace(news, record=record, view=view).trace_json(), Trace)
    levels = json.loads(json.dumps(trace["level"]))
    assert trace["unit"] == "1"
    assert levels[3] is None
    # with the chain's 1.5 dB taken out
    assert levels[1000] == pytest.approx(-58.5, abs=0.011)
