"""Every topic of a station, in one place: names, delivery, and what travels on them.

Levels are lower case letters, digits, ``_`` and ``-``, at most 32 of them, so that no wildcard, no
space and no text of a user ever gets into a topic. The table :data:`CHANNELS` is what the client
publishes by, what the AsyncAPI document is made from and what docs/messages.md is checked against.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = [
    "ANSWER",
    "CHANNELS",
    "COMMAND",
    "DEFAULT_ROOT",
    "LEVEL_PATTERN",
    "PARAMETERS",
    "TRIAL",
    "TopicSpec",
    "Topics",
    "checked_level",
    "station_writes",
    "topic_level",
]

DEFAULT_ROOT = "acqd"
"""What all topics begin with; a config may say otherwise (``topic_root``)."""

TRIAL = "probe"
"""Below a station's name: what an account is tried with. It says nothing, and nobody keeps it."""

COMMAND, ANSWER = "command", "command/answer"
"""Below a station's name: where others tell it to do something, and where it answers them."""

LEVEL_PATTERN = r"^[a-z0-9_-]{1,32}$"
_LEVEL = re.compile(r"[a-z0-9_-]{1,32}\Z")
_ROOT = re.compile(r"[A-Za-z0-9_-]{1,32}(/[A-Za-z0-9_-]{1,32}){0,3}\Z")

PARAMETERS = {
    "station": "Name of the station, from its config.",
    "sweeper": "Name of a sweeper in the config.",
    "job": "Name of a job in the config.",
    "channel": "Key of a channel in the job's channel plan.",
    "figure": "Name of a figure; it ends in its unit, as in floor_dbm.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TopicSpec:
    """One kind of topic. ``pattern`` is what follows the root, parameters in braces."""

    name: str
    pattern: str
    qos: int
    retain: bool
    messages: tuple[str, ...]
    """Names of message models in :mod:`acqd.publish.messages`; ``Value`` is a bare number."""
    summary: str
    received: bool = False
    """Whether others say it and the station hears it."""

    def matches(self, rest: str) -> bool:
        """True where ``rest``, a topic without its root, is one of this kind."""
        mine, its = self.pattern.split("/"), rest.split("/")
        return len(mine) == len(its) and all(
            bool(_LEVEL.match(b)) if a.startswith("{") else a == b
            for a, b in zip(mine, its, strict=True)
        )


_STATION = "{station}"
_JOB = _STATION + "/job/{job}"

CHANNELS: tuple[TopicSpec, ...] = (
    TopicSpec(
        name="status",
        pattern=_STATION + "/status",
        qos=1,
        retain=True,
        messages=("StationStatus",),
        summary="Whether the station is there; the broker says offline where it cannot.",
    ),
    TopicSpec(
        name="stationFinding",
        pattern=_STATION + "/finding",
        qos=1,
        retain=False,
        messages=("Finding", "CatchUp"),
        summary="Findings about the station itself: a sweeper lost, a full disk.",
    ),
    TopicSpec(
        name="sweeper",
        pattern=_STATION + "/sweeper/{sweeper}",
        qos=1,
        retain=True,
        messages=("SweeperState",),
        summary="Whether a sweeper is there, and who it says it is.",
    ),
    TopicSpec(
        name="state",
        pattern=_JOB + "/state",
        qos=1,
        retain=True,
        messages=("JobState",),
        summary="Whether a job is listening, and since when.",
    ),
    TopicSpec(
        name="summary",
        pattern=_JOB + "/summary",
        qos=0,
        retain=False,
        messages=("Summary",),
        summary="The numbers made from one pass. Live: newest only.",
    ),
    TopicSpec(
        name="trace",
        pattern=_JOB + "/trace",
        qos=0,
        retain=False,
        messages=("Trace",),
        summary="A sweep reduced to fewer points that keep its peaks. Live: newest only.",
    ),
    TopicSpec(
        name="finding",
        pattern=_JOB + "/finding",
        qos=1,
        retain=False,
        messages=("Finding", "CatchUp"),
        summary="What a job noticed, numbered without gaps, kept until acknowledged.",
    ),
    TopicSpec(
        name="verdict",
        pattern=_JOB + "/verdict",
        qos=1,
        retain=True,
        messages=("Verdict",),
        summary="The last verdict of a soak or an emission check.",
    ),
    TopicSpec(
        name="report",
        pattern=_JOB + "/report",
        qos=1,
        retain=True,
        messages=("ReportMade",),
        summary="The last report that was made of a job's night.",
    ),
    TopicSpec(
        name="occupancy",
        pattern=_JOB + "/occupancy",
        qos=1,
        retain=True,
        messages=("Occupancy",),
        summary="Occupancy of the hour that ended last.",
    ),
    TopicSpec(
        name="channel",
        pattern=_JOB + "/channel/{channel}",
        qos=1,
        retain=True,
        messages=("ChannelState",),
        summary="Whether a channel is busy or free, and when it was last heard.",
    ),
    TopicSpec(
        name="value",
        pattern=_JOB + "/value/{figure}",
        qos=0,
        retain=True,
        messages=("Value",),
        summary="One figure as a bare number, for things that want nothing else.",
    ),
    TopicSpec(
        name="command",
        pattern=f"{_STATION}/{COMMAND}",
        qos=1,
        retain=False,
        messages=("Command",),
        summary="What others ask a station whose config lets them; off by default.",
        received=True,
    ),
    TopicSpec(
        name="commandAnswer",
        pattern=f"{_STATION}/{ANSWER}",
        qos=1,
        retain=False,
        messages=("CommandAnswer",),
        summary="What the station did of a command, or why it did not.",
    ),
)


def station_writes() -> tuple[str, ...]:
    """Filters, below its own name, of all that a station writes: what an account of it may, and
    nothing else there. Its commands are not among them."""
    found = [TRIAL, ANSWER]
    for spec in CHANNELS:
        first, *more = spec.pattern.split("/")[1:]
        if first != COMMAND:
            found.append(f"{first}/#" if more else first)
    return tuple(dict.fromkeys(sorted(found)))


def checked_level(text: str) -> str:
    """``text`` if it may be a level of a topic.

    Raises:
        ValueError: it may not; the sentence says what is accepted.
    """
    if not _LEVEL.match(text):
        raise ValueError(
            f"topic level {text!r}: expected 1 to 32 of lower case letters, digits, _ and -"
        )
    return text


def topic_level(text: str) -> str:
    """``text`` made fit for a level: lower case, everything else a dash, cut to 32.

    Two texts may give one level; whoever names topics by it must look out for that.
    """
    kept = re.sub(r"[^a-z0-9_-]+", "-", text.lower()).strip("-")[:32].rstrip("-")
    return kept or "unnamed"


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics of one station. Every method raises ValueError for a name that cannot be one."""

    station: str
    root: str = DEFAULT_ROOT

    def __post_init__(self) -> None:
        checked_level(self.station)
        if not _ROOT.match(self.root):
            raise ValueError(
                f"topic root {self.root!r}: expected levels of A-Z a-z 0-9 _ - with / between"
            )

    @property
    def base(self) -> str:
        return f"{self.root}/{self.station}"

    @property
    def everything(self) -> str:
        """The filter that matches all of this station's topics."""
        return f"{self.base}/#"

    @property
    def status(self) -> str:
        return f"{self.base}/status"

    @property
    def station_finding(self) -> str:
        return f"{self.base}/finding"

    @property
    def command(self) -> str:
        return f"{self.base}/{COMMAND}"

    @property
    def command_answer(self) -> str:
        return f"{self.base}/{ANSWER}"

    def sweeper(self, name: str) -> str:
        return f"{self.base}/sweeper/{checked_level(name)}"

    def state(self, job: str) -> str:
        return f"{self._job(job)}/state"

    def summary(self, job: str) -> str:
        return f"{self._job(job)}/summary"

    def trace(self, job: str) -> str:
        return f"{self._job(job)}/trace"

    def finding(self, job: str | None) -> str:
        """The finding topic of ``job``, or of the station itself for None."""
        return self.station_finding if job is None else f"{self._job(job)}/finding"

    def verdict(self, job: str) -> str:
        return f"{self._job(job)}/verdict"

    def report(self, job: str) -> str:
        return f"{self._job(job)}/report"

    def occupancy(self, job: str) -> str:
        return f"{self._job(job)}/occupancy"

    def channel(self, job: str, channel: str) -> str:
        return f"{self._job(job)}/channel/{checked_level(channel)}"

    def value(self, job: str, figure: str) -> str:
        return f"{self._job(job)}/value/{checked_level(figure)}"

    def _job(self, job: str) -> str:
        return f"{self.base}/job/{checked_level(job)}"

    def spec_of(self, topic: str) -> TopicSpec | None:
        """The kind that ``topic`` is of, or None where it is none of a station's."""
        rest = topic.removeprefix(f"{self.root}/")
        return next((spec for spec in CHANNELS if spec.matches(rest)), None)
