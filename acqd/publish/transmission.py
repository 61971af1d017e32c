"""The part of a summary that the kind ``transmission`` makes."""

from __future__ import annotations

from acqd.publish.parts import Part

__all__ = ["TransmissionSummary"]


class TransmissionSummary(Part):
    """The numbers of the kind ``transmission``, from one pass."""
