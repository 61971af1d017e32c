"""The grammar of program messages, by tables."""

from __future__ import annotations

import pytest
from acqd_sim.grammar import (
    FREQUENCY_UNITS,
    NO_UNITS,
    TIME_UNITS,
    ScpiError,
    boolean_of,
    choice_of,
    expand,
    header_key,
    numeric_of,
    resolve,
    split_units,
    unit_of,
)


@pytest.mark.parametrize(
    ("message", "units"),
    [
        ("", []),
        (" ; ; ", []),
        ("*RST", ["*RST"]),
        ("A 1;B 2;:C", ["A 1", "B 2", ":C"]),
        ("A 'x;y';B", ["A 'x;y'", "B"]),
        ('A "its; so";B', ['A "its; so"', "B"]),
    ],
)
def test_messages_are_cut_at_semicolons_outside_quotes(message: str, units: list[str]) -> None:
    """Empty units are left out, quotes are respected."""
    assert [unit.strip() for unit in split_units(message)] == units


@pytest.mark.parametrize(
    ("text", "header", "query", "parameters"),
    [
        ("*IDN?", "*IDN", True, ()),
        ("freq:star 1E6", "FREQ:STAR", False, ("1E6",)),
        (":SENS1:BAND? MAX", ":SENS1:BAND", True, ("MAX",)),
        ("FORM REAL , 32", "FORM", False, ("REAL", "32")),
        ("\tTRAC?\tTRACE1 ", "TRAC", True, ("TRACE1",)),
        ("INIT", "INIT", False, ()),
    ],
)
def test_units_have_a_header_and_parameters(
    text: str, header: str, query: bool, parameters: tuple[str, ...]
) -> None:
    """Any case, any white space between header and parameters."""
    unit = unit_of(text)
    assert (unit.header, unit.query, unit.parameters) == (header, query, parameters)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("FREQ::STAR 1", -102),
        ("1FREQ", -102),
        ("FREQ:STAR?1", -102),
        ("FREQ:STAR 1,,2", -103),
        ("FREQ:STAR ,", -103),
        ("ABCDEFGHIJKLM 1", -112),
        ("FREQ 'open", -151),
        ("FREQ µ", -101),
    ],
)
def test_units_that_are_none_carry_their_number(text: str, code: int) -> None:
    """SCPI's own error numbers."""
    with pytest.raises(ScpiError) as caught:
        unit_of(text)
    assert caught.value.code == code


@pytest.mark.parametrize(
    ("message", "headers"),
    [
        ("FREQ:STAR 1;STOP 2", ["FREQ:STAR", "FREQ:STOP"]),
        ("FREQ:STAR 1;:BAND 2", ["FREQ:STAR", "BAND"]),
        ("FREQ:STAR 1;*WAI;STOP 2", ["FREQ:STAR", "*WAI", "FREQ:STOP"]),
        ("SENS:FREQ:STAR 1;STOP 2;CENT 3", ["SENS:FREQ:STAR", "SENS:FREQ:STOP", "SENS:FREQ:CENT"]),
        ("BAND:VID 1;AUTO 1", ["BAND:VID", "BAND:AUTO"]),
        ("FREQ:STAR 1;BAND 2", ["FREQ:STAR", "FREQ:BAND"]),
    ],
)
def test_the_path_stays_at_the_last_branch(message: str, headers: list[str]) -> None:
    """A colon goes to the root, a common command leaves the path alone (SCPI-1999)."""
    path: tuple[str, ...] = ()
    found = []
    for text in split_units(message):
        nodes, path = resolve(unit_of(text), path)
        found.append(":".join(nodes))
    assert found == headers


def test_every_spelling_of_a_pattern_is_known_and_nothing_between() -> None:
    """Short or long, optional nodes there or not; no abbreviation in between."""
    spellings = set(expand("[:SENSe]:BANDwidth|BWIDth[:RESolution]"))
    assert len(spellings) == 3 * 4 * 3
    for good in ("BAND", "SENS:BWID", "SENSE:BANDWIDTH:RESOLUTION", "BWIDTH:RES"):
        assert tuple(good.split(":")) in spellings
    for bad in ("BANDW", "SENS", "SEN:BAND", "BAND:RESOL"):
        assert tuple(bad.split(":")) not in spellings


@pytest.mark.parametrize(
    ("pattern", "shorts"),
    [
        (":FREQuency", {"FREQ"}),
        (":POINts", {"POIN"}),
        (":DETector", {"DET"}),
        (":SPAN", {"SPAN"}),
        (":BWIDth", {"BWID"}),
    ],
)
def test_short_forms_follow_the_rule(pattern: str, shorts: set[str]) -> None:
    """First four letters, three where the fourth is a vowel (words of up to four letters stay)."""
    assert {spelling[0] for spelling in expand(pattern)} - {pattern[1:].upper()} <= shorts
    assert shorts <= {spelling[0] for spelling in expand(pattern)}


def test_numeric_suffixes_default_to_one() -> None:
    """There is one of everything, so 1 may be said and 2 may not."""
    assert header_key(("TRACE1", "DATA")) == ("TRACE", "DATA")
    with pytest.raises(ScpiError) as caught:
        header_key(("TRACE2",))
    assert caught.value.code == -114


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("-101", -101.0),
        ("+1.25", 1.25),
        (".5", 0.5),
        ("1.E3", 1000.0),
        ("1 e -3", 1e-3),
        ("1.5 MHZ", 1.5e6),
        ("1.5mhz", 1.5e6),
        ("3 MAHZ", 3e6),
        ("10KHZ", 10e3),
        ("2E3HZ", 2e3),
        ("#H1F", 31.0),
        ("#Q17", 15.0),
        ("#B101", 5.0),
    ],
)
def test_numbers_in_all_their_forms(text: str, value: float) -> None:
    """NR1 to NR3, suffix units, hexadecimal, octal, binary."""
    assert numeric_of(text, FREQUENCY_UNITS) == value


def test_m_is_milli_except_before_hertz() -> None:
    """The trap of IEEE 488.2: MS is a millisecond, MHZ a megahertz."""
    assert numeric_of("5 MS", TIME_UNITS) == pytest.approx(5e-3)
    assert numeric_of("5 MHZ", FREQUENCY_UNITS) == 5e6


@pytest.mark.parametrize(
    ("text", "units", "code"),
    [
        ("abc", NO_UNITS, -104),
        ("1.2.3", NO_UNITS, -121),
        ("#B12", NO_UNITS, -121),
        ("5 HZ", NO_UNITS, -138),
        ("5 M", FREQUENCY_UNITS, -131),
        ("5 DBM", FREQUENCY_UNITS, -131),
    ],
)
def test_numbers_that_are_none(text: str, units: dict[str, float], code: int) -> None:
    """Data type, character, suffix."""
    with pytest.raises(ScpiError) as caught:
        numeric_of(text, units)
    assert caught.value.code == code


@pytest.mark.parametrize(
    ("text", "value"), [("ON", True), ("off", False), ("0", False), ("0.4", False), ("7", True)]
)
def test_booleans(text: str, value: bool) -> None:
    """Words or numbers that are rounded."""
    assert boolean_of(text) is value


def test_choices_are_short_or_long() -> None:
    """POS or POSITIVE, not POSI."""
    words = ("POSitive", "NEGative")
    assert choice_of("pos", words) == choice_of("Positive", words) == "POSitive"
    with pytest.raises(ScpiError) as caught:
        choice_of("POSI", words)
    assert caught.value.code == -141


def test_an_error_text_has_at_most_255_characters() -> None:
    """Text and information together (SCPI-1999 vol. 2, SYSTem:ERRor, from memory)."""
    assert len(str(ScpiError(-222, "x" * 500))) == 255
