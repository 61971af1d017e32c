"""A kind that has no ear of its own gets one for a frozen sweeper; and what a job would be noticed
to be deaf by, before anything is swept."""

from __future__ import annotations

from dataclasses import replace

from acqd.config.jobs import JobTable
from acqd.config.whole import StationConfig
from acqd.config.witness import deaf_by_floor, may_repeat, named_witnesses
from acqd.measure.band_ears import CONFIRM_MOST_S
from acqd.measure.band_floor import LOW_S, LOW_SWEEPS, PAST_LEAST_S
from acqd.measure.deafness import FROZEN_S, FROZEN_SWEEPS
from acqd.measure.witness import LEARN_S, Witness
from acqd.measure.words import duration_text
from acqd.station.kinds.parts import KindParts
from acqd.sweep import Capabilities

__all__ = ["hearing"]

BY_CHANCE = 1e-4
"""How often, at most, all sweeps of a witness's time should miss it by chance."""


def hearing(config: StationConfig, name: str, parts: KindParts) -> KindParts:
    """``parts`` of the job ``name`` with the ear, where its sweeps may not repeat; for kind
    ``band``, which has its own, with what that would notice among what is foreseen."""
    if config.jobs[name].kind == "band":
        foresee = parts.foresee

        def with_hearing(capabilities: Capabilities | None) -> tuple[str, ...]:
            return (*foresee(capabilities), *_foretold(config, name))

        return replace(parts, foresee=with_hearing)
    if may_repeat(config, name):
        return parts
    from acqd.measure.deafness_meter import HearingMeter

    return replace(parts, meter=HearingMeter(parts.meter))


def _foretold(config: StationConfig, name: str) -> tuple[str, ...]:
    job = config.jobs[name]
    witnesses = named_witnesses(config, name)
    ways = [*_by_witness(job, witnesses), *_by_floor(job)]
    told = [f"a cable that falls off is noticed {', or '.join(ways)}"]
    if not ways:
        told = ["a cable that falls off would not be noticed: name a [[job.NAME.witness]]"]
    if not may_repeat(config, name):
        frozen = _within(job, FROZEN_SWEEPS, FROZEN_S)
        told.append(f"a sweeper that answers with old sweeps is noticed within {frozen}")
    return (*told, *_by_chance(job, witnesses))


def _by_witness(job: JobTable, witnesses: tuple[Witness, ...]) -> list[str]:
    if witnesses:
        longest_s = max(one.within_s for one in witnesses)
        names = " and ".join(one.name for one in witnesses)
        return [f"within {duration_text(longest_s)} by {names}"]
    if job.learn_witnesses and job.band.channels is not None:
        return [
            f"by channels that were heard regularly, once {duration_text(LEARN_S)} of listening "
            f"have shown which they are"
        ]
    return []


def _by_floor(job: JobTable) -> list[str]:
    if not deaf_by_floor(job):
        return []
    soonest = _within(job, LOW_SWEEPS, LOW_S)
    return [
        f"within {soonest}, in a band with traffic within {duration_text(CONFIRM_MOST_S)}, by the "
        f"floor where it falls with it, once there is {duration_text(PAST_LEAST_S)} to compare with"
    ]


def _within(job: JobTable, sweeps: int, least_s: float) -> str:
    """So many sweeps and at least so long."""
    every_s = job.when.every_s
    if every_s is None:
        return f"{sweeps} sweeps and {duration_text(least_s)}"
    count = max(sweeps, round(least_s / every_s))
    return f"{count} sweeps ({duration_text(max(sweeps * every_s, least_s))})"


def _by_chance(job: JobTable, witnesses: tuple[Witness, ...]) -> list[str]:
    """How often a witness has to be met for its silence to mean anything."""
    every_s = job.when.every_s
    if every_s is None or not witnesses:
        return []
    sweeps = max(int(one.within_s // every_s) for one in witnesses)
    share = 1.0 - BY_CHANCE ** (1.0 / sweeps)
    return [
        f"{sweeps:,} sweeps come in a witness's time: they all miss one that is there in "
        f"{100.0 * share:.2g} % of them once in {1.0 / BY_CHANCE:,.0f} times, and one that comes "
        f"less often makes false alarms; give it a longer `within`"
    ]
