"""Whether what a driver says of its sweeper is plain data of the stated kinds. Pure functions.

Reports, capabilities and identities go into digests, files and messages. A text where a number
belongs, or a number that is none, would come to light there, far from the driver; so each field is
held against its declaration here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from typing import Any, Final, TypeVar

from acqd.sweep import Capabilities, Detector, Identity, LevelUnit, Reported

__all__ = ["TEXT_CAP", "is_finite", "numbers_as_declared", "printable", "problem_of", "too_coarse"]

Told = TypeVar("Told", Reported, Capabilities, Identity)

TEXT_CAP: Final = 256
"""Characters of a text; it is stored with every segment."""

ITEMS_CAP: Final = 1000
"""Values of a list, such as the steps of the RBW."""

WHOLE_CAP: Final = 2**53
"""Whole numbers up to here are float64 exactly, and fit into a database's 64 bits."""

COARSEST_DB: Final = 10.0
"""A scale in decibels with coarser steps than this measures nothing."""

ABOVE_ZERO: Final = frozenset({"rbw_hz", "vbw_hz", "averages", "averages_max", "resolution"})
WITHIN: Final = {"noise_bandwidth_ratio": (0.5, 2.0)}
"""A filter of one pole has 1.57, one whose RBW is a 6 dB width 0.75, an impulse bandwidth 0.71."""
NOT_BELOW_ZERO: Final = frozenset({"sweep_time_s", "level_accuracy_db", "frequency_accuracy_ppm"})


def is_finite(value: Any) -> bool:
    """True for a Python number that float64 holds; numpy's own kinds other than float64 are not."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and abs(value) <= WHOLE_CAP


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and len(value) <= TEXT_CAP


def _is_printable_text(value: Any) -> bool:
    """Half of a surrogate pair, among others, is not: no file or message could hold it."""
    return _is_text(value) and value.isprintable()


def _or_none(fits: Callable[[Any], bool]) -> Callable[[Any], bool]:
    return lambda value: value is None or fits(value)


def _all(fits: Callable[[Any], bool]) -> Callable[[Any], bool]:
    return lambda value: (
        isinstance(value, tuple) and len(value) <= ITEMS_CAP and all(map(fits, value))
    )


def _is(kind: type) -> Callable[[Any], bool]:
    return lambda value: isinstance(value, kind)


NUMBER = "a finite Python number"
WHOLE = "a whole Python number within ±2^53"
RULES: Final[Mapping[str, tuple[Callable[[Any], bool], str]]] = {
    "float": (is_finite, NUMBER),
    "float | None": (_or_none(is_finite), f"{NUMBER} or None"),
    "int": (_is_whole, WHOLE),
    "int | None": (_or_none(_is_whole), f"{WHOLE} or None"),
    "bool": (_is(bool), "True or False"),
    "str": (_is_text, f"text of at most {TEXT_CAP} characters"),
    "LevelUnit": (_is(LevelUnit), "a LevelUnit"),
    "Detector | None": (_or_none(_is(Detector)), "a Detector or None"),
    "tuple[float, ...]": (_all(is_finite), f"a tuple of finite numbers, at most {ITEMS_CAP}"),
    "tuple[int, ...]": (_all(_is_whole), f"a tuple of whole numbers, at most {ITEMS_CAP}"),
    "tuple[str, ...]": (
        _all(_is_printable_text),
        f"a tuple of printable texts of at most {TEXT_CAP} characters, at most {ITEMS_CAP}",
    ),
    "tuple[Detector, ...]": (_all(_is(Detector)), "a tuple of Detectors"),
}
"""By the declaration of a field: what fits, and how that is called."""


def problem_of(told: Reported | Capabilities | Identity) -> str | None:
    """What is wrong with the first field that does not fit its declaration; None where all do."""
    for field in fields(told):
        value = getattr(told, field.name)
        fits, expected = RULES[str(field.type)]
        if not fits(value):
            return f"{field.name} must be {expected}, got {_shown(value)}"
        if value is not None and field.name in ABOVE_ZERO and value <= 0:
            return f"{field.name} must be above 0, got {value}"
        if value is not None and field.name in NOT_BELOW_ZERO and value < 0:
            return f"{field.name} must not be below 0, got {value}"
        if value is not None and field.name in WITHIN:
            least, most = WITHIN[field.name]
            if not least <= value <= most:
                return f"{field.name} must lie in {least:g}..{most:g}, got {value}"
    return None


def too_coarse(resolution: float | None, unit: LevelUnit) -> bool:
    """Whether steps of ``resolution`` are coarser than any scale in decibels."""
    return resolution is not None and unit.is_logarithmic and resolution > COARSEST_DB


def numbers_as_declared(told: Told) -> Told:
    """``told``, in which nothing is wrong, with every number of the kind that its field declares.

    A whole number passes for a float, but a database, a digest and a file would tell them apart.
    The same object where all are already.
    """
    changed: dict[str, Any] = {}
    for name, kind in NUMBER_FIELDS[type(told)]:
        value = getattr(told, name)
        if isinstance(value, tuple):
            if any(type(item) is not kind for item in value):
                changed[name] = tuple(map(kind, value))
        elif value is not None and type(value) is not kind:
            changed[name] = kind(value)
    return replace(told, **changed) if changed else told


def _number_fields(kind: Any) -> tuple[tuple[str, type[float] | type[int]], ...]:
    kinds: dict[str, type[float] | type[int]] = {"float": float, "int": int}
    found = []
    for field in fields(kind):
        declared = str(field.type).removesuffix(" | None")
        declared = declared.removeprefix("tuple[").removesuffix(", ...]")
        if declared in kinds:
            found.append((field.name, kinds[declared]))
    return tuple(found)


NUMBER_FIELDS: Final = {kind: _number_fields(kind) for kind in (Reported, Capabilities, Identity)}


def printable(identity: Identity) -> Identity:
    """``identity`` without what cannot be shown or stored: fill bytes, escapes, halves of pairs."""
    texts = {field.name: getattr(identity, field.name) for field in fields(identity)}
    if all(text.isprintable() for text in texts.values()):
        return identity
    kept = {
        name: "".join(letter for letter in text if letter.isprintable()).strip()
        for name, text in texts.items()
    }
    return replace(identity, **kept)


def _shown(value: Any) -> str:
    try:
        return f"{value!r:.60}"
    except Exception:
        return f"a {type(value).__name__}"
