"""The page of a report: one HTML file that needs nothing but itself.

It holds its style and its figures, no script, and a policy that forbids a browser to ask anybody
for anything; so it opens offline, from a mail, in ten years. Light and dark follow the reader's
device or the choice at the top, which is made of plain form controls. Figures are drawn twice, for
a page and for a phone, and the style shows one of them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib import resources
from itertools import count
from typing import Literal, TypeVar

import jinja2
from markupsafe import Markup

from acqd.look.palette import DARK, LIGHT, css_variables
from acqd.look.times import duration, range_text
from acqd.report import page_words as words
from acqd.report.page_numbers import numbers_of
from acqd.report.shapes import (
    Chart,
    FindingShown,
    GapShown,
    JobReport,
    Report,
    Section,
    Sheet,
    Spell,
    SweeperReport,
    Table,
)
from acqd.report.words import FLAG_WORDS

__all__ = ["html"]

FINDINGS_LISTED = 60
"""More findings than these stand folded under those that have a place on the sheet."""
WIDTHS: tuple[Literal["page", "phone"], ...] = ("page", "phone")
ROWS_LISTED = 40
"""Of more gaps, or spells, than these the longest are listed, and it is said."""

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A chart as the page shows it: drawn for both widths, captioned, and as numbers."""

    title: str
    alt: str
    caption: tuple[str, ...]
    wide: Markup
    narrow: Markup
    numbers: Table | None
    is_sheet: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A section of the page."""

    anchor: str
    title: str
    lead: str
    figures: tuple[Figure, ...]
    tables: tuple[Table, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class JobPage:
    """A job as the page shows it."""

    job: JobReport
    anchor: str
    title: str
    headline: str
    kept: str
    kept_more: tuple[str, ...]
    sheets: tuple[Figure, ...]
    listed: tuple[FindingShown, ...]
    folded: tuple[FindingShown, ...]
    gaps: tuple[GapShown, ...]
    spells: tuple[Spell, ...]
    parts: tuple[Part, ...]


def html(report: Report, *, progress: Progress | None = None) -> str:
    """The report as one self-contained HTML 5 document.

    A report without a job, of an empty range or with sections that have nothing, is a page that
    says so. All texts are escaped; figures come from :mod:`acqd.report.draw`. ``progress`` is told
    after each figure how many are drawn, of how many.
    """
    moments = words.Moments(report)
    numbers = count(1)
    told = _Told(report, progress)
    jobs = tuple(_job_page(report, job, numbers, told) for job in report.jobs)
    sweepers = tuple(
        part for one in report.sweepers for part in _sweeper_parts(report, one, numbers, told)
    )
    is_alone = len(jobs) == 1
    return (
        _environment()
        .get_template("page.html")
        .render(
            report=report,
            jobs=jobs,
            sweepers=sweepers,
            title=_title(report, jobs),
            head=jobs[0] if is_alone else None,
            level=2 if is_alone else 3,
            range_here=range_text(report.start_s, report.stop_s, report.zone),
            range_utc=words.range_utc_text(report.start_s, report.stop_s, report.zone),
            made=moments.whole(report.made_at_s),
            moment=moments,
            style=_style(report),
            unique=numbers.__next__,
            named={one.job.job for one in jobs},
        )
    )


class _Told:
    """How many figures of a report are drawn."""

    def __init__(self, report: Report, progress: Progress | None) -> None:
        sections = [section for job in report.jobs for section in job.sections]
        sections += [section for one in report.sweepers for section in one.sections]
        self._of = sum(len(section.charts) for section in sections)
        self._done = 0
        self._progress = progress

    def one_more(self) -> None:
        self._done += 1
        if self._progress is not None:
            self._progress(self._done, self._of)


def _title(report: Report, jobs: tuple[JobPage, ...]) -> str:
    if report.finding is not None:
        return f"Finding {report.finding.number} of {report.finding.job}"
    if len(jobs) == 1:
        return jobs[0].title
    return words.night_text(report.start_s, report.stop_s, report.zone)


@cache
def _environment() -> jinja2.Environment:
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("acqd.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters.update(count=words.count_text, slug=words.slug, cell=_cell, lasting=duration)
    made.globals.update(sweeps_text=words.sweeps_text, share=words.share_text)
    return made


def _style(report: Report) -> Markup:
    """The style sheet with the palette's colours and, for paper, what stands at a page's foot."""
    text = resources.files("acqd.report").joinpath("templates/page.css").read_text("utf-8")
    night = words.night_text(report.start_s, report.stop_s, report.zone)
    foot = words.css_string(f"{report.title} · {night}")
    for name, value in (("LIGHT", css_variables(LIGHT)), ("DARK", css_variables(DARK))):
        text = text.replace(f"/*{name}*/", value)
    return Markup(text.replace('"FOOT"', foot))


def _job_page(report: Report, job: JobReport, numbers: Iterator[int], told: _Told) -> JobPage:
    anchor = words.slug(f"{job.station} {job.job}")
    draw = _drawing(report, job, numbers, told)
    sheets, parts = [], []
    for section in job.sections:
        charts = [one for one in section.charts if isinstance(one, Sheet)]
        sheets += [draw(one) for one in charts]
        part = _part(section, anchor, draw)
        if part.figures or part.tables or (part.lead and not charts):
            parts.append(part)
    places = tuple(one for one in job.findings if one.place is not None)
    is_many = len(job.findings) > FINDINGS_LISTED
    kept, more = _kept(job)
    return JobPage(
        job=job,
        anchor=anchor,
        title=_job_title(job),
        headline=words.headline_text(job),
        kept=kept,
        kept_more=more,
        sheets=tuple(sheets),
        listed=places if is_many else job.findings,
        folded=job.findings if is_many else (),
        gaps=_longest(job.gaps),
        spells=_longest(job.spells),
        parts=tuple(parts),
    )


def _job_title(job: JobReport) -> str:
    title = f"{job.job} on {job.sweeper}" if job.sweeper else job.job
    return f"{title}, {job.station}" if job.station else title


def _kept(job: JobReport) -> tuple[str, tuple[str, ...]]:
    """What was kept, in words: the large line, and the quiet ones under it."""
    told = job.coverage
    if told.due == 0 and told.stored == 0:
        return "nothing was due", ()
    if told.due == 0:
        return f"kept {words.count_text(told.stored, 'sweep')}, none was due", ()
    due = words.count_text(told.due, "sweep")
    kept = f"kept {words.count_text(told.stored)} of {due}"
    rest = words.unaccounted(told)
    if told.stored >= told.due:
        more = [f"{words.share_text(told.fraction)}, nothing is missing"]
    elif rest > 0:
        more = [f"{words.share_text(told.fraction)}; {words.count_text(rest)} without a reason"]
    else:
        more = [f"{words.share_text(told.fraction)}, every gap accounted for"]
    if told.listened < told.stored:
        more.append(f"listened in {words.count_text(told.listened)} of them")
    for what in ("transmitting", "set_aside"):
        lasted_s = sum(one.to_s - one.from_s for one in job.spells if one.what == what)
        if lasted_s > 0.0:
            more.append(f"{FLAG_WORDS[what]} for {duration(lasted_s)}")
    return kept, tuple(more)


Lasting = TypeVar("Lasting", GapShown, Spell)


def _longest(all_of_them: tuple[Lasting, ...]) -> tuple[Lasting, ...]:
    """At most ROWS_LISTED of them, the longest, in order of time."""
    longest = sorted(all_of_them, key=lambda one: one.from_s - one.to_s)[:ROWS_LISTED]
    return tuple(sorted(longest, key=lambda one: one.from_s))


Draw = Callable[[Chart], Figure]


def _drawing(report: Report, job: JobReport, numbers: Iterator[int], told: _Told) -> Draw:
    """What draws the charts of a job; ``numbers`` make their ids."""
    from acqd.report.draw import svg

    night = words.night_text(report.start_s, report.stop_s, report.zone)
    sheet_title = "The night sheet" if night.startswith("Night") else "The sheet"

    def drawn(chart: Chart) -> Figure:
        pair = [
            svg(
                chart,
                start_s=report.start_s,
                stop_s=report.stop_s,
                zone=report.zone,
                width=width,
                gaps=job.gaps,
                spells=job.spells,
                findings=job.findings,
                notes=job.notes,
            )
            for width in WIDTHS
        ]
        title = sheet_title if isinstance(chart, Sheet) else chart.title
        return _figure(report, chart, title, pair, job.job, numbers, told)

    return drawn


def _sweeper_parts(
    report: Report, sweeper: SweeperReport, numbers: Iterator[int], told: _Told
) -> tuple[Part, ...]:
    """What is told of a sweeper, on a time axis of its own."""
    from acqd.report.draw import svg

    def drawn(chart: Chart) -> Figure:
        pair = [
            svg(
                chart,
                start_s=sweeper.start_s,
                stop_s=sweeper.stop_s,
                zone=report.zone,
                width=width,
            )
            for width in WIDTHS
        ]
        title = "" if isinstance(chart, Sheet) else chart.title
        return _figure(report, chart, title, pair, sweeper.sweeper, numbers, told)

    anchor = words.slug(f"{sweeper.station} sweeper {sweeper.sweeper}")
    return tuple(_part(section, anchor, drawn) for section in sweeper.sections)


def _figure(
    report: Report,
    chart: Chart,
    title: str,
    pair: list[str],
    whose: str,
    numbers: Iterator[int],
    told: _Told,
) -> Figure:
    """A chart that was drawn for a page and for a phone, as it stands there."""
    told.one_more()
    wide, narrow = pair
    return Figure(
        title=title,
        alt=chart.alt or title,
        caption=words.caption_of(chart, whose),
        wide=_with_ids(wide, next(numbers)),
        narrow=_with_ids(narrow, next(numbers)),
        numbers=numbers_of(chart, words.Moments(report)),
        is_sheet=isinstance(chart, Sheet),
    )


def _with_ids(svg: str, number: int) -> Markup:
    """A figure under ids that no other of the page has, not even one that is drawn alike."""
    found = re.search(r'id="([^"]+)-title"', svg)
    return Markup(svg if found is None else svg.replace(f"{found[1]}-", f"figure-{number}-"))


def _part(section: Section, anchor: str, draw: Draw) -> Part:
    """A section without its sheets, which stand at the top of the job."""
    return Part(
        anchor=f"{anchor}-{words.slug(section.key)}",
        title=section.title,
        lead=section.lead,
        figures=tuple(draw(one) for one in section.charts if not isinstance(one, Sheet)),
        tables=section.tables,
    )


def _cell(value: str | float | None, places: int | None) -> str:
    """A cell of a table as text; a dash where there is nothing."""
    if value is None:
        return "–"
    if isinstance(value, str):
        return value
    return words.number_text(float(value), 3 if places is None else places)
