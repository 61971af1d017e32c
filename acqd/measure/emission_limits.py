"""The limits of an emission job: where they lie, and what they say of a product.

What is said is "below limit X, edition Y" or the like, of one figure beside one table; local rules
prevail over any of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.limit_profile import LimitProfile, LimitQuantity
from acqd.measure.limit_reading import Bandwidths, Comparison, bandwidths, compare
from acqd.measure.limits import Allowed, NoLimit, allowed_each, limit_trace
from acqd.measure.verdict import Bound
from acqd.sweep import Detector

__all__ = [
    "Beside",
    "Read",
    "against",
    "allowed_at",
    "beside_limits",
    "limit_dbm_along",
    "limit_dbm_at",
    "no_limit_words",
]

Float = NDArray[np.float64]

ONE_DB = 10.0**0.1


def allowed_at(
    settings: EmissionSettings,
    profile: LimitProfile,
    at_hz: float,
    carrier_hz: float | None,
    *,
    louder: float = 1.0,
) -> tuple[Allowed, ...] | NoLimit:
    """What a profile allows at a frequency, each detector of it; of a carrier ``louder`` times as
    strong."""
    power_w = settings.limit_power_w(profile) if settings.keyed else None
    return allowed_each(
        profile,
        at_hz=at_hz,
        carrier_hz=carrier_hz,
        power_w=None if power_w is None else power_w * louder,
        necessary_bandwidth_hz=settings.necessary_hz,
        installed=settings.installed,
        distance_m=settings.distance_m,
    )


def limit_dbm_at(
    settings: EmissionSettings, at_hz: float, carrier_hz: float | None
) -> float | None:
    """The tightest of all limits at a frequency, in dBm at the plane; None where there is none."""
    level = limit_dbm_along(settings, np.array([at_hz]), carrier_hz)[0]
    return float(level) if math.isfinite(level) else None


def limit_dbm_along(settings: EmissionSettings, at_hz: Float, carrier_hz: float | None) -> Float:
    """:func:`limit_dbm_at` for many frequencies, NaN where there is none."""
    tightest = np.full(at_hz.shape, math.nan)
    for profile in settings.limits:
        try:
            trace = limit_trace(
                profile,
                at_hz=at_hz,
                carrier_hz=carrier_hz,
                power_w=settings.limit_power_w(profile) if settings.keyed else None,
                necessary_bandwidth_hz=settings.necessary_hz,
                installed=settings.installed,
                distance_m=settings.distance_m,
            )
        except ValueError:
            continue  # it needs what nobody stated; said where its verdict would stand
        if trace.level is not None:
            tightest = np.fmin(tightest, settings.at_plane(profile, trace.level, at_hz))
    return tightest


def no_limit_words(
    settings: EmissionSettings, at_hz: float, carrier_hz: float | None
) -> Iterator[str]:
    """Why profiles say nothing at a frequency."""
    for profile in settings.limits:
        found = allowed_at(settings, profile, at_hz, carrier_hz)
        if isinstance(found, NoLimit):
            yield found.reason


def against(settings: EmissionSettings) -> tuple[str, ...]:
    """The limits by title and edition."""
    return tuple(f"{one.title}, edition {one.edition}" for one in settings.limits)


# --- a product beside them ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """A level at the plane as it is put beside limits.

    ``expanded_db`` is U of the level, ``down_expanded_db`` that of its distance from the
    fundamental at ``fundamental_dbm``. ``at_most``: the truth is that or less. ``is_line``: a
    steady carrier, narrower than the filter and well above the floor.
    """

    frequency_hz: float
    level_dbm: float
    expanded_db: float
    at_most: bool
    is_line: bool
    detector: Detector | None
    rbw_hz: float | None
    carrier_hz: float | None = None
    fundamental_dbm: float | None = None
    down_expanded_db: float | None = None
    enb_per_rbw: float | None = None
    """Noise bandwidth over the RBW, where it is stated."""
    spread_db: float = 0.0
    """How much more than ``level_dbm`` it may be in all, where it is wider than the RBW; not for a
    limit with a reference bandwidth, which the level is brought to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """One reading beside one limit. ``margin`` is how far inside it lies, below 0 outside."""

    profile: LimitProfile
    limit: Allowed
    relative: bool
    comparison: Comparison

    @property
    def margin(self) -> float:
        margin = self.comparison.judgement.margin
        return math.inf if margin is None else margin


def beside_limits(settings: EmissionSettings, read: Read) -> tuple[Beside, ...]:
    """A reading beside every limit that holds at its frequency.

    Where a limit moves with the carrier's power it is the distance from the fundamental that is
    judged, which is surer than two levels; else the level.
    """
    found: list[Beside] = []
    for profile in settings.limits:
        each = allowed_at(settings, profile, read.frequency_hz, read.carrier_hz)
        if isinstance(each, NoLimit):
            continue
        louder = allowed_at(settings, profile, read.frequency_hz, read.carrier_hz, louder=ONE_DB)
        for limit in each:
            relative = _moves(limit, louder) and read.fundamental_dbm is not None
            found.append(_beside(settings, profile, limit, read, relative=relative))
    return tuple(found)


def _moves(limit: Allowed, louder: tuple[Allowed, ...] | NoLimit) -> bool:
    """Whether the limit goes up with the carrier: it is then one of dB below it."""
    if limit.level is None:
        return True
    if isinstance(louder, NoLimit) or limit.down_db is None:
        return False
    same = next((one for one in louder if one.detector == limit.detector), None)
    return same is not None and same.level is not None and same.level - limit.level > 0.5


def _beside(
    settings: EmissionSettings,
    profile: LimitProfile,
    limit: Allowed,
    read: Read,
    *,
    relative: bool,
) -> Beside:
    widths: Bandwidths | None = None
    if limit.reference is not None and read.rbw_hz is not None:
        widths = bandwidths(read.rbw_hz, limit.reference, enb_per_rbw=read.enb_per_rbw)
    bound: Bound | None = None
    if read.at_most:
        bound = "at least" if relative else "at most"
    expanded = read.down_expanded_db if relative else read.expanded_db
    level = down = None
    level_dbm = read.level_dbm + (read.spread_db if limit.reference is None else 0.0)
    if relative and read.fundamental_dbm is not None:
        down = read.fundamental_dbm - level_dbm
    else:
        level = float(settings.in_unit_of(profile, level_dbm, read.frequency_hz))
        if profile.quantity is LimitQuantity.FIELD and expanded is not None:
            factor_db = 0.0 if settings.has_aerial else settings.antenna_factor_uncertainty_db
            expanded = math.hypot(expanded, factor_db)
    comparison = compare(
        limit,
        level=level,
        down_db=down,
        detector=read.detector,
        expanded_db=expanded,
        guard=settings.guard,
        bound=bound,
        widths=widths,
        steady_carrier=read.is_line,
    )
    return Beside(profile=profile, limit=limit, relative=relative, comparison=comparison)
