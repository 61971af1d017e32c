"""What a sweeper says about itself when it is asked: settings it has, and their limits.

SCPI lets MIN and MAX stand in a query: ``SWE:POIN? MAX`` answers with the limit. Many sweepers do
not answer that, and a query that is not known is answered by silence. So all this has a budget of
time, and what stays unknown is assumed and marked.
"""

from __future__ import annotations

import math
import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from acqd.errors import ProtocolViolation
from acqd.sweep import Capabilities, Detector
from acqd_scpi.client import ScpiClient
from acqd_scpi.dialect import Dialect
from acqd_scpi.parser import number
from acqd_scpi.settings import AUTO_HEADERS, HEADERS

__all__ = ["Surveyed", "survey"]

BUDGET_S: Final = 8.0
"""All silences together. After it nothing optional is asked any more."""

ASSUMED_START_HZ: Final = 0.0
ASSUMED_STOP_HZ: Final = 3e9
ASSUMED_POINTS_MAX: Final = 401
ASSUMED_LEVEL_ACCURACY_DB: Final = 3.0
"""Wide on purpose: portable sweepers state 1 to 2 dB at room temperature (from memory)."""
ASSUMED_FREQUENCY_ACCURACY_PPM: Final = 20.0
"""An uncompensated crystal over temperature and age (from memory)."""

ATTENUATORS: Final = ("INP:ATT", "POW:ATT")


@dataclass(frozen=True, slots=True, kw_only=True)
class Surveyed:
    """The answers. ``known`` and ``autos`` map settings to headers."""

    capabilities: Capabilities
    known: Mapping[str, str]
    autos: Mapping[str, str]


class _Asker:
    """Optional queries within the budget."""

    def __init__(self, client: ScpiClient, dialect: Dialect) -> None:
        self._client = client
        self._dialect = dialect
        self._silent_s = 0.0

    def ask(self, query: str) -> str | None:
        if not self._dialect.errors or self._silent_s > BUDGET_S:
            # Without an error queue a silence cannot be told from a slow answer.
            return None
        begun_s = time.monotonic()
        answer = self._client.maybe_query(query, timeout_s=self._dialect.ask_timeout_s)
        if answer is None:
            self._silent_s += time.monotonic() - begun_s
        return answer

    def number(self, query: str) -> float | None:
        text = self.ask(query)
        if text is None:
            return None
        try:
            return number(text)
        except ProtocolViolation:
            return None


def survey(client: ScpiClient, dialect: Dialect, *, checks_errors: bool) -> Surveyed:
    """Ask the sweeper what it has.

    ``checks_errors`` says whether its error queue can be believed.
    """
    asker = _Asker(client, dialect)
    known = _known(asker, dialect)
    assumed = ["level_accuracy_db", "frequency_accuracy_ppm"]

    def limit(name: str, query: str, default: float) -> float:
        stated = getattr(dialect, name)
        value = asker.number(query) if stated is None else stated
        if value is None or not math.isfinite(value):
            assumed.append(name)
            return default
        return float(value)

    start_hz = max(0.0, limit("start_hz", "FREQ:STAR? MIN", ASSUMED_START_HZ))
    stop_hz = limit("stop_hz", "FREQ:STOP? MAX", ASSUMED_STOP_HZ)
    points_min = max(1, round(limit("points_min", "SWE:POIN? MIN", 2)))
    points_max = round(limit("points_max", "SWE:POIN? MAX", ASSUMED_POINTS_MAX))
    detectors = _detectors(client, dialect, known) if checks_errors else None
    if detectors is None:
        assumed.append("detectors")
    low_dbm, high_dbm = _source_levels(asker, dialect)
    capabilities = Capabilities(
        start_hz=start_hz,
        stop_hz=max(start_hz, stop_hz),
        points_min=points_min,
        points_max=max(points_min, points_max),
        points_allowed=dialect.points_allowed,
        rbw_steps_hz=dialect.rbw_steps_hz,
        rbw_min_hz=asker.number("BAND? MIN") if "rbw_hz" in known else None,
        rbw_max_hz=asker.number("BAND? MAX") if "rbw_hz" in known else None,
        detectors=tuple(dialect.detectors) if detectors is None else detectors,
        attenuation_steps_db=dialect.attenuation_steps_db,
        averages_max=_averages_max(asker, known),
        unit=dialect.unit,
        level_accuracy_db=ASSUMED_LEVEL_ACCURACY_DB,
        frequency_accuracy_ppm=ASSUMED_FREQUENCY_ACCURACY_PPM,
        source=dialect.source == "yes" or (dialect.source == "auto" and high_dbm is not None),
        source_min_dbm=low_dbm,
        source_max_dbm=high_dbm,
        assumed=tuple(assumed),
    )
    return Surveyed(capabilities=capabilities, known=known, autos=_autos(asker, known))


def _known(asker: _Asker, dialect: Dialect) -> dict[str, str]:
    known = {}
    for name, head in HEADERS.items():
        for candidate in _variants(name, head, dialect):
            if dialect.settings is not None:
                if name in dialect.settings:
                    known[name] = candidate
                break
            if asker.ask(f"{candidate}?") is not None:
                known[name] = candidate
                break
    return known


def _variants(name: str, head: str, dialect: Dialect) -> tuple[str, ...]:
    if name != "attenuation_db":
        return (head,)
    if dialect.attenuation == "none":
        return ()
    return ATTENUATORS if dialect.attenuation == "auto" else (dialect.attenuation,)


def _autos(asker: _Asker, known: Mapping[str, str]) -> dict[str, str]:
    heads = dict(AUTO_HEADERS)
    if "attenuation_db" in known:
        heads["attenuation_db"] = f"{known['attenuation_db']}:AUTO"
    return {
        name: head
        for name, head in heads.items()
        if name in known and asker.ask(f"{head}?") is not None
    }


def _detectors(
    client: ScpiClient, dialect: Dialect, known: Mapping[str, str]
) -> tuple[Detector, ...]:
    """The detectors that it takes: no query lists them, so each is set once."""
    if "detector" not in known:
        return ()
    head = known["detector"]
    before = client.query(f"{head}?")
    taken = []
    for detector, name in dialect.detectors.items():
        client.write(f"{head} {name}")
        if not client.drain_errors():
            taken.append(detector)
    client.write(f"{head} {before}")
    client.drain_errors()
    return tuple(taken)


def _averages_max(asker: _Asker, known: Mapping[str, str]) -> int:
    if "averages" not in known or asker.ask("AVER?") is None:
        return 1
    most = asker.number("AVER:COUN? MAX")
    return 1 if most is None else max(1, round(min(most, 1e6)))


def _source_levels(asker: _Asker, dialect: Dialect) -> tuple[float | None, float | None]:
    """Least and greatest level of the source. Knowing the greatest is how a source is recognised:
    models without one may answer the bare queries all the same."""
    if dialect.source == "no" or asker.ask("OUTP?") is None:
        return None, None
    high_dbm = asker.number("SOUR:POW? MAX")
    return (None if high_dbm is None else asker.number("SOUR:POW? MIN")), high_dbm
