"""From a config file to a :class:`StationConfig`, or to everything that is wrong with it.

Each table is validated on its own, so that a fault in one hides none in another; then what one
table says of another is checked against the names that stand in the file, faulty or not.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path as FilePath
from typing import Any, TypeVar

from pydantic import ValidationError

from acqd.config.checks import check_references
from acqd.config.models import (
    TOPIC_LEVEL,
    ChainTable,
    ContextTable,
    JobTable,
    MqttTable,
    NearbyTable,
    StationTable,
    SweeperTable,
    is_topic_level,
)
from acqd.config.problems import Text, homes_of_keys, in_file_order, near_miss, shown
from acqd.config.reading import parse_toml, read_text
from acqd.config.tables import Table
from acqd.config.whole import StationConfig
from acqd.errors import ConfigError, ConfigProblem

__all__ = ["StationConfig", "find_config", "load_config", "parse_config"]

FILE_NAME = "station.toml"

_TABLES: Mapping[str, type[Table]] = {"station": StationTable, "mqtt": MqttTable}
_FAMILIES: Mapping[str, type[Table]] = {
    "sweeper": SweeperTable,
    "chain": ChainTable,
    "context": ContextTable,
    "transmitter": NearbyTable,
    "job": JobTable,
}
"""Tables that there is one of, and tables that there are many of by name."""

_RESERVED = {"job": ("station",)}
"""Names that topics need for something else: findings of the station itself."""

T = TypeVar("T", bound=Table)


def find_config(
    given: str | os.PathLike[str] | None = None,
    *,
    folder: FilePath | None = None,
    environ: Mapping[str, str] | None = None,
) -> FilePath:
    """The config file to use: the one given, or the first of the usual ones that is there.

    Looked for are ``station.toml`` in the current folder, in the user's config folder
    (``$XDG_CONFIG_HOME/acqd``, else ``~/.config/acqd``), and in the system's
    (``$CONFIGURATION_DIRECTORY``, which systemd sets, then ``/etc/acqd``). Where a folder is given
    the ``station.toml`` in it is meant.

    Raises:
        ConfigError: nothing is there; says where it was looked for.
    """
    if given is not None:
        path = FilePath(os.path.expanduser(given))  # leaves a home it does not know as it is
        return path / FILE_NAME if path.is_dir() else path
    places = _usual_places(
        FilePath.cwd() if folder is None else folder, os.environ if environ is None else environ
    )
    for place in places:
        if place.is_file():
            return place
    problem = ConfigProblem(
        file=FILE_NAME,
        where="the file",
        line=None,
        given=None,
        problem="no config found; looked for " + ", ".join(str(place) for place in places),
        accepted="one of these, or a path on the command line",
    )
    raise ConfigError((problem,))


def _usual_places(folder: FilePath, environ: Mapping[str, str]) -> list[FilePath]:
    home, xdg = environ.get("HOME", ""), environ.get("XDG_CONFIG_HOME", "")
    # The XDG base directory specification says to ignore a path that is not absolute.
    user = FilePath(xdg) if FilePath(xdg).is_absolute() else FilePath(home) / ".config"
    systemd = environ.get("CONFIGURATION_DIRECTORY", "")
    return [
        folder / FILE_NAME,
        *([user / "acqd" / FILE_NAME] if user.is_absolute() else []),
        *(FilePath(part) / FILE_NAME for part in systemd.split(":") if part),
        FilePath("/etc/acqd") / FILE_NAME,
    ]


def load_config(path: str | os.PathLike[str]) -> StationConfig:
    """The config in the file at ``path``, checked through and through.

    Raises:
        ConfigError: with every problem found, in file order.
    """
    file = FilePath(path)
    return parse_config(read_text(file), file)


def parse_config(text: str, path: str | os.PathLike[str]) -> StationConfig:
    """:func:`load_config` for a text that is already read; ``path`` is where it belongs.

    Raises:
        ConfigError: as :func:`load_config`.
    """
    file = FilePath(path)
    data, places = parse_toml(str(file), text)
    places = replace(places, homes=homes_of_keys(dict(_headers())))
    reader = _Reader(data, places)
    station = reader.single("station", StationTable)
    mqtt = reader.single("mqtt", MqttTable)
    sweepers = reader.family("sweeper", SweeperTable)
    chains = reader.family("chain", ChainTable)
    context = reader.family("context", ContextTable)
    transmitters = reader.family("transmitter", NearbyTable)
    jobs = reader.family("job", JobTable)
    reader.refuse_unknown_tables()
    references = check_references(
        data, places, station=station, sweepers=sweepers, jobs=jobs, folder=file.parent
    )
    problems = (*in_file_order((*reader.problems, *references.problems)), *references.elsewhere)
    if problems or station is None or mqtt is None:
        raise ConfigError(problems)
    return StationConfig(
        path=file.absolute(),
        text=text,
        digest=hashlib.sha256(text.encode()).hexdigest()[:16],
        station=station,
        mqtt=mqtt,
        sweepers=sweepers,
        chains=chains,
        context=context,
        transmitters=transmitters,
        jobs=jobs,
        channel_plans=references.channel_plans,
        limit_profiles=references.limit_profiles,
        places=places,
    )


def _headers() -> Iterator[tuple[str, type[Table]]]:
    yield from _TABLES.items()
    yield from ((f"{family}.NAME", model) for family, model in _FAMILIES.items())


class _Reader:
    """Takes the tables of one file one by one and gathers what is wrong with them."""

    def __init__(self, data: Mapping[str, Any], places: Text) -> None:
        self._data = data
        self._places = places
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
        named = self._data.get(family, {})
        if not isinstance(named, Mapping):
            self._problem(
                (family,), "not a table", accepted=f"tables [{family}.NAME]", given=shown(named)
            )
            return {}
        tables = {name: self._member(family, name, data, model) for name, data in named.items()}
        return {name: table for name, table in tables.items() if table is not None}

    def _member(self, family: str, name: str, data: object, model: type[T]) -> T | None:
        path = (family, name)
        if not isinstance(data, Mapping):
            self._problem(
                path,
                f"`{name}` stands where the NAME of a {family} belongs",
                accepted=f"{family}s have names: a table [{family}.NAME]",
                given=shown(data),
            )
            return None
        if not is_topic_level(name):
            self._problem(path, f"a name that is not fit for a topic: {name}", accepted=TOPIC_LEVEL)
        elif name in _RESERVED.get(family, ()):
            self._problem(path, f"the name `{name}` is reserved", accepted="another name")
        return self._table(path, data, model)

    def _table(self, path: tuple[str, ...], data: object, model: type[T]) -> T | None:
        try:
            return model.model_validate(data)
        except ValidationError as exc:
            found = self._places.problems_of(exc, table=path, model=model, data=data)
            self.problems.extend(found)
            return None

    def refuse_unknown_tables(self) -> None:
        """Whatever stands at the top of the file and is nothing that is known."""
        known = [*_TABLES, *_FAMILIES]
        for name in self._data:
            if name in known:
                continue
            what = "table" if isinstance(self._data[name], Mapping | list) else "key"
            hint = near_miss(name, known) or self._places.home_of(name)
            self._problem(
                (name,),
                f"unknown {what} `{name}`{hint}",
                accepted=", ".join(f"[{header}]" for header, _ in _headers()),
            )

    def _problem(
        self, path: tuple[str, ...], problem: str, *, accepted: str, given: str | None = None
    ) -> None:
        self.problems.append(self._places.problem(path, problem, accepted=accepted, given=given))
