from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from acqd.measure.meter import Reference, Role, SetupChanged
from acqd.measure.references import (
    Difference,
    age_notes,
    age_text,
    difference,
    doubts,
    level_db,
    needed,
)
from acqd.sweep import LevelUnit
from acqd.testing.events import setup_event

NOW_S = 1.8e9
DAY_S = 86400.0
THROUGH = Reference(role=Role.THROUGH, at_s=NOW_S - 3600.0, level=np.zeros(5), temperature_c=20.0)


def setup(*references: Reference) -> SetupChanged:
    by_role = {one.role.value: one for one in references}
    return setup_event(np.linspace(100e6, 200e6, 5), at_s=NOW_S, references=by_role)


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


# ---- whether it looks like one ---------------------------------------------------------------

AXIS_HZ = np.linspace(100e6, 200e6, 101)


def level(value: float) -> np.ndarray:
    return np.full(AXIS_HZ.size, value)


def test_a_difference_is_the_mean_and_the_largest_with_its_sign() -> None:
    before, now = level(-20.0), level(-20.5)
    now[7], now[9], before[11] = -27.0, np.nan, np.nan
    found = difference(now, before, AXIS_HZ)
    assert found is not None
    assert found.mean_db == pytest.approx((-0.5 * 98 - 7.0) / 99)
    assert (found.largest_db, found.largest_hz) == (-7.0, AXIS_HZ[7])


def test_nothing_in_common_is_no_difference() -> None:
    assert difference(level(np.nan), level(-20.0), AXIS_HZ) is None


def test_levels_in_db() -> None:
    """The magnitude of a ratio; a detector's own digits have none."""
    ratio = np.array([0.1j, 0.0, np.nan])
    np.testing.assert_allclose(level_db(ratio, LevelUnit.RATIO), [-20.0, -np.inf, np.nan])
    assert level_db(np.array([12.0]), LevelUnit.DIGIT) is None
    np.testing.assert_array_equal(level_db(level(-3.0), LevelUnit.DBM), level(-3.0))


STRANGE = Difference(mean_db=-1.2, largest_db=-2.0, largest_hz=1e8)
STEADY = Difference(mean_db=-0.2, largest_db=-2.9, largest_hz=1e8)
DOUBTS = [
    pytest.param(Role.THROUGH, -20.0, {"floor_db": level(-29.0)}, "within 10 dB", id="floor"),
    pytest.param(Role.THROUGH, -20.0, {"floor_db": level(-31.0)}, None, id="above the floor"),
    pytest.param(Role.OPEN, -20.0, {"floor_db": level(-29.0)}, "the bridge", id="open in it"),
    pytest.param(Role.LOAD, -60.0, {"floor_db": level(-61.0)}, None, id="a load may be low"),
    pytest.param(
        Role.THROUGH, -31.0, {"unit": LevelUnit.RATIO}, "far below that of a join", id="ratio"
    ),
    pytest.param(Role.THROUGH, -29.0, {"unit": LevelUnit.RATIO}, None, id="ratio of a pad"),
    pytest.param(
        Role.SHORT, -24.0, {"others_db": {"open": level(-20.9)}}, "the open reads 3.1 dB", id="os"
    ),
    pytest.param(Role.SHORT, -23.0, {"others_db": {"open": level(-20.1)}}, None, id="os alike"),
    pytest.param(Role.OPEN, -20.0, {"others_db": {"load": level(-29.0)}}, "only 9.0 dB", id="load"),
    pytest.param(Role.LOAD, -40.0, {"others_db": {"open": level(-20.0)}}, None, id="good load"),
    pytest.param(
        Role.QUIET, -29.0, {"others_db": {"through": level(-20.0)}}, "terminated?", id="leak"
    ),
    pytest.param(Role.QUIET, -90.0, {"others_db": {"through": level(-20.0)}}, None, id="tight"),
    pytest.param(Role.THROUGH, -20.0, {"repeatability_db": 1.2}, "scatters by 1.2", id="loose"),
    pytest.param(Role.THROUGH, -20.0, {"changed": STRANGE}, "not what it was", id="changed"),
    pytest.param(Role.THROUGH, -20.0, {"changed": STEADY}, None, id="as before"),
    pytest.param(Role.LOAD, -60.0, {"changed": STRANGE}, None, id="loads differ"),
    pytest.param(Role.THROUGH, np.nan, {"floor_db": level(-31.0)}, None, id="nothing finite"),
]


@pytest.mark.parametrize(("role", "at_db", "how", "says"), DOUBTS)
def test_what_looks_wrong_is_doubted(
    role: Role, at_db: float, how: dict[str, Any], says: str | None
) -> None:
    """Each limit from both sides."""
    found = doubts(role, level(at_db), AXIS_HZ, **{"unit": LevelUnit.DBM, "source_on": True, **how})
    if says is None:
        assert found == ()
    else:
        assert len(found) == 1 and says in found[0]


def test_signals_on_a_quiet_input_are_counted(noise_db: Callable[..., np.ndarray]) -> None:
    """Neighbouring points are one; noise alone is none, whatever is averaged."""
    for averages in (1.0, 10.0):
        noise = noise_db(1001, averages=averages)
        hz = np.linspace(100e6, 200e6, 1001)
        how: dict[str, Any] = {"unit": LevelUnit.DBM, "source_on": False}
        assert doubts(Role.QUIET, noise, hz, **how) == ()
        noise[400:403], noise[700] = -80.0, -60.0
        (said,) = doubts(Role.QUIET, noise, hz, **how)
        assert said.startswith("2 responses stand") and "−60.0 dBm at 170.000 MHz" in said
        assert doubts(Role.AMBIENT, noise, hz, **how) == ()
