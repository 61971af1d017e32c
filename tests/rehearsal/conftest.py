"""Configs and a scene to rehearse."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from acqd.cli import main
from acqd.config.load import load_config
from acqd.drivers.registry import load_drivers
from acqd.rehearsal.run import Rehearsed, rehearse

NIGHT_S = 1_795_899_600.0
"""2026-11-28T21:00Z."""

SCENE = """\
seed = 7

[scene.harbour]

[[scene.harbour.voice]]
name = "channel 16"
frequency = "156.8 MHz"
power = "-70 dBm"
spread = "6 dB"
on = "20 s"
off = "60 s"

[instrument.mast]
scene = "harbour"
serial_number = "GL0017"
sweep_factor = 1.0

[instrument.plug]
scene = "harbour"
serial_number = "GL0018"
away = [{ from = "21:02", until = "21:05" }]

[instrument.narrow]
scene = "harbour"
serial_number = "GL0019"
stop = "100 MHz"
"""

STATION = """\
[station]
name = "lookout"
title = "Gannet Ledge Lookout"
archive = "archive"
time_zone = "UTC"

[mqtt]
broker = "none"

"""

SWEEPER = """\
[sweeper.{name}]
driver = "{driver}"
address = "{address}"
{more}

"""

JOB = """\
[job.{name}]
kind = "band"
sweeper = "{sweeper}"
start = "156 MHz"
stop = "157 MHz"
points = 101
rbw = "10 kHz"
detector = "sample"
when = {{ {when} }}
{more}
band = {{ margin = "10 dB" }}

"""


class Rehearsals:
    """Writes configs and rehearses them, each into an archive of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.scene = folder / "scene.toml"
        self.scene.write_text(SCENE)
        self._count = 0

    def sweeper(
        self,
        name: str = "mast",
        *,
        driver: str = "sim",
        address: str | None = None,
        more: str = 'options = { scene = "./scene.toml" }',
    ) -> str:
        where = address or f"sim:{name}"
        return SWEEPER.format(name=name, driver=driver, address=where, more=more)

    def job(
        self, name: str, when: str = 'every = "2 s"', *, sweeper: str = "mast", more: str = ""
    ) -> str:
        return JOB.format(name=name, sweeper=sweeper, when=when, more=more)

    def config(self, *parts: str) -> Path:
        path = self.folder / "station.toml"
        path.write_text(STATION + "".join(parts))
        return path

    def __call__(self, *parts: str, length_s: float = 600.0, **options: Any) -> Rehearsed:
        """Rehearse the config of these tables, from 21:00 on."""
        self._count += 1
        options = {"from_s": NIGHT_S, "archive": self.folder / f"night-{self._count}", **options}
        config = load_config(self.config(*parts))
        return rehearse(config, load_drivers(), length_s=length_s, **options)


@pytest.fixture
def night(tmp_path: Path) -> Rehearsals:
    """Rehearses in a folder of the test's own."""
    return Rehearsals(tmp_path)


@pytest.fixture(scope="module")
def one_night(tmp_path_factory: pytest.TempPathFactory) -> Rehearsals:
    """Rehearses in a folder that several tests look at."""
    return Rehearsals(tmp_path_factory.mktemp("night"))


@pytest.fixture(scope="session")
def make_rehearsals() -> Callable[[Path], Rehearsals]:
    """Makes one that rehearses in a folder."""
    return Rehearsals


@pytest.fixture
def acqd_reference() -> Callable[[Path, str, str], None]:
    """Takes a reference of a job into the archive of its config, as a person does."""

    def take(config: Path, job: str, role: str) -> None:
        with suppress(SystemExit):
            main(["reference", job, role, "--yes", "--sweeps", "2", "--config", str(config)])

    return take
