"""What a job's kind is made of: one module a kind, from the validated config to meter and pass."""

from __future__ import annotations

from acqd.config.whole import StationConfig
from acqd.station.kinds.hearing import hearing
from acqd.station.kinds.parts import KindParts

__all__ = ["KindParts", "kind_parts"]


def kind_parts(config: StationConfig, name: str, plane: str) -> KindParts:
    """The parts of the job ``name``, whose levels hold at ``plane``; inside a soak where it is one.

    Imports a kind's code when a job is of it.
    """
    parts = hearing(config, name, _of_kind(config, name, plane))
    if config.jobs[name].soak is None:
        return parts
    from acqd.station.kinds.soak import soaked

    return soaked(config, name, parts)


def _of_kind(config: StationConfig, name: str, plane: str) -> KindParts:
    match config.jobs[name].kind:
        case "emission":
            from acqd.station.kinds.emission import emission_parts

            return emission_parts(config, name, plane)
        case "transmission":
            from acqd.station.kinds.transmission import transmission_parts

            return transmission_parts(config, name, plane)
        case "reflection":
            from acqd.station.kinds.reflection import reflection_parts

            return reflection_parts(config, name, plane)
        case "carrier":
            from acqd.station.kinds.carrier import carrier_parts

            return carrier_parts(config, name, plane)
        case _:
            from acqd.station.kinds.band import band_parts

            return band_parts(config, name, plane)
