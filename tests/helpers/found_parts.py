"""What tests of reports look for in what was found: sections by key, the rest by their names."""

from __future__ import annotations

from typing import Any, Protocol

from acqd.report.shapes import Section, Table

__all__ = ["Found", "chart", "row", "section", "table"]


class Found(Protocol):
    """The parts of a kind, or the report of a job."""

    @property
    def sections(self) -> tuple[Section, ...]: ...


def section(found: Found, key: str) -> Section:
    return next(one for one in found.sections if one.key == key)


def chart(found: Found, key: str, title: str) -> Any:
    """The first chart of a section whose title begins so."""
    return next(one for one in section(found, key).charts if one.title.startswith(title))


def table(found: Found, key: str, title: str = "") -> Table:
    """The first table of a section whose title begins so."""
    return next(one for one in section(found, key).tables if one.title.startswith(title))


def row(of: Table, name: str) -> tuple[Any, ...]:
    return next(one for one in of.rows if one[0] == name)
