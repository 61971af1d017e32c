"""A kind that has no ear of its own gets one for a frozen sweeper."""

from __future__ import annotations

from dataclasses import replace

from acqd.config.whole import StationConfig
from acqd.config.witness import may_repeat
from acqd.station.kinds.parts import KindParts

__all__ = ["hearing"]


def hearing(config: StationConfig, name: str, parts: KindParts) -> KindParts:
    """``parts`` of the job ``name`` with the ear; as they are where its sweeps may repeat."""
    if config.jobs[name].kind == "band" or may_repeat(config, name):
        return parts
    from acqd.measure.deafness_meter import HearingMeter

    return replace(parts, meter=HearingMeter(parts.meter))
