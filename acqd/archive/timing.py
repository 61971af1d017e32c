"""Clocks that were wrong: corrections of time per boot, applied on reading.

A correction is an overlay of kind ``time``. It belongs to one boot, whose monotonic seconds never
step, and says piece by piece what true time was: true = monotonic + offset. It is made by the
station, when a clock that was not kept becomes synchronised and shows how far it was off
(:mod:`acqd.archive.clocklog`), or from a person's word. Nothing on the disk changes: files keep
the times, the days and the names that they were written with.

Where several corrections cover a moment of a boot the one that was made last holds; it is whole in
itself and adds nothing to those before it. Undone, it leaves what held before.

What goes by it: sweeps, with their due times and hops, by boot and monotonic time; gaps, findings
and hourly figures, which have no monotonic time, by the place of their commit among the events of
the archive and the time that the clock showed. An hour is moved whole and keeps the sixty minutes
that it was made of, so one that the wrong clock turned at its full hour no longer begins at one. A
sweeper's own clock is its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from acqd.archive.ledger import Overlay
from acqd.archive.records import FindingRecord, GapRecord, HourlyRecord, SweepRecord
from acqd.errors import ArchiveDamaged
from acqd.plan.downtime import SET_RIGHT

__all__ = [
    "BY_STATION",
    "BY_WORD",
    "KIND",
    "Corrected",
    "TimeCorrection",
    "TimeCorrections",
    "TimePiece",
    "correction_of",
    "correction_text",
    "shift_text",
]

T = TypeVar("T")

KIND = "time"

BY_STATION, BY_WORD = "synchronised", "said"
"""How a correction came about: the clock became synchronised, or a person said so."""

SLACK_S = 1.0
"""So far beyond a piece, as the clock showed it, what was committed in it may say that it was."""

HOUR_S = 3600.0

NEAR_S = 0.5
"""So far from what the clock showed in a piece a sweep's own reading is still one of it."""

EVENT_MOST = 1 << 62
"""Above every ordinal."""

SPANS_MOST = 100
"""Spans that one question is asked in; a station that was wrong at every start has one a boot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimePiece:
    """A stretch of a boot in which the clock was not set: the clock showed monotonic + ``was_s``,
    the truth was monotonic + ``offset_s``.

    It holds its begin and not its end; None leaves an end open. What was committed meanwhile has
    ordinals from ``first_event`` to ``last_event``, both included.
    """

    from_monotonic_s: float | None
    to_monotonic_s: float | None
    was_s: float
    offset_s: float
    first_event: int
    last_event: int

    @property
    def shift_s(self) -> float:
        """By how much the clock was behind; what is to be added to what it showed."""
        return self.offset_s - self.was_s

    @property
    def low_s(self) -> float:
        return -math.inf if self.from_monotonic_s is None else self.from_monotonic_s

    @property
    def high_s(self) -> float:
        return math.inf if self.to_monotonic_s is None else self.to_monotonic_s

    @property
    def shown_s(self) -> tuple[float, float]:
        """What the clock showed at its begin and end."""
        return self.low_s + self.was_s, self.high_s + self.was_s

    @property
    def true_s(self) -> tuple[float, float]:
        """When it began and ended."""
        return self.low_s + self.offset_s, self.high_s + self.offset_s

    def shifts(self, shows_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """What is to be added to times at which the clock showed monotonic + ``shows_s``.

        Near to ``was_s``, as the two are not read at once, that is the shift. Else the clock was
        set just before, and it was seen a moment later: it is what leads to the truth.
        """
        is_near = np.abs(shows_s - self.was_s) < NEAR_S
        return np.where(is_near, self.shift_s, self.offset_s - shows_s)

    def to_json(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeCorrection:
    """One correction as it is kept. ``how`` is :data:`BY_STATION` or :data:`BY_WORD`."""

    number: int
    boot: str
    pieces: tuple[TimePiece, ...]
    uncertainty_s: float
    how: str
    reason: str
    who: str
    at_s: float

    @property
    def shift_s(self) -> float:
        """The largest shift of its pieces."""
        return max((piece.shift_s for piece in self.pieces), key=abs, default=0.0)

    def to_body(self) -> dict[str, Any]:
        """Plain JSON data for an overlay; :func:`correction_of` reads it back."""
        return {
            "boot": self.boot,
            "pieces": [piece.to_json() for piece in self.pieces],
            "uncertainty_s": self.uncertainty_s,
            "how": self.how,
            "reason": self.reason,
        }

    @property
    def span_s(self) -> tuple[float | None, float | None]:
        """From when to when, in true time, it says something; None where that is open."""
        low_s = min((piece.true_s[0] for piece in self.pieces), default=-math.inf)
        high_s = max((piece.true_s[1] for piece in self.pieces), default=math.inf)
        return (low_s if math.isfinite(low_s) else None, high_s if math.isfinite(high_s) else None)


def correction_of(overlay: Overlay) -> TimeCorrection:
    """The correction of an overlay of kind ``time``.

    Raises:
        ArchiveDamaged: it was not written by this acqd.
    """
    body = overlay.body
    try:
        return TimeCorrection(
            number=overlay.id,
            boot=str(body["boot"]),
            pieces=tuple(_piece(one) for one in body["pieces"]),
            uncertainty_s=_finite(body["uncertainty_s"]),
            how=str(body["how"]),
            reason=str(body.get("reason", "")),
            who=overlay.who,
            at_s=overlay.at_s,
        )
    except (KeyError, TypeError, ValueError) as exc:
        raise ArchiveDamaged(
            f"time correction {overlay.id} cannot be read: {exc!r}; undo it (acqd clock undo "
            f"{overlay.id}), or read the archive as it was recorded (amended=False)"
        ) from exc


def _piece(data: Mapping[str, Any]) -> TimePiece:
    low, high = data["from_monotonic_s"], data["to_monotonic_s"]
    made = TimePiece(
        from_monotonic_s=None if low is None else _finite(low),
        to_monotonic_s=None if high is None else _finite(high),
        was_s=_finite(data["was_s"]),
        offset_s=_finite(data["offset_s"]),
        first_event=int(data["first_event"]),
        last_event=int(data["last_event"]),
    )
    if made.high_s <= made.low_s:
        raise ValueError("a piece that ends before it begins")
    return made


def _finite(value: Any) -> float:
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(f"{value!r} is no number of seconds")
    return number


def _joined(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Spans in order, those that touch taken together."""
    found: list[tuple[float, float]] = []
    for low_s, high_s in sorted(spans):
        if found and low_s <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], high_s))
        else:
            found.append((low_s, high_s))
    return found


def shift_text(seconds: float) -> str:
    """By how much a clock was off: ``2.5 s``, ``8 h 12 min``, ``20,786 days``."""
    off_s = abs(seconds)
    if off_s < 120.0:
        return f"{off_s:.1f} s"
    minutes = round(off_s / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60} min"
    return f"{round(off_s / 86400.0):,} days"


def correction_text(one: TimeCorrection) -> str:
    """All of a correction in a line, with its times in UTC, for files and programs."""
    way = "behind" if one.shift_s > 0 else "ahead"
    low_s, high_s = one.span_s
    begin = "the boot" if low_s is None else _utc(low_s)
    end = "its end" if high_s is None else _utc(high_s)
    because = f", because: {one.reason}" if one.reason else ""
    by = "the clock became synchronised" if one.how == BY_STATION else f"{one.who} said so"
    return (
        f"correction {one.number} of {_utc(one.at_s)}: the clock of boot {one.boot[:8]} was "
        f"{shift_text(one.shift_s)} {way}, from {begin} to {end} ({by}; good for "
        f"±{one.uncertainty_s:.3g} s{because})"
    )


def _utc(at_s: float) -> str:
    try:
        return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="seconds")[:-6] + "Z"
    except (OverflowError, ValueError, OSError):
        return f"{at_s:.0f} s"


@dataclass(frozen=True, slots=True)
class _Span:
    """Pieces of a correction that follow each other with one shift, and the sleep between them: by
    which what has no monotonic time is moved. ``began_s`` is when it truly began."""

    low_s: float
    high_s: float
    shift_s: float
    first_event: int
    last_event: int

    @property
    def began_s(self) -> float:
        return self.low_s + self.shift_s

    @classmethod
    def of(cls, piece: TimePiece) -> _Span:
        low_s, high_s = piece.shown_s
        return cls(low_s, high_s, piece.shift_s, piece.first_event, piece.last_event)


def _spans_of(one: TimeCorrection) -> list[_Span]:
    found: list[_Span] = []
    for piece in one.pieces:
        span, last = _Span.of(piece), found[-1] if found else None
        if last is not None and abs(last.shift_s - span.shift_s) < SLACK_S:
            found[-1] = replace(last, high_s=span.high_s, last_event=span.last_event)
        else:
            found.append(span)
    return found


@dataclass(frozen=True, slots=True)
class Corrected:
    """What is to be added to the times of sweeps, (sweeps,), and the number of the correction that
    says so; 0 for none."""

    shift_s: NDArray[np.float64]
    number: NDArray[np.int32]


class TimeCorrections:
    """The corrections of an archive that stand. Can be pickled; asks no archive."""

    def __init__(self, made: Iterable[TimeCorrection]) -> None:
        self.made = tuple(sorted(made, key=lambda one: one.number))
        self._pieces = tuple((one, piece) for one in self.made for piece in one.pieces)
        self._spans = tuple(span for one in self.made for span in _spans_of(one))

    @classmethod
    def among(cls, overlays: Iterable[Overlay]) -> TimeCorrections:
        """Those among overlays, all of which stand.

        Raises:
            ArchiveDamaged: one was not written by this acqd.
        """
        return cls(correction_of(one) for one in overlays if one.kind == KIND)

    def __bool__(self) -> bool:
        return bool(self.made)

    def named(self, numbers: Iterable[int]) -> tuple[TimeCorrection, ...]:
        wanted = set(numbers)
        return tuple(one for one in self.made if one.number in wanted)

    # -- where to look ---------------------------------------------------------------------------

    def shown_spans(self, start_s: float, stop_s: float) -> list[tuple[float, float]]:
        """Spans of the time that clocks showed which can hold what truly was in [start, stop).

        The range itself is among them: what no correction is about lies there. Many are taken
        together to fewer, which hold more.
        """
        found = [(start_s, stop_s)]
        for _, piece in self._pieces:
            shown_low_s, shown_high_s = piece.shown_s
            low_s = max(start_s - piece.shift_s, shown_low_s) - SLACK_S
            high_s = min(stop_s - piece.shift_s, shown_high_s) + SLACK_S
            if low_s < high_s:
                found.append((low_s, high_s))
        joined = _joined(found)
        return joined if len(joined) <= SPANS_MOST else [(joined[0][0], joined[-1][1])]

    def true_spans(self, low_s: float, high_s: float) -> list[tuple[float, float]]:
        """Spans of true time that may have been shown as [low, high) by a corrected clock."""
        found = []
        for _, piece in self._pieces:
            shown_low_s, shown_high_s = piece.shown_s
            begin_s, end_s = max(low_s, shown_low_s), min(high_s, shown_high_s)
            if begin_s < end_s:
                found.append((begin_s + piece.shift_s, end_s + piece.shift_s))
        return found

    # -- sweeps ----------------------------------------------------------------------------------

    def of_sweeps(
        self, boot: NDArray[Any], monotonic_s: NDArray[np.float64], time_s: NDArray[np.float64]
    ) -> Corrected | None:
        """What is to be added to the times of sweeps; None where no correction is about any.

        ``boot``, ``monotonic_s`` and ``time_s`` (as the clock showed it) are (sweeps,).
        """
        here = {str(one) for one in np.unique(boot.astype(str))} if boot.size else set()
        mine = [(one, piece) for one, piece in self._pieces if one.boot in here]
        if not mine:
            return None
        shift_s, number = np.zeros(time_s.size), np.zeros(time_s.size, dtype=np.int32)
        for one, piece in mine:
            mask = (boot == one.boot) & (monotonic_s >= piece.low_s)
            mask &= monotonic_s < piece.high_s
            shift_s[mask] = piece.shifts(time_s[mask] - monotonic_s[mask])
            number[mask] = one.number
        return Corrected(shift_s, number) if number.any() else None

    def sweep(self, record: SweepRecord) -> SweepRecord:
        """A sweep in true time, with its due time and its hops."""
        for one, piece in reversed(self._pieces):
            if one.boot == record.boot_id and piece.low_s <= record.monotonic_s < piece.high_s:
                shows_s = np.array([record.started_s - record.monotonic_s])
                shift_s = float(piece.shifts(shows_s)[0])
                return replace(
                    record,
                    started_s=record.started_s + shift_s,
                    due_s=record.due_s + shift_s,
                    hops=tuple(
                        replace(hop, started_s=hop.started_s + shift_s) for hop in record.hops
                    ),
                )
        return record

    # -- what has no monotonic time ---------------------------------------------------------------

    def _span_at(self, event: int, shown_s: float, lasted_s: float = 0.0) -> _Span | None:
        for span in reversed(self._spans):
            if (
                span.first_event <= event <= span.last_event
                and span.low_s - SLACK_S - lasted_s <= shown_s <= span.high_s + SLACK_S
            ):
                return span
        return None

    def record(self, event: int, record: T, start_s: float, stop_s: float) -> T | None:
        """A gap, a finding or an hour that was committed with an ordinal, in true time; None where
        that does not begin in [start, stop), or it turns out that there was no such gap."""
        made: Any
        if isinstance(record, GapRecord):
            made = self.gap(event, record)
            at_s = math.nan if made is None else made.from_s
        elif isinstance(record, FindingRecord):
            made = self.finding(event, record)
            at_s = made.at_s
        else:
            assert isinstance(record, HourlyRecord)
            made = self.hourly(event, record)
            at_s = made.hour_start_s
        return made if start_s <= at_s < stop_s else None

    def shift_at(self, event: int, shown_s: float, *, lasted_s: float = 0.0) -> float:
        """What is to be added to a time that was committed with an ordinal; of something that
        lasted, where any of that is of a clock that was wrong."""
        span = self._span_at(event, shown_s, lasted_s)
        return 0.0 if span is None else span.shift_s

    def gap(self, event: int, record: GapRecord) -> GapRecord | None:
        """A gap in true time; None where it turns out that there was none.

        One that reaches back to before the clock was wrong (the time in which the station was down)
        keeps its begin. Where the clock was ahead it ends when that truly began, and its count with
        it; where the clock was behind, the station has accounted for the rest by itself.
        """
        if record.detail.startswith(SET_RIGHT):
            return record
        span = self._span_at(event, record.from_s)
        if span is not None:
            shift_s = span.shift_s
            return replace(record, from_s=record.from_s + shift_s, to_s=record.to_s + shift_s)
        began_s = self._began_before(event, record)
        if began_s is None or began_s >= record.to_s:
            return record
        if began_s < record.from_s:
            return None
        lasted_s = record.to_s - record.from_s
        part = (began_s - record.from_s) / lasted_s
        count = 1 + math.floor((record.count - 1) * part)
        return replace(record, to_s=began_s, count=count)

    def _began_before(self, event: int, record: GapRecord) -> float | None:
        """When a clock that was ahead truly began, of a gap that it counted up to its begin."""
        if not record.count or record.to_s <= record.from_s:
            return None
        for span in reversed(self._spans):
            is_of = span.first_event <= event <= span.last_event
            if is_of and span.shift_s < 0.0 and record.from_s < span.low_s:
                return span.began_s
        return None

    def finding(self, event: int, record: FindingRecord) -> FindingRecord:
        shift_s = self.shift_at(event, record.at_s)
        return replace(record, at_s=record.at_s + shift_s) if shift_s else record

    def hourly(self, event: int, record: HourlyRecord) -> HourlyRecord:
        # The clock may have begun in the midst of it.
        shift_s = self.shift_at(event, record.hour_start_s, lasted_s=HOUR_S)
        if not shift_s:
            return record
        figures = dict(record.figures)
        if figures.get("corrects"):
            figures["corrects"] = [
                {**one, "hour_start_s": float(one["hour_start_s"]) + shift_s}
                for one in figures["corrects"]
            ]
        return replace(record, hour_start_s=record.hour_start_s + shift_s, figures=figures)
