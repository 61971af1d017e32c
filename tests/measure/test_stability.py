"""The Allan family: against AllanTools, with gaps, and what noise it tells."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import allantools
import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure import stability
from acqd.measure.stability import DeviationKind, NoiseType

Float = NDArray[np.float64]

THEIRS: dict[DeviationKind, Callable[..., Any]] = {
    DeviationKind.ALLAN: allantools.adev,
    DeviationKind.OVERLAPPING: allantools.oadev,
    DeviationKind.MODIFIED: allantools.mdev,
    DeviationKind.TIME: allantools.tdev,
    DeviationKind.HADAMARD: allantools.hdev,
    DeviationKind.OVERLAPPING_HADAMARD: allantools.ohdev,
}


def noise(kind: str, count: int, rng: np.random.Generator) -> Float:
    """White, flicker or random-walk noise of y."""
    white = rng.standard_normal(count)
    if kind == "white":
        return white
    if kind == "random walk":
        return np.asarray(np.cumsum(white))
    spectrum = np.fft.rfft(white)
    frequency = np.fft.rfftfreq(count)
    spectrum[1:] /= np.sqrt(frequency[1:])
    spectrum[0] = 0.0
    return np.asarray(np.fft.irfft(spectrum, count))


# --- against AllanTools ---------------------------------------------------------------------------


@pytest.mark.parametrize("kind", list(DeviationKind))
@pytest.mark.parametrize("offset", [0.0, 156.8e6], ids=["around 0", "156.8 MHz"])
def test_deviations_agree_with_allantools(
    kind: DeviationKind, offset: float, rng: np.random.Generator
) -> None:
    """To 1e-12, at every octave, with as many terms; a carrier's frequency costs no digits."""
    y = offset + noise("white", 1000, rng) + 0.1 * noise("random walk", 1000, rng)
    tau_s, theirs, _, pairs = THEIRS[kind](y, rate=0.5, data_type="freq", taus="octave")
    found = stability.deviations(kind, y, tau0_s=2.0, averages=[round(t / 2) for t in tau_s])
    assert [p.tau_s for p in found] == tau_s.tolist()
    assert [p.deviation for p in found] == pytest.approx(theirs.tolist(), rel=1e-12)
    assert [p.pairs for p in found] == pairs.tolist()
    assert all(p.coverage == 1.0 for p in found)


@pytest.mark.parametrize("exponent", [2, 1, 0, -1, -2])
@pytest.mark.parametrize(("points", "averages"), [(64, 1), (257, 4), (1001, 16), (1001, 200)])
@pytest.mark.parametrize("kind", [k for k in DeviationKind if k is not DeviationKind.TIME])
def test_degrees_of_freedom_agree_with_allantools(
    kind: DeviationKind, exponent: int, points: int, averages: int
) -> None:
    """Greenhall and Riley's sum, within the 2 % of its approximations; some it does not offer."""
    hadamard = kind in (DeviationKind.HADAMARD, DeviationKind.OVERLAPPING_HADAMARD)
    try:
        theirs = allantools.edf_greenhall(
            exponent,
            3 if hadamard else 2,
            averages,
            points,
            overlapping=kind not in (DeviationKind.ALLAN, DeviationKind.HADAMARD),
            modified=kind is DeviationKind.MODIFIED,
        )
    except NotImplementedError:
        return
    found = stability.allan_dof(kind, exponent, averages, points - 1)
    assert found == pytest.approx(max(1.0, theirs), rel=0.02)


def test_degrees_of_freedom_scale_at_long_averaging() -> None:
    """Ten times as many readings at ten times the averaging: the same, above the limit too."""
    for exponent in (0, -1, -2):
        for kind in DeviationKind:
            small = stability.allan_dof(kind, exponent, 1000, 16_000)
            large = stability.allan_dof(kind, exponent, 10_000, 160_000)
            assert large == pytest.approx(small, rel=5e-3)
    assert stability.allan_dof(DeviationKind.ALLAN, 0, 8, 15) == 0.0
    with pytest.raises(ValueError, match="exponent"):
        stability.allan_dof(DeviationKind.ALLAN, -3, 1, 100)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "averages"), [("white", 1), ("white", 32), ("random walk", 32), ("flicker", 8)]
)
def test_interval_holds_the_true_deviation(
    name: str, averages: int, rng: np.random.Generator
) -> None:
    """200 series of 512: 95 % intervals hold the truth 90 to 98.5 % of the time.

    Truth: the root of the mean variance of other 400 series of that noise.
    """
    kind = DeviationKind.OVERLAPPING

    def one() -> stability.Deviation:
        y = noise(name, 2048, rng)[:512]
        return stability.deviation(kind, y, tau0_s=1.0, averages=averages)

    true = math.sqrt(float(np.mean([one().deviation ** 2 for _ in range(400)])))
    held = sum(point.low <= true <= point.high for point in (one() for _ in range(200)))
    assert 0.90 <= held / 200 <= 0.985


# --- gaps -----------------------------------------------------------------------------------------


def by_hand(kind: DeviationKind, y: Float, m: int) -> tuple[float, int]:
    """Every term spelt out; a term with a NaN in it is left out."""
    squares = []
    stride = m if kind in (DeviationKind.ALLAN, DeviationKind.HADAMARD) else 1
    for i in range(0, y.size, stride):
        part = [y[i + j * m : i + (j + 1) * m] for j in range(3)]
        if kind in (DeviationKind.HADAMARD, DeviationKind.OVERLAPPING_HADAMARD):
            if part[2].size < m:
                break
            squares.append((part[2].mean() - 2 * part[1].mean() + part[0].mean()) ** 2 / 6)
        elif kind in (DeviationKind.ALLAN, DeviationKind.OVERLAPPING):
            if part[1].size < m:
                break
            squares.append((part[1].mean() - part[0].mean()) ** 2 / 2)
        else:
            if i + 3 * m - 1 > y.size:
                break
            steps = [
                y[i + j + m : i + j + 2 * m].mean() - y[i + j : i + j + m].mean() for j in range(m)
            ]
            squares.append(float(np.mean(steps)) ** 2 / 2)
    known = [s for s in squares if np.isfinite(s)]
    found = math.sqrt(float(np.mean(known)))
    return (found * m / math.sqrt(3) if kind is DeviationKind.TIME else found), len(known)


@pytest.mark.parametrize("kind", list(DeviationKind))
@pytest.mark.parametrize("averages", [1, 3, 8])
def test_gaps_cost_the_terms_they_touch_and_no_others(
    kind: DeviationKind, averages: int, rng: np.random.Generator
) -> None:
    """Single losses and a long gap, against terms spelt out one by one."""
    y = 50.0 + noise("random walk", 400, rng)
    y[[17, 101, 250]] = np.nan
    y[300:340] = np.nan
    y.setflags(write=False)
    expected, pairs = by_hand(kind, y, averages)
    found = stability.deviation(kind, y, tau0_s=1.0, averages=averages)
    assert found.deviation == pytest.approx(expected, rel=1e-10)
    assert found.pairs == pairs
    assert 0.0 < found.coverage < 1.0
    whole = stability.deviation(kind, np.nan_to_num(y), tau0_s=1.0, averages=averages)
    assert found.possible == whole.possible == whole.pairs


def test_series_with_every_second_value_has_no_pairs() -> None:
    """No two neighbours: nothing to say at τ0, in words of NaN, and no points at all."""
    y = np.arange(40.0)
    y[::2] = np.nan
    found = stability.deviation(DeviationKind.ALLAN, y, tau0_s=1.0)
    assert math.isnan(found.deviation) and found.pairs == 0
    assert stability.deviations(DeviationKind.ALLAN, y, tau0_s=1.0) == ()


@pytest.mark.parametrize("count", [0, 1, 2])
def test_short_series(count: int) -> None:
    """None and one give nothing, two the one Allan term there is."""
    y = np.array([1.0, 4.0])[:count]
    points = stability.deviations(DeviationKind.ALLAN, y, tau0_s=1.0)
    assert [p.deviation for p in points] == ([pytest.approx(3 / math.sqrt(2))] if count > 1 else [])
    assert math.isnan(stability.deviation(DeviationKind.HADAMARD, y, tau0_s=1.0).deviation)
    assert stability.deviation(DeviationKind.HADAMARD, y, tau0_s=1.0).coverage == 0.0


def test_constant_series_does_not_move() -> None:
    """Deviation 0, interval 0."""
    point = stability.deviation(DeviationKind.OVERLAPPING, np.full(100, 7.0), tau0_s=1.0)
    assert (point.deviation, point.low, point.high) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"y": np.zeros((2, 2)), "tau0_s": 1.0}, "one series"),
        ({"y": np.zeros(9), "tau0_s": 0.0}, "spacing"),
        ({"y": np.zeros(9), "tau0_s": 1.0, "averages": 0}, "averages"),
    ],
)
def test_bad_arguments_are_refused(arguments: dict[str, Any], words: str) -> None:
    """Shape, spacing, averages."""
    with pytest.raises(ValueError, match=words):
        stability.deviation(DeviationKind.ALLAN, **arguments)
    with pytest.raises(ValueError, match="averages"):
        stability.deviations(DeviationKind.ALLAN, np.zeros(9), tau0_s=1.0, averages=[0])


def test_octaves() -> None:
    """1, 2, 4, ... as long as two averages remain, or more where asked."""
    assert stability.octaves(9) == (1, 2, 4)
    assert stability.octaves(1024, least_pairs=7) == (1, 2, 4, 8, 16, 32, 64, 128)
    assert stability.octaves(1) == ()


# --- even grids -----------------------------------------------------------------------------------


def test_even_readings_are_their_own_grid(rng: np.random.Generator) -> None:
    """Nothing lost, nothing moved; also out of order."""
    y, t = rng.standard_normal(100), 1.75e9 + np.arange(100) * 10.0
    order = rng.permutation(100)
    found = stability.regular_grid(t[order], y[order])
    assert found.values.tolist() == y.tolist()
    assert found.tau0_s == pytest.approx(10.0, rel=1e-9)
    assert found.start_s == pytest.approx(1.75e9, abs=1e-5)
    assert (found.coverage, found.doubled) == (1.0, 0)


def test_two_days_of_jitter_and_gaps_do_not_walk_off(rng: np.random.Generator) -> None:
    """172 800 s every 10.0003 s with 1 s of jitter and two gaps: each reading in its own cell."""
    number = np.delete(np.arange(17_280), np.r_[3000:3500, 9000:9100])
    t = number * 10.0003 + rng.normal(0.0, 0.3, number.size)
    found = stability.regular_grid(t, number.astype(float))
    assert found.tau0_s == pytest.approx(10.0003, abs=1e-6)
    assert found.values.size == 17_280
    known = np.isfinite(found.values)
    assert np.flatnonzero(known).tolist() == number.tolist()
    assert found.values[known].tolist() == number.tolist()
    assert found.coverage == pytest.approx(1 - 600 / 17_280)
    assert found.off_s < 2.0


def test_of_two_readings_in_a_cell_the_nearer_stays() -> None:
    """Counted as doubled."""
    found = stability.regular_grid([0.0, 10.1, 12.0, 20.0], [1.0, 2.0, 3.0, 4.0], tau0_s=10.0)
    assert found.values.tolist() == [1.0, 2.0, 4.0]
    assert found.doubled == 1
    assert found.off_s == pytest.approx(2.0)


def test_no_and_single_readings() -> None:
    """Nothing, one, several at one time, and NaN only."""
    assert stability.regular_grid([], []).values.size == 0
    assert stability.regular_grid([np.nan], [1.0]).coverage == 0.0
    one = stability.regular_grid([5.0], [1.0])
    assert one.values.tolist() == [1.0] and math.isnan(one.tau0_s)
    assert stability.regular_grid([5.0, 5.0], [1.0, 2.0]).doubled == 1


def test_grids_that_cannot_be_are_refused() -> None:
    """Lengths, spacing, and a span that no memory holds."""
    with pytest.raises(ValueError, match="as long"):
        stability.regular_grid([0.0, 1.0], [0.0])
    with pytest.raises(ValueError, match="above 0 s"):
        stability.regular_grid([0.0], [0.0], tau0_s=0.0)
    with pytest.raises(ValueError, match="at most"):
        stability.regular_grid([0.0, 1.0, 2.0, 1e9], np.zeros(4))


# --- which noise ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "exponent", "told"),
    [
        ("white", 0, NoiseType.WHITE),
        ("flicker", -1, NoiseType.FLICKER),
        ("random walk", -2, NoiseType.RANDOM_WALK),
    ],
)
def test_noise_is_told_from_slope_and_correlation(
    name: str, exponent: int, told: NoiseType, rng: np.random.Generator
) -> None:
    """8192 values of each noise, by both ways, for both kinds of deviation."""
    y = noise(name, 8192, rng)
    assert stability.noise_exponent(y, averages=4) == exponent
    for kind in (DeviationKind.OVERLAPPING, DeviationKind.MODIFIED):
        points = stability.deviations(kind, y, tau0_s=1.0, averages=[2, 4, 8, 16, 32])
        assert stability.slope_of(points).noise is told
        assert {p.exponent for p in points if p.averages <= 8} == {exponent}


def test_drift_and_phase_noise_are_told() -> None:
    """+1 for a ramp, -1 and steeper for differences of white phase."""
    ramp = np.arange(4096.0)
    points = stability.deviations(DeviationKind.OVERLAPPING, ramp, tau0_s=1.0)
    assert stability.slope_of(points[:6]).slope == pytest.approx(1.0, abs=1e-9)
    assert stability.slope_of(points[:6]).noise is NoiseType.DRIFT
    hadamard = stability.deviation(DeviationKind.HADAMARD, ramp, tau0_s=1.0, averages=8)
    assert hadamard.deviation == pytest.approx(0.0, abs=1e-9)
    phase = np.diff(np.random.default_rng(8).standard_normal(8193))
    assert stability.noise_exponent(phase) == 2
    for kind, steep in ((DeviationKind.OVERLAPPING, -1.0), (DeviationKind.MODIFIED, -1.5)):
        points = stability.deviations(kind, phase, tau0_s=1.0, averages=[1, 2, 4, 8, 16])
        assert stability.slope_of(points).slope == pytest.approx(steep, abs=0.06)
        assert stability.slope_of(points).noise is NoiseType.PHASE


def test_time_deviation_is_told_by_its_own_slopes(rng: np.random.Generator) -> None:
    """White noise of y: TDEV rises by +½."""
    y = noise("white", 8192, rng)
    points = stability.deviations(DeviationKind.TIME, y, tau0_s=1.0, averages=[4, 8, 16, 32])
    found = stability.slope_of(points)
    assert found.slope == pytest.approx(0.5, abs=0.1)
    assert found.noise is NoiseType.WHITE


@pytest.mark.parametrize(
    ("slope", "u", "told"),
    [
        (-0.5, 0.05, NoiseType.WHITE),
        (-0.4, 0.0, NoiseType.WHITE),
        (0.25, 0.0, NoiseType.UNCLEAR),
        (0.1, 0.6, NoiseType.UNCLEAR),
        (2.0, 0.1, NoiseType.UNCLEAR),
        (math.nan, 0.0, NoiseType.UNCLEAR),
    ],
)
def test_slopes_between_the_types_are_unclear(slope: float, u: float, told: NoiseType) -> None:
    """Halfway, uncertain, beyond all, unknown."""
    assert stability.noise_of_slope(slope, u=u) is told


def test_one_point_has_no_slope() -> None:
    """Nor have none."""
    y = [1.0, 2.0, 4.0]
    points = stability.deviations(DeviationKind.ALLAN, y, tau0_s=1.0)
    assert stability.slope_of(points[:1]).noise is NoiseType.UNCLEAR
    assert math.isnan(stability.slope_of([]).slope)


def test_few_values_take_the_noise_of_shorter_averages(rng: np.random.Generator) -> None:
    """Below 30 averages nothing is told anew; a constant is as good as white."""
    y = noise("random walk", 600, rng)
    points = stability.deviations(DeviationKind.OVERLAPPING, y, tau0_s=1.0)
    assert stability.noise_exponent(y, averages=32) is None
    assert points[-1].exponent == points[4].exponent == -2
    assert stability.noise_exponent(np.full(64, 3.0)) == 0


def test_steeper_than_a_random_walk_is_told_as_one(rng: np.random.Generator) -> None:
    """A random walk summed up once more: the slowest exponent there is."""
    assert stability.noise_exponent(np.cumsum(noise("random walk", 4000, rng))) == -2
