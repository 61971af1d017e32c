"""What the stations said, newest only and bounded; pure: it is told messages and the time.

Nothing here knows of sockets or clocks. A message that makes no sense raises
:class:`~acqd.dash.reading.NotUnderstood` and changes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import count
from typing import Any

from acqd.dash.job import HOURS_MOST, Job, as_json
from acqd.dash.reading import (
    NotUnderstood,
    Place,
    bounded,
    is_level,
    moment,
    read_json,
    text,
    whole,
)

__all__ = [
    "CHANNELS_MOST",
    "FINDINGS_MOST",
    "JOBS_ALL_MOST",
    "JOBS_MOST",
    "KEPT_MOST_BYTES",
    "SHEETS_MOST",
    "SILENT_AFTER_S",
    "STATIONS_MOST",
    "State",
    "Station",
]

STATIONS_MOST = 32
JOBS_MOST = 64
"""Of one station."""
JOBS_ALL_MOST = 256
"""Of all stations together."""
KEPT_MOST_BYTES = 64 * 2**20
"""Of the newest messages of all topics together, an hour's occupancy counted for a day's."""
SHEETS_MOST = 128
"""Of all stations together: the most memory by far, 160 MB if all have 500 rows."""
CHANNELS_MOST = 512
"""Of one station."""
SWEEPERS_MOST = 64
FINDINGS_MOST = 200
"""Of one station, the newest by what they are about."""
FINDING_TEXT_MOST = 1000

SILENT_AFTER_S = 150.0
"""A station that is there tells its status each 60 s: two and a half times that."""

GRACE_S = 75.0
"""After the broker came back a station has this long to speak before an old silence counts."""

SLOW_EVERY_S = 0.5
FIGURES_EVERY_S = 2.0
"""The slow state is made anew at most this often, and where nothing but figures changed."""


@dataclass(slots=True)
class Station:
    """What one station said."""

    name: str
    status: str = "unknown"
    reason: str = ""
    since_s: float | None = None
    heard_s: float | None = None
    """By our clock; of what was retained, by the station's."""
    lost_s: float | None = None
    """When we were told that it is offline; None where that was before our time."""
    version: str = ""
    run_id: str = ""
    health: dict[str, Any] | None = None
    archive: bool = False
    sweeper_names: tuple[str, ...] = ()
    job_names: tuple[str, ...] = ()
    sweepers: dict[str, dict[str, Any]] = field(default_factory=dict)
    jobs: dict[str, Job] = field(default_factory=dict)
    findings: dict[tuple[str | None, int, float], dict[str, Any]] = field(default_factory=dict)

    @property
    def shown_jobs(self) -> list[Job]:
        """Those that the station has now, in its order; all that were heard of before it told."""
        if not self.job_names:
            return list(self.jobs.values())
        return [self.jobs[name] for name in self.job_names if name in self.jobs]

    @property
    def shown_sweepers(self) -> list[dict[str, Any]]:
        if not self.sweeper_names:
            return list(self.sweepers.values())
        return [self.sweepers[name] for name in self.sweeper_names if name in self.sweepers]


FindReport = Callable[[str, str], str | None]
"""Where the report of a station in a file can be had, or None where it cannot."""


class State:
    """All stations.

    Args:
        now_s: versions begin there, so that those of a restarted server are new ones.
        silent_after_s: without a message for so long a station that says it is online is silent.
        find_report: tells the URL of a report.
    """

    def __init__(
        self,
        now_s: float,
        *,
        zone: str | None = None,
        silent_after_s: float = SILENT_AFTER_S,
        find_report: FindReport = lambda station, file: None,
    ) -> None:
        self.stations: dict[str, Station] = {}
        self.refused_stations: set[str] = set()
        self.zone = zone
        self.silent_after_s = silent_after_s
        self.broker: dict[str, Any] = {
            "address": "",
            "up": False,
            "since_s": now_s,
            "problem": "not connected yet",
        }
        self._find_report = find_report
        versions = count(int(now_s * 1000.0))
        self.next_version: Callable[[], int] = versions.__next__
        self._findings: list[dict[str, Any]] = []
        self._kept: dict[Place, int] = {}
        self._kept_bytes = 0
        self._version = self.next_version()
        self._raw = b"null"
        self._made_s = -math.inf
        self._changed = True
        self._figures_changed = False
        self._silent: frozenset[str] = frozenset()

    # -- what comes in ----------------------------------------------------------------------------

    def set_broker(self, *, address: str, up: bool, now_s: float, problem: str = "") -> None:
        """Whether there is a broker, since now where that changed."""
        since_s = now_s if up != self.broker["up"] else self.broker["since_s"]
        told = {"address": address, "up": up, "since_s": since_s, "problem": problem[:300]}
        self._changed |= told != self.broker
        self.broker = told

    def clock_stepped(self, now_s: float) -> None:
        """This machine slept, or its clock was set: that says nothing about a station's silence,
        so each has the time again that it has after the broker came back."""
        self.broker = {**self.broker, "since_s": now_s}
        for station in self.stations.values():
            if station.heard_s is not None:
                station.heard_s = min(station.heard_s, now_s)
        self._changed = True

    def take(self, place: Place, payload: bytes, *, retained: bool, now_s: float) -> None:
        """What came for ``place``.

        Raises:
            NotUnderstood: it makes no sense, or is beyond a bound; nothing has changed.
        """
        if not payload:
            self._forget(place)
            return
        weight = self._weight(place, payload)
        self._take(place, payload, retained=retained, now_s=now_s)
        self._kept_bytes += weight - self._kept.get(place, 0)
        self._kept[place] = weight

    @property
    def kept_bytes(self) -> int:
        """Of the messages that are kept, as they came."""
        return self._kept_bytes

    def _weight(self, place: Place, payload: bytes) -> int:
        """What keeping this message counts for.

        Raises:
            NotUnderstood: there is no room for it.
        """
        if place.what == "finding":
            return 0  # those have a bound of their own
        weight = len(payload) * (HOURS_MOST if place.what == "occupancy" else 1)
        if self._kept_bytes + weight - self._kept.get(place, 0) > KEPT_MOST_BYTES:
            raise NotUnderstood(f"more than {KEPT_MOST_BYTES >> 20} MiB of messages to keep")
        return weight

    def _take(self, place: Place, payload: bytes, *, retained: bool, now_s: float) -> None:
        if place.what == "value":
            self._take_value(place, payload)
            return
        schema = {"channel": "channel/1", "sweeper": "sweeper/1"}.get(place.what)
        schemas = ("finding/1", "catch-up/1") if place.what == "finding" else ()
        data = read_json(payload, *(schemas or (schema or f"{place.what}/1",)))
        _check_names(place, data)
        station = self._station(place.station)
        if place.what == "trace":
            self._take_trace(station, place, data, now_s)
        elif place.job is not None and place.what != "finding":
            self._take_job(station, place, data)
        elif place.what == "status":
            self._take_status(station, data, retained=retained, now_s=now_s)
        elif place.what == "sweeper":
            self._take_sweeper(station, place, data)
        else:
            self._take_finding(station, data, place.job)
        if not retained and (place.what != "status" or station.status == "online"):
            station.heard_s = now_s

    def add_past_finding(self, station: str, data: Mapping[str, Any]) -> None:
        """A finding out of an archive.

        Raises:
            NotUnderstood: as :meth:`take`.
        """
        job = data.get("job")
        self._take_finding(self._station(station), data, job if is_level(job) else None)

    def past_job(self, station: str, job: str) -> Job | None:
        """The job to fill from an archive; None where there is no room for it, or no such name."""
        if not (is_level(station) and is_level(job)):
            return None
        try:
            return self._job(self._station(station), job)
        except NotUnderstood:
            return None

    def changed(self) -> None:
        """Something of a station was set from outside."""
        self._changed = True

    @property
    def sheets(self) -> int:
        """How many jobs have one."""
        return sum(
            job.sheet is not None for one in self.stations.values() for job in one.jobs.values()
        )

    def job(self, station: str, job: str) -> Job | None:
        """The job, or None."""
        known = self.stations.get(station)
        return None if known is None else known.jobs.get(job)

    def _station(self, name: str) -> Station:
        station = self.stations.get(name)
        if station is None:
            if len(self.stations) >= STATIONS_MOST:
                if len(self.refused_stations) < 1000:
                    self.refused_stations.add(name)
                    self._changed = True
                raise NotUnderstood(f"more than {STATIONS_MOST} stations")
            station = self.stations[name] = Station(name)
            self._changed = True
        return station

    def _job(self, station: Station, name: str) -> Job:
        job = station.jobs.get(name)
        if job is None:
            if len(station.jobs) >= JOBS_MOST:
                raise NotUnderstood(f"more than {JOBS_MOST} jobs of one station")
            if sum(len(one.jobs) for one in self.stations.values()) >= JOBS_ALL_MOST:
                raise NotUnderstood(f"more than {JOBS_ALL_MOST} jobs of all stations")
            job = station.jobs[name] = Job(name, self.next_version)
            self._changed = True
        return job

    def _take_status(
        self, station: Station, data: Mapping[str, Any], *, retained: bool, now_s: float
    ) -> None:
        status = text(data, "state", 16)
        if status not in ("online", "offline"):
            raise NotUnderstood(f"a status that is {status!r}")
        at_s = moment(data, "at_s")
        if status == "offline" and station.status != "offline":
            station.lost_s = None if retained else now_s
        if retained and status == "online" and at_s is not None:
            station.heard_s = max(station.heard_s or -math.inf, min(at_s, now_s))
        station.status = status
        station.reason = text(data, "reason", 400)
        station.since_s = moment(data, "since_s")
        station.version, station.run_id = text(data, "version", 32), text(data, "run_id", 64)
        if status == "online":
            health = data.get("health")
            station.health = bounded(health) if isinstance(health, Mapping) else None
        station.sweeper_names = _levels(data.get("sweepers"), SWEEPERS_MOST)
        station.job_names = _levels(data.get("jobs"), JOBS_MOST)
        for name in station.job_names:
            try:
                self._job(station, name)
            except NotUnderstood:
                break  # what it says of itself is taken all the same
        self._changed = True

    def _take_sweeper(self, station: Station, place: Place, data: Mapping[str, Any]) -> None:
        name = place.name or ""
        if name not in station.sweepers and len(station.sweepers) >= SWEEPERS_MOST:
            raise NotUnderstood(f"more than {SWEEPERS_MOST} sweepers of one station")
        station.sweepers[name] = {
            "sweeper": name,
            "driver": text(data, "driver", 64),
            "state": text(data, "state", 16),
            "since_s": moment(data, "since_s"),
            "identity": _identity(data.get("identity")),
            "last_error": text(data, "last_error", 400) or None,
        }
        self._changed = True

    def _take_job(self, station: Station, place: Place, data: Mapping[str, Any]) -> None:
        assert place.job is not None
        if place.what == "channel":
            known = station.jobs.get(place.job)
            new = known is None or place.name not in known.channels
            channels = sum(len(job.channels) for job in station.jobs.values())
            if new and channels >= CHANNELS_MOST:
                raise NotUnderstood(f"more than {CHANNELS_MOST} channels of one station")
        job = self._job(station, place.job)
        match place.what:
            case "state":
                job.take_state(data)
            case "summary":
                job.take_summary(data)
                self._figures_changed = True
                return
            case "channel":
                job.take_channel(place.name or "", data)
            case "occupancy":
                job.take_occupancy(data)
            case "verdict":
                job.take_verdict(data)
            case "report":
                url = self._find_report(station.name, text(data, "file", 300))
                job.take_report(data, url)
        self._changed = True

    def _take_trace(
        self, station: Station, place: Place, data: Mapping[str, Any], now_s: float
    ) -> None:
        assert place.job is not None
        job = self._job(station, place.job)
        had_sheet = job.sheet is not None
        job.take_trace(data, now_s, may_grow=had_sheet or self.sheets < SHEETS_MOST)
        self._changed |= (job.sheet is not None) is not had_sheet
        self._figures_changed = True

    def _take_value(self, place: Place, payload: bytes) -> None:
        assert place.job is not None
        job = self._job(self._station(place.station), place.job)
        job.take_value(place.name or "", payload)

    def _take_finding(self, station: Station, data: Mapping[str, Any], job: str | None) -> None:
        at_s = moment(data, "at_s")
        of_range = data.get("schema") == "catch-up/1"
        numbered = whole(data, "last" if of_range else "number")
        if at_s is None or numbered is None:
            raise NotUnderstood("a finding without number or time")
        key = (job, numbered, at_s)
        if key in station.findings:
            return
        finding = {
            "id": self.next_version(),
            "station": station.name,
            "job": job,
            "number": numbered,
            "what": "catch-up" if of_range else text(data, "what", 64),
            "at_s": at_s,
            "text": text(data, "reason" if of_range else "text", FINDING_TEXT_MOST),
            "seq": whole(data, "seq"),
        }
        if of_range:
            finding |= {"first": whole(data, "first"), "last": numbered}
        station.findings[key] = finding
        self._findings.append(finding)
        if len(station.findings) > FINDINGS_MOST:
            oldest = min(station.findings, key=lambda one: one[2])
            gone = station.findings.pop(oldest)
            self._findings.remove(gone)

    def _forget(self, place: Place) -> None:
        """A retained topic was cleared."""
        whole = place.what == "status"
        of_job = place.job if place.what == "state" else None
        for one in list(self._kept):
            same = one.station == place.station
            if one == place or (same and (whole or (of_job and one.job == of_job))):
                self._kept_bytes -= self._kept.pop(one)
        station = self.stations.get(place.station)
        if station is None:
            return
        if place.what == "status":
            del self.stations[place.station]
            self._findings = [one for one in self._findings if one["station"] != place.station]
        elif place.what == "sweeper":
            station.sweepers.pop(place.name or "", None)
        job = station.jobs.get(place.job or "")
        if job is not None:
            match place.what:
                case "state":
                    del station.jobs[job.name]
                case "channel":
                    job.forget_channel(place.name or "")
                case "verdict":
                    job.forget_verdict()
                case "value":
                    job.take_value(place.name or "", b"")
        self._changed = True

    # -- what is shown ----------------------------------------------------------------------------

    def slow(self, now_s: float) -> tuple[int, bytes]:
        """Version and JSON of the slow state; made anew twice a second at the most."""
        age_s = now_s - self._made_s
        if not 0.0 <= age_s < SLOW_EVERY_S:
            silent = frozenset(
                one.name for one in self.stations.values() if self._is_silent(one, now_s)
            )
            old = self._figures_changed and not 0.0 <= age_s < FIGURES_EVERY_S
            if self._changed or old or silent != self._silent:
                self._silent = silent
                self._raw = as_json(self._shown(now_s))
                self._version = self.next_version()
                self._made_s = now_s
                self._changed = self._figures_changed = False
        return self._version, self._raw

    def findings_after(self, have: int, most: int) -> list[dict[str, Any]]:
        """The first ``most`` findings with an id above ``have``, ids rising."""
        if not self._findings or self._findings[-1]["id"] <= have:
            return []
        low, high = 0, len(self._findings)
        while low < high:
            middle = (low + high) // 2
            if self._findings[middle]["id"] <= have:
                low = middle + 1
            else:
                high = middle
        return self._findings[low : low + most]

    def everything(self, now_s: float) -> dict[str, Any]:
        """The slow state with findings and the pieces of every job, for scripts."""
        shown = self._shown(now_s)
        for row in shown["stations"]:
            station = self.stations[row["station"]]
            found = sorted(station.findings.values(), key=lambda one: float(one["at_s"]))
            row["findings"] = found
            for job in row["jobs"]:
                job["detail"] = station.jobs[job["job"]].whole()
        return {"now_s": now_s, **shown}

    def _shown(self, now_s: float) -> dict[str, Any]:
        return {
            "broker": self.broker,
            "zone": self.zone,
            "silent_after_s": self.silent_after_s,
            "more_stations": len(self.refused_stations),
            "stations": [
                self._station_shown(one, now_s)
                for one in sorted(self.stations.values(), key=lambda one: one.name)
            ],
        }

    def _station_shown(self, station: Station, now_s: float) -> dict[str, Any]:
        alarm, alarm_since_s = self._alarm(station, now_s)
        reports = [one for job in station.jobs.values() for one in job.reports.values()]
        reports.sort(key=lambda one: float(one["at_s"]), reverse=True)
        return {
            "station": station.name,
            "status": station.status,
            "reason": station.reason,
            "since_s": station.since_s,
            "silent": self._is_silent(station, now_s),
            "heard_s": station.heard_s,
            "alarm": alarm,
            "alarm_since_s": alarm_since_s,
            "version": station.version,
            "run_id": station.run_id,
            "health": station.health,
            "archive": station.archive,
            "sweepers": station.shown_sweepers,
            "jobs": [job.shown() for job in station.shown_jobs],
            "reports": reports[:16],
        }

    def _is_silent(self, station: Station, now_s: float) -> bool:
        if station.status == "offline" or not self.broker["up"]:
            return False
        listening_s = now_s - self.broker["since_s"]
        if station.heard_s is None:
            return bool(listening_s > self.silent_after_s)
        grace_s = min(GRACE_S, self.silent_after_s)
        return bool(now_s - station.heard_s > self.silent_after_s and listening_s > grace_s)

    def _alarm(self, station: Station, now_s: float) -> tuple[str, float | None]:
        if station.status == "offline" and station.reason != "stopped":
            return f"offline: {station.reason or 'nobody knows why'}", station.lost_s
        if self._is_silent(station, now_s):
            return (
                f"silent: it says that it is there, and nothing came for more than "
                f"{self.silent_after_s:.0f} s",
                station.heard_s,
            )
        return "", None


def _check_names(place: Place, data: Mapping[str, Any]) -> None:
    """A message must be about what its topic says."""
    if data.get("station", place.station) != place.station:
        raise NotUnderstood(f"of station {str(data['station'])[:40]!r}, on another's topic")
    if place.job is not None and data.get("job", place.job) != place.job:
        raise NotUnderstood(f"of job {str(data['job'])[:40]!r}, on another's topic")


def _identity(identity: object) -> dict[str, str] | None:
    if not isinstance(identity, Mapping):
        return None
    return {str(key)[:32]: str(value)[:120] for key, value in list(identity.items())[:8]}


def _levels(names: object, most: int) -> tuple[str, ...]:
    if not isinstance(names, list):
        return ()
    return tuple(dict.fromkeys(name for name in names[:most] if is_level(name)))
