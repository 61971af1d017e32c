"""From the config's ``[commands]`` to what a station lets others do."""

from __future__ import annotations

from acqd.config.jobs import SOURCE_KINDS, JobTable
from acqd.config.whole import StationConfig
from acqd.station.doorkeeper import CommandRules

__all__ = ["command_rules"]


def command_rules(config: StationConfig) -> CommandRules | None:
    """What ``config`` lets others do over MQTT; None where nothing."""
    table = config.commands
    if table is None:
        return None
    quiet = [] if table.with_source else [name for name in table.jobs if _acts(config.jobs[name])]
    return CommandRules(
        verbs=frozenset(table.verbs),
        jobs=frozenset(table.jobs),
        quiet=frozenset(quiet),
        at_most=table.at_most,
        per_s=table.per_s,
        stale_after_s=table.stale_after_s,
    )


def _acts(job: JobTable) -> bool:
    """Whether a pass of a job does something to the world: a source, a transmitter that somebody
    keys for it, or what is asked for around it."""
    given = (job.source, job.transmitter, job.before, job.after)
    is_of_kind = job.kind in SOURCE_KINDS or job.kind == "emission"
    return is_of_kind or any(one is not None for one in given)
