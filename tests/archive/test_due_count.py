"""What is due to the last pass: it may go on while somebody looks."""

from __future__ import annotations

import numpy as np
import pytest

from acqd.archive.records import GapRecord
from acqd.archive.verify_checks import DueCount
from acqd.plan.jobs import PlannedJob
from acqd.plan.schedule import Schedule

START_S = 1_760_000_000.0
LAST_S = START_S + 9.0
JOB = PlannedJob(name="calling", schedule=Schedule(every_s=1.0, burst=3))


def gap_of(count: int) -> GapRecord:
    return GapRecord(job="calling", from_s=LAST_S, to_s=LAST_S, count=count, reason="sweep failed")


@pytest.mark.parametrize(
    ("lost", "at_last", "gaps", "short"),
    [
        (0, 3, [], 0),
        (0, 1, [], 0),
        (0, 1, [gap_of(1)], 0),
        (0, 1, [gap_of(2)], 0),
        (2, 3, [], 2),
        (2, 1, [], 2),
        (2, 1, [gap_of(2)], 2),
    ],
)
def test_what_the_last_pass_has_not_swept_yet_is_not_missed(
    lost: int, at_last: int, gaps: list[GapRecord], short: int
) -> None:
    """However far it is; what is missing before it is told to the sweep."""
    count = DueCount([(START_S - 0.5, JOB)])
    due = np.repeat(START_S + np.arange(9.0), 3)[: 27 - lost]
    for one in (due, np.full(at_last, LAST_S)):
        count.add(one)
    assert sum(one.count for one in count.shortages(gaps)) == short


def test_a_last_pass_that_came_in_two_pieces_is_whole() -> None:
    """As from a file and a journal."""
    count = DueCount([(START_S - 0.5, JOB)])
    for one in (np.repeat(START_S + np.arange(8.0), 3), np.full(2, LAST_S), np.full(1, LAST_S)):
        count.add(one)
    assert [one.count for one in count.shortages([])] == [3]
