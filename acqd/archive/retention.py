"""What retention would remove, in what order and why; pure, nothing is looked at or removed here.

What goes is a UTC day of a job, whole: its raw sweeps. Findings, gaps, hours, plans and setups stay
for ever. Nothing goes without a limit that the config names. In this order:

    band nights, the oldest first ─► carriers ─► filters and bridges ─► emission checks

Never by themselves: soaks (unless a rule of their job says so), pinned nights, days younger than
``keep_at_least``, and what is held for another reason (:attr:`ArchiveDay.held`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from acqd.archive.layout import DAY_S, day_start_s
from acqd.config.quantity import BYTES, format_quantity
from acqd.config.retention import AGE, RetentionTable

__all__ = [
    "ArchiveDay",
    "Going",
    "Retention",
    "RetentionPlan",
    "Rule",
    "Staying",
    "plan_retention",
    "retention_of",
]

ORDER = ("band", "carrier", "transmission", "reflection", "emission")
"""What goes first. A night of a band is one of many; an emission check may be the only one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """What a kind or a job has otherwise; None leaves it to the rule before."""

    keep_s: float | None = None
    remove: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Retention:
    """The limits that a config names. Without any of them nothing is removed."""

    keep_s: float | None = None
    archive_at_most_bytes: int | None = None
    make_room: bool = False
    keep_at_least_s: float = 7 * DAY_S
    kinds: Mapping[str, Rule] = field(default_factory=dict)
    jobs: Mapping[str, Rule] = field(default_factory=dict)

    @property
    def removes_anything(self) -> bool:
        rules = (*self.kinds.values(), *self.jobs.values())
        ages = [self.keep_s, *(rule.keep_s for rule in rules)]
        limited = self.archive_at_most_bytes is not None or self.make_room
        return limited or any(age is not None for age in ages)

    def keep_of(self, day: ArchiveDay) -> float | None:
        """The age from which a day's sweeps go; None for no age."""
        for rule in (self.jobs.get(day.job), self.kinds.get(day.kind)):
            if rule is not None and rule.keep_s is not None:
                return rule.keep_s
        return self.keep_s

    def refuses(self, day: ArchiveDay) -> str | None:
        """Why the config does not let a day go by itself; None where it may go."""
        job, kind = self.jobs.get(day.job, Rule()), self.kinds.get(day.kind, Rule())
        if job.remove is False:
            return f"retention.job.{day.job} keeps it for ever"
        if day.is_soak and not job.remove:
            return "a soak: never by itself"
        if job.remove is None and kind.remove is False:
            return f"retention.kind.{day.kind} keeps it for ever"
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveDay:
    """The files of one job and UTC day. ``held`` says why they must stay, whatever the config."""

    job: str
    day: str
    kind: str
    size_bytes: int
    is_soak: bool = False
    held: str | None = None
    corrected_end_s: float | None = None
    """When its sweeps truly ended, where a correction of the clock says so."""

    @property
    def ends_s(self) -> float:
        """The end of the day, or of what truly was on it where that is later."""
        end_s = day_start_s(self.day) + DAY_S
        return end_s if self.corrected_end_s is None else max(end_s, self.corrected_end_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Going:
    """A day that goes, and why, as it is told and written down."""

    day: ArchiveDay
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Staying:
    """A day that would go, but for ``why``."""

    day: ArchiveDay
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RetentionPlan:
    """What goes, in that order, and what would but stays. ``short_bytes`` is by how much the limits
    are missed even so: no more may go."""

    going: tuple[Going, ...]
    staying: tuple[Staying, ...]
    size_bytes: int
    short_bytes: int = 0

    @property
    def going_bytes(self) -> int:
        return sum(one.day.size_bytes for one in self.going)


def retention_of(table: RetentionTable) -> Retention:
    """The limits of a config."""
    return Retention(
        keep_s=table.keep_s,
        archive_at_most_bytes=table.archive_at_most_bytes,
        make_room=table.make_room,
        keep_at_least_s=table.keep_at_least_s,
        kinds={
            name: Rule(keep_s=rule.keep_s, remove=rule.remove) for name, rule in table.kind.items()
        },
        jobs={
            name: Rule(keep_s=rule.keep_s, remove=rule.remove) for name, rule in table.job.items()
        },
    )


def plan_retention(
    days: Iterable[ArchiveDay],
    limits: Retention,
    *,
    now_s: float,
    wanted_bytes: int = 0,
    age_counts: bool = True,
) -> RetentionPlan:
    """What is to be removed now.

    Args:
        wanted_bytes: room that the disk is short of; counts only with ``make_room``.
        age_counts: False where the clock is not known to be right: nothing goes for its age then,
            and what goes for its size goes by the order of the days alone.
    """
    here = sorted(days, key=_order)
    size = sum(day.size_bytes for day in here)
    going: list[Going] = []
    staying: list[Staying] = []
    left: list[ArchiveDay] = []
    for day in here:
        keep_s = limits.keep_of(day)
        if not age_counts or keep_s is None or now_s - day.ends_s < keep_s:
            left.append(day)
            continue
        why = _stays(day, limits, now_s)
        if why is None:
            going.append(Going(day=day, why=f"older than {format_quantity(keep_s, AGE)}"))
        else:
            staying.append(Staying(day=day, why=why))
    over = 0
    may_go = _those_that_may(left, limits, now_s, staying)
    for short, why in _shortages(limits, size, wanted_bytes, going):
        over = short
        while over > 0 and (goes := next(may_go, None)) is not None:
            going.append(Going(day=goes, why=why))
            over -= goes.size_bytes
        if over > 0:
            break
    return RetentionPlan(
        going=tuple(going), staying=tuple(staying), size_bytes=size, short_bytes=max(0, over)
    )


def _shortages(
    limits: Retention, size: int, wanted_bytes: int, going: list[Going]
) -> Iterator[tuple[int, str]]:
    """By how much each limit is missed when its turn comes, and the sentence."""
    most = limits.archive_at_most_bytes
    if most is not None:
        gone = sum(one.day.size_bytes for one in going)
        yield size - gone - most, f"the sweeps take more than {format_quantity(float(most), BYTES)}"
    if limits.make_room and wanted_bytes > 0:
        gone = sum(one.day.size_bytes for one in going)
        yield wanted_bytes - gone, "the disk was short of room to go on sweeping"


def _order(day: ArchiveDay) -> tuple[bool, int, float, str]:
    rank = ORDER.index(day.kind) if day.kind in ORDER else len(ORDER)
    return day.is_soak, rank, day.ends_s, day.job


def _stays(day: ArchiveDay, limits: Retention, now_s: float) -> str | None:
    why = day.held or limits.refuses(day)
    if why is None and now_s - day.ends_s < limits.keep_at_least_s:
        return f"younger than {format_quantity(limits.keep_at_least_s, AGE)}"
    return why


def _those_that_may(
    left: list[ArchiveDay], limits: Retention, now_s: float, staying: list[Staying]
) -> Iterator[ArchiveDay]:
    """Days that may go, in order; those between that may not are put with those that stay."""
    for day in left:
        why = _stays(day, limits, now_s)
        if why is None:
            yield day
        else:
            staying.append(Staying(day=day, why=why))
