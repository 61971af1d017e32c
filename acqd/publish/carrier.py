"""The part of a summary that the kind ``carrier`` makes."""

from __future__ import annotations

from typing import ClassVar

from acqd.publish.levels import LevelPart
from acqd.publish.parts import Count, Fraction, Part, Text, Unit

__all__ = ["CarrierDrift", "CarrierSummary", "CarrierWarmUp"]


class CarrierDrift(Part):
    """Straight lines through the readings, with 95 % intervals that allow for serial correlation.

    Worked out when an hour turns and whenever the readings have doubled in number.
    """

    at_s: float
    """The last reading that counts in it."""
    from_s: float
    """The first one: of all, after the warm-up, or after the last step."""
    readings: Count
    hz_per_h: float | None
    hz_per_h_low: float | None
    hz_per_h_high: float | None
    ppm_per_h: float | None
    ppm_per_h_low: float | None
    ppm_per_h_high: float | None
    frequency_reason: str | None
    """Why there is no interval."""
    db_per_h: float | None
    db_per_h_low: float | None
    db_per_h_high: float | None
    level_reason: str | None


class CarrierWarmUp(Part):
    """A warm-up of the frequency that is over."""

    from_s: float
    settled_s: float
    droop_hz: float | None
    """How far the frequency moved, from the first reading to where it settled."""
    droop_u_hz: float | None
    tau_s: float | None
    tau_u_s: float | None
    within_hz: float | None
    """So close to its end it was at ``settled_s``."""


class CarrierSummary(LevelPart):
    """The numbers of the kind ``carrier``, from one pass; docs/carrier.md says how each is found.

    Its levels: ``level_…`` of the carrier, ``floor_…`` (mean power of the noise) and
    ``strongest_…`` (the highest level of the window, carrier or not). ``expanded``: U at k = 2.
    """

    level_names: ClassVar[str] = "level|floor|strongest"

    unit: Unit
    plane: str
    """Where the levels hold."""
    expected_hz: float
    heard: bool
    not_heard_because: Text | None
    over_floor_db: float | None
    frequency_hz: float | None
    offset_hz: float | None
    """Frequency less ``expected_hz``."""
    offset_ppm: float | None
    frequency_expanded_hz: float | None
    frequency_u_hz: float | None
    """Standard uncertainty by noise and place between the points alone: how steady it reads."""
    frequency_bias_hz: float | None
    """Worst error of the interpolation, either sign."""
    level_expanded_db: float | None
    level_u_db: float | None
    level_bias_low_db: float | None
    level_bias_high_db: float | None
    width_hz: float | None
    """3 dB width of what was read: about the RBW for a lone carrier."""
    interpolated: bool
    note: Text | None
    """Why it was not interpolated."""
    frequency_uncertainty: Text | None
    """U of the frequency, its largest part, and what would shrink it."""
    level_uncertainty: Text | None
    readings: Count
    """That count in drift and stability."""
    steps: Count
    drift: CarrierDrift | None
    warm_up: CarrierWarmUp | None
    assumed: tuple[str, ...]
    stored: Count
    due: Count
    coverage: Fraction | None
