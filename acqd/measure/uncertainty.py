"""How uncertain a level, a difference of levels or a frequency is, and what would shrink that.

The builders here put together the budgets (:mod:`acqd.measure.budget`) that are usual in the trade.
What nobody stated is not left out: a wide value is assumed and marked as such. Marks of the
defaults: "practice" is trade practice without a source, "definition ours" a choice made here. All
err to the wide side for usual gear.

A reading less another of the same sweeper has a budget of its own: what is common to both cancels.
What is common is for the caller to know (:func:`difference_budget`, :meth:`Budget.without`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from acqd.measure.budget import (
    Budget,
    Component,
    Shape,
    Share,
    reflection_behind_pad,
    reflection_of_vswr,
)
from acqd.measure.statistics import DB_PER_NEPER

__all__ = [
    "ASSUMED_DEVICE_VSWR",
    "ASSUMED_DRIFT_DB_PER_H",
    "ASSUMED_DRIFT_DB_PER_K",
    "ASSUMED_DRIFT_MOST_DB",
    "ASSUMED_FLATNESS_DB",
    "ASSUMED_FREQUENCY_PPM",
    "ASSUMED_INPUT_VSWR",
    "ASSUMED_LEVEL_ACCURACY_DB",
    "ASSUMED_PAD_VSWR",
    "ASSUMED_PART_DB",
    "ASSUMED_REPEATABILITY_DB",
    "ASSUMED_SCALE_DB",
    "ASSUMED_SOURCE_VSWR",
    "ASSUMED_SWITCHING_DB",
    "ASSUMED_TEMPERATURE_K",
    "FLOOR_LEAST_DB",
    "INTERPOLATION_REST",
    "SCALE_FULL_DB",
    "Budget",
    "Cause",
    "Component",
    "Elapsed",
    "Port",
    "Reading",
    "Shape",
    "Share",
    "SweeperFacts",
    "chain_element",
    "difference_budget",
    "frequency_budget",
    "input_mismatch",
    "insertion_mismatch",
    "level_budget",
    "scale_fidelity_db",
]

# --- what is assumed where nobody says ------------------------------------------------------------

ASSUMED_LEVEL_ACCURACY_DB = 3.0
"""Limits. Portable sweepers are sold as ±1 to ±2 dB (practice); a used one may be off by more."""

ASSUMED_FLATNESS_DB = 1.5
"""Limits between two frequencies of one sweeper: half of the above (definition ours)."""

ASSUMED_SCALE_DB = 1.0
"""Limits of the scale's error over :data:`SCALE_FULL_DB` and more (practice: log amplifiers)."""

SCALE_FULL_DB = 20.0
"""From no difference to this one the scale's error grows in proportion (definition ours)."""

ASSUMED_SWITCHING_DB = 0.5
"""Limits, where RBW, attenuation or preamplifier differ between two readings (practice)."""

ASSUMED_INPUT_VSWR = 1.6
"""Of a sweeper's input with 10 dB of its own attenuation (practice); with none it may be over 2."""

ASSUMED_SOURCE_VSWR = 2.0
"""Of the thing measured, at its working frequency (practice). Aerials and harmonics: state it."""

ASSUMED_PAD_VSWR = 1.2
"""Of either end of a pad (practice)."""

ASSUMED_DEVICE_VSWR = 1.5
"""Of a two-port where it passes (practice); where it does not: see :func:`insertion_mismatch`."""

ASSUMED_PART_DB = 1.0
"""Half-width at k = 2 of a part of the chain about which nobody says anything (practice)."""

ASSUMED_REPEATABILITY_DB = 0.2
"""Standard deviation from one connection to the next, joints and cables moved (practice)."""

ASSUMED_DRIFT_DB_PER_H = 0.05
"""Limits per hour at one temperature, warmed up (definition ours)."""

ASSUMED_DRIFT_MOST_DB = 1.0
"""An assumed drift stops here: a scale wanders within its accuracy and does not walk away."""

ASSUMED_DRIFT_DB_PER_K = 0.05
"""Limits per kelvin (practice: log amplifiers and mixers without a level loop)."""

ASSUMED_TEMPERATURE_K = 5.0
"""Limits of the change of temperature indoors since a reference (definition ours)."""

ASSUMED_FREQUENCY_PPM = 10.0
"""Limits: a plain quartz over temperature and years (practice)."""

FLOOR_LEAST_DB = 3.0
"""Closer to the floor the floor cannot be taken out, and a reading is only a bound (practice)."""

INTERPOLATION_REST = 0.5
"""Part of the scallop that three-point interpolation leaves: computed 0.41 at most for four and
five tuned poles and a step of up to one RBW, none for a Gaussian; a single pole leaves 0.71."""


class Cause(StrEnum):
    """What the builders below call their components; :meth:`Budget.without` takes these."""

    LEVEL_ACCURACY = "sweeper's level accuracy"
    FLATNESS = "sweeper's flatness"
    SCALE = "sweeper's scale fidelity"
    SWITCHING = "sweeper's switching of RBW and attenuation"
    RESOLUTION = "sweeper's level step"
    MISMATCH = "mismatch between the thing measured and the sweeper"
    MISMATCH_FAR = "mismatch between the thing measured and the pad"
    MISMATCH_NEAR = "mismatch between the pad and the sweeper"
    MISMATCH_THROUGH = "mismatch in the through reference"
    MISMATCH_DEVICE_IN = "mismatch at the device's input"
    MISMATCH_DEVICE_OUT = "mismatch at the device's output"
    MISMATCH_ACROSS = "mismatch seen through the device"
    REPEATABILITY = "repeatability"
    NOISE = "noise on the reading"
    FLOOR = "floor within the reading"
    PEAK = "peak between two points"
    AGE = "drift with time"
    TEMPERATURE = "drift with temperature"
    FREQUENCY = "sweeper's frequency accuracy"
    STEP_HZ = "distance of the points"
    LEVEL_AT_EDGE = "level at which the edge is read"


# --- what is known --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class SweeperFacts:
    """What is known of a sweeper; None: nobody says, and the wide value above is assumed.

    ``accuracy_db``, ``flatness_db``, ``scale_db``, ``switching_db``, ``drift_*`` are limits
    (half-widths); ``step_db`` is the step of its levels, 0 for none to speak of. ``accuracy_db``
    is the sweeper's alone: without the chain, which has components of its own. A name in
    ``assumed`` marks a value that is given here but that nobody stated.
    """

    accuracy_db: float | None = None
    flatness_db: float | None = None
    scale_db: float | None = None
    switching_db: float | None = None
    input_vswr: float | None = None
    step_db: float = 0.0
    drift_db_per_h: float | None = None
    drift_db_per_k: float | None = None
    assumed: frozenset[str] = frozenset()

    def value(self, name: str, default: float) -> tuple[float, bool]:
        """A figure and whether it is assumed."""
        given = getattr(self, name)
        return (default, True) if given is None else (float(given), name in self.assumed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What is known of one reading of a level.

    Args:
        over_floor_db: how far it reads above the floor (mean noise power, as displayed); None
            where that plays no part, or nobody knows a floor.
        averages: independent noise samples averaged in power in it, N ≥ 1.
        noise_like: a channel power or another noise; else a steady carrier.
        floor_removed: the floor's power was taken out of it.
        scallop_db: most that a peak between two points reads low (``bandpower.scallop_db``, either
            sign); 0 for levels at a stated frequency, or peak-detected without gaps.
        interpolated: the peak was interpolated from three points in dB.
        deviation_db: standard deviation of repeated sweeps; None assumes one, 0 states none.
        deviation_count: how many sweeps it was found from, here and now: then it shows the noise
            too, which is not counted again. None: a figure from elsewhere.
        averaged: of how many such sweeps the reading is the mean. Successive sweeps are taken as
            independent; where they drift together this is too hopeful: leave it at 1.

    Raises:
        ValueError: averages or averaged below 1, a distance from the floor that is not finite, or
            a floor taken out of a reading less than FLOOR_LEAST_DB above it.
    """

    over_floor_db: float | None = None
    averages: float = 1.0
    noise_like: bool = False
    floor_removed: bool = False
    scallop_db: float = 0.0
    interpolated: bool = False
    deviation_db: float | None = None
    deviation_count: int | None = None
    averaged: int = 1

    def __post_init__(self) -> None:
        if not (self.averages >= 1 and self.averaged >= 1):
            raise ValueError(
                f"averages and averaged must be at least 1, got {self.averages}, {self.averaged}"
            )
        over_db = self.over_floor_db
        if over_db is not None and not math.isfinite(over_db):
            raise ValueError(f"over_floor_db must be finite or None, got {over_db}")
        if self.floor_removed and over_db is not None and over_db < FLOOR_LEAST_DB:
            raise ValueError(
                f"the floor cannot be taken out of a reading {over_db:.1f} dB above it: "
                f"{FLOOR_LEAST_DB:g} dB are needed; report it as 'at most'"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Port:
    """Where the thing measured is connected: its VSWR and the loss between it and the sweeper.

    ``pad_db`` is that of all pads and cables in between; 0 where there is an amplifier.
    """

    source_vswr: float | None = None
    pad_db: float = 0.0
    pad_vswr: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Elapsed:
    """What has passed since the reference (or the last adjustment) that a reading rests on.

    ``temperature_k`` is the change, either sign; None: nobody measured it, and one is assumed.
    """

    age_h: float
    temperature_k: float | None = None


# --- the components of levels ---------------------------------------------------------------------


def chain_element(
    name: str, half_width_db: float | None = None, *, assumed: bool = False
) -> Component:
    """A part of the chain: half-width of its gain at k = 2; None assumes ASSUMED_PART_DB."""
    return Component.from_expanded(
        name,
        ASSUMED_PART_DB if half_width_db is None else half_width_db,
        assumed=assumed or half_width_db is None,
        shrink="measure its loss, and state how well",
    )


def input_mismatch(port: Port, input_vswr: float | None = None) -> tuple[Component, ...]:
    """Mismatch of a level: one component without a pad, three with one.

    The thing and the sweeper see each other through the pad (ρsρi·10^(−2A/20)); besides, each of
    them sees the pad's own end (ρsρp, ρpρi), which no loss in between helps against. Joints
    between the parts of a chain count as within the parts' own uncertainty.
    """
    source, no_source = _vswr(port.source_vswr, ASSUMED_SOURCE_VSWR)
    sweeper, no_input = _vswr(input_vswr, ASSUMED_INPUT_VSWR)
    pad, no_pad = _vswr(port.pad_vswr, ASSUMED_PAD_VSWR)
    through = reflection_behind_pad(source, port.pad_db)
    first = Component.mismatch(
        through,
        sweeper,
        name=Cause.MISMATCH.value,
        assumed=no_source or no_input,
        shrink="put a pad at the sweeper's input",
    )
    if port.pad_db == 0.0:
        return (first,)
    return (
        first,
        Component.mismatch(
            source,
            pad,
            name=Cause.MISMATCH_FAR.value,
            assumed=no_source or no_pad,
            shrink="measure the VSWR of both, or use a pad of lower VSWR",
        ),
        Component.mismatch(
            pad,
            sweeper,
            name=Cause.MISMATCH_NEAR.value,
            assumed=no_pad or no_input,
            shrink="measure the VSWR of both, or use a pad of lower VSWR",
        ),
    )


def insertion_mismatch(
    *,
    loss_db: float,
    source_vswr: float | None = None,
    load_vswr: float | None = None,
    device_vswr: float | None = None,
) -> tuple[Component, ...]:
    """Mismatch of an insertion loss against a through: four components (derived from the flow).

    The through has ρsρl; the device has ρs and ρl against its own ends, and both against each
    other through it (ρsρl·10^(−2·loss/20)). A device of unknown VSWR is taken as lossless, which
    reflects all that it does not pass: ρ = √(1 − 10^(−loss/10)), and at least that of
    ASSUMED_DEVICE_VSWR. Pads at both ends help: give the VSWR seen into them.
    """
    source, no_source = _vswr(source_vswr, ASSUMED_SOURCE_VSWR)
    load, no_load = _vswr(load_vswr, ASSUMED_INPUT_VSWR)
    device, no_device = _vswr(device_vswr, ASSUMED_DEVICE_VSWR)
    loss_db = max(0.0, loss_db)
    if no_device:
        device = max(device, math.sqrt(-math.expm1(-loss_db / DB_PER_NEPER)))
    ends = "put a pad at each end of the device, close to it, and state the VSWR into them"
    pairs = (
        (Cause.MISMATCH_THROUGH, source, load, no_source or no_load),
        (Cause.MISMATCH_DEVICE_IN, source, device, no_source or no_device),
        (Cause.MISMATCH_DEVICE_OUT, device, load, no_device or no_load),
        (
            Cause.MISMATCH_ACROSS,
            reflection_behind_pad(source, loss_db),
            load,
            no_source or no_load,
        ),
    )
    return tuple(
        Component.mismatch(rho1, rho2, name=name.value, assumed=assumed, shrink=ends)
        for name, rho1, rho2, assumed in pairs
    )


def _vswr(given: float | None, default: float) -> tuple[float, bool]:
    """The reflection of a stated or assumed VSWR, and whether it is assumed."""
    return reflection_of_vswr(default if given is None else given), given is None


def scale_fidelity_db(difference_db: float, full_db: float = ASSUMED_SCALE_DB) -> float:
    """Limits of the scale's error over a difference: in proportion up to 20 dB, then ``full_db``.

    Two equal readings use the same place of the scale, so nothing is left (definition ours; that
    makers state it per dB with a most is practice).
    """
    return full_db * min(1.0, abs(difference_db) / SCALE_FULL_DB)


def _noise(reading: Reading) -> tuple[Component, ...]:
    """Spread of a reading near the floor and, where the floor is left in, what it adds.

    In units of the floor a reading T holds a carrier of T − 1 and has the variance (2T − 1)/N; a
    noise-like one T²/N (derived). Taking the floor out leaves the spread and divides by T − 1.
    In dB a gamma distribution of that mean and variance is taken; within 15 % for N = 1, 2 % for
    N = 10 (Monte Carlo). What the floor adds is one-sided, and counts as limits on both.
    """
    if reading.over_floor_db is None:
        return ()
    total = 10.0 ** (max(0.0, reading.over_floor_db) / 10.0)
    square = total * total if reading.noise_like else 2.0 * total - 1.0
    net = total - 1.0 if reading.floor_removed else total
    relative = square / (net * net * reading.averages)
    u_db = DB_PER_NEPER * math.sqrt(relative + relative**2 / 2.0 + relative**3 / 6.0)
    parts: list[Component] = []
    if reading.deviation_count is None:
        shrink = "average more sweeps, or use a narrower RBW"
        parts.append(Component.from_standard(Cause.NOISE.value, u_db, shrink=shrink))
    # Closer to the floor a reading is a bound: "at most" already says what the floor adds.
    if not reading.floor_removed and reading.over_floor_db >= FLOOR_LEAST_DB:
        floor_db = -DB_PER_NEPER * math.log1p(-1.0 / total)
        shrink = "use a narrower RBW or less attenuation, or take the floor out"
        parts.append(Component.from_limits(Cause.FLOOR.value, floor_db, shrink=shrink))
    return tuple(parts)


def _peak(reading: Reading) -> tuple[Component, ...]:
    """A carrier between two points reads low by up to the scallop; counted as limits on both."""
    left_db = abs(reading.scallop_db) * (INTERPOLATION_REST if reading.interpolated else 1.0)
    if not left_db:
        return ()
    shrink = "sweep with points closer than the RBW"
    return (Component.from_limits(Cause.PEAK.value, left_db, shrink=shrink),)


def _repeatability(reading: Reading) -> tuple[Component, ...]:
    """s/√averaged (JCGM 100 4.2.3), widened where few sweeps are behind s; none where s is 0."""
    assumed = reading.deviation_db is None
    s_db = ASSUMED_REPEATABILITY_DB if reading.deviation_db is None else reading.deviation_db
    if s_db == 0.0:
        return ()
    part = Component.from_standard(
        Cause.REPEATABILITY.value,
        s_db if assumed else s_db / math.sqrt(reading.averaged),
        count=None if assumed else reading.deviation_count,
        assumed=assumed,
        shrink="repeat the sweep, joints made anew, and take the mean",
    )
    return (part,)


def _level_step(sweeper: SweeperFacts) -> Component:
    shrink = "have levels in finer steps, or average more sweeps"
    return Component.resolution(sweeper.step_db, name=Cause.RESOLUTION.value, shrink=shrink)


def _drift(sweeper: SweeperFacts, since: Elapsed | None) -> tuple[Component, ...]:
    """Limits from age and temperature, each its rate times what has passed."""
    if since is None:
        return ()
    per_h, age_assumed = sweeper.value("drift_db_per_h", ASSUMED_DRIFT_DB_PER_H)
    most_db = per_h * abs(since.age_h)
    per_k, rate_assumed = sweeper.value("drift_db_per_k", ASSUMED_DRIFT_DB_PER_K)
    change_k = ASSUMED_TEMPERATURE_K if since.temperature_k is None else since.temperature_k
    return (
        Component.from_limits(
            Cause.AGE.value,
            min(most_db, ASSUMED_DRIFT_MOST_DB) if age_assumed else most_db,
            assumed=age_assumed,
            shrink="take the reference again, shortly before",
        ),
        Component(
            name=Cause.TEMPERATURE.value,
            half_width=abs(change_k),
            shape=Shape.RECTANGULAR,
            sensitivity=per_k,
            assumed=rate_assumed or since.temperature_k is None,
            shrink="measure the temperature, and take the reference at the same one",
            unit="K",
        ),
    )


# --- budgets --------------------------------------------------------------------------------------


def level_budget(
    sweeper: SweeperFacts,
    reading: Reading,
    *,
    port: Port | None = None,
    chain: Sequence[Component] = (),
    since: Elapsed | None = None,
) -> Budget:
    """The budget in dB of an absolute level at the far end of a chain.

    Level accuracy, flatness where it is stated (else the accuracy counts as holding at every
    frequency), the chain's elements (:func:`chain_element`), mismatch, level step, repeatability,
    noise and floor, peak between points, and drift ``since`` the last adjustment where that is
    given (else the accuracy counts as holding today).
    """
    accuracy_db, assumed = sweeper.value("accuracy_db", ASSUMED_LEVEL_ACCURACY_DB)
    parts = [
        Component.from_limits(
            Cause.LEVEL_ACCURACY.value,
            accuracy_db,
            assumed=assumed,
            shrink=(
                "state the level accuracy from its data sheet"
                if assumed
                else "compare it with a power meter at this frequency"
            ),
        )
    ]
    if sweeper.flatness_db is not None:
        parts.append(_flatness(sweeper))
    parts += [*chain, *input_mismatch(port or Port(), sweeper.input_vswr)]
    if sweeper.step_db:
        parts.append(_level_step(sweeper))
    parts += [*_repeatability(reading), *_noise(reading), *_peak(reading), *_drift(sweeper, since)]
    return Budget(unit="dB", components=tuple(parts))


def _flatness(sweeper: SweeperFacts) -> Component:
    """Limits of the flatness; unstated it is no worse than a stated level accuracy."""
    default_db = ASSUMED_FLATNESS_DB
    if sweeper.accuracy_db is not None and "accuracy_db" not in sweeper.assumed:
        default_db = min(default_db, sweeper.accuracy_db)
    half_width_db, assumed = sweeper.value("flatness_db", default_db)
    shrink = "state the flatness from its data sheet" if assumed else "correct it by a power meter"
    return Component.from_limits(
        Cause.FLATNESS.value, half_width_db, assumed=assumed, shrink=shrink
    )


def difference_budget(
    sweeper: SweeperFacts,
    first: Reading,
    second: Reading,
    *,
    difference_db: float,
    same_frequency: bool,
    mismatches: Sequence[Component],
    chain: Sequence[Component] = (),
    only_in_one: Sequence[Component] = (),
    settings_differ: bool = False,
    since: Elapsed | None = None,
) -> Budget:
    """The budget in dB of the difference of two readings of one sweeper: dBc, loss, on minus off.

    The rule of what cancels (definition ours; JCGM 100 5.2 for correlation in a difference):

    - Level accuracy: what is common cancels, what is left is the error of the scale over
      ``difference_db`` (:func:`scale_fidelity_db`).
    - ``chain``, the elements in both readings, and flatness: cancel at the same frequency. At two
      frequencies each counts for both readings as if independent (· √2): their errors mostly go
      together, which makes a difference smaller, so this errs to the wide side.
    - ``only_in_one``: elements that one reading alone had (a notch before the harmonics): in full.
    - ``mismatches``: for the caller to say. None for on minus off with nothing moved; those of
      :func:`insertion_mismatch` for a loss; for dBc those of :func:`input_mismatch`, each
      :meth:`Component.of_two_readings`.
    - Level step, repeatability: in both readings. Noise, floor, peak: as each reading has them.
    - ``settings_differ``: RBW, attenuation or preamplifier were switched in between.
    - ``since``: the time and change of temperature between the two readings.
    """
    full_db, assumed = sweeper.value("scale_db", ASSUMED_SCALE_DB)
    parts = [
        Component.from_limits(
            Cause.SCALE.value,
            scale_fidelity_db(difference_db, full_db),
            assumed=assumed,
            shrink="put a known pad before the stronger reading, so that both read alike",
        )
    ]
    if not same_frequency:
        parts += [part.of_two_readings() for part in (_flatness(sweeper), *chain)]
    if settings_differ:
        switching_db, assumed = sweeper.value("switching_db", ASSUMED_SWITCHING_DB)
        shrink = "take both readings with the same RBW and attenuation"
        parts.append(
            Component.from_limits(
                Cause.SWITCHING.value, switching_db, assumed=assumed, shrink=shrink
            )
        )
    parts += [*only_in_one, *mismatches]
    if sweeper.step_db:
        parts.append(_level_step(sweeper).of_two_readings())
    for reading in (first, second):
        parts += [*_repeatability(reading), *_noise(reading), *_peak(reading)]
    parts += _drift(sweeper, since)
    return Budget(unit="dB", components=tuple(parts))


def frequency_budget(
    frequency_hz: float,
    *,
    accuracy_ppm: float | None = None,
    step_hz: float = 0.0,
    u_level_db: float = 0.0,
    slope_db_per_hz: float | None = None,
) -> Budget:
    """The budget in Hz of a frequency, or of an edge read at a level on a slope.

    Args:
        accuracy_ppm: limits of the sweeper's own frequency; None assumes ASSUMED_FREQUENCY_PPM.
        step_hz: distance of the points where the nearest is taken; 0 where it is interpolated.
        u_level_db: standard uncertainty of the level at which an edge is read, with the slope
            there; no slope (None or 0) leaves it out, for then there is no edge.
    """
    assumed = accuracy_ppm is None
    ppm = ASSUMED_FREQUENCY_PPM if accuracy_ppm is None else accuracy_ppm
    shrink = "state the frequency accuracy, or compare it with a carrier of known frequency"
    parts = [
        Component.from_limits(
            Cause.FREQUENCY.value, abs(frequency_hz) * ppm * 1e-6, assumed=assumed, shrink=shrink
        )
    ]
    if step_hz:
        shrink = "sweep a narrower span, or more points"
        parts.append(Component.resolution(step_hz, name=Cause.STEP_HZ.value, shrink=shrink))
    if u_level_db and slope_db_per_hz:
        parts.append(
            Component(
                name=Cause.LEVEL_AT_EDGE.value,
                half_width=2.0 * u_level_db,
                shape=Shape.NORMAL,
                sensitivity=1.0 / slope_db_per_hz,
                shrink="see the budget of the level",
                unit="dB",
            )
        )
    return Budget(unit="Hz", components=tuple(parts))
