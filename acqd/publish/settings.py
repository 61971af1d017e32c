"""Which broker, spoken to how, and what may pile up while it is away."""

from __future__ import annotations

import ipaddress
import ssl
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any, Protocol

from acqd.config.mqtt import Endpoint
from acqd.errors import BrokerError
from acqd.hidden import hide
from acqd.publish.topics import DEFAULT_ROOT

__all__ = ["BrokerSettings", "Endpoint", "EventLog", "MqttVersion", "is_loopback"]


class EventLog(Protocol):
    """What this package needs of a logger: structlog's bound loggers have it."""

    def debug(self, event: str, /, **fields: Any) -> Any: ...

    def info(self, event: str, /, **fields: Any) -> Any: ...

    def warning(self, event: str, /, **fields: Any) -> Any: ...

    def error(self, event: str, /, **fields: Any) -> Any: ...


class MqttVersion(StrEnum):
    """Version of the MQTT protocol to speak."""

    V311 = "3.1.1"
    V5 = "5"


class ClosedUnlessAgreed(ssl.SSLSocket):
    """Closes itself where the handshake fails. paho lets go of such a socket, which then stays open
    until somebody collects it."""

    def do_handshake(self, block: bool = False) -> None:
        """As the base class."""
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def is_loopback(endpoint: Endpoint) -> bool:
    """True where only this machine can be meant."""
    try:
        return ipaddress.ip_address(endpoint.host).is_loopback
    except ValueError:
        return endpoint.host == "localhost"


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerSettings:
    """How to speak to one broker. User and password are in no repr, log line or error."""

    address: Endpoint
    version: MqttVersion = MqttVersion.V5
    user: str | None = field(default=None, repr=False)
    password: str | None = field(default=None, repr=False)
    ca_file: Path | None = None
    """Certificates to trust, PEM; None trusts those of the system. Only with TLS."""
    topic_root: str = DEFAULT_ROOT
    client_id: str | None = None
    """None: made from the station's name."""
    fresh_client_id: bool = False
    """A new client id for each connection: for brokers that fail when one comes back."""
    keep_alive_s: int = 20
    """A dead link is noticed after at most twice this."""
    timeout_s: float = 10.0
    """For connecting, and for the broker's word on each message."""
    outbox: int = 1000
    """Findings of a job that are kept for sending; older ones are fetched from the archive."""
    payload_max_bytes: int = 131_072
    """A larger message is not sent at all: many brokers drop the connection of who tries."""
    topics_max: int = 2048
    """Topics with something retained, and again topics with something live, at the most."""
    retained_advice: int | None = None
    """With more retained topics the broker will not hand all of them out; said once."""

    def __post_init__(self) -> None:
        hide(self.password)

    def tls_context(self) -> ssl.SSLContext | None:
        """The TLS context, or None without TLS. Reads files.

        Raises:
            BrokerError: the certificate file cannot be used.
        """
        if not self.address.tls:
            return None
        try:
            context = ssl.create_default_context(
                cafile=None if self.ca_file is None else str(self.ca_file)
            )
        except (OSError, ssl.SSLError) as exc:
            raise BrokerError(
                f"broker {self.address}: cannot use the certificates of {self.ca_file}: {exc}"
            ) from exc
        context.sslsocket_class = ClosedUnlessAgreed
        return context
