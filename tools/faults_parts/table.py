"""What a run came to: a table for a terminal, for the docs, and plain data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from faults_parts.legs import Done, Outcome
from faults_parts.registry import Fault
from faults_parts.watching import Stretch

__all__ = ["Row", "Total", "failures", "lines_of", "markdown_of", "plain_of", "rows_of", "total_of"]


@dataclass(slots=True, kw_only=True)
class Row:
    """One fault over all legs; all that were mixed are one row."""

    name: str
    does: str
    guarantees: tuple[str, ...]
    times: int = 0
    seen: Stretch = field(default_factory=Stretch)
    took_s: float = 0.0
    wrong: list[str] = field(default_factory=list)
    not_here: str | None = None
    """Why this machine could not do it, where it could not."""

    @property
    def accounted(self) -> int:
        return self.seen.missed.total()

    @property
    def outcome(self) -> str:
        return "nothing lost" if not self.wrong else f"{len(self.wrong)} wrong"

    def add(self, outcome: Outcome) -> None:
        if outcome.not_here is not None:
            self.not_here = outcome.not_here
        else:
            self.times += 1
        self.took_s += outcome.took_s
        self.seen.due += outcome.seen.due
        self.seen.stored += outcome.seen.stored
        self.seen.missed += outcome.seen.missed
        self.seen.published += outcome.seen.published
        self.seen.findings += outcome.seen.findings


MIXED = "two at once"


def rows_of(done: Sequence[Done], faults: Mapping[str, Fault]) -> list[Row]:
    """In the order of the families, what was mixed last; faults that were not done are left out."""
    rows = {
        name: Row(name=name, does=one.does, guarantees=one.guarantees)
        for name, one in faults.items()
    }
    rows[MIXED] = Row(name=MIXED, does="two of the above at the same time", guarantees=())
    mixed: set[str] = set()
    for outcome in (one for leg in done for one in leg.outcomes):
        row = rows[outcome.names[0] if len(outcome.names) == 1 else MIXED]
        row.add(outcome)
        row.wrong += [f"{' + '.join(outcome.names)}: {line}" for line in outcome.wrong]
        if len(outcome.names) > 1:
            mixed.update(g for name in outcome.names for g in faults[name].guarantees)
    rows[MIXED].guarantees = tuple(sorted(mixed))
    return [row for row in rows.values() if row.times or row.not_here]


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """All legs together."""

    injected: int
    kills: int
    starts: int
    published: int
    due: int
    stored: int
    missed: Mapping[str, int]
    findings: int
    heard: int
    passed: int
    named: int
    files: int
    lost: int
    """Lines that say that something does not hold, each of one sweep, finding, file or account."""


def total_of(done: Sequence[Done], faults: Mapping[str, Fault]) -> Total:
    missed: dict[str, int] = {}
    for leg in done:
        for reason, count in leg.whole.missed.items():
            missed[reason] = missed.get(reason, 0) + count
    tried = [one for leg in done for one in leg.outcomes if one.not_here is None]
    names = [name for one in tried for name in one.names]
    found = [leg.whole.findings for leg in done]
    return Total(
        injected=len(names),
        kills=sum(faults[name].is_kill for name in names),
        starts=sum(leg.starts for leg in done),
        published=sum(leg.whole.published for leg in done),
        due=sum(leg.whole.due for leg in done),
        stored=sum(leg.whole.stored for leg in done),
        missed=dict(sorted(missed.items())),
        findings=sum(one.heard + one.passed + one.named for one in found),
        heard=sum(one.heard for one in found),
        passed=sum(one.passed for one in found),
        named=sum(one.named for one in found),
        files=sum(leg.whole.files for leg in done),
        lost=len(failures(done)),
    )


def failures(done: Sequence[Done]) -> list[str]:
    """Everything that did not hold, with the fault that it was seen after."""
    lines = []
    for leg in done:
        for one in leg.outcomes:
            name = " + ".join(one.names)
            lines += [f"leg {leg.leg.number}, after {name}: {line}" for line in one.wrong]
        at_end = [*leg.wrong, *leg.whole.wrong]
        lines += [f"leg {leg.leg.number}, at its end: {line}" for line in at_end]
    return lines


def lines_of(rows: Sequence[Row], total: Total) -> list[str]:
    """For a terminal."""
    width = max([len(row.name) for row in rows] + [5])
    heads = ("times", "published", "due", "stored", "accounted", "findings", "lost")
    out = [f"{'fault':<{width}}  {'  '.join(heads)}  tests"]
    for row in rows:
        seen = row.seen
        figures = (row.times, seen.published, seen.due, seen.stored, row.accounted, seen.findings)
        cells = [*figures, len(row.wrong)]
        text = "  ".join(f"{cell:>{len(head)}}" for cell, head in zip(cells, heads, strict=True))
        out.append(f"{row.name:<{width}}  {text}  {', '.join(row.guarantees)}")
        if row.not_here is not None:
            out.append(f"{'':<{width}}  not tried here: {row.not_here}")
    return [*out, "", *_sums(total)]


def _sums(total: Total) -> list[str]:
    missed = ", ".join(f"{count} {reason}" for reason, count in total.missed.items())
    accounted = sum(total.missed.values())
    return [
        f"{total.injected} faults, {total.kills} of them kills of the station; "
        f"{total.starts} starts.",
        f"Sweeps: {total.due} due, {total.stored} stored, {accounted} accounted for"
        f"{f' ({missed})' if missed else ''}; {total.published} published, each is stored.",
        f"Findings: {total.findings}; {total.heard} heard, {total.passed} acknowledged by a broker "
        f"that went, or while nobody was subscribed, {total.named} named as not sent.",
        f"Files: {total.files}, each read by h5dump.",
        f"Lost or wrong: {total.lost}.",
    ]


def markdown_of(rows: Sequence[Row], total: Total) -> str:
    """For the docs."""
    out = [
        "| fault | what happens | times | puts to the test | sweeps published | due | stored "
        "| accounted for | findings | lost or wrong |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for row in rows:
        seen = row.seen
        cells = [
            f"`{row.name}`" if row.name != MIXED else row.name,
            row.does,
            *(row.times, ", ".join(row.guarantees)),
            *(seen.published, seen.due, seen.stored, row.accounted, seen.findings),
            len(row.wrong) or ("none" if row.times else f"not tried here: {row.not_here}"),
        ]
        out.append(f"| {' | '.join(map(str, cells))} |")
    sums = total.lost or "none"
    accounted = sum(total.missed.values())
    out += ["", "| all legs together | |", "|---|---|"]
    out += [
        f"| faults injected | {total.injected}, of these kills of the station {total.kills} |",
        f"| starts of the station | {total.starts} |",
        f"| sweeps due | {total.due} |",
        f"| stored | {total.stored} |",
        f"| accounted for with a reason | {accounted} |",
        *(f"| … {reason} | {count} |" for reason, count in total.missed.items()),
        f"| sweeps published | {total.published} |",
        f"| findings | {total.findings} |",
        f"| … heard by the subscriber | {total.heard} |",
        f"| … acknowledged, then gone with the broker | {total.passed} |",
        f"| … named as not sent | {total.named} |",
        f"| files read by h5dump | {total.files} |",
        f"| lost or wrong | {sums} |",
    ]
    return "\n".join(out) + "\n"


def plain_of(rows: Sequence[Row], total: Total, done: Sequence[Done]) -> dict[str, Any]:
    """Plain JSON data."""
    return {
        "faults": [
            {
                "fault": row.name,
                "does": row.does,
                "guarantees": list(row.guarantees),
                "times": row.times,
                "published": row.seen.published,
                "due": row.seen.due,
                "stored": row.seen.stored,
                "accounted": dict(row.seen.missed),
                "findings": row.seen.findings,
                "took_s": round(row.took_s, 1),
                "wrong": row.wrong,
                "not_here": row.not_here,
            }
            for row in rows
        ],
        "total": asdict(total),
        "failures": failures(done),
    }
