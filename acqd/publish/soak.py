"""The part of a summary that a soak adds."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from acqd.publish.parts import Count, Fraction, Number, Part, Text

__all__ = ["SoakContextPart", "SoakExcursion", "SoakLimitPart", "SoakSummary"]


class SoakExcursion(Part):
    """A reading beyond a limit."""

    seq: Number
    at_s: float
    value: float | None
    beyond: float | None


class SoakContextPart(Part):
    """A figure over one context, the other contexts held: slope with its 95 % interval.

    In the figure's change per unit of the context; null where nobody can tell, and ``text`` says
    why.
    """

    name: str
    slope: float | None
    slope_low: float | None
    slope_high: float | None
    correlation: float | None
    span: float | None
    """How far the context moved."""
    related: bool
    """The interval leaves out 0."""
    text: Text


class SoakLimitPart(Part):
    """One figure and what is asked of it, in ``unit``; drifts are in its change per hour."""

    figure: str
    unit: str
    of: Literal["worst", "mean"]
    at_most: float | None
    at_least: float | None
    drift_at_most: float | None
    readings: Count
    missing: Count
    """Sweeps without this figure."""
    last: float | None
    mean: float | None
    least: float | None
    greatest: float | None
    outside: Count
    """Readings beyond a limit."""
    first_outside: SoakExcursion | None
    worst_outside: SoakExcursion | None
    drift_per_h: float | None
    """As of the last hour, like all that follows; null before the first."""
    drift_per_h_low: float | None
    drift_per_h_high: float | None
    drift_reason: str | None
    contexts: Annotated[tuple[SoakContextPart, ...], Field(max_length=8)]


class SoakSummary(Part):
    """How far a soak is, and how its limits stand; docs/soak.md says how each is found."""

    label: str
    state: Literal["running", "closing", "ended"]
    """``closing``: it is over, and waits for its closing reference."""
    started_s: float
    ends_s: float
    elapsed_s: float
    left_s: float
    first_seq: Count
    sweeps_stored: Count
    sweeps_due: Count
    coverage: Fraction | None
    """Stored over due sweeps of the soak."""
    listening: Fraction | None
    """The same without sweeps that could not hear."""
    findings: Count
    """The kind's own, since it began."""
    passes: dict[str, int]
    """Passes with a verdict of their own, by the verdict."""
    references: Count
    """Of the closing role, the opening one included."""
    reference_change_db: float | None
    """Largest change between one of them and the next."""
    limits: Annotated[tuple[SoakLimitPart, ...], Field(max_length=16)]
    verdict: Literal["pass", "fail", "cannot tell", "incomplete"] | None
