"""From a request to the values that go into commands, and from what was sent to what is reported.

Pure. A setting is asked for, or has the profile's default, or is left to the sweeper by ``auto``.
One that the profile has no command for is fixed at its default; one that it has no table for does
not exist.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from acqd.config.quantity import DIFFERENCE, DURATION, FREQUENCY, LEVEL
from acqd.errors import ProtocolViolation, RequestRefused, SweepInvalid
from acqd.sweep import Float, Reported, SweepRequest
from acqd_lines.profile import Profile
from acqd_lines.tables import ReadTable, SettingTable
from acqd_lines.values import parse_number

__all__ = [
    "FIELDS",
    "Span",
    "Wanted",
    "axis_to_give",
    "check_axis",
    "read_setting",
    "read_span",
    "read_value",
    "read_word",
    "reported_of",
    "span_of",
    "values_of",
]

FIELDS: Final[Mapping[str, str]] = {
    "rbw": "rbw_hz",
    "vbw": "vbw_hz",
    "detector": "detector",
    "attenuation": "attenuation_db",
    "reference_level": "reference_level_dbm",
    "averages": "averages",
    "sweep_time": "sweep_time_s",
}
"""Settings of a profile, and what they are called in requests and reports."""

SAME_AXIS: Final = 0.01
"""Share of a step that frequencies may be off and still be those asked for."""

_FACTORS: Final = {
    unit: factor
    for dimension in (FREQUENCY, DURATION, LEVEL, DIFFERENCE)
    for unit, factor in dimension.units.items()
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a sweep is to be taken with.

    ``settings`` are the values of optional settings by name, None where they are left to the
    sweeper; ``values`` is all that commands can name, words where the profile has words.
    """

    settings: Mapping[str, Any]
    values: Mapping[str, float | str | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """The even axis that the sweeper was told to take, or says that it takes."""

    start_hz: float
    stop_hz: float
    points: int

    def frequencies_hz(self) -> Float:
        """(points,) in Hz."""
        return np.linspace(self.start_hz, self.stop_hz, self.points)


def values_of(profile: Profile, request: SweepRequest) -> Wanted:
    """What ``request`` comes to for a sweeper of ``profile``.

    Raises:
        RequestRefused: a setting that it does not have, or not at that value.
    """
    settings: dict[str, Any] = {}
    values: dict[str, float | str | None] = {
        "start": request.start_hz,
        "stop": request.stop_hz,
        "centre": (request.start_hz + request.stop_hz) / 2,
        "span": request.span_hz,
        "step": request.step_hz,
        "points": float(request.points),
        "steps": float(request.points - 1),
    }
    given, told = profile.setting.given(), profile.told
    for name, field in FIELDS.items():
        asked = getattr(request, field)
        setting = given.get(name)
        if setting is None:
            if asked is not None and not (name == "averages" and asked == 1):
                raise RequestRefused(setting=name, asked=f"{asked}", limit="no such setting")
            continue
        value = setting.default_value if asked is None else asked
        if name not in told and not _is_same(value, setting.default_value):
            raise RequestRefused(
                setting=name, asked=f"{asked}", limit=f"{setting.default_value}, which is fixed"
            )
        settings[name] = value
        values[name] = _said(name, setting, value)
    return Wanted(settings=settings, values=values)


def _said(name: str, setting: SettingTable, value: Any) -> float | str | None:
    if value is None:
        return None
    if setting.words_by_value:
        word = setting.word_of(value)
        if word is None:
            known = ", ".join(f"{each}" for each, _ in setting.words_by_value)
            raise RequestRefused(setting=name, asked=f"{value}", limit=f"one of {known}")
        return word
    return float(value)


def _is_same(one: Any, other: Any) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return abs(one - other) <= 0.01 * abs(other)
    return bool(one == other)


def span_of(sent: Mapping[str, float], request: SweepRequest) -> Span:
    """The axis that the numbers in the commands describe: rounding to what the sweeper counts in
    moves it off the one asked for. What was not sent is taken from the request."""
    points = round(sent.get("points", sent.get("steps", request.points - 1) + 1))
    start_hz, stop_hz = sent.get("start", request.start_hz), sent.get("stop", request.stop_hz)
    if "centre" in sent and "span" in sent:
        start_hz = sent["centre"] - sent["span"] / 2
        stop_hz = sent["centre"] + sent["span"] / 2
    elif "stop" not in sent and "span" in sent:
        stop_hz = start_hz + sent["span"]
    elif "stop" not in sent and "step" in sent:
        stop_hz = start_hz + sent["step"] * (points - 1)
    return Span(start_hz=start_hz, stop_hz=stop_hz, points=points)


def axis_to_give(axis_hz: Float, request: SweepRequest) -> Float | None:
    """``axis_hz`` where it is another than the one asked for, else None."""
    asked_hz = request.frequencies_hz()
    if axis_hz.shape != asked_hz.shape:
        return axis_hz
    off_hz = float(np.abs(axis_hz - asked_hz).max())
    same = off_hz <= max(SAME_AXIS * request.step_hz, 1e-9 * request.stop_hz)
    return None if same else axis_hz


def check_axis(axis_hz: Float, request: SweepRequest, tolerance: float) -> None:
    """Frequencies that came from the sweeper must be those asked for, within ``tolerance`` steps.

    Raises:
        SweepInvalid: they are not; says how far off.
    """
    off_hz = np.abs(axis_hz - request.frequencies_hz())
    worst = int(off_hz.argmax())
    allowed_hz = max(tolerance * request.step_hz, 1e-6 * request.stop_hz, 1.0)
    if off_hz[worst] > allowed_hz:
        raise SweepInvalid(
            f"frequency {axis_hz[worst]:.0f} Hz at point {worst}: asked for "
            f"{request.frequencies_hz()[worst]:.0f} Hz, {allowed_hz:.0f} Hz off is allowed"
        )


def read_value(read: ReadTable, text: str, group: str = "value") -> float:
    """The number of a group in an answer, in base units.

    Raises:
        ProtocolViolation: the answer does not fit, or there is no number.
    """
    word = read_word(read, text, group)
    number = parse_number(word, decimal_comma=read.decimal_comma)
    return number * float(_FACTORS[read.unit]) if read.unit else number


def read_word(read: ReadTable, text: str, group: str = "value") -> str:
    """The text of a group in an answer."""
    match = read.expect.search(text)
    if match is None or match[group] is None:
        raise ProtocolViolation(
            expected=f"an answer to {read.send[-1].text!r} that fits {read.expect.text!r}", got=text
        )
    return match[group].strip()


def read_setting(name: str, setting: SettingTable, text: str) -> Any:
    """The value of a setting as the sweeper told it; None for a word that the profile lacks."""
    assert setting.read is not None
    if setting.words_by_value:
        word = read_word(setting.read, text)
        known = {each.casefold(): value for value, each in setting.words_by_value}
        return known.get(word.casefold())
    value = read_value(setting.read, text)
    return max(1, round(value)) if name == "averages" else value


def read_span(read: ReadTable, text: str, points: int) -> Span:
    """Start and stop as the sweeper told them."""
    groups = read.expect.groups
    sent: dict[str, float] = {
        name: read_value(read, text, name)
        for name in ("start", "stop", "centre", "span")
        if name in groups
    }
    nothing = SweepRequest(start_hz=0.0, stop_hz=0.0, points=points)
    return span_of(sent, nothing)


def reported_of(
    wanted: Wanted,
    sent: Mapping[str, float],
    read: Mapping[str, Any],
    *,
    source_level_dbm: float | None = None,
) -> Reported:
    """The settings of a sweep: as read back; else as they were sent, which counts as assumed."""
    found: dict[str, Any] = {}
    assumed = []
    for name, value in wanted.settings.items():
        field = FIELDS[name]
        if name in read:
            found[field] = read[name]
            continue
        if value is None:
            continue
        said = sent.get(name, value)
        found[field] = round(said) if name == "averages" else said
        assumed.append(field)
    if source_level_dbm is not None:
        found["source_level_dbm"] = source_level_dbm
        assumed.append("source_level_dbm")
    return Reported(**found, assumed=tuple(assumed))
