"""What a keyed transmitter near an aerial does to the jobs that listen there.

Sweeps during which it was keyed carry the flag ``TRANSMITTING``; with ``while_keyed = "hold"`` the
jobs wait besides, and what they miss is accounted for. Both go by the last word of a context, as it
arrives: a key that was pressed and let go between two words is not seen. A word that is too old is
none: a lost topic holds nobody for ever, which a finding says.

This keeps figures clean. It protects no input: power arrives whether anybody sweeps or not.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import structlog

from acqd.clock import Clock
from acqd.station.context import ContextStore, Tell

__all__ = ["HANG_S", "KeyWatch", "PttRule"]

HANG_S = 1.0
"""Jobs go on so long after the key was let go: the pauses between dots and words are no listening
time, and no flood of pauses."""
LOOK_S = 0.5
"""How often it is seen whether a word has become too old."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PttRule:
    """A transmitter near a job's aerial, and the context that says when it is keyed."""

    transmitter: str
    context: str
    hold: bool = False


class KeyWatch:
    """Holds jobs while a transmitter is keyed. :meth:`run` goes on until it is cancelled.

    Args:
        store: where the contexts' values are.
        rules: of each job, by its name.
        hold: called with a job's name and why it waits; None: it goes on.
        tell: keeps a finding.
        clock: the store's.
    """

    def __init__(
        self,
        store: ContextStore,
        rules: Mapping[str, Sequence[PttRule]],
        *,
        hold: Callable[[str, str | None], None],
        tell: Tell,
        clock: Clock,
    ) -> None:
        self._store = store
        self._rules = {job: tuple(given) for job, given in rules.items() if given}
        self._hold = hold
        self._tell = tell
        self._clock = clock
        self._held: dict[str, str] = {}
        self._lost: set[tuple[str, str]] = set()
        self._log = structlog.get_logger()

    async def run(self) -> None:
        while self._rules:
            self._store.news.clear()
            self._look_at_keys()
            await self._tell_lost()
            try:
                async with asyncio.timeout(LOOK_S):
                    await self._store.news.wait()
            except TimeoutError:
                pass

    def _look_at_keys(self) -> None:
        since_s = self._clock.monotonic_s() - HANG_S
        for job, rules in self._rules.items():
            why = _why(
                [
                    rule.transmitter
                    for rule in rules
                    if rule.hold and self._store.keyed_since(rule.context, since_s)
                ]
            )
            if why == self._held.get(job):
                continue
            if why is None:
                del self._held[job]
            else:
                self._held[job] = why
            self._log.info("job_held" if why else "job_goes_on", job=job, why=why or "unkeyed")
            self._hold(job, why)

    async def _tell_lost(self) -> None:
        """Say once that the last word was "keyed", and that there has been none since."""
        pairs = {(rule.transmitter, rule.context) for one in self._rules.values() for rule in one}
        for transmitter, context in sorted(pairs):
            if not self._store.lost_keyed(context):
                self._lost.discard((transmitter, context))
            elif (transmitter, context) not in self._lost:
                self._lost.add((transmitter, context))
                self._log.warning("ptt_lost", transmitter=transmitter, context=context)
                await self._tell(
                    "ptt_lost",
                    f"transmitter {transmitter} was keyed by the last word of context {context}, "
                    "which is too old or gone: it counts as not keyed, and no job waits for it",
                    {"transmitter": transmitter, "context": context},
                )


def _why(keyed: Sequence[str]) -> str | None:
    if len(keyed) < 2:
        return f"transmitter {keyed[0]} is keyed" if keyed else None
    return f"transmitters {', '.join(keyed)} are keyed"
