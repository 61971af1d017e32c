"""States as bytes."""

from __future__ import annotations

import dataclasses
import json
import math
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

from acqd.measure.checkpoint import DERIVED, dump_state, load_state


class Colour(StrEnum):
    RED = "red"


@dataclass(frozen=True, slots=True)
class Inner:
    pair: tuple[int, float]
    colour: Colour


@dataclass(frozen=True, slots=True)
class State:
    number: float
    name: str | None
    array: NDArray[np.float64]
    inner: tuple[Inner, ...] = ()
    flag: bool = False
    cache: object = field(default=None, metadata={DERIVED: True})


def same(one: State, other: State) -> bool:
    return dump_state("t/1", one) == dump_state("t/1", other)


@given(
    st.floats(width=64),
    st.none() | st.text(),
    hnp.arrays(np.float64, hnp.array_shapes(min_side=0, max_dims=2)),
    st.lists(st.integers(), max_size=3),
)
def test_states_come_back_bit_for_bit(
    number: float, name: str | None, array: NDArray[np.float64], numbers: list[int]
) -> None:
    """NaN, infinities, −0 and empty arrays included; no JSON parser need be lenient with us."""
    inner = tuple(Inner((n, n / 7), Colour.RED) for n in numbers)
    state = State(number, name, array, inner, True, cache=object())
    back = load_state("t/1", State, dump_state("t/1", state))
    assert same(back, state)
    assert back.array.tobytes() == array.tobytes()
    assert back.array.shape == array.shape
    assert math.copysign(1.0, back.number) == math.copysign(1.0, number) or math.isnan(number)
    assert back.inner == inner
    assert back.cache is None


@pytest.mark.parametrize("dtype", [np.bool_, np.int64, np.float32, np.intp])
def test_array_types_are_kept(dtype: type[np.generic]) -> None:
    """Arrays come back in the type they had, writable, in this machine's byte order."""
    state = State(0.0, None, np.arange(3).astype(dtype))
    back = load_state("t/1", State, dump_state("t/1", state)).array
    assert back.dtype == dtype
    assert back.dtype.isnative


def test_foreign_bytes_are_refused() -> None:
    """No JSON, no state, another meter or version: one clear error each."""
    good = dump_state("t/1", State(0.0, None, np.zeros(1)))
    for data, words in (
        (b"\x00", "not a meter state"),
        (b"[]", "not a meter state"),
        (b"{}", "not a meter state"),
        (good, "expected 't/2'"),
    ):
        with pytest.raises(ValueError, match=words):
            load_state("t/2", State, data)


@pytest.mark.parametrize(
    ("field_name", "value"),
    [
        ("number", "x"),
        ("array", {"dtype": "<f8", "shape": [3], "base64": "AAAA"}),
        ("inner", [[1]]),
    ],
)
def test_damaged_states_are_refused(field_name: str, value: object) -> None:
    """A field that cannot be what it should be is not guessed at."""
    data = json.loads(dump_state("t/1", State(0.0, None, np.zeros(1))))
    data["state"][field_name] = value
    with pytest.raises(ValueError, match="damaged"):
        load_state("t/1", State, json.dumps(data).encode())


def test_missing_field_is_refused() -> None:
    """A state of an older shape is not filled up silently."""
    data = json.loads(dump_state("t/1", State(0.0, None, np.zeros(1))))
    del data["state"]["flag"]
    with pytest.raises(ValueError, match="damaged"):
        load_state("t/1", State, json.dumps(data).encode())


def test_what_a_state_cannot_hold_is_refused() -> None:
    """Better at the first dump than at the restart after a power cut."""
    state = dataclasses.replace(State(0.0, None, np.zeros(1)), name=object())
    with pytest.raises(TypeError, match="object"):
        dump_state("t/1", state)
