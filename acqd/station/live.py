"""The two messages of every sweep, made when they are sent: its summary and its trace.

A station makes them for each sweep, hundreds of numbers at a time, so they become JSON without
their models: what goes in is either our own arithmetic or was validated with the config. Tests hold
them against the models, for every unit and kind of content.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from acqd.archive.records import SweepRecord
from acqd.measure.meter import Curve
from acqd.publish.messages import Summary, Trace, rfc3339
from acqd.publish.reduce import reduce_curve, reduce_trace
from acqd.station.feed import SetupView

__all__ = ["SweepNews"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepNews:
    """All that is told of one sweep; nothing of it changes later.

    ``common`` is what all messages of the station share.
    """

    common: Mapping[str, str]
    kind: str
    sweeper: str
    record: SweepRecord
    view: SetupView
    summary: Mapping[str, Any]
    trace_points: int
    curve: Curve | None = None

    def summary_json(self) -> bytes:
        """The payload of :class:`acqd.publish.messages.Summary`."""
        record = self.record
        return Summary.json_of(
            {
                **self._head(),
                "pass_id": record.pass_id,
                "kind": self.kind,
                "took_s": record.took_s,
                "sweeper": self.sweeper,
                "setup": record.setup,
                "flags": [str(flag.name).lower() for flag in record.flags],
                **self._parts(),
            }
        )

    def trace_json(self) -> bytes:
        """The payload of :class:`acqd.publish.messages.Trace`; null where there is no reading."""
        grid = self.view.grid
        axis = grid.frequency_hz
        level = self.view.at_plane(self.record.level)
        if np.iscomplexobj(level):
            with np.errstate(divide="ignore"):
                level = 20.0 * np.log10(np.abs(level))
        reduced = reduce_trace(axis, level, self.trace_points)
        even = grid.is_even and not reduced.is_reduced
        return Trace.json_of(
            {
                **self._head(),
                "start_hz": float(axis[0]),
                "stop_hz": float(axis[-1]),
                "points": int(reduced.level.size),
                "source_points": reduced.source_points,
                "frequency_hz": None if even else reduced.frequency_hz.tolist(),
                "level": np.round(reduced.level, 2).tolist(),
                **self._curve(),
            }
        )

    def _curve(self) -> dict[str, Any]:
        """What the kind measured over frequency, and its limits; nothing where it has no curve."""
        curve = self.curve
        if curve is None or not curve.values.size:
            return {}
        axis = curve.frequency_hz
        reduced = reduce_curve(axis, curve.values, self.trace_points)
        even = self.view.grid.is_even and reduced.level.size == self.view.grid.points
        return {
            "curve": {
                "figure": curve.figure,
                "unit": curve.unit,
                "start_hz": float(axis[0]),
                "stop_hz": float(axis[-1]),
                "frequency_hz": None if even else reduced.frequency_hz.tolist(),
                "values": np.round(reduced.level, 3).tolist(),
            },
            "mask": [asdict(one) | {"limit": round(one.limit, 3)} for one in curve.masks],
        }

    def _parts(self) -> dict[str, Any]:
        """The kind's numbers, and beside them those of the soak that it may be in."""
        if "soak" not in self.summary:
            return {self.kind: self.summary}
        kind = {key: value for key, value in self.summary.items() if key != "soak"}
        return {self.kind: kind, "soak": self.summary["soak"]}

    def _head(self) -> dict[str, Any]:
        record = self.record
        return {
            **self.common,
            "job": record.job,
            "seq": record.seq,
            "step": record.step,
            "at": rfc3339(record.started_s),
            "at_s": record.started_s,
            "unit": str(self.view.event.unit),
        }
