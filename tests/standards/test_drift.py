"""Drift, Student's t, planning and capability against published and derived values.

"derived" is algebra from the stated definition, worked out without this code; least squares and the
t distribution are those of any textbook (for example JCGM 100:2008 annexes G and H.3).
"""

from __future__ import annotations

import numpy as np
import pytest

from acqd.measure import drift
from acqd.measure.student import student_quantile

HOURS = 3600.0


@pytest.mark.source("least squares, as in JCGM 100:2008 H.3", "derived")
@pytest.mark.parametrize(
    ("y", "slope", "residual_sd", "u", "low", "high"),
    [
        pytest.param(
            [-30.00, -30.02, -30.05, -30.05, -30.09, -30.10],
            -0.0202857,
            0.00839501,
            0.00200679,
            -0.0258575,
            -0.0147140,
            id="derived: six readings of a level",
        ),
        pytest.param(
            [1, 3, 2, 5, 4, 6, 8, 7, 9, 10],
            0.9636364,
            None,
            0.0944755,
            0.7457755,
            1.1814973,
            id="derived: ten readings",
        ),
    ],
)
def test_least_squares_drift(
    y: list[float], slope: float, residual_sd: float | None, u: float, low: float, high: float
) -> None:
    """b = Σ(x-x̄)(y-ȳ)/Sxx, s² = Σr²/(n-2), s_b = s/√Sxx, b ± t·s_b at 95 % (derived)."""
    found = drift.least_squares_drift(np.arange(len(y)) * HOURS, y)
    assert found.plain is not None
    assert found.slope_per_hour == pytest.approx(slope, abs=5.1e-8)
    assert found.plain.u_per_hour == pytest.approx(u, abs=5.1e-8)
    assert found.plain.low_per_hour == pytest.approx(low, abs=5.1e-8)
    assert found.plain.high_per_hour == pytest.approx(high, abs=5.1e-8)
    if residual_sd is not None:
        assert found.residual_sd == pytest.approx(residual_sd, abs=5.1e-9)


@pytest.mark.source("median of pairwise slopes (Theil, Sen)", "derived")
def test_theil_sen() -> None:
    """Median of all pairwise slopes of the ten readings: 1.0 (derived)."""
    found = drift.theil_sen_slope(np.arange(10) * HOURS, [1, 3, 2, 5, 4, 6, 8, 7, 9, 10])
    assert found == pytest.approx(1.0, abs=1e-12)


@pytest.mark.source("Student's t, as in JCGM 100:2008 table G.2", "derived")
@pytest.mark.parametrize(
    ("dof", "t", "places"),
    [
        pytest.param(1, 12.7062, 4, id="derived"),
        pytest.param(4, 2.776445, 6, id="derived: 4"),
        pytest.param(8, 2.30600, 5, id="derived: 8"),
        pytest.param(10, 2.22814, 5, id="derived: 10"),
        pytest.param(20, 2.08596, 5, id="derived: 20"),
        pytest.param(60, 2.00030, 5, id="derived: 60"),
    ],
)
def test_student_quantiles(dof: int, t: float, places: int) -> None:
    """97.5 % points, as any table of t has them (JCGM 100:2008 table G.2 from memory)."""
    assert student_quantile(0.975, dof) == pytest.approx(t, abs=0.51 * 10.0**-places)


@pytest.mark.source("least squares, as in JCGM 100:2008 H.3", "derived")
def test_slope_that_can_be_planned_for() -> None:
    """σ·√(12/(n³-n)) per sample: σ 0.1 dB, n 60 give 7.4546e-4 (derived)."""
    assert drift.slope_uncertainty(0.1, 60) == pytest.approx(7.4546e-4, abs=5.1e-9)
    assert drift.slope_uncertainty(0.1, 60, interval_s=60.0) == pytest.approx(
        60 * 7.4546e-4, abs=5.1e-7
    )


@pytest.mark.source("two-sample comparison of normal means", "derived")
@pytest.mark.parametrize(
    ("power", "sd", "samples", "step"),
    [(0.90, 0.3, 20, 0.30752), (0.80, 0.1, 50, 0.05603)],
)
def test_smallest_step_between_two_means(
    power: float, sd: float, samples: int, step: float
) -> None:
    """(z_{1-α/2} + z_{1-β})·σ·√(2/n) at 95 % (derived)."""
    found = drift.smallest_step(sd, samples, confidence=0.95, power=power)
    assert found == pytest.approx(step, abs=5.1e-6)


@pytest.mark.source("Cp and Cpk as quality control defines them", "from memory")
def test_capability_indices() -> None:
    """Limits ±1, σ 0.2, mean 0.3: Cp 1.6667, Cpk 1.1667 (from memory: Cp = (U-L)/6σ)."""
    found = drift.capability(0.3, 0.2, low=-1.0, high=1.0)
    assert found.cp == pytest.approx(1.6667, abs=5.1e-5)
    assert found.cpk == pytest.approx(1.1667, abs=5.1e-5)
