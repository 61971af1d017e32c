"""A clock that a test moves by hand."""

from __future__ import annotations

__all__ = ["ManualClock"]


class ManualClock:
    """A :class:`~acqd.clock.Clock` that stands still until it is told to move."""

    def __init__(self, wall_s: float = 1_780_000_000.0, *, boot_id: str = "boot-1") -> None:
        self._wall_s = wall_s
        self._monotonic_s = 1000.0
        self._boottime_s = 1000.0
        self.boot_id = boot_id
        self.is_synchronised: bool | None = True

    def wall_s(self) -> float:
        return self._wall_s

    def monotonic_s(self) -> float:
        return self._monotonic_s

    def boottime_s(self) -> float:
        return self._boottime_s

    def synchronised(self) -> bool | None:
        return self.is_synchronised

    def advance(self, seconds: float) -> None:
        """Let time pass."""
        self._wall_s += seconds
        self._monotonic_s += seconds
        self._boottime_s += seconds

    def step_wall(self, seconds: float) -> None:
        """Step the wall clock alone, as an operator or a time server does."""
        self._wall_s += seconds

    def suspend(self, seconds: float) -> None:
        """Let the host sleep: monotonic time stands still."""
        self._wall_s += seconds
        self._boottime_s += seconds
