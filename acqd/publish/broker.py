"""The station's own broker: mosquitto on loopback, or the embedded one for a trial.

Both are child processes with a generated configuration, watched and probed by
:class:`~acqd.publish.child.ChildBroker`. At their own address anybody on this machine may connect
and nobody else can: another than a loopback one is refused. mosquitto may serve others as well, at
an address of its own, with TLS and passwords (:mod:`acqd.publish.sharing_served`).
"""

from __future__ import annotations

import asyncio
import importlib.util
import os
import shutil
import sys
import tempfile
from collections.abc import Callable
from contextlib import AsyncExitStack, suppress
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Self

from acqd.errors import BrokerError
from acqd.publish.child import BrokerTimings, ChildBroker, Command, claim_ports, free_port
from acqd.publish.link import PACKET_MOST_BYTES
from acqd.publish.settings import (
    BrokerSettings,
    Endpoint,
    EventLog,
    MqttVersion,
    is_loopback,
)
from acqd.publish.sharing_served import Ears, Serve, Served
from acqd.publish.threads import OwnThreads

__all__ = ["Broker", "EmbeddedBroker", "LocalBroker", "find_mosquitto"]

MOSQUITTO_PLACES = ("/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin", "/usr/local/opt/bin")
"""Where distributions put it although these are often not on a user's PATH."""

SERVICE_USERS = ("mosquitto", "nobody")
"""Whom it runs as where the station runs as root; the first that exists."""

EMBEDDED_RETAINED = 100
"""The embedded broker hands at most so many retained messages to a wildcard subscription."""

_PORT_HINT = "another program has it; stop that one or give another port as `address` in [mqtt]"
_SERVE_HINT = (
    "stop the other program that has it, or give another address and port as `address` in "
    "[mqtt.serve]"
)


def find_mosquitto() -> Path:
    """The mosquitto program.

    Raises:
        BrokerError: there is none; says how to get one.
    """
    path = os.pathsep.join([os.environ.get("PATH", os.defpath), *MOSQUITTO_PLACES])
    found = shutil.which("mosquitto", path=path)
    if found is None:
        raise BrokerError(
            "mosquitto is not installed: `apt install mosquitto` (or your system's way), "
            'or broker = "embedded" for a trial, or the URL of another broker'
        )
    return Path(found)


class Broker:
    """A broker of the station's own: what the two have in common."""

    name = ""

    def __init__(
        self,
        address: Endpoint,
        *,
        log: EventLog,
        runtime_folder: Path | None,
        on_up: Callable[[], None] | None,
        timings: BrokerTimings | None,
    ) -> None:
        if not is_loopback(address):
            raise BrokerError(
                f"the station's own broker lets anybody in, so it must listen on a loopback "
                f"address, not {address.host}; for others to connect run a broker with passwords"
            )
        self._address = address
        self._log = log
        self._folder = runtime_folder
        self._on_up = on_up
        self._timings = timings
        self._stack = AsyncExitStack()
        self._child: ChildBroker | None = None

    @property
    def address(self) -> Endpoint:
        """Where it listens; with port 0 asked for, the port it got, once it has been entered."""
        return self._address

    def describe(self) -> str:
        """One line for people."""
        return f"{self.name} on {self._address}"

    def adapt(self, settings: BrokerSettings) -> BrokerSettings:
        """``settings`` as this broker, once entered, must be spoken to."""
        return replace(settings, address=self._address)

    @property
    def restarts(self) -> int:
        """How often it had to be started again."""
        return 0 if self._child is None else self._child.restarts

    @property
    def pid(self) -> int | None:
        """Process id of the broker, or of its guard where that stays; None while there is none."""
        process = None if self._child is None else self._child.process
        return None if process is None or process.returncode is not None else process.pid

    def end_within(self, limit_s: float) -> None:
        """When it is left, wait at most so long for it to end by itself; 0 kills it at once."""
        if self._child is not None:
            self._child.end_within(limit_s)

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        await self._stack.__aexit__(kind, exc, traceback)

    def _write_config(self, text: str, suffix: str, *, user: str | None = None) -> Path:
        """Write the configuration into the runtime folder: for ``user`` alone who runs the broker,
        who reads it again when told to, else for us. No secrets are in it."""
        folder = self._folder
        if folder is None:
            folder = Path(self._stack.enter_context(tempfile.TemporaryDirectory(prefix="acqd-")))
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"{self.name}-{self._address.port}.{suffix}"
        path.write_text(text, "utf-8")
        path.chmod(0o600)
        if user is not None:
            shutil.chown(path, user)
        return path

    async def _start(self, command: Command, versions: dict[MqttVersion, int]) -> None:
        listeners = [
            (Endpoint(host=self._address.host, port=port), version)
            for version, port in versions.items()
        ]
        child = ChildBroker(
            listeners=listeners,
            command=command,
            log=self._log,
            on_up=self._on_up,
            timings=self._timings,
        )
        self._child = await self._stack.enter_async_context(child)


class LocalBroker(Broker):
    """mosquitto on a loopback address, MQTT 3.1.1 and 5 on one port.

    Args:
        address: a loopback host and a port; port 0 takes a free one.
        log: one line per change of state.
        websocket: also listen for WebSockets here, if this build of mosquitto can.
        runtime_folder: for the generated configuration; None takes one that goes with us.
        on_up: called whenever it has started and answers, the first time included.
        timings: how it is watched.
        program: the mosquitto to run; None looks for it.
        serve: an address where others on the network come in, and who may.
    """

    name = "mosquitto"

    def __init__(
        self,
        address: Endpoint,
        *,
        log: EventLog,
        websocket: Endpoint | None = None,
        runtime_folder: Path | None = None,
        on_up: Callable[[], None] | None = None,
        timings: BrokerTimings | None = None,
        program: Path | None = None,
        serve: Serve | None = None,
    ) -> None:
        super().__init__(
            address, log=log, runtime_folder=runtime_folder, on_up=on_up, timings=timings
        )
        if websocket is not None and not is_loopback(websocket):
            raise BrokerError(f"the WebSocket must listen on loopback too, not {websocket.host}")
        self._websocket = websocket
        self._program = program
        self._serve = serve
        self._served: Served | None = None

    @property
    def websocket(self) -> Endpoint | None:
        """Where it listens for WebSockets; None where not asked for, or where it cannot."""
        return self._websocket

    async def __aenter__(self) -> Self:
        """Start it and wait until it answers.

        Raises:
            BrokerError: not installed, port in use, or it does not come up.
        """
        async with self._stack:
            program = self._program or find_mosquitto()
            host, port = self._address.host, self._address.port
            if port == 0:
                port = free_port(host)
                self._address = Endpoint(host=host, port=port)
            claim_ports(host, [port], hint=_PORT_HINT)
            if self._websocket is not None:
                claim_ports(self._websocket.host, [self._websocket.port], hint=_PORT_HINT)
            if self._serve is not None:
                await self._open_served(self._serve)
            try:
                await self._start_mosquitto(program)
            except BrokerError as exc:
                if self._websocket is None or "ebsocket" not in str(exc):
                    raise
                self._log.warning("broker_without_websocket", program=str(program), reason=str(exc))
                self._websocket = None
                await self._start_mosquitto(program)
            if self._served is not None:
                await self._keep_served(self._served)
            self._stack = self._stack.pop_all()
        return self

    async def _open_served(self, serve: Serve) -> None:
        claim_ports(serve.address.host, [serve.address.port], hint=_SERVE_HINT)
        for warning in serve.warnings():
            self._log.warning("shack_at_risk", choice=warning)
        served = Served(serve, user=_service_user(), log=self._log)
        self._stack.callback(served.close)
        # Certificates are made by a program; a disk may hang.
        await OwnThreads("shack").run(served.open)
        self._served = served

    async def _keep_served(self, served: Served) -> None:
        await served.reach()
        keeping = asyncio.create_task(served.keep(self._reload), name="shack")

        async def end() -> None:
            keeping.cancel()
            with suppress(asyncio.CancelledError):
                await keeping

        self._stack.push_async_callback(end)

    def _reload(self) -> None:
        if self._child is not None:
            self._child.reload()

    async def _start_mosquitto(self, program: Path) -> None:
        user = _service_user()
        command = Command(
            arguments=(str(program), "-c", "@config"),
            config=self._write_config(self._config(), "conf", user=user),
            user=user,
            hear=Ears(self._log).hear if self._served is not None else lambda line: None,
        )
        port = self._address.port
        await self._start(command, {MqttVersion.V311: port, MqttVersion.V5: port})

    def _config(self) -> str:
        lines = [
            "# Generated anew at each start.",
            "per_listener_settings true",
            f"listener {self._address.port} {self._address.host}",
            "allow_anonymous true",
            "persistence false",
            # Without it two small messages in a row cost 20 ms.
            "set_tcp_nodelay true",
            # As many retained messages as a wildcard subscription may get at QoS 1.
            "max_queued_messages 10000",
            "log_dest stderr",
            "log_type error",
            "log_type warning",
            "log_type notice",
            # Who was not let in is said among these; else the probes would fill the log.
            f"connection_messages {'false' if self._served is None else 'true'}",
        ]
        if self._websocket is not None:
            lines += [
                f"listener {self._websocket.port} {self._websocket.host}",
                "protocol websockets",
                "allow_anonymous true",
            ]
        if self._served is not None:
            lines += [f"max_packet_size {PACKET_MOST_BYTES}", *self._served.config_lines()]
        return "\n".join(lines) + "\n"

    def describe(self) -> str:
        """One line for people."""
        also = f", WebSocket on {self._websocket}" if self._websocket else ""
        shared = f"; {self._serve.describe()}" if self._serve else ""
        return f"mosquitto on {self._address}, MQTT 3.1.1 and 5{also}{shared}"


class EmbeddedBroker(Broker):
    """The broker of the ``iotcore`` wheel, for demo, tests and a trial without mosquitto.

    MQTT 3.1.1 on the port of ``address``, MQTT 5 on the next. Not fit to be left alone for a night
    without its watch: a listener of it can go deaf for good. Speak to it with a new client id for
    each connection, and keep under :data:`EMBEDDED_RETAINED` retained topics. Where several clients
    connect in the same moment it may leave one without an answer (measured: 3 of 600, two at a
    time), which connects again.
    """

    name = "embedded"

    def __init__(
        self,
        address: Endpoint,
        *,
        log: EventLog,
        runtime_folder: Path | None = None,
        on_up: Callable[[], None] | None = None,
        timings: BrokerTimings | None = None,
    ) -> None:
        super().__init__(
            address, log=log, runtime_folder=runtime_folder, on_up=on_up, timings=timings
        )

    def adapt(self, settings: BrokerSettings) -> BrokerSettings:
        """``settings`` as this broker, once entered, must be spoken to.

        The port of the wanted version, a new client id for each connection, and a word where there
        are more retained topics than it hands out.
        """
        address = self.address_v5 if settings.version is MqttVersion.V5 else self._address
        return replace(
            settings, address=address, fresh_client_id=True, retained_advice=EMBEDDED_RETAINED
        )

    @property
    def address_v5(self) -> Endpoint:
        """Where it speaks MQTT 5."""
        return Endpoint(host=self._address.host, port=self._address.port + 1)

    async def __aenter__(self) -> Self:
        """Start it and wait until both listeners answer.

        Raises:
            BrokerError: not installed, a port in use, or it does not come up.
        """
        async with self._stack:
            if importlib.util.find_spec("iotcore") is None:
                raise BrokerError(
                    "the embedded broker is not installed: `pip install acqd[embedded]`, "
                    'or install mosquitto for broker = "local"'
                )
            host, port = self._address.host, self._address.port
            if port == 0:
                port = free_port(host, in_a_row=2)
                self._address = Endpoint(host=host, port=port)
            if port >= 65535:
                raise BrokerError(f"the embedded broker needs the port after {port} as well")
            claim_ports(host, [port, port + 1], hint=_PORT_HINT)
            config = self._write_config(self._config(), "toml")
            command = Command(
                # -P: a folder of that name where we are must not stand in for the package.
                arguments=(sys.executable, "-P", "-m", "acqd.publish.embedded_child", str(config)),
                is_bad_news=lambda line: "panicked" in line,
            )
            await self._start(command, {MqttVersion.V311: port, MqttVersion.V5: port + 1})
            self._stack = self._stack.pop_all()
        return self

    def _config(self) -> str:
        host = f"[{self._address.host}]" if ":" in self._address.host else self._address.host
        port = self._address.port
        return _EMBEDDED_ROUTER + "".join(
            _EMBEDDED_LISTENER.format(table=table, listen=f"{host}:{port + offset}")
            for offset, table in enumerate(("v4", "v5"))
        )

    def describe(self) -> str:
        """One line for people."""
        return (
            f"embedded broker, MQTT 3.1.1 on {self._address}, MQTT 5 on {self.address_v5}; "
            f"for a trial only"
        )


_EMBEDDED_ROUTER = """\
# Generated anew at each start.
id = 0

[router]
id = 0
# Reaching it can make a listener deaf, so it is far above need.
max_connections = 10000
# More than there are topics: it bounds retained messages at QoS 0.
max_outgoing_packet_count = 4096
# Per topic filter; ten of them at most.
max_segment_size = 1048576
max_segment_count = 10
"""

_EMBEDDED_LISTENER = """
[{table}.1]
name = "{table}"
listen = "{listen}"
next_connection_delay_ms = 1

[{table}.1.connections]
connection_timeout_ms = 5000
max_payload_size = 1048576
max_inflight_count = 100
dynamic_filters = true
"""


def _service_user() -> str | None:
    """Whom to run as: nobody else, unless we are root."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        return None
    import pwd

    known = {entry.pw_name for entry in pwd.getpwall()}
    return next((name for name in SERVICE_USERS if name in known), None)
