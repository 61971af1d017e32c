"""Maps: what is right, what is wrong and on which line, and the config that a job gets."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from acqd.errors import ConfigError, WrongUsage
from acqd.ingest.maps import LogMap, Span, load_map, parse_map

ROOT = Path(__file__).parents[2]
SPAN = Span(156e6, 157e6, 41)
LEAST = """\
[file]
layout = "wide"
[time]
zone = "UTC"
columns = "time"
[frequency]
[level]
unit = "dBm"
"""


def problems(text: str) -> list[str]:
    """What is wrong with a map, a line each."""
    with pytest.raises(ConfigError) as caught:
        parse_map(text, Path("m.toml"))
    return str(caught.value).splitlines()


@pytest.mark.parametrize("path", sorted((ROOT / "configs" / "maps").glob("*.toml")))
def test_the_maps_that_come_along_are_right(path: Path) -> None:
    """And their jobs have configs."""
    told = load_map(path)
    for job in told.jobs:
        assert told.config(job, Span(156e6, 162.1e6, 245)).jobs[job].kind == "band"


def test_a_map_without_a_job_makes_one(map_of: Callable[..., LogMap]) -> None:
    """Of kind band, over what the files hold, back to back where nobody says how often."""
    told = map_of(LEAST)
    assert told.jobs == ("log",)
    config = told.config("log", SPAN)
    job = config.jobs["log"]
    assert (job.kind, job.range_hz, job.points) == ("band", (156e6, 157e6), 41)
    assert job.when.back_to_back
    assert config.sweepers[job.sweeper].driver == "ingest"


def test_the_rhythm_is_that_of_the_gaps(map_of: Callable[..., LogMap]) -> None:
    """Every two seconds, as the interval that the meter knows."""
    config = map_of(LEAST + '[gaps]\nevery = "2 s"\n').config("log", SPAN)
    assert config.jobs["log"].when.every_s == 2.0


def test_what_the_map_says_of_the_sweep_holds(map_of: Callable[..., LogMap]) -> None:
    """Start, stop and points of the map stand over those of the files."""
    job = '[job.vhf]\nstart = "150 MHz"\nstop = "160 MHz"\npoints = 101\n'
    told = map_of(LEAST + job)
    assert told.says_span("vhf")
    assert told.config("vhf", SPAN).jobs["vhf"].range_hz == (150e6, 160e6)


def test_which_job_is_meant(map_of: Callable[..., LogMap]) -> None:
    """The only one, under any name; of several the one that is named."""
    one = map_of(LEAST + "[job.vhf]\n")
    assert (one.job(None), one.job("other")) == ("vhf", "other")
    assert one.config("other", SPAN).jobs["other"].kind == "band"
    two = map_of(LEAST + "[job.a]\n[job.b]\n")
    assert two.job("b") == "b"
    for wanted, why in ((None, "which job"), ("c", "no job 'c'"), ("A b", "not the name")):
        with pytest.raises(WrongUsage, match=why):
            two.job(wanted)


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("", "m.toml:1: file: the table [file] is missing"),
        (LEAST + "[fil]\n", "m.toml:9: fil: unknown table `fil`; did you mean `file`?"),
        (LEAST.replace("layout", "layot"), "m.toml:2: file.layot: unknown key `layot`; did you"),
        (LEAST.replace('"UTC"', '"Europe/Dublim"'), "m.toml:4: time.zone: unknown time zone"),
        (LEAST.replace('columns = "time"', ""), "m.toml:3: time: nothing says where the clock"),
        (LEAST.replace('"time"', "0"), "m.toml:5: time.columns[1]: not a column"),
        (LEAST.replace("[freq", 'format = "%H:%M"\n[freq'), "m.toml:6: time.format: a format with"),
        (LEAST.replace("[freq", 'format = "soon"\n[freq'), "m.toml:6: time.format: not a format"),
        (LEAST.replace('columns = "time"', "name = 'x'"), "m.toml:5: time.name: no group is named"),
        (LEAST.replace('columns = "time"', "name = '('"), "m.toml:5: time.name: not a regular"),
        (LEAST.replace('"dBm"', '"dbm"'), "m.toml:8: level.unit: not a word that is known"),
        (LEAST + 'column = "level"\n', "m.toml:9: level.column: a row is a whole sweep here"),
        (LEAST.replace("wide", "long"), "level.column: nothing says in which column the level"),
        (LEAST.replace("[level]", 'at = ["1 MHz", "2 MHz"]\n[level]'), "level.first_column: no"),
        (LEAST.replace("[level]", 'first = "1 MHz"\n[level]'), "m.toml:7: frequency.first: `"),
        (LEAST.replace("[time]", "header = false\n[time]"), "m.toml:3: file.header: without"),
        (LEAST.replace("[time]", 'decimal = ","\n[time]'), "m.toml:3: file.decimal: a comma"),
        (LEAST.replace("[time]", 'encoding = "x"\n[time]'), "m.toml:3: file.encoding: unknown"),
        (LEAST + '[gaps]\noff_after = "1 h"\n', "m.toml:10: gaps.off_after: without `every`"),
        (LEAST + '[job.a.when]\nevery = "2 s"\n', "m.toml:9: job.a.when: `when` has no place"),
        (LEAST + '[job.a]\nkind = "emission"\n', "m.toml:10: job.a.kind: kind emission cannot"),
        (LEAST + '[job.a]\nchain = "b"\n', "m.toml:10: job.a.chain: there is no chain `b`"),
        (LEAST + '[job.a]\nband = { margin = 3 }\n', "m.toml:10: job.a.band.margin: a numb"),
        (LEAST + '[sweeper.a]\ndriver = "scpi"\n', "m.toml:10: sweeper.a.driver: a driver, but"),
        (LEAST + "[job.station]\n", "m.toml:9: job.station: the name `station` is reserved"),
        (LEAST + "[job]\nkind = 1\n", "m.toml:10: job.kind: `kind` stands where the NAME of a job"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_with_its_line(text: str, where: str) -> None:
    """File, line, place, and what would do."""
    found = problems(text)
    assert any(where in one and "; accepted: " in one for one in found), found


def test_all_problems_at_once() -> None:
    """In the order of the lines."""
    text = LEAST.replace('"UTC"', '"Nowhere"').replace('"dBm"', '"dbm"') + "[jobs]\n"
    assert [one.split(": ")[1] for one in problems(text)] == ["time.zone", "level.unit", "jobs"]


NOTED = {
    "in the name": ("name = '(?P<time>.+)'", "order", True),
    "in the name, of two marked": ("name = '(?P<time>.+?)(?P<later>b?)'", "order", False),
    "in the name, by rule": ("name = '(?P<time>.+)'", "earlier", False),
    "in rows": ('columns = "time"', "order", False),
    "in lines": ("line = '(?P<time>.+)'", "order", False),
}


@pytest.mark.parametrize(("where", "rule", "noted"), NOTED.values(), ids=NOTED)
def test_an_order_of_files_that_have_none_is_noted(where: str, rule: str, noted: bool) -> None:
    """With its line: all of them are taken for the earlier ones, which may not be meant."""
    clock = f'{where}\nambiguous = "{rule}"'
    told = parse_map(LEAST.replace('columns = "time"', clock), Path("m.toml"))
    assert len(told.notes()) == noted
    for note in told.notes():
        assert note.startswith('m.toml:6: time.ambiguous: "order" means "earlier" here')
