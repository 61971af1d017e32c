"""A recorded event written out as logs of three layouts, ingested, and its known answers held.

Data: radiospectra 0.7.0 (BSD), BIR_20110607_062400_10.fit; see the ``recording`` fixture. The
answers were computed apart from this project with NumPy, SciPy and astropy alone. What each layout
comes to is compared bit for bit, and the volumes are read by other people's libraries.
"""

from __future__ import annotations

import gzip
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import SweepRecord
from acqd.ingest.maps import parse_map
from acqd.ingest.run import Ingested, Task, ingest
from acqd.ingest.scan import find_files
from acqd.measure.floor import excess_over, floor_per_frequency, onset
from acqd.measure.occupancy import band_occupancy
from acqd.station.replay import Replay
from acqd.station.replay_check import Check

JOB = "solar"
QUIET = 400
FEW = 600
"""Sweeps of the comparison of layouts; the event has begun by then."""

MAP = """\
[file]
layout = "{layout}"
separator = "{separator}"
{file}

[time]
zone = "UTC"
{time}

[frequency]
{frequency}

[level]
unit = "digit"
{level}

[settings]
sweep_time = "250 ms"

[gaps]
every = "250 ms"

[job.solar]
band = {{ margin = "20 dB", floor = "learnt", learn = "99.5 s" }}
"""


def digits(row: Any) -> list[str]:
    return [f"{value:.0f}" for value in row]


def times_us(recording: Any) -> list[int]:
    return np.rint(recording.started_s * 1e6).astype(np.int64).tolist()


def write_wide(folder: Path, recording: Any, count: int) -> str:
    """One file, a row a sweep, the frequencies in the header, falling and with its doubles."""
    lines = ["time;" + ";".join(repr(float(hz)) for hz in recording.frequency_hz)]
    for at_us, row in zip(times_us(recording)[:count], recording.level[:count], strict=True):
        at = datetime.fromtimestamp(at_us // 1_000_000, UTC).strftime("%d.%m.%Y %H:%M:%S")
        lines.append(f"{at},{at_us % 1_000_000:06d};" + ";".join(digits(row)))
    (folder / "wide.csv").write_text("\n".join(lines))
    return MAP.format(
        layout="wide",
        separator="semicolon",
        file='decimal = "."',
        time='columns = "time"\nformat = "%d.%m.%Y %H:%M:%S,%f"',
        frequency='unit = "Hz"',
        level="",
    )


def write_long(folder: Path, recording: Any, count: int) -> str:
    """One compressed file, a row a point, the clock in microseconds."""
    axis = [repr(float(hz)) for hz in recording.frequency_hz]
    lines = ["when\thz\tdigit"]
    for at_us, row in zip(times_us(recording)[:count], recording.level[:count], strict=True):
        lines += [f"{at_us}\t{hz}\t{value}" for hz, value in zip(axis, digits(row), strict=True)]
    (folder / "long.tsv.gz").write_bytes(gzip.compress("\n".join(lines).encode(), 1))
    return MAP.format(
        layout="long",
        separator="tab",
        file="",
        time='columns = "when"\nformat = "epoch us"',
        frequency='column = "hz"',
        level='column = "digit"',
    )


def write_files(folder: Path, recording: Any, count: int) -> str:
    """A file a sweep, whose names run backwards, the clock in a line of it."""
    axis = [repr(float(hz)) for hz in recording.frequency_hz]
    for number, (at_us, row) in enumerate(
        zip(times_us(recording)[:count], recording.level[:count], strict=True)
    ):
        at = datetime.fromtimestamp(at_us // 1_000_000, UTC).isoformat()[:19]
        lines = [f"# swept {at}.{at_us % 1_000_000:06d}Z"]
        lines += [f"{hz} {value}" for hz, value in zip(axis, digits(row), strict=True)]
        (folder / f"{count - number:05d}.txt").write_text("\n".join(lines))
    return MAP.format(
        layout="long",
        separator="space",
        file="header = false",
        time="line = 'swept (?P<time>\\S+)'",
        frequency="column = 1",
        level="column = 2",
    )


LAYOUTS: dict[str, Callable[[Path, Any, int], str]] = {
    "wide": write_wide,
    "long": write_long,
    "files": write_files,
}


def ingested(root: Path, layout: str, recording: Any, count: int) -> Ingested:
    """The recording as logs of a layout, brought into an archive."""
    folder = root / layout
    folder.mkdir()
    text = LAYOUTS[layout](folder, recording, count)
    paths = find_files([str(folder)], "*")
    told = parse_map(text, root / f"{layout}.toml")
    return ingest(Task(told=told, paths=paths, archive=root / f"{layout}-archive", job=JOB))


@pytest.fixture(scope="module")
def whole(recording: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Archive]:
    """All of the recording, from a wide log."""
    root = tmp_path_factory.mktemp("whole")
    done = ingested(root, "wide", recording, 3600)
    assert (done.sweeps, done.refused, done.twice, done.missed) == (3600, 0, 0, 0)
    with open_archive(root / "wide-archive") as archive:
        yield archive


@pytest.fixture(scope="module")
def levels(whole: Archive) -> Any:
    """(sweeps, points) in the receiver's own order."""
    return whole.sweeps(JOB).level.values.astype(np.float64)


@pytest.fixture(scope="module")
def background(levels: Any) -> Any:
    return floor_per_frequency(levels[:QUIET])


def clock_of(time: np.datetime64) -> str:
    """UT to the millisecond."""
    seconds = time.astype("M8[us]").astype(float) / 1e6
    return datetime.fromtimestamp(seconds + 1e-6, UTC).strftime("%H:%M:%S.%f")[:-3]


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
@pytest.mark.slow
def test_the_archive_holds_the_recording(whole: Archive, levels: Any, recording: Any) -> None:
    """Every digit, the falling uneven axis with its doubles, and the times to the microsecond."""
    data = whole.sweeps(JOB)
    assert np.array_equal(levels, recording.level)
    assert np.array_equal(data.frequency.values, recording.frequency_hz)
    theirs = np.array(times_us(recording)).astype("M8[us]")
    assert np.array_equal(data.time.values.astype("M8[us]"), theirs)
    (setup,) = whole.setups(JOB)
    assert (setup.unit, setup.resolution) == ("digit", 1.0)


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
@pytest.mark.slow
def test_strongest_cell(whole: Archive, levels: Any, background: Any) -> None:
    """73.0 digits above its background at 51.188 MHz, 06:28:41.963 UT."""
    data = whole.sweeps(JOB)
    over = levels - background
    sweep, point = np.unravel_index(int(over.argmax()), over.shape)
    assert over[sweep, point] == 73.0
    assert data.frequency.values[point] == pytest.approx(51.188e6, abs=500.0)
    assert clock_of(data.time.values[sweep]) == "06:28:41.963"


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
@pytest.mark.slow
def test_onset(whole: Archive, levels: Any, background: Any) -> None:
    """The excess over all channels first stays above median + 5 sigma at 06:25:53.963 UT."""
    found = onset(excess_over(levels, background), background=QUIET, sweeps=16, sigmas=5.0)
    assert found.index is not None
    assert clock_of(whole.sweeps(JOB).time.values[found.index]) == "06:25:53.963"


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
@pytest.mark.slow
@pytest.mark.parametrize(("over", "percent"), [(10.0, 41.5919), (20.0, 25.4694)])
def test_occupied_cells(levels: Any, background: Any, over: float, percent: float) -> None:
    """Band occupancy at two thresholds over the background."""
    found = 100.0 * band_occupancy(levels > background + over)
    assert found == pytest.approx(percent, abs=5e-5)


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
@pytest.mark.slow
def test_the_meter_hears_the_event(whole: Archive) -> None:
    """Nothing is found in the quiet time; then the floor of the whole band rises."""
    found = list(whole.findings(JOB))
    start_s = times = 1_307_427_840.213
    quiet = [one for one in found if one.at_s < start_s + QUIET * 0.25]
    assert not quiet
    rose = next(one for one in found if one.what == "floor_rose")
    assert 0 < rose.at_s - (times + 113.75) < 60


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
@pytest.mark.slow
def test_the_replay_gives_the_same(whole: Archive) -> None:
    """Every summary, hour and finding, bit for bit."""
    check = Check(same_place=True)
    for told in Replay(archive=whole, job=JOB).run():
        check.take(told)
    assert check.is_exact
    assert (check.sweeps, check.hours) == (3600, 1)


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
@pytest.mark.source("h5py, netCDF4", "compared")
@pytest.mark.slow
def test_other_readers_read_the_volume(whole: Archive, recording: Any) -> None:
    """The levels through netCDF4, scaled by it, and where they came from through h5py."""
    import h5py
    import netCDF4

    (path,) = whole.root.glob(f"sweeps/{JOB}/2011-06-07/volume_*.nc")
    with netCDF4.Dataset(path) as data:
        assert np.array_equal(np.asarray(data["level"][:]), recording.level)
        assert np.array_equal(np.asarray(data["frequency"][:]), recording.frequency_hz)
        assert data["level"].quantity == "digit"
    with h5py.File(path) as file:
        assert bytes(file.attrs["identity_location"]) == b"files"
        assert "map wide.toml (SHA-256 " in str(file.attrs["software_json"])


def told_of(root: Path) -> list[Any]:
    """Everything that an archive has of the job, but for what names the run and the map."""
    with open_archive(root) as archive:
        found: list[Any] = [archive.setups(JOB)[0].frequency_hz.tobytes()]
        for one in archive.events_and_findings(JOB):
            match one:
                case SweepRecord():
                    told = (one.setup, one.seq, one.started_s, one.took_s, one.level.tobytes())
                    found.append((*told, one.summary, dict(one.columns), int(one.flags)))
                case _:
                    told = {name: getattr(one, name) for name in type(one).__slots__}
                    told.pop("message", None)
                    told.pop("details", None)
                    told.pop("frequency_hz", None)
                    found.append((type(one).__name__, told))
    return found


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
@pytest.mark.slow
def test_all_layouts_come_to_the_same(recording: Any, tmp_path: Path) -> None:
    """A row a sweep, a row a point, and a file a sweep give equal archives, bit for bit."""
    for layout in LAYOUTS:
        done = ingested(tmp_path, layout, recording, FEW)
        assert (done.sweeps, done.refused) == (FEW, 0)
    first, *others = (told_of(tmp_path / f"{layout}-archive") for layout in LAYOUTS)
    assert sum(isinstance(one, tuple) and len(one) == 8 for one in first) == FEW
    for other in others:
        assert other == first
