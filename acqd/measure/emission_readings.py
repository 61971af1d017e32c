"""What single sweeps of an emission check show: is it keyed, and how strong is a product.

Levels are in dBm at the plane. Whatever is worked out here hangs on one sweep and on the settings
alone, so the pass that asks for sweeps and the meter that sees them come to the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from acqd.measure.bandpower import scallop_db
from acqd.measure.emission import Fundamental, find_fundamental, key_threshold_dbm, keyed
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.floor import FloorEstimate, estimate_averages, floor_flat
from acqd.measure.passmeter import Seen
from acqd.measure.peaks import Bound, reading_deviation_db
from acqd.measure.products import ProductKind, Window, harmonic_level
from acqd.measure.spurious import SpuriousProduct
from acqd.measure.statistics import threshold_over_mean_db
from acqd.measure.trust import hole_text, holes_hz
from acqd.measure.words import frequency_text, number_text
from acqd.sweep import LevelUnit
from acqd.units import dbm_from_dbuv

__all__ = [
    "LOWEST_POWER_DB",
    "UNITS",
    "Look",
    "Product",
    "as_product",
    "averages_of",
    "floor_along",
    "gain_db_at",
    "level_dbm",
    "limited_over_db",
    "look_at",
    "nothing_there",
    "reading_of",
]

Float = NDArray[np.float64]

LOWEST_POWER_DB = 10.0
"""A transmitter at its lowest power is taken to give so much less than stated (practice)."""

UNITS = (LevelUnit.DBM, LevelUnit.DBUV)
"""Those that a power is known by."""

FALSE_ALARM = 1e-4
"""Probability that noise alone passes for a product somewhere in its sweep. Each that it does asks
for a closer look, which is a setup of its own and a file more."""

FLOOR_BLOCK = 200
"""Points in which the floor under a search is taken as level."""


def level_dbm(seen: Seen) -> Float:
    """Levels of a sweep in dBm, (points,)."""
    level = np.asarray(seen.sweep.level, dtype=np.float64)
    return dbm_from_dbuv(level) if seen.setup.unit is LevelUnit.DBUV else level


def gain_db_at(seen: Seen, frequency_hz: float) -> float:
    """Gain of the chain, negative for a loss, at a frequency of a sweep; 0 without a chain."""
    gain = seen.setup.gain_db
    if gain is None:
        return 0.0
    return float(np.interp(frequency_hz, seen.setup.grid.frequency_hz, gain))


def averages_of(seen: Seen, level: Float) -> float:
    """How many averages the noise looks like; as stated where the sweep is too short to tell."""
    estimated = estimate_averages(level)
    return float(max(1, seen.setup.averages or 1)) if estimated is None else estimated


def limited_over_db(points: int, averages: float) -> float:
    """How far over the floor the highest of so many points of noise may lie."""
    return max(3.0, threshold_over_mean_db(FALSE_ALARM / max(1, points), averages))


def floor_along(level: Float, averages: float) -> Float:
    """The floor under a wide sweep as mean noise power, (points,): flat in blocks, joined by lines.

    Blocks keep a chain's slope out of it. NaN where a block has no level.
    """
    blocks = max(1, level.size // FLOOR_BLOCK)
    parts = np.array_split(np.arange(level.size), blocks)
    found = np.array([floor_flat(level[part], averages=averages).level for part in parts])
    middles = np.array([float(part.mean()) for part in parts])
    known = np.isfinite(found)
    if not known.any():
        return np.full(level.size, math.nan)
    return np.asarray(np.interp(np.arange(level.size), middles[known], found[known]))


# --- the look around the fundamental --------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Whether the transmitter is keyed. ``keyed`` is None where that cannot be seen.

    ``reason`` says why it is not, in a sentence; ``fundamental`` is there where it is.
    """

    keyed: bool | None
    reason: str
    threshold_dbm: float | None
    strongest_dbm: float | None
    floor_dbm: float | None
    averages: float
    fundamental: Fundamental | None


def look_at(settings: EmissionSettings, seen: Seen) -> Look:
    """What a sweep of the job's own request shows.

    It is keyed above ``key_level``, else above the middle in dB between the floor and a tenth of
    the stated power; lower by an external pad, which may be there or not.
    """
    level, frequency = level_dbm(seen), seen.setup.grid.frequency_hz
    averages = averages_of(seen, level)
    floor: FloorEstimate = floor_flat(level, averages=averages)
    if not math.isfinite(floor.level):
        return _no_look("the sweep has no levels", averages)
    threshold = settings.key_level_dbm
    if threshold is None and settings.power_dbm is not None:
        expected = settings.power_dbm - LOWEST_POWER_DB
        threshold = key_threshold_dbm(floor.level, expected)
    if threshold is None:
        power = settings.power_dbm
        why = "the stated power is not far enough above the floor for keying to be seen"
        if power is not None:
            floor_text, power_text = number_text(floor.level, 1), number_text(power, 1)
            why = f"{why}: floor {floor_text} dBm at the plane, power {power_text} dBm"
        return replace(_no_look(why, averages), floor_dbm=floor.level)
    threshold -= settings.external_pad_db or 0.0
    state = keyed(frequency, level, threshold_dbm=threshold)
    found = find_fundamental(
        frequency,
        level,
        rbw_hz=seen.setup.rbw_hz,
        expected_hz=settings.expected_hz,
        necessary_hz=settings.necessary_hz,
        floor_dbm=floor.level,
        averages=averages,
        enb_per_rbw=seen.setup.noise_bandwidth_ratio,
    )
    look = Look(
        keyed=bool(state.keyed) and found.fundamental is not None,
        reason="",
        threshold_dbm=threshold,
        strongest_dbm=state.strongest_dbm,
        floor_dbm=floor.level,
        averages=averages,
        fundamental=found.fundamental,
    )
    if look.keyed:
        return look
    holes = holes_hz(frequency, level, rbw_hz=seen.setup.rbw_hz)
    if holes:
        return replace(look, keyed=None, reason=hole_text(holes), fundamental=None)
    why = f"nothing above {number_text(threshold, 1)} dBm at the plane"
    if state.keyed:
        why = found.reason or "no fundamental"
    return replace(look, reason=f"not keyed: {why}", fundamental=None)


def _no_look(reason: str, averages: float) -> Look:
    return Look(
        keyed=None,
        reason=reason,
        threshold_dbm=None,
        strongest_dbm=None,
        floor_dbm=None,
        averages=averages,
        fundamental=None,
    )


# --- a product in a sweep of its own --------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Product:
    """A product as one sweep shows it, floor taken out.

    ``order`` is that of a harmonic, None for what a search found. ``u_db`` holds noise and
    interpolation alone, ``u_own_db`` what its own unsteadiness leaves open. ``at most``: no more
    than the noise of so many points may show; ``level`` is then the reading with twice its
    deviation. ``gain_db`` is the chain's at its frequency.
    """

    name: str
    order: int | None
    step: int
    seq: int
    frequency_hz: float
    level_dbm: float
    reading_dbm: float
    u_db: float
    bound: Bound
    kind: ProductKind
    over_floor_db: float
    floor_dbm: float
    averages: float
    gain_db: float
    attenuation_db: float | None
    rbw_hz: float | None
    scallop_db: float
    interpolated: bool
    reason: str | None
    u_own_db: float = 0.0


def reading_of(
    seen: Seen, *, name: str, order: int | None, within_hz: tuple[float, float] | None = None
) -> Product | str:
    """The strongest product in a sweep of its own, or why there is none.

    Args:
        within_hz: where it may lie, and where levels must not be missing; the whole sweep if None.
            The floor is the whole sweep's.
    """
    level, setup = level_dbm(seen), seen.setup
    frequency = setup.grid.frequency_hz
    averages = averages_of(seen, level)
    floor = floor_flat(level, averages=averages)
    if not math.isfinite(floor.level):
        return "the sweep has no levels"
    window = None
    if within_hz is not None:
        middle_hz = (within_hz[0] + within_hz[1]) / 2.0
        window = Window(centre_hz=middle_hz, span_hz=within_hz[1] - within_hz[0])
        holes = holes_hz(frequency, level, rbw_hz=setup.rbw_hz, within_hz=within_hz)
        if holes:
            return hole_text(holes)
    found = harmonic_level(
        frequency,
        level,
        floor_dbm=floor.level,
        rbw_hz=setup.rbw_hz,
        floor_u_db=floor.uncertainty or 0.0,
        window=window,
        averages=averages,
        enb_per_rbw=setup.noise_bandwidth_ratio,
    )
    if found.level_dbm is None or found.frequency_hz is None or found.reading_dbm is None:
        return found.reason or "the sweep has no levels there"
    over_db = found.reading_dbm - floor.level
    limited = found.noise_limited or over_db < limited_over_db(level.size, averages)
    deviation_db = reading_deviation_db(over_db, averages)
    step_hz = float(setup.grid.cell_hz.max())
    return Product(
        name=name,
        order=order,
        step=seen.sweep.step,
        seq=seen.sweep.seq,
        frequency_hz=found.frequency_hz,
        level_dbm=found.reading_dbm + 2.0 * deviation_db if limited else found.level_dbm,
        reading_dbm=found.reading_dbm,
        u_db=deviation_db if limited or found.u_db is None else found.u_db,
        bound=Bound.AT_MOST if limited else Bound.VALUE,
        kind=ProductKind.UNKNOWN if limited else found.kind,
        over_floor_db=over_db,
        floor_dbm=floor.level,
        averages=averages,
        gain_db=gain_db_at(seen, found.frequency_hz),
        attenuation_db=setup.attenuation_db,
        rbw_hz=setup.rbw_hz,
        scallop_db=0.0
        if not setup.rbw_hz
        else scallop_db(min(step_hz, setup.rbw_hz), setup.rbw_hz),
        interpolated=found.reason is None,
        reason="no more than the floor may show" if limited else found.reason,
        u_own_db=0.0 if limited else found.u_own_db,
    )


def as_product(one: SpuriousProduct, seen: Seen) -> Product:
    """What a search shows of a product that got no sweep of its own."""
    rbw_hz = seen.setup.rbw_hz
    step_hz = float(seen.setup.grid.cell_hz.max())
    averages = averages_of(seen, level_dbm(seen))
    return Product(
        name=f"product at {frequency_text(one.frequency_hz)}",
        order=None,
        step=seen.sweep.step,
        seq=seen.sweep.seq,
        frequency_hz=one.frequency_hz,
        level_dbm=one.level_dbm,
        reading_dbm=one.level_dbm,
        u_db=one.u_db,
        bound=Bound.VALUE,
        kind=one.kind,
        over_floor_db=one.over_floor_db,
        floor_dbm=one.level_dbm - one.over_floor_db,
        averages=averages,
        gain_db=gain_db_at(seen, one.frequency_hz),
        attenuation_db=seen.setup.attenuation_db,
        rbw_hz=rbw_hz,
        scallop_db=0.0 if not rbw_hz else scallop_db(min(step_hz, rbw_hz), rbw_hz),
        interpolated=one.note is None,
        reason=one.note,
    )


def nothing_there(seen: Seen, at: int, most_dbm: float, floor_dbm: float) -> Product:
    """A product just at the threshold, for what its level would be worth."""
    frequency_hz = float(seen.setup.grid.frequency_hz[at])
    one = SpuriousProduct(
        frequency_hz=frequency_hz,
        level_dbm=most_dbm,
        u_db=0.0,
        over_threshold_db=0.0,
        over_floor_db=max(0.0, most_dbm - floor_dbm),
        low_hz=frequency_hz,
        high_hz=frequency_hz,
        equivalent_width_hz=None,
        kind=ProductKind.UNKNOWN,
        beside_excluded=False,
        cut_off=False,
        note="not there",
    )
    return as_product(one, seen)
