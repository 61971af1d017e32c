"""The rig itself notices what it is there to notice."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Page

pytestmark = pytest.mark.slow

GOOD = "<!doctype html><html lang=en><title>t</title><main><h1>t</h1><p>text</p></main>"


async def opened(page: Page, folder: Path, text: str) -> Page:
    path = folder / "page.html"
    path.write_text(text, "utf-8")
    await page.goto(path.as_uri())
    return page


async def test_a_request_to_another_host_is_refused_and_told(
    page_at: Callable[..., Awaitable[Page]], watched: Any, tmp_path: Path
) -> None:
    """Whatever asks: a picture, a style, a script."""
    page = await page_at(800, 600)
    await opened(page, tmp_path, GOOD + "<img alt='' src='http://192.0.2.7/x.png'>")
    told, watched.told = watched.told, []
    assert "asked for http://192.0.2.7/x.png" in told


async def test_an_error_of_a_script_is_told(
    page_at: Callable[..., Awaitable[Page]], watched: Any, tmp_path: Path
) -> None:
    """What is written to the console, and what is raised, but not what was expected."""
    watched.expect("meant")
    page = await page_at(800, 600)
    script = "console.error('one'); console.error('meant'); throw new Error('two')"
    await opened(page, tmp_path, f"{GOOD}<script>{script}</script>")
    told, watched.told = watched.told, []
    assert sorted(told) == ["console: one", "script: two"]


async def test_poor_contrast_is_found(
    page_at: Callable[..., Awaitable[Page]], axe: Any, tmp_path: Path
) -> None:
    """And nothing is found where nothing is wrong."""
    page = await page_at(800, 600)
    assert await axe(await opened(page, tmp_path, GOOD)) == []
    pale = GOOD.replace("<p>", "<p style='color:#aaa'>")
    assert [one["rule"] for one in await axe(await opened(page, tmp_path, pale))] == [
        "color-contrast"
    ]


async def test_what_scrolls_sideways_is_named(
    page_at: Callable[..., Awaitable[Page]], sideways: Any, tmp_path: Path
) -> None:
    """By the beginning of its element."""
    page = await page_at(390, 844)
    assert await sideways(await opened(page, tmp_path, GOOD)) == ""
    wide = GOOD + "<p id=wide style='width:900px'>wide"
    assert 'id=\\"wide' in await sideways(await opened(page, tmp_path, wide))
