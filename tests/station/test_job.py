"""The order of things in a job: measured, committed, and only then true and told (G1, G4)."""

from __future__ import annotations

import asyncio
import base64
import json
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.reader import open_archive
from acqd.archive.records import Batch, GapRecord, SweepRecord
from acqd.archive.writer import ArchiveWriter
from acqd.canonical import canonical_levels
from acqd.config.load import parse_config
from acqd.drivers.registry import load_drivers
from acqd.errors import ArchiveError, ArchiveFull
from acqd.measure.meter import PASS_CUT_SHORT, FindingDraft
from acqd.station.build import build
from acqd.station.job import JobRunner, Taken
from acqd.station.tell import Teller, one_line
from acqd.sweep import Capabilities, Identity, LevelUnit, Reported, Sweep
from acqd.testing.clock import ManualClock

JOB = "marine-vhf"
POINTS = 101


class Ears:
    """Stands where the publisher does, and writes down what it is handed."""

    def __init__(self) -> None:
        self.live_topics: list[str] = []
        self.retained: dict[str, bytes] = {}
        self.rings = 0

    def live(self, topic: str, payload: bytes) -> None:
        self.live_topics.append(topic)

    def retain(self, topic: str, payload: bytes) -> None:
        self.retained[topic] = payload

    def findings_waiting(self) -> None:
        self.rings += 1

    @property
    def heard_anything(self) -> bool:
        return bool(self.live_topics or self.retained or self.rings)


class Bench:
    """A job on a real archive, with ears in the publisher's place."""

    def __init__(self, root: Path, config: Path) -> None:
        (self.spec,) = build(parse_config(config.read_text(), config), load_drivers()).jobs
        self.clock = ManualClock()
        self.ears = Ears()
        self.archive = ArchiveWriter.open(
            root, station="lookout", run_id="1", clock=self.clock, keep_free_bytes=1 << 20
        )
        teller = Teller(
            station="lookout",
            title="",
            run_id="1",
            clock=self.clock,
            topics_root="acqd",
            trace_points=100,
            sweepers=["mast"],
            drivers={},
            jobs=[JOB],
        )
        teller._publisher = self.ears
        self.job = JobRunner(
            self.spec,
            archive=self.archive,
            teller=teller,
            clock=self.clock,
            run_id="1",
            state=self.spec.feed.start(),
        )
        state = self.spec.feed.checkpoint(JOB, self.job.state, next_finding=1)
        self.archive.begin([state])
        self._seed = 0

    def taken(self, peak_dbm: float = -60.0) -> Taken:
        self._seed += 1
        level = np.random.default_rng(self._seed).normal(-100, 2, POINTS)
        level[50] = peak_dbm
        request = self.spec.request
        sweep = Sweep(
            request=request,
            reported=Reported(rbw_hz=10e3),
            frequency_hz=request.frequencies_hz(),
            level=canonical_levels(np.round(level, 2), 0.01),
            unit=LevelUnit.DBM,
            resolution=0.01,
            started_s=self.clock.wall_s(),
            monotonic_s=self.clock.monotonic_s(),
            took_s=0.1,
            boot_id="boot-1",
            clock_synchronised=True,
            identity=Identity(maker="ACME", serial_number="1"),
        )
        self.clock.advance(0.5)
        return Taken(
            sweep=sweep,
            capabilities=Capabilities(start_hz=0, stop_hz=1e9),
            step=0,
            due_s=sweep.started_s,
            first_of_pass=True,
        )

    def hold_the_disk(self) -> threading.Event:
        """Nothing is committed until the event is set."""
        gate, commit = threading.Event(), self.archive.commit

        def slow(batch: Batch, **more: Any) -> Future[None]:
            answer: Future[None] = Future()

            def forward() -> None:
                gate.wait(10.0)
                answer.set_result(commit(batch, **more).result(10.0))

            threading.Thread(target=forward, daemon=True).start()
            return answer

        self.archive.commit = slow
        return gate

    def close(self) -> None:
        self.archive.close((), seal=False)


@pytest.fixture
def bench(tmp_path: Path, job_table: Callable[..., str]) -> Iterator[Bench]:
    """A job and its archive."""
    config = tmp_path / "station.toml"
    config.write_text(
        f'[station]\nname = "lookout"\narchive = "archive"\n[mqtt]\nbroker = "none"\n'
        f'[sweeper.mast]\ndriver = "sim"\naddress = "sim:mast"\n{job_table(JOB)}'
    )
    one = Bench(tmp_path / "archive", config)
    yield one
    one.close()


async def test_nothing_is_told_before_it_is_kept(bench: Bench) -> None:
    """While the disk is slow there is silence, and the state is the old one; then all at once."""
    gate = bench.hold_the_disk()
    before = bench.job.state
    keeping = asyncio.create_task(bench.job.keep([bench.taken()]))
    await asyncio.sleep(0.1)
    assert not keeping.done()
    assert not bench.ears.heard_anything
    assert bench.job.state is before and bench.job.last_seq == 0
    gate.set()
    await keeping
    assert bench.job.last_seq == 1 and bench.job.last_finding == 1
    assert "acqd/lookout/job/marine-vhf/summary" in bench.ears.live_topics
    assert bench.ears.rings == 1


async def test_what_is_missed_counts_while_nothing_is_swept(bench: Bench) -> None:
    """A sweeper that is away lowers the coverage that is told; the next hour begins anew."""

    async def told_after(from_s: float, count: int) -> tuple[int, int, float]:
        bench.clock.advance(31.0)  # states that change little are not told more often
        to_s = from_s + count - 1.0
        await bench.job.gap(
            GapRecord(job=JOB, from_s=from_s, to_s=to_s, count=count, reason="sweeper lost")
        )
        state = json.loads(bench.ears.retained["acqd/lookout/job/marine-vhf/state"])
        return state["stored"], state["due"], state["coverage"]

    bench.clock.advance(3600.0 - bench.clock.wall_s() % 3600.0)
    hour_s = bench.clock.wall_s()
    await bench.job.keep([bench.taken(), bench.taken(), bench.taken()])
    assert await told_after(hour_s + 10.0, 5) == (3, 8, 0.375)
    assert await told_after(hour_s + 20.0, 4) == (3, 12, 0.25)
    # Ten due times, a second apart, of which four are of the next hour.
    assert await told_after(hour_s + 3594.0, 10) == (0, 4, 0.0)
    # With the next sweep its summary tells, and that counts alike.
    await bench.job.turn_hours(hour_s + 3604.0)
    bench.clock.advance(hour_s + 3700.0 - bench.clock.wall_s())
    await bench.job.keep([bench.taken()])
    assert await told_after(hour_s + 3701.0, 5) == (1, 10, 0.1)


async def test_what_cannot_be_kept_never_happened(full_disk: Any, bench: Bench) -> None:
    """No message, no number used, the same state; the next sweep is measured as if it were next."""
    await bench.job.keep([bench.taken()])
    before, rings = bench.job.state, bench.ears.rings
    live = len(bench.ears.live_topics)
    full_disk.free_bytes = 1000
    with pytest.raises(ArchiveFull):
        await bench.job.keep([bench.taken(), bench.taken()])
    with pytest.raises(ArchiveFull):
        await bench.job.gap(GapRecord(job=JOB, from_s=1, to_s=1, count=1, reason="overrun"))
    full_disk.free_bytes = 1 << 40
    assert bench.job.state is before
    assert (len(bench.ears.live_topics), bench.ears.rings) == (live, rings)
    await bench.job.keep([bench.taken()])
    assert bench.job.last_seq == 2
    events = [e for e in open_archive(bench.archive.root).events(JOB) if isinstance(e, SweepRecord)]
    assert [e.seq for e in events] == [1, 2]
    feed = bench.spec.feed
    states = [
        s for s, _, _ in feed.replay(feed.start(), open_archive(bench.archive.root).events(JOB))
    ]
    assert feed.checkpoint(JOB, states[-1], next_finding=0) == feed.checkpoint(
        JOB, bench.job.state, next_finding=0
    )


async def test_only_what_was_due_of_a_pass_that_cannot_be_kept_is_a_gap(
    full_disk: Any, bench: Bench
) -> None:
    """Steps after the first hang on what was seen: they are no due sweeps, stored or lost."""
    due_s = bench.clock.wall_s()

    def step(number: int) -> Taken:
        return replace(bench.taken(), step=number, due_s=due_s, first_of_pass=number == 0)

    full_disk.free_bytes = 1000
    with pytest.raises(ArchiveFull):
        await bench.job.keep([step(0), step(1), step(2)])
    with pytest.raises(ArchiveFull):
        await bench.job.keep([step(3), step(4)])
    full_disk.free_bytes = 1 << 40
    await bench.job.keep_gaps()
    kept = open_archive(bench.archive.root).gaps(JOB)
    assert [(gap.reason, gap.count) for gap in kept] == [("disk full", 1), (PASS_CUT_SHORT, 0)]
    assert (bench.job.state.accounted_s, bench.job.state.taken) == (due_s, 1)


async def test_a_gap_that_is_noted_while_a_pass_is_kept_comes_after_it(bench: Bench) -> None:
    """As the rest of that very pass does; one that waited comes before."""
    at_s = bench.clock.wall_s()

    def gap(reason: str, count: int) -> GapRecord:
        return GapRecord(job=JOB, from_s=at_s, to_s=at_s, count=count, reason=reason)

    bench.job.note_gap(gap("overrun", 1))
    keeping = await bench.job.keep_soon([bench.taken()])
    bench.job.note_gap(gap(PASS_CUT_SHORT, 0))
    await keeping
    await bench.job.keep_gaps()
    events = [
        event.reason if isinstance(event, GapRecord) else "sweep"
        for event in open_archive(bench.archive.root).events(JOB)
        if isinstance(event, SweepRecord | GapRecord)
    ]
    assert events == ["overrun", "sweep", PASS_CUT_SHORT]


async def test_a_stop_while_the_disk_is_slow_keeps_state_and_archive_alike(bench: Bench) -> None:
    """Cancelled with a commit on its way: what was committed is the state afterwards."""
    gate = bench.hold_the_disk()
    keeping = asyncio.create_task(bench.job.keep([bench.taken()]))
    await asyncio.sleep(0.05)
    keeping.cancel()
    await asyncio.sleep(0.05)
    gate.set()
    with pytest.raises(asyncio.CancelledError):
        await keeping
    stored = [e for e in open_archive(bench.archive.root).events(JOB) if isinstance(e, SweepRecord)]
    assert len(stored) == bench.job.last_seq == bench.job.state.seq == 1


async def test_a_sweep_is_told_of_once(bench: Bench) -> None:
    """Only the newest of a group goes out live; all of them are kept."""
    await bench.job.keep([bench.taken() for _ in range(5)])
    assert bench.ears.live_topics.count("acqd/lookout/job/marine-vhf/summary") == 1
    assert bench.job.last_seq == 5


async def test_a_message_that_cannot_be_made_costs_no_sweep(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fault of ours in the wording; the night goes on."""

    def broken(*args: Any, **kwargs: Any) -> None:
        raise TypeError("a field that nobody knows")

    monkeypatch.setattr(bench.job._teller, "_live", broken)
    for _ in range(3):
        await bench.job.keep([bench.taken()])
    assert bench.job.last_seq == 3


async def test_the_words_of_others_fit_into_a_finding(bench: Bench) -> None:
    """Any length, any letters: one line that every database and message takes."""
    text = "\ud800 two\nlines\x00\x1b[31m " + "x" * 5000
    await bench.job.finding(FindingDraft(what="refused", at_s=1.0, text=text))
    (kept,) = open_archive(bench.archive.root).findings(JOB)
    assert kept.text == one_line(text)
    assert len(kept.text) <= 1000 and kept.text.isprintable()
    assert kept.text.startswith("\ufffd two lines\ufffd\ufffd[31m xxx")
    assert kept.text.encode() in kept.message


async def test_nothing_later_is_committed_before_a_gap_that_waits(
    full_disk: Any, bench: Bench
) -> None:
    """A gap that found no room stands in the archive before the next sweep that is kept."""
    await bench.job.keep([bench.taken()])
    lost = bench.taken()
    full_disk.free_bytes = 1000
    bench.job.note_gap(
        GapRecord(job=JOB, from_s=lost.due_s, to_s=lost.due_s, count=1, reason="disk full")
    )
    with pytest.raises(ArchiveFull):
        await bench.job.keep([bench.taken()])
    assert bench.job.gaps_wait
    full_disk.free_bytes = 1 << 40
    await bench.job.keep([bench.taken()])
    assert not bench.job.gaps_wait
    kinds = [
        type(event).__name__
        for event in open_archive(bench.archive.root).events(JOB)
        if isinstance(event, SweepRecord | GapRecord)
    ]
    assert kinds == ["SweepRecord", "GapRecord", "GapRecord", "SweepRecord"]


async def test_gaps_survive_a_stop_in_the_middle_of_their_commit(bench: Bench) -> None:
    """Cancelled while the disk is slow: every gap is in the archive once, or still waits."""
    first = bench.taken()
    for n in range(40):
        at_s = first.due_s + n
        bench.job.note_gap(
            GapRecord(job=JOB, from_s=at_s, to_s=at_s, count=1, reason=f"reason {n % 2}")
        )
    gate = bench.hold_the_disk()
    keeping = asyncio.create_task(bench.job.keep_gaps())
    await asyncio.sleep(0.05)
    keeping.cancel()
    await asyncio.sleep(0.05)
    gate.set()
    with pytest.raises(asyncio.CancelledError):
        await keeping
    assert await bench.job.settled(5.0)
    await bench.job.keep_gaps()
    kept = open_archive(bench.archive.root).gaps(JOB)
    assert [(g.from_s - first.due_s, g.count) for g in kept] == [(n, 1) for n in range(40)]


async def test_a_checkpoint_waits_for_a_slow_commit(bench: Bench) -> None:
    """While a commit is on its way the state is not what the archive will hold."""
    gate = bench.hold_the_disk()
    keeping = await bench.job.keep_soon([bench.taken()])
    assert not await bench.job.settled(0.05)
    gate.set()
    assert await bench.job.settled(5.0)
    await keeping
    assert bench.job.state.seq == bench.job.last_seq == 1


async def test_the_rest_of_a_pass_is_known_after_a_kill(bench: Bench) -> None:
    """How many sweeps of the last due time are stored or accounted for survives a checkpoint."""
    feed = bench.spec.feed
    first = bench.taken()
    second = replace(bench.taken(), due_s=first.due_s, first_of_pass=False)
    await bench.job.keep([first, second])
    assert (bench.job.state.accounted_s, bench.job.state.taken) == (first.due_s, 2)
    kept = feed.checkpoint(JOB, bench.job.state, next_finding=2)
    assert feed.restore(kept).taken == 2
    at_s = first.due_s
    await bench.job.gap(GapRecord(job=JOB, from_s=at_s, to_s=at_s, count=3, reason="station down"))
    assert bench.job.state.taken == 5
    await bench.job.gap(
        GapRecord(job=JOB, from_s=at_s + 1, to_s=at_s + 5, count=5, reason="overrun")
    )
    assert (bench.job.state.accounted_s, bench.job.state.taken) == (at_s + 5, None)


async def test_numbers_that_the_archive_refuses_end_nothing(bench: Bench) -> None:
    """A commit that is refused for another reason than room is told as such."""
    bench.job._next_seq = 5
    await bench.job.keep([bench.taken()])
    bench.job._next_seq = 5
    with pytest.raises(ArchiveError, match="never used twice"):
        await bench.job.keep([bench.taken()])


async def test_a_state_that_cannot_be_read_costs_what_it_counted(bench: Bench) -> None:
    """As after a change of its shape that nobody gave a version: a fresh meter, no traceback."""
    feed = bench.spec.feed
    taken = bench.taken()
    await bench.job.keep([taken])
    kept = feed.checkpoint(JOB, bench.job.state, next_finding=2)
    body = json.loads(kept.state) | {"meter": base64.b64encode(b"nothing").decode()}
    state = feed.restore(replace(kept, state=json.dumps(body).encode()))
    assert state.config != feed.config and state.config.endswith("unreadable")
    assert (state.accounted_s, state.seq) == (taken.due_s, 1)
    assert feed.meter.dump(state.meter) == feed.meter.dump(feed.meter.start())
