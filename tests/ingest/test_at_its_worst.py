"""Logs, names of files and maps at their worst: named with their place, and no traceback."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from acqd.errors import ArchiveError, ConfigError, WrongUsage
from acqd.ingest import logged
from acqd.ingest.bad import Bad
from acqd.ingest.maps import parse_map
from acqd.ingest.scan import LogFile, find_files, scan_files
from acqd.ingest.sweeps import resolution_of
from acqd.ingest.tables import LevelTable
from acqd.ingest.text import columns_of
from acqd.ingest.values import Levels

from .test_garbage import read_all

MAP = """
[file]
layout = "wide"
[time]
zone = "UTC"
columns = ["at"]
[frequency]
unit = "MHz"
[level]
unit = "dBm"
[job.x]
"""
ROW = "2026-01-01T00:00:00,-90.5,-91,-92\n"
LOG = "at,1,2,3\n" + ROW


def told_of(path: Path, text: str, log: str | bytes) -> tuple[int, list[Bad]]:
    """Good sweeps and bad rows of a log."""
    path.write_bytes(log.encode() if isinstance(log, str) else log)
    return read_all(path, text)


@pytest.mark.parametrize(
    "name", ["base64", "hex", "zlib", "rot13", "undefined", "punycode", "no-such"]
)
def test_what_makes_no_text_is_no_encoding(tmp_path: Path, name: str) -> None:
    """Python has more under that name than encodings of text."""
    text = MAP.replace("[file]", f'[file]\nencoding = "{name}"')
    with pytest.raises(ConfigError, match="unknown encoding"):
        parse_map(text, tmp_path / "map.toml")


def test_bytes_that_an_encoding_does_not_have_cost_their_row(tmp_path: Path) -> None:
    """Also with an encoding that does not say which byte it was."""
    text = MAP.replace("[file]", '[file]\nencoding = "idna"')
    good, bad = told_of(tmp_path / "a.csv", text, LOG.encode() + b"xn--\x80,1,2,3\n")
    assert (good, [one.line for one in bad]) == (1, [3])
    assert "is none of idna" in bad[0].what


@pytest.mark.parametrize("level", ["inf", "-inf", "1e999", "-Infinity", "9" * 400])
def test_an_infinite_level_is_a_bad_row(tmp_path: Path, level: str) -> None:
    """It is none of the words for "no level", and no level."""
    good, bad = told_of(tmp_path / "a.csv", MAP, LOG + ROW.replace("-91", level))
    assert good == 1
    assert [(one.line, one.column) for one in bad] == [(3, "2")]
    assert "is no level" in bad[0].what


def test_an_infinite_level_of_another_decimal_sign_is_one_too() -> None:
    """By the slower way."""
    from acqd.ingest.bad import BadRow

    with pytest.raises(BadRow, match="is no level"):
        Levels(LevelTable(unit="dBm"), ",").read(["-90,5", "1e999"], ["a", "b"])


def test_numbers_that_stand_for_no_number_do_not_settle_the_step() -> None:
    """9.91E37 is SCPI's, and 1e308 is beyond what an archive's floats hold."""
    import numpy as np

    assert resolution_of([np.array([-90.5, 9.91e37, 1e308, -91.0])]) == 0.5


@pytest.mark.parametrize("where", ["name", "line"])
def test_a_pattern_whose_time_may_be_left_out_finds_no_time(tmp_path: Path, where: str) -> None:
    """A group in parentheses with a question mark need not take part."""
    text = MAP.replace('columns = ["at"]', f"{where} = '#(?P<time>[0-9T:-]+)?'")
    _, bad = told_of(tmp_path / "a#.csv", text, "#\n" + LOG)
    assert bad
    assert bad[0].what == "no time"


def test_a_line_of_quotes_alone_has_one_column(tmp_path: Path) -> None:
    """An empty one; between spaces there would be none."""
    assert columns_of('""', None) == [""]
    text = MAP.replace("[file]", '[file]\nseparator = "space"')
    log = LOG.replace(",", " ")
    good, bad = told_of(tmp_path / "a.csv", text, log + '""\n')
    assert (good, [one.line for one in bad]) == (1, [3])


@pytest.mark.parametrize("pattern", ["/etc/*", "***", "a**/b"])
def test_a_pattern_of_no_names_is_named(tmp_path: Path, pattern: str) -> None:
    """With the key of the map that has it."""
    with pytest.raises(WrongUsage, match=r"`files` in \[file\].*accepted"):
        find_files([str(tmp_path)], pattern)


def test_what_is_no_plain_file_is_told_apart_from_what_is_not_there(tmp_path: Path) -> None:
    """A pipe would be empty at the second reading; nobody waits for one."""
    os.mkfifo(tmp_path / "pipe.csv")
    with pytest.raises(WrongUsage, match="no plain file"):
        find_files([str(tmp_path / "pipe.csv")], "*")
    with pytest.raises(WrongUsage, match="no file in this folder"):
        find_files([str(tmp_path)], "*")
    with pytest.raises(WrongUsage, match="there is no such file"):
        find_files(["~nobody-of-this-name/a.csv"], "*")


def test_a_day_of_rows_with_one_time_is_not_read_as_one_sweep(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A map whose clock is a date alone would fill the memory; it says where to look."""
    monkeypatch.setattr(logged, "LINE_MOST_BYTES", 1 << 20)
    text = MAP.replace('"wide"', '"long"').replace('unit = "MHz"', 'unit = "Hz"\ncolumn = "f"')
    text = text.replace('unit = "dBm"', 'unit = "dBm"\ncolumn = "level"')
    rows = "".join(f"2026-01-01,{number},-90\n" for number in range(80_000))
    good, bad = told_of(tmp_path / "a.csv", text, "at,f,level\n" + rows)
    assert good == 0
    assert [one.what for one in bad] == ["a sweep of 1 MiB, all of one time"]


def test_a_file_that_goes_away_meanwhile_has_changed(tmp_path: Path) -> None:
    """Between the first look and the second."""
    gone = LogFile(path=tmp_path / "gone.csv", size_bytes=1, changed_ns=1, sha256="")
    assert not gone.is_unchanged()
    with pytest.raises(ArchiveError, match=r"gone\.csv: cannot be read"):
        scan_files(
            parse_map(MAP, tmp_path / "map.toml"),
            [gone.path],
            now_s=2e9,
            is_known=lambda _: False,
            on_bad=lambda _: None,
        )


def test_a_name_of_a_file_cannot_steer_a_terminal() -> None:
    """Nor a column's."""
    bad = Bad(file="a\x1b[31m\n.csv", line=1, column="\x9b2J", what="x", expected="y")
    assert str(bad).isprintable()
