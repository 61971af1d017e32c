"""The part of a summary that the kind ``carrier`` makes."""

from __future__ import annotations

from acqd.publish.parts import Part

__all__ = ["CarrierSummary"]


class CarrierSummary(Part):
    """The numbers of the kind ``carrier``, from one pass."""
