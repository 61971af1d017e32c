"""Files of the archive through readers that nobody here wrote.

Source of truth: the files are netCDF-4 (HDF5 underneath) by the CF conventions 1.11. So plain h5py,
xarray with its engines netcdf4 and h5netcdf, and the tools of the netCDF and HDF5 libraries read
them, headers and data, without a plugin, and agree with what went in.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.archive.records import Batch, FindingRecord, GapRecord, SetupRecord, SweepRecord
from acqd.archive.writer import ArchiveWriter
from acqd.sweep import Hop, SweepFlag
from acqd.testing.clock import ManualClock

START_S = 1_780_000_000.0
SWEEPS = 70
IN_HOPS = "some in hops"


def _tool(name: str) -> str:
    """The path of a tool; without it the test is skipped, and fails where CI is set."""
    found = shutil.which(name)
    if found is None:
        message = f"{name} is not installed (netcdf-bin, hdf5-tools)"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    return found


def _kinds() -> dict[str, tuple[NDArray[Any], NDArray[np.float64], float | None, str]]:
    """Levels, axis, declared step and unit of each file that is read."""
    rng = np.random.default_rng(5)
    points = 23
    even = np.linspace(156e6, 157e6, points)
    codes = np.rint((-100 + 10 * np.log10(rng.exponential(size=(SWEEPS, points)))) / 0.01)
    packed = (codes * 0.01).astype(np.float32)
    holed = packed.copy()
    holed[rng.random(holed.shape) < 0.05] = np.nan
    floats = rng.normal(-80, 7, size=(SWEEPS, points))
    vector = (floats + 1j * rng.normal(size=floats.shape)).astype(np.complex64)
    doubled = np.sort(np.concatenate([even[:20], even[7:10]]))
    return {
        "packed": (packed, even, 0.01, "dBm"),
        "packed with NaN": (holed, even[::-1].copy(), 0.01, "dBm"),
        "wide codes": ((codes * 10.01).astype(np.float32), even, 10.01, "dBµV"),
        "float32": (floats.astype(np.float32), np.geomspace(1e3, 1e9, points), None, "dBFS"),
        "float64": (floats, even, None, "dBm"),
        "complex64": (vector, even, None, "1"),
        "doubled axis": (packed, doubled, 0.01, "digit"),
        IN_HOPS: (packed, even, 0.01, "dBm"),
    }


def _hops_of(row: int) -> tuple[Hop, ...]:
    """Of the sweep in a row of the kind IN_HOPS: every third was taken in hops, two to four."""
    if row % 3:
        return ()
    count = 2 + row % 4 % 3
    return tuple(
        Hop(
            first_point=6 * number,
            points=6 if number < count - 1 else 23 - 6 * number,
            started_s=START_S + row + 0.25 + number / 7,
            took_s=0.1 + number / 3,
            ok=(row + number) % 5 != 4,
        )
        for number in range(count)
    )


KINDS = _kinds()


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], Path]:
    """A segment and a volume of each kind."""
    found: dict[tuple[str, str], Path] = {}
    for number, (kind, (levels, axis, step, unit)) in enumerate(KINDS.items()):
        root = tmp_path_factory.mktemp(f"archive{number}")
        writer = ArchiveWriter.open(
            root,
            station="lookout",
            run_id="run-1",
            clock=ManualClock(START_S),
            keep_free_bytes=0,
            software={"acqd": "0.1.0"},
        )
        writer.begin([])
        batch = _batch(levels, axis, step, unit)
        if kind == IN_HOPS:
            sweeps = tuple(replace(s, hops=_hops_of(i)) for i, s in enumerate(batch.sweeps))
            batch = replace(batch, sweeps=sweeps)
        writer.commit(batch).result(timeout=10)
        writer.rotate([]).result(timeout=10)
        writer.close([], within_s=20.0)
        (segment,) = root.glob("sweeps/*/*/segment_*.nc")
        kept = root / "kept.nc"
        shutil.copy(segment, kept)
        writer = ArchiveWriter.open(
            root, station="lookout", run_id="run-2", clock=ManualClock(START_S), keep_free_bytes=0
        )
        writer.begin([])
        assert writer.merge_due(START_S + 2 * 86400.0).result(timeout=20) == 1
        writer.close([], within_s=20.0)
        (volume,) = root.glob("sweeps/*/*/volume_*.nc")
        found[kind, "segment"], found[kind, "volume"] = kept, volume
    return found


def _batch(levels: NDArray[Any], axis: NDArray[np.float64], step: float | None, unit: str) -> Batch:
    setup = SetupRecord(
        setup="5e7a9c01",
        job="harbour-watch",
        step=0,
        sweeper="mast",
        kind="band",
        frequency_hz=axis,
        unit=unit,
        resolution=step,
        chain_gain_db=np.linspace(-3.0, -1.0, axis.size),
        details={"identity": {"maker": "GANNET", "firmware": "µ2"}, "asked": {"rbw_hz": 1e4}},
    )
    sweeps = tuple(
        SweepRecord(
            job="harbour-watch",
            step=0,
            setup="5e7a9c01",
            seq=i + 1,
            pass_id=i + 1,
            run_id="run-1",
            due_s=START_S + i,
            started_s=START_S + i + 0.25,
            monotonic_s=100.0 + i,
            took_s=0.5,
            boot_id="b1",
            sweeper_time_s=None,
            flags=SweepFlag.LATE if i % 3 else SweepFlag(0),
            level=level,
            columns={"floor_dbm": -100.0 - i},
            summary={"seq": i + 1, "word": "Möwe"},
        )
        for i, level in enumerate(levels)
    )
    finding = FindingRecord(
        job="harbour-watch",
        number=1,
        what="signal_appeared",
        at_s=START_S,
        seq=1,
        text="a signal",
        figures={},
        message=b"{}",
    )
    gap = GapRecord(job="harbour-watch", from_s=START_S, to_s=START_S, count=1, reason="overrun")
    return Batch(setups=(setup,), sweeps=sweeps, findings=(finding,), gaps=(gap,))


CASES = [
    pytest.param(kind, size, id=f"{kind}, {size}")
    for kind in KINDS
    for size in ("segment", "volume")
]


HOP_VARIABLES = (
    "hops",
    "hop_first_point",
    "hop_points",
    "hop_started",
    "hop_duration",
    "hop_ok",
)


def _plain_h5py(path: Path) -> dict[str, NDArray[Any]]:
    """Unpacked by hand, as the CF conventions say (section 8.1)."""
    import h5py

    out = {}
    with h5py.File(path) as file:
        wanted = ("level", "level_real", "level_imag", "frequency", "time", "chain_gain")
        for name in (*wanted, *HOP_VARIABLES):
            if name not in file:
                continue
            variable = file[name]
            values = variable[...]
            if "scale_factor" in variable.attrs:
                missing = values == variable.attrs["_FillValue"]
                values = values * variable.attrs["scale_factor"] + variable.attrs["add_offset"]
                values[missing] = np.nan
            out[name] = values
    return out


def _xarray(engine: str) -> Callable[[Path], dict[str, NDArray[Any]]]:
    def read(path: Path) -> dict[str, NDArray[Any]]:
        import xarray as xr

        with xr.open_dataset(path, engine=engine) as data:
            out = {str(name): data[name].values for name in data.variables}
        for name in {"time", "hop_started"} & set(out):
            out[name] = (out[name] - np.datetime64(0, "s")) / np.timedelta64(1, "s")
        return out

    return read


def _netcdf4(path: Path) -> dict[str, NDArray[Any]]:
    import netCDF4

    with netCDF4.Dataset(path) as data:
        return {
            name: np.ma.filled(variable[...].astype(np.float64), np.nan)
            for name, variable in data.variables.items()
            if variable.dtype != str
        }


READERS: dict[str, Callable[[Path], dict[str, NDArray[Any]]]] = {
    "h5py": _plain_h5py,
    "xarray, netcdf4": _xarray("netcdf4"),
    "xarray, h5netcdf": _xarray("h5netcdf"),
    "netCDF4": _netcdf4,
}


@pytest.mark.source("h5py, xarray, netCDF4 and h5netcdf", "compared")
@pytest.mark.parametrize("reader", READERS.values(), ids=READERS.keys())
@pytest.mark.parametrize(("kind", "size"), CASES)
def test_libraries_read_what_went_in(
    files: dict[tuple[str, str], Path],
    kind: str,
    size: str,
    reader: Callable[[Path], dict[str, NDArray[Any]]],
) -> None:
    """Levels (as float32 where they were that, bit for bit), axis, times and chain."""
    levels, axis, _, _ = KINDS[kind]
    found = reader(files[kind, size])
    if np.iscomplexobj(levels):
        given = {"level_real": levels.real, "level_imag": levels.imag}
    else:
        given = {"level": levels}
    for name, values in given.items():
        assert np.array_equal(found[name].astype(values.dtype), values, equal_nan=True), name
    assert np.array_equal(found["frequency"], axis)
    # xarray makes nanoseconds of them in float64, which are then a multiple of 256.
    assert np.abs(found["time"] - (START_S + np.arange(SWEEPS) + 0.25)).max() < 5e-7
    assert np.array_equal(found["chain_gain"], np.linspace(-3.0, -1.0, axis.size))


@pytest.mark.source("h5py, xarray, netCDF4 and h5netcdf", "compared")
@pytest.mark.parametrize("engine", ["netcdf4", "h5netcdf"])
@pytest.mark.parametrize(("kind", "size"), CASES)
def test_xarray_sees_dimensions_coordinates_and_attributes(
    files: dict[tuple[str, str], Path], kind: str, size: str, engine: Any
) -> None:
    """No phony dimensions; time and sequence are coordinates; text is text; the group opens."""
    import xarray as xr

    path = files[kind, size]
    with xr.open_dataset(path, engine=engine) as data:
        axis = "point" if kind == "doubled axis" else "frequency"
        name = "level_real" if kind == "complex64" else "level"
        assert data[name].dims == ("sweep", axis)
        assert {"time", "sequence", "frequency"} <= set(data[name].coords)
        assert not any("phony" in str(dimension) for dimension in data.dims)
        assert data.attrs["job"] == "harbour-watch"
        assert data.attrs["identity_firmware"] == "µ2"
        assert data.attrs["level_unit"] == KINDS[kind][3]
        assert data["floor_dbm"].values[3] == -103.0
        assert data["sequence"].values.tolist() == list(range(1, SWEEPS + 1))
        masks = dict(
            zip(
                data["flags"].attrs["flag_meanings"].split(),
                data["flags"].attrs["flag_masks"],
                strict=True,
            )
        )
        late = data["flags"].values & masks["late"] != 0
        assert late.tolist() == [bool(i % 3) for i in range(SWEEPS)]
        line = data["summary_json"].values[: int(data["summary_json_end"][0])].tobytes()
        assert line.decode() == '{"seq":1,"word":"Möwe"}\n'
    with xr.open_dataset(path, engine=engine, group="ledger") as ledger:
        assert "signal_appeared" in str(ledger["finding_json"].values[0])
        assert "overrun" in str(ledger["gap_json"].values[0])


@pytest.mark.source("ncdump and h5dump", "compared")
@pytest.mark.parametrize(("kind", "size"), CASES)
def test_ncdump_reads_header_data_and_times(
    files: dict[tuple[str, str], Path], kind: str, size: str
) -> None:
    """``-h`` for the header, ``-t`` shows dates, and the levels' numbers are those stored."""
    path, (levels, _, step, _) = files[kind, size], KINDS[kind]
    tool = _tool("ncdump")
    header = _run(tool, "-h", path)
    assert f"sweep = {SWEEPS} ;" in header
    assert "phony" not in header
    assert 'time:standard_name = "time" ;' in header
    assert ':Conventions = "CF-1.11, ACDD-1.3" ;' in header
    if kind == "packed":
        assert "short level(sweep, frequency) ;" in header
        assert "level:scale_factor = 0.01 ;" in header
    assert '"2026-05-28 20:26:40.250000' in _run(tool, "-t", "-v", "time", path)
    if np.iscomplexobj(levels):
        levels = levels.real
    name = "level_real" if kind == "complex64" else "level"
    text = _run(tool, "-p", "9,17", "-v", name, path).split("data:")[1]
    shown = re.findall(r"_|NaNf?|-?[\d.]+(?:e[-+]?\d+)?", text.split(f"{name} =")[1].split(";")[0])
    values = np.array([np.nan if one in "_NaNf" else float(one) for one in shown])
    unpacked = values * step if step else values
    assert np.array_equal(
        unpacked.astype(levels.dtype).reshape(levels.shape), levels, equal_nan=True
    )


@pytest.mark.source("ncdump and h5dump", "compared")
@pytest.mark.parametrize(("kind", "size"), CASES)
def test_h5dump_reads_the_data(
    files: dict[tuple[str, str], Path], kind: str, size: str, tmp_path: Path
) -> None:
    """The tool of the HDF5 library inflates the chunks that we made without it."""
    levels, _, step, _ = KINDS[kind]
    if np.iscomplexobj(levels):
        levels = levels.imag
    name = "level_imag" if kind == "complex64" else "level"
    out = tmp_path / "level.bin"
    _run(_tool("h5dump"), "-d", f"/{name}", "-b", "LE", "-o", out, files[kind, size])
    data = out.read_bytes()
    if step:
        codes = np.frombuffer(data, "<i2" if len(data) == 2 * levels.size else "<i4")
        missing = codes == np.iinfo(codes.dtype).min
        values = np.where(missing, np.nan, codes * step)
    else:
        values = np.frombuffer(data, levels.dtype)
    assert np.array_equal(values.astype(levels.dtype).reshape(levels.shape), levels, equal_nan=True)


@pytest.mark.source("the netCDF library, by netCDF4", "compared")
@pytest.mark.parametrize(("kind", "size"), CASES)
def test_a_copy_can_be_extended_by_the_netcdf_library(
    files: dict[tuple[str, str], Path], kind: str, size: str, tmp_path: Path
) -> None:
    """A variable can be added to a copy: netCDF-4 needs the order of creation for that."""
    import netCDF4

    path = tmp_path / "copy.nc"
    shutil.copy(files[kind, size], path)
    with netCDF4.Dataset(path, "a") as data:
        added = data.createVariable("remark", "f8", ("sweep",))
        added[:] = np.arange(SWEEPS)
        data.history = "remarked"
    with netCDF4.Dataset(path) as data:
        assert data["remark"][5] == 5.0
        names = list(data.variables)
    assert names.index("frequency") < names.index("time") < names.index("remark")


def _given_hops() -> list[Hop]:
    return [hop for row in range(SWEEPS) for hop in _hops_of(row)]


SIZES = ["segment", "volume"]


@pytest.mark.source("CF conventions 1.11, 9.3.3", "compared")
@pytest.mark.parametrize("reader", READERS.values(), ids=READERS.keys())
@pytest.mark.parametrize("size", SIZES)
def test_libraries_read_the_hops(
    files: dict[tuple[str, str], Path],
    size: str,
    reader: Callable[[Path], dict[str, NDArray[Any]]],
) -> None:
    """As a contiguous ragged array (CF conventions 9.3.3): counts, and the hops one by one."""
    found, given = reader(files[IN_HOPS, size]), _given_hops()
    assert found["hops"].tolist() == [len(_hops_of(row)) for row in range(SWEEPS)]
    assert found["hop_first_point"].tolist() == [hop.first_point for hop in given]
    assert found["hop_points"].tolist() == [hop.points for hop in given]
    assert found["hop_duration"].tolist() == [hop.took_s for hop in given]
    assert found["hop_ok"].tolist() == [hop.ok for hop in given]
    # xarray makes nanoseconds of times in float64, which are then a multiple of 256.
    assert np.abs(found["hop_started"] - [hop.started_s for hop in given]).max() < 5e-7
    # The hops of one sweep, as the conventions have a reader find them.
    last = int(found["hops"][:67].sum())
    assert found["hop_duration"][last - len(_hops_of(66)) : last].tolist() == [
        hop.took_s for hop in _hops_of(66)
    ]


@pytest.mark.source("xarray with the engines netcdf4 and h5netcdf", "compared")
@pytest.mark.parametrize("engine", ["netcdf4", "h5netcdf"])
@pytest.mark.parametrize("size", SIZES)
def test_xarray_sees_hops_along_a_dimension_of_their_own(
    files: dict[tuple[str, str], Path], size: str, engine: Any
) -> None:
    """Named by the count's ``sample_dimension``; no phony dimensions; flags say what they mean."""
    import xarray as xr

    with xr.open_dataset(files[IN_HOPS, size], engine=engine) as data:
        assert data["hops"].dims == ("sweep",)
        assert data["hops"].attrs["sample_dimension"] == "hop"
        assert {data[name].dims for name in HOP_VARIABLES[1:]} == {("hop",)}
        assert data.sizes["hop"] == len(_given_hops())
        assert data["hop_started"].dtype.kind == "M"
        assert data["hop_ok"].attrs["flag_meanings"].split() == ["failed", "taken"]
        assert data["hop_ok"].attrs["flag_values"].tolist() == [0, 1]


@pytest.mark.source("ncdump and h5dump", "compared")
@pytest.mark.parametrize("size", SIZES)
def test_tools_read_the_hops(files: dict[tuple[str, str], Path], size: str, tmp_path: Path) -> None:
    """``ncdump`` the header and the times, ``h5dump`` every bit of them."""
    path, given = files[IN_HOPS, size], _given_hops()
    header = _run(_tool("ncdump"), "-h", path)
    assert f"hop = {len(given)} ;" in header
    assert "int hops(sweep) ;" in header
    assert 'hops:sample_dimension = "hop" ;' in header
    assert "double hop_started(hop) ;" in header
    assert "byte hop_ok(hop) ;" in header
    assert '"2026-05-28 20:26:40.392857' in _run(_tool("ncdump"), "-t", "-v", "hop_started", path)
    for name, field in (("hop_started", "started_s"), ("hop_duration", "took_s")):
        out = tmp_path / f"{name}.bin"
        _run(_tool("h5dump"), "-d", f"/{name}", "-b", "LE", "-o", out, path)
        assert np.frombuffer(out.read_bytes(), "<f8").tolist() == [
            getattr(hop, field) for hop in given
        ]


@pytest.mark.source("xarray with the engines netcdf4 and h5netcdf", "compared")
@pytest.mark.parametrize("size", SIZES)
def test_files_without_hops_do_not_speak_of_them(
    files: dict[tuple[str, str], Path], size: str
) -> None:
    """Neither a dimension nor a variable."""
    header = _run(_tool("ncdump"), "-h", files["packed", size])
    assert re.findall(r"\bhop(?:s\b|_(?!failed))\w*|\bhop =", header) == []


def _run(*words: str | Path) -> str:
    done = subprocess.run([str(word) for word in words], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    assert not done.stderr, done.stderr.decode()
    return done.stdout.decode()
