"""Budgets: what they hold, what they say, and whether they cover what they promise."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from acqd.measure import budget
from acqd.measure.budget import Budget, Component, Shape
from acqd.measure.uncertainty import (
    Cause,
    Elapsed,
    Port,
    Reading,
    SweeperFacts,
    chain_element,
    difference_budget,
    input_mismatch,
    insertion_mismatch,
    level_budget,
)
from budgets_made import GOOD, STILL, coverage, drawn

# --- components -----------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", list(Shape))
def test_the_divisor_is_that_of_the_distribution(shape: Shape) -> None:
    """The spread of what is drawn from a shape is its u."""
    part = Component(name="a", half_width=3.0, shape=shape)
    errors = drawn(part, np.random.default_rng(1), 200_000)
    assert errors.std() == pytest.approx(part.u, rel=0.01)


def test_a_sensitivity_scales_the_contribution_and_not_u() -> None:
    """2 K at −0.05 dB per K."""
    part = Component(name="t", half_width=2.0, shape=Shape.NORMAL, sensitivity=-0.05, unit="K")
    assert part.u == 1.0
    assert part.contribution == pytest.approx(0.05)


@pytest.mark.parametrize("half_width", [-0.1, math.nan, math.inf])
def test_a_half_width_that_is_none_is_refused(half_width: float) -> None:
    """The message names the part."""
    with pytest.raises(ValueError, match=r"'the cable'.*half_width must be finite and not below 0"):
        Component.from_limits("the cable", half_width)


def test_a_sensitivity_that_is_no_number_is_refused() -> None:
    """Infinite as well."""
    with pytest.raises(ValueError, match="sensitivity must be finite, got inf"):
        Component(name="a", half_width=1.0, shape=Shape.NORMAL, sensitivity=math.inf)


def test_a_certificate_at_another_k() -> None:
    """U 0.6 at k = 3 is u 0.2."""
    assert Component.from_expanded("pad", 0.6, k=3.0).u == pytest.approx(0.2)
    with pytest.raises(ValueError, match="k must be above 0, got 0"):
        Component.from_expanded("pad", 0.6, k=0)


def test_few_repeats_count_for_more() -> None:
    """The same spread from two, ten and many sweeps."""
    us = [Component.from_standard("r", 0.1, count=n).u for n in (2, 10, 10_000)]
    assert us == pytest.approx([0.6984, 0.1160, 0.1], abs=1e-4)
    assert Component.from_standard("r", 0.1).u == 0.1


def test_one_repeat_has_no_spread() -> None:
    """And the message says what is needed."""
    with pytest.raises(ValueError, match="needs at least 2 readings, got 1"):
        Component.from_standard("r", 0.1, count=1)


@pytest.mark.parametrize("count", [3, 5, 10])
def test_two_times_u_covers_also_with_few_repeats(count: int) -> None:
    """The spread itself is drawn anew each time, as it is on the bench."""
    rng = np.random.default_rng(count)
    sweeps = rng.standard_normal((20_000, count))
    s = sweeps.std(axis=1, ddof=1) / math.sqrt(count)
    expanded = budget.student_factor(count) * s
    assert 0.945 <= float(np.mean(np.abs(sweeps.mean(axis=1)) <= expanded)) <= 0.965
    unit = Component.from_standard("r", 1.0, count=count)
    assert 2 * unit.u == pytest.approx(budget.student_factor(count))


@pytest.mark.parametrize("rho", [-0.1, 1.1, math.nan])
def test_reflections_outside_their_range_are_refused(rho: float) -> None:
    """Anything but 0 to 1."""
    with pytest.raises(ValueError, match="between 0 and 1"):
        Component.mismatch(rho, 0.1)


def test_ports_that_reflect_everything() -> None:
    """An open aerial socket: an infinite VSWR, and no lower limit against another one."""
    assert budget.reflection_of_vswr(math.inf) == 1.0
    assert budget.mismatch_limits_db(1.0, 1.0) == (pytest.approx(6.0206, abs=5e-5), -math.inf)


@pytest.mark.parametrize("vswr", [0.9, math.nan])
def test_a_vswr_below_one_is_refused(vswr: float) -> None:
    """It would be a negative reflection."""
    with pytest.raises(ValueError, match="VSWR must be at least 1"):
        budget.reflection_of_vswr(vswr)


def test_gain_is_no_pad() -> None:
    """An amplifier does not shrink reflections by its gain."""
    with pytest.raises(ValueError, match="what has gain is no pad"):
        budget.reflection_behind_pad(0.3, -10.0)


@pytest.mark.parametrize("fraction", [-0.1, 1.0, math.nan])
def test_relative_errors_outside_their_range_are_refused(fraction: float) -> None:
    """All of a voltage has no level below it."""
    with pytest.raises(ValueError, match="at least 0 and below 1"):
        budget.db_from_relative(fraction)


# --- budgets --------------------------------------------------------------------------------------


def three() -> Budget:
    """3, 4 and 12 make 13."""
    return Budget(
        unit="dB",
        components=(
            Component.from_standard("pad", 3.0, shrink="measure it"),
            Component.from_standard("cable", 4.0, assumed=True),
            Component.from_standard("sweeper", 12.0, assumed=True, shrink="compare it"),
        ),
    )


def test_contributions_add_as_squares() -> None:
    """3² + 4² + 12² = 13²."""
    assert three().u_combined == pytest.approx(13.0)
    assert three().expanded == pytest.approx(26.0)
    assert replace(three(), k=3.0).expanded == pytest.approx(39.0)


def test_shares_are_of_the_variance() -> None:
    """And sum to 1."""
    assert three().shares == pytest.approx((9 / 169, 16 / 169, 144 / 169))
    assert sum(three().shares) == pytest.approx(1.0)


def test_the_dominant_part_is_told_with_what_would_shrink_it() -> None:
    """In one sentence, with what would be left."""
    top = three().dominant
    assert top is not None
    assert (top.component.name, top.share) == ("sweeper", pytest.approx(144 / 169))
    assert three().sentence() == (
        "± 26.0 dB (k = 2); largest part: sweeper (assumed), 85 % of the variance; "
        "to shrink it, compare it; without it ± 10.0 dB"
    )


def test_a_sentence_without_advice() -> None:
    """One part alone, that nothing shrinks: nothing is left without it."""
    one = Budget(unit="Hz", components=(Component.from_standard("clock", 5078.0),))
    assert one.sentence() == (
        "± 10000 Hz (k = 2); largest part: clock, 100 % of the variance; without it ± 0 Hz"
    )


@pytest.mark.parametrize(
    "empty", [Budget(unit="dB"), Budget(unit="dB", components=(Component.from_limits("a", 0.0),))]
)
def test_an_empty_budget_claims_nothing(empty: Budget) -> None:
    """U is 0, no part dominates, and the sentence says so."""
    assert empty.expanded == 0.0
    assert empty.dominant is None
    assert all(share == 0.0 for share in empty.shares)
    assert empty.sentence() == "nothing is known of the uncertainty"


def test_what_is_assumed_is_named() -> None:
    """In order."""
    assert three().assumed == ("cable", "sweeper")


def test_lines_are_a_table_with_the_largest_first() -> None:
    """Plain JSON data."""
    rows = three().lines()
    assert [row["name"] for row in rows] == ["sweeper", "cable", "pad"]
    assert json.loads(json.dumps(rows)) == rows
    assert rows[2] == {
        "name": "pad",
        "half_width": 6.0,
        "unit": "dB",
        "shape": "normal",
        "sensitivity": 1.0,
        "u": 3.0,
        "contribution": 3.0,
        "share": pytest.approx(9 / 169),
        "assumed": False,
        "shrink": "measure it",
        "count": None,
    }


def test_json_gives_the_same_budget_back() -> None:
    """Through text, bit for bit, with everything a component can hold."""
    parts = level_budget(
        replace(GOOD, assumed=frozenset({"accuracy_db"})),
        Reading(over_floor_db=11.7, deviation_db=1 / 3, deviation_count=7, averaged=3),
        chain=[chain_element("pad", 0.1)],
        since=Elapsed(age_h=1 / 7, temperature_k=-3),
    )
    text = json.dumps(parts.to_json())
    again = Budget.from_json(json.loads(text))
    assert again == parts
    assert again.expanded == parts.expanded
    assert json.dumps(again.to_json()) == text


@pytest.mark.parametrize("missing", ["unit", "k", "components"])
def test_json_that_lacks_something_is_refused(missing: str) -> None:
    """By the name of what is missing."""
    data = three().to_json()
    del data[missing]
    with pytest.raises(KeyError, match=missing):
        Budget.from_json(data)


@pytest.mark.parametrize("k", [0.0, -2.0, math.nan, math.inf])
def test_a_coverage_factor_that_is_none_is_refused(k: float) -> None:
    """It would turn U into nothing or everything."""
    with pytest.raises(ValueError, match="coverage factor k must be above 0"):
        Budget(unit="dB", k=k)


def test_what_cancels_is_taken_out_by_name() -> None:
    """All parts of a name; a name that is not there does nothing."""
    twice = three().with_components(Component.from_standard("pad", 84.0))
    assert twice.u_combined == pytest.approx(85.0)
    assert twice.without(["pad", "aerial"]).u_combined == pytest.approx(math.hypot(4, 12))
    assert twice.without([]) == twice


def test_causes_are_names_to_take_out() -> None:
    """A level less another of the same sweeper."""
    level = level_budget(GOOD, STILL)
    rest = level.without([Cause.LEVEL_ACCURACY, Cause.FLATNESS])
    assert {part.name for part in rest.components} == {Cause.RESOLUTION, Cause.MISMATCH}


@pytest.mark.parametrize(
    ("expanded", "unit", "decimals"),
    [
        (1.9, "dB", 1),
        (12.3, "dB", 1),
        (0.067, "dB", 3),
        (0.0, "dB", 1),
        (math.nan, "dBm", 1),
        (10_156.0, "Hz", -3),
        (7.1, "Hz", 1),
        (0.0, "Hz", 0),
        (math.inf, "°C", 0),
        (1e-9, "dB", 6),
    ],
)
def test_decimals_show_two_figures_of_u(expanded: float, unit: str, decimals: int) -> None:
    """One decimal at least for decibels."""
    assert budget.decimals_for(expanded, unit) == decimals


# --- coverage -------------------------------------------------------------------------------------


def test_two_times_u_covers_a_mixed_budget() -> None:
    """About 95 % of the errors: 20 000 draws of each shape."""
    mixed = Budget(
        unit="dB",
        components=(
            Component.from_limits("flatness", 1.0),
            Component.from_limits("reference", 0.8),
            Component.mismatch(0.2, 1 / 3),
            Component.from_limits("pads", 0.9, shape=Shape.TRIANGULAR),
            Component.from_standard("repeatability", 0.3),
            Component.resolution(0.5),
        ),
    )
    assert 0.94 <= coverage(mixed) <= 0.975


@pytest.mark.parametrize(
    "found",
    [
        pytest.param(
            level_budget(
                replace(GOOD, flatness_db=None),
                Reading(over_floor_db=20.0, deviation_db=0.2),
                port=Port(source_vswr=2.0),
                chain=[chain_element("cable"), chain_element("pad", 0.5)],
                since=Elapsed(age_h=5.0),
            ),
            id="level",
        ),
        pytest.param(
            difference_budget(
                GOOD,
                Reading(),
                Reading(over_floor_db=15.0, averages=10.0),
                difference_db=-55.0,
                same_frequency=False,
                mismatches=[part.of_two_readings() for part in input_mismatch(Port(pad_db=40.0))],
                chain=[chain_element("the 40 dB pad", 0.5)],
                settings_differ=True,
            ),
            id="dBc",
        ),
        pytest.param(
            difference_budget(
                GOOD,
                Reading(deviation_db=0.1),
                Reading(deviation_db=0.1),
                difference_db=1.5,
                same_frequency=True,
                mismatches=insertion_mismatch(
                    loss_db=1.5, source_vswr=1.3, load_vswr=1.3, device_vswr=1.5
                ),
            ),
            id="loss",
        ),
    ],
)
def test_two_times_u_covers_what_the_builders_make(found: Budget) -> None:
    """Neither 80 nor 100 %."""
    assert 0.94 <= coverage(found) <= 0.98


def test_one_rectangular_part_alone_is_covered_whole() -> None:
    """2/√3 of its limits: wider than 95 %, as the docs say."""
    alone = level_budget(SweeperFacts(), STILL, port=Port(source_vswr=1.0))
    assert [part.name for part in alone.components if part.u] == [Cause.LEVEL_ACCURACY]
    assert coverage(alone) == 1.0
