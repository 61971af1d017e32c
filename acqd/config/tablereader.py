"""The tables of one TOML file, each validated alone: a fault in one hides none in another."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import ValidationError

from acqd.config.models import TOPIC_LEVEL, is_topic_level
from acqd.config.problems import Text, near_miss, shown
from acqd.config.tables import Table
from acqd.errors import ConfigProblem

__all__ = ["TableReader", "headers_of"]

RESERVED = {"job": ("station",)}
"""Names that topics need for something else: findings of the station itself."""

T = TypeVar("T", bound=Table)
Tables = Mapping[str, type[Table]]


def headers_of(tables: Tables, families: Tables) -> dict[str, type[Table]]:
    """Every table of a file by its header: ``NAME`` stands for the names of a family."""
    return {**tables, **{f"{family}.NAME": model for family, model in families.items()}}


class TableReader:
    """Takes the tables of one file one by one and gathers what is wrong with them.

    ``tables`` are those that there is one of, ``families`` those that there are many of by name.
    """

    def __init__(
        self, data: Mapping[str, Any], places: Text, *, tables: Tables, families: Tables
    ) -> None:
        self._data = data
        self._places = places
        self._headers = headers_of(tables, families)
        self._known = [*tables, *families]
        self.problems: list[ConfigProblem] = []

    def single(self, name: str, model: type[T]) -> T | None:
        """The table that there is one of; all defaults where it may be missing and is."""
        data = self._data.get(name, {})
        if name not in self._data and any(f.is_required() for f in model.model_fields.values()):
            self._problem((name,), f"the table [{name}] is missing", accepted=f"a table [{name}]")
            return None
        return self._table((name,), data, model)

    def family(self, family: str, model: type[T]) -> dict[str, T]:
        """The tables of one family that are right, by name, in file order."""
        named = self.named(family)
        tables = {name: self._table((family, name), data, model) for name, data in named.items()}
        return {name: table for name, table in tables.items() if table is not None}

    def named(self, family: str) -> dict[str, Mapping[str, Any]]:
        """The tables of one family, not validated, by their names, which are."""
        named = self._data.get(family, {})
        if not isinstance(named, Mapping):
            self._problem(
                (family,), "not a table", accepted=f"tables [{family}.NAME]", given=shown(named)
            )
            return {}
        return {name: data for name, data in named.items() if self._is_member(family, name, data)}

    def _is_member(self, family: str, name: str, data: object) -> bool:
        path = (family, name)
        if not isinstance(data, Mapping):
            self._problem(
                path,
                f"`{name}` stands where the NAME of a {family} belongs",
                accepted=f"{family}s have names: a table [{family}.NAME]",
                given=shown(data),
            )
            return False
        if not is_topic_level(name):
            self._problem(path, f"a name that is not fit for a topic: {name}", accepted=TOPIC_LEVEL)
        elif name in RESERVED.get(family, ()):
            self._problem(path, f"the name `{name}` is reserved", accepted="another name")
        return True

    def refuse_unknown(self) -> None:
        """Whatever stands at the top of the file and is nothing that is known."""
        for name, value in self._data.items():
            if name in self._known:
                continue
            what = "table" if isinstance(value, Mapping | list) else "key"
            hint = near_miss(name, self._known) or self._places.home_of(name)
            self._problem(
                (name,),
                f"unknown {what} `{name}`{hint}",
                accepted=", ".join(f"[{header}]" for header in self._headers),
            )

    def _table(self, path: tuple[str, ...], data: object, model: type[T]) -> T | None:
        try:
            return model.model_validate(data)
        except ValidationError as exc:
            self.problems.extend(self._places.problems_of(exc, table=path, model=model, data=data))
            return None

    def _problem(
        self, path: tuple[str, ...], problem: str, *, accepted: str, given: str | None = None
    ) -> None:
        self.problems.append(self._places.problem(path, problem, accepted=accepted, given=given))
