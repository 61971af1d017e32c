"""One page of the reports of several stations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from acqd.report.gather import same_colours
from acqd.report.shapes import Report

__all__ = ["labels", "together"]


def labels(reports: Sequence[Report]) -> tuple[str, ...]:
    """What each station is called on a page of several: its title, as long as that tells them
    apart, else its title with its name, else with a number. Empty for one alone."""
    if len(reports) < 2:
        return ("",) * len(reports)
    found = [one.title for one in reports]
    if len(set(found)) < len(found):
        found = [f"{one.title} ({one.station})" for one in reports]
    if len(set(found)) < len(found):
        found = [f"{one.title} ({number})" for number, one in enumerate(reports, 1)]
    return tuple(found)


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
    named = list(zip(labels(reports), reports, strict=True))
    findings = [
        replace(finding, job=label) for label, one in named for finding in one.station_findings
    ]
    return replace(
        first,
        station=" ".join(dict.fromkeys(one.station for one in reports)),
        title=" and ".join(label for label, _ in named),
        jobs=same_colours(
            tuple(replace(job, station=label) for label, one in named for job in one.jobs)
        ),
        sweepers=tuple(
            replace(sweeper, station=label) for label, one in named for sweeper in one.sweepers
        ),
        station_findings=tuple(sorted(findings, key=lambda finding: finding.at_s)),
        limits=tuple(f"{label}: {text}" for label, one in named for text in one.limits),
    )
