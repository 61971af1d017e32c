"""Limit profiles from TOML: rows of a small language, where they are found, what is refused."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator
from datetime import date, datetime
from decimal import Decimal
from enum import Enum
from pathlib import Path as FilePath
from typing import Annotated, Any, ClassVar, NamedTuple, TypeVar

from pydantic import BeforeValidator, Field, ValidationError

from acqd.config.problems import Text, in_file_order, near_miss
from acqd.config.quantity import (
    DIFFERENCE,
    FREQUENCY,
    LEVEL,
    POWER,
    Dimension,
    Frequency,
    Power,
    Quantity,
    QuantityError,
    parse_quantity,
    refusal,
)
from acqd.config.reading import parse_toml, read_text
from acqd.config.tables import AtMostOne, KeyRule, Misfit, Switch, Table, Together
from acqd.errors import ConfigError, ConfigProblem
from acqd.measure.limit_profile import (
    Domain,
    LimitDetector,
    LimitMark,
    LimitProfile,
    LimitQuantity,
    LimitRow,
    LimitUnit,
    PowerKind,
    ReferenceBandwidth,
    Span,
    WidthKind,
)

__all__ = [
    "DISTANCE",
    "LIMIT_LEVEL",
    "LimitFile",
    "ReferenceBandwidthTable",
    "RowTable",
    "find_limit_profile",
    "limit_profile_not_found",
    "load_limit_profile",
    "parse_limit_profile",
    "shipped_limit_profiles",
]

MOST_ROWS = 1000
"""Rows of one profile. The longest of the trade have some tens."""

PREVAILS = (
    "Local rules and the conditions of a licence prevail. This is a comparison of figures, "
    "no statement of conformity."
)

E = TypeVar("E", bound=Enum)

DISTANCE = Dimension(
    what="a distance with its unit",
    example="3 m",
    units={"m": Decimal(1), "km": Decimal(1000), "cm": Decimal("0.01")},
    minimum=Decimal(0),
    maximum=Decimal(100_000),
    other_words={"metre": "m", "metres": "m", "meter": "m", "meters": "m"},
)


def _level_of(unit: str) -> Dimension:
    return Dimension(
        what=f"a level in {unit}",
        example=f"40 {unit}",
        units={unit: Decimal(1)},
        minimum=Decimal(-300),
        maximum=Decimal(300),
    )


def _linear(example: str, units: str) -> Dimension:
    """A voltage or a field; ``units`` in falling order of use, each with its prefix in its name."""
    scale = {"n": "1e-9", "µ": "1e-6", "m": "1e-3"}
    factors = {unit: Decimal(scale.get(unit[0], "1")) for unit in units.split()}
    return Dimension(what="a figure with its unit", example=example, units=factors)


class _Written(NamedTuple):
    """A way of writing a limit: the unit it is for, and how its number becomes a level."""

    unit: LimitUnit
    dimension: Dimension
    level: Callable[[float], float]


_WAYS = (
    _Written(LimitUnit.DBM, LEVEL, float),
    _Written(LimitUnit.DBM, POWER, lambda watt: 10.0 * math.log10(watt / 1e-3)),
    _Written(LimitUnit.DBUV, _level_of("dBµV"), float),
    _Written(LimitUnit.DBUV, _linear("500 µV", "µV mV V"), lambda v: 20.0 * math.log10(v / 1e-6)),
    _Written(LimitUnit.DBUV_PER_M, _level_of("dBµV/m"), float),
    _Written(
        LimitUnit.DBUV_PER_M,
        _linear("100 µV/m", "µV/m mV/m V/m"),
        lambda v: 20.0 * math.log10(v / 1e-6),
    ),
)

LIMIT_LEVEL = Dimension(
    what="a level, a power, a voltage or a field with its unit",
    example="-36 dBm",
    units={unit: Decimal(1) for way in _WAYS for unit in way.dimension.units},
    other_words={"uv/m": "µV/m", "dbuv/m": "dBµV/m", "dbuv": "dBµV", "uv": "µV", "uw": "µW"},
)
"""All ways of writing a limit together: what is said where none of them fits."""


class LimitLevel(NamedTuple):
    """A limit as written, in dB over its unit."""

    level: float
    unit: LimitUnit


def _limit_level(given: object) -> LimitLevel:
    said: QuantityError | None = None
    for way in _WAYS:
        try:
            value = parse_quantity(given, way.dimension)
        except QuantityError as exc:
            said = exc if exc.problem.startswith("out of bounds") else said
            continue
        if way.level is not float and not value > 0.0:
            raise refusal("a limit of nothing", accepted=LIMIT_LEVEL.accepted)
        return LimitLevel(way.level(value), way.unit)
    try:
        parse_quantity(given, LIMIT_LEVEL)
    except QuantityError as exc:
        said = exc
    assert said is not None  # a way that was not taken has said why
    raise refusal(said.problem, accepted=said.accepted) from said


def _words(known: dict[str, E]) -> Callable[[object], E]:
    """A validator of the words of ``known``."""

    def read(given: object) -> E:
        if isinstance(given, str) and given in known:
            return known[given]
        hint = near_miss(given, known) if isinstance(given, str) else ""
        accepted = "one of " + ", ".join(f'"{word}"' for word in known)
        raise refusal(f"not a word that is known here{hint}", accepted=accepted)

    return read


def _one_of(kind: type[E]) -> Callable[[object], E]:
    return _words({str(each.value): each for each in kind})


def _date(given: object) -> date:
    if isinstance(given, date) and not isinstance(given, datetime):
        return given
    raise refusal("not a date", accepted="a date without quotes, such as 2003-01-01")


Limit = Annotated[LimitLevel, BeforeValidator(_limit_level)]
Down = Annotated[float, Quantity(dimension=DIFFERENCE, above="0 dB")]
Slope = Annotated[float, Quantity(dimension=DIFFERENCE)]
Distance = Annotated[float, Quantity(dimension=DISTANCE, above="0 m")]
Above0 = Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")]
Day = Annotated[date, BeforeValidator(_date)]
LimitDetectorName = Annotated[LimitDetector, BeforeValidator(_one_of(LimitDetector))]
WidthKindName = Annotated[WidthKind, BeforeValidator(_one_of(WidthKind))]
QuantityName = Annotated[LimitQuantity, BeforeValidator(_one_of(LimitQuantity))]
PowerKindName = Annotated[PowerKind, BeforeValidator(_one_of(PowerKind))]
DomainName = Annotated[Domain, BeforeValidator(_one_of(Domain))]
MarkName = Annotated[
    LimitMark, BeforeValidator(_words({each.name.lower(): each for each in LimitMark}))
]


def _ends(stem: str) -> tuple[KeyRule, ...]:
    """The four keys of a range: an end is either in it (from, to) or not (above, below)."""
    return (
        AtMostOne((f"{stem}_from", f"{stem}_above")),
        AtMostOne((f"{stem}_to", f"{stem}_below")),
    )


def _span(
    low_in: float | None, low_out: float | None, high_in: float | None, high_out: float | None
) -> Span:
    low = low_in if low_in is not None else low_out
    high = high_in if high_in is not None else high_out
    return Span(
        low=-math.inf if low is None else low,
        high=math.inf if high is None else high,
        low_in=low_out is None,
        high_in=high_out is None,
    )


def _empty(span: Span) -> bool:
    return span.low > span.high or (span.low == span.high and not (span.low_in and span.high_in))


class ReferenceBandwidthTable(Table):
    """``[[reference_bandwidth]]``: the bandwidth that figures in a range of frequencies are for."""

    rules: ClassVar[tuple[KeyRule, ...]] = _ends("at")

    at_from_hz: Frequency | None = Field(default=None, alias="at_from")
    at_above_hz: Frequency | None = Field(default=None, alias="at_above")
    at_to_hz: Frequency | None = Field(default=None, alias="at_to")
    at_below_hz: Frequency | None = Field(default=None, alias="at_below")
    width_hz: Above0 = Field(alias="width", description='a frequency, such as "120 kHz"')
    kind: WidthKindName | None = None

    def misfits(self) -> Iterator[Misfit]:
        if _empty(self._span):
            yield _nothing_between("at")

    @property
    def _span(self) -> Span:
        return _span(self.at_from_hz, self.at_above_hz, self.at_to_hz, self.at_below_hz)

    def reference(self) -> ReferenceBandwidth:
        """The bandwidth."""
        return ReferenceBandwidth(at_hz=self._span, width_hz=self.width_hz, kind=self.kind)


class RowTable(Table):
    """``[[row]]``: where it holds, and what it asks there."""

    rules: ClassVar[tuple[KeyRule, ...]] = (
        *_ends("carrier"),
        *_ends("power"),
        *_ends("at"),
        AtMostOne(("at_most_end", "per_decade")),
        Together(("at_most_at", "per_decade")),
    )

    rule: str = Field(default="", max_length=200)
    carrier_from_hz: Frequency | None = Field(default=None, alias="carrier_from")
    carrier_above_hz: Frequency | None = Field(default=None, alias="carrier_above")
    carrier_to_hz: Frequency | None = Field(default=None, alias="carrier_to")
    carrier_below_hz: Frequency | None = Field(default=None, alias="carrier_below")
    power_from_w: Power | None = Field(default=None, alias="power_from")
    power_above_w: Power | None = Field(default=None, alias="power_above")
    power_to_w: Power | None = Field(default=None, alias="power_to")
    power_below_w: Power | None = Field(default=None, alias="power_below")
    at_from_hz: Frequency | None = Field(default=None, alias="at_from")
    at_above_hz: Frequency | None = Field(default=None, alias="at_above")
    at_to_hz: Frequency | None = Field(default=None, alias="at_to")
    at_below_hz: Frequency | None = Field(default=None, alias="at_below")
    installed_after: Day | None = None
    installed_by: Day | None = None
    detector: LimitDetectorName | None = None
    distance_m: Distance | None = Field(default=None, alias="distance")
    at_most: Limit | None = None
    at_most_end: Limit | None = None
    at_most_at_hz: Above0 | None = Field(default=None, alias="at_most_at")
    per_decade_db: Slope | None = Field(default=None, alias="per_decade")
    at_least_down_db: Down | None = Field(default=None, alias="at_least_down")
    plus_10_log_power: Switch = False
    cap_db: Down | None = Field(default=None, alias="cap")
    floor: Limit | None = None
    no_figure: str = Field(default="", max_length=500)

    def spans(self) -> dict[str, Span]:
        """Its ranges by the stem of their keys."""
        return {
            "carrier": _span(
                self.carrier_from_hz,
                self.carrier_above_hz,
                self.carrier_to_hz,
                self.carrier_below_hz,
            ),
            "power": _span(
                self.power_from_w, self.power_above_w, self.power_to_w, self.power_below_w
            ),
            "at": _span(self.at_from_hz, self.at_above_hz, self.at_to_hz, self.at_below_hz),
        }

    def misfits(self) -> Iterator[Misfit]:
        yield from (_nothing_between(stem) for stem, span in self.spans().items() if _empty(span))
        yield from self._misfits_of_asking()
        yield from self._misfits_of_slope()
        if self.installed_after and self.installed_by and self.installed_after >= self.installed_by:
            accepted = "an `installed_after` before `installed_by`"
            yield Misfit(key="installed_by", problem="no date is between these", accepted=accepted)

    def _misfits_of_asking(self) -> Iterator[Misfit]:
        asks = self.at_most is not None or self.at_least_down_db is not None
        if not asks and not self.no_figure:
            accepted = "`at_most`, `at_least_down` or both; or `no_figure`, which says why not"
            yield Misfit(key="", problem="a row that asks nothing", accepted=accepted)
        if asks and self.no_figure:
            problem = "a row with a figure that says it has none"
            yield Misfit(key="no_figure", problem=problem, accepted="one or the other")
        if self.floor is not None and not asks:
            yield Misfit(
                key="floor",
                problem="a floor under nothing",
                accepted="`at_most` or `at_least_down`",
            )
        if self.plus_10_log_power and self.at_least_down_db is None:
            yield Misfit(
                key="plus_10_log_power",
                problem="10 log of the power is added to nothing",
                accepted='`at_least_down`, such as "43 dB"',
            )
        if self.cap_db is not None and not self.plus_10_log_power:
            yield Misfit(
                key="cap",
                problem="a cap on what does not grow",
                accepted="`cap` together with `plus_10_log_power = true`",
            )

    def _misfits_of_slope(self) -> Iterator[Misfit]:
        key = "at_most_end" if self.at_most_end is not None else "per_decade"
        if self.at_most_end is None and self.per_decade_db is None:
            return
        if self.at_most is None:
            yield Misfit(key=key, problem="a slope of nothing", accepted="`at_most` as its start")
        at = self.spans()["at"]
        if self.at_most_end is not None and not (at.low > 0.0 and at.high < math.inf):
            accepted = "a range of frequencies: `at_from` (above 0 Hz) and `at_to`"
            yield Misfit(key=key, problem="an end level without both ends", accepted=accepted)

    def levels(self) -> Iterator[tuple[str, LimitLevel]]:
        """The levels that it states, by their keys."""
        named = (("at_most", self.at_most), ("at_most_end", self.at_most_end))
        for key, level in (*named, ("floor", self.floor)):
            if level is not None:
                yield key, level

    def row(self) -> LimitRow:
        """The row, of a table that fits together."""
        spans = self.spans()
        at_hz, slope_db = self._slope(spans["at"])
        return LimitRow(
            rule=self.rule,
            carrier_hz=spans["carrier"],
            power_w=spans["power"],
            at_hz=spans["at"],
            installed_after=self.installed_after,
            installed_by=self.installed_by,
            detector=self.detector,
            at_most=None if self.at_most is None else self.at_most.level,
            at_most_at_hz=at_hz,
            slope_db_per_decade=slope_db,
            at_least_down_db=self.at_least_down_db,
            plus_10_log_power=self.plus_10_log_power,
            cap_db=self.cap_db,
            floor=None if self.floor is None else self.floor.level,
            distance_m=self.distance_m,
            no_figure=self.no_figure,
        )

    def _slope(self, at: Span) -> tuple[float, float]:
        if self.at_most_end is not None and self.at_most is not None:
            decades = math.log10(at.high / at.low)
            return at.low, (self.at_most_end.level - self.at_most.level) / decades
        return self.at_most_at_hz or 1.0, self.per_decade_db or 0.0


class LimitFile(Table):
    """A limit profile as it stands in its file."""

    title: Annotated[str, Field(min_length=1, max_length=200)] = Field(
        description="what the limit is called"
    )
    edition: Annotated[str, Field(min_length=1, max_length=200)] = Field(
        description="the publication and edition that the profile follows"
    )
    mark: MarkName = LimitMark.OWN
    source: str = Field(default="", max_length=2000)
    prevails: Annotated[str, Field(min_length=1, max_length=500)] = PREVAILS
    quantity: QuantityName = Field(description='"power", "voltage" or "field"')
    power: PowerKindName = PowerKind.MEAN
    domain: DomainName = Domain.ANY
    reference_bandwidth: tuple[ReferenceBandwidthTable, ...] = ()
    row: tuple[RowTable, ...] = ()

    def misfits(self) -> Iterator[Misfit]:
        if not 1 <= len(self.row) <= MOST_ROWS:
            problem, accepted = f"{len(self.row)} rows", f"1 to {MOST_ROWS} rows, as [[row]]"
            yield Misfit(key="", problem=problem, accepted=accepted)

    def profile(self, name: str) -> LimitProfile:
        """The profile, of a file without problems."""
        return LimitProfile(
            name=name,
            title=self.title,
            edition=self.edition,
            mark=self.mark,
            source=self.source,
            prevails=self.prevails,
            quantity=self.quantity,
            rows=tuple(table.row() for table in self.row),
            reference_bandwidths=tuple(each.reference() for each in self.reference_bandwidth),
            power_kind=self.power,
            domain=self.domain,
        )


def _nothing_between(stem: str) -> Misfit:
    return Misfit(
        key="",
        problem=f"nothing lies between the ends of `{stem}_…`",
        accepted=f"`{stem}_from` (or _above) below `{stem}_to` (or _below)",
    )


def shipped_limit_profiles() -> dict[str, FilePath]:
    """The profiles that come with acqd, by name."""
    package = FilePath(__file__).resolve().parents[1]
    # In a wheel the profiles lie within the package, in a checkout beside it.
    for folder in (package / "shipped" / "limits", package.parent / "configs" / "limits"):
        if folder.is_dir():
            return {path.stem: path for path in sorted(folder.glob("*.toml"))}
    return {}


def find_limit_profile(name_or_path: str, folder: FilePath) -> FilePath | None:
    """The file of a limit profile, None where there is none.

    A path is relative to ``folder``, the config's, which is also where a profile of one's own is
    looked for before the shipped ones.
    """
    given = folder / FilePath(name_or_path).expanduser()
    own = (given,) if given.suffix == ".toml" else (given, FilePath(f"{given}.toml"))
    # A path that cannot even be looked up (too long, not ours to read) is none.
    found = next((path for path in own if os.path.isfile(path)), None)
    return found or shipped_limit_profiles().get(name_or_path)


def limit_profile_not_found(name_or_path: str) -> tuple[str, str]:
    """What to say where :func:`find_limit_profile` found nothing: problem and what is accepted."""
    shipped = shipped_limit_profiles()
    known = ", ".join(shipped) or "none here"
    return (
        f"there is no limit profile `{name_or_path}`{near_miss(name_or_path, shipped)}",
        f"the path of a profile's file, or a shipped profile ({known})",
    )


def load_limit_profile(name_or_path: str, folder: FilePath) -> LimitProfile:
    """The limit profile in a file, or the shipped one of that name.

    It is looked for as :func:`find_limit_profile` says; its name is its file's without ``.toml``.

    Raises:
        ConfigError: not found, or no limit profile; with everything that is wrong with it.
    """
    path = find_limit_profile(name_or_path, folder)
    if path is None:
        problem, accepted = limit_profile_not_found(name_or_path)
        text = Text(file=name_or_path, lines={})
        raise ConfigError((text.problem((), problem, accepted=accepted),))
    return parse_limit_profile(read_text(path), path)


def parse_limit_profile(text: str, path: FilePath) -> LimitProfile:
    """:func:`load_limit_profile` for a text that is already read; ``path`` is where it belongs.

    Raises:
        ConfigError: no limit profile; with everything that is wrong with it.
    """
    data, places = parse_toml(str(path), text)
    return _profile(path.stem, data, places)


def _profile(name: str, data: dict[str, Any], text: Text) -> LimitProfile:
    try:
        file = LimitFile.model_validate(data)
    except ValidationError as exc:
        wrong = text.problems_of(exc, table=(), model=LimitFile, data=data)
        raise ConfigError(in_file_order(wrong)) from exc
    misplaced = [*_wrong_units(file, text), *_wrong_places(file, text)]
    if misplaced:
        raise ConfigError(in_file_order(misplaced))
    return file.profile(name)


def _wrong_units(file: LimitFile, text: Text) -> Iterator[ConfigProblem]:
    """Levels that are not of the profile's quantity."""
    unit = file.quantity.unit
    for index, row in enumerate(file.row):
        for key, level in row.levels():
            if level.unit is not unit:
                ways = (way.dimension for way in _WAYS if way.unit is unit)
                units = ", ".join(name for dimension in ways for name in dimension.units)
                yield text.problem(
                    ("row", index, key),
                    f"a level in {level.unit} in a profile of {file.quantity}",
                    accepted=f"a number with one of these units: {units}",
                )


def _wrong_places(file: LimitFile, text: Text) -> Iterator[ConfigProblem]:
    """Keys that the profile's quantity has no use for, or needs."""
    is_field = file.quantity is LimitQuantity.FIELD
    for index, row in enumerate(file.row):
        place = ("row", index)
        if is_field and row.distance_m is None and not row.no_figure:
            accepted = 'the distance that the figure is for, such as distance = "3 m"'
            yield text.problem(place, "a field without its distance", accepted=accepted)
        if not is_field and row.distance_m is not None:
            problem = f"a distance in a profile of {file.quantity}"
            accepted = 'a distance only where quantity = "field"'
            yield text.problem((*place, "distance"), problem, accepted=accepted)
        if file.quantity is not LimitQuantity.POWER and row.at_least_down_db is not None:
            problem = f"dB below a carrier in a profile of {file.quantity}"
            accepted = '`at_most`, or quantity = "power"'
            yield text.problem((*place, "at_least_down"), problem, accepted=accepted)
