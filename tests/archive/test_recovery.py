"""A restart goes on from where the last run was: meters, events, findings, plan."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from acqd.archive.records import Batch, GapRecord, HourlyRecord, SetupRecord, SweepRecord
from acqd.archive.setaside import set_aside_file
from acqd.errors import ArchiveError


def _gap(from_s: float) -> GapRecord:
    return GapRecord(job="harbour", from_s=from_s, to_s=from_s, count=1, reason="paused")


def test_meter_and_the_events_after_it_come_back_in_order(scribe: Any) -> None:
    """After a run that just stopped: the checkpoint, then what happened, as it happened."""
    writer = scribe.begun([scribe.meter(0)])
    writer.commit(scribe.batch(1, 2)).result(timeout=10)
    scribe.seal(writer, seq=2)
    hour = HourlyRecord(job="harbour", hour_start_s=7200.0, figures={})
    writer.commit(scribe.batch(3, 3, hourly=(hour,))).result(timeout=10)
    writer.commit(Batch(gaps=(_gap(5.0),))).result(timeout=10)
    other = scribe.setup(setup="bb22")
    writer.commit(Batch(setups=(other,), sweeps=(replace(scribe.sweep(4), setup="bb22"),))).result(
        timeout=10
    )
    writer.close((), seal=False)
    recovery = scribe.open().recovery
    job = recovery.job("harbour")
    assert job is not None
    assert job.meter == scribe.meter(2)
    assert job.last_hour_start_s == 7200.0
    told = [
        event.setup
        if isinstance(event, SetupRecord)
        else event.seq
        if isinstance(event, SweepRecord)
        else type(event).__name__
        for event in job.events()
    ]
    assert told == ["aa11", 3, "HourlyRecord", "GapRecord", "bb22", 4]
    assert recovery.next_seq("harbour") == 5


def test_orderly_close_leaves_a_checkpoint_and_no_events(scribe: Any) -> None:
    """Everything is sealed, and the states stand in a journal of their own."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 4, findings=(scribe.finding(1),))).result(timeout=10)
    writer.close([scribe.meter(4, 1)])
    recovery = scribe.open().recovery
    job = recovery.job("harbour")
    assert job is not None
    assert job.meter == scribe.meter(4, 1)
    assert list(job.events()) == []
    assert (job.next_seq, job.next_finding) == (5, 2)
    assert len(scribe.files()) == 1


def test_close_without_time_leaves_sealing_for_the_next_start(scribe: Any) -> None:
    """What is not sealed waits, and is sealed once the next run has begun."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 4)).result(timeout=10)
    writer.close([scribe.meter(4)], seal=False)
    assert scribe.files() == []
    again = scribe.begun([scribe.meter(4)])
    scribe.wait_sealed(again)
    assert len(scribe.files()) == 1


def test_nothing_changes_before_begin(scribe: Any) -> None:
    """A start that is killed before begin() finds the same again."""
    writer = scribe.begun([scribe.meter(0)])
    writer.commit(scribe.batch(1, 4)).result(timeout=10)
    writer.close((), seal=False)
    for _ in range(2):
        opened = scribe.open()
        job = opened.recovery.job("harbour")
        assert job is not None
        assert job.meter == scribe.meter(0)
        assert len(list(job.events())) == 5
        opened.close(())


def test_events_are_read_before_begin(scribe: Any) -> None:
    """After it the journal may be gone, and the error says when to read."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 4)).result(timeout=10)
    writer.close((), seal=False)
    again = scribe.open()
    job = again.recovery.job("harbour")
    assert job is not None
    again.begin([])
    scribe.wait_sealed(again)
    with pytest.raises(ArchiveError, match=r"are read before begin\(\)"):
        list(job.events())


def test_time_of_the_last_sign_of_life(scribe: Any) -> None:
    """A heartbeat, or the end of the last sweep if that is later; and the boot it was of."""
    writer = scribe.begun()
    writer.alive(scribe.start_s + 2.0).result(timeout=10)
    writer.close((), seal=False)
    assert scribe.open().recovery.last_alive_s == scribe.start_s + 2.0
    scribe.writers[-1].close(())
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 9)).result(timeout=10)
    writer.close((), seal=False)
    recovery = scribe.open().recovery
    assert recovery.last_alive_s == scribe.start_s + 9.625
    assert recovery.last_boot_id == "boot-1"


def test_the_last_plan_comes_back(scribe: Any) -> None:
    """The station accounts for the time it was down by the plan that was in force."""
    writer = scribe.begun()
    writer.record_plan('{"jobs":[1]}', 10.0).result(timeout=10)
    writer.record_plan('{"jobs":[2]}', 20.0).result(timeout=10)
    writer.close([])
    recovery = scribe.open().recovery
    assert (recovery.last_plan, recovery.last_plan_at_s) == ('{"jobs":[2]}', 20.0)


def _waiting(writer: Any, limit: int = 100) -> list[tuple[str, int]]:
    found = writer.pending_findings(limit).result(timeout=10)
    return [(one.job, one.number) for one in found]


def test_findings_wait_until_acknowledged_over_rotation_and_restart(scribe: Any) -> None:
    """In the order of their commit, from ledger and journals together, each once."""
    writer = scribe.begun()
    station = replace(scribe.finding(1), job="station")
    writer.commit(Batch(findings=(scribe.finding(1), station))).result(timeout=10)
    scribe.seal(writer)
    writer.commit(Batch(findings=(scribe.finding(2),))).result(timeout=10)
    writer.commit(Batch(findings=(replace(station, number=2),))).result(timeout=10)
    everything = [("harbour", 1), ("station", 1), ("harbour", 2), ("station", 2)]
    assert _waiting(writer) == everything
    assert _waiting(writer, 3) == everything[:3]
    message = writer.pending_findings(1).result(timeout=10)[0].message
    assert message == scribe.finding(1).message
    assert writer.undelivered().result(timeout=10) == {"harbour": 2, "station": 2}
    writer.acknowledge("harbour", 1).result(timeout=10)
    writer.acknowledge("harbour", 1).result(timeout=10)
    writer.close((), seal=False)
    again = scribe.begun()
    assert _waiting(again) == everything[1:]
    again.acknowledge("station", 2).result(timeout=10)
    again.acknowledge("station", 1).result(timeout=10)
    assert _waiting(again) == [("harbour", 2)]
    assert again.undelivered().result(timeout=10) == {"harbour": 1}


def test_dropping_says_which_numbers_are_not_sent_and_keeps_them(scribe: Any) -> None:
    """An outage that outlasts the outbox costs messages, never what is in the archive."""
    writer = scribe.begun()
    findings = tuple(scribe.finding(number) for number in range(1, 11))
    writer.commit(Batch(findings=findings)).result(timeout=10)
    writer.acknowledge("harbour", 2).result(timeout=10)
    assert writer.undelivered_excess("harbour", 3).result(timeout=10) == (3, 7)
    # Nothing is given up before others have been told of it.
    assert writer.undelivered_excess("harbour", 3).result(timeout=10) == (3, 7)
    writer.acknowledge("harbour", 7).result(timeout=10)
    assert writer.undelivered_excess("harbour", 3).result(timeout=10) is None
    assert _waiting(writer) == [("harbour", 8), ("harbour", 9), ("harbour", 10)]
    from acqd.archive.reader import open_archive

    assert len(open_archive(scribe.root).findings("harbour")) == 10


def test_overlays_are_kept_with_who_and_when(scribe: Any) -> None:
    """What people say later stands beside the data."""
    writer = scribe.begun()
    number = writer.add_overlay(
        "chain", job="harbour", from_s=1.0, body={"pad_db": 10}, who="watch"
    ).result(timeout=10)
    writer.add_overlay("note", body={"text": "gale"}, who="watch").result(timeout=10)
    with pytest.raises(ArchiveError, match="expected one of note, chain, time, pin"):
        writer.add_overlay("rumour", body={}, who="x").result(timeout=10)
    from acqd.archive.reader import open_archive

    chain, note = open_archive(scribe.root).overlays("harbour")
    assert (chain.id, chain.kind, chain.body) == (number, "chain", {"pad_db": 10})
    assert (chain.from_s, chain.to_s, chain.who) == (1.0, None, "watch")
    assert chain.at_s == scribe.start_s
    assert (note.job, note.body) == (None, {"text": "gale"})


def test_a_lost_ledger_is_made_anew_from_the_files(scribe: Any) -> None:
    """Findings, gaps, hours, setups and plans come back; numbers go on where they were."""
    writer = scribe.begun()
    hour = HourlyRecord(job="harbour", hour_start_s=scribe.start_s // 3600 * 3600, figures={"a": 1})
    station = replace(scribe.finding(1), job="station")
    writer.record_plan('{"jobs":[2]}', scribe.start_s).result(timeout=10)
    batch = scribe.batch(
        1, 6, findings=(scribe.finding(1), station), gaps=(_gap(scribe.start_s),), hourly=(hour,)
    )
    writer.commit(batch).result(timeout=10)
    scribe.seal(writer, seq=6)
    assert writer.merge_due(scribe.start_s + 2 * 86400.0).result(timeout=10) == 1
    writer.close([scribe.meter(6, 1)])
    for name in ("ledger.sqlite", "ledger.sqlite-wal", "ledger.sqlite-shm"):
        (scribe.root / name).unlink(missing_ok=True)
    for path in (scribe.root / "journals").iterdir():
        path.unlink()
    from acqd.archive.reader import open_archive

    # Already without a ledger a reader finds them in the files.
    assert open_archive(scribe.root).findings("harbour") == [scribe.finding(1)]
    again = scribe.begun()
    assert again.recovery.next_seq("harbour") == 7
    assert again.recovery.next_finding("harbour") == 2
    assert again.recovery.next_finding("station") == 2
    assert again.recovery.last_plan == '{"jobs":[2]}'
    archive = open_archive(scribe.root)
    assert archive.findings("harbour") == [scribe.finding(1)]
    assert archive.findings("station") == [station]
    assert archive.gaps("harbour") == [_gap(scribe.start_s)]
    assert archive.hourly("harbour") == [hour]
    assert [setup.setup for setup in archive.setups("harbour")] == ["aa11"]
    again.commit(scribe.batch(7, 7)).result(timeout=10)
    events = [event for event in archive.events("harbour") if isinstance(event, SweepRecord)]
    assert [event.seq for event in events] == [1, 2, 3, 4, 5, 6, 7]


def test_numbers_of_files_that_are_gone_are_not_used_again(scribe: Any) -> None:
    """A file that was set aside, and one that is missing, had numbers that somebody was told."""
    writer = scribe.begun()
    for first, last in ((1, 3), (4, 6), (7, 9)):
        writer.commit(scribe.batch(first, last)).result(timeout=10)
        scribe.seal(writer, seq=last)
    writer.close([scribe.meter(9)])
    for path in (*scribe.root.glob("ledger.sqlite*"), *(scribe.root / "journals").iterdir()):
        path.unlink()
    _, aside, missing = scribe.files()
    set_aside_file(scribe.root, aside, "a spot", at_s=scribe.start_s, ask=lambda _: None)
    missing.unlink()
    again = scribe.open()
    assert again.recovery.next_seq("harbour") == 10
    again.close((), seal=False)
    for path in scribe.root.glob("ledger.sqlite*"):
        path.unlink()
    manifest = aside.parent / "manifest.json"
    body = json.loads(manifest.read_bytes())
    body["files"] = [one for one in body["files"] if one["name"] != missing.name]
    manifest.write_text(json.dumps(body), "utf-8")
    assert scribe.open().recovery.next_seq("harbour") == 7


def test_a_lost_ledger_does_not_cost_the_plan(scribe: Any) -> None:
    """By it the time down is counted at the next start; the newest is kept beside the ledger."""
    writer = scribe.begun()
    writer.record_plan('{"jobs": []}', 1000.0).result(timeout=10)
    writer.record_plan('{"jobs": [1]}', 2000.0).result(timeout=10)
    writer.close((), seal=False)
    for path in scribe.root.glob("ledger.sqlite*"):
        path.unlink()
    again = scribe.open()
    assert (again.recovery.last_plan, again.recovery.last_plan_at_s) == ('{"jobs": [1]}', 2000.0)


def test_a_copy_of_the_plan_that_is_none_is_passed_over(scribe: Any) -> None:
    scribe.begun().close((), seal=False)
    for path in scribe.root.glob("ledger.sqlite*"):
        path.unlink()
    (scribe.root / "plan.json").write_text('{"at_s": "x"')
    assert scribe.open().recovery.last_plan is None
