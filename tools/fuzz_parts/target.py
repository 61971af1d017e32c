"""What a target is: something that takes bytes from outside, and what it may answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["Target"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One thing that is handed bytes. ``run`` raises where it did what it must not.

    ``run`` itself lets the errors pass that are an answer: a refusal with a sentence. ``seeds`` are
    inputs that are right, to be changed; ``words`` what tells much in that language. ``guided``:
    whether it is fast and pure enough for an engine that watches which branches are taken.
    """

    name: str
    what: str
    run: Callable[[bytes], None]
    seeds: Callable[[], list[bytes]]
    words: tuple[bytes, ...] = ()
    guided: bool = True
    most_bytes: int = 4096
