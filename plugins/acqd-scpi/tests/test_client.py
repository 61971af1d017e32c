"""One query in flight, a deadline on each, and no query that gets another one's answer."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from acqd_scpi.client import ERROR_READS_MAX, ScpiClient
from acqd_scpi.parser import Block

from acqd.errors import ProtocolViolation, TransportError, TransportTimeout
from acqd.testing.sweepers import FakeTransport


def client_of(answers: dict[str, bytes] | Callable[[bytes], bytes], **more: object) -> ScpiClient:
    """A client of a peer that answers from a table; others get silence."""
    answer = answers if callable(answers) else lambda data: answers.get(data.decode().strip(), b"")
    link = FakeTransport(answer)
    return ScpiClient(link, timeout_s=0.02, **more)


def test_text_numbers_and_blocks_are_asked_for() -> None:
    """The three kinds of answer."""
    client = client_of({"*IDN?": b"A,B,C,D\r\n", "SWE:POIN?": b"401\n", "TRAC?": b"#13abc\n"})
    assert client.query("*IDN?") == "A,B,C,D"
    assert client.query_number("SWE:POIN?") == 401.0
    assert client.query_data("TRAC?") == Block(b"abc")


@pytest.mark.parametrize("terminator", [b"\n", b"\r\n", b"\r"], ids=["LF", "CR LF", "CR"])
def test_messages_end_as_the_sweeper_wants(terminator: bytes) -> None:
    """What is sent is the command and the terminator, nothing else."""
    link = FakeTransport(lambda data: b"1\n")
    ScpiClient(link, terminator=terminator).query("*OPC?")
    assert bytes(link.written) == b"*OPC?" + terminator


def test_silence_breaks_the_conversation_for_good() -> None:
    """After a timeout no further query is sent: a late answer would be taken for its own."""
    link = FakeTransport()
    client = ScpiClient(link, timeout_s=0.01)
    with pytest.raises(TransportTimeout, match=r"\*IDN\?: no answer"):
        client.query("*IDN?")
    link.feed(b"late\n")
    with pytest.raises(TransportError, match="opened anew"):
        client.query("SWE:POIN?")
    assert bytes(link.written) == b"*IDN?\n"


def test_a_part_of_an_answer_is_kept_for_the_message() -> None:
    """A block cut short says so."""
    client = client_of({"TRAC?": b"#3400abc"})
    with pytest.raises(TransportTimeout, match="only 8 bytes") as caught:
        client.query_data("TRAC?")
    assert caught.value.partial == b"#3400abc"


def test_bytes_that_nobody_asked_for_break_the_conversation() -> None:
    """Two answers to one query: the second would be taken for the next one's."""
    client = client_of({"*OPC?": b"1\n1\n"})
    client.query("*OPC?")
    with pytest.raises(ProtocolViolation, match="nothing before SWE:POIN"):
        client.query("SWE:POIN?")
    assert client.is_broken


def test_a_block_where_text_was_expected_is_a_violation() -> None:
    """And the conversation is broken."""
    client = client_of({"*IDN?": b"#13abc\n"})
    with pytest.raises(ProtocolViolation, match="text for"):
        client.query("*IDN?")
    assert client.is_broken


def test_the_error_queue_is_read_until_it_is_empty() -> None:
    """Oldest first."""
    entries = [b'-222,"Data out of range"\n', b'-113,"Undefined header"\n', b'0,"No error"\n']
    client = client_of(lambda data: entries.pop(0))
    assert client.drain_errors() == ((-222, "Data out of range"), (-113, "Undefined header"))
    assert not client.errors_stuck


def test_an_error_queue_that_never_ends_is_left_after_32_reads() -> None:
    """Each distinct entry once, and the client says that it is stuck."""
    asked: list[bytes] = []

    def answer(data: bytes) -> bytes:
        asked.append(data)
        return b'-350,"Queue overflow"\n'

    client = client_of(answer)
    assert client.drain_errors() == ((-350, "Queue overflow"),)
    assert len(asked) == ERROR_READS_MAX == 32 and client.errors_stuck


def test_an_unknown_query_is_told_from_a_slow_one() -> None:
    """Silence, then an entry in the error queue: the sweeper does not know it."""
    entries = [b'-113,"Undefined header"\n', b'0,"No error"\n']
    client = client_of(lambda data: entries.pop(0) if data == b"SYST:ERR?\n" else b"")
    assert client.maybe_query("AVER?", timeout_s=0.01) is None
    assert not client.is_broken and entries == []


def test_an_answer_that_was_only_late_is_taken_for_what_it_is() -> None:
    """It comes before the error queue's and belongs to the query before."""
    link = FakeTransport(lambda data: b'401\n0,"No error"\n' if data == b"SYST:ERR?\n" else b"")
    client = ScpiClient(link, timeout_s=0.05)
    assert client.maybe_query("SWE:POIN?", timeout_s=0.01) == "401"
    assert not client.is_broken


def test_silence_also_on_the_error_queue_breaks_the_conversation() -> None:
    """Then the sweeper is gone."""
    client = client_of({})
    with pytest.raises(TransportTimeout):
        client.maybe_query("AVER?", timeout_s=0.01)
    assert client.is_broken


def test_a_peer_that_drips_bytes_does_not_stretch_the_deadline() -> None:
    """The deadline is for the whole answer, not for each byte."""
    import threading
    import time

    link = FakeTransport()
    stop = threading.Event()

    def drip() -> None:
        while not stop.wait(0.005):
            link.feed(b"x")

    thread = threading.Thread(target=drip)
    thread.start()
    begun_s = time.monotonic()
    with pytest.raises(TransportTimeout):
        ScpiClient(link, timeout_s=0.05).query("*IDN?")
    assert time.monotonic() - begun_s < 0.5
    stop.set()
    thread.join()
