"""Messages between host and driver's side survive pickling, whatever a driver raises."""

from __future__ import annotations

import pickle
from typing import Any

import numpy as np
import pytest

from acqd import errors
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
from acqd.sweep import (
    Capabilities,
    Detector,
    Identity,
    LevelUnit,
    Reported,
    SourceRequest,
    SweepRequest,
)

SOURCE = SourceRequest(on=True, level_dbm=-20.0)
ASK = SweepRequest(start_hz=1e6, stop_hz=2e6, points=3, detector=Detector.RMS, source=SOURCE)
MESSAGES = {
    "open": OpenCall(name="mast", address="tcp://mast:5025", options={"baud": 9600, "a": [1]}),
    "identify": IdentifyCall(),
    "capabilities": CapabilitiesCall(),
    "estimate": EstimateCall(request=ASK),
    "sweep": SweepCall(request=ASK),
    "set source": SetSourceCall(request=SOURCE),
    "close": CloseCall(),
    "identity": Reply(result=Identity(maker="ACME")),
    "limits": Reply(result=Capabilities(start_hz=0, stop_hz=1e9)),
    "failure": Reply(failure=Failure.of(ValueError("x"), doing="sweep")),
}


@pytest.mark.parametrize("message", MESSAGES.values(), ids=MESSAGES)
def test_every_message_pickles(message: Any) -> None:
    """What goes over to a process comes back equal."""
    assert pickle.loads(pickle.dumps(message)) == message


def test_a_trace_pickles_with_its_levels() -> None:
    """Arrays go over bit for bit."""
    trace = Trace(level=np.array([1.0, np.nan, 3.0]), unit=LevelUnit.DBM, reported=Reported())
    taken = Taken(trace=trace, started_s=1.0, monotonic_s=2.0, took_s=0.5)
    back = pickle.loads(pickle.dumps(Reply(result=taken))).result
    assert np.array_equal(back.trace.level, trace.level, equal_nan=True)
    assert back.trace.unit is LevelUnit.DBM


RAISED = {
    "refused": errors.RequestRefused(setting="rbw", asked="5 kHz", limit="3 kHz"),
    "timeout with a part": errors.TransportTimeout("late", partial=b"#14ab"),
    "closed": errors.TransportClosed("gone"),
    "busy": errors.PortBusy("busy"),
    "protocol": errors.ProtocolViolation(expected="a number", got=b"\xff"),
    "reported": errors.SweeperReported(((-222, "Data out of range"),)),
    "invalid": errors.SweepInvalid("short"),
    "identity": errors.IdentityChanged(expected="A", got="B"),
    "plain": errors.SweeperError("odd"),
}


@pytest.mark.parametrize("raised", RAISED.values(), ids=RAISED)
def test_our_errors_come_through_with_their_facts(raised: errors.SweeperError) -> None:
    """Class, text and attributes are the same on the other side."""
    failure = pickle.loads(pickle.dumps(Failure.of(raised, doing="sweep")))
    error = failure.error()
    assert type(error) is type(raised)
    assert str(error) == str(raised)
    assert vars(error) == vars(raised)


def test_a_drivers_own_kind_of_ours_becomes_the_nearest_of_ours() -> None:
    """The other side may not have the driver's classes."""

    class OddTimeout(errors.TransportTimeout):
        pass

    error = Failure.of(OddTimeout("late", partial=b"x"), doing="sweep").error()
    assert type(error) is errors.TransportTimeout and error.partial == b"x"


class Unshowable(Exception):
    """Raises also when it is looked at."""

    def __str__(self) -> str:
        raise RuntimeError("no text either")

    def __reduce__(self) -> Any:
        raise RuntimeError("no pickle either")


STRANGE = {
    "value error": (ValueError("bad"), "ValueError in sweep: bad"),
    "no message": (KeyError(), "KeyError in sweep: no message"),
    "system exit": (SystemExit(2), "SystemExit in sweep: 2"),
    "unshowable": (Unshowable(), "Unshowable in sweep: its message cannot be shown"),
    "keyboard interrupt": (KeyboardInterrupt(), "KeyboardInterrupt"),
}


@pytest.mark.parametrize(("raised", "says"), STRANGE.values(), ids=STRANGE)
def test_anything_else_becomes_a_fault_of_the_driver(raised: BaseException, says: str) -> None:
    """With type and message, and the traceback beside it, and it pickles."""
    failure = pickle.loads(pickle.dumps(Failure.of(raised, doing="sweep")))
    error = failure.error()
    assert type(error) is errors.DriverFault and says in str(error)


def test_a_fact_that_does_not_pickle_becomes_text() -> None:
    """An error that carries a socket or a lambda goes over all the same."""
    raised = errors.SweeperError("odd")
    raised.callback = lambda: 1
    failure = pickle.loads(pickle.dumps(Failure.of(raised, doing="sweep")))
    assert "lambda" in failure.error().callback


def test_a_traceback_is_cut_to_its_end() -> None:
    """A driver that recurses for ever does not flood the log."""

    def recurse(depth: int) -> None:
        (lambda: recurse(depth + 1))()

    with pytest.raises(RecursionError) as caught:
        recurse(0)
    assert len(Failure.of(caught.value, doing="sweep").trace) <= 8000
