"""Kind ``band``: watch a piece of spectrum, and say what came and went and how full it was.

The meter is pure (see :mod:`acqd.measure.meter`): states are never changed, and the same events
give the same outputs bit for bit, also when the state went through :meth:`BandMeter.dump` and
:meth:`BandMeter.load` in between. What it keeps is bounded: arrays of the length of a sweep and of
the channel plan, at most 256 tracks, 2 MiB while a floor is learnt.

One module each: ``band_work`` (what a setup fixes), ``band_sweep`` (one sweep, no memory), this
one with ``band_noise``, ``band_sums``, ``band_visits``, ``band_levels`` and ``band_more`` (memory),
``band_summary`` and ``band_findings`` (words), ``band_passes`` (what a due time asks for).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.errors import UnitMismatch
from acqd.measure import band_deaf, band_findings, band_more, band_summary
from acqd.measure.band_channels import (
    channels_after,
    closed_quarter,
    hour_counted,
    judged_only,
    period_of,
    visited,
)
from acqd.measure.band_ears import SETTLED, ears_after
from acqd.measure.band_levels import Levels, seen_levels
from acqd.measure.band_noise import floor_uncertainty, noise_seen, watched
from acqd.measure.band_passes import CheckedPasses, band_pass
from acqd.measure.band_state import (
    BandState,
    CheckSeen,
    FloorWatch,
    HourSums,
    NoiseSeen,
    TrialSeen,
    fresh_hour,
    fresh_state,
)
from acqd.measure.band_sums import HOUR_S, SPOILT, add_missed, counted, held
from acqd.measure.band_sweep import Seen, look_at, residual_of
from acqd.measure.band_visits import SLOT_S, Visit
from acqd.measure.band_work import BandSettings, BandSetup, BandWork
from acqd.measure.band_zero import ZeroSpan, zero_seen
from acqd.measure.checkpoint import dump_state, load_state
from acqd.measure.deafness import Deaf
from acqd.measure.floor import Learning, learn_sweep, learnt_floor
from acqd.measure.meter import (
    PASS_CUT_SHORT,
    Event,
    FindingDraft,
    GapSeen,
    HourlyFigures,
    HourTurned,
    Output,
    SetupChanged,
    SweepSeen,
)
from acqd.measure.tracking import Flap, Track, follow, note_appeared, note_ended, settle_flaps
from acqd.sweep import LevelUnit, SweepFlag

__all__ = ["BandMeter", "BandSettings", "BandState", "CheckedPasses", "band_pass"]

UNWATCHED_LIMIT_S = 60.0
UNWATCHED_PERIODS = 10.0
"""A gap longer than both ends what was up: nobody knows whether it stayed."""

FEW_PERIODS = 3.0
"""Time since the last sweep beyond so many periods, that no gap explains, was not watched."""

NOT_DUE_S = 3600.0
"""Beyond this too the job was not meant to watch: its schedule was shut."""


class BandMeter:
    """Meter of kind ``band``. Holds settings only; one thread at a time (scratch arrays)."""

    version = "band/4"

    def __init__(self, settings: BandSettings) -> None:
        self.settings = settings
        plan = settings.channels
        self._channels = 0 if plan is None else len(plan.channels)
        self._names = () if plan is None else tuple(c.name for c in plan.channels)

    def start(self) -> BandState:
        return fresh_state(self._names, witnesses=len(self.settings.witnesses))

    def dump(self, state: BandState) -> bytes:
        return dump_state(self.version, state)

    def load(self, data: bytes) -> BandState:
        state = load_state(self.version, BandState, data)
        if state.setup is not None:
            state = replace(state, work=BandWork(self.settings, state.setup, state.noise.used))
        if state.channel_names != self._names:
            # The plan was edited: counts begin anew, what has nothing to do with it goes on.
            fresh = self.start()
            state = replace(
                state,
                channel_names=self._names,
                channels=fresh.channels,
                hour=fresh.hour,
                visit=None,
                slots=fresh.slots,
                long_run=fresh.long_run,
                check=replace(state.check, before=None, suspects=()),
                tracks=(),
                flaps=(),
                ears=fresh.ears,
                sure=None,
                sure_levels=None,
            )
        return state

    def step(self, state: BandState, event: Event) -> tuple[BandState, Output]:
        """The state after ``event`` and what it brought out.

        Raises:
            UnitMismatch: a setup with complex ratios.
            ValueError: a sweep before any setup, or of another length than its grid.
        """
        if isinstance(event, SweepSeen):
            return self._sweep(state, event)
        if isinstance(event, GapSeen):
            return self._gap(state, event)
        if isinstance(event, HourTurned):
            return self._hour(state, event)
        return self._setup(state, event)

    def channel_states(self, state: BandState) -> dict[str, Mapping[str, Any]]:
        """Every channel that was ever heard, as :attr:`Output.channels` tells its changes."""
        if state.work is None:
            return {}
        return band_summary.channel_states(self.settings, state.work, state)

    def deaf(self, state: BandState) -> Deaf | None:
        """The deafness under way; None where it hears, as far as anybody knows."""
        return state.ears.deaf

    # --- a new setup ------------------------------------------------------------------------------

    def _setup(self, state: BandState, event: SetupChanged) -> tuple[BandState, Output]:
        if event.unit is LevelUnit.RATIO:
            raise UnitMismatch(what="kind band", needs="dBm, dBµV, dBFS or digit", got="ratio")
        if event.step != 0:
            return replace(state, check=band_more.check_setup(state.check, event)), Output()
        old = state.setup
        if old is not None and old.setup == event.setup:
            return self._other_references(state, old, event), Output()
        findings = self._end_all(state, event.at_s, "setup changed")
        ears, hears = band_deaf.other_setup(state, event)
        findings += hears
        setup = BandSetup(
            setup=event.setup,
            frequency_hz=event.grid.frequency_hz,
            unit=event.unit,
            rbw_hz=event.rbw_hz,
            detector=event.detector,
            averages=event.averages,
            interval_s=event.interval_s,
            sweep_time_s=event.sweep_time_s,
            level_accuracy_db=event.level_accuracy_db,
            assumed=event.assumed,
            resolution=event.resolution,
            attenuation_db=event.attenuation_db,
            noise_bandwidth_ratio=event.noise_bandwidth_ratio,
            gain_db=band_more.gain_in_the_middle_db(event),
            **band_more.reference_fields(event),
        )
        # Levels taken another way are not counted together.
        hour = replace(state.hour, levels=Levels(), residuals=(), zero=ZeroSpan())
        if old is not None and old.unit is not event.unit:
            # Levels of two units do not go into one figure; counts do.
            hour = replace(
                hour,
                floors=(),
                floor_low=math.inf,
                floor_high=-math.inf,
                peak=np.full(self._channels, np.nan),
            )
        work = BandWork(self.settings, setup, math.nan)
        new = replace(
            state,
            setup=setup,
            learning=None,
            shape=None,
            noise=NoiseSeen(),
            watch=FloorWatch(),
            tracks=(),
            channels=replace(judged_only(state.channels, work), known=True),
            # What could have been missed hangs on the grid and on how it is swept.
            hour=replace(hour, longest_unseen_s=0.0),
            unseen_before_s=0.0,
            hold=None,
            visit=None,
            trial=TrialSeen(),
            check=replace(state.check, before=None, suspects=()),
            heard_s=math.nan,
            point_heard_s=None,
            unwatched_s=0.0,
            ears=ears,
            sure=None,
            sure_levels=None,
            work=work,
        )
        news = band_summary.channel_news(self.settings, work, state, new, event.at_s)
        return new, Output(findings=tuple(findings), channels=news)

    def _other_references(self, state: BandState, old: BandSetup, event: SetupChanged) -> BandState:
        """The same setup, with newer references perhaps: nothing ends by that."""
        fields = band_more.reference_fields(event)
        if (fields["quiet_at_s"], fields["ambient_at_s"]) == (old.quiet_at_s, old.ambient_at_s):
            return state
        setup = replace(old, **fields)
        work = BandWork(self.settings, setup, state.noise.used)
        trial = replace(state.trial, hour=None)
        return replace(state, setup=setup, work=work, trial=trial)

    # --- a gap ------------------------------------------------------------------------------------

    def _gap(self, state: BandState, event: GapSeen) -> tuple[BandState, Output]:
        if event.reason == PASS_CUT_SHORT and not event.count:
            # Only a check did not come.
            return replace(state, check=replace(state.check, before=None)), Output()
        new = replace(state, missed=add_missed(state.missed, event))
        lasted_s = max(0.0, event.to_s - event.from_s)
        new, findings = self._unwatched(new, event.from_s, lasted_s)
        return new, Output(findings=tuple(findings))

    def _unwatched(
        self, state: BandState, at_s: float, lasted_s: float
    ) -> tuple[BandState, list[FindingDraft]]:
        """Nobody looked for ``lasted_s`` and one period more. What was up has ended, as far as
        anybody can say, when that grows too long."""
        period_s = period_of(state)
        unwatched_s = state.unwatched_s + lasted_s + period_s
        new = replace(state, unwatched_s=unwatched_s)
        if unwatched_s <= max(UNWATCHED_LIMIT_S, UNWATCHED_PERIODS * period_s):
            return new, []
        findings = self._end_all(state, at_s, "not watched any longer")
        # Busy stays as last told until a sweep says otherwise; only its beginning is void.
        nothing = np.full(self._channels, np.nan)
        channels = replace(state.channels, up_since_s=nothing, up=0)
        return replace(new, tracks=(), channels=channels), findings

    def _end_all(self, state: BandState, at_s: float, why: str) -> list[FindingDraft]:
        if state.work is None:
            return []
        up = [
            track
            for track in state.tracks
            if track.confirmed and not _is_flapping(state.flaps, track)
        ]
        return band_findings.ended(
            self.settings, state.work, up, at_s=at_s, period_s=period_of(state), why=why
        )

    # --- the turn of an hour ----------------------------------------------------------------------

    def _hour(self, state: BandState, event: HourTurned) -> tuple[BandState, Output]:
        hour = math.floor(event.hour_start_s / HOUR_S)
        missed = sum(count for at, count in state.missed if at <= hour)
        findings: list[FindingDraft] = []
        flaps = state.flaps
        figures = {}
        state = band_deaf.turned(hour_counted(state, event), event, missed)
        if state.work is not None:
            work = state.work
            figures = band_summary.hourly(self.settings, work, state, missed, event.hour_start_s)
            flaps, findings = self._settle(state, work, flaps, event.hour_end_s, flush=True)
        elif missed:
            figures = {"stored": 0, "due": missed, "coverage": 0.0}
        new = replace(
            state,
            flaps=flaps,
            hour=fresh_hour(self._channels),
            unseen_before_s=state.hour.longest_unseen_s,
            hold=None,
            trial=replace(state.trial, hour=None),
            check=replace(state.check, checks=0, counts=CheckSeen().counts),
            missed=tuple(pair for pair in state.missed if pair[0] > hour),
            corrections=(),
        )
        record = HourlyFigures(hour_start_s=event.hour_start_s, figures=figures)
        return new, Output(findings=tuple(findings), hourly=(record,))

    def _settle(
        self,
        state: BandState,
        work: BandWork,
        flaps: tuple[Flap, ...],
        at_s: float,
        *,
        flush: bool,
    ) -> tuple[tuple[Flap, ...], list[FindingDraft]]:
        if not flaps:
            return flaps, []
        window_s = self.settings.flapping_s
        flaps, told = settle_flaps(flaps, state.tracks, at_s=at_s, window_s=window_s, flush=flush)
        return flaps, [
            band_findings.flapping(self.settings, work, flap, at_s=at_s) for flap in told
        ]

    # --- a sweep ----------------------------------------------------------------------------------

    def _sweep(self, state: BandState, event: SweepSeen) -> tuple[BandState, Output]:
        if event.step != 0:
            return band_more.checked(self.settings, state, event)
        work = state.work
        if work is None:
            raise ValueError("a sweep came before any setup")
        level = event.level
        if level.shape != (work.points,):
            raise ValueError(f"expected {work.points} levels, got an array of {level.shape}")
        before, number = state, math.floor(event.started_s / SLOT_S)
        if number != state.slots.number:
            state = replace(state, slots=closed_quarter(state, number))
        state, early, left_s = self._caught_up(state, event)
        missing = residual_of(work, level, state.shape)
        flags = event.flags
        if self.settings.may_repeat:
            flags &= ~SweepFlag.REPEATED
        # Most sweeps have no flag; to look for one costs ten times as much as to see that.
        spoilt = bool(flags) and bool(flags & SPOILT)
        learning = self.settings.floor == "learnt" and state.shape is None
        noise = state.noise
        if work.estimates and not spoilt and state.ears.deaf is None:
            noise = noise_seen(noise, work.over, work.blur)
            if noise.used != work.spread and noise.used == noise.used:
                work = work.retuned(self.settings, noise.used)
        following = bool(state.tracks) or state.channels.up > 0
        seen = look_at(work, self.settings, level, missing, following=following)
        told = self._listen(before, state, work, seen, noise, event, not (spoilt or learning))
        state, deaf = told.state, told.ears.deaf
        revisit_s, unseen_s = self._revisit_s(state, event, left_s)
        moves, visit, levels = state.hour.moves, state.visit, state.hour.levels
        zero = state.hour.zero
        if not (spoilt or learning or deaf) and seen.cells:
            moves, visit = visited(state, work, seen, event)
            levels = seen_levels(levels, work, event.level)
            if work.zero_span:
                zero = zero_seen(zero, work, seen, event)
        hour = counted(
            state.hour,
            work,
            seen,
            flags,
            revisit_s,
            unseen_s,
            learning=learning,
            deaf=deaf is not None,
            moves=moves,
            levels=levels,
            zero=zero,
        )
        if spoilt or deaf:
            # The same bits again are no news: a frozen sweeper hears nothing. Nor does one beside
            # a transmitter that is keyed hear what the band would say.
            now = replace(
                state, hour=hour, ears=told.ears, sure=told.sure, sure_levels=told.sure_levels
            )
            new, findings = self._unwatched(now, event.started_s, 0.0)
        else:
            new, findings = self._heard(
                state, event, work, seen, noise, hour, visit, told, learning=learning
            )
        output = Output(
            summary=self._summary(
                new,
                event,
                work,
                seen,
                revisit_s=revisit_s,
                unseen_s=unseen_s,
                why_not=band_summary.why_not_listening(flags, deaf, learning=learning),
            ),
            columns=band_summary.columns(work, seen),
            values=band_summary.values(work, seen),
            channels=band_summary.channel_news(self.settings, work, before, new, event.started_s),
            findings=(*early, *told.findings, *findings),
            hourly=told.corrected,
        )
        return new, output

    def _listen(
        self,
        before: BandState,
        state: BandState,
        work: BandWork,
        seen: Seen,
        noise: NoiseSeen,
        event: SweepSeen,
        counts: bool,
    ) -> band_deaf.Told:
        """What the sweep says of the hearing, and the state before its own counting."""
        heard = ears_after(
            self.settings,
            work,
            state.ears,
            seen,
            event,
            floors=state.watch.recent,
            settled=not work.estimates or noise.count >= SETTLED,
            period_s=period_of(state),
            counts=counts,
        )
        if heard.fell is None and heard.how is None:
            return band_deaf.unchanged(before, state, heard, event.started_s)
        if heard.fell is None:
            return band_deaf.said(state, heard, event, self._hour)
        at_s = event.started_s
        lost = self._end_all(state, at_s, "the job went deaf")
        told = band_deaf.said(state, heard, event, self._hour)
        return replace(told, findings=(*told.findings, *lost))

    def _summary(
        self,
        new: BandState,
        event: SweepSeen,
        work: BandWork,
        seen: Seen,
        *,
        revisit_s: float,
        unseen_s: float,
        why_not: str | None,
    ) -> dict[str, object]:
        now = math.floor(event.started_s / HOUR_S)
        missed = sum(count for at, count in new.missed if at == now) if new.missed else 0
        return band_summary.summary(
            self.settings,
            work,
            seen,
            state=new,
            revisit_s=revisit_s,
            unseen_s=unseen_s,
            missed=missed,
            floor_u=floor_uncertainty(work, seen, new.noise),
            why_not=why_not,
        )

    def _heard(
        self,
        state: BandState,
        event: SweepSeen,
        work: BandWork,
        seen: Seen,
        noise: NoiseSeen,
        hour: HourSums,
        visit: Visit | None,
        told: band_deaf.Told,
        *,
        learning: bool,
    ) -> tuple[BandState, list[FindingDraft]]:
        """The state after a sweep that can be trusted to have listened."""
        if learning:
            return self._learnt(replace(state, ears=told.ears), event, work, noise, hour), []
        tracks, flaps, next_track, findings = self._tracked(state, event, work, seen)
        watch, stepped = watched(self.settings, work, state.watch, seen, event)
        findings += stepped
        new = BandState(
            channel_names=state.channel_names,
            setup=state.setup,
            shape=state.shape,
            noise=noise,
            watch=watch,
            tracks=tracks,
            next_track=next_track,
            flaps=flaps,
            channels=channels_after(
                state.channels, work, seen, event.started_s, self.settings.min_duration_s
            ),
            hour=hour,
            hold=held(state.hold, work, event, seen),
            missed=state.missed,
            visit=visit,
            slots=state.slots,
            long_run=state.long_run,
            trial=band_more.trial_seen(self.settings, state.trial, work, event),
            check=band_more.before_check(state.check, event, seen),
            heard_s=event.started_s,
            point_heard_s=self._points_heard(state, event, seen.missing),
            unseen_before_s=state.unseen_before_s,
            unwatched_s=0.0,
            ears=told.ears,
            sure=told.sure,
            sure_levels=told.sure_levels,
            corrections=state.corrections,
            work=work,
        )
        return new, findings

    def _caught_up(
        self, state: BandState, event: SweepSeen
    ) -> tuple[BandState, list[FindingDraft], float]:
        """The state with what no sweep and no gap explains, a shut schedule or a sweeper that was
        elsewhere, put to the time that nobody watched; and how long that was."""
        if event.flags and event.flags & SweepFlag.CLOCK_STEPPED:
            # Times before the step and after it have nothing to do with each other.
            return replace(state, heard_s=math.nan, point_heard_s=None), [], 0.0
        left_s = event.started_s - state.heard_s - state.unwatched_s
        period_s = period_of(state)
        if not left_s > FEW_PERIODS * max(period_s, event.took_s):
            return state, [], 0.0
        # One period after the last sweep is as it should be, another is added there.
        lasted_s = max(0.0, left_s - 2.0 * period_s)
        state, findings = self._unwatched(state, state.heard_s + period_s, lasted_s)
        return state, findings, left_s

    def _revisit_s(self, state: BandState, event: SweepSeen, left_s: float) -> tuple[float, float]:
        """Time between visits to one frequency, as planned or, if longer, as it went; and with the
        time of the sweep added, how long a frequency may have been unseen (NaN: nobody knows)."""
        assert state.setup is not None
        took_s = max(event.took_s, state.setup.sweep_time_s or 0.0)
        revisit_s = max(period_of(state), took_s)
        heard_s = state.heard_s
        if state.point_heard_s is not None:
            heard_s = float(np.min(state.point_heard_s))  # NaN where one was never heard
        if math.isnan(heard_s) or left_s > NOT_DUE_S + FEW_PERIODS * revisit_s:
            return revisit_s, math.nan
        revisit_s = max(revisit_s, event.started_s - heard_s)
        return revisit_s, revisit_s + took_s

    @staticmethod
    def _points_heard(
        state: BandState, event: SweepSeen, missing: NDArray[np.bool_] | None
    ) -> NDArray[np.float64] | None:
        """When each point was last heard, after a sweep with ``missing`` levels."""
        if missing is None:
            return None
        before = state.heard_s if state.point_heard_s is None else state.point_heard_s
        return np.where(missing, before, event.started_s)

    def _tracked(
        self, state: BandState, event: SweepSeen, work: BandWork, seen: Seen
    ) -> tuple[tuple[Track, ...], tuple[Flap, ...], int, list[FindingDraft]]:
        findings: list[FindingDraft] = []
        flaps, at_s = state.flaps, event.started_s
        tracks, next_track = state.tracks, state.next_track
        if seen.signals or tracks:
            followed = follow(
                tracks,
                [signal.observation() for signal in seen.signals if not signal.residual],
                at_s=at_s,
                seq=event.seq,
                next_number=next_track,
                tolerance_hz=work.tolerance_hz,
                min_duration_s=self.settings.min_duration_s,
                unwatched_s=state.unwatched_s,
                unseen=() if seen.missing is None else self._unseen(tracks, work, seen.missing),
                period_s=period_of(state),
            )
            tracks, next_track = followed.tracks, followed.next_number
            flaps, findings = self._told(
                work, flaps, followed.appeared, followed.ended, event, period_of(state)
            )
        if flaps:
            now = replace(state, tracks=tracks)
            flaps, settled = self._settle(now, work, flaps, at_s, flush=False)
            findings += settled
        return tracks, flaps, next_track, findings

    def _unseen(
        self, tracks: Sequence[Track], work: BandWork, missing: NDArray[np.bool_]
    ) -> set[int]:
        """Tracks in whose channel, or last extent, at least one level is missing."""
        plan, frequency_hz = self.settings.channels, work.grid.frequency_hz
        found = set()
        for track in tracks:
            low_hz, high_hz = track.first_hz, track.last_hz
            if plan is not None and track.channel >= 0:
                channel = plan.channels[track.channel]
                low_hz, high_hz = channel.start_hz, channel.stop_hz
            first, last = np.searchsorted(frequency_hz, (low_hz, high_hz))
            if missing[first : last + 1].any():
                found.add(track.number)
        return found

    def _told(
        self,
        work: BandWork,
        flaps: tuple[Flap, ...],
        appeared: Sequence[Track],
        ended: Sequence[Track],
        event: SweepSeen,
        period_s: float,
    ) -> tuple[tuple[Flap, ...], list[FindingDraft]]:
        window_s, tolerance_hz = self.settings.flapping_s, work.tolerance_hz
        tell_ended, tell_appeared = [], []
        for track in ended:
            lasted_s = band_findings.track_lasted_s(track, period_s, by_s=event.started_s)
            flaps, tell = note_ended(flaps, track, lasted_s=lasted_s, tolerance_hz=tolerance_hz)
            if tell:
                tell_ended.append(track)
        for track in appeared:
            flaps, tell = note_appeared(flaps, track, window_s=window_s, tolerance_hz=tolerance_hz)
            if tell:
                tell_appeared.append(track)
        at_s = event.started_s
        findings: list[FindingDraft] = []
        if tell_ended:
            findings += band_findings.ended(
                self.settings, work, tell_ended, at_s=at_s, period_s=period_s
            )
        if tell_appeared:
            findings += band_findings.appeared(
                self.settings, work, tell_appeared, at_s=at_s, seq=event.seq
            )
        return flaps, findings

    def _learnt(
        self,
        state: BandState,
        event: SweepSeen,
        work: BandWork,
        noise: NoiseSeen,
        hour: HourSums,
    ) -> BandState:
        """The state after one more sweep to learn the floor's shape from."""
        learning = state.learning or Learning(started_s=event.started_s)
        learning = learn_sweep(learning, event.level)
        new = replace(
            state,
            learning=learning,
            noise=noise,
            hour=hour,
            unwatched_s=0.0,
            work=work,
        )
        if event.started_s - learning.started_s < self.settings.learn_s:
            return new
        floor = learnt_floor(learning)
        if floor is None or not np.isfinite(floor).any():
            return new
        # Levels count from the shape now: what the noise looked like before is void.
        return replace(
            new,
            learning=None,
            shape=floor - np.nanmedian(floor),
            noise=NoiseSeen(),
            work=work.retuned(self.settings, math.nan),
        )


def _is_flapping(flaps: Sequence[Flap], track: Track) -> bool:
    return any(
        flap.flapping and flap.channel == track.channel and track.opened_s >= flap.since_s
        for flap in flaps
        if track.channel >= 0 or flap.at_hz == track.peak_hz
    )
