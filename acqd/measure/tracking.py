"""Signals followed from sweep to sweep, and what keeps coming and going.

A track begins with an observation above the opening threshold and lives as long as something above
the closing threshold is seen in its place: in its channel, or overlapping its last extent within a
tolerance. It counts as a signal once it has lasted the minimum duration. Nothing here looks at a
clock: all times are those of the sweeps.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

__all__ = [
    "FLAPS_LIMIT",
    "FLAP_AFTER",
    "TRACKS_LIMIT",
    "Flap",
    "Followed",
    "Observation",
    "Track",
    "follow",
    "note_appeared",
    "note_ended",
    "settle_flaps",
]

TRACKS_LIMIT = 256
"""Most tracks alive at once; the strongest are kept, and how many were dropped is said."""

FLAP_AFTER = 3
"""From this appearance within the flapping time on, single appearances are no longer told."""

FLAPS_LIMIT = 256
"""Most places remembered for flapping; those heard longest ago are forgotten first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """Something above the closing threshold in one sweep. ``channel`` is its number in the plan,
    −1 outside all; ``opens`` says that it is above the opening threshold."""

    channel: int
    first_hz: float
    last_hz: float
    peak: float
    peak_hz: float
    opens: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """One signal over time. ``peak`` is its largest level so far, at ``peak_hz`` in sweep
    ``peak_seq``; ``unwatched_s`` the time in between in which nobody looked."""

    number: int
    channel: int
    opened_s: float
    heard_s: float
    first_hz: float
    last_hz: float
    peak: float
    peak_hz: float
    peak_seq: int
    sweeps: int
    confirmed: bool
    unwatched_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """Tracks after a sweep; ``appeared`` were confirmed by it, ``ended`` were confirmed ones."""

    tracks: tuple[Track, ...]
    appeared: tuple[Track, ...]
    ended: tuple[Track, ...]
    next_number: int
    dropped: int


def follow(
    tracks: Sequence[Track],
    observed: Sequence[Observation],
    *,
    at_s: float,
    seq: int,
    next_number: int,
    tolerance_hz: float,
    min_duration_s: float,
    unwatched_s: float = 0.0,
    unseen: Collection[int] = (),
    period_s: float = 0.0,
) -> Followed:
    """Carry ``tracks`` on with what one sweep observed.

    Args:
        observed: in rising order of frequency, at most one for a channel.
        unwatched_s: time since the sweep before in which no sweep was taken.
        unseen: numbers of tracks in whose place levels are missing: nothing ends them now, and
            ``period_s`` counts as not watched.

    Association: by channel first; then, outside channels, each observation takes the overlapping
    track (within ``tolerance_hz``) that is nearest in frequency, one each, in rising order.
    """
    taken: set[int] = set()
    alive: list[Track] = []
    appeared: list[Track] = []
    for seen in observed:
        track = _match(tracks, seen, taken, tolerance_hz)
        if track is None:
            if not seen.opens:
                continue
            new = _opened(seen, next_number, at_s, seq)
            next_number += 1
        else:
            taken.add(track.number)
            new = _carried(track, seen, at_s, seq, unwatched_s)
        if not new.confirmed and at_s - new.opened_s >= min_duration_s:
            new = replace(new, confirmed=True)
            appeared.append(new)
        alive.append(new)
    for track in tracks:
        if track.number in unseen and track.number not in taken:
            taken.add(track.number)
            away_s = track.unwatched_s + unwatched_s + period_s
            alive.append(replace(track, unwatched_s=away_s))
    ended = tuple(t for t in tracks if t.confirmed and t.number not in taken)
    dropped = max(0, len(alive) - TRACKS_LIMIT)
    if dropped:
        strongest = sorted(alive, key=lambda t: (-t.peak, t.number))[:TRACKS_LIMIT]
        kept = {t.number for t in strongest}
        # One that was told of and is dropped now has ended as far as anybody can say.
        told = {t.number for t in tracks if t.confirmed}
        ended += tuple(t for t in alive if t.number not in kept and t.number in told)
        appeared = [t for t in appeared if t.number in kept]
        alive = [t for t in alive if t.number in kept]
    return Followed(
        tracks=tuple(alive),
        appeared=tuple(appeared),
        ended=ended,
        next_number=next_number,
        dropped=dropped,
    )


def _match(
    tracks: Sequence[Track], seen: Observation, taken: set[int], tolerance_hz: float
) -> Track | None:
    best: Track | None = None
    best_away = 0.0
    for track in tracks:
        if track.channel != seen.channel or track.number in taken:
            continue
        if seen.channel >= 0:
            return track
        apart = max(track.first_hz - seen.last_hz, seen.first_hz - track.last_hz)
        if apart > tolerance_hz:
            continue
        middle_hz = (track.first_hz + track.last_hz) / 2.0
        away = abs((seen.first_hz + seen.last_hz) / 2.0 - middle_hz)
        if best is None or away < best_away:
            best, best_away = track, away
    return best


def _opened(seen: Observation, number: int, at_s: float, seq: int) -> Track:
    return Track(
        number=number,
        channel=seen.channel,
        opened_s=at_s,
        heard_s=at_s,
        first_hz=seen.first_hz,
        last_hz=seen.last_hz,
        peak=seen.peak,
        peak_hz=seen.peak_hz,
        peak_seq=seq,
        sweeps=1,
        confirmed=False,
        unwatched_s=0.0,
    )


def _carried(track: Track, seen: Observation, at_s: float, seq: int, unwatched_s: float) -> Track:
    higher = seen.peak > track.peak
    return Track(
        number=track.number,
        channel=track.channel,
        opened_s=track.opened_s,
        heard_s=at_s,
        first_hz=seen.first_hz,
        last_hz=seen.last_hz,
        peak=seen.peak if higher else track.peak,
        peak_hz=seen.peak_hz if higher else track.peak_hz,
        peak_seq=seq if higher else track.peak_seq,
        sweeps=track.sweeps + 1,
        confirmed=track.confirmed,
        unwatched_s=track.unwatched_s + unwatched_s,
    )


# --- coming and going -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Flap:
    """What one place (a channel, or a frequency outside channels) has done lately.

    ``times_s`` are the last appearances, at most :data:`FLAP_AFTER`; ``count`` and ``busy_s`` are
    of the episode since ``since_s`` while ``flapping``.
    """

    channel: int
    at_hz: float
    times_s: tuple[float, ...]
    last_s: float
    flapping: bool = False
    since_s: float = 0.0
    count: int = 0
    busy_s: float = 0.0
    peak: float = 0.0
    peak_hz: float = 0.0


def _find(flaps: Sequence[Flap], track: Track, tolerance_hz: float) -> int:
    for i, flap in enumerate(flaps):
        if flap.channel != track.channel:
            continue
        if track.channel >= 0 or abs(flap.at_hz - track.peak_hz) <= tolerance_hz:
            return i
    return -1


def note_appeared(
    flaps: tuple[Flap, ...], track: Track, *, window_s: float, tolerance_hz: float
) -> tuple[tuple[Flap, ...], bool]:
    """Note that ``track`` appeared; the second value says whether to tell of it by itself.

    From the third appearance within ``window_s`` on it is part of an episode that is told once, by
    :func:`settle_flaps`. A ``window_s`` of 0 tells every one.
    """
    if window_s <= 0.0:
        return flaps, True
    i = _find(flaps, track, tolerance_hz)
    at_s = track.opened_s
    if i < 0:
        new = Flap(channel=track.channel, at_hz=track.peak_hz, times_s=(at_s,), last_s=at_s)
        kept = flaps if len(flaps) < FLAPS_LIMIT else _without_oldest(flaps)
        return (*kept, new), True
    old = flaps[i]
    times_s = (*old.times_s, at_s)[-FLAP_AFTER:]
    flapping = old.flapping or (len(times_s) == FLAP_AFTER and times_s[-1] - times_s[0] <= window_s)
    first = flapping and (not old.flapping or old.count == 0)
    new = Flap(
        channel=old.channel,
        at_hz=track.peak_hz,
        times_s=times_s,
        last_s=max(old.last_s, at_s),
        flapping=flapping,
        since_s=at_s if first else old.since_s,
        count=old.count + 1 if flapping else 0,
        busy_s=old.busy_s if old.flapping else 0.0,
        peak=track.peak if first else max(old.peak, track.peak),
        peak_hz=track.peak_hz if first or track.peak > old.peak else old.peak_hz,
    )
    return (*flaps[:i], new, *flaps[i + 1 :]), not flapping


def _without_oldest(flaps: tuple[Flap, ...]) -> tuple[Flap, ...]:
    # An episode under way is not forgotten for a place that was heard once.
    oldest = min(range(len(flaps)), key=lambda i: (flaps[i].flapping, flaps[i].last_s, i))
    return (*flaps[:oldest], *flaps[oldest + 1 :])


def note_ended(
    flaps: tuple[Flap, ...], track: Track, *, lasted_s: float, tolerance_hz: float
) -> tuple[tuple[Flap, ...], bool]:
    """Note that ``track`` ended after ``lasted_s``; the second value says whether to tell of it."""
    i = _find(flaps, track, tolerance_hz)
    if i < 0:
        return flaps, True
    old = flaps[i]
    # The end of a signal that was told of by itself is told too, before an episode began.
    tell = not old.flapping or track.opened_s < old.since_s
    new = replace(
        old,
        last_s=max(old.last_s, track.heard_s),
        busy_s=old.busy_s if tell else old.busy_s + lasted_s,
        peak=old.peak if tell else max(old.peak, track.peak),
        peak_hz=track.peak_hz if not tell and track.peak > old.peak else old.peak_hz,
    )
    return (*flaps[:i], new, *flaps[i + 1 :]), tell


def settle_flaps(
    flaps: tuple[Flap, ...], tracks: Sequence[Track], *, at_s: float, window_s: float, flush: bool
) -> tuple[tuple[Flap, ...], tuple[Flap, ...]]:
    """Forget places that have been quiet for ``window_s``; the second value is what to tell.

    An episode is told when it is over, or with ``flush`` (at the turn of an hour) as far as it
    went, and goes on counting from nothing.
    """
    up = {t.channel for t in tracks if t.confirmed and t.channel >= 0}
    kept, told = [], []
    for flap in flaps:
        quiet = at_s - flap.last_s > window_s and flap.channel not in up
        if flap.flapping and flap.count and (quiet or flush):
            told.append(flap)
            flap = replace(flap, count=0, busy_s=0.0)
        if not quiet:
            kept.append(flap)
    return tuple(kept), tuple(told)
