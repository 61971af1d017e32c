"""The table of the nights, in text and as plain data."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from nights_parts.drawing import DEAF, Kind, night_s
from nights_parts.judging import JobJudged, Judged, Occupancy, Seen

__all__ = ["failures", "lines_of", "plain_of"]

HEAD = ("night", "trouble", "began", "lasted", "noticed by", "after", "back to", "hears again")


def plain_of(judged: Judged) -> dict[str, Any]:
    """Everything that was judged, as JSON has it."""
    return {
        "jobs": [_plain_job(one) for one in judged.jobs],
        "station_for_nothing": [one.what for one in judged.for_nothing],
        "failures": failures(judged),
    }


def _plain_job(job: JobJudged) -> dict[str, Any]:
    return {
        "job": job.job,
        "due": job.due,
        "stored": job.stored,
        "missed": dict(job.missed),
        "unaccounted": job.unaccounted,
        "again": job.again,
        "calm_h": job.calm_h,
        "false_alarms": [one.text for one in job.for_nothing],
        "troubles": [
            {
                "night": one.trouble.night,
                "kind": str(one.trouble.kind),
                "from_s": one.trouble.from_s,
                "to_s": one.trouble.to_s,
                "step_s": one.trouble.by_s,
                "noticed_by": one.by,
                "late_s": one.late_s,
                "back_s": one.back_s,
                "again_s": one.again_s,
                "missed": dict(one.missed),
                "under": one.under,
                "flagged": one.flagged,
                "beyond": one.beyond,
            }
            for one in job.seen
        ],
        "occupancy_16": {
            kind: {**asdict(one), **one.shares} for kind, one in job.occupancy.items()
        },
    }


def failures(judged: Judged) -> list[str]:
    """What must not be: a false alarm, a due time without an account, a trouble that the job with
    named witnesses did not notice."""
    found = [f"the station told {one.what} for nothing" for one in judged.for_nothing]
    for job in judged.jobs:
        found += [f"{job.job}: {one.text}" for one in job.for_nothing]
        if job.unaccounted:
            found.append(f"{job.job}: {job.unaccounted} due times without one account")
    found += [
        f"{judged.jobs[0].job}: {one.trouble.kind} in night {one.trouble.night} went unnoticed"
        for one in judged.jobs[0].seen
        if one.by is None
    ]
    return found


def lines_of(judged: Judged) -> Iterator[str]:
    """For people: a table for each job, and what it comes to."""
    for job in judged.jobs:
        yield f"{job.job}"
        yield ""
        yield from _table([HEAD, *(_row(one) for one in job.seen)])
        yield ""
        missed = ", ".join(f"{count} {reason}" for reason, count in sorted(job.missed.items()))
        yield (
            f"{job.due:,} sweeps due, {job.stored:,} stored"
            f"{f', missed {missed}' if missed else ''}; {job.unaccounted} without an account"
            f"{f', {job.again} twice, as a clock was set back' if job.again else ''}"
        )
        yield f"{len(job.for_nothing)} false alarms in {job.calm_h:.1f} h in which it could hear"
        yield from (f"    {one.text}" for one in job.for_nothing)
        yield ""
        head = (
            "channel 16, nights with",
            "truth",
            "truth, listened",
            "told",
            "every sweep counted",
        )
        yield from _table(
            [head, *(_occupancy_row(kind, one) for kind, one in job.occupancy.items())]
        )
        yield ""
    yield from failures(judged) or ["every trouble was noticed by the first job, and nothing else"]


def _row(one: Seen) -> tuple[str, ...]:
    trouble = one.trouble
    what = str(trouble.kind)
    if trouble.kind is Kind.STEPPED:
        what = f"clock set {'forwards' if trouble.by_s > 0 else 'back'} {abs(trouble.by_s):.0f} s"
    by = one.by or "nothing"
    if trouble.kind is Kind.KEYED:
        by += f" ({one.flagged} of {one.under} sweeps flagged, {one.beyond} beyond)"
    elif trouble.kind not in DEAF and one.missed:
        by += f" ({', '.join(f'{count} {why}' for why, count in sorted(one.missed.items()))})"
    at_min = round((trouble.from_s - night_s(trouble.night)) / 60.0) + 21 * 60
    return (
        str(trouble.night),
        what,
        f"{at_min // 60 % 24:02d}:{at_min % 60:02d}",
        _time(trouble.to_s - trouble.from_s),
        by,
        _time(one.late_s),
        _time(one.back_s),
        _time(one.again_s),
    )


def _occupancy_row(kind: str, one: Occupancy) -> tuple[str, ...]:
    return (kind, *(f"{100.0 * share:.2f} %" for share in one.shares.values()))


def _time(seconds: float | None) -> str:
    if seconds is None:
        return "–"
    sign = "−" if round(seconds) < 0 else ""
    whole = abs(round(seconds))
    if whole < 60:
        return f"{sign}{whole} s"
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{sign}{minutes} min" + (f" {rest} s" if rest else "")
    return f"{sign}{minutes // 60} h {minutes % 60} min"


def _table(rows: list[tuple[str, ...]]) -> Iterator[str]:
    widths = [max(len(row[at]) for row in rows) for at in range(len(rows[0]))]
    for number, row in enumerate(rows):
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        yield f"| {' | '.join(cells)} |"
        if number == 0:
            yield f"|{'|'.join('-' * (width + 2) for width in widths)}|"
