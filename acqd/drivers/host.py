"""The host of one sweeper: the asyncio side of a blocking driver, who believes it in nothing.

    open() ──► identify, capabilities, source off ──► sweep() … ──► close()
                     │ any error that breaks the conversation closes the session; open() again

What a driver can do wrong costs its own sweeper's sweeps and nothing else (guarantee G6):

* It raises: SweeperErrors pass through, anything else becomes DriverFault with a traceback in the
  log. After an error that leaves the conversation in doubt the session is closed; RequestRefused,
  SweeperReported and SweepInvalid leave it open, but for the third failure in a row.
* It hangs: after three times its own estimate and two seconds (or ``deadline_s`` where it makes no
  estimate) the cancel token is set and the link is closed under it, so that the port is free. If
  its thread has not come back a second later, it is abandoned. Threads cannot be ended, so
  abandoned ones that still hang are counted, and with three of them the sweeper is out until a
  restart. A process of its own (:mod:`acqd.drivers.process`) is ended instead.
* It crashes, or never lets the interpreter go: in a thread that takes the station down; in a
  process of its own it costs this sweeper's sweeps.
* It returns nonsense: see :mod:`acqd.drivers.checks`.

Limits: a sweeper's source stays as it is while its link is broken; it goes off first thing after
open().
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
from collections import OrderedDict, deque
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Protocol

import numpy as np

from acqd.clock import Clock
from acqd.drivers.checks import CheckedTrace, check_identity, check_introduction, check_trace
from acqd.drivers.contract import Driver
from acqd.drivers.hops import (
    PlannedHop,
    check_joinable,
    check_source,
    joined_levels,
    plan_hops,
)
from acqd.drivers.plain import is_finite, numbers_as_declared, printable
from acqd.drivers.protocol import (
    Call,
    CapabilitiesCall,
    EstimateCall,
    IdentifyCall,
    OpenCall,
    SetSourceCall,
    SweepCall,
    Taken,
)
from acqd.drivers.session import DriverTrouble, Session
from acqd.drivers.transport import open_transport
from acqd.drivers.usbports import ListSerial, UsbIdentity, serial_ports
from acqd.drivers.whereabouts import Place, Whereabouts
from acqd.drivers.worker import Calls, MakeWorker, OpenLink, RefusedLink, Worker
from acqd.errors import (
    DriverFault,
    RequestRefused,
    SweeperError,
    SweeperReported,
    SweepInvalid,
    TransportClosed,
    TransportError,
)
from acqd.sweep import (
    NO_FLAGS,
    Capabilities,
    Hop,
    Identity,
    Levels,
    Reported,
    SourceRequest,
    Sweep,
    SweepFlag,
    SweepRequest,
)

__all__ = ["HostStatistics", "Log", "Opened", "SweeperHost"]

ABANDONED_MAX: Final = 3
"""Hung threads that a sweeper may leave behind. Each holds its stack and its driver's memory."""

TROUBLES_KEPT: Final = 8

REMEMBERED: Final = 64
"""Requests whose estimate and last levels are remembered; the least recently used go."""

FAILURES_IN_A_ROW: Final = 3
"""So many sweeps in a row that came to nothing close the session, whatever the reason."""

KEEPS_OPEN: Final = (RequestRefused, SweeperReported, SweepInvalid)


class Log(Protocol):
    """What the host logs to: an event and its fields, as structlog takes them."""

    def info(self, event: str, **fields: Any) -> Any: ...

    def warning(self, event: str, **fields: Any) -> Any: ...


class _NotOpen(TransportClosed):
    """Asked of a sweeper that is not open: no new failure of it."""


class _Silent:
    def info(self, event: str, **fields: Any) -> None:
        pass

    warning = info


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """What open() found. Ask ``identity.is_doubtful`` too."""

    identity: Identity
    capabilities: Capabilities
    identity_changed_from: Identity | None = None
    """The identity of the open before, where any part of it is different now."""
    place: Place | None = None
    """Where it was found, and what it is known by on the bus."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HostStatistics:
    """Counted since the host was made."""

    opens: int
    sweeps: int
    failures: int
    abandoned: int
    """Threads given up on, ever."""
    hanging: int
    """Of those, the ones that have not ended yet."""
    died: int
    """Processes of the driver that ended by themselves."""
    stuck: int
    """Calls that did not come back: their thread was given up on, or their process ended."""
    last_error: str | None
    last_took_s: float | None


class SweeperHost:
    """Opens, sweeps and closes one sweeper through its driver. Used from one event loop.

    Calls of several tasks are done one after the other.

    Args:
        name: the sweeper's name in the config.
        driver: a driver of its own.
        address: where the sweeper is; one by identity (``usb:…``) is looked up at each opening.
        options: the driver's and the link's options.
        clock: stamps the sweeps; asked in the driver's thread.
        expected: who must answer there, as far as the config names it; see ``check_identity``.
        deadline_s: how long calls may take for which there is no estimate.
        log: gets one line per change of state and per fault; none by default.
        known: who answered there last, so that a change while the station was down is seen.
        open_link: opens links; for tests.
        make_worker: makes who does the driver's calls, of each session; a thread by default.
        list_serial: lists the serial ports that a sweeper may have moved to.
    """

    def __init__(
        self,
        *,
        name: str,
        driver: Driver,
        address: str,
        options: Mapping[str, Any],
        clock: Clock,
        expected: Identity | None = None,
        deadline_s: float = 30.0,
        log: Log | None = None,
        known: Identity | None = None,
        open_link: OpenLink = open_transport,
        make_worker: MakeWorker = Worker,
        list_serial: ListSerial = serial_ports,
    ) -> None:
        self.name = name
        self.address = address
        self._driver = driver
        self._options = dict(options)
        self._clock = clock
        self._expected = expected
        self._deadline_s = deadline_s
        self._log: Log = log or _Silent()
        self._last_identity = known
        self._open_link = open_link
        self._make_worker = make_worker
        self._whereabouts = Whereabouts(address, list_serial)
        self._turn = asyncio.Lock()
        self._session: Session | None = None
        self._opened: Opened | None = None
        self._hanging: list[Calls] = []
        self._estimates: OrderedDict[SweepRequest, float | None] = OrderedDict()
        self._unestimated: OrderedDict[SweepRequest, int] = OrderedDict()
        self._last_levels: OrderedDict[SweepRequest, bytes] = OrderedDict()
        self._opens = self._sweeps = self._failures = self._abandoned = 0
        self._died = self._stuck = 0
        self._troubles: deque[DriverTrouble] = deque(maxlen=TROUBLES_KEPT)
        self._in_a_row = 0
        self._last_error: str | None = None
        self._last_took_s: float | None = None
        self._left_well = False
        self._call_ends_s: float | None = None
        self._called_s = clock.monotonic_s()

    # --- what callers see ---------------------------------------------------------------------

    @property
    def is_open(self) -> bool:
        return self._opened is not None

    @property
    def identity(self) -> Identity | None:
        """Who answered last; None before the first open."""
        return self._last_identity

    @property
    def usb(self) -> UsbIdentity | None:
        """What it was known by on the bus when it last opened; None before, and off USB."""
        return self._whereabouts.known

    @property
    def capabilities(self) -> Capabilities | None:
        """What the open sweeper can do; None while it is not open."""
        return self._opened.capabilities if self._opened else None

    @property
    def call_left_s(self) -> float | None:
        """How long the call under way may still take, below 0 beyond that; None while none is."""
        ends_s = self._call_ends_s
        return None if ends_s is None else ends_s - self._clock.monotonic_s()

    @property
    def called_s(self) -> float:
        """When the last call of the driver ended, monotonic."""
        return self._called_s

    @property
    def left_well(self) -> bool:
        """Whether the driver itself ended the last session, over a link that worked: only then is
        it known that the source is off."""
        return self._left_well

    def statistics(self) -> HostStatistics:
        self._hanging = [worker for worker in self._hanging if worker.is_alive]
        return HostStatistics(
            opens=self._opens,
            sweeps=self._sweeps,
            failures=self._failures,
            abandoned=self._abandoned,
            hanging=len(self._hanging),
            died=self._died,
            stuck=self._stuck,
            last_error=self._last_error,
            last_took_s=self._last_took_s,
        )

    def take_troubles(self) -> Sequence[DriverTrouble]:
        """How the driver died or hung since this was last asked, the oldest first."""
        taken = tuple(self._troubles)
        self._troubles.clear()
        return taken

    async def open(self) -> Opened:
        """Open the sweeper, ask who it is and what it can do, and turn its source off.

        An open one is closed first.

        Raises:
            SweeperError: it did not work; everything is closed again and the port is free.
            DriverFault: also where too many threads of this driver hang.
        """
        async with self._one_at_a_time():
            await self._end_session()
            open_link: OpenLink = self._open_link
            place = Place(address=self.address)
            try:
                place = await self._whereabouts.now()
            except TransportError as error:
                # What the driver says of its options must not stay hidden while the port is away.
                open_link = RefusedLink(error)
            if self.statistics().hanging >= ABANDONED_MAX:
                raise DriverFault(
                    f"{self.name}: {ABANDONED_MAX} calls of its driver hang and cannot be ended; "
                    f"this sweeper is out until the station is restarted"
                )
            worker = self._make_worker(
                name=self.name, driver=self._driver, clock=self._clock, open_link=open_link
            )
            self._session = Session(name=self.name, worker=worker, abandoned=self._abandon)
            try:
                opened = await self._introduce(place, worker.start_s)
            except BaseException:
                await self._end_session()
                raise
            self._opened = opened
            self._whereabouts.opened(place)
            self._in_a_row = 0
            self._last_identity = opened.identity
            self._opens += 1
            self._log.info("sweeper_opened", sweeper=self.name, identity=str(opened.identity))
            return opened

    async def sweep(self, request: SweepRequest) -> Sweep:
        """Take one sweep, in hops where the sweeper cannot do it in one.

        Raises:
            RequestRefused: beyond the sweeper's limits; nothing was sent.
            SweeperError: no sweep came; see the module's text for what closes the session.
            TransportClosed: also while the sweeper is not open.
        """
        async with self._one_at_a_time():
            hops = plan_hops(request, self._require_open().capabilities)
            sweep = await (self._whole(request) if len(hops) == 1 else self._joined(request, hops))
            self._sweeps += 1
            self._in_a_row = 0
            self._last_took_s = sweep.took_s
            return sweep

    async def estimate_s(self, request: SweepRequest) -> float | None:
        """How long ``request`` will take in all its hops, in seconds; None where nobody can say."""
        async with self._one_at_a_time():
            total_s = 0.0
            for hop in plan_hops(request, self._require_open().capabilities):
                estimate_s = await self._estimate(hop.request)
                if estimate_s is None:
                    return None
                total_s += estimate_s
            return total_s

    async def set_source(self, request: SourceRequest) -> None:
        """Set the sweeper's source.

        Raises:
            RequestRefused: beyond its limits, or there is none.
        """
        async with self._one_at_a_time():
            capabilities = self._require_open().capabilities
            check_source(request, capabilities)
            if capabilities.source:
                await self._call(SetSourceCall(request=request), self._deadline_s)

    async def close(self) -> None:
        """Leave the sweeper safe and free its port. Takes at most about 1.5 s, and never raises.

        A call in progress ends with TransportClosed.
        """
        if self._session is not None:
            self._session.interrupt()
        async with self._turn:
            await self._end_session()

    # --- the session --------------------------------------------------------------------------

    def _require_open(self) -> Opened:
        if self._opened is None:
            raise _NotOpen(f"{self.name} is not open")
        return self._opened

    async def _introduce(self, place: Place, start_s: float) -> Opened:
        call = OpenCall(name=self.name, address=place.address, options=self._options)
        await self._call(call, self._deadline_s + start_s)
        identity = await self._call(IdentifyCall(), self._deadline_s)
        capabilities = await self._call(CapabilitiesCall(), self._deadline_s)
        check_introduction(identity, capabilities)
        identity = printable(identity)
        capabilities = numbers_as_declared(capabilities)
        if capabilities.source:
            # Before anything else is looked at: nobody knows what the run before left behind.
            await self._call(SetSourceCall(request=SourceRequest(on=False)), self._deadline_s)
        check_identity(identity, self._expected)
        before = self._last_identity
        changed = before is not None and before != identity
        self._estimates.clear()
        self._unestimated.clear()
        return Opened(
            identity=identity,
            capabilities=capabilities,
            identity_changed_from=before if changed else None,
            place=place,
        )

    @contextlib.asynccontextmanager
    async def _one_at_a_time(self) -> AsyncIterator[None]:
        """One caller's turn; failures are counted, and close the session where they must."""
        async with self._turn:
            try:
                yield
            except _NotOpen:
                raise
            except SweeperError as error:
                self._note(error)
                if not isinstance(error, KEEPS_OPEN) or self._in_a_row >= FAILURES_IN_A_ROW:
                    await self._end_session()
                raise
            except asyncio.CancelledError:
                await self._end_session()
                raise

    def _note(self, error: SweeperError) -> None:
        self._failures += 1
        self._in_a_row += not isinstance(error, RequestRefused)
        self._last_error = f"{type(error).__name__}: {error}"
        if isinstance(error, DriverFault):
            trace = "".join(getattr(error, "__notes__", ()))
            self._log.warning("driver_fault", sweeper=self.name, error=str(error), trace=trace)

    async def _call(self, call: Call, deadline_s: float) -> Any:
        if self._session is None:
            raise _NotOpen(f"{self.name} is not open")
        self._call_ends_s = self._clock.monotonic_s() + deadline_s
        try:
            return await self._session.call(call, deadline_s)
        finally:
            self._call_ends_s = None
            self._called_s = self._clock.monotonic_s()

    async def _end_session(self) -> None:
        session, self._session, self._opened = self._session, None, None
        if session is None:
            return
        self._left_well = False
        failure = await session.end()
        self._left_well = session.left_well
        if session.trouble is not None:
            self._in_trouble(session.trouble)
        if failure is not None:
            self._log.warning("sweeper_close_failed", sweeper=self.name, error=str(failure.error()))
        self._log.info("sweeper_closed", sweeper=self.name)

    def _in_trouble(self, trouble: DriverTrouble) -> None:
        died = trouble.what == "driver_died"
        self._died += died
        self._stuck += not died
        self._troubles.append(trouble)
        self._log.warning(trouble.what, sweeper=self.name, problem=trouble.text, **trouble.facts)

    def _abandon(self, worker: Calls) -> None:
        self._hanging.append(worker)
        self._abandoned += 1
        hanging = self.statistics().hanging
        self._log.warning(
            "driver_abandoned", sweeper=self.name, hanging=hanging, most=ABANDONED_MAX
        )

    # --- sweeps -------------------------------------------------------------------------------

    async def _estimate(self, request: SweepRequest) -> float | None:
        """The driver's estimate; asked for where none is known."""
        known_s = self._estimates.get(request)
        if known_s is not None:
            self._estimates.move_to_end(request)
            return known_s
        estimate_s = await self._call(EstimateCall(request=request), self._deadline_s)
        usable = is_finite(estimate_s) and estimate_s >= 0
        self._estimates[request] = float(estimate_s) if usable else None
        _forget_oldest(self._estimates)
        return self._estimates[request]

    async def _deadline_of(self, request: SweepRequest) -> float:
        """How long a sweep may take.

        A driver that makes no estimate may know better once it has tried, so it is asked again
        after 1, 2, 4, 8 … sweeps. Not before each: that would cost a turn of its thread.
        """
        swept = self._unestimated.get(request, 0)
        if swept & (swept - 1) and request in self._estimates:
            estimate_s = self._estimates[request]
        else:
            estimate_s = await self._estimate(request)
        if estimate_s is not None:
            self._unestimated.pop(request, None)
            return 3 * estimate_s + 2.0
        self._unestimated[request] = swept + 1
        self._unestimated.move_to_end(request)
        _forget_oldest(self._unestimated)
        return self._deadline_s

    async def _take(self, request: SweepRequest) -> tuple[Taken, CheckedTrace]:
        """One piece, checked."""
        capabilities = self._require_open().capabilities
        deadline_s = await self._deadline_of(request)
        taken = await self._call(SweepCall(request=request), deadline_s)
        try:
            return taken, check_trace(taken.trace, request, capabilities)
        except SweeperError:
            raise
        except Exception as exc:
            # Nobody can foresee all that an object may do when it is looked at.
            raise DriverFault(f"{self.name}: its answer cannot be read: {exc!r:.200}") from exc

    async def _whole(self, request: SweepRequest) -> Sweep:
        taken, checked = await self._take(request)
        return self._stamped(request, taken, checked)

    async def _joined(self, request: SweepRequest, hops: tuple[PlannedHop, ...]) -> Sweep:
        """All hops, joined on the grid asked for. One that fails leaves NaN; all failing raises."""
        pieces: list[tuple[PlannedHop, Taken, CheckedTrace]] = []
        log: list[Hop] = []
        failures: list[SweeperError] = []
        began_s = ended_s = self._clock.monotonic_s()
        for hop in hops:
            started_s, monotonic_s = self._clock.wall_s(), self._clock.monotonic_s()
            try:
                self._require_open()
                taken, checked = await self._take(hop.request)
                check_joinable(hop, checked.frequency_hz)
            except SweeperError as error:
                failures.append(error)
                if not isinstance(error, KEEPS_OPEN):
                    await self._end_session()
                ended_s = self._clock.monotonic_s()
                log.append(_hop(hop, started_s, ended_s - monotonic_s, ok=False))
                continue
            if not log:
                began_s = taken.monotonic_s
            ended_s = taken.monotonic_s + taken.took_s
            pieces.append((hop, taken, checked))
            log.append(_hop(hop, taken.started_s, taken.took_s, ok=True))
        if not pieces:
            raise failures[0]
        for failed in failures:
            if not isinstance(failed, _NotOpen):
                self._note(failed)
        # From the first hop to the last, also where those failed: for so long it was busy.
        whole = replace(
            pieces[0][1],
            started_s=log[0].started_s,
            monotonic_s=began_s,
            took_s=ended_s - began_s,
        )
        return self._assembled(request, whole, pieces, tuple(log))

    def _assembled(
        self,
        request: SweepRequest,
        whole: Taken,
        pieces: list[tuple[PlannedHop, Taken, CheckedTrace]],
        log: tuple[Hop, ...],
    ) -> Sweep:
        level = joined_levels(request.points, ((hop, checked.level) for hop, _, checked in pieces))
        flags = NO_FLAGS
        for _, _, checked in pieces:
            flags |= checked.flags & ~SweepFlag.NOT_FINITE
        if len(pieces) < len(log):
            flags |= SweepFlag.HOP_FAILED
        if bool(np.isnan(level).any()):
            flags |= SweepFlag.NOT_FINITE
        checked = replace(
            pieces[0][2],
            frequency_hz=request.frequencies_hz(),
            level=level,
            flags=flags,
            reported=_reported_of_all([checked.reported for _, _, checked in pieces], len(log)),
        )
        return self._stamped(request, whole, checked, hops=log)

    def _stamped(
        self,
        request: SweepRequest,
        taken: Taken,
        checked: CheckedTrace,
        *,
        hops: tuple[Hop, ...] = (),
    ) -> Sweep:
        synchronised, flags = self._clock.synchronised(), checked.flags
        if synchronised is False:
            flags |= SweepFlag.CLOCK_UNSYNCHRONISED
        if self._is_repeated(request, checked.level):
            flags |= SweepFlag.REPEATED
        identity = self._last_identity
        assert identity is not None
        return Sweep(
            request=request,
            reported=checked.reported,
            frequency_hz=checked.frequency_hz,
            level=checked.level,
            unit=taken.trace.unit,
            resolution=checked.resolution,
            started_s=taken.started_s,
            monotonic_s=taken.monotonic_s,
            took_s=taken.took_s,
            boot_id=self._clock.boot_id,
            clock_synchronised=synchronised,
            identity=identity,
            sweeper_time_s=checked.sweeper_time_s,
            flags=flags,
            hops=hops,
        )

    def _is_repeated(self, request: SweepRequest, level: Levels) -> bool:
        """Whether the last levels of this request were the same, bit for bit."""
        digest = hashlib.blake2b(level.tobytes(), digest_size=16).digest()
        repeated = self._last_levels.get(request) == digest
        self._last_levels[request] = digest
        self._last_levels.move_to_end(request)
        _forget_oldest(self._last_levels)
        return repeated


def _forget_oldest(remembered: OrderedDict[SweepRequest, Any]) -> None:
    while len(remembered) > REMEMBERED:
        remembered.popitem(last=False)


def _reported_of_all(reports: list[Reported], hops: int) -> Reported:
    """The first report with the sweep time of all ``hops``; those that failed count like the rest.

    So one sweep with a failed hop is of the same setup as the others.
    """
    times_s = [report.sweep_time_s for report in reports if report.sweep_time_s is not None]
    if not times_s:
        return reports[0]
    return replace(reports[0], sweep_time_s=sum(times_s) / len(times_s) * hops)


def _hop(hop: PlannedHop, started_s: float, took_s: float, *, ok: bool) -> Hop:
    return Hop(
        first_point=hop.first_point, points=hop.points, started_s=started_s, took_s=took_s, ok=ok
    )
