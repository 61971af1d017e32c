"""Shipped limit profiles, boundaries, fields and provability against published values.

Sources: 47 CFR 97.307, 15.209 and 15.31; Rec. ITU-R SM.329 and SM.1539; RR Appendix 3; CISPR 32 and
15: each read, read elsewhere ("quoted") or from memory ("memory"), as every test says. Nothing from
memory is a claim of conformance.
"""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path

import pytest

from acqd.config.limits import load_limit_profile
from acqd.measure.fieldstrength import (
    antenna_factor_db_per_m,
    field_at_distance_db,
    free_space_field_dbuv_per_m,
    level_dbm_of_field,
)
from acqd.measure.limit_profile import LimitDetector, LimitMark, WidthKind
from acqd.measure.limit_reading import width_as
from acqd.measure.limits import Allowed, NoLimit, allowed, spurious_boundary_hz
from acqd.measure.provability import (
    Can,
    Figure,
    KnownFrom,
    Provability,
    SweeperFigures,
    provability,
)

NEW, OLD = date(2003, 1, 2), date(2003, 1, 1)


def says(name: str, **case: object) -> Allowed:
    """The figure of a shipped profile, which there has to be."""
    found = allowed(load_limit_profile(name, Path("/")), **case)
    assert isinstance(found, Allowed), found
    return found


def silent(name: str, **case: object) -> NoLimit:
    """Why a shipped profile has no figure, which it must not have."""
    found = allowed(load_limit_profile(name, Path("/")), **case)
    assert isinstance(found, NoLimit), found
    return found


@pytest.mark.source("what each shipped profile says of its source", "derived")
@pytest.mark.parametrize(
    ("name", "mark"),
    [
        ("us-97-307-hf", LimitMark.READ),
        ("us-97-307-vhf", LimitMark.QUOTED),
        ("sm-329-a-general", LimitMark.MEMORY),
        ("sm-329-a-amateur-hf", LimitMark.QUOTED),
        ("us-15-209", LimitMark.READ),
        ("cispr-32-b", LimitMark.QUOTED),
        ("cispr-15-mains", LimitMark.MEMORY),
        ("europe-transmit", LimitMark.MEMORY),
    ],
)
def test_profile_is_no_surer_than_its_source(name: str, mark: LimitMark) -> None:
    """Each shipped profile says how its figures came."""
    assert load_limit_profile(name, Path("/")).mark is mark


# ---- 47 CFR 97.307 -------------------------------------------------------------------------------


@pytest.mark.source("47 CFR 97.307(e)", "read elsewhere")
@pytest.mark.source("levels from its figures", "derived")
@pytest.mark.parametrize(
    ("power_w", "level_dbm", "down_db"),
    [
        (0.05, -20.00, 36.99),
        (0.1, -20.00, 40.00),
        (0.2, -16.99, 40.00),
        (0.25, -16.02, 40.00),
        (1.0, -16.02, 46.02),
        (5.0, -16.02, 53.01),
        (10.0, -16.02, 56.02),
        (25.0, -16.02, 60.00),
        (50.0, -13.01, 60.00),
        (100.0, -10.00, 60.00),
    ],
)  # fmt: skip
@pytest.mark.parametrize("carrier_hz", [30e6, 145e6, 225e6])
def test_97_307_e(carrier_hz: float, power_w: float, level_dbm: float, down_db: float) -> None:
    """47 CFR 97.307(e), quoted: max(10 µW, min(25 µW, P·1e−4)), 60 dB above 25 W (derived)."""
    found = says("us-97-307-vhf", carrier_hz=carrier_hz, at_hz=2.0 * carrier_hz, power_w=power_w)
    assert found.level_dbm == pytest.approx(level_dbm, abs=0.005)
    assert found.down_db == pytest.approx(down_db, abs=0.005)
    assert found.reference_bandwidth_hz is None


@pytest.mark.source("47 CFR 97.307(e)", "derived")
def test_97_307_e_meets_at_25_watt() -> None:
    """Both sentences of 97.307(e) give 25 µW = 60 dB at 25 W: read as alternatives (derived)."""
    at, above = (
        says("us-97-307-vhf", carrier_hz=145e6, at_hz=290e6, power_w=power_w)
        for power_w in (25.0, math.nextafter(25.0, 26.0))
    )
    assert "25 W or less" in at.rule and "more than 25 W" in above.rule
    assert at.level_dbm == pytest.approx(-16.0206, abs=1e-4)
    assert above.level_dbm == pytest.approx(-16.0206, abs=1e-4)


@pytest.mark.source("47 CFR 97.307(d)", "read")
@pytest.mark.parametrize(
    ("power_w", "installed", "level_dbm", "down_db"),
    [
        (100.0, NEW, 7.0, 43.0),
        (1500.0, NEW, 18.7609, 43.0),
        (4.0, NEW, -6.9794, 43.0),
        (100.0, OLD, 10.0, 40.0),
        (1500.0, OLD, 16.9897, 44.7712),
        (5.0, OLD, -3.0103, 40.0),
        (4.0, OLD, 6.0206, 30.0),
    ],
)
def test_97_307_d(power_w: float, installed: date, level_dbm: float, down_db: float) -> None:
    """47 CFR 97.307(d), read: 43 dB; before 2003-01-02 50 mW and 40 dB, 30 dB below 5 W."""
    found = says("us-97-307-hf", carrier_hz=14e6, at_hz=28e6, power_w=power_w, installed=installed)
    assert found.level_dbm == pytest.approx(level_dbm, abs=1e-4)
    assert found.down_db == pytest.approx(down_db, abs=1e-4)


@pytest.mark.source("47 CFR 97.307(d)", "read")
def test_97_307_d_needs_no_power_for_new_gear() -> None:
    """97.307(d), read: no 10 log P and no absolute figure for gear installed after 2003-01-01."""
    found = says("us-97-307-hf", carrier_hz=14e6, at_hz=28e6, installed=NEW)
    assert (found.level_dbm, found.down_db) == (None, 43.0)


@pytest.mark.source("47 CFR 97.307(c) and (d)", "read")
@pytest.mark.source("47 CFR 97.307(e)", "read elsewhere")
def test_97_307_ends_where_it_ends() -> None:
    """(d) below 30 MHz, (e) from 30 to 225 MHz, above only (c) without a figure (read, quoted)."""
    power = {"power_w": 50.0, "at_hz": 1e9}
    assert "see (e)" in silent("us-97-307-hf", carrier_hz=30e6, **power).reason
    assert "see (d)" in silent("us-97-307-vhf", carrier_hz=29.9e6, **power).reason
    above = silent("us-97-307-vhf", carrier_hz=225.1e6, **power).reason
    assert "as far as practicable" in above


# ---- Rec. ITU-R SM.329 category A, RR Appendix 3 -------------------------------------------------


@pytest.mark.source("Rec. ITU-R SM.329, category A, general row", "from memory")
@pytest.mark.source("amateur row, as a national regulation quotes it", "read elsewhere")
@pytest.mark.parametrize(
    ("power_w", "general_db", "general_dbm", "amateur_db", "amateur_dbm"),
    [
        (1.0, 43.00, -13.00, 43.00, -13.00),
        (5.0, 49.99, -13.00, 49.99, -13.00),
        (10.0, 53.00, -13.00, 50.00, -10.00),
        (25.0, 56.98, -13.00, 50.00, -6.02),
        (100.0, 63.00, -13.00, 50.00, 0.00),
        (400.0, 69.02, -13.00, 50.00, 6.02),
        (1500.0, 70.00, -8.24, 50.00, 11.76),
    ],
)
def test_sm_329(
    power_w: float, general_db: float, general_dbm: float, amateur_db: float, amateur_dbm: float
) -> None:
    """43 + 10 log P or 70 dB (memory), amateur below 30 MHz 50 dB of PEP (quoted)."""
    case = {"carrier_hz": 14e6, "at_hz": 28e6, "power_w": power_w}
    general, amateur = says("sm-329-a-general", **case), says("sm-329-a-amateur-hf", **case)
    assert (general.down_db, general.level_dbm) == pytest.approx(
        (general_db, general_dbm), abs=0.006
    )
    assert (amateur.down_db, amateur.level_dbm) == pytest.approx(
        (amateur_db, amateur_dbm), abs=0.006
    )


@pytest.mark.source("43 + 10 log P of Rec. ITU-R SM.329", "derived")
@pytest.mark.parametrize(
    ("name", "power_w", "cap_db"),
    [("sm-329-a-general", 501.19, 70.0), ("sm-329-a-amateur-hf", 5.0119, 50.0)],
)
def test_formula_stops_ruling_at_its_cap(name: str, power_w: float, cap_db: float) -> None:
    """43 + 10 log P reaches 70 dB at 501.19 W and 50 dB at 5.012 W (derived)."""
    case = {"carrier_hz": 14e6, "at_hz": 28e6}
    under = says(name, power_w=power_w * 0.999, **case)
    over = says(name, power_w=power_w * 1.001, **case)
    assert under.down_db is not None and cap_db - 0.01 < under.down_db < cap_db
    assert over.down_db == pytest.approx(cap_db)
    assert under.level_dbm == pytest.approx(-13.0)


@pytest.mark.source("Rec. ITU-R SM.329, row of space stations", "read elsewhere")
def test_space_row_can_be_written(tmp_path: Path) -> None:
    """Space stations, quoted: 43 + 10 log P or 60 dBc in 4 kHz; it stops ruling at 50.12 W."""
    (tmp_path / "space.toml").write_text(
        'title = "space"\nedition = "SM.329-13"\nquantity = "power"\n'
        '[[reference_bandwidth]]\nwidth = "4 kHz"\n'
        '[[row]]\nat_least_down = "43 dB"\nplus_10_log_power = true\ncap = "60 dB"\n'
    )
    profile = load_limit_profile("space", tmp_path)
    for power_w, down_db in ((10.0, 53.0), (50.12, 60.0), (100.0, 60.0)):
        found = allowed(profile, at_hz=2e9, power_w=power_w)
        assert isinstance(found, Allowed)
        assert found.down_db == pytest.approx(down_db, abs=0.001)
        assert found.reference_bandwidth_hz == 4e3


@pytest.mark.source("RR Appendix 3", "read elsewhere")
@pytest.mark.parametrize(
    ("at_hz", "width_hz"),
    [(10e3, 1e3), (149e3, 1e3), (1e6, 10e3), (29e6, 10e3), (31e6, 100e3), (999e6, 100e3),
     (1.1e9, 1e6), (12e9, 1e6)],
)  # fmt: skip
@pytest.mark.parametrize("name", ["sm-329-a-general", "sm-329-a-amateur-hf"])
def test_reference_bandwidth(name: str, at_hz: float, width_hz: float) -> None:
    """RR Appendix 3, quoted: 1, 10, 100 kHz and 1 MHz."""
    found = says(name, carrier_hz=7e6, power_w=100.0, at_hz=at_hz)
    assert found.reference_bandwidth_hz == width_hz


@pytest.mark.source("47 CFR 97.307(d)", "read")
@pytest.mark.source("Rec. ITU-R SM.329, amateur row", "read elsewhere")
def test_two_texts_ask_two_things_of_one_transmitter() -> None:
    """100 W at 14 MHz: 43 dB by 97.307(d), 50 dB by SM.329, so they are two profiles."""
    case = {"carrier_hz": 14e6, "at_hz": 28e6, "power_w": 100.0}
    assert says("us-97-307-hf", installed=NEW, **case).down_db == pytest.approx(43.0)
    assert says("sm-329-a-amateur-hf", **case).down_db == pytest.approx(50.0)


@pytest.mark.source("Rec. ITU-R SM.329, reach of the amateur row", "from memory")
def test_amateur_row_is_for_short_wave() -> None:
    """The 50 dBc row ends at 30 MHz (memory): 2 m falls under the general row."""
    case = {"carrier_hz": 145e6, "at_hz": 290e6, "power_w": 50.0}
    assert "sm-329-a-general" in silent("sm-329-a-amateur-hf", **case).reason
    assert says("sm-329-a-general", **case).down_db == pytest.approx(59.99, abs=0.01)


@pytest.mark.source("Rec. ITU-R SM.1539", "from memory")
@pytest.mark.parametrize(
    ("carrier_hz", "bandwidth_hz", "offset_hz"),
    [
        (7.1e6, 2.7e3, 10e3),
        (145e6, 16e3, 62.5e3),
        (100e6, 180e3, 450e3),
        (100e3, 100.0, 625.0),
        (100e3, 4e3, 10e3),
        (100e3, 20e3, 40e3),
        (10e6, 200e3, 400e3),
        (500e6, 20e6, 40e6),
        (2e9, 60e6, 140e6),
        (2e9, 50e3, 250e3),
        (5e9, 200e6, 400e6),
        (5e9, 100e6, 250e6),
        (30e6, 1e3, 10e3),
    ],
)
def test_spurious_boundary(carrier_hz: float, bandwidth_hz: float, offset_hz: float) -> None:
    """Rec. ITU-R SM.1539, memory: 2.5·max(Bn, Bmin), or 1.5·Bn + Bmax above Bmax."""
    assert spurious_boundary_hz(carrier_hz, bandwidth_hz) == pytest.approx(offset_hz)


@pytest.mark.source("Rec. ITU-R SM.1539", "from memory")
def test_boundary_keeps_a_channel_apart() -> None:
    """A 16 kHz FM channel at 145 MHz is not judged 60 kHz away, and is 65 kHz away (memory)."""
    case = {"carrier_hz": 145e6, "power_w": 5.0, "necessary_bandwidth_hz": 16e3}
    assert "±62.5 kHz" in silent("sm-329-a-general", at_hz=145.06e6, **case).reason
    assert says("sm-329-a-general", at_hz=145.065e6, **case).level_dbm == pytest.approx(-13.0)


# ---- fields --------------------------------------------------------------------------------------


@pytest.mark.source("47 CFR 15.209", "read")
@pytest.mark.parametrize(
    ("at_hz", "distance_m", "level", "detector"),
    [
        (100e3, 300.0, 27.604, "quasi-peak"),
        (9e3, 300.0, 48.519, "average"),
        (80e3, 300.0, 29.542, "average"),
        (200e3, 300.0, 21.584, "average"),
        (1e6, 30.0, 27.604, "quasi-peak"),
        (14e6, 30.0, 29.542, "quasi-peak"),
        (50e6, 3.0, 40.000, "quasi-peak"),
        (145e6, 3.0, 43.522, "quasi-peak"),
        (433e6, 3.0, 46.021, "quasi-peak"),
        (980e6, 3.0, 53.979, "quasi-peak"),
        (2e9, 3.0, 53.979, "average"),
        (88e6, 3.0, 40.000, "quasi-peak"),
        (216e6, 3.0, 43.522, "quasi-peak"),
        (960e6, 3.0, 46.021, "quasi-peak"),
    ],
)
def test_15_209(at_hz: float, distance_m: float, level: float, detector: str) -> None:
    """47 CFR 15.209, read: 2400/f, 24000/f, 30, 100, 150, 200, 500 µV/m; the tighter at edges."""
    found = says("us-15-209", at_hz=at_hz, distance_m=distance_m)
    assert found.level_dbuv_per_m == pytest.approx(level, abs=0.001)
    assert found.detector is LimitDetector(detector)


@pytest.mark.source("47 CFR 15.109(a)", "read")
@pytest.mark.parametrize(
    ("at_hz", "level"), [(50e6, 40.000), (145e6, 43.522), (433e6, 46.021), (980e6, 53.979)]
)
def test_15_109_a_has_the_steps_of_15_209(at_hz: float, level: float) -> None:
    """Unintentional radiators other than class A, at 3 m above 30 MHz."""
    found = says("us-15-209", at_hz=at_hz, distance_m=3.0)
    assert found.level_dbuv_per_m == pytest.approx(level, abs=0.001)


@pytest.mark.source("47 CFR 15.109(b)", "read")
@pytest.mark.parametrize(
    ("at_hz", "level"), [(50e6, 39.085), (145e6, 43.522), (433e6, 46.444), (980e6, 49.542)]
)
def test_15_109_b_can_be_written(tmp_path: Path, at_hz: float, level: float) -> None:
    """Class A at 10 m, 90, 150, 210 and 300 µV/m, as a profile of one's own."""
    steps = [
        ("30", "88", "90"),
        ("88", "216", "150"),
        ("216", "960", "210"),
        ("960", "2000", "300"),
    ]
    rows = "".join(
        f'[[row]]\nat_from = "{low} MHz"\nat_to = "{high} MHz"\nat_most = "{most} µV/m"\n'
        'distance = "10 m"\n'
        for low, high, most in steps
    )
    text = 'title = "class A"\nedition = "2026"\nquantity = "field"\n' + rows
    (tmp_path / "class-a.toml").write_text(text, encoding="utf-8")
    found = allowed(load_limit_profile("class-a", tmp_path), at_hz=at_hz, distance_m=10.0)
    assert isinstance(found, Allowed)
    assert found.level_dbuv_per_m == pytest.approx(level, abs=0.001)


@pytest.mark.source("47 CFR 15.31(f)(2)", "read elsewhere")
def test_15_209_below_30_mhz_at_3_m() -> None:
    """47 CFR 15.31(f)(2), quoted: 40 dB for a tenth of the distance, with a note."""
    found = says("us-15-209", at_hz=14e6, distance_m=3.0)
    assert found.level_dbuv_per_m == pytest.approx(69.542, abs=0.001)
    assert "from 30 m to 3 m by 40.0 dB" in found.notes[0]


FAR = pytest.mark.source("20 dB per decade, 47 CFR 15.31(f)(1)", "from memory")
NEAR = pytest.mark.source("40 dB per decade, 47 CFR 15.31(f)(2)", "read elsewhere")


@pytest.mark.parametrize(
    ("from_m", "to_m", "at_hz", "change_db"),
    [
        pytest.param(3.0, 10.0, 100e6, -10.458, marks=FAR),
        pytest.param(10.0, 3.0, 30e6, 10.458, marks=FAR),
        pytest.param(30.0, 3.0, 14e6, 40.0, marks=NEAR),
    ],
)
def test_distance(from_m: float, to_m: float, at_hz: float, change_db: float) -> None:
    """20 dB per decade from 30 MHz on (memory), 40 below (15.31(f)(2), quoted)."""
    assert float(field_at_distance_db(from_m, to_m, at_hz)) == pytest.approx(change_db, abs=5e-4)


@pytest.mark.source("CISPR 32:2012 tables A.4 and A.5", "read elsewhere")
@pytest.mark.parametrize(
    ("at_hz", "distance_m", "detector", "level"),
    [
        (100e6, 10.0, "quasi-peak", 30.0),
        (500e6, 10.0, "quasi-peak", 37.0),
        (100e6, 3.0, "quasi-peak", 40.0),
        (500e6, 3.0, "quasi-peak", 47.0),
        (230e6, 3.0, "quasi-peak", 40.0),
        (2e9, 3.0, "average", 50.0),
        (2e9, 3.0, "peak", 70.0),
        (5e9, 3.0, "average", 54.0),
        (5e9, 3.0, "peak", 74.0),
    ],
)
def test_cispr_32_b(at_hz: float, distance_m: float, detector: str, level: float) -> None:
    """CISPR 32:2012 tables A.4 and A.5, quoted."""
    found = says("cispr-32-b", at_hz=at_hz, distance_m=distance_m, detector=LimitDetector(detector))
    assert found.level_dbuv_per_m == level
    assert found.notes == ()
    assert found.reference_bandwidth_hz == (120e3 if at_hz < 1e9 else 1e6)


@pytest.mark.source("CISPR 32:2012 tables A.4 and A.5", "read elsewhere")
def test_cispr_pair_of_distances_is_exact() -> None:
    """CISPR sets 3 m exactly 10 dB above 10 m, not 10.46."""
    near, far = (says("cispr-32-b", at_hz=100e6, distance_m=m).level for m in (3.0, 10.0))
    assert near is not None and far is not None and near - far == 10.0


@pytest.mark.source("free space and effective aperture", "derived")
@pytest.mark.parametrize(
    ("at_hz", "gain_dbi", "factor_db"), [(145e6, 2.15, 11.307), (433.92e6, 2.15, 20.827)]
)
def test_antenna_factor(at_hz: float, gain_dbi: float, factor_db: float) -> None:
    """20 log f(MHz) − G − 29.771 in 50 Ω (derived)."""
    assert float(antenna_factor_db_per_m(at_hz, gain_dbi)) == pytest.approx(factor_db, abs=5e-4)


@pytest.mark.source("free space and effective aperture", "derived")
@pytest.mark.parametrize(
    ("field", "at_hz", "level_dbm"), [(40.0, 145e6, -80.446), (34.0, 7.1e6, -60.244)]
)
def test_level_of_a_field(field: float, at_hz: float, level_dbm: float) -> None:
    """P(dBm) = E − 20 log f(MHz) − 77.219 + G (derived)."""
    level = level_dbm_of_field(field, antenna_factor_db_per_m(at_hz, 0.0))
    assert float(level) == pytest.approx(level_dbm, abs=1e-3)


@pytest.mark.source("free space and effective aperture", "derived")
@pytest.mark.parametrize(("eirp_dbm", "m", "field"), [(0.0, 3.0, 95.229), (20.0, 10.0, 104.771)])
def test_field_of_a_power(eirp_dbm: float, m: float, field: float) -> None:
    """E = EIRP + 104.771 − 20 log d (derived)."""
    assert float(free_space_field_dbuv_per_m(eirp_dbm, m)) == pytest.approx(field, abs=1e-3)


# ---- mains port and transmitters in Europe, all from memory --------------------------------------


@pytest.mark.source("CISPR 15, mains port", "from memory")
@pytest.mark.parametrize(
    ("at_hz", "quasi_peak", "average"),
    [
        (20e3, 110.0, None),
        (50e3, 90.0, None),
        (math.sqrt(50e3 * 150e3), 85.0, None),
        (149.999e3, 80.0, None),
        (150e3, 66.0, 56.0),
        (math.sqrt(150e3 * 500e3), 61.0, 51.0),
        (500e3, 56.0, 46.0),
        (1e6, 56.0, 46.0),
        (5e6, 56.0, 46.0),
        (10e6, 60.0, 50.0),
        (30e6, 60.0, 50.0),
    ],
)
def test_cispr_15(at_hz: float, quasi_peak: float, average: float | None) -> None:
    """CISPR 15 mains port, memory: 110; 90 to 80; 66 to 56; 56; 60 dBµV, average 10 dB lower."""
    found = says("cispr-15-mains", at_hz=at_hz, detector=LimitDetector.QUASI_PEAK)
    assert found.level_dbuv == pytest.approx(quasi_peak, abs=1e-3)
    assert found.reference_bandwidth_hz == (200.0 if at_hz < 150e3 else 9e3)
    if average is None:
        silent("cispr-15-mains", at_hz=at_hz, detector=LimitDetector.AVERAGE)
    else:
        lower = says("cispr-15-mains", at_hz=at_hz, detector=LimitDetector.AVERAGE)
        assert lower.level_dbuv == pytest.approx(average, abs=1e-3)


@pytest.mark.source("European limits of land mobile and marine transmitters", "from memory")
@pytest.mark.parametrize(
    ("at_hz", "level_dbm", "power_w"),
    [(10e3, -36.0, 0.25e-6), (314e6, -36.0, 0.25e-6), (1e9, -36.0, 0.25e-6), (1.1e9, -30.0, 1e-6)],
)
def test_european_transmitters(at_hz: float, level_dbm: float, power_w: float) -> None:
    """Conducted spurious emission, transmitting, memory: −36 dBm to 1 GHz, −30 dBm above."""
    found = says("europe-transmit", at_hz=at_hz, carrier_hz=157e6, power_w=25.0)
    assert found.level_dbm == level_dbm
    assert 10.0 ** (level_dbm / 10.0) * 1e-3 == pytest.approx(power_w, rel=0.01)


# ---- bandwidths and provability ------------------------------------------------------------------


@pytest.mark.source("Gaussian filter, G(f) = 2^−(2f/B3)²", "derived")
@pytest.mark.parametrize(
    ("width_hz", "kind", "wanted", "hz"),
    [
        (9e3, WidthKind.DB_3, WidthKind.DB_6, 12.728e3),
        (1.0, WidthKind.DB_3, WidthKind.NOISE, 1.06447),
        (1.0, WidthKind.DB_6, WidthKind.NOISE, 0.75269),
        (1.0, WidthKind.DB_3, WidthKind.IMPULSE, 1.5054),
        (1.0, WidthKind.DB_6, WidthKind.IMPULSE, 1.0645),
    ],
)
def test_widths_of_a_gaussian_filter(
    width_hz: float, kind: WidthKind, wanted: WidthKind, hz: float
) -> None:
    """A 3 dB RBW of 9 kHz is a 12.7 kHz CISPR filter (−6 dB widths); ratios derived."""
    assert width_as(width_hz, kind, wanted) == pytest.approx(hz, rel=5e-5)


@pytest.mark.source("own products from an intercept: P2 = 2P − SHI", "derived")
@pytest.mark.parametrize(
    ("shi_dbm", "loss_db", "own_dbc", "can"),
    [
        (40.0, 40.0, -43.0, Can.NO),
        (40.0, 60.0, -63.0, Can.YES),
        (20.0, 60.0, -43.0, Can.NO),
        (20.0, 80.0, -63.0, Can.YES),
    ],
)
def test_what_5_watt_can_prove(shi_dbm: float, loss_db: float, own_dbc: float, can: Can) -> None:
    """5 W against −53 dBc with 10 dB margin: SHI +40 needs 60 dB, SHI +20 80 dB (derived)."""
    found = five_watt(shi_dbm, loss_db)
    assert found.own_product_dbc == pytest.approx(own_dbc, abs=0.02)
    assert found.can is can


@pytest.mark.source("own products from an intercept: P2 = 2P − SHI", "derived")
@pytest.mark.parametrize(
    ("shi_dbm", "pads_db", "input_dbm"), [(40.0, (20.0,), "−23.0"), (20.0, (40.0,), "−43.0")]
)
def test_pad_for_5_watt(shi_dbm: float, pads_db: tuple[float, ...], input_dbm: str) -> None:
    """P_in ≤ SHI − L − M: −23 dBm and 60 dB, −43 dBm and 80 dB in all (derived)."""
    found = five_watt(shi_dbm, 40.0)
    assert found.pads_db == pads_db
    assert f"at most {input_dbm} dBm at the mixer" in found.text


@pytest.mark.source("own products from an intercept: P2 = 2P − SHI", "derived")
def test_limit_behind_80_db() -> None:
    """The limit of 5 W then sits at −96 dBm: in the floor of most small sweepers (derived)."""
    assert five_watt(20.0, 80.0).limit_at_input_dbm == pytest.approx(-96.0, abs=0.02)
    small = five_watt(20.0, 80.0, floor_dbm=-99.0)
    assert (small.can, small.best_pad_db, small.notch_db) == (Can.NO, None, None)


@pytest.mark.source("own products from an intercept: P2 = 2P − SHI", "derived")
def test_notch_buys_back_at_least_its_depth() -> None:
    """A notch of D dB gains the second harmonic 2·D against the limit, a pad D (derived)."""
    found = five_watt(40.0, 40.0)
    assert found.notch_db == pytest.approx(10.0, abs=0.01)
    assert five_watt(40.0, 40.0, notch_db=10.0).can is Can.YES


def five_watt(
    shi_dbm: float, loss_db: float, *, floor_dbm: float = -110.0, notch_db: float = 0.0
) -> Provability:
    """5 W through a loss against −53 dBc."""
    known = KnownFrom.DECLARED
    sweeper = SweeperFigures.known(
        rbw_hz=1e4,
        shi_dbm=Figure(value_dbm=shi_dbm, known=known),
        floor_dbm=Figure(value_dbm=floor_dbm, known=known),
    )
    return provability(
        power_dbm=36.9897, loss_db=loss_db, sweeper=sweeper, limit_dbc=-53.0, notch_db=notch_db
    )
