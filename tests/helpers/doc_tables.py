"""The tables of docs that describe the keys of configs, profiles and maps."""

from __future__ import annotations

import re
from collections.abc import Iterator

__all__ = ["rows"]


def rows(page: str, section: str) -> Iterator[tuple[str, str]]:
    """Key and default of each row of the table under a heading of a page's text."""
    body = re.split(r"(?m)^## ", page.split(f"\n## {section}\n", 1)[1])[0]
    for line in body.splitlines():
        match = re.match(r"\| `(\w+)` \| [^|]+ \| ([^|]+) \|", line)
        if match is not None:
            yield match[1], match[2].strip()
