"""Types of samples, their bytes, and what full scale is.

The names are those of SigMF 1.x (``core:datatype``): ``c`` or ``r``, then f32, f64, i32, i16, i8,
u32, u16 or u8, then ``_le`` or ``_be`` where a number has more than one byte. Complex samples are I
then Q.

Full scale is a magnitude of 1 after decoding: 2^(bits − 1) counts of an integer type, 1.0 of a
floating one, or the count that the user states (a 12-bit converter in 16-bit words has 2048).
Unsigned types have their zero at 2^(bits − 1); an instrument whose zero is at 127.5 shows half a
count as a line at its centre.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["ACCEPTED", "Decoded", "SampleType", "Samples", "parse_type"]

Samples = NDArray[np.complex64] | NDArray[np.complex128] | NDArray[np.float32] | NDArray[np.float64]

ACCEPTED: Final = (
    "c or r, then f32, f64, i32, i16, u32 or u16 with _le or _be, or i8 or u8, such as "
    '"ci16_le" or "cu8"'
)

_NAME: Final = re.compile(r"([cr])(f32|f64|i32|i16|i8|u32|u16|u8)(?:_(le|be))?")


@dataclass(frozen=True, slots=True)
class Decoded:
    """Samples with full scale at 1, and whether any of them was there."""

    samples: Samples
    at_full_scale: bool


@dataclass(frozen=True)
class SampleType:
    """One type of samples. Made by :func:`parse_type`."""

    name: str
    is_complex: bool
    number: np.dtype[np.generic]
    """Of one component, with its byte order."""

    @property
    def components(self) -> int:
        return 2 if self.is_complex else 1

    @property
    def frame_bytes(self) -> int:
        """Bytes of one sample."""
        return self.components * self.number.itemsize

    @property
    def full_scale(self) -> float:
        """Count that is full scale unless the user states another."""
        return 1.0 if self.number.kind == "f" else 2.0 ** (8 * self.number.itemsize - 1)

    @cached_property
    def _needs_double(self) -> bool:
        # 24 bits of mantissa hold 16 bits of a sample; more would cost twice the time for nothing.
        width = self.number.itemsize
        return width > 4 or (self.number.kind in "iu" and width > 2)

    def decode(self, raw: NDArray[np.generic], full_scale: float | None = None) -> Decoded:
        """The samples in ``raw``, (frames·components,) of :attr:`number`.

        Args:
            full_scale: the count that stands for 1; the type's own where None.

        Raises:
            ValueError: a value that is not a number.
        """
        full = self.full_scale if full_scale is None else full_scale
        values: NDArray[np.float32] | NDArray[np.float64]
        values = raw.astype(np.float64) if self._needs_double else raw.astype(np.float32)
        if self.number.kind == "u":
            values -= self.full_scale
        lowest, highest = float(values.min(initial=0.0)), float(values.max(initial=0.0))
        if self.number.kind == "f":
            if not np.isfinite(values).all():
                raise ValueError("a sample is not a finite number")
            over = max(highest, -lowest) >= full
        else:
            # The highest count of n bits is one short of full scale.
            over = highest >= full - 1 or lowest <= -full
        if full != 1.0:
            values *= values.dtype.type(1.0 / full)
        if not self.is_complex:
            return Decoded(values, over)
        if values.dtype == np.float64:
            return Decoded(values.view(np.complex128), over)
        return Decoded(values.view(np.complex64), over)


def parse_type(text: object) -> SampleType:
    """The type that ``text`` names.

    Raises:
        ValueError: no such type; the text is one clause that says what would be one.
    """
    found = _NAME.fullmatch(text) if isinstance(text, str) else None
    if found is None:
        raise ValueError(f"no type of samples; accepted: {ACCEPTED}")
    letter, number, order = found.groups()
    width = int(number[1:]) // 8
    if width > 1 and order is None:
        raise ValueError(f"its byte order is missing; accepted: {found[0]}_le or {found[0]}_be")
    if width == 1 and order is not None:
        raise ValueError(f"one byte has no order; accepted: {letter}{number}")
    kind = f"{'>' if order == 'be' else '<'}{number[0]}{width}"
    return SampleType(name=found[0], is_complex=letter == "c", number=np.dtype(kind))
