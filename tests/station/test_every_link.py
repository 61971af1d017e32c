"""A station with a sweeper of each kind: what one costs when it is unplugged, and what it does not.

SCPI over a socket, a serial line and HiSLIP, lines described in a profile, sweeps made of samples,
and one inside the station; each but the last served by a process of its own.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from acqd.archive.reader import Archive, open_archive

SAMPLES = "rate=250 kS/s,centre=156.8 MHz,type=ci16_le,full_scale=-30 dBm"
SPAN_S = 1.0
"""How long a sweeper is left away, at least."""
SLACK_S = 2.0
"""How much sooner than it was unplugged, or later than it was back, a sweep may be missing: what
was under way, and the next due time."""

SWEEPERS = """\
[station]
name = "lookout"
archive = "{archive}"
keep_free = "1 MB"

[mqtt]
broker = "none"

[sweeper.socket]
isolation = "{isolation}"
driver = "scpi"
address = "{socket}"

[sweeper.terminal]
isolation = "{isolation}"
driver = "scpi"
address = "{terminal}"

[sweeper.hislip]
isolation = "{isolation}"
driver = "scpi"
address = "{hislip}"

[sweeper.lines]
isolation = "{isolation}"
driver = "lines"
address = "{lines}"
options = {{ profile = "tern" }}

[sweeper.samples]
isolation = "{isolation}"
driver = "iq"
address = "{samples}"
options = {{ type = "ci16_le", rate = "250 kS/s", centre = "156.8 MHz", full_scale = "-30 dBm" }}

[sweeper.inside]
isolation = "{isolation}"
driver = "sim"
address = "sim:mast"
options = {{ scene = "./away.toml" }}
"""

JOB = """
[job.{name}]
kind = "band"
sweeper = "{name}"
start = "156.75 MHz"
stop = "156.85 MHz"
points = 101
rbw = "3 kHz"
when = {{ every = "500 ms" }}
band = {{ margin = "10 dB" }}
"""

AWAY = """\
seed = 7
[scene.harbour]

[[scene.harbour.carrier]]
name = "beacon"
frequency = "156.8 MHz"
power = "-61.5 dBm"

[instrument.mast]
scene = "harbour"
serial_number = "GL0017"
sweep_factor = 1.0
away = [{{ from = "{start}", until = "{stop}" }}]
"""


@dataclass
class Outing:
    """What is left of a run in which every sweeper was unplugged once."""

    archive: Archive
    isolation: str
    processes: int
    """Of drivers, while all swept."""
    ready_s: float
    """When all were there for the first time."""
    away: dict[str, tuple[float, float]] = field(default_factory=dict)
    """From when until when each was away, in wall time; the ends outside of what it missed."""


@pytest.fixture(scope="module", params=["thread", "process"])
def outing(
    request: pytest.FixtureRequest, module_bench: Any, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Outing]:
    """All sweep, then one after the other loses its plug and gets it back; with the drivers in the
    station, and in processes of their own."""
    with ExitStack() as stack:
        bench = type(module_bench)(tmp_path_factory.mktemp(request.param), stack)
        yield out_with(bench, request.param)


def out_with(bench: Any, isolation: str) -> Outing:
    """A run in which every sweeper is unplugged once."""
    made = {
        name: bench.sim({"mast": port}, **more)
        for name, port, more in (
            ("socket", "tcp", {}),
            ("terminal", str(bench.folder / "terminal.tty"), {}),
            ("hislip", "hislip", {}),
            ("lines", str(bench.folder / "lines.tty"), {"speak": {"mast": "tern"}}),
            ("samples", "iq", {"samples": SAMPLES, "time_scale": 1.0}),
        )
    }
    names = [*made, "inside"]
    inside_s = (time.time() + 20.0, time.time() + 23.0)
    start, stop = (datetime.fromtimestamp(at_s, UTC).isoformat() for at_s in inside_s)
    (bench.folder / "away.toml").write_text(AWAY.format(start=start, stop=stop))
    addresses = {name: sim.addresses["mast"] for name, sim in made.items()}
    config = bench.folder / "station.toml"
    config.write_text(
        SWEEPERS.format(archive=bench.archive, isolation=isolation, **addresses)
        + "".join(JOB.format(name=name) for name in names)
    )
    run = bench.run(config)
    away = {"inside": inside_s}
    for name in names:
        run.until("sweeper_present", sweeper=name)
    ready_s = time.time()
    processes = drivers_of(run.process.pid)
    time.sleep(SPAN_S)
    for name, sim in made.items():
        unplugged_s = time.time()
        sim.end()
        run.until("sweeper_lost", sweeper=name)
        time.sleep(SPAN_S)
        sim.restart()
        run.until("sweeper_present", count=2, sweeper=name)
        away[name] = (unplugged_s, time.time())
    run.until("sweeper_present", count=2, sweeper="inside")
    away["inside"] = (inside_s[0], max(inside_s[1], time.time()))
    time.sleep(3 * SPAN_S)
    run.stop()
    return Outing(
        archive=open_archive(bench.archive),
        isolation=isolation,
        processes=processes,
        ready_s=ready_s,
        away=away,
    )


NAMES = ("socket", "terminal", "hislip", "lines", "samples", "inside")


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_each_hears_the_carrier_that_is_there(outing: Outing, name: str) -> None:
    """Whatever road it takes, the level at 156.8 MHz is what the scene sends, within 3 dB."""
    sweeps = outing.archive.sweeps(name)
    assert sweeps.sizes["sweep"] >= 5
    level_dbm = sweeps.level.sel(frequency=156.8e6, method="nearest").median("sweep")
    assert float(level_dbm) == pytest.approx(-61.5, abs=3.0)


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_unplugging_one_costs_its_own_sweeps_alone(outing: Outing, name: str) -> None:
    """It has a gap and sweeps on after it; the others sweep on all the while, without one."""
    lost = [
        gap
        for gap in outing.archive.gaps(name)
        if gap.reason == "sweeper lost" and gap.to_s > outing.ready_s
    ]
    assert lost
    from_s, to_s = outing.away[name]
    assert all(gap.from_s >= from_s - SLACK_S for gap in lost), (lost, from_s)
    assert all(gap.to_s <= to_s + SLACK_S for gap in lost), (lost, to_s)
    assert started_s(outing, name)[-1] > to_s
    for other in set(NAMES) - {name}:
        own = outing.away[other]
        if own[0] - SLACK_S < to_s and from_s < own[1] + SLACK_S:
            continue  # away itself about that time
        assert any(from_s <= at_s <= to_s for at_s in started_s(outing, other)), other


@pytest.mark.slow
def test_drivers_run_where_the_config_says(outing: Outing) -> None:
    """One process a sweeper, or none."""
    assert outing.processes == {"thread": 0, "process": len(NAMES)}[outing.isolation]


def drivers_of(station: int) -> int:
    """Processes that a station has for drivers."""
    children = " ".join(
        one.read_text() for one in Path(f"/proc/{station}/task").glob("*/children")
    ).split()
    lines = [Path(f"/proc/{pid}/cmdline").read_bytes() for pid in children]
    return sum(b"acqd.drivers.child" in line for line in lines)


def started_s(outing: Outing, job: str) -> list[float]:
    """When each sweep of a job began, in order."""
    times = outing.archive.sweeps(job).time.values.astype("datetime64[ns]").astype("int64")
    return sorted(float(at_ns) / 1e9 for at_ns in times)
