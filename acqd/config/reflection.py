"""``[job.NAME.reflection]``."""

from __future__ import annotations

from acqd.config.tables import Table

__all__ = ["ReflectionTable"]


class ReflectionTable(Table):
    """``[job.NAME.reflection]``."""
