"""What runs beside the sweepers of a station: context, clocks, upkeep, ports, commands, reports.

Another thing that has to run as long as the station does is one more line in :meth:`Beside.loops`.
"""

from __future__ import annotations

from collections.abc import Callable, Coroutine, Mapping, Sequence
from typing import Any

from acqd.archive.writer import ArchiveWriter
from acqd.clock import Clock
from acqd.publish.settings import BrokerSettings
from acqd.station.alerting import Alerting
from acqd.station.build import Built
from acqd.station.commands import StationCommands
from acqd.station.commandtopic import CommandTopic
from acqd.station.conditions import OnlyRules
from acqd.station.context import ContextSources, ContextStore
from acqd.station.control import Control
from acqd.station.healthwatch import HealthWatch
from acqd.station.holds import HoldWatch
from acqd.station.hotplug import HotPlug
from acqd.station.job import JobRunner
from acqd.station.jobcommands import JobCommands
from acqd.station.livepage import LivePage
from acqd.station.marks import job_findings
from acqd.station.ptt import KeyRules
from acqd.station.reporting import Reports
from acqd.station.selftesting import SelfTests, tell_untold
from acqd.station.surroundings import Surroundings
from acqd.station.sweepers import SweeperRunner
from acqd.station.tell import STATION, Teller
from acqd.station.upkeep import Upkeep
from acqd.station.watch import StationFindings
from acqd.station.watchdog import Watchdog

__all__ = ["Beside", "Loop"]

Loop = Coroutine[Any, Any, None]
"""Goes on until it is cancelled, or has nothing left to do; what it raises ends the station."""


class Beside:
    """Makes all that runs beside the sweepers, once per run, when these have been made.

    Args:
        settings: how the broker is spoken to, if there is one.
        watch_clocks: looks at the clocks for as long as the station runs.
        status: how everything is, for ``acqd status``.
        report_made: called whenever a report has been made or given up.
    """

    def __init__(
        self,
        built: Built,
        around: Surroundings,
        *,
        clock: Clock,
        run_id: str,
        archive: ArchiveWriter,
        teller: Teller,
        findings: StationFindings,
        context: ContextStore,
        settings: BrokerSettings | None,
        jobs: Mapping[str, JobRunner],
        sweepers: Sequence[SweeperRunner],
        upkeep: Upkeep,
        health: HealthWatch,
        watch_clocks: Callable[[], Loop],
        status: Callable[[], dict[str, Any]],
        report_made: Callable[[], None],
    ) -> None:
        self._built = built
        self._around = around
        self._clock = clock
        self._run_id = run_id
        self._archive = archive
        self._findings = findings
        self._context = context
        self._settings = settings
        self._jobs = jobs
        self._sweepers = sweepers
        self._upkeep = upkeep
        self._health = health
        self._watch_clocks = watch_clocks
        self._status = status
        self._job_commands = JobCommands(jobs, sweepers)
        self.commands: CommandTopic | None = None
        self.sources: ContextSources | None = None
        if context.specs:
            self.sources = ContextSources(
                context, station=built.name, settings=settings, clock=clock, tell=findings.tell
            )
        self._alerting = self._alerts(teller)
        if self._alerting is not None:
            health.alerts_waiting = self._alerting.waiting
        self.reports = Reports(
            built.archive,
            jobs.values(),
            run_id=run_id,
            zone=built.time_zone,
            clock=clock,
            tell=teller.report,
            finding=findings.tell,
            made=report_made,
            program=around.report_program,
        )

    def loops(self) -> list[Loop]:
        """One coroutine for each thing that runs beside; call it once, and run all of them."""
        return [
            *self._context_loops(),
            self._watch_clocks(),
            *self._upkeep.loops(),
            self._health.run(),
            *self._watchdog(),
            *self._hot_plug(),
            self._control().run(),
            *self._command_topic(),
            tell_untold(self._findings, self._archive),
            self.reports.run(),
            *([] if self._alerting is None else [self._alerting.run()]),
            *self._live_page(),
        ]

    def _watchdog(self) -> list[Loop]:
        """What tells the service manager how it goes; nothing where none listens."""
        ear = self._around.ear
        if ear is None:
            return []
        health = self._health
        return [Watchdog(ear, view=health.view, health=health.health, clock=self._clock).run()]

    def _context_loops(self) -> list[Loop]:
        """What fills the context and acts on it; nothing where the config has none."""
        if self.sources is None:
            return []
        specs = self._built.jobs
        keys = KeyRules(
            self._context,
            {spec.name: spec.ptt for spec in specs},
            tell=self._findings.tell,
            clock=self._clock,
        )
        only = OnlyRules(
            self._context,
            {spec.name: spec.only_while for spec in specs if not self._jobs[spec.name].ended},
            tell=job_findings(self._jobs, self._clock),
            clock=self._clock,
        )
        watch = HoldWatch(self._context, [keys, only], hold=self._hold)
        return [self.sources.run(), watch.run()]

    def _alerts(self, teller: Teller) -> Alerting | None:
        plan = self._built.alerts
        if plan is None:
            return None
        alerting = Alerting(
            plan,
            archive=self._built.archive,
            clock=self._clock,
            last_findings={
                "": self._archive.recovery.next_finding(STATION) - 1,
                **{name: job.last_finding for name, job in self._jobs.items()},
            },
            tell=self._findings.tell,
        )
        teller.listeners.append(alerting.hear)
        return alerting

    def _hold(self, job: str, why: str | None) -> None:
        for sweeper in self._sweepers:
            if sweeper.name == self._jobs[job].spec.sweeper:
                sweeper.hold(job, why)

    def _hot_plug(self) -> list[Loop]:
        machine = self._around.machine
        if not self._built.hot_plug or machine is None:
            return []
        plugs = HotPlug(
            machine,
            sweepers=self._sweepers,
            configured=self._built.configured,
            tell=self._findings.tell,
            clock=self._clock,
        )
        return [plugs.run()]

    def _live_page(self) -> list[Loop]:
        if self._built.page is None:
            return []
        page = LivePage(
            self._built.page,
            station=self._built.name,
            archive=self._built.archive,
            zone=self._built.time_zone,
            settings=self._settings,
            program=self._around.page_program,
        )
        return [page.run()]

    def _command_topic(self) -> list[Loop]:
        """Hears what others may ask over MQTT; nothing where the config lets nobody."""
        rules, settings = self._built.commands, self._settings
        if rules is None or settings is None:
            return []
        self.commands = CommandTopic(
            settings,
            rules,
            station=self._built.name,
            run_id=self._run_id,
            jobs=self._jobs,
            do=self._job_commands,
            tell=self._findings.tell,
            clock=self._clock,
        )
        return [self.commands.run()]

    def _control(self) -> Control:
        """Listens to the commands of this station's user."""
        commands = StationCommands(
            station=self._built.name,
            run_id=self._run_id,
            jobs=self._jobs,
            sweepers=self._sweepers,
            archive=self._archive,
            tell=self._status,
            do=self._job_commands,
            finding=self._findings.tell,
            tests=SelfTests(
                sweepers={one.name: one for one in self._sweepers},
                specs={spec.name: spec for spec in self._built.sweepers},
                archive=self._archive,
                findings=self._findings,
                clock=self._clock,
            ),
        )
        return Control(self._built.archive, commands.table())
