"""Kind ``reflection``."""

from __future__ import annotations

from acqd.config.jobs import JobTable
from acqd.config.told import reflection_settings
from acqd.config.whole import StationConfig
from acqd.measure.meter import Pass, PassStep
from acqd.measure.reflection_meter import ReflectionMeter, reflection_pass
from acqd.measure.words import frequency_text, range_text
from acqd.station.kinds.parts import KindParts
from acqd.sweep import Capabilities, SweepRequest

__all__ = ["reflection_parts"]


def reflection_parts(config: StationConfig, name: str, plane: str) -> KindParts:
    job = config.jobs[name]
    foreseen = tuple(_foreseen(job))
    caution = _caution(job)

    def guided(request: SweepRequest, sweeps: int = 1) -> Pass:
        for number in range(sweeps):
            yield PassStep(request=request, say="" if number else caution)

    def foresee(_: Capabilities | None) -> tuple[str, ...]:
        return foreseen

    return KindParts(
        meter=ReflectionMeter(reflection_settings(config, name)),
        make_pass=reflection_pass,
        guided_pass=guided,
        foresee=foresee,
    )


def _caution(job: JobTable) -> str:
    """What is said before the source goes on."""
    if job.source is None or not job.source.radiates:
        return (
            "the source is on for this sweep: what is to be measured belongs on the test port now"
        )
    return (
        f"the aerial transmits for this sweep, {range_text(*job.range_hz)}: listen first whether "
        "the range is free, and let nobody else transmit near it"
    )


def _foreseen(job: JobTable) -> list[str]:
    """What a sweep of this job cannot answer, before it is taken."""
    start_hz, stop_hz = job.range_hz
    table = job.reflection
    found = []
    for key, at_hz in table.named.items():
        if not start_hz <= at_hz <= stop_hz:
            found.append(
                f"{key} ({frequency_text(at_hz)}) lies outside the sweep: nothing can be said of it"
            )
    if table.range_hz is not None and not (
        start_hz <= table.range_hz[0] and table.range_hz[1] <= stop_hz
    ):
        wanted = range_text(*table.range_hz)
        found.append(f"the range {wanted} reaches beyond the sweep: it cannot be judged")
    unknown = [
        words
        for words, value in (
            ("directivity", table.directivity_db),
            ("source match", table.source_match_db),
        )
        if value is None
    ]
    if unknown:
        found.append(
            f"nobody states the bridge's {' and '.join(unknown)}: a wide value is assumed"
            + ("; a load reference measures the directivity" if "directivity" in unknown else "")
        )
    return found
