"""A map: a TOML file that says how logs are written and what they are to become.

Its tables are those of :mod:`acqd.ingest.tables`, and ``[sweeper.NAME]``, ``[chain.NAME]`` and
``[job.NAME]`` as in a station's config, with less to say: the sweep and its rhythm come from the
files. So the job has a config like any other, and its meter is the one that measures live.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from acqd.config.checks import check_references
from acqd.config.models import (
    TOPIC_LEVEL,
    ChainTable,
    ContextTable,
    JobTable,
    MqttTable,
    StationTable,
    SweeperTable,
    is_topic_level,
)
from acqd.config.problems import Text, homes_of_keys, in_file_order
from acqd.config.quantity import DURATION, FREQUENCY, format_quantity
from acqd.config.reading import parse_toml, read_text
from acqd.config.tablereader import TableReader, headers_of
from acqd.config.tables import Table
from acqd.config.whole import StationConfig
from acqd.errors import ConfigError, ConfigProblem, WrongUsage
from acqd.ingest.tables import (
    TABLES,
    ContextColumn,
    FileTable,
    FrequencyTable,
    GapsTable,
    LevelTable,
    LoggedSweeperTable,
    LogsTable,
    ReferenceTable,
    SettingsTable,
    TimeTable,
)
from acqd.sweep import Identity

__all__ = ["LogMap", "Span", "load_map", "parse_map"]

FAMILIES: Mapping[str, type[Table]] = {
    "context": ContextColumn,
    "sweeper": LoggedSweeperTable,
    "chain": ChainTable,
    "job": JobTable,
}
LOG = "log"
"""What job and sweeper are called where a map names none."""
NOT_HERE = {
    "when": 'nothing: how often a sweep was due stands in [gaps], such as every = "2 s"',
    "soak": "nothing: a soak ends with a verdict while somebody waits for it",
}
"""Keys of a job that mean nothing where the sweeps are there already."""
KINDS_NOT_HERE = {"emission": "each of its passes hangs on what the sweep before showed"}

T = TypeVar("T", bound=Table)


@dataclass(frozen=True, slots=True)
class Span:
    """What a job sweeps, where its map leaves it to the files."""

    start_hz: float
    stop_hz: float
    points: int


WIDEST = Span(0.0, 3e12, 2)
"""Stands for a span that is not known yet."""


@dataclass(frozen=True, kw_only=True)
class LogMap:
    """One map, checked. ``digest`` is the SHA-256 of its text."""

    path: Path
    text: str = field(repr=False)
    digest: str
    logs: LogsTable
    file: FileTable
    time: TimeTable
    frequency: FrequencyTable
    level: LevelTable
    settings: SettingsTable
    gaps: GapsTable
    reference: ReferenceTable
    context: Mapping[str, ContextColumn]
    sweepers: Mapping[str, LoggedSweeperTable]
    chains: Mapping[str, ChainTable]
    data: Mapping[str, Any] = field(repr=False)
    places: Text = field(repr=False)

    @property
    def jobs(self) -> tuple[str, ...]:
        """The jobs that the map describes; one of a default name where it describes none."""
        return tuple(self.data.get("job") or (LOG,))

    def job(self, wanted: str | None) -> str:
        """The job that is meant: the one of that name, or the only one.

        A name that the map does not have is one more name for its only job.

        Raises:
            WrongUsage: it is not clear which, or the name is none.
        """
        if wanted is None:
            if len(self.jobs) > 1:
                raise WrongUsage(
                    f"{self.path}: which job? give --job with one of: {', '.join(self.jobs)}"
                )
            return self.jobs[0]
        if not is_topic_level(wanted) or wanted == "station":
            raise WrongUsage(f"--job {wanted}: not the name of a job; expected {TOPIC_LEVEL}")
        if wanted not in self.jobs and len(self.jobs) > 1:
            raise WrongUsage(f"{self.path}: no job {wanted!r}; jobs there: {', '.join(self.jobs)}")
        return wanted

    def config(self, job: str, span: Span) -> StationConfig:
        """A station's config with this one job; ``span`` where the map does not say the sweep.

        Raises:
            ConfigError: it cannot be, such as channels of which nothing was swept.
        """
        config, problems = self._config({job: self._job_data(job, span)})
        if problems:
            raise ConfigError(in_file_order(problems))
        return config

    def says_span(self, job: str) -> bool:
        """Whether the map says what the job sweeps."""
        return any(key in self._given(job) for key in ("start", "centre"))

    def identity(self, sweeper: str) -> Identity:
        """Who made the logs, as far as the map knows."""
        told = self.sweepers.get(sweeper)
        if told is None:
            return Identity()
        return Identity(
            maker=told.maker,
            model=told.model,
            serial_number=told.serial_number,
            firmware=told.firmware,
            location=told.location,
        )

    def reference_files(self) -> dict[str, Path]:
        """The files of references by their roles; their paths count from the map's folder."""
        named = self.reference.model_dump(exclude_none=True)
        folder = self.path.parent
        return {role: folder / os.path.expanduser(name) for role, name in named.items()}

    # -- inside ----------------------------------------------------------------------------------

    def _given(self, job: str) -> dict[str, Any]:
        """What the map says of a job; of its only one where it has none of that name."""
        tables = self.data.get("job") or {}
        given: object = tables.get(job) or next(iter(tables.values()), {})
        return dict(given) if isinstance(given, Mapping) else {}

    def _job_data(self, job: str, span: Span) -> dict[str, Any]:
        """A job's table with what the files say filled in."""
        given = self._given(job)
        filled: dict[str, Any] = {"kind": "band", "sweeper": next(iter(self.sweepers), LOG)}
        if not any(key in given for key in ("start", "stop", "centre", "span", "points", "step")):
            filled["start"] = format_quantity(span.start_hz, FREQUENCY)
            filled["stop"] = format_quantity(span.stop_hz, FREQUENCY)
            filled["points"] = span.points
        every_s = self.gaps.every_s
        filled["when"] = (
            {"back_to_back": True}
            if every_s is None
            else {"every": format_quantity(every_s, DURATION)}
        )
        return {**filled, **given}

    def _config(self, jobs: Mapping[str, Any]) -> tuple[StationConfig, list[ConfigProblem]]:
        problems: list[ConfigProblem] = []
        tables: dict[str, JobTable] = {}
        for name, data in jobs.items():
            try:
                tables[name] = JobTable.model_validate(data)
            except ValidationError as exc:
                problems += self.places.problems_of(
                    exc, table=("job", name), model=JobTable, data=data
                )
        sweepers: dict[str, SweeperTable] = dict(self.sweepers)
        if not sweepers:
            sweepers = {LOG: LoggedSweeperTable()}
        station = StationTable.model_validate(
            {"name": self.logs.name, "archive": ".", "time_zone": self.time.zone}
            | ({"title": self.logs.title} if self.logs.title else {})
        )
        told = {**self.data, "job": dict(jobs), "sweeper": {key: {} for key in sweepers}}
        followed = check_references(
            told,
            self.places,
            station=station,
            sweepers={},
            jobs=tables,
            folder=self.path.parent,
        )
        problems += [*followed.problems, *followed.elsewhere]
        config = StationConfig(
            path=self.path.absolute(),
            text=self.text,
            digest=self.digest[:16],
            station=station,
            mqtt=MqttTable.model_validate({"broker": "none"}),
            sweepers=sweepers,
            chains=self.chains,
            context={
                name: ContextTable.model_construct(unit=one.unit, title=one.title)
                for name, one in self.context.items()
            },
            transmitters={},
            jobs=tables,
            channel_plans=followed.channel_plans,
            limit_profiles=followed.limit_profiles,
            places=self.places,
        )
        return config, problems

    def notes(self) -> tuple[str, ...]:
        """What is no error but may not be what was meant, each with file and line."""
        name = self.time.name
        if self.time.ambiguous != "order" or name is None or "later" in re.compile(name).groupindex:
            return ()
        line = self.places.problem(("time", "ambiguous"), "", accepted="").line
        return (
            f'{self.path}:{line}: time.ambiguous: "order" means "earlier" here: the clock is in '
            "the names of files, which have no order; where a name marks the second of two equal "
            "times a group `later` in the pattern tells them apart",
        )

    def problems(self) -> Iterator[ConfigProblem]:
        """What does not fit together, though each table is right."""
        yield from self._misfits_of_layout()
        jobs = {name: self._job_data(name, WIDEST) for name in self.jobs}
        for name in self.jobs:
            yield from self._not_here(name)
        if not any(key in self._given(name) for name in self.jobs for key in NOT_HERE):
            yield from self._config(jobs)[1]

    def _not_here(self, name: str) -> Iterator[ConfigProblem]:
        given = self._given(name)
        for key, accepted in NOT_HERE.items():
            if key in given:
                yield self.places.problem(
                    ("job", name, key), f"`{key}` has no place in a map", accepted=accepted
                )
        kind = given.get("kind")
        if kind in KINDS_NOT_HERE:
            yield self.places.problem(
                ("job", name, "kind"),
                f"kind {kind} cannot be measured from logs: {KINDS_NOT_HERE[str(kind)]}",
                accepted="another kind",
            )

    def _misfits_of_layout(self) -> Iterator[ConfigProblem]:
        is_long = self.file.layout == "long"
        has_grid = self.frequency.first_hz is not None or bool(self.frequency.at_hz)
        if is_long and self.level.column is None:
            yield self.places.problem(
                ("level", "column"),
                "nothing says in which column the level of a point stands",
                accepted="`column`, a name or a number from 1",
            )
        if is_long and self.frequency.column is None and not has_grid:
            yield self.places.problem(
                ("frequency", "column"),
                "nothing says where the frequency of a point stands",
                accepted="`column`; or `first`, `last` and `points`; or `at`",
            )
        if not is_long:
            yield from self._misfits_of_wide(has_grid)
        if is_long and self.time.row_every_s is not None:
            yield self.places.problem(
                ("time", "row_every"),
                "rows are points here, not sweeps",
                accepted='`row_every` with layout = "wide"',
            )

    def _misfits_of_wide(self, has_grid: bool) -> Iterator[ConfigProblem]:
        for table, key in (("level", "column"), ("frequency", "column")):
            if key in (self.data.get(table) or {}):
                yield self.places.problem(
                    (table, key),
                    "a row is a whole sweep here, with a column for each frequency",
                    accepted='`column` with layout = "long"',
                )
        if has_grid and self.level.first_column is None:
            yield self.places.problem(
                ("level", "first_column"),
                "nothing says in which column the levels of the grid begin",
                accepted="`first_column`, a number from 1",
            )
        if not has_grid and not self.file.header:
            yield self.places.problem(
                ("file", "header"),
                "without a header the files do not say their frequencies",
                accepted="header = true; or `first`, `last` and `points`, or `at`, in [frequency]",
            )


def load_map(path: Path) -> LogMap:
    """The map in the file at ``path``.

    Raises:
        ConfigError: with every problem found, in file order.
    """
    return parse_map(read_text(path), path)


def parse_map(text: str, path: Path) -> LogMap:
    """:func:`load_map` for a text that is already read; ``path`` is where it belongs.

    Raises:
        ConfigError: as :func:`load_map`.
    """
    data, places = parse_toml(str(path), text)
    places = replace(places, homes=homes_of_keys(headers_of(TABLES, FAMILIES)))
    reader = TableReader(data, places, tables=TABLES, families=FAMILIES)
    single = {name: reader.single(name, model) for name, model in TABLES.items()}
    context = reader.family("context", ContextColumn)
    sweepers = reader.family("sweeper", LoggedSweeperTable)
    chains = reader.family("chain", ChainTable)
    reader.named("job")  # their tables are filled in first, when it is known what was swept
    reader.refuse_unknown()
    if reader.problems or None in single.values():
        raise ConfigError(in_file_order(reader.problems))
    tables: dict[str, Any] = single  # each is of its own model, and none is None by now
    made = LogMap(
        path=path,
        text=text,
        digest=hashlib.sha256(text.encode()).hexdigest(),
        context=context,
        sweepers=sweepers,
        chains=chains,
        data=data,
        places=places,
        **tables,
    )
    problems = tuple(made.problems())
    if problems:
        raise ConfigError(in_file_order(problems))
    return made
