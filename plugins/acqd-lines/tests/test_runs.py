"""What is done for many lines or numbers at once gives what is done for each alone."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from acqd_lines import framing, runs, values
from acqd_lines.checksums import Checksum
from acqd_lines.framing import ErrorPattern, LineFraming, parser_of
from acqd_lines.patterns import Pattern
from acqd_lines.values import Decoded, ValueFormat, decode_lines
from hypothesis import given, settings
from hypothesis import strategies as st

from acqd.errors import ProtocolViolation

# --- lines ------------------------------------------------------------------------------------

SUM = Checksum(kind="sum8", mark=b"END", over="before")
PER_LINE = Checksum(kind="sum8", over="payload")
FRAMINGS = {
    "count": LineFraming(count=9),
    "until the prompt": LineFraming(until_prompt=True),
    "end mark": LineFraming(end="done"),
    "blank end": LineFraming(end=""),
    "skipped": LineFraming(count=7, skip=2),
    "ignored": LineFraming(count=7, ignore=Pattern("^#")),
    "checksum": LineFraming(count=9, checksum=SUM, checksum_per="answer"),
    "checksum, no count": LineFraming(end="done", checksum=SUM, checksum_per="answer"),
    "checksum, no mark": LineFraming(
        end="done", checksum=Checksum(kind="sum8", over="before"), checksum_per="answer"
    ),
    "each line's": LineFraming(count=3, checksum=PER_LINE),
}
ERRORS = (ErrorPattern(pattern=Pattern(r"^NO (?P<code>\d+)")), ErrorPattern(pattern=Pattern("ov")))
ENDS = st.sampled_from(["\n", "\r\n", "\r", "\n\n", "\r\n\r\n"])
WORDS = st.one_of(
    st.just("156000.000=-97.43"),
    st.just("-97.43"),
    st.sampled_from(
        [
            "done",
            " done ",
            "C5",
            "00",
            "> ",
            ">",
            "> -9",
            "END 9 00",
            "END",
            "NO 7",
            "# x",
            "",
            " ",
            "ov",
            "NO",
        ]
    ),
)
LINES = st.lists(st.tuples(WORDS, ENDS), max_size=14)
CUTS = st.lists(st.integers(0, 300), max_size=3)


def outcome(
    data: bytes, cuts: Sequence[int], how: LineFraming, prompt: bytes, line_end: Any
) -> tuple[object, ...]:
    """What a parser makes of ``data`` that comes in pieces."""
    parser = parser_of(how, prompt=prompt, errors=ERRORS, line_end=line_end)
    assert parser is not None
    borders = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    for first, stop in pairwise(borders):
        parser.receive_data(data[first:stop])
        try:
            if (frame := parser.next_frame()) is not None:
                return (frame, bytes(parser.rest))
        except ProtocolViolation as problem:
            return (str(problem),)
    return (parser.rest,)


@pytest.mark.parametrize("how", FRAMINGS.values(), ids=FRAMINGS)
@settings(max_examples=150, deadline=None)
@given(
    lines=LINES,
    cuts=CUTS,
    prompt=st.sampled_from([b"", b"> "]),
    line_end=st.sampled_from(["any", "any", "any", "lf", "crlf", "cr"]),
)
def test_lines_at_once_are_those_one_by_one(
    how: LineFraming, lines: list[tuple[str, str]], cuts: list[int], prompt: bytes, line_end: str
) -> None:
    """The same answer, the same error or the same rest, wherever the bytes are cut."""
    data = "".join(word + end for word, end in lines).encode("latin-1")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(runs, "LEAST_BYTES", 0)
        quick = outcome(data, cuts, how, prompt, line_end)
        patch.setattr(framing._LineParser, "_take_run", lambda self: None)
        assert outcome(data, cuts, how, prompt, line_end) == quick


def test_a_long_answer_is_taken_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a thousand lines one is looked at closely: the last."""
    looked = 0
    closely = framing._LineParser._take

    def counted(self: Any, line: str, begun_at: int) -> None:
        nonlocal looked
        looked += 1
        closely(self, line, begun_at)

    monkeypatch.setattr(framing._LineParser, "_take", counted)
    parser = parser_of(LineFraming(count=1000), errors=ERRORS)
    assert parser is not None
    parser.receive_data(b"-97.43\r\n" * 1000)
    frame = parser.next_frame()
    assert frame is not None
    assert frame.lines == ("-97.43",) * 1000
    assert looked == 1


def test_too_many_lines_are_refused_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """A run ends at the cap, and the next line is one too many."""
    monkeypatch.setattr(framing, "LINES_CAP", 100)
    parser = parser_of(LineFraming(end="done"))
    assert parser is not None
    parser.receive_data(b"-97.43\n" * 101)
    with pytest.raises(ProtocolViolation, match="at most 100 lines"):
        parser.next_frame()


# --- numbers ----------------------------------------------------------------------------------

NUMBERS = st.one_of(
    st.decimals(-999, 999, places=2).map(str),
    st.integers(-999, 999).map(str),
    st.sampled_from(
        [
            "+5",
            "-.5",
            "5.",
            ".",
            "-",
            "",
            "1-2",
            "--1",
            "1e3",
            "1_0",
            "nan",
            "−7",
            "٣",
            "9" * 400,
            "-7",
        ]
    ),
)
FORMS = {
    "plain": ValueFormat(),
    "missing": ValueFormat(missing=("nan", "-7")),
    "commas": ValueFormat(separators=(",",), scale=values.Decimal("0.5")),
    "pairs": ValueFormat(separators=("=",), columns=("frequency", "level"), frequency_unit="kHz"),
    "suffix": ValueFormat(separators=(",",), suffixes=("dBm",)),
    "decimal comma": ValueFormat(decimal_comma=True),
    "blanks or semicolons": ValueFormat(separators=(" ", ";")),
}


def decoded(lines: list[str], form: ValueFormat) -> tuple[object, ...]:
    """What comes of lines, to be compared."""
    try:
        found: Decoded = decode_lines(lines, form)
    except ProtocolViolation as problem:
        return (str(problem),)
    axis = None if found.frequency_hz is None else found.frequency_hz.tobytes()
    return (np.asarray(found.level).tobytes(), axis, found.resolution)


@pytest.mark.parametrize("form", FORMS.values(), ids=FORMS)
@settings(max_examples=200, deadline=None)
@given(rows=st.lists(st.lists(NUMBERS, min_size=1, max_size=3), max_size=5))
def test_numbers_at_once_are_those_one_by_one(form: ValueFormat, rows: list[list[str]]) -> None:
    """To the bit, with the same step; or the same error."""
    lines = [form.separators[0].join(row) for row in rows]
    quick = decoded(lines, form)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(values, "_plain_numbers", lambda *_: None)
        assert decoded(lines, form) == quick


def test_a_number_that_stands_for_no_level_is_none() -> None:
    """Also where all that came could be numbers."""
    found = decode_lines(["-5.0 -999 -7"], ValueFormat(missing=("-999",)))
    assert np.isnan(found.level).tolist() == [False, True, False]


# --- patterns ---------------------------------------------------------------------------------

PATTERNS = (
    r"^NO (?P<code>\d+)",
    r"^\? (?P<text>.*)",
    r"^NO|^YES",
    r"^NO*",
    r"^NO?x",
    r"^NO{2}",
    r"^NO+",
    r"^(?i)no",
    r"(?i)^no",
    r"(?m)^NO",
    r"^(?:NO)?x",
    r"^\d",
    r"^\[x\]",
    r"^\\x",
    r"NO",
    "^",
    r"^N{e<=1}O",
    r"^a\.b",
)
TEXTS = st.one_of(
    st.sampled_from(
        ["NO 7", "no", "x", "NOOx", "Nx", "? z", "YES", "[x]", "\\x", "7", "a.b", "axb"]
    ),
    st.text(alphabet="NOx7 ?.\n", max_size=6),
)


@pytest.mark.parametrize("pattern", PATTERNS)
@given(text=TEXTS)
def test_a_look_at_the_beginning_changes_nothing(pattern: str, text: str) -> None:
    """A pattern fits what it fits without it."""
    quick, plain = Pattern(pattern), Pattern(pattern)
    plain._begins = ""
    found, wanted = quick.search(text), plain.search(text)
    assert (found and found.span()) == (wanted and wanted.span())


def test_beginnings_are_seen() -> None:
    """The error patterns of the profiles that come with the driver have one."""
    seen = [Pattern(text)._begins for text in (r"^NO (?P<code>\d+)", r"^!(?P<code>\d+)", r"^\? x")]
    assert seen == ["NO ", "!", "? x"]
