"""What a plan says beforehand, held to published relations."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from acqd.measure.sweeptime import caught_share
from acqd.sweep import Detector
from acqd.tonight.foresight import (
    Gained,
    preamplifier_gain,
    range_seen,
    s_text,
    surely_caught_s,
    surely_told_s,
    words_of,
)
from acqd.tonight.ranges import Wanted
from acqd.tonight.settings import Settings, least_told_s, sweeps_told

K_T0_DBM_PER_HZ = 10.0 * math.log10(1.380649e-23 * 290.0 * 1e3)
"""Thermal noise at 290 K (the constant of the SI), in dBm in 1 Hz: −173.98."""


def ratio(level_db: float) -> float:
    return float(10.0 ** (level_db / 10.0))


# --- S units: IARU Region 1 Recommendation R.1 ----------------------------------------------------


@pytest.mark.parametrize(
    ("level_dbm", "frequency_hz", "text"),
    [
        (-93.0, 145e6, "S9 on VHF"),
        (-99.0, 156.8e6, "S8 on VHF"),
        (-141.0, 145e6, "S1 on VHF"),
        (-83.0, 433e6, "S9+10 dB on UHF"),
        (-73.0, 14.2e6, "S9 on HF"),
        (-79.0, 3.6e6, "S8 on HF"),
        (-150.0, 145e6, "below S1 on VHF"),
    ],
)
def test_s_readings_are_those_of_r1(level_dbm: float, frequency_hz: float, text: str) -> None:
    """S9 is −73 dBm below 30 MHz and −93 dBm above, 6 dB a step (IARU Region 1 R.1)."""
    assert s_text(level_dbm, frequency_hz) == text


# --- the preamplifier: Friis ----------------------------------------------------------------------


def by_friis(system_db: float, external_db: float, gain_db: float, figure_db: float) -> float:
    """By the cascade rule alone: noise temperatures of the stages over the gain before them."""
    t0 = 290.0
    external_k = t0 * (ratio(external_db) - 1.0)
    system_k = t0 * (ratio(system_db) - 1.0)
    receiver_k = system_k - external_k
    amplifier_k = t0 * (ratio(figure_db) - 1.0)
    after_k = external_k + amplifier_k + receiver_k / ratio(gain_db)
    return 10.0 * math.log10((system_k + t0) / (after_k + t0))


@pytest.mark.parametrize("system_db", [12.0, 20.0, 35.0, 45.0])
@pytest.mark.parametrize("frequency_hz", [50e6, 156.8e6, 433e6])
def test_what_a_preamplifier_gains_is_friis_rule(system_db: float, frequency_hz: float) -> None:
    """Worked out a second way, in noise temperatures."""
    floor_dbm = K_T0_DBM_PER_HZ + 10.0 * math.log10(10.645e3) + system_db
    gained = preamplifier_gain(
        floor_dbm=floor_dbm, noise_bandwidth_hz=10.645e3, frequency_hz=frequency_hz
    )
    assert gained.system_db == pytest.approx(system_db, abs=0.01)
    expected = by_friis(system_db, gained.external_db, 20.0, 3.0)
    assert gained.gain_db == pytest.approx(expected, abs=0.02)


def test_a_deaf_sweeper_gains_nearly_the_whole_amplifier() -> None:
    """35 dB of noise figure at 156.8 MHz: f = 3162; behind 20 dB and 3 dB it is 31.6 + 2.0 + 2.4
    of what a rural place brings (P.372: 67.2 − 27.7·log10 156.8 = 6.4 dB), so 19.4 dB."""
    floor_dbm = K_T0_DBM_PER_HZ + 40.0 + 35.0
    gained = preamplifier_gain(floor_dbm=floor_dbm, noise_bandwidth_hz=10e3, frequency_hz=156.8e6)
    external_db = 67.2 - 27.7 * math.log10(156.8)
    assert gained.external_db == pytest.approx(external_db, abs=0.01)
    by_hand = ratio(external_db) - 1.0 + ratio(3.0) + (3162.28 - ratio(external_db)) / 100.0
    assert gained.gain_db == pytest.approx(35.0 - 10.0 * math.log10(by_hand), abs=0.01)
    assert 19.0 < gained.gain_db < 19.9


def test_where_the_aerial_brings_the_floor_an_amplifier_gains_nothing() -> None:
    """At 3.6 MHz a rural place brings 51.8 dB (P.372), more than this floor: hardly anything."""
    floor_dbm = K_T0_DBM_PER_HZ + 40.0 + 45.0
    gained = preamplifier_gain(floor_dbm=floor_dbm, noise_bandwidth_hz=10e3, frequency_hz=3.6e6)
    assert gained.gain_db < 1.0
    assert gained.external_known


# --- words ----------------------------------------------------------------------------------------

SETTINGS = Settings(
    wanted=Wanted(name="marine-vhf", title="Marine VHF", start_hz=156e6, stop_hz=162e6),
    start_hz=155.99e6,
    stop_hz=162.06e6,
    step_hz=5e3,
    rbw_hz=10e3,
    detector=Detector.SAMPLE,
)
SUMMARY: dict[str, Any] = {
    "unit": "dBm",
    "noise": "single samples",
    "floor_dbm": -107.0,
    "floor_trusted": True,
    "threshold_dbm": -97.0,
    "weakest_level_seen_dbm": -95.2,
    "level_accuracy_db": 1.5,
    "assumed": [],
    "signals_count": 1,
    "strongest": {"channel": "16", "peak_hz": 156.8e6, "peak_dbm": -70.04},
}
TOLD = {"took_s": 0.5, "rbw_hz": 10e3}


def seen(**changed: Any) -> Any:
    return range_seen(
        SETTINGS,
        TOLD,
        {**SUMMARY, **changed},
        hops=2,
        has_preamplifier=False,
        noise_bandwidth_ratio=None,
        resolution=0.01,
    )


def test_the_plan_in_words() -> None:
    """What a watchkeeper would want to know, with the figures of the sweep."""
    swept, caught, told, weakest, preamplifier, heard = words_of(
        seen(), every_s=1.5, round_s=0.5, plane="the aerial socket"
    )
    assert swept == (
        "155.990 to 162.060 MHz, RBW 10 kHz, 1215 points in 2 hops; a sweep took 0.5 s, one is due "
        "every 1.5 s"
    )
    assert caught.startswith("a transmission of 2.0 s or more is always caught, one of 0.75 s")
    assert "3 sweeps running heard: 5.0 s or more always, less than 3 s hardly ever" in told
    assert weakest.startswith(
        "weakest level seen about −95 dBm at the aerial socket, S9 on VHF (± 1.5 dB;"
    )
    assert preamplifier.startswith("a 20 dB preamplifier at the aerial would gain about")
    assert heard == "in this one sweep 1 signal stood out: −70.0 dBm on channel 16 (156.800 MHz)"


def test_what_is_told_always_is_in_so_many_sweeps_wherever_they_fall() -> None:
    """Transmissions of all phases, against sweeps that jitter by all that the plan allows for."""
    one, every_s, round_s = seen(), 2.0, 1.4
    surely_s = surely_told_s(one, every_s=every_s, round_s=round_s)
    chance = np.random.default_rng(3)
    for _ in range(2000):
        starts_s = np.arange(12) * every_s + chance.uniform(0.0, round_s - one.took_s, 12)
        begin_s = 6.0 + chance.uniform(0.0, every_s)
        inside = (starts_s >= begin_s) & (starts_s + one.took_s <= begin_s + surely_s)
        heard_s = starts_s[inside]
        assert heard_s[-1] - heard_s[0] >= least_told_s(every_s) - 1e-9
        assert inside.sum() >= sweeps_told(every_s)


def test_seldom_sweeps_ask_for_fewer_of_them() -> None:
    """Hardly a transmission would be in three sweeps that are a minute apart."""
    assert [sweeps_told(every_s) for every_s in (1.0, 5.0, 10.0, 30.0, 60.0)] == [3, 3, 2, 2, 1]
    assert [least_told_s(every_s) for every_s in (2.0, 10.0, 60.0)] == [3.0, 5.0, 0.0]
    told = words_of(seen(), every_s=60.0, round_s=0.5, plane="x")[2]
    assert told == "whatever a single sweep heard gets a finding of its own"


def test_always_is_never_said_of_less_than_it_holds_for() -> None:
    """A revisit and all sweeps of a round; rounded up."""
    one = seen()
    assert surely_caught_s(one, every_s=2.0, round_s=1.46) == pytest.approx(3.46)
    caught = words_of(one, every_s=2.0, round_s=1.46, plane="x")[1]
    assert "3.5 s or more is always caught" in caught
    assert caught_share(3.46, 2.0) == 1.0 and "50 %" in caught


def test_nothing_is_said_of_a_preamplifier_where_nobody_can_tell() -> None:
    """With one already, with a peak detector's floor, in another unit, and with a busy band."""
    assert seen(noise="positive peak over-reads noise: floor as displayed").gained is None
    assert seen(floor_trusted=False).gained is None
    digits = {
        "unit": "digit",
        "threshold_digit": 9.0,
        "floor_digit": 4.0,
        "weakest_level_seen_digit": 12.0,
        "strongest": None,
        "signals_count": 0,
    }
    other = {key: value for key, value in SUMMARY.items() if not key.endswith("_dbm")}
    in_digits = range_seen(
        SETTINGS,
        TOLD,
        {**other, **digits},
        hops=1,
        has_preamplifier=False,
        noise_bandwidth_ratio=None,
        resolution=1.0,
    )
    assert in_digits.gained is None
    words = words_of(in_digits, every_s=1.0, round_s=0.5, plane="the aerial socket")
    assert "about 12 digit (" in words[3] and "nothing stood out" in words[-1]


def test_a_gain_that_is_none_is_said_to_be_none() -> None:
    """Rather than "about 0 dB"."""
    from dataclasses import replace

    none = Gained(gain_db=0.4, system_db=40.0, external_db=40.0, external_known=True)
    words = words_of(replace(seen(), gained=none), every_s=1.0, round_s=0.5, plane="x")
    assert "would gain hardly anything" in words[4]
