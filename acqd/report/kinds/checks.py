"""The passes of an emission check as a report reads them: which sweeps each had, and what came out.

A pass is known by the number of its first sweep. Its summary stands with the sweep that completed
it; one that was cut short has none in the archive.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.report.kinds.common import number
from acqd.report.kinds.kept import Kept, Summary
from acqd.report.source import JobSource

__all__ = ["Checks", "Spectrum"]

Float = NDArray[np.float64]

HARMONIC_ORDERS = range(2, 30)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectrum:
    """One sweep of a pass, at the reference plane, and how it was taken."""

    step: int
    seq: int
    at_s: float
    frequency_hz: Float
    level: Float
    rbw_hz: float | None
    attenuation_db: float | None
    kept: Kept
    row: int


@dataclass(slots=True, kw_only=True)
class Checks:
    """All passes of the range, by row of their first sweep in ``first``.

    ``figures`` are (passes,) by name, NaN where a pass has none; ``expanded`` likewise their U.
    """

    first: Kept
    steps: dict[int, Kept]
    state: dict[int, str] = field(default_factory=dict)
    verdict: dict[int, str] = field(default_factory=dict)
    text: dict[int, str] = field(default_factory=dict)
    where: dict[int, tuple[int, int]] = field(default_factory=dict)
    """Row of a pass to the step and row of the sweep that has its summary."""
    figures: dict[str, Float] = field(default_factory=dict)
    expanded: dict[str, Float] = field(default_factory=dict)

    @classmethod
    def of(cls, source: JobSource) -> Checks:
        """Read all summaries of the range. Passes that began before it are left out."""
        steps = {step: Kept(source, step) for step in source.steps}
        found = cls(first=steps[0], steps={step: one for step, one in steps.items() if one.size})
        row_of = {seq: row for row, seq in enumerate(found.first.seq.tolist())}
        for step, kept in found.steps.items():
            for at, summary in kept.summaries():
                row = row_of.get(int(kept.pass_id[at]))
                if row is not None:
                    found._add(row, (step, at), summary)
        return found

    def _add(self, row: int, where: tuple[int, int], summary: Summary) -> None:
        self.where[row] = where
        self.state[row] = str(summary["state"])
        if summary["verdict"] is not None:
            self.verdict[row] = str(summary["verdict"])
        self.text[row] = str(summary["text"] or summary["said"])
        for name, value, u in _figures(summary):
            if name not in self.figures:
                self.figures[name] = np.full(self.first.size, np.nan)
                self.expanded[name] = np.full(self.first.size, np.nan)
            self.figures[name][row] = value
            self.expanded[name][row] = math.nan if u is None else u

    # -- one pass ----------------------------------------------------------------------------------

    def shown(self) -> int | None:
        """The pass that is shown: the last with a verdict, else the last that measured anything;
        None where none did."""
        with_verdict = sorted(self.verdict)
        measured = sorted(row for row, word in self.state.items() if word in ("keyed", "no key"))
        return next(iter([*with_verdict[::-1], *measured[::-1]]), None)

    def summary(self, row: int) -> Summary:
        """The summary of a pass that has one."""
        step, at = self.where[row]
        found = self.steps[step].summary(at)
        assert found is not None
        return found

    def spectra(self, row: int) -> dict[int, Spectrum]:
        """The sweeps of a pass by their step, in rising order."""
        pass_id = int(self.first.seq[row])
        found = {}
        for step, kept in sorted(self.steps.items()):
            rows = np.flatnonzero(kept.pass_id == pass_id)
            if rows.size:
                found[step] = _spectrum(kept, step, int(rows[-1]))
        return found

    def sweeps_of(self, row: int) -> int:
        """How many sweeps a pass had."""
        pass_id = int(self.first.seq[row])
        return sum(int(np.count_nonzero(one.pass_id == pass_id)) for one in self.steps.values())

    def end_s(self, row: int) -> float:
        """When the last sweep of a pass ended."""
        pass_id = int(self.first.seq[row])
        ends = [
            float((kept.at_s + kept.index.took_s)[kept.pass_id == pass_id].max())
            for kept in self.steps.values()
            if (kept.pass_id == pass_id).any()
        ]
        return max(ends)

    @property
    def unfinished(self) -> int:
        """Passes without a summary: cut short, or still under way when the range ends."""
        return self.first.size - len(self.where)


def _spectrum(kept: Kept, step: int, row: int) -> Spectrum:
    event = kept.event(row)
    return Spectrum(
        step=step,
        seq=int(kept.seq[row]),
        at_s=float(kept.at_s[row]),
        frequency_hz=event.grid.frequency_hz,
        level=np.asarray(kept.level(row), dtype=np.float64),
        rbw_hz=event.rbw_hz,
        attenuation_db=event.attenuation_db,
        kept=kept,
        row=row,
    )


def _figures(summary: Summary) -> Iterator[tuple[str, float, float | None]]:
    """What is followed from pass to pass: name, value and U."""
    carrier: Mapping[str, Any] = summary["fundamental"] or {}
    occupied: Mapping[str, Any] = summary["occupied"] or {}
    found = [
        ("worst_margin_db", summary["worst_margin_db"], None),
        ("fundamental_dbm", carrier.get("level_dbm"), carrier.get("expanded_db")),
        ("fundamental_hz", carrier.get("frequency_hz"), carrier.get("frequency_expanded_hz")),
        ("occupied_hz", occupied.get("width_hz"), occupied.get("expanded_hz")),
    ]
    found += [
        (one["name"], one["level_dbm"], one["expanded_db"])
        for one in summary["products"]
        if one["order"] in HARMONIC_ORDERS
    ]
    for name, value, u in found:
        known = number(value)
        if known is not None:
            yield name, known, number(u)
