"""The time of a job whose sweeps lie in the past: that of the sweep that is being taken."""

from __future__ import annotations

from acqd.ingest.sweeps import BOOT_ID

__all__ = ["LogClock"]


class LogClock:
    """A :class:`~acqd.clock.Clock` that stands where it is put."""

    boot_id = BOOT_ID

    def __init__(self, at_s: float) -> None:
        self.at_s = at_s

    def wall_s(self) -> float:
        return self.at_s

    def monotonic_s(self) -> float:
        return self.at_s

    def boottime_s(self) -> float:
        return self.at_s

    def synchronised(self) -> bool | None:
        return None
