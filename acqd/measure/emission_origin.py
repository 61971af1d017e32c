"""Whether a product comes from the thing measured or from the sweeper itself.

Swept again with more attenuation, or behind one more pad, what the sweeper makes by itself falls;
what comes from outside stays (:mod:`acqd.measure.linearity`). What was not swept again is judged by
what the sweeper's intercepts let expect.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from acqd.measure.emission_limits import limit_dbm_at
from acqd.measure.emission_readings import Look, Product, gain_db_at
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.linearity import (
    Origin,
    beside_db,
    external_bounds_dbm,
    overload_test,
    own_product_dbc,
)
from acqd.measure.passmeter import Seen
from acqd.measure.peaks import Bound
from acqd.measure.provability import Figure, SweeperFigures
from acqd.measure.uncertainty import ASSUMED_SWITCHING_DB

__all__ = ["Classed", "checked", "harder_db", "is_suspicious", "own_product_dbm", "unchecked"]

CHECK_WITHIN_DB = 13.0
"""A product this close to its limit is swept again: 10 dB, and what a level may be off."""

OWN_BELOW_DB = 20.0
"""An own product so far below a reading changes it by less than 1 dB."""

TOLD_ORDERS = (2, 3, 4, 5)

LEAST_ADDED_DB = 5.0
"""With less attenuation more the orders cannot be told apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Classed:
    """Where a product comes from. ``origin`` None: not looked into, and no need to.

    ``half_width_db`` is what the sweeper's own part may have done to the reading (limits).
    ``at_most_dbm`` is the most that comes from outside, where the reading itself is not what comes
    from outside; None where nothing bounds it. ``order`` is that of a product made inside.
    """

    origin: Origin | None
    reason: str
    half_width_db: float = 0.0
    is_real: bool = False
    at_most_dbm: float | None = None
    order: int | None = None
    second_seq: int | None = None


def harder_db(settings: EmissionSettings, seen: Seen) -> float | None:
    """The attenuation to sweep again with, in dB; None where the sweeper has none that helps."""
    now_db, steps = seen.setup.attenuation_db, seen.setup.attenuation_steps_db
    if now_db is None or not steps or settings.check_attenuation_db <= 0.0:
        return None
    wanted = [one for one in steps if one >= now_db + settings.check_attenuation_db - 1e-9]
    found = min(wanted, default=max(steps))
    return found if found >= now_db + min(LEAST_ADDED_DB, settings.check_attenuation_db) else None


def own_product_dbm(
    settings: EmissionSettings, product: Product, look: Look, seen: Seen, *, worst: bool
) -> float | None:
    """What the sweeper may make by itself at a harmonic, in dBm at the plane.

    By declared or assumed intercepts; ``worst`` counts with what an assumed one may be wrong by.
    None for what is no second or third harmonic: of others nobody states an intercept.
    """
    if product.order not in (2, 3) or look.fundamental is None:
        return None
    figures = SweeperFigures.known(
        rbw_hz=product.rbw_hz or 1.0,
        shi_dbm=settings.declared(2),
        toi_dbm=settings.declared(3),
    )
    intercept: Figure | None = figures.intercept(product.order)
    assert intercept is not None
    slack_db = intercept.slack_db if worst else 0.0
    attenuation_db = product.attenuation_db or 0.0
    mixer_dbm = (
        look.fundamental.level_dbm + gain_db_at(seen, look.fundamental.centre_hz) - attenuation_db
    )
    own_dbc = own_product_dbc(mixer_dbm, intercept.value_dbm - slack_db, product.order)
    return mixer_dbm + own_dbc + attenuation_db - product.gain_db


def is_suspicious(
    settings: EmissionSettings, product: Product, look: Look | None, seen: Seen
) -> bool:
    """Whether it matters where a product comes from, and the reading alone does not say.

    It stands out of the floor, and is near its limit or has none, or the sweeper may make as much.
    """
    if product.bound is not Bound.VALUE:
        return False
    carrier_hz = None if look is None or look.fundamental is None else look.fundamental.centre_hz
    limit_dbm = limit_dbm_at(settings, product.frequency_hz, carrier_hz)
    if limit_dbm is None or product.level_dbm > limit_dbm - CHECK_WITHIN_DB:
        return True
    own_dbm = None if look is None else own_product_dbm(settings, product, look, seen, worst=True)
    return own_dbm is not None and own_dbm > product.level_dbm - OWN_BELOW_DB


def checked(product: Product, again: Product | str, added_db: float) -> Classed:
    """Class a product by a second reading with ``added_db`` more in front of the mixer.

    What the test leaves open of a real one counts as limits: up to the larger of the bounds that
    the phase between both parts allows.
    """
    if isinstance(again, str):
        return Classed(origin=Origin.CANNOT_TELL, reason=f"swept again, but {again}")
    # A reading that the floor's own noise may show is the floor's.
    second_dbm = again.level_dbm
    if again.bound is not Bound.VALUE:
        second_dbm = min(again.reading_dbm, again.floor_dbm + 2.0)
    test = overload_test(
        product.level_dbm,
        second_dbm,
        added_db,
        u_first_db=product.u_db,
        u_second_db=math.hypot(again.u_db, ASSUMED_SWITCHING_DB / math.sqrt(3.0)),
        first_floor_dbm=product.floor_dbm,
        second_floor_dbm=again.floor_dbm,
    )
    high_dbm, low_dbm = test.external_high_dbm, test.external_low_dbm
    if product.order in TOLD_ORDERS and test.origin in (Origin.REAL, Origin.MIXED):
        # At harmonic n the sweeper makes order n itself; orders above it fall faster and are less.
        low_dbm, high_dbm = external_bounds_dbm(
            second_dbm,
            test.fall_db,
            added_db,
            origin=test.origin,
            order=product.order,
            half_width_db=test.half_width_db,
        )
    if test.origin is Origin.REAL and high_dbm is not None and low_dbm is not None:
        half_db = max(0.0, high_dbm - product.level_dbm, product.level_dbm - low_dbm)
        return Classed(
            origin=Origin.REAL,
            reason=test.reason,
            half_width_db=half_db,
            is_real=True,
            second_seq=again.seq,
        )
    if high_dbm is None and again.bound is not Bound.VALUE:
        # Fallen into the floor: what comes from outside is no more than the floor may hide there.
        high_dbm = again.level_dbm
    return Classed(
        origin=test.origin,
        reason=test.reason,
        at_most_dbm=high_dbm,
        order=test.order,
        second_seq=again.seq,
    )


def unchecked(
    settings: EmissionSettings, product: Product, look: Look | None, seen: Seen, *, why: str
) -> Classed:
    """Class a product that was not swept again. ``why`` it was not, "" where there was no need."""
    if product.bound is not Bound.VALUE:
        return Classed(
            origin=Origin.FLOOR,
            reason=product.reason or "in the floor",
            at_most_dbm=product.level_dbm,
        )
    own_dbm = None if look is None else own_product_dbm(settings, product, look, seen, worst=True)
    apart_db = None if own_dbm is None else product.level_dbm - own_dbm
    if apart_db is not None and apart_db >= OWN_BELOW_DB:
        low, high = beside_db(apart_db)
        reason = (
            f"not swept again: the sweeper's own product lies {apart_db:.0f} dB or more below it"
        )
        return Classed(origin=None, reason=reason, half_width_db=max(high, -low), is_real=True)
    if why:
        return Classed(
            origin=Origin.CANNOT_TELL,
            reason=f"not swept again: {why}",
            at_most_dbm=product.level_dbm,
        )
    return Classed(
        origin=None,
        reason="not swept again: far below its limit",
        at_most_dbm=product.level_dbm,
    )
