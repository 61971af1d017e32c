"""Corrections of a wrong clock: applied on reading, taken back, over days that never were."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from acqd.archive.daytimes import day_times, true_range_of
from acqd.archive.layout import day_of
from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import Batch, GapRecord, HourlyRecord, SweepRecord
from acqd.archive.timing import (
    BY_STATION,
    BY_WORD,
    TimeCorrection,
    TimeCorrections,
    TimePiece,
    correction_of,
    shift_text,
)
from acqd.errors import ArchiveDamaged
from acqd.sweep import Hop

NOW_S = 1_795_000_000.0
OLD_S = 1_000_000.0
"""Where a clock without a battery begins."""

HOUR_S = 3600.0


def piece(**fields: Any) -> TimePiece:
    """Of a boot whose clock showed OLD_S at monotonic 0 and should have shown NOW_S."""
    given: dict[str, Any] = {
        "from_monotonic_s": 0.0,
        "to_monotonic_s": 1000.0,
        "was_s": OLD_S,
        "offset_s": NOW_S,
        "first_event": 0,
        "last_event": 1 << 60,
    }
    return TimePiece(**given | fields)


def correction(number: int = 1, *pieces: TimePiece, **fields: Any) -> TimeCorrection:
    given: dict[str, Any] = {
        "number": number,
        "boot": "boot-2",
        "pieces": pieces or (piece(),),
        "uncertainty_s": 0.2,
        "how": BY_STATION,
        "reason": "",
        "who": "station",
        "at_s": NOW_S,
    }
    return TimeCorrection(**given | fields)


def put(scribe: Any, one: TimeCorrection) -> int:
    """Store a correction; returns its number."""
    writer = scribe.open()
    try:
        number: int = writer.add_overlay_now("time", body=one.to_body(), who=one.who)
        return number
    finally:
        writer.close((), seal=False)


def undo(scribe: Any, number: int) -> None:
    writer = scribe.open()
    writer.add_overlay_now("undo", body={"undoes": number}, who="watch")
    writer.close((), seal=False)


def sweep(scribe: Any, seq: int, monotonic_s: float, offset_s: float = OLD_S) -> SweepRecord:
    """A sweep of the boot with the wrong clock."""
    at_s = monotonic_s + offset_s
    made: SweepRecord = scribe.sweep(
        seq, boot_id="boot-2", monotonic_s=monotonic_s, started_s=at_s, due_s=at_s - 0.1
    )
    return made


def write(scribe: Any, sweeps: list[SweepRecord], **more: Any) -> None:
    """One run that keeps them, sealed."""
    writer = scribe.begun((scribe.meter(0),))
    writer.commit(Batch(setups=(scribe.setup(),), sweeps=tuple(sweeps), **more)).result(10)
    scribe.seal(writer)
    writer.close((), seal=False)


@pytest.fixture
def cold_boot(scribe: Any) -> Archive:
    """Ten sweeps that are right, ten of a boot that began in 1970, ten after it was corrected."""
    write(
        scribe,
        [
            replace(scribe.sweep(seq), started_s=NOW_S - 5000.0 + seq, due_s=NOW_S - 5000.0 + seq)
            for seq in range(1, 11)
        ],
    )
    write(scribe, [sweep(scribe, 10 + n, 50.0 * n) for n in range(1, 11)])
    write(scribe, [sweep(scribe, 20 + n, 1000.0 + 50.0 * n, NOW_S) for n in range(1, 11)])
    put(scribe, correction())
    return open_archive(scribe.root)


# ---- sweeps --------------------------------------------------------------------------------------


def test_sweeps_of_a_wrong_clock_are_read_in_true_time(cold_boot: Archive) -> None:
    """Times, due times and what was added; the others stay as they are, to the bit."""
    found = cold_boot.sweeps("harbour")
    assert found.sequence.values.tolist() == list(range(1, 31))
    expected = [NOW_S - 5000.0 + n for n in range(1, 11)]
    expected += [NOW_S + 50.0 * n for n in range(1, 11)]
    expected += [NOW_S + 1000.0 + 50.0 * n for n in range(1, 11)]
    assert found.started.values.tolist() == expected
    assert (np.diff(found.time.values) > np.timedelta64(0)).all()
    late_s = (found.time.values - found.due.values)[10:] / np.timedelta64(1, "s")
    assert late_s == pytest.approx(0.1, abs=1e-5)
    assert found.clock_correction.values.tolist() == [0] * 10 + [1] * 10 + [0] * 10
    assert found.clock_shift.values[10:20] == pytest.approx(NOW_S - OLD_S)
    (told,) = found.attrs["clock_correction"]
    assert "20,764 days behind" in told and "became synchronised" in told


def test_as_recorded_nothing_is_moved(cold_boot: Archive) -> None:
    """``amended=False`` gives the times that the clock showed, and true times can be had alone."""
    found = open_archive(cold_boot.root, amended=False).sweeps("harbour")
    assert found.started.values[10:20].tolist() == [OLD_S + 50.0 * n for n in range(1, 11)]
    assert "clock_correction" not in found.coords
    chain_alone = open_archive(cold_boot.root, true_times=False)
    assert chain_alone.times() is None and chain_alone.is_amended
    assert open_archive(cold_boot.root, amended=False, true_times=True).times()


def test_a_range_of_true_time_finds_the_folder_of_a_day_that_never_was(cold_boot: Archive) -> None:
    """The sweeps lie under 1970-01-12, and are not found at that time any more."""
    assert day_of(OLD_S) in [p.name for p in (cold_boot.root / "sweeps/harbour").iterdir()]
    found = cold_boot.sweeps("harbour", NOW_S + 100.0, NOW_S + 201.0)
    assert found.sequence.values.tolist() == [12, 13, 14]
    assert found.level.shape == (3, 31) and np.isfinite(found.level.values).all()
    events = [e.seq for e in cold_boot.events("harbour", NOW_S + 100.0, NOW_S + 201.0)
              if isinstance(e, SweepRecord)]  # fmt: skip
    assert events == [12, 13, 14]
    assert cold_boot.coverage("harbour", 0.0, OLD_S + HOUR_S).stored == 0
    assert cold_boot.coverage("harbour", NOW_S, NOW_S + 600.0).stored == 10


def test_the_same_is_found_in_the_journal_before_it_is_sealed(scribe: Any) -> None:
    """The first minutes after the correction are read as the volumes will be."""
    writer = scribe.begun((scribe.meter(0),))
    sweeps = tuple(sweep(scribe, n, 50.0 * n) for n in range(1, 11))
    writer.commit(Batch(setups=(scribe.setup(),), sweeps=sweeps)).result(10)
    writer.add_overlay("time", body=correction().to_body(), who="station").result(10)
    archive = open_archive(scribe.root)
    found = archive.sweeps("harbour", NOW_S + 100.0, NOW_S + 201.0)
    assert found.sequence.values.tolist() == [2, 3, 4]
    assert found.level.values.shape == (3, 31)
    first = next(e for e in archive.events("harbour", NOW_S + 100.0) if isinstance(e, SweepRecord))
    assert (first.seq, first.started_s) == (2, NOW_S + 100.0)


def test_hops_go_with_their_sweep(scribe: Any) -> None:
    """Each hop has its own time, which is moved by as much."""
    hops = (
        Hop(first_point=0, points=16, started_s=OLD_S + 50.0, took_s=0.2, ok=True),
        Hop(first_point=16, points=15, started_s=OLD_S + 50.3, took_s=0.2, ok=True),
    )
    write(scribe, [replace(sweep(scribe, 1, 50.0), hops=hops), sweep(scribe, 2, 100.0)])
    put(scribe, correction())
    found = open_archive(scribe.root).sweeps("harbour")
    started = found.hop_started.values.astype("M8[ms]").astype(np.int64) / 1e3
    assert started.tolist() == pytest.approx([NOW_S + 50.0, NOW_S + 50.3], abs=0.002)
    (first, _) = [e for e in open_archive(scribe.root).events("harbour")
                  if isinstance(e, SweepRecord)]  # fmt: skip
    assert [hop.started_s for hop in first.hops] == pytest.approx([NOW_S + 50.0, NOW_S + 50.3])


def test_the_correction_made_last_holds_and_taken_back_leaves_the_one_before(scribe: Any) -> None:
    """They do not add up; an hour more by word, where the word reaches, then none."""
    write(scribe, [sweep(scribe, n, 50.0 * n) for n in range(1, 11)])
    put(scribe, correction())
    half = piece(to_monotonic_s=300.0, offset_s=NOW_S + HOUR_S)
    second = put(scribe, correction(0, half, how=BY_WORD, who="watch"))

    def starts() -> list[float]:
        values: list[float] = open_archive(scribe.root).sweeps("harbour").started.values.tolist()
        return values

    assert starts() == [NOW_S + 50.0 * n + (HOUR_S if n < 6 else 0.0) for n in range(1, 11)]
    undo(scribe, second)
    assert starts() == [NOW_S + 50.0 * n for n in range(1, 11)]
    undo(scribe, 1)
    assert starts() == [OLD_S + 50.0 * n for n in range(1, 11)]


def test_a_boot_of_another_name_is_left_alone(scribe: Any) -> None:
    """Monotonic seconds begin anew with each boot: the same ones are of another time there."""
    write(scribe, [replace(sweep(scribe, 1, 50.0), boot_id="boot-3"), sweep(scribe, 2, 100.0)])
    put(scribe, correction())
    assert open_archive(scribe.root).sweeps("harbour").started.values.tolist() == [
        OLD_S + 50.0,
        NOW_S + 100.0,
    ]


# ---- what has no monotonic time ------------------------------------------------------------------


def _told(scribe: Any) -> dict[str, Any]:
    return {
        "gaps": (
            GapRecord(
                job="harbour", from_s=OLD_S + 60.0, to_s=OLD_S + 80.0, count=3, reason="overrun"
            ),
        ),
        "findings": (scribe.finding(1, at_s=OLD_S + 70.0), scribe.finding(2, at_s=NOW_S - 9.0)),
        "hourly": (
            HourlyRecord(
                job="harbour",
                hour_start_s=OLD_S - OLD_S % HOUR_S + HOUR_S,
                figures={"corrects": [{"hour_start_s": OLD_S, "figures": {}}]},
            ),
        ),
    }


def test_gaps_findings_and_hours_move_with_the_clock(scribe: Any) -> None:
    """By when they were committed and what the clock showed; another time in them stays."""
    write(scribe, [sweep(scribe, n, 50.0 * n) for n in range(1, 11)], **_told(scribe))
    put(scribe, correction(1, piece(to_monotonic_s=9000.0)))
    archive = open_archive(scribe.root)
    (gap,) = archive.gaps("harbour", NOW_S, NOW_S + 100.0)
    assert (gap.from_s, gap.to_s, gap.count) == (NOW_S + 60.0, NOW_S + 80.0, 3)
    assert [one.at_s for one in archive.findings("harbour")] == [NOW_S + 70.0, NOW_S - 9.0]
    (hour,) = archive.hourly("harbour")
    assert hour.hour_start_s == pytest.approx(NOW_S + HOUR_S - OLD_S % HOUR_S)
    assert hour.figures["corrects"][0]["hour_start_s"] == NOW_S
    assert archive.gaps("harbour", OLD_S, OLD_S + HOUR_S) == []
    raw = open_archive(scribe.root, amended=False)
    assert raw.gaps("harbour", OLD_S, OLD_S + HOUR_S)[0].from_s == OLD_S + 60.0


def test_what_was_committed_by_another_boot_at_such_a_time_stays(scribe: Any) -> None:
    """A real night of the day that the clock showed keeps its gaps and findings."""
    write(scribe, [sweep(scribe, 1, 50.0)], **_told(scribe))
    (event,) = open_archive(scribe.root).sweeps("harbour").event.values.tolist()
    put(scribe, correction(1, piece(first_event=event + 1000)))
    assert open_archive(scribe.root).findings("harbour")[0].at_s == OLD_S + 70.0


def test_time_down_up_to_a_clock_that_was_ahead_shrinks_with_it(scribe: Any) -> None:
    """Counted at the start by a clock 1000 s ahead: as many fewer, none where nothing is left."""
    ahead = piece(was_s=NOW_S, offset_s=NOW_S - 1000.0)
    times = TimeCorrections([correction(1, ahead)])
    down = GapRecord(
        job="harbour", from_s=NOW_S - 1500.0, to_s=NOW_S, count=151, reason="station down"
    )
    made = times.gap(5, down)
    assert made is not None
    assert (made.from_s, made.to_s, made.count) == (NOW_S - 1500.0, NOW_S - 1000.0, 51)
    # Its last due time may lie some way before the start.
    early = replace(down, to_s=NOW_S - 10.0, count=150)
    assert times.gap(5, early) == made
    assert times.gap(5, replace(down, from_s=NOW_S - 500.0, count=51)) is None
    behind = TimeCorrections([correction(1, piece(was_s=NOW_S, offset_s=NOW_S + 1000.0))])
    assert behind.gap(5, down) == down


def test_a_clock_that_was_set_by_hand_in_between_has_a_piece_for_each(scribe: Any) -> None:
    """1970, then a wrong year by hand: both are right, and each by its own shift."""
    second = piece(from_monotonic_s=250.0, was_s=OLD_S + 9e7, first_event=100, last_event=200)
    first = piece(to_monotonic_s=250.0, last_event=99)
    times = TimeCorrections([correction(1, first, second)])
    assert times.shift_at(50, OLD_S + 10.0) == pytest.approx(NOW_S - OLD_S)
    assert times.shift_at(150, OLD_S + 9e7 + 260.0) == pytest.approx(NOW_S - OLD_S - 9e7)
    assert times.shift_at(150, NOW_S) == 0.0
    boot = np.array(["boot-2"] * 2, dtype=object)
    shown_s = np.array([OLD_S + 10.0, OLD_S + 9e7 + 260.0])
    moved = times.of_sweeps(boot, np.array([10.0, 260.0]), shown_s)
    assert moved is not None
    assert (shown_s + moved.shift_s).tolist() == [NOW_S + 10.0, NOW_S + 260.0]


# ---- days ----------------------------------------------------------------------------------------


def test_days_of_a_wrong_clock_are_doubtful_until_it_is_corrected(scribe: Any) -> None:
    """1970 is no old night; with the correction the folder is of the day that was."""
    write(scribe, [sweep(scribe, n, 50.0 * n) for n in range(1, 11)])
    (day,) = day_times(scribe.root, "harbour", None, NOW_S)
    assert day.day == day_of(OLD_S) and not day.is_trusted
    assert day.doubt is not None and "lost the date" in day.doubt
    times = TimeCorrections([correction()])
    (day,) = day_times(scribe.root, "harbour", times, NOW_S)
    assert day.is_trusted and (day.from_s, day.to_s) == (NOW_S + 50.0, NOW_S + 500.5)
    assert true_range_of(scribe.root, "harbour", day_of(NOW_S), times, NOW_S) is None


@pytest.mark.parametrize(
    ("days", "doubtful"),
    [
        ([0, 1, 2, 3], set()),
        ([0, 1, 9, 2, 3], {9, 2, 3}),
        ([5, 6, 0, 7], {0, 5, 6}),
        ([0, 1, 800], {800}),
    ],
    ids=["in order", "ahead for a while", "behind for a while", "yet to come"],
)
def test_days_that_contradict_their_numbers_are_doubtful(
    scribe: Any, days: list[int], doubtful: set[int]
) -> None:
    """Either of two may be the wrong one, so neither is taken for old."""
    begin_s = NOW_S - 30 * 86400.0
    for seq, day in enumerate(days, 1):
        at_s = begin_s + day * 86400.0
        write(scribe, [replace(scribe.sweep(seq), started_s=at_s, due_s=at_s)])
    found = day_times(scribe.root, "harbour", None, NOW_S)
    assert {one.day for one in found if not one.is_trusted} == {
        day_of(begin_s + day * 86400.0) for day in doubtful
    }


def test_a_corrected_boot_and_what_was_swept_later_that_day_contradict_nothing(scribe: Any) -> None:
    """Of the rest of the day nothing is read but its date, which begins before the boot did."""
    write(scribe, [sweep(scribe, n, 50.0 * n) for n in range(1, 11)])
    later_s = NOW_S + 2000.0
    write(scribe, [replace(scribe.sweep(11), started_s=later_s, due_s=later_s)])
    times = TimeCorrections([correction()])
    found = day_times(scribe.root, "harbour", times, NOW_S + HOUR_S)
    assert [one.day for one in found] == [day_of(OLD_S), day_of(later_s)]
    assert [one.doubt for one in found] == [None, None]


def test_a_day_in_which_the_clock_was_set_back_has_a_volume_for_each_side(scribe: Any) -> None:
    """Times rise in each; all sweeps are read once, in the order of their numbers."""
    begin_s = NOW_S - NOW_S % 86400.0
    offsets_s = [0.0, 5.0, 10.0, 3.0, 8.0, 2.0, 7.0]
    writer = scribe.begun((scribe.meter(0),))
    for first, last in ((1, 4), (5, 7)):
        sweeps = tuple(
            replace(
                scribe.sweep(seq),
                started_s=begin_s + offsets_s[seq - 1],
                due_s=begin_s + offsets_s[seq - 1],
            )
            for seq in range(first, last + 1)
        )
        writer.commit(Batch(setups=(scribe.setup(),), sweeps=sweeps)).result(10)
        scribe.seal(writer, seq=last)
    assert writer.merge_due(begin_s + 2 * 86400.0).result(10) == 3
    names = [path.name.split("_")[1] for path in scribe.files("volume*.nc")]
    assert names == ["0000000001-0000000003", "0000000004-0000000005", "0000000006-0000000007"]
    found = open_archive(scribe.root).sweeps("harbour")
    assert found.sequence.values.tolist() == list(range(1, 8))
    assert found.started.values.tolist() == [begin_s + at_s for at_s in offsets_s]
    assert writer.merge_due(begin_s + 2 * 86400.0).result(10) == 0


def test_a_corrected_day_is_merged_under_the_day_that_was_recorded(scribe: Any) -> None:
    """The volume has the correction with it, and is found by true time with no ledger as well."""
    write(scribe, [sweep(scribe, n, 50.0 * n) for n in range(1, 11)])
    put(scribe, correction())
    writer = scribe.begun((scribe.meter(0),))
    assert writer.merge_due(NOW_S, clock_trusted=False).result(10) == 0
    assert writer.merge_due(NOW_S).result(10) == 1
    writer.close((), seal=False)
    (volume,) = scribe.files("volume*.nc")
    assert volume.parent.name == day_of(OLD_S)
    for path in scribe.root.glob("ledger.sqlite*"):
        path.unlink()
    found = open_archive(scribe.root).sweeps("harbour", NOW_S, NOW_S + 300.0)
    assert found.sequence.values.tolist() == [1, 2, 3, 4, 5]


# ---- bodies --------------------------------------------------------------------------------------


def test_a_body_comes_back_as_it_was_kept_and_another_is_named(scribe: Any) -> None:
    """Also one with open ends; what nobody can have written says what to do."""
    one = correction(1, piece(from_monotonic_s=None, to_monotonic_s=None))
    put(scribe, one)
    (overlay,) = open_archive(scribe.root).overlays()
    assert correction_of(overlay) == replace(one, at_s=overlay.at_s)
    assert one.span_s == (None, None)
    for body in ({}, {**one.to_body(), "uncertainty_s": "nan"}, {**one.to_body(), "pieces": [{}]}):
        with pytest.raises(ArchiveDamaged, match="acqd clock undo 1"):
            correction_of(replace(overlay, body=body))


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(2.5, "2.5 s"), (-125.0, "2 min"), (29520.0, "8 h 12 min"), (1.795e9, "20,775 days")],
)
def test_shifts_are_told_in_fitting_units(seconds: float, text: str) -> None:
    """Seconds, minutes, hours, days."""
    assert shift_text(seconds) == text


def test_many_corrections_are_asked_for_in_few_spans() -> None:
    """A station that was wrong at each of 500 starts asks no question of 500 terms."""
    many = TimeCorrections(
        correction(n, piece(was_s=OLD_S * n), boot=f"boot-{n}") for n in range(1, 501)
    )
    spans = many.shown_spans(NOW_S, NOW_S + 100.0)
    assert len(spans) == 1 and spans[0][0] < OLD_S + 2.0 and spans[0][1] >= NOW_S + 100.0
