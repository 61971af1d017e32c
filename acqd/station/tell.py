"""Turns what was committed into messages. Nothing here is called before the commit (G1)."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

import structlog

from acqd import __version__
from acqd.alerts.news import HealthNews, JobNews, SweeperNews
from acqd.archive.records import FindingRecord, GapRecord, HourlyRecord, SweepRecord
from acqd.clock import Clock
from acqd.measure.meter import FindingDraft, Output
from acqd.publish.client import Payload, Publisher, PublisherStatistics
from acqd.publish.messages import (
    ChannelOccupancy,
    ChannelState,
    Finding,
    Health,
    JobState,
    Occupancy,
    ReportMade,
    StationStatus,
    SweeperIdentity,
    SweeperState,
    Verdict,
    rfc3339,
    value_payload,
)
from acqd.publish.outbox import Outbox
from acqd.publish.settings import BrokerSettings
from acqd.publish.topics import Topics
from acqd.station.feed import HOUR_S, SetupView, hour_start_s
from acqd.station.listeners import STATION, Listeners
from acqd.station.live import SweepNews
from acqd.station.losses import Losses
from acqd.sweep import Identity

if TYPE_CHECKING:
    from acqd.station.job import JobRunner

__all__ = ["STATION", "Messenger", "Teller", "one_line"]

STATE_EVERY_S = 30.0
"""A job's state is told when it changes, and its counts at most this often."""

LONG_FIGURES = (
    "fco_dependent_low",
    "fco_dependent_high",
    "total_fco",
    "total_dependent_low",
    "total_dependent_high",
    "hours_more_for_10_percent",
    "busy_hour_fco",
    "busy_hour_from_s",
)
"""Of a channel's hour, as the meter and the message both call them."""

TEXT_MOST = 1000
"""Characters of a sentence. Drivers and sweepers bring in texts of any length and kind."""


class Messenger(Protocol):
    """Whoever takes the messages; the methods are those of :class:`Publisher`, which does."""

    def live(self, topic: str, payload: Payload) -> None: ...

    def retain(self, topic: str, payload: bytes) -> None: ...

    def findings_waiting(self) -> None: ...

    def hurry(self) -> None: ...

    def statistics(self) -> PublisherStatistics: ...

    async def run(self) -> None: ...

    async def close(self, last_status: bytes, *, within_s: float) -> bool: ...


@runtime_checkable
class _TellsChannels(Protocol):
    """A meter that knows channels."""

    def channel_states(self, state: Any) -> Mapping[str, Mapping[str, Any]]: ...


@runtime_checkable
class _HasVerdict(Protocol):
    """A meter that gives verdicts."""

    def verdict(self, state: Any) -> Mapping[str, Any] | None: ...


@dataclass(slots=True)
class _JobFace:
    """What was last told of one job."""

    state: str = "waiting for its sweeper"
    since_s: float = 0.0
    reason: str = ""
    told_s: float = -math.inf
    due: int = 0
    stored: int = 0
    coverage: float | None = None
    hour_s: float | None = None
    """The UTC hour that ``due`` and ``stored`` are of; None before the first sweep of this run."""
    swept_s: float | None = None
    finding: str = ""
    finding_s: float | None = None

    def missed(self, gap: GapRecord) -> None:
        """Count due sweeps that were not taken: while none are, no summary does it."""
        hour_s = hour_start_s(gap.to_s)
        if self.hour_s is None or hour_s < self.hour_s or not gap.count:
            return
        if hour_s > self.hour_s:
            self.hour_s, self.due, self.stored = hour_s, 0, 0
        self.due += _due_since(hour_s, gap)
        self.coverage = self.stored / self.due


def _due_since(at_s: float, gap: GapRecord) -> int:
    """How many of the due times of a gap, which lie evenly, are not before ``at_s``."""
    if gap.from_s >= at_s or gap.count < 2:
        return gap.count
    step_s = (gap.to_s - gap.from_s) / (gap.count - 1)
    return min(gap.count, math.floor((gap.to_s - at_s) / step_s) + 1)


class Teller:
    """All messages of one station. Without a broker it only words findings."""

    def __init__(
        self,
        *,
        station: str,
        title: str,
        run_id: str,
        clock: Clock,
        topics_root: str,
        trace_points: int,
        sweepers: Sequence[str],
        drivers: Mapping[str, str],
        jobs: Sequence[str],
    ) -> None:
        self._common = {"station": station, "run_id": run_id}
        self._title = title
        self._clock = clock
        self._topics = Topics(station, topics_root)
        self._trace_points = trace_points
        self._sweepers = tuple(sweepers)
        self._drivers = dict(drivers)
        self._jobs = tuple(jobs)
        self._publisher: Messenger | None = None
        self._since_s = clock.wall_s()
        self._faces: dict[str, _JobFace] = {}
        self.losses = {name: Losses(self._since_s) for name in jobs}
        """What each job lost, as far as it is committed."""
        self._sweeper_faces: dict[str, SweeperState] = {}
        self._health: Callable[[], Health] | None = None
        self._log = structlog.get_logger()
        self.listeners = Listeners()
        """Told of everything after its commit, in the station's loop; they must return at once."""
        self.sweeps = 0
        self.findings = 0

    # -- the connection -------------------------------------------------------------------------

    def connect(
        self,
        settings: BrokerSettings | None,
        outbox: Outbox,
        instead: Callable[[Outbox], Messenger] | None = None,
    ) -> Messenger | None:
        """Make the publisher, or what there is ``instead``; its ``run`` is for the station to
        start."""
        if instead is not None:
            self._publisher = instead(outbox)
            return self._publisher
        if settings is None:
            return None
        self._publisher = Publisher(
            station=self._topics.station,
            run_id=self._common["run_id"],
            settings=settings,
            outbox=outbox,
            log=structlog.get_logger(),
            will=self._status("offline", "the connection was lost"),
            clock=self._clock,
        )
        return self._publisher

    @property
    def publisher(self) -> Messenger | None:
        return self._publisher

    def health_from(self, health: Callable[[], Health]) -> None:
        self._health = health

    def station_up(self) -> None:
        """Tell that the station is there, with how it is doing."""
        self._retain(self._topics.status, self._status("online", ""))
        if self._health is not None and self.listeners:
            health = self._health()
            self.listeners.hear(
                HealthNews(
                    at_s=self._clock.wall_s(),
                    disk_free_bytes=health.disk_free_bytes,
                    archive_problem=health.archive_problem,
                )
            )

    async def station_down(self, within_s: float) -> bool:
        """Send the findings that wait and say goodbye; whether the broker, if any, has it."""
        if self._publisher is None:
            return True
        return await self._publisher.close(self._status("offline", "stopped"), within_s=within_s)

    def status(self) -> dict[str, Any]:
        """All that is known at the moment, as plain JSON data, for the commands of this machine."""
        return {
            **self._common,
            "title": self._title,
            "version": __version__,
            "since_s": self._since_s,
            "now_s": self._clock.wall_s(),
            "sweepers": [
                self._sweeper_faces[name].model_dump(exclude={"station", "run_id", "schema_"})
                for name in self._sweepers
                if name in self._sweeper_faces
            ],
            "jobs": [self._job_status(name) for name in self._jobs],
            "health": None if self._health is None else self._health().model_dump(),
        }

    @property
    def since_s(self) -> float:
        """Start of this run."""
        return self._since_s

    def swept_s(self, job: str) -> float | None:
        """Start of the job's last sweep that was kept in this run."""
        face = self._faces.get(job)
        return None if face is None else face.swept_s

    def sweeper_face(self, name: str) -> SweeperState | None:
        """What was last told of a sweeper."""
        return self._sweeper_faces.get(name)

    def _job_status(self, name: str) -> dict[str, Any]:
        told = asdict(self._faces.get(name, _JobFace()))
        del told["told_s"]
        return {"job": name, **told}

    # -- findings -------------------------------------------------------------------------------

    def finding_topic(self, job: str) -> str:
        return self._topics.finding(None if job == STATION else job)

    def finding_message(self, job: str, number: int, draft: FindingDraft) -> bytes:
        """The payload that is committed with the finding, so that it can be sent again alike."""
        message = Finding.model_validate(
            {
                **self._common,
                "job": None if job == STATION else job,
                "number": number,
                "what": draft.what,
                "at": rfc3339(draft.at_s),
                "at_s": draft.at_s,
                "text": draft.text,
                "seq": draft.seq,
                "figures": {key: _finite(value) for key, value in draft.figures.items()},
            }
        )
        return message.to_json()

    def findings_waiting(self, *kept: FindingRecord) -> None:
        """Findings were committed; ``kept`` are those of the station itself."""
        if self._publisher is not None:
            self._publisher.findings_waiting()
        for record in kept:
            self.listeners.finding(record)

    # -- sweepers -------------------------------------------------------------------------------

    def sweeper(
        self,
        name: str,
        state: str,
        *,
        identity: Identity | None = None,
        problem: str | None = None,
        driver: Mapping[str, Any] | None = None,
    ) -> None:
        """Tell whether a sweeper is there: ``present``, ``away``, ``busy`` or ``fault``; and how
        its ``driver`` is, by fields of the message."""
        now_s = self._clock.wall_s()
        message = SweeperState.model_validate(
            {
                **self._common,
                "sweeper": name,
                "driver": self._drivers.get(name, ""),
                "state": state,
                "since": rfc3339(now_s),
                "since_s": now_s,
                "identity": None
                if identity is None
                else SweeperIdentity(
                    maker=identity.maker,
                    model=identity.model,
                    serial_number=identity.serial_number,
                    firmware=identity.firmware,
                    location=identity.location,
                    doubtful=identity.is_doubtful,
                ),
                "last_error": None if problem is None else one_line(problem),
                **(driver or {}),
            }
        )
        self._sweeper_faces[name] = message
        self._retain(self._topics.sweeper(name), message.to_json())
        told = message.last_error or ""
        self.listeners.hear(SweeperNews(sweeper=name, state=state, problem=told, since_s=now_s))

    # -- jobs -----------------------------------------------------------------------------------

    def job_state(
        self, job: JobRunner, state: str, reason: str = "", *, since_s: float | None = None
    ) -> None:
        """Tell what a job is doing, if that is news; since now where ``since_s`` does not say."""
        face = self._faces.setdefault(job.name, _JobFace(since_s=self._clock.wall_s()))
        if (face.state, face.reason) != (state, one_line(reason)) or face.told_s == -math.inf:
            face.state, face.reason = state, one_line(reason)
            face.since_s = self._clock.wall_s() if since_s is None else since_s
            self._tell_state(job, face)
            self.listeners.hear(
                JobNews(job=job.name, state=state, reason=face.reason, since_s=face.since_s)
            )

    def tell(
        self,
        job: JobRunner,
        told: Sequence[tuple[SweepRecord | None, SetupView | None, Output]],
        *,
        hourly: Sequence[HourlyRecord],
        findings: Sequence[FindingRecord],
        gaps: Sequence[GapRecord] = (),
    ) -> None:
        """Everything that one commit brought out, after it."""
        self.sweeps += sum(record is not None for record, _, _ in told)
        self.findings += len(findings)
        losses = self.losses.setdefault(job.name, Losses(self._since_s))
        losses.kept(sum(record is not None for record, _, _ in told), self._clock.wall_s())
        for gap in gaps:
            losses.note(gap)
        face = self._faces.setdefault(job.name, _JobFace(since_s=self._clock.wall_s()))
        if findings:
            face.finding, face.finding_s = findings[-1].text, findings[-1].at_s
        last: tuple[SweepRecord, SetupView, Output] | None = None
        for record, view, output in told:
            if record is not None:
                face.swept_s = record.started_s
            if record is not None and view is not None and output.summary is not None:
                last = (record, view, output)
        if last is not None:
            summary = last[2].summary or {}
            face.stored, face.due = int(summary["stored"]), int(summary["due"])
            face.coverage = summary["coverage"]
            face.hour_s = hour_start_s(last[0].due_s)
        else:
            for gap in gaps:
                face.missed(gap)
        if self.listeners:
            self.listeners.commit(
                job,
                told,
                last,
                hourly=hourly,
                findings=findings,
                now_s=self._clock.wall_s(),
            )
        if self._publisher is None:
            return
        for record, _, output in told:
            for channel in output.channels.values():
                self._channel(job, channel, record)
            if record is not None and output.hourly:
                # Hours that had turned before it was known that nobody heard; the newest is held.
                corrected = output.hourly[-1]
                self._occupancy(
                    job,
                    HourlyRecord(
                        job=job.name,
                        hour_start_s=corrected.hour_start_s,
                        figures=corrected.figures,
                    ),
                )
            if output.verdict is not None:
                self._verdict(job, output.verdict)
        if last is not None:
            self._live(job, *last)
        for hour in hourly:
            self._occupancy(job, hour)
        if findings or self._clock.monotonic_s() - face.told_s >= STATE_EVERY_S:
            self._tell_state(job, face)
        if findings:
            self._publisher.findings_waiting()

    def retained_again(self, job: JobRunner) -> None:
        """Retain what was told before a restart: each channel's state, and the last verdict.

        A meter tells changes only, and a broker may have lost what it was told before.
        """
        meter = job.spec.feed.meter
        if self._publisher is None and not self.listeners:
            return
        try:
            if isinstance(meter, _TellsChannels):
                for channel in meter.channel_states(job.state.meter).values():
                    self.listeners.channel(job.name, channel, self._clock.wall_s(), again=True)
                    self._channel(job, channel, None)
            if isinstance(meter, _HasVerdict):
                verdict = meter.verdict(job.state.meter)
                if verdict is not None:
                    self.listeners.verdict(job.name, verdict, again=True)
                    self._verdict(job, verdict)
        except Exception as exc:
            # As with all that is told: a fault of ours costs no sweep.
            self._log.error("message_not_made", job=job.name, exc_info=exc)

    def report(self, job: str, made: Mapping[str, Any]) -> None:
        """Tell of a report that was made; ``made`` as :class:`ReportMade` has it, without texts."""
        message = ReportMade.model_validate(
            {
                **self._common,
                "job": job,
                **made,
                "at": rfc3339(made["at_s"]),
                "from": rfc3339(made["from_s"]),
                "to": rfc3339(made["to_s"]),
            }
        )
        self._retain(self._topics.report(job), message.to_json())

    # -- inside ---------------------------------------------------------------------------------

    def _live(self, job: JobRunner, record: SweepRecord, view: SetupView, output: Output) -> None:
        publisher, topics = self._publisher, self._topics
        assert publisher is not None
        news = SweepNews(
            common=self._common,
            kind=job.spec.kind,
            sweeper=job.spec.sweeper,
            record=record,
            view=view,
            summary=output.summary or {},
            curve=output.curve,
            trace_points=self._trace_points,
        )
        publisher.live(topics.summary(job.name), news.summary_json)
        for figure, value in output.values.items():
            if math.isfinite(value):
                publisher.retain(topics.value(job.name, figure), value_payload(value))
        publisher.live(topics.trace(job.name), news.trace_json)

    def _channel(
        self, job: JobRunner, channel: Mapping[str, Any], record: SweepRecord | None
    ) -> None:
        if self._publisher is None:
            return
        heard_s = channel["last_heard_s"]
        level = next((v for k, v in channel.items() if k.startswith("level_")), None)
        message = ChannelState.model_validate(
            {
                **self._common,
                "job": job.name,
                "channel": channel["key"],
                "name": channel["channel"],
                "state": channel_state(channel),
                "since": rfc3339(channel["since_s"]),
                "since_s": channel["since_s"],
                "last_heard": None if heard_s is None else rfc3339(heard_s),
                "last_heard_s": heard_s,
                "level": level,
                "unit": channel["unit"],
                "seq": job.last_seq if record is None else record.seq,
            }
        )
        self._retain(self._topics.channel(job.name, channel["key"]), message.to_json())

    def _verdict(self, job: JobRunner, verdict: Mapping[str, Any]) -> None:
        if self._publisher is None:
            return
        message = Verdict.model_validate(
            {
                **self._common,
                "job": job.name,
                "kind": job.spec.kind,
                **verdict,
                "at": rfc3339(verdict["at_s"]),
                "since": rfc3339(verdict["since_s"]),
            }
        )
        self._retain(self._topics.verdict(job.name), message.to_json())

    def _occupancy(self, job: JobRunner, hour: HourlyRecord) -> None:
        figures = hour.figures
        if "due" not in figures or job.spec.kind != "band":
            return
        end_s = hour.hour_start_s + HOUR_S
        message = Occupancy.model_validate(
            {
                **self._common,
                "job": job.name,
                "hour_start": rfc3339(hour.hour_start_s),
                "hour_start_s": hour.hour_start_s,
                "hour_end": rfc3339(end_s),
                "hour_end_s": end_s,
                "due": figures["due"],
                "stored": figures["stored"],
                "coverage": figures["coverage"],
                "fbo": figures.get("fbo"),
                "sro": figures.get("sro"),
                "busy_hour_sro": figures.get("busy_hour_sro"),
                "busy_hour_from_s": figures.get("busy_hour_from_s"),
                "channels": tuple(
                    ChannelOccupancy(
                        channel=job.channel_key(one["channel"]),
                        name=one["channel"],
                        visits=one["visits"],
                        busy=one["hits"],
                        fco=one["fco"],
                        fco_low=one["fco_low"],
                        fco_high=one["fco_high"],
                        **{key: one.get(key) for key in LONG_FIGURES},
                    )
                    for one in figures.get("channels", ())
                ),
            }
        )
        self._retain(self._topics.occupancy(job.name), message.to_json())

    def _tell_state(self, job: JobRunner, face: _JobFace) -> None:
        face.told_s = self._clock.monotonic_s()
        message = JobState.model_validate(
            {
                **self._common,
                "job": job.name,
                "kind": job.spec.kind,
                "sweeper": job.spec.sweeper,
                "state": face.state,
                "reason": face.reason,
                "since": rfc3339(face.since_s),
                "since_s": face.since_s,
                "last_finding": job.last_finding,
                "finding": face.finding,
                "finding_at": None if face.finding_s is None else rfc3339(face.finding_s),
                "finding_at_s": face.finding_s,
                "last_seq": job.last_seq,
                "due": face.due,
                "stored": face.stored,
                "coverage": face.coverage,
            }
        )
        self._retain(self._topics.state(job.name), message.to_json())

    def _status(self, state: str, reason: str) -> bytes:
        now_s = self._clock.wall_s()
        message = StationStatus.model_validate(
            {
                **self._common,
                "state": state,
                "reason": reason,
                "at": rfc3339(now_s),
                "at_s": now_s,
                "since": rfc3339(self._since_s),
                "since_s": self._since_s,
                "version": __version__,
                "sweepers": self._sweepers,
                "jobs": self._jobs,
                "health": self._health() if self._health and state == "online" else None,
            }
        )
        return message.to_json()

    def _retain(self, topic: str, payload: bytes) -> None:
        if self._publisher is not None:
            self._publisher.retain(topic, payload)


def channel_state(channel: Mapping[str, Any]) -> str:
    """What is known of a channel, as its message says it."""
    if not channel.get("known", True):
        return "unknown"
    return "busy" if channel["busy"] else "free"


def one_line(text: str) -> str:
    """``text`` as it may stand in a message and a database: one line of printable characters."""
    line = " ".join(text.split())
    if len(line) > TEXT_MOST:
        line = f"{line[: TEXT_MOST - 2]} …"
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in line)


def _finite(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value
