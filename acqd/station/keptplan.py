"""The plan that the ledger keeps: at the next start, time down is counted by it (G5)."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Future
from dataclasses import replace
from typing import Any

from acqd.archive.writer import ArchiveWriter
from acqd.plan.downtime import Owed, plan_to_json
from acqd.plan.jobs import PlannedJob

__all__ = ["KeptPlan"]

LEARNT_LIKE = 0.1
"""An expected duration within this fraction of the one in the kept plan needs no other plan."""


class KeptPlan:
    """What the station's jobs are due from ``at_s`` on, and how long a pass of each takes.

    A plan that is recorded later takes the place of the first one, with its time: for jobs that it
    says the same of nothing changes.
    """

    def __init__(
        self,
        archive: ArchiveWriter,
        planned: Mapping[str, PlannedJob],
        *,
        at_s: float,
        station: Mapping[str, str] | None = None,
    ) -> None:
        """``station``: name, title and time zone, which are kept with the plan."""
        self._archive = archive
        self._planned = dict(planned)
        self._at_s = at_s
        self._station = station
        self.clock: Mapping[str, Any] | None = None
        """What the clocks of this run showed, to be kept with the plan."""
        self.owed: Owed | None = None
        """The time down that waits for the clock to be right."""

    def __getitem__(self, job: str) -> PlannedJob:
        return self._planned[job]

    def record(self) -> Future[None]:
        text = plan_to_json(
            list(self._planned.values()),
            self._at_s,
            station=self._station,
            clock=self.clock,
            owed=self.owed,
        )
        return self._archive.record_plan(text, self._at_s)

    def end(self, job: str) -> None:
        """A job has ended by itself: what would have been due later is not missed."""
        if self._planned.pop(job, None) is not None:
            self.record()

    def learn(self, estimates_s: Mapping[str, float]) -> None:
        """Keep what has been learnt of how long passes take, where it matters: of jobs that sweep
        back to back."""
        learnt = {
            name: estimate_s
            for name, estimate_s in estimates_s.items()
            if self._planned[name].schedule.back_to_back
            and abs(estimate_s / self._planned[name].estimate_s - 1.0) > LEARNT_LIKE
        }
        if not learnt:
            return
        for name, estimate_s in learnt.items():
            self._planned[name] = replace(self._planned[name], estimate_s=estimate_s)
        self.record()
