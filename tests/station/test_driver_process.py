"""A station with a stranger's driver in a process of its own: what becomes of it costs its own
sweeps alone, each accounted for, and is told (G5, G6)."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from acqd.archive.reader import open_archive
from bad_drivers import LedgePeer
from crashing_drivers import running

HELPERS = Path(__file__).parents[1] / "helpers"


@pytest.fixture
def peer() -> Iterator[LedgePeer]:
    """The stranger's sweeper."""
    made = LedgePeer()
    yield made
    made.stop()


@pytest.fixture
def site(tmp_path: Path) -> dict[str, str]:
    """The environment in which a distribution of somebody else's is installed."""
    info = tmp_path / "site" / "acqd_ledge-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: acqd-ledge\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(
        "[acqd.drivers]\nledge = crashing_drivers:CrashingDriver\n"
    )
    return {"PYTHONPATH": os.pathsep.join([str(tmp_path / "site"), str(HELPERS)])}


def ledge(address: str, notes: Path, **options: Any) -> str:
    """A sweeper of the stranger's driver, as a config has it."""
    said = "".join(f', {key} = "{value}"' for key, value in options.items())
    return (
        f'\n[sweeper.ledge]\ndriver = "ledge"\naddress = "{address}"\n'
        f'options = {{ notes = "{notes}"{said} }}\n'
    )


def started(notes: Path) -> list[str]:
    """The processes of the driver, in order."""
    if not notes.exists():
        return []
    return [line.split()[1] for line in notes.read_text().splitlines() if line[:8] == "process "]


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_a_driver_that_crashes_at_each_sweep_costs_no_other(
    bench: Any,
    peer: LedgePeer,
    site: dict[str, str],
    tmp_path: Path,
    check_accounts: Callable[..., list[int]],
) -> None:
    """The other has every sweep; the crashes are told once, and it is started ever more rarely."""
    sim = bench.sim({"mast": "tcp"})
    config = bench.config(sim.addresses, [bench.job("watch", "mast"), bench.job("lost", "ledge")])
    notes = tmp_path / "notes.txt"
    config.write_text(config.read_text() + ledge(peer.address, notes, does="segfault"))
    run = bench.run(config, env=site)
    run.until("sweeper_present", sweeper="mast")
    run.until("sweeper_present", 5, sweeper="ledge")
    assert run.stop() < 3.0

    archive = open_archive(bench.archive)
    for job in ("watch", "lost"):
        check_accounts(archive, job, every_s=0.1)
    assert archive.sweeps("watch").sizes["sweep"] > 20
    assert "lost" not in archive.jobs() or archive.coverage("lost").sweeps == 0
    reasons = {gap.reason for gap in archive.gaps("lost")}
    assert reasons <= {"sweeper lost", "sweep failed", "station down"}
    lost = sum(gap.count for gap in archive.gaps("watch") if gap.reason == "sweeper lost")
    late = {gap.reason for gap in archive.gaps("watch")} - {"sweeper lost", "station down"}
    assert late <= {"overrun"}
    assert lost <= 5, "before it was there"

    told = [one for one in archive.findings("station") if one.figures.get("sweeper") == "ledge"]
    # Nobody knows at the first return that it will go again; then only a sweep would tell.
    assert [one.what for one in told] == [
        "driver_died",
        "sweeper_lost",
        "sweeper_back",
        "sweeper_lost",
    ]
    assert told[0].figures["how"] == "signal 11 (segmentation fault)"
    assert told[0].figures["doing"] == "sweep"
    assert "died in sweep: signal 11 (segmentation fault)" in told[0].text
    times_s = [one["timestamp"] for one in run.log("driver_died")]
    # The last one may have been started, and not have been asked for a sweep before the stop.
    assert 4 <= len(times_s) <= len(started(notes)) <= len(times_s) + 1
    assert any("crashing_drivers.py" in one["text"] for one in run.log("driver_said"))
    assert not any(running(pid) for pid in started(notes))


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_a_station_that_is_killed_leaves_no_driver_and_its_next_has_the_port(
    bench: Any, peer: LedgePeer, site: dict[str, str], tmp_path: Path
) -> None:
    """kill -9: the process of the driver ends too, the source goes off, the next start sweeps."""
    notes = tmp_path / "notes.txt"
    config = bench.config({}, [bench.job("watch", "ledge")])
    config.write_text(config.read_text() + ledge(peer.address, notes))
    run = bench.run(config, env=site)
    run.until("sweeper_present", sweeper="ledge")
    bench.wait_for("sweeps", lambda: open_archive(bench.archive).coverage("watch").sweeps > 3)
    run.kill()
    (pid,) = started(notes)
    bench.wait_for("the end of the driver", lambda: not running(pid))

    again = bench.run(config, env=site)
    again.until("sweeper_present", sweeper="ledge")
    before = open_archive(bench.archive).coverage("watch").sweeps
    bench.wait_for(
        "more sweeps", lambda: open_archive(bench.archive).coverage("watch").sweeps > before + 3
    )
    # What a service manager sends to all of a unit is not for the driver to hear.
    os.kill(int(started(notes)[-1]), signal.SIGTERM)
    again.stop()
    assert not running(started(notes)[-1])
    assert not again.log("driver_died")
