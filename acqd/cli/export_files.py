"""Exports that are files of their own: netCDF-4 and Parquet, written whole or not at all.

Levels are taken a block of sweeps at a time, so a night needs no more memory than a minute.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["published", "write_netcdf", "write_parquet"]

ROWS_AT_ONCE = 64
"""Sweeps that are held in memory at a time."""

NO_TIME = np.iinfo(np.int64).min
"""NaT as an integer, and the fill value of times."""


@contextmanager
def published(path: str) -> Iterator[Path]:
    """A new name beside ``path`` to write to, which takes its place when all went well.

    Raises:
        AcqdError: the file cannot be written.
    """
    from acqd.errors import AcqdError

    target = Path(path)
    beside = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        yield beside
        with beside.open("rb") as file:
            os.fsync(file.fileno())
        beside.replace(target)
    except OSError as exc:
        raise AcqdError(
            f"{path}: cannot be written: {exc.strerror or exc}; make room, or name a file elsewhere"
        ) from exc
    finally:
        beside.unlink(missing_ok=True)


def refuse_unwritable(path: str) -> None:
    """See, before hours of sweeps are read, that a file of this name can be made.

    Raises:
        AcqdError: it is a folder, or in none that can be written to.
    """
    from acqd.errors import AcqdError

    target = Path(path)
    what = ""
    if target.is_dir():
        what = "is a folder; give the file a name in it"
    elif not target.parent.is_dir():
        what = f"there is no folder {target.parent}; make it, or name another"
    else:
        beside = target.with_name(f".{target.name}.{os.getpid()}.part")
        try:
            beside.touch()
            beside.unlink()
        except OSError as exc:
            what = f"cannot be written: {exc.strerror or exc}; name a file elsewhere"
    if what:
        raise AcqdError(f"{path}: {what}")


def _blocks(sweeps: int) -> Iterator[slice]:
    for first in range(0, sweeps, ROWS_AT_ONCE):
        yield slice(first, min(sweeps, first + ROWS_AT_ONCE))


# -- netCDF-4 -------------------------------------------------------------------------------------


def write_netcdf(data: xr.Dataset, path: Path) -> None:
    """A Dataset of :meth:`Archive.sweeps` as one netCDF-4 file that xarray opens to the same.

    By CF conventions: times are whole nanoseconds since 1970, complex levels two variables of
    floats, flags as masks. Made with h5py alone.

    Raises:
        OSError: it cannot be written.
    """
    import h5py

    from acqd.archive.cf import dimension, put
    from acqd.archive.outfile import OutFile

    with OutFile(path) as out:
        with h5py.File(out, "w", libver=("v108", "v110"), track_order=True) as file:
            put(file.attrs, "Conventions", "CF-1.11")
            for name, value in data.attrs.items():
                _put_any(file.attrs, str(name), value)
            scales = {
                str(name): dimension(file, str(name), size)
                for name, size in data.sizes.items()
                if name not in data.variables
            }
            for name in sorted(map(str, data.variables), key=lambda each: each not in data.dims):
                _put_variable(file, data, name, scales)
            out.check()
        out.check()


def _put_any(attrs: Any, name: str, value: Any) -> None:
    """One attribute; texts in a list as netCDF-4 has them."""
    import h5py

    from acqd.archive.cf import put

    if isinstance(value, list | tuple) and value and isinstance(value[0], str):
        attrs.create(name, np.array(value, dtype=object), dtype=h5py.string_dtype())
    else:
        put(attrs, name, value)


def _put_variable(file: Any, data: xr.Dataset, name: str, scales: dict[str, Any]) -> None:
    variable = data.variables[name]
    if variable.dtype.kind == "c":
        for part, take in (("real", np.real), ("imag", np.imag)):
            _put_one(file, data, f"{name}_{part}", name, scales, take=take)
        return
    _put_one(file, data, name, name, scales)


def _put_one(
    file: Any,
    data: xr.Dataset,
    name: str,
    source: str,
    scales: dict[str, Any],
    *,
    take: Callable[[Any], Any] = np.asarray,
) -> None:
    import h5py

    variable = data.variables[source]
    kind = variable.dtype.kind
    is_large = variable.ndim == 2
    options: dict[str, Any] = {}
    if is_large:
        rows = min(variable.shape[0], ROWS_AT_ONCE)
        options = {"chunks": (rows, variable.shape[1]), "shuffle": True, "compression": "gzip"}
        options["compression_opts"] = 4
    dtype: Any = {"M": np.dtype("<i8"), "b": np.dtype("i1"), "O": h5py.string_dtype()}.get(kind)
    if dtype is None:
        dtype = h5py.string_dtype() if kind == "U" else take(np.zeros(0, variable.dtype)).dtype
    made = file.create_dataset(name, shape=variable.shape, dtype=dtype, **options)
    for rows_of in _blocks(variable.shape[0]) if is_large else (slice(None),):
        made[rows_of] = _plain(take(variable[rows_of].values))
    _put_about(made, data, name, source)
    if (name,) == variable.dims:
        made.make_scale(name)
        scales[name] = made
        return
    for axis, dim in enumerate(map(str, variable.dims)):
        made.dims[axis].attach_scale(scales[dim])


def _plain(values: Any) -> Any:
    if values.dtype.kind == "M":
        return values.astype("M8[ns]").astype(np.int64)
    return values.astype(np.int8) if values.dtype.kind == "b" else values


def _put_about(made: Any, data: xr.Dataset, name: str, source: str) -> None:
    from acqd.archive.cf import CF_UNITS, put

    variable = data.variables[source]
    about = dict(variable.attrs)
    if variable.dtype.kind == "M":
        made.attrs["_FillValue"] = np.int64(NO_TIME)
        about["units"] = "nanoseconds since 1970-01-01T00:00:00Z"
        about["calendar"] = "standard"
    elif variable.dtype.kind == "b":
        about["dtype"] = "bool"
    if source == "level":
        about["quantity"] = about["units"]
        about["units"] = CF_UNITS.get(str(about["units"]), "1")
    if name != source:
        about["long_name"] = f"{name.rpartition('_')[2]} part of the {about['long_name']}"
    for key, value in about.items():
        if isinstance(value, list):
            value = np.array(value, dtype=np.int32)
        _put_any(made.attrs, str(key), value)
    beside = [
        str(each)
        for each in data.coords
        if each not in data.dims and set(data[each].dims) <= set(variable.dims)
    ]
    if source not in data.coords and beside:
        put(made.attrs, "coordinates", " ".join(beside))


# -- Parquet --------------------------------------------------------------------------------------


def write_parquet(data: xr.Dataset, path: Path) -> None:
    """A Dataset of :meth:`Archive.sweeps` as a Parquet table: a row a sweep, its levels a list.

    The frequencies, which all rows share, are in the file's metadata under ``frequency_hz``, JSON;
    beside them what else holds for all.

    Raises:
        click.ClickException: pyarrow is not installed.
        OSError: it cannot be written.
    """
    arrow, parquet = _arrow("pyarrow"), _arrow("pyarrow.parquet")
    names = [
        str(name)
        for name in data.variables
        if data[name].dims[:1] == ("sweep",) and name not in ("sweep", "level")
    ]
    schema: Any = None
    writer: Any = None
    try:
        for rows in _blocks(data.sizes["sweep"]):
            block = data.isel(sweep=rows)
            columns = {name: _column(arrow, block[name].values) for name in names}
            columns |= _level_columns(arrow, block)
            table = arrow.table(columns)
            if schema is None:
                schema = table.schema.with_metadata(_metadata(data))
                writer = parquet.ParquetWriter(path, schema, compression="zstd")
            writer.write_table(table.cast(schema))
    finally:
        if writer is not None:
            writer.close()


def _arrow(name: str) -> Any:
    """A module of pyarrow, which is an extra of acqd's."""
    try:
        return import_module(name)
    except ImportError as exc:
        raise click.ClickException(
            "Parquet needs pyarrow, which is not installed: pip install 'acqd[parquet]'"
        ) from exc


def _column(arrow: Any, values: Any) -> Any:
    if values.dtype.kind == "M":
        return arrow.array(values, type=arrow.timestamp("ns", tz="UTC"))
    return arrow.array(values.tolist() if values.dtype.kind == "O" else values)


def _level_columns(arrow: Any, block: xr.Dataset) -> dict[str, Any]:
    if "level" not in block:
        return {}
    levels = block["level"].values
    parts = {"level": levels}
    if np.iscomplexobj(levels):
        parts = {"level_real": levels.real, "level_imag": levels.imag}
    return {
        name: arrow.FixedSizeListArray.from_arrays(
            arrow.array(np.ascontiguousarray(part).reshape(-1)), part.shape[1]
        )
        for name, part in parts.items()
    }


def _metadata(data: xr.Dataset) -> dict[str, str]:
    """What holds for all rows. A part of a sweep's units stands in its name or here."""
    found = {str(key): json.dumps(value, ensure_ascii=False) for key, value in data.attrs.items()}
    found["frequency_hz"] = json.dumps(data["frequency"].values.tolist())
    if "chain_gain" in data.coords:
        found["chain_gain_db"] = json.dumps(data["chain_gain"].values.tolist())
    return found
