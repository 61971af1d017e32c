"""The shipped channel plans against published frequencies.

Sources: Radio Regulations, Appendix 18, and Rec. ITU-R M.1084-5 (25 kHz raster), checked against
the channel annexes of marine documents; ECC/DEC/(15)05 for PMR446.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from acqd.config.channels import load_channel_plan
from acqd.measure.channels import Channel


@pytest.fixture(scope="module")
def marine() -> dict[str, Channel]:
    """The channels of the marine plan by name."""
    plan = load_channel_plan("marine-vhf", Path("/"))
    return {channel.name: channel for channel in plan.channels}


@pytest.fixture(scope="module")
def pmr() -> dict[str, Channel]:
    """The channels of the PMR446 plan by name."""
    plan = load_channel_plan("pmr446", Path("/"))
    return {channel.name: channel for channel in plan.channels}


@pytest.mark.parametrize(
    ("name", "centre_mhz"),
    [
        ("01", 156.050), ("01 coast", 160.650),
        ("06", 156.300),
        ("16", 156.800),
        ("28", 157.400), ("28 coast", 162.000),
        ("60", 156.025), ("60 coast", 160.625),
        ("70", 156.525),
        ("75", 156.775),
        ("76", 156.825),
        ("87", 157.375),
        ("88", 157.425),
        ("AIS 1", 161.975), ("AIS 2", 162.025),
    ],
)  # fmt: skip
def test_marine_channel(marine: dict[str, Channel], name: str, centre_mhz: float) -> None:
    """Published single frequencies of RR Appendix 18, to the hertz."""
    assert marine[name].centre_hz == round(centre_mhz * 1e6)


def test_marine_rules(marine: dict[str, Channel]) -> None:
    """Ship 156.000 + 0.050 N for 01 to 28 and 156.025 + 0.050 (N − 60) for 60 to 88 (M.1084)."""
    for number in (*range(1, 29), *range(60, 89)):
        base_khz = 156_000 + 50 * number if number < 60 else 156_025 + 50 * (number - 60)
        assert marine[f"{number:02}"].centre_hz == base_khz * 1000
        assert marine[f"{number:02}"].width_hz == 25_000


def test_marine_coast_sides(marine: dict[str, Channel]) -> None:
    """A coast side is 4.6 MHz above; 06, 08–17, 67–77, 87 and 88 have none (RR Appendix 18)."""
    single = {6, *range(8, 18), *range(67, 78), 87, 88}
    both = {*range(1, 29), *range(60, 89)} - single
    coast = {name.removesuffix(" coast") for name in marine if name.endswith(" coast")}
    assert coast == {f"{number:02}" for number in both}
    for name in coast:
        assert marine[f"{name} coast"].centre_hz - marine[name].centre_hz == 4_600_000


def test_marine_channels_are_adjacent(marine: dict[str, Channel]) -> None:
    """The interleaved raster is 25 kHz: neighbours touch, none overlap."""
    ordered = sorted(marine.values(), key=lambda channel: channel.centre_hz)
    for low, high in pairwise(ordered):
        assert high.start_hz >= low.stop_hz
    steps = {high.centre_hz - low.centre_hz for low, high in pairwise(ordered)}
    assert min(steps) == 25_000


@pytest.mark.parametrize(
    ("name", "centre_mhz"),
    [("1", 446.00625), ("8", 446.09375), ("9", 446.10625), ("16", 446.19375)],
)
def test_pmr446_channel(pmr: dict[str, Channel], name: str, centre_mhz: float) -> None:
    """Published centre frequencies of ECC/DEC/(15)05, to the hertz."""
    assert pmr[name].centre_hz == round(centre_mhz * 1e6)


def test_pmr446_fills_its_band(pmr: dict[str, Channel]) -> None:
    """16 channels of 12.5 kHz from 446.0 to 446.2 MHz without a gap (ECC/DEC/(15)05)."""
    channels = list(pmr.values())
    assert len(channels) == 16
    assert (channels[0].start_hz, channels[-1].stop_hz) == (446_000_000.0, 446_200_000.0)
    assert all(a.stop_hz == b.start_hz for a, b in pairwise(channels))
