"""What a pass of an emission check brought out: figures, where they come from, what limits say."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

from acqd.measure.adjacent import AdjacentPower, adjacent_power
from acqd.measure.bandpower import enb_hz
from acqd.measure.bandwidth import Bandwidth, occupied_bandwidth, x_db_bandwidth
from acqd.measure.budget import Budget
from acqd.measure.emission_budget import (
    below_budget,
    fundamental_budget,
    own_part,
    product_budget,
    wandered,
)
from acqd.measure.emission_layout import (
    AGAIN,
    LAST,
    LOOK,
    WIDTH,
    harmonics_of,
    pieces_of,
)
from acqd.measure.emission_limits import Beside, Read, beside_limits
from acqd.measure.emission_origin import Classed, checked, harder_db, is_suspicious, unchecked
from acqd.measure.emission_readings import (
    Look,
    Product,
    as_product,
    averages_of,
    level_dbm,
    look_at,
    reading_of,
)
from acqd.measure.emission_search import (
    SearchedRange,
    excluded_hz,
    found_in_search,
    range_of,
    zoomed,
)
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.passmeter import Seen
from acqd.measure.peaks import Bound
from acqd.measure.products import ProductKind
from acqd.measure.trust import SPOILT_NOISE, hole_text, holes_hz, spoilt_by
from acqd.measure.uncertainty import frequency_budget
from acqd.measure.words import frequency_text, range_text

__all__ = ["PRODUCTS_MOST", "Before", "Found", "Missing", "Outcome", "SearchedRange", "outcome_of"]

PRODUCTS_MOST = 64

PROOF_OVER_FLOOR_DB = 10.0
"""A sweep in which something stands out so far was taken while keyed."""

LINE_OVER_FLOOR_DB = 20.0
"""From here on all detectors read a line alike."""

NO_ATTENUATOR = "the sweeper has no attenuator that helps"


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """The products of the pass before, by name, and the fundamental's level in it: for comparing
    with one behind an external pad."""

    fundamental_dbm: float
    products: Mapping[str, Product]


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One product: its reading, its origin, U and what each limit says.

    ``level_dbm`` is what is judged: the reading, or the most that comes from outside where
    ``at_most``. ``dbc`` is against the fundamental, negative below it.
    """

    product: Product
    classed: Classed
    level_dbm: float
    at_most: bool
    budget: Budget
    below: Budget | None
    dbc: float | None
    beside: tuple[Beside, ...]

    @property
    def worst(self) -> Beside | None:
        """The limit that it is nearest to, or furthest beyond, counted in U."""
        return min(self.beside, key=lambda one: one.margin, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """What was asked for and not measured. ``is_wanted``: the verdict is incomplete without."""

    what: str
    why: str
    is_wanted: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """All that one pass brought."""

    look: Look | None
    last: Look | None
    released: bool
    complete: bool
    fundamental: Budget | None
    frequency: Budget | None
    products: tuple[Found, ...]
    dropped: int
    searched: tuple[SearchedRange, ...]
    missing: tuple[Missing, ...]
    occupied: Bandwidth | None
    x_db: Bandwidth | None
    width_seq: int | None
    adjacent: AdjacentPower | None
    up_to_hz: float | None
    pad_db: float = 0.0
    first: Seen | None = None
    seen_of: Mapping[int, Seen] | None = None

    @property
    def fundamental_dbm(self) -> float | None:
        found = None if self.look is None else self.look.fundamental
        return None if found is None else found.level_dbm + self.pad_db

    @property
    def suspicious(self) -> tuple[Found, ...]:
        """Products of which it matters where they come from, and nobody could tell."""
        return tuple(one for one in self.products if one.classed.reason.endswith(NO_ATTENUATOR))


def outcome_of(
    settings: EmissionSettings,
    seen: tuple[Seen, ...],
    *,
    complete: bool,
    before: Before | None = None,
    pad_db: float = 0.0,
) -> Outcome:
    """The figures of a pass, also of one that was cut short.

    Args:
        before: what the same transmitter showed without the external pad of ``pad_db`` that is
            there now; products are then classed by both, and levels are those ahead of the pad.
    """
    first = seen[0]
    look = look_at(settings, first) if settings.keyed else None
    if look is not None and not look.keyed:
        return _nothing(look, first)
    return _Work(settings, seen, look, complete, before, pad_db).outcome()


def _nothing(look: Look, first: Seen) -> Outcome:
    return Outcome(
        look=look,
        last=None,
        released=False,
        complete=False,
        fundamental=None,
        frequency=None,
        products=(),
        dropped=0,
        searched=(),
        missing=(),
        occupied=None,
        x_db=None,
        width_seq=None,
        adjacent=None,
        up_to_hz=None,
        first=first,
    )


class _Work:
    """One pass under the knife; holds what all parts of it need, changes nothing."""

    def __init__(
        self,
        settings: EmissionSettings,
        seen: tuple[Seen, ...],
        look: Look | None,
        complete: bool,
        before: Before | None,
        pad_db: float,
    ) -> None:
        self.settings, self.first, self.look = settings, seen[0], look
        self.complete, self.before, self.pad_db = complete, before, pad_db
        self.by_step = {one.sweep.step: one for one in seen}
        last = self.by_step.get(LAST)
        self.last = None if last is None else look_at(settings, last)
        self.released = self.last is not None and not self.last.keyed
        self.good = frozenset(self.by_step)
        if look is not None and (self.released or self.last is None):
            self.good = self._while_keyed(seen)
        self.spoilt = {
            step: why
            for step, one in self.by_step.items()
            if (why := spoilt_by(one.sweep.flags, SPOILT_NOISE))
        }
        holes = self._holes_in_fundamental()
        if holes:
            self.spoilt.setdefault(LOOK, hole_text(holes))
        # The look stays: all else is laid out by it.
        self.good -= self.spoilt.keys() - {LOOK}

    def _holes_in_fundamental(self) -> tuple[tuple[float, float], ...]:
        if self.look is None or self.look.fundamental is None:
            return ()
        one, setup = self.look.fundamental, self.first.setup
        edge_hz = setup.rbw_hz or 0.0
        within = (one.low_hz - edge_hz, one.high_hz + edge_hz)
        level, frequency = level_dbm(self.first), setup.grid.frequency_hz
        return holes_hz(frequency, level, rbw_hz=setup.rbw_hz, within_hz=within)

    @property
    def carrier_hz(self) -> float | None:
        found = None if self.look is None else self.look.fundamental
        return None if found is None else found.centre_hz

    @property
    def fundamental_dbm(self) -> float | None:
        found = None if self.look is None else self.look.fundamental
        return None if found is None else found.level_dbm

    @property
    def _ahead_dbm(self) -> float | None:
        """The fundamental ahead of an external pad."""
        found_dbm = self.fundamental_dbm
        return None if found_dbm is None else found_dbm + self.pad_db

    def _while_keyed(self, seen: tuple[Seen, ...]) -> frozenset[int]:
        """Steps up to the last sweep that shows for itself that it was keyed then."""
        proven = 0
        for at, one in enumerate(seen):
            step = one.sweep.step
            if step in (LOOK, LAST, AGAIN + LOOK):
                continue
            found = reading_of(one, name="", order=None)
            if not isinstance(found, str) and found.bound is Bound.VALUE:
                proven = at if found.over_floor_db >= PROOF_OVER_FLOOR_DB else proven
        return frozenset(one.sweep.step for one in seen[: proven + 1])

    # -- all of it -------------------------------------------------------------------------------

    def outcome(self) -> Outcome:
        products, missing, dropped = self._products()
        ranges, unsearched = self._ranges()
        missing = [*missing, *unsearched]
        width = self.by_step.get(WIDTH) if WIDTH in self.good else None
        occupied, x_db = self.widths
        asked_width = self.look is not None and self.settings.necessary_hz is not None
        if asked_width and width is None:
            missing.append(Missing(what="bandwidth", why=self._why_not(WIDTH), is_wanted=False))
        if self.look is not None and self.last is None:
            why = "the pass ended before it was looked at once more"
            missing.append(Missing(what="whether it was keyed to the end", why=why))
        if self.look is not None and LAST in self.spoilt:
            why = self.spoilt[LAST]
            missing.append(Missing(what="whether it was keyed to the end", why=why))
        look = self.look
        return Outcome(
            look=look,
            last=self.last,
            released=self.released,
            complete=self.complete and not self.released and not missing,
            fundamental=None if look is None else self._fundamental_budget(look),
            frequency=None if look is None else self._frequency_budget(look),
            products=products[:PRODUCTS_MOST],
            dropped=dropped + max(0, len(products) - PRODUCTS_MOST),
            searched=ranges,
            missing=tuple(missing),
            occupied=occupied,
            x_db=x_db,
            width_seq=(width or self.first).sweep.seq,
            adjacent=None if width is None else self._adjacent(width),
            up_to_hz=self._up_to_hz(),
            pad_db=self.pad_db,
            first=self.first,
            seen_of=self.by_step,
        )

    def _why_not(self, step: int) -> str:
        if step in self.spoilt:
            return self.spoilt[step]
        if step in self.by_step and step not in self.good:
            return "the key was released" if self.released else "nobody knows if it was still keyed"
        if self.released:
            return "the key was released"
        if not self.complete:
            return "the pass was cut short"
        return f"keyed for {self.settings.keyed_most_s:g} s, which is all it may be"

    def _up_to_hz(self) -> float | None:
        high_hz = (self.first.setup.range_hz or (0.0, math.inf))[1]
        if self.settings.up_to_hz is not None:
            high_hz = min(high_hz, self.settings.up_to_hz)
        return high_hz if math.isfinite(high_hz) else None

    # -- the fundamental -------------------------------------------------------------------------

    def _fundamental_budget(self, look: Look) -> Budget:
        return fundamental_budget(self.settings, look, self.first, pads_db=self._pads)

    @property
    def _pads(self) -> tuple[float, ...]:
        return (self.pad_db,) if self.pad_db else ()

    def _frequency_budget(self, look: Look) -> Budget:
        found = look.fundamental
        assert found is not None
        setup = self.first.setup
        stated = "frequency_accuracy_ppm" not in setup.assumed
        return frequency_budget(
            found.centre_hz,
            accuracy_ppm=setup.frequency_accuracy_ppm if stated else None,
            step_hz=math.sqrt(12.0) * found.u_centre_hz,
        )

    def _change_db(self) -> float:
        if self.last is None or self.last.fundamental is None or self.fundamental_dbm is None:
            return 0.0
        return self.last.fundamental.level_dbm - self.fundamental_dbm

    def _spread_db(self, product: Product, seen: Seen) -> float:
        """How much more power than one reading shows may lie under the noise, where the emission is
        wider than the RBW: its n-th harmonic is n times as wide (frequency modulation; else less).
        """
        occupied, _ = self.widths
        rbw_hz = product.rbw_hz
        if occupied is None or occupied.width_hz is None or rbw_hz is None:
            return 0.0
        own_hz = enb_hz(rbw_hz, enb_per_rbw=seen.setup.noise_bandwidth_ratio)
        cells = (product.order or 1) * occupied.width_hz / own_hz
        return 10.0 * math.log10(max(1.0, cells))

    @cached_property
    def widths(self) -> tuple[Bandwidth | None, Bandwidth | None]:
        """Occupied and x dB bandwidth, from the sweep for them or else the first one."""
        seen = self.by_step[WIDTH] if WIDTH in self.good else self.first
        if self.look is None:
            return None, None
        level, frequency = level_dbm(seen), seen.setup.grid.frequency_hz
        averages = averages_of(seen, level)
        occupied = occupied_bandwidth(
            frequency,
            level,
            rbw_hz=seen.setup.rbw_hz,
            share=self.settings.occupied_share,
            averages=averages,
            enb_per_rbw=seen.setup.noise_bandwidth_ratio,
        )
        x_db = x_db_bandwidth(
            frequency,
            level,
            rbw_hz=seen.setup.rbw_hz,
            x_db=self.settings.x_db,
            averages=averages,
        )
        return occupied, x_db

    def _adjacent(self, seen: Seen) -> AdjacentPower | None:
        settings = self.settings
        if settings.channel_hz is None or settings.spacing_hz is None or self.carrier_hz is None:
            return None
        level = level_dbm(seen)
        averages = averages_of(seen, level)
        return adjacent_power(
            seen.setup.grid.frequency_hz,
            level,
            centre_hz=settings.expected_hz or self.carrier_hz,
            channel_hz=settings.channel_hz,
            spacing_hz=settings.spacing_hz,
            rbw_hz=seen.setup.rbw_hz,
            averages=averages,
            enb_per_rbw=seen.setup.noise_bandwidth_ratio,
        )

    # -- products --------------------------------------------------------------------------------

    def _products(self) -> tuple[tuple[Found, ...], list[Missing], int]:
        found: list[Found] = []
        missing: list[Missing] = []
        if LOOK in self.spoilt:
            # Nothing can be told of what is measured against it, or laid out by it.
            return (), [Missing(what="the emission", why=self.spoilt[LOOK])], 0
        if self.look is not None:
            for asked in harmonics_of(self.settings, self.look, self.first):
                name = f"harmonic {asked.order}"
                if asked.request is None or asked.order not in self.good:
                    why = asked.reason or self._why_not(asked.order)
                    missing.append(Missing(what=name, why=why))
                    continue
                seen = self.by_step[asked.order]
                axis = seen.setup.grid.frequency_hz
                within = max(asked.within_hz[0], axis[0]), min(asked.within_hz[1], axis[-1])
                product = reading_of(seen, name=name, order=asked.order, within_hz=within)
                self._add(product, name, seen, within, found, missing)
        dropped = self._add_searched(found, missing)
        return tuple(found), missing, dropped

    def _add(
        self,
        product: Product | str,
        name: str,
        seen: Seen,
        within: tuple[float, float],
        found: list[Found],
        missing: list[Missing],
    ) -> None:
        if isinstance(product, str):
            missing.append(Missing(what=name, why=product))
        else:
            found.append(self._found(product, seen, within))

    def _add_searched(self, found: list[Found], missing: list[Missing]) -> int:
        """What the search shows: those with a sweep of their own by it, the rest by the search."""
        good = {step: seen for step, seen in self.by_step.items() if step in self.good}
        own: list[tuple[float, float]] = []
        for step, _, within in zoomed(self.settings, self.look, good):
            middle_hz = (within[0] + within[1]) / 2.0
            name = f"product at {frequency_text(middle_hz)}"
            if step not in good:
                continue  # told as the search shows it
            own.append(within)
            product = reading_of(good[step], name=name, order=None, within_hz=within)
            self._add(product, name, good[step], within, found, missing)
        dropped = 0
        for seen, one in found_in_search(self.settings, self.look, good):
            if any(low <= one.frequency_hz <= high for low, high in own):
                continue
            if len(found) < PRODUCTS_MOST:
                found.append(self._found(as_product(one, seen), seen, None))
            else:
                dropped += 1
        return dropped

    def _found(self, product: Product, seen: Seen, within: tuple[float, float] | None) -> Found:
        settings, look = self.settings, self.look
        classed = self._classed(product, seen, within)
        at_most = not classed.is_real
        level = product.level_dbm
        if at_most:
            bound = classed.at_most_dbm
            level = level if bound is None else bound
        spread_db = self._spread_db(product, seen) if product.bound is Bound.AT_MOST else 0.0
        level += spread_db
        more = own_part(classed.half_width_db)
        budget = product_budget(settings, product, seen, more=more, pads_db=self._pads)
        below, dbc = None, None
        if look is not None and self.fundamental_dbm is not None:
            dbc = level - self.fundamental_dbm
            below = below_budget(
                settings,
                product,
                seen,
                look,
                self.first,
                difference_db=dbc,
                more=(*more, *wandered(self._change_db())),
                pads_db=self._pads,
            )
        unbounded = at_most and classed.at_most_dbm is None
        read = Read(
            frequency_hz=product.frequency_hz,
            level_dbm=level - spread_db + self.pad_db,
            spread_db=spread_db,
            # Where nothing bounds what comes from outside, no limit can be told from this.
            expanded_db=math.inf if unbounded else budget.expanded,
            at_most=at_most,
            is_line=product.kind is ProductKind.CARRIER
            and product.over_floor_db >= LINE_OVER_FLOOR_DB,
            detector=seen.setup.detector,
            rbw_hz=seen.setup.rbw_hz,
            enb_per_rbw=seen.setup.noise_bandwidth_ratio,
            carrier_hz=self.carrier_hz,
            fundamental_dbm=self._ahead_dbm,
            down_expanded_db=None if below is None else (math.inf if unbounded else below.expanded),
        )
        return Found(
            product=product,
            classed=classed,
            level_dbm=level + self.pad_db,
            at_most=at_most,
            budget=budget,
            below=below,
            dbc=dbc,
            beside=beside_limits(settings, read),
        )

    def _classed(self, product: Product, seen: Seen, within: tuple[float, float] | None) -> Classed:
        settings, look = self.settings, self.look
        earlier = None if self.before is None else self.before.products.get(product.name)
        fundamental_dbm = self.fundamental_dbm
        if earlier is not None and self.before is not None and fundamental_dbm is not None:
            added_db = self.before.fundamental_dbm - fundamental_dbm
            behind = replace(
                product,
                level_dbm=product.level_dbm + added_db,
                reading_dbm=product.reading_dbm + added_db,
                floor_dbm=product.floor_dbm + added_db,
            )
            found = checked(earlier, behind, added_db)
            if found.at_most_dbm is None:
                return found
            # The test refers to the plane without the pad, this reading stands behind it.
            return replace(found, at_most_dbm=found.at_most_dbm - added_db)
        again = self.by_step.get(AGAIN + product.step)
        if again is not None and again.sweep.step in self.good and within is not None:
            second = reading_of(again, name=product.name, order=product.order, within_hz=within)
            now_db, then_db = again.setup.attenuation_db, product.attenuation_db
            if now_db is not None and then_db is not None and now_db > then_db:
                return checked(product, second, now_db - then_db)
        why = ""
        if is_suspicious(settings, product, look, self.first):
            why = NO_ATTENUATOR
            if harder_db(settings, seen) is not None:
                why = "it had no sweep of its own, or not in time"
            elif settings.check_attenuation_db <= 0.0:
                why = "`check_attenuation` is 0"
        return unchecked(settings, product, look, self.first, why=why)

    # -- the search ------------------------------------------------------------------------------

    def _ranges(self) -> tuple[tuple[SearchedRange, ...], list[Missing]]:
        ranges: list[SearchedRange] = []
        missing: list[Missing] = []
        if LOOK in self.spoilt:
            return (), []
        if not self.settings.keyed:
            self._add_range(self.first, "range swept", ranges, missing)
        for piece in pieces_of(self.settings, self.first):
            what = f"search {range_text(piece.start_hz, piece.stop_hz)}"
            if piece.request is None:
                reach = self._up_to_hz()
                why = "out of the sweeper's reach" if piece.step < 0 else ""
                if reach is not None and piece.start_hz >= reach:
                    why = f"beyond {frequency_text(reach)}"
                missing.append(Missing(what=what, why=why))
            elif piece.step in self.good:
                self._add_range(self.by_step[piece.step], what, ranges, missing)
            else:
                missing.append(Missing(what=what, why=self._why_not(piece.step)))
        return tuple(ranges), missing

    def _add_range(
        self, seen: Seen, what: str, ranges: list[SearchedRange], missing: list[Missing]
    ) -> None:
        """What a piece shows; where it has no levels nobody looked."""
        found = range_of(self.settings, self.look, self.first, seen, pads_db=self._pads)
        if found is None:
            missing.append(Missing(what=what, why="the sweep has too few levels"))
            return
        ranges.append(found)
        holes = holes_hz(
            seen.setup.grid.frequency_hz,
            level_dbm(seen),
            rbw_hz=seen.setup.rbw_hz,
            excluded_hz=excluded_hz(self.settings, self.look, self.first),
        )
        if holes:
            missing.append(Missing(what=f"part of the {what}", why=hole_text(holes)))
