"""How the CF conventions and netCDF-4 want things said: names, units, attributes, dimensions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from acqd.archive.records import CONTEXT

__all__ = [
    "ABOUT_CORE",
    "ABOUT_HOPS",
    "CF_UNITS",
    "PURE_DIMENSION",
    "TIMES",
    "column_attributes",
    "dimension",
    "free_name",
    "iso_text",
    "put",
    "scalars",
]

PURE_DIMENSION = "This is a netCDF dimension but not a netCDF variable.{:10d}"
"""What netCDF-4 calls the scale of a dimension that has no variable (netCDF-4 file format)."""

ATTRIBUTE_MOST_BYTES = 32_000
"""Longer texts go into a string of variable length: HDF5 has 64 kB for a fixed one."""

CF_UNITS = {"dBm": "dBm", "dBµV": "dBµV"}
"""Level units that UDUNITS knows; the others are ratios to it, and ``level_unit`` says which."""

ABOUT_CORE: dict[str, dict[str, str]] = {
    "sequence": {"long_name": "number of the sweep in its job, never used twice", "units": "1"},
    "event": {"long_name": "ordinal of the sweep among all events of the archive", "units": "1"},
    "pass": {"long_name": "sequence number of the first sweep of the pass", "units": "1"},
    "due": {"long_name": "time at which the pass was due"},
    "time": {"standard_name": "time", "long_name": "start of the sweep, by the station's clock"},
    "monotonic": {
        "long_name": "start of the sweep in seconds since the boot named by the variable boot",
        "units": "s",
    },
    "duration": {"long_name": "time the sweep took", "units": "s"},
    "sweeper_time": {"long_name": "the sweeper's own time stamp"},
    "flags": {"standard_name": "status_flag", "long_name": "what to know before trusting a sweep"},
}
ABOUT_HOPS: dict[str, dict[str, str]] = {
    "first_point": {"long_name": "point of the sweep that the hop begins at, from 0", "units": "1"},
    "points": {"long_name": "points of the sweep that the hop gave", "units": "1"},
    "started": {"long_name": "start of the hop, by the station's clock"},
    "duration": {"long_name": "time the hop took", "units": "s"},
    "ok": {"standard_name": "status_flag", "long_name": "whether the hop gave levels"},
}
TIMES = {"due", "time", "sweeper_time", "hop_started"}


def put(attrs: Any, name: str, value: Any) -> None:
    """Set one attribute; text as bytes of fixed length, which every reader takes for CF text."""
    import h5py

    if isinstance(value, bool):
        value = np.int8(value)
    if not isinstance(value, str):
        attrs[name] = value
        return
    data = value.encode()
    if not data:
        return
    if len(data) > ATTRIBUTE_MOST_BYTES:
        attrs[name] = value
        return
    attrs.create(name, np.bytes_(data), dtype=h5py.string_dtype("utf-8", len(data)))


def scalars(section: Any) -> Iterator[tuple[str, Any]]:
    """The plain values of one section of a setup's details."""
    if isinstance(section, Mapping):
        for key, value in section.items():
            if isinstance(value, bool | int | float | str):
                yield key, value


def dimension(group: Any, name: str, size: int) -> Any:
    """A dimension without a variable, in a file or a group; returns its scale."""
    scale = group.create_dataset(name, shape=(size,), dtype=">f4")
    scale.make_scale(PURE_DIMENSION.format(size))
    return scale


def free_name(name: str, taken: set[str]) -> str:
    """A name for a column that netCDF takes and nobody has yet."""
    clean = "".join(c if c.isascii() and (c.isalnum() or c == "_") else "_" for c in name)
    if not clean or not clean[0].isalpha():
        clean = "column_" + clean
    while clean in taken:
        clean = "summary_" + clean
    taken.add(clean)
    return clean


def iso_text(at_s: float) -> str:
    return str(np.datetime64(int(at_s * 1000), "ms")) + "Z"


def column_attributes(name: str, details: Mapping[str, Any]) -> dict[str, str]:
    """What is said of a column beside its values: of a context its title and its unit.

    ``details`` are those of a setup.
    """
    told = details.get("context", {}).get(name.removeprefix(CONTEXT))
    if not name.startswith(CONTEXT) or told is None:
        return {"long_name": f"{name} of the summary"}
    found = {"long_name": told["title"] or name.removeprefix(CONTEXT)}
    return {**found, "units": told["unit"]} if told["unit"] else found
