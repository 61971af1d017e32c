"""Chains that were other than described, as readers see them; and what people take back.

Levels are worked out again from the files with h5py and numpy alone.
"""

from __future__ import annotations

import math
import pickle
import shutil
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
import xarray as xr

from acqd.archive.amendments import (
    AddPart,
    ChainAmendments,
    Change,
    PartTable,
    RemovePart,
    SetPart,
    WholeChain,
    amendment_of,
    changes_to_json,
    numbers_of,
    recorded_digest,
)
from acqd.archive.layout import ledger_path
from acqd.archive.ledger import Overlay, standing, undone_of
from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import SetupRecord
from acqd.archive.views import SetupView, levels_to_json
from acqd.archive.writer import ArchiveWriter
from acqd.chain import Chain, ChainPart, PartKind
from acqd.errors import ArchiveDamaged

START_S = 1_780_000_000.0
PAD = ChainPart.flat(PartKind.PAD, "20 dB pad", gain_db=-20.0, uncertainty_db=0.3)
LEAD = ChainPart(
    kind=PartKind.CABLE,
    name="lead",
    frequency_hz=(100e6, 200e6),
    gain_db=(-0.4, -1.1),
    uncertainty_db=0.5,
)
CHAIN = Chain((PAD, LEAD))
WAS: tuple[PartTable, ...] = (((0.0,), (-20.0,)),)


def details(chain: Chain | None, **more: Any) -> dict[str, Any]:
    """What a station records of a setup, as far as a chain matters."""
    u_db = 0.0 if chain is None else chain.uncertainty_db
    parts = None if chain is None else chain.to_json()
    return {
        "chain": parts,
        "plane": "the sweeper's input" if chain is None else "the aerial socket",
        "config": {"chain": None if chain is None else "aerial", "chain_parts": parts},
        "config_digest": "c1",
        "measuring": {
            "rbw_hz": 10e3,
            "detector": "sample",
            "averages": None,
            "interval_s": 1.0,
            "sweep_time_s": 0.5,
            "level_accuracy_db": math.hypot(1.5, u_db),
            "frequency_accuracy_ppm": 1.0,
            "assumed": [],
            "sweeper_accuracy_db": 1.5,
            "chain_parts": [[part.name, part.uncertainty_db] for part in (chain or Chain()).parts],
        },
        **more,
    }


def kept(scribe: Any, sweeps: int = 20, *, chain: Chain | None = CHAIN, **more: Any) -> Any:
    """An archive of so many sweeps, a second apart, sealed; its writer."""
    axis = np.linspace(156e6, 157e6, 31)
    gain = None if chain is None else chain.gain_db(axis)
    setup = scribe.setup(chain_gain_db=gain, details=details(chain, **more))
    writer = scribe.begun()
    writer.commit(scribe.batch(1, sweeps, setups=(setup,))).result(timeout=10)
    scribe.seal(writer, seq=sweeps)
    return writer


def put(writer: ArchiveWriter, changes: list[Change], **when: Any) -> int:
    body = {"reason": "it is marked so", "changes": changes_to_json(changes)}
    return writer.add_overlay("chain", body=body, who="Ada", job="harbour", **when).result(10)


def undo(writer: ArchiveWriter, number: int) -> int:
    body = {"undoes": number}
    return writer.add_overlay("undo", body=body, who="Ada", job="harbour").result(10)


def pad_of(gain_db: float, was: tuple[PartTable, ...] = WAS, **more: Any) -> SetPart:
    return SetPart(part="20 dB pad", was=was, frequency_hz=(0.0,), gain_db=(gain_db,), **more)


def raw(scribe: Any) -> tuple[Any, Any, Any]:
    """Levels, start times and frequencies, by h5py alone."""
    (path,) = scribe.files()
    with h5py.File(path) as file:
        level = file["level"]
        values = (level[...] * level.attrs["scale_factor"]).astype(np.float32)
        return values, file["time"][...], file["frequency"][...]


def first_setup(archive: Archive) -> SetupRecord:
    """The setup that a meter is told of first."""
    setup = next(iter(archive.events("harbour")))
    assert isinstance(setup, SetupRecord)
    return setup


def far_end(archive: Archive, **more: Any) -> Any:
    return archive.sweeps("harbour", plane="far end", **more).level.values


def test_levels_at_the_far_end_go_by_the_amended_part(scribe: Any) -> None:
    """In the range and nowhere else; against h5py, numpy and the figures of the parts."""
    writer = kept(scribe)
    from_s, to_s = START_S + 6.0, START_S + 14.0
    number = put(writer, [pad_of(-10.0)], from_s=from_s, to_s=to_s)
    levels, time_s, axis = raw(scribe)
    lead = np.interp(axis, [100e6, 200e6], [-0.4, -1.1])
    within = (time_s >= from_s) & (time_s < to_s)
    assert within.sum() == 8
    pad = np.where(within, -10.0, -20.0)[:, None]
    archive = open_archive(scribe.root)
    np.testing.assert_allclose(far_end(archive), levels - pad - lead, atol=1e-12)
    data = archive.sweeps("harbour", plane="far-end")
    assert data.chain_amendment.values.tolist() == (within * number).tolist()
    (told,) = data.attrs["chain_amendment"]
    assert told.startswith(f"amendment {number} by Ada at 2026-")
    assert "20 dB pad: −10 dB, was −20 dB" in told and told.endswith("because: it is marked so")
    assert set(data.setup.values) == {"aa11"} and data.attrs["setups"] == ["aa11"]
    # What was measured is the same either way, and so is the archive as it was recorded.
    as_kept = open_archive(scribe.root, amended=False)
    np.testing.assert_allclose(far_end(as_kept), levels + 20.0 - lead, atol=1e-12)
    assert "chain_amendment" not in as_kept.sweeps("harbour").variables
    for one in (archive, as_kept):
        assert one.sweeps("harbour").level.values.tobytes() == levels.tobytes()


def test_a_piece_of_a_dataset_is_read_with_its_own_chain(scribe: Any) -> None:
    """Rows in any order, a few of them, in another process too, and over a merge under it."""
    writer = kept(scribe)
    put(writer, [pad_of(-10.0)], from_s=START_S + 6.0, to_s=START_S + 14.0)
    data = open_archive(scribe.root).sweeps("harbour", plane="far end")
    whole = data.level.values
    assert writer.merge_due(START_S + 2 * 86400.0).result(timeout=20) == 1
    rows = [17, 9, 3, 12]
    assert np.array_equal(data.level[rows, 4:9].values, whole[rows][:, 4:9])
    assert np.array_equal(data.level[10, ::5].values, whole[10, ::5])
    again = pickle.loads(pickle.dumps(data))
    assert np.array_equal(again.level.values, whole)


def test_other_programs_see_what_was_recorded(scribe: Any) -> None:
    """Files are not touched: bit by bit as before, with the chain as it was described."""
    writer = kept(scribe)
    (path,) = scribe.files()
    before = path.read_bytes()
    put(writer, [pad_of(-10.0)])
    assert path.read_bytes() == before
    with xr.open_dataset(path, engine="h5netcdf") as data:
        assert data.chain_gain.values[0] == pytest.approx(-20.0 - 0.792)
    with h5py.File(path) as file:
        assert file["chain_gain"][0] == pytest.approx(-20.0 - 0.792)


def test_the_later_of_two_holds_where_it_reaches_and_undone_brings_the_earlier_back(
    scribe: Any,
) -> None:
    writer = kept(scribe)
    first = put(writer, [pad_of(-10.0)], to_s=START_S + 14.0)
    second = put(writer, [pad_of(-6.0)], from_s=START_S + 6.0)
    levels, time_s, axis = raw(scribe)
    lead = np.interp(axis, [100e6, 200e6], [-0.4, -1.1])

    def expect(pad: Any) -> None:
        got = far_end(open_archive(scribe.root))
        np.testing.assert_allclose(got, levels - np.reshape(pad, (-1, 1)) - lead, atol=1e-12)

    later = time_s >= START_S + 6.0
    expect(np.where(later, -6.0, -10.0))
    gone = undo(writer, second)
    expect(np.where(time_s < START_S + 14.0, -10.0, -20.0))
    again = undo(writer, gone)
    expect(np.where(later, -6.0, -10.0))
    undo(writer, again)
    undo(writer, first)
    expect(np.full(time_s.size, -20.0))


def test_two_about_different_parts_both_hold(scribe: Any) -> None:
    writer = kept(scribe)
    put(writer, [pad_of(-10.0)])
    table = (((100e6, 200e6), (-0.4, -1.1)),)
    put(writer, [SetPart(part="lead", was=table, frequency_hz=(0.0,), gain_db=(-3.0,))])
    levels, _, _ = raw(scribe)
    np.testing.assert_allclose(far_end(open_archive(scribe.root)), levels + 13.0, atol=1e-12)


@pytest.mark.parametrize("sealed", [True, False])
def test_it_holds_for_what_is_still_recorded_wrongly_and_no_longer(
    scribe: Any, sealed: bool
) -> None:
    """An amendment without an end stops where the config was corrected, and where another pad is
    described under the same name."""
    writer = kept(scribe)
    put(writer, [pad_of(-10.0)])
    axis = np.linspace(156e6, 157e6, 31)

    def more(first: int, chain: Chain, name: str) -> None:
        setup = scribe.setup(setup=name, chain_gain_db=chain.gain_db(axis), details=details(chain))
        sweeps = tuple(scribe.sweep(seq, setup=name) for seq in range(first, first + 3))
        batch = scribe.batch(first, first, setups=(setup,), sweeps=sweeps)
        writer.commit(batch).result(timeout=10)

    more(21, CHAIN, "bb22")
    right = ChainPart.flat(PartKind.PAD, "20 dB pad", gain_db=-10.0, uncertainty_db=0.3)
    other = ChainPart.flat(PartKind.PAD, "20 dB pad", gain_db=-30.0, uncertainty_db=0.3)
    more(24, Chain((right, LEAD)), "cc33")
    more(27, Chain((other, LEAD)), "dd44")
    if sealed:
        scribe.seal(writer, seq=29)
    archive = open_archive(scribe.root)
    data = archive.sweeps("harbour", plane="far end")
    lead = LEAD.gain_at_db(axis)
    levels = archive.sweeps("harbour").level.values
    pad = np.repeat([-10.0, -10.0, -10.0, -30.0], [20, 3, 3, 3])[:, None]
    np.testing.assert_allclose(data.level.values, levels - pad - lead, atol=1e-12)
    marked = [bool(one) for one in data.chain_amendment.values]
    assert marked == [True] * 23 + [False] * 6


def test_parts_are_added_removed_and_replaced(scribe: Any) -> None:
    writer = kept(scribe)
    levels, _, axis = raw(scribe)
    lead = LEAD.gain_at_db(axis)
    extra = ChainPart.flat(PartKind.OTHER, "tee", gain_db=-3.5, uncertainty_db=1.0)
    number = put(writer, [AddPart(part=extra, chains=(CHAIN.parts,))])
    archive = open_archive(scribe.root)
    np.testing.assert_allclose(far_end(archive), levels + 23.5 - lead, atol=1e-12)
    second = put(writer, [RemovePart(part="20 dB pad", was=WAS)])
    np.testing.assert_allclose(far_end(archive), levels + 3.5 - lead, atol=1e-12)
    for each in (second, number):
        undo(writer, each)
    put(writer, [WholeChain(parts=(extra,), chains=(CHAIN.parts,))])
    np.testing.assert_allclose(far_end(archive), levels + 3.5, atol=1e-12)


def test_a_job_without_a_chain_gets_one(scribe: Any) -> None:
    """Levels were those at the input; now they are those before a pad that nobody described."""
    writer = kept(scribe, chain=None)
    archive = open_archive(scribe.root)
    levels = archive.sweeps("harbour").level.values
    assert np.array_equal(far_end(archive), levels.astype(np.float64))
    put(writer, [AddPart(part=PAD, chains=(None,))])
    np.testing.assert_allclose(far_end(archive), levels + 20.0, atol=1e-12)
    assert first_setup(archive).details["plane"] == "the chain's far end"


def test_the_uncertainty_of_levels_is_that_of_the_amended_chain(scribe: Any) -> None:
    """Root of the sum of squares of the sweeper and all parts, as it is made live."""
    writer = kept(scribe)
    put(writer, [pad_of(-10.0, uncertainty_db=2.0)])
    setup = first_setup(open_archive(scribe.root))
    event = SetupView.of(setup, 0.0).event
    assert event.level_accuracy_db == pytest.approx(math.sqrt(1.5**2 + 2.0**2 + 0.5**2))
    assert event.chain_parts == (("20 dB pad", 2.0), ("lead", 0.5))
    axis = np.linspace(156e6, 157e6, 31)
    assert event.gain_db == pytest.approx(-10.0 + np.interp(axis, [100e6, 200e6], [-0.4, -1.1]))


def test_a_reference_has_the_chain_of_its_own_time(scribe: Any) -> None:
    """What was compared through another pad is compared at the plane, where that matters; a quiet
    reference, with the input terminated, has no chain before it."""
    level = scribe.level(99)
    at_s = START_S - 100.0
    told = [
        {
            "role": role, "at_s": at_s, "differs": [], "level": levels_to_json(level),
            "sweeps": 1, "repeatability_db": None, "temperature_c": None,
        }
        for role in ("ambient", "quiet")
    ]  # fmt: skip
    writer = kept(scribe, references=told)
    put(writer, [pad_of(-10.0)], from_s=START_S)
    setup = first_setup(open_archive(scribe.root))
    references = SetupView.of(setup, 0.0).event.references
    axis = np.linspace(156e6, 157e6, 31)
    lead = LEAD.gain_at_db(axis)
    at_plane = references["ambient"].level
    np.testing.assert_allclose(at_plane, level.astype(np.float64) + 20.0 - lead, atol=1e-12)
    quiet = references["quiet"].level
    np.testing.assert_allclose(quiet, level.astype(np.float64) + 10.0 - lead, atol=1e-12)


def test_sweeps_before_a_reference_of_an_amended_time_are_compared_rightly_too(
    scribe: Any,
) -> None:
    """Only the reference was taken in the range: sweeps stay, and it moves."""
    level = scribe.level(99)
    told = [
        {
            "role": "through", "at_s": START_S - 100.0, "differs": [],
            "level": levels_to_json(level), "sweeps": 1, "repeatability_db": None,
            "temperature_c": None,
        }
    ]  # fmt: skip
    writer = kept(scribe, references=told)
    number = put(writer, [pad_of(-10.0)], to_s=START_S)
    archive = open_archive(scribe.root)
    levels, _, axis = raw(scribe)
    lead = LEAD.gain_at_db(axis)
    np.testing.assert_allclose(far_end(archive), levels + 20.0 - lead, atol=1e-12)
    setup = first_setup(archive)
    assert numbers_of(setup) == (number,)
    assert recorded_digest(setup) == "aa11"
    through = SetupView.of(setup, 0.0).event.references["through"]
    np.testing.assert_allclose(through.level, level.astype(np.float64) + 10.0 - lead, atol=1e-12)


def test_volumes_alone_have_what_was_said_before_they_were_made(
    scribe: Any, tmp_path: Path
) -> None:
    """Copied files give the same; what was said after the last file is in the ledger alone."""
    writer = kept(scribe)
    first = put(writer, [pad_of(-10.0)])
    gone = undo(writer, put(writer, [pad_of(-3.0)]))
    assert writer.merge_due(START_S + 2 * 86400.0).result(timeout=20) == 1
    late = put(writer, [pad_of(-6.0)])
    shutil.copytree(scribe.root / "sweeps", tmp_path / "copied" / "sweeps")
    alone = open_archive(tmp_path / "copied")
    assert [one.id for one in alone.overlays("harbour")] == [first]
    assert [one.id for one in alone.overlays("harbour", undone=True)] == [first, first + 1, gone]
    levels = alone.sweeps("harbour").level.values
    axis = np.linspace(156e6, 157e6, 31)
    lead = LEAD.gain_at_db(axis)
    np.testing.assert_allclose(far_end(alone), levels + 10.0 - lead, atol=1e-12)
    np.testing.assert_allclose(far_end(open_archive(scribe.root)), levels + 6.0 - lead, atol=1e-12)
    # A ledger that is lost is made anew from them, with what they have.
    writer.close((), seal=True)
    ledger_path(scribe.root).unlink()
    scribe.open().close((), seal=False)
    assert [one.id for one in open_archive(scribe.root).overlays("harbour")] == [first]
    assert late not in [one.id for one in open_archive(scribe.root).overlays(undone=True)]


def test_an_undone_reference_is_not_the_newest_that_files_have(scribe: Any) -> None:
    """A file has the newest of each role that stood, which is what its job went by."""
    writer = kept(scribe, 3)

    def refer(at_s: float) -> int:
        body = {"role": "through", "at_s": at_s}
        stored = writer.add_overlay("reference", body=body, who="Ada", job="harbour", from_s=at_s)
        return stored.result(10)

    old, new = refer(1.0), refer(2.0)
    undo(writer, new)
    copied = writer._ledger.copy_for(
        "harbour", START_S + 1e6, START_S + 2e6, after_event=0, rows_most=100
    )["overlay"]
    assert [row[0] for row in copied if row[1] == "reference"] == [old]
    assert [one.id for one in writer._ledger.overlays() if one.kind == "reference"] == [old]


def test_pins_hold_for_a_range_of_one_job_or_of_all(scribe: Any) -> None:
    writer = kept(scribe)
    night = {"from_s": START_S, "to_s": START_S + 100.0}
    one = writer.add_overlay("pin", body={}, who="Ada", job="harbour", **night).result(10)
    archive = open_archive(scribe.root)
    assert archive.is_pinned("harbour", START_S + 50.0, START_S + 60.0)
    assert archive.is_pinned("harbour", START_S - 50.0, START_S + 0.5)
    assert not archive.is_pinned("harbour", START_S - 50.0, START_S)
    assert not archive.is_pinned("harbour", START_S + 100.0, START_S + 200.0)
    assert not archive.is_pinned("calling", START_S, START_S + 1.0)
    undo(writer, one)
    assert not archive.is_pinned("harbour", START_S, START_S + 1.0)
    writer.add_overlay("pin", body={}, who="Ada", from_s=START_S).result(10)
    assert archive.is_pinned("calling", START_S + 1e9, START_S + 2e9)


def test_undoing_may_be_undone_to_any_depth() -> None:
    assert undone_of({}) == set()
    assert undone_of({2: 1}) == {1}
    assert undone_of({2: 1, 3: 2}) == {2}
    assert undone_of({2: 1, 3: 2, 4: 3}) == {1, 3}
    rows = [
        Overlay(id=1, kind="note", job=None, from_s=0.0, to_s=None, body={}, who="", at_s=0.0),
        Overlay(
            id=2, kind="undo", job=None, from_s=None, to_s=None, body={"undoes": 1}, who="",
            at_s=0.0,
        ),
    ]  # fmt: skip
    assert standing(rows) == [] and [one.id for one in standing(rows[:1])] == [1]


def test_what_another_acqd_wrote_is_said_in_a_line(scribe: Any) -> None:
    writer = kept(scribe)
    body = {"reason": "", "changes": [{"do": "turn"}]}
    number = writer.add_overlay("chain", body=body, who="Ada", job="harbour").result(10)
    with pytest.raises(ArchiveDamaged, match=rf"amendment {number} cannot be read.*notes undo"):
        far_end(open_archive(scribe.root))
    assert far_end(open_archive(scribe.root, amended=False)).size
    undo(writer, number)
    assert far_end(open_archive(scribe.root)).size


@pytest.mark.parametrize("gain_db", [math.nan, math.inf])
def test_a_figure_that_no_part_can_have_is_refused(gain_db: float) -> None:
    body = {"reason": "", "changes": changes_to_json([pad_of(gain_db)])}
    overlay = Overlay(
        id=3, kind="chain", job="harbour", from_s=None, to_s=None, body=body, who="", at_s=0.0
    )
    with pytest.raises(ArchiveDamaged, match="amendment 3"):
        amendment_of(overlay)


def test_stretches_are_cut_at_every_edge(scribe: Any) -> None:
    """Each moment belongs to the setup that an amendment by itself gives it, whatever overlaps."""
    chance = np.random.default_rng(5)
    made = []
    for number in range(1, 9):
        bounds = sorted(chance.uniform(0.0, 100.0, 2).tolist())
        change = pad_of(float(-number))
        body = {"reason": "", "changes": changes_to_json([change])}
        from_s = None if chance.random() < 0.2 else bounds[0]
        to_s = None if chance.random() < 0.2 else bounds[1]
        made.append(
            amendment_of(
                Overlay(
                    id=number, kind="chain", job="harbour", from_s=from_s, to_s=to_s, body=body,
                    who="", at_s=0.0,
                )
            )
        )  # fmt: skip
    amendments = ChainAmendments(made)
    axis = np.linspace(156e6, 157e6, 31)
    setup = scribe.setup(chain_gain_db=CHAIN.gain_db(axis), details=details(CHAIN))
    at_s = np.concatenate([chance.uniform(-5.0, 105.0, 300), [one.from_s or 0.0 for one in made]])
    seen = np.zeros(at_s.size, dtype=int)
    for given, mask in amendments.split(setup, at_s):
        seen += mask
        for moment in at_s[mask].tolist():
            last = [one for one in made if one.covers(moment)]
            expected = -20.0 if not last else -float(last[-1].number)
            gain = expected + LEAD.gain_at_db(axis)
            np.testing.assert_allclose(given.chain_gain_db, gain, atol=1e-12)
    assert (seen == 1).all()
