"""What announces itself on the local network as an instrument, by multicast DNS (RFC 6762, 6763).

The service types are the registered ones of LXI, raw SCPI, HiSLIP and VXI-11. Asking sends a few
multicast questions and opens no connection to anybody; it is done only where somebody looks for
sweepers. What comes back is whatever somebody on the network says: names and texts are cut,
made printable and believed in nothing. The address in the config is what counts, and who answers
there is what it is.

Limits: names do not cross routers. A host that announces several addresses is taken at its first
of IPv4, else of IPv6; at most 200 services are listed, with 20 texts each.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Final

from acqd.drivers.contract import Service
from acqd.drivers.usbports import clean
from acqd.errors import TransportError

if TYPE_CHECKING:
    from zeroconf import ServiceInfo, ServiceStateChange, Zeroconf

__all__ = ["BROWSE_S", "KINDS", "addresses_of", "browse", "forms_of_host", "texts"]

KINDS: Final = ("_hislip._tcp", "_scpi-raw._tcp", "_vxi-11._tcp", "_lxi._tcp")
"""Service types, those that give the best link first."""

BROWSE_S: Final = 2.0
INFO_S: Final = 1.0
"""After the browsing, for what was not said with the announcement, of all together."""

SERVICES_MAX: Final = 200
TEXTS_MAX: Final = 20
KEY_MAX: Final = 40
VALUE_MAX: Final = 100

RAW_PORT: Final = 5025
HISLIP_PORT: Final = 4880
"""Registered with IANA: scpi-raw and hislip."""


def browse(
    limit_s: float = BROWSE_S,
    *,
    interfaces: Sequence[str] | None = None,
    enough: Callable[[Sequence[Service]], bool] = lambda found: False,
) -> list[Service]:
    """What is announced within ``limit_s`` seconds, by kind and name. Blocks for that long.

    Args:
        limit_s: how long to listen.
        interfaces: numeric addresses of this machine to ask from; all where not given.
        enough: asked now and then with what is known whole; true ends the listening.

    Raises:
        TransportError: the network cannot be listened to.
    """
    from zeroconf import InterfaceChoice, ServiceBrowser, Zeroconf

    try:
        zeroconf = Zeroconf(interfaces=interfaces or InterfaceChoice.All)
    except Exception as error:
        # No multicast, no permission, no interface: many kinds, one meaning.
        raise TransportError(f"the network cannot be asked for instruments: {error}") from error
    names: dict[tuple[str, str], None] = {}
    changed = threading.Event()

    def heard(
        zeroconf: Zeroconf, service_type: str, name: str, state_change: ServiceStateChange
    ) -> None:
        if len(names) < SERVICES_MAX:
            names[service_type, name] = None
            changed.set()

    try:
        ends_s = time.monotonic() + limit_s
        types = [f"{kind}.local." for kind in KINDS]
        browser = ServiceBrowser(zeroconf, types, handlers=[heard])
        known: dict[tuple[str, str], Service] = {}
        while (left_s := ends_s - time.monotonic()) > 0:
            changed.wait(min(left_s, 0.2))
            changed.clear()
            _learn(zeroconf, list(names), known, within_s=0.0)
            if enough(list(known.values())):
                break
        browser.cancel()
        _learn(zeroconf, list(names), known, within_s=INFO_S)
        return sorted(known.values(), key=lambda one: (KINDS.index(one.kind), one.name, one.host))
    finally:
        zeroconf.close()


def _learn(
    zeroconf: Zeroconf,
    names: Sequence[tuple[str, str]],
    known: dict[tuple[str, str], Service],
    *,
    within_s: float,
) -> None:
    """Make services of the names of which host and port are known, or become so in time."""
    from zeroconf import Error, ServiceInfo

    ends_s = time.monotonic() + within_s
    for key in names:
        if key in known:
            continue
        try:
            info = ServiceInfo(*key)
        except (Error, ValueError):
            continue  # a name that can be none: somebody plays tricks
        left_ms = (ends_s - time.monotonic()) * 1e3
        if not info.load_from_cache(zeroconf) and (
            left_ms <= 0 or not info.request(zeroconf, left_ms)
        ):
            continue
        service = _service(key[0], info)
        if service is not None:
            known[key] = service


def _service(service_type: str, info: ServiceInfo) -> Service | None:
    kind = service_type.removesuffix(".local.")
    hosts = info.parsed_scoped_addresses()
    host = next((one for one in hosts if ":" not in one), hosts[0] if hosts else "")
    if not host or not info.port:
        return None
    name = clean(info.name.removesuffix(f".{service_type}"))
    return Service(kind=kind, name=name, host=host, port=info.port, text=texts(info.properties))


def texts(properties: Mapping[bytes, bytes | None]) -> dict[str, str]:
    """The facts of a TXT record, printable and cut; what has no name is left out."""
    found: dict[str, str] = {}
    for key, value in properties.items():
        name = clean(key.decode("utf-8", "replace"))[:KEY_MAX]
        if not name or len(found) >= TEXTS_MAX:
            continue
        found[name] = clean((value or b"").decode("utf-8", "replace"))[:VALUE_MAX]
    return found


def addresses_of(service: Service) -> tuple[str, ...]:
    """What a config could say to reach a service, the best first; of LXI, which names a page for
    people, the usual ways in."""
    host, port = service.host, service.port
    match service.kind:
        case "_scpi-raw._tcp":
            return (_raw(host, port),)
        case "_hislip._tcp":
            return _visa(host, "hislip0" if port == HISLIP_PORT else f"hislip0,{port}")
        case "_vxi-11._tcp":
            return _visa(host, "inst0")
        case _:
            return forms_of_host(host)


def forms_of_host(host: str) -> tuple[str, ...]:
    """Addresses on the registered ports of a host: HiSLIP, then raw SCPI."""
    return (*_visa(host, "hislip0"), _raw(host, RAW_PORT))


def _raw(host: str, port: int) -> str:
    return f"tcp://[{host}]:{port}" if ":" in host else f"tcp://{host}:{port}"


def _visa(host: str, device: str) -> tuple[str, ...]:
    # Resource strings have no form for numeric addresses of IPv6.
    return () if ":" in host else (f"TCPIP0::{host}::{device}::INSTR",)
