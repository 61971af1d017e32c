"""What the tests of uncertainty share."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from acqd.measure.budget import Budget, Component, Shape
from acqd.measure.uncertainty import (
    Reading,
    SweeperFacts,
)

PAGE = (Path(__file__).parents[2] / "docs" / "uncertainty.md").read_text("utf-8")

STILL = Reading(deviation_db=0.0)
"""A reading that repeats exactly, far above the floor."""

GOOD = SweeperFacts(accuracy_db=1.0, flatness_db=0.5, scale_db=0.4, input_vswr=1.5, step_db=0.1)


def drawn(component: Component, rng: np.random.Generator, count: int) -> NDArray[np.float64]:
    """Errors as a component's distribution makes them, in the budget's unit."""
    a = component.half_width
    errors = {
        Shape.NORMAL: lambda: rng.standard_normal(count) * a / 2,
        Shape.RECTANGULAR: lambda: rng.uniform(-a, a, count),
        Shape.TRIANGULAR: lambda: rng.triangular(-1, 0, 1, count) * a,
        Shape.U_SHAPED: lambda: a * np.sin(2 * np.pi * rng.random(count)),
        Shape.STEP: lambda: rng.uniform(-a, a, count),
    }[component.shape]()
    return np.asarray(component.sensitivity * errors)


def coverage(of: Budget, seed: int = 9) -> float:
    """Share of 20 000 drawn errors that lie within U."""
    rng = np.random.default_rng(seed)
    total = np.sum([drawn(part, rng, 20_000) for part in of.components], axis=0)
    return float(np.mean(np.abs(total) <= of.expanded))


def named(of: Budget, name: str) -> list[Component]:
    return [part for part in of.components if part.name == name]
