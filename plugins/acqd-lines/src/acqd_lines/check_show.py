"""Bytes and steps of a check as text for people, and as plain values for programs. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any, Final

from acqd_lines.check_steps import Outcome, Step
from acqd_lines.talk import Heard, Way

__all__ = ["as_values", "merged", "shown_bytes", "step_lines"]

HEAD_BYTES: Final = 60
TAIL_BYTES: Final = 20
"""What is shown of a long run of bytes; the rest is counted."""

_NAMES: Final = {0x0D: "<CR>", 0x0A: "<LF>", 0x09: "<TAB>", 0x00: "<NUL>", 0x1B: "<ESC>"}


def shown_bytes(data: bytes, *, whole: bool = False) -> str:
    """``data`` on one line: text as it is, other bytes as <CR>, <LF> or <hex>, long ones shortened.

    Bytes that are mostly no text are shown in hexadecimal digits throughout.
    """
    hexed = _is_binary(data)
    head, tail = (HEAD_BYTES // 3, TAIL_BYTES // 3) if hexed else (HEAD_BYTES, TAIL_BYTES)
    if whole or len(data) <= head + tail + 20:
        return _plain(data, hexed)
    left = len(data) - head - tail
    return f"{_plain(data[:head], hexed)} … {left} bytes more … {_plain(data[-tail:], hexed)}"


def _is_binary(data: bytes) -> bool:
    text = sum(1 for byte in data if 32 <= byte < 127 or byte in b"\r\n\t")
    return len(data) > 8 and 4 * text < 3 * len(data)


def _plain(data: bytes, hexed: bool) -> str:
    if hexed:
        return data.hex(" ").upper()
    return "".join(
        chr(byte) if 32 <= byte < 127 else _NAMES.get(byte, f"<{byte:02X}>") for byte in data
    )


def merged(heard: Sequence[Heard]) -> Iterator[Heard]:
    """The same bytes, those of one way that came in pieces as one."""
    for way, group in groupby(heard, key=lambda one: one.way):
        data = b"".join(one.data for one in group)
        if data:
            yield Heard(way=way, data=data)


_MARKS: Final = {Outcome.FITS: "ok", Outcome.DIFFERS: "NO", Outcome.LEFT_OUT: "--"}


def step_lines(step: Step, *, whole: bool = False) -> Iterator[str]:
    """A step as lines: what it was and found, then its bytes, then what did not match."""
    yield f"{_MARKS[step.outcome]}  {step.name}: {step.text}"
    for one in merged(step.heard):
        arrow = "->" if one.way is Way.SENT else "<-"
        yield f"      {arrow} {shown_bytes(one.data, whole=whole)}"
    if step.outcome is Outcome.DIFFERS:
        yield f"      expected: {step.expected}"
        yield f"      came:     {step.came}"
        if step.look_at:
            yield f"      look at:  {step.look_at}"
        if step.hint:
            yield f"      perhaps:  {step.hint}"


def as_values(step: Step) -> dict[str, Any]:
    """A step for JSON. Bytes are hexadecimal digits, with the same as text beside them."""
    return {
        "step": step.name,
        "outcome": str(step.outcome),
        "text": step.text,
        "expected": step.expected or None,
        "came": step.came or None,
        "look_at": step.look_at or None,
        "hint": step.hint or None,
        "bytes": [
            {"way": str(one.way), "hex": one.data.hex(), "text": shown_bytes(one.data, whole=True)}
            for one in merged(step.heard)
        ],
    }
