"""Logs into archives: layouts, order, doubles, gaps, bad rows, and what the archive then holds."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from acqd.archive.lock import WriterLock
from acqd.archive.reader import Archive
from acqd.errors import ArchiveError, ArchiveLocked, ConfigError, WrongUsage
from acqd.ingest.bad import Bad, Stopped
from acqd.ingest.provenance import provenance_of
from acqd.station.replay import Replay
from acqd.station.replay_check import Check
from acqd.sweep import SweepFlag
from logbooks import NOW_S, POINTS, START, WIDE, levels_of, wide_log

Run = Callable[..., Any]
Open = Callable[[], Archive]

LONG = (
    WIDE.replace('"wide"', '"long"')
    .replace("[level]", 'column = "f"\n[level]')
    .replace('unit = "dBm"', 'unit = "dBm"\ncolumn = "level"')
)


def put(folder: Path, name: str, text: str, encoding: str = "utf-8") -> Path:
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def levels(archive: Archive, job: str = "vhf") -> Any:
    """(sweeps, points) as the archive gives them."""
    return archive.sweeps(job).level.values


def wanted(numbers: range) -> Any:
    """(sweeps, points) as the logs have them."""
    return np.array([levels_of(number) for number in numbers], dtype=np.float32)


def is_equal_again(archive: Archive, job: str = "vhf") -> bool:
    """Whether a replay gives the same, bit for bit."""
    check = Check(same_place=True)
    for told in Replay(archive=archive, job=job).run():
        check.take(told)
    return check.is_exact and check.sweeps > 0


def test_a_log_becomes_a_job(run: Run, archive: Open, tmp_path: Path) -> None:
    """Levels as written, axis, times, setup, findings; and a replay gives the same."""
    done = run(put(tmp_path, "a.csv", wide_log(200)))
    assert (done.sweeps, done.refused, done.missed, done.twice) == (200, 0, 0, 0)
    data = archive().sweeps("vhf")
    assert np.array_equal(data.level.values, wanted(range(200)))
    assert data.frequency.values.tolist() == [156e6 + 25e3 * at for at in range(POINTS)]
    first = data.time.values.astype("M8[us]").astype(np.int64)[:2] / 1e6
    assert first.tolist() == [START.timestamp(), START.timestamp() + 2.0]
    assert set(data.flags.values.tolist()) == {int(SweepFlag.CLOCK_UNSYNCHRONISED)}
    (setup,) = archive().setups("vhf")
    assert (setup.unit, setup.resolution, setup.sweeper) == ("dBm", 0.05, "log")
    assert setup.details["identity"]["location"] == "files"
    assert setup.details["config"]["sweeper_says"]["driver"] == "ingest"
    found = [one.what for one in archive().findings("vhf")]
    assert done.findings == len(found) > 0
    assert "signal_appeared" in found
    assert is_equal_again(archive())


def test_hours_turn(run: Run, archive: Open, tmp_path: Path) -> None:
    """Each hour of the log has its figures, the last one too, since it is over."""
    run(put(tmp_path, "a.csv", wide_log(100, every_s=60.0)))
    starts = [one.hour_start_s - START.timestamp() for one in archive().hourly("vhf")]
    assert starts == [0.0, 3600.0]
    assert archive().hourly("vhf")[0].figures["stored"] == 60


def test_a_day_becomes_a_volume(run: Run, tmp_path: Path) -> None:
    """Days that are over are merged at once, one file each."""
    run(put(tmp_path, "a.csv", wide_log(200, every_s=60.0)))
    names = sorted(path.parent.name for path in tmp_path.glob("archive/sweeps/vhf/*/volume_*.nc"))
    assert names == ["2025-03-14", "2025-03-15"]
    assert not list(tmp_path.glob("archive/sweeps/vhf/*/segment_*.nc"))


# ---- layouts -----------------------------------------------------------------------------------


def long_log(numbers: range, *, clock: bool = True) -> str:
    """The same sweeps, a row a point."""
    lines = ["time,f,level" if clock else "f,level"]
    for number in numbers:
        at = (START.replace(tzinfo=None) + timedelta(seconds=2.0 * number)).isoformat(sep=" ")
        for point, level in enumerate(levels_of(number)):
            row = f"{156 + point * 0.025:.3f},{level:.2f}"
            lines.append(f"{at},{row}" if clock else row)
    return "\n".join(lines) + "\n"


def test_a_row_a_point(run: Run, archive: Open, tmp_path: Path) -> None:
    """The long layout gives the sweeps of the wide one."""
    assert run(put(tmp_path, "a.csv", long_log(range(60))), text=LONG).sweeps == 60
    assert np.array_equal(levels(archive()), wanted(range(60)))


def test_a_file_a_sweep_with_the_clock_in_its_name(run: Run, archive: Open, tmp_path: Path) -> None:
    """A folder of small files, whose names do not sort as their clocks do."""
    folder = tmp_path / "logs"
    folder.mkdir()
    for number in range(60):
        at = START + timedelta(seconds=2.0 * number)
        log = long_log(range(number, number + 1), clock=False)
        put(folder, f"{number * 37 % 60:02d}_{at:%H%M%S-%d%m%Y}.csv", log)
    text = LONG.replace(
        'columns = "time"', "name = '_(?P<time>\\d+-\\d+)'\nformat = \"%H%M%S-%d%m%Y\""
    )
    done = run(folder, text=text)
    assert (done.sweeps, done.known) == (60, 0), "files of equal levels are of two times"
    assert np.array_equal(levels(archive()), wanted(range(60)))
    assert run(folder, text=text).known == 60


def test_the_clock_in_a_line(run: Run, archive: Open, tmp_path: Path) -> None:
    """Each part of the file begins with a line that holds its clock."""
    parts = []
    for number in range(20):
        at = (START + timedelta(seconds=2.0 * number)).isoformat()
        rows = long_log(range(number, number + 1), clock=False).partition("\n")[2]
        parts.append(f"# swept {at}\n{rows}")
    text = LONG.replace('columns = "time"', "line = 'swept (?P<time>\\S+)'")
    path = put(tmp_path, "a.csv", "f,level\n" + "".join(parts))
    assert run(path, text=text).sweeps == 20
    assert np.array_equal(levels(archive()), wanted(range(20)))


@pytest.mark.parametrize("key", ['after_column = "time"', 'row_every = "2 s"'])
def test_a_clock_and_what_comes_after_it(run: Run, archive: Open, tmp_path: Path, key: str) -> None:
    """The file begins with its clock; rows are seconds after it, or so many apart."""
    head, _, rows = wide_log(30).partition("\n")
    rows = "\n".join(
        f"{2 * at},{row.partition(',')[2]}" for at, row in enumerate(rows.splitlines())
    )
    text = WIDE.replace('columns = "time"', f"line = 'since (?P<time>.+)'\n{key}")
    log = f"since {START.isoformat()}\n{head}\n{rows}\n"
    if "row_every" in key:
        text = text.replace("[time]", "[time]", 1)
    assert run(put(tmp_path, "a.csv", log), text=text).sweeps == 30
    assert np.array_equal(levels(archive()), wanted(range(30)))


@pytest.mark.parametrize(
    ("encoding", "name"),
    [("utf-8-sig", "a.csv"), ("utf-16", "a.csv"), ("cp1252", "a.csv"), ("utf-8", "a.csv.gz")],
)
def test_encodings_and_compression(
    run: Run, archive: Open, tmp_path: Path, encoding: str, name: str
) -> None:
    """A byte order mark, two bytes a letter, a letter of an older encoding, and .gz."""
    log = wide_log(40).replace("time", "zeit µ").replace("\n", "\r\n")
    data = log.encode(encoding)
    path = tmp_path / name
    path.write_bytes(gzip.compress(data) if name.endswith(".gz") else data)
    text = WIDE.replace('columns = "time"', 'columns = "zeit µ"').replace(
        "[time]", f'encoding = "{encoding}"\n\n[time]'
    )
    assert run(path, text=text).sweeps == 40
    assert np.array_equal(levels(archive()), wanted(range(40)))


def test_separators_commas_comments_and_quotes(run: Run, archive: Open, tmp_path: Path) -> None:
    """Semicolons, decimal commas, lines of another kind, names in quotes, date and time apart."""
    lines = ["a preamble", "# a comment"]
    for at, line in enumerate(wide_log(30).splitlines()):
        clock, _, rest = line.partition(",")
        date, _, time = ("day", "", "at") if at == 0 else clock.partition(" ")
        rest = rest.replace(",", ";").replace(".", ",")
        lines += [f'"{date}";{time};{rest}', "", "# another"]
    text = WIDE.replace(
        "[time]", 'separator = "semicolon"\ndecimal = ","\nskip = 1\n\n[time]'
    ).replace('columns = "time"', 'columns = ["day", "at"]')
    assert run(put(tmp_path, "a.csv", "\n".join(lines)), text=text).sweeps == 30
    assert np.array_equal(levels(archive()), wanted(range(30)))


def test_a_grid_of_the_map_that_falls(run: Run, archive: Open, tmp_path: Path) -> None:
    """No header; columns by number; the axis is kept in the log's order."""
    log = wide_log(30).partition("\n")[2]
    text = (
        WIDE.replace("[time]", "header = false\n\n[time]")
        .replace('"time"', "1")
        .replace('unit = "MHz"', f'first = "157 MHz"\nlast = "156 MHz"\npoints = {POINTS}')
        .replace('unit = "dBm"', 'unit = "dBm"\nfirst_column = 2')
    )
    assert run(put(tmp_path, "a.csv", log), text=text).sweeps == 30
    data = archive().sweeps("vhf")
    assert data.frequency.values[[0, -1]].tolist() == [157e6, 156e6]
    assert np.array_equal(data.level.values, wanted(range(30)))
    assert is_equal_again(archive())


def test_grids_that_differ_are_setups(run: Run, archive: Open, tmp_path: Path) -> None:
    """Two files of other frequencies, and a header that comes again within a file."""
    again = wide_log(10) + wide_log(10, first=10, points=5)
    put(tmp_path, "a.csv", again)
    later = wide_log(10, first=20)
    done = run(tmp_path / "a.csv", put(tmp_path, "b.csv", later))
    assert done.points == (5, POINTS)
    assert done.sweeps == 30
    sizes = sorted(setup.frequency_hz.size for setup in archive().setups("vhf"))
    assert sizes == [5, POINTS]
    assert is_equal_again(archive())


def test_settings_and_context_of_each_sweep(run: Run, archive: Open, tmp_path: Path) -> None:
    """RBW, sweep time and a temperature from columns; a temperature that is none is none."""
    lines = [
        line + (",rbw,ms,temp" if at == 0 else f",10,800,{'-' if at == 3 else 12.5}")
        for at, line in enumerate(wide_log(10).splitlines())
    ]
    text = WIDE + (
        '[settings]\nrbw_column = "rbw"\nrbw_unit = "kHz"\n'
        'sweep_time_column = "ms"\nsweep_time_unit = "ms"\n'
        '[context.mast]\ncolumn = "temp"\nunit = "°C"\n'
    )
    run(put(tmp_path, "a.csv", "\n".join(lines)), text=text)
    (setup,) = archive().setups("vhf")
    assert setup.details["reported"]["rbw_hz"] == 10_000.0
    assert setup.details["measuring"]["sweep_time_s"] == 0.8
    assert setup.details["context"] == {"mast": {"unit": "°C", "title": ""}}
    mast = archive().sweeps("vhf").context_mast.values
    assert np.isnan(mast[2]) and np.nansum(mast) == 9 * 12.5


def test_other_units(run: Run, archive: Open, tmp_path: Path) -> None:
    """Levels in mW are dBm in the archive, and the setup says what was done."""
    rows = "time,156.0,156.025,156.05\n2025-03-14 21:00:00,1e-11,1e-10,2e-10\n"
    run(put(tmp_path, "a.csv", rows), text=WIDE.replace('"dBm"', '"mW"'))
    assert levels(archive())[0] == pytest.approx([-110.0, -100.0, -96.9897], abs=1e-4)
    (setup,) = archive().setups("vhf")
    assert setup.unit == "dBm"
    assert "10 log10 of the mW" in setup.details["software"]["ingest"]


# ---- order, doubles, gaps ----------------------------------------------------------------------


def test_order_is_that_of_the_clocks(run: Run, archive: Open, tmp_path: Path) -> None:
    """Files that overlap and are written backwards are put in order, whatever they are called."""
    rows = wide_log(40).splitlines()
    even = [rows[0], *rows[1::2]]
    odd = [rows[0], *rows[2::2][::-1]]
    files = [put(tmp_path, "z.csv", "\n".join(even)), put(tmp_path, "a.csv", "\n".join(odd))]
    assert run(*files).sweeps == 40
    assert np.array_equal(levels(archive()), wanted(range(40)))


def test_two_sweeps_of_one_time(run: Run, archive: Open, tmp_path: Path) -> None:
    """The first of them counts; it is said how many were left out."""
    log = wide_log(20)
    done = run(put(tmp_path, "a.csv", log + log.splitlines()[5] + "\n"))
    assert (done.sweeps, done.twice) == (20, 1)
    assert np.array_equal(levels(archive()), wanted(range(20)))


def test_a_second_run_adds_nothing(run: Run, archive: Open, tmp_path: Path) -> None:
    """Files are known by their digests, under another name too."""
    log = wide_log(20)
    run(put(tmp_path, "a.csv", log))
    done = run(put(tmp_path, "a.csv", log), put(tmp_path, "copy.csv", log))
    assert (done.sweeps, done.known, done.files) == (0, 2, 0)
    assert len(levels(archive())) == 20


def test_a_log_that_has_grown(run: Run, archive: Open, tmp_path: Path) -> None:
    """What is there is left out; the rest goes on where it ended, as if it had come at once."""
    run(put(tmp_path, "a.csv", wide_log(50)))
    done = run(put(tmp_path, "a.csv", wide_log(120)))
    assert (done.sweeps, done.held) == (70, 50)
    assert np.array_equal(levels(archive()), wanted(range(120)))
    assert len(archive().setups("vhf")) == 1
    assert is_equal_again(archive())


def test_what_is_older_cannot_be_put_in(run: Run, archive: Open, tmp_path: Path) -> None:
    """It is left out and said; a job of another name takes it."""
    run(put(tmp_path, "b.csv", wide_log(20, first=100)))
    done = run(put(tmp_path, "a.csv", wide_log(20)))
    assert (done.sweeps, done.older) == (0, 20)
    assert run(tmp_path / "a.csv", job="earlier").sweeps == 20
    assert archive().jobs() == ["earlier", "vhf"]
    assert is_equal_again(archive(), "earlier") and is_equal_again(archive())


def test_gaps(run: Run, archive: Open, tmp_path: Path) -> None:
    """What was due and is not in the files is a gap; each run goes on from the one before."""
    text = WIDE + '[gaps]\nevery = "2 s"\n'
    done = run(put(tmp_path, "a.csv", wide_log(50, left_out=(10, 11, 12, 30))), text=text)
    assert (done.sweeps, done.missed) == (46, 4)
    gaps = archive().gaps("vhf")
    assert [(one.count, one.reason) for one in gaps] == [
        (3, "no sweep in the files"),
        (1, "no sweep in the files"),
    ]
    assert gaps[0].from_s == START.timestamp() + 20.0
    assert gaps[0].to_s == START.timestamp() + 24.0
    assert run(put(tmp_path, "b.csv", wide_log(10, first=55)), text=text).missed == 5
    coverage = archive().coverage("vhf")
    assert (coverage.stored, coverage.due) == (56, 65)
    assert is_equal_again(archive())


def test_a_gap_of_rows_that_could_not_be_read_says_so(
    run: Run, archive: Open, tmp_path: Path
) -> None:
    """They were in the files; beside it a gap of what was not."""
    rows = wide_log(30, left_out=(20,)).splitlines()
    for line in (6, 7):
        rows[line] = rows[line].replace(",-1", ",?", 1)
    text = WIDE + '[gaps]\nevery = "2 s"\n'
    run(put(tmp_path, "a.csv", "\n".join(rows)), text=text, skip_bad=True)
    assert [(one.count, one.detail) for one in archive().gaps("vhf")] == [
        (2, "2 could not be read"),
        (1, ""),
    ]


def test_a_logger_that_was_off(run: Run, archive: Open, tmp_path: Path) -> None:
    """A silence longer than the map says is no gap; and without an interval nothing is."""
    log = put(tmp_path, "a.csv", wide_log(200, left_out=range(50, 150)))
    text = WIDE + '[gaps]\nevery = "2 s"\noff_after = "1 min"\n'
    assert run(log, text=text).missed == 0
    assert archive().gaps("vhf") == []
    assert run(log, archive=tmp_path / "other").missed == 0


def test_equal_sweeps_in_a_row_are_flagged(run: Run, archive: Open, tmp_path: Path) -> None:
    """As live: the sweeper may have been frozen."""
    rows = wide_log(4).splitlines()
    rows[3] = rows[3].split(",")[0] + "," + rows[2].partition(",")[2]
    run(put(tmp_path, "a.csv", "\n".join(rows)))
    flags = archive().sweeps("vhf").flags.values & int(SweepFlag.REPEATED)
    assert flags.tolist() == [0, 0, int(SweepFlag.REPEATED), 0]


def test_the_hour_that_comes_twice(run: Run, archive: Open, tmp_path: Path) -> None:
    """A log of local times that goes on while the clock is put back is in order; without a rule
    each time of that hour is refused."""
    rows = wide_log(181, every_s=60.0, start=START).splitlines()
    clock = datetime(2025, 10, 26, 0, 0, tzinfo=UTC) - timedelta(hours=1)
    local = [
        (clock + timedelta(minutes=at)).astimezone(ZoneInfo("Europe/Dublin")) for at in range(181)
    ]
    log = [rows[0]] + [
        f"{at.replace(tzinfo=None).isoformat(sep=' ')},{row.partition(',')[2]}"
        for at, row in zip(local, rows[1:], strict=True)
    ]
    path = put(tmp_path, "a.csv", "\n".join(log))
    text = WIDE.replace('"UTC"', '"Europe/Dublin"')
    assert run(path, text=text, skip_bad=True, dry_run=True).refused == 120
    text = text.replace("[frequency]", 'ambiguous = "order"\n\n[frequency]')
    assert run(path, text=text).sweeps == 181
    times = archive().sweeps("vhf").time.values.astype("M8[s]").astype(np.int64)
    assert np.array_equal(times, clock.timestamp() + 60 * np.arange(181))


def test_files_of_the_hour_that_comes_twice(run: Run, archive: Open, tmp_path: Path) -> None:
    """Of two files of one local time the name tells which is the second, and none is left out."""
    folder = tmp_path / "logs"
    folder.mkdir()
    begin = datetime(2025, 10, 25, 23, 30, tzinfo=UTC)
    for number in range(40):
        at = (begin + timedelta(minutes=5 * number)).astimezone(ZoneInfo("Europe/Dublin"))
        name = f"sweep_{at:%Y%m%d_%H%M}"
        name = f"{name} (1)" if (folder / f"{name}.csv").exists() else name
        put(folder, f"{name}.csv", long_log(range(number, number + 1), clock=False))
    pattern = "name = 'sweep_(?P<time>\\d{8}_\\d{4})(?P<later> \\(1\\))?'"
    text = LONG.replace('"UTC"', '"Europe/Dublin"').replace(
        'columns = "time"', f'{pattern}\nformat = "%Y%m%d_%H%M"'
    )
    done = run(folder, text=text)
    assert (done.sweeps, done.twice, done.refused) == (40, 0, 0)
    times = archive().sweeps("vhf").time.values.astype("M8[s]").astype(np.int64)
    assert np.array_equal(times, begin.timestamp() + 300 * np.arange(40))
    assert np.array_equal(levels(archive()), wanted(range(40)))


# ---- bad rows ----------------------------------------------------------------------------------


def bad_log() -> str:
    """Twenty sweeps of which four cannot be read, and one has a level that is missing."""
    rows = wide_log(20).splitlines()
    rows[3] = rows[3].replace("-10", "x", 1)
    rows[5] = "then," + rows[5].partition(",")[2]
    rows[7] = rows[7].rpartition(",")[0]
    rows[9] = rows[9].rpartition(",")[0] + ",-9000"
    rows[11] = rows[11].rpartition(",")[0] + ","
    return "\n".join(rows) + "\n"


def test_bad_rows_are_named_and_passed_over(run: Run, archive: Open, tmp_path: Path) -> None:
    """Each with its file, line, column, what it was and what was expected."""
    told: list[Bad] = []
    done = run(put(tmp_path, "a.csv", bad_log()), skip_bad=True, on_bad=told.append)
    assert (done.sweeps, done.refused) == (16, 4)
    assert done.named == told
    texts = sorted(str(one).removeprefix(f"{tmp_path}/") for one in told)
    assert texts[0].startswith("a.csv:10: level -9000 dBm at point 10: levels lie between")
    assert texts[1].startswith("a.csv:4, column 156.") and "is no level; expected" in texts[1]
    assert texts[2].startswith("a.csv:6, column time: 'then' is no time; expected a time in ISO")
    assert texts[3].startswith("a.csv:8: 11 columns; expected at least 12")
    assert np.count_nonzero(np.isnan(levels(archive()))) == 1
    (written,) = provenance_of(tmp_path / "archive")
    assert [one["line"] for one in written["refused"]] == [one.line for one in told]


def test_a_bad_row_stops_the_run(run: Run, archive: Open, tmp_path: Path) -> None:
    """What came before it is kept; with the row mended the same command goes on from there."""
    rows = wide_log(20).splitlines()
    good, rows[12] = rows[12], rows[12].replace(",-1", ",?", 1)
    with pytest.raises(Stopped, match=r"a\.csv:13, column 156"):
        run(put(tmp_path, "a.csv", "\n".join(rows)))
    assert np.array_equal(levels(archive()), wanted(range(11)))
    assert not list(provenance_of(tmp_path / "archive"))
    rows[12] = good
    assert run(put(tmp_path, "a.csv", "\n".join(rows))).sweeps == 9
    assert np.array_equal(levels(archive()), wanted(range(20)))
    assert is_equal_again(archive())


def test_a_bad_clock_stops_before_anything_is_kept(run: Run, tmp_path: Path) -> None:
    """Clocks are read first, so there is not even an archive."""
    log = wide_log(20).replace("21:00:10", "21:61:10")
    with pytest.raises(Stopped, match=r"a\.csv:7, column time: '2025-03-14 21:61:10' is no time"):
        run(put(tmp_path, "a.csv", log))
    assert not (tmp_path / "archive").exists()


def test_a_bad_point_costs_its_sweep(run: Run, archive: Open, tmp_path: Path) -> None:
    """With a point less it would be of another grid; the line of the point is named."""
    rows = long_log(range(10)).splitlines()
    rows[2 * POINTS + 4] = rows[2 * POINTS + 4].rpartition(",")[0] + ",loud"
    rows[5 * POINTS + 2] = rows[5 * POINTS + 2].replace("156.025", "left")
    done = run(put(tmp_path, "a.csv", "\n".join(rows)), text=LONG, skip_bad=True)
    assert (done.sweeps, [one.line for one in done.named]) == (8, [2 * POINTS + 5, 5 * POINTS + 3])
    assert len(levels(archive())) == 8


def test_a_bad_file_is_one_bad_row(run: Run, tmp_path: Path) -> None:
    """A header without the clock, one without frequencies, a damaged .gz."""
    files = [
        put(tmp_path, "clock.csv", wide_log(3).replace("time", "when")),
        put(tmp_path, "other.csv", "time,a,b\n2025-03-14 21:00:00,1,2\n"),
    ]
    broken = tmp_path / "broken.csv.gz"
    broken.write_bytes(gzip.compress(wide_log(30).encode())[:60])
    done = run(*files, broken, put(tmp_path, "good.csv", wide_log(5)), skip_bad=True)
    assert (done.sweeps, done.refused) == (5, 3)
    texts = " ".join(map(str, done.named))
    assert "no column 'time' in the header; expected one of 'when'" in texts
    assert "0 columns of the header are called by a frequency" in texts
    assert "cannot be read" in texts


def test_rows_of_one_point_are_no_sweep(run: Run, tmp_path: Path) -> None:
    """A clock that runs on within a sweep is found out, and said."""
    rows = ["time,f,level"] + [f"2025-03-14 21:00:{at:02d},{156 + at},-90" for at in range(5)]
    done = run(put(tmp_path, "a.csv", "\n".join(rows)), text=LONG, skip_bad=True)
    assert (done.sweeps, done.refused) == (0, 5)
    assert "a sweep of one point" in str(done.named[0])


# ---- archives ----------------------------------------------------------------------------------


def test_a_dry_run_keeps_nothing(run: Run, tmp_path: Path) -> None:
    """It counts as a real one, bad rows and gaps too."""
    text = WIDE + '[gaps]\nevery = "2 s"\n'
    log = put(tmp_path, "a.csv", bad_log())
    dry = run(log, text=text, skip_bad=True, dry_run=True)
    assert not (tmp_path / "archive").exists()
    real = run(log, text=text, skip_bad=True)
    for name in ("sweeps", "refused", "missed", "from_s", "to_s", "points"):
        assert getattr(dry, name) == getattr(real, name), name


def test_an_archive_that_a_station_holds_is_refused(run: Run, tmp_path: Path) -> None:
    """In one line, before a file is read."""
    (tmp_path / "archive").mkdir()
    lock = WriterLock(tmp_path / "archive", station="lookout", since_s=NOW_S)
    try:
        with pytest.raises(ArchiveLocked, match=r"station lookout.*stop that station first"):
            run(put(tmp_path, "a.csv", wide_log(3)))
    finally:
        lock.release()


def test_a_folder_of_something_else_is_refused(run: Run, tmp_path: Path) -> None:
    """Nobody's photographs become an archive."""
    put(tmp_path, "a.csv", wide_log(3))
    with pytest.raises(ArchiveError, match="holds something that is no archive"):
        run(tmp_path / "a.csv", archive=tmp_path)


def test_where_it_came_from(run: Run, archive: Open, tmp_path: Path) -> None:
    """Files, digests, lines, the map whole; a remark on the sheet; the map in each setup."""
    run(put(tmp_path, "a.csv", wide_log(20)))
    (told,) = provenance_of(tmp_path / "archive")
    (file,) = told["files"]
    assert (file["name"], file["first_line"], file["last_line"]) == ("a.csv", 2, 21)
    assert (file["found"], file["kept"]) == (20, 20)
    assert told["map"]["text"] == WIDE
    (note,) = archive().overlays("vhf")
    assert file["sha256"][:16] in note.body["text"] and note.kind == "note"
    assert told["map"]["sha256"][:16] in archive().setups("vhf")[0].details["software"]["ingest"]


def test_findings_of_the_past_wait_for_nobody(run: Run, tmp_path: Path) -> None:
    """A station that begins on the archive later does not send them."""
    from acqd.archive.writer import ArchiveWriter
    from acqd.clock import SystemClock

    assert run(put(tmp_path, "a.csv", wide_log(100))).findings > 0
    writer = ArchiveWriter.open(
        tmp_path / "archive", station="lookout", run_id="1", clock=SystemClock()
    )
    try:
        meters = [one.meter for one in writer.recovery.jobs.values() if one.meter is not None]
        writer.begin(meters)
        assert writer.undelivered().result() == {}
    finally:
        writer.close(())


def test_a_file_that_changes_meanwhile(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is not half of one and half of the other: the run ends."""
    from acqd.ingest import run as module

    path = put(tmp_path, "a.csv", wide_log(20))

    def and_then(*given: Any, **options: Any) -> Any:
        scan = scan_files(*given, **options)
        path.write_text(wide_log(30))
        return scan

    scan_files = module.scan_files
    monkeypatch.setattr(module, "scan_files", and_then)
    with pytest.raises(ArchiveError, match="has changed since its clocks were read"):
        run(path)


def test_channels_that_were_not_swept(run: Run, tmp_path: Path) -> None:
    """The map names a plan of another band: said when the files' frequencies are known."""
    text = WIDE.replace('margin = "15 dB"', 'channels = "pmr446"')
    with pytest.raises(ConfigError, match="no channel of this plan lies in the sweep"):
        run(put(tmp_path, "a.csv", wide_log(3)), text=text)


def test_files_without_a_sweep(run: Run, archive: Open, tmp_path: Path) -> None:
    """Nothing is made of them, and what comes next is taken."""
    done = run(put(tmp_path, "a.csv", wide_log(0)), put(tmp_path, "empty.csv", ""))
    assert (done.files, done.sweeps, done.refused) == (2, 0, 0)
    assert not (tmp_path / "archive").exists()
    assert run(put(tmp_path, "a.csv", wide_log(5))).sweeps == 5
    assert len(levels(archive())) == 5


def test_files_that_are_not_there(run: Run, tmp_path: Path) -> None:
    """Neither a file nor in a folder."""
    with pytest.raises(WrongUsage, match="no such file"):
        run(tmp_path / "a.csv")
    (tmp_path / "empty").mkdir()
    with pytest.raises(WrongUsage, match="no file in this folder"):
        run(tmp_path / "empty")
