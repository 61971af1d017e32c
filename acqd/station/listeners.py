"""Those beside the sweeping who are told what was committed, and cost nothing when they fall."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import structlog

from acqd.alerts.news import (
    ChannelNews,
    FindingNews,
    HourNews,
    Listener,
    News,
    PassNews,
    VerdictNews,
)
from acqd.archive.records import FindingRecord, HourlyRecord, SweepRecord
from acqd.measure.meter import Output
from acqd.measure.trust import SPOILT_NOISE, spoilt_by
from acqd.station.feed import SetupView

if TYPE_CHECKING:
    from acqd.station.job import JobRunner

__all__ = ["STATION", "Listeners"]

STATION = "station"
"""The name under which findings of the station itself are numbered; no job may have it."""


class Listeners(list[Listener]):
    """A list of those who listen, and how each kind of news is made for them."""

    def __init__(self) -> None:
        super().__init__()
        self._fell: list[Listener] = []
        self._log = structlog.get_logger()

    def hear(self, news: News) -> None:
        """Tell everybody; whoever raises is named in the log, once."""
        for listener in self:
            try:
                listener(news)
            except Exception as exc:
                # Whoever listens stands beside the sweeping: its fault costs no sweep.
                if listener not in self._fell:
                    self._fell.append(listener)
                    self._log.error("listener_failed", news=type(news).__name__, exc_info=exc)

    def commit(
        self,
        job: JobRunner,
        told: Sequence[tuple[SweepRecord | None, SetupView | None, Output]],
        last: tuple[SweepRecord, SetupView, Output] | None,
        *,
        hourly: Sequence[HourlyRecord],
        findings: Sequence[FindingRecord],
        now_s: float,
    ) -> None:
        """What one commit of a job brought; ``last`` is the sweep whose summary is told."""
        for record in findings:
            self.finding(record)
        for sweep, _, output in told:
            at_s = now_s if sweep is None else sweep.started_s
            for channel in output.channels.values():
                self.channel(job.name, channel, at_s)
            if output.verdict is not None:
                self.verdict(job.name, output.verdict)
        if last is not None:
            sweep, _, output = last
            self.hear(
                PassNews(
                    job=job.name,
                    kind=job.spec.kind,
                    seq=sweep.seq,
                    at_s=sweep.started_s,
                    setup=sweep.setup,
                    is_listening=spoilt_by(sweep.flags, SPOILT_NOISE) is None
                    and bool((output.summary or {}).get("listening", True)),
                    summary=output.summary or {},
                    values=output.values,
                )
            )
        for hour in hourly:
            self.hear(HourNews(job=job.name, hour_start_s=hour.hour_start_s, figures=hour.figures))

    def finding(self, record: FindingRecord) -> None:
        self.hear(
            FindingNews(
                job=None if record.job == STATION else record.job,
                number=record.number,
                what=record.what,
                at_s=record.at_s,
                text=record.text,
                seq=record.seq,
                figures=record.figures,
            )
        )

    def channel(
        self, job: str, channel: Mapping[str, Any], at_s: float, *, again: bool = False
    ) -> None:
        self.hear(
            ChannelNews(
                job=job,
                key=channel["key"],
                name=channel["channel"],
                is_busy=bool(channel["busy"]),
                since_s=channel["since_s"],
                last_heard_s=channel["last_heard_s"],
                at_s=at_s,
                is_known=channel.get("known", True),
                again=again,
            )
        )

    def verdict(self, job: str, verdict: Mapping[str, Any], *, again: bool = False) -> None:
        self.hear(
            VerdictNews(
                job=job,
                verdict=verdict["verdict"],
                text=verdict["text"],
                of=verdict["of"],
                at_s=verdict["at_s"],
                again=again,
            )
        )
