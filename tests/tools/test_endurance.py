"""tools/endurance: a leak is found, none is made up, and small runs of both clocks add up."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from contextlib import ExitStack
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from peers import skip_without_mosquitto

ROOT = Path(__file__).resolve().parents[2]
HOUR_S = 3600.0


@pytest.fixture
def part(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A part of the tool by its name, as the tool imports it."""
    monkeypatch.syspath_prepend(str(ROOT / "tools"))
    return lambda name: import_module(f"endurance_parts.{name}")


def endurance(*options: str, limit_s: float = 200.0) -> subprocess.CompletedProcess[str]:
    """Run the tool."""
    command = [sys.executable, str(ROOT / "tools/endurance.py"), *options]
    return subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, timeout=limit_s, check=False
    )


def told_by(done: subprocess.CompletedProcess[str]) -> dict[str, Any]:
    """What a run says as plain data. A process that has just started grows; all else must hold."""
    assert done.returncode in (0, 1) and done.stdout, done.stderr
    told: dict[str, Any] = json.loads(done.stdout)
    assert [one for one in told["failures"] if not one.endswith(" grows")] == []
    return told


# --- slopes ---------------------------------------------------------------------------------------


def a_run(
    part: Any, *, leak_per_hour: float, seed: int, hours: float = 1.5, every_s: float = 10.0
) -> list[Any]:
    """Samples of a process of 100 MB that warms up by 20 MB in a quarter of an hour, wanders by
    half a MB over minutes, and leaks so many bytes an hour."""
    sampling = part("sampling")
    random = np.random.default_rng(seed)
    samples, wander = [], 0.0
    for number in range(int(hours * HOUR_S / every_s)):
        at_s = number * every_s
        wander = 0.9 * wander + random.normal(0.0, 0.2e6)
        warm = 20e6 * min(1.0, at_s / 900.0)
        rss = 100e6 + warm + wander + leak_per_hour * at_s / HOUR_S
        samples.append(
            sampling.Sample(
                at_s=at_s,
                real_s=at_s,
                wall_s=1.8e9 + at_s,
                rss_bytes=int(rss),
                handles=34,
                # A journal of five minutes that is begun anew.
                journal_bytes=int(8e6 * (at_s % 300.0) / 300.0),
            )
        )
    return samples


def words(part: Any, samples: list[Any], warm_up_s: float = 1200.0) -> dict[str, str]:
    """The word for each figure."""
    found = part("slopes").slopes_of(samples, warm_up_s=warm_up_s)
    return {one.figure.name: str(one.word) for one in found}


def test_a_leak_is_found(part: Any) -> None:
    """5 MB an hour, hidden in half a MB that wanders; the figures beside it do not grow."""
    for seed in range(10):
        found = words(part, a_run(part, leak_per_hour=5e6, seed=seed))
        assert found == {"rss_bytes": "grows", "handles": "flat", "journal_bytes": "flat"}


def test_where_nothing_leaks_nothing_grows(part: Any) -> None:
    """Whatever the wander looks like: a cry for nothing would be as bad as a leak unseen."""
    found = [words(part, a_run(part, leak_per_hour=0.0, seed=seed)) for seed in range(40)]
    assert {one["rss_bytes"] for one in found} <= {"flat", "cannot tell"}
    assert sum(one["rss_bytes"] == "flat" for one in found) >= 36
    assert {one["handles"] for one in found} == {"flat"}


def test_the_interval_holds_the_slope_that_was_planted(part: Any) -> None:
    """In about 95 of 100 runs, though readings hang together for minutes."""
    held = 0
    for seed in range(100):
        (rss, *_) = part("slopes").slopes_of(
            a_run(part, leak_per_hour=3e6, seed=seed), warm_up_s=1200.0
        )
        held += rss.low_per_hour <= 3.0 <= rss.high_per_hour
    assert held >= 88


def test_a_warm_up_that_is_judged_keeps_it_from_being_flat(part: Any) -> None:
    """So what the warm-up brings is never averaged away: it has to be left out by name."""
    for seed in range(10):
        samples = a_run(part, leak_per_hour=0.0, seed=seed)
        assert words(part, samples, warm_up_s=0.0)["rss_bytes"] != "flat"


def test_a_handle_that_is_lost_now_and_then_is_found(part: Any) -> None:
    samples = [
        part("sampling").Sample(
            at_s=10.0 * at, real_s=0.0, wall_s=0.0, handles=30 + at // 40, threads=9
        )
        for at in range(360)
    ]
    assert words(part, samples) == {"handles": "grows", "threads": "flat"}


def test_a_busy_machine_is_no_loop_that_becomes_slower(part: Any) -> None:
    """Answers that took long now and then; and a loop that takes 10 ms longer from hour to hour."""
    random = np.random.default_rng(4)

    def word(slower_s: float) -> str:
        samples = [
            part("sampling").Sample(
                at_s=10.0 * at,
                real_s=0.0,
                wall_s=0.0,
                answer_s=0.002 + slower_s * at / 360.0 + random.exponential(0.02),
            )
            for at in range(540)
        ]
        return words(part, samples, warm_up_s=0.0)["answer_s"]

    assert word(0.0) == "flat"
    assert word(0.010) == "grows"


def test_handles_that_are_open_while_a_file_is_written_are_no_leak(part: Any) -> None:
    """Also where that is later on more often the case; one that stays open is."""

    def word(stays: int) -> str:
        random = np.random.default_rng(9)
        samples = [
            part("sampling").Sample(
                at_s=10.0 * at,
                real_s=0.0,
                wall_s=0.0,
                handles=24
                + (5 if random.random() < 0.3 + 0.2 * at / 600 else 0)
                + stays * (at // 100),
            )
            for at in range(600)
        ]
        return words(part, samples, warm_up_s=0.0)["handles"]

    assert word(0) == "flat"
    assert word(1) == "grows"


def test_what_moved_by_less_than_the_bound_is_flat(part: Any) -> None:
    """Whatever can be said of its slope: one step up, and that is all."""
    samples = [
        part("sampling").Sample(
            at_s=10.0 * at, real_s=0.0, wall_s=0.0, broker_rss_bytes=8_500_000 + 300_000 * (at > 90)
        )
        for at in range(360)
    ]
    assert words(part, samples, warm_up_s=0.0)["broker_rss_bytes"] == "flat"


def test_few_samples_tell_nothing(part: Any) -> None:
    """Rather than a slope that chance has made."""
    samples = a_run(part, leak_per_hour=600e6, seed=3)[:7]
    assert words(part, samples, warm_up_s=0.0)["rss_bytes"] == "cannot tell"
    (rss, *_) = part("slopes").slopes_of(samples, warm_up_s=0.0)
    assert "8 are needed" in rss.reason
    assert rss.low_per_hour is None


def test_a_longer_run_is_held_to_a_smaller_slope(part: Any) -> None:
    short = part("slopes").slopes_of(a_run(part, leak_per_hour=0, seed=1), warm_up_s=0.0)[0]
    long = part("slopes").slopes_of(
        a_run(part, leak_per_hour=0, seed=1, hours=15.0, every_s=100.0), warm_up_s=0.0
    )[0]
    assert long.bound_per_hour == pytest.approx(short.bound_per_hour / 10.0, rel=0.02)


def test_the_table_says_flat_or_grows_for_each_figure(part: Any) -> None:
    slopes = part("slopes").slopes_of(a_run(part, leak_per_hour=5e6, seed=2), warm_up_s=1200.0)
    lines = part("telling").slope_lines(slopes)
    assert [line.split("|")[-2].strip() for line in lines[2:]] == ["grows", "flat", "flat"]
    assert "an hour" in lines[0]
    assert len({len(line) for line in lines}) == 1


# --- looking --------------------------------------------------------------------------------------


def test_a_look_sees_what_a_process_holds(part: Any, tmp_path: Path) -> None:
    """Handles, threads and memory of this very process, before and after it takes more."""
    look = part("sampling").look

    def now() -> Any:
        return look(os.getpid(), tmp_path, at_s=0.0, real_s=0.0, wall_s=0.0)

    before = now()
    stop = threading.Event()
    thread = threading.Thread(target=stop.wait)
    with ExitStack() as stack:
        for number in range(5):
            stack.enter_context((tmp_path / f"{number}").open("w"))
        thread.start()
        held = np.ones(40_000_000, dtype=np.uint8)
        after = now()
        stop.set()
        thread.join()
    assert after.handles - before.handles == 5
    assert after.threads - before.threads == 1
    assert 30e6 < after.rss_bytes - before.rss_bytes < 60e6
    assert 30e6 < after.heap_bytes - before.heap_bytes < 60e6
    assert held.sum() == held.size


def test_a_look_counts_journals_logs_and_ledger(part: Any, tmp_path: Path) -> None:
    folder = tmp_path / "journals"
    folder.mkdir()
    (folder / "journal-0000000001-ab.sqlite").write_bytes(b"x" * 1000)
    (folder / "journal-0000000002-ab.sqlite").write_bytes(b"x" * 500)
    (folder / "journal-0000000002-ab.sqlite-wal").write_bytes(b"x" * 70)
    (tmp_path / "ledger.sqlite").write_bytes(b"x" * 30)
    (tmp_path / "ledger.sqlite-wal").write_bytes(b"x" * 4)
    found = part("sampling").look(os.getpid(), tmp_path, at_s=0.0, real_s=0.0, wall_s=0.0)
    assert (found.journal_bytes, found.journals) == (1500, 2)
    assert (found.wal_bytes, found.ledger_bytes) == (74, 30)


def test_a_process_that_has_ended_is_no_process(part: Any, tmp_path: Path) -> None:
    """Also while nobody has asked for its exit code."""
    child = subprocess.Popen([sys.executable, "-c", "pass"])
    os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)
    with pytest.raises(ProcessLookupError):
        part("sampling").look(child.pid, tmp_path, at_s=0.0, real_s=0.0, wall_s=0.0)
    child.wait()
    with pytest.raises(ProcessLookupError):
        part("sampling").look(child.pid, tmp_path, at_s=0.0, real_s=0.0, wall_s=0.0)


def test_samples_outlive_a_run_that_is_cut_short(part: Any, tmp_path: Path) -> None:
    """The last line may be half a line; one within the file that is none of ours is refused."""
    sampling, path = part("sampling"), tmp_path / "samples.jsonl"
    samples = a_run(part, leak_per_hour=0.0, seed=1)[:3]
    for one in samples:
        sampling.write_sample(path, one)
    with path.open("a") as file:
        file.write('{"at_s": 30.0, "rss')
    assert sampling.read_samples(path) == samples
    path.write_text('{"at_s": 30.0, "rss\n')
    with pytest.raises(ValueError, match="line 1"):
        sampling.read_samples(path)


# --- what was heard -------------------------------------------------------------------------------


def test_numbers_are_kept_in_runs_whatever_their_order(part: Any) -> None:
    numbers = part("listening").Numbers()
    for one in [1, 2, 3, 7, 8, 5, 6, 4, 20, 2]:
        numbers.add(one)
    assert numbers.runs == [[1, 8], [20, 20]]
    assert (len(numbers), numbers.again) == (9, 1)
    assert numbers.all() == {*range(1, 9), 20}


def test_a_sweep_that_was_told_twice_or_late_is_counted_once(part: Any, tmp_path: Path) -> None:
    """And all of it can be written down and read again."""
    heard = part("listening").Heard()
    for seq in (1, 2, 2, 4, 3):
        heard.take("acqd/ledge/job/vhf/summary", json.dumps({"seq": seq}).encode())
    heard.take("acqd/ledge/job/vhf/value/floor_dbm", b"-101.5")
    heard.take("acqd/ledge/finding", b'{"number": 9}')
    heard.take("acqd/ledge/probe", b"")
    assert heard.by_kind == {"summary": 5, "value": 1, "finding": 1}
    path = tmp_path / "heard.json"
    path.write_text(json.dumps(heard.plain()))
    again = part("listening").Heard.read(path)
    assert again.summaries["vhf"].runs == [[1, 4]]
    assert again.findings[""].runs == [[9, 9]]
    assert again.messages == 7
    assert part("listening").Heard.read(tmp_path / "none").messages == 0


# --- whole runs -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("wall", "--for", "soon"), "90s, 75min, 2h or 30d"),
        (("days", "--sweepers", "0"), "whole number"),
        (("wall", "--rate", "-3"), "above 0"),
        ((), "wall|days|judge"),
    ],
)
def test_wrong_options_are_refused(options: tuple[str, ...], said: str) -> None:
    done = endurance(*options)
    assert done.returncode == 2
    assert said in done.stderr


def test_a_folder_that_holds_something_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    done = endurance("wall", "--for", "1s", "--folder", str(tmp_path))
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1 and "empty folder" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


@pytest.mark.slow
def test_ten_seconds_at_twenty_sweeps_a_second(tmp_path: Path) -> None:
    """`acqd run`, sweepers over TCP, mosquitto and a subscriber: each due sweep has an account,
    and each that was named in a message is in the archive."""
    skip_without_mosquitto()
    folder = str(tmp_path / "run")
    done = endurance("wall", "--for", "10s", "--look-every", "1s", "--points", "101",
                     "--json", "--folder", folder)  # fmt: skip
    told = told_by(done)
    assert told["samples"] >= 8
    assert {"rss_bytes", "handles", "threads", "journal_bytes", "wal_bytes", "answer_s",
            "broker_rss_bytes"} <= {one["figure"] for one in told["slopes"]}  # fmt: skip
    for job in told["jobs"]:
        assert job["due"] >= 35
        assert job["stored"] + sum(job["missed"].values()) == job["due"]
        assert job["unaccounted"] == job["twice"] == job["lost"] == 0
        assert job["sweeps"] >= job["summaries"] > 0
    assert told_by(endurance("judge", folder, "--json"))["jobs"] == told["jobs"]


@pytest.mark.slow
def test_two_hours_on_a_clock_of_their_own(tmp_path: Path) -> None:
    """All 240 sweeps are stored, all is sealed and merged, and the subscriber heard every message
    that the station's publisher sent."""
    skip_without_mosquitto()
    done = endurance("days", "--for", "2h", "--sweepers", "2", "--carriers", "1", "--points", "101",
                     "--json", "--folder", str(tmp_path / "run"))  # fmt: skip
    told = told_by(done)
    assert [job["due"] for job in told["jobs"]] == [120, 120]
    for job in told["jobs"]:
        assert job["stored"] == job["sweeps"] == 120
        assert job["missed"] == {} and job["unaccounted"] == 0
        assert job["findings"] == job["findings_heard"]
    named = sum(job["summaries"] + job["traces"] for job in told["jobs"])
    assert named + told["live_dropped"] == 2 * 240
    assert told["sent"] == sum(told["messages"].values())
    assert told["files"] == told["volumes"] == 2
    assert told["samples"] >= 10
