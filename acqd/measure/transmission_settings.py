"""What a transmission job is asked: ranges, named frequencies, limits; and what is known of it."""

from __future__ import annotations

from dataclasses import dataclass

from acqd.measure.losscurve import NamedFrequency, Role

__all__ = [
    "MAX_AGE_S",
    "Aim",
    "NamedAim",
    "PadAim",
    "PassbandAim",
    "StopbandAim",
    "TransmissionSettings",
]

MAX_AGE_S = 86_400.0
"""How old a through may be before it is worth a word (definition ours)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PassbandAim:
    """The range that should pass; limits are None where nothing is asked."""

    start_hz: float
    stop_hz: float
    loss_at_most_db: float | None = None
    ripple_at_most_db: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StopbandAim:
    """A range that should be kept down, by ``at_least_db`` below the passband's least loss."""

    name: str
    start_hz: float
    stop_hz: float
    at_least_db: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedAim:
    """A named frequency: ``at_most_db`` of loss where it should pass, ``at_least_db`` of rejection
    where it should not."""

    name: str
    frequency_hz: float
    role: Role
    at_most_db: float | None = None
    at_least_db: float | None = None

    @property
    def named(self) -> NamedFrequency:
        return NamedFrequency(name=self.name, frequency_hz=self.frequency_hz, role=self.role)


@dataclass(frozen=True, slots=True, kw_only=True)
class PadAim:
    """The thing is a pad of ``value_db``, within ``within_db`` and flat within ``flatness_db``."""

    value_db: float
    within_db: float | None = None
    flatness_at_most_db: float | None = None


Aim = PassbandAim | StopbandAim | NamedAim | PadAim


@dataclass(frozen=True, slots=True, kw_only=True)
class TransmissionSettings:
    """Everything that the meter of a transmission job is told.

    ``job`` is for the command that a refusal names. ``temperature`` names a value of the context
    in °C. VSWR are of the port that the source feeds from, of the load it ends in, and of the
    device where it passes; None assumes (:mod:`acqd.measure.uncertainty`). ``floor_dbm`` is what
    the sweeper shows of its own noise, at its input; a quiet reference goes before.
    """

    job: str = "JOB"
    passband: PassbandAim | None = None
    stopbands: tuple[StopbandAim, ...] = ()
    pad: PadAim | None = None
    named: tuple[NamedAim, ...] = ()
    edge_levels_db: tuple[float, ...] = (3.0, 6.0, 60.0)
    notch_levels_db: tuple[float, ...] = (3.0, 20.0, 30.0, 40.0)
    floor_dbm: float | None = None
    max_age_s: float = MAX_AGE_S
    temperature: str | None = None
    source_vswr: float | None = None
    load_vswr: float | None = None
    device_vswr: float | None = None
    scale_db: float | None = None
    repeatability_db: float | None = None
    aperture_hz: float | None = None
    guard: float = 1.0

    @property
    def has_limits(self) -> bool:
        """Whether anything is to be judged."""
        passed, pad = self.passband, self.pad
        limits = [
            *(one.at_least_db for one in self.stopbands),
            *(one.at_most_db for one in self.named),
            *(one.at_least_db for one in self.named),
        ]
        if passed is not None:
            limits += [passed.loss_at_most_db, passed.ripple_at_most_db]
        if pad is not None:
            limits += [pad.within_db, pad.flatness_at_most_db]
        return any(limit is not None for limit in limits)
