"""The stations that are run: so many sweepers at one mast, a job each."""

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

[job.{job}]
sweeper = "mast-{number}"
points = {points}
when = {{ every = "{every_s:g} s" }}
"""

BAND = """\
kind = "band"
start = "156 MHz"
stop = "162.1 MHz"
rbw = "{rbw}"
detector = "positive"
band = {{ channels = "marine-vhf", false_alarm = 1e-6, min_duration = "{least_s:g} s" }}
"""

CARRIER = """\
kind = "carrier"
centre = "158.4 MHz"
span = "50 kHz"
rbw = "1 kHz"
detector = "sample"
carrier = { expected = "158.4 MHz" }
"""


def job_names(sweepers: int, carriers: int = 0) -> list[str]:
    """Of a station of so many sweepers, the last ``carriers`` of which follow one."""
    bands = sweepers - carriers
    return [
        f"marine-{number}" if number <= bands else f"oscillator-{number}"
        for number in range(1, sweepers + 1)
    ]


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
    carriers: int = 0,
) -> Path:
    """A station with a sweeper and a job at each of ``addresses``; its config.

    Args:
        carriers: how many of the jobs, the last ones, follow a carrier; the others watch a band.
        mqtt: lines of the table ``[mqtt]``.
        options: of each sweeper.
        more: lines of the table ``[station]``.
    """
    text = STATION.format(name=NAME, folder=folder, mqtt=mqtt, more=more)
    jobs = job_names(len(addresses), carriers)
    band = BAND.format(rbw=rbw, least_s=max(2.0, 3.0 * every_s))
    for number, (job, address) in enumerate(zip(jobs, addresses, strict=True), 1):
        text += SWEEPER.format(
            number=number,
            job=job,
            driver="sim" if address.startswith("sim:") else "scpi",
            address=address,
            options=options,
            points=points,
            every_s=every_s,
        )
        text += band if job.startswith("marine") else CARRIER
    path = folder / "station.toml"
    path.write_text(text, "utf-8")
    return path
