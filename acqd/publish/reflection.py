"""The part of a summary that the kind ``reflection`` makes."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from acqd.publish.parts import Count, Fraction, Number, Part, Text, VerdictWord

__all__ = [
    "ReflectionBudgetPart",
    "ReflectionChange",
    "ReflectionMatch",
    "ReflectionNamed",
    "ReflectionReference",
    "ReflectionSummary",
    "ReflectionWidth",
    "ReflectionWorst",
]


class _Bounded(Part):
    """A reflection at one frequency in three forms, each with the bounds that hold for every phase
    of the bridge's errors."""

    return_loss_db: float | None
    """Negative where more comes back than arrives."""
    return_loss_low_db: float | None
    return_loss_high_db: float | None
    """Null where there is no upper bound: the return loss is "at least" the lower one."""
    swr: float | None
    """Null where it is infinite (``over_unity``)."""
    swr_low: float | None
    swr_high: float | None
    """Null where it may be infinite."""
    magnitude: float | None
    magnitude_low: float | None
    magnitude_high: float | None
    over_unity: bool
    """As much comes back as arrives, or more."""


class ReflectionWidth(Part):
    """How far the SWR stays at or below ``swr`` around a best match."""

    swr: float
    reached: bool
    """False: it is nowhere that good."""
    low_hz: float | None
    """Null where the sweep ends (or a level is missing) before the SWR has risen."""
    high_hz: float | None
    width_hz: float | None
    least_width_hz: float
    """What the bounds leave for sure."""
    most_width_hz: float | None
    """Null where the bounds let it reach beyond the sweep."""


class ReflectionMatch(_Bounded):
    """A best match or another dip: where, how good, how wide."""

    frequency_hz: float
    frequency_low_hz: float
    frequency_high_hz: float
    interpolated: bool
    at_edge: bool
    """The sweep ends there: it may be better beyond."""
    bandwidths: Annotated[tuple[ReflectionWidth, ...], Field(max_length=8)]


class ReflectionNamed(_Bounded):
    """The reflection at a named frequency, or the reason why there is none."""

    name: str
    frequency_hz: float
    reason: Text | None


class ReflectionWorst(_Bounded):
    """The worst of a range. Its bounds are the largest of the range, each wherever it is."""

    start_hz: float
    stop_hz: float
    frequency_hz: float | None
    reason: Text | None


class ReflectionChange(Part):
    """What has changed since the first good sweep after installation.

    ``moved_points``: where it is another load than it was, for sure, everything cancelled that one
    bridge has in common. The return loss of the match, and its shift, have worst-case bounds in
    which nothing cancels.
    """

    since_s: float
    since_seq: Number
    installed: str
    refused: Text | None
    """Why there is no comparison."""
    same_sweeper: bool
    points: Count
    moved_points: Count | None
    least_change: float | None
    """How far the reflection moved in the plane of phasors, at least, where it did most."""
    least_change_hz: float | None
    match_shift_hz: float | None
    match_shift_low_hz: float | None
    match_shift_high_hz: float | None
    match_shifted: bool | None
    """The bounds of the shift leave out 0."""
    return_loss_change_db: float | None
    """Below 0: worse than then. Null where one of both is infinite."""
    return_loss_change_low_db: float | None
    return_loss_change_high_db: float | None
    text: Text


class ReflectionReference(Part):
    """A reference that was used."""

    role: str
    at_s: float
    age_s: float
    sweeps: Number
    repeatability_db: float | None
    temperature_c: float | None


class ReflectionBudgetPart(Part):
    """A part of the uncertainty of the best match's magnitude (unit 1), the largest share first."""

    name: str
    half_width: float
    shape: str
    u: float
    """Standard uncertainty."""
    share: Fraction
    assumed: bool
    shrink: Text
    """What would make it smaller."""


class ReflectionSummary(Part):
    """The numbers of the kind ``reflection``, from one sweep; docs/reflection.md says how each is
    found."""

    refused: Text | None
    """Why there are no figures, and what to do."""
    way: str | None
    best: ReflectionMatch | None
    best_text: Text
    best_magnitude_u: float | None
    """Combined standard uncertainty. Below the directivity trust the bounds instead."""
    budget: Annotated[tuple[ReflectionBudgetPart, ...], Field(max_length=8)]
    dominant: str | None
    """The part of the budget with the largest share."""
    resonances: Annotated[tuple[ReflectionMatch, ...], Field(max_length=16)]
    """The best dips, in rising order of frequency."""
    resonances_count: Count
    named: Annotated[tuple[ReflectionNamed, ...], Field(max_length=32)]
    worst: ReflectionWorst | None
    change: ReflectionChange | None
    """Null before there is something to compare with."""
    directivity_db: float | None
    """The least that the bounds use anywhere in the sweep."""
    directivity_from: str | None
    source_match_db: float | None
    source_match_from: str | None
    cable_loss_db: float | None
    """One way, in the middle of the sweep; taken out of all figures."""
    points: Count
    missing_points: Count
    over_unity_points: Count
    surely_over_unity_points: Count
    at_least_points: Count
    """Points at which the return loss has no upper bound."""
    floor_limited_points: Count
    floor_known: bool
    """A quiet reference says where the sweeper's own floor is; else no point can be marked."""
    scale_limit_db: float | None
    """Two levels 20 dB and more apart are taken to differ rightly within ± this."""
    drift_limit_db: float | None
    """What age, temperature, scatter and steps of levels are counted with, ±."""
    assumed: Annotated[tuple[str, ...], Field(max_length=8)]
    references: Annotated[tuple[ReflectionReference, ...], Field(max_length=8)]
    notes: Annotated[tuple[Text, ...], Field(max_length=16)]
    verdict: VerdictWord | None
    """Against the job's own limits; null where it has none."""
    stored: Count
    due: Count
    coverage: Fraction | None
