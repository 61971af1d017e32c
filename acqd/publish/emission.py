"""The part of a summary that the kind ``emission`` makes."""

from __future__ import annotations

from acqd.publish.parts import Part

__all__ = ["EmissionSummary"]


class EmissionSummary(Part):
    """The numbers of the kind ``emission``, from one pass."""
