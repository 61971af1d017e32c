"""What a rehearsal came to, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

from acqd.look.times import clock
from acqd.rehearsal.outcome import OVERRUN, JobOutcome, Lost, Outcome

__all__ = ["conflicts", "disk_lines", "message_lines", "missed_text"]

TOPICS_SHOWN = 6
FULL = 0.9
"""A sweeper that sweeps for more of the time than this has little to spare for anything else."""


def missed_text(job: JobOutcome) -> str:
    """``overrun 120, sweeper lost 599``; a dash where nothing was missed."""
    return ", ".join(f"{reason} {count:,}" for reason, count in job.missed.items()) or "–"


def conflicts(outcome: Outcome) -> list[str]:
    """Who lost what to whom, who was late, which sweeper is full; none where all goes well."""
    found = [_lost(one, outcome) for one in sorted(outcome.lost, key=lambda one: one.from_s)]
    found += outcome.without
    for job in outcome.jobs:
        if not job.due and not job.cut:
            found.append(f"{job.job} was never due in this time ({job.schedule})")
        if job.worst_late_s:
            late = f"{job.job} started up to {job.worst_late_s:.1f} s late"
            many = f", {_times(job.late)} by more than half its interval" if job.late else ""
            found.append(f"{late}{many}")
    found += [
        f"{one.sweeper} sweeps for {one.busy:.0%} of the time: it is full"
        for one in outcome.sweepers
        if one.busy > FULL and not one.is_filled
    ]
    found += [
        f"the station itself found {word} {_times(count)}"
        for word, count in outcome.station_findings.items()
        if word not in TOLD_AS_LOSSES
    ]
    return found


TOLD_AS_LOSSES = ("sweeper_lost", "sweeper_back")


def _lost(lost: Lost, outcome: Outcome) -> str:
    sweeps = "1 sweep" if lost.count == 1 else f"{lost.count:,} sweeps"
    when = _when(lost, outcome)
    if lost.behind == lost.job:
        return f"{lost.job} lost {sweeps} {when}: its own sweep before was still under way"
    if lost.behind:
        return f"{lost.job} lost {sweeps} to {lost.behind} {when}, which had the sweeper"
    if lost.reason == "sweeper lost":
        return f"{lost.job} lost {sweeps} {when}: its sweeper was away"
    if lost.reason == OVERRUN:
        return f"{lost.job} lost {sweeps} {when}: its sweeper was not free in time"
    detail = f" ({lost.detail})" if lost.detail else ""
    return f"{lost.job} lost {sweeps} {when}: {lost.reason}{detail}"


def _when(lost: Lost, outcome: Outcome) -> str:
    first = clock(lost.from_s, outcome.zone, seconds=True)
    last = clock(lost.to_s, outcome.zone, seconds=True)
    if first == last and lost.to_s - lost.from_s < 1.0:
        return f"at {first}"
    if lost.stretches == 1:
        return f"from {first} to {last}"
    return f"{_times(lost.stretches)} between {first} and {last}"


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count:,} times")


def disk_lines(outcome: Outcome) -> list[str]:
    """What the archive takes."""
    disk = outcome.disk
    day = f"about {_size(disk.a_day_bytes)} in a day of 24 hours like this"
    if not disk.a_day_bytes:
        day = "too little was due to tell of a day"
    return [
        f"{_size(disk.size_bytes)} for this time, of it {_size(disk.ledger_bytes)} for findings "
        f"and figures; {day}",
    ]


def message_lines(outcome: Outcome) -> list[str]:
    """What a broker would get, the largest share first."""
    load = outcome.messages
    hours = max((outcome.to_s - outcome.from_s) / 3600.0, 1e-9)
    messages = sum(one.messages for one in load.by_topic.values())
    size = sum(one.size_bytes for one in load.by_topic.values())
    peak = "" if load.peak_s is None else f" at {clock(load.peak_s, outcome.zone, seconds=True)}"
    lines = [
        f"{messages / hours:,.0f} an hour with {_size(size / hours)}; "
        f"at most {load.peak_a_second:,} in one second{peak}; {load.retained} retained topics",
        _by_topic(outcome, hours),
    ]
    if load.dropped:
        lines.append(f"{load.dropped:,} could not be made: this is a fault; see the log")
    return lines


def _by_topic(outcome: Outcome, hours: float) -> str:
    by_size = sorted(outcome.messages.by_topic.items(), key=lambda one: -one[1].size_bytes)
    parts = [
        f"{kind} {one.messages / hours:,.0f} ({_size(one.size_bytes / hours)})"
        for kind, one in by_size[:TOPICS_SHOWN]
    ]
    rest: Sequence[int] = [one.messages for _, one in by_size[TOPICS_SHOWN:]]
    if rest:
        parts.append(f"others {sum(rest) / hours:,.0f}")
    return "an hour: " + ", ".join(parts)


def _size(size_bytes: float) -> str:
    for factor, unit in ((1e9, "GB"), (1e6, "MB"), (1e3, "kB")):
        if size_bytes >= factor:
            return f"{size_bytes / factor:.3g} {unit}"
    return f"{size_bytes:.0f} B"
