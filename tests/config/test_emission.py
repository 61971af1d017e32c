"""What an emission job may say, and what is told where it does not fit together."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from acqd.config.emission import plain_profile, profile_from_plain
from acqd.config.limits import load_limit_profile, shipped_limit_profiles
from acqd.config.load import parse_config
from acqd.config.recorded import keys_read_otherwise, recorded_config
from acqd.config.told import emission_settings
from acqd.config.whole import StationConfig
from acqd.errors import ConfigError

HEAD = """\
[station]
name = "lookout"
archive = "archive"

[sweeper.bench]
driver = "sim"
address = "sim:hand-held-bench"

[chain.load]
part = [{ kind = "pad", loss = "50 dB", rated = "10 W" }]

[chain.yard]
part = [{ kind = "aerial", gain = "2 dB" }, { kind = "cable", loss = "3 dB" }]

[job.hand-held]
kind = "emission"
sweeper = "bench"
"""

SWEEP = """\
chain = "load"
centre = "156.8 MHz"
span = "200 kHz"
points = 401
rbw = "3 kHz"
when = { every = "10 s" }
"""

POWER = 'transmitter = { power = "5 W" }\n'


def told(text: str, folder: Path) -> list[str]:
    """The problems of a config, a line each."""
    with pytest.raises(ConfigError) as caught:
        parse_config(text, folder / "station.toml")
    return [str(problem) for problem in caught.value.problems]


@pytest.fixture
def parsed(tmp_path: Path) -> Callable[[str], StationConfig]:
    return lambda text: parse_config(text, tmp_path / "station.toml")


def emission(*lines: str) -> str:
    return "\n".join(("[job.hand-held.emission]", *lines, ""))


def test_a_job_without_a_transmitter_is_refused_with_the_reason(tmp_path: Path) -> None:
    """It is what says how strong it is, and so whether the input survives."""
    (line,) = told(HEAD + SWEEP, tmp_path)
    assert "job.hand-held" in line and "how strong it is" in line
    assert 'transmitter = { power = "5 W" }' in line


def test_the_least_that_makes_one(parsed: Callable[[str], StationConfig]) -> None:
    """Power and sweep; the rest has defaults."""
    config = parsed(HEAD + SWEEP + POWER)
    settings = emission_settings(config, "hand-held", "the socket")
    assert settings.power_w == 5.0 and settings.power_dbm == pytest.approx(36.99, abs=0.01)
    assert settings.harmonics is None and settings.limits == ()
    assert settings.check_attenuation_db == 10.0 and settings.keyed_most_s == 30.0


def test_everything_arrives_where_it_is_worked_with(
    parsed: Callable[[str], StationConfig],
) -> None:
    config = parsed(
        HEAD + SWEEP + POWER + emission(
            'expected = "156.8 MHz"', 'designator = "16K0F3E"', "harmonics = 4",
            'search = ["30 MHz..150 MHz", "165 MHz..960 MHz"]', 'search_rbw = "100 kHz"',
            'limits = ["europe-transmit", "us-97-307-vhf"]', "installed = 2003-01-01",
            'mean_power = "1 W"', 'channel = "16 kHz"', 'spacing = "25 kHz"',
            'second_order_intercept = "40 dBm"', "source_vswr = 1.5",
        )
    )  # fmt: skip
    settings = emission_settings(config, "hand-held", "the socket")
    assert settings.necessary_hz == 16e3
    assert settings.search == ((30e6, 150e6), (165e6, 960e6))
    assert [one.name for one in settings.limits] == ["europe-transmit", "us-97-307-vhf"]
    assert settings.limit_power_w(settings.limits[0]) == 1.0
    assert settings.shi_dbm == 40.0


WRONG: dict[str, tuple[tuple[str, ...], str]] = {
    "no such limit": (('limits = "europe-transmitt"',), "did you mean `europe-transmit`"),
    "expected elsewhere": (('expected = "145 MHz"',), "outside the job's own sweep"),
    "two widths": (
        ('necessary_bandwidth = "16 kHz"', 'designator = "16K0F3E"'), "exclude each other"),
    "no designation": (('designator = "F3E"',), "not a designation"),
    "channel alone": (('channel = "16 kHz"',), "without `spacing`"),
    "channels that overlap": (
        ('channel = "30 kHz"', 'spacing = "25 kHz"'), "overlap"),
    "tolerance of nothing": (('frequency_tolerance = "1 kHz"',), "nothing says which frequency"),
    "too many harmonics": (("harmonics = 21",), "at most 20"),
    "more power than stated": (('mean_power = "6 W"',), "more than the 5 W"),
    "a field without a distance": (('limits = "us-15-209"',), "at which distance"),
    "a field without a factor": (
        ('limits = "cispr-32-b"', 'distance = "3 m"'), "nothing turns a level into one"),
    "factors that fall": (
        ('antenna_factor_at = [["80 MHz", "3 dB"], ["30 MHz", "4 dB"]]',), "do not rise"),
    "no pairs": (("antenna_factor_at = [30]",), "not a table of antenna factors"),
    "an endless search": (
        ('search = "30 MHz..960 MHz"', 'search_rbw = "1 kHz"'), "a wider one"),
    "a VSWR below 1": (("source_vswr = 0.5",), "at least 1"),
    "an unknown key": (('harmonic = "3 kHz"',), "did you mean"),
    "no key, and a frequency": (
        ("keyed = false", 'expected = "156.8 MHz"'), "no carrier"),
    "no key, and a limit of one": (
        ("keyed = false", 'limits = "us-97-307-hf"'), "asks about a carrier"),
}  # fmt: skip


@pytest.mark.parametrize(("lines", "says"), WRONG.values(), ids=WRONG)
def test_what_does_not_fit_together(lines: tuple[str, ...], says: str, tmp_path: Path) -> None:
    """One line each, at its place."""
    problems = told(HEAD + SWEEP + POWER + emission(*lines), tmp_path)
    assert any(says in line for line in problems), problems
    assert all(line.startswith(str(tmp_path / "station.toml")) for line in problems)


def test_the_own_sweep_is_for_the_fundamental_alone(tmp_path: Path) -> None:
    sweep = SWEEP.replace(
        'centre = "156.8 MHz"\nspan = "200 kHz"', 'start = "150 MHz"\nstop = "800 MHz"'
    )
    (line,) = told(HEAD + sweep + POWER, tmp_path)
    assert "a frequency and its double" in line


def test_field_limits_go_with_an_aerial_in_the_chain_or_with_factors(
    parsed: Callable[[str], StationConfig], tmp_path: Path
) -> None:
    """Its gain in the chain, or antenna factors at the socket, never both."""
    yard = (HEAD + SWEEP).replace('chain = "load"\ncentre', 'chain = "yard"\ncentre')
    lines = ("keyed = false", 'limits = "us-15-209"', 'distance = "3 m"')
    settings = emission_settings(parsed(yard + emission(*lines)), "hand-held", "p")
    assert settings.has_aerial
    assert float(settings.factor_db_per_m(100e6)) == pytest.approx(40.0 - 29.771, abs=0.01)
    factors = 'antenna_factor_at = [["30 MHz", "8 dB"], ["300 MHz", "18 dB"]]'
    (line,) = told(yard + emission(*lines, factors), tmp_path)
    assert "it would count twice" in line
    load = parsed(HEAD + SWEEP + emission(*lines, factors))
    assert float(emission_settings(load, "hand-held", "p").factor_db_per_m(165e6)) == 13.0


def test_a_changed_limit_is_another_config(
    parsed: Callable[[str], StationConfig], tmp_path: Path
) -> None:
    """Figures against other limits are not comparable, though the name is the same."""
    shipped = shipped_limit_profiles()["europe-transmit"].read_text("utf-8")
    own = tmp_path / "own.toml"
    text = HEAD + SWEEP + POWER + emission('limits = "own.toml"')
    own.write_text(shipped)
    before = parsed(text).job_digest("hand-held")
    assert parsed(text).job_digest("hand-held") == before
    own.write_text(shipped.replace('"-36 dBm"', '"-30 dBm"'))
    assert parsed(text).job_digest("hand-held") != before


@pytest.mark.parametrize("name", sorted(shipped_limit_profiles()))
def test_profiles_come_back_from_plain_data(name: str, tmp_path: Path) -> None:
    profile = load_limit_profile(name, tmp_path)
    data = json.loads(json.dumps(plain_profile(profile), allow_nan=False))
    assert profile_from_plain(data) == profile


def test_a_recorded_job_makes_the_same_settings(
    parsed: Callable[[str], StationConfig],
) -> None:
    """From what an archive holds, without the file and without the profiles."""
    config = parsed(
        HEAD + SWEEP + POWER + emission(
            'expected = "156.8 MHz"', 'designator = "16K0F3E"', 'search = "30 MHz..150 MHz"',
            'search_rbw = "100 kHz"', 'limits = "us-97-307-vhf"', "installed = 2003-01-01",
            'antenna_factor_at = [["30 MHz", "8 dB"], ["300 MHz", "18 dB"]]',
        )
    )  # fmt: skip
    source = json.loads(json.dumps(config.job_source("hand-held")))
    again = recorded_config("hand-held", source)
    assert keys_read_otherwise("hand-held", source, again) == ()
    assert emission_settings(again, "hand-held", "p") == emission_settings(config, "hand-held", "p")
