"""How busy each channel was, counted sweep by sweep, by the meter's own rule.

A visit is a sweep that listened; it is busy where a level of the channel exceeds the threshold of
that sweep and nothing stronger elsewhere explains it. Threshold and closing threshold are those
that were kept with the sweep, so that counts are the meter's also of hours that the range cuts, and
of one that has not turned yet. The interval is that of visits that depend on each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.archive.records import HourlyRecord, SetupRecord
from acqd.look.times import clock
from acqd.measure.band_sums import SPOILT
from acqd.measure.channels import Channel
from acqd.measure.markov import count_transitions, fit_markov, occupancy_interval
from acqd.measure.occupancy import busy_hour, channel_occupancy, resource_occupancy
from acqd.report.blocks import Block
from acqd.report.channelrule import BUSY, NOT_HEARD, ChannelRule, plan_of, settings_of
from acqd.report.shapes import HeatChart, SweepRange, Table
from acqd.report.source import HOUR_S, JobSource
from acqd.report.spells import unheard_mask
from acqd.report.words import count_text, percent

__all__ = ["Counts", "Occupancy", "plan_of"]

Float = NDArray[np.float64]
Int = NDArray[np.int64]

SLOT_S = 900.0
ROWS_SHOWN = 24
"""Channels in the heat strip at most, the busiest; the table has more."""
TABLE_ROWS = 80

AT_ONCE = 64
"""Channels that are counted at a time; a multiple of 8."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """Of some sweeps, (channels,) each: visits, busy ones, share, and its 95 % interval, NaN where
    nobody can tell it: where a channel did not change once."""

    visits: Int
    hits: Int
    share: Float
    low: Float
    high: Float


class Occupancy:
    """Counts of a band job's channels, from blocks as they come.

    ``plan`` None: the job has no channels, and all is empty. ``counts_all`` False: nobody can count
    from the sweeps, because their threshold stands on a floor that was learnt; then only whole
    hours are known, from the figures that the meter kept.
    """

    def __init__(self, source: JobSource) -> None:
        self.source = source
        self.plan = plan_of(source.setup)
        self._settings = settings_of(source.setup)
        self.counts_all = self._settings is not None and self._settings.floor != "learnt"
        channels = () if self.plan is None else self.plan.channels
        index = source.sweeps()
        # A bit a sweep and channel each: a plan may have thousands of channels.
        width = -(-len(channels) // 8)
        self._judged = np.zeros((len(index), width), dtype=np.uint8)
        self._busy = np.zeros((len(index), width), dtype=np.uint8)
        self._hours: tuple[Float, list[Counts]] | None = None
        self._unheard = unheard_mask(source)
        self._heard = ((index.flags & int(SPOILT)) == 0) & ~self._unheard
        self._rules: dict[str, ChannelRule | None] = {}
        self._peak = np.full(len(channels), -np.inf)

    @property
    def channels(self) -> tuple[Channel, ...]:
        return () if self.plan is None else self.plan.channels

    def take(self, block: Block) -> None:
        """Count the sweeps of a block."""
        rule = self._rule(block.setup)
        if rule is None or not rule.channel.size:
            return
        states = rule.states(block, self._heard[block.place])
        busy = np.asarray(states == BUSY)
        for bits, which in ((self._judged, states != NOT_HEARD), (self._busy, busy)):
            every = np.zeros((len(block), len(self.channels)), dtype=np.bool_)
            every[:, rule.channel] = which
            bits[block.place] = np.packbits(every, axis=1)
        some = busy.any(axis=1)
        if some.any():
            padded = np.column_stack((block.level[some], np.full(int(some.sum()), np.nan)))
            largest = np.fmax.reduceat(padded, rule.edges, axis=1)[:, ::2]
            largest = np.where(busy[some], largest, -np.inf).max(axis=0)
            self._peak[rule.channel] = np.fmax(self._peak[rule.channel], largest)

    def _rule(self, setup: SetupRecord) -> ChannelRule | None:
        if not self.counts_all or self.plan is None:
            return None
        if setup.setup not in self._rules:
            settings = settings_of(setup)
            same = settings is not None and settings.channels == self.plan
            made = ChannelRule(setup, settings) if settings is not None and same else None
            self._rules[setup.setup] = made
        return self._rules[setup.setup]

    # -- counts ----------------------------------------------------------------------------------

    def counts(self, start_s: float | None = None, stop_s: float | None = None) -> Counts:
        """Of the sweeps that began in a part of the range; all without one."""
        started_s = self.source.sweeps().started_s
        here = np.ones(started_s.size, dtype=np.bool_)
        if start_s is not None and stop_s is not None:
            here = (started_s >= start_s) & (started_s < stop_s)
        chosen = np.flatnonzero(here)
        chosen = chosen[np.argsort(started_s[chosen], kind="stable")]
        # What no channel was judged in breaks no chain, as it does not for the meter.
        chosen = chosen[self._judged[chosen].any(axis=1)]
        parts = [self._counts(chosen, first) for first in range(0, len(self.channels), AT_ONCE)]
        nothing = Counts(
            visits=np.empty(0, np.int64),
            hits=np.empty(0, np.int64),
            share=np.empty(0),
            low=np.empty(0),
            high=np.empty(0),
        )
        return Counts(
            **{
                name: np.concatenate([getattr(part, name) for part in parts or [nothing]])
                for name in Counts.__slots__
            }
        )

    def _states(self, bits: NDArray[np.uint8], chosen: Int, first: int) -> NDArray[np.bool_]:
        """(chosen sweeps, channels) of some channels from ``first`` on, a multiple of 8."""
        stop = min(first + AT_ONCE, len(self.channels))
        some = np.unpackbits(bits[chosen, first // 8 : -(-stop // 8)], axis=1)
        return np.asarray(some[:, : stop - first].astype(np.bool_))

    def _counts(self, chosen: Int, first: int) -> Counts:
        """Of some channels in the chosen sweeps, which are in order of time."""
        judged = self._states(self._judged, chosen, first)
        busy = self._states(self._busy, chosen, first)
        at_s = self.source.sweeps().started_s[chosen]
        visits = np.asarray(judged.sum(axis=0), dtype=np.int64)
        hits = np.asarray(busy.sum(axis=0), dtype=np.int64)
        moves = count_transitions(
            busy, judged=judged, at_s=at_s, longest_step_s=2.0 * self._usual_s(at_s)
        )
        low, high = occupancy_interval(hits, visits, fit_markov(moves).factor_safe)
        return Counts(
            visits=visits, hits=hits, share=channel_occupancy(hits, visits), low=low, high=high
        )

    def _usual_s(self, at_s: Float) -> float:
        steps = np.diff(at_s)
        usual = float(np.median(steps)) if steps.size else 0.0
        planned = self.source.interval_s
        return max(usual, 0.0 if math.isnan(planned) else planned)

    def by_hour(self) -> tuple[Float, list[Counts]]:
        """Edges of the clock hours of UTC that the range has a part in, cut by its ends, and the
        counts of each. Whole hours that the meter has told are as it told them."""
        if self._hours is not None:
            return self._hours
        source = self.source
        first = math.floor(source.start_s / HOUR_S) + 1
        last = math.ceil(source.stop_s / HOUR_S) - 1
        inner = [hour * HOUR_S for hour in range(first, last + 1)]
        edges_s = np.array([source.start_s, *inner, max(source.stop_s, source.start_s)])
        told = {one.hour_start_s: one for one in source.hours}
        found = []
        for begin_s, end_s in zip(edges_s[:-1].tolist(), edges_s[1:].tolist(), strict=True):
            record = told.get(begin_s) if end_s - begin_s == HOUR_S else None
            counts = self.counts(begin_s, end_s)
            if record is None or self._is_too_early(record):
                found.append(counts)
            else:
                found.append(self._as_told(counts, record))
        self._hours = edges_s, found
        return self._hours

    def _is_too_early(self, record: HourlyRecord) -> bool:
        """Whether an hour was told before anybody knew that it was deaf; what corrects it comes
        with the figures of the hour that runs."""
        if not self.counts_all or record.figures.get("deaf"):
            return False
        started_s, begin_s = self.source.sweeps().started_s, record.hour_start_s
        here = (started_s >= begin_s) & (started_s < begin_s + HOUR_S)
        return bool((self._unheard & here).any())

    def _as_told(self, counts: Counts, record: HourlyRecord) -> Counts:
        """The counts of a whole hour, those that the meter lists in its place."""
        places = {channel.name: at for at, channel in enumerate(self.channels)}
        columns = {
            name: np.array(values, dtype=np.float64)
            for name, values in (
                ("hits", counts.hits),
                ("visits", counts.visits),
                ("fco", counts.share),
                ("fco_dependent_low", counts.low),
                ("fco_dependent_high", counts.high),
            )
        }
        for one in record.figures.get("channels") or ():
            at = places.get(one.get("channel"))
            if at is None:
                continue
            for name, values in columns.items():
                value = one.get(name)
                values[at] = math.nan if value is None else float(value)
        return Counts(
            visits=columns["visits"].astype(np.int64),
            hits=columns["hits"].astype(np.int64),
            share=columns["fco"],
            low=columns["fco_dependent_low"],
            high=columns["fco_dependent_high"],
        )

    def total(self) -> Counts:
        """Of the whole range; where nobody can count from sweeps, the whole hours put together,
        without an interval."""
        if self.counts_all:
            return self.counts()
        _, hours = self.by_hour()
        zero = np.zeros(len(self.channels), dtype=np.int64)
        visits = sum((one.visits for one in hours), zero)
        hits = sum((one.hits for one in hours), zero)
        nothing = np.full(len(self.channels), np.nan)
        share = channel_occupancy(hits, visits)
        return Counts(visits=visits, hits=hits, share=share, low=nothing, high=nothing)

    def busy_hours(self) -> list[tuple[float, float]]:
        """For each channel when its busiest hour of the range began, at any quarter of an hour of
        UTC, and its share; NaN where no hour was watched through."""
        nothing = (math.nan, math.nan)
        found = [nothing] * len(self.channels)
        started_s = self.source.sweeps().started_s
        if not started_s.size or not self.counts_all:
            return found
        first = math.floor(float(started_s.min()) / SLOT_S)
        slot = np.floor(started_s / SLOT_S).astype(np.int64) - first
        slots = int(slot.max()) + 1
        expected = SLOT_S / self._usual_s(np.sort(started_s)) if started_s.size > 1 else 1.0
        for at in range(len(self.channels)):
            mask = np.uint8(128 >> at % 8)
            busy = (self._busy[:, at // 8] & mask) != 0
            if not busy.any():
                continue
            judged = (self._judged[:, at // 8] & mask) != 0
            visits = np.bincount(slot[judged], minlength=slots)
            hits = np.bincount(slot[busy], minlength=slots)
            share = channel_occupancy(hits, visits)
            share[visits < 0.5 * expected] = np.nan
            best = busy_hour(share)
            if best.first >= 0:
                found[at] = ((first + best.first) * SLOT_S, best.share)
        return found

    # -- shown -----------------------------------------------------------------------------------

    def heard(self, total: Counts) -> list[int]:
        """Places of the channels that were busy at least once, the busiest first."""
        share = np.nan_to_num(total.share, nan=-1.0)
        return [at for at in np.argsort(-share, kind="stable").tolist() if total.hits[at]]

    def heat(self, total: Counts, sweeps: SweepRange | None) -> HeatChart | None:
        """The strip by hour of the busiest channels, in order of frequency from the top down; None
        without a plan, or where no channel was heard."""
        shown = self.heard(total)[:ROWS_SHOWN]
        shown.sort(key=lambda at: -self.channels[at].centre_hz)
        if not shown:
            return None
        edges_s, hours = self.by_hour()
        rows = tuple(self.channels[at].name for at in shown)
        share = np.array([[one.share[at] for one in hours] for at in shown])
        return HeatChart(
            title="Occupied, by hour",
            rows=rows,
            column_edges_s=edges_s,
            share=share,
            low=np.array([[one.low[at] for one in hours] for at in shown]),
            high=np.array([[one.high[at] for one in hours] for at in shown]),
            sweeps=sweeps,
            alt=self._heat_alt(rows, edges_s, share),
        )

    def _heat_alt(self, rows: tuple[str, ...], edges_s: Float, share: Float) -> str:
        told = []
        for name, line in zip(rows, share, strict=True):
            if np.isfinite(line).any():
                best = int(np.nanargmax(line))
                from_text = clock(float(edges_s[best]), self.source.zone)
                told.append(f"{name} at most {percent(float(line[best]))} in the hour {from_text}")
        return f"Occupancy by hour of {count_text(len(rows), 'channel')}: {'; '.join(told[:8])}."

    def table(self, total: Counts, sweeps: SweepRange | None) -> Table | None:
        """All channels that were busy, and in the note those that were not."""
        if self.plan is None:
            return None
        heard = self.heard(total)
        busy = self.busy_hours()
        rows = []
        for at in heard[:TABLE_ROWS]:
            channel = self.channels[at]
            from_s, share = busy[at]
            rows.append(
                (
                    channel.name,
                    channel.centre_hz / 1e6,
                    float(total.visits[at]),
                    float(total.hits[at]),
                    100.0 * float(total.share[at]),
                    _hundredfold(total.low[at]),
                    _hundredfold(total.high[at]),
                    _finite(self._peak[at]),
                    "" if math.isnan(from_s) else clock(from_s, self.source.zone),
                    _hundredfold(share),
                )
            )
        return Table(
            title="Occupancy of the whole range",
            heads=("channel", "frequency", "visits", "busy", "share", "from", "to", "peak",
                   "busiest hour from", "its share"),
            units=("", "MHz", "", "", "%", "%", "%", self.source.unit, "", "%"),
            places=(None, 4, 0, 0, 2, 2, 2, 1, None, 1),
            rows=tuple(rows),
            note=self._note(total, heard),
            sweeps=sweeps,
        )  # fmt: skip

    def _note(self, total: Counts, heard: list[int]) -> str:
        assert self.plan is not None
        judged = total.visits > 0
        quiet = int(np.count_nonzero(judged & (total.hits == 0)))
        outside = int(np.count_nonzero(~judged))
        told = []
        if len(heard) > TABLE_ROWS:
            told.append(f"The {TABLE_ROWS} busiest of {len(heard)} channels that were heard.")
        if quiet:
            told.append(f"{count_text(quiet, 'channel')} of the plan never busy.")
        if outside:
            told.append(f"{count_text(outside, 'channel')} not covered by the sweep.")
        sro = resource_occupancy(total.share)
        if math.isfinite(sro):
            told.append(f"All channels together {percent(sro, 2)} occupied.")
        coverage = self.source.coverage
        if coverage.due:
            told.append(
                f"From {percent(int(total.visits.max(initial=0)) / coverage.due)} of the due "
                f"sweeps; from and to: 95 % interval of a channel that goes on so, visits "
                f"depending on each other, blank where it changed too little to tell."
            )
        told.append(f"Plan: {self.plan.title or self.plan.name}.")
        return " ".join(told)


def _hundredfold(value: float) -> float | None:
    return 100.0 * float(value) if math.isfinite(value) else None


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
