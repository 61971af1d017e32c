"""Overload: own products, intercepts and the attenuation test against derived values."""

from __future__ import annotations

import math

import pytest

from acqd.measure.linearity import (
    Origin,
    beside_db,
    compression_dbm,
    dynamic_range,
    intercept_dbm,
    largest_input_dbm,
    overload_test,
    own_product_dbc,
)


@pytest.mark.source("definitions of second and third order intercept", "from memory")
@pytest.mark.parametrize(
    ("input_dbm", "product_dbm", "order", "expected_dbm"),
    [(-30.0, -80.0, 2, 20.0), (-30.0, -90.0, 3, 0.0)],
    ids=["SHI = P + Δ", "TOI = P + Δ/2"],
)
def test_intercepts(input_dbm: float, product_dbm: float, order: int, expected_dbm: float) -> None:
    """Second and third order (from memory; the algebra is the definition's)."""
    found = intercept_dbm(input_dbm, product_dbm - input_dbm, order)
    assert found == pytest.approx(expected_dbm)


@pytest.mark.source("definitions of second and third order intercept", "from memory")
@pytest.mark.parametrize(
    ("input_dbm", "intercept", "order", "product_dbm"),
    [(-20.0, 0.0, 3, -60.0), (-40.0, 20.0, 2, -100.0), (-3.0, 40.0, 2, -46.0)],
)
def test_products_at_a_level(
    input_dbm: float, intercept: float, order: int, product_dbm: float
) -> None:
    """P3 = 3P − 2·TOI, P2 = 2P − SHI; −3 dBm into +40 dBm leaves −43 dBc (derived)."""
    assert input_dbm + own_product_dbc(input_dbm, intercept, order) == pytest.approx(product_dbm)


@pytest.mark.source("definitions of the intercepts", "derived")
@pytest.mark.parametrize(
    ("intercept", "input_dbm", "pads_db"), [(40.0, -23.0, 60.0), (20.0, -43.0, 80.0)]
)
def test_what_proves_a_limit_of_53_db(intercept: float, input_dbm: float, pads_db: float) -> None:
    """5 W, limit −53 dBc, 10 dB margin: P ≤ SHI − L − M (derived)."""
    found = largest_input_dbm(-53.0, intercept, 10.0)
    assert found == pytest.approx(input_dbm)
    assert round(36.99 - found) == pads_db
    assert own_product_dbc(found, intercept) == pytest.approx(-63.0)


@pytest.mark.source("definitions of the intercepts", "derived")
@pytest.mark.parametrize(
    ("intercept", "order", "range_db", "best_dbm"), [(10.0, 3, 80.0, -30.0), (40.0, 2, 75.0, -35.0)]
)
def test_dynamic_range(intercept: float, order: int, range_db: float, best_dbm: float) -> None:
    """⅔(TOI − N) at (2TOI + N)/3; (SHI − N)/2 at (SHI + N)/2; N = −110 dBm (derived)."""
    found = dynamic_range(intercept, -110.0, order)
    assert found.range_db == pytest.approx(range_db)
    assert found.best_input_dbm == pytest.approx(best_dbm)
    own_dbm = found.best_input_dbm + own_product_dbc(found.best_input_dbm, intercept, order)
    assert own_dbm == pytest.approx(-110.0)


@pytest.mark.source("a cubic characteristic", "derived")
@pytest.mark.parametrize(("toi_dbm", "expected_dbm"), [(10.0, 0.364), (0.0, -9.636)])
def test_compression_of_an_ideal_cubic(toi_dbm: float, expected_dbm: float) -> None:
    """TOI − 9.6357 dB (derived), and the gain there is 1 dB down."""
    found = compression_dbm(toi_dbm)
    assert found == pytest.approx(expected_dbm, abs=5.1e-4)
    gain = 1.0 - 10.0 ** ((found - toi_dbm) / 10.0)
    assert 20.0 * math.log10(gain) == pytest.approx(-1.0)


@pytest.mark.source("two voltages in phase and against", "derived")
@pytest.mark.parametrize(
    ("apart_db", "high_db", "low_db"),
    [(3, 4.649, -10.691), (10, 2.387, -3.302), (20, 0.828, -0.915), (30, 0.270, -0.279)],
)
def test_two_products_at_one_frequency(apart_db: float, high_db: float, low_db: float) -> None:
    """20 log10(1 ± 10^(−r/20)) (derived)."""
    assert beside_db(apart_db) == pytest.approx((low_db, high_db), abs=5.1e-4)


@pytest.mark.source("attenuation test", "practice")
@pytest.mark.source("slopes of products", "derived")
@pytest.mark.parametrize(
    ("fall_db", "origin", "order"),
    [
        (0.0, Origin.REAL, None),
        (0.9, Origin.REAL, None),
        (10.0, Origin.INSIDE, 2),
        (20.0, Origin.INSIDE, 3),
        (2.596, Origin.MIXED, None),
        (-10.0, Origin.FLOOR, None),
    ],
    ids=["stays", "within 1 dB", "by A", "by 2A", "equal parts", "rises by A"],
)
def test_ten_db_more_attenuation(fall_db: float, origin: Origin, order: int | None) -> None:
    """Unchanged: real; falls by (n − 1)·A: inside; rises by A: floor (practice; slopes derived)."""
    found = overload_test(-60.0, -60.0 - fall_db, 10.0)
    assert found.origin is origin
    assert found.order == order


@pytest.mark.source("powers of two parts", "derived")
def test_equal_parts_of_second_order() -> None:
    """Powers of 1 + 1 become 1 + 0.1: −2.596 dB (derived)."""
    fall_db = -10.0 * math.log10((1.0 + 0.1) / 2.0)
    assert fall_db == pytest.approx(2.596, abs=5.1e-4)
    found = overload_test(-60.0, -60.0 - fall_db, 10.0)
    assert found.origin is Origin.MIXED
    assert found.external_low_dbm is not None and found.external_high_dbm is not None
    assert found.external_low_dbm < -63.0103 < found.external_high_dbm
