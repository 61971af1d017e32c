"""For tests that spoil an archive: where, how, and what is said of it."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from acqd.archive.damage import DamageWarning
from acqd.archive.verified import Verified

__all__ = ["flip", "lines", "segment", "warned"]


@contextmanager
def warned(word: str | None) -> Iterator[None]:
    """Damage is warned of with this word; of None nothing is."""
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        yield
    found = [str(one.message) for one in said if issubclass(one.category, DamageWarning)]
    assert any(word in text for text in found) if word is not None else not found


def segment(root: Path) -> Path:
    return min(root.glob("sweeps/*/*/segment_*.nc"))


def lines(found: Verified) -> str:
    return "\n".join(
        [found.headline(), *map(str, found.wrong), *(f"note: {n}" for n in found.notes)]
    )


def flip(path: Path, at: int, bits: int = 0xFF) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= bits
    path.write_bytes(data)
