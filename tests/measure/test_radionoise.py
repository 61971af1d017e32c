"""External radio noise: the figure behind a floor, its uncertainty, and when there is none."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from acqd.chain import Chain, ChainPart, PartKind
from acqd.measure import radionoise
from acqd.measure.bandpower import enb_hz
from acqd.measure.radionoise import Antenna, Environment, ExternalNoise, external_noise_figure
from acqd.units import BOLTZMANN_J_PER_K

ENB_HZ = enb_hz(3e3)


def floor_dbm(
    external_db: float,
    *,
    receiver_db: float,
    loss_db: float = 0.0,
    gain_db: float = 0.0,
    amplifier_db: float = 0.0,
) -> float:
    """What the sweeper reads, summed up part by part in watt: sky, feeder, amplifier, sweeper."""
    thermal_w = BOLTZMANN_J_PER_K * 290.0 * ENB_HZ
    power_w = thermal_w * 10 ** (external_db / 10)
    through = 10 ** (-loss_db / 10)
    power_w = power_w * through + thermal_w * (1 - through)
    power_w = (power_w + thermal_w * (10 ** (amplifier_db / 10) - 1)) * 10 ** (gain_db / 10)
    power_w += thermal_w * (10 ** (receiver_db / 10) - 1)
    return 10 * math.log10(power_w * 1e3)


def figure(external_db: float = 48.92, **how: Any) -> ExternalNoise:
    given = {
        "floor_dbm": floor_dbm(external_db, receiver_db=20.0),
        "enb_hz": ENB_HZ,
        "frequency_hz": 7.1e6,
        "instrument_figure_db": 20.0,
    }
    return external_noise_figure(**(given | how))


@pytest.mark.parametrize("external_db", [24.0, 30.0, 48.92])
def test_own_noise_is_taken_out(external_db: float) -> None:
    found = figure(external_db)
    assert found.reason is None
    assert found.figure_db == pytest.approx(external_db, abs=1e-4)
    assert found.own_figure_db == pytest.approx(20.0)


def test_a_lossy_feeder_is_taken_out() -> None:
    """3 dB of cable, at 290 K, in front of 15 dB."""
    seen_dbm = floor_dbm(30.0, receiver_db=15.0, loss_db=3.0)
    found = figure(floor_dbm=seen_dbm, instrument_figure_db=15.0, chain_gain_db=-3.0)
    assert found.figure_db == pytest.approx(30.0, abs=1e-4)
    assert found.own_figure_db == pytest.approx(18.0)
    split = figure(
        floor_dbm=seen_dbm, instrument_figure_db=15.0, chain_gain_db=-2.0, antenna_loss_db=1.0
    )
    assert split.figure_db == pytest.approx(30.0, abs=1e-4)


def test_an_amplifier_of_known_noise_is_taken_out() -> None:
    """1 dB of feeder, then 20 dB of gain with 4 dB of noise, then a sweeper of 25 dB."""
    seen_dbm = floor_dbm(18.0, receiver_db=25.0, loss_db=1.0, gain_db=20.0, amplifier_db=4.0)
    found = figure(
        floor_dbm=seen_dbm,
        instrument_figure_db=25.0,
        chain_gain_db=19.0,
        chain_figure_db=5.0,
    )
    assert found.figure_db == pytest.approx(18.0, abs=1e-4)
    aerial = figure(
        floor_dbm=seen_dbm,
        instrument_figure_db=25.0,
        chain_gain_db=20.0,
        chain_figure_db=4.0,
        antenna_loss_db=1.0,
    )
    assert aerial.figure_db == pytest.approx(18.0, abs=1e-4)
    unknown = figure(floor_dbm=seen_dbm, instrument_figure_db=25.0, chain_gain_db=19.0)
    assert unknown.figure_db is None
    assert unknown.reason is not None and "the chain amplifies" in unknown.reason


def test_a_measured_floor_serves_as_well_as_a_figure() -> None:
    own_dbm = floor_dbm(0.0, receiver_db=20.0)
    found = figure(30.0, instrument_figure_db=None, instrument_floor_dbm=own_dbm)
    assert found.figure_db == pytest.approx(30.0, abs=1e-4)


@pytest.mark.parametrize(
    ("over_db", "refused"), [(0.0, True), (2.99, True), (3.0001, False), (-1.0, True)]
)
def test_the_instruments_own_floor_is_refused(over_db: float, refused: bool) -> None:
    own_dbm = -120.0
    found = figure(
        floor_dbm=own_dbm + over_db,
        instrument_figure_db=None,
        instrument_floor_dbm=own_dbm,
        chain_gain_db=-2.0,
    )
    assert found.over_own_db == pytest.approx(over_db, abs=1e-9)
    assert (found.figure_db is None) == refused
    assert (found.u_db is None) == (found.expanded_db is None) == refused
    if refused:
        assert found.reason is not None and "the instrument's own" in found.reason


def test_uncertainty_holds_the_truth() -> None:
    """200 scenes with errors drawn from what is stated: ± U at k = 2 holds 93 % (found)."""
    held = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        external_db, loss_db = rng.uniform(29, 45), rng.uniform(2, 5)
        u = {"floor": 0.3, "instrument": 0.3, "level": 1.0, "chain": 0.5}
        error = {name: rng.normal(0, one) for name, one in u.items()}
        seen_dbm = floor_dbm(external_db, receiver_db=18.0, loss_db=loss_db)
        own_dbm = floor_dbm(0.0, receiver_db=18.0)
        found = external_noise_figure(
            floor_dbm=seen_dbm + error["floor"] + error["level"],
            instrument_floor_dbm=own_dbm + error["instrument"] + error["level"],
            enb_hz=ENB_HZ,
            frequency_hz=14.2e6,
            chain_gain_db=-loss_db + error["chain"],
            floor_u_db=u["floor"],
            instrument_u_db=u["instrument"],
            level_u_db=u["level"],
            chain_u_db=u["chain"],
        )
        assert found.figure_db is not None and found.expanded_db is not None
        held += abs(found.figure_db - external_db) <= found.expanded_db
    assert 0.91 <= held / 200 <= 0.99, held


def test_the_budget_grows_towards_the_floor() -> None:
    """Far above, own noise does not matter; near it, most of the doubt is from there."""
    stated = {"instrument_u_db": 1.0, "floor_u_db": 0.5, "antenna_u_db": 0.3, "enb_u_db": 0.1}
    far, near = dict(figure(50.0, **stated).parts_db), dict(figure(21.0, **stated).parts_db)
    assert far["floor"] == pytest.approx(0.5, abs=0.01)
    assert far["instrument's own floor"] < 0.01
    assert near["instrument's own floor"] == pytest.approx(10 ** (-0.1), abs=0.02)
    assert near["floor"] == pytest.approx(0.5 * (1 + 10 ** (-0.1)), abs=0.01)
    assert far["aerial"] == pytest.approx(0.3, abs=0.01)
    assert far["noise bandwidth"] == pytest.approx(0.1, abs=0.001)
    assert near["noise bandwidth"] == pytest.approx(0.1 * (1 + 10 ** (-0.1)), abs=0.002)
    assert far["level scale"] == 0.0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"instrument_floor_dbm": -120.0}, "either instrument_floor_dbm or"),
        ({"instrument_figure_db": None}, "either instrument_floor_dbm or"),
        ({"floor_dbm": math.nan}, "must be finite"),
        ({"enb_hz": 0.0}, "enb_hz must be above 0"),
        ({"frequency_hz": -1.0}, "frequency_hz must be above 0"),
        ({"antenna_loss_db": -1.0}, "antenna_loss_db must not be below 0"),
        ({"chain_u_db": math.nan}, "chain_u_db must not be below 0"),
    ],
)
def test_bad_arguments_are_refused(change: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        figure(**change)


def test_an_aerials_gain_collects_no_more_noise_from_all_around() -> None:
    chain = Chain(
        (
            ChainPart.flat(PartKind.ANTENNA, "whip", gain_db=6.0),
            ChainPart.flat(PartKind.CABLE, "feeder", gain_db=-2.5),
            ChainPart.flat(PartKind.PAD, "pad", gain_db=-3.0),
        )
    )
    assert float(radionoise.noise_gain_db(chain, 145e6)) == -5.5
    assert radionoise.noise_gain_db(chain, [1e6, 2e6]).tolist() == [-5.5, -5.5]


# --- against the curves ---------------------------------------------------------------------------


def test_a_figure_beside_every_curve() -> None:
    found = {
        comparison.median.environment: comparison for comparison in radionoise.compare(60.12, 7.1e6)
    }
    assert list(found) == list(Environment)
    residential = found[Environment.RESIDENTIAL]
    assert residential.over_median_db == pytest.approx(11.2, abs=0.01)
    assert str(residential) == "11.2 dB above the residential median (48.9 dB at 7.100 MHz)"
    assert residential.usual is True
    assert found[Environment.RURAL].usual is False
    assert found[Environment.QUIET_RURAL].usual is None
    galactic = found[Environment.GALACTIC]
    assert galactic.over_median_db is None and galactic.usual is None
    assert str(galactic) == (
        "the galactic curve of P.372 holds from 10.000 MHz to 100.000 MHz, not at 7.100 MHz"
    )


def test_below_a_median_is_said_without_a_sign() -> None:
    city = radionoise.compare(40.0, 7.1e6)[0]
    assert str(city).startswith("13.2 dB below the city median")
    assert city.usual is False


def test_spread_takes_time_and_place_together() -> None:
    """10.6 and 5.8 above, 5.3 and 5.8 below: root of the sum of squares."""
    spread = radionoise.median(Environment.RESIDENTIAL, 7.1e6).spread_db()
    assert spread == pytest.approx((math.hypot(5.3, 5.8), math.hypot(10.6, 5.8)))
    assert radionoise.median(Environment.QUIET_RURAL, 7.1e6).spread_db() is None
    assert radionoise.median(Environment.GALACTIC, 28e6).spread_db() == (2.0, 2.0)


def test_curves_end_where_they_end() -> None:
    axis_hz = np.array([0.29e6, 0.3e6, 7.1e6, 30e6, 30.1e6, 0.0, np.nan])
    curve = radionoise.median_curve_db(Environment.QUIET_RURAL, axis_hz)
    assert np.isnan(curve).tolist() == [True, False, False, False, True, True, True]
    assert curve[2] == radionoise.median(Environment.QUIET_RURAL, 7.1e6).figure_db


def test_levels_and_figures_undo_each_other() -> None:
    figures = np.array([10.0, 40.0])
    levels = radionoise.level_dbm(figures, 2.5e3)
    assert radionoise.figure_from_level_db(levels, 2.5e3) == pytest.approx(figures)
    with pytest.raises(ValueError, match="bandwidth_hz must be above 0"):
        radionoise.level_dbm(10.0, 0.0)
    with pytest.raises(ValueError, match="frequency_hz must be above 0"):
        radionoise.field_strength_dbuv_per_m(
            10.0, frequency_hz=0.0, bandwidth_hz=1.0, antenna=Antenna.SHORT_MONOPOLE
        )
