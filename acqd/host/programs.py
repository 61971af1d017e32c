"""The programs and libraries that a station leans on: the broker, Python, what acqd imports."""

from __future__ import annotations

import platform
import re
import socket
import ssl
import sys
from contextlib import closing
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, requires, version
from typing import Final

from acqd.errors import BrokerError
from acqd.host.checks import HostCheck, good, to_do, unknown
from acqd.host.here import Here
from acqd.host.needs import Needs
from acqd.host.within import within
from acqd.publish.broker import find_mosquitto
from acqd.publish.child import claim_ports
from acqd.publish.settings import BrokerSettings, Endpoint

__all__ = ["Requirement", "broker", "libraries", "parse_requirement"]

BROKER: Final = "broker"
LIBRARIES: Final = "Python and libraries"

CONNECT_WITHIN_S: Final = 5.0
OLDEST_PYTHON: Final = (3, 11)
LOADED: Final = ("numpy", "h5py", "deflate", "pydantic")
"""What a run imports of compiled libraries: a build for another processor ends the process."""

CONNECT: Final = bytes.fromhex("100c00044d5154540402000a0000")
"""A CONNECT of MQTT 3.1.1 with an empty client id and a clean session (OASIS, section 3.1)."""
REFUSED: Final = {4: "wants a user name and a password", 5: "does not let this client in"}


def broker(here: Here, needs: Needs, *, is_running: bool = False) -> HostCheck:
    """Whether there is a broker; one that is named by its address is asked whether it is one.

    ``is_running``: the config's station runs, and with it its own broker.
    """
    if needs.broker_place == "none":
        return good(BROKER, "the config names none")
    if needs.broker_place == "embedded":
        return good(BROKER, 'the embedded one, for a trial; for a night `broker = "local"`')
    if needs.broker_place == "url" and needs.broker is not None:
        return _far(needs.broker)
    if not here.is_real:
        return unknown(BROKER, "not looked for: this is not the machine at hand")
    try:
        program = find_mosquitto()
    except BrokerError:
        return to_do(
            BROKER,
            'mosquitto, which `broker = "local"` starts, is not installed',
            "`sudo apt install mosquitto`, then `sudo systemctl disable --now mosquitto` (acqd "
            'starts its own); or `broker = "embedded"` for a trial',
        )
    address = (
        Endpoint(host="127.0.0.1", port=1883) if needs.broker is None else needs.broker.address
    )
    if is_running:
        return good(BROKER, f"the running station's own, {program} on {address}")
    try:
        claim_ports(address.host, [address.port], hint="")
    except BrokerError:
        return to_do(
            BROKER,
            f"{program} is there, but another program listens on {address}",
            "`sudo systemctl disable --now mosquitto` where it is the distribution's own, or "
            f'`broker = "mqtt://{address}"` to use that one, or another `address` in [mqtt]',
        )
    return good(BROKER, f"{program}; {address} is free for it")


def _far(settings: BrokerSettings) -> HostCheck:
    where = settings.address
    try:
        code = within(2 * CONNECT_WITHIN_S, lambda: _connack(settings))
    except (OSError, ssl.SSLError, BrokerError) as exc:
        problem = getattr(exc, "strerror", None) or str(exc) or type(exc).__name__
        return to_do(
            BROKER,
            f"{where} does not answer: {problem}",
            "start it, or mend `broker` in [mqtt]; meanwhile findings are kept for sending",
        )
    if code is None:
        return to_do(
            BROKER, f"what answers at {where} is no MQTT broker", "mend `broker` in [mqtt]"
        )
    said = REFUSED.get(code, "answers")
    beside = "; with which the config's secrets are not tried here" if code in REFUSED else ""
    return good(BROKER, f"{where} {said}{beside}")


def _connack(settings: BrokerSettings) -> int | None:
    """What a broker says to a client that it does not know; None where it is no broker."""
    address = settings.address
    with closing(
        socket.create_connection((address.host, address.port), timeout=CONNECT_WITHIN_S)
    ) as plain:
        context = settings.tls_context()
        link = (
            plain if context is None else context.wrap_socket(plain, server_hostname=address.host)
        )
        with closing(link):
            link.sendall(CONNECT)
            answer = link.recv(4)
            if len(answer) == 4 and answer[:2] == b"\x20\x02":
                link.sendall(b"\xe0\x00")
                return answer[3]
    return None


# -- libraries -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirement:
    """A distribution, and the lowest version that does, "" where any does."""

    name: str
    lowest: str


_REQUIREMENT = re.compile(
    r"(?P<name>[A-Za-z0-9._-]+)(?:\[[^]]*\])?(?P<versions>[^;]*)(;(?P<marker>.*))?"
)


def parse_requirement(line: str) -> Requirement | None:
    """A line of a distribution's requirements; None where it belongs to an extra or another
    system. Only lower bounds are read, which is all that acqd has."""
    match = _REQUIREMENT.match(line.strip())
    if match is None:
        return None
    marker = match["marker"] or ""
    if "extra" in marker:
        return None
    wanted = re.search(r"sys_platform\s*==\s*['\"](\w+)['\"]", marker)
    if wanted is not None and not sys.platform.startswith(wanted[1]):
        return None
    lowest = re.search(r">=\s*([0-9][0-9.]*)", match["versions"] or "")
    return Requirement(name=match["name"], lowest="" if lowest is None else lowest[1])


def _release(text: str) -> tuple[int, ...]:
    return tuple(int(part) for part in re.findall(r"\d+", text.split("+")[0])[:3])


def libraries(here: Here) -> HostCheck:
    """Whether Python and what acqd imports are there, new enough, and built for this machine."""
    if sys.version_info < OLDEST_PYTHON:
        oldest = ".".join(map(str, OLDEST_PYTHON))
        return to_do(
            LIBRARIES,
            f"Python {platform.python_version()} is older than {oldest}",
            f"make the environment anew with Python {oldest} or later",
        )
    again = f"`{sys.executable} -m pip install --upgrade acqd`"
    missing = [problem for line in requires("acqd") or () if (problem := _unmet(line))]
    if missing:
        return to_do(LIBRARIES, "; ".join(missing[:4]), again)
    versions = f"Python {platform.python_version()}, h5py {version('h5py')}"
    if (
        here.is_real
        and here.asked([sys.executable, "-P", "-c", f"import {', '.join(LOADED)}"], within_s=60.0)
        is None
    ):
        return to_do(
            LIBRARIES,
            f"{versions}: {', '.join(LOADED)} are installed but cannot be loaded",
            f"`{sys.executable} -c 'import {', '.join(LOADED)}'` says why; a build for another "
            f"processor is mended by installing anew",
        )
    return good(LIBRARIES, versions)


def _unmet(line: str) -> str:
    wanted = parse_requirement(line)
    if wanted is None:
        return ""
    name, lowest = wanted.name, wanted.lowest
    try:
        found = version(name)
    except PackageNotFoundError:
        return f"{name} is missing"
    if lowest and _release(found) < _release(lowest):
        return f"{name} {found} is older than {lowest}"
    return ""
