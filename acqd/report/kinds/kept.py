"""The sweeps of one step of a job as the parts of a report ask for them: one here, one there.

Rows are in the order of their numbers, over files and journals and over changes of setup. What is
small is there at once; a level or a summary is read when somebody asks for it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.records import CONTEXT, SetupRecord
from acqd.archive.views import SetupView
from acqd.measure.meter import SetupChanged, SweepSeen
from acqd.report.blocks import SweepIndex
from acqd.report.shapes import SweepRange
from acqd.report.source import JobSource
from acqd.sweep import SweepFlag

__all__ = ["Kept", "Summary"]

Float = NDArray[np.float64]
Summary = Mapping[str, Any]


@dataclass(slots=True, eq=False)
class Kept:
    """Sweeps of one job and step in a range of time; empty where there are none."""

    source: JobSource
    step: int = 0
    _views: dict[str, SetupView] = field(default_factory=dict, repr=False)
    _read: dict[int, tuple[NDArray[Any], Summary | None]] = field(default_factory=dict, repr=False)

    @property
    def index(self) -> SweepIndex:
        return self.source.sweeps(self.step)

    @property
    def size(self) -> int:
        return len(self.index)

    @property
    def seq(self) -> NDArray[np.int64]:
        return self.index.seq

    @property
    def at_s(self) -> Float:
        """(sweeps,) when each began."""
        return self.index.started_s

    @property
    def flags(self) -> NDArray[np.int32]:
        return self.index.flags

    @property
    def pass_id(self) -> NDArray[np.int64]:
        return self.index.pass_id

    def setup(self, at: int) -> SetupRecord:
        """What a sweep was taken with."""
        return self.index.setups[int(self.index.setup[at])]

    def event(self, at: int) -> SetupChanged:
        """The same as a meter is told of it, references and all."""
        setup = self.setup(at)
        if setup.setup not in self._views:
            self._views[setup.setup] = SetupView.of(setup, float(self.at_s[at]))
        return self._views[setup.setup].event

    def config(self, at: int) -> Mapping[str, Any]:
        """The job's config as it was recorded with a sweep."""
        found: Mapping[str, Any] = self.setup(at).details["config"]
        return found

    def has(self, at: int, flags: SweepFlag) -> bool:
        """Whether a sweep has any of these flags."""
        return bool(int(self.flags[at]) & int(flags))

    # -- what stands beside each sweep -------------------------------------------------------------

    def column(self, name: str) -> Float:
        """(sweeps,) of one column, NaN where it is not known."""
        return self.index.column(name)

    def contexts(self) -> tuple[str, ...]:
        """Names of the contexts that have a value beside any sweep, in alphabetical order."""
        columns = self.index.columns
        names = sorted(name for name in columns if name.startswith(CONTEXT))
        return tuple(
            name.removeprefix(CONTEXT) for name in names if np.isfinite(columns[name]).any()
        )

    def context(self, name: str) -> Float:
        """(sweeps,) of one context."""
        return self.column(CONTEXT + name)

    def range_of(self, rows: Sequence[int] | NDArray[Any] | None = None) -> SweepRange | None:
        """The numbers of some sweeps, or of all of them; None where there are none."""
        seq = self.seq if rows is None else self.seq[np.asarray(rows, dtype=np.intp)]
        if not seq.size:
            return None
        return SweepRange(
            job=self.source.job,
            first_seq=int(seq.min()),
            last_seq=int(seq.max()),
            count=int(seq.size),
            step=self.step,
        )

    # -- what is read when it is asked for ---------------------------------------------------------

    def fetch(self, rows: Sequence[int]) -> None:
        """Read some sweeps at once and hold them, until others are fetched."""
        wanted = {int(self.seq[at]) for at in rows}
        missing = wanted - self._read.keys()
        if not missing:
            return
        for block in self.source.blocks(self.step, only=missing, quiet=True):
            for at, seq in enumerate(block.seq.tolist()):
                self._read[seq] = block.level[at], block.summary(at)

    def summary(self, at: int) -> Summary | None:
        """The summary that a sweep brought; None where it brought none."""
        self.fetch([at])
        return self._read[int(self.seq[at])][1]

    def level(self, at: int) -> NDArray[Any]:
        """(points,) at the reference plane, rising; complex where the unit is a ratio."""
        self.fetch([at])
        return self._read[int(self.seq[at])][0]

    def summaries(self) -> Iterator[tuple[int, Summary]]:
        """Row and summary of every sweep that brought one; each once, setup by setup."""
        for block in self.source.blocks(self.step):
            for at, row in enumerate(block.place.tolist()):
                summary = block.summary(at)
                if summary is not None:
                    yield row, summary

    def seen(self, at: int) -> SweepSeen:
        """A sweep as a meter sees it."""
        index = self.index
        context = {name: float(self.context(name)[at]) for name in self.contexts()}
        return SweepSeen(
            seq=int(self.seq[at]),
            step=self.step,
            due_s=float(index.due_s[at]),
            started_s=float(self.at_s[at]),
            took_s=float(index.took_s[at]),
            level=self.level(at),
            flags=SweepFlag(int(self.flags[at])),
            context={name: value for name, value in context.items() if value == value},
        )
