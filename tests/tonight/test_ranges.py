"""What people call a range, and until when they want to know."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from acqd.config.channels import shipped_plans
from acqd.errors import WrongUsage
from acqd.tonight.moments import local_zone, next_end_s, window_text
from acqd.tonight.ranges import BY_REGION, CALLED, region_of, wanted_ranges

HERE = Path(__file__).parent
LONDON = "Europe/London"


def at(text: str, zone: str = LONDON) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).timestamp()


@pytest.mark.parametrize(
    ("word", "plan"),
    [
        ("marine VHF", "marine-vhf"),
        ("Marine-vhf", "marine-vhf"),
        ("VHF marine", "marine-vhf"),
        ("2 m", "amateur-2m-r1"),
        ("2m", "amateur-2m-r1"),
        ("70 cm", "amateur-70cm-r1"),
        ("amateur-2m-r2", "amateur-2m-r2"),
        ("air band", "airband-25"),
        ("airband", "airband-25"),
        ("air band 8.33", "airband-8-33"),
        ("FM", "fm-broadcast-r1"),
        ("pmr446", "pmr446"),
        ("433 MHz", "srd-433"),
        ("868 MHz", "srd-863-870"),
    ],
)
def test_a_range_is_known_by_what_people_call_it(word: str, plan: str) -> None:
    """Case, spaces, hyphens and dots do not count."""
    (found,) = wanted_ranges([word], folder=HERE)
    assert found.plan == plan
    assert found.spacing_hz is not None and found.start_hz < found.stop_hz


def test_every_shipped_plan_can_be_named() -> None:
    """By its own name at least, and what names lead to is there."""
    for name in shipped_plans():
        (found,) = wanted_ranges([name], folder=HERE)
        assert found.plan == name
    plans = {plan for plans in BY_REGION.values() for plan in plans}
    assert plans | (set(CALLED) - set(BY_REGION)) <= set(shipped_plans())


def test_a_plans_range_is_all_that_it_covers() -> None:
    """Of marine VHF from channel 60's edge to that of AIS 2 (RR Appendix 18), 25 kHz channels."""
    (marine,) = wanted_ranges(["marine VHF"], folder=HERE)
    assert (marine.start_hz, marine.stop_hz) == (156.0125e6, 162.0375e6)
    assert marine.spacing_hz == 25e3


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("marin vfh", 'did you mean "marine VHF"?'),
        ("amateur", '"2 m" or "70 cm"'),
        ("air", '"air band" or "air band 8.33"'),
        ("the moon", "Names: air band"),
        ("146MHz..144MHz", "not above the start"),
        ("144..", "frequency"),
        ("mine.toml", "no range that acqd knows"),
    ],
)
def test_what_is_no_range_is_refused_with_what_there_is(word: str, said: str) -> None:
    """Near misses are named, and so are both of two that may be meant."""
    with pytest.raises(WrongUsage) as caught:
        wanted_ranges([word], folder=HERE)
    assert said in str(caught.value) and "\n" not in str(caught.value)


def test_a_bare_range_has_a_name_and_no_channels() -> None:
    """The name is fit for a topic."""
    (found,) = wanted_ranges(["144.0MHz..146.5MHz"], folder=HERE)
    assert found.name == "144-mhz-to-146500-khz" or found.name == "144-mhz-to-146-5-mhz"
    assert (found.start_hz, found.stop_hz, found.plan) == (144e6, 146.5e6, None)


def test_nothing_and_the_same_twice_are_refused() -> None:
    """With what to say instead."""
    with pytest.raises(WrongUsage, match="what is to be watched"):
        wanted_ranges([], folder=HERE)
    with pytest.raises(WrongUsage, match="once is enough"):
        wanted_ranges(["2 m", "2m"], folder=HERE)
    with pytest.raises(WrongUsage, match="at most 8"):
        wanted_ranges([f"{mhz}MHz..{mhz + 1}MHz" for mhz in range(9)], folder=HERE)


def test_the_region_comes_from_the_continent_and_changes_the_plan() -> None:
    """2 m reaches to 148 MHz in Regions 2 and 3."""
    assert [region_of(zone) for zone in (LONDON, "America/Lima", "Asia/Tokyo", "UTC")] == [
        1,
        2,
        3,
        1,
    ]
    assert wanted_ranges(["2 m"], region=2, folder=HERE)[0].stop_hz == 148e6
    assert wanted_ranges(["2 m"], region=1, folder=HERE)[0].stop_hz == 146e6


def test_a_plan_of_ones_own_is_taken_from_its_file(tmp_path: Path) -> None:
    """As a config would."""
    (tmp_path / "harbour.toml").write_text(
        'title = "Harbour"\nedition = "ours"\n'
        '[[channel]]\nname = "a"\ncentre = "156.7 MHz"\nwidth = "25 kHz"\n'
    )
    (found,) = wanted_ranges(["./harbour.toml"], folder=tmp_path)
    assert (found.plan, found.name, found.title) == ("./harbour.toml", "harbour", "Harbour")


# --- until ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("now", "text", "end"),
    [
        ("2026-06-14T21:40:12", "07:00", "2026-06-15T07:00"),
        ("2026-06-15T06:59:59", "07:00", "2026-06-15T07:00"),
        ("2026-06-15T07:00:00", "07:00", "2026-06-16T07:00"),
        ("2026-06-15T06:00:00", "7:00", "2026-06-15T07:00"),
        ("2026-06-14T21:40:00", "24:00", "2026-06-15T00:00"),
        ("2026-06-14T21:40:00", "21:40:30", "2026-06-14T21:40:30"),
        ("2026-06-14T21:40:00", "8 h", "2026-06-15T05:40"),
        ("2026-06-14T21:40:00", "90min", "2026-06-14T23:10"),
        ("2026-06-14T21:40:00", "2026-06-16T07:00", "2026-06-16T07:00"),
        ("2026-06-14T21:40:00", "2026-06-15T06:00Z", "2026-06-15T07:00"),
    ],
)
def test_the_end_is_the_next_one_on_the_local_clock(now: str, text: str, end: str) -> None:
    """Or so long from now, or a moment with its date."""
    assert next_end_s(text, zone=LONDON, now_s=at(now)) == at(end)


def test_an_hour_of_the_night_on_which_the_clock_changes() -> None:
    """29 March 2026, 01:00 to 02:00 does not come: its moment is the leap. 25 October it comes
    twice: the next to come."""
    leap_s = at("2026-03-29T00:59:59") + 1.0
    assert next_end_s("01:30", zone=LONDON, now_s=at("2026-03-28T22:00")) == leap_s
    assert next_end_s("07:00", zone=LONDON, now_s=at("2026-03-28T22:00")) - at(
        "2026-03-28T22:00"
    ) == pytest.approx(8 * 3600.0)
    twice = datetime(2026, 10, 25, 1, 30, tzinfo=ZoneInfo(LONDON))
    first_s, second_s = twice.timestamp(), twice.replace(fold=1).timestamp()
    assert second_s - first_s == 3600.0
    assert next_end_s("01:30", zone=LONDON, now_s=at("2026-10-24T22:00")) == first_s
    assert next_end_s("01:30", zone=LONDON, now_s=first_s) == second_s
    assert next_end_s("07:00", zone=LONDON, now_s=at("2026-10-24T22:00")) - at(
        "2026-10-24T22:00"
    ) == pytest.approx(10 * 3600.0)


@pytest.mark.parametrize("text", ["", "morning", "25:00", "07:60", "8", "-1 h", "0 s", "40 d", "7"])
def test_what_is_no_end_is_refused(text: str) -> None:
    """So is one that has passed, or is too far away."""
    with pytest.raises(WrongUsage, match="--until"):
        next_end_s(text, zone=LONDON, now_s=at("2026-06-14T21:40"))
    with pytest.raises(WrongUsage, match="passed"):
        next_end_s("2026-06-13T07:00", zone=LONDON, now_s=at("2026-06-14T21:40"))


@pytest.mark.parametrize(
    ("now", "end", "window"),
    [
        ("2026-06-14T21:40:12", "2026-06-15T07:00", "21:00..07:00"),
        ("2026-06-14T07:20:00", "2026-06-15T07:00", None),
        ("2026-06-14T22:13:05", "2026-06-14T22:15", "22:00..22:15"),
        ("2026-06-14T22:00:05", "2026-06-14T22:00:35", "22:00..22:00:35"),
        ("2026-06-14T21:40:12", "2026-06-17T07:00", None),
    ],
)
def test_the_files_window_is_open_now_and_ends_with_the_night(
    now: str, end: str, window: str | None
) -> None:
    """From the hour that it is; none where it would be all day."""
    assert window_text(at(now), at(end), LONDON) == window


def test_the_zone_is_what_the_system_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The variable first, then the link; never a name that is no zone."""
    link = tmp_path / "localtime"
    link.symlink_to("/usr/share/zoneinfo/Europe/London")
    monkeypatch.setenv("TZ", ":America/Lima")
    assert local_zone(localtime=link) == "America/Lima"
    monkeypatch.setenv("TZ", "")
    assert local_zone(localtime=link) == "Europe/London"
    link.unlink()
    link.symlink_to("/usr/share/zoneinfo/Etc/UTC")
    assert local_zone(localtime=link) == "UTC"
