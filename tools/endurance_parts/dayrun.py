"""A whole station on a virtual clock: weeks in an hour or two.

Sweepers are simulated in the station's process. Real are the plan, the passes, the meters, the
archive with its journals, segments, volumes and ledger, the publisher, and mosquitto. What a
rehearsal does without, and this one too: nobody waits for the disk (but with ``synced``), no
commands, no live page.
"""

from __future__ import annotations

import asyncio
import json
import os
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

from acqd.config.load import load_config
from acqd.drivers.registry import load_drivers
from acqd.publish.outbox import Outbox
from acqd.rehearsal.run import merge_rest, quick_switches
from acqd.rehearsal.standin import cast
from acqd.rehearsal.virtual import VirtualClock, VirtualLoop
from acqd.station.build import Built, build
from acqd.station.service import Station
from acqd.station.surroundings import Surroundings
from endurance_parts.children import HOST, start_broker
from endurance_parts.listening import Listener
from endurance_parts.sampling import look, memory_bytes, write_sample
from endurance_parts.speaking import RealMessenger
from endurance_parts.stations import write_scene, write_station

__all__ = ["BEFORE_S", "START_S", "run_days"]

START_S = 1_780_272_000.0
"""2026-06-01T00:00:00Z: the first due time."""
BEFORE_S = 30.0
"""The station starts so long before it, and ends so long before the first that is no more its."""
HOUR_S = 3600.0
UNSEALED_MOST = 3
UNSENT_A_JOB = 5
"""Messages on their way, for each job, while time goes on: its pass makes six or seven."""
IN_STATUS = ("archive_waiting", "outbox_waiting", "sweeps")
STOP_S = 900.0
SETTLE_S = 3.0
RUN_ID = "endurance"
BOOT_ID = "e0d0" * 8


def run_days(
    folder: Path,
    *,
    sweepers: int,
    carriers: int,
    every_s: float,
    points: int,
    for_s: float,
    seal_every_s: float,
    synced: bool,
    say: Callable[[str], None],
) -> None:
    """Run it for ``for_s`` of its clock; samples, what was heard and the archive are in ``folder``.

    To be called in the main thread of a process that holds nothing else: its size is what is
    sampled, once an hour of the clock, in the middle between two journals.

    Args:
        carriers: how many of the sweepers follow a carrier.
        synced: whether each commit waits for the disk.
    """
    scene = write_scene(folder, sweepers=sweepers)
    with ExitStack() as stack:
        port, broker_pid = start_broker(folder, stack)
        listener = Listener(port, folder / "heard.json")
        stack.callback(listener.end)
        config = write_station(
            folder,
            [f"sim:mast-{number}" for number in range(1, sweepers + 1)],
            points=points,
            every_s=every_s,
            mqtt=f'broker = "mqtt://{HOST}:{port}"',
            rbw="30 kHz",
            options=f'scene = "{scene}"',
            more=f'seal_every = "{seal_every_s:g} s"',
            carriers=carriers,
        )
        built = build(load_config(config), load_drivers())
        life = _Life(built, folder, for_s, broker_pid, synced=synced, say=say)
        with quick_switches(), asyncio.Runner(loop_factory=life.make_loop) as runner:
            runner.run(life.run())
        time.sleep(SETTLE_S)
    merge_rest(
        built.archive,
        station=built.name,
        software=built.software,
        from_s=START_S - BEFORE_S,
        to_s=START_S - BEFORE_S + for_s,
    )


class _Life:
    """The station under way, and who looks at it."""

    def __init__(
        self,
        built: Built,
        folder: Path,
        for_s: float,
        broker_pid: int,
        *,
        synced: bool,
        say: Callable[[str], None],
    ) -> None:
        self._built = built
        self._folder = folder
        self._for_s = for_s
        self._broker_pid = broker_pid
        self._synced = synced
        self._say = say
        self._station: Station | None = None
        self._messenger: RealMessenger | None = None
        self._began_s = time.monotonic()

    def make_loop(self) -> VirtualLoop:
        self._loop = VirtualLoop(is_busy=self._is_busy)
        self._clock = VirtualClock(self._loop, start_s=START_S - BEFORE_S, boot_id=BOOT_ID)
        return self._loop

    def _is_busy(self) -> bool:
        station, messenger = self._station, self._messenger
        if messenger is not None and messenger.is_busy():
            return True
        return station is not None and station.has_work_in_threads(unsealed_most=UNSEALED_MOST)

    async def run(self) -> None:
        played = cast(self._built, load_drivers(), clock=self._clock)
        self._station = Station(
            # A wait for company in a transaction would be a real one.
            replace(self._built, sweepers=played.sweepers, commit_within_s=0.0),
            clock=self._clock,
            run_id=RUN_ID,
            around=Surroundings(
                messenger=self._make_messenger,
                takes_commands=False,
                asks_the_world=False,
                is_kept=self._synced,
                report_program=(),
                page_program=(),
                machine=None,
                stop_s=STOP_S,
            ),
        )
        first_s = min(HOUR_S, self._for_s) / 8.0
        self._loop.call_at(first_s, self._look, first_s)
        self._loop.call_at(self._for_s, self._station.stop)
        await self._station.run()
        assert self._messenger is not None
        told = self._messenger.statistics()
        end = {
            "sent": told.sent + self._messenger.goodbyes,
            "live_dropped": told.dropped,
            "reconnects": told.reconnects,
        }
        (self._folder / "end.json").write_text(json.dumps(end) + "\n", "ascii")

    def _make_messenger(self, outbox: Outbox) -> RealMessenger:
        assert self._built.mqtt is not None
        self._messenger = RealMessenger(
            outbox,
            station=self._built.name,
            run_id=RUN_ID,
            settings=self._built.mqtt,
            clock=self._clock,
            unsent_most=UNSENT_A_JOB * len(self._built.jobs),
        )
        return self._messenger

    def _look(self, at_s: float) -> None:
        assert self._messenger is not None
        health = json.loads(self._messenger.last_status or b"{}").get("health") or {}
        told = self._messenger.statistics()
        sample = look(
            os.getpid(),
            self._built.archive,
            at_s=at_s,
            real_s=time.monotonic() - self._began_s,
            wall_s=self._clock.wall_s(),
            more={
                "broker_rss_bytes": memory_bytes(self._broker_pid),
                "live_dropped": told.dropped,
                "sent": told.sent,
                **{name: health.get(name) for name in IN_STATUS},
            },
        )
        write_sample(self._folder / "samples.jsonl", sample)
        self._say(f"{at_s / HOUR_S:,.0f} of {self._for_s / HOUR_S:,.0f} h")
        every_s = min(HOUR_S, self._for_s / 12.0)
        if at_s + every_s < self._for_s:
            self._loop.call_at(at_s + every_s, self._look, at_s + every_s)
