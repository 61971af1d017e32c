"""The same thing on earlier nights: heard, not heard, or not watched, at about the same time."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from acqd.archive.records import FindingRecord
from acqd.look.times import clock, date
from acqd.report.shapes import Section, Table
from acqd.report.signals import Heard, heard_signals
from acqd.report.source import JobSource
from acqd.report.words import count_text

__all__ = ["AROUND_S", "NIGHTS", "earlier_section"]

NIGHTS = 14
AROUND_S = 5400.0
"""About the same time: an hour and a half to either side, on the clock of the station."""

SIGNALS = ("signal_appeared", "signal_ended", "signal_flapping", "signal_made_inside")


def earlier_section(source: JobSource, record: FindingRecord) -> list[Section]:
    """A row for each of the fourteen days before on which the job was due about then."""
    rows: list[tuple[str | float | None, ...]] = []
    heard_on = watched_on = 0
    for days in range(1, NIGHTS + 1):
        middle_s = _same_time(record.at_s, days, source.zone)
        before = JobSource(
            source.archive,
            source.job,
            start_s=middle_s - AROUND_S,
            stop_s=min(middle_s + AROUND_S, source.start_s),
            zone=source.zone,
        )
        coverage = before.coverage
        if not coverage.due:
            continue
        watched_on += bool(coverage.listened)
        times, first_s, peak = _heard(before, record)
        heard_on += bool(times)
        rows.append(
            (
                date(middle_s, source.zone),
                float(times),
                "" if first_s is None else clock(first_s, source.zone),
                peak,
                100.0 * coverage.listened / coverage.due,
            )
        )
    if not rows:
        lead = f"Nothing was due at about this time on the {NIGHTS} days before."
        return [Section(key="earlier", title="On earlier nights", lead=lead)]
    table = Table(
        title="The same on earlier nights",
        heads=("day", "times", "first", "peak", "listened"),
        units=("", "", "", source.unit, "%"),
        places=(None, 0, None, 1, 1),
        rows=tuple(rows),
        note=(
            "About the same time: an hour and a half before to an hour and a half after. Not heard "
            "while little was listened says nothing."
        ),
    )
    same = "The same" if record.what in SIGNALS else "A finding of the same kind"
    lead = (
        f"{same} was told on {heard_on} of the {count_text(watched_on, 'day')} before on which "
        f"anybody listened at about this time."
    )
    return [Section(key="earlier", title="On earlier nights", lead=lead, tables=(table,))]


def _same_time(at_s: float, days: int, zone: str) -> float:
    """The same time of the zone's clock so many days before."""
    local = datetime.fromtimestamp(at_s, UTC).astimezone(ZoneInfo(zone))
    wall = local.replace(tzinfo=None) - timedelta(days=days)
    return wall.replace(tzinfo=ZoneInfo(zone)).timestamp()


def _heard(before: JobSource, record: FindingRecord) -> tuple[int, float | None, float | None]:
    """How often, when first, and how strong."""
    if record.what not in SIGNALS:
        same = [one for one in before.finding_records if one.what == record.what]
        return len(same), same[0].at_s if same else None, None
    place = next((one for one in heard_signals(before) if _is_same(one, record)), None)
    if place is None:
        return 0, None, None
    peak = place.peak if math.isfinite(place.peak) else None
    return place.times, place.first_s, peak


def _is_same(place: Heard, record: FindingRecord) -> bool:
    channel = record.figures.get("channel")
    if channel is not None or place.channel is not None:
        return place.channel == channel
    peak_hz = record.figures.get("peak_hz")
    width_hz = float(record.figures.get("width_hz") or 0.0)
    return peak_hz is not None and abs(place.frequency_hz - peak_hz) <= max(2.0 * width_hz, 1.0)
