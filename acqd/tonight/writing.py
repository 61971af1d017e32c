"""The config that an evening leaves behind: TOML with the remarks that a person would write."""

from __future__ import annotations

import re
import socket
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from acqd.config.models import is_topic_level
from acqd.config.quantity import (
    DIFFERENCE,
    DURATION,
    LENGTH,
    POWER,
    Dimension,
    format_quantity,
)
from acqd.drivers.paste import toml_value
from acqd.look.times import clock, date
from acqd.measure.words import range_text
from acqd.tonight.hookup import Hookup, Near
from acqd.tonight.settings import Settings, least_told_s, sweeps_told

__all__ = ["Draft", "config_text", "station_name"]

CHAIN = "aerial"
COLUMN = 30
"""Where remarks begin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """All that goes into the file.

    ``sweeper_lines`` is the table ``[sweeper.NAME]`` as ``acqd find`` would print it.
    ``broker`` is its TOML value and, where it needs one, its address.
    """

    station: str
    zone: str
    sweeper: str
    sweeper_lines: Sequence[str]
    simulated: bool
    hookup: Hookup
    settings: Sequence[Settings]
    every_s: float
    window: str | None
    region: int
    written_s: float
    broker: str = "none"
    broker_address: str | None = None
    remarks: Mapping[str, str] = field(default_factory=dict)
    """By job: what its sweep took, in words."""


def station_name() -> str:
    """This machine's name as a station's; ``station`` where that is none."""
    plain = re.sub(r"[^a-z0-9_-]+", "-", socket.gethostname().partition(".")[0].lower())
    name = plain.strip("-")[:32]
    return name if is_topic_level(name) else "station"


def config_text(draft: Draft) -> str:
    """The whole file."""
    blocks = [
        _head(draft),
        _station(draft),
        _mqtt(draft),
        _sweeper(draft),
        _chain(draft),
        _transmitter(draft),
        *(_job(draft, one) for one in draft.settings),
    ]
    return "\n".join("\n".join(lines) + "\n" for lines in blocks if lines)


def _head(draft: Draft) -> list[str]:
    when = f"{date(draft.written_s, draft.zone)}, {clock(draft.written_s, draft.zone)}"
    lines = [f"# Written by `acqd tonight` on {when}. It is yours from now on: edit it, then"]
    lines += [
        "#",
        "#     acqd check      shows what the station would do with it",
        "#     acqd tonight    goes on with it, until the end of its window, and makes the report",
        "#     acqd run        watches every night in its window, until it is stopped",
        "#",
        "# docs/config.md has every key. Quantities carry their units; paths begin at this file.",
    ]
    if draft.simulated:
        lines += ["#", "# THE SWEEPER IS SIMULATED: nothing that it hears is on the air."]
    return lines


def _station(draft: Draft) -> list[str]:
    return [
        "[station]",
        _line("name", draft.station, "in topics and file names"),
        _line("archive", "archive", "every sweep and finding, in this folder"),
        _line("time_zone", draft.zone, "its clock is that of the window below"),
    ]


def _mqtt(draft: Draft) -> list[str]:
    remark = {
        "local": "mosquitto on this machine, for this machine alone",
        "none": 'no messages, no live page; "local" once mosquitto is installed',
    }.get(draft.broker, "")
    lines = ["[mqtt]", _line("broker", draft.broker, remark)]
    if draft.broker_address is not None:
        lines.append(_line("address", draft.broker_address, "the usual port, 1883, was taken"))
    if draft.broker != "none":
        lines += [
            "",
            "# [dash]                      # a live page while it runs, for this machine alone:",
            '# address = "127.0.0.1:8471"  # http://127.0.0.1:8471',
        ]
    return lines


def _sweeper(draft: Draft) -> list[str]:
    lines = list(draft.sweeper_lines)
    if draft.simulated:
        lines[0] = f"{lines[0]:<{COLUMN}}# simulated: a sweeper that is none"
    stated_dbm = draft.hookup.absolute_max_dbm
    if stated_dbm is not None:
        lines.append(_line("absolute_max", f"{stated_dbm:g} dBm", "as you said"))
    return lines


def _chain(draft: Draft) -> list[str]:
    """What stands between the aerial's socket and the input, the aerial's end first."""
    hookup = draft.hookup
    lines = [
        "# Levels are told at the aerial's socket: whatever stands between it and the sweeper,",
        "# in order. Put what your cable loses here.",
        f"[chain.{CHAIN}]",
        _line("title", "the aerial socket"),
    ]
    lines += _part(
        "cable",
        ("name", "lead-in", ""),
        ("loss", "0 dB", "nobody measured it yet"),
        ("uncertainty", "2 dB", "so it may be this wrong"),
    )
    if hookup.has_preamplifier:
        gain = _quantity(hookup.gain_db, DIFFERENCE)
        lines += _part("amplifier", ("name", "preamplifier", ""), ("gain", gain, "as you said"))
    for pad in hookup.pads:
        loss = _quantity(pad.loss_db, DIFFERENCE)
        rated = () if pad.rated_w is None else (("rated", _quantity(pad.rated_w, POWER), ""),)
        lines += _part("pad", ("name", f"{loss} pad", ""), ("loss", loss, "as you said"), *rated)
    return lines


def _part(kind: str, *keys: tuple[str, str, str]) -> list[str]:
    rows = [_line(key, value, remark) for key, value, remark in keys]
    return ["", f"[[chain.{CHAIN}.part]]", _line("kind", kind), *rows]


def _transmitter(draft: Draft) -> list[str]:
    one = draft.hookup.transmitter
    if one is None or one.where is not Near.NEAR:
        return []
    low_hz, high_hz = one.sends_hz or (_low(draft), _high(draft))
    remark = "as you said" if one.sends_hz else "where it may transmit: put its bands"
    lines = [
        "# Near this aerial. No job starts while what it can bring leaves the input no headroom.",
        "[transmitter.near]",
        _line("near", CHAIN),
        _line("power", _quantity(one.power_w, POWER)),
        _line("start", _frequency(low_hz), remark),
        _line("stop", _frequency(high_hz)),
    ]
    if one.isolation_db is not None:
        lines.append(_line("isolation", _quantity(one.isolation_db, DIFFERENCE), "as you said"))
    elif one.distance_m is not None:
        lines.append(_line("distance", _quantity(one.distance_m, LENGTH), "better: `isolation`"))
    else:
        lines.append('# isolation = "40 dB"         # once it is measured; none is counted on')
    return lines


def _low(draft: Draft) -> float:
    return min(one.start_hz for one in draft.settings)


def _high(draft: Draft) -> float:
    return max(one.stop_hz for one in draft.settings)


def _job(draft: Draft, settings: Settings) -> list[str]:
    wanted = settings.wanted
    seen = range_text(settings.start_hz, settings.stop_hz)
    lines = [
        f"# {wanted.title}: {seen}, {settings.points} points.{draft.remarks.get(wanted.name, '')}",
        f"[job.{wanted.name}]",
        _line("title", wanted.title),
        _line("kind", "band"),
        _line("sweeper", draft.sweeper),
        _line("chain", CHAIN),
        _line("start", _frequency(settings.start_hz)),
        _line("stop", _frequency(settings.stop_hz)),
        _line("step", _frequency(settings.step_hz), "half an RBW"),
    ]
    if settings.rbw_hz is not None:
        lines.append(_line("rbw", _frequency(settings.rbw_hz)))
    if settings.detector is not None:
        lines.append(_line("detector", str(settings.detector)))
    lines.append(f"when = {toml_value(_when(draft))}")
    lines.append(_remarked("report = true", "each morning, into archive/reports, by `acqd run`"))
    lines += _band_lines(draft, settings)
    transmitter = draft.hookup.transmitter
    if transmitter is not None and transmitter.where is Near.ON:
        power = _quantity(transmitter.power_w, POWER)
        lines.append(_remarked(f'transmitter = {{ power = "{power}" }}', "comes down this cable"))
    return [*lines, *_witness(settings)]


def _witness(settings: Settings) -> list[str]:
    """An example to fill in: what is heard again and again where somebody lives only they know."""
    wanted = settings.wanted
    middle_hz = settings.start_hz + (settings.points // 2) * settings.step_hz
    key, value, remark = "frequency", _frequency(middle_hz), "put that of a repeater, a beacon"
    if wanted.plan == "marine-vhf":
        key, value, remark = "channel", "AIS 1", "ships near by; not far from the sea"
    known = (
        "# What would show that a cable has fallen off, beside the floor (docs/deaf.md):"
        if wanted.plan is None
        else "# Channels that are heard again and again it learns in a day, and misses them when a"
    )
    more = "# cable falls off. Those that you know of can be named at once (docs/deaf.md):"
    return [
        known,
        *([] if wanted.plan is None else [more]),
        f"# [[job.{wanted.name}.witness]]",
        f"# {_line(key, value, remark)}",
        f"# {_line('within', '30 min', 'heard at least so often, day and night')}",
    ]


def _when(draft: Draft) -> dict[str, Any]:
    when = {"every": _quantity(draft.every_s, DURATION)}
    return when if draft.window is None else {**when, "window": draft.window}


def _band(draft: Draft, settings: Settings) -> dict[str, Any]:
    band: dict[str, Any] = {}
    if settings.wanted.plan is not None:
        band["channels"] = settings.wanted.plan
    least_s = least_told_s(draft.every_s)
    if least_s > 0.0:
        band["min_duration"] = _quantity(least_s, DURATION)
    if draft.region != 1:
        band["region"] = draft.region
    return band


def _band_lines(draft: Draft, settings: Settings) -> list[str]:
    band = _band(draft, settings)
    if not band:
        return []
    lines = [f"band = {toml_value(band)}"]
    count = sweeps_told(draft.every_s)
    if count > 1:
        remark = (
            f"# min_duration: a finding is what {count} sweeps running heard, so that ignition and "
            "switches"
        )
        lines = [
            remark,
            "# do not fill the page; the occupancy counts all that any sweep heard.",
            *lines,
        ]
    return lines


def _frequency(hz: float) -> str:
    """In megahertz or kilohertz, as people say it; exactly."""
    unit, name = (Decimal(1_000_000), "MHz") if hz >= 1e6 else (Decimal(1000), "kHz")
    return f"{(Decimal(repr(hz)) / unit).normalize():f} {name}"


def _quantity(value: float, dimension: Dimension) -> str:
    return format_quantity(value, dimension)


def _line(key: str, value: str, remark: str = "") -> str:
    return _remarked(f"{key} = {toml_value(value)}", remark)


def _remarked(line: str, remark: str) -> str:
    return f"{line:<{COLUMN - 1}} # {remark}" if remark else line
