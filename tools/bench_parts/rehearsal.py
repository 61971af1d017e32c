"""A rehearsal: how much time of the night passes in a second of this machine, and what takes it.

One band job of 1221 points every 2 s, through the station's own code, in a process of its own. The
baseline is the simulator alone, in another: it makes as many of the same sweeps and nobody looks at
them. What of a core goes where is counted in the threads that do it, so the shares leave out what
waits for a core.
"""

from __future__ import annotations

import multiprocessing
import threading
import time
from collections import defaultdict
from dataclasses import dataclass, field
from functools import wraps
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from bench_parts.figures import Figure, Report, Samples, Target, rounds

__all__ = ["bench_rehearsal"]

START_S = 1_780_347_600.0
"""2026-06-01T21:00:00Z."""
EVERY_S = 2.0
LIMIT_S = 900.0

CONFIG = """
[station]
name = "bench"
archive = "{folder}/real"
time_zone = "Europe/London"

[mqtt]
broker = "none"

[sweeper.mast]
driver = "sim"
address = "sim:mast"
options = {{ scene = "{scene}" }}
level_accuracy = "1.5 dB"

[job.marine-vhf]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "162.1 MHz"
step = "5 kHz"
rbw = "10 kHz"
detector = "sample"
when = {{ every = "2 s" }}
band = {{ channels = "marine-vhf", false_alarm = 1e-6, min_duration = "5 s" }}
"""
SCENE = Path(__file__).parents[2] / "configs" / "scenes" / "gannet-night.toml"


@dataclass(slots=True)
class _Told:
    """What a process said: real seconds, sweeps, and seconds on a core by what they went into."""

    took_s: float
    sweeps: int
    cpu_s: dict[str, float] = field(default_factory=dict)


def bench_rehearsal(report: Report, folder: Path, *, length_s: float, repeat: int) -> None:
    """``length_s`` of a night, ``repeat`` times."""
    config = folder / "station.toml"
    config.write_text(CONFIG.format(folder=folder, scene=SCENE), "utf-8")
    told: list[_Told] = []
    alone: list[_Told] = []

    def whole() -> float:
        told.append(_in_child(_rehearse, config, folder / f"night-{len(told)}", length_s))
        return length_s / told[-1].took_s

    def simulator() -> float:
        alone.append(_in_child(_simulate, config, folder, length_s))
        return length_s / alone[-1].took_s

    found = rounds(repeat, {"whole": whole, "simulator": simulator}, warm=False)
    report.figures.append(
        Figure(
            name="rehearsal",
            what=f"seconds of a night in a real one, {length_s:,.0f} s of it, merged at the end",
            unit="s/s",
            samples=found["whole"],
            baseline="the simulator alone makes the same sweeps",
            base=found["simulator"],
            upside_down=True,
            targets=(Target(4.0), Target(100.0, at_least=True, of="figure")),
        )
    )
    report.figures += [
        Figure(
            name=f"rehearsal {part}",
            what=f"of its time on a core: {what}",
            unit="%",
            samples=Samples(
                tuple(100.0 * one.cpu_s[part] / one.cpu_s["all"] for one in told[-repeat:])
            ),
        )
        for part, what in (
            ("simulating", "the sweeper's part of each sweep"),
            ("measuring", "the job's meter"),
            ("committing", "the journal's transactions, without a sync"),
            ("sealing", "segments and volumes, without the threads that pack them"),
            ("telling", "messages made"),
        )
    ]
    report.notes.append(
        f"rehearsal: {told[-1].sweeps:,} sweeps in {told[-1].took_s:.1f} s; "
        f"{1e3 * told[-1].cpu_s['all'] / told[-1].sweeps:.1f} ms on a core for each"
    )
    if not all(one.sweeps == alone[0].sweeps for one in told):
        raise RuntimeError("the rehearsal and the simulator did not make the same sweeps")


def _in_child(target: Any, *arguments: Any) -> _Told:
    spawn = multiprocessing.get_context("spawn")
    pipe, other = spawn.Pipe()
    child = spawn.Process(target=target, args=(*arguments, other), daemon=True)
    child.start()
    other.close()
    try:
        if not pipe.poll(LIMIT_S):
            raise RuntimeError(f"no answer within {LIMIT_S:g} s")
        told: _Told = pipe.recv()
    except EOFError:
        raise RuntimeError("a process ended without an answer") from None
    finally:
        child.terminate()
        child.join(10.0)
    return told


# --- in a process of its own ----------------------------------------------------------------------


class _Spent:
    """Seconds on a core, each thread's own, inside of methods that are watched."""

    def __init__(self) -> None:
        self.by_part: defaultdict[str, float] = defaultdict(float)
        self._inside = threading.local()

    def watch(self, owner: Any, name: str, part: str) -> None:
        """Count ``owner.name`` as ``part``, unless it is called by something that is counted."""
        method = getattr(owner, name)

        @wraps(method)
        def counted(*args: Any, **kwargs: Any) -> Any:
            if getattr(self._inside, "is_it", False):
                return method(*args, **kwargs)
            self._inside.is_it = True
            began_s = time.thread_time()
            try:
                return method(*args, **kwargs)
            finally:
                self._inside.is_it = False
                self.by_part[part] += time.thread_time() - began_s

        setattr(owner, name, counted)


def _rehearse(config: Path, archive: Path, length_s: float, pipe: Connection) -> None:
    from acqd.archive import sealer
    from acqd.archive.journal import Journal
    from acqd.config.load import load_config
    from acqd.drivers.registry import load_drivers
    from acqd.rehearsal.counting import CountingMessenger
    from acqd.rehearsal.inline import InlineWorker
    from acqd.rehearsal.outcome import outcome_of
    from acqd.rehearsal.run import rehearse
    from acqd.station.feed import Feed

    _quiet()
    spent = _Spent()
    spent.watch(InlineWorker, "reply_to", "simulating")
    spent.watch(Feed, "sweep", "measuring")
    spent.watch(Feed, "hour", "measuring")
    spent.watch(Journal, "commit", "committing")
    spent.watch(Journal, "move_log", "committing")
    spent.watch(sealer.Sealer, "_seal", "sealing")
    spent.watch(sealer.Sealer, "_merge", "sealing")
    spent.watch(CountingMessenger, "live", "telling")
    began_s = time.process_time()
    done = rehearse(
        load_config(config),
        load_drivers(),
        from_s=START_S,
        length_s=length_s,
        archive=archive,
    )
    cpu_s = {**dict.fromkeys(PARTS, 0.0), **spent.by_part, "all": time.process_time() - began_s}
    (job,) = outcome_of(done).jobs
    pipe.send(_Told(done.took_s, job.kept, cpu_s))


PARTS = ("simulating", "measuring", "committing", "sealing", "telling")


def _simulate(config: Path, folder: Path, length_s: float, pipe: Connection) -> None:
    """The sweeps of the same job by the driver that the rehearsal uses, on a clock that only counts
    and that jumps to the next due time."""
    from acqd.config.load import load_config
    from acqd.drivers.registry import load_drivers
    from acqd.drivers.worker import Cancel
    from acqd.rehearsal.inline import CallClock
    from acqd.rehearsal.virtual import StandingClock
    from acqd.station.build import build

    _quiet()
    registry = load_drivers()
    built = build(load_config(config), registry, broker="none")
    (spec,), (job,) = built.sweepers, built.jobs
    clock = CallClock(StandingClock(START_S))
    options = {**spec.options, "clock": clock}
    sweeper = registry.make("sim").open(_Open(spec.address, options, Cancel()))
    requests = _hops(job.request, sweeper.capabilities())
    sweeps = int(length_s / EVERY_S)
    began_s = time.monotonic()
    for number in range(sweeps):
        clock.waited_s = EVERY_S * number
        for request in requests:
            sweeper.sweep(request)
    pipe.send(_Told(time.monotonic() - began_s, sweeps))


def _hops(request: Any, capabilities: Any) -> list[Any]:
    from acqd.drivers.hops import plan_hops

    return [hop.request for hop in plan_hops(request, capabilities)]


class _Open:
    """What a driver is opened with; there is no link."""

    name = "mast"

    def __init__(self, address: str, options: Any, cancel: Any) -> None:
        self.address, self.options, self.cancel = address, options, cancel

    def connect(self) -> Any:
        raise RuntimeError("a simulated sweeper has no link")


def _quiet() -> None:
    import logging

    import structlog

    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
