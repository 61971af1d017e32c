"""What a config's retention comes to, in sentences: its limits, and what they mean for the disk."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from acqd.archive.layout import DAY_S
from acqd.archive.retention import ArchiveDay, Retention
from acqd.config.quantity import BYTES, format_quantity
from acqd.config.retention import AGE

__all__ = ["foreseen_lines", "limits_text"]

LONG_DAYS = 36_500.0


def limits_text(limits: Retention) -> str:
    """All limits in one sentence."""
    if not limits.removes_anything:
        return "nothing is ever removed: [retention] in the config names no limit"
    said = []
    if limits.keep_s is not None:
        said.append(f"sweeps go when they are older than {format_quantity(limits.keep_s, AGE)}")
    for family, rules in (("kind", limits.kinds), ("job", limits.jobs)):
        for name, rule in rules.items():
            if rule.remove is False:
                said.append(f"those of {family} {name} stay for ever")
            elif rule.keep_s is not None:
                age = format_quantity(rule.keep_s, AGE)
                said.append(f"those of {family} {name} when they are older than {age}")
    if limits.archive_at_most_bytes is not None:
        most = format_quantity(float(limits.archive_at_most_bytes), BYTES)
        said.append(f"the oldest go when all take more than {most}")
    if limits.make_room:
        said.append("the oldest go before the station has to stop for want of room")
    said.append(f"none younger than {format_quantity(limits.keep_at_least_s, AGE)}")
    return "; ".join(said)


def foreseen_lines(
    limits: Retention, a_day: Sequence[ArchiveDay], *, room_bytes: float | None
) -> Iterator[str]:
    """What retention will do with what each job is foreseen to store.

    Args:
        a_day: a day of each job, of any date.
        room_bytes: what the archive may take yet before sweeping stops; None where nobody knows.
    """
    from acqd.cli.tables import quantity

    yield limits_text(limits)
    if not limits.removes_anything:
        return
    total = float(sum(day.size_bytes for day in a_day))
    for_ever = [day for day in a_day if day.size_bytes and limits.refuses(day) is not None]
    aging = [day for day in a_day if day not in for_ever]
    kept_s = [(day, limits.keep_of(day)) for day in aging]
    settled = sum(day.size_bytes * keep_s / DAY_S for day, keep_s in kept_s if keep_s is not None)
    if settled > 0:
        yield f"what goes by its age will come to about {quantity(settled, 'B')}"
        if room_bytes is not None and settled > room_bytes and not limits.make_room:
            yield "that is more than there is room for: the station will have to stop sweeping"
    if limits.archive_at_most_bytes is not None and total > 0:
        yield from _size_lines(limits, float(limits.archive_at_most_bytes), total)
    if for_ever:
        names, size = ", ".join(day.job for day in for_ever), sum(d.size_bytes for d in for_ever)
        yield f"kept for ever: {names}, about {quantity(float(size), 'B')} a day"


def _size_lines(limits: Retention, most: float, total: float) -> Iterator[str]:
    from acqd.cli.tables import number, quantity

    days = most / total
    if days < 1.0:
        yield "the archive will be at its most in less than a day"
    elif days < LONG_DAYS:
        yield f"the archive will be at its most after about {number(days, 0)} days"
    if days * DAY_S < limits.keep_at_least_s:
        least = format_quantity(limits.keep_at_least_s, AGE)
        size = quantity(total * limits.keep_at_least_s / DAY_S, "B")
        yield f"it will grow beyond: the {least} that never go take about {size}"
