"""Quantities: what is read, exactly, and what is refused with which words."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acqd.config.quantity import (
    ANGLE,
    BYTES,
    DIFFERENCE,
    DURATION,
    FRACTION,
    FREQUENCY,
    LEVEL,
    POWER,
    PPM,
    Dimension,
    QuantityError,
    format_quantity,
    parse_frequency_range,
    parse_level,
    parse_quantity,
)
from acqd.units import LevelUnit


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("156.025 MHz", FREQUENCY, 156_025_000.0),
        ("144MHz", FREQUENCY, 144e6),
        ("446.00625 MHz", FREQUENCY, 446_006_250.0),
        ("1e3 kHz", FREQUENCY, 1e6),
        ("2.4E0GHz", FREQUENCY, 2.4e9),
        (".5 Hz", FREQUENCY, 0.5),
        ("0 Hz", FREQUENCY, 0.0),
        (" 10 kHz ", FREQUENCY, 10e3),
        ("10\u00a0kHz", FREQUENCY, 10e3),
        ("2 s", DURATION, 2.0),
        ("0.1 s", DURATION, 0.1),
        ("5 min", DURATION, 300.0),
        ("1 h", DURATION, 3600.0),
        ("2 d", DURATION, 172_800.0),
        ("20 ms", DURATION, 0.02),
        ("3 µs", DURATION, 3e-6),
        ("3 μs", DURATION, 3e-6),
        ("30 dB", DIFFERENCE, 30.0),
        ("+3 dB", DIFFERENCE, 3.0),
        ("-100 dBm", LEVEL, -100.0),
        ("−100 dBm", LEVEL, -100.0),
        ("10 dBm", LEVEL, 10.0),
        ("2.5 ppm", PPM, 2.5),
        ("100 ppb", PPM, 0.1),
        ("10 %", FRACTION, 0.1),
        ("7%", FRACTION, 0.07),
        ("53.3 deg", ANGLE, 53.3),
        ("-5.7°", ANGLE, -5.7),
        ("2 W", POWER, 2.0),
        ("200 mW", POWER, 0.2),
        ("1 GB", BYTES, 1e9),
        ("2 MiB", BYTES, 2.0 * 1024**2),
    ],
)
def test_quantity_is_the_nearest_float(text: str, dimension: Dimension, value: float) -> None:
    """A text gives exactly the float nearest to what it says."""
    assert parse_quantity(text, dimension) == value


@pytest.mark.parametrize(
    ("given_value", "dimension", "words"),
    [
        (10_000, FREQUENCY, ("a number without a unit", "given: 10000", '"10 kHz"')),
        (10.5, FREQUENCY, ("a number without a unit", "10.5")),
        ("10", FREQUENCY, ("a number without a unit",)),
        (True, FREQUENCY, ("not a frequency", "given: true")),
        (None, DURATION, ("not a duration",)),
        ([1], DURATION, ("not a duration",)),
        ("10 mHz", FREQUENCY, ("`mHz`", "did you mean `MHz`?")),
        ("10 khz", FREQUENCY, ("`khz`", "did you mean `kHz`?")),
        ("10 KHz", FREQUENCY, ("did you mean `kHz`?",)),
        ("10 M", FREQUENCY, ("did you mean `MHz`?",)),
        ("3 DB", DIFFERENCE, ("did you mean `dB`?",)),
        ("3 dBm", DIFFERENCE, ("did you mean `dB`?",)),
        ("3 dB", LEVEL, ("did you mean `dBm`?",)),
        ("3 S", DURATION, ("did you mean `s`?",)),
        ("3 Ms", DURATION, ("did you mean `ms`?",)),
        ("3 sec", DURATION, ("did you mean `s`?",)),
        ("3 m", DURATION, ("did you mean `min`?",)),
        ("3 us", DURATION, ("did you mean `µs`?",)),
        ("3 MW", POWER, ("did you mean `mW`?",)),
        ("3 percent", FRACTION, ("did you mean `%`?",)),
        ("3 gb", BYTES, ("did you mean `GB`?",)),
        ("10 parsec", FREQUENCY, ("unknown unit `parsec` (given",)),
        ("156,025 MHz", FREQUENCY, ("decimal comma", '"156.025 MHz"')),
        ("MHz", FREQUENCY, ("does not begin with a number",)),
        ("", FREQUENCY, ("does not begin with a number",)),
        ("ten MHz", FREQUENCY, ("does not begin with a number",)),
        ("1 000 kHz", FREQUENCY, ("unknown unit",)),
        ("nan Hz", FREQUENCY, ("does not begin with a number",)),
        ("inf Hz", FREQUENCY, ("does not begin with a number",)),
        ("٣ Hz", FREQUENCY, ("does not begin with a number",)),
        ("-1 Hz", FREQUENCY, ("out of bounds", "at least 0 Hz")),
        ("110 %", FRACTION, ("out of bounds", "at most 100 %")),
        ("1e40 Hz", FREQUENCY, ("out of all bounds",)),
        ("1e-999999999 Hz", FREQUENCY, ("out of all bounds",)),
        ("1e99999999999999999999 Hz", FREQUENCY, ("out of all bounds",)),
        ("1" * 100 + " Hz", FREQUENCY, ("longer than 64",)),
    ],
)
def test_refusal_says_what_is_wrong(
    given_value: object, dimension: Dimension, words: tuple[str, ...]
) -> None:
    """What is no such quantity is refused in one line that helps."""
    with pytest.raises(QuantityError) as caught:
        parse_quantity(given_value, dimension)
    message = str(caught.value)
    assert all(word in message for word in words), message
    assert "accepted: " in message
    assert len(message) < 300


@pytest.mark.parametrize(
    ("text", "level"),
    [
        ("-30 dBFS", (-30.0, LevelUnit.DBFS)),
        ("34 dBµV", (34.0, LevelUnit.DBUV)),
        ("34 dBuV", (34.0, LevelUnit.DBUV)),
        ("−100 dBm", (-100.0, LevelUnit.DBM)),
    ],
)
def test_level_keeps_its_unit(text: str, level: tuple[float, LevelUnit]) -> None:
    """A level of any unit is read together with the unit."""
    assert parse_level(text) == level


def test_level_without_a_known_unit_is_refused() -> None:
    """A level in volts is none of the level units."""
    with pytest.raises(QuantityError, match="unknown unit `V`"):
        parse_level("3 V")


@pytest.mark.parametrize(
    ("text", "edges"),
    [
        ("144MHz..146MHz", (144e6, 146e6)),
        ("150 kHz .. 30 MHz", (150e3, 30e6)),
        ("144..146 MHz", (144e6, 146e6)),
        ("144.5..145.5MHz", (144.5e6, 145.5e6)),
    ],
)
def test_frequency_range(text: str, edges: tuple[float, float]) -> None:
    """A range is two frequencies; the unit may stand once, at the end."""
    assert parse_frequency_range(text) == edges


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("144MHz", "not a range"),
        ("144MHz-146MHz", "not a range"),
        ("144MHz..145MHz..146MHz", "not a range"),
        ("146MHz..144MHz", "not above"),
        ("144MHz..144MHz", "not above"),
        ("144MHz..146", "without a unit"),
        ("x..146MHz", "does not begin"),
        ("144mHz..146MHz", "did you mean `MHz`"),
    ],
)
def test_frequency_range_refused(text: str, word: str) -> None:
    """What is no range is refused with the reason."""
    with pytest.raises(QuantityError, match=word):
        parse_frequency_range(text)


DIMENSIONS = (FREQUENCY, DURATION, DIFFERENCE, LEVEL, POWER, FRACTION, ANGLE, PPM)


@settings(derandomize=True, deadline=None)
@given(st.sampled_from(DIMENSIONS), st.floats(min_value=0.0, max_value=1.0))
def test_written_out_and_read_again_is_the_same_float(dimension: Dimension, value: float) -> None:
    """format_quantity and parse_quantity are inverses, bit for bit."""
    text = format_quantity(value, dimension)
    # Numbers with more digits than a quantity may have are no concern of a config.
    if len(text) <= 64 and (value == 0 or value > 1e-20):
        again = parse_quantity(text, dimension)
        assert math.copysign(1, again) == math.copysign(1, value) or value == 0
        assert again == value


@settings(derandomize=True, deadline=None)
@given(st.integers(min_value=0, max_value=3_000_000_000_000))
def test_megahertz_with_six_places_are_whole_hertz(hertz: int) -> None:
    """A frequency to the hertz, written in MHz, comes back without any rounding."""
    text = f"{hertz // 1_000_000}.{hertz % 1_000_000:06} MHz"
    assert parse_quantity(text, FREQUENCY) == float(hertz)


@settings(derandomize=True, deadline=None)
@given(st.text(max_size=80))
def test_any_text_is_read_or_refused(text: str) -> None:
    """Nothing but QuantityError comes out, whatever goes in."""
    for read in (lambda t: parse_quantity(t, FREQUENCY), parse_level, parse_frequency_range):
        try:
            read(text)
        except QuantityError:
            continue
