"""The bundle: whole, checkable with what any machine has, and the same for the same report."""

from __future__ import annotations

import csv
import hashlib
import io
import shutil
import subprocess
import zipfile
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest

from acqd.report.bundle import bundle
from acqd.report.jsonout import as_json
from acqd.report.page import html
from acqd.report.shapes import Report
from acqd.report.together import together


@pytest.fixture(scope="module")
def sample(reports: ModuleType) -> Report:
    made = reports.sample_report()
    assert isinstance(made, Report)
    return made


@pytest.fixture(scope="module")
def made(sample: Report, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("bundle") / "night.zip"
    bundle(sample, path, extra=[("marine-vhf/sweeps.csv", iter(["a,b\n", "1,2\n"]))])
    return path


def rows(path: Path, name: str) -> list[dict[str, str]]:
    with zipfile.ZipFile(path) as file:
        return list(csv.DictReader(io.StringIO(file.read(name).decode())))


def test_page_and_numbers_are_in_it(made: Path, sample: Report) -> None:
    """The very texts that the commands write."""
    with zipfile.ZipFile(made) as file:
        assert file.testzip() is None
        assert file.namelist()[:3] == ["README.txt", "report.html", "report.json"]
        assert file.namelist()[-1] == "SHA256SUMS"
        assert file.read("report.html").decode() == html(sample)
        assert file.read("report.json").decode() == as_json(sample)
        assert file.read("marine-vhf/sweeps.csv") == b"a,b\n1,2\n"


def test_its_checksums_are_those_of_its_files(made: Path, tmp_path: Path) -> None:
    """All but of the list itself; the machine's own program agrees."""
    with zipfile.ZipFile(made) as file:
        listed = dict(
            reversed(line.split("  ", 1)) for line in file.read("SHA256SUMS").decode().splitlines()
        )
        assert set(listed) == set(file.namelist()) - {"SHA256SUMS"}
        for name, digest in listed.items():
            assert hashlib.sha256(file.read(name)).hexdigest() == digest
        file.extractall(tmp_path)
    program = shutil.which("sha256sum")
    assert program is not None
    done = subprocess.run(
        [program, "--strict", "-c", "SHA256SUMS"], cwd=tmp_path, capture_output=True, timeout=20
    )
    assert done.returncode == 0, done.stderr
    (tmp_path / "report.json").write_text("{}")
    done = subprocess.run(
        [program, "-c", "SHA256SUMS"], cwd=tmp_path, capture_output=True, timeout=20
    )
    assert done.returncode == 1


def test_tables_are_there_unrounded(made: Path, sample: Report) -> None:
    """With units in their heads, empty where there is nothing."""
    found = rows(made, "marine-vhf/signals-signals.csv")
    table = sample.jobs[0].sections[3].tables[0]
    assert list(found[0])[:2] == ["Frequency [MHz]", "Channel"]
    assert [float(row["Peak [dBm]"]) for row in found] == [row[6] for row in table.rows]
    assert found[2]["Channel"] == ""
    assert rows(made, "hand-held-charger/verdict-against-the-limit.csv")[1]["Verdict"] == (
        "cannot tell"
    )


def test_all_findings_gaps_spells_and_notes_are_there(made: Path) -> None:
    """In UTC; texts with commas and quotes read back."""
    findings = rows(made, "marine-vhf/findings.csv")
    assert [row["place"] for row in findings] == ["1", "2", "3", "4", "5"]
    assert findings[0]["time [UTC]"] == "2026-10-24T20:25:00.000Z"
    assert findings[0]["text"].startswith("157.550 MHz, which is no channel of the plan, busy")
    assert rows(made, "marine-vhf/gaps.csv")[0]["sweeps"] == "600"
    spells = rows(made, "marine-vhf/spells.csv")
    assert [(row["what"], row["listening"]) for row in spells] == [
        ("deaf", "no"),
        ("transmitting", "no"),
    ]
    assert rows(made, "marine-vhf/notes.csv")[0]["text"] == "lamp <b>off</b> & on again: no change"
    assert rows(made, "station/findings.csv")[0]["text"] == "the clock was set back 1.2 s"


def test_the_archive_s_checksums_are_listed(made: Path, sample: Report) -> None:
    """As sha256sum reads them; what has none is counted in README.txt."""
    with zipfile.ZipFile(made) as file:
        name, digest = sample.jobs[0].files[0]
        assert file.read("marine-vhf/ARCHIVE-SHA256SUMS").decode() == f"{digest}  {name}\n"
        assert file.read("hand-held-charger/ARCHIVE-SHA256SUMS") == b""
        readme = file.read("README.txt").decode()
    assert "1 of these sweeps' files were not finished" in readme
    assert "marine-vhf on mast: kept 17400 of 18000 sweeps. AIS all night" in readme


def test_the_same_report_is_the_same_bytes(sample: Report, tmp_path: Path) -> None:
    """Whenever and wherever it is packed; another report is another bundle."""
    for name in ("one.zip", "other.zip"):
        bundle(sample, tmp_path / name)
    one, other = ((tmp_path / name).read_bytes() for name in ("one.zip", "other.zip"))
    assert one == other
    bundle(replace(sample, made_at_s=sample.made_at_s + 1), tmp_path / "third.zip")
    assert (tmp_path / "third.zip").read_bytes() != one
    with zipfile.ZipFile(tmp_path / "one.zip") as file:
        assert {info.date_time for info in file.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_two_stations_have_folders_of_their_own(sample: Report, tmp_path: Path) -> None:
    """No member is there twice, and nothing is overwritten when it is unpacked."""
    rock = replace(sample, title="North Rock", station="north-rock")
    bundle(together([sample, rock]), tmp_path / "both.zip")
    with zipfile.ZipFile(tmp_path / "both.zip") as file:
        names = file.namelist()
    assert len(names) == len(set(names))
    assert "north-rock/marine-vhf/findings.csv" in names
    assert "gannet-ledge-lookout/marine-vhf/findings.csv" in names


def test_tables_of_one_name_do_not_overwrite_each_other(sample: Report, tmp_path: Path) -> None:
    """The second has a number."""
    section = sample.jobs[0].sections[3]
    twice = replace(section, tables=section.tables * 2)
    bundle(replace(sample, jobs=(replace(sample.jobs[0], sections=(twice,)),)), tmp_path / "a.zip")
    with zipfile.ZipFile(tmp_path / "a.zip") as file:
        assert "marine-vhf/signals-signals-2.csv" in file.namelist()


def test_a_large_member_is_written_piece_by_piece(reports: ModuleType, tmp_path: Path) -> None:
    """Nothing holds all of it at once: what comes is taken as it comes."""
    taken = 0

    def lines() -> object:
        nonlocal taken
        for _ in range(300):
            taken += 1
            yield "x" * 9_999 + "\n"

    path = tmp_path / "large.zip"
    bundle(reports.empty_report(), path, extra=[("large.csv", lines())])
    assert taken == 300
    with zipfile.ZipFile(path) as file:
        assert file.getinfo("large.csv").file_size == 3_000_000
    assert path.stat().st_size < 100_000
