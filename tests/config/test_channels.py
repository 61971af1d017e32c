"""Channel plans from TOML: channels, rasters, where they are found, what is refused."""

from __future__ import annotations

import re
import tomllib
from dataclasses import asdict
from pathlib import Path

import pytest

from acqd.config.channels import (
    SegmentTable,
    find_channel_plan,
    load_channel_plan,
    shipped_plans,
)
from acqd.errors import ConfigError
from acqd.measure.channels import BandPlan, ChannelPlan, Segment
from acqd.publish.topics import checked_level

HEAD = 'title = "T"\nedition = "E"\n'
ONE = '[[channel]]\nname = "16"\ncentre = "156.8 MHz"\nwidth = "25 kHz"\n'
SEGMENT = '[[segment]]\nname = "SSB"\nstart = "144.15 MHz"\nstop = "144.4 MHz"\n'
RASTER = '[[raster]]\nfirst = "446.00625 MHz"\nstep = "12.5 kHz"\ncount = 2\nwidth = "12.5 kHz"\n'


def test_channels_come_in_the_order_of_the_file(tmp_path: Path) -> None:
    """Single channels and rasters stay in the order in which they stand."""
    text = f'{HEAD}{RASTER}{ONE}note = "calling"\n{RASTER}name = "B{{n:03}}"\nnumber = 9\n'
    (tmp_path / "mine.toml").write_text(text)
    plan = load_channel_plan("mine.toml", tmp_path)
    assert (plan.name, plan.title, plan.edition) == ("mine", "T", "E")
    assert [channel.name for channel in plan.channels] == ["1", "2", "16", "B009", "B010"]
    assert plan.channels[1].centre_hz == 446_018_750.0
    assert plan.channels[2].note == "calling"
    assert (plan.channels[2].start_hz, plan.channels[2].stop_hz) == (156_787_500.0, 156_812_500.0)


def test_names_of_a_raster_may_be_frequencies(tmp_path: Path) -> None:
    """Its own, with as many decimals as asked, or one that counts on from `called`."""
    rows = f'{RASTER}name = "P {{mhz:5}}"\n{RASTER}name = "{{mhz:3}}"\ncalled = "118.005 MHz"\n'
    rows += RASTER.replace("count = 2", "count = 1") + 'name = "{mhz:0} MHz"\ncalled = "7 MHz"\n'
    (tmp_path / "mine.toml").write_text(HEAD + rows)
    plan = load_channel_plan("mine.toml", tmp_path)
    names = [channel.name for channel in plan.channels]
    assert names[:2] == ["P 446.00625", "P 446.01875"]
    assert names[2:4] == ["118.005", "118.017"]  # one step of 12.5 kHz on, to three decimals
    assert names[4:] == ["7 MHz"]
    assert plan.channels[2].centre_hz == 446_006_250.0


def test_segments_stand_beside_the_channels(tmp_path: Path) -> None:
    """A plan with segments is a band plan; its channels are as without them."""
    (tmp_path / "mine.toml").write_text(f'{HEAD}{SEGMENT}use = "phone"\n{ONE}')
    plan = load_channel_plan("mine.toml", tmp_path)
    assert isinstance(plan, BandPlan)
    assert [channel.name for channel in plan.channels] == ["16"]
    (segment,) = plan.segments
    assert segment == Segment(name="SSB", start_hz=144.15e6, stop_hz=144.4e6, use="phone")


def test_plan_without_segments_keeps_its_form(tmp_path: Path) -> None:
    """What digests of setups are made from does not know segments where there are none."""
    (tmp_path / "mine.toml").write_text(HEAD + ONE)
    plan = load_channel_plan("mine.toml", tmp_path)
    assert type(plan) is ChannelPlan
    assert asdict(plan) == {
        "name": "mine",
        "title": "T",
        "edition": "E",
        "channels": ({"name": "16", "centre_hz": 156_800_000.0, "width_hz": 25_000.0, "note": ""},),
    }


def test_every_key_of_a_segment_is_described() -> None:
    """The page has a row for each key of the table, and none that it does not have."""
    page = (Path(__file__).parents[2] / "docs" / "channel-plans.md").read_text("utf-8")
    body = page.split("\n## [[segment]]\n", 1)[1]
    assert re.findall(r"(?m)^\| `(\w+)` \|", body) == list(SegmentTable.fields_by_key())


@pytest.mark.parametrize("name", shipped_plans())
def test_shipped_plan_says_what_it_follows(name: str) -> None:
    """Edition, where its figures are from, and that local rules prevail."""
    table = tomllib.loads(shipped_plans()[name].read_text("utf-8"))
    assert table["edition"]
    assert re.search(r"memory|restate|copies", table["edition"] + table["source"])
    assert "local rules prevail" in table["source"].lower()


@pytest.mark.parametrize("name", shipped_plans())
def test_shipped_plan_can_be_told_in_topics(name: str) -> None:
    """All keys of channels and segments are levels of topics, and no two are one."""
    plan = load_channel_plan(name, Path("/"))
    pieces = (*plan.channels, *(plan.segments if isinstance(plan, BandPlan) else ()))
    keys = [checked_level(piece.key) for piece in pieces]
    assert len(set(keys)) == len(keys)


def test_shipped_plans_are_listed_on_the_page() -> None:
    """The page has a row for each plan, with the number of its channels where it states one."""
    page = (Path(__file__).parents[2] / "docs" / "channel-plans.md").read_text("utf-8")
    rows = dict(re.findall(r"(?m)^\| `([a-z0-9-]+)` \| (.*)$", page.split("\n## The file\n")[0]))
    assert sorted(rows) == sorted(shipped_plans())
    stated = {name: re.search(r"(\d+) (?:channels|names)", row) for name, row in rows.items()}
    counts = {name: int(match[1]) for name, match in stated.items() if match}
    assert len(counts) == 7
    for name, count in counts.items():
        assert len(load_channel_plan(name, Path("/")).channels) == count


def test_own_plan_goes_before_a_shipped_one(tmp_path: Path) -> None:
    """A plan beside the config is found by its name, before the shipped one of that name."""
    assert find_channel_plan("pmr446", tmp_path) == shipped_plans()["pmr446"]
    (tmp_path / "pmr446.toml").write_text(HEAD + ONE)
    assert find_channel_plan("pmr446", tmp_path) == tmp_path / "pmr446.toml"
    assert len(load_channel_plan("pmr446", tmp_path).channels) == 1


def test_plan_by_a_whole_path(tmp_path: Path) -> None:
    """An absolute path needs no folder to be relative to."""
    (tmp_path / "mine.toml").write_text(HEAD + ONE)
    assert load_channel_plan(str(tmp_path / "mine.toml"), Path("/nowhere")).name == "mine"


def test_plan_that_is_nowhere(tmp_path: Path) -> None:
    """The shipped plans are named, and the near miss among them."""
    with pytest.raises(ConfigError, match=r"did you mean `marine-vhf`.*marine-vhf, pmr446"):
        load_channel_plan("marinevhf", tmp_path)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        (f'edition = "E"\n{ONE}', 1, "`title` is missing"),
        (f'title = "T"\n{ONE}', 1, "`edition` is missing"),
        (HEAD, 1, "0 channels"),
        (HEAD + ONE.replace("centre", "center"), 5, "did you mean `centre`?"),
        (HEAD + ONE.replace('"156.8 MHz"', "156.8"), 5, "a number without a unit"),
        (HEAD + ONE.replace('"25 kHz"', '"0 Hz"'), 6, "out of bounds"),
        (HEAD + ONE + ONE, 7, "cannot be told from channel 16 of line 3"),
        (HEAD + ONE + ONE.replace("16", "16!"), 7, "both are `16` in topics"),
        (HEAD + RASTER + RASTER, 8, "channel 1 cannot be told from channel 1 of line 3"),
        (f'{HEAD}{RASTER}name = "x"\n', 8, "no pattern of names"),
        (f'{HEAD}{RASTER}name = "{{n}}{{n}}"\n', 8, "no pattern of names"),
        (f'{HEAD}{RASTER}name = "{{n.x}}"\n', 8, "no pattern of names"),
        (f'{HEAD}{RASTER}name = "{{mhz}}"\n', 8, "{mhz:3} for the frequency"),
        (f'{HEAD}{RASTER}name = "{{n}} {{mhz:3}}"\n', 8, "no pattern of names"),
        (f'{HEAD}{RASTER}called = "1 MHz"\n', 8, "do not hold a frequency"),
        (f'{HEAD}{RASTER}name = "{{mhz:3}}"\nnumber = 2\n', 9, "a frequency, not a number"),
        (f'{HEAD}{RASTER}name = "{{mhz:1}}"\n', 3, "cannot be told from channel 446.0"),
        (HEAD + SEGMENT, 1, "0 channels"),
        (HEAD + ONE + SEGMENT.replace("144.4", "144.1"), 10, "ends where it starts, or before"),
        (HEAD + ONE + SEGMENT.replace("144.4", "144.15"), 10, "ends where it starts"),
        (HEAD + ONE + SEGMENT.replace("SSB", "16"), 7, "segment 16 cannot be told from channel 16"),
        (HEAD + SEGMENT.replace("SSB", "16") + ONE, 7, "channel 16 cannot be told from segment 16"),
        (HEAD + ONE + SEGMENT.replace("stop", "stpo"), 10, "did you mean `stop`?"),
        (HEAD + ONE + SEGMENT * 1001, 7, "1001 segments"),
        (HEAD + RASTER.replace("count = 2", "count = 0"), 6, "at least 1"),
        (HEAD + RASTER.replace("count = 2", "count = 10001"), 6, "at most 10000"),
        (HEAD + RASTER.replace("count = 2", "count = 9999") + ONE + ONE, 1, "10001 channels"),
        (f"{HEAD}[chanel]\n", 3, "did you mean `channel`?"),
        ("title = T\n", 1, 'texts in quotes: "T"'),
    ],
)
def test_plan_that_is_wrong(tmp_path: Path, text: str, line: int, words: str) -> None:
    """A slip in a plan is told with the plan's file and line."""
    (tmp_path / "mine.toml").write_text(text)
    with pytest.raises(ConfigError) as caught:
        load_channel_plan("mine.toml", tmp_path)
    told = [str(problem) for problem in caught.value.problems]
    assert any(t.startswith(f"{tmp_path}/mine.toml:{line}: ") and words in t for t in told), told


def test_wrong_plan_is_told_once_with_the_config(tmp_path: Path) -> None:
    """Two jobs with one faulty plan: its problems stand once, after those of the config."""
    from acqd.config.load import parse_config

    (tmp_path / "mine.toml").write_text(HEAD)
    job = (
        '[job.{0}]\nkind = "band"\nsweeper = "m"\nstart = "1 MHz"\nstop = "2 MHz"\npoints = 9\n'
        'when = {{ every = "2 s" }}\nband.channels = "mine"\n'
    )
    text = (
        '[station]\nname = "Bad Name"\narchive = "a"\n[sweeper.m]\ndriver = "d"\naddress = "a"\n'
        + job.format("one")
        + job.format("two")
    )
    with pytest.raises(ConfigError) as caught:
        parse_config(text, tmp_path / "station.toml")
    places = [(problem.file, problem.where) for problem in caught.value.problems]
    assert places == [
        (str(tmp_path / "station.toml"), "station.name"),
        (str(tmp_path / "mine.toml"), "the file"),
    ]
