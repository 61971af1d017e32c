"""The clock on the wall of a scene's place: local hours of instants, and instants of local hours.

Instants are seconds since 1970-01-01T00:00:00Z. The database of time zones is the machine's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

__all__ = ["DAY_S", "UTC_ZONE", "Zone"]

Float = NDArray[np.float64]

DAY_S = 86_400.0
CELL_S = 900.0
"""Zones change their offset at whole quarters of an hour of UTC; every one since 1972 does."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@lru_cache(maxsize=4096)
def _offset_s(name: str, cell: int) -> float:
    at = EPOCH + timedelta(seconds=cell * CELL_S)
    return (at.astimezone(ZoneInfo(name)).utcoffset() or timedelta()).total_seconds()


@dataclass(frozen=True, slots=True)
class Zone:
    """A zone of the IANA database by its name."""

    name: str = "UTC"

    def offset_s(self, at_s: Float) -> Float:
        """How far its clock is ahead of UTC at each instant; of the shape of ``at_s``."""
        cells = np.floor(at_s / CELL_S).astype(np.int64)
        if not cells.size:
            return np.zeros_like(at_s)
        low, high = int(cells.min()), int(cells.max())
        if low == high:
            return np.full_like(at_s, _offset_s(self.name, low))
        unique, back = np.unique(cells, return_inverse=True)
        offsets = np.array([_offset_s(self.name, int(cell)) for cell in unique])
        return np.asarray(offsets[back].reshape(at_s.shape))

    def hour(self, at_s: Float) -> Float:
        """Hour of the local day, 0 up to 24."""
        local_s = at_s if self.name == "UTC" else at_s + self.offset_s(at_s)
        return np.asarray((local_s % DAY_S) / 3600.0)

    def day(self, at_s: float) -> date:
        """The local date of an instant."""
        return (EPOCH + timedelta(seconds=at_s)).astimezone(ZoneInfo(self.name)).date()

    def instant(self, day: date, second: float) -> float:
        """When its clock shows ``second`` seconds after midnight of ``day``.

        Of an hour that comes twice the first is meant; one that is left out in spring comes as many
        minutes later as the clock is put on.
        """
        local = datetime(day.year, day.month, day.day) + timedelta(seconds=second)
        return self.moment(local)

    def moment(self, when: datetime) -> float:
        """The instant of ``when``, local where it states no offset of its own."""
        if when.tzinfo is None:
            when = when.replace(tzinfo=ZoneInfo(self.name))
        return (when - EPOCH).total_seconds()


UTC_ZONE = Zone()
