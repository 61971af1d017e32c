"""What a job's config asks of the values beside the sweeps and of the world, made into objects."""

from __future__ import annotations

from acqd.config.around import AfterTable, BeforeTable, ConfirmTable
from acqd.config.conditions import ConditionTable, bounds_of
from acqd.config.whole import StationConfig
from acqd.station.asks import Around, Ask, Confirm
from acqd.station.conditions import Condition, OnlyWhile, keyed

__all__ = ["around_of", "flag_while_of", "only_while_of"]


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
