"""Most rows of the long layout are not taken apart in the first pass; that changes nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import acqd.ingest.scan
from acqd.ingest.bad import Bad
from acqd.ingest.maps import parse_map
from acqd.ingest.scan import scan_files

TAIL = '\n[frequency]\ncolumn = "mhz"\nunit = "MHz"\n[level]\ncolumn = "dbm"\nunit = "dBm"\n'
NUMBERED = '\n[frequency]\ncolumn = {f}\nunit = "MHz"\n[level]\ncolumn = {level}\nunit = "dBm"\n'
ZONE = '[time]\nzone = "UTC"\n'
MAPS = {
    "columns": f'[file]\nlayout = "long"\n{ZONE}columns = ["day", "clock"]{TAIL}',
    "behind": '[file]\nlayout = "long"\nheader = false\n'
    f"{ZONE}columns = [3, 4]{NUMBERED.format(f=1, level=2)}",
    "name": '[file]\nlayout = "long"\nheader = false\n'
    f"{ZONE}name = '(?P<time>\\d{{8}}T\\d{{6}})'{NUMBERED.format(f=3, level=4)}",
    "line": '[file]\nlayout = "long"\ncomment = ""\nheader = false\n'
    f"{ZONE}line = '^# (?P<time>.*)$'{NUMBERED.format(f=3, level=4)}",
    "spaces": '[file]\nlayout = "long"\nseparator = "space"\n'
    f'{ZONE}columns = ["day", "clock"]{TAIL}',
    "headed": f"[file]\nlayout = \"long\"\n{ZONE}name = '(?P<time>\\d{{8}}T\\d{{6}})'{TAIL}",
    "tabs": '[file]\nlayout = "long"\nseparator = "tab"\ncomment = "2025-03-14\\t"\n'
    f'{ZONE}columns = ["day", "clock"]{TAIL}',
    "comment": '[file]\nlayout = "long"\ncomment = "7,156.3"\nheader = false\n'
    f'{ZONE}columns = 1\nformat = "epoch s"{NUMBERED.format(f=2, level=3)}',
}
TOLD = {name: parse_map(text, Path("m.toml")) for name, text in MAPS.items()}
CLOCKS = ("2025-03-14,21:00:00", "2025-03-14,21:00:02", "2025-03-14,21:00:0", "nonsense,x")
ODD = (
    "day,clock,mhz,dbm",
    "day,clock,dbm,mhz",
    "day",
    "# 2025-03-14 21:00:04",
    "# nothing",
    "",
    "   ",
    ",,,",
    '"2025-03-14",21:00:00,156.5,-99.9',
    '2025-03-14,21:00:00,"156.5,-99.9',
    "2025-03-14,21:00:00",
    "2025-03-14,21:00:00,",
    "2025-03-14",
)
ROWS = st.one_of(
    st.builds(
        "{},156.{},-9{}.5".format, st.sampled_from(CLOCKS[:2]), st.integers(0, 9), st.integers(0, 9)
    ),
    st.builds("{},156.0,-99.9".format, st.sampled_from(CLOCKS)),
    st.builds("7,156.{},-99.9".format, st.integers(0, 4)),
    st.sampled_from(ODD),
)


def found(folder: Path, told: str, lines: list[str]) -> dict[str, Any]:
    """What the first pass makes of a log."""
    separator = {"spaces": " ", "tabs": "\t"}.get(told, ",")
    path = folder / "20250314T210000.csv"
    path.write_text("".join(line.replace(",", separator) + "\n" for line in lines))
    bad: list[Bad] = []
    scan = scan_files(
        TOLD[told],
        [path],
        now_s=2e9,
        is_known=lambda _: False,
        on_bad=bad.append,
    )
    arrays = ("at_us", "offset", "size", "line", "header")
    return {
        "bad": bad,
        "lines": [file.lines for file in scan.files],
        **{name: getattr(scan, name).tolist() for name in arrays},
    }


@pytest.mark.parametrize("told", MAPS)
@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(lines=st.lists(ROWS, max_size=14), headed=st.booleans())
def test_looking_at_every_row_finds_the_same(
    tmp_path: Path, told: str, lines: list[str], headed: bool
) -> None:
    """The same sweeps at the same places, and the same bad rows but for those within a sweep."""
    if headed:
        lines = [ODD[0], *lines]
    quick = found(tmp_path, told, lines)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(acqd.ingest.scan._OneFile, "_goes_on", lambda *_: False)
        assert found(tmp_path, told, lines) == quick


def test_rows_go_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The shortcut is taken: of a sweep of four points three are not looked at closely."""
    looked = 0
    closely = acqd.ingest.scan._OneFile._take

    def counted(self: Any, line: Any) -> None:
        nonlocal looked
        looked += 1
        closely(self, line)

    monkeypatch.setattr(acqd.ingest.scan._OneFile, "_take", counted)
    rows = [f"{CLOCKS[number // 4]},156.{number % 4},-99.9" for number in range(8)]
    made = found(tmp_path, "columns", [ODD[0], *rows])
    assert len(made["at_us"]) == 2
    assert looked == 1 + 2
