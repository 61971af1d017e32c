"""What a strong signal explains beside itself."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.bandpower import enb_hz
from acqd.measure.neighbours import (
    Leakage,
    Sources,
    explained_level,
    find_sources,
    leak_out_db,
    phase_noise_from_sweep,
    poles_of,
    skirt_db,
)
from acqd.sweep import Grid

CHANNEL_HZ = 25e3
RBW_HZ = 10e3
AXIS_HZ = np.arange(0.0, 500e3, 2.5e3)
GROUPS = [(first, first + 10) for first in range(0, 200, 10)]


def scene(*carriers: tuple[float, float], floor: float = -110.0) -> NDArray[np.float64]:
    """Carriers (frequency, level) behind a Gaussian filter, on a smooth floor."""
    power = np.full(AXIS_HZ.size, 10.0 ** (floor / 10.0))
    for at_hz, level in carriers:
        power += 10.0 ** ((level - skirt_db(AXIS_HZ - at_hz, RBW_HZ)) / 10.0)
    return 10.0 * np.log10(power)


def own(
    level: NDArray[np.float64],
    leakage: Leakage | None = None,
    groups: Sequence[tuple[int, int]] = GROUPS,
) -> list[int]:
    """Numbers of the channels with something of their own."""
    left, _ = find_sources(
        level, AXIS_HZ, groups, above=level > -100.0, leakage=leakage or Leakage(rbw_hz=RBW_HZ)
    )
    return [i for i, (first, stop) in enumerate(groups) if left[first:stop].any()]


def test_a_lone_carrier_is_one_channels() -> None:
    """It lights three channels and is in one."""
    level = scene((112.5e3, -30.0))
    lit = {i for i, (a, b) in enumerate(GROUPS) if level[a:b].max() > -100.0}
    assert lit == {3, 4, 5}
    assert own(level) == [4]


def test_a_weak_neighbour_above_the_skirt_is_heard() -> None:
    """At the next centre the skirt of −30 dBm is 75 dB down: −60 dBm there is a signal."""
    assert own(scene((112.5e3, -30.0), (137.5e3, -60.0))) == [4, 5]


def test_a_weak_neighbour_under_the_skirt_stays_hidden() -> None:
    """Four poles reach further than a Gaussian filter: 30 dB down at the next centre, not 75."""
    level = scene((112.5e3, -30.0), (137.5e3, -64.0))
    assert own(level, Leakage(rbw_hz=RBW_HZ, poles=4.0)) == [4]
    assert own(level) == [4, 5]


def test_a_wide_signal_reaches_out_from_its_edges() -> None:
    """Fifteen lines over 16 kHz: the neighbours' skirts begin at ±8 kHz and are explained too."""
    lines = [(112.5e3 + offset, -40.0) for offset in np.linspace(-8e3, 8e3, 15)]
    level = scene(*lines)
    assert level[50] > -75.0  # in the next channel
    assert own(level) == [4]


def test_channels_that_overlap_share_their_signal() -> None:
    """A signal in a wide channel and in the narrow one inside it is in both."""
    assert own(scene((112.5e3, -30.0)), groups=[*GROUPS, (43, 47)]) == [4, 20]


def test_what_leaks_is_known_beforehand() -> None:
    """From the edge of a channel more than from its middle; from outside by the distance."""
    leakage = Leakage(rbw_hz=RBW_HZ)
    of_point = np.full(AXIS_HZ.size, -1)
    of_point[40:50], of_point[50:60], of_point[100:110] = 0, 1, 2
    leak_db = leak_out_db(of_point, AXIS_HZ, leakage)
    for point, away in ((45, 5), (49, 1), (50, 1), (30, 10), (59, 10), (80, 20), (105, 46)):
        expected = float(leakage.reach_db(np.array([away * 2.5e3]))[0])
        assert leak_db[point] == pytest.approx(expected)
    alone = np.zeros(AXIS_HZ.size, dtype=np.intp)
    assert np.isneginf(leak_out_db(alone, AXIS_HZ, leakage)).all()
    level = scene((112.5e3, -30.0), (137.5e3, -60.0))
    raster = np.repeat(np.arange(20), 10)
    known, _ = find_sources(
        level,
        AXIS_HZ,
        GROUPS,
        above=level > -100.0,
        leakage=leakage,
        leak_db=leak_out_db(raster, AXIS_HZ, leakage),
    )
    assert [i for i, (first, stop) in enumerate(GROUPS) if known[first:stop].any()] == [4, 5]


def test_two_equal_neighbours_are_both_there() -> None:
    """Neither explains the other."""
    assert own(scene((112.5e3, -50.0), (137.5e3, -50.0))) == [4, 5]


def test_phase_noise_explains_what_lies_beyond_the_skirt() -> None:
    """−105 dBc/Hz in 10 kHz is 65 dB down: channels all over light up, one is busy."""
    clean = scene((112.5e3, -30.0))
    width_db = 10.0 * math.log10(enb_hz(RBW_HZ))
    level = 10.0 * np.log10(10.0 ** (clean / 10.0) + 10.0 ** ((-30.0 - 105.0 + width_db) / 10.0))
    assert len(own(level)) > 10
    declared = Leakage(rbw_hz=RBW_HZ, phase_noise=((10e3, -105.0), (1e6, -105.0)))
    assert own(level, declared) == [4]


def test_phase_noise_is_read_between_its_offsets_and_held_outside() -> None:
    """Straight over the logarithm of the offset; nearest value beyond."""
    leakage = Leakage(rbw_hz=1e3, phase_noise=((10e3, -80.0), (1e6, -120.0)), enb_hz=1.0)
    offsets_hz = np.array([10e3, 100e3, 1e6, 10e6])
    assert leakage.reach_db(offsets_hz) == pytest.approx([-80.0, -100.0, -120.0, -120.0])
    assert leakage.reach_db(np.zeros(1)).tolist() == [0.0]


def test_a_stopband_ends_the_rejection() -> None:
    """However far away, no more than that."""
    leakage = Leakage(rbw_hz=1e3, stopband_db=70.0)
    assert leakage.reach_db(np.array([100e3])).tolist() == [-70.0]


def test_nothing_explains_nothing() -> None:
    """Without sources no level is explained; without anything above the threshold none is found."""
    nothing = Sources(frequency_hz=np.empty(0), level=np.empty(0))
    assert np.isneginf(explained_level(AXIS_HZ, nothing, Leakage(rbw_hz=1e3))).all()
    assert own(scene()) == []
    assert own(np.full(AXIS_HZ.size, -np.inf)) == []


def test_phase_noise_of_a_clean_carrier_is_measured(rng: np.random.Generator) -> None:
    """−95 dBc/Hz at 100 kHz with 1 kHz RBW; offsets in the skirt or the floor are left out."""
    axis_hz = np.arange(-500e3, 500.1e3, 500.0)
    density = np.interp(
        np.log(np.maximum(np.abs(axis_hz), 1e3)), np.log([1e3, 100e3, 500e3]), [-75, -95, -130]
    )
    noise = 10.0 ** ((-20.0 + density + 10.0 * math.log10(enb_hz(1e3))) / 10.0)
    power = 10.0 ** ((-20.0 - skirt_db(axis_hz, 1e3)) / 10.0) + 1e-11
    power += noise * rng.gamma(30.0, size=axis_hz.size) / 30.0
    found = phase_noise_from_sweep(
        10.0 * np.log10(power),
        Grid.from_axis(axis_hz),
        rbw_hz=1e3,
        offsets_hz=[1e3, 100e3, 450e3, 2e6],
        floor=-110.0,
    )
    assert [offset for offset, _ in found] == [100e3]
    assert found[0][1] == pytest.approx(-95.0, abs=0.7)
    with pytest.raises(ValueError, match="no level"):
        phase_noise_from_sweep(
            np.full(3, np.nan), Grid.from_axis(np.arange(3.0)), rbw_hz=1.0, offsets_hz=[1.0]
        )


@pytest.mark.parametrize(
    "fields",
    [{"rbw_hz": 0.0}, {"rbw_hz": 1.0, "poles": 0.5}]
    + [
        {"rbw_hz": 1.0, "phase_noise": noise}
        for noise in (((0.0, -80.0),), ((2.0, -80.0), (1.0, -90.0)))
    ],
)
def test_impossible_sweepers_are_refused(fields: dict[str, object]) -> None:
    """The field is named."""
    with pytest.raises(ValueError, match="must"):
        Leakage(**fields)
    with pytest.raises(ValueError, match="single pole"):
        poles_of(2000.0)
