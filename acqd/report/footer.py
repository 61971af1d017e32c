"""The foot of a job's report: what it was measured with, and where the numbers lie."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from acqd.archive.manifest import read_manifest
from acqd.archive.records import SetupRecord
from acqd.look.times import clock, date
from acqd.report.asked import settings_text
from acqd.report.shapes import Fact
from acqd.report.source import JobSource
from acqd.report.words import count_text, joined_text, level, percent
from acqd.sweep import Identity, SweepFlag

__all__ = ["files_of", "footer_facts"]

SETUPS_TOLD = 6
REFERENCES_TOLD = 8

SUMS_POWERS = ("band", "emission")
"""Kinds with figures that rest on the noise bandwidth."""


def footer_facts(source: JobSource) -> tuple[Fact, ...]:
    """Sweeper, chain, settings, references, software and clock; what nobody knows is left out."""
    setups = _setups(source)
    facts = [
        *_distinct("sweeper", (_sweeper_text(one) for one in setups)),
        *_distinct("chain", (_chain_text(one) for one in setups)),
        *_distinct("asked", (settings_text(one.details.get("asked") or {}) for one in setups)),
        *_distinct("reported", (_reported_text(one) for one in setups)),
        *_distinct("taken for granted", (_assumed_text(one) for one in setups)),
        *_reference_facts(source),
        *_distinct("software", (_software_text(one) for one in setups)),
    ]
    told = _clock_text(source)
    if told:
        facts.append(Fact(name="clock", text=told))
    digests = [f"{one.setup} (step {one.step})" if one.step else one.setup for one in setups]
    if digests:
        more = len(digests) - SETUPS_TOLD
        text = ", ".join(digests[:SETUPS_TOLD]) + (f" and {more} more" if more > 0 else "")
        facts.append(Fact(name="setups", text=text))
    return tuple(facts)


def _setups(source: JobSource) -> list[SetupRecord]:
    """Those of step 0 that sweeps of the range were taken with; without any the last known."""
    used = list(source.sweeps().setups)
    if not used and source.setup is not None:
        used = [source.setup]
    return used


def _distinct(name: str, texts: Iterable[str]) -> list[Fact]:
    found = list(dict.fromkeys(text for text in texts if text))
    shown = found[:SETUPS_TOLD]
    if len(found) > SETUPS_TOLD:
        shown.append(f"and {len(found) - SETUPS_TOLD} more")
    return [Fact(name=name, text="; then ".join(shown))] if shown else []


def _sweeper_text(setup: SetupRecord) -> str:
    told = setup.details.get("identity") or {}
    known = {name: str(told[name]) for name in told if name in Identity.__dataclass_fields__}
    return f"{setup.sweeper}: {Identity(**known)}" if known else setup.sweeper


def _chain_text(setup: SetupRecord) -> str:
    """Each part with its gain in the middle of the sweep and its U, then the whole."""
    parts = (setup.details.get("config") or {}).get("chain_parts") or []
    gain_db = setup.chain_gain_db
    if gain_db is None:
        return "none: levels are those at the input"
    middle_hz = float(np.median(setup.frequency_hz))
    told = [_part_text(part, middle_hz) for part in parts]
    nearest = int(np.argmin(np.abs(setup.frequency_hz - middle_hz)))
    whole = f"{level(float(gain_db[nearest]), 2)} dB in the middle of the range"
    return f"{joined_text(told)}; together {whole}" if told else f"together {whole}"


def _part_text(part: dict[str, Any], at_hz: float) -> str:
    where, gains = part.get("frequency_hz") or [0.0], part.get("gain_db") or [0.0]
    gain_db = float(np.interp(at_hz, where, gains))
    name = part.get("name") or part.get("kind") or "part"
    text = f"{name} {level(gain_db, 2)} dB"
    u_db = part.get("uncertainty_db")
    return text if u_db is None else f"{text} ± {float(u_db):.2f} dB"


def _reported_text(setup: SetupRecord) -> str:
    told = dict(setup.details.get("reported") or {})
    measuring = setup.details.get("measuring") or {}
    # Sweeps from a log may have none, neither stated nor timed.
    time_s = told.get("sweep_time_s") or measuring.get("sweep_time_s") or None
    told["sweep_time_s"] = time_s
    parts = [f"{setup.frequency_hz.size} points", settings_text(told)]
    if time_s is None:
        parts.append("sweep time not stated")
    return ", ".join(part for part in parts if part)


def _assumed_text(setup: SetupRecord) -> str:
    measuring = setup.details.get("measuring") or {}
    words = [
        str(name).replace("_", " ").removesuffix(" db").removesuffix(" ppm").removesuffix(" ratio")
        for name in measuring.get("assumed") or ()
    ]
    unstated = measuring.get("noise_bandwidth_ratio") is None
    if setup.kind in SUMS_POWERS and measuring.get("rbw_hz") is not None and unstated:
        # The archive does not list it with the others: setups of old would have new digests.
        words.append("noise bandwidth (that of a Gaussian filter, 1.0645 RBW)")
    return f"nobody stated {joined_text(words)}" if words else ""


def _reference_facts(source: JobSource) -> list[Fact]:
    found = []
    for one in source.references[-REFERENCES_TOLD:]:
        at_s = float(one.body.get("at_s", one.at_s))
        when = f"{date(at_s, source.zone)}, {clock(at_s, source.zone)}"
        sweeps = one.body.get("sweeps")
        count = f", {count_text(int(sweeps), 'sweep')}" if sweeps else ""
        text = f"{one.body.get('role', 'reference')}, taken {when}{count} by {one.who}"
        found.append(Fact(name="reference", text=text))
    return found


def _software_text(setup: SetupRecord) -> str:
    told = setup.details.get("software") or {}
    return ", ".join(f"{name} {version}" for name, version in told.items())


def _clock_text(source: JobSource) -> str:
    """Whether the station's clock claimed to be right while it swept."""
    index = source.sweeps()
    if not len(index):
        return ""
    free = np.count_nonzero(index.flags & int(SweepFlag.CLOCK_UNSYNCHRONISED))
    steps = np.count_nonzero(index.flags & int(SweepFlag.CLOCK_STEPPED))
    told = "synchronised all the time"
    if free == len(index):
        told = "never known to be synchronised"
    elif free:
        told = f"not known to be synchronised in {percent(free / len(index))} of the sweeps"
    return f"{told}; put {count_text(int(steps), 'time')}" if steps else told


def files_of(source: JobSource) -> tuple[tuple[str, str], ...]:
    """Files of the archive that hold the sweeps of the range, each with the SHA-256 that the
    manifest beside it lists; an open journal, which is no such file yet, has none."""
    found: dict[str, str] = {}
    listed: dict[Path, dict[str, dict[str, Any]]] = {}
    steps = (*source.steps, *source.look_steps)
    for path, is_journal in (one for step in steps for one in source.files(step)):
        folder = path.parent
        if folder not in listed:
            listed[folder] = {} if is_journal else read_manifest(folder)
        entry = listed[folder].get(path.name, {})
        name = path.relative_to(source.archive.root).as_posix()
        found[name] = str(entry.get("sha256", ""))
    return tuple(sorted(found.items()))
