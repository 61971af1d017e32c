"""``[[job.NAME.witness]]``, what a job may be deaf by, and who may repeat itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from acqd.config.load import parse_config
from acqd.config.recorded import recorded_config
from acqd.config.whole import StationConfig
from acqd.config.witness import deaf_by_floor, may_repeat, named_witnesses
from acqd.errors import ConfigError
from acqd.station.kinds import kind_parts

STATION = """
[station]
name = "lookout"
archive = "archive"
[mqtt]
broker = "none"
[sweeper.mast]
driver = "sim"
address = "sim:mast"
{sweeper}
[job.watch]
kind = "{kind}"
sweeper = "mast"
start = "156 MHz"
stop = "158 MHz"
points = 201
when = {{ every = "2 s" }}
{job}
"""
CHANNELS = """
title = "Two"
edition = "made for this"
source = "made for this"
[[channel]]
name = "AIS 1"
centre = "156.8 MHz"
width = "25 kHz"
[[channel]]
name = "far"
centre = "161.9 MHz"
width = "25 kHz"
"""
PLAN = 'band = { channels = "channels.toml" }\n'


def config(
    tmp_path: Path, job: str = "", *, kind: str = "band", sweeper: str = ""
) -> StationConfig:
    (tmp_path / "channels.toml").write_text(CHANNELS)
    text = STATION.format(kind=kind, job=job, sweeper=sweeper)
    return parse_config(text, tmp_path / "station.toml")


def test_witnesses_are_found_by_name_by_key_and_by_frequency(tmp_path: Path) -> None:
    job = PLAN + (
        'witness = [{ channel = "AIS 1", within = "10 min" },'
        ' { channel = "ais-1", within = "1 h" }, { frequency = "157 MHz", within = "30 s" }]'
    )
    first, second, third = named_witnesses(config(tmp_path, job), "watch")
    assert (first.name, first.channel, first.within_s) == ("AIS 1", 0, 600.0)
    assert (second.channel, second.within_s) == (0, 3600.0)
    assert (third.name, third.frequency_hz) == ("157.000 MHz", 157e6)


@pytest.mark.parametrize(
    ("job", "kind", "problem"),
    [
        pytest.param('witness = [{ within = "1 h" }]', "band", "nothing says where", id="nowhere"),
        pytest.param(
            'witness = [{ frequency = "159 MHz", within = "1 h" }]',
            "band",
            "outside the sweep",
            id="outside",
        ),
        pytest.param(
            'witness = [{ channel = "AIS 1", within = "1 h" }]',
            "band",
            "no channel plan",
            id="plan",
        ),
        pytest.param(
            'witness = [{ frequency = "157 MHz", within = "5 s" }]',
            "band",
            "fewer than 3 sweeps",
            id="too soon",
        ),
        pytest.param(
            'witness = [{ frequency = "157 MHz", within = "1 h" }]',
            "carrier",
            "has no witnesses",
            id="kind",
        ),
        pytest.param("learn_witnesses = false", "carrier", "has no witnesses", id="learning"),
        pytest.param(
            "witness = [" + '{ frequency = "157 MHz", within = "1 h" },' * 17 + "]",
            "band",
            "17 witnesses",
            id="many",
        ),
    ],
)
def test_what_does_not_fit_is_one_clear_line(
    tmp_path: Path, job: str, kind: str, problem: str
) -> None:
    with pytest.raises(ConfigError, match=problem) as caught:
        config(tmp_path, job, kind=kind)
    assert "station.toml:" in str(caught.value)


@pytest.mark.parametrize(
    ("channel", "problem"),
    [
        pytest.param("AIS 2", r"no such channel.*AIS 1", id="unknown"),
        pytest.param("far", "does not reach", id="out of reach"),
    ],
)
def test_a_channel_that_cannot_be_heard_is_refused(
    tmp_path: Path, channel: str, problem: str
) -> None:
    made = config(tmp_path, f'{PLAN}witness = [{{ channel = "{channel}", within = "1 h" }}]')
    with pytest.raises(ConfigError, match=problem):
        kind_parts(made, "watch", "the input")


def test_a_config_that_says_nothing_new_is_the_one_it_was(tmp_path: Path) -> None:
    """Digests of archives that are there already stay; what is said makes another one."""
    plain = config(tmp_path)
    source = plain.job_source("watch")
    assert not {"witness", "learn_witnesses", "deaf_by_floor"} & set(source)
    assert "may_repeat" not in source["sweeper_says"]
    said = config(tmp_path, "learn_witnesses = true")
    assert said.job_digest("watch") == plain.job_digest("watch")
    for job, sweeper in (
        ("learn_witnesses = false", ""),
        ("deaf_by_floor = true", ""),
        ('witness = [{ frequency = "157 MHz", within = "1 h" }]', ""),
        ("", "may_repeat = true"),
    ):
        other = config(tmp_path, job, sweeper=sweeper)
        assert other.job_digest("watch") != plain.job_digest("watch")
        again = recorded_config("watch", other.job_source("watch"))
        assert again.job_source("watch") == other.job_source("watch")
        assert kind_parts(again, "watch", "x").meter.settings == (
            kind_parts(other, "watch", "x").meter.settings
        )


def test_a_floor_may_fall_where_the_thing_watched_may_go_off(tmp_path: Path) -> None:
    assert deaf_by_floor(config(tmp_path).jobs["watch"])
    assert not deaf_by_floor(config(tmp_path, 'soak = { length = "8 h" }').jobs["watch"])
    asked = config(tmp_path, 'deaf_by_floor = true\nsoak = { length = "8 h" }')
    assert deaf_by_floor(asked.jobs["watch"])


def test_sweeps_with_the_own_source_may_repeat_unless_the_config_says_otherwise(
    tmp_path: Path,
) -> None:
    source = 'source = { level = "-20 dBm" }'
    assert not may_repeat(config(tmp_path), "watch")
    assert may_repeat(config(tmp_path, sweeper="may_repeat = true"), "watch")
    assert may_repeat(config(tmp_path, source, kind="transmission"), "watch")
    strict = config(tmp_path, source, kind="transmission", sweeper="may_repeat = false")
    assert not may_repeat(strict, "watch")
    assert kind_parts(strict, "watch", "x").meter.version.endswith(" hearing/1")


@pytest.mark.parametrize(
    ("job", "said"),
    [
        pytest.param(
            PLAN + 'witness = [{ channel = "AIS 1", within = "10 min" }]',
            "a cable that falls off is noticed within 10 min by AIS 1, or within 10 sweeps (20 s), "
            "in a band with traffic within 10 min, by the floor",
            id="a witness",
        ),
        pytest.param(
            PLAN + 'witness = [{ channel = "AIS 1", within = "10 min" }]',
            "300 sweeps come in a witness's time: they all miss one that is there in 3 % of them "
            "once in 10,000 times",
            id="how often it must be met",
        ),
        pytest.param(
            "",
            "by the floor where it falls with it, once there is 1 h to compare with",
            id="the floor",
        ),
        pytest.param(PLAN, "channels that were heard regularly", id="learnt"),
        pytest.param(
            "deaf_by_floor = false\nlearn_witnesses = false",
            "a cable that falls off would not be noticed: name a [[job.NAME.witness]]",
            id="nothing",
        ),
        pytest.param("", "old sweeps is noticed within 15 sweeps (30 s)", id="frozen"),
    ],
)
def test_what_would_be_noticed_is_said_before_the_night(
    tmp_path: Path, job: str, said: str
) -> None:
    foreseen = kind_parts(config(tmp_path, job), "watch", "the input").foresee(None)
    assert any(said in sentence for sentence in foreseen), foreseen
