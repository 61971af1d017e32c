"""Kind ``transmission``."""

from __future__ import annotations

from acqd.config.whole import StationConfig
from acqd.measure.transmission_meter import TransmissionMeter, transmission_pass
from acqd.station.kinds.parts import KindParts
from acqd.sweep import Capabilities

__all__ = ["transmission_parts"]


def transmission_parts(config: StationConfig, name: str, plane: str) -> KindParts:
    """Meter and pass; a loss is the same at every plane, so ``plane`` plays no part."""

    def foresee(capabilities: Capabilities | None) -> tuple[str, ...]:
        if capabilities is None or capabilities.source:
            return ()
        return ("the sweeper says that it has no source, and a loss needs one",)

    return KindParts(
        meter=TransmissionMeter(config.jobs[name].transmission.settings(name)),
        make_pass=transmission_pass,
        foresee=foresee,
    )
