"""``[job.NAME.reflection]``: what is taken, what is refused, and the example that is shipped."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from acqd.config.load import load_config, parse_config
from acqd.config.recorded import keys_read_otherwise, recorded_config
from acqd.errors import ConfigError
from acqd.station.kinds import kind_parts

ROOT = Path(__file__).parents[2]

STATION = """\
[station]
name = "lookout"
archive = "archive"

[sweeper.shack]
driver = "sim"
address = "sim:shack"

[job.whip]
kind = "reflection"
sweeper = "shack"
start = "150 MHz"
stop = "164 MHz"
points = 281
rbw = "10 kHz"
when = {{ every = "1 h" }}
source = {{ level = "-20 dBm"{source} }}

[job.whip.reflection]
{table}
"""


def problems(table: str = "", source: str = "") -> str:
    with pytest.raises(ConfigError) as caught:
        parse_config(STATION.format(table=table, source=source), "station.toml")
    return "\n".join(str(problem) for problem in caught.value.problems)


WRONG: dict[str, tuple[str, str]] = {
    "a directivity without a unit": ("directivity = 36", "level difference"),
    "a bridge that separates nothing": ('directivity = "0 dB"', "0 dB"),
    "an SWR below 1": ("max_swr = 0.9", "not an SWR"),
    "no SWR to ask for": ("swr = []", "swr"),
    "a name with a capital letter": ('named = { Ch16 = "156.8 MHz" }', "part of a topic"),
    "a name too long for its topic": (f'named = {{ {"x" * 29} = "1 MHz" }}', "part of a topic"),
    "a limit at no named frequency": ("max_swr_at = { ch16 = 2 }", "no named frequency"),
    "a guard without a limit": ("guard = 0.5", "no limit"),
    "an uncertain loss of nothing": ('cable_loss_uncertainty = "0.1 dB"', "`cable_loss`"),
    "a loss somewhere of nothing": ('cable_loss_at = "150 MHz"', "`cable_loss`"),
    "a loss that may be a gain": (
        'cable_loss = "0.2 dB"\ncable_loss_uncertainty = "0.5 dB"',
        "more than all of it",
    ),
    "a range the wrong way round": ('range = "158 MHz..156 MHz"', "not a range"),
    "an unknown key": ('directvity = "36 dB"', "directivity"),
}


@pytest.mark.parametrize(("table", "says"), WRONG.values(), ids=WRONG)
def test_what_cannot_be_meant(table: str, says: str) -> None:
    assert says in problems(table)


def test_too_many_named_frequencies() -> None:
    names = ", ".join(f'f{i} = "{150 + i / 10} MHz"' for i in range(33))
    assert "at most 32" in problems(f"named = {{ {names} }}")


def test_a_source_that_radiates_needs_its_licence() -> None:
    """And the sweep lies whole within it."""
    assert "transmits" in problems(source=", radiates = true")
    outside = ', radiates = true, licensed = ["156 MHz..158 MHz"]'
    assert "radiate outside the ranges" in problems(source=outside)
    assert "nothing is radiated" in problems(source=', licensed = ["150 MHz..164 MHz"]')
    inside = ', radiates = true, licensed = ["140 MHz..150 MHz", "150 MHz..164 MHz"]'
    parse_config(STATION.format(table="", source=inside), "station.toml")


def test_without_a_source_there_is_no_reflection() -> None:
    text = re.sub("(?m)^source = .*$", "", STATION.format(table="", source=""))
    with pytest.raises(ConfigError, match="measures with a source"):
        parse_config(text, "station.toml")


def test_levels_of_swr_are_put_in_order() -> None:
    config = parse_config(STATION.format(table="swr = [3, 1.5, 3]", source=""), "station.toml")
    assert config.jobs["whip"].reflection.swr == (1.5, 3.0)


def test_a_job_is_made_again_from_what_was_recorded() -> None:
    """All keys: what the archive keeps of a job makes the same job."""
    table = """\
directivity = "36 dB"
source_match = "28 dB"
load_return_loss = "46 dB"
cable_loss = "0.4 dB"
cable_loss_at = "150 MHz"
cable_loss_uncertainty = "0.1 dB"
scale = "0.5 dB"
repeatability = "0.3 dB"
max_reference_age = "3 d"
installed = "spring"
named = { ch16 = "156.8 MHz", ais1 = "161.975 MHz" }
swr = [1.4, 2]
range = "156 MHz..158 MHz"
max_swr = 1.8
max_swr_at = { ch16 = 1.5 }
guard = 0.82
"""
    config = parse_config(STATION.format(table=table, source=""), "station.toml")
    source = config.job_source("whip")
    again = recorded_config("whip", source)
    assert again.jobs["whip"].reflection == config.jobs["whip"].reflection
    assert keys_read_otherwise("whip", source, again) == ()


def test_what_a_sweep_cannot_answer_is_said_beforehand() -> None:
    table = 'named = { far = "170 MHz", near = "156.8 MHz" }\nrange = "163 MHz..165 MHz"'
    config = parse_config(STATION.format(table=table, source=""), "station.toml")
    said = kind_parts(config, "whip", "the sweeper's input").foresee(None)
    assert said == (
        "far (170.000 MHz) lies outside the sweep: nothing can be said of it",
        "the range 163.000 to 165.000 MHz reaches beyond the sweep: it cannot be judged",
        "nobody states the bridge's directivity and source match: a wide value is assumed; a load "
        "reference measures the directivity",
    )


def test_the_shipped_example_is_right() -> None:
    """Both jobs load, and only the whip on the roof radiates."""
    config = load_config(ROOT / "configs" / "whip.toml")
    assert list(config.enabled_jobs) == ["whip"]
    assert list(config.jobs) == ["whip", "dummy-load"]
    sources = [job.source for job in config.jobs.values()]
    assert [source is not None and source.radiates for source in sources] == [True, False]
    for name in config.jobs:
        assert kind_parts(config, name, "the sweeper's input").foresee(None) == ()


def test_the_example_of_the_page_is_right() -> None:
    page = (ROOT / "docs" / "reflection.md").read_text("utf-8")
    (example,) = re.findall(r"(?ms)^```toml\n(.*?)^```", page)
    head = STATION.split("[job.whip]")[0]
    config = parse_config(head + example, "station.toml")
    assert config.jobs["whip"].reflection.max_swr_at == {"ch16": 1.5}
