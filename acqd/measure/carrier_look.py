"""One sweep of a carrier job: where the line lies, how strong it is, how sure that is. No memory.

The line is the highest point of the window, placed between the points by a parabola in dB
(:mod:`acqd.measure.peaks`). Its reading holds the floor too; how much that may be is part of the
budget, it is not taken out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.bandpower import FilterShape
from acqd.measure.floor import dither, floor_flat, spread_of_noise
from acqd.measure.meter import SetupChanged
from acqd.measure.peaks import InterpolatedPeak, interpolated_peak
from acqd.measure.statistics import AVERAGES_LIMIT, averages_from_spread
from acqd.measure.uncertainty import (
    Budget,
    Component,
    Port,
    Reading,
    SweeperFacts,
    chain_element,
    frequency_budget,
    level_budget,
)
from acqd.sweep import Detector

__all__ = ["CarrierLook", "CarrierSettings", "Heard", "look_for_carrier", "noise_spread"]

Float = NDArray[np.float64]

PLACE = "noise and place between the points"
"""Component of a frequency's budget: what :func:`interpolated_peak` says of the line's place."""

COARSE_STEP = 0.05
"""Levels in steps of this many dB or more are spread over their step before the floor is sought."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CarrierSettings:
    """What a carrier job asks for.

    Args:
        expected_hz: where the carrier is meant to be; None for the middle of the sweep.
        window_hz: width around it in which the line is sought; None for the whole sweep.
        least_over_floor_db: a line below this is not heard.
        shape: of the RBW filter.
        learn: readings from which the watch for steps learns what is usual.
        false_alarms_a_day: of steps that are none, in level and frequency together.
        level_step_db, frequency_step_hz: smaller steps are not told.
        warm_up: tell once when a warm-up is over.
        source_vswr, input_vswr: for the budget; None assumes.
        plane: where levels hold, in words.
    """

    expected_hz: float | None = None
    window_hz: float | None = None
    least_over_floor_db: float = 10.0
    shape: FilterShape = FilterShape.GAUSSIAN
    learn: int = 100
    false_alarms_a_day: float = 0.1
    level_step_db: float = 0.5
    frequency_step_hz: float = 0.0
    warm_up: bool = True
    source_vswr: float | None = None
    input_vswr: float | None = None
    plane: str = "the sweeper's input"

    def expected_in(self, setup: SetupChanged) -> float:
        """The frequency that offsets count from."""
        if self.expected_hz is not None:
            return self.expected_hz
        frequency_hz = setup.grid.frequency_hz
        return float(frequency_hz[0] + frequency_hz[-1]) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A carrier that stands out. ``level`` and ``frequency`` are the budgets of its two figures;
    None where nothing bounds them, and then ``peak.reason`` says why."""

    at_s: float
    peak: InterpolatedPeak
    over_floor_db: float
    level: Budget | None
    frequency: Budget | None

    @property
    def is_bounded(self) -> bool:
        """Whether the frequency is good for a drift."""
        return self.frequency is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class CarrierLook:
    """What one sweep shows. ``floor`` is the mean power of the noise, NaN without any level;
    ``strongest`` the highest level of the window; ``reason`` says why nothing is ``heard``."""

    floor: float
    strongest: float
    heard: Heard | None
    reason: str | None


def noise_spread(level: Float, resolution: float | None) -> float | None:
    """Spread of the noise of one sweep, from which N is told; None where there is too little."""
    step = resolution or 0.0
    return spread_of_noise(level, dither(level.size, step) if step >= COARSE_STEP else None)


def stated_averages(setup: SetupChanged) -> float | None:
    """N where it is stated: only a sample detector's averages are all there is."""
    told = not {"averages", "detector"} & set(setup.assumed)
    if told and setup.detector is Detector.SAMPLE and setup.averages:
        return float(setup.averages)
    return None


def averages_of(setup: SetupChanged, spread: float | None) -> float:
    """N of the noise: as stated, else from the spread of the data, else 1."""
    stated = stated_averages(setup)
    if stated is not None:
        return stated
    return 1.0 if spread is None else min(AVERAGES_LIMIT, max(1.0, averages_from_spread(spread)))


def look_for_carrier(
    settings: CarrierSettings,
    setup: SetupChanged,
    level: Float,
    *,
    averages: float,
    started_s: float,
    took_s: float,
) -> CarrierLook:
    """Find the carrier in one sweep.

    Args:
        level: (points,) in dB of any reference on the setup's grid, NaN allowed.
        averages: N, power samples averaged in each point.
        started_s, took_s: of the sweep; the reading's time is when the sweep came past the line.

    Returns:
        Nothing heard, with the reason, where no level of the window is known, the line stands less
        than asked above the floor, or the highest point lies at the border of the window with a
        higher one beyond it: that line belongs to somebody else.
    """
    frequency_hz = setup.grid.frequency_hz
    step = setup.resolution or 0.0
    blurred = level + dither(level.size, step) if step >= COARSE_STEP else level
    floor = floor_flat(blurred, averages=averages).level
    inside = _window(settings, setup, frequency_hz) & np.isfinite(level)
    if not inside.any():
        return _nothing(floor, math.nan, "no level of the window is known")
    at = int(np.argmax(np.where(inside, level, -np.inf)))
    top = float(level[at])
    around = level[max(0, at - 1) : at + 2]
    if bool((around > top).any()):
        return _nothing(floor, top, "the highest level of the window is at its border")
    over_db = top - floor
    if not over_db >= settings.least_over_floor_db:
        return _nothing(
            floor,
            top,
            f"{over_db:.1f} dB above the floor, {settings.least_over_floor_db:g} dB are needed",
        )
    peak = interpolated_peak(
        frequency_hz,
        level,
        at,
        rbw_hz=setup.rbw_hz,
        shape=settings.shape,
        floor_db=floor,
        averages=averages,
        resolution_db=step,
    )
    passed = at / max(1, level.size - 1)
    heard = Heard(
        at_s=started_s + took_s * passed,
        peak=peak,
        over_floor_db=over_db,
        level=_level_budget(settings, setup, peak, at, over_db, averages),
        frequency=_frequency_budget(setup, peak, at),
    )
    return CarrierLook(floor=floor, strongest=top, heard=heard, reason=None)


def _window(
    settings: CarrierSettings, setup: SetupChanged, frequency_hz: Float
) -> NDArray[np.bool_]:
    if settings.window_hz is None:
        return np.ones(frequency_hz.size, dtype=np.bool_)
    away_hz = np.abs(frequency_hz - settings.expected_in(setup))
    return np.asarray(away_hz <= settings.window_hz / 2.0)


def _nothing(floor: float, strongest: float, reason: str) -> CarrierLook:
    return CarrierLook(floor=floor, strongest=strongest, heard=None, reason=reason)


def _level_budget(
    settings: CarrierSettings,
    setup: SetupChanged,
    peak: InterpolatedPeak,
    at: int,
    over_db: float,
    averages: float,
) -> Budget | None:
    if peak.bias_low_db is None or peak.bias_high_db is None:
        return None
    accuracy_db = setup.sweeper_accuracy_db
    if accuracy_db is None:
        accuracy_db = setup.level_accuracy_db
    is_assumed = "level_accuracy_db" in setup.assumed
    facts = SweeperFacts(
        accuracy_db=accuracy_db,
        input_vswr=settings.input_vswr,
        step_db=setup.resolution or 0.0,
        assumed=frozenset({"accuracy_db"} if is_assumed else ()),
    )
    reading = Reading(
        over_floor_db=over_db,
        averages=averages,
        scallop_db=max(-peak.bias_low_db, peak.bias_high_db),
        # Nothing is unscrewed between two sweeps; how well a joint repeats is in the accuracy.
        deviation_db=0.0,
    )
    # What a chain with an amplifier loses on the whole is less than what its pads do: wider.
    pad_db = 0.0 if setup.gain_db is None else max(0.0, -float(setup.gain_db[at]))
    port = Port(source_vswr=settings.source_vswr, pad_db=pad_db)
    chain = [chain_element(name, half_db) for name, half_db in setup.chain_parts]
    return level_budget(facts, reading, port=port, chain=chain)


def _frequency_budget(setup: SetupChanged, peak: InterpolatedPeak, at: int) -> Budget | None:
    is_assumed = "frequency_accuracy_ppm" in setup.assumed
    ppm = None if is_assumed else setup.frequency_accuracy_ppm
    if peak.u_hz is not None:
        found = frequency_budget(peak.frequency_hz, accuracy_ppm=ppm)
        shrink = "sweep a narrower span with a narrower RBW, or average more"
        return found.with_components(Component.from_standard(PLACE, peak.u_hz, shrink=shrink))
    if setup.rbw_hz is None and 0 < at < setup.grid.points - 1:
        # Without an RBW the line is taken to lie within a step of the highest point.
        step_hz = float(np.max(np.diff(setup.grid.frequency_hz[at - 1 : at + 2])))
        return frequency_budget(peak.frequency_hz, accuracy_ppm=ppm, step_hz=2.0 * step_hz)
    return None
