"""Gaps that wait: in order, joined, and never more than a few."""

from __future__ import annotations

from acqd.archive.records import GapRecord
from acqd.station.gaps import GAPS_APART, GAPS_MOST, WaitingGaps


def gap(at_s: float, reason: str, detail: str = "") -> GapRecord:
    return GapRecord(job="a", from_s=at_s, to_s=at_s, count=1, reason=reason, detail=detail)


def told(waiting: WaitingGaps) -> list[tuple[float, float, int, str]]:
    each = [one.gap for one in waiting.take()]
    return [(g.from_s, g.to_s, g.count, g.reason) for g in each]


def test_gaps_that_follow_each_other_are_one() -> None:
    """By reason, and by detail too while there are few."""
    waiting = WaitingGaps()
    for at_s, reason in ((1, "disk full"), (2, "disk full"), (3, "overrun"), (4, "disk full")):
        waiting.add(gap(at_s, reason))
    assert told(waiting) == [(1, 2, 2, "disk full"), (3, 3, 1, "overrun"), (4, 4, 1, "disk full")]


def test_details_are_kept_apart_only_while_there_are_few() -> None:
    """A number in the detail that changes each time does not fill the memory."""
    waiting = WaitingGaps()
    for n in range(5000):
        waiting.add(gap(n, "disk full", f"{n} MiB free"))
    assert len(waiting) <= GAPS_APART
    assert sum(count for _, _, count, _ in told(waiting)) == 5000


def test_reasons_in_turn_are_bounded_too() -> None:
    """The newest is stretched beyond the bound, says so, and none is lost from the count."""
    waiting = WaitingGaps()
    for n in range(5000):
        waiting.add(gap(n, "disk full" if n % 2 else "overrun"))
    assert len(waiting) == GAPS_MOST
    each = [one.gap for one in waiting.take()]
    assert sum(g.count for g in each) == 5000
    assert (each[0].from_s, each[-1].to_s) == (0, 4999)
    assert each[-1].detail == "and other reasons in turn"


def test_what_is_put_back_stands_where_it_stood() -> None:
    """Whatever came meanwhile, and in whatever order the pieces come back."""
    waiting = WaitingGaps()
    for n in range(6):
        waiting.add(gap(n, f"reason {n}"))
    taken = waiting.take()
    waiting.add(gap(6, "reason 6"))
    waiting.put_back(taken[3:])
    waiting.put_back(taken[:3])
    assert [at_s for at_s, _, _, _ in told(waiting)] == list(range(7))
