"""``[[job.NAME.on_finding]]``: a finding of the job asks for a closer look."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from acqd.config.problems import near_miss
from acqd.config.quantity import (
    DIFFERENCE,
    DURATION,
    FRACTION,
    FREQUENCY,
    Level,
    Quantity,
    refusal,
)
from acqd.config.tables import Count, DetectorName, Misfit, Table
from acqd.measure.closerlook_settings import (
    FOLLOWED_KINDS,
    LOOKS_MOST,
    LookKind,
    LookSettings,
    has_frequency,
    has_level,
)
from acqd.measure.finding_words import FINDING_WORDS

__all__ = ["OnFindingTable", "look_settings", "looks_source", "misfits_of_looks"]

BUDGET_KEYS = ("at_most", "per", "share", "hold_off", "within", "only_above")
"""Keys that say how often there is a look, and nothing of how it is taken or what it shows."""

POINTS_MOST = 100_001
"""Points of a look: what it remembers until it is whole stays small."""

ADDED_DB = 10.0
"""More attenuation where nobody says how much: third-order products fall by 20 dB with it."""

_FORBIDDEN: Mapping[LookKind, tuple[str, ...]] = {
    LookKind.ZOOM: ("attenuation",),
    LookKind.FINER: ("attenuation", "span"),
    LookKind.HARDER: ("span", "rbw", "points", "sweep_time", "detector"),
    LookKind.ZERO: ("attenuation", "span"),
}


def _words(given: object) -> object:
    return [given] if isinstance(given, str) else given


def _look(given: object) -> LookKind:
    try:
        return LookKind(given if isinstance(given, str) else "")
    except ValueError as exc:
        known = [one.value for one in LookKind]
        raise refusal(
            f"no such look{near_miss(str(given), known)}",
            accepted="one of " + ", ".join(f'"{one}"' for one in known),
        ) from exc


PositiveFrequency = Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")]
Added = Annotated[float, Quantity(dimension=DIFFERENCE, at_least="1 dB", at_most="60 dB")]


class OnFindingTable(Table):
    """One look: after which findings, how, and how often at most."""

    what: Annotated[
        tuple[str, ...], BeforeValidator(_words), Field(min_length=1, max_length=32)
    ] = Field(description='findings of the job, such as ["signal_appeared"]')
    look: Annotated[LookKind, BeforeValidator(_look)] = Field(description='such as "zoom"')
    span_hz: PositiveFrequency | None = Field(default=None, alias="span")
    rbw_hz: PositiveFrequency | None = Field(default=None, alias="rbw")
    points: Annotated[Count, Field(ge=2, le=POINTS_MOST)] | None = None
    sweep_time_s: (
        Annotated[float, Quantity(dimension=DURATION, above="0 s", at_most="10 min")] | None
    ) = Field(default=None, alias="sweep_time")
    detector: DetectorName | None = None
    added_db: Added | None = Field(default=None, alias="attenuation")
    sweeps: Annotated[Count, Field(ge=1, le=20)] = 3
    at_most: Annotated[Count, Field(ge=1, le=1000)] = 6
    per_s: Annotated[float, Quantity(dimension=DURATION, at_least="1 min", at_most="7 d")] = Field(
        default=3600.0, alias="per"
    )
    share: Annotated[float, Quantity(dimension=FRACTION, above="0 %", at_most="50 %")] = 0.1
    hold_off_s: Annotated[float, Quantity(dimension=DURATION, at_most="7 d")] = Field(
        default=600.0, alias="hold_off"
    )
    within_s: Annotated[float, Quantity(dimension=DURATION, at_least="1 s", at_most="1 h")] = Field(
        default=120.0, alias="within"
    )
    only_above_dbm: Level | None = Field(default=None, alias="only_above")

    def misfits(self) -> Iterator[Misfit]:
        for key in _FORBIDDEN[self.look]:
            if self._is_given(key):
                yield Misfit(
                    key=key,
                    problem=f"has no meaning in a look of {self.look.value}",
                    accepted=_ACCEPTED[self.look],
                )
        for word in {one for one in self.what if self.what.count(one) > 1}:
            yield Misfit(key="what", problem=f"`{word}` is there twice", accepted="each word once")

    def _is_given(self, key: str) -> bool:
        alias = {"span": "span_hz", "rbw": "rbw_hz", "sweep_time": "sweep_time_s"}
        return {"attenuation": "added_db", **alias}.get(key, key) in self.model_fields_set

    def misfits_of_kind(self, kind: str) -> Iterator[str]:
        """What of it does not fit a job of this kind, a sentence each."""
        known = FINDING_WORDS[kind]
        for word in self.what:
            if word not in known:
                yield f"`what`: kind {kind} has no finding `{word}`{near_miss(word, known)}"
            elif self.look.needs_frequency and not has_frequency(kind, word):
                yield (
                    f"`what`: a finding `{word}` is of no one frequency, and a look of "
                    f"{self.look.value} needs one"
                )
            elif self.only_above_dbm is not None and not has_level(kind, word):
                yield f"`only_above`: a finding `{word}` has no level"


_ACCEPTED: Mapping[LookKind, str] = {
    LookKind.ZOOM: "`span`, `rbw`, `points`, `sweep_time`, `detector`, `sweeps`",
    LookKind.FINER: "`rbw`, `points`, `sweep_time`, `detector`, `sweeps`",
    LookKind.HARDER: "`attenuation` and `sweeps`: all else is as the job sweeps",
    LookKind.ZERO: "`rbw`, `points`, `sweep_time`, `detector`, `sweeps`",
}


def misfits_of_looks(tables: Sequence[OnFindingTable], kind: str) -> Iterator[Misfit]:
    """What does not fit of the looks of one job of this kind."""
    if not tables:
        return
    if kind not in FOLLOWED_KINDS:
        yield Misfit(
            key="on_finding",
            problem=f"a closer look turns no source on, and without one kind {kind} shows nothing",
            accepted="`on_finding` in jobs of kind " + ", ".join(FOLLOWED_KINDS),
        )
        return
    if len(tables) > LOOKS_MOST:
        problem = f"{len(tables)} looks"
        yield Misfit(key="on_finding", problem=problem, accepted=f"at most {LOOKS_MOST}")
    for number, table in enumerate(tables, start=1):
        where = f"look {number}: " if len(tables) > 1 else ""
        for problem in table.misfits_of_kind(kind):
            yield Misfit(
                key="on_finding",
                problem=where + problem,
                accepted="of " + ", ".join(f"`{each}`" for each in FINDING_WORDS[kind]),
            )


def look_settings(tables: Sequence[OnFindingTable], plane: str) -> tuple[LookSettings, ...]:
    """The looks of a job as they are taken and measured."""
    return tuple(
        LookSettings(
            look=one.look,
            sweeps=one.sweeps,
            span_hz=one.span_hz,
            rbw_hz=one.rbw_hz,
            points=one.points,
            sweep_time_s=one.sweep_time_s,
            detector=one.detector,
            added_db=ADDED_DB if one.added_db is None else one.added_db,
            plane=plane,
        )
        for one in tables
    )


def looks_source(plain: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """What of the looks bears on their figures, from their plain form."""
    return [{key: value for key, value in one.items() if key not in BUDGET_KEYS} for one in plain]
