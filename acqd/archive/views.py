"""What a record says to a meter: levels at the plane, references, the events of setups and sweeps.

Live, restart, replay and report all take this road from what the archive keeps, so that they see
the same to the bit (guarantee G4).
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.records import CONTEXT, SetupRecord, SweepRecord
from acqd.measure.meter import Reference, Role, SetupChanged, SweepSeen
from acqd.sweep import Detector, Grid, Identity, LevelUnit

__all__ = ["SetupView", "levels_from_json", "levels_to_json", "sweep_seen"]


def levels_to_json(level: NDArray[Any] | None) -> dict[str, str] | None:
    """An array as plain JSON data, bit for bit."""
    if level is None:
        return None
    little = np.ascontiguousarray(level, dtype=level.dtype.newbyteorder("<"))
    return {"type": little.dtype.str, "data": base64.b64encode(little.tobytes()).decode("ascii")}


def levels_from_json(kept: Mapping[str, str] | None) -> NDArray[Any] | None:
    """The array that :func:`levels_to_json` was given."""
    if kept is None:
        return None
    flat = np.frombuffer(base64.b64decode(kept["data"]), dtype=np.dtype(kept["type"]))
    return flat.astype(flat.dtype.newbyteorder("="))


@dataclass(frozen=True, slots=True)
class SetupView:
    """What is worked out once per setup: the rising grid, the chain on it, the event."""

    setup: str
    grid: Grid
    gain_db: NDArray[np.float64] | None
    event: SetupChanged

    @classmethod
    def of(cls, record: SetupRecord, at_s: float) -> SetupView:
        """The view of a setup that holds from ``at_s`` on."""
        grid = Grid.from_axis(record.frequency_hz)
        gain_db = record.chain_gain_db
        if gain_db is not None:
            gain_db = np.asarray(grid.rising(gain_db), dtype=np.float64)
        told: Mapping[str, Any] = record.details["measuring"]
        event = SetupChanged(
            at_s=at_s,
            setup=record.setup,
            grid=grid,
            unit=LevelUnit(record.unit),
            rbw_hz=told["rbw_hz"],
            detector=Detector(told["detector"]) if told["detector"] else None,
            averages=told["averages"],
            interval_s=told["interval_s"],
            sweep_time_s=told["sweep_time_s"],
            level_accuracy_db=told["level_accuracy_db"],
            frequency_accuracy_ppm=told["frequency_accuracy_ppm"],
            assumed=tuple(told["assumed"]),
            resolution=told.get("resolution"),
            step=record.step,
            attenuation_db=told.get("attenuation_db"),
            source_level_dbm=told.get("source_level_dbm"),
            gain_db=gain_db,
            sweeper_accuracy_db=told.get("sweeper_accuracy_db"),
            chain_parts=tuple((name, half) for name, half in told.get("chain_parts", ())),
            absolute_max_dbm=told.get("absolute_max_dbm"),
            range_hz=None if told.get("range_hz") is None else tuple(told["range_hz"]),
            points_max=told.get("points_max"),
            noise_bandwidth_ratio=told.get("noise_bandwidth_ratio"),
            attenuation_steps_db=tuple(told.get("attenuation_steps_db", ())),
            identity=str(Identity(**record.details.get("identity", {}))),
        )
        view = cls(record.setup, grid, gain_db, event)
        kept = record.details.get("references")
        if not kept:
            return view
        references = {str(one["role"]): view._reference(one) for one in kept}
        return replace(view, event=replace(event, references=references))

    def at_plane(self, level: NDArray[Any]) -> NDArray[Any]:
        """Canonical levels at the reference plane, float64 in rising order, read-only.

        Complex ratios stay complex: a chain has a magnitude and no phase.
        """
        if np.iscomplexobj(level):
            plane = np.asarray(self.grid.rising(level), dtype=np.complex128)
            if self.gain_db is not None:
                plane = plane * 10.0 ** (-self.gain_db / 20.0)
        else:
            plane = np.asarray(self.grid.rising(level), dtype=np.float64)
            if self.gain_db is not None:
                plane = plane - self.gain_db
        plane.setflags(write=False)
        return plane

    def _reference(self, kept: Mapping[str, Any]) -> Reference:
        level = levels_from_json(kept["level"])
        return Reference(
            role=Role(kept["role"]),
            at_s=kept["at_s"],
            level=None if level is None else self.at_plane(level),
            differs=tuple(kept["differs"]),
            sweeps=kept["sweeps"],
            repeatability_db=kept["repeatability_db"],
            temperature_c=kept["temperature_c"],
        )


def sweep_seen(record: SweepRecord, view: SetupView) -> SweepSeen:
    """The event of a sweep, from what the archive keeps of it and nothing else."""
    context = {
        name.removeprefix(CONTEXT): value
        # In the same order live and from a file, which has one of its own.
        for name, value in sorted(record.columns.items())
        if name.startswith(CONTEXT) and value == value
    }
    return SweepSeen(
        seq=record.seq,
        step=record.step,
        due_s=record.due_s,
        started_s=record.started_s,
        took_s=record.took_s,
        level=view.at_plane(record.level),
        flags=record.flags,
        context=context,
    )
