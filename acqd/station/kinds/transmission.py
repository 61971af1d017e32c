"""Kind ``transmission``."""

from __future__ import annotations

from acqd.config.whole import StationConfig
from acqd.measure.transmission_meter import TransmissionMeter, transmission_pass
from acqd.station.kinds.parts import KindParts
from acqd.sweep import Capabilities

__all__ = ["transmission_parts"]


def transmission_parts(config: StationConfig, name: str, plane: str) -> KindParts:
    """Meter and pass; a loss is the same at every plane, so ``plane`` plays no part."""
    job = config.jobs[name]
    table = job.transmission
    start_hz, stop_hz = job.range_hz

    def foresee(capabilities: Capabilities | None) -> tuple[str, ...]:
        found = list(table.outside(start_hz, stop_hz))
        if table.temperature is not None and table.temperature not in config.context:
            found.append(f"`temperature` names `{table.temperature}`, and there is no such context")
        if capabilities is not None and not capabilities.source:
            found.append("the sweeper says that it has no source, and a loss needs one")
        return tuple(found)

    return KindParts(
        meter=TransmissionMeter(table.settings(name)),
        make_pass=transmission_pass,
        foresee=foresee,
    )
