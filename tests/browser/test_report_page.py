"""The page of a report in a real browser: at a desk, on a phone, in the dark, on paper."""

from __future__ import annotations

import re
import zlib
from collections.abc import Awaitable, Callable
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from playwright.async_api import Page

from acqd.report.page import html

pytestmark = pytest.mark.slow

DESK, PHONE = (1440, 900), (390, 844)
A4_PX = 297 / 25.4 * 96
PRINTED_PX = (297 - 14 - 17) / 25.4 * 96
"""Height of what a page of paper has room for, between the margins of the style."""

PageAt = Callable[..., Awaitable[Page]]


@pytest.fixture(scope="session")
def page_file(reports: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of two jobs with every kind of chart."""
    path = tmp_path_factory.mktemp("page") / "night.html"
    path.write_text(html(reports.sample_report()), "utf-8")
    return path


@pytest.mark.parametrize(
    ("name", "size", "dark"),
    [
        ("desk", DESK, False),
        ("desk-dark", DESK, True),
        ("phone", PHONE, False),
        ("phone-dark", PHONE, True),
    ],
)
async def test_it_reads_well_everywhere(
    page_at: PageAt, axe: Any, sideways: Any, shot: Any, page_file: Path,
    name: str, size: tuple[int, int], dark: bool,
) -> None:  # fmt: skip
    """No error, no request, no scroll sideways; contrast, names and headings as they should be."""
    page = await page_at(*size, dark=dark, touch=size == PHONE)
    await page.goto(page_file.as_uri())
    await shot(page, f"report-{name}")
    assert await sideways(page) == ""
    assert await axe(page) == []
    levels = await page.evaluate(
        "[...document.querySelectorAll('h1,h2,h3')].map(one => +one.tagName[1])"
    )
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


async def test_it_says_the_same_without_scripts(page_at: PageAt, page_file: Path) -> None:
    """There is none in it."""
    page = await page_at(*DESK, script=False)
    await page.goto(page_file.as_uri())
    assert await page.locator("script").count() == 0
    assert await page.get_by_role("heading", name="What happened").count() == 2


@pytest.mark.parametrize(("size", "shown"), [(DESK, ".wide"), (PHONE, ".narrow")])
async def test_each_width_has_its_own_figures(
    page_at: PageAt, page_file: Path, size: tuple[int, int], shown: str
) -> None:
    """One of both is there to be seen and heard, and it fills its room."""
    page = await page_at(*size)
    await page.goto(page_file.as_uri())
    count = await page.locator("figure").count()
    assert count == 6
    for kind in (".wide", ".narrow"):
        visible = await page.locator(f"figure > {kind} > svg").filter(visible=True).count()
        assert visible == (count if kind == shown else 0)
    named = await page.get_by_role("img").all()
    assert len(named) == count
    widths = await page.locator(f"figure > {shown} > svg").evaluate_all(
        "all => all.map(one => one.getBoundingClientRect().width)"
    )
    assert min(widths) > 0.7 * min(size[0], 1200)


async def test_every_figure_has_its_text(
    page_at: PageAt, page_file: Path, reports: ModuleType
) -> None:
    """The alternative that the report has is what a screen reader is told of it."""
    page = await page_at(*DESK)
    await page.goto(page_file.as_uri())
    texts = await page.locator("figure > .wide > svg > desc").all_text_contents()
    charts = [
        chart
        for job in reports.sample_report().jobs
        for section in job.sections
        for chart in section.charts
    ]
    assert sorted(texts) == sorted(chart.alt for chart in charts)


async def test_the_reader_may_choose_the_paper(page_at: PageAt, axe: Any, page_file: Path) -> None:
    """With the keyboard; against what the device says, and it stays readable."""
    page = await page_at(*DESK)
    await page.goto(page_file.as_uri())

    async def paper() -> str:
        return str(
            await page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
        )

    assert await paper() == "rgb(250, 248, 243)"
    await page.get_by_label("as the device").focus()
    await page.keyboard.press("ArrowLeft")
    assert await page.get_by_label("dark").is_checked()
    assert await paper() == "rgb(16, 25, 30)"
    assert await axe(page) == []


async def test_the_keyboard_finds_the_way(page_at: PageAt, page_file: Path) -> None:
    """The first stop skips to the report; what has the focus is seen to have it."""
    page = await page_at(*DESK)
    await page.goto(page_file.as_uri())
    await page.keyboard.press("Tab")
    link = page.get_by_role("link", name="Skip to the report")
    assert await link.is_visible()
    assert "solid" in await link.evaluate("one => getComputedStyle(one).outlineStyle")
    await page.keyboard.press("Enter")
    assert await page.evaluate("document.activeElement.id") == "report"


async def test_it_prints_on_a4(page_at: PageAt, page_file: Path, shot: Any) -> None:
    """Light on white, in 10 pt, and no figure is higher than a page."""
    page = await page_at(round(210 / 25.4 * 96), round(A4_PX), dark=True)
    await page.goto(page_file.as_uri())
    pdf = await page.pdf(prefer_css_page_size=True)
    pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
    assert 3 <= pages <= 9
    boxes = {tuple(map(float, one.split())) for one in re.findall(rb"/MediaBox\s*\[([^]]+)]", pdf)}
    assert len(boxes) == 1
    _, _, width, height = boxes.pop()
    assert (width, height) == pytest.approx((595.0, 842.0), abs=1.5)
    assert len(zlib.compress(pdf)) > 20_000, "the figures are in it"

    await page.emulate_media(media="print")
    await page.set_viewport_size({"width": round(184 / 25.4 * 96), "height": 1000})
    await shot(page, "report-print")
    size, background, colour = await page.evaluate(
        """() => {
          const body = getComputedStyle(document.body);
          const root = getComputedStyle(document.documentElement);
          return [body.fontSize, root.backgroundColor, root.color];
        }"""
    )
    assert float(size.removesuffix("px")) == pytest.approx(10 / 72 * 96, abs=0.1)
    assert (background, colour) == ("rgb(255, 255, 255)", "rgb(29, 43, 51)")
    heights = await page.locator("figure").evaluate_all(
        "all => all.map(one => one.getBoundingClientRect().height)"
    )
    assert max(heights) < PRINTED_PX
    inside = await page.locator("figure, tr, .log li").evaluate_all(
        "all => all.map(one => getComputedStyle(one).breakInside)"
    )
    assert set(inside) == {"avoid"}
    assert not await page.get_by_text("as the device").is_visible()


async def test_a_link_leads_to_each_job(page_at: PageAt, page_file: Path) -> None:
    """The list of contents points at headings that there are."""
    page = await page_at(*PHONE)
    await page.goto(page_file.as_uri())
    links = page.get_by_role("navigation").get_by_role("link")
    assert await links.all_text_contents() == [
        "marine-vhf on mast",
        "hand-held & charger on workbench",
    ]
    await links.nth(1).click()
    heading = page.get_by_role("heading", name="hand-held & charger on workbench")
    assert await heading.evaluate("one => Math.abs(one.getBoundingClientRect().top)") < 100


@pytest.mark.parametrize("name", ["empty_report", "sample_report"])
async def test_a_single_job_has_the_page_to_itself(
    page_at: PageAt, axe: Any, sideways: Any, shot: Any, reports: ModuleType, tmp_path: Path,
    name: str,
) -> None:  # fmt: skip
    """Its name is the page's; a range that holds nothing says so and is as well made."""
    report = reports.empty_report() if name == "empty_report" else reports.sample_report(jobs=1)
    path = tmp_path / "one.html"
    path.write_text(html(report), "utf-8")
    page = await page_at(*PHONE)
    await page.goto(path.as_uri())
    await shot(page, f"report-{name.replace('_', '-')}")
    assert await page.get_by_role("heading", level=1).text_content() == "marine-vhf on mast"
    assert await sideways(page) == ""
    assert await axe(page) == []
