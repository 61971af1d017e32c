"""Signals that were on the air in a range, put together from what the meter told of them.

One row is one place: a channel, or a frequency where there is none. A signal that came up before
the range, or was still up at its end, counts with its part.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from acqd.archive.records import FindingRecord
from acqd.look.times import clock, duration
from acqd.report.shapes import Table
from acqd.report.source import JobSource
from acqd.report.words import count_text

__all__ = ["Heard", "heard_signals", "open_at", "same_signal", "signals_table"]

LOOK_BACK_S = 14 * 86400.0
"""Signals that came up longer before the range are not looked for."""

ROWS_MOST = 80
LIKE_HZ = 1.5
"""Two frequencies so many RBW (or widths of the signal) apart are one place."""


@dataclass(slots=True, kw_only=True)
class Heard:
    """One place. ``times`` counts how often something came up or was up at the range's begin."""

    channel: str | None
    frequency_hz: float
    first_s: float
    last_s: float
    times: int = 0
    on_air_s: float = 0.0
    peak: float = -math.inf
    peak_hz: float = math.nan
    still_up: bool = False
    numbers: list[int] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Piece:
    """One time that something was up, or one episode of coming and going."""

    since_s: float
    until_s: float | None
    on_air_s: float | None
    times: int
    channel: str | None
    peak: float
    peak_hz: float
    number: int


def heard_signals(source: JobSource) -> list[Heard]:
    """All places that were heard, in order of first hearing."""
    rbw_hz = float((source.details.get("measuring") or {}).get("rbw_hz") or 0.0)
    found: list[Heard] = []
    for piece in _pieces(source):
        place = _place_of(found, piece, rbw_hz)
        if place is None:
            place = Heard(
                channel=piece.channel,
                frequency_hz=piece.peak_hz,
                first_s=math.inf,
                last_s=-math.inf,
            )
            found.append(place)
        _add(source, place, piece)
    return sorted(found, key=lambda one: (one.first_s, one.frequency_hz))


def _add(source: JobSource, place: Heard, piece: _Piece) -> None:
    begin_s = max(piece.since_s, source.start_s)
    end_s = _last_sweep_s(source) if piece.until_s is None else min(piece.until_s, source.stop_s)
    end_s = max(begin_s, end_s)
    place.first_s, place.last_s = min(place.first_s, begin_s), max(place.last_s, end_s)
    place.times += piece.times
    whole = piece.since_s >= source.start_s
    known = piece.on_air_s is not None and whole
    place.on_air_s += float(piece.on_air_s or 0.0) if known else end_s - begin_s
    place.still_up |= piece.until_s is None
    if piece.peak > place.peak:
        place.peak, place.peak_hz = piece.peak, piece.peak_hz
        place.frequency_hz = piece.peak_hz
    place.numbers.append(piece.number)


def _last_sweep_s(source: JobSource) -> float:
    index = source.sweeps()
    return float((index.started_s + index.took_s).max()) if len(index) else source.stop_s


def _place_of(found: list[Heard], piece: _Piece, rbw_hz: float) -> Heard | None:
    for one in found:
        if piece.channel is not None or one.channel is not None:
            if piece.channel == one.channel:
                return one
        elif abs(one.frequency_hz - piece.peak_hz) <= max(LIKE_HZ * rbw_hz, 1.0):
            return one
    return None


def _pieces(source: JobSource) -> list[_Piece]:
    """What overlaps the range, in order of its begin."""
    told = [
        one
        for one in source.archive.findings(source.job, source.start_s - LOOK_BACK_S, source.stop_s)
        if one.what in ("signal_appeared", "signal_ended", "signal_flapping")
    ]
    # Where several episodes touch the time of an appearance, it was part of one of them.
    flaps = [one for one in told if one.what == "signal_flapping"]
    ended = [one for one in told if one.what == "signal_ended"]
    pieces = [_piece(one, one.figures.get("last_heard_s"), 1) for one in ended]
    pieces += [
        _piece(one, one.figures.get("last_heard_s"), int(one.figures.get("count") or 1))
        for one in flaps
    ]
    pieces += [_piece(one, None, 1) for one in open_at(told)]
    here = [
        one
        for one in pieces
        if one.since_s < source.stop_s and (one.until_s is None or one.until_s >= source.start_s)
    ]
    return sorted(here, key=lambda one: (one.since_s, one.peak_hz))


def open_at(told: Iterable[FindingRecord]) -> list[FindingRecord]:
    """Appearances of which no end was told, nor an episode that they belong to."""
    told = list(told)
    over = [one for one in told if one.what in ("signal_ended", "signal_flapping")]
    return [
        one
        for one in told
        if one.what == "signal_appeared" and not any(same_signal(end, one) for end in over)
    ]


def same_signal(end: FindingRecord, begin: FindingRecord) -> bool:
    """Whether ``end`` is about the same place and a time that ``begin`` lies in."""
    here, there = begin.figures.get("channel"), end.figures.get("channel")
    if here != there:
        return False
    if here is None:
        width_hz = float(begin.figures.get("width_hz") or 0.0)
        away_hz = abs(_number(begin, "peak_hz") - _number(end, "peak_hz"))
        if not away_hz <= max(2.0 * width_hz, 1.0):
            return False
    since_s, last_s = _number(end, "since_s"), _number(end, "last_heard_s")
    begin_s = _number(begin, "since_s")
    if end.what == "signal_ended":
        return abs(since_s - begin_s) < 1e-3
    return since_s - 1e-3 <= begin_s <= last_s + 1e-3


def _piece(one: FindingRecord, until_s: float | None, times: int) -> _Piece:
    on_air_s = one.figures.get("duration_s", one.figures.get("busy_s"))
    peaks = [
        value
        for name, value in one.figures.items()
        if name.startswith("peak_") and name not in ("peak_hz", "peak_seq")
    ]
    since_s = one.figures.get("since_s")
    return _Piece(
        since_s=one.at_s if since_s is None else float(since_s),
        until_s=None if until_s is None else float(until_s),
        on_air_s=None if on_air_s is None else float(on_air_s),
        times=times,
        channel=one.figures.get("channel"),
        peak=float(peaks[0]) if peaks and peaks[0] is not None else -math.inf,
        peak_hz=_number(one, "peak_hz"),
        number=one.number,
    )


def _number(one: FindingRecord, name: str) -> float:
    value = one.figures.get(name)
    return math.nan if value is None else float(value)


def signals_table(source: JobSource, heard: list[Heard]) -> Table:
    """A row a place; of very many the strongest, in order of time all the same."""
    shown = sorted(heard, key=lambda one: -one.peak)[:ROWS_MOST]
    shown.sort(key=lambda one: (one.first_s, one.frequency_hz))
    u_db = source.level_u()
    rows = tuple(
        (
            one.channel or "",
            one.frequency_hz / 1e6 if math.isfinite(one.frequency_hz) else None,
            clock(one.first_s, source.zone, seconds=True),
            "still up" if one.still_up else clock(one.last_s, source.zone, seconds=True),
            float(one.times),
            duration(one.on_air_s),
            one.peak if math.isfinite(one.peak) else None,
            u_db,
        )
        for one in shown
    )
    return Table(
        title="Signals",
        heads=("channel", "frequency", "first heard", "last heard", "times", "on the air", "peak",
               "U"),
        units=("", "MHz", "", "", "", "", source.unit, "dB" if u_db is not None else ""),
        places=(None, 4, None, None, 0, None, 1, 1),
        rows=rows,
        note=_note(source, heard),
        sweeps=source.range_of(),
    )  # fmt: skip


def _note(source: JobSource, heard: list[Heard]) -> str:
    told = ["U at k = 2, from the level accuracy; near the floor the noise comes on top."]
    more = sum(
        int(one.figures.get("count") or 0)
        for one in source.finding_records
        if one.what == "signals_appeared"
    )
    if len(heard) > ROWS_MOST:
        told.append(f"The {ROWS_MOST} strongest of {len(heard)}.")
    if more:
        told.append(
            f"{count_text(more, 'more signal')} came up at once with others, and have none."
        )
    inside = sum(one.what == "signal_made_inside" for one in source.finding_records)
    if inside:
        told.append(f"{count_text(inside, 'of them')} made inside the sweeper; see the findings.")
    return " ".join(told)
