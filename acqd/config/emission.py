"""``[job.NAME.emission]``: what a transmitter is asked for, and against which limits."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from itertools import pairwise
from types import UnionType
from typing import (
    TYPE_CHECKING,
    Annotated,
    Any,
    ClassVar,
    cast,
    get_args,
    get_origin,
    get_type_hints,
)

from pydantic import BeforeValidator, Field, PlainSerializer

from acqd.config.bench import FrequencyRange, ranges_or_one
from acqd.config.quantity import (
    DIFFERENCE,
    DURATION,
    FRACTION,
    FREQUENCY,
    LENGTH,
    POWER,
    Frequency,
    Level,
    LevelDifference,
    Quantity,
    format_quantity,
    refusal,
)
from acqd.config.tables import (
    AtMostOne,
    Count,
    DetectorName,
    KeyRule,
    Misfit,
    PathText,
    Switch,
    Table,
    Together,
)
from acqd.measure.designator import bandwidth_from_text
from acqd.measure.limit_profile import LimitProfile, LimitQuantity
from acqd.measure.limits import NoLimit, allowed

if TYPE_CHECKING:
    from acqd.config.jobs import JobTable
    from acqd.config.problems import Text
    from acqd.errors import ConfigProblem

__all__ = [
    "SEARCH_POINTS_MOST",
    "EmissionTable",
    "emission_problems",
    "plain_profile",
    "profile_from_plain",
]

HARMONICS_MOST = 20

SEARCH_POINTS_MOST = 200_000
"""Points of all ranges of a search together: at two a resolution bandwidth, 1 GHz in 10 kHz."""

PositiveFrequency = Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")]
Power = Annotated[float, Quantity(dimension=POWER, above="0 W")]
Vswr = Annotated[float, Field(strict=True, ge=1.0, le=100.0)]


def _range_text(given: tuple[float, float]) -> str:
    return "..".join(format_quantity(one, FREQUENCY) for one in given)


SearchRange = Annotated[FrequencyRange, PlainSerializer(_range_text)]
Ranges = Annotated[tuple[SearchRange, ...], BeforeValidator(ranges_or_one), Field(max_length=64)]
Names = Annotated[tuple[PathText, ...], BeforeValidator(ranges_or_one), Field(max_length=16)]


def _designated(given: object) -> str:
    try:
        bandwidth_from_text(given if isinstance(given, str) else "")
    except ValueError as exc:
        accepted = 'a designation whose first four characters are the bandwidth, such as "16K0F3E"'
        raise refusal("not a designation of an emission", accepted=accepted) from exc
    return str(given).strip().upper()


def _day(given: object) -> date:
    if isinstance(given, date) and not isinstance(given, datetime):
        return given
    try:
        return date.fromisoformat(given if isinstance(given, str) else "")
    except ValueError as exc:
        raise refusal("not a date", accepted="a date, such as 2003-01-01") from exc


def _factors(given: object) -> object:
    accepted = 'pairs of frequency and dB(1/m), rising, such as [["100 MHz", "11.2 dB"]]'
    pairs = given if isinstance(given, list | tuple) else ()
    if not pairs or any(not isinstance(one, list | tuple) or len(one) != 2 for one in pairs):
        raise refusal("not a table of antenna factors", accepted=accepted)
    return given


Factors = Annotated[tuple[tuple[Frequency, LevelDifference], ...], BeforeValidator(_factors)]


class EmissionTable(Table):
    """``[job.NAME.emission]``."""

    keyed: Switch = True
    expected_hz: PositiveFrequency | None = Field(default=None, alias="expected")
    frequency_tolerance_hz: PositiveFrequency | None = Field(
        default=None, alias="frequency_tolerance"
    )
    mean_power_w: Power | None = Field(default=None, alias="mean_power")
    peak_power_w: Power | None = Field(default=None, alias="peak_power")
    necessary_hz: PositiveFrequency | None = Field(default=None, alias="necessary_bandwidth")
    designator: Annotated[str, BeforeValidator(_designated)] | None = None
    occupied: Annotated[float, Quantity(dimension=FRACTION, at_least="50 %", at_most="99.9 %")] = (
        0.99
    )
    x_db: Annotated[float, Quantity(dimension=DIFFERENCE, above="0 dB", at_most="100 dB")] = 26.0
    bandwidth_rbw_hz: PositiveFrequency | None = Field(default=None, alias="bandwidth_rbw")
    bandwidth_detector: DetectorName | None = None
    channel_hz: PositiveFrequency | None = Field(default=None, alias="channel")
    spacing_hz: PositiveFrequency | None = Field(default=None, alias="spacing")
    harmonics: Annotated[Count, Field(ge=0, le=HARMONICS_MOST)] | None = None
    up_to_hz: PositiveFrequency | None = Field(default=None, alias="up_to")
    harmonic_rbw_hz: PositiveFrequency | None = Field(default=None, alias="harmonic_rbw")
    search: Ranges = ()
    search_rbw_hz: PositiveFrequency | None = Field(default=None, alias="search_rbw")
    search_detector: DetectorName | None = None
    limits: Names = ()
    guard: Annotated[float, Field(strict=True, ge=0.0, le=5.0)] = 1.0
    installed: Annotated[date, BeforeValidator(_day)] | None = None
    distance_m: Annotated[float, Quantity(dimension=LENGTH, above="0 m")] | None = Field(
        default=None, alias="distance"
    )
    antenna_factor_at: Factors | None = None
    antenna_factor_uncertainty_db: Annotated[
        float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="30 dB")
    ] = Field(default=3.0, alias="antenna_factor_uncertainty")
    source_vswr: Vswr | None = None
    input_vswr: Vswr | None = None
    key_level_dbm: Level | None = Field(default=None, alias="key_level")
    key_within_s: Annotated[float, Quantity(dimension=DURATION, at_least="1 s", at_most="1 h")] = (
        Field(default=60.0, alias="key_within")
    )
    keyed_most_s: Annotated[float, Quantity(dimension=DURATION, at_least="1 s", at_most="1 d")] = (
        Field(default=30.0, alias="keyed_most")
    )
    check_attenuation_db: Annotated[
        float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="60 dB")
    ] = Field(default=10.0, alias="check_attenuation")
    external_pad_db: (
        Annotated[float, Quantity(dimension=DIFFERENCE, at_least="5 dB", at_most="40 dB")] | None
    ) = Field(default=None, alias="external_pad")
    second_order_intercept_dbm: Level | None = Field(default=None, alias="second_order_intercept")
    third_order_intercept_dbm: Level | None = Field(default=None, alias="third_order_intercept")
    noise_figure_db: (
        Annotated[float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="100 dB")] | None
    ) = Field(default=None, alias="noise_figure")

    rules: ClassVar[tuple[KeyRule, ...]] = (
        AtMostOne(("necessary_bandwidth", "designator")),
        Together(("channel", "spacing")),
    )

    @property
    def necessary_bandwidth_hz(self) -> float | None:
        """Necessary bandwidth, however the config gives it."""
        if self.designator is not None:
            return bandwidth_from_text(self.designator)
        return self.necessary_hz

    def misfits(self) -> Iterator[Misfit]:
        yield from self._misfits_of_carrier()
        factors = self.antenna_factor_at or ()
        if any(after[0] <= before[0] for before, after in pairwise(factors)):
            yield Misfit(
                key="antenna_factor_at",
                problem="the frequencies do not rise",
                accepted="pairs in rising order of frequency",
            )
        if self.frequency_tolerance_hz is not None and self.expected_hz is None:
            yield Misfit(
                key="frequency_tolerance",
                problem="nothing says which frequency is meant",
                accepted="`frequency_tolerance` with `expected`",
            )
        if self.spacing_hz is not None and (self.channel_hz or 0.0) > self.spacing_hz:
            yield Misfit(
                key="channel",
                problem="channels wider than the distance between them overlap",
                accepted=f"at most {format_quantity(self.spacing_hz, FREQUENCY)}",
            )
        rbw_hz = self.search_rbw_hz
        if rbw_hz is not None:
            points = sum(2.0 * (high - low) / rbw_hz + 1 for low, high in self.search)
            if points > SEARCH_POINTS_MOST:
                yield Misfit(
                    key="search_rbw",
                    problem=f"the search would have {points:.0f} points; there may be "
                    f"{SEARCH_POINTS_MOST}",
                    accepted="a wider one, or less to search",
                )

    def _misfits_of_carrier(self) -> Iterator[Misfit]:
        """Keys that mean a carrier where there is none, and what is needed instead."""
        if self.keyed:
            return
        for key in ("expected", "harmonics", "channel", "key_level", "external_pad"):
            field = next(n for n, f in type(self).model_fields.items() if (f.alias or n) == key)
            if field in self.model_fields_set:
                yield Misfit(
                    key=key,
                    problem="the thing is said to have no carrier",
                    accepted=f"`{key}` with keyed = true, or without it",
                )


def emission_problems(
    name: str,
    job: JobTable,
    profiles: tuple[LimitProfile, ...],
    *,
    has_aerial: bool,
    places: Text,
) -> Iterator[ConfigProblem]:
    """What is wrong between an emission job's tables. ``profiles`` are those that were found."""
    for key, problem, accepted in (
        *_about_power(job),
        *_about_frequencies(job),
        *_about_fields(job, profiles, has_aerial),
        *_about_limits(job, profiles),
    ):
        yield places.problem(("job", name, *key), problem, accepted=accepted)


Told = tuple[tuple[str, ...], str, str]


def _about_power(job: JobTable) -> Iterator[Told]:
    if job.emission.keyed and job.transmitter is None:
        yield (
            (),
            "an emission job has a transmitter on the input, and nothing says how strong it is: "
            "without that nobody can tell whether the input survives",
            'a table that says so, such as transmitter = { power = "5 W" }; the power on its '
            "label at the highest setting",
        )
    if job.transmitter is None:
        return
    for key in ("mean_power", "peak_power"):
        power_w = getattr(job.emission, f"{key}_w")
        if power_w is not None and power_w > job.transmitter.power_w * (1.0 + 1e-9):
            most = format_quantity(job.transmitter.power_w, POWER)
            yield (
                ("emission", key),
                f"more than the {most} that the transmitter is said to give at the most",
                "at most that, or a higher `power` of the transmitter: it is what protects the "
                "input",
            )


def _about_frequencies(job: JobTable) -> Iterator[Told]:
    table = job.emission
    start_hz, stop_hz = job.range_hz
    if table.expected_hz is not None and not start_hz <= table.expected_hz <= stop_hz:
        yield (
            ("emission", "expected"),
            "outside the job's own sweep, which is where the fundamental is looked for",
            f"{format_quantity(start_hz, FREQUENCY)} to {format_quantity(stop_hz, FREQUENCY)}",
        )
    if table.keyed and start_hz > 0 and stop_hz >= 2.0 * start_hz:
        yield (
            ("emission",),
            "the job's own sweep holds a frequency and its double: it is for the fundamental alone",
            "`start` and `stop` around the fundamental; harmonics have sweeps of their own",
        )


def _about_fields(
    job: JobTable, profiles: tuple[LimitProfile, ...], has_aerial: bool
) -> Iterator[Told]:
    table = job.emission
    if has_aerial and table.antenna_factor_at is not None:
        yield (
            ("emission", "antenna_factor_at"),
            "the chain has an aerial with its gain already: it would count twice",
            "antenna factors with the plane at the aerial's socket, or an aerial in the chain",
        )
    fields = [one.title for one in profiles if one.quantity is LimitQuantity.FIELD]
    if not fields:
        return
    if table.distance_m is None:
        yield (
            ("emission", "limits"),
            f"{fields[0]} limits a field, and nothing says at which distance the aerial stands",
            '`distance`, such as "3 m"',
        )
    if table.antenna_factor_at is None and not has_aerial:
        yield (
            ("emission", "limits"),
            f"{fields[0]} limits a field, and nothing turns a level into one",
            "`antenna_factor_at`, or an aerial with its gain in the chain",
        )


def _about_limits(job: JobTable, profiles: tuple[LimitProfile, ...]) -> Iterator[Told]:
    """Profiles that ask what nobody stated, as far as that can be known beforehand."""
    if job.emission.keyed:
        return
    start_hz, stop_hz = job.range_hz
    for one in profiles:
        found = allowed(one, at_hz=(start_hz + stop_hz) / 2.0, distance_m=job.emission.distance_m)
        if isinstance(found, NoLimit) and any("carrier" in what for what in found.missing):
            yield (
                ("emission", "limits"),
                f"{one.title} asks about a carrier, and the thing is said to have none",
                "a limit without one, or keyed = true",
            )


def plain_profile(profile: LimitProfile) -> dict[str, Any]:
    """A profile as plain JSON data; :func:`profile_from_plain` is its exact inverse."""
    found = _plain(profile)
    assert isinstance(found, dict)
    return found


def profile_from_plain(data: Mapping[str, Any]) -> LimitProfile:
    """The profile that :func:`plain_profile` made ``data`` from. Raises KeyError or ValueError."""
    return cast(LimitProfile, _again(LimitProfile, data))


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {one.name: _plain(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else str(value)
    return value.isoformat() if isinstance(value, date) else str(value)


def _again(hint: Any, value: Any) -> Any:
    if value is None:
        return None
    if isinstance(hint, UnionType):
        hint = next(one for one in get_args(hint) if one is not type(None))
    if get_origin(hint) is tuple:
        return tuple(_again(get_args(hint)[0], one) for one in value)
    if is_dataclass(hint):
        hints = get_type_hints(hint)
        made: dict[str, Any] = {
            one.name: _again(hints[one.name], value[one.name]) for one in fields(hint)
        }
        return cast(Any, hint)(**made)
    if hint is date:
        return date.fromisoformat(value)
    return bool(value) if hint is bool else hint(value)
