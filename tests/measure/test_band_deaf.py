"""A band that nobody hears: noticed by levels, floor and witnesses, and set back to when it was."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from acqd.measure.band import BandMeter
from acqd.measure.band_ears import CONFIRM_MOST_S
from acqd.measure.band_floor import BLOCK, LOW_S, PAST_LEAST_S, FloorPast, with_block
from acqd.measure.deafness import FROZEN_S, Cause
from acqd.measure.meter import FindingDraft, HourTurned
from acqd.measure.witness import Witness
from acqd.sweep import SweepFlag

Make = Callable[..., Any]
CH16 = 156.8e6
BEACON = 157.6e6
NAMED = (Witness(name="the beacon", within_s=600.0, frequency_hz=BEACON),)


def told(w: Any, *words: str) -> list[FindingDraft]:
    return [one for one in w.findings if one.what in (words or ("deaf", "hears_again"))]


def beacon(w: Any, sweeps: int, *, every: int = 30, **how: Any) -> None:
    """Sweeps of which every so many hears the beacon, the first of them too."""
    for number in range(sweeps):
        w.sweep([(BEACON, -80.0)] if number % every == 0 else (), **how)


def turn(w: Any) -> dict[str, Any]:
    """The hour of the last sweep turns."""
    start_s = (w.at_s - w.interval_s) // 3600 * 3600
    output = w.step(HourTurned(hour_start_s=start_s, hour_end_s=start_s + 3600))
    return dict(output.hourly[0].figures)


# --- frozen ---------------------------------------------------------------------------------------


def freeze(w: Any, sweeps: int, *, flags: SweepFlag = SweepFlag.REPEATED) -> None:
    last = w.events[-1].level
    for _ in range(sweeps):
        w.sweep(level=last, flags=flags)


def test_a_frozen_sweeper_is_noticed_and_backdated(watch: Make) -> None:
    """To its last sweep that brought anything new; half a minute later."""
    w = watch()
    w.setup()
    w.sweeps(20)
    last = w.events[-1]
    freeze(w, 40)
    (deaf,) = told(w)
    assert deaf.what == "deaf"
    assert deaf.at_s == deaf.figures["from_s"] == last.started_s
    assert deaf.figures["cause"] == "frozen"
    assert deaf.figures["noticed_s"] == pytest.approx(last.started_s + FROZEN_S, abs=2.0)
    assert deaf.text == (
        "deaf, by now for 30 s: 15 sweeps brought levels that had been there before, bit for bit: "
        "the sweeper answers and does not measure. What was swept since does not count as "
        "listened; switch it off and on"
    )
    summary = w.outputs[-1].summary
    assert summary["listening"] is False
    assert summary["not_listening"].startswith("deaf: 15 sweeps brought levels")
    assert summary["weakest_level_seen_dbm"] is None
    assert summary["shortest_surely_caught_s"] is None
    w.sweeps(3)
    (_, again) = told(w)
    assert again.text == "hears again: the levels are new ones again; it was deaf for 1 min 24 s"
    assert w.outputs[-1].summary["listening"] is True


def test_a_sweeper_that_alternates_between_old_sweeps_is_frozen(watch: Make) -> None:
    """No sweep equals the one before it, and none is new."""
    w = watch()
    w.setup()
    w.sweeps(20)
    pair = [one.level for one in w.events[-2:]]
    for number in range(40):
        w.sweep(level=pair[number % 2])
    (deaf,) = told(w)
    assert deaf.figures["cause"] == "frozen"
    assert turn(w)["deaf"] == 40


def test_one_that_measures_more_slowly_than_it_is_asked_is_not_frozen(watch: Make) -> None:
    """A new sweep in every three: the others are left out, and nobody is woken."""
    w = watch()
    w.setup()
    for _ in range(60):
        w.sweep()
        freeze(w, 2)
    assert told(w) == []
    assert turn(w)["listened"] == 60


def test_sweeps_that_may_repeat_are_listened_to(watch: Make) -> None:
    """A recording that goes round, as the config says of its sweeper."""
    w = watch(may_repeat=True)
    w.setup()
    w.sweeps(20)
    freeze(w, 40)
    assert told(w) == []
    assert turn(w)["listened"] == 60


def test_few_points_on_a_coarse_scale_may_be_the_same_by_chance(watch: Make) -> None:
    """Four points of much averaged noise in whole decibels."""
    w = watch(points=4, noise_averages=400.0)
    w.setup(resolution=1.0)
    for _ in range(80):
        w.sweep(level=np.rint(w.level()), flags=SweepFlag.REPEATED if w.seq else SweepFlag(0))
    assert told(w) == []


@pytest.mark.parametrize("points", [401, 10_001])
def test_noise_finer_than_the_scale_may_be_the_same(watch: Make, points: int) -> None:
    """Much averaged, in whole decibels: nearly all levels are the same number."""
    w = watch(points=points, noise_averages=1300.0, rbw_hz=200.0)
    w.setup(resolution=1.0)
    same = 0
    for _ in range(80):
        w.sweep(level=np.rint(w.level()))
        same += w.state.ears.bits.run > 0
    assert same > 70
    assert told(w) == []


# --- witnesses ------------------------------------------------------------------------------------


def test_a_silent_witness_makes_the_job_deaf_since_it_was_heard(watch: Make) -> None:
    """Ten minutes later, back to its last call; what was counted since is taken back."""
    w = watch(witnesses=NAMED)
    w.setup()
    beacon(w, 300)
    last_s = w.events[-30].started_s
    w.sweeps(310)
    (deaf,) = told(w)
    assert deaf.figures["from_s"] == deaf.at_s == last_s
    assert deaf.figures["noticed_s"] == pytest.approx(last_s + 600.0, abs=2.1)
    assert deaf.figures["cause"] == "witnesses"
    assert deaf.figures["sweeps"] == 301
    assert deaf.text.startswith(
        "deaf, by now for 10 min 2 s: nothing of the beacon (within 10 min), which should be "
        "heard in that time."
    )
    figures = turn(w)
    assert (figures["stored"], figures["listened"]) == (610, 271)
    assert figures["deaf"] == 339
    beacon(w, 1)
    (_, again) = told(w)
    assert again.what == "hears_again"
    assert again.text.startswith("hears again: the beacon was heard; it was deaf for 11 min")


def test_a_witness_that_was_never_heard_is_missed_from_the_beginning(watch: Make) -> None:
    """A cable that was off when the watch began."""
    w = watch(witnesses=NAMED)
    w.setup()
    first_s = w.at_s
    w.sweeps(320)
    (deaf,) = told(w)
    assert deaf.at_s == first_s
    assert turn(w)["listened"] == 0


def test_all_witnesses_have_to_be_silent(watch: Make) -> None:
    """One of two goes on calling."""
    silent = Witness(name="the other", within_s=300.0, frequency_hz=156.3e6)
    w = watch(witnesses=(*NAMED, silent))
    w.setup()
    beacon(w, 900)
    assert told(w) == []
    w.sweeps(400)
    (deaf,) = told(w)
    assert "any witness that should be heard: the beacon (within 10 min), the other" in deaf.text


def test_time_that_nobody_listened_is_no_silence(watch: Make) -> None:
    """Half an hour in which the transmitter was keyed, and one in which nothing was swept."""
    w = watch(witnesses=NAMED)
    w.setup()
    beacon(w, 31)
    w.sweeps(900, flags=SweepFlag.TRANSMITTING)
    w.at_s += 1800.0
    w.sweeps(280)
    assert told(w) == []
    w.sweeps(30)
    assert len(told(w, "deaf")) == 1


def test_time_between_keyed_sweeps_is_no_silence(watch: Make) -> None:
    """Of three sweeps two are keyed, for half an hour: ten minutes of it were listened to."""
    w = watch(witnesses=NAMED)
    w.setup()
    beacon(w, 1)
    for _ in range(290):
        w.sweeps(2, flags=SweepFlag.TRANSMITTING)
        w.sweep()
    assert told(w) == []
    for _ in range(15):
        w.sweeps(2, flags=SweepFlag.TRANSMITTING)
        w.sweep()
    assert len(told(w, "deaf")) == 1


def test_channels_are_unknown_while_nobody_hears(watch: Make) -> None:
    """Neither busy nor free, from when it was last known; told anew when it hears again."""
    w = watch(witnesses=NAMED)
    w.setup()
    beacon(w, 31)
    w.sweeps(30, [(CH16, -70.0)])
    w.sweeps(320)
    news = [(i, o.channels["16"]) for i, o in enumerate(w.outputs) if "16" in o.channels]
    last = news[-1][1]
    assert last["known"] is False
    (deaf,) = told(w)
    assert last["since_s"] == deaf.figures["from_s"]
    assert w.meter.channel_states(w.state)["16"]["known"] is False
    beacon(w, 1)
    assert w.outputs[-1].channels["16"]["known"] is True


def test_hours_that_had_turned_are_corrected(watch: Make) -> None:
    """With the next hour, and at once for who looks on; the long run knows only what was heard."""
    w = watch(witnesses=NAMED)
    w.at_s += 1800.0
    w.setup()
    beacon(w, 761, every=60)
    heard_s = next(e.started_s for e in reversed(w.events) if e.seq % 60 == 1)
    w.sweeps(int((w.at_s // 3600 * 3600 + 3600 - w.at_s) // w.interval_s))
    wrong = turn(w)
    assert "corrects" not in wrong
    w.sweeps(300)
    (deaf,) = told(w)
    assert deaf.figures["from_s"] == heard_s
    (at,) = [i for i, output in enumerate(w.outputs) if output.summary and output.hourly]
    (hour,) = w.outputs[at].hourly
    assert hour.hour_start_s == heard_s // 3600 * 3600
    right = hour.figures
    listened = round((heard_s - w.events[1].started_s) / w.interval_s) + 1
    assert right["listened"] == listened < wrong["listened"]
    assert right["stored"] == wrong["stored"]
    assert right["deaf"] == wrong["stored"] - listened
    figures = turn(w)
    (corrected,) = figures["corrects"]
    assert corrected["figures"] == json.loads(json.dumps(right))
    assert figures["listened"] == 0
    channel = next(one for one in figures["channels"] if one["channel"] == "16")
    assert channel["total_visits"] == listened


def test_overload_checks_stay_with_the_hour_that_they_are_of(watch: Make) -> None:
    """In the corrected hour those of that hour, and in the running one none is lost."""
    w = watch(witnesses=NAMED)
    w.at_s = w.at_s // 3600 * 3600 + 3300.0
    w.setup()
    beacon(w, 1)
    w.sweeps(149)
    w.state = replace(w.state, check=replace(w.state.check, checks=3, counts=(3, 0, 0, 0, 0)))
    assert turn(w)["overload_check"]["checks"] == 3
    w.state = replace(w.state, check=replace(w.state.check, checks=5, counts=(5, 0, 0, 0, 0)))
    w.sweeps(200)
    (hour,) = (one for output in w.outputs if output.summary for one in output.hourly)
    assert hour.figures["overload_check"]["checks"] == 3
    assert turn(w)["overload_check"]["checks"] == 5


def test_a_state_goes_through_a_checkpoint_in_the_middle_of_it(watch: Make) -> None:
    """In doubt, deaf, and hearing again: the same findings, figures and bytes."""
    w, kept = watch(witnesses=NAMED), watch(witnesses=NAMED)
    for one in (w, kept):
        one.rng = np.random.default_rng(3)
        one.at_s += 3000.0
    script: list[Callable[[Any], Any]] = [
        lambda one: one.setup(),
        lambda one: beacon(one, 100),
        lambda one: one.sweeps(150, [(CH16, -75.0)]),
        lambda one: turn(one),
        lambda one: one.sweeps(200),
        lambda one: one.sweeps(100),
        lambda one: beacon(one, 40),
        lambda one: one.sweeps(3),
    ]
    for step in script:
        step(w)
        step(kept)
        fresh = BandMeter(kept.meter.settings)
        kept.state = fresh.load(kept.meter.dump(kept.state))
        kept.meter = fresh
    assert [o.summary for o in w.outputs] == [o.summary for o in kept.outputs]
    assert w.findings == kept.findings
    assert len(told(w)) == 2
    assert w.meter.dump(w.state) == kept.meter.dump(kept.state)


# --- the floor ------------------------------------------------------------------------------------

HOUR = int(PAST_LEAST_S / 2.0) + 60
"""Sweeps after which a job has a past."""


def test_a_cable_that_falls_off_is_noticed_by_the_floor(watch: Make) -> None:
    """Twelve decibels at once, below all that was ever seen; nothing was heard before either."""
    w = watch(points=201, noise_averages=20.0)
    w.setup()
    w.sweeps(HOUR)
    off_s = w.at_s
    w.sweeps(30, floor_db=-122.0)
    (deaf,) = told(w)
    assert deaf.figures["cause"] == "floor"
    assert deaf.figures["from_s"] == off_s - 2.0
    assert deaf.figures["noticed_s"] - off_s <= LOW_S + 2.0
    assert deaf.figures["fell_db"] == pytest.approx(12.0, abs=0.3)
    assert "the floor fell 11.9 dB at once over the whole range, to −121.9 dBm" in deaf.text
    assert "floor_fell" not in [one.what for one in w.findings]
    w.sweeps(10)
    (_, again) = told(w)
    assert again.text.startswith("hears again: the floor is back, at −1")
    assert turn(w)["floor_low_dbm"] > -111.0


def test_a_floor_of_half_a_year_ago_is_no_past() -> None:
    """Of a station that runs two hours a night: the lowest is that of the last fourteen days."""
    past, clock_s = FloorPast(), 0.0
    for night in range(60):
        for block in range(24):
            clock_s += 300.0
            at_s = 86_400.0 * night + 300.0 * block
            floors = (-120.0 if night < 10 else -110.0,) * BLOCK
            past = with_block(past, floors, at_s, clock_s, None)
    assert past.lowest == -110.0
    assert len(past.hours) == 28


def test_a_floor_that_drifts_down_is_no_sign(watch: Make) -> None:
    """Six decibels in an hour, as the weather has it."""
    w = watch(points=201, noise_averages=20.0)
    w.setup()
    w.sweeps(HOUR)
    for number in range(HOUR):
        w.sweep(floor_db=-110.0 - 6.0 * number / HOUR)
    assert told(w) == []


def test_a_source_of_noise_that_ends_is_no_deafness(watch: Make) -> None:
    """While signals come in as usual, however far the floor falls."""
    w = watch(points=201, noise_averages=20.0)
    w.setup()
    for number in range(HOUR):
        w.sweep([(CH16, -80.0)] if number % 10 == 0 else ())
    for number in range(200):
        w.sweep([(CH16, -80.0)] if number % 10 == 0 else (), floor_db=-122.0)
    assert told(w) == []
    assert "floor_fell" in [one.what for one in w.findings]


def test_an_amplifier_without_its_supply_takes_signals_along(watch: Make) -> None:
    """All falls by its 18 dB: what is heard is no longer what it was."""
    w = watch(points=201, noise_averages=20.0)
    w.setup()
    for number in range(HOUR):
        w.sweep([(CH16, -80.0)] if number % 10 == 0 else ())
    off_s = w.at_s
    for number in range(400):
        w.sweep([(CH16, -98.0)] if number % 10 == 0 else (), floor_db=-128.0)
    (deaf,) = told(w)
    assert deaf.figures["fell_db"] == pytest.approx(18.0, abs=0.3)
    assert off_s <= deaf.figures["noticed_s"] <= off_s + CONFIRM_MOST_S
    assert deaf.figures["from_s"] == off_s - 2.0


def test_a_floor_at_the_sweepers_own_is_known_by_its_noise_figure(watch: Make) -> None:
    """Before an hour has gone by: 10 dB over kT0 in 10 kHz, so −123.7 dBm."""
    w = watch(points=201, noise_averages=20.0, own_figure_db=10.0)
    w.setup()
    w.sweeps(60)
    w.sweeps(20, floor_db=-123.7)
    (deaf,) = told(w)
    assert "which is the sweeper's own (known by its stated noise figure)" in deaf.text
    assert deaf.figures["own"] is True


def test_a_job_may_be_told_that_its_floor_falls(watch: Make) -> None:
    w = watch(points=201, noise_averages=20.0, deaf_by_floor=False)
    w.setup()
    w.sweeps(HOUR)
    w.sweeps(60, floor_db=-122.0)
    assert [one.what for one in w.findings] == ["floor_fell"]


def test_a_flapping_plug_tells_no_more_than_once_in_half_a_minute(watch: Make) -> None:
    """Off and on every few seconds."""
    w = watch(points=201, noise_averages=20.0)
    w.setup()
    w.sweeps(HOUR)
    for _ in range(60):
        w.sweeps(3, floor_db=-122.0)
        w.sweeps(3)
    assert told(w) == []


def test_another_setup_ends_what_was_known(watch: Make) -> None:
    """A deafness must not last for ever because nobody can judge it any more."""
    w = watch()
    w.setup()
    w.sweeps(20)
    freeze(w, 40)
    w.setup("setup-2", attenuation_db=20.0)
    (_, again) = told(w)
    assert again.what == "hears_again"
    assert w.meter.deaf(w.state) is None


def test_what_is_deaf_is_said_by_the_meter(watch: Make) -> None:
    w = watch()
    w.setup()
    assert w.meter.deaf(w.state) is None
    w.sweeps(20)
    freeze(w, 40)
    assert w.meter.deaf(w.state).cause is Cause.FROZEN
    assert not math.isnan(w.meter.deaf(w.state).from_s)
