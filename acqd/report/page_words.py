"""What the page of a report says beside its figures: numbers, times, ranges, coverage, as texts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from math import floor, isfinite

from acqd.look.times import clock, date, range_text, zone_text
from acqd.measure.closerlook_settings import is_look
from acqd.report.shapes import (
    Chart,
    CoverageShown,
    JobReport,
    Report,
    Sheet,
    SpectrumChart,
    SweepRange,
)
from acqd.report.words import capital

__all__ = [
    "Moment",
    "Moments",
    "caption_of",
    "count_text",
    "css_string",
    "headline_text",
    "night_text",
    "number_text",
    "range_utc_text",
    "share_text",
    "slug",
    "sweeps_text",
    "unaccounted",
]

THIN = "\u202f"
"""Narrow no-break space: what parts thousands, and a number from its unit."""
DAY_S = 86400.0


def number_text(value: float, places: int) -> str:
    """``−69.8``, ``28 611``: with a real minus sign and thousands apart; a dash for NaN.

    A value that rounds to zero has no sign.
    """
    if not isfinite(value):
        return "–" if value != value else ("∞" if value > 0 else "−∞")
    text = f"{abs(value):,.{max(places, 0)}f}".replace(",", THIN)
    is_zero = not text.strip("0.")
    return f"−{text}" if value < 0 and not is_zero else text


def count_text(count: int, what: str = "", many: str | None = None) -> str:
    """``1 sweep``, ``28 611 sweeps``."""
    number = number_text(float(count), 0)
    return f"{number} {what if count == 1 else many or what + 's'}" if what else number


def share_text(fraction: float) -> str:
    """``96.2 %`` cut off, so that 100 % means all and 0 % none; a dash for NaN."""
    if fraction != fraction:
        return "–"
    tenths = floor(fraction * 1000 + 1e-9)
    if tenths == 0 and fraction > 0:
        return f"under 0.1{THIN}%"
    return f"{number_text(tenths / 10, 0 if tenths in (0, 1000) else 1)}{THIN}%"


def sweeps_text(sweeps: SweepRange | None, job: str) -> str:
    """``sweeps 812 to 28 611 (27 799)``, as it stands in captions; empty for None.

    The job is named where it is not ``job``, the step of a pass where it is not the first.
    """
    if sweeps is None:
        return ""
    if sweeps.count == 0:
        text = "no sweep"
    elif sweeps.count == 1 and sweeps.first_seq == sweeps.last_seq:
        text = f"sweep {count_text(sweeps.first_seq)}"
    else:
        first, last = count_text(sweeps.first_seq), count_text(sweeps.last_seq)
        text = f"sweeps {first} to {last} ({count_text(sweeps.count)})"
    if sweeps.step and not is_look(sweeps.step):
        text += f", step {sweeps.step} of each pass"
    return text + (f" of {sweeps.job}" if sweeps.job != job else "")


def caption_of(chart: Chart, job: str) -> tuple[str, ...]:
    """What stands under a figure beside its title: plane, uncertainty, sweeps."""
    parts = []
    if isinstance(chart, Sheet | SpectrumChart):
        level_u = "" if chart.level_u is None else f", ± {number_text(chart.level_u, 1)} dB (k = 2)"
        parts.append(f"levels in {chart.unit} at {chart.plane}{level_u}")
    return (*parts, *filter(None, (sweeps_text(chart.sweeps, job),)))


def headline_text(job: JobReport) -> str:
    """What the headline says beyond the verdict that stands over it; empty where that is nothing.

    A finished soak's headline is its verdict in other words. That of a pass begins with the
    verdict's word and reason, which are taken off.
    """
    told, rest = job.verdict, job.headline
    if told is None:
        return rest
    if told.of == "soak":
        return ""
    for said in (f"{told.verdict}: ", told.text.rstrip(".")):
        if rest.lower().startswith(said.lower()):
            rest = rest[len(said) :]
    rest = rest.lstrip(";,. ")
    return capital(rest)


def unaccounted(coverage: CoverageShown) -> int:
    """Due sweeps that are neither stored nor missed for a reason; 0 is what it should be."""
    return coverage.due - coverage.stored - sum(coverage.missed.values())


def range_utc_text(start_s: float, stop_s: float, zone: str) -> str:
    """The range on the clock of UTC, dated where its dates are not the zone's; empty in UTC."""
    ends = (start_s, stop_s)
    if all(zone_text(at, zone).endswith("UTC") for at in ends):
        return ""
    if all(date(at, zone) == date(at, "UTC") for at in ends):
        first, last = (clock(at, "UTC", seconds=stop_s - start_s < 600) for at in ends)
        return f"{first} to {last} UTC"
    return range_text(start_s, stop_s, "UTC").replace(" (UTC)", " UTC")


def night_text(start_s: float, stop_s: float, zone: str) -> str:
    """``Night of 24 to 25 October 2026``, ``24 October 2026``: what a page of this range is called.

    A range that ends at midnight belongs to the day before. At most a day over one midnight is a
    night.
    """
    if stop_s <= start_s:
        return "An empty range"
    first, last = date(start_s, zone), date(max(stop_s - 1.0, start_s), zone)
    if first == last:
        return first
    (day, month, year), end = first.split(" "), last.split(" ")
    begin = " ".join(
        [day, *([month] if end[1:] != [month, year] else []), *([year] if end[2] != year else [])]
    )
    text = f"{begin} to {last}"
    is_night = stop_s - start_s <= DAY_S and clock(start_s, zone) >= "12:00"
    return f"Night of {text}" if is_night else text


def slug(text: str) -> str:
    """Lower-case letters, digits and hyphens, for anchors and file names; never empty."""
    kept = "".join(one if one.isascii() and one.isalnum() else "-" for one in text.lower())
    return "-".join(filter(None, kept.split("-"))) or "x"


def css_string(text: str) -> str:
    """A text as a string of CSS, from which nothing can break out."""
    return '"' + "".join(one if one.isalnum() else f"\\{ord(one):06x}" for one in text) + '"'


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A time for ``<time>``: for machines, by the station's clock, and in UTC if that differs."""

    iso: str
    here: str
    utc: str


class Moments:
    """The times of one report, as long as they must be to be told apart.

    To the second in a range of an hour at most, with the date in one of more than a day, with
    the name of the zone where its clock changes in between.
    """

    def __init__(self, report: Report) -> None:
        self.zone = report.zone
        span_s = report.stop_s - report.start_s
        self._seconds = span_s <= 3600
        self._dated = span_s > DAY_S
        zones = {zone_text(at, self.zone) for at in (report.start_s, report.stop_s)}
        self._named = len(zones) > 1
        self._is_utc = zones == {"UTC"}
        self._range = report.start_s, report.stop_s

    def __call__(self, at_s: float, *, seconds: bool = False) -> Moment:
        """``seconds`` asks for them where the range would leave them out."""
        here = clock(at_s, self.zone, seconds=seconds or self._seconds)
        utc = clock(at_s, "UTC", seconds=seconds or self._seconds)
        if self._dated or not self._range[0] - DAY_S <= at_s <= self._range[1] + DAY_S:
            here = f"{_day(at_s, self.zone)} {here}"
            utc = f"{_day(at_s, 'UTC')} {utc}"
        if self._named:
            here += f" {zone_text(at_s, self.zone).split(',')[0]}"
        iso = datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds")[:-6] + "Z"
        is_same = self._is_utc or zone_text(at_s, self.zone).endswith("UTC")
        return Moment(iso=iso, here=here, utc="" if is_same else f"{utc} UTC")

    def span(self, from_s: float, to_s: float) -> Moment:
        """``23:00 to 23:20 BST``; ``iso`` is how long it was."""
        first, last = self(from_s), self(to_s)
        iso = f"PT{max(to_s - from_s, 0.0):.3f}S"
        if first.here == last.here:
            return Moment(iso=iso, here=first.here, utc=first.utc)
        begin, zone = first.here, last.here.rpartition(" ")[2]
        if self._named and begin.endswith(f" {zone}"):
            begin = begin.removesuffix(f" {zone}")
        utc = f"{first.utc.removesuffix(' UTC')} to {last.utc}" if first.utc and last.utc else ""
        return Moment(iso=iso, here=f"{begin} to {last.here}", utc=utc)

    def whole(self, at_s: float, *, seconds: bool = False) -> str:
        """``25 October 2026, 06:05 (GMT, UTC)``: with all that a reader elsewhere needs."""
        said = f"{date(at_s, self.zone)}, {clock(at_s, self.zone, seconds=seconds)}"
        return f"{said} ({zone_text(at_s, self.zone)})"


def _day(at_s: float, zone: str) -> str:
    day, month, _ = date(at_s, zone).split(" ")
    return f"{day} {month[:3]}"
