"""The part of a summary that a soak adds."""

from __future__ import annotations

from acqd.publish.parts import Part

__all__ = ["SoakSummary"]


class SoakSummary(Part):
    """How far a soak is."""
