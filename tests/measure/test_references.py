from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from acqd.measure.meter import Reference, Role, SetupChanged
from acqd.measure.references import age_notes, age_text, needed
from acqd.sweep import Grid, LevelUnit

NOW_S = 1.8e9
DAY_S = 86400.0
THROUGH = Reference(role=Role.THROUGH, at_s=NOW_S - 3600.0, level=np.zeros(5), temperature_c=20.0)


def setup(*references: Reference) -> SetupChanged:
    return SetupChanged(
        at_s=NOW_S,
        setup="0123456789abcdef",
        grid=Grid.from_axis(np.linspace(100e6, 200e6, 5)),
        unit=LevelUnit.DBM,
        rbw_hz=100e3,
        detector=None,
        averages=None,
        interval_s=60.0,
        sweep_time_s=1.0,
        level_accuracy_db=1.0,
        references={one.role.value: one for one in references},
    )


def test_a_reference_that_fits_is_given_without_a_word() -> None:
    assert needed(setup(THROUGH), Role.THROUGH, job="low-pass") == (THROUGH, "")


def test_a_missing_reference_names_the_command() -> None:
    found, why = needed(setup(THROUGH), Role.LOAD, job="whip")
    assert found is None
    assert why == "there is no load reference: take one with `acqd reference whip load`"


def test_one_that_differs_says_in_what_and_names_the_command() -> None:
    other = replace(
        THROUGH,
        level=None,
        differs=("the RBW was 10 kHz and is 100 kHz", "the attenuation was 0 dB and is 10 dB"),
    )
    found, why = needed(setup(other), Role.THROUGH, job="low-pass")
    assert found is None
    assert why == (
        "the through reference does not fit: the RBW was 10 kHz and is 100 kHz; the attenuation "
        "was 0 dB and is 10 dB; take it anew with `acqd reference low-pass through`"
    )


@pytest.mark.parametrize("level", [None, np.zeros(4)], ids=["none", "another grid"])
def test_one_without_levels_on_the_grid_is_refused(level: np.ndarray | None) -> None:
    found, why = needed(setup(replace(THROUGH, level=level)), Role.THROUGH)
    assert found is None
    assert "no levels on these frequencies" in why
    assert "`acqd reference JOB through`" in why


AGES = [
    pytest.param(DAY_S, DAY_S, (), id="as old as it may be"),
    pytest.param(26.5 * 3600, DAY_S, ("the through is 26 h old",), id="too old"),
    pytest.param(-30.0, DAY_S, (), id="a clock that jitters"),
    pytest.param(
        -7200.0,
        DAY_S,
        ("the through is dated 2 h after the sweep, so a clock was wrong and its age is unknown",),
        id="of the future",
    ),
]


@pytest.mark.parametrize(("age_s", "max_age_s", "notes"), AGES)
def test_age_is_told_beyond_the_most(age_s: float, max_age_s: float, notes: tuple[str]) -> None:
    assert age_notes(replace(THROUGH, at_s=NOW_S - age_s), NOW_S, max_age_s=max_age_s) == notes


TEMPERATURES = [
    pytest.param(20.0, 25.0, (), id="as far as needs no word"),
    pytest.param(20.0, 28.0, ("the through was taken 8 K colder",), id="colder"),
    pytest.param(20.0, 12.4, ("the through was taken 8 K warmer",), id="warmer"),
    pytest.param(None, 40.0, (), id="unknown then"),
    pytest.param(20.0, None, (), id="unknown now"),
]


@pytest.mark.parametrize(("then_c", "now_c", "notes"), TEMPERATURES)
def test_another_temperature_is_told(
    then_c: float | None, now_c: float | None, notes: tuple[str]
) -> None:
    reference = replace(THROUGH, temperature_c=then_c)
    assert age_notes(reference, NOW_S, max_age_s=DAY_S, temperature_c=now_c) == notes


@pytest.mark.parametrize(
    ("age_s", "text"),
    [
        (0.4, "0 s"),
        (59.9, "59 s"),
        (719.0, "11 min"),
        (7200.0, "2 h"),
        (71.9 * 3600, "71 h"),
        (4.9 * DAY_S, "4 days"),
    ],
)
def test_an_age_is_rounded_down_to_one_unit(age_s: float, text: str) -> None:
    assert age_text(age_s) == text
