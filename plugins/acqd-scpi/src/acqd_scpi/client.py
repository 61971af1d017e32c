"""A conversation in SCPI over a link: one query in flight, a deadline on each.

The client never repairs anything. After a timeout a late answer may still come, and the next query
would get it; a stream has no device clear. So the client is broken from then on and says so, and
its user starts anew with a new link.

A link of messages (HiSLIP, USBTMC, VXI-11, GPIB) knows more than a stream: where an answer ends,
and how to have the sweeper forget the conversation. Such a link is a :class:`MessageLink`.
"""

from __future__ import annotations

import time
from typing import Final, Protocol, runtime_checkable

from acqd.drivers.contract import Transport
from acqd.errors import ProtocolViolation, TransportError, TransportTimeout
from acqd_scpi.parser import Block, Line, ResponseParser, error_entry, number

__all__ = ["ERROR_READS_MAX", "MessageLink", "ScpiClient"]

ERROR_READS_MAX: Final = 32
"""Some firmware never says that its error queue is empty."""

RESYNC_LINES_MAX: Final = 3


@runtime_checkable
class MessageLink(Protocol):
    """What a link of messages can do beside what every transport can."""

    @property
    def at_end(self) -> bool:
        """Whether the last byte that ``read`` gave was the last of an answer (END)."""
        ...

    def clear(self, *, timeout_s: float) -> None:
        """Device clear: the sweeper forgets what it was told and what it has to say.

        Settings, errors and a sweep under way stay (IEEE 488.2, from memory).
        """
        ...


class ScpiClient:
    """Sends commands and queries, one at a time.

    Args:
        link: the transport, owned by the host.
        terminator: what ends a message to the sweeper.
        timeout_s: how long an ordinary answer may take.
    """

    def __init__(
        self, link: Transport, *, terminator: bytes = b"\n", timeout_s: float = 2.0
    ) -> None:
        self._link = link
        self._terminator = terminator
        self._messages = link if isinstance(link, MessageLink) else None
        self._parser = ResponseParser(has_end=self._messages is not None)
        self.timeout_s = timeout_s
        self.is_broken = False
        self.errors_stuck = False

    @property
    def has_messages(self) -> bool:
        """Whether the link keeps messages apart, so that nothing half said can lie in it."""
        return self._messages is not None

    def write(self, command: str) -> None:
        """Send ``command``, which has no answer."""
        self._raise_if_broken()
        try:
            self._link.write(command.encode("ascii") + self._terminator)
        except TransportError:
            self.is_broken = True
            raise

    def query(self, command: str, *, timeout_s: float | None = None) -> str:
        """The text that answers ``command``.

        Raises:
            TransportTimeout: no complete answer in time; what came is in ``partial``.
            ProtocolViolation: a block came, or bytes that nobody asked for.
        """
        answer = self._ask(command, timeout_s)
        if isinstance(answer, Block):
            self.is_broken = True
            raise ProtocolViolation(expected=f"text for {command}", got=answer.payload)
        return answer.text

    def query_data(self, command: str, *, timeout_s: float | None = None) -> Line | Block:
        """The answer to ``command``, text or block."""
        return self._ask(command, timeout_s)

    def query_number(self, command: str, *, timeout_s: float | None = None) -> float:
        """The number that answers ``command``."""
        return number(self.query(command, timeout_s=timeout_s))

    def maybe_query(self, command: str, *, timeout_s: float) -> str | None:
        """The text that answers ``command``, or None where the sweeper does not know it.

        A sweeper that does not know a query puts an error into its queue and stays silent. So
        after a silence of ``timeout_s`` the error queue is asked: an answer that was only late
        comes before that one, and neither can be taken for the answer to a later query.
        """
        try:
            return self.query(command, timeout_s=timeout_s)
        except TransportTimeout as silence:
            if self._parser.pending:
                raise
            self.is_broken = False
            late: str | None = None
            self.write("SYST:ERR?")
            for _ in range(RESYNC_LINES_MAX):
                line = self._next(time.monotonic() + self.timeout_s, "SYST:ERR?")
                if isinstance(line, Block):
                    break
                try:
                    code, _text = error_entry(line.text)
                except ProtocolViolation:
                    late = line.text
                    continue
                if code != 0:
                    self.drain_errors()
                return late
            self.is_broken = True
            raise ProtocolViolation(
                expected=f"an error entry after the unanswered {command}", got=late or b""
            ) from silence

    def drain_errors(self) -> tuple[tuple[int, str], ...]:
        """Read the error queue empty, with at most 32 reads; what was in it, oldest first, each
        once. Sets ``errors_stuck`` where it never ran empty."""
        found: list[tuple[int, str]] = []
        for _ in range(ERROR_READS_MAX):
            code, text = error_entry(self.query("SYST:ERR?"))
            if code == 0:
                break
            found.append((code, text))
        else:
            self.errors_stuck = True
        return tuple(dict.fromkeys(found))

    def discard(self) -> bytes:
        """Throw away what has arrived unasked, such as a greeting."""
        return self._parser.reset() + self._link.discard_input()

    def restart(self) -> None:
        """Talk again after a failure, for what must be said whatever the answers are worth.

        Only for switching off, and for a sweeper that was still starting: an answer to an earlier
        query may come yet and be taken for the answer to the next.
        """
        self.is_broken = False
        self.discard()

    def _ask(self, command: str, timeout_s: float | None) -> Line | Block:
        self._raise_if_broken()
        if unasked := self._parser.pending:
            self.is_broken = True
            raise ProtocolViolation(expected=f"nothing before {command}", got=unasked)
        deadline_s = time.monotonic() + (self.timeout_s if timeout_s is None else timeout_s)
        self.write(command)
        return self._next(deadline_s, command)

    def _next(self, deadline_s: float, command: str) -> Line | Block:
        try:
            while (answer := self._parser.next_response()) is None:
                left_s = deadline_s - time.monotonic()
                if left_s <= 0:
                    raise TransportTimeout("too slow")
                data = self._link.read(timeout_s=left_s)
                self._parser.feed(data, end=self._messages is not None and self._messages.at_end)
        except TransportTimeout as late:
            self.is_broken = True
            partial = self._parser.pending
            what = f"only {len(partial)} bytes or more came" if partial else "no answer"
            raise TransportTimeout(f"{command}: {what} in time", partial=partial) from late
        except BaseException:
            self.is_broken = True
            raise
        return answer

    def _raise_if_broken(self) -> None:
        if self.is_broken:
            raise TransportError("the conversation broke before; the link must be opened anew")
