"""A job measured again from what the archive has of it, with the code that measures live (G4).

The meter is made from the config as it was recorded with the setups, so that the archive alone will
do, volumes copied to another machine too. Where the config changed, each stretch between two marks
is replayed with its own. With a config of somebody's choice instead there is one meter for all, as
if that config had been in force all the time: what it would have found in these sweeps.

Where the archive gives chains as they were amended, each sweep is measured with the amended one,
and what a kind's settings take from the chain is taken from that too: the meter goes on with its
state, as it does live when a setup changes.

What is told again are sweeps, gaps and hours. The station's own findings about a job
(:data:`STATION_WORDS`) have no meter, and sweeps whose measurement failed have no figures; neither
is made again.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import chain, groupby
from typing import Any

from acqd.archive.amendments import AMENDED
from acqd.archive.reader import Archive
from acqd.archive.records import (
    FindingRecord,
    GapRecord,
    HourlyRecord,
    SetupRecord,
    SweepRecord,
)
from acqd.config.recorded import keys_read_otherwise, recorded_config
from acqd.config.whole import StationConfig
from acqd.errors import AcqdError, ArchiveDamaged, ArchiveError, WrongUsage
from acqd.measure.meter import Event, Output, SetupChanged
from acqd.station.build import plane_of
from acqd.station.feed import CONFIG_CHANGED, Feed, JobState, hour_start_s
from acqd.station.followed import closer_looks
from acqd.station.kinds import kind_parts
from acqd.sweep import SweepFlag

__all__ = ["STATION_WORDS", "Measured", "Replay", "Told", "at_s_of"]

STATION_WORDS = frozenset(
    (
        *("identity_unconfirmed", "input_near_maximum", "look_refused", "meter_failed", "refused"),
        *("not_put_back", "not_ready", "ready_again"),
    )
)
"""Findings about a job that are the station's and no meter's."""

Measured = SweepRecord | GapRecord | HourlyRecord
Recorded = SetupRecord | Measured | FindingRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One event told again, and what came out.

    ``found_then`` are findings of meters that were committed since the event before: with that one,
    or with events that were committed together with it. ``is_measured`` False: no meter was told of
    it, since no sweep says what config it was under, or since the measurement failed then.
    """

    event: Measured | None
    """None at the end, where only ``found_then`` is left."""
    outputs: tuple[Output, ...] = ()
    is_measured: bool = True
    found_then: tuple[FindingRecord, ...] = ()


@dataclass(frozen=True, slots=True)
class _Under:
    """A config that something happened under: its digest, and what its sentences call the plane."""

    digest: str
    plane: str = ""

    @classmethod
    def of(cls, setup: SetupRecord) -> _Under:
        try:
            plane = (setup.details.get(AMENDED) or setup.details)["plane"]
            return cls(str(setup.details["config_digest"]), str(plane))
        except (KeyError, TypeError) as exc:
            raise ArchiveDamaged(
                f"job {setup.job}: setup {setup.setup} does not say what it was measured with "
                f"({exc}), so nothing can be measured again; was this archive written by acqd?"
            ) from exc


UNKNOWN = _Under("unknown")
"""Before a mark, where there is neither a mark nor a setup that says what the config was."""


def at_s_of(event: Measured) -> float:
    """When something began, as ranges of time go by."""
    match event:
        case SweepRecord():
            return event.started_s
        case GapRecord():
            return event.from_s
        case _:
            return event.hour_start_s


def _is_mark(event: Recorded | None) -> bool:
    return isinstance(event, GapRecord) and event.reason == CONFIG_CHANGED


@dataclass(slots=True, kw_only=True)
class Replay:
    """One replay of one job; :meth:`run` may be gone through once.

    A range starts with a fresh meter: at its first event, or at ``start_s`` where that is the time
    of a change of config.
    """

    archive: Archive
    job: str
    config: StationConfig | None = None
    """Another config than those that were in force."""
    start_s: float = -math.inf
    stop_s: float = math.inf
    notes: list[str] = field(default_factory=list)
    """What is to be said of how it was replayed, each once."""
    not_replayed: int = 0
    """Findings under configs of which no sweep is kept, so far."""
    _sources: dict[_Under, Mapping[str, Any]] = field(default_factory=dict)
    _feeds: dict[_Under, Feed] = field(default_factory=dict)
    _setups: dict[int, SetupRecord] = field(default_factory=dict)
    _amended: dict[str, SetupRecord] = field(default_factory=dict)
    """Setups with another chain than was recorded, by their names."""
    _found: list[FindingRecord] = field(default_factory=list)
    _before: Recorded | None = None
    """The last before the range that says under which config it begins."""

    def __post_init__(self) -> None:
        """Look the job up.

        Raises:
            ArchiveError: the archive has no sweeps of it.
            WrongUsage: the config has no such job, or one of another kind.
        """
        setups = self.archive.setups(self.job)
        if not setups:
            jobs = self.archive.jobs()
            if self.job in jobs:
                raise ArchiveError(f"{self.archive.root}: job {self.job!r} has no sweeps here")
            raise ArchiveError(
                f"{self.archive.root}: no job {self.job!r} here; "
                f"there is {', '.join(jobs) or 'none'}"
            )
        for setup in setups:
            self._sources.setdefault(_Under.of(setup), setup.details["config"])
        if self.config is not None:
            self._check_config(self.config, setups[-1].kind)

    @property
    def digests(self) -> tuple[str, ...]:
        """Digests of the configs that there are sweeps of, each with its meter's version."""
        return tuple(dict.fromkeys(under.digest for under in self._sources))

    def feed_of_config(self) -> Feed | None:
        """The feed of the config that was given."""
        if self.config is None:
            return None
        table = self.config.jobs[self.job]
        title = "" if table.chain is None else self.config.chains[table.chain].title
        plane = plane_of(self.config.chain(self.job), title)
        meter = kind_parts(self.config, self.job, plane).meter
        digest = f"{self.config.job_digest(self.job)}@{meter.version}"
        closer = closer_looks(table.on_finding, plane)
        return Feed(meter=meter, version=meter.version, config=digest, closer=closer)

    def starts_fresh(self) -> bool:
        """Whether the meter was fresh live where the range begins, or nothing is in the range."""
        if self.start_s == -math.inf:
            return True
        first_s = hour_start_s(self.start_s)
        before: Recorded | None = next(iter(self.archive.events(self.job, stop=first_s)), None)
        for event in self.archive.events(self.job, first_s):
            if isinstance(event, SetupRecord):
                continue
            if at_s_of(event) >= self.start_s:
                return before is None or _is_mark(before) or _is_mark(event)
            before = event
        return True

    def run(self) -> Iterator[Told]:
        """Everything again, in the order in which it happened.

        Raises:
            ArchiveError: the archive cannot be read, or a recorded config not by this acqd; or the
                measurement of a sweep fails that did not fail live.
        """
        found = False
        for told in self._run():
            found = True
            yield told
        if not found:
            raise ArchiveError(f"{self.archive.root}: job {self.job} has nothing in that time")
        yield Told(event=None, found_then=self._take_found())

    def _run(self) -> Iterator[Told]:
        given = self.feed_of_config()
        if given is not None:
            events = self._fed(self._as_of(given), known=True)
            yield from (told for _, told in self._stretch(given, given.start(), events))
            return
        state: JobState | None = None
        for under, together in groupby(self._annotated(), key=lambda item: item[0]):
            feed = self._feed_of(under)
            if state is None:
                state = replace(feed.start(), config=under.digest)
            again = chain(self._setups_under(under), (event for _, event in together))
            events = self._fed(again, known=under in self._sources)
            for after, told in self._stretch(feed, state, events):
                state = after
                yield told

    def _setups_under(self, under: _Under) -> list[SetupRecord]:
        """What a config that comes back has been told of already, and is not told anew."""
        return [one for one in self._setups.values() if _Under.of(one).digest == under.digest]

    # -- from the archive -----------------------------------------------------------------------

    def _read(self) -> Iterator[Recorded]:
        """What was recorded of the range."""
        begun = self.start_s == -math.inf
        # The hour that a range begins in turns within it.
        first_s = None if begun else hour_start_s(self.start_s)
        for event in self.archive.events_and_findings(self.job, first_s):
            if isinstance(event, SetupRecord):
                self._setups[event.step] = event
                if AMENDED in event.details:
                    self._amended[event.setup] = event
            elif not isinstance(event, FindingRecord):
                if at_s_of(event) >= self.stop_s:
                    return
                begun = begun or at_s_of(event) >= self.start_s
            if begun:
                yield event
            elif isinstance(event, SetupRecord) or _is_mark(event):
                self._before = event

    def _annotated(self) -> Iterator[tuple[_Under, Recorded]]:
        """Each with the config that it happened under."""
        under: _Under | None = None
        waiting: list[Recorded] = []
        for event in self._read():
            if under is None and not waiting:
                under = self._under(self._before)
            if isinstance(event, SetupRecord):
                now = _Under.of(event)
                if under is not None and now.digest != under.digest:
                    # Only where the mark is in no file: a ledger was lost, and no volume has it.
                    self._note("a change of config is not marked; it was taken for one")
                    yield now, _mark(self.job, now.digest)
                under = now
            elif _is_mark(event):
                yield from ((UNKNOWN, one) for one in waiting)
                waiting.clear()
                under = self._under(event)
            if under is None:
                # Before the first setup: it was under the config of that.
                waiting.append(event)
                continue
            yield from ((under, one) for one in waiting)
            waiting.clear()
            yield under, event
        yield from ((UNKNOWN, one) for one in waiting)

    def _under(self, event: Recorded | None) -> _Under | None:
        """What a setup or a mark says of the config from there on."""
        match event:
            case SetupRecord():
                return _Under.of(event)
            case GapRecord(detail=digest):
                known = (one for one in self._sources if one.digest == digest)
                return next(known, _Under(digest))
            case _:
                return None

    def _as_of(self, feed: Feed) -> Iterator[Recorded]:
        """Everything as if the config of ``feed`` had been in force."""
        for event in self._read():
            if isinstance(event, SetupRecord):
                yield replace(event, details={**event.details, "config_digest": feed.config})
            elif not _is_mark(event):
                yield event

    # -- to the meter ---------------------------------------------------------------------------

    def _fed(self, events: Iterator[Recorded], *, known: bool) -> Iterator[SetupRecord | Measured]:
        """What a feed is told of; findings are put aside on the way."""
        for event in events:
            if not isinstance(event, FindingRecord):
                yield event
            elif event.what not in STATION_WORDS:
                if known:
                    self._found.append(event)
                else:
                    self.not_replayed += 1

    def _stretch(
        self, feed: Feed, state: JobState, events: Iterator[SetupRecord | Measured]
    ) -> Iterator[tuple[JobState, Told]]:
        at = "before the first sweep"
        try:
            for after, event, outputs in feed.replay(state, events):
                failed = isinstance(event, SweepRecord) and event.flags & SweepFlag.METER_FAILED
                yield (
                    after,
                    Told(
                        event=event,
                        outputs=tuple(outputs),
                        is_measured=after.config == feed.config and not failed,
                        found_then=self._take_found(),
                    ),
                )
                if isinstance(event, SweepRecord):
                    at = f"after sweep {event.seq}"
        except AcqdError:
            raise
        except Exception as exc:
            raise ArchiveError(
                f"job {self.job}: the measurement failed {at}: {exc or type(exc).__name__}"
            ) from exc

    def _feed_of(self, under: _Under) -> Feed:
        """The feed of a recorded config; where that is unknown one that measures nothing."""
        source = self._sources.get(under)
        if source is None:
            if under.digest:  # nothing else was measured when it happened
                self._note("what was under a config of which no sweep is kept is not measured")
            other = next(iter(self._sources))
            return replace(self._feed_of(other), config=f"not {under.digest}")
        if under not in self._feeds:
            config = recorded_config(self.job, source)
            otherwise = keys_read_otherwise(self.job, source, config)
            if otherwise:
                self._note(f"recorded by another acqd; not alike here: {', '.join(otherwise)}")
            meter = kind_parts(config, self.job, under.plane).meter
            then = under.digest.partition("@")[2]
            if then != meter.version:
                self._note(f"measured by {then or 'another meter'}, replayed by {meter.version}")
            if self.archive.amendments(self.job):
                meter = _Amended(meter, self._meter_of)
            self._feeds[under] = Feed(
                meter=meter,
                version=meter.version,
                config=under.digest,
                closer=closer_looks(config.jobs[self.job].on_finding, under.plane),
            )
        return self._feeds[under]

    def _meter_of(self, setup: str) -> Any:
        """The meter of an amended setup; None where it is as it was recorded."""
        record = self._amended.get(setup)
        if record is None:
            return None
        config = recorded_config(self.job, record.details["config"])
        return kind_parts(config, self.job, record.details["plane"]).meter

    def _check_config(self, config: StationConfig, kind: str) -> None:
        if self.job not in config.jobs:
            jobs = ", ".join(config.jobs) or "none"
            raise WrongUsage(f"{config.path}: no job {self.job!r}; jobs there: {jobs}")
        given = config.jobs[self.job].kind
        if given != kind:
            raise WrongUsage(
                f"{config.path}: job {self.job} is of kind {given} there; "
                f"the sweeps are of kind {kind}"
            )

    def _take_found(self) -> tuple[FindingRecord, ...]:
        found = tuple(self._found)
        self._found.clear()
        return found

    def _note(self, text: str) -> None:
        if text not in self.notes:
            self.notes.append(text)


class _Amended:
    """A meter that takes what its settings have of the chain from the setup that it was told of
    last. One replay's own: what it was told of last is no part of a state."""

    def __init__(self, meter: Any, meter_of: Callable[[str], Any]) -> None:
        self._meter, self._meter_of = meter, meter_of
        self.version = str(meter.version)
        self._now = meter
        self._known: dict[str, Any] = {}

    def start(self) -> Any:
        return self._meter.start()

    def step(self, state: Any, event: Event) -> tuple[Any, Output]:
        if isinstance(event, SetupChanged):
            if event.setup not in self._known:
                self._known[event.setup] = self._meter_of(event.setup)
            self._now = self._known[event.setup] or self._meter
        stepped: tuple[Any, Output] = self._now.step(state, event)
        return stepped

    def dump(self, state: Any) -> bytes:
        return bytes(self._meter.dump(state))

    def load(self, data: bytes) -> Any:
        return self._meter.load(data)


def _mark(job: str, digest: str) -> GapRecord:
    """A change of config at which nothing is left to say when it was."""
    return GapRecord(job=job, from_s=0.0, to_s=0.0, count=0, reason=CONFIG_CHANGED, detail=digest)
