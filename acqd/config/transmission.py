"""``[job.NAME.transmission]``."""

from __future__ import annotations

from acqd.config.tables import Table

__all__ = ["TransmissionTable"]


class TransmissionTable(Table):
    """``[job.NAME.transmission]``."""
