"""Reading SigMF recordings: ``NAME.sigmf-meta`` (JSON) beside ``NAME.sigmf-data`` (samples).

What is read of the metadata (SigMF 1.x, core namespace): ``core:datatype``, ``core:sample_rate``,
``core:offset``, ``core:sha512``, ``core:hw``, ``core:num_channels`` of ``global``;
``core:sample_start``, ``core:frequency``, ``core:datetime`` and, where somebody wrote one,
``core:sample_rate`` of each capture. Annotations, extensions and collections are not looked at.

Not read, and refused: several channels in one file, headers or trailers within the data, a data
file of another name (``core:dataset``), archives (``.sigmf``).
"""

from __future__ import annotations

import hashlib
import json
import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from acqd.drivers.contract import CancelToken
from acqd.errors import RequestRefused, TransportClosed, TransportError
from acqd_iq.datatypes import SampleType, parse_type

__all__ = [
    "DATA_SUFFIX",
    "META_SUFFIX",
    "Capture",
    "SigmfRecording",
    "check_sha512",
    "frames_of",
    "read_sigmf",
]

META_SUFFIX: Final = ".sigmf-meta"
DATA_SUFFIX: Final = ".sigmf-data"

META_MOST_BYTES: Final = 16_000_000
"""No metadata are longer; a data file given by mistake is refused before it is read."""
CAPTURES_MOST: Final = 100_000
HASHED_BYTES: Final = 1 << 22
TIME_END_S: Final = 9.2e9
"""2261: the host takes no later time."""
UTC_FORM: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,18})?Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """One stretch that was recorded without a change of tuning, in samples of the data file."""

    first: int
    count: int
    centre_hz: float | None
    rate_hz: float | None
    started_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SigmfRecording:
    """The metadata of one recording."""

    meta: Path
    data: Path
    type: SampleType
    captures: tuple[Capture, ...]
    sha512: str | None
    hardware: str

    @property
    def name(self) -> str:
        return self.meta.name.removesuffix(META_SUFFIX)


def _wrong(path: Path, what: str, accepted: str) -> RequestRefused:
    return RequestRefused(setting="address", asked=f"{path}: {what}", limit=accepted)


def read_sigmf(meta: Path) -> SigmfRecording:
    """The recording whose metadata are at ``meta``; only the length of the data is looked at.

    Raises:
        TransportError: one of the two files is not there or cannot be read.
        RequestRefused: they are not a recording that can be played; says what is wrong.
    """
    data = meta.with_name(meta.name.removesuffix(META_SUFFIX) + DATA_SUFFIX)
    document = _document(meta)
    head = _table(meta, document, "global")
    kind = _type(meta, head)
    _refuse_unread(meta, head)
    frames = frames_of(data, kind)
    sha512 = head.get("core:sha512")
    return SigmfRecording(
        meta=meta,
        data=data,
        type=kind,
        captures=_captures(meta, document, head, frames),
        sha512=sha512.lower() if isinstance(sha512, str) else None,
        hardware=head["core:hw"] if isinstance(head.get("core:hw"), str) else "",
    )


def frames_of(data: Path, kind: SampleType) -> int:
    """How many samples a file holds.

    Raises:
        TransportError: it is not there, or no plain file.
        RequestRefused: it holds none, or no whole number of them.
    """
    try:
        found = data.stat()
    except (OSError, ValueError) as exc:
        why = exc.strerror if isinstance(exc, OSError) else exc
        raise TransportError(f"{data}: cannot be read: {why}") from exc
    if not stat.S_ISREG(found.st_mode):
        raise TransportError(f"{data}: cannot be read: it is no plain file")
    frames, rest = divmod(found.st_size, kind.frame_bytes)
    if rest or frames == 0:
        expected = f"whole samples of {kind.frame_bytes} bytes ({kind.name}), at least one"
        raise _wrong(data, f"{found.st_size} bytes", expected)
    return frames


def _document(meta: Path) -> Mapping[str, Any]:
    try:
        found = meta.stat()
        if not stat.S_ISREG(found.st_mode):
            # A pipe that nobody writes to would hold the reader without end.
            raise TransportError(f"{meta}: cannot be read: it is no plain file")
        size = found.st_size
        if size > META_MOST_BYTES:
            raise _wrong(meta, f"{size} bytes", f"metadata of at most {META_MOST_BYTES} bytes")
        text = meta.read_text("utf-8")
    except TransportError:
        raise
    except OSError as exc:
        raise TransportError(f"{meta}: cannot be read: {exc.strerror or exc}") from exc
    except UnicodeDecodeError as exc:
        raise _wrong(meta, "not UTF-8 text", "the metadata of a SigMF recording (JSON)") from exc
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as exc:
        where = f", line {exc.lineno}" if isinstance(exc, json.JSONDecodeError) else ""
        raise _wrong(meta, f"not JSON{where}", "the metadata of a SigMF recording") from exc
    if not isinstance(document, dict):
        raise _wrong(meta, "no object", 'an object with "global" and "captures"')
    return document


def _table(meta: Path, document: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    found = document.get(key)
    if not isinstance(found, dict):
        raise _wrong(meta, f'no "{key}"', 'an object with "global" and "captures"')
    return found


def _type(meta: Path, head: Mapping[str, Any]) -> SampleType:
    given = head.get("core:datatype")
    try:
        return parse_type(given)
    except ValueError as exc:
        limit = str(exc).partition("accepted: ")[2]
        raise _wrong(meta, f"core:datatype {given!r:.40}", limit) from exc


def _refuse_unread(meta: Path, head: Mapping[str, Any]) -> None:
    channels = head.get("core:num_channels", 1)
    if channels != 1:
        raise _wrong(meta, f"core:num_channels {channels!r:.20}", "one channel in a file")
    for key in ("core:dataset", "core:trailing_bytes"):
        if head.get(key):
            raise _wrong(meta, f"{key} {head[key]!r:.40}", f"data in {DATA_SUFFIX}, samples alone")
    if head.get("core:metadata_only"):
        raise _wrong(meta, "core:metadata_only", "metadata with a data file")


def _number(meta: Path, table: Mapping[str, Any], key: str, where: str) -> float | None:
    value = table.get(key)
    if value is None:
        return None
    low = 1.0 if key == "core:sample_rate" else 0.0
    fits = isinstance(value, int | float) and not isinstance(value, bool)
    if not fits or not low <= value <= 1e14:
        raise _wrong(meta, f"{where}{key} {value!r:.40}", f"a number from {low:g} to 1e14")
    return float(value)


def _captures(
    meta: Path, document: Mapping[str, Any], head: Mapping[str, Any], frames: int
) -> tuple[Capture, ...]:
    rows = document.get("captures")
    if not isinstance(rows, list) or not 1 <= len(rows) <= CAPTURES_MOST:
        raise _wrong(meta, '"captures"', f"a list of 1 to {CAPTURES_MOST} captures")
    offset = head.get("core:offset", 0)
    rate_hz = _number(meta, head, "core:sample_rate", "")
    starts = [_start(meta, row, number, offset, frames) for number, row in enumerate(rows)]
    found = []
    for number, (row, first) in enumerate(zip(rows, starts, strict=True)):
        where = f"capture {number}: "
        stop = starts[number + 1] if number + 1 < len(starts) else frames
        if stop <= first:
            raise _wrong(meta, f"{where}core:sample_start {first}", "captures in rising order")
        own_hz = _number(meta, row, "core:sample_rate", where)
        found.append(
            Capture(
                first=first,
                count=stop - first,
                centre_hz=_number(meta, row, "core:frequency", where),
                rate_hz=rate_hz if own_hz is None else own_hz,
                started_s=_moment(meta, row, where),
            )
        )
    return tuple(found)


def _start(meta: Path, row: object, number: int, offset: object, frames: int) -> int:
    where = f"capture {number}"
    if not isinstance(row, dict):
        raise _wrong(meta, f"{where} is no object", "an object with core:sample_start")
    if row.get("core:header_bytes"):
        raise _wrong(meta, f"{where}: core:header_bytes", "samples alone in the data file")
    start = row.get("core:sample_start")
    if type(offset) is not int:
        raise _wrong(meta, f"core:offset {offset!r:.40}", "a whole number")
    if type(start) is not int:
        raise _wrong(meta, f"{where}: core:sample_start {start!r:.40}", "a whole number")
    first = start - offset
    if not 0 <= first < frames:
        accepted = f"a start within the {frames} samples of the data file"
        raise _wrong(meta, f"{where}: core:sample_start {start}", accepted)
    return first


def _moment(meta: Path, row: Mapping[str, Any], where: str) -> float | None:
    given = row.get("core:datetime")
    if given is None:
        return None
    accepted = 'a time in UTC, such as "2026-06-14T22:52:10.25Z"'
    if not isinstance(given, str) or UTC_FORM.fullmatch(given) is None:
        raise _wrong(meta, f"{where}core:datetime {given!r:.40}", accepted)
    whole, _, fraction = given.removesuffix("Z").partition(".")
    try:
        moment_s = datetime.fromisoformat(f"{whole}+00:00").timestamp()
    except ValueError as exc:
        raise _wrong(meta, f"{where}core:datetime {given!r:.40}", accepted) from exc
    if not 0 <= moment_s < TIME_END_S:
        raise _wrong(meta, f"{where}core:datetime {given!r:.40}", "a time from 1970 to 2261")
    return moment_s + (float(f"0.{fraction}") if fraction else 0.0)


def check_sha512(recording: SigmfRecording, cancel: CancelToken) -> None:
    """Compare the data with ``core:sha512``. Reads all of it once, a few MiB at a time.

    Raises:
        RequestRefused: there is no sum, or it is another.
        TransportClosed: cancelled meanwhile.
        TransportError: the data cannot be read.
    """
    if recording.sha512 is None:
        raise _wrong(recording.meta, "no core:sha512", "a sum to check, or check_sha512 = false")
    state = hashlib.sha512()
    try:
        with recording.data.open("rb") as data:
            while block := data.read(HASHED_BYTES):
                if cancel.is_set():
                    raise TransportClosed(f"{recording.data}: cancelled while its sum was checked")
                state.update(block)
    except TransportClosed:
        raise
    except OSError as exc:
        raise TransportError(f"{recording.data}: cannot be read: {exc.strerror or exc}") from exc
    if state.hexdigest() != recording.sha512:
        what = f"SHA-512 {state.hexdigest()[:16]}…"
        raise _wrong(recording.data, what, f"{recording.sha512[:16]}…, as core:sha512 says")
