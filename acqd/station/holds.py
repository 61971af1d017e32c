"""Lets jobs wait, and go on, by what the values beside the sweeps say at the moment."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from typing import Protocol

import structlog

from acqd.station.context import ContextStore

__all__ = ["HoldWatch", "Rules"]

LOOK_S = 0.5
"""How often it is seen whether a word has become too old."""


class Rules(Protocol):
    """A kind of reason for jobs to wait."""

    @property
    def jobs(self) -> Sequence[str]:
        """The jobs that have such rules."""
        ...

    def why(self, job: str) -> str | None:
        """Why a job has to wait now."""
        ...

    async def tell(self) -> None:
        """Say what is worth a finding."""
        ...


class HoldWatch:
    """Holds jobs for as long as one of their rules wants it. :meth:`run` goes on until cancelled.

    Args:
        store: where the contexts' values are.
        rules: the kinds of reasons.
        hold: called with a job's name and why it waits; None: it goes on.
    """

    def __init__(
        self,
        store: ContextStore,
        rules: Sequence[Rules],
        *,
        hold: Callable[[str, str | None], None],
    ) -> None:
        self._store = store
        self._rules = tuple(rules)
        self._jobs = tuple(dict.fromkeys(job for one in rules for job in one.jobs))
        self._hold = hold
        self._held: dict[str, str] = {}
        self._log = structlog.get_logger()

    async def run(self) -> None:
        while self._jobs:
            self._store.news.clear()
            self._look()
            for one in self._rules:
                await one.tell()
            try:
                async with asyncio.timeout(LOOK_S):
                    await self._store.news.wait()
            except TimeoutError:
                pass

    def _look(self) -> None:
        for job in self._jobs:
            found = [why for one in self._rules if (why := one.why(job)) is not None]
            why = "; ".join(found) or None
            if why == self._held.get(job):
                continue
            if why is None:
                del self._held[job]
            else:
                self._held[job] = why
            self._log.info("job_held" if why else "job_goes_on", job=job, why=why or "all is well")
            self._hold(job, why)
