"""The first pages do what they show: each is walked in an empty folder, with the simulator.

What nobody waits for in a test is hurried, and is named here; all else is as it stands. Of what was
hurried a page shows no number.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pages import DOCS, Block, Walk, blocks_of, is_same, missing, walk

SERVED = r"(acqd-sim serve .*)"
HURRIED: dict[str, tuple[tuple[str, str], ...]] = {
    "first-filter.md": ((SERVED, r"\1 --time-scale 0.02"), ('every = "5 s"', 'every = "1 s"')),
    "second-harmonic.md": (
        (SERVED, r"\1 --time-scale 0.2"),
        ('every = "1 min"', 'every = "3 s"'),
        ("timeout 90", "timeout 14"),
    ),
    "neighbour.md": (
        (SERVED, r"\1 --time-scale 0.05"),
        ("sleep (30|10)", "sleep 1"),
        ("--for 7d", "--for 5h"),
    ),
    "first-night.md": (("2 min", "20 s"),),
}
PAGES = (*HURRIED, "cannot-know.md")


@pytest.mark.slow
@pytest.mark.timeout(600)  # each starts a dozen programs, on a machine that others may want too
@pytest.mark.parametrize("page", HURRIED)
def test_a_page_shows_what_its_commands_do(page: str, tmp_path: Path) -> None:
    """Every command in order; every line that is shown comes, its numbers within a tolerance."""
    folder = tmp_path / "here"
    folder.mkdir()
    walker = Walk(folder, tmp_path / "home", HURRIED[page])
    wrong = walk(page, walker)
    assert not wrong, "\n\n".join(wrong)
    assert not walker.idle_hurries


@pytest.mark.parametrize("page", PAGES)
def test_what_a_page_points_at_is_there(page: str) -> None:
    """Other pages, their headings, and pictures."""
    text = (DOCS / page).read_text("utf-8")
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        name, _, anchor = target.partition("#")
        other = DOCS / name if name else DOCS / page
        assert other.exists(), target
        if anchor:
            heads = re.findall(r"(?m)^#+ (.*)$", other.read_text("utf-8"))
            assert anchor in {_anchor(head) for head in heads}, target


def _anchor(heading: str) -> str:
    return re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-")


def test_the_pictures_are_small() -> None:
    """All that the pages show, together."""
    named = {
        name
        for page in PAGES
        for name in re.findall(r"\((pictures/[^)]+)\)", (DOCS / page).read_text("utf-8"))
    }
    assert len(named) >= len(HURRIED)
    assert sum((DOCS / name).stat().st_size for name in named) < 600_000


def test_a_wrong_line_is_seen() -> None:
    """Another word, a number that is too far off, a line too few, one too many."""
    lines = ["loss 0.39 dB ± 0.70", "", "pass: all limits are met"]
    assert missing(["loss 0.41 dB ± 0.69", "pass: all limits are met"], lines, within=0.1) is None
    assert missing(["…", "pass: all … met"], lines, within=0.1) is None
    assert missing(["loss 0.39 dB ± 0.70", "…"], lines, within=0.1) is None
    assert missing(["loss 0.60 dB ± 0.70", "…"], lines, within=0.1) is not None
    assert missing(["loss 0.39 dB ± 0.70", "fail: all limits are met"], lines, within=0.1)
    assert missing(["loss 0.39 dB ± 0.70"], lines, within=0.1) is not None
    assert missing([*lines, "and more"], lines, within=0.1) == "and more"
    assert is_same("begun at 21:05", "begun at 04:59", within=0.1)


def test_blocks_are_found_with_what_stands_above_them() -> None:
    """A file, a terminal of its own, and what is shown."""
    page = "<!-- a.toml -->\n```toml\nx = 1\n```\n\n```sh\nls\n```\n\n```text\na.toml\n```\n"
    found = [(one.language, one.remark, one.text) for one in blocks_of(page)]
    assert found == [("toml", "a.toml", "x = 1\n"), ("sh", "", "ls\n"), ("text", "", "a.toml\n")]


def test_a_page_that_shows_another_thing_is_told(tmp_path: Path) -> None:
    """By a walker that really runs commands."""
    (tmp_path / "here").mkdir()
    walker = Walk(tmp_path / "here", tmp_path / "home", (("three", "four"),))
    shown = walker.do(Block(language="sh", remark="", text="echo one; echo two >&2\n"))
    assert shown == ["one", "two"] and missing(["one", "three"], shown, within=0.1) == "three"
    assert walker.idle_hurries == ["three"]
