"""What an archive has of a job, as it is looked at after a fault."""

from __future__ import annotations

from dataclasses import dataclass, field

from acqd.archive.reader import Archive
from acqd.archive.records import GapRecord, SetupRecord, SweepRecord

__all__ = ["Kept", "read_kept"]


@dataclass(slots=True)
class Kept:
    """What an archive has of one job from a time on."""

    sweeps: dict[int, SweepRecord] = field(default_factory=dict)
    setups: dict[tuple[int, str], SetupRecord] = field(default_factory=dict)
    gaps: list[GapRecord] = field(default_factory=list)
    twice: list[int] = field(default_factory=list)


def read_kept(archive: Archive, job: str, since_s: float) -> Kept:
    """Read it, levels and all."""
    kept = Kept()
    for event in archive.events(job, since_s):
        if isinstance(event, SweepRecord):
            if event.seq in kept.sweeps:
                kept.twice.append(event.seq)
            kept.sweeps[event.seq] = event
        elif isinstance(event, SetupRecord):
            kept.setups[event.step, event.setup] = event
    # After the sweeps: those that lie between them were committed before, and are seen.
    kept.gaps = archive.gaps(job, since_s)
    return kept
