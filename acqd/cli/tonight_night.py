"""The night of ``acqd tonight``: the station until its end, then the page."""

from __future__ import annotations

import sys
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from acqd.cli.tonight_asked import Given
    from acqd.clock import Clock
    from acqd.config.whole import StationConfig
    from acqd.drivers.registry import Registry
    from acqd.station.build import Built
    from acqd.tonight.asking import Asker
    from acqd.tonight.lines import NightLines

__all__ = ["Night"]


class Night:
    """Runs a station until a time of the clock, or until somebody ends it, and makes the report."""

    def __init__(self, given: Given, ask: Asker, clock: Clock, registry: Registry) -> None:
        self._given = given
        self._ask = ask
        self._clock = clock
        self._registry = registry
        self._lines: NightLines | None = None

    def watch(self, built: Built, config: StationConfig, end_s: float) -> str | None:
        """Run the station until ``end_s``, then make the report; its path."""
        import os
        import signal

        from acqd.cli.run import ending_signals, leave_quietly
        from acqd.errors import BrokerError
        from acqd.look.times import clock, duration
        from acqd.station.build import build

        for number in ending_signals():
            signal.signal(number, leave_quietly)
        self._show_night(built, config)
        began_s = self._clock.wall_s()
        self._ask.say(
            f"Watching until {clock(end_s, built.time_zone)} ({duration(round(end_s - began_s))}). "
            "Ctrl-C ends it early, with a report of what there is."
        )
        with self._awake(config):
            try:
                was_asked, is_left_behind = self._run(built, end_s)
            except BrokerError as exc:
                # The night is worth more than its messages.
                self._ask.say(f"{exc}. This night goes without messages")
                built = build(config, self._registry, broker="none")
                was_asked, is_left_behind = self._run(built, end_s)
        if self._lines is not None:
            self._lines.end()
        why = "ended early" if was_asked else "the night is over"
        self._ask.say(f"{why}; making the report (Ctrl-C leaves it)")
        try:
            page = self._report(built, config, began_s)
        except KeyboardInterrupt:
            click.echo(f"\nno report was made; acqd report {built.archive} makes it", err=True)
            raise SystemExit(130) from None
        if not self._given.as_json:
            click.echo(f"report: {page}")
            self._say_next(config)
        if is_left_behind:
            # A thread hangs in the disk: an interpreter that takes its modules down may crash.
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(0)
        return str(page)

    def _show_night(self, built: Built, config: StationConfig) -> None:
        """A watchkeeper's lines on a terminal; the log in a file, or where it is asked for."""
        from acqd.cli.logs import set_up_logs, set_up_worded_logs
        from acqd.cli.wrapping import fitted, width_of
        from acqd.config.problems import printable
        from acqd.tonight.lines import NightLines

        if self._given.verbose or not sys.stderr.isatty():
            set_up_logs(verbose=self._given.verbose)
            return

        def write(text: str) -> None:
            self._ask.say(fitted(printable(text), width_of(sys.stderr), rest=" " * 7))

        self._lines = NightLines(
            write,
            titles={name: config.jobs[name].title or name for name in config.enabled_jobs},
            zone=built.time_zone,
            clock=self._clock,
        )
        set_up_worded_logs(self._lines.log, write)

    def _run(self, built: Built, end_s: float) -> tuple[bool, bool]:
        """The station until ``end_s``: whether a signal ended it, and whether a thread hangs.

        Raises:
            BrokerError: its own broker cannot be started; nothing runs then.
        """
        import asyncio
        import secrets
        import time

        from acqd.cli.run import ending_signals
        from acqd.station.service import Station
        from acqd.station.surroundings import Surroundings
        from acqd.tonight.night import until

        stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime(self._clock.wall_s()))
        station = Station(
            built,
            clock=self._clock,
            run_id=f"{stamp}-{secrets.token_hex(3)}",
            # One page of all ranges is made at the end; those of single jobs are for `acqd run`.
            around=Surroundings(
                report_program=(),
                listeners=() if self._lines is None else (self._lines.hear,),
            ),
        )
        numbers = ending_signals()
        was_asked = asyncio.run(until(station, end_s=end_s, clock=self._clock, numbers=numbers))
        return was_asked, station.left_behind

    def _say_next(self, config: StationConfig) -> None:
        """How the same comes every night; not of a sweeper that is none."""
        import shlex

        if any(one.driver == "sim" for one in config.sweepers.values()):
            return
        path = shlex.quote(str(config.path.absolute()))
        self._ask.say(
            "The same every night, also after a power cut, with a report of each range each "
            f"morning:\n    acqd service install {path}"
        )

    def _awake(self, config: StationConfig) -> AbstractContextManager[object]:
        """Holds the machine awake over the night, unless the config says otherwise."""
        import structlog

        from acqd.host import KeepAwake

        if not config.station.keep_awake:
            return nullcontext()
        return KeepAwake(why="acqd tonight is listening", log=structlog.get_logger())

    def _report(self, built: Built, config: StationConfig, began_s: float) -> Path:
        from acqd.cli.export_files import published
        from acqd.cli.progress import ProgressLine
        from acqd.report.gather import gather
        from acqd.report.page import html
        from acqd.tonight.night import page_of

        windowed = any(job.when.window for job in config.enabled_jobs.values())
        page = page_of(config.folder, built.name, self._clock.wall_s(), built.time_zone)
        with ProgressLine() as line:
            report = gather(
                built.archive,
                # With windows it is the whole of tonight's, also of runs before this one.
                start_s=None if windowed else began_s,
                progress=line.sweeps,
            )
            text = html(
                report,
                progress=lambda done, of: line.show(done / of, f"{done} of {of} figures drawn"),
            )
        with published(str(page)) as beside:
            beside.write_text(text, "utf-8")
        return page
