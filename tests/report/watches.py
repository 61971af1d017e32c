"""Watches at an invented lookout, kept in real archives: jobs of any kind on a clock that jumps.

The sweeps are those of the simulator, measured, judged and committed by the station's own job; only
the waiting is left out. What live gave, verdicts included, is kept beside for comparison.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from acqd_sim.driver import SimDriver, SimSweeper

from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import GapRecord
from acqd.archive.writer import ArchiveWriter
from acqd.config.load import parse_config
from acqd.drivers.contract import OpenContext
from acqd.drivers.host import SweeperHost
from acqd.drivers.registry import load_drivers
from acqd.measure.meter import PASS_CUT_SHORT, Output, Role
from acqd.report.source import JobSource
from acqd.station.build import build
from acqd.station.job import JobRunner, Taken
from acqd.station.references import reference_from
from acqd.station.tell import Teller
from acqd.sweep import Sweep, SweepFlag

START_S = 1_780_347_600.0
"""2026-06-01T21:00:00Z, 22:00 at the lookout."""
ZONE = "Europe/London"

STATION = """\
[station]
name = "gannet-ledge"
archive = "archive"
keep_free = "1 MB"
time_zone = "Europe/London"

[mqtt]
broker = "none"

[sweeper.shack]
driver = "sim"
address = "sim:shack"
absolute_max = "10 dBm"
options = { scene = "scene.toml" }

"""


class Hours:
    """A clock that goes on only when somebody waits."""

    boot_id = "00000000-0000-4000-8000-000000000000"

    def __init__(self) -> None:
        self.at_s = START_S

    def wall_s(self) -> float:
        return self.at_s

    now_s = monotonic_s = boottime_s = steady_s = wall_s

    def synchronised(self) -> bool | None:
        return True

    def wait(self, seconds: float, cancel: Any = None) -> bool:
        self.at_s += max(0.0, seconds)
        return False


class _Wired:
    """A driver's context with other options."""

    def __init__(self, context: OpenContext, options: Mapping[str, Any]) -> None:
        self._context, self.options = context, options

    def __getattr__(self, name: str) -> Any:
        return getattr(self._context, name)


class _Driver(SimDriver):
    """What stands between source and input is what the watch says it is."""

    def __init__(self, watch: Watch) -> None:
        self._watch = watch

    def open(self, context: OpenContext) -> SimSweeper:
        watch = self._watch
        options = {"scene": str(watch.folder / "scene.toml"), "clock": watch.clock}
        if watch.source_path is not None:
            options["source_path"] = list(watch.source_path)
        return super().open(_Wired(context, options))


@dataclass
class Watch:
    """One job on a simulated sweeper."""

    folder: Path
    scene: str
    job: str
    source_path: tuple[str, ...] | None = None
    clock: Hours = field(default_factory=Hours)
    verdicts: list[Mapping[str, Any]] = field(default_factory=list)
    """All that live gave, in order."""
    outputs: list[Output] = field(default_factory=list)
    references: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / "scene.toml").write_text(self.scene)
        config = parse_config(STATION + self.job, self.folder / "station.toml")
        (self.spec,) = build(config, load_drivers()).jobs

    def now_there(self, scene: str) -> None:
        """From the next pass on the scene is another one."""
        (self.folder / "scene.toml").write_text(scene)

    def refer(self, role: Role, *path: str, sweeps: int = 1) -> None:
        """Take a reference of what is put between source and input."""
        before, self.source_path = self.source_path, path
        host = self._host()

        async def taken() -> list[Sweep]:
            await host.open()
            try:
                return [await host.sweep(self.spec.request) for _ in range(sweeps)]
            finally:
                await host.close()

        record = reference_from(self.spec.name, role, asyncio.run(taken()))
        self.references[str(role)] = record
        self.source_path = before
        self.clock.wait(60.0)

    def run(
        self,
        passes: int,
        *,
        every_s: float = 60.0,
        before: Callable[[int], Any] = lambda number: None,
        context: Callable[[int], Mapping[str, float]] = lambda number: {},
        flags: Callable[[int], SweepFlag] = lambda number: SweepFlag(0),
        missing: frozenset[int] = frozenset(),
        cut_at: Mapping[int, int] | None = None,
    ) -> Watch:
        """``passes`` of the job; of those that are ``missing`` a gap is left. ``before`` each it is
        told its number; of those in ``cut_at`` only so many sweeps are taken. May be called again,
        as a station is started again."""
        asyncio.run(self._run(passes, every_s, before, context, flags, missing, cut_at or {}))
        return self

    async def _run(
        self, passes: int, every_s: float, before: Any, context: Any, flags: Any,
        missing: frozenset[int], cut_at: Mapping[int, int],
    ) -> None:  # fmt: skip
        writer = self._writer()
        runner = self._runner(writer)
        install = runner._install

        def installed(draft: Any) -> None:
            for _, _, output in draft.told:
                self.outputs.append(output)
                if output.verdict is not None:
                    self.verdicts.append(output.verdict)
            install(draft)

        runner._install = installed
        writer.begin([self.spec.feed.checkpoint(self.spec.name, runner.state, next_finding=1)])
        for reference in self.references.values():
            runner.refer_to(reference)
        first_s = self.clock.at_s
        try:
            for number in range(passes):
                due_s = first_s + number * every_s
                self.clock.at_s = max(self.clock.at_s, due_s)
                if number in missing:
                    await runner.gap(self._gap(due_s, 1, "sweeper lost"))
                    continue
                before(number)
                most = cut_at.get(number, 10_000)
                await self._pass(runner, due_s, context(number), flags(number), most)
            await runner.turn_hours(self.clock.at_s)
            await runner.settled(30.0)
        finally:
            writer.close((), seal=True)

    async def _pass(
        self, runner: JobRunner, due_s: float, context: Any, flags: SweepFlag, most: int
    ) -> None:
        host = self._host()
        await host.open()
        steps = self.spec.make_pass(self.spec.request, 1)
        try:
            step = next(steps)
            for count in range(1, 10_000):
                sweep = await host.sweep(step.request)
                taken = Taken(
                    sweep=replace(sweep, flags=sweep.flags | flags),
                    capabilities=host.capabilities,
                    step=step.step,
                    due_s=due_s,
                    first_of_pass=count == 1,
                    context=context,
                )
                await runner.keep([taken])
                if count >= most:
                    await runner.gap(self._gap(self.clock.at_s, 0, PASS_CUT_SHORT))
                    return
                step = steps.send(lambda taken=taken: runner.answer(taken))
        except StopIteration:
            pass
        finally:
            steps.close()
            await host.close()

    def _gap(self, at_s: float, count: int, reason: str) -> GapRecord:
        return GapRecord(
            job=self.spec.name, from_s=at_s, to_s=at_s, count=count, reason=reason, detail=""
        )

    def _host(self) -> SweeperHost:
        return SweeperHost(
            name="shack", driver=_Driver(self), address="sim:shack", options={}, clock=self.clock
        )

    def _writer(self) -> ArchiveWriter:
        return ArchiveWriter.open(
            self.folder / "archive",
            station="gannet-ledge",
            run_id="run",
            clock=self.clock,
            keep_free_bytes=1 << 20,
            software={},
        )  # fmt: skip (a line a setting)

    def _runner(self, writer: ArchiveWriter) -> JobRunner:
        teller = Teller(
            station="gannet-ledge",
            title="",
            run_id="run",
            clock=self.clock,
            topics_root="acqd",
            trace_points=100,
            sweepers=["shack"],
            drivers={},
            jobs=[self.spec.name],
        )  # fmt: skip (a line a setting)
        return JobRunner(
            self.spec,
            archive=writer,
            teller=teller,
            clock=self.clock,
            run_id="run",
            state=self.spec.feed.start(),
        )  # fmt: skip (a line a setting)

    # -- what came of it -----------------------------------------------------------------------

    @property
    def archive(self) -> Archive:
        return open_archive(self.folder / "archive")

    def source(self, start_s: float = START_S - 86400.0, stop_s: float | None = None) -> JobSource:
        """The job as a report sees it."""
        stop_s = self.clock.at_s + 1.0 if stop_s is None else stop_s
        return JobSource(self.archive, self.spec.name, start_s=start_s, stop_s=stop_s, zone=ZONE)

    @property
    def summaries(self) -> list[Mapping[str, Any]]:
        """Those that were told, in order."""
        return [one.summary for one in self.outputs if one.summary is not None]
