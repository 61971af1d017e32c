"""The part of a summary that the kind ``transmission`` makes."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from acqd.publish.parts import Count, Fraction, Part, Text

__all__ = [
    "BudgetLine",
    "GroupDelayFigures",
    "NamedLoss",
    "Notch",
    "PadFigures",
    "Passband",
    "ShapeFactor",
    "StatedPassband",
    "StopSeparation",
    "StopbandRejection",
    "ThroughReference",
    "TransmissionSummary",
    "TwoEdges",
]


class TwoEdges(Part):
    """Lower and upper edge at one level; null where an edge was not seen, and the text says why."""

    below_db: float
    lower_hz: float | None
    lower_expanded_hz: float | None
    lower_text: Text
    upper_hz: float | None
    upper_expanded_hz: float | None
    upper_text: Text
    centre_hz: float | None
    """Geometric mean of both."""
    centre_expanded_hz: float | None
    width_hz: float | None
    width_expanded_hz: float | None


class ShapeFactor(Part):
    """Width at one level over width at another."""

    wide_db: float
    narrow_db: float
    factor: float | None
    expanded: float | None


class Passband(Part):
    """A range that passes, as it was recognised."""

    main: bool
    """Whether the bare figures are of this one."""
    least_loss_db: float | None
    least_loss_expanded_db: float | None
    least_loss_hz: float | None
    centre_loss_db: float | None
    edges: Annotated[tuple[TwoEdges, ...], Field(max_length=8)]
    q: float | None
    q_expanded: float | None
    shape_factors: Annotated[tuple[ShapeFactor, ...], Field(max_length=8)]


class Notch(Part):
    """A range that is stopped between two that pass."""

    depth_db: float | None
    """Below the worse of the passbands beside it."""
    depth_expanded_db: float | None
    at_least: bool
    deepest_hz: float | None
    pass_db: float | None
    edges: Annotated[tuple[TwoEdges, ...], Field(max_length=8)]


class StatedPassband(Part):
    """The passband that the config states: least and largest loss, and ripple between its ends."""

    start_hz: float
    stop_hz: float
    points: Count
    covered: Fraction
    at_least: bool
    """Some loss in it is a lower limit."""
    least_loss_db: float | None
    largest_loss_db: float | None
    largest_loss_hz: float | None
    largest_loss_expanded_db: float | None
    ripple_db: float | None
    ripple_expanded_db: float | None
    noise_ripple_db: float | None
    """What noise alone would make of a flat one."""


class PadFigures(Part):
    """A pad: mean loss over the stated passband, or the sweep."""

    start_hz: float
    stop_hz: float
    points: Count
    covered: Fraction
    at_least: bool
    nominal_db: float
    value_db: float | None
    value_expanded_db: float | None
    deviation_db: float | None
    flatness_db: float | None
    flatness_expanded_db: float | None
    noise_flatness_db: float | None
    slope_db_per_mhz: float | None


class StopbandRejection(Part):
    """How far a whole range is kept below the passband's least loss, at its weakest place."""

    name: Text
    start_hz: float
    stop_hz: float
    covered: Fraction
    rejection_db: float | None
    rejection_expanded_db: float | None
    at_least: bool
    at_hz: float | None
    reason: Text | None


class NamedLoss(Part):
    """A named frequency. ``at_least`` goes for both figures."""

    name: Text
    role: Literal["pass", "stop"]
    frequency_hz: float
    loss_db: float | None
    loss_expanded_db: float | None
    at_least: bool
    rejection_db: float | None
    """Loss here less the passband's least loss; of those that should stop."""
    rejection_expanded_db: float | None
    text: Text


class StopSeparation(Part):
    """Least loss of the named stop frequencies less largest of the pass frequencies."""

    value_db: float | None
    expanded_db: float | None
    at_least: bool
    reason: Text | None


class GroupDelayFigures(Part):
    """Group delay of a vector sweeper's sweep, within the stated passband or the main one."""

    start_hz: float
    stop_hz: float
    centre_hz: float | None
    centre_s: float | None
    centre_noise_expanded_s: float | None
    """By noise alone."""
    least_s: float | None
    largest_s: float | None
    aperture_hz: float | None
    longest_s: float | None
    """A longer delay cannot be told from a shorter one with this step."""
    notes: Annotated[tuple[Text, ...], Field(max_length=8)]


class ThroughReference(Part):
    """The through that the losses are against."""

    at_s: float
    age_s: float | None
    sweeps: Count
    repeatability_db: float | None
    temperature_c: float | None


class BudgetLine(Part):
    """One part of the budget; docs/uncertainty.md says what it means."""

    name: Text
    half_width: float | None
    unit: Text
    shape: Text
    sensitivity: float | None
    contribution_db: float | None
    share: Fraction
    assumed: bool
    shrink: Text


class TransmissionSummary(Part):
    """The numbers of the kind ``transmission``, from one pass; docs/transmission.md says how each
    is found. Names with ``expanded`` are U at k = 2 of the figure before them."""

    refused: Text | None
    """Why nothing was measured; null where it was."""
    response: Literal["band-pass", "band-stop", "low-pass", "high-pass", "flat", "unclear"] | None
    text: Text
    """The device in one line."""
    start_hz: float | None
    stop_hz: float | None
    points: Count
    """With a level."""
    vector: bool
    floor_from: Literal["quiet reference", "stated"] | None
    dynamic_range_db: float | None
    """Median of the through over the floor."""
    noise_db: float | None
    """Typical standard deviation of one point."""
    reference: ThroughReference | None
    passbands_count: Count
    passbands: Annotated[tuple[Passband, ...], Field(max_length=8)]
    notches_count: Count
    notches: Annotated[tuple[Notch, ...], Field(max_length=8)]
    passband: StatedPassband | None
    pad: PadFigures | None
    stopbands: Annotated[tuple[StopbandRejection, ...], Field(max_length=32)]
    named: Annotated[tuple[NamedLoss, ...], Field(max_length=32)]
    separation: StopSeparation | None
    delay: GroupDelayFigures | None
    budget_of: Literal["least_loss_db", "pad_db"] | None
    budget_text: Text | None
    budget: Annotated[tuple[BudgetLine, ...], Field(max_length=32)]
    assumed: Annotated[tuple[Text, ...], Field(max_length=32)]
    """Parts of the budget that nobody stated."""
    notes: Annotated[tuple[Text, ...], Field(max_length=32)]
    stored: Count
    due: Count
    coverage: Fraction | None
