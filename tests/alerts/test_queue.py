"""What waits for its way: in order, bounded, and kept over a restart and a full disk."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from acqd.alerts.queue import AGE_MOST_S, WAITING_MOST, Queue, Waiting
from acqd.alerts.store import AlertStore, Sent, read_left, store_path
from acqd.alerts.wording import Message
from acqd.errors import ArchiveError

T = 1_780_000_000.0


def message(text: str, *, urgent: bool = False, to: tuple[str, ...] = ("phone",)) -> Message:
    return Message(
        alert="a",
        state="alert",
        station="s",
        title=text,
        text=text,
        at_s=T,
        since_s=T,
        urgent=urgent,
        to=to,
    )


def titles(queue: Queue, way: str = "phone", now: float = T) -> list[str]:
    found = []
    while (one := queue.first(way, now)) is not None:
        found.append(one.payload["title"])
        queue.sent(one, lost=0)
    return found


def test_each_way_has_its_own_line_in_order() -> None:
    """The number is the alert's, the same for every way."""
    queue = Queue(["phone", "bell"])
    for n in range(3):
        queue.add(message(str(n), to=("phone", "bell", "gone")), T)
    first = queue.first("bell", T)
    assert first is not None and first.number == 1
    assert titles(queue) == ["0", "1", "2"]
    assert queue.waiting("bell") == 3


def test_at_the_bound_the_oldest_goes_that_is_not_urgent() -> None:
    """But not the one that may be under way; how many went is told with the next."""
    queue = Queue(["phone"])
    for n in range(WAITING_MOST + 10):
        queue.add(message(str(n), urgent=n in (1, 2)), T)
    assert queue.waiting("phone") == WAITING_MOST
    assert queue.lost == {"phone": 10}
    left = titles(queue)
    assert left[:4] == ["0", "1", "2", "13"]
    assert left[-1] == str(WAITING_MOST + 9)


def test_where_all_are_urgent_the_oldest_goes() -> None:
    """The bound holds all the same."""
    queue = Queue(["phone"])
    for n in range(WAITING_MOST + 1):
        queue.add(message(str(n), urgent=True), T)
    assert titles(queue)[:2] == ["0", "2"]


def test_what_is_a_week_old_is_given_up_and_counted() -> None:
    """An alert of last week helps nobody."""
    queue = Queue(["phone"])
    queue.add(message("old"), T)
    queue.add(message("new"), T + AGE_MOST_S)
    assert titles(queue, now=T + AGE_MOST_S + 1.0) == ["new"]
    assert queue.lost == {"phone": 1}


def test_the_count_of_lost_ones_is_told_once() -> None:
    """Those that are lost while it is under way are told with the next."""
    queue = Queue(["phone"], lost={"phone": 3})
    queue.add(message("a"), T)
    one = queue.first("phone", T)
    assert one is not None
    queue.lost["phone"] += 2
    queue.sent(one, lost=3)
    assert queue.lost == {"phone": 2}


def save(store: AlertStore, queue: Queue) -> None:
    store.save(
        rules={"a": b"state"},
        marks={"": 4, "marine-vhf": 7},
        changes=queue.changes(),
        sent={"phone": Sent(last_s=T, failures=2, problem="HTTP 500")},
        next_number=queue.next_number,
    )


def test_what_was_kept_is_there_after_a_restart(tmp_path: Path) -> None:
    """In its order and with its numbers, which go on; read beside the station that writes."""
    store = AlertStore(store_path(tmp_path))
    assert store.left().is_new
    queue = Queue(["phone", "bell"])
    for n in range(4):
        queue.add(message(f"−{n}", to=("phone", "bell")), T + n)
    one = queue.first("phone", T)
    assert one is not None
    queue.sent(one, lost=0)
    save(store, queue)
    assert len(read_left(tmp_path).waiting) == 7
    store.close()

    left = AlertStore(store_path(tmp_path)).left()
    assert left.rules == {"a": b"state"} and left.marks == {"": 4, "marine-vhf": 7}
    assert left.sent == {"phone": Sent(last_s=T, failures=2, problem="HTTP 500")}
    again = Queue(["phone"], waiting=left.waiting, lost=left.lost, next_number=left.next_number)
    assert titles(again) == ["−1", "−2", "−3"]
    again.add(message("next"), T)
    last = again.first("phone", T)
    assert last is not None and last.number == 5
    # Those of a way that the config has no more go from the disk.
    store = AlertStore(store_path(tmp_path))
    save(store, again)
    assert [one.payload["title"] for one in store.left().waiting] == ["next"]
    store.close()


@pytest.mark.parametrize("spoilt", [b"no database at all " * 99, b""])
def test_a_damaged_file_is_put_aside(spoilt: bytes, tmp_path: Path) -> None:
    """And a new one begun; an empty one is new."""
    path = store_path(tmp_path)
    path.write_bytes(spoilt)
    store = AlertStore(path)
    assert store.was_damaged is bool(spoilt)
    assert store.left().is_new
    save(store, Queue(["phone"]))
    store.close()
    aside = path.with_name("alerts.sqlite.damaged")
    assert aside.exists() is bool(spoilt)


def test_a_file_of_a_later_version_is_not_taken_for_ours(tmp_path: Path) -> None:
    """It is put aside as well."""
    store = AlertStore(store_path(tmp_path))
    store.close()
    with sqlite3.connect(store_path(tmp_path)) as db:
        db.execute("UPDATE meta SET value='99' WHERE key='version'")
    db.close()
    store = AlertStore(store_path(tmp_path))
    assert store.was_damaged
    store.close()


def test_where_nothing_can_be_written_alerts_go_out_all_the_same(tmp_path: Path) -> None:
    """The queue is in memory; what could not be kept is tried again, and only what waits still."""
    store = AlertStore(store_path(tmp_path))
    blocker = sqlite3.connect(store_path(tmp_path), timeout=0.0)
    blocker.execute("BEGIN EXCLUSIVE")
    store._db.execute("PRAGMA busy_timeout=50")
    queue = Queue(["phone"])
    queue.add(message("a"), T)
    queue.add(message("b"), T)
    changes = queue.changes()
    with pytest.raises(ArchiveError, match="cannot be written"):
        store.save(rules={}, marks={}, changes=changes, sent={}, next_number=3)
    one = queue.first("phone", T)
    assert one is not None
    queue.sent(one, lost=0)
    queue.put_back(changes)
    blocker.rollback()
    blocker.close()
    save(store, queue)
    (waiting,) = store.left().waiting
    assert isinstance(waiting, Waiting) and waiting.payload["title"] == "b"
    store.close()


def test_where_no_file_can_be_had_it_is_said(tmp_path: Path) -> None:
    """With its path."""
    with pytest.raises(ArchiveError, match="cannot be opened"):
        AlertStore(tmp_path / "nowhere" / "alerts.sqlite")
