"""What the tests of references share."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from acqd.config.load import parse_config
from acqd.drivers.registry import load_drivers
from acqd.station.build import build
from acqd.station.job import JobSpec
from acqd.sweep import (
    NO_FLAGS,
    Identity,
    LevelUnit,
    Reported,
    SourceRequest,
    Sweep,
    SweepFlag,
    SweepRequest,
)

START_S = 1_800_000_000.0 - 1_800_000_000.0 % 86400 + 3600.0

SCENE = """\
seed = 7

[scene.bench]

[device.low-pass]
kind = "low-pass"
edge = "200 MHz"
order = 5

[device.air]
kind = "pad"
loss = "90 dB"

[device.none]
kind = "open"

[device.shorted]
kind = "short"

[device.fifty]
kind = "load"
return_loss = "38 dB"

[device.bridge-open]
kind = "bridge"
load = "none"
directivity = "36 dB"

[device.bridge-short]
kind = "bridge"
load = "shorted"
directivity = "36 dB"

[device.bridge-load]
kind = "bridge"
load = "fifty"
directivity = "36 dB"

[device.through]
kind = "cable"
loss = "0.2 dB"
at = "100 MHz"

[instrument.shack]
scene = "bench"
source_path = ["through"]
serial_number = "GL0103"
start = "100 kHz"
stop = "960 MHz"
source_min = "-40 dBm"
source_max = "0 dBm"
residuals = 0
"""

CONFIG = """\
[station]
name = "lookout"
archive = "archive"
keep_free = "1 MB"

[mqtt]
broker = "none"

[sweeper.shack]
driver = "sim"
address = "sim:shack"

[chain.lead]

[[chain.lead.part]]
kind = "cable"
loss_at = [["50 MHz", "0.7 dB"], ["500 MHz", "1.9 dB"]]

[job.low-pass]
kind = "band"
sweeper = "shack"
chain = "lead"
start = "50 MHz"
stop = "450 MHz"
points = 201
rbw = "100 kHz"
detector = "rms"
when = { every = "2 s" }
band = { margin = "8 dB" }
"""


def spec_of(folder: Path, *, kind: str = "transmission", config: str = CONFIG) -> JobSpec:
    """A job that measures with the source; what its meter makes of it is not looked at here."""
    built = build(parse_config(config, folder / "station.toml"), load_drivers(), broker="none")
    spec = built.jobs[0]
    if kind in ("transmission", "reflection"):
        source = SourceRequest(on=True, level_dbm=-20.0)
        spec = replace(spec, request=replace(spec.request, source=source))
    return replace(spec, kind=kind)


def sweep_of(
    request: SweepRequest,
    level: np.ndarray,
    *,
    at_s: float = START_S,
    unit: LevelUnit = LevelUnit.DBM,
    identity: Identity | None = None,
    reported: Reported | None = None,
    flags: SweepFlag = NO_FLAGS,
) -> Sweep:
    return Sweep(
        request=request,
        reported=reported or Reported(rbw_hz=100e3, attenuation_db=10.0),
        frequency_hz=request.frequencies_hz(),
        level=level,
        unit=unit,
        resolution=None,
        started_s=at_s,
        monotonic_s=100.0,
        took_s=0.5,
        boot_id="boot-1",
        clock_synchronised=True,
        identity=identity or Identity(maker="GANNET", model="SHACK 3", serial_number="GL0103"),
        flags=flags,
    )


REQUEST = SweepRequest(
    start_hz=50e6,
    stop_hz=450e6,
    points=5,
    rbw_hz=100e3,
    source=SourceRequest(on=True, level_dbm=-20.0),
)
