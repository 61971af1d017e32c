"""All rules together: words, what is kept over a restart, and quiet hours of several rules."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from acqd.alerts.engine import Engine
from acqd.alerts.news import FindingNews, HourNews, JobNews, SweeperNews
from acqd.alerts.plan import alert_plan
from acqd.config.load import parse_config

EVENING = datetime(2026, 11, 28, 21, 4, tzinfo=UTC).timestamp()
HOUR = 3600.0

ALERTS = """
[way.bell]
command = ["./ring"]

[way.shack]
post = "http://127.0.0.1:1/alert"

[alert.lost]
on = "sweeper lost"
hold_off = "2 min"
repeat = "1 h"
to = "bell"

[alert.rose]
on = "finding"
what = ["floor_rose"]
quiet = "22:00..07:00"

[alert.deaf]
on = "deaf"
quiet = "22:00..07:00"
"""


def engine(text: str, tmp_path: Path, alerts: str = ALERTS) -> Engine:
    plan = alert_plan(parse_config(text + alerts, tmp_path / "station.toml"))
    assert plan is not None
    return Engine(plan.rules, voice=plan.voice)


def lost(at: float, state: str = "away") -> SweeperNews:
    return SweeperNews(sweeper="mast", state=state, problem="no answer", since_s=at)


def rose(number: int, at: float) -> FindingNews:
    return FindingNews(
        job="marine-vhf",
        number=number,
        what="floor_rose",
        at_s=at,
        text="the floor rose by 7.1 dB over the whole range",
        seq=4,
        figures={},
    )


def test_it_says_what_a_watchkeeper_would(config_text: str, tmp_path: Path) -> None:
    """Title and text, on the station's clock."""
    one = engine(config_text, tmp_path)
    assert one.hear(lost(EVENING), EVENING) == []
    (message,) = one.look(EVENING + 120.0)
    assert message.title == "Gannet Ledge: sweeper mast is lost"
    assert message.text == "sweeper mast is lost: no answer, since 21:04 (2 min)"
    assert message.to == ("bell",)
    (still,) = one.look(EVENING + 120.0 + HOUR)
    assert still.title == "Gannet Ledge: still: sweeper mast is lost"
    (clear,) = one.hear(lost(EVENING + 4000, "present"), EVENING + 4000)
    assert clear.text == "sweeper mast is back; it began at 21:04, 1 h 6 min before"
    (found,) = one.hear(rose(1, EVENING), EVENING)
    assert found.title == "Gannet Ledge: marine-vhf: floor rose"
    assert found.text == "21:04 marine-vhf: the floor rose by 7.1 dB over the whole range"
    assert found.to == ("bell", "shack")
    payload = found.payload(number=7)
    assert payload["job"] == "marine-vhf" and payload["sweeper"] == "mast"
    assert payload["number"] == 7 and payload["at"] == "2026-11-28T21:04:00.000Z"


def test_own_words_take_the_place_of_ours(config_text: str, tmp_path: Path) -> None:
    """With what they ask for filled in."""
    own = ALERTS.replace(
        'to = "bell"',
        'to = "bell"\ntitle = "{station} {state}"\ntext = "{sweeper} {since}-{at} {lasted} {{x}}"',
    )
    one = engine(config_text, tmp_path, own)
    one.hear(lost(EVENING), EVENING)
    (message,) = one.look(EVENING + 120.0)
    assert message.title == "Gannet Ledge alert"
    assert message.text == "mast 21:04-21:06 2 min {x}"


def test_quiet_hours_of_several_rules_end_in_one_message(config_text: str, tmp_path: Path) -> None:
    """Each line with its time."""
    one = engine(config_text, tmp_path)
    night = EVENING + 2 * HOUR
    assert one.hear(rose(1, night), night) == []
    deaf = JobNews(job="marine-vhf", state="deaf", reason="all witnesses silent", since_s=night)
    assert one.hear(deaf, night + 60) == []
    assert one.look(night + 600) == []
    morning = datetime(2026, 11, 29, 7, 0, tzinfo=UTC).timestamp()
    (message,) = one.look(morning)
    assert message.title == "Gannet Ledge: 2 alerts in quiet hours"
    assert message.text.splitlines() == [
        "23:04 marine-vhf: the floor rose by 7.1 dB over the whole range",
        "23:05 marine-vhf is deaf: all witnesses silent",
    ]
    assert one.look(morning + 1) == []


def test_what_quiet_hours_held_waits_for_no_clock_that_was_wrong(
    config_text: str, tmp_path: Path
) -> None:
    """A clock that was a week ahead is set back: the next morning tells it."""
    one = engine(config_text, tmp_path)
    ahead = EVENING + 2 * HOUR + 7 * 24 * HOUR
    assert one.hear(rose(1, ahead), ahead) == []
    assert one.look(EVENING + 2 * HOUR) == []
    morning = datetime(2026, 11, 29, 7, 0, tzinfo=UTC).timestamp()
    (message,) = one.look(morning)
    assert message.state == "held"


def test_what_is_not_in_the_config_any_more_does_not_last_for_ever(
    config_text: str, tmp_path: Path
) -> None:
    """A sweeper that was sold while it was lost is not told of every hour."""
    first = engine(config_text, tmp_path)
    first.hear(replace(lost(EVENING), sweeper="bench"), EVENING)
    assert len(first.look(EVENING + 120.0)) == 1
    fewer = config_text[: config_text.index("[job.beacon]")]
    second, same = engine(fewer, tmp_path), engine(config_text, tmp_path)
    for one in (second, same):
        one.load(first.dump(), first.marks)
    assert len(same.look(EVENING + 2 * HOUR)) == 1
    assert second.look(EVENING + 2 * HOUR) == []


def test_a_restart_tells_nothing_again_and_the_end_still_comes(
    config_text: str, tmp_path: Path
) -> None:
    """What was held off begins anew; what was told is known."""
    first = engine(config_text, tmp_path)
    first.hear(lost(EVENING), EVENING)
    first.look(EVENING + 120.0)
    first.hear(rose(3, EVENING), EVENING)
    second = engine(config_text, tmp_path)
    second.load(first.dump(), first.marks)
    now = EVENING + 200.0
    assert second.hear(lost(now), now) == []
    assert second.look(now + 300.0) == []
    assert second.hear(rose(3, EVENING), now) == []
    assert len(second.hear(rose(4, now), now)) == 1
    (clear,) = second.hear(lost(now + 400.0, "present"), now + 400.0)
    assert clear.state == "all clear" and clear.since_s == EVENING


def test_a_rule_that_is_on_something_else_now_begins_anew(config_text: str, tmp_path: Path) -> None:
    """One that is only told another way goes on."""
    first = engine(config_text, tmp_path)
    first.hear(lost(EVENING), EVENING)
    first.look(EVENING + 120.0)
    changed = ALERTS.replace('to = "bell"', 'to = "bell"\nsweeper = "mast"')
    second = engine(config_text, tmp_path, changed)
    second.load(first.dump(), first.marks)
    assert second.state("lost").spells == {}
    again = engine(config_text, tmp_path, ALERTS.replace("1 h", "2 h"))
    again.load(first.dump(), first.marks)
    assert list(again.state("lost").spells) == ["mast"]


@pytest.mark.parametrize("spoilt", [b"", b"{}", b"[1]", b'{"version":"alerts/1","state":{}}'])
def test_a_state_that_cannot_be_read_is_left(
    spoilt: bytes, config_text: str, tmp_path: Path
) -> None:
    """The rule begins anew."""
    one = engine(config_text, tmp_path)
    one.load({"lost": spoilt, "gone": b"x"}, {})
    one.hear(lost(EVENING), EVENING)
    assert len(one.look(EVENING + 120.0)) == 1


def test_news_that_no_rule_is_on_costs_nothing(config_text: str, tmp_path: Path) -> None:
    """And nothing is to be kept for it."""
    one = engine(config_text, tmp_path)
    assert one.hear(HourNews(job="marine-vhf", hour_start_s=0.0, figures={}), EVENING) == []
    assert not one.has_changed
