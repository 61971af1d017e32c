"""The boots of an archive: which sweeps were taken in each, and what its clock showed meanwhile.

By the sweeps themselves, which have wall time, monotonic time and the boot. Where the one runs away
from the other between two sweeps the clock was set, or the host slept; which of the two it was is
not told, and does not matter to who says what the time was in truth.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from acqd.archive.clocklog import STEP_S
from acqd.archive.index import Piece, Wanted, find_pieces
from acqd.archive.layout import event_of, journal_of
from acqd.archive.reader import Archive
from acqd.archive.timing import EVENT_MOST, TimeCorrections, TimePiece
from acqd.sweep import SweepFlag

__all__ = ["Boot", "Stretch", "boots_of", "pieces_for"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Sweeps of a boot in which the clock was not set: it showed monotonic + ``shows_s``.

    ``seqs`` has the first and the last number of each job's sweeps in it, ``free`` counts those in
    which the clock did not say that it was synchronised.
    """

    from_monotonic_s: float
    to_monotonic_s: float
    shows_s: float
    first_event: int
    last_event: int
    sweeps: int
    free: int
    seqs: Mapping[str, tuple[int, int]] = field(default_factory=dict)

    @property
    def shown_s(self) -> tuple[float, float]:
        """What the clock showed at the first sweep and at the last."""
        return self.from_monotonic_s + self.shows_s, self.to_monotonic_s + self.shows_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Boot:
    """One boot, by its sweeps. What was committed in it has ordinals in the given range."""

    boot: str
    stretches: tuple[Stretch, ...]
    first_event: int
    last_event: int


@dataclass(frozen=True, slots=True)
class _Sweeps:
    """Sweeps of all jobs in one boot, in the order of monotonic time."""

    monotonic_s: NDArray[np.float64]
    time_s: NDArray[np.float64]
    event: NDArray[np.int64]
    flags: NDArray[np.int32]
    seq: NDArray[np.int64]
    job: NDArray[np.int64]


def boots_of(archive: Archive) -> list[Boot]:
    """All boots that have sweeps, in the order of their commits. Reads every file, but no levels.

    Raises:
        ArchiveError: a file cannot be read.
    """
    names: list[str] = []
    parts: dict[str, list[_Sweeps]] = {}
    for job in archive.jobs():
        for step in sorted({one.step for one in archive.setups(job)}):
            names.append(job)
            for piece in find_pieces(Wanted(root=archive.root, job=job, step=step)):
                for boot in dict.fromkeys(piece.boot.tolist()):
                    here = _sweeps(piece, piece.boot == boot, len(names) - 1)
                    parts.setdefault(str(boot), []).append(here)
    found = [(boot, _joined(each)) for boot, each in parts.items()]
    found.sort(key=lambda one: int(one[1].event.min()))
    begins = [event_of(journal_of(int(one.event.min())), 0) for _, one in found]
    ends = [*(begin - 1 for begin in begins[1:]), EVENT_MOST][: len(begins)]
    return [
        Boot(boot=boot, stretches=tuple(_parted(each, names)), first_event=begin, last_event=end)
        for (boot, each), begin, end in zip(found, begins, ends, strict=True)
    ]


def pieces_for(
    boot: Boot,
    chosen: tuple[Stretch, ...],
    by_s: float,
    *,
    times: TimeCorrections | None,
    until_monotonic_s: float | None,
) -> tuple[TimePiece, ...]:
    """Pieces of a correction that moves stretches by ``by_s`` from the times that they have now.

    ``times`` are the corrections that stand; ``until_monotonic_s`` is now, in a boot that goes on.
    """
    found = []
    for at, one in enumerate(boot.stretches):
        if one not in chosen:
            continue
        after = boot.stretches[at + 1] if at + 1 < len(boot.stretches) else None
        shows_s = one.shows_s + _moved_by(boot, one, times)
        found.append(
            TimePiece(
                from_monotonic_s=one.from_monotonic_s if at else None,
                to_monotonic_s=until_monotonic_s if after is None else after.from_monotonic_s,
                was_s=one.shows_s,
                offset_s=shows_s + by_s,
                first_event=one.first_event if at else boot.first_event,
                last_event=boot.last_event if after is None else after.first_event - 1,
            )
        )
    return tuple(found)


def _moved_by(boot: Boot, one: Stretch, times: TimeCorrections | None) -> float:
    """What is added to the times of a stretch by now."""
    if times is None:
        return 0.0
    first = np.array([one.from_monotonic_s])
    moved = times.of_sweeps(np.array([boot.boot], dtype=object), first, first + one.shows_s)
    return 0.0 if moved is None else float(moved.shift_s[0])


def _sweeps(piece: Piece, where: NDArray[np.bool_], job: int) -> _Sweeps:
    core = piece.core
    seq = core["sequence"][where]
    return _Sweeps(
        monotonic_s=core["monotonic"][where],
        time_s=core["time"][where],
        event=core["event"][where],
        flags=core["flags"][where],
        seq=seq,
        job=np.full(seq.size, job, dtype=np.int64),
    )


def _joined(parts: list[_Sweeps]) -> _Sweeps:
    names = _Sweeps.__slots__
    columns = {name: np.concatenate([getattr(one, name) for one in parts]) for name in names}
    order = np.lexsort((columns["event"], columns["monotonic_s"]))
    return _Sweeps(**{name: column[order] for name, column in columns.items()})


def _parted(all_of: _Sweeps, names: list[str]) -> list[Stretch]:
    shows_s = all_of.time_s - all_of.monotonic_s
    cuts = np.flatnonzero(np.abs(np.diff(shows_s)) >= STEP_S) + 1
    found = []
    for low, high in zip([0, *cuts.tolist()], [*cuts.tolist(), shows_s.size], strict=True):
        here = slice(low, high)
        event = all_of.event[here]
        free = all_of.flags[here] & int(SweepFlag.CLOCK_UNSYNCHRONISED)
        seqs: dict[str, tuple[int, int]] = {}
        for job in np.unique(all_of.job[here]).tolist():
            seq = all_of.seq[here][all_of.job[here] == job]
            first, last = seqs.get(names[job], (int(seq.min()), int(seq.max())))
            seqs[names[job]] = (min(first, int(seq.min())), max(last, int(seq.max())))
        found.append(
            Stretch(
                from_monotonic_s=float(all_of.monotonic_s[low]),
                to_monotonic_s=float(all_of.monotonic_s[high - 1]),
                shows_s=float(np.median(shows_s[here])),
                first_event=int(event.min()),
                last_event=int(event.max()),
                sweeps=high - low,
                free=int(np.count_nonzero(free)),
                seqs=seqs,
            )
        )
    return found
