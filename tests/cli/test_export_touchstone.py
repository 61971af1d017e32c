"""``acqd export`` of a transmission or a reflection as Touchstone, read by scikit-rf."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skrf
from skrf.calibration import OnePort

from acqd.archive.reader import open_archive
from acqd.archive.records import Batch, SweepRecord
from acqd.archive.writer import ArchiveWriter
from acqd.canonical import canonical_levels
from acqd.config.load import parse_config
from acqd.drivers.registry import load_drivers
from acqd.measure.meter import Role
from acqd.station.build import build
from acqd.station.feed import SetupView
from acqd.station.references import ReferenceRecord, reference_from
from acqd.station.setup import SetupMaker
from acqd.sweep import Capabilities, Identity, LevelUnit, Reported, Sweep, SweepFlag
from acqd.testing.clock import ManualClock

CONFIG = """\
[station]
name = "lookout"
archive = "archive"

[mqtt]
broker = "none"

[sweeper.bench]
driver = "sim"
address = "sim:bench"
absolute_max = "20 dBm"

[chain.lead]

[[chain.lead.part]]
kind = "pad"
loss = "6 dB"

[job.thing]
kind = "{kind}"
sweeper = "bench"
chain = "lead"
start = "140 MHz"
stop = "150 MHz"
points = 101
rbw = "10 kHz"
when = {{ every = "10 s" }}
source = {{ level = "-20 dBm" }}
"""

AXIS_HZ = np.linspace(140e6, 150e6, 101)
BAND = 1.0 / (1.0 + 1j * (AXIS_HZ - 145e6) / 1e6)
"""A response with a phase: a resonance at 145 MHz, 2 MHz wide."""
LINE = np.exp(-2j * np.pi * AXIS_HZ * 3e-9)
"""What a bridge and its leads turn a phase by."""


def sweep_of(request: Any, level: Any, unit: LevelUnit, at_s: float) -> Sweep:
    kept = level.astype(np.complex64) if np.iscomplexobj(level) else canonical_levels(level, 0.01)
    return Sweep(
        request=request,
        reported=Reported(rbw_hz=10e3, attenuation_db=0.0, source_level_dbm=-20.0),
        frequency_hz=request.frequencies_hz(),
        level=kept,
        unit=unit,
        resolution=None if np.iscomplexobj(level) else 0.01,
        started_s=at_s,
        monotonic_s=at_s - 1.78e9,
        took_s=0.5,
        boot_id="boot",
        clock_synchronised=True,
        identity=Identity(maker="GANNET", model="SHACK 3", serial_number="42"),
    )


def bench(
    root: Path, kind: str, things: list[Any], references: dict[Role, Any], unit: LevelUnit
) -> Path:
    """An archive as a station leaves it that swept ``things`` after those references."""
    config = parse_config(CONFIG.format(kind=kind), root / "station.toml")
    (spec,) = build(config, load_drivers(), broker="none").jobs
    at_s = 1_780_002_000.0
    kept: dict[str, ReferenceRecord] = {}
    for role, level in references.items():
        taken = [sweep_of(spec.request, level, unit, at_s - 600.0 + n) for n in range(2)]
        kept[str(role)] = reference_from("thing", role, taken)
    maker = SetupMaker(spec.facts, references=kept)
    clock = ManualClock(at_s)
    archive = ArchiveWriter.open(
        root / "archive", station="lookout", run_id="run", clock=clock, keep_free_bytes=0
    )
    archive.begin([])
    state = spec.feed.start()
    for seq, level in enumerate(things, 1):
        sweep = sweep_of(spec.request, level, unit, at_s + 10.0 * seq)
        setup = maker.setup_of(sweep, Capabilities(start_hz=0.0, stop_hz=3e9), step=0)
        record = SweepRecord(
            job="thing",
            step=0,
            setup=setup.setup,
            seq=seq,
            pass_id=seq,
            run_id="run",
            due_s=sweep.started_s,
            started_s=sweep.started_s,
            monotonic_s=sweep.monotonic_s,
            took_s=sweep.took_s,
            boot_id="boot",
            sweeper_time_s=None,
            flags=SweepFlag(0),
            level=sweep.level,
        )
        state, outputs = spec.feed.sweep(state, record, SetupView.of(setup, sweep.started_s))
        record = replace(record, summary=outputs[-1].summary, columns=outputs[-1].columns)
        archive.commit(Batch(setups=(setup,), sweeps=(record,))).result(timeout=20)
    archive.close([], within_s=20.0)
    return root / "archive"


def seal(root: Path) -> None:
    """The journal that a station leaves goes into files at its next start."""
    archive = ArchiveWriter.open(
        root, station="lookout", run_id="run", clock=ManualClock(1.79e9), keep_free_bytes=0
    )
    archive.begin([])
    archive.close([], within_s=20.0)


def db(ratio: Any) -> Any:
    return 20.0 * np.log10(np.abs(ratio))


def read(path: Path) -> skrf.Network:
    return skrf.Network(str(path))


def test_a_scalar_transmission_is_magnitudes(acqd: Any, tmp_path: Path) -> None:
    """The loss over the through, whatever pad is in front of the input; the last sweep."""
    through = np.full(101, -31.5)
    root = bench(
        tmp_path,
        "transmission",
        [through - 9.0, through + db(BAND)],
        {Role.THROUGH: through, Role.QUIET: np.full(101, -100.0)},
        LevelUnit.DBM,
    )
    answer = acqd("export", str(root), "-o", str(tmp_path / "filter.s2p"))
    assert (answer.code, answer.err) == (0, "")
    got = read(tmp_path / "filter.s2p")
    assert np.allclose(got.f, AXIS_HZ) and np.all(got.z0 == 50)
    assert np.allclose(db(got.s[:, 1, 0]), db(BAND), atol=0.03)
    assert np.all(got.s[:, 0, 0] == 0) and np.all(got.s[:, 0, 1] == 0)
    text = (tmp_path / "filter.s2p").read_text("ascii")
    assert "! job thing, kind transmission, sweep 2 of 2026-" in text
    assert "through of 2026-" in text and "Scalar data" in text
    first = acqd("export", str(root), "--format", "touchstone", "--seq", "1")
    assert first.code == 0 and "sweep 1 of" in first.out
    (tmp_path / "pad.s2p").write_text(first.out)
    assert np.allclose(db(read(tmp_path / "pad.s2p").s[:, 1, 0]), -9.0, atol=0.03)


def test_where_the_floor_limits_it_is_said(acqd: Any, tmp_path: Path) -> None:
    """A stop band at the floor is at most as written."""
    through = np.full(101, -31.5)
    stop = np.where(AXIS_HZ > 148e6, -100.0, -32.5)
    references = {Role.THROUGH: through, Role.QUIET: np.full(101, -100.0)}
    root = bench(tmp_path, "transmission", [stop], references, LevelUnit.DBM)
    answer = acqd("export", str(root), "--format", "touchstone")
    assert answer.code == 0
    assert "! The floor limited 20 of 101 points: S21 is at most as written at" in answer.out
    assert "148.100 to 150.000 MHz" in answer.out


def test_a_vector_transmission_keeps_its_phase(acqd: Any, tmp_path: Path) -> None:
    """Thing over through, complex: what the leads turn falls out."""
    references = {Role.THROUGH: 0.7 * LINE}
    root = bench(tmp_path, "transmission", [0.7 * LINE * BAND], references, LevelUnit.RATIO)
    assert acqd("export", str(root), "-o", str(tmp_path / "f.s2p")).code == 0
    got = read(tmp_path / "f.s2p")
    assert np.allclose(got.s[:, 1, 0], BAND, atol=1e-6)


def test_a_scalar_reflection_is_over_open_and_short(acqd: Any, tmp_path: Path) -> None:
    references = {Role.OPEN: np.full(101, -30.0), Role.SHORT: np.full(101, -30.0)}
    antenna = 0.5 * np.abs(BAND)
    root = bench(tmp_path, "reflection", [-30.0 + db(antenna)], references, LevelUnit.DBM)
    answer = acqd("export", str(root), "-o", str(tmp_path / "whip.s1p"))
    assert (answer.code, answer.err) == (0, "")
    got = read(tmp_path / "whip.s1p")
    assert got.nports == 1
    assert np.allclose(db(got.s[:, 0, 0]), db(antenna), atol=0.03)
    text = (tmp_path / "whip.s1p").read_text("ascii")
    assert "! S11, scalar" in text and "directivity" in text


def seen_through(terms: tuple[Any, Any, Any], gamma: Any) -> Any:
    """What a bridge with directivity, source match and tracking shows of a reflection."""
    directivity, match, tracking = terms
    return directivity + tracking * gamma / (1.0 - match * gamma)


def test_a_vector_reflection_is_corrected_with_its_phase(acqd: Any, tmp_path: Path) -> None:
    """With open, short and load, as scikit-rf corrects the same four sweeps."""
    terms = (0.03 * LINE, 0.1j * LINE, 0.9 * LINE * LINE)
    gamma = 0.4 * BAND
    shown = {g: seen_through(terms, np.full(101, g, dtype=complex)) for g in (1, -1, 0)}
    references = {Role.OPEN: shown[1], Role.SHORT: shown[-1], Role.LOAD: shown[0]}
    things = [seen_through(terms, gamma)]
    root = bench(tmp_path, "reflection", things, references, LevelUnit.RATIO)
    assert acqd("export", str(root), "-o", str(tmp_path / "whip.s1p")).code == 0
    got = read(tmp_path / "whip.s1p")
    frequency = skrf.Frequency.from_f(AXIS_HZ, unit="hz")

    def one_port(values: Any) -> skrf.Network:
        return skrf.Network(frequency=frequency, s=np.asarray(values).reshape(-1, 1, 1), z0=50)

    calibration = OnePort(
        ideals=[one_port(np.full(101, g, dtype=complex)) for g in (1, -1, 0)],
        measured=[one_port(shown[g].astype(np.complex64)) for g in (1, -1, 0)],
    )
    theirs = calibration.apply_cal(one_port(things[0].astype(np.complex64)))
    assert np.allclose(got.s, theirs.s, atol=1e-5)
    assert np.allclose(got.s[:, 0, 0], gamma, atol=1e-5)


def test_a_missing_through_is_said(acqd: Any, tmp_path: Path) -> None:
    """With how one is taken."""
    root = bench(tmp_path, "transmission", [np.full(101, -40.0)], {}, LevelUnit.DBM)
    answer = acqd("export", str(root), "-o", str(tmp_path / "f.s2p"))
    assert answer.code == 1 and "acqd reference thing through" in answer.complaint
    assert not (tmp_path / "f.s2p").exists()


def test_a_missing_open_is_said(acqd: Any, tmp_path: Path) -> None:
    root = bench(tmp_path, "reflection", [np.full(101, -40.0)], {}, LevelUnit.DBM)
    answer = acqd("export", str(root), "--format", "touchstone")
    assert answer.code == 1 and "acqd reference thing open" in answer.complaint


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("-o", "x.s1p"), "job thing is of kind transmission: the name of its file ends in .s2p"),
        (("--format", "touchstone", "--seq", "9"), "no sweep 9 in that time; there are 1 to 1"),
    ],
    ids=["suffix", "sweep"],
)
def test_what_is_not_there_is_refused(
    acqd: Any, tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    through = np.full(101, -31.5)
    root = bench(tmp_path, "transmission", [through], {Role.THROUGH: through}, LevelUnit.DBM)
    answer = acqd("export", str(root), *words)
    assert answer.code == 2 and said in answer.err
    assert not Path("x.s1p").exists()


@pytest.mark.parametrize("kind", ["transmission", "reflection"])
def test_a_bench_is_replayed_from_its_files_alone(acqd: Any, tmp_path: Path, kind: str) -> None:
    """References travel in the setups, so nothing else is needed."""
    through = np.full(101, -31.5)
    references = dict.fromkeys((Role.THROUGH, Role.OPEN, Role.SHORT), through)
    things = [through + db(BAND) - 0.1 * n for n in range(5)]
    root = bench(tmp_path, kind, things, references, LevelUnit.DBM)
    seal(root)
    (tmp_path / "alone").mkdir()
    (root / "sweeps").rename(tmp_path / "alone" / "sweeps")
    replayed = acqd("replay", str(tmp_path / "alone"), "thing", "--check")
    assert replayed.out.startswith("5 sweeps, 0 hours, ")
    differences = [line for line in replayed.out.splitlines()[1:] if "sweep " in line]
    assert not differences, replayed.out


def test_complex_levels_are_two_columns(acqd: Any, tmp_path: Path) -> None:
    """In CSV and netCDF; at the far end the pad's 6 dB are taken off their magnitude."""
    import xarray as xr

    things = [0.25 * LINE * BAND]
    root = bench(tmp_path, "transmission", things, {}, LevelUnit.RATIO)
    assert acqd("export", str(root), "-o", str(tmp_path / "f.nc")).code == 0
    with xr.open_dataset(tmp_path / "f.nc") as got:
        level = got.level_real.values + 1j * got.level_imag.values
    assert np.allclose(level[0], things[0] * 10 ** (6 / 20), rtol=1e-6)
    lines = acqd("export", str(root), "--plane", "input").out.splitlines()
    assert lines[0].endswith("level_real [1],level_imag [1]")
    parts = np.array([line.split(",")[3:] for line in lines[1:]], dtype=np.float32)
    stored = open_archive(root).sweeps("thing").level.values[0]
    assert np.array_equal(parts[:, 0] + 1j * parts[:, 1], stored)
