"""From what a station notices to what one rule is on: turns of what lasts, and what happens.

Pure: (watch, state, news, now) to (state', turns). What a rule must remember to tell is in the
state, bounded and plain, so that it can be kept over a restart.

A carrier is only *absent* for as long as the job listened: time in which it was paused, deaf, keyed
over or without its sweeper does not count. What it takes is one time of hearing it to begin anew.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from acqd.alerts.floors import Floors, heard_floor, not_heard_since
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
from acqd.alerts.rules import Turn
from acqd.config.alerts import ENDED_BY
from acqd.measure.words import frequency_text

__all__ = ["Ear", "Watch", "WatchState", "saw"]

IN_A_ROW = 3
"""Passes that must not hear a carrier at a frequency before it is gone; of a channel the job itself
says when it is free. As kind carrier counts."""

ROOM_AGAIN = 1.05
"""So much more than the bound must be free before the disk is said to have room again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """What one rule is on. Empty sets mean all there are."""

    on: str
    words: frozenset[str] = frozenset()
    jobs: frozenset[str] = frozenset()
    sweepers: frozenset[str] = frozenset()
    channels: frozenset[str] = frozenset()
    verdicts: frozenset[str] = frozenset()
    frequency_hz: float | None = None
    within_hz: float = 5e3
    by_db: float = 6.0
    over: str = "last hour"
    below_bytes: int = 0
    silent_s: float = 0.0
    """So long a carrier must be absent, counted while the job listens."""
    gap_s: Mapping[str, float] = field(default_factory=dict)
    """Of each job: the longest time from pass to pass that is one of listening."""
    sweeper_of: Mapping[str, str] = field(default_factory=dict)

    def is_of(self, job: str | None) -> bool:
        """Whether a job is one of those that it is about."""
        if self.sweepers and (job is None or self.sweeper_of.get(job) not in self.sweepers):
            return False
        return not self.jobs or job in self.jobs

    def is_there(self, facts: Mapping[str, str]) -> bool:
        """Whether the config still has what something is about; else nothing would ever end it."""
        job, sweeper = facts.get("job"), facts.get("sweeper")
        if job is not None and job not in self.gap_s:
            return False
        return sweeper is None or sweeper in self.sweeper_of.values()

    @property
    def lasting(self) -> frozenset[str]:
        """The words of findings that begin something."""
        return self.words & ENDED_BY.keys()


@dataclass(frozen=True, slots=True, kw_only=True)
class Ear:
    """What is known of one carrier or channel."""

    heard_s: float | None = None
    """When it was last heard; None: never since somebody listens."""
    listened_s: float = 0.0
    """For so long it was listened for since."""
    since_s: float = 0.0
    """When that began."""
    pass_s: float | None = None
    """The last pass that listened."""
    missed: int = 0
    """Passes in a row that did not hear it."""
    is_up: bool = False
    """It is heard; of a channel: it is busy."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchState:
    """What one rule remembers of what it saw."""

    ears: Mapping[str, Ear] = field(default_factory=dict)
    floors: Mapping[str, Floors] = field(default_factory=dict)
    verdicts: Mapping[str, tuple[str, float]] = field(default_factory=dict)
    """Word and time of the last verdict, by job."""
    deaf: tuple[str, ...] = ()
    """Jobs that are."""


Seen = tuple[WatchState, tuple[Turn, ...]]


def saw(watch: Watch, state: WatchState, news: News, now_s: float) -> Seen:
    """The state after ``news``, and what it means to the rule."""
    if isinstance(news, FindingNews):
        state = _with_deaf(state, news.job, news.what)
    elif isinstance(news, JobNews):
        state = _with_deaf(state, news.job, "deaf" if news.state == "deaf" else news.state)
    return _SEERS[watch.on](watch, state, news, now_s)


def _with_deaf(state: WatchState, job: str | None, word: str) -> WatchState:
    """Time in which a job was deaf was none of listening, also that before it was noticed."""
    if job is None or (word == "deaf") == (job in state.deaf):
        return state
    if word == "deaf":
        ears = {
            key: replace(ear, listened_s=0.0, pass_s=None) if key.partition("|")[0] == job else ear
            for key, ear in state.ears.items()
        }
        return replace(state, deaf=(*state.deaf, job), ears=ears)
    if word in ("listening", "hears_again"):
        return replace(state, deaf=tuple(one for one in state.deaf if one != job))
    return state


# --- what happens ---------------------------------------------------------------------------------


def _finding(watch: Watch, state: WatchState, news: News, now_s: float) -> Seen:
    if not isinstance(news, FindingNews):
        return state, ()
    ends = [word for word in sorted(watch.lasting) if ENDED_BY[word] == news.what]
    if not ends and watch.words and news.what not in watch.words:
        return state, ()
    of = news.figures.get("sweeper")
    sweeper = of if isinstance(of, str) else watch.sweeper_of.get(news.job or "", "")
    if watch.sweepers and sweeper not in watch.sweepers:
        return state, ()
    if watch.jobs and news.job not in watch.jobs and news.figures.get("job") not in watch.jobs:
        return state, ()
    begun = ends[0] if ends else news.what
    which = next((news.figures[key] for key in ("name", "sweeper") if key in news.figures), "")
    whose = news.job or sweeper or "the station"
    facts = {"job": news.job or "", "sweeper": sweeper, "what": news.what}
    channel = news.figures.get("channel")
    if isinstance(channel, str):
        facts["channel"] = channel
    turn = Turn(
        subject=f"{news.job or ''}|{begun}|{which}",
        headline=f"{whose}: {news.what.replace('_', ' ')}",
        text=f"{news.job}: {news.text}" if news.job else news.text,
        since_s=news.at_s,
        is_on=not ends,
        # Meters tell a beginning once. With a new config they begin anew, and its end is lost.
        is_new=not ends,
        lasts=bool(ends) or begun in watch.lasting,
        facts={key: value for key, value in facts.items() if value},
    )
    return state, (turn,)


def _verdict(watch: Watch, state: WatchState, news: News, now_s: float) -> Seen:
    """A soak's verdict each time; of a job whose every pass is judged only another one than the
    last. One that is told again after a restart is none."""
    if not isinstance(news, VerdictNews) or not watch.is_of(news.job):
        return state, ()
    word, at_s = state.verdicts.get(news.job, ("", 0.0))
    state = replace(state, verdicts={**state.verdicts, news.job: (news.verdict, news.at_s)})
    is_old = news.at_s <= at_s or (news.again and not word)
    if is_old or (news.of != "soak" and news.verdict == word):
        return state, ()
    if watch.verdicts and news.verdict not in watch.verdicts:
        return state, ()
    turn = Turn(
        subject=news.job,
        headline=f"{news.job}: {news.verdict}",
        text=f"{news.job}: {news.text}",
        since_s=news.at_s,
        lasts=False,
        facts={"job": news.job, "what": news.verdict},
    )
    return state, (turn,)


# --- what lasts -----------------------------------------------------------------------------------


def _busy(watch: Watch, state: WatchState, news: News, now_s: float) -> Seen:
    if not isinstance(news, ChannelNews) or not watch.is_of(news.job):
        return state, ()
    if watch.channels and news.name not in watch.channels:
        return state, ()
    turn = _channel_turn(news.job, news.name, news.is_busy, news.since_s)
    return state, (replace(turn, is_known=news.is_known),)


def _channel_turn(job: str, channel: str, is_busy: bool, since_s: float) -> Turn:
    word = "is busy" if is_busy else "is free again"
    return Turn(
        subject=f"{job}|{channel}",
        headline=f"channel {channel} {word}",
        text=f"channel {channel} {word} ({job})",
        since_s=since_s,
        is_on=is_busy,
        facts={"job": job, "channel": channel},
    )


def _deaf(watch: Watch, state: WatchState, news: News, now_s: float) -> Seen:
    job = news.job if isinstance(news, JobNews | FindingNews) else None
    if job is None or not watch.is_of(job):
        return state, ()
    word, since_s, why = "", now_s, ""
    if isinstance(news, JobNews):
        word, since_s, why = news.state, news.since_s, news.reason
    elif isinstance(news, FindingNews):
        word, since_s, why = news.what, news.at_s, news.text
    if word not in ("deaf", "listening", "hears_again"):
        return state, ()
    is_deaf = word == "deaf"
    told = "is deaf" if is_deaf else "hears again"
    turn = Turn(
        subject=job,
        headline=f"{job} {told}",
        text=_deaf_text(job, told, why, of_finding=isinstance(news, FindingNews)),
        since_s=since_s,
        is_on=is_deaf,
        facts={"job": job},
    )
    return state, (turn,)


def _deaf_text(job: str, told: str, why: str, *, of_finding: bool) -> str:
    if of_finding:
        # Its sentence says both: that, and by what it is known.
        return f"{job}: {why}"
    return f"{job} {told}: {why}" if why else f"{job} {told}"


def _sweeper(watch: Watch, state: WatchState, news: News, now_s: float) -> Seen:
    if not isinstance(news, SweeperNews):
        return state, ()
    if watch.sweepers and news.sweeper not in watch.sweepers:
        return state, ()
    if news.state == "away" and not news.problem:
        # Nobody has tried yet: the station starts.
        return state, ()
    gone = {"away": "is lost", "busy": "is held by another program", "fault": "has a fault"}
    is_on = news.state != "present"
    word = gone.get(news.state, f"is {news.state}") if is_on else "is back"
    headline = f"sweeper {news.sweeper} {word}"
    turn = Turn(
        subject=news.sweeper,
        headline=headline,
        text=f"{headline}: {news.problem}" if is_on and news.problem else headline,
        since_s=news.since_s,
        is_on=is_on,
        facts={"sweeper": news.sweeper},
    )
    return state, (turn,)


def _disk(watch: Watch, state: WatchState, news: News, now_s: float) -> Seen:
    if isinstance(news, FindingNews) and news.what in ("cannot_keep", "room_again"):
        is_on = news.what == "cannot_keep"
        headline = "sweeps cannot be kept" if is_on else "sweeps are kept again"
        turn = Turn(
            subject="kept", headline=headline, text=news.text, since_s=news.at_s, is_on=is_on
        )
        return state, (turn,)
    if not isinstance(news, HealthNews) or news.disk_free_bytes is None:
        return state, ()
    free = news.disk_free_bytes
    if watch.below_bytes <= free < ROOM_AGAIN * watch.below_bytes:
        return state, ()
    is_on = free < watch.below_bytes
    left = f"{free / 1e9:.1f} GB free"
    turn = Turn(
        subject="free",
        headline="the disk is nearly full" if is_on else "the disk has room again",
        text=f"the disk is nearly full: {left}" if is_on else f"the disk has room again: {left}",
        since_s=news.at_s,
        is_on=is_on,
    )
    return state, (turn,)


def _floor(watch: Watch, state: WatchState, news: News, now_s: float) -> Seen:
    if isinstance(news, FindingNews):
        job = news.job or ""
        if news.what != "deaf" or job not in state.floors:
            return state, ()
        kept = not_heard_since(state.floors[job], news.at_s)
        return replace(state, floors={**state.floors, job: kept}), ()
    if not isinstance(news, PassNews) or not watch.is_of(news.job):
        return state, ()
    before = state.floors.get(news.job, Floors())
    after, risen = heard_floor(before, news, over=watch.over, by_db=watch.by_db)
    state = replace(state, floors={**state.floors, news.job: after})
    if risen is None or after.is_up == before.is_up:
        return state, ()
    way = "rose" if after.is_up else "is down again"
    size = f"{abs(risen.rise_db):.1f} dB {'above' if risen.rise_db >= 0 else 'below'}"
    turn = Turn(
        subject=news.job,
        headline=f"the floor of {news.job} {way}",
        text=f"the floor of {news.job} {way}: {risen.level_text}, {size} that of "
        f"{_BASES[watch.over]}",
        since_s=news.at_s,
        is_on=after.is_up,
        facts={"job": news.job},
    )
    return state, (turn,)


_BASES = {"last hour": "the hour before", "last night": "the day before", "learnt": "other hours"}


# --- carriers -------------------------------------------------------------------------------------


def _present(watch: Watch, state: WatchState, news: News, now_s: float) -> Seen:
    if isinstance(news, ChannelNews):
        if not (watch.is_of(news.job) and news.name in watch.channels):
            return state, ()
        turn = _carrier_turn(news.job, news.name, "heard", news.since_s, news.is_busy)
        return state, (replace(turn, is_known=news.is_known),)
    if not isinstance(news, PassNews) or not watch.is_of(news.job) or watch.channels:
        return state, ()
    if not news.is_listening or news.job in state.deaf:
        return state, ()
    name = _name(watch, news.job)
    key = f"{news.job}|{name}"
    ear = state.ears.get(key, Ear())
    if _hears(watch, news):
        since_s = ear.since_s if ear.is_up else news.at_s
        ear = replace(ear, is_up=True, missed=0, heard_s=news.at_s, since_s=since_s)
        turns = (_carrier_turn(news.job, name, "heard", since_s, True),)
        return _with_ear(state, key, ear), turns
    if not ear.is_up:
        return state, ()
    ear = replace(ear, missed=ear.missed + 1)
    if ear.missed < IN_A_ROW:
        return _with_ear(state, key, ear), ()
    ended_s = ear.heard_s or news.at_s
    state = _with_ear(state, key, replace(ear, is_up=False, missed=0))
    return state, (_carrier_turn(news.job, name, "heard", ended_s, False),)


def _absent(watch: Watch, state: WatchState, news: News, now_s: float) -> Seen:
    if isinstance(news, ChannelNews):
        if not (watch.is_of(news.job) and news.name in watch.channels):
            return state, ()
        return _was_heard(watch, state, news.job, news.name, news.at_s, news.is_busy)
    if not isinstance(news, PassNews) or not watch.is_of(news.job):
        return state, ()
    if not news.is_listening or news.job in state.deaf:
        return state, ()
    turns: list[Turn] = []
    names = sorted(watch.channels) or [_name(watch, news.job)]
    for name in names:
        key = f"{news.job}|{name}"
        ear = state.ears.get(key, Ear(since_s=news.at_s))
        is_heard = ear.is_up if watch.channels else _hears(watch, news)
        if is_heard:
            state, more = _was_heard(watch, state, news.job, name, news.at_s, bool(watch.channels))
            turns += more
            continue
        ear = _listened(watch, ear, news)
        state = _with_ear(state, key, ear)
        if ear.listened_s >= watch.silent_s:
            since_s = ear.since_s if ear.heard_s is None else ear.heard_s
            turns.append(_carrier_turn(news.job, name, "silent", since_s, True))
    return state, tuple(turns)


def _was_heard(
    watch: Watch, state: WatchState, job: str, name: str, at_s: float, is_busy: bool
) -> Seen:
    """Listening for it begins anew; that it is free again only says so."""
    key = f"{job}|{name}"
    ear = state.ears.get(key, Ear(since_s=at_s))
    if not is_busy and watch.channels:
        return _with_ear(state, key, replace(ear, is_up=False)), ()
    ear = replace(ear, heard_s=at_s, listened_s=0.0, pass_s=at_s, since_s=at_s, is_up=is_busy)
    return _with_ear(state, key, ear), (_carrier_turn(job, name, "silent", at_s, False),)


def _listened(watch: Watch, ear: Ear, news: PassNews) -> Ear:
    """One more pass that did not hear it. A longer pause than the job's own is no listening."""
    passed_s = 0.0 if ear.pass_s is None else max(0.0, news.at_s - ear.pass_s)
    if passed_s > watch.gap_s.get(news.job, 60.0):
        passed_s = 0.0
    return replace(ear, listened_s=ear.listened_s + passed_s, pass_s=news.at_s)


def _with_ear(state: WatchState, key: str, ear: Ear) -> WatchState:
    return replace(state, ears={**state.ears, key: ear})


def _name(watch: Watch, job: str) -> str:
    return job if watch.frequency_hz is None else frequency_text(watch.frequency_hz)


def _hears(watch: Watch, news: PassNews) -> bool:
    """Whether this pass heard the carrier: of kind carrier the job's own, else a signal there."""
    if watch.frequency_hz is None:
        return bool(news.summary.get("heard"))
    for signal in news.summary.get("signals", ()):
        at_hz = signal.get("peak_hz")
        if at_hz is None or signal.get("residual"):
            continue
        half_hz = max(watch.within_hz, (signal.get("width_hz") or 0.0) / 2.0)
        if abs(at_hz - watch.frequency_hz) <= half_hz:
            return True
    return False


def _carrier_turn(job: str, name: str, word: str, since_s: float, is_on: bool) -> Turn:
    what = name if name == job or "Hz" in name else f"channel {name}"
    told = {
        ("heard", True): "is heard",
        ("heard", False): "is not heard any more",
        ("silent", True): "is silent",
        ("silent", False): "is heard again",
    }[word, is_on]
    headline = f"{what} {told}"
    facts = {"job": job} if name == job else {"job": job, "channel": name}
    return Turn(
        subject=f"{job}|{name}",
        headline=headline,
        text=headline if name == job else f"{headline} ({job})",
        since_s=since_s,
        is_on=is_on,
        facts=facts,
    )


_SEERS: Mapping[str, Callable[[Watch, WatchState, News, float], Seen]] = {
    "finding": _finding,
    "verdict": _verdict,
    "channel busy": _busy,
    "carrier present": _present,
    "carrier absent": _absent,
    "floor up": _floor,
    "deaf": _deaf,
    "sweeper lost": _sweeper,
    "disk": _disk,
}
