"""Profiles as files: what is wrong is told with its line, and where profiles lie."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from acqd_lines.profile import (
    SHIPPED,
    Profile,
    find_profile,
    known_profiles,
    load_profile,
    parse_profile,
    profile_folders,
)
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from acqd.errors import ConfigError, RequestRefused
from acqd.sweep import Detector, LevelUnit

from .lookout import PROFILE

WRONG: list[tuple[str, str, str, str]] = [
    # in the profile, in its place, where that is told, what is said of it
    ('title = "a', 'titel = "a', "titel", "unknown key `titel`; did you mean `title`?"),
    ("[talk]", "[talks]", "talks", "unknown key `talks`; did you mean `talk`?"),
    ('timeout = "500 ms"', "timeout = 500", "talk.timeout", "a number without a unit"),
    ('timeout = "500 ms"', 'timeout = "500 MS"', "talk.timeout", "did you mean `ms`?"),
    ('quiet = "30 ms"', 'prompt = "  "', "talk.prompt", "nothing but white space"),
    ('quiet = "30 ms"', 'prompt = "€"', "talk.prompt", "'€', which is not one byte"),
    ('quiet = "30 ms"', 'baud = 9600', "talk.baud", "it belongs to [link]"),
    (r"pattern = '^BAD (?P<code>\d+", "pattern = '^BAD (?P<code", "error[1].pattern", "a pattern"),
    ("(?P<model>", "(?P<modell>", "identify.expect", "means nothing: modell"),
    ('send = "who"', 'send = "who {points}"', "identify.send", "`{points}` has no value here"),
    ("{start:kHz:d}", "{strat:kHz:d}", "setting.frequency.send[1]", "did you mean `start`?"),
    ("{stop:kHz:d}", "{stop}", "setting.frequency.send[2]", "does not say what the sweeper counts"),
    ('"n {points}"', '"n"', "setting.points.send", "there is nothing of it in the command"),
    ("[setting.rbw]", "[setting.rwb]", "setting.rwb", "unknown key `rwb`; did you mean `rbw`?"),
    ('default = "10 kHz"', "", "setting.rbw", "where a job asks for none"),
    ('default = "10 kHz"', 'default = "10 khz"', "setting.rbw.default", "did you mean `kHz`?"),
    ("(?P<value>", "(?P<wide>", "setting.rbw.read.expect", "without a group for what is read"),
    ('kHz$\', unit = "kHz"', 'kHz$\', unit = "s"', "setting.rbw.read.unit", "unknown unit `s`"),
    ('default = "sample"', 'default = "smaple"', "setting.detector.default", "unknown detector"),
    ('default = "sample"', 'default = "rms"', "setting.detector.default", "no word for it"),
    ("overload = '^hot$'", 'order = ["points"]', "sweep.order", "`frequency` is not among them"),
    ("overload = '^hot$'", 'order = ["pints"]', "sweep.order[1]", "did you mean `points`?"),
    ('end = ".", ', "", "sweep.fetch.answer", "nothing says where the lines end"),
    ('kind = "lines", end = "."', 'kind = "line", end = "."', "sweep.fetch.answer.end", "kind"),
    ('kind = "lines", end', 'kind = "lines", count = 3, end', "sweep.fetch.answer.end", "exclude"),
    ('{ kind = "lines", end = ".", ignore = \'^hot$\' }', '{ kind = "block" }',
     "sweep.fetch.answer", "a block of text"),
    ('"data", answer', '"data {vbw:Hz}", answer', "sweep.fetch.send", "a [setting.vbw] with a"),
    ('{ kind = "lines", end = ".", ignore = \'^hot$\' }',
     '{ kind = "block", checksum = { kind = "sum8", over = "bytes" } }',
     "sweep.fetch.answer.checksum", "is of lines of hexadecimal digits"),
    ('{ kind = "lines", end = ".", ignore = \'^hot$\' }', '{ kind = "block", each = true }',
     "sweep.fetch.answer.each", "no meaning in an answer of kind"),
    ('separator = ","', 'separator = ","\ndecimal_comma = true', "sweep.values.separator", "both"),
    ('separator = ","', 'columns = ["level", "level"]', "sweep.values.columns", "there twice"),
    ('separator = ","', 'columns = ["frequency", "level"]', "sweep.values.columns",
     "what the frequencies are counted in"),
    ('unit = "dBm"\n', 'unit = "dbm"\n', "sweep.values.unit", "not a word that is known here"),
    ('per_point = "100 µs"', "per_point = []", "timing.per_point", "not a duration"),
    ('off = "gen off"', "", "source.off", "`off` is missing"),
    ("{source_level:dBm:.1f}", "{source_level:dB}", "source.on", "unknown unit `dB`"),
    ('stop = "1 GHz"', 'stop = "1 kHz"', "limits.stop", "not above the lowest"),
    ("points_min = 2", "points_min = 900", "limits.points_max", "fewer than `points_min`"),
    ('assumed = ["level_accuracy"]', 'assumed = ["level"]', "limits.assumed", "is no key of"),
    ("resolution = 0.01", 'resolution = "0.01 dB"', "limits.resolution", "not a number"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "where", "said"), WRONG)
def test_what_is_wrong_is_told_with_its_line(old: str, new: str, where: str, said: str) -> None:
    """File, line, key and what was expected."""
    assert old in PROFILE
    text = PROFILE.replace(old, new, 1)
    with pytest.raises(ConfigError) as caught:
        parse_profile(text, "toy.toml")
    told = [str(problem) for problem in caught.value.problems]
    fitting = [line for line in told if f": {where}: " in line and said in line]
    assert fitting, told
    (problem, *_) = [one for one in caught.value.problems if one.where == where]
    assert problem.line is not None
    key = new.partition(" =")[0].strip() or where.rpartition(".")[2]
    nearby = text.splitlines()[problem.line - 1]
    assert "=" in nearby or "[" in nearby, (key, nearby)
    assert problem.accepted


def test_lines_are_those_of_the_file() -> None:
    """Counted from 1, also in lists and inline tables; several at once, in order."""
    text = PROFILE.replace("hi {stop:kHz:d}", "hi {stop:khz:d}").replace('"1 GHz"', '"1 Ghz"')
    with pytest.raises(ConfigError) as caught:
        parse_profile(text, "toy.toml")
    lines = text.splitlines()
    got = [(one.where, one.line) for one in caught.value.problems]
    assert got == [
        ("setting.frequency.send[2]", 1 + next(i for i, x in enumerate(lines) if "khz" in x)),
        ("limits.stop", 1 + next(i for i, x in enumerate(lines) if "1 Ghz" in x)),
    ]


def test_a_file_that_is_no_profile_is_one_problem(tmp_path: Path) -> None:
    """Not TOML, not there."""
    path = tmp_path / "toy.toml"
    path.write_text("title = toy\n")
    with pytest.raises(ConfigError, match=r'toy\.toml:1: .* texts in quotes: "toy"'):
        load_profile(path)
    with pytest.raises(ConfigError, match="there is no such file; did you mean toy"):
        load_profile(tmp_path / "tyo.toml")


@given(st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(
        ["talk", "send", "answer", "kind", "sweep", "fetch", "limits", "x"]), inner, max_size=4),
    max_leaves=8,
))  # fmt: skip
def test_whatever_stands_in_a_table_is_told_or_read(value: object) -> None:
    """A profile whose [sweep] is anything is told what is wrong, and nothing else is raised."""
    with contextlib.suppress(ValidationError):
        Profile.model_validate({"title": "t", "sweep": value, "identify": value, "limits": value})


def test_capabilities_are_the_limits_of_the_profile() -> None:
    """With detectors from the words, and what is a guess marked."""
    got = parse_profile(PROFILE, "toy.toml").capabilities()
    assert (got.start_hz, got.stop_hz, got.points_min, got.points_max) == (1e6, 1e9, 2, 401)
    assert got.detectors == (Detector.SAMPLE, Detector.POSITIVE)
    assert got.unit is LevelUnit.DBM
    assert (got.source, got.source_min_dbm, got.source_max_dbm) == (True, -40.0, 0.0)
    assert got.level_accuracy_db == 2.0
    assert got.assumed == ("level_accuracy_db",)
    assert got.noise_bandwidth_ratio is None
    said = PROFILE.replace("[limits]\n", "[limits]\nnoise_bandwidth = 1.13\n")
    assert parse_profile(said, "toy.toml").capabilities().noise_bandwidth_ratio == 1.13


def test_a_setting_without_a_command_is_fixed() -> None:
    """It is what the sweeper has, and its only step."""
    text = PROFILE.replace('send = "bw {rbw:kHz}"', "").replace("\nread = ", "\n# read = ")
    assert parse_profile(text, "toy.toml").capabilities().rbw_steps_hz == (10e3,)


@pytest.mark.parametrize("name", sorted(known_profiles([SHIPPED])))
def test_shipped_profiles_have_no_problem(name: str) -> None:
    """Each can be read."""
    assert load_profile(find_profile(name, [SHIPPED])).title


def test_bare_names_are_looked_for_in_three_places(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder here, the user's, the shipped ones; the first counts. A path is a path."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "home"))
    here, user = tmp_path / "profiles", tmp_path / "home" / "acqd" / "profiles"
    assert profile_folders() == (here, user, SHIPPED)
    assert find_profile("tern") == SHIPPED / "tern.toml"
    user.mkdir(parents=True)
    (user / "tern.toml").write_text("")
    assert find_profile("tern") == user / "tern.toml"
    here.mkdir()
    (here / "tern.toml").write_text("")
    assert find_profile("tern") == here / "tern.toml"
    assert find_profile("./tern.toml") == Path("tern.toml")
    with pytest.raises(RequestRefused, match="did you mean 'tern'"):
        find_profile("turn")
