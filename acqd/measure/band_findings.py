"""The sentences of a band meter: what a watchkeeper would write, and the figures behind it.

Words used: ``signal_appeared``, ``signal_ended``, ``signals_appeared`` and ``signals_ended`` (the
rest where very many came or went at once), ``signal_flapping``, ``floor_rose``, ``floor_fell``,
``signal_made_inside`` (the overload check says so again and again).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from acqd.measure.band_check import CheckedSignal
from acqd.measure.band_work import BandSettings, BandWork
from acqd.measure.channels import BandPlan, Channel, namer_of
from acqd.measure.meter import Figure, FindingDraft
from acqd.measure.smeter import s_reading
from acqd.measure.tracking import Flap, Track
from acqd.measure.words import (
    channel_text,
    duration_text,
    frequency_text,
    level_text,
    number_text,
    range_text,
    unit_text,
)
from acqd.sweep import LevelUnit

__all__ = [
    "TOLD_AT_ONCE",
    "appeared",
    "ended",
    "flapping",
    "floor_step",
    "made_inside",
    "track_lasted_s",
]

TOLD_AT_ONCE = 16
"""Most signals told one by one that appear, or end, with one sweep; the rest share a finding."""


def track_lasted_s(track: Track, period_s: float, *, by_s: float) -> float:
    """Time a signal was up: from the first to the last sweep that heard it. For what lies before
    and after, one period, or what had passed by ``by_s``, when it was over for sure, if less."""
    return track.heard_s - track.opened_s + track_within_s(track, period_s, by_s=by_s)


def track_within_s(track: Track, period_s: float, *, by_s: float) -> float:
    """What the time that a signal was up is known within: sweeps of a burst lie closer together
    than its due times do."""
    return min(period_s, max(0.0, by_s - track.heard_s))


def _channel(settings: BandSettings, number: int) -> Channel | None:
    plan = settings.channels
    return plan.channels[number] if plan is not None and number >= 0 else None


def _place(settings: BandSettings, work: BandWork, number: int, hz: float) -> str:
    channel = _channel(settings, number)
    if channel is not None:
        return channel_text(channel)
    place = f"signal at {frequency_text(hz, resolution_hz=work.step_hz)}"
    use = _segment(settings, hz)
    return place if use is None else f"{place} ({use})"


def _segment(settings: BandSettings, hz: float) -> str | None:
    """What the plan calls the piece of the band that ``hz`` lies in, if anything."""
    plan = settings.channels
    if not isinstance(plan, BandPlan) or not plan.segments:
        return None
    found = namer_of(plan).at(hz)
    return None if found is None else found.name


def _s_meter(settings: BandSettings, work: BandWork, track: Track) -> str | None:
    """What an S meter would read of it; None outside the amateur bands and without dBm."""
    if work.unit is not LevelUnit.DBM or not math.isfinite(track.peak):
        return None
    reading = s_reading(track.peak, track.peak_hz, region=settings.region)
    return None if reading is None else str(reading)


def _figures(settings: BandSettings, work: BandWork, track: Track) -> dict[str, Figure]:
    channel = _channel(settings, track.channel)
    return {
        "channel": None if channel is None else channel.name,
        "segment": None if channel is not None else _segment(settings, track.peak_hz),
        "s_meter": _s_meter(settings, work, track),
        f"peak_{work.suffix}": track.peak,
        "peak_hz": track.peak_hz,
        "peak_seq": track.peak_seq,
        "width_hz": track.last_hz - track.first_hz + work.step_hz,
        "unit": work.unit.value,
    }


def appeared(
    settings: BandSettings, work: BandWork, tracks: Sequence[Track], *, at_s: float, seq: int
) -> list[FindingDraft]:
    """Signals that came up with sweep ``seq``, the strongest first when there are many."""
    tracks = sorted(tracks, key=lambda t: (-t.peak, t.number))
    found = []
    for track in tracks[:TOLD_AT_ONCE]:
        place = _place(settings, work, track.channel, track.peak_hz)
        text = f"{place} came up, peak {level_text(track.peak, work.unit)} at {settings.plane}"
        reads = _s_meter(settings, work, track)
        text += "" if reads is None else f" ({reads})"
        figures = _figures(settings, work, track)
        figures["since_s"] = track.opened_s
        found.append(
            FindingDraft(
                what="signal_appeared", at_s=track.opened_s, text=text, seq=seq, figures=figures
            )
        )
    rest = tracks[TOLD_AT_ONCE:]
    if rest:
        text = (
            f"{len(rest)} more signals came up in the same sweep, "
            f"the strongest {level_text(rest[0].peak, work.unit)} at {settings.plane}"
        )
        figures = {"count": len(rest), f"peak_{work.suffix}": rest[0].peak, "unit": work.unit.value}
        found.append(
            FindingDraft(what="signals_appeared", at_s=at_s, text=text, seq=seq, figures=figures)
        )
    return found


def ended(
    settings: BandSettings,
    work: BandWork,
    tracks: Sequence[Track],
    *,
    at_s: float,
    period_s: float,
    why: str = "",
) -> list[FindingDraft]:
    """Signals that were up and are no longer; ``why`` where it is not known to have gone."""
    tracks = sorted(tracks, key=lambda t: (-t.peak, t.number))
    found = []
    for track in tracks[:TOLD_AT_ONCE]:
        place = _place(settings, work, track.channel, track.peak_hz)
        lasted_s = track_lasted_s(track, period_s, by_s=at_s)
        text = f"{place} busy {duration_text(lasted_s)}, peak {level_text(track.peak, work.unit)}"
        if track.unwatched_s > 0:
            text += f"; {duration_text(track.unwatched_s)} of that nobody watched"
        if why:
            text += f"; {why}"
        figures = _figures(settings, work, track)
        figures |= {
            "since_s": track.opened_s,
            "last_heard_s": track.heard_s,
            "duration_s": lasted_s,
            "duration_within_s": track_within_s(track, period_s, by_s=at_s),
            "unwatched_s": track.unwatched_s,
            "sweeps": track.sweeps,
            "ended_by": why or "silence",
        }
        found.append(
            FindingDraft(what="signal_ended", at_s=at_s, text=text, seq=None, figures=figures)
        )
    rest = tracks[TOLD_AT_ONCE:]
    if rest:
        text = f"{len(rest)} more signals ended" + (f"; {why}" if why else "")
        figures = {"count": len(rest), "unit": work.unit.value}
        found.append(FindingDraft(what="signals_ended", at_s=at_s, text=text, figures=figures))
    return found


def flapping(settings: BandSettings, work: BandWork, flap: Flap, *, at_s: float) -> FindingDraft:
    """One finding for an episode of coming and going."""
    place = _place(settings, work, flap.channel, flap.peak_hz)
    span_s = max(0.0, flap.last_s - flap.since_s)
    # What was up in one sweep alone lasted no time that anybody could have measured.
    within = f" in {duration_text(span_s)}" if span_s >= max(flap.busy_s, 0.05) else ""
    times, in_all = ("once", "") if flap.count == 1 else (f"{flap.count} times", " in all")
    text = (
        f"{place} came and went {times}{within}, busy {duration_text(flap.busy_s)}{in_all}, "
        f"peak {level_text(flap.peak, work.unit)} at {settings.plane}"
    )
    channel = _channel(settings, flap.channel)
    figures: dict[str, Figure] = {
        "channel": None if channel is None else channel.name,
        "count": flap.count,
        "since_s": flap.since_s,
        "last_heard_s": flap.last_s,
        "busy_s": flap.busy_s,
        f"peak_{work.suffix}": flap.peak,
        "peak_hz": flap.peak_hz,
        "unit": work.unit.value,
    }
    return FindingDraft(what="signal_flapping", at_s=at_s, text=text, figures=figures)


def floor_step(
    settings: BandSettings,
    work: BandWork,
    *,
    before: float,
    after: float,
    onset_s: float,
    seq: int,
) -> FindingDraft:
    """The floor moved and stayed; the time is that of the first sweep that had it."""
    rose = after > before
    step_unit = "dB" if work.logarithmic else unit_text(work.unit)
    start_hz, stop_hz = (float(hz) for hz in work.grid.frequency_hz[[0, -1]])
    text = (
        f"floor {'rose' if rose else 'fell'} {number_text(abs(after - before), 1)} {step_unit} "
        f"over the whole range ({range_text(start_hz, stop_hz)}) and stayed, "
        f"now {level_text(after, work.unit)} at {settings.plane}"
    )
    figures: dict[str, Figure] = {
        f"step_{'db' if work.logarithmic else work.suffix}": after - before,
        f"floor_before_{work.suffix}": before,
        f"floor_{work.suffix}": after,
        "start_hz": start_hz,
        "stop_hz": stop_hz,
        "unit": work.unit.value,
    }
    what = "floor_rose" if rose else "floor_fell"
    return FindingDraft(what=what, at_s=onset_s, text=text, seq=seq, figures=figures)


def made_inside(
    settings: BandSettings,
    work: BandWork,
    found: CheckedSignal,
    *,
    added_db: float,
    checks: int,
    since_s: float,
    seq: int,
) -> FindingDraft:
    """A signal that fell with more attenuation in check after check."""
    place = _place(settings, work, found.channel, found.peak_hz)
    test = found.test
    text = (
        f"{place} is made inside the sweeper, at least in part: {test.reason}; "
        f"{checks} checks one after the other say so"
    )
    channel = _channel(settings, found.channel)
    figures: dict[str, Figure] = {
        "channel": None if channel is None else channel.name,
        "peak_hz": found.peak_hz,
        f"peak_{work.suffix}": found.first,
        "fall_db": test.fall_db,
        "added_db": added_db,
        "origin": str(test.origin),
        "order": test.order,
        "checks": checks,
        "unit": work.unit.value,
    }
    return FindingDraft(
        what="signal_made_inside", at_s=since_s, text=text, seq=seq, figures=figures
    )
