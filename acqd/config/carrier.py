"""``[job.NAME.carrier]``."""

from __future__ import annotations

from acqd.config.tables import Table

__all__ = ["CarrierTable"]


class CarrierTable(Table):
    """``[job.NAME.carrier]``."""
