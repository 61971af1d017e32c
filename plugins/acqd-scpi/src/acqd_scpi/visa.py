"""Links by VISA resource strings.

:func:`open_visa` is the entry point ``visa`` of the group ``acqd.links``: whichever driver connects
to a VISA resource string gets its link here. The forms are those of
:mod:`acqd.drivers.visa_names`. Serial ports and raw sockets are opened as the station's own links
are; HiSLIP, VXI-11, USBTMC and GPIB are spoken by PyVISA-py, on connections whose every wait has a
deadline and can be ended from another thread (:mod:`acqd_scpi.visa_link`).

PyVISA-py is imported when such a resource is opened, not before: importing it looks for USB and
GPIB libraries.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import Any, Final

from acqd.drivers.portlock import PortLock
from acqd.drivers.transport import OpenedLink, open_transport
from acqd.drivers.visa_names import VisaKind, VisaName, parse_visa
from acqd.errors import RequestRefused, TransportError
from acqd_scpi.visa_link import OPENING_CLEAR_S, Pipe, VisaLink

__all__ = ["VISA_BAUD", "open_visa"]

VISA_BAUD: Final = 9600
"""What VISA sets a serial port to where nobody says otherwise (VPP-4.3, from memory)."""


def open_visa(address: str, options: Mapping[str, Any] | None = None) -> OpenedLink:
    """Open the VISA resource ``address``.

    A link of messages (HiSLIP, VXI-11, USBTMC, GPIB) takes each ``write`` as one whole message, is
    cleared on opening and after a read that came to nothing, and is an
    :class:`acqd_scpi.client.MessageLink`.

    Args:
        address: a resource string.
        options: those of :func:`acqd.drivers.transport.open_transport`; ``connect_timeout_s``
            (default 5) is for the network and limits opening and the device clear together.

    Raises:
        RequestRefused: no resource string of a form that is opened, or an option that does not fit.
        PortBusy: another process has this resource open through here.
        TransportError: it cannot be opened; for GPIB also where no library is installed.
    """
    name = parse_visa(address)
    given = options or {}
    if name.kind is VisaKind.SERIAL:
        return open_transport(f"serial:{name.path}", {"baud": VISA_BAUD, **given})
    if name.kind is VisaKind.SOCKET:
        return open_transport(f"tcp://{name.host}:{name.port}", given)
    timeout_s = _connect_timeout_s(given)
    # Importing takes seconds on a small machine, which are not the sweeper's.
    opener = _opener(name.kind)
    lock = PortLock(address, name.key)
    try:
        deadline_s = time.monotonic() + timeout_s
        pipe = opener(address, name, deadline_s)
        link = VisaLink(address, pipe, release=lock.release)
        try:
            link.clear(timeout_s=max(OPENING_CLEAR_S, deadline_s - time.monotonic()))
        except BaseException:
            link.close()
            raise
    except BaseException:
        lock.release()
        raise
    return link


def _connect_timeout_s(options: Mapping[str, Any]) -> float:
    value = options.get("connect_timeout_s", 5.0)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not 0.05 <= value <= 60.0:
        limit = "a number from 0.05 to 60"
        raise RequestRefused(setting="option connect_timeout_s", asked=repr(value), limit=limit)
    return float(value)


def _opener(kind: VisaKind) -> Callable[[str, VisaName, float], Pipe]:
    """Who opens resources of ``kind``; imports PyVISA-py."""
    try:
        match kind:
            case VisaKind.HISLIP:
                from acqd_scpi.visa_hislip import open_hislip

                return open_hislip
            case VisaKind.VXI11:
                from acqd_scpi.visa_vxi11 import open_vxi11

                return open_vxi11
            case VisaKind.USBTMC:
                from acqd_scpi.visa_usbtmc import open_usbtmc

                return open_usbtmc
            case _:
                from acqd_scpi.visa_gpib import open_gpib

                return open_gpib
    except ImportError as error:
        raise TransportError(
            f"{kind} cannot be spoken here: {error}; install acqd-scpi anew with its dependencies"
        ) from error
