"""What limit profiles allow: conditions, relaxations, traces, and readings beside them."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest

from acqd.measure.fieldstrength import (
    antenna_factor_db_per_m,
    field_at_distance_db,
    field_dbuv_per_m,
    free_space_field_dbuv_per_m,
    level_dbm_of_field,
)
from acqd.measure.limit_profile import (
    Domain,
    LimitDetector,
    LimitMark,
    LimitProfile,
    LimitQuantity,
    LimitRow,
    ReferenceBandwidth,
    Span,
    WidthKind,
)
from acqd.measure.limit_reading import bandwidths, compare, width_as
from acqd.measure.limits import (
    Allowed,
    NoLimit,
    allowed,
    allowed_each,
    limit_trace,
    spurious_boundary_hz,
)
from acqd.measure.verdict import Verdict
from acqd.sweep import Detector


def profile(
    *rows: LimitRow,
    quantity: LimitQuantity = LimitQuantity.POWER,
    domain: Domain = Domain.ANY,
    references: tuple[ReferenceBandwidth, ...] = (),
) -> LimitProfile:
    """A profile of rows."""
    return LimitProfile(
        name="own",
        title="lamp rule",
        edition="2026",
        mark=LimitMark.OWN,
        source="",
        prevails="",
        quantity=quantity,
        rows=rows,
        reference_bandwidths=references,
        domain=domain,
    )


def figure(found: Allowed | NoLimit) -> Allowed:
    """The figure, which there has to be."""
    assert isinstance(found, Allowed), found
    return found


@pytest.mark.parametrize(
    ("span", "inside", "outside"),
    [
        (Span(low=1.0, high=2.0), (1.0, 1.5, 2.0), (0.999, 2.001)),
        (Span(low=1.0, low_in=False), (1.001, 1e9), (1.0, 0.0)),
        (Span(high=2.0, high_in=False), (-5.0, 1.999), (2.0, math.inf)),
        (Span(low=1.0), (1.0,), (math.nan,)),
        (Span(), (0.0, math.nan), ()),
    ],
    ids=["both ends", "open below", "open above", "NaN", "everything"],
)
def test_span(span: Span, inside: tuple[float, ...], outside: tuple[float, ...]) -> None:
    """An end belongs to a span unless it says otherwise."""
    assert span.holds(inside).all()
    assert not span.holds(outside).any()


def test_tightest_of_several_rows_rules() -> None:
    """Rows that hold together are all asked for; the rule that decides is named."""
    both = profile(
        LimitRow(rule="loose", at_most=-20.0), LimitRow(rule="tight", at_least_down_db=60.0)
    )
    found = figure(allowed(both, at_hz=1e6, power_w=1.0))
    assert found.level_dbm == pytest.approx(-30.0)
    assert found.down_db == pytest.approx(60.0)
    assert found.rule == "tight: at least 60 dB below the carrier"
    assert figure(allowed(both, at_hz=1e6, power_w=100.0)).rule.startswith("loose: at most −20.0")


def test_floor_relaxes_last() -> None:
    """Nothing need be below the floor, however much the rest asks."""
    row = LimitRow(rule="", at_most=-16.0, at_least_down_db=40.0, floor=-20.0)
    for power_w, level in ((0.01, -20.0), (0.2, -16.99), (10.0, -16.0)):
        found = figure(allowed(profile(row), at_hz=1e6, power_w=power_w))
        assert found.level_dbm == pytest.approx(level, abs=0.001)


def test_plain_ratio_needs_no_power() -> None:
    """dB below the carrier is all that is said where nobody knows the carrier's power."""
    row = LimitRow(rule="", at_least_down_db=43.0, carrier_hz=Span(high=30e6, high_in=False))
    found = figure(allowed(profile(row), at_hz=14e6, carrier_hz=7e6))
    assert (found.level, found.down_db) == (None, 43.0)
    trace = limit_trace(profile(row), at_hz=[14e6, 21e6], carrier_hz=7e6)
    assert trace.level is None
    assert trace.down_db is not None
    assert trace.down_db.tolist() == [43.0, 43.0]


@pytest.mark.parametrize(
    ("row", "missing"),
    [
        (LimitRow(rule="", at_least_down_db=43.0, plus_10_log_power=True, cap_db=70.0), "power"),
        (LimitRow(rule="", at_least_down_db=43.0, at_most=-13.0), "power"),
        (LimitRow(rule="", at_most=-13.0, power_w=Span(low=25.0)), "power"),
        (LimitRow(rule="", at_most=-13.0, carrier_hz=Span(low=30e6)), "frequency"),
    ],
    ids=["formula", "both kinds", "condition on power", "condition on carrier"],
)
def test_what_has_to_be_stated_first_is_named(row: LimitRow, missing: str) -> None:
    """No figure is guessed: what is missing is named, and a trace refuses."""
    found = allowed(profile(row), at_hz=1e6)
    assert isinstance(found, NoLimit)
    assert len(found.missing) == 1 and missing in found.missing[0]
    assert found.reason.startswith("lamp rule needs the carrier's ")
    with pytest.raises(ValueError, match="lamp rule needs"):
        limit_trace(profile(row), at_hz=[1e6])


def test_unknown_date_takes_the_tightest() -> None:
    """Where nobody says when it was installed each row may hold, and it is noted."""
    day = date(2003, 1, 1)
    dated = profile(
        LimitRow(rule="new", installed_after=day, at_least_down_db=43.0),
        LimitRow(rule="old", installed_by=day, at_least_down_db=40.0),
    )
    unknown = figure(allowed(dated, at_hz=1e6, power_w=100.0))
    assert unknown.down_db == pytest.approx(43.0)
    assert "nobody said when" in unknown.notes[0]
    old = figure(allowed(dated, at_hz=1e6, power_w=100.0, installed=day))
    assert old.down_db == pytest.approx(40.0) and old.notes == ()
    new = figure(allowed(dated, at_hz=1e6, power_w=100.0, installed=date(2003, 1, 2)))
    assert new.down_db == pytest.approx(43.0)


def test_level_between_two_ends_follows_the_logarithm_of_frequency() -> None:
    """Halfway in log frequency is halfway in dB."""
    slope = LimitRow(rule="", at_hz=Span(low=1e5, high=1e7), at_most=60.0, at_most_at_hz=1e5,
                     slope_db_per_decade=-10.0)  # fmt: skip
    trace = limit_trace(
        profile(slope, quantity=LimitQuantity.VOLTAGE), at_hz=[1e5, 1e6, 1e7, 1.1e7]
    )
    assert trace.level is not None
    assert trace.level[:3] == pytest.approx([60.0, 50.0, 40.0])
    assert math.isnan(trace.level[3])
    assert trace.down_db is None


def test_trace_is_what_each_point_is() -> None:
    """A trace holds point by point what is allowed there; 0, NaN and gaps give NaN."""
    steps = profile(
        LimitRow(rule="", at_hz=Span(low=1e6, high=2e6), at_most=40.0),
        LimitRow(rule="", at_hz=Span(low=2e6, high=3e6), at_most=30.0),
        LimitRow(rule="", at_hz=Span(low=5e6), at_most=20.0, detector=LimitDetector.PEAK),
        quantity=LimitQuantity.VOLTAGE,
        references=(
            ReferenceBandwidth(at_hz=Span(high=2e6), width_hz=9e3),
            ReferenceBandwidth(at_hz=Span(low=2e6, high=4e6), width_hz=120e3),
        ),
    )
    at_hz = np.array([0.0, 1e6, 2e6, 3e6, 4e6, 6e6, math.nan])
    trace = limit_trace(steps, at_hz=at_hz)
    assert trace.level is not None
    np.testing.assert_array_equal(trace.level, [math.nan, 40, 30, 30, math.nan, 20, math.nan])
    np.testing.assert_array_equal(
        trace.reference_bandwidth_hz, [9e3, 9e3, 120e3, 120e3, 120e3, math.nan, math.nan]
    )
    for each, level in zip(at_hz[1:6], trace.level[1:6], strict=True):
        found = allowed(steps, at_hz=float(each))
        assert (found.level if isinstance(found, Allowed) else math.nan) == pytest.approx(
            level, nan_ok=True
        )
    average = limit_trace(steps, at_hz=[2e6, 6e6], detector=LimitDetector.AVERAGE).level
    assert average is not None
    np.testing.assert_array_equal(average, [30.0, math.nan])


def test_empty_trace() -> None:
    """No frequencies, no limits."""
    trace = limit_trace(profile(LimitRow(rule="", at_most=-36.0)), at_hz=[], power_w=1.0)
    assert trace.level is not None and trace.level.shape == (0,)
    assert trace.down_db is not None and trace.down_db.shape == (0,)


def test_each_detector_has_its_own_limit() -> None:
    """All detectors' limits are told; without a wish the tightest is taken."""
    two = profile(
        LimitRow(rule="", at_most=70.0, detector=LimitDetector.PEAK, distance_m=3.0),
        LimitRow(rule="", at_most=50.0, detector=LimitDetector.AVERAGE, distance_m=3.0),
        quantity=LimitQuantity.FIELD,
    )
    each = allowed_each(two, at_hz=2e9, distance_m=3.0)
    assert isinstance(each, tuple)
    assert [(one.detector, one.level_dbuv_per_m) for one in each] == [
        (LimitDetector.PEAK, 70.0),
        (LimitDetector.AVERAGE, 50.0),
    ]
    assert figure(allowed(two, at_hz=2e9, distance_m=3.0)).level == 50.0
    peak = figure(allowed(two, at_hz=2e9, distance_m=3.0, detector=LimitDetector.PEAK))
    assert peak.text == "70.0 dBµV/m at 3 m, peak"
    none = allowed(two, at_hz=2e9, distance_m=3.0, detector=LimitDetector.QUASI_PEAK)
    assert isinstance(none, NoLimit) and "no quasi-peak limit" in none.reason


def test_field_needs_a_distance_and_takes_the_nearest_row() -> None:
    """A pair of distances is exact at both; in between the nearer is brought, and it is noted."""
    pair = profile(
        LimitRow(rule="", at_most=30.0, distance_m=10.0),
        LimitRow(rule="", at_most=40.0, distance_m=3.0),
        quantity=LimitQuantity.FIELD,
    )
    missing = allowed(pair, at_hz=100e6)
    assert isinstance(missing, NoLimit) and missing.missing == ("the distance",)
    for distance_m, level in ((10.0, 30.0), (3.0, 40.0), (1.0, 49.542), (30.0, 20.458)):
        found = figure(allowed(pair, at_hz=100e6, distance_m=distance_m))
        assert found.level == pytest.approx(level, abs=0.001)
        assert bool(found.notes) == (distance_m not in (3.0, 10.0))
    assert (
        "from 3 m to 1 m by 9.5 dB" in figure(allowed(pair, at_hz=100e6, distance_m=1.0)).notes[0]
    )


@pytest.mark.parametrize(
    ("domain", "inside_hz", "outside_hz"),
    [
        (Domain.SPURIOUS, 145.0625e6, 145.063e6),
        (Domain.OUTSIDE_BANDWIDTH, 145.008e6, 145.0081e6),
    ],
)
def test_emission_itself_is_left_out(domain: Domain, inside_hz: float, outside_hz: float) -> None:
    """Within the carrier's own domain there is no limit, once its bandwidth is known."""
    near = profile(LimitRow(rule="", at_most=-36.0), domain=domain)
    fm = {"carrier_hz": 145e6, "power_w": 5.0}
    inside = allowed(near, at_hz=inside_hz, necessary_bandwidth_hz=16e3, **fm)
    assert isinstance(inside, NoLimit) and "not limited there" in inside.reason
    assert isinstance(allowed(near, at_hz=outside_hz, necessary_bandwidth_hz=16e3, **fm), Allowed)
    assert isinstance(allowed(near, at_hz=inside_hz, **fm), Allowed)


def test_row_without_a_figure_says_why() -> None:
    """Where a text sets no figure its own words are told."""
    words = profile(
        LimitRow(rule="", carrier_hz=Span(high=225e6), at_most=-36.0),
        LimitRow(rule="", carrier_hz=Span(low=225e6, low_in=False), no_figure="as far as can be"),
    )
    found = allowed(words, at_hz=1e9, carrier_hz=433e6, power_w=5.0)
    assert found == NoLimit(reason="lamp rule: as far as can be")
    gap = profile(LimitRow(rule="", at_hz=Span(low=2e6), at_most=-36.0))
    assert allowed(gap, at_hz=1e6) == NoLimit(reason="lamp rule has no limit at 1.000 MHz")
    far = profile(LimitRow(rule="", carrier_hz=Span(high=30e6), at_most=-36.0))
    reason = "lamp rule has no limit for a carrier at 145.000 MHz"
    assert allowed(far, at_hz=1e6, carrier_hz=145e6) == NoLimit(reason=reason)


@pytest.mark.parametrize(
    ("key", "value"),
    [("at_hz", 0.0), ("power_w", 0.0), ("power_w", math.nan), ("carrier_hz", -1.0),
     ("distance_m", math.inf), ("at_hz", math.nan)],
)  # fmt: skip
def test_impossible_figures_are_refused(key: str, value: float) -> None:
    """What cannot be is a slip of the caller."""
    given = {"at_hz": 1e6, key: value}
    with pytest.raises(ValueError, match=key):
        allowed(profile(LimitRow(rule="", at_most=-36.0)), **given)


@pytest.mark.parametrize("carrier_hz", [8.9e3, 10.1e9, math.nan])
def test_boundary_beyond_its_table(carrier_hz: float) -> None:
    """No boundary is made up outside the table."""
    with pytest.raises(ValueError, match="9 kHz to 10 GHz"):
        spurious_boundary_hz(carrier_hz, 16e3)
    with pytest.raises(ValueError, match="above 0 Hz"):
        spurious_boundary_hz(145e6, 0.0)


# ---- fields --------------------------------------------------------------------------------------


def test_field_and_level_are_inverse() -> None:
    """There and back again, for arrays."""
    factor = antenna_factor_db_per_m([30e6, 145e6, 1e9], 2.15)
    level = np.array([-80.0, -60.5, 3.0])
    np.testing.assert_allclose(
        level_dbm_of_field(field_dbuv_per_m(level, factor), factor), level, atol=1e-12
    )


def test_free_space_field_is_what_a_receiver_gets() -> None:
    """Field and antenna factor together are the free-space loss between isotropic aerials."""
    at_hz, distance_m = 145e6, 30.0
    level = level_dbm_of_field(
        free_space_field_dbuv_per_m(10.0, distance_m), antenna_factor_db_per_m(at_hz, 0.0)
    )
    loss_db = 20.0 * math.log10(4.0 * math.pi * distance_m * at_hz / 299_792_458.0)
    assert float(level) == pytest.approx(10.0 - loss_db, abs=1e-9)


def test_distance_must_be_one() -> None:
    """No distance of 0."""
    with pytest.raises(ValueError, match="above 0 m"):
        field_at_distance_db(0.0, 3.0, 1e8)
    with pytest.raises(ValueError, match="above 0 m"):
        free_space_field_dbuv_per_m(0.0, math.inf)


# ---- readings ------------------------------------------------------------------------------------


def voltage_limit(detector: LimitDetector | None) -> Allowed:
    """56 dBµV for a detector."""
    row = LimitRow(rule="", at_most=56.0, detector=detector)
    return figure(allowed(profile(row, quantity=LimitQuantity.VOLTAGE), at_hz=1e6))


@pytest.mark.parametrize(
    ("swept", "wanted", "below", "above"),
    [
        (Detector.POSITIVE, "quasi-peak", "pass", "cannot tell"),
        (Detector.POSITIVE, "average", "pass", "cannot tell"),
        (Detector.POSITIVE, "rms", "pass", "cannot tell"),
        (Detector.POSITIVE, "peak", "pass", "fail"),
        (Detector.RMS, "rms", "pass", "fail"),
        (Detector.RMS, "average", "pass", "cannot tell"),
        (Detector.RMS, "quasi-peak", "cannot tell", "cannot tell"),
        (Detector.RMS, "peak", "cannot tell", "fail"),
        (Detector.AVERAGE, "average", "cannot tell", "fail"),
        (Detector.AVERAGE, "quasi-peak", "cannot tell", "fail"),
        (Detector.NEGATIVE, "average", "cannot tell", "fail"),
        (Detector.SAMPLE, "peak", "cannot tell", "fail"),
        (Detector.SAMPLE, "quasi-peak", "cannot tell", "cannot tell"),
        (None, "quasi-peak", "cannot tell", "cannot tell"),
        (None, None, "pass", "fail"),
        (Detector.SAMPLE, None, "pass", "fail"),
    ],
)
def test_what_a_detector_lets_one_say(
    swept: Detector | None, wanted: str | None, below: str, above: str
) -> None:
    """Peak is not less than quasi-peak, that not less than average; each shows one side only."""
    limit = voltage_limit(None if wanted is None else LimitDetector(wanted))
    low = compare(limit, level=50.0, detector=swept, expanded_db=2.0)
    high = compare(limit, level=60.0, detector=swept, expanded_db=2.0)
    assert (low.verdict, high.verdict) == (Verdict(below), Verdict(above))
    for one in (low, high):
        assert bool(one.reasons) == (one.verdict is Verdict.CANNOT_TELL)
        assert f": {one.verdict}" in one.judgement.text


def test_peak_below_quasi_peak_hangs_on_the_dwell() -> None:
    """Pulses that a sweep missed would read higher: the condition is said, or the word taken."""
    limit = voltage_limit(LimitDetector.QUASI_PEAK)
    said = {
        caught: compare(
            limit,
            level=50.0,
            detector=Detector.POSITIVE,
            expanded_db=2.0,
            caught_every_pulse=caught,
        )
        for caught in (None, True, False)
    }
    assert said[None].text == (
        "at most 50.0 of 56.0 dBµV ± 2.0: below limit lamp rule, edition 2026, "
        "provided the dwell caught every pulse"
    )
    assert said[True].text.endswith("below limit lamp rule, edition 2026")
    assert said[False].verdict is Verdict.CANNOT_TELL
    assert "pulses may have been missed" in said[False].reasons


def test_steady_carrier_reads_alike_everywhere() -> None:
    """Neither detector nor bandwidth keep a steady carrier from being judged."""
    limit = voltage_limit(LimitDetector.QUASI_PEAK)
    reference = ReferenceBandwidth(at_hz=Span(), width_hz=9e3, kind=WidthKind.DB_6)
    wide = bandwidths(100e3, reference)
    for level, verdict in ((50.0, Verdict.PASS), (60.0, Verdict.FAIL)):
        found = compare(
            limit,
            level=level,
            detector=Detector.POSITIVE,
            expanded_db=2.0,
            widths=wide,
            steady_carrier=True,
        )
        assert found.verdict is verdict


@pytest.mark.parametrize(
    ("rbw_hz", "below", "above"),
    [(30e3, "pass", "cannot tell"), (1e3, "cannot tell", "fail"), (6.4e3, "pass", "fail")],
    ids=["wide", "narrow", "same"],
)
def test_what_a_bandwidth_lets_one_say(rbw_hz: float, below: str, above: str) -> None:
    """A wide RBW lets more through, so its reading shows "below"; a narrow one shows "above"."""
    limit = voltage_limit(LimitDetector.PEAK)
    reference = ReferenceBandwidth(at_hz=Span(), width_hz=9e3, kind=WidthKind.DB_6)
    widths = bandwidths(rbw_hz, reference)
    for level, verdict in ((50.0, below), (60.0, above)):
        found = compare(
            limit, level=level, detector=Detector.POSITIVE, expanded_db=2.0, widths=widths
        )
        assert found.verdict is Verdict(verdict)


def test_suppression_is_judged_as_its_level() -> None:
    """dB below the carrier and dBm are two sides of one reading."""
    row = LimitRow(rule="", at_least_down_db=53.0, detector=LimitDetector.RMS)
    limit = figure(allowed(profile(row), at_hz=290e6, power_w=5.0))
    for down_db, verdict in ((55.0, Verdict.PASS), (50.0, Verdict.CANNOT_TELL)):
        found = compare(limit, down_db=down_db, detector=Detector.POSITIVE, expanded_db=1.9)
        assert found.verdict is verdict
        level = 36.9897 - down_db
        same = compare(limit, level=level, detector=Detector.POSITIVE, expanded_db=1.9)
        assert same.verdict is verdict
    found = compare(limit, down_db=50.0, detector=Detector.RMS, expanded_db=1.9)
    assert found.text == "50.0 of 53.0 dB ± 1.9: above limit lamp rule, edition 2026"
    near = compare(limit, down_db=53.5, detector=Detector.RMS, expanded_db=1.9)
    assert near.text.startswith("53.5 of 53.0 dB ± 1.9: cannot tell whether below limit lamp rule")
    assert near.reasons == ("the limit lies within the uncertainty",)


def test_bound_of_the_reading_goes_with_that_of_the_detector() -> None:
    """What the floor hides is "at most"; a detector that only bounds the other way adds nothing."""
    limit = voltage_limit(LimitDetector.QUASI_PEAK)
    hidden = compare(
        limit, level=50.0, detector=Detector.POSITIVE, expanded_db=1.0, bound="at most"
    )
    assert hidden.verdict is Verdict.PASS
    against = compare(
        limit, level=60.0, detector=Detector.AVERAGE, expanded_db=1.0, bound="at most"
    )
    assert against.verdict is Verdict.CANNOT_TELL


def test_reading_that_is_none_and_figures_that_are_not() -> None:
    """NaN cannot tell; a figure that the limit does not have is a slip of the caller."""
    limit = voltage_limit(None)
    nan = compare(limit, level=math.nan, detector=None, expanded_db=1.0)
    assert nan.verdict is Verdict.CANNOT_TELL
    assert compare(limit, level=1.0, detector=None, expanded_db=None).verdict is (
        Verdict.CANNOT_TELL
    )
    for given in ({}, {"level": 1.0, "down_db": 1.0}, {"down_db": 1.0}):
        with pytest.raises(ValueError, match="exactly one of level and down_db"):
            compare(limit, detector=None, expanded_db=1.0, **given)


def test_widths_there_and_back() -> None:
    """Each way of counting a width can be undone."""
    for kind in WidthKind:
        assert width_as(width_as(9e3, WidthKind.DB_3, kind), kind, WidthKind.DB_3) == (
            pytest.approx(9e3)
        )
    with pytest.raises(ValueError, match="above 0 Hz"):
        width_as(0.0, WidthKind.DB_3, WidthKind.DB_6)


def test_corrections_state_their_kind_of_signal() -> None:
    """Noise moves with 10 log of the ratio, impulses with 20 log."""
    reference = ReferenceBandwidth(at_hz=Span(), width_hz=100e3, kind=WidthKind.DB_3)
    found = bandwidths(10e3, reference)
    assert (found.ratio, found.noise_db, found.impulse_db) == pytest.approx((0.1, 10.0, 20.0))
    unnamed = bandwidths(100e3, ReferenceBandwidth(at_hz=Span(), width_hz=100e3))
    assert unnamed.ratio == pytest.approx(1.06447, abs=1e-5)
    assert unnamed.same
