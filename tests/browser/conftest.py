"""A real browser for what is looked at: the system's Chromium, driven by Playwright.

A page that is opened here may talk to nobody but the files of this machine and the hosts that a
test names; whatever else it asks for is refused, and the test fails. So it does for what a page
writes to the console as an error, and for a script of it that raises.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import pytest_asyncio
from playwright.async_api import (
    Browser,
    ConsoleMessage,
    Page,
    Request,
    Route,
    WebSocket,
    async_playwright,
)

from page_peers import DESK, HOST, MORE, Opened, Peers, peers_in, until
from peers import wait_for

ROOT = Path(__file__).resolve().parents[2]
LIMIT_MS = 20_000.0
INSIDE = ("file", "data", "blob", "about")
"""Schemes that leave no machine."""


def chromium() -> str | None:
    """The browser's program; None where there is none."""
    names = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
    return next((path for name in names if (path := shutil.which(name))), None)


@pytest_asyncio.fixture
async def browser() -> AsyncIterator[Browser]:
    """A browser of the test's own; skipped where Chromium is not installed, unless in CI."""
    program = chromium()
    if program is None:
        reason = "no chromium here (Debian package chromium)"
        pytest.fail(reason) if os.environ.get("CI") == "true" else pytest.skip(reason)
    # As root there is no sandbox to be had; the pages are the project's own.
    async with async_playwright() as playwright:
        started = await playwright.chromium.launch(
            executable_path=program,
            args=["--no-sandbox", "--disable-gpu", "--font-render-hinting=none"],
        )
        try:
            yield started
        finally:
            await started.close()


@dataclass
class Watched:
    """What the pages of a test did that they must not."""

    hosts: set[str]
    """``host:port`` that a page may talk to."""
    told: list[str] = field(default_factory=list)
    quiet: list[re.Pattern[str]] = field(default_factory=list)
    """Errors that a test brings about on purpose, see ``expect``."""

    def allows(self, url: str) -> bool:
        parts = urlsplit(url)
        return parts.scheme in INSIDE or parts.netloc in self.hosts

    def expect(self, pattern: str) -> None:
        """Console errors that match are meant: a server that is taken away, say."""
        self.quiet.append(re.compile(pattern))

    def tell(self, text: str) -> None:
        if not any(one.search(text) for one in self.quiet):
            self.told.append(text)

    async def route(self, route: Route) -> None:
        if self.allows(route.request.url):
            await route.continue_()
        else:
            await route.abort("blockedbyclient")

    def on_request(self, request: Request) -> None:
        if not self.allows(request.url):
            self.told.append(f"asked for {request.url}")

    def on_console(self, message: ConsoleMessage) -> None:
        if message.type == "error":
            self.tell(f"console: {message.text}")

    def on_web_socket(self, socket: WebSocket) -> None:
        if not self.allows(socket.url):
            self.told.append(f"talked to {socket.url}")


@pytest.fixture
def watched() -> Iterator[Watched]:
    """Judges at the end of the test what its pages did; ``expect`` takes what is meant."""
    found = Watched(hosts=set())
    yield found
    assert found.told == []


PageAt = Callable[..., Awaitable[Page]]


@pytest_asyncio.fixture
async def page_at(browser: Browser, watched: Watched) -> AsyncIterator[PageAt]:
    """``await page_at(390, 844, dark=True, hosts=["127.0.0.1:8080"])``: an empty page.

    ``touch`` makes it a phone's: coarse pointer, two pixels a point. The page is closed, and what
    it did is judged, at the end of the test.
    """
    contexts = []

    async def opened(
        width: int,
        height: int,
        *,
        dark: bool = False,
        hosts: list[str] | None = None,
        touch: bool = False,
        script: bool = True,
    ) -> Page:
        watched.hosts.update(hosts or [])
        context = await browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if dark else "light",
            has_touch=touch,
            device_scale_factor=2 if touch else 1,
            reduced_motion="reduce",
            locale="en-GB",
            java_script_enabled=script,
        )
        contexts.append(context)
        context.set_default_timeout(LIMIT_MS)
        await context.route("**/*", watched.route)
        context.on("request", watched.on_request)
        page = await context.new_page()
        page.on("console", watched.on_console)
        page.on("pageerror", lambda error: watched.tell(f"script: {error}"))
        page.on("websocket", watched.on_web_socket)
        return page

    yield opened
    for context in contexts:
        await context.close()


@pytest.fixture
def axe() -> Callable[[Page], Awaitable[list[dict[str, Any]]]]:
    """``await axe(page)``: what a checker of accessibility finds serious or critical.

    Every rule for WCAG 2 A and AA, contrast among them. A list of rule, impact, help and the
    places; empty where all is well.
    """
    script = resources.files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8")

    async def checked(page: Page) -> list[dict[str, Any]]:
        await page.evaluate(script)
        found = await page.evaluate("axe.run(document, {resultTypes: ['violations']})")
        return [
            {
                "rule": one["id"],
                "impact": one["impact"],
                "help": one["help"],
                "at": [node["html"][:200] for node in one["nodes"]][:5],
                "why": [node["failureSummary"][:300] for node in one["nodes"]][:2],
            }
            for one in found["violations"]
            if one["impact"] in ("serious", "critical")
        ]

    return checked


@pytest.fixture
def shot() -> Callable[..., Awaitable[Path]]:
    """``await shot(page, "report-phone")``: a picture in ACQD_SHOTS, or else in var/shots."""
    folder = Path(os.environ.get("ACQD_SHOTS") or ROOT / "var" / "shots")
    folder.mkdir(parents=True, exist_ok=True)

    async def taken(page: Page, name: str, *, full: bool = True) -> Path:
        path = folder / f"{name}.png"
        await page.screenshot(path=path, full_page=full)
        return path

    return taken


@pytest.fixture
def sideways() -> Callable[[Page], Awaitable[str]]:
    """``await sideways(page)``: empty, or what makes the whole page scroll to the side."""

    async def measured(page: Page) -> str:
        found = await page.evaluate(
            """() => {
              const wide = document.documentElement.clientWidth;
              if (document.documentElement.scrollWidth <= wide) return [];
              const over = [...document.querySelectorAll('body *')].filter(
                one => one.getBoundingClientRect().right > wide + 0.5);
              return over.slice(0, 5).map(one => one.outerHTML.slice(0, 160));
            }"""
        )
        return json.dumps(found) if found else ""

    return measured


@pytest.fixture(scope="module")
def coast(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Peers]:
    """Two stations that go on sweeping while they are looked at."""
    with ExitStack() as stack:
        peers = peers_in(tmp_path_factory.mktemp("coast"), stack)
        peers.station("gannet-ledge", more=MORE)
        peers.station("north-head")
        archive = peers.folder / "gannet-ledge" / "archive"
        log = peers.folder / "gannet-ledge.log"
        wait_for(
            "a first finding", lambda: '"event": "finding"' in log.read_text(), said=log.read_text
        )
        peers.dash("--archive", str(archive))
        peers.until_swept("gannet-ledge", "north-head")
        wait_for(
            "losses of the filter",
            lambda: peers.job("gannet-ledge", "band-pass").get("figures"),
        )
        yield peers


@pytest.fixture
def alone(tmp_path: Path) -> Iterator[Peers]:
    """A broker of the test's own."""
    with ExitStack() as stack:
        yield peers_in(tmp_path, stack)


@pytest.fixture
def opened(page_at: Any) -> Opened:
    """Opens the page of some peers and waits until its sheet is drawn."""

    async def open_page(
        peers: Peers,
        where: str = "#gannet-ledge/marine-vhf",
        size: tuple[int, int] = DESK,
        **more: Any,
    ) -> Page:
        page: Page = await page_at(*size, hosts=[f"{HOST}:{peers.web}"], **more)
        await page.goto(peers.url + where)
        await until(
            page, "a frame", "window.acqd && acqd.link.frames > 1 && acqd.page.state !== null"
        )
        return page

    return open_page
