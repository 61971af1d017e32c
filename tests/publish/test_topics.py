"""Topic names."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acqd.publish.topics import CHANNELS, Topics, checked_level, topic_level

TOPICS = Topics("gannet-ledge")

ALL = {
    "status": (TOPICS.status, "acqd/gannet-ledge/status"),
    "stationFinding": (TOPICS.station_finding, "acqd/gannet-ledge/finding"),
    "sweeper": (TOPICS.sweeper("mast"), "acqd/gannet-ledge/sweeper/mast"),
    "state": (TOPICS.state("vhf"), "acqd/gannet-ledge/job/vhf/state"),
    "summary": (TOPICS.summary("vhf"), "acqd/gannet-ledge/job/vhf/summary"),
    "trace": (TOPICS.trace("vhf"), "acqd/gannet-ledge/job/vhf/trace"),
    "finding": (TOPICS.finding("vhf"), "acqd/gannet-ledge/job/vhf/finding"),
    "verdict": (TOPICS.verdict("vhf"), "acqd/gannet-ledge/job/vhf/verdict"),
    "report": (TOPICS.report("vhf"), "acqd/gannet-ledge/job/vhf/report"),
    "occupancy": (TOPICS.occupancy("vhf"), "acqd/gannet-ledge/job/vhf/occupancy"),
    "channel": (TOPICS.channel("vhf", "ais-1"), "acqd/gannet-ledge/job/vhf/channel/ais-1"),
    "command": (TOPICS.command, "acqd/gannet-ledge/command"),
    "commandAnswer": (TOPICS.command_answer, "acqd/gannet-ledge/command/answer"),
    "value": (TOPICS.value("vhf", "floor_dbm"), "acqd/gannet-ledge/job/vhf/value/floor_dbm"),
}


@pytest.mark.parametrize("name", ALL)
def test_each_topic_has_its_name_and_its_kind(name):
    """The name is as documented, and the table finds its kind again."""
    topic, expected = ALL[name]
    assert topic == expected
    assert TOPICS.spec_of(topic).name == name


def test_the_table_has_no_kind_without_a_topic():
    """Every kind in the table can be named, and every name is in the table."""
    assert {spec.name for spec in CHANNELS} == set(ALL)


def test_another_root():
    """What all topics begin with may be another, of several levels too."""
    topics = Topics("gannet-ledge", "Coast/Watch")
    assert topics.state("vhf") == "Coast/Watch/gannet-ledge/job/vhf/state"
    assert topics.spec_of(topics.state("vhf")).name == "state"
    assert topics.spec_of(TOPICS.state("vhf")) is None


def test_findings_without_a_job_are_the_stations():
    """None for the job is the station itself."""
    assert TOPICS.finding(None) == TOPICS.station_finding


@pytest.mark.parametrize(
    "level",
    ["", "a" * 33, "A", "a/b", "a b", "+", "#", "$SYS", "ä", "a\n", "a\0"],
    ids=["empty", "long", "upper", "slash", "space", "plus", "hash", "sys", "umlaut", "nl", "nul"],
)
def test_what_cannot_be_a_level_is_refused(level):
    """No wildcard, no space, no text of a user gets into a topic."""
    with pytest.raises(ValueError, match="topic level"):
        checked_level(level)
    with pytest.raises(ValueError):
        Topics(level)
    with pytest.raises(ValueError):
        TOPICS.channel("vhf", level)


@pytest.mark.parametrize("root", ["", "/a", "a/", "a//b", "+", "a b", "a/b/c/d/e"])
def test_what_cannot_be_a_root_is_refused(root):
    """Neither empty levels nor wildcards."""
    with pytest.raises(ValueError, match="topic root"):
        Topics("gannet-ledge", root)


@given(st.text(max_size=60))
def test_any_text_can_be_made_a_level(text):
    """What comes out may be a level, and making it one again changes nothing."""
    level = topic_level(text)
    assert checked_level(level) == level
    assert topic_level(level) == level
