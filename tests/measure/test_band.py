"""The band meter: what it tells, counts and says it could have missed."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from acqd.errors import UnitMismatch
from acqd.measure.band import BandMeter, BandSettings, band_pass
from acqd.measure.band_sums import add_missed
from acqd.measure.channels import Channel, ChannelPlan
from acqd.measure.meter import GapSeen, HourTurned, PassStep
from acqd.sweep import Detector, Grid, LevelUnit, SweepFlag, SweepRequest
from acqd.testing.events import sweep_event

Make = Callable[..., Any]
CH16 = 156.8e6


def channel_figures(figures: dict[str, Any], name: str) -> dict[str, Any]:
    return next(c for c in figures["channels"] if c["channel"] == name)


# --- signals --------------------------------------------------------------------------------------


def test_a_call_on_a_channel_is_told_as_a_watchkeeper_would(watch: Make) -> None:
    """Came up, busy for how long, peak; the channel by its name, once each."""
    w = watch()
    w.setup()
    w.sweeps(20)
    w.sweeps(276, [(CH16, -69.8)])
    w.sweeps(5)
    texts = [(f.what, f.text) for f in w.findings]
    assert texts == [
        (
            "signal_appeared",
            "channel 16 (156.800 MHz) came up, peak −69.8 dBm at the aerial socket",
        ),
        ("signal_ended", "channel 16 (156.800 MHz) busy 9 min 12 s, peak −69.8 dBm"),
    ]
    appeared, ended = w.findings
    assert appeared.at_s == w.events[21].started_s
    assert appeared.figures["channel"] == "16"
    assert appeared.figures["peak_dbm"] == pytest.approx(-69.8, abs=0.1)
    assert ended.figures["duration_s"] == pytest.approx(552.0)
    assert ended.figures["ended_by"] == "silence"


def test_a_burst_bounds_how_long_a_signal_was_up(watch: Make) -> None:
    """Heard by one sweep of three that follow each other every 20 s: half a second, not twenty."""
    w = watch(interval_s=20.0)
    w.setup()
    w.sweeps(20)
    for carriers in ([(CH16, -69.8)], [], []):
        w.sweep(carriers)
        w.at_s += 0.5 - w.interval_s
    (ended,) = [f for f in w.findings if f.what == "signal_ended"]
    assert ended.text.startswith("channel 16 (156.800 MHz) busy 0.5 s")
    assert ended.figures["duration_s"] == ended.figures["duration_within_s"] == 0.5


def test_signals_outside_channels_go_by_frequency(watch: Make) -> None:
    """Between channels a signal has no name but its frequency."""
    w = watch()
    w.setup()
    w.sweeps(5)
    w.sweep([(157.6e6, -60.0)])
    (finding,) = w.findings
    assert finding.text == "signal at 157.600 MHz came up, peak −60.0 dBm at the aerial socket"
    assert finding.figures["channel"] is None


def test_quiet_nights_stay_quiet(watch: Make) -> None:
    """2000 sweeps of noise at a false-alarm rate of 1e−7 a point: not one finding."""
    w = watch(noise_averages=3.0)
    w.setup()
    w.sweeps(2000)
    assert w.findings == []


def test_false_alarms_come_as_often_as_said(watch: Make) -> None:
    """At 1e−4 a point and N stated, 1500 sweeps hold about as many as the summary promises."""
    w = watch(noise_averages=5.0, false_alarm=1e-4, flapping_s=0.0, rbw_hz=4.7e3)
    w.setup(detector=Detector.SAMPLE, averages=5)
    w.sweeps(1500)
    alarmed = sum(output.columns["signals"] > 0 for output in w.outputs[1:])
    summary = w.outputs[-1].summary
    assert summary["averages"] == 5.0
    assert summary["averages_from"] == "stated"
    expected = 1500 * summary["false_alarm_per_sweep"]
    assert alarmed == pytest.approx(expected, abs=4 * math.sqrt(expected))


@pytest.mark.parametrize("detector", [Detector.POSITIVE, None], ids=["peak", "not stated"])
@pytest.mark.parametrize("readings", [1, 5, 20, 100])
def test_peaks_alarm_no_more_often_than_said(
    watch: Make, detector: Detector | None, readings: int
) -> None:
    """A positive peak's upper tail is heavier than its lower half lets expect (counted)."""
    w = watch(false_alarm=1e-3, flapping_s=0.0)
    w.setup(detector=detector)
    for _ in range(300):
        power = w.rng.exponential(size=(401, readings)).max(axis=1)
        w.sweep(level=-110.0 + 10.0 * np.log10(power))
    summary = w.outputs[-1].summary
    above = np.mean([output.columns["occupied_fraction"] for output in w.outputs[65:]])
    assert summary["false_alarm_per_point"] == pytest.approx(1e-3)
    assert 0.5e-3 < above < 1.5e-3


def test_power_averages_of_an_unstated_detector_alarm_less_than_said(watch: Make) -> None:
    """Nobody said that they are no peaks, so the higher threshold holds; the price is named."""
    told = []
    for detector in (Detector.RMS, None):
        w = watch(false_alarm=1e-5)
        w.setup(detector=detector)
        w.sweeps(64)
        told.append(w.outputs[-1].summary)
    over = [summary["threshold_dbm"] - summary["floor_dbm"] for summary in told]
    assert over[0] == pytest.approx(4.7, abs=0.2) and 1.0 < over[1] - over[0] < 2.0
    assert "peaks" in told[1]["noise"] and "peaks" not in told[0]["noise"]


@pytest.mark.parametrize("step_db", [0.1, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("averages", [1.0, 10.0, 50.0, 200.0, 1000.0, 10_000.0])
def test_a_coarse_scale_does_not_make_noise_a_signal(
    watch: Make, averages: float, step_db: float
) -> None:
    """However few steps the noise spans: no more alarms than said, and the floor within a step."""
    for mean_db in (-110.0, -110.0 + 0.5 * step_db, -110.3):
        w = watch(noise_averages=averages, false_alarm=1e-4)
        w.setup(resolution=step_db)
        for _ in range(80):
            level = np.round(w.level(floor_db=mean_db) / step_db) * step_db
            w.sweep(level=level)
        last = w.outputs[-1].summary
        above = np.mean([output.columns["occupied_fraction"] for output in w.outputs[20:]])
        assert above <= 4e-4
        assert last["threshold_dbm"] - last["floor_dbm"] >= 1.5 * step_db - 1e-3
        assert last["closing_dbm"] - last["floor_dbm"] >= step_db - 1e-3
        floor = np.mean([output.columns["floor_dbm"] for output in w.outputs[20:]])
        assert floor == pytest.approx(mean_db, abs=max(0.15, 0.6 * step_db))
        assert last["floor_u_db"] >= step_db / math.sqrt(12.0) - 1e-3


def test_whole_digits_without_spread_are_no_signals(watch: Make) -> None:
    """Digits that hardly move: the threshold stays a step and a half above the floor."""
    w = watch(false_alarm=1e-5)
    w.setup(unit=LevelUnit.DIGIT, detector=None, resolution=1.0)
    for _ in range(40):
        w.sweep(level=np.round(w.rng.normal(120.0, 0.2, size=401)))
    last = w.outputs[-1].summary
    assert w.findings == [] and last["signals_count"] == 0
    assert last["threshold_digit"] - last["floor_digit"] >= 1.5


def test_the_closing_threshold_bridges_a_fade(watch: Make) -> None:
    """A signal that fades between the thresholds is one signal; below both it has ended."""
    w = watch(margin_db=10.0, false_alarm=None, closing_db=4.0)
    w.setup()
    w.sweeps(20)
    for level_dbm in (-95.0, -102.0, -95.0, -108.0):
        w.sweep([(CH16, level_dbm)])
    assert [f.what for f in w.findings] == ["signal_appeared", "signal_ended"]


def test_short_bursts_are_not_told_below_the_minimum_duration(watch: Make) -> None:
    """Under the minimum nothing is told, but occupancy counts what was heard."""
    w = watch(min_duration_s=10.0)
    w.setup()
    w.sweeps(5)
    w.sweeps(3, [(CH16, -70.0)])
    w.sweeps(5)
    assert w.findings == []
    assert not any(output.channels for output in w.outputs)
    assert channel_figures(w.hour_figures(), "16")["hits"] == 3


def test_flapping_is_one_finding_with_a_count(watch: Make) -> None:
    """Bursts every 10 s: two told by themselves, then one finding for the episode."""
    w = watch(flapping_s=30.0)
    w.setup()
    w.sweeps(5)
    for _ in range(20):
        w.sweep([(CH16, -70.0)])
        w.sweeps(4)
    w.sweeps(30)
    whats = [f.what for f in w.findings]
    assert whats == ["signal_appeared", "signal_ended"] * 2 + ["signal_flapping"]
    flapping = w.findings[-1]
    assert flapping.figures["count"] == 18
    assert flapping.figures["busy_s"] == pytest.approx(36.0)
    assert flapping.text == (
        "channel 16 (156.800 MHz) came and went 18 times in 2 min 50 s, busy 36 s in all, "
        "peak −70.0 dBm at the aerial socket"
    )


def test_flapping_that_came_once_more_is_told_as_once(watch: Make) -> None:
    """In one sweep: it lasted no time to speak of, and nothing is summed up."""
    w = watch(flapping_s=30.0)
    w.setup()
    w.sweeps(5)
    for _ in range(3):
        w.sweep([(CH16, -70.0)])
        w.sweeps(4)
    w.sweeps(30)
    assert w.findings[-1].figures["count"] == 1
    assert w.findings[-1].text == (
        "channel 16 (156.800 MHz) came and went once, busy 2 s, peak −70.0 dBm at the aerial socket"
    )


def test_flapping_all_night_is_told_every_hour(watch: Make) -> None:
    """An episode without end is told at each turn of the hour."""
    w = watch(flapping_s=30.0)
    w.setup()
    for _ in range(10):
        w.sweep([(CH16, -70.0)])
        w.sweeps(4)
    w.hour_figures()
    told = [f for f in w.findings if f.what == "signal_flapping"]
    assert [f.figures["count"] for f in told] == [8]


def test_a_crowd_is_told_in_a_bounded_number_of_findings(watch: Make) -> None:
    """Forty signals at once: sixteen by name, the rest in one sentence."""
    w = watch(points=4001, channels=None)
    w.setup()
    w.sweeps(3)
    carriers = [(156.025e6 + 48e3 * i, -80.0 + i / 2) for i in range(40)]
    w.sweep(carriers)
    whats = [f.what for f in w.findings]
    assert whats == ["signal_appeared"] * 16 + ["signals_appeared"]
    assert w.findings[-1].figures["count"] == 24
    assert w.findings[-1].text.startswith("24 more signals came up")
    w.sweep()
    assert [f.what for f in w.outputs[-1].findings][-1] == "signals_ended"
    summary = w.outputs[-2].summary
    assert summary["signals_count"] == 40
    assert len(summary["signals"]) == 32


def test_a_wide_signal_is_no_channels_signal(watch: Make) -> None:
    """Half of the power outside the channel of its peak: told by frequency, counts for all."""
    w = watch()
    w.setup()
    w.sweeps(20)
    level = w.level()
    wide = (w.frequency_hz > 156.4e6) & (w.frequency_hz < 156.7e6)
    level[wide] = -60.0 + 0.5 * np.sin(np.arange(wide.sum()))
    w.sweep(level=level)
    (finding,) = w.findings
    assert finding.figures["channel"] is None
    assert finding.figures["width_hz"] == pytest.approx(300e3, rel=0.1)
    assert set(w.outputs[-1].channels) >= {"09", "10", "11", "12", "13"}


# --- what is told of a gap or a change ------------------------------------------------------------


def test_a_short_gap_does_not_end_a_signal_but_is_on_its_record(watch: Make) -> None:
    """30 s not watched: one signal, and the sentence says so."""
    w = watch()
    w.setup()
    w.sweeps(5, [(CH16, -70.0)])
    w.step(GapSeen(from_s=w.at_s, to_s=w.at_s + 26.0, count=14, reason="sweeper lost"))
    w.at_s += 28.0
    w.sweeps(5, [(CH16, -70.0)])
    w.sweeps(2)
    appeared, ended = w.findings
    assert appeared.what == "signal_appeared"
    assert ended.text.endswith("peak −70.0 dBm; 28 s of that nobody watched")


def test_a_long_gap_ends_what_was_up(watch: Make) -> None:
    """After ten minutes nobody knows; the signal ends for that reason and may come up anew."""
    w = watch()
    w.setup()
    w.sweeps(5, [(CH16, -70.0)])
    gap_s = w.at_s
    w.step(GapSeen(from_s=gap_s, to_s=gap_s + 598.0, count=300, reason="station down"))
    w.at_s += 600.0
    w.sweep([(CH16, -70.0)])
    assert [f.what for f in w.findings] == ["signal_appeared", "signal_ended", "signal_appeared"]
    assert w.findings[1].figures["ended_by"] == "not watched any longer"
    assert w.outputs[-1].channels["16"]["since_s"] == gap_s + 600.0


def test_a_new_setup_ends_what_was_up(watch: Make) -> None:
    """Levels before and after are not comparable; the hour's counts go on."""
    w = watch()
    w.setup()
    w.sweeps(5, [(CH16, -70.0)])
    w.setup("setup-2", rbw_hz=30e3)
    assert w.findings[-1].figures["ended_by"] == "setup changed"
    w.sweeps(5)
    assert channel_figures(w.hour_figures(), "16")["visits"] == 10


def test_the_same_setup_again_changes_nothing(watch: Make) -> None:
    """A restart announces its setup; if it is the one in force nothing happens."""
    w = watch()
    w.setup()
    w.sweeps(5, [(CH16, -70.0)])
    before = w.meter.dump(w.state)
    w.setup()
    assert w.meter.dump(w.state) == before


def test_channels_outside_the_new_grid_are_set_free(watch: Make) -> None:
    """Nobody listens there any longer, so nobody would end them."""
    w = watch()
    w.setup()
    w.sweeps(2, [(CH16, -70.0)])
    output = w.setup("setup-2", grid=Grid.from_axis(np.linspace(156e6, 156.6e6, 401)))
    assert output.channels["16"]["busy"] is False


def test_other_steps_of_a_pass_are_left_alone(watch: Make) -> None:
    """Only step 0 is a band sweep."""
    w = watch()
    w.setup()
    before = w.meter.dump(w.state)
    output = w.sweep(step=1)
    assert output.summary is None
    assert w.meter.dump(w.state) == before


# --- channels and the hour ------------------------------------------------------------------------


def test_channel_states_are_told_only_when_they_change(watch: Make) -> None:
    """Busy once, free once, with since, last heard and level."""
    w = watch()
    w.setup()
    w.sweeps(3)
    up_s = w.at_s
    w.sweeps(4, [(CH16, -70.0)])
    free_s = w.at_s
    w.sweeps(3)
    news = [output.channels for output in w.outputs if output.channels]
    assert [list(n) for n in news] == [["16"], ["16"]]
    busy, free = news[0]["16"], news[1]["16"]
    assert (busy["busy"], busy["since_s"]) == (True, up_s)
    assert (free["busy"], free["since_s"]) == (False, free_s)
    assert free["last_heard_s"] == free_s - 2.0
    assert free["level_dbm"] == pytest.approx(-70.0, abs=0.1)
    assert w.outputs[6].summary["busy"] == ["16"]


def test_a_strong_neighbour_does_not_make_a_channel_busy(watch: Make) -> None:
    """The RBW's skirt reaches into channel 67 from 08; plain hits are counted beside."""
    w = watch()
    w.setup()
    w.sweeps(5)
    w.sweeps(20, [(156.4e6, -50.0)])
    figures = w.hour_figures()
    assert channel_figures(figures, "08")["hits"] == 20
    neighbour = channel_figures(figures, "67")
    assert neighbour["hits"] == 0
    assert neighbour["hits_with_neighbours"] == 20
    assert channel_figures(figures, "16")["hits_with_neighbours"] == 0


def test_hourly_occupancy_is_what_was_sent(watch: Make) -> None:
    """FCO with its Wilson interval, SRO over the channels, FBO over the cells, coverage."""
    w = watch()
    w.setup()
    w.sweeps(150)
    w.sweeps(50, [(CH16, -70.0)])
    w.step(GapSeen(from_s=w.at_s, to_s=w.at_s + 98.0, count=50, reason="overrun"))
    figures = w.hour_figures()
    ch16 = channel_figures(figures, "16")
    assert (ch16["hits"], ch16["visits"], ch16["fco"]) == (50, 200, 0.25)
    assert ch16["fco_low"] == pytest.approx(0.1949, abs=1e-3)
    assert ch16["fco_high"] == pytest.approx(0.3144, abs=1e-3)
    assert figures["sro"] == pytest.approx(0.25 / 11)
    assert 0 < figures["fbo"] < 0.25 * 10 / 401
    assert (figures["stored"], figures["due"], figures["coverage"]) == (200, 250, 0.8)
    assert figures["floor_median_dbm"] == pytest.approx(-110.0, abs=0.2)
    assert len(figures["hold"]["frequency_hz"]) == 401
    assert max(figures["hold"]["largest_dbm"]) == pytest.approx(-70.0, abs=0.1)
    mean = figures["hold"]["mean_dbm"][160]
    assert mean == pytest.approx(-70.0 - 6.02, abs=0.1)


def test_the_next_hour_counts_anew(watch: Make) -> None:
    """What was counted is gone with the hour; a signal that stays is not told again."""
    w = watch()
    w.at_s += 3580.0
    w.setup()
    w.sweeps(10, [(CH16, -70.0)])
    w.step(HourTurned(hour_start_s=w.at_s - 3600.0, hour_end_s=w.at_s))
    w.sweeps(10, [(CH16, -70.0)])
    figures = w.hour_figures()
    assert figures["stored"] == 10
    assert channel_figures(figures, "16")["hits"] == 10
    assert [f.what for f in w.findings] == ["signal_appeared"]


def test_every_turn_makes_exactly_one_record(watch: Make) -> None:
    """Also without a setup, and for an hour in which nothing was swept."""
    w = watch()
    assert w.hour_figures() == {}
    w.step(GapSeen(from_s=w.at_s, to_s=w.at_s + 10.0, count=6, reason="station down"))
    assert w.hour_figures() == {"stored": 0, "due": 6, "coverage": 0.0}
    w.setup()
    assert w.hour_figures()["coverage"] is None


def test_a_gap_is_spread_over_the_hours_it_fell_in() -> None:
    """Due times are even from first to last; nothing is lost or counted twice."""
    gap = GapSeen(from_s=3600.0 - 10.0, to_s=3600.0 * 3 + 8.0, count=3610, reason="station down")
    missed = add_missed((), gap)
    assert missed == ((0, 5), (1, 1800), (2, 1800), (3, 5))
    again = add_missed(missed, GapSeen(from_s=7200.0, to_s=7200.0, count=1, reason="overrun"))
    assert dict(again)[2] == 1801
    year = GapSeen(from_s=0.0, to_s=365 * 86400.0, count=1000, reason="station down")
    assert sum(count for _, count in add_missed((), year)) == 1000
    assert len(add_missed((), year)) <= 24 * 40


def test_coverage_in_a_summary_is_of_the_hour_so_far(watch: Make) -> None:
    """Stored over due since the turn."""
    w = watch()
    w.setup()
    w.sweeps(3)
    w.step(GapSeen(from_s=w.at_s, to_s=w.at_s, count=1, reason="overrun"))
    w.at_s += 2.0
    summary = w.sweep().summary
    assert (summary["stored"], summary["due"], summary["coverage"]) == (4, 5, 0.8)


# --- flags, holes, units --------------------------------------------------------------------------


def test_repeated_sweeps_are_stored_but_do_not_listen(watch: Make) -> None:
    """A frozen sweeper's busy channel does not go on being busy, nor quiet channels quiet."""
    w = watch()
    w.setup()
    w.sweeps(5, [(CH16, -70.0)])
    frozen = w.events[-1].level
    w.sweep(level=frozen, flags=SweepFlag.REPEATED)
    assert w.outputs[-1].summary["listening"] is False
    figures = w.hour_figures()
    assert (figures["stored"], figures["listened"], figures["repeated"]) == (6, 5, 1)
    assert channel_figures(figures, "16")["visits"] == 5


def test_a_sweeper_frozen_for_long_ends_what_was_up(watch: Make) -> None:
    """As a gap would."""
    w = watch()
    w.setup()
    w.sweeps(5, [(CH16, -70.0)])
    frozen = w.events[-1].level
    for _ in range(40):
        w.sweep(level=frozen, flags=SweepFlag.REPEATED)
    assert [f.what for f in w.findings] == ["signal_appeared", "deaf", "signal_ended"]
    assert w.findings[-1].figures["ended_by"] == "the job went deaf"


def test_a_hole_in_a_sweep_costs_only_its_channels(watch: Make) -> None:
    """NaN where a hop failed: no visit for channels in it, all else as ever, JSON clean."""
    w = watch()
    w.setup()
    w.sweeps(10)
    level = w.level([(CH16, -70.0)])
    level[60:100] = np.nan
    output = w.sweep(level=level, flags=SweepFlag.NOT_FINITE | SweepFlag.HOP_FAILED)
    json.dumps(output.summary, allow_nan=False)
    assert output.summary["busy"] == ["16"]
    figures = w.hour_figures()
    assert channel_figures(figures, "06")["visits"] == 10
    assert channel_figures(figures, "08")["visits"] == 10
    assert channel_figures(figures, "16")["visits"] == 11
    assert figures["not_finite"] == 1
    assert figures["hold"]["sweeps"] == 11


def test_a_sweep_of_nothing_is_survived(watch: Make) -> None:
    """All NaN: no floor, no visit, no finding; the signal that was up is not ended by it."""
    w = watch()
    w.setup()
    w.sweeps(10, [(CH16, -70.0)])
    output = w.sweep(level=np.full(401, np.nan), flags=SweepFlag.NOT_FINITE)
    json.dumps(output.summary, allow_nan=False)
    assert output.summary["floor_dbm"] is None
    assert output.values == {}
    assert math.isnan(output.columns["floor_dbm"])
    w.sweep([(CH16, -70.0)])
    assert [f.what for f in w.findings] == ["signal_appeared"]
    assert channel_figures(w.hour_figures(), "16")["visits"] == 11


def test_overload_is_counted(watch: Make) -> None:
    """What the sweeper itself reports is in the hour's figures."""
    w = watch()
    w.setup()
    w.sweep(flags=SweepFlag.OVERLOAD)
    assert w.hour_figures()["overload"] == 1


@pytest.mark.parametrize(
    ("unit", "suffix"),
    [(LevelUnit.DBM, "dbm"), (LevelUnit.DBUV, "dbuv"), (LevelUnit.DBFS, "dbfs")],
)
def test_names_carry_the_unit_of_the_sweep(watch: Make, unit: LevelUnit, suffix: str) -> None:
    """Columns, values, summary, findings and channels all end in it."""
    w = watch()
    w.setup(unit=unit)
    w.sweeps(5)
    output = w.sweep([(CH16, -70.0)])
    assert {f"floor_{suffix}", f"threshold_{suffix}", f"peak_{suffix}"} <= set(output.columns)
    assert {f"floor_{suffix}", f"strongest_{suffix}"} <= set(output.values)
    assert output.summary["unit"] == unit.value
    assert f"weakest_level_seen_{suffix}" in output.summary
    assert f"level_{suffix}" in output.channels["16"]
    assert f"peak_{suffix}" in output.findings[0].figures
    assert unit.value in output.findings[0].text


def test_digits_do_without_decibels(watch: Make) -> None:
    """A detector's digits: floor, signals and findings; no power, no N, no dB in the names."""
    w = watch(false_alarm=None, margin_db=15.0)
    w.setup(unit=LevelUnit.DIGIT, detector=None)
    for i in range(12):
        level = np.round(w.rng.normal(120.0, 2.0, size=401))
        level[160] += 40.0 if i == 11 else 0.0
        output = w.sweep(level=level)
    assert output.columns["floor_digit"] == pytest.approx(118.0, abs=1.0)
    assert output.summary["averages"] is None
    assert output.summary["signals"][0]["power_digit"] is None
    assert "not in decibels" in output.summary["signal_power_refused"]
    assert not [name for name in output.summary if name.endswith(("_db", "_dbm"))] or (
        [name for name in output.summary if name.endswith(("_db", "_dbm"))] == ["level_accuracy_db"]
    )
    assert output.findings[0].text.endswith("digits at the aerial socket")


def test_complex_ratios_are_refused(watch: Make) -> None:
    """A band has levels; what has none says so instead of guessing."""
    with pytest.raises(UnitMismatch, match="kind band needs"):
        watch().setup(unit=LevelUnit.RATIO)


def test_sweeps_that_do_not_fit_are_refused(watch: Make) -> None:
    """Before any setup, or of another length."""
    w = watch()
    with pytest.raises(ValueError, match="before any setup"):
        w.sweep()
    w.setup()
    with pytest.raises(ValueError, match="expected 401 levels"):
        w.sweep(level=np.zeros(400))


@pytest.mark.parametrize("points", [1, 2, 5, 33])
def test_tiny_sweeps_work(watch: Make, points: int) -> None:
    """A few points are measured as far as that goes."""
    w = watch(points=points)
    w.setup()
    w.sweeps(40)
    output = w.sweep(level=np.full(points, -30.0))
    json.dumps(output.summary, allow_nan=False)
    assert output.summary["peak_dbm"] == -30.0


def test_uneven_axis_with_duplicates_works(watch: Make) -> None:
    """A real receiver's axis: falling, uneven, with duplicates; levels come in rising order."""
    axis = np.concatenate((np.linspace(158e6, 157e6, 50), np.linspace(157e6, 156e6, 150)))
    grid = Grid.from_axis(np.concatenate((axis, [156e6, 156e6])))
    w = watch(frequency_hz=grid.frequency_hz, rbw_hz=20e3)
    w.setup()
    w.sweeps(10)
    w.sweep([(CH16, -60.0)])
    assert [f.figures["channel"] for f in w.findings] == ["16"]


# --- settings, passes, purity ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"false_alarm": None}, "one of false_alarm and margin_db"),
        ({"false_alarm": 0.5}, "false_alarm"),
        ({"margin_db": -1.0}, "margin_db"),
        ({"floor": "round"}, "floor must be"),
        ({"averages": 0.0}, "averages"),
        ({"closing_db": -1.0}, "closing_db"),
        ({"flapping_s": math.nan}, "flapping_s"),
    ],
)
def test_impossible_settings_are_refused(settings: dict[str, Any], words: str) -> None:
    """The field and what is accepted are named."""
    with pytest.raises(ValueError, match=words):
        BandSettings(**settings)


def test_margin_and_false_alarm_take_the_higher_threshold(watch: Make) -> None:
    """Both wishes are kept."""
    for settings, over_db in (
        ({"margin_db": 20.0}, 20.0),
        ({"margin_db": 0.5, "averages": 10.0, "false_alarm": 1e-4}, 4.182),
    ):
        w = watch(**settings)
        w.setup()
        summary = w.sweep().summary
        assert summary["threshold_dbm"] - summary["floor_dbm"] == pytest.approx(over_db, abs=2e-3)


def test_a_pass_asks_as_often_as_it_should() -> None:
    """The same request each time, every one of them due; nobody looks at the answers."""
    request = SweepRequest(start_hz=1.0, stop_hz=2.0, points=2)
    assert list(band_pass(request, 3)) == [PassStep(request=request)] * 3


def test_a_step_leaves_the_state_it_was_given(watch: Make) -> None:
    """Two steps from one state give the same, and the state dumps as before."""
    w = watch()
    w.setup()
    w.sweeps(40, [(CH16, -70.0)])
    before = w.meter.dump(w.state)
    event = sweep_event(w.level(), seq=99, at_s=w.at_s)
    one, first = w.meter.step(w.state, event)
    other, second = w.meter.step(w.state, event)
    assert w.meter.dump(w.state) == before
    assert w.meter.dump(one) == w.meter.dump(other) != before
    assert first == second


def test_a_state_of_another_plan_begins_its_counts_anew(watch: Make, plan: ChannelPlan) -> None:
    """The plan was edited: channel counts cannot be carried over, the floor can."""
    w = watch()
    w.setup()
    w.sweeps(20, [(CH16, -70.0)])
    more = (*plan.channels, Channel(name="new", centre_hz=157.5e6, width_hz=25e3))
    edited = ChannelPlan(name="x", title="x", edition="x", channels=more)
    state = BandMeter(BandSettings(channels=edited)).load(w.meter.dump(w.state))
    assert state.hour.hits.size == 12
    assert state.watch == w.state.watch
    assert state.tracks == ()


def test_foreign_states_are_refused(watch: Make) -> None:
    """A state of another meter or version does not load."""
    with pytest.raises(ValueError, match="not a meter state"):
        watch().meter.load(b"nothing of ours")
