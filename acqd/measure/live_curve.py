"""What a job measures over frequency and what its limits ask of it, for who is tuning.

A curve is made from the figures that the summary holds and goes nowhere else: it is not stored, and
a replay does not compare it. What is judged of a mean, or of more than one point at a time (a pad's
value, its flatness), has no mask.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.losscurve import Role
from acqd.measure.meter import Curve, CurveMask
from acqd.measure.reflection import Reflection
from acqd.measure.reflection_sweep import ReflectionSettings
from acqd.measure.returnloss import magnitude_from_vswr, return_loss_db
from acqd.measure.transmission_figures import View
from acqd.measure.transmission_settings import TransmissionSettings
from acqd.sweep import Grid

__all__ = ["loss_curve", "return_loss_curve"]

Float = NDArray[np.float64]

UNIT = "dB"


def loss_curve(
    view: View, figures: Mapping[str, Any], grid: Grid, settings: TransmissionSettings
) -> Curve:
    """The insertion loss relative to the through, positive: NaN where there is none.

    Masks of rejections lie that far above the least loss of the passband, as they are judged.
    """
    known = view.losses.curve
    axis = np.unique(grid.frequency_hz)
    values = np.full(axis.size, np.nan)
    values[np.searchsorted(axis, known.frequency_hz)] = known.loss_db
    return Curve(
        figure="insertion loss",
        unit=UNIT,
        frequency_hz=axis,
        values=values,
        masks=tuple(_loss_masks(view, figures, settings)),
    )


def _loss_masks(
    view: View, figures: Mapping[str, Any], settings: TransmissionSettings
) -> Iterator[CurveMask]:
    passed, found = settings.passband, figures["passband"]
    pass_db = None if view.main is None else view.main.least_db
    if passed is not None:
        band = (passed.start_hz, passed.stop_hz)
        if passed.loss_at_most_db is not None:
            yield _mask("passband", band, passed.loss_at_most_db, "below")
        if passed.ripple_at_most_db is not None and found is not None:
            most_db = found["least_loss_db"] + passed.ripple_at_most_db
            yield _mask("ripple", band, most_db, "below")
    for stop in settings.stopbands:
        if stop.at_least_db is not None and pass_db is not None:
            band = (stop.start_hz, stop.stop_hz)
            yield _mask(stop.name, band, pass_db + stop.at_least_db, "above")
    for one in settings.named:
        point = (one.frequency_hz, one.frequency_hz)
        if one.role is Role.PASS and one.at_most_db is not None:
            yield _mask(one.name, point, one.at_most_db, "below")
        if one.role is Role.STOP and one.at_least_db is not None and pass_db is not None:
            yield _mask(one.name, point, pass_db + one.at_least_db, "above")


def return_loss_curve(
    frequency_hz: Float,
    trace: Reflection,
    range_hz: tuple[float, float],
    settings: ReflectionSettings,
) -> Curve:
    """The return loss at (points,) frequencies, positive: NaN where levels are missing.

    Limits on SWR become the return loss that belongs to them.
    """
    return Curve(
        figure="return loss",
        unit=UNIT,
        frequency_hz=frequency_hz,
        values=trace.return_loss_db,
        masks=tuple(_swr_masks(range_hz, settings)),
    )


def _swr_masks(range_hz: tuple[float, float], settings: ReflectionSettings) -> Iterator[CurveMask]:
    if settings.max_swr is not None:
        yield _mask("range", range_hz, _return_loss_of(settings.max_swr), "above")
    for name, most in settings.max_swr_at.items():
        at_hz = settings.named_hz[name]
        yield _mask(name, (at_hz, at_hz), _return_loss_of(most), "above")


def _return_loss_of(swr: float) -> float:
    return float(return_loss_db(magnitude_from_vswr(swr)))


def _mask(name: str, band: tuple[float, float], limit: float, side: str) -> CurveMask:
    return CurveMask(
        name=name, start_hz=band[0], stop_hz=band[1], limit=limit, side=side, unit=UNIT
    )
