"""Kind ``band``."""

from __future__ import annotations

from acqd.config.whole import StationConfig
from acqd.measure.band import BandMeter, BandSettings, band_pass
from acqd.station.kinds.parts import KindParts

__all__ = ["band_parts"]


def band_parts(config: StationConfig, name: str, plane: str) -> KindParts:
    band = config.jobs[name].band
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
    )
    return KindParts(
        meter=BandMeter(settings),
        make_pass=band_pass,
        channel_keys={} if plan is None else {one.name: one.key for one in plan.channels},
    )
