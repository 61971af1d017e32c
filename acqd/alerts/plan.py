"""From a config to the rules and ways of a station. No secret is read before it is needed."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from acqd.alerts.engine import Rule
from acqd.alerts.quiet import Quiet
from acqd.alerts.rules import Policy
from acqd.alerts.watches import Watch
from acqd.alerts.ways import Way, ways_of
from acqd.alerts.wording import Voice
from acqd.config.alerts import FITTING, HOLD_OFF_S, AlertTable
from acqd.config.environment import secrets_named
from acqd.config.whole import StationConfig
from acqd.plan.rhythm import longest_interval_s

__all__ = ["AlertPlan", "alert_plan"]

GAP_LEAST_S = 60.0
GAP_INTERVALS = 3.0
"""Passes that follow each other within so many of their intervals are one time of listening."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertPlan:
    """Who is told of what, and in whose name."""

    rules: tuple[Rule, ...]
    voice: Voice
    ways: Callable[[], tuple[Way, ...]]
    """Reads the secrets of the ways; raises ConfigError where one cannot be had."""


def alert_plan(config: StationConfig, environ: Mapping[str, str] | None = None) -> AlertPlan | None:
    """What the alerts of ``config`` come to; None where it has none that could reach anybody."""
    environ = os.environ if environ is None else environ
    enabled = {name for name, way in config.ways.items() if way.enabled}
    alerts = {name: one for name, one in config.alerts.items() if one.enabled}
    if not alerts or not enabled:
        return None
    station = config.station
    return AlertPlan(
        rules=tuple(_rule(config, name, one, enabled) for name, one in alerts.items()),
        voice=Voice(
            station=station.name, title=station.title or station.name, zone=station.time_zone
        ),
        ways=_reader(config, environ),
    )


def _reader(config: StationConfig, environ: Mapping[str, str]) -> Callable[[], tuple[Way, ...]]:
    # Kept by a function, which shows nothing of it: the environment may have forgotten it by then.
    kept = {name: environ[name] for name in secrets_named(config) if name in environ}
    return lambda: ways_of(config, kept)


def _rule(config: StationConfig, name: str, alert: AlertTable, enabled: set[str]) -> Rule:
    hold_off_s = alert.hold_off_s
    if hold_off_s is None:
        hold_off_s = HOLD_OFF_S.get(alert.on, 0.0)
    is_silence = alert.on == "carrier absent"
    quiet = None
    if alert.quiet is not None and not alert.urgent:
        quiet = Quiet(text=alert.quiet, zone=config.station.time_zone)
    return Rule(
        name=name,
        watch=_watch(config, alert, silent_s=hold_off_s if is_silence else 0.0),
        policy=Policy(
            # Silence is counted while the job listens, by the watch itself.
            hold_off_s=0.0 if is_silence else hold_off_s,
            repeat_s=alert.repeat_s,
            quiet=quiet,
            all_clear=alert.all_clear,
            at_most=alert.at_most,
        ),
        to=tuple(way for way in alert.to or config.ways if way in enabled),
        urgent=alert.urgent,
        title=alert.title,
        text=alert.text,
        digest=_digest(alert),
    )


def _watch(config: StationConfig, alert: AlertTable, *, silent_s: float) -> Watch:
    gaps = {}
    for job in config.enabled_jobs:
        interval_s = longest_interval_s(config.schedule(job)) or 0.0
        gaps[job] = max(GAP_LEAST_S, GAP_INTERVALS * interval_s)
    return Watch(
        on=alert.on,
        words=frozenset(alert.what),
        jobs=frozenset(alert.job),
        sweepers=frozenset(alert.sweeper),
        channels=frozenset(alert.channel),
        verdicts=frozenset(alert.verdict),
        frequency_hz=alert.frequency_hz,
        within_hz=alert.within_hz,
        by_db=alert.by_db,
        over=alert.over,
        below_bytes=alert.below_bytes,
        silent_s=silent_s,
        gap_s=gaps,
        sweeper_of={name: job.sweeper for name, job in config.jobs.items()},
    )


def _digest(alert: AlertTable) -> str:
    """Of what it is on; how it is told may change and what was told still holds."""
    plain = alert.model_dump(mode="json", by_alias=True)
    kept = {"on": alert.on, **{key: plain[key] for key in FITTING[alert.on]}}
    return hashlib.sha256(json.dumps(kept, sort_keys=True).encode()).hexdigest()[:16]
