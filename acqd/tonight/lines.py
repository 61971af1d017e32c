"""What somebody sees on the terminal during the night: a watchkeeper's lines, few of them.

Fed with the station's news, and with its log for what is no finding. Signals are told when they
are over, or when they have been up for a while; at most a few lines a minute, then how many more
there were. What may cost the night (deaf, a sweeper lost, no room) is told always.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Mapping, MutableMapping
from dataclasses import dataclass
from typing import Any

from acqd.alerts.news import FindingNews, JobNews, News, PassNews
from acqd.clock import Clock
from acqd.look.times import clock as clock_text

__all__ = ["NightLines"]

MOST_A_MINUTE = 4
"""Ordinary lines; the rest of the minute is counted."""

STILL_THERE_S = 60.0
"""A signal that has been up so long is told before it ends."""

STATUS_EVERY_S = 900.0
HELD_MOST = 256
SAME_AGAIN_S = 600.0
SAME_MOST = 100

ORDINARY = ("signal_", "signals_", "floor_", "carrier_")
"""How the words begin of what a band does by itself; everything else is told always."""

QUIET_STATES = ("listening", "idle", "deaf", "waiting for its sweeper")
"""States of a job that are no news, or that a finding tells."""

TOLD_OTHERWISE = frozenset(
    (
        *("sweeper_lost", "sweeper_away", "sweeper_is_another", "sweeper_moved", "host_slept"),
        *(
            "clock_corrected",
            "clock_stepped",
            "archive_trouble",
            "finding_not_kept",
            "nights_removed",
            "report_failed",
            "request_refused",
        ),
        *("job_waits", "not_ready", "not_put_back", "input_near_maximum", "no_live_page"),
    )
)
"""Lines of the log that a finding, a state or the plan tells in better words."""

IN_WORDS = {"cannot_keep": "sweeps cannot be kept"}
"""What the log's own word says too briefly. No finding tells this one: there is no room for it."""

REASONS = ("text", "problem", "why", "reason", "choice")


@dataclass(slots=True)
class _Job:
    """What was kept of one job since the night began."""

    hours: dict[int, tuple[int, int]]
    """By hour of UTC: stored and due sweeps of it, as the last pass said."""
    last_s: float = -math.inf

    @property
    def stored(self) -> int:
        return sum(stored for stored, _ in self.hours.values())

    @property
    def due(self) -> int:
        return sum(due for _, due in self.hours.values())


class NightLines:
    """Gives each line, without its end, to ``write``.

    Args:
        titles: what jobs are called, by name.
        zone: whose clock the lines have.
    """

    def __init__(
        self, write: Callable[[str], None], *, titles: Mapping[str, str], zone: str, clock: Clock
    ) -> None:
        self._write = write
        self._titles = dict(titles)
        self._zone = zone
        self._clock = clock
        self._width = max((len(title) for title in titles.values()), default=0)
        self._jobs: dict[str, _Job] = {}
        self._held: dict[tuple[str | None, object, object], list[FindingNews]] = {}
        self._minute = -1
        self._told_in_minute = 0
        self._more = 0
        self._findings = 0
        self._status_at = self._quarter(clock.wall_s())
        self._states: dict[str, str] = {}
        self._said: dict[str, float] = {}
        self._lock = threading.RLock()

    # -- what comes in --------------------------------------------------------------------------

    def hear(self, news: News) -> None:
        """One piece of news of the station; see :data:`acqd.alerts.news.Listener`."""
        with self._lock:
            if isinstance(news, FindingNews):
                self._finding(news)
            elif isinstance(news, PassNews):
                self._passed(news)
            elif isinstance(news, JobNews):
                self._state(news)
            self._tick()

    def log(self, _logger: object, name: str, event: MutableMapping[str, Any]) -> str | None:
        """What a line of the log comes to here: a line to show, or None. ``name`` is its level."""
        what = str(event.get("event", ""))
        with self._lock:
            if what == "live_page":
                return self._dated(f"the live page: {event.get('url', '')}")
            if name not in ("warning", "error", "critical") or what in TOLD_OTHERWISE:
                return None
            reason = next((str(event[key]) for key in REASONS if event.get(key)), "")
            text = reason if event.get("text") else IN_WORDS.get(what, what.replace("_", " "))
            text += f": {reason}" if reason and not event.get("text") else ""
            return self._dated(text) if self._is_new(text) else None

    def end(self) -> None:
        """The last lines: what was counted and not told yet."""
        with self._lock:
            self._tell_more()
            self._tell_status()

    # -- findings -------------------------------------------------------------------------------

    def _finding(self, news: FindingNews) -> None:
        self._findings += 1
        if news.what == "signal_appeared":
            if len(self._held) < HELD_MOST:
                self._held.setdefault(_place(news), []).append(news)
            return
        if news.what == "signals_appeared":
            return
        if news.what == "signal_ended":
            held = self._held.pop(_place(news), [])
            if len(held) > 1:
                self._held[_place(news)] = held[1:]
        if news.what == "signals_ended":
            self._more += int(news.figures.get("count") or 0)
            return
        if news.what.startswith(ORDINARY):
            self._ordinary(news, news.text)
        else:
            self._always(news.job, news.at_s, news.text)

    def _ordinary(self, news: FindingNews, text: str, *, at_s: float | None = None) -> None:
        self._turn_minute()
        if self._told_in_minute < MOST_A_MINUTE:
            self._told_in_minute += 1
            self._always(news.job, news.at_s if at_s is None else at_s, text)
        else:
            self._more += 1

    def _turn_minute(self) -> None:
        minute = math.floor(self._clock.wall_s() / 60.0)
        if minute != self._minute:
            self._tell_more()
            self._minute, self._told_in_minute = minute, 0

    def _tell_more(self) -> None:
        if self._more:
            some = "1 more finding" if self._more == 1 else f"{self._more} more findings"
            self._write(f"       and {some}, all of them in the report")
            self._more = 0

    # -- states and passes ----------------------------------------------------------------------

    def _state(self, news: JobNews) -> None:
        before = self._states.get(news.job)
        now = "" if news.state in QUIET_STATES else f"{news.state}: {news.reason}".rstrip(": ")
        self._states[news.job] = now
        if now and now != before:
            self._always(news.job, news.since_s, now)
        elif before and not now and news.state == "listening":
            self._always(news.job, news.since_s, "goes on listening")

    def _passed(self, news: PassNews) -> None:
        first = news.job not in self._jobs
        job = self._jobs.setdefault(news.job, _Job(hours={}))
        job.last_s = max(job.last_s, news.at_s)
        stored, due = news.summary.get("stored"), news.summary.get("due")
        if isinstance(stored, int) and isinstance(due, int):
            job.hours[math.floor(news.at_s / 3600.0)] = (stored, due)
        if first:
            self._always(news.job, news.at_s, "listening, the first sweep is kept")

    def _tick(self) -> None:
        now_s = self._clock.wall_s()
        self._turn_minute()
        for key, held in list(self._held.items()):
            still = [one for one in held if now_s - _since_s(one) >= STILL_THERE_S]
            for one in still:
                since = clock_text(_since_s(one), self._zone)
                self._ordinary(one, f"{one.text}; there since {since}", at_s=now_s)
            rest = [one for one in held if one not in still]
            if rest:
                self._held[key] = rest
            else:
                del self._held[key]
        if now_s >= self._status_at:
            self._status_at = self._quarter(now_s)
            self._tell_status()

    def _quarter(self, now_s: float) -> float:
        return (math.floor(now_s / STATUS_EVERY_S) + 1.0) * STATUS_EVERY_S

    def _tell_status(self) -> None:
        if not self._jobs:
            self._write(self._dated("nothing was swept yet"))
            return
        parts = [
            f"{self._titles.get(name, name)} {job.stored:,} of {job.due:,} sweeps"
            if job.due
            else f"{self._titles.get(name, name)} swept"
            for name, job in self._jobs.items()
        ]
        last_s = max(job.last_s for job in self._jobs.values())
        last = clock_text(last_s, self._zone, seconds=True)
        found = "1 finding" if self._findings == 1 else f"{self._findings:,} findings"
        self._write(self._dated(f"kept {', '.join(parts)}; the last at {last}; {found} so far"))

    # -- words ----------------------------------------------------------------------------------

    def _always(self, job: str | None, at_s: float, text: str) -> None:
        title = "" if job is None else self._titles.get(job, job)
        beside = f"{title:<{self._width}}  " if title and len(self._titles) > 1 else ""
        self._write(f"{clock_text(at_s, self._zone)}  {beside}{text}")

    def _dated(self, text: str) -> str:
        return f"{clock_text(self._clock.wall_s(), self._zone)}  {text}"

    def _is_new(self, text: str) -> bool:
        """Whether this was not said lately: what fails each second is said now and then."""
        now_s = self._clock.monotonic_s()
        if now_s - self._said.get(text, -math.inf) < SAME_AGAIN_S:
            return False
        if len(self._said) >= SAME_MOST:
            self._said.clear()
        self._said[text] = now_s
        return True


def _since_s(news: FindingNews) -> float:
    since_s = news.figures.get("since_s")
    return float(since_s) if isinstance(since_s, (int, float)) else news.at_s


def _place(news: FindingNews) -> tuple[str | None, object, object]:
    """What an appearance and its end have in common."""
    return news.job, news.figures.get("channel"), _since_s(news)
