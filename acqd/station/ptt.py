"""What a keyed transmitter near an aerial does to the jobs that listen there.

Sweeps during which it was keyed carry the flag ``TRANSMITTING``; with ``while_keyed = "hold"`` the
jobs wait besides, and what they miss is accounted for. Both go by the last word of a context, as it
arrives: a key that was pressed and let go between two words is not seen. A word that is too old is
none: a lost topic holds nobody for ever, which a finding says.

This keeps figures clean. It protects no input: power arrives whether anybody sweeps or not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import structlog

from acqd.clock import Clock
from acqd.station.conditions import Condition, keyed
from acqd.station.context import ContextStore, Tell

__all__ = ["HANG_S", "KeyRules", "PttRule"]

HANG_S = 1.0
"""Jobs go on so long after the key was let go: the pauses between dots and words are no listening
time, and no flood of pauses."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PttRule:
    """A transmitter near a job's aerial, and the context that says when it is keyed."""

    transmitter: str
    context: str
    hold: bool = False

    @property
    def condition(self) -> Condition:
        """What is so while it is keyed."""
        return keyed(self.context)


class KeyRules:
    """Which jobs wait while a transmitter is keyed.

    Args:
        store: where the contexts' values are.
        rules: of each job, by its name.
        tell: keeps a finding.
        clock: the store's.
    """

    def __init__(
        self,
        store: ContextStore,
        rules: Mapping[str, Sequence[PttRule]],
        *,
        tell: Tell,
        clock: Clock,
    ) -> None:
        self._store = store
        self._rules = {job: tuple(given) for job, given in rules.items() if given}
        self._tell = tell
        self._clock = clock
        self._lost: set[tuple[str, str]] = set()
        self._log = structlog.get_logger()

    @property
    def jobs(self) -> tuple[str, ...]:
        return tuple(self._rules)

    def why(self, job: str) -> str | None:
        """Why a job has to wait now; None where it may sweep, or has no rules."""
        since_s = self._clock.monotonic_s() - HANG_S
        return _why(
            [
                rule.transmitter
                for rule in self._rules.get(job, ())
                if rule.hold and self._store.keyed_since(rule.context, since_s)
            ]
        )

    async def tell(self) -> None:
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
