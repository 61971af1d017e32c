"""S units against IARU Region 1 Recommendation R.1 (Brighton 1981, Torremolinos 1990).

S9 at −93 dBm on VHF and 6 dB a step were read in an extract of the Region's VHF handbook; −73 dBm
below 30 MHz in texts that quote the later one.
"""

from __future__ import annotations

import pytest

from acqd.measure.smeter import s9_dbm, s_reading
from acqd.units import dbuv_from_dbm

STEPS = ["S1", "S2", "S3", "S4", "S5", "S6", "S7", "S8", "S9", "S9+20 dB", "S9+40 dB", "S9+60 dB"]
BELOW_30_MHZ = [-121, -115, -109, -103, -97, -91, -85, -79, -73, -53, -33, -13]
MICROVOLTS = [0.1993, 0.3976, 0.7934, 1.583, 3.159, 6.302, 12.57, 25.09, 50.06, 500.6, 5006, 50059]


@pytest.mark.source("IARU Region 1 Recommendation R.1, handbook of the VHF managers", "read")
@pytest.mark.source("−73 dBm below 30 MHz, later handbook", "read elsewhere")
@pytest.mark.source("voltages across 50 Ω", "derived")
@pytest.mark.parametrize(
    ("text", "level_dbm", "microvolt"), list(zip(STEPS, BELOW_30_MHZ, MICROVOLTS, strict=True))
)
def test_s_units(text: str, level_dbm: float, microvolt: float) -> None:
    """The whole scale, 20 dB lower from 30 MHz on; voltages across 50 Ω (derived)."""
    assert str(s_reading(level_dbm, 7.1e6)) == text
    assert str(s_reading(level_dbm - 20.0, 145e6)) == text
    assert 10 ** (float(dbuv_from_dbm(level_dbm)) / 20) == pytest.approx(microvolt, rel=4e-4)
    lower = 10 ** (float(dbuv_from_dbm(level_dbm - 20.0)) / 20)
    assert lower == pytest.approx(microvolt / 10, rel=4e-4)


@pytest.mark.parametrize(
    ("frequency_hz", "s9"),
    [
        pytest.param(29.7e6, -73.0, marks=pytest.mark.source("later handbook", "read elsewhere")),
        # The text of 1990 leaves 30 to 144 MHz open; later ones say "above 30 MHz".
        pytest.param(30.0e6, -93.0, marks=pytest.mark.source("later handbook", "read elsewhere")),
        pytest.param(50.1e6, -93.0, marks=pytest.mark.source("later handbook", "read elsewhere")),
        pytest.param(144.1e6, -93.0, marks=pytest.mark.source("IARU Region 1 R.1, 1990", "read")),
    ],
)
def test_where_the_scale_changes(frequency_hz: float, s9: float) -> None:
    """At 30 MHz."""
    assert s9_dbm(frequency_hz) == s9
