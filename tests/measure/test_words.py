"""Figures in sentences."""

from __future__ import annotations

import pytest

from acqd.measure import words
from acqd.measure.channels import Channel
from acqd.sweep import LevelUnit


@pytest.mark.parametrize(
    ("level", "unit", "text"),
    [
        (-69.84, LevelUnit.DBM, "−69.8 dBm"),
        (37.25, LevelUnit.DBUV, "37.2 dBµV"),
        (-0.04, LevelUnit.DBFS, "0.0 dBFS"),
        (137.0, LevelUnit.DIGIT, "137.0 digits"),
    ],
)
def test_levels_carry_their_unit(level: float, unit: LevelUnit, text: str) -> None:
    """A real minus sign, one decimal, never minus nothing."""
    assert words.level_text(level, unit) == text


@pytest.mark.parametrize(
    ("frequency_hz", "resolution_hz", "text"),
    [
        (156.8e6, 1e3, "156.800 MHz"),
        (446.00625e6, 10.0, "446.00625 MHz"),
        (137.5e3, 1e3, "137.5 kHz"),
        (1.2345678e9, 5e6, "1234.568 MHz"),
    ],
)
def test_frequencies_have_the_digits_they_deserve(
    frequency_hz: float, resolution_hz: float, text: str
) -> None:
    """Three decimals of a MHz, more where the grid is finer."""
    assert words.frequency_text(frequency_hz, resolution_hz=resolution_hz) == text


def test_ranges_name_the_unit_once() -> None:
    """Twice only where it differs."""
    assert words.range_text(156e6, 158e6) == "156.000 to 158.000 MHz"
    assert words.range_text(500e3, 1.5e6) == "500.0 kHz to 1.500 MHz"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.25, "0.2 s"),
        (2.0, "2 s"),
        (59.6, "1 min"),
        (552.0, "9 min 12 s"),
        (3600.0, "1 h"),
        (7510.0, "2 h 5 min"),
        (3599.7, "1 h"),
    ],
)
def test_durations_read_naturally(seconds: float, text: str) -> None:
    """Two units at most."""
    assert words.duration_text(seconds) == text


@pytest.mark.parametrize(
    ("name", "centre_hz", "text"),
    [
        ("16", 156.8e6, "channel 16 (156.800 MHz)"),
        ("AIS 1", 161.975e6, "AIS 1 (161.975 MHz)"),
        ("1", 446.00625e6, "channel 1 (446.00625 MHz)"),
        ("118.010", 118_008_333.0, "channel 118.010 (118.008333 MHz)"),
    ],
)
def test_channels_are_named_as_people_do(name: str, centre_hz: float, text: str) -> None:
    """A number is a channel, a name stands alone; the frequency has the digits of its raster."""
    assert words.channel_text(Channel(name=name, centre_hz=centre_hz, width_hz=25e3)) == text


def test_every_unit_has_a_suffix() -> None:
    """Names of figures end in it."""
    assert {words.unit_suffix(unit) for unit in LevelUnit} == {
        "dbm",
        "dbuv",
        "dbfs",
        "digit",
        "ratio",
    }
