"""A job's config from what was recorded of it: the same job, without the file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from acqd.config.load import load_config, parse_config
from acqd.config.recorded import keys_read_otherwise, recorded_config
from acqd.config.whole import StationConfig
from acqd.errors import ArchiveDamaged

ROOT = Path(__file__).parents[2]
EXAMPLES = sorted((ROOT / "configs").glob("*.toml"))

HEAD = """\
[station]
name = "lookout"
archive = "archive"

[mqtt]
broker = "none"

[sweeper.shack]
driver = "sim"
address = "sim:shack"
options = { scene = "./scene.toml" }
absolute_max = "10 dBm"
level_accuracy = "1.37 dB"
frequency_accuracy = "2.5 ppm"
detector = "positive"
averages = 16

[chain.aerial]
title = "the whip on the roof"

[[chain.aerial.part]]
kind = "aerial"
gain = "2.15 dB"

[[chain.aerial.part]]
kind = "cable"
name = "lead-in"
loss_at = [["100 MHz", "0.7 dB"], ["200 MHz", "1.1 dB"]]
uncertainty = "0.3 dB"

[[chain.aerial.part]]
kind = "pad"
loss = "20 dB"
rated = "5 W"
max_temperature = "110 °C"

[job.one]
sweeper = "shack"
"""

JOBS = {
    "a small margin": """\
kind = "band"
chain = "aerial"
centre = "156.7 MHz"
span = "333 kHz"
step = "9 kHz"
rbw = "10 kHz"
when = { every = "2 s", window = "21:00..06:00", burst = 3 }
band = { margin = "2 dB", channels = "marine-vhf", floor = "learnt", learn = "90 s" }
""",
    "a wanted false-alarm probability": """\
kind = "band"
start = "144 MHz"
stop = "146 MHz"
points = 401
vbw = "1 kHz"
attenuation = "10 dB"
reference_level = "-20 dBm"
averages = 4
sweep_time = "0.3 s"
detector = "sample"
when = { back_to_back = true }
band = { false_alarm = 1e-5 }
""",
    "a plan with segments": """\
kind = "band"
start = "144 MHz"
stop = "146 MHz"
points = 401
when = { cron = "*/15 21-23 * * mon-fri" }
band = { channels = "amateur-2m-r1" }
""",
    "a source and a soak": """\
kind = "transmission"
start = "1 MHz"
stop = "30 MHz"
points = 201
when = { every = "1 min" }
source = { level = "-20 dBm", gain = "3 dB", radiates = true, licensed = ["1 MHz..30 MHz"] }
soak = { length = "3 h", label = "filter 2" }
""",
    "a filter with all that a job can say": """\
kind = "transmission"
chain = "aerial"
start = "140 MHz"
stop = "150 MHz"
points = 201
when = { every = "1 min" }
source = { level = "-20 dBm" }

[job.one.transmission]
passband = "144 MHz..146 MHz"
edge_levels = ["3 dB", "30 dB"]
floor = "-99 dBm"
scale_accuracy = "0.4 dB"
""",
    "an aerial": """\
kind = "reflection"
start = "140 MHz"
stop = "150 MHz"
points = 201
when = { every = "1 min" }
source = { level = "-20 dBm" }

[job.one.reflection]
directivity = "30 dB"
swr = [1.5, 2.0]
named = { calling = "145.5 MHz" }
max_swr = 2.0
""",
    "one frequency": """\
kind = "band"
centre = "156.8 MHz"
span = "0 Hz"
points = 301
sweep_time = "20 ms"
rbw = "30 kHz"
when = { every = "1 s" }
""",
    "a transmitter and limits": """\
kind = "emission"
chain = "aerial"
start = "156 MHz"
stop = "158 MHz"
points = 201
when = { every = "1 min" }
transmitter = { power = "5 W" }
emission = { limits = ["us-97-307-vhf", "sm-329-a-general"] }
""",
}


def config_of(job: str, folder: Path) -> StationConfig:
    return parse_config(HEAD + job, folder / "station.toml")


def recorded(config: StationConfig, job: str) -> tuple[dict[str, Any], StationConfig]:
    """The source as an archive gives it back, and the config that is made from it."""
    source = json.loads(config.job_digest_source(job))
    return source, recorded_config(job, source)


def assert_same(config: StationConfig, job: str) -> None:
    source, again = recorded(config, job)
    assert keys_read_otherwise(job, source, again) == ()
    assert again.job_digest(job) == config.job_digest(job)
    mine, theirs = again.jobs[job], config.jobs[job]
    assert mine.request() == theirs.request()
    for kind in ("band", "emission", "transmission", "reflection", "carrier"):
        assert getattr(mine, kind).model_dump(exclude={"false_alarm"}) == getattr(
            theirs, kind
        ).model_dump(exclude={"false_alarm"})
    assert mine.band.opening_probability == theirs.band.opening_probability
    assert (mine.soak, mine.source, mine.transmitter) == (
        theirs.soak,
        theirs.source,
        theirs.transmitter,
    )
    assert again.chain(job) == config.chain(job)
    assert again.channel_plans.get(job) == config.channel_plans.get(job)
    assert again.limit_profiles.get(job) == config.limit_profiles.get(job)
    sweeper = config.sweepers[theirs.sweeper]
    assert again.sweepers[mine.sweeper].level_accuracy_db == sweeper.level_accuracy_db
    assert again.sweepers[mine.sweeper].averages == sweeper.averages


@pytest.mark.parametrize("job", JOBS.values(), ids=JOBS)
def test_a_job_comes_back_as_it_was(tmp_path: Path, job: str) -> None:
    """Kind, sweep, chain to the last bit, plan, source; and so its digest."""
    assert_same(config_of(job, tmp_path), "one")


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_jobs_of_every_example_come_back(path: Path) -> None:
    config = load_config(path)
    assert config.jobs
    for job in config.jobs:
        assert_same(config, job)


def test_a_noise_bandwidth_is_recorded_where_it_is_said(tmp_path: Path) -> None:
    """And comes back; where it is not, the source is what it was before there was such a key."""
    plain = config_of(JOBS["one frequency"], tmp_path)
    assert "noise_bandwidth" not in plain.job_source("one")["sweeper_says"]
    text = (HEAD + JOBS["one frequency"]).replace(
        "averages = 16", "averages = 16\nnoise_bandwidth = 1"
    )
    said = parse_config(text, tmp_path / "station.toml")
    assert_same(said, "one")
    assert said.job_digest("one") != plain.job_digest("one")
    _, again = recorded(said, "one")
    assert again.sweepers["shack"].noise_bandwidth_ratio == 1.0


def test_what_an_older_acqd_did_not_record_takes_its_default(tmp_path: Path) -> None:
    """And is named."""
    source, _ = recorded(config_of(JOBS["a small margin"], tmp_path), "one")
    del source["band"]["flapping"], source["soak"]
    again = recorded_config("one", source)
    assert again.jobs["one"].band.flapping_s == 60.0
    assert keys_read_otherwise("one", source, again) == ("band.flapping", "soak")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"wavelength": "2 m"}, "wavelength"),
        ({"rbw": "10 furlongs"}, "rbw"),
        ({"kind": "moonbounce"}, "kind"),
        ({"chain_parts": [{"kind": "spring"}]}, "cannot be read"),
        ({"channel_plan": {"name": "x"}}, "cannot be read"),
    ],
    ids=["key", "unit", "kind", "part", "plan"],
)
def test_what_this_acqd_does_not_know_is_one_line(
    tmp_path: Path, change: dict[str, Any], said: str
) -> None:
    """Recorded by a later one; it says what can be done."""
    source, _ = recorded(config_of(JOBS["a small margin"], tmp_path), "one")
    with pytest.raises(ArchiveDamaged, match=said) as caught:
        recorded_config("one", {**source, **change})
    assert "--config" in str(caught.value) and "\n" not in str(caught.value)
