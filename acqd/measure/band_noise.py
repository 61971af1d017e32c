"""What a band meter remembers of the noise: its spread, and whether the floor stepped."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from acqd.measure.band_findings import floor_step
from acqd.measure.band_state import FloorWatch, NoiseSeen
from acqd.measure.band_sweep import Seen
from acqd.measure.band_work import BandSettings, BandWork
from acqd.measure.floor import spread_of_noise
from acqd.measure.meter import FindingDraft, SweepSeen

__all__ = ["floor_uncertainty", "noise_seen", "watched"]

WATCH_SWEEPS = 9
"""A floor is judged by the median of this many sweeps: bursts of four do not move it. A step must
stay for as many more, and for ``floor_hold_s``, before it is told."""

SPREAD_EVERY_SWEEP = 64
SPREAD_SELDOM = 16
"""The noise's spread is looked at in each of the first sweeps, then in each sixteenth."""

SPREAD_MEMORY = 256
SPREAD_CHANGE = 0.05
"""Thresholds are set anew when the spread has moved by this share since they were."""


def noise_seen(
    noise: NoiseSeen, over: NDArray[np.float64], blur: NDArray[np.float64] | None = None
) -> NoiseSeen:
    """The spread with one more sweep, whose residual is ``over`` (−inf where missing); ``blur`` is
    that of a coarse scale."""
    sweeps = noise.sweeps + 1
    spread = None
    if sweeps <= SPREAD_EVERY_SWEEP or sweeps % SPREAD_SELDOM == 0:
        spread = spread_of_noise(over, blur)
    if spread is None:
        return NoiseSeen(sweeps=sweeps, count=noise.count, mean=noise.mean, used=noise.used)
    count = min(noise.count + 1, SPREAD_MEMORY)
    mean = spread if noise.count == 0 else noise.mean + (spread - noise.mean) / count
    used = noise.used
    # Anew at 1, 2, 4, … sweeps while the mean settles, later only when it has moved.
    settling = noise.count < SPREAD_MEMORY and count & (count - 1) == 0
    if math.isnan(used) or settling or abs(mean - used) > SPREAD_CHANGE * used:
        used = mean
    return NoiseSeen(sweeps=sweeps, count=count, mean=mean, used=used)


def floor_uncertainty(work: BandWork, seen: Seen, noise: NoiseSeen) -> float | None:
    """Standard uncertainty of the floor: number of points, and N where that was estimated."""
    u, bias = seen.estimate.uncertainty, seen.estimate.bias_db
    if u is None or bias is None:
        return None
    if work.estimates and noise.count:
        # One sweep of K points gives N within 0.12·√(1000/K) of itself (Monte Carlo, N 1 to 100);
        # the bias goes about as 1/√N.
        effective = max(1.0, work.points * work.independent * noise.count)
        u = math.hypot(u, 0.5 * bias * 0.12 * math.sqrt(1000.0 / effective))
    # Levels on a coarse scale: the floor may lie anywhere within a step.
    return math.hypot(u, work.coarse / math.sqrt(12.0)) if work.coarse else u


def watched(
    settings: BandSettings, work: BandWork, watch: FloorWatch, seen: Seen, event: SweepSeen
) -> tuple[FloorWatch, list[FindingDraft]]:
    """Follow the floor; a step is told once it has stayed."""
    floor = seen.floor
    if not seen.estimate.trusted or not math.isfinite(floor):
        return watch, []
    recent = (*watch.recent, floor)[-WATCH_SWEEPS:]
    recent_s = (*watch.recent_s, event.started_s)[-WATCH_SWEEPS:]
    reference, waiting, onset_s = watch.reference, watch.waiting, watch.onset_s
    findings: list[FindingDraft] = []
    if len(recent) == WATCH_SWEEPS:
        middle = sorted(recent)[WATCH_SWEEPS // 2]
        step = settings.floor_step_db
        moved = middle - reference
        if math.isnan(reference):
            reference = middle
        elif waiting:
            # Not below 1 until the time is up as well; back again means it did not stay.
            held = event.started_s - onset_s >= settings.floor_hold_s
            waiting = 0 if abs(moved) < step else max(waiting - 1, 0 if held else 1)
            if not waiting and abs(moved) >= step:
                findings = [
                    floor_step(
                        settings,
                        work,
                        before=reference,
                        after=middle,
                        onset_s=onset_s,
                        seq=event.seq,
                    )
                ]
                reference = middle
        elif abs(moved) >= step:
            waiting = WATCH_SWEEPS
            half = math.copysign(step / 2.0, moved)
            onset_s = next(
                at_s
                for at_s, level in zip(recent_s, recent, strict=True)
                if (level - reference) / half >= 1.0
            )
    return (
        FloorWatch(
            recent=recent,
            recent_s=recent_s,
            reference=reference,
            waiting=waiting,
            onset_s=onset_s,
        ),
        findings,
    )
