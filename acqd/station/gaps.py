"""Gaps of one job that wait for their commit: in order, joined, and never more than a few."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import count

from acqd.archive.records import GapRecord

__all__ = ["GAPS_APART", "GAPS_MOST", "Waiting", "WaitingGaps", "joined"]

GAPS_APART = 64
"""From so many waiting gaps on those of one reason are joined though their details differ."""

GAPS_MOST = 128
"""No more than this wait: beyond it the newest is stretched, whatever its reason was."""

OTHERS_TOO = "and other reasons in turn"


@dataclass(frozen=True, slots=True)
class Waiting:
    """One gap that waits, and its place among all that this job ever had waiting."""

    place: int
    gap: GapRecord


class WaitingGaps:
    """What is to be committed before anything later of this job is.

    A kill loses nothing that is here: the job's last due time that is accounted for lies before all
    of them, and the next start counts from there.
    """

    def __init__(self) -> None:
        self._waiting: list[Waiting] = []
        self._places = count()

    def __len__(self) -> int:
        return len(self._waiting)

    @property
    def records(self) -> tuple[GapRecord, ...]:
        return tuple(one.gap for one in self._waiting)

    def add(self, gap: GapRecord) -> None:
        self._waiting = joined((*self._waiting, Waiting(next(self._places), gap)))

    def take(self) -> list[Waiting]:
        """All of them, for a commit; :meth:`put_back` where it fails."""
        taken, self._waiting = self._waiting, []
        return taken

    def put_back(self, waiting: Sequence[Waiting]) -> None:
        """Gaps that could not be committed, in their old places."""
        if waiting:
            self._waiting = joined(sorted((*waiting, *self._waiting), key=lambda w: w.place))


def joined(waiting: Iterable[Waiting]) -> list[Waiting]:
    """Gaps of one job with those that follow each other and are alike made one."""
    out: list[Waiting] = []
    for each in waiting:
        last = out[-1].gap if out else None
        if last is None or not _joins(last, each.gap, len(out)):
            out.append(each)
            continue
        gap, detail = each.gap, last.detail
        if last.reason != gap.reason and not detail.endswith(OTHERS_TOO):
            detail = f"{detail}; {OTHERS_TOO}" if detail else OTHERS_TOO
        both = replace(
            last,
            from_s=min(last.from_s, gap.from_s),
            to_s=max(last.to_s, gap.to_s),
            count=last.count + gap.count,
            detail=detail,
        )
        out[-1] = Waiting(out[-1].place, both)
    return out


def _joins(last: GapRecord, gap: GapRecord, waiting: int) -> bool:
    if waiting >= GAPS_MOST:
        return True
    like = last.reason == gap.reason and gap.from_s >= last.to_s
    return like and (last.detail == gap.detail or waiting >= GAPS_APART)
