"""``[job.NAME.soak]``: what is taken, what is refused, and how it is said."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from acqd.config.load import load_config, parse_config
from acqd.config.recorded import recorded_config
from acqd.config.soak import SoakLimitTable, SoakTable
from acqd.errors import ConfigError
from acqd.measure.meter import Role
from acqd.measure.soak_meter import SoakMeter
from acqd.station.kinds import kind_parts

ROOT = Path(__file__).parents[2]

STATION = """\
[station]
name = "lookout"
archive = "archive"
[mqtt]
broker = "none"
[sweeper.bench]
driver = "sim"
address = "sim:bench"
[context.bench-temperature]
file = "t"
unit = "°C"
[job.beacon]
kind = "carrier"
sweeper = "bench"
start = "156.7 MHz"
stop = "156.9 MHz"
points = 101
rbw = "10 kHz"
when = { every = "2 s" }
"""


def limit(**keys: Any) -> SoakLimitTable:
    return SoakLimitTable.model_validate(keys)


@pytest.mark.parametrize(
    ("figure", "given", "number"),
    [
        ("floor_dbm", "-90 dBm", -90.0),
        ("floor_dbm", -90, -90.0),
        ("loss_db", "1.5 dB", 1.5),
        ("offset_hz", "-2 kHz", -2000.0),
        ("offset_ppm", "-1.5 ppm", -1.5),
        ("occupied_fraction", "12 %", 0.12),
        ("swr", 2.0, 2.0),
    ],
)
def test_limits_are_numbers_or_texts_in_the_figures_unit(
    figure: str, given: object, number: float
) -> None:
    assert limit(figure=figure, at_most=given).high == pytest.approx(number)
    assert limit(figure=figure, at_least=given).low == pytest.approx(number)


def test_a_drift_of_levels_is_in_decibels() -> None:
    assert limit(figure="floor_dbm", drift_at_most="0.5 dB").drift == 0.5
    assert limit(figure="frequency_hz", drift_at_most="20 Hz").drift == 20.0


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"figure": "floor_dbm"}, "nothing is asked"),
        ({"figure": "floor_dbm", "at_most": "3 kHz"}, "unit"),
        ({"figure": "floor_dbm", "at_most": True}, "neither a number nor a text"),
        ({"figure": "floor_dbm", "at_most": float("nan")}, "not a finite number"),
        ({"figure": "floor_dbm", "at_most": -90, "at_least": -80}, "not below"),
        ({"figure": "floor_dbm", "drift_at_most": 0}, "none at all"),
        ({"figure": "floor_dbuv", "at_most": "20 dBm"}, "no texts"),
        ({"figure": "Floor", "at_most": 1}, "pattern"),
        ({"figure": "floor_dbm", "at_most": 1, "of": "best"}, "worst"),
    ],
)
def test_what_makes_no_sense_is_refused(keys: dict[str, Any], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        limit(**keys)


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"length": "0 s"}, "length"),
        ({"length": 8}, "unit"),
        ({"length": "8 h", "findings_of": ["floor_rose"]}, "no meaning without"),
        ({"length": "8 h", "fresh_reference_every": "2 h"}, "which reference"),
        ({"length": "8 h", "closing_reference": "loud"}, "through"),
        ({"length": "8 h", "context": {"t": "warm"}}, "not a number"),
        ({"length": "8 h", "limit": [{"figure": "a_db", "at_most": 1}] * 2}, "two tables"),
        ({"length": "8 h", "limit": [{"figure": f"a{n}_db", "at_most": 1} for n in range(17)]},
         "16"),
    ],
)  # fmt: skip
def test_what_a_soak_cannot_be_is_refused(keys: dict[str, Any], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        SoakTable.model_validate(keys)


def test_another_label_is_another_soak() -> None:
    """The job's digest, by which its meter goes on or begins anew, holds the whole table."""
    digests = {
        parse_config(
            f'{STATION}[job.beacon.soak]\nlength = "{length}"\nlabel = "{label}"\n', "x.toml"
        ).job_digest("beacon")
        for length, label in (("8 h", "one"), ("8 h", "two"), ("9 h", "two"))
    }
    assert len(digests) == 3


def test_the_soak_stands_around_the_meter_of_its_kind() -> None:
    config = parse_config(
        f"""{STATION}
[job.beacon.soak]
length = "8 h"
context = {{ bench-temperature = 2.0 }}
closing_reference = "quiet"
[[job.beacon.soak.limit]]
figure = "offset_hz"
at_most = "300 Hz"
at_least = "-300 Hz"
""",
        "x.toml",
    )
    parts = kind_parts(config, "beacon", "the input")
    assert isinstance(parts.meter, SoakMeter)
    assert parts.meter.version == "soak/1 carrier/2 hearing/1"
    settings = parts.meter.settings
    (one,) = settings.limits
    assert (one.figure, one.unit, one.low, one.high) == ("offset_hz", "Hz", -300.0, 300.0)
    assert settings.contexts[0].unit == "°C"
    assert settings.closing_reference is Role.QUIET
    assert parts.foresee(None)[-1] == "ends by itself 8 h after its first sweep, with a verdict"


def test_a_figure_that_the_kind_has_not_is_refused_with_its_line() -> None:
    text = (
        f'{STATION}[job.beacon.soak]\nlength = "8 h"\n'
        '[[job.beacon.soak.limit]]\nfigure = "ofset_hz"\nat_most = 300\n'
    )
    config = parse_config(text, "x.toml")
    with pytest.raises(ConfigError) as caught:
        kind_parts(config, "beacon", "the input")
    (problem,) = caught.value.problems
    line = text.splitlines().index('figure = "ofset_hz"') + 1
    assert str(problem).startswith(f"x.toml:{line}: job.beacon.soak.limit")
    assert "did you mean `offset_hz`?" in str(problem)


def test_a_reference_that_the_kind_has_not_is_refused() -> None:
    text = f'{STATION}[job.beacon.soak]\nlength = "8 h"\nclosing_reference = "through"\n'
    with pytest.raises(ConfigError, match="a through means nothing to kind carrier"):
        kind_parts(parse_config(text, "x.toml"), "beacon", "the input")


def test_the_example_is_right() -> None:
    config = load_config(ROOT / "configs" / "soak.toml")
    assert config.notes() == ()
    meter = kind_parts(config, "lamp-soak", "the coupling network").meter
    assert isinstance(meter, SoakMeter)
    assert [one.figure for one in meter.settings.limits] == ["strongest_dbm", "floor_dbm"]


def test_the_recorded_config_of_a_soak_makes_the_same_meter() -> None:
    """Its contexts' units included, which stand in its texts."""
    config = load_config(ROOT / "configs" / "soak.toml")
    again = recorded_config("lamp-soak", config.job_source("lamp-soak"))
    plane = "the coupling network"
    before, after = (kind_parts(one, "lamp-soak", plane).meter for one in (config, again))
    assert isinstance(before, SoakMeter)
    assert isinstance(after, SoakMeter)
    assert before.settings == after.settings
    assert before.settings.contexts[0].unit == "°C"
