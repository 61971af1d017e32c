"""Touchstone text: what is written, what is left out, what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from acqd.measure.touchstone import DataFormat, one_port_text, two_port_text

AXIS = np.array([144e6, 145e6, 146.0000005e6])


def data_lines(text: str) -> list[str]:
    return [line for line in text.splitlines() if line[:1] not in ("!", "#")]


def comments(text: str) -> list[str]:
    return [line[2:] for line in text.splitlines() if line.startswith("! ")]


def test_whole_one_port_file() -> None:
    """Complex data: real and imaginary part, every digit, one option line."""
    found = one_port_text(AXIS, [0.5 + 0.25j, -0.1j, 0.3], comments=["Gannet Ledge whip"])
    assert found.text == (
        "! Gannet Ledge whip\n"
        "# HZ S RI R 50\n"
        "! Hz re(S11) im(S11)\n"
        "144000000 0.5 0.25\n"
        "145000000 0 -0.1\n"
        "146000000.5 0.3 0\n"
    )
    assert (found.suffix, found.points, found.left_out) == (".s1p", 3, 0)


def test_scalar_one_port_says_that_the_angle_is_unknown() -> None:
    found = one_port_text(AXIS, [-20.0, -14.5, -9.25], impedance_ohm=75.0)
    assert "# HZ S DB R 75" in found.text
    assert data_lines(found.text)[1] == "145000000 -14.5 0"
    assert "the angle of S11 is unknown and not zero" in comments(found.text)[0]


def test_scalar_two_port_names_what_was_not_measured() -> None:
    """S21 in the second place, exact zeros elsewhere, and no claim that it passes both ways."""
    found = two_port_text(AXIS, s21=[-20.0, -6.0, 0.0])
    assert "# HZ S MA R 50" in found.text
    assert data_lines(found.text)[0] == "144000000 0 0 0.1 0 0 0 0 0"
    head = comments(found.text)
    assert "the angle of S21 is unknown" in head[0]
    assert head[1].startswith("S11, S12 and S22 were not measured: the magnitude 0 stands for")
    assert head[2].startswith("Do not cascade this file")
    assert found.suffix == ".s2p"


def test_complex_transmission_alone() -> None:
    found = two_port_text(AXIS, s21=np.array([0.1j, 0.5, 0.25 - 0.5j]))
    assert "# HZ S RI R 50" in found.text
    assert data_lines(found.text)[2] == "146000000.5 0 0 0.25 -0.5 0 0 0 0"
    assert not any("angle" in comment for comment in comments(found.text))


def test_full_two_port_needs_no_excuse() -> None:
    one = np.full(3, 0.5 + 0j)
    found = two_port_text(AXIS, s21=one, s11=one * 2, s12=one * 3, s22=one * 4)
    assert data_lines(found.text)[0] == "144000000 1 0 0.5 0 1.5 0 2 0"
    assert comments(found.text) == [
        "Hz re(S11) im(S11) re(S21) im(S21) re(S12) im(S12) re(S22) im(S22)"
    ]


def test_points_without_a_value_are_left_out_and_counted() -> None:
    found = two_port_text(AXIS, s21=[-3.0, np.nan, -4.0], s11=[-20.0, -20.0, -np.inf])
    assert len(data_lines(found.text)) == found.points == 1
    assert found.left_out == 2
    assert "2 points were left out: there is no level." in comments(found.text)
    one = one_port_text(AXIS, [-1.0, np.nan, -2.0])
    assert "1 point was left out: there is no level." in comments(one.text)


def test_ranges_that_the_floor_limits_are_named() -> None:
    limited = np.array([True, False, True])
    found = two_port_text(AXIS, s21=[-60.0, -1.0, -60.0], floor_limited=limited)
    head = comments(found.text)
    at = head.index("The floor limited 2 of 3 points: S21 is at most as written at")
    assert head[at + 1 : at + 3] == ["  144.000 to 144.000 MHz", "  146.000 to 146.000 MHz"]
    axis = 1e6 * np.arange(1.0, 41.0)
    many = two_port_text(axis, s21=-axis / 1e6, floor_limited=np.arange(40) % 2 == 0)
    assert "  and in 8 more ranges" in comments(many.text)


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("U = ±1.9 dB, −20 dBm, 50 Ω, 3 µV", "U = +/-1.9 dB, -20 dBm, 50 ohm, 3 uV"),
        ("Küste", "Kuste"),
        ("port 2 is terminated", "- port 2 is terminated"),
        ("fe80::1 heard", "- fe80::1 heard"),
        ("Gamma unknown", "- Gamma unknown"),
        ("tab\tand \x07bell", "tab and  bell"),
        ("日", "?"),
    ],
    ids=["signs", "accents", "port", "address", "gamma", "control", "no ASCII"],
)
def test_comments_are_ascii_and_nothing_but_comments(text: str, written: str) -> None:
    found = one_port_text(AXIS, np.ones(3, dtype=complex), comments=[text])
    assert found.text.isascii()
    assert comments(found.text)[0] == written


def test_a_comment_cannot_break_out_of_its_line() -> None:
    """Each of its lines stays a comment, whatever ends it."""
    hostile = "first\n# MHZ S DB R 1\r\n1 2 3\u20284 5 6\x0b7 8 9\n\n"
    found = one_port_text(AXIS, np.ones(3, dtype=complex), comments=[hostile])
    assert [line for line in found.text.split("\n") if line.startswith("#")] == ["# HZ S RI R 50"]
    assert len(data_lines(found.text)) == 3


@pytest.mark.parametrize("data_format", list(DataFormat))
def test_formats_hold_the_same_values(data_format: DataFormat) -> None:
    ratio = np.array([0.5 + 0.25j, -0.1j, -0.3])
    found = one_port_text(AXIS, ratio, data_format=data_format)
    rows = np.array([[float(x) for x in line.split()] for line in data_lines(found.text)])
    first, second = rows[:, 1], rows[:, 2]
    if data_format is DataFormat.RI:
        back = first + 1j * second
    else:
        magnitude = 10 ** (first / 20) if data_format is DataFormat.DB else first
        back = magnitude * np.exp(1j * np.radians(second))
    assert back == pytest.approx(ratio, rel=1e-12)


def test_decibels_have_no_number_for_zero() -> None:
    with pytest.raises(ValueError, match="write RI or MA"):
        two_port_text(AXIS, s21=[-1.0, -1.0, -1.0], data_format=DataFormat.DB)


@pytest.mark.parametrize(
    ("axis", "s11", "more", "message"),
    [
        ([1e6, 1e6], [0.0, 0.0], {}, "rise from point to point"),
        ([2e6, 1e6], [0.0, 0.0], {}, "rise from point to point"),
        ([1e6, np.nan], [0.0, 0.0], {}, "finite"),
        ([1e6, 2e6], [0.0], {}, "S11 must be as long as frequency_hz"),
        ([1e6, 2e6], [np.nan, np.nan], {}, "no point to write"),
        ([], [], {}, "no point to write"),
        ([1e6, 2e6], [0.0, 0.0], {"impedance_ohm": 0.0}, "impedance_ohm must be above 0"),
    ],
    ids=["twice", "falling", "not finite", "lengths", "all missing", "empty", "impedance"],
)
def test_bad_input_is_refused(
    axis: list[float], s11: list[float], more: dict[str, float], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        one_port_text(axis, s11, **more)
