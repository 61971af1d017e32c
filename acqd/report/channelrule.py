"""Which channels of a sweep count as busy, by the meter's own rule, for many sweeps at once.

A channel is busy where a level in it exceeds the sweep's threshold and nothing stronger elsewhere
explains it. Whether anything could explain anything is seen of a whole block at a time; only sweeps
in which something could are looked at one by one, as the meter does it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from acqd.archive.records import SetupRecord
from acqd.archive.views import SetupView
from acqd.config.recorded import recorded_config
from acqd.errors import AcqdError
from acqd.measure.band_references import residual_limit
from acqd.measure.band_sweep import SKIRT_FALL, SKIRT_POINTS, residual_of
from acqd.measure.band_sweep import _look_at_channels as look_at_channels
from acqd.measure.band_work import BandSettings, BandSetup, BandWork
from acqd.measure.channels import ChannelPlan
from acqd.measure.meter import Role
from acqd.report.blocks import Block

__all__ = ["BUSY", "FREE", "NOT_HEARD", "ChannelRule", "plan_of", "settings_of"]

Float = NDArray[np.float64]
Mask = NDArray[np.bool_]
Place = NDArray[np.intp]

REACH_MOST = 64
"""Points to each side of a level in which what could explain it is looked for."""

NOT_HEARD, FREE, BUSY = 0, 1, 2


def plan_of(setup: SetupRecord | None) -> ChannelPlan | None:
    """The channel plan that was recorded with a setup; None without one."""
    found = settings_of(setup)
    return None if found is None else found.channels


def settings_of(setup: SetupRecord | None) -> BandSettings | None:
    """What of a band job's settings bears on whether a channel counts as busy; None where the setup
    has no config of a band with it that can be read."""
    if setup is None or not (setup.details.get("config") or {}).get("band"):
        return None
    try:
        config = recorded_config(setup.job, setup.details["config"])
        job = config.jobs[setup.job]
    except (AcqdError, KeyError):
        return None
    sweeper = config.sweepers[job.sweeper]
    return BandSettings(
        false_alarm=job.band.opening_probability,
        margin_db=job.band.margin_db,
        closing_db=job.band.closing_db,
        floor=job.band.floor,
        channels=config.channel_plans.get(setup.job),
        shape_factor=sweeper.shape_factor,
        phase_noise=sweeper.phase_noise_at or (),
        stopband_db=sweeper.stopband_db,
        neighbour_db=job.band.neighbour_db,
        residual_db=job.band.residual_db,
    )


class ChannelRule:
    """The rule for the sweeps of one setup. ``channel`` are the places in the plan of the channels
    that its grid can judge, ``edges`` their first and one-behind-last points, by turns."""

    def __init__(self, setup: SetupRecord, settings: BandSettings) -> None:
        event = SetupView.of(setup, 0.0).event
        quiet = event.references.get(str(Role.QUIET))
        self._settings = settings
        self._work = BandWork(
            settings,
            BandSetup(
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
                noise_bandwidth_ratio=event.noise_bandwidth_ratio,
            ),
            math.nan,
        )
        if quiet is not None and quiet.is_usable and quiet.level is not None:
            self._work.residual_limit = residual_limit(
                np.asarray(quiet.level, dtype=np.float64),
                event.grid.frequency_hz,
                rbw_hz=event.rbw_hz,
                margin_db=settings.residual_db,
            )
        self.channel = self._work.index.channel
        self.edges = self._work.index.edges
        self._is_apart = _apart(self.edges)
        self._falls = _falls(self._work)

    def states(self, block: Block, heard: Mask) -> NDArray[np.int8]:
        """(sweeps, channels) each NOT_HEARD, FREE or BUSY; ``heard`` (sweeps,) are those that
        listened, as far as the sweeper knows."""
        suffix = self._work.suffix
        opening = block.column(f"threshold_{suffix}")
        closing = block.figures(f"closing_{suffix}")
        closing = np.where(np.isfinite(closing), closing, opening)
        found = np.full((len(block), self.channel.size), NOT_HEARD, dtype=np.int8)
        heard = heard & np.isfinite(opening)
        found[heard] = FREE
        whole = np.asarray(np.isfinite(block.level).all(axis=1))
        with np.errstate(invalid="ignore"):
            above = np.asarray((block.level > opening[:, None]).any(axis=1))
            plain, busy = self._plain(block.level, opening, closing)
        plain = plain & heard & whole
        found[plain] = np.where(busy[plain], BUSY, FREE)
        for at in np.flatnonzero(heard & ~plain & (above | ~whole)).tolist():
            self._look(found[at], block.level[at], float(opening[at]), float(closing[at]))
        return found

    def _look(self, found: NDArray[np.int8], level: Float, opening: float, closing: float) -> None:
        """One sweep as the meter looks at it."""
        missing = residual_of(self._work, level, None)
        anything = bool((self._work.over > opening).any())
        look = look_at_channels(
            self._work, self._settings, level, opening, closing, missing, anything
        )
        if look is None:
            return
        if look.seen is not None:
            found[~look.seen] = NOT_HEARD
        found[look.own] = BUSY

    def _plain(self, level: Float, opening: Float, closing: Float) -> tuple[Mask, Mask]:
        """Sweeps in which nothing can explain a level of a channel that exceeds the threshold, and
        the busy channels of those. A look at each by itself takes twenty times as long."""
        work = self._work
        padded = np.column_stack((level, np.full(level.shape[0], -np.inf)))
        largest = self._largest(padded)
        busy = largest > opening[:, None]
        if self._settings.shape_factor is None:
            busy &= ~self._skirts(padded, largest)
        if work.residual_limit is not None:
            beyond = np.append(work.residual_limit, np.inf)
            left = self._largest(np.where(padded > beyond, padded, -np.inf))
            busy &= left > opening[:, None]
        if work.leakage is None or work.leak_db is None:
            return np.ones(level.shape[0], dtype=np.bool_), busy
        leaks = (level > opening[:, None]) & (level + work.leak_db > closing[:, None])
        plain = np.asarray(~leaks.any(axis=1))
        if work.residual_limit is None:
            leaky = np.flatnonzero(~plain)
            plain[leaky] = self._stands_out(
                level[leaky], busy[leaky], largest[leaky], opening[leaky], closing[leaky]
            )
        return plain, busy

    def _stands_out(
        self, level: Float, busy: Mask, largest: Float, opening: Float, closing: Float
    ) -> Mask:
        """(sweeps,) True where the highest level of each busy channel exceeds what all that is
        above the closing threshold, outside the channel, could explain there."""
        leakage, margin_db = self._work.leakage, self._settings.neighbour_db
        assert leakage is not None
        found = np.asarray(~busy.any(axis=1))
        if found.all():
            return found
        over_db = float(np.nanmax(level) - np.nanmin(opening))
        reach = self._reach(over_db + margin_db)
        if reach is None:
            return found
        row, channel = np.nonzero(busy)
        first, stop = self.edges[::2][channel], self.edges[1::2][channel]
        top = self._tops(level, row, first, stop, largest[row, channel])
        near = top[:, None] + np.arange(-reach, reach + 1)
        there = (near >= 0) & (near < level.shape[1]) & (near != top[:, None])
        own = (near >= first[:, None]) & (near < stop[:, None]) & self._is_apart[channel, None]
        near = np.clip(near, 0, level.shape[1] - 1)
        other = level[row[:, None], near]
        there &= ~own & (other > closing[row, None])
        axis_hz = self._work.grid.frequency_hz
        explained = other + leakage.reach_db(axis_hz[top][:, None] - axis_hz[near])
        highest = np.where(there, explained, -np.inf).max(axis=1)
        hidden = ~(largest[row, channel] > highest + margin_db)
        return np.asarray(np.bincount(row[hidden], minlength=level.shape[0]) == 0)

    @staticmethod
    def _tops(level: Float, row: Place, first: Place, stop: Place, top: Float) -> Place:
        """The first point of each channel that has its highest level."""
        points = first[:, None] + np.arange(int((stop - first).max()))
        inside = np.minimum(points, stop[:, None] - 1)
        return np.asarray(first + (level[row[:, None], inside] == top[:, None]).argmax(axis=1))

    def _reach(self, over_db: float) -> int | None:
        """So many points away a signal that is so much above the threshold explains nothing above
        it; None where that is far, or where it does not fall with the distance."""
        falls = self._falls
        if falls is None:
            return None
        near = np.flatnonzero(falls + over_db > 0.0)
        reach = int(near[-1]) + 1 if near.size else 1
        return reach if reach < falls.size else None

    def _largest(self, padded: Float) -> Float:
        return np.asarray(np.fmax.reduceat(padded, self.edges, axis=1)[:, ::2])

    def _skirts(self, padded: Float, largest: Float) -> Mask:
        """As the meter's, of many sweeps: channels that show the skirt of what the next one has."""
        first, stop = self.edges[::2], self.edges[1::2]
        at_first, at_last = padded[:, first], padded[:, stop - 1]
        from_below = (largest == at_first) & (padded[:, first - 1] > at_first)
        from_above = (largest == at_last) & (padded[:, stop] > at_last)
        falls = np.minimum(at_first, at_last) <= largest - SKIRT_FALL
        wide = self._work.widths >= SKIRT_POINTS
        return np.asarray((from_below | from_above) & falls & wide)


def _apart(edges: Place) -> Mask:
    """(channels,) True where a channel shares no point with another one."""
    owners = np.zeros(int(edges.max(initial=0)) + 1, dtype=np.int64)
    pairs = edges.reshape(-1, 2).tolist()
    for first, stop in pairs:
        owners[first:stop] += 1
    return np.array([bool((owners[first:stop] == 1).all()) for first, stop in pairs], np.bool_)


def _falls(work: BandWork) -> Float | None:
    """How far a signal has fallen (≤ 0), at the most, one point away, two points, and so on; None
    where a farther point may show more of it than a near one."""
    leakage, axis_hz = work.leakage, work.grid.frequency_hz
    if leakage is None or axis_hz.size < 2:
        return None
    noise = [density for _, density in leakage.phase_noise]
    step_hz = float(np.diff(axis_hz).min())
    if not step_hz > 0 or noise != sorted(noise, reverse=True):
        return None
    return leakage.reach_db(np.arange(1.0, REACH_MOST + 1.0) * step_hz)
