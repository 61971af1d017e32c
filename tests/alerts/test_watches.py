"""What a rule is on: each kind of news, turned into beginnings, ends, and what happens."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from acqd.alerts.news import (
    ChannelNews,
    FindingNews,
    HealthNews,
    JobNews,
    News,
    PassNews,
    SweeperNews,
    VerdictNews,
)
from acqd.alerts.watches import Watch, WatchState, saw

T = 1_780_000_000.0


class Eyes:
    """A watch with its state."""

    def __init__(self, watch: Watch) -> None:
        self.watch, self.state = watch, WatchState()
        self.said: list[str] = []

    def see(self, news: News, now: float = T) -> list[str]:
        self.state, turns = saw(self.watch, self.state, news, now)
        self.turns = turns
        self.said += [one.text for one in turns]
        return [f"{'+' if one.is_on else '-'}{one.headline}" for one in turns]


def heard(
    at: float,
    *,
    signals: tuple[float, ...] = (),
    listening: bool = True,
    floor: float | None = None,
    setup: str = "s",
    **summary: Any,
) -> PassNews:
    """A pass of the band job."""
    return PassNews(
        job="marine-vhf",
        kind="band",
        seq=1,
        at_s=at,
        setup=setup,
        is_listening=listening,
        summary={
            "signals": [{"peak_hz": one, "width_hz": 10e3, "residual": False} for one in signals],
            **summary,
        },
        values={} if floor is None else {"floor_dbm": floor},
    )


def finding(what: str, job: str | None = "marine-vhf", number: int = 1, **figures: Any) -> News:
    return FindingNews(
        job=job, number=number, what=what, at_s=T, text="it did", seq=None, figures=figures
    )


def channel(
    name: str, busy: bool, at: float, *, known: bool = True, again: bool = False
) -> ChannelNews:
    return ChannelNews(
        job="marine-vhf",
        key=name,
        name=name,
        is_busy=busy,
        since_s=at,
        last_heard_s=at,
        at_s=at,
        is_known=known,
        again=again,
    )


# --- what happens ---


def test_a_finding_is_told_by_its_word_and_job() -> None:
    """Another word, another job and the station's own are not meant."""
    eyes = Eyes(
        Watch(on="finding", words=frozenset({"floor_rose"}), jobs=frozenset({"marine-vhf"}))
    )
    assert eyes.see(finding("floor_rose")) == ["+marine-vhf: floor rose"]
    assert not eyes.turns[0].lasts
    assert eyes.see(finding("floor_fell")) == []
    assert eyes.see(finding("floor_rose", job="calling")) == []
    assert eyes.see(finding("floor_rose", job=None)) == []


def test_a_finding_of_a_sweeper_is_found_by_its_figure_or_by_its_job() -> None:
    """The station's findings name it; those of a job are of the job's sweeper."""
    eyes = Eyes(
        Watch(
            on="finding", sweepers=frozenset({"mast"}), sweeper_of={"marine-vhf": "mast", "b": "x"}
        )
    )
    assert eyes.see(finding("sweeper_lost", job=None, sweeper="mast")) == ["+mast: sweeper lost"]
    assert eyes.see(finding("sweeper_lost", job=None, sweeper="bench")) == []
    assert len(eyes.see(finding("floor_rose"))) == 1
    assert eyes.see(finding("floor_rose", job="b")) == []


def test_a_finding_that_another_one_ends_lasts_until_then() -> None:
    """Of one limit, that of another goes on."""
    eyes = Eyes(Watch(on="finding", words=frozenset({"limit_exceeded"})))
    assert eyes.see(finding("limit_exceeded", name="2nd")) == ["+marine-vhf: limit exceeded"]
    begun = eyes.turns[0].subject
    eyes.see(finding("limit_met", name="3rd"))
    assert eyes.turns[0].subject != begun
    assert eyes.see(finding("limit_met", name="2nd")) == ["-marine-vhf: limit met"]
    assert eyes.turns[0].subject == begun


def test_without_words_every_finding_happens() -> None:
    """Also those that would begin or end something."""
    eyes = Eyes(Watch(on="finding"))
    for word in ("sweeper_lost", "sweeper_back", "signal_appeared"):
        assert len(eyes.see(finding(word))) == 1
        assert eyes.turns[0].is_on and not eyes.turns[0].lasts


def verdict(word: str, at: float, of: str = "pass", again: bool = False) -> VerdictNews:
    return VerdictNews(job="hand-held", verdict=word, text="t", of=of, at_s=at, again=again)


def test_a_verdict_of_each_pass_is_told_when_it_is_another() -> None:
    """A job whose passes are judged gives one every few seconds."""
    eyes = Eyes(Watch(on="verdict"))
    seen = [eyes.see(verdict(word, T + n)) for n, word in enumerate(["pass", "pass", "fail"])]
    assert seen == [["+hand-held: pass"], [], ["+hand-held: fail"]]
    assert eyes.see(verdict("fail", T + 2, again=True)) == []


def test_a_soaks_verdict_is_told_each_time_but_not_again_after_a_restart() -> None:
    """Two soaks in a row may fail alike."""
    eyes = Eyes(Watch(on="verdict", verdicts=frozenset({"fail"})))
    assert eyes.see(verdict("fail", T, "soak", again=True)) == []
    assert eyes.see(verdict("fail", T + 9, "soak")) == ["+hand-held: fail"]
    assert eyes.see(verdict("pass", T + 10, "soak")) == []
    assert eyes.see(verdict("fail", T + 11, "soak")) == ["+hand-held: fail"]


# --- what lasts ---


def test_a_channel_is_busy_from_when_it_came_up() -> None:
    """Not from when somebody noticed; another channel is not meant."""
    eyes = Eyes(Watch(on="channel busy", channels=frozenset({"16"})))
    assert eyes.see(channel("70", True, T)) == []
    assert eyes.see(channel("16", True, T - 5.0)) == ["+channel 16 is busy"]
    assert eyes.turns[0].since_s == T - 5.0
    assert eyes.see(channel("16", False, T)) == ["-channel 16 is free again"]


@pytest.mark.parametrize("on", ["channel busy", "carrier present"])
def test_nobody_knows_of_a_channel_while_the_job_is_deaf(on: str) -> None:
    """That it is neither busy nor free then is no end of it."""
    eyes = Eyes(Watch(on=on, channels=frozenset({"16"})))
    eyes.see(channel("16", True, T))
    eyes.see(channel("16", False, T + 60.0, known=False))
    assert not eyes.turns[0].is_known
    eyes.see(channel("16", False, T + 120.0))
    assert eyes.turns[0].is_known


@pytest.mark.parametrize(
    ("news", "seen"),
    [
        (JobNews(job="j", state="deaf", reason="no witness", since_s=T - 60), ["+j is deaf"]),
        (JobNews(job="j", state="listening", reason="", since_s=T), ["-j hears again"]),
        (JobNews(job="j", state="paused", reason="", since_s=T), []),
        (JobNews(job="j", state="idle", reason="", since_s=T), []),
        (finding("hears_again", job="j"), ["-j hears again"]),
        (finding("deaf", job="j"), ["+j is deaf"]),
        (finding("deaf", job=None), []),
    ],
)
def test_a_job_is_deaf_until_it_listens(news: News, seen: list[str]) -> None:
    """That it is paused meanwhile says nothing; the beginning is when it was, not when noticed."""
    eyes = Eyes(Watch(on="deaf"))
    assert eyes.see(news) == seen


@pytest.mark.parametrize(
    ("state", "seen"),
    [
        ("away", "+sweeper mast is lost"),
        ("busy", "+sweeper mast is held by another program"),
        ("fault", "+sweeper mast has a fault"),
        ("present", "-sweeper mast is back"),
    ],
)
def test_a_sweeper_is_lost_until_it_is_there(state: str, seen: str) -> None:
    """But not while the station starts and nobody has tried to open it."""
    eyes = Eyes(Watch(on="sweeper lost", sweepers=frozenset({"mast"})))
    news = SweeperNews(sweeper="mast", state=state, problem="no answer", since_s=T)
    assert eyes.see(news) == [seen]
    assert eyes.see(replace(news, sweeper="bench")) == []
    assert eyes.see(SweeperNews(sweeper="mast", state="away", problem="", since_s=T)) == []


def test_the_disk_is_full_below_the_bound_and_has_room_well_above() -> None:
    """So that it does not come and go at the bound."""
    eyes = Eyes(Watch(on="disk", below_bytes=1_000_000_000))

    def health(free: float) -> HealthNews:
        return HealthNews(at_s=T, disk_free_bytes=int(free), archive_problem=None)

    assert eyes.see(health(2e9)) == ["-the disk has room again"]
    assert eyes.see(health(0.99e9)) == ["+the disk is nearly full"]
    assert eyes.see(health(1.01e9)) == []
    assert eyes.see(health(1.06e9)) == ["-the disk has room again"]
    assert eyes.see(finding("cannot_keep", job=None)) == ["+sweeps cannot be kept"]


# --- carriers ---


def silence(**more: Any) -> Eyes:
    return Eyes(
        Watch(
            on="carrier absent",
            jobs=frozenset({"marine-vhf"}),
            silent_s=60.0,
            gap_s={"marine-vhf": 10.0},
            **more,
        )
    )


def test_a_carrier_is_silent_after_so_long_of_listening() -> None:
    """A repeater that keys for one sweep now and then is not."""
    eyes = silence(frequency_hz=156.8e6)
    for n in range(400):
        signals = (156.801e6,) if n % 25 == 0 else ()
        said = eyes.see(heard(T + 2.0 * n, signals=signals))
        assert said in ([], ["-156.800 MHz is heard again"])
    seen: list[str] = []
    n = 400
    while not seen:
        n += 1
        seen = eyes.see(heard(T + 2.0 * n))
    assert seen == ["+156.800 MHz is silent"]
    assert eyes.turns[0].since_s == T + 2.0 * 375
    assert 2.0 * (n - 375) == pytest.approx(60.0, abs=2.1)
    assert eyes.see(heard(T + 2.0 * n + 2.0, signals=(156.799e6,))) == [
        "-156.800 MHz is heard again"
    ]


@pytest.mark.parametrize("how", ["paused", "keyed", "deaf"])
def test_time_without_listening_is_no_silence(how: str) -> None:
    """Nobody can say that something was not there while nobody listened."""
    eyes = silence(frequency_hz=156.8e6)
    at = T
    for _ in range(20):
        eyes.see(heard(at))
        at += 2.0
    if how == "paused":
        at += 3600.0
    elif how == "keyed":
        for _ in range(100):
            assert eyes.see(heard(at, listening=False)) == []
            at += 2.0
    else:
        eyes.see(JobNews(job="marine-vhf", state="deaf", reason="", since_s=at - 40.0))
        for _ in range(100):
            assert eyes.see(heard(at)) == []
            at += 2.0
        eyes.see(JobNews(job="marine-vhf", state="listening", reason="", since_s=at))
    seen: list[str] = []
    listened = 0
    while not seen:
        seen = eyes.see(heard(at))
        at += 2.0
        listened += 1
    assert listened > (25 if how == "deaf" else 9)
    assert seen == ["+156.800 MHz is silent"]


def test_a_channel_that_was_busy_between_two_passes_was_heard() -> None:
    """It came and went within one commit."""
    eyes = silence(channels=frozenset({"16"}))
    for n in range(25):
        eyes.see(heard(T + 2.0 * n))
    assert eyes.see(channel("16", True, T + 50.0)) == ["-channel 16 is heard again"]
    eyes.see(channel("16", False, T + 50.5))
    for n in range(26, 50):
        assert eyes.see(heard(T + 2.0 * n)) == []
    while not eyes.see(heard(T + 2.0 * n)):
        n += 1
    assert 2.0 * n - 50.0 == pytest.approx(60.0, abs=4.0)


def test_a_channel_that_stays_busy_is_heard_all_the_while() -> None:
    """The job tells of changes alone."""
    eyes = silence(channels=frozenset({"16"}))
    eyes.see(channel("16", True, T))
    for n in range(200):
        assert all(one.startswith("-") for one in eyes.see(heard(T + 2.0 * n)))


def test_a_carrier_job_says_itself_whether_it_hears() -> None:
    """Three passes in a row must miss it, as its own findings count."""
    eyes = Eyes(Watch(on="carrier present", jobs=frozenset({"beacon"})))

    def one(at: float, is_heard: bool) -> PassNews:
        return replace(heard(at, heard=is_heard), job="beacon", kind="carrier")

    assert eyes.see(one(T, True)) == ["+beacon is heard"]
    assert eyes.see(one(T + 10, False)) == []
    assert eyes.see(one(T + 20, False)) == []
    assert eyes.see(one(T + 30, False)) == ["-beacon is not heard any more"]
    assert eyes.turns[0].since_s == T


def test_a_signal_beside_the_frequency_or_of_the_sweepers_own_is_another() -> None:
    """It is none that the alert is on."""
    eyes = Eyes(Watch(on="carrier present", frequency_hz=156.8e6, within_hz=5e3))
    assert eyes.see(heard(T, signals=(156.81e6,))) == []
    own = {"peak_hz": 156.8e6, "width_hz": 1e3, "residual": True}
    assert eyes.see(heard(T, signals=()) and replace(heard(T), summary={"signals": [own]})) == []
    assert eyes.see(heard(T, signals=(156.803e6,))) == ["+156.800 MHz is heard"]


# --- the floor ---


def passes(eyes: Eyes, start: float, count: int, floor: float, **more: Any) -> list[str]:
    seen = []
    for n in range(count):
        seen += eyes.see(heard(start + 10.0 * n, floor=floor, **more))
    return seen


HOUR = 3600.0
FULL = T - T % HOUR


def test_the_floor_is_up_over_the_hour_before_until_it_is_down() -> None:
    """Also where it stays up for hours: it does not become its own base."""
    eyes = Eyes(Watch(on="floor up", by_db=6.0))
    assert passes(eyes, FULL, 360, -110.0) == []
    assert passes(eyes, FULL + HOUR, 100, -105.0) == []
    assert passes(eyes, FULL + HOUR + 1000, 20, -103.0) == ["+the floor of marine-vhf rose"]
    assert eyes.said[-1] == (
        "the floor of marine-vhf rose: −103.0 dBm, 7.0 dB above that of the hour before"
    )
    assert passes(eyes, FULL + 2 * HOUR, 3 * 360, -103.0) == []
    assert passes(eyes, FULL + 5 * HOUR, 20, -104.5) == []
    assert passes(eyes, FULL + 5 * HOUR + 300, 20, -110.0) == [
        "-the floor of marine-vhf is down again"
    ]


def test_one_loud_pass_is_no_floor() -> None:
    """Every third pass is a burst; the median is not."""
    eyes = Eyes(Watch(on="floor up", by_db=6.0))
    passes(eyes, FULL, 360, -110.0)
    for n in range(30):
        floor = -80.0 if n % 3 == 0 else -110.0
        assert passes(eyes, FULL + HOUR + 10.0 * n, 1, floor) == []


def test_last_night_is_the_same_hour_a_day_before() -> None:
    """Or one beside it."""
    eyes = Eyes(Watch(on="floor up", by_db=6.0, over="last night"))
    assert passes(eyes, FULL, 360, -110.0) == []
    assert passes(eyes, FULL + 23 * HOUR, 360, -103.0) == ["+the floor of marine-vhf rose"]
    assert eyes.said[-1].endswith("7.0 dB above that of the day before")


def test_the_hours_of_a_deaf_job_are_no_base() -> None:
    """A cable that fell off for an hour and is put back did not make the band noisier."""
    eyes = Eyes(Watch(on="floor up", by_db=6.0))
    assert passes(eyes, FULL, 360, -110.0) == []
    assert passes(eyes, FULL + HOUR, 40, -125.0) == []
    deaf = finding("deaf")
    assert isinstance(deaf, FindingNews)
    assert eyes.see(replace(deaf, at_s=FULL + HOUR - 10.0)) == []
    assert passes(eyes, FULL + 2 * HOUR, 360, -110.0) == []


def test_what_is_learnt_is_the_median_of_hours() -> None:
    """One noisy evening changes it little; before six hours there is none."""
    eyes = Eyes(Watch(on="floor up", by_db=6.0, over="learnt"))
    for hour in range(6):
        level = -95.0 if hour == 3 else -110.0
        assert passes(eyes, FULL + hour * HOUR, 360, level) == []
    assert passes(eyes, FULL + 6 * HOUR, 20, -103.0) == ["+the floor of marine-vhf rose"]


def test_another_setup_is_another_floor() -> None:
    """A wider RBW lifts it, and says nothing of noise."""
    eyes = Eyes(Watch(on="floor up", by_db=6.0))
    passes(eyes, FULL, 360, -110.0)
    assert passes(eyes, FULL + HOUR, 100, -100.0, setup="another") == []
