"""A band of one frequency: what zero span tells a band meter of bursts, hour by hour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from acqd.measure.band_sweep import Seen
from acqd.measure.band_work import BandWork
from acqd.measure.bursts import Repetition, find_bursts, repetition, shortest_burst_s
from acqd.measure.meter import SweepSeen

__all__ = ["ZeroSpan", "zero_figures", "zero_seen"]

KEPT_LIMIT = 512
"""Most lengths, gaps and rates of an hour that are kept, the first ones."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroSpan:
    """Bursts of the hour so far. ``lengths_s`` are those of whole bursts, ``best`` the sweep whose
    repetition was the clearest."""

    sweeps: int = 0
    bursts: int = 0
    cut: int = 0
    duty: float = 0.0
    """Sum over the sweeps."""
    step_s: float = 0.0
    lengths_s: tuple[float, ...] = ()
    gaps_s: tuple[float, ...] = ()
    rates_hz: tuple[float, ...] = ()
    repeating: int = 0
    best: Repetition | None = None


def zero_seen(zero: ZeroSpan, work: BandWork, seen: Seen, event: SweepSeen) -> ZeroSpan:
    """``zero`` with one more sweep at one frequency; as it was where the sweep has no duration."""
    step_s = event.took_s / work.points
    if not step_s > 0 or not seen.cells:
        return zero
    found = find_bursts(
        event.level,
        step_s=step_s,
        threshold=seen.opening,
        closing=seen.closing,
        rbw_hz=work.setup.rbw_hz,
    )
    again = repetition(event.level, step_s=step_s, bursts=found) if found.bursts else None
    best = zero.best
    if again is not None and (best is None or again.likeness > best.likeness):
        best = again
    rates_hz = zero.rates_hz if again is None else (*zero.rates_hz, again.rate_hz)
    return ZeroSpan(
        sweeps=zero.sweeps + 1,
        bursts=zero.bursts + len(found.bursts) + found.dropped,
        cut=zero.cut + sum(not burst.is_whole for burst in found.bursts),
        duty=zero.duty + found.duty,
        step_s=max(zero.step_s, step_s),
        lengths_s=(*zero.lengths_s, *found.whole_lengths_s.tolist())[:KEPT_LIMIT],
        gaps_s=(*zero.gaps_s, *found.gaps_s.tolist())[:KEPT_LIMIT],
        rates_hz=rates_hz[:KEPT_LIMIT],
        repeating=zero.repeating + (again is not None),
        best=best,
    )


def zero_figures(zero: ZeroSpan, work: BandWork) -> dict[str, Any] | None:
    """Bursts of the hour; None where no sweep was at one frequency."""
    if not zero.sweeps:
        return None
    best = zero.best
    return {
        "frequency_hz": float(work.setup.frequency_hz[0]),
        "sweeps": zero.sweeps,
        "bursts": zero.bursts,
        "cut": zero.cut,
        "duty": zero.duty / zero.sweeps,
        "resolution_s": zero.step_s,
        "shortest_told_s": shortest_burst_s(zero.step_s, work.setup.rbw_hz),
        "length_s": _spread(zero.lengths_s),
        "gap_s": _spread(zero.gaps_s),
        "repeating": zero.repeating,
        "rate_hz": _spread(zero.rates_hz),
        "clearest": None
        if best is None
        else {
            "rate_hz": best.rate_hz,
            "rate_u_hz": best.rate_u_hz,
            "likeness": best.likeness,
            "jitter_s": best.jitter_s,
            "harmonics": [
                {"number": one.number, "frequency_hz": one.frequency_hz, "depth": one.depth}
                for one in best.harmonics
            ],
        },
    }


def _spread(values: tuple[float, ...]) -> dict[str, float] | None:
    """Least, median and greatest."""
    if not values:
        return None
    return {"least": min(values), "median": float(np.median(values)), "greatest": max(values)}
