"""A conversation by a profile: one question in flight, a deadline on each whole answer.

Nothing is repaired here. After a timeout a late answer may still come and would be taken for the
answer to the next question; so from then on the conversation is broken and says so, and whoever
uses it starts anew with a new link. Bytes that nobody asked for break it too.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, Protocol

from acqd.drivers.contract import Transport
from acqd.errors import (
    ProtocolViolation,
    SweeperReported,
    TransportClosed,
    TransportError,
    TransportTimeout,
)
from acqd_lines.framing import Frame, FrameParser, Framing, NoFraming, parser_of
from acqd_lines.placeholders import Command, Rendered
from acqd_lines.profile import Profile
from acqd_lines.tables import AnswerTable, CommandTable, Pattern

__all__ = ["Conversation", "Heard", "Said", "Way"]

Values = Mapping[str, float | str | None]

NOTHING: Final[Values] = {}


class Way(StrEnum):
    """Which way bytes went."""

    SENT = "sent"
    RECEIVED = "received"


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """Bytes that went over the link, as they went."""

    way: Way
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What came of one command: its answer, and the numbers that were sent in it."""

    frame: Frame
    sent: Mapping[str, float]

    @property
    def text(self) -> str:
        """The lines of the answer, joined by line feeds."""
        return "\n".join(self.frame.lines)


class Waits(Protocol):
    """What a cancel token does."""

    def wait(self, seconds: float) -> bool: ...


class _Sleep:
    """Waits where nobody can cancel."""

    def wait(self, seconds: float) -> bool:
        time.sleep(seconds)
        return False


class Conversation:
    """Talks to a sweeper as ``profile`` says.

    Args:
        profile: how it is talked to.
        transport: the link, owned by somebody else.
        heard: told of all bytes sent and received.
        cancel: waits are done with it, so that they end when it is set.
    """

    def __init__(
        self,
        profile: Profile,
        transport: Transport,
        *,
        heard: Callable[[Heard], None] | None = None,
        cancel: Waits | None = None,
    ) -> None:
        self._profile = profile
        self._talk = profile.talk
        self._link = transport
        self._heard = heard
        self._cancel: Waits = cancel or _Sleep()
        self._errors = profile.error_patterns
        self._unasked = b""
        self.is_broken = False

    # --- opening ------------------------------------------------------------------------------

    def begin(self) -> bytes:
        """Come to rest after the link was opened: wait, say what ends an old conversation, and read
        away what the sweeper says unasked until it is quiet; that is returned. What goes on by
        itself until it is told to end need not be quiet before it is told.

        Raises:
            ProtocolViolation: it does not fall silent within ``quiet_limit``.
        """
        self.wait(self._talk.pause_s)
        came = self.read_away(is_endless=bool(self._talk.begin))
        for text in self._talk.begin:
            self.write(text.encode("latin-1"))
            came += self.read_away()
        return came

    def halt(self, texts: Iterable[str]) -> None:
        """Stop a sweeper that goes on sweeping once it was started: say ``texts`` as they stand,
        and read away what still comes.

        Raises:
            ProtocolViolation: it does not fall silent.
        """
        for text in texts:
            self.write(text.encode("latin-1"))
            self._unasked = b""
            self.read_away()

    def restart(self) -> None:
        """Talk again after a failure, for what must be said whatever the answers are worth: only
        for switching off."""
        self.is_broken = False
        self._unasked = b""
        self._told_received(self._link.discard_input())

    def wait(self, seconds: float) -> None:
        """Let time pass.

        Raises:
            TransportClosed: the host cancelled meanwhile.
        """
        if seconds > 0 and self._cancel.wait(seconds):
            self.is_broken = True
            raise TransportClosed("cancelled while waiting")

    # --- commands -----------------------------------------------------------------------------

    def run(
        self,
        table: CommandTable,
        values: Values = NOTHING,
        *,
        points: int = 0,
        timeout_s: float | None = None,
    ) -> Said:
        """Do all of a command of the profile: send its lines, read the answer to the last, or to
        each where the profile says so.

        ``timeout_s`` is for that answer, where the command itself does not say.

        Raises:
            SweeperReported: an error pattern fits what came.
            ProtocolViolation: the answer is none, or is not what the command expects.
            TransportTimeout: no whole answer in time; what came is in ``partial``.
        """
        limit_s = table.timeout_s or timeout_s
        return self.send(
            table.send, table.answer, values, points=points, timeout_s=limit_s, expect=table.expect
        )

    def send(
        self,
        commands: tuple[Command, ...],
        answer: AnswerTable,
        values: Values = NOTHING,
        *,
        points: int = 0,
        timeout_s: float | None = None,
        expect: Pattern | None = None,
    ) -> Said:
        """:meth:`run` of commands and an answer that stand in no table of their own."""
        width = self._profile.sweep.values.format().value_bytes
        framing = answer.framing(points=points, value_bytes=width)
        # All of it is made before anything is sent: what has no value is refused in time.
        rendered = [command.render(values) for command in commands]
        for one in rendered[:-1]:
            frame = self.exchange(one.data, framing if answer.each else NoFraming())
            if answer.each:
                said = Said(frame=frame, sent=_all_sent([one]))
                _raise_if_unexpected(said.text, one.data, expect)
        frame = self.exchange(rendered[-1].data, framing, timeout_s=timeout_s)
        said = Said(frame=frame, sent=_all_sent(rendered))
        _raise_if_unexpected(said.text, rendered[-1].data, expect)
        return said

    def exchange(self, data: bytes, framing: Framing, *, timeout_s: float | None = None) -> Frame:
        """Send ``data`` and its line end, and read the answer.

        Raises:
            SweeperError: as :meth:`run`.
        """
        self._raise_if_broken()
        self._raise_if_unasked(data)
        if self._talk.pace_s:
            self.wait(self._talk.pace_s)
        parser = parser_of(
            framing,
            echo=data if self._talk.echo else b"",
            prompt=self._talk.prompt.encode("latin-1"),
            line_end=self._talk.answer_end,
            errors=self._errors,
        )
        deadline_s = time.monotonic() + (timeout_s or self._talk.timeout_s)
        self.write(data + self._talk.end_bytes)
        if parser is None:
            return Frame()
        frame = self._read_frame(parser, deadline_s, data)
        self._unasked = parser.rest
        if frame.error is not None:
            raise SweeperReported((frame.error,))
        return frame

    # --- bytes --------------------------------------------------------------------------------

    def _read_frame(self, parser: FrameParser, deadline_s: float, asked: bytes) -> Frame:
        try:
            while (frame := parser.next_frame()) is None:
                left_s = deadline_s - time.monotonic()
                if left_s <= 0:
                    raise TransportTimeout("too slow")
                data = self._link.read(timeout_s=left_s)
                self._told_received(data)
                parser.receive_data(data)
        except TransportTimeout as late:
            self.is_broken = True
            partial = parser.rest[:PARTIAL_BYTES]
            what = f"only {len(parser.rest)} bytes came" if partial else "no answer"
            raise TransportTimeout(f"{_shown(asked)}: {what} in time", partial=partial) from late
        except BaseException:
            self.is_broken = True
            raise
        return frame

    def _raise_if_unasked(self, data: bytes) -> None:
        """What has come by now was asked for by nobody: an error, or out of step."""
        try:
            came = self._link.discard_input()
        except TransportError:
            self.is_broken = True
            raise
        self._told_received(came)
        unasked, self._unasked = (self._unasked + came).strip(b"\r\n"), b""
        if not unasked:
            return
        for line in unasked.decode("latin-1").splitlines():
            for pattern in self._errors:
                if (error := pattern.found_in(line)) is not None:
                    raise SweeperReported((error,))
        self.is_broken = True
        raise ProtocolViolation(expected=f"nothing before {_shown(data)}", got=unasked)

    def write(self, data: bytes) -> None:
        """Send ``data`` as it is, without a line end and without waiting for an answer."""
        try:
            self._link.write(data)
        except TransportError:
            self.is_broken = True
            raise
        if self._heard is not None:
            self._heard(Heard(way=Way.SENT, data=data))

    def read_away(self, *, is_endless: bool = False) -> bytes:
        """Read until nothing has come for ``quiet``; the first 64 KiB of it.

        Raises:
            ProtocolViolation: something still comes after ``quiet_limit``, and ``is_endless`` does
                not say that it may.
        """
        kept = bytearray()
        until_s = time.monotonic() + self._talk.quiet_limit_s
        while True:
            try:
                data = self._link.read(timeout_s=self._talk.quiet_s)
            except TransportTimeout:
                return bytes(kept)
            except TransportError:
                self.is_broken = True
                raise
            self._told_received(data)
            kept += data[: KEPT_BYTES - len(kept)]
            if time.monotonic() > until_s:
                if is_endless:
                    return bytes(kept)
                self.is_broken = True
                raise ProtocolViolation(
                    expected=f"silence within {self._talk.quiet_limit_s:g} s",
                    got=bytes(kept[:PARTIAL_BYTES]),
                )

    def _told_received(self, data: bytes) -> None:
        if data and self._heard is not None:
            self._heard(Heard(way=Way.RECEIVED, data=data))

    def _raise_if_broken(self) -> None:
        if self.is_broken:
            raise TransportError("the conversation broke before; the link must be opened anew")


KEPT_BYTES: Final = 65536
PARTIAL_BYTES: Final = 200


def _raise_if_unexpected(text: str, asked: bytes, expect: Pattern | None) -> None:
    if expect is not None and expect.search(text) is None:
        raise ProtocolViolation(
            expected=f"an answer to {_shown(asked)} that fits {expect.text!r}", got=text
        )


def _all_sent(rendered: list[Rendered]) -> dict[str, float]:
    sent: dict[str, float] = {}
    for one in rendered:
        sent.update(one.sent)
    return sent


def _shown(data: bytes) -> str:
    """A command for a message."""
    text = data[:40].decode("latin-1")
    return text if text.isprintable() and text else repr(data[:40])
