"""A profile: a TOML file that says how one kind of sweeper is talked to.

:func:`load_profile` gives it checked through and through, or every problem with its line. What is
checked beyond single keys: that each command has the values it asks for, that prompts, answers and
values fit together, that order and words name what there is.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import replace
from difflib import get_close_matches
from functools import cache, cached_property
from pathlib import Path as FilePath
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from acqd.config.problems import homes_of_keys, in_file_order
from acqd.config.reading import parse_toml, read_text
from acqd.config.tables import Table
from acqd.errors import ConfigError, RequestRefused
from acqd.sweep import Capabilities
from acqd_lines.checking import findings_of
from acqd_lines.framing import ErrorPattern
from acqd_lines.tables import (
    ErrorTable,
    IdentifyTable,
    LimitsTable,
    LinkTable,
    SettingsTable,
    SettingTable,
    SourceTable,
    SweepTable,
    TalkTable,
    TimingTable,
    UsbTable,
)

__all__ = [
    "SHIPPED",
    "Profile",
    "find_profile",
    "known_profiles",
    "load_profile",
    "parse_profile",
    "profile_folders",
]

SHIPPED = FilePath(__file__).parent / "profiles"
"""The folder of the profiles that come with this distribution."""


class Profile(Table):
    """How one kind of sweeper is talked to."""

    title: str = Field(min_length=1, max_length=200, description="what it is for, in a few words")
    about: str = Field(default="", max_length=10_000)
    link: LinkTable = LinkTable()
    talk: TalkTable = TalkTable()
    error: Annotated[tuple[ErrorTable, ...], Field(max_length=32)] = ()
    identify: IdentifyTable = Field(description="a table [identify]")
    setting: SettingsTable = SettingsTable()
    sweep: SweepTable = Field(description="a table [sweep], with [sweep.fetch]")
    timing: TimingTable = TimingTable()
    limits: LimitsTable = Field(description="a table [limits]")
    source: SourceTable | None = None
    usb: Annotated[tuple[UsbTable, ...], Field(max_length=32)] = ()

    @property
    def error_patterns(self) -> tuple[ErrorPattern, ...]:
        """How it says that something is wrong."""
        return tuple(ErrorPattern(pattern=one.pattern) for one in self.error)

    @cached_property
    def settings_in_order(self) -> tuple[tuple[str, SettingTable], ...]:
        """The settings that there are, with their names, in the order of sending."""
        given = self.setting.given()
        return tuple((name, given[name]) for name in self.sweep.order if name in given)

    @property
    def axis_source(self) -> Literal["request", "answer", "asked"]:
        """Where the frequencies come from: out of the answer where they are in it."""
        if self.sweep.axis.source is not None:
            return self.sweep.axis.source
        return "answer" if "frequency" in self.sweep.values.columns else "request"

    @cached_property
    def told(self) -> frozenset[str]:
        """Names of all that is said to the sweeper in some command before or for a sweep."""
        sweep = self.sweep
        tables = (sweep.check, sweep.start, sweep.fetch, *self.setting.given().values())
        commands = [one for table in tables if table is not None for one in table.send or ()]
        return frozenset(name for command in commands for name in command.names)

    def capabilities(self) -> Capabilities:
        """What the profile says that it can do."""
        limits, setting = self.limits, self.setting
        rbw: tuple[float, ...] = ()
        if setting.rbw is not None:
            rbw = tuple(setting.rbw.words)
            if "rbw" not in self.told and setting.rbw.default is not None:
                rbw = (setting.rbw.default,)
        attenuation = () if setting.attenuation is None else tuple(setting.attenuation.words)
        names = {field.alias or name: name for name, field in LimitsTable.model_fields.items()}
        assumed = [names[key] for key in limits.assumed]
        return Capabilities(
            start_hz=limits.start_hz,
            stop_hz=limits.stop_hz,
            points_min=limits.points_min,
            points_max=limits.points_max,
            points_allowed=tuple(sorted(limits.points_allowed)),
            rbw_steps_hz=tuple(sorted(limits.rbw_steps_hz or rbw)),
            rbw_min_hz=limits.rbw_min_hz,
            rbw_max_hz=limits.rbw_max_hz,
            noise_bandwidth_ratio=limits.noise_bandwidth_ratio,
            detectors=() if setting.detector is None else tuple(setting.detector.words),
            attenuation_steps_db=tuple(sorted(limits.attenuation_steps_db or attenuation)),
            averages_max=limits.averages_max,
            unit=self.sweep.values.format().level_unit,
            resolution=limits.resolution,
            is_complex="real" in self.sweep.values.columns,
            level_accuracy_db=limits.level_accuracy_db,
            frequency_accuracy_ppm=limits.frequency_accuracy_ppm,
            absolute_max_dbm=limits.absolute_max_dbm,
            source=self.source is not None,
            source_start_hz=limits.source_start_hz,
            source_stop_hz=limits.source_stop_hz,
            source_min_dbm=limits.source_min_dbm,
            source_max_dbm=limits.source_max_dbm,
            assumed=tuple(assumed),
        )


def load_profile(path: str | os.PathLike[str]) -> Profile:
    """The profile in the file at ``path``.

    Raises:
        ConfigError: with every problem found, in file order.
    """
    return parse_profile(read_text(FilePath(path)), str(path))


def parse_profile(text: str, where: str) -> Profile:
    """:func:`load_profile` for a text that is already read; ``where`` is the file's name.

    Raises:
        ConfigError: as :func:`load_profile`.
    """
    data, places = parse_toml(where, text)
    places = replace(places, homes=_homes())
    try:
        profile = Profile.model_validate(data)
    except ValidationError as exc:
        found = places.problems_of(exc, table=(), model=Profile, data=data)
        raise ConfigError(in_file_order(found)) from exc
    problems = [
        places.problem(finding.path, finding.problem, accepted=finding.accepted)
        for finding in findings_of(profile)
    ]
    if problems:
        raise ConfigError(in_file_order(problems))
    return profile


@cache
def _homes() -> Mapping[str, tuple[str, ...]]:
    tables: dict[str, type[Table]] = {
        "link": LinkTable,
        "talk": TalkTable,
        "identify": IdentifyTable,
        "sweep": SweepTable,
        "timing": TimingTable,
        "limits": LimitsTable,
        "source": SourceTable,
        "usb": UsbTable,
    }
    return homes_of_keys(tables)


# --- where profiles lie ---------------------------------------------------------------------------


def profile_folders(environ: Mapping[str, str] | None = None) -> tuple[FilePath, ...]:
    """Where a profile's bare name is looked for, first to last.

    ``profiles`` in the current folder, ``acqd/profiles`` in the user's config folder
    (``$XDG_CONFIG_HOME``, else ``~/.config``), and those that come with this distribution.
    """
    environ = os.environ if environ is None else environ
    xdg, home = environ.get("XDG_CONFIG_HOME", ""), environ.get("HOME", "")
    user = FilePath(xdg) if FilePath(xdg).is_absolute() else FilePath(home) / ".config"
    own = (user / "acqd" / "profiles",) if user.is_absolute() else ()
    return (FilePath.cwd() / "profiles", *own, SHIPPED)


def known_profiles(folders: Iterable[FilePath] | None = None) -> dict[str, FilePath]:
    """Profiles by their bare names; of two with one name the one that would be found."""
    found: dict[str, FilePath] = {}
    for folder in profile_folders() if folders is None else folders:
        try:
            paths = sorted(folder.glob("*.toml"))
        except OSError:
            continue  # a folder that may not be read has no profiles for us
        for path in paths[:PROFILES_MAX]:
            found.setdefault(path.stem, path)
    return found


PROFILES_MAX = 500
"""Of one folder; more is a folder of something else."""


def find_profile(name: str, folders: Iterable[FilePath] | None = None) -> FilePath:
    """The file that ``name`` means: a path, or the bare name of a known profile.

    Raises:
        RequestRefused: it is a bare name and there is no such profile; names one that is near.
    """
    path = FilePath(os.path.expanduser(name))
    if path.suffix == ".toml" or len(path.parts) > 1:
        return path
    places = tuple(profile_folders() if folders is None else folders)
    known = known_profiles(places)
    if name in known:
        return known[name]
    near = get_close_matches(name, known, n=1, cutoff=0.6)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    looked = ", ".join(str(place) for place in places)
    raise RequestRefused(
        setting="option profile",
        asked=repr(name),
        limit=f"a path, or the name of a profile in {looked}{hint}",
    )
