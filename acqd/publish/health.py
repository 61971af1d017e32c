"""How a station stands, as one part of its retained status: a word, its reasons, and the figures.

Everything in it is bounded: what there is more of is counted.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from acqd.publish.parts import Count, Level, Part, Text, TimeText

__all__ = [
    "LOST_MOST",
    "OTHER_REASONS",
    "REASONS_MOST",
    "REASON_MOST",
    "SWEEPERS_MOST",
    "WORDS",
    "Health",
    "LostSweeps",
    "SweeperHealth",
]

WORDS = ("well", "limping", "not sweeping")
"""From the best to the worst."""
REASONS_MOST = 10
REASON_MOST = 200
"""Characters of one."""
SWEEPERS_MOST = 40
"""Sweepers that are told of one by one: first those that are not well."""
LOST_MOST = 16
"""Reasons for lost sweeps that are counted apart."""
OTHER_REASONS = "other reasons"

Word = Literal["well", "limping", "not sweeping"]
Seconds = Annotated[float, Field(ge=0.0)]


class LostSweeps(Part):
    """Due sweeps that were not kept for one reason, each of them accounted for in the archive."""

    reason: Annotated[str, Field(min_length=1, max_length=64)]
    run: Count = 0
    """Since the station started."""
    day: Count = 0
    """In the last 24 hours, to the hour, as far as this run knows; the time that the station was
    down before it is in it."""


class SweeperHealth(Part):
    """How one sweeper does its work."""

    sweeper: Level
    state: Literal["present", "away", "busy", "fault"]
    since_s: float
    does: Annotated[str, Field(max_length=64)] = ""
    """The job whose pass is under way; empty where none is."""
    swept: TimeText | None = None
    """Start of its last sweep that was kept in this run."""
    swept_s: float | None = None
    late: Count = 0
    """Passes that are due for 2 s or longer and not begun."""
    late_s: Seconds = 0.0
    """For how long the one that waits longest is due."""
    lost: Annotated[tuple[LostSweeps, ...], Field(max_length=LOST_MOST)] = ()
    hanging: Count = 0
    """Calls of its driver that were given up and have not come back."""
    given_up: Count = 0
    """Calls of its driver that were given up, ever."""


class Health(Part):
    """How the station itself is doing. Counts are since the start of this run."""

    word: Word = "well"
    """``limping``: something is wrong and sweeps are taken all the same; ``not sweeping``: of all
    that should be swept now nothing is."""
    reasons: Annotated[
        tuple[Annotated[str, Field(max_length=REASON_MOST)], ...], Field(max_length=REASONS_MOST)
    ] = ()
    """Why it is so, the worst first; what is worth knowing of a station that is well, too."""
    sweeps: Count = 0
    findings: Count = 0
    sweepers: Annotated[tuple[SweeperHealth, ...], Field(max_length=SWEEPERS_MOST)] = ()
    sweepers_more: Count = 0
    """Sweepers that there was no room to tell of."""
    disk_free_bytes: Count | None = None
    disk_floor_bytes: Count | None = None
    """Free space below which nothing is kept."""
    disk_days_left: Seconds | None = None
    """Days until the floor is reached, if free space goes on falling as it did in the last 24 hours
    of this run; null where it did not fall, or within the first hour."""
    disk_full_since_s: float | None = None
    """Since when nothing can be kept."""
    archive_waiting: Count = 0
    """Batches waiting for their commit."""
    archive_problem: Text | None = None
    """What keeps journals from becoming files, or files from being merged. Nothing is lost by it
    as long as the disk has room."""
    journals_waiting: Count = 0
    """Journals to be written out as files; the one in use is not counted."""
    unsealed_bytes: Count = 0
    """In journals, the one in use with them."""
    days_unmerged: Count | None = None
    """UTC days that have ended and are still in segments; null where nobody has looked yet."""
    volumes_merged: Count = 0
    broker: Literal["connected", "away", "none"] = "none"
    broker_since_s: float | None = None
    broker_problem: Text | None = None
    """Why a broker that is connected takes no findings; null where it takes them."""
    outbox_waiting: Count = 0
    """Findings that the broker has not acknowledged."""
    live_dropped: Count = 0
    """Live messages that a newer one took the place of."""
    reconnects: Count = 0
    alerts_waiting: Count = 0
    """Alerts that are still to go out, over all ways."""
    clock_synchronised: bool | None = None
    """Whether the machine's clock follows a time source; null where it does not say."""
    rss_bytes: Count | None = None
