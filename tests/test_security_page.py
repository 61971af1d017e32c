"""The page about security names tests that there are, and figures that the code has."""

from __future__ import annotations

import re
from pathlib import Path

from acqd.archive.private import FILE_MODE, FOLDER_MODE
from acqd.hidden import LEAST
from acqd.publish.link import INCOMING_MAX, PACKET_MOST_BYTES
from acqd.station.context import PAYLOAD_MOST_BYTES

TESTS = Path(__file__).parent
PAGE = (TESTS.parent / "docs" / "security.md").read_text("utf-8")


def rows() -> list[list[str]]:
    """The cells of the tables that have a column of tests."""
    lines = [line for line in PAGE.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def test_every_test_that_the_page_names_is_there() -> None:
    """By file, folder, and name where one is given."""
    named = re.findall(r"`(?:tests/)?([a-z]+(?:/test_[a-z_]+\.py)?)(?:::(test_[a-z_]+))?`", PAGE)
    files = [one for one in named if "/test_" in one[0]]
    assert len(files) > 20
    for file, test in files:
        text = (TESTS / file).read_text("utf-8")
        assert not test or f"def {test}(" in text, f"{file}::{test}"
    also = re.findall(r"`([a-z_/]+\.py)::test_[a-z_]+`, `::(test_[a-z_]+)`", PAGE)
    assert also
    for file, test in also:
        assert f"def {test}(" in (TESTS / file).read_text("utf-8")


def test_every_threat_has_a_test_or_says_what_is_not_stopped() -> None:
    """No row promises without either."""
    told = [row for row in rows() if len(row) == 4 and row[0] and not set(row[0]) <= set("-")]
    threats = [row for row in told if row[1] not in ("stopped by",)]
    assert len(threats) > 25
    for row in threats:
        tests = re.findall(r"`([a-z_/.]+?)(?:::[a-z_]+)?`", row[2])
        assert row[3] or tests, row[0]
        for one in tests:
            assert (TESTS / one).exists(), (row[0], one)


def test_its_figures_are_those_of_the_code() -> None:
    """Sizes and modes."""
    assert (oct(FILE_MODE), oct(FOLDER_MODE)) == ("0o600", "0o700")
    assert "0600, the journals' folder 0700" in PAGE
    assert PACKET_MOST_BYTES == 1 << 20 and "1 MiB a packet" in PAGE
    assert PAYLOAD_MOST_BYTES == 8 << 10 and "8 KiB a context" in PAGE
    assert INCOMING_MAX == 100 and "queues of 100 messages" in PAGE
    assert LEAST == 6 and "at least six characters" in PAGE
