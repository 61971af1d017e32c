"""What the archive is asked to keep: plain records, one transaction of them a pass.

The station builds a :class:`Batch` and gives it to the writer; when its future resolves, all of the
batch is on the disk, or none of it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.sweep import Hop, Levels, SweepFlag

__all__ = [
    "CONTEXT",
    "Batch",
    "FindingRecord",
    "GapRecord",
    "HourlyRecord",
    "MeterState",
    "SetupRecord",
    "SweepRecord",
]


CONTEXT = "context_"
"""What columns begin with that hold the context of a sweep."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupRecord:
    """What makes sweeps comparable, under a digest. Kept once a journal, repeated in every file.

    ``details`` is plain JSON data: job config, settings asked and reported, identity,
    capabilities, chain parts, software and library versions.
    """

    setup: str
    job: str
    step: int
    sweeper: str
    kind: str
    frequency_hz: NDArray[np.float64]
    """(points,) in the sweeper's own order."""
    unit: str
    resolution: float | None
    chain_gain_db: NDArray[np.float64] | None
    """(points,) gain from the reference plane to the sweeper's input (a loss is negative); None
    where the plane is the input itself. Level at the plane = level − gain."""
    details: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRecord:
    """One sweep of a job. ``(job, seq)`` is unique for ever; ``seq`` counts from 1."""

    job: str
    step: int
    setup: str
    seq: int
    pass_id: int
    """``seq`` of the first sweep of the pass."""
    run_id: str
    due_s: float
    started_s: float
    monotonic_s: float
    took_s: float
    boot_id: str
    sweeper_time_s: float | None
    flags: SweepFlag
    level: Levels
    """Canonical levels, (points,), in the sweeper's own order and at its input."""
    columns: Mapping[str, float] = field(default_factory=dict)
    summary: Mapping[str, Any] | None = None
    hops: tuple[Hop, ...] = ()
    """The pieces that it was taken in; empty where it was taken in one go."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRecord:
    """One finding. ``number`` counts from 1 without gaps per job; station findings use their own.

    ``message`` is the payload as it goes out over MQTT; the archive keeps what was said.
    """

    job: str
    number: int
    what: str
    at_s: float
    seq: int | None
    text: str
    figures: Mapping[str, Any]
    message: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class GapRecord:
    """``count`` due sweeps of a job, first due at ``from_s`` and last at ``to_s``, not taken.

    ``reason`` is one of: ``overrun``, ``sweeper lost``, ``sweep failed``, ``paused``,
    ``paused by command``, ``disk full``, ``clock stepped``, ``host asleep``, ``station down``,
    ``refused``; of sweeps from logs ``no sweep in the files``. One of no sweeps and the reason
    ``config changed`` marks where a job's config did.
    """

    job: str
    from_s: float
    to_s: float
    count: int
    reason: str
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class HourlyRecord:
    """Figures of one job and clock hour of UTC that outlive the sweeps. Plain JSON data.

    Every turn of an hour that a meter was told of makes exactly one, if need be with no figures,
    so that a replay can tell the meter at the same place.
    """

    job: str
    hour_start_s: float
    figures: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterState:
    """A checkpoint: the state of a job's meter before the first event of a journal.

    ``version`` names meter and version; ``after_seq`` is the last sweep that the state has seen.
    """

    job: str
    version: str
    after_seq: int
    next_finding: int
    state: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What one transaction commits. Within it gaps happened first, then sweeps, then hours."""

    setups: tuple[SetupRecord, ...] = ()
    sweeps: tuple[SweepRecord, ...] = ()
    findings: tuple[FindingRecord, ...] = ()
    gaps: tuple[GapRecord, ...] = ()
    hourly: tuple[HourlyRecord, ...] = ()
