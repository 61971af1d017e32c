"""The stations that are run: so many sweepers on a marine band, a job each."""

from __future__ import annotations

from pathlib import Path

import acqd_sim

__all__ = ["NAME", "job_names", "write_scene", "write_station"]

NAME = "gannet-ledge"

INSTRUMENT = """
[instrument.mast-{number}]
maker = "GANNET"
model = "LOOKOUT 1"
serial_number = "GL1{number:03}"
firmware = "1.04"
scene = "marine"
path = ["preamplifier", "lead-in"]
start = "100 kHz"
stop = "960 MHz"
points_max = 1001
rbw_min = "1 kHz"
rbw_max = "1 MHz"
danl = "-148 dBm"
accuracy = "1.5 dB"
sweep_factor = {factor}
"""

STATION = """\
[station]
name = "{name}"
title = "Gannet Ledge Lookout"
archive = "{folder}/archive"
time_zone = "UTC"
keep_free = "500 MB"
keep_awake = false
{more}

[mqtt]
{mqtt}
"""

SWEEPER = """
[sweeper.mast-{number}]
driver = "{driver}"
address = "{address}"
options = {{ {options} }}
level_accuracy = "1.5 dB"
absolute_max = "10 dBm"

[job.marine-{number}]
kind = "band"
sweeper = "mast-{number}"
start = "156 MHz"
stop = "162.1 MHz"
points = {points}
rbw = "{rbw}"
detector = "positive"
when = {{ every = "{every_s:g} s" }}
band = {{ channels = "marine-vhf", false_alarm = 1e-6, min_duration = "{least_s:g} s" }}
"""


def job_names(sweepers: int) -> list[str]:
    """Of a station of so many sweepers."""
    return [f"marine-{number}" for number in range(1, sweepers + 1)]


def write_scene(folder: Path, *, sweepers: int, factor: float = 1.0) -> Path:
    """The simulator's own scene, with ``sweepers`` more instruments on its mast, ``mast-1`` on;
    ``factor`` is how slowly they sweep."""
    text = (Path(acqd_sim.__file__).parent / "gannet.toml").read_text("utf-8")
    text += "".join(
        INSTRUMENT.format(number=number, factor=factor) for number in range(1, sweepers + 1)
    )
    path = folder / "scene.toml"
    path.write_text(text, "utf-8")
    return path


def write_station(
    folder: Path,
    addresses: list[str],
    *,
    points: int,
    every_s: float,
    mqtt: str,
    rbw: str = "10 kHz",
    options: str = "",
    more: str = "",
) -> Path:
    """A station with a sweeper and a band job at each of ``addresses``; its config.

    Args:
        mqtt: lines of the table ``[mqtt]``.
        options: of each sweeper.
        more: lines of the table ``[station]``.
    """
    text = STATION.format(name=NAME, folder=folder, mqtt=mqtt, more=more)
    for number, address in enumerate(addresses, 1):
        text += SWEEPER.format(
            number=number,
            driver="sim" if address.startswith("sim:") else "scpi",
            address=address,
            options=options,
            points=points,
            every_s=every_s,
            rbw=rbw,
            least_s=max(2.0, 3.0 * every_s),
        )
    path = folder / "station.toml"
    path.write_text(text, "utf-8")
    return path
