"""RBW, points and rhythm from channels and from what a sweeper can do."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from acqd.errors import RequestRefused, WrongUsage
from acqd.measure.bandpower import step_too_wide
from acqd.sweep import Capabilities, Detector
from acqd.tonight.ranges import Wanted, wanted_ranges
from acqd.tonight.settings import EVERY_S, every_for_s, possible_settings

SWEEPER = Capabilities(
    start_hz=100e3,
    stop_hz=960e6,
    points_min=51,
    points_max=1001,
    rbw_steps_hz=(1e3, 3e3, 10e3, 30e3, 100e3),
    detectors=(Detector.POSITIVE, Detector.SAMPLE, Detector.RMS),
)
FREE = replace(SWEEPER, rbw_steps_hz=(), detectors=(), points_min=2)


def of(*words: str) -> tuple[Wanted, ...]:
    return wanted_ranges(words, folder=Path.cwd())


@pytest.mark.parametrize(
    ("word", "rbw_hz"),
    [("marine VHF", 10e3), ("2 m", 3e3), ("air band 8.33", 3e3), ("FM", 30e3), ("868 MHz", 100e3)],
)
def test_a_channel_holds_a_few_points_and_is_apart_from_its_neighbours(
    word: str, rbw_hz: float
) -> None:
    """RBW 2/5 of a channel at the most, points half an RBW apart, a little beyond the edges."""
    (wanted,) = of(word)
    settings = possible_settings(wanted, SWEEPER)[0]
    assert settings.rbw_hz == rbw_hz
    assert settings.step_hz == rbw_hz / 2.0
    assert settings.start_hz <= wanted.start_hz - rbw_hz
    assert settings.stop_hz >= wanted.stop_hz + rbw_hz
    assert settings.request.step_hz == pytest.approx(settings.step_hz)
    assert step_too_wide(settings.step_hz, settings.rbw_hz) is None
    assert settings.detector is Detector.SAMPLE


def test_a_sweeper_that_takes_any_rbw_gets_a_round_one() -> None:
    """And one that says no detector is asked for none."""
    settings = possible_settings(of("2 m")[0], FREE)[0]
    assert (settings.rbw_hz, settings.detector) == (5e3, None)


def test_wider_rbws_come_after_for_a_sweeper_that_is_slow() -> None:
    """Up to 3/5 of a channel."""
    tried = [one.rbw_hz for one in possible_settings(of("marine VHF")[0], FREE)]
    assert tried == [10e3]
    finer = replace(SWEEPER, rbw_steps_hz=(1e3, 6e3, 12e3, 15e3, 20e3))
    assert [one.rbw_hz for one in possible_settings(of("marine VHF")[0], finer)] == [
        6e3,
        12e3,
        15e3,
    ]


def test_a_bare_range_takes_its_rbw_from_the_span() -> None:
    """About eight hundred points."""
    settings = possible_settings(of("144MHz..146MHz")[0], FREE)[0]
    assert settings.rbw_hz == 5e3
    assert 800 <= settings.points <= 830
    wide = possible_settings(of("100MHz..900MHz")[0], FREE)[0]
    assert wide.rbw_hz == 100e3


def test_a_small_range_still_has_the_points_that_a_sweeper_needs() -> None:
    """It is swept further, not more finely."""
    (wanted,) = of("156.8MHz..156.81MHz")
    settings = possible_settings(wanted, SWEEPER)[0]
    assert settings.points >= SWEEPER.points_min
    assert settings.step_hz == (settings.rbw_hz or 0.0) / 2.0


def test_the_grid_does_not_reach_beyond_the_sweeper() -> None:
    """Where the range ends with it, so does the sweep; beyond it is refused."""
    edge = replace(SWEEPER, start_hz=144e6, stop_hz=146e6)
    settings = possible_settings(of("2 m")[0], edge)[0]
    assert settings.start_hz == 144e6
    assert 146e6 - settings.step_hz < settings.stop_hz <= 146e6
    with pytest.raises(RequestRefused, match=r"Marine VHF.*limit is 144\.000 to 146\.000 MHz"):
        possible_settings(of("marine VHF")[0], edge)


def test_a_range_of_too_many_points_is_refused() -> None:
    """A sweeper with a narrow filter alone would need a million."""
    narrow = replace(SWEEPER, rbw_steps_hz=(100.0,))
    with pytest.raises(WrongUsage, match="name a narrower range"):
        possible_settings(of("100MHz..900MHz")[0], narrow)


@pytest.mark.parametrize(
    ("took_s", "every_s"),
    [((0.3,), 1.0), ((0.9,), 2.0), ((0.33, 1.13), 2.0), ((0.9, 0.9), 3.0), ((7.0, 9.0), 20.0)],
)
def test_due_times_are_round_and_leave_time_to_spare(
    took_s: tuple[float, ...], every_s: float
) -> None:
    """A fifth more than all sweeps together, at the least."""
    assert every_for_s(took_s) == every_s
    assert every_s in EVERY_S and every_s >= 1.2 * sum(took_s)


def test_a_round_longer_than_an_hour_is_refused() -> None:
    """With what to do."""
    with pytest.raises(WrongUsage, match="fewer or narrower"):
        every_for_s([4000.0])
