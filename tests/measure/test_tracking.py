"""Signals followed over sweeps, and what keeps coming and going."""

from __future__ import annotations

from collections.abc import Sequence

from acqd.measure import tracking
from acqd.measure.tracking import Flap, Followed, Observation, Track, follow


def seen(
    at_hz: float, *, peak: float = -60.0, channel: int = -1, opens: bool = True
) -> Observation:
    return Observation(
        channel=channel,
        first_hz=at_hz - 5e3,
        last_hz=at_hz + 5e3,
        peak=peak,
        peak_hz=at_hz,
        opens=opens,
    )


def step(
    before: Followed | None, observed: Sequence[Observation], at_s: float, **how: float
) -> Followed:
    return follow(
        before.tracks if before else (),
        observed,
        at_s=at_s,
        seq=int(at_s) + 1,
        next_number=before.next_number if before else 1,
        tolerance_hz=how.get("tolerance_hz", 10e3),
        min_duration_s=how.get("min_duration_s", 0.0),
        unwatched_s=how.get("unwatched_s", 0.0),
    )


def test_a_signal_appears_once_and_ends_once() -> None:
    """One appearance, one end, and the peak of the strongest sweep."""
    first = step(None, [seen(1e6)], 0.0)
    second = step(first, [seen(1e6, peak=-50.0)], 2.0)
    third = step(second, [], 4.0)
    assert [len(f.appeared) for f in (first, second, third)] == [1, 0, 0]
    (ended,) = third.ended
    assert (ended.peak, ended.peak_seq, ended.sweeps) == (-50.0, 3, 2)
    assert (ended.opened_s, ended.heard_s) == (0.0, 2.0)
    assert third.tracks == ()


def test_between_the_thresholds_a_signal_stays_but_none_begins() -> None:
    """What does not reach the opening threshold keeps a track alive and opens none."""
    assert step(None, [seen(1e6, opens=False)], 0.0).tracks == ()
    first = step(None, [seen(1e6)], 0.0)
    assert len(step(first, [seen(1e6, opens=False)], 2.0).tracks) == 1


def test_short_signals_are_not_told() -> None:
    """Below the minimum duration a track neither appears nor ends."""
    first = step(None, [seen(1e6)], 0.0, min_duration_s=4.0)
    second = step(first, [seen(1e6)], 2.0, min_duration_s=4.0)
    gone = step(second, [], 4.0, min_duration_s=4.0)
    assert not first.appeared
    assert not second.appeared
    assert not gone.ended
    third = step(second, [seen(1e6)], 4.0, min_duration_s=4.0)
    assert [track.opened_s for track in third.appeared] == [0.0]


def test_drift_within_the_tolerance_is_one_signal() -> None:
    """A carrier that drifts by less than its width and tolerance keeps its number."""
    now = step(None, [seen(1e6)], 0.0)
    for i in range(1, 20):
        now = step(now, [seen(1e6 + 8e3 * i)], 2.0 * i)
        assert [track.number for track in now.tracks] == [1]


def test_a_jump_is_another_signal() -> None:
    """Beyond tolerance one ends and another begins."""
    now = step(step(None, [seen(1e6)], 0.0), [seen(1.1e6)], 2.0)
    assert [track.number for track in now.ended] == [1]
    assert [track.number for track in now.appeared] == [2]


def test_nearest_track_is_taken() -> None:
    """Of two overlapping tracks an observation takes the nearer one."""
    first = step(None, [seen(1.00e6), seen(1.012e6)], 0.0)
    second = step(first, [seen(1.011e6)], 2.0)
    assert [track.number for track in second.tracks] == [2]
    assert [track.number for track in second.ended] == [1]


def test_a_channel_is_one_signal_wherever_in_it() -> None:
    """Inside a channel the channel decides, not the overlap; other channels are others."""
    first = step(None, [seen(1e6, channel=3)], 0.0)
    second = step(first, [seen(1.5e6, channel=3), seen(1e6, channel=4)], 2.0)
    assert [(track.number, track.channel) for track in second.tracks] == [(1, 3), (2, 4)]


def test_unwatched_time_is_added_up() -> None:
    """A gap does not end a track by itself but is on its record."""
    first = step(None, [seen(1e6)], 0.0)
    assert step(first, [seen(1e6)], 30.0, unwatched_s=28.0).tracks[0].unwatched_s == 28.0


def test_a_track_nobody_could_see_is_not_ended() -> None:
    """Levels are missing in its place: it stays, and the time counts as not watched."""
    first = step(None, [seen(1e6)], 0.0)
    second = follow(
        first.tracks,
        [],
        at_s=2.0,
        seq=2,
        next_number=2,
        tolerance_hz=1e3,
        min_duration_s=0.0,
        unseen={1},
        period_s=2.0,
    )
    assert second.ended == ()
    assert second.tracks[0].unwatched_s == 2.0
    assert second.tracks[0].heard_s == 0.0


def test_too_many_tracks_drop_the_weakest() -> None:
    """The strongest 256 stay; those told of end, and the count is said."""
    many = [seen(1e6 + 1e5 * i, peak=-90.0 + i / 10) for i in range(tracking.TRACKS_LIMIT)]
    first = step(None, many, 0.0)
    assert first.dropped == 0
    second = step(first, [*many, seen(9e9, peak=-10.0)], 2.0)
    assert len(second.tracks) == tracking.TRACKS_LIMIT
    assert second.dropped == 1
    assert [track.number for track in second.ended] == [1]


# --- coming and going ---


def track(at_s: float, *, heard_s: float | None = None, channel: int = 0, hz: float = 1e6) -> Track:
    return Track(
        number=1,
        channel=channel,
        opened_s=at_s,
        heard_s=at_s if heard_s is None else heard_s,
        first_hz=hz,
        last_hz=hz,
        peak=-60.0,
        peak_hz=hz,
        peak_seq=1,
        sweeps=1,
        confirmed=True,
        unwatched_s=0.0,
    )


def play(
    times_s: Sequence[float], *, window_s: float = 60.0
) -> tuple[tuple[Flap, ...], list[bool]]:
    """Appear and end at each time; what was told."""
    flaps: tuple[Flap, ...] = ()
    told = []
    for at_s in times_s:
        flaps, tell = tracking.note_appeared(
            flaps, track(at_s), window_s=window_s, tolerance_hz=1e3
        )
        told.append(tell)
        flaps, tell = tracking.note_ended(flaps, track(at_s), lasted_s=2.0, tolerance_hz=1e3)
        told.append(tell)
    return flaps, told


def test_the_third_appearance_begins_an_episode() -> None:
    """Two are told with their ends, from the third on nothing until it is over."""
    flaps, told = play([0, 10, 20, 30])
    assert told == [True, True, True, True, False, False, False, False]
    assert flaps[0].count == 2
    assert flaps[0].busy_s == 4.0


def test_slow_repetition_is_told_each_time() -> None:
    """Three appearances further apart than the window are no episode."""
    assert all(play([0, 50, 100, 150])[1])


def test_no_window_tells_everything() -> None:
    """A window of 0 switches it off."""
    assert all(play([0, 1, 2, 3], window_s=0.0)[1])


def test_an_episode_is_told_when_it_is_over() -> None:
    """After a quiet window there is one finding, and the place is forgotten."""
    flaps, _ = play([0, 10, 20, 30])
    kept, told = tracking.settle_flaps(flaps, (), at_s=85.0, window_s=60.0, flush=False)
    assert told == ()
    kept, told = tracking.settle_flaps(kept, (), at_s=91.0, window_s=60.0, flush=False)
    assert [flap.count for flap in told] == [2]
    assert kept == ()


def test_an_hour_flushes_and_the_episode_goes_on() -> None:
    """At the turn of the hour what was counted is told, and counting begins anew."""
    flaps, _ = play([0, 10, 20, 30])
    kept, told = tracking.settle_flaps(flaps, (), at_s=40.0, window_s=60.0, flush=True)
    assert [flap.count for flap in told] == [2]
    assert kept[0].flapping
    kept, tell = tracking.note_appeared(kept, track(50.0), window_s=60.0, tolerance_hz=1e3)
    assert not tell
    assert kept[0].count == 1


def test_places_outside_channels_go_by_frequency() -> None:
    """Within the tolerance it is the same place."""
    flaps: tuple[Flap, ...] = ()
    for at_s, hz in ((0.0, 1e6), (5.0, 1.0005e6), (10.0, 2e6)):
        flaps, _ = tracking.note_appeared(
            flaps, track(at_s, channel=-1, hz=hz), window_s=60.0, tolerance_hz=1e3
        )
    assert [len(flap.times_s) for flap in flaps] == [2, 1]


def test_memory_of_places_is_bounded() -> None:
    """The place heard longest ago goes first, but not an episode under way."""
    flaps, _ = play([0, 1, 2])
    for i in range(2 * tracking.FLAPS_LIMIT):
        flaps, _ = tracking.note_appeared(
            flaps, track(10.0 + i, channel=i + 1), window_s=60.0, tolerance_hz=1e3
        )
    assert len(flaps) == tracking.FLAPS_LIMIT
    assert flaps[0].flapping
