"""What is on the terminal during the night: few lines, and always those that matter."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from acqd.alerts.news import FindingNews, JobNews, PassNews
from acqd.testing.clock import ManualClock
from acqd.tonight.lines import MOST_A_MINUTE, NightLines

BEGAN_S = 1781473800.0
"""14 June 2026, 21:50:00 UTC: 22:50 in London."""


@dataclass
class Night:
    """A night that is told by hand, and the lines that came of it."""

    titles: dict[str, str] = field(default_factory=lambda: {"vhf": "Marine VHF", "2m": "2 m"})

    def __post_init__(self) -> None:
        self.clock = ManualClock(BEGAN_S)
        self.shown: list[str] = []
        self.lines = NightLines(
            self.shown.append, titles=self.titles, zone="Europe/London", clock=self.clock
        )
        self.number = 0

    def finding(self, what: str, text: str, job: str | None = "vhf", **figures: Any) -> None:
        self.number += 1
        self.lines.hear(
            FindingNews(
                job=job,
                number=self.number,
                what=what,
                at_s=self.clock.wall_s(),
                text=text,
                seq=None,
                figures=figures,
            )
        )

    def swept(self, job: str, stored: int, due: int) -> None:
        self.lines.hear(
            PassNews(
                job=job,
                kind="band",
                seq=stored,
                at_s=self.clock.wall_s(),
                setup="",
                is_listening=True,
                summary={"stored": stored, "due": due},
                values={},
            )
        )


def test_a_transmission_is_one_line_when_it_is_over() -> None:
    """On the station's clock, with the range's name."""
    night = Night()
    since_s = night.clock.wall_s()
    night.finding("signal_appeared", "channel 16 came up", channel="16", since_s=since_s)
    assert night.shown == []
    night.clock.advance(68.0 - 9.0)
    night.finding("signal_ended", "channel 16 busy 6 s", channel="16", since_s=since_s)
    night.clock.advance(300.0)
    night.swept("2m", 1, 1)
    assert night.shown[0] == "22:50  Marine VHF  channel 16 busy 6 s"
    assert len(night.shown) == 2, "what has ended is not said to be there still"


def test_what_stays_up_is_told_before_it_ends() -> None:
    """A stuck key at 23:00 is no news at 07:00."""
    night = Night({"vhf": "Marine VHF"})
    night.finding("signal_appeared", "channel 16 came up", channel="16", since_s=BEGAN_S)
    night.clock.advance(61.0)
    night.swept("vhf", 30, 30)
    night.clock.advance(61.0)
    night.swept("vhf", 60, 60)
    assert night.shown.count("22:51  channel 16 came up; there since 22:50") == 1


def test_many_in_a_minute_are_counted() -> None:
    """A few lines, then how many more; the next minute begins anew."""
    night = Night()
    for number in range(20):
        night.finding("signal_ended", f"channel {number} busy 6 s", channel=str(number))
    night.finding("signals_ended", "24 more signals ended", count=24)
    assert len(night.shown) == MOST_A_MINUTE
    night.clock.advance(60.0)
    night.finding("signal_ended", "channel 6 busy 8 s", channel="06")
    assert night.shown[MOST_A_MINUTE:] == [
        "       and 40 more findings, all of them in the report",
        "22:51  Marine VHF  channel 6 busy 8 s",
    ]


def test_what_may_cost_the_night_is_always_told() -> None:
    """However much else there is."""
    night = Night()
    for number in range(50):
        night.finding("signal_ended", "busy", channel=str(number))
    night.finding("deaf", "nobody has heard anything since 22:31")
    night.finding("sweeper_lost", "sweeper mast was lost: unplugged", job=None)
    night.finding("cannot_keep", "sweeps cannot be kept: no room", job=None)
    night.lines.hear(JobNews(job="2m", state="paused", reason="by hand", since_s=BEGAN_S))
    assert night.shown[MOST_A_MINUTE:] == [
        "22:50  Marine VHF  nobody has heard anything since 22:31",
        "22:50  sweeper mast was lost: unplugged",
        "22:50  sweeps cannot be kept: no room",
        "22:50  2 m         paused: by hand",
    ]


def test_now_and_then_it_says_what_was_kept() -> None:
    """Each quarter of an hour and at the end, over the turn of the hour as well."""
    night = Night({"vhf": "Marine VHF"})
    night.swept("vhf", 290, 300)
    night.clock.advance(600.0)
    night.swept("vhf", 1, 1)
    assert night.shown[-1] == (
        "23:00  kept Marine VHF 291 of 301 sweeps; the last at 23:00:00; 0 findings so far"
    )
    count = len(night.shown)
    night.clock.advance(600.0)
    night.swept("vhf", 2, 300)
    assert len(night.shown) == count
    night.lines.end()
    assert "292 of 600 sweeps; the last at 23:10:00" in night.shown[-1]


def test_a_night_in_which_nothing_was_swept_says_so() -> None:
    """Instead of a share of nothing."""
    night = Night()
    night.lines.end()
    assert night.shown == ["22:50  nothing was swept yet"]


def test_of_the_log_only_what_nobody_else_tells_is_shown() -> None:
    """Trouble in its own words, the same not each second; the live page's address."""
    night = Night()

    def log(level: str, **event: Any) -> str | None:
        return night.lines.log(None, level, dict(event))

    assert log("info", event="broker_connected", broker="x") is None
    assert log("warning", event="sweeper_lost", problem="unplugged") is None
    away = log("warning", event="broker_away", reason="refused")
    assert away == "22:50  broker away: refused"
    assert log("warning", event="broker_away", reason="refused") is None
    night.clock.advance(3600.0)
    assert log("warning", event="broker_away", reason="refused") == "23:50  broker away: refused"
    assert log("warning", event="not_kept_awake", text="nothing keeps it awake", problem="x") == (
        "23:50  nothing keeps it awake"
    )
    page = log("info", event="live_page", url="http://127.0.0.1:8471/")
    assert page == "23:50  the live page: http://127.0.0.1:8471/"
