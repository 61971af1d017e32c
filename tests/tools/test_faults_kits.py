"""tools/faults: due times by a clock that is moved, gaps over sweeps, what cannot be done."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from acqd.archive.records import GapRecord

ROOT = Path(__file__).resolve().parents[2]
START_S = 1_760_000_000.0


@pytest.fixture(scope="module")
def parts() -> Iterator[Callable[[str], Any]]:
    """Parts of the tool, as it imports them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(ROOT / "tools"))
        yield lambda name: import_module(f"faults_parts.{name}")


def kept_of(parts: Any, times: list[float], gaps: list[GapRecord] | None = None) -> Any:
    """A sweep at each time, a second of monotonic time apart."""
    sweeps = {
        at: SimpleNamespace(seq=at, step=0, due_s=due_s, monotonic_s=float(at))
        for at, due_s in enumerate(times, start=1)
    }
    return parts("kept").Kept(sweeps=sweeps, gaps=gaps or [])


def gap_of(from_s: float, to_s: float, count: int) -> GapRecord:
    return GapRecord(job="watch", from_s=from_s, to_s=to_s, count=count, reason="clock stepped")


# -- due times by the clock as it was --------------------------------------------------------------


def wrong_of(parts: Any, times: list[float], gaps: list[GapRecord]) -> list[str]:
    """Of a clock that was set back by an hour at its 20th second."""
    job = parts("bench").Job(name="watch", sweeper="mast", every_s=1.0)
    stay = parts("showing").Stay
    back_s = START_S - 3600.0
    stays = [
        stay(from_s=(START_S, START_S), to_s=(START_S + 17.0, START_S + 23.0)),
        stay(from_s=(back_s + 17.0, back_s + 24.0), since_s=20.5),
    ]
    kept = kept_of(parts, times, gaps)
    showing, now_s = parts("showing"), back_s + 60.5
    wrong: list[str] = showing.accounts_as_shown(kept, job, stays, round(START_S), now_s)
    return wrong


WALKED = [START_S + n for n in range(20)] + [START_S - 3600.0 + n for n in range(20, 60)]


def test_a_clock_that_is_set_back_shows_due_times_anew(parts: Any) -> None:
    """Each stay is accounted for from end to end; about the step it may be either's."""
    assert wrong_of(parts, WALKED, []) == []
    assert wrong_of(parts, [t for t in WALKED if t not in WALKED[18:22]], []) == []


@pytest.mark.parametrize("lost", [0, 10, 30, 50])
def test_a_due_time_without_an_account_is_seen_in_each_stay(parts: Any, lost: int) -> None:
    """Long before the step and long after it; one that is missed for a reason is none."""
    times = [*WALKED[:lost], *WALKED[lost + 1 :]]
    assert any("1 due times" in line for line in wrong_of(parts, times, []))
    assert wrong_of(parts, times, [gap_of(WALKED[lost], WALKED[lost], 1)]) == []


@pytest.mark.parametrize("twice", [5, 40])
def test_a_due_time_with_two_accounts_is_seen(parts: Any, twice: int) -> None:
    assert wrong_of(parts, WALKED, [gap_of(WALKED[twice], WALKED[twice], 1)])


def test_an_account_of_a_time_that_was_never_shown_is_seen(parts: Any) -> None:
    assert wrong_of(parts, WALKED, [gap_of(START_S - 900.0, START_S - 899.0, 2)])


def test_what_was_shown_is_put_at_its_true_time(parts: Any, tmp_path: Path) -> None:
    """Also what was jumped over: when it was."""
    clock = parts("showing").ShownClock(tmp_path)
    clock.step(3600.0, lambda: None)
    stepped_s = clock.shows_s() - 3600.0
    assert clock.true_s(stepped_s + 3700.0) == pytest.approx(stepped_s + 100.0, abs=0.5)
    assert clock.true_s(stepped_s + 1800.0) == pytest.approx(stepped_s, abs=0.5)
    assert len(clock.stays) == 1
    clock.step(-3600.0, lambda: None)
    assert len(clock.stays) == 2
    assert clock.true_s(stepped_s + 50.0) == pytest.approx(stepped_s + 50.0, abs=0.5)


# -- gaps ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "stored", "shares"),
    [
        (15, {}, {0: 3, 1: 3, 2: 3, 3: 3, 4: 3}),
        (12, {3: 3}, {0: 3, 1: 3, 2: 3, 4: 3}),
        (13, {3: 2}, {0: 3, 1: 3, 2: 3, 3: 1, 4: 3}),
        (12, {}, {0: 3, 1: 3, 2: 3, 3: 3, 4: 3}),
    ],
)
def test_a_gap_that_reaches_over_what_was_swept(
    parts: Any, count: int, stored: dict[int, int], shares: dict[int, int]
) -> None:
    """It has what is not stored, if that is as many; else its due times, which are too many."""
    job = parts("bench").Job(name="watch", sweeper="mast", every_s=1.0, burst=3)
    spread = parts("counting").spread(gap_of(0.0, 4.0, count), job, stored)
    assert {n: run.each for run in spread.runs(range(6)) for n in [run.first] if run.each} == shares


def test_half_a_century_of_due_times_is_counted_in_runs(parts: Any) -> None:
    """A clock that is set from 1970 on leaves no list of each of them."""
    counting = parts("counting")
    job = parts("bench").Job(name="watch", sweeper="mast", every_s=0.1, burst=1)
    kept = kept_of(parts, [1.0, START_S], [gap_of(1.1, START_S - 0.1, round(START_S * 10) - 11)])
    spans = counting.Spans()
    assert counting.accounts(kept, job, spans) == []
    assert (spans.first, spans.number) == (10, round(START_S * 10) - 1)
    kept.gaps = [gap_of(1.1, START_S - 0.3, round(START_S * 10) - 13)]
    assert "2 due times have no account" in counting.accounts(kept, job, counting.Spans())[0]


# -- what this machine cannot do -------------------------------------------------------------------


def test_what_cannot_be_tried_here_says_so_in_the_table(
    parts: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No mounts: the faults of a small disk are rows with the reason, and nothing is wrong."""
    legs, table, faults = parts("legs"), parts("table"), parts("registry").faults()
    monkeypatch.setattr(parts("kits"), "mounts_of_its_own", lambda: "no mounts: not root")
    planned = legs.plan_legs(faults, seed=1, full=False, kills=0, only=["disk-full"])
    assert [leg.kit for leg in planned] == ["disk"]
    said: list[str] = []
    done = [legs.run_leg(leg, tmp_path / "leg", say=said.append) for leg in planned]
    assert "not tried here: no mounts: not root" in said[0]
    rows, total = table.rows_of(done, faults), table.total_of(done, faults)
    assert total.injected == total.lost == 0
    assert "not tried here: no mounts: not root" in "\n".join(table.lines_of(rows, total))
    assert "not tried here: no mounts: not root |" in table.markdown_of(rows, total)


def test_each_leg_has_what_its_faults_need(parts: Any) -> None:
    """A small disk or a clock of its own for those that want one, and one of these a leg."""
    legs, faults = parts("legs"), parts("registry").faults()
    for seed in range(20):
        for leg in legs.plan_legs(faults, seed=seed, full=True, kills=20):
            kits = {one.kit for step in leg.faults for one in step} - {"plain"}
            assert kits <= {leg.kit}
            for step in leg.faults:
                assert len(step) == 1 or all(one.mixes for one in step)
