"""Messages between the station and a driver's process, as bytes. Sans-IO; no pickle anywhere.

A driver's process runs code of strangers and may be broken in any way, so nothing that comes from
it may make an object that is not on a list, least of all call something, as unpickling can. One
message is a fixed head, a JSON text and the raw bytes of its arrays::

    "AQW1"  length of the text (4 bytes)  length of the arrays (4 bytes)   text   arrays

In the text plain values stand for themselves and everything else is an object with one key that
says what it is: a tuple, bytes, a date, a member of one of our enumerations, one of our dataclasses
with its fields by name, an array by type and shape. Whatever else a driver hands over goes over as
its description (:class:`Foreign`), for the host to refuse in the words it uses for a thread.

Limits: a text of 1 MiB, arrays of 64 MiB in all, depth 12. Beyond them, and for anything that is
not as described, :class:`WireError`: the conversation is over.
"""

from __future__ import annotations

import base64
import json
import math
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from datetime import date, datetime, time
from enum import Enum
from typing import Any, Final, Literal, get_args

import numpy as np

from acqd.drivers.contract import Trace
from acqd.drivers.protocol import (
    CapabilitiesCall,
    CloseCall,
    EstimateCall,
    Failure,
    IdentifyCall,
    OpenCall,
    Reply,
    SetSourceCall,
    SweepCall,
    Taken,
)
from acqd.errors import AcqdError
from acqd.sweep import (
    Capabilities,
    Detector,
    Identity,
    LevelUnit,
    Reported,
    SourceRequest,
    SweepFlag,
    SweepRequest,
)

__all__ = [
    "ARRAYS_CAP_BYTES",
    "FROM_DRIVER",
    "FROM_STATION",
    "TEXT_CAP_BYTES",
    "Foreign",
    "Frame",
    "Frames",
    "Topic",
    "WireError",
    "encode",
]

Topic = Literal["call", "refused call", "cancel", "close link", "reply"]
"""``refused call``: an OpenCall with the failure that its connect() shall raise."""

MAGIC: Final = b"AQW1"
HEAD: Final = struct.Struct(">4sII")
TEXT_CAP_BYTES: Final = 1 << 20
ARRAYS_CAP_BYTES: Final = 64 << 20
DEPTH_CAP: Final = 12
BITS_CAP: Final = 1100
"""Whole numbers beyond what float64 can hold are no numbers of ours."""
SHOWN_CAP: Final = 200
DIMENSIONS_CAP: Final = 4

FROM_STATION: Final[Mapping[str, type]] = {
    kind.__name__: kind
    for kind in (
        OpenCall,
        IdentifyCall,
        CapabilitiesCall,
        EstimateCall,
        SweepCall,
        SetSourceCall,
        CloseCall,
        SweepRequest,
        SourceRequest,
        Failure,
    )
}
"""Classes that a driver's process makes of what the station sends."""

FROM_DRIVER: Final[Mapping[str, type]] = {
    kind.__name__: kind for kind in (Reply, Failure, Taken, Trace, Reported, Identity, Capabilities)
}
"""Classes that the station makes of what a driver's process sends: data without behaviour."""

_SENT: Final = {**FROM_STATION, **FROM_DRIVER}
_ENUMS: Final[Mapping[str, type[Enum]]] = {
    kind.__name__: kind for kind in (Detector, LevelUnit, SweepFlag)
}
_TIMES: Final = {kind.__name__: kind for kind in (datetime, date, time)}
_DTYPES: Final = frozenset(
    np.dtype(f"<{code}").str
    for code in ("f2", "f4", "f8", "c8", "c16", "i1", "i2", "i4", "i8", "u1", "u2", "u4", "u8")
)


class WireError(AcqdError):
    """What came over is no message of ours."""


class Foreign:
    """Stands for a value that has no place in a message. Shows as the value itself did."""

    __slots__ = ("_shown", "kind")

    def __init__(self, kind: str, shown: str) -> None:
        self.kind = kind
        self._shown = shown

    def __repr__(self) -> str:
        return self._shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One message. ``number`` says which call a reply is to."""

    topic: Topic
    number: int = 0
    value: Any = None
    refusal: Failure | None = None


def encode(frame: Frame) -> bytes:
    """``frame`` as bytes.

    Raises:
        WireError: beyond the limits; says which.
    """
    arrays: list[bytes] = []
    told = [
        frame.topic,
        frame.number,
        _packed(frame.value, arrays, 0),
        _packed(frame.refusal, arrays, 0),
    ]
    text = json.dumps(told, separators=(",", ":")).encode("ascii")
    size = sum(map(len, arrays))
    if len(text) > TEXT_CAP_BYTES or size > ARRAYS_CAP_BYTES:
        raise WireError(
            f"a message of {len(text)} bytes and {size} bytes of arrays; the limits are "
            f"{TEXT_CAP_BYTES} and {ARRAYS_CAP_BYTES}"
        )
    return b"".join([HEAD.pack(MAGIC, len(text), size), text, *arrays])


class Frames:
    """Bytes in, messages out.

    Args:
        kinds: the classes that may be made of them, by name.
    """

    def __init__(self, kinds: Mapping[str, type]) -> None:
        self._kinds = kinds
        self._got = bytearray()

    def feed(self, data: bytes) -> Iterator[Frame]:
        """The messages that ``data`` completes.

        Raises:
            WireError: it is none of ours.
        """
        self._got += data
        while len(self._got) >= HEAD.size:
            magic, text_bytes, array_bytes = HEAD.unpack_from(self._got)
            if magic != MAGIC or text_bytes > TEXT_CAP_BYTES or array_bytes > ARRAYS_CAP_BYTES:
                raise WireError("what came begins none")
            end = HEAD.size + text_bytes + array_bytes
            if len(self._got) < end:
                return
            text = bytes(self._got[HEAD.size : HEAD.size + text_bytes])
            arrays = bytes(self._got[HEAD.size + text_bytes : end])
            del self._got[:end]
            yield _decoded(text, arrays, self._kinds)


def _packed(value: Any, arrays: list[bytes], depth: int) -> Any:
    """``value`` as JSON can hold it; what has no form is described."""
    if depth > DEPTH_CAP:
        return _foreign(value)
    try:
        return _form_of(value, arrays, depth)
    except Exception:
        # A driver's object may do anything when it is looked at.
        return _foreign(value)


def _form_of(value: Any, arrays: list[bytes], depth: int) -> Any:
    if isinstance(value, Enum):
        name = type(value).__name__
        known = _ENUMS.get(name) is type(value)
        return {"e": [name, value.value]} if known else _foreign(value)
    if value is None or isinstance(value, bool | float | str):
        return value
    if isinstance(value, int):
        return value if value.bit_length() <= BITS_CAP else _foreign(value)
    if isinstance(value, np.ndarray):
        return _packed_array(value, arrays)
    if isinstance(value, bytes | bytearray):
        return {"b": base64.b64encode(value).decode("ascii")}
    if isinstance(value, tuple):
        return {"t": [_packed(each, arrays, depth + 1) for each in value]}
    if isinstance(value, list):
        return [_packed(each, arrays, depth + 1) for each in value]
    if isinstance(value, Mapping):
        return {
            "d": [[_packed(k, arrays, depth + 1), _packed(v, arrays, depth + 1)] for k, v in
                  value.items()]
        }  # fmt: skip
    if type(value).__name__ in _TIMES and type(value) in _TIMES.values():
        return {"at": [type(value).__name__, value.isoformat()]}
    for kind in type(value).__mro__:
        if _SENT.get(kind.__name__) is kind:
            told = {
                each.name: _packed(getattr(value, each.name), arrays, depth + 1)
                for each in fields(kind)
            }
            return {"o": [kind.__name__, told]}
    return _foreign(value)


def _packed_array(value: np.ndarray[Any, Any], arrays: list[bytes]) -> Any:
    plain = np.ascontiguousarray(value)
    plain = plain.astype(plain.dtype.newbyteorder("<"), copy=False).reshape(value.shape)
    if plain.dtype.str not in _DTYPES or plain.ndim > DIMENSIONS_CAP:
        return _foreign(value)
    arrays.append(plain.tobytes())
    return {"a": [plain.dtype.str, list(plain.shape)]}


def _foreign(value: Any) -> Any:
    try:
        shown = f"{value!r:.{SHOWN_CAP}}"
    except BaseException:
        shown = f"a {type(value).__name__}"
    return {"x": [type(value).__name__[:SHOWN_CAP], shown]}


def _decoded(text: bytes, arrays: bytes, kinds: Mapping[str, type]) -> Frame:
    try:
        told = json.loads(text)
        topic, number, value, refusal = told
        if topic not in get_args(Topic) or type(number) is not int:
            raise WireError("a message of no known topic")
        reading = _Reading(arrays, kinds)
        frame = Frame(
            topic=topic,
            number=number,
            value=reading.value(value, 0),
            refusal=reading.value(refusal, 0),
        )
        reading.check_end()
    except WireError:
        raise
    except (
        ArithmeticError,
        AttributeError,
        LookupError,
        RecursionError,
        TypeError,
        ValueError,
    ) as error:
        raise WireError(f"a message that cannot be read: {error!r:.200}") from error
    return frame


class _Reading:
    """Makes values of one message. Every class it makes is on the list it is given."""

    def __init__(self, arrays: bytes, kinds: Mapping[str, type]) -> None:
        self._arrays = arrays
        self._at = 0
        self._kinds = kinds

    def check_end(self) -> None:
        if self._at != len(self._arrays):
            raise WireError("more bytes of arrays than arrays")

    def value(self, told: Any, depth: int) -> Any:
        if depth > DEPTH_CAP + 1:  # what is cut off there is described one below
            raise WireError(f"values deeper than {DEPTH_CAP}")
        if isinstance(told, list):
            return [self.value(each, depth + 1) for each in told]
        if not isinstance(told, dict):
            return told
        ((what, given),) = told.items()
        match what:
            case "t":
                return tuple(self.value(each, depth + 1) for each in given)
            case "d":
                return {self.value(k, depth + 1): self.value(v, depth + 1) for k, v in given}
            case "a":
                return self._array(*given)
            case "b":
                return base64.b64decode(given, validate=True)
            case "e":
                name, member = given
                return _ENUMS[name](member)
            case "at":
                name, iso = given
                return _TIMES[name].fromisoformat(iso)
            case "x":
                kind, shown = given
                return Foreign(str(kind)[:SHOWN_CAP], str(shown)[:SHOWN_CAP])
            case "o":
                name, parts = given
                return self._kinds[name](
                    **{key: self.value(part, depth + 1) for key, part in parts.items()}
                )
        raise WireError(f"a value of the unknown kind {what!r:.20}")

    def _array(self, code: Any, shape: Any) -> np.ndarray[Any, Any]:
        if code not in _DTYPES or len(shape) > DIMENSIONS_CAP:
            raise WireError("an array of a kind that is not sent")
        if not all(type(size) is int and size >= 0 for size in shape):
            raise WireError("an array without a shape")
        dtype = np.dtype(code)
        count = math.prod(shape)
        end = self._at + count * dtype.itemsize
        if end > len(self._arrays):
            raise WireError("fewer bytes than the array has")
        found = np.frombuffer(self._arrays, dtype=dtype, count=count, offset=self._at)
        self._at = end
        # Of our own memory: what the station keeps must not keep the whole message with it.
        return np.array(found, dtype=dtype.newbyteorder("=")).reshape(shape)
