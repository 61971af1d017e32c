"""How the levels of one file are held: as integers on a step where that loses nothing.

One file has one step: the sweeper's declared one where that holds every sweep, else the coarsest of
:data:`acqd.canonical.STEPS` that does, else the floats as they are. It is found by trying: the
writer starts with the first candidate and begins again with the next when a block does not fit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.canonical import MISSING_CODE, STEPS, codes_from_levels, levels_from_codes

__all__ = ["DoesNotFit", "Packing", "packings"]


class DoesNotFit(Exception):
    """A block that this packing would not give back bit for bit."""


@dataclass(frozen=True, slots=True)
class Packing:
    """``step`` and ``width`` (bytes) of the integers; no step means the floats themselves."""

    step: float | None = None
    width: int = 0

    def pack(self, level: NDArray[Any]) -> NDArray[Any]:
        """What is stored for real levels of any shape.

        Raises:
            DoesNotFit: another packing is needed.
        """
        if self.step is None:
            return level
        codes = codes_from_levels(level, self.step)
        if codes is None or codes.dtype.itemsize > self.width:
            raise DoesNotFit
        if codes.dtype.itemsize < self.width:
            wide = codes.astype(np.int32)
            wide[codes == MISSING_CODE[2]] = MISSING_CODE[4]
            return wide
        return codes

    def unpack(self, stored: NDArray[Any]) -> NDArray[Any]:
        """The levels that :meth:`pack` was given."""
        return stored if self.step is None else levels_from_codes(stored, self.step)

    @property
    def missing(self) -> int | None:
        """The integer that stands for NaN."""
        return None if self.step is None else MISSING_CODE[self.width]


def packings(tag: str, declared: float | None) -> Iterator[Packing]:
    """What to try for levels of a type, the narrowest and the declared step first."""
    if tag == "<f4":
        steps = ((declared,) if declared else ()) + STEPS
        for width in (2, 4):
            for step in steps:
                yield Packing(float(step), width)
    yield Packing()
