"""Reports that the station has made: when, of what, where they lie, and what becomes of them."""

from __future__ import annotations

import asyncio
import hashlib
import json
import re
import signal
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from acqd.archive.reader import open_archive
from acqd.clock import SystemClock
from acqd.config.load import parse_config
from acqd.errors import ConfigError
from acqd.plan.schedule import Schedule, window_from_text
from acqd.publish.messages import ReportMade
from acqd.station import reporting
from acqd.station.reportshelf import Period, ReportRule, ReportShelf, finished_period
from acqd.station.service import Station
from acqd.station.surroundings import Surroundings
from acqd.testing.sweepers import ScriptedDriver

LONDON = "Europe/London"
SEVEN_S = 7 * 3600


def at(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def schedule(*windows: str, **more: Any) -> Schedule:
    several = tuple(window_from_text(text) for text in windows)
    return Schedule(every_s=2.0, windows=several, zone=LONDON, **more)


def period_of(plan: Schedule, now: str, at_s: int = SEVEN_S) -> tuple[str, str] | None:
    found = finished_period(plan, at_s=at_s, now_s=at(now))
    if found is None:
        return None
    start, stop = (
        datetime.fromtimestamp(one, UTC).isoformat(timespec="minutes").removesuffix("+00:00")
        for one in (found.from_s, found.to_s)
    )
    return start, stop


# ---- which time a report is about ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("windows", "now", "expected"),
    [
        (("21:00..06:00",), "2026-06-15T06:00+01:00", ("2026-06-14T20:00", "2026-06-15T05:00")),
        (("21:00..06:00",), "2026-06-15T05:59+01:00", ("2026-06-13T20:00", "2026-06-14T05:00")),
        (("21:00..06:00",), "2026-06-15T20:59+01:00", ("2026-06-14T20:00", "2026-06-15T05:00")),
        # the night on which the clock is put back has an hour more, and the next is as ever
        (("21:00..06:00",), "2026-10-25T12:00Z", ("2026-10-24T20:00", "2026-10-25T06:00")),
        # windows that touch are one
        (("21:00..00:00", "00:00..06:00"), "2026-06-15T00:30+01:00",
         ("2026-06-13T20:00", "2026-06-14T05:00")),
        (("21:00..00:00", "00:00..06:00"), "2026-06-15T06:30+01:00",
         ("2026-06-14T20:00", "2026-06-15T05:00")),
        # two windows a day: the newer one
        (("21:00..23:00", "04:00..06:00"), "2026-06-15T12:00+01:00",
         ("2026-06-15T03:00", "2026-06-15T05:00")),
        # no windows, or no gap between them: days up to 07:00
        ((), "2026-06-15T07:00+01:00", ("2026-06-14T06:00", "2026-06-15T06:00")),
        ((), "2026-06-15T06:59+01:00", ("2026-06-13T06:00", "2026-06-14T06:00")),
        (("00:00..24:00",), "2026-06-15T12:00+01:00", ("2026-06-14T06:00", "2026-06-15T06:00")),
        (("06:00..18:00", "18:00..06:00"), "2026-06-15T12:00+01:00",
         ("2026-06-14T06:00", "2026-06-15T06:00")),
        ((), "2026-10-25T12:00Z", ("2026-10-24T06:00", "2026-10-25T07:00")),
    ],
)  # fmt: skip
def test_the_newest_time_that_is_over(
    windows: tuple[str, ...], now: str, expected: tuple[str, str]
) -> None:
    assert period_of(schedule(*windows), now) == expected


def test_what_was_never_open_has_no_report() -> None:
    """Before the first day, after the last, and for long after that."""
    first, last = datetime(2026, 6, 14).date(), datetime(2026, 6, 15).date()
    always = schedule(first_day=first, last_day=last)
    assert period_of(always, "2026-06-13T12:00+01:00") is None
    assert period_of(always, "2026-06-14T12:00+01:00") == ("2026-06-13T06:00", "2026-06-14T06:00")
    assert period_of(always, "2026-06-18T12:00+01:00") is None
    nights = schedule("21:00..06:00", first_day=first, last_day=last)
    assert period_of(nights, "2026-06-14T22:00+01:00") is None
    assert period_of(nights, "2026-06-17T22:00+01:00") == ("2026-06-15T20:00", "2026-06-16T05:00")
    assert period_of(nights, "2026-08-01T22:00+01:00") is None


# ---- where they lie ----------------------------------------------------------------------------


def shelf_of(folder: Path, *, keep: int = 3) -> ReportShelf:
    return ReportShelf(folder, "vhf", ReportRule(at_s=SEVEN_S, keep=keep, title="Marine"), LONDON)


def put(shelf: ReportShelf, folder: Path, day: int) -> dict[str, Any]:
    page = folder / "made.html"
    page.write_text(f"<p>night {day}")
    night = Period(at(f"2026-06-{day:02}T20:00Z"), at(f"2026-06-{day + 1:02}T05:00Z"))
    return shelf.put(page, night, at_s=night.to_s + 60.0, headline=f"night {day}")


def test_a_shelf_keeps_the_newest_and_leaves_alone_what_is_not_its_own(tmp_path: Path) -> None:
    """Files that look like its own, but which it did not make, stay."""
    shelf = shelf_of(tmp_path)
    assert shelf.begin(at("2026-06-10T00:00Z")) == (at("2026-06-10T00:00Z"), [])
    foreign = tmp_path / "vhf-2026-01-01-0600.html"
    foreign.write_text("somebody's own")
    entries = [put(shelf, tmp_path, day) for day in (14, 15, 16, 17, 18)]
    pages = sorted(path.name for path in tmp_path.glob("*.html"))
    assert pages == [foreign.name, *(f"vhf-2026-06-{day}-0600.html" for day in (17, 18, 19))]
    since_s, made = shelf_of(tmp_path).begin(at("2026-07-01T00:00Z"))
    assert since_s == at("2026-06-10T00:00Z")
    assert made == entries[2:]
    page = (tmp_path / made[-1]["file"]).read_bytes()
    assert made[-1]["sha256"] == hashlib.sha256(page).hexdigest()
    assert made[-1]["bytes"] == len(page)


def test_the_same_night_made_again_takes_its_own_place(tmp_path: Path) -> None:
    shelf = shelf_of(tmp_path)
    shelf.begin(0.0)
    put(shelf, tmp_path, 14)
    put(shelf, tmp_path, 14)
    assert [one["file"] for one in shelf.begin(0.0)[1]] == ["vhf-2026-06-15-0600.html"]


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", '{"since_s": 1}', '{"since_s": 1, "reports": [{"file": "../../passwd.html"}]}'],
)
def test_a_list_that_cannot_be_read_is_begun_anew(tmp_path: Path, text: str) -> None:
    """And nothing that it may have named is touched."""
    (tmp_path / "vhf.json").write_text(text)
    assert shelf_of(tmp_path).begin(5.0) == (5.0, [])
    assert json.loads((tmp_path / "vhf.json").read_text()) == {"since_s": 5.0, "reports": []}


# ---- the config ----------------------------------------------------------------------------------

CONFIG = (
    '[station]\nname = "n"\narchive = "a"\n[sweeper.m]\ndriver = "sim"\naddress = "sim:mast"\n'
    '[job.vhf]\nkind = "band"\nsweeper = "m"\nstart = "156 MHz"\nstop = "157 MHz"\npoints = 101\n'
)


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ("", None),
        ("report = false", None),
        ("report = true", (7 * 3600, 60)),
        ('report = { at = "18:30", keep = 2 }', (18 * 3600 + 1800, 2)),
    ],
)
def test_a_job_asks_for_reports(said: str, expected: tuple[int, int] | None) -> None:
    """Which changes nothing about its sweeps: the digest of the job stays what it was."""
    when = 'when = { every = "2 s" }\n'
    config = parse_config(f"{CONFIG}{when}{said}", "x.toml")
    report = config.jobs["vhf"].report
    assert (None if report is None else (report.at_s, report.keep)) == expected
    assert config.job_digest("vhf") == parse_config(CONFIG + when, "x.toml").job_digest("vhf")


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ('report = "yes"', "neither a switch nor a table"),
        ('report = { at = "7" }', "not an hour of the day"),
        ("report = { keep = 0 }", "keep"),
        ("report = { kept = 3 }", "did you mean `keep`"),
        ('report = { at = "07:00" }\nwhen.window = "21:00..06:00"', "when a window ends"),
        ('report = { at = "07:00" }\nsoak = { length = "8 h" }', "when a soak ends"),
    ],
)
def test_a_wrong_wish_is_refused(said: str, words: str) -> None:
    with pytest.raises(ConfigError, match=re.escape(words)):
        parse_config(f'{CONFIG}when.every = "2 s"\n{said}', "x.toml")


# ---- a station that makes them -------------------------------------------------------------------


class MovedClock(SystemClock):
    """The machine's clock, some way off: it is about to be 06:00."""

    def __init__(self, wall_s: float) -> None:
        self._off_s = wall_s - time.time()

    def wall_s(self) -> float:
        return time.time() + self._off_s


SIX = "2026-06-15T06:00Z"
NIGHT = 'when = { every = "100 ms", window = "21:00..06:00" }\nreport = true'


def station(inside: Any, job: str, program: str, wall_s: float) -> Any:
    """A station at ``wall_s`` whose reports are made by lines of Python: what fails, what hangs."""
    here = inside({"mast": ScriptedDriver()}, [job])
    around = Surroundings(report_program=(sys.executable, "-c", program))
    clock = MovedClock(wall_s)
    here.station = Station(here.built, clock=clock, run_id="run-1", around=around)
    return here


def findings_of(archive: Path) -> list[str]:
    kept = open_archive(archive).findings("station")
    return [one.text for one in kept if one.what == "report_failed"]


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The last sweep is there at once, so nobody need wait for it."""
    monkeypatch.setattr(reporting, "GRACE_S", 0.0)
    monkeypatch.setattr(reporting, "LOOK_S", 0.1)


@pytest.fixture
def night_job(job_table: Callable[..., str]) -> str:
    return job_table("vhf").replace('when = { every = "100 ms" }', NIGHT)


@pytest.mark.parametrize(
    ("program", "reason"),
    [
        ("import sys; sys.exit('acqd: no such job\\n\\n')", "no such job"),
        ("import sys; sys.stderr.write('x' * 100_000); sys.exit(3)", "x" * 998 + " …"),
        ("raise SystemExit(7)", "it ended with code 7 and said nothing"),
        ("pass", "No such file or directory"),
        ("import os; os.abort()", "it ended with code -6 and said nothing"),
    ],
    ids=["says-why", "says-too-much", "says-nothing", "makes-nothing", "aborts"],
)
async def test_what_fails_is_one_finding_with_its_reason(
    inside: Any, night_job: str, quick: None, program: str, reason: str
) -> None:
    """And is not tried again; the station goes on."""
    async with station(inside, night_job, program, at(SIX) - 3.0) as here:
        await here.until("the failure", lambda: here.events("report_failed"), 20.0)
        await here.until("the finding", lambda: findings_of(here.archive))
        failed = here.events("report_failed")
        assert len(failed) == 1
        assert failed[0]["job"] == "vhf"
        # as much of a long line as fits
        assert failed[0]["problem"].startswith(reason[:900])
    (text,) = findings_of(here.archive)
    assert text.startswith(
        "the report of job vhf for 14 June, 21:00 to 15 June 2026, 06:00 (UTC) was not made: "
    )
    assert not list((here.archive / "reports").glob("*.html"))
    assert not (here.archive / "reports" / ".making" / "run-1").exists()


async def test_a_report_that_takes_too_long_is_given_up(
    inside: Any, night_job: str, quick: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reporting, "TAKES_MOST_S", 0.6)
    hang = "import time; time.sleep(600)"
    async with station(inside, night_job, hang, at(SIX) - 3.0) as here:
        (failed,) = await here.until("the failure", lambda: here.events("report_failed"), 20.0)
        assert failed["problem"] == "it took longer than 0.01 min"


async def test_a_stop_ends_the_report_that_is_being_made_and_the_next_start_makes_it_up(
    inside: Any, night_job: str, quick: None, tmp_path: Path
) -> None:
    """Within the stop's time, what it started too; then a program that does its work is asked for
    the same night, at low priority, and what it says first is told."""
    pids = tmp_path / "pids"
    hang = (
        "import os, subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])\n"
        f"open({str(pids)!r} + '.new', 'w').write(f'{{os.getpid()}} {{child.pid}}')\n"
        f"os.rename({str(pids)!r} + '.new', {str(pids)!r})\n"
        "time.sleep(600)\n"
    )
    async with station(inside, night_job, hang, at(SIX) - 3.0) as here:
        await here.until("the program", pids.exists, 20.0)
        assert await here.stop() < 2.0
        assert not here.events("report_failed")
    gone = [int(pid) for pid in pids.read_text().split()]
    await here.until("the end of what makes it", lambda: not any(map(_runs, gone)))

    works = (
        "import json, os, sys\n"
        "words = sys.argv[1:]\n"
        "page, numbers = (words[words.index(one) + 1] for one in ('-o', '--json'))\n"
        "said = f'nice {os.nice(0)}: ' + ' '.join(words[1:7])\n"
        "said = {'report': {'jobs': [{'headline': said}]}}\n"
        "open(page, 'w').write('<p>a night'); open(numbers, 'w').write(json.dumps(said))\n"
    )
    async with station(inside, night_job, works, at(SIX) + 3600.0) as here:
        (made,) = await here.until("the report", lambda: here.events("report_made"), 20.0)
        assert made["file"] == "vhf-2026-06-15-0600.html"
    index = json.loads((here.archive / "reports" / "vhf.json").read_text())
    assert index["reports"][0]["headline"] == (
        "nice 10: --job vhf --from 2026-06-14T21:00:00Z --to 2026-06-15T06:00:00Z"
    )
    assert not list((here.archive / "reports" / ".making").glob("*"))
    # What is there is not made again.
    async with station(inside, night_job, "exit(3)", at(SIX) + 7200.0) as here:
        await asyncio.sleep(1.5)
        assert not here.events("report_failed")


def _runs(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


async def test_nights_before_reports_were_asked_for_get_none(
    inside: Any, night_job: str, quick: None
) -> None:
    """A station that starts at noon for the first time owes nobody the night before."""
    async with station(inside, night_job, "exit(3)", at(SIX) + 6 * 3600.0) as here:
        await asyncio.sleep(1.5)
        assert not here.events("report_failed")


def soon(seconds: float) -> str:
    """A window of the clock of UTC that ends so soon."""
    now = datetime.now(UTC)
    ends = now + timedelta(seconds=seconds)
    return f"{now - timedelta(hours=1):%H:%M:%S}..{ends:%H:%M:%S}"


@pytest.mark.slow
def test_a_station_makes_the_report_of_its_window_and_tells_of_it(bench: Any) -> None:
    """The page is there, the retained message matches it, also for who comes after a restart; a
    kill in between loses nothing."""
    sim, broker = bench.sim(), bench.broker()
    ear = bench.ear(broker.port)
    more = f'when = {{ every = "100 ms", window = "{soon(12.0)}" }}\nreport = true'
    job = bench.job("vhf").replace('when = { every = "100 ms" }', more)
    config = bench.config(sim.addresses, [job], broker=broker.url)
    run = bench.run(config)
    run.until("report_made")
    (told,) = ear.until("/vhf/report")
    ReportMade.model_validate(told)
    page = (bench.archive / "reports" / told["file"]).read_bytes()
    assert told["sha256"] == hashlib.sha256(page).hexdigest()
    assert told["bytes"] == len(page)
    assert told["headline"]
    assert b"<html" in page[:500].lower()
    assert told["to_s"] - told["from_s"] == pytest.approx(3612.0, abs=1.0)
    assert ear.heard("station/finding") == []
    run.kill()
    run = bench.run(config)
    again = ear.until("/vhf/report", 2)[1]
    assert {**again, "run_id": told["run_id"]} == told
    run.stop()
    late = bench.ear(broker.port)
    assert late.until("/vhf/report")[0]["sha256"] == told["sha256"]


@pytest.mark.slow
def test_a_soak_has_its_report_before_the_run_ends(bench: Any) -> None:
    """The station waits for it, and then ends with the soak's verdict."""
    sim = bench.sim()
    soak = (
        'report = true\n[job.lamp-soak.soak]\nlength = "3 s"\ncoverage_at_least = "50 %"\n'
        '[[job.lamp-soak.soak.limit]]\nfigure = "strongest_dbm"\nat_most = "-50 dBm"\n'
    )
    job = bench.job("lamp-soak").replace('band = { margin = "10 dB" }\n', "") + soak
    run = bench.run(bench.config(sim.addresses, [job]))
    # A pass; on a machine that is too busy to sweep, incomplete.
    assert run.wait() in {0, 5}, run.text
    (made,) = run.log("report_made")
    assert (bench.archive / "reports" / made["file"]).is_file()
    assert run.log("stopped")


@pytest.mark.slow
def test_a_folder_that_cannot_be_had_is_a_finding(bench: Any) -> None:
    """Somebody's file stands where the folder should be; sweeps go on all the while."""
    sim = bench.sim()
    bench.archive.mkdir()
    (bench.archive / "reports").write_text("not a folder")
    more = f'when = {{ every = "100 ms", window = "{soon(12.0)}" }}\nreport = true'
    job = bench.job("vhf").replace('when = { every = "100 ms" }', more)
    run = bench.run(bench.config(sim.addresses, [job, bench.job("other")]))
    failed = run.until("report_failed")
    assert "Not a directory" in failed["problem"] or "File exists" in failed["problem"]
    run.stop(signal.SIGINT)
    assert len(findings_of(bench.archive)) == 1
