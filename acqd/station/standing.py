"""How a station stands, for who asks on its own machine: told by itself, or by what it left.

While it runs it is asked over its socket; else the archive says when it last ran and what it kept.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from acqd.archive.reader import Archive
from acqd.errors import ArchiveError
from acqd.station.control import ask_station
from acqd.station.tell import STATION

__all__ = ["BACK_S", "figures_of", "left_by", "standing"]

BACK_S = 3600.0
"""So far back the curves beside the jobs reach."""

DAY_S = 86400.0

BINS = 40
"""Values of such a curve, each the mean of what lies in its time; NaN where nothing does."""

SHOWN = {
    "band": ("floor_", "floor"),
    "carrier": ("frequency_hz", "frequency"),
    "emission": ("worst_margin_db", "worst margin"),
    "reflection": ("best_return_loss_db", "best return loss"),
    "transmission": ("least_loss_db", "least loss"),
}
"""The column that is shown of a kind: what its name begins with, and what it is called."""


def standing(archive: Path) -> dict[str, Any] | None:
    """What the station that writes ``archive`` tells of itself; None where none listens.

    Raises:
        SweeperError: it does not answer.
    """
    return ask_station(archive, {"do": "status"})


def left_by(archive: Archive, *, now_s: float) -> dict[str, Any]:
    """What an archive says of a station that does not run: its jobs and what came of them last.

    Raises:
        ArchiveError: it cannot be read.
    """
    plans = archive.plans()
    jobs = []
    for name in archive.jobs():
        findings = archive.findings(name)
        last = findings[-1] if findings else None
        jobs.append(
            {
                "job": name,
                "last_finding": 0 if last is None else last.number,
                "finding": "" if last is None else last.text,
                "finding_s": None if last is None else last.at_s,
                **_swept(archive, name, now_s),
            }
        )
    return {
        "planned_s": plans[-1][0] if plans else None,
        "jobs": jobs,
        "station_findings": len(archive.findings(STATION)),
    }


def figures_of(archive: Archive, job: str, *, now_s: float) -> dict[str, Any] | None:
    """The chosen figure of a job over the last hour: its name, unit-bearing column and means.

    Returns: ``{"name", "column", "values", "last"}``; None where there is none. ``values`` has
    :data:`BINS` numbers, NaN where nothing was swept.
    """
    try:
        data = archive.sweeps(job, now_s - BACK_S, now_s)
    except ArchiveError:
        return None
    begins, name = SHOWN.get(str(data.attrs["kind"]), ("", ""))
    column = next(
        (one for one in map(str, data.data_vars) if begins and one.startswith(begins)), None
    )
    if column is None:
        return None
    values, at_s = data[column].values, data["started"].values
    sums, counts = [0.0] * BINS, [0] * BINS
    last = math.nan
    for when_s, value in zip(at_s.tolist(), values.tolist(), strict=True):
        place = min(BINS - 1, int((when_s - now_s + BACK_S) / BACK_S * BINS))
        if math.isfinite(value) and place >= 0:
            sums[place], counts[place], last = sums[place] + value, counts[place] + 1, value
    means = [
        total / count if count else math.nan for total, count in zip(sums, counts, strict=True)
    ]
    return {"name": name, "column": column, "values": means, "last": last}


def _swept(archive: Archive, job: str, now_s: float) -> Mapping[str, Any]:
    """The last sweep of a job. The last two days are looked at first: an archive may hold years."""
    for since_s in (now_s - 2 * DAY_S, None):
        try:
            data = archive.sweeps(job, since_s)
        except ArchiveError:
            continue
        return {
            "kind": data.attrs["kind"],
            "sweeper": data.attrs["sweeper"],
            "last_seq": int(data["sequence"].values[-1]),
            "swept_s": float(data["started"].values[-1]),
        }
    return {"kind": "", "sweeper": "", "last_seq": 0, "swept_s": None}
