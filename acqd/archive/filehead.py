"""What a file of sweeps has before its first sweep: attributes, dimensions, axis, chain, levels."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from acqd.archive.cf import CF_UNITS, dimension, iso_text, put, scalars
from acqd.archive.layout import SCHEMA_VERSION
from acqd.archive.packing import Packing
from acqd.archive.records import SetupRecord
from acqd.archive.rows import Rows
from acqd.archive.tables import TAGS

__all__ = ["FileContent", "make_axes", "make_levels", "put_attributes"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FileContent:
    """What one file is to hold. ``blocks(n)`` gives its rows n at a time, anew at each call."""

    kind: str
    station: str
    setup: SetupRecord
    tag: str
    count: int
    blocks: Callable[[int], Iterator[Rows]]
    ledger: Mapping[str, list[Any]] = field(default_factory=dict)
    software: Mapping[str, str] = field(default_factory=dict)
    written_s: float = 0.0


def put_attributes(attrs: Any, content: FileContent) -> None:
    """The file's own attributes."""
    setup = content.setup
    texts = {
        "Conventions": "CF-1.11, ACDD-1.3",
        "title": f"Sweeps of job {setup.job}",
        "summary": f"Raw levels at the input of sweeper {setup.sweeper}, with all that is "
        f"needed to trust them later.",
        "source": f"acqd {content.software.get('acqd', '')}".strip(),
        "station": content.station,
        "job": setup.job,
        "kind": setup.kind,
        "setup": setup.setup,
        "sweeper": setup.sweeper,
        "level_unit": setup.unit,
        "level_type": content.tag,
        "file_kind": content.kind,
        "date_created": iso_text(content.written_s),
    }
    for name, value in texts.items():
        put(attrs, name, value)
    attrs["acqd_schema"] = np.int32(SCHEMA_VERSION)
    attrs["step"] = np.int32(setup.step)
    if setup.resolution is not None:
        attrs["resolution"] = np.float64(setup.resolution)
    for section in ("identity", "asked", "reported"):
        for key, value in scalars(setup.details.get(section)):
            put(attrs, f"{section}_{key}", value)
    # JSON grows with the config, so it is a string of variable length from the start.
    attrs["software_json"] = json.dumps(dict(content.software))
    attrs["details_json"] = json.dumps(setup.details, ensure_ascii=False)


def make_axes(file: Any, content: FileContent) -> Any:
    """Dimensions, frequencies and the chain's gain; returns the scale of the levels' points."""
    setup = content.setup
    axis = setup.frequency_hz
    steps = np.diff(axis)
    strict = axis.size == 1 or bool((steps > 0).all()) or bool((steps < 0).all())
    dimension(file, "sweep", content.count)
    if not strict:
        dimension(file, "point", axis.size)
    frequency = file.create_dataset("frequency", data=axis.astype("<f8"))
    point = frequency if strict else file["point"]
    put(frequency.attrs, "standard_name", "radiation_frequency")
    put(frequency.attrs, "long_name", "frequency")
    put(frequency.attrs, "units", "Hz")
    if strict:
        frequency.make_scale("frequency")
    else:
        frequency.dims[0].attach_scale(point)
    if setup.chain_gain_db is not None:
        gain = file.create_dataset("chain_gain", data=setup.chain_gain_db.astype("<f8"))
        gain.dims[0].attach_scale(point)
        put(gain.attrs, "units", "1")
        put(
            gain.attrs,
            "long_name",
            "gain in dB from the reference plane to the sweeper's input; a loss is negative",
        )
        put(gain.attrs, "comment", "level at the reference plane = level - chain_gain")
        if not strict:
            put(gain.attrs, "coordinates", "frequency")
    return point


def make_levels(
    file: Any, content: FileContent, packing: Packing, *, point: Any, rows: int
) -> list[Any]:
    """The level variables, in chunks of ``rows`` sweeps, with nothing in them yet."""
    setup = content.setup
    is_complex = content.tag.startswith("<c")
    names = ("level_real", "level_imag") if is_complex else ("level",)
    out = []
    for name in names:
        if packing.step is None:
            dtype = np.zeros(0, dtype=TAGS[content.tag]).real.dtype.newbyteorder("<")
        else:
            dtype = np.dtype(f"<i{packing.width}")
        level = file.create_dataset(
            name,
            shape=(content.count, setup.frequency_hz.size),
            dtype=dtype,
            chunks=(rows, setup.frequency_hz.size),
            shuffle=True,
            compression="gzip",
            compression_opts=6,
            fillvalue=packing.missing,
        )
        level.dims[0].attach_scale(file["sweep"])
        level.dims[1].attach_scale(point)
        part = {"level_real": "real part of the ", "level_imag": "imaginary part of the "}
        put(level.attrs, "long_name", part.get(name, "") + "level at the sweeper's input")
        put(level.attrs, "units", CF_UNITS.get(setup.unit, "1"))
        put(level.attrs, "quantity", setup.unit)
        if packing.step is not None:
            level.attrs["scale_factor"] = np.float64(packing.step)
            level.attrs["add_offset"] = np.float64(0.0)
            level.attrs["_FillValue"] = dtype.type(packing.missing)
        put(level.attrs, "ancillary_variables", "flags")
        # A frequency that is a dimension of its own need not be named.
        put(
            level.attrs,
            "coordinates",
            "time sequence frequency" if "point" in file else "time sequence",
        )
        out.append(level)
    return out
