"""Self-tests of a sweeper: its source looped back, a known carrier; and what moved since.

What is tested is what the sweeper says of itself, so its own accuracy is the **tolerance** and no
part of the uncertainty: U is that of the test (noise, joints, the known loss, the known carrier).
A figure passes where it keeps its tolerance by U or more (:mod:`acqd.measure.verdict`).

Beside U each figure has a ``repeat``: what two tests of the same instrument may differ by (k = 2)
with the cables joined anew on another day. By it later tests are compared with earlier ones.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.bandpower import FilterShape
from acqd.measure.budget import decimals_for, student_factor
from acqd.measure.floor import floor_flat, spread_of_noise
from acqd.measure.peaks import interpolated_peak
from acqd.measure.statistics import averages_from_spread
from acqd.measure.uncertainty import (
    ASSUMED_DRIFT_DB_PER_K,
    ASSUMED_FREQUENCY_PPM,
    ASSUMED_LEVEL_ACCURACY_DB,
    ASSUMED_REPEATABILITY_DB,
    ASSUMED_TEMPERATURE_K,
    Component,
    Port,
    input_mismatch,
)
from acqd.measure.verdict import Verdict, judge
from acqd.measure.words import frequency_text, number_text

__all__ = [
    "CarrierSeen",
    "Facts",
    "Moved",
    "TestFigure",
    "carrier_figures",
    "carrier_seen",
    "given_or",
    "loop_figure",
    "moved",
    "number",
    "reads",
    "step_u",
    "temperature_u",
]

Float = NDArray[np.float64]

SEEN_OVER_FLOOR_DB = 10.0
"""A source or carrier that stands less above the floor is not seen."""

LEAK_DB = 40.0
"""A source that reads so much too low is one whose cable is off: what is seen leaks past it.
Definition ours: no single fault of an attenuator makes as much, and isolations are higher."""

WANDER_SHARE = 0.1
"""Of its stated frequency accuracy a sweeper may wander from one day to the next. Definition ours:
the accuracy holds over years and all temperatures, two tests in one room see little of that."""

EARLIER_MOST = 10
"""So many earlier tests a new one is compared with, the newest ones."""

SIGMA_OVER_MAD = 1.4826
MAD_SHORT = {3: 1.495, 4: 1.363, 5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}
"""Standard deviation over the median absolute deviation of normal values, and the factor on it for
few of them (Croux and Rousseeuw 1992, from memory; a test holds the product to simulated rows)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What is known of the sweeper under test; None: nobody says, and the wide value is assumed."""

    level_accuracy_db: float | None = None
    frequency_accuracy_ppm: float | None = None
    level_step_db: float = 0.0
    input_vswr: float | None = None
    shape: FilterShape = FilterShape.GAUSSIAN
    enb_per_rbw: float | None = None
    """Noise bandwidth over the RBW; None: that of ``shape``."""

    @property
    def level_tolerance_db(self) -> float:
        known = self.level_accuracy_db
        return ASSUMED_LEVEL_ACCURACY_DB if known is None else known

    @property
    def frequency_tolerance_ppm(self) -> float:
        known = self.frequency_accuracy_ppm
        return ASSUMED_FREQUENCY_PPM if known is None else known


@dataclass(frozen=True, slots=True, kw_only=True)
class TestFigure:
    """One figure of a self-test, with what it should be.

    ``expected`` and ``tolerance`` are None where nobody stated what it should be; ``one_sided``
    figures (noise) may lie below. ``expanded`` is U of the test, ``repeat`` what two tests may
    differ by, both k = 2 in ``unit``. ``value`` is None where there is none, and ``text`` says why.
    ``key`` is the same from test to test.
    """

    __test__ = False  # No test of pytest's, whatever it is called.

    key: str
    title: str
    unit: str
    value: float | None
    expected: float | None
    tolerance: float | None
    one_sided: bool
    expanded: float | None
    repeat: float | None
    verdict: Verdict
    text: str
    frequency_hz: float | None = None

    def to_json(self) -> dict[str, Any]:
        """Plain JSON data; :meth:`from_json` is its exact inverse."""
        told = {name: getattr(self, name) for name in self.__slots__ if name != "verdict"}
        return {**told, "verdict": self.verdict.value}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> TestFigure:
        """The figure that :meth:`to_json` made. Raises KeyError, TypeError or ValueError."""
        return cls(**{**data, "verdict": Verdict(data["verdict"])})

    @property
    def span(self) -> tuple[float, float] | None:
        """From where to where it may lie; None where nobody said."""
        if self.expected is None or self.tolerance is None:
            return None
        low = -math.inf if self.one_sided else self.expected - self.tolerance
        return low, self.expected + self.tolerance


# --- the source looped back -----------------------------------------------------------------------


def loop_figure(
    on_dbm: Sequence[float],
    off_dbm: float | None,
    *,
    frequency_hz: float,
    source_dbm: float,
    loss_db: float,
    loss_uncertainty_db: float,
    facts: Facts,
    source_accuracy_db: float | None = None,
    tolerance_db: float | None = None,
) -> TestFigure:
    """The level of the source through a known loss, beside what it should be.

    The tolerance, where none is given, is what source and input together may be off: the sum of
    both accuracies (a source's that nobody states is taken like an input's).

    Args:
        on_dbm: level at the frequency in each sweep, source on.
        off_dbm: the same with the source off; None where nobody looked.
        loss_uncertainty_db: half-width (k = 2) of the loss.
    """
    accuracies = facts.level_tolerance_db + given_or(source_accuracy_db, ASSUMED_LEVEL_ACCURACY_DB)
    expected = source_dbm - loss_db
    blank = TestFigure(
        key=f"loop {frequency_hz:.0f}",
        title=f"Source looped back, {frequency_text(frequency_hz)}",
        unit="dBm",
        value=None,
        expected=expected,
        tolerance=given_or(tolerance_db, accuracies),
        one_sided=False,
        expanded=None,
        repeat=None,
        verdict=Verdict.INCOMPLETE,
        text="",
        frequency_hz=frequency_hz,
    )
    seen = [one for one in on_dbm if math.isfinite(one)]
    value = float(np.mean(seen)) if seen else math.nan
    is_floor = off_dbm is not None and value - off_dbm < SEEN_OVER_FLOOR_DB
    if not seen or is_floor or value < expected - LEAK_DB:
        return replace(
            blank,
            text="the source is not seen at the input: is the cable joined, from the source to the "
            f"input? ({Verdict.INCOMPLETE.value})",
        )
    scatter = _scatter_u(seen)
    loss = Component.from_expanded("loss", loss_uncertainty_db).u
    mismatch = [part.u for part in input_mismatch(Port(pad_db=max(0.0, loss_db)), facts.input_vswr)]
    expanded = 2.0 * math.hypot(scatter, loss, ASSUMED_REPEATABILITY_DB, step_u(facts), *mismatch)
    repeat = 2.0 * math.hypot(scatter, ASSUMED_REPEATABILITY_DB, step_u(facts), temperature_u())
    return _within(replace(blank, value=value, expanded=expanded, repeat=repeat))


def _scatter_u(values: Sequence[float]) -> float:
    """Standard uncertainty of the mean of some readings, widened for few; 0 for one."""
    if len(values) < 2:
        return 0.0
    widened = student_factor(len(values)) / 2.0
    return float(np.std(values, ddof=1)) / math.sqrt(len(values)) * widened


# --- a known carrier ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class CarrierSeen:
    """Where the strongest line of one sweep lies; ``why_not`` says why it cannot be used."""

    frequency_hz: float = math.nan
    level_dbm: float = math.nan
    u_hz: float = math.nan
    u_db: float = math.nan
    why_not: str | None = None


def carrier_seen(
    frequency_hz: Float,
    level_dbm: Float,
    *,
    rbw_hz: float | None,
    shape: FilterShape = FilterShape.GAUSSIAN,
    resolution_db: float = 0.0,
) -> CarrierSeen:
    """The strongest line of a sweep, by :func:`acqd.measure.peaks.interpolated_peak`.

    Args:
        frequency_hz: (points,) rising.
        level_dbm: (points,), NaN allowed.
    """
    finite = np.isfinite(level_dbm)
    if np.count_nonzero(finite) < 3:
        return CarrierSeen(why_not="the sweep has no levels")
    spread = spread_of_noise(level_dbm)
    averages = 1.0 if spread is None else max(1.0, averages_from_spread(spread))
    floor_db = floor_flat(level_dbm, averages=averages).level
    at = int(np.argmax(np.where(finite, level_dbm, -np.inf)))
    over_db = float(level_dbm[at]) - floor_db
    if not over_db >= SEEN_OVER_FLOOR_DB:
        return CarrierSeen(why_not=f"no carrier stands out: {over_db:.0f} dB over the floor")
    peak = interpolated_peak(
        frequency_hz,
        level_dbm,
        at,
        rbw_hz=rbw_hz,
        shape=shape,
        floor_db=floor_db,
        averages=averages,
        resolution_db=resolution_db,
    )
    if peak.u_hz is None or peak.u_db is None:
        return CarrierSeen(why_not=peak.reason or "the line cannot be placed")
    return CarrierSeen(
        frequency_hz=peak.frequency_hz, level_dbm=peak.level_db, u_hz=peak.u_hz, u_db=peak.u_db
    )


def carrier_figures(
    seen: Sequence[CarrierSeen],
    *,
    expected_hz: float,
    carrier_uncertainty_ppm: float,
    facts: Facts,
    tolerance_ppm: float | None = None,
    expected_dbm: float | None = None,
    level_uncertainty_db: float = 1.0,
    level_tolerance_db: float | None = None,
) -> tuple[TestFigure, ...]:
    """Frequency of a known carrier and, where its level is known too, that.

    The frequency's figure is the deviation, in hertz.

    Args:
        carrier_uncertainty_ppm: half-width (k = 2) of what the carrier itself may be off.
        level_uncertainty_db: half-width (k = 2) of its level at the input.
    """
    used = [one for one in seen if one.why_not is None]
    why_not = next((one.why_not for one in seen if one.why_not), "nothing was swept")
    frequency = _carrier_frequency(
        used, why_not, expected_hz, carrier_uncertainty_ppm, tolerance_ppm, facts
    )
    if expected_dbm is None:
        return (frequency,)
    return frequency, _carrier_level(
        used, why_not, expected_hz, expected_dbm, level_uncertainty_db, level_tolerance_db, facts
    )


def _carrier_frequency(
    used: list[CarrierSeen],
    why_not: str | None,
    expected_hz: float,
    uncertainty_ppm: float,
    tolerance_ppm: float | None,
    facts: Facts,
) -> TestFigure:
    per_ppm = expected_hz * 1e-6
    ppm = facts.frequency_tolerance_ppm
    blank = TestFigure(
        key=f"frequency {expected_hz:.0f}",
        title=f"Frequency of a known carrier, {frequency_text(expected_hz)}, less what it is",
        unit="Hz",
        value=None,
        expected=0.0,
        tolerance=given_or(tolerance_ppm, ppm) * per_ppm,
        one_sided=False,
        expanded=None,
        repeat=None,
        verdict=Verdict.INCOMPLETE,
        text=f"no frequency: {why_not} ({Verdict.INCOMPLETE.value})",
        frequency_hz=expected_hz,
    )
    if not used:
        return blank
    values = [one.frequency_hz - expected_hz for one in used]
    place = max(_scatter_u(values), float(np.max([one.u_hz for one in used])))
    expanded = 2.0 * math.hypot(place, uncertainty_ppm * per_ppm / 2.0)
    wander = WANDER_SHARE * ppm * per_ppm / math.sqrt(3.0)
    found = replace(
        blank,
        value=float(np.mean(values)),
        expanded=expanded,
        repeat=2.0 * math.hypot(place, wander, uncertainty_ppm * per_ppm / 2.0),
    )
    return _within(found)


def _carrier_level(
    used: list[CarrierSeen],
    why_not: str | None,
    expected_hz: float,
    expected_dbm: float,
    uncertainty_db: float,
    tolerance_db: float | None,
    facts: Facts,
) -> TestFigure:
    blank = TestFigure(
        key=f"level {expected_hz:.0f}",
        title=f"Level of a known carrier, {frequency_text(expected_hz)}",
        unit="dBm",
        value=None,
        expected=expected_dbm,
        tolerance=given_or(tolerance_db, facts.level_tolerance_db),
        one_sided=False,
        expanded=None,
        repeat=None,
        verdict=Verdict.INCOMPLETE,
        text=f"no level: {why_not} ({Verdict.INCOMPLETE.value})",
        frequency_hz=expected_hz,
    )
    if not used:
        return blank
    values = [one.level_dbm for one in used]
    reading = max(_scatter_u(values), float(np.max([one.u_db for one in used])))
    joint = ASSUMED_REPEATABILITY_DB
    mismatch = [part.u for part in input_mismatch(Port(), facts.input_vswr)]
    own = Component.from_expanded("carrier", uncertainty_db).u
    return _within(
        replace(
            blank,
            value=float(np.mean(values)),
            expanded=2.0 * math.hypot(reading, joint, own, step_u(facts), *mismatch),
            repeat=2.0 * math.hypot(reading, joint, step_u(facts), temperature_u()),
        )
    )


# --- what all figures share -----------------------------------------------------------------------


def step_u(facts: Facts) -> float:
    """Standard uncertainty in dB of a level for the step that levels come in."""
    return facts.level_step_db / math.sqrt(12.0)


def temperature_u() -> float:
    """Standard uncertainty in dB of a level for another day's temperature."""
    return ASSUMED_DRIFT_DB_PER_K * ASSUMED_TEMPERATURE_K / math.sqrt(3.0)


def _within(figure: TestFigure) -> TestFigure:
    """Judged by how far it lies from what it should be."""
    assert figure.value is not None
    assert figure.expected is not None
    assert figure.tolerance is not None
    away = figure.value - figure.expected
    judged = judge(
        abs(away), limit=figure.tolerance, expanded=figure.expanded, side="below", unit=figure.unit
    )
    unit = figure.unit
    difference = "dB" if unit.startswith("dB") else unit
    # A deviation says by itself how far off it is.
    off = f", {number(away, figure.expanded)} {difference} off" if figure.expected else ""
    allowed = number(figure.tolerance, figure.expanded)
    return replace(
        figure,
        verdict=judged.verdict,
        text=f"{reads(figure)}{off}, at most {allowed} {difference}: {judged.verdict.value}",
    )


def reads(figure: TestFigure) -> str:
    """−149.2 dBm/Hz ± 0.4 dB."""
    assert figure.value is not None
    assert figure.expanded is not None
    unit = figure.unit
    text = f"{number(figure.value, figure.expanded)} {unit}"
    u = number_text(figure.expanded, max(0, decimals_for(figure.expanded, unit)))
    return f"{text} ± {u} {'dB' if unit.startswith('dB') else unit}"


def number(value: float, expanded: float | None) -> str:
    """A value with as many decimals as its U deserves, one or two."""
    return number_text(value, min(2, max(1, decimals_for(expanded or 0.0, "dB"))))


def given_or(given: float | None, default: float) -> float:
    """What was stated, else the default."""
    return default if given is None else given


# --- over time ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """A figure that is not where it was: by how much, and by how much it could be by itself."""

    by: float
    usual: float
    count: int
    text: str


def moved(now: TestFigure, earlier: Sequence[TestFigure]) -> Moved | None:
    """Whether a figure moved by more than its uncertainty against earlier ones; None where not.

    It is compared with the median of the newest :data:`EARLIER_MOST` of ``earlier`` (the latest
    last; of the same key, instrument and settings). That median is as uncertain as they scatter,
    where there are three or more, and never less than one of them repeats over the root of their
    number. The scatter is that of their median absolute deviation: a test that failed, with a
    cable loose, widens it no more than any other, and an instrument that always fails is watched.
    """
    values = [one for one in earlier if one.value is not None and one.repeat is not None]
    values = values[-EARLIER_MOST:]
    if now.value is None or now.repeat is None or not values:
        return None
    found = np.array([one.value for one in values], dtype=np.float64)
    own = max(one.repeat or 0.0 for one in values) / math.sqrt(len(values))
    scatter = 0.0
    if len(values) >= 3:
        scatter = student_factor(len(values)) * _deviation(found) / math.sqrt(len(values))
    usual = math.hypot(now.repeat, max(own, scatter))
    by = now.value - float(np.median(found))
    if abs(by) <= usual:
        return None
    difference = "dB" if now.unit.startswith("dB") else now.unit
    count = "the one test before" if len(values) == 1 else f"the {len(values)} tests before"
    sign = "+" if by > 0 else ""
    text = (
        f"moved by {sign}{number(by, usual)} {difference} against {count}, where "
        f"{number(usual, usual)} {difference} would be usual"
    )
    return Moved(by=by, usual=usual, count=len(values), text=text)


def _deviation(values: Float) -> float:
    """Standard deviation of three or more values, most of which are as they should be."""
    mad = float(np.median(np.abs(values - np.median(values))))
    count = values.size
    return SIGMA_OVER_MAD * MAD_SHORT.get(count, count / (count - 0.8)) * mad
