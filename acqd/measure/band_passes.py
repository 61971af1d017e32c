"""What one due time of a band job asks of the sweeper."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from acqd.measure.meter import Pass, PassStep
from acqd.sweep import SweepRequest

__all__ = ["CheckedPasses", "band_pass"]


def band_pass(request: SweepRequest, sweeps: int = 1) -> Pass:
    """The pass of a band job: the same request ``sweeps`` times, whatever comes back."""
    for _ in range(sweeps):
        yield PassStep(request=request)


class CheckedPasses:
    """Passes of a band job of which every so many ends with an overload check: the same request
    with more attenuation, as step 1. Call it as :func:`band_pass`.

    The attenuation of the sweep before is asked of its answer. There is no check where the sweeper
    does not say it, or has no step of at least half of what is wanted above it. Passes are counted
    from the start of the station; what a meter makes of a check does not hang on that.

    Args:
        added_db: attenuation to add; the sweeper's nearest step from that on is taken, or else its
            highest.
        every: how many passes make one check.

    Raises:
        ValueError: attenuation that is not above 0, or fewer than 1 pass.
    """

    def __init__(self, *, added_db: float, every: int) -> None:
        if not added_db > 0:
            raise ValueError(f"a check adds attenuation: expected above 0 dB, got {added_db}")
        if every < 1:
            raise ValueError(f"a check comes every 1 pass or more, got {every}")
        self.added_db, self.every = added_db, every
        self._passes = 0

    def __call__(self, request: SweepRequest, sweeps: int = 1) -> Pass:
        self._passes += 1
        checks = self._passes % self.every == 0
        answer = None
        for _ in range(sweeps):
            answer = yield PassStep(request=request)
        if not checks or answer is None:
            return
        setup = answer().setup
        now_db = setup.attenuation_db
        if now_db is None:
            return
        then_db = self._next_db(now_db, setup.attenuation_steps_db)
        if then_db is not None:
            yield PassStep(request=replace(request, attenuation_db=then_db), step=1)

    def _next_db(self, now_db: float, steps_db: Sequence[float]) -> float | None:
        wanted_db = now_db + self.added_db
        higher = sorted(step for step in steps_db if step >= wanted_db - 1e-6)
        best = higher[0] if higher else max(steps_db, default=-math.inf)
        return best if best - now_db >= self.added_db / 2.0 else None
