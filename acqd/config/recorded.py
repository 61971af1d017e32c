"""A job's config again, from what the archive recorded of it: no file is needed, nor a sweeper.

What is recorded, with each setup, is :meth:`~acqd.config.whole.StationConfig.job_source`. It says
all that bears on figures, so the config made from it makes the same meter; addresses, titles,
windows and priorities are not in it, and the config made from it can run nothing.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path as FilePath
from typing import Any, TypeVar, get_args

from pydantic import ValidationError

from acqd.chain import Chain, ChainPart, PartKind
from acqd.config.emission import profile_from_plain
from acqd.config.models import (
    ChainTable,
    ContextTable,
    JobTable,
    MqttTable,
    PartTable,
    StationTable,
    SweeperTable,
)
from acqd.config.problems import Text
from acqd.config.tables import Table
from acqd.config.whole import StationConfig
from acqd.errors import ArchiveDamaged
from acqd.measure.channels import BandPlan, ChannelPlan
from acqd.measure.checkpoint import load_state

__all__ = ["keys_read_otherwise", "recorded_config"]

BESIDE_THE_JOB = ("sweeper_says", "chain_parts", "channel_plan", "limit_profiles", "context_units")
"""Keys of the source that do not stand in the job's table."""

NOWHERE = "recorded"
"""Stands for an address and a folder that nobody recorded."""

T = TypeVar("T", bound=Table)


def recorded_config(job: str, source: Mapping[str, Any]) -> StationConfig:
    """The config of one job from its source, as a setup holds it under ``config``.

    Keys that the acqd which recorded it did not have take their defaults;
    :func:`keys_read_otherwise` names them.

    Raises:
        ArchiveDamaged: the source says what this acqd does not know.
    """
    try:
        table = _table(JobTable, _job_keys(source))
        sweeper = _table(
            SweeperTable, {**dict(source.get("sweeper_says") or {}), "address": NOWHERE}
        )
        parts, plan = source.get("chain_parts"), source.get("channel_plan")
        chains = {} if parts is None else {str(table.chain): _chain(parts)}
        plans = {} if plan is None else {job: _plan(plan)}
        limits = tuple(profile_from_plain(one) for one in source.get("limit_profiles", ()))
    except ValidationError as exc:
        first = exc.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        problem = f"{where}: {first['msg']}".removeprefix(": ")
        raise ArchiveDamaged(_unread(job, problem)) from exc
    except (KeyError, TypeError, ValueError) as exc:
        raise ArchiveDamaged(_unread(job, str(exc))) from exc
    return StationConfig(
        path=FilePath(NOWHERE).absolute(),
        text="",
        digest="",
        station=StationTable.model_validate({"name": NOWHERE, "archive": NOWHERE}),
        mqtt=MqttTable.model_validate({"broker": "none"}),
        sweepers={table.sweeper: sweeper},
        chains=chains,
        context={
            str(name): ContextTable.model_construct(unit=str(unit))
            for name, unit in dict(source.get("context_units") or {}).items()
        },
        transmitters={},
        jobs={job: table},
        channel_plans=plans,
        limit_profiles={job: limits} if limits else {},
        places=Text(file="the archive", lines={}),
    )


def keys_read_otherwise(
    job: str, source: Mapping[str, Any], config: StationConfig
) -> tuple[str, ...]:
    """Keys of ``source`` whose meaning ``config``, which was made of it, gives back otherwise.

    They are keys that came or went with a later acqd. Dotted, in alphabetical order.
    """
    again = json.loads(json.dumps(config.job_source(job)))
    return tuple(sorted(_differing(again, dict(source))))


def _differing(mine: Any, theirs: Any, path: str = "") -> list[str]:
    if isinstance(mine, Mapping) and isinstance(theirs, Mapping):
        found = []
        for key in {*mine, *theirs}:
            inner = f"{path}.{key}" if path else str(key)
            if key not in mine or key not in theirs:
                found.append(inner)
            else:
                found += _differing(mine[key], theirs[key], inner)
        return found
    return [] if mine == theirs else [path]


def _unread(job: str, problem: str) -> str:
    return (
        f"job {job}: its config as it was recorded cannot be read by this acqd: {problem}; "
        f"give a config with --config, or use the acqd that recorded it"
    )


def _job_keys(source: Mapping[str, Any]) -> dict[str, Any]:
    """The keys of the job's table. One frequency is said by its centre and a span of nothing."""
    keys = {key: value for key, value in source.items() if key not in BESIDE_THE_JOB}
    if keys.get("start") is not None and keys["start"] == keys.get("stop"):
        keys |= {"centre": keys.pop("start"), "span": "0 Hz"}
        del keys["stop"]
    return keys


def _table(model: type[T], plain: Mapping[str, Any]) -> T:
    return model.model_validate(_said(model, plain))


def _said(model: type[Table], plain: Mapping[str, Any]) -> dict[str, Any]:
    """What of a table's plain form must have been said: defaults were filled in when it was made,
    and a default that stands there as if it had been asked for may exclude another key."""
    bare = model.model_construct().model_dump(mode="json", by_alias=True, warnings=False)
    inner = {field.alias or name: field.annotation for name, field in model.model_fields.items()}
    return {
        key: _said_within(inner.get(key), value)
        for key, value in plain.items()
        if value is not None and not (key in bare and value == bare[key])
    }


def _said_within(annotation: Any, value: Any) -> Any:
    """The same for a table, or for tables in a list, that stand under a key."""
    table = _table_within(annotation)
    if table is None:
        return value
    if isinstance(value, Mapping):
        return _said(table, value)
    if isinstance(value, list | tuple):
        return [_said(table, one) if isinstance(one, Mapping) else one for one in value]
    return value


def _table_within(annotation: Any) -> type[Table] | None:
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return annotation
    found = (_table_within(part) for part in get_args(annotation))
    return next((table for table in found if table is not None), None)


def _chain(parts: Any) -> ChainTable:
    """A chain's table with the numbers as they were recorded, which no text could round."""
    made = tuple(_part(part) for part in Chain.from_json(parts).parts)
    return ChainTable.model_construct(part=made)


def _part(part: ChainPart) -> PartTable:
    is_aerial = part.kind is PartKind.ANTENNA
    return PartTable.model_construct(
        kind="aerial" if is_aerial else part.kind.value,
        name=part.name,
        gain_at=tuple(zip(part.frequency_hz, part.gain_db, strict=True)),
        given_uncertainty_db=part.uncertainty_db,
        rated_w=part.rated_w,
        max_c=part.max_c,
        reverse_gain_db=part.reverse_gain_db,
    )


def _plan(plain: Mapping[str, Any]) -> ChannelPlan:
    kind = BandPlan if "segments" in plain else ChannelPlan
    return load_state(NOWHERE, kind, json.dumps({"version": NOWHERE, "state": plain}).encode())
