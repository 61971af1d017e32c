"""How uncertain a level of an emission is, and its distance from the fundamental."""

from __future__ import annotations

from collections.abc import Sequence

from acqd.measure.budget import Budget, Component
from acqd.measure.emission import Fundamental
from acqd.measure.emission_readings import Look, Product, gain_db_at
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.passmeter import Seen
from acqd.measure.peaks import Bound
from acqd.measure.uncertainty import (
    Port,
    Reading,
    SweeperFacts,
    chain_element,
    difference_budget,
    input_mismatch,
    level_budget,
)

__all__ = ["below_budget", "fundamental_budget", "own_part", "product_budget", "wandered"]

FLOOR_LEAST_DB = 3.0


def _facts(settings: EmissionSettings, seen: Seen) -> SweeperFacts:
    setup = seen.setup
    assumed = frozenset({"accuracy_db"} if "level_accuracy_db" in setup.assumed else ())
    return SweeperFacts(
        accuracy_db=setup.sweeper_accuracy_db,
        step_db=setup.resolution or 0.0,
        input_vswr=settings.input_vswr,
        assumed=assumed,
    )


def _port(settings: EmissionSettings, gain_db: float) -> Port:
    return Port(source_vswr=settings.source_vswr, pad_db=max(0.0, -gain_db))


def _chain(seen: Seen, pads_db: Sequence[float]) -> tuple[Component, ...]:
    parts = [chain_element(name, half_db) for name, half_db in seen.setup.chain_parts if half_db]
    parts += [chain_element("external pad", 0.5, assumed=True) for _ in pads_db]
    return tuple(parts)


def _product_reading(product: Product) -> Reading:
    over_db = product.over_floor_db
    if product.bound is not Bound.VALUE:
        # The bound holds what noise and floor may do already.
        return Reading(scallop_db=product.scallop_db)
    return Reading(
        over_floor_db=over_db,
        averages=max(1.0, product.averages),
        floor_removed=over_db >= FLOOR_LEAST_DB,
        scallop_db=product.scallop_db,
        interpolated=product.interpolated,
    )


def _fundamental_reading(fundamental: Fundamental, look: Look) -> Reading:
    return Reading(over_floor_db=fundamental.over_floor_db, averages=max(1.0, look.averages))


def own_part(half_width_db: float) -> tuple[Component, ...]:
    """What the sweeper's own product may have done to a reading."""
    if half_width_db <= 0.0:
        return ()
    return (
        Component.from_limits(
            "sweeper's own product beside it",
            half_width_db,
            shrink="let less arrive: more pads, or a notch on the fundamental",
        ),
    )


def wandered(change_db: float) -> tuple[Component, ...]:
    """What the carrier's own wandering during the pass does to a distance from it."""
    if abs(change_db) < 0.05:
        return ()
    shrink = "let the transmitter warm up, and measure it sooner after"
    return (Component.from_limits("the carrier's own change", abs(change_db), shrink=shrink),)


def _unsteady(*u_own_db: float) -> tuple[Component, ...]:
    """What modulation does to readings that are shorter than it takes to repeat."""
    shrink = "key it unmodulated, or sweep slower, or average more sweeps"
    return tuple(
        Component.from_standard("the emission's own unsteadiness", u_db, shrink=shrink)
        for u_db in u_own_db
        if u_db >= 0.05
    )


def fundamental_budget(
    settings: EmissionSettings, look: Look, seen: Seen, *, pads_db: Sequence[float] = ()
) -> Budget:
    """The budget of the fundamental's level."""
    fundamental = look.fundamental
    assert fundamental is not None
    return level_budget(
        _facts(settings, seen),
        _fundamental_reading(fundamental, look),
        port=_port(settings, gain_db_at(seen, fundamental.centre_hz)),
        chain=_chain(seen, pads_db),
    ).with_components(*_unsteady(fundamental.u_own_db))


def product_budget(
    settings: EmissionSettings,
    product: Product,
    seen: Seen,
    *,
    more: Sequence[Component] = (),
    pads_db: Sequence[float] = (),
) -> Budget:
    """The budget of a product's level."""
    budget = level_budget(
        _facts(settings, seen),
        _product_reading(product),
        port=_port(settings, product.gain_db),
        chain=_chain(seen, pads_db),
    )
    return budget.with_components(*_unsteady(product.u_own_db), *more)


def below_budget(
    settings: EmissionSettings,
    product: Product,
    seen: Seen,
    look: Look,
    first: Seen,
    *,
    difference_db: float,
    more: Sequence[Component] = (),
    pads_db: Sequence[float] = (),
) -> Budget:
    """The budget of how far a product lies below the fundamental of ``look``, seen in ``first``."""
    fundamental = look.fundamental
    assert fundamental is not None
    port = _port(settings, product.gain_db)
    differ = (seen.setup.rbw_hz, seen.setup.attenuation_db) != (
        first.setup.rbw_hz,
        first.setup.attenuation_db,
    )
    budget = difference_budget(
        _facts(settings, seen),
        _fundamental_reading(fundamental, look),
        _product_reading(product),
        difference_db=difference_db,
        same_frequency=False,
        mismatches=[one.of_two_readings() for one in input_mismatch(port, settings.input_vswr)],
        chain=_chain(seen, pads_db),
        settings_differ=differ,
    )
    unsteady = _unsteady(fundamental.u_own_db, product.u_own_db)
    return budget.with_components(*unsteady, *more)
