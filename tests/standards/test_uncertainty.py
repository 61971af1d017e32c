"""Uncertainty against published divisors, worked budgets and mismatch values.

Sources: JCGM 100:2008 and JCGM 106:2012, from memory or as the NIST/SEMATECH e-Handbook 2.5.7
restates them (read elsewhere); the rest derived, algebra from a stated definition worked out apart
from this code.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from acqd.measure import budget
from acqd.measure.budget import Budget, Component, Shape
from acqd.measure.uncertainty import insertion_mismatch
from acqd.measure.verdict import Verdict, judge


@pytest.mark.parametrize(
    ("shape", "u"),
    [
        pytest.param(
            Shape.RECTANGULAR,
            0.577350,
            id="rectangular",
            marks=pytest.mark.source("JCGM 100:2008, by NIST e-Handbook 2.5.7", "read elsewhere"),
        ),
        pytest.param(
            Shape.TRIANGULAR,
            0.408248,
            id="triangular",
            marks=pytest.mark.source("JCGM 100:2008 4.3.9", "from memory"),
        ),
        pytest.param(
            Shape.U_SHAPED,
            0.707107,
            id="u-shaped",
            marks=pytest.mark.source("JCGM 100:2008 H.1.3.3", "from memory"),
        ),
        pytest.param(
            Shape.NORMAL,
            0.5,
            id="normal at k = 2",
            marks=pytest.mark.source("JCGM 100:2008 4.3.3", "from memory"),
        ),
    ],
)
def test_standard_uncertainty_of_limits_of_one(shape: Shape, u: float) -> None:
    """The divisors of JCGM 100:2008 clause 4.3."""
    assert Component(name="a", half_width=1.0, shape=shape).u == pytest.approx(u, abs=5e-7)


@pytest.mark.source("JCGM 100:2008 F.2.2.1", "from memory")
def test_standard_uncertainty_of_a_display_step() -> None:
    """q/√12: 0.144338 for a step of 0.5 (JCGM 100 F.2.2.1, from memory)."""
    assert Component.resolution(0.5).u == pytest.approx(0.144338, abs=5e-7)


@pytest.mark.source("two reflections facing each other", "derived")
@pytest.mark.parametrize(
    ("vswr1", "vswr2", "u_db"), [(1.5, 2.0, 0.40946), (2.0, 2.0, 0.68243)], ids=["1.5-2", "2-2"]
)
def test_mismatch_uncertainty(vswr1: float, vswr2: float, u_db: float) -> None:
    """8.68589·ρ1·ρ2/√2 dB (derived)."""
    rho1, rho2 = budget.reflection_of_vswr(vswr1), budget.reflection_of_vswr(vswr2)
    assert Component.mismatch(rho1, rho2).u == pytest.approx(u_db, abs=5e-6)


@pytest.mark.source("two reflections facing each other", "derived")
@pytest.mark.parametrize(
    ("vswr1", "vswr2", "above_db", "below_db"),
    [(1.5, 2.0, 0.5606, -0.5993), (2.0, 2.0, 0.9151, -1.0231), (1.2, 1.5, 0.1565, -0.1594)],
)
def test_mismatch_limits(vswr1: float, vswr2: float, above_db: float, below_db: float) -> None:
    """20 log10(1 ± ρ1ρ2) (derived)."""
    rho1, rho2 = budget.reflection_of_vswr(vswr1), budget.reflection_of_vswr(vswr2)
    found = budget.mismatch_limits_db(rho1, rho2)
    assert found == pytest.approx((above_db, below_db), abs=5e-5)


@pytest.mark.source("two reflections facing each other", "derived")
def test_a_pad_ahead_of_a_port_shrinks_its_reflection() -> None:
    """Source VSWR 3 behind 6 dB against a load of VSWR 2: +0.3562/−0.3715 dB (derived)."""
    source = budget.reflection_behind_pad(budget.reflection_of_vswr(3.0), 6.0)
    found = budget.mismatch_limits_db(source, budget.reflection_of_vswr(2.0))
    assert found == pytest.approx((0.3562, -0.3715), abs=5e-5)


@pytest.mark.source("two reflections facing each other", "derived")
@pytest.mark.parametrize(
    ("vswr", "rho"),
    [
        (1.05, 0.02439),
        (1.1, 0.04762),
        (1.2, 0.09091),
        (1.5, 0.2),
        (2.0, 0.33333),
        (3.0, 0.5),
        (5.8480, 0.70795),
    ],
)
def test_reflection_of_a_vswr(vswr: float, rho: float) -> None:
    """(S − 1)/(S + 1) (derived); the last VSWR is itself rounded."""
    assert budget.reflection_of_vswr(vswr) == pytest.approx(rho, abs=7.1e-6)


def budget_1() -> tuple[Component, ...]:
    """A level: two specifications, mismatch, a cable and repeats."""
    return (
        Component.from_limits("flatness", 1.0),
        Component.from_limits("reference", 0.5),
        Component.mismatch(0.2, 1.0 / 3.0),
        Component.from_limits("cable", 0.2),
        Component.from_standard("repeatability", 0.15),
    )


def budget_2() -> tuple[Component, ...]:
    """A calibrated meter that has drifted since."""
    return (
        Component.from_expanded("calibration", 0.5, k=2.0),
        Component.from_limits("drift", 0.3),
        Component.from_limits("mismatch", 0.2, shape=Shape.U_SHAPED),
    )


@pytest.mark.source("JCGM 100:2008, by NIST e-Handbook 2.5.7", "read elsewhere")
@pytest.mark.source("figures of the budgets", "derived")
@pytest.mark.parametrize(
    ("parts", "us", "u_combined", "expanded"),
    [
        pytest.param(
            budget_1(), [0.57735, 0.28868, 0.40946, 0.11547, 0.15], 0.78750, 1.57500, id="level"
        ),
        pytest.param(budget_2(), [0.25, 0.17321, 0.14142], 0.33541, 0.67082, id="calibrated"),
    ],
)
def test_worked_budgets(
    parts: tuple[Component, ...], us: list[float], u_combined: float, expanded: float
) -> None:
    """u_c = √Σ(c·u)², U = 2·u_c (restated in NIST/SEMATECH e-Handbook 2.5.7; figures derived)."""
    found = Budget(unit="dB", components=parts)
    assert [part.u for part in found.components] == pytest.approx(us, abs=5.1e-6)
    assert found.u_combined == pytest.approx(u_combined, abs=5.1e-6)
    assert found.expanded == pytest.approx(expanded, abs=1.01e-5)


@pytest.mark.source("definition of the decibel", "derived")
@pytest.mark.parametrize(
    ("fraction", "of_power", "above_db", "below_db"),
    [(0.10, False, 0.8279, -0.9151), (0.05, True, 0.2119, -0.2228)],
    ids=["10 % of voltage", "5 % of power"],
)
def test_relative_errors_are_not_symmetric_in_db(
    fraction: float, of_power: bool, above_db: float, below_db: float
) -> None:
    """20 or 10 log10(1 ± x) (derived)."""
    found = budget.db_from_relative(fraction, of_power=of_power)
    assert found == pytest.approx((above_db, below_db), abs=5e-5)


@pytest.mark.source("JCGM 100:2008 table G.2", "from memory")
@pytest.mark.parametrize(
    ("dof", "t"), [(1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (9, 2.32), (20, 2.13), (50, 2.05)]
)
def test_student_factor_as_tabulated(dof: int, t: float) -> None:
    """JCGM 100:2008 table G.2, column 95.45 % (from memory)."""
    assert budget.student_factor(dof + 1) == pytest.approx(t, abs=0.0051)


@pytest.mark.source("SciPy, stats.t", "compared")
@pytest.mark.parametrize("count", [2, 3, 4, 5, 11, 60, 201, 202, 1000, 100_000])
def test_student_factor_as_scipy_has_it(count: int) -> None:
    """Student's t at the probability of ±2 standard deviations."""
    wanted = stats.t.ppf(0.5 + math.erf(math.sqrt(2.0)) / 2.0, count - 1)
    assert budget.student_factor(count) == pytest.approx(wanted, rel=1e-6)


@pytest.mark.source("flow graph of a two-port", "derived")
def test_mismatch_of_an_insertion_loss_against_the_flow_graph() -> None:
    """Two-port between a source and a load, phases at random (flow graph; derived).

    Scattering parameters, transmission of a device over that of a through:
    S21·(1 − ΓsΓl)/[(1 − ΓsS11)(1 − ΓlS22) − ΓsΓlS21²].
    """
    rng = np.random.default_rng(20)
    loss_db, s21 = 1.0, 10 ** (-1.0 / 20)
    source, load, end1, end2, across = (
        rho * np.exp(2j * np.pi * rng.random(20_000)) for rho in (1 / 3, 0.2, 0.2, 0.2, s21)
    )
    device = (1 - source * end1) * (1 - load * end2) - source * load * across**2
    error_db = 20 * np.log10(np.abs(across * (1 - source * load) / device)) + loss_db
    parts = insertion_mismatch(loss_db=loss_db, source_vswr=2.0, load_vswr=1.5, device_vswr=1.5)
    found = Budget(unit="dB", components=parts)
    assert found.u_combined == pytest.approx(error_db.std(), rel=0.03)
    assert 0.94 <= float(np.mean(np.abs(error_db) <= found.expanded)) <= 0.975


@pytest.mark.source("JCGM 106:2012 clause 8", "from memory")
@pytest.mark.parametrize(
    ("guard", "accepted"),
    [(1.0, 0.02275), (0.822427, 0.05), (0.0, 0.5)],
    ids=["guard band U", "5 % risk", "simple acceptance"],
)
def test_risk_of_accepting_what_lies_on_its_limit(guard: float, accepted: float) -> None:
    """P(reading ≤ limit − guard·2u) = Φ(−2·guard) (JCGM 106:2012 clause 8, from memory)."""
    rng = np.random.default_rng(106)
    readings = 53.0 + 0.95 * rng.standard_normal(10_000)
    passed = sum(
        judge(float(x), limit=53.0, expanded=1.9, guard=guard).verdict is Verdict.PASS
        for x in readings
    )
    assert passed / 10_000 == pytest.approx(accepted, abs=4 * math.sqrt(accepted / 10_000))
    assert accepted == pytest.approx(stats.norm.cdf(-2 * guard), abs=5e-5)
