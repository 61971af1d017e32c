"""Kind ``emission``."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from acqd.chain import Chain
from acqd.config.told import emission_settings
from acqd.config.whole import StationConfig
from acqd.drivers.hops import plan_hops
from acqd.errors import RequestRefused
from acqd.measure.emission_guide import guided_pass
from acqd.measure.emission_meter import EmissionMeter
from acqd.measure.emission_plan import emission_pass
from acqd.measure.emission_proof import foreseen
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.meter import Pass
from acqd.measure.words import frequency_text
from acqd.station.kinds.parts import KindParts
from acqd.sweep import Capabilities, SweepRequest

__all__ = ["emission_parts"]

HARMONICS_FORESEEN = 20


def emission_parts(config: StationConfig, name: str, plane: str) -> KindParts:
    settings = emission_settings(config, name, plane)
    chain = config.chain(name) or Chain()
    said = config.sweepers[config.jobs[name].sweeper].noise_bandwidth_ratio

    def make_pass(request: SweepRequest, passes: int) -> Pass:
        return emission_pass(settings, passes)

    def by_hand(request: SweepRequest, passes: int) -> Pass:
        return guided_pass(settings)

    def foresee(capabilities: Capabilities | None) -> tuple[str, ...]:
        ratio = said
        if ratio is None and capabilities is not None:
            ratio = capabilities.noise_bandwidth_ratio
        proofs = _proofs(settings, chain, capabilities, ratio)
        return (*proofs, *_refusals(settings, capabilities))

    return KindParts(
        meter=EmissionMeter(settings),
        make_pass=make_pass,
        guided_pass=by_hand if settings.keyed else None,
        foresee=foresee,
    )


# --- beforehand -----------------------------------------------------------------------------------


def _carrier_hz(settings: EmissionSettings) -> float:
    request = settings.request
    return settings.expected_hz or (request.start_hz + request.stop_hz) / 2.0


def _harmonics_hz(settings: EmissionSettings, capabilities: Capabilities | None) -> list[float]:
    """Those that the pass would ask for, as far as the sweeper reaches."""
    carrier_hz = _carrier_hz(settings)
    high_hz = math.inf if capabilities is None else capabilities.stop_hz
    high_hz = min(high_hz, settings.up_to_hz or math.inf)
    count = settings.harmonics if settings.harmonics is not None else HARMONICS_FORESEEN
    if math.isinf(high_hz) and settings.harmonics is None:
        count = 4
    every = (order * carrier_hz for order in range(2, count + 2))
    return [at_hz for at_hz in every if at_hz <= high_hz]


def _proofs(
    settings: EmissionSettings,
    chain: Chain,
    capabilities: Capabilities | None,
    enb_per_rbw: float | None,
) -> tuple[str, ...]:
    if not settings.keyed:
        return ()

    def with_loss(at_hz: float) -> tuple[float, float]:
        return at_hz, -float(chain.gain_db(at_hz))

    asked_hz = _harmonics_hz(settings, capabilities)
    told = foreseen(
        settings,
        carrier=with_loss(_carrier_hz(settings)),
        harmonics=[with_loss(at_hz) for at_hz in asked_hz],
        attenuation_db=settings.request.attenuation_db,
        enb_per_rbw=enb_per_rbw,
    )
    return (*told, *_beyond(settings, asked_hz, capabilities))


def _beyond(
    settings: EmissionSettings, asked_hz: list[float], capabilities: Capabilities | None
) -> Iterator[str]:
    wanted = settings.harmonics
    if capabilities is not None and wanted is not None and len(asked_hz) < wanted:
        first = 2 + len(asked_hz)
        yield (
            f"harmonic {first} ({frequency_text(first * _carrier_hz(settings))}) and higher lie "
            f"beyond {frequency_text(capabilities.stop_hz)}: the verdict will be incomplete"
        )


def _refusals(settings: EmissionSettings, capabilities: Capabilities | None) -> Iterator[str]:
    """Settings of later sweeps that the sweeper would refuse in the middle of a pass."""
    if capabilities is None:
        return
    asked = {
        "bandwidth_rbw": (settings.bandwidth_rbw_hz, settings.bandwidth_detector),
        "harmonic_rbw": (settings.harmonic_rbw_hz, None),
        "search_rbw": (settings.search_rbw_hz, settings.search_detector),
    }
    for key, (rbw_hz, detector) in asked.items():
        if rbw_hz is None and detector is None:
            continue
        trial = replace(
            settings.request,
            rbw_hz=rbw_hz or settings.request.rbw_hz,
            detector=detector or settings.request.detector,
        )
        try:
            plan_hops(trial, capabilities)
        except RequestRefused as exc:
            yield f"with `{key}` the sweeper would refuse a sweep in the middle of a pass: {exc}"
