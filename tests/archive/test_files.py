"""Segments and volumes: what went in comes back bit for bit, packed as narrowly as that allows."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.archive.codec import block_rows, decode_chunk, encode_chunk
from acqd.archive.hops import HOP, HopTable
from acqd.archive.layout import DAY_S, FileKind, FileName, day_of, day_start_s
from acqd.archive.manifest import read_manifest
from acqd.archive.packing import DoesNotFit, Packing, packings
from acqd.archive.reader import open_archive
from acqd.archive.records import Batch, SweepRecord
from acqd.archive.sweepfile import SweepFile
from acqd.errors import ArchiveDamaged
from acqd.sweep import SweepFlag

RNG = np.random.default_rng(8)
CODES = RNG.integers(-12000, -3000, size=(300, 31))


def _on(step: float, codes: NDArray[Any] = CODES) -> NDArray[np.float32]:
    return (codes * step).astype(np.float32)


def _with(levels: NDArray[Any], value: float, places: int = 7) -> NDArray[Any]:
    out = levels.copy()
    out.flat[RNG.integers(0, out.size, size=places)] = value
    return out


KINDS: dict[str, tuple[NDArray[Any], float | None, str, float | None]] = {
    "declared step of 0.01": (_on(0.01), 0.01, "<i2", 0.01),
    "no step declared": (_on(0.1), None, "<i2", 0.1),
    "one row on a finer step": (
        np.vstack([_on(0.5, CODES // 100), _on(0.005)]),
        None,
        "<i2",
        0.005,
    ),
    "an odd declared step": (_on(0.03125), 0.03125, "<i2", 0.03125),
    "declared step does not hold": (_on(0.01), 0.5, "<i2", 0.01),
    "NaN here and there": (_with(_on(0.01), np.nan), 0.01, "<i2", 0.01),
    "all NaN": (np.full((300, 31), np.nan, np.float32), 0.01, "<i2", 0.01),
    "beyond 16 bits": (_on(0.001, CODES * 101 + 1), 0.001, "<i4", 0.001),
    "beyond 16 bits, with NaN": (_with(_on(0.001, CODES * 101 + 1), np.nan), 0.001, "<i4", 0.001),
    "no step at all": (RNG.normal(-90, 5, (300, 31)).astype(np.float32), None, "<f4", None),
    "one value off the step": (_with(_on(0.01), np.float32(-51.23456), 1), 0.01, "<f4", None),
    "a negative zero": (_with(_on(0.01), -0.0, 1), 0.01, "<f4", None),
    "infinity": (_with(_on(0.01), -np.inf, 1), 0.01, "<f4", None),
    "float64": (RNG.normal(-90, 5, (300, 31)), None, "<f8", None),
    "complex64": (
        (RNG.normal(size=(300, 31, 2)) @ [1, 1j]).astype(np.complex64),
        None,
        "<f4",
        None,
    ),
    "complex128 with NaN": (
        _with(RNG.normal(size=(300, 31, 2)) @ [1, 1j], np.nan),
        None,
        "<f8",
        None,
    ),
}


@pytest.mark.parametrize(("levels", "declared", "stored", "step"), KINDS.values(), ids=KINDS.keys())
def test_levels_come_back_bit_for_bit_from_the_narrowest_type(
    scribe: Any,
    levels: NDArray[Any],
    declared: float | None,
    stored: str,
    step: float | None,
) -> None:
    """From the segment, and from the volume that is made of it."""
    import h5py

    unit = "1" if np.iscomplexobj(levels) else "dBm"
    setup = scribe.setup(resolution=declared, unit=unit)
    sweeps = tuple(scribe.sweep(i + 1, level=level) for i, level in enumerate(levels))
    writer = scribe.begun()
    writer.commit(Batch(setups=(setup,), sweeps=sweeps)).result(timeout=10)
    scribe.seal(writer, seq=len(levels))
    for kind in ("segment", "volume"):
        (path,) = scribe.files(f"{kind}_*.nc")
        with h5py.File(path) as file:
            variable = file["level_real" if np.iscomplexobj(levels) else "level"]
            assert variable.dtype == np.dtype(stored)
            assert variable.attrs.get("scale_factor") == step
        found = open_archive(scribe.root).sweeps("harbour").level.values
        assert found.dtype == levels.dtype
        assert _bits(found) == _bits(levels)
        if kind == "segment":
            assert writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=20) == 1


def _bits(levels: NDArray[Any]) -> bytes:
    real = levels.view(levels.real.dtype) if np.iscomplexobj(levels) else levels
    return np.where(np.isnan(real), real.dtype.type(np.nan), real).tobytes()


@pytest.mark.parametrize("dtype", ["<i2", "<i4", "<f4", "<f8", "<u1", "<i8"])
@pytest.mark.parametrize("shape", [(1, 1), (3, 7), (256, 5), (1000,)], ids=str)
def test_chunks_are_what_hdf5_filters_make(
    tmp_path: Path, dtype: str, shape: tuple[int, ...]
) -> None:
    """A chunk of ours is read by HDF5, and one of HDF5's by us."""
    import h5py

    data = RNG.integers(0, 200, size=shape).astype(dtype)
    origin = (0,) * len(shape)
    with h5py.File(tmp_path / "x.h5", "w") as file:
        options = {"chunks": shape, "shuffle": data.itemsize > 1, "compression": "gzip"}
        ours = file.create_dataset("ours", shape, dtype=dtype, **options)
        ours.id.write_direct_chunk(origin, encode_chunk(data))
        theirs = file.create_dataset("theirs", data=data, **options)
        assert np.array_equal(ours[...], data)
        file.flush()
        _, chunk = theirs.id.read_direct_chunk(origin)
        assert np.array_equal(decode_chunk(chunk, shape, np.dtype(dtype)), data)


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(lambda data: data[:-3], id="cut short"),
        pytest.param(lambda data: data[:20] + b"\xff" + data[21:], id="a byte changed"),
        pytest.param(lambda data: b"", id="empty"),
    ],
)
def test_a_broken_chunk_is_damage(spoil: Any) -> None:
    """It raises; it never gives other numbers."""
    data = encode_chunk(RNG.integers(0, 9999, size=(64, 31)).astype("<i2"))
    with pytest.raises(ArchiveDamaged):
        decode_chunk(spoil(data), (64, 31), np.dtype("<i2"))


@pytest.mark.parametrize(
    ("points", "item_bytes", "rows"),
    [(1001, 4, 256), (11, 4, 256), (100_001, 4, 2), (10_000_000, 8, 1), (1001, 16, 65)],
)
def test_a_block_is_256_sweeps_or_a_mebibyte(points: int, item_bytes: int, rows: int) -> None:
    """So that what is held at once stays small for wide sweeps too."""
    assert block_rows(points, item_bytes) == rows


def test_packings_are_tried_narrow_and_coarse_first() -> None:
    """The declared step before all others, 16 bits before 32, floats last."""
    tried = list(packings("<f4", 0.02))
    assert tried[0] == Packing(0.02, 2)
    assert tried[1] == Packing(1.0, 2)
    assert tried[-1] == Packing()
    assert [one.width for one in tried] == [*sorted(one.width for one in tried[:-1]), 0]
    assert list(packings("<f8", 0.02)) == [Packing()]
    with pytest.raises(DoesNotFit):
        Packing(1.0, 2).pack(np.array([0.5], np.float32))


def test_a_file_says_all_that_is_needed_to_trust_it(scribe: Any) -> None:
    """Setup, times, flags, columns, summaries, runs, boots and digests come back from the file."""
    gain = np.linspace(-3.0, -1.0, 31)
    writer = scribe.begun(software={"acqd": "0.1.0", "numpy": np.__version__})
    sweeps = (
        scribe.sweep(1, columns={"floor_dbm": -99.5, "time": 1.0, "level é": 2.0}),
        scribe.sweep(2, summary=None, columns={}, run_id="run-2", boot_id="boot-2"),
        scribe.sweep(3, sweeper_time_s=77.25, flags=SweepFlag.OVERLOAD | SweepFlag.LATE),
    )
    setup = scribe.setup(chain_gain_db=gain, details={"identity": {"maker": "GANNET"}, "µ": [1]})
    writer.commit(Batch(setups=(setup,), sweeps=sweeps)).result(timeout=10)
    scribe.seal(writer, seq=3)
    (path,) = scribe.files()
    with SweepFile(path) as file:
        kept = file.setup()
        records = [record for rows in file.blocks() for _, record in rows.records(kept)]
        assert json.loads(file.attribute("software_json"))["acqd"] == "0.1.0"
        assert file.attribute("identity_maker") == "GANNET"
        assert file.attribute("station") == "lookout"
        levels = np.array([sweep.level for sweep in sweeps])
        assert file.digests() == [hashlib.sha256(levels.tobytes()).hexdigest()]
    assert np.array_equal(kept.chain_gain_db, gain)
    assert np.array_equal(kept.frequency_hz, setup.frequency_hz)
    assert kept.details == setup.details
    for given, found in zip(sweeps, records, strict=True):
        assert np.array_equal(given.level, found.level)
        for name in SweepRecord.__slots__:
            if name != "level":
                assert getattr(found, name) == getattr(given, name), name


def test_manifest_and_ledger_list_each_file_with_its_digest(scribe: Any) -> None:
    """After sealing the segments, after merging the volume and no longer the segments."""
    writer = scribe.begun()
    for turn in range(2):
        writer.commit(scribe.batch(turn * 5 + 1, turn * 5 + 5)).result(timeout=10)
        scribe.seal(writer, seq=turn * 5 + 5)
    for count in (2, 1):
        paths = scribe.files()
        assert len(paths) == count
        listed = read_manifest(paths[0].parent)
        assert sorted(listed) == [path.name for path in paths]
        for path in paths:
            entry = listed[path.name]
            assert entry["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
            assert entry["bytes"] == path.stat().st_size
        if count == 2:
            assert writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=20) == 1
    assert listed[paths[0].name]["sweeps"] == 10


def test_segments_are_cut_at_midnight_utc_and_by_setup_and_step(scribe: Any) -> None:
    """One file for each (step, setup, day); the sweep at midnight belongs to the new day."""
    midnight_s = day_start_s("2026-05-29")
    other = scribe.setup(setup="bb22", frequency_hz=np.linspace(1e6, 2e6, 31))
    second = scribe.setup(step=1)
    writer = scribe.begun()
    sweeps = (
        scribe.sweep(1, started_s=np.nextafter(midnight_s, 0)),
        scribe.sweep(2, started_s=midnight_s),
        scribe.sweep(3, started_s=midnight_s + 1, setup="bb22"),
        scribe.sweep(4, started_s=midnight_s + 2, step=1, pass_id=3),
        scribe.sweep(5, started_s=midnight_s - 1),
    )
    batch = Batch(setups=(scribe.setup(), other, second), sweeps=sweeps)
    writer.commit(batch).result(timeout=10)
    scribe.seal(writer, seq=5)
    names = [f"{path.parent.name} {path.name}" for path in scribe.files()]
    assert names == [
        "2026-05-28 segment_0000000001-0000000005_step0_aa11.nc",
        "2026-05-29 segment_0000000002-0000000002_step0_aa11.nc",
        "2026-05-29 segment_0000000003-0000000003_step0_bb22.nc",
        "2026-05-29 segment_0000000004-0000000004_step1_aa11.nc",
    ]
    replayed = [e.seq for e in open_archive(scribe.root).events("harbour") if hasattr(e, "seq")]
    assert replayed == [1, 2, 3, 4, 5]


@pytest.mark.parametrize(
    "at_s", [0.0, 86399.9999999, 86400.0, 1_780_000_000.0, 1_790_726_399.9999998]
)
def test_day_of_a_time_never_rounds_up(at_s: float) -> None:
    """A sweep just before midnight is of the day before it."""
    day = day_of(at_s)
    assert day_start_s(day) <= at_s < day_start_s(day) + DAY_S


@pytest.mark.parametrize("setup", ["aa11", "with/slash", "é", ".hidden", "x" * 40])
def test_names_of_files_are_read_back(setup: str) -> None:
    """Whatever a setup is called; its first characters stand in the name."""
    name = FileName(kind=FileKind.VOLUME, first_seq=7, last_seq=12_345_678_901, step=2, setup=setup)
    text = str(name)
    assert "/" not in text
    found = FileName.parse(text)
    assert found is not None
    assert (found.kind, found.first_seq, found.last_seq, found.step) == (
        "volume",
        7,
        12345678901,
        2,
    )
    assert FileName.parse(text + ".tmp") is None


@pytest.mark.parametrize("job", ["marine-vhf", "a/b", "..", ".", "Möwe 7", "x%2Fy"])
def test_jobs_of_any_name_have_a_folder_of_their_own(scribe: Any, job: str) -> None:
    """And are found under their name again."""
    writer = scribe.begun()
    sweep = scribe.sweep(1, job=job)
    writer.commit(Batch(setups=(scribe.setup(job=job),), sweeps=(sweep,))).result(timeout=10)
    scribe.seal(writer)
    archive = open_archive(scribe.root)
    assert archive.jobs() == [job]
    assert archive.sweeps(job).sizes["sweep"] == 1
    assert all(scribe.root in path.resolve().parents for path in scribe.files())


def test_what_cannot_be_read_back_keeps_the_journal(
    scribe: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bit that flips between journal and file is found, and nothing is lost."""
    real = encode_chunk
    flips = [True]

    def flipping(block: NDArray[Any]) -> bytes:
        if block.ndim == 2 and flips:
            flips.clear()
            block = block.copy()
            block.flat[5] ^= 1
        return real(block)

    monkeypatch.setattr("acqd.archive.sweepwriter.encode_chunk", flipping)
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 5)).result(timeout=10)
    writer.rotate([scribe.meter(5)]).result(timeout=10)
    with pytest.raises(AssertionError, match=r"level of the 1\. block is not what was written"):
        scribe.wait_sealed(writer)
    assert scribe.files("*") == []
    assert open_archive(scribe.root).sweeps("harbour").sizes["sweep"] == 5
    # At the next turn it is tried again.
    writer.rotate([scribe.meter(5)]).result(timeout=10)
    scribe.wait_sealed(writer, forgiving=True)
    assert writer.statistics().problem is None
    assert len(scribe.files()) == 1


def test_merging_waits_for_the_day_the_clock_and_the_journals(scribe: Any) -> None:
    """A volume is made once nothing of its day can still come."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 5)).result(timeout=10)
    scribe.seal(writer, seq=5)
    later_s = scribe.start_s + 2 * DAY_S
    assert writer.merge_due(scribe.start_s + 60.0).result(timeout=10) == 0
    assert writer.merge_due(later_s, clock_trusted=False).result(timeout=10) == 0
    writer.commit(scribe.batch(6, 7)).result(timeout=10)
    assert writer.merge_due(later_s).result(timeout=10) == 0
    scribe.seal(writer, seq=7)
    assert writer.merge_due(later_s).result(timeout=10) == 1
    assert writer.merge_due(later_s).result(timeout=10) == 0
    (volume,) = scribe.files()
    assert volume.name == "volume_0000000001-0000000007_step0_aa11.nc"


def test_merging_does_not_mind_a_journal_that_is_just_being_made(scribe: Any) -> None:
    """The next one appears as a file before its tables do."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 5)).result(timeout=10)
    scribe.seal(writer, seq=5)
    path = scribe.root / "journals" / "journal-0000009999-aa11.sqlite"
    with closing(sqlite3.connect(path)) as made:
        made.execute("PRAGMA journal_mode=WAL")
    assert writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=10) == 1
    assert writer.statistics().problem is None
    path.unlink()


def test_sweeps_that_turn_up_for_a_merged_day_make_a_volume_of_their_own(scribe: Any) -> None:
    """After a clock was stepped back; no file is written twice."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 5)).result(timeout=10)
    scribe.seal(writer, seq=5)
    assert writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=10) == 1
    (first,) = scribe.files()
    digest = hashlib.sha256(first.read_bytes()).hexdigest()
    writer.commit(scribe.batch(6, 8)).result(timeout=10)
    scribe.seal(writer, seq=8)
    assert writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=10) == 1
    assert len(scribe.files("volume_*.nc")) == len(scribe.files()) == 2
    assert hashlib.sha256(first.read_bytes()).hexdigest() == digest
    sequence = open_archive(scribe.root).sweeps("harbour").sequence.values
    assert sequence.tolist() == list(range(1, 9))


def test_a_segment_that_differs_from_its_volume_is_damage_and_stays(scribe: Any) -> None:
    """Two files that claim the same sweep with other levels: nobody decides silently."""
    import shutil

    writer = scribe.begun()
    writer.commit(scribe.batch(1, 5)).result(timeout=10)
    scribe.seal(writer, seq=5)
    (segment,) = scribe.files()
    aside = scribe.root / "aside.nc"
    shutil.copy(segment, aside)
    assert writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=10) == 1
    import h5py

    with h5py.File(aside, "r+") as file:
        file["duration"][2] = 9.0
    shutil.copy(aside, segment)
    with pytest.raises(ArchiveDamaged, match="differ in duration; both are kept"):
        writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=10)
    assert len(scribe.files()) == 2


def test_days_without_sweeps_are_copied_into_the_next_volume(scribe: Any) -> None:
    """So that what was missed on a silent day can be rebuilt from a volume too."""
    from acqd.archive.records import GapRecord

    writer = scribe.begun()
    writer.commit(scribe.batch(1, 2)).result(timeout=10)
    silent_s = scribe.start_s + 3 * DAY_S
    gap = GapRecord(job="harbour", from_s=silent_s, to_s=silent_s, count=5, reason="station down")
    writer.commit(Batch(gaps=(gap,))).result(timeout=10)
    late = scribe.sweep(3, started_s=scribe.start_s + 5 * DAY_S)
    writer.commit(Batch(sweeps=(late,))).result(timeout=10)
    scribe.seal(writer, seq=3)
    assert writer.merge_due(scribe.start_s + 9 * DAY_S).result(timeout=20) == 2
    first, second = scribe.files("volume_*.nc")
    with SweepFile(first) as file:
        assert file.ledger().get("gap", []) == []
    with SweepFile(second) as file:
        assert [row[2] for row in file.ledger()["gap"]] == [silent_s]


def test_a_file_that_is_not_ours_is_damage(tmp_path: Path) -> None:
    """Cut short, empty, or of another kind: one line that names the file."""
    import h5py

    path = tmp_path / "segment.nc"
    path.write_bytes(b"\x89HDF\r\n\x1a\n" + b"\0" * 100)
    with pytest.raises(ArchiveDamaged, match=r"segment\.nc"):
        SweepFile(path)
    with h5py.File(path, "w") as file:
        file["x"] = 1
    with pytest.raises(ArchiveDamaged, match="not a file of sweeps"):
        SweepFile(path)


def _random_hops(rng: np.random.Generator, count: int) -> HopTable:
    """Of ``count`` sweeps, at least the first in hops, half of them in none."""
    hops = rng.integers(0, 5, size=count) * rng.integers(0, 2, size=count)
    hops[0] = 3
    table = np.zeros(int(hops.sum()), dtype=HOP)
    table["started"], table["duration"] = rng.normal(size=(2, table.size))
    table["points"], table["ok"] = rng.integers(1, 999, table.size), rng.random(table.size) < 0.9
    return HopTable(hops.astype(np.int32), table)


@pytest.mark.slow
def test_random_files_come_back_as_they_went_in(tmp_path: Path) -> None:
    """Random shapes, types, steps, missing values, columns and hops through writer and reader."""
    from acqd.archive.records import SetupRecord
    from acqd.archive.rows import CORE, Rows
    from acqd.archive.sweepwriter import FileContent, write_sweeps

    rng = np.random.default_rng(20260528)
    with ThreadPoolExecutor(2) as pool:
        for number in range(80):
            count, points = int(rng.integers(1, 700)), int(rng.integers(1, 40))
            step = float(rng.choice([1.0, 0.1, 0.01, 0.001, 0.03]))
            codes = rng.integers(-20000, 20000, size=(count, points))
            levels = (codes * step).astype(np.float32)
            if number % 3 == 0:
                levels[rng.random(levels.shape) < 0.01] = np.nan
            tag = "<f4"
            if number % 5 == 0:
                levels, tag = levels.astype(np.float64) + 1e-9, "<f8"
            rows = Rows(
                core={
                    name: np.sort(rng.integers(1, 2**31, size=count)).astype(dtype)
                    for name, dtype in CORE.items()
                },
                run=[f"run-{i // 100}" for i in range(count)],
                boot=["boot-1"] * count,
                level=levels,
                columns={"a_dbm": rng.normal(size=count), "b": np.full(count, np.nan)},
                summary=[None if i % 4 == number % 4 else b'{"i":%d}' % i for i in range(count)],
                hops=_random_hops(rng, count) if number % 4 == 1 else None,
            )
            setup = SetupRecord(
                setup="s",
                job="j",
                step=0,
                sweeper="w",
                kind="band",
                frequency_hz=np.sort(rng.uniform(1e6, 1e9, points)),
                unit="dBm",
                resolution=step if number % 2 else None,
                chain_gain_db=None,
                details={},
            )

            def blocks(size: int, rows: Rows = rows) -> Any:
                for start in range(0, rows.count, size):
                    yield rows.select(np.arange(start, min(rows.count, start + size)))

            path = tmp_path / "one.nc"
            content = FileContent(
                kind="segment", station="s", setup=setup, tag=tag, count=count, blocks=blocks
            )
            write_sweeps(path, content, pool=pool)
            with SweepFile(path) as file:
                assert rows.first_difference(file.rows(0, count)) is None
                low, high = sorted(rng.integers(0, count + 1, size=2).tolist())
                part = rows.select(np.arange(low, high))
                assert part.first_difference(file.rows(low, high)) is None
