"""The settings of a sweeper: which it has, what they are, and changing only what must change.

What the sweeper was last told is remembered. A setting is sent only where it differs, everything is
read back after a change, and what was read back is what the sweep reports.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from acqd.errors import ProtocolViolation, RequestRefused, SweeperReported
from acqd.sweep import Detector, Reported, SweepRequest
from acqd_scpi.client import ScpiClient
from acqd_scpi.dialect import Dialect
from acqd_scpi.parser import number

__all__ = ["AUTO_HEADERS", "HEADERS", "Settings", "Span"]

HEADERS: Final[Mapping[str, str]] = {
    "rbw_hz": "BAND",
    "vbw_hz": "BAND:VID",
    "detector": "DET",
    "attenuation_db": "INP:ATT",
    "reference_level_dbm": "DISP:TRAC:Y:RLEV",
    "averages": "AVER:COUN",
    "sweep_time_s": "SWE:TIME",
}
"""Short forms without optional nodes: what the widest range of sweepers takes. The order is the
order of sending: filters before the sweep time, which depends on them."""

AUTO_HEADERS: Final[Mapping[str, str]] = {
    "rbw_hz": "BAND:AUTO",
    "vbw_hz": "BAND:VID:AUTO",
    "sweep_time_s": "SWE:TIME:AUTO",
}
"""How a setting is left to the sweeper. The attenuator's is its own header and :AUTO."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Start, stop and points as the sweeper reads them back."""

    start_hz: float
    stop_hz: float
    points: int


class Settings:
    """Applies requests.

    Args:
        client: the conversation.
        dialect: the sweeper's.
        known: which of :data:`HEADERS` it answers to, by name of the setting, with their headers.
        autos: headers of the settings that it can choose by itself.
        checks_errors: whether the error queue can be believed.
    """

    def __init__(
        self,
        client: ScpiClient,
        dialect: Dialect,
        *,
        known: Mapping[str, str],
        autos: Mapping[str, str],
        checks_errors: bool,
    ) -> None:
        self._checks_errors = checks_errors
        self._client = client
        self._dialect = dialect
        self._known = known
        self._autos = autos
        self._told: dict[str, str] = {}
        self._span: Span | None = None
        self._reported = Reported()

    @property
    def reported(self) -> Reported:
        """As read back after the last change."""
        return self._reported

    def forget(self) -> None:
        """The sweeper may have any settings now: the next request is applied whole."""
        self._told.clear()
        self._span = None

    def apply(self, request: SweepRequest) -> tuple[Span, bool]:
        """Bring the sweeper to ``request``; the span read back, and whether anything changed.

        Raises:
            RequestRefused: it has no such setting, or another number of points.
            SweeperReported: it refused one.
        """
        wanted = self._wanted(request)
        changes = {head: value for head, value in wanted.items() if self._told.get(head) != value}
        for name, auto in self._autos.items():
            head = self._known[name]
            if auto in changes and head in wanted:
                # While it was automatic the sweeper may have moved it.
                changes[head] = wanted[head]
        if not changes and self._span is not None:
            return self._span, False
        if {"FREQ:STAR", "FREQ:STOP"} & changes.keys():
            # They are coupled: moving one past the other moves the other too.
            for head in ("FREQ:STAR", "FREQ:STOP"):
                changes[head] = wanted[head]
        # What was told counts again only when all of it is done.
        told, self._told = self._told, {}
        for head, value in wanted.items():
            if head in changes:
                self._client.write(f"{head} {value}")
        if self._checks_errors and (errors := self._client.drain_errors()):
            raise SweeperReported(errors)
        self._span = self._read_span(request)
        self._reported = self._read_back()
        self._told = {**told, **changes}
        return self._span, True

    def _wanted(self, request: SweepRequest) -> dict[str, str]:
        """Header and value of everything that ``request`` asks for, in the order of sending."""
        wanted = {
            "FREQ:STAR": _plain(request.start_hz),
            "FREQ:STOP": _plain(request.stop_hz),
            "SWE:POIN": str(request.points),
        }
        for name in HEADERS:
            value = getattr(request, name)
            if value is None:
                if name in self._autos:
                    wanted[self._autos[name]] = "1"
                continue
            if name not in self._known:
                if name == "averages" and value == 1:
                    continue
                raise RequestRefused(setting=name, asked=f"{value}", limit="no such setting")
            if name in self._autos:
                wanted[self._autos[name]] = "0"
            if name == "averages":
                wanted["AVER"] = "1" if value > 1 else "0"
            wanted[self._known[name]] = self._text(name, value)
        return wanted

    def _text(self, name: str, value: float | Detector) -> str:
        if isinstance(value, Detector):
            return self._dialect.detectors[value]
        return str(value) if name == "averages" else _plain(value)

    def _read_span(self, request: SweepRequest) -> Span:
        span = Span(
            start_hz=self._client.query_number("FREQ:STAR?"),
            stop_hz=self._client.query_number("FREQ:STOP?"),
            points=round(self._client.query_number("SWE:POIN?")),
        )
        if span.points != request.points:
            raise RequestRefused(
                setting="points", asked=f"{request.points}", limit=f"{span.points} (what it took)"
            )
        return span

    def _read_back(self) -> Reported:
        found: dict[str, Any] = {}
        for name, head in self._known.items():
            text = self._client.query(f"{head}?")
            if name == "detector":
                found[name] = self._detector(text)
            elif name == "averages":
                found[name] = max(1, round(number(text)))
            else:
                found[name] = number(text)
        if "averages" in found and number(self._client.query("AVER?")) == 0:
            found["averages"] = 1
        return Reported(**found)

    def _detector(self, text: str) -> Detector | None:
        """The detector of that name; a sweeper may answer in the long form."""
        word = text.strip().strip('"').upper()
        for detector, name in self._dialect.detectors.items():
            if word and (word.startswith(name.upper()) or name.upper().startswith(word)):
                return detector
        if not word:
            raise ProtocolViolation(expected="the name of a detector", got=text)
        return None


def _plain(value: float) -> str:
    """A decimal number without suffix: M means milli in SCPI, but mega before HZ."""
    return repr(float(value)).upper().removesuffix(".0")
