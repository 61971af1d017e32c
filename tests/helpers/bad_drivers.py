"""An invented sweeper on a socket, a good driver for it, and drivers that have one fault each.

The sweeper takes lines. ``WHO`` is answered with its name; ``SWEEP start stop points rbw`` with
levels in hundredths of dBm; ``SOURCE level`` and ``SOURCE OFF`` with ``OK``. ``FAULTS`` maps the
name of a fault to the class of the driver that has it; :class:`BadDriver`, for the entry point of a
test, has the one that the option ``fault`` names.
"""

from __future__ import annotations

import contextlib
import itertools
import socket
import threading
import time
from collections.abc import Iterable
from dataclasses import replace
from typing import Any, ClassVar
from urllib.parse import urlsplit

import numpy as np

from acqd.drivers.contract import (
    Candidate,
    Certainty,
    Driver,
    FindContext,
    OpenContext,
    Sweeper,
    Trace,
)
from acqd.errors import (
    PortBusy,
    ProtocolViolation,
    RequestRefused,
    SweeperError,
    SweeperReported,
    TransportClosed,
    TransportError,
    TransportTimeout,
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

__all__ = ["FAULTS", "BadDriver", "GoodDriver", "LedgePeer"]


class LedgePeer:
    """The sweeper, on a free port of loopback. ``source_on`` is its source, as it really is."""

    def __init__(self) -> None:
        self.source_on = False
        self._random = np.random.default_rng(7)
        self._server = socket.create_server(("127.0.0.1", 0))
        self._thread = threading.Thread(target=self._serve, name="acqd-ledge-peer", daemon=True)
        self._thread.start()

    @property
    def address(self) -> str:
        return f"tcp://127.0.0.1:{self._server.getsockname()[1]}"

    def stop(self) -> None:
        # Shut down first: closing alone does not wake an accept in another thread.
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._thread.join(2)

    def _serve(self) -> None:
        while True:
            try:
                client, _ = self._server.accept()
            except OSError:
                return
            thread = threading.Thread(target=self._talk, args=(client,), name="acqd-ledge-talk")
            thread.daemon = True
            thread.start()

    def _talk(self, client: socket.socket) -> None:
        with contextlib.suppress(OSError), client, client.makefile("rb") as lines:
            for line in lines:
                client.sendall(self._answer(line.decode("ascii").split()) + b"\n")

    def _answer(self, words: list[str]) -> bytes:
        match words:
            case ["WHO"]:
                return b"GANNET LEDGE GL0201"
            case ["SOURCE", level]:
                self.source_on = level != "OFF"
                return b"OK"
            case ["SWEEP", _, _, points, rbw]:
                floor = -14000 + 1000 * np.log10(float(rbw))
                level = self._random.normal(floor, 150, int(points)).round().astype(int)
                return " ".join(map(str, level)).encode()
        return b"?"


LIMITS = Capabilities(
    start_hz=1e6,
    stop_hz=1e9,
    points_min=2,
    points_max=101,
    rbw_steps_hz=(1e3, 10e3, 100e3),
    detectors=(Detector.SAMPLE, Detector.POSITIVE),
    attenuation_steps_db=(0.0, 10.0),
    averages_max=20,
    resolution=0.01,
    source=True,
    source_min_dbm=-40.0,
    source_max_dbm=0.0,
)


class Good(Sweeper):
    """Keeps the contract. Faults change one method each."""

    limits: ClassVar[Capabilities] = LIMITS
    sleeps = False

    def __init__(self, context: OpenContext) -> None:
        self.context = context
        self.link = context.connect()
        self.link.discard_input()

    def ask(self, line: str, timeout_s: float = 0.4) -> str:
        self.link.write(line.encode("ascii") + b"\n")
        return self.answer_to(line, timeout_s)

    def answer_to(self, line: str, timeout_s: float) -> str:
        until_s = time.monotonic() + timeout_s
        answer = b""
        while not answer.endswith(b"\n"):
            left_s = until_s - time.monotonic()
            if left_s <= 0:
                raise TransportTimeout(f"{line}: no whole line in time", partial=answer)
            answer += self.link.read(timeout_s=left_s)
        return answer.decode("ascii").strip()

    def identify(self) -> Identity:
        maker, model, serial_number = self.ask("WHO").split()
        return Identity(maker=maker, model=model, serial_number=serial_number)

    def capabilities(self) -> Capabilities:
        return self.limits

    def estimate_s(self, request: SweepRequest) -> float | None:
        return request.sweep_time_s or 0.01

    def sweep(self, request: SweepRequest) -> Trace:
        self.refuse(request)
        if request.source is not None:
            self.set_source(request.source)
        self.wait(request.sweep_time_s or 0.0)
        level = self.levels(request)
        return Trace(
            level=level, unit=LevelUnit.DBM, reported=self.reported(request), resolution=0.01
        )

    def refuse(self, request: SweepRequest) -> None:
        if request.vbw_hz is not None or request.reference_level_dbm is not None:
            raise RequestRefused(setting="vbw or reference level", asked="one", limit="none")

    def wait(self, seconds: float) -> None:
        if self.context.cancel.wait(seconds):
            raise TransportClosed("cancelled")

    def levels(self, request: SweepRequest) -> np.ndarray:
        rbw_hz = request.rbw_hz or 10e3
        words = self.ask(
            f"SWEEP {request.start_hz:.0f} {request.stop_hz:.0f} {request.points} {rbw_hz:.0f}"
        ).split()
        if len(words) != request.points:
            raise ProtocolViolation(expected=f"{request.points} levels", got=" ".join(words))
        return np.array(words, dtype=np.float64) / 100

    def reported(self, request: SweepRequest) -> Reported:
        return Reported(
            rbw_hz=request.rbw_hz or 10e3,
            detector=request.detector or Detector.SAMPLE,
            attenuation_db=request.attenuation_db or 0.0,
            averages=request.averages or 1,
            sweep_time_s=request.sweep_time_s or 0.01,
        )

    def set_source(self, request: SourceRequest) -> None:
        self.ask(f"SOURCE {request.level_dbm}" if request.on else "SOURCE OFF")

    def close(self) -> None:
        with contextlib.suppress(SweeperError):
            self.ask("SOURCE OFF", timeout_s=0.1)


class GoodDriver(Driver):
    """The driver of :class:`Good`; faults name another class of sweeper."""

    sweeper: ClassVar[type[Good]] = Good

    def open(self, context: OpenContext) -> Sweeper:
        return self.sweeper(context)

    def find(self, context: FindContext) -> Iterable[Candidate]:
        for address in context.addresses:
            certainty = Certainty.LISTED
            if context.probe:
                try:
                    context.connect(address).close()
                except PortBusy:
                    certainty = Certainty.BUSY
            yield Candidate(driver="ledge", address=address, what="named", certainty=certainty)


FAULTS: dict[str, type[Driver]] = {}


def fault(kind: type) -> type:
    """Register a class of a driver, or of a sweeper with a driver made around it."""
    name = kind.__name__
    if issubclass(kind, Good):
        FAULTS[name] = type(name, (GoodDriver,), {"sweeper": kind})
    else:
        FAULTS[name] = kind
    return kind


_counter = itertools.count(1)

# --- what it says of itself -------------------------------------------------------------------


@fault
class WrittenForAnotherContract(GoodDriver):
    api = 99


@fault
class CountsInItsSerialNumber(Good):
    def __init__(self, context: OpenContext) -> None:
        super().__init__(context)
        self.serial = f"GL{next(_counter):04}"

    def identify(self) -> Identity:
        return replace(super().identify(), serial_number=self.serial)


@fault
class HasNoName(Good):
    def identify(self) -> Identity:
        return Identity()


@fault
class ChangesItsLimits(Good):
    def capabilities(self) -> Capabilities:
        return replace(LIMITS, stop_hz=1e9 + next(_counter))


@fault
class ReturnsWhatCannotBePickled(Good):
    def sweep(self, request: SweepRequest) -> Trace:
        class Local(Trace):
            pass

        made = super().sweep(request)
        return Local(level=made.level, unit=made.unit, reported=made.reported, resolution=0.01)


@fault
class AsksWithoutProbe(GoodDriver):
    def find(self, context: FindContext) -> Iterable[Candidate]:
        with contextlib.suppress(SweeperError):
            context.connect(context.serial_ports()[0].device)
        return ()


@fault
class OpensPortsItself(GoodDriver):
    def find(self, context: FindContext) -> Iterable[Candidate]:
        parts = urlsplit(context.addresses[0])
        socket.create_connection((parts.hostname, parts.port), 1).close()
        return ()


@fault
class FallsOverABusyPort(GoodDriver):
    def find(self, context: FindContext) -> Iterable[Candidate]:
        if context.probe:
            context.connect(context.addresses[0])
        return ()


# --- what it sweeps ---------------------------------------------------------------------------


@fault
class LosesMostLevels(Good):
    def levels(self, request: SweepRequest) -> np.ndarray:
        level = super().levels(request)
        level[: int(0.7 * level.size)] = np.nan
        return level


@fault
class ReportsTheSweepBefore(Good):
    def reported(self, request: SweepRequest) -> Reported:
        return replace(super().reported(request), sweep_time_s=0.01 * next(_counter))


@fault
class EstimatesADay(Good):
    def estimate_s(self, request: SweepRequest) -> float | None:
        return 86_400.0


@fault
class ReadsNothing(Good):
    def levels(self, request: SweepRequest) -> np.ndarray:
        super().levels(request)
        return np.full(request.points, -100.0)


@fault
class ReadsTheSameTrace(Good):
    def levels(self, request: SweepRequest) -> np.ndarray:
        super().levels(request)
        return np.round(np.random.default_rng(1).normal(-100, 1, request.points), 2)


@fault
class ForgetsTheSign(Good):
    def levels(self, request: SweepRequest) -> np.ndarray:
        return np.round(-super().levels(request) / 2, 2)


@fault
class StatesAStepItDoesNotHave(Good):
    def levels(self, request: SweepRequest) -> np.ndarray:
        return super().levels(request) + 0.0037


@fault
class StatesTooFineAStep(Good):
    def levels(self, request: SweepRequest) -> np.ndarray:
        return np.round(super().levels(request) * 20) / 20


@fault
class PromisesTimes(Good):
    limits = replace(LIMITS, gives_time=True)


@fault
class KeepsItsSettingsToItself(Good):
    def reported(self, request: SweepRequest) -> Reported:
        return replace(super().reported(request), rbw_hz=None)


@fault
class NeverSetsTheRbw(Good):
    def reported(self, request: SweepRequest) -> Reported:
        return replace(super().reported(request), rbw_hz=10e3)


# --- what it says it can do -------------------------------------------------------------------


class Less(Good):
    """A sweeper that can less than it says."""

    def refuse(self, request: SweepRequest) -> None:
        super().refuse(request)
        if self.cannot(request):
            raise SweeperReported(((-222, "Data out of range"),))

    def cannot(self, request: SweepRequest) -> bool:
        raise NotImplementedError


@fault
class SweepsLessFar(Less):
    def cannot(self, request: SweepRequest) -> bool:
        return request.stop_hz > 900e6


@fault
class HasFewerPoints(Less):
    def cannot(self, request: SweepRequest) -> bool:
        return request.points > 90


@fault
class HasFewerRbws(Less):
    def cannot(self, request: SweepRequest) -> bool:
        return request.rbw_hz == 1e3


@fault
class HasFewerDetectors(Less):
    def cannot(self, request: SweepRequest) -> bool:
        return request.detector is Detector.POSITIVE


@fault
class SetsAnotherAttenuation(Good):
    def reported(self, request: SweepRequest) -> Reported:
        asked = request.attenuation_db
        return replace(super().reported(request), attenuation_db=asked and asked - 5.0)


@fault
class AveragesLessOften(Less):
    def cannot(self, request: SweepRequest) -> bool:
        return (request.averages or 1) > 10


@fault
class HasAStrongerSource(Less):
    def cannot(self, request: SweepRequest) -> bool:
        source = request.source
        return source is not None and (source.level_dbm or 0.0) < -30.0


# --- trouble ----------------------------------------------------------------------------------


@fault
class RaisesItsOwnErrors(Good):
    def refuse(self, request: SweepRequest) -> None:
        if request.vbw_hz is not None:
            raise ValueError(f"vbw {request.vbw_hz}")
        super().refuse(request)


@fault
class SleepsThroughIt(Good):
    def wait(self, seconds: float) -> None:
        time.sleep(seconds)


@fault
class WaitsOnAndOn(Good):
    """For three seconds, so that a test's process gets rid of its threads."""

    def answer_to(self, line: str, timeout_s: float) -> str:
        until_s = time.monotonic() + 3.0
        while True:
            try:
                return super().answer_to(line, 0.2)
            except TransportError:
                if time.monotonic() > until_s:
                    raise
                time.sleep(0.05)


@fault
class InventsWhatDoesNotCome(Good):
    def levels(self, request: SweepRequest) -> np.ndarray:
        try:
            return super().levels(request)
        except TransportTimeout:
            return np.round(np.random.default_rng().normal(-100, 1, request.points), 2)


@fault
class SweepsWithoutALink(Good):
    def sweep(self, request: SweepRequest) -> Trace:
        try:
            return super().sweep(request)
        except TransportClosed:
            noise = np.round(np.random.default_rng().normal(-100, 1, request.points), 2)
            return Trace(
                level=noise, unit=LevelUnit.DBM, reported=self.reported(request), resolution=0.01
            )


@fault
class CallsABrokenLinkAReport(Good):
    def levels(self, request: SweepRequest) -> np.ndarray:
        try:
            return super().levels(request)
        except TransportClosed as error:
            raise SweeperReported(((-1, str(error)),)) from error


@fault
class LeavesTheSourceOn(Good):
    def close(self) -> None:
        pass


@fault
class CannotTurnTheSourceOff(Good):
    def set_source(self, request: SourceRequest) -> None:
        if request.on:
            super().set_source(request)


@fault
class RaisesInClose(Good):
    def close(self) -> None:
        super().close()
        raise TransportError("the link is no more")


@fault
class TakesLongToClose(Good):
    def close(self) -> None:
        super().close()
        time.sleep(1.5)


# --- what it leaves behind --------------------------------------------------------------------


@fault
class LeavesAThread(Good):
    """One a session, that ends by itself after a while."""

    def __init__(self, context: OpenContext) -> None:
        super().__init__(context)
        threading.Thread(target=time.sleep, args=(6.0,), name="keepalive", daemon=True).start()


@fault
class KeepsEveryTrace(Good):
    def __init__(self, context: OpenContext) -> None:
        super().__init__(context)
        self.kept: list[Any] = []

    def levels(self, request: SweepRequest) -> np.ndarray:
        level = super().levels(request)
        self.kept.append((level, bytearray(4096)))
        return level


class BadDriver(Driver):
    """Has the fault that the option ``fault`` names; none without it."""

    def open(self, context: OpenContext) -> Sweeper:
        name = context.options.get("fault")
        return (FAULTS[name] if name else GoodDriver)().open(context)
