"""Self-tests in the ledger: kept, copied into files without their sweeps, and read back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from acqd.archive.ledger import Ledger
from acqd.archive.selftests import KIND, moves_of, stored_tests
from acqd.measure.selftest import Facts, loop_figure

DAY_S = 86400.0
IDENTITY = {
    "maker": "GANNET",
    "model": "LS-1",
    "serial_number": "GL0017",
    "firmware": "1.0",
    "location": "",
}


def body(
    at_s: float, value: float = -30.5, *, part: str = "source", **identity: str
) -> dict[str, Any]:
    figure = loop_figure(
        [value, value + 0.01],
        -100.0,
        frequency_hz=145e6,
        source_dbm=-30.0,
        loss_db=0.5,
        loss_uncertainty_db=0.3,
        facts=Facts(),
    )
    return {
        "sweeper": "mast",
        "test_s": at_s,
        "part": part,
        "at_s": at_s,
        "took_s": 1.0,
        "identity": IDENTITY | identity,
        "settings": {"rbw_hz": 1e4},
        "figures": [figure.to_json()],
        "notes": [],
        "sweeps": [{"level": "much"}],
    }


def add(ledger: Ledger, told: dict[str, Any]) -> int:
    return ledger.add_overlay(
        KIND, job=None, from_s=told["at_s"], to_s=None, body=told, who="ann", at_s=told["at_s"]
    )


def test_files_have_the_newest_of_each_part_and_those_of_their_time(tmp_path: Path) -> None:
    """Without sweeps; a ledger that is made anew from one has the figures."""
    ledger = Ledger(tmp_path / "ledger.sqlite")
    old = [add(ledger, body(day * DAY_S)) for day in range(5)]
    noise = add(ledger, body(1.5 * DAY_S, part="noise"))
    copy = ledger.copy_for("watch", 10 * DAY_S, 11 * DAY_S, after_event=0, rows_most=100)
    assert [row[0] for row in copy["overlay"]] == [old[-1], noise]
    copy = ledger.copy_for("watch", 3 * DAY_S, 4 * DAY_S, after_event=0, rows_most=100)
    assert [row[0] for row in copy["overlay"]] == [*old[2:], noise]
    again = Ledger(tmp_path / "again.sqlite")
    again.restore(copy)
    whole = [one for one in stored_tests(ledger.overlays()) if one.at_s >= 1.5 * DAY_S]
    assert stored_tests(again.overlays()) == whole
    assert all("sweeps" not in one.body for one in again.overlays())
    assert all("sweeps" in one.body for one in ledger.overlays())
    ledger.close()
    again.close()


def test_tests_are_read_in_order_of_time_and_by_sweeper(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "ledger.sqlite")
    for at_s in (3.0, 1.0, 2.0):
        add(ledger, body(at_s))
    add(ledger, {**body(1.5), "sweeper": "bench"})
    ledger.add_overlay("note", job=None, from_s=0, to_s=None, body={}, who="ann", at_s=0)
    found = stored_tests(ledger.overlays())
    assert [one.at_s for one in found] == [1.0, 1.5, 2.0, 3.0]
    assert [one.at_s for one in stored_tests(ledger.overlays(), "mast")] == [1.0, 2.0, 3.0]
    assert found[0].who == "ann" and not found[0].told
    ledger.close()


COMPARED = {
    "the same": ({}, {}, True),
    "another serial number": ({"serial_number": "GL0099"}, {}, False),
    "a serial number that was lost": ({"serial_number": "-1"}, {}, True),
    "another model": ({"model": "LS-2"}, {}, False),
    "another firmware": ({"firmware": "2.0"}, {}, True),
    "swept otherwise": ({}, {"rbw_hz": 3e4}, False),
}


@pytest.mark.parametrize(("identity", "settings", "told"), COMPARED.values(), ids=COMPARED)
def test_only_what_is_alike_is_compared(
    tmp_path: Path, identity: dict[str, str], settings: dict[str, float], told: bool
) -> None:
    """A new firmware is the same instrument: that is when one wants to know."""
    ledger = Ledger(tmp_path / "ledger.sqlite")
    for at_s in (1.0, 2.0, 3.0):
        add(ledger, body(at_s))
    now = body(9.0, -33.0, **identity)
    now["settings"] |= settings
    assert bool(moves_of(now, stored_tests(ledger.overlays()))) is told
    ledger.close()


ROWS: dict[str, tuple[list[str], str, int]] = {
    "lost": (["GL0017", "GL0017"], "", 2),
    "still lost": (["GL0017", "-1"], "-1", 2),
    "found again": (["GL0017", "-1"], "GL0017", 2),
    "lost, and then another's": (["GL0017", "-1"], "GL0099", 0),
    "never had one": (["", "0"], "0000", 2),
    "back after another": (["GL0017", "GL0099"], "GL0017", 1),
    "had none, then one": (["", ""], "GL0017", 2),
}


@pytest.mark.parametrize(("before", "now", "count"), ROWS.values(), ids=ROWS)
def test_a_row_goes_on_by_the_rule_that_jobs_go_on_by(
    tmp_path: Path, before: list[str], now: str, count: int
) -> None:
    """A serial number that was lost begins no new row; one that follows it is compared with."""
    ledger = Ledger(tmp_path / "ledger.sqlite")
    for at, serial in enumerate(before):
        add(ledger, body(1.0 + at, serial_number=serial))
    moves = moves_of(body(9.0, -33.0, serial_number=now), stored_tests(ledger.overlays())).values()
    assert [one.count for one in moves] == ([count] if count else [])
    ledger.close()
