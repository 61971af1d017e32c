"""The clock that a scene runs by: wall time, or a faster one for tests."""

from __future__ import annotations

import time
from typing import Protocol, runtime_checkable

from acqd.drivers.contract import CancelToken

__all__ = ["HandedClock", "SceneClock", "SweepClock"]


class SweepClock(Protocol):
    """What a sweep needs to know of time."""

    def now_s(self) -> float:
        """Scene time now."""
        ...

    def real_s(self, scene_s: float) -> float:
        """How long a stretch of scene time lasts for who waits."""
        ...

    def wait(self, scene_s: float, cancel: CancelToken) -> bool:
        """Let scene time pass; True, at once, where ``cancel`` is set meanwhile."""
        ...


@runtime_checkable
class HandedClock(Protocol):
    """A clock that a caller brings, to let a night pass in minutes. ``wait`` need not really wait,
    as long as ``now_s`` has moved on after it."""

    def now_s(self) -> float: ...

    def wait(self, seconds: float, cancel: CancelToken) -> bool: ...


class SceneClock:
    """Scene time in seconds since 1970-01-01T00:00:00Z, and a steady count of scene seconds.

    With ``scale`` 1 scene time is wall time itself, so that every process sees the same scene. With
    another scale a scene second lasts ``scale`` real ones, counted from where wall time was.
    """

    def __init__(self, scale: float = 1.0) -> None:
        if not 0.0 < scale <= 1000.0:
            raise ValueError(f"a time scale must be above 0 and at most 1000, got {scale}")
        self.scale = scale
        self._wall_s = time.time()
        self._monotonic_s = time.monotonic()

    def now_s(self) -> float:
        """Scene time now: for when something is on."""
        if self.scale == 1.0:
            return time.time()
        return self._wall_s + (time.monotonic() - self._monotonic_s) / self.scale

    def steady_s(self) -> float:
        """Scene seconds since some instant, never stepped: for how long something takes."""
        return time.monotonic() / self.scale

    def real_s(self, scene_s: float) -> float:
        """How long a stretch of scene time really lasts."""
        return scene_s * self.scale

    def wait(self, scene_s: float, cancel: CancelToken) -> bool:
        """Let scene time pass; True, at once, where ``cancel`` is set meanwhile."""
        return cancel.wait(self.real_s(scene_s))
