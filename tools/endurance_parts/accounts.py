"""Whether a run kept its promises: due sweeps have accounts, what was said can be followed."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from acqd.archive.reader import Archive, open_archive
from endurance_parts.listening import Heard

__all__ = ["Accounts", "JobAccount", "accounts_of", "folder_bytes"]

STATION = "station"


@dataclass(frozen=True, slots=True, kw_only=True)
class JobAccount:
    """One job, between two times.

    Attributes:
        due: times of its grid.
        stored, missed: those of them with a sweep, and those without, by the reason that is given.
        unaccounted, twice: due times with no account, and with more than one.
        sweeps: all that the archive holds of it.
        summaries, traces: messages that name a sweep, each sweep counted once.
        lost: sweeps that a message named and the archive does not hold.
        findings, findings_heard: in the archive, and of these heard by the subscriber.
        strangers: findings that were heard and that the archive does not hold.
    """

    job: str
    due: int
    stored: int
    missed: Mapping[str, int]
    unaccounted: int
    twice: int
    sweeps: int
    summaries: int
    traces: int
    lost: int
    findings: int
    findings_heard: int
    strangers: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Accounts:
    """All jobs, and the station's own findings.

    ``sent`` are the messages that its publisher sent, where it says so, and ``live_dropped`` those
    that the next of their topic took the place of.
    """

    jobs: tuple[JobAccount, ...]
    station_findings: Mapping[str, int]
    findings: Mapping[str, int]
    files: int
    volumes: int
    archive_bytes: int
    ledger_bytes: int
    messages: Mapping[str, int] = field(default_factory=dict)
    sent: int | None = None
    live_dropped: int | None = None

    def failures(self) -> list[str]:
        """Promises that were not kept, a sentence each."""
        found = []
        for one in self.jobs:
            wrong = {
                "due sweeps have no account": one.unaccounted,
                "due sweeps have two accounts": one.twice,
                "sweeps were published and are not in the archive": one.lost,
                "findings were published and are not in the archive": one.strangers,
                "findings were not heard by the subscriber": one.findings - one.findings_heard,
            }
            found += [f"{one.job}: {count:,} {what}" for what, count in wrong.items() if count]
            if not one.summaries:
                found.append(f"{one.job}: no summary was heard")
        if self.sent is not None and self.sent != (heard := sum(self.messages.values())):
            found.append(f"{self.sent:,} messages were sent, and {heard:,} were heard")
        return found


def accounts_of(
    root: Path,
    heard: Heard,
    *,
    jobs: Sequence[str],
    every_s: float,
    from_s: float,
    to_s: float,
    sent: int | None = None,
    live_dropped: int | None = None,
) -> Accounts:
    """Read the archive and compare; due are the multiples of ``every_s`` in [from_s, to_s]."""
    with open_archive(root) as archive:
        done = tuple(
            _job(archive, heard, job, every_s=every_s, from_s=from_s, to_s=to_s) for job in jobs
        )
        station = Counter(one.what for one in archive.findings(STATION))
        findings = Counter(one.what for job in jobs for one in archive.findings(job))
    files = sorted((root / "sweeps").rglob("*.nc"))
    return Accounts(
        jobs=done,
        station_findings=dict(station),
        findings=dict(findings),
        files=len(files),
        volumes=sum(path.name.startswith("volume_") for path in files),
        archive_bytes=folder_bytes(root),
        ledger_bytes=sum(path.stat().st_size for path in root.glob("ledger.sqlite*")),
        messages=dict(heard.by_kind),
        sent=sent,
        live_dropped=live_dropped,
    )


def folder_bytes(root: Path) -> int:
    """All that is in a folder, but for the ballast, which holds nothing."""
    return sum(
        path.stat().st_size for path in root.rglob("*") if path.is_file() and path.name != "ballast"
    )


def _job(
    archive: Archive, heard: Heard, job: str, *, every_s: float, from_s: float, to_s: float
) -> JobAccount:
    data = archive.sweeps(job)
    # A grid of fifths of a second does not fall on whole floats.
    first, last = math.ceil(from_s / every_s - 1e-6), math.floor(to_s / every_s + 1e-6)
    due_s = data["due"].to_numpy().astype("datetime64[us]").astype(np.int64) / 1e6
    stored = Counter(np.round(due_s / every_s).astype(np.int64).tolist())
    missed: Counter[int] = Counter()
    reasons: Counter[str] = Counter()
    for gap in archive.gaps(job):
        begins = round(gap.from_s / every_s)
        within = range(max(begins, first), min(begins + gap.count - 1, last) + 1)
        missed.update(within)
        if within:
            reasons[gap.reason] += len(within)
    accounts = [stored[number] + missed[number] for number in range(first, last + 1)]
    kept = set(data["sequence"].to_numpy().tolist())
    summaries, traces = heard.summaries.get(job), heard.traces.get(job)
    named = {one for book in (summaries, traces) if book is not None for one in book.all()}
    findings = {one.number for one in archive.findings(job)}
    told = heard.findings.get(job)
    found = set() if told is None else told.all()
    return JobAccount(
        job=job,
        due=last - first + 1,
        stored=sum(first <= number <= last for number in stored),
        missed=dict(reasons),
        unaccounted=accounts.count(0),
        twice=sum(count > 1 for count in accounts),
        sweeps=len(kept),
        summaries=0 if summaries is None else len(summaries),
        traces=0 if traces is None else len(traces),
        lost=len(named - kept),
        findings=len(findings),
        findings_heard=len(findings & found),
        strangers=len(found - findings),
    )
