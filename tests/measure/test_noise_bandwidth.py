"""A stated noise bandwidth counts in everything that rests on one, and nothing else does."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from acqd.measure.adjacent import adjacent_power, filter_leak_db
from acqd.measure.band import BandMeter
from acqd.measure.band_work import BandSettings
from acqd.measure.bandpower import FilterShape, band_power, enb_hz, noise_density_dbm_per_hz
from acqd.measure.bandwidth import occupied_bandwidth
from acqd.measure.checkpoint import dump_state, load_state
from acqd.measure.emission import find_fundamental
from acqd.measure.limit_profile import ReferenceBandwidth, Span, WidthKind
from acqd.measure.limit_reading import bandwidths
from acqd.measure.meter import SetupChanged
from acqd.measure.neighbours import phase_noise_from_sweep
from acqd.measure.products import ProductKind, harmonic_level, in_reference_bandwidth
from acqd.measure.selftest import Facts
from acqd.measure.selftestnoise import NoiseIs, NoiseSeen, NoiseStated, noise_figure
from acqd.measure.signals import find_signals
from acqd.measure.spurious import spurious_search
from acqd.sweep import Grid
from acqd.testing.events import setup_event, sweep_event

GAUSSIAN = 0.5 * math.sqrt(math.pi / math.log(2.0))
RBW_HZ = 10e3
AXIS_HZ = np.linspace(156e6, 157e6, 401)
GRID = Grid.from_axis(AXIS_HZ)
MIDDLE_HZ = 156.5e6


def block_of_noise() -> np.ndarray:
    """200 kHz of −60 dBm in the middle over −110 dBm, without any fluctuation."""
    return np.where(np.abs(AXIS_HZ - MIDDLE_HZ) <= 100e3, -60.0, -110.0)


def carrier() -> np.ndarray:
    """−30 dBm in the middle behind a Gaussian filter, over phase noise at −90 dBm."""
    skirt = -30.0 - 10.0 * math.log10(2.0) * (2.0 * (AXIS_HZ - MIDDLE_HZ) / RBW_HZ) ** 2
    return np.maximum(skirt, -90.0)


def _fundamental(enb: float | None) -> float:
    found = find_fundamental(
        AXIS_HZ, block_of_noise(), rbw_hz=RBW_HZ, necessary_hz=190e3, enb_per_rbw=enb
    ).fundamental
    assert found is not None and found.level_from == "channel"
    return found.level_dbm


def _product(enb: float | None) -> float:
    found = harmonic_level(
        AXIS_HZ, block_of_noise(), rbw_hz=RBW_HZ, floor_dbm=-110.0, enb_per_rbw=enb
    )
    assert found.kind is ProductKind.NOISE_LIKE and found.level_dbm is not None
    return found.level_dbm


def _occupied(enb: float | None) -> Any:
    return occupied_bandwidth(AXIS_HZ, block_of_noise(), rbw_hz=RBW_HZ, enb_per_rbw=enb).power


def _adjacent(enb: float | None) -> Any:
    return adjacent_power(
        AXIS_HZ,
        block_of_noise(),
        centre_hz=MIDDLE_HZ,
        channel_hz=150e3,
        spacing_hz=250e3,
        rbw_hz=RBW_HZ,
        enb_per_rbw=enb,
    ).main.level


def _self_test(enb: float | None) -> Any:
    return noise_figure(
        NoiseSeen(power_dbm=-108.0, u_db=0.1, points=401),
        NoiseStated(danl_dbm=None, noise_is=NoiseIs.DENSITY),
        Facts(enb_per_rbw=enb),
        rbw_hz=RBW_HZ,
        attenuation_db=0.0,
        range_hz=(156e6, 157e6),
    ).value


READ: dict[str, Callable[[float | None], Any]] = {
    "noise density": lambda enb: noise_density_dbm_per_hz(-100.0, rbw_hz=RBW_HZ, enb_per_rbw=enb),
    "power of a band": lambda enb: (
        band_power(
            block_of_noise(),
            GRID,
            start_hz=156.45e6,
            stop_hz=156.55e6,
            rbw_hz=RBW_HZ,
            enb_per_rbw=enb,
        ).level
    ),
    "power of a channel": _adjacent,
    "power within the occupied bandwidth": _occupied,
    "power of a signal": lambda enb: (
        find_signals(block_of_noise(), GRID, threshold=-100.0, rbw_hz=RBW_HZ, enb_per_rbw=enb)[
            0
        ].power
    ),
    "power of a fundamental": _fundamental,
    "power of a product": _product,
    "level in a reference bandwidth": lambda enb: in_reference_bandwidth(
        -60.0, kind=ProductKind.NOISE_LIKE, rbw_hz=RBW_HZ, reference_hz=100e3, enb_per_rbw=enb
    ),
    "phase noise": lambda enb: phase_noise_from_sweep(
        carrier(), GRID, rbw_hz=RBW_HZ, offsets_hz=[200e3], enb_per_rbw=enb
    )[0][1],
    "noise of a self-test": _self_test,
}


@pytest.mark.parametrize("read", READ.values(), ids=READ)
@pytest.mark.parametrize("enb", [1.0, 0.7527, 1.5708])
def test_a_figure_follows_the_noise_bandwidth_that_is_stated(
    read: Callable[[float | None], float], enb: float
) -> None:
    """By 10 log10 of it; one that nobody states is a Gaussian filter's, to the bit."""
    assumed = read(None)
    assert read(GAUSSIAN) == assumed
    assert read(enb) - assumed == pytest.approx(-10.0 * math.log10(enb / GAUSSIAN), abs=1e-9)


def test_what_is_stated_counts_before_the_shape() -> None:
    """A shape says how a line looks, and how much noise comes through only where nobody does."""
    assert enb_hz(1e3, FilterShape.SINGLE_POLE) == pytest.approx(1570.8, abs=0.1)
    assert enb_hz(1e3, FilterShape.SINGLE_POLE, 1.2) == 1200.0


def test_ratios_of_powers_do_not_hang_on_it() -> None:
    """But how far a filter reaches into the next channel is held against its noise bandwidth."""
    one, other = (
        adjacent_power(
            AXIS_HZ,
            block_of_noise(),
            centre_hz=MIDDLE_HZ,
            channel_hz=150e3,
            spacing_hz=250e3,
            rbw_hz=RBW_HZ,
            enb_per_rbw=enb,
        )
        for enb in (None, 1.3)
    )
    pairs = zip(one.neighbours, other.neighbours, strict=True)
    for mine, theirs in pairs:
        assert mine.ratio_db == pytest.approx(theirs.ratio_db, abs=1e-9)
    narrow, wide = (filter_leak_db(20e3, 10e3, RBW_HZ, enb_per_rbw=enb) for enb in (1.0, 1.2))
    assert wide - narrow == pytest.approx(10.0 * math.log10(1.2))


def test_a_product_is_a_line_up_to_one_and_a_half_noise_bandwidths() -> None:
    """15 kHz wide behind 10 kHz: noise-like where that is the noise bandwidth, and a line else."""
    level = np.where(np.abs(AXIS_HZ - MIDDLE_HZ) <= 7e3, -60.0, -110.0)
    kinds = [
        spurious_search(
            AXIS_HZ, level, threshold_dbm=-90.0, floor_dbm=-110.0, rbw_hz=RBW_HZ, enb_per_rbw=enb
        )
        .products[0]
        .kind
        for enb in (0.8, None)
    ]
    assert kinds == [ProductKind.NOISE_LIKE, ProductKind.CARRIER]


@pytest.mark.parametrize(
    ("kind", "ratio"),
    [(WidthKind.NOISE, 1.0), (None, 1.0), (WidthKind.DB_3, 1.0 / GAUSSIAN)],
    ids=["noise", "not said", "3 dB"],
)
def test_a_limits_bandwidth_is_compared_with_the_stated_noise_bandwidth(
    kind: WidthKind | None, ratio: float
) -> None:
    """An RBW that is a noise bandwidth of 100 kHz is one, and 93.9 kHz wide at 3 dB if Gaussian."""
    reference = ReferenceBandwidth(at_hz=Span(), width_hz=100e3, kind=kind)
    found = bandwidths(100e3, reference, enb_per_rbw=1.0)
    assert found.ratio == pytest.approx(ratio)
    same = bandwidths(100e3, reference, enb_per_rbw=GAUSSIAN)
    assert same.ratio == pytest.approx(bandwidths(100e3, reference).ratio)


def test_signals_of_a_band_have_their_power_by_it() -> None:
    """From the setup to the summary; also from a checkpoint that knew nothing of it."""
    rng = np.random.default_rng(5)
    noise = 10.0 * np.log10(rng.gamma(50.0, 1.0 / 50.0, AXIS_HZ.size))
    told = []
    for ratio in (None, 1.0):
        meter = BandMeter(BandSettings(margin_db=10.0, averages=50.0))
        event = setup_event(AXIS_HZ, at_s=0.0, noise_bandwidth_ratio=ratio)
        state, _ = meter.step(meter.start(), event)
        state = meter.load(meter.dump(state))
        state, output = meter.step(
            state, sweep_event(block_of_noise() + noise, seq=1, at_s=1.0, took_s=0.5)
        )
        assert output.summary is not None
        told.append(output.summary["signals"][0]["power_dbm"])
    assert told[1] - told[0] == pytest.approx(10.0 * math.log10(GAUSSIAN), abs=1.1e-3)


def test_a_state_from_before_it_was_stated_is_read() -> None:
    """Nobody had stated one then."""
    event = replace(setup_event(AXIS_HZ, at_s=0.0), references={})
    kept = dump_state("meter/1", event)
    old = kept.replace(b'"noise_bandwidth_ratio":null,', b"")
    assert old != kept
    back = load_state("meter/1", SetupChanged, old)
    assert back.noise_bandwidth_ratio is None
    assert dump_state("meter/1", back) == kept
