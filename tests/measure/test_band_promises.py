"""What the band meter says it could have missed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from acqd.measure.meter import GapSeen, HourTurned
from acqd.sweep import SweepFlag

Make = Callable[..., Any]
CH16 = 156.8e6


def test_every_summary_says_what_it_could_have_missed(watch: Make) -> None:
    """Shortest transmission surely caught, and the weakest level, with their formulas."""
    w = watch(min_duration_s=4.0)
    w.setup()
    first = w.sweep().summary
    assert first["shortest_surely_caught_s"] is None and first["shortest_surely_told_s"] is None
    assert "not every frequency was watched before" in first["shortest_surely_caught_is"]
    summary = w.sweep().summary
    assert summary["revisit_s"] == 2.0
    assert summary["shortest_surely_caught_s"] == 2.5
    assert summary["shortest_surely_caught_is"].startswith("longest revisit_s")
    assert summary["shortest_surely_told_s"] == 6.5
    assert summary["weakest_level_probability"] == 0.95
    assert summary["weakest_level_half_seen_dbm"] < summary["weakest_level_seen_dbm"]


def test_late_sweeps_lengthen_what_is_surely_caught(watch: Make) -> None:
    """Sweeps every 2 s that came after 5 s: the longer time counts, and the hour keeps it."""
    w = watch()
    w.setup()
    w.sweep()
    w.at_s += 3.0
    assert w.sweep().summary["shortest_surely_caught_s"] == 5.5
    assert w.hour_figures()["longest_revisit_s"] == 5.0


def _starts(*pauses_s: float) -> list[float]:
    return [sum(pauses_s[:i]) for i in range(1, len(pauses_s) + 1)]


RHYTHMS: dict[str, tuple[dict[str, Any], list[float], float | None]] = {
    "cron, interval known": ({"interval_s": 600.0}, _starts(*[600.0] * 6), 600.0),
    "cron, interval not known": ({"interval_s": None}, _starts(*[600.0] * 6), 600.0),
    "back to back, shared with 300 s": ({"interval_s": None}, _starts(*[302.0] * 6), 302.0),
    "shared, now and then": ({}, _starts(2.0, 4.1, 4.1, 2.0, 2.0), 4.1),
    "irregular": ({}, _starts(2.0, 2.0, 31.0, 2.0, 2.0, 2.0), 31.0),
    "a day shut": ({}, _starts(2.0, 2.0, 86_400.0, 2.0, 2.0), 2.0),
    "back to back, a day shut": ({"interval_s": None}, _starts(1.0, 50_000.0, 1.0), 1.0),
}


@pytest.mark.parametrize(("setup", "starts", "revisit_s"), RHYTHMS.values(), ids=RHYTHMS)
def test_no_rhythm_promises_more_than_it_can(
    watch: Make, setup: dict[str, Any], starts: list[float], revisit_s: float
) -> None:
    """The promise stands on the time that passed between visits, not on the plan."""
    w = watch()
    begin_s = w.at_s
    w.setup(**setup)
    for start_s in (0.0, *starts):
        w.at_s = begin_s + start_s
        summary = w.sweep().summary
    assert summary["shortest_surely_caught_s"] == pytest.approx(revisit_s + 0.5)
    later = w.sweep().summary["shortest_surely_caught_s"]
    assert later >= summary["shortest_surely_caught_s"]


def _overrun(w: Any, sweeps: int) -> None:
    """Every 2 s, but for each sweep that is taken nine are missed."""
    for _ in range(sweeps):
        w.sweep()
        gap = GapSeen(from_s=w.at_s, to_s=w.at_s + 16.0, count=9, reason="overrun")
        w.step(gap)
        w.at_s = gap.to_s + 2.0


def test_nothing_is_promised_while_most_sweeps_are_missed(watch: Make) -> None:
    """Revisits are told as they went, but the hour says too little to promise anything."""
    w = watch()
    w.setup()
    _overrun(w, 10)
    summary = w.sweep().summary
    assert summary["revisit_s"] == 20.0 and summary["shortest_surely_caught_s"] is None
    assert "too few of this hour's due sweeps" in summary["shortest_surely_caught_is"]


def test_an_overrun_counts_in_the_hour_and_in_the_next(watch: Make) -> None:
    """One long revisit among many: it stays in the promise until a whole hour was better."""
    w = watch(interval_s=60.0)
    w.setup()
    w.sweeps(20)
    w.step(GapSeen(from_s=w.at_s, to_s=w.at_s + 480.0, count=9, reason="overrun"))
    w.at_s += 540.0
    w.sweeps(31)
    promised = []
    for _ in range(3):
        promised.append(w.outputs[-1].summary["shortest_surely_caught_s"])
        start_s = w.at_s - 3600.0
        w.step(HourTurned(hour_start_s=start_s, hour_end_s=w.at_s))
        w.sweeps(60)
    assert promised == [600.5, 600.5, 60.5]


def test_a_hop_that_fails_again_and_again_lengthens_the_revisit_of_its_frequencies(
    watch: Make,
) -> None:
    """Half of the points are seen with every fourth sweep only."""
    w = watch()
    w.setup()
    for i in range(16):
        level = w.level()
        if i % 4:
            level[:200] = np.nan
        summary = w.sweep(level=level, flags=SweepFlag.HOP_FAILED if i % 4 else 0).summary
    assert summary["shortest_surely_caught_s"] == 8.5
    w.sweep()
    assert w.sweep().summary["revisit_s"] == 2.0


def test_frequencies_that_were_never_seen_promise_nothing(watch: Make) -> None:
    """A hop that failed from the start on; once it has come, the promise holds."""
    w = watch()
    w.setup()
    hole = w.level()
    hole[:10] = np.nan
    for _ in range(3):
        assert w.sweep(level=hole).summary["shortest_surely_caught_s"] is None
    assert w.sweep().summary["shortest_surely_caught_s"] is None
    assert w.sweep().summary["shortest_surely_caught_s"] == 2.5


def test_frozen_and_learning_sweeps_promise_nothing(watch: Make) -> None:
    """They did not listen, and the time until one does counts."""
    w = watch()
    w.setup()
    w.sweeps(10)
    level = w.level()
    w.sweep(level=level)
    for _ in range(3):
        frozen = w.sweep(level=level, flags=SweepFlag.REPEATED).summary
        assert frozen["shortest_surely_caught_s"] is None
        assert "not listening" in frozen["shortest_surely_caught_is"]
    assert w.sweep().summary["shortest_surely_caught_s"] == 8.5
    w = watch(floor="learnt", learn_s=10.0)
    w.setup()
    told = [w.sweep().summary["shortest_surely_caught_s"] for _ in range(9)]
    assert told[:7] == [None] * 7 and told[7:] == [2.5, 2.5]


def test_a_stepped_clock_does_not_lengthen_a_revisit(watch: Make) -> None:
    """Nor shorten it: for that one sweep nobody knows."""
    w = watch()
    w.setup()
    w.sweeps(3, [(156.8e6, -70.0)])
    w.at_s += 7200.0
    stepped = w.sweep([(156.8e6, -70.0)], flags=SweepFlag.CLOCK_STEPPED).summary
    assert stepped["shortest_surely_caught_s"] is None and stepped["revisit_s"] == 2.0
    assert w.sweep().summary["shortest_surely_caught_s"] == 2.5


def test_a_night_without_sweeps_is_not_watched(watch: Make) -> None:
    """Up at the last sweep of one night and at the first of the next: that is two signals."""
    w = watch()
    w.setup()
    w.sweeps(10)
    w.sweeps(5, [(156.8e6, -70.0)])
    last_s = w.at_s - 2.0
    w.at_s += 54_000.0
    w.sweeps(5, [(156.8e6, -70.0)])
    w.sweeps(5)
    whats = [finding.what for finding in w.findings]
    assert whats == ["signal_appeared", "signal_ended"] * 2
    ended = w.findings[1]
    assert ended.at_s == last_s + 2.0 and ended.figures["duration_s"] == 10.0
    assert ended.figures["ended_by"] == "not watched any longer"
    assert w.findings[3].figures["duration_s"] == 10.0


def test_a_short_time_without_sweeps_and_without_a_gap_is_on_a_signals_record(
    watch: Make,
) -> None:
    """Half a minute in which the sweeper did other work: it goes on, and that is named."""
    w = watch()
    w.setup()
    w.sweeps(10)
    w.sweeps(5, [(156.8e6, -70.0)])
    w.at_s += 30.0
    w.sweeps(5, [(156.8e6, -70.0)])
    w.sweeps(3)
    ended = w.findings[-1]
    assert ended.figures["duration_s"] == 50.0 and ended.figures["unwatched_s"] == 30.0
    assert "30 s of that nobody watched" in ended.text
