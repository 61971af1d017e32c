"""From one sweep of a device and its references to a loss curve, and what is known of the floor."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.floor import estimate_averages
from acqd.measure.losscurve import LossCurve
from acqd.measure.meter import Reference, Role, SetupChanged, SweepSeen
from acqd.measure.references import level_db, needed
from acqd.measure.transmission import InsertionLoss, complex_transmission, insertion_loss
from acqd.measure.transmission_settings import TransmissionSettings
from acqd.sweep import Detector, LevelUnit, SweepFlag

__all__ = ["Floor", "Losses", "floor_of", "losses_of", "quiet_floor", "through_of"]

Float = NDArray[np.float64]

FLOOR_POINTS = 51
"""Points of the running median that a quiet reference is smoothed by."""

STANDS_OUT_DB = 10.0
"""What stands so far out of a quiet reference is a response of the sweeper, and the floor there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor:
    """What the sweeper reads of its own: (points,) in dB of the sweep's unit, at the plane."""

    level_db: Float
    averages: float
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Losses:
    """Loss over frequency and what it rests on.

    ``s21`` is (points,) complex, on the grid, of a vector sweeper; None of a scalar one.
    ``dynamic_range_db`` is the median of the through over the floor.
    """

    curve: LossCurve
    s21: NDArray[np.complex128] | None
    through: Reference | None
    floor: Floor | None
    dynamic_range_db: float | None
    notes: tuple[str, ...]


def through_of(setup: SetupChanged, job: str) -> tuple[Reference | None, str | None]:
    """The through that a sweep is compared with; or why there are no figures, and what helps.

    A vector sweeper without any through gives ratios of its own, which count as they are; one
    whose through does not fit is refused like any other.
    """
    missing = Role.THROUGH.value not in setup.references
    if missing and setup.unit is LevelUnit.RATIO:
        return None, None
    found, text = needed(setup, Role.THROUGH, job=job)
    return found, None if found is not None else text


def quiet_floor(quiet_db: Float, *, averaged_in_db: bool) -> Float | None:
    """The mean of the noise in a quiet reference, per point: (points,) to (points,).

    A running median over 51 points, brought to the mean by what the reference itself shows; where
    a response stands 10 dB out of it, the reading. None where nothing is finite.
    """
    finite = np.isfinite(quiet_db)
    if not finite.any():
        return None
    filled = np.where(finite, quiet_db, np.median(quiet_db[finite]))
    half = min(FLOOR_POINTS, 2 * ((filled.size - 1) // 2) + 1) // 2
    padded = np.pad(filled, half, mode="reflect") if half else filled
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    median = np.median(windows, axis=1)
    above = filled - median
    noise = above[finite & (above < STANDS_OUT_DB)]
    if averaged_in_db:
        bias_db = float(noise.mean())
    else:
        bias_db = 10.0 * math.log10(float((10.0 ** (noise / 10.0)).mean()))
    return np.where(above >= STANDS_OUT_DB, filled, median + bias_db)


def floor_of(
    setup: SetupChanged, settings: TransmissionSettings
) -> tuple[Floor | None, tuple[str, ...]]:
    """The floor, from a quiet reference or as stated, and what is to be said about it."""
    in_db = setup.detector is Detector.AVERAGE
    quiet, problem = needed(setup, Role.QUIET, job=settings.job)
    quiet_db = None
    if quiet is not None and quiet.level is not None:
        quiet_db = level_db(quiet.level, setup.unit)
    if quiet is not None and quiet_db is not None:
        floor_db = quiet_floor(quiet_db, averaged_in_db=in_db)
        if floor_db is not None:
            averages = _averages(quiet_db, quiet.sweeps, setup.unit)
            return Floor(level_db=floor_db, averages=averages, origin="quiet reference"), ()
        problem = "the quiet reference has no level"
    notes = (problem,) if Role.QUIET.value in setup.references and problem else ()
    if settings.floor_dbm is not None and setup.unit is LevelUnit.DBM:
        gain_db = np.zeros(setup.grid.points) if setup.gain_db is None else setup.gain_db
        averages = float(setup.averages or 1)
        stated = Floor(level_db=settings.floor_dbm - gain_db, averages=averages, origin="stated")
        return stated, notes
    unknown = "the floor is not known, so what looks like a deep stop band may be floor"
    return None, (*notes, f"{unknown}: take a `quiet` reference (`acqd reference {settings.job} "
                  f"quiet`)" if not notes else unknown)  # fmt: skip


def _averages(quiet_db: Float, sweeps: int, unit: LevelUnit) -> float:
    """Noise samples behind one point of one sweep, from the spread of the reference."""
    if unit is LevelUnit.RATIO:
        return 1.0
    found = estimate_averages(quiet_db[np.isfinite(quiet_db)])
    return 1.0 if found is None else max(1.0, found / max(1, sweeps))


def losses_of(
    setup: SetupChanged,
    sweep: SweepSeen,
    through: Reference | None,
    settings: TransmissionSettings,
) -> Losses:
    """The loss of the device over frequency.

    Each point's uncertainty holds its noise or, where that is more, what the sweeps of the through
    scattered by, and the step of the levels. Where no floor is known it is left open.
    """
    floor, notes = floor_of(setup, settings)
    floor_db = None if floor is None else floor.level_db
    averages = 1.0 if floor is None else floor.averages
    s21 = None
    if np.iscomplexobj(sweep.level):
        one = np.ones(sweep.level.size, dtype=np.complex128)
        reference = one if through is None or through.level is None else through.level
        ratio = complex_transmission(reference, sweep.level, floor_db, averages=averages)
        s21, loss = ratio.s21, ratio.loss
    else:
        assert through is not None
        assert through.level is not None
        loss = insertion_loss(
            through.level,
            sweep.level,
            floor_db,
            averages=averages,
            floor_averages=math.inf,
            averaged_in_db=setup.detector is Detector.AVERAGE,
        )
    u_db = _u_db(loss, setup, through)
    curve = LossCurve.of(setup.grid.frequency_hz, loss.loss_db, at_least=loss.at_least, u_db=u_db)
    return Losses(
        curve=curve,
        s21=s21,
        through=through,
        floor=floor,
        dynamic_range_db=_median(loss.dynamic_range_db),
        notes=(*notes, *_notes(setup, sweep, through)),
    )


def _u_db(loss: InsertionLoss, setup: SetupChanged, through: Reference | None) -> Float | None:
    if loss.u_db is None:
        return None
    u_db = loss.u_db
    if through is not None and through.repeatability_db is not None:
        scatter_db = through.repeatability_db * math.sqrt(1.0 + 1.0 / max(1, through.sweeps))
        u_db = np.maximum(u_db, scatter_db)
    step_db = setup.resolution if setup.unit.is_logarithmic else None
    return np.hypot(u_db, (step_db or 0.0) / math.sqrt(6.0))  # a step in each of two readings


def _median(values: Float | None) -> float | None:
    if values is None:
        return None
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if finite.size else None


def _notes(setup: SetupChanged, sweep: SweepSeen, through: Reference | None) -> tuple[str, ...]:
    notes = []
    if through is None:
        notes.append("no through reference: the sweeper's own ratio is taken as it is")
    if setup.detector in (Detector.POSITIVE, Detector.NEGATIVE):
        notes.append("near the floor a peak detector reads another level than the corrections hold")
    if sweep.flags & SweepFlag.OVERLOAD:
        notes.append("the sweeper says that its input was overloaded")
    if sweep.flags & SweepFlag.TRANSMITTING:
        notes.append("a transmitter nearby was keyed during the sweep")
    if sweep.flags & SweepFlag.SET_ASIDE:
        notes.append("the job's conditions set this sweep aside: no verdict rests on it")
    if sweep.flags & SweepFlag.REPEATED:
        notes.append("the sweep equals the one before, bit for bit: is the sweeper frozen?")
    return tuple(notes)
