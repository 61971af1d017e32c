"""The page of a report: what stands in it, and that it is what the report holds."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from acqd.report.jsonout import as_json
from acqd.report.page import FINDINGS_LISTED, ROWS_LISTED, html
from acqd.report.page_words import (
    Moments,
    count_text,
    css_string,
    night_text,
    number_text,
    range_utc_text,
    share_text,
    slug,
    sweeps_text,
)
from acqd.report.shapes import (
    CoverageShown,
    FindingShown,
    GapShown,
    NoteShown,
    Report,
    SweepRange,
    Table,
    VerdictShown,
)
from acqd.report.together import together

LONDON = "Europe/London"
VOID = {"meta", "br", "input", "link", "img", "hr", "path", "use", "image", "rect", "stop"}


def squeezed(text: str) -> str:
    """As a browser shows it; a narrow no-break space stays."""
    return re.sub(r"[ \n]+", " ", text).strip()


class Read(HTMLParser):
    """Reads a page: texts by element, tables, ids; figures are left out."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.path: list[str] = []
        self.ids: list[str] = []
        self.tags: list[str] = []
        self.words: list[str] = []
        self.tables: list[tuple[str, list[list[str]]]] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        self.ids += [value or "" for name, value in attrs if name == "id"]
        if tag not in VOID:
            self.path.append(tag)
        if tag == "table":
            self.tables.append(("", []))
        if tag == "tr":
            self.tables[-1][1].append([])
        if tag in ("td", "th"):
            self.tables[-1][1][-1].append("")

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        assert self.path and self.path[-1] == tag, f"</{tag}> closes {self.path[-3:]}"
        self.path.pop()

    def handle_data(self, data: str) -> None:
        if "svg" in self.path or "style" in self.path:
            return
        self.words.append(data)
        if "caption" in self.path:
            title, rows = self.tables[-1]
            self.tables[-1] = (title + data, rows)
        elif "td" in self.path or ("th" in self.path):
            row = self.tables[-1][1][-1]
            row[-1] += data

    @property
    def text(self) -> str:
        return squeezed(" ".join(self.words))


@pytest.fixture(scope="module")
def sample(reports: ModuleType) -> Report:
    made = reports.sample_report()
    assert isinstance(made, Report)
    return made


@pytest.fixture(scope="module")
def page(sample: Report) -> str:
    return html(sample)


@pytest.fixture(scope="module")
def read(page: str) -> Read:
    found = Read(page)
    assert found.path == []
    return found


def number(text: str) -> float:
    """A number as the page writes it."""
    plain = text.replace("−", "-").replace("\u202f", "")
    return float(plain)


def test_elements_close_and_ids_are_there_once(read: Read) -> None:
    """Figures included, of which there are two each."""
    assert len(read.ids) == len(set(read.ids))
    refers = ("aria-labelledby", "aria-describedby")
    wanted = {
        one for _, name, value in read.attributes if name in refers for one in value.split()
    } | {value[1:] for _, name, value in read.attributes if name == "href" and value[0] == "#"}
    assert wanted <= set(read.ids)


def test_it_needs_nothing_but_itself(page: str, read: Read) -> None:
    """No script, no address to fetch from, and a policy that forbids both."""
    assert "script" not in read.tags and "link" not in read.tags
    assert re.search(r"default-src 'none'", page)
    fetched = {"src", "srcset", "poster", "data", "action"}
    assert not [one for one in read.attributes if one[1] in fetched]
    linked = [value for _, name, value in read.attributes if name in ("href", "xlink:href")]
    assert linked and all(value.startswith(("#", "data:image/png;base64,")) for value in linked)
    style = page[page.index("<style>") : page.index("</style>")]
    assert "url(" not in style and "@import" not in style


def test_the_same_report_is_the_same_page(sample: Report, page: str) -> None:
    """Byte for byte."""
    assert html(sample) == page


def test_what_people_wrote_is_escaped(sample: Report) -> None:
    """A note with a script in it, a job, a station and a finding with signs of markup."""
    evil = "<script>alert(1)</script> & \"both\" 'kinds' </style>"
    note = NoteShown(at_s=sample.start_s + 60, text=evil, who=evil)
    job = replace(
        sample.jobs[0],
        job=evil,
        sweeper=evil,
        headline=evil,
        notes=(note,),
        findings=(replace(sample.jobs[0].findings[0], text=evil),),
        limits=(evil,),
        files=((evil, evil),),
    )
    read = Read(html(replace(sample, title=evil, station=evil, jobs=(job,))))
    assert "script" not in read.tags
    assert read.path == []
    assert read.text.count("<script>alert(1)</script>") >= 8


def test_title_range_and_what_was_kept_stand_at_the_top(read: Read) -> None:
    """On the station's clock, which changes that night, and in UTC."""
    assert "Night of 24 to 25 October 2026" in read.text
    assert (
        "24 October, 21:00 to 25 October 2026, 06:00 (BST, UTC+1 then GMT, UTC) · "
        "20:00 to 06:00 UTC" in read.text
    )
    assert "kept 17\u202f400 of 18\u202f000 sweeps 96.6\u202f%, every gap accounted for" in (
        read.text
    )
    assert "listened in 17\u202f055 of them" in read.text
    assert "own transmitter keyed for " in read.text


def test_findings_are_told_in_order_with_both_clocks(sample: Report, read: Read) -> None:
    """Number on the sheet, time here, time in UTC, sentence, sweep, number in the job."""
    places = []
    for one in sample.jobs[0].findings:
        sentence = f"{one.text} sweep {count_text(one.seq or 0)}, finding {one.number}"
        assert sentence in read.text
        places.append(read.text.index(sentence))
    assert places == sorted(places)
    assert "On the sheet 1 21:25 BST 20:25 UTC 157.550 MHz, which is no channel" in read.text
    assert "On the sheet 4 01:10 GMT floor rose 3.1 dB" in read.text


def test_gaps_spells_and_notes_are_told_in_words(read: Read) -> None:
    """With their times; what does not count as listening says so."""
    assert "23:00 to 23:20 BST 22:00 to 22:20 UTC mast away 20 min 600 sweeps" in read.text
    assert (
        "03:00 to 03:10 GMT deaf 10 min: the floor fell to that of the bare input 300 sweeps "
        "does not count as listening" in read.text
    )
    assert "“lamp <b>off</b> & on again: no change” Maud" in read.text


def test_the_verdict_comes_before_everything_else_of_its_job(read: Read) -> None:
    """Word, reason, then the rest."""
    job = read.text.rindex("hand-held & charger on workbench")
    word = read.text.index("cannot tell", job)
    reason = read.text.index("is too near to its limit of −36 dBm", job)
    assert job < word < reason < read.text.index("What happened", job)


@pytest.mark.parametrize(
    ("of", "headline", "left"),
    [
        ("pass", "Fail: {text}.", ""),
        ("pass", "Fail: {text}; 3 verdicts: 2 fail and 1 pass.", "3 verdicts: 2 fail and 1 pass."),
        ("pass", "Fail: best match −20.0 dB at 156.8 MHz.", "Best match −20.0 dB at 156.8 MHz."),
        ("pass", "The soak still runs: 19 min of 1 h.", "The soak still runs: 19 min of 1 h."),
        ("soak", "The soak of 1 h failed.", ""),
    ],
)
def test_a_headline_does_not_say_the_verdict_again(
    sample: Report, of: str, headline: str, left: str
) -> None:
    """What it says beyond it is kept; without a verdict it stands as it is."""
    text = "harmonic 2 is above its limit, −7.9 of −16.0 dBm ± 2.6"
    verdict = VerdictShown(verdict="fail", text=text, of=of, at_s=sample.stop_s)
    headline = headline.format(text=text)
    job = replace(sample.jobs[0], headline=headline, verdict=verdict, sections=())
    page = html(replace(sample, jobs=(job,)))
    assert page.count(text) == 1
    told = re.findall(r'<p class="headline">(.*?)</p>', page)
    assert told == ([left] if left else [])
    bare = html(replace(sample, jobs=(replace(job, verdict=None),)))
    assert f'<p class="headline">{headline}</p>' in bare


def test_a_table_of_ratios_has_no_unit_at_its_head(sample: Report) -> None:
    table = Table(
        title="Matches",
        heads=("SWR", "Loss"),
        units=("1", "dB"),
        places=(2, 1),
        rows=((1.2, 20.8),),
    )
    section = replace(sample.jobs[0].sections[0], charts=(), tables=(table,))
    page = html(replace(sample, jobs=(replace(sample.jobs[0], sections=(section,)),)))
    assert '<th scope="col" class="n">SWR</th>' in page
    assert '<th scope="col" class="n">Loss <span class="unit">dB</span></th>' in page


def test_numbers_of_tables_are_those_of_the_json(sample: Report, read: Read) -> None:
    """Each cell of each table, to the decimals that the page shows, with heads and units."""
    told = json.loads(as_json(sample))["report"]
    wanted = [
        table
        for job in told["jobs"]
        for table in [
            *([job["verdict"]["judgements"]] if job["verdict"] else []),
            *(table for section in job["sections"] for table in section["tables"]),
        ]
    ]
    assert len(wanted) == 4
    for table in wanted:
        shown = [rows for title, rows in read.tables if title.startswith(table["title"])]
        assert shown, table["title"]
        for rows in shown:
            heads = [
                " ".join(filter(None, pair))
                for pair in zip(table["heads"], table["units"], strict=True)
            ]
            assert [cell.strip() for cell in rows[0]] == heads
            assert len(rows) - 1 == len(table["rows"])
            for cells, values in zip(rows[1:], table["rows"], strict=True):
                for cell, value, places in zip(cells, values, table["places"], strict=True):
                    if value is None:
                        assert cell == "–"
                    elif places is None:
                        assert cell == value
                    else:
                        assert number(cell) == pytest.approx(value, abs=0.5 * 10.0**-places + 1e-9)
                        assert len(cell.partition(".")[2]) == places


def test_tables_say_which_sweeps_they_rest_on(read: Read) -> None:
    """Beside their title; every column has a head that is one."""
    titles = [squeezed(title) for title, _ in read.tables]
    assert "Signals sweeps 812 to 18\u202f211 (17\u202f400)" in titles
    scopes = [value for tag, name, value in read.attributes if (tag, name) == ("th", "scope")]
    assert len(scopes) == read.tags.count("th")
    assert set(scopes) == {"col", "row"}


def test_figures_say_plane_uncertainty_and_sweeps(read: Read) -> None:
    """In their captions."""
    assert (
        "The night sheet · levels in dBm at the aerial socket, ± 1.9 dB (k = 2) · "
        "sweeps 812 to 18\u202f211 (17\u202f400)" in read.text
    )
    assert "Harmonics beside the limit · sweeps 1 to 96 (96)" in read.text
    assert read.tags.count("figcaption") == read.tags.count("figure") == 6


def test_figures_of_few_numbers_have_them_as_a_table(sample: Report, read: Read) -> None:
    """Occupancy by hour with its intervals; harmonics; marked points."""
    tables = {title.split(",")[0].strip(): rows for title, rows in read.tables if "," in title}
    heat = sample.jobs[0].sections[2].charts[0]
    rows = tables["Occupancy by hour"]
    assert [row[0] for row in rows[1:]] == list(heat.rows)
    assert rows[1][4] == "–"
    found = re.fullmatch(r"(\S+) \((\S+) to (\S+)\)", rows[4][1])
    assert found is not None
    share, low, high = map(number, found.groups())
    wanted = [100 * getattr(heat, name)[3, 0] for name in ("share", "low", "high")]
    assert [share, low, high] == pytest.approx(wanted, abs=0.051)
    bars = tables["Harmonics beside the limit"]
    assert [row[0] for row in bars[1:]] == ["2nd", "3rd", "4th"]
    assert bars[3][2] == "at most −71.0"
    assert tables["Loss of the low-pass"][1][:2] == ["−3 dB at 255.0 MHz", "255.000"]


def test_the_footer_has_identity_settings_and_checksums(sample: Report, read: Read) -> None:
    """All facts, all files; one without a checksum says why."""
    for job in sample.jobs:
        for fact in job.footer:
            assert fact.name in read.text and fact.text in read.text
    name, digest = sample.jobs[0].files[0]
    assert f"{name} {digest}" in read.text
    assert "2026/10/25/marine-vhf-0-1a2b3c4d.nc not in a finished file yet" in read.text
    assert "Made 25 October 2026, 06:05 (GMT, UTC) by acqd 0.1.0." in read.text


def test_an_empty_range_says_so(reports: ModuleType) -> None:
    """And so does a page without any job, and one whose range is no time at all."""
    read = Read(html(reports.empty_report()))
    assert "nothing was due" in read.text
    assert "Nothing was due and nothing was swept in this range." in read.text
    assert "Nothing was found in this range." in read.text
    none = replace(reports.empty_report(), jobs=(), stop_s=reports.START_S)
    read = Read(html(none))
    assert "There is no job in this report" in read.text
    assert "A range without any time in it" in read.text


def test_one_sweep_is_one_sweep(sample: Report) -> None:
    """In the singular, wherever it is counted."""
    one = CoverageShown(due=1, stored=1, listened=1, missed={}, flagged={})
    job = replace(sample.jobs[0], coverage=one, gaps=(), spells=(), sections=(), findings=())
    read = Read(html(replace(sample, jobs=(job,))))
    assert "kept 1 of 1 sweep 100\u202f%, nothing is missing" in read.text
    assert "due 1 sweep" in read.text


def test_half_a_night_that_is_missing_is_told(sample: Report) -> None:
    """By reason; a sweep without one is not passed over."""
    half = CoverageShown(
        due=18_000, stored=9_000, listened=9_000, missed={"sweeper away": 8_990}, flagged={}
    )
    read = Read(html(replace(sample, jobs=(replace(sample.jobs[0], coverage=half),))))
    assert "kept 9\u202f000 of 18\u202f000 sweeps" in read.text
    assert "50.0\u202f%; 10 without a reason" in read.text
    assert "missed, sweeper away 8\u202f990" in read.text


def test_many_findings_fold_under_those_on_the_sheet(sample: Report) -> None:
    """All of them are there, in order."""
    many = tuple(
        FindingShown(
            job="marine-vhf", number=at + 1, what="signal_ended", at_s=sample.start_s + at,
            text=f"signal number {at + 1} ended", seq=at + 1, place=at + 1 if at < 3 else None,
            frequency_hz=None,
        )
        for at in range(FINDINGS_LISTED + 1)
    )  # fmt: skip
    job = replace(sample.jobs[0], findings=many, sections=())
    read = Read(html(replace(sample, jobs=(job,))))
    assert f"All {FINDINGS_LISTED + 1} findings in order" in read.text
    assert read.text.count("signal number 2 ended") == 2
    assert read.text.count(f"signal number {FINDINGS_LISTED} ended") == 1


def test_of_many_gaps_the_longest_are_listed(sample: Report) -> None:
    """In order of time, and it is said that there are more."""
    gaps = tuple(
        GapShown(
            from_s=sample.start_s + 100 * at, to_s=sample.start_s + 100 * at + at, count=at,
            reason="sweeper away", text=f"gap number {at}",
        )
        for at in range(1, ROWS_LISTED + 11)
    )  # fmt: skip
    job = replace(sample.jobs[0], gaps=gaps, sections=())
    read = Read(html(replace(sample, jobs=(job,))))
    assert f"the longest {ROWS_LISTED} of {ROWS_LISTED + 10} gaps" in read.text
    assert "gap number 10 " not in read.text
    assert read.text.index("gap number 11 ") < read.text.index("gap number 50 ")


def test_one_finding_has_a_sheet_of_its_own(sample: Report) -> None:
    """Its number and job are the title, its sentence comes first."""
    finding = sample.jobs[0].findings[3]
    read = Read(html(replace(sample, finding=finding, jobs=sample.jobs[:1])))
    assert "Finding 7 of marine-vhf" in read.text
    sentence = read.text.index("floor rose 3.1 dB")
    when = read.text.index("marine-vhf on mast, 25 October 2026, 01:10:00 (GMT, UTC), sweep 10")
    order = [sentence, when, *(read.text.index(one) for one in ("Levels High", "Around it"))]
    assert order == sorted(order)


def test_two_stations_share_a_page(sample: Report) -> None:
    """Each job says whose it is, and all ids are still there once."""
    rock = replace(
        sample, station="north-rock", title="North Rock", limits=("The clock is a guess.",)
    )
    both = together([sample, rock])
    read = Read(html(both))
    assert "Gannet Ledge Lookout and North Rock" in read.text
    for title in ("marine-vhf on mast, Gannet Ledge Lookout", "marine-vhf on mast, North Rock"):
        assert read.text.count(title) == 2, "in the contents and over the job"
    assert "North Rock: The clock is a guess." in read.text
    assert "the clock was set back 1.2 s North Rock, finding 1" in read.text
    assert len(read.ids) == len(set(read.ids))


def test_a_level_has_one_colour_on_the_page_of_two_stations(sample: Report) -> None:
    """The scale reaches from the lowest to the highest of both."""
    section = sample.jobs[0].sections[0]
    sheet: Any = section.charts[0]
    quieter = replace(section, charts=(replace(sheet, colour_low=-130.0, colour_high=-90.0),))
    rock = replace(sample, jobs=(replace(sample.jobs[0], sections=(quieter,)),), title="North Rock")
    sheets: list[Any] = [
        job.sections[0].charts[0] for job in together([sample, rock]).jobs if job.kind == "band"
    ]
    assert [(one.colour_low, one.colour_high) for one in sheets] == [(-130.0, -70.0)] * 2


def test_reports_of_different_ranges_are_not_put_together(sample: Report) -> None:
    """The page has one range. One alone stays as it is."""
    assert together([sample]) is sample
    with pytest.raises(ValueError, match="one range and zone"):
        together([sample, replace(sample, stop_s=sample.stop_s + 1)])
    with pytest.raises(ValueError, match="one range and zone"):
        together([])


@pytest.mark.parametrize(
    ("value", "places", "text"),
    [
        (28611.0, 0, "28\u202f611"),
        (-69.84, 1, "−69.8"),
        (-0.04, 1, "0.0"),
        (0.0, 0, "0"),
        (-1234567.891, 2, "−1\u202f234\u202f567.89"),
        (float("nan"), 1, "–"),
        (float("-inf"), 1, "−∞"),
    ],
)
def test_numbers_are_written_for_people(value: float, places: int, text: str) -> None:
    """A real minus, thousands apart, no minus before nothing."""
    assert number_text(value, places) == text


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (1.0, "100\u202f%"),
        (0.99999, "99.9\u202f%"),
        (0.962, "96.2\u202f%"),
        (0.00001, "under 0.1\u202f%"),
        (0.0, "0\u202f%"),
        (float("nan"), "–"),
    ],
)
def test_all_means_all_and_none_means_none(share: float, text: str) -> None:
    """Shares are cut off, not rounded."""
    assert share_text(share) == text


@pytest.mark.parametrize(
    ("sweeps", "text"),
    [
        (None, ""),
        ((812, 28611, 27799, 0), "sweeps 812 to 28\u202f611 (27\u202f799)"),
        ((4, 4, 1, 0), "sweep 4"),
        ((4, 9, 0, 0), "no sweep"),
        ((4, 9, 3, 2), "sweeps 4 to 9 (3), step 2 of each pass"),
    ],
)
def test_ranges_of_sweeps_are_named(sweeps: tuple[int, ...] | None, text: str) -> None:
    """With their job where it is another."""
    shown = None
    if sweeps is not None:
        first, last, count, step = sweeps
        shown = SweepRange(job="a", first_seq=first, last_seq=last, count=count, step=step)
    assert sweeps_text(shown, "a") == text
    assert sweeps_text(shown, "b") == (f"{text} of a" if text else "")


DAY = 86400.0
NOON = 1781524800.0
"""2026-06-15T12:00:00Z, 13:00 in London."""


@pytest.mark.parametrize(
    ("start_s", "stop_s", "text"),
    [
        (NOON, NOON + 3600, "15 June 2026"),
        (NOON, NOON + 11 * 3600, "15 June 2026"),
        (NOON, NOON + 12 * 3600, "Night of 15 to 16 June 2026"),
        (NOON, NOON + 3 * DAY, "15 to 18 June 2026"),
        (NOON, NOON + 20 * DAY, "15 June to 5 July 2026"),
        (NOON, NOON + 250 * DAY, "15 June 2026 to 20 February 2027"),
        (NOON, NOON, "An empty range"),
    ],
)
def test_a_range_has_a_name(start_s: float, stop_s: float, text: str) -> None:
    """On the station's clock; midnight in London is 23:00 in UTC."""
    assert night_text(start_s, stop_s, LONDON) == text


def test_the_range_in_utc_is_dated_where_its_dates_are_others() -> None:
    """And is left out where the station's clock is UTC."""
    assert range_utc_text(NOON, NOON + 3600, LONDON) == "12:00 to 13:00 UTC"
    assert range_utc_text(NOON, NOON + 11.5 * 3600, LONDON) == "15 June 2026, 12:00 to 23:30 UTC"
    assert range_utc_text(NOON, NOON + 3600, "UTC") == ""
    assert range_utc_text(NOON + 180 * DAY, NOON + 181 * DAY, LONDON) == ""


def test_times_are_as_long_as_they_must_be(reports: ModuleType) -> None:
    """Seconds in a short range, dates in a long one, the zone where the clock changes."""
    report = reports.sample_report()
    assert Moments(report)(report.start_s).here == "21:00 BST"
    short = replace(report, stop_s=report.start_s + 300)
    assert Moments(short)(report.start_s + 7).here == "21:00:07"
    assert Moments(short)(report.start_s + 7).utc == "20:00:07 UTC"
    long = replace(report, stop_s=report.start_s + 3 * DAY, zone="UTC")
    assert Moments(long)(report.start_s).here == "24 Oct 20:00"
    assert Moments(long)(report.start_s).utc == ""
    assert Moments(report)(report.start_s - 3 * DAY).here == "21 Oct 21:00 BST"


def test_names_are_safe_in_anchors_and_styles() -> None:
    """Nothing breaks out of a string of CSS; two words stay two."""
    assert slug("Hand-held & charger") == "hand-held-charger"
    assert slug("§") == "x"
    assert (
        css_string('a"; } </style>')
        == '"a\\000022\\00003b\\000020\\00007d\\000020\\00003c\\00002fstyle\\00003e"'
    )


def test_a_chart_of_nothing_is_still_a_figure(sample: Report) -> None:
    """NaN everywhere: drawn, captioned, and without a number that is none."""
    heat: Any = sample.jobs[0].sections[2].charts[0]
    nan = np.full_like(heat.share, np.nan)
    section = replace(
        sample.jobs[0].sections[2], charts=(replace(heat, share=nan, low=nan, high=nan),), tables=()
    )
    read = Read(html(replace(sample, jobs=(replace(sample.jobs[0], sections=(section,)),))))
    rows = next(rows for title, rows in read.tables if title.startswith("Occupancy by hour"))
    assert {cell for row in rows[1:] for cell in row[1:]} == {"–"}
