"""The tables ``[setting.NAME]``: what can be set, how, and what it is where nobody asks."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar

from pydantic import Field

from acqd.config.quantity import DURATION, Level, Quantity
from acqd.config.tables import AtMostOne, Count, DetectorName, KeyRule, Table
from acqd_lines.answers import AnswerTable, ReadTable
from acqd_lines.fields import Attenuation, Commands, Pattern, Positive, Word

__all__ = ["SETTINGS", "SettingTable", "SettingsTable"]


class SettingTable(Table):
    """``[setting.NAME]``: one thing that can be set."""

    send: Commands | None = None
    answer: AnswerTable = AnswerTable(kind="none")
    expect: Pattern | None = None
    auto: Commands | None = None
    read: ReadTable | None = None

    rules: ClassVar[tuple[KeyRule, ...]] = (AtMostOne(("auto", "default")),)

    @property
    def default_value(self) -> Any:
        """What is set where nothing was asked for; None where that is left to the sweeper."""
        return getattr(self, "default", None)

    def word_of(self, value: Any) -> str | None:
        """The word for ``value``; None where it has words and this is none of them."""
        for known, word in self.words_by_value:
            if known == value or (
                isinstance(value, float)
                and isinstance(known, float)
                and abs(value - known) <= 0.01 * abs(known)
            ):
                return word
        return None

    @property
    def words_by_value(self) -> tuple[tuple[Any, str], ...]:
        """Values with the words that stand for them, in the order of the profile."""
        words = getattr(self, "words", None)
        return tuple(words.items()) if words else ()


class FrequencySetting(SettingTable):
    """``[setting.frequency]``: start and stop, or centre and span."""


class PointsSetting(SettingTable):
    """``[setting.points]``."""


class RbwSetting(SettingTable):
    """``[setting.rbw]``."""

    default: Positive | None = None
    words: dict[Positive, Word] = Field(default_factory=dict)


class VbwSetting(SettingTable):
    """``[setting.vbw]``."""

    default: Positive | None = None
    words: dict[Positive, Word] = Field(default_factory=dict)


class DetectorSetting(SettingTable):
    """``[setting.detector]``. ``words`` are what the sweeper calls its detectors."""

    default: DetectorName | None = None
    words: dict[DetectorName, Word] = Field(
        min_length=1, description='what it calls its detectors, such as { positive = "PK" }'
    )


class AttenuationSetting(SettingTable):
    """``[setting.attenuation]``."""

    default: Attenuation | None = None
    words: dict[Attenuation, Word] = Field(default_factory=dict)


class ReferenceLevelSetting(SettingTable):
    """``[setting.reference_level]``."""

    default: Level | None = None
    words: dict[Level, Word] = Field(default_factory=dict)


SweepTime = Annotated[float, Quantity(dimension=DURATION, above="0 s", at_most="1 h")]


class SweepTimeSetting(SettingTable):
    """``[setting.sweep_time]``."""

    default: SweepTime | None = None
    words: dict[SweepTime, Word] = Field(default_factory=dict)


class AveragesSetting(SettingTable):
    """``[setting.averages]``."""

    default: Annotated[Count, Field(ge=1, le=100_000)] | None = 1


class SettingsTable(Table):
    """All ``[setting.NAME]``. What has no table here cannot be set."""

    frequency: FrequencySetting | None = None
    points: PointsSetting | None = None
    rbw: RbwSetting | None = None
    vbw: VbwSetting | None = None
    detector: DetectorSetting | None = None
    attenuation: AttenuationSetting | None = None
    reference_level: ReferenceLevelSetting | None = None
    averages: AveragesSetting | None = None
    sweep_time: SweepTimeSetting | None = None

    def given(self) -> dict[str, SettingTable]:
        """Those that there are, by name."""
        return {name: value for name, value in self if value is not None}


SETTINGS = tuple(SettingsTable.model_fields)
"""Names of settings, in the order of sending where the profile has no other: filters come before
the sweep time, which hangs on them."""
