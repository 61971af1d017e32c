"""Troubles that no answer gives away, at hours of the scene and by order."""

from __future__ import annotations

import socket
from datetime import UTC, datetime

import numpy as np
import pytest
from acqd_sim.receiver import Reading, Receiver
from acqd_sim.scenefile import world_from_text
from acqd_sim.server import Served, SimServer
from acqd_sim.troubles import Kind, Trouble, in_trouble

from acqd.errors import ConfigError
from acqd.sweep import SweepRequest

SCENE = """
seed = 7
[scene.roof]
noise = {{ c = "76.8 dB", d = "27.7 dB" }}
[[scene.roof.carrier]]
name = "beacon"
frequency = "157 MHz"
power = "-70 dBm"
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
residuals = 0
{more}
"""
REQUEST = SweepRequest(start_hz=156e6, stop_hz=158e6, points=201, rbw_hz=10e3)
BEFORE_S = datetime(2026, 6, 14, 1, 11, tzinfo=UTC).timestamp()
DURING_S = datetime(2026, 6, 14, 2, 0, tzinfo=UTC).timestamp()
AFTER_S = datetime(2026, 6, 14, 3, 0, 1, tzinfo=UTC).timestamp()


def receiver(trouble: str = "") -> Receiver:
    more = f"trouble = [{{ {trouble}, from = '01:12', until = '03:00' }}]" if trouble else ""
    return world_from_text(SCENE.format(more=more)).receiver("mast")


def swept(one: Receiver, at_s: float, counter: int = 0) -> Reading:
    return one.sweep(one.model.settings(REQUEST), start_s=at_s, counter=counter)


def floor(reading: Reading) -> float:
    return float(np.median(reading.level_dbm))


def peak(reading: Reading) -> float:
    return float(reading.level_dbm.max())


def test_a_cable_that_is_off_leaves_the_noise_of_what_is_behind_it() -> None:
    """At the aerial the amplifier's stays, at the input the receiver's alone; then all is back."""
    whole, at_aerial = receiver(), receiver("what = 'cable off'")
    at_input = receiver("what = 'cable off', device = 'input'")
    before = swept(whole, BEFORE_S)
    assert np.array_equal(swept(at_aerial, BEFORE_S).level_dbm, before.level_dbm)
    assert np.array_equal(swept(at_aerial, AFTER_S).level_dbm, swept(whole, AFTER_S).level_dbm)
    off, bare = swept(at_aerial, DURING_S), swept(at_input, DURING_S)
    assert peak(before) - peak(off) > 20.0
    assert floor(before) > floor(off) + 3.0 > floor(bare) + 3.0


def test_an_amplifier_without_its_supply_passes_on_as_much_less() -> None:
    """Signals fall by its gain, or by that and the loss that it is then."""
    before = swept(receiver(), BEFORE_S)
    off = swept(receiver("what = 'no supply'"), DURING_S)
    lossy = swept(receiver("what = 'no supply', loss = '12 dB'"), DURING_S)
    assert peak(before) - peak(off) == pytest.approx(18.0, abs=0.5)
    assert peak(before) - peak(lossy) == pytest.approx(30.0, abs=1.0)
    assert floor(off) < floor(before) - 3.0


def test_a_frozen_one_shows_its_last_sweep() -> None:
    """Bit for bit, until it is over; the first one it has where it was frozen from the start."""
    one = receiver("what = 'frozen'")
    before = swept(one, BEFORE_S)
    for number in range(3):
        assert swept(one, DURING_S + number, number) is before
    assert swept(one, AFTER_S, 9) is not before


def test_troubles_may_come_together() -> None:
    hookup = receiver().hookup
    both = in_trouble(
        hookup,
        [
            Trouble(kind=Kind.NO_SUPPLY, loss_db=3.0),
            Trouble(kind=Kind.CABLE_OFF, device="lead-in"),
        ],
    )
    assert both.path_names == ("lead-in",)
    assert not both.scene.tones


@pytest.mark.parametrize(
    ("trouble", "problem"),
    [
        pytest.param("what = 'no supply', device = 'lead-in'", "no amplifier", id="no amplifier"),
        pytest.param("what = 'cable off', device = 'mast'", "no device", id="no device"),
        pytest.param("what = 'frozen', device = 'lead-in'", "itself", id="frozen device"),
        pytest.param("what = 'cable off', loss = '3 dB'", "means nothing", id="loss of a cable"),
        pytest.param("what = 'tired'", "cable off", id="no such trouble"),
    ],
)
def test_what_cannot_be_is_refused_with_its_line(trouble: str, problem: str) -> None:
    with pytest.raises(ConfigError, match=problem):
        receiver(trouble)


def test_a_served_instrument_does_as_it_is_told() -> None:
    """By orders of the control port; what cannot be is refused there too."""
    world = world_from_text(SCENE.format(more=""))
    served = Served(tcp={"mast": ("127.0.0.1", 0)})
    with SimServer(world, served) as server:
        host, port = server.address("mast").removeprefix("tcp://").split(":")
        link = socket.create_connection((host, int(port)), 20.0)
        lines = link.makefile("rb")
        link.sendall(b"FREQ:STAR 156MHZ;STOP 158MHZ;:SWE:POIN 201;:BAND 10KHZ;:INIT:CONT OFF\n")

        def level() -> float:
            link.sendall(b"INIT;*WAI;:TRAC? TRACE1\n")
            return float(np.median([float(one) for one in lines.readline().split(b",")]))

        whole = level()
        server.tell("mast cable-off input")
        assert level() < whole - 3.0
        assert "cable_off" in server.tell("mast status")
        server.tell("mast heal")
        assert level() > whole - 2.0
        server.tell("mast no-supply")
        assert level() < whole - 3.0
        with pytest.raises(ValueError, match="no amplifier 'lead-in' in its path"):
            server.tell("mast no-supply lead-in")
        lines.close()
        link.close()
