"""What a job's config asks of the values beside the sweeps and of the world, made into objects."""

from __future__ import annotations

from acqd.config.around import AfterTable, BeforeTable, ConfirmTable
from acqd.config.conditions import ConditionTable, bounds_of
from acqd.config.whole import StationConfig
from acqd.errors import WrongUsage
from acqd.station.asks import Around, Ask, Confirm
from acqd.station.conditions import Condition, OnlyWhile, keyed
from acqd.station.jobspec import JobSpec

__all__ = ["around_of", "flag_while_of", "only_while_of", "refuse_unasked", "wishes_of"]


def flag_while_of(config: StationConfig, name: str) -> tuple[Condition, ...]:
    """What sets sweeps of a job aside."""
    return tuple(_condition(config, one) for one in config.jobs[name].flag_while)


def only_while_of(config: StationConfig, name: str) -> tuple[OnlyWhile, ...]:
    """What a job waits for."""
    return tuple(
        OnlyWhile(condition=_condition(config, one), or_unknown=one.unknown == "sweep")
        for one in config.jobs[name].only_while
    )


def around_of(config: StationConfig, name: str) -> Around | None:
    """What a job asks of the world before and after each pass."""
    table = config.jobs[name]
    if table.before is None:
        return None
    after = None if table.after is None else _ask(config, table.after)
    return Around(before=_ask(config, table.before), after=after)


def wishes_of(spec: JobSpec) -> tuple[str, ...]:
    """What a job waits for, what sets its sweeps aside, what it asks for; a sentence each."""
    said = []
    if spec.only_while:
        held = " and ".join(one.condition.text for one in spec.only_while)
        said.append(f"sweeps only while {held}; what it misses else is accounted for as paused")
    if spec.flag_while:
        held = " or ".join(one.text for one in spec.flag_while)
        said.append(f"sweeps while {held} are kept and drawn, and in no figure")
    around = spec.around
    if around is None:
        return tuple(said)
    before, after = around.before, around.after
    confirmed = "" if before.confirm is None else f", and waits up to {before.within_s:g} s for "
    said.append(
        f"before each pass it publishes {before.text}{confirmed}"
        f"{'' if before.confirm is None else before.confirm.text}; else it does not sweep"
    )
    if after is None:
        said.append("nothing puts that back: there is no [job.NAME.after]")
        return tuple(said)
    heard = "" if after.confirm is None else f", and waits for {after.confirm.text}"
    said.append(
        f"after each pass, and first at each start of the station, it publishes {after.text}{heard}"
    )
    return tuple(said)


def refuse_unasked(spec: JobSpec, *, as_it_is: bool) -> None:
    """Refuse a job that asks for something, where nobody is asked.

    Raises:
        WrongUsage: it does, and nobody said that the world is as it wants it.
    """
    if spec.around is None or as_it_is:
        return
    raise WrongUsage(
        f"job {spec.name} wants {spec.around.before.text} before a pass, and this command asks "
        "nobody: set it by hand and give --as-it-is, or let the running station do it"
    )


def _condition(config: StationConfig, table: ConditionTable | ConfirmTable) -> Condition:
    """A condition on a context; without bounds it has to be on."""
    assert table.context is not None
    bounds = {key: bound for key, (bound, _) in bounds_of(table).items()}
    if not bounds:
        return keyed(table.context)
    return Condition(
        context=table.context,
        unit=config.context[table.context].unit,
        above=bounds.get("above"),
        at_least=bounds.get("at_least"),
        below=bounds.get("below"),
        at_most=bounds.get("at_most"),
    )


def _ask(config: StationConfig, table: BeforeTable | AfterTable) -> Ask:
    said = table.confirm
    confirm = None
    if said is not None:
        confirm = Confirm(
            topic=said.topic,
            word="" if said.word is None else said.word.strip(),
            key=said.key,
            condition=None if said.context is None else _condition(config, said),
            standing=said.standing,
        )
    return Ask(
        topic=table.publish,
        payload=table.payload.encode(),
        retain=table.retain,
        confirm=confirm,
        within_s=table.within_s,
        settle_s=table.settle_s,
    )
