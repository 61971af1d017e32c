"""Chains that were amended: every kind measured again gives what it had given with the right chain.

Twins: two watches over the very same sweeps, one with the chain described wrongly and amended
later, one with the right chain from the start. What is shown of the first must be what was
published of the second, to the bit.
"""

from __future__ import annotations

from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from acqd.archive.amendments import ChainAmendments, SetPart, changes_to_json, numbers_of
from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import CONTEXT, SweepRecord
from acqd.archive.tables import text_of
from acqd.archive.writer import ArchiveWriter
from acqd.chain import Chain
from acqd.measure.meter import Role
from acqd.report.gather import gather
from acqd.report.kinds import parts_of
from acqd.report.source import JobSource
from acqd.station.again import measure_again
from acqd.station.replay import Replay
from acqd.station.replay_changes import Changes, both
from acqd.station.replay_check import Check
from acqd.testing.clock import ManualClock

SCENE = """\
seed = 20260614

[scene.bench]
[[scene.bench.transmitter]]
name = "hand-held"
frequency = "156.8 MHz"
power = "37 dBm"
harmonics = ["44 dB", "70 dB"]

[[scene.bench.carrier]]
name = "line of the converter"
frequency = "156.77 MHz"
power = "-10 dBm"

[device.power-pad]
kind = "pad"
loss = "50 dB"

[device.stop]
kind = "band-stop"
prototype = "chebyshev"
order = 3
ripple = "0.1 dB"
centre = "156.8 MHz"
width = "40 kHz"
loss = "0.4 dB"
floor = "55 dB"

[device.nothing]
kind = "open"

[instrument.shack]
scene = "bench"
path = ["power-pad"]
serial_number = "GL0104"
residuals = 0
attenuation_step = "5 dB"
danl = "-150 dBm"
points_max = 10001
rbw_min = "300 Hz"
accuracy = "1 dB"
sweep_factor = 1.0
source_min = "-40 dBm"
source_max = "0 dBm"
"""

JOB = """\
[chain.load]
title = "the socket"
[[chain.load.part]]
kind = "pad"
name = "power pad"
loss = "{loss}"
uncertainty = "0.3 dB"
[[chain.load.part]]
kind = "cable"
name = "patch lead"
loss_at = [["100 MHz", "0.4 dB"], ["600 MHz", "1.3 dB"]]

[job.bench]
kind = "{kind}"
sweeper = "shack"
chain = "load"
centre = "156.8 MHz"
span = "200 kHz"
points = 401
rbw = "3 kHz"
detector = "rms"
attenuation = "10 dB"
when = {{ every = "1 min" }}
{more}
"""

MORE = {
    "band": 'band = { margin = "10 dB", aerial = { aerial_loss = "0.5 dB" } }',
    "carrier": 'carrier = { window = "100 kHz" }',
    "emission": """\
transmitter = { power = "5 W", margin = "20 dB" }
[job.bench.emission]
expected = "156.8 MHz"
designator = "16K0F3E"
bandwidth_rbw = "300 Hz"
harmonics = 2
harmonic_rbw = "3 kHz"
key_within = "20 s"
limits = "us-97-307-vhf"
""",
    "transmission": """\
source = { level = "-20 dBm" }
transmission = { pad = { value = "0 dB", within = "60 dB" } }
""",
    "reflection": """\
source = { level = "-20 dBm" }
[job.bench.reflection]
named = { calling = "156.8 MHz" }
directivity = "30 dB"
source_match = "20 dB"
""",
    "soak": """\
band = { margin = "10 dB" }
[job.bench.soak]
length = "5 min"
coverage_at_least = "50 %"
[[job.bench.soak.limit]]
figure = "strongest_dbm"
at_most = "25 dBm"
""",
}

WRONG, RIGHT = "30 dB", "50 dB"
ROLES = {"transmission": (Role.THROUGH,), "reflection": (Role.OPEN,)}


def watched(watches: ModuleType, folder: Path, kind: str, loss: str) -> Any:
    text = JOB.format(kind="band" if kind == "soak" else kind, loss=loss, more=MORE[kind])
    path = ("stop",) if kind in ROLES else None
    one = watches.Watch(folder, SCENE, text, source_path=path)
    for role in ROLES.get(kind, ()):
        one.refer(role, *(("nothing",) if kind == "reflection" else ()))
    return one.run(7 if kind == "soak" else 3)


def keep(root: Path, kind: str, body: Any, *, job: str | None, **when: Any) -> int:
    """An overlay as a command leaves it, made by Ada."""
    clock = ManualClock(1_790_000_000.0)
    writer = ArchiveWriter.open(root, station="gannet-ledge", run_id="note", clock=clock)
    try:
        return writer.add_overlay_now(kind, body=body, who="Ada", job=job, **when)
    finally:
        writer.close((), seal=False)


def amend(root: Path, job: str, part: str, was_db: float, gain_db: float, **when: Any) -> int:
    change = SetPart(part=part, was=(((0.0,), (was_db,)),), frequency_hz=(0.0,), gain_db=(gain_db,))
    body = {"reason": "it is marked so", "changes": changes_to_json([change])}
    return keep(root, "chain", body, job=job, **when)


def undo(root: Path, number: int, job: str) -> int:
    return keep(root, "undo", {"undoes": number, "reason": ""}, job=job)


def figures(archive: Archive, job: str = "bench") -> list[tuple[int, str, str]]:
    """Number, columns and summary of each sweep, as texts that are equal where all bits are."""
    found = []
    for event in archive.events(job):
        if isinstance(event, SweepRecord):
            columns = {k: v for k, v in event.columns.items() if not k.startswith(CONTEXT)}
            found.append(
                (event.seq, text_of(dict(sorted(columns.items()))), text_of(event.summary))
            )
    return found


def findings(archive: Archive, job: str = "bench") -> list[tuple[Any, ...]]:
    return [
        (one.what, one.at_s, one.seq, one.text, text_of(one.figures))
        for one in archive.findings(job)
    ]


def hours(archive: Archive, job: str = "bench") -> list[tuple[float, str]]:
    return [(one.hour_start_s, text_of(one.figures)) for one in archive.hourly(job)]


def is_exact(root: Path, job: str = "bench") -> bool:
    check = Check(same_place=True)
    for told in Replay(archive=open_archive(root, amended=False), job=job).run():
        check.take(told)
    assert check.sweeps
    return check.is_exact


@pytest.mark.parametrize("kind", list(MORE))
def test_an_amended_watch_is_what_its_twin_was_from_the_start(
    watches: ModuleType, tmp_path: Path, kind: str
) -> None:
    """Columns, summaries, hours and findings, of every kind and of a soak."""
    wrong = watched(watches, tmp_path / "wrong", kind, WRONG)
    right = watched(watches, tmp_path / "right", kind, RIGHT)
    root = wrong.archive.root
    published = figures(wrong.archive)
    number = amend(root, "bench", "power pad", -30.0, -50.0)
    archive = open_archive(root)
    again = measure_again(archive, "bench", 0.0, 4e9)
    assert again is not None
    assert figures(archive) == figures(right.archive)
    assert findings(archive) == findings(right.archive)
    assert hours(archive) == hours(right.archive)
    # What was published stays, and is what a check goes by; undone, it is all there is.
    assert figures(open_archive(root)) == published and is_exact(root)
    undo(root, number, "bench")
    archive = open_archive(root)
    assert measure_again(archive, "bench", 0.0, 4e9) is None
    assert figures(archive) == published and is_exact(root)


def test_a_verdict_turns_and_it_is_said(watches: ModuleType, tmp_path: Path) -> None:
    """The second harmonic was far below 25 µW with the wrong pad; with the right one it is not."""
    one = watched(watches, tmp_path / "one", "emission", WRONG)
    right = watched(watches, tmp_path / "two", "emission", RIGHT)
    root = one.archive.root
    then = [str(verdict["verdict"]) for verdict in one.verdicts]
    turned = [str(verdict["verdict"]) for verdict in right.verdicts]
    assert set(then) == {"pass"} and "fail" in turned and "pass" not in turned
    amend(root, "bench", "power pad", -30.0, -50.0)
    changes = Changes()
    recorded = Replay(archive=open_archive(root, amended=False), job="bench")
    for was, is_ in both(recorded, Replay(archive=open_archive(root), job="bench")):
        changes.take(was, is_)
    assert changes.counts["verdict"] == len(one.verdicts) == 3
    turns = [change for change in changes.shown if change.kind == "verdict"]
    assert [(change.then, change.now) for change in turns] == list(zip(then, turned, strict=True))
    exceeded = [change for change in changes.shown if change.what == "limit_exceeded"]
    assert exceeded and all(change.kind == "new" for change in exceeded)
    report = gather(open_archive(root), again=measure_again, now_s=4e9)
    (job,) = report.jobs
    (expected,) = gather(right.archive, now_s=4e9).jobs
    assert job.verdict == expected.verdict and job.verdict is not None
    assert job.verdict.verdict == turned[-1] and job.headline == expected.headline
    tables = [[table.rows for part in x.sections for table in part.tables] for x in (job, expected)]
    assert tables[0] and tables[0] == tables[1]
    published = gather(open_archive(root, amended=False), now_s=4e9).jobs[0]
    assert published.verdict is not None and published.verdict.verdict == "pass"


def test_the_sheet_says_who_and_when_and_both_figures(watches: ModuleType, tmp_path: Path) -> None:
    one = watched(watches, tmp_path / "one", "band", WRONG)
    root, first_s = one.archive.root, watches.START_S
    number = amend(root, "bench", "power pad", -30.0, -50.0, from_s=first_s + 60.0)
    pin = keep(root, "pin", {}, job=None, from_s=first_s - 3600.0, to_s=first_s + 3600.0)
    (job,) = gather(open_archive(root), again=measure_again, now_s=4e9).jobs
    (note,) = job.notes
    assert note.who == "Ada" and note.at_s == first_s + 60.0
    assert "power pad: −50 dB, was −30 dB" in note.text
    facts = {fact.name: fact.text for fact in job.footer}
    assert f"number {number}, from 1 June 2026, " in facts["chain amended"]
    assert "by Ada, 21 September 2026" in facts["chain amended"]
    assert "it is marked so" in facts["chain amended"]
    assert facts["pinned"].startswith(f"number {pin}, ") and "never thinned" in facts["pinned"]
    assert "then power pad −50.00 dB" in facts["chain"]
    assert any("measured again with the amended chain" in text for text in job.limits)
    # Without somebody to measure again, that the figures are the published ones is said instead.
    (job,) = gather(open_archive(root), now_s=4e9).jobs
    assert any("figures and findings are those that were published" in x for x in job.limits)


def test_a_loss_changes_only_where_chain_and_reference_differ(
    watches: ModuleType, tmp_path: Path
) -> None:
    """A through of the same chain takes the pad out; one of another time has its own."""
    one = watched(watches, tmp_path / "one", "transmission", WRONG)
    root = one.archive.root
    losses = [_pad_db(summary) for summary in one.summaries]
    amend(root, "bench", "power pad", -30.0, -50.0)
    archive = open_archive(root)
    measure_again(archive, "bench", 0.0, 4e9)
    assert _told(archive) == pytest.approx(losses, abs=2e-3)
    # Only since the first sweep: the through was taken behind the other pad. What arrives is
    # 20 dB stronger at the plane than was thought, so the thing loses 20 dB less.
    from_s = float(one.archive.sweeps("bench")["started"].values[0])
    undo(root, 1, "bench")
    amend(root, "bench", "power pad", -30.0, -50.0, from_s=from_s)
    archive = open_archive(root)
    measure_again(archive, "bench", 0.0, 4e9)
    assert _told(archive) == pytest.approx([loss - 20.0 for loss in losses], abs=2e-3)


def _pad_db(summary: Any) -> float:
    return float(summary["pad"]["value_db"])


def _told(archive: Archive) -> list[float]:
    return [
        _pad_db(event.summary)
        for event in archive.events("bench")
        if isinstance(event, SweepRecord)
    ]


def test_a_pass_goes_by_its_beginning(watches: ModuleType, tmp_path: Path) -> None:
    """A range that begins in the midst of a pass leaves that pass alone, however it is read."""
    one = watched(watches, tmp_path / "one", "emission", WRONG)
    root = one.archive.root
    events = [e for e in one.archive.events("bench") if isinstance(e, SweepRecord)]
    passes = {}
    for event in events:
        passes.setdefault(event.pass_id, []).append(event)
    middle = passes[sorted(passes)[1]]
    assert len(middle) > 2
    amend(root, "bench", "power pad", -30.0, -50.0, from_s=middle[1].started_s - 1e-3)
    archive = open_archive(root)
    seen = {e.pass_id: set() for e in events}
    for event in archive.events("bench"):
        if isinstance(event, SweepRecord):
            seen[event.pass_id].add("+" in event.setup)
    first, second, third = (seen[one] for one in sorted(seen))
    assert (first, second, third) == ({False}, {False}, {True})
    amendments = archive.amendments("bench")
    assert amendments is not None
    for step in {e.step for e in events}:
        data = archive.sweeps("bench", step=step)
        wanted = [int(one in passes[sorted(passes)[2]]) for one in events if one.step == step]
        assert (data["chain_amendment"].values > 0).astype(int).tolist() == wanted


def test_the_level_curve_of_an_emission_is_the_raw_one_at_the_other_plane(
    watches: ModuleType, tmp_path: Path
) -> None:
    one = watched(watches, tmp_path / "one", "emission", WRONG)
    root = one.archive.root
    amend(root, "bench", "power pad", -30.0, -50.0)
    source = JobSource(open_archive(root), "bench", start_s=0.0, stop_s=4e9)
    assert parts_of(source).headline
    raw = open_archive(root).sweeps("bench").level.values.astype(np.float64)
    axis = open_archive(root).sweeps("bench").frequency.values
    lead = -np.interp(axis, [100e6, 600e6], [0.4, 1.3])
    (block,) = source.blocks()
    np.testing.assert_allclose(block.level, raw + 50.0 - lead, atol=1e-9)


def test_headroom_is_that_of_the_amended_chain(watches: ModuleType, tmp_path: Path) -> None:
    """5 W and 3 dB of reserve through 30 dB are 10 dBm, against 10 dBm that the input stands."""
    from acqd.station.amending import described, headroom_lines

    one = watched(watches, tmp_path / "one", "emission", RIGHT)
    (told,) = described(open_archive(one.archive.root), "bench")
    amendments = ChainAmendments(())
    assert amendments.chain_at(told.setup, 0.0)[0] == told.chain
    assert numbers_of(told.setup) == ()
    assert told.chain is not None
    pad, lead = told.chain.parts
    from dataclasses import replace

    less = Chain((replace(pad, gain_db=(-30.0,)), lead))
    lines = headroom_lines(told, less, None)
    assert lines[0].startswith("HEADROOM OF bench DID NOT HOLD: the transmitter can bring 9.5 dBm")
    assert "correct the chain in the config" in lines[1]
    more = Chain((replace(pad, gain_db=(-60.0,)), lead))
    assert headroom_lines(told, more, None) == ("headroom of bench: it holds",)
