"""A job of any kind as a soak: its meter is wrapped, its passes stay."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from acqd.config.problems import near_miss
from acqd.config.soak import SoakTable
from acqd.config.told import soak_settings
from acqd.config.whole import StationConfig
from acqd.errors import ConfigError
from acqd.measure.soak_meter import SoakMeter
from acqd.measure.soak_settings import SoakSettings
from acqd.measure.words import duration_text
from acqd.station.kinds.parts import KindParts
from acqd.sweep import Capabilities

__all__ = ["soaked"]


def soaked(config: StationConfig, name: str, parts: KindParts) -> KindParts:
    """``parts`` of the job ``name`` inside its soak.

    Raises:
        ConfigError: a limit on a figure that the kind is known not to have, or a closing reference
            that means nothing to it.
    """
    table = config.jobs[name].soak
    assert table is not None
    figures: Mapping[str, str] = getattr(parts.meter, "figures", {})
    if figures:
        _refuse_unknown(config, name, table, figures)
    _refuse_role(config, name, table)
    settings = soak_settings(config, name, figures)
    foresee = parts.foresee

    def with_soak(capabilities: Capabilities | None) -> tuple[str, ...]:
        return (*foresee(capabilities), *_foretold(config, name, settings))

    return replace(parts, meter=SoakMeter(parts.meter, settings), foresee=with_soak)


def _refuse_unknown(
    config: StationConfig, name: str, table: SoakTable, figures: Mapping[str, str]
) -> None:
    known = ", ".join(f'"{figure}"' for figure in figures)
    problems = tuple(
        config.places.problem(
            ("job", name, "soak", "limit", at, "figure"),
            f"kind {config.jobs[name].kind} has no such figure"
            f"{near_miss(one.figure, list(figures))}",
            accepted=f"one of {known}",
            given=f'"{one.figure}"',
        )
        for at, one in enumerate(table.limit)
        if one.figure not in figures
    )
    if problems:
        raise ConfigError(problems)


def _refuse_role(config: StationConfig, name: str, table: SoakTable) -> None:
    from acqd.station.taking import ROLES

    kind, role = config.jobs[name].kind, table.closing_reference
    fit = ROLES.get(kind, ())
    if role is None or role in fit:
        return
    problem = config.places.problem(
        ("job", name, "soak", "closing_reference"),
        f"a {role.value} means nothing to kind {kind}",
        accepted=" or ".join(f'"{one.value}"' for one in fit),
        given=f'"{role.value}"',
    )
    raise ConfigError((problem,))


def _foretold(config: StationConfig, name: str, settings: SoakSettings) -> tuple[str, ...]:
    length = duration_text(settings.length_s)
    told = [f"ends by itself {length} after its first sweep, with a verdict"]
    every_s = config.schedule(name).every_s
    if every_s is not None and settings.length_s / every_s < 8.0:
        told.append(
            "fewer than 8 sweeps come in that time: neither drift nor its own spread can be told"
        )
    if settings.closing_reference is None and any(
        limit.unit.startswith("dB") for limit in settings.limits
    ):
        told.append(
            "no `closing_reference` bounds the sweeper's own drift: a wide one will be assumed"
        )
    return tuple(told)
