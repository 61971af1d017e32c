"""The driver: brings a SCPI sweeper into a known state, sweeps it, and leaves it safe.

On opening: end what runs (``ABOR;INIT:CONT 0``), ask for the power-on bit before ``*CLS`` would
erase it unseen, turn the source off, identify, then ask for limits. On each sweep: has it restarted
meanwhile? settings where they differ, ``INIT:IMM;*OPC?`` under a deadline from the sweep time, the
trace, and the error queue. Whatever goes wrong, the source goes off.

A restart that drops the link is found on opening anew, one that does not by the power-on bit of
``*ESR?``, asked before each sweep; who it is is asked then too. Either way all settings are applied
again and the next sweep is flagged POWERED_ON.
"""

from __future__ import annotations

import math
import os
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from acqd.drivers.contract import (
    Candidate,
    Certainty,
    Driver,
    FindContext,
    OpenContext,
    Sweeper,
    Trace,
)
from acqd.drivers.finding import usb_location
from acqd.drivers.transport import check_address
from acqd.drivers.usbports import usb_devices
from acqd.drivers.visa_names import VisaKind, VisaName, looks_like_visa, parse_visa
from acqd.errors import (
    PortBusy,
    ProtocolViolation,
    RequestRefused,
    SweeperError,
    SweeperReported,
    TransportClosed,
    TransportTimeout,
)
from acqd.sweep import (
    NO_FLAGS,
    Capabilities,
    Identity,
    LevelUnit,
    SourceRequest,
    SweepFlag,
    SweepRequest,
)
from acqd_scpi.client import ScpiClient
from acqd_scpi.dialect import Dialect
from acqd_scpi.limits import Surveyed, survey
from acqd_scpi.parser import Line, decode_reals, identity, number, numbers
from acqd_scpi.settings import Settings, Span
from acqd_scpi.sight import in_sight
from acqd_scpi.visa import VISA_BAUD

__all__ = ["ScpiDriver"]

POWER_ON_BIT: Final = 128
"""Bit 7 of the standard event register (IEEE 488.2, from memory)."""

FORMATS: Final = {"real32": ("REAL,32", 4), "real64": ("REAL,64", 8), "ascii": ("ASC", 0)}
BYTE_ORDERS: Final = {"normal": "big", "swapped": "little", "auto": None}

TEXT_BYTES_PER_POINT: Final = 16
"""-1.234567890E+02 and a comma."""

FIND_TIMEOUT_S: Final = 1.0
BOOT_RETRY_S: Final = 0.5
READ_LEAST_S: Final = 0.25
"""For the levels of a sweep that was done only just in time."""


class ScpiDriver(Driver):
    """Any sweeper that speaks SCPI-1999 over a TCP socket or a serial port."""

    def open(self, context: OpenContext) -> Sweeper:
        """Open it; see the module's text.

        Raises:
            RequestRefused: an option of the config that is not known or does not fit.
            TransportTimeout: it does not answer.
        """
        dialect = Dialect.from_options(context.options)
        link = context.connect()
        client = ScpiClient(link, terminator=dialect.terminator, timeout_s=dialect.timeout_s)
        sweeper = ScpiSweeper(client, dialect, context)
        sweeper.start()
        return sweeper

    def find(self, context: FindContext) -> Iterable[Candidate]:
        """Addresses that the user named, USBTMC devices and what the network announces; with
        ``probe`` also serial ports that answer ``*IDN?``.

        Without ``probe`` no port is even opened: opening can restart a sweeper, and a bare question
        can set off a device that is none.
        """
        for named in context.named:
            try:
                check_address(named.address)
            except RequestRefused:
                continue  # another driver's, or nobody's
            if context.probe:
                yield _look(context, named.address, named.options)
            else:
                yield _unasked(named.address)
        for seen in in_sight(context):
            if context.probe:
                yield _located(_look(context, seen.address), seen.location)
            else:
                yield Candidate(
                    driver="scpi",
                    address=seen.address,
                    what=seen.what,
                    certainty=Certainty.LIKELY,
                )
        if not context.probe:
            return
        for port in context.serial_ports():
            address = f"serial:{port.device}"
            if address not in context.addresses:
                found = _look(context, address)
                if found.certainty is Certainty.BUSY:
                    yield found
                elif found.identity is not None and found.identity.maker and found.identity.model:
                    # A modem or a console that echoes is not a sweeper.
                    yield _located(found, port.location)


def _located(candidate: Candidate, location: str) -> Candidate:
    if candidate.identity is None or not location:
        return candidate
    return replace(candidate, identity=replace(candidate.identity, location=location))


def _unasked(address: str) -> Candidate:
    """An address that the user named, as far as can be told without opening it."""
    scheme, _, path = address.partition(":")
    what = "named by the user"
    if scheme.lower() == "serial" and not os.path.exists(path):
        what = f"there is no {path}; is the sweeper plugged in?"
    return Candidate(driver="scpi", address=address, what=what, certainty=Certainty.LISTED)


def _look(
    context: FindContext, address: str, options: Mapping[str, Any] | None = None
) -> Candidate:
    """Who answers ``*IDN?`` at ``address``; ANSWERED only with fields as IEEE 488.2 has them.

    ``options`` are those of a config: how the link is set, and what ends a line.
    """
    link, who = None, None
    certainty = Certainty.LISTED
    try:
        dialect = Dialect.from_options(options or {})
        link = context.connect(address, options)
        client = ScpiClient(link, terminator=dialect.terminator, timeout_s=FIND_TIMEOUT_S)
        client.discard()
        answer = client.query("*IDN?")
        if "," not in answer:
            raise ProtocolViolation(expected="maker, model, serial number, firmware", got=answer)
        who = identity(answer)
        what, certainty = str(who), Certainty.ANSWERED
    except PortBusy as error:
        what, certainty = str(error).removeprefix(f"{address}: "), Certainty.BUSY
    except ProtocolViolation as error:
        what = f"something answers, but it is no sweeper that speaks SCPI: {error}"
    except SweeperError as error:
        what = f"does not answer: {str(error).removeprefix(f'{address}: ')}"
    finally:
        if link is not None:
            link.close()
    return Candidate(driver="scpi", address=address, what=what, certainty=certainty, identity=who)


def _option_refused(name: str, asked: str) -> RequestRefused:
    return RequestRefused(
        setting=f"option {name}", asked=asked, limit="one that the sweeper reports no error for"
    )


def _location(context: OpenContext) -> str:
    """Where on USB the instrument is plugged in; empty where it is not, or nobody can say."""
    name = _visa_name(context.address)
    if name is not None and name.kind is VisaKind.USBTMC:
        wanted = (name.vid, name.pid, name.serial_number.lower())
        found = (
            one.location
            for one in usb_devices()
            if (one.vid, one.pid, one.serial_number.lower()) == wanted
        )
        return next(found, "")
    path = _serial_path(context.address, name)
    return usb_location(path) if path else ""


def _visa_name(address: str) -> VisaName | None:
    return parse_visa(address) if looks_like_visa(address) else None


def _serial_path(address: str, name: VisaName | None) -> str:
    if name is not None:
        return name.path
    scheme, _, path = address.partition(":")
    return path if scheme.lower() == "serial" else ""


def _line_rate(context: OpenContext) -> float | None:
    """Bytes a second of a serial line whose rate is given; USB ports ignore the rate."""
    name = _visa_name(context.address)
    default = VISA_BAUD if name is not None and name.kind is VisaKind.SERIAL else None
    baud = context.options.get("baud", default)
    return float(baud) / 10 if isinstance(baud, int) and baud > 0 else None


class ScpiSweeper(Sweeper):
    """One opened SCPI sweeper."""

    def __init__(self, client: ScpiClient, dialect: Dialect, context: OpenContext) -> None:
        self._client = client
        self._dialect = dialect
        self._context = context
        self._powered_on = False
        self._identity = Identity()
        self._surveyed: Surveyed | None = None
        self._settings = Settings(client, dialect, known={}, autos={}, checks_errors=False)
        self._width = 0
        self._checks_errors = dialect.errors
        self._bytes_per_s = _line_rate(context)

    # --- opening ------------------------------------------------------------------------------

    def start(self) -> None:
        """Bring it into a known state. Called once by the driver's ``open``."""
        client = self._client
        client.discard()
        if not client.has_messages:
            # A bare terminator ends what an interrupted conversation left half said.
            client.write("")
        first = self._first_answer("*ESR?" if self._dialect.status else "*IDN?")
        if self._dialect.status:
            self._powered_on = bool(round(number(first)) & POWER_ON_BIT)
        # All three before *CLS: a sweeper without a source has no OUTPut and reports that.
        client.write("ABOR;INIT:CONT 0")
        if self._dialect.source != "no":
            client.write("OUTP 0")
        client.write("*CLS")
        self._identity = replace(self._ask_who_it_is(), location=_location(self._context))
        if self._checks_errors:
            client.drain_errors()
            # A queue that never runs empty says nothing about what we do.
            self._checks_errors = not client.errors_stuck
        self._surveyed = survey(client, self._dialect, checks_errors=self._checks_errors)
        self._settings = Settings(
            client,
            self._dialect,
            known=self._surveyed.known,
            autos=self._surveyed.autos,
            checks_errors=self._checks_errors,
        )
        self._prepare()

    def _ask_who_it_is(self) -> Identity:
        """Its identity, asked twice: a serial line has no connection that ends with an old
        conversation, so an answer to that one may still come, and then the two are not the same."""
        first, second = self._client.query("*IDN?"), self._client.query("*IDN?")
        if first != second:
            raise ProtocolViolation(expected=f"{first!r} again from *IDN?", got=second)
        return identity(first)

    def _be_the_same(self) -> None:
        """Whoever restarted may be another one, put in the place of the first on a link that stayed
        up (an adapter to RS-232, a gateway): nothing of it is taken for the first one's."""
        now = replace(self._ask_who_it_is(), location=self._identity.location)
        if now != self._identity:
            raise TransportClosed(f"it restarted, and now says it is {now}; it is opened anew")

    def _first_answer(self, query: str) -> str:
        """The answer to ``query``; a sweeper that restarts on opening is asked again."""
        until_s = time.monotonic() + self._dialect.boot_s
        again = False
        while until_s - time.monotonic() > BOOT_RETRY_S:
            try:
                answer = self._client.query(query, timeout_s=BOOT_RETRY_S)
            except TransportTimeout:
                self._client.restart()
                again = True
                continue
            if again:
                # It may answer the earlier ones too.
                self._context.cancel.wait(BOOT_RETRY_S)
                self._client.discard()
            return answer
        return self._client.query(query)

    def _prepare(self) -> None:
        """What has to be set once after each start of the sweeper, whatever is swept."""
        self._settings.forget()
        if self.capabilities().source:
            self._client.write("OUTP 0")
        self._client.write("INIT:CONT 0")
        is_dbm = self._dialect.unit is LevelUnit.DBM
        if not self._takes(f"UNIT:POW {'DBM' if is_dbm else 'DBUV'}") and not is_dbm:
            raise _option_refused("unit", self._dialect.unit)
        self._width = self._choose_format()
        order = self._dialect.byte_order
        if (
            self._width
            and order != "auto"
            and not self._takes(f"FORM:BORD {'SWAP' if order == 'swapped' else 'NORM'}")
        ):
            raise _option_refused("byte_order", order)

    def _choose_format(self) -> int:
        """Bytes per value of the traces; 0 for text. "auto" takes REAL,32 where it is taken."""
        wish = self._dialect.format
        if wish != "auto":
            words, width = FORMATS[wish]
            if not self._takes(f"FORM {words}") and width:
                raise _option_refused("format", wish)
            return width
        if self._checks_errors and self._takes("FORM REAL,32"):
            return 4
        # A sweeper that knows no FORMat at all sends text.
        self._takes("FORM ASC")
        return 0

    def _takes(self, command: str) -> bool:
        """Send ``command``; False where the sweeper's error queue says that it did not take it."""
        self._client.write(command)
        return not (self._checks_errors and self._client.drain_errors())

    # --- what the host asks -------------------------------------------------------------------

    def identify(self) -> Identity:
        """As ``*IDN?`` said on opening, and for a serial port where its USB device is."""
        return self._identity

    def capabilities(self) -> Capabilities:
        assert self._surveyed is not None
        return self._surveyed.capabilities

    def estimate_s(self, request: SweepRequest) -> float | None:
        """The sweeper's own sweep time for it, times the averages, and the trace's way here."""
        self._settings.apply(request)
        time_s = self._sweep_time_s()
        return None if time_s is None else time_s + self._transfer_s(request.points)

    def sweep(self, request: SweepRequest) -> Trace:
        if self._dialect.status and self._restarted():
            self._powered_on = True
            self._be_the_same()
            self._prepare()
        with self._source_for(request):
            span, changed = self._settings.apply(request)
            if changed and self._context.cancel.wait(self._dialect.settle_s):
                raise TransportClosed("cancelled while the settings settle")
            level = self._read_levels(request.points, until_s=self._run_sweep(request.points))
        self._check_errors()
        flags = SweepFlag.POWERED_ON if self._powered_on else NO_FLAGS
        self._powered_on = False
        return Trace(
            level=level,
            unit=self._dialect.unit,
            reported=self._reported(request),
            frequency_hz=_axis_if_other(span, request),
            flags=flags,
        )

    def set_source(self, request: SourceRequest) -> None:
        if not self.capabilities().source:
            return
        if request.on:
            self._source_on(request)
        else:
            self._client.write("OUTP 0")
        self._check_errors()

    def close(self) -> None:
        """Source off, sweep ended. The answer to ``*OPC?`` says that it was done, not just sent."""
        try:
            # Also where no source was recognised: one that is there stays off for certain.
            off = "" if self._dialect.source == "no" else ";OUTP 0"
            if self._client.is_broken:
                self._client.restart()
                self._client.write(f"ABOR{off}")
                # On a stream an old answer may be taken for this one; then nothing is lost but
                # the certainty.
                self._client.query("*OPC?", timeout_s=0.2)
            else:
                self._client.write(f"ABOR{off}")
                self._client.query("*OPC?", timeout_s=0.4)
        except SweeperError:
            pass  # the link is gone; the host opens anew and turns the source off first thing

    # --- a sweep ------------------------------------------------------------------------------

    def _restarted(self) -> bool:
        return bool(round(self._client.query_number("*ESR?")) & POWER_ON_BIT)

    def _sweep_time_s(self) -> float | None:
        reported = self._settings.reported
        if reported.sweep_time_s is None:
            return None
        return reported.sweep_time_s * (reported.averages or 1)

    def _run_sweep(self, points: int) -> float:
        """One sweep; the moment of the monotonic clock by which its levels must be here."""
        time_s = self._sweep_time_s()
        # Below the host's own limit (three times and 2 s), so that the error names the command.
        limit_s = self._dialect.sweep_timeout_s if time_s is None else 2.5 * time_s + 1.5
        until_s = math.inf
        if time_s is not None:
            until_s = time.monotonic() + limit_s + 2.5 * self._transfer_s(points)
        done = self._client.query("INIT:IMM;*OPC?", timeout_s=limit_s)
        if number(done) != 1:
            raise ProtocolViolation(expected="1 from *OPC? after the sweep", got=done)
        return until_s

    def _transfer_s(self, points: int) -> float:
        if self._bytes_per_s is None:
            return 0.0
        return points * (self._width or TEXT_BYTES_PER_POINT) / self._bytes_per_s

    def _read_levels(self, points: int, *, until_s: float) -> NDArray[Any]:
        limit_s = self._dialect.timeout_s + 1e-4 * points + 3 * self._transfer_s(points)
        limit_s = min(limit_s, max(READ_LEAST_S, until_s - time.monotonic()))
        answer = self._client.query_data(f"TRAC? {self._dialect.trace}", timeout_s=limit_s)
        if isinstance(answer, Line):
            # Text also where REAL,32 was asked for: what came is what counts.
            return numbers(answer.text)
        size = len(answer.payload)
        width = next((w for w in (4, 8) if size == w * points), self._width or 4)
        order = BYTE_ORDERS[self._dialect.byte_order]
        return decode_reals(answer.payload, width=width, byte_order=order)

    def _reported(self, request: SweepRequest) -> Any:
        source = request.source
        level = source.level_dbm if source is not None and source.on else None
        return replace(self._settings.reported, source_level_dbm=level)

    def _check_errors(self) -> None:
        if not self._checks_errors:
            return
        if errors := self._client.drain_errors():
            self._settings.forget()
            raise SweeperReported(errors)

    # --- the source ---------------------------------------------------------------------------

    @contextmanager
    def _source_for(self, request: SweepRequest) -> Iterator[None]:
        """The source as the request wants it, and off again in every way out."""
        source = request.source
        if source is None or not self.capabilities().source:
            yield
            return
        try:
            if source.on:
                self._source_on(source)
            else:
                self._client.write("OUTP 0")
            yield
        finally:
            if not self._client.is_broken:
                self._client.write("OUTP 0")

    def _source_on(self, source: SourceRequest) -> None:
        if source.level_dbm is not None:
            self._client.write(f"SOUR:POW {source.level_dbm:.3f}")
        if source.frequency_hz is not None:
            self._client.write(f"SOUR:FREQ {source.frequency_hz:.3f}")
        self._client.write("OUTP 1")
        if self._context.cancel.wait(self._dialect.settle_s):
            self._client.write("OUTP 0")
            raise TransportClosed("cancelled while the source settles")


def _axis_if_other(span: Span, request: SweepRequest) -> NDArray[np.float64] | None:
    """The axis that the sweeper took, where it is off the one asked for by 1 % of a step."""
    off_hz = max(abs(span.start_hz - request.start_hz), abs(span.stop_hz - request.stop_hz))
    if off_hz <= max(0.01 * request.step_hz, 1e-9 * request.stop_hz):
        return None
    return np.linspace(span.start_hz, span.stop_hz, span.points)
