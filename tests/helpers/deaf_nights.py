"""Nights on the virtual clock in which something goes wrong that no answer gives away: whether it
was noticed, how late, and what was told for nothing.

    found = rehearsed_night(folder, seed=3, troubles=[Planned("cable off", "01:12", "02:00")])
    found.noticed[0].late_s

Whoever wants a month of them calls it thirty times with other seeds and hours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from acqd.archive.reader import open_archive
from acqd.archive.records import FindingRecord
from acqd.config.load import load_config
from acqd.drivers.registry import load_drivers
from acqd.rehearsal.run import rehearse

MIDNIGHT = datetime(2026, 11, 28, tzinfo=UTC)

SCENE = """\
seed = {seed}

[scene.roof]
noise = {{ c = "76.8 dB", d = "27.7 dB", course = "3 dB", peak = "17:00", flutter = "0.3 dB" }}

[[scene.roof.voice]]
name = "channel 16"
frequency = "156.8 MHz"
power = "-82 dBm"
spread = "6 dB"
on = "5 s"
off = "40 s"
least_on = "1.5 s"

[[scene.roof.voice]]
name = "channel 12"
frequency = "156.6 MHz"
power = "-84 dBm"
spread = "6 dB"
on = "6 s"
off = "120 s"

[[scene.roof.data]]
name = "data"
frequency = "156.975 MHz"
power = "-80 dBm"
bandwidth = "9.6 kHz"
slot = "26.667 ms"
duty = "9 %"

[device.preamplifier]
kind = "amplifier"
gain = "18 dB"
noise_figure = "2 dB"

[device.lead-in]
kind = "cable"
loss = "2.4 dB"
at = "160 MHz"

[instrument.mast]
scene = "roof"
path = ["preamplifier", "lead-in"]
serial_number = "GL0017"
trouble = [{troubles}]
"""

CHANNELS = """\
title = "Some of the marine channels"
edition = "made for this"
source = "made for this"
""" + "".join(
    f'\n[[channel]]\nname = "{name}"\ncentre = "{mhz} MHz"\nwidth = "25 kHz"\n'
    for name, mhz in {"06": 156.3, "08": 156.4, "12": 156.6, "16": 156.8, "data": 156.975}.items()
)

STATION = """\
[station]
name = "lookout"
title = "Gannet Ledge Lookout"
archive = "archive"
time_zone = "UTC"

[mqtt]
broker = "none"

[sweeper.mast]
driver = "sim"
address = "sim:mast"
options = {{ scene = "./scene.toml" }}

[chain.roof]
title = "the aerial socket"

[[chain.roof.part]]
kind = "amplifier"
name = "preamplifier"
gain = "18 dB"

[[chain.roof.part]]
kind = "cable"
name = "lead-in"
loss = "2.4 dB"

[job.marine-vhf]
kind = "band"
sweeper = "mast"
chain = "roof"
start = "156 MHz"
stop = "157 MHz"
points = 201
rbw = "10 kHz"
when = {{ every = "{every}" }}
{more}

[job.marine-vhf.band]
channels = "channels.toml"
"""

WITNESS = """
[[job.marine-vhf.witness]]
channel = "data"
within = "10 min"
"""


def instant_s(hour: str, day: int = 0) -> float:
    """The instant of an hour of the night that begins at the first midnight, or days later."""
    hours, minutes = (int(part) for part in hour.split(":"))
    return (MIDNIGHT + timedelta(days=day, hours=hours, minutes=minutes)).timestamp()


@dataclass(frozen=True, slots=True)
class Planned:
    """One trouble, from one hour to another of every night; ``more`` as a scene has it."""

    what: str
    since: str
    until: str
    more: str = ""

    @property
    def text(self) -> str:
        return (
            f'{{ what = "{self.what}", from = "{self.since}", until = "{self.until}"{self.more} }}'
        )

    def has(self, at_s: float) -> bool:
        """Whether it was there at an instant, or up to 15 min before: so late may be told of it."""
        day_s = (at_s - MIDNIGHT.timestamp()) % 86_400.0
        first_s, last_s = (instant_s(h) - MIDNIGHT.timestamp() for h in (self.since, self.until))
        return first_s <= day_s <= last_s + 900.0


@dataclass(frozen=True, slots=True)
class Noticed:
    """A deafness that was told: which trouble it was, how late and how far back."""

    planned: Planned
    finding: FindingRecord
    late_s: float
    """From when it began to when it was noticed."""
    before_s: float
    """How long before it began the job is said to have heard last."""


@dataclass(slots=True)
class Outcome:
    """What came of it."""

    noticed: list[Noticed] = field(default_factory=list)
    missed: list[Planned] = field(default_factory=list)
    for_nothing: list[FindingRecord] = field(default_factory=list)
    findings: list[FindingRecord] = field(default_factory=list)


def rehearsed_night(
    folder: Path,
    *,
    seed: int = 7,
    troubles: Sequence[Planned] = (),
    more: str = WITNESS,
    every: str = "5 s",
    since: str = "00:00",
    hours: float = 4.0,
) -> Outcome:
    """Rehearse a night and say what was told of its troubles. The archive is in ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "scene.toml").write_text(
        SCENE.format(seed=seed, troubles=", ".join(one.text for one in troubles))
    )
    (folder / "channels.toml").write_text(CHANNELS)
    (folder / "station.toml").write_text(STATION.format(every=every, more=more))
    rehearse(
        load_config(folder / "station.toml"),
        load_drivers(),
        from_s=instant_s(since),
        length_s=3600.0 * hours,
        archive=folder / "night",
    )
    return outcome_of(folder / "night", troubles)


def outcome_of(archive: Path, troubles: Sequence[Planned], job: str = "marine-vhf") -> Outcome:
    """What the findings of an archive say of its troubles."""
    found = Outcome(findings=open_archive(archive).findings(job))
    for one in found.findings:
        if one.what != "deaf":
            continue
        noticed_s = float(one.figures["noticed_s"])
        planned = next((each for each in troubles if each.has(noticed_s)), None)
        if planned is None:
            found.for_nothing.append(one)
            continue
        day = int((noticed_s - MIDNIGHT.timestamp()) // 86_400.0)
        began_s = instant_s(planned.since, day)
        found.noticed.append(
            Noticed(planned, one, noticed_s - began_s, began_s - float(one.figures["from_s"]))
        )
    told = {one.planned for one in found.noticed}
    found.missed = [one for one in troubles if one not in told]
    return found
