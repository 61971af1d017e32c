"""Options of a config: what is taken, and how the rest is refused."""

from __future__ import annotations

from typing import Any

import pytest
from acqd_iq.options import IqOptions

from acqd.errors import RequestRefused


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"windows": "hann"}, r'option windows.*did you mean "window"'),
        ({"window": "hanning"}, '"hann"'),
        ({"rate": "2 MHz"}, "MS/s"),
        ({"rate": 2e6}, "MS/s"),
        ({"centre": "156.8"}, "MHz"),
        ({"type": "complex64"}, "ci16_le"),
        ({"full_scale": "-20 dBFS"}, "a level in dBm"),
        ({"full_scale": -20}, '"-20 dBm"'),
        ({"full_scale": [["156 MHz", "-20 dBm"], ["155 MHz", "-20 dBm"]]}, "rising"),
        ({"full_scale": [["156 MHz"]]}, "pairs"),
        ({"full_scale": []}, "pairs"),
        ({"full_scale": "-400 dBm"}, "level"),
        ({"overlap": 1.0}, "0 to 0.95"),
        ({"overlap": True}, "0 to 0.95"),
        ({"segments": 2.5}, "a whole number"),
        ({"segments": 0}, "1 to 100000"),
        ({"pad": 32}, "1 to 16"),
        ({"usable": 0.0}, "0.05 to 1"),
        ({"dc": "remove"}, '"leave-out"'),
        ({"dc_width": 20e3}, "kHz"),
        ({"rbw": "3-db"}, '"gaussian"'),
        ({"play": "twice"}, '"once", "loop"'),
        ({"pace": "slow"}, '"as-recorded"'),
        ({"skip": "-1 s"}, "duration|time"),
        ({"stall": "0 s"}, "0.1 s to 60 s"),
        ({"check_sha512": "yes"}, "true or false"),
        ({"full_scale_count": 0}, "number from"),
        ({"maker": "a\nb"}, "printable"),
    ],
)
def test_wrong_options_are_refused_in_one_line(given: dict[str, Any], said: str) -> None:
    """Which option, what was given, what would do."""
    with pytest.raises(RequestRefused, match=said) as caught:
        IqOptions.from_options(given)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(f"option {next(iter(given))}: ")


def test_the_links_options_stand_beside_them() -> None:
    """They are not the driver's affair."""
    assert IqOptions.from_options({"connect_timeout_s": 2}) == IqOptions()
