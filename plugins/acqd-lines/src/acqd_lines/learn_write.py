"""From what was learnt to the text of a profile, with comments that say how sure each thing is."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

from acqd_lines.checksums import Checksum
from acqd_lines.learn_block import BlockShape, Length
from acqd_lines.learn_known import Carrier
from acqd_lines.learn_shape import Swept, Understood
from acqd_lines.learn_text import TextShape
from acqd_lines.values import BINARY_TYPES

__all__ = ["Learnt", "LearntSetting", "Unwritable", "profile_text"]


class Unwritable(Exception):
    """What was learnt cannot be said in a profile; the text says what and what may help."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LearntSetting:
    """Lines that set something, and what they were answered with: the last, or ``each``."""

    name: str
    lines: tuple[str, ...]
    answer: Literal["none", "line", "lines"]
    each: bool = False
    expect: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Learnt:
    """All that goes into a profile."""

    title: str
    end: str
    echo: bool
    prompt: bytes
    pause_s: float
    identify: str
    expect: str
    errors: str | None
    settings: tuple[LearntSetting, ...]
    sweep: str
    understood: Understood
    again: bytes | None
    """A second sweep's answer, to tell what changes from what does not."""
    swept: Swept
    limits: tuple[float, float] | None
    points_limits: tuple[int, int] | None
    carriers: tuple[Carrier, ...]
    link: dict[str, object] = field(default_factory=dict)
    took_s: float = 0.0
    date: str = ""


def profile_text(learnt: Learnt) -> str:
    """The profile as TOML.

    Raises:
        Unwritable: the answer ends in a way that no key of a profile describes.
    """
    lines = [
        *_head(learnt),
        *_talk(learnt),
        *_who(learnt),
        *_settings(learnt),
        *_sweep(learnt),
        *_limits(learnt),
    ]
    return "\n".join(lines) + "\n"


def quoted(text: str) -> str:
    """``text`` as a basic string of TOML."""
    written = json.dumps(text, ensure_ascii=False)
    return "".join(sign if sign.isprintable() else f"\\U{ord(sign):08x}" for sign in written)


def literal(pattern: str) -> str:
    """A pattern as a literal string of TOML, where it can be one."""
    plain = pattern.isprintable() and "'" not in pattern
    return f"'{pattern}'" if plain else quoted(pattern)


def _head(learnt: Learnt) -> Iterator[str]:
    yield f"# Learnt by `acqd profile learn`{' on ' + learnt.date if learnt.date else ''}."
    yield "# Lines marked GUESS were not borne out by anything: check them with the manual."
    for carrier in learnt.carriers:
        yield (
            f"# Held against a carrier of {carrier.level_dbm:g} dBm "
            f"at {carrier.frequency_hz / 1e6:.6f} MHz."
        )
    yield ""
    yield f"title = {quoted(learnt.title)}"
    if learnt.link:
        yield ""
        yield "[link]"
        for key, value in learnt.link.items():
            said = quoted(value) if isinstance(value, str) else str(value).lower()
            yield f"{key.removesuffix('_s')} = {said}"


def _talk(learnt: Learnt) -> Iterator[str]:
    yield from ("", "[talk]")
    if learnt.pause_s > 0:
        yield f'pause = "{round(learnt.pause_s * 1e3)} ms"  # after opening'
    yield f"end = {quoted(learnt.end)}  # how lines to it end"
    if learnt.echo:
        yield "echo = true"
    if learnt.prompt:
        yield f"prompt = {quoted(learnt.prompt.decode('latin-1'))}"
    yield 'timeout = "3 s"'
    if learnt.errors is not None:
        yield from ("", "[[error]]  # GUESS: what answers to nonsense had in common")
        yield f"pattern = {literal(learnt.errors)}"


def _who(learnt: Learnt) -> Iterator[str]:
    yield from ("", "[identify]", f"send = {quoted(learnt.identify)}")
    yield f"expect = {literal(learnt.expect)}"


def _settings(learnt: Learnt) -> Iterator[str]:
    for one in learnt.settings:
        lines = [quoted(line) for line in one.lines]
        send = lines[0] if len(lines) == 1 else f"[{', '.join(lines)}]"
        yield from ("", f"[setting.{one.name}]", f"send = {send}")
        if one.answer != "none":
            each = ", each = true" if one.each else ""
            yield f'answer = {{ kind = "{one.answer}"{each} }}'
        if one.expect is not None:
            yield f"expect = {literal(one.expect)}"


# --- the sweep ------------------------------------------------------------------------------------


def _sweep(learnt: Learnt) -> Iterator[str]:
    shape = learnt.understood.shape
    yield from ("", "[sweep.fetch]", f"send = {quoted(learnt.sweep)}")
    yield from ("", "[sweep.fetch.answer]")
    if isinstance(shape, TextShape):
        yield from _text_answer(learnt, shape)
        yield from ("", "[sweep.values]")
        yield from _text_values(learnt, shape)
    else:
        yield from _block_answer(learnt, shape)
        yield from ("", "[sweep.values]", f'type = "{shape.type}"')
        if BINARY_TYPES[shape.type] > 1:
            yield f'order = "{shape.order}"'
    yield from _scale(learnt)
    deadline_s = max(25, round(5 * learnt.took_s))
    yield from (
        "",
        "[timing]",
        f'deadline = "{deadline_s} s"  # GUESS: the longest that it may take',
    )


def _text_answer(learnt: Learnt, shape: TextShape) -> Iterator[str]:
    one_line = shape.form == "list" and shape.lines == 1
    yield f'kind = "{"line" if one_line else "lines"}"'
    if shape.skip:
        yield f"skip = {shape.skip}"
    checksum = learnt.understood.checksum
    if not one_line:
        per_point = shape.form != "list" and shape.lines == shape.points
        count = '"points"' if per_point else str(shape.lines)
        constant = len(shape.tail) == 1 and _is_constant(shape.tail[0], learnt.again)
        if shape.tail and checksum is None and constant:
            yield f"end = {quoted(shape.tail[0])}"
        else:
            yield f"count = {count}"
    if checksum is not None:
        yield f"checksum = {_checksum(checksum)}"
    elif shape.tail and (one_line or not _is_constant(shape.tail[0], learnt.again)):
        raise Unwritable(
            f"the last line, {shape.tail[0]!r}, changes from sweep to sweep and ends with none of "
            f"the known checksums; no profile can pass over it"
        )


def _is_constant(line: str, again: bytes | None) -> bool:
    if again is None:
        return True
    return line in {one.strip() for one in again.decode("latin-1").splitlines()}


def _text_values(learnt: Learnt, shape: TextShape) -> Iterator[str]:
    if shape.separators:
        shown = ", ".join(quoted(one) for one in shape.separators)
        yield f"separator = [{shown}]"
    if shape.decimal_comma:
        yield "decimal_comma = true"
    if shape.unit:
        yield f"suffix = [{quoted(shape.unit)}]"
    if shape.form == "pairs":
        columns = ["frequency", "level"]
        if shape.level_column == 0:
            columns.reverse()
        yield f"columns = [{', '.join(quoted(one) for one in columns)}]"
        yield f"frequency_unit = {quoted(learnt.understood.frequency_unit or 'Hz')}"


def _block_answer(learnt: Learnt, shape: BlockShape) -> Iterator[str]:
    if shape.digits:
        yield 'kind = "line"  # of hexadecimal digits, two a byte'
        if shape.checksum is not None:
            yield f"checksum = {_checksum(shape.checksum)}"
        return
    yield 'kind = "block"'
    if shape.length == "definite":
        yield 'length = "definite"  # IEEE 488.2: # and digits that say how long'
    else:
        if shape.sync:
            yield f"sync = {quoted(shape.head[: shape.sync].hex(' ').upper())}"
        header = len(shape.head) - shape.sync
        if header:
            yield f"header_bytes = {header}"
        yield from _length(shape)
    if shape.checksum is not None:
        over: Literal["payload", "before", "all"] = "payload"
        if shape.counted_from < len(shape.head):
            over = "before" if shape.counted_from == shape.sync else "all"
        yield f"checksum = {_checksum(shape.checksum, over)}"
    elif shape.tail and learnt.again is not None and learnt.again.endswith(shape.tail):
        yield f"tail = {quoted(shape.tail.hex(' ').upper())}"
    elif shape.tail:
        yield f"tail_bytes = {len(shape.tail)}  # GUESS: a checksum that is none of the known ones"


def _length(shape: BlockShape) -> Iterator[str]:
    if isinstance(shape.length, Length):
        counts = "values" if shape.length.each > 1 else "bytes"
        if shape.points == int.from_bytes(
            shape.head[shape.sync : shape.sync + shape.length.width], shape.length.order
        ):
            counts = "values"
        yield (
            f'length_field = {{ at = {shape.length.at}, type = "u{8 * shape.length.width}", '
            f'order = "{shape.length.order}", counts = "{counts}" }}'
        )
    else:
        yield 'length = "points"'


def _checksum(checksum: Checksum, over: Literal["payload", "before", "all"] | None = None) -> str:
    parts = [f'kind = "{checksum.kind}"']
    if checksum.kind == "crc16":
        parts.append(f"polynomial = 0x{checksum.polynomial:04X}")
        parts.append(f"initial = 0x{checksum.initial:04X}")
        if checksum.reflected:
            parts.append("reflected = true")
    parts.append(f'form = "{checksum.form}"')
    if checksum.form == "bytes":
        parts.append(f'order = "{checksum.order}"')
    parts.append(f'over = "{over or checksum.over}"')
    if checksum.mark:
        parts.append(f"mark = {quoted(checksum.mark.decode('latin-1'))}")
    return "{ " + ", ".join(parts) + " }"


def _scale(learnt: Learnt) -> Iterator[str]:
    scaling = learnt.understood.scaling
    guess = "" if learnt.understood.sure else "  # GUESS: no carrier was connected"
    if scaling is None:
        yield f'unit = "digit"{guess or "  # no usual scale fits the carrier"}'
        return
    if scaling.scale != 1:
        one = "  # GUESS: two carriers of different level would settle it"
        yield f"scale = {scaling.scale}{one if len(learnt.carriers) < 2 else ''}"
    if scaling.offset != 0:
        yield f"offset = {scaling.offset}"
    yield f"unit = {quoted(scaling.unit)}{guess}"


# --- limits ---------------------------------------------------------------------------------------


def _limits(learnt: Learnt) -> Iterator[str]:
    assumed = []
    yield from ("", "[limits]  # from its manual, where it has one")
    start_hz, stop_hz = learnt.limits or (learnt.swept.start_hz, learnt.swept.stop_hz)
    guess = "" if learnt.limits else "  # GUESS: what was swept"
    yield f'start = "{start_hz / 1e6:.9g} MHz"{guess}'
    yield f'stop = "{stop_hz / 1e6:.9g} MHz"{guess}'
    if not learnt.limits:
        assumed += ["start", "stop"]
    least, most = learnt.points_limits or (learnt.swept.points, learnt.swept.points)
    guess = "" if learnt.points_limits else "  # GUESS: what was swept"
    yield f"points_min = {least}{guess}"
    yield f"points_max = {most}{guess}"
    if not learnt.points_limits:
        assumed += ["points_min", "points_max"]
    if assumed:
        yield f"assumed = [{', '.join(quoted(one) for one in assumed)}]"
    yield '# absolute_max = "…"  # no transmitter and no source may be used before this is stated'
