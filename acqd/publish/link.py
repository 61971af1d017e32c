"""One connection to a broker: made new each time, never reused, closed in every way out.

aiomqtt's own rules for reuse do not hold after a lost connection (a refused login looks like a good
one, a message that had failed is sent later all the same), so an object lives for one connection.

What the system may hang in, looking up a name and connecting, is done in daemon threads of our own:
it delays nobody, and not the end of the process.
"""

from __future__ import annotations

import asyncio
import logging
import math
import secrets
import socket
import ssl
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine
from contextlib import asynccontextmanager
from dataclasses import replace
from functools import partial
from typing import Any, Self, TypeVar

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from acqd.errors import BrokerError
from acqd.publish.settings import BrokerSettings, Endpoint, MqttVersion, is_loopback
from acqd.publish.threads import OwnThreads

__all__ = [
    "PACKET_MOST_BYTES",
    "Link",
    "PublishRefused",
    "connection",
    "connection_beside",
    "new_link",
    "reachable",
    "round_trip",
    "surely",
]

T = TypeVar("T")

SEND_BUFFER_BYTES = 65_536
"""Small on purpose: what lies in the kernel's buffer of a slow link is no longer newest-only."""

INCOMING_MAX = 100
"""Messages read and not yet looked at; we subscribe to next to nothing."""

PACKET_MOST_BYTES = 1_048_576
"""A broker is asked (MQTT 5) to send nothing larger, and hung up on where it does: MQTT itself
allows 256 MiB, which would be read into memory whole. As long as a served broker takes any."""

HUNG_UP = (
    "it hung up before it let us in, as brokers do that are full or want a certificate of each "
    "client (acqd shows none); its own log says why"
)

PROBE_ID = "acqd-probe"
"""With the version behind it: a fixed id, and not the same one at two listeners in a row, which
the embedded broker does not survive."""

PROBE_TOPIC = "acqd-probe"


class PublishRefused(aiomqtt.MqttError):
    """The broker answered a message with a reason why it does not take it (MQTT 5 only)."""

    def __init__(self, code: int, name: str) -> None:
        self.code = code
        self.name = name
        super().__init__(f"the broker refused the message: {name}")


class _Incoming(asyncio.Queue[aiomqtt.Message]):
    """Messages read and not yet looked at. Where there are too many the oldest goes."""

    def put_nowait(self, item: aiomqtt.Message) -> None:
        if self.full():
            self.get_nowait()
        super().put_nowait(item)


class Link(aiomqtt.Client):
    """An aiomqtt client that also hears what the broker says in its acknowledgements.

    aiomqtt takes every PUBACK for a yes. MQTT 5 brokers say no in it: not authorised, quota
    exceeded. Whoever calls :meth:`put` at QoS 1 waits for the answer before the next, so that a no
    has one owner; that also keeps the order.
    """

    _refusal: ReasonCode | None = None
    _abandoned = False
    trouble: aiomqtt.MqttError | ssl.SSLError | None = None
    """Why the connection ended, where that is known better than that it did."""
    threads: OwnThreads

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        client: Any = self._client
        receive: Callable[[int], bytes] = client._sock_recv

        def receive_bounded(most_bytes: int) -> bytes:
            # What is asked for first is the whole of a message but its head.
            if most_bytes > PACKET_MOST_BYTES and not self._abandoned:
                self._fail(_giant(most_bytes))
                # For the client this is a connection that is gone.
                raise ConnectionError
            try:
                return receive(min(most_bytes, PACKET_MOST_BYTES))
            except ssl.SSLError as exc:
                # Said after a handshake that went well, as a certificate of ours that is missed.
                self._fail(exc)
                raise

        client._sock_recv = receive_bounded

    def _fail(self, exc: aiomqtt.MqttError | ssl.SSLError) -> None:
        """Keep why the connection ends; who waits for it to begin is told at once."""
        if self.trouble is None and not self._abandoned:
            self.trouble = exc
            if not self._connected.done():
                self._connected.set_exception(exc)

    async def put(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> None:
        """Publish, at QoS 1 until the broker's word.

        Raises:
            PublishRefused: the broker said no; the connection stands.
            MqttError: the connection is gone, or no word within the timeout.
        """
        if qos == 0:
            await self.publish(topic, payload, 0, retain)
            return
        self._refusal = None
        await self.publish(topic, payload, qos, retain)
        if self._refusal is not None:
            raise PublishRefused(self._refusal.value, str(self._refusal))

    async def _wait_for(self, fut: Awaitable[T], timeout: float | None) -> T:  # noqa: ASYNC109 (aiomqtt's)
        # aiomqtt uses asyncio.wait_for, which up to Python 3.11 swallows a cancellation that comes
        # at the same moment as the answer: the task then never ends.
        limit_s = self.timeout if timeout is None else timeout
        try:
            async with asyncio.timeout(None if limit_s == math.inf else limit_s):
                return await fut
        except TimeoutError:
            raise aiomqtt.MqttError("no answer in time") from None

    async def __aenter__(self) -> Self:
        """Connect, and wait for the broker's word. An object is entered once.

        aiomqtt's own way connects in the loop's pool, and forgets a connection that ended between
        its making and the first look at it.

        Raises:
            MqttError: nobody there, or not let in.
        """
        try:
            await self.threads.run(self._connect_now)
            made: Any = self._client.socket()
            for option in self._socket_options if made is not None else ():
                made.setsockopt(*option)
        except OSError as exc:
            raise aiomqtt.MqttError(str(exc)) from None
        await self._wait_for(self._connected, None)
        return self

    def _on_disconnect(self, *args: Any, **kwargs: Any) -> None:
        # aiomqtt lets who waits to be let in wait on where the broker hangs up; and it may be
        # called in the thread that connects.
        self._loop.call_soon_threadsafe(partial(self._ended, *args, **kwargs))

    def _ended(self, *args: Any, **kwargs: Any) -> None:
        if not self._connected.done():
            self._fail(aiomqtt.MqttError(HUNG_UP))
        else:
            super()._on_disconnect(*args, **kwargs)

    def _connect_now(self) -> None:
        # In a thread, which cannot be cancelled: whoever waited for it may have gone.
        try:
            self._client_connect()
            if self._abandoned:
                self._loop.call_soon_threadsafe(self.abandon)
        except RuntimeError:
            if not self._loop.is_closed():
                raise
            # The loop has gone, and with it whoever would close what was made.
            made: Any = self._client.socket()
            if made is not None:
                made.close()

    def _on_publish(
        self, client: Any, userdata: Any, mid: int, reason_code: ReasonCode, properties: Any
    ) -> None:
        if reason_code.is_failure:
            self._refusal = reason_code
        super()._on_publish(client, userdata, mid, reason_code, properties)

    def _on_socket_register_write(self, client: Any, userdata: Any, sock: Any) -> None:
        # aiomqtt goes through add_writer each time: two rounds of the loop for every message, and
        # a traceback in the log where the socket is closed in between.
        self._loop.call_soon_threadsafe(self._write, sock)

    def _write(self, sock: Any) -> None:
        """Send what is queued; wait for the socket only where it takes no more."""
        if not self._is_open(sock):
            return
        try:
            self._client.loop_write()
        except Exception as exc:  # a broken pipe, or what TLS makes of it
            if not self._disconnected.done():
                self._disconnected.set_exception(exc)
            return
        if self._is_open(sock) and self._client.want_write():
            self._loop.add_writer(sock, self._write, sock)

    def _is_open(self, sock: Any) -> bool:
        return self._client.socket() is sock

    def abandon(self) -> None:
        """Close the socket, whatever state it is in.

        aiomqtt leaves it open where a connection attempt was cancelled or timed out. A DISCONNECT
        is sent if it can be; after an orderly end this does nothing.
        """
        self._abandoned = True
        # aiomqtt's callback trips over the future of an attempt that was cancelled.
        self._client.on_disconnect = None
        self._client.disconnect()
        self._client.loop_write()
        open_socket: Any = self._client.socket()
        if open_socket is not None:
            # The send buffer is full: nothing will go out any more, so cut it.
            try:
                open_socket.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass  # the peer was quicker
            self._client.loop_read()
        for future in (self._connected, self._disconnected):
            # Looked at, or asyncio complains of an error that nobody wanted to know.
            if future.done() and not future.cancelled():
                future.exception()


async def surely(work: Coroutine[Any, Any, T]) -> T:
    """What ``work`` returns or raises; but a cancellation is never lost in what it raises.

    A link that breaks at the moment in which its user is cancelled raises on the way out, in the
    place of the cancellation. Who goes on after such errors would go on for ever.
    """
    task = asyncio.ensure_future(work)
    try:
        await asyncio.wait((task,))
    except asyncio.CancelledError:
        task.cancel()
        await asyncio.wait((task,))
        if not task.cancelled():
            task.exception()  # looked at
        raise
    return task.result()


def new_link(
    settings: BrokerSettings,
    *,
    client_id: str,
    will: aiomqtt.Will | None = None,
    tls: ssl.SSLContext | None,
    threads: OwnThreads | None = None,
    packet_most_bytes: int = PACKET_MOST_BYTES,
) -> Link:
    """A link that is not connected yet. Must be called in the loop that it will be used in.

    ``packet_most_bytes``: an MQTT 5 broker is asked to send no larger message.
    """
    v5 = settings.version is MqttVersion.V5
    properties = None
    if v5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho has no types
        properties.MaximumPacketSize = packet_most_bytes
    link = Link(
        settings.address.host,
        settings.address.port,
        username=settings.user,
        password=settings.password,
        # What it logs about a broken link is said by whoever uses it, once and with the reason; a
        # logger of our own, because the shared one is not ours to silence.
        logger=logging.Logger("mqtt", level=logging.CRITICAL),  # noqa: LOG001 (one by name is shared)
        identifier=client_id,
        protocol=aiomqtt.ProtocolVersion.V5 if v5 else aiomqtt.ProtocolVersion.V311,
        clean_session=None if v5 else True,
        will=will,
        keepalive=settings.keep_alive_s,
        timeout=settings.timeout_s,
        queue_type=_Incoming,
        max_queued_incoming_messages=INCOMING_MAX,
        properties=properties,
        tls_context=tls,
        # Without TCP_NODELAY two small packets in a row wait for each other: 25 ms at p99.
        socket_options=(
            (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),
            (socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES),
        ),
    )
    link.threads = threads or OwnThreads("mqtt")
    return link


@asynccontextmanager
async def connection(link: Link) -> AsyncIterator[Link]:
    """``link`` connected, and closed at the end however that comes.

    Raises:
        MqttError: it could not be made, or ended, and whoever used it noticed that.
        OSError: what TLS says of that.
    """
    try:
        async with link:
            yield link
    except (aiomqtt.MqttError, ExceptionGroup) as exc:
        if link.trouble is not None and _is_of_the_link(exc):
            raise link.trouble from exc
        raise
    finally:
        link.abandon()


def _is_of_the_link(exc: Exception) -> bool:
    """Whether nothing in it is of anything else."""
    if isinstance(exc, ExceptionGroup):
        return exc.split((aiomqtt.MqttError, OSError))[1] is None
    return True


def _giant(size_bytes: int) -> aiomqtt.MqttError:
    return aiomqtt.MqttError(
        f"the broker sends a message of {size_bytes} bytes, at most {PACKET_MOST_BYTES} are read: "
        "see who publishes such messages there, and clear what is retained"
    )


@asynccontextmanager
async def connection_beside(
    settings: BrokerSettings,
    *,
    station: str,
    purpose: str,
    threads: OwnThreads,
    packet_most_bytes: int,
) -> AsyncIterator[Link]:
    """A station's connection for one ``purpose``, which is added to its name at the broker; closed
    at the end however that comes.

    Raises:
        OSError, aiomqtt.MqttError: there is none.
        BrokerError: a certificate file cannot be used.
    """
    tls = await threads.run(settings.tls_context)
    await reachable(settings, tls, threads)
    client_id = f"{settings.client_id or f'acqd-{station}'}-{purpose}"
    if settings.fresh_client_id:
        client_id = f"{client_id}-{secrets.token_hex(4)}"
    link = new_link(
        settings,
        client_id=client_id,
        tls=tls,
        threads=threads,
        packet_most_bytes=packet_most_bytes,
    )
    async with connection(link):
        yield link


async def reachable(
    settings: BrokerSettings, tls: ssl.SSLContext | None, threads: OwnThreads
) -> None:
    """Check that the broker accepts a connection, in a way that can be cancelled.

    aiomqtt leaves the socket of a failed TLS handshake open, and what it connects in cannot be
    cancelled. Without TLS the answer is at once on loopback, so nothing is asked there.

    Raises:
        OSError: nobody there, no answer in time (a TimeoutError), or no certificate to trust.
    """
    address = settings.address
    if tls is None and is_loopback(address):
        return
    async with asyncio.timeout(settings.timeout_s):
        await _accepts(await _looked_up(address, threads), address, tls)


async def _looked_up(address: Endpoint, threads: OwnThreads) -> list[str]:
    """The addresses of a host, as the system's resolver orders them; that may take for ever."""
    found = await threads.run(
        partial(socket.getaddrinfo, address.host, address.port, type=socket.SOCK_STREAM)
    )
    return list(dict.fromkeys(str(where[0]) for *_, where in found))


async def _accepts(hosts: list[str], address: Endpoint, tls: ssl.SSLContext | None) -> None:
    failure: OSError | None = None
    name = None if tls is None else address.host
    for host in hosts:
        try:
            _, writer = await asyncio.open_connection(
                host, address.port, ssl=tls, server_hostname=name
            )
        except OSError as exc:
            failure = failure or exc
            continue
        writer.transport.abort()
        return
    raise failure or OSError(f"{address.host} has no address")


async def round_trip(
    address: Endpoint,
    version: MqttVersion,
    timeout_s: float,
    *,
    settings: BrokerSettings | None = None,
) -> float:
    """Connect, subscribe, publish, receive it, disconnect: proof that a broker works.

    Args:
        address: where it listens.
        version: MQTT version to speak.
        timeout_s: for all of it.
        settings: where credentials, certificates or another client id are needed; its address and
            version are not looked at.

    Returns:
        Seconds from handing the message over to having it back.

    Raises:
        BrokerError: it did not work within the time (says how far it got), or the certificate file
            cannot be used.
    """
    asked = replace(
        settings or BrokerSettings(address=address),
        address=address,
        version=version,
        timeout_s=timeout_s,
    )
    tls = asked.tls_context()
    threads = OwnThreads("mqtt probe")
    client_id = asked.client_id or f"{PROBE_ID}-{version.replace('.', '')}"
    token = secrets.token_hex(8).encode()
    step = "connecting"
    try:
        async with asyncio.timeout(timeout_s):
            await reachable(asked, tls, threads)
            link = new_link(asked, client_id=client_id, tls=tls, threads=threads)
            async with connection(link):
                step = "subscribing"
                await link.subscribe(PROBE_TOPIC, 0)
                step = "waiting for its own message"
                sent_s = time.perf_counter()
                await link.put(PROBE_TOPIC, token, qos=0, retain=False)
                async for message in link.messages:
                    if message.payload == token:
                        break
                return time.perf_counter() - sent_s
    except (TimeoutError, aiomqtt.MqttError, OSError) as exc:
        reason = "no answer" if isinstance(exc, TimeoutError) else str(exc)
        raise BrokerError(
            f"broker at {address} (MQTT {version}) failed its round trip while {step}: {reason} "
            f"(limit {timeout_s:g} s)"
        ) from exc
