"""``acqd replay``: an archive measured again, and compared with what was published."""

from __future__ import annotations

import json
import shutil
import sqlite3
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from acqd.archive.reader import open_archive
from acqd.archive.writer import ArchiveWriter
from acqd.clock import SystemClock

JOB = "marine-vhf"


def sealed(root: Path) -> None:
    """What is left in journals goes into files."""
    writer = ArchiveWriter.open(
        root, station="lookout", run_id="run", clock=SystemClock(), keep_free_bytes=0
    )
    writer.begin([])
    writer.close([], within_s=20.0)


OTHER_KINDS = """
[job.beacon]
kind = "carrier"
sweeper = "mast"
centre = "156.8 MHz"
span = "50 kHz"
points = 101
rbw = "1 kHz"
when = { every = "300 ms" }

[job.transmitter]
kind = "emission"
sweeper = "mast"
chain = "aerial"
start = "156 MHz"
stop = "157 MHz"
points = 201
rbw = "10 kHz"
when = { every = "1 s" }
emission = { limits = ["us-97-307-vhf"] }
transmitter = { power = "0.000001 W" }

[job.lamp]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "157 MHz"
points = 51
when = { every = "200 ms" }
band = { margin = "10 dB" }
soak = { length = "2 s" }
"""


@pytest.mark.slow
def test_every_kind_is_equal_from_its_files_alone(acqd: Any, folder: Path, start: Any) -> None:
    """Passes of one sweep and of many, a soak that ends: nothing but the sweeps is needed."""
    config = folder / "station.toml"
    text = config.read_text("utf-8").replace(
        'driver = "sim"', 'driver = "sim"\nabsolute_max = "20 dBm"'
    )
    config.write_text(text + OTHER_KINDS)
    station = start(config)
    station.until('"event": "job_ended"')
    time.sleep(3.0)
    assert station.stop() == 0
    sealed(folder / "archive")
    (folder / "alone").mkdir()
    (folder / "archive" / "sweeps").rename(folder / "alone" / "sweeps")
    for job in ("beacon", "transmitter", "lamp", JOB):
        answer = acqd("replay", str(folder / "alone"), job, "--check", "--json")
        verdict = json.loads(answer.out.splitlines()[0])
        assert verdict["bit_for_bit"], answer.out
        assert verdict["sweeps"] >= 3 and verdict["notes"] == []
    assert verdict["findings"] > 0


def test_a_job_that_never_swept_is_one_line(acqd: Any, folder: Path, start: Any) -> None:
    """A transmitter without a pad before the input: the job did not start."""
    config = folder / "station.toml"
    text = config.read_text("utf-8") + OTHER_KINDS.replace("0.000001 W", "5 W")
    config.write_text(text.replace('driver = "sim"', 'driver = "sim"\nabsolute_max = "20 dBm"'))
    station = start(config)
    station.until('"what": "refused"')
    time.sleep(1.2)
    assert station.stop() == 0
    answer = acqd("replay", str(folder / "archive"), "transmitter")
    assert answer.code == 1 and answer.complaint.endswith("job 'transmitter' has no sweeps here")


@pytest.fixture(scope="module")
def alone(kept: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the files of an archive: no ledger, no journals, no config beside them."""
    root = tmp_path_factory.mktemp("alone")
    shutil.copytree(kept / "archive", root / "whole")
    sealed(root / "whole")
    shutil.copytree(root / "whole" / "sweeps", root / "archive" / "sweeps")
    return root / "archive"


def test_the_findings_are_shown_again_and_counted(acqd: Any, kept: Path) -> None:
    """A line each, with time and word; then how much it was."""
    archive = open_archive(kept / "archive")
    answer = acqd("replay", str(kept / "archive"), JOB)
    assert answer.code == 0
    *lines, total = answer.out.splitlines()
    findings = archive.findings(JOB)
    assert [line.split("  ")[1:] for line in lines] == [[one.what, one.text] for one in findings]
    sweeps = archive.sweeps(JOB).sizes["sweep"]
    assert total.startswith(f"{sweeps} sweeps, 0 hours, {len(findings)} finding")
    assert f"{sum(one.what == 'signal_appeared' for one in findings)} signal_appeared" in total


def test_it_is_equal_bit_for_bit(acqd: Any, kept: Path) -> None:
    """The verdict is one line, and exit code 0."""
    for job in (JOB, "calling"):
        answer = acqd("replay", str(kept / "archive"), job, "--check")
        assert answer.code == 0, answer.out
        sweeps = open_archive(kept / "archive").sweeps(job).sizes["sweep"]
        (line,) = answer.out.splitlines()
        assert line.startswith(f"{sweeps} sweeps, 0 hours, ")
        assert line.endswith(": equal bit for bit")


def test_files_alone_will_do(acqd: Any, alone: Path, kept: Path) -> None:
    """Carried to another machine without the ledger, the journals and the config."""
    assert [path.name for path in alone.iterdir()] == ["sweeps"]
    answer = acqd("replay", str(alone), JOB, "--check", "--json")
    assert answer.code == 0, answer.out
    verdict = json.loads(answer.out)
    assert verdict["equal"] and verdict["bit_for_bit"]
    assert verdict["sweeps"] == open_archive(kept / "archive").sweeps(JOB).sizes["sweep"]
    assert verdict["findings"] == len(open_archive(kept / "archive").findings(JOB)) > 0
    again = acqd("replay", str(alone), JOB).out
    assert again == acqd("replay", str(kept / "archive"), JOB).out


def test_json_has_a_line_each(acqd: Any, kept: Path) -> None:
    answer = acqd("replay", str(kept / "archive"), JOB, "--json")
    lines = [json.loads(line) for line in answer.out.splitlines()]
    assert lines[-1]["is"] == "total" and lines[-1]["findings"] == len(lines) - 1
    kept_then = open_archive(kept / "archive").findings(JOB)
    assert [
        (line["what"], line["at_s"], line["seq"], line["text"], line["figures"])
        for line in lines[:-1]
    ] == [(one.what, one.at_s, one.seq, one.text, one.figures) for one in kept_then]


def test_another_threshold_finds_something_else(acqd: Any, kept: Path, tmp_path: Path) -> None:
    """With a config of one's own; it cannot be compared with what was published."""
    config = tmp_path / "station.toml"
    text = (kept / "station.toml").read_text("utf-8")
    config.write_text(text.replace('margin = "10 dB"', 'margin = "60 dB"'))
    words = ("replay", str(kept / "archive"), JOB, "--config", str(config))
    answer = acqd(*words)
    assert answer.code == 0 and answer.out.rstrip().endswith("0 findings")
    refused = acqd(*words, "--check")
    assert refused.code == 2 and "another config" in refused.err
    same = acqd(*words[:3], "--config", str(kept / "station.toml"), "--check")
    assert same.code == 0 and "equal bit for bit" in same.out


def spoilt(kept: Path, tmp_path: Path) -> Path:
    """A copy in which somebody has changed what a finding says, and what was published of it."""
    shutil.copytree(kept / "archive", tmp_path / "archive")
    sealed(tmp_path / "archive")
    with closing(sqlite3.connect(tmp_path / "archive" / "ledger.sqlite")) as db, db:
        changed = db.execute(
            "UPDATE finding SET text = replace(text, 'came up', 'went off'), "
            "message = CAST(replace(CAST(message AS TEXT), 'came up', 'went off') AS BLOB) "
            "WHERE job = ? AND number = 1",
            (JOB,),
        )
        assert changed.rowcount == 1
    return tmp_path / "archive"


def test_what_differs_is_named_and_the_exit_code_is_1(
    acqd: Any, kept: Path, tmp_path: Path
) -> None:
    root = spoilt(kept, tmp_path)
    answer = acqd("replay", str(root), JOB, "--check")
    assert answer.code == 1
    verdict, difference = answer.out.splitlines()
    assert verdict.endswith(": 1 difference")
    assert difference.startswith(f'{JOB}, finding 1 (signal_appeared): text was "')
    told = [
        json.loads(line)
        for line in acqd("replay", str(root), JOB, "--check", "--json").out.splitlines()
    ]
    assert [line["is"] for line in told] == ["verdict", "difference"]
    assert told[0]["equal"] is False and told[0]["differences"] == 1
    assert told[1]["where"] == "finding 1 (signal_appeared)"


def times(kept: Path) -> list[str]:
    return [f"{text}Z" for text in open_archive(kept / "archive").sweeps(JOB).time.values]


def test_a_range_begins_with_a_fresh_meter_and_says_so(acqd: Any, kept: Path) -> None:
    """Counted, and noted; it cannot be checked."""
    start = times(kept)[4]
    words = ("replay", str(kept / "archive"), JOB, "--from", start)
    answer = acqd(*words)
    assert answer.code == 0
    *_, total, note = answer.out.splitlines()
    assert total.startswith(f"{len(times(kept)) - 4} sweeps")
    assert note.startswith("note: the meter was a fresh one at ")
    refused = acqd(*words, "--check")
    assert refused.code == 2 and "where the job's config changed" in refused.err


def test_the_first_part_can_be_checked(acqd: Any, kept: Path) -> None:
    answer = acqd("replay", str(kept / "archive"), JOB, "--to", times(kept)[4], "--check")
    assert answer.code == 0 and answer.out.startswith("4 sweeps, ")


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("soak",), 1, "no job 'soak' here; there is calling, marine-vhf"),
        ((JOB, "--from", "2050-01-01T00:00Z"), 1, "nothing in that time"),
        ((JOB, "--from", "tonight"), 2, "ISO 8601 with a zone"),
        ((JOB, "--config", "nowhere.toml"), 2, "nowhere.toml"),
    ],
    ids=["job", "time", "moment", "config"],
)
def test_what_cannot_be_replayed_is_said(
    acqd: Any, kept: Path, words: tuple[str, ...], code: int, said: str
) -> None:
    answer = acqd("replay", str(kept / "archive"), *words)
    assert answer.code == code
    assert said in answer.err and "Traceback" not in answer.err


def test_no_archive_is_one_line(acqd: Any, tmp_path: Path) -> None:
    answer = acqd("replay", str(tmp_path), JOB)
    assert answer.code == 1 and "no archive here" in answer.complaint
