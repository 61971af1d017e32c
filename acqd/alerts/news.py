"""What a station notices, as those beside the sweeping are told of it after each commit.

Nothing in these is to be changed: mappings are those that were committed, not copies. Times are
wall time in seconds since 1970-01-01T00:00:00Z.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

__all__ = [
    "ChannelNews",
    "FindingNews",
    "HealthNews",
    "HourNews",
    "JobNews",
    "Listener",
    "News",
    "PassNews",
    "SweeperNews",
    "VerdictNews",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingNews:
    """A finding was committed. ``job`` is None for one of the station itself."""

    job: str | None
    number: int
    what: str
    at_s: float
    text: str
    seq: int | None
    figures: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelNews:
    """A channel is busy or free since ``since_s``, or nobody knows. ``key`` is its level of topics.

    Told of changes, and of all channels once at the start of the station: then ``again``.
    """

    job: str
    key: str
    name: str
    is_busy: bool
    since_s: float
    last_heard_s: float | None
    at_s: float
    is_known: bool = True
    """False while the job is deaf: it is neither busy nor free then."""
    again: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictNews:
    """A soak, or a pass that is judged, came to a verdict. The last one is told ``again`` at the
    start of the station."""

    job: str
    verdict: str
    text: str
    of: str
    at_s: float
    again: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class JobNews:
    """A job does something else: ``listening``, ``idle``, ``paused``, ``deaf``, …"""

    job: str
    state: str
    reason: str
    since_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SweeperNews:
    """A sweeper is ``present``, ``away``, ``busy`` or ``fault``."""

    sweeper: str
    state: str
    problem: str
    since_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PassNews:
    """A pass was kept: its last summary, as its kind makes it, and the numbers that go by name."""

    job: str
    kind: str
    seq: int
    at_s: float
    setup: str
    """Digest of what makes sweeps comparable."""
    is_listening: bool
    """Whether it would have heard what was there: neither keyed over nor spoilt otherwise."""
    summary: Mapping[str, Any]
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class HourNews:
    """A clock hour of UTC of a job has ended, with the figures that outlive it."""

    job: str
    hour_start_s: float
    figures: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthNews:
    """How the station is doing; told about once a minute, and when it starts."""

    at_s: float
    disk_free_bytes: int | None
    archive_problem: str | None


News = (
    FindingNews
    | ChannelNews
    | VerdictNews
    | JobNews
    | SweeperNews
    | PassNews
    | HourNews
    | HealthNews
)

Listener = Callable[[News], None]
"""Called in the station's event loop; must return at once and hold no reference to a summary for
long. What it raises costs nothing but a line in the log."""
