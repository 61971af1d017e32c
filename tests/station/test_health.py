"""What is said of a station in one word, why, and that it stays within its bounds."""

from __future__ import annotations

from typing import Any

import pytest

from acqd.archive.records import GapRecord
from acqd.publish.health import (
    LOST_MOST,
    OTHER_REASONS,
    REASON_MOST,
    REASONS_MOST,
    SWEEPERS_MOST,
    LostSweeps,
)
from acqd.publish.settings import BrokerSettings
from acqd.station.health import JobFacts, SweeperFacts, health_of, judge
from acqd.station.healthwatch import days_left
from acqd.station.losses import HOUR_S, Losses, told

NOW_S = 1_795_900_000.0
UP_S = 7200.0


def sweeper(name: str = "mast", **given: Any) -> SweeperFacts:
    """One that is there and sweeps, but for what is given."""
    of_part = {"state", "since_s", "late", "late_s", "hanging", "given_up", "lost"}
    fields = {
        "sweeper": name,
        "state": "present",
        "since_s": NOW_S - UP_S,
        **{key: value for key, value in given.items() if key in of_part},
    }
    facts = {key: value for key, value in given.items() if key not in of_part}
    return SweeperFacts.of(fields, **{"just_lost": {}, **facts})


def job(standing: str = "open", name: str = "marine-vhf", **given: Any) -> JobFacts:
    return JobFacts(name=name, **{"sweeper": "mast", "standing": standing, **given})


AWAY = {"state": "away", "since_s": NOW_S - 720.0, "problem": "no such port"}

CASES: dict[str, tuple[dict[str, Any], list[SweeperFacts], list[JobFacts], str, list[str]]] = {
    "all goes well": ({}, [sweeper()], [job()], "well", []),
    "the only sweeper is away": (
        {},
        [sweeper(**AWAY)],
        [job()],
        "not sweeping",
        ["mast has been away for 12 min: no such port"],
    ),
    "one of two is away": (
        {},
        [sweeper(), sweeper("hut", **AWAY)],
        [job(), job(name="harbour", sweeper="hut")],
        "limping",
        ["hut has been away for 12 min: no such port"],
    ),
    "the one that is wanted is away": (
        {},
        [sweeper(**AWAY), sweeper("hut")],
        [job(), job("shut", name="harbour", sweeper="hut")],
        "not sweeping",
        ["mast has been away for 12 min: no such port"],
    ),
    "another program has its port": (
        {},
        [sweeper(state="busy", since_s=NOW_S - 90.0, problem="port in use"), sweeper("hut")],
        [job(sweeper="hut")],
        "limping",
        ["mast has been held by another program for 1 min 30 s: port in use"],
    ),
    "the disk is full": (
        {"disk_full_since_s": NOW_S - 3600.0},
        [sweeper()],
        [job()],
        "not sweeping",
        ["nothing could be kept for 1 h: make room on the disk"],
    ),
    "the disk is full and no pass was due since": (
        {"disk_free_bytes": 400_000_000, "disk_floor_bytes": 500_000_000},
        [sweeper()],
        [job("shut")],
        "limping",
        [
            "only 400 MB of disk are free, and below 500 MB nothing is kept: make room on the disk",
            "no job is to sweep at this time",
        ],
    ),
    "the disk will be full": (
        {"disk_days_left": 0.5},
        [sweeper()],
        [job()],
        "limping",
        ["at this rate the disk is full in 12 h"],
    ),
    "there is room for a week": ({"disk_days_left": 7.0}, [sweeper()], [job()], "well", []),
    "nothing is to be swept": (
        {},
        [sweeper()],
        [job("shut")],
        "well",
        ["no job is to sweep at this time"],
    ),
    "all soaks have ended": ({}, [sweeper()], [job("ended")], "well", ["all jobs have ended"]),
    "somebody paused it": (
        {},
        [sweeper()],
        [job("waits", why="paused by command")],
        "well",
        ["marine-vhf waits: paused by command"],
    ),
    "a request is beyond the sweeper": (
        {},
        [sweeper()],
        [job("fault", why="beyond 3 GHz"), job(name="ais")],
        "limping",
        ["marine-vhf does not sweep: beyond 3 GHz"],
    ),
    "the only job is stopped for good": (
        {},
        [sweeper()],
        [job("fault", why="too much arrives")],
        "not sweeping",
        ["marine-vhf does not sweep: too much arrives"],
    ),
    "nobody hears": (
        {},
        [sweeper()],
        [job(deaf="all witnesses are silent")],
        "limping",
        ["marine-vhf is deaf: all witnesses are silent"],
    ),
    "some sweeps fail": (
        {},
        [sweeper(just_lost={"sweep failed": 7, "overrun": 2, "paused": 90}, just_kept=100)],
        [job()],
        "limping",
        ["mast lost 9 sweeps in the last 15 min: sweep failed for the most part"],
    ),
    "a sweep fails now and then": (
        {},
        [sweeper(just_lost={"sweep failed": 2}, just_kept=98)],
        [job()],
        "well",
        [],
    ),
    "every sweep fails": (
        {},
        [sweeper(just_lost={"sweep failed": 7}, just_kept=0)],
        [job()],
        "not sweeping",
        ["mast lost 7 sweeps in the last 15 min: sweep failed"],
    ),
    "what was missed was wished": (
        {},
        [sweeper(just_lost={"paused by command": 40, "host asleep": 3})],
        [job()],
        "well",
        [],
    ),
    "a pass waits its turn": ({}, [sweeper(late=1, late_s=9.0)], [job()], "well", []),
    "a pass waits behind a long one": (
        {},
        [sweeper(late=1, late_s=100.0, pass_s=60.0)],
        [job()],
        "well",
        [],
    ),
    "passes wait for long": (
        {},
        [sweeper(late=2, late_s=100.0)],
        [job()],
        "limping",
        ["mast: 2 passes have been due for 1 min 40 s and not begun"],
    ),
    "the driver hangs": (
        {},
        [sweeper(hanging=3, given_up=4, is_out=True)],
        [job()],
        "limping",
        ["3 calls of the driver of mast never came back: out until a restart"],
    ),
    "the archive cannot seal": (
        {"archive_problem": "journal 3 is not sealed", "journals_waiting": 9},
        [sweeper()],
        [job()],
        "limping",
        [
            "the archive: journal 3 is not sealed",
            "9 journals wait to be written out as files",
        ],
    ),
    "the broker is away": (
        {"broker": "away", "broker_since_s": NOW_S - 300.0, "outbox_waiting": 12},
        [sweeper()],
        [job()],
        "limping",
        ["the broker has been away for 5 min, 12 findings wait"],
    ),
    "the broker takes no findings": (
        {
            "broker": "connected",
            "broker_since_s": NOW_S - 20.0,
            "broker_problem": "the broker does not let this account write findings",
            "outbox_waiting": 12,
        },
        [sweeper()],
        [job()],
        "limping",
        ["the broker does not let this account write findings, 12 findings wait"],
    ),
    "the broker went just now": (
        {"broker": "away", "broker_since_s": NOW_S - 20.0},
        [sweeper()],
        [job()],
        "well",
        [],
    ),
    "there is none": ({"broker": "none"}, [sweeper()], [job()], "well", []),
    "nobody sets the clock": (
        {"clock_synchronised": False},
        [sweeper()],
        [job()],
        "well",
        ["the machine's clock follows no time source"],
    ),
    "days pile up": (
        {"days_unmerged": 3, "clock_synchronised": False},
        [sweeper()],
        [job()],
        "limping",
        [
            "3 days that have ended are not merged",
            "the machine's clock follows no time source",
        ],
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_a_station_is_judged_as_a_watchkeeper_would(case: str) -> None:
    fields, sweepers, jobs, word, reasons = CASES[case]
    found = judge(fields, sweepers, jobs, now_s=NOW_S, up_s=UP_S)
    assert found == (word, tuple(reasons))


def test_a_station_that_has_just_started_is_given_a_moment() -> None:
    """Its sweepers are being opened; one that has said why it does not answer has no excuse."""
    opening = sweeper(state="away", since_s=NOW_S - 2.0)
    assert judge({}, [opening], [job()], now_s=NOW_S, up_s=2.0) == ("well", ())
    word, reasons = judge({}, [opening], [job()], now_s=NOW_S, up_s=40.0)
    assert word == "not sweeping" and reasons == ("mast has been away for 2 s",)
    refused = sweeper(state="away", since_s=NOW_S - 2.0, problem="no such port")
    assert judge({}, [refused], [job()], now_s=NOW_S, up_s=2.0)[0] == "not sweeping"


def test_the_worst_comes_first() -> None:
    """A full disk before a sweeper, what keeps from sweeping before what does not."""
    fields = {"disk_full_since_s": NOW_S - 60.0, "clock_synchronised": False}
    jobs = [job("waits", why="paused by command", name="ais"), job()]
    _, reasons = judge(fields, [sweeper(**AWAY)], jobs, now_s=NOW_S, up_s=UP_S)
    firsts = [reason.split()[0] for reason in reasons]
    assert firsts == ["nothing", "mast", "ais", "the"]


def test_the_worst_message_is_within_a_brokers_bound() -> None:
    """A hundred sweepers, all of them in every trouble: told within the bounds, worst first."""
    lost = tuple(
        LostSweeps(reason=f"{at:02d} " + "x" * 61, run=10**9, day=10**9) for at in range(LOST_MOST)
    )
    sweepers = [
        sweeper(
            f"mast-{at}" + "y" * 20,
            state="away" if at % 2 else "present",
            problem="p" * 1000,
            late=7,
            late_s=1e6,
            lost=lost,
            hanging=3,
        )
        for at in range(100)
    ]
    fields = {"archive_problem": "z" * 1000, "disk_full_since_s": NOW_S}
    health = health_of(fields, sweepers, [job()], now_s=NOW_S, up_s=UP_S)
    assert (len(health.sweepers), health.sweepers_more) == (SWEEPERS_MOST, 100 - SWEEPERS_MOST)
    assert {one.state for one in health.sweepers} == {"away"}
    assert len(health.reasons) == REASONS_MOST and max(map(len, health.reasons)) <= REASON_MOST
    assert health.reasons[-1].startswith("and ") and health.reasons[-1].endswith(" reasons more")
    settings = BrokerSettings.__dataclass_fields__["payload_max_bytes"].default
    assert len(health.model_dump_json()) < settings - 10_000


def gap(from_s: float, to_s: float, count: int, reason: str = "overrun") -> GapRecord:
    return GapRecord(job="ais", from_s=from_s, to_s=to_s, count=count, reason=reason)


def test_lost_sweeps_are_counted_by_reason_run_and_day() -> None:
    """Time down before the run counts for the day alone; what is a day old, for the run alone."""
    losses = Losses(NOW_S)
    losses.note(gap(NOW_S - 48 * HOUR_S, NOW_S - 1.0, 48 * 60, "station down"))
    losses.note(gap(NOW_S + 10.0, NOW_S + 20.0, 5))
    assert dict(losses.run()) == {"overrun": 5}
    day = losses.day(NOW_S)
    assert day["overrun"] == 5 and day["station down"] == pytest.approx(24 * 60, abs=60)
    later_s = NOW_S + 30 * HOUR_S
    losses.note(gap(later_s, later_s, 1, "sweep failed"))
    assert dict(losses.run()) == {"overrun": 5, "sweep failed": 1}
    assert dict(losses.day(later_s)) == {"sweep failed": 1}
    assert dict(losses.just_now(later_s)) == {"sweep failed": 1}


def test_kept_sweeps_are_counted_for_a_quarter_of_an_hour() -> None:
    losses, base_s = Losses(NOW_S), NOW_S - NOW_S % 60.0
    for minute in range(60):
        losses.kept(2, base_s + 60.0 * minute)
        losses.kept(1, base_s + 60.0 * minute + 20.0)
    assert losses.just_kept(base_s + 59 * 60.0) == 16 * 3
    assert losses.just_kept(base_s + 3 * 3600.0) == 0
    assert losses.with_more([]).just_kept(base_s + 59 * 60.0) == 16 * 3


def test_a_gap_of_many_hours_is_spread_without_losing_one() -> None:
    losses = Losses(NOW_S)
    losses.note(gap(NOW_S + 100.0, NOW_S + 100.0 + 5 * HOUR_S, 1001))
    assert losses.day(NOW_S + 6 * HOUR_S).total() == 1001


def test_a_clock_that_was_years_ahead_hides_no_later_loss() -> None:
    """One gap of a wrong date is none of the last day, and those after it are counted as ever."""
    losses = Losses(NOW_S)
    losses.note(gap(NOW_S + 10 * 365 * 86_400.0, NOW_S + 10 * 365 * 86_400.0, 7))
    losses.note(gap(NOW_S + 60.0, NOW_S + 60.0, 2))
    assert losses.day(NOW_S + 120.0).total() == 2
    for hour in range(1, 200):
        losses.note(gap(NOW_S + hour * HOUR_S, NOW_S + hour * HOUR_S, 1))
    assert losses.day(NOW_S + 199 * HOUR_S).total() == 24
    assert len(losses._hours) <= 50


def test_no_number_of_reasons_makes_it_longer() -> None:
    """Drivers may bring words of their own into what is counted."""
    losses = Losses(NOW_S)
    for at in range(500):
        losses.note(gap(NOW_S + at, NOW_S + at, 1, f"reason {at}"))
    found = told(losses.run(), losses.day(NOW_S))
    assert len(found) <= LOST_MOST and sum(one.run for one in found) == 500
    assert OTHER_REASONS in [one.reason for one in found]
    assert len(told(losses.run() + Losses(NOW_S).run(), losses.day(NOW_S))) <= LOST_MOST


def test_gaps_that_wait_are_counted_before_their_commit() -> None:
    losses = Losses(NOW_S)
    losses.note(gap(NOW_S, NOW_S, 3))
    more = losses.with_more([gap(NOW_S + 1.0, NOW_S + 9.0, 4, "disk full")])
    assert dict(more.run()) == {"overrun": 3, "disk full": 4}
    assert dict(losses.run()) == {"overrun": 3}


@pytest.mark.parametrize(
    ("samples", "left"),
    [
        ([], None),
        ([(0.0, 10**9)], None),
        ([(0.0, 10**9), (600.0, 9 * 10**8)], None),
        ([(0.0, 10**9), (7200.0, 10**9)], None),
        ([(0.0, 9 * 10**8), (7200.0, 10**9)], None),
        ([(0.0, 2 * 10**9), (86_400.0, 10**9)], 0.5),
        ([(0.0, 2 * 10**9), (86_400.0, 4 * 10**8)], 0.0),
    ],
)
def test_days_left_are_those_of_a_disk_that_fills(
    samples: list[tuple[float, int]], left: float | None
) -> None:
    """Null where it does not, or was not watched for an hour."""
    assert days_left(samples, 5 * 10**8) == (None if left is None else pytest.approx(left))
