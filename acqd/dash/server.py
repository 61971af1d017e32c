"""The web server: pages, files, and the WebSocket on which each viewer asks for its frames."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote

from aiohttp import WSCloseCode, WSMsgType, web
from aiohttp.typedefs import Handler

from acqd.clock import Clock
from acqd.dash.access import HEADERS, Access, is_loopback_host
from acqd.dash.files import (
    Served,
    colours_css,
    colours_json,
    own_address,
    qr_svg,
    report_path,
    static_file,
    vendor_file,
)
from acqd.dash.frames import ASK_MOST_BYTES, Ask, Viewer, read_ask
from acqd.dash.job import as_json
from acqd.dash.reading import NotUnderstood
from acqd.dash.state import State
from acqd.errors import AcqdError
from acqd.publish.settings import EventLog

__all__ = ["VIEWERS_MOST", "Server"]

VIEWERS_MOST = 32

CONNECTIONS_MOST = 256
"""Of all together: a browser opens six at the most."""
REQUEST_WITHIN_S = 10.0
"""A connection on which no request was made whole by then is cut."""
KEPT_OPEN_S = 30.0
"""Between two requests."""
FIELD_MOST = 16_384
"""Of a header: other programs of this machine put cookies of theirs under the same name."""

FRAME_EVERY_S = 0.1
"""Between two frames of a viewer, at the least."""
HISTORY_EVERY_S = 0.02
"""The same while there is history to send."""
ANSWER_WITHIN_S = 1.0
"""An ask is answered by then, also where nothing is new."""
TOGETHER_S = 0.01
"""Between the first news and the frame."""
SEND_WITHIN_S = 30.0
"""A viewer that takes no frame for so long is let go."""
HEARTBEAT_S = 20.0
STOP_WITHIN_S = 0.5

REPORT_POLICY = (
    "sandbox allow-popups; default-src 'none'; style-src 'unsafe-inline'; img-src data:; "
    "font-src data:; frame-ancestors 'none'"
)

Answer = web.StreamResponse


@dataclass(eq=False, slots=True)
class _Seat:
    """One viewer's connection."""

    socket: web.WebSocketResponse
    viewer: Viewer = field(default_factory=Viewer)
    news: asyncio.Event = field(default_factory=asyncio.Event)
    asked: asyncio.Event = field(default_factory=asyncio.Event)
    ask: Ask | None = None


class Server:
    """Serves ``state`` on ``host`` and ``port`` until stopped.

    Args:
        archives: folders of archives by the station's name; reports are looked for there. May be
            filled later.
        names: further host names by which the page may be called.
    """

    def __init__(
        self,
        state: State,
        *,
        host: str,
        port: int,
        token: str | None,
        clock: Clock,
        log: EventLog,
        archives: Mapping[str, Path] | None = None,
        names: Sequence[str] = (),
        wall: bool = False,
    ) -> None:
        self._state = state
        self._host, self._port = host, port
        self._token = token
        self._access = Access(host, token, names)
        self._clock = clock
        self._log = log
        self._archives = {} if archives is None else archives
        self._wall = wall
        self._seats: set[_Seat] = set()
        self._runner: web.AppRunner | None = None
        self._listening: asyncio.Server | None = None
        self._mute: set[asyncio.BaseProtocol] = set()
        """New connections, on which no request was made yet."""
        self.refused_viewers = 0
        self.frames = 0

    # -- start and stop ---------------------------------------------------------------------------

    async def start(self) -> None:
        """Listen.

        Raises:
            AcqdError: the port is taken, or the address is none of this machine's.
        """
        app = web.Application(middlewares=[self._guarded], client_max_size=ASK_MOST_BYTES)
        app.add_routes(
            [
                web.get("/", self._page),
                web.get("/live", self._live),
                web.get("/state.json", self._everything),
                web.get("/health", self._health),
                web.get("/colours.css", self._colours_css),
                web.get("/colours.json", self._colours_json),
                web.get("/qr.svg", self._qr),
                web.get("/favicon.ico", self._icon),
                web.get("/vendor/{name}", self._vendor),
                web.get("/static/{name}", self._static),
                web.get("/reports/{station}/{name}", self._report),
                web.get("/{name}", self._static),
            ]
        )
        self._runner = web.AppRunner(
            app,
            access_log=None,
            # What strangers send would be in the log with it, the token of a torn request as well.
            logger=logging.Logger("web", level=logging.CRITICAL),  # noqa: LOG001 (one by name is shared)
            handle_signals=False,
            keepalive_timeout=KEPT_OPEN_S,
            shutdown_timeout=STOP_WITHIN_S,
            max_line_size=4096,
            max_field_size=FIELD_MOST,
        )
        await self._runner.setup()
        try:
            self._listening = await asyncio.get_running_loop().create_server(
                self._connected, self._host, self._port, backlog=64
            )
        except (OSError, OverflowError, UnicodeError) as exc:
            await self._runner.cleanup()
            where = f"{self._host}:{self._port}"
            reason = getattr(exc, "strerror", None) or str(exc)
            raise AcqdError(
                f"cannot listen on {where}: {reason}; name another with --listen"
            ) from exc
        if self._port == 0:
            self._port = int(self._listening.sockets[0].getsockname()[1])

    def _connected(self) -> asyncio.BaseProtocol:
        """What answers on a new connection."""
        assert self._runner is not None
        server = self._runner.server
        if server is None or len(server.connections) >= CONNECTIONS_MOST:
            return _TooMany()
        made = server()
        self._mute.add(made)
        asyncio.get_running_loop().call_later(REQUEST_WITHIN_S, self._cut_if_mute, made)
        return made

    def _cut_if_mute(self, made: asyncio.BaseProtocol) -> None:
        if made in self._mute:
            self._mute.remove(made)
            transport = getattr(made, "transport", None)
            if transport is not None:
                transport.abort()

    async def stop(self) -> None:
        """Say goodbye to all viewers and close the port, within about a second."""
        if self._listening is not None:
            self._listening.close()
        goodbyes = [
            seat.socket.close(code=WSCloseCode.GOING_AWAY, message=b"the server ends")
            for seat in self._seats
        ]
        if goodbyes:
            await asyncio.wait(
                [asyncio.ensure_future(one) for one in goodbyes], timeout=STOP_WITHIN_S
            )
        if self._runner is not None:
            await self._runner.cleanup()

    @property
    def port(self) -> int:
        """Where it listens; known after the start where 0 was asked for."""
        return self._port

    @property
    def viewers(self) -> int:
        return len(self._seats)

    def url(self, *, with_token: bool = True, host: str | None = None) -> str:
        """The page's address; the token in it is a secret."""
        name = host or own_address(self._host)
        name = f"[{name}]" if ":" in name else name
        query = []
        if with_token and self._token is not None:
            query.append(f"token={quote(self._token, safe='')}")
        if self._wall:
            query.append("wall=1")
        return f"http://{name}:{self._port}/" + (f"?{'&'.join(query)}" if query else "")

    def news(self) -> None:
        """Something may be new for those who wait."""
        for seat in self._seats:
            seat.news.set()

    # -- who may, and with which headers ----------------------------------------------------------

    @web.middleware
    async def _guarded(self, request: web.Request, handler: Handler) -> Answer:
        self._mute.discard(request.protocol)
        answer = await self._answered(request, handler)
        if not answer.prepared:
            if answer.status >= 400 or request.path == "/health":
                answer.force_close()  # who is not let in holds no connection either
            for name, value in HEADERS.items():
                answer.headers.setdefault(name, value)
            answer.headers.setdefault("Cache-Control", "no-store")
        return answer

    async def _answered(self, request: web.Request, handler: Handler) -> Answer:
        if request.method not in ("GET", "HEAD"):
            return web.Response(status=405, text="it can only look\n", headers={"Allow": "GET"})
        if not self._access.knows_name(request):
            return web.Response(status=421, text="this is not the server of that name\n")
        if request.path != "/health":
            exchanged = self._access.exchanged(request)
            if exchanged is not None:
                return exchanged
            if not self._access.lets_in(request):
                return self._access.refusal(request)
        try:
            answer = await handler(request)
        except web.HTTPException as exc:
            answer = web.Response(status=exc.status, text=f"{exc.reason}\n")
        except Exception as exc:
            self._log.error("request_failed", path=request.path[:200], problem=repr(exc)[:300])
            answer = web.Response(status=500, text="a fault of ours; the log has it\n")
        assert isinstance(answer, Answer)
        return answer

    # -- files ------------------------------------------------------------------------------------

    async def _page(self, request: web.Request) -> Answer:
        return _sent(request, static_file("index.html"))

    async def _static(self, request: web.Request) -> Answer:
        return _sent(request, static_file(request.match_info["name"]))

    async def _vendor(self, request: web.Request) -> Answer:
        return _sent(request, vendor_file(request.match_info["name"]))

    async def _icon(self, request: web.Request) -> Answer:
        return _sent(request, static_file("icon.svg"))

    async def _colours_css(self, request: web.Request) -> Answer:
        return _sent(request, colours_css())

    async def _colours_json(self, request: web.Request) -> Answer:
        return _sent(request, colours_json())

    async def _qr(self, request: web.Request) -> Answer:
        if is_loopback_host(self._host):
            return web.Response(
                status=404, text="nobody else reaches a loopback address: start with --listen\n"
            )
        return web.Response(body=qr_svg(self.url()), content_type="image/svg+xml")

    async def _report(self, request: web.Request) -> Answer:
        station, name = request.match_info["station"], request.match_info["name"]
        path = await asyncio.to_thread(report_path, self._archives, station, name)
        if path is None:
            return web.Response(status=404, text="no such report\n")
        return web.FileResponse(
            path,
            headers={"Content-Security-Policy": REPORT_POLICY, "Content-Type": "text/html"},
        )

    # -- what is known ----------------------------------------------------------------------------

    async def _everything(self, request: web.Request) -> Answer:
        answer = web.Response(
            body=as_json(self._state.everything(self._clock.wall_s())),
            content_type="application/json",
        )
        answer.enable_compression()
        return answer

    async def _health(self, request: web.Request) -> Answer:
        told = {"ok": True, "broker": bool(self._state.broker["up"])}
        return web.Response(body=as_json(told), content_type="application/json")

    # -- frames -----------------------------------------------------------------------------------

    async def _live(self, request: web.Request) -> Answer:
        if not self._access.same_origin(request):
            return web.Response(status=403, text="a page of another origin\n")
        if len(self._seats) >= VIEWERS_MOST:
            self.refused_viewers += 1
            text = f"{VIEWERS_MOST} viewers look already\n"
            return web.Response(status=503, text=text, headers={"Retry-After": "10"})
        socket = web.WebSocketResponse(
            heartbeat=HEARTBEAT_S, max_msg_size=ASK_MOST_BYTES, compress=False
        )
        if not socket.can_prepare(request):
            return web.Response(status=426, text="a WebSocket\n", headers={"Upgrade": "websocket"})
        seat = _Seat(socket)
        self._seats.add(seat)
        try:
            await socket.prepare(request)
            answering = asyncio.ensure_future(self._answer_all(seat))
            try:
                await self._hear(seat)
            finally:
                answering.cancel()
                await asyncio.wait([answering])
        finally:
            self._seats.discard(seat)
        return socket

    async def _hear(self, seat: _Seat) -> None:
        async for message in seat.socket:
            if message.type is not WSMsgType.TEXT:
                await seat.socket.close(code=WSCloseCode.UNSUPPORTED_DATA, message=b"text only")
                return
            try:
                seat.ask = read_ask(message.data)
            except NotUnderstood as exc:
                reason = str(exc).encode()[:120]
                await seat.socket.close(code=WSCloseCode.POLICY_VIOLATION, message=reason)
                return
            seat.asked.set()
            seat.news.set()

    async def _answer_all(self, seat: _Seat) -> None:
        """One frame for each ask, until cancelled; a newer ask takes the place of the older."""
        sent_s = -1.0
        viewer = seat.viewer
        try:
            while True:
                await seat.asked.wait()
                seat.asked.clear()
                assert seat.ask is not None
                until_s = time.monotonic() + ANSWER_WITHIN_S
                viewer.asked(seat.ask, self._clock.wall_s())
                pause_s = HISTORY_EVERY_S if viewer.has_history else FRAME_EVERY_S
                await asyncio.sleep(max(0.0, sent_s + pause_s - time.monotonic()))
                if await self._news_for(seat, until_s):
                    # What belongs together comes together: a summary, its trace, its channels.
                    await asyncio.sleep(TOGETHER_S)
                seat.asked.clear()
                frame = viewer.frame(seat.ask, self._state, self._clock.wall_s())
                async with asyncio.timeout(SEND_WITHIN_S):
                    await seat.socket.send_bytes(frame)
                self.frames += 1
                sent_s = time.monotonic()
        except (ConnectionError, TimeoutError, RuntimeError):
            # It went away, or takes nothing any more; what it would have got is not kept.
            await seat.socket.close(code=WSCloseCode.GOING_AWAY)
        except Exception as exc:
            self._log.error("viewer_failed", problem=repr(exc)[:300])
            await seat.socket.close(code=WSCloseCode.INTERNAL_ERROR)

    async def _news_for(self, seat: _Seat, until_s: float) -> bool:
        """Wait until there is something new for what the seat asks; whether it came while we
        waited."""
        waited = False
        while True:
            seat.news.clear()
            assert seat.ask is not None
            left_s = until_s - time.monotonic()
            if left_s <= 0.0 or seat.viewer.has_news(seat.ask, self._state, self._clock.wall_s()):
                return waited and left_s > 0.0
            try:
                async with asyncio.timeout(left_s):
                    await seat.news.wait()
                waited = True
            except TimeoutError:
                return False


class _TooMany(asyncio.Protocol):
    """A connection that is cut at once."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        transport.abort()


def _sent(request: web.Request, served: Served | None) -> web.Response:
    """A file, or that the browser has it already, or that there is none."""
    if served is None:
        return web.Response(status=404, text="no such file\n")
    headers = {"Cache-Control": "no-cache", "ETag": f'"{served.etag}"', "Vary": "Accept-Encoding"}
    if any(tag.value == served.etag for tag in request.if_none_match or ()):
        return web.Response(status=304, headers=headers)
    body = served.raw
    if served.squeezed is not None and "gzip" in request.headers.get("Accept-Encoding", ""):
        headers["Content-Encoding"] = "gzip"
        body = served.squeezed
    return web.Response(
        body=body, headers=headers, content_type=served.content_type, charset="utf-8"
    )
