"""A rehearsal: the station of a config, whole, from one time to another on a clock of its own."""

from __future__ import annotations

import asyncio
import hashlib
import signal
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import FrameType

from acqd.archive.durable import free_bytes
from acqd.archive.layout import DAY_S
from acqd.archive.writer import ArchiveWriter
from acqd.config.whole import StationConfig
from acqd.drivers.registry import Registry
from acqd.errors import ArchiveError, WrongUsage
from acqd.look.times import duration
from acqd.plan.schedule import Schedule
from acqd.publish.outbox import Outbox
from acqd.rehearsal.counting import CountingMessenger, MessageLoad
from acqd.rehearsal.standin import Cast, cast
from acqd.rehearsal.virtual import StandingClock, VirtualClock, VirtualLoop
from acqd.station.build import Built, build
from acqd.station.job import JobSpec
from acqd.station.references import stored_references
from acqd.station.service import Station
from acqd.station.surroundings import Surroundings

__all__ = [
    "NIGHT_MOST_S",
    "Progress",
    "Rehearsed",
    "default_start_s",
    "merge_rest",
    "quick_switches",
    "rehearse",
]

NIGHT_MOST_S = 31 * DAY_S
"""Longer rehearsals are refused: a slip, or a job for a real archive."""
KEEP_FREE_BYTES = 64 << 20
ROOM_BYTES = 50_000_000
POINT_BYTES = 2.0
SWEEP_BYTES = 1500.0
"""What a rehearsal may need on the disk: for itself, for a point and for a sweep."""
STOP_S = 900.0
"""For the end of it, in real seconds: everything is sealed, be the disk slow."""
SEAL_EVERY_S = 900.0
"""Fewer and larger segments than a real night has; the volumes that they become are the same."""
UNSEALED_MOST = 3
"""Journals that may wait to be sealed before the clock waits for them."""
SWITCH_S = 0.0005
"""How long a thread may keep the interpreter from another: each sweep goes over several."""
AFTER_MIDNIGHT_S = 3600.0
WHO = "acqd rehearse"
NOTE = "a rehearsal: simulated sweepers, on a clock of its own"
"""What the archive says of itself, as a remark that is on every sheet of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far it is: the time on the rehearsal's clock, and the share of it that is done."""

    at_s: float
    done: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsed:
    """What was rehearsed, and what it cost. What came of it is in the archive.

    Attributes:
        to_s: where it ended; earlier than asked for where somebody stopped it, or all jobs ended.
        built: the station as it ran.
        is_cut_short: somebody stopped it.
        messages: what a broker would have got.
        references: roles of those that the config's archive lent, by job.
        took_s: real seconds.
    """

    from_s: float
    to_s: float
    built: Built
    cast: Cast
    archive: Path
    is_cut_short: bool
    messages: MessageLoad
    took_s: float
    references: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def default_start_s(schedules: list[Schedule], now_s: float) -> float:
    """When the next window of any job opens, after ``now_s``; ``now_s`` itself, to the second,
    where no job has a window."""
    opens = []
    for schedule in schedules:
        if not schedule.windows:
            continue
        closes_s = schedule.open_until(now_s) if schedule.is_open(now_s) else now_s
        at_s = None if closes_s is None else schedule.next_open(closes_s)
        if at_s is not None:
            opens.append(at_s)
    return min(opens, default=float(int(now_s)))


def rehearse(
    config: StationConfig,
    registry: Registry,
    *,
    from_s: float,
    length_s: float,
    archive: Path,
    scene: Path | None = None,
    seed: int | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> Rehearsed:
    """Run the station of ``config`` from ``from_s`` on, for ``length_s``, as fast as it goes.

    Plan, passes, measuring and archive are those of a real run; the sweepers are simulated, and
    messages are counted in a broker's place. The same config, scene, seed and time give the same
    levels and findings. To be called in the main thread for Ctrl-C to end it early, with what was
    rehearsed by then; in another thread it goes on to its end.

    Args:
        archive: a folder that is not there or empty; it holds a whole archive afterwards.
        scene, seed: see :func:`~acqd.rehearsal.standin.cast`.
        progress: called about twice a second.

    Raises:
        WrongUsage: the length, the folder or the scene cannot be used; nothing was run.
        ConfigError: drivers that are not installed.
        ArchiveError: the archive could not be made.
    """
    if not 1.0 <= length_s <= NIGHT_MOST_S:
        raise WrongUsage(
            f"a rehearsal lasts from a second to 31 days, got {duration(length_s)}; ask for less"
            if length_s > 1.0
            else f"a rehearsal lasts from a second to 31 days, got {length_s:g} s; ask for more"
        )
    _need_empty(archive)
    started_s = time.monotonic()
    built = build(config, registry, broker="none")
    if not built.jobs:
        raise WrongUsage(f"{config.path}: no job is enabled: there is nothing to rehearse")
    _need_room(built, archive, from_s, from_s + length_s)
    carried = _carry_references(built, archive, from_s)
    stage = _Stage(built, registry, from_s, length_s, archive, scene, seed, progress)
    with quick_switches(), asyncio.Runner(loop_factory=stage.make_loop) as runner:
        runner.run(stage.run())
    done = replace(stage.outcome(), references=carried)
    merge_rest(
        archive,
        station=built.name,
        software=done.built.software,
        from_s=from_s,
        to_s=done.to_s,
    )
    return replace(done, took_s=time.monotonic() - started_s)


def _need_empty(archive: Path) -> None:
    if archive.exists() and (not archive.is_dir() or any(archive.iterdir())):
        raise WrongUsage(
            f"{archive}: a rehearsal needs an empty folder, or none; this one holds something"
        )


def _carry_references(built: Built, archive: Path, from_s: float) -> dict[str, tuple[str, ...]]:
    """Put the newest references of the config's archive into the one of the rehearsal; their roles
    by job."""
    try:
        stored = stored_references(built.archive)
    except ArchiveError:
        return {}
    jobs = [job.name for job in built.jobs if job.name in stored]
    if not jobs:
        return {}
    writer = ArchiveWriter.open(
        archive,
        station=built.name,
        run_id="rehearsal-begin",
        clock=StandingClock(from_s),
        keep_free_bytes=KEEP_FREE_BYTES,
        software=built.software,
    )
    try:
        for job in jobs:
            for one in stored[job].values():
                writer.add_overlay_now(
                    "reference", body=one.to_body(), who=WHO, job=job, from_s=one.at_s
                )
    finally:
        writer.close(())
    return {job: tuple(stored[job]) for job in jobs}


def _need_room(built: Built, archive: Path, from_s: float, to_s: float) -> None:
    """Refuse a rehearsal that would fill the disk; a night is far below this, as it is packed."""
    needed = ROOM_BYTES + sum(
        _due(job, from_s, to_s) * (job.request.points * POINT_BYTES + SWEEP_BYTES)
        for job in built.jobs
    )
    folder = archive.absolute()
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    free = free_bytes(folder)
    if free < needed + KEEP_FREE_BYTES:
        raise WrongUsage(
            f"{folder}: {free / 1e6:,.0f} MB free, and this rehearsal may need "
            f"{needed / 1e6:,.0f} MB; name a folder with room with --archive, or a shorter --for"
        )


def _due(job: JobSpec, from_s: float, to_s: float) -> float:
    schedule = job.planned.schedule
    if schedule.back_to_back:
        passes = schedule.open_between_s(from_s, to_s) / job.planned.estimate_s
    else:
        passes = schedule.count_between(from_s, to_s)
    return passes * schedule.burst


@contextmanager
def quick_switches() -> Iterator[None]:
    before_s = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        yield
    finally:
        sys.setswitchinterval(before_s)


class _Stage:
    """One rehearsal under way."""

    def __init__(
        self,
        built: Built,
        registry: Registry,
        from_s: float,
        length_s: float,
        archive: Path,
        scene: Path | None,
        seed: int | None,
        progress: Callable[[Progress], None] | None,
    ) -> None:
        self._config, self._registry = built, registry
        self._from_s, self._length_s = from_s, length_s
        self._archive, self._scene, self._seed = archive, scene, seed
        self._progress = progress
        self._station: Station | None = None
        self._scales: CountingMessenger | None = None
        self._stopped = False
        self._ended_s: float | None = None
        self._names = hashlib.sha256(f"{from_s}:{seed}:{scene}".encode()).hexdigest()

    def make_loop(self) -> VirtualLoop:
        self._loop = VirtualLoop(is_busy=self._is_busy, watch=self._watch)
        self._clock = VirtualClock(self._loop, start_s=self._from_s, boot_id=self._names[:32])
        return self._loop

    async def run(self) -> None:
        self._cast = cast(
            self._config, self._registry, clock=self._clock, scene=self._scene, seed=self._seed
        )
        software = {**self._config.software, "rehearsal": "simulated sweepers"}
        self._built = replace(
            self._config,
            archive=self._archive,
            sweepers=self._cast.sweepers,
            # A wait for company in a transaction would be a real one, and fill no disk here.
            commit_within_s=0.0,
            seal_every_s=max(SEAL_EVERY_S, self._config.seal_every_s),
            keep_free_bytes=KEEP_FREE_BYTES,
            contexts=(),
            # Nobody is to be woken by a night that never was.
            alerts=None,
            software=software,
            # Each setup says it too: a report may show any part of the night.
            jobs=tuple(
                replace(job, facts=replace(job.facts, software=software))
                for job in self._config.jobs
            ),
        )
        self._station = Station(
            self._built,
            clock=self._clock,
            run_id=f"rehearsal-{self._names[:12]}",
            around=Surroundings(
                messenger=self._messenger,
                takes_commands=False,
                asks_the_world=False,
                is_kept=False,
                report_program=(),
                page_program=(),
                machine=None,
                stop_s=STOP_S,
            ),
        )
        # What is due at the very end is of the time after it.
        self._loop.call_at(self._length_s - 1e-6, self._stop)
        with self._stopped_by_hand():
            await self._station.run()

    def outcome(self) -> Rehearsed:
        assert self._scales is not None
        return Rehearsed(
            from_s=self._from_s,
            to_s=self._ended_s or self._clock.wall_s(),
            built=self._built,
            cast=self._cast,
            archive=self._archive,
            is_cut_short=self._stopped,
            messages=self._scales.load(),
            took_s=0.0,
        )

    def _messenger(self, outbox: Outbox) -> CountingMessenger:
        self._scales = CountingMessenger(
            station=self._built.name,
            topic_root=self._built.topic_root,
            clock=self._clock,
            outbox=outbox,
        )
        return self._scales

    # -- time ------------------------------------------------------------------------------------

    def _is_busy(self) -> bool:
        station = self._station
        return station is not None and station.has_work_in_threads(unsealed_most=UNSEALED_MOST)

    def _watch(self) -> None:
        if self._progress is not None and self._station is not None:
            gone_s = self._loop.time()
            self._progress(
                Progress(
                    at_s=self._clock.wall_s(),
                    done=min(1.0, gone_s / self._length_s),
                )
            )

    @contextmanager
    def _stopped_by_hand(self) -> Iterator[None]:
        """The first Ctrl-C ends it early, the second leaves at once."""
        try:
            before = signal.getsignal(signal.SIGINT)
            self._loop.add_signal_handler(signal.SIGINT, self._stop_by_hand)
        except (ValueError, RuntimeError):
            # Not in the main thread, which is the one that signals come to.
            yield
            return
        try:
            yield
        finally:
            self._loop.remove_signal_handler(signal.SIGINT)
            signal.signal(signal.SIGINT, before)

    def _stop(self) -> None:
        assert self._station is not None
        self._ended_s = round(self._clock.wall_s(), 3)
        self._station.stop()

    def _stop_by_hand(self) -> None:
        self._stopped = True
        self._loop.remove_signal_handler(signal.SIGINT)
        signal.signal(signal.SIGINT, _leave)
        self._stop()


def _leave(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def merge_rest(
    archive: Path, *, station: str, software: Mapping[str, str], from_s: float, to_s: float
) -> None:
    """Seal and merge all of an archive that ends at ``to_s``, as the station would have done after
    the end of the UTC day."""
    morning_s = (to_s // DAY_S + 1) * DAY_S + AFTER_MIDNIGHT_S
    writer = ArchiveWriter.open(
        archive,
        station=station,
        run_id="rehearsal-end",
        clock=StandingClock(morning_s),
        keep_free_bytes=KEEP_FREE_BYTES,
        software=software,
    )
    try:
        writer.begin([one.meter for one in writer.recovery.jobs.values() if one.meter is not None])
        writer.add_overlay("note", body={"text": NOTE}, who=WHO, from_s=from_s).result()
        writer.merge_due(morning_s).result()
    finally:
        writer.close((), within_s=STOP_S)
