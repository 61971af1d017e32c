"""States of meters as bytes and back, bit for bit, without pickle.

A state is a frozen dataclass of plain values, tuples, arrays and further such dataclasses. It
becomes JSON: floats by their shortest exact form (NaN and infinities as Python's json writes them),
arrays as base64 of their bytes in little-endian order. Same state, same bytes.
"""

from __future__ import annotations

import base64
import dataclasses
import json
import types
import typing
from collections.abc import Mapping
from enum import Enum
from functools import cache
from typing import Any, TypeVar

import numpy as np

__all__ = ["ADDED", "DERIVED", "dump_state", "load_state"]

T = TypeVar("T")

DERIVED = "derived"
"""Metadata key of fields that are worked out anew from the others and not stored."""

ADDED = "added"
"""Metadata key of fields that older states of the same version lack: they have their default then.
It has to mean what such states were made with."""


def dump_state(version: str, state: Any) -> bytes:
    """``state`` under the name of its meter and version."""
    data = {"version": version, "state": _plain(state)}
    return json.dumps(data, sort_keys=True, separators=(",", ":")).encode()


def load_state(version: str, kind: type[T], data: bytes) -> T:
    """The state of class ``kind`` that :func:`dump_state` made ``data`` from.

    Raises:
        ValueError: not JSON, of another meter or version, or not of that shape.
    """
    try:
        found = json.loads(data)
        name = found["version"]
        body = found["state"]
    except (ValueError, KeyError, TypeError) as exc:
        raise ValueError(f"not a meter state: {exc!r}") from exc
    if name != version:
        raise ValueError(f"a state of meter {name!r}, expected {version!r}")
    try:
        return typing.cast(T, _build(kind, body))
    except (KeyError, TypeError, IndexError, ValueError) as exc:
        raise ValueError(f"a damaged state of meter {version!r}: {exc!r}") from exc


def _plain(value: Any) -> Any:
    if isinstance(value, Enum):
        return value.value
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if isinstance(value, np.ndarray):
        packed = np.ascontiguousarray(value)
        packed = packed.astype(packed.dtype.newbyteorder("<"), copy=False)
        return {
            "dtype": packed.dtype.str,
            "shape": list(value.shape),
            "base64": base64.b64encode(packed.tobytes()).decode("ascii"),
        }
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, Mapping):
        if not all(isinstance(key, str) for key in value):
            raise TypeError("a state cannot hold a mapping whose keys are no texts")
        return {key: _plain(item) for key, item in value.items()}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {name: _plain(getattr(value, name)) for name in _fields(type(value))}
    raise TypeError(f"a state cannot hold {type(value).__name__}")


@cache
def _fields(kind: type[Any]) -> Mapping[str, Any]:
    """Stored fields of a dataclass and their types."""
    hints = typing.get_type_hints(kind)
    return {f.name: hints[f.name] for f in dataclasses.fields(kind) if not f.metadata.get(DERIVED)}


@cache
def _added(kind: type[Any]) -> frozenset[str]:
    """Stored fields of a dataclass that a state may lack."""
    return frozenset(f.name for f in dataclasses.fields(kind) if f.metadata.get(ADDED))


def _build(hint: Any, value: Any) -> Any:
    if hint is Any:
        return value  # plain JSON data
    origin = typing.get_origin(hint)
    if origin is Mapping or origin is dict:
        kind = typing.get_args(hint)[1]
        return {key: _build(kind, item) for key, item in value.items()}
    if origin in (types.UnionType, typing.Union):
        options = [option for option in typing.get_args(hint) if option is not type(None)]
        return None if value is None else _build(options[0], value)
    if origin is tuple:
        return _build_tuple(typing.get_args(hint), value)
    if origin is np.ndarray or hint is np.ndarray:
        raw = base64.b64decode(value["base64"], validate=True)
        array = np.frombuffer(raw, dtype=np.dtype(value["dtype"])).reshape(value["shape"])
        return array.astype(array.dtype.newbyteorder("="), copy=True)
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        may_lack = _added(hint)
        fields = _fields(hint).items()
        there = {n: kind for n, kind in fields if n not in may_lack or n in value}
        return hint(**{name: _build(kind, value[name]) for name, kind in there.items()})
    if isinstance(hint, type) and issubclass(hint, Enum):
        return hint(value)
    if hint is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if not isinstance(value, hint):
        raise TypeError(f"expected {hint.__name__}, got {value!r}")
    return value


def _build_tuple(args: tuple[Any, ...], value: Any) -> tuple[Any, ...]:
    if len(args) == 2 and args[1] is Ellipsis:
        return tuple(_build(args[0], item) for item in value)
    return tuple(_build(kind, item) for kind, item in zip(args, value, strict=True))
