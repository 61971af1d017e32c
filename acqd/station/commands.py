"""What a running station does for its user's commands: the table behind the control socket."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable, Mapping, Sequence
from functools import partial
from typing import Any

import structlog

from acqd.archive.writer import ArchiveWriter
from acqd.errors import InputUnsafe, SweeperError, WrongUsage
from acqd.measure.meter import Role
from acqd.station.control import Command, Conversation
from acqd.station.job import JobRunner
from acqd.station.jobcommands import VERBS, JobCommands, Verb
from acqd.station.noting import note_text
from acqd.station.overlaying import keep_overlay
from acqd.station.selftesting import SelfTests
from acqd.station.sweepers import SweeperRunner
from acqd.station.taking import (
    SWEEPS_MOST,
    NotWanted,
    TakenReference,
    first_request,
    refuse_unsafe,
    role_of,
    take_reference,
    told_of,
)
from acqd.sweep import SourceRequest

__all__ = ["StationCommands"]

Tell = Callable[[str, str, Mapping[str, Any]], Awaitable[None]]

WHO_MOST = 100
TEMPERATURE = "temperature"
"""The context whose value a reference is given where nobody says one; in °C."""


class StationCommands:
    """Commands of one running station. Everything belongs to its event loop."""

    def __init__(
        self,
        *,
        station: str,
        run_id: str,
        jobs: Mapping[str, JobRunner],
        sweepers: Sequence[SweeperRunner],
        archive: ArchiveWriter,
        tell: Callable[[], Mapping[str, Any]],
        do: JobCommands,
        finding: Tell,
        tests: SelfTests | None = None,
    ) -> None:
        """``tell`` says how everything is, as plain JSON data; ``do`` does the verbs for jobs, and
        ``finding`` keeps that it did."""
        self._do = do
        self._finding = finding
        self._tell = tell
        self._tests = tests
        self._station = station
        self._run_id = run_id
        self._jobs = jobs
        self._sweepers = {one.name: one for one in sweepers}
        self._archive = archive

    def table(self) -> Mapping[str, Command]:
        """The commands by their words."""
        table: dict[str, Command] = {
            "confirm": self._confirm,
            "hello": self._hello,
            "note": self._note,
            "overlay": self._overlay,
            "reference": self._reference,
            "status": self._status,
            **{verb: partial(self._verb, verb) for verb in VERBS},
        }
        if self._tests is not None:
            table["self-test"] = self._tests.do
        return table

    async def _hello(self, asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
        return {"station": self._station, "run_id": self._run_id, "jobs": sorted(self._jobs)}

    async def _status(self, asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
        """What the station told last of itself, its sweepers and its jobs, all at once."""
        return self._tell()

    async def _confirm(self, asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
        """The instrument that answers at a sweeper's address is meant: jobs that wait go on."""
        sweeper = self._sweeper(asked.get("sweeper"))
        freed = await sweeper.confirm()
        structlog.get_logger().info("identity_confirmed", sweeper=sweeper.name, jobs=list(freed))
        return {"jobs": list(freed), "identity": str(sweeper.host.identity)}

    async def _verb(
        self, verb: Verb, asked: Mapping[str, Any], at: Conversation
    ) -> Mapping[str, Any]:
        """Pause a job, let it go on, or take a pass of it now."""
        job, who = self._job(asked.get("job")).name, _text(asked, "who")[:WHO_MOST]
        text = self._do.do(verb, job, who=who, is_here=True)
        figures = {"verb": verb, "job": job, "outcome": "done", "who": who}
        await self._finding("commanded", f"asked by {who}: {verb} {job}; done: {text}", figures)
        return {"text": text}

    def _sweeper(self, name: object) -> SweeperRunner:
        sweeper = self._sweepers.get(name) if isinstance(name, str) else None
        if sweeper is None:
            have = ", ".join(self._sweepers) or "none"
            raise WrongUsage(
                f"the running station {self._station} has no sweeper {name!r}; it has {have}"
            )
        return sweeper

    async def _note(self, asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
        """Put a remark on the sheet of a job, or of all of them."""
        name = asked.get("job")
        job = None if name is None else self._job(name).name
        text, who = note_text(_text(asked, "text")), _text(asked, "who")[:WHO_MOST]
        from_s = _seconds(asked, "from_s")
        to_s = None if asked.get("to_s") is None else _seconds(asked, "to_s")
        stored = self._archive.add_overlay(
            "note", body={"text": text}, who=who, job=job, from_s=from_s, to_s=to_s
        )
        number = await asyncio.wrap_future(stored)
        structlog.get_logger().info("note_stored", job=job, text=text, who=who)
        return {"number": number}

    async def _overlay(self, asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
        """Keep an amendment of a chain, a pin, or that something no longer stands."""
        body, job = asked.get("body"), asked.get("job")
        if not isinstance(body, dict):
            raise WrongUsage(f"`body` of the request is {body!r}; a table belongs there")
        return await keep_overlay(
            self._archive,
            self._jobs,
            kind=_text(asked, "kind"),
            body=body,
            job=None if job is None else _text(asked, "job"),
            from_s=None if asked.get("from_s") is None else _seconds(asked, "from_s"),
            to_s=None if asked.get("to_s") is None else _seconds(asked, "to_s"),
            who=_text(asked, "who")[:WHO_MOST],
        )

    async def _reference(self, asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
        """Take a reference between two passes; with ``check`` only see whether it could be."""
        job = self._job(asked.get("job"))
        role = role_of(job.spec, _text(asked, "role"))
        sweeps = _whole(asked, "sweeps", most=SWEEPS_MOST)
        temperature_c = _temperature(asked)
        who = _text(asked, "who")[:WHO_MOST]
        sweeper = self._sweepers[job.spec.sweeper]
        if asked.get("check") is True:
            return await sweeper.errand(job.name, partial(_foreseen, sweeper, job))
        at.say(f"waiting for {sweeper.name} to end its pass")
        return await sweeper.errand(
            job.name, partial(self._take, sweeper, job, role, sweeps, temperature_c, who, at)
        )

    def _job(self, name: object) -> JobRunner:
        job = self._jobs.get(name) if isinstance(name, str) else None
        if job is None:
            have = ", ".join(self._jobs) or "none"
            raise WrongUsage(
                f"the running station {self._station} has no job {name!r}; it has {have}"
            )
        return job

    async def _take(
        self,
        sweeper: SweeperRunner,
        job: JobRunner,
        role: Role,
        sweeps: int,
        temperature_c: float | None,
        who: str,
        at: Conversation,
    ) -> dict[str, Any]:
        capabilities = sweeper.host.capabilities
        if capabilities is None:
            raise SweeperError(f"{sweeper.name} is away")
        if temperature_c is None:
            temperature_c = sweeper.context().get(TEMPERATURE)
        try:
            taken = await take_reference(
                job.spec,
                role,
                sweep=sweeper.host.sweep,
                capabilities=capabilities,
                sweeps=sweeps,
                temperature_c=temperature_c,
                say=at.say,
                wanted=lambda: at.is_wanted,
            )
        except InputUnsafe:
            if sweeper.host.is_open:
                await sweeper.host.set_source(SourceRequest(on=False))
            raise
        if not at.is_wanted:
            raise NotWanted(f"nobody waits for the {role.value} of {job.name} any more")
        return await self._kept(job, taken, who)

    async def _kept(self, job: JobRunner, taken: TakenReference, who: str) -> dict[str, Any]:
        """Store it first; only then later sweeps are compared with it."""
        record, before = taken.record, dict(job.references)
        stored = self._archive.add_overlay(
            "reference", body=record.to_body(), who=who, job=job.name, from_s=record.at_s
        )
        number = await asyncio.wrap_future(stored)
        # Not between what a pass was told and what its sweeps are kept with.
        async with job.lock:
            job.refer_to(record)
        structlog.get_logger().info(
            "reference_stored", job=job.name, role=record.role.value, sweeps=record.sweeps, who=who
        )
        return {**told_of(taken, before), "number": number}


async def _foreseen(sweeper: SweeperRunner, job: JobRunner) -> dict[str, Any]:
    """See that a reference could be taken, and say how long a sweep of it will take."""
    capabilities = sweeper.host.capabilities
    if capabilities is None:
        raise SweeperError(f"{sweeper.name} is away")
    refuse_unsafe(job.spec, capabilities)
    return {"sweep_s": await sweeper.host.estimate_s(first_request(job.spec))}


def _text(asked: Mapping[str, Any], key: str) -> str:
    given = asked.get(key)
    if not isinstance(given, str) or not given:
        raise WrongUsage(f"`{key}` of the request is {given!r}; a text belongs there")
    return given


def _whole(asked: Mapping[str, Any], key: str, *, most: int) -> int:
    given = asked.get(key)
    if not isinstance(given, int) or isinstance(given, bool) or not 1 <= given <= most:
        raise WrongUsage(f"`{key}` of the request is {given!r}; 1 to {most} belongs there")
    return given


def _seconds(asked: Mapping[str, Any], key: str) -> float:
    given = asked.get(key)
    if isinstance(given, bool) or not isinstance(given, int | float) or not math.isfinite(given):
        raise WrongUsage(f"`{key}` of the request is {given!r}; seconds since 1970 belong there")
    return float(given)


def _temperature(asked: Mapping[str, Any]) -> float | None:
    given = asked.get("temperature_c")
    if given is None:
        return None
    is_number = isinstance(given, int | float) and not isinstance(given, bool)
    if not is_number or not math.isfinite(given):
        raise WrongUsage(
            f"`temperature_c` of the request is {given!r}; a number of °C belongs there"
        )
    return float(given)
