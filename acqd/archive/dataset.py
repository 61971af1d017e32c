"""From pieces to an xarray Dataset. Imports xarray, so it is imported when a question needs it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from xarray.core import indexing

from acqd.archive.amendments import amendment_text, numbers_of, recorded_digest
from acqd.archive.cf import column_attributes
from acqd.archive.hops import HOP_COUNT, HOP_NAMES, HopTable
from acqd.archive.index import Piece, Wanted
from acqd.archive.lazy import LevelArray
from acqd.archive.records import SetupRecord
from acqd.archive.timing import correction_text
from acqd.errors import ArchiveError
from acqd.sweep import SweepFlag

__all__ = ["dataset_of"]

NAMES_SHOWN = 6

AMENDMENT = "chain_amendment"

CORRECTION, SHIFT = "clock_correction", "clock_shift"


def dataset_of(wanted: Wanted, pieces: list[Piece], *, far_end: bool) -> xr.Dataset:
    """All sweeps of the pieces, in the order of their numbers, levels lazy.

    Raises:
        ArchiveError: the pieces have different grids or units.
    """
    _check_alike(wanted, pieces)
    setup = pieces[0].setup
    sequence = np.concatenate([piece.sequence for piece in pieces])
    order = np.argsort(sequence, kind="stable")
    point = "frequency" if _strict(setup.frequency_hz) else "point"

    def joined(name: str) -> NDArray[Any]:
        return np.concatenate([piece.core[name] for piece in pieces])[order]

    # What was measured again is of this process; levels can be read by another.
    levels = LevelArray(replace(wanted, again=None), pieces, order, far_end=far_end)
    named = "start of the sweep, by the station's clock"
    if any(piece.corrected is not None for piece in pieces):
        named += ", corrected where it was wrong"
    times = {"long_name": named}
    coords: dict[str, Any] = {
        "time": ("sweep", _datetimes(joined("time")), times),
        "sequence": ("sweep", sequence[order], {"long_name": "number of the sweep in its job"}),
        "frequency": (point, setup.frequency_hz, {"units": "Hz", "long_name": "frequency"}),
        "setup": ("sweep", _repeated([recorded_digest(p.setup) for p in pieces], pieces)[order]),
    }
    variables: dict[str, Any] = {
        "level": xr.Variable(
            ("sweep", point),
            indexing.LazilyIndexedArray(levels),
            {"units": setup.unit, "long_name": _level_name(far_end)},
        ),
        "started": ("sweep", joined("time"), {"units": "s", "long_name": "seconds since 1970"}),
        "duration": ("sweep", joined("duration"), {"units": "s"}),
        "due": ("sweep", _datetimes(joined("due"))),
        "pass": ("sweep", joined("pass")),
        "event": ("sweep", joined("event")),
        "monotonic": ("sweep", joined("monotonic"), {"units": "s"}),
        "sweeper_time": ("sweep", _datetimes(joined("sweeper_time"))),
        "flags": ("sweep", joined("flags"), _flag_attributes()),
        "run": ("sweep", np.concatenate([piece.run for piece in pieces])[order]),
        "boot": ("sweep", np.concatenate([piece.boot for piece in pieces])[order]),
    }
    _add_hops(variables, coords, pieces, order)
    for name, values in _columns(pieces).items():
        # A column may be called like one of ours; the sweep's own facts keep their names.
        taken = {*variables, *coords, *HOP_NAMES}
        variables[name if name not in taken else f"summary_{name}"] = (
            "sweep",
            values[order],
            column_attributes(name, pieces[-1].setup.details),
        )
    gain = _common_gain(pieces)
    if gain is not None:
        coords["chain_gain"] = (point, gain, {"units": "dB"})
    attributes = {
        "job": wanted.job,
        "step": wanted.step,
        "kind": setup.kind,
        "sweeper": setup.sweeper,
        "unit": setup.unit,
        "plane": "far end" if far_end else "input",
        "setups": list(dict.fromkeys(recorded_digest(piece.setup) for piece in pieces)),
    }
    _add_amendments(wanted, pieces, order, coords, attributes)
    _add_corrections(wanted, pieces, order, coords, attributes)
    return xr.Dataset(variables, coords, attributes)


def _add_hops(
    variables: dict[str, Any],
    coords: dict[str, Any],
    pieces: list[Piece],
    order: NDArray[np.intp],
) -> None:
    """The number of hops of each sweep; where there are any, one row each along ``hop``."""
    hops = HopTable.join([piece.hops for piece in pieces], [piece.place.size for piece in pieces])
    about = {"long_name": "number of hops that the sweep was taken in; 0: in one go"}
    if hops is not None:
        hops = hops.select(order)
    if hops is None:
        variables[HOP_COUNT] = ("sweep", np.zeros(order.size, dtype=np.int32), about)
        return
    variables[HOP_COUNT] = ("sweep", hops.count, about)
    sequence = np.repeat(coords["sequence"][1], hops.count)
    coords["hop_sequence"] = ("hop", sequence, {"long_name": "number of the hop's sweep"})
    variables["hop_first_point"] = ("hop", hops.column("first_point"))
    variables["hop_points"] = ("hop", hops.column("points"))
    variables["hop_started"] = ("hop", _datetimes(hops.column("started")))
    variables["hop_duration"] = ("hop", hops.column("duration"), {"units": "s"})
    variables["hop_ok"] = ("hop", hops.column("ok").astype(bool))


def _add_amendments(
    wanted: Wanted,
    pieces: list[Piece],
    order: NDArray[np.intp],
    coords: dict[str, Any],
    attributes: dict[str, Any],
) -> None:
    """Which amendments of the chain are in which sweeps' levels at the far end, where any are."""
    numbers = [numbers_of(piece.setup) for piece in pieces]
    if wanted.amendments is None or not any(numbers):
        return
    last = [max(one, default=0) for one in numbers]
    values = np.repeat(np.array(last, np.int32), [piece.place.size for piece in pieces])
    about = {"long_name": "number of the last amendment that is in the chain; 0: as recorded"}
    coords[AMENDMENT] = ("sweep", values[order], about)
    attributes[AMENDMENT] = [
        amendment_text(one) for one in wanted.amendments.named(n for some in numbers for n in some)
    ]


def _add_corrections(
    wanted: Wanted,
    pieces: list[Piece],
    order: NDArray[np.intp],
    coords: dict[str, Any],
    attributes: dict[str, Any],
) -> None:
    """By how much the times of which sweeps were moved, and by which correction, where any were."""
    if wanted.times is None or all(piece.corrected is None for piece in pieces):
        return
    moved = [
        (one.number, one.shift_s)
        if (one := piece.corrected) is not None
        else (np.zeros(piece.place.size, np.int32), np.zeros(piece.place.size))
        for piece in pieces
    ]
    number = np.concatenate([one for one, _ in moved])[order]
    shift_s = np.concatenate([one for _, one in moved])[order]
    about = {"long_name": "number of the correction of the clock; 0: the time is as recorded"}
    coords[CORRECTION] = ("sweep", number, about)
    told = {"units": "s", "long_name": "what was added to the time that the clock showed"}
    coords[SHIFT] = ("sweep", shift_s, told)
    made = wanted.times.named(np.unique(number).tolist())
    attributes[CORRECTION] = [correction_text(one) for one in made]


def _check_alike(wanted: Wanted, pieces: list[Piece]) -> None:
    kinds: dict[tuple[bytes, str, bool], list[SetupRecord]] = {}
    for piece in pieces:
        setup = piece.setup
        key = (setup.frequency_hz.tobytes(), setup.unit, piece.tag.startswith("<c"))
        kinds.setdefault(key, []).append(setup)
    if len(kinds) < 2:
        return
    seen = {recorded_digest(setup): setup for setups in kinds.values() for setup in setups}
    named = [
        f"{digest} ({s.frequency_hz.size} points, {s.frequency_hz.min() / 1e6:.6g} to "
        f"{s.frequency_hz.max() / 1e6:.6g} MHz, {s.unit})"
        for digest, s in seen.items()
    ]
    more = f" and {len(named) - NAMES_SHOWN} more" if len(named) > NAMES_SHOWN else ""
    raise ArchiveError(
        f"job {wanted.job}, step {wanted.step}: sweeps of {len(named)} setups with different "
        f"grids or units; choose one with setup=: {'; '.join(named[:NAMES_SHOWN])}{more}"
    )


def _strict(axis: NDArray[np.float64]) -> bool:
    steps = np.diff(axis)
    return bool((steps > 0).all()) or bool((steps < 0).all())


def _datetimes(seconds: NDArray[np.float64]) -> NDArray[np.datetime64]:
    """Nanoseconds since 1970, NaT for NaN. A float64 of today holds a quarter of a microsecond."""
    whole = np.floor(np.where(np.isnan(seconds), 0.0, seconds))
    part = np.rint((np.where(np.isnan(seconds), 0.0, seconds) - whole) * 1e9)
    out = (whole.astype(np.int64) * 1_000_000_000 + part.astype(np.int64)).astype("M8[ns]")
    out[np.isnan(seconds)] = np.datetime64("NaT")
    return out


def _repeated(values: list[str], pieces: list[Piece]) -> NDArray[Any]:
    sizes = [piece.place.size for piece in pieces]
    return np.repeat(np.array(values, dtype=object), sizes)


def _columns(pieces: list[Piece]) -> dict[str, NDArray[np.float64]]:
    names = dict.fromkeys(name for piece in pieces for name in piece.columns)
    return {
        name: np.concatenate(
            [piece.columns.get(name, np.full(piece.place.size, np.nan)) for piece in pieces]
        )
        for name in names
    }


def _common_gain(pieces: list[Piece]) -> NDArray[np.float64] | None:
    """The chain's gain where all pieces have the same one; each piece's own is used anyway."""
    gain = pieces[0].setup.chain_gain_db
    if gain is None:
        return None
    for piece in pieces:
        other = piece.setup.chain_gain_db
        if other is None or not np.array_equal(other, gain):
            return None
    return gain


def _level_name(far_end: bool) -> str:
    return "level at the far end of the chain" if far_end else "level at the sweeper's input"


def _flag_attributes() -> dict[str, Any]:
    return {
        "flag_masks": [int(flag) for flag in SweepFlag],
        "flag_meanings": " ".join(str(flag.name).lower() for flag in SweepFlag),
    }
