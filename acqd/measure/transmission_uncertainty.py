"""How uncertain the figures of a two-port are: losses, differences of losses, edges.

A loss rests on two readings at one frequency, minutes or days apart, with the plug moved in
between. A difference of two losses (an edge's level, a rejection, ripple) rests on the same two
sweeps: what shifts a whole curve, connections and drift, cancels there; mismatch does not, since
its phase differs from frequency to frequency. At frequencies close by it mostly goes together, so
this errs to the wide side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from acqd.measure.budget import Budget, Component, reflection_of_vswr
from acqd.measure.edges import Edge, EdgePair
from acqd.measure.losscurve import LossCurve
from acqd.measure.meter import Reference, SetupChanged, SweepSeen
from acqd.measure.statistics import DB_PER_NEPER
from acqd.measure.transmission_settings import TransmissionSettings
from acqd.measure.uncertainty import (
    ASSUMED_LEVEL_ACCURACY_DB,
    ASSUMED_PAD_VSWR,
    ASSUMED_SCALE_DB,
    Cause,
    Elapsed,
    Reading,
    SweeperFacts,
    difference_budget,
    frequency_budget,
    insertion_mismatch,
    scale_fidelity_db,
)

__all__ = ["LossUncertainty", "elapsed", "uncertainty_of"]

NOISE_FLATNESS = "noise within the flatness"
LUCKIEST = "least loss where mismatch ripples"


def elapsed(through: Reference, sweep: SweepSeen, temperature_c: float | None) -> Elapsed:
    """Time and change of temperature since the through."""
    change_k = None
    if temperature_c is not None and through.temperature_c is not None:
        change_k = temperature_c - through.temperature_c
    return Elapsed(
        age_h=abs(sweep.started_s - through.at_s) / 3600.0,
        temperature_k=change_k,
    )


def uncertainty_of(
    setup: SetupChanged,
    settings: TransmissionSettings,
    *,
    least_db: float,
    since: Elapsed | None,
    curve: LossCurve | None = None,
) -> LossUncertainty:
    """What is known of the ports and the sweeper, for figures of one sweep.

    ``least_db`` is the least loss of what passes; ``since`` is None where there is no through, the
    ratio being the sweeper's own.
    """
    accuracy_db = setup.sweeper_accuracy_db
    known = accuracy_db is not None and "level_accuracy_db" not in setup.assumed
    return LossUncertainty(
        settings=settings,
        least_db=least_db,
        since=since,
        accuracy_db=accuracy_db if known else None,
        frequency_ppm=None
        if "frequency_accuracy_ppm" in setup.assumed
        else setup.frequency_accuracy_ppm,
        step_db=(setup.resolution or 0.0) if setup.unit.is_logarithmic else 0.0,
        curve=curve,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LossUncertainty:
    """Makes the budgets of one sweep's figures."""

    settings: TransmissionSettings
    least_db: float
    since: Elapsed | None
    accuracy_db: float | None
    frequency_ppm: float | None
    step_db: float
    curve: LossCurve | None = None
    """The losses, to see how steep they are on a larger scale than from point to point."""

    # -- parts -----------------------------------------------------------------------------------

    def mismatches(self, loss_db: float) -> tuple[Component, ...]:
        """Mismatch at a loss, by :func:`acqd.measure.uncertainty.insertion_mismatch`.

        A device whose VSWR is stated, or a pad, reflects so much where it passes; what its loss is
        more than the least one counts as reflected, whole.
        """
        given, assumed = self.settings.device_vswr, False
        if given is None and self.settings.pad is not None:
            given, assumed = ASSUMED_PAD_VSWR, True
        if given is not None:
            excess_db = max(0.0, loss_db - self.least_db)
            rho = max(reflection_of_vswr(given), math.sqrt(-math.expm1(-excess_db / DB_PER_NEPER)))
            given = (1.0 + rho) / max(1.0 - rho, 1e-12)
        parts = insertion_mismatch(
            loss_db=loss_db,
            source_vswr=self.settings.source_vswr,
            load_vswr=self.settings.load_vswr,
            device_vswr=given,
        )
        if not assumed:
            return parts
        at_device = (Cause.MISMATCH_DEVICE_IN.value, Cause.MISMATCH_DEVICE_OUT.value)
        return tuple(
            replace(part, assumed=True) if part.name in at_device else part for part in parts
        )

    def u_mismatch_db(self, loss_db: float) -> float:
        """Standard uncertainty by mismatch alone."""
        return math.hypot(*(part.contribution for part in self.mismatches(loss_db)))

    def _scale(self, difference_db: float) -> Component:
        full_db = self.settings.scale_db
        return Component.from_limits(
            Cause.SCALE.value,
            scale_fidelity_db(difference_db, ASSUMED_SCALE_DB if full_db is None else full_db),
            assumed=full_db is None,
            shrink="state how true its scale is, from its data sheet",
        )

    @staticmethod
    def _noise(u_db: float) -> tuple[Component, ...]:
        if not u_db:
            return ()
        shrink = "average more sweeps, or use a narrower RBW or more level"
        return (Component.from_standard(Cause.NOISE.value, u_db, shrink=shrink),)

    # -- levels ----------------------------------------------------------------------------------

    def loss(self, loss_db: float, u_db: float) -> Budget:
        """The budget of a loss whose noise is ``u_db``."""
        if self.since is None:
            return self._own_ratio(loss_db, u_db)
        reading = Reading(deviation_db=self.settings.repeatability_db)
        budget = difference_budget(
            SweeperFacts(scale_db=self.settings.scale_db, step_db=self.step_db),
            reading,
            reading,
            difference_db=loss_db,
            same_frequency=True,
            mismatches=self.mismatches(loss_db),
            since=self.since,
        )
        return budget.with_components(*self._noise(u_db))

    def least(self, least_db: float, u_db: float) -> Budget:
        """The budget of the least loss of a passband: where mismatch ripples it, the least place
        is the one that mismatch favours, by up to about one u of it."""
        budget = self.loss(least_db, u_db)
        favoured = Component.from_limits(
            LUCKIEST,
            self.u_mismatch_db(least_db),
            assumed=any(part.assumed for part in self.mismatches(least_db)),
            shrink="put a pad at each end of the device",
        )
        return budget.with_components(favoured)

    def _own_ratio(self, loss_db: float, u_db: float) -> Budget:
        """Of a ratio that the sweeper corrected by itself: its accuracy stands for the rest."""
        accuracy = Component.from_limits(
            Cause.LEVEL_ACCURACY.value,
            ASSUMED_LEVEL_ACCURACY_DB if self.accuracy_db is None else self.accuracy_db,
            assumed=self.accuracy_db is None,
            shrink="take a through, and state the level accuracy",
        )
        parts = (accuracy, *self.mismatches(loss_db), *self._noise(u_db))
        return Budget(unit="dB", components=parts)

    def difference(self, one_db: float, other_db: float, u_db: float) -> Budget:
        """The budget of one loss less another of the same sweep; ``u_db`` is the noise of it."""
        parts = [self._scale(other_db - one_db)]
        for loss_db in (one_db, other_db):
            parts += self.mismatches(loss_db)
        return Budget(unit="dB", components=(*parts, *self._noise(u_db)))

    def flatness(self, least_db: float, largest_db: float, noise_flatness_db: float) -> Budget:
        """The budget of largest less least loss. What noise adds to it is one-sided, and counts as
        limits on both."""
        budget = self.difference(least_db, largest_db, 0.0)
        if not noise_flatness_db:
            return budget
        shrink = "average more sweeps"
        noise = Component.from_limits(NOISE_FLATNESS, noise_flatness_db, shrink=shrink)
        return budget.with_components(noise)

    # -- frequencies -----------------------------------------------------------------------------

    def edge(self, edge: Edge, pass_db: float) -> float | None:
        """U of an edge in Hz, k = 2; None where it was not seen."""
        if edge.frequency_hz is None or edge.u_hz is None:
            return None
        shared_db, own_db = self._u_level_db(pass_db, edge.below_db)
        per_db_hz = self._per_db_hz(edge, pass_db)
        budget = frequency_budget(
            edge.frequency_hz,
            accuracy_ppm=self.frequency_ppm,
            u_level_db=math.hypot(shared_db, own_db),
            slope_db_per_hz=1.0 / per_db_hz if per_db_hz else None,
        )
        found = Component.from_standard("noise and distance of the points", edge.u_hz)
        return budget.with_components(found).expanded

    def centre(self, pair: EdgePair, pass_db: float) -> float | None:
        """U of a centre in Hz: half of what moves the edges the same way."""
        low_hz, high_hz = self._both_per_db(pair, pass_db)
        together_hz = (high_hz - low_hz) / 2.0
        each_hz = math.hypot(low_hz, high_hz) / 2.0
        return self._of_both(pair, pass_db, pair.u_centre_hz, pair.centre_hz, each_hz, together_hz)

    def width(self, pair: EdgePair, pass_db: float) -> float | None:
        """U of a width in Hz: what moves the edges apart."""
        low_hz, high_hz = self._both_per_db(pair, pass_db)
        each_hz = math.hypot(low_hz, high_hz)
        return self._of_both(
            pair, pass_db, pair.u_bandwidth_hz, pair.bandwidth_hz, each_hz, low_hz + high_hz
        )

    def _of_both(
        self,
        pair: EdgePair,
        pass_db: float,
        u_hz: float | None,
        value_hz: float | None,
        each_hz: float,
        together_hz: float,
    ) -> float | None:
        if value_hz is None or u_hz is None:
            return None
        shared_db, own_db = self._u_level_db(pass_db, pair.below_db)
        scale_hz = frequency_budget(value_hz, accuracy_ppm=self.frequency_ppm).u_combined
        return 2.0 * math.hypot(scale_hz, u_hz, each_hz * own_db, together_hz * shared_db)

    def _u_level_db(self, pass_db: float, below_db: float) -> tuple[float, float]:
        """Standard uncertainty of the level of an edge: what both edges share, and each its own."""
        shared = math.hypot(self.u_mismatch_db(pass_db), self._scale(below_db).u)
        return shared, self.u_mismatch_db(pass_db + below_db)

    def _both_per_db(self, pair: EdgePair, pass_db: float) -> tuple[float, float]:
        return self._per_db_hz(pair.lower, pass_db), self._per_db_hz(pair.upper, pass_db)

    def _per_db_hz(self, edge: Edge, pass_db: float) -> float:
        """How far an error of 1 dB moves an edge: the larger of what the line at the crossing says,
        which rides on the ripple of mismatch, and the way from one u inside to one u beyond."""
        local_hz = edge.per_db_hz or 0.0
        if edge.frequency_hz is None or self.curve is None:
            return local_hz
        u_db = math.hypot(*self._u_level_db(pass_db, edge.below_db))
        level_db = pass_db + edge.below_db
        return max(local_hz, _way_hz(self.curve, edge, level_db, u_db) / (2.0 * u_db or 1.0))


def _way_hz(curve: LossCurve, edge: Edge, level_db: float, u_db: float) -> float:
    """Distance about an edge from where the loss is one u inside to where it is one u beyond, each
    the nearest such place, by straight lines; 0 where the curve has not both."""
    assert edge.frequency_hz is not None
    at = int(np.searchsorted(curve.frequency_hz, edge.frequency_hz))
    # Which way the loss rises is read from the curve: the edges of a notch fall outwards.
    before, after = curve.loss_db[:at][::-1], curve.loss_db[at:]
    rising = bool(after.size and before.size and after[0] >= before[0])
    low, high = (before, after) if rising else (after, before)
    inside, beyond = low <= level_db - u_db, high >= level_db + u_db
    if not (inside.any() and beyond.any()):
        return 0.0
    i, j = int(inside.argmax()), int(beyond.argmax())
    first, second = (at - 1 - i, at + j) if rising else (at + i, at - 1 - j)
    towards = 1 if rising else -1
    low_hz = _crossing_hz(curve, first, first + towards, level_db - u_db)
    high_hz = _crossing_hz(curve, second, second - towards, level_db + u_db)
    return abs(high_hz - low_hz)


def _crossing_hz(curve: LossCurve, here: int, there: int, level_db: float) -> float:
    """Where the line between two neighbours crosses a level; ``here`` where it does not."""
    pair = [here, there]
    (y0, y1), (f0, f1) = curve.loss_db[pair].tolist(), curve.frequency_hz[pair].tolist()
    if (y0 - level_db) * (y1 - level_db) >= 0.0:
        return float(f0)
    return float(f0 + (level_db - y0) / (y1 - y0) * (f1 - f0))
