"""What the band meter makes of a sweep fits the message that tells of it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from acqd.config.channels import load_channel_plan
from acqd.measure.band import BandMeter, BandSettings
from acqd.publish.messages import Summary
from acqd.sweep import LevelUnit
from acqd.testing.events import setup_event, sweep_event

AXIS = np.linspace(156e6, 162.1e6, 1001)


def summary_of(level: np.ndarray, *, unit: LevelUnit, floor: str) -> dict[str, object]:
    """The summary of one sweep of ``level`` by a meter with the marine VHF plan."""
    settings = BandSettings(channels=load_channel_plan("marine-vhf", Path.cwd()), floor=floor)
    meter = BandMeter(settings)
    state, _ = meter.step(
        meter.start(),
        setup_event(AXIS, at_s=0.0, unit=unit, frequency_accuracy_ppm=2.0),
    )
    _, output = meter.step(state, sweep_event(level, seq=1, at_s=0.0))
    assert output.summary is not None
    return dict(output.summary)


@pytest.mark.parametrize("unit", [LevelUnit.DBM, LevelUnit.DBUV, LevelUnit.DBFS, LevelUnit.DIGIT])
@pytest.mark.parametrize("floor", ["flat", "learnt"])
@pytest.mark.parametrize("content", ["noise", "signals", "nothing"])
def test_every_summary_of_the_meter_makes_a_message(
    unit: LevelUnit, floor: str, content: str
) -> None:
    """Noise, signals in and out of channels, and a sweep without one level give a valid message
    that says the same."""
    level = -100.0 + 10.0 * np.log10(np.random.default_rng(3).exponential(size=AXIS.size))
    if content == "signals":
        level[np.abs(AXIS - 156.8e6) < 8e3] = -50.0
        level[np.abs(AXIS - 160.2e6) < 8e3] = -60.0
    if content == "nothing":
        level[:] = np.nan
    summary = summary_of(level, unit=unit, floor=floor)
    if content == "signals" and floor == "flat":
        assert summary["signals_count"]
    message = Summary.model_validate(
        {
            "station": "gannet-ledge",
            "run_id": "r",
            "job": "marine-vhf",
            "seq": 1,
            "pass_id": 1,
            "kind": "band",
            "at": "2026-06-01T21:00:00.000Z",
            "at_s": 1780347600.0,
            "took_s": 0.5,
            "unit": str(unit),
            "sweeper": "mast",
            "setup": "a",
            "band": summary,
        }
    )
    assert json.loads(message.to_json())["band"] == json.loads(json.dumps(summary))
