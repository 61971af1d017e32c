"""Which commands are let in: pure, by the rules of a config."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acqd.publish.commands import COMMAND_MOST_BYTES
from acqd.station.doorkeeper import REMEMBERED_LEAST, CommandRules, Doorkeeper, Heard

NOW_S = 1_795_900_000.0
RULES = CommandRules(
    verbs=frozenset({"pause", "sweep"}),
    jobs=frozenset({"marine-vhf", "stop-filter", "gone"}),
    quiet=frozenset({"stop-filter"}),
    at_most=6,
    per_s=60.0,
    stale_after_s=30.0,
)
JOBS = ("marine-vhf", "stop-filter", "calling")


def command(**given: Any) -> bytes:
    fields = {"schema": "command/1", "id": "c1", "verb": "pause", "job": "marine-vhf"}
    return json.dumps({**fields, "at_s": NOW_S, **given}).encode()


def door() -> Doorkeeper:
    return Doorkeeper(RULES, jobs=JOBS, monotonic_s=0.0)


def hear(
    keeper: Doorkeeper, payload: bytes, *, retained: bool = False, monotonic_s: float = 0.0
) -> Heard:
    return keeper.hear(payload, retained=retained, now_s=NOW_S, monotonic_s=monotonic_s)


def test_what_the_config_lets_is_to_be_done() -> None:
    heard = hear(door(), command(who="Ida"))
    assert heard.what == "do" and heard.command is not None
    assert (heard.command.verb, heard.command.job, heard.command.who) == (
        "pause",
        "marine-vhf",
        "Ida",
    )


@pytest.mark.parametrize(
    ("given", "why"),
    [
        ({"at_s": NOW_S - 31.0}, "it is 31 s old; 30 s are let"),
        ({"at_s": NOW_S + 40.0}, "it is 40 s ahead of the station's clock; 30 s are let"),
        ({"verb": "resume"}, "resume is not let over MQTT"),
        ({"job": "calling"}, "no commands are let for calling"),
        ({"job": "gone"}, "gone does not run"),
        (
            {"verb": "sweep", "job": "stop-filter"},
            "stop-filter transmits or moves something: no sweep is let over MQTT",
        ),
    ],
)
def test_what_it_does_not_let_is_refused_with_the_reason(given: dict[str, Any], why: str) -> None:
    heard = hear(door(), command(**given))
    assert (heard.what, heard.text) == ("refuse", why)


def test_a_retained_command_is_none() -> None:
    """It would be done at every connection anew; it costs none of those that are let, either."""
    keeper = door()
    for _ in range(100):
        assert hear(keeper, command(), retained=True).what == "silent"
    assert hear(keeper, command()).what == "do"


def test_no_more_than_are_let() -> None:
    """The bucket: six at once, then one in ten seconds; the others are not even looked at."""
    keeper = door()
    whats = [hear(keeper, command(id=f"c{at}")).what for at in range(9)]
    assert whats == ["do"] * 6 + ["silent"] * 3
    assert hear(keeper, command(id="x"), monotonic_s=9.0).what == "silent"
    assert hear(keeper, command(id="y"), monotonic_s=20.0).what == "do"
    full = [hear(keeper, command(id=f"z{at}"), monotonic_s=9_000.0).what for at in range(7)]
    assert full == ["do"] * 6 + ["silent"]


def test_one_that_comes_twice_is_done_once() -> None:
    """The second is told what came of the first; a refused one may be tried again."""
    keeper = door()
    first = hear(keeper, command())
    assert first.command is not None
    keeper.remember(first.command, "marine-vhf is paused")
    again = hear(keeper, command(verb="sweep"))
    assert (again.what, again.text) == ("again", "marine-vhf is paused")
    assert hear(keeper, command(id="c2", verb="resume")).what == "refuse"
    assert hear(keeper, command(id="c2")).what == "do"


def test_what_is_remembered_is_bounded() -> None:
    keeper = door()
    heard = hear(keeper, command())
    assert heard.command is not None
    for at in range(3 * REMEMBERED_LEAST):
        keeper.remember(heard.command.model_copy(update={"id": f"c{at}"}), "done")
    assert len(keeper._outcomes) == REMEMBERED_LEAST


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"pause",
        b"\xff\xfe",
        b"[]",
        b"{" * 1000,
        b"x" * (COMMAND_MOST_BYTES + 1),
        command(id=""),
        command(id="a b"),
        command(verb="source-on"),
        command(job="../etc"),
        command(job="#"),
        command(at_s="now"),
        command(at_s=True),
        command(schema="command/2"),
        command(power="30 dBm"),
        command(who="w" * 101),
        b'{"schema":"command/1","id":"c","verb":"pause","job":"marine-vhf"}',
        b'{"schema":"command/1","id":"c","verb":"pause","job":"marine-vhf","at_s":NaN}',
    ],
)
def test_what_is_no_command_is_not_answered(payload: bytes) -> None:
    """Also one that says more than a verb: nothing of it could be meant by us."""
    heard = hear(door(), payload)
    assert heard.what == "silent" and heard.command is None and heard.text
    assert "30 dBm" not in heard.text


def test_a_key_that_is_none_of_ours_is_repeated_nowhere() -> None:
    """Its name is the sender's to choose: a line of the log, or what a terminal obeys."""
    heard = hear(door(), command(**{"\n\x1b[31mpetrel": 1}))
    assert heard.what == "silent" and "petrel" not in heard.text and heard.text.isprintable()


@given(st.binary(max_size=300) | st.text(max_size=200).map(str.encode))
def test_nothing_that_comes_raises(payload: bytes) -> None:
    assert hear(door(), payload).what == "silent"


def test_a_command_stays_known_for_as_long_as_it_is_fresh() -> None:
    """However many the rate lets in meanwhile."""
    rules = replace(RULES, at_most=60, per_s=10.0, stale_after_s=600.0)
    keeper = Doorkeeper(rules, jobs=JOBS, monotonic_s=0.0)
    first = hear(keeper, command())
    assert first.command is not None
    keeper.remember(first.command, "done")
    for at in range(3600):
        keeper.remember(first.command.model_copy(update={"id": f"c{at + 10}"}), "done")
    assert hear(keeper, command()).what == "again"
