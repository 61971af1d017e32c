"""Something that may hang, for so long and no longer."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TypeVar

__all__ = ["within"]

T = TypeVar("T")


def within(limit_s: float, ask: Callable[[], T]) -> T:
    """What ``ask`` gives, from a thread of its own that is left behind where it takes too long.

    Raises:
        TimeoutError: it did not come back in time.
        BaseException: what ``ask`` raised.
    """
    answers: list[T] = []
    errors: list[BaseException] = []

    def run() -> None:
        try:
            answers.append(ask())
        except BaseException as exc:
            # Handed to who waits.
            errors.append(exc)

    thread = threading.Thread(target=run, name="host-look", daemon=True)
    thread.start()
    thread.join(limit_s)
    if errors:
        raise errors[0]
    if not answers:
        raise TimeoutError(f"no answer within {limit_s:g} s")
    return answers[0]
