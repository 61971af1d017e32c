"""A station's config as the rest of acqd sees it: validated, cross-checked, with its places."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from functools import cached_property
from pathlib import Path as FilePath
from typing import Any

from acqd.chain import Chain
from acqd.config.commands import CommandsTable
from acqd.config.dash import DashTable
from acqd.config.emission import plain_profile
from acqd.config.jobs import KINDS
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
from acqd.config.on_finding import looks_source
from acqd.config.problems import Text
from acqd.config.quantity import FREQUENCY, format_quantity
from acqd.config.retention import RetentionTable
from acqd.config.secretfile import read_secret_file
from acqd.config.witness import WITNESS_DEFAULTS
from acqd.errors import ConfigError
from acqd.hidden import hide, holds_secret, without_secrets
from acqd.measure.channels import ChannelPlan
from acqd.measure.limit_profile import LimitProfile
from acqd.plan.schedule import Schedule

__all__ = ["StationConfig"]

_NOT_COMPARABILITY = (
    *("title", "enabled", "priority", "min_share", "report", "on_change", "on_finding"),
    *("centre", "span", "step"),
    *("flag_while", "only_while", "before", "after"),
)
"""What changes nothing about sweeps (that one was set aside is kept with it), and other ways to say
start, stop and points."""
_RHYTHM = ("every", "cron", "back_to_back", "burst")
_SWEEPER_SAYS = (
    "driver",
    "options",
    "detector",
    "averages",
    "level_accuracy",
    "frequency_accuracy",
    "noise_figure",
    "shape_factor",
    "phase_noise_at",
    "stopband",
)
_SWEEPER_MAY_SAY = ("noise_bandwidth", "may_repeat")
"""Keys that came later, left out where they are not said: so digests of old stay as they are."""


@dataclass(frozen=True, kw_only=True)
class StationConfig:
    """All that one config file says. Tables are keyed by their names, in file order.

    ``text`` is the file as it was read and ``digest`` a short digest of it, to notice a change.
    ``channel_plans`` holds the plan of each job that has one, ``limit_profiles`` the limits.
    """

    path: FilePath
    text: str = field(repr=False)
    digest: str
    station: StationTable
    mqtt: MqttTable
    sweepers: Mapping[str, SweeperTable]
    chains: Mapping[str, ChainTable]
    context: Mapping[str, ContextTable]
    transmitters: Mapping[str, NearbyTable]
    jobs: Mapping[str, JobTable]
    channel_plans: Mapping[str, ChannelPlan]
    limit_profiles: Mapping[str, tuple[LimitProfile, ...]] = field(default_factory=dict)
    dash: DashTable | None = None
    """The live page to serve; None where none is wanted."""
    retention: RetentionTable = field(default_factory=RetentionTable)
    """Which sweeps may be removed; none where nothing is said."""
    commands: CommandsTable | None = None
    """What others may tell the station over MQTT; None where nothing."""
    ways: Mapping[str, WayTable] = field(default_factory=dict)
    alerts: Mapping[str, AlertTable] = field(default_factory=dict)
    places: Text = field(repr=False)
    """Where each table and key stands in ``text``."""

    @property
    def folder(self) -> FilePath:
        """The folder that paths in the config are relative to."""
        return self.path.parent

    @property
    def archive(self) -> FilePath:
        """The folder of the archive."""
        return self.resolved(self.station.archive)

    @property
    def password_file(self) -> FilePath | None:
        """The file that the broker's password is in, if it is in one."""
        name = self.mqtt.password_file
        return None if name is None else self.resolved(name)

    @property
    def ca_file(self) -> FilePath | None:
        """The certificates that the broker's is checked against, if not the system's."""
        return None if self.mqtt.ca_file is None else self.resolved(self.mqtt.ca_file)

    @property
    def position(self) -> tuple[float, float] | None:
        """Latitude and longitude in degrees, north and east positive, if they are given."""
        latitude_deg, longitude_deg = self.station.latitude_deg, self.station.longitude_deg
        if latitude_deg is None or longitude_deg is None:
            return None
        return latitude_deg, longitude_deg

    def resolved(self, path: str) -> FilePath:
        """A path of the config, made absolute; ``~`` is the user's home."""
        # Not resolve(): the last part may be a link on purpose, as a serial port's name often is.
        return FilePath(os.path.normpath(self.folder.resolve() / FilePath(path).expanduser()))

    def address(self, sweeper: str) -> str:
        """The sweeper's address; the path of a serial port made absolute where it has folders, that
        of a recording (``iq:``) always."""
        address = self.sweepers[sweeper].address
        scheme, _, path = address.partition(":")
        if (scheme == "serial" and "/" in path) or (scheme == "iq" and path):
            return f"{scheme}:{self.resolved(path)}"
        return address

    def options(self, sweeper: str, environ: Mapping[str, str] | None = None) -> dict[str, Any]:
        """The sweeper's options; what begins with ``./`` or ``../`` made a path beside the file,
        and what stands under the name of a secret as ``{ env = … }`` or ``{ file = … }`` read.

        Raises:
            ConfigError: a secret that cannot be had; what it is is not told.
        """
        return {
            key: str(self.resolved(value))
            if isinstance(value, str) and value.startswith(("./", "../"))
            else self._secret(sweeper, key, value, os.environ if environ is None else environ)
            if holds_secret(key)
            else value
            for key, value in self.sweepers[sweeper].options.items()
        }

    def _secret(self, sweeper: str, key: str, value: Any, environ: Mapping[str, str]) -> Any:
        found: Any = value
        if isinstance(value, Mapping) and len(value) == 1:
            (way, where), problem = next(iter(value.items())), ""
            if way == "env" and isinstance(where, str):
                found = environ.get(where) or ""
                problem = "" if found else f"the environment variable {where} is not set"
            elif way == "file" and isinstance(where, str):
                found, problem = self._secret_file(self.resolved(where))
            if problem:
                place = ("sweeper", sweeper, "options", key)
                accepted = (
                    f'{key} = {{ env = "NAME" }}, or {{ file = "PATH" }} with a file of mode 600'
                )
                raise ConfigError((self.places.problem(place, problem, accepted=accepted),))
        if isinstance(found, str):
            hide(found)
        return found

    @staticmethod
    def _secret_file(path: FilePath) -> tuple[str, str]:
        try:
            return read_secret_file(path), ""
        except (OSError, UnicodeDecodeError) as exc:
            reason = exc.strerror if isinstance(exc, OSError) else "not UTF-8"
            return "", f"{path}: cannot be read: {reason}"

    @property
    def enabled_jobs(self) -> dict[str, JobTable]:
        """The jobs to run: they and their sweepers are enabled."""
        return {
            name: job
            for name, job in self.jobs.items()
            if job.enabled and self.sweepers[job.sweeper].enabled
        }

    def chain(self, job: str) -> Chain | None:
        """The chain before the job's sweeper; None where the plane is the sweeper's input."""
        name = self.jobs[job].chain
        return None if name is None else self.chains[name].to_chain()

    def schedule(self, job: str) -> Schedule:
        """When the job is due."""
        when = self.jobs[job].when
        return when.to_schedule(zone=self.station.time_zone, position=self.position)

    def job_source(self, job: str) -> dict[str, Any]:
        """What the config says that bears on whether sweeps and figures of a job are comparable.

        Plain JSON data with defaults filled in and quantities in one form, so it is the same for
        every way to write the same config. It holds the sweep, the rhythm, the band, what the
        config says of the sweeper, the chain's parts and the channels; not titles, priorities,
        windows and dates, nor the address, which changes from plug to plug, nor what stands under
        the name of a secret in the options of a driver.
        """
        table = self.jobs[job]
        plain = table.plain()
        sweeper = self.sweepers[table.sweeper].model_dump(mode="json", by_alias=True)
        chain, plan = self.chain(job), self.channel_plans.get(job)
        other_kinds = [kind for kind in KINDS if kind != table.kind]
        kept = {
            key: value
            for key, value in plain.items()
            if key not in _NOT_COMPARABILITY and key not in other_kinds
            if not (key in WITNESS_DEFAULTS and value == WITNESS_DEFAULTS[key])
        }
        request = table.request()
        return {
            **kept,
            "start": format_quantity(request.start_hz, FREQUENCY),
            "stop": format_quantity(request.stop_hz, FREQUENCY),
            "points": request.points,
            **self._kind_source(table, plain),
            "when": {key: plain["when"][key] for key in _RHYTHM},
            "sweeper_says": {
                key: without_secrets(sweeper[key]) if key == "options" else sweeper[key]
                for key in (*_SWEEPER_SAYS, *_SWEEPER_MAY_SAY)
                if key in _SWEEPER_SAYS or sweeper[key] is not None
            },
            "chain_parts": None if chain is None else chain.to_json(),
            "channel_plan": None if plan is None else _plain_plan(plan),
            **self._limits_source(job),
            **self._soak_source(table),
            **({"on_finding": looks_source(plain["on_finding"])} if table.on_finding else {}),
        }

    def _limits_source(self, job: str) -> dict[str, Any]:
        profiles = self.limit_profiles.get(job)
        return {"limit_profiles": [plain_profile(one) for one in profiles]} if profiles else {}

    def _soak_source(self, table: JobTable) -> dict[str, Any]:
        """Units of the contexts that a soak lays its figures beside; they stand in its texts."""
        names = () if table.soak is None else table.soak.context
        units = {name: self.context[name].unit for name in names if name in self.context}
        return {"context_units": units} if units else {}

    @staticmethod
    def _kind_source(table: JobTable, plain: Mapping[str, Any]) -> dict[str, Any]:
        if table.kind != "band":
            return {table.kind: plain[table.kind]}
        return {"band": {**plain["band"], "false_alarm": table.band.opening_probability}}

    def job_digest_source(self, job: str) -> str:
        """:meth:`job_source` as canonical JSON: sorted keys, no spaces."""
        source = self.job_source(job)
        return json.dumps(source, sort_keys=True, separators=(",", ":"), ensure_ascii=False)

    def job_digest(self, job: str) -> str:
        """Short digest of :meth:`job_digest_source`."""
        return hashlib.sha256(self.job_digest_source(job).encode()).hexdigest()[:16]

    def notes(self) -> tuple[str, ...]:
        """What is no error but may not be what was meant, each with file and line."""
        return self._notes

    @cached_property
    def _notes(self) -> tuple[str, ...]:
        from acqd.config.notes import notes_of

        return notes_of(self)


def _plain_plan(plan: ChannelPlan) -> dict[str, Any]:
    return {**asdict(plan), "channels": [asdict(channel) for channel in plan.channels]}
