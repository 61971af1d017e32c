"""``acqd chain``: showing a recorded chain and putting it right, with a station and without one."""

from __future__ import annotations

import json
import re
import shutil
import signal
import time
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from acqd.archive.reader import open_archive

JOB = "marine-vhf"
AMEND = ("chain", "amend", JOB, "--part", "cable", "--loss", "11.5 dB", "a pad was in it")


@pytest.fixture
def swept(kept: Path, tmp_path: Path) -> Path:
    """A folder of its own with the archive of a short run."""
    shutil.copytree(kept, tmp_path / "swept")
    return tmp_path / "swept"


def far_end(folder: Path) -> Any:
    return open_archive(folder / "archive").sweeps(JOB, plane="far end").level.values


def at_input(folder: Path) -> Any:
    return open_archive(folder / "archive").sweeps(JOB).level.values.astype(np.float64)


def test_the_chain_is_shown_before_and_after(acqd: Any, swept: Path) -> None:
    answer = acqd("chain", "show", JOB, folder=swept)
    assert answer.code == 0, answer.err
    assert "figures at 156.500 MHz, the middle of its range" in answer.out
    assert "cable     cable  −1.50 dB  ±0.5 dB" in answer.out and "as amended" not in answer.out
    answer = acqd(*AMEND, folder=swept)
    assert answer.code == 0, answer.err
    lines = answer.out.splitlines()
    assert lines[0] == (
        "amendment 1 of marine-vhf, all of its sweeps (Europe/London): cable: −11.5 dB, was −1.5 dB"
    )
    assert "the chain gives −11.50 dB" in lines[1] and "was −1.50 dB" in lines[1]
    assert lines[1].endswith("levels at its far end go 10.00 dB up")
    assert lines[2].startswith("the config of job marine-vhf still has the old figure of 'cable'")
    assert lines[3] == "acqd notes undo 1 takes it back"
    np.testing.assert_allclose(far_end(swept), at_input(swept) + 11.5, atol=1e-9)
    answer = acqd("chain", "show", JOB, folder=swept)
    assert "as amended" in answer.out and "−11.50 dB" in answer.out
    assert "amendment 1, all of its sweeps: cable: −11.5 dB, was −1.5 dB; made" in answer.out
    told = acqd("chain", "show", JOB, "--json", folder=swept).json
    assert told["recorded"][0]["gain_db"] == [-1.5] and told["amended"][0]["gain_db"] == [-11.5]


def test_a_dry_run_says_the_same_and_stores_nothing(acqd: Any, swept: Path) -> None:
    answer = acqd(*AMEND[:-1], "--dry-run", folder=swept)
    assert answer.code == 0 and answer.out.startswith("would amend marine-vhf"), answer.err
    assert "levels at its far end go 10.00 dB up" in answer.out
    assert answer.out.endswith("nothing was stored\n")
    assert open_archive(swept / "archive").overlays() == []


def test_a_table_of_losses_is_taken_from_a_file(acqd: Any, swept: Path) -> None:
    """Against numpy's interpolation of the same rows, at the frequencies that h5py reads."""
    (swept / "lead.csv").write_text("# a lead\n100 MHz, 1 dB\n156.5 MHz; 2 dB\n200 MHz\t4 dB\n")
    words = ("chain", "amend", JOB, "--part", "cable", "--loss-at", "lead.csv", "measured")
    answer = acqd(*words, "--uncertainty", "0.1 dB", folder=swept)
    assert answer.code == 0, answer.err
    path = next((swept / "archive" / "sweeps" / JOB).glob("*/*.nc"))
    with h5py.File(path) as file:
        axis = file["frequency"][...]
    loss = np.interp(axis, [100e6, 156.5e6, 200e6], [1.0, 2.0, 4.0])
    np.testing.assert_allclose(far_end(swept), at_input(swept) + loss, atol=1e-9)


def test_another_chain_altogether_is_taken_from_a_toml(acqd: Any, swept: Path) -> None:
    text = '[chain.real]\n[[chain.real.part]]\nkind = "pad"\nname = "pad"\nloss = "6 dB"\n'
    (swept / "real.toml").write_text(text)
    words = ("chain", "amend", JOB, "--chain", "real.toml", "the lead was another")
    assert acqd(*words, folder=swept).code == 0
    np.testing.assert_allclose(far_end(swept), at_input(swept) + 6.0, atol=1e-9)
    (swept / "real.toml").write_text(text.replace('loss = "6 dB"', 'lose = "6 dB"'))
    answer = acqd(*words, folder=swept)
    assert answer.code == 2 and "real.toml:5" in answer.err and "`loss`" in answer.err


def test_a_part_is_added_to_a_job_without_a_chain(acqd: Any, swept: Path) -> None:
    words = ("chain", "amend", "calling", "--add", "10 dB pad", "--loss", "10 dB", "overlooked")
    answer = acqd(*words, "--uncertainty", "0.2 dB", folder=swept)
    assert answer.code == 0, answer.err
    archive = open_archive(swept / "archive")
    raw = archive.sweeps("calling").level.values.astype(np.float64)
    at_end = archive.sweeps("calling", plane="far end").level.values
    np.testing.assert_allclose(at_end, raw + 10.0, atol=1e-9)
    shown = acqd("chain", "show", "calling", folder=swept).out
    assert "no part: levels are those at the input" in shown and "10 dB pad  pad" in shown


def test_a_range_is_on_the_station_s_clock(acqd: Any, swept: Path) -> None:
    data = open_archive(swept / "archive").sweeps(JOB)
    begun = data.started.values
    # Between two sweeps: text has no more than microseconds.
    middle_s = float(begun[begun.size // 2 - 1 : begun.size // 2 + 1].mean())
    from datetime import UTC, datetime
    from zoneinfo import ZoneInfo

    local = datetime.fromtimestamp(middle_s, UTC).astimezone(ZoneInfo("Europe/London"))
    answer = acqd(*AMEND, "--from", local.replace(tzinfo=None).isoformat(), folder=swept)
    assert answer.code == 0, answer.err
    np.testing.assert_allclose(
        far_end(swept) - at_input(swept),
        np.broadcast_to(np.where(begun >= middle_s, 11.5, 1.5)[:, None], data.level.shape),
        atol=1e-9,
    )


def _peaks(text: str) -> list[float]:
    found = re.findall(r"peak −([0-9.]+) dBm", text)
    return [round(-float(peak), 1) for peak in found]


def test_what_shows_the_archive_goes_by_it_and_says_so(acqd: Any, swept: Path) -> None:
    before = acqd("export", "archive", "--job", JOB, "--what", "findings", folder=swept).out
    assert acqd(*AMEND, folder=swept).code == 0
    after = acqd("export", "archive", "--job", JOB, "--what", "findings", folder=swept)
    # As many as then, each 10 dB stronger.
    assert _peaks(before) and _peaks(after.out) == pytest.approx(
        [peak + 10.0 for peak in _peaks(before)], abs=0.101
    )
    assert "chain amended: amendment 1 by" in after.err
    acqd("export", "archive", "--job", JOB, "-o", "out.nc", folder=swept)
    with h5py.File(swept / "out.nc") as file:
        (told,) = file.attrs["chain_amendment"]
        assert "cable: −11.5 dB, was −1.5 dB" in told
        np.testing.assert_allclose(file["level"][...], at_input(swept) + 11.5, atol=1e-9)
        assert set(file["chain_amendment"][...].tolist()) == {1}
        recorded = open_archive(swept / "archive", amended=False).sweeps(JOB)
        moved = file["floor_dbm"][...] - recorded.floor_dbm.values
        np.testing.assert_allclose(moved, 10.0, atol=1e-5)
    report = acqd("report", "archive", "--job", JOB, "--json", "-", folder=swept)
    assert report.code == 0, report.err
    (job,) = report.json["report"]["jobs"]
    facts = {fact["name"]: fact["text"] for fact in job["footer"]}
    assert "cable: −11.5 dB, was −1.5 dB" in facts["chain amended"]
    plot = acqd("plot", "archive", "--job", JOB, "-o", "sheet.svg", folder=swept)
    assert plot.code == 0 and "chain amended: number 1" in plot.err
    assert "chain amended: cable" in (swept / "sheet.svg").read_text()


def test_a_replay_says_what_changed_and_a_check_goes_by_what_was_recorded(
    acqd: Any, swept: Path
) -> None:
    assert acqd(*AMEND, folder=swept).code == 0
    check = acqd("replay", "archive", JOB, "--check", folder=swept)
    assert check.code == 0 and "equal bit for bit" in check.out, check.out
    answer = acqd("replay", "archive", JOB, folder=swept)
    assert answer.code == 0, answer.err
    assert "note: amendment 1 by" in answer.out
    assert "against the chain as recorded: 0 findings would not have been" in answer.out
    lines = [json.loads(line) for line in acqd(
        "replay", "archive", JOB, "--json", folder=swept
    ).out.splitlines()]  # fmt: skip
    changes = [line for line in lines if line["is"] == "change"]
    assert changes and all(one["kind"] == "other" for one in changes)
    assert lines[-1] == {
        "is": "changes", "job": JOB, "gone": 0, "new": 0, "other": len(changes), "verdict": 0
    }  # fmt: skip
    assert acqd("notes", "undo", "1", folder=swept).code == 0
    assert "against" not in acqd("replay", "archive", JOB, folder=swept).out


def test_a_check_warns_while_the_config_still_says_it(acqd: Any, swept: Path) -> None:
    assert acqd(*AMEND, folder=swept).code == 0
    assert "warning: the config of job marine-vhf still has" in acqd(
        "check", "--offline", folder=swept
    ).out  # fmt: skip
    assert acqd("check", "--offline", "--json", folder=swept).json["amended"]
    config = swept / "station.toml"
    config.write_text(config.read_text().replace('loss = "1.5 dB"', 'loss = "11.5 dB"'))
    assert "warning" not in acqd("check", "--offline", folder=swept).out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ("marine", "--remove", "cable", "x"),
            "no job 'marine'; there is marine-vhf, calling; did",
        ),
        ((JOB, "--remove", "cabel", "x"), "it has 'cable'; did you mean 'cable'?"),
        ((JOB, "--remove", "cable #2", "x"), "no part 'cable #2' in the chain"),
        ((JOB, "x"), "one thing at a time: --part NAME"),
        ((JOB, "--part", "cable", "--remove", "cable", "x"), "one thing at a time"),
        ((JOB, "--part", "cable", "x"), "needs one figure"),
        ((JOB, "--part", "cable", "--loss", "3 dB", "--gain", "3 dB", "x"), "needs one figure"),
        ((JOB, "--part", "cable", "--loss", "3", "x"), "a number without a unit"),
        ((JOB, "--part", "cable", "--loss=-3 dB", "x"), "a gain is said with --gain"),
        ((JOB, "--part", "cable", "--loss", "1.5 dB", "x"), "there is nothing to amend"),
        ((JOB, "--part", "cable", "--loss-at", "none.csv", "x"), "none.csv: cannot be read"),
        ((JOB, "--remove", "cable", "--loss", "1 dB", "x"), "--remove needs no figure"),
        ((JOB, "--remove", "cable"), "say why, for whoever reads it later"),
        ((JOB, "--remove", "cable", "  "), "the remark is empty"),
        ((JOB, "--remove", "cable", "x", "--from", "2020-01-01", "--to", "2020-01-02"), "no sweep"),
        ((JOB, "--remove", "cable", "x", "--from", "now", "--to", "2020-01-02"), "is not after"),
        ((JOB, "--remove", "cable", "x", "--from", "25:99"), "'25:99' is no time"),
        ((JOB, "--chain", "none.toml", "x"), "there is no such file"),
    ],
)
def test_what_is_wrong_is_said_in_a_line_and_nothing_is_stored(
    acqd: Any, kept: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], said: str
) -> None:
    import io

    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    answer = acqd("chain", "amend", *words, folder=kept)
    assert answer.code == 2 and said in answer.complaint, answer.err
    assert not [one for one in open_archive(kept / "archive").overlays() if one.kind == "chain"]


def test_a_job_that_never_swept_has_no_chain_to_amend(acqd: Any, folder: Path) -> None:
    acqd("note", "first", folder=folder)
    answer = acqd("chain", "show", JOB, folder=folder)
    assert answer.code == 2 and "no job 'marine-vhf' with sweeps here" in answer.complaint


def test_an_archive_that_cannot_be_written_is_read_and_not_amended(
    acqd: Any, swept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As root a folder without write permission can be written: the lock itself refuses here."""
    import sqlite3

    def refused(*_: Any, **__: Any) -> Any:
        raise sqlite3.OperationalError("attempt to write a readonly database")

    monkeypatch.setattr("acqd.archive.ledger.Ledger.add_overlay", refused)
    answer = acqd(*AMEND, folder=swept)
    assert answer.code == 1 and "readonly database" in answer.complaint
    assert "as amended" not in acqd("chain", "show", JOB, folder=swept).out


def test_a_running_station_keeps_it_and_says_that_its_config_is_wrong(
    acqd: Any, folder: Path, start: Any
) -> None:
    """What it goes on recording wrongly is amended too; killed, nothing of it is lost."""
    station = start(folder / "station.toml")
    station.until('"job": "marine-vhf", "number": 1')
    answer = acqd(*AMEND, folder=folder)
    assert answer.code == 0, answer.err
    assert "still has the old figure of 'cable', which amendment 1 corrected" in answer.out
    station.until("overlay_stored")
    station.until("after_overlay")
    seen = len(at_input(folder))
    ends_s = time.monotonic() + 30.0
    while len(at_input(folder)) <= seen:
        assert time.monotonic() < ends_s
        time.sleep(0.05)
    station.process.send_signal(signal.SIGKILL)
    station.process.wait(30.0)
    raw = at_input(folder)
    np.testing.assert_allclose(far_end(folder)[: len(raw)], raw + 11.5, atol=1e-9)
    again = start(folder / "station.toml")
    again.until("sweeper_present")
    assert again.stop() == 0
    (one,) = open_archive(folder / "archive").overlays(JOB)
    assert one.kind == "chain" and one.body["reason"] == "a pad was in it"
    check = acqd("replay", "archive", JOB, "--check", folder=folder)
    assert check.code == 0 and "equal bit for bit" in check.out, check.out
