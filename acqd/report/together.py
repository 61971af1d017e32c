"""One page of the reports of several stations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from acqd.report.shapes import Report

__all__ = ["together"]


def together(reports: Sequence[Report]) -> Report:
    """The reports of one range as one, station after station, told on the clock of the first.

    Each job says whose it is; a finding of a station has its name for a job. One report alone is
    given back as it is.

    Raises:
        ValueError: there is none, or they are not of the same range and zone.
    """
    first = reports[0] if reports else None
    if first is None or any(
        (one.start_s, one.stop_s, one.zone) != (first.start_s, first.stop_s, first.zone)
        for one in reports
    ):
        raise ValueError("reports of one range and zone can be put together")
    if len(reports) == 1:
        return first
    return replace(
        first,
        station=" ".join(one.station for one in reports),
        title=" and ".join(dict.fromkeys(one.title for one in reports)),
        jobs=tuple(replace(job, station=one.title) for one in reports for job in one.jobs),
        station_findings=tuple(
            sorted(
                (
                    replace(finding, job=one.title)
                    for one in reports
                    for finding in one.station_findings
                ),
                key=lambda finding: finding.at_s,
            )
        ),
        limits=tuple(f"{one.title}: {text}" for one in reports for text in one.limits),
    )
