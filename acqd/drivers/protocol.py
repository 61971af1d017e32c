"""What the host and the driver's side say to each other: plain messages that can be pickled.

Where the driver's side is a thread the messages are handed over as they are; to a process they go
as bytes (:mod:`acqd.drivers.wire`). Neither side ever hands over anything but these (guarantee G6).
One call is under way at a time, and each gets one reply.
"""

from __future__ import annotations

import pickle
import traceback
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from acqd import errors
from acqd.drivers.contract import Trace
from acqd.errors import DriverFault, SweeperError
from acqd.hidden import masked
from acqd.sweep import SourceRequest, SweepRequest

__all__ = [
    "Call",
    "CapabilitiesCall",
    "CloseCall",
    "EstimateCall",
    "Failure",
    "IdentifyCall",
    "OpenCall",
    "Reply",
    "SetSourceCall",
    "SweepCall",
    "Taken",
    "doing_of",
]

TRACEBACK_CAP = 8000
"""Most characters of a traceback that go over; a driver may recurse a thousand deep."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenCall:
    """Make the sweeper. Answer: None."""

    name: str
    address: str
    options: Mapping[str, Any] = field(default_factory=dict, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentifyCall:
    """Answer: Identity."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CapabilitiesCall:
    """Answer: Capabilities."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EstimateCall:
    """Answer: seconds, or None."""

    request: SweepRequest


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepCall:
    """Answer: Taken."""

    request: SweepRequest


@dataclass(frozen=True, slots=True, kw_only=True)
class SetSourceCall:
    """Answer: None."""

    request: SourceRequest


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseCall:
    """Leave the sweeper safe, free the link, end. Answer: None."""


Call = (
    OpenCall
    | IdentifyCall
    | CapabilitiesCall
    | EstimateCall
    | SweepCall
    | SetSourceCall
    | CloseCall
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A trace with its times, taken on the driver's side right around the call."""

    trace: Trace
    started_s: float
    monotonic_s: float
    took_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """What a driver raised, in parts that pickle whatever the exception was made of.

    ``kind`` is a class of :mod:`acqd.errors`: the nearest one to what was raised.
    """

    kind: str
    args: tuple[Any, ...]
    facts: Mapping[str, Any]
    trace: str = ""

    @classmethod
    def of(cls, error: BaseException, *, doing: str) -> Failure:
        """The failure for ``error``; what is not a SweeperError becomes a DriverFault."""
        text = "".join(traceback.format_exception(error))[-TRACEBACK_CAP:]
        if not isinstance(error, SweeperError):
            message = f"the driver raised {type(error).__name__} in {doing}: {_text(error)}"
            return cls(kind="DriverFault", args=(message,), facts={}, trace=text)
        kind = next(base.__name__ for base in type(error).__mro__ if _is_ours(base))
        facts = {name: _picklable(value) for name, value in vars(error).items()}
        args = tuple(_picklable(value) for value in error.args)
        return cls(kind=kind, args=args, facts=facts, trace=text)

    def error(self) -> SweeperError:
        """The exception again, of class ``kind`` with all its facts, and without any secret that
        the driver was given.

        A DriverFault instead where there is no such class, or it cannot be shown with these facts:
        they are a driver's, and whoever logs the error must not fall over it.
        """
        kind = getattr(errors, str(self.kind), None)
        if not (isinstance(kind, type) and issubclass(kind, SweeperError)):
            return DriverFault(f"the driver failed with {self.kind!r:.60}, which is no known error")
        error: SweeperError = kind.__new__(kind)
        try:
            error.args = tuple(_masked(one) for one in self.args)
            own = {n: _masked(value) for n, value in self.facts.items() if _is_fact(n, kind)}
            vars(error).update(own)
            str(error)
        except Exception:
            return DriverFault(f"the driver raised a {kind.__name__} that cannot be shown")
        return error


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """The answer to a call: a result, or a failure."""

    result: Any = None
    failure: Failure | None = None


def doing_of(call: Call) -> str:
    """What a call is called in sentences."""
    return type(call).__name__.removesuffix("Call").lower()


def _masked(value: Any) -> Any:
    return masked(value) if isinstance(value, str) else value


def _is_fact(name: Any, kind: type) -> bool:
    """Nothing that would stand in the way of what an exception has and does."""
    return isinstance(name, str) and not name.startswith("_") and not hasattr(kind, name)


def _is_ours(kind: type) -> bool:
    return issubclass(kind, SweeperError) and getattr(errors, kind.__name__, None) is kind


def _text(error: BaseException) -> str:
    try:
        return str(error) or "no message"
    except Exception:
        return "its message cannot be shown"


def _picklable(value: Any) -> Any:
    try:
        pickle.dumps(value)
    except Exception:
        return _text(value) if isinstance(value, BaseException) else repr(value)
    return value
