"""Letting go of a program that was started."""

from __future__ import annotations

from asyncio.subprocess import Process

__all__ = ["let_go"]


def let_go(process: Process) -> None:
    """Close our ends of the pipes of a program that has ended: they stay open where somebody else,
    such as one that it started, holds the other ends. asyncio has no public way to it."""
    process._transport.close()  # type: ignore[attr-defined]  # private in asyncio, see above
