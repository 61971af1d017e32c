"""Which due sweeps were lost, by reason: in this run, in the last day, and just now. Bounded.

The archive has each gap; this is the count of them that a status can carry.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Iterator

from acqd.archive.records import GapRecord
from acqd.publish.health import LOST_MOST, OTHER_REASONS, LostSweeps

__all__ = ["JUST_NOW_S", "Losses", "sums", "told"]

JUST_NOW_S = 900.0
MINUTE_S = 60.0
HOUR_S = 3600.0
DAY_HOURS = 24
HOURS_MOST = 2 * DAY_HOURS
"""Hours that are counted apart: a day of them, and what a clock that was set may leave."""
RECENT_MOST = 256
"""Gaps that are remembered for :data:`JUST_NOW_S`; beyond it the oldest go first."""


class Losses:
    """The lost sweeps of one job. ``since_s`` is when the run began."""

    def __init__(self, since_s: float) -> None:
        self._since_s = since_s
        self._run: Counter[str] = Counter()
        self._hours: dict[int, Counter[str]] = {}
        self._recent: deque[tuple[float, str, int]] = deque(maxlen=RECENT_MOST)
        self._kept: deque[tuple[int, int]] = deque(maxlen=int(JUST_NOW_S // MINUTE_S) + 1)

    def kept(self, sweeps: int, at_s: float) -> None:
        """Count sweeps that were kept, for what is compared with the lost ones."""
        minute = int(at_s // MINUTE_S)
        before = self._kept.pop()[1] if self._kept and self._kept[-1][0] == minute else 0
        self._kept.append((minute, before + sweeps))

    def just_kept(self, now_s: float) -> int:
        """How many were kept in the last quarter of an hour."""
        first = int((now_s - JUST_NOW_S) // MINUTE_S)
        return sum(sweeps for minute, sweeps in self._kept if minute >= first)

    def note(self, gap: GapRecord) -> None:
        """Count what one gap holds: it is taken to lie evenly from its first to its last time."""
        if gap.count <= 0:
            return
        reason = self._name(gap.reason)
        if gap.from_s >= self._since_s:
            self._run[reason] += gap.count
            self._recent.append((gap.to_s, reason, gap.count))
        for hour, count in _by_hour(gap):
            if count:
                self._hours.setdefault(hour, Counter())[reason] += count
        while len(self._hours) > HOURS_MOST:
            # Not by the newest: a clock that was wrong may have left one that is years ahead.
            del self._hours[min(self._hours)]

    def with_more(self, gaps: Iterable[GapRecord]) -> Losses:
        """A copy that counts ``gaps`` as well."""
        copy = Losses(self._since_s)
        copy._run = Counter(self._run)
        copy._hours = {hour: Counter(counts) for hour, counts in self._hours.items()}
        copy._recent = deque(self._recent, maxlen=RECENT_MOST)
        copy._kept = deque(self._kept, maxlen=self._kept.maxlen)
        for gap in gaps:
            copy.note(gap)
        return copy

    def _name(self, reason: str) -> str:
        known = set(self._run).union(*self._hours.values())
        return reason if reason in known or len(known) < LOST_MOST - 1 else OTHER_REASONS

    def just_now(self, now_s: float) -> Counter[str]:
        """What was lost in the last quarter of an hour."""
        found: Counter[str] = Counter()
        for at_s, reason, count in self._recent:
            if now_s - JUST_NOW_S <= at_s <= now_s + JUST_NOW_S:
                found[reason] += count
        return found

    def run(self) -> Counter[str]:
        """What was lost since the run began."""
        return Counter(self._run)

    def day(self, now_s: float) -> Counter[str]:
        """What was lost in the last 24 hours, to the hour."""
        first = int(now_s // HOUR_S) - DAY_HOURS
        found: Counter[str] = Counter()
        for hour, counts in self._hours.items():
            if first < hour <= first + DAY_HOURS + 1:
                found += counts
        return found


def told(run: Counter[str], day: Counter[str]) -> tuple[LostSweeps, ...]:
    """The counts as the status has them, the reason that cost most first."""
    reasons = sorted({*run, *day}, key=lambda one: (-run[one], -day[one], one))
    most = LOST_MOST if len(reasons) <= LOST_MOST else LOST_MOST - 1
    kept = [LostSweeps(reason=one[:64], run=run[one], day=day[one]) for one in reasons[:most]]
    if rest := reasons[most:]:
        of_run, of_day = (sum(counts[one] for one in rest) for counts in (run, day))
        kept.append(LostSweeps(reason=OTHER_REASONS, run=of_run, day=of_day))
    return tuple(kept)


def sums(counters: Iterable[Counter[str]]) -> Counter[str]:
    """All of them in one."""
    total: Counter[str] = Counter()
    for one in counters:
        total.update(one)
    return total


def _by_hour(gap: GapRecord) -> Iterator[tuple[int, int]]:
    """How many of a gap fall into each of the last hours that it touches."""
    last = int(gap.to_s // HOUR_S)
    first = max(int(gap.from_s // HOUR_S), last - DAY_HOURS)
    span_s = gap.to_s - gap.from_s
    if first == last or span_s <= 0:
        yield last, gap.count
        return

    def before(hour: int) -> int:
        share = (hour * HOUR_S - gap.from_s) / span_s
        return round(gap.count * min(1.0, max(0.0, share)))

    for hour in range(first, last):
        yield hour, before(hour + 1) - before(hour)
    yield last, gap.count - before(last)
