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
    asks = job.before is not None or job.after is not None
    return job.kind in SOURCE_KINDS or job.kind == "emission" or job.source is not None or asks
