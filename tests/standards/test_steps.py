"""CUSUM and Page-Hinkley against worked traces and run lengths.

The tabular CUSUM is Page's (1954), as restated elsewhere; "derived" is algebra from its definition,
for the run lengths by Markov chain.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from acqd.measure import steps


@pytest.mark.source("Page's CUSUM", "read elsewhere")
@pytest.mark.source("worked trace", "derived")
def test_cusum_trace() -> None:
    """S = max(0, S + z - k) of eight values, k 0.5 (derived)."""
    state, trace = steps.CusumState(k=0.5, h=5.0), []
    for z in (0.2, -0.5, 0.9, 1.4, 1.1, 1.8, 0.7, 2.0):
        state, alarm = steps.cusum_step(state, z)
        assert alarm is None
        trace.append(state.rising)
    assert trace == pytest.approx([0, 0, 0.4, 1.3, 1.9, 3.2, 3.4, 4.9], abs=1e-12)


@pytest.mark.source("definition of the Page-Hinkley sum", "derived")
def test_page_hinkley_trace() -> None:
    """m += x - x̄ - δ, PH = m - min m, δ 0.05 (derived)."""
    state, trace = steps.PageHinkleyState(delta=0.05, threshold=10.0), []
    for x in (0, 0, 0, 0, 1, 1, 1, 1):
        state, _ = steps.page_hinkley_step(state, x)
        trace.append(state.rising)
    assert trace == pytest.approx([0, 0, 0, 0, 0.75, 1.3667, 1.8881, 2.3381], abs=5.1e-5)


def markov_run_length(k: float, h: float, shift: float, cells: int = 800) -> float:
    """One-sided run length by a Markov chain over cells of the sum, the lowest around 0."""
    width = 2.0 * h / (2 * cells - 1)
    at = np.arange(cells) * width
    upper = (at[None, :] + width / 2 - at[:, None] + k - shift) / math.sqrt(2.0)
    below = 0.5 * np.array([[math.erfc(-v) for v in row] for row in upper.tolist()])
    moves = np.diff(below, axis=1, prepend=0.0)
    return float(np.linalg.solve(np.eye(cells) - moves, np.ones(cells))[0])


RUN_LENGTHS = [
    (4.0, 0.0, 167.7, 0.05),
    (4.0, 0.5, 26.6, 0.05),
    (4.0, 1.0, 8.38, 0.005),
    (4.0, 2.0, 3.34, 0.005),
    (5.0, 0.0, 465.4, 0.05),
    (5.0, 0.5, 38.0, 0.05),
    (5.0, 1.0, 10.38, 0.005),
    (5.0, 2.0, 4.01, 0.005),
]


@pytest.mark.source("Markov chain of the CUSUM", "derived")
@pytest.mark.parametrize(("h", "shift", "expected", "half"), RUN_LENGTHS)
def test_run_lengths(h: float, shift: float, expected: float, half: float) -> None:
    """Two-sided, k 0.5 (derived); one-sided and in control twice as long, 930.8 at h 5."""
    found = steps.run_length(k=0.5, h=h, shift=shift)
    assert found == pytest.approx(expected, abs=1.02 * half)
    if (h, shift) == (5.0, 0.0):
        assert 2.0 * found == pytest.approx(930.8, abs=0.1)


@pytest.mark.source("Markov chain of the CUSUM", "derived")
@pytest.mark.slow
@pytest.mark.parametrize(("h", "shift"), [(4.0, 0.0), (5.0, 0.0), (5.0, 1.0)])
def test_run_lengths_agree_with_a_markov_chain(h: float, shift: float) -> None:
    """Two independent ways to the same figure, to 2e-4."""
    rates = [1.0 / markov_run_length(0.5, h, sign * shift) for sign in (1.0, -1.0)]
    assert steps.run_length(k=0.5, h=h, shift=shift) == pytest.approx(1.0 / sum(rates), rel=2e-4)


@pytest.mark.source("Markov chain of the CUSUM", "derived")
@pytest.mark.slow
@pytest.mark.parametrize(("shift", "runs"), [(0.0, 300), (0.5, 1000), (1.0, 1000), (2.0, 1000)])
def test_run_lengths_of_the_code_itself(shift: float, runs: int) -> None:
    """Counted runs at h 5 lie within four standard errors of the figure (derived)."""
    rng = np.random.default_rng(612)
    lengths = []
    for _ in range(runs):
        state, alarm = steps.CusumState(k=0.5, h=5.0), None
        while alarm is None:
            state, alarm = steps.cusum_step(state, shift + float(rng.standard_normal()))
        lengths.append(state.seen)
    expected = {(h, s): length for h, s, length, _ in RUN_LENGTHS}[5.0, shift]
    error = float(np.std(lengths)) / math.sqrt(runs)
    assert float(np.mean(lengths)) == pytest.approx(expected, abs=4.0 * error)
