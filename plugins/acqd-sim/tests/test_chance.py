"""Numbers that depend on a key and a counter, and on nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from acqd_sim.chance import exponential, generator, normal, stream_key, unit


def test_a_stream_is_the_same_in_any_order_and_in_pieces() -> None:
    """The n-th number does not depend on which others were asked for."""
    counter = np.arange(-50, 50)
    whole = unit(42, counter)
    assert np.array_equal(whole[::-1], unit(42, counter[::-1]))
    assert np.array_equal(whole, [float(unit(42, int(n))) for n in counter])


def test_known_values_stay_as_they_are() -> None:
    """A change of the hash would change every scene: these three values pin it."""
    values = unit(stream_key(1, "voice"), np.array([0, 1, 2**40]))
    assert values == pytest.approx(PINNED, abs=1e-15)


PINNED = [0.7997464732927178, 0.0765476322715612, 0.6100363451114923]


def test_even_numbers_are_even_and_unrelated() -> None:
    """Mean, variance and lag correlation of 200,000 within five standard errors."""
    sample = unit(3, np.arange(200_000))
    assert sample.min() > 0.0
    assert sample.max() < 1.0
    assert sample.mean() == pytest.approx(0.5, abs=5 * 0.2887 / 447)
    assert sample.var() == pytest.approx(1 / 12, rel=0.01)
    for other in (sample[1:], unit(3, np.arange(199_999), salt=1), unit(4, np.arange(199_999))):
        assert abs(np.corrcoef(sample[:-1], other)[0, 1]) < 5 / 447


def test_exponential_and_normal_have_their_moments() -> None:
    """Mean 1 and variance 1; mean 0, variance 1 and kurtosis 3."""
    counter = np.arange(200_000)
    waits, bell = exponential(5, counter), normal(5, counter)
    assert waits.mean() == pytest.approx(1.0, abs=0.012)
    assert waits.var() == pytest.approx(1.0, abs=0.03)
    assert bell.mean() == pytest.approx(0.0, abs=0.012)
    assert bell.var() == pytest.approx(1.0, abs=0.02)
    assert np.mean(bell**4) == pytest.approx(3.0, abs=0.1)


def test_generators_of_one_key_agree_and_of_two_do_not() -> None:
    """The noise of a sweep is given by its key."""
    one, same, other = generator(1, "a", 5), generator(1, "a", 5), generator(1, "a", 6)
    first = one.random(8)
    assert np.array_equal(first, same.random(8))
    assert not np.array_equal(first, other.random(8))
