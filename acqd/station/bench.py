"""At the bench: references of one job, taken by a station that runs or without one.

Where nobody writes the archive, it is held from the first check to the last byte, so that no
station starts in between and takes the sweeper away. Where a station does, that one is asked.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

from acqd.archive.writer import ArchiveWriter
from acqd.clock import SystemClock
from acqd.config.load import find_config, load_config
from acqd.drivers.host import Opened, SweeperHost
from acqd.drivers.registry import load_drivers
from acqd.errors import ArchiveLocked, PortBusy, WrongUsage
from acqd.measure.meter import Role
from acqd.station.build import Built, SweeperSpec, build
from acqd.station.control import ask_station
from acqd.station.job import JobSpec
from acqd.station.noting import user_name
from acqd.station.references import (
    ReferenceRecord,
    differences_from_job,
    references_in,
    stored_references,
)
from acqd.station.taking import (
    ROLES,
    TakenReference,
    first_request,
    refuse_unsafe,
    take_reference,
    told_of,
)
from acqd.station.wishes import refuse_unasked

__all__ = ["Bench", "Taker", "own_archive", "with_sweeper"]

RUN_ID = "reference"

T = TypeVar("T")


class Taker(Protocol):
    """Whoever can take a reference now."""

    text: str
    """Who that is."""

    def check(self, role: Role) -> float | None:
        """See that it could be taken, before anybody connects anything; how long a sweep takes.

        Raises:
            AcqdError: it could not, and why.
        """
        ...

    def take(
        self, role: Role, *, sweeps: int, temperature_c: float | None, say: Callable[[str], None]
    ) -> dict[str, Any]:
        """Take it and store it; what is to be told of it (:func:`acqd.station.taking.told_of`).

        Raises:
            AcqdError: nothing was stored.
        """
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """One job of a config, its sweeper and its archive."""

    built: Built
    spec: JobSpec
    sweeper: SweeperSpec

    @classmethod
    def of_job(cls, name: str, *, config: str | None) -> Bench:
        """The job ``name`` of the config, which is looked for where none is given.

        Raises:
            ConfigError: the config.
            WrongUsage: no such job in it.
        """
        loaded = load_config(find_config(config))
        built = build(loaded, load_drivers(), broker="none")
        spec = next((job for job in built.jobs if job.name == name), None)
        if spec is None:
            have = ", ".join(job.name for job in built.jobs) or "none"
            raise WrongUsage(f"{loaded.path}: no enabled job {name!r}; there is {have}")
        sweeper = next(one for one in built.sweepers if one.name == spec.sweeper)
        return cls(built=built, spec=spec, sweeper=sweeper)

    @property
    def zone(self) -> str:
        """The station's time zone."""
        return self.built.time_zone

    def listed(self) -> list[tuple[ReferenceRecord, tuple[str, ...]]]:
        """The newest reference of each role, with what keeps it from fitting the job as the config
        has it now, as far as one can tell without a sweep.

        Raises:
            ArchiveError: the archive cannot be read.
        """
        stored = stored_references(self.built.archive).get(self.spec.name, {})
        request = first_request(self.spec)
        return [(one, differences_from_job(one, request)) for one in stored.values()]

    def missing(self) -> tuple[str, ...]:
        """Roles that fit the job and of which there is no reference."""
        stored = stored_references(self.built.archive).get(self.spec.name, {})
        return tuple(r.value for r in ROLES.get(self.spec.kind, ()) if r.value not in stored)

    @contextlib.contextmanager
    def opened(self, *, as_it_is: bool = False) -> Iterator[Taker]:
        """Whoever can take references of this job: the running station, or this process.

        Raises:
            WrongUsage: the job asks something of the world, no station runs that could, and nobody
                says that the world is ``as_it_is`` wanted.
            ArchiveError: the archive can be neither read nor made.
            PortBusy: another process writes it, and takes no requests.
        """
        with own_archive(self.built, RUN_ID, cannot="no reference can be taken") as archive:
            if archive is not None:
                refuse_unasked(self.spec, as_it_is=as_it_is)
            yield _Station(self) if archive is None else _Alone(self, archive)


class _Station:
    """The station that runs takes it between its passes."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self.text = f"the running station {bench.built.name}, between its passes"

    def _ask(
        self, role: Role, say: Callable[[str], None] = lambda text: None, **more: Any
    ) -> dict[str, Any]:
        request = {
            "do": "reference",
            "job": self._bench.spec.name,
            "role": role.value,
            "who": user_name(),
            "sweeps": 1,
            **more,
        }
        told = ask_station(self._bench.built.archive, request, say=say)
        if told is None:
            raise PortBusy("the station has ended meanwhile; ask again")
        return told

    def check(self, role: Role) -> float | None:
        sweep_s = self._ask(role, check=True).get("sweep_s")
        return None if sweep_s is None else float(sweep_s)

    def take(
        self, role: Role, *, sweeps: int, temperature_c: float | None, say: Callable[[str], None]
    ) -> dict[str, Any]:
        return self._ask(role, say, sweeps=sweeps, temperature_c=temperature_c)


class _Alone:
    """This process has archive and sweeper to itself."""

    def __init__(self, bench: Bench, archive: ArchiveWriter) -> None:
        self._bench = bench
        self._archive = archive
        self.text = bench.sweeper.name

    def check(self, role: Role) -> float | None:
        async def foreseen(host: SweeperHost, opened: Opened) -> float | None:
            refuse_unsafe(self._bench.spec, opened.capabilities)
            return await host.estimate_s(first_request(self._bench.spec))

        return asyncio.run(with_sweeper(self._bench.sweeper, foreseen))

    def take(
        self, role: Role, *, sweeps: int, temperature_c: float | None, say: Callable[[str], None]
    ) -> dict[str, Any]:
        async def take(host: SweeperHost, opened: Opened) -> TakenReference:
            return await take_reference(
                self._bench.spec,
                role,
                sweep=host.sweep,
                capabilities=opened.capabilities,
                sweeps=sweeps,
                temperature_c=temperature_c,
                say=say,
            )

        taken = asyncio.run(with_sweeper(self._bench.sweeper, take))
        name, record = self._bench.spec.name, taken.record
        before = references_in(self._archive.recovery.overlays).get(name, {})
        number = self._archive.add_overlay_now(
            "reference", body=record.to_body(), who=user_name(), job=name, from_s=record.at_s
        )
        return {**told_of(taken, before), "number": number}


@contextlib.contextmanager
def own_archive(built: Built, run_id: str, *, cannot: str) -> Iterator[ArchiveWriter | None]:
    """The archive of a station, for this process to write to; None where the running station has
    it and takes requests.

    ``cannot`` says what is not to be had where somebody has it and takes none.

    Raises:
        ArchiveError: the archive can be neither read nor made.
        PortBusy: another process writes it, and takes no requests.
    """
    try:
        archive = ArchiveWriter.open(
            built.archive,
            station=built.name,
            run_id=run_id,
            clock=SystemClock(),
            keep_free_bytes=built.keep_free_bytes,
            software=built.software,
        )
    except ArchiveLocked as exc:
        if ask_station(built.archive, {"do": "hello"}) is None:
            raise PortBusy(
                f"{exc}; it takes no requests of this user here, so {cannot} while it runs"
            ) from exc
        yield None
        return
    try:
        yield archive
    finally:
        archive.close((), seal=False)


async def with_sweeper(
    sweeper: SweeperSpec, work: Callable[[SweeperHost, Opened], Awaitable[T]]
) -> T:
    """Open the sweeper (its source goes off), do something, and leave it safe again."""
    host = sweeper.host(SystemClock())
    try:
        return await work(host, await host.open())
    finally:
        await asyncio.shield(host.close())
