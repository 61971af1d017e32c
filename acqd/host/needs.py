"""What a station will ask of its machine, as far as anybody knows."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from acqd.config.whole import StationConfig
from acqd.publish.settings import BrokerSettings

__all__ = ["Needs"]

COMMIT_BYTES = 4096
"""What a commit writes at the least: a page of the journal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """What is asked of the machine. Without any of it the machine is looked at by itself."""

    archive: Path | None = None
    """Where it will write; the folder need not be there yet."""
    bytes_a_day: float | None = None
    keep_free_bytes: int = 1_000_000_000
    commits_a_second: float | None = None
    """Passes, of all jobs together: each is one transaction that waits for the disk."""
    commit_bytes: int = COMMIT_BYTES
    ports: tuple[str, ...] | None = None
    """Device files that sweepers are at; empty where none is at a serial or USB port, None where
    nobody knows yet."""
    broker: BrokerSettings | None = None
    """How the config's broker is reached; None where it names none, or there is no config."""
    broker_place: str = ""
    """``local``, ``embedded``, ``url``, ``none``, or "" without a config."""
    time_zone: str | None = None
    keep_awake: bool = True

    @classmethod
    def of_config(
        cls,
        config: StationConfig,
        *,
        bytes_a_day: float | None = None,
        commits_a_second: float | None = None,
    ) -> Needs:
        """What the station of ``config`` asks; what its jobs write is told by a forecast."""
        endpoint = config.mqtt.endpoint
        points = max((job.request().points for job in config.enabled_jobs.values()), default=0)
        return cls(
            archive=config.archive,
            bytes_a_day=bytes_a_day,
            keep_free_bytes=config.station.keep_free_bytes,
            commits_a_second=commits_a_second,
            # Levels of four bytes, and a page for all that stands beside them.
            commit_bytes=COMMIT_BYTES + 4 * points,
            ports=_ports(config),
            broker=None
            if endpoint is None
            else BrokerSettings(address=endpoint, ca_file=config.ca_file),
            broker_place=config.mqtt.place,
            time_zone=config.station.time_zone,
            keep_awake=config.station.keep_awake,
        )


def _ports(config: StationConfig) -> tuple[str, ...] | None:
    """The device files of the config's sweepers; None where one is named by what it is."""
    paths = []
    for name, sweeper in config.sweepers.items():
        if not sweeper.enabled:
            continue
        scheme, _, path = config.address(name).partition(":")
        if scheme.casefold() == "serial":
            paths.append(path if path.startswith("/") else f"/dev/{path}")
        elif scheme.casefold().startswith(("usb", "asrl")):
            return None
    return tuple(paths)
