"""GPIB by PyVISA-py, where a library for it is installed.

Tried with no instrument and no interface: what is here keeps to what PyVISA documents. A read that
waits in the library cannot be ended from outside, so the status byte is asked first, many times a
second, until the instrument says that a message is available (bit 4, IEEE 488.2). An instrument
without a status byte cannot be read this way.
"""

from __future__ import annotations

import threading
import time
from typing import Any, Final

import pyvisa
from pyvisa.constants import StatusCode

from acqd.drivers.visa_names import VisaName
from acqd.errors import TransportClosed, TransportError, TransportTimeout
from acqd_scpi.visa_link import Pipe

__all__ = ["ResourcePipe", "open_gpib"]

MESSAGE_AVAILABLE: Final = 16
ASK_EVERY_S: Final = 0.02
READ_MS_LEAST: Final = 200

WHAT_TO_INSTALL: Final = (
    "GPIB needs the driver of the interface and a library: linux-gpib, or gpib-ctypes from PyPI "
    "with the maker's library"
)


def open_gpib(address: str, name: VisaName, deadline_s: float) -> Pipe:
    """Open the instrument.

    Raises:
        TransportError: no library, with what to install; no interface, or no such instrument.
    """
    open_ms = max(1, int((deadline_s - time.monotonic()) * 1e3))
    try:
        manager = pyvisa.ResourceManager("@py")
        resource = manager.open_resource(name.resource, open_timeout=open_ms)
    except (ValueError, ImportError) as error:
        raise TransportError(f"{address}: {WHAT_TO_INSTALL}") from error
    except Exception as error:
        raise TransportError(f"{address}: cannot open: {error}") from error
    return ResourcePipe(address, resource)


class ResourcePipe:
    """Any message-based resource of PyVISA; see :class:`acqd_scpi.visa_link.Pipe`."""

    def __init__(self, address: str, resource: Any) -> None:
        self._address = address
        self._resource = resource
        self._stopped = threading.Event()

    def send(self, message: bytes, deadline_s: float) -> None:
        self._set_timeout(deadline_s)
        sent, status = self._do(self._resource.visalib.write, self._resource.session, message)
        if status == StatusCode.error_timeout:
            raise TransportTimeout(f"{self._address}: took {sent} of {len(message)} bytes in time")
        if status < 0 or sent < len(message):
            raise TransportError(f"{self._address}: took {sent} of {len(message)} bytes")

    def receive(self, max_bytes: int, deadline_s: float) -> tuple[bytes, bool]:
        while not self._do(self._resource.read_stb) & MESSAGE_AVAILABLE:
            if self._stopped.wait(ASK_EVERY_S):
                raise TransportClosed(f"{self._address}: interrupted")
            if time.monotonic() >= deadline_s:
                raise TransportTimeout(f"{self._address}: nothing came")
        self._set_timeout(deadline_s)
        lib = self._resource.visalib
        with self._resource.ignore_warning(
            StatusCode.success_max_count_read, StatusCode.success_termination_character_read
        ):
            data, status = self._do(lib.read, self._resource.session, max_bytes)
        if status < 0:
            raise TransportTimeout(f"{self._address}: an answer stopped on its way")
        return bytes(data), status != StatusCode.success_max_count_read

    def clear(self, deadline_s: float) -> None:
        self._set_timeout(deadline_s)
        self._do(self._resource.clear)

    def interrupt(self) -> None:
        self._stopped.set()

    def resume(self) -> None:
        self._stopped.clear()

    def close(self, hurry: bool) -> None:
        self._do(self._resource.close)

    def _set_timeout(self, deadline_s: float) -> None:
        left_ms = int((deadline_s - time.monotonic()) * 1e3)
        self._resource.timeout = max(READ_MS_LEAST, left_ms)

    def _do(self, call: Any, *args: Any) -> Any:
        if self._stopped.is_set() and call != self._resource.close:
            raise TransportClosed(f"{self._address}: interrupted")
        try:
            return call(*args)
        except pyvisa.errors.VisaIOError as error:
            if error.error_code == StatusCode.error_timeout:
                raise TransportTimeout(f"{self._address}: {error.description}") from error
            raise TransportError(f"{self._address}: {error.description}") from error
        except Exception as error:  # the library below may raise anything
            what = str(error) or type(error).__name__
            raise TransportError(f"{self._address}: {what}") from error
