"""Marks of clocks: where a clock was set, and what one that becomes synchronised proves."""

from __future__ import annotations

import json
from typing import Any

import pytest

from acqd.archive.clocklog import MARKS_MOST, ClockLog, ClockMark, marks_of_boot, proven, stretches

NOW_S = 1_795_000_000.0
OLD_S = 1_000_000.0


def mark(monotonic_s: float, shows_s: float, kept: bool | None, slept_s: float = 0.0) -> ClockMark:
    """A mark of a clock that shows monotonic + ``shows_s``."""
    return ClockMark(
        monotonic_s=monotonic_s,
        wall_s=monotonic_s + shows_s,
        slept_s=slept_s,
        synchronised=kept,
        event=int(monotonic_s),
    )


BOOT = mark(20.0, OLD_S, False)
SET = mark(500.0, NOW_S, False)
RIGHT = mark(520.0, NOW_S, True)

CASES: dict[str, tuple[list[ClockMark], list[tuple[float, float]]]] = {
    "a cold boot": ([BOOT, SET, RIGHT], [(20.0, 500.0)]),
    "set and said at once": ([BOOT, mark(500.0, NOW_S, True)], [(20.0, 500.0)]),
    "not said yet": ([BOOT, SET], []),
    "nobody can say": ([mark(20.0, OLD_S, None), mark(500.0, NOW_S, True)], []),
    "right all the time": ([mark(20.0, NOW_S, True), mark(500.0, NOW_S, True)], []),
    "no step": ([mark(20.0, NOW_S, False), RIGHT], []),
    "by hand on the way": (
        [BOOT, mark(200.0, OLD_S + 9e7, False), SET, RIGHT],
        [(20.0, 200.0), (200.0, 500.0)],
    ),
    "right, then wrong by hand": (
        [mark(20.0, NOW_S, True), mark(200.0, NOW_S + 3600.0, False), SET, RIGHT],
        [(200.0, 500.0)],
    ),
    "wandered off": (
        [mark(20.0, NOW_S - 9.0, True), mark(200.0, NOW_S - 9.0, False), SET, RIGHT],
        [],
    ),
    "less than it can wander": (
        [mark(20.0, NOW_S - 20.0, False), mark(86_400.0, NOW_S, True)],
        [],
    ),
    "more than it can wander": (
        [mark(20.0, NOW_S - 60.0, False), mark(86_400.0, NOW_S, True)],
        [(20.0, 86_400.0)],
    ),
    "lost it again": ([BOOT, SET, RIGHT, mark(600.0, NOW_S, False)], []),
    "found it again": (
        [BOOT, SET, RIGHT, mark(600.0, NOW_S, False), mark(700.0, NOW_S, True)],
        [(20.0, 500.0)],
    ),
}


@pytest.mark.parametrize(("marks", "spans"), CASES.values(), ids=CASES)
def test_what_a_synchronised_clock_proves(
    marks: list[ClockMark], spans: list[tuple[float, float]]
) -> None:
    """Which stretches were wrong; what it shows now is the truth for all of them."""
    made = proven("boot-1", marks)
    pieces = () if made is None else made.pieces
    assert [(one.from_monotonic_s, one.to_monotonic_s) for one in pieces] == spans
    assert all(one.offset_s == NOW_S for one in pieces)


def test_sleep_parts_a_stretch_and_shifts_it_by_as_much() -> None:
    """An hour asleep before it was right: what was before it began an hour earlier."""
    awake = mark(200.0, OLD_S + 3600.0, False, slept_s=3600.0)
    marks = [BOOT, awake, mark(500.0, NOW_S, True, slept_s=3600.0)]
    assert len(stretches(marks)) == 2
    made = proven("boot-1", marks)
    assert made is not None
    assert [one.offset_s for one in made.pieces] == [NOW_S - 3600.0, NOW_S]
    assert [one.shift_s for one in made.pieces] == pytest.approx([NOW_S - 3600.0 - OLD_S] * 2)
    assert made.pieces[1].was_s == OLD_S + 3600.0


def test_how_good_it_is_grows_with_the_time_that_it_reaches_back() -> None:
    """A tenth of a second, and what quartz may be off by."""
    made = proven("boot-1", [BOOT, mark(86_420.0, NOW_S, True)])
    assert made is not None and made.uncertainty_s == pytest.approx(0.1 + 8.64)


def test_runs_of_a_boot_are_put_together_and_come_back_from_json() -> None:
    """Others are left out; what is no log is none."""
    logs = [
        ClockLog(boot="boot-1", marks=(SET, RIGHT), first_seq={"harbour": 12}),
        ClockLog(boot="boot-2", marks=(BOOT,), first_seq={}),
        ClockLog(boot="boot-1", marks=(BOOT,), first_seq={"harbour": 1}),
    ]
    again = [ClockLog.from_json(json.loads(json.dumps(one.to_json()))) for one in logs]
    assert again == logs
    assert marks_of_boot(logs, "boot-1") == (BOOT, SET, RIGHT)
    broken: list[Any] = [None, [], {}, {"boot": "x", "marks": [], "first_seq": {}}]
    broken += [{**logs[0].to_json(), "marks": [[1.0]]}, {**logs[0].to_json(), "first_seq": 3}]
    assert [ClockLog.from_json(one) for one in broken] == [None] * 6


def test_a_log_is_bounded_and_keeps_its_first_mark() -> None:
    """A laptop that sleeps all day does not fill the plan."""
    log = ClockLog(boot="boot-1", marks=(BOOT,), first_seq={})
    for number in range(3 * MARKS_MOST):
        log = log.with_mark(mark(100.0 + number, OLD_S, False))
    assert len(log.marks) == MARKS_MOST
    assert log.marks[0] == BOOT and log.marks[-1].monotonic_s == 99.0 + 3 * MARKS_MOST
