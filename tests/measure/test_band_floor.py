"""The floor that the band meter finds, learns, and tells the steps of."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from acqd.sweep import Detector

Make = Callable[..., Any]
CH16 = 156.8e6


@pytest.mark.parametrize(("step_db", "word"), [(4.0, "rose"), (-4.0, "fell")])
def test_a_floor_that_moves_and_stays_is_told_once(watch: Make, step_db: float, word: str) -> None:
    """One finding, dated back to the sweep in which it began, with the range named."""
    w = watch()
    w.setup()
    w.sweeps(40)
    moved_s = w.at_s
    w.sweeps(60, floor_db=-110.0 + step_db)
    (finding,) = w.findings
    assert finding.what == f"floor_{word}"
    assert finding.at_s == moved_s
    assert f"floor {word} " in finding.text
    assert "over the whole range (156.000 to 158.000 MHz) and stayed" in finding.text
    assert finding.figures["step_db"] == pytest.approx(step_db, abs=0.6)


def test_a_burst_does_not_move_the_floor(watch: Make) -> None:
    """Ten sweeps of impulsive noise are back before the holding time is over."""
    w = watch(floor_hold_s=60.0)
    w.setup()
    w.sweeps(40)
    w.sweeps(10, floor_db=-100.0)
    w.sweeps(60)
    assert w.findings == []


def test_floor_threshold_and_uncertainty_are_honest(watch: Make) -> None:
    """Over 300 sweeps: mean floor right, scatter as said, N as estimated, level as seen."""
    w = watch(noise_averages=10.0, rbw_hz=4.7e3)
    w.setup()
    w.sweeps(300)
    floors = np.array([output.columns["floor_dbm"] for output in w.outputs[1:]])
    summary = w.outputs[-1].summary
    assert floors[50:].mean() == pytest.approx(-110.0, abs=0.15)
    assert summary["floor_u_db"] == pytest.approx(floors[50:].std(), rel=0.25)
    assert summary["averages"] == pytest.approx(10.0, rel=0.15)
    assert summary["averages_from"] == "estimated"
    weakest = summary["weakest_level_seen_dbm"]
    assert summary["threshold_dbm"] < weakest < summary["threshold_dbm"] + 5.0


@pytest.mark.parametrize("probability", [0.5, 0.95])
def test_the_weakest_level_is_seen_as_often_as_said(watch: Make, probability: float) -> None:
    """A steady carrier on a point, at the level said less the scallop: seen about that often."""
    w = watch(averages=10.0, rbw_hz=5e3, flapping_s=0.0)
    w.setup()
    w.sweeps(64)
    key = "weakest_level_seen_dbm" if probability == 0.95 else "weakest_level_half_seen_dbm"
    # The level said allows for a carrier halfway between points, 3.01 dB at a step of one RBW.
    level_dbm = w.outputs[-1].summary[key] - 3.0103
    hits = 0
    for _ in range(400):
        # A carrier in noise: amplitudes add, averages of ten.
        noise = w.rng.normal(scale=math.sqrt(0.5 * 1e-11), size=(401, 10, 2))
        away = 2.0 * (w.frequency_hz - CH16) / w.rbw_hz
        noise[..., 0] += np.sqrt(10 ** (level_dbm / 10) * 2.0 ** (-(away**2)))[:, None]
        output = w.sweep(level=10 * np.log10((noise**2).sum(axis=2).mean(axis=1)))
        hits += any(s["channel"] == "16" for s in output.summary["signals"])
    assert hits / 400 == pytest.approx(probability, abs=0.08)


def test_a_shaped_floor_is_learnt_in_silence_and_then_watched(watch: Make) -> None:
    """20 dB of slope: nothing told while learning, then a weak carrier at the low end is."""
    w = watch(floor="learnt", learn_s=100.0)
    w.setup()
    slope = np.linspace(0.0, 20.0, 401)
    for _ in range(60):
        w.sweep(level=w.level() + slope)
    learning, learnt = w.outputs[10].summary, w.outputs[-1].summary
    assert (learning["floor_kind"], learning["listening"]) == ("learning", False)
    assert (learnt["floor_kind"], learnt["listening"]) == ("learnt", True)
    assert w.findings == []
    w.sweep(level=w.level([(156.1e6, -95.0)]) + slope)
    assert [f.what for f in w.findings] == ["signal_appeared"]
    assert w.outputs[-1].columns["floor_dbm"] == pytest.approx(-100.0, abs=0.5)
    figures = w.hour_figures()
    assert figures["learning"] == 51
    assert figures["listened"] == 10
    assert figures["stored"] == 61


def test_average_detector_is_brought_to_power(watch: Make) -> None:
    """dB averages of many readings lie 2.5 dB low; the floor does not."""
    w = watch()
    w.setup(detector=Detector.AVERAGE)
    readings = w.rng.exponential(size=(150, 401, 50))
    for sweep in -110.0 + 10 * np.log10(readings).mean(axis=2):
        w.sweep(level=sweep)
    assert np.mean([o.columns["floor_dbm"] for o in w.outputs[60:]]) == pytest.approx(-110, abs=0.1)


def test_peak_detector_says_that_the_floor_is_as_displayed(watch: Make) -> None:
    """Nobody can tell the power behind a positive peak."""
    w = watch()
    w.setup(detector=Detector.POSITIVE)
    assert "as displayed" in w.sweep().summary["noise"]
