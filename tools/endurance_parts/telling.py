"""What a run came to, as a table and as plain data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from endurance_parts.accounts import Accounts
from endurance_parts.slopes import Slope

__all__ = ["account_lines", "plain_of", "slope_lines"]

HEAD = ("figure", "begins", "ends", "from … to", "{per}", "95 % interval", "flat to", "")
DAYS_S = 2 * 86_400.0
"""From here on slopes are told by the day, below by the hour."""


def slope_lines(slopes: Sequence[Slope]) -> list[str]:
    """A table of slopes, as Markdown."""
    by_day = any(one.span_s >= DAYS_S for one in slopes)
    head = tuple(cell.format(per="a day" if by_day else "an hour") for cell in HEAD)
    rows = [head, *(_row(one, 24.0 if by_day else 1.0) for one in slopes)]
    widths = [max(len(row[at]) for row in rows) for at in range(len(HEAD))]
    lines = [
        "| " + " | ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) + " |"
        for row in rows
    ]
    return [lines[0], "|" + "|".join("-" * (width + 2) for width in widths) + "|", *lines[1:]]


def _row(one: Slope, hours: float) -> tuple[str, ...]:
    unit = f" {one.figure.unit}" if one.figure.unit else ""
    if one.low_per_hour is None or one.high_per_hour is None:
        interval = one.reason
    else:
        interval = f"{_number(hours * one.low_per_hour)} … {_number(hours * one.high_per_hour)}"
    return (
        one.figure.what,
        f"{_number(one.first)}{unit}",
        f"{_number(one.last)}{unit}",
        f"{_number(one.least)} … {_number(one.greatest)}",
        f"{_number(hours * one.per_hour)}",
        interval,
        f"{_number(hours * one.bound_per_hour)}",
        str(one.word),
    )


def _number(value: float) -> str:
    if value == 0.0:
        return "0"
    text = f"{value:.0f}" if abs(value) >= 1000 else f"{value:.3g}"
    return text.replace("-", "−")


def account_lines(accounts: Accounts) -> list[str]:
    """Due, stored and accounted for; messages and findings; the disk."""
    jobs = accounts.jobs
    due, stored = sum(one.due for one in jobs), sum(one.stored for one in jobs)
    missed: dict[str, int] = {}
    for one in jobs:
        for reason, count in one.missed.items():
            missed[reason] = missed.get(reason, 0) + count
    reasons = ", ".join(f"{reason} {count:,}" for reason, count in sorted(missed.items()))
    messages = sum(accounts.messages.values())
    kinds = ", ".join(f"{kind} {count:,}" for kind, count in sorted(accounts.messages.items()))
    station = ", ".join(f"{what} {n:,}" for what, n in sorted(accounts.station_findings.items()))
    found = ", ".join(f"{what} {n:,}" for what, n in sorted(accounts.findings.items()))
    return [
        f"sweeps: {due:,} due = {stored:,} stored + {sum(missed.values()):,} accounted for"
        + (f" ({reasons})" if reasons else "")
        + f" + {sum(one.unaccounted for one in jobs):,} without an account",
        f"messages heard: {messages:,} ({kinds})"
        + ("" if accounts.sent is None else f"; sent: {accounts.sent:,}")
        + (
            ""
            if accounts.live_dropped is None
            else f"; overtaken by the next of their topic: {accounts.live_dropped:,}"
        ),
        f"named in a summary: {sum(one.summaries for one in jobs):,} sweeps, in a trace: "
        f"{sum(one.traces for one in jobs):,}; not in the archive: "
        f"{sum(one.lost for one in jobs):,}",
        f"findings: {sum(one.findings for one in jobs):,} in the archive ({found or 'none'}), of "
        f"them heard: {sum(one.findings_heard for one in jobs):,}; of the station: "
        f"{station or 'none'}",
        f"disk: {accounts.archive_bytes / 1e6:,.0f} MB, of it the ledger "
        f"{accounts.ledger_bytes / 1e6:,.1f} MB; {accounts.files:,} files, {accounts.volumes:,} of "
        "them volumes",
    ]


def plain_of(slopes: Sequence[Slope], accounts: Accounts) -> dict[str, Any]:
    """For a script."""
    return {
        "slopes": [
            {**asdict(one), "figure": one.figure.name, "unit": one.figure.unit} for one in slopes
        ],
        **asdict(accounts),
        "failures": failures(slopes, accounts),
    }


def failures(slopes: Sequence[Slope], accounts: Accounts) -> list[str]:
    """What grew, and which promises were not kept."""
    grew = [f"{one.figure.what} grows" for one in slopes if one.word == "grows"]
    return grew + accounts.failures()
