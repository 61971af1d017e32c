"""The meter of kind reflection: figures, refusals, limits, changes, and what is told of them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from acqd.errors import UnitMismatch
from acqd.measure.meter import (
    Reference,
    Role,
)
from acqd.measure.reflection_report import RESONANCES_MOST
from acqd.sweep import LevelUnit, SweepFlag
from bridges import DAY_S, Bridge, bridges_of, swr_of, whip


@pytest.fixture
def bridge(rng: np.random.Generator) -> Callable[..., Bridge]:
    return bridges_of(rng)


# --- figures --------------------------------------------------------------------------------------


def test_a_whip_is_measured(bridge: Callable[..., Bridge]) -> None:
    """Best match, widths, named frequencies and the worst of the range, the truth in each bound."""
    one = bridge(range_hz=(156e6, 158e6))
    summary = one.sweep().summary
    assert summary is not None and summary["refused"] is None
    best = summary["best"]
    assert best["frequency_low_hz"] <= 157e6 <= best["frequency_high_hz"]
    assert best["swr_low"] <= 50 / 42 <= best["swr_high"]
    assert best["return_loss_low_db"] <= 21.22 <= best["return_loss_high_db"]
    by_swr = {width["swr"]: width for width in best["bandwidths"]}
    assert list(by_swr) == [1.5, 2.0, 3.0]
    fine_hz = np.linspace(150e6, 164e6, 140_001)
    good = np.abs(whip(fine_hz)) <= 1 / 3
    width_hz = float(good.sum() * (fine_hz[1] - fine_hz[0]))
    two = by_swr[2.0]
    assert two["least_width_hz"] <= width_hz <= two["most_width_hz"]
    assert two["width_hz"] == pytest.approx(width_hz, rel=0.1)
    for named in summary["named"]:
        truth = swr_of(complex(whip(np.array([named["frequency_hz"]]))[0]))
        assert named["swr_low"] <= truth <= named["swr_high"], named["name"]
    worst = summary["worst"]
    truth = max(swr_of(complex(whip(np.array([hz]))[0])) for hz in (156e6, 158e6))
    assert worst["swr_low"] <= truth <= worst["swr_high"]
    assert one.outputs[-1].values["swr_ch16"] == summary["named"][0]["swr"]
    assert one.outputs[-1].values["best_match_hz"] == best["frequency_hz"]
    assert one.outputs[-1].columns["worst_swr"] == worst["swr"]


def test_widths_beyond_the_sweep_are_not_guessed(bridge: Callable[..., Bridge]) -> None:
    """A sweep that ends before the SWR rises gives no edge there; a named frequency beyond it has a
    reason instead of a reading."""
    one = bridge(
        bridge={"frequency_hz": np.linspace(156e6, 157.5e6, 151)},
        max_swr_at={"ais1": 2.0},
        max_swr=1.8,
        range_hz=(156e6, 159e6),
    )
    out = one.sweep()
    assert out.summary is not None and out.verdict is not None
    width = out.summary["best"]["bandwidths"][2]
    assert width["low_hz"] is None and width["width_hz"] is None and width["most_width_hz"] is None
    assert width["least_width_hz"] == pytest.approx(1.5e6)
    assert out.summary["named"][1]["reason"] == "the sweep does not reach there"
    assert out.summary["worst"]["reason"] == "the sweep does not reach over all of it"
    assert out.verdict["verdict"] == "incomplete"


def test_the_budget_says_what_dominates(bridge: Callable[..., Bridge]) -> None:
    """Shares come to 1, the largest first; with a bridge that nobody knows it is assumed."""
    summary = bridge(directivity_db=None, source_match_db=None).sweep().summary
    assert summary is not None
    rows = summary["budget"]
    assert sum(row["share"] for row in rows) == pytest.approx(1.0, abs=1e-3)
    assert rows == sorted(rows, key=lambda row: -row["share"])
    assert summary["dominant"] == rows[0]["name"] == "directivity"
    assert rows[0]["assumed"] and {"directivity", "source match"} <= set(summary["assumed"])
    assert summary["best_magnitude_u"] == pytest.approx(
        math.sqrt(sum(row["u"] ** 2 for row in rows)), rel=1e-4
    )


def test_a_bad_match_is_not_charged_the_scale_of_a_good_one(bridge: Callable[..., Bridge]) -> None:
    """Scale error goes with the difference of levels: at 3 dB of return loss an eighth to a quarter
    of what it is at 20 dB."""
    spread = {}
    for scale_db in (0.0, 4.0):
        one = bridge(scale_db=scale_db, named_hz={"bad": 150.1e6})
        one.rng = np.random.default_rng(1)
        summary = one.sweep(np.full(one.frequency_hz.shape, 0.7 + 0j)).summary
        assert summary is not None
        bad = summary["named"][0]
        spread[scale_db] = bad["return_loss_high_db"] - bad["return_loss_low_db"]
    assert 2 * 0.5 * 0.95 < spread[4.0] - spread[0.0] < 2 * 1.0 * 1.5


def test_cable_loss_is_taken_out(bridge: Callable[..., Bridge]) -> None:
    """3 dB one way flatter the return loss by 6 dB; they come off, at the root of frequency."""
    one = bridge(cable_loss_db=3.0, cable_loss_at_hz=157e6, cable_loss_limit_db=0.2)
    loss_db = 3.0 * np.sqrt(one.frequency_hz / 157e6)
    summary = one.sweep(whip(one.frequency_hz) * 10 ** (-2 * loss_db / 20)).summary
    assert summary is not None
    ch16 = summary["named"][0]
    truth = abs(whip(np.array([156.8e6]))[0])
    assert ch16["magnitude_low"] <= truth <= ch16["magnitude_high"]
    assert ch16["magnitude"] == pytest.approx(truth, abs=0.05)
    assert summary["cable_loss_db"] == pytest.approx(3.0, abs=0.01)
    assert "cable loss" in {row["name"] for row in summary["budget"]}


def test_a_load_reference_measures_the_directivity(bridge: Callable[..., Bridge]) -> None:
    """And says so; one that does not fit is left out, which is said."""
    one = bridge(directivity_db=None, load_return_loss_db=46.0)
    one.refer(Role.LOAD, 10 ** (-46 / 20))
    one.setup()
    summary = one.sweep().summary
    assert summary is not None
    assert summary["directivity_from"] == "measured with a load"
    assert 30.0 < summary["directivity_db"] <= 36.0
    assert [row["role"] for row in summary["references"]] == ["open", "short", "load"]
    one.references["load"] = Reference(
        role=Role.LOAD, at_s=one.at_s, level=None, differs=("the RBW was 3 kHz and is 10 kHz",)
    )
    one.setup()
    summary = one.sweep().summary
    assert summary is not None and summary["directivity_from"] == "assumed"
    assert any("not used: the load reference does not fit" in note for note in summary["notes"])


def test_open_alone_will_do_and_is_said(bridge: Callable[..., Bridge]) -> None:
    one = bridge(refer=False)
    one.refer(Role.OPEN, 1.0)
    one.setup()
    summary = one.sweep().summary
    assert summary is not None and summary["best"] is not None
    assert "only one of open and short: its ripple stays in the bounds" in summary["notes"]


def test_more_comes_back_than_arrives(bridge: Callable[..., Bridge]) -> None:
    """A reflection above 1 stays as it is: infinite SWR is null, the return loss negative."""
    one = bridge(max_swr_at={"ch16": 2.0})
    out = one.sweep(np.full(one.frequency_hz.shape, 1.6 + 0j))
    assert out.summary is not None and out.verdict is not None
    best = out.summary["best"]
    assert best["over_unity"] and best["swr"] is None and best["return_loss_db"] < -3.0
    assert out.summary["surely_over_unity_points"] == out.summary["points"]
    assert any("reflects more than arrives" in note for note in out.summary["notes"])
    assert "best_swr" not in out.values and math.isnan(out.columns["best_swr"])
    assert out.verdict["verdict"] == "fail"
    assert out.verdict["judgements"][0]["value"] is None
    assert out.verdict["text"].startswith("SWR infinite at ch16 (156.800 MHz), of 2: fail")


def test_more_cable_loss_than_there_is(bridge: Callable[..., Bridge]) -> None:
    """Taking out a loss that is not there makes a gain of a total reflection; that is said."""
    summary = bridge(cable_loss_db=3.0).sweep(np.full(281, 1.0 + 0j)).summary
    assert summary is not None
    assert "or the cable before the load has less loss than is taken out" in summary["notes"]


def test_a_reading_at_the_floor_is_marked(bridge: Callable[..., Bridge]) -> None:
    """With a quiet reference: a match below the floor is only "at least"."""
    one = bridge(refer=False, bridge={"floor_dbm": -62.0, "directivity_db": 70.0},
                 directivity_db=70.0)  # fmt: skip
    one.open_and_short()
    noise = one.rng.gamma(100.0, 1 / 100.0, one.frequency_hz.size)
    quiet = -62.0 + 10 * np.log10(noise)
    one.references["quiet"] = Reference(role=Role.QUIET, at_s=one.at_s, level=quiet)
    one.setup()
    summary = one.sweep(np.zeros(one.frequency_hz.shape, np.complex128)).summary
    assert summary is not None and summary["floor_known"]
    assert summary["floor_limited_points"] > 0.8 * summary["points"]
    assert summary["best"]["return_loss_high_db"] is None
    assert summary["best_text"].startswith("return loss at least ")


def test_many_dips_are_bounded_in_number(bridge: Callable[..., Bridge]) -> None:
    one = bridge(bridge={"frequency_hz": np.linspace(150e6, 164e6, 1401)})
    comb = 0.45 + 0.4 * np.cos(np.linspace(0.0, 80.0 * np.pi, 1401))
    summary = one.sweep(comb + 0j).summary
    assert summary is not None
    assert summary["resonances_count"] == 40
    assert len(summary["resonances"]) == RESONANCES_MOST
    at_hz = [dip["frequency_hz"] for dip in summary["resonances"]]
    assert at_hz == sorted(at_hz)


def test_missing_levels(bridge: Callable[..., Bridge]) -> None:
    """A hole is counted and makes the range incomplete; a sweep of nothing else has no best."""
    one = bridge(max_swr=3.0)
    out = one.sweep(holes=(5,), flags=SweepFlag.NOT_FINITE)
    assert out.summary is not None and out.verdict is not None
    assert out.summary["missing_points"] == 1 and out.summary["best"] is not None
    assert out.verdict["verdict"] == "incomplete" and one.state.kind.baseline is None
    out = one.sweep(holes=tuple(range(one.frequency_hz.size)), flags=SweepFlag.NOT_FINITE)
    assert out.summary is not None and out.summary["best"] is None
    assert "no level in the sweep can be compared with the references" in out.summary["notes"]
    assert out.values == {}


# --- refusals -------------------------------------------------------------------------------------


def test_without_an_open_there_are_no_figures(bridge: Callable[..., Bridge]) -> None:
    """The summary says what to do, one finding tells it, and one tells that figures are back."""
    one = bridge(refer=False, max_swr_at={"ch16": 2.0})
    one.setup()
    for _ in range(5):
        out = one.sweep()
        assert out.summary is not None
        assert out.summary["refused"] == (
            "there is no open reference: take one with `acqd reference whip open`"
        )
        assert out.summary["best"] is None and out.values == {}
        assert out.verdict is not None and out.verdict["verdict"] == "incomplete"
    assert len(one.told("reference_refused")) == 1
    one.open_and_short()
    one.setup()
    summary = one.sweep().summary
    assert summary is not None and summary["refused"] is None
    assert len(one.told("reference_accepted")) == 1
    assert summary["stored"] == summary["due"] == 6


def test_what_differs_is_said(bridge: Callable[..., Bridge]) -> None:
    one = bridge()
    one.sweep()
    one.references["open"] = replace(
        one.references["open"], level=None, differs=("the RBW was 10 kHz and is 30 kHz",)
    )
    one.setup()
    summary = one.sweep().summary
    assert summary is not None
    assert "the RBW was 10 kHz and is 30 kHz" in summary["refused"]
    (told,) = one.told("reference_refused")
    assert "the RBW was 10 kHz and is 30 kHz" in told.text


def test_a_source_that_was_off_reflects_nothing(bridge: Callable[..., Bridge]) -> None:
    one = bridge(bridge={"source_dbm": None})
    summary = one.sweep().summary
    assert summary is not None and "source was off" in summary["refused"]


def test_levels_that_are_no_decibels_are_refused(bridge: Callable[..., Bridge]) -> None:
    one = bridge(refer=False)
    with pytest.raises(UnitMismatch, match="kind reflection"):
        one.setup(unit=LevelUnit.DIGIT)


def test_an_old_reference_is_told_of_once(bridge: Callable[..., Bridge]) -> None:
    """And noted each time, with the temperature; the bounds grow with its age."""
    one = bridge()
    one.references = {key: replace(ref, temperature_c=12.0) for key, ref in one.references.items()}
    one.setup()
    first = one.sweep(context={"temperature": 12.0}).summary
    late = [
        one.sweep(after_s=8 * DAY_S if i == 0 else 60.0, context={"temperature": 21.0}).summary
        for i in range(3)
    ]
    assert first is not None and late[-1] is not None
    assert first["drift_limit_db"] < 0.1 < 1.0 < late[-1]["drift_limit_db"]
    assert any("the open is 8 days old" in note for note in late[-1]["notes"])
    assert any("9 K colder" in note for note in late[-1]["notes"])
    (told,) = one.told("reference_old")
    assert told.text.startswith("the open is 8 days old")
    one.open_and_short()
    one.setup()
    one.sweep()
    one.sweep(after_s=9 * DAY_S)
    assert len(one.told("reference_old")) == 2


# --- vector sweepers ------------------------------------------------------------------------------


def test_three_standards_correct_a_vector_sweep(bridge: Callable[..., Bridge]) -> None:
    """What is left is the load standard's own return loss: far closer than the bridge alone."""
    one = bridge(refer=False, bridge={"unit": LevelUnit.RATIO, "directivity_db": 20.0,
                 "source_match_db": 15.0}, load_return_loss_db=46.0)  # fmt: skip
    one.open_and_short()
    one.refer(Role.LOAD, 0.0)
    one.setup()
    summary = one.sweep().summary
    assert summary is not None
    assert summary["way"] == "vector, corrected with open, short and load"
    truth = abs(whip(np.array([156.8e6]))[0])
    assert summary["named"][0]["magnitude"] == pytest.approx(truth, abs=1e-4)
    assert summary["named"][0]["magnitude_low"] <= truth <= summary["named"][0]["magnitude_high"]


def test_a_vector_sweep_without_references_is_taken_as_calibrated(
    bridge: Callable[..., Bridge],
) -> None:
    """With the residual directivity that the job states, or an assumed one that is said."""
    one = bridge(refer=False, bridge={"unit": LevelUnit.RATIO})
    one.tracking = np.ones_like(one.tracking)
    one.setup()
    summary = one.sweep().summary
    assert summary is not None and summary["way"] == "vector, as the sweeper calibrated it"
    assert summary["directivity_db"] == 36.0 and summary["directivity_from"] == "stated"
    truth = abs(whip(np.array([156.8e6]))[0])
    assert summary["named"][0]["magnitude_low"] <= truth <= summary["named"][0]["magnitude_high"]
    other = bridge(refer=False, bridge={"unit": LevelUnit.RATIO}, directivity_db=None)
    other.setup()
    summary = other.sweep().summary
    assert summary is not None and summary["directivity_from"] == "assumed"


def test_open_and_short_make_a_ratio(bridge: Callable[..., Bridge]) -> None:
    summary = bridge(bridge={"unit": LevelUnit.RATIO}).sweep().summary
    assert summary is not None and summary["way"] == "vector, relative to open or short"
    truth = abs(whip(np.array([156.8e6]))[0])
    assert summary["named"][0]["magnitude_low"] <= truth <= summary["named"][0]["magnitude_high"]


def test_a_vector_reference_that_does_not_fit_stops_it(bridge: Callable[..., Bridge]) -> None:
    one = bridge(bridge={"unit": LevelUnit.RATIO})
    one.references["short"] = replace(
        one.references["short"], level=None, differs=("the RBW was 10 kHz and is 30 kHz",)
    )
    one.setup()
    summary = one.sweep().summary
    assert summary is not None and "the short reference does not fit" in summary["refused"]


def test_standards_that_are_one_and_the_same(bridge: Callable[..., Bridge]) -> None:
    one = bridge(refer=False, bridge={"unit": LevelUnit.RATIO})
    for role in (Role.OPEN, Role.SHORT, Role.LOAD):
        one.refer(role, 0.0)
    one.setup()
    summary = one.sweep().summary
    assert summary is not None and "cannot be told apart" in summary["refused"]
