"""What the archive holds of a job already, and which sweeps of a scan are left to be taken.

The sweeps of a job are kept in order of time, for its meter goes on from each to the next. So what
is older than the last one that is held cannot be put in between; it is left out, and said.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from acqd.archive.index import Wanted, find_pieces
from acqd.archive.reader import open_archive
from acqd.archive.records import SetupRecord
from acqd.config.quantity import FREQUENCY, QuantityError, parse_quantity
from acqd.errors import ArchiveError
from acqd.ingest.maps import Span
from acqd.ingest.moments import US
from acqd.ingest.scan import Scan

__all__ = ["Held", "Left", "held_of", "left_of", "refuse_unreadable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """``at_us``: (sweeps,) when each began, rising. ``setup`` is that of the last of step 0."""

    at_us: NDArray[np.int64]
    setup: SetupRecord | None = None

    @property
    def last_us(self) -> int | None:
        return int(self.at_us[-1]) if self.at_us.size else None

    @property
    def span(self) -> Span | None:
        """What the job's config said that it sweeps."""
        said = {} if self.setup is None else self.setup.details.get("config") or {}
        try:
            return Span(
                parse_quantity(said["start"], FREQUENCY),
                parse_quantity(said["stop"], FREQUENCY),
                int(said["points"]),
            )
        except (KeyError, QuantityError, TypeError, ValueError):
            return None


def held_of(archive: Path | None, job: str) -> Held:
    """What the archive holds; nothing, where there is none.

    Raises:
        ArchiveError: it cannot be read.
    """
    none = Held(at_us=np.zeros(0, dtype=np.int64))
    if archive is None or not archive.is_dir() or not any(archive.iterdir()):
        return none
    with open_archive(archive) as opened:
        setups = [one for one in opened.setups(job) if one.step == 0]
        if not setups:
            return none
        pieces = find_pieces(Wanted(root=opened.root, job=job))
        times = [piece.core["time"] for piece in pieces]
    if not times:
        return none
    at_us = np.sort(np.rint(np.concatenate(times) * US).astype(np.int64))
    last = max(pieces, key=lambda piece: int(piece.sequence[-1]))
    return Held(at_us=at_us, setup=last.setup)


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """Numbers of a scan's sweeps, in order of time; and how many were left out, and why.

    Attributes:
        twice: of one time with another in the files.
        held: the archive has one of that time.
        older: the archive has later ones, and none of that time.
    """

    order: NDArray[np.intp]
    twice: int
    held: int
    older: int


def left_of(scan: Scan, held: Held) -> Left:
    """What of a scan is to be taken."""
    order = scan.in_time()
    at_us = scan.at_us[order]
    first = np.ones(at_us.size, dtype=np.bool_)
    first[1:] = at_us[1:] != at_us[:-1]
    is_held = np.isin(at_us, held.at_us)
    last_us = held.last_us
    is_older = np.zeros(at_us.size, dtype=np.bool_)
    if last_us is not None:
        is_older = ~is_held & (at_us < last_us)
    keep = first & ~is_held & ~is_older
    return Left(
        order=order[keep],
        twice=int(np.count_nonzero(~first)),
        held=int(np.count_nonzero(first & is_held)),
        older=int(np.count_nonzero(first & is_older)),
    )


def refuse_unreadable(archive: Path) -> None:
    """Raises ArchiveError where a folder is no archive and holds something else."""
    if archive.is_dir() and any(archive.iterdir()):
        try:
            open_archive(archive)
        except ArchiveError as exc:
            raise ArchiveError(
                f"{archive}: this folder holds something that is no archive; name an archive, an "
                f"empty folder, or one that is not there yet"
            ) from exc
