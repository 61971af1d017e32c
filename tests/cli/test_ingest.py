"""``acqd ingest`` as somebody at a terminal has it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from logbooks import WIDE, wide_log


@pytest.fixture
def desk(tmp_path: Path) -> Path:
    """A folder with a log and a map."""
    (tmp_path / "log.csv").write_text(wide_log(120, left_out=(50, 51)))
    (tmp_path / "m.toml").write_text(WIDE + '[gaps]\nevery = "2 s"\n')
    return tmp_path


def test_an_ingest_and_what_reads_it(acqd: Any, desk: Path) -> None:
    """One sentence; then the report, the export and the replay work on it."""
    answer = acqd("ingest", "log.csv", "--map", "m.toml", "--archive", "archive", folder=desk)
    assert (answer.code, answer.err) == (0, "")
    first, second, third, last = answer.out.splitlines()
    assert first.startswith(
        "118 sweeps of 1 file kept, 2 due sweeps not in the files, 6 findings (job vhf, "
    )
    assert second == (
        "14 March 2025, 21:00:00 to 21:03:58 (UTC); 11 points; levels in dBm as the files have them"
    )
    assert third.startswith("where they came from: ")
    assert last == "next: acqd report archive --job vhf"
    checked = acqd("replay", "archive", "vhf", "--check", folder=desk)
    assert (checked.code, checked.out) == (0, "118 sweeps, 1 hour, 6 findings: equal bit for bit\n")
    gaps = acqd("export", "archive", "--what", "gaps", folder=desk)
    assert "no sweep in the files" in gaps.out
    assert acqd("report", "archive", "--job", "vhf", "-o", "r.html", folder=desk).code == 0
    page = (desk / "r.html").read_text("utf-8")
    assert "log.csv" in page and "map m.toml" in page
    again = acqd("ingest", "log.csv", "--map", "m.toml", "--archive", "archive", folder=desk)
    assert again.out.startswith("0 sweeps of 0 files kept, 1 file not read again, all of it is th")


def test_bad_rows(acqd: Any, desk: Path) -> None:
    """The first stops it, with exit code 1; or all are named, counted, and the code is 1 too."""
    log = (desk / "log.csv").read_text().replace(",-1", ",loud", 25)
    (desk / "log.csv").write_text(log)
    words = ("ingest", "log.csv", "--map", "m.toml", "--archive", "archive")
    stopped = acqd(*words, folder=desk)
    assert stopped.code == 1
    assert stopped.complaint.startswith("acqd: log.csv:2, column 156.000: 'loud")
    assert "--on-bad skip" in stopped.complaint
    passed = acqd(*words, "--on-bad", "skip", folder=desk)
    assert passed.code == 1
    named = passed.err.splitlines()
    assert named[0].startswith("passed over: log.csv:2, column 156.000: 'loud")
    assert f"{len(named)} rows refused" in passed.out


def test_many_bad_rows_are_named_in_part(acqd: Any, desk: Path) -> None:
    """Twenty of them, and how many more there are."""
    log = (desk / "log.csv").read_text().replace("2025-03-14", "2025-13-14", 30)
    (desk / "log.csv").write_text(log)
    answer = acqd(
        "ingest", "log.csv", "--map", "m.toml", "--dry-run", "--on-bad", "skip", folder=desk
    )
    assert len(answer.err.splitlines()) == 21
    assert answer.err.splitlines()[-1] == "and 10 rows more"
    assert "88 sweeps of 1 file would be kept" in answer.out


def test_as_json(acqd: Any, desk: Path) -> None:
    """The counts, unrounded, and where it was put."""
    answer = acqd(
        "ingest", "log.csv", "--map", "m.toml", "--archive", "archive", "--json", folder=desk
    )
    told = answer.json
    assert (told["sweeps"], told["missed"], told["refused"]) == (118, 2, 0)
    assert told["from"] == "2025-03-14T21:00:00.000+00:00"
    assert Path(told["provenance"]).parent == desk / "archive" / "ingested"


@pytest.mark.parametrize(
    ("words", "code", "why"),
    [
        (("log.csv", "--map", "m.toml"), 2, "into which archive?"),
        (("log.csv", "--map", "no.toml", "--dry-run"), 2, "there is no such file"),
        (("no.csv", "--map", "m.toml", "--dry-run"), 2, "no.csv: there is no such file"),
        (("log.csv", "--map", "m.toml", "--dry-run", "--job", "A b"), 2, "not the name of a job"),
        (("log.csv", "--map", "m.toml", "--archive", "."), 1, "holds something that is no archive"),
        (("log.csv", "--map", "m.toml", "--archive", "a", "--config", "c"), 2, "leave one of the"),
        (("log.csv", "--map", "m.toml", "--config", "c.toml"), 2, "there is no such file"),
    ],
)
def test_what_cannot_be_done(
    acqd: Any, desk: Path, words: tuple[str, ...], code: int, why: str
) -> None:
    """Each in a clear line, with the usual exit codes."""
    answer = acqd("ingest", *words, folder=desk)
    assert answer.code == code
    assert why in answer.err


def test_a_running_station(acqd: Any, desk: Path) -> None:
    """It is named, with what to do."""
    from acqd.archive.lock import WriterLock

    (desk / "archive").mkdir()
    lock = WriterLock(desk / "archive", station="lookout", since_s=0.0)
    try:
        answer = acqd("ingest", "log.csv", "--map", "m.toml", "--archive", "archive", folder=desk)
    finally:
        lock.release()
    assert answer.code == 1
    assert "station lookout" in answer.complaint and "stop that station" in answer.complaint


def test_what_a_map_may_not_mean_is_noted(acqd: Any, desk: Path) -> None:
    """On standard error, and the ingest goes on."""
    one = "".join((desk / "log.csv").read_text().splitlines(keepends=True)[:2])
    (desk / "20250314_210000.csv").write_text(one)
    clock = 'name = \'(?P<time>\\d{8}_\\d{6})\'\nformat = "%Y%m%d_%H%M%S"\nambiguous = "order"'
    text = (desk / "m.toml").read_text()
    assert 'columns = "time"' in text
    (desk / "m.toml").write_text(
        text.replace('columns = "time"', clock).replace(
            'unit = "dBm"', 'unit = "dBm"\nfirst_column = 2'
        )
    )
    answer = acqd("ingest", "20250314_210000.csv", "--map", "m.toml", "--archive", "a", folder=desk)
    assert answer.code == 0, answer.err
    assert answer.err.startswith("note: m.toml:") and 'means "earlier" here' in answer.err
    assert answer.out.startswith("1 sweep of 1 file kept")


def test_a_reference_among_the_logs_is_none_of_them(acqd: Any, desk: Path) -> None:
    """Nor is it where the map lies; a name that is none is one line."""
    (desk / "logs").mkdir()
    (desk / "log.csv").rename(desk / "logs" / "log.csv")
    (desk / "logs" / "through.csv").write_text(wide_log(2))
    text = (desk / "m.toml").read_text()
    (desk / "m.toml").write_text(text + '[reference]\nthrough = "logs/through.csv"\n')
    answer = acqd("ingest", "logs", "--map", "m.toml", "--archive", "a", folder=desk)
    assert (answer.code, answer.err) == (0, "")
    assert answer.out.startswith("118 sweeps of 1 file kept")
    (desk / "m.toml").write_text(text + '[reference]\nthrough = "a\\u0000b"\n')
    wrong = acqd("ingest", "logs", "--map", "m.toml", "--archive", "a", folder=desk)
    assert wrong.code == 2 and "reference.through: no name of a file" in wrong.err
