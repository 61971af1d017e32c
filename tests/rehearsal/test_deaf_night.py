"""A night in which the cable falls off at 01:12, the sweeper freezes and an amplifier loses its
supply; and nights in which nothing of the kind happens."""

from __future__ import annotations

from pathlib import Path

import pytest

from acqd.archive.reader import open_archive
from acqd.station.replay import Replay
from acqd.station.replay_check import Check
from deaf_nights import MIDNIGHT, WITNESS, Outcome, Planned, instant_s, rehearsed_night

CABLE = Planned("cable off", "01:12", "02:00")
FROZEN = Planned("frozen", "02:20", "02:40")
SUPPLY = Planned("no supply", "03:00", "03:30")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("deaf")


@pytest.fixture(scope="module")
def night(folder: Path) -> Outcome:
    return rehearsed_night(folder, troubles=[CABLE, FROZEN, SUPPLY])


def test_every_trouble_is_noticed_and_nothing_else(night: Outcome) -> None:
    """Within ten minutes by the floor or the witness, half a minute where it froze; and the job is
    said to have heard last in the sweep before."""
    assert night.missed == []
    assert night.for_nothing == []
    assert [one.planned for one in night.noticed] == [CABLE, FROZEN, SUPPLY]
    cable, frozen, supply = night.noticed
    assert cable.late_s <= 610.0
    assert frozen.late_s <= 40.0
    assert supply.late_s <= 610.0
    for one in (cable, frozen, supply):
        assert 0.0 < one.before_s <= 5.0
        assert one.finding.at_s == one.finding.figures["from_s"]


def test_it_hears_again_when_all_is_well(night: Outcome) -> None:
    back = [one for one in night.findings if one.what == "hears_again"]
    for one, planned in zip(back, (CABLE, FROZEN, SUPPLY), strict=True):
        assert 0.0 <= one.at_s - instant_s(planned.until) <= 30.0


def test_deaf_hours_say_so_in_the_archive(night: Outcome, folder: Path) -> None:
    """01:00 to 02:00: 48 minutes of it do not count as listened, which is known before it turns."""
    hours = {one.hour_start_s: one for one in open_archive(folder / "night").hourly("marine-vhf")}
    figures = hours[instant_s("01:00")].figures
    assert figures["stored"] == 720
    assert figures["deaf"] == pytest.approx(48 * 12, abs=2)
    assert figures["listened"] == figures["stored"] - figures["deaf"]
    assert figures["floor_low_dbm"] > -119.0


def test_a_replay_of_the_night_is_the_same_bit_for_bit(night: Outcome, folder: Path) -> None:
    check = Check(same_place=True)
    for told in Replay(archive=open_archive(folder / "night"), job="marine-vhf").run():
        check.take(told)
    assert check.is_exact, check.differ
    assert check.findings == len(night.findings)


def test_the_witness_alone_notices_a_cable(tmp_path: Path) -> None:
    """Where the floor is not asked: ten minutes after the witness was heard last."""
    found = rehearsed_night(
        tmp_path,
        troubles=[CABLE],
        more=f"deaf_by_floor = false\n{WITNESS}",
        since="00:50",
        hours=0.8,
    )
    (cable,) = found.noticed
    assert cable.finding.figures["cause"] == "witnesses"
    assert 480.0 <= cable.late_s <= 610.0
    assert 0.0 < cable.before_s <= 120.0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nights_without_trouble_are_left_in_peace(tmp_path: Path, seed: int) -> None:
    """Of the data channel 9 sweeps in 100 hear something: all 120 of ten minutes miss it once in
    80,000 times."""
    found = rehearsed_night(tmp_path, seed=seed, hours=3.0)
    assert found.for_nothing == []
    assert len(found.findings) > 20


def test_hours_are_of_the_night(night: Outcome) -> None:
    """The helper's own clock."""
    assert instant_s("01:12") - MIDNIGHT.timestamp() == 72 * 60
