"""``[job.NAME.transmission]``: what it takes, what it refuses, and what the meter is told."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from acqd.config.load import load_config
from acqd.config.transmission import TransmissionTable
from acqd.errors import ConfigProblem
from acqd.measure.losscurve import Role
from acqd.measure.transmission_settings import TransmissionSettings

EXAMPLE = Path(__file__).parents[2] / "configs" / "filter.toml"

JOB = """
[job.filter]
kind = "transmission"
sweeper = "mast"
start = "140 MHz"
stop = "150 MHz"
points = 101
when = { every = "1 min" }
source = { level = "-20 dBm" }

[job.filter.transmission]
"""


def settings(**table: Any) -> TransmissionSettings:
    return TransmissionTable.model_validate(table).settings("filter")


def test_nothing_stated_gives_the_defaults() -> None:
    """The same as the meter's own."""
    assert settings() == TransmissionSettings(job="filter")
    assert not settings().has_limits


def test_texts_stand_for_tables() -> None:
    """A pad, a passband and stopbands without limits are written short."""
    short = settings(
        pad="20 dB", passband="144 MHz..146 MHz", stopband=["100 MHz..110 MHz", "170 MHz..180 MHz"]
    )
    long = settings(
        pad={"value": "20 dB"},
        passband={"range": "144 MHz..146 MHz"},
        stopband=[{"range": "100 MHz..110 MHz"}, {"range": "170 MHz..180 MHz"}],
    )
    assert short == long
    assert short.pad is not None and short.pad.value_db == 20.0
    assert [one.name for one in short.stopbands] == ["stopband 1", "stopband 2"]
    assert settings(stopband="1 MHz..2 MHz").stopbands[0].stop_hz == 2e6
    assert not short.has_limits


@pytest.mark.parametrize(
    "table",
    [
        {"pad": {"value": "3 dB", "within": "0.1 dB"}},
        {"pad": {"value": "3 dB", "flatness_at_most": "0.1 dB"}},
        {"passband": {"range": "1 MHz..2 MHz", "loss_at_most": "1 dB"}},
        {"passband": {"range": "1 MHz..2 MHz", "ripple_at_most": "1 dB"}},
        {"stopband": {"range": "1 MHz..2 MHz", "at_least": "40 dB"}},
        {"frequency": {"name": "a", "at": "1 MHz", "at_most": "1 dB"}},
        {"frequency": {"name": "a", "at": "1 MHz", "role": "stop", "at_least": "40 dB"}},
    ],
    ids=lambda table: " ".join(str(part) for one in table.values() for part in one),
)
def test_each_limit_makes_verdicts(table: dict[str, Any]) -> None:
    assert settings(**table).has_limits


WRONG: dict[str, tuple[str, str, str]] = {
    "role": ('frequency = { name = "a", at = "1 MHz", role = "block" }', "role", "neither of"),
    "name": ('frequency = { name = "Ch 16", at = "1 MHz" }', "name", "not fit for a topic"),
    "long name": (f'frequency = {{ name = "{"a" * 25}", at = "1 MHz" }}', "name", "not fit"),
    "most of a stop": (
        'frequency = { name = "a", at = "1 MHz", role = "stop", at_most = "1 dB" }',
        "at_most",
        "a most loss where the thing should stop",
    ),
    "least of a pass": (
        'frequency = { name = "a", at = "1 MHz", at_least = "1 dB" }',
        "at_least",
        "a least rejection where the thing should pass",
    ),
    "two of one name": (
        'frequency = [{ name = "a", at = "1 MHz" }, { name = "a", at = "2 MHz" }]',
        "frequency",
        "two entries of one name, `a`",
    ),
    "falling levels": ('edge_levels = ["6 dB", "3 dB"]', "edge_levels", "do not rise"),
    "no level": ("edge_levels = []", "edge_levels", "at least 1"),
    "range": ('passband = "146 MHz..144 MHz"', "passband", "not above the start"),
    "VSWR below 1": ("device_vswr = 0.9", "device_vswr", "1"),
    "bare number": ("pad = { value = 20 }", "value", "a number without a unit"),
}


@pytest.mark.parametrize(("line", "key", "says"), WRONG.values(), ids=WRONG)
def test_what_is_refused(
    problems: Callable[[str], tuple[ConfigProblem, ...]],
    small: str,
    line: str,
    key: str,
    says: str,
) -> None:
    """One problem, at its key, that says what is wrong."""
    (problem,) = problems(small + JOB + line + "\n")
    assert says in str(problem)
    assert key in str(problem)


def test_what_lies_beyond_the_sweep_is_said() -> None:
    table = TransmissionTable.model_validate(
        {
            "passband": "144 MHz..152 MHz",
            "stopband": "100 MHz..110 MHz",
            "frequency": {"name": "far", "at": "200 MHz", "role": "stop"},
        }
    )
    assert len(list(table.outside(140e6, 150e6))) == 3
    assert list(table.outside(90e6, 250e6)) == []


def test_the_example_is_right() -> None:
    """Three jobs: a stop filter, a band-pass and a pad."""
    config = load_config(EXAMPLE)
    assert list(config.enabled_jobs) == ["broadcast-stop", "band-pass", "pad-20"]
    for job in config.enabled_jobs.values():
        assert list(job.transmission.outside(*job.range_hz)) == []
        assert job.transmission.settings("x").has_limits
    named = config.jobs["broadcast-stop"].transmission.settings("x").named
    assert [one.role for one in named] == [Role.PASS, Role.STOP]
