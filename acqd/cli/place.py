"""Where commands about what was recorded find it: the station's archive, its clock, its jobs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from acqd.config.whole import StationConfig
    from acqd.station.noting import Kept

__all__ = ["Place", "job_in", "place_of", "put"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """``config`` is None where an archive was named by itself."""

    station: str
    zone: str
    folder: str
    jobs: tuple[str, ...]
    config: StationConfig | None = None


def place_of(config: str | None, archive: str | None) -> Place:
    """The place that ``--config`` or ``--archive`` name; without either the usual config's.

    Raises:
        WrongUsage: both are given.
        ConfigError, ArchiveError: the one given cannot be read.
    """
    from acqd.errors import ArchiveError, WrongUsage

    if config is not None and archive is not None:
        raise WrongUsage("--config and --archive both name an archive; give one of them")
    from acqd.archive.reader import open_archive

    if archive is not None:
        from acqd.report.whose import whose

        opened = open_archive(archive)
        return Place(
            station="note", zone=whose(opened).zone, folder=archive, jobs=tuple(opened.jobs())
        )
    from acqd.config.load import find_config, load_config

    loaded = load_config(find_config(config))
    jobs = list(loaded.jobs)
    try:
        # Jobs that are in no config any more have sweeps all the same.
        jobs += [job for job in open_archive(loaded.archive).jobs() if job not in jobs]
    except ArchiveError:
        pass
    return Place(
        station=loaded.station.name,
        zone=loaded.station.time_zone,
        folder=str(loaded.archive),
        jobs=tuple(jobs),
        config=loaded,
    )


def job_in(job: str, jobs: Sequence[str]) -> str:
    """``job``, which is one of ``jobs``.

    Raises:
        WrongUsage: it is none of them; the text says which there are, and which is near.
    """
    from difflib import get_close_matches

    from acqd.errors import WrongUsage

    if job not in jobs:
        near = get_close_matches(job, jobs, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise WrongUsage(f"no job {job!r}; there is {', '.join(jobs) or 'none'}{hint}")
    return job


def put(
    place: Place,
    kind: str,
    body: Mapping[str, Any],
    *,
    job: str | None,
    from_s: float | None = None,
    to_s: float | None = None,
) -> Kept:
    """Store an overlay of this user's; raises as :func:`acqd.station.noting.put_overlay`."""
    from pathlib import Path

    from acqd.clock import SystemClock
    from acqd.station.noting import put_overlay, user_name

    return put_overlay(
        Path(place.folder),
        kind,
        station=place.station,
        clock=SystemClock(),
        body=body,
        job=job,
        from_s=from_s,
        to_s=to_s,
        who=user_name(),
    )
