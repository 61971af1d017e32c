"""Channel plans from TOML: single channels, rasters of evenly spaced ones, named segments."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path as FilePath
from typing import Annotated, Any

from pydantic import AfterValidator, Field, ValidationError

from acqd.config.problems import Text, in_file_order, near_miss
from acqd.config.quantity import FREQUENCY, Frequency, Quantity, refusal
from acqd.config.reading import parse_toml, read_text
from acqd.config.tables import Count, Misfit, Table
from acqd.errors import ConfigError, ConfigProblem
from acqd.measure.channels import BandPlan, Channel, ChannelPlan, Segment

__all__ = [
    "ChannelTable",
    "PlanFile",
    "RasterTable",
    "SegmentTable",
    "find_channel_plan",
    "load_channel_plan",
    "not_found",
    "parse_channel_plan",
    "shipped_plans",
]

MOST_CHANNELS = 10_000
"""Channels of one plan. The largest plan of the trade, 8.33 kHz aeronautical, has 2280."""

MOST_SEGMENTS = 1_000
"""Segments of one plan. The band plans of the trade have some tens."""

_Placed = tuple[tuple[str, int], Channel | Segment]
"""A channel or segment with the table that it comes from."""

_BLANK = re.compile(r"\{(?:n(?::0?(\d))?|mhz:([0-6]))\}")

Width = Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")]
Name = Annotated[str, Field(min_length=1, max_length=64)]


def _pattern(text: str) -> str:
    if len(_BLANK.findall(text)) != 1 or "{" in _BLANK.sub("", text):
        accepted = (
            "a text with {n} where the number belongs, {n:02} for two digits, "
            "or {mhz:3} for the frequency in MHz with three decimals"
        )
        raise refusal("no pattern of names", accepted=accepted)
    return text


class ChannelTable(Table):
    """``[[channel]]``: one channel."""

    name: Name = Field(description="what people call it")
    centre_hz: Frequency = Field(alias="centre", description='a frequency, such as "156.8 MHz"')
    width_hz: Width = Field(alias="width", description='a frequency, such as "25 kHz"')
    note: str = Field(default="", max_length=200)

    def channels(self) -> Iterator[Channel]:
        """The channel."""
        yield Channel(
            name=self.name, centre_hz=self.centre_hz, width_hz=self.width_hz, note=self.note
        )


class RasterTable(Table):
    """``[[raster]]``: ``count`` channels from ``first`` on, ``step`` apart, named by a rule.

    The name holds a number that counts on from ``number``, or a frequency: the channel's own, or
    one that counts on from ``called`` where channels are called by another than their own.
    """

    first_hz: Frequency = Field(alias="first", description="the centre of the first channel")
    step_hz: Width = Field(alias="step", description="a frequency, from centre to centre")
    count: Annotated[Count, Field(ge=1, le=MOST_CHANNELS)] = Field(description="a whole number")
    width_hz: Width = Field(alias="width", description='a frequency, such as "25 kHz"')
    name: Annotated[Name, AfterValidator(_pattern)] = "{n}"
    number: Annotated[Count, Field(ge=0, le=1_000_000)] = 1
    called_hz: Frequency | None = Field(default=None, alias="called")
    note: str = Field(default="", max_length=200)

    def misfits(self) -> Iterator[Misfit]:
        by_frequency = "{mhz:" in self.name
        if self.called_hz is not None and not by_frequency:
            yield Misfit(
                key="called",
                problem="the names of this raster do not hold a frequency",
                accepted='a name with the frequency in it, such as name = "{mhz:3}"',
            )
        if by_frequency and "number" in self.model_fields_set:
            yield Misfit(
                key="number",
                problem="the names of this raster hold a frequency, not a number",
                accepted='no `number`, or a name with the number in it, such as name = "{n}"',
            )

    def channels(self) -> Iterator[Channel]:
        """The channels in rising order."""
        for index in range(self.count):
            yield Channel(
                name=self._name(index),
                centre_hz=self.first_hz + index * self.step_hz,
                width_hz=self.width_hz,
                note=self.note,
            )

    def _name(self, index: int) -> str:
        first_hz = self.first_hz if self.called_hz is None else self.called_hz
        mhz = (first_hz + index * self.step_hz) / 1e6

        def filled(match: re.Match[str]) -> str:
            if match[2] is not None:
                return f"{mhz:.{match[2]}f}"
            return str(self.number + index).zfill(int(match[1] or 0))

        return _BLANK.sub(filled, self.name)


class SegmentTable(Table):
    """``[[segment]]``: a stretch of the band with a use, in which no raster is kept."""

    name: Name = Field(description="what people call it")
    start_hz: Frequency = Field(alias="start", description='a frequency, such as "144.15 MHz"')
    stop_hz: Frequency = Field(alias="stop", description="a frequency above the start")
    use: str = Field(default="", max_length=200)

    def misfits(self) -> Iterator[Misfit]:
        if not self.stop_hz > self.start_hz:
            yield Misfit(
                key="stop",
                problem="the segment ends where it starts, or before",
                accepted="a frequency above the start",
            )

    def segment(self) -> Segment:
        """The segment."""
        return Segment(name=self.name, start_hz=self.start_hz, stop_hz=self.stop_hz, use=self.use)


class PlanFile(Table):
    """A channel plan as it stands in its file."""

    title: Annotated[str, Field(min_length=1, max_length=200)] = Field(
        description="what the plan is for"
    )
    edition: Annotated[str, Field(min_length=1, max_length=200)] = Field(
        description="the publication and edition that the plan follows"
    )
    source: str = Field(default="", max_length=1000)
    channel: tuple[ChannelTable, ...] = ()
    raster: tuple[RasterTable, ...] = ()
    segment: tuple[SegmentTable, ...] = ()

    def misfits(self) -> Iterator[Misfit]:
        total = len(self.channel) + sum(raster.count for raster in self.raster)
        if not 1 <= total <= MOST_CHANNELS:
            yield Misfit(
                key="",
                problem=f"{total} channels",
                accepted=f"1 to {MOST_CHANNELS} channels, as [[channel]] or [[raster]]",
            )
        if len(self.segment) > MOST_SEGMENTS:
            yield Misfit(
                key="segment",
                problem=f"{len(self.segment)} segments",
                accepted=f"at most {MOST_SEGMENTS}",
            )


def shipped_plans() -> dict[str, FilePath]:
    """The plans that come with acqd, by name."""
    package = FilePath(__file__).resolve().parents[1]
    # In a wheel the plans lie within the package, in a checkout beside it.
    for folder in (package / "shipped" / "channels", package.parent / "configs" / "channels"):
        if folder.is_dir():
            return {path.stem: path for path in sorted(folder.glob("*.toml"))}
    return {}


def find_channel_plan(name_or_path: str, relative_to: FilePath) -> FilePath | None:
    """The file of a channel plan, None where there is none.

    A path is relative to the folder ``relative_to``, which is also where a plan of one's own is
    looked for before the shipped ones.
    """
    given = relative_to / FilePath(name_or_path).expanduser()
    own = (given,) if given.suffix == ".toml" else (given, FilePath(f"{given}.toml"))
    # A path that cannot even be looked up (too long, not ours to read) is none.
    found = next((path for path in own if os.path.isfile(path)), None)
    return found or shipped_plans().get(name_or_path)


def not_found(name_or_path: str) -> tuple[str, str]:
    """What to say where :func:`find_channel_plan` found nothing: problem and what is accepted."""
    shipped = shipped_plans()
    hint = near_miss(name_or_path, shipped)
    known = ", ".join(shipped) or "none here"
    return (
        f"there is no channel plan `{name_or_path}`{hint}",
        f"the path of a plan's file, or a shipped plan ({known})",
    )


def load_channel_plan(name_or_path: str, relative_to: FilePath) -> ChannelPlan:
    """The channel plan in a file, or the shipped one of that name.

    It is looked for as :func:`find_channel_plan` says; its name is its file's without ``.toml``.

    Raises:
        ConfigError: not found, or no channel plan; with everything that is wrong with it.
    """
    path = find_channel_plan(name_or_path, relative_to)
    if path is None:
        problem, accepted = not_found(name_or_path)
        text = Text(file=name_or_path, lines={})
        raise ConfigError((text.problem((), problem, accepted=accepted),))
    return parse_channel_plan(read_text(path), path)


def parse_channel_plan(text: str, path: FilePath) -> ChannelPlan:
    """:func:`load_channel_plan` for a text that is already read; ``path`` is where it belongs.

    Raises:
        ConfigError: no channel plan; with everything that is wrong with it.
    """
    data, places = parse_toml(str(path), text)
    return _plan(path.stem, data, places)


def _plan(name: str, data: dict[str, Any], text: Text) -> ChannelPlan:
    try:
        file = PlanFile.model_validate(data)
    except ValidationError as exc:
        wrong = text.problems_of(exc, table=(), model=PlanFile, data=data)
        raise ConfigError(in_file_order(wrong)) from exc
    placed = list(_in_order_of_tables(file, text))
    segments = tuple(table.segment() for table in file.segment)
    named: list[_Placed] = [*placed]
    named += [(("segment", index), segment) for index, segment in enumerate(segments)]
    clashes = in_file_order(_clashes(named, text))
    if clashes:
        raise ConfigError(clashes)
    channels = tuple(channel for _, channel in placed)
    if not segments:
        return ChannelPlan(name=name, title=file.title, edition=file.edition, channels=channels)
    return BandPlan(
        name=name,
        title=file.title,
        edition=file.edition,
        channels=channels,
        segments=segments,
    )


def _in_order_of_tables(file: PlanFile, text: Text) -> Iterator[tuple[tuple[str, int], Channel]]:
    """Each channel with the table it comes from, in the order in which the tables stand."""
    tables: dict[tuple[str, int], ChannelTable | RasterTable] = {
        **{("channel", index): table for index, table in enumerate(file.channel)},
        **{("raster", index): table for index, table in enumerate(file.raster)},
    }
    for place in sorted(tables, key=lambda place: text.line(*place)):
        for channel in tables[place].channels():
            yield place, channel


def _clashes(named: list[_Placed], text: Text) -> Iterator[ConfigProblem]:
    """What could not be told apart, by its name or in topics by its key."""
    named = sorted(named, key=lambda each: text.line(*each[0]))
    first: dict[str, _Placed] = {}
    for place, piece in named:
        before = first.setdefault(piece.key, (place, piece))
        if before[1] is piece:
            continue
        yield text.problem(
            place,
            f"{_what(piece)} cannot be told from {_what(before[1])} "
            f"of line {text.line(*before[0])}: both are `{piece.key}` in topics",
            accepted="names that differ in their letters and digits",
        )


def _what(piece: Channel | Segment) -> str:
    return f"{'segment' if isinstance(piece, Segment) else 'channel'} {piece.name}"
