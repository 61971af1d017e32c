"""What a pass of an emission check asks for next, given what it has seen.

    0  look    the job's own request around the fundamental: keyed or not
    1  width   the emission itself, finely, for bandwidths and neighbours
    2 … 21     harmonic n in a sweep of its own
    30 … 37    what a search found, each in a sweep of its own
    100 …      pieces of the ranges that are searched
    400 + s    step s again with more attenuation
    500        a last look: still keyed?

The order is: look, width, harmonics and those again that are suspicious, then the search, what it
found, and that again. :func:`next_step` is all there is to it: the pass that asks for sweeps and
the meter that sees them both go by it, so a replay knows when a pass was complete.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from acqd.measure.emission_layout import (
    AGAIN,
    LAST,
    LOOK,
    WIDTH,
    harmonics_of,
    pieces_of,
    width_request,
)
from acqd.measure.emission_origin import harder_db, is_suspicious
from acqd.measure.emission_readings import UNITS, Look, Product, look_at, reading_of
from acqd.measure.emission_search import zoomed
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.meter import Pass, PassStep
from acqd.measure.passmeter import Seen
from acqd.sweep import SweepRequest

__all__ = ["asked_of", "emission_pass", "next_step", "overran"]


def asked_of(
    settings: EmissionSettings, look: Look | None, by_step: Mapping[int, Seen]
) -> Iterator[PassStep]:
    """Every step after the first in its order. Later ones hang on what earlier ones brought: the
    next may be asked for only when the sweep of the one before is in ``by_step``."""
    first = by_step[LOOK]
    if look is not None:
        width = width_request(settings, look, first)
        if width is not None:
            yield PassStep(request=width, step=WIDTH)
        harmonics = [h for h in harmonics_of(settings, look, first) if h.request is not None]
        for one in harmonics:
            assert one.request is not None
            yield PassStep(request=one.request, step=one.order)
        for one in harmonics:
            seen = by_step[one.order]
            product = reading_of(
                seen, name="", order=one.order, within_hz=_inside(one.within_hz, seen)
            )
            yield from _again(settings, product, look, first, seen, one.request)
    for piece in pieces_of(settings, first):
        if piece.request is not None:
            yield PassStep(request=piece.request, step=piece.step)
    for step, request, within in zoomed(settings, look, by_step):
        yield PassStep(request=request, step=step)
        product = reading_of(by_step[step], name="", order=None, within_hz=within)
        yield from _again(settings, product, look, first, by_step[step], request)
    if look is not None:
        yield PassStep(request=settings.request, step=LAST)


def _inside(within: tuple[float, float], seen: Seen) -> tuple[float, float]:
    frequency = seen.setup.grid.frequency_hz
    return max(within[0], float(frequency[0])), min(within[1], float(frequency[-1]))


def _again(
    settings: EmissionSettings,
    product: Product | str,
    look: Look | None,
    first: Seen,
    seen: Seen,
    request: SweepRequest | None,
) -> Iterator[PassStep]:
    """The sweep with more attenuation of a product that is suspicious."""
    if isinstance(product, str) or request is None:
        return
    harder = harder_db(settings, seen)
    if harder is not None and is_suspicious(settings, product, look, first):
        yield PassStep(
            request=replace(request, attenuation_db=harder), step=AGAIN + seen.sweep.step
        )


def overran(settings: EmissionSettings, seen: tuple[Seen, ...]) -> bool:
    """Whether the transmitter has been keyed as long as it may be, by the sweeps so far."""
    if not settings.keyed:
        return False
    last = seen[-1].sweep
    return last.started_s + last.took_s - seen[0].sweep.started_s > settings.keyed_most_s


def next_step(settings: EmissionSettings, seen: tuple[Seen, ...]) -> PassStep | None:
    """What the pass asks for after ``seen``, its sweeps so far in order; None where it is done.

    Not keyed, or in a unit that no power is known by: nothing more. When the time for which it may
    be keyed is over, the last look alone.
    """
    if not seen:
        return PassStep(request=settings.request, step=LOOK)
    if seen[0].setup.unit not in UNITS:
        return None
    by_step = {one.sweep.step: one for one in seen}
    look = None
    if settings.keyed:
        look = look_at(settings, seen[0])
        if not look.keyed or LAST in by_step:
            return None
        if overran(settings, seen):
            return PassStep(request=settings.request, step=LAST)
    for asked in asked_of(settings, look, by_step):
        if asked.step not in by_step:
            return asked
    return None


def emission_pass(settings: EmissionSettings, passes: int = 1) -> Pass:
    """Passes one after the other, each asking by :func:`next_step` until there is no more."""
    for _ in range(passes):
        seen: tuple[Seen, ...] = ()
        step = next_step(settings, seen)
        while step is not None:
            answer = (yield step)()
            seen = (*seen, Seen(setup=answer.setup, sweep=answer.sweep))
            step = next_step(settings, seen)
