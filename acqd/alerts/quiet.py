"""Quiet hours on the station's clock, also in the nights in which that changes."""

from __future__ import annotations

from dataclasses import dataclass

from acqd.plan.walltime import US
from acqd.plan.windows import ClockWindow, Opening

__all__ = ["Quiet"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """From one wall time to another, every day, over midnight where the end is not after the start.

    A wall time that a night does not have is taken as the plan of jobs takes it.
    """

    text: str
    zone: str

    def ends_s(self, at_s: float) -> float | None:
        """When the quiet hours end that ``at_s`` lies in; None where it lies in none."""
        opening = Opening(
            windows=(ClockWindow.from_text(self.text),),
            zone=self.zone,
            position=None,
            first_day=None,
            last_day=None,
        )
        at_us = round(at_s * US)
        start_us, end_us = next(opening.spans(at_us))
        return end_us / US if start_us <= at_us else None

    def __str__(self) -> str:
        return f"{ClockWindow.from_text(self.text)}"
