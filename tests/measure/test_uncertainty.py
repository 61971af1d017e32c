"""Budgets: what they hold, what they say, and whether they cover what they promise."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure import budget, uncertainty
from acqd.measure.bandpower import scallop_db, without_floor_db
from acqd.measure.budget import Budget, Component, Shape
from acqd.measure.uncertainty import (
    Cause,
    Elapsed,
    Port,
    Reading,
    SweeperFacts,
    chain_element,
    difference_budget,
    frequency_budget,
    input_mismatch,
    insertion_mismatch,
    level_budget,
)

PAGE = (Path(__file__).parents[2] / "docs" / "uncertainty.md").read_text("utf-8")

STILL = Reading(deviation_db=0.0)
"""A reading that repeats exactly, far above the floor."""

GOOD = SweeperFacts(accuracy_db=1.0, flatness_db=0.5, scale_db=0.4, input_vswr=1.5, step_db=0.1)


def drawn(component: Component, rng: np.random.Generator, count: int) -> NDArray[np.float64]:
    """Errors as a component's distribution makes them, in the budget's unit."""
    a = component.half_width
    errors = {
        Shape.NORMAL: lambda: rng.standard_normal(count) * a / 2,
        Shape.RECTANGULAR: lambda: rng.uniform(-a, a, count),
        Shape.TRIANGULAR: lambda: rng.triangular(-1, 0, 1, count) * a,
        Shape.U_SHAPED: lambda: a * np.sin(2 * np.pi * rng.random(count)),
        Shape.STEP: lambda: rng.uniform(-a, a, count),
    }[component.shape]()
    return np.asarray(component.sensitivity * errors)


def coverage(of: Budget, seed: int = 9) -> float:
    """Share of 20 000 drawn errors that lie within U."""
    rng = np.random.default_rng(seed)
    total = np.sum([drawn(part, rng, 20_000) for part in of.components], axis=0)
    return float(np.mean(np.abs(total) <= of.expanded))


def named(of: Budget, name: str) -> list[Component]:
    return [part for part in of.components if part.name == name]


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


# --- levels ---------------------------------------------------------------------------------------


def test_what_nobody_says_is_assumed_wide_and_named() -> None:
    """A level of an unknown sweeper, straight into it."""
    found = level_budget(SweeperFacts(), Reading())
    assert found.assumed == (Cause.LEVEL_ACCURACY, Cause.MISMATCH, Cause.REPEATABILITY)
    assert found.expanded == pytest.approx(
        2 * math.sqrt(3.0**2 / 3 + (8.685890 / 3 * 0.6 / 2.6) ** 2 / 2 + 0.2**2), rel=1e-6
    )
    assert found.dominant is not None
    assert found.dominant.component.name == Cause.LEVEL_ACCURACY
    assert "state the level accuracy from its data sheet" in found.sentence()


def test_what_is_stated_is_not_assumed() -> None:
    """Unless it is handed over as assumed."""
    known = level_budget(GOOD, STILL, port=Port(source_vswr=1.2))
    assert known.assumed == ()
    handed = replace(GOOD, assumed=frozenset({"accuracy_db", "flatness_db"}))
    assert level_budget(handed, STILL, port=Port(source_vswr=1.2)).assumed == (
        Cause.LEVEL_ACCURACY,
        Cause.FLATNESS,
    )


def test_flatness_counts_in_a_level_only_where_it_is_stated() -> None:
    """Else the level accuracy holds at every frequency."""
    assert not named(level_budget(SweeperFacts(accuracy_db=1.0), STILL), Cause.FLATNESS)
    assert named(level_budget(GOOD, STILL), Cause.FLATNESS)[0].half_width == 0.5


def test_the_chain_counts_part_by_part() -> None:
    """Half-widths at k = 2; one that nobody stated is assumed."""
    found = level_budget(GOOD, STILL, chain=[chain_element("pad", 0.3), chain_element("cable")])
    assert [named(found, name)[0].u for name in ("pad", "cable")] == [0.15, 0.5]
    assert [named(found, name)[0].assumed for name in ("pad", "cable")] == [False, True]


def test_a_pad_shrinks_what_thing_and_sweeper_see_of_each_other() -> None:
    """By 10^(−2A/20); its own ends stay."""
    (bare,) = input_mismatch(Port(source_vswr=3.0), 2.0)
    padded = input_mismatch(Port(source_vswr=3.0, pad_db=6.0, pad_vswr=1.1), 2.0)
    assert padded[0].u / bare.u == pytest.approx(10 ** (-12 / 20))
    assert [part.half_width for part in padded[1:]] == pytest.approx(
        [8.685890 * 0.5 * 0.1 / 2.1, 8.685890 * 0.1 / 2.1 / 3], rel=1e-6
    )
    assert not any(part.assumed for part in padded)


def test_a_pad_of_unknown_quality_is_no_cure_for_everything() -> None:
    """40 dB more do not bring the mismatch below that of the pad's own ends."""
    us = [
        Budget(unit="dB", components=input_mismatch(Port(pad_db=pad_db))).u_combined
        for pad_db in (0.0, 3.0, 10.0, 20.0, 60.0)
    ]
    assert us == sorted(us, reverse=True)
    assert us[-1] == pytest.approx(us[-2], rel=0.01)
    assert us[-1] > 0.2


def test_a_level_step_counts_where_there_is_one() -> None:
    """Half a dB steps: 0.144 dB."""
    coarse = level_budget(replace(GOOD, step_db=0.5), STILL)
    assert named(coarse, Cause.RESOLUTION)[0].u == pytest.approx(0.144338, abs=1e-6)
    assert not named(level_budget(replace(GOOD, step_db=0.0), STILL), Cause.RESOLUTION)


def test_a_mean_of_repeats_is_steadier_than_one_of_them() -> None:
    """s/√n, widened for ten repeats."""
    once = Reading(deviation_db=0.3, deviation_count=10)
    us = [
        named(level_budget(GOOD, reading), Cause.REPEATABILITY)[0].u
        for reading in (once, replace(once, averaged=9))
    ]
    assert us == pytest.approx([0.3 * 1.16, 0.1 * 1.16], rel=1e-3)


@pytest.mark.parametrize(("over_db", "averages"), [(6, 1), (10, 1), (20, 1), (3, 10), (30, 10)])
def test_the_spread_of_a_reading_near_the_floor(over_db: float, averages: int) -> None:
    """A carrier in noise, drawn: within 15 % for one sample, 2 % for ten."""
    rng = np.random.default_rng(averages)
    noise = rng.standard_normal((40_000, averages, 2)) * math.sqrt(0.5)
    noise[..., 0] += math.sqrt(10 ** (over_db / 10) - 1)
    readings_db = 10 * np.log10((noise**2).sum(axis=2).mean(axis=1))
    found = level_budget(GOOD, Reading(over_floor_db=over_db, averages=averages))
    (part,) = named(found, Cause.NOISE)
    assert part.u == pytest.approx(readings_db.std(), rel=0.15 if averages == 1 else 0.02)


@pytest.mark.parametrize("averages", [1.0, 4.0, 100.0])
def test_the_spread_of_noise_itself(averages: float) -> None:
    """Gamma distributed powers in dB: 5.57 dB for one sample."""
    rng = np.random.default_rng(3)
    drawn_db = 10 * np.log10(rng.gamma(averages, 1 / averages, 200_000))
    reading = Reading(over_floor_db=30.0, averages=averages, noise_like=True)
    (part,) = named(level_budget(GOOD, reading), Cause.NOISE)
    assert part.u == pytest.approx(drawn_db.std(), rel=0.01)


def test_a_floor_taken_out_leaves_a_larger_spread_and_no_offset() -> None:
    """Drawn as well: the carrier's own power, 10 dB above the floor, 100 samples."""
    rng = np.random.default_rng(4)
    noise = rng.standard_normal((20_000, 100, 2)) * math.sqrt(0.5)
    noise[..., 0] += 3.0
    net_db = 10 * np.log10((noise**2).sum(axis=2).mean(axis=1) - 1.0)
    found = level_budget(GOOD, Reading(over_floor_db=10.0, averages=100.0, floor_removed=True))
    assert named(found, Cause.NOISE)[0].u == pytest.approx(net_db.std(), rel=0.02)
    assert not named(found, Cause.FLOOR)


@pytest.mark.parametrize("over_db", [3.0, 10.0, 20.0])
def test_a_floor_left_in_counts_as_much_as_taking_it_out_would_change(over_db: float) -> None:
    """The same figure as the correction for it."""
    (part,) = named(level_budget(GOOD, Reading(over_floor_db=over_db)), Cause.FLOOR)
    correction_db = without_floor_db(over_db)
    assert correction_db is not None
    assert part.half_width == pytest.approx(-correction_db)


@pytest.mark.parametrize("over_db", [2.9, 0.0, -3.0])
def test_a_reading_at_the_floor_is_a_bound_with_the_spread_of_noise(over_db: float) -> None:
    """No offset: "at most" says that already. The spread stops at that of the floor."""
    found = level_budget(GOOD, Reading(over_floor_db=over_db))
    assert not named(found, Cause.FLOOR)
    assert 4.5 < named(found, Cause.NOISE)[0].u < 5.7


def test_repeats_of_this_reading_show_its_noise_already() -> None:
    """It is not counted twice; the floor's offset, the same in each, still is."""
    reading = Reading(over_floor_db=10.0, deviation_db=0.5, deviation_count=20)
    found = level_budget(GOOD, reading)
    assert not named(found, Cause.NOISE)
    assert named(found, Cause.FLOOR)
    assert named(level_budget(GOOD, replace(reading, deviation_count=None)), Cause.NOISE)


@pytest.mark.parametrize(
    ("bad", "text"),
    [
        ({"over_floor_db": 2.0, "floor_removed": True}, "2.0 dB above it: 3 dB are needed"),
        ({"over_floor_db": math.nan}, "over_floor_db must be finite or None"),
        ({"averages": 0.5}, "at least 1"),
        ({"averaged": 0}, "at least 1"),
        ({"averages": math.nan}, "at least 1"),
    ],
)
def test_readings_that_cannot_be_are_refused(bad: dict[str, float], text: str) -> None:
    """With what is wrong."""
    with pytest.raises(ValueError, match=text):
        Reading(**bad)


def test_a_peak_between_points_reads_low() -> None:
    """Half an RBW between points: 0.75 dB at most, half of that when interpolated."""
    reading = Reading(scallop_db=scallop_db(500.0, 1000.0))
    widths = [
        named(level_budget(GOOD, r), Cause.PEAK)[0].half_width
        for r in (reading, replace(reading, interpolated=True))
    ]
    assert widths == pytest.approx([0.752575, 0.376287], abs=1e-6)
    assert not named(level_budget(GOOD, STILL), Cause.PEAK)


@pytest.mark.parametrize("poles", [4, 5, 200])
@pytest.mark.parametrize("step_per_rbw", [0.25, 0.5, 1.0])
def test_what_interpolation_leaves_of_the_scallop(poles: int, step_per_rbw: float) -> None:
    """A parabola in dB through three points of tuned poles (200: nearly a Gaussian)."""
    width = 2 * math.sqrt(2 ** (1 / poles) - 1)
    offsets = np.linspace(-0.5, 0.5, 101)[:, None] + np.array([-1.0, 0.0, 1.0])
    low, middle, high = (-10 * poles * np.log10(1 + (offsets * step_per_rbw * width) ** 2)).T
    peak = middle - (low - high) ** 2 / (8 * (low - 2 * middle + high))
    allowed_db = uncertainty.INTERPOLATION_REST * -scallop_db(step_per_rbw, 1.0)
    assert np.abs(peak).max() <= allowed_db


def test_an_old_reference_counts_for_more() -> None:
    """Assumed drift stops at 1 dB; a stated one goes on."""
    facts = replace(GOOD, drift_db_per_h=0.05)
    ages = [
        named(level_budget(f, STILL, since=Elapsed(age_h=age_h)), Cause.AGE)[0]
        for f, age_h in ((GOOD, 4.0), (GOOD, 1000.0), (facts, 1000.0))
    ]
    assert [part.half_width for part in ages] == pytest.approx([0.2, 1.0, 50.0])
    assert [part.assumed for part in ages] == [True, True, False]
    assert not named(level_budget(GOOD, STILL), Cause.AGE)


def test_temperature_counts_by_its_rate() -> None:
    """10 K colder at 0.03 dB per K; where nobody measured it, 5 K at 0.05 dB."""
    facts = replace(GOOD, drift_db_per_k=0.03)
    known, unknown = (
        named(level_budget(f, STILL, since=since), Cause.TEMPERATURE)[0]
        for f, since in (
            (facts, Elapsed(age_h=1.0, temperature_k=-10.0)),
            (GOOD, Elapsed(age_h=1.0)),
        )
    )
    assert known.contribution == pytest.approx(0.3 / math.sqrt(3))
    assert (known.assumed, known.unit) == (False, "K")
    assert unknown.contribution == pytest.approx(0.25 / math.sqrt(3))
    assert unknown.assumed


# --- differences ----------------------------------------------------------------------------------


def of_nothing_moved(difference_db: float) -> Budget:
    """On minus off: same frequency, same chain, nothing touched."""
    return difference_budget(
        GOOD,
        STILL,
        STILL,
        difference_db=difference_db,
        same_frequency=True,
        mismatches=(),
        chain=[chain_element("cable", 3.0)],
    )


def test_what_is_common_to_two_readings_cancels() -> None:
    """Neither level accuracy, nor flatness, nor the cable's loss; the step counts twice."""
    found = of_nothing_moved(0.0)
    assert [part.name for part in found.components if part.u] == [Cause.RESOLUTION]
    assert found.u_combined == pytest.approx(0.1 / math.sqrt(12) * math.sqrt(2))


@pytest.mark.parametrize(
    ("difference_db", "half_width_db"), [(0, 0), (5, 0.1), (-10, 0.2), (20, 0.4), (-70, 0.4)]
)
def test_the_scale_errs_with_the_difference_up_to_its_most(
    difference_db: float, half_width_db: float
) -> None:
    """0.4 dB stated for 20 dB and more."""
    (part,) = named(of_nothing_moved(difference_db), Cause.SCALE)
    assert part.half_width == pytest.approx(half_width_db)
    assert not part.assumed


def test_at_two_frequencies_flatness_and_chain_stay() -> None:
    """Each as if independent in both readings: times √2."""
    found = difference_budget(
        GOOD,
        STILL,
        STILL,
        difference_db=0.0,
        same_frequency=False,
        mismatches=(),
        chain=[chain_element("pad", 0.5)],
        only_in_one=[chain_element("notch", 0.3)],
        settings_differ=True,
    )
    assert {part.name: part.contribution for part in found.components} == pytest.approx(
        {
            Cause.SCALE: 0.0,
            Cause.FLATNESS: 0.5 * math.sqrt(2 / 3),
            "pad": 0.25 * math.sqrt(2),
            Cause.SWITCHING: 0.5 / math.sqrt(3),
            "notch": 0.15,
            Cause.RESOLUTION: 0.05 * math.sqrt(2 / 3),
        }
    )
    assert found.assumed == (Cause.SWITCHING,)


@pytest.mark.parametrize(
    ("facts", "half_width_db"),
    [
        (SweeperFacts(), 1.5),
        (SweeperFacts(accuracy_db=0.7), 0.7),
        (SweeperFacts(accuracy_db=2.0), 1.5),
        (SweeperFacts(accuracy_db=0.7, assumed=frozenset({"accuracy_db"})), 1.5),
    ],
    ids=["nothing stated", "accuracy better", "accuracy worse", "accuracy assumed"],
)
def test_unstated_flatness_is_no_worse_than_a_stated_accuracy(
    facts: SweeperFacts, half_width_db: float
) -> None:
    """Two readings that are right within 0.7 dB cannot differ in flatness by more."""
    found = difference_budget(
        facts, STILL, STILL, difference_db=0.0, same_frequency=False, mismatches=()
    )
    (part,) = named(found, Cause.FLATNESS)
    assert part.half_width == half_width_db
    assert part.assumed


def test_each_reading_brings_its_own_noise() -> None:
    """A carrier far above the floor and a harmonic near it."""
    found = difference_budget(
        GOOD,
        Reading(deviation_db=0.1),
        Reading(deviation_db=0.2, over_floor_db=10.0),
        difference_db=-60.0,
        same_frequency=True,
        mismatches=(),
    )
    assert len(named(found, Cause.NOISE)) == 1
    assert [part.u for part in named(found, Cause.REPEATABILITY)] == [0.1, 0.2]


def test_a_device_of_unknown_vswr_reflects_what_it_does_not_pass() -> None:
    """3 dB of loss: ρ = √(1 − 10^−0.3); none: that of a good passband."""
    parts = insertion_mismatch(loss_db=3.0, source_vswr=2.0, load_vswr=1.5)
    assert parts[1].half_width == pytest.approx(8.685890 / 3 * math.sqrt(1 - 10**-0.3), rel=1e-6)
    assert [part.assumed for part in parts] == [False, True, True, False]
    (first, *_) = insertion_mismatch(loss_db=-0.1)[1:]
    assert first.half_width == pytest.approx(8.685890 / 3 * 0.2, rel=1e-6)
    assert insertion_mismatch(loss_db=80.0)[3].half_width < 1e-6


# --- frequencies ----------------------------------------------------------------------------------


def test_a_frequency_has_the_clock_and_the_step() -> None:
    """1 ppm at 145 MHz is 145 Hz; points 1 kHz apart."""
    found = frequency_budget(145e6, accuracy_ppm=1.0, step_hz=1000.0)
    assert [part.half_width for part in found.components] == pytest.approx([145.0, 500.0])
    assert found.expanded == pytest.approx(2 * math.sqrt((145**2 + 500**2) / 3))
    assert found.assumed == ()


def test_an_edge_is_as_uncertain_as_its_level_over_the_slope() -> None:
    """0.5 dB on a falling slope of 0.1 dB per kHz: 5 kHz."""
    found = frequency_budget(145e6, u_level_db=0.5, slope_db_per_hz=-1e-4)
    assert [part.contribution for part in found.components] == pytest.approx(
        [1450 / math.sqrt(3), 5000.0]
    )
    assert found.assumed == (Cause.FREQUENCY,)
    assert found.lines()[0]["unit"] == "dB"


@pytest.mark.parametrize("slope", [None, 0.0])
def test_no_slope_is_no_edge(slope: float | None) -> None:
    """Only the clock is left."""
    found = frequency_budget(145e6, u_level_db=0.5, slope_db_per_hz=slope)
    assert [part.name for part in found.components] == [Cause.FREQUENCY]


# --- the page -------------------------------------------------------------------------------------


def test_the_page_names_every_assumed_value() -> None:
    """And no other, each with the value that is used."""
    rows = re.findall(r"^\| `(ASSUMED_\w+)` \| ([\d.]+) \|", PAGE, re.MULTILINE)
    assert {name: float(value) for name, value in rows} == {
        name: getattr(uncertainty, name)
        for name in uncertainty.__all__
        if name.startswith("ASSUMED_") and name != "ASSUMED_DRIFT_MOST_DB"
    }
    assert uncertainty.ASSUMED_DRIFT_MOST_DB == 1.0


def test_the_page_shows_what_its_example_prints(capsys: pytest.CaptureFixture[str]) -> None:
    """To the letter."""
    (code,) = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    (shown,) = re.findall(r"```text\n(.*?)```", PAGE, re.DOTALL)
    exec(compile(code, "docs/uncertainty.md", "exec"), {})
    assert capsys.readouterr().out == shown


def test_the_page_gives_the_figures_of_noise() -> None:
    """Spread and offset near the floor, one sample."""
    ((at_10, at_20, floor),) = re.findall(
        r"\(([\d.]+) dB at 10 dB, ([\d.]+) dB\n  at 20 dB, .*?\(([\d.]+) dB at 10 dB\)", PAGE
    )
    ten, twenty = (level_budget(GOOD, Reading(over_floor_db=m)) for m in (10.0, 20.0))
    assert f"{named(ten, Cause.NOISE)[0].u:.2f}" == at_10
    assert f"{named(twenty, Cause.NOISE)[0].u:.2f}" == at_20
    assert f"{named(ten, Cause.FLOOR)[0].half_width:.2f}" == floor
