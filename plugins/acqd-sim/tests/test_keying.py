"""When emissions are on: pure in time, right in the mean."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from acqd_sim.keying import Always, Bursts, Keying, Quiet, Slots

T0 = 1_780_000_000.0

VOICE = Bursts(key=11, mean_on_s=5.0, mean_off_s=20.0, min_on_s=1.0, spread_db=4.0)
AIS = Slots(key=12, slot_s=0.0266667, duty_fraction=0.1, fill_fraction=0.9, spread_db=3.0)
KINDS = pytest.mark.parametrize("keying", [Always(), VOICE, AIS], ids=["always", "bursts", "slots"])


@KINDS
def test_any_instant_can_be_asked_alone(keying: Keying) -> None:
    """One by one, backwards or all at once: the same answer."""
    at_s = T0 + np.sort(np.random.default_rng(1).uniform(0, 4000, 300))
    whole = keying.gain(at_s)
    assert np.array_equal(whole[::-1], keying.gain(at_s[::-1]))
    assert np.array_equal(whole, [keying.gain(at_s[i : i + 1])[0] for i in range(at_s.size)])
    assert np.array_equal(whole.reshape(30, 10), keying.gain(at_s.reshape(30, 10)))


@KINDS
def test_gain_agrees_with_the_intervals(keying: Keying) -> None:
    """On exactly where the list says so, and as strong."""
    at_s = T0 + np.linspace(0.0003, 599.99, 7001)
    listed = np.zeros_like(at_s)
    for on in keying.intervals(T0, T0 + 600.0):
        inside = (at_s >= on.start_s) & (at_s < on.stop_s)
        listed[inside] = 10.0 ** (on.gain_db / 10.0)
    assert keying.gain(at_s) == pytest.approx(listed, rel=1e-9)


@KINDS
def test_intervals_are_cut_to_the_question_and_in_order(keying: Keying) -> None:
    """Nothing outside the stretch asked for, nothing overlapping."""
    found = keying.intervals(T0 + 3.3, T0 + 203.3)
    assert found
    edges = np.array([(on.start_s, on.stop_s) for on in found]).ravel()
    assert (np.diff(edges) >= 0).all()
    assert edges[0] >= T0 + 3.3
    assert edges[-1] <= T0 + 203.3


def test_bursts_have_their_mean_times_and_share() -> None:
    """Over 40,000 cycles: mean on and off times within 3 %, no burst below the least on time."""
    keying = Bursts(key=5, mean_on_s=3.0, mean_off_s=9.0, min_on_s=0.5)
    found = keying.intervals(T0, T0 + 480_000.0)[1:-1]
    on_s = np.array([on.stop_s - on.start_s for on in found])
    off_s = np.array([b.start_s - a.stop_s for a, b in pairwise(found)])
    assert on_s.mean() == pytest.approx(3.0, rel=0.03)
    assert off_s.mean() == pytest.approx(9.0, rel=0.03)
    assert on_s.min() >= 0.5 - 1e-6
    # the off times are exponential: as many standard deviations as means
    assert off_s.std() == pytest.approx(9.0, rel=0.05)


def test_since_counts_from_the_start_of_the_burst() -> None:
    """The age of a burst at an instant within it."""
    on = VOICE.intervals(T0, T0 + 600.0)[1]
    at_s = np.array([on.start_s + 0.25, on.stop_s - 0.01])
    expected = [0.25, on.stop_s - 0.01 - on.start_s]
    assert VOICE.since(at_s) == pytest.approx(expected, abs=1e-5)


def test_quiet_hours_thin_the_bursts() -> None:
    """At night only the stated share is left; by day nothing is missing."""
    quiet = Quiet(start_h=22.0, stop_h=6.0, share=0.25)
    plain = Bursts(key=9, mean_on_s=2.0, mean_off_s=18.0)
    thinned = Bursts(key=9, mean_on_s=2.0, mean_off_s=18.0, quiet=quiet)
    midnight = 1_780_012_800.0
    night = (midnight, midnight + 6 * 3600.0)
    day = (midnight + 7 * 3600.0, midnight + 13 * 3600.0)
    assert thinned.intervals(*day) == plain.intervals(*day)
    share = len(thinned.intervals(*night)) / len(plain.intervals(*night))
    assert share == pytest.approx(0.25, abs=0.05)


def test_slots_are_taken_with_their_duty_and_start_on_the_clock() -> None:
    """A tenth of the slots, each begun at a multiple of the slot time."""
    found = AIS.intervals(T0, T0 + 1000.0)
    assert len(found) / (1000.0 / AIS.slot_s) == pytest.approx(0.1, rel=0.05)
    phase = np.array([on.start_s / AIS.slot_s for on in found[1:]])
    assert phase == pytest.approx(np.rint(phase), abs=1e-4)
    assert found[1].stop_s - found[1].start_s == pytest.approx(0.9 * AIS.slot_s, abs=1e-6)


def test_levels_differ_from_burst_to_burst_within_bounds() -> None:
    """Each burst has a level of its own, cut at 2.5 standard deviations."""
    level_db = np.array([on.gain_db for on in VOICE.intervals(T0, T0 + 50_000.0)])
    assert level_db.std() == pytest.approx(4.0, rel=0.15)
    assert np.abs(level_db).max() <= 10.0 + 1e-9


def test_too_long_a_question_is_refused() -> None:
    """A year of slots would be a hundred million entries."""
    with pytest.raises(ValueError, match="ask for less"):
        AIS.intervals(T0, T0 + 3e7)
