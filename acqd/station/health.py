"""How the station stands: gathered from its parts, and judged in one word with its reasons.

The judgement (:func:`judge`) is pure: it is told how things are and says what a watchkeeper would.
Things that go as somebody wished (a pause, a closed window, a held job) are no fault of the
station.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from acqd.look.times import duration
from acqd.publish.health import (
    REASON_MOST,
    REASONS_MOST,
    SWEEPERS_MOST,
    WORDS,
    Health,
    SweeperHealth,
)

__all__ = ["JobFacts", "Standing", "SweeperFacts", "health_of", "judge"]

START_GRACE_S = 30.0
"""So long a station that has just started may be without its sweepers and its broker."""
BROKER_GRACE_S = 60.0
LATE_GRACE_S = 10.0
DAYS_LEFT_LEAST = 2.0
DAYS_UNMERGED_MOST = 2
"""Yesterday's is merged some minutes into the new day."""
LOST_SHARE = 0.02
"""One sweep that fails now and then is a sweep lost, and no station that limps."""
COMMITS_WAITING_MOST = 64
JOURNALS_WAITING_MOST = 3
ALERTS_WAITING_MOST = 20

NO_FAULT = frozenset(
    {
        "paused",
        "paused by command",
        "station down",
        "host asleep",
        "clock stepped",
        "config changed",
    }
)
"""Reasons for lost sweeps that say nothing against a sweeper."""

Standing = Literal["open", "shut", "waits", "fault", "ended"]


@dataclass(frozen=True, slots=True, kw_only=True)
class JobFacts:
    """One job: ``open`` where it should sweep now, ``fault`` where something keeps it from that,
    ``waits`` where somebody wished it, ``shut`` outside its time, ``ended`` for good."""

    name: str
    sweeper: str
    standing: Standing
    why: str = ""
    deaf: str = ""
    """Why nobody hears, where that is so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweeperFacts:
    """One sweeper, as its part of the status has it and as it judges."""

    health: SweeperHealth
    problem: str = ""
    """Why it is not there."""
    pass_s: float = 1.0
    """What the longest pass of its jobs takes."""
    just_lost: Mapping[str, int]
    """Sweeps lost in the last quarter of an hour, by reason."""
    just_kept: int = 1000
    """Sweeps that were kept in that time."""
    is_out: bool = False
    """Whether it is out until the station is started anew."""

    @classmethod
    def of(cls, fields: Mapping[str, Any], **facts: Any) -> SweeperFacts:
        """With the part of the status made of its ``fields``."""
        return cls(health=SweeperHealth.model_validate(fields), **facts)


@dataclass(frozen=True, slots=True)
class _Reason:
    weight: int
    """2: nothing is swept for it; 1: something is wrong; 0: worth knowing."""
    text: str


def judge(
    fields: Mapping[str, Any],
    sweepers: Sequence[SweeperFacts],
    jobs: Sequence[JobFacts],
    *,
    now_s: float,
    up_s: float,
) -> tuple[str, tuple[str, ...]]:
    """The word of a station and its reasons, the worst first.

    Args:
        fields: of its :class:`Health`, but for the sweepers and the judgement.
        up_s: for how long it runs.
    """
    found = [
        *_of_disk(fields, now_s),
        *_of_sweepers(sweepers, jobs, now_s=now_s, up_s=up_s),
        *_of_jobs(jobs),
        *_of_archive(fields),
        *_of_broker(fields, now_s=now_s, up_s=up_s),
    ]
    found.sort(key=lambda one: -one.weight)
    wanted = [job for job in jobs if job.standing in ("open", "fault")]
    able = {one.health.sweeper for one in sweepers if _is_able(one, up_s)}
    is_swept = any(job.standing == "open" and job.sweeper in able for job in wanted)
    if wanted and (not is_swept or fields.get("disk_full_since_s") is not None):
        word = WORDS[2]
    else:
        word = WORDS[1] if any(one.weight for one in found) else WORDS[0]
    if not wanted and all(job.standing == "ended" for job in jobs):
        found.append(_Reason(0, "all jobs have ended"))
    elif not wanted and not any(job.standing == "waits" for job in jobs):
        found.append(_Reason(0, "no job is to sweep at this time"))
    texts = [_short(one.text) for one in found]
    if len(texts) > REASONS_MOST:
        more = len(texts) - (REASONS_MOST - 1)
        texts = [*texts[: REASONS_MOST - 1], f"and {more} reasons more"]
    return word, tuple(texts)


def health_of(
    fields: Mapping[str, Any],
    sweepers: Sequence[SweeperFacts],
    jobs: Sequence[JobFacts],
    *,
    now_s: float,
    up_s: float,
) -> Health:
    """All of it as the status carries it; sweepers beyond its bound are counted, not told."""
    word, reasons = judge(fields, sweepers, jobs, now_s=now_s, up_s=up_s)
    told = [one.health for one in sweepers]
    if len(told) > SWEEPERS_MOST:
        told.sort(key=lambda one: (one.state == "present", -one.late, one.sweeper))
    return Health.model_validate(
        {
            **fields,
            "word": word,
            "reasons": reasons,
            "sweepers": tuple(told[:SWEEPERS_MOST]),
            "sweepers_more": max(0, len(told) - SWEEPERS_MOST),
        }
    )


def _is_able(one: SweeperFacts, up_s: float) -> bool:
    if one.health.state != "present":
        return up_s < START_GRACE_S and not one.problem
    return one.just_kept > 0 or not _faults(one)


def _faults(one: SweeperFacts) -> Counter[str]:
    """What was lost just now by a fault, where it is more than a few."""
    lost = Counter({why: n for why, n in one.just_lost.items() if why not in NO_FAULT})
    return lost if lost.total() > LOST_SHARE * (lost.total() + one.just_kept) else Counter()


def _of_disk(fields: Mapping[str, Any], now_s: float) -> list[_Reason]:
    full_since_s, days = fields.get("disk_full_since_s"), fields.get("disk_days_left")
    if full_since_s is not None:
        return [
            _Reason(
                2, f"nothing could be kept for {_ago(now_s, full_since_s)}: make room on the disk"
            )
        ]
    free, floor = fields.get("disk_free_bytes"), fields.get("disk_floor_bytes")
    if free is not None and floor is not None and free < floor:
        # Nobody has tried since: no pass was due, or somebody else has just filled it.
        text = f"only {free / 1e6:.0f} MB of disk are free, and below {floor / 1e6:.0f} MB"
        return [_Reason(1, f"{text} nothing is kept: make room on the disk")]
    if days is not None and days < DAYS_LEFT_LEAST:
        left = duration(days * 86_400.0)
        return [_Reason(1, f"at this rate the disk is full in {left}")]
    return []


def _of_sweepers(
    sweepers: Sequence[SweeperFacts], jobs: Sequence[JobFacts], *, now_s: float, up_s: float
) -> list[_Reason]:
    found = []
    for one in sweepers:
        found += _of_sweeper(one, now_s=now_s, up_s=up_s)
    return found


def _of_sweeper(one: SweeperFacts, *, now_s: float, up_s: float) -> list[_Reason]:
    told, found = one.health, []
    if told.state != "present":
        if up_s >= START_GRACE_S or one.problem:
            is_what = {"busy": "held by another program", "fault": "at fault"}.get(
                told.state, "away"
            )
            text = f"{told.sweeper} has been {is_what} for {_ago(now_s, told.since_s)}"
            found.append(_Reason(1, f"{text}: {one.problem}" if one.problem else text))
    elif told.late and told.late_s > LATE_GRACE_S + 2.0 * one.pass_s:
        passes = "a pass has" if told.late == 1 else f"{told.late} passes have"
        found.append(
            _Reason(
                1, f"{told.sweeper}: {passes} been due for {duration(told.late_s)} and not begun"
            )
        )
    faults = _faults(one)
    if faults and told.state == "present":
        first, *rest = faults.most_common()
        text = f"{told.sweeper} lost {faults.total()} sweeps in the last 15 min: {first[0]}"
        found.append(_Reason(1, text + (" for the most part" if rest else "")))
    if told.hanging:
        calls = "a call" if told.hanging == 1 else f"{told.hanging} calls"
        text = f"{calls} of the driver of {told.sweeper} never came back"
        found.append(_Reason(1, text + (": out until a restart" if one.is_out else "")))
    return found


def _of_jobs(jobs: Sequence[JobFacts]) -> list[_Reason]:
    found = []
    for job in jobs:
        if job.standing == "fault":
            found.append(_Reason(1, f"{job.name} does not sweep: {job.why}"))
        elif job.standing == "waits":
            found.append(_Reason(0, f"{job.name} waits: {job.why}"))
        elif job.deaf:
            found.append(_Reason(1, f"{job.name} is deaf: {job.deaf}"))
    return found


def _of_archive(fields: Mapping[str, Any]) -> list[_Reason]:
    found = []
    if fields.get("archive_problem"):
        found.append(_Reason(1, f"the archive: {fields['archive_problem']}"))
    if (waiting := fields.get("archive_waiting") or 0) > COMMITS_WAITING_MOST:
        found.append(_Reason(1, f"{waiting} batches wait for the disk, which is too slow or stuck"))
    if (journals := fields.get("journals_waiting") or 0) > JOURNALS_WAITING_MOST:
        found.append(_Reason(1, f"{journals} journals wait to be written out as files"))
    if (days := fields.get("days_unmerged") or 0) > DAYS_UNMERGED_MOST:
        found.append(_Reason(1, f"{days} days that have ended are not merged"))
    if fields.get("clock_synchronised") is False:
        # No fault by itself: where it keeps days from being merged, those are told of.
        found.append(_Reason(0, "the machine's clock follows no time source"))
    return found


def _of_broker(fields: Mapping[str, Any], *, now_s: float, up_s: float) -> list[_Reason]:
    found, waiting = [], fields.get("outbox_waiting") or 0
    since_s = fields.get("broker_since_s")
    if fields.get("broker") == "away" and up_s >= START_GRACE_S and since_s is not None:
        gone_s = now_s - since_s
        if gone_s >= BROKER_GRACE_S:
            text = f"the broker has been away for {duration(gone_s)}"
            found.append(_Reason(1, text + (f", {waiting} findings wait" if waiting else "")))
    if problem := fields.get("broker_problem"):
        found.append(_Reason(1, f"{problem}, {waiting} findings wait"))
    if (alerts := fields.get("alerts_waiting") or 0) > ALERTS_WAITING_MOST:
        found.append(_Reason(1, f"{alerts} alerts could not go out yet"))
    return found


def _ago(now_s: float, since_s: float) -> str:
    return duration(float(round(max(0.0, now_s - since_s))))


def _short(text: str) -> str:
    line = " ".join(text.split())
    return line if len(line) <= REASON_MOST else f"{line[: REASON_MOST - 2]} …"
