"""Where an answer begins and ends: bytes in, frames out, without I/O.

Two kinds of answer are known. Text is lines: one, a number of them, until an end mark, or until the
prompt. A block is binary: sync bytes, a header, the payload, a checksum and a tail, its length
fixed, from the header, or in the form of IEEE 488.2 (``#`` one digit n, n digits length, payload;
from memory). A parser reads one answer; a new one is made for each question.

What is taken for an answer does not depend on how the bytes were cut on their way here. Buffers are
capped: a peer that never comes to an end raises ProtocolViolation, whatever it sends.

Lines end in LF, CR LF or CR. Blank lines are passed over, but where a blank line is the end mark. A
line that begins with the prompt is the prompt: nothing of an answer may begin so.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import Final, TypedDict

from acqd.errors import ProtocolViolation
from acqd_lines.checksums import Checksum
from acqd_lines.digits import bytes_of_digits
from acqd_lines.frames import (
    BlockFraming,
    ErrorPattern,
    Frame,
    Framing,
    LengthField,
    LineEnd,
    LineFraming,
    NoFraming,
)
from acqd_lines.runs import LineRun

__all__ = [
    "CAP_BYTES",
    "BlockFraming",
    "ErrorPattern",
    "Frame",
    "FrameParser",
    "Framing",
    "LengthField",
    "LineEnd",
    "LineFraming",
    "NoFraming",
    "parser_of",
]

CAP_BYTES: Final = 16 << 20
"""One answer. A million points as 16 characters each; more is a peer that has lost its way."""

LINE_CAP_BYTES: Final = 4 << 20
"""One line: a list of a quarter of a million levels."""

HEAD_CAP_BYTES: Final = 4096
"""What may stand before a block: text that is no error, or sync bytes that do not come."""

LINES_CAP: Final = 2_000_000
"""Lines of one answer: each takes many times its bytes in the memory."""

SHOWN_BYTES: Final = 60

LF: Final = 0x0A

_ENDS: Final[dict[str, re.Pattern[bytes]]] = {
    "any": re.compile(rb"\r\n?|\n"),
    "lf": re.compile(rb"\n"),
    "crlf": re.compile(rb"\r\n"),
    "cr": re.compile(rb"\r"),
}


class CommonFraming(TypedDict):
    """The arguments of :class:`FrameParser`."""

    echo: bytes
    prompt: bytes
    line_end: LineEnd
    errors: Sequence[ErrorPattern]
    cap_bytes: int


class FrameParser(ABC):
    """What both kinds share: buffer, lines, echo, prompt, errors. :func:`parser_of` makes one.

    Args:
        echo: the bytes that the sweeper sends back before it answers; none where it has no echo.
        prompt: what the sweeper says when it is ready, at the start of a line; none without.
        line_end: what ends its lines.
        errors: patterns that turn a line into an error.
        cap_bytes: of the whole answer.
    """

    def __init__(
        self,
        *,
        echo: bytes = b"",
        prompt: bytes = b"",
        line_end: LineEnd = "any",
        errors: Sequence[ErrorPattern] = (),
        cap_bytes: int = CAP_BYTES,
    ) -> None:
        self._buffer = bytearray()
        self._at = 0
        self._scanned = 0
        self._after_cr = False
        self._echo = echo
        self._echo_end_due = False
        self._prompt = prompt
        self._line_end: LineEnd = line_end
        self._errors = errors
        self._cap_bytes = cap_bytes
        self._error: tuple[int, str] | None = None
        self._passed: list[str] = []
        self._frame: Frame | None = None

    def receive_data(self, data: bytes) -> None:
        """Take in what arrived.

        Raises:
            ProtocolViolation: the answer is longer than the cap. Nothing of it is kept.
        """
        if len(self._buffer) + len(data) > self._cap_bytes:
            got = self._shown_rest() or data[:SHOWN_BYTES]
            self._buffer.clear()
            self._at = self._scanned = 0
            raise ProtocolViolation(
                expected=f"an answer of at most {self._cap_bytes} bytes", got=got
            )
        self._buffer += data

    def next_frame(self) -> Frame | None:
        """The answer, or None while it is not whole. After it, None: a parser reads one.

        Raises:
            ProtocolViolation: what came cannot be the answer; says what was expected.
        """
        if self._frame is not None or not self._past_echo():
            return None
        self._frame = self._whole()
        return self._frame

    @property
    def rest(self) -> bytes:
        """What came and was not taken: after the frame, what trails it. Line ends do not count."""
        return bytes(self._buffer[self._at :]).lstrip(b"\r\n")

    @property
    def buffered_bytes(self) -> int:
        """How much is held."""
        return len(self._buffer)

    @abstractmethod
    def _whole(self) -> Frame | None:
        """The frame, once all of it is there."""

    # --- pieces ---------------------------------------------------------------------------------

    def _past_echo(self) -> bool:
        """Whether the echo and the end of its line have been taken away, if there is to be one."""
        if self._echo:
            self._skip_blank()
            came = bytes(self._buffer[self._at : self._at + len(self._echo)])
            if not self._echo.startswith(came):
                raise ProtocolViolation(
                    expected=f"the echo of {self._echo[:SHOWN_BYTES]!r}", got=self._shown_rest()
                )
            if len(came) < len(self._echo):
                return False
            self._at += len(self._echo)
            self._echo, self._echo_end_due = b"", True
        if self._echo_end_due:
            if self._at == len(self._buffer):
                return False
            if self._buffer[self._at] not in b"\r\n":
                raise ProtocolViolation(
                    expected="the end of the line after the echo", got=self._shown_rest()
                )
            if self._line() is None:
                return False
            self._echo_end_due = False
        return True

    def _skip_blank(self) -> None:
        while self._at < len(self._buffer) and self._buffer[self._at] in b"\r\n":
            self._at += 1

    def _drop_lf(self) -> None:
        """The LF of a CR LF whose CR was taken for an end when it was the last to have come."""
        if self._after_cr and self._at < len(self._buffer):
            self._after_cr = False
            if self._buffer[self._at] == LF:
                self._at += 1

    def _line(self) -> str | None:
        """The next line, which may be blank; None while it has no end."""
        self._drop_lf()
        match = _ENDS[self._line_end].search(self._buffer, max(self._at, self._scanned))
        if match is None:
            # The last byte may be half an end.
            self._scanned = max(self._at, len(self._buffer) - 1)
            if len(self._buffer) - self._at > LINE_CAP_BYTES:
                raise ProtocolViolation(
                    expected=f"a line of at most {LINE_CAP_BYTES} bytes", got=self._shown_rest()
                )
            return None
        text = bytes(self._buffer[self._at : match.start()]).decode("latin-1")
        self._at, self._scanned = match.end(), 0
        self._after_cr = self._line_end == "any" and match[0] == b"\r"
        self._drop_lf()
        if self._error is None and text:
            found = (one.found_in(text) for one in self._errors)
            self._error = next((error for error in found if error is not None), None)
        return text

    def _is_prompt(self) -> bool | None:
        """Whether the prompt stands here, and takes it away; None while that cannot be told."""
        came = bytes(self._buffer[self._at : self._at + len(self._prompt)])
        if came == self._prompt:
            self._at += len(self._prompt)
            self._scanned = 0
            return True
        return None if self._prompt.startswith(came) else False

    def _past_prompt(self) -> bool:
        """Whether the answer is over: at once without a prompt, else when that has come.

        Before the prompt only lines that are an error, or follow one, may still come.
        """
        if not self._prompt:
            return True
        while True:
            self._drop_lf()
            self._skip_blank()
            is_prompt = self._is_prompt()
            if is_prompt is not False:
                return bool(is_prompt)
            if (line := self._line()) is None:
                return False
            if self._error is None:
                raise ProtocolViolation(
                    expected=f"the prompt {self._prompt.decode('latin-1')!r} after the answer",
                    got=line,
                )

    def _shown_rest(self) -> bytes:
        return bytes(self._buffer[self._at : self._at + SHOWN_BYTES])

    def _failed(self) -> Frame:
        return Frame(error=self._error, passed_over=tuple(self._passed))


class _LineParser(FrameParser):
    """Reads text; see :class:`LineFraming`."""

    def __init__(self, framing: LineFraming, common: CommonFraming) -> None:
        super().__init__(**common)
        self._framing = framing
        self._lines: list[str] = []
        self._skipped = 0
        self._first_at: int | None = None
        self._last_at = 0
        self._is_complete = framing.count == 0
        self._run = LineRun(framing, prompt=self._prompt, errors=self._errors)

    def _whole(self) -> Frame | None:
        if self._first_at is None:
            self._first_at = self._at
        if self._line_end == "any" and self._skipped == self._framing.skip:
            self._take_run()
        while not self._is_complete:
            self._drop_lf()
            if self._framing.end != "" or not self._lines:
                self._skip_blank()
            if self._at == len(self._buffer):
                return None
            if self._prompt:
                is_prompt = self._is_prompt()
                if is_prompt is None:
                    return None
                if is_prompt:
                    return self._at_prompt()
            begun_at = self._at
            if (line := self._line()) is None:
                return None
            if self._error is not None:
                self._is_complete = True
            else:
                self._take(line, begun_at)
        if not self._past_prompt():
            return None
        return self._failed() if self._error is not None else self._made()

    def _take_run(self) -> None:
        """Most lines of a long answer at once, those that need no second look."""
        if self._is_complete:
            return
        self._drop_lf()
        most = LINES_CAP - len(self._passed)
        lines, at = self._run.taken(
            self._buffer, self._at, self._scanned, have=len(self._lines), most=most
        )
        if lines:
            self._lines += lines
            self._at, self._scanned = at, 0

    def _at_prompt(self) -> Frame:
        if self._framing.until_prompt:
            return self._made()
        wanted = "its end mark" if self._framing.count is None else f"{self._framing.count} lines"
        raise ProtocolViolation(
            expected=f"{wanted} before the prompt", got=f"{len(self._lines)} lines, then the prompt"
        )

    def _take(self, line: str, begun_at: int) -> None:
        framing = self._framing
        if len(self._lines) + len(self._passed) >= LINES_CAP:
            raise ProtocolViolation(expected=f"an answer of at most {LINES_CAP} lines", got=line)
        if framing.end is not None and line.strip() == framing.end.strip():
            self._is_complete = True
        elif self._skipped < framing.skip:
            self._skipped += 1
            self._passed.append(line)
        elif framing.ignore is not None and framing.ignore.search(line):
            self._passed.append(line)
        else:
            self._lines.append(line)
            self._last_at = begun_at
            self._is_complete = self._is_last(line)

    def _is_last(self, line: str) -> bool:
        """Whether ``line`` is the last one by its number, or the checksum by its mark."""
        count, checksum = self._framing.count, self._framing.checksum
        if checksum is None or self._framing.checksum_per == "line":
            return len(self._lines) == count
        is_marked = checksum.mark and line.startswith(checksum.mark.decode("latin-1"))
        return bool(is_marked) or (count is not None and len(self._lines) == count + 1)

    def _made(self) -> Frame:
        lines, checksum = self._lines, self._framing.checksum
        if checksum is not None and self._framing.checksum_per == "line":
            lines = [_without_checksum(line, checksum) for line in lines]
        elif checksum is not None:
            lines = self._without_last(lines, checksum)
        return Frame(lines=tuple(lines), passed_over=tuple(self._passed))

    def _without_last(self, lines: list[str], checksum: Checksum) -> list[str]:
        if not lines:
            raise ProtocolViolation(expected="a line with the checksum", got=b"")
        *rest, last = lines
        mark = checksum.mark.decode("latin-1")
        if not last.startswith(mark):
            raise ProtocolViolation(
                expected=f"a line that begins with {mark!r} and has the checksum", got=last
            )
        if checksum.over == "payload":
            data = "".join(rest).encode("latin-1")
        elif checksum.over == "bytes":
            data = bytes_of_digits(" ".join(rest))
        else:
            data = bytes(self._buffer[self._first_at : self._last_at])
            data += checksum.mark if checksum.over == "all" else b""
        # Other words may stand before it, such as how many lines it is of.
        written = (last[len(mark) :].split() or [""])[-1]
        _check(checksum, data, written.encode("latin-1"))
        if self._framing.count is not None and len(rest) != self._framing.count:
            raise ProtocolViolation(
                expected=f"{self._framing.count} lines before the checksum",
                got=f"{len(rest)} lines",
            )
        return rest


class _BlockParser(FrameParser):
    """Reads a block; see :class:`BlockFraming`."""

    def __init__(self, framing: BlockFraming, common: CommonFraming) -> None:
        super().__init__(**common)
        self._framing = framing
        self._is_begun = False
        self._begun_at = 0
        self._payload: tuple[int, int] | None = None
        self._header = b""
        self._is_complete = False

    def _whole(self) -> Frame | None:
        while not self._is_complete and self._error is None:
            if len(self._passed) < self._framing.skip:
                if (line := self._line()) is None:
                    return None
                if line:
                    self._passed.append(line)
            elif not self._is_begun:
                if not self._begin():
                    return None
            elif self._payload is None:
                if not self._read_length():
                    return None
            elif not self._finish(*self._payload):
                return None
        if not self._past_prompt():
            return None
        if self._error is not None:
            return self._failed()
        assert self._payload is not None
        first, length = self._payload
        payload = bytes(self._buffer[first : first + length])
        return Frame(payload=payload, header=self._header, passed_over=tuple(self._passed))

    def _begin(self) -> bool:
        """Find the start: the sync bytes, or the ``#``. Text instead may be an error."""
        self._drop_lf()
        start = self._framing.sync or (b"#" if self._framing.length == "definite" else b"")
        if start and start[0] not in b"\r\n":
            self._skip_blank()
        came = bytes(self._buffer[self._at : self._at + len(start)])
        if came == start:
            self._begun_at = self._at
            self._at += len(self._framing.sync)
            self._is_begun = True
            return True
        if start.startswith(came):
            return False
        shown = self._shown_rest()
        if self._errors and len(self._buffer) - self._at < HEAD_CAP_BYTES:
            if self._line() is None:
                return False
            if self._error is not None:
                return True
        raise ProtocolViolation(expected=f"a block that begins with {_hex(start)}", got=shown)

    def _read_length(self) -> bool:
        framing, length = self._framing, self._framing.length
        if length == "definite":
            return self._read_definite()
        if len(self._buffer) - self._at < framing.header_bytes:
            return False
        self._header = bytes(self._buffer[self._at : self._at + framing.header_bytes])
        self._at += framing.header_bytes
        if isinstance(length, LengthField):
            field = self._header[length.at : length.at + length.width]
            count = int.from_bytes(field, length.order)
            self._settle(count * length.each + length.plus)
        else:
            self._settle(length)
        return True

    def _read_definite(self) -> bool:
        came = bytes(self._buffer[self._at : self._at + 11])
        if len(came) < 2:
            return False
        if came[1:2] not in (b"1", b"2", b"3", b"4", b"5", b"6", b"7", b"8", b"9"):
            raise ProtocolViolation(
                expected="a block of stated length: #, a digit from 1 to 9, the length", got=came
            )
        digits = int(came[1:2])
        number = came[2 : 2 + digits]
        if number and not number.isdigit():
            raise ProtocolViolation(expected=f"a length of {digits} digits", got=came)
        if len(number) < digits:
            return False
        self._header = came[: 2 + digits]
        self._at += 2 + digits
        self._settle(int(number))
        return True

    def _settle(self, length: int) -> None:
        expected = self._framing.expected_bytes
        if expected is not None and length != expected:
            raise ProtocolViolation(
                expected=f"a block of {expected} bytes", got=f"one that states {length}"
            )
        if not 0 <= length <= self._cap_bytes:
            raise ProtocolViolation(
                expected=f"a block of at most {self._cap_bytes} bytes",
                got=f"one that states {length}",
            )
        self._payload = (self._at, length)

    def _finish(self, first: int, length: int) -> bool:
        framing, checksum = self._framing, self._framing.checksum
        written = 0 if checksum is None else len(checksum.mark) + checksum.written_bytes
        end = first + length
        # Bytes that nobody knows the meaning of are passed over.
        tail_at = end + written + framing.tail_bytes
        if len(self._buffer) < tail_at + len(framing.tail):
            return False
        if checksum is not None:
            marked = end + len(checksum.mark)
            if self._buffer[end:marked] != checksum.mark:
                raise ProtocolViolation(
                    expected=f"{_hex(checksum.mark)} before the checksum",
                    got=bytes(self._buffer[end : end + written]),
                )
            counted_from = {
                "payload": first,
                "before": self._begun_at + len(framing.sync),
                "all": self._begun_at,
            }[checksum.over]
            data = bytes(self._buffer[counted_from:end])
            _check(checksum, data, bytes(self._buffer[marked : end + written]))
        tail = bytes(self._buffer[tail_at : tail_at + len(framing.tail)])
        if tail != framing.tail:
            raise ProtocolViolation(expected=f"{_hex(framing.tail)} after the block", got=tail)
        self._at = tail_at + len(framing.tail)
        self._is_complete = True
        return True


def parser_of(
    framing: Framing,
    *,
    echo: bytes = b"",
    prompt: bytes = b"",
    line_end: LineEnd = "any",
    errors: Sequence[ErrorPattern] = (),
    cap_bytes: int = CAP_BYTES,
) -> FrameParser | None:
    """The parser of one answer; None where nothing at all will come."""
    common = CommonFraming(
        echo=echo, prompt=prompt, line_end=line_end, errors=errors, cap_bytes=cap_bytes
    )
    if isinstance(framing, BlockFraming):
        return _BlockParser(framing, common)
    if isinstance(framing, LineFraming):
        return _LineParser(framing, common)
    return _LineParser(LineFraming(count=0), common) if echo or prompt else None


def _without_checksum(line: str, checksum: Checksum) -> str:
    data = line.rstrip().encode("latin-1")
    width = checksum.written_bytes
    body, mark = data[: -width - len(checksum.mark)], data[-width - len(checksum.mark) : -width]
    if len(data) < width + len(checksum.mark) or mark != checksum.mark:
        raise ProtocolViolation(expected="a line that ends with its checksum", got=line)
    counted = body + mark if checksum.over == "all" else body
    if checksum.over == "bytes":
        counted = bytes_of_digits(body.decode("latin-1"))
    _check(checksum, counted, data[-width:])
    return body.decode("latin-1")


def _check(checksum: Checksum, data: bytes, written: bytes) -> None:
    computed = checksum.of(data)
    if checksum.read(written) != computed:
        raise ProtocolViolation(
            expected=f"the {checksum.kind} {_hex(checksum.written(computed))}"
            if checksum.form == "bytes"
            else f"the {checksum.kind} {checksum.written(computed).decode('ascii')}",
            got=written,
        )


def _hex(data: bytes) -> str:
    return data.hex(" ").upper() or "nothing"
