"""A simulated receiver's samples, swept here, against what the same receiver sweeps itself."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from acqd_iq import IqDriver
from acqd_scpi.driver import ScpiDriver
from acqd_sim.iq import IqSettings
from acqd_sim.scenefile import world_from_text
from acqd_sim.server import Served, SimServer

from acqd.clock import SystemClock
from acqd.drivers.contract import Driver
from acqd.drivers.host import SweeperHost
from acqd.errors import SweeperError
from acqd.sweep import Detector, LevelUnit, Sweep, SweepRequest

SCENE = """\
seed = 7

[scene.harbour]

[[scene.harbour.carrier]]
name = "beacon"
frequency = "156.52 MHz"
power = "-61.5 dBm"

[[scene.harbour.carrier]]
name = "marker"
frequency = "156.47 MHz"
power = "-74 dBm"

[[scene.harbour.hump]]
name = "converter"
start = "156.48 MHz"
stop = "156.50 MHz"
edge = "1 kHz"
power = "-100 dBm"
per = "10 kHz"

[instrument.mast]
scene = "harbour"
serial_number = "GL0017"
residuals = 0
accuracy = "1.5 dB"
"""
SAMPLES = IqSettings(rate_hz=250e3, centre_hz=156.5e6, full_scale_dbm=-40.0)
OPTIONS = {
    "type": "ci16_le",
    "rate": "250 kS/s",
    "centre": "156.5 MHz",
    "full_scale": "-40 dBm",
    "window": "flat-top",
    # As the simulated receiver tells its own: 3 dB width, noise bandwidth 1.0645 times it.
    "rbw": "gaussian",
}
REQUEST = SweepRequest(
    start_hz=156.42e6,
    stop_hz=156.58e6,
    points=161,
    rbw_hz=3e3,
    detector=Detector.RMS,
    sweep_time_s=0.5,
)


@pytest.fixture(scope="module")
def server() -> Iterator[SimServer]:
    """A receiver that speaks SCPI and sends its samples."""
    served = Served(
        tcp={"mast": ("127.0.0.1", 0)}, iq={"mast": ("127.0.0.1", 0, SAMPLES)}, time_scale=1.0
    )
    with SimServer(world_from_text(SCENE), served) as running:
        yield running


def swept(driver: Driver, address: str, request: SweepRequest, **options: object) -> Sweep:
    async def run() -> Sweep:
        host = SweeperHost(
            name="mast", driver=driver, address=address, options=options, clock=SystemClock()
        )
        await host.open()
        try:
            return await host.sweep(request)
        finally:
            await host.close()

    return asyncio.run(run())


@pytest.mark.slow
def test_samples_and_sweeps_of_one_receiver_agree(server: SimServer) -> None:
    """Carriers within 0.3 dB, noise within 0.3 dB, a hump of noise within 0.5 dB."""
    ours = swept(IqDriver(), server.samples("mast").address, REQUEST, **OPTIONS)
    theirs = swept(
        ScpiDriver(),
        server.address("mast"),
        replace(REQUEST, attenuation_db=0.0, sweep_time_s=2.0),
        source="no",
    )
    assert ours.unit is theirs.unit is LevelUnit.DBM
    assert ours.reported.rbw_hz == pytest.approx(theirs.reported.rbw_hz, rel=0.005)
    axis_hz = ours.frequency_hz
    np.testing.assert_allclose(axis_hz, theirs.frequency_hz, atol=1.0)
    for at_hz in (156.52e6, 156.47e6):
        near = np.abs(axis_hz - at_hz) < 2.5e3
        away_db = ours.level[near].max() - theirs.level[near].max()
        assert away_db == pytest.approx(0.0, abs=0.3), at_hz
    for low_hz, high_hz, within_db in ((156.43e6, 156.46e6, 0.3), (156.485e6, 156.495e6, 0.5)):
        inside = (axis_hz >= low_hz) & (axis_hz <= high_hz)
        means = [10 * np.log10(np.mean(10 ** (one.level[inside] / 10))) for one in (ours, theirs)]
        assert means[0] - means[1] == pytest.approx(0.0, abs=within_db), low_hz


@pytest.mark.slow
def test_unplugged_samples_cost_sweeps_until_they_are_back(server: SimServer) -> None:
    """The control port's order takes the stream away, and gives it back."""
    address = server.samples("mast").address
    server.tell("mast unplug")
    try:
        with pytest.raises(SweeperError):
            swept(IqDriver(), address, REQUEST, **OPTIONS)
    finally:
        server.tell("mast replug")
    assert np.isfinite(swept(IqDriver(), address, REQUEST, **OPTIONS).level).all()
