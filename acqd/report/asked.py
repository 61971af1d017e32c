"""What was asked for, and what the sweeper says it did: facts that all kinds share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from acqd.config.quantity import DURATION, QuantityError, parse_quantity
from acqd.look.times import duration
from acqd.measure.words import frequency_text, range_text
from acqd.report.shapes import Fact
from acqd.report.source import JobSource
from acqd.report.words import joined_text, level

__all__ = ["asked_facts", "rhythm_text", "setting_text", "settings_text"]


def asked_facts(source: JobSource) -> tuple[Fact, ...]:
    """Range, rhythm and plane of a job, as the config has them; what is not known is left out."""
    facts = []
    asked = source.details.get("asked") or {}
    if asked.get("start_hz") is not None and asked.get("stop_hz") is not None:
        facts.append(Fact(name="range", text=_range_text(asked)))
    rhythm = rhythm_text(source)
    if rhythm:
        facts.append(Fact(name="rhythm", text=rhythm))
    settings = settings_text(asked)
    if settings:
        facts.append(Fact(name="settings asked for", text=settings))
    if source.setup is not None:
        u_db = source.level_u()
        told = source.plane
        if u_db is not None:
            assumed = (source.details.get("measuring") or {}).get("assumed") or ()
            told += f", ± {u_db:.1f} dB (k = 2)"
            told += ", accuracy assumed" if "level_accuracy_db" in assumed else ""
        facts.append(Fact(name="levels at", text=told))
    return tuple(facts)


def _range_text(asked: Mapping[str, Any]) -> str:
    start_hz, stop_hz = float(asked["start_hz"]), float(asked["stop_hz"])
    points = asked.get("points")
    where = frequency_text(start_hz) if start_hz == stop_hz else range_text(start_hz, stop_hz)
    return where if points is None else f"{where}, {points} points"


def rhythm_text(source: JobSource) -> str:
    """``every 2 s``, ``back to back``, ``3 sweeps every 20 s``; empty where nobody knows."""
    when = source.config.get("when") or {}
    burst = int(when.get("burst") or 1)
    each = f"{burst} sweeps " if burst > 1 else ""
    if when.get("back_to_back"):
        return f"{each}back to back"
    if when.get("cron"):
        return f"{each}by the table {when['cron']}"
    if when.get("every"):
        return f"{each}every {_every_text(str(when['every']))}"
    return f"every {duration(source.interval_s)}" if source.interval_s > 0 else ""


def _every_text(text: str) -> str:
    """An interval as people say it: ``10 min`` of "600 s"; as it stands where it is none."""
    try:
        every_s = parse_quantity(text, DURATION)
    except QuantityError:
        return text
    return f"{every_s:g} s" if every_s < 60.0 else duration(every_s)


SETTINGS = (
    ("rbw_hz", "RBW"),
    ("vbw_hz", "VBW"),
    ("detector", "detector"),
    ("averages", "averages"),
    ("sweep_time_s", "sweep time"),
    ("attenuation_db", "attenuation"),
    ("reference_level_dbm", "reference level"),
    ("source_level_dbm", "source"),
)


def settings_text(told: Mapping[str, Any]) -> str:
    """``RBW 10.0 kHz, detector rms, attenuation 10 dB``: those that are there."""
    parts = [
        f"{word} {setting_text(name, told[name])}"
        for name, word in SETTINGS
        if told.get(name) is not None
    ]
    return ", ".join(parts)


def setting_text(name: str, value: Any) -> str:
    """One setting with its unit, which the end of its name says."""
    if name.endswith("_hz"):
        return frequency_text(float(value))
    if name.endswith("_s"):
        return f"{float(value):.3g} s"
    if name.endswith("_dbm"):
        return f"{level(float(value))} dBm"
    if name.endswith("_db"):
        return f"{level(float(value))} dB"
    return joined_text([str(value)])
