"""Files of anything: what comes of them is sweeps and bad rows with their places."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from acqd.ingest.bad import Bad
from acqd.ingest.logged import Logged, LogReader
from acqd.ingest.maps import parse_map
from acqd.ingest.scan import scan_files
from acqd.ingest.text import columns_of
from logbooks import NOW_S, WIDE, wide_log

LONG = (
    WIDE.replace('"wide"', '"long"')
    .replace("[level]", "column = 2\n[level]")
    .replace('unit = "dBm"', 'unit = "dBm"\ncolumn = 3')
)
GOOD = wide_log(6).encode()


def read_all(path: Path, text: str) -> tuple[int, list[Bad]]:
    """Sweeps and bad rows of one file."""
    told = parse_map(text, path.with_name("m.toml"))
    bad: list[Bad] = []
    scan = scan_files(told, [path], now_s=NOW_S, is_known=lambda _: False, on_bad=bad.append)
    good = 0
    with LogReader(told, scan) as reader:
        for number in scan.in_time().tolist():
            found = reader.read(number)
            if isinstance(found, Logged):
                assert found.level.shape == found.frequency_hz.shape
                assert np.isfinite(found.frequency_hz).all()
                good += 1
            else:
                bad.append(found)
    return good, bad


@pytest.mark.parametrize("text", [WIDE, LONG], ids=["wide", "long"])
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(data=st.binary(max_size=400))
def test_any_bytes(tmp_path: Path, text: str, data: bytes) -> None:
    """Nothing is raised, and each bad row names a line that there is."""
    path = tmp_path / "a.csv"
    path.write_bytes(data)
    _, bad = read_all(path, text)
    lines = max(1, len(data.split(b"\n")))
    assert all(1 <= one.line <= lines for one in bad)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    where=st.integers(min_value=0, max_value=len(GOOD) - 1),
    instead=st.binary(min_size=1, max_size=3),
)
def test_a_log_with_a_scratch(tmp_path: Path, where: int, instead: bytes) -> None:
    """Some bytes that are others cost the rows that they are in, and no other."""
    path = tmp_path / "a.csv"
    path.write_bytes(GOOD[:where] + instead + GOOD[where + len(instead) :])
    good, bad = read_all(path, WIDE)
    in_header = where < GOOD.index(b"\n") + 1
    assert in_header or good >= 4
    assert good + len(bad) >= 1


@given(row=st.lists(st.text(alphabet="ab1.,;\"' \t", max_size=6), min_size=1, max_size=6))
def test_columns_come_back(row: list[str]) -> None:
    """What the csv module writes is read as it was."""
    import csv
    import io

    out = io.StringIO()
    csv.writer(out, quoting=csv.QUOTE_ALL, lineterminator="").writerow(row)
    assert columns_of(out.getvalue(), ",") == row
