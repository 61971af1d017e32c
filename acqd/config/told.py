"""What the meters of kinds are told, made from the validated config of a job.

Whoever reads an archive makes the same from the config that was recorded with it.
"""

from __future__ import annotations

from collections.abc import Mapping

from acqd.chain import Chain, PartKind
from acqd.config.whole import StationConfig
from acqd.config.witness import may_repeat
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.reflection_sweep import ReflectionSettings
from acqd.measure.soak_settings import SoakContext, SoakLimit, SoakSettings, unit_of_figure

__all__ = ["emission_settings", "reflection_settings", "soak_settings"]


def emission_settings(config: StationConfig, name: str, plane: str) -> EmissionSettings:
    """The settings of an emission job."""
    job = config.jobs[name]
    table, chain = job.emission, config.chain(name)
    return EmissionSettings(
        request=job.request(),
        plane=plane,
        keyed=table.keyed,
        power_w=None if job.transmitter is None else job.transmitter.power_w,
        mean_power_w=table.mean_power_w,
        peak_power_w=table.peak_power_w,
        expected_hz=table.expected_hz,
        frequency_tolerance_hz=table.frequency_tolerance_hz,
        necessary_hz=table.necessary_bandwidth_hz,
        occupied_share=table.occupied,
        x_db=table.x_db,
        bandwidth_rbw_hz=table.bandwidth_rbw_hz,
        bandwidth_detector=table.bandwidth_detector,
        channel_hz=table.channel_hz,
        spacing_hz=table.spacing_hz,
        harmonics=table.harmonics,
        up_to_hz=table.up_to_hz,
        harmonic_rbw_hz=table.harmonic_rbw_hz,
        search=table.search,
        search_rbw_hz=table.search_rbw_hz,
        search_detector=table.search_detector,
        limits=config.limit_profiles.get(name, ()),
        guard=table.guard,
        installed=table.installed,
        distance_m=table.distance_m,
        antenna_factor=table.antenna_factor_at or (),
        antenna_factor_uncertainty_db=table.antenna_factor_uncertainty_db,
        has_aerial=_has_aerial(chain),
        source_vswr=table.source_vswr,
        input_vswr=table.input_vswr,
        key_level_dbm=table.key_level_dbm,
        key_within_s=table.key_within_s,
        keyed_most_s=table.keyed_most_s,
        check_attenuation_db=table.check_attenuation_db,
        external_pad_db=table.external_pad_db,
        shi_dbm=table.second_order_intercept_dbm,
        toi_dbm=table.third_order_intercept_dbm,
        noise_figure_db=table.noise_figure_db,
    )


def _has_aerial(chain: Chain | None) -> bool:
    return chain is not None and any(part.kind is PartKind.ANTENNA for part in chain.parts)


def reflection_settings(config: StationConfig, name: str) -> ReflectionSettings:
    """The settings of a reflection job."""
    table = config.jobs[name].reflection
    return ReflectionSettings(
        job=name,
        directivity_db=table.directivity_db,
        source_match_db=table.source_match_db,
        load_return_loss_db=table.load_return_loss_db,
        cable_loss_db=table.cable_loss_db,
        cable_loss_at_hz=table.cable_loss_at_hz,
        cable_loss_limit_db=table.cable_loss_uncertainty_db,
        scale_db=table.scale_db,
        repeatability_db=table.repeatability_db,
        max_reference_age_s=table.max_reference_age_s,
        installed=table.installed,
        named_hz=table.named,
        swr_levels=table.swr,
        range_hz=table.range_hz,
        max_swr=table.max_swr,
        max_swr_at=table.max_swr_at,
        guard=table.guard,
    )


def soak_settings(config: StationConfig, name: str, figures: Mapping[str, str]) -> SoakSettings:
    """The settings of a job's soak; the job must have one.

    ``figures`` are the units of the figures that its kind names, empty where it names none.
    """
    table = config.jobs[name].soak
    assert table is not None
    return SoakSettings(
        job=name,
        may_repeat=may_repeat(config, name),
        length_s=table.length_s,
        label=table.label,
        limits=tuple(
            SoakLimit(
                figure=one.figure,
                unit=figures.get(one.figure, unit_of_figure(one.figure)),
                low=one.low,
                high=one.high,
                drift=one.drift,
                of=one.of,
                guard=one.guard,
            )
            for one in table.limit
        ),
        findings_at_most=table.findings_at_most,
        findings_of=table.findings_of,
        failed_passes_at_most=table.failed_passes_at_most,
        coverage_at_least=table.coverage_at_least,
        contexts=tuple(
            SoakContext(name=key, unit=_context_unit(config, key), least_span=span)
            for key, span in table.context.items()
        ),
        closing_reference=table.closing_reference,
        closing_within_s=table.closing_within_s,
        fresh_reference_every_s=table.fresh_reference_every_s,
    )


def _context_unit(config: StationConfig, key: str) -> str:
    """As the config has it; what an archive recorded of a job does not say it."""
    return config.context[key].unit if key in config.context else ""
