"""``[job.NAME.emission]``."""

from __future__ import annotations

from acqd.config.tables import Table

__all__ = ["EmissionTable"]


class EmissionTable(Table):
    """``[job.NAME.emission]``."""
