"""Messages between the station and a driver's process: what goes over, and what makes nothing."""

from __future__ import annotations

import json
import pickle
import struct
from dataclasses import fields, replace
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acqd import errors
from acqd.drivers.contract import Trace
from acqd.drivers.protocol import (
    EstimateCall,
    Failure,
    OpenCall,
    Reply,
    SetSourceCall,
    SweepCall,
    Taken,
)
from acqd.drivers.wire import (
    ARRAYS_CAP_BYTES,
    FROM_DRIVER,
    FROM_STATION,
    TEXT_CAP_BYTES,
    Foreign,
    Frame,
    Frames,
    WireError,
    encode,
)
from acqd.errors import (
    DriverFault,
    ProtocolViolation,
    SweeperError,
    SweeperReported,
    TransportTimeout,
)
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

REQUEST = SweepRequest(
    start_hz=156e6,
    stop_hz=157e6,
    points=101,
    detector=Detector.RMS,
    source=SourceRequest(on=True, level_dbm=-20.0),
)
HEAD = struct.Struct(">4sII")


def over(frame: Frame, kinds: Any = FROM_DRIVER) -> Frame:
    """``frame`` as it arrives."""
    (found,) = Frames(kinds).feed(encode(frame))
    return found


def message(told: Any, arrays: bytes = b"") -> bytes:
    text = json.dumps(told).encode()
    return HEAD.pack(b"AQW1", len(text), len(arrays)) + text + arrays


def refused(data: bytes) -> str:
    """Why the station does not take it."""
    with pytest.raises(WireError) as caught:
        list(Frames(FROM_DRIVER).feed(data))
    return str(caught.value)


@pytest.mark.parametrize(
    "call",
    [
        OpenCall(
            name="mast",
            address="tcp://127.0.0.1:5025",
            options={
                "profile": "tern",
                "fast": True,
                "baud": 9600,
                "steps": [1, 2.5, "3"],
                "since": datetime(2026, 11, 25, 14, 32, tzinfo=UTC),
                "day": date(2026, 11, 25),
                "deep": {"a": {"b": [None]}},
            },
        ),
        SweepCall(request=REQUEST),
        EstimateCall(request=REQUEST),
        SetSourceCall(request=SourceRequest(on=False)),
    ],
    ids=lambda call: type(call).__name__,
)
def test_calls_arrive_as_they_were(call: Any) -> None:
    """With all that a config's options may hold."""
    assert over(Frame(topic="call", number=3, value=call), FROM_STATION).value == call


@pytest.mark.parametrize("dtype", ["f4", "f8", "c8", "c16", "i2", ">f8", "u1"])
def test_levels_arrive_bit_for_bit(dtype: str) -> None:
    """Whatever kind of number, not-a-number among them; of memory of its own."""
    level = (np.arange(101) - 50).astype(dtype)
    if level.dtype.kind in "fc":
        level[7] = np.nan
    trace = Trace(
        level=level[::-1],
        unit=LevelUnit.DBFS,
        reported=Reported(rbw_hz=3e3, assumed=("rbw_hz",)),
        frequency_hz=np.linspace(1e6, 2e6, 101),
        flags=SweepFlag.OVERLOAD,
    )
    taken = Taken(trace=trace, started_s=1.5, monotonic_s=2.5, took_s=0.1)
    found = over(Frame(topic="reply", number=1, value=Reply(result=taken))).value.result
    got = found.trace
    assert got.level.dtype == level.dtype.newbyteorder("=")
    assert np.array_equal(got.level, level[::-1], equal_nan=True)
    assert np.array_equal(got.frequency_hz, trace.frequency_hz)
    assert got.level.flags.owndata or got.level.base.nbytes == got.level.nbytes
    assert (got.unit, got.reported, got.flags) == (trace.unit, trace.reported, trace.flags)
    assert got.unit is LevelUnit.DBFS
    assert (found.started_s, found.monotonic_s, found.took_s) == (1.5, 2.5, 0.1)


def test_identity_and_capabilities_arrive_as_they_were() -> None:
    """Enumerations are the very members."""
    can = Capabilities(start_hz=1.0, stop_hz=2e9, detectors=(Detector.RMS,), rbw_steps_hz=(1e3,))
    who = Identity(maker="GANNET", model="half a \ud800 pair")
    assert over(Frame(topic="reply", value=Reply(result=can))).value.result == can
    assert over(Frame(topic="reply", value=Reply(result=who))).value.result == who


@pytest.mark.parametrize(
    "error",
    [
        TransportTimeout("no line in time", partial=b"\x00half"),
        ProtocolViolation(expected="101 levels", got=b"\xff\xfe"),
        SweeperReported(((-222, "Data out of range"),)),
        DriverFault("the driver raised ValueError"),
    ],
    ids=lambda error: type(error).__name__,
)
def test_errors_arrive_with_their_facts(error: SweeperError) -> None:
    """Kind, words and what belongs to it, bytes too."""
    failure = Failure.of(error, doing="sweep")
    found = over(Frame(topic="reply", value=Reply(failure=failure))).value.failure.error()
    assert type(found) is type(error)
    assert str(found) == str(error)
    assert vars(found) == vars(error)


class Odd:
    """Is nothing that a message holds, and says so badly."""

    def __repr__(self) -> str:
        raise RuntimeError("no")


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (np.float32(1.5), "1.5"),
        (np.array([object()], dtype=object), "array(["),
        (1 << 20_000, "a int"),
        (Odd(), "a Odd"),
        (object, "<class 'object'>"),
    ],
    ids=["another-float", "objects", "large", "odd", "class"],
)
def test_what_has_no_place_goes_over_as_its_description(value: Any, shown: str) -> None:
    """The host says of it what it says of one from a thread: it is of the wrong kind."""
    trace = Trace(level=value, unit=LevelUnit.DBM, reported=Reported())
    found = over(Frame(topic="reply", value=Reply(result=trace))).value.result.level
    assert isinstance(found, Foreign)
    assert shown in repr(found)


def test_a_driver_that_nests_without_end_is_cut() -> None:
    """A list that holds itself."""
    endless: list[Any] = []
    endless.append(endless)
    found = over(Frame(topic="reply", value=Reply(result=endless)))
    assert isinstance(found.value.result, list)


# --- what comes from a process that means no good, or is broken --------------------------------


class Boom:
    def __reduce__(self) -> Any:
        return (pytest.fail, ("something was called",))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (pickle.dumps(Boom()), "begins none"),
        (HEAD.pack(b"AQW1", TEXT_CAP_BYTES + 1, 0), "begins none"),
        (HEAD.pack(b"AQW1", 2, ARRAYS_CAP_BYTES + 1), "begins none"),
        (message({"topic": "reply"}), "cannot be read"),
        (message(["reply", 1, None]), "cannot be read"),
        (message(["shout", 1, None, None]), "no known topic"),
        (message(["reply", True, None, None]), "no known topic"),
        (message(["reply", 1, {"o": ["OpenCall", {}]}, None]), "OpenCall"),
        (message(["reply", 1, {"o": ["Popen", {"args": "true"}]}, None]), "Popen"),
        (message(["reply", 1, {"o": ["Reply", {"no_such": 1}]}, None]), "no_such"),
        (message(["reply", 1, {"e": ["Popen", "true"]}, None]), "Popen"),
        (message(["reply", 1, {"e": ["Detector", "loud"]}, None]), "loud"),
        (message(["reply", 1, {"z": 1}, None]), "unknown kind"),
        (message(["reply", 1, {"a": ["|O", [1]]}, None], bytes(8)), "is not sent"),
        (message(["reply", 1, {"a": ["<f8", [2]]}, None], bytes(8)), "fewer bytes"),
        (message(["reply", 1, {"a": ["<f8", [-1]]}, None], bytes(8)), "without a shape"),
        (message(["reply", 1, {"a": ["<f8", [1] * 9]}, None], bytes(8)), "is not sent"),
        (message(["reply", 1, None, None], bytes(8)), "more bytes"),
        (message(["reply", 1, {"d": [[[], 1]]}, None]), "unhashable"),
        (HEAD.pack(b"AQW1", 60_000, 0) + b"[" * 60_000, "cannot be read"),
        (HEAD.pack(b"AQW1", 5000, 0) + b"9" * 5000, "cannot be read"),
    ],
    ids=range(21),
)
def test_what_is_no_message_makes_nothing(data: bytes, words: str) -> None:
    """Least of all is anything called."""
    assert words in refused(data)


@given(st.binary(max_size=200), st.integers(0, 250), st.integers(0, 255))
def test_any_bytes_are_a_message_or_an_error(tail: bytes, at: int, byte: int) -> None:
    """Whole messages with a byte changed, and what is none at all."""
    good = bytearray(encode(Frame(topic="reply", value=Reply(result=Identity(maker="G")))))
    good[at % len(good)] = byte
    for data in (bytes(good), tail, bytes(good) + tail):
        try:
            for frame in Frames(FROM_DRIVER).feed(data):
                assert isinstance(frame, Frame)
        except WireError:
            pass


def test_messages_come_in_pieces_of_any_size() -> None:
    """One byte at a time, and several at once."""
    frames = [Frame(topic="reply", number=n, value=Reply(result=float(n))) for n in range(3)]
    data = b"".join(map(encode, frames))
    reading = Frames(FROM_DRIVER)
    found = [frame for at in range(len(data)) for frame in reading.feed(data[at : at + 1])]
    assert found == frames
    assert list(Frames(FROM_DRIVER).feed(data)) == frames


def test_a_message_beyond_the_limits_is_not_sent() -> None:
    """Where it would go it is refused, with both limits."""
    large = np.zeros(ARRAYS_CAP_BYTES // 8 + 1)
    for value in (large, "x" * TEXT_CAP_BYTES):
        with pytest.raises(WireError, match="the limits are"):
            encode(Frame(topic="reply", value=Reply(result=value)))


@pytest.mark.parametrize("kind", ["os", "Exception", "ConfigError", "dataclass", "__doc__", ""])
def test_no_failure_can_name_another_class(kind: str) -> None:
    """Only errors of sweepers are raised for what a process says."""
    failure = Failure(kind=kind, args=("x",), facts={})
    assert type(failure.error()) is DriverFault


@pytest.mark.parametrize(
    ("kind", "facts"),
    [
        ("ProtocolViolation", {"expected": "x", "got": 5}),
        ("RequestRefused", {}),
        ("SweeperReported", {"errors": 5}),
        ("DriverFault", {"__notes__": 5, "add_note": 5, "with_traceback": 5}),
    ],
)
def test_an_error_that_cannot_be_shown_is_a_fault(kind: str, facts: dict[str, Any]) -> None:
    """Whoever logs it must not fall over it."""
    error = Failure(kind=kind, args=("x",), facts=facts).error()
    assert isinstance(error, DriverFault)
    assert str(error)
    error.add_note("a note")


def test_all_classes_that_are_made_are_data() -> None:
    """Frozen dataclasses of ours, of which nothing but fields is set."""
    for kinds in (FROM_DRIVER, FROM_STATION):
        for kind in kinds.values():
            assert kind.__dataclass_params__.frozen  # type: ignore[attr-defined]  # of any dataclass
            assert kind.__module__.startswith("acqd.")
            assert fields(kind) is not None
    assert not set(FROM_DRIVER) & {"OpenCall", "SweepCall"}
    assert issubclass(errors.DriverDied, DriverFault)


def test_a_request_that_cannot_be_is_refused_on_arrival() -> None:
    """A class's own checks hold there too."""
    good = encode(Frame(topic="call", value=SweepCall(request=replace(REQUEST, source=None))))
    bad = good.replace(b'"points":101', b'"points":-10')
    assert len(bad) == len(good)
    with pytest.raises(WireError, match="points must be at least 1"):
        list(Frames(FROM_STATION).feed(bad))
