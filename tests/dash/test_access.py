"""Who may look, and what a page of somebody else's gets."""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from yarl import URL

from acqd.dash.access import Access
from acqd.dash.files import qr_svg, report_path

TOKEN = "a-lamp-on-the-ledge-0017"

Start = Callable[..., Awaitable[Any]]


def at(dashboard: Any, path: str = "/") -> URL:
    return URL(f"http://127.0.0.1:{dashboard.server.port}{path}", encoded=True)


@pytest.fixture
async def open_page(start: Start) -> Any:
    """On loopback, without a token."""
    return await start()


@pytest.fixture
async def closed_page(start: Start) -> Any:
    """Where others may come."""
    return await start(host="0.0.0.0", token=TOKEN)


@pytest.fixture
async def fresh() -> Any:
    """A browser that has been nowhere."""
    made = aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True))
    yield made
    await made.close()


async def test_other_addresses_need_a_token(open_page: Any) -> None:
    with pytest.raises(ValueError, match="token"):
        Access("0.0.0.0", None)
    with pytest.raises(ValueError, match="token"):
        Access("192.0.2.7", None)
    for host in ("127.0.0.1", "::1", "localhost", "127.8.8.8"):
        assert Access(host, None).token is None


@pytest.mark.parametrize(
    "path",
    ["/", "/live", "/state.json", "/qr.svg", "/colours.css", "/vendor/uplot.js",
     "/reports/gannet-ledge/x.html", "/static/index.html", "/no-such-file"],
)  # fmt: skip
async def test_without_the_token_there_is_nothing(
    closed_page: Any, fresh: aiohttp.ClientSession, path: str
) -> None:
    async with fresh.get(at(closed_page, path)) as answer:
        assert answer.status == 401
        assert TOKEN not in await answer.text()
    for wrong in ("", "x", TOKEN[:-1], TOKEN + "0", "%ff%00"):
        url = URL(f"{at(closed_page)}?token={wrong}", encoded=True)
        async with fresh.get(url, allow_redirects=False) as answer:
            assert answer.status == 401
            assert "Set-Cookie" not in answer.headers


async def test_the_token_becomes_a_cookie_and_leaves_the_address(
    closed_page: Any, fresh: aiohttp.ClientSession
) -> None:
    url = at(closed_page).with_query(token=TOKEN, wall="1")
    async with fresh.get(url, allow_redirects=False) as answer:
        assert answer.status == 303
        assert answer.headers["Location"] == "/?wall=1"
        assert answer.headers["Cache-Control"] == "no-store"
        cookie = answer.headers["Set-Cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=Strict" in cookie
        assert TOKEN not in cookie
    async with fresh.get(url) as answer:
        assert answer.status == 200
        assert "token" not in str(answer.url)
    async with fresh.get(at(closed_page, "/state.json")) as answer:
        assert answer.status == 200


async def test_a_way_out_cannot_be_had_with_the_token(
    closed_page: Any, fresh: aiohttp.ClientSession
) -> None:
    url = URL(f"{at(closed_page)}/elsewhere.example/?token={TOKEN}", encoded=True)
    async with fresh.get(url, allow_redirects=False) as answer:
        assert answer.headers["Location"] == "/"


async def test_a_cookie_of_another_token_is_none(
    closed_page: Any, start: Start, fresh: aiohttp.ClientSession
) -> None:
    async with fresh.get(at(closed_page).with_query(token=TOKEN)) as answer:
        assert answer.status == 200
    other = await start(host="0.0.0.0", token="another-token-0123456789")
    async with fresh.get(at(other, "/state.json")) as answer:
        assert answer.status == 401


async def test_scripts_may_bring_the_token_in_a_header(
    closed_page: Any, fresh: aiohttp.ClientSession
) -> None:
    right = {"Authorization": f"Bearer {TOKEN}"}
    async with fresh.get(at(closed_page, "/state.json"), headers=right) as answer:
        assert answer.status == 200
        assert (await answer.json())["stations"] == []
    wrong = {"Authorization": f"Bearer {TOKEN}x"}
    async with fresh.get(at(closed_page, "/state.json"), headers=wrong) as answer:
        assert answer.status == 401


async def test_a_link_from_another_site_comes_in_at_the_second_step(
    closed_page: Any, fresh: aiohttp.ClientSession
) -> None:
    """A strict cookie is not sent then; the page goes on to itself, once, and it is."""
    headers = {"Sec-Fetch-Site": "cross-site"}
    async with fresh.get(at(closed_page), headers=headers) as answer:
        assert answer.status == 200
        assert 'http-equiv="refresh" content="0"' in await answer.text()
    async with fresh.get(at(closed_page), headers={"Sec-Fetch-Site": "same-origin"}) as answer:
        assert answer.status == 401


async def test_whether_it_lives_may_be_asked_by_anybody(
    closed_page: Any, fresh: aiohttp.ClientSession
) -> None:
    async with fresh.get(at(closed_page, "/health")) as answer:
        assert await answer.json() == {"ok": True, "broker": True}


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:PORT", 200),
        ("localhost:PORT", 200),
        ("[::1]:PORT", 200),
        ("evil.example", 421),
        ("evil.example:PORT", 421),
        ("127.0.0.1.evil.example:PORT", 421),
        ("localhost.evil.example", 421),
        ("192.0.2.7", 421),
        ("shack.example", 200),
    ],
)
async def test_on_loopback_only_our_own_names_are_answered(
    start: Start, fresh: aiohttp.ClientSession, host: str, status: int
) -> None:
    page = await start(names=("shack.example",))
    headers = {"Host": host.replace("PORT", str(page.server.port))}
    async with fresh.get(at(page, "/state.json"), headers=headers) as answer:
        assert answer.status == status
        if status != 200:
            assert "stations" not in await answer.text()


@pytest.mark.parametrize(
    ("origin", "allowed"),
    [
        (None, True),
        ("http://127.0.0.1:PORT", True),
        ("http://evil.example", False),
        ("http://127.0.0.1:1", False),
        ("http://localhost:PORT", False),
        ("null", False),
        ("file://", False),
        ("https://shack.example", True),
    ],
)
async def test_a_socket_comes_from_our_own_page(
    start: Start, fresh: aiohttp.ClientSession, origin: str | None, allowed: bool
) -> None:
    page = await start(names=("shack.example",))
    headers = {} if origin is None else {"Origin": origin.replace("PORT", str(page.server.port))}
    url = at(page, "/live")
    if allowed:
        async with fresh.ws_connect(url, headers=headers) as socket:
            assert not socket.closed
    else:
        with pytest.raises(aiohttp.WSServerHandshakeError, match="403"):
            await fresh.ws_connect(url, headers=headers)


async def test_a_socket_needs_the_token_too(closed_page: Any, fresh: aiohttp.ClientSession) -> None:
    with pytest.raises(aiohttp.WSServerHandshakeError, match="401"):
        await fresh.ws_connect(at(closed_page, "/live"))
    async with fresh.get(at(closed_page).with_query(token=TOKEN)):
        pass
    async with fresh.ws_connect(at(closed_page, "/live")) as socket:
        assert not socket.closed


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS"])
async def test_it_can_only_look(open_page: Any, fresh: aiohttp.ClientSession, method: str) -> None:
    for path in ("/", "/state.json", "/live"):
        async with fresh.request(method, at(open_page, path)) as answer:
            assert answer.status == 405


@pytest.mark.parametrize(
    "path", ["/", "/state.json", "/colours.css", "/vendor/uplot.js", "/nothing", "/live", "/health"]
)
async def test_every_answer_keeps_others_out(
    open_page: Any, fresh: aiohttp.ClientSession, path: str
) -> None:
    async with fresh.get(at(open_page, path)) as answer:
        policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'self'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Referrer-Policy"] == "no-referrer"
        assert "Access-Control-Allow-Origin" not in answer.headers


async def test_files_of_the_page(open_page: Any, fresh: aiohttp.ClientSession) -> None:
    kinds = {
        "/": "text/html",
        "/static/index.html": "text/html",
        "/vendor/uplot.js": "text/javascript",
        "/vendor/uplot.css": "text/css",
        "/colours.css": "text/css",
        "/colours.json": "application/json",
        "/favicon.ico": "image/svg+xml",
    }
    for path, kind in kinds.items():
        async with fresh.get(at(open_page, path)) as answer:
            assert (answer.status, answer.content_type) == (200, kind), path
            tag = answer.headers["ETag"]
            assert await answer.read()
        async with fresh.get(at(open_page, path), headers={"If-None-Match": tag}) as answer:
            assert answer.status == 304
    async with fresh.get(at(open_page, "/vendor/uplot.js")) as answer:
        assert answer.headers["Content-Encoding"] == "gzip"
        assert "uPlot" in await answer.text()
    async with fresh.get(at(open_page, "/colours.json")) as answer:
        colours = await answer.json()
        assert len(colours["levels"]) == 256
        assert colours["dark"]["paper"].startswith("#")


@pytest.mark.parametrize(
    "path",
    [
        "/static/../server.py",
        "/static/%2e%2e/server.py",
        "/static/..%2fserver.py",
        "/%2e%2e%2fserver.py",
        "/static/server.py",
        "/static/.hidden.js",
        "/vendor/../../etc/passwd",
        "/vendor/youplot.py",
        "//etc/passwd",
        "/static/index.html%00.js",
    ],
)
async def test_no_other_file_is_served(
    open_page: Any, fresh: aiohttp.ClientSession, path: str
) -> None:
    async with fresh.get(at(open_page, path)) as answer:
        assert answer.status == 404
        assert "import" not in await answer.text()


def test_reports_are_found_by_plain_names_only(tmp_path: Path) -> None:
    shelf = tmp_path / "archive" / "reports"
    shelf.mkdir(parents=True)
    (shelf / "marine-vhf-2026-06-15-0600.html").write_text("<p>night")
    (tmp_path / "archive" / "secret.html").write_text("secret")
    (shelf / "link.html").symlink_to(tmp_path / "archive" / "secret.html")
    (shelf / "folder.html").mkdir()
    (shelf / "state.json").write_text("{}")
    archives = {"gannet-ledge": tmp_path / "archive"}
    good = report_path(archives, "gannet-ledge", "marine-vhf-2026-06-15-0600.html")
    assert good is not None
    assert good.read_text() == "<p>night"
    for name in (
        "../secret.html",
        "..%2fsecret.html",
        "/etc/passwd",
        "link.html",
        "folder.html",
        "state.json",
        "nothing.html",
        "",
        "a" * 300 + ".html",
        "x\n.html",
    ):
        assert report_path(archives, "gannet-ledge", name) is None, name
    assert report_path(archives, "elsewhere", "marine-vhf-2026-06-15-0600.html") is None


async def test_a_code_brings_a_phone_in_and_a_loopback_page_has_none(
    closed_page: Any, start: Start, fresh: aiohttp.ClientSession, log: Any
) -> None:
    async with fresh.get(at(closed_page).with_query(token=TOKEN)):
        pass
    async with fresh.get(at(closed_page, "/qr.svg")) as answer:
        assert answer.content_type == "image/svg+xml"
        drawn = await answer.read()
    url = closed_page.server.url()
    assert re.fullmatch(rf"http://[0-9.]+:{closed_page.server.port}/\?token={TOKEN}", url)
    assert drawn == qr_svg(url)
    here = await start()
    async with fresh.get(at(here, "/qr.svg")) as answer:
        assert answer.status == 404
    assert TOKEN not in repr(log.lines)
