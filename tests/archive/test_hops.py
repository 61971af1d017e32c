"""Hops: each one's time is kept with its sweep, bit for bit, wherever the sweep lies."""

from __future__ import annotations

import asyncio
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.hops import HOP_COUNT, HopTable, hop_blob, hops_of_blob
from acqd.archive.layout import DAY_S, ledger_path
from acqd.archive.reader import open_archive
from acqd.archive.records import Batch, SweepRecord
from acqd.archive.sweepfile import SweepFile
from acqd.clock import SystemClock
from acqd.config.load import parse_config
from acqd.drivers.registry import load_drivers
from acqd.errors import ArchiveDamaged, ArchiveError
from acqd.station.build import build
from acqd.station.service import Station
from acqd.sweep import Hop, SweepFlag

AT_S = 1_780_000_000.0


def _hops(seq: int, count: int) -> tuple[Hop, ...]:
    """``count`` hops of a sweep with times that no decimal text of few digits gives back."""
    return tuple(
        Hop(
            first_point=5 * number,
            points=5,
            started_s=float(np.nextafter(AT_S + seq + number / 7, np.inf)),
            took_s=0.1 + 0.2 + number / 3,
            ok=(seq + number) % 4 != 0,
        )
        for number in range(count)
    )


def _count(seq: int) -> int:
    """Most sweeps are taken in one go; 3, 4 and 9 are not."""
    return {3: 2, 4: 6, 9: 3}.get(seq, 0)


def _mixed(scribe: Any, first: int, last: int) -> Batch:
    sweeps = tuple(
        replace(scribe.sweep(seq), hops=_hops(seq, _count(seq))) for seq in range(first, last + 1)
    )
    return Batch(setups=(scribe.setup(),), sweeps=sweeps)


def _told(scribe: Any) -> dict[int, tuple[Hop, ...]]:
    events = open_archive(scribe.root).events("harbour")
    return {event.seq: event.hops for event in events if isinstance(event, SweepRecord)}


def _as_given(last: int) -> dict[int, tuple[Hop, ...]]:
    return {seq: _hops(seq, _count(seq)) for seq in range(1, last + 1)}


def test_hops_follow_their_sweep_from_journal_to_segment_to_volume(scribe: Any) -> None:
    """Hopped and unhopped sweeps in one segment, and a segment of unhopped ones beside it."""
    writer = scribe.begun()
    writer.commit(_mixed(scribe, 1, 5)).result(timeout=10)
    assert _told(scribe) == _as_given(5)
    scribe.seal(writer, seq=5)
    assert _told(scribe) == _as_given(5)
    writer.commit(_mixed(scribe, 6, 8)).result(timeout=10)
    scribe.seal(writer, seq=8)
    writer.commit(_mixed(scribe, 9, 11)).result(timeout=10)
    scribe.seal(writer, seq=11)
    assert len(scribe.files("segment_*.nc")) == 3
    assert _told(scribe) == _as_given(11)
    assert writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=20) == 1
    assert len(scribe.files()) == 1
    assert _told(scribe) == _as_given(11)


def test_a_failed_hop_stays_a_failed_hop(scribe: Any) -> None:
    """With the NaN and the flag that it left in its sweep."""
    level = scribe.level(1).copy()
    level[10:20] = np.nan
    hops = (
        Hop(first_point=0, points=10, started_s=AT_S, took_s=0.5),
        Hop(first_point=10, points=10, started_s=AT_S + 0.5, took_s=2.0, ok=False),
        Hop(first_point=20, points=11, started_s=AT_S + 2.5, took_s=0.5),
    )
    flags = SweepFlag.HOP_FAILED | SweepFlag.NOT_FINITE
    sweep = replace(scribe.sweep(1), level=level, flags=flags, hops=hops)
    writer = scribe.begun()
    writer.commit(Batch(setups=(scribe.setup(),), sweeps=(sweep,))).result(timeout=10)
    for _ in range(2):
        *_, found = open_archive(scribe.root).events("harbour")
        assert [hop.ok for hop in found.hops] == [True, False, True]
        assert found.hops == hops
        assert found.flags == flags
        assert np.array_equal(found.level, level, equal_nan=True)
        data = open_archive(scribe.root).sweeps("harbour")
        assert data.hop_ok.values.tolist() == [True, False, True]
        scribe.seal(writer, seq=1)


def test_hops_are_told_again_after_a_restart(scribe: Any) -> None:
    """Recovery's events are the records that were committed."""
    writer = scribe.begun()
    writer.commit(_mixed(scribe, 1, 5)).result(timeout=10)
    writer.close((), seal=False)
    job = scribe.open().recovery.job("harbour")
    told = {event.seq: event.hops for event in job.events() if isinstance(event, SweepRecord)}
    assert told == _as_given(5)


def test_hops_outlive_the_ledger(scribe: Any) -> None:
    """They lie in the files; a ledger made anew changes nothing about them."""
    writer = scribe.begun()
    writer.commit(_mixed(scribe, 1, 9)).result(timeout=10)
    scribe.seal(writer, seq=9)
    writer.close([scribe.meter(9)])
    for suffix in ("", "-wal", "-shm"):
        path = ledger_path(scribe.root)
        path.with_name(path.name + suffix).unlink(missing_ok=True)
    assert _told(scribe) == _as_given(9)
    again = scribe.begun()
    assert again.recovery.next_seq("harbour") == 10
    again.commit(_mixed(scribe, 10, 11)).result(timeout=10)
    scribe.seal(again, seq=11)
    assert again.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=20) == 1
    assert _told(scribe) == _as_given(11)


def _three_places(scribe: Any) -> None:
    """1 to 3 in a volume, 4 to 8 in a segment, 9 to 11 in the journal."""
    writer = scribe.begun()
    writer.commit(_mixed(scribe, 1, 3)).result(timeout=10)
    scribe.seal(writer, seq=3)
    assert writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=20) == 1
    writer.commit(_mixed(scribe, 4, 8)).result(timeout=10)
    scribe.seal(writer, seq=8)
    writer.commit(_mixed(scribe, 9, 11)).result(timeout=10)


@pytest.mark.parametrize(
    ("first", "last"), [(1, 11), (3, 4), (4, 10), (5, 9), (9, 9)], ids=lambda seq: str(seq)
)
def test_a_dataset_has_hops_along_a_dimension_of_their_own(
    scribe: Any, first: int, last: int
) -> None:
    """From all places; ``hop_sequence`` says which sweep each one is of."""
    _three_places(scribe)
    data = open_archive(scribe.root).sweeps(
        "harbour", scribe.start_s + first, scribe.start_s + last + 1
    )
    seqs = range(first, last + 1)
    given = [(seq, hop) for seq in seqs for hop in _hops(seq, _count(seq))]
    assert data.hops.dims == ("sweep",)
    assert data.hops.values.tolist() == [_count(seq) for seq in seqs]
    assert data.hop_duration.dims == ("hop",)
    assert data.hop_sequence.values.tolist() == [seq for seq, _ in given]
    assert data.hop_first_point.values.tolist() == [hop.first_point for _, hop in given]
    assert data.hop_points.values.tolist() == [hop.points for _, hop in given]
    assert data.hop_duration.values.tolist() == [hop.took_s for _, hop in given]
    assert data.hop_ok.values.tolist() == [hop.ok for _, hop in given]
    started_s = (data.hop_started.values - np.datetime64(0, "s")) / np.timedelta64(1, "s")
    assert np.abs(started_s - [hop.started_s for _, hop in given]).max() < 5e-7
    chosen = data.isel(hop=data.hop_sequence == 9)
    assert chosen.hop_points.size == (3 if last >= 9 else 0)


def test_a_dataset_of_sweeps_taken_in_one_go_has_only_the_count(scribe: Any) -> None:
    """No dimension of hops; zeros say that there were none."""
    _three_places(scribe)
    data = open_archive(scribe.root).sweeps("harbour", scribe.start_s + 5, scribe.start_s + 8)
    assert data.hops.values.tolist() == [0, 0, 0]
    assert [name for name in [*data.variables, *data.dims] if str(name).startswith("hop_")] == []
    assert "hop" not in data.dims


def test_a_file_of_sweeps_taken_in_one_go_knows_nothing_of_hops(scribe: Any) -> None:
    """So it is no larger for them, and one written before there were any reads the same."""
    import h5py

    writer = scribe.begun()
    writer.commit(_mixed(scribe, 5, 8)).result(timeout=10)
    scribe.seal(writer, seq=8)
    (path,) = scribe.files()
    with h5py.File(path) as file:
        assert [name for name in file if name.startswith("hop")] == []
    with SweepFile(path) as file:
        assert file.hops() is None
        assert [record.hops for _, record in file.rows(0, 4).records(file.setup())] == [()] * 4


@pytest.mark.parametrize("last", [2, 3], ids=["no hops", "hops"])
def test_columns_called_like_hops_keep_their_values(scribe: Any, last: int) -> None:
    """A summary may have figures of any name; the sweep's own facts keep theirs."""
    columns = {"hop": 1.5, "hops": 2.5, "hop_ok": 3.5, "hop_sequence": 4.5}
    batch = _mixed(scribe, 1, last)
    sweeps = tuple(replace(sweep, columns=columns) for sweep in batch.sweeps)
    writer = scribe.begun()
    writer.commit(replace(batch, sweeps=sweeps)).result(timeout=10)
    for _ in range(2):
        archive = open_archive(scribe.root)
        found = [e for e in archive.events("harbour") if isinstance(e, SweepRecord)]
        assert [one.columns for one in found] == [columns] * last
        assert [one.hops for one in found] == list(_as_given(last).values())
        data = archive.sweeps("harbour")
        assert data.hops.values.tolist() == [_count(seq) for seq in range(1, last + 1)]
        for name, value in columns.items():
            assert data[f"summary_{name}"].values.tolist() == [value] * last
        scribe.seal(writer, seq=last)


def test_many_hops_go_through_many_chunks(scribe: Any) -> None:
    """More than one chunk of the hops' variables, more than one block of sweeps."""
    sweeps = tuple(replace(scribe.sweep(seq), hops=_hops(seq, 60)) for seq in range(1, 301))
    writer = scribe.begun()
    writer.commit(Batch(setups=(scribe.setup(),), sweeps=sweeps)).result(timeout=10)
    scribe.seal(writer, seq=300)
    assert writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=20) == 1
    (path,) = scribe.files()
    with SweepFile(path) as file:
        assert len(list(file.blocks())) > 1
        assert file.hops().table.size == 18_000
    assert _told(scribe) == {sweep.seq: sweep.hops for sweep in sweeps}


def _sealed(scribe: Any) -> tuple[Any, Path]:
    writer = scribe.begun()
    writer.commit(_mixed(scribe, 1, 5)).result(timeout=10)
    scribe.seal(writer, seq=5)
    (path,) = scribe.files()
    return writer, path


def test_hops_that_differ_between_segment_and_volume_are_damage(scribe: Any) -> None:
    """As with everything else of a sweep: both files are kept."""
    import h5py

    writer, segment = _sealed(scribe)
    aside = scribe.root / "aside.nc"
    shutil.copy(segment, aside)
    assert writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=10) == 1
    with h5py.File(aside, "r+") as file:
        file["hop_duration"][4] = np.nextafter(file["hop_duration"][4], 9.0)
    shutil.copy(aside, segment)
    with pytest.raises(ArchiveDamaged, match="differ in hops; both are kept"):
        writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=10)


def test_counts_that_do_not_add_up_are_damage(scribe: Any) -> None:
    """Never the hops of another sweep."""
    import h5py

    _, path = _sealed(scribe)
    with h5py.File(path, "r+") as file:
        file[HOP_COUNT][0] = 1
    (path.parent / "manifest.json").unlink()  # which would say so before
    with SweepFile(path) as opened, pytest.raises(ArchiveDamaged, match="8 hops, expected 9"):
        opened.hops()


def test_hops_that_are_written_wrongly_keep_the_journal(
    scribe: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is read back is compared with what came from the journal."""
    real = HopTable.column

    def spoilt(self: HopTable, name: str) -> Any:
        values = real(self, name)
        if name == "started" and self.count.size == 5:
            values[-1] += 1.0
            monkeypatch.setattr(HopTable, "column", real)
        return values

    monkeypatch.setattr(HopTable, "column", spoilt)
    writer = scribe.begun()
    writer.commit(_mixed(scribe, 1, 5)).result(timeout=10)
    writer.rotate([scribe.meter(5)]).result(timeout=10)
    with pytest.raises(AssertionError, match="hops is not what was written"):
        scribe.wait_sealed(writer)
    assert scribe.files("*") == []
    assert _told(scribe) == _as_given(5)


def test_hops_that_cannot_be_kept_are_refused_alone(scribe: Any) -> None:
    """One line that names the sweep; other batches of the same moment are kept."""
    writer = scribe.begun(commit_within_s=0.2)
    bad = Hop(first_point=2**31, points=1, started_s=AT_S, took_s=1.0)
    wrong = Batch(
        setups=(scribe.setup(),), sweeps=(replace(scribe.sweep(1), hops=(*_hops(1, 1), bad)),)
    )
    refused, kept = writer.commit(wrong), writer.commit(_mixed(scribe, 3, 3))
    kept.result(timeout=10)
    with pytest.raises(ArchiveError, match=r"sweep 1: its hops cannot be kept: .*32 bits"):
        refused.result(timeout=10)
    assert _told(scribe) == {3: _hops(3, 2)}


def test_tables_select_and_join_like_lists() -> None:
    """Random blocks of sweeps against plain Python."""
    rng = np.random.default_rng(20260529)
    for _ in range(60):
        sizes = rng.integers(1, 9, size=rng.integers(1, 5)).tolist()
        blocks = [
            [_hops(int(rng.integers(99)), int(rng.choice([0, 0, 0, 1, 4]))) for _ in range(size)]
            for size in sizes
        ]
        tables = [HopTable.from_blobs([hop_blob(hops) for hops in block]) for block in blocks]
        flat = [hops for block in blocks for hops in block]
        whole = HopTable.join(tables, sizes)
        places = rng.integers(0, len(flat), size=rng.integers(0, 12))
        if whole is None:
            assert not any(flat)
            continue
        assert whole.split() == flat
        chosen = whole.select(places)
        wanted = [flat[place] for place in places.tolist()]
        assert (chosen.split() if chosen is not None else [()] * len(wanted)) == wanted
        assert (chosen is None) == (not any(wanted))


def test_a_hop_is_the_same_bits_in_the_journal() -> None:
    """Also times that are no number, and none at all is nothing."""
    assert hop_blob(()) is None
    assert hops_of_blob(None) == ()
    odd = Hop(first_point=0, points=2**31 - 1, started_s=-0.0, took_s=float("nan"), ok=False)
    (back,) = hops_of_blob(hop_blob((odd,)))
    assert str(back) == str(odd)
    assert type(back.ok) is bool


STATION = """\
[station]
name = "lookout"
archive = "archive"
keep_free = "1 MB"

[mqtt]
broker = "none"

[sweeper.mast]
driver = "sim"
address = "sim:mast"

[job.harbour]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "157 MHz"
points = 2500
rbw = "10 kHz"
detector = "sample"
when = { every = "500 ms" }
band = { margin = "8 dB" }
"""


def _sweeps_in(root: Path) -> list[SweepRecord]:
    return [e for e in open_archive(root).events("harbour") if isinstance(e, SweepRecord)]


@pytest.mark.slow
def test_a_station_keeps_the_hops_of_its_sweeper(tmp_path: Path) -> None:
    """More points than the sweeper has, over driver, host and job into a file."""
    built = build(parse_config(STATION, tmp_path / "station.toml"), load_drivers(), broker="none")

    async def first_sweep() -> None:
        ready = asyncio.Event()
        station = Station(built, clock=SystemClock(), run_id="run-1")
        running = asyncio.create_task(station.run(ready=lambda _: ready.set()))
        async with asyncio.timeout(20.0):
            await ready.wait()
            for _ in range(1000):
                if _sweeps_in(built.archive):
                    break
                await asyncio.sleep(0.02)
            station.stop()
            await running

    asyncio.run(first_sweep())
    assert list(built.archive.glob("sweeps/*/*/segment_*.nc"))
    sweep = _sweeps_in(built.archive)[-1]
    assert [hop.points for hop in sweep.hops] == [834, 834, 832]
    assert [hop.first_point for hop in sweep.hops] == [0, 834, 1668]
    assert all(hop.ok for hop in sweep.hops)
    ends_s = [hop.started_s + hop.took_s for hop in sweep.hops]
    starts_s = [hop.started_s for hop in sweep.hops]
    assert starts_s == sorted(starts_s)
    # Of two clocks, wall and monotonic: a millisecond is for the one being steered meanwhile.
    assert sweep.started_s - 1e-3 <= starts_s[0]
    assert ends_s[-1] <= sweep.started_s + sweep.took_s + 1e-3
    assert open_archive(built.archive).sweeps("harbour").hops.values[-1] == 3
