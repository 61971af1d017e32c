"""Kind ``band``."""

from __future__ import annotations

from acqd.config.whole import StationConfig
from acqd.config.witness import deaf_by_floor, may_repeat, named_witnesses
from acqd.measure.band import BandMeter, BandSettings
from acqd.measure.band_passes import CheckedPasses, band_pass
from acqd.measure.band_work import AerialNoise
from acqd.measure.meter import MakePass
from acqd.measure.radionoise import noise_gain_db
from acqd.measure.trial import TrialRange
from acqd.station.kinds.parts import KindParts

__all__ = ["band_parts"]


def band_parts(config: StationConfig, name: str, plane: str) -> KindParts:
    job = config.jobs[name]
    band, sweeper = job.band, config.sweepers[job.sweeper]
    plan = config.channel_plans.get(name)
    settings = BandSettings(
        false_alarm=band.opening_probability,
        margin_db=band.margin_db,
        closing_db=band.closing_db,
        min_duration_s=band.min_duration_s,
        floor=band.floor,
        learn_s=band.learn_s,
        floor_step_db=band.floor_step_db,
        flapping_s=band.flapping_s,
        channels=plan,
        plane=plane,
        shape_factor=sweeper.shape_factor,
        phase_noise=sweeper.phase_noise_at or (),
        stopband_db=sweeper.stopband_db,
        neighbour_db=band.neighbour_db,
        residual_db=band.residual_db,
        trial=band.trial,
        trial_over=band.trial_over,
        trial_settle=band.trial_settle,
        ranges=tuple(
            TrialRange(name=key, start_hz=start_hz, stop_hz=stop_hz)
            for key, (start_hz, stop_hz) in band.ranges.items()
        ),
        ambient_drift_db=band.ambient_drift_db,
        aerial=_aerial(config, name),
        region=band.region,
        witnesses=named_witnesses(config, name),
        learn_witnesses=job.learn_witnesses,
        deaf_by_floor=deaf_by_floor(job),
        may_repeat=may_repeat(config, name),
        own_figure_db=sweeper.noise_figure_db,
    )
    make_pass: MakePass = band_pass
    if band.check_attenuation_db is not None:
        make_pass = CheckedPasses(added_db=band.check_attenuation_db, every=band.check_every)
    return KindParts(
        meter=BandMeter(settings),
        make_pass=make_pass,
        channel_keys={} if plan is None else {one.name: one.key for one in plan.channels},
    )


def _aerial(config: StationConfig, name: str) -> AerialNoise | None:
    """What an external noise figure is worked out with, at the middle of the band."""
    job = config.jobs[name]
    table = job.band.aerial
    if table is None:
        return None
    chain, sweeper = config.chain(name), config.sweepers[job.sweeper]
    middle_hz = sum(job.range_hz) / 2.0
    return AerialNoise(
        chain_gain_db=0.0 if chain is None else float(noise_gain_db(chain, middle_hz)),
        chain_figure_db=table.noise_figure_db,
        antenna_loss_db=table.loss_db,
        instrument_figure_db=sweeper.noise_figure_db,
        chain_u_db=0.0 if chain is None else chain.uncertainty_db / 2.0,
        antenna_u_db=table.loss_uncertainty_db / 2.0,
        instrument_u_db=table.figure_uncertainty_db / 2.0,
    )
