"""Reflection against published, derived and measured values.

Sources: definitions (derived: algebra computed apart from this code), the trade's practice, makers'
notes on bridges (read elsewhere), measured data and the calibration of scikit-rf 2.2.0 (compared).
"""

from __future__ import annotations

import importlib.metadata
import math
import os
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure import returnloss
from acqd.measure.match import best_match, resonances
from acqd.measure.oneport import one_port_correction
from acqd.measure.reflection import reflection, vector_reflection
from acqd.measure.returnloss import shown_limits, true_limits


@pytest.mark.source("definitions of return loss, SWR and mismatch loss", "derived")
@pytest.mark.parametrize(
    ("loss_db", "rho", "swr", "mismatch_db"),
    [
        (3, 0.70795, 5.8480, 3.0206),
        (6, 0.50119, 3.0095, 1.2563),
        (10, 0.31623, 1.9250, 0.4576),
        (14, 0.19953, 1.4985, 0.1764),
        (20, 0.10000, 1.2222, 0.0436),
        (30, 0.03162, 1.0653, 0.0043),
    ],
)
def test_return_loss_in_other_words(
    loss_db: float, rho: float, swr: float, mismatch_db: float
) -> None:
    """Derived: ρ = 10^(−RL/20), S = (1 + ρ)/(1 − ρ), −10 log10(1 − ρ²)."""
    magnitude = returnloss.magnitude_from_return_loss_db(loss_db)
    assert float(magnitude) == pytest.approx(rho, abs=5.1e-6)
    assert float(returnloss.vswr(magnitude)) == pytest.approx(swr, abs=5.1e-5)
    assert float(returnloss.mismatch_loss_db(magnitude)) == pytest.approx(mismatch_db, abs=5.1e-5)


@pytest.mark.source("definitions of return loss, SWR and mismatch loss", "derived")
@pytest.mark.parametrize(
    ("swr", "rho", "loss_db", "mismatch_db"),
    [
        (1.05, 0.02439, 32.2557, 0.0026),
        (1.1, 0.04762, 26.4444, 0.0099),
        (1.2, 0.09091, 20.8279, 0.0360),
        (1.5, 0.20000, 13.9794, 0.1773),
        (2.0, 0.33333, 9.5424, 0.5115),
        (3.0, 0.50000, 6.0206, 1.2494),
    ],
)
def test_swr_in_other_words(swr: float, rho: float, loss_db: float, mismatch_db: float) -> None:
    """Derived, the other way round."""
    magnitude = returnloss.magnitude_from_vswr(swr)
    assert float(magnitude) == pytest.approx(rho, abs=5.1e-6)
    assert float(returnloss.return_loss_db(magnitude)) == pytest.approx(loss_db, abs=5.1e-5)
    assert float(returnloss.mismatch_loss_db(magnitude)) == pytest.approx(mismatch_db, abs=5.1e-5)


@pytest.mark.source("definitions of return loss, SWR and mismatch loss", "derived")
@pytest.mark.parametrize(("ripple_db", "loss_db"), [(0.1, 16.428), (0.01, 26.383), (0.5, 9.636)])
def test_ripple_of_a_lossless_filter_is_mismatch(ripple_db: float, loss_db: float) -> None:
    """−10 log10(1 − 10^(−r/10)): mismatch loss read backwards (derived)."""
    magnitude = returnloss.magnitude_from_return_loss_db(loss_db)
    assert float(returnloss.mismatch_loss_db(magnitude)) == pytest.approx(ripple_db, rel=3e-4)


BOUNDS = pytest.mark.source("ρ ± d over all phases", "derived")
WITH_SOURCE_MATCH = pytest.mark.source("makers' notes on bridges", "read elsewhere")


@pytest.mark.parametrize(
    ("loss_db", "directivity_db", "source_db", "low_db", "high_db"),
    [
        pytest.param(20, 40, math.inf, 19.172, 20.915, id="20-40", marks=BOUNDS),
        pytest.param(20, 30, math.inf, 17.613, 23.302, id="20-30", marks=BOUNDS),
        pytest.param(20, 35, math.inf, 18.578, 21.701, id="20-35", marks=BOUNDS),
        pytest.param(30, 40, math.inf, 27.613, 33.302, id="30-40", marks=BOUNDS),
        pytest.param(20, 20, math.inf, 13.979, math.inf, id="at-the-directivity", marks=BOUNDS),
        pytest.param(20, 35, 30, 18.555, 21.734, id="with-source-match", marks=WITH_SOURCE_MATCH),
    ],
)
def test_what_a_bridge_shows(
    loss_db: float, directivity_db: float, source_db: float, low_db: float, high_db: float
) -> None:
    """ρ ± d, with source match ρ ± d ± ρ²·ρ_s (practice; read in makers' notes on bridges)."""
    rho = returnloss.magnitude_from_return_loss_db(loss_db)
    terms = {
        "directivity": returnloss.magnitude_from_return_loss_db(directivity_db),
        "source_match": returnloss.magnitude_from_return_loss_db(source_db),
    }
    low, high = shown_limits(rho, **terms)
    assert float(returnloss.return_loss_db(high)) == pytest.approx(low_db, abs=5.1e-4)
    assert float(returnloss.return_loss_db(low)) == pytest.approx(high_db, abs=5.1e-4)
    if math.isinf(source_db):
        # Without source match the truth behind a reading has the same limits.
        assert true_limits(rho, **terms) == pytest.approx((low, high), abs=1e-15)


@pytest.mark.source("a wave passes the cable twice", "derived")
@pytest.mark.parametrize(
    ("cable_db", "loss_db", "seen_db", "swr", "seen_swr"),
    [(1.5, 10, 13, 1.925, 1.577), (3.0, 6, 12, 3.010, 1.671)],
)
def test_a_cable_flatters_what_is_behind_it(
    cable_db: float, loss_db: float, seen_db: float, swr: float, seen_swr: float
) -> None:
    """RL_seen = RL + 2·A (derived)."""
    levels = {"open_db": [0.0], "short_db": [0.0], "directivity_db": 60, "source_match_db": 60}
    seen = reflection([-seen_db], **levels)
    load = reflection([-seen_db], cable_loss_db=cable_db, **levels)
    assert float(seen.vswr[0]) == pytest.approx(seen_swr, abs=5.1e-4)
    assert float(load.return_loss_db[0]) == pytest.approx(loss_db, abs=1e-12)
    assert float(load.vswr[0]) == pytest.approx(swr, abs=6e-4)


@pytest.mark.source("half the return loss of an open end", "practice")
def test_cable_loss_from_its_far_end() -> None:
    """Half the return loss of an open end: 2.4 → 1.2 dB; open and short averaged (practice)."""
    assert float(returnloss.cable_loss_from_far_end_db(2.4)) == pytest.approx(1.2, abs=1e-12)
    both = returnloss.cable_loss_from_far_end_db([2.2], [2.6])
    assert float(both[0]) == pytest.approx(1.2, abs=0.002)


# --- measured data and a reference library --------------------------------------------------------


def _one_port(name: str) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """(frequency in GHz, S11) of a file in scikit-rf 2.2.0 (BSD licence), skrf/data/``name``."""
    try:
        found = importlib.metadata.distribution("scikit-rf")
    except importlib.metadata.PackageNotFoundError:
        if os.environ.get("CI") == "true":
            pytest.fail("scikit-rf 2.2.0 is not installed (tools/setup installs it)")
        pytest.skip("scikit-rf 2.2.0 is not installed (tools/setup installs it)")
    assert found.version == "2.2.0"
    path = Path(str(found.locate_file(f"skrf/data/{name}")))
    rows = np.loadtxt(path, comments=("!", "#"), dtype=np.float64)
    return rows[:, 0], rows[:, 1] + 1j * rows[:, 2]


@pytest.mark.source("scikit-rf 2.2.0, ring slot measured.s1p (BSD licence)", "measured")
def test_measured_ring_slot() -> None:
    """75 to 110 GHz, 101 points: best 23.1202 dB (SWR 1.15013) at 85.85, worst 0.7547 at 108.95."""
    frequency_ghz, s11 = _one_port("ring slot measured.s1p")
    trace = vector_reflection(s11, directivity_db=60.0, source_match_db=60.0)
    best, worst = int(trace.return_loss_db.argmax()), int(trace.return_loss_db.argmin())
    assert frequency_ghz[best] == pytest.approx(85.85)
    assert trace.return_loss_db[best] == pytest.approx(23.1202, abs=5e-5)
    assert trace.vswr[best] == pytest.approx(1.15013, abs=5e-6)
    assert frequency_ghz[worst] == pytest.approx(108.95)
    assert trace.return_loss_db[worst] == pytest.approx(0.7547, abs=5e-5)
    match = best_match(frequency_ghz * 1e9, trace)
    assert match is not None
    assert match.frequency_hz == pytest.approx(85.85e9, abs=0.175e9)
    assert 23.12 <= match.value.return_loss_db < 24.5
    assert match in resonances(frequency_ghz * 1e9, trace)


@pytest.mark.source("scikit-rf 2.2.0, ring slot measured.s1p (BSD licence)", "measured")
def test_widths_of_the_ring_slot_by_another_road() -> None:
    """The stretch below SWR 2 around the dip, straight lines between samples of |S11|."""
    frequency_ghz, s11 = _one_port("ring slot measured.s1p")
    trace = vector_reflection(s11, directivity_db=60.0, source_match_db=60.0)
    match = best_match(frequency_ghz * 1e9, trace)
    assert match is not None
    fine_ghz = np.linspace(75.0, 110.0, 350_001)
    fine = np.interp(fine_ghz, frequency_ghz, np.abs(s11))
    above_ghz = fine_ghz[fine > 1 / 3]
    low_ghz = above_ghz[above_ghz < 85.85].max()
    high_ghz = above_ghz[above_ghz > 85.85].min()
    (width,) = (width for width in match.bandwidths if width.swr == 2.0)
    assert width.low_hz == pytest.approx(low_ghz * 1e9, abs=0.2e6)
    assert width.high_hz == pytest.approx(high_ghz * 1e9, abs=0.2e6)


@pytest.mark.source("scikit-rf 2.2.0, ro,1.s1p to ro,3.s1p (BSD licence)", "measured")
def test_repeats_of_one_flange() -> None:
    """500 to 750 GHz, three repeats: standard deviation in dB, mean 0.0224, largest 0.2315."""
    traces = [_one_port(f"ro,{i}.s1p")[1] for i in (1, 2, 3)]
    loss_db = np.array(
        [
            vector_reflection(s11, directivity_db=40.0, source_match_db=40.0).return_loss_db
            for s11 in traces
        ]
    )
    deviation_db = loss_db.std(axis=0, ddof=1)
    assert loss_db.shape == (3, 201)
    assert deviation_db.mean() == pytest.approx(0.0224, abs=5e-5)
    assert deviation_db.max() == pytest.approx(0.2315, abs=5e-5)


@pytest.mark.source("scikit-rf 2.2.0, class OnePort", "compared")
def test_one_port_correction_agrees_with_scikit_rf() -> None:
    """Three-term correction by its OnePort class, with standards that are ideal or are known."""
    skrf = pytest.importorskip("skrf", reason="scikit-rf is not installed")
    frequency_ghz, device = _one_port("ro,1.s1p")
    rng = np.random.default_rng(7)
    n = device.size
    e00, e11, tracking = (
        scale * (rng.normal(size=n) + 1j * rng.normal(size=n)) for scale in (0.03, 0.1, 0.7)
    )
    standards = [0.98 * np.exp(-0.2j) * np.ones(n), -1.0 * np.ones(n), 0.02j * np.ones(n)]

    def shown(gamma: NDArray[np.complex128]) -> NDArray[np.complex128]:
        return np.asarray(e00 + tracking * gamma / (1 - e11 * gamma))

    def network(s11: NDArray[np.complex128]) -> object:
        frequency = skrf.Frequency.from_f(frequency_ghz, unit="GHz")
        return skrf.Network(frequency=frequency, s=s11[:, None, None], z0=50)

    measured = [shown(gamma) for gamma in standards]
    peer = skrf.calibration.OnePort(
        measured=[network(m) for m in measured], ideals=[network(g) for g in standards]
    )
    peer.run()
    terms = one_port_correction(
        *measured, open_true=standards[0], short_true=standards[1], load_true=standards[2]
    )
    assert terms.corrected(shown(device)) == pytest.approx(device, abs=1e-12)
    corrected = peer.apply_cal(network(shown(device))).s[:, 0, 0]
    assert terms.corrected(shown(device)) == pytest.approx(corrected, abs=1e-12)
    assert terms.e00 == pytest.approx(peer.coefs["directivity"], abs=1e-12)
    assert terms.e11 == pytest.approx(peer.coefs["source match"], abs=1e-12)
    assert terms.tracking == pytest.approx(peer.coefs["reflection tracking"], abs=1e-12)
