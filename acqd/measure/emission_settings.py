"""What an emission job is told once: frequencies, bandwidths, limits, what is known of the gear."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.measure.fieldstrength import antenna_factor_db_per_m
from acqd.measure.limit_profile import LimitProfile, LimitQuantity, PowerKind
from acqd.measure.provability import Figure, KnownFrom
from acqd.sweep import Detector, SweepRequest
from acqd.units import dbm_from_dbuv, dbm_from_watt, dbuv_from_dbm

__all__ = ["EmissionSettings"]

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class EmissionSettings:
    """Settings of the kind ``emission``. None: nobody says.

    ``request`` is the job's own sweep, around the fundamental. ``keyed`` False: a thing without a
    carrier, of which that sweep and the ranges of ``search`` are looked through. ``power_w`` is the
    largest stated power, ``mean_power_w`` and ``peak_power_w`` are those that limits go by.
    ``harmonics`` None asks for all that can be reached. ``antenna_factor`` are pairs of Hz and
    dB(1/m) for a plane at an aerial's socket; ``has_aerial``: its gain is in the chain. Intercepts
    are those of the sweeper's mixer, with 0 dB of its own attenuation, as is ``noise_figure_db``.
    """

    request: SweepRequest
    plane: str = "the sweeper's input"
    keyed: bool = True
    power_w: float | None = None
    mean_power_w: float | None = None
    peak_power_w: float | None = None
    expected_hz: float | None = None
    frequency_tolerance_hz: float | None = None
    necessary_hz: float | None = None
    occupied_share: float = 0.99
    x_db: float = 26.0
    bandwidth_rbw_hz: float | None = None
    bandwidth_detector: Detector | None = None
    channel_hz: float | None = None
    spacing_hz: float | None = None
    harmonics: int | None = None
    up_to_hz: float | None = None
    harmonic_rbw_hz: float | None = None
    search: tuple[tuple[float, float], ...] = ()
    search_rbw_hz: float | None = None
    search_detector: Detector | None = None
    limits: tuple[LimitProfile, ...] = ()
    guard: float = 1.0
    installed: date | None = None
    distance_m: float | None = None
    antenna_factor: tuple[tuple[float, float], ...] = ()
    antenna_factor_uncertainty_db: float = 3.0
    has_aerial: bool = False
    source_vswr: float | None = None
    input_vswr: float | None = None
    key_level_dbm: float | None = None
    key_within_s: float = 60.0
    keyed_most_s: float = 30.0
    check_attenuation_db: float = 10.0
    external_pad_db: float | None = None
    shi_dbm: float | None = None
    toi_dbm: float | None = None
    noise_figure_db: float | None = None

    @property
    def power_dbm(self) -> float | None:
        """The largest stated power."""
        return None if self.power_w is None else float(dbm_from_watt(self.power_w))

    def limit_power_w(self, profile: LimitProfile) -> float | None:
        """The carrier's power of the kind that a profile goes by."""
        peak = profile.power_kind is PowerKind.PEAK_ENVELOPE
        stated = self.peak_power_w if peak else self.mean_power_w
        return self.power_w if stated is None else stated

    def declared(self, order: int) -> Figure | None:
        """The intercept of an order as the config declares it."""
        value_dbm = {2: self.shi_dbm, 3: self.toi_dbm}.get(order)
        if value_dbm is None:
            return None
        return Figure(value_dbm=value_dbm, known=KnownFrom.DECLARED)

    # -- what a limit counts in -------------------------------------------------------------------

    def factor_db_per_m(self, frequency_hz: ArrayLike) -> Float:
        """Antenna factor of the plane; that of an isotropic aerial where the chain has the gain."""
        at_hz = np.asarray(frequency_hz, dtype=np.float64)
        if not self.antenna_factor:
            return antenna_factor_db_per_m(at_hz, 0.0)
        table_hz, factor_db = zip(*self.antenna_factor, strict=True)
        return np.asarray(np.interp(at_hz, table_hz, factor_db))

    def in_unit_of(
        self, profile: LimitProfile, level_dbm: ArrayLike, frequency_hz: ArrayLike
    ) -> Float:
        """Levels at the plane in what a profile counts in: dBm, dBµV in 50 Ω, dBµV/m."""
        level = np.asarray(level_dbm, dtype=np.float64)
        if profile.quantity is LimitQuantity.POWER:
            return level
        voltage = dbuv_from_dbm(level)
        if profile.quantity is LimitQuantity.VOLTAGE:
            return voltage
        return np.asarray(voltage + self.factor_db_per_m(frequency_hz))

    def at_plane(self, profile: LimitProfile, level: ArrayLike, frequency_hz: ArrayLike) -> Float:
        """Limits of a profile as levels in dBm at the plane: the inverse of the above."""
        limit = np.asarray(level, dtype=np.float64)
        if profile.quantity is LimitQuantity.POWER:
            return limit
        if profile.quantity is LimitQuantity.FIELD:
            limit = limit - self.factor_db_per_m(frequency_hz)
        return dbm_from_dbuv(limit)
