"""Canonical levels: what is measured is what the archive gives back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acqd.canonical import (
    STEPS,
    canonical_levels,
    codes_from_levels,
    finest_step,
    levels_from_codes,
)


@pytest.mark.parametrize("step", STEPS)
def test_every_code_survives(step: float) -> None:
    """All 65 534 codes of two bytes come back from their levels, at every step."""
    codes = np.arange(-(2**15) + 2, 2**15 - 1, dtype=np.int16)
    back = codes_from_levels(levels_from_codes(codes, step), step)
    assert back is not None
    assert back.dtype == np.int16
    assert np.array_equal(back, codes)


@given(st.lists(st.integers(-20000, 20000), min_size=1, max_size=50))
def test_text_and_code_agree(codes: list[int]) -> None:
    """A decimal text parsed to float64 becomes the float32 that its code stands for."""
    parsed = np.array([float(f"{code / 100:.2f}") for code in codes])
    expected = levels_from_codes(np.array(codes, dtype=np.int16), 0.01)
    assert canonical_levels(parsed, 0.01).tobytes() == expected.tobytes()


def test_missing_values_stay_missing() -> None:
    """NaN becomes the missing code and NaN again."""
    level = np.array([-50.5, np.nan, -70.0], dtype=np.float32)
    codes = codes_from_levels(level, 0.5)
    assert codes is not None
    assert codes.tolist() == [-101, -32768, -140]
    assert np.array_equal(levels_from_codes(codes, 0.5), level, equal_nan=True)


def test_off_grid_levels_have_no_codes() -> None:
    """One value off the step and nothing is packed."""
    assert codes_from_levels(np.array([-50.0, -50.013], dtype=np.float32), 0.01) is None


def test_wide_range_takes_four_bytes() -> None:
    """Codes beyond two bytes are four bytes wide."""
    codes = codes_from_levels(np.array([-400.0, 0.0], dtype=np.float32), 0.01)
    assert codes is not None
    assert codes.dtype == np.int32


def test_double_precision_is_kept_where_it_says_more() -> None:
    """Values that no float32 holds stay float64."""
    level = np.array([-70.123456789, -71.2])
    kept = canonical_levels(level)
    assert kept.dtype == np.float64
    assert np.array_equal(kept, level)


def test_complex_levels_are_narrowed_only_if_exact() -> None:
    """complex64 where it holds the value, else complex128."""
    assert canonical_levels(np.array([0.5 + 0.25j])).dtype == np.complex64
    assert canonical_levels(np.array([0.1 + 0.2j])).dtype == np.complex128


@pytest.mark.parametrize(
    ("levels", "step"),
    [([-50.0, -51.0], 1.0), ([-50.5], 0.5), ([-50.25], 0.25), ([-50.1], 0.1), ([-50.123], 0.001)],
)
def test_coarsest_step_is_found(levels: list[float], step: float) -> None:
    """The coarsest step that holds all values is taken."""
    assert finest_step(np.array(levels)) == step


def test_declared_step_goes_first() -> None:
    """What the sweeper declares is tried before anything else."""
    assert finest_step(np.array([-50.0]), 0.01) == 0.01


def test_no_step_is_said() -> None:
    """Levels on no step at all have none."""
    assert finest_step(np.array([-50.12345])) is None
