"""What a setup tells the meter of how its sweeps are taken."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from acqd.config.load import parse_config
from acqd.drivers.registry import load_drivers
from acqd.station.build import build
from acqd.station.feed import SetupView
from acqd.station.setup import SetupFacts, SetupMaker
from acqd.sweep import Capabilities, Identity, LevelUnit, Reported, Sweep, SweepRequest

ASK = SweepRequest(start_hz=156e6, stop_hz=157e6, points=5, rbw_hz=10e3)
CAN = Capabilities(start_hz=0.0, stop_hz=1e9)


def _facts(**fields: Any) -> SetupFacts:
    given: dict[str, Any] = {
        "job": "watch",
        "kind": "band",
        "sweeper": "mast",
        "plane": "the sweeper's input",
        "config": {},
        "config_digest": "",
        "interval_s": 2.0,
        "chain": None,
        "level_accuracy_db": None,
        "frequency_accuracy_ppm": None,
        "detector": None,
        "averages": None,
        "software": {},
    }
    return SetupFacts(**(given | fields))


def _sweep(**fields: Any) -> Sweep:
    given: dict[str, Any] = {
        "request": ASK,
        "reported": Reported(),
        "frequency_hz": ASK.frequencies_hz(),
        "level": np.full(5, -90.0, dtype=np.float32),
        "unit": LevelUnit.DBM,
        "resolution": None,
        "started_s": 1_780_000_000.0,
        "monotonic_s": 10.0,
        "took_s": 1.0,
        "boot_id": "boot-1",
        "clock_synchronised": True,
        "identity": Identity(maker="GANNET"),
    }
    return Sweep(**(given | fields))


@pytest.mark.parametrize(
    ("reported_s", "took_s", "told_s"),
    [(0.1, 1.0, 1.0), (1.0, 0.1, 1.0), (None, 0.5, 0.5)],
    ids=["a cycle longer than reported", "a clock that saw less", "nothing reported"],
)
def test_the_sweep_time_is_the_longer_of_what_is_reported_and_what_it_took(
    reported_s: float | None, took_s: float, told_s: float
) -> None:
    """What could be missed hangs on it, so it is never put too short."""
    sweep = _sweep(reported=Reported(sweep_time_s=reported_s), took_s=took_s)
    record = SetupMaker(_facts()).setup_of(sweep, CAN, step=0)
    assert record.details["measuring"]["sweep_time_s"] == told_s


@pytest.mark.parametrize(
    ("stated", "level", "told"),
    [
        (0.25, [-90.0, -91.0], 0.25),
        (None, [-90.0, -91.0], 1.0),
        (None, [-90.5, -91.0], 0.5),
        (None, [-90.123456, -91.7], None),
        (None, [0.5 + 0.1j, 0.2j], None),
    ],
    ids=["stated", "whole", "halves", "none", "complex"],
)
def test_the_step_of_the_levels_is_told_also_where_nobody_states_it(
    stated: float | None, level: list[complex], told: float | None
) -> None:
    """What stands in the setup is what the meter hears, live and on replay."""
    axis = np.array([156e6, 157e6])
    kind = np.complex64 if isinstance(level[0], complex) else np.float32
    unit = LevelUnit.RATIO if kind is np.complex64 else LevelUnit.DBM
    sweep = _sweep(level=np.array(level, kind), frequency_hz=axis, resolution=stated, unit=unit)
    record = SetupMaker(_facts()).setup_of(sweep, CAN, step=0)
    assert record.resolution == stated
    assert record.details["measuring"]["resolution"] == told
    if unit is LevelUnit.DBM:
        assert SetupView.of(record, 0.0).event.resolution == told


@pytest.mark.parametrize(
    ("config", "sweeper", "told"),
    [(None, None, None), (None, 1.0, 1.0), (1.13, None, 1.13), (1.13, 1.0, 1.13)],
    ids=["nobody", "the sweeper", "the config", "both"],
)
def test_the_noise_bandwidth_is_told_where_it_is_stated(
    config: float | None, sweeper: float | None, told: float | None
) -> None:
    """The config before the sweeper; where nobody does, the setup is that of old archives."""
    can = replace(CAN, noise_bandwidth_ratio=sweeper)
    record = SetupMaker(_facts(noise_bandwidth_ratio=config)).setup_of(_sweep(), can, step=0)
    assert record.details["measuring"].get("noise_bandwidth_ratio") == told
    assert SetupView.of(record, 0.0).event.noise_bandwidth_ratio == told
    plain = SetupMaker(_facts()).setup_of(_sweep(), CAN, step=0)
    assert (record.setup == plain.setup) == (told is None)
    assert "noise_bandwidth_ratio" not in plain.details["measuring"]
    guessed = replace(can, assumed=("noise_bandwidth_ratio",))
    guess = SetupMaker(_facts(noise_bandwidth_ratio=config)).setup_of(_sweep(), guessed, step=0)
    assumed = guess.details["measuring"]["assumed"]
    assert ("noise_bandwidth_ratio" in assumed) == (config is None)


def test_setups_without_a_stated_noise_bandwidth_keep_their_digest() -> None:
    """That of the same sweep before anybody could state one."""
    record = SetupMaker(_facts()).setup_of(_sweep(), CAN, step=0)
    assert record.setup == "68c9189f8b24c6b6"


@pytest.mark.parametrize(
    ("when", "interval_s"),
    [
        ('every = "2 s"', 2.0),
        ('cron = "*/10 * * * *"', 600.0),
        ('cron = "0,5 * * * *", window = "21:00..06:00"', 3300.0),
        ("back_to_back = true", None),
    ],
    ids=["every", "cron", "cron with windows", "back to back"],
)
def test_the_meter_is_told_the_longest_interval_of_the_schedule(
    bench: Any, when: str, interval_s: float | None
) -> None:
    """Also that of cron, which has no one interval."""
    path = bench.config({"mast": "sim:gannet"}, [bench.job("watch", when=when)])
    (spec,) = build(parse_config(path.read_text(), path), load_drivers()).jobs
    record = SetupMaker(spec.facts).setup_of(_sweep(), CAN, step=0)
    assert record.details["measuring"]["interval_s"] == interval_s
    assert SetupView.of(record, 0.0).event.interval_s == interval_s
