"""``[[job.NAME.witness]]``: signals that should be heard now and then; who may repeat itself."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from pydantic import Field

from acqd.config.problems import near_miss
from acqd.config.quantity import DURATION, FREQUENCY, Quantity, format_quantity
from acqd.config.tables import ExactlyOne, KeyRule, Misfit, Table
from acqd.errors import ConfigError
from acqd.measure.witness import Witness
from acqd.measure.words import frequency_text

if TYPE_CHECKING:
    from acqd.config.jobs import JobTable
    from acqd.config.whole import StationConfig

__all__ = [
    "WITNESSES_MOST",
    "WITNESS_DEFAULTS",
    "WitnessTable",
    "deaf_by_floor",
    "may_repeat",
    "misfits_of_witnesses",
    "named_witnesses",
]

WITNESSES_MOST = 16

SWEEPS_WITHIN = 3.0
"""A witness has to be looked for so often at least within its time."""

WITNESS_DEFAULTS: Mapping[str, Any] = {
    "witness": [],
    "learn_witnesses": True,
    "deaf_by_floor": None,
}
"""Keys of a job that came later, left out of its source where they say nothing new: so digests of
old stay as they are."""


class WitnessTable(Table):
    """One signal that should be heard at least every so often while anybody listens."""

    channel: str | None = Field(default=None, description="a channel of the job's plan")
    frequency_hz: Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")] | None = Field(
        default=None, alias="frequency"
    )
    within_s: Annotated[float, Quantity(dimension=DURATION, at_least="1 s", at_most="1 d")] = Field(
        alias="within", description='how often it is heard at least, such as "10 min"'
    )

    rules: ClassVar[tuple[KeyRule, ...]] = (
        ExactlyOne((("channel",), ("frequency",)), "nothing says where the witness is heard"),
    )


def misfits_of_witnesses(job: JobTable) -> Iterator[Misfit]:
    """What does not fit of a job's witnesses and of what it may be deaf by."""
    asked = [key for key in WITNESS_DEFAULTS if key in job.model_fields_set]
    if job.kind != "band" and asked:
        yield Misfit(
            key=asked[0],
            problem=f"kind {job.kind} has no witnesses, and its floor is no sign of deafness",
            accepted='jobs of kind "band"',
        )
        return
    if len(job.witness) > WITNESSES_MOST:
        problem = f"{len(job.witness)} witnesses"
        yield Misfit(key="witness", problem=problem, accepted=f"at most {WITNESSES_MOST}")
    start_hz, stop_hz = job.range_hz
    every_s = job.when.every_s
    for number, one in enumerate(job.witness, start=1):
        where = f"witness {number}: " if len(job.witness) > 1 else ""
        if one.frequency_hz is not None and not start_hz <= one.frequency_hz <= stop_hz:
            low, high = (format_quantity(hz, FREQUENCY) for hz in (start_hz, stop_hz))
            yield Misfit(
                key="witness",
                problem=f"{where}`frequency`: outside the sweep",
                accepted=f"from {low} to {high}",
            )
        if one.channel is not None and job.band.channels is None:
            yield Misfit(
                key="witness",
                problem=f"{where}`channel`: the job has no channel plan",
                accepted="`frequency`, or `channels` in the job's `band`",
            )
        if every_s is not None and one.within_s < SWEEPS_WITHIN * every_s:
            least = format_quantity(SWEEPS_WITHIN * every_s, DURATION)
            yield Misfit(
                key="witness",
                problem=f"{where}`within`: fewer than {SWEEPS_WITHIN:g} sweeps come in that time",
                accepted=f"at least {least}",
            )


def named_witnesses(config: StationConfig, name: str) -> tuple[Witness, ...]:
    """The witnesses that a job names, as its meter knows them.

    Raises:
        ConfigError: a channel that the job's plan does not have, or that its sweep does not reach.
    """
    job, plan = config.jobs[name], config.channel_plans.get(name)
    channels = () if plan is None else plan.channels
    found = []
    for at, one in enumerate(job.witness):
        if one.channel is None:
            text = frequency_text(one.frequency_hz or 0.0)
            found.append(Witness(name=text, within_s=one.within_s, frequency_hz=one.frequency_hz))
            continue
        numbers = [i for i, each in enumerate(channels) if one.channel in (each.name, each.key)]
        if not numbers:
            known = [each.name for each in channels]
            _refuse(
                config, name, at, f"the plan has no such channel{near_miss(one.channel, known)}"
            )
        channel = channels[numbers[0]]
        low_hz, high_hz = job.range_hz
        if not (low_hz <= channel.centre_hz <= high_hz):
            _refuse(config, name, at, "the job's sweep does not reach it")
        found.append(Witness(name=channel.name, within_s=one.within_s, channel=numbers[0]))
    return tuple(found)


def _refuse(config: StationConfig, name: str, at: int, problem: str) -> None:
    plan = config.channel_plans.get(name)
    keys: Sequence[str] = [] if plan is None else [one.key for one in plan.channels]
    more = f" and {len(keys) - 8} more" if len(keys) > 8 else ""
    raise ConfigError(
        (
            config.places.problem(
                ("job", name, "witness", at, "channel"),
                problem,
                accepted="a channel of the job's plan: " + ", ".join(keys[:8]) + more,
                given=f'"{config.jobs[name].witness[at].channel}"',
            ),
        )
    )


def deaf_by_floor(job: JobTable) -> bool:
    """Whether a floor that falls may say that nobody hears: as the config says, else unless the job
    watches a thing under test, whose noise ends when that is switched off."""
    if job.deaf_by_floor is not None:
        return job.deaf_by_floor
    return job.soak is None and job.band.trial is None


def may_repeat(config: StationConfig, name: str) -> bool:
    """Whether sweeps of a job that equal each other are no sign of a frozen sweeper: as the config
    says of the sweeper, else where its own source goes straight in, which may look alike."""
    job = config.jobs[name]
    told = config.sweepers[job.sweeper].may_repeat
    return job.source is not None if told is None else told
