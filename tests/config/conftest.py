"""A small config that is right, and ways to make it wrong."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from acqd.config.load import StationConfig, parse_config
from acqd.errors import ConfigError, ConfigProblem

SMALL = """\
[station]
name = "gannet-ledge"
archive = "archive"
time_zone = "Europe/London"
latitude = "50.05 deg"
longitude = "-5.70 deg"

[sweeper.mast]
driver = "sim"
address = "sim:mast"

[chain.aerial]
[[chain.aerial.part]]
kind = "cable"
loss = "1 dB"

[job.watch]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "162.1 MHz"
step = "5 kHz"
rbw = "10 kHz"
when = { every = "2 s" }
chain = "aerial"
"""


@pytest.fixture
def small() -> str:
    """The text of a small config without any problem or note."""
    return SMALL


@pytest.fixture
def read(tmp_path: Path) -> Callable[[str], StationConfig]:
    """Reads a text as the config ``station.toml`` of a folder of its own."""
    return lambda text: parse_config(text, tmp_path / "station.toml")


@pytest.fixture
def problems(read: Callable[[str], StationConfig]) -> Callable[[str], tuple[ConfigProblem, ...]]:
    """Reads a text that is wrong and gives what is said about it."""

    def problems_of(text: str) -> tuple[ConfigProblem, ...]:
        with pytest.raises(ConfigError) as caught:
            read(text)
        return caught.value.problems

    return problems_of


@pytest.fixture
def edited() -> Callable[..., str]:
    """Makes changes to a text, each of which must be there to make."""

    def changed(text: str, *changes: tuple[str, str]) -> str:
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new)
        return text

    return changed
