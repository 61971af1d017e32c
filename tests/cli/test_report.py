"""``acqd report``: from an archive that a station made to files that tell of it."""

from __future__ import annotations

import csv
import io
import json
import os
import pty
import re
import select
import shutil
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from markupsafe import escape

from acqd.archive.reader import open_archive
from acqd.look.times import clock
from acqd.report.gather import gather

ISO = "2000-01-01T00:00Z"


def archive(kept: Path) -> str:
    return str(kept / "archive")


@pytest.fixture(scope="module")
def told(acqd: Callable[..., Any], kept: Path) -> Any:
    """The report of the whole archive, as JSON."""
    answer = acqd("report", archive(kept), "--json")
    assert answer.code == 0, answer.err
    return answer.json["report"]


def test_a_page_is_made_and_said(acqd: Callable[..., Any], kept: Path, tmp_path: Path) -> None:
    """Where, how large, how long; nothing on standard output, nothing left beside it."""
    answer = acqd("report", archive(kept), "-o", "night.html", folder=tmp_path)
    assert answer.code == 0
    assert answer.out == ""
    size = (tmp_path / "night.html").stat().st_size
    said = re.fullmatch(r"wrote night\.html, (\d+(?:\.\d)?) (kB|MB), in [\d.]+ s\n", answer.err)
    assert said is not None, answer.err
    assert float(said[1]) * {"kB": 1e3, "MB": 1e6}[said[2]] == pytest.approx(size, rel=0.06)
    assert [one.name for one in tmp_path.iterdir()] == ["night.html"]
    page = (tmp_path / "night.html").read_text("utf-8")
    assert page.startswith("<!doctype html>")
    assert "marine-vhf on mast" in page and "calling on mast" in page


def test_a_page_without_a_name_has_one_of_its_job_and_day(
    acqd: Callable[..., Any], kept: Path, tmp_path: Path, told: Any
) -> None:
    """Of its station where there are several jobs."""
    assert acqd("report", archive(kept), "--job", "calling", folder=tmp_path).code == 0
    assert acqd("report", archive(kept), folder=tmp_path).code == 0
    names = sorted(one.name for one in tmp_path.iterdir())
    assert len(names) == 2
    assert re.fullmatch(r"calling-\d{4}-\d\d-\d\d\.html", names[0])
    assert names[1].startswith(f"{told['station']}-")


def test_numbers_are_those_of_the_archive(kept: Path, told: Any) -> None:
    """Coverage and findings of the reader, job by job."""
    with open_archive(archive(kept)) as opened:
        start, stop = told["start_s"], told["stop_s"]
        for job in told["jobs"]:
            there = opened.coverage(job["job"], start, stop)
            assert job["coverage"]["due"] == there.due
            assert job["coverage"]["stored"] == there.stored
            assert (
                job["coverage"]["stored"] == opened.sweeps(job["job"], start, stop).sizes["sweep"]
            )
            found = opened.findings(job["job"], start, stop)
            assert [(one["number"], one["text"]) for one in job["findings"]] == [
                (one.number, one.text) for one in found
            ]
    assert {job["job"] for job in told["jobs"]} == {"marine-vhf", "calling"}


def test_json_goes_into_a_file_that_is_named(
    acqd: Callable[..., Any], kept: Path, tmp_path: Path
) -> None:
    """No page then, unless -o asks for one; the cells of the sheet on request."""
    words = ("report", archive(kept), "--job", "marine-vhf", "--json")
    answer = acqd(*words, "night.json", "--with-picture", folder=tmp_path)
    assert answer.code == 0 and answer.out == ""
    assert [one.name for one in tmp_path.iterdir()] == ["night.json"]
    job = json.loads((tmp_path / "night.json").read_text("utf-8"))["report"]["jobs"][0]
    sheets = [
        chart for part in job["sections"] for chart in part["charts"] if chart["is"] == "sheet"
    ]
    assert len(sheets) == 1
    assert len(sheets[0]["level"]) == len(sheets[0]["column_edges_s"]) - 1
    assert acqd(*words, "night.json", "-o", "night.html", folder=tmp_path).code == 0
    assert (tmp_path / "night.html").exists()


def test_a_bundle_holds_every_sweep(
    acqd: Callable[..., Any], kept: Path, tmp_path: Path, told: Any
) -> None:
    """A row a sweep, with --with-levels a row a point, at the sweeper's input."""
    answer = acqd(
        "report", archive(kept), "--job", "calling", "--bundle", "night.zip", "--with-levels",
        folder=tmp_path,
    )  # fmt: skip
    assert answer.code == 0, answer.err
    assert answer.err.startswith("wrote night.zip, ")
    stored = next(job for job in told["jobs"] if job["job"] == "calling")["coverage"]["stored"]
    with zipfile.ZipFile(tmp_path / "night.zip") as file:
        (name,) = (one for one in file.namelist() if one.startswith("calling/sweeps-0-"))
        rows = list(csv.DictReader(io.StringIO(file.read(name).decode())))
        assert len(rows) == stored
        assert len({row["sequence [1]"] for row in rows}) == stored
        levels = file.read(name.replace("sweeps", "levels")).decode().splitlines()
        assert levels[0] == "time [UTC],sequence [1],frequency [Hz],level [dBm]"
        assert len(levels) == 1 + 51 * stored
        assert f"  {name}\n" in file.read("SHA256SUMS").decode()


def test_one_finding_has_its_own_page(acqd: Callable[..., Any], kept: Path, tmp_path: Path) -> None:
    """Named by job and number; a number that two jobs have needs the job."""
    answer = acqd("report", archive(kept), "--finding", "1", folder=tmp_path)
    assert answer.code == 2
    assert "name the job with --job" in answer.complaint
    words = ("report", archive(kept), "--job", "calling", "--finding")
    assert acqd(*words, "1", folder=tmp_path).code == 0
    page = (tmp_path / "calling-finding-1.html").read_text("utf-8")
    assert "<h1>Finding 1 of calling</h1>" in page
    answer = acqd(*words, "999999")
    assert answer.code == 2
    assert "no finding 999999; calling has 1 to " in answer.complaint


def test_a_range_in_which_there_is_nothing_is_a_page_that_says_so(
    acqd: Callable[..., Any], kept: Path, tmp_path: Path
) -> None:
    """Exit code 0."""
    words = ("--from", ISO, "--to", "2000-01-02T00:00Z", "-o", "none.html")
    answer = acqd("report", archive(kept), *words, folder=tmp_path)
    assert answer.code == 0, answer.err
    page = (tmp_path / "none.html").read_text("utf-8")
    assert "nothing was due" in page
    assert "1 January, 00:00 to 2 January 2000, 00:00 (GMT, UTC)" in page


def test_a_range_of_one_sweep_holds_that_sweep(
    acqd: Callable[..., Any], kept: Path, tmp_path: Path
) -> None:
    """Its number is said."""
    with open_archive(archive(kept)) as opened:
        data = opened.sweeps("calling")
        time, seq = data["time"].values[2], int(data["sequence"].values[2])
    begin_s = float(time.astype("datetime64[ns]").astype("int64")) / 1e9
    begin, end = (datetime.fromtimestamp(begin_s + more, UTC).isoformat() for more in (-0.01, 0.05))
    words = ("--job", "calling", "--from", begin, "--to", end)
    answer = acqd("report", archive(kept), *words, "-o", "one.html", "--json", folder=tmp_path)
    assert answer.code == 0, answer.err
    assert answer.json["report"]["jobs"][0]["coverage"]["stored"] == 1
    assert f"sweep {seq}" in (tmp_path / "one.html").read_text("utf-8")


def test_a_time_of_the_clock_is_the_station_s(
    acqd: Callable[..., Any], kept: Path, told: Any
) -> None:
    """--from is the last one before the archive ends, --to the first one after it."""
    answer = acqd("report", archive(kept), "--from", "00:30", "--to", "00:29", "--json")
    assert answer.code == 0, answer.err
    report = answer.json["report"]
    assert report["zone"] == "Europe/London"
    assert report["start_s"] <= told["stop_s"] < report["start_s"] + 90_000
    ends_s = min(report["start_s"] + 86_340.0, time.time())  # what is still to come is left out
    assert report["stop_s"] == pytest.approx(ends_s, abs=3601)
    assert clock(report["start_s"], "Europe/London") == "00:30"


def test_two_stations_make_one_page(acqd: Callable[..., Any], kept: Path, tmp_path: Path) -> None:
    """Over the same range; each job says whose it is."""
    shutil.copytree(kept / "archive", tmp_path / "rock")
    answer = acqd(
        "report", archive(kept), str(tmp_path / "rock"), "--job", "calling",
        "--json", "both.json", "-o", "both.html", "--bundle", "both.zip", folder=tmp_path,
    )  # fmt: skip
    assert answer.code == 0, answer.err
    report = json.loads((tmp_path / "both.json").read_text("utf-8"))["report"]
    assert [job["job"] for job in report["jobs"]] == ["calling", "calling"]
    assert all(job["station"] for job in report["jobs"])


WRONG = [
    (("--job", "nothing"), "no job 'nothing' here; there is calling, marine-vhf"),
    (("--from", "yesterday"), "'yesterday' is no time; expected 21:05"),
    (("--zone", "Gannet/Ledge"), "--zone 'Gannet/Ledge' is no time zone here"),
    (("--finding", "1", "--from", "21:00"), "--finding has its own range"),
    (("--finding", "1", "--job", "a", "--job", "b"), "--finding is of one job"),
    (("--with-picture",), "--with-picture is for --json and --bundle"),
    (("--with-levels",), "--with-levels is for --bundle"),
    (
        ("--from", "2001-01-01T00:00Z", "--to", ISO),
        "the range ends before it begins: from 00:00 on 1 January 2001 to 00:00 on 1 January 2000",
    ),
    (("--from", "2999-01-01T00:00Z"), "is after the end of the archive, "),
]


@pytest.mark.parametrize(("words", "problem"), WRONG, ids=lambda one: " ".join(one)[:30])
def test_what_cannot_be_is_refused(
    acqd: Callable[..., Any], kept: Path, tmp_path: Path, words: tuple[str, ...], problem: str
) -> None:
    """With exit code 2, a line that says what, and no file."""
    answer = acqd("report", archive(kept), *words, folder=tmp_path)
    assert answer.code == 2
    assert problem in answer.err
    assert list(tmp_path.iterdir()) == []


def test_where_there_is_no_archive_it_is_said(acqd: Callable[..., Any], tmp_path: Path) -> None:
    """Exit code 1 and one line."""
    answer = acqd("report", str(tmp_path / "nowhere"), folder=tmp_path)
    assert answer.code == 1
    assert "nowhere" in answer.complaint


def test_a_file_is_no_archive(acqd: Callable[..., Any], tmp_path: Path) -> None:
    """Exit code 1 and one line."""
    (tmp_path / "archive").write_text("night")
    answer = acqd("report", str(tmp_path / "archive"), folder=tmp_path)
    assert answer.code == 1
    assert "archive: no archive that can be read: Not a directory" in answer.complaint


def test_an_archive_named_twice_is_refused(
    acqd: Callable[..., Any], kept: Path, tmp_path: Path
) -> None:
    """By whatever path: its jobs would stand on the page twice."""
    again = tmp_path / "again"
    again.symlink_to(archive(kept))
    answer = acqd("report", archive(kept), str(again), "-o", "night.html", folder=tmp_path)
    assert answer.code == 2
    assert "is named twice" in answer.err
    assert not (tmp_path / "night.html").exists()


@pytest.mark.parametrize("option", ["-o", "--json", "--bundle"])
def test_a_file_that_cannot_be_written_is_said_before_anything_is_read(
    acqd: Callable[..., Any], tmp_path: Path, option: str
) -> None:
    """Exit code 1 and one line that says so, though there is no archive either."""
    for name, problem in (
        (tmp_path / "no" / "night", f"there is no folder {tmp_path / 'no'}"),
        (tmp_path, "is a folder"),
    ):
        answer = acqd("report", "nowhere", option, str(name), folder=tmp_path)
        assert answer.code == 1
        assert answer.complaint.startswith(f"acqd: {name}: ")
        assert problem in answer.complaint
    assert list(tmp_path.iterdir()) == []


def test_another_encoding_of_the_terminal_stops_nothing(kept: Path, tmp_path: Path) -> None:
    """A page on standard output is UTF-8 all the same; in other texts a letter gives way."""
    python = (sys.executable, "-c", "from acqd.cli import main; main()")
    told: dict[str, Any] = {
        "cwd": tmp_path,
        "env": {**os.environ, "PYTHONIOENCODING": "latin-1", "PYTHONUTF8": "0"},
        "capture_output": True,
        "timeout": 120,
    }
    page = subprocess.run([*python, "report", archive(kept), "--job", "calling", "-o", "-"], **told)
    assert page.returncode == 0, page.stderr
    assert "−" in page.stdout.decode("utf-8")
    words = ("--job", "ruhe–bucht≈")
    wrong = subprocess.run([*python, "report", archive(kept), *words], **told)
    assert wrong.returncode == 2
    assert b"no job 'ruhe-bucht\\u2248' here" in wrong.stderr
    told_of = [*python, "export", archive(kept), "--job", "marine-vhf", "--what", "findings"]
    rows = subprocess.run(told_of, **told)
    assert rows.returncode == 0, rows.stderr
    assert b"peak -" in rows.stdout


@pytest.mark.slow
def test_a_terminal_sees_how_far_it_is(kept: Path, tmp_path: Path) -> None:
    """One line that is written over, and gone at the end; nobody else sees it."""
    code = "from acqd.cli import main; main()"
    command = [sys.executable, "-c", code, "report", archive(kept), "-o", str(tmp_path / "a.html")]
    master, slave = pty.openpty()
    process = subprocess.Popen(command, stderr=slave, stdout=subprocess.DEVNULL)
    os.close(slave)
    seen = b""
    while process.poll() is None or select.select([master], [], [], 0.2)[0]:
        if select.select([master], [], [], 0.2)[0]:
            try:
                part = os.read(master, 4096)
            except OSError:  # The other end is closed.
                break
            seen += part
    os.close(master)
    assert process.wait(60) == 0
    text = seen.decode()
    assert re.search(r"\r[█░]{20} \d+ of \d+ sweeps, read", text)
    assert re.search(r"\r[█░]{20} (\d+) of \1 figures drawn", text)
    assert text.splitlines()[-1].rpartition("\r")[2].startswith("wrote ")


def test_page_and_gathering_agree(acqd: Callable[..., Any], kept: Path, tmp_path: Path) -> None:
    """The page says what gather gives for the same range."""
    report = gather(archive(kept), jobs=["marine-vhf"])
    assert acqd("report", archive(kept), "--job", "marine-vhf", "-o", "a.html", folder=tmp_path)
    page = (tmp_path / "a.html").read_text("utf-8")
    coverage = report.jobs[0].coverage
    assert f"kept {coverage.stored:,} of {coverage.due:,} sweeps".replace(",", "\u202f") in page
    for one in report.jobs[0].findings:
        if one.place is not None:
            assert escape(one.text) in page
    for _, digest in report.jobs[0].files:
        assert digest in page
