"""A real station on the clock of this machine: ``acqd run`` in a process of its own, sweepers that
speak SCPI over TCP in another, mosquitto that the station starts, a subscriber, and looks from
outside.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

from acqd.errors import AcqdError
from acqd.publish.child import free_port
from acqd.station.control import ask_station
from endurance_parts.children import HOST, Child, child_named, start_simulator, wait_until
from endurance_parts.listening import Listener
from endurance_parts.sampling import Sample, look, memory_bytes, write_sample
from endurance_parts.stations import write_scene, write_station

__all__ = ["run_wall"]

ACQD = [sys.executable, "-c", "from acqd.cli import main; main()"]
SETTLE_S = 3.0
"""After the station's end, for what is still on its way to the subscriber."""


def run_wall(
    folder: Path,
    *,
    sweepers: int,
    rate: float,
    points: int,
    for_s: float,
    look_every_s: float,
    say: Callable[[str], None],
) -> None:
    """Run it for ``for_s``; samples, what was heard, logs and the archive are in ``folder`` then.

    ``rate``: sweeps a second, of all sweepers together.

    Raises:
        RuntimeError: a part of it did not start, ended by itself or did not end well.
    """
    scene = write_scene(folder, sweepers=sweepers)
    names = [f"mast-{number}" for number in range(1, sweepers + 1)]
    with ExitStack() as stack:
        addresses = start_simulator(folder, scene, names, stack)
        port = free_port(HOST)
        config = write_station(
            folder,
            addresses,
            points=points,
            every_s=sweepers / rate,
            mqtt=f'broker = "local"\naddress = "{HOST}:{port}"',
            options='source = "no"',
        )
        station = Child([*ACQD, "run", str(config)], folder / "station.log")
        stack.callback(station.end)
        wait_until("the station", lambda: "station_started" in _said(station))
        listener = Listener(port, folder / "heard.json")
        stack.callback(listener.end)
        _look_on(station, listener, folder, for_s, look_every_s, say)
        code = station.end()
        time.sleep(SETTLE_S)
    if code != 0:
        raise RuntimeError(f"the station ended with {code}; see {station.log}")


def _said(station: Child) -> str:
    if not station.runs:
        raise RuntimeError(f"the station ended: {station.text().strip()}")
    return station.text()


def _look_on(
    station: Child,
    listener: Listener,
    folder: Path,
    for_s: float,
    look_every_s: float,
    say: Callable[[str], None],
) -> None:
    began_s = time.monotonic()
    number = 0
    while (gone_s := time.monotonic() - began_s) < for_s:
        try:
            sample = _look(station, listener, folder / "archive", gone_s)
        except ProcessLookupError:
            raise RuntimeError(
                f"the station ended by itself after {gone_s:.0f} s; see {station.log}"
            ) from None
        write_sample(folder / "samples.jsonl", sample)
        say(f"{gone_s:,.0f} of {for_s:,.0f} s, {sample.sweeps or 0:,} sweeps")
        number += 1
        time.sleep(max(0.0, min(number * look_every_s, for_s) - (time.monotonic() - began_s)))


def _look(station: Child, listener: Listener, archive: Path, gone_s: float) -> Sample:
    health = listener.heard().status.get("health") or {}
    broker = child_named(station.pid, "mosquitto")
    names = ("archive_waiting", "outbox_waiting", "live_dropped", "sweeps")
    return look(
        station.pid,
        archive,
        at_s=gone_s,
        real_s=gone_s,
        wall_s=time.time(),
        more={
            "answer_s": _answer_s(archive),
            "broker_rss_bytes": None if broker is None else memory_bytes(broker),
            **{name: health.get(name) for name in names},
        },
    )


def _answer_s(archive: Path) -> float | None:
    """How long the station took to say how it stands: its loop had other things to do so long."""
    began_s = time.perf_counter()
    try:
        told = ask_station(archive, {"do": "hello"})
    except AcqdError:
        return None
    return None if told is None else round(time.perf_counter() - began_s, 6)
