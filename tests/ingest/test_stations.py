"""Logs and stations on one archive: each job goes on where it was."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.reader import open_archive
from acqd.clock import SystemClock
from acqd.config.load import load_config
from acqd.drivers.registry import load_drivers
from acqd.station.build import build
from acqd.station.replay import Replay
from acqd.station.replay_check import Check
from acqd.station.service import Station
from logbooks import WIDE, wide_log

CONFIG = """\
[station]
name = "lookout"
archive = "archive"
time_zone = "Europe/Dublin"
keep_free = "1 MB"

[mqtt]
broker = "none"

[sweeper.mast]
driver = "sim"
address = "sim:mast"
options = { time_scale = 0.01 }
serial_number = "GL-7"

[job.live]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "157 MHz"
points = 51
when = { every = "50 ms" }

[job.vhf]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "156.25 MHz"
points = 11
enabled = false
when = { every = "2 s" }
band = { margin = "15 dB" }
"""


def is_equal_again(root: Path, job: str) -> bool:
    with open_archive(root) as archive:
        check = Check(same_place=True)
        for told in Replay(archive=archive, job=job).run():
            check.take(told)
    return check.is_exact and check.sweeps > 0


def sweep_live(config: Path, run_id: str, sweeps: int) -> None:
    """Run the station until its job has some sweeps more."""

    live = config.with_name("live.toml")
    live.write_text(config.read_text().replace('serial_number = "GL-7"\n', ""))
    built = build(load_config(live), load_drivers())

    async def go() -> None:
        station = Station(built, clock=SystemClock(), run_id=run_id)
        running = asyncio.create_task(station.run())
        before = None
        async with asyncio.timeout(40):
            while True:
                await asyncio.sleep(0.05)
                if running.done():
                    await running
                job = station._jobs.get("live")  # it has no other way to be watched from within
                if job is not None:
                    before = job.last_seq if before is None else before
                    if job.last_seq >= before + sweeps:
                        break
        station.stop()
        await running

    asyncio.run(go())


@pytest.mark.slow
def test_a_station_and_logs_by_turns(run: Callable[..., Any], tmp_path: Path) -> None:
    """The live job goes on after an ingest without a break of its meter, and nothing of the log's
    job is missed by the station."""
    config = tmp_path / "station.toml"
    config.write_text(CONFIG)
    log = tmp_path / "log.csv"
    log.write_text(wide_log(60))
    sweep_live(config, "1", 10)
    assert run(log).sweeps == 60
    sweep_live(config, "2", 10)
    log.write_text(wide_log(100))
    done = run(log)
    assert (done.sweeps, done.held) == (40, 60)
    root = tmp_path / "archive"
    with open_archive(root) as archive:
        reasons = [one.reason for one in archive.gaps("live")]
        assert "config changed" not in reasons
        assert archive.gaps("vhf") == [] or {one.reason for one in archive.gaps("vhf")} == {
            "config changed"
        }
        sequence = archive.sweeps("live").sequence.values
        assert np.array_equal(sequence, np.arange(1, sequence.size + 1))
    assert is_equal_again(root, "live") and is_equal_again(root, "vhf")


def test_a_job_of_a_stations_config(run: Callable[..., Any], tmp_path: Path) -> None:
    """Its archive, its figures, its sweeper's facts; of the map only how to read."""
    config = tmp_path / "station.toml"
    config.write_text(CONFIG)
    loaded = load_config(config)
    log = tmp_path / "log.csv"
    log.write_text(wide_log(60))
    done = run(log, text=WIDE, job="vhf", config=loaded, archive=loaded.archive)
    assert done.sweeps == 60
    with open_archive(tmp_path / "archive") as archive:
        (setup,) = archive.setups("vhf")
        assert setup.details["config_digest"].startswith(loaded.job_digest("vhf"))
        assert setup.details["identity"]["serial_number"] == "GL-7"
        assert setup.details["measuring"]["interval_s"] == 2.0
    assert is_equal_again(tmp_path / "archive", "vhf")
