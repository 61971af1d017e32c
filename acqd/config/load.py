"""From a config file to a :class:`StationConfig`, or to everything that is wrong with it.

Each table is validated on its own, so that a fault in one hides none in another; then what one
table says of another is checked against the names that stand in the file, faulty or not.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path as FilePath

from acqd.config.alertchecks import alert_problems
from acqd.config.checks import check_references
from acqd.config.commands import CommandsTable, misfits_of_commands
from acqd.config.dash import DashTable
from acqd.config.models import (
    AlertTable,
    ChainTable,
    ContextTable,
    JobTable,
    MqttTable,
    NearbyTable,
    StationTable,
    SweeperTable,
    WayTable,
)
from acqd.config.problems import homes_of_keys, in_file_order
from acqd.config.reading import parse_toml, read_text
from acqd.config.retention import RetentionTable
from acqd.config.tablereader import TableReader, headers_of
from acqd.config.tables import Table
from acqd.config.whole import StationConfig
from acqd.errors import ConfigError, ConfigProblem

__all__ = ["StationConfig", "find_config", "load_config", "parse_config"]

FILE_NAME = "station.toml"

_TABLES: Mapping[str, type[Table]] = {
    "station": StationTable,
    "mqtt": MqttTable,
    "dash": DashTable,
    "retention": RetentionTable,
    "commands": CommandsTable,
}
_FAMILIES: Mapping[str, type[Table]] = {
    "sweeper": SweeperTable,
    "chain": ChainTable,
    "context": ContextTable,
    "transmitter": NearbyTable,
    "job": JobTable,
    "way": WayTable,
    "alert": AlertTable,
}
"""Tables that there is one of, and tables that there are many of by name."""


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
        return path / FILE_NAME if os.path.isdir(path) else path
    places = _usual_places(
        FilePath.cwd() if folder is None else folder, os.environ if environ is None else environ
    )
    for place in places:
        # Not is_file(), which raises for a folder that we may not enter.
        if os.path.isfile(place):
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
    places = replace(places, homes=homes_of_keys(headers_of(_TABLES, _FAMILIES)))
    reader = TableReader(data, places, tables=_TABLES, families=_FAMILIES)
    station = reader.single("station", StationTable)
    mqtt = reader.single("mqtt", MqttTable)
    dash = reader.single("dash", DashTable) if "dash" in data else None
    retention = reader.single("retention", RetentionTable) or RetentionTable()
    commands = reader.single("commands", CommandsTable) if "commands" in data else None
    sweepers = reader.family("sweeper", SweeperTable)
    chains = reader.family("chain", ChainTable)
    context = reader.family("context", ContextTable)
    transmitters = reader.family("transmitter", NearbyTable)
    jobs = reader.family("job", JobTable)
    ways = reader.family("way", WayTable)
    alerts = reader.family("alert", AlertTable)
    reader.refuse_unknown()
    references = check_references(
        data, places, station=station, sweepers=sweepers, jobs=jobs, folder=file.parent
    )
    of_alerts = alert_problems(
        data, places, alerts=alerts, jobs=jobs, plans=references.channel_plans
    )
    of_commands = () if commands is None else misfits_of_commands(commands, list(jobs))
    wrong = [
        places.problem(("commands", one.key), one.problem, accepted=one.accepted)
        for one in of_commands
    ]
    found = (*reader.problems, *references.problems, *of_alerts, *wrong)
    problems = (*in_file_order(found), *references.elsewhere)
    if problems or station is None or mqtt is None:
        raise ConfigError(problems)
    return StationConfig(
        path=file.absolute(),
        text=text,
        digest=hashlib.sha256(text.encode()).hexdigest()[:16],
        station=station,
        mqtt=mqtt,
        dash=dash,
        retention=retention,
        commands=commands,
        sweepers=sweepers,
        chains=chains,
        context=context,
        transmitters=transmitters,
        jobs=jobs,
        ways=ways,
        alerts=alerts,
        channel_plans=references.channel_plans,
        limit_profiles=references.limit_profiles,
        places=places,
    )
