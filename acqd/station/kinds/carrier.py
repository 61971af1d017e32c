"""Kind ``carrier``."""

from __future__ import annotations

from acqd.config.whole import StationConfig
from acqd.measure.carrier_look import CarrierSettings
from acqd.measure.carrier_meter import CarrierMeter, carrier_pass
from acqd.station.kinds.parts import KindParts
from acqd.sweep import Capabilities

__all__ = ["carrier_parts"]


def carrier_parts(config: StationConfig, name: str, plane: str) -> KindParts:
    job = config.jobs[name]
    table = job.carrier
    start_hz, stop_hz = job.range_hz
    settings = CarrierSettings(
        expected_hz=table.expected_hz,
        window_hz=table.window_hz,
        least_over_floor_db=table.least_over_floor_db,
        shape=table.filter,
        learn=table.learn,
        false_alarms_a_day=table.false_alarms_a_day,
        level_step_db=table.level_step_db,
        frequency_step_hz=table.frequency_step_hz,
        warm_up=table.warm_up,
        source_vswr=table.source_vswr,
        input_vswr=table.input_vswr,
        plane=plane,
    )
    request = job.request()

    def foresee(_: Capabilities | None) -> tuple[str, ...]:
        told = []
        expected_hz = table.expected_hz
        if expected_hz is not None and not start_hz < expected_hz < stop_hz:
            told.append("`expected` lies outside the sweep: the carrier cannot be heard there")
        if request.rbw_hz is not None and request.step_hz > request.rbw_hz:
            told.append(
                "the points are further apart than the RBW: the carrier's frequency is known to "
                "half a step only, and its level reads low between them; sweep more points"
            )
        return tuple(told)

    return KindParts(meter=CarrierMeter(settings), make_pass=carrier_pass, foresee=foresee)
