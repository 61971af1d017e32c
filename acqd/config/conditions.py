"""``flag_while`` and ``only_while`` of a job: what values beside the sweeps have to be.

A condition is the name of a context, which then has to be on (0.5 and above), or a table with one
or two bounds: ``{ context = "supply", below = "11 V" }``. A bound has the unit of its context.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field, PlainSerializer

from acqd.config.problems import Text, near_miss
from acqd.config.quantity import refusal
from acqd.config.tables import AtMostOne, KeyRule, Misfit, Table

__all__ = [
    "BOUNDS",
    "ConditionTable",
    "Conditions",
    "FlagWhile",
    "OnlyTable",
    "OnlyWhile",
    "bounds_of",
    "condition_problems",
    "context_problems",
]

BOUNDS = ("above", "at_least", "below", "at_most")
"""Keys of a condition that hold a number."""

MOST = 16
"""Conditions of one key."""

_BOUND = re.compile(
    r"([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S.{0,19})?", re.ASCII | re.DOTALL
)
_SAME_SIGN = str.maketrans({"−": "-", "\u00a0": " ", "\u202f": " ", "\u2009": " "})
_SAME_UNIT = {"°C": "degC", "μV": "µV", "uV": "µV"}


def _bound(given: object) -> object:
    accepted = 'a number with the unit of its context, such as "11 V", or 0.5 where it has none'
    if isinstance(given, int | float) and not isinstance(given, bool):
        if math.isfinite(given):
            return float(given), ""
    elif isinstance(given, str):
        found = re.fullmatch(_BOUND, given.translate(_SAME_SIGN).strip())
        if found is not None and math.isfinite(float(found[1])):
            return float(found[1]), (found[2] or "").strip()
    raise refusal("not a number, with or without a unit", accepted=accepted)


def _bound_text(bound: tuple[float, str]) -> str:
    return f"{bound[0]:.15g} {bound[1]}".strip()


Bound = Annotated[
    tuple[float, str], BeforeValidator(_bound), PlainSerializer(_bound_text, return_type=str)
]
"""``"11 V"`` as its number and its unit."""


class ConditionTable(Table):
    """One condition: a context, and between which bounds its value has to lie."""

    context: str = Field(description="the NAME of a [context.NAME]")
    above: Bound | None = None
    at_least: Bound | None = None
    below: Bound | None = None
    at_most: Bound | None = None

    rules: ClassVar[tuple[KeyRule, ...]] = (
        AtMostOne(("above", "at_least")),
        AtMostOne(("below", "at_most")),
    )

    def misfits(self) -> Iterator[Misfit]:
        yield from bound_misfits(self)


def bound_misfits(table: Any) -> Iterator[Misfit]:
    """Two bounds between which nothing lies."""
    low, high = table.above or table.at_least, table.below or table.at_most
    if low is None or high is None:
        return
    both = table.at_least is not None and table.at_most is not None
    if low[0] < high[0] or (both and low[0] == high[0]):
        return
    yield Misfit(
        key="below" if table.below is not None else "at_most",
        problem="nothing lies between these bounds",
        accepted=f"more than {_bound_text(low)}",
    )


class OnlyTable(ConditionTable):
    """A condition that a job waits for. ``unknown``: what it does while nobody knows the value."""

    unknown: Literal["wait", "sweep"] = "wait"


def _listed(given: object) -> object:
    """One condition, or several, each as a table."""
    listed = given if isinstance(given, list | tuple) else [given]
    return [{"context": one} if isinstance(one, str) else one for one in listed]


Conditions = Annotated[tuple[ConditionTable, ...], BeforeValidator(_listed), Field(max_length=MOST)]
FlagWhile = Conditions
OnlyWhile = Annotated[tuple[OnlyTable, ...], BeforeValidator(_listed), Field(max_length=MOST)]


def bounds_of(table: Any) -> dict[str, tuple[float, str]]:
    """The bounds that a condition has, by their keys."""
    return {key: bound for key in BOUNDS if (bound := getattr(table, key)) is not None}


def context_problems(
    table: Any, place: tuple[str | int, ...], contexts: Mapping[str, Any], places: Text
) -> Iterator[Any]:
    """Problems of a condition with the contexts of its file: there is none such, other units.

    ``contexts`` are the tables as they were given, right or faulty, by name.
    """
    if table.context not in contexts:
        listed = ", ".join(f"`{each}`" for each in contexts)
        yield places.problem(
            place,
            f"there is no context `{table.context}`{near_miss(table.context, contexts)}",
            accepted=f"one of {listed}" if listed else "a table [context.NAME]",
        )
        return
    given = contexts[table.context]
    unit = given.get("unit", "") if isinstance(given, Mapping) else None
    if not isinstance(unit, str):
        return
    if unit and not bounds_of(table):
        yield places.problem(
            place,
            f"context `{table.context}` is in {unit}, and nothing says from where on it holds",
            accepted=f'{{ context = "{table.context}", at_least = "1 {unit}" }} or the like; '
            "a bare name is for what is on or off",
        )
    for key, bound in bounds_of(table).items():
        if _same(bound[1]) == _same(unit):
            continue
        said = f"the unit of context `{table.context}` is `{unit}`"
        yield places.problem(
            (*place, key),
            said if unit else f"context `{table.context}` has no unit",
            accepted=f'a number in it, such as "{bound[0]:g} {unit}"'
            if unit
            else f"a bare number, such as {bound[0]:g}, or a `unit` in [context.{table.context}]",
            given=f'"{_bound_text(bound)}"',
        )


def _same(unit: str) -> str:
    return _SAME_UNIT.get(unit.strip(), unit.strip())


def condition_problems(
    jobs: Mapping[str, Any], contexts: Mapping[str, Any], places: Text
) -> Iterator[Any]:
    """What is wrong with conditions of jobs, beside the tables themselves."""
    for name, job in jobs.items():
        for key in ("flag_while", "only_while"):
            for one in getattr(job, key):
                yield from context_problems(one, ("job", name, key), contexts, places)
