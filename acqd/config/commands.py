"""``[commands]``: what others may tell the station over MQTT; without the table nobody anything.

Verbs alone, of jobs that are named: nothing of a request, a level, a source or the config.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Annotated, Literal

from pydantic import Field

from acqd.config.problems import near_miss
from acqd.config.quantity import DURATION, Quantity
from acqd.config.tables import Count, Misfit, Switch, Table

__all__ = ["CommandsTable", "misfits_of_commands"]

VERBS = ("pause", "resume", "sweep")
JOBS_MOST = 256


class CommandsTable(Table):
    """Which verbs, of which jobs, how often, and how old a command may be."""

    verbs: Annotated[
        tuple[Literal["pause", "resume", "sweep"], ...], Field(min_length=1, max_length=3)
    ] = Field(description='a list of "pause", "resume" and "sweep"')
    jobs: Annotated[tuple[str, ...], Field(min_length=1, max_length=JOBS_MOST)] = Field(
        description="names of jobs"
    )
    with_source: Switch = False
    """Whether ``sweep`` is also for jobs that transmit, are transmitted for, or move something."""
    at_most: Annotated[Count, Field(ge=1, le=60)] = 6
    per_s: Annotated[float, Quantity(dimension=DURATION, at_least="10 s", at_most="1 h")] = Field(
        default=60.0, alias="per"
    )
    stale_after_s: Annotated[
        float, Quantity(dimension=DURATION, at_least="2 s", at_most="10 min")
    ] = Field(default=30.0, alias="stale_after")

    def misfits(self) -> Iterator[Misfit]:
        for key, given in (("verbs", self.verbs), ("jobs", self.jobs)):
            if len(set(given)) < len(given):
                yield Misfit(key=key, problem="one is said twice", accepted="each once")


def misfits_of_commands(table: CommandsTable, jobs: Sequence[str]) -> Iterator[Misfit]:
    """Jobs that the config has not."""
    for name in table.jobs:
        if name not in jobs:
            known = ", ".join(f'"{one}"' for one in jobs) or "none: there is no job"
            yield Misfit(
                key="jobs",
                problem=f"no job is named {name[:64]!r}{near_miss(name, list(jobs))}",
                accepted=f"names of jobs: {known}",
            )
