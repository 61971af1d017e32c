"""The part of a summary that the kind ``reflection`` makes."""

from __future__ import annotations

from acqd.publish.parts import Part

__all__ = ["ReflectionSummary"]


class ReflectionSummary(Part):
    """The numbers of the kind ``reflection``, from one pass."""
