"""What a config may ask for after a finding, and how it is told what it may not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from acqd.config.load import parse_config
from acqd.config.recorded import keys_read_otherwise, recorded_config
from acqd.config.whole import StationConfig
from acqd.errors import ConfigError
from acqd.measure.closerlook_settings import LOOKS_MOST, LookKind
from acqd.station.followed import closer_looks, follow_rules

BASE = """\
[station]
name = "lookout"
archive = "archive"
[mqtt]
broker = "none"
[sweeper.mast]
driver = "sim"
address = "sim:mast"
[job.watch]
kind = "{kind}"
sweeper = "mast"
start = "156 MHz"
stop = "157 MHz"
points = 101
rbw = "10 kHz"
when = {{ every = "1 s" }}
{more}
"""
LOOK = '[[job.watch.on_finding]]\nwhat = "{what}"\nlook = "{look}"\n{more}\n'


def config(looks: str, kind: str = "band", more: str = "") -> StationConfig:
    return parse_config(BASE.format(kind=kind, more=more) + looks, Path("/nowhere/station.toml"))


def look(what: str = "signal_appeared", kind: str = "zoom", more: str = "") -> str:
    return LOOK.format(what=what, look=kind, more=more)


def test_a_table_becomes_a_look_and_a_budget() -> None:
    """What is left out has its default; quantities have their units."""
    tables = config(look(more='span = "50 kHz"\nonly_above = "-90 dBm"')).jobs["watch"].on_finding
    (rule,) = follow_rules(tables, "the aerial socket")
    assert rule.words == ("signal_appeared",)
    assert (rule.look.look, rule.look.span_hz, rule.look.sweeps) == (LookKind.ZOOM, 50e3, 3)
    assert (rule.at_most, rule.per_s, rule.share, rule.hold_off_s) == (6, 3600.0, 0.1, 600.0)
    assert (rule.within_s, rule.only_above_dbm) == (120.0, -90.0)
    assert closer_looks(tables, "the aerial socket").looks == (rule.look,)


def test_more_attenuation_is_written_as_people_say_it() -> None:
    """With a plus, without, or left out."""
    for said, added_db in (
        ('attenuation = "+20 dB"', 20.0),
        ('attenuation = "5 dB"', 5.0),
        ("", 10.0),
    ):
        found = config(look("floor_rose", "more attenuation", said)).jobs["watch"].on_finding
        assert follow_rules(found, "")[0].look.added_db == added_db


@pytest.mark.parametrize(
    ("looks", "told"),
    [
        pytest.param(look("signal_apeared"), "did you mean `signal_appeared`?", id="near miss"),
        pytest.param(look("carrier_lost"), "kind band has no finding", id="another kind's"),
        pytest.param(look("floor_rose"), "is of no one frequency", id="no frequency"),
        pytest.param(look("looked_closer"), "has no finding `looked_closer`", id="a loop"),
        pytest.param(look(kind="zooom"), "did you mean `zoom`?", id="no such look"),
        pytest.param(look(kind="finer rbw", more='span = "1 MHz"'), "no meaning", id="span"),
        pytest.param(look(more='attenuation = "10 dB"'), "no meaning", id="attenuation"),
        pytest.param(
            look(kind="more attenuation", more='attenuation = "-10 dB"'), "at least 1 dB", id="less"
        ),
        pytest.param(look(kind="more attenuation", more='rbw = "1 kHz"'), "no meaning", id="rbw"),
        pytest.param(look(more='share = "60 %"'), "at most 50 %", id="share"),
        pytest.param(look(more="sweeps = 0"), "sweeps", id="no sweep"),
        pytest.param(look(more="source = true"), "source", id="a source"),
        pytest.param(
            look("floor_rose", "finer rbw", 'only_above = "-90 dBm"'), "has no level", id="no level"
        ),
        pytest.param(look() * (LOOKS_MOST + 1), f"at most {LOOKS_MOST}", id="too many"),
        pytest.param(
            '[[job.watch.on_finding]]\nwhat = ["floor_rose", "floor_rose"]\nlook = "finer rbw"\n',
            "is there twice",
            id="twice",
        ),
        pytest.param('[[job.watch.on_finding]]\nwhat = []\nlook = "zoom"\n', "what", id="no words"),
    ],
)
def test_what_does_not_fit_is_said_with_its_line(looks: str, told: str) -> None:
    """One clear line, before anything runs."""
    with pytest.raises(ConfigError) as caught:
        config(looks)
    assert told in str(caught.value) and "station.toml:" in str(caught.value)


@pytest.mark.parametrize("kind", ["transmission", "reflection"])
def test_jobs_that_need_their_source_are_refused(kind: str) -> None:
    """A look turns none on, and without it there is nothing to see."""
    with pytest.raises(ConfigError, match="turns no source on"):
        config(look("limit_exceeded"), kind, 'source = { level = "-20 dBm" }')


@pytest.mark.parametrize(("kind", "word"), [("carrier", "carrier_lost"), ("emission", "limit_met")])
def test_other_kinds_have_their_own_words(kind: str, word: str) -> None:
    """A carrier that is lost has the frequency that its job watches."""
    more = 'transmitter = { power = "5 W" }' if kind == "emission" else ""
    assert config(look(word), kind, more).jobs["watch"].on_finding[0].what == (word,)


def digest(found: StationConfig) -> str:
    return found.job_digest("watch")


def test_jobs_without_looks_are_recorded_as_ever() -> None:
    """Nothing of it stands in their source, so their digests are those they always had."""
    plain = config("")
    assert "on_finding" not in plain.job_source("watch")


def test_a_budget_may_change_under_way() -> None:
    """What says how often is no other config; what says how is."""
    one = digest(config(look()))
    free = 'at_most = 2\nper = "1 d"\nshare = "5 %"\nhold_off = "1 h"\nwithin = "9 s"'
    assert digest(config(look(more=free))) == one
    assert digest(config(look(more='only_above = "-90 dBm"'))) == one
    assert digest(config("")) != one
    assert digest(config(look(more="sweeps = 4"))) != one
    assert digest(config(look(more='rbw = "1 kHz"'))) != one


def test_what_was_recorded_makes_the_same_looks() -> None:
    """From the source alone, as a replay does."""
    looks = (
        look(more='span = "50 kHz"\nat_most = 2\ndetector = "positive"')
        + look("floor_rose", "more attenuation", 'attenuation = "15 dB"')
        + look("signal_ended", "zero span", 'sweep_time = "2 s"')
    )
    found = config(looks)
    source: dict[str, Any] = found.job_source("watch")
    again = recorded_config("watch", source)
    assert keys_read_otherwise("watch", source, again) == ()
    then, now = (one.jobs["watch"].on_finding for one in (found, again))
    assert closer_looks(then, "here") == closer_looks(now, "here")
