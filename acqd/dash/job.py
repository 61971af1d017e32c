"""All that is known of one job: what it said last, and its night sheet."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median
from typing import Any

from pydantic_core import to_json

from acqd.dash.figures import figures_of, level_of, marks_of, mask_of
from acqd.dash.judged import read_soak, read_verdict
from acqd.dash.reading import (
    NotUnderstood,
    TraceRead,
    is_level,
    moment,
    number,
    read_trace,
    text,
    whole,
)
from acqd.dash.sheet import UNHEARD, Sheet, grid_of, mask_of_words, rows_of

__all__ = ["HOURS_MOST", "PIECES", "PIECE_EVERY_S", "Job", "as_json"]

PIECES = ("channels", "occupancy", "verdict", "soak", "values", "summary")
"""What a viewer of the job is sent beside sheet and lines, each with a version."""

PIECE_EVERY_S = {"summary": 2.0, "soak": 2.0, "values": 2.0}
"""A piece is sent anew at most this often; those that are not named here twice a second."""

HOURS_MOST = 24
VALUES_MOST = 64
REPORTS_MOST = 8
BUSY_MOST = 32

PART_MOST_BYTES = 131_072
"""Of a kind's numbers that are handed on whole; larger ones are left out."""

KINDS = ("band", "emission", "transmission", "reflection", "carrier")

VERDICTS = ("pass", "fail", "cannot tell", "incomplete")


def as_json(value: Any) -> bytes:
    """UTF-8 JSON; a number that is not finite becomes null."""
    return to_json(value, inf_nan_mode="null")


@dataclass(slots=True)
class _Piece:
    version: int = 0
    raw: bytes = b"null"
    changed: bool = False
    at_s: float = -math.inf


@dataclass(slots=True)
class Job:
    """What one job said, newest only; times of the station's clock but for ``heard_s``."""

    name: str
    next_version: Callable[[], int]
    kind: str = ""
    sweeper: str = ""
    state: str = "unknown"
    reason: str = ""
    since_s: float | None = None
    coverage: float | None = None
    due: int = 0
    stored: int = 0
    last_seq: int = 0
    last_finding: int = 0
    at_s: float | None = None
    unit: str = ""
    plane: str = ""
    threshold: float | None = None
    floor: float | None = None
    figures: list[dict[str, Any]] = field(default_factory=list)
    marks: list[dict[str, Any]] = field(default_factory=list)
    channels: dict[str, dict[str, Any]] = field(default_factory=dict)
    hours: dict[float, dict[str, Any]] = field(default_factory=dict)
    verdict: dict[str, Any] | None = None
    soak: dict[str, Any] | None = None
    values: dict[str, float] = field(default_factory=dict)
    reports: dict[str, dict[str, Any]] = field(default_factory=dict)
    part: bytes = b"null"
    flagged: tuple[int, int] = (0, 0)
    """The last sweep whose summary came, and its flags: its trace comes after it."""
    trace: TraceRead | None = None
    sheet: Sheet | None = None
    problem: str = ""
    """Why there is no sheet, or what is doubtful of it."""
    past_wanted: bool = True
    """Whether the archive should still be asked for what was before."""
    rhythm: deque[float] = field(default_factory=lambda: deque(maxlen=9))
    pieces: dict[str, _Piece] = field(default_factory=lambda: {one: _Piece() for one in PIECES})

    # -- what it says -----------------------------------------------------------------------------

    def take_state(self, data: Mapping[str, Any]) -> None:
        """What the job is doing."""
        self.kind = text(data, "kind", 32)
        self.sweeper = text(data, "sweeper", 32)
        self.state = text(data, "state", 40)
        self.reason = text(data, "reason", 400)
        self.since_s = moment(data, "since_s")
        if self.state == "deaf" and self.sheet is not None and self.since_s is not None:
            self.sheet.unheard_since(self.since_s)
        self.coverage = number(data, "coverage")
        self.due, self.stored = whole(data, "due") or 0, whole(data, "stored") or 0
        self.last_seq = whole(data, "last_seq") or 0
        self.last_finding = whole(data, "last_finding") or 0

    def take_summary(self, data: Mapping[str, Any]) -> None:
        """The numbers of the newest sweep.

        Raises:
            NotUnderstood: without the part of its kind.
        """
        kind = text(data, "kind", 32)
        part = data.get(kind) if kind in KINDS else None
        if not isinstance(part, Mapping):
            raise NotUnderstood(f"a summary of kind {kind[:20]!r} without its part")
        self.kind, self.sweeper = kind, text(data, "sweeper", 32)
        self.unit = text(data, "unit", 16)
        self.plane = text(part, "plane", 120)
        self.last_seq = max(self.last_seq, whole(data, "seq") or 0)
        flags = mask_of_words(data.get("flags"))
        if str(part.get("not_listening") or "").startswith("deaf"):
            flags |= UNHEARD
        self.flagged = (whole(data, "seq") or 0, flags)
        self.coverage = number(part, "coverage")
        self.due = whole(part, "due") or self.due
        self.stored = whole(part, "stored") or self.stored
        self.threshold, _ = level_of(part, "threshold")
        self.floor, _ = level_of(part, "floor")
        self.figures = figures_of(kind, part)
        self.marks = marks_of(kind, part)
        raw = as_json(part)
        self.part = raw if len(raw) <= PART_MOST_BYTES else b"null"
        self._changed("summary")
        soak = data.get("soak")
        if isinstance(soak, Mapping) or self.soak is not None:
            self.soak = read_soak(soak) if isinstance(soak, Mapping) else None
            self._changed("soak")

    def take_channel(self, key: str, data: Mapping[str, Any]) -> None:
        """Whether a channel is busy."""
        state = text(data, "state", 16)
        if state not in ("busy", "free", "unknown"):
            raise NotUnderstood(f"a channel that is {state!r}")
        self.channels[key] = {
            "channel": key,
            "name": text(data, "name", 64) or key,
            "state": state,
            "since_s": moment(data, "since_s"),
            "last_heard_s": moment(data, "last_heard_s"),
            "level": number(data, "level"),
            "unit": text(data, "unit", 16),
        }
        self._changed("channels")

    def forget_channel(self, key: str) -> None:
        if self.channels.pop(key, None) is not None:
            self._changed("channels")

    def take_occupancy(self, data: Mapping[str, Any]) -> None:
        """One hour; at most 24 are kept."""
        start_s, end_s = moment(data, "hour_start_s"), moment(data, "hour_end_s")
        if start_s is None or end_s is None or not start_s < end_s:
            raise NotUnderstood("occupancy without its hour")
        rows = data.get("channels")
        rows = rows[:512] if isinstance(rows, list) else []
        channels = {
            row["channel"]: (
                text(row, "name", 64),
                *(number(row, one) for one in ("fco", "fco_low", "fco_high")),
            )
            for row in rows
            if isinstance(row, Mapping) and is_level(row.get("channel"))
        }
        self.hours[start_s] = {
            "start_s": start_s,
            "end_s": end_s,
            "coverage": number(data, "coverage"),
            "due": whole(data, "due"),
            "stored": whole(data, "stored"),
            "fbo": number(data, "fbo"),
            "sro": number(data, "sro"),
            "confidence": number(data, "confidence"),
            "channels": channels,
        }
        while len(self.hours) > HOURS_MOST:
            del self.hours[min(self.hours)]
        self._changed("occupancy")

    def take_verdict(self, data: Mapping[str, Any]) -> None:
        """What a soak or a pass came to."""
        if text(data, "verdict", 16) not in VERDICTS:
            raise NotUnderstood("a verdict that is none")
        self.verdict = read_verdict(data)
        self._changed("verdict")

    def forget_verdict(self) -> None:
        self.verdict = None
        self._changed("verdict")

    def take_value(self, figure: str, payload: bytes) -> None:
        """One bare number; an empty payload takes it away."""
        if not payload:
            self.values.pop(figure, None)
        else:
            try:
                value = float(payload[:40])
            except ValueError:
                raise NotUnderstood("a value that is no number") from None
            if not math.isfinite(value):
                raise NotUnderstood("a value that is not finite")
            if figure not in self.values and len(self.values) >= VALUES_MOST:
                raise NotUnderstood(f"more than {VALUES_MOST} values")
            self.values[figure] = value
        self._changed("values")

    def take_report(self, data: Mapping[str, Any], url: str | None) -> None:
        """A report that was made; the newest eight are kept."""
        file = text(data, "file", 300)
        at_s = moment(data, "at_s")
        if not file or at_s is None:
            raise NotUnderstood("a report without file or time")
        self.reports[file] = {
            "job": self.name,
            "title": text(data, "title", 200),
            "headline": text(data, "headline", 400),
            "at_s": at_s,
            "from_s": moment(data, "from_s"),
            "to_s": moment(data, "to_s"),
            "file": file,
            "bytes": whole(data, "bytes"),
            "url": url,
        }
        while len(self.reports) > REPORTS_MOST:
            oldest = min(self.reports, key=lambda one: float(self.reports[one]["at_s"]))
            del self.reports[oldest]

    def take_trace(self, data: Mapping[str, Any], now_s: float, *, may_grow: bool) -> None:
        """A sweep: the newest line, and a column of the sheet.

        ``may_grow``: whether there is room for one more sheet.

        Raises:
            NotUnderstood: as :func:`read_trace`.
        """
        self.trace = trace = read_trace(data)
        self.at_s, self.last_seq = trace.at_s, max(self.last_seq, trace.seq)
        if not self.rhythm or trace.at_s > self.rhythm[-1]:
            self.rhythm.append(trace.at_s)
        elif trace.at_s < self.rhythm[-1] - 1.0:
            self.rhythm.clear()
        if not self.make_sheet(trace, may_grow=may_grow):
            return
        assert self.sheet is not None
        seq, flags = self.flagged
        self.sheet.add_live(trace, now_s, flags if seq == trace.seq else 0)
        ahead_s = trace.at_s - now_s
        self.problem = ""
        if abs(ahead_s) > 60.0:
            way = "ahead of" if ahead_s > 0 else "behind"
            self.problem = f"the station's clock is {abs(ahead_s):.0f} s {way} this machine's"

    def make_sheet(self, trace: TraceRead, *, may_grow: bool) -> bool:
        """See to a sheet that fits ``trace``; False where it is not to be drawn.

        An emission check looks here and there: its newest look is shown. Of any other kind the
        sweeps of the lowest step are, and a new grid begins a new sheet.
        """
        sheet, grid = self.sheet, grid_of(trace)
        if sheet is not None and self.kind != "emission" and trace.step > sheet.step:
            return False
        if sheet is not None and sheet.grid == grid and sheet.step == trace.step:
            return True
        if sheet is None and not may_grow:
            self.problem = "too many jobs with sweeps: no sheet for this one"
            return False
        self.sheet = Sheet(grid, trace.step, rows_of(trace, grid.rows), self.next_version)
        self.past_wanted = True
        return True

    # -- what is shown ----------------------------------------------------------------------------

    @property
    def every_s(self) -> float | None:
        """Usual time between sweeps."""
        if len(self.rhythm) < 2:
            return None
        return round(median(after - at for at, after in pairwise(self.rhythm)), 3)

    @property
    def curve(self) -> dict[str, Any] | None:
        """What the job measured over frequency in the newest sweep, as its station told it."""
        curve = None if self.trace is None else self.trace.curve
        if curve is None:
            return None
        return {
            "what": curve.figure,
            "unit": curve.unit,
            "frequency_hz": curve.frequency_hz.tolist(),
            "value": curve.values.tolist(),
        }

    @property
    def mask(self) -> list[dict[str, Any]]:
        """The limits on that curve, with what was judged of each last."""
        curve = None if self.trace is None else self.trace.curve
        return [] if curve is None else mask_of(curve, self.verdict)

    def shown(self) -> dict[str, Any]:
        """The job's row of the slow state."""
        busy = [one["name"] for one in self.channels.values() if one["state"] == "busy"]
        return {
            "job": self.name,
            "kind": self.kind,
            "sweeper": self.sweeper,
            "state": self.state,
            "reason": self.reason,
            "since_s": self.since_s,
            "coverage": self.coverage,
            "due": self.due,
            "stored": self.stored,
            "last_seq": self.last_seq,
            "last_finding": self.last_finding,
            "at_s": self.at_s,
            "every_s": self.every_s,
            "has_sheet": self.sheet is not None,
            "figures": self.figures[:4],
            "busy": busy[:BUSY_MOST],
            "channels": len(self.channels),
            "verdict": _short(self.verdict, ("verdict", "of", "text", "at_s")),
            "soak": _short(
                self.soak,
                ("label", "state", "started_s", "ends_s", "elapsed_s", "left_s", "verdict"),
            ),
        }

    def detail(self, have: Mapping[str, Any], now_s: float) -> dict[str, tuple[int, bytes]]:
        """Pieces whose version is not the viewer's, with their JSON."""
        out = {}
        for name, piece in self.pieces.items():
            every_s = PIECE_EVERY_S.get(name, 0.5)
            if piece.changed and not 0.0 <= now_s - piece.at_s < every_s:
                piece.changed, piece.at_s = False, now_s
                piece.version = self.next_version()
                piece.raw = self._raw(name)
            if piece.version and have.get(name) != piece.version:
                out[name] = (piece.version, piece.raw)
        return out

    def whole(self) -> dict[str, Any]:
        """All pieces, as they are now."""
        return {name: self._plain(name) for name in PIECES if name != "summary"}

    def _changed(self, piece: str) -> None:
        self.pieces[piece].changed = True

    def _raw(self, piece: str) -> bytes:
        return self.part if piece == "summary" else as_json(self._plain(piece))

    def _plain(self, piece: str) -> Any:
        match piece:
            case "channels":
                return sorted(self.channels.values(), key=lambda one: _natural(one["name"]))
            case "occupancy":
                return self._occupancy()
            case "verdict":
                return self.verdict
            case "soak":
                return self.soak
        return self.values

    def _occupancy(self) -> dict[str, Any] | None:
        if not self.hours:
            return None
        hours = [self.hours[start_s] for start_s in sorted(self.hours)]
        names: dict[str, str] = {}
        for hour in hours:
            names |= {key: row[0] for key, row in hour["channels"].items()}
        nothing = ("", None, None, None)
        return {
            "channels": list(names),
            "names": list(names.values()),
            "confidence": hours[-1]["confidence"],
            "hours": [
                {key: value for key, value in hour.items() if key not in ("channels", "confidence")}
                | {
                    column: [hour["channels"].get(key, nothing)[place] for key in names]
                    for place, column in enumerate(("fco", "low", "high"), start=1)
                }
                for hour in hours
            ],
        }


def _short(whole: Mapping[str, Any] | None, keys: tuple[str, ...]) -> dict[str, Any] | None:
    return None if whole is None else {key: whole.get(key) for key in keys}


def _natural(name: str) -> tuple[int, str]:
    """Channel 6 before channel 16."""
    digits = name[: len(name) - len(name.lstrip("0123456789"))]
    return (int(digits[:9]) if digits.isascii() and digits else 1 << 31, name)
