"""What a sweeper makes by itself out of a strong input, and how to tell that from what is real.

A product of order n grows n dB for each dB of input. An intercept is the level at which product and
input would meet if both went on growing, so the product lies (n − 1)·(intercept − input) below.

The overload test sweeps twice, the second time with more attenuation and the level correction left
on. What is real stays; what the sweeper makes inside falls by (n − 1) times the attenuation; its
own noise rises by it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "DynamicRange",
    "Origin",
    "OverloadTest",
    "beside_db",
    "compression_dbm",
    "dynamic_range",
    "external_bounds_dbm",
    "intercept_dbm",
    "largest_input_dbm",
    "overload_test",
    "own_product_dbc",
]

Float = NDArray[np.float64]

HIGHEST_ORDER = 5
"""Highest order that is told apart; higher ones fall so far that the floor hides them."""

LEAST_OVER_FLOOR_DB = 3.0
"""A reading closer to the floor is mostly floor (practice)."""


def _check_order(order: int) -> None:
    if order < 2:
        raise ValueError(f"the order of a product must be 2 or more, got {order}")


def own_product_dbc(input_dbm: float, intercept_dbm: float, order: int = 2) -> float:
    """Level of the sweeper's own product in dB over its input: (n − 1)·(input − intercept).

    Args:
        input_dbm: the fundamental at the sweeper's mixer plane; for two equal tones, each of them.
        intercept_dbm: input intercept of that order (SHI for 2, TOI for 3), at the same plane.

    Raises:
        ValueError: an order below 2.

    Source: definition of the intercept; P2 = 2P − SHI, P3 = 3P − 2·TOI (trade practice).
    """
    _check_order(order)
    return (order - 1) * (input_dbm - intercept_dbm)


def largest_input_dbm(
    limit_dbc: float, intercept_dbm: float, margin_db: float, order: int = 2
) -> float:
    """Highest input at which the own product stays ``margin_db`` below the limit.

    intercept + (limit − margin)/(n − 1), with the limit as a negative number of dBc.

    Raises:
        ValueError: an order below 2.

    Source: derived from :func:`own_product_dbc`.
    """
    _check_order(order)
    return intercept_dbm + (limit_dbc - margin_db) / (order - 1)


def intercept_dbm(input_dbm: float, product_dbc: float, order: int = 2) -> float:
    """Intercept of a product measured ``product_dbc`` (negative) over its input.

    SHI = P + Δ2, TOI = P + Δ3/2, with Δ the distance between input and product.

    Raises:
        ValueError: an order below 2.

    Source: definition of the intercept (trade practice).
    """
    _check_order(order)
    return input_dbm - product_dbc / (order - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class DynamicRange:
    """Largest distance between an input and both floor and own product, and where it is reached."""

    range_db: float
    best_input_dbm: float


def dynamic_range(intercept_dbm: float, floor_dbm: float, order: int = 2) -> DynamicRange:
    """Where the own product of order n just meets the floor: the most that can be seen below it.

    Range (n − 1)/n·(intercept − floor) at an input of ((n − 1)·intercept + floor)/n.

    Args:
        floor_dbm: mean noise power in the RBW in use, same plane as the intercept.

    Raises:
        ValueError: an order below 2.

    Source: derived.
    """
    _check_order(order)
    return DynamicRange(
        range_db=(order - 1) / order * (intercept_dbm - floor_dbm),
        best_input_dbm=((order - 1) * intercept_dbm + floor_dbm) / order,
    )


def compression_dbm(toi_dbm: float, drop_db: float = 1.0) -> float:
    """Input of one tone at which an ideal cubic has lost ``drop_db`` of gain.

    The gain falls by ¾|a3|A²/a1, which is 1 at the intercept: TOI + 10 log10(1 − 10^(−drop/20)),
    9.6357 dB below it for 1 dB. Real sweepers compress somewhat earlier or later.

    Raises:
        ValueError: a drop that is not above 0.

    Source: derived.
    """
    if not drop_db > 0:
        raise ValueError(f"the drop of gain must be above 0 dB, got {drop_db}")
    return toi_dbm + 10.0 * math.log10(-math.expm1(-drop_db * math.log(10.0) / 20.0))


def beside_db(apart_db: float) -> tuple[float, float]:
    """What a second line at the same frequency, ``apart_db`` weaker, can do: (low, high) in dB.

    20 log10(1 ± 10^(−r/20)), by its phase. −inf below for two equal ones.

    Raises:
        ValueError: a line that is not weaker.

    Source: derived.
    """
    if apart_db < 0:
        raise ValueError(f"the second line must not be the stronger one, got {apart_db} dB")
    ratio = 10.0 ** (-apart_db / 20.0)
    low = -math.inf if ratio == 1.0 else 20.0 * math.log10(1.0 - ratio)
    return low, 20.0 * math.log10(1.0 + ratio)


# --- the overload test ---


class Origin(StrEnum):
    """Where a product comes from, as far as two sweeps can tell."""

    REAL = "real"
    INSIDE = "made inside"
    MIXED = "mixed"
    FLOOR = "floor"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class OverloadTest:
    """What two sweeps at different attenuation say about one product.

    ``fall_db`` is the first level less the second, with standard uncertainty ``u_db``; the
    decision used ± ``half_width_db``. ``order`` is the order of a product made inside, None
    otherwise; ``order_estimate`` is 1 + fall/A. The part that comes from outside lies between
    ``external_low_dbm`` (None: there need not be any) and ``external_high_dbm`` (None: not
    bounded), whatever the phase between the two parts. ``reason`` says in one sentence why.
    """

    origin: Origin
    order: int | None
    fall_db: float
    u_db: float
    half_width_db: float
    order_estimate: float
    external_low_dbm: float | None
    external_high_dbm: float | None
    reason: str


def overload_test(
    first_dbm: float,
    second_dbm: float,
    added_db: float,
    *,
    u_first_db: float = 0.0,
    u_second_db: float = 0.0,
    first_floor_dbm: float | None = None,
    second_floor_dbm: float | None = None,
    tolerance_db: float = 1.0,
    coverage_factor: float = 2.0,
) -> OverloadTest:
    """Class a product by its levels before and after ``added_db`` of attenuation.

    Args:
        first_dbm: level at the attenuation of the measurement, referred to the input, with the
            floor's noise taken out where it matters.
        second_dbm: level with ``added_db`` more, referred to the same plane (correction on).
        u_first_db: standard uncertainty of a reading, noise and attenuator step; likewise second.
        first_floor_dbm: mean noise power in the same RBW, so referred; None: not known, then a
            product may be taken for the floor only by its rise.
        tolerance_db: a smaller change counts as none (practice: 0.5 to 1 dB).
        coverage_factor: the change is known to the larger of the tolerance and this many u.

    Returns:
        ``real``: unchanged. ``made inside``: falls by (n − 1)·A, n = 2 to 5. ``floor``: rises by A,
        or both readings within 3 dB of the floor. ``mixed``: in between, or a rise that is not the
        floor's (parts in opposition). ``cannot tell``: the uncertainty reaches more than one of
        these places, or the second reading is in the floor and the fall is only "at least".

    Raises:
        ValueError: attenuation that is not above 0, or a level that is not finite.

    Source: trade practice; slopes derived from the order of a product.
    """
    if not added_db > 0:
        raise ValueError(f"the overload test adds attenuation: expected above 0 dB, got {added_db}")
    if not (math.isfinite(first_dbm) and math.isfinite(second_dbm)):
        raise ValueError(f"levels must be finite, got {first_dbm} and {second_dbm}")
    fall_db = first_dbm - second_dbm
    u_db = math.hypot(u_first_db, u_second_db)
    half_db = max(tolerance_db, coverage_factor * u_db)
    near = (_near(first_dbm, first_floor_dbm), _near(second_dbm, second_floor_dbm))
    origin, order, reason = _classed(
        fall_db, added_db, half_db, near, None not in (first_floor_dbm, second_floor_dbm)
    )
    low, high = None, None
    if not near[1] and origin in (Origin.REAL, Origin.MIXED, Origin.INSIDE):
        low, high = external_bounds_dbm(
            second_dbm, fall_db, added_db, origin=origin, order=order, half_width_db=half_db
        )
    return OverloadTest(
        origin=origin,
        order=order,
        fall_db=fall_db,
        u_db=u_db,
        half_width_db=half_db,
        order_estimate=1.0 + fall_db / added_db,
        external_low_dbm=low,
        external_high_dbm=high,
        reason=reason,
    )


def _near(level_dbm: float, floor_dbm: float | None) -> bool:
    return floor_dbm is not None and level_dbm < floor_dbm + LEAST_OVER_FLOOR_DB


def _classed(
    fall_db: float, added_db: float, half_db: float, near: tuple[bool, bool], floors_known: bool
) -> tuple[Origin, int | None, str]:
    """Where the fall lies among the places that origins have: 0, (n − 1)·A, and −A."""
    if any(near):
        return _classed_near_floor(fall_db, added_db, half_db, near)
    places: dict[float, tuple[Origin, int | None]] = {0.0: (Origin.REAL, None)}
    places |= {(n - 1) * added_db: (Origin.INSIDE, n) for n in range(2, HIGHEST_ORDER + 1)}
    if not floors_known:
        places[-added_db] = (Origin.FLOOR, None)
    possible = [place for place in places if abs(fall_db - place) <= half_db]
    if len(possible) > 1:
        return (
            Origin.CANNOT_TELL,
            None,
            f"known to ±{half_db:.1f} dB only, a change cannot be classed with {added_db:g} dB of "
            "attenuation: add more, or average more",
        )
    if possible:
        origin, order = places[possible[0]]
        return origin, order, _place_text(origin, order, fall_db, added_db)
    return _between(fall_db, added_db, half_db, floors_known)


def _between(
    fall_db: float, added_db: float, half_db: float, floors_known: bool
) -> tuple[Origin, int | None, str]:
    if fall_db > (HIGHEST_ORDER - 1) * added_db:
        return (
            Origin.INSIDE,
            None,
            f"falls by {fall_db:.1f} dB, faster than order {HIGHEST_ORDER}",
        )
    if fall_db > 0:
        text = f"falls by {fall_db:.1f} dB, which no single origin does: a mixture"
        return Origin.MIXED, None, text
    rise = f"rises by {-fall_db:.1f} dB"
    if floors_known:
        return Origin.MIXED, None, f"{rise} above the floor: parts in opposition"
    return (
        Origin.CANNOT_TELL,
        None,
        f"{rise}: partly floor, or parts in opposition; a known floor would tell",
    )


def _classed_near_floor(
    fall_db: float, added_db: float, half_db: float, near: tuple[bool, bool]
) -> tuple[Origin, int | None, str]:
    if near == (True, True):
        return Origin.FLOOR, None, "both readings are in the floor"
    if near[0]:
        return Origin.CANNOT_TELL, None, "the first reading is in the floor"
    least_db = fall_db - half_db
    if least_db >= added_db - 2.0 * half_db and least_db > half_db:
        return (
            Origin.INSIDE,
            None,
            f"falls into the floor, by at least {max(0.0, least_db):.1f} dB: order 2 or higher",
        )
    return (
        Origin.CANNOT_TELL,
        None,
        "the second reading is in the floor: the fall is not known, only that it is "
        f"{max(0.0, least_db):.1f} dB or more",
    )


def _place_text(origin: Origin, order: int | None, fall_db: float, added_db: float) -> str:
    if origin is Origin.REAL:
        return f"changes by {abs(fall_db):.1f} dB only: comes from outside"
    if origin is Origin.FLOOR:
        return f"rises by {-fall_db:.1f} dB with {added_db:g} dB of attenuation: the floor"
    return f"falls by {fall_db:.1f} dB with {added_db:g} dB of attenuation: order {order}, inside"


def external_bounds_dbm(
    second_dbm: float,
    fall_db: float,
    added_db: float,
    *,
    origin: Origin = Origin.MIXED,
    order: int | None = None,
    half_width_db: float = 0.0,
) -> tuple[float | None, float | None]:
    """Between which levels the external part of a product lies, whatever the phase of the own one.

    External 1 and own ρ·e^jφ make |1 + ρe^jφ|² before and |1 + gρe^jφ|² after A dB more, with
    g = 10^(−(n−1)A/20). Their ratio is the fall; that is solved for ρ at every degree of φ, for
    the fall and its ends, and for the orders in question (``order``, or 2 to 5).

    Args:
        origin: what the test says. Where it says ``real`` the own part is taken as the weaker one
            before, where it says ``made inside`` as the stronger one after: two strong parts that
            cancel so as to look like that are left out. ``mixed`` takes every solution.

    Returns:
        (low, high) in dBm at the second sweep's plane, without the reading's own uncertainty. Low
        is None where the own part alone would do; both are None where nothing fits.

    Source: derived from 20 log10(1 ± 10^(−r/20)) and the slope of each order.
    """
    orders = range(2, HIGHEST_ORDER + 1) if order is None else (order,)
    falls = np.linspace(fall_db - half_width_db, fall_db + half_width_db, 9)
    found = [
        _external_over_second_db(falls, 10.0 ** (-(n - 1) * added_db / 20.0), origin)
        for n in orders
    ]
    over_db = np.concatenate(found)
    if over_db.size == 0:
        return None, None
    alone = origin is Origin.INSIDE
    low = None if alone else second_dbm + float(over_db.min())
    return low, second_dbm + float(over_db.max())


def _external_over_second_db(falls_db: Float, g: float, origin: Origin) -> Float:
    """External part over the second reading for every real ρ ≥ 0 that explains a fall, flat."""
    ratio = (10.0 ** (falls_db / 10.0))[:, None]
    cosine = np.cos(np.linspace(0.0, math.pi, 181))[None, :]
    a = 1.0 - ratio * g * g
    b = 2.0 * cosine * (1.0 - ratio * g)
    c = (1.0 - ratio) * np.ones_like(cosine)
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(b * b - 4.0 * a * c)
        rho = np.stack([(-b + root) / (2.0 * a), (-b - root) / (2.0 * a)])
        total = 1.0 + 2.0 * g * rho * cosine + (g * rho) ** 2
        over_db = -10.0 * np.log10(total)
    keep = np.isfinite(over_db) & (rho >= 0.0)
    if origin is Origin.REAL:
        keep &= rho < 1.0
    elif origin is Origin.INSIDE:
        keep &= g * rho > 1.0
    return np.asarray(over_db[keep])
