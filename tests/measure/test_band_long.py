"""What the band meter says of hours and days: dependent visits, the busy hour, levels."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.config.channels import load_channel_plan
from acqd.measure.band import BandMeter, BandSettings
from acqd.measure.markov import count_transitions, fit_markov, hours_more, visits_needed
from acqd.measure.meter import HourTurned
from acqd.sweep import Detector, Grid, SweepFlag
from acqd.testing.events import setup_event, sweep_event

Make = Callable[..., Any]
CH16 = 156.8e6


def of_channel(figures: dict[str, Any], name: str = "16") -> dict[str, Any]:
    return next(c for c in figures["channels"] if c["channel"] == name)


def calls(w: Any, pattern: list[bool]) -> None:
    for up in pattern:
        w.sweep([(CH16, -70.0)] if up else [])


def on_and_off(rng: np.random.Generator, visits: int) -> list[bool]:
    """On for 20 s and off for 80 s on the mean, looked at every 2 s."""
    up, found = False, []
    for leaves in rng.random(visits):
        up = leaves >= 0.1 if up else leaves < 0.025
        found.append(bool(up))
    return found


def test_the_dependent_interval_is_that_of_the_visits(watch: Make) -> None:
    """Counted sweep by sweep as all at once; wider than the plain interval, hours needed told."""
    w = watch(flapping_s=0.0)
    w.setup()
    pattern = on_and_off(w.rng, 900)
    calls(w, pattern)
    figures = w.hour_figures()
    found = of_channel(figures)
    busy = np.array(pattern)[:, None]
    fit = fit_markov(count_transitions(busy), revisit_s=2.0)
    assert found["dependence"] == pytest.approx(float(fit.factor[0]), rel=1e-5)
    assert found["mean_on_s"] == pytest.approx(20.0, rel=0.5)
    assert found["mean_on_s"] == pytest.approx(float(fit.mean_on_s[0]), rel=1e-5)
    assert found["fco_dependent_low"] < found["fco_low"]
    assert found["fco_dependent_high"] > found["fco_high"]
    share = np.array([busy.mean()])
    needed = visits_needed(share, fit.factor, relative=0.1)
    expected = hours_more(needed, np.array([900]), 2.0)
    assert found["hours_more_for_10_percent"] == pytest.approx(float(expected[0]), rel=1e-4)
    assert figures["mean_revisit_s"] == 2.0
    quiet = of_channel(figures, "06")
    assert quiet["fco_dependent_high"] is None and quiet["fco_high"] < 0.01


def test_the_long_run_goes_on_over_hours_and_setups(watch: Make) -> None:
    """Totals add up; the pair across the turn of the hour counts in the later one."""
    w = watch(flapping_s=0.0)
    w.setup()
    begin_s = w.at_s
    pattern = on_and_off(w.rng, 600)
    calls(w, pattern[:300])
    w.step(HourTurned(hour_start_s=begin_s, hour_end_s=begin_s + 3600.0))
    calls(w, pattern[300:])
    assert int(w.state.hour.moves.steps) == 300
    total = of_channel(w.hour_figures())
    assert total["total_visits"] == 600 and total["visits"] == 300
    assert total["total_fco"] == pytest.approx(np.mean(pattern), rel=1e-5)
    whole = count_transitions(np.array(pattern)[:, None])
    channel = w.meter.settings.channels.channels.index(
        next(c for c in w.meter.settings.channels.channels if c.name == "16")
    )
    kept = w.state.long_run.moves.transitions
    for name in ("free_free", "free_busy", "busy_free", "busy_busy"):
        assert getattr(kept, name)[channel] == getattr(whole, name)[0]
    w.setup("setup-2", rbw_hz=9e3)
    w.sweeps(10)
    assert of_channel(w.hour_figures())["total_visits"] == 610


def test_channels_outside_the_sweep_are_not_visited(watch: Make) -> None:
    """An hour in which only the upper half was swept says nothing of the lower one."""
    w = watch()
    w.setup(grid=Grid.from_axis(np.linspace(156.6e6, 158e6, 401)))
    w.sweeps(50)
    assert of_channel(w.hour_figures())["total_visits"] == 50
    w.setup("setup-2")
    w.sweeps(20)
    figures = w.hour_figures()
    assert of_channel(figures)["total_visits"] == 70
    assert of_channel(figures, "06")["total_visits"] == 20
    moves = w.state.long_run.moves.transitions
    number = [c.name for c in w.meter.settings.channels.channels].index("06")
    assert moves.pairs[number] == 19


def test_gaps_clock_steps_and_holes_break_the_chain(watch: Make) -> None:
    """Visits with nothing seen in between are no pair."""
    w = watch()
    w.setup()
    w.sweeps(10)
    w.at_s += 60.0
    w.sweeps(5)
    assert w.state.hour.moves.steps == 9 + 4
    w.sweep(flags=SweepFlag.CLOCK_STEPPED)
    assert w.state.hour.moves.steps == 13
    hole = w.level()
    hole[155:165] = np.nan
    w.sweep(level=hole)
    w.sweep()
    pairs = w.state.hour.moves.transitions.pairs
    number = [c.name for c in w.meter.settings.channels.channels].index("16")
    assert pairs[number] == 13 and pairs.max() == 15


def test_a_sweeper_that_always_comes_late_has_its_own_rhythm(watch: Make) -> None:
    """Back to back as planned, every 300 s as it went: the chain has steps of 300 s."""
    w = watch()
    w.setup(interval_s=None)
    for _ in range(20):
        w.sweep()
        w.at_s += 298.0
    moves = w.state.hour.moves
    assert moves.revisit_s == pytest.approx(300.0) and moves.steps >= 18


SLOTS = (2, 4, 12, 16, 14, 6, 2, 0)
"""Busy sweeps of 20 in each quarter hour."""


def two_hours(w: Any, counts: tuple[int, ...] = SLOTS) -> dict[str, Any]:
    for i, count in enumerate(counts):
        calls(w, [True] * count + [False] * (20 - count))
        if i % 4 == 3:
            figures = w.step(HourTurned(hour_start_s=w.at_s - 3600.0, hour_end_s=w.at_s))
    return dict(figures.hourly[0].figures)


def test_the_busy_hour_begins_at_any_quarter(watch: Make) -> None:
    """Clock hours of 42.5 and 27.5 %; the busiest hour has 60 and begins at half past."""
    w = watch(interval_s=45.0, flapping_s=0.0)
    w.setup()
    begin_s = w.at_s
    figures = two_hours(w)
    found = of_channel(figures)
    assert found["fco"] == pytest.approx(0.275)
    assert found["busy_hour_fco"] == pytest.approx(0.60)
    assert found["busy_hour_from_s"] == begin_s + 1800.0
    assert figures["busy_hour_sro"] == pytest.approx(0.60 / 11)
    assert of_channel(figures, "06")["busy_hour_fco"] == 0.0


def test_the_busy_hour_is_of_the_day(watch: Make) -> None:
    """At midnight it begins anew, and an hour across midnight is none of either."""
    w = watch(interval_s=45.0, flapping_s=0.0)
    w.at_s = w.at_s // 86_400.0 * 86_400.0 + 22 * 3600.0
    w.setup()
    before = two_hours(w)
    midnight_s = w.at_s
    after = two_hours(w, (4, 4, 4, 4, 0, 0, 0, 0))
    assert of_channel(before)["busy_hour_fco"] == pytest.approx(0.60)
    assert of_channel(after)["busy_hour_fco"] == pytest.approx(0.20)
    assert of_channel(after)["busy_hour_from_s"] == midnight_s


def test_a_quarter_that_was_hardly_watched_makes_no_busy_hour(watch: Make) -> None:
    """Three of twenty visits in one of them: nobody knows how busy that hour was."""
    w = watch(interval_s=45.0, flapping_s=0.0)
    w.setup()
    for i in range(4):
        w.sweeps(3 if i == 1 else 20)
        w.at_s += 17 * 45.0 if i == 1 else 0.0
    output = w.step(HourTurned(hour_start_s=w.at_s - 3600.0, hour_end_s=w.at_s))
    figures = dict(output.hourly[0].figures)
    assert of_channel(figures)["busy_hour_fco"] is None
    assert figures["busy_hour_sro"] is None and figures["busy_hour_from_s"] is None


def test_levels_of_the_hour_are_those_of_the_sweeps(watch: Make) -> None:
    """Percentiles per frequency against NumPy, the share above each level of all readings."""
    w = watch()
    w.setup()
    taken = []
    for i in range(150):
        level = w.level([(CH16, -70.0)] if i % 10 == 0 else [])
        taken.append(level)
        w.sweep(level=level)
    levels = w.hour_figures()["levels"]
    exact = np.quantile(np.array(taken), [0.99, 0.9, 0.5, 0.1, 0.01], axis=0)
    for name, row in zip(("l1", "l10", "l50", "l90", "l99"), exact, strict=True):
        found = np.array(levels[f"{name}_dbm"])
        assert found.shape == (401,)
        if name != "l10":  # where a call of every tenth sweep begins
            assert np.abs(found - row).max() < 1.0
    assert levels["readings"] == 150 * 401 and levels["beyond_classes"] == 0
    assert levels["vd_db"] is None
    at, share = np.array(levels["apd_dbm"]), np.array(levels["apd_share"])
    readings = np.array(taken).ravel()
    for level, above in list(zip(at, share, strict=True))[::7]:
        assert above == pytest.approx(np.mean(readings > level), abs=1e-4)


def test_single_samples_show_how_impulsive_the_noise_is(watch: Make) -> None:
    """1.05 dB for white noise, only where the detector samples."""
    w = watch(noise_averages=1.0)
    w.setup(detector=Detector.SAMPLE, averages=1)
    w.sweeps(300)
    assert np.mean(w.hour_figures()["levels"]["vd_db"]) == pytest.approx(1.05, abs=0.03)


def test_long_sweeps_are_counted_in_turns(watch: Make) -> None:
    """Ten thousand points: every fifth each time, all of them in the end, memory bounded."""
    w = watch(points=10_001)
    w.setup()
    w.sweeps(10)
    levels = w.hour_figures()["levels"]
    assert levels["readings"] == 2 * 10_001
    assert len(levels["l50_dbm"]) == 512
    assert np.mean(levels["l50_dbm"]) == pytest.approx(-110.1, abs=0.2)


@pytest.mark.parametrize(
    ("flag", "counted"),
    [
        (SweepFlag.TRANSMITTING, (5, None)),
        (SweepFlag.SET_ASIDE, (0, 5)),
        (SweepFlag.SET_ASIDE | SweepFlag.TRANSMITTING, (5, None)),
    ],
)
def test_what_is_heard_beside_a_keyed_transmitter_is_no_listening(
    watch: Make, flag: SweepFlag, counted: tuple[int, int | None]
) -> None:
    """Flagged sweeps are stored and counted as such, as are those that were set aside; they open
    nothing and make nothing busy."""
    w = watch(flapping_s=0.0)
    w.setup()
    for _ in range(20):
        w.sweep([])
    for _ in range(5):
        output = w.sweep([(CH16, -40.0)], flags=flag)
        assert not output.findings
        assert output.summary["listening"] is False
    for _ in range(5):
        w.sweep([])
    figures = w.hour_figures()
    assert (figures["stored"], figures["listened"]) == (30, 25)
    assert (figures["transmitting"], figures.get("set_aside")) == counted
    assert of_channel(figures)["hits"] == 0
    assert of_channel(figures)["visits"] == 25


def test_a_signal_between_channels_has_the_name_of_its_piece_and_an_s_reading() -> None:
    """2 m amateur band: a call at 144.217 MHz is in a segment, and S9 is −93 dBm there."""
    plan = load_channel_plan("amateur-2m-r1", Path.cwd())
    meter = BandMeter(BandSettings(margin_db=10.0, false_alarm=None, channels=plan))
    axis = np.arange(144.0e6, 146.0e6, 5e3)
    state, _ = meter.step(
        meter.start(),
        setup_event(axis, at_s=0.0, level_accuracy_db=1.0),
    )
    rng = np.random.default_rng(5)
    level = -120.0 + 10.0 * np.log10(rng.exponential(size=axis.size))
    level[np.argmin(np.abs(axis - 144.217e6))] = -93.0
    _, output = meter.step(state, sweep_event(level, seq=1, at_s=2.0))
    told = [one for one in output.findings if abs(float(one.figures["peak_hz"]) - 144.217e6) < 5e3]
    (finding,) = told
    assert finding.figures["channel"] is None
    assert finding.figures["segment"] and str(finding.figures["segment"]) in finding.text
    assert finding.figures["s_meter"] == "S9"
    assert finding.text.endswith("(S9)")
