"""What a station would do, before it is left alone: times, conflicts, disk and messages.

Sweepers are asked how long a sweep takes where they can be reached; of those that a running station
has, the last sweep in its archive says it. Otherwise the config's sweep time or a stated assumption
stands in, and what follows from an assumption is marked. The plan is then run on virtual time.
"""

from __future__ import annotations

import asyncio
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from acqd.archive.index import Wanted, find_pieces
from acqd.archive.lock import holder_of
from acqd.archive.reader import Archive, open_archive
from acqd.clock import Clock
from acqd.drivers.host import SweeperHost
from acqd.errors import ArchiveError, IdentityChanged, RequestRefused, SweeperError
from acqd.measure.meter import Role
from acqd.plan.jobs import PlannedJob
from acqd.plan.preview import Preview, preview
from acqd.station.build import ASSUMED_SWEEP_S, Built, SweeperSpec
from acqd.station.followcost import look_costs
from acqd.station.job import JobSpec
from acqd.station.references import ReferenceRecord, differences_from_job, stored_references
from acqd.station.setup import absolute_max_dbm
from acqd.station.wishes import wishes_of
from acqd.sweep import Capabilities

__all__ = [
    "Forecast",
    "JobForecast",
    "SweeperForecast",
    "bytes_of_sweep",
    "forecast",
    "last_sweep_times",
    "without_references",
]

DAY_S = 86_400.0
ALONE_PASSES = 1000
"""So many passes of a job that has its sweeper to itself show whether it keeps up."""
ASK_WITHIN_S = 5.0
SWEEP_BYTES = 120
"""Columns, times and flags of one sweep in a volume, about (measured by tools/bench)."""
RESOLUTION_DB = 0.01
NOISE_BITS_AT_1_DB = 4.39
"""Entropy of one unaveraged noise reading quantised to 1 dB; log2(1 / step) more at a finer one.
From the differential entropy of a log-exponential: (1 + γ)/ln 2 + log2(10/ln 10)."""
PACKING_BITS = 1.1
"""What shuffle and DEFLATE lie above that entropy (measured by tools/bench)."""
LIVE_MESSAGES = 5
"""Per pass: summary, trace and three bare figures, of its last sweep where it has several."""
LOOKED_BACK_S = (300.0, 7200.0)
"""How far back the archive is looked through for a sweep of a job."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweeperForecast:
    """One sweeper: ``state`` is who answered, or why nobody was asked or did.

    ``is_wrong``: it cannot work as the config has it, whatever is plugged in.
    """

    name: str
    driver: str
    address: str
    state: str
    answered: bool
    is_wrong: bool = False
    isolation: str = ""
    """Where its driver runs: ``thread`` or ``process``."""
    isolation_why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobForecast:
    """One job over the day to come.

    ``sweep_s_from`` is ``asked``, ``archive``, ``config`` or ``assumed``; then ``assumed_why`` says
    why. ``burst`` is how many sweeps a due time asks for; ``due`` and ``missed`` count sweeps.
    """

    name: str
    sweeper: str
    points: int
    rhythm: str
    sweep_s: float
    sweep_s_from: str
    assumed_why: str
    burst: int
    next_due_s: tuple[float, ...]
    due: int
    missed: int
    share: float
    bytes_a_day: float
    problem: str
    inputs: tuple[str, ...] = ()
    """What can arrive at the sweeper's input, a sentence each; none where the config says nothing
    of a transmitter or a source."""
    foreseen: tuple[str, ...] = ()
    """What the job's kind can say beforehand: whether the chain can prove what is asked."""
    wishes: tuple[str, ...] = ()
    """What it waits for, and what it asks of the world around a pass."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """The day to come."""

    from_s: float
    to_s: float
    sweepers: tuple[SweeperForecast, ...]
    jobs: tuple[JobForecast, ...]
    conflicts: tuple[str, ...]
    bytes_a_day: float
    messages_a_second: float
    simulated_s: float
    """How much of the day the plan was run for; the rest is in proportion."""
    archive_problem: str
    """Why the archive's folder cannot be used; empty where it can."""

    @property
    def is_wrong(self) -> bool:
        """Whether something cannot work as the config has it, by what was found out for certain."""
        return bool(
            self.archive_problem
            or any(sweeper.is_wrong for sweeper in self.sweepers)
            or any(job.problem for job in self.jobs)
        )


async def forecast(built: Built, *, clock: Clock, ask: bool) -> Forecast:
    """The forecast for one day from now. ``ask`` opens the sweepers, unless a station has them."""
    busy = holder_of(built.archive) if ask else None
    taken_s = last_sweep_times(built, clock.wall_s()) if busy else {}
    asked: dict[str, tuple[SweeperForecast, dict[str, _Timing]]] = {}
    found = await asyncio.gather(
        *(
            _ask_sweeper(spec, built.jobs, clock, ask=ask, busy=busy, taken_s=taken_s)
            for spec in built.sweepers
        )
    )
    for spec, answer in zip(built.sweepers, found, strict=True):
        asked[spec.name] = answer
    now_s = clock.wall_s()
    references = _references(built.archive)
    jobs: list[JobForecast] = []
    conflicts: list[str] = []
    simulated_s = DAY_S
    for spec in built.sweepers:
        _, timings = asked[spec.name]
        mine = [job for job in built.jobs if job.sweeper == spec.name]
        if not mine:
            continue
        planned = [_timed(job, timings[job.name]) for job in mine]
        view = _view(planned, now_s)
        if len(mine) > 1 or any(job.missed for job in view.jobs):
            # One job that misses nothing goes on like that; there is nothing to run it for.
            simulated_s = min(simulated_s, view.simulated_to_s - now_s)
        guessed = [job.name for job in mine if timings[job.name].source == "assumed"]
        proviso = f" (if a sweep of {' and '.join(guessed)} takes as assumed)" if guessed else ""
        conflicts += [f"{spec.name}: {sentence}{proviso}" for sentence in view.conflicts]
        jobs += [_job(job, timings[job.name], view, references.get(job.name, {})) for job in mine]
    passes_a_second = sum((job.due - job.missed) / job.burst for job in jobs) / DAY_S
    return Forecast(
        from_s=now_s,
        to_s=now_s + DAY_S,
        sweepers=tuple(told for told, _ in asked.values()),
        jobs=tuple(jobs),
        conflicts=tuple(conflicts),
        bytes_a_day=sum(job.bytes_a_day for job in jobs),
        messages_a_second=0.0
        if built.mqtt is None
        else LIVE_MESSAGES * passes_a_second + len(jobs) / 30.0,
        simulated_s=simulated_s,
        archive_problem=_archive_problem(built.archive),
    )


def _view(planned: Sequence[PlannedJob], now_s: float) -> Preview:
    """The plan of one sweeper for a day. A job on its own goes on as it begins: where its first
    passes are all begun in time the rest is not run."""
    to_s = now_s + DAY_S
    if len(planned) == 1:
        begins = preview(planned, now_s, to_s, passes_most=ALONE_PASSES)
        if not any(job.missed or job.worst_late_s for job in begins.jobs):
            return begins
    return preview(planned, now_s, to_s)


def _references(archive: Path) -> Mapping[str, Mapping[str, ReferenceRecord]]:
    """Those that the archive has; an archive that cannot be read is told of elsewhere."""
    try:
        return stored_references(archive)
    except ArchiveError:
        return {}


def _archive_problem(archive: Path) -> str:
    """Why no archive can be made or written at ``archive``; nothing is made to find out."""
    folder = archive
    while not os.path.lexists(folder) and folder != folder.parent:
        folder = folder.parent
    if not folder.is_dir():
        return f"{archive}: {folder} is no folder; name another archive in [station]"
    if not os.access(folder, os.W_OK | os.X_OK):
        return f"{archive}: this user may not write in {folder}"
    return ""


def last_sweep_times(built: Built, now_s: float) -> dict[str, float]:
    """How long the last sweep of each job took, from the archive of the running station; seconds.

    Only sweeps under the job's present config count.
    """
    found: dict[str, float] = {}
    try:
        archive = open_archive(built.archive)
        for job in built.jobs:
            for back_s in LOOKED_BACK_S:
                took_s = _last_sweep(archive, job, now_s - back_s)
                if took_s is not None:
                    found[job.name] = took_s
                    break
    except ArchiveError:
        pass  # what cannot be read says nothing; the running station reports it
    return found


def _last_sweep(archive: Archive, job: JobSpec, since_s: float) -> float | None:
    digest = job.facts.config_digest
    wanted = Wanted(root=archive.root, job=job.name, start_s=since_s, times=archive.times())
    pieces = find_pieces(wanted)
    took = [
        (float(piece.core["time"][-1]), float(piece.core["duration"][-1]))
        for piece in pieces
        if piece.place.size and piece.setup.details.get("config_digest") == digest
    ]
    return max(took)[1] if took else None


@dataclass(frozen=True, slots=True)
class _Timing:
    sweep_s: float
    source: str
    resolution: float
    why: str = ""
    problem: str = ""
    capabilities: Capabilities | None = None
    """None where the sweeper was not asked."""
    looks: tuple[str, ...] = ()
    """What closer looks may cost."""


def _assumed(job: JobSpec, why: str) -> _Timing:
    if job.request.sweep_time_s is not None:
        return _Timing(job.request.sweep_time_s, "config", RESOLUTION_DB)
    return _Timing(ASSUMED_SWEEP_S, "assumed", RESOLUTION_DB, why=why)


async def _ask_sweeper(
    spec: SweeperSpec,
    jobs: Sequence[JobSpec],
    clock: Clock,
    *,
    ask: bool,
    busy: str | None,
    taken_s: Mapping[str, float],
) -> tuple[SweeperForecast, dict[str, _Timing]]:
    mine = [job for job in jobs if job.sweeper == spec.name]
    why = "not asked" if not ask else f"in use by {busy}" if busy else ""
    timings = {
        job.name: _Timing(taken_s[job.name], "archive", RESOLUTION_DB)
        if job.name in taken_s
        else _assumed(job, why or "nobody answered")
        for job in mine
    }
    for job in mine:
        timing = timings[job.name]
        looks = await look_costs(job, None, None, sweep_s=timing.sweep_s)
        timings[job.name] = replace(timing, looks=looks)

    def told(state: str, *, answered: bool = False, is_wrong: bool = False) -> SweeperForecast:
        return SweeperForecast(
            name=spec.name,
            driver=spec.driver_name,
            address=spec.address,
            state=state,
            answered=answered,
            is_wrong=is_wrong,
            isolation=spec.isolation.way,
            isolation_why=spec.isolation.why,
        )

    if why:
        return told(why), timings
    host = replace(spec, deadline_s=ASK_WITHIN_S).host(clock)
    try:
        opened = await host.open()
        can = opened.capabilities
        for job in mine:
            timing = await _timing(host, job, can)
            looks = await look_costs(job, can, host.estimate_s, sweep_s=timing.sweep_s)
            timings[job.name] = replace(timing, capabilities=can, looks=looks)
        return told(str(opened.identity), answered=True), timings
    except (RequestRefused, IdentityChanged) as exc:
        return told(f"cannot be used: {exc}", is_wrong=True), timings
    except SweeperError as exc:
        return told(f"away: {exc}"), timings
    finally:
        await host.close()


async def _timing(host: SweeperHost, job: JobSpec, capabilities: Capabilities) -> _Timing:
    resolution = capabilities.resolution or RESOLUTION_DB
    try:
        estimate_s = await host.estimate_s(job.request)
    except RequestRefused as exc:
        return replace(_assumed(job, "it cannot be done"), problem=str(exc))
    if estimate_s is None:
        return _assumed(job, "the sweeper cannot say")
    return _Timing(estimate_s, "asked", resolution)


def _timed(job: JobSpec, timing: _Timing) -> PlannedJob:
    estimate_s = max(1e-3, timing.sweep_s) * job.planned.schedule.burst
    return replace(job.planned, estimate_s=estimate_s)


def _job(
    job: JobSpec, timing: _Timing, view: Preview, references: Mapping[str, ReferenceRecord]
) -> JobForecast:
    seen = next(one for one in view.jobs if one.job == job.name)
    burst = job.planned.schedule.burst
    stored = (seen.due - seen.missed) * burst
    return JobForecast(
        name=job.name,
        sweeper=job.sweeper,
        points=job.request.points,
        rhythm=seen.schedule,
        sweep_s=timing.sweep_s,
        sweep_s_from=timing.source,
        assumed_why=timing.why,
        burst=burst,
        next_due_s=seen.next_due_s,
        due=seen.due * burst,
        missed=seen.missed * burst,
        share=seen.share,
        bytes_a_day=stored * bytes_of_sweep(job.request.points, timing.resolution),
        problem=timing.problem or _unsafe(job, timing.capabilities),
        inputs=job.safety.report(_absolute_max_dbm(job, timing.capabilities)),
        foreseen=(
            *job.foresee(timing.capabilities),
            *without_references(job, references),
            *timing.looks,
        ),
        wishes=wishes_of(job),
    )


def bytes_of_sweep(points: int, resolution: float | None) -> float:
    """About what one sweep takes in a volume; ``resolution`` is the step of its levels in dB, where
    None is that of most sweepers."""
    bits = NOISE_BITS_AT_1_DB - math.log2(resolution or RESOLUTION_DB) + PACKING_BITS
    return points * bits / 8 + SWEEP_BYTES


NEEDED = {"transmission": Role.THROUGH, "reflection": Role.OPEN}
"""The reference without which a kind has no figures; vector sweepers may do without."""


def without_references(job: JobSpec, references: Mapping[str, ReferenceRecord]) -> tuple[str, ...]:
    """What is missing of the references that the job needs, or does not fit it."""
    role = NEEDED.get(job.kind)
    if role is None:
        return ()
    helps = f"take one with `acqd reference {job.name} {role.value}`"
    known = references.get(role.value)
    if known is None:
        return (f"there is no {role.value} reference, and no figures without: {helps}",)
    differs = differences_from_job(known, job.request)
    if not differs:
        return ()
    return (f"the {role.value} reference does not fit: {'; '.join(differs)}; {helps}",)


def _absolute_max_dbm(job: JobSpec, capabilities: Capabilities | None) -> float | None:
    stated_dbm = job.facts.absolute_max_dbm
    return stated_dbm if capabilities is None else absolute_max_dbm(stated_dbm, capabilities)


def _unsafe(job: JobSpec, capabilities: Capabilities | None) -> str:
    """Why the job would not start for what can arrive, as far as that is certain."""
    most_dbm = _absolute_max_dbm(job, capabilities)
    if most_dbm is None and capabilities is None:
        # The sweeper may say it when it is opened.
        return ""
    return job.safety.refusal(most_dbm) or ""
