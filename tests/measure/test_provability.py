"""Whether a limit can be proved: own products, floor, pads, notches, and what is only assumed."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from acqd.measure.provability import (
    Can,
    Figure,
    KnownFrom,
    Provability,
    SweeperFigures,
    common_pad_db,
    provability,
    usual_pads,
)


def declared(value_dbm: float) -> Figure:
    """A figure of the sweeper's papers."""
    return Figure(value_dbm=value_dbm, known=KnownFrom.DECLARED)


def sweeper(
    shi_dbm: float = 40.0, toi_dbm: float = 15.0, floor_dbm: float = -110.0, att_db: float = 0.0
) -> SweeperFigures:
    """A sweeper of which all is declared."""
    return SweeperFigures(
        floor_dbm=declared(floor_dbm),
        shi_dbm=declared(shi_dbm),
        toi_dbm=declared(toi_dbm),
        attenuation_db=att_db,
    )


def asked(loss_db: float, of: SweeperFigures, **more: float) -> Provability:
    """5 W against −53 dBc through a loss, unless said otherwise."""
    return provability(
        power_dbm=36.9897, loss_db=loss_db, sweeper=of, **{"limit_dbc": -53.0, **more}
    )


def test_advice_when_followed_proves_it() -> None:
    """With the pad, or with the notch, that is advised the answer becomes yes."""
    rng = np.random.default_rng(20)
    tried = {"pad": 0, "notch": 0}
    for _ in range(300):
        of = sweeper(*rng.uniform((10, 0, -130), (60, 25, -80)))
        loss_db, order = float(rng.uniform(20, 60)), int(rng.integers(2, 4))
        found = asked(loss_db, of, order=order)
        if found.pads_db:
            tried["pad"] += 1
            assert found.can is Can.NO
            assert asked(loss_db + sum(found.pads_db), of, order=order).can is Can.YES
        if found.notch_db:
            tried["notch"] += 1
            notched = asked(loss_db, of, order=order, notch_db=found.notch_db)
            assert notched.can is Can.YES
            less = asked(loss_db, of, order=order, notch_db=found.notch_db - 0.1)
            assert less.can is Can.NO
    assert min(tried.values()) > 30


def test_range_of_pads_is_exactly_where_it_can_be_proved() -> None:
    """Just within the range yes, just outside no."""
    found = asked(40.0, sweeper())
    assert found.best_pad_db is not None
    least_db, most_db = found.best_pad_db
    assert (least_db, most_db) == pytest.approx((19.9897, 43.9897), abs=1e-4)
    for added_db, can in (
        (least_db - 0.01, Can.NO),
        (least_db + 0.01, Can.YES),
        (most_db - 0.01, Can.YES),
        (most_db + 0.01, Can.NO),
    ):
        assert asked(40.0 + added_db, sweeper()).can is can


def test_own_attenuator_is_a_pad() -> None:
    """What the sweeper takes off itself counts like loss ahead of it."""
    padded, set_so = asked(60.0, sweeper()), asked(40.0, sweeper(att_db=20.0))
    assert set_so == padded


def test_loss_at_the_product_moves_only_the_product() -> None:
    """A chain that loses more at the product hides it: the limit arrives lower."""
    same, lossy = asked(60.0, sweeper()), asked(60.0, sweeper(), product_loss_db=65.0)
    assert lossy.limit_at_input_dbm == pytest.approx(same.limit_at_input_dbm - 5.0)
    assert lossy.own_product_dbc == pytest.approx((same.own_product_dbc or 0.0) + 5.0)
    assert lossy.floor_dbc == pytest.approx(same.floor_dbc + 5.0)


def test_third_order_falls_twice_as_fast() -> None:
    """2 dB of dBc for each dB of pad (P3 = 3P − 2·TOI)."""
    own = [asked(loss, sweeper(), order=3).own_product_dbc or 0.0 for loss in (40.0, 50.0, 60.0)]
    assert [b - a for a, b in pairwise(own)] == pytest.approx([-20.0, -20.0])


def test_absolute_limit_is_the_same_limit() -> None:
    """dBm at the plane and dBc say one thing."""
    ratio = asked(50.0, sweeper())
    level = provability(
        power_dbm=36.9897, loss_db=50.0, sweeper=sweeper(), limit_dbm=36.9897 - 53.0
    )
    assert level.limit_dbc == pytest.approx(ratio.limit_dbc)
    assert (level.can, level.text) == (ratio.can, ratio.text)


def test_limit_in_the_floor() -> None:
    """Too much loss: no pad helps, no notch does, and it says by how much."""
    found = asked(60.0, sweeper(floor_dbm=-80.0))
    assert (found.can, found.best_pad_db, found.notch_db) == (Can.NO, None, None)
    assert found.floor_excess_db == pytest.approx(6.01, abs=0.01)
    assert "the floor is 6.0 dB too high" in found.text
    assert "RBW 4 times narrower" in found.text


def test_notch_where_pads_cannot() -> None:
    """Own product too strong and no room above the floor: only a notch does."""
    found = asked(40.0, sweeper(shi_dbm=20.0, floor_dbm=-80.0))
    assert (found.can, found.best_pad_db) == (Can.NO, None)
    assert found.notch_db == pytest.approx(19.995, abs=0.001)
    assert "a notch of 20 dB on the fundamental would do" in found.text
    notched = asked(40.0, sweeper(shi_dbm=20.0, floor_dbm=-80.0), notch_db=20.0)
    assert notched.can is Can.YES


def assumed(rbw_hz: float = 1e4, **known: Figure) -> SweeperFigures:
    """A sweeper of which nobody knows more than what is given."""
    return SweeperFigures.known(rbw_hz=rbw_hz, **known)


@pytest.mark.parametrize(
    ("loss_db", "limit_dbc", "can"),
    [(50.0, -20.0, Can.YES), (55.0, -45.0, Can.CANNOT_TELL), (40.0, -80.0, Can.NO)],
)
def test_assumed_figures_decide_only_with_room(loss_db: float, limit_dbc: float, can: Can) -> None:
    """Yes and no have to hold with the assumed figures 10 dB better and 10 dB worse."""
    found = asked(loss_db, assumed(), limit_dbc=limit_dbc)
    assert found.can is can
    assert "assumed" in found.text


def test_measured_figures_settle_what_assumed_ones_leave_open() -> None:
    """The same values, measured, give an answer."""
    known = {"shi_dbm": 30.0, "floor_dbm": -99.0}
    measured = {
        name: Figure(value_dbm=value, known=KnownFrom.MEASURED) for name, value in known.items()
    }
    assert asked(60.0, assumed(), limit_dbc=-40.0).can is Can.CANNOT_TELL
    assert asked(60.0, assumed(**measured), limit_dbc=-40.0).can is Can.YES


def test_assumptions_are_as_stated() -> None:
    """SHI +30 dBm, TOI +5 dBm, and a noise figure of 35 dB in the RBW."""
    of = assumed(rbw_hz=1e4)
    assert (of.shi_dbm.value_dbm, of.toi_dbm.value_dbm) == (30.0, 5.0)
    assert of.floor_dbm.value_dbm == pytest.approx(-98.975, abs=0.001)
    assert str(of.shi_dbm) == "+30.0 dBm, assumed"
    with pytest.raises(ValueError, match="rbw_hz"):
        assumed(rbw_hz=0.0)


def test_order_without_an_intercept() -> None:
    """A higher product is never proved beforehand; that the floor hides it is said."""
    seen = asked(60.0, sweeper(), order=5)
    assert (seen.can, seen.own_product_dbc) == (Can.CANNOT_TELL, None)
    assert "sweep again with more attenuation" in seen.text
    assert asked(60.0, sweeper(floor_dbm=-70.0), order=5).can is Can.NO


@pytest.mark.parametrize(
    ("least_db", "most_db", "pads"),
    [
        (0.0, 50.0, ()),
        (0.1, 50.0, (3.0,)),
        (19.99, 50.0, (20.0,)),
        (20.1, 50.0, (30.0,)),
        (20.1, 25.0, (20.0, 3.0)),
        (21.0, 22.5, (10.0, 6.0, 6.0)),
        (40.0, 40.0, (40.0,)),
        (45.0, 50.0, (40.0, 6.0)),
        (4.0, 5.0, None),
        (121.0, 200.0, None),
    ],
)
def test_usual_pads(least_db: float, most_db: float, pads: tuple[float, ...] | None) -> None:
    """As few usual pads as do, three at most, and of as many the smallest sum."""
    assert usual_pads(least_db, most_db) == pads


def test_pad_that_nobody_sells_is_told_as_a_range() -> None:
    """Where no usual pad fits, the range is said."""
    found = asked(40.0, sweeper(floor_dbm=-56.0 - 21.0 - 10.0 + 0.8))
    assert found.best_pad_db == pytest.approx((19.99, 20.19), abs=0.01)
    narrow = asked(36.5, sweeper(floor_dbm=-52.5 - 24.5 - 10.0))
    assert (narrow.best_pad_db, narrow.pads_db) == (pytest.approx((23.49, 24.49), abs=0.01), None)
    assert "23.5 to 24.5 dB more loss" in narrow.text


def test_pad_for_all_products() -> None:
    """The loss that does for each; none where one of them has none."""
    second, third = asked(40.0, sweeper()), asked(40.0, sweeper(toi_dbm=-10.0), order=3)
    both = common_pad_db([second, third])
    assert both is not None and third.best_pad_db is not None
    assert both[0] == pytest.approx(max(19.9897, third.best_pad_db[0]), abs=1e-4)
    hidden = asked(40.0, sweeper(floor_dbm=-60.0))
    assert common_pad_db([second, hidden]) is None
    assert common_pad_db([]) is None


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"order": 1}, "order of a product"),
        ({"limit_dbm": -13.0}, "exactly one"),
        ({"notch_db": math.nan}, "finite"),
        ({"margin_db": math.inf}, "finite"),
    ],
)
def test_impossible_questions_are_refused(given: dict[str, float], words: str) -> None:
    """What cannot be is a slip of the caller."""
    with pytest.raises(ValueError, match=words):
        asked(40.0, sweeper(), **given)
