"""Self-tests of sweepers over all that an archive keeps of them, so that a drift or a swap shows.

Unlike all else of a report they are not cut to its range: one test says little, a row of them does.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from acqd.archive.reader import Archive
from acqd.archive.selftests import StoredTest, stored_tests
from acqd.look.times import clock, date
from acqd.measure.selftest import TestFigure
from acqd.measure.verdict import Verdict, combine
from acqd.report.shapes import (
    Limit,
    Line,
    Mark,
    Section,
    SweeperReport,
    Table,
    TrendChart,
)

__all__ = ["extent_of_tests_s", "sweeper_reports"]

CHARTS_MOST = 8
LINES_MOST = 6
"""Of the frequencies of a loop those are drawn that were furthest off."""
ROWS_MOST = 200
"""Figures in the table of all tests; the newest."""
MOVED_SAID = 2
"""Of what moved in the last test so much is told in words; the table has the rest."""
AIR_S = 3600.0
"""Beside the first and the last test on a time axis."""


@dataclass(frozen=True, slots=True)
class _Point:
    test: StoredTest
    figure: TestFigure


def extent_of_tests_s(archive: Archive) -> tuple[float, float] | None:
    """When the first and the last self-test were taken; None where there is none."""
    found = _readable(archive)
    return (found[0].at_s, found[-1].at_s) if found else None


def _readable(archive: Archive) -> list[StoredTest]:
    """All self-tests that can be read; those of another version are passed over."""
    found: list[StoredTest] = []
    for overlay in archive.overlays():
        try:
            found += stored_tests([overlay])
        except (KeyError, TypeError, ValueError):
            continue
    return sorted(found, key=lambda one: one.at_s)


def sweeper_reports(
    archive: Archive, *, zone: str, only: Collection[str] | None = None
) -> tuple[SweeperReport, ...]:
    """A report for each sweeper that was ever tested, in the order of their names.

    Args:
        zone: that times are told in.
        only: these sweepers; None for all.

    Raises:
        ArchiveError: the ledger cannot be read.
    """
    tests = _readable(archive)
    names = sorted({one.sweeper for one in tests})
    return tuple(
        _report(name, [one for one in tests if one.sweeper == name], zone)
        for name in names
        if only is None or name in only
    )


def _report(name: str, tests: Sequence[StoredTest], zone: str) -> SweeperReport:
    rows: dict[str, list[_Point]] = {}
    for test in tests:
        for figure in test.figures:
            rows.setdefault(figure.key, []).append(_Point(test, figure))
    loops = {key: row for key, row in rows.items() if key.startswith("loop ")}
    others = {key: row for key, row in rows.items() if key not in loops}
    charts = [_chart(row) for row in others.values()]
    if loops:
        charts.append(_loop_chart(loops))
    section = Section(
        key=f"self-tests-{name}",
        title=f"Self-tests of {name}",
        lead=_lead(name, tests, zone),
        charts=tuple(charts[:CHARTS_MOST]),
        tables=(_last(rows, zone), _all(tests, zone)),
    )
    return SweeperReport(
        sweeper=name,
        start_s=tests[0].at_s - AIR_S,
        stop_s=tests[-1].at_s + AIR_S,
        sections=(section,),
    )


def _lead(name: str, tests: Sequence[StoredTest], zone: str) -> str:
    last_s = max(one.test_s for one in tests)
    newest = [one for one in tests if one.test_s == last_s]
    figures = [figure for one in newest for figure in one.figures]
    verdict = combine(one.verdict for one in figures)
    count = len({one.test_s for one in tests})
    many = f"One test of {name}, " if count == 1 else f"{count} tests of {name}; the last one, "
    said = [
        f"{many}of {newest[-1].identity}, on {date(last_s, zone)} at {clock(last_s, zone)}: "
        f"{verdict.value}."
    ]
    moved = [
        f"{next(each.title for each in one.figures if each.key == key)} {text}."
        for one in newest
        for key, text in one.moved.items()
    ]
    said += moved[:MOVED_SAID]
    if len(moved) > MOVED_SAID:
        said.append(f"So did {len(moved) - MOVED_SAID} more.")
    identities = {_who(one) for one in tests}
    if len(identities) > 1:
        said.append(f"{len(identities)} identities answered over time: see the marks.")
    return " ".join(said)


def _who(test: StoredTest) -> tuple[str, str, str, str]:
    one = test.identity
    return one.maker, one.model, one.serial_number, one.firmware


def _chart(row: Sequence[_Point]) -> TrendChart:
    """One figure over all tests, with U and with what it should be by the last of them."""
    last = row[-1].figure
    span = last.span
    limits = []
    if span is not None:
        for side, level in (("below", span[1]), ("above", span[0])):
            if math.isfinite(level):
                limits.append(_limit(level, side))
    return TrendChart(
        title=last.title,
        unit=last.unit,
        lines=(_line("tests, with U", row),),
        marks=_marks(row),
        limits=tuple(limits),
        alt=f"{last.title} over {len(row)} self-tests; {last.text}",
    )


def _limit(level: float, side: str) -> Limit:
    name = "at most" if side == "below" else "at least"
    return Limit(
        name=name,
        start=math.nan,
        stop=math.nan,
        level=level,
        side="below" if side == "below" else "above",
    )


def _line(name: str, row: Sequence[_Point], *, less_expected: bool = False) -> Line:
    value = np.array([_number(one.figure.value) for one in row])
    expanded = np.array([_number(one.figure.expanded) for one in row])
    if less_expected:
        value = value - np.array([_number(one.figure.expected) for one in row])
    return Line(
        name=name,
        x=np.array([one.test.at_s for one in row], dtype=np.float64),
        y=value,
        low=value - expanded,
        high=value + expanded,
    )


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def _marks(row: Sequence[_Point], *, less_expected: bool = False) -> tuple[Mark, ...]:
    """Where another identity answered, a test failed or a figure moved."""
    found = []
    before: StoredTest | None = None
    for one in row:
        said = [] if before is None else _changed(before, one.test)
        before = one.test
        if one.figure.verdict is Verdict.FAIL:
            said.append("fail")
        if one.figure.key in one.test.moved:
            said.append("moved")
        if said and one.figure.value is not None:
            base = _number(one.figure.expected) if less_expected else 0.0
            mark = Mark(x=one.test.at_s, y=one.figure.value - base, text=", ".join(said))
            found.append(mark)
    return tuple(found)


def _changed(before: StoredTest, now: StoredTest) -> list[str]:
    """What of the identity is new, in a few words."""
    was, is_ = before.identity, now.identity
    parts = (("model", ""), ("serial_number", ""), ("firmware", "firmware "))
    return [
        f"{word}{getattr(is_, part) or 'none'}"
        for part, word in parts
        if getattr(was, part) != getattr(is_, part)
    ]


def _loop_chart(loops: dict[str, list[_Point]]) -> TrendChart:
    """The source looped back, at each frequency less what it should read there."""

    def worst(row: Sequence[_Point]) -> float:
        off = [
            abs(_number(one.figure.value) - _number(one.figure.expected))
            for one in row
            if one.figure.value is not None
        ]
        return max(off, default=0.0)

    chosen = sorted(loops.values(), key=worst, reverse=True)[:LINES_MOST]
    chosen.sort(key=lambda row: row[-1].figure.frequency_hz or 0.0)
    tolerances = {one[-1].figure.tolerance for one in chosen}
    limits: tuple[Limit, ...] = ()
    if len(tolerances) == 1 and (most := tolerances.pop()) is not None:
        limits = (_limit(most, "below"), _limit(-most, "above"))
    title = "Source looped back, less what it should read"
    return TrendChart(
        title=title,
        unit="dB",
        lines=tuple(
            _line(row[-1].figure.title.partition(", ")[2], row, less_expected=True)
            for row in chosen
        ),
        marks=_marks(max(chosen, key=worst), less_expected=True),
        limits=limits,
        alt=f"{title}, at {len(chosen)} of {len(loops)} frequencies",
    )


def _last(rows: dict[str, list[_Point]], zone: str) -> Table:
    """Each figure as it was found last."""
    return Table(
        title="The last result of each figure",
        heads=("figure", "value", "U", "should be", "tolerance", "verdict", "when"),
        units=("",) * 7,
        places=(None, 2, 2, 2, 2, None, None),
        rows=tuple(
            (
                _named(one.figure),
                one.figure.value,
                one.figure.expanded,
                one.figure.expected,
                one.figure.tolerance,
                one.figure.verdict.value,
                _when(one.test.at_s, zone),
            )
            for row in rows.values()
            for one in row[-1:]
        ),
        note="U is that of the test, k = 2; the tolerance is the sweeper's own stated accuracy, or "
        "as the config has it.",
    )


def _all(tests: Sequence[StoredTest], zone: str) -> Table:
    points = [_Point(test, figure) for test in tests for figure in test.figures]
    shown = points[-ROWS_MOST:]
    note = "" if len(shown) == len(points) else f"The newest {len(shown)} of {len(points)}."
    return Table(
        title="All self-tests",
        heads=("when", "figure", "value", "U", "verdict", "serial number", "firmware", "by"),
        units=("",) * 8,
        places=(None, None, 2, 2, None, None, None, None),
        rows=tuple(
            (
                _when(one.test.at_s, zone),
                _named(one.figure),
                one.figure.value,
                one.figure.expanded,
                one.figure.verdict.value + (", moved" if one.figure.key in one.test.moved else ""),
                one.test.identity.serial_number or "–",
                one.test.identity.firmware or "–",
                one.test.who,
            )
            for one in reversed(shown)
        ),
        note=note,
    )


def _named(figure: TestFigure) -> str:
    return f"{figure.title} [{figure.unit}]"


def _when(at_s: float, zone: str) -> str:
    return f"{date(at_s, zone)}, {clock(at_s, zone)}"
