"""The hops that sweeps were taken in, as one flat table and a count for each sweep.

Nearly every sweep is taken in one go. So a block of such sweeps has no table at all (None), and a
table is never empty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.sweep import Hop

__all__ = [
    "HOP",
    "HOP_BYTES",
    "HOP_COUNT",
    "HOP_FIELDS",
    "HOP_NAMES",
    "HopTable",
    "hop_blob",
    "hops_of_blob",
]

HOP_FIELDS = {
    "first_point": "<i4",
    "points": "<i4",
    "started": "<f8",
    "duration": "<f8",
    "ok": "|i1",
}
"""What a hop has. In a file each is a variable of its own, with ``hop_`` before the name."""

HOP = np.dtype(list(HOP_FIELDS.items()))
"""One hop, in the journal as in memory."""

HOP_BYTES = HOP.itemsize

HOP_COUNT = "hops"
"""The variable with the number of hops of each sweep."""

HOP_NAMES = frozenset({"hop", HOP_COUNT, "hop_sequence", *(f"hop_{name}" for name in HOP_FIELDS)})
"""Names of variables and dimensions that no summary's column is given."""


def hop_blob(hops: Sequence[Hop]) -> bytes | None:
    """Hops as the journal keeps them, floats bit for bit; None for a sweep taken in one go.

    Raises:
        ValueError: a point or a number of points beyond 32 bits.
    """
    if not hops:
        return None
    rows = [(hop.first_point, hop.points, hop.started_s, hop.took_s, hop.ok) for hop in hops]
    try:
        return np.array(rows, dtype=HOP).tobytes()
    except OverflowError as exc:
        raise ValueError(f"a hop's points are beyond 32 bits ({exc})") from exc


def hops_of_blob(blob: bytes | None) -> tuple[Hop, ...]:
    """The inverse of :func:`hop_blob`."""
    return () if blob is None else _hops(np.frombuffer(blob, dtype=HOP).tolist())


def _hops(rows: list[Any]) -> tuple[Hop, ...]:
    return tuple(
        Hop(first_point=first, points=points, started_s=started, took_s=took, ok=bool(ok))
        for first, points, started, took, ok in rows
    )


@dataclass(frozen=True, slots=True)
class HopTable:
    """Hops of a block of sweeps: those of the first sweep, then those of the second, and so on.

    ``count`` is int32 (sweeps,), 0 for a sweep taken in one go; ``table`` is of type :data:`HOP`
    and has as many rows as ``count`` adds up to, at least one.
    """

    count: NDArray[np.int32]
    table: NDArray[Any]

    @classmethod
    def from_blobs(cls, blobs: Sequence[bytes | None]) -> HopTable | None:
        """What :func:`hop_blob` made for each sweep of a block."""
        if all(blob is None for blob in blobs):
            return None
        parts = [blob or b"" for blob in blobs]
        count = np.array([len(part) // HOP_BYTES for part in parts], dtype=np.int32)
        return cls(count, np.frombuffer(b"".join(parts), dtype=HOP))

    @classmethod
    def join(cls, parts: Sequence[HopTable | None], sweeps: Sequence[int]) -> HopTable | None:
        """Blocks of ``sweeps`` sweeps each, one after the other."""
        known = [part.table for part in parts if part is not None]
        if not known:
            return None
        count = [
            np.zeros(size, dtype=np.int32) if part is None else part.count
            for part, size in zip(parts, sweeps, strict=True)
        ]
        return cls(np.concatenate(count), np.concatenate(known))

    def select(self, places: NDArray[np.intp]) -> HopTable | None:
        """Those of the sweeps at ``places``, indices in any order."""
        count = self.count[places]
        ends = np.cumsum(count, dtype=np.int64)
        if not ends.size or ends[-1] == 0:
            return None
        starts = np.cumsum(self.count, dtype=np.int64) - self.count
        rows = np.repeat(starts[places] - (ends - count), count) + np.arange(ends[-1])
        return HopTable(count, self.table[rows])

    def column(self, name: str) -> NDArray[Any]:
        """One field of all hops, contiguous."""
        return np.ascontiguousarray(self.table[name])

    def split(self) -> list[tuple[Hop, ...]]:
        """The hops of each sweep."""
        rows = self.table.tolist()
        ends = np.cumsum(self.count, dtype=np.int64)
        starts = ends - self.count
        return [
            _hops(rows[start:end])
            for start, end in zip(starts.tolist(), ends.tolist(), strict=True)
        ]
