"""Whether a request is within the limits, and the pieces it is taken in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acqd.drivers.hops import MAX_HOPS, check_joinable, check_source, joined_levels, plan_hops
from acqd.errors import RequestRefused, SweepInvalid
from acqd.sweep import Capabilities, Detector, SourceRequest, SweepRequest

CAN = Capabilities(
    start_hz=100e3,
    stop_hz=350e6,
    points_min=11,
    points_max=290,
    rbw_steps_hz=(3e3, 10e3, 30e3),
    detectors=(Detector.SAMPLE, Detector.POSITIVE),
    attenuation_steps_db=(0, 10, 20),
    averages_max=4,
    source=True,
    source_start_hz=1e6,
    source_stop_hz=300e6,
    source_min_dbm=-30,
    source_max_dbm=-10,
)
ASK = SweepRequest(start_hz=156e6, stop_hz=157e6, points=101, rbw_hz=10e3)

REFUSED = {
    "below the range": (replace(ASK, start_hz=50e3), "frequency: .*100 kHz to 350 MHz"),
    "above the range": (replace(ASK, stop_hz=400e6), "asked for 156 MHz to 400 MHz"),
    "an rbw between the steps": (replace(ASK, rbw_hz=5e3), "3 kHz, 10 kHz, 30 kHz"),
    "another detector": (replace(ASK, detector=Detector.RMS), "sample, positive"),
    "another attenuation": (replace(ASK, attenuation_db=5), "0 dB, 10 dB, 20 dB"),
    "too many averages": (replace(ASK, averages=5), "1 to 4"),
    "no averages": (replace(ASK, averages=0), "1 to 4"),
    "too few points": (replace(ASK, points=10), "at least 11"),
    "source too strong": (
        replace(ASK, source=SourceRequest(on=True, level_dbm=0)),
        "source level: asked for 0 dBm, .*-30 dBm to -10 dBm",
    ),
    "source level not finite": (
        replace(ASK, source=SourceRequest(on=True, level_dbm=float("nan"))),
        "source level",
    ),
    "source off its range": (
        replace(ASK, stop_hz=310e6, source=SourceRequest(on=True, level_dbm=-20)),
        "source frequency: .*1 MHz to 300 MHz",
    ),
    "zero span in pieces": (replace(ASK, stop_hz=ASK.start_hz, points=500), "zero span: .*250 in"),
    "hours of hops": (replace(ASK, points=290 * MAX_HOPS + 1), "points"),
}


@pytest.mark.parametrize(("request_", "says"), REFUSED.values(), ids=REFUSED)
def test_a_request_beyond_a_limit_is_refused_by_name(request_: SweepRequest, says: str) -> None:
    """The setting, what was asked for, and the limit stand in the message."""
    with pytest.raises(RequestRefused, match=says):
        plan_hops(request_, CAN)


ACCEPTED = {
    "as it is": ASK,
    "at the limits": replace(ASK, start_hz=100e3, stop_hz=350e6, points=290),
    "an rbw within 1 % of a step": replace(ASK, rbw_hz=9.95e3),
    "everything set": replace(
        ASK,
        detector=Detector.SAMPLE,
        attenuation_db=20,
        averages=4,
        source=SourceRequest(on=True, level_dbm=-10),
    ),
    "zero span": replace(ASK, stop_hz=ASK.start_hz),
}


@pytest.mark.parametrize("request_", ACCEPTED.values(), ids=ACCEPTED)
def test_a_request_within_the_limits_is_one_hop_and_unchanged(request_: SweepRequest) -> None:
    """Nothing is rounded or split where it need not be."""
    (hop,) = plan_hops(request_, CAN)
    assert hop.request is request_
    assert (hop.first_point, hop.points, hop.overlap) == (0, request_.points, 0)


def test_an_rbw_range_without_steps_is_kept() -> None:
    """A sweeper that names only least and greatest RBW takes all between."""
    can = replace(CAN, rbw_steps_hz=(), rbw_min_hz=1e3, rbw_max_hz=1e6)
    assert len(plan_hops(replace(ASK, rbw_hz=7e3), can)) == 1
    with pytest.raises(RequestRefused, match="1 kHz to 1 MHz"):
        plan_hops(replace(ASK, rbw_hz=300), can)


def test_a_sweeper_without_a_source_refuses_it_on_but_not_off() -> None:
    """Switching off is never refused."""
    can = replace(CAN, source=False)
    with pytest.raises(RequestRefused, match="no source"):
        check_source(SourceRequest(on=True), can)
    check_source(SourceRequest(on=False), can)


def test_many_points_are_taken_in_equal_hops_on_the_grid_asked_for() -> None:
    """1001 points at 290 a sweep: four hops, none longer than needed, time shared out."""
    hops = plan_hops(replace(ASK, points=1001, sweep_time_s=1.001), CAN)
    assert [hop.points for hop in hops] == [251, 251, 251, 248]
    assert [hop.overlap for hop in hops] == [0, 0, 0, 3]
    assert all(hop.request.points == 251 for hop in hops)
    assert hops[0].request.sweep_time_s == pytest.approx(0.251)


def test_a_number_of_points_that_cannot_be_set_is_taken_in_those_that_can() -> None:
    """Fixed numbers of points: as few hops as possible, the last one overlapping."""
    can = replace(CAN, points_allowed=(51, 101, 145, 290))
    assert [hop.request.points for hop in plan_hops(replace(ASK, points=145), can)] == [145]
    hops = plan_hops(replace(ASK, points=200), can)
    assert [(hop.request.points, hop.points, hop.overlap) for hop in hops] == [
        (101, 101, 0),
        (101, 99, 2),
    ]
    with pytest.raises(RequestRefused, match="one of 51, 101, 145, 290"):
        plan_hops(replace(ASK, points=50), can)


@given(
    points=st.integers(2, 3000),
    start_hz=st.floats(1e5, 1e8),
    span_hz=st.floats(1.0, 1e8),
    most=st.integers(2, 500),
    least=st.integers(1, 60),
    allowed=st.lists(st.integers(2, 600), max_size=4),
)
def test_hops_cover_every_point_once_and_lie_on_the_grid(
    points: int, start_hz: float, span_hz: float, most: int, least: int, allowed: list[int]
) -> None:
    """Whatever the limits: joined, the hops give each asked point exactly once, bit for bit."""
    least = min(least, most)
    can = Capabilities(
        start_hz=0,
        stop_hz=1e9,
        points_min=least,
        points_max=most,
        points_allowed=tuple(sorted(set(allowed))),
    )
    ask = SweepRequest(start_hz=start_hz, stop_hz=start_hz + span_hz, points=points)
    try:
        hops = plan_hops(ask, can)
    except RequestRefused:
        largest = max((size for size in allowed if size <= points), default=most)
        assert points < (min(allowed) if allowed else least) or points / largest > MAX_HOPS
        return
    sizes = {hop.request.points for hop in hops}
    assert sizes <= set(allowed) if allowed else all(least <= size <= most for size in sizes)
    grid_hz = ask.frequencies_hz()
    index = np.arange(points, dtype=np.float64)
    pieces = []
    for hop in hops:
        first = hop.first_point - hop.overlap
        assert hop.request.start_hz == grid_hz[first]
        assert hop.request.stop_hz == grid_hz[first + hop.request.points - 1]
        pieces.append((hop, index[first : first + hop.request.points]))
    assert np.array_equal(joined_levels(points, pieces), index)


def test_a_hop_that_is_missing_leaves_nan() -> None:
    """What no piece brought is not a number, and the result cannot be written to."""
    hops = plan_hops(replace(ASK, points=500), CAN)
    level = joined_levels(500, [(hops[1], np.zeros(250, dtype=np.float32))])
    assert np.isnan(level[:250]).all() and (level[250:] == 0).all()
    assert level.dtype == np.float32 and not level.flags.writeable


def test_hops_with_an_axis_of_their_own_are_not_joined() -> None:
    """Points off the grid, or too few of them, have no place in it."""
    (hop, *_) = plan_hops(replace(ASK, points=500), CAN)
    asked_hz = hop.request.frequencies_hz()
    check_joinable(hop, asked_hz + 1.0)
    with pytest.raises(SweepInvalid, match="off the grid"):
        check_joinable(hop, asked_hz + 500.0)
    with pytest.raises(SweepInvalid, match="came back with 249"):
        check_joinable(hop, asked_hz[1:])
