"""Student's t and Fisher's F, without SciPy: by the incomplete beta function (definition)."""

from __future__ import annotations

import math
from functools import lru_cache

__all__ = ["f_upper", "student_quantile", "student_upper"]


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Continued fraction of the incomplete beta function, for x < (a + 1)/(a + b + 2)."""
    tiny = 1e-300
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1.0)
    d = 1.0 / (d if abs(d) > tiny else tiny)
    h = d
    for m in range(1, 20_000):  # needs about √max(a, b) rounds
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 + term * d
            d = 1.0 / (d if abs(d) > tiny else tiny)
            c = 1.0 + term / c
            c = c if abs(c) > tiny else tiny
            h *= c * d
        if abs(c * d - 1.0) < 1e-16:
            break
    return h


def _beta(a: float, b: float, x: float, y: float) -> float:
    """Regularised incomplete beta function I_x(a, b); ``y`` is 1 - x without its rounding."""
    if x <= 0.0:
        return 0.0
    if y <= 0.0:
        return 1.0
    front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log(y)
    if x < (a + 1.0) / (a + b + 2.0):
        return math.exp(front) * _beta_fraction(a, b, x) / a
    return 1.0 - math.exp(front) * _beta_fraction(b, a, y) / b


def student_upper(t: float, dof: float) -> float:
    """P(T > t) for Student's t with ``dof`` > 0 degrees of freedom, which need not be whole."""
    if not dof > 0.0:
        raise ValueError(f"degrees of freedom must be above 0, got {dof}")
    square = t * t
    half = 0.5 * _beta(dof / 2.0, 0.5, dof / (dof + square), square / (dof + square))
    return half if t >= 0 else 1.0 - half


def f_upper(ratio: float, dof_above: float, dof_below: float) -> float:
    """P(F > ratio) for Fisher's F; the degrees of freedom need not be whole."""
    if not (dof_above > 0.0 and dof_below > 0.0):
        raise ValueError(f"degrees of freedom must be above 0, got {dof_above} and {dof_below}")
    if ratio <= 0.0:
        return 1.0
    part = dof_above * ratio
    whole = dof_below + part
    return _beta(dof_below / 2.0, dof_above / 2.0, dof_below / whole, part / whole)


@lru_cache(maxsize=4096)
def student_quantile(probability: float, dof: float) -> float:
    """t with P(T ≤ t) = ``probability`` for Student's t with ``dof`` degrees of freedom.

    Bisection on the upper tail, which it follows far out; relative error under 1e-10.

    Raises:
        ValueError: a probability outside 0..1 (ends excluded), or no degrees of freedom.
    """
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability must lie between 0 and 1, got {probability}")
    tail = min(probability, 1.0 - probability)
    low, high = 0.0, 1.0
    while student_upper(high, dof) > tail and high < 1e200:
        low, high = high, 2.0 * high
    for _ in range(200):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        low, high = (middle, high) if student_upper(middle, dof) > tail else (low, middle)
    value = 0.5 * (low + high) if tail < 0.5 else 0.0
    return value if probability > 0.5 else -value
