"""The part of a summary that the kind ``band`` makes."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from acqd.publish.levels import LevelPart
from acqd.publish.parts import Count, Fraction, Unit

__all__ = ["BandSignal", "BandSummary"]


class BandSignal(LevelPart):
    """A run of points above the threshold in one sweep.

    Its levels: ``peak_…``, ``power_…`` (null where it cannot be summed) and ``over_floor_…``, which
    is in dB where the unit is one of decibels.
    """

    level_names: ClassVar[str] = "peak|power|over_floor"

    channel: str | None
    """Name of the channel it lies in, from the job's channel plan."""
    peak_hz: float | None
    centre_hz: float | None
    width_hz: float | None
    residual: bool
    """The sweeper makes it by itself, as its quiet reference shows; it is no finding."""


class BandSummary(LevelPart):
    """The numbers of the kind ``band``, from one sweep; docs/band.md says how each is found.

    Its levels: ``floor_…`` and its uncertainty ``floor_u_…``, ``threshold_…`` that opens a signal
    and ``closing_…`` that ends it, ``peak_…``, ``weakest_level_seen_…`` (with the probability that
    ``weakest_level_probability`` states) and ``weakest_level_half_seen_…``.
    """

    level_names: ClassVar[str] = (
        "floor|floor_u|threshold|closing|peak|weakest_level_seen|weakest_level_half_seen"
    )

    unit: Unit
    plane: str
    """Where the levels hold: the sweeper's input, or the far end of the chain."""
    noise: str
    averages: float | None
    averages_from: str | None
    false_alarm_per_point: float | None
    false_alarm_per_sweep: float | None
    level_accuracy_db: float | None
    signal_power_refused: str | None
    """Why the power of a signal cannot be summed; null where it can."""
    assumed: tuple[str, ...]
    """What nobody stated and a default stands in for."""
    floor_kind: Literal["flat", "learning", "learnt"]
    floor_trusted: bool
    peak_hz: float | None
    occupied_fraction: Fraction | None
    signals_count: Count
    signals: Annotated[tuple[BandSignal, ...], Field(max_length=32)]
    """The strongest first."""
    strongest: BandSignal | None
    tracks: Count
    """Signals followed over several sweeps that are up now."""
    busy: tuple[str, ...]
    """Names of busy channels."""
    busy_count: Count
    revisit_s: float
    shortest_surely_caught_s: float | None
    """None where nobody can say."""
    shortest_surely_caught_is: str
    """What that is, or why nobody can say."""
    shortest_surely_told_s: float | None
    weakest_level_probability: Fraction
    listening: bool
    not_listening: str | None
    """Why the sweep does not count as listened: deaf, the same levels again, a transmitter keyed,
    set aside, or a floor that is being learnt. None where it does."""
    stored: Count
    due: Count
    coverage: Fraction | None
