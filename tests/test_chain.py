"""The chain: levels at the reference plane, headroom and heat."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from acqd.chain import Chain, ChainPart, PartKind, derated_w, level_at_plane


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
