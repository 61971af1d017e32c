"""What a band meter works out once per setup, and again when it learns what the noise is like."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.band_floor import OwnFloor
from acqd.measure.band_references import quiet_floor, residual_limit
from acqd.measure.bandpower import enb_hz, scallop_db, step_too_wide
from acqd.measure.channels import ChannelPlan
from acqd.measure.checkpoint import ADDED
from acqd.measure.floor import BUSY_FALSE_ALARM, FlatFloor, dither
from acqd.measure.neighbours import Leakage, leak_out_db, poles_of
from acqd.measure.occupancy import index_channels
from acqd.measure.statistics import (
    AVERAGES_LIMIT,
    AveragesFrom,
    NoiseModel,
    averages_from_spread,
    detectable_over_floor_db,
    false_alarm_of_any,
    normal_quantile,
    spread_db,
)
from acqd.measure.trial import TrialRange
from acqd.measure.witness import Witness
from acqd.measure.words import unit_suffix
from acqd.sweep import Detector, Grid, LevelUnit
from acqd.units import THERMAL_DENSITY_DBM_PER_HZ

__all__ = ["AerialNoise", "BandSettings", "BandSetup", "BandWork"]

CLOSING_FALSE_ALARM = 1e-3
"""The closing threshold is not put where noise alone would keep a signal open more often."""

SPREAD_TO_SIGMA = 1.0 / 0.8416212335729143
"""From median less 20 % point to the standard deviation of a normal distribution."""

SEEN_SURELY = 0.95

COARSE = 0.05
"""Levels in steps of at least this much are taken for a coarse scale (dB; digits likewise)."""

COARSE_OVER = 1.5
"""On a coarse scale no threshold lies closer to the floor than so many steps."""

WITNESS_FALSE_ALARM = 1e-7
"""A witness is not heard by what a point of noise does more often."""

QUIET_WITHIN_DB = 1.0
FIGURE_WITHIN_DB = 2.0
"""How near a floor is to the sweeper's own where that is known by a quiet reference, and by a
stated noise figure."""

RANGES_LIMIT = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class AerialNoise:
    """What lies between the aerial and the sweeper's input, for an external noise figure.

    Args:
        chain_gain_db: losses negative, without the aerial's directive gain.
        chain_figure_db: noise figure of the chain; None for a passive one at 290 K.
        antenna_loss_db: ohmic and mismatch loss of the aerial.
        instrument_figure_db: noise figure of the sweeper at the job's settings; None takes it from
            the quiet reference.
        chain_u_db, antenna_u_db, instrument_u_db: standard uncertainties.
    """

    chain_gain_db: float = 0.0
    chain_figure_db: float | None = None
    antenna_loss_db: float = 0.0
    instrument_figure_db: float | None = None
    chain_u_db: float = 0.0
    antenna_u_db: float = 0.0
    instrument_u_db: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BandSettings:
    """What a job of kind ``band`` is told.

    Args:
        false_alarm: probability that one point of noise counts as a signal, per sweep; sets the
            threshold. With ``margin_db`` too, the higher threshold is taken; one of them is needed.
        margin_db: threshold above the mean noise power (digits on a scale of digits).
        closing_db: how far below it a signal ends; less where noise alone would keep it open.
        min_duration_s: how long a signal must have lasted before it is told of.
        floor: ``"flat"`` (one level a sweep) or ``"learnt"`` (a shape over frequency, learnt
            for ``learn_s``, plus one level a sweep). While it learns nothing is told or counted:
            against a floor that is not flat a flat threshold would find signals everywhere.
        floor_step_db: a floor that moves this much and stays is a finding (digits likewise).
        floor_hold_s: how long it has to stay; nine sweeps in any case.
        flapping_s: three appearances within it make an episode that is told once; 0 switches
            that off.
        averages: N of the noise where the user states it; else it is taken from the setup
            (sample detector) or estimated from the data.
        channels: the channels that occupancy is counted for.
        plane: the reference plane in words, as in "at the aerial socket".
        shape_factor: 60 dB over 3 dB width of the RBW filter; None for a Gaussian one.
        phase_noise: the sweeper's, (offset in Hz, dBc/Hz) in rising order of offset; empty: not
            known, and then only the filter's skirt is taken for a neighbour's.
        stopband_db: rejection that the RBW filter does not exceed; None for none.
        neighbour_db: a channel is busy where a level exceeds what its neighbours explain by more.
        residual_db: readings up to so much above a residual response of the quiet reference, within
            one RBW of it, are taken for it.
        trial: name of the context that says whether the thing under test is on; None for none.
        trial_over: above this value it is on.
        trial_settle: sweeps left out after each switching.
        ranges: what trials and comparisons with the ambient reference are told for; the whole sweep
            where empty.
        ambient_drift_db: how far the room and the sweeper may have moved since the ambient
            reference, as a standard uncertainty.
        aerial: for the external noise figure; None tells none.
        region: of the ITU, 1 to 3: where the amateur bands lie, in which S readings are told.
        check_tolerance_db: a change up to this counts as none in the overload check.
        witnesses: signals that should be heard now and then; without any they are learnt where
            ``learn_witnesses``, from the channels.
        deaf_by_floor: whether a floor that falls may say that nobody hears.
        may_repeat: sweeps that equal each other are no sign of a frozen sweeper.
        own_figure_db: noise figure of the sweeper at the job's settings; None: not stated.
    """

    false_alarm: float | None = 1e-7
    margin_db: float | None = None
    closing_db: float = 3.0
    min_duration_s: float = 0.0
    floor: str = "flat"
    learn_s: float = 600.0
    floor_step_db: float = 3.0
    floor_hold_s: float = 30.0
    flapping_s: float = 60.0
    averages: float | None = None
    channels: ChannelPlan | None = None
    plane: str = "the sweeper's input"
    shape_factor: float | None = None
    phase_noise: tuple[tuple[float, float], ...] = ()
    stopband_db: float | None = None
    neighbour_db: float = 3.0
    residual_db: float = 6.0
    trial: str | None = None
    trial_over: float = 0.5
    trial_settle: int = 1
    ranges: tuple[TrialRange, ...] = ()
    ambient_drift_db: float = 0.0
    aerial: AerialNoise | None = None
    check_tolerance_db: float = 1.0
    region: int = 1
    witnesses: tuple[Witness, ...] = ()
    learn_witnesses: bool = True
    deaf_by_floor: bool = True
    may_repeat: bool = False
    own_figure_db: float | None = None

    def __post_init__(self) -> None:
        if self.false_alarm is None and self.margin_db is None:
            raise ValueError("one of false_alarm and margin_db is needed, got neither")
        if self.false_alarm is not None and not 1e-15 <= self.false_alarm <= 0.1:
            raise ValueError(f"false_alarm must lie in 1e-15..0.1, got {self.false_alarm}")
        if self.floor not in ("flat", "learnt"):
            raise ValueError(f'floor must be "flat" or "learnt", got {self.floor!r}')
        if self.averages is not None and not self.averages > 0:
            raise ValueError(f"averages must be above 0, got {self.averages}")
        for name in ("margin_db", "floor_step_db"):
            value = getattr(self, name)
            if value is not None and not value > 0:
                raise ValueError(f"{name} must be above 0, got {value}")
        for name in (
            "closing_db",
            "min_duration_s",
            "learn_s",
            "floor_hold_s",
            "flapping_s",
            "neighbour_db",
            "residual_db",
            "trial_settle",
            "ambient_drift_db",
            "check_tolerance_db",
        ):
            if not getattr(self, name) >= 0:
                raise ValueError(f"{name} must not be below 0, got {getattr(self, name)}")
        if len(self.ranges) > RANGES_LIMIT:
            raise ValueError(f"at most {RANGES_LIMIT} ranges, got {len(self.ranges)}")
        # What the sweeper does to neighbours is looked at here, not at the first sweep.
        self.leakage(1.0)

    def leakage(self, rbw_hz: float, enb_hz: float | None = None) -> Leakage:
        """How far a signal reaches behind an RBW filter of that 3 dB width.

        ``enb_hz`` is its noise bandwidth where that is stated; None takes a Gaussian filter's.

        Raises:
            ValueError: a shape factor beyond a single pole's, or phase noise out of order.
        """
        return Leakage(
            rbw_hz=rbw_hz,
            poles=math.inf if self.shape_factor is None else poles_of(self.shape_factor),
            phase_noise=self.phase_noise,
            stopband_db=self.stopband_db,
            enb_hz=enb_hz,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class BandSetup:
    """The setup that sweeps are taken with; the part of SetupChanged that a state keeps."""

    setup: str
    frequency_hz: NDArray[np.float64]
    unit: LevelUnit
    rbw_hz: float | None
    detector: Detector | None
    averages: int | None
    interval_s: float | None
    sweep_time_s: float | None
    level_accuracy_db: float
    assumed: tuple[str, ...]
    resolution: float | None = None
    attenuation_db: float | None = None
    gain_db: float | None = None
    """Gain of the chain from the plane to the input in the middle of the sweep; None without."""
    quiet: NDArray[np.float64] | None = None
    """Levels with the input terminated, (points,) at the plane; None without a usable reference."""
    quiet_at_s: float | None = None
    ambient: NDArray[np.float64] | None = None
    """Levels with the thing under test off, (points,); None without a usable reference."""
    ambient_at_s: float | None = None
    ambient_u_db: float = 0.0
    """Standard uncertainty of a point of it."""
    noise_bandwidth_ratio: float | None = field(default=None, metadata={ADDED: True})
    """Noise bandwidth over ``rbw_hz``; None where nobody stated it."""


class BandWork:
    """Everything about a setup that does not change from sweep to sweep, and scratch arrays.

    ``spread`` is the noise's spread as seen so far, NaN before any sweep. The scratch arrays are
    overwritten by every step: one thread at a time.
    """

    def __init__(self, settings: BandSettings, setup: BandSetup, spread: float) -> None:
        self.setup = setup
        self.grid = Grid(frequency_hz=setup.frequency_hz)
        self.points = self.grid.points
        self.unit = setup.unit
        self.suffix = unit_suffix(setup.unit)
        self.logarithmic = setup.unit.is_logarithmic
        self.padded = np.full(self.points + 1, -np.inf)
        self.over = self.padded[:-1]
        self.exponent = np.empty(self.points)
        step = setup.resolution or 0.0
        self.coarse = step if step >= COARSE else 0.0
        self.blur = dither(self.points, self.coarse) if self.coarse else None
        plan = settings.channels
        self.index = index_channels(self.grid, () if plan is None else plan.channels)
        self.channel_list = self.index.channel.tolist()
        self.widths = np.diff(self.index.edges.reshape(-1, 2), axis=1).reshape(-1)
        cells = self.grid.cell_hz
        self.step_hz = float(np.median(cells))
        self.tolerance_hz = max(setup.rbw_hz or 0.0, 1.5 * float(cells.max()))
        self.power_reason = (
            step_too_wide(float(cells.max()), setup.rbw_hz)
            if self.logarithmic
            else f"levels are in {setup.unit.value}, not in decibels"
        )
        stated = setup.noise_bandwidth_ratio
        enb = None if setup.rbw_hz is None else enb_hz(setup.rbw_hz, enb_per_rbw=stated)
        self.enb_hz = enb
        self.leakage = (
            settings.leakage(setup.rbw_hz, None if stated is None else enb)
            if setup.rbw_hz is not None and self.logarithmic
            else None
        )
        self.leak_db = None
        if self.leakage is not None and len(self.index) > 0:
            self.leak_db = leak_out_db(self.index.of_point, setup.frequency_hz, self.leakage)
        self.residual_limit = None
        if setup.quiet is not None and self.logarithmic:
            self.residual_limit = residual_limit(
                setup.quiet,
                setup.frequency_hz,
                rbw_hz=setup.rbw_hz,
                margin_db=settings.residual_db,
            )
        axis_hz = setup.frequency_hz
        self.ranges = settings.ranges or (
            TrialRange(name="all", start_hz=float(axis_hz[0]), stop_hz=float(axis_hz[-1])),
        )
        self.outside = self.index.of_point < 0
        self.zero_span = self.points > 1 and axis_hz[0] == axis_hz[-1]
        self.independent = 1.0 if enb is None else min(1.0, max(self.step_hz, 1e-9) / enb)
        if self.zero_span and enb is not None and setup.sweep_time_s:
            # The points are moments: independent as far apart as the filter's response is long.
            self.independent = min(1.0, enb * setup.sweep_time_s / self.points)
        elif self.zero_span:
            self.independent = 1.0
        self._place_witnesses(settings)
        self.tuned(settings, spread)

    def _place_witnesses(self, settings: BandSettings) -> None:
        """The points that named witnesses are looked for at. One that the grid does not reach has
        none: it is never heard."""
        axis_hz, points, there = self.setup.frequency_hz, [], []
        for number, one in enumerate(settings.witnesses):
            if one.channel is not None:
                at = np.flatnonzero(self.index.channel == one.channel)
                edges = self.index.edges[2 * at[0] : 2 * at[0] + 2] if at.size else (0, 0)
            else:
                near_hz = max(0.5 * (self.setup.rbw_hz or 0.0), 0.51 * self.step_hz)
                frequency_hz = one.frequency_hz or 0.0
                edges = np.searchsorted(axis_hz, (frequency_hz - near_hz, frequency_hz + near_hz))
            if edges[1] > edges[0]:
                points.append(np.arange(edges[0], edges[1]))
                there.append(number)
        self.witness_there = np.array(there, dtype=np.intp)
        self.witness_points = np.concatenate(points) if points else np.empty(0, dtype=np.intp)
        sizes = [0, *(one.size for one in points[:-1])]
        self.witness_starts = np.cumsum(sizes).astype(np.intp)
        self.witness_named = len(settings.witnesses)

    def tuned(self, settings: BandSettings, spread: float) -> None:
        """Set what hangs on the noise. Only before the work is first used."""
        self.spread = spread
        self.model = _noise_model(settings, self.setup, spread) if self.logarithmic else None
        shape = 1.0 if self.model is None else self.model.shape
        self.flat = FlatFloor(
            self.points,
            shape,
            independent=self.independent,
            logarithmic=self.logarithmic,
            busy_over_db=None
            if self.model is None
            else self.model.threshold_over_mean_db(BUSY_FALSE_ALARM) + self.coarse / 2.0,
            blur=self.blur if self.logarithmic else None,
        )
        if self.model is not None:
            self._tune_db(settings, self.model)
        else:
            self._tune_digits(settings, spread)
        self.false_alarm_sweep = false_alarm_of_any(
            self.false_alarm_point, self.points * self.independent
        )
        self.witness_over = self.open_over
        if self.model is not None:
            least = self.model.threshold_over_mean_db(WITNESS_FALSE_ALARM) + self.coarse / 2.0
            self.witness_over = max(self.open_over, least)
        self.own_floor = self._own_floor(settings)
        self.static = self._static(settings)

    def _own_floor(self, settings: BandSettings) -> OwnFloor | None:
        """The sweeper's own floor at the plane, as a floor is told; None where unknown."""
        setup = self.setup
        if not self.logarithmic:
            return None
        if setup.quiet is not None:
            level, _ = quiet_floor(setup.quiet)
            if math.isfinite(level):
                level += 0.0 if self.model is None else self.model.mean_to_power_db or 0.0
                return OwnFloor(
                    level=level, within_db=QUIET_WITHIN_DB, known_by="the quiet reference"
                )
        figure_db, model = settings.own_figure_db, self.model
        told = model is not None and model.mean_to_power_db is not None
        if figure_db is None or not told or self.enb_hz is None or self.unit is not LevelUnit.DBM:
            return None
        power = THERMAL_DENSITY_DBM_PER_HZ + figure_db + 10.0 * math.log10(self.enb_hz)
        level = power - (setup.gain_db or 0.0)
        return OwnFloor(level=level, within_db=FIGURE_WITHIN_DB, known_by="its stated noise figure")

    @property
    def sigma(self) -> float:
        """Standard deviation of a reading of noise, about; NaN where nobody knows."""
        if not math.isnan(self.spread):
            return self.spread * SPREAD_TO_SIGMA
        return math.nan if self.model is None else spread_db(self.model.shape) * SPREAD_TO_SIGMA

    def retuned(self, settings: BandSettings, spread: float) -> BandWork:
        """The same work with another spread of the noise; shares the scratch arrays."""
        new = object.__new__(BandWork)
        new.__dict__.update(self.__dict__)
        new.tuned(settings, spread)
        return new

    @property
    def estimates(self) -> bool:
        """Whether the spread of the data matters."""
        return self.model is None or self.model.averages_from is not AveragesFrom.STATED

    def _tune_db(self, settings: BandSettings, model: NoiseModel) -> None:
        # A reading may be half a step more than what was there, and a level half a step less.
        half_step, shape = self.coarse / 2.0, model.shape
        wanted = [] if settings.margin_db is None else [settings.margin_db]
        if settings.false_alarm is not None:
            wanted.append(model.threshold_over_mean_db(settings.false_alarm) + half_step)
        self.open_over = max(*wanted, COARSE_OVER * self.coarse)
        lowest = model.threshold_over_mean_db(CLOSING_FALSE_ALARM) + half_step
        lowest = max(lowest, self.coarse)
        self.close_over = min(self.open_over, max(lowest, self.open_over - settings.closing_db))
        self.false_alarm_point = model.false_alarm_probability(self.open_over - half_step)
        scallop = 0.0
        if self.setup.rbw_hz is not None and self.points > 1:
            scallop = -scallop_db(self.step_hz, self.setup.rbw_hz)
        surely = detectable_over_floor_db(self.open_over + half_step, shape, SEEN_SURELY)
        half = detectable_over_floor_db(self.open_over + half_step, shape, 0.5)
        self.weakest_over = surely + scallop
        self.weakest_half_over = half + scallop

    def _tune_digits(self, settings: BandSettings, spread: float) -> None:
        # Digits have no noise law of their own: normal, by the spread that was seen.
        sigma = 0.0 if math.isnan(spread) else spread * SPREAD_TO_SIGMA
        # The floor is the 20 % point; the middle of the noise lies one spread above it.
        middle = 0.0 if math.isnan(spread) else spread
        half_step = self.coarse / 2.0
        wanted = [] if settings.margin_db is None else [settings.margin_db]
        if settings.false_alarm is not None:
            wanted.append(middle - sigma * normal_quantile(settings.false_alarm) + half_step)
        self.open_over = max(*wanted, COARSE_OVER * self.coarse)
        lowest = middle - sigma * normal_quantile(CLOSING_FALSE_ALARM) + half_step
        lowest = max(lowest, self.coarse)
        self.close_over = min(self.open_over, max(lowest, self.open_over - settings.closing_db))
        away = (self.open_over - half_step - middle) / sigma if sigma > 0 else math.inf
        self.false_alarm_point = 0.5 * math.erfc(away / math.sqrt(2.0))
        self.weakest_half_over = self.open_over + half_step
        self.weakest_over = self.weakest_half_over + sigma * normal_quantile(SEEN_SURELY)

    def _static(self, settings: BandSettings) -> dict[str, Any]:
        """The part of a summary that is the same for every sweep of this work."""
        model = self.model
        assumed = list(self.setup.assumed)
        if model is None:
            noise = f"{self.unit.value}: no power, floor is the 20 % point as it is"
            averages, source = None, None
        else:
            noise = model.note
            averages, source = round(model.shape, 3), model.averages_from.value
            if model.detector is None and "detector" not in assumed:
                assumed.append("detector")
        return {
            "unit": self.unit.value,
            "plane": settings.plane,
            "noise": noise,
            "averages": averages,
            "averages_from": source,
            "false_alarm_per_point": self.false_alarm_point,
            "false_alarm_per_sweep": self.false_alarm_sweep,
            "level_accuracy_db": self.setup.level_accuracy_db,
            "signal_power_refused": self.power_reason,
            "assumed": assumed,
        }


def _noise_model(settings: BandSettings, setup: BandSetup, spread: float) -> NoiseModel:
    detector = setup.detector
    if settings.averages is not None:
        return NoiseModel.stated(detector, settings.averages)
    # Only a sample detector's averages are all there is: the others average inside each point.
    told = not {"averages", "detector"} & set(setup.assumed)
    if told and detector is Detector.SAMPLE and setup.averages:
        return NoiseModel.stated(detector, float(setup.averages))
    if math.isnan(spread):
        return NoiseModel.of_shape(detector, 1.0, AveragesFrom.ASSUMED)
    shape = min(AVERAGES_LIMIT, max(1.0, averages_from_spread(spread)))
    return NoiseModel.of_shape(detector, shape, AveragesFrom.ESTIMATED)
