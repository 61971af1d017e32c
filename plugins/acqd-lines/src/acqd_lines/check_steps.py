"""What a check of a profile is made of: steps, each with its bytes and what came of it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from acqd.config.lines import Path
from acqd.errors import (
    ProtocolViolation,
    SweeperReported,
    TransportError,
    TransportTimeout,
)
from acqd_lines.talk import Heard

__all__ = ["Difference", "Mismatch", "Outcome", "Step", "came_text", "difference_of"]

SHOWN = 120


class Outcome(StrEnum):
    """What came of a step."""

    FITS = "fits"
    DIFFERS = "differs"
    LEFT_OUT = "left out"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step and its bytes. ``look_at`` names file, line and key of the profile."""

    name: str
    outcome: Outcome
    text: str
    heard: tuple[Heard, ...] = ()
    expected: str = ""
    came: str = ""
    look_at: str = ""
    hint: str = ""


class Mismatch(Exception):
    """Something that a step itself finds wrong; ``path`` is the key to look at."""

    def __init__(self, *, expected: str, came: str, path: Path, hint: str = "") -> None:
        self.expected = expected
        self.came = came
        self.path = path
        self.hint = hint
        super().__init__(expected, came, path)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """What did not match, and the key of the profile that says otherwise."""

    expected: str
    came: str
    path: Path
    hint: str = ""


def difference_of(
    error: Exception, path: Path, *, nothing_yet: bool, prompt: str = ""
) -> Difference:
    """What ``error``, raised by the command at ``path`` of the profile, says of the profile.

    ``nothing_yet`` is whether the sweeper has not said anything sensible so far; ``prompt`` is that
    of the profile.
    """
    match error:
        case Mismatch():
            return Difference(
                expected=error.expected, came=error.came, path=error.path, hint=error.hint
            )
        case SweeperReported():
            said = "; ".join(f"{code} {text}" if code else text for code, text in error.errors)
            return Difference(
                expected="no error",
                came=f"the sweeper says: {said}",
                path=path,
                hint="the command, or a number in it, is not what it takes",
            )
        case TransportTimeout():
            return _silence(error, path, nothing_yet, prompt)
        case ProtocolViolation():
            got = error.got
            hexed = _IN_DIGITS.search(error.expected) is not None
            came = came_text(got, hexed=hexed) if isinstance(got, bytes) else repr(got[:SHOWN])
            return Difference(expected=error.expected, came=came, path=_key(error.expected, path))
        case TransportError():
            return Difference(expected="a link that holds", came=str(error), path=())
    return Difference(expected="an answer that can be used", came=str(error), path=path)


_IN_DIGITS = re.compile(r"[0-9A-F]{2}( [0-9A-F]{2})+$")
"""Bytes in what was expected: then those that came are shown in the same way."""


def came_text(data: bytes, *, hexed: bool = False) -> str:
    """The first of ``data``: text in quotes; ``hexed``, or what is no text, hexadecimal digits."""
    if not hexed and all(32 <= byte < 127 or byte in b"\r\n\t" for byte in data):
        return repr(data[:SHOWN].decode("ascii"))
    return data[: SHOWN // 6].hex(" ").upper() + (" …" if len(data) > SHOWN // 6 else "")


def _silence(error: TransportTimeout, path: Path, nothing_yet: bool, prompt: str) -> Difference:
    """No whole answer in time: of a sweeper that never answered the line end is the first cause."""
    if error.partial:
        hint = "the answer ends otherwise than `answer` says, or takes longer than `timeout`"
        if prompt and not error.partial.endswith(prompt.encode("latin-1")):
            hint = f"the `prompt` of [talk], {prompt!r}, did not come; or {hint}"
        return Difference(
            expected="a whole answer in time",
            came=f"{came_text(error.partial)}, and then nothing more",
            path=(*path, "answer"),
            hint=hint,
        )
    if nothing_yet:
        return Difference(
            expected="an answer",
            came="nothing",
            path=("talk", "end"),
            hint="another line end, speed (`baud` in [link]), pause after opening, or question",
        )
    return Difference(
        expected="an answer in time",
        came="nothing",
        path=(*path, "answer"),
        hint='the command has no answer (kind = "none"), or takes longer than `timeout`',
    )


_WORDS = (
    ("the echo of", ("talk", "echo")),
    ("the prompt", ("talk", "prompt")),
    ("before the prompt", ("talk", "prompt")),
    ("silence within", ("talk", "quiet_limit")),
)
_OWN = (
    (" fits ", ("expect",)),
    ("sum8", ("answer", "checksum")),
    ("xor8", ("answer", "checksum")),
    ("crc16", ("answer", "checksum")),
    ("crc32", ("answer", "checksum")),
    ("checksum", ("answer", "checksum")),
    ("a block that begins with", ("answer", "sync")),
    ("a block", ("answer",)),
    ("after the block", ("answer", "tail")),
    ("a length of", ("answer", "length")),
    ("a line", ("answer",)),
)


def _key(expected: str, path: Path) -> Path:
    """The key that a parser's complaint is about."""
    for word, key in _WORDS:
        if word in expected:
            return key
    for word, own in _OWN:
        if word in expected:
            return (*path, *own)
    return path
