"""What the client needs of the place where findings wait until the broker has them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

__all__ = ["Outbox", "PendingFinding"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PendingFinding:
    """One finding that no broker has acknowledged. ``job`` is as the outbox keys it."""

    job: str
    number: int
    topic: str
    payload: bytes


class Outbox(Protocol):
    """Findings that are stored and not acknowledged. Survives a restart; the archive's writer.

    Any call may raise ArchiveError: the client says so and tries again later.
    """

    async def pending(self, limit: int) -> Sequence[PendingFinding]:
        """At most ``limit`` findings, oldest first, numbers rising within a job."""
        ...

    async def acknowledged(self, job: str, number: int) -> None:
        """The broker has it: it is never sent again. Also for one that is given up."""
        ...

    async def excess(self, job: str, keep: int) -> tuple[int, int] | None:
        """All of ``job`` but its newest ``keep``: first and last number, None for none."""
        ...
