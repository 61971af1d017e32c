"""``acqd note``: with a station and without one."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import Any

from acqd.archive.reader import open_archive

JOB = "marine-vhf"


def test_a_remark_is_kept_without_a_station(acqd: Any, folder: Path) -> None:
    before_s = time.time()
    answer = acqd("note", "lamp  off\n", "--job", JOB, folder=folder)
    assert answer.code == 0, answer.err
    assert re.fullmatch(
        r"noted for \d+ \w+ \d{4}, \d\d:\d\d:\d\d \(Europe/London\), marine-vhf\n", answer.out
    )
    (note,) = open_archive(folder / "archive").overlays(JOB)
    assert (note.kind, note.body["text"], note.job) == ("note", "lamp off", JOB)
    assert before_s <= (note.from_s or 0.0) <= time.time() and note.to_s is None and note.who


def test_a_clock_time_is_the_last_one_and_may_last(acqd: Any, folder: Path) -> None:
    answer = acqd("note", "00:00", "door open", "--until", "now", folder=folder)
    assert answer.code == 0 and "all jobs" in answer.out, answer.err
    (note,) = open_archive(folder / "archive").overlays()
    assert note.from_s is not None and note.to_s is not None
    assert note.job is None and 0.0 <= note.to_s - note.from_s <= 25 * 3600.0


def test_the_running_station_keeps_it(acqd: Any, folder: Path, start: Any) -> None:
    station = start(folder / "station.toml")
    station.until('"job": "marine-vhf", "number": 1')
    answer = acqd("note", "now", "whip swapped", folder=folder)
    assert answer.code == 0, answer.err
    station.until("note_stored")
    assert station.stop() == 0
    (note,) = open_archive(folder / "archive").overlays()
    assert note.body["text"] == "whip swapped"


def test_an_archive_alone_takes_remarks(acqd: Any, folder: Path) -> None:
    acqd("note", "first", folder=folder)
    answer = acqd("note", "2026-06-01T21:05Z", "second", "--archive", str(folder / "archive"))
    assert answer.code == 0, answer.err
    assert "1 June 2026, 21:05:00 (UTC)" in answer.out
    assert [one.body["text"] for one in open_archive(folder / "archive").overlays()] == [
        "first",
        "second",
    ]


def test_an_archive_alone_goes_by_its_station_s_clock(acqd: Any, folder: Path, start: Any) -> None:
    station = start(folder / "station.toml")
    station.until("sweeper_present")
    assert station.stop() == 0
    answer = acqd("note", "21:05", "lamp off", "--archive", str(folder / "archive"))
    assert answer.code == 0, answer.err
    assert "21:05:00 (Europe/London)" in answer.out


def test_what_is_wrong_is_said_in_a_line(acqd: Any, folder: Path) -> None:
    cases = [
        (("25:99", "x"), "'25:99' is no time; expected 21:05"),
        (("lamp", "off", "again"), "one word for the shell"),
        (("  ",), "the remark is empty"),
        (("21:05",), "21:05 is a time without a remark"),
        (("x" * 501,), "has 501 characters; at most 500"),
        (("x", "--job", "marine"), "no job 'marine'; there is marine-vhf, calling"),
        (("now", "x", "--until", "2020-01-01T00:00Z"), "ends after it begins"),
        (("x", "--archive", "nowhere"), "no archive here"),
        (("x", "--archive", "a", "--config", "b"), "both name an archive"),
    ]
    for words, said in cases:
        answer = acqd("note", *words, folder=folder)
        assert answer.code in (1, 2) and said in answer.complaint, words
    assert not (folder / "nowhere").exists()
