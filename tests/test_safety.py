"""Failed parts, missing pads, transmitters near an aerial, fields some way off."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.chain import Chain, ChainPart, PartKind
from acqd.safety import (
    REFLECTION_DB,
    USUAL_PADS_DB,
    coupling_at_distance,
    exposure_at_distance,
    failures,
    free_space_loss_db,
    missing_pad,
    missing_pad_text,
)

RANGE = {"start_hz": 144e6, "stop_hz": 146e6}


def pad(loss_db: float, **more: float) -> ChainPart:
    return ChainPart.flat(PartKind.PAD, f"{loss_db:g} dB pad", gain_db=-loss_db, **more)


AMPLIFIER = ChainPart.flat(PartKind.AMPLIFIER, "masthead", gain_db=20.0)
WHIP = ChainPart.flat(PartKind.ANTENNA, "lossy whip", gain_db=-3.0)


@pytest.mark.parametrize(
    ("losses_db", "arriving_dbm", "survives"),
    [
        ((20.0, 30.0), (9.9897, 19.9897), (True, False)),
        ((30.0, 30.0), (9.9897, 9.9897), (True, True)),
        ((50.0,), (39.9897,), (False,)),
        ((20.0, 20.0, 20.0), (-0.0103, -0.0103, -0.0103), (True, True, True)),
    ],
    ids=["one of two", "two halves", "all in one", "thirds"],
)
def test_each_part_fails_alone(
    losses_db: tuple[float, ...], arriving_dbm: tuple[float, ...], survives: tuple[bool, ...]
) -> None:
    """5 W and 3 dB of reserve are 39.99 dBm; what the others take from that arrives."""
    chain = Chain(tuple(pad(loss, rated_w=100.0) for loss in losses_db))
    found = failures(chain, 5.0, absolute_max_dbm=10.0, **RANGE)
    assert [f.arriving_dbm for f in found] == pytest.approx(list(arriving_dbm), abs=5e-5)
    assert tuple(f.survives for f in found) == survives
    assert [f.position for f in found] == list(range(1, len(losses_db) + 1))


def test_exactly_the_maximum_is_not_survived() -> None:
    """It has to be strictly below, also where sums of decibels are off by a bit."""
    chain = Chain((pad(20.0, rated_w=100.0), pad(13.0, rated_w=100.0), pad(0.1, rated_w=9.0)))
    found = failures(chain, 1.0, absolute_max_dbm=33.0 - 13.1, **RANGE)
    assert found[0].arriving_dbm == pytest.approx(19.9)
    assert found[0].survives is False
    again = failures(chain, 1.0, absolute_max_dbm=33.0 - 13.0, **RANGE)
    assert again[0].survives is True


def test_a_pad_that_burns_after_the_other_is_no_protection() -> None:
    """The input would live, but the 1 W pad would get the 5 W that the first one took before."""
    chain = Chain((pad(20.0, rated_w=10.0), pad(30.0, rated_w=1.0)))
    first, second = failures(chain, 5.0, absolute_max_dbm=10.0, **RANGE)
    assert first.survives is True
    assert first.overloaded == ("30 dB pad",)
    assert not first.harmless
    assert second.overloaded == ()
    assert str(first) == (
        "if 20 dB pad fails, 9.99 dBm arrive at the sweeper's input, below its maximum of "
        "10.00 dBm, but 30 dB pad would get more than rated and may fail too"
    )
    assert str(second) == (
        "if 30 dB pad fails, 19.99 dBm arrive at the sweeper's input, which stands less than "
        "10.00 dBm: it may be destroyed"
    )


@pytest.mark.parametrize(
    ("more", "overloaded"),
    [({}, False), ({"ambient_c": 50.0}, True), ({"ambient_c": 50.0, "duty": 0.5}, False)],
    ids=["at 25 °C", "in the sun", "half of the time"],
)
def test_what_is_left_is_derated(more: dict[str, float], overloaded: bool) -> None:
    """5 W into 30 dB rated 6 W that stands nothing at 125 °C: 4.5 W at 50 °C."""
    chain = Chain((pad(20.0, rated_w=50.0), pad(30.0, rated_w=6.0, max_c=125.0)))
    first, _ = failures(chain, 5.0, absolute_max_dbm=20.0, **RANGE, **more)
    assert bool(first.overloaded) is overloaded


def test_a_rating_that_nobody_states_is_no_yes() -> None:
    """The sentence asks for it; where next to nothing is to be stood it is not asked for."""
    chain = Chain((pad(20.0, rated_w=10.0), pad(30.0)))
    first, _ = failures(chain, 5.0, absolute_max_dbm=20.0, **RANGE)
    assert first.survives is True
    assert first.unrated == ("30 dB pad",)
    assert not first.harmless
    assert "whether 30 dB pad would stand it is unknown: state `rated`" in str(first)
    small, _ = failures(chain, 0.005, absolute_max_dbm=20.0, **RANGE)
    assert small.harmless
    assert str(small) == (
        "if 20 dB pad fails, −20.01 dBm arrive at the sweeper's input, below its maximum of "
        "20.00 dBm: it survives"
    )


def test_an_unknown_maximum_is_no_yes() -> None:
    """Nobody can say whether the input lives."""
    (found,) = failures(Chain((pad(50.0),)), 5.0, absolute_max_dbm=None, **RANGE)
    assert found.survives is None
    assert not found.harmless
    assert "unknown: state it first" in str(found)


def test_gain_is_never_lost_and_aerials_do_not_fail() -> None:
    """An amplifier between pads stays; parts without loss have nothing to fail by."""
    chain = Chain((WHIP, pad(10.0, rated_w=9.0), AMPLIFIER, pad(20.0, rated_w=9.0)))
    found = failures(chain, 0.001, absolute_max_dbm=30.0, **RANGE)
    assert [(f.position, f.name) for f in found] == [(2, "10 dB pad"), (4, "20 dB pad")]
    # 0 dBm + 3 − 3 of the whip + 20 of the amplifier, less the pad that is left.
    assert [f.arriving_dbm for f in found] == pytest.approx([0.0, 10.0])


def test_a_filter_that_fails_lets_pass_all_of_its_range() -> None:
    """A notch that protects: without it, and at its edge, everything arrives."""
    notch = ChainPart(
        kind=PartKind.FILTER,
        name="notch",
        frequency_hz=(143e6, 145e6, 147e6),
        gain_db=(-1.0, -40.0, -1.0),
    )
    (found,) = failures(Chain((notch,)), 1.0, start_hz=145e6, stop_hz=145e6, absolute_max_dbm=10.0)
    assert found.arriving_dbm == pytest.approx(33.0)
    (none,) = failures(
        Chain((notch, pad(0.0))), 1.0, start_hz=145e6, stop_hz=145e6, absolute_max_dbm=10.0
    )
    assert none.name == "notch"


def test_heat_of_a_range_is_never_below_that_at_any_frequency() -> None:
    """Whatever tables two parts have: the bound holds against 500 frequencies of the range."""
    rng = np.random.default_rng(9)
    for _ in range(50):
        parts = []
        for number in range(3):
            rows_hz = np.sort(rng.uniform(140e6, 150e6, 4))
            gains_db = rng.uniform(-30.0, 0.0, 4)
            parts.append(
                ChainPart(
                    kind=PartKind.FILTER,
                    name=f"f{number}",
                    frequency_hz=tuple(rows_hz.tolist()),
                    gain_db=tuple(gains_db.tolist()),
                    rated_w=1.0,
                )
            )
        most = [0.0, 0.0]
        left = Chain((ChainPart.flat(PartKind.PAD, "gone", gain_db=0.0), *parts[1:]))
        for hz in np.linspace(144e6, 146e6, 500).tolist():
            heat = [one.heat_w for one in left.dissipation(1.0, hz)[1:]]
            most = [max(pair) for pair in zip(most, heat, strict=True)]
        # Rated just below what they get somewhere: told as overloaded.
        tight = [
            ChainPart(
                kind=part.kind, name=part.name, frequency_hz=part.frequency_hz,
                gain_db=part.gain_db, rated_w=heat * 0.999,
            )
            for part, heat in zip(parts[1:], most, strict=True)
        ]  # fmt: skip
        first = failures(Chain((parts[0], *tight)), 1.0, absolute_max_dbm=60.0, **RANGE)[0]
        assert first.overloaded == ("f1", "f2")


@pytest.mark.parametrize(
    ("power_w", "losses_db", "missing_db", "pads_db"),
    [
        (5.0, (40.0,), 9.9897, (10.0,)),
        (100.0, (60.0,), 3.0, (3.0,)),
        (100.0, (59.9,), 3.1, (6.0,)),
        (100.0, (), 63.0, (40.0, 30.0)),
        (5.0, (), 49.9897, (40.0, 10.0)),
        (2.0, (23.0103,), 23.0, (30.0,)),
        (1500.0, (), 74.7609, (40.0, 40.0)),
        (1000.0, (), 73.0, (40.0, 40.0)),
        (100e3, (), 93.0, (40.0, 40.0, 20.0)),
    ],
)
def test_the_pad_that_is_missing(
    power_w: float, losses_db: tuple[float, ...], missing_db: float, pads_db: tuple[float, ...]
) -> None:
    """The smallest usual one; stated power + 3 dB has to come to −10 dBm for a +10 dBm input."""
    chain = Chain(tuple(pad(loss) for loss in losses_db))
    advice = missing_pad(chain, power_w, absolute_max_dbm=10.0, **RANGE)
    assert advice is not None
    assert advice.missing_db == pytest.approx(missing_db, abs=5e-5)
    assert advice.pads_db == pads_db
    mended = Chain((*(pad(loss) for loss in advice.pads_db), *chain.parts))
    assert mended.headroom(power_w, absolute_max_dbm=10.0, **RANGE).enough


@pytest.mark.parametrize("missing_db", np.arange(0.1, 130.0, 0.7).tolist())
def test_any_advice_is_enough_and_usual(missing_db: float) -> None:
    """Whatever is missing, the pads exist, suffice, and none of them could be left out."""
    power_w = 10.0 ** ((missing_db - 13.0 - 30.0) / 10.0)
    advice = missing_pad(Chain(), power_w, absolute_max_dbm=10.0, **RANGE)
    assert advice is not None
    assert set(advice.pads_db) <= set(USUAL_PADS_DB)
    assert advice.total_db >= missing_db - 1e-6
    assert advice.total_db - min(advice.pads_db) < missing_db


def test_ratings_for_either_end() -> None:
    """5 W on 40 dB: a 10 dB pad takes 4.5 W before them, 0.45 mW behind them."""
    advice = missing_pad(Chain((pad(40.0),)), 5.0, absolute_max_dbm=10.0, **RANGE)
    assert advice is not None
    assert advice.first_w == pytest.approx(4.5)
    assert advice.last_w == pytest.approx(4.5e-4)
    assert str(advice) == (
        "10.0 dB are missing: add a 10 dB pad. At the transmitter's end it has to be rated for "
        "4.5 W, at the sweeper's end for 10 mW, which any is, at the temperature where it is used"
    )


def test_advice_of_several_pads_in_words() -> None:
    """In order, with the rating of the first, which takes nearly all."""
    text = missing_pad_text(Chain(), 100.0, absolute_max_dbm=10.0, **RANGE)
    assert text.startswith("63.0 dB are missing: add a 40 dB pad, after it a 30 dB pad.")
    assert "the first of them has to be rated for 100 W" in text
    small = missing_pad_text(Chain((AMPLIFIER,)), 0.02, absolute_max_dbm=10.0, **RANGE)
    assert "for 20 mW, at the sweeper's end for 2 W" in small


def test_table_of_the_page_is_what_is_asked_for() -> None:
    """The loss that the page states for each power is exactly enough for a +10 dBm input."""
    page = (Path(__file__).parents[1] / "docs" / "safety.md").read_text("utf-8")
    rows = re.findall(r"(?m)^\| ([\d.]+) (m?W) \| ([\d.]+) dB \|", page)
    assert len(rows) == 7
    for number, unit, stated_db in rows:
        power_w = float(number) * (1e-3 if unit == "mW" else 1.0)
        advice = missing_pad(Chain(), power_w, absolute_max_dbm=10.0, **RANGE)
        assert advice is not None
        assert advice.missing_db == pytest.approx(float(stated_db), abs=0.05)


def test_example_of_failed_pads_is_as_the_page_says() -> None:
    """5 W through 30 and 30 dB rated for 5 W each: both may fail; through 20 and 30 dB not."""
    halves = Chain((pad(30.0, rated_w=5.0), pad(30.0, rated_w=5.0)))
    uneven = Chain((pad(20.0, rated_w=5.0), pad(30.0, rated_w=5.0)))
    harmless = [
        [one.harmless for one in failures(chain, 5.0, absolute_max_dbm=10.0, **RANGE)]
        for chain in (halves, uneven)
    ]
    assert harmless == [[True, True], [True, False]]


def test_nothing_missing_and_nothing_known() -> None:
    """Said in words, so that the text can be shown as it is."""
    enough = Chain((pad(70.0),))
    assert missing_pad(enough, 100.0, absolute_max_dbm=10.0, **RANGE) is None
    assert missing_pad_text(enough, 100.0, absolute_max_dbm=10.0, **RANGE) == "no pad is missing"
    unknown = missing_pad_text(enough, 100.0, absolute_max_dbm=None, **RANGE)
    assert unknown == (
        "the sweeper's absolute maximum is unknown: state it first, from its data sheet"
    )
    with pytest.raises(ValueError, match="margin_db must be at least 10"):
        missing_pad(enough, 100.0, absolute_max_dbm=10.0, margin_db=3.0, **RANGE)


@pytest.mark.parametrize(
    ("distance_m", "frequency_hz", "loss_db"),
    # EIRP 0 dBm at 3 m: 95.229 dBµV/m; P = E − 20 log f(MHz) − 77.219 at 0 dBi (both derived).
    [(3.0, 145e6, 25.217), (30.0, 145e6, 45.217), (10.0, 433.92e6, 45.196)],
)
def test_loss_of_free_space(distance_m: float, frequency_hz: float, loss_db: float) -> None:
    """20 log(4πd/λ), as the field at that distance and the level at an aerial in it give it."""
    found = free_space_loss_db(distance_m, frequency_hz)
    assert found == pytest.approx(loss_db, abs=1.5e-3)
    eirp_to_field = 104.771 - 20.0 * math.log10(distance_m)
    field_to_level = -20.0 * math.log10(frequency_hz / 1e6) - 77.219
    assert found == pytest.approx(-(eirp_to_field + field_to_level), abs=1.5e-3)


def test_nearer_than_any_distance_tells() -> None:
    """Below λ/2π, 0.329 m at 145 MHz, it is refused, and said what to do."""
    with pytest.raises(ValueError, match=r"0\.3 m is nearer than λ/2π = 0\.329 m.*measure it"):
        free_space_loss_db(0.3, 145e6)
    assert free_space_loss_db(0.33, 145e6) > 0.0


def test_a_transmitter_near_a_watching_aerial() -> None:
    """25 W into 2.15 dBi, 10 m from another: 43.98 − (35.68 − 4.3 − 6) dBm at its socket."""
    found = coupling_at_distance(
        25.0, distance_m=10.0, start_hz=145e6, transmit_gain_dbi=2.15, receive_gain_dbi=2.15
    )
    assert found.isolation_db == pytest.approx(35.675 - 4.3 - 6.0, abs=1e-3)
    assert found.arriving_dbm == pytest.approx(43.979 - 25.375, abs=1e-3)
    assert found.arriving_w == pytest.approx(0.0725, rel=1e-3)
    assert not found.rough
    assert REFLECTION_DB == 6.0
    assert str(found) == (
        "18.60 dBm at the aerial's socket, 25.4 dB below the transmitter (free space, an estimate)"
    )


def test_what_is_coupled_counts_as_power_at_the_chain() -> None:
    """It goes into the headroom as a stated power does: a pad of 40 dB would do."""
    found = coupling_at_distance(
        25.0, distance_m=10.0, start_hz=145e6, transmit_gain_dbi=2.15, receive_gain_dbi=2.15
    )
    advice = missing_pad(Chain(), found.arriving_w, absolute_max_dbm=10.0, **RANGE)
    assert advice is not None
    assert advice.missing_db == pytest.approx(31.604, abs=1e-3)
    assert advice.pads_db == (40.0,)


def test_never_more_arrives_than_was_sent() -> None:
    """Gains and reflection cannot make more of a power; so near, the figure is marked as rough."""
    found = coupling_at_distance(
        1.0, distance_m=0.5, start_hz=145e6, transmit_gain_dbi=8.0, receive_gain_dbi=8.0
    )
    assert found.isolation_db == 0.0
    assert found.arriving_dbm == pytest.approx(30.0)
    assert found.rough
    assert "measure it" in str(found)


def test_exposure_in_the_far_field() -> None:
    """100 W into 6 dBi at 5 m: 398.1 W EIRP, 1.2672 W/m², 21.857 V/m (derived)."""
    found = exposure_at_distance(100.0, gain_dbi=6.0, distance_m=5.0, frequency_hz=145e6)
    assert found.eirp_w == pytest.approx(398.1, abs=0.05)
    assert found.density_w_per_m2 == pytest.approx(1.2672, abs=5e-5)
    assert found.field_v_per_m == pytest.approx(21.857, abs=5e-4)
    assert not found.rough
    assert str(found) == (
        "about 1.27 W/m² or 21.9 V/m at 5 m (far field, an estimate); "
        "hold it against the exposure limits in force where you are"
    )


def test_a_reflection_doubles_the_field() -> None:
    """6.02 dB: four times the density."""
    plain = exposure_at_distance(100.0, gain_dbi=6.0, distance_m=3.0, frequency_hz=145e6)
    wet = exposure_at_distance(
        100.0, gain_dbi=6.0, distance_m=3.0, frequency_hz=145e6, reflection_db=20 * math.log10(2)
    )
    assert wet.density_w_per_m2 == pytest.approx(4.0 * plain.density_w_per_m2)
    assert wet.field_v_per_m == pytest.approx(2.0 * plain.field_v_per_m)
    assert plain.rough  # 3 m are less than two wavelengths
    assert "a rough one" in str(plain)


COUPLED: dict[str, Any] = {
    "distance_m": 10.0, "start_hz": 145e6, "transmit_gain_dbi": 0.0, "receive_gain_dbi": 0.0,
}  # fmt: skip
EXPOSED: dict[str, Any] = {"gain_dbi": 0.0, "distance_m": 10.0, "frequency_hz": 145e6}


@pytest.mark.parametrize(
    ("power_w", "more", "words"),
    [
        (0.0, {}, "power_w must be above 0"),
        (math.nan, {}, "power_w must be above 0"),
        (1.0, {"distance_m": 0.0}, "distance_m must be finite and above 0"),
        (1.0, {"distance_m": math.inf}, "distance_m must be finite and above 0"),
        (1.0, {"distance_m": 0.1}, "nearer than λ/2π"),
        (1.0, {"reflection_db": math.nan}, "reflection_db must be finite"),
    ],
)
def test_figures_that_nothing_follows_from(
    power_w: float, more: dict[str, float], words: str
) -> None:
    """Refused by both estimates alike."""
    with pytest.raises(ValueError, match=words):
        coupling_at_distance(power_w, **{**COUPLED, **more})
    with pytest.raises(ValueError, match=words):
        exposure_at_distance(power_w, **{**EXPOSED, **more})
    with pytest.raises(ValueError, match="frequency_hz must be finite and above 0"):
        free_space_loss_db(1.0, 0.0)
