"""References taken on a simulated bench, and followed through every file."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from acqd_sim.driver import SimDriver

from acqd.archive.layout import ledger_path
from acqd.archive.reader import open_archive
from acqd.archive.records import Batch, SweepRecord
from acqd.archive.writer import ArchiveWriter
from acqd.clock import SystemClock
from acqd.drivers.host import SweeperHost
from acqd.errors import InputUnsafe, SweepInvalid
from acqd.measure.meter import Role, SetupChanged
from acqd.station.feed import SetupView
from acqd.station.inputs import Arriving, InputSafety
from acqd.station.job import JobSpec
from acqd.station.references import (
    reference_from,
    references_in,
    stored_references,
)
from acqd.station.setup import SetupMaker
from acqd.station.taking import (
    NotWanted,
    TakenReference,
    take_reference,
    told_of,
)
from acqd.sweep import (
    Capabilities,
    LevelUnit,
    SourceRequest,
    Sweep,
    SweepRequest,
)
from acqd.testing.clock import ManualClock
from reference_parts import REQUEST, SCENE, START_S, spec_of, sweep_of

# ---- taken on a simulated bench --------------------------------------------------------------


class Shack:
    """A simulated bench whose connections a test changes."""

    def __init__(self, folder: Path, kind: str) -> None:
        self.spec = spec_of(folder, kind=kind)
        self._scene = folder / "scene.toml"
        self._scene.write_text(SCENE)
        self.asked: list[SweepRequest] = []

    async def _take(self, role: Role, device: str, sweeps: int, **how: Any) -> TakenReference:
        host = SweeperHost(
            name="shack",
            driver=SimDriver(),
            address="sim:shack",
            options={
                "scene": str(self._scene),
                "source_path": [device],
                "time_scale": 0.001,
            },
            clock=SystemClock(),
        )

        async def sweep(request: SweepRequest) -> Sweep:
            self.asked.append(request)
            return await host.sweep(request)

        try:
            opened = await host.open()
            return await take_reference(
                self.spec,
                role,
                sweep=sweep,
                capabilities=opened.capabilities,
                sweeps=sweeps,
                **how,
            )
        finally:
            await host.close()

    def take(self, role: Role, device: str, sweeps: int = 3, **how: Any) -> TakenReference:
        return asyncio.run(self._take(role, device, sweeps, **how))


def warned(taken: TakenReference, *before: TakenReference) -> list[str]:
    """Without what is said of the clock of the machine that tests run on."""
    told = told_of(taken, {one.record.role.value: one.record for one in before})
    return [text for text in told["warnings"] if "clock" not in text]


def test_a_through_is_taken_as_the_job_sweeps_and_told(tmp_path: Path) -> None:
    shack, said = Shack(tmp_path, "transmission"), []
    taken = shack.take(Role.THROUGH, "through", temperature_c=20.5, say=said.append)
    floor, *swept = shack.asked
    assert floor.source == SourceRequest(on=False)
    assert swept == [shack.spec.request] * 3
    assert said[-1] == "sweep 3 of 3"
    told = told_of(taken, {})
    assert told["last"] is None and warned(taken) == []
    assert told["median"] == pytest.approx(-20.3, abs=1.5)
    assert told["over_floor_db"] > 40.0
    assert told["settings"]["source_level_dbm"] == -20.0
    assert told["temperature_c"] == 20.5 and told["sweeps"] == 3


def test_a_through_that_is_not_connected_is_doubted(tmp_path: Path) -> None:
    shack = Shack(tmp_path, "transmission")
    (said,) = [one for one in warned(shack.take(Role.THROUGH, "air")) if "floor" in one]
    assert said.startswith("the level is within 10 dB of the floor: is the through connected")


def test_a_second_one_is_shown_beside_the_first(tmp_path: Path) -> None:
    """An equal one lies near it; with a filter left in, the mean and the worst place say so."""
    shack = Shack(tmp_path, "transmission")
    first, same, wrong = (
        shack.take(Role.THROUGH, name) for name in ("through", "through", "low-pass")
    )
    last = told_of(same, {"through": first.record})["last"]
    assert last["at_s"] == first.record.at_s and last["differs"] == []
    assert abs(last["mean_db"]) < 0.05 and abs(last["largest_db"]) < 0.5
    assert warned(same, first) == []
    last = told_of(wrong, {"through": first.record})["last"]
    assert last["mean_db"] < -5.0 and last["largest_hz"] > 400e6
    assert any("not what it was last time" in one for one in warned(wrong, first))


def test_one_taken_in_another_way_is_not_compared(tmp_path: Path) -> None:
    shack = Shack(tmp_path, "transmission")
    first = shack.take(Role.THROUGH, "through")
    shack.spec = replace(shack.spec, request=replace(shack.spec.request, rbw_hz=30e3))
    last = told_of(shack.take(Role.THROUGH, "through"), {"through": first.record})["last"]
    assert "the RBW was 100 kHz and is 30 kHz" in last["differs"]
    assert last["mean_db"] is None


def test_open_short_and_load_of_a_bridge_raise_no_doubt(tmp_path: Path) -> None:
    shack, before = Shack(tmp_path, "reflection"), []
    for role in (Role.OPEN, Role.SHORT, Role.LOAD):
        before.append(shack.take(role, f"bridge-{role.value}"))
        assert warned(before[-1], *before[:-1]) == [], role


def test_the_wrong_thing_on_the_test_port_is_doubted(tmp_path: Path) -> None:
    shack = Shack(tmp_path, "reflection")
    is_open = shack.take(Role.OPEN, "bridge-open")
    assert any(
        "the load reads only" in one
        for one in warned(shack.take(Role.LOAD, "bridge-short"), is_open)
    )
    assert any(
        "where both reflect everything" in one
        for one in warned(shack.take(Role.SHORT, "bridge-load"), is_open)
    )


def test_a_quiet_that_still_has_the_through_in_is_doubted(tmp_path: Path) -> None:
    shack = Shack(tmp_path, "transmission")
    through = shack.take(Role.THROUGH, "through")
    assert warned(shack.take(Role.QUIET, "air"), through) == []
    assert any("terminated?" in one for one in warned(shack.take(Role.QUIET, "through"), through))


def test_a_job_that_may_not_start_takes_no_reference(tmp_path: Path) -> None:
    """Refused before the first sweep, with the pad that is missing."""
    shack = Shack(tmp_path, "band")
    arriving = Arriving(name="the transmitter", power_w=5.0, start_hz=50e6, stop_hz=450e6)
    shack.spec = replace(shack.spec, safety=InputSafety(arriving=(arriving,)))
    with pytest.raises(InputUnsafe, match="pad"):
        shack.take(Role.QUIET, "air")
    assert shack.asked == []


def test_a_level_near_the_maximum_stops_it_at_once(tmp_path: Path) -> None:
    shack = Shack(tmp_path, "transmission")
    shack.spec = replace(shack.spec, facts=replace(shack.spec.facts, absolute_max_dbm=-12.0))
    with pytest.raises(InputUnsafe, match="too near to what it stands"):
        shack.take(Role.THROUGH, "through", sweeps=5)
    assert len(shack.asked) == 2, "the floor, and the first sweep with the source on"


def test_nobody_who_waits_ends_it_between_two_sweeps(tmp_path: Path) -> None:
    shack = Shack(tmp_path, "transmission")
    with pytest.raises(NotWanted):
        shack.take(Role.THROUGH, "through", sweeps=5, wanted=lambda: len(shack.asked) < 3)
    assert len(shack.asked) == 3


def test_sweeps_without_a_level_are_no_reference(tmp_path: Path) -> None:
    spec = spec_of(tmp_path, kind="band")

    async def sweep(request: SweepRequest) -> Sweep:
        return sweep_of(request, np.full(request.points, np.nan))

    with pytest.raises(SweepInvalid, match="no quiet: the sweeps"):
        asyncio.run(
            take_reference(
                spec,
                Role.QUIET,
                sweep=sweep,
                capabilities=Capabilities(start_hz=1e5, stop_hz=9e8),
                sweeps=2,
            )
        )


# ---- through every file ----------------------------------------------------------------------


class Kept:
    """An archive that sweeps of one job are put into, with their setups."""

    def __init__(self, root: Path, spec: JobSpec) -> None:
        self.root, self.spec = root, spec
        self.clock = ManualClock(START_S)
        self.capabilities = Capabilities(start_hz=1e5, stop_hz=9.6e8)
        self.told: list[SetupChanged] = []
        self._seq = 0

    @contextlib.contextmanager
    def open(self) -> Iterator[ArchiveWriter]:
        archive = ArchiveWriter.open(
            self.root, station="lookout", run_id="run-1", clock=self.clock, keep_free_bytes=0
        )
        try:
            yield archive
        finally:
            archive.close((), seal=True, within_s=20.0)

    def put(self, archive: ArchiveWriter, setups: SetupMaker, sweep: Sweep) -> None:
        self._seq += 1
        setup = setups.setup_of(sweep, self.capabilities, step=0)
        self.told.append(SetupView.of(setup, sweep.started_s).event)
        record = SweepRecord(
            job=self.spec.name,
            step=0,
            setup=setup.setup,
            seq=self._seq,
            pass_id=self._seq,
            run_id="run-1",
            due_s=sweep.started_s,
            started_s=sweep.started_s,
            monotonic_s=sweep.monotonic_s,
            took_s=sweep.took_s,
            boot_id=sweep.boot_id,
            sweeper_time_s=None,
            flags=sweep.flags,
            level=sweep.level,
        )
        archive.commit(Batch(setups=(setup,), sweeps=(record,))).result(20.0)

    def read(self) -> list[SetupChanged]:
        """The setups as a replay has them, one for each sweep."""
        archive = open_archive(self.root)
        views = {
            setup.setup: SetupView.of(setup, 0.0).event for setup in archive.setups(self.spec.name)
        }
        return [
            views[event.setup]
            for event in archive.events(self.spec.name)
            if isinstance(event, SweepRecord)
        ]


def same_references(one: SetupChanged, other: SetupChanged) -> None:
    """Equal to the last bit, whatever is NaN."""
    assert one.setup == other.setup
    assert set(one.references) == set(other.references)
    for role, reference in one.references.items():
        found = other.references[role]
        assert replace(found, level=None) == replace(reference, level=None)
        if reference.level is None:
            assert found.level is None
            continue
        assert found.level is not None
        assert found.level.dtype == reference.level.dtype
        assert found.level.tobytes() == reference.level.tobytes()


@pytest.mark.parametrize("points", [201, 20_001], ids=["small", "beyond 64 KiB"])
@pytest.mark.parametrize("is_complex", [False, True], ids=["scalar", "vector"])
def test_references_in_setups_survive_every_file(
    tmp_path: Path, points: int, is_complex: bool
) -> None:
    """Journal, segment, volume, and volumes alone: the setups are told of the same references, bit
    for bit; one that no longer fits says why instead, there too."""
    spec = spec_of(tmp_path)
    request = replace(spec.request, points=points)
    chance = np.random.default_rng(1)
    unit = LevelUnit.RATIO if is_complex else LevelUnit.DBM

    def sweep(at_s: float, **change: Any) -> Sweep:
        level = chance.normal(-20.0, 0.01, points)
        if is_complex:
            level = (chance.normal(0.9, 0.01, points) + 0.1j * level).astype(np.complex64)
        level[3] = np.nan
        return sweep_of(replace(request, **change), level, at_s=at_s, unit=unit)

    kept = Kept(tmp_path / "archive", spec)
    setups = SetupMaker(spec.facts)
    with kept.open() as archive:
        archive.begin(())
        kept.put(archive, setups, sweep(START_S))
        for number, role in enumerate((Role.THROUGH, Role.QUIET), 1):
            taken = [sweep(START_S + number + n / 10) for n in range(3)]
            record = reference_from(spec.name, role, taken, temperature_c=21.5)
            archive.add_overlay(
                "reference", body=record.to_body(), who="anna", job=spec.name
            ).result(20.0)
            setups.refer_to(record)
            kept.put(archive, setups, sweep(START_S + 10 * number))
        other = replace(request.source, level_dbm=-10.0)
        kept.put(archive, setups, sweep(START_S + 30, source=other))
        counts = [len(one.references) for one in kept.told]
        assert counts == [0, 1, 2, 2]
        assert len({one.setup for one in kept.told}) == 4
        differs = kept.told[-1].references["through"].differs
        assert differs == ("the source's level was −20 dBm and is −10 dBm",)

        def check() -> None:
            for told, read in zip(kept.told, kept.read(), strict=True):
                same_references(told, read)

        check()  # from the journal
        archive.rotate(()).result(20.0)
        assert archive.merge_due(START_S + 7200).result(60.0) == 0
        check()  # from segments
        kept.clock.advance(2 * 86400.0)
        assert archive.merge_due(kept.clock.wall_s()).result(60.0) == 4
        check()  # from volumes
        overlays = open_archive(kept.root).overlays(spec.name)
        assert len(overlays) == 2

    for path in (ledger_path(kept.root), *kept.root.glob("ledger*")):
        path.unlink(missing_ok=True)
    check()  # from volumes alone
    with kept.open():
        rebuilt = open_archive(kept.root).overlays(spec.name)
        assert rebuilt == overlays
        found = references_in(rebuilt)[spec.name]
        assert set(found) == {"through", "quiet"} and found["through"].temperature_c == 21.5


def test_what_is_stored_before_a_station_ever_ran_is_found_by_it(tmp_path: Path) -> None:
    """The archive is made by it, and left as a first run expects it."""
    spec = spec_of(tmp_path)
    kept = Kept(tmp_path / "archive", spec)
    record = reference_from(spec.name, Role.THROUGH, [sweep_of(REQUEST, np.zeros(5))])
    assert stored_references(kept.root) == {}
    with kept.open() as archive:
        assert archive.add_overlay_now("reference", body=record.to_body(), who="a", job="low-pass")
    found = stored_references(kept.root)["low-pass"]["through"]
    assert found.to_body() == record.to_body()
    with kept.open() as archive:
        assert archive.recovery.is_first_run
        assert set(references_in(archive.recovery.overlays)["low-pass"]) == {"through"}
