"""The machine of one rule: hold-off, repeat, all-clear, quiet hours, and what is only counted."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acqd.alerts.quiet import Quiet
from acqd.alerts.rules import (
    HELD_MOST,
    SUBJECTS_MOST,
    Alert,
    Policy,
    RuleState,
    State,
    Turn,
    due_s,
    looked,
    turned,
)

T = 1_780_000_000.0
HOUR = 3600.0


def turn(on: bool = True, *, at: float = T, subject: str = "16", lasts: bool = True) -> Turn:
    word = "busy" if on else "free"
    return Turn(
        subject=subject,
        headline=f"{subject} {word}",
        text=f"channel {subject} is {word}",
        since_s=at,
        is_on=on,
        lasts=lasts,
        facts={"channel": subject},
    )


class Machine:
    """A rule with its state, for tests that tell a story."""

    def __init__(self, policy: Policy) -> None:
        self.policy, self.state = policy, RuleState()
        self.told: list[Alert] = []

    def turn(self, one: Turn, at: float | None = None) -> list[str]:
        self.state, alerts = turned(self.policy, self.state, one, one.since_s if at is None else at)
        self.told += alerts
        return [alert.state.value for alert in alerts]

    def look(self, at: float) -> list[str]:
        self.state, alerts = looked(self.policy, self.state, at)
        self.told += alerts
        return [alert.state.value for alert in alerts]


def test_what_lasts_is_told_when_it_has_lasted_long_enough() -> None:
    """And that it is over, with when it began."""
    rule = Machine(Policy(hold_off_s=60.0))
    assert rule.turn(turn()) == []
    assert rule.look(T + 59.9) == []
    assert due_s(rule.policy, rule.state) == T + 60.0
    assert rule.look(T + 60.0) == ["alert"]
    assert rule.look(T + 9999.0) == []
    assert rule.turn(turn(False, at=T + 9999.0)) == ["all clear"]
    assert rule.told[-1].since_s == T


def test_what_is_over_before_is_never_told() -> None:
    """Neither that it was nor that it is over."""
    rule = Machine(Policy(hold_off_s=60.0))
    rule.turn(turn())
    assert rule.turn(turn(False, at=T + 30.0)) == []
    assert rule.look(T + 100.0) == []
    assert rule.state.spells == {}


def test_it_counts_from_when_it_began_not_from_when_it_was_noticed() -> None:
    """A deafness that is noticed late, say."""
    rule = Machine(Policy(hold_off_s=60.0))
    assert rule.turn(turn(at=T - 3600.0), at=T) == ["alert"]


def test_it_is_repeated_while_it_lasts() -> None:
    """And no sooner than asked for."""
    rule = Machine(Policy(repeat_s=600.0))
    assert rule.turn(turn()) == ["alert"]
    assert rule.look(T + 599.0) == []
    assert rule.look(T + 600.0) == ["still"]
    assert rule.look(T + 601.0) == []
    assert rule.look(T + 1200.0) == ["still"]
    assert rule.told[-1].since_s == T


def test_without_all_clear_nothing_is_told_at_the_end() -> None:
    """The rule says so."""
    rule = Machine(Policy(all_clear=False))
    rule.turn(turn())
    assert rule.turn(turn(False, at=T + 1.0)) == []


def test_a_flood_becomes_a_number() -> None:
    """412 findings in a minute are two messages and then one."""
    rule = Machine(Policy(at_most=2))
    for n in range(414):
        rule.turn(turn(at=T + n / 10.0, lasts=False))
    assert [one.state for one in rule.told] == [State.ALERT, State.ALERT]
    assert rule.look(T + HOUR - 1.0) == []
    assert due_s(rule.policy, rule.state) == T + HOUR
    assert rule.look(T + HOUR) == ["more"]
    assert rule.told[-1].count == 412
    assert "and 412 more; the last: channel 16 is busy" in rule.told[-1].text
    assert rule.look(T + 9 * HOUR) == []


def test_the_end_of_what_was_only_counted_is_not_told() -> None:
    """Nobody was told that it began."""
    rule = Machine(Policy(at_most=1))
    rule.turn(turn(subject="a"))
    assert rule.turn(turn(subject="b", at=T + 1.0)) == []
    assert rule.turn(turn(False, subject="b", at=T + 2.0)) == []
    assert rule.turn(turn(False, subject="a", at=T + 3.0)) == ["all clear"]


def test_a_repeat_that_has_no_room_takes_no_all_clear_away() -> None:
    """Its beginning was told, so its end is."""
    rule = Machine(Policy(at_most=1, repeat_s=60.0))
    rule.turn(turn())
    assert rule.look(T + 60.0) == []
    assert rule.state.more == 0
    assert rule.turn(turn(False, at=T + 70.0)) == ["all clear"]


def test_quiet_hours_hold_it_and_tell_it_in_one() -> None:
    """With the time of each, in order, also what was over before the morning."""
    quiet = Quiet(text="22:00..07:00", zone="UTC")
    evening = datetime(2026, 6, 1, 23, 0, tzinfo=UTC).timestamp()
    morning = datetime(2026, 6, 2, 7, 0, tzinfo=UTC).timestamp()
    rule = Machine(Policy(quiet=quiet, repeat_s=600.0))
    assert rule.turn(turn(at=evening)) == []
    for minutes in range(10, 400, 10):
        assert rule.look(evening + 60.0 * minutes) == []
    assert rule.turn(turn(False, at=evening + 7 * HOUR)) == []
    assert due_s(rule.policy, rule.state) == morning
    assert rule.look(morning - 1.0) == []
    assert rule.look(morning) == ["held"]
    held = rule.told[-1]
    assert held.count == 2
    assert held.text.splitlines() == [
        f"{evening:.0f}\tchannel 16 is busy",
        f"{evening + 7 * HOUR:.0f}\tover: channel 16 is free",
    ]


def test_what_quiet_hours_hold_is_bounded() -> None:
    """The rest is a number."""
    quiet = Quiet(text="00:00..12:00", zone="UTC")
    start = datetime(2026, 6, 2, 1, 0, tzinfo=UTC).timestamp()
    rule = Machine(Policy(quiet=quiet))
    for n in range(500):
        rule.turn(turn(at=start + n, lasts=False))
    assert len(rule.state.held) == HELD_MOST
    rule.look(start + 11 * HOUR)
    assert rule.told[-1].count == 500
    assert rule.told[-1].text.splitlines()[-1] == f"\tand {500 - HELD_MOST} more"


@pytest.mark.parametrize(
    ("day", "inside", "outside"),
    [
        pytest.param((2026, 3, 29), ["00:30", "02:30"], ["03:00", "00:00"], id="spring"),
        pytest.param((2026, 10, 25), ["00:30", "01:30", "02:59"], ["03:00"], id="autumn"),
    ],
)
def test_quiet_hours_go_by_the_clock_that_people_have(
    day: tuple[int, int, int], inside: list[str], outside: list[str]
) -> None:
    """Also in the nights in which it changes; an hour that comes twice is quiet twice."""
    quiet = Quiet(text="00:30..03:00", zone="Europe/London")
    zone = ZoneInfo("Europe/London")

    def at(text: str, fold: int = 0) -> float:
        hour, minute = map(int, text.split(":"))
        return datetime(*day, hour, minute, fold=fold, tzinfo=zone).timestamp()

    for text in inside:
        assert quiet.ends_s(at(text)) == at("03:00"), text
        assert quiet.ends_s(at(text, fold=1)) == at("03:00"), text
    for text in outside:
        assert quiet.ends_s(at(text)) is None, text


def test_more_subjects_than_a_rule_follows_are_left_alone() -> None:
    """The state does not grow without end."""
    rule = Machine(Policy(hold_off_s=60.0))
    for n in range(SUBJECTS_MOST + 50):
        rule.turn(turn(subject=str(n)))
    assert len(rule.state.spells) == SUBJECTS_MOST


def test_a_beginning_that_is_told_again_is_another() -> None:
    """The end of the one before was lost, with the config that it was of: nobody goes untold."""
    rule = Machine(Policy())
    assert rule.turn(turn()) == ["alert"]
    assert rule.turn(turn(at=T + HOUR)) == []
    assert rule.turn(replace(turn(at=T + HOUR), is_new=True)) == ["alert"]
    assert rule.turn(replace(turn(at=T + HOUR), is_new=True)) == []
    assert rule.turn(turn(False, at=T + 2 * HOUR)) == ["all clear"]
    assert rule.told[-1].since_s == T + HOUR


def test_what_nobody_can_say_any_more_is_no_end() -> None:
    """What was told goes on until it is known to be over; what is held off is not told."""
    unknown = replace(turn(False), is_known=False)
    told = Machine(Policy())
    assert told.turn(turn()) == ["alert"]
    assert told.turn(unknown) == []
    assert told.turn(turn(False)) == ["all clear"]
    waits = Machine(Policy(hold_off_s=120.0))
    waits.turn(turn())
    waits.turn(unknown)
    assert waits.look(T + 600.0) == []


def test_a_clock_that_is_set_back_delays_nothing_for_hours() -> None:
    """What seems to be of the future counts from now."""
    rule = Machine(Policy(hold_off_s=60.0))
    rule.turn(turn())
    back = T - 7200.0
    assert rule.look(back) == []
    assert rule.look(back + 60.0) == ["alert"]


SUBJECTS = ("a", "b", "c")
STEPS = st.lists(
    st.tuples(
        st.sampled_from(("on", "off", "look", "happens")),
        st.sampled_from(SUBJECTS),
        st.floats(0.0, 2 * HOUR),
    ),
    max_size=60,
)
POLICIES = st.builds(
    Policy,
    hold_off_s=st.sampled_from((0.0, 60.0, 1800.0)),
    repeat_s=st.sampled_from((None, 60.0, 3600.0)),
    quiet=st.sampled_from((None, Quiet(text="22:00..07:00", zone="Europe/London"))),
    all_clear=st.booleans(),
    at_most=st.integers(1, 4),
)
DST = datetime(2026, 10, 24, 18, 0, tzinfo=UTC).timestamp()


@settings(max_examples=300, deadline=None)
@given(policy=POLICIES, steps=STEPS)
def test_whatever_happens_the_promises_hold(
    policy: Policy, steps: list[tuple[str, str, float]]
) -> None:
    """No alert within hold-off or repeat, an all-clear only after an alert and once, nothing in
    quiet hours, no more an hour than asked for, and bounded states; across a change of the clock.
    """
    state, now, told_s = RuleState(), DST, []
    began: dict[str, float] = {}
    """Since when each lasts, and in ``told`` when that was told last."""
    told: dict[str, float] = {}
    for what, subject, passed in steps:
        now += passed
        if what == "look":
            state, alerts = looked(policy, state, now)
        else:
            if what == "on":
                began.setdefault(subject, now)
            one = turn(what != "off", at=now, subject=subject, lasts=what != "happens")
            state, alerts = turned(policy, state, one, now)
        if alerts and policy.quiet is not None:
            assert policy.quiet.ends_s(now) is None
        for alert in alerts:
            told_s += [now] * (alert.state in ("alert", "still", "more"))
            if what == "happens" or alert.state in (State.MORE, State.HELD):
                continue
            of = alert.facts["channel"]
            if alert.state is State.ALERT:
                assert of not in told
                assert now - began[of] >= policy.hold_off_s
            elif alert.state is State.STILL:
                assert policy.repeat_s is not None
                assert now - told.get(of, -1e18) >= policy.repeat_s
            else:
                assert policy.all_clear and what == "off" and of == subject
                # Quiet hours may have held its beginning.
                assert of in told or policy.quiet is not None
            told[of] = now
        if what == "off":
            began.pop(subject, None)
            told.pop(subject, None)
        assert len(state.held) <= HELD_MOST
        assert len(state.told_s) <= policy.at_most
        assert len(state.spells) <= len(SUBJECTS)
        due = due_s(policy, state)
        if due is not None and due > now:
            assert looked(policy, state, now)[1] == ()
    for at in told_s:
        assert sum(at - HOUR < other <= at for other in told_s) <= policy.at_most


@settings(max_examples=100, deadline=None)
@given(policy=POLICIES, steps=STEPS)
def test_every_thing_that_happened_is_told_or_counted(
    policy: Policy, steps: list[tuple[str, str, float]]
) -> None:
    """The numbers add up once the quiet hours and the hour are over."""
    state, now, happened, told = RuleState(), DST, 0, 0
    policy = replace(policy, repeat_s=None)
    for what, subject, passed in steps:
        now += passed
        if what != "happens":
            continue
        happened += 1
        state, alerts = turned(policy, state, turn(at=now, subject=subject, lasts=False), now)
        told += sum(alert.count for alert in alerts)
        state, alerts = looked(policy, state, now)
        told += sum(alert.count for alert in alerts)
    for _ in range(30):
        now += HOUR
        state, alerts = looked(policy, state, now)
        told += sum(alert.count for alert in alerts)
    assert told == happened
