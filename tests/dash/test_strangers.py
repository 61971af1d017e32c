"""What somebody on the network may do to the server without being let in: next to nothing."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from typing import Any

import aiohttp
import numpy as np
import pytest

from acqd.dash import server

TOKEN = "a-lamp-on-the-ledge-0017"

Start = Callable[..., Awaitable[Any]]
Pair = tuple[asyncio.StreamReader, asyncio.StreamWriter]


@pytest.fixture
async def page(start: Start) -> Any:
    return await start(host="0.0.0.0", token=TOKEN)


@asynccontextmanager
async def dialled(page: Any, count: int = 1) -> AsyncIterator[list[Pair]]:
    """Connections without a request; they read next to nothing ahead."""
    made = [
        await asyncio.open_connection("127.0.0.1", page.server.port, limit=1024)
        for _ in range(count)
    ]
    try:
        yield made
    finally:
        for _, writer in made:
            writer.transport.abort()
        for _, writer in made:
            with suppress(OSError):
                await writer.wait_closed()


async def said_back(page: Any, raw: bytes, within_s: float = 5.0) -> bytes:
    """All that comes until the server closes the connection."""
    async with dialled(page) as [(reader, writer)]:
        try:
            writer.write(raw)
            async with asyncio.timeout(within_s):
                return await reader.read()
        except ConnectionError:
            return b""


@pytest.mark.parametrize(
    "raw",
    [
        b"\x16\x03\x01\x02\x00\x01garbage\r\n\r\n",
        f"GET /?token={TOKEN} HTTP/1.1\r\n\r\n".encode(),
        f"GET /?token={TOKEN} HTTP/9.1\r\nHost: x\r\n\r\n".encode(),
        f"GET /?token={TOKEN}{'a' * 5000} HTTP/1.1\r\nHost: x\r\n\r\n".encode(),
        b"GET / HTTP/1.1\r\nHost: x\r\nContent-Length: -4\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: x\r\nBad Header\x00: 1\r\n\r\n",
    ],
)
async def test_a_torn_request_is_refused_and_leaves_nothing_in_the_log(
    page: Any, log: Any, caplog: pytest.LogCaptureFixture, raw: bytes
) -> None:
    caplog.set_level(logging.DEBUG)
    before = len(log.lines)
    answer = await said_back(page, raw)
    assert answer.split(b"\r\n")[0] == b"HTTP/1.0 400 Bad Request"
    assert len(log.lines) == before
    assert [one for one in caplog.records if one.name.startswith(("aiohttp", "web"))] == []


@pytest.mark.parametrize("origin", ["http://[::1", "http://[x]", "//", "http://127.0.0.1:x"])
async def test_an_origin_that_is_none_is_another_one(page: Any, origin: str) -> None:
    headers = f"Host: x\r\nAuthorization: Bearer {TOKEN}\r\nOrigin: {origin}\r\n"
    answer = await said_back(page, f"GET /live HTTP/1.1\r\n{headers}\r\n".encode())
    assert b" 403 " in answer.split(b"\r\n")[0]


async def test_who_is_not_let_in_holds_no_connection(page: Any) -> None:
    for path in ("/", "/live", "/health", "/nothing"):
        answer = await said_back(page, f"GET {path} HTTP/1.1\r\nHost: x\r\n\r\n".encode())
        assert b"Connection: close" in answer, path


async def test_who_never_ends_a_request_is_cut(
    page: Any, session: aiohttp.ClientSession, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "REQUEST_WITHIN_S", 0.4)
    url = f"http://127.0.0.1:{page.server.port}/live"
    async with (
        session.ws_connect(url, headers={"Authorization": f"Bearer {TOKEN}"}) as socket,
        dialled(page, 2) as [(reader, writer), (mute, _)],
    ):
        writer.write(b"GET / HTTP/1.1\r\nHost: x\r\nX-Slow: ")
        ends = [asyncio.ensure_future(one.read()) for one in (reader, mute)]
        started_s = time.monotonic()
        while not all(one.done() for one in ends):
            assert time.monotonic() - started_s < 10.0
            writer.write(b"a")
            await asyncio.sleep(0.05)
        assert time.monotonic() - started_s > 0.3
        assert all(one.exception() or one.result() == b"" for one in ends)
        await socket.send_str('{"ask": "frame"}')  # who looks goes on
        assert (await socket.receive()).type is aiohttp.WSMsgType.BINARY


async def test_connections_are_bounded_and_come_free_again(
    page: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "CONNECTIONS_MOST", 5)
    ask = b"GET /health HTTP/1.1\r\nHost: x\r\n\r\n"
    async with dialled(page, 5):
        await asyncio.sleep(0.1)
        assert await said_back(page, ask) == b""
    answer = b""
    for _ in range(100):
        answer = answer or await said_back(page, ask)
        await asyncio.sleep(0.0 if answer else 0.05)
    assert b'"ok":true' in answer


async def test_cookies_of_other_programs_do_not_shut_the_page(
    page: Any, session: aiohttp.ClientSession
) -> None:
    headers = {"Cookie": "other=" + "x" * 8000, "Authorization": f"Bearer {TOKEN}"}
    url = f"http://127.0.0.1:{page.server.port}/"
    async with session.get(url, headers=headers) as answer:
        assert answer.status == 200


async def test_a_fault_in_an_answer_is_one_line_and_no_tale_to_strangers(
    page: Any, session: aiohttp.ClientSession, log: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(now_s: float) -> None:
        raise RuntimeError("something of ours")

    monkeypatch.setattr(page.state, "everything", broken)
    url = f"http://127.0.0.1:{page.server.port}/state.json"
    async with session.get(url, headers={"Authorization": f"Bearer {TOKEN}"}) as answer:
        assert answer.status == 500
        assert "something of ours" not in await answer.text()
        assert "frame-ancestors 'none'" in answer.headers["Content-Security-Policy"]
    assert log.lines[-1] == (
        "request_failed",
        {"path": "/state.json", "problem": "RuntimeError('something of ours')"},
    )


async def test_it_ends_at_once_also_with_viewers_that_take_nothing_any_more(
    start: Start, broker: Any, say: Any, wait_until: Any
) -> None:
    """They asked, and read no answer: kernel and server hold what they may."""
    page = await start()
    rows = np.linspace(-120.0, -60.0, 500)
    now_s = time.time()
    await broker.publish(*(say.trace(now_s - 2 * n, 300 - n, rows) for n in range(300)))
    await wait_until(lambda: page.state.sheets == 1)
    head = (
        "GET /live HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: upgrade\r\nUpgrade: websocket\r\n"
        "Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
    )
    ask = b'{"ask":"frame","view":{"station":"gannet-ledge","job":"marine-vhf","span_s":600}}'
    masked = bytes([0x81, 0x80 | len(ask)]) + bytes(4) + ask
    async with dialled(page, 6) as frozen:
        for _, writer in frozen:
            writer.write(head.encode())
        await wait_until(lambda: page.server.viewers == 6)
        for _ in range(120):  # each is answered until nothing more goes out
            for _, writer in frozen:
                writer.write(masked)
            await asyncio.sleep(0.02)
        started_s = time.monotonic()
        await page.stop()
        assert time.monotonic() - started_s < 2.0
