"""Two-ports between ports that reflect: whether U of every figure holds what is true of the device.

The device is a scattering matrix between two reflecting ports on lines of unknown length, so
mismatch is what comes out of the whole flow graph, at every frequency; its truth is its loss
between matched ports.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from acqd_sim.devices import Device, Filter, Pad, Passband, Prototype, band_edges_hz
from numpy.typing import NDArray

from acqd.measure.meter import Role

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

pytestmark = pytest.mark.slow

SCENES = 200
FIGURES = ("least loss", "named loss", "stop loss", "rejection", "edge", "edge far down", "width")


@dataclass(frozen=True, kw_only=True)
class Ports:
    """What source and input reflect, each at the end of a line."""

    source: float
    load: float
    source_delay_s: float
    load_delay_s: float
    turn: float

    def at(self, hz: Float) -> tuple[Complex, Complex]:
        source = self.source * np.exp(-2j * np.pi * hz * self.source_delay_s + 1j * self.turn)
        return source, self.load * np.exp(-2j * np.pi * hz * self.load_delay_s)


@dataclass(frozen=True, kw_only=True)
class Joined(Device):
    """A two-port between the ports, and how this connection came out; without one, a through."""

    ports: Ports
    device: Device | None
    own_reflection: float = 0.0
    offset_db: float = 0.0
    ppm: float = 0.0

    def gain_db(self, frequency_hz: Float) -> Float:
        hz = frequency_hz * (1.0 + self.ppm * 1e-6)
        source, load = self.ports.at(hz)
        if self.device is None:
            shown = 1.0 / np.abs(1.0 - source * load)
            return np.asarray(20.0 * np.log10(shown) + self.offset_db)
        s21, s11, s22 = self.scattering(hz)
        loops = (1.0 - source * s11) * (1.0 - load * s22) - source * load * s21**2
        return np.asarray(20.0 * np.log10(np.abs(s21 / loops)) + self.offset_db)

    def scattering(self, hz: Float) -> tuple[Complex, Complex, Complex]:
        """A reciprocal, symmetrical filter whose loss sits in equal pads at its ends."""
        assert self.device is not None
        s21 = 10.0 ** (self.device.gain_db(hz) / 20.0) * np.exp(-2j * np.pi * hz * 4e-9)
        if isinstance(self.device, Filter):
            pads = 10.0 ** (-self.device.insertion_loss_db / 20.0)
            s11 = self.device.reflection(hz) * pads
            lossless = s21 / np.abs(s21)
            return s21, s11, -s11.conj() * lossless**2
        s11 = self.own_reflection * np.exp(-2j * np.pi * hz * 2e-9)
        return s21, s11, s11 * np.exp(1j * hz * 1e-9)


def rho(vswr: float) -> float:
    return (vswr - 1.0) / (vswr + 1.0)


def random_device(rng: np.random.Generator, number: int) -> Device:
    """Every fifth a pad; the rest filters of all kinds, from gentle to steep."""
    if number % 5 == 4:
        loss_db = float(rng.choice([3.0, 6.0, 10.0, 20.0, 30.0])) + rng.uniform(-0.5, 0.5)
        return Pad(loss_db=loss_db, flatness_db=rng.uniform(-0.3, 0.3), flat_to_hz=300e6)
    low_hz, high_hz = band_edges_hz(rng.uniform(135e6, 155e6), rng.uniform(3e6, 25e6))
    kind = (Passband.BAND, Passband.LOW, Passband.HIGH, Passband.STOP)[number % 5]
    return Filter(
        passband=kind,
        prototype=list(Prototype)[number // 5 % 2],
        order=int(rng.integers(2, 6)),
        ripple_db=rng.uniform(0.05, 0.5),
        low_hz=low_hz,
        high_hz=high_hz,
        insertion_loss_db=rng.uniform(0.2, 3.0),
        floor_db=rng.uniform(70.0, 110.0),
    )


def worst_vswr(device: Device) -> float:
    """Of a device where it passes: of a pad as drawn below, of a filter that of its ripple."""
    if isinstance(device, Pad):
        return 1.15
    assert isinstance(device, Filter)
    ripple_db = device.ripple_db if device.prototype is Prototype.CHEBYSHEV else 0.05
    passed = 10.0 ** (-ripple_db / 10.0)
    reflected = math.sqrt(1.0 - passed) * 10.0 ** (-device.insertion_loss_db / 20.0)
    return (1.0 + reflected) / (1.0 - reflected)


def crossing_hz(device: Device, level_db: float, near_hz: float, rising: bool) -> float:
    """Where the loss passes a level, the place nearest to one that was found, going one way."""
    hz = np.linspace(max(1e6, near_hz * 0.7), near_hz * 1.4, 10_001)
    loss = -device.gain_db(hz) - level_db
    way = 1.0 if rising else -1.0
    at = np.flatnonzero((loss[:-1] * way < 0.0) & (loss[1:] * way >= 0.0))
    if not at.size:
        return math.nan
    i = int(at[np.abs(hz[at] - near_hz).argmin()])
    return float(hz[i] - loss[i] * (hz[i + 1] - hz[i]) / (loss[i + 1] - loss[i]))


CONFIG = """
[job.port]
kind = "transmission"
sweeper = "bench"
start = "{start}"
stop = "{stop}"
points = {points}
rbw = "{rbw}"
detector = "rms"
attenuation = "10 dB"
source = {{ level = "{level:.0f} dBm" }}
when = {{ every = "10 min" }}

[job.port.transmission]
edge_levels = ["3 dB", "6 dB", "20 dB", "40 dB"]
notch_levels = ["3 dB", "10 dB", "20 dB"]
source_vswr = {source_vswr:.4f}
load_vswr = {load_vswr:.4f}
scale_accuracy = "{scale:.3f} dB"
repeatability = "{spread:.3f} dB"
{more}
"""


def scene(laboratory: Any, number: int, stated: Any, assumed: Any, kinds: dict[str, int]) -> None:
    rng = np.random.default_rng((911, number))
    device = random_device(rng, number)
    source_vswr, load_vswr = rng.uniform(1.05, 1.6, size=2)
    full_db, spread_db = rng.uniform(0.2, 1.0), rng.uniform(0.02, 0.2)
    pass_hz, stop_hz = places(device)
    more = [f'frequency = [{{ name = "here", at = "{pass_hz:.0f} Hz" }}']
    if stop_hz is not None:
        more[0] += f', {{ name = "there", at = "{stop_hz:.0f} Hz", role = "stop" }}'
    more[0] += "]"
    is_stated = number % 2 == 0
    if isinstance(device, Pad):
        more += [f'pad = {{ value = "{round(device.loss_db)} dB" }}']
    if is_stated:
        # What a filter reflects where it passes is worst at the top of its ripple.
        more += [f"device_vswr = {worst_vswr(device):.3f}"]
    text = CONFIG.format(
        start="100 MHz" if number % 5 else "120 MHz",
        stop="200 MHz" if number % 5 else "170 MHz",
        points=int(rng.choice([401, 801])),
        rbw=rng.choice(["3 kHz", "10 kHz", "30 kHz"]),
        level=rng.choice([-40.0, -30.0, -20.0, -10.0]),
        source_vswr=source_vswr,
        load_vswr=load_vswr,
        scale=full_db,
        spread=spread_db,
        more="\n".join(more),
    )
    period_db, phase = rng.uniform(2.0 * np.pi * 10.0, 130.0), rng.uniform(0.0, 2.0 * np.pi)
    constant_db, bend = rng.uniform(-1.0, 1.0), rng.uniform(0.0, 2.0 * np.pi)
    # A scale whose error over any difference keeps to what is stated, and an absolute error that
    # has to cancel.
    errors = laboratory.errors(
        level_db=lambda hz, _: constant_db * np.cos(hz / 20e6 + bend),
        scale_db=lambda dbm: full_db / 2.0 * np.sin(2.0 * np.pi * dbm / period_db + phase),
    )
    bench = laboratory.bench(
        text,
        laboratory.model(
            source=True,
            danl_dbm_per_hz=rng.uniform(-152.0, -135.0),
            source_isolation_db=140.0,
            frequency_accuracy_ppm=float(rng.choice([2.5, 20.0])),
        ),
        seed=number,
        errors=errors,
    )
    ppm = rng.uniform(-1.0, 1.0) * bench.model.frequency_accuracy_ppm
    ports = Ports(
        source=rho(source_vswr) * rng.uniform(0.5, 1.0),
        load=rho(load_vswr) * rng.uniform(0.5, 1.0),
        source_delay_s=10.0 ** rng.uniform(-9.5, -7.3),
        load_delay_s=10.0 ** rng.uniform(-9.5, -7.3),
        turn=rng.uniform(0.0, 2.0 * np.pi),
    )
    through = Joined(ports=ports, device=None, offset_db=spread_db * rng.normal(), ppm=ppm)
    bench.source_path = (through,)
    bench.refer("port", Role.THROUGH, sweeps=int(rng.choice([1, 3])))
    bench.source_path = None
    bench.refer("port", Role.QUIET)
    age_h = rng.uniform(0.0, 10.0)
    bench.clock.wait(age_h * 3600.0)
    drift_db = rng.uniform(-0.05, 0.05) * age_h + rng.uniform(-0.05, 0.05) * rng.uniform(-5.0, 5.0)
    joined = Joined(
        ports=ports,
        device=device,
        own_reflection=rho(1.15) * rng.uniform(0.5, 1.0),
        offset_db=spread_db * rng.normal() + drift_db,
        ppm=ppm,
    )
    bench.source_path = (joined,)
    told = bench.once("port").summary
    assert told["refused"] is None, told["refused"]
    kinds[told["response"]] = kinds.get(told["response"], 0) + 1
    judge(told, device, stated if is_stated else assumed, pass_hz, stop_hz)


def places(device: Device) -> tuple[float, float | None]:
    """A frequency that passes and one that stops."""
    if isinstance(device, Pad):
        return 140e6, None
    assert isinstance(device, Filter)
    centre_hz = math.sqrt(device.low_hz * device.high_hz)
    if device.passband is Passband.BAND:
        return centre_hz, 125e6
    if device.passband is Passband.STOP:
        return 105e6, centre_hz
    if device.passband is Passband.LOW:
        return 110e6, 190e6
    return 190e6, 110e6


def judge(
    told: Mapping[str, Any],
    device: Device,
    tally: Any,
    pass_hz: float,
    stop_hz: float | None,
) -> None:
    """Compare with the device between matched ports, at frequencies that are its own."""
    hz = np.linspace(told["start_hz"], told["stop_hz"], 20_001)
    loss = -device.gain_db(hz)

    def true_db(at_hz: float) -> float:
        return -float(device.gain_db(np.array([at_hz]))[0])

    if isinstance(device, Pad):
        pad = told["pad"]
        tally.value("pad", pad["value_db"], pad["value_expanded_db"], float(loss.mean()))
        flat_db = float(np.ptp(loss))
        tally.value("flatness", pad["flatness_db"], pad["flatness_expanded_db"], flat_db)
    for one, at_hz in zip(told["named"], (pass_hz, stop_hz), strict=False):
        assert at_hz is not None
        name = "named loss" if one["role"] == "pass" else "stop loss"
        truth_db = true_db(at_hz)
        if one["at_least"]:
            tally.bound(name, truth_db >= one["loss_db"] - one["loss_expanded_db"])
        else:
            tally.value(name, one["loss_db"], one["loss_expanded_db"], truth_db)
            if one["rejection_db"] is not None:
                rejection_db = truth_db - float(loss.min())
                tally.value(
                    "rejection", one["rejection_db"], one["rejection_expanded_db"], rejection_db
                )
    if not isinstance(device, Filter):
        return
    main = next((one for one in told["passbands"] if one["main"]), None)
    if main is not None and len(told["passbands"]) == 1 + (device.passband is Passband.STOP):
        tally.value(
            "least loss", main["least_loss_db"], main["least_loss_expanded_db"], float(loss.min())
        )
        if device.passband is not Passband.STOP:
            edges(main["edges"], device, tally, float(loss.min()), notch=False)
    if device.passband is Passband.STOP and len(told["notches"]) == 1:
        middle = int(loss.argmax())
        pass_db = max(float(loss[:middle].min()), float(loss[middle:].min()))
        edges(told["notches"][0]["edges"], device, tally, pass_db, notch=True)


def edges(
    pairs: list[Mapping[str, Any]],
    device: Filter,
    tally: Any,
    pass_db: float,
    *,
    notch: bool,
) -> None:
    for pair in pairs:
        level_db = pass_db + pair["below_db"]
        true_hz = []
        for side in ("lower", "upper"):
            found_hz = pair[f"{side}_hz"]
            if found_hz is None:
                continue
            rising = (side == "upper") != notch
            true_hz.append(crossing_hz(device, level_db, found_hz, rising))
            where = "edge" if pair["below_db"] < 20.0 else "edge far down"
            tally.value(where, found_hz, pair[f"{side}_expanded_hz"], true_hz[-1])
        if len(true_hz) == 2 and pair["centre_hz"] is not None:
            low_hz, high_hz = true_hz
            centre_hz = math.sqrt(low_hz * high_hz)
            tally.value("centre", pair["centre_hz"], pair["centre_expanded_hz"], centre_hz)
            tally.value("width", pair["width_hz"], pair["width_expanded_hz"], high_hz - low_hz)


def test_u_holds_the_truth_of_two_ports(
    laboratory: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    stated, assumed, kinds = laboratory.tally(), laboratory.tally(), dict[str, int]()
    for number in range(SCENES):
        scene(laboratory, number, stated, assumed, kinds)
    with capsys.disabled():
        print(stated.text(), assumed.text(), kinds)  # noqa: T201 (read with -s)
    for name in FIGURES:
        stated.holds(name, most=1.0)
        assumed.holds(name, least=0.95, most=1.0, padded=None)
    # Mismatch at the two edges of a passband goes together, and counts as if it did not.
    for name in ("centre", "pad", "flatness"):
        stated.holds(name, most=1.0, padded=4.5)
    for one in (stated, assumed):
        one.binds("stop loss", least=0.97)
