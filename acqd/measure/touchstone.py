"""Touchstone 1.1 text of S-parameters, for one port and for two.

What was not measured is not invented. The format has no word for "unknown", so such an entry is
written as magnitude 0, which no measurement gives, and a comment at the top of the file names it.
Scalar data have no phase: angle 0 is written, and a comment says that it is unknown.

Source: Touchstone 1.1 (from memory): one option line, ``!`` comments, plain ASCII, frequencies that
rise, in a two-port file each line frequency S11 S21 S12 S22.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.measure.words import range_text

__all__ = [
    "DataFormat",
    "TouchstoneText",
    "one_port_text",
    "two_port_text",
]

Float = NDArray[np.float64]
Mask = NDArray[np.bool_]

TWO_PORT_ORDER = ("S11", "S21", "S12", "S22")
"""As Touchstone 1.1 has it for two ports, and for two ports only."""

RANGES_NAMED = 12
"""Floor-limited ranges named one by one in the comments."""

ASCII = str.maketrans(
    {
        "\u2212": "-",
        "\u2013": "-",
        "\u2014": "-",
        "±": "+/-",
        "≥": ">=",
        "≤": "<=",
        "µ": "u",
        "\u03bc": "u",
        "Ω": "ohm",
        "\u2126": "ohm",
        "°": " deg",
        "·": "*",
        "×": "x",
        "√": "sqrt",
        "…": "...",
        "²": "^2",
        "³": "^3",
    }
)
"""Signs of our texts, as the ASCII of the format can say them."""

TAKEN_FOR_DATA = ("port", "gamma", "terminal data", "modal data")
"""Comments that start so are read as port names or impedances by some programs."""


class DataFormat(StrEnum):
    """How a complex number is written: two columns each."""

    RI = "RI"
    """Real and imaginary part."""
    MA = "MA"
    """Magnitude and angle in degrees."""
    DB = "DB"
    """20 log10 of the magnitude, and angle in degrees. Has no number for magnitude 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TouchstoneText:
    """A Touchstone file as text, to be written under a name that ends in ``suffix``.

    ``points`` were written, ``left_out`` were not because a value is missing.
    """

    text: str
    suffix: str
    points: int
    left_out: int


def one_port_text(
    frequency_hz: ArrayLike,
    s11: ArrayLike,
    *,
    comments: Sequence[str] = (),
    impedance_ohm: float = 50.0,
    data_format: DataFormat | None = None,
    floor_limited: Mask | None = None,
) -> TouchstoneText:
    """A ``.s1p`` file.

    Args:
        frequency_hz: (points,) rising from point to point.
        s11: (points,) complex ratio; or real, then its magnitude in dB (a return loss of 20 dB is
            −20) of unknown phase.
        comments: texts for the top of the file (station, job, time, uncertainty), made ASCII.
        impedance_ohm: the impedance that the ratios refer to.
        data_format: None: RI for complex data, DB for scalar data.
        floor_limited: (points,) True where the value was limited by the floor, named in comments.

    Points with a value that is not finite are left out, and a comment says how many.

    Raises:
        ValueError: shapes that differ, frequencies that do not rise, no point left, an impedance
            not above 0, or DB asked for where a magnitude is 0.
    """
    return _file(
        frequency_hz,
        {"S11": s11},
        order=("S11",),
        comments=comments,
        impedance_ohm=impedance_ohm,
        data_format=data_format,
        floor_limited=floor_limited,
    )


def two_port_text(
    frequency_hz: ArrayLike,
    *,
    s21: ArrayLike,
    s11: ArrayLike | None = None,
    s12: ArrayLike | None = None,
    s22: ArrayLike | None = None,
    comments: Sequence[str] = (),
    impedance_ohm: float = 50.0,
    data_format: DataFormat | None = None,
    floor_limited: Mask | None = None,
) -> TouchstoneText:
    """A ``.s2p`` file; entries that are None were not measured.

    Each is complex, or real and then its magnitude in dB (a loss of 3 dB is −3). They are written
    as magnitude 0 with a comment, S12 too: that a thing passes the same both ways is usual but was
    not measured. Without S11 and S22 the file is no full description of a two-port, so nothing
    should be cascaded with it; the comment says so.

    ``data_format`` None: RI where all that was measured is complex, else MA (DB has no number for
    the magnitude 0). ``floor_limited``: where S21 is "at most". Else as :func:`one_port_text`.
    """
    entries = {"S11": s11, "S21": s21, "S12": s12, "S22": s22}
    return _file(
        frequency_hz,
        {name: values for name, values in entries.items() if values is not None},
        order=TWO_PORT_ORDER,
        comments=comments,
        impedance_ohm=impedance_ohm,
        data_format=data_format,
        floor_limited=floor_limited,
    )


def _file(
    frequency_hz: ArrayLike,
    entries: Mapping[str, ArrayLike],
    *,
    order: tuple[str, ...],
    comments: Sequence[str],
    impedance_ohm: float,
    data_format: DataFormat | None,
    floor_limited: Mask | None,
) -> TouchstoneText:
    axis = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    if axis.ndim != 1 or not np.isfinite(axis).all() or not (np.diff(axis) > 0).all():
        raise ValueError("frequency_hz must be finite and rise from point to point")
    if not (np.isfinite(impedance_ohm) and impedance_ohm > 0):
        raise ValueError(f"impedance_ohm must be above 0, got {impedance_ohm}")
    values = {name: np.atleast_1d(np.asarray(given)) for name, given in entries.items()}
    limited = np.zeros(axis.shape, dtype=np.bool_) if floor_limited is None else floor_limited
    for name, given in (*values.items(), ("floor_limited", limited)):
        if given.shape != axis.shape:
            raise ValueError(f"{name} must be as long as frequency_hz, got {given.shape}")
    kept = np.logical_and.reduce([np.isfinite(given) for given in values.values()])
    if not kept.any():
        raise ValueError("there is no point to write: every one lacks a value")
    scalar = tuple(name for name in order if name in values and not np.iscomplexobj(values[name]))
    absent = tuple(name for name in order if name not in values)
    written = data_format or _usual_format(bool(scalar), bool(absent))
    columns = [axis[kept]]
    for name in order:
        given = values[name][kept] if name in values else np.zeros(int(kept.sum()), dtype=complex)
        columns += _columns(given, written)
    left_out = int(kept.size - np.count_nonzero(kept))
    head = [text for comment in comments for text in _comment(comment)]
    head += _remarks(order, scalar, absent, left_out)
    head += _limits("S21" if len(order) > 1 else "S11", axis[kept], limited[kept])
    lines = [f"! {text}".rstrip() for text in head]
    lines.append(f"# HZ S {written} R {impedance_ohm:.10g}")
    lines.append("! " + _heading(order, written))
    lines += [" ".join(_number(value) for value in row) for row in zip(*columns, strict=True)]
    return TouchstoneText(
        text="\n".join(lines) + "\n",
        suffix=".s2p" if len(order) > 1 else ".s1p",
        points=int(kept.sum()),
        left_out=left_out,
    )


def _usual_format(scalar: bool, absent: bool) -> DataFormat:
    if not scalar:
        return DataFormat.RI
    return DataFormat.MA if absent else DataFormat.DB


def _columns(given: NDArray[np.generic], written: DataFormat) -> tuple[Float, Float]:
    """The two columns of an entry: complex ratios, or real ones in dB without a phase."""
    if not np.iscomplexobj(given):
        level_db = np.asarray(given, dtype=np.float64)
        first = level_db if written is DataFormat.DB else 10.0 ** (level_db / 20.0)
        return first, np.zeros_like(first)
    ratio = np.asarray(given, dtype=np.complex128)
    if written is DataFormat.RI:
        return ratio.real, ratio.imag
    magnitude = np.abs(ratio)
    if written is DataFormat.DB:
        if not (magnitude > 0).all():
            raise ValueError("DB has no number for a magnitude of 0: write RI or MA")
        magnitude = 20.0 * np.log10(magnitude)
    return magnitude, np.degrees(np.angle(ratio))


def _number(value: float) -> str:
    """Shortest text that reads back as the same float64; zero without a sign."""
    number = float(value) + 0.0
    return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)


def _heading(order: tuple[str, ...], written: DataFormat) -> str:
    first, second = {
        DataFormat.RI: ("re", "im"),
        DataFormat.MA: ("mag", "deg"),
        DataFormat.DB: ("dB", "deg"),
    }[written]
    return " ".join(["Hz", *(f"{part}({name})" for name in order for part in (first, second))])


def _remarks(
    order: tuple[str, ...], scalar: tuple[str, ...], absent: tuple[str, ...], left_out: int
) -> list[str]:
    remarks = []
    if scalar:
        remarks.append(
            f"Scalar data: the angle of {_listed(scalar)} is unknown and not zero; 0 is written "
            f"because the format asks for one."
        )
    if absent:
        were = "was" if len(absent) == 1 else "were"
        remarks.append(
            f"{_listed(absent)} {were} not measured: the magnitude 0 stands for unknown, not for "
            f"a match or for isolation."
        )
    if absent and len(order) > 1:
        remarks.append("Do not cascade this file: it is no full description of a two-port.")
    if left_out:
        points = "point was" if left_out == 1 else "points were"
        remarks.append(f"{left_out} {points} left out: there is no level.")
    return remarks


def _listed(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _limits(name: str, axis: Float, limited: Mask) -> list[str]:
    """Which ranges the floor limited, each as a comment of its own."""
    change = np.flatnonzero(np.diff(np.concatenate(([False], limited, [False]))))
    runs = change.reshape(-1, 2).tolist()
    if not runs:
        return []
    count = int(np.count_nonzero(limited))
    texts = [f"The floor limited {count} of {axis.size} points: {name} is at most as written at"]
    texts += [f"  {range_text(axis[first], axis[stop - 1])}" for first, stop in runs[:RANGES_NAMED]]
    if len(runs) > RANGES_NAMED:
        texts.append(f"  and in {len(runs) - RANGES_NAMED} more ranges")
    return texts


def _comment(text: str) -> list[str]:
    """Lines of ASCII that no reader takes for anything but a comment; empty lines are dropped."""
    lines = []
    for line in text.splitlines():
        plain = unicodedata.normalize("NFKD", line.translate(ASCII))
        plain = "".join(sign for sign in plain if not unicodedata.combining(sign))
        plain = plain.encode("ascii", "replace").decode("ascii")
        plain = "".join(sign if sign.isprintable() else " " for sign in plain).strip()
        first = plain.split(" ", 1)[0]
        if plain.lower().startswith(TAKEN_FOR_DATA) or "::" in first:
            plain = f"- {plain}"
        if plain:
            lines.append(plain)
    return lines
