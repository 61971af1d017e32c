"""What a chart is drawn into: the page's time, its width, and what happened on its time axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from acqd.report.shapes import FindingShown, GapShown, NoteShown, Spell

__all__ = ["PAGE", "PHONE", "Frame", "Width"]

Width = Literal["page", "phone"]

PAGE, PHONE = 960.0, 380.0
"""Widths in pixels that figures are laid out for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """``start_s`` to ``stop_s`` is the time axis of every chart that has one."""

    start_s: float
    stop_s: float
    zone: str
    width: Width = "page"
    gaps: Sequence[GapShown] = ()
    spells: Sequence[Spell] = ()
    findings: Sequence[FindingShown] = ()
    notes: Sequence[NoteShown] = ()

    @property
    def is_phone(self) -> bool:
        return self.width == "phone"

    @property
    def pixels(self) -> float:
        return PHONE if self.is_phone else PAGE

    @property
    def span(self) -> tuple[float, float]:
        """The time axis; a second of it where the range is none."""
        if self.stop_s - self.start_s < 1e-3:
            return self.start_s - 0.5, self.start_s + 0.5
        return self.start_s, self.stop_s
