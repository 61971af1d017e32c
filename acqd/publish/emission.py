"""The part of a summary that the kind ``emission`` makes."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from acqd.publish.parts import Count, Fraction, Number, Part, Text, VerdictWord

__all__ = [
    "EmissionBudget",
    "EmissionBudgetLine",
    "EmissionFundamental",
    "EmissionIntercept",
    "EmissionMissing",
    "EmissionNeighbour",
    "EmissionProduct",
    "EmissionRange",
    "EmissionSummary",
    "EmissionWidth",
]

BoundWord = Literal["at most", "at least"]


class EmissionFundamental(Part):
    """The carrier, or the modulated emission, that everything is referred to."""

    frequency_hz: float | None
    frequency_expanded_hz: float | None
    """U at k = 2, as all that are called expanded."""
    off_hz: float | None
    """From the expected frequency; null where none is stated."""
    level_dbm: float | None
    power_w: float | None
    expanded_db: float | None
    level_from: str
    """Whether the level is that of its ``channel`` or of its ``peak``."""
    over_floor_db: float | None
    change_db: float | None
    """By the last look against the first."""
    notes: tuple[Text, ...]
    seq: Number | None


class EmissionProduct(Part):
    """A harmonic, or what a search found.

    ``level_dbm`` and ``dbc`` are what is judged; with a ``bound`` the truth lies there or below.
    """

    name: str
    order: Count | None
    """Of a harmonic; null for what a search found."""
    frequency_hz: float | None
    level_dbm: float | None
    level_w: float | None
    dbc: float | None
    """Against the fundamental, negative below it."""
    bound: BoundWord | None
    kind: str
    """carrier, noise-like or unknown."""
    origin: str
    """real, made inside, mixed, floor, cannot tell, or not looked into."""
    origin_order: Count | None
    origin_reason: Text
    over_floor_db: float | None
    expanded_db: float | None
    below_expanded_db: float | None
    """U of ``dbc``."""
    figure: float | None
    """What stands beside the worst limit, in its unit."""
    limit: float | None
    limit_unit: str | None
    margin_db: float | None
    """How far inside the limit; below 0 beyond it."""
    verdict: VerdictWord | None
    text: Text
    seq: Number


class EmissionRange(Part):
    """A piece that was searched: nothing lies above ``most_dbm`` but what is among the products."""

    start_hz: float | None
    stop_hz: float | None
    most_dbm: float | None
    """At ``at_hz``, where it is nearest to a limit."""
    at_hz: float | None
    expanded_db: float | None
    least_margin_db: float | None
    products: Count
    missing_hz: float | None
    verdict: VerdictWord | None
    text: Text
    seq: Number


class EmissionMissing(Part):
    """What was asked for and not measured."""

    what: Text
    why: Text


class EmissionWidth(Part):
    """A bandwidth, or why there is none."""

    what: str
    width_hz: float | None
    low_hz: float | None
    high_hz: float | None
    expanded_hz: float | None
    bound: BoundWord | None
    limited_by_noise: bool
    reason: Text | None
    notes: tuple[Text, ...]


class EmissionNeighbour(Part):
    """A channel beside the main one; −1 lower, 1 upper."""

    place: int
    start_hz: float | None
    stop_hz: float | None
    power_dbm: float | None
    ratio_db: float | None
    """Main less neighbour."""
    expanded_db: float | None
    """From noise alone."""
    bound: BoundWord | None
    worse: bool
    reason: Text | None


class EmissionIntercept(Part):
    """An intercept of the sweeper's mixer."""

    order: Count
    intercept_dbm: float | None
    known: str
    """declared or measured."""


class EmissionBudgetLine(Part):
    """One part of a budget, the largest share first."""

    name: Text
    half_width: float | None
    unit: str
    shape: str
    sensitivity: float | None
    u: float | None
    contribution: float | None
    share: Fraction | None
    assumed: bool
    shrink: Text
    count: Count | None


class EmissionBudget(Part):
    """What makes the figure nearest to its limit uncertain."""

    figure: Text
    sentence: Text
    lines: Annotated[tuple[EmissionBudgetLine, ...], Field(max_length=32)]


class EmissionSummary(Part):
    """The numbers of the kind ``emission``, from one pass; docs/emission.md tells how."""

    plane: str
    state: Literal["keyed", "not keyed", "released", "cut short", "cannot see", "no key"]
    said: Text
    complete: bool
    external_pad_db: float | None
    """A pad that stands before the chain for this pass, as the fundamental tells."""
    threshold_dbm: float | None
    """At the plane; above it the transmitter counts as keyed."""
    strongest_dbm: float | None
    fundamental: EmissionFundamental | None
    products: Annotated[tuple[EmissionProduct, ...], Field(max_length=64)]
    products_dropped: Count
    searched: Annotated[tuple[EmissionRange, ...], Field(max_length=251)]
    not_measured: Annotated[tuple[EmissionMissing, ...], Field(max_length=400)]
    occupied: EmissionWidth | None
    x_db: EmissionWidth | None
    adjacent: Annotated[tuple[EmissionNeighbour, ...], Field(max_length=8)]
    intercepts: Annotated[tuple[EmissionIntercept, ...], Field(max_length=2)]
    proof: Annotated[tuple[Text, ...], Field(max_length=4)]
    """What the chain cannot prove, and what would do."""
    budget: EmissionBudget | None
    up_to_hz: float | None
    """As far as was measured, or could be."""
    against: tuple[Text, ...]
    """Limits with their editions."""
    rule: Text | None
    prevails: Text | None
    verdict: VerdictWord | None
    text: Text | None
    worst_margin_db: float | None
    notes: Annotated[tuple[Text, ...], Field(max_length=16)]
    stored: Count
    due: Count
    coverage: Fraction | None
