"""Whether a chain and a sweeper can prove a limit at all, worked out before anybody keys.

A strong fundamental makes products inside the sweeper; too much loss ahead of it buries the limit
in its floor. Between both lies the loss with which a product at the limit can be seen and belongs
to the thing measured. Loss x takes n·x off an own product of order n and x off the limit at the
input, so it gains (n − 1)·x; a notch on the fundamental alone gains n times its depth.

What may arrive at the input without harm is another question (see the headroom of a chain): what
is said here of fewer pads never outweighs it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import combinations_with_replacement

from acqd.measure.linearity import largest_input_dbm, own_product_dbc
from acqd.measure.words import number_text
from acqd.units import THERMAL_DENSITY_DBM_PER_HZ

__all__ = [
    "MARGIN_DB",
    "USUAL_PADS_DB",
    "Can",
    "Figure",
    "KnownFrom",
    "Provability",
    "SweeperFigures",
    "common_pad_db",
    "provability",
    "usual_pads",
]

MARGIN_DB = 10.0
"""How far own products stay below the limit, unless said otherwise: as much as that makes a product
on the limit read up to 3.3 dB wrong where the phases meet, and 0.4 dB if powers add (practice)."""

OVER_FLOOR_DB = 10.0
"""How far the limit has to stand out of the floor: a product on it then reads 0.41 dB high."""

USUAL_PADS_DB = (3.0, 6.0, 10.0, 20.0, 30.0, 40.0)
MOST_PADS = 3

SLACK_DB = 10.0
"""An assumed figure may be wrong by this much either way (practice)."""

ASSUMED_SHI_DBM = 30.0
ASSUMED_TOI_DBM = 5.0
ASSUMED_NOISE_FIGURE_DB = 35.0
"""Of a small sweeper at 0 dB attenuation of which nobody knows more (practice)."""

LAST_BIT_DB = 1e-9


class KnownFrom(StrEnum):
    """Where a figure of the sweeper is from."""

    MEASURED = "measured"
    DECLARED = "declared"
    ASSUMED = "assumed"


class Can(StrEnum):
    """Whether the limit can be proved."""

    YES = "yes"
    NO = "no"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A level in dBm and where it is from."""

    value_dbm: float
    known: KnownFrom

    @property
    def slack_db(self) -> float:
        return SLACK_DB if self.known is KnownFrom.ASSUMED else 0.0

    def __str__(self) -> str:
        sign = "+" if self.value_dbm > 0 else ""
        return f"{sign}{number_text(self.value_dbm, 1)} dBm, {self.known}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SweeperFigures:
    """What a sweeper makes by itself, at its mixer: with 0 dB of its own attenuation.

    ``floor_dbm`` is the mean noise power in the RBW to be used; ``attenuation_db`` what the sweeper
    will be set to, which acts like a pad.
    """

    floor_dbm: Figure
    shi_dbm: Figure
    toi_dbm: Figure
    attenuation_db: float = 0.0

    @classmethod
    def known(
        cls,
        *,
        rbw_hz: float,
        floor_dbm: Figure | None = None,
        shi_dbm: Figure | None = None,
        toi_dbm: Figure | None = None,
        attenuation_db: float = 0.0,
    ) -> SweeperFigures:
        """With what nobody knows assumed: SHI +30 dBm, TOI +5 dBm, a noise figure of 35 dB."""
        if not rbw_hz > 0.0:
            raise ValueError(f"rbw_hz must be above 0, got {rbw_hz}")
        floor = THERMAL_DENSITY_DBM_PER_HZ + ASSUMED_NOISE_FIGURE_DB + 10.0 * math.log10(rbw_hz)

        def assumed(value_dbm: float) -> Figure:
            return Figure(value_dbm=value_dbm, known=KnownFrom.ASSUMED)

        return cls(
            floor_dbm=floor_dbm or assumed(floor),
            shi_dbm=shi_dbm or assumed(ASSUMED_SHI_DBM),
            toi_dbm=toi_dbm or assumed(ASSUMED_TOI_DBM),
            attenuation_db=attenuation_db,
        )

    def intercept(self, order: int) -> Figure | None:
        """Of the second order or the third; of higher ones nobody states any."""
        return {2: self.shi_dbm, 3: self.toi_dbm}.get(order)


@dataclass(frozen=True, slots=True, kw_only=True)
class Provability:
    """Whether a limit can be proved, why, and what would help. dBc are at the plane.

    ``own_product_dbc`` is None for an order without an intercept. ``limit_at_input_dbm`` is where a
    product on the limit arrives. ``best_pad_db`` is the least and most loss to add with which own
    product and floor both keep their margins, None where no added loss does; ``pads_db`` are usual
    pads that make up the least of it, empty where none is needed, None where none fit.
    ``notch_db`` is the depth of a notch on the fundamental that does without any pad: 0 where none
    is needed, None where the floor stands in the way and no notch helps. ``floor_excess_db`` is by
    how much the floor would have to fall before any pad does: 0 where one does already.
    """

    can: Can
    order: int
    limit_dbc: float
    margin_db: float
    own_product_dbc: float | None
    floor_dbc: float
    limit_at_input_dbm: float
    best_pad_db: tuple[float, float] | None
    pads_db: tuple[float, ...] | None
    notch_db: float | None
    floor_excess_db: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """Levels at the mixer as things are, and what is asked of them."""

    fundamental_dbm: float
    limit_dbm: float
    carrier_dbm: float
    """Where the carrier would arrive had it the product's loss: dBc at the plane count from it."""
    order: int
    intercept: Figure | None
    floor: Figure
    margin_db: float
    over_floor_db: float

    def own_dbm(self, slack: float = 0.0) -> float:
        """The own product. ``slack`` +1 is the best that assumed figures can be, −1 the worst."""
        if self.intercept is None:
            return -math.inf
        intercept_dbm = self.intercept.value_dbm + slack * self.intercept.slack_db
        return self.fundamental_dbm + own_product_dbc(
            self.fundamental_dbm, intercept_dbm, self.order
        )

    def least_pad_db(self, slack: float) -> float:
        """Loss to add for the own product's sake; negative where there is some to spare."""
        excess_db = self.own_dbm(slack) - (self.limit_dbm - self.margin_db)
        return excess_db / (self.order - 1)

    def most_pad_db(self, slack: float) -> float:
        """Loss that may be added for the floor's sake; negative where there is too much."""
        floor_dbm = self.floor.value_dbm - slack * self.floor.slack_db
        return self.limit_dbm - floor_dbm - self.over_floor_db

    def proves(self, slack: float) -> bool:
        return self.least_pad_db(slack) <= LAST_BIT_DB and self.most_pad_db(slack) >= -LAST_BIT_DB


def provability(
    *,
    power_dbm: float,
    loss_db: float,
    sweeper: SweeperFigures,
    limit_dbc: float | None = None,
    limit_dbm: float | None = None,
    product_loss_db: float | None = None,
    notch_db: float = 0.0,
    order: int = 2,
    margin_db: float = MARGIN_DB,
    over_floor_db: float = OVER_FLOOR_DB,
) -> Provability:
    """Whether a product on the limit can be seen, and told from what the sweeper makes itself.

    Args:
        power_dbm: of the fundamental at the plane.
        loss_db: of the chain at the fundamental, notches left out, above 0.
        sweeper: its own products and floor.
        limit_dbc, limit_dbm: the limit at the plane, one of them; dBc are negative.
        product_loss_db: of the chain at the product; that at the fundamental where not given.
        notch_db: depth of a notch on the fundamental ahead of the sweeper.
        order: of the product, 2 for the second harmonic. The third is judged by the intercept of
            two tones, which is 4.8 dB too strict for the harmonic of one (ideal cubic, derived).
            Higher orders have no intercept: only the floor is judged, and it never says yes.
        margin_db, over_floor_db: how far own product and floor stay below the limit.

    Judge a harmonic by order 2 and by order 3 if both are of interest; an input so strong that the
    sweeper compresses is only seen by order 3.

    Where assumed figures decide, it is "cannot tell" unless the answer is the same with all of them
    10 dB better and 10 dB worse. What helps is worked out for the worse case.

    Raises:
        ValueError: an order below 2, not exactly one limit, or figures that are not finite.

    Source: derived from the definition of intercepts; margins are practice.
    """
    lost_db = loss_db if product_loss_db is None else product_loss_db
    if (limit_dbc is None) == (limit_dbm is None):
        raise ValueError("exactly one of limit_dbc and limit_dbm must be given")
    goal_dbc = limit_dbc if limit_dbc is not None else float(limit_dbm or 0.0) - power_dbm
    figures = (power_dbm, loss_db, lost_db, goal_dbc, notch_db, margin_db, over_floor_db)
    if not all(math.isfinite(each) for each in figures):
        raise ValueError(f"levels, losses and margins must be finite, got {figures}")
    carrier_dbm = power_dbm - lost_db - sweeper.attenuation_db
    case = _Case(
        fundamental_dbm=power_dbm - loss_db - sweeper.attenuation_db - notch_db,
        limit_dbm=carrier_dbm + goal_dbc,
        carrier_dbm=carrier_dbm,
        order=order,
        intercept=sweeper.intercept(order),
        floor=sweeper.floor_dbm,
        margin_db=margin_db,
        over_floor_db=over_floor_db,
    )
    if order < 2:
        raise ValueError(f"the order of a product must be 2 or more, got {order}")
    return _told(case, goal_dbc)


def _told(case: _Case, limit_dbc: float) -> Provability:
    least_db, most_db = max(0.0, case.least_pad_db(-1)), case.most_pad_db(-1)
    least_db = 0.0 if least_db < LAST_BIT_DB else least_db
    fits = least_db <= most_db + LAST_BIT_DB
    best = (least_db, max(least_db, most_db)) if fits else None
    notch_db = None
    if most_db >= -LAST_BIT_DB:
        # The notch acts on all n factors of the product; the limit does not move.
        notch_db = least_db * (case.order - 1) / case.order
    found = Provability(
        can=_can(case),
        order=case.order,
        limit_dbc=limit_dbc,
        margin_db=case.margin_db,
        own_product_dbc=None if case.intercept is None else case.own_dbm() - case.carrier_dbm,
        floor_dbc=case.floor.value_dbm - case.carrier_dbm,
        limit_at_input_dbm=case.limit_dbm,
        best_pad_db=best,
        pads_db=None if best is None else usual_pads(*best),
        notch_db=notch_db,
        floor_excess_db=0.0 if fits else least_db - most_db,
        text="",
    )
    return _with_text(found, case)


def _can(case: _Case) -> Can:
    if not case.proves(+1):
        return Can.NO
    if case.intercept is None or not case.proves(-1):
        return Can.CANNOT_TELL
    return Can.YES


def usual_pads(least_db: float, most_db: float) -> tuple[float, ...] | None:
    """Usual pads, largest first, whose sum lies within a range: as few as do, three at most.

    Of as many pads the smallest sum. Empty where 0 dB is enough; None where no such row fits.
    """
    if least_db <= LAST_BIT_DB:
        return ()
    rows = (
        row
        for count in range(1, MOST_PADS + 1)
        for row in combinations_with_replacement(sorted(USUAL_PADS_DB, reverse=True), count)
    )
    fit = [r for r in rows if least_db - LAST_BIT_DB <= sum(r) <= most_db + LAST_BIT_DB]
    return min(fit, key=lambda row: (len(row), sum(row)), default=None)


def common_pad_db(found: Iterable[Provability]) -> tuple[float, float] | None:
    """Loss to add with which every product can be proved: the least and the most.

    None where no loss does for all of them, or there is nothing.
    """
    ranges = [each.best_pad_db for each in found]
    both = [each for each in ranges if each is not None]
    if not both or len(both) < len(ranges):
        return None
    least_db, most_db = max(low for low, _ in both), min(high for _, high in both)
    return (least_db, most_db) if least_db <= most_db else None


def _with_text(found: Provability, case: _Case) -> Provability:
    limit = f"{number_text(found.limit_dbc, 1)} dBc"
    verdict = {
        Can.YES: f"can prove {limit}",
        Can.NO: f"cannot prove {limit}",
        Can.CANNOT_TELL: f"cannot tell whether {limit} can be proved",
    }[found.can]
    why = ", ".join((_own_text(found, case), _floor_text(found, case)))
    advice = "" if found.can is Can.YES else _advice(found, case)
    return replace(found, text=f"{verdict}: {why}{'; ' if advice else ''}{advice}")


def _own_text(found: Provability, case: _Case) -> str:
    if found.own_product_dbc is None or case.intercept is None:
        return f"nobody knows the sweeper's own product of order {found.order}"
    name = {2: "SHI", 3: "TOI"}[found.order]
    own = number_text(found.own_product_dbc, 1)
    return f"the sweeper's own product is at {own} dBc ({name} {case.intercept})"


def _floor_text(found: Provability, case: _Case) -> str:
    arrives = number_text(found.limit_at_input_dbm, 1)
    return f"the limit arrives at {arrives} dBm over a floor of {case.floor}"


def _advice(found: Provability, case: _Case) -> str:
    """What would do, in one sentence's end."""
    if found.best_pad_db is None:
        return _advice_without_pad(found, case)
    least_db, most_db = found.best_pad_db
    if least_db == 0.0:
        return "sweep again with more attenuation: what falls by more than the rest is made inside"
    pads = found.pads_db
    if pads is None:
        pad = f"{number_text(least_db, 1)} to {number_text(most_db, 1)} dB more loss"
    else:
        pad = f"{' + '.join(f'{each:g}' for each in pads)} dB more in pads"
    at_most = _largest_input(case)
    arrives = "" if at_most is None else f" (at most {number_text(at_most, 1)} dBm at the mixer)"
    notch = f"{_whole_db(found.notch_db or 0.0)} dB"
    return f"{pad}{arrives} or a notch of {notch} on the fundamental would do"


def _whole_db(depth_db: float) -> int:
    return math.ceil(depth_db - LAST_BIT_DB)


def _largest_input(case: _Case) -> float | None:
    """Largest fundamental at the mixer with which the own product keeps its margin."""
    if case.intercept is None:
        return None
    worst_dbm = case.intercept.value_dbm - case.intercept.slack_db
    limit_dbc = case.limit_dbm - case.fundamental_dbm
    return largest_input_dbm(limit_dbc, worst_dbm, case.margin_db, case.order)


NARROWER_MOST = 100
"""An RBW so many times narrower is not to be had, and no transmitter holds still in it."""


def _advice_without_pad(found: Provability, case: _Case) -> str:
    excess = number_text(found.floor_excess_db, 1)
    factor = math.ceil(10.0 ** (found.floor_excess_db / 10.0))
    if found.notch_db is not None:
        return (
            f"no pad does, the floor is {excess} dB too high for that: "
            f"a notch of {_whole_db(found.notch_db)} dB on the fundamental would do"
        )
    narrower = f"for a steady carrier an RBW {factor} times narrower would do, else "
    return (
        f"the floor is {excess} dB too high for it: {narrower if factor <= NARROWER_MOST else ''}"
        "less loss behind a notch on the fundamental would do, as far as the input's maximum allows"
    )
