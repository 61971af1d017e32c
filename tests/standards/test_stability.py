"""The Allan family against the check set of NIST SP 1065 (from memory; recomputed by hand).

Slopes of the noises are those of IEEE 1139 (from memory). AllanTools is compared with elsewhere.
"""

from __future__ import annotations

import math

import pytest

from acqd.measure.stability import DeviationKind, NoiseType, deviation, noise_of_slope

FREQUENCY = [892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0]
"""Nine values of frequency at τ0 = 1 s."""


@pytest.mark.source("NIST SP 1065, set of nine values", "from memory")
@pytest.mark.source("recomputed by hand and with AllanTools", "derived")
@pytest.mark.parametrize(
    ("kind", "averages", "expected"),
    [
        (DeviationKind.ALLAN, 1, 91.22945),
        (DeviationKind.TIME, 1, 52.67135),
        (DeviationKind.HADAMARD, 1, 70.80607),
        (DeviationKind.ALLAN, 2, 115.8082),
        (DeviationKind.OVERLAPPING, 2, 85.95287),
        (DeviationKind.MODIFIED, 2, 74.78849),
        (DeviationKind.TIME, 2, 86.35831),
        (DeviationKind.HADAMARD, 2, 116.7980),
    ],
    ids=lambda value: str(value),
)
def test_check_set(kind: DeviationKind, averages: int, expected: float) -> None:
    """Each to the seventh digit, the last one printed."""
    found = deviation(kind, FREQUENCY, tau0_s=1.0, averages=averages)
    assert found.deviation == pytest.approx(
        expected, abs=0.51 * 10.0 ** (math.floor(math.log10(expected)) - 6)
    )


@pytest.mark.source("slopes of the Allan deviation, IEEE 1139", "from memory")
@pytest.mark.parametrize(
    ("slope", "noise"),
    [
        (-0.5, NoiseType.WHITE),
        (0.0, NoiseType.FLICKER),
        (0.5, NoiseType.RANDOM_WALK),
        (1.0, NoiseType.DRIFT),
    ],
)
def test_noise_of_a_slope(slope: float, noise: NoiseType) -> None:
    """White −½, flicker 0, random walk +½, linear drift +1."""
    assert noise_of_slope(slope) is noise


@pytest.mark.source("definition of the Allan deviation: ½⟨(ȳ₂ − ȳ₁)²⟩", "derived")
@pytest.mark.parametrize("averages", [1, 2, 8])
def test_drift_of_its_own(averages: int) -> None:
    """A ramp of d per second shows d·τ/√2, so that its slope is +1."""
    found = deviation(
        DeviationKind.OVERLAPPING, [0.3 * i for i in range(64)], tau0_s=1.0, averages=averages
    )
    assert found.deviation == pytest.approx(0.3 * averages / math.sqrt(2.0), rel=1e-9)
