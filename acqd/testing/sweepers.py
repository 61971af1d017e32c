"""Fakes for tests of and with drivers: a link in memory, and a driver that plays a script.

Both keep the contract (the conformance kit runs on the driver too), so what works on them works on
the real thing as far as the contract says.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence

import numpy as np

from acqd.drivers.contract import Driver, OpenContext, Sweeper, Trace
from acqd.errors import TransportClosed, TransportTimeout
from acqd.sweep import (
    Capabilities,
    Detector,
    Identity,
    LevelUnit,
    Reported,
    SourceRequest,
    SweepRequest,
)

__all__ = ["FakeTransport", "ScriptedDriver", "Step", "hang", "trace_of"]

Step = Callable[[SweepRequest, OpenContext], Trace] | BaseException | None
"""One sweep of a script: a function that makes the trace, an exception to raise, or None for an
ordinary sweep of noise."""


class FakeTransport:
    """A link in memory: ``answer`` is called with what is written and gives what comes back.

    ``answer`` may return b"" for silence. Bytes can also be put in by :meth:`feed`.
    """

    def __init__(self, answer: Callable[[bytes], bytes] = lambda data: b"") -> None:
        self._answer = answer
        self._waiting = bytearray()
        self._changed = threading.Condition()
        self._closed = False
        self.written = bytearray()

    def feed(self, data: bytes) -> None:
        """Let ``data`` arrive."""
        with self._changed:
            self._waiting += data
            self._changed.notify_all()

    def write(self, data: bytes, *, timeout_s: float = 2.0) -> None:
        self._raise_if_closed()
        self.written += data
        self.feed(self._answer(data))

    def read(self, max_bytes: int = 65536, *, timeout_s: float) -> bytes:
        with self._changed:
            self._changed.wait_for(lambda: self._waiting or self._closed, timeout=timeout_s)
            self._raise_if_closed()
            if not self._waiting:
                raise TransportTimeout(f"nothing came within {timeout_s:.3g} s")
            data = bytes(self._waiting[:max_bytes])
            del self._waiting[:max_bytes]
            return data

    def discard_input(self) -> bytes:
        with self._changed:
            self._raise_if_closed()
            data = bytes(self._waiting)
            self._waiting.clear()
            return data

    def close(self) -> None:
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    @property
    def is_closed(self) -> bool:
        return self._closed

    def _raise_if_closed(self) -> None:
        if self._closed:
            raise TransportClosed("the host closed the link")


class ScriptedDriver(Driver):
    """A driver without hardware. Each sweep takes one step of the script; then sweeps of noise.

    Set ``is_unplugged`` to pull its cable. What was done to it is in ``opens``, ``closes``,
    ``swept`` and ``source_on``.
    """

    def __init__(
        self,
        script: Sequence[Step] = (),
        *,
        identity: Identity | None = None,
        capabilities: Capabilities | None = None,
        estimate_s: float | None = 0.0,
        seed: int = 1,
    ) -> None:
        self.identity = identity or Identity(
            maker="ACME", model="SCRIPT", serial_number="SN0001", firmware="1.0"
        )
        self.capabilities = capabilities or Capabilities(
            start_hz=0.0,
            stop_hz=3e9,
            points_min=2,
            points_max=1001,
            rbw_steps_hz=(1e3, 3e3, 10e3, 30e3, 100e3),
            detectors=(Detector.SAMPLE, Detector.POSITIVE),
            resolution=0.01,
            source=True,
            source_min_dbm=-40.0,
            source_max_dbm=0.0,
        )
        self.estimate_s = estimate_s
        self.opens = 0
        self.closes = 0
        self.swept: list[SweepRequest] = []
        self.source_on = True
        self.is_unplugged = False
        self._script: Iterator[Step] = iter(script)
        self._random = np.random.default_rng(seed)

    def open(self, context: OpenContext) -> Sweeper:
        self.raise_if_unplugged()
        self.opens += 1
        return _ScriptedSweeper(self, context)

    def raise_if_unplugged(self) -> None:
        if self.is_unplugged:
            raise TransportClosed("unplugged")

    def next_trace(self, request: SweepRequest, context: OpenContext) -> Trace:
        """The next step of the script."""
        self.swept.append(request)
        step = next(self._script, None)
        if isinstance(step, BaseException):
            raise step
        if step is not None:
            return step(request, context)
        noise = self._random.normal(-100.0, 2.0, request.points)
        return trace_of(np.round(noise, 2), request)


def trace_of(level: np.ndarray, request: SweepRequest) -> Trace:
    """A trace of ``level`` in dBm that reports what was asked for."""
    return Trace(
        level=np.asarray(level, dtype=np.float64),
        unit=LevelUnit.DBM,
        reported=Reported(
            rbw_hz=request.rbw_hz,
            detector=request.detector,
            sweep_time_s=request.sweep_time_s,
        ),
        resolution=0.01,
    )


class _ScriptedSweeper(Sweeper):
    def __init__(self, driver: ScriptedDriver, context: OpenContext) -> None:
        self._driver = driver
        self._context = context

    def identify(self) -> Identity:
        return self._driver.identity

    def capabilities(self) -> Capabilities:
        return self._driver.capabilities

    def estimate_s(self, request: SweepRequest) -> float | None:
        return request.sweep_time_s or self._driver.estimate_s

    def sweep(self, request: SweepRequest) -> Trace:
        self._wait(request.sweep_time_s or 0.0)
        self._driver.raise_if_unplugged()
        return self._driver.next_trace(request, self._context)

    def _wait(self, seconds: float) -> None:
        until_s = time.monotonic() + seconds
        while (left_s := until_s - time.monotonic()) > 0:
            self._driver.raise_if_unplugged()
            if self._context.cancel.wait(min(left_s, 0.01)):
                raise TransportClosed("cancelled")

    def set_source(self, request: SourceRequest) -> None:
        self._driver.source_on = request.on

    def close(self) -> None:
        self._driver.source_on = False
        self._driver.closes += 1


def hang(seconds: float) -> Callable[[SweepRequest, OpenContext], Trace]:
    """A step that neither looks at its token nor at its link for ``seconds``."""

    def step(request: SweepRequest, context: OpenContext) -> Trace:
        time.sleep(seconds)
        raise TransportTimeout("a hung step came back")

    return step
