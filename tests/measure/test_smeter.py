"""S readings: rounding, ends of the scale, and where nobody speaks of S units."""

from __future__ import annotations

import math

import pytest

from acqd.measure.smeter import AMATEUR_BANDS, amateur_band, s9_dbm, s_reading


@pytest.mark.parametrize(
    ("level_dbm", "text"),
    [
        (-85.0, "S7"),
        (-82.1, "S7"),
        (-82.0, "S8"),
        (-76.1, "S8"),
        (-73.0, "S9"),
        (-72.6, "S9"),
        (-72.5, "S9+1 dB"),
        (-52.8, "S9+20 dB"),
        (-124.0, "S1"),
        (-124.1, "below S1"),
        (-160.0, "below S1"),
        (-math.inf, "below S1"),
    ],
)
def test_texts_on_short_wave(level_dbm: float, text: str) -> None:
    assert str(s_reading(level_dbm, 14.2e6)) == text


def test_numbers_are_not_rounded() -> None:
    found = s_reading(-82.0, 7.1e6)
    assert found is not None
    assert (found.steps, found.over_s9_db, found.level_dbm) == (7.5, -9.0, -82.0)


@pytest.mark.parametrize(
    ("frequency_hz", "s9"), [(29.99e6, -73.0), (30e6, -93.0), (50e6, -93.0), (145e6, -93.0)]
)
def test_the_scale_changes_at_30_mhz(frequency_hz: float, s9: float) -> None:
    assert s9_dbm(frequency_hz) == s9


@pytest.mark.parametrize(
    ("frequency_hz", "bands"),
    [
        (156.8e6, {}),
        (100e6, {}),
        (446.00625e6, {2: "70 cm"}),
        (147e6, {2: "2 m", 3: "2 m"}),
        (3.95e6, {2: "80 m"}),
        (70.2e6, {1: "4 m"}),
        (14.2e6, {1: "20 m", 2: "20 m", 3: "20 m"}),
        (0.0, {}),
    ],
)
def test_s_units_are_spoken_on_amateur_bands_only(
    frequency_hz: float, bands: dict[int, str]
) -> None:
    for region in (1, 2, 3):
        expected = bands.get(region)
        assert amateur_band(frequency_hz, region=region) == expected
        assert (s_reading(-73.0, frequency_hz, region=region) is None) == (expected is None)


def test_there_are_three_regions() -> None:
    with pytest.raises(ValueError, match="ITU Regions are 1, 2 and 3, got 4"):
        s_reading(-73.0, 7.1e6, region=4)


@pytest.mark.parametrize("region", [1, 2, 3])
def test_bands_do_not_overlap(region: int) -> None:
    bands = sorted(AMATEUR_BANDS[region].items(), key=lambda item: item[1])
    edges = [edge for _, band in bands for edge in band]
    assert edges == sorted(edges)
    for name, (start_hz, stop_hz) in bands:
        assert amateur_band(start_hz, region=region) == name
        assert amateur_band(stop_hz, region=region) == name


def test_no_level_no_reading() -> None:
    assert s_reading(math.nan, 7.1e6) is None
