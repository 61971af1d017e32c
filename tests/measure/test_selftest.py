"""Self-tests: noise by every detector, levels and carriers against truths, and what moved."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.budget import student_factor
from acqd.measure.selftest import (
    CarrierSeen,
    Facts,
    TestFigure,
    carrier_figures,
    carrier_seen,
    loop_figure,
    moved,
)
from acqd.measure.selftestnoise import NoiseIs, NoiseStated, noise_figure, noise_seen
from acqd.measure.verdict import Verdict
from acqd.sweep import Detector

POINTS, SWEEPS, TRUTH_DBM = 401, 5, -101.3
FACTS = Facts(level_accuracy_db=1.5, frequency_accuracy_ppm=2.5)


def noise(detector: Detector | None, *, samples: int, seed: int = 3) -> list[NDArray[np.float64]]:
    """Sweeps of exponentially distributed power of a known mean, as a detector shows them."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(SWEEPS):
        power = rng.standard_exponential((POINTS, samples)) * 10.0 ** (TRUTH_DBM / 10.0)
        if detector is Detector.POSITIVE:
            shown = power.max(axis=1)
        elif detector is Detector.NEGATIVE:
            shown = power.min(axis=1)
        elif detector is Detector.AVERAGE:
            found.append(np.mean(10.0 * np.log10(power), axis=1))
            continue
        else:
            shown = power.mean(axis=1)
        found.append(10.0 * np.log10(shown))
    return found


SHOWN = {
    "sample": (Detector.SAMPLE, 1),
    "sample behind a video filter": (Detector.SAMPLE, 4),
    "nobody says": (None, 1),
    "rms": (Detector.RMS, 50),
    "average in dB": (Detector.AVERAGE, 1),
    "average in dB of many": (Detector.AVERAGE, 30),
    "peak of few": (Detector.POSITIVE, 5),
    "peak of many": (Detector.POSITIVE, 300),
}


@pytest.mark.parametrize(("detector", "samples"), SHOWN.values(), ids=SHOWN)
def test_the_noise_power_is_found_whatever_the_detector(
    detector: Detector | None, samples: int
) -> None:
    """Within twice its own uncertainty in at least nine of ten, and that is small."""
    held = 0
    for seed in range(40):
        seen = noise_seen(
            noise(detector, samples=samples, seed=seed), detector=detector, independent=1.0
        )
        assert seen is not None
        held += abs(seen.power_dbm - TRUTH_DBM) <= 2.0 * seen.u_db
        assert seen.u_db < 0.6
        assert abs(seen.power_dbm - TRUTH_DBM) < 0.9
    assert held >= 36


def test_residual_responses_do_not_count_as_noise() -> None:
    """Nor do carriers that leak in, up to a good share of the points."""
    levels = noise(Detector.SAMPLE, samples=1)
    for one in levels:
        one[20:380:40] = -70.0
    seen = noise_seen(levels, detector=Detector.SAMPLE, independent=1.0)
    assert seen is not None
    assert seen.power_dbm == pytest.approx(TRUTH_DBM, abs=0.3)


UNUSABLE = {
    "nothing": ([], Detector.SAMPLE),
    "negative peaks": (noise(Detector.NEGATIVE, samples=9), Detector.NEGATIVE),
    "too few points": ([one[:20] for one in noise(None, samples=1)], None),
    "all alike": ([np.full(POINTS, -100.0)] * 3, Detector.SAMPLE),
    "no numbers": ([np.full(POINTS, np.nan)] * 3, Detector.SAMPLE),
}


@pytest.mark.parametrize(("levels", "detector"), UNUSABLE.values(), ids=UNUSABLE)
def test_what_is_no_noise_gives_no_figure(
    levels: list[NDArray[np.float64]], detector: Detector | None
) -> None:
    seen = noise_seen(levels, detector=detector, independent=1.0)
    assert seen is None
    figure = noise_figure(
        seen, NoiseStated(danl_dbm=-148.0), FACTS, rbw_hz=1e4, attenuation_db=0.0, range_hz=(1, 2)
    )
    assert figure.value is None and figure.verdict is Verdict.CANNOT_TELL


def figure_of(power_dbm: float, stated: NoiseStated, **more: float | None) -> TestFigure:
    seen = noise_seen(noise(Detector.RMS, samples=50), detector=Detector.RMS, independent=1.0)
    assert seen is not None
    settings: dict[str, Any] = {"rbw_hz": 10e3, "attenuation_db": 0.0} | more
    return noise_figure(
        replace(seen, power_dbm=power_dbm), stated, FACTS, range_hz=(50e6, 450e6), **settings
    )


def test_noise_is_told_in_the_form_of_the_data_sheet() -> None:
    """By the same noise: 10 kHz is 40 dB, a Gaussian filter's ENB 0.27 dB wider, an average in dB
    2.51 dB lower (derived; the latter e.g. in Rec. ITU-R SM.1753, from memory)."""
    power = figure_of(-108.0, NoiseStated(danl_dbm=None, noise_is=NoiseIs.POWER))
    log = figure_of(-108.0, NoiseStated(danl_dbm=None))
    density = figure_of(-108.0, NoiseStated(danl_dbm=None, noise_is=NoiseIs.DENSITY))
    assert power.value == pytest.approx(-148.0)
    assert log.value == pytest.approx(-148.0 - 2.5068, abs=1e-3)
    assert density.value == pytest.approx(-148.0 - 10 * math.log10(1.06447), abs=1e-4)
    own = figure_of(-108.0, NoiseStated(danl_dbm=None, noise_is=NoiseIs.POWER, rbw_hz=10e3))
    assert own.value == pytest.approx(-108.0) and own.unit == "dBm in 10000 Hz"
    assert (own.expanded or 9) < (power.expanded or 0)
    padded = figure_of(
        -98.0, NoiseStated(danl_dbm=None, noise_is=NoiseIs.POWER), attenuation_db=10.0
    )
    assert padded.value == pytest.approx(-148.0)
    at_ten = figure_of(
        -98.0,
        NoiseStated(danl_dbm=None, noise_is=NoiseIs.POWER, attenuation_db=10.0),
        attenuation_db=10.0,
    )
    assert at_ten.value == pytest.approx(-138.0)


NOISY = {
    "as stated": (-108.0, -148.0, Verdict.PASS),
    "better": (-120.0, -148.0, Verdict.PASS),
    "at the end of the tolerance": (-106.5, -148.0, Verdict.CANNOT_TELL),
    "6 dB too much": (-102.0, -148.0, Verdict.FAIL),
    "less than a termination": (-140.0, -148.0, Verdict.FAIL),
    "not stated": (-108.0, None, Verdict.CANNOT_TELL),
}


@pytest.mark.parametrize(("power_dbm", "danl_dbm", "verdict"), NOISY.values(), ids=NOISY)
def test_noise_may_be_lower_than_stated_but_not_lower_than_physics(
    power_dbm: float, danl_dbm: float | None, verdict: Verdict
) -> None:
    figure = figure_of(power_dbm, NoiseStated(danl_dbm=danl_dbm, noise_is=NoiseIs.POWER))
    assert figure.verdict is verdict
    assert verdict.value in figure.text and "dBm/Hz" in figure.text


def test_without_an_rbw_there_is_no_density() -> None:
    figure = figure_of(-108.0, NoiseStated(danl_dbm=-148.0), rbw_hz=None)
    assert figure.value is None and "does not say its RBW" in figure.text


# --- the source -----------------------------------------------------------------------------------

LOOPS = {
    "right": (-30.5, Verdict.PASS),
    "within the tolerance": (-31.5, Verdict.PASS),
    "off by a lost attenuator": (-20.5, Verdict.FAIL),
    "nothing there": (-99.0, Verdict.INCOMPLETE),
}


@pytest.mark.parametrize(("level_dbm", "verdict"), LOOPS.values(), ids=LOOPS)
def test_the_source_through_a_known_loss_reads_what_it_should(
    level_dbm: float, verdict: Verdict
) -> None:
    figure = loop_figure(
        [level_dbm, level_dbm + 0.02, level_dbm - 0.01],
        -101.0,
        frequency_hz=145e6,
        source_dbm=-30.0,
        loss_db=0.5,
        loss_uncertainty_db=0.3,
        facts=FACTS,
        source_accuracy_db=1.5,
    )
    assert figure.verdict is verdict
    assert figure.expected == pytest.approx(-30.5) and figure.tolerance == pytest.approx(3.0)
    if verdict is Verdict.INCOMPLETE:
        assert figure.value is None and "is the cable joined" in figure.text


def test_what_is_not_stated_widens_the_tolerance_and_not_the_uncertainty() -> None:
    """An unknown accuracy says nothing of how well the test itself was done."""
    both = [
        loop_figure(
            [-30.5],
            None,
            frequency_hz=145e6,
            source_dbm=-30.0,
            loss_db=0.5,
            loss_uncertainty_db=0.3,
            facts=facts,
        )
        for facts in (FACTS, Facts())
    ]
    assert both[0].expanded == both[1].expanded
    assert (both[0].tolerance, both[1].tolerance) == (4.5, 6.0)


# --- a carrier ------------------------------------------------------------------------------------


def line(frequency_hz: float, level_dbm: float, seed: int) -> CarrierSeen:
    """A carrier in noise 50 dB below it, through a Gaussian filter of 1 kHz."""
    rng = np.random.default_rng(seed)
    axis = np.linspace(156.79e6, 156.81e6, 101)
    tone = 10 ** (level_dbm / 10) * 2.0 ** (-((2 * (axis - frequency_hz) / 1e3) ** 2))
    field = np.sqrt(tone) + np.sqrt(10 ** ((level_dbm - 50) / 10) / 2) * (
        rng.standard_normal(101) + 1j * rng.standard_normal(101)
    )
    return carrier_seen(axis, 20 * np.log10(np.abs(field)), rbw_hz=1e3)


CARRIERS = {
    "where it is": (0.0, 0.0, Verdict.PASS, Verdict.PASS),
    "within": (200.0, 0.05, Verdict.PASS, Verdict.PASS),
    "detuned": (1500.0, 0.0, Verdict.FAIL, Verdict.PASS),
    "weak": (0.0, -9.0, Verdict.PASS, Verdict.FAIL),
}


@pytest.mark.parametrize(("off_hz", "off_db", "of_hz", "of_db"), CARRIERS.values(), ids=CARRIERS)
def test_a_known_carrier_shows_a_detuned_receiver(
    off_hz: float, off_db: float, of_hz: Verdict, of_db: Verdict
) -> None:
    seen = [line(156.8e6 + off_hz, -40.0 + off_db, seed) for seed in range(5)]
    frequency, level = carrier_figures(
        seen,
        expected_hz=156.8e6,
        carrier_uncertainty_ppm=0.1,
        facts=FACTS,
        expected_dbm=-40.0,
    )
    assert frequency.value == pytest.approx(off_hz, abs=(frequency.expanded or 0))
    assert level.value == pytest.approx(-40.0 + off_db, abs=0.1)
    assert frequency.tolerance == pytest.approx(2.5 * 156.8)
    assert (frequency.verdict, level.verdict) == (of_hz, of_db)


NOT_SEEN = {
    "no levels": (np.full(101, np.nan), "no levels"),
    "noise": (np.random.default_rng(1).normal(-100, 1, 101), "no carrier stands out"),
    "at the end": (np.linspace(-120, -20, 101), "end of the sweep"),
}


@pytest.mark.parametrize(("level", "why"), NOT_SEEN.values(), ids=NOT_SEEN)
def test_a_carrier_that_is_not_there_leaves_the_test_incomplete(
    level: NDArray[np.float64], why: str
) -> None:
    seen = carrier_seen(np.linspace(1e6, 2e6, 101), level, rbw_hz=30e3)
    assert seen.why_not is not None
    assert why in seen.why_not
    (figure,) = carrier_figures([seen], expected_hz=1.5e6, carrier_uncertainty_ppm=0.1, facts=FACTS)
    assert figure.verdict is Verdict.INCOMPLETE and why in figure.text


# --- over time ------------------------------------------------------------------------------------


def loop(value: float, repeat: float = 0.6) -> TestFigure:
    figure = loop_figure(
        [value],
        None,
        frequency_hz=145e6,
        source_dbm=-30.0,
        loss_db=0.5,
        loss_uncertainty_db=0.3,
        facts=FACTS,
    )
    return replace(figure, repeat=repeat)


MOVES = {
    "first of all": ([], -30.0, False),
    "as before": ([-30.0], -30.5, False),
    "one before, far": ([-30.0], -31.2, True),
    "many before": ([-30.0, -30.1, -29.9, -30.0, -30.05, -29.95], -30.9, True),
    "many that scatter": ([-30.0, -31.0, -29.0, -30.5, -29.2], -30.9, False),
    "only the newest count": ([-25.0] * 30 + [-30.0] * 10, -30.2, False),
}


@pytest.mark.parametrize(("before", "now", "is_moved"), MOVES.values(), ids=MOVES)
def test_a_figure_that_moved_by_more_than_its_uncertainty_is_noticed(
    before: list[float], now: float, is_moved: bool
) -> None:
    found = moved(loop(now), [loop(one) for one in before])
    assert (found is not None) is is_moved
    if found is not None:
        assert found.by == pytest.approx(now - float(np.median(before[-10:])))
        assert "where" in found.text and "usual" in found.text


@pytest.mark.parametrize("count", [3, 5, 10])
def test_one_outlier_among_earlier_tests_does_not_hide_a_move(count: int) -> None:
    """A loose cable reads 8 dB low once, and fails; what would be usual stays what it was."""
    good = [loop(-30.0 + 0.05 * (at % 3 - 1)) for at in range(count)]
    outlier = loop(-38.0)
    assert outlier.verdict is Verdict.FAIL
    clean = moved(loop(-32.5), good)
    spoilt = moved(loop(-32.5), [*good[:-1], outlier])
    assert clean is not None and spoilt is not None
    assert spoilt.usual == pytest.approx(clean.usual, rel=0.05)
    assert spoilt.by == pytest.approx(clean.by, abs=0.06)


def test_an_instrument_that_always_fails_is_watched_too() -> None:
    """Where what is stated of it is wrong, it still shows when it moves."""
    before = [loop(-38.0 + 0.05 * (at % 3)) for at in range(6)]
    assert {one.verdict for one in before} == {Verdict.FAIL}
    assert moved(loop(-38.1), before) is None
    assert moved(loop(-40.0), before) is not None


@pytest.mark.parametrize("count", range(3, 11))
def test_scatter_of_normal_rows_is_their_standard_deviation(count: int) -> None:
    """In the mean over many rows: what a figure repeats by, told by what would be usual."""
    rng = np.random.default_rng(count)
    found = []
    for row in rng.normal(-30.0, 10.0, (600, count)):
        told = moved(loop(500.0, 0.0), [loop(one, 0.0) for one in row])
        assert told is not None
        found.append(told.usual * math.sqrt(count) / student_factor(count))
    assert np.mean(found) == pytest.approx(10.0, rel=0.08)


def test_noise_alone_is_seldom_taken_for_a_move() -> None:
    """Of 300 rows of ten tests that only repeat as they should, few are told of."""
    rng = np.random.default_rng(5)
    told = sum(
        moved(loop(one[-1]), [loop(each) for each in one[:-1]]) is not None
        for one in rng.normal(-30.0, 0.3, (300, 10))
    )
    assert told <= 0.08 * 300


def test_a_figure_comes_back_from_json_as_it_was() -> None:
    figure = loop(-30.2)
    assert TestFigure.from_json(json.loads(json.dumps(figure.to_json()))) == figure
