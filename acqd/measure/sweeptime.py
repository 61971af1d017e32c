"""How slowly to sweep, what too fast a sweep costs, and what looking now and then can catch.

A swept RBW filter needs time to answer: pulled past a carrier too fast it reads low and wide, and
nothing in the trace says so. And who comes by only now and then misses what is short.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = [
    "SLOW_ENOUGH",
    "FastSweep",
    "caught_share",
    "fast_sweep",
    "least_sweep_s",
    "seen_share",
]

SLOW_ENOUGH = 2.5
"""k of the sweep time rule: 2 to 3 for near-Gaussian analogue filters (makers' primers, read). At
2.5 a Gaussian filter reads 0.07 dB low. Filters that are computed may be swept faster."""

WIDENING = (2.0 * math.log(2.0) / math.pi) ** 2
"""0.194720, of a Gaussian filter that is swept through (derived)."""


def least_sweep_s(
    span_hz: float, rbw_hz: float, *, vbw_hz: float | None = None, factor: float = SLOW_ENOUGH
) -> float:
    """Shortest sweep that an analogue RBW filter follows: k·span/RBW², in seconds.

    A video filter narrower than the RBW (3 dB widths both) takes its share: k·span/(RBW·VBW). A
    span of 0 gives 0: in zero span nothing moves. Time between sweeps and for switching comes on
    top.

    Raises:
        ValueError: a span below 0, a width or a factor that is not above 0, or anything infinite.

    Source: makers' primers on swept analysis (read).
    """
    _check_above_zero(rbw_hz=rbw_hz, factor=factor)
    if vbw_hz is not None:
        _check_above_zero(vbw_hz=vbw_hz)
    _check_span(span_hz)
    narrower_hz = rbw_hz if vbw_hz is None else min(rbw_hz, vbw_hz)
    return factor * span_hz / (rbw_hz * narrower_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class FastSweep:
    """What a sweep does to a carrier. ``rate`` is span/(T·RBW²): 0.4 where k is 2.5.

    ``loss_db`` (≥ 0) is how far the carrier reads low, ``widened`` the factor by which it reads
    wide. Both hold for a Gaussian filter and for steady carriers: noise is read as it is.
    """

    rate: float
    loss_db: float
    widened: float


def fast_sweep(span_hz: float, rbw_hz: float, *, sweep_s: float) -> FastSweep:
    """How low and how wide a carrier reads in a sweep of a span in a time, Gaussian RBW filter.

    With s = span/(T·RBW²): 5 log10(1 + 0.194720·s²) dB low, √(1 + 0.194720·s²) wide. Of an uneven
    sweep take the span of its fastest part. Real filters that are not Gaussian ring besides.

    Raises:
        ValueError: a span below 0, a width or a time that is not above 0, or anything infinite.

    Source: a linear sweep in frequency through a Gaussian filter (derived).
    """
    _check_above_zero(rbw_hz=rbw_hz, sweep_s=sweep_s)
    _check_span(span_hz)
    rate = span_hz / (sweep_s * rbw_hz * rbw_hz)
    square = 1.0 + WIDENING * rate * rate
    return FastSweep(rate=rate, loss_db=5.0 * math.log10(square), widened=math.sqrt(square))


# --- looking now and then -------------------------------------------------------------------------


def caught_share(
    burst_s: float, revisit_s: float, *, listen_s: float = 0.0, bursts: int = 1
) -> float:
    """Chance to hear at least one of some bursts, looking once every revisit time.

    One burst is met with (burst + listening)/revisit, at most 1; of n independent ones at least one
    with 1 − (1 − p)ⁿ. Bursts in step with the revisits are not independent: they may be met every
    time, or never.

    Args:
        burst_s: length of each burst.
        revisit_s: time from one look at the frequency to the next.
        listen_s: how long each look lasts; 0 for an instant. A burst counts however little of it
            is met: what an RBW filter makes of a short rest is not in here.
        bursts: how many there are; 0 gives 0.

    Raises:
        ValueError: a revisit time that is not above 0, or anything else below 0 or infinite.

    Source: derived (uniform phase).
    """
    _check_above_zero(revisit_s=revisit_s)
    _check_not_below_zero(burst_s=burst_s, listen_s=listen_s, bursts=bursts)
    one = min(1.0, (burst_s + listen_s) / revisit_s)
    return 1.0 - (1.0 - one) ** bursts


def seen_share(on_s: float, off_s: float, *, listen_s: float) -> float:
    """Occupancy that looks of some length show of a signal that is on and off by turns.

    A look counts as busy if the signal is met at all, which adds the length of the look to every
    time that it is on: (on + listening)/(on + off), 1 where no look can fall into a pause. The
    signal's own share is on/(on + off).

    Raises:
        ValueError: both times 0, or anything below 0 or infinite.

    Source: derived (uniform phase); busy as Rec. ITU-R SM.1880-2 has it (restated elsewhere).
    """
    _check_not_below_zero(on_s=on_s, off_s=off_s, listen_s=listen_s)
    _check_above_zero(on_s_and_off_s=on_s + off_s)
    if on_s == 0.0:
        return 0.0
    return min(1.0, (on_s + listen_s) / (on_s + off_s))


def _check_span(span_hz: float) -> None:
    _check_not_below_zero(span_hz=span_hz)


def _check_above_zero(**values: float) -> None:
    for name, value in values.items():
        if not 0.0 < value < math.inf:
            raise ValueError(f"{name} must be above 0 and finite, got {value}")


def _check_not_below_zero(**values: float) -> None:
    for name, value in values.items():
        if not 0.0 <= value < math.inf:
            raise ValueError(f"{name} must be finite and not below 0, got {value}")
