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
        """Sweeps in which no signal can be seen in a channel that it is not in, or that have one
        channel and nothing outside all above the closing threshold; and the busy channels of those.

        A look at each sweep by itself takes a hundred times as long.
        """
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
        plain = ~leaks.any(axis=1)
        strong = (largest > closing[:, None]).sum(axis=1)
        outside = (level[:, work.outside] > closing[:, None]).any(axis=1)
        return np.asarray(plain | ((strong <= 1) & ~outside)), busy

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
