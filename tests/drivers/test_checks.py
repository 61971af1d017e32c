"""What comes back from a driver is checked before it may be called a sweep."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from acqd.drivers.checks import (
    check_identity,
    check_introduction,
    check_trace,
    settings_that_differ,
)
from acqd.drivers.contract import Trace
from acqd.errors import DriverFault, IdentityChanged, SweepInvalid
from acqd.sweep import (
    Capabilities,
    Detector,
    Identity,
    LevelUnit,
    Reported,
    SweepFlag,
    SweepRequest,
)

CAN = Capabilities(start_hz=0, stop_hz=1e9, points_max=1001)
ASK = SweepRequest(start_hz=100e6, stop_hz=101e6, points=5)
LEVEL = np.array([-100.0, -99.5, -99.0, -98.5, -98.0])
AXIS = ASK.frequencies_hz()
GOOD = Trace(level=LEVEL, unit=LevelUnit.DBM, reported=Reported())


def test_a_good_trace_becomes_canonical_read_only_levels_on_the_asked_axis() -> None:
    """Half-decibel text values become float32; neither array can be changed any more."""
    checked = check_trace(GOOD, ASK, CAN)
    assert checked.level.dtype == np.float32
    assert np.array_equal(checked.level, LEVEL.astype(np.float32))
    assert np.array_equal(checked.frequency_hz, AXIS)
    assert checked.flags == 0
    assert not checked.level.flags.writeable and not checked.frequency_hz.flags.writeable


@pytest.mark.parametrize("kind", [np.float32, np.float64], ids=["float32", "float64"])
def test_a_driver_may_fill_its_buffer_anew(kind: type) -> None:
    """The levels are ours: what the driver does to its array later changes nothing."""
    buffer = LEVEL.astype(kind)
    checked = check_trace(replace(GOOD, level=buffer), ASK, CAN)
    buffer[:] = 0
    assert checked.level[0] == -100.0


def test_levels_that_need_float64_are_ours_too_and_the_drivers_stay_as_they_were() -> None:
    """Off every step, and with a missing point: neither array sees the other's changes."""
    buffer = LEVEL * np.pi / 3
    buffer[1] = 9.91e37
    checked = check_trace(replace(GOOD, level=buffer), ASK, CAN)
    assert checked.level.dtype == np.float64 and np.isnan(checked.level[1])
    assert buffer[1] == 9.91e37
    first = float(checked.level[0])
    buffer[0] = 0
    assert checked.level[0] == first


INVALID = {
    "a point short": ({"level": LEVEL[:4]}, "asked for 5 points, got 4"),
    "another unit": ({"unit": LevelUnit.DBUV}, "came in dBµV, the sweeper's unit is dBm"),
    "complex from a scalar sweeper": ({"level": LEVEL + 0j}, "levels are complex"),
    "all not a number": ({"level": np.full(5, np.nan)}, "not one of the levels"),
    "all SCPI's not a number": ({"level": np.full(5, 9.91e37)}, "not one of the levels"),
    "too low for a level": ({"level": LEVEL - 200}, "level -300 dBm at point 0"),
    "too high for a level": ({"level": LEVEL + 198.7}, r"level 100.2 dBm at point 3"),
    "axis too short": ({"frequency_hz": AXIS[:4]}, "5 levels for 4 frequencies"),
    "axis not finite": ({"frequency_hz": AXIS * np.nan}, "not finite"),
    "axis elsewhere": (
        {"frequency_hz": AXIS + 5e6},
        "asked for 100000000 to 101000000 Hz, got 105000000 to 106000000",
    ),
    "axis of the last span": ({"frequency_hz": np.linspace(0, 1e9, 5)}, "asked for 100000000"),
    "axis of half the range": (
        {"frequency_hz": np.linspace(100e6, 100.4e6, 5)},
        "got 100000000 to 100400000",
    ),
}


@pytest.mark.parametrize(("change", "says"), INVALID.values(), ids=INVALID)
def test_what_cannot_be_the_sweep_is_invalid(change: dict[str, Any], says: str) -> None:
    """What was expected and what came stand in the message."""
    with pytest.raises(SweepInvalid, match=says):
        check_trace(replace(GOOD, **change), ASK, CAN)


FAULTS = {
    "no trace": (LEVEL, "returned ndarray, expected a Trace"),
    "nothing": (None, "returned NoneType"),
    "a list": (replace(GOOD, level=list(LEVEL)), "level must be a numpy array"),
    "two dimensions": (replace(GOOD, level=LEVEL.reshape(5, 1)), "one-dimensional"),
    "text": (replace(GOOD, level=np.array(["a"] * 5)), "array of numbers"),
    "objects": (replace(GOOD, level=np.array([None] * 5)), "array of numbers"),
    "empty": (replace(GOOD, level=np.zeros(0)), r"shape \(0,\)"),
    "nothing reported": (replace(GOOD, reported=None), "reported must be a Reported"),
    "flags as number": (replace(GOOD, flags=1), "flags must be a SweepFlag"),
    "unit as text": (replace(GOOD, unit="dBm"), "unit must be a LevelUnit"),
    "a time that is none": (replace(GOOD, sweeper_time_s=float("nan")), "sweeper_time_s must be"),
    "a step beyond any scale": (replace(GOOD, resolution=10**20), "resolution must be at most 10"),
    "half a pair": (
        replace(GOOD, reported=Reported(assumed=("det\udce4ctor",))),
        "assumed must be a tuple of printable",
    ),
    "a step of nothing": (replace(GOOD, resolution=0.0), "resolution must be above 0"),
}


@pytest.mark.parametrize(("trace", "says"), FAULTS.values(), ids=FAULTS)
def test_what_is_not_even_a_trace_is_the_drivers_fault(trace: Any, says: str) -> None:
    """A driver that breaks the contract is told how."""
    with pytest.raises(DriverFault, match=says):
        check_trace(trace, ASK, CAN)


def test_whole_numbers_become_floats_before_anybody_keeps_them() -> None:
    """SQLite holds whole numbers of 64 bits only, and gives them back as such."""
    given = replace(
        GOOD, resolution=1, sweeper_time_s=1_780_000_000, reported=Reported(rbw_hz=10**20)
    )
    checked = check_trace(given, ASK, CAN)
    kept = (checked.resolution, checked.sweeper_time_s, checked.reported.rbw_hz)
    assert kept == (1.0, 1_780_000_000.0, 1e20)
    assert [type(value) for value in kept] == [float] * 3


@pytest.mark.parametrize(
    "spelling", [9.91e37, 9.9e37, -9.9e37, 9.900001e37, np.nan, np.inf, -np.inf]
)
def test_every_spelling_of_not_a_number_becomes_nan_and_a_flag(spelling: float) -> None:
    """SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5 (from memory): 9.91E37 NaN, ±9.9E37 infinities."""
    level = LEVEL.copy()
    level[2] = spelling
    checked = check_trace(replace(GOOD, level=level), ASK, CAN)
    assert np.isnan(checked.level[2]) and np.isfinite(np.delete(checked.level, 2)).all()
    assert checked.flags == SweepFlag.NOT_FINITE


def test_not_a_number_survives_single_precision() -> None:
    """9.91E37 that came as REAL,32 is recognised too."""
    level = LEVEL.astype(np.float32)
    level[0] = np.float32(9.91e37)
    assert np.isnan(check_trace(replace(GOOD, level=level), ASK, CAN).level[0])


def test_an_axis_of_the_sweepers_own_is_kept_as_given() -> None:
    """Uneven, falling, with duplicates: real receivers do that."""
    axis = np.array([101e6, 100.7e6, 100.7e6, 100.2e6, 100e6])
    checked = check_trace(replace(GOOD, frequency_hz=axis), ASK, CAN)
    assert np.array_equal(checked.frequency_hz, axis) and checked.own_axis


def test_an_own_axis_may_have_another_number_of_points() -> None:
    """A receiver with fixed steps gives as many points as it has there."""
    axis = np.linspace(100e6, 101e6, 41)
    checked = check_trace(replace(GOOD, level=np.full(41, -90.0), frequency_hz=axis), ASK, CAN)
    assert checked.level.size == 41


@pytest.mark.parametrize("kind", [np.int16, np.uint8, np.int64], ids=["int16", "uint8", "int64"])
def test_digits_of_a_detector_are_taken_as_they_are(kind: type) -> None:
    """Whole numbers in the unit digit become floats of the same value."""
    can = replace(CAN, unit=LevelUnit.DIGIT)
    trace = replace(
        GOOD,
        level=np.array([0, 1, 2, 100, 255 if kind is not np.int16 else 3]).astype(kind),
        unit=LevelUnit.DIGIT,
    )
    assert check_trace(trace, ASK, can).level.dtype == np.float32


def test_complex_levels_are_missing_where_either_part_is() -> None:
    """A vector sweeper's point with one bad part is no point."""
    can = replace(CAN, unit=LevelUnit.RATIO, is_complex=True)
    level = np.array([1, 1j, complex(0.5, np.nan), 0.1, 0.2])
    checked = check_trace(replace(GOOD, level=level, unit=LevelUnit.RATIO), ASK, can)
    assert np.isnan(checked.level[2]) and checked.flags == SweepFlag.NOT_FINITE
    assert np.iscomplexobj(checked.level)


def test_a_driver_cannot_set_the_hosts_flags() -> None:
    """Only overload, settings differ and powered on are its to say."""
    every = SweepFlag.OVERLOAD | SweepFlag.POWERED_ON | SweepFlag.LATE | SweepFlag.METER_FAILED
    checked = check_trace(replace(GOOD, flags=every), ASK, CAN)
    assert checked.flags == SweepFlag.OVERLOAD | SweepFlag.POWERED_ON


DIFFER = {
    "rbw": ({"rbw_hz": 10e3}, {"rbw_hz": 30e3}, ("rbw_hz",)),
    "rbw within 1 %": ({"rbw_hz": 10e3}, {"rbw_hz": 10.09e3}, ()),
    "vbw": ({"vbw_hz": 1e3}, {"vbw_hz": 3e3}, ("vbw_hz",)),
    "sweep time within 5 %": ({"sweep_time_s": 1.0}, {"sweep_time_s": 1.04}, ()),
    "sweep time": ({"sweep_time_s": 1.0}, {"sweep_time_s": 1.2}, ("sweep_time_s",)),
    "attenuation": ({"attenuation_db": 10}, {"attenuation_db": 20}, ("attenuation_db",)),
    "reference level": ({"reference_level_dbm": 0}, {"reference_level_dbm": 0.04}, ()),
    "detector": (
        {"detector": Detector.RMS},
        {"detector": Detector.SAMPLE},
        ("detector",),
    ),
    "averages": ({"averages": 4}, {"averages": 1}, ("averages",)),
    "not asked for": ({}, {"rbw_hz": 30e3, "detector": Detector.RMS}, ()),
    "not reported": ({"rbw_hz": 10e3}, {}, ()),
    "only assumed": ({"rbw_hz": 10e3}, {"rbw_hz": 30e3, "assumed": ("rbw_hz",)}, ()),
}


@pytest.mark.parametrize(("asked", "got", "differ"), DIFFER.values(), ids=DIFFER)
def test_other_settings_than_asked_for_are_flagged(
    asked: dict[str, Any], got: dict[str, Any], differ: tuple[str, ...]
) -> None:
    """Each setting with its tolerance; the sweep gets the flag."""
    request, reported = replace(ASK, **asked), Reported(**got)
    assert settings_that_differ(request, reported) == differ
    flags = check_trace(replace(GOOD, reported=reported), request, CAN).flags
    assert bool(flags & SweepFlag.SETTINGS_DIFFER) is bool(differ)


KNOWN = Identity(maker="ACME", model="MODEL 1", serial_number="SN0001", firmware="1.0")

SAME = {
    "the same": KNOWN,
    "after a firmware update": replace(KNOWN, firmware="2.0"),
    "in other case": replace(KNOWN, maker="Acme"),
    "a serial number lost in an update": replace(KNOWN, serial_number="0000"),
    "a serial number that is empty": replace(KNOWN, serial_number=""),
}
OTHER = {
    "another serial number": replace(KNOWN, serial_number="SN0002"),
    "another model": replace(KNOWN, model="MODEL 2"),
    "another maker": replace(KNOWN, maker="GANNET"),
    "another model without serial number": replace(KNOWN, model="MODEL 2", serial_number=""),
}


@pytest.mark.parametrize("got", SAME.values(), ids=SAME)
def test_the_instrument_of_the_config_is_recognised(got: Identity) -> None:
    """Firmware may change, and a doubtful serial number is not held against it."""
    check_identity(got, KNOWN)


@pytest.mark.parametrize("got", OTHER.values(), ids=OTHER)
def test_another_instrument_is_refused(got: Identity) -> None:
    """Both are named."""
    with pytest.raises(IdentityChanged, match=r"expected ACME MODEL 1.* answers"):
        check_identity(got, KNOWN)


def test_a_config_that_names_only_a_serial_number_wants_that_one() -> None:
    """A doubtful one is then nothing to go by."""
    expected = Identity(serial_number="SN0001")
    check_identity(KNOWN, expected)
    for serial in ("SN2", "", "-1", "FFFFFFFF"):
        with pytest.raises(IdentityChanged):
            check_identity(replace(KNOWN, serial_number=serial), expected)


def test_without_a_serial_number_a_sweeper_is_known_by_where_it_is_plugged_in() -> None:
    """A USB location counts where the driver knows one."""
    expected = Identity(serial_number="SN0001", location="1-2")
    check_identity(replace(KNOWN, serial_number="", location="1-2"), expected)
    check_identity(KNOWN, expected)
    with pytest.raises(IdentityChanged, match=r"serial number SN0001 at USB 1-2.*at USB 1-3"):
        check_identity(replace(KNOWN, location="1-3"), expected)


@pytest.mark.parametrize("serial", ["", "-1", "0000", "0x00000000", "FFFFFFFF", "ffff", " 0 "])
def test_a_serial_number_of_nothing_ones_or_zeros_is_doubtful(serial: str) -> None:
    """As a bad update leaves it."""
    assert replace(KNOWN, serial_number=serial).is_doubtful


UNUSABLE = {
    "no identity": (None, CAN, "identify\\(\\) returned NoneType"),
    "a name of bytes": (replace(KNOWN, maker=b"A"), CAN, "maker must be text"),
    "an endless name": (replace(KNOWN, model="x" * 300), CAN, "at most 256"),
    "no capabilities": (KNOWN, {}, "capabilities\\(\\) returned dict"),
    "range the wrong way": (KNOWN, replace(CAN, start_hz=2e9), "no frequency range"),
    "range without end": (KNOWN, replace(CAN, stop_hz=float("inf")), "stop_hz must be a finite"),
    "points as text": (KNOWN, replace(CAN, points_max="401"), "points_max must be a whole"),
    "no points": (KNOWN, replace(CAN, points_min=0), "whole and above 0"),
    "least above most": (KNOWN, replace(CAN, points_min=2000), "cannot be"),
    "a unit as text": (KNOWN, replace(CAN, unit="dBm"), "unit must be a LevelUnit"),
    "half a pair": (KNOWN, replace(CAN, assumed=("a\ud800",)), "assumed must be a tuple"),
    "a step beyond any scale": (KNOWN, replace(CAN, resolution=10**20), "at most 10 dB"),
}


@pytest.mark.parametrize(("identity", "can", "says"), UNUSABLE.values(), ids=UNUSABLE)
def test_an_introduction_that_cannot_be_used_is_the_drivers_fault(
    identity: Any, can: Any, says: str
) -> None:
    """What is wrong with it is said before anything is swept."""
    with pytest.raises(DriverFault, match=says):
        check_introduction(identity, can)
