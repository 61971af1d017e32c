"""Uncertainty of levels, of their differences and of frequencies; and the page that tells of it."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from acqd.measure import uncertainty
from acqd.measure.bandpower import scallop_db, without_floor_db
from acqd.measure.budget import Budget
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
from budgets_made import GOOD, PAGE, STILL, named

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
