"""The ``[mqtt]`` table: which broker, and how to reach it. Secrets never stand in it."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal
from urllib.parse import SplitResult, urlsplit

from pydantic import AfterValidator, Field

from acqd.config.quantity import refusal
from acqd.config.tables import (
    AtMostOne,
    Count,
    KeyRule,
    Misfit,
    PathText,
    Switch,
    Table,
    Unwelcome,
)

__all__ = ["BrokerPlace", "Endpoint", "HostPort", "MqttTable", "ServeTable", "host_and_port"]

BrokerPlace = Literal["local", "embedded", "none", "url"]
"""Whose broker it is: started by the station, within the station, nobody's, or somebody else's."""

DEFAULT_PORT = {"mqtt": 1883, "mqtts": 8883}
"""Registered with IANA for MQTT and for MQTT over TLS."""

_SECRETS = 'password_env = "NAME" of the environment, or password_file; the user is `user`'
_BROKERS = '"local", "embedded", "none", or a URL such as "mqtts://broker.example:8883"'
_ENV_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_USER = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_HOST_NAME = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?")
_TOPIC_ROOT = re.compile(r"[A-Za-z0-9_-]{1,32}(/[A-Za-z0-9_-]{1,32}){0,3}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Endpoint:
    """Where a broker listens."""

    host: str
    port: int
    tls: bool = False

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{host}:{self.port}"


def _broker(text: str) -> str:
    if text in ("local", "embedded", "none"):
        return text
    if "://" not in text:
        raise refusal("neither a word that is known nor a URL", accepted=_BROKERS)
    try:
        url = urlsplit(text)
        port = url.port
    except ValueError as exc:
        raise refusal("not a URL", accepted=_BROKERS) from exc
    problem = _problem_of_url(url, port)
    if problem:
        accepted = _SECRETS if "@" in url.netloc else "mqtt://HOST, mqtts://HOST, with :PORT or not"
        raise refusal(problem, accepted=accepted)
    return text


def _problem_of_url(url: SplitResult, port: int | None) -> str:
    if "@" in url.netloc:
        return "user and password have no place in the text of a config"
    if url.scheme not in DEFAULT_PORT:
        return f"unknown scheme `{url.scheme}`"
    if not url.hostname or port == 0:
        return "no host, or port 0"
    if url.path not in ("", "/") or url.query or url.fragment:
        return "something after host and port"
    return ""


def host_and_port(text: str) -> Endpoint:
    """The two halves of HOST:PORT, the host in brackets where it is an IPv6 address."""
    host, colon, port = text.rpartition(":")
    if not colon or not port.isascii() or not port.isdigit() or not 1 <= int(port) <= 65535:
        raise refusal("not HOST:PORT", accepted='a host and a port, such as "127.0.0.1:1883"')
    return Endpoint(host=host.removeprefix("[").removesuffix("]"), port=int(port))


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _loopback(text: str) -> str:
    # The station's own broker lets anybody in, so it must not be seen from outside this machine.
    if not _is_loopback(host_and_port(text).host):
        raise refusal(
            "not an address of this machine alone",
            accepted='a loopback address and a port, such as "127.0.0.1:1883"; for others to '
            "listen, run a broker with passwords and give its URL as `broker`",
        )
    return text


def _host_port(text: str) -> str:
    if not _may_be_host(host_and_port(text).host):
        raise refusal(
            "not an address of this machine",
            accepted='an address of this machine and a port: "0.0.0.0:8883" for all of IPv4, '
            '"[::]:8883" for IPv6 as well',
        )
    return text


def _host(text: str) -> str:
    if not _may_be_host(text):
        raise refusal(
            "not a name or address of a machine",
            accepted='what others reach this machine by, such as "shack.example" or "192.0.2.20"',
        )
    return text


def _may_be_host(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return _HOST_NAME.fullmatch(text) is not None
    return True


def _user(text: str) -> str:
    if not _USER.fullmatch(text):
        raise refusal("not a user's name", accepted="1 to 64 of A-Z a-z 0-9 . _ -")
    return text


def _env_name(text: str) -> str:
    if not _ENV_NAME.fullmatch(text):
        raise refusal(
            "not a name of an environment variable (the value itself has no place here)",
            accepted='a name, such as "ACQD_MQTT_PASSWORD"',
        )
    return text


def _topic_root(text: str) -> str:
    if not _TOPIC_ROOT.fullmatch(text):
        accepted = "1 to 4 levels with / between them, each 1 to 32 of A-Z a-z 0-9 _ -"
        raise refusal("not fit to begin topics with", accepted=accepted)
    return text


EnvName = Annotated[str, AfterValidator(_env_name)]
Host = Annotated[str, AfterValidator(_host)]
HostPort = Annotated[str, AfterValidator(_host_port)]
"""HOST:PORT to listen at, an address of this machine, where others may come."""
Loopback = Annotated[str, AfterValidator(_loopback)]


class ServeTable(Table):
    """``[mqtt.serve]``: the station's own broker, for others on the local network as well."""

    address: HostPort = "0.0.0.0:8883"
    names: Annotated[tuple[Host, ...], Field(max_length=20)] = ()
    folder: PathText = "shack"
    open: Switch = False
    plain: Switch = False

    @property
    def endpoint(self) -> Endpoint:
        """Where others come in."""
        at = host_and_port(self.address)
        return Endpoint(host=at.host, port=at.port, tls=not self.plain)


class MqttTable(Table):
    """``[mqtt]``: the broker that summaries and findings go to."""

    broker: Annotated[str, AfterValidator(_broker)] = "local"
    address: Loopback = "127.0.0.1:1883"
    websocket: Loopback | None = None
    version: Literal["5", "3.1.1"] = "5"
    user: Annotated[str, AfterValidator(_user)] | None = None
    user_env: EnvName | None = None
    password_env: EnvName | None = None
    password_file: PathText | None = None
    ca_file: PathText | None = None
    topic_root: Annotated[str, AfterValidator(_topic_root)] = "acqd"
    trace_points: Annotated[Count, Field(ge=2, le=2000)] = 200
    outbox: Annotated[Count, Field(ge=10, le=100_000)] = 1000
    serve: ServeTable | None = None

    rules: ClassVar[tuple[KeyRule, ...]] = (
        AtMostOne(("user", "user_env")),
        AtMostOne(("password_env", "password_file")),
        *(
            Unwelcome(key, "secrets have no place in the text of a config", _SECRETS)
            for key in ("username", "password")
        ),
    )

    def misfits(self) -> Iterator[Misfit]:
        if self.websocket is not None and self.broker != "local":
            yield Misfit(
                key="websocket",
                problem="only the local broker has a WebSocket that the station sets up",
                accepted='`websocket` with broker = "local", else without it',
            )
        if self.websocket is not None and self.websocket == self.address:
            yield Misfit(
                key="websocket", problem="the same as `address`", accepted="a port of its own"
            )
        yield from self._misfits_of_serve()
        has_password = self.password_env is not None or self.password_file is not None
        has_user = self.user is not None or self.user_env is not None
        if has_password and not has_user and self.version == "3.1.1":
            yield Misfit(
                key="version",
                problem="MQTT 3.1.1 has no password without a user name",
                accepted="also `user` or `user_env`",
            )
        if self.ca_file is not None and not self.broker.startswith("mqtts://"):
            yield Misfit(
                key="ca_file",
                problem="a certificate authority, but no TLS",
                accepted='broker = "mqtts://…", or without `ca_file`',
            )

    def _misfits_of_serve(self) -> Iterator[Misfit]:
        if self.serve is None:
            return
        if self.broker != "local":
            yield Misfit(
                key="serve",
                problem=f'a broker for others, and broker = "{self.broker}": only mosquitto, '
                "started by the station, can serve the network",
                accepted='`serve` with broker = "local" (mosquitto installed), else without it',
            )
        ports = {"address": self.address, "websocket": self.websocket}
        for key, text in ports.items():
            if text is not None and host_and_port(text).port == self.serve.endpoint.port:
                yield Misfit(
                    key="serve",
                    problem=f"its port is that of `{key}`",
                    accepted="a port of its own: the station itself stays on loopback",
                )

    @property
    def place(self) -> BrokerPlace:
        """Whose broker it is."""
        match self.broker:
            case "local" | "embedded" | "none":
                return self.broker
            case _:
                return "url"

    @property
    def endpoint(self) -> Endpoint | None:
        """Where the broker listens; None where there is none."""
        if self.place == "none":
            return None
        if self.place != "url":
            return host_and_port(self.address)
        url = urlsplit(self.broker)
        port = url.port or DEFAULT_PORT[url.scheme]
        return Endpoint(host=url.hostname or "", port=port, tls=url.scheme == "mqtts")

    @property
    def websocket_endpoint(self) -> Endpoint | None:
        """Where the local broker also listens for WebSockets, if anywhere."""
        return None if self.websocket is None else host_and_port(self.websocket)

    @property
    def sends_secrets_in_clear(self) -> bool:
        """True where a password would go over a network without TLS."""
        endpoint = self.endpoint
        has_secret = self.password_env is not None or self.password_file is not None
        is_far = endpoint is not None and not _is_loopback(endpoint.host)
        return has_secret and is_far and endpoint is not None and not endpoint.tls
