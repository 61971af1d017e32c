"""Languages that a simulated instrument can speak beside SCPI: invented ones, nobody's.

They are what profiles of lines and blocks are tried out on: ``tern`` answers pairs of frequency
and level as text, ``skua`` scaled 16-bit blocks, ``dunlin`` is a prompt that echoes. Levels come
from the same receivers and scenes as everywhere else.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from acqd_sim.dialects.conversation import Conversation
from acqd_sim.dialects.dialect import Dialect
from acqd_sim.dialects.dunlin import Dunlin
from acqd_sim.dialects.skua import Skua
from acqd_sim.dialects.tern import Tern
from acqd_sim.instrument import Instrument
from acqd_sim.session import Session

__all__ = ["DIALECTS", "SCPI", "Talk", "conversation"]

SCPI = "scpi"

DIALECTS: Mapping[str, type[Dialect]] = {"tern": Tern, "skua": Skua, "dunlin": Dunlin}
"""The invented languages, by name."""


class Talk(Protocol):
    """One conversation with an instrument, whatever it speaks."""

    @property
    def wakes(self) -> bool:
        """Whether it starts anew when somebody opens the port."""
        ...

    def hello(self) -> None:
        """Somebody opened the port."""
        ...

    def receive(self, data: bytes) -> None:
        """Take in bytes as they come."""
        ...

    async def work(self) -> None:
        """Answer until cancelled."""
        ...


def conversation(
    speaks: str, instrument: Instrument, send: Callable[[bytes], None], drop: Callable[[], None]
) -> Talk:
    """A conversation in the language ``speaks``: ``scpi`` or one of :data:`DIALECTS`."""
    if speaks == SCPI:
        return Session(instrument, send, drop)
    return Conversation(DIALECTS[speaks](instrument), send, drop)
