"""``acqd export``: what the archive holds, to the last bit, in each format."""

from __future__ import annotations

import csv
import io
import json
import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest
import xarray as xr
from pyarrow import parquet

import acqd as package
from acqd.archive.reader import open_archive
from acqd.cli.export_files import ROWS_AT_ONCE, write_netcdf, write_parquet


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_levels_read_back_equal(acqd: Any, kept: Path) -> None:
    """The shortest texts of the float32 that was measured, and every frequency and time."""
    root = kept / "archive"
    out = acqd("export", str(root), "--job", "marine-vhf", "--plane", "input").out
    rows = rows_of(out)
    data = open_archive(root).sweeps("marine-vhf")
    assert list(rows[0]) == ["time [UTC]", "sequence [1]", "frequency [Hz]", "level [dBm]"]
    level = np.array([row["level [dBm]"] for row in rows], dtype=np.float32)
    assert np.array_equal(level.reshape(data.level.shape), data.level.values)
    frequency = np.array([float(row["frequency [Hz]"]) for row in rows])
    assert np.allclose(frequency.reshape(data.level.shape), data.frequency.values, rtol=1e-11)
    assert [int(row["sequence [1]"]) for row in rows[:: data.sizes["frequency"]]] == list(
        data.sequence.values
    )
    times = np.array([row["time [UTC]"].removesuffix("Z") for row in rows], dtype="M8[ms]")
    assert np.array_equal(times.reshape(data.level.shape)[:, 0], data.time.values.astype("M8[ms]"))
    assert max(map(len, (row["level [dBm]"] for row in rows))) <= len("-100.25")


def test_the_far_end_of_the_chain_is_the_default(acqd: Any, kept: Path) -> None:
    """The cable of 1.5 dB taken off."""
    words = ("export", str(kept / "archive"), "--job", "marine-vhf")
    near = rows_of(acqd(*words, "--plane", "input").out)
    far = rows_of(acqd(*words).out)
    differences = {
        round(float(a["level [dBm]"]) - float(b["level [dBm]"]), 4)
        for a, b in zip(far, near, strict=True)
    }
    assert differences == {1.5}


def test_a_file_instead_of_standard_output(acqd: Any, kept: Path, tmp_path: Path) -> None:
    """The same bytes."""
    words = ("export", str(kept / "archive"), "--job", "calling")
    answer = acqd(*words, "-o", str(tmp_path / "night.csv"))
    assert (answer.code, answer.out) == (0, "")
    assert (tmp_path / "night.csv").read_text("utf-8") == acqd(*words).out


def test_a_range_of_time(acqd: Any, kept: Path) -> None:
    """From the first moment on, up to the end that is not included; a zone other than UTC too."""
    words = ("export", str(kept / "archive"), "--job", "marine-vhf", "--what", "summary")
    whole = rows_of(acqd(*words).out)
    start, stop = whole[3]["time [UTC]"], whole[7]["time [UTC]"]
    part = rows_of(acqd(*words, "--from", start, "--to", stop).out)
    # Times are shown to the millisecond, rounded down, so the first may lie a little after.
    assert [row["sequence [1]"] for row in part] == [str(n) for n in range(4, 4 + len(part))]
    assert 3 <= len(part) <= 4
    shifted = start.replace("Z", "+00:00")
    assert rows_of(acqd(*words, "--from", shifted, "--to", stop).out) == part


def test_summaries_have_units_in_their_heads(acqd: Any, kept: Path) -> None:
    """A row a sweep, equal to the columns of the archive."""
    root = kept / "archive"
    rows = rows_of(acqd("export", str(root), "--job", "marine-vhf", "--what", "summary").out)
    data = open_archive(root).sweeps("marine-vhf")
    assert {"floor [dBm]", "threshold [dBm]", "peak [Hz]"} <= set(rows[0])
    for head, name in (("floor [dBm]", "floor_dbm"), ("threshold [dBm]", "threshold_dbm")):
        got = np.array([float(row[head]) for row in rows])
        assert np.allclose(got, data[name].values, rtol=0, atol=1e-6)
    assert "started [s since 1970-01-01Z]" in rows[0]
    for row in rows[:3]:
        due = datetime.fromisoformat(row["due [UTC]"])
        assert due.tzinfo is not None
        assert due <= datetime.fromisoformat(row["time [UTC]"]) < due + timedelta(seconds=5)


def test_findings_and_gaps(acqd: Any, kept: Path) -> None:
    """A row each, with the words of the archive."""
    archive = open_archive(kept / "archive")
    words = ("export", str(kept / "archive"), "--job", "marine-vhf", "--what")
    findings = rows_of(acqd(*words, "findings").out)
    assert [row["text"] for row in findings] == [f.text for f in archive.findings("marine-vhf")]
    assert [int(row["number [1]"]) for row in findings] == list(range(1, len(findings) + 1))
    gaps = rows_of(acqd(*words, "gaps").out)
    assert [(row["reason"], int(row["sweeps [1]"])) for row in gaps] == [
        (gap.reason, gap.count) for gap in archive.gaps("marine-vhf")
    ]
    station = acqd("export", str(kept / "archive"), "--job", "station", "--what", "findings")
    assert station.code == 0


def test_one_setup(acqd: Any, kept: Path) -> None:
    """By the beginning of its digest."""
    root = kept / "archive"
    (setup,) = open_archive(root).setups("calling")
    words = ("export", str(root), "--job", "calling")
    assert acqd(*words, "--setup", setup.setup[:6]).out == acqd(*words).out
    answer = acqd(*words, "--setup", "zz")
    assert answer.code == 1
    assert f"setup 'zz' fits none; there is {setup.setup}" in answer.complaint


def test_an_only_job_need_not_be_named(acqd: Any, kept: Path, folder: Path, start: Any) -> None:
    """With several the choice is named; an unknown one too."""
    answer = acqd("export", str(kept / "archive"))
    assert answer.code == 2
    assert "--job is needed; jobs here: calling, marine-vhf" in answer.err
    answer = acqd("export", str(kept / "archive"), "--job", "soak")
    assert answer.code == 2 and "no job 'soak'" in answer.err


@pytest.mark.parametrize("text", ["yesterday", "2026-06-01T21:00", "2026-13-01T00:00Z"])
def test_a_moment_that_is_none(acqd: Any, kept: Path, text: str) -> None:
    """Exit code 2, with how one is written."""
    answer = acqd("export", str(kept / "archive"), "--job", "calling", "--from", text)
    assert answer.code == 2 and "ISO 8601 with a zone" in answer.err


def test_nothing_in_that_time_is_one_line(acqd: Any, kept: Path) -> None:
    """Exit code 1."""
    words = ("export", str(kept / "archive"), "--job", "calling", "--from", "2050-01-01T00:00Z")
    answer = acqd(*words)
    assert answer.code == 1 and "no sweeps" in answer.complaint


def test_no_archive_is_one_line(acqd: Any, tmp_path: Path) -> None:
    """Exit code 1, with what was expected."""
    answer = acqd("export", str(tmp_path))
    assert answer.code == 1 and "no archive here" in answer.complaint


def test_a_file_that_cannot_be_written_is_one_line(acqd: Any, kept: Path, tmp_path: Path) -> None:
    """Exit code 1, no traceback."""
    words = ("export", str(kept / "archive"), "--job", "calling", "-o", str(tmp_path / "no" / "x"))
    answer = acqd(*words)
    assert answer.code == 1 and "No such file" in answer.err
    assert "Traceback" not in answer.err


def test_a_running_stations_archive_can_be_read(acqd: Any, start: Any, folder: Path) -> None:
    """What was committed a moment ago is there; the station does not mind."""
    station = start(folder / "station.toml")
    station.until('"job": "marine-vhf", "number": 1')
    answer = acqd("export", str(folder / "archive"), "--job", "marine-vhf", "--what", "summary")
    assert answer.code == 0 and len(rows_of(answer.out)) >= 1
    assert station.stop() == 0


def test_the_readme_example_of_the_reader_works(kept: Path) -> None:
    """``acqd.open_archive`` gives xarray objects."""
    with package.open_archive(kept / "archive") as archive:
        night = archive.sweeps("marine-vhf", plane="far end")
        assert night.level.max("sweep").sizes == {"frequency": 101}


# -- files of other formats -----------------------------------------------------------------------


@pytest.mark.parametrize("engine", ["h5netcdf", "netcdf4"])
@pytest.mark.parametrize("plane", ["far-end", "input"])
def test_netcdf_is_what_xarray_has_open(
    acqd: Any, kept: Path, tmp_path: Path, engine: Any, plane: Any
) -> None:
    """Every variable and coordinate to the bit, through both libraries that read it."""
    path = tmp_path / "night.nc"
    words = ("--job", "marine-vhf", "--plane", plane, "-o", str(path))
    answer = acqd("export", str(kept / "archive"), *words)
    assert (answer.code, answer.out, answer.err) == (0, "", "")
    want = open_archive(kept / "archive").sweeps("marine-vhf", plane=plane)
    with xr.open_dataset(path, engine=engine) as got:
        assert set(got.variables) == set(want.variables)
        assert set(got.coords) == set(want.coords)
        assert dict(got.sizes) == dict(want.sizes)
        for name in want.variables:
            mine, theirs = want[name], got[name]
            assert mine.dims == theirs.dims, name
            if mine.dtype.kind == "O":
                assert mine.values.tolist() == theirs.values.tolist(), name
            else:
                assert mine.dtype == theirs.dtype, name
                assert mine.values.tobytes() == theirs.values.tobytes(), name
        assert got.attrs["job"] == "marine-vhf" and got.attrs["plane"] == want.attrs["plane"]
        assert got.level.attrs["units"] == "dBm" and got.flags.attrs["flag_meanings"]
    assert [each.name for each in tmp_path.iterdir()] == ["night.nc"]


def test_netcdf_is_read_without_xarray(acqd: Any, kept: Path, tmp_path: Path) -> None:
    """The plain library of netCDF: dimensions, scales, times with their units."""
    path = tmp_path / "night.nc"
    words = ("export", str(kept / "archive"), "--job", "calling", "--format", "netcdf")
    assert acqd(*words, "-o", str(path)).code == 0
    want = open_archive(kept / "archive").sweeps("calling", plane="far end")
    with netCDF4.Dataset(path) as file:
        assert {name: len(one) for name, one in file.dimensions.items()} == dict(want.sizes)
        assert file["level"].dimensions == ("sweep", "frequency")
        assert np.array_equal(file["frequency"][:], want.frequency.values)
        assert np.array_equal(file["level"][:], want.level.values)
        assert file["time"].units == "nanoseconds since 1970-01-01T00:00:00Z"
        assert np.array_equal(file["time"][:], want.time.values.astype(np.int64))


def test_parquet_has_a_row_a_sweep(acqd: Any, kept: Path, tmp_path: Path) -> None:
    """Levels as a list, frequencies once in the metadata, columns under their names."""
    path = tmp_path / "night.parquet"
    words = ("export", str(kept / "archive"), "--job", "marine-vhf", "--plane", "input")
    assert acqd(*words, "-o", str(path)).code == 0
    table = parquet.read_table(path)
    want = open_archive(kept / "archive").sweeps("marine-vhf")
    assert table.num_rows == want.sizes["sweep"]
    levels = np.array(table["level"].to_pylist(), dtype=np.float32)
    assert levels.tobytes() == want.level.values.tobytes()
    frequency = json.loads(table.schema.metadata[b"frequency_hz"])
    assert frequency == want.frequency.values.tolist()
    assert json.loads(table.schema.metadata[b"unit"]) == "dBm"
    assert table["sequence"].to_pylist() == want.sequence.values.tolist()
    assert table["floor_dbm"].to_numpy().tobytes() == want.floor_dbm.values.tobytes()
    times = table["time"].cast("int64").to_numpy()
    assert np.array_equal(times, want.time.values.astype(np.int64))
    assert str(table.schema.field("time").type) == "timestamp[ns, tz=UTC]"


def test_more_sweeps_than_a_block_are_all_there(tmp_path: Path) -> None:
    """Files are written a block at a time; none is left out or written twice."""
    count, points = 3 * ROWS_AT_ONCE + 5, 7
    level = np.arange(count * points, dtype=np.float32).reshape(count, points)
    data = xr.Dataset(
        {"level": (("sweep", "frequency"), level, {"units": "dBm", "long_name": "level"})},
        {"frequency": np.arange(points) * 1e6, "sequence": ("sweep", np.arange(count))},
    )
    write_netcdf(data, tmp_path / "a.nc")
    with xr.open_dataset(tmp_path / "a.nc") as got:
        assert np.array_equal(got.level.values, level)
        assert np.array_equal(got.sequence.values, np.arange(count))
    write_parquet(data, tmp_path / "a.parquet")
    table = parquet.read_table(tmp_path / "a.parquet")
    assert np.array_equal(np.array(table["level"].to_pylist()), level)


@pytest.mark.parametrize("suffix", [".nc", ".parquet"])
def test_a_summary_is_a_file_without_levels(
    acqd: Any, kept: Path, tmp_path: Path, suffix: str
) -> None:
    path = tmp_path / f"night{suffix}"
    words = ("--job", "calling", "--what", "summary", "-o", str(path))
    assert acqd("export", str(kept / "archive"), *words).code == 0
    if suffix == ".nc":
        with xr.open_dataset(path) as got:
            names = set(map(str, got.variables))
    else:
        names = set(parquet.read_table(path).column_names)
    assert "level" not in names and {"floor_dbm", "sequence", "time"} <= names


def test_parquet_without_pyarrow_is_one_line(
    acqd: Any, kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What to install; nothing is left behind."""
    for name in [name for name in sys.modules if name.partition(".")[0] == "pyarrow"]:
        monkeypatch.setitem(sys.modules, name, None)
    words = ("--job", "calling", "-o", str(tmp_path / "night.parquet"))
    answer = acqd("export", str(kept / "archive"), *words)
    assert answer.code == 1 and "pip install 'acqd[parquet]'" in answer.complaint
    assert not list(tmp_path.iterdir())


def test_a_file_that_was_there_stays_when_a_new_one_fails(
    acqd: Any, kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that fills up in the middle costs the new file, not the old one."""
    path = tmp_path / "night.nc"
    path.write_bytes(b"the old one")
    writes = 0

    def full(*_: Any) -> int:
        nonlocal writes
        writes += 1
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.pwrite", full)
    answer = acqd("export", str(kept / "archive"), "--job", "calling", "-o", str(path))
    assert writes and answer.code == 1 and "No space left on device" in answer.err
    assert path.read_bytes() == b"the old one"
    assert [each.name for each in tmp_path.iterdir()] == ["night.nc"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--format", "netcdf"), "name a file with --output"),
        (("--format", "parquet"), "name a file with --output"),
        (("--what", "gaps", "-o", "gaps.nc"), "--what gaps goes with --format csv"),
        (("--what", "summary", "--format", "touchstone"), "has no S-parameters"),
        (("--seq", "3"), "--seq is for --format touchstone"),
        (("--format", "touchstone"), "job calling is of kind band: Touchstone is for kinds"),
        (("-o", "night.s2p"), "job calling is of kind band: Touchstone is for kinds"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else None,
)
def test_what_does_not_go_together_is_refused(
    acqd: Any, kept: Path, words: tuple[str, ...], said: str
) -> None:
    """Exit code 2, before anything is written."""
    answer = acqd("export", str(kept / "archive"), "--job", "calling", *words)
    assert answer.code == 2 and said in answer.err and not answer.out
