"""Student's t and Fisher's F against SciPy."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from acqd.measure.student import f_upper, student_quantile, student_upper


@pytest.mark.parametrize("dof", [0.5, 1.0, 2.0, 2.5, 4.0, 30.0, 1000.0, 1e5])
def test_student_agrees_with_scipy(dof: float) -> None:
    """Quantiles from 1e-10 to 1 - 1e-4, and the tail, whole and broken degrees of freedom."""
    for probability in (1e-10, 1e-3, 0.3, 0.6, 0.975, 0.9999):
        found = student_quantile(probability, dof)
        assert found == pytest.approx(stats.t.ppf(probability, dof), rel=1e-10)
    for t in (-30.0, -1.0, 0.0, 1e-3, 2.0, 50.0):
        assert student_upper(t, dof) == pytest.approx(stats.t.sf(t, dof), rel=1e-11)
    assert student_quantile(0.5, dof) == 0.0


@pytest.mark.parametrize(("above", "below"), [(1, 1.5), (1, 300), (2, 10), (7, 1.5), (7, 300)])
def test_f_agrees_with_scipy(above: float, below: float) -> None:
    """The upper tail; nothing lies below 0."""
    for ratio in (0.01, 1.0, 3.0, 30.0):
        expected = stats.f.sf(ratio, above, below)
        assert f_upper(ratio, above, below) == pytest.approx(expected, rel=1e-11)
    assert f_upper(0.0, above, below) == 1.0


def test_impossible_distributions_are_refused() -> None:
    """Probabilities of 0 and 1, and no degrees of freedom."""
    for probability in (0.0, 1.0, math.nan):
        with pytest.raises(ValueError, match="probability"):
            student_quantile(probability, 3.0)
    with pytest.raises(ValueError, match="degrees of freedom"):
        student_upper(1.0, 0.0)
    with pytest.raises(ValueError, match="degrees of freedom"):
        f_upper(1.0, 0.0, 1.0)
