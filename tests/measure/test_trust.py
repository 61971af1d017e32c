"""What was not heard, or not well, keeps no limit and passes none."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.config.load import parse_config
from acqd.measure.losscurve import LossCurve, loss_in_range
from acqd.measure.meter import Output, Reference, Role, SetupChanged, SweepSeen
from acqd.station.kinds import kind_parts
from acqd.sweep import NO_FLAGS, Detector, Grid, LevelUnit, SweepFlag

Float = NDArray[np.float64]

AT_S = 1_780_000_000.0

LOOKOUT = """\
[station]
name = "gannet-ledge"
archive = "archive"

[sweeper.bench]
driver = "sim"
address = "sim:bench"

[job.filter]
kind = "transmission"
sweeper = "bench"
start = "156 MHz"
stop = "157 MHz"
points = 81
when = { every = "10 s" }
source = { level = "-20 dBm" }
transmission.stopband = { name = "low", range = "156 MHz..156.1 MHz", at_least = "10 dB" }

[job.pad]
kind = "transmission"
sweeper = "bench"
start = "156 MHz"
stop = "157 MHz"
points = 81
when = { every = "10 s" }
source = { level = "-20 dBm" }
transmission.pad = { value = "20 dB", flatness_at_most = "2 dB" }

[job.whip]
kind = "reflection"
sweeper = "bench"
start = "156 MHz"
stop = "157 MHz"
points = 81
when = { every = "10 s" }
source = { level = "-20 dBm" }
reflection = { directivity = "36 dB", source_match = "28 dB", max_swr = 1.8 }

[job.beacon]
kind = "carrier"
sweeper = "bench"
start = "156 MHz"
stop = "157 MHz"
points = 81
rbw = "25 kHz"
when = { every = "10 s" }
carrier = { expected = "156.5 MHz", window = "200 kHz" }
"""


def filtered(frequency: Float) -> Float:
    """A filter with a leak in its stopband."""
    level = np.where((frequency > 156.25e6) & (frequency < 156.75e6), -20.5, -60.0)
    level[(frequency > 156.03e6) & (frequency < 156.07e6)] = -22.0
    return level


def padded(frequency: Float) -> Float:
    """A pad that is not flat at one place."""
    return np.where((frequency > 156.5e6) & (frequency < 156.6e6), -48.0, -40.0)


def reflected(frequency: Float) -> Float:
    """A load that is poor at one place."""
    return np.where((frequency > 156.5e6) & (frequency < 156.6e6), -22.0, -45.0)


def setup_of(grid: Grid, levels: Mapping[Role, Float] = MappingProxyType({})) -> SetupChanged:
    """With these references."""
    return SetupChanged(
        at_s=AT_S,
        setup="setup-1",
        grid=grid,
        unit=LevelUnit.DBM,
        rbw_hz=25e3,
        detector=Detector.RMS,
        averages=1,
        interval_s=10.0,
        sweep_time_s=1.0,
        level_accuracy_db=1.0,
        sweeper_accuracy_db=1.0,
        source_level_dbm=-20.0,
        attenuation_db=10.0,
        references={
            role.value: Reference(role=role, at_s=AT_S, level=one) for role, one in levels.items()
        },
    )


@pytest.fixture
def one_pass(tmp_path: Path) -> Callable[..., Output]:
    """A sweep of a job with the references that it needs."""

    def take(job: str, level: Float, flags: SweepFlag = NO_FLAGS) -> Output:
        config = parse_config(LOOKOUT, tmp_path / "station.toml")
        meter = kind_parts(config, job, "the plane").meter
        grid = Grid.from_axis(config.jobs[job].request().frequencies_hz())
        quiet = np.random.default_rng(1).normal(-110.0, 2.0, grid.points)
        flat = np.full(grid.points, -20.0)
        levels = {Role.THROUGH: flat, Role.QUIET: quiet, Role.OPEN: flat, Role.SHORT: flat}
        state, _ = meter.step(meter.start(), setup_of(grid, levels))
        sweep = SweepSeen(
            seq=1, step=0, due_s=AT_S, started_s=AT_S, took_s=1.0, level=level, flags=flags
        )
        return meter.step(state, sweep)[1]

    return take


JOBS = [
    pytest.param("filter", filtered, (156.02e6, 156.08e6), id="filter"),
    pytest.param("pad", padded, (156.48e6, 156.62e6), id="pad"),
    pytest.param("whip", reflected, (156.48e6, 156.62e6), id="whip"),
]


@pytest.mark.parametrize(("job", "shown", "hole"), JOBS)
def test_what_hides_in_missing_levels_passes_no_limit(
    job: str,
    shown: Callable[[Float], Float],
    hole: tuple[float, float],
    one_pass: Callable[..., Output],
) -> None:
    """Seen it fails; where the levels are missing that would show it, nobody can tell."""
    frequency = np.linspace(156e6, 157e6, 81)
    level = shown(frequency)
    seen: Any = one_pass(job, level).verdict
    assert seen["verdict"] == "fail"
    hidden = np.where((frequency > hole[0]) & (frequency < hole[1]), math.nan, level)
    told: Any = one_pass(job, hidden).verdict
    assert told["verdict"] in ("cannot tell", "incomplete")
    assert all(one["value"] is None for one in told["judgements"])


@pytest.mark.parametrize(
    ("flag", "why"),
    [
        (SweepFlag.OVERLOAD, "the sweeper reported an overload"),
        (SweepFlag.TRANSMITTING, "a transmitter nearby was keyed"),
        (SweepFlag.SET_ASIDE, "the job's conditions set the sweep aside"),
    ],
    ids=["overload", "transmitting", "set aside"],
)
@pytest.mark.parametrize(("job", "shown", "hole"), JOBS)
def test_no_verdict_rests_on_a_sweep_that_something_was_wrong_with(
    job: str,
    shown: Callable[[Float], Float],
    hole: tuple[float, float],
    flag: SweepFlag,
    why: str,
    one_pass: Callable[..., Output],
) -> None:
    output = one_pass(job, shown(np.linspace(156e6, 157e6, 81)), flag)
    told: Any = output.verdict
    assert told["verdict"] == "incomplete"
    assert why in told["text"]
    assert [one["verdict"] for one in told["judgements"]] == ["incomplete"]
    assert not [one for one in output.findings if "limit" in one.what]


@pytest.mark.parametrize(
    ("flag", "hole", "why"),
    [
        (NO_FLAGS, None, "10 dB are needed"),
        (NO_FLAGS, (156.1e6, 156.2e6), "10 dB are needed"),
        (SweepFlag.OVERLOAD, None, "the sweeper reported an overload"),
        (SweepFlag.TRANSMITTING, None, "a transmitter nearby was keyed"),
        (SweepFlag.SET_ASIDE, None, "the job's conditions set the sweep aside"),
        (SweepFlag.HOP_FAILED, (156.45e6, 156.55e6), "no levels 156.450 to 156.550 MHz"),
    ],
    ids=["gone", "a hole elsewhere", "overload", "transmitting", "set aside", "a hole over it"],
)
def test_a_carrier_that_nobody_could_hear_is_not_lost(
    flag: SweepFlag, hole: tuple[float, float] | None, why: str, tmp_path: Path
) -> None:
    """Lost is what three good sweeps in a row do not show."""
    config = parse_config(LOOKOUT, tmp_path / "station.toml")
    meter = kind_parts(config, "beacon", "the plane").meter
    grid = Grid.from_axis(config.jobs["beacon"].request().frequencies_hz())
    frequency, chance = grid.frequency_hz, np.random.default_rng(2)
    state, _ = meter.step(meter.start(), setup_of(grid))
    found = []
    for number in range(1, 21):
        level = chance.normal(-100.0, 2.0, grid.points)
        is_there = number <= 10
        if is_there:
            level = np.maximum(level, -40.0 - 3.0 * ((frequency - 156.5e6) / 12.5e3) ** 2)
        elif hole is not None:
            level[(frequency >= hole[0]) & (frequency <= hole[1])] = math.nan
        at_s = AT_S + 10.0 * number
        sweep = SweepSeen(
            seq=number,
            step=0,
            due_s=at_s,
            started_s=at_s,
            took_s=1.0,
            level=level,
            flags=NO_FLAGS if is_there else flag,
        )
        state, output = meter.step(state, sweep)
        found += [one.what for one in output.findings]
    is_known = why.startswith("10 dB")
    assert found == (["carrier_lost"] if is_known else [])
    assert output.summary is not None
    assert why in output.summary["not_heard_because"]


def test_a_hole_is_no_part_of_a_range_that_is_covered() -> None:
    frequency = np.linspace(0.0, 100.0, 101)
    loss = np.zeros(101)
    loss[40:49] = math.nan  # nothing between 39 and 49
    curve = LossCurve.of(frequency, loss)
    for start_hz, stop_hz, covered in ((0, 100, 0.9), (0, 39, 1.0), (44, 54, 0.5)):
        found = loss_in_range(curve, start_hz=float(start_hz), stop_hz=float(stop_hz))
        assert found is not None
        assert found.covered == pytest.approx(covered)
