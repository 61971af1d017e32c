"""Powers at inputs and in pads, exposure, and errors of frequency: the figures behind cautions.

Sources: derived from the definition of the decibel and from the far field of an isotropic radiator;
the linear derating of pads, margins at inputs and the figures of frequency errors are the trade's
practice. No figure here replaces the exposure limits or the rules in force where one is.
"""

from __future__ import annotations

import pytest

from acqd.chain import Chain, ChainPart, PartKind, derated_w
from acqd.measure.uncertainty import frequency_budget
from acqd.safety import exposure_at_distance, failures, missing_pad

AT_145_MHZ = {"start_hz": 144e6, "stop_hz": 146e6}


def pads(*values_db: float) -> Chain:
    return Chain(
        tuple(ChainPart.flat(PartKind.PAD, f"{db:g} dB pad", gain_db=-db) for db in values_db)
    )


@pytest.mark.source("level less loss", "derived")
@pytest.mark.parametrize(("power_w", "loss_db"), [(100.0, 60.0), (5.0, 47.0)])
def test_loss_to_minus_10_dbm(power_w: float, loss_db: float) -> None:
    """100 W needs 60 dB and 5 W 47 dB to arrive at −10 dBm."""
    arrives_dbm = pads(loss_db).planned_input_dbm(power_w, **AT_145_MHZ, reserve_db=0.0)
    assert arrives_dbm == pytest.approx(-10.0, abs=0.02)


@pytest.mark.source("absolute maximum of small portable sweepers, +10 dBm", "practice")
@pytest.mark.parametrize(("loss_db", "enough"), [(50.0, True), (49.9, False)])
def test_planned_level(loss_db: float, enough: bool) -> None:
    """Stated power and 3 dB more must stay at or below −10 dBm: 5 W through 50 dB does."""
    advice = missing_pad(pads(loss_db), 5.0, **AT_145_MHZ, absolute_max_dbm=10.0)
    assert (advice is None) is enough


@pytest.mark.source("P·(1 − 10^(−A/10))", "derived")
@pytest.mark.parametrize(
    ("power_w", "loss_db", "heat_w", "out_dbm"),
    [(5.0, 20.0, 4.95, 16.99), (100.0, 30.0, 99.9, 20.0)],
)
def test_heat_in_a_pad(power_w: float, loss_db: float, heat_w: float, out_dbm: float) -> None:
    """The first pad takes nearly all of it."""
    chain = pads(loss_db, 10.0)
    first, second = chain.dissipation(power_w, 145e6)
    assert first.dissipated_w == pytest.approx(heat_w, abs=1e-9)
    assert first.dissipated_w > 0.98 * power_w > second.dissipated_w
    through = pads(loss_db).planned_input_dbm(power_w, **AT_145_MHZ, reserve_db=0.0)
    assert through == pytest.approx(out_dbm, abs=5e-3)


@pytest.mark.source("linear derating of pads", "practice")
@pytest.mark.parametrize(
    ("rated_w", "max_c", "ambient_c", "stands_w"),
    [(10.0, 125.0, 65.0, 6.0), (50.0, 150.0, 85.0, 26.0)],
)
def test_derating(rated_w: float, max_c: float, ambient_c: float, stands_w: float) -> None:
    """P25·(Tmax − T)/(Tmax − 25 °C)."""
    assert derated_w(rated_w, max_c=max_c, ambient_c=ambient_c) == pytest.approx(stands_w)


@pytest.mark.source("a failed pad passes full power", "practice")
@pytest.mark.parametrize(
    ("values_db", "safe"), [((30.0, 30.0), (False, False)), ((40.0, 40.0), (True, True))]
)
def test_failure_of_one_pad(values_db: tuple[float, ...], safe: tuple[bool, ...]) -> None:
    """20 W and 3 dB through 30 dB are +16 dBm, through 40 dB +6 dBm: the input stands +10 dBm."""
    found = failures(pads(*values_db), 20.0, **AT_145_MHZ, absolute_max_dbm=10.0)
    assert tuple(one.survives for one in found) == safe


@pytest.mark.source("S = EIRP/4πr² and E = √(30·EIRP)/r", "derived")
def test_exposure_in_the_far_field() -> None:
    """100 W into 6 dBi at 5 m: 398.1 W EIRP, 1.2672 W/m², 21.857 V/m."""
    found = exposure_at_distance(100.0, gain_dbi=6.0, distance_m=5.0, frequency_hz=145e6)
    assert found.eirp_w == pytest.approx(398.1, abs=0.05)
    assert found.density_w_per_m2 == pytest.approx(1.2672, abs=5e-5)
    assert found.field_v_per_m == pytest.approx(21.857, abs=5e-4)


@pytest.mark.source("frequency times its error in millionths", "derived")
@pytest.mark.parametrize(
    ("frequency_hz", "ppm", "error_hz"),
    [(145e6, 1.0, 145.0), (433.92e6, 2.5, 1084.8), (14.2e6, 0.5, 7.1)],
)
def test_error_of_a_frequency(frequency_hz: float, ppm: float, error_hz: float) -> None:
    """f·ppm and half a step, each a limit."""
    budget = frequency_budget(frequency_hz, accuracy_ppm=ppm, step_hz=100.0)
    reference, step = budget.components
    assert reference.half_width == pytest.approx(error_hz, rel=1e-9)
    assert step.half_width == pytest.approx(50.0)
