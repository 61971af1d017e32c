"""Channel plans from TOML: channels, rasters, where they are found, what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from acqd.config.channels import find_channel_plan, load_channel_plan, shipped_plans
from acqd.errors import ConfigError

HEAD = 'title = "T"\nedition = "E"\n'
ONE = '[[channel]]\nname = "16"\ncentre = "156.8 MHz"\nwidth = "25 kHz"\n'
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
