"""The chain: levels at the reference plane, headroom and heat."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from acqd.chain import (
    ASSUMED_MAX_C,
    Chain,
    ChainPart,
    PartKind,
    derated_w,
    level_at_plane,
)


def pad(loss_db: float, **more: float) -> ChainPart:
    return ChainPart.flat(PartKind.PAD, f"{loss_db:g} dB pad", gain_db=-loss_db, **more)


CABLE = ChainPart(
    kind=PartKind.CABLE,
    name="mast feeder",
    frequency_hz=(100e6, 200e6, 400e6),
    gain_db=(-1.0, -1.5, -2.5),
    uncertainty_db=0.3,
)


def test_gain_is_linear_in_db_between_rows() -> None:
    """Halfway between two rows the gain is their mean in dB; parts add."""
    chain = Chain((CABLE, pad(10.0)))
    assert chain.gain_db([100e6, 150e6, 300e6]).tolist() == pytest.approx([-11.0, -11.25, -12.0])


def test_end_values_are_held_and_said() -> None:
    """Outside a table its end value stands, and the share of such points is told."""
    at_hz = np.array([50e6, 100e6, 400e6, 500e6])
    chain = Chain((CABLE, pad(10.0)))
    assert chain.gain_db(at_hz)[[0, -1]].tolist() == [-11.0, -12.5]
    assert chain.extrapolated(at_hz) == 0.5
    assert Chain((pad(10.0),)).extrapolated(at_hz) == 0.0
    assert chain.extrapolated([]) == 0.0


def test_level_at_the_plane_takes_the_gain_out() -> None:
    """−60 dBm behind 20 dB of loss was −40 dBm; input untouched, result float64."""
    level = np.array([-60.0, -61.0], dtype=np.float32)
    level.setflags(write=False)
    plane = level_at_plane(level, Chain((pad(20.0),)).gain_db([1e6, 2e6]))
    assert plane.tolist() == [-40.0, -41.0]
    assert plane.dtype == np.float64


def test_an_empty_chain_changes_nothing() -> None:
    """Without parts the plane is the input."""
    assert Chain().gain_db([1e6, 2e6]).tolist() == [0.0, 0.0]
    assert Chain().is_empty
    assert Chain().uncertainty_db == 0.0


def test_uncertainties_add_as_squares() -> None:
    """Root of the sum of squares (JCGM 100)."""
    chain = Chain((CABLE, pad(10.0, uncertainty_db=0.4)))
    assert chain.uncertainty_db == pytest.approx(0.5)


def test_json_is_an_exact_inverse() -> None:
    """What is stored with a setup gives back the same chain."""
    chain = Chain((CABLE, pad(20.0, uncertainty_db=0.1, rated_w=5.0)))
    assert Chain.from_json(json.loads(json.dumps(chain.to_json()))) == chain


def test_what_was_stored_before_gives_the_same_text() -> None:
    """Parts without the later keys are read, and written byte for byte as they were."""
    stored = (
        '[{"kind": "pad", "name": "20 dB pad", "frequency_hz": [0.0], "gain_db": [-20.0], '
        '"uncertainty_db": 0.1, "rated_w": 5.0}, {"kind": "cable", "name": "mast feeder", '
        '"frequency_hz": [100000000.0, 200000000.0], "gain_db": [-1.0, -1.5], '
        '"uncertainty_db": 0.3, "rated_w": null}]'
    )
    assert json.dumps(Chain.from_json(json.loads(stored)).to_json()) == stored


def test_later_keys_are_stored_where_they_are_stated() -> None:
    """Temperature and reverse gain come back; what is not stated is not in the text."""
    hot = ChainPart.flat(
        PartKind.AMPLIFIER, "masthead", gain_db=20.0, rated_w=1.0, max_c=85.0, reverse_gain_db=-30.0
    )
    (data,) = Chain((hot,)).to_json()
    assert (data["max_c"], data["reverse_gain_db"]) == (85.0, -30.0)
    assert Chain.from_json([json.loads(json.dumps(data))]) == Chain((hot,))
    assert set(pad(3.0, max_c=125.0).to_json()) - set(pad(3.0).to_json()) == {"max_c"}


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"frequency_hz": (), "gain_db": ()}, "at least one"),
        ({"frequency_hz": (1.0, 2.0), "gain_db": (0.0,)}, "as many gains"),
        ({"frequency_hz": (2.0, 1.0), "gain_db": (0.0, 0.0)}, "must rise"),
        ({"frequency_hz": (1.0, 1.0), "gain_db": (0.0, 0.0)}, "must rise"),
        ({"frequency_hz": (1.0,), "gain_db": (math.nan,)}, "finite"),
        ({"frequency_hz": (1.0,), "gain_db": (0.0,), "rated_w": 0.0}, "rated_w"),
        ({"frequency_hz": (1.0,), "gain_db": (0.0,), "uncertainty_db": -1.0}, "uncertainty_db"),
        ({"frequency_hz": (1.0,), "gain_db": (0.0,), "max_c": 25.0}, "max_c must be above 25"),
        ({"frequency_hz": (1.0,), "gain_db": (0.0,), "max_c": math.inf}, "max_c"),
        ({"frequency_hz": (1.0,), "gain_db": (0.0,), "reverse_gain_db": math.nan}, "reverse_gain"),
    ],
)
def test_impossible_parts_cannot_be_made(fields: dict[str, object], words: str) -> None:
    """The message names the part and what is wrong with it."""
    with pytest.raises(ValueError, match=words):
        ChainPart(kind=PartKind.PAD, name="bad", **fields)


@pytest.mark.parametrize(
    ("power_w", "loss_db", "planned_dbm", "missing_db"),
    [(100.0, 63.0, -10.0, 0.0), (100.0, 60.0, -7.0, 3.0), (5.0, 40.0, -0.0103, 9.9897)],
    ids=["100 W just enough", "100 W three short", "5 W ten short"],
)
def test_headroom_counts_the_reserve(
    power_w: float, loss_db: float, planned_dbm: float, missing_db: float
) -> None:
    """Stated power + 3 dB must stay 20 dB below an absolute maximum of +10 dBm."""
    room = Chain((pad(loss_db),)).headroom(
        power_w, start_hz=144e6, stop_hz=146e6, absolute_max_dbm=10.0
    )
    assert room.planned_dbm == pytest.approx(planned_dbm, abs=5e-5)
    assert room.missing_db == pytest.approx(missing_db, abs=5e-5)
    assert room.enough is (missing_db == 0.0)


def test_unknown_absolute_maximum_is_never_enough() -> None:
    """Nobody stated it, so the answer is no, and says what to do."""
    room = Chain((pad(100.0),)).headroom(1.0, start_hz=1e6, stop_hz=2e6, absolute_max_dbm=None)
    assert not room.enough
    assert "state it first" in str(room)


def test_missing_loss_is_named_in_words() -> None:
    """The sentence names the level, the limit and the pad to add."""
    room = Chain((pad(60.0),)).headroom(100.0, start_hz=1e6, stop_hz=2e6, absolute_max_dbm=10.0)
    assert str(room) == (
        "−7.0 dBm at the sweeper's input, at most −10.0 dBm allowed: add a pad of 3.0 dB or more"
    )


@pytest.mark.parametrize(
    ("margin_db", "missing_db"), [(10.0, 0.0), (19.9, 9.9), (20.0, 10.0), (30.0, 20.0)]
)
def test_a_margin_of_ten_or_more_may_be_asked_for(margin_db: float, missing_db: float) -> None:
    """100 W and 3 dB through 53 dB are 0 dBm: 10 dB below +10 dBm."""
    room = Chain((pad(53.0),)).headroom(
        100.0, start_hz=1e6, stop_hz=2e6, absolute_max_dbm=10.0, margin_db=margin_db
    )
    assert room.missing_db == pytest.approx(missing_db)


@pytest.mark.parametrize("margin_db", [9.9, 0.0, -5.0, math.nan])
def test_a_margin_below_ten_is_refused(margin_db: float) -> None:
    """It is the least that a config may ask for."""
    with pytest.raises(ValueError, match="margin_db must be at least 10"):
        Chain((pad(90.0),)).headroom(
            1.0, start_hz=1e6, stop_hz=2e6, absolute_max_dbm=10.0, margin_db=margin_db
        )


def test_a_negative_reserve_is_refused() -> None:
    """It would be a transmitter that gives less than its label says."""
    with pytest.raises(ValueError, match="reserve_db must not be below 0"):
        Chain().planned_input_dbm(1.0, start_hz=1e6, stop_hz=2e6, reserve_db=-1.0)


@pytest.mark.parametrize("power_w", [0.0, -1.0, math.inf, math.nan])
def test_no_power_is_no_plan(power_w: float) -> None:
    """Nothing, less than nothing, endless and unknown powers are refused."""
    with pytest.raises(ValueError, match="power_w must be above 0"):
        Chain().planned_input_dbm(power_w, start_hz=1e6, stop_hz=2e6)
    with pytest.raises(ValueError, match="power_w must be above 0"):
        Chain().dissipation(power_w, 1e6)


def test_least_loss_within_the_range_counts() -> None:
    """A dip of the loss between the ends of a range is not overlooked."""
    notch = ChainPart(
        kind=PartKind.FILTER,
        name="filter",
        frequency_hz=(100e6, 145e6, 200e6),
        gain_db=(-40.0, -1.0, -40.0),
    )
    planned = Chain((notch,)).planned_input_dbm(1.0, start_hz=100e6, stop_hz=200e6)
    assert planned == pytest.approx(32.0)


@pytest.mark.parametrize(
    ("power_w", "loss_db", "heat_w"),
    [(5.0, 20.0, 4.95), (100.0, 30.0, 99.9)],
)
def test_a_pad_takes_nearly_all_the_heat(power_w: float, loss_db: float, heat_w: float) -> None:
    """P · (1 − 10^(−A/10)); derived."""
    (found,) = Chain((pad(loss_db, rated_w=10.0),)).dissipation(power_w, 145e6)
    assert found.dissipated_w == pytest.approx(heat_w)
    assert found.within_rating is (heat_w <= 10.0)


def test_heat_follows_the_power_down_the_chain() -> None:
    """The second pad sees what the first lets through; an unknown rating is no yes."""
    first, second, last = Chain((pad(20.0, rated_w=5.0), pad(10.0), pad(10.0))).dissipation(
        5.0, 145e6
    )
    assert first.within_rating is True
    assert second.arriving_w == pytest.approx(0.05)
    assert second.within_rating is None
    assert last.within_rating is True  # under 10 mW nobody needs a rating


def test_an_amplifier_makes_no_heat_of_the_signal() -> None:
    """Gain never counts as negative heat."""
    amplifier = ChainPart.flat(PartKind.AMPLIFIER, "masthead", gain_db=20.0)
    (found,) = Chain((amplifier,)).dissipation(1e-6, 145e6)
    assert found.dissipated_w == 0.0


@pytest.mark.parametrize(
    ("rated_w", "max_c", "ambient_c", "stands_w"),
    [(10, 125, 65, 6.0), (50, 150, 85, 26.0), (10, 125, 0, 10.0), (10, 125, 130, 0.0)],
)
def test_derating_is_linear(
    rated_w: float, max_c: float, ambient_c: float, stands_w: float
) -> None:
    """Trade practice: full rating up to 25 °C, none at the maximum."""
    assert derated_w(rated_w, max_c=max_c, ambient_c=ambient_c) == pytest.approx(stands_w)


@pytest.mark.parametrize(
    ("rated_w", "max_c", "ambient_c", "stands_w", "enough"),
    [
        (10.0, 125.0, 65.0, 6.0, True),  # 4.95 W of heat
        (10.0, 125.0, 25.0, 10.0, True),
        (10.0, 125.0, 80.0, 4.5, False),
        (10.0, 125.0, 130.0, 0.0, False),
        (50.0, 150.0, 85.0, 26.0, True),
        (10.0, None, 65.0, 10.0 * 35 / 75, False),  # taken to stand nothing at 100 °C
        (10.0, None, 25.0, 10.0, True),
    ],
)
def test_heat_is_held_against_the_rating_where_the_part_is(
    rated_w: float, max_c: float | None, ambient_c: float, stands_w: float, enough: bool
) -> None:
    """P25 · (Tmax − T) / (Tmax − 25 °C); trade practice. 5 W into 20 dB are 4.95 W; derived."""
    part = ChainPart.flat(PartKind.PAD, "pad", gain_db=-20.0, rated_w=rated_w, max_c=max_c)
    (found,) = Chain((part,)).dissipation(5.0, 145e6, ambient_c=ambient_c)
    assert found.derated_w == pytest.approx(stands_w)
    assert found.rated_w == rated_w
    assert found.within_rating is enough
    assert ASSUMED_MAX_C == 100.0


def test_duty_cycle_counts_as_the_mean() -> None:
    """One minute in five, 49.5 W while keyed, are 9.9 W of heat."""
    (found,) = Chain((pad(20.0, rated_w=10.0),)).dissipation(50.0, 145e6, duty=0.2)
    assert found.dissipated_w == pytest.approx(49.5)
    assert found.heat_w == pytest.approx(9.9)
    assert found.within_rating is True
    (always,) = Chain((pad(20.0, rated_w=10.0),)).dissipation(50.0, 145e6)
    assert always.within_rating is False


def test_a_pad_at_exactly_its_rating_is_within_it() -> None:
    """The last bit of a product does not decide."""
    (found,) = Chain((pad(10.0, rated_w=0.9),)).dissipation(1.0, 145e6)
    assert found.within_rating is True


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"duty": 0.0}, "duty must be"),
        ({"duty": 1.1}, "duty must be"),
        ({"duty": math.nan}, "duty must be"),
        ({"ambient_c": math.nan}, "ambient_c must be finite"),
    ],
)
def test_impossible_conditions_are_refused(more: dict[str, float], words: str) -> None:
    """A share of the time is one, and a temperature is known."""
    with pytest.raises(ValueError, match=words):
        Chain((pad(10.0),)).dissipation(1.0, 1e6, **more)


@pytest.mark.parametrize(
    ("more", "ambient_c", "text"),
    [
        ({"rated_w": 10.0}, 25.0, "20 dB pad turns 4.95 W into heat, rated for 10 W: enough"),
        (
            {"rated_w": 10.0, "max_c": 125.0},
            80.0,
            "20 dB pad turns 4.95 W into heat, rated for 4.5 W at 80 °C (10 W at 25 °C): too much",
        ),
        (
            {},
            25.0,
            "20 dB pad turns 4.95 W into heat, and its rating is unknown: state it first",
        ),
    ],
    ids=["enough", "too warm", "unknown"],
)
def test_heat_in_words(more: dict[str, float], ambient_c: float, text: str) -> None:
    """What it takes, what it stands there, and whether that is enough."""
    (found,) = Chain((pad(20.0, **more),)).dissipation(5.0, 145e6, ambient_c=ambient_c)
    assert str(found) == text


def test_what_a_source_radiates_through_an_aerial() -> None:
    """−10 dBm through 3 dB of pad and 1.25 dB of feeder into 2.15 dBi: −12.1 dBm EIRP."""
    aerial = ChainPart.flat(PartKind.ANTENNA, "whip", gain_db=2.15)
    found = Chain((aerial, CABLE, pad(3.0))).radiated(-10.0, start_hz=150e6, stop_hz=150e6)
    assert found.level_dbm == pytest.approx(-12.1)
    assert found.is_eirp
    assert str(found) == "−10.0 dBm from the source: −12.1 dBm EIRP radiated"


def test_what_comes_out_of_a_far_end_without_aerial() -> None:
    """The least loss of the range counts, and it is no EIRP."""
    found = Chain((CABLE, pad(3.0))).radiated(-10.0, start_hz=50e6, stop_hz=500e6)
    assert found.level_dbm == pytest.approx(-14.0)
    assert not found.is_eirp
    assert str(found).endswith("−14.0 dBm at the far end of the chain")


@pytest.mark.parametrize(("reverse_db", "level_dbm"), [(None, -10.0), (-40.0, -50.0)])
def test_an_amplifier_does_not_amplify_backwards(
    reverse_db: float | None, level_dbm: float
) -> None:
    """It lets pass everything unless its reverse gain is stated; never its gain."""
    amplifier = ChainPart.flat(
        PartKind.AMPLIFIER, "masthead", gain_db=20.0, reverse_gain_db=reverse_db
    )
    found = Chain((amplifier,)).radiated(-10.0, start_hz=1e6, stop_hz=2e6)
    assert found.level_dbm == level_dbm


def test_an_unknown_source_level_is_refused() -> None:
    """Nothing follows from it."""
    with pytest.raises(ValueError, match="source_dbm must be finite"):
        Chain().radiated(math.nan, start_hz=1e6, stop_hz=2e6)
