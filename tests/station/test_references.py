"""References: taken, stored, compared, carried by setups through every file, and found again."""

from __future__ import annotations

import asyncio
import contextlib
import json
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
from acqd.config.load import parse_config
from acqd.drivers.host import SweeperHost
from acqd.drivers.registry import load_drivers
from acqd.errors import InputUnsafe, SweepInvalid, WrongUsage
from acqd.measure.meter import Role, SetupChanged
from acqd.station.build import build
from acqd.station.feed import SetupView
from acqd.station.inputs import Arriving, InputSafety
from acqd.station.job import JobSpec
from acqd.station.references import (
    ReferenceRecord,
    differences,
    differences_between,
    differences_from_job,
    newest,
    reference_from,
    references_in,
    stored_references,
)
from acqd.station.setup import SetupMaker
from acqd.station.taking import (
    ROLES,
    NotWanted,
    TakenReference,
    instruction,
    role_of,
    take_reference,
    told_of,
)
from acqd.sweep import (
    NO_FLAGS,
    Capabilities,
    Identity,
    LevelUnit,
    Reported,
    SourceRequest,
    Sweep,
    SweepFlag,
    SweepRequest,
)
from acqd.testing.clock import ManualClock

START_S = 1_800_000_000.0 - 1_800_000_000.0 % 86400 + 3600.0

SCENE = """\
seed = 7

[scene.bench]

[device.low-pass]
kind = "low-pass"
edge = "200 MHz"
order = 5

[device.air]
kind = "pad"
loss = "90 dB"

[device.none]
kind = "open"

[device.shorted]
kind = "short"

[device.fifty]
kind = "load"
return_loss = "38 dB"

[device.bridge-open]
kind = "bridge"
load = "none"
directivity = "36 dB"

[device.bridge-short]
kind = "bridge"
load = "shorted"
directivity = "36 dB"

[device.bridge-load]
kind = "bridge"
load = "fifty"
directivity = "36 dB"

[device.through]
kind = "cable"
loss = "0.2 dB"
at = "100 MHz"

[instrument.shack]
scene = "bench"
source_path = ["through"]
serial_number = "GL0103"
start = "100 kHz"
stop = "960 MHz"
source_min = "-40 dBm"
source_max = "0 dBm"
residuals = 0
"""

CONFIG = """\
[station]
name = "lookout"
archive = "archive"
keep_free = "1 MB"

[mqtt]
broker = "none"

[sweeper.shack]
driver = "sim"
address = "sim:shack"

[chain.lead]

[[chain.lead.part]]
kind = "cable"
loss_at = [["50 MHz", "0.7 dB"], ["500 MHz", "1.9 dB"]]

[job.low-pass]
kind = "band"
sweeper = "shack"
chain = "lead"
start = "50 MHz"
stop = "450 MHz"
points = 201
rbw = "100 kHz"
detector = "rms"
when = { every = "2 s" }
band = { margin = "8 dB" }
"""


def spec_of(folder: Path, *, kind: str = "transmission", config: str = CONFIG) -> JobSpec:
    """A job that measures with the source; what its meter makes of it is not looked at here."""
    built = build(parse_config(config, folder / "station.toml"), load_drivers(), broker="none")
    spec = built.jobs[0]
    if kind in ("transmission", "reflection"):
        source = SourceRequest(on=True, level_dbm=-20.0)
        spec = replace(spec, request=replace(spec.request, source=source))
    return replace(spec, kind=kind)


def sweep_of(
    request: SweepRequest,
    level: np.ndarray,
    *,
    at_s: float = START_S,
    unit: LevelUnit = LevelUnit.DBM,
    identity: Identity | None = None,
    reported: Reported | None = None,
    flags: SweepFlag = NO_FLAGS,
) -> Sweep:
    return Sweep(
        request=request,
        reported=reported or Reported(rbw_hz=100e3, attenuation_db=10.0),
        frequency_hz=request.frequencies_hz(),
        level=level,
        unit=unit,
        resolution=None,
        started_s=at_s,
        monotonic_s=100.0,
        took_s=0.5,
        boot_id="boot-1",
        clock_synchronised=True,
        identity=identity or Identity(maker="GANNET", model="SHACK 3", serial_number="GL0103"),
        flags=flags,
    )


REQUEST = SweepRequest(
    start_hz=50e6,
    stop_hz=450e6,
    points=5,
    rbw_hz=100e3,
    source=SourceRequest(on=True, level_dbm=-20.0),
)

# ---- from sweeps to a reference --------------------------------------------------------------


def test_one_sweep_is_kept_to_the_bit() -> None:
    level = np.array([-20.03, -20.11, np.nan, -20.2, -20.25], dtype=np.float32)
    record = reference_from("low-pass", Role.THROUGH, [sweep_of(REQUEST, level)])
    assert record.level.dtype == np.float32
    np.testing.assert_array_equal(record.level, level)
    assert record.repeatability_db is None


def test_several_are_the_mean_of_power_and_their_scatter_is_pooled() -> None:
    """10 lg of the mean of 1 mW and 3 mW is 3.01 dBm; two readings 2 dB apart scatter by √2 dB."""
    levels = [np.full(5, 0.0), np.full(5, 10 * np.log10(3.0))]
    record = reference_from("x", Role.THROUGH, [sweep_of(REQUEST, one) for one in levels])
    np.testing.assert_allclose(record.level, 10 * np.log10(2.0), atol=1e-12)
    levels = [np.full(5, -21.0), np.full(5, -19.0)]
    record = reference_from("x", Role.THROUGH, [sweep_of(REQUEST, one) for one in levels])
    assert record.repeatability_db == pytest.approx(np.sqrt(2.0), abs=1e-12)


def test_ratios_are_averaged_as_complex_numbers() -> None:
    """Equal and opposite noise cancels; magnitudes would not."""
    levels = [np.full(5, 0.5 + 0.1j, np.complex64), np.full(5, 0.5 - 0.1j, np.complex64)]
    sweeps = [sweep_of(REQUEST, one, unit=LevelUnit.RATIO) for one in levels]
    record = reference_from("x", Role.THROUGH, sweeps)
    np.testing.assert_allclose(record.level, 0.5, atol=1e-7)


def test_a_point_that_one_sweep_lacks_is_the_mean_of_the_others() -> None:
    levels = [np.full(5, -20.0), np.full(5, -20.0), np.full(5, -20.0)]
    levels[1][2] = np.nan
    levels[0][4] = levels[1][4] = levels[2][4] = np.nan
    record = reference_from("x", Role.THROUGH, [sweep_of(REQUEST, one) for one in levels])
    np.testing.assert_allclose(record.level, [-20.0, -20.0, -20.0, -20.0, np.nan])
    assert record.repeatability_db == pytest.approx(0.0, abs=1e-12)


WRONG: dict[str, tuple[list[Sweep], str]] = {
    "none": ([], "at least one"),
    "another RBW": (
        [
            sweep_of(REQUEST, np.zeros(5)),
            sweep_of(REQUEST, np.zeros(5), reported=Reported(rbw_hz=30e3, attenuation_db=10.0)),
        ],
        "settings",
    ),
    "another sweeper": (
        [
            sweep_of(REQUEST, np.zeros(5)),
            sweep_of(REQUEST, np.zeros(5), identity=Identity(serial_number="9")),
        ],
        "sweeper",
    ),
    "no level anywhere": ([sweep_of(REQUEST, np.full(5, np.nan))], "no level"),
}


@pytest.mark.parametrize(("sweeps", "says"), WRONG.values(), ids=WRONG)
def test_sweeps_that_make_no_reference_are_refused(sweeps: list[Sweep], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        reference_from("x", Role.THROUGH, sweeps)


LEVELS = {
    "float32": np.array([-20.01, np.nan, -3.5e-7, 1 / 3, -150.0], dtype=np.float32),
    "float64": np.array([-20.01, np.nan, -3.5e-7, 1 / 3, -150.0]),
    "complex64": np.array([1j / 3, 0.5, np.nan, -1e-9, 1.0], dtype=np.complex64),
    "complex128": np.array([1j / 3, 0.5, np.nan, -1e-9, 1.0]),
}


@pytest.mark.parametrize("level", LEVELS.values(), ids=LEVELS)
def test_the_body_gives_the_record_back_bit_for_bit(level: np.ndarray) -> None:
    unit = LevelUnit.RATIO if np.iscomplexobj(level) else LevelUnit.DBM
    record = reference_from(
        "x", Role.OPEN, [sweep_of(REQUEST, level, unit=unit)], temperature_c=21.4
    )
    again = ReferenceRecord.from_body("x", record.to_body())
    assert again.level.dtype == level.dtype and again.level.tobytes() == level.tobytes()
    assert again.frequency_hz.tobytes() == record.frequency_hz.tobytes()
    assert again.to_body() == record.to_body()


def test_a_mean_has_the_type_of_its_sweeps() -> None:
    """It goes into every file of its job."""
    levels = [np.full(5, level, dtype=np.float32) for level in (-20.0, -20.1, -20.2)]
    record = reference_from("x", Role.OPEN, [sweep_of(REQUEST, one) for one in levels])
    assert record.level.dtype == np.float32
    np.testing.assert_allclose(record.level, -20.0993, atol=1e-4)


AXES = {
    "even": np.linspace(50e6, 450e6, 201),
    "falling": np.linspace(450e6, 50e6, 201),
    "as another adds it up": np.cumsum(np.full(201, 0.1e6)),
    "uneven": np.geomspace(50e6, 450e6, 201),
    "a single point": np.array([156.8e6]),
}


@pytest.mark.parametrize("axis", AXES.values(), ids=AXES)
def test_an_axis_is_kept_bit_for_bit_and_short_where_it_is_even(axis: np.ndarray) -> None:
    sweep = replace(sweep_of(REQUEST, np.zeros(5)), frequency_hz=axis, level=np.zeros(axis.size))
    record = reference_from("x", Role.OPEN, [sweep])
    body = json.loads(json.dumps(record.to_body()))
    assert ReferenceRecord.from_body("x", body).frequency_hz.tobytes() == axis.tobytes()
    is_even = np.array_equal(np.linspace(axis[0], axis[-1], axis.size), axis)
    assert (len(json.dumps(body["frequency_hz"])) < 100) is is_even


def test_a_body_without_what_was_asked_can_still_be_read() -> None:
    record = reference_from("x", Role.OPEN, [sweep_of(REQUEST, np.zeros(5))])
    body = record.to_body()
    del body["asked"]
    again = ReferenceRecord.from_body("x", body)
    assert again.asked == {}
    assert differences_from_job(again, replace(REQUEST, rbw_hz=1e3)) == ()


def test_the_newest_of_a_role_counts() -> None:
    first, second = (
        reference_from("x", Role.OPEN, [sweep_of(REQUEST, np.zeros(5), at_s=START_S + later)])
        for later in (0.0, 60.0)
    )
    assert newest([second, first])["x"]["open"] is second


# ---- what differs ----------------------------------------------------------------------------

OTHERWISE: dict[str, tuple[dict[str, Any], dict[str, Any], str]] = {
    "RBW": ({}, {"reported": Reported(rbw_hz=30e3, attenuation_db=10.0)},
            "the RBW was 100 kHz and is 30 kHz"),
    "attenuation": ({}, {"reported": Reported(rbw_hz=100e3, attenuation_db=0.0)},
                    "the attenuation was 10 dB and is 0 dB"),
    "source level": ({"source": SourceRequest(on=True, level_dbm=-10.0)}, {},
                     "the source's level was −20 dBm and is −10 dBm"),
    "source off": ({"source": None}, {},
                   "the source's level was −20 dBm and is not stated"),
    "grid": ({"points": 9}, {},
             "the frequencies were 50 MHz to 450 MHz in 5 points and are "
             "50 MHz to 450 MHz in 9 points"),
    "unit": ({}, {"unit": LevelUnit.DBUV}, "levels were in dBm and are in dBµV"),
    "sweeper": ({}, {"identity": Identity(maker="GANNET", model="SHACK 3", serial_number="2")},
                "it was another sweeper, serial number GL0103"),
}  # fmt: skip


@pytest.mark.parametrize(("asked", "change", "says"), OTHERWISE.values(), ids=OTHERWISE)
def test_what_differs_is_said_and_nothing_else(
    asked: dict[str, Any], change: dict[str, Any], says: str
) -> None:
    """Against a sweep, and against another reference made of that sweep."""
    record = reference_from("x", Role.THROUGH, [sweep_of(REQUEST, np.zeros(5))])
    request = replace(REQUEST, **asked)
    other = sweep_of(request, np.zeros(request.points), **change)
    assert differences(record, other) == (says,)
    assert differences_between(record, reference_from("x", Role.THROUGH, [other])) == (says,)
    assert differences(record, sweep_of(REQUEST, np.ones(5))) == ()


JOB_CHANGED: dict[str, tuple[dict[str, Any], str]] = {
    "RBW": ({"rbw_hz": 30e3}, "the RBW was 100 kHz and is 30 kHz"),
    "RBW left to the sweeper": ({"rbw_hz": None}, "the RBW was 100 kHz and is not stated"),
    "start": ({"start_hz": 40e6}, "50 MHz to 450 MHz in 5 points and are 40 MHz to 450 MHz in 5"),
    "source level": (
        {"source": SourceRequest(on=True, level_dbm=-10.0)},
        "the source's level was −20 dBm and is −10 dBm",
    ),
}


@pytest.mark.parametrize(("change", "says"), JOB_CHANGED.values(), ids=JOB_CHANGED)
def test_a_changed_job_is_seen_without_a_sweep(change: dict[str, Any], says: str) -> None:
    record = reference_from("x", Role.THROUGH, [sweep_of(REQUEST, np.zeros(5))])
    (said,) = differences_from_job(record, replace(REQUEST, **change))
    assert says in said
    assert differences_from_job(record, REQUEST) == ()


# ---- roles and instructions ------------------------------------------------------------------


@pytest.mark.parametrize("kind", ROLES)
def test_only_roles_that_mean_something_to_the_kind_fit(tmp_path: Path, kind: str) -> None:
    spec = spec_of(tmp_path, kind=kind)
    fit = ROLES[kind]
    for role in Role:
        if role in fit:
            assert role_of(spec, role.value) is role
            continue
        with pytest.raises(WrongUsage) as refused:
            role_of(spec, role.value)
        assert str(refused.value).endswith(", ".join(one.value for one in fit))
    with pytest.raises(WrongUsage, match="no reference is called 'thru'"):
        role_of(spec, "thru")


def test_the_instruction_minds_what_can_do_harm(tmp_path: Path) -> None:
    source, listening = spec_of(tmp_path), spec_of(tmp_path, kind="band")
    for role in (Role.THROUGH, Role.QUIET):
        assert "no aerial" in instruction(source, role)
    assert "terminate both" in instruction(source, Role.QUIET)
    for role in (Role.QUIET, Role.AMBIENT):
        assert "Key no transmitter" in instruction(listening, role)


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
