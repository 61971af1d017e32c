"""``acqd clock``: boots and what their clocks showed, a person's word on the time, and taking it
back."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.reader import Archive, open_archive
from acqd.clock import SystemClock

JOB = "marine-vhf"


def archive_of(folder: Path) -> Archive:
    (found,) = folder.rglob("ledger.sqlite")
    return open_archive(found.parent)


def starts_s(folder: Path) -> Any:
    return archive_of(folder).sweeps(JOB).started.values


def iso(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).isoformat()


@pytest.fixture
def night(kept: Path, tmp_path: Path) -> Path:
    """A copy of the archive of a short run, to be corrected."""
    import shutil

    shutil.copytree(archive_of(kept).root, tmp_path / "archive")
    return tmp_path / "archive"


def test_boots_are_listed_with_what_their_clocks_showed(acqd: Any, night: Path) -> None:
    """In one line for the short run, and as JSON with all of it."""
    answer = acqd("clock", "show", "--archive", str(night), "--json")
    (row,) = answer.json
    shown = starts_s(night)
    # On a busy machine some time passes between the readings of two clocks.
    assert row["shown_s"] == pytest.approx([shown[0], shown[-1]], abs=0.5)
    assert row["corrected_s"] is None and row["seqs"][JOB] == [1, shown.size]
    text = acqd("clock", "show", "--archive", str(night)).out
    assert row["boot_id"][:8] in text and f"{JOB} 1 to {shown.size}" in text


def test_a_shift_moves_a_boot_and_is_taken_back(acqd: Any, night: Path) -> None:
    """Said before it is done; the same again adds to it; undone one by one."""
    before = starts_s(night)
    (row,) = acqd("clock", "show", "--archive", str(night), "--json").json
    words = ("clock", "amend", "--archive", str(night), "--boot", row["boot_id"][:8])
    tried = acqd(*words, "--shift", "-1 h 30 min", "--dry-run")
    assert tried.code == 0 and "1 h 30 min earlier" in tried.out and "nothing was" in tried.out
    assert np.array_equal(starts_s(night), before)
    assert "undo 1 takes it back" in acqd(*words, "--shift", "-1 h 30 min", "by my watch").out
    assert starts_s(night) == pytest.approx(before - 5400.0, abs=0.01)
    acqd(*words, "--shift", "+30 min")
    assert starts_s(night) == pytest.approx(before - 3600.0, abs=0.01)
    listed = acqd("notes", "--archive", str(night)).out
    assert "1 h 30 min ahead: by my watch" in listed
    assert "correction 2 taken back" in acqd("clock", "undo", "2", "--archive", str(night)).out
    assert starts_s(night) == pytest.approx(before - 5400.0, abs=0.01)
    acqd("clock", "undo", "1", "--archive", str(night))
    assert np.array_equal(starts_s(night), before)


def test_a_sweep_whose_time_is_known_gives_those_of_the_others(acqd: Any, night: Path) -> None:
    """The boot and the stretch follow from it; what is exported says so."""
    before = starts_s(night)
    when = iso(float(before[1]) - 86400.0)
    answer = acqd(
        *("clock", "amend", "--archive", str(night), "--at-sweep", f"{JOB}/2", when),
        *("--uncertainty", "2 s"),
    )
    assert answer.code == 0, answer.err
    assert "good for ±2 s" in answer.out
    assert starts_s(night) == pytest.approx(before - 86400.0, abs=0.01)
    exported = acqd("export", str(night), "--job", JOB, "--what", "summary")
    assert "clock corrected: correction 1" in exported.err


REFUSED = {
    "nothing said": ((), "--shift", "not both"),
    "no boot": (("--shift", "+1 h"), "name it with --boot", None),
    "another boot": (("--boot", "nobody", "--shift", "+1 h"), "is no boot of this archive", None),
    "no sign": (("--boot", "", "--shift", "1 h"), "a sign and a duration", None),
    "no unit": (("--boot", "", "--shift", "+1"), "a sign and a duration", None),
    "no shift": (("--boot", "", "--shift", "+0 s"), "changes nothing", None),
    "yet to come": (("--boot", "", "--shift", "+300 d"), "yet to come", None),
    "years": (("--boot", "", "--shift", "-9000 d"), "say when a sweep was, --at-sweep", None),
    "long ago": (("--boot", "", "--shift", "-366 d 366 d"), "before there were stations", None),
    "no such stretch": (
        ("--boot", "", "--stretch", "7", "--shift", "-1 h"),
        "counted from 1",
        None,
    ),
    "no such sweep": (("--at-sweep", f"{JOB}/99999999", "21:05"), "has no sweep 99999999", None),
    "no such job": (("--at-sweep", "marine/1", "21:05"), "no job 'marine'", None),
    "no number": (("--at-sweep", JOB, "21:05"), "a job and a number", None),
    "no time": (("--at-sweep", f"{JOB}/1", "25:99"), "is no time", None),
    "no length": (("--boot", "", "--shift", "-1 h", "--uncertainty", "2"), "--uncertainty", None),
}


@pytest.mark.parametrize("case", REFUSED.values(), ids=REFUSED)
def test_what_makes_no_sense_is_refused_in_a_line(acqd: Any, kept: Path, case: Any) -> None:
    """And nothing is stored."""
    words, said, unsaid = case
    archive = archive_of(kept)
    answer = acqd("clock", "amend", "--archive", str(archive.root), *words)
    assert answer.code == 2 and said in answer.complaint
    assert unsaid is None or unsaid not in answer.complaint
    assert "\n" not in answer.complaint.strip()
    assert archive.times() is None


def test_a_sweep_that_has_that_time_already_is_said(acqd: Any, kept: Path) -> None:
    """So that a slip in the number shows."""
    archive = archive_of(kept)
    when = iso(round(float(archive.sweeps(JOB).started.values[0]), 6))
    words = ("clock", "amend", "--archive", str(archive.root), "--at-sweep", f"{JOB}/1", when)
    answer = acqd(*words)
    assert answer.code == 2 and "nothing is to be corrected" in answer.complaint


def test_the_boot_that_goes_on_is_corrected_up_to_now(acqd: Any, night: Path) -> None:
    """The clock may be right from now on; the open end of another boot stays open."""
    (row,) = acqd("clock", "show", "--archive", str(night), "--json").json
    before_s = SystemClock().monotonic_s()
    acqd("clock", "amend", "--archive", str(night), "--boot", row["boot_id"], "--shift", "-1 h")
    times = archive_of(night.parent).times()
    assert times is not None
    (piece,) = times.made[0].pieces
    if row["boot_id"] == SystemClock().boot_id:
        assert piece.to_monotonic_s is not None and piece.to_monotonic_s >= before_s
    else:
        assert piece.to_monotonic_s is None


def test_only_a_correction_is_taken_back_here(acqd: Any, folder: Path) -> None:
    """A remark is none; acqd notes takes those."""
    acqd("note", "lamp off", folder=folder)
    answer = acqd("clock", "undo", "1", folder=folder)
    assert answer.code == 2 and "is a note, no correction of a clock" in answer.complaint
    assert json.loads(acqd("clock", "show", "--json", folder=folder).out) == []
    assert "no sweep" in acqd("clock", "show", folder=folder).out
