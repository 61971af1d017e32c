"""A medium that is slow to sync, a memory card mostly: noticed by what commits take, told once."""

from __future__ import annotations

import structlog

from acqd.archive.writer import ArchiveWriter
from acqd.clock import Clock

__all__ = ["SLOW_S", "SlowMedium", "advice"]

SLOW_S = 0.05
"""A median commit that takes longer is worth telling. Disks take some milliseconds at the most,
memory cards a tenth of a second and longer; ours, from what was tried, no standard's."""


class SlowMedium:
    """Looks at what commits take, and says once in the log when that is slow."""

    def __init__(self, archive: ArchiveWriter, clock: Clock, *, jobs: int) -> None:
        self._archive = archive
        self._clock = clock
        self._jobs = jobs
        self._begun_s = clock.monotonic_s()
        self._told = False
        self._log = structlog.get_logger()

    def look(self) -> None:
        """Once every few seconds."""
        took_s = None if self._told else self._archive.commit_s
        if took_s is None or took_s < SLOW_S:
            return
        self._told = True
        passed_s = max(1e-3, self._clock.monotonic_s() - self._begun_s)
        self._log.warning(
            "commits_slow",
            median_s=round(took_s, 3),
            text=advice(
                took_s,
                a_second=self._archive.commits / passed_s,
                within_s=self._archive.commit_within_s,
                jobs=self._jobs,
            ),
        )


def advice(took_s: float, *, a_second: float, within_s: float, jobs: int) -> str:
    """What slow commits come to, and what would help.

    Args:
        took_s: the median commit.
        a_second: commits a second so far.
        within_s: how long a pass may wait for others now.
        jobs: how many jobs there are, each of which has one pass in a commit at the most.
    """
    share = min(1.0, a_second * took_s)
    said = (
        f"the medium is slow: a commit takes {1000 * took_s:.0f} ms (the median of the last), "
        f"{100 * share:.0f} % of the time by now"
    )
    ways = ["sweep less often", "put the archive on another medium"]
    if jobs > 1 and within_s < 1.0:
        ways.insert(
            0,
            f'let passes of the {jobs} jobs share commits with commit_within = "1 s" (a power cut '
            "may cost what waits)",
        )
    return f"{said}; {', '.join(ways[:-1])}, or {ways[-1]}"
