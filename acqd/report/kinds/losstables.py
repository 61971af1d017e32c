"""The figures of a two-port over a range of sweeps, and their tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.words import frequency_text
from acqd.report.kinds.common import number
from acqd.report.kinds.kept import Kept
from acqd.report.kinds.measured import Measured
from acqd.report.shapes import Table

__all__ = [
    "TITLES",
    "LossRead",
    "edge_table",
    "figure_table",
    "names_of",
    "place_table",
    "title_of",
]

Float = NDArray[np.float64]

TITLES = {
    "least_loss_db": "Least loss",
    "pad_db": "Value of the pad",
    "flatness_db": "Flatness of the pad",
    "ripple_db": "Ripple of the passband",
    "rejection_db": "Rejection, the weakest stop band",
    "notch_depth_db": "Depth of the notch",
    "centre_hz": "Centre",
    "width_3db_hz": "Width at the first level",
    "lower_edge_hz": "Lower edge",
    "upper_edge_hz": "Upper edge",
    "delay_s": "Group delay at the centre",
}
"""Figures in the order in which they are told; the named losses come after them."""


@dataclass(slots=True, kw_only=True)
class LossRead(Measured):
    """What the summaries of the range say, (sweeps,) each."""

    value: dict[str, Float] = field(default_factory=dict)
    expanded: dict[str, Float] = field(default_factory=dict)


def figure_table(kept: Kept, read: LossRead, last: int, *, in_hz: bool) -> Table:
    """Losses, or with ``in_hz`` frequencies: of the last sweep, and their ends over the range."""
    ending, scale, u_scale = ("_hz", 1e6, 1e3) if in_hz else ("_db", 1.0, 1.0)
    rows = []
    for name in names_of(read):
        value, expanded = read.value[name], read.expanded[name]
        if not name.endswith(ending) or not np.isfinite(value).any():
            continue
        rows.append(
            (
                title_of(name),
                number(value[last] / scale),
                number(expanded[last] / u_scale),
                number(np.nanmin(value) / scale),
                number(np.nanmax(value) / scale),
                float(np.isfinite(value).sum()),
            )
        )
    unit, u_unit, places = ("MHz", "kHz", (4, 1)) if in_hz else ("dB", "dB", (2, 2))
    return Table(
        title="Frequencies" if in_hz else "Losses",
        heads=("figure", "now", "U (k = 2)", "least", "greatest", "sweeps"),
        units=("", unit, u_unit, unit, unit, ""),
        places=(None, places[0], places[1], places[0], places[0], 0),
        rows=tuple(rows),
        sweeps=kept.range_of(read.measured),
    )


def edge_table(kept: Kept, summary: Mapping[str, Any], last: int) -> Table:
    """The widths of passbands and notches at each level asked for, of the last sweep."""
    rows: list[tuple[str | float | None, ...]] = []
    parts = [("passband", one) for one in summary["passbands"]]
    parts += [("notch", one) for one in summary["notches"]]
    for what, part in parts:
        place = part["least_loss_hz"] if what == "passband" else part["deepest_hz"]
        where = f"{what} at {frequency_text(place)}" if place is not None else what
        rows += [
            (
                where,
                f"−{pair['below_db']:g} dB",
                *_scaled(pair, "lower"),
                *_scaled(pair, "upper"),
                *_scaled(pair, "width"),
            )
            for pair in part["edges"]
        ]
    return Table(
        title="Edges",
        heads=("of", "level", "lower", "U", "upper", "U", "width", "U"),
        units=("", "", "MHz", "kHz", "MHz", "kHz", "MHz", "kHz"),
        places=(None, None, 4, 1, 4, 1, 4, 1),
        rows=tuple(rows),
        note="U at k = 2. An edge that is not there lies beyond the sweep.",
        sweeps=kept.range_of([last]),
    )


def _scaled(pair: Mapping[str, Any], name: str) -> tuple[float | None, float | None]:
    """A frequency in MHz and its U in kHz."""
    value, u = number(pair[f"{name}_hz"]), number(pair[f"{name}_expanded_hz"])
    return None if value is None else value / 1e6, None if u is None else u / 1e3


def place_table(kept: Kept, summary: Mapping[str, Any], last: int) -> Table:
    """Losses at named frequencies and in ranges, of the last sweep."""
    rows: list[tuple[str | float | None, ...]] = [
        (
            one["name"],
            frequency_text(one["frequency_hz"]),
            "at least" if one["at_least"] else "",
            number(one["loss_db"]),
            number(one["loss_expanded_db"]),
            number(one["rejection_db"]),
            number(one["rejection_expanded_db"]),
        )
        for one in summary["named"]
    ]
    for one in summary["stopbands"]:
        at = "" if one["at_hz"] is None else f"weakest at {frequency_text(one['at_hz'])}"
        rows.append(
            (
                one["name"],
                at or (one["reason"] or ""),
                "at least" if one["at_least"] else "",
                None,
                None,
                number(one["rejection_db"]),
                number(one["rejection_expanded_db"]),
            )
        )
    return Table(
        title="Named frequencies and stop bands",
        heads=("name", "where", "bound", "loss", "U", "rejection", "U"),
        units=("", "", "", "dB", "dB", "dB", "dB"),
        places=(None, None, None, 2, 2, 2, 2),
        rows=tuple(rows),
        note="U at k = 2. A rejection counts from the least loss of the passband.",
        sweeps=kept.range_of([last]),
    )


def names_of(read: LossRead) -> list[str]:
    """The figures that there are, in the order in which they are told."""
    known = [name for name in TITLES if name in read.value]
    return known + sorted(name for name in read.value if name not in TITLES)


def title_of(name: str) -> str:
    """What a figure is called, beginning with a capital."""
    return TITLES.get(name) or f"Loss at {name.removeprefix('loss_').removesuffix('_db')}"
