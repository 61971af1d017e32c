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

from acqd.measure.budget import Budget, Component, reflection_of_vswr
from acqd.measure.edges import Edge, EdgePair
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

    def _u_level_db(self, inside_db: float, below_db: float) -> tuple[float, float]:
        """Standard uncertainty of the level of an edge: what both edges share, and each its own."""
        shared = math.hypot(self.u_mismatch_db(inside_db), self._scale(below_db).u)
        return shared, self.u_mismatch_db(self._edge_loss_db(inside_db, below_db))

    @staticmethod
    def _edge_loss_db(inside_db: float, below_db: float) -> float:
        return inside_db + below_db

    def edge(self, edge: Edge, pass_db: float) -> float | None:
        """U of an edge in Hz, k = 2; None where it was not seen."""
        if edge.frequency_hz is None or edge.u_hz is None:
            return None
        shared, own = self._u_level_db(pass_db, edge.below_db)
        budget = frequency_budget(
            edge.frequency_hz,
            accuracy_ppm=self.frequency_ppm,
            u_level_db=math.hypot(shared, own),
            slope_db_per_hz=1.0 / edge.per_db_hz if edge.per_db_hz else None,
        )
        found = Component.from_standard("noise and distance of the points", edge.u_hz)
        return budget.with_components(found).expanded

    def centre(self, pair: EdgePair, pass_db: float) -> float | None:
        """U of a centre in Hz: half of what moves the edges the same way."""
        low, high = pair.lower.per_db_hz or 0.0, pair.upper.per_db_hz or 0.0
        return self._of_both(pair, pass_db, pair.u_centre_hz, pair.centre_hz, high - low, 0.5)

    def width(self, pair: EdgePair, pass_db: float) -> float | None:
        """U of a width in Hz: what moves the edges apart."""
        low, high = pair.lower.per_db_hz or 0.0, pair.upper.per_db_hz or 0.0
        return self._of_both(pair, pass_db, pair.u_bandwidth_hz, pair.bandwidth_hz, low + high, 1.0)

    def _of_both(
        self,
        pair: EdgePair,
        pass_db: float,
        u_hz: float | None,
        value_hz: float | None,
        together_hz: float,
        share: float,
    ) -> float | None:
        if value_hz is None or u_hz is None:
            return None
        shared, own = self._u_level_db(pass_db, pair.below_db)
        each_hz = math.hypot(pair.lower.per_db_hz or 0.0, pair.upper.per_db_hz or 0.0)
        budget = frequency_budget(value_hz, accuracy_ppm=self.frequency_ppm)
        return 2.0 * math.hypot(
            budget.u_combined, u_hz, share * each_hz * own, share * together_hz * shared
        )
