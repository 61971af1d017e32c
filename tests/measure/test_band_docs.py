"""docs/band.md says what the code does."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.measure.band_levels import READINGS_LIMIT
from acqd.measure.band_more import BLOCKS_LIMIT
from acqd.measure.band_work import BandSettings
from acqd.measure.distribution import CLASSES_LIMIT
from acqd.measure.meter import HourTurned
from acqd.measure.neighbours import skirt_db
from acqd.measure.statistics import (
    lowest_mean_bias_db,
    peak_upper_quantile,
    threshold_over_mean_db,
)

PAGE = (Path(__file__).parents[2] / "docs" / "band.md").read_text("utf-8")


def shape(value: Any) -> Any:
    """Names and types, all the way down; numbers are numbers."""
    if isinstance(value, dict):
        return {name: shape(item) for name, item in value.items()}
    if isinstance(value, list):
        return [shape(item) for item in value]
    return "number" if type(value) in (int, float) else type(value).__name__


def test_example_summary_is_one_the_meter_makes(watch: Callable[..., Any]) -> None:
    """Same names in the same order, same types, and figures within the noise."""
    (text,) = re.findall(r"```json\n(.*?)```", PAGE, re.DOTALL)
    example = json.loads(text)
    w = watch(points=1001)
    w.setup()
    w.sweeps(20)
    w.sweeps(31, [(156.8e6, -69.8)])
    summary = json.loads(json.dumps(w.outputs[-1].summary))
    assert shape(summary) == shape(example)
    assert list(summary) == list(example)
    for name in ("floor_dbm", "threshold_dbm", "peak_dbm", "weakest_level_seen_dbm"):
        assert summary[name] == pytest.approx(example[name], abs=1.0)


def test_thresholds_are_those_of_the_table() -> None:
    """Every row of the table."""
    rows = re.findall(r"^\| (1e-\d) \| ([\d.]+) \| ([\d.]+) \| ([\d.]+) \|$", PAGE, re.MULTILINE)
    assert len(rows) == 3
    for false_alarm, *thresholds in rows:
        for averages, threshold in zip((1.0, 10.0, 100.0), thresholds, strict=True):
            found = threshold_over_mean_db(float(false_alarm), averages)
            assert f"{found:.2f}" == threshold


def test_peak_thresholds_are_those_of_the_text() -> None:
    """The largest of 5, 20 and 100 single readings, above the mean of such."""
    found = re.findall(r"([\d.]+) dB(?: above the\nfloor as displayed)? for M = (\d+)", PAGE)
    assert [number for _, number in found] == ["5", "20", "100"]
    for threshold, number in found:
        mean = sum(1.0 / k for k in range(1, int(number) + 1))
        over_db = 10.0 * math.log10(peak_upper_quantile(float(number), 1e-7) / mean)
        assert f"{over_db:.1f}" == threshold


def test_biases_are_those_of_the_text() -> None:
    """9.69, 2.21 and 0.63 dB."""
    found = re.findall(r"([\d.]+) dB for N = (\d+)", PAGE)
    assert len(found) == 3
    for bias, averages in found:
        assert f"{-lowest_mean_bias_db(0.2, float(averages)):.2f}" == bias


HOURLY = """
    fco fco_low fco_high sro fbo tracks_dropped hits_with_neighbours channels_outside channels_quiet
    dependence mean_revisit_s mean_on_s mean_off_s fco_dependent_low fco_dependent_high total_fco
    total_visits total_dependent_low total_dependent_high total_since_s hours_more_for_10_percent
    hours_more_for_1_point busy_hour_fco busy_hour_sro busy_hour_from_s hold levels residuals
    ambient trial overload_check external_noise zero_span
"""
LEVELS = "l1_dbm l99_dbm apd_dbm apd_share vd_db beyond_classes"


@pytest.mark.parametrize("name", [*HOURLY.split(), *LEVELS.split()])
def test_hourly_names_of_the_page_exist(watch: Callable[..., Any], name: str) -> None:
    """What the page names is in the figures of an hour."""
    w = watch()
    w.setup()
    w.sweep()
    output = w.step(HourTurned(hour_start_s=w.at_s // 3600 * 3600, hour_end_s=w.at_s + 3600))
    figures = output.hourly[0].figures
    assert name in figures or name in figures["channels"][0] or name in figures["levels"]
    assert f"`{name}`" in PAGE


def test_figures_of_noise_are_those_of_the_page() -> None:
    """L10, L50 and L90 of single samples; what a Gaussian filter leaves of a neighbour."""
    l10, l50, l90 = (10.0 * math.log10(-math.log(share)) for share in (0.1, 0.5, 0.9))
    assert f"lies {l10:.2f} dB above the mean power" in PAGE
    assert f"L50 {-l50:.2f} dB below, L90 {-l90:.2f} dB below" in PAGE
    down_db = float(skirt_db(np.array(12.5e3), 10e3))
    assert f"10 kHz filter is {down_db:.1f} dB down at 12.5 kHz" in PAGE


def test_limits_are_those_of_the_page() -> None:
    """The settings' defaults, and what is kept."""
    settings = BandSettings()
    assert f"by more than {settings.neighbour_db:g} dB" in PAGE
    assert f"no more than {settings.residual_db:g} dB above it" in PAGE
    assert f"sweeps of more than {READINGS_LIMIT} points" in PAGE
    assert f"{CLASSES_LIMIT} classes are kept" in PAGE
    assert f"The newest {BLOCKS_LIMIT} blocks" in PAGE


ZERO_SPAN = "resolution_s bursts cut duty length_s gap_s shortest_told_s rate_hz repeating clearest"


def test_zero_span_names_of_the_page_exist(watch: Callable[..., Any]) -> None:
    """What the page names is in the figures of an hour at one frequency."""
    w = watch(frequency_hz=np.full(501, 156.8e6))
    w.setup()
    w.sweep()
    figures = w.hour_figures()["zero_span"]
    for name in ZERO_SPAN.split():
        assert name in figures
        assert f"`{name}`" in PAGE
