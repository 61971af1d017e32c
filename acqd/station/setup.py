"""Setups: what makes sweeps of a job comparable, and a digest of it."""

from __future__ import annotations

import hashlib
import json
import math
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from acqd.archive.records import SetupRecord
from acqd.canonical import finest_step
from acqd.chain import Chain
from acqd.station.references import ReferenceRecord, for_setup, settings_of
from acqd.sweep import Capabilities, Float, Reported, Sweep

__all__ = [
    "ASSUMED_LEVEL_ACCURACY_DB",
    "SetupFacts",
    "SetupMaker",
    "absolute_max_dbm",
    "canonical_json",
]

ASSUMED_LEVEL_ACCURACY_DB = 3.0
"""Half-width taken where neither the sweeper nor the config states a level accuracy: wide on
purpose, wider than what makers of small sweepers state (common practice)."""

ASSUMED_FREQUENCY_ACCURACY_PPM = 10.0
"""Likewise for frequency: an uncompensated crystal over temperature and age (common practice)."""

SWEEP_TIME_LIKE = 0.5
"""A reported sweep time within this fraction of the setup's is the same setup: it jitters."""

SETUPS_REMEMBERED = 4096
"""Setups of a job whose sweep time is remembered, the latest."""


def canonical_json(data: Any) -> str:
    """JSON with sorted keys and no spaces, for digests."""
    return json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupFacts:
    """What the config says about a job and its sweeper that belongs to every setup of it."""

    job: str
    kind: str
    sweeper: str
    plane: str
    config: Mapping[str, Any]
    config_digest: str
    interval_s: float | None
    chain: Chain | None
    level_accuracy_db: float | None
    frequency_accuracy_ppm: float | None
    detector: str | None
    averages: int | None
    software: Mapping[str, str]
    absolute_max_dbm: float | None = None
    noise_bandwidth_ratio: float | None = None
    context: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    """Unit and title of each context, by name."""


class SetupMaker:
    """Makes the setup of each sweep of one job, and knows when it is still the last one.

    All that a meter is told of a setup is in its digest, but for the sweep time, which jitters: the
    first one under a digest is kept for it, also over restarts. So what a replay reads, from
    whichever file, is what the meter was told live (G4).
    """

    def __init__(
        self,
        facts: SetupFacts,
        sweep_times_s: Mapping[str, float] | None = None,
        references: Mapping[str, ReferenceRecord] | None = None,
    ) -> None:
        """``sweep_times_s``: of the setups that the archive has, by digest, the latest last."""
        self._facts = facts
        self._references = dict(references or {})
        self._sweep_times_s: OrderedDict[str, float] = OrderedDict(sweep_times_s or {})
        self._last: tuple[int, Sweep, Capabilities, SetupRecord] | None = None

    def refer_to(self, reference: ReferenceRecord) -> None:
        """From here on sweeps are compared with ``reference`` where it has its role."""
        self._references[str(reference.role)] = reference
        self._last = None

    def forget(self, role: str) -> None:
        """From here on there is no reference of this role."""
        self._references.pop(role, None)
        self._last = None

    @property
    def references(self) -> Mapping[str, ReferenceRecord]:
        return self._references

    def setup_of(self, sweep: Sweep, capabilities: Capabilities, *, step: int) -> SetupRecord:
        """The setup that ``sweep`` was taken with: the last one again where nothing differs."""
        if self._last is not None:
            last_step, last, last_capabilities, record = self._last
            if (
                step == last_step
                and capabilities == last_capabilities
                and sweep.identity == last.identity
                and sweep.request == last.request
                and sweep.unit == last.unit
                and sweep.resolution == last.resolution
                and _alike(sweep.reported, last.reported)
                and _same_axis(sweep.frequency_hz, last.frequency_hz)
            ):
                return record
        record = self._make(sweep, capabilities, step)
        self._last = (step, sweep, capabilities, record)
        return record

    def _make(self, sweep: Sweep, capabilities: Capabilities, step: int) -> SetupRecord:
        facts = self._facts
        gain_db = None
        if facts.chain is not None:
            gain_db = facts.chain.gain_db(sweep.frequency_hz)
        measuring = self._measuring(sweep, capabilities)
        what = {
            "job": facts.job,
            "kind": facts.kind,
            "sweeper": facts.sweeper,
            "plane": facts.plane,
            "config": facts.config,
            "config_digest": facts.config_digest,
            "asked": asdict(sweep.request),
            "reported": {**asdict(sweep.reported), "sweep_time_s": None},
            "identity": asdict(sweep.identity),
            "unit": str(sweep.unit),
            "resolution": sweep.resolution,
            "chain": None if facts.chain is None else facts.chain.to_json(),
            "measuring": {**measuring, "sweep_time_s": None},
        }
        if step:
            # Steps of one pass may ask for the very same; what is kept of each stands by itself.
            what["step"] = step
        if step == 0 and self._references:
            # What else a pass sweeps has other settings; a reference is for what is due.
            what["references"] = for_setup(self._references, sweep)
        # Half of a surrogate pair has no bytes; that it cannot be kept is for the archive to say.
        digest = hashlib.sha256(canonical_json(what).encode(errors="backslashreplace"))
        digest.update(sweep.frequency_hz.astype("<f8").tobytes())
        setup = digest.hexdigest()[:16]
        measuring["sweep_time_s"] = self._first_sweep_time_s(setup, measuring["sweep_time_s"])
        details = {
            **what,
            "reported": asdict(sweep.reported),
            "capabilities": asdict(capabilities),
            "software": dict(facts.software),
            "context": {name: dict(told) for name, told in facts.context.items()},
            "measuring": measuring,
        }
        return SetupRecord(
            setup=setup,
            job=facts.job,
            step=step,
            sweeper=facts.sweeper,
            kind=facts.kind,
            frequency_hz=sweep.frequency_hz,
            unit=str(sweep.unit),
            resolution=sweep.resolution,
            chain_gain_db=gain_db,
            details=json.loads(json.dumps(details)),
        )

    def _first_sweep_time_s(self, setup: str, sweep_time_s: float) -> float:
        """What the first sweep under this digest took; this one's where it is the first."""
        known = self._sweep_times_s
        first_s = known.setdefault(setup, sweep_time_s)
        known.move_to_end(setup)
        if len(known) > SETUPS_REMEMBERED:
            known.popitem(last=False)
        return first_s

    def _measuring(self, sweep: Sweep, capabilities: Capabilities) -> dict[str, Any]:
        """What the meter is told, with what is assumed marked as such."""
        facts, reported = self._facts, sweep.reported
        stated = {
            name
            for name in (
                "level_accuracy_db",
                "frequency_accuracy_ppm",
                "detector",
                "averages",
                "noise_bandwidth_ratio",
            )
            if getattr(facts, name) is not None
        }
        assumed = [
            name for name in (*reported.assumed, *capabilities.assumed) if name not in stated
        ]
        accuracy_db = facts.level_accuracy_db
        if accuracy_db is None:
            accuracy_db = capabilities.level_accuracy_db
        if accuracy_db is None:
            accuracy_db = ASSUMED_LEVEL_ACCURACY_DB
            assumed.append("level_accuracy_db")
        sweeper_accuracy_db = accuracy_db
        if facts.chain is not None:
            # Both are half-widths of independent errors; at the far end of the chain both count.
            accuracy_db = math.hypot(accuracy_db, facts.chain.uncertainty_db)
        accuracy_ppm = facts.frequency_accuracy_ppm
        if accuracy_ppm is None:
            accuracy_ppm = capabilities.frequency_accuracy_ppm
        if accuracy_ppm is None:
            accuracy_ppm = ASSUMED_FREQUENCY_ACCURACY_PPM
            assumed.append("frequency_accuracy_ppm")
        noise_ratio = facts.noise_bandwidth_ratio
        if noise_ratio is None:
            noise_ratio = capabilities.noise_bandwidth_ratio
        settings = settings_of(sweep)
        detector = reported.detector or facts.detector or sweep.request.detector
        if detector is None:
            assumed.append("detector")
        return {
            "rbw_hz": reported.rbw_hz or sweep.request.rbw_hz,
            "detector": None if detector is None else str(detector),
            "averages": reported.averages or facts.averages,
            "interval_s": facts.interval_s,
            # A sweeper's cycle may be longer than what it reports, and never is shorter.
            "sweep_time_s": max(reported.sweep_time_s or 0.0, sweep.took_s),
            "level_accuracy_db": accuracy_db,
            "frequency_accuracy_ppm": accuracy_ppm,
            "resolution": sweep.resolution or _step_of(sweep),
            "assumed": sorted(set(assumed)),
            "attenuation_db": settings["attenuation_db"],
            "source_level_dbm": settings["source_level_dbm"],
            "sweeper_accuracy_db": sweeper_accuracy_db,
            "chain_parts": []
            if facts.chain is None
            else [[part.name, part.uncertainty_db] for part in facts.chain.parts],
            "absolute_max_dbm": absolute_max_dbm(facts.absolute_max_dbm, capabilities),
            "range_hz": [capabilities.start_hz, capabilities.stop_hz],
            "points_max": capabilities.points_max,
            "attenuation_steps_db": list(capabilities.attenuation_steps_db),
            # Only where it is stated: setups of old would have new digests else.
            **({} if noise_ratio is None else {"noise_bandwidth_ratio": noise_ratio}),
        }


def absolute_max_dbm(stated_dbm: float | None, capabilities: Capabilities) -> float | None:
    """The largest input that does no damage: the lower of what config and sweeper say."""
    said = [one for one in (stated_dbm, capabilities.absolute_max_dbm) if one is not None]
    return min(said, default=None)


def _step_of(sweep: Sweep) -> float | None:
    """The step that the levels lie on where the sweeper does not state one."""
    if np.iscomplexobj(sweep.level):
        return None
    return finest_step(np.asarray(sweep.level, dtype=np.float64))


def _same_axis(now: Float, then: Float) -> bool:
    """Whether two axes are equal; an even one is mostly the very same array."""
    return now is then or bool(np.array_equal(now, then))


def _alike(now: Reported, then: Reported) -> bool:
    """Whether two reports are of one setup: equal but for a jitter of the sweep time."""
    a_s, b_s = now.sweep_time_s, then.sweep_time_s
    if a_s is not None and b_s is not None and abs(a_s - b_s) > SWEEP_TIME_LIKE * b_s:
        return False
    return (
        now.rbw_hz,
        now.vbw_hz,
        now.detector,
        now.attenuation_db,
        now.reference_level_dbm,
        now.averages,
        now.source_level_dbm,
    ) == (
        then.rbw_hz,
        then.vbw_hz,
        then.detector,
        then.attenuation_db,
        then.reference_level_dbm,
        then.averages,
        then.source_level_dbm,
    )
