"""References: taken, stored, compared, carried by setups through every file, and found again."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.errors import WrongUsage
from acqd.measure.meter import Role
from acqd.station.references import (
    ReferenceRecord,
    differences,
    differences_between,
    differences_from_job,
    newest,
    reference_from,
)
from acqd.station.taking import (
    ROLES,
    instruction,
    role_of,
)
from acqd.sweep import (
    Identity,
    LevelUnit,
    Reported,
    SourceRequest,
    Sweep,
)
from reference_parts import REQUEST, START_S, spec_of, sweep_of

# ---- from sweeps to a reference --------------------------------------------------------------


def test_one_sweep_is_kept_to_the_bit() -> None:
    level = np.array([-20.03, -20.11, np.nan, -20.2, -20.25], dtype=np.float32)
    record = reference_from("low-pass", Role.THROUGH, [sweep_of(REQUEST, level)])
    assert record.level.dtype == np.float32
    np.testing.assert_array_equal(record.level, level)
    assert record.repeatability_db is None


def test_several_are_the_mean_of_power_and_their_scatter_is_pooled() -> None:
    """10 lg of the mean of 1 mW and 3 mW is 3.01 dBm; two readings 2 dB apart scatter by √2 dB."""
    levels = [np.full(5, 0.0), np.full(5, 10 * np.log10(3.0))]
    record = reference_from("x", Role.THROUGH, [sweep_of(REQUEST, one) for one in levels])
    np.testing.assert_allclose(record.level, 10 * np.log10(2.0), atol=1e-12)
    levels = [np.full(5, -21.0), np.full(5, -19.0)]
    record = reference_from("x", Role.THROUGH, [sweep_of(REQUEST, one) for one in levels])
    assert record.repeatability_db == pytest.approx(np.sqrt(2.0), abs=1e-12)


def test_ratios_are_averaged_as_complex_numbers() -> None:
    """Equal and opposite noise cancels; magnitudes would not."""
    levels = [np.full(5, 0.5 + 0.1j, np.complex64), np.full(5, 0.5 - 0.1j, np.complex64)]
    sweeps = [sweep_of(REQUEST, one, unit=LevelUnit.RATIO) for one in levels]
    record = reference_from("x", Role.THROUGH, sweeps)
    np.testing.assert_allclose(record.level, 0.5, atol=1e-7)


def test_a_point_that_one_sweep_lacks_is_the_mean_of_the_others() -> None:
    levels = [np.full(5, -20.0), np.full(5, -20.0), np.full(5, -20.0)]
    levels[1][2] = np.nan
    levels[0][4] = levels[1][4] = levels[2][4] = np.nan
    record = reference_from("x", Role.THROUGH, [sweep_of(REQUEST, one) for one in levels])
    np.testing.assert_allclose(record.level, [-20.0, -20.0, -20.0, -20.0, np.nan])
    assert record.repeatability_db == pytest.approx(0.0, abs=1e-12)


WRONG: dict[str, tuple[list[Sweep], str]] = {
    "none": ([], "at least one"),
    "another RBW": (
        [
            sweep_of(REQUEST, np.zeros(5)),
            sweep_of(REQUEST, np.zeros(5), reported=Reported(rbw_hz=30e3, attenuation_db=10.0)),
        ],
        "settings",
    ),
    "another sweeper": (
        [
            sweep_of(REQUEST, np.zeros(5)),
            sweep_of(REQUEST, np.zeros(5), identity=Identity(serial_number="9")),
        ],
        "sweeper",
    ),
    "no level anywhere": ([sweep_of(REQUEST, np.full(5, np.nan))], "no level"),
}


@pytest.mark.parametrize(("sweeps", "says"), WRONG.values(), ids=WRONG)
def test_sweeps_that_make_no_reference_are_refused(sweeps: list[Sweep], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        reference_from("x", Role.THROUGH, sweeps)


LEVELS = {
    "float32": np.array([-20.01, np.nan, -3.5e-7, 1 / 3, -150.0], dtype=np.float32),
    "float64": np.array([-20.01, np.nan, -3.5e-7, 1 / 3, -150.0]),
    "complex64": np.array([1j / 3, 0.5, np.nan, -1e-9, 1.0], dtype=np.complex64),
    "complex128": np.array([1j / 3, 0.5, np.nan, -1e-9, 1.0]),
}


@pytest.mark.parametrize("level", LEVELS.values(), ids=LEVELS)
def test_the_body_gives_the_record_back_bit_for_bit(level: np.ndarray) -> None:
    unit = LevelUnit.RATIO if np.iscomplexobj(level) else LevelUnit.DBM
    record = reference_from(
        "x", Role.OPEN, [sweep_of(REQUEST, level, unit=unit)], temperature_c=21.4
    )
    again = ReferenceRecord.from_body("x", record.to_body())
    assert again.level.dtype == level.dtype and again.level.tobytes() == level.tobytes()
    assert again.frequency_hz.tobytes() == record.frequency_hz.tobytes()
    assert again.to_body() == record.to_body()


def test_a_mean_has_the_type_of_its_sweeps() -> None:
    """It goes into every file of its job."""
    levels = [np.full(5, level, dtype=np.float32) for level in (-20.0, -20.1, -20.2)]
    record = reference_from("x", Role.OPEN, [sweep_of(REQUEST, one) for one in levels])
    assert record.level.dtype == np.float32
    np.testing.assert_allclose(record.level, -20.0993, atol=1e-4)


AXES = {
    "even": np.linspace(50e6, 450e6, 201),
    "falling": np.linspace(450e6, 50e6, 201),
    "as another adds it up": np.cumsum(np.full(201, 0.1e6)),
    "uneven": np.geomspace(50e6, 450e6, 201),
    "a single point": np.array([156.8e6]),
}


@pytest.mark.parametrize("axis", AXES.values(), ids=AXES)
def test_an_axis_is_kept_bit_for_bit_and_short_where_it_is_even(axis: np.ndarray) -> None:
    sweep = replace(sweep_of(REQUEST, np.zeros(5)), frequency_hz=axis, level=np.zeros(axis.size))
    record = reference_from("x", Role.OPEN, [sweep])
    body = json.loads(json.dumps(record.to_body()))
    assert ReferenceRecord.from_body("x", body).frequency_hz.tobytes() == axis.tobytes()
    is_even = np.array_equal(np.linspace(axis[0], axis[-1], axis.size), axis)
    assert (len(json.dumps(body["frequency_hz"])) < 100) is is_even


def test_a_body_without_what_was_asked_can_still_be_read() -> None:
    record = reference_from("x", Role.OPEN, [sweep_of(REQUEST, np.zeros(5))])
    body = record.to_body()
    del body["asked"]
    again = ReferenceRecord.from_body("x", body)
    assert again.asked == {}
    assert differences_from_job(again, replace(REQUEST, rbw_hz=1e3)) == ()


def test_the_newest_of_a_role_counts() -> None:
    first, second = (
        reference_from("x", Role.OPEN, [sweep_of(REQUEST, np.zeros(5), at_s=START_S + later)])
        for later in (0.0, 60.0)
    )
    assert newest([second, first])["x"]["open"] is second


# ---- what differs ----------------------------------------------------------------------------

OTHERWISE: dict[str, tuple[dict[str, Any], dict[str, Any], str]] = {
    "RBW": ({}, {"reported": Reported(rbw_hz=30e3, attenuation_db=10.0)},
            "the RBW was 100 kHz and is 30 kHz"),
    "attenuation": ({}, {"reported": Reported(rbw_hz=100e3, attenuation_db=0.0)},
                    "the attenuation was 10 dB and is 0 dB"),
    "source level": ({"source": SourceRequest(on=True, level_dbm=-10.0)}, {},
                     "the source's level was −20 dBm and is −10 dBm"),
    "source off": ({"source": None}, {},
                   "the source's level was −20 dBm and is not stated"),
    "grid": ({"points": 9}, {},
             "the frequencies were 50 MHz to 450 MHz in 5 points and are "
             "50 MHz to 450 MHz in 9 points"),
    "unit": ({}, {"unit": LevelUnit.DBUV}, "levels were in dBm and are in dBµV"),
    "sweeper": ({}, {"identity": Identity(maker="GANNET", model="SHACK 3", serial_number="2")},
                "it was another sweeper, serial number GL0103"),
}  # fmt: skip


@pytest.mark.parametrize(("asked", "change", "says"), OTHERWISE.values(), ids=OTHERWISE)
def test_what_differs_is_said_and_nothing_else(
    asked: dict[str, Any], change: dict[str, Any], says: str
) -> None:
    """Against a sweep, and against another reference made of that sweep."""
    record = reference_from("x", Role.THROUGH, [sweep_of(REQUEST, np.zeros(5))])
    request = replace(REQUEST, **asked)
    other = sweep_of(request, np.zeros(request.points), **change)
    assert differences(record, other) == (says,)
    assert differences_between(record, reference_from("x", Role.THROUGH, [other])) == (says,)
    assert differences(record, sweep_of(REQUEST, np.ones(5))) == ()


JOB_CHANGED: dict[str, tuple[dict[str, Any], str]] = {
    "RBW": ({"rbw_hz": 30e3}, "the RBW was 100 kHz and is 30 kHz"),
    "RBW left to the sweeper": ({"rbw_hz": None}, "the RBW was 100 kHz and is not stated"),
    "start": ({"start_hz": 40e6}, "50 MHz to 450 MHz in 5 points and are 40 MHz to 450 MHz in 5"),
    "source level": (
        {"source": SourceRequest(on=True, level_dbm=-10.0)},
        "the source's level was −20 dBm and is −10 dBm",
    ),
}


@pytest.mark.parametrize(("change", "says"), JOB_CHANGED.values(), ids=JOB_CHANGED)
def test_a_changed_job_is_seen_without_a_sweep(change: dict[str, Any], says: str) -> None:
    record = reference_from("x", Role.THROUGH, [sweep_of(REQUEST, np.zeros(5))])
    (said,) = differences_from_job(record, replace(REQUEST, **change))
    assert says in said
    assert differences_from_job(record, REQUEST) == ()


# ---- roles and instructions ------------------------------------------------------------------


@pytest.mark.parametrize("kind", ROLES)
def test_only_roles_that_mean_something_to_the_kind_fit(tmp_path: Path, kind: str) -> None:
    spec = spec_of(tmp_path, kind=kind)
    fit = ROLES[kind]
    for role in Role:
        if role in fit:
            assert role_of(spec, role.value) is role
            continue
        with pytest.raises(WrongUsage) as refused:
            role_of(spec, role.value)
        assert str(refused.value).endswith(", ".join(one.value for one in fit))
    with pytest.raises(WrongUsage, match="no reference is called 'thru'"):
        role_of(spec, "thru")


def test_the_instruction_minds_what_can_do_harm(tmp_path: Path) -> None:
    source, listening = spec_of(tmp_path), spec_of(tmp_path, kind="band")
    for role in (Role.THROUGH, Role.QUIET):
        assert "no aerial" in instruction(source, role)
    assert "terminate both" in instruction(source, Role.QUIET)
    for role in (Role.QUIET, Role.AMBIENT):
        assert "Key no transmitter" in instruction(listening, role)
