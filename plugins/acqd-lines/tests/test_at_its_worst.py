"""What sweepers, profiles and people can do at their worst costs a clear line, and little time."""

from __future__ import annotations

import math
import re
import struct
import threading
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from acqd_lines import framing
from acqd_lines.check import Check
from acqd_lines.check_command import address_of, connected, read_profile
from acqd_lines.check_show import step_lines
from acqd_lines.framing import ErrorPattern, LineFraming, parser_of
from acqd_lines.learn import Learner, NotLearnt, Plan
from acqd_lines.learn_ear import Ear
from acqd_lines.learn_known import Carrier
from acqd_lines.learn_shape import Swept, understand
from acqd_lines.learn_write import quoted
from acqd_lines.patterns import Pattern
from acqd_lines.profile import parse_profile
from acqd_lines.values import ValueFormat, decode_lines, parse_number
from hypothesis import given
from hypothesis import strategies as st

from acqd.cli import main
from acqd.errors import ConfigError, ProtocolViolation, SweeperReported
from acqd.sweep import SweepRequest

from .conftest import Peer, Serve
from .lookout import PROFILE, Lookout

ENDLESS = "^(a|a)*$"
"""Takes two to the power of the letters of an answer that does not fit."""
ESCAPE = b"\x1b]0;owned\x07\x9b31m"
REQUEST = SweepRequest(start_hz=156e6, stop_hz=157e6, points=11)


def test_a_pattern_that_never_comes_to_an_end_is_given_up_and_lets_others_run() -> None:
    """The error names the pattern; another thread gets its turns all the while."""
    turns, over = 0, threading.Event()

    def count() -> None:
        nonlocal turns
        while not over.wait(0.002):
            turns += 1

    other = threading.Thread(target=count)
    parser = parser_of(LineFraming(count=1), errors=[ErrorPattern(pattern=Pattern(ENDLESS))])
    assert parser is not None
    parser.receive_data(b"a" * 60 + b"b\n")
    other.start()
    began_s = time.monotonic()
    try:
        with pytest.raises(ProtocolViolation, match=re.escape(ENDLESS)):
            parser.next_frame()
    finally:
        over.set()
        other.join()
    assert time.monotonic() - began_s < 5.0
    assert turns > 3


@pytest.mark.parametrize("text", ["1" * 100_000 + "x", "." + "1" * 100_000 + "e", "1" * 400_000])
def test_digits_without_end_are_refused_at_once(text: str) -> None:
    """Not after the square of their number."""
    began_s = time.monotonic()
    with pytest.raises(ProtocolViolation, match="a number"):
        parse_number(text)
    with pytest.raises(ProtocolViolation, match="a number"):
        decode_lines([text], ValueFormat())
    assert time.monotonic() - began_s < 2.0


@pytest.mark.parametrize("text", ["1e999", "-9.5e400"])
def test_a_number_beyond_all_bounds_is_none(text: str) -> None:
    """It would be an infinite level, or an infinite number of points."""
    with pytest.raises(ProtocolViolation, match="ordinary size"):
        parse_number(text)
    with pytest.raises(ProtocolViolation, match="ordinary size as value 2"):
        decode_lines([f"1 {text}"], ValueFormat())


def test_lines_without_end_do_not_fill_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """A line of one letter takes fifty times its bytes."""
    monkeypatch.setattr(framing, "LINES_CAP", 100)
    parser = parser_of(LineFraming(end="END"))
    assert parser is not None
    parser.receive_data(b"7\n" * 101)
    with pytest.raises(ProtocolViolation, match="at most 100 lines"):
        parser.next_frame()


def test_what_a_sweeper_says_cannot_steer_a_terminal() -> None:
    """Neither its errors nor, in a check, who it is."""
    found = ErrorPattern(pattern=Pattern("^ERR")).found_in(f"ERR {ESCAPE.decode('latin-1')}")
    assert found is not None
    assert found[1].isprintable()
    long = ErrorPattern(pattern=Pattern("^ERR")).found_in("ERR " + "x" * 10_000)
    assert long is not None
    assert len(long[1]) == 200
    assert str(SweeperReported(((7, "no\x1b[2J" + "x" * 10_000),))).isprintable()


def _steps(profile: Path, address: str) -> list[Any]:
    loaded, places = read_profile(profile)
    return list(Check(loaded, places, REQUEST, lambda: connected(address, {})).run())


def test_a_check_shows_who_answers_in_printable_letters(serve: Serve, tmp_path: Path) -> None:
    """An answer with escape codes fits the pattern as well as any."""
    path = tmp_path / "toy.toml"
    path.write_text(PROFILE, "utf-8")
    device = Lookout(answers={b"who": b"LOOK " + ESCAPE + b" SN7\r\n"})
    steps = _steps(path, serve(Peer(device.answer)).address)
    said = [line for step in steps for line in step_lines(step)]
    assert any("model" in line for line in said)
    assert all(line.isprintable() for line in said)


def test_a_check_keeps_no_more_bytes_than_somebody_may_want_to_see(
    serve: Serve, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sweeper that talks without end ends the check, not the memory."""
    from acqd_lines import check

    monkeypatch.setattr(check, "HEARD_MOST_BYTES", 1000)
    path = tmp_path / "toy.toml"
    path.write_text(PROFILE, "utf-8")
    flood = b"x" * 200_000
    steps = _steps(path, serve(Peer(Lookout().answer, greeting=flood)).address)
    assert sum(len(one.data) for one in steps[1].heard) <= 1000


@pytest.mark.parametrize("text", ['a"b\\c', "\x9b31m\x7f\x1b", "µ − 😀\U000e0001"])
def test_what_is_written_into_a_profile_is_read_back_and_safe_to_show(text: str) -> None:
    """TOML takes it, and no letter of it steers a terminal."""
    written = quoted(text)
    assert written.isprintable()
    assert tomllib.loads(f"key = {written}") == {"key": text}


@pytest.fixture
def told(capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """What a command that is refused says; never a traceback."""

    def run(*arguments: str) -> str:
        with pytest.raises(SystemExit) as left:
            main(["profile", *arguments])
        assert left.value.code == 2
        return capsys.readouterr().err

    return run


NOWHERE = ("learn", "--port", "serial:/dev/nowhere", "--yes", "--range", "156MHz..158MHz")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((*NOWHERE, "--points", "²"), "--points: expected a number from 3"),
        ((*NOWHERE, "--peak", "²"), "--peak: expected a whole number"),
        ((*NOWHERE, "--points-limits", "²..³"), "--points-limits: expected LEAST..MOST"),
        ((*NOWHERE, "--identify", "Ω?"), "--identify: expected one line"),
        (("check", "tern", "--range", "5"), "--range: "),
        (("check", "tern", "--range", "156MHz..9GHz"), "beyond the profile's limits"),
    ],
)
def test_wrong_words_are_named(
    told: Callable[..., str], arguments: tuple[str, ...], said: str
) -> None:
    """With the option and what would do."""
    assert said in told(*arguments)


def test_a_point_that_the_sweep_does_not_have_is_no_peak() -> None:
    """Before anything of it is sent."""
    plan = Plan(swept=Swept(start_hz=1e6, stop_hz=2e6, points=11), peaks=(None, 11))
    with pytest.raises(NotLearnt, match="--peak: expected a point from 0 to 10: 11"):
        Learner(Ear(NoLink(), quiet_s=0.1), plan, NoAnswers(), print)._swept()


def test_a_line_that_is_typed_must_be_of_bytes() -> None:
    """As one that is given by an option."""
    learner = Learner(Ear(NoLink(), quiet_s=0.1), Plan(), NoAnswers(), print)
    with pytest.raises(NotLearnt, match="the character 'Ω' is not one byte"):
        learner._ask("Ω?", 0.1)


class NoLink:
    """A link that nothing is to be sent over."""

    name = "nowhere"

    def read(self, max_bytes: int = 65536, *, timeout_s: float) -> bytes:
        raise AssertionError

    def write(self, data: bytes, *, timeout_s: float = 2.0) -> None:
        raise AssertionError

    def discard_input(self) -> bytes:
        raise AssertionError

    def close(self) -> None:
        raise AssertionError


class NoAnswers:
    """Nobody who could be asked."""

    def text(self, key: str, question: str, default: str | None = None) -> str:
        raise AssertionError


def test_a_home_that_nobody_has_is_a_path_like_any_other() -> None:
    """The tilde of a user that there is not is not resolved."""
    assert address_of("~nobody-of-this-name/port").endswith("/~nobody-of-this-name/port")


ROWS = b"".join(b"%.1f,%.2f\n" % (1 + place / 10, -90 + place % 3) for place in range(11))
SWEPT = Swept(start_hz=1e6, stop_hz=2e6, points=11)
CARRIER = Carrier(frequency_hz=1.5e6, level_dbm=-40.0)


@pytest.mark.parametrize(
    "answer",
    [
        ROWS.replace(b"1.1,", b"1\xac1,"),
        struct.pack("<11f", *[math.nan] * 11),
        struct.pack("<11d", *[1e308, -1e308] * 5, math.inf),
        b"1e999 " * 11,
        b"9" * 100_000,
    ],
    ids=["a bit that fell over", "no numbers", "huge", "infinite", "digits"],
)
def test_an_answer_that_makes_no_sense_is_no_sweep_and_no_error(answer: bytes) -> None:
    """Where a sweep is learnt; numpy's warnings are errors here."""
    for carriers in ((), (CARRIER,)):
        for guess in understand(answer, SWEPT, carriers):
            assert not np.isinf(guess.value.values).any()


@given(
    at=st.integers(min_value=0, max_value=len(ROWS) - 1),
    instead=st.binary(min_size=1, max_size=4),
)
def test_rows_with_a_scratch_are_learnt_from_or_not(at: int, instead: bytes) -> None:
    """Never with an error."""
    understand(ROWS[:at] + instead + ROWS[at + len(instead) :], SWEPT, (CARRIER,))


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        ('count = "x"', 'count: not a whole number and not a word that is known here (given: "x")'),
        ("count = -1", "count: out of bounds and not a word that is known here (given: -1)"),
    ],
)
def test_what_may_be_a_number_or_a_word_is_told_once(answer: str, said: str) -> None:
    """By its key, with both that are accepted."""
    text = PROFILE.replace('kind = "lines", end = "."', f'kind = "lines", {answer}')
    with pytest.raises(ConfigError) as caught:
        parse_profile(text, "toy.toml")
    (problem,) = caught.value.problems
    assert f"sweep.fetch.answer.{said}" in str(problem)
    assert problem.accepted.endswith(', or "points"')
