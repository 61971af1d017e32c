"""From what is kept to what a meter sees: the one road that live, restart and replay all take.

A meter is told of sweeps, gaps, hours and changes of setup. Which of them, in which order and with
which levels is decided here, from the records that the archive commits and gives back, and from
nothing else. So a restart that reads the records of the last minutes, and a replay that reads those
of a whole night, give the meter exactly what it was given live (guarantee G4).

A job whose config changed starts with a fresh meter. Where in the order of events it did is marked
by a gap of no sweeps with the reason :data:`CONFIG_CHANGED` and the new config's digest; what was
taken under another config than the feed's own is accounted for and not measured. Where due times
are accounted for in between, when the old meter is gone already, such a mark without a digest comes
before them.

Sweeps of a closer look, which a finding asked for, are the job's and not its meter's: they are due
at no time, count in no figure, and turn no hour. What they show is told by
:mod:`acqd.measure.closerlook`, from the records alone as well.
"""

from __future__ import annotations

import base64
import json
from collections import OrderedDict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from acqd.archive.records import (
    CONTEXT,
    GapRecord,
    HourlyRecord,
    MeterState,
    SetupRecord,
    SweepRecord,
)
from acqd.archive.recovery import JobRecovery
from acqd.archive.views import SetupView, sweep_seen
from acqd.measure.closerlook import CloserLooks, LookSeen, LookState
from acqd.measure.closerlook_settings import Follows, is_look
from acqd.measure.meter import (
    Event,
    GapSeen,
    HourTurned,
    Meter,
    Output,
)
from acqd.plan.account import LATEST_START_S
from acqd.sweep import SweepFlag

__all__ = [
    "CONFIG_CHANGED",
    "CONTEXT",
    "HOUR_S",
    "Feed",
    "JobState",
    "SetupView",
    "account_of",
    "config_ended",
    "followed_by",
    "following",
    "hour_start_s",
    "sweep_seen",
]

CONFIG_CHANGED = "config changed"
NO_CONFIG = ""
"""Stands for the digest where one config has ended and no other has begun."""

HOUR_S = 3600.0
HOURS_MOST = 24 * 40
"""Hours of one outage that are told one by one, as many as a meter spreads a gap over."""

VIEWS_MOST = 63
"""Setups that a replay holds ready besides the one it is at."""

SETUPS_MOST = 4096
"""Setups that a replay remembers, those used last: many more than a pass has steps, and than
a journal holds."""

FINDING, FINDING_HZ, FINDING_LEVEL = "finding", "finding_frequency_hz", "finding_level"
PASSED_OVER = "findings_passed_over"
FOLLOWING = (FINDING, FINDING_HZ, FINDING_LEVEL, PASSED_OVER)
"""Columns of a closer look's sweeps: what they follow."""

NO_LOOKS = CloserLooks(())

STATE_VERSION = 3

CLOCK_BACK_S = 60.0
"""What was due so long before the last due time accounted for says that the clock was set back;
what is accounted for then follows it, as the plan does (:data:`acqd.plan.sharing.SERVED_STANDS_S`).
"""

AHEAD_S = HOUR_S
"""An hour that has yet to begin so long after something happened is of a clock that was set back:
waiting for its end, no hour would turn for as long as the clock had been wrong."""


def hour_start_s(at_s: float) -> float:
    """Start of the UTC hour that ``at_s`` lies in."""
    return at_s - at_s % HOUR_S


@dataclass(frozen=True, slots=True)
class JobState:
    """All that a job remembers from one event to the next; immutable, swapped after a commit."""

    meter: Any
    config: str
    """Digest of the config in force; where it is not the feed's own the meter stands fresh."""
    setups: tuple[tuple[int, str], ...] = ()
    """The setup that the meter was told of last, for each step of the pass."""
    hour_s: float | None = None
    """Start of the UTC hour that has not turned yet."""
    back_s: float | None = None
    """Start of the hour that comes after it instead of the next, since the clock was set back."""
    accounted_s: float | None = None
    """Latest due time that is stored or accounted for."""
    taken: int | None = None
    """Sweeps stored or accounted for at that due time; None for all that it asked for."""
    seq: int = 0
    look: LookState | None = None
    """The closer look that is under way."""

    @property
    def setup(self) -> str | None:
        """The setup of the sweeps that are due, those of step 0."""
        return dict(self.setups).get(0)


@dataclass(frozen=True, slots=True)
class Feed:
    """A job's meter, with the record-to-event rules around it. Pure: state in, state out."""

    meter: Meter[Any]
    version: str
    config: str
    closer: CloserLooks = NO_LOOKS

    def start(self, *, accounted_s: float | None = None, seq: int = 0) -> JobState:
        return JobState(
            meter=self.meter.start(), config=self.config, accounted_s=accounted_s, seq=seq
        )

    def sweep(
        self, state: JobState, record: SweepRecord, view: SetupView
    ) -> tuple[JobState, list[Output]]:
        """Feed one sweep, after the change of setup that it may bring."""
        if is_look(record.step):
            return self._looked(state, record, view)
        meter, outputs = state.meter, []
        if state.look is not None:
            outputs.append(Output(findings=self.closer.ended(state.look)))
        events: list[Event] = []
        setups = dict(state.setups)
        if record.setup != setups.get(record.step):
            setups[record.step] = record.setup
            events.append(replace(view.event, at_s=record.started_s))
        events.append(sweep_seen(record, view))
        for event in events:
            meter, output = self.meter.step(meter, event)
            outputs.append(output)
        told = state.setups if len(events) == 1 else tuple(sorted(setups.items()))
        return self._swept(state, record, meter=meter, setups=told, look=None), outputs

    def _looked(
        self, state: JobState, record: SweepRecord, view: SetupView
    ) -> tuple[JobState, list[Output]]:
        """Feed one sweep of a closer look; no meter is told of it."""
        seen = LookSeen(
            follows=followed_by(record),
            pass_id=record.pass_id,
            setup=replace(view.event, at_s=record.started_s),
            sweep=sweep_seen(record, view),
        )
        look, told = self.closer.step(state.look, seen)
        columns = {name: record.columns[name] for name in FOLLOWING if name in record.columns}
        return self._swept(state, record, look=look), [Output(columns=columns, findings=told)]

    def skip(self, state: JobState, record: SweepRecord) -> JobState:
        """The state after a sweep whose measurement failed: accounted for, not measured. A closer
        look that is under way is given up, or it would fail again with each sweep."""
        return self._swept(state, record, look=None)

    def gap(self, state: JobState, record: GapRecord) -> tuple[JobState, Output]:
        event = GapSeen(
            from_s=record.from_s, to_s=record.to_s, count=record.count, reason=record.reason
        )
        meter, output = self.meter.step(state.meter, event)
        return replace(self._missed(state, record), meter=meter), output

    def hour(self, state: JobState, start_s: float) -> tuple[JobState, Output]:
        event = HourTurned(hour_start_s=start_s, hour_end_s=start_s + HOUR_S)
        meter, output = self.meter.step(state.meter, event)
        return replace(self._turned(state, start_s), meter=meter), output

    def unmeasured(self, state: JobState, event: GapRecord | HourlyRecord) -> JobState:
        """The state after a gap or an hour at which the meter failed: it stays as it was."""
        if isinstance(event, GapRecord):
            return self._missed(state, event)
        return self._turned(state, event.hour_start_s)

    def hours_before(self, state: JobState, at_s: float) -> Iterator[float]:
        """Starts of the hours that have turned by ``at_s`` and that the meter was not told of.

        Each of them, also those of a long outage: an hour of which nothing is known has a coverage
        of none. Beyond :data:`HOURS_MOST` those after the first are passed over. An hour of a clock
        that was set back turns at once; over a leap to a time that was never accounted for only the
        one turns that something was in.
        """
        first_s = state.hour_s
        if first_s is None:
            return
        if _leaps(state, at_s):
            if state.accounted_s is None or state.accounted_s >= first_s:
                yield first_s
            return
        if state.back_s is not None:
            yield first_s
            first_s = state.back_s
        count = round((hour_start_s(at_s) - first_s) / HOUR_S)
        for number in range(count):
            if number == 0 or number > count - HOURS_MOST:
                yield first_s + number * HOUR_S

    def replay(
        self,
        state: JobState,
        events: Iterable[SetupRecord | SweepRecord | GapRecord | HourlyRecord],
    ) -> Iterator[tuple[JobState, SweepRecord | GapRecord | HourlyRecord, list[Output]]]:
        """Feed recorded events in their order; yields state, record and outputs after each."""
        setups: OrderedDict[str, SetupRecord] = OrderedDict()
        views: dict[str, SetupView] = {}
        for event in events:
            outputs: list[Output] = []
            match event:
                case SetupRecord():
                    setups.setdefault(event.setup, event)
                    setups.move_to_end(event.setup)
                    if len(setups) > SETUPS_MOST:
                        setups.popitem(last=False)
                    if not state.seq:
                        # The first of a whole replay: no marker says which config it began with.
                        state = replace(state, config=event.details["config_digest"])
                    continue
                case GapRecord(reason=reason) if reason == CONFIG_CHANGED:
                    state = self.reconfigured(state, event)
                case _ if state.config != self.config:
                    state = self.passed_over(state, event)
                case SweepRecord(flags=flags) if flags & SweepFlag.METER_FAILED:
                    state = self.skip(state, event)
                case SweepRecord():
                    setups.move_to_end(event.setup)
                    if event.setup not in views:
                        views = dict(list(views.items())[-VIEWS_MOST:])
                        views[event.setup] = SetupView.of(setups[event.setup], event.started_s)
                    state, outputs = self.sweep(state, event, views[event.setup])
                case _:
                    state, output = self._told(state, event)
                    outputs = [] if output is None else [output]
            yield state, event, outputs

    def _told(
        self, state: JobState, event: GapRecord | HourlyRecord
    ) -> tuple[JobState, Output | None]:
        """A gap or an hour again; what failed then fails now, for meters are pure."""
        try:
            if isinstance(event, GapRecord):
                return self.gap(state, event)
            return self.hour(state, event.hour_start_s)
        except Exception:
            return self.unmeasured(state, event), None

    def recovered(self, kept: JobRecovery | None) -> JobState:
        """Where the last run left the job: its last checkpoint and every event since.

        A job that the archive knows and that the last run did not have begins as one whose config
        changed.
        """
        if kept is None:
            return self.start()
        if kept.meter is None:
            return replace(self.start(seq=kept.next_seq - 1), config=NO_CONFIG)
        state = self.restore(kept.meter)
        for after, _, _ in self.replay(state, kept.events()):
            state = after
        return state

    def reconfigured(self, state: JobState, marker: GapRecord) -> JobState:
        """The state after a change of config: fresh, but for what is accounted for."""
        fresh = self.start(accounted_s=state.accounted_s, seq=state.seq)
        return replace(fresh, taken=state.taken, config=marker.detail)

    def passed_over(
        self, state: JobState, event: SweepRecord | GapRecord | HourlyRecord
    ) -> JobState:
        """The state after something that happened under another config."""
        if isinstance(event, SweepRecord):
            return replace(self.skip(state, event), hour_s=None, back_s=None)
        if isinstance(event, GapRecord):
            return replace(self._missed(state, event), hour_s=None, back_s=None)
        return state

    def checkpoint(self, job: str, state: JobState, *, next_finding: int) -> MeterState:
        """``state`` as the archive keeps it."""
        body = {
            "version": STATE_VERSION,
            "config": state.config,
            "setups": [list(one) for one in state.setups],
            "hour_s": state.hour_s,
            "back_s": state.back_s,
            "accounted_s": state.accounted_s,
            "taken": state.taken,
            "meter": base64.b64encode(self.meter.dump(state.meter)).decode("ascii"),
        }
        if state.look is not None:
            body["look"] = base64.b64encode(self.closer.dump(state.look)).decode("ascii")
        return MeterState(
            job=job,
            version=self.version,
            after_seq=state.seq,
            next_finding=next_finding,
            state=json.dumps(body, separators=(",", ":")).encode(),
        )

    def restore(self, kept: MeterState) -> JobState:
        """The state that :meth:`checkpoint` made; its meter fresh where config or version differ.

        Its ``config`` tells which it was. A state that cannot be read is taken for one of another
        config: what it counted begins anew, and nothing else is lost.
        """
        body = json.loads(kept.state)
        fresh = self.start(accounted_s=body["accounted_s"], seq=kept.after_seq)
        fresh = replace(fresh, taken=body.get("taken"))
        if (kept.version, body["version"]) != (self.version, STATE_VERSION):
            return replace(fresh, config=f"{body['config']} of {kept.version}")
        if body["config"] != self.config:
            return replace(fresh, config=body["config"])
        look = body.get("look")
        try:
            meter = self.meter.load(base64.b64decode(body["meter"]))
        except ValueError:
            return replace(fresh, config=f"{body['config']}, unreadable")
        return replace(
            fresh,
            meter=meter,
            setups=tuple((step, setup) for step, setup in body["setups"]),
            hour_s=body["hour_s"],
            back_s=body.get("back_s"),
            look=None if look is None else self.closer.load(base64.b64decode(look)),
        )

    @staticmethod
    def _swept(state: JobState, record: SweepRecord, **changes: Any) -> JobState:
        """One sweep more is accounted for at its due time; ``changes`` come with it.

        Only those of step 0 are due: what else a pass asks for hangs on what it saw. A closer look
        leaves what is accounted for, and the hour, as they are.
        """
        if is_look(record.step):
            return replace(state, seq=max(state.seq, record.seq), **changes)
        at_s, last_s = record.due_s, state.accounted_s
        due = 1 if record.step == 0 else 0
        if at_s == last_s:
            taken = None if state.taken is None else state.taken + due
        elif last_s is None or at_s > last_s or at_s < last_s - CLOCK_BACK_S:
            last_s, taken = at_s, due
        else:
            taken = state.taken
        return replace(
            _in_hour(state, record.started_s, record.started_s),
            accounted_s=last_s,
            taken=taken,
            seq=max(state.seq, record.seq),
            **changes,
        )

    @staticmethod
    def _missed(state: JobState, record: GapRecord) -> JobState:
        """The due times of a gap are accounted for; one of a single due time may be part of it."""
        last_s, taken = state.accounted_s, state.taken
        alone = record.from_s == record.to_s
        if last_s is None or record.to_s > last_s or record.to_s < last_s - CLOCK_BACK_S:
            last_s, taken = record.to_s, record.count if alone else None
        elif record.to_s == last_s and alone and taken is not None:
            taken += record.count
        # A due time is known to be missed when it may no longer start, which is later.
        known_s = record.to_s + LATEST_START_S
        return replace(_in_hour(state, record.from_s, known_s), accounted_s=last_s, taken=taken)

    @staticmethod
    def _turned(state: JobState, start_s: float) -> JobState:
        """The state after the turn of the hour that began at ``start_s``."""
        next_s = start_s + HOUR_S if state.back_s is None else state.back_s
        return replace(state, hour_s=next_s, back_s=None)


def following(follows: Follows) -> dict[str, float]:
    """What a closer look follows as columns of its sweeps."""
    found = {
        FINDING: float(follows.number),
        FINDING_HZ: follows.at_hz,
        FINDING_LEVEL: follows.level,
        PASSED_OVER: float(follows.passed_over),
    }
    return {name: value for name, value in found.items() if value is not None}


def followed_by(record: SweepRecord) -> Follows:
    """What :func:`following` made the columns from; a column without a value is none."""
    found = {name: value for name, value in record.columns.items() if value == value}
    return Follows(
        number=int(found.get(FINDING, 0)),
        at_hz=found.get(FINDING_HZ),
        level=found.get(FINDING_LEVEL),
        passed_over=int(found.get(PASSED_OVER, 0)),
    )


def config_ended(state: JobState, gap: GapRecord) -> GapRecord | None:
    """The mark that goes before ``gap``, which the meter of ``state`` is not told of any more."""
    if state.config == NO_CONFIG:
        return None
    at_s = gap.from_s
    return replace(gap, from_s=at_s, to_s=at_s, count=0, reason=CONFIG_CHANGED, detail=NO_CONFIG)


def account_of(kept: JobRecovery | None) -> JobState:
    """What is accounted for of a job that is in no config any more; it has no meter."""
    if kept is None or kept.meter is None:
        return JobState(meter=None, config=NO_CONFIG)
    body = json.loads(kept.meter.state)
    state = JobState(
        meter=None,
        config=body["config"],
        accounted_s=body["accounted_s"],
        taken=body.get("taken"),
        seq=kept.meter.after_seq,
    )
    for event in kept.events():
        if isinstance(event, SweepRecord):
            state = Feed._swept(state, event)
        elif isinstance(event, GapRecord) and event.reason == CONFIG_CHANGED:
            state = replace(state, config=event.detail)
        elif isinstance(event, GapRecord):
            state = Feed._missed(state, event)
    return state


def _leaps(state: JobState, at_s: float) -> bool:
    """Whether a time is so far from all that is accounted for, over more hours than an outage is
    told of, that the clock before had lost its date: what was due in between is no outage of ours.

    It follows from the records alone as well.
    """
    known_s = [one for one in (state.hour_s, state.accounted_s) if one is not None]
    return bool(known_s) and at_s - max(known_s) > HOURS_MOST * HOUR_S


def _in_hour(state: JobState, at_s: float, latest_s: float) -> JobState:
    """The state with the hour of something that happened at ``at_s``, ``latest_s`` at the latest.

    It follows from the records alone, so that live, restart and replay turn the same hours.
    """
    if state.hour_s is None or _leaps(state, at_s):
        return replace(state, hour_s=hour_start_s(at_s), back_s=None)
    if state.hour_s - latest_s > AHEAD_S:
        # The first one tells; what comes until the running hour turns belongs to that.
        return state if state.back_s is not None else replace(state, back_s=hour_start_s(at_s))
    if state.back_s is not None and at_s >= state.hour_s:
        return replace(state, back_s=None)
    return state
