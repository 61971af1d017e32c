"""Messages counted in a broker's place."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

import pytest

from acqd.errors import ArchiveError
from acqd.publish.outbox import PendingFinding
from acqd.rehearsal.counting import CountingMessenger, MessageCount
from acqd.testing.clock import ManualClock

SECOND_S = 1_780_000_000.0


class Findings:
    """An outbox in memory."""

    def __init__(self) -> None:
        self.rows: list[PendingFinding] = []
        self.fails = False

    def put(self, job: str, number: int) -> None:
        topic = f"acqd/lookout/job/{job}/finding"
        self.rows.append(PendingFinding(job=job, number=number, topic=topic, payload=b"x" * 30))

    async def pending(self, limit: int) -> Sequence[PendingFinding]:
        if self.fails:
            raise ArchiveError("the disk is gone")
        await asyncio.sleep(0)
        return self.rows[:limit]

    async def acknowledged(self, job: str, number: int) -> None:
        self.rows = [row for row in self.rows if row.job != job or row.number > number]

    async def excess(self, job: str, keep: int) -> tuple[int, int] | None:
        return None


def scales(outbox: Findings, clock: ManualClock | None = None) -> CountingMessenger:
    return CountingMessenger(
        station="lookout", topic_root="acqd", clock=clock or ManualClock(SECOND_S), outbox=outbox
    )


async def test_messages_are_counted_by_the_kind_of_their_topic() -> None:
    one = scales(Findings())
    one.live("acqd/lookout/job/vhf/summary", lambda: b"12345")
    one.live("acqd/lookout/job/uhf/summary", b"123")
    one.retain("acqd/lookout/job/vhf/state", b"1234567")
    one.retain("acqd/lookout/job/vhf/state", b"12")
    load = one.load()
    assert load.by_topic == {
        "state": MessageCount(messages=2, size_bytes=9),
        "summary": MessageCount(messages=2, size_bytes=8),
    }
    assert load.retained == 1
    assert one.statistics().sent == 4


async def test_a_message_that_cannot_be_made_is_counted_as_dropped() -> None:
    one = scales(Findings())

    def broken() -> bytes:
        raise ValueError("no")

    one.live("acqd/lookout/job/vhf/trace", broken)
    assert one.load().dropped == 1
    assert one.load().by_topic == {}


async def test_the_busiest_second_is_told() -> None:
    clock = ManualClock(SECOND_S)
    one = scales(Findings(), clock)
    for count in (2, 5, 3):
        for _ in range(count):
            one.live("acqd/lookout/job/vhf/summary", b"1")
        clock.advance(1.0)
    load = one.load()
    assert (load.peak_a_second, load.peak_s) == (5, SECOND_S + 1.0)


async def test_findings_are_taken_from_the_outbox_once_each() -> None:
    outbox = Findings()
    one = scales(outbox)
    for number in range(1, 601):
        outbox.put("vhf", number)
    running = asyncio.create_task(one.run())
    # Both at once: the run that is under way, and the goodbye.
    await one.close(b"bye", within_s=1.0)
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    assert outbox.rows == []
    assert one.load().by_topic["finding"] == MessageCount(messages=600, size_bytes=18_000)
    assert one.load().by_topic["status"].messages == 1


async def test_an_outbox_that_fails_costs_nothing_else() -> None:
    outbox = Findings()
    outbox.fails = True
    one = scales(outbox)
    assert await one.close(b"bye", within_s=1.0)
    assert one.load().by_topic["status"].messages == 1


async def test_nothing_said_is_nothing_counted() -> None:
    load = scales(Findings()).load()
    assert (load.by_topic, load.peak_a_second, load.peak_s) == ({}, 0, None)
